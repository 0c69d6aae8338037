//! Photographs: taken in, and how they fare.

use std::sync::Arc;

use axum::Json;
use axum::body::Body;
use axum::extract::{Path, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use serde::Deserialize;
use serde_json::{Value, json};

use super::fault::{Asked, Fault};
use super::queue::{Full, MOST_WAITING, Note};
use super::{Bench, MAX_PHOTO_BYTES, blocking};
use crate::ledger::Refusal;

/// What is said of a photograph.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Words {
    name: String,
    who: String,
    why: Option<String>,
    load: Option<String>,
    lot: Option<String>,
    tray: Option<u32>,
    bin: Option<String>,
    retake: Option<u8>,
}

fn busy() -> Fault {
    let error = format!("{MOST_WAITING} photographs are waiting");
    Fault::new(StatusCode::SERVICE_UNAVAILABLE, error, "busy, try again")
}

/// `POST /api/photos`.
pub async fn put(
    State(bench): State<Arc<Bench>>,
    Asked(words): Asked<Words>,
    body: Body,
) -> Result<Response, Fault> {
    // Before the bytes are taken: a full queue costs nobody an upload.
    bench.queue.has_room().map_err(|Full| busy())?;
    if words.who.trim().is_empty() {
        return Err(crate::ledger::LedgerError::from(Refusal::Who).into());
    }
    let bytes = axum::body::to_bytes(body, MAX_PHOTO_BYTES).await.map_err(|_| {
        Fault::new(
            StatusCode::PAYLOAD_TOO_LARGE,
            format!("the photograph has more than {} MB, or was cut off", MAX_PHOTO_BYTES >> 20),
            "save it smaller, as JPEG",
        )
    })?;
    blocking(&bench, move |bench| {
        if bytes.is_empty() {
            return Err(Fault::wrong("the photograph is empty"));
        }
        bench.queue.has_room().map_err(|Full| busy())?;
        let text = |t: Option<String>| t.map(|t| t.trim().to_owned()).filter(|t| !t.is_empty());
        let name: String = words.name.chars().filter(|c| !c.is_control()).take(200).collect();
        // The bytes are safe first; whatever happens then, they are there.
        let sha256 = bench.archive.keep(&bytes)?;
        let note = Note {
            name,
            sha256: sha256.clone(),
            who: words.who.trim().to_owned(),
            why: text(words.why),
            load: text(words.load),
            lot: text(words.lot),
            tray: words.tray,
            bin: text(words.bin),
            retake: words.retake.is_some_and(|r| r != 0),
        };
        let (job, ahead) = bench.queue.put(note)?;
        if let Some(job) = bench.queue.one(&job) {
            bench.events.tell("job", &job);
        }
        let answer = json!({"job": job, "sha256": sha256, "ahead": ahead});
        Ok((StatusCode::ACCEPTED, Json(answer)).into_response())
    })
    .await
}

/// `GET /api/jobs`.
pub async fn jobs(State(bench): State<Arc<Bench>>) -> Json<Value> {
    Json(json!({"jobs": bench.queue.all()}))
}

fn no_job() -> Fault {
    Fault::missing("there is no such job")
}

/// `GET /api/jobs/{job}`.
pub async fn job(
    State(bench): State<Arc<Bench>>,
    Path(job): Path<String>,
) -> Result<Json<Value>, Fault> {
    bench.queue.one(&job).map(Json).ok_or_else(no_job)
}

/// `DELETE /api/jobs/{job}`.
pub async fn forget(
    State(bench): State<Arc<Bench>>,
    Path(job): Path<String>,
) -> Result<StatusCode, Fault> {
    match bench.queue.forget(&job) {
        Some(true) => Ok(StatusCode::NO_CONTENT),
        Some(false) => Err(Fault::conflict("it is being worked on", "wait until it is done")),
        None => Err(no_job()),
    }
}
