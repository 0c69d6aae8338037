//! What a request is answered when it cannot be done: one line of JSON.

use axum::body::{Body, Bytes};
use axum::extract::{FromRequest, FromRequestParts, Query, Request};
use axum::http::request::Parts;
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use serde::de::DeserializeOwned;
use serde_json::{Map, Value};

use crate::ledger::{LedgerError, Refusal};
use crate::sheet::SheetError;

/// Why a request was not done, and what to do.
#[derive(Debug)]
pub struct Fault {
    /// Status of the answer.
    pub status: StatusCode,
    /// What was wrong.
    pub error: String,
    /// What to do; may be empty.
    pub todo: String,
    /// More members of the answer.
    pub more: Map<String, Value>,
}

impl Fault {
    /// A fault of a status.
    pub fn new(status: StatusCode, error: impl Into<String>, todo: impl Into<String>) -> Fault {
        Fault { status, error: one_line(error.into()), todo: todo.into(), more: Map::new() }
    }

    /// A request that cannot be understood.
    pub fn wrong(error: impl Into<String>) -> Fault {
        Fault::new(StatusCode::BAD_REQUEST, error, "")
    }

    /// The same with what to do.
    pub fn with_todo(mut self, todo: impl Into<String>) -> Fault {
        self.todo = todo.into();
        self
    }

    /// Something that is not there.
    pub fn missing(error: impl Into<String>) -> Fault {
        Fault::new(StatusCode::NOT_FOUND, error, "")
    }

    /// Something that was understood and cannot be done.
    pub fn cannot(error: impl Into<String>, todo: impl Into<String>) -> Fault {
        Fault::new(StatusCode::UNPROCESSABLE_ENTITY, error, todo)
    }

    /// Something that does not go together with what is there.
    pub fn conflict(error: impl Into<String>, todo: impl Into<String>) -> Fault {
        Fault::new(StatusCode::CONFLICT, error, todo)
    }

    /// Something that failed here.
    pub fn failed(error: impl std::fmt::Display) -> Fault {
        Fault::new(StatusCode::INTERNAL_SERVER_ERROR, error.to_string(), "")
    }
}

fn one_line(text: String) -> String {
    if text.contains(['\n', '\r']) {
        text.split_whitespace().collect::<Vec<_>>().join(" ")
    } else {
        text
    }
}

impl IntoResponse for Fault {
    fn into_response(self) -> Response {
        let mut map = self.more;
        map.insert("error".to_owned(), Value::from(self.error));
        map.insert("todo".to_owned(), Value::from(self.todo));
        let mut response = Response::new(Body::from(format!("{}\n", Value::Object(map))));
        *response.status_mut() = self.status;
        let headers = response.headers_mut();
        headers.insert(header::CONTENT_TYPE, header::HeaderValue::from_static(JSON));
        if self.status == StatusCode::SERVICE_UNAVAILABLE {
            headers.insert(header::RETRY_AFTER, header::HeaderValue::from_static("3"));
        }
        response
    }
}

/// The type of all answers but pictures, assets and events.
pub const JSON: &str = "application/json";

impl From<SheetError> for Fault {
    fn from(error: SheetError) -> Fault {
        match error {
            SheetError::Ledger(error) => error.into(),
            other => Fault::cannot(other.to_string(), ""),
        }
    }
}

impl From<LedgerError> for Fault {
    fn from(error: LedgerError) -> Fault {
        let busy = match &error {
            LedgerError::Sql { source, .. } => matches!(
                source.sqlite_error_code(),
                Some(rusqlite::ErrorCode::DatabaseBusy | rusqlite::ErrorCode::DatabaseLocked)
            ),
            _ => false,
        };
        let status = match &error {
            LedgerError::Refused(Refusal::UnknownLoad(_)) => StatusCode::NOT_FOUND,
            LedgerError::Refused(Refusal::Terms { .. } | Refusal::Name { .. } | Refusal::Who) => {
                StatusCode::UNPROCESSABLE_ENTITY
            }
            LedgerError::Refused(Refusal::Net { .. } | Refusal::Number { .. }) => {
                StatusCode::UNPROCESSABLE_ENTITY
            }
            LedgerError::Refused(Refusal::Time { .. }) => StatusCode::UNPROCESSABLE_ENTITY,
            LedgerError::Refused(_) => StatusCode::CONFLICT,
            _ if busy => StatusCode::SERVICE_UNAVAILABLE,
            _ => StatusCode::INTERNAL_SERVER_ERROR,
        };
        let words = error.to_string();
        // Advice of the command line is of no use on the page.
        let for_the_page = |advice: &str| !advice.contains('`') && !advice.contains("--");
        let (error, todo) = match words.rsplit_once("; ") {
            Some((error, advice)) if for_the_page(advice) => (error.to_owned(), advice.to_owned()),
            Some((error, _)) => (error.to_owned(), String::new()),
            None => (words, String::new()),
        };
        Fault::new(status, error, todo)
    }
}

/// Words of the library without what only the command line can do: `; put the tiles flat, or give
/// the scale (--px-per-mm 7.8)` ends after `flat`.
pub fn for_the_page(words: &str) -> String {
    let Some(flag) = words.find("--") else { return words.to_owned() };
    let before = &words[..flag];
    // The advice that the flag is in begins at the last of these before it; a choice of several begins
    // at its first.
    let choice = before.find(", or give");
    let marks = [": give ", "; ", " ("].iter().filter_map(|mark| before.rfind(mark));
    let cut = choice.or_else(|| marks.max());
    cut.map_or(words, |at| &words[..at]).to_owned()
}

/// The JSON body of a change.
pub struct Said<T>(pub T);

impl<S: Send + Sync, T: DeserializeOwned> FromRequest<S> for Said<T> {
    type Rejection = Fault;

    async fn from_request(request: Request, state: &S) -> Result<Self, Fault> {
        let json = request
            .headers()
            .get(header::CONTENT_TYPE)
            .and_then(|v| v.to_str().ok())
            .is_some_and(|v| v.split(';').next().is_some_and(|v| v.trim() == JSON));
        if !json {
            return Err(Fault::new(
                StatusCode::UNSUPPORTED_MEDIA_TYPE,
                "the body must be JSON",
                "send it as application/json",
            ));
        }
        let bytes = Bytes::from_request(request, state).await.map_err(|e| {
            Fault::new(
                e.into_response().status(),
                "the body could not be read, or is too large",
                "",
            )
        })?;
        serde_json::from_slice(&bytes)
            .map(Said)
            .map_err(|e| Fault::wrong(format!("the body is not what it must be: {e}")))
    }
}

/// The query of a request.
pub struct Asked<T>(pub T);

impl<S: Send + Sync, T: DeserializeOwned> FromRequestParts<S> for Asked<T> {
    type Rejection = Fault;

    async fn from_request_parts(parts: &mut Parts, state: &S) -> Result<Self, Fault> {
        match Query::<T>::from_request_parts(parts, state).await {
            Ok(Query(asked)) => Ok(Asked(asked)),
            Err(e) => Err(Fault::wrong(format!("the query is not what it must be: {e}"))),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn flags_of_the_command_line_are_left_out() {
        for (words, wanted) in [
            ("out of focus; wipe the lens", "out of focus; wipe the lens"),
            (
                "no scale: 1 of the four tiles could be read; put the tiles flat in the tray's corners, or \
                 give the tray's inner size (--tray 330x250) or the scale (--px-per-mm 7.8)",
                "no scale: 1 of the four tiles could be read; put the tiles flat in the tray's corners",
            ),
            ("fruit not told apart: give --fruit", "fruit not told apart"),
            ("print a clean slip, or give measured patches (--patches)", "print a clean slip"),
        ] {
            assert_eq!(for_the_page(words), wanted);
        }
    }

    #[test]
    fn a_fault_is_one_line_with_its_advice_apart() {
        let fault = Fault::failed("a\nb  c");
        assert_eq!(fault.error, "a b c");
        let refused = crate::ledger::LedgerError::from(Refusal::LoadExists("X".into()));
        let fault = Fault::from(refused);
        assert_eq!(fault.status, StatusCode::CONFLICT);
        assert!(!fault.error.contains('`') && fault.todo.is_empty(), "{fault:?}");
    }
}
