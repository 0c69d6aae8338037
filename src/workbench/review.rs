//! Two parties: each reviews without seeing what the other saw; then they look at what differs,
//! settle it, and accept or not.

use std::collections::{BTreeMap, HashMap};
use std::sync::{Arc, Mutex};

use axum::Json;
use axum::extract::{Path, State};
use axum::http::{HeaderMap, StatusCode};
use serde::Deserialize;
use serde_json::{Value, json};

use super::fault::{Fault, Said};
use super::loads::{About, By, must_be_seen};
use super::trays::shape_json;
use super::{Bench, blocking, door, lock, signed};
use crate::dossier::{DELIVERED, Dossier};
use crate::ledger::Ledger;
use crate::ledger::event::{
    DifferencesSettled, Event, Judged, PartiesBegun, PartiesGaveUp, Party, PartyAccepted,
    PartyFinished, PartyJudged, PartyRefused, Settlement, Word as _, outcome_word,
};
use crate::ledger::record::{JudgementRecord, LoadRecord, LotRecord, OneTray, PartiesRecord};
use crate::load::Seen;
use crate::parties::{self, KINDS, Outlook, seen_of, word};

/// Header that says who sits on a party's side.
const SEAT: &str = "x-acinus-seat";
/// Most objects judged in one request.
const BATCH: usize = 50;

/// Who sits where, while the server runs: the key that a party's browser shows.
pub type Seats = Mutex<HashMap<(u64, Party), (String, String)>>;

/// The load's last review by both parties, as the page sees it.
pub fn last_of(record: &LoadRecord, ledger: &Ledger, bench: &Bench) -> Result<Value, Fault> {
    match parties::last(record) {
        Some((lot, review)) => review_json(record, lot, review, ledger, bench),
        None => Ok(Value::Null),
    }
}

/// What of it is sealed at the close; nothing where none came to an end.
pub fn sealed(ledger: &Ledger, load: &str) -> Result<Option<Value>, Fault> {
    let record = ledger.load(load)?;
    let Some((_, review)) = parties::last(&record) else { return Ok(None) };
    match review.outcome.as_deref() {
        Some("agreed" | "not-agreed") => {
            let review = review.clone();
            Ok(Some(parties::outlook(ledger, record, review)?.sealed()?))
        }
        _ => Ok(None),
    }
}

fn state(review: &PartiesRecord) -> &str {
    match &review.outcome {
        Some(outcome) => outcome,
        None if review.parties.iter().all(|p| p.finished.is_some()) => "settling",
        None => "judging",
    }
}

fn review_json(
    record: &LoadRecord,
    lot: &LotRecord,
    review: &PartiesRecord,
    ledger: &Ledger,
    bench: &Bench,
) -> Result<Value, Fault> {
    let judgements = ledger.judgements(review.begun.entry)?;
    let side = |party: Party| {
        let p = &review.parties[party as usize];
        let judged = judgements.iter().filter(|j| j.human[party as usize].is_some()).count();
        let taken = lock(&bench.seats).contains_key(&(review.begun.entry, party));
        let accepted = p.accepted.as_ref().map(|a| {
            json!({"entry": a.entry, "at": a.at, "who": a.who, "why": a.why, "figures": p.figures})
        });
        json!({
            "name": p.name, "judged": judged, "finished": p.finished.is_some(),
            "accepted": accepted, "refused": p.refused, "seat": taken
        })
    };
    Ok(json!({
        "review": review.begun.entry, "load": record.load, "lot": lot.lot,
        "seed": review.draw.seed.to_string(), "of": review.draw.of,
        "drawn": review.draw.objects.len(), "whole": review.whole, "begun": review.begun,
        "parties": {"grower": side(Party::Grower), "winery": side(Party::Winery)},
        "state": state(review), "entry": ledger.head()?.entries,
        "closed": record.closed.is_some(),
    }))
}

/// A review with its load and lot.
struct Found {
    record: LoadRecord,
    lot: LotRecord,
    review: PartiesRecord,
}

fn find(ledger: &Ledger, review: u64) -> Result<Found, Fault> {
    let missing = || Fault::missing("there is no such review");
    let (load, lot) = ledger.place_of_parties(review)?.ok_or_else(missing)?;
    let record = ledger.load(&load)?;
    let lot = record.lots.iter().find(|l| l.lot == lot).cloned().ok_or_else(missing)?;
    let found = lot.parties.iter().find(|p| p.begun.entry == review).cloned();
    Ok(Found { record, lot, review: found.ok_or_else(missing)? })
}

fn answer(bench: &Bench, ledger: &Ledger, review: u64) -> Result<Json<Value>, Fault> {
    let found = find(ledger, review)?;
    Ok(Json(review_json(&found.record, &found.lot, &found.review, ledger, bench)?))
}

/// Which objects are reviewed.
#[derive(Deserialize)]
#[serde(untagged)]
enum Which {
    Word(String),
    Count(u32),
}

/// A review to begin.
#[derive(Deserialize)]
pub struct Begin {
    #[serde(flatten)]
    by: By,
    lot: Option<String>,
    grower: String,
    winery: String,
    objects: Which,
}

/// `POST /api/loads/{load}/reviews`.
pub async fn begin(
    State(bench): State<Arc<Bench>>,
    Path(load): Path<String>,
    Said(said): Said<Begin>,
) -> Result<Json<Value>, Fault> {
    blocking(&bench, move |bench| {
        let mut ledger = bench.ledger();
        let lot = said.lot.as_deref().unwrap_or(DELIVERED).to_owned();
        must_be_seen(&ledger, &load, said.by.seen, About::Lot(&lot))?;
        let record = ledger.load(&load)?;
        let own = record.lots.iter().find(|l| l.lot == lot);
        let of = own.map_or(0, |l| l.trays.iter().map(|t| t.objects.len()).sum::<usize>());
        if of == 0 {
            let error = format!("{load} has no objects of {lot} yet");
            return Err(Fault::conflict(error, "add its trays first"));
        }
        if own.is_some_and(|l| l.parties.iter().any(|p| p.ended.is_none())) {
            return Err(Fault::conflict(
                "a review by both parties runs already",
                "finish it, or give it up",
            ));
        }
        let (count, whole) = match said.objects {
            Which::Word(word) if word == "all" => (of, true),
            Which::Word(word) => {
                return Err(Fault::wrong(format!("objects {word:?}: \"all\", or a number")));
            }
            Which::Count(0) => return Err(Fault::wrong("draw at least one object")),
            Which::Count(n) => (of.min(n as usize), n as usize >= of),
        };
        let names = [said.grower.trim().to_owned(), said.winery.trim().to_owned()];
        if names[0].is_empty() || names[1].is_empty() || names[0] == names[1] {
            return Err(Fault::cannot("grower and winery must be two names", ""));
        }
        let by = signed(&said.by.who, said.by.why.as_deref());
        let (draw, _) = ledger.draw_review(&load, &lot, count as u32, None, by)?;
        let [grower, winery] = names;
        let begun = PartiesBegun { load, lot, draw, whole, grower, winery };
        let review = ledger.say_one(Event::PartiesBegun(begun), by)?.entries;
        bench.events.tell_new(&ledger)?;
        answer(bench, &ledger, review)
    })
    .await
}

/// `GET /api/reviews/{review}`.
pub async fn one(
    State(bench): State<Arc<Bench>>,
    Path(review): Path<u64>,
) -> Result<Json<Value>, Fault> {
    blocking(&bench, move |bench| answer(bench, &bench.ledger(), review)).await
}

/// A seat to take.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Sit {
    party: Party,
    who: String,
    #[serde(default)]
    again: bool,
}

/// `POST /api/reviews/{review}/seat`.
pub async fn seat(
    State(bench): State<Arc<Bench>>,
    Path(review): Path<u64>,
    Said(said): Said<Sit>,
) -> Result<Json<Value>, Fault> {
    blocking(&bench, move |bench| {
        let load = find(&bench.ledger(), review)?.record.load;
        let who = said.who.trim().to_owned();
        if who.is_empty() {
            return Err(Fault::cannot("name who sits there", ""));
        }
        let key = door::token().map_err(Fault::failed)?;
        {
            let mut seats = lock(&bench.seats);
            if let Some((_, sitting)) = seats.get(&(review, said.party))
                && !said.again
            {
                let error = format!("{sitting} sits for the {} already", said.party.word());
                return Err(Fault::conflict(
                    error,
                    "if that was you on another device, take the seat over",
                ));
            }
            seats.insert((review, said.party), (key.clone(), who.clone()));
        }
        let told = json!({"load": load, "review": review, "party": said.party.word(), "who": who});
        bench.events.tell("seat", &told);
        let Json(review) = answer(bench, &bench.ledger(), review)?;
        Ok(Json(json!({"key": key, "review": review})))
    })
    .await
}

/// The party whose seat a request shows.
fn seated(bench: &Bench, headers: &HeaderMap, review: u64) -> Result<Party, Fault> {
    let shown = headers.get(SEAT).and_then(|v| v.to_str().ok()).unwrap_or("");
    let seats = lock(&bench.seats);
    let own = Party::ALL.iter().copied().find(|party| {
        let seat = seats.get(&(review, *party));
        !shown.is_empty() && seat.is_some_and(|(key, _)| door::same(key, shown))
    });
    own.ok_or_else(|| {
        Fault::new(
            StatusCode::FORBIDDEN,
            "this browser sits on neither side of the review",
            "take a seat; if you had one, somebody took it over, or the program was started anew",
        )
    })
}

/// `GET /api/reviews/{review}/objects`.
pub async fn objects(
    State(bench): State<Arc<Bench>>,
    Path(review): Path<u64>,
    headers: HeaderMap,
) -> Result<Json<Value>, Fault> {
    blocking(&bench, move |bench| {
        let party = seated(bench, &headers, review)?;
        let (found, judgements, trays) = {
            let ledger = bench.ledger();
            let found = find(&ledger, review)?;
            let trays = trays_of(&ledger, &found)?;
            (found, ledger.judgements(review)?, trays)
        };
        let own: BTreeMap<(u64, u32), &JudgementRecord> =
            judgements.iter().map(|j| ((j.tray, j.object), j)).collect();
        let none = Vec::new();
        let mut objects = Vec::new();
        for &(tray_id, tray, object) in &found.review.draw.objects {
            let judged = own.get(&(tray_id, object));
            let mut value = place_json(bench, &trays, tray_id, object)?;
            if let Some(map) = value.as_object_mut() {
                let human = judged.and_then(|j| j.human[party as usize]).map(word);
                let tags = judged.map_or(&none, |j| &j.tags[party as usize]);
                map.insert("tray".to_owned(), json!(tray));
                map.insert("judged".to_owned(), json!(human));
                map.insert("tags".to_owned(), json!(tags));
            }
            objects.push(value);
        }
        Ok(Json(json!({"objects": objects, "party": party.word()})))
    })
    .await
}

fn trays_of(ledger: &Ledger, found: &Found) -> Result<BTreeMap<u64, OneTray>, Fault> {
    let mut trays = BTreeMap::new();
    for &(entry, ..) in &found.review.draw.objects {
        if !trays.contains_key(&entry)
            && let Some(tray) = ledger.one_tray(entry)?
        {
            trays.insert(entry, tray);
        }
    }
    Ok(trays)
}

/// Where an object lies; nothing of how it was judged.
fn place_json(
    bench: &Bench,
    trays: &BTreeMap<u64, OneTray>,
    tray_id: u64,
    object: u32,
) -> Result<Value, Fault> {
    let missing = || Fault::missing("a tray of the review is not there");
    let tray = trays.get(&tray_id).ok_or_else(missing)?;
    let view = bench.shelf.view(&bench.archive, tray)?;
    let (bounds, loops) = shape_json(view.shapes.get(&object));
    let at = tray.objects.iter().find(|o| o.read.object == object).map(|o| o.read.reading());
    let [x, y] = at.map_or([0.0; 2], |r| [r.measures.col, r.measures.row]);
    Ok(json!({"tray_id": tray_id, "object": object, "x": x, "y": y, "box": bounds, "o": loops}))
}

/// One object, judged.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct JudgedSaid {
    tray_id: u64,
    object: u32,
    human: String,
    #[serde(default)]
    tags: Vec<String>,
}

/// Some of them.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Judgement {
    who: String,
    judged: Vec<JudgedSaid>,
}

fn seen(text: &str) -> Result<Seen, Fault> {
    let words: Vec<&str> = KINDS.into_iter().map(word).collect();
    seen_of(text).ok_or_else(|| Fault::wrong(format!("{text:?} is none of {}", words.join(", "))))
}

/// The number of a drawn tray.
fn number_of(review: &PartiesRecord, tray_id: u64) -> Result<u32, Fault> {
    let found = review.draw.objects.iter().find(|o| o.0 == tray_id);
    found.map(|o| o.1).ok_or_else(|| Fault::wrong(format!("tray {tray_id} is not in the review")))
}

/// `POST /api/reviews/{review}/judge`.
pub async fn judge(
    State(bench): State<Arc<Bench>>,
    Path(review): Path<u64>,
    headers: HeaderMap,
    Said(said): Said<Judgement>,
) -> Result<Json<Value>, Fault> {
    blocking(&bench, move |bench| {
        let party = seated(bench, &headers, review)?;
        if said.judged.len() > BATCH {
            return Err(Fault::wrong(format!("judge at most {BATCH} objects in one request")));
        }
        let mut ledger = bench.ledger();
        let found = find(&ledger, review)?;
        let mut judged = Vec::with_capacity(said.judged.len());
        for one in &said.judged {
            judged.push(Judged {
                tray: number_of(&found.review, one.tray_id)?,
                object: one.object,
                human: seen(&one.human)?,
                tags: one.tags.iter().map(|t| t.trim().to_owned()).collect(),
            });
        }
        let (load, lot) = (found.record.load.clone(), found.lot.lot.clone());
        let event = PartyJudged { load: load.clone(), lot, review, party, judged };
        ledger.say_one(Event::PartyJudged(event), signed(&said.who, None))?;
        bench.events.tell_new(&ledger)?;
        let done = ledger.judgements(review)?;
        let done = done.iter().filter(|j| j.human[party as usize].is_some()).count();
        let of = found.review.draw.objects.len();
        tell_progress(bench, &load, review, party, done, of, false);
        Ok(Json(json!({"judged": done, "of": of})))
    })
    .await
}

/// A review with its load and lot, where nothing about the lot was said since the page looked.
fn find_unchanged(
    ledger: &Ledger,
    review: u64,
    seen: u64,
) -> Result<(Found, String, String), Fault> {
    let found = find(ledger, review)?;
    let (load, lot) = (found.record.load.clone(), found.lot.lot.clone());
    must_be_seen(ledger, &load, seen, About::Lot(&lot))?;
    Ok((found, load, lot))
}

/// Tells every browser how far a party is: a `review` event.
fn tell_progress(
    bench: &Bench,
    load: &str,
    review: u64,
    party: Party,
    judged: usize,
    of: usize,
    finished: bool,
) {
    let told = json!({
        "load": load, "review": review, "party": party.word(), "judged": judged, "of": of,
        "finished": finished
    });
    bench.events.tell("review", &told);
}

/// Who says so.
#[derive(Deserialize)]
pub struct Who {
    who: String,
}

/// `POST /api/reviews/{review}/finish`.
pub async fn finish(
    State(bench): State<Arc<Bench>>,
    Path(review): Path<u64>,
    headers: HeaderMap,
    Said(said): Said<Who>,
) -> Result<Json<Value>, Fault> {
    blocking(&bench, move |bench| {
        let party = seated(bench, &headers, review)?;
        let mut ledger = bench.ledger();
        let found = find(&ledger, review)?;
        let (load, lot) = (found.record.load.clone(), found.lot.lot.clone());
        let event = PartyFinished { load: load.clone(), lot, review, party };
        ledger.say_one(Event::PartyFinished(event), signed(&said.who, None))?;
        bench.events.tell_new(&ledger)?;
        let of = found.review.draw.objects.len();
        tell_progress(bench, &load, review, party, of, of, true);
        answer(bench, &ledger, review)
    })
    .await
}

fn outlook(ledger: &Ledger, found: Found) -> Result<Outlook, Fault> {
    if found.review.parties.iter().any(|p| p.finished.is_none()) {
        return Err(Fault::conflict(
            "the parties have not both finished",
            "what each saw is shown when both have",
        ));
    }
    Ok(parties::outlook(ledger, found.record, found.review)?)
}

/// `GET /api/reviews/{review}/agreement`.
pub async fn agreement(
    State(bench): State<Arc<Bench>>,
    Path(review): Path<u64>,
) -> Result<Json<Value>, Fault> {
    blocking(&bench, move |bench| agreement_of(bench, &bench.ledger(), review).map(Json)).await
}

fn agreement_of(bench: &Bench, ledger: &Ledger, review: u64) -> Result<Value, Fault> {
    let found = find(ledger, review)?;
    let trays = trays_of(ledger, &found)?;
    let outlook = outlook(ledger, found)?;
    let side = |d: &Dossier| {
        let lot = d.lots.iter().find(|l| l.lot == outlook.lot);
        lot.map(super::loads::shares).map_or(json!([]), |s| s["rows"].clone())
    };
    let figures = outlook.figures_now();
    let mut differing = Vec::new();
    for j in outlook.differing() {
        let mut value = place_json(bench, &trays, j.tray, j.object)?;
        let tray = trays.get(&j.tray);
        let read = tray.and_then(|t| t.objects.iter().find(|o| o.read.object == j.object));
        if let Some(map) = value.as_object_mut() {
            map.insert("tray".to_owned(), json!(tray.map(|t| t.tray)));
            map.insert("grower".to_owned(), json!(j.human[0].map(word)));
            map.insert("winery".to_owned(), json!(j.human[1].map(word)));
            map.insert("read".to_owned(), json!(read.map(|o| outcome_word(o.class()))));
            map.insert("settled".to_owned(), json!(j.settled.map(word)));
            map.insert("tags".to_owned(), json!({"grower": j.tags[0], "winery": j.tags[1]}));
        }
        differing.push(value);
    }
    let money = outlook.money();
    let currency = outlook
        .record
        .terms
        .as_ref()
        .and_then(|t| crate::terms::check(&t.text).ok().and_then(|t| t.currency));
    let no_money = match (&money, &outlook.record.terms) {
        (Some(_), _) => None,
        (None, None) => Some("no contract is fixed".to_owned()),
        (None, Some(_)) if !outlook.follows() => Some(
            "too few objects were looked at: the lot's figures do not follow them; review more, or \
             all of them"
                .to_owned(),
        ),
        (None, Some(_)) => Some(
            outlook.sides[0]
                .no_verdict
                .clone()
                .unwrap_or_else(|| "the contract names no price".to_owned()),
        ),
    };
    let mut answer = serde_json::to_value(&outlook.agreement).map_err(Fault::failed)?;
    let more = json!({
        "entry": ledger.head()?.entries, "state": state(&outlook.review),
        "table_of": KINDS.map(word),
        "shares": {"grower": side(&outlook.sides[0]), "winery": side(&outlook.sides[1])},
        "money": money.map(|[grower, winery, difference]| json!({
            "currency": currency, "grower": grower, "winery": winery, "difference": difference
        })),
        "no_money": no_money,
        "verdicts": {"grower": outlook.sides[0].outcome(), "winery": outlook.sides[1].outcome()},
        "figures_now": {
            "sha256": parties::hash(&figures)?, "outcome": outlook.both.outcome(),
            "rows": side(&outlook.both), "figures": figures
        },
        "differing": differing, "unsettled": outlook.unsettled(),
        "words": words(&outlook, currency.as_deref()),
    });
    if let (Some(map), Value::Object(more)) = (answer.as_object_mut(), more) {
        map.extend(more);
    }
    Ok(answer)
}

/// Sentences that may be shown as they are.
fn words(outlook: &Outlook, currency: Option<&str>) -> Vec<String> {
    let a = &outlook.agreement;
    let names = [&outlook.review.parties[0].name, &outlook.review.parties[1].name];
    let mut words = vec![format!(
        "{} (grower) and {} (winery) see {} of {} objects alike.",
        names[0], names[1], a.agreed, a.objects
    )];
    match (&a.kappa, &a.no_kappa) {
        (Some(k), _) => words.push(format!(
            "Cohen's kappa is {:.2} ({:.2} to {:.2}). Where nearly all fruit is sound it is low even \
             for reviewers who hardly differ: look at the agreement class by class.",
            k.kappa, k.low, k.high
        )),
        (None, Some(why)) => words.push(format!("Kappa: {why}.")),
        (None, None) => {}
    }
    if let Some([grower, winery, difference]) = outlook.money() {
        let currency = currency.unwrap_or("");
        words.push(format!(
            "By the grower's eyes the load comes to {grower} {currency}, by the winery's to {winery}: a \
             difference of {difference}."
        ));
    }
    if !outlook.review.whole {
        words.push(format!(
            "{} of {} objects were looked at, drawn by seed {}: the figures of the lot are corrected by \
             what was seen in them.",
            outlook.review.draw.objects.len(),
            outlook.review.draw.of,
            outlook.review.draw.seed
        ));
        // Where too few were looked at, no figure follows them; then the money says nothing either.
        let lots = outlook.sides.iter().flat_map(|d| &d.lots).filter(|l| l.lot == outlook.lot);
        let weak = lots.flat_map(|l| &l.cautions).find(|c| c.contains("corrects nothing"));
        words.extend(weak.map(|c| format!("Too few for some figures to follow: {c}.")));
    }
    words
}

/// One object, settled.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct SettledSaid {
    tray_id: u64,
    object: u32,
    human: String,
}

/// Some of them.
#[derive(Deserialize)]
pub struct Settle {
    #[serde(flatten)]
    by: By,
    settled: Vec<SettledSaid>,
}

/// `POST /api/reviews/{review}/settle`.
pub async fn settle(
    State(bench): State<Arc<Bench>>,
    Path(review): Path<u64>,
    Said(said): Said<Settle>,
) -> Result<Json<Value>, Fault> {
    blocking(&bench, move |bench| {
        let mut ledger = bench.ledger();
        let (found, load, lot) = find_unchanged(&ledger, review, said.by.seen)?;
        let mut settled = Vec::with_capacity(said.settled.len());
        for one in &said.settled {
            let (tray, human) = (number_of(&found.review, one.tray_id)?, seen(&one.human)?);
            settled.push(Settlement { tray, object: one.object, human });
        }
        let event = Event::DifferencesSettled(DifferencesSettled { load, lot, review, settled });
        ledger.say_one(event, signed(&said.by.who, said.by.why.as_deref()))?;
        bench.events.tell_new(&ledger)?;
        agreement_of(bench, &ledger, review).map(Json)
    })
    .await
}

/// Figures to accept.
#[derive(Deserialize)]
pub struct Accept {
    #[serde(flatten)]
    by: By,
    figures: String,
}

/// `POST /api/reviews/{review}/accept`.
pub async fn accept(
    State(bench): State<Arc<Bench>>,
    Path(review): Path<u64>,
    headers: HeaderMap,
    Said(said): Said<Accept>,
) -> Result<Json<Value>, Fault> {
    blocking(&bench, move |bench| {
        let party = seated(bench, &headers, review)?;
        let mut ledger = bench.ledger();
        let (found, load, lot) = find_unchanged(&ledger, review, said.by.seen)?;
        let other = found.review.parties[1 - party as usize].clone();
        let outlook = outlook(&ledger, found)?;
        let now = parties::hash(&outlook.figures_now())?;
        if now != said.figures {
            return Err(Fault::conflict("the figures are others by now", "look at them again"));
        }
        if other.figures.as_ref().is_some_and(|f| *f != now) {
            return Err(Fault::conflict(
                format!("the figures changed since {} accepted them", other.name),
                "give the review up and begin again",
            ));
        }
        let event = PartyAccepted { load: load.clone(), lot, review, party, figures: now };
        let mut events = vec![Event::PartyAccepted(event)];
        let last = other.accepted.is_some();
        if last {
            events.extend(parties::taken_over(&outlook));
        }
        let why = format!("agreed by both parties (review {review})");
        let by = signed(&said.by.who, Some(said.by.why.as_deref().unwrap_or(&why)));
        ledger.say(&events, by)?;
        if last {
            close(&mut ledger, &load, outlook, review, by)?;
        }
        bench.events.tell_new(&ledger)?;
        answer(bench, &ledger, review)
    })
    .await
}

/// Closes a load whose review is over; what was known before it was taken over is sealed.
fn close(
    ledger: &mut Ledger,
    load: &str,
    before: Outlook,
    review: u64,
    by: crate::ledger::Signed<'_>,
) -> Result<(), Fault> {
    let ended = find(ledger, review)?.review;
    let sealed = Outlook { review: ended, ..before }.sealed()?;
    crate::receipt::close(ledger, load, Some(sealed), by)?;
    Ok(())
}

/// `POST /api/reviews/{review}/refuse`.
pub async fn refuse(
    State(bench): State<Arc<Bench>>,
    Path(review): Path<u64>,
    headers: HeaderMap,
    Said(by): Said<By>,
) -> Result<Json<Value>, Fault> {
    blocking(&bench, move |bench| {
        let party = seated(bench, &headers, review)?;
        let mut ledger = bench.ledger();
        let (found, load, lot) = find_unchanged(&ledger, review, by.seen)?;
        let outlook = outlook(&ledger, found)?;
        let event = PartyRefused { load: load.clone(), lot, review, party };
        let signed = signed(&by.who, by.why.as_deref());
        ledger.say_one(Event::PartyRefused(event), signed)?;
        close(&mut ledger, &load, outlook, review, signed)?;
        bench.events.tell_new(&ledger)?;
        answer(bench, &ledger, review)
    })
    .await
}

/// `POST /api/reviews/{review}/give-up`.
pub async fn give_up(
    State(bench): State<Arc<Bench>>,
    Path(review): Path<u64>,
    Said(by): Said<By>,
) -> Result<Json<Value>, Fault> {
    blocking(&bench, move |bench| {
        let mut ledger = bench.ledger();
        let (_, load, lot) = find_unchanged(&ledger, review, by.seen)?;
        let event = PartiesGaveUp { load, lot, review };
        ledger.say_one(Event::PartiesGaveUp(event), signed(&by.who, by.why.as_deref()))?;
        bench.events.tell_new(&ledger)?;
        answer(bench, &ledger, review)
    })
    .await
}
