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
    rule: Option<Rule>,
    machine: Option<Machine>,
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
        let rule = asking.rule.unwrap_or_default().or_usual();
        let machine = asking.machine.unwrap_or_default();
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
        if let Some(map) = answer.as_object_mut() {
            map.insert("picked".to_owned(), Value::Array(picked));
            map.insert("objects".to_owned(), json!(lot.objects.len()));
            map.insert("milliseconds".to_owned(), json!(began.elapsed().as_millis() as u64));
        }
        Ok(Json(answer))
    })
    .await
}
