//! Streams of a load, two lots held against each other, and what a sorter would do.

use std::sync::Arc;
use std::time::Instant;

use axum::Json;
use axum::extract::{Path, State};
use serde::Deserialize;
use serde_json::{Value, json};

use super::fault::{Asked, Fault, Said};
use super::{Bench, blocking};
use crate::classify::Fruit;
use crate::dossier;
use crate::ledger::Ledger;
use crate::load::{Basis, Lot};
use crate::sorter::{self, Machine, Rule, SortObject};
use crate::stats::Level;
use crate::streams::{self, Stream, StreamLot, StreamSettings, Weighed};
use crate::terms;

/// What was weighed of the streams, and a price.
#[derive(Deserialize)]
pub struct Weights {
    unsorted_kg: Option<f64>,
    sorted_kg: Option<f64>,
    waste_kg: Option<f64>,
    juice_kg: Option<f64>,
    price_per_tonne: Option<f64>,
}

fn lot_of(lots: &[Lot], name: &str) -> Result<Lot, Fault> {
    let own = |l: &&Lot| {
        let of = l.trays.first().and_then(|t| t.lot.as_deref());
        of.is_some_and(|o| o.eq_ignore_ascii_case(name.trim()))
    };
    lots.iter().find(own).cloned().ok_or_else(|| {
        Fault::cannot(format!("the load has no trays of a lot {name}"), "add its photographs first")
    })
}

/// The one skin colour of a lot's trays; none where they differ.
fn fruit_of(ledger: &Ledger, load: &str, lot: &str) -> Result<Option<Fruit>, Fault> {
    let record = ledger.load(load)?;
    let trays =
        record.lots.iter().filter(|l| l.lot.eq_ignore_ascii_case(lot)).flat_map(|l| &l.trays);
    let mut all = trays.map(|t| super::shelf::fruit_of(&t.fruit));
    let first = all.next().flatten();
    Ok(first.filter(|f| all.all(|other| other == Some(*f))))
}

/// `GET /api/loads/{load}/streams`.
pub async fn streams(
    State(bench): State<Arc<Bench>>,
    Path(load): Path<String>,
    Asked(weights): Asked<Weights>,
) -> Result<Json<Value>, Fault> {
    blocking(&bench, move |bench| {
        let mut lots = Vec::new();
        {
            let ledger = bench.ledger();
            let all = dossier::lots_of(&ledger, &load)?;
            for stream in Stream::ALL {
                if let Ok(lot) = lot_of(&all, stream.name()) {
                    let fruit = fruit_of(&ledger, &load, stream.name())?;
                    lots.push(StreamLot { stream, lot, fruit });
                }
            }
        }
        let settings = StreamSettings {
            weighed: Weighed {
                unsorted_kg: weights.unsorted_kg,
                sorted_kg: weights.sorted_kg,
                waste_kg: weights.waste_kg,
                juice_kg: weights.juice_kg,
            },
            price_per_tonne: weights.price_per_tonne,
            ..StreamSettings::default()
        };
        let found = streams::balance(&lots, &settings)
            .map_err(|e| Fault::cannot(e.to_string(), "add trays of UNSORTED, SORTED or WASTE"))?;
        serde_json::to_value(&found).map(Json).map_err(Fault::failed)
    })
    .await
}

/// Two lots to compare.
#[derive(Deserialize)]
pub struct Pair {
    first: String,
    second: String,
    basis: Option<Basis>,
}

/// `GET /api/loads/{load}/compare`.
pub async fn compare(
    State(bench): State<Arc<Bench>>,
    Path(load): Path<String>,
    Asked(pair): Asked<Pair>,
) -> Result<Json<Value>, Fault> {
    blocking(&bench, move |bench| {
        let lots = dossier::lots_of(&bench.ledger(), &load)?;
        let (first, second) = (lot_of(&lots, &pair.first)?, lot_of(&lots, &pair.second)?);
        let basis = pair.basis.unwrap_or(Basis::Mass);
        let found = streams::compare(&first, &second, basis, Level::P95)
            .map_err(|e| Fault::cannot(e.to_string(), ""))?;
        serde_json::to_value(&found).map(Json).map_err(Fault::failed)
    })
    .await
}

/// What a sorter is asked to do.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Asking {
    lot: Option<String>,
    rule: Option<RuleSaid>,
    machine: Option<MachineSaid>,
}

/// A rule; what is left out says nothing.
#[derive(Deserialize, Default)]
#[serde(deny_unknown_fields, default)]
pub struct RuleSaid {
    reject_probability: Option<f64>,
    class_probability: [Option<f64>; 4],
    min_diameter_mm: Option<f64>,
    max_wrinkle: Option<f64>,
    max_lightness: Option<f64>,
    min_a: Option<f64>,
    max_b: Option<f64>,
    max_green_share: Option<f64>,
}

/// A machine; what is left out is the default's.
#[derive(Deserialize, Default)]
#[serde(deny_unknown_fields, default)]
pub struct MachineSaid {
    belt_m_s: Option<f64>,
    throughput_t_h: Option<f64>,
    belt_width_m: Option<f64>,
    camera_fall_m: Option<f64>,
    jet_fall_m: Option<f64>,
    jet_pitch_mm: Option<f64>,
    open_ms: Option<f64>,
    speed_sd_m_s: Option<f64>,
    neighbour_limit: Option<f64>,
    clump: Option<f64>,
}

fn rule(said: &RuleSaid) -> Rule {
    let rule = Rule {
        reject_probability: said.reject_probability,
        class_probability: said.class_probability,
        min_diameter_mm: said.min_diameter_mm,
        max_wrinkle: said.max_wrinkle,
        max_lightness: said.max_lightness,
        min_a: said.min_a,
        max_b: said.max_b,
        max_green_share: said.max_green_share,
    };
    if rule.is_empty() { Rule { reject_probability: Some(0.5), ..rule } } else { rule }
}

fn machine(said: &MachineSaid) -> Machine {
    let d = Machine::default();
    Machine {
        belt_m_s: said.belt_m_s.unwrap_or(d.belt_m_s),
        throughput_t_h: said.throughput_t_h.unwrap_or(d.throughput_t_h),
        belt_width_m: said.belt_width_m.unwrap_or(d.belt_width_m),
        camera_fall_m: said.camera_fall_m.unwrap_or(d.camera_fall_m),
        jet_fall_m: said.jet_fall_m.unwrap_or(d.jet_fall_m),
        jet_pitch_mm: said.jet_pitch_mm.unwrap_or(d.jet_pitch_mm),
        open_ms: said.open_ms.unwrap_or(d.open_ms),
        speed_sd_m_s: said.speed_sd_m_s.unwrap_or(d.speed_sd_m_s),
        neighbour_limit: said.neighbour_limit.unwrap_or(d.neighbour_limit),
        clump: said.clump.unwrap_or(d.clump),
    }
}

/// Objects of a lot as a rule sees them, and where each lies.
fn objects_of(
    ledger: &Ledger,
    load: &str,
    lot: &str,
) -> Result<(Vec<SortObject>, Vec<(u64, u32)>), Fault> {
    let record = ledger.load(load)?;
    let trays =
        record.lots.iter().filter(|l| l.lot.eq_ignore_ascii_case(lot)).flat_map(|l| &l.trays);
    let (mut objects, mut places) = (Vec::new(), Vec::new());
    for tray in trays {
        let entry = tray.recorded.entry;
        let Some(full) = ledger.one_tray(entry)? else { continue };
        for object in &full.objects {
            objects.push(SortObject::from(&object.read.reading()));
            places.push((entry, object.read.object));
        }
    }
    if objects.is_empty() {
        return Err(Fault::cannot(format!("{load} has no objects of {lot}"), "add trays first"));
    }
    Ok((objects, places))
}

/// `POST /api/loads/{load}/what-if`.
pub async fn what_if(
    State(bench): State<Arc<Bench>>,
    Path(load): Path<String>,
    Said(asking): Said<Asking>,
) -> Result<Json<Value>, Fault> {
    blocking(&bench, move |bench| {
        let began = Instant::now();
        let lot = asking.lot.as_deref().unwrap_or(dossier::DELIVERED);
        let (objects, places, contract) = {
            let ledger = bench.ledger();
            let (objects, places) = objects_of(&ledger, &load, lot)?;
            let contract = ledger.load(&load)?.terms.and_then(|t| terms::check(&t.text).ok());
            (objects, places, contract)
        };
        let rule = rule(&asking.rule.unwrap_or_default());
        let machine = machine(&asking.machine.unwrap_or_default());
        let found = sorter::what_if(&rule, &machine, &objects, contract.as_ref())
            .map_err(|e| Fault::cannot(e.to_string(), "change the machine or the rule"))?;
        let mut picked: Vec<(u64, Vec<u32>)> = Vec::new();
        for &(tray, object) in found.picks.picked_objects.iter().filter_map(|i| places.get(*i)) {
            match picked.last_mut() {
                Some((own, list)) if *own == tray => list.push(object),
                _ => picked.push((tray, vec![object])),
            }
        }
        let mut answer = serde_json::to_value(&found).map_err(Fault::failed)?;
        if let Some(map) = answer.as_object_mut() {
            let picked: Vec<Value> = picked
                .iter()
                .map(|(tray, objects)| json!({"tray_id": tray, "objects": objects}))
                .collect();
            map.insert("picked".to_owned(), Value::Array(picked));
            map.insert("objects".to_owned(), json!(objects.len()));
            map.insert("milliseconds".to_owned(), json!(began.elapsed().as_millis() as u64));
        }
        Ok(Json(answer))
    })
    .await
}
