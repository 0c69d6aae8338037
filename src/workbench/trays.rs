//! A tray: its photograph with outlines, and what a person changes of it.

use std::collections::BTreeMap;
use std::sync::Arc;
use std::time::Instant;

use axum::Json;
use axum::body::{Body, Bytes};
use axum::extract::{Path, State};
use axum::http::{HeaderValue, StatusCode, header};
use axum::response::Response;
use image::{Rgb, RgbImage, imageops};
use serde::Deserialize;
use serde_json::{Value, json};

use super::fault::{Asked, Fault, Said};
use super::loads::{About, load_json, must_be_seen, shares};
use super::shelf::{Shape, View};
use super::{Bench, blocking, signed};
use crate::classify::{Fruit, Outcome};
use crate::dossier;
use crate::ledger::event::{
    EditTakenBack, Event, ObjectCorrected, ObjectTagged, Outline, OutlinesChanged, outcome_of,
    outcome_word,
};
use crate::ledger::object::{FIELD_NAMES, RecordedObject};
use crate::ledger::record::{EditRecord, FullObject, OneTray, Stamp};
use crate::ledger::rules::EditFacts;
use crate::ledger::{Ledger, PROGRAM};
use crate::report::canvas::shrink;
use crate::report::columns::{COLUMNS, Column, Value as Cell};
use crate::report::jpeg;
use crate::retouch::{self, RetouchError, Runs};
use crate::segment::Bounds;
use crate::segment::LabelMap;

/// Widths that pictures come in, px, beside the full one.
const WIDTHS: [u32; 4] = [400, 800, 1600, 3200];
/// Why, where the person says nothing.
const BY_EYE: &str = "by eye at the workbench";
/// Cells of a sprite in a row.
const COLUMNS_OF_SPRITE: usize = 20;

/// A tray that is there and counts.
pub fn tray_that_counts(ledger: &Ledger, id: u64) -> Result<OneTray, Fault> {
    let tray = ledger.one_tray(id)?.ok_or_else(|| Fault::missing("there is no such tray"))?;
    if tray.replaced_by.is_none() {
        return Ok(tray);
    }
    let mut fault = Fault::new(
        StatusCode::GONE,
        format!("tray {} was retaken", tray.tray),
        "look at the photograph that counts now",
    );
    let now = ledger.tray(&tray.load, &tray.lot, tray.tray)?;
    fault.more.insert("now".to_owned(), json!(now));
    Err(fault)
}

/// `GET /api/trays/{id}`.
pub async fn one(
    State(bench): State<Arc<Bench>>,
    Path(id): Path<u64>,
) -> Result<Json<Value>, Fault> {
    let answer = blocking(&bench, move |bench| {
        let (entry, tray, record, alone) = {
            let ledger = bench.ledger();
            let entry = ledger.head()?.entries;
            let tray = tray_that_counts(&ledger, id)?;
            let record = ledger.load(&tray.load)?;
            let alone = dossier::of_tray(&ledger, &record, id)?;
            (entry, tray, record, alone)
        };
        let view = bench.shelf.view(&bench.archive, &tray)?;
        let size = [view.labels.width as u32, view.labels.height as u32];
        let mut widths: Vec<u32> = WIDTHS.into_iter().filter(|w| *w < size[0]).collect();
        widths.push(size[0]);
        let fields: Vec<Value> = columns()
            .map(|c| {
                json!({
                    "key": c.name, "label": label(c), "unit": c.unit, "digits": c.decimals.min(2),
                    "meaning": c.meaning
                })
            })
            .collect();
        let stamps = stamps(&tray);
        let objects: Vec<Value> =
            tray.objects.iter().map(|o| object_json(o, &view, &stamps)).collect();
        Ok((
            json!({
                "id": id, "load": tray.load, "lot": tray.lot, "tray": tray.tray, "entry": entry,
                "closed": record.closed.is_some(), "size_px": size,
                "px_per_mm": tray.scale_mpx_per_mm as f64 / 1000.0,
                "picture": format!("/api/photos/{}", tray.photo), "widths": widths,
                "photo": tray.photo_name, "profile": tray.profile, "fruit": tray.fruit,
                "forced": tray.forced, "told": tray.told, "fields": fields, "objects": objects,
                "sprite": sprite_json(&tray), "shares": alone.as_ref().map(shares),
                "undo": undo_json(&tray), "redo": redo_json(&tray),
            }),
            tray,
        ))
    })
    .await;
    let (answer, tray) = answer?;
    // The first change of outlines needs the photograph opened again: it is, meanwhile.
    let own = Arc::clone(&bench);
    tokio::task::spawn_blocking(move || {
        if let Ok(ready) = own.shelf.ready(&own.archive, &tray.photo, &own.reading)
            && let Ok(view) = own.shelf.view(&own.archive, &tray)
        {
            own.shelf.measured(&tray, &ready, &view);
        }
    });
    Ok(Json(answer))
}

/// Columns that are numbers, but for those that every object has by name.
fn columns() -> impl Iterator<Item = &'static Column> {
    let named = ["object", "class", "confidence", "row", "col"];
    COLUMNS.iter().filter(move |c| !named.contains(&c.name) && !c.name.starts_with("p_"))
}

/// A column's name as words: `inner_width_mm` is the inner width.
fn label(column: &Column) -> String {
    match column.name {
        "hue_deg" => return "hue".to_owned(),
        "lightness" => return "lightness L*".to_owned(),
        "a" => return "green to red a*".to_owned(),
        "b" => return "blue to yellow b*".to_owned(),
        _ => {}
    }
    let unit = column.unit.replace('²', "2");
    let name = column.name.strip_suffix(&format!("_{unit}")).unwrap_or(column.name);
    name.replace('_', " ")
}

/// Who made which change.
fn stamps(tray: &OneTray) -> BTreeMap<u64, &Stamp> {
    tray.edits.iter().map(|e| (e.made.entry, &e.made)).collect()
}

/// A rounded number; none for no number.
fn rounded(value: f64, digits: usize) -> Value {
    let factor = 10f64.powi(digits as i32);
    if value.is_finite() { json!((value * factor).round() / factor) } else { Value::Null }
}

/// An outline for the page.
pub fn shape_json(shape: Option<&Shape>) -> (Value, Value) {
    let Some(shape) = shape else { return (json!([0, 0, 0, 0]), json!([])) };
    let b = shape.bounds;
    (json!([b.col, b.row, b.col_end - b.col, b.row_end - b.row]), json!(shape.loops))
}

fn object_json(object: &FullObject, view: &View, stamps: &BTreeMap<u64, &Stamp>) -> Value {
    let reading = object.read.reading();
    let (bounds, loops) = shape_json(view.shapes.get(&object.read.object));
    let values: Vec<Value> = columns()
        .map(|c| match (c.value)(&reading) {
            Cell::Number(v) => rounded(v, c.decimals.min(3)),
            Cell::Count(n) => json!(n),
            Cell::Flag(yes) => json!(u8::from(yes)),
            Cell::Word(_) => Value::Null,
        })
        .collect();
    json!({
        "object": object.read.object, "class": outcome_word(object.class()),
        "read": outcome_word(object.read.class),
        "p": reading.probabilities.map(|p| rounded(p, 4)),
        "confidence": rounded(reading.confidence(), 4),
        "corrected": object.corrected.and_then(|c| stamps.get(&c)),
        "drawn": object.come.is_some(), "tags": object.tags,
        "x": rounded(reading.measures.col, 1), "y": rounded(reading.measures.row, 1),
        "box": bounds, "o": loops, "v": values,
    })
}

fn sprite_json(tray: &OneTray) -> Value {
    let version = tray.changed.unwrap_or(tray.entry);
    json!({
        "url": format!("/api/trays/{}/sprite?size=96&v={version}", tray.entry), "cell": 96,
        "columns": COLUMNS_OF_SPRITE,
        "order": tray.objects.iter().map(|o| o.read.object).collect::<Vec<_>>(),
    })
}

fn facts(tray: &OneTray) -> Vec<EditFacts> {
    tray.edits.iter().map(EditRecord::facts).collect()
}

fn edit_json(tray: &OneTray, entry: Option<u64>) -> Value {
    let edit = entry.and_then(|e| tray.edits.iter().find(|own| own.made.entry == e));
    edit.map_or(Value::Null, |e| {
        let what = match (e.kind.as_str(), e.object) {
            ("class", Some(object)) => format!("class of object {object}"),
            ("tags", Some(object)) => format!("tags of object {object}"),
            _ => "outlines".to_owned(),
        };
        json!({"entry": e.made.entry, "words": what, "who": e.made.who})
    })
}

fn undo_json(tray: &OneTray) -> Value {
    edit_json(tray, EditFacts::last(&facts(tray)))
}

fn redo_json(tray: &OneTray) -> Value {
    edit_json(tray, EditFacts::next(&facts(tray)))
}

/// A change as the page asks for it.
#[derive(Debug, Deserialize)]
pub struct Edit {
    who: String,
    seen: u64,
    why: Option<String>,
    #[serde(flatten)]
    action: Action,
}

/// What is changed.
#[derive(Debug, Deserialize)]
#[serde(tag = "action", rename_all = "lowercase")]
enum Action {
    Class { objects: Vec<u32>, class: String },
    Tags { object: u32, tags: Vec<String> },
    Split { object: u32, line: Vec<[f64; 2]> },
    Merge { objects: Vec<u32> },
    Draw { polygon: Vec<[f64; 2]>, class: Option<String> },
    Remove { objects: Vec<u32> },
    Undo,
    Redo,
}

/// Fresh outlines, before they are measured.
struct Fresh {
    action: &'static str,
    gone: Vec<u32>,
    come: Vec<Runs>,
    given: Option<String>,
}

/// `POST /api/trays/{id}/edit`.
pub async fn edit(
    State(bench): State<Arc<Bench>>,
    Path(id): Path<u64>,
    Said(edit): Said<Edit>,
) -> Result<Json<Value>, Fault> {
    blocking(&bench, move |bench| {
        let began = Instant::now();
        // Opening the photograph takes longest: it is done before anyone has to wait.
        let before = tray_that_counts(&bench.ledger(), id)?;
        let view = bench.shelf.view(&bench.archive, &before)?;
        let draws = matches!(
            edit.action,
            Action::Split { .. } | Action::Merge { .. } | Action::Draw { .. }
        );
        if draws {
            bench.shelf.ready(&bench.archive, &before.photo, &bench.reading)?;
        }
        let mut ledger = bench.ledger();
        let tray = tray_that_counts(&ledger, id)?;
        let about = About::Tray(&tray.lot, tray.tray);
        must_be_seen(&ledger, &tray.load, edit.seen, about)?;
        let view = match view.changed == tray.changed {
            true => view,
            false => bench.shelf.view(&bench.archive, &tray)?,
        };
        let why = edit.why.as_deref().map(str::trim).filter(|w| !w.is_empty());
        let by = signed(&edit.who, Some(why.unwrap_or(BY_EYE)));
        match &edit.action {
            Action::Class { objects, class } => {
                let events = correct(&tray, objects, class)?;
                ledger.say(&events, by)?;
            }
            Action::Tags { object, tags } => {
                let tags = tags.iter().map(|t| t.trim().to_owned()).collect();
                let (load, lot) = (tray.load.clone(), tray.lot.clone());
                let said = ObjectTagged { load, lot, tray: tray.tray, object: *object, tags };
                ledger.say_one(Event::ObjectTagged(said), by)?;
            }
            Action::Undo | Action::Redo => {
                let event = again(&tray, matches!(edit.action, Action::Undo), &edit.who)?;
                ledger.say_one(event, by)?;
            }
            Action::Split { .. }
            | Action::Merge { .. }
            | Action::Draw { .. }
            | Action::Remove { .. } => {
                let fresh = outlines(&tray, &view, &edit.action)?;
                retouched(bench, &mut ledger, &tray, &view, fresh, by)?;
            }
        }
        bench.events.tell_new(&ledger)?;
        let now = tray_that_counts(&ledger, id)?;
        answer(bench, &ledger, &tray, &now, began).map(Json)
    })
    .await
}

/// What came of a change.
fn answer(
    bench: &Bench,
    ledger: &Ledger,
    before: &OneTray,
    now: &OneTray,
    began: Instant,
) -> Result<Value, Fault> {
    let view = bench.shelf.view(&bench.archive, now)?;
    let stamps = stamps(now);
    let earlier: BTreeMap<u32, &FullObject> =
        before.objects.iter().map(|o| (o.read.object, o)).collect();
    let changed = now.objects.iter().filter(|o| earlier.get(&o.read.object) != Some(o));
    let objects: Vec<Value> = changed.map(|o| object_json(o, &view, &stamps)).collect();
    let is_there = |n: u32| now.objects.iter().any(|o| o.read.object == n);
    let gone: Vec<u32> = earlier.keys().copied().filter(|n| !is_there(*n)).collect();
    let record = ledger.load(&now.load)?;
    let alone = dossier::of_tray(ledger, &record, now.entry)?;
    let load = load_json(bench, ledger, &now.load)?;
    Ok(json!({
        "id": now.entry, "entry": load["entry"], "gone": gone, "objects": objects,
        "undo": undo_json(now), "redo": redo_json(now), "sprite": sprite_json(now),
        "shares": alone.as_ref().map(shares), "load": load,
        "milliseconds": began.elapsed().as_millis() as u64,
    }))
}

fn own(tray: &OneTray, object: u32) -> Result<&FullObject, Fault> {
    let found = tray.objects.iter().find(|o| o.read.object == object);
    found.ok_or_else(|| {
        let error = format!("tray {} has no object {object}", tray.tray);
        Fault::cannot(error, "look at the tray again")
    })
}

fn class_of(word: &str) -> Result<Outcome, Fault> {
    outcome_of(word).ok_or_else(|| {
        let todo = "sound, shriveled, underripe, debris or unassigned";
        Fault::wrong(format!("{word:?} is no class")).with_todo(todo)
    })
}

/// Another class for objects, or a word that the one they have is right; those that were given it
/// before are passed over.
fn correct(tray: &OneTray, objects: &[u32], class: &str) -> Result<Vec<Event>, Fault> {
    let class = class_of(class)?;
    let mut events = Vec::new();
    for &object in objects {
        let found = own(tray, object)?;
        let confirmed = found.class() == class;
        if confirmed && found.corrected.is_some() {
            continue;
        }
        let (load, lot, tray) = (tray.load.clone(), tray.lot.clone(), tray.tray);
        let said = ObjectCorrected { load, lot, tray, object, class, confirmed };
        events.push(Event::ObjectCorrected(said));
    }
    if events.is_empty() {
        let error = format!("they are {} already", outcome_word(class));
        return Err(Fault::cannot(error, ""));
    }
    Ok(events)
}

/// Taking back, and doing again.
fn again(tray: &OneTray, back: bool, who: &str) -> Result<Event, Fault> {
    let facts = facts(tray);
    let edit = if back { EditFacts::last(&facts) } else { EditFacts::next(&facts) };
    let edit = edit.ok_or_else(|| {
        let what = if back { "nothing was changed" } else { "nothing was taken back" };
        Fault::conflict(format!("{what} on tray {}", tray.tray), "")
    })?;
    let made = tray.edits.iter().find(|e| e.made.entry == edit).map(|e| e.made.who.as_str());
    if back && made.is_some_and(|m| m != who.trim()) {
        return Err(Fault::conflict(
            format!("the last change is {}'s", made.unwrap_or_default()),
            "change the object itself, or let its author take it back",
        ));
    }
    let (load, lot, tray) = (tray.load.clone(), tray.lot.clone(), tray.tray);
    let said = EditTakenBack { load, lot, tray, edit };
    Ok(if back { Event::EditTakenBack(said) } else { Event::EditDoneAgain(said) })
}

impl From<RetouchError> for Fault {
    fn from(error: RetouchError) -> Fault {
        let words = error.to_string();
        let (error, todo) = words.split_once(": ").unwrap_or((&words, ""));
        Fault::cannot(error, todo)
    }
}

fn placed(tray: &OneTray, view: &View, object: u32) -> Result<(u16, Bounds), Fault> {
    own(tray, object)?;
    let found = u16::try_from(object).ok().zip(view.shapes.get(&object));
    let (label, shape) = found.ok_or(RetouchError::Unknown(object))?;
    Ok((label, shape.bounds))
}

/// The pixels of fresh objects.
fn outlines(tray: &OneTray, view: &View, action: &Action) -> Result<Fresh, Fault> {
    let map = &view.labels;
    Ok(match action {
        Action::Split { object, line } => {
            let (label, bounds) = placed(tray, view, *object)?;
            let come = retouch::split(map, label, bounds, line)?;
            Fresh { action: "split", gone: vec![*object], come, given: None }
        }
        Action::Merge { objects } => {
            let mut gone = objects.clone();
            gone.sort_unstable();
            gone.dedup();
            let places: Vec<(u16, Bounds)> =
                gone.iter().map(|o| placed(tray, view, *o)).collect::<Result<_, _>>()?;
            let come = vec![retouch::merge(map, &places)?];
            Fresh { action: "merge", gone, come, given: None }
        }
        Action::Draw { polygon, class } => {
            let given = class.as_deref().map(class_of).transpose()?;
            let come = vec![retouch::draw(map, polygon)?];
            let given = given.map(|c| outcome_word(c).to_owned());
            Fresh { action: "draw", gone: Vec::new(), come, given }
        }
        Action::Remove { objects } => {
            let mut gone = objects.clone();
            gone.sort_unstable();
            gone.dedup();
            for object in &gone {
                own(tray, *object)?;
            }
            Fresh { action: "remove", gone, come: Vec::new(), given: None }
        }
        _ => return Err(Fault::wrong("the outlines are not changed")),
    })
}

/// Measures fresh objects, records the change, keeps what follows open.
fn retouched(
    bench: &Bench,
    ledger: &mut Ledger,
    tray: &OneTray,
    view: &View,
    fresh: Fresh,
    by: crate::ledger::Signed<'_>,
) -> Result<(), Fault> {
    let come: Vec<(u32, Runs)> = (tray.highest + 1..).zip(fresh.come).collect();
    let last = come.last().map_or(tray.highest, |c| c.0);
    if last > u32::from(u16::MAX) {
        return Err(Fault::cannot("the tray has no room for more objects", ""));
    }
    let mut labels: LabelMap = (*view.labels).clone();
    retouch::erase(&mut labels, &fresh.gone);
    for (number, runs) in &come {
        retouch::paint(&mut labels, runs, *number as u16);
    }
    labels.count = last as usize;
    let (mut objects, mut profile) = (Vec::new(), tray.profile.clone());
    let mut measured = Vec::new();
    if !come.is_empty() {
        let ready = bench.shelf.ready(&bench.archive, &tray.photo, &bench.reading)?;
        let own = bench.profile_named(ledger, &tray.profile)?;
        let fruit =
            Fruit::named(&tray.fruit).ok_or_else(|| Fault::failed("its fruit is unknown"))?;
        let mut others = bench.shelf.measured(tray, &ready, view);
        others.retain(|(n, ..)| !fresh.gone.contains(n));
        let judge = retouch::Judge {
            opened: &ready.opened,
            prepared: &ready.prepared,
            profile: &own,
            fruit,
            settings: &bench.reading,
        };
        let (new, readings) = retouch::judge(judge, &labels, &come, &others);
        objects = readings.iter().map(RecordedObject::from).collect();
        profile = own.name.clone();
        measured = new;
    }
    let said = OutlinesChanged {
        load: tray.load.clone(),
        lot: tray.lot.clone(),
        tray: tray.tray,
        action: fresh.action.to_owned(),
        gone: fresh.gone.clone(),
        profile,
        program: PROGRAM.to_owned(),
        fields: FIELD_NAMES.iter().map(|n| (*n).to_owned()).collect(),
        come: objects,
        outlines: come
            .iter()
            .map(|(object, runs)| Outline { object: *object, runs: runs.clone() })
            .collect(),
        given: fresh.given,
    };
    let entry = ledger.say_one(Event::OutlinesChanged(said), by)?.entries;
    let now = view.changed(&fresh.gone, &come, labels, entry);
    bench.shelf.put_view(tray.entry, Arc::new(now));
    bench.shelf.add_measured(tray.entry, measured);
    Ok(())
}

/// Which size of a picture.
#[derive(Deserialize)]
pub struct Size {
    width: Option<u32>,
    size: Option<u32>,
}

fn picture(bytes: Bytes, lasting: bool) -> Response {
    let mut response = Response::new(Body::from(bytes));
    let cache = if lasting { "private, max-age=31536000, immutable" } else { "private, no-cache" };
    let headers = response.headers_mut();
    headers.insert(header::CONTENT_TYPE, HeaderValue::from_static("image/jpeg"));
    headers.insert(header::CACHE_CONTROL, HeaderValue::from_static(cache));
    response
}

/// `GET /api/photos/{sha256}`.
pub async fn photo(
    State(bench): State<Arc<Bench>>,
    Path(sha256): Path<String>,
    Asked(size): Asked<Size>,
) -> Result<Response, Fault> {
    blocking(&bench, move |bench| {
        // Only what the ledger knows: a hash is looked up, never taken for a path.
        let known = bench.ledger().photo(&sha256)?;
        if known == crate::ledger::PhotoState::New {
            return Err(Fault::missing("the ledger knows no such photograph"));
        }
        let wanted = size.width.unwrap_or(u32::MAX);
        let width = WIDTHS.into_iter().find(|w| *w >= wanted).unwrap_or(u32::MAX);
        Ok(picture(bench.shelf.picture(&bench.archive, &sha256, width)?, true))
    })
    .await
}

/// A square cut of an object with a margin, at a size.
fn crop(rgb: &RgbImage, bounds: Bounds, size: u32) -> RgbImage {
    let side = (bounds.row_end - bounds.row).max(bounds.col_end - bounds.col) as f64 * 1.3 + 8.0;
    let side = side as i64;
    let x0 = (bounds.col + bounds.col_end) as i64 / 2 - side / 2;
    let y0 = (bounds.row + bounds.row_end) as i64 / 2 - side / 2;
    let (w, h) = (i64::from(rgb.width()), i64::from(rgb.height()));
    let (left, top) = (x0.clamp(0, w - 1), y0.clamp(0, h - 1));
    let (right, bottom) = ((x0 + side).clamp(left + 1, w), (y0 + side).clamp(top + 1, h));
    let mut square = RgbImage::from_pixel(side as u32, side as u32, Rgb([128; 3]));
    let (width, height) = ((right - left) as u32, (bottom - top) as u32);
    let cut = imageops::crop_imm(rgb, left as u32, top as u32, width, height).to_image();
    imageops::replace(&mut square, &cut, left - x0, top - y0);
    if side as u32 > 2 * size {
        shrink(&square, size)
    } else {
        imageops::resize(&square, size, size, imageops::FilterType::Triangle)
    }
}

/// `GET /api/trays/{id}/crop/{object}`.
pub async fn one_crop(
    State(bench): State<Arc<Bench>>,
    Path((id, object)): Path<(u64, u32)>,
    Asked(size): Asked<Size>,
) -> Result<Response, Fault> {
    blocking(&bench, move |bench| {
        let tray = tray_that_counts(&bench.ledger(), id)?;
        let view = bench.shelf.view(&bench.archive, &tray)?;
        let (_, bounds) = placed(&tray, &view, object)?;
        let kept = bench.shelf.photo(&bench.archive, &tray.photo)?;
        let size = size.size.unwrap_or(256).clamp(32, 512);
        let bytes = jpeg::encode(&crop(kept.rgb(), bounds, size), 88).map_err(Fault::failed)?;
        Ok(picture(Bytes::from(bytes), true))
    })
    .await
}

/// `GET /api/trays/{id}/sprite`.
pub async fn sprite(
    State(bench): State<Arc<Bench>>,
    Path(id): Path<u64>,
    Asked(size): Asked<Size>,
) -> Result<Response, Fault> {
    use rayon::prelude::*;
    blocking(&bench, move |bench| {
        let tray = tray_that_counts(&bench.ledger(), id)?;
        let view = bench.shelf.view(&bench.archive, &tray)?;
        let kept = bench.shelf.photo(&bench.archive, &tray.photo)?;
        let size = size.size.unwrap_or(96).clamp(32, 128);
        let rows = tray.objects.len().div_ceil(COLUMNS_OF_SPRITE).max(1) as u32;
        let crops: Vec<Option<RgbImage>> = tray
            .objects
            .par_iter()
            .map(|o| view.shapes.get(&o.read.object).map(|s| crop(kept.rgb(), s.bounds, size)))
            .collect();
        let width = COLUMNS_OF_SPRITE as u32 * size;
        let mut all = RgbImage::from_pixel(width, rows * size, Rgb([128; 3]));
        for (i, own) in crops.iter().enumerate() {
            if let Some(own) = own {
                let (x, y) = (i % COLUMNS_OF_SPRITE, i / COLUMNS_OF_SPRITE);
                imageops::replace(
                    &mut all,
                    own,
                    x as i64 * i64::from(size),
                    y as i64 * i64::from(size),
                );
            }
        }
        let bytes = jpeg::encode(&all, 85).map_err(Fault::failed)?;
        Ok(picture(Bytes::from(bytes), true))
    })
    .await
}
