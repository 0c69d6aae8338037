//! Teaching: a profile learns this fruit from corrected trays, and is adopted or not.

use std::sync::{Arc, Mutex};

use axum::Json;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use serde::Deserialize;
use serde_json::{Value, json};

use super::fault::{Fault, Said};
use super::loads::counts;
use super::{Bench, blocking, lock, signed};
use crate::classify::Fruit;
use crate::further::{self, CorrectedTray};
use crate::ledger::Ledger;
use crate::ledger::canonical::without_floats;
use crate::ledger::event::{Event, ProfileDecided};
use crate::ledger::record::OneTray;
use crate::profile::Profile;
use crate::retouch;

/// Most trays that the page is offered, the newest of them.
const MOST_TRAYS: usize = 300;
/// Seed of teaching: the same trays give the same profile.
const SEED: u64 = 20_260_918;
/// What is taught, in words.
const WHAT: &str =
    "classes only: outlines, volumes and masses stay those of the profile it starts from";

/// What was taught last and waits to be decided on.
struct Taught {
    profile: Arc<Profile>,
    sha256: String,
    trays: Vec<u64>,
    result: Value,
}

/// Where teaching stands.
#[derive(Default)]
pub struct Lessons {
    running: Option<Value>,
    failed: Option<String>,
    taught: Option<Taught>,
}

/// What all requests share of it.
pub type School = Mutex<Lessons>;

fn state(bench: &Bench, ledger: &Ledger) -> Result<Value, Fault> {
    let profiles: Vec<Value> = ledger
        .taught()?
        .iter()
        .rev()
        .map(|t| {
            json!({
                "profile": t.profile, "sha256": t.sha256, "adopted": t.adopted,
                "at": t.decided.at, "who": t.decided.who, "why": t.decided.why,
                "trays": t.trays.len()
            })
        })
        .collect();
    let mut trays = Vec::new();
    for summary in ledger.loads()?.iter().rev() {
        if trays.len() >= MOST_TRAYS {
            break;
        }
        let record = ledger.load(&summary.load)?;
        for (lot, tray) in record.lots.iter().flat_map(|l| l.trays.iter().map(move |t| (l, t))) {
            let corrected = tray.objects.iter().filter(|o| o.corrected.is_some()).count();
            trays.push(json!({
                "tray_id": tray.recorded.entry, "load": record.load, "lot": lot.lot,
                "tray": tray.tray, "objects": tray.objects.len(), "corrected": corrected,
                "looked_at": tray.changed.is_some(), "fruit": tray.fruit,
                "variety": record.variety,
                "counts": counts(tray.objects.iter().map(|o| o.item.class)),
            }));
        }
    }
    let lessons = lock(&bench.lessons);
    Ok(json!({
        "current": bench.profile().name, "profiles": profiles, "trays": trays,
        "running": lessons.running, "failed": lessons.failed,
        "result": lessons.taught.as_ref().map(|t| t.result.clone()),
        "least": {"trays": further::LEAST_TRAYS, "objects": further::LEAST_OBJECTS},
    }))
}

/// `GET /api/teach`.
pub async fn one(State(bench): State<Arc<Bench>>) -> Result<Json<Value>, Fault> {
    blocking(&bench, |bench| state(bench, &bench.ledger()).map(Json)).await
}

/// What is to be taught from which trays.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Begin {
    who: String,
    profile: String,
    trays: Vec<u64>,
}

/// `POST /api/teach`.
pub async fn begin(
    State(bench): State<Arc<Bench>>,
    Said(said): Said<Begin>,
) -> Result<Response, Fault> {
    let own = Arc::clone(&bench);
    blocking(&bench, move |bench| {
        let name = said.profile.trim().to_owned();
        if name.is_empty() || name.chars().count() > 80 || name.chars().any(char::is_control) {
            return Err(Fault::cannot("name the profile, in 1 to 80 characters", ""));
        }
        if said.who.trim().is_empty() {
            return Err(Fault::cannot("say who teaches", ""));
        }
        let mut ids = said.trays.clone();
        ids.sort_unstable();
        ids.dedup();
        let trays = {
            let ledger = bench.ledger();
            let built_in = Profile::built_in().map_err(Fault::failed)?.name;
            let taken = ledger.taught()?.iter().any(|t| t.profile == name) || built_in == name;
            if taken || bench.profile().name == name {
                return Err(Fault::cannot(
                    format!("a profile {name:?} is there already"),
                    "give it another name: old readings go by the old one",
                ));
            }
            ids.iter()
                .map(|id| super::trays::tray_that_counts(&ledger, *id))
                .collect::<Result<Vec<OneTray>, Fault>>()?
        };
        let objects: usize = trays.iter().map(|t| t.objects.len()).sum();
        if trays.len() < further::LEAST_TRAYS || objects < further::LEAST_OBJECTS {
            return Err(Fault::cannot(
                format!("{} trays with {objects} objects are too little", trays.len()),
                format!(
                    "choose at least {} trays with {} objects",
                    further::LEAST_TRAYS,
                    further::LEAST_OBJECTS
                ),
            ));
        }
        {
            let mut lessons = lock(&bench.lessons);
            if lessons.running.is_some() {
                return Err(Fault::conflict("a profile is being taught", "wait until it is done"));
            }
            lessons.running = Some(json!({"profile": name, "step": "begins", "done": 0, "of": 1}));
            lessons.failed = None;
            lessons.taught = None;
        }
        let worker = Arc::clone(&own);
        let spawned = std::thread::Builder::new()
            .name("teaching".to_owned())
            .spawn(move || work(&worker, &name, &trays));
        if let Err(error) = spawned {
            lock(&bench.lessons).running = None;
            return Err(Fault::failed(error));
        }
        let answer = state(bench, &bench.ledger())?;
        Ok((StatusCode::ACCEPTED, Json(answer)).into_response())
    })
    .await
}

fn work(bench: &Bench, name: &str, trays: &[OneTray]) {
    let outcome = crate::guard::guarded(|| teach(bench, name, trays));
    {
        let mut lessons = lock(&bench.lessons);
        lessons.running = None;
        match outcome {
            Some(Ok(taught)) => lessons.taught = Some(taught),
            Some(Err(fault)) => lessons.failed = Some(fault.error),
            None => lessons.failed = Some("teaching came to an unexpected end".to_owned()),
        }
    }
    tell(bench);
}

fn tell(bench: &Bench) {
    let now = state(bench, &bench.ledger());
    if let Ok(now) = now {
        bench.events.tell("teach", &now);
    }
}

fn teach(bench: &Bench, name: &str, trays: &[OneTray]) -> Result<Taught, Fault> {
    let folds = further::folds(trays.len());
    let of = trays.len() + folds + 1;
    let step = |words: String, done: usize| {
        let running = json!({"profile": name, "step": words, "done": done, "of": of});
        lock(&bench.lessons).running = Some(running);
        tell(bench);
    };
    let mut lessons = Vec::with_capacity(trays.len());
    for (i, tray) in trays.iter().enumerate() {
        step(format!("tray {} of {} is measured", i + 1, trays.len()), i);
        lessons.push(corrected(bench, tray)?);
    }
    let base = bench.profile();
    let too_little = |e: further::TooLittle| Fault::cannot(e.to_string(), "");
    let old = further::score_of(&base, &lessons).map_err(too_little)?;
    step(format!("group 1 of {folds}"), trays.len());
    let new = further::cross_validate(&base, &lessons, SEED, |done| {
        if done < folds {
            step(format!("group {} of {folds}", done + 1), trays.len() + done);
        }
    })
    .map_err(too_little)?;
    step("the profile itself".to_owned(), trays.len() + folds);
    let profile = further::teach(&base, &lessons, name, SEED).map_err(too_little)?;
    let bytes = profile.to_bytes().map_err(Fault::failed)?;
    let sha256 = bench.archive.keep(&bytes)?;
    let better = new.log_loss < old.log_loss && new.accuracy > old.accuracy;
    let words = vec![
        format!(
            "{} reads {:.1} % of these objects as people say; taught further it reads {:.1} % of \
             them on trays that it was not taught from.",
            base.name,
            100.0 * old.accuracy,
            100.0 * new.accuracy
        ),
        if better {
            "It reads this fruit better: adopting it is sensible.".to_owned()
        } else {
            "It does not read this fruit better: correct more trays, or keep the current profile."
                .to_owned()
        },
        "Trays that were read before keep the profile that they were read with.".to_owned(),
    ];
    let result = json!({
        "profile": name, "sha256": sha256, "base": base.name, "trays": trays.len(),
        "objects": new.objects, "folds": folds, "what": WHAT, "old": old, "new": new,
        "better": better, "decided": null, "words": words
    });
    let trays = trays.iter().map(|t| t.entry).collect();
    Ok(Taught { profile: Arc::new(profile), sha256, trays, result })
}

/// A tray with the classes that people let stand or gave, measured on the photograph again.
fn corrected(bench: &Bench, tray: &OneTray) -> Result<CorrectedTray, Fault> {
    let ready = bench.shelf.ready(&bench.archive, &tray.photo, &bench.reading)?;
    let view = bench.shelf.view(&bench.archive, tray)?;
    // Measured anew, as they lie now: what is taught must not hang on what was looked at before.
    let measured = retouch::measure_all(&ready.opened, &ready.prepared, &view.labels);
    let fruit = Fruit::named(&tray.fruit).ok_or_else(|| Fault::failed("its fruit is unknown"))?;
    let objects = measured
        .iter()
        .filter_map(|(number, m, s)| {
            let own = tray.objects.iter().find(|o| o.read.object == *number)?;
            Some((m.clone(), *s, own.class()?))
        })
        .collect();
    Ok(CorrectedTray { fruit, camera_mm: ready.opened.marks.frame.camera_mm, objects })
}

/// Whether a taught profile is adopted.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Decide {
    who: String,
    why: Option<String>,
    sha256: String,
    adopt: bool,
}

/// `POST /api/teach/decide`.
pub async fn decide(
    State(bench): State<Arc<Bench>>,
    Said(said): Said<Decide>,
) -> Result<Json<Value>, Fault> {
    blocking(&bench, move |bench| {
        let mut ledger = bench.ledger();
        let event = {
            let lessons = lock(&bench.lessons);
            let taught = lessons.taught.as_ref().filter(|t| t.sha256 == said.sha256);
            let taught = taught.ok_or_else(|| {
                Fault::conflict("no profile of this hash waits for a decision", "teach one first")
            })?;
            if !taught.result["decided"].is_null() {
                return Err(Fault::conflict("it was decided on already", ""));
            }
            ProfileDecided {
                profile: taught.profile.name.clone(),
                sha256: taught.sha256.clone(),
                adopted: said.adopt,
                trays: taught.trays.clone(),
                figures: without_floats(taught.result.clone()),
            }
        };
        ledger.say_one(Event::ProfileDecided(event), signed(&said.who, said.why.as_deref()))?;
        {
            let mut lessons = lock(&bench.lessons);
            if let Some(taught) = &mut lessons.taught {
                taught.result["decided"] = json!(if said.adopt { "adopted" } else { "declined" });
                if said.adopt {
                    *lock(&bench.profile) = Arc::clone(&taught.profile);
                }
            }
        }
        bench.events.tell_new(&ledger)?;
        let now = state(bench, &ledger)?;
        bench.events.tell("teach", &now);
        Ok(Json(now))
    })
    .await
}
