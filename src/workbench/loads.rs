//! Loads: the list, one load with everything known of it, and what is said of it.

use std::sync::Arc;

use axum::Json;
use axum::extract::{Path, State};
use axum::http::{HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use serde::Deserialize;
use serde_json::{Value, json};

use super::fault::{Asked, Fault, Said, for_the_page};
use super::{Bench, MAX_PHOTO_BYTES, blocking, events, signed};
use crate::classify::{Class, UNSURE_BELOW};
use crate::dossier::{self, Dossier, LotDossier};
use crate::ledger::event::{
    Delivery, DeliveryRecorded, Event, FreeJuice, LoadOpened, LotDescribed, Party, Picking,
    SamplingPoint, TermsFixed, Wetness, Word as _, outcome_word,
};
use crate::ledger::record::{LoadRecord, LotRecord, ObjectRecord, TrayRecord};
use crate::ledger::{Ledger, PROGRAM, Signed, seed_of};
use crate::load::{GroupFigures, LotFigures, REJECTS, Share};
use crate::plan::{self, PlanSettings};
use crate::receipt;
use crate::report::dossier::said;
use crate::report::text::{DISCLAIMER, plural};
use crate::sheet;
use crate::terms::{self, Decimal};

/// Words that the page offers as tags; a person may write others.
const TAGS: [&str; 3] = ["rot-or-mould", "split", "sunburnt"];

/// `GET /api/about`.
pub async fn about(State(bench): State<Arc<Bench>>) -> Result<Json<Value>, Fault> {
    blocking(&bench, |bench| {
        let (head, path) = {
            let ledger = bench.ledger();
            (ledger.head()?, ledger.path().to_owned())
        };
        let file = path.file_name().unwrap_or_default().to_string_lossy().into_owned();
        let classes: Vec<&str> =
            Class::ALL.iter().map(|c| c.name()).chain([outcome_word(None)]).collect();
        Ok(Json(json!({
            "program": PROGRAM, "ledger": file, "entries": head.entries, "head": head.hash,
            "who": bench.who, "profile": bench.profile().name, "classes": classes,
            "rejects": REJECTS.map(Class::name), "tags": TAGS,
            "max_photo_bytes": MAX_PHOTO_BYTES, "queue": super::queue::MOST_WAITING,
            "loopback": bench.door.loopback, "notice": DISCLAIMER,
        })))
    })
    .await
}

/// What a list of loads is searched for.
#[derive(Deserialize)]
pub struct Search {
    search: Option<String>,
}

/// `GET /api/loads`.
pub async fn list(
    State(bench): State<Arc<Bench>>,
    Asked(asked): Asked<Search>,
) -> Result<Json<Value>, Fault> {
    blocking(&bench, move |bench| {
        let mut loads = bench.ledger().loads()?;
        loads.reverse();
        let wanted = asked.search.unwrap_or_default().trim().to_lowercase();
        loads.retain(|l| {
            let fields = [Some(&l.load), Some(&l.grower), l.variety.as_ref()];
            fields.into_iter().flatten().any(|f| f.to_lowercase().contains(&wanted))
        });
        Ok(Json(json!({"loads": loads})))
    })
    .await
}

/// A load to open.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Open {
    who: String,
    load: String,
    grower: String,
    block: Option<String>,
    variety: Option<String>,
    bins: Option<u32>,
    net_kg: Option<Decimal>,
    terms: Option<String>,
}

/// `POST /api/loads`.
pub async fn open(
    State(bench): State<Arc<Bench>>,
    Said(said): Said<Open>,
) -> Result<Response, Fault> {
    blocking(&bench, move |bench| {
        let text = |t: Option<String>| t.map(|t| t.trim().to_owned()).filter(|t| !t.is_empty());
        let load = said.load.trim().to_owned();
        let terms = said.terms.filter(|t| !t.trim().is_empty()).map(|t| fixed(&load, &t));
        let opened = LoadOpened {
            load: load.clone(),
            grower: said.grower.trim().to_owned(),
            block: text(said.block),
            variety: text(said.variety),
            bins: said.bins,
        };
        let delivery = Delivery { net_kg: said.net_kg, ..Delivery::default() };
        let mut ledger = bench.ledger();
        ledger.open_load(opened, delivery, terms.transpose()?, signed(&said.who, None))?;
        bench.events.tell_new(&ledger)?;
        let answer = load_json(bench, &ledger, &load)?;
        Ok((StatusCode::CREATED, Json(answer)).into_response())
    })
    .await
}

/// A contract file, checked.
fn fixed(load: &str, text: &str) -> Result<TermsFixed, Fault> {
    let terms = terms::check(text).map_err(|faults| {
        Fault::cannot(faults.0.join("; "), "correct the contract file and try again")
    })?;
    Ok(TermsFixed { load: load.to_owned(), name: terms.name, text: text.to_owned() })
}

/// A contract file to check.
#[derive(Deserialize)]
pub struct Contract {
    terms: String,
}

/// `POST /api/terms/check`.
pub async fn check_terms(Said(said): Said<Contract>) -> Result<Json<Value>, Fault> {
    let terms = terms::check(&said.terms)
        .map_err(|faults| Fault::cannot(faults.0.join("; "), "correct the contract file"))?;
    Ok(Json(json!({
        "name": terms.name, "currency": terms.currency, "remarks": terms::remarks(&terms)
    })))
}

/// `GET /api/loads/{load}`.
pub async fn one(
    State(bench): State<Arc<Bench>>,
    Path(load): Path<String>,
) -> Result<Json<Value>, Fault> {
    blocking(&bench, move |bench| Ok(Json(load_json(bench, &bench.ledger(), &load)?))).await
}

/// What a change is about: only what is newer about the same thing stands in its way.
#[derive(Debug, Clone, Copy)]
pub enum About<'a> {
    /// The whole load.
    Load,
    /// Its papers: delivery, contract, plans.
    Papers,
    /// A lot.
    Lot(&'a str),
    /// A tray of a lot.
    Tray(&'a str, u32),
}

/// Refuses a change where something was said since the page looked.
pub fn must_be_seen(ledger: &Ledger, load: &str, seen: u64, about: About<'_>) -> Result<(), Fault> {
    let mut newer = Vec::new();
    for entry in ledger.entries(seen)? {
        let Ok(event) = entry.event() else { continue };
        if event.load() != Some(load) || matches!(event, Event::PartyJudged(_)) {
            continue;
        }
        let (lot, tray) = event.lot_and_tray();
        let same = match about {
            About::Load => true,
            About::Papers => tray.is_none(),
            About::Lot(own) => lot.is_none_or(|l| l == own),
            About::Tray(own, number) => lot == Some(own) && tray == Some(number),
        };
        // A photograph that was refused changes nothing.
        if same && !matches!(event, Event::PhotoRefused(_)) {
            let words = said(&event);
            newer.push(
                json!({"entry": entry.seq, "at": entry.at, "who": entry.who, "words": words}),
            );
        }
    }
    let Some(last) = newer.last() else { return Ok(()) };
    let text = |key: &str| last.get(key).and_then(Value::as_str).unwrap_or_default().to_owned();
    let error = format!("{} said at {}: {}", text("who"), text("at"), text("words"));
    let mut fault = Fault::conflict(error, "look at it again and repeat your change");
    fault.more.insert("entry".to_owned(), json!(ledger.head()?.entries));
    fault.more.insert("changes".to_owned(), Value::Array(newer));
    Err(fault)
}

/// Who makes a change, and what was seen before it.
#[derive(Debug, Clone, Deserialize)]
pub struct By {
    /// Who.
    pub who: String,
    /// The last entry when the page looked.
    pub seen: u64,
    /// Why.
    pub why: Option<String>,
}

/// What is new of a delivery: what is left out stays.
#[derive(Deserialize)]
pub struct NewDelivery {
    #[serde(flatten)]
    by: By,
    net_kg: Option<Decimal>,
    gross_kg: Option<Decimal>,
    truck_tare_kg: Option<Decimal>,
    bin_tare_kg: Option<Decimal>,
    ticket: Option<String>,
    picked: Option<String>,
    received: Option<String>,
    sampled: Option<String>,
    picking: Option<Picking>,
    destemmed: Option<bool>,
    sampling_point: Option<SamplingPoint>,
    fruit_celsius: Option<Decimal>,
    wet: Option<Wetness>,
    free_juice: Option<FreeJuice>,
}

/// `POST /api/loads/{load}/delivery`.
pub async fn delivery(
    State(bench): State<Arc<Bench>>,
    Path(load): Path<String>,
    Said(new): Said<NewDelivery>,
) -> Result<Json<Value>, Fault> {
    let by = new.by.clone();
    change(&bench, load, by, About::Papers, move |ledger, load, by| {
        let before = ledger.load(load)?.delivery;
        let weighed =
            new.gross_kg.is_some() || new.truck_tare_kg.is_some() || new.bin_tare_kg.is_some();
        let mut delivery = Delivery {
            ticket: new.ticket.or(before.ticket),
            gross_kg: new.gross_kg.or(before.gross_kg),
            truck_tare_kg: new.truck_tare_kg.or(before.truck_tare_kg),
            bin_tare_kg: new.bin_tare_kg.or(before.bin_tare_kg),
            net_kg: new.net_kg.or(before.net_kg),
            picked: new.picked.or(before.picked),
            received: new.received.or(before.received),
            sampled: new.sampled.or(before.sampled),
            picking: new.picking.or(before.picking),
            destemmed: new.destemmed.or(before.destemmed),
            sampling_point: new.sampling_point.or(before.sampling_point),
            fruit_celsius: new.fruit_celsius.or(before.fruit_celsius),
            wet: new.wet.or(before.wet),
            free_juice: new.free_juice.or(before.free_juice),
            bins_kg: before.bins_kg,
        };
        if weighed && new.net_kg.is_none() {
            delivery.net_kg = delivery.net_of_tares().or(delivery.net_kg);
        }
        let load = load.to_owned();
        ledger.say_one(Event::DeliveryRecorded(DeliveryRecorded { load, delivery }), by)?;
        Ok(())
    })
    .await
}

/// A contract to fix.
#[derive(Deserialize)]
pub struct NewTerms {
    #[serde(flatten)]
    by: By,
    terms: String,
}

/// `POST /api/loads/{load}/terms`.
pub async fn terms(
    State(bench): State<Arc<Bench>>,
    Path(load): Path<String>,
    Said(new): Said<NewTerms>,
) -> Result<Json<Value>, Fault> {
    let by = new.by.clone();
    change(&bench, load, by, About::Papers, move |ledger, load, by| {
        ledger.say_one(Event::TermsFixed(fixed(load, &new.terms)?), by)?;
        Ok(())
    })
    .await
}

/// Where a lot was sampled.
#[derive(Deserialize)]
pub struct Described {
    #[serde(flatten)]
    by: By,
    lot: String,
    sampling_point: SamplingPoint,
}

/// `POST /api/loads/{load}/lot`.
pub async fn lot(
    State(bench): State<Arc<Bench>>,
    Path(load): Path<String>,
    Said(said): Said<Described>,
) -> Result<Json<Value>, Fault> {
    let by = said.by.clone();
    change(&bench, load, by, About::Papers, move |ledger, load, by| {
        let (load, sampling_point) = (load.to_owned(), said.sampling_point);
        let lot = said.lot.trim().to_owned();
        ledger.say_one(Event::LotDescribed(LotDescribed { load, lot, sampling_point }), by)?;
        Ok(())
    })
    .await
}

/// A plan to draw up and fix.
#[derive(Deserialize)]
pub struct NewPlan {
    #[serde(flatten)]
    by: By,
    lot: Option<String>,
    bins: Option<u32>,
    expected_share: Option<f64>,
    half_width: Option<f64>,
}

/// `POST /api/loads/{load}/plan`.
pub async fn plan(
    State(bench): State<Arc<Bench>>,
    Path(load): Path<String>,
    Said(new): Said<NewPlan>,
) -> Result<Json<Value>, Fault> {
    let by = new.by.clone();
    change(&bench, load, by, About::Papers, move |ledger, load, by| {
        let bins = new.bins.or(ledger.load(load)?.bins).ok_or_else(|| {
            Fault::cannot("the load has no number of bins", "say how many bins it has")
        })?;
        let default = PlanSettings::default();
        let learned = dossier::design_effect(ledger)?.map(|l| l.design_effect);
        let settings = PlanSettings {
            bins_in_load: bins,
            expected_share: new.expected_share.unwrap_or(default.expected_share),
            half_width: new.half_width.unwrap_or(default.half_width),
            design_effect: learned.unwrap_or(default.design_effect),
            seed: seed_of(&ledger.head()?),
            ..default
        };
        let plan = plan::plan(&settings).map_err(|e| Fault::cannot(e.to_string(), ""))?;
        let lot = new.lot.as_deref().unwrap_or(dossier::DELIVERED);
        ledger.fix_plan(load, lot, &settings, &plan, by)?;
        Ok(())
    })
    .await
}

/// Does `work` on a load, where nothing about the same thing was said meanwhile, and answers with the
/// load as it is then.
async fn change(
    bench: &Arc<Bench>,
    load: String,
    by: By,
    about: About<'static>,
    work: impl FnOnce(&mut Ledger, &str, Signed<'_>) -> Result<(), Fault> + Send + 'static,
) -> Result<Json<Value>, Fault> {
    blocking(bench, move |bench| {
        let mut ledger = bench.ledger();
        must_be_seen(&ledger, &load, by.seen, about)?;
        work(&mut ledger, &load, signed(&by.who, by.why.as_deref()))?;
        bench.events.tell_new(&ledger)?;
        Ok(Json(load_json(bench, &ledger, &load)?))
    })
    .await
}

/// `POST /api/loads/{load}/close`.
pub async fn close(
    State(bench): State<Arc<Bench>>,
    Path(load): Path<String>,
    Said(by): Said<By>,
) -> Result<Json<Value>, Fault> {
    change(&bench, load, by, About::Load, |ledger, load, by| {
        let sealed = super::review::sealed(ledger, load)?;
        receipt::close(ledger, load, sealed, by)?;
        Ok(())
    })
    .await
}

/// `GET /api/loads/{load}/history`.
pub async fn history(
    State(bench): State<Arc<Bench>>,
    Path(load): Path<String>,
) -> Result<Json<Value>, Fault> {
    blocking(&bench, move |bench| {
        let ledger = bench.ledger();
        let opened = ledger.load(&load)?.opened.entry;
        let mut entries = Vec::new();
        for entry in ledger.entries(opened - 1)? {
            let change = events::change(&ledger, &entry);
            entries.extend(change.filter(|c| c["load"] == json!(load)));
        }
        entries.reverse();
        Ok(Json(json!({"entries": entries})))
    })
    .await
}

/// `GET /api/loads/{load}/receipt`.
pub async fn receipt(
    State(bench): State<Arc<Bench>>,
    Path(load): Path<String>,
) -> Result<Response, Fault> {
    blocking(&bench, move |bench| {
        let found = receipt::of_load(&bench.ledger(), &load)?;
        let receipt = found.ok_or_else(|| {
            Fault::conflict("the load is still open", "close it first; then there is a receipt")
        })?;
        let bytes = crate::report::json::to_bytes(&receipt).map_err(Fault::failed)?;
        Ok(attached(bytes, super::fault::JSON, &format!("receipt-{}.json", plain(&load))))
    })
    .await
}

/// A load's name may hold anything; in a file's name only plain characters stay.
fn plain(load: &str) -> String {
    load.chars().map(|c| if c.is_ascii_alphanumeric() { c } else { '-' }).collect()
}

/// A file to be saved under a name of plain characters.
fn attached(bytes: Vec<u8>, kind: &'static str, name: &str) -> Response {
    let mut response = Response::new(axum::body::Body::from(bytes));
    let headers = response.headers_mut();
    headers.insert(header::CONTENT_TYPE, HeaderValue::from_static(kind));
    if let Ok(value) = HeaderValue::from_str(&format!("attachment; filename=\"{name}\"")) {
        headers.insert(header::CONTENT_DISPOSITION, value);
    }
    response
}

/// A sheet that is asked for.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SheetSaid {
    who: String,
    #[serde(default)]
    settings: sheet::Settings,
}

/// `POST /api/loads/{load}/sheet`: the agreement sheet of a closed load, issued into the ledger; of an
/// open one a draft.
pub async fn sheet(
    State(bench): State<Arc<Bench>>,
    Path(load): Path<String>,
    Said(said): Said<SheetSaid>,
) -> Result<Response, Fault> {
    blocking(&bench, move |bench| {
        // Setting the pages takes a while: others may write meanwhile. The sheet speaks of one entry.
        let path = bench.ledger().path().to_owned();
        let made = sheet::make(&Ledger::open(&path)?, &load, &said.settings)?;
        let mut ledger = bench.ledger();
        sheet::issue(&mut ledger, &load, &made, signed(&said.who, None))?;
        bench.events.tell_new(&ledger)?;
        let what = if made.closed { "sheet" } else { "draft" };
        Ok(attached(made.pdf, "application/pdf", &format!("{what}-{}.pdf", plain(&load))))
    })
    .await
}

/// A load with everything that the page shows of it.
pub fn load_json(bench: &Bench, ledger: &Ledger, load: &str) -> Result<Value, Fault> {
    let head = ledger.head()?;
    let record = ledger.load(load)?;
    let dossier = dossier::of_load(ledger, load)?;
    let receipt = ledger.receipt(load)?;
    let figures: Value = serde_json::to_value(&dossier).map_err(Fault::failed)?;
    let unfinished: Vec<Value> = bench.queue.unfinished_of(load);
    let mut todo = to_do(&record, &dossier);
    if !unfinished.is_empty() {
        let photographs = plural(unfinished.len(), "photograph");
        let words = format!("{photographs} not worked on yet");
        todo.push(json!({"what": "photograph", "words": words, "lot": null, "trays": []}));
    }
    Ok(json!({
        "load": record.load, "grower": record.grower, "block": record.block,
        "variety": record.variety, "bins": record.bins,
        "entry": head.entries, "head": head.hash,
        "opened": record.opened, "closed": record.closed, "receipt": receipt,
        "delivery": record.delivery, "todo": todo,
        "terms": record.terms.as_ref().map(|t| json!({"name": t.name, "text": t.text})),
        "shares": dossier.lots.iter().map(shares).collect::<Vec<_>>(),
        "verdict": dossier.verdict.as_ref().map(|v| json!({
            "outcome": dossier.outcome(), "advisory": v.advisory, "words": v.settlement.steps,
            "paid_kg": v.settlement.paid_kg, "amount": v.settlement.amount,
        })),
        "no_verdict": dossier.no_verdict,
        "lots": record.lots.iter().map(lot_json).collect::<Vec<_>>(),
        "refused": record.refused.iter().map(|r| json!({
            "lot": r.lot, "tray": r.tray, "photo": r.photo, "sha256": r.sha256, "reason": for_the_page(&r.reason),
            "at": r.stamp.at, "who": r.stamp.who,
        })).collect::<Vec<_>>(),
        "review": super::review::last_of(&record, ledger, bench)?,
        "unfinished": unfinished,
        "cautions": dossier.cautions, "assumptions": dossier.assumptions,
        "figures": figures,
    }))
}

fn lot_json(lot: &LotRecord) -> Value {
    json!({
        "lot": lot.lot,
        "planned": lot.plan.as_ref().map(|p| p.0.trays.len()),
        "missing": dossier::missing_trays(lot),
        "trays": lot.trays.iter().map(tray_json).collect::<Vec<_>>(),
        "retaken": lot.replaced,
    })
}

fn tray_json(tray: &TrayRecord) -> Value {
    json!({
        "id": tray.recorded.entry, "tray": tray.tray, "bin": tray.bin, "photo": tray.photo.name,
        "sha256": tray.photo.sha256, "taken": tray.photo.taken, "recorded": tray.recorded,
        "profile": tray.profile, "fruit": tray.fruit, "objects": tray.objects.len(),
        "corrected": tray.objects.iter().filter(|o| o.corrected.is_some()).count(),
        "uncertain": tray.objects.iter().filter(|o| is_uncertain(o)).count(),
        "counts": counts(tray.objects.iter().map(|o| o.item.class)),
        "forced": tray.forced, "told": tray.told, "changed": tray.changed,
        "weighed_g": tray.weighing.and_then(|w| w.weighed_g),
    })
}

fn is_uncertain(object: &ObjectRecord) -> bool {
    let most = object.item.probabilities.iter().copied().fold(0.0, f64::max);
    object.corrected.is_none() && most < UNSURE_BELOW
}

/// Objects by class.
pub fn counts(classes: impl Iterator<Item = Option<Class>>) -> Value {
    let mut counts = [0u32; 5];
    classes.for_each(|c| counts[c.map_or(4, Class::index)] += 1);
    let names = Class::ALL.iter().map(|c| c.name()).chain([outcome_word(None)]);
    names.zip(counts).map(|(name, n)| (name.to_owned(), json!(n))).collect()
}

/// A lot's shares as the page shows them.
pub fn shares(lot: &LotDossier) -> Value {
    let settled = |name: &str| {
        let found = lot.settled.iter().find(|s| s.name == name);
        found.map(
            |s| json!({"estimate": s.estimate, "low": s.interval.low, "high": s.interval.high}),
        )
    };
    let rows = lot.figures.as_ref().map_or_else(Vec::new, |f| rows(f, settled));
    json!({
        "lot": lot.lot, "trays": lot.taken.len(),
        "objects": lot.figures.as_ref().map(|f| f.objects),
        "mass_g": lot.figures.as_ref().map(|f| f.mass_g),
        "rows": rows, "no_figures": lot.no_figures,
    })
}

/// Rows of a table of shares: the classes, then all rejects.
pub fn rows(figures: &LotFigures, settled: impl Fn(&str) -> Option<Value>) -> Vec<Value> {
    let share =
        |s: &Share| json!({"estimate": s.estimate, "low": s.interval.low, "high": s.interval.high});
    let row = |name: &str, g: &GroupFigures| {
        json!({
            "name": name, "count": g.count, "mass_g": g.mass_g, "by_count": share(&g.by_count),
            "by_area": share(&g.by_area), "by_mass": share(&g.by_mass), "settled": settled(name),
        })
    };
    let classes = figures.classes.iter().map(|c| row(c.class.name(), &c.figures));
    classes.chain([row("rejects", &figures.rejects)]).collect()
}

/// What is still to do, in the order in which it is done at the dock.
fn to_do(record: &LoadRecord, dossier: &Dossier) -> Vec<Value> {
    let mut todo = Vec::new();
    if record.closed.is_some() {
        return todo;
    }
    let mut say = |what: &str, words: String, lot: Option<&str>, trays: &[u32], id: Option<u64>| {
        todo.push(json!({
            "what": what, "words": words, "lot": lot, "trays": trays, "tray_id": id
        }));
    };
    let trays = record.lots.iter().map(|l| l.trays.len()).sum::<usize>();
    if record.terms.is_none() && trays == 0 {
        let words = "no contract is fixed; it can only be before the first tray";
        say("terms", words.to_owned(), None, &[], None);
    }
    if record.terms.is_some() && record.delivery.net_kg.is_none() {
        say("delivery", "the net mass is not recorded".to_owned(), None, &[], None);
    }
    if record.lots.iter().all(|l| l.plan.is_none()) && trays == 0 {
        say("plan", "no sampling plan is fixed".to_owned(), None, &[], None);
    }
    for lot in &dossier.lots {
        let missing: Vec<u32> = lot.missing.iter().map(|t| t.tray).collect();
        if !missing.is_empty() {
            let list: Vec<String> = missing.iter().map(u32::to_string).collect();
            let words = format!("{}: trays of the plan are missing: {}", lot.lot, list.join(", "));
            say("tray", words, Some(&lot.lot), &missing, None);
        }
    }
    if trays == 0 {
        say("tray", "no tray is in yet".to_owned(), None, &[], None);
    }
    for lot in &record.lots {
        for tray in &lot.trays {
            let uncertain = tray.objects.iter().filter(|o| is_uncertain(o)).count();
            if uncertain > 0 {
                let are = if uncertain == 1 { "is" } else { "are" };
                let objects = plural(uncertain, "object");
                let words = format!("{} tray {}: {objects} {are} uncertain", lot.lot, tray.tray);
                say("look", words, Some(&lot.lot), &[tray.tray], Some(tray.recorded.entry));
            }
        }
        for parties in lot.parties.iter().filter(|p| p.ended.is_none()) {
            for party in [Party::Grower, Party::Winery] {
                let own = &parties.parties[party as usize];
                let words = match (&own.finished, &own.accepted) {
                    (None, _) => format!("{}: {} is still reviewing", lot.lot, own.name),
                    (Some(_), None) => {
                        format!("{}: {} has to accept the figures or not", lot.lot, own.name)
                    }
                    _ => continue,
                };
                let what = format!("review-{}", party.word());
                say(&what, words, Some(&lot.lot), &[], None);
            }
        }
        if let Some(last) = lot.parties.last()
            && last.ended.is_some()
            && matches!(last.outcome.as_deref(), Some("agreed" | "not-agreed"))
        {
            let words = format!("{}: the review is over; close the load", lot.lot);
            say("close", words, Some(&lot.lot), &[], None);
        }
    }
    todo
}
