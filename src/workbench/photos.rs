//! Photographs: taken in, and how they fare.

use std::sync::Arc;

use axum::Json;
use axum::body::Body;
use axum::extract::{Path, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use serde::Deserialize;
use serde_json::{Value, json};

use super::fault::{Asked, Fault, Said};
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
    let _one = bench.uploads.try_acquire().map_err(|_| busy())?;
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
            sha256,
            who: words.who.trim().to_owned(),
            why: text(words.why),
            load: text(words.load),
            lot: text(words.lot),
            tray: words.tray,
            bin: text(words.bin),
            retake: words.retake.is_some_and(|r| r != 0),
        };
        taken(bench, note)
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

/// What is said anew of a photograph that is kept.
#[derive(Deserialize)]
pub struct Anew {
    who: String,
    why: Option<String>,
    load: Option<String>,
    lot: Option<String>,
    tray: Option<Number>,
    bin: Option<String>,
    retake: Option<Number>,
}

/// A number, or the same as words: what a form sends.
#[derive(Deserialize)]
#[serde(untagged)]
enum Number {
    Yes(bool),
    Whole(u32),
    Words(String),
}

impl Number {
    fn value(&self) -> Result<u32, Fault> {
        match self {
            Number::Yes(yes) => Ok(u32::from(*yes)),
            Number::Whole(n) => Ok(*n),
            Number::Words(words) => words
                .trim()
                .parse()
                .map_err(|_| Fault::wrong(format!("{words:?} is no whole number"))),
        }
    }
}

/// `POST /api/jobs/{job}/again`.
pub async fn again(
    State(bench): State<Arc<Bench>>,
    Path(job): Path<String>,
    Said(anew): Said<Anew>,
) -> Result<Response, Fault> {
    blocking(&bench, move |bench| {
        bench.queue.has_room().map_err(|Full| busy())?;
        let before = bench.queue.note(&job).ok_or_else(no_job)?;
        let before = before.ok_or_else(|| {
            Fault::conflict(
                "it waits or is done already",
                "only what was not recorded is done again",
            )
        })?;
        let who = anew.who.trim().to_owned();
        if who.is_empty() {
            return Err(crate::ledger::LedgerError::from(Refusal::Who).into());
        }
        let text = |t: Option<String>| t.map(|t| t.trim().to_owned()).filter(|t| !t.is_empty());
        let number = |n: &Option<Number>| n.as_ref().map(Number::value).transpose();
        let note = Note {
            who,
            why: text(anew.why).or(before.why),
            load: text(anew.load).or(before.load),
            lot: text(anew.lot).or(before.lot),
            tray: number(&anew.tray)?.or(before.tray),
            bin: text(anew.bin).or(before.bin),
            retake: number(&anew.retake)?.map_or(before.retake, |n| n != 0),
            ..before
        };
        taken(bench, note)
    })
    .await
}

/// Puts a kept photograph into the queue.
fn taken(bench: &Bench, note: Note) -> Result<Response, Fault> {
    let sha256 = note.sha256.clone();
    let (job, ahead) = bench.queue.put(note)?;
    if let Some(job) = bench.queue.one(&job) {
        bench.events.tell("job", &job);
    }
    let answer = json!({"job": job, "sha256": sha256, "ahead": ahead});
    Ok((StatusCode::ACCEPTED, Json(answer)).into_response())
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
