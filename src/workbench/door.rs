//! Who may come in: Host and Origin, the token, the header of changes; and what every answer carries.

use std::net::IpAddr;
use std::sync::Arc;

use axum::body::Body;
use axum::extract::{Request, State};
use axum::http::{HeaderMap, HeaderValue, Method, StatusCode, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};

use super::Bench;
use super::fault::{Fault, JSON};

/// The cookie that holds the token.
const COOKIE: &str = "acinus_workbench";
/// The header that changes must carry: a page of another site cannot set it unasked.
const HEADER: &str = "x-acinus";

const POLICY: &str = "default-src 'self'; img-src 'self' blob: data:; object-src 'none'; \
                      base-uri 'none'; form-action 'none'; frame-ancestors 'none'";

/// What the door needs to know.
#[derive(Debug)]
pub struct Door {
    /// The port that the server listens at.
    pub port: u16,
    /// Whether it listens on this machine only.
    pub loopback: bool,
    /// What visitors must show; none on loopback.
    pub token: Option<String>,
}

/// A token that nobody can guess: 128 random bits from the system.
pub fn token() -> Result<String, getrandom::Error> {
    let mut bytes = [0u8; 16];
    getrandom::fill(&mut bytes)?;
    Ok(bytes.iter().map(|b| format!("{b:02x}")).collect())
}

/// Whether two words are the same, in a time that does not tell where they differ.
pub fn same(a: &str, b: &str) -> bool {
    a.len() == b.len() && a.bytes().zip(b.bytes()).fold(0, |d, (x, y)| d | (x ^ y)) == 0
}

fn forbidden(error: &str, todo: &str) -> Fault {
    Fault::new(StatusCode::FORBIDDEN, error, todo)
}

impl Door {
    /// Whether a request may come in.
    fn check(&self, method: &Method, headers: &HeaderMap, query: &str) -> Result<(), Fault> {
        let host = headers.get(header::HOST).and_then(|v| v.to_str().ok()).unwrap_or("");
        if !self.is_host(host) {
            // A name that some other site's server gives out (DNS rebinding) ends here.
            return Err(forbidden(
                "the address that was asked for is not this server's",
                "open the address that acinus printed",
            ));
        }
        let origin = headers.get(header::ORIGIN).map(|v| v.to_str().unwrap_or(""));
        if origin.is_some_and(|o| o != format!("http://{host}")) {
            return Err(forbidden("the request comes from another site", ""));
        }
        let site = headers.get("sec-fetch-site").and_then(|v| v.to_str().ok());
        let changes = !matches!(*method, Method::GET | Method::HEAD);
        if changes {
            if site.is_some_and(|s| !matches!(s, "same-origin" | "none")) {
                return Err(forbidden("the request comes from another site", ""));
            }
            if !headers.contains_key(HEADER) {
                return Err(forbidden("changes need the header X-Acinus", ""));
            }
        }
        let Some(token) = &self.token else { return Ok(()) };
        let shown = shown(headers).or_else(|| in_query(query));
        match shown {
            Some(shown) if same(shown, token) => Ok(()),
            _ => Err(Fault::new(
                StatusCode::UNAUTHORIZED,
                "this workbench needs its token",
                "open the whole address that acinus printed, with ?token=",
            )),
        }
    }

    /// `127.0.0.1:8777` and the like: an address or `localhost`, never another name.
    fn is_host(&self, host: &str) -> bool {
        let (name, port) = match host.rsplit_once(':') {
            Some((name, port)) if !port.ends_with(']') => (name, port.parse().ok()),
            _ => (host, Some(80)),
        };
        let address: Option<IpAddr> = name.trim_matches(['[', ']']).parse().ok();
        let known = match address {
            Some(address) => !self.loopback || address.is_loopback(),
            None => name.eq_ignore_ascii_case("localhost"),
        };
        known && port == Some(self.port)
    }
}

fn shown(headers: &HeaderMap) -> Option<&str> {
    let cookies = headers.get_all(header::COOKIE).iter().filter_map(|v| v.to_str().ok());
    cookies
        .flat_map(|line| line.split(';'))
        .filter_map(|pair| pair.trim().split_once('='))
        .find(|(name, _)| *name == COOKIE)
        .map(|(_, value)| value)
}

fn in_query(query: &str) -> Option<&str> {
    query.split('&').filter_map(|pair| pair.split_once('=')).find(|p| p.0 == "token").map(|p| p.1)
}

/// Lets a request in or not, and dresses the answer.
pub async fn pass(State(bench): State<Arc<Bench>>, request: Request, next: Next) -> Response {
    let door = &bench.door;
    let query = request.uri().query().unwrap_or("").to_owned();
    let api = request.uri().path().starts_with("/api/");
    let mut response = match door.check(request.method(), request.headers(), &query) {
        Err(fault) => fault.into_response(),
        Ok(()) if !api && door.token.is_some() && in_query(&query).is_some() => {
            welcome(door.token.as_deref().unwrap_or_default())
        }
        Ok(()) => next.run(request).await,
    };
    dress(&mut response, api);
    response
}

/// Gives the token into the browser's keeping and goes on to the page without it in the address.
fn welcome(token: &str) -> Response {
    let page = "<!doctype html><meta charset=utf-8><meta http-equiv=refresh content=\"0;url=/\">\
                <title>Acinus</title>";
    let mut response = Response::new(Body::from(page));
    let cookie = format!("{COOKIE}={token}; Path=/; HttpOnly; SameSite=Strict");
    let headers = response.headers_mut();
    headers.insert(header::CONTENT_TYPE, HeaderValue::from_static("text/html; charset=utf-8"));
    headers.insert(header::CACHE_CONTROL, HeaderValue::from_static("no-store"));
    if let Ok(cookie) = HeaderValue::from_str(&cookie) {
        headers.insert(header::SET_COOKIE, cookie);
    }
    response
}

fn dress(response: &mut Response, api: bool) {
    let status = response.status();
    let is_json = |r: &Response| {
        let kind = r.headers().get(header::CONTENT_TYPE).and_then(|v| v.to_str().ok());
        kind.is_some_and(|v| v.starts_with(JSON))
    };
    // What the framework says by itself (no such route, wrong method, odd path) is told our way.
    if (status.is_client_error() || status.is_server_error()) && !is_json(response) {
        let words = status.canonical_reason().unwrap_or("it cannot be done").to_lowercase();
        *response = Fault::new(status, words, "").into_response();
    }
    let headers = response.headers_mut();
    let mut put = |name, value: &'static str| {
        headers.insert(name, HeaderValue::from_static(value));
    };
    put(header::CONTENT_SECURITY_POLICY, POLICY);
    put(header::X_CONTENT_TYPE_OPTIONS, "nosniff");
    put(header::REFERRER_POLICY, "no-referrer");
    put(header::HeaderName::from_static("cross-origin-resource-policy"), "same-origin");
    put(header::HeaderName::from_static("cross-origin-opener-policy"), "same-origin");
    put(
        header::HeaderName::from_static("permissions-policy"),
        "camera=(self), geolocation=(), microphone=()",
    );
    if api && !headers.contains_key(header::CACHE_CONTROL) {
        headers.insert(header::CACHE_CONTROL, HeaderValue::from_static("no-store"));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn headers(list: &[(&'static str, &str)]) -> HeaderMap {
        list.iter().map(|(n, v)| (n.parse().unwrap(), HeaderValue::from_str(v).unwrap())).collect()
    }

    fn status(door: &Door, method: Method, list: &[(&'static str, &str)]) -> u16 {
        door.check(&method, &headers(list), "").err().map_or(200, |f| f.status.as_u16())
    }

    #[test]
    fn hosts_origins_and_headers() {
        let door = Door { port: 8777, loopback: true, token: None };
        let host = ("host", "127.0.0.1:8777");
        assert_eq!(status(&door, Method::GET, &[host]), 200);
        assert_eq!(status(&door, Method::GET, &[("host", "localhost:8777")]), 200);
        assert_eq!(status(&door, Method::GET, &[("host", "[::1]:8777")]), 200);
        for other in ["evil.example:8777", "127.0.0.1:8778", "192.168.1.4:8777", "127.0.0.1", ""] {
            assert_eq!(status(&door, Method::GET, &[("host", other)]), 403, "{other}");
        }
        let from = |o| [host, ("origin", o), ("x-acinus", "1")];
        assert_eq!(status(&door, Method::POST, &from("http://127.0.0.1:8777")), 200);
        assert_eq!(status(&door, Method::POST, &from("http://evil.example")), 403);
        assert_eq!(status(&door, Method::POST, &from("null")), 403);
        assert_eq!(status(&door, Method::POST, &[host]), 403);
        let cross = [host, ("x-acinus", "1"), ("sec-fetch-site", "cross-site")];
        assert_eq!(status(&door, Method::DELETE, &cross), 403);
    }

    #[test]
    fn the_token_opens_and_nothing_else_does() {
        let token = token().unwrap();
        assert_eq!(token.len(), 32);
        assert_ne!(token, super::token().unwrap());
        let door = Door { port: 1, loopback: false, token: Some(token.clone()) };
        let host = ("host", "192.168.1.4:1");
        assert_eq!(status(&door, Method::GET, &[host]), 401);
        let cookie = format!("a=b; {COOKIE}={token}");
        assert_eq!(status(&door, Method::GET, &[host, ("cookie", &cookie)]), 200);
        let wrong = format!("{COOKIE}={}", &token[1..]);
        assert_eq!(status(&door, Method::GET, &[host, ("cookie", &wrong)]), 401);
        assert!(door.check(&Method::GET, &headers(&[host]), &format!("token={token}")).is_ok());
        assert!(door.check(&Method::GET, &headers(&[host]), "token=").is_err());
    }
}
