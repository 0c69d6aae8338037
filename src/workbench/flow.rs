//! Streams of a load, two lots held against each other, and what a sorter would do.

use std::sync::Arc;
use std::time::Instant;

use axum::Json;
use axum::extract::{Path, State};
use serde::Deserialize;
use serde_json::{Value, json};

use super::fault::{Asked, Fault, Said};
use super::{Bench, blocking};
use crate::dossier;
use crate::load::{Basis, Lot};
use crate::sorter::{self, Machine, Neighbours, Rule, SimulationSettings};
use crate::stats::Level;
use crate::streams::{self, StreamSettings, Weighed};
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

/// `GET /api/loads/{load}/streams`.
pub async fn streams(
    State(bench): State<Arc<Bench>>,
    Path(load): Path<String>,
    Asked(weights): Asked<Weights>,
) -> Result<Json<Value>, Fault> {
    blocking(&bench, move |bench| {
        let lots = dossier::streams_of(&bench.ledger(), &load)?;
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
    /// In the order of the classes, sound not used; or the three by their names.
    class_probability: [Option<f64>; 4],
    shriveled_probability: Option<f64>,
    underripe_probability: Option<f64>,
    debris_probability: Option<f64>,
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
        shriveled_probability: said.shriveled_probability.or(said.class_probability[1]),
        underripe_probability: said.underripe_probability.or(said.class_probability[2]),
        debris_probability: said.debris_probability.or(said.class_probability[3]),
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

/// Berries in the simulated stream: enough for the page's digits, and an answer at once.
const BERRIES: usize = 40_000;

/// `POST /api/loads/{load}/what-if`.
pub async fn what_if(
    State(bench): State<Arc<Bench>>,
    Path(load): Path<String>,
    Said(asking): Said<Asking>,
) -> Result<Json<Value>, Fault> {
    blocking(&bench, move |bench| {
        let began = Instant::now();
        let name = asking.lot.as_deref().unwrap_or(dossier::DELIVERED);
        let (lot, record) = {
            let ledger = bench.ledger();
            (dossier::sort_lot(&ledger, &load, name)?, ledger.load(&load)?)
        };
        let lot = lot.ok_or_else(|| {
            Fault::cannot(format!("{load} has no objects of {name}"), "add its trays first")
        })?;
        let contract = record.terms.as_ref().and_then(|t| terms::check(&t.text).ok());
        let rule = rule(&asking.rule.unwrap_or_default());
        let machine = machine(&asking.machine.unwrap_or_default());
        let settings = SimulationSettings { berries: BERRIES, ..SimulationSettings::default() };
        let neighbours = Neighbours::Simulated(settings);
        let found = sorter::what_if(&rule, &machine, &lot, contract.as_ref(), neighbours)
            .map_err(|e| Fault::cannot(e.to_string(), "change the machine or the rule"))?;
        let own = record.lots.iter().filter(|l| l.lot == name).flat_map(|l| &l.trays);
        let picked: Vec<Value> = own
            .filter_map(|tray| {
                let called = format!("tray {}", tray.tray);
                let all = found.picks.blown_out.iter().filter(|b| b.tray == called);
                let objects: Vec<u32> = all.map(|b| b.object).collect();
                let id = tray.recorded.entry;
                (!objects.is_empty()).then(|| json!({"tray_id": id, "objects": objects}))
            })
            .collect();
        let mut answer = serde_json::to_value(&found).map_err(Fault::failed)?;
        // The page draws the curve beside the picks.
        answer["picks"]["curve"] = answer["curve"].clone();
        if let Some(map) = answer.as_object_mut() {
            map.insert("picked".to_owned(), Value::Array(picked));
            map.insert("objects".to_owned(), json!(lot.objects.len()));
            map.insert("milliseconds".to_owned(), json!(began.elapsed().as_millis() as u64));
        }
        Ok(Json(answer))
    })
    .await
}
