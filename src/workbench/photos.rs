//! Photographs: taken in, and how they fare.

use std::sync::Arc;
use std::time::{Duration, Instant};

use axum::Json;
use axum::body::{Body, HttpBody as _};
use axum::extract::{Path, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use futures_util::StreamExt as _;
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

/// How long the workbench waits for photographs that are being sent.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Patience {
    /// How long an upload waits for its turn before it is told to come again. Its bytes stay with the
    /// sender meanwhile.
    pub turn: Duration,
    /// How long a sender may be silent.
    pub silence: Duration,
    /// After this time a sender must have been as fast as `least_bytes_s`.
    pub grace: Duration,
    /// Slowest sender, bytes a second on average.
    pub least_bytes_s: u64,
}

impl Default for Patience {
    /// A weak wireless network brings a photograph of 4 MB in some minutes; whoever is slower keeps a
    /// place that others need.
    fn default() -> Self {
        Patience {
            turn: Duration::from_secs(10),
            silence: Duration::from_secs(20),
            grace: Duration::from_secs(20),
            least_bytes_s: 16 << 10,
        }
    }
}

fn busy() -> Fault {
    let error = format!("up to {MOST_WAITING} photographs may wait, and they do");
    Fault::new(StatusCode::SERVICE_UNAVAILABLE, error, "it is sent again by itself; or try again")
}

fn too_large() -> Fault {
    let error = format!("the photograph has more than {} MB", MAX_PHOTO_BYTES >> 20);
    Fault::new(StatusCode::PAYLOAD_TOO_LARGE, error, "save it smaller, as JPEG")
}

fn too_slow() -> Fault {
    let error = "the photograph came too slowly, or not at all";
    Fault::new(
        StatusCode::REQUEST_TIMEOUT,
        error,
        "go nearer to the network's sender, and try again",
    )
}

fn cut_off() -> Fault {
    Fault::new(StatusCode::BAD_REQUEST, "the photograph was cut off on its way", "send it again")
}

/// Takes a body's bytes, each piece given to `with`; ends with whoever is too slow or sends too much.
async fn each_piece(
    body: Body,
    patience: &Patience,
    most: usize,
    mut with: impl FnMut(&[u8]),
) -> Result<(), Fault> {
    let mut pieces = body.into_data_stream();
    let (began, mut taken) = (Instant::now(), 0);
    loop {
        let piece = tokio::time::timeout(patience.silence, pieces.next()).await;
        let Some(piece) = piece.map_err(|_| too_slow())? else { return Ok(()) };
        let piece = piece.map_err(|_| cut_off())?;
        taken += piece.len();
        if taken > most {
            return Err(too_large());
        }
        with(&piece);
        let past = began.elapsed();
        if past > patience.grace
            && (taken as f64) < patience.least_bytes_s as f64 * past.as_secs_f64()
        {
            return Err(too_slow());
        }
    }
}

/// The fault, once its sender has sent all: a sender that is cut off in the middle does not hear why.
async fn heard_out(fault: Fault, body: Body, patience: &Patience) -> Fault {
    // The fault is what there is to say; how the rest came does not matter.
    let _ = each_piece(body, patience, 4 * MAX_PHOTO_BYTES, |_| {}).await;
    fault
}

/// `POST /api/photos`.
pub async fn put(
    State(bench): State<Arc<Bench>>,
    Asked(words): Asked<Words>,
    body: Body,
) -> Result<Response, Fault> {
    let patience = bench.patience;
    if words.who.trim().is_empty() {
        return Err(crate::ledger::LedgerError::from(Refusal::Who).into());
    }
    let size = body.size_hint().exact();
    if size.is_some_and(|n| n > MAX_PHOTO_BYTES as u64) {
        return Err(heard_out(too_large(), body, &patience).await);
    }
    // Before the bytes are taken: a full queue fills nobody's memory.
    if bench.queue.has_room().is_err() {
        return Err(heard_out(busy(), body, &patience).await);
    }
    let Ok(Ok(_turn)) = tokio::time::timeout(patience.turn, bench.uploads.acquire()).await else {
        return Err(heard_out(busy(), body, &patience).await);
    };
    let mut bytes = Vec::with_capacity(size.map_or(0, |n| n as usize));
    each_piece(body, &patience, MAX_PHOTO_BYTES, |piece| bytes.extend_from_slice(piece)).await?;
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
            order: 0,
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
