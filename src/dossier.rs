//! A load in full: from what the ledger knows of it to the figures, the verdict and everything a
//! reader must be told. Knows the order in which the load's statistics are applied, and no formula.

use std::collections::BTreeMap;

use serde::Serialize;

use crate::classify::{Class, Fruit};
use crate::ledger::event::{Delivery, FreeJuice, PlannedTray, SamplingPoint, Wetness, Word as _};
use crate::ledger::record::{
    LoadRecord, LookRecord, LotRecord, RefusedRecord, ReplacedRecord, Stamp, TrayRecord,
};
use crate::ledger::{Ledger, LedgerError, canonical};
use crate::load::{
    Audit, Basis, CoarseDebris, Correction, Drawn, Item, JoinedShare, Lot, LotFigures, LotSettings,
    REJECTS, Review, Scope, Seen, Share, Target, Tray, Validation, assess_lot, correct,
    join_coarse, share_of, validate, with_validation,
};
use crate::sorter::{SortLot, SortObject};
use crate::stats::{Interval, Level};
use crate::streams::{Stream, StreamLot};
use crate::terms::{self, Counted, Decimal, Measured, TermsVerdict};

/// The lot whose figures the terms are applied to.
pub const DELIVERED: &str = "UNSORTED";

/// What of the ledger bears on a load besides its own record: as of now, or of its close.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Beside {
    /// Mass coefficients in force, by profile.
    pub mass: BTreeMap<String, [f64; 4]>,
    /// Validation of the load's variety.
    pub validation: Option<Validation>,
}

/// A load in full.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Dossier {
    /// The load.
    pub load: String,
    /// Grower.
    pub grower: String,
    /// Block.
    pub block: Option<String>,
    /// Variety.
    pub variety: Option<String>,
    /// Bins in the load.
    pub bins: Option<u32>,
    /// What is known of the delivery.
    pub delivery: Delivery,
    /// Who opened it.
    pub opened: Stamp,
    /// Lots by name.
    pub lots: Vec<LotDossier>,
    /// The verdict by the terms.
    pub verdict: Option<TermsVerdict>,
    /// Why there is no verdict, where there are terms.
    pub no_verdict: Option<String>,
    /// What the delivered lot's sorting loss is worth; none without a net mass or a price.
    pub loss_value: Option<LossValue>,
    /// Refused photographs.
    pub refused: Vec<RefusedRecord>,
    /// What was assumed, in words.
    pub assumptions: Vec<String>,
    /// What to beware of, in words.
    pub cautions: Vec<String>,
}

/// A sorting loss at the contract's price: an estimate, no settlement.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct LossValue {
    /// Currency.
    pub currency: String,
    /// Of the rejects that a sorter takes out.
    pub rejects: Decimal,
    /// Of the sound fruit lost with them.
    pub sound: Decimal,
    /// Of both.
    pub total: Decimal,
}

/// A lot in full.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct LotDossier {
    /// The lot.
    pub lot: String,
    /// Where it was sampled.
    pub sampling_point: Option<SamplingPoint>,
    /// Trays that the plan asks for; none without a plan.
    pub planned: Option<Vec<u32>>,
    /// Trays that are in.
    pub taken: Vec<u32>,
    /// Planned trays that are not in.
    pub missing: Vec<PlannedTray>,
    /// Trays that are in and that neither the plan nor its extra draw asked for.
    pub unplanned: Vec<u32>,
    /// Retaken trays.
    pub retaken: Vec<ReplacedRecord>,
    /// Profiles that its trays were judged with.
    pub profiles: Vec<String>,
    /// The figures as the trays show them.
    pub figures: Option<LotFigures>,
    /// Why there are no figures.
    pub no_figures: Option<String>,
    /// Shares by mass after everything known was applied: one a class in table order, then all
    /// rejects. Empty where nothing had to be applied.
    pub settled: Vec<Settled>,
    /// Cautions about single trays.
    pub cautions: Vec<String>,
}

/// A share by mass with what is known beside the trays applied: reviewed mistakes, coarse debris,
/// the validated bias.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Settled {
    /// The class, or `rejects`.
    pub name: &'static str,
    /// As the trays show it.
    pub apparent: f64,
    /// Corrected for the classifier's mistakes; none without a review.
    pub correction: Option<Correction>,
    /// Whether the correction was applied (it is trusted).
    pub corrected: bool,
    /// Joined with coarse debris; none without.
    pub joined: Option<JoinedShare>,
    /// The share that counts.
    pub estimate: f64,
    /// Its interval.
    pub interval: Interval,
    /// What the interval speaks of.
    pub scope: Scope,
}

/// Reads a load and what bears on it, and works everything out.
///
/// # Errors
/// [`LedgerError`] when the ledger cannot be read or has no such load.
pub fn of_load(ledger: &Ledger, load: &str) -> Result<Dossier, LedgerError> {
    let record = ledger.load(load)?;
    let beside = beside(ledger, &record)?;
    let mut dossier = dossier(&record, &beside);
    if let Some(closed) = &record.verdict {
        let now = dossier.recordable().ok().and_then(|v| canonical::canonical(&v).ok());
        if now.as_ref() != Some(closed) {
            dossier.cautions.push(
                "the figures of the close were worked out by another version of the program and \
                 differ from these; those of the close count (`acinus ledger export` has them)"
                    .to_owned(),
            );
        }
    }
    Ok(dossier)
}

/// One tray of a load by itself, as if it were the lot; none when the load has no such tray.
///
/// # Errors
/// [`LedgerError`] when the ledger cannot be read.
pub fn of_tray(
    ledger: &Ledger,
    record: &LoadRecord,
    entry: u64,
) -> Result<Option<LotDossier>, LedgerError> {
    let own = |t: &&TrayRecord| t.recorded.entry == entry;
    let found = record.lots.iter().find_map(|l| Some((l, l.trays.iter().find(own)?)));
    let Some((lot, tray)) = found else { return Ok(None) };
    let alone = LotRecord {
        lot: lot.lot.clone(),
        sampling_point: lot.sampling_point,
        plan: None,
        trays: vec![tray.clone()],
        replaced: Vec::new(),
        coarse: None,
        draws: Vec::new(),
        parties: Vec::new(),
    };
    Ok(Some(lot_dossier(record, &alone, &beside(ledger, record)?)))
}

/// What of the ledger bears on a load beside its own record.
///
/// # Errors
/// [`LedgerError`] when the ledger cannot be read.
pub fn beside(ledger: &Ledger, record: &LoadRecord) -> Result<Beside, LedgerError> {
    // A closed load keeps the figures of its close.
    let at = record.closed.as_ref().map_or(u64::MAX, |c| c.entry);
    let mut beside = Beside::default();
    for tray in record.lots.iter().flat_map(|l| &l.trays) {
        if !beside.mass.contains_key(&tray.profile)
            && let Some(fit) = ledger.mass_fit(&tray.profile, at)?
        {
            beside.mass.insert(tray.profile.clone(), fit.coefficients.map(Decimal::to_f64));
        }
    }
    if let Some(variety) = &record.variety {
        let trays: Vec<_> =
            ledger.hand_sorts(Some(variety), at)?.into_iter().map(|h| h.tray).collect();
        beside.validation = validate(&trays, variety, Level::P95).ok();
    }
    Ok(beside)
}

/// Works a load out.
pub fn dossier(record: &LoadRecord, beside: &Beside) -> Dossier {
    let mut assumptions = delivery_words(&record.delivery);
    let mut cautions = Vec::new();
    let terms = record.terms.as_ref().and_then(|t| terms::check(&t.text).ok());
    let mut lots: Vec<LotDossier> =
        record.lots.iter().map(|lot| lot_dossier(record, lot, beside)).collect();
    // The delivered fruit first: it is what the terms speak of.
    lots.sort_by_key(|l| l.lot != DELIVERED);
    compare_sampling_points(&lots, &mut cautions);
    if !beside.mass.is_empty() {
        assumptions.push("Masses carry the coefficients fitted from weighed trays.".to_owned());
    }
    if record.lots.iter().flat_map(|l| &l.trays).any(|t| t.weighing.is_some()) {
        assumptions
            .push("The masses of weighed trays are scaled to what the scale said.".to_owned());
    }
    match &beside.validation {
        Some(validation) => cautions.extend(validation.notice.clone()),
        None => cautions.push(
            "no variety is recorded: its figures are not yet validated and verdicts are advisory"
                .to_owned(),
        ),
    }
    let loss_value = terms.as_ref().and_then(|terms| loss_value(&lots, terms));
    let (verdict, no_verdict) = match &terms {
        None => (None, None),
        Some(terms) => match judge(record, beside, terms) {
            Ok(verdict) => (Some(verdict), None),
            Err(why) => (None, Some(why)),
        },
    };
    if let Some(verdict) = &verdict {
        let known = |c: &&String| !c.starts_with("not yet validated");
        cautions.extend(verdict.cautions.iter().filter(known).cloned());
    }
    Dossier {
        load: record.load.clone(),
        grower: record.grower.clone(),
        block: record.block.clone(),
        variety: record.variety.clone(),
        bins: record.bins,
        delivery: record.delivery.clone(),
        opened: record.opened.clone(),
        lots,
        verdict,
        no_verdict,
        loss_value,
        refused: record.refused.clone(),
        assumptions,
        cautions,
    }
}

impl Dossier {
    /// Everything as the ledger records it at the close: fractions as decimal strings.
    ///
    /// # Errors
    /// When it cannot be written as JSON.
    pub fn recordable(&self) -> Result<serde_json::Value, serde_json::Error> {
        Ok(canonical::without_floats(serde_json::to_value(self)?))
    }

    /// The verdict in one word.
    pub fn outcome(&self) -> Option<String> {
        let outcome = self.verdict.as_ref()?.outcome;
        let word = match outcome {
            terms::Outcome::Accept => "accept",
            terms::Outcome::Refuse => "refuse",
            terms::Outcome::Undecided => "undecided",
        };
        Some(word.to_owned())
    }
}

fn loss_value(lots: &[LotDossier], terms: &terms::Terms) -> Option<LossValue> {
    let loss = lots.iter().find_map(|l| l.figures.as_ref()?.loss)?;
    let worth = |kg: f64| terms::value_of_mass(kg, terms);
    Some(LossValue {
        currency: terms.currency.clone()?,
        rejects: worth(loss.rejects.kg)?,
        sound: worth(loss.sound.kg)?,
        total: worth(loss.total.kg)?,
    })
}

fn delivery_words(delivery: &Delivery) -> Vec<String> {
    let mut words = Vec::new();
    if delivery.net_kg.is_some() {
        words.push(
            "Kilograms of the load are shares of drained solids times the net mass, as if all of \
             it were drained solids."
                .to_owned(),
        );
    }
    match delivery.free_juice {
        Some(FreeJuice::Some | FreeJuice::Much) => words.push(format!(
            "Free juice in the bins ({}) is part of the net mass: the solids weigh less than is \
             taken here.",
            delivery.free_juice.map_or("", |j| j.word())
        )),
        Some(FreeJuice::None) | None => {}
    }
    if let Some(wet @ (Wetness::Rain | Wetness::Dew)) = delivery.wet {
        words.push(format!(
            "The fruit is wet by {}: the water is part of the net mass.",
            wet.word()
        ));
    }
    words
}

fn compare_sampling_points(lots: &[LotDossier], cautions: &mut Vec<String>) {
    let places: Vec<(&str, SamplingPoint)> = lots
        .iter()
        .filter(|l| !l.taken.is_empty())
        .filter_map(|l| l.sampling_point.map(|p| (l.lot.as_str(), p)))
        .collect();
    if let Some((first, rest)) = places.split_first()
        && let Some(other) = rest.iter().find(|p| p.1 != first.1)
    {
        cautions.push(format!(
            "lots were sampled at different points ({} at {}, {} at {}): their shares are not to be \
             compared as they stand",
            first.0,
            first.1.word(),
            other.0,
            other.1.word()
        ));
    }
    let known = places.len();
    let taken = lots.iter().filter(|l| !l.taken.is_empty()).count();
    if taken > 1 && known < taken {
        cautions.push(
            "the sampling point of some lots is not recorded: whether their shares may be compared \
             is not known; say it with `acinus load lot`"
                .to_owned(),
        );
    }
}

/// The lots of a load as the figures take them: masses with the coefficients in force and scaled to
/// weighed trays.
///
/// # Errors
/// [`LedgerError`] when the ledger cannot be read or has no such load.
pub fn lots_of(ledger: &Ledger, load: &str) -> Result<Vec<Lot>, LedgerError> {
    let record = ledger.load(load)?;
    let beside = beside(ledger, &record)?;
    Ok(record.lots.iter().map(|lot| statistics(&record, lot, &beside)).collect())
}

/// The lots of a load that are named as streams, in their order, with their fruit's skin colour.
///
/// # Errors
/// As [`lots_of`].
pub fn streams_of(ledger: &Ledger, load: &str) -> Result<Vec<StreamLot>, LedgerError> {
    let record = ledger.load(load)?;
    let beside = beside(ledger, &record)?;
    let named = record.lots.iter().filter(|lot| !lot.trays.is_empty());
    let named = named.filter_map(|lot| Some((Stream::named(&lot.lot)?, lot)));
    Ok(named
        .map(|(stream, lot)| StreamLot {
            stream,
            lot: statistics(&record, lot, &beside),
            fruits: lot.trays.iter().map(|t| Fruit::named(&t.fruit)).collect(),
        })
        .collect())
}

/// A lot's objects as a sorter's rule sees them; none when the load has no trays of such a lot. What
/// a person said an object is counts as what it truly is.
///
/// # Errors
/// As [`lots_of`].
pub fn sort_lot(ledger: &Ledger, load: &str, lot: &str) -> Result<Option<SortLot>, LedgerError> {
    let record = ledger.load(load)?;
    let beside = beside(ledger, &record)?;
    let Some(kept) = record.lots.iter().find(|l| l.lot == lot && !l.trays.is_empty()) else {
        return Ok(None);
    };
    let looks: BTreeMap<(u32, u32), LookRecord> =
        ledger.looks(load, lot)?.into_iter().map(|l| ((l.tray, l.object), l)).collect();
    let mut found = SortLot::default();
    let statistics = statistics(&record, kept, &beside);
    for (tray, taken) in kept.trays.iter().zip(&statistics.trays) {
        let objects = tray.objects.iter().zip(&taken.objects).map(|(o, item)| {
            let look = looks.get(&(tray.tray, o.object));
            let of = |value: fn(&LookRecord) -> f64| look.map_or(f64::NAN, value);
            let said = item.class.filter(|_| o.corrected.is_some());
            SortObject {
                tray: 0,
                object: o.object,
                item: *item,
                truth: said.map_or(item.probabilities, |c| {
                    std::array::from_fn(|k| f64::from(u8::from(k == c.index())))
                }),
                wrinkle: of(|l| l.wrinkle),
                lightness: of(|l| l.lightness),
                a: of(|l| l.a),
                b: of(|l| l.b),
                green_share: of(|l| l.green_share),
            }
        });
        found.add(&taken.name, objects);
    }
    Ok(Some(found))
}

/// A tray's objects, their masses with the coefficients in force.
fn modelled(tray: &TrayRecord, beside: &Beside) -> Vec<Item> {
    let coefficients = beside.mass.get(&tray.profile).copied().unwrap_or([1.0; 4]);
    let mut objects: Vec<Item> = tray.objects.iter().map(|o| o.item).collect();
    for item in &mut objects {
        item.mass_g *= item.class.map_or(1.0, |c| coefficients[c.index()]);
    }
    objects
}

/// What the scale said of a tray and what its objects are estimated to weigh, g; none where it was not
/// weighed or nothing lies on it.
fn scale_and_estimate(tray: &TrayRecord, objects: &[Item]) -> Option<[f64; 2]> {
    let weighed = tray.weighing.and_then(|w| w.weighed_g)?.to_f64();
    let estimate: f64 = objects.iter().map(|o| o.mass_g).sum();
    (estimate > 0.0).then_some([weighed, estimate])
}

/// A scale that says less than half or more than twice the estimate was read or typed wrongly
/// (common practice, no source): estimates of whole trays are a few percent off.
const SCALE_OFF: f64 = 2.0;

/// A lot as the statistics take it.
fn statistics(record: &LoadRecord, lot: &LotRecord, beside: &Beside) -> Lot {
    let trays = lot
        .trays
        .iter()
        .map(|tray| {
            let mut objects = modelled(tray, beside);
            if let Some([weighed, estimate]) = scale_and_estimate(tray, &objects) {
                objects.iter_mut().for_each(|o| o.mass_g *= weighed / estimate);
            }
            Tray {
                name: format!("tray {}", tray.tray),
                load: Some(record.load.clone()),
                lot: Some(lot.lot.clone()),
                number: Some(tray.tray),
                bin: tray.bin.clone(),
                objects,
            }
        })
        .collect();
    Lot { name: format!("{} {}", record.load, lot.lot), trays }
}

/// Trays that a lot's plan asks for and that are not in.
pub fn missing_trays(lot: &LotRecord) -> Vec<PlannedTray> {
    let planned = lot.plan.iter().flat_map(|p| &p.0.trays);
    planned.filter(|p| !lot.trays.iter().any(|t| t.tray == p.tray)).cloned().collect()
}

fn is_delivered(record: &LoadRecord, lot: &LotRecord) -> bool {
    lot.lot == DELIVERED || record.lots.len() == 1
}

fn settings(record: &LoadRecord, lot: &LotRecord, level: Level) -> LotSettings {
    let delivered = is_delivered(record, lot);
    let d = &record.delivery;
    LotSettings {
        level,
        load_tonnes: d.net_kg.filter(|_| delivered).map(|kg| kg.to_f64() / 1000.0),
        bins_in_load: record.bins.or(lot.plan.as_ref().map(|p| p.0.bins)),
        bin_masses_kg: d.bins_kg.iter().map(|(bin, kg)| (bin.clone(), kg.to_f64())).collect(),
        planned_trays: lot.plan.as_ref().map(|p| p.0.trays.len() as u32),
        ..LotSettings::default()
    }
}

fn lot_dossier(record: &LoadRecord, lot: &LotRecord, beside: &Beside) -> LotDossier {
    let taken: Vec<u32> = lot.trays.iter().map(|t| t.tray).collect();
    let planned: Option<Vec<u32>> =
        lot.plan.as_ref().map(|p| p.0.trays.iter().map(|t| t.tray).collect());
    let asked = |tray: &u32| {
        lot.plan
            .as_ref()
            .is_none_or(|p| p.0.trays.iter().chain(&p.0.extra).any(|planned| planned.tray == *tray))
    };
    let missing = missing_trays(lot);
    let unplanned = taken.iter().filter(|t| !asked(t)).copied().collect();
    let mut cautions = Vec::new();
    for tray in &lot.trays {
        if tray.forced {
            cautions.push(format!("tray {}: refused, measured by force", tray.tray));
        }
        if let Some([weighed, estimate]) = scale_and_estimate(tray, &modelled(tray, beside))
            && !(1.0 / SCALE_OFF..=SCALE_OFF).contains(&(weighed / estimate))
        {
            cautions.push(format!(
                "tray {}: the scale said {weighed:.0} g, the photograph shows about {estimate:.0} g: \
                 look whether the weight was typed right and belongs to this tray",
                tray.tray
            ));
        }
        let own = tray.told.iter().filter(|t| t.weight != "assumption");
        cautions.extend(own.map(|t| format!("tray {}: {}", tray.tray, t.words)));
        let other = |o: &&crate::ledger::record::ObjectRecord| o.item.class != o.read;
        let corrected = tray.objects.iter().filter(other).count();
        if corrected > 0 {
            cautions.push(format!(
                "tray {}: a person gave {corrected} of {} objects another class; the history says \
                 who and why",
                tray.tray,
                tray.objects.len()
            ));
        }
    }
    // Objects that both parties look at, or looked at, are no review that was forgotten.
    let by_parties = |entry: u64| lot.parties.iter().any(|p| p.draw.drawn.entry == entry);
    for draw in lot.draws.iter().filter(|d| d.reviewed.is_none() && !by_parties(d.drawn.entry)) {
        cautions.push(format!(
            "{} objects were drawn for review (entry {}) and never reviewed",
            draw.objects.len(),
            draw.drawn.entry
        ));
    }
    let mut profiles: Vec<String> = lot.trays.iter().map(|t| t.profile.clone()).collect();
    profiles.sort();
    profiles.dedup();
    if profiles.len() > 1 {
        cautions.push(format!(
            "trays were judged with different profiles ({}): their classes may not mean the same",
            profiles.join(", ")
        ));
    }
    let (mut figures, mut no_figures, mut settled) = (None, None, Vec::new());
    if lot.trays.is_empty() {
        no_figures = Some("no tray is in yet".to_owned());
    } else {
        let statistics = statistics(record, lot, beside);
        let settings = settings(record, lot, Level::P95);
        match assess_lot(&statistics, &settings) {
            Ok(found) => figures = Some(found),
            Err(error) => no_figures = Some(error.to_string()),
        }
        let work = Work { record, lot, beside, statistics };
        if figures.is_some() && work.has_more() {
            for class in Class::ALL {
                settled.extend(work.settle(class.name(), &[class], Basis::Mass, Level::P95).ok());
            }
            settled.extend(work.settle("rejects", &REJECTS, Basis::Mass, Level::P95).ok());
            for s in settled.iter().filter(|s| !s.corrected && s.correction.is_some()) {
                let weak = s.correction.iter().flat_map(|c| &c.weak);
                let weak: Vec<&str> = weak.map(String::as_str).collect();
                cautions.push(format!(
                    "{}: the review corrects nothing: {}",
                    s.name,
                    weak.join("; ")
                ));
            }
        }
    }
    LotDossier {
        lot: lot.lot.clone(),
        // What is said of the delivery is said of the delivered fruit alone: sorted fruit and waste
        // are taken elsewhere.
        sampling_point: lot
            .sampling_point
            .or(record.delivery.sampling_point.filter(|_| is_delivered(record, lot))),
        planned,
        taken,
        missing,
        unplanned,
        retaken: lot.replaced.clone(),
        profiles,
        figures,
        no_figures,
        settled,
        cautions,
    }
}

/// A lot and all that bears on its shares.
struct Work<'a> {
    record: &'a LoadRecord,
    lot: &'a LotRecord,
    beside: &'a Beside,
    statistics: Lot,
}

impl Work<'_> {
    fn has_more(&self) -> bool {
        let validated = self.beside.validation.as_ref().is_some_and(|v| v.validated);
        validated
            || self.lot.coarse.is_some()
            || self.lot.draws.iter().any(|d| d.reviewed.is_some())
    }

    /// The share of some classes: as the trays show it, then corrected for reviewed mistakes, then
    /// joined with coarse debris, then with the validated bias's uncertainty.
    fn settle(
        &self,
        name: &'static str,
        classes: &[Class],
        basis: Basis,
        level: Level,
    ) -> Result<Settled, String> {
        let settings = settings(self.record, self.lot, level);
        let apparent =
            share_of(&self.statistics, classes, basis, &settings).map_err(|e| e.to_string())?;
        let mut share = apparent;
        let correction = match self.audit(basis) {
            None => None,
            Some(audit) => {
                let which = Class::ALL.map(|c| classes.contains(&c));
                correct(&apparent, &audit, Target::Classes(which), level).ok()
            }
        };
        let trusted = correction.as_ref().filter(|c| c.weak.is_empty());
        let corrected = trusted.is_some();
        if let Some(c) = trusted {
            share = Share { estimate: c.estimate, interval: c.interval, ..share };
        }
        let mut joined = None;
        if let Some(coarse) = self.lot.coarse.filter(|_| basis == Basis::Mass) {
            if classes.contains(&Class::Debris) {
                let found = join_coarse(&coarse, &share, level).map_err(|e| e.to_string())?;
                share = Share { estimate: found.estimate, interval: found.interval, ..share };
                joined = Some(found);
            } else {
                share = without_coarse(&coarse, &share, level)?;
            }
        }
        if basis == Basis::Mass
            && let Some(validation) = self.beside.validation.as_ref().filter(|v| v.validated)
        {
            let agreement = match classes {
                [class] => validation.class(*class),
                _ if classes == REJECTS => validation.rejects.as_ref(),
                _ => None,
            };
            if let Some(agreement) = agreement {
                share = Share { interval: with_validation(&share, agreement), ..share };
            }
        }
        Ok(Settled {
            name,
            apparent: apparent.estimate,
            correction,
            corrected,
            joined,
            estimate: share.estimate,
            interval: share.interval,
            scope: share.scope,
        })
    }

    /// The reviewed objects of all draws, each once, and what they were drawn from.
    fn audit(&self, basis: Basis) -> Option<Audit> {
        let mut reviews = Vec::new();
        let mut seen: Vec<(u64, u32)> = Vec::new();
        let mut seed = None;
        let item = |entry: u64, object: u32| -> Option<Item> {
            let (place, tray) =
                self.lot.trays.iter().enumerate().find(|(_, t)| t.recorded.entry == entry)?;
            let index = tray.objects.iter().position(|o| o.object == object)?;
            self.statistics.trays[place].objects.get(index).copied()
        };
        for draw in &self.lot.draws {
            let Some((_, answers)) = &draw.reviewed else { continue };
            seed = seed.or(Some(draw.seed));
            for (entry, answer) in answers {
                let Some(object) = answer.object else {
                    let class = match answer.human {
                        Seen::Class(class) => Some(class),
                        _ => None,
                    };
                    let weight = self.typical(class, basis);
                    reviews.push(Review { machine: Seen::Nothing, human: answer.human, weight });
                    continue;
                };
                if seen.contains(&(*entry, object)) {
                    continue;
                }
                seen.push((*entry, object));
                // A tray retaken since its review is no longer in the lot.
                let Some(item) = item(*entry, object) else { continue };
                let (machine, weight) = (Seen::from(item.class), basis.weight(&item));
                reviews.push(Review { machine, human: answer.human, weight });
            }
        }
        let items = || self.statistics.trays.iter().flat_map(|t| &t.objects);
        let mut totals = [0.0; 5];
        items().for_each(|i| totals[i.class.map_or(4, Class::index)] += basis.weight(i));
        let drawn = Drawn::AtRandom { seed: seed? };
        Some(Audit { reviews, drawn, totals, readings: items().count() })
    }

    /// What an object of a class weighs on average; of any class where none was seen.
    fn typical(&self, class: Option<Class>, basis: Basis) -> f64 {
        let all = || self.statistics.trays.iter().flat_map(|t| &t.objects);
        let mean = |own: &dyn Fn(&&Item) -> bool| -> Option<f64> {
            let n = all().filter(own).count();
            (n > 0).then(|| all().filter(own).map(|i| basis.weight(i)).sum::<f64>() / n as f64)
        };
        mean(&|i| i.class == class).or_else(|| mean(&|_| true)).unwrap_or(1.0)
    }
}

/// A share of the trays' fruit as a share of all fruit, coarse debris included.
fn without_coarse(coarse: &CoarseDebris, share: &Share, level: Level) -> Result<Share, String> {
    // What is left beside the coarse debris is joined like debris: with a share of nothing else.
    let rest = Share {
        estimate: 1.0 - share.estimate,
        interval: Interval {
            low: 1.0 - share.interval.high,
            high: 1.0 - share.interval.low,
            ..share.interval
        },
        ..*share
    };
    let joined = join_coarse(coarse, &rest, level).map_err(|e| e.to_string())?;
    let (low, high) = (1.0 - joined.interval.high, 1.0 - joined.interval.low);
    let interval = Interval { low, high, ..joined.interval };
    Ok(Share { estimate: 1.0 - joined.estimate, interval, ..*share })
}

/// The verdict of the terms on the delivered lot.
fn judge(
    record: &LoadRecord,
    beside: &Beside,
    terms: &terms::Terms,
) -> Result<TermsVerdict, String> {
    let lot = match &record.lots[..] {
        [] => return Err("no verdict: no tray is in yet".to_owned()),
        [only] => only,
        lots => lots.iter().find(|l| l.lot == DELIVERED).ok_or_else(|| {
            format!("no verdict: none of the load's lots is named {DELIVERED}, the delivered fruit")
        })?,
    };
    if lot.trays.is_empty() {
        return Err(format!("no verdict: no tray of {} is in", lot.lot));
    }
    let net_kg = record.delivery.net_kg.ok_or_else(|| {
        "no verdict: the net mass is not recorded; enter the ticket with `acinus load delivery`"
            .to_owned()
    })?;
    let validated = beside.validation.as_ref().is_some_and(|v| v.validated);
    let counted = record
        .counted
        .iter()
        .map(|c| Counted {
            name: c.name.clone(),
            pieces: c.pieces.into(),
            sample_kg: c.sample_kg.to_f64(),
        })
        .collect();
    let delivery = terms::Delivery { net_kg, counted, validated };
    let statistics = statistics(record, lot, beside);
    let work = Work { record, lot, beside, statistics };
    let fault = std::cell::RefCell::new(None);
    let measured =
        |classes: &[Class], basis: Basis| match work.settle("", classes, basis, terms.confidence) {
            Ok(s) => Some(Measured {
                estimate: s.estimate,
                interval: (s.scope == Scope::Load).then_some(s.interval),
            }),
            Err(why) => {
                *fault.borrow_mut() = Some(why);
                None
            }
        };
    let verdict = terms::apply(terms, &delivery, measured);
    let why = fault.into_inner();
    verdict.map_err(|e| format!("no verdict: {}", why.unwrap_or(e)))
}

/// Fewest earlier loads that a design effect is learned from.
pub const LOADS_FOR_DESIGN_EFFECT: usize = 3;

/// A design effect learned from earlier loads.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct LearnedEffect {
    /// Mean of the loads' measured design effects of rejects by count, each at least 1.
    pub design_effect: f64,
    /// Loads that it comes from.
    pub loads: usize,
}

/// What the ledger's loads say of how much trays differ: the mean over loads of the measured design
/// effect of all rejects by count, each taken as at least 1 (trays can look too alike by chance).
/// Loads with fewer than three trays or bins say nothing. None below
/// [`LOADS_FOR_DESIGN_EFFECT`] loads.
///
/// # Errors
/// [`LedgerError`] when the ledger cannot be read.
pub fn design_effect(ledger: &Ledger) -> Result<Option<LearnedEffect>, LedgerError> {
    let mut effects = Vec::new();
    for summary in ledger.loads()? {
        let dossier = of_load(ledger, &summary.load)?;
        let lot = match &dossier.lots[..] {
            [only] => Some(only),
            lots => lots.iter().find(|l| l.lot == DELIVERED),
        };
        let share = lot.and_then(|l| l.figures.as_ref()).map(|f| f.rejects.by_count);
        let enough =
            share.filter(|s| s.scope == Scope::Load && s.parts.is_some_and(|p| p.clusters >= 3));
        effects.extend(enough.and_then(|s| s.design_effect).map(|e| e.max(1.0)));
    }
    let loads = effects.len();
    Ok((loads >= LOADS_FOR_DESIGN_EFFECT).then(|| LearnedEffect {
        design_effect: effects.iter().sum::<f64>() / loads as f64,
        loads,
    }))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::classify::Outcome;
    use crate::ledger::event::TrayRecorded;
    use crate::ledger::tests::{LAB, opened, tray};
    use crate::stats::testdata::close;

    /// Trays with so many rejects of so many objects, all of the same mass.
    fn load(ledger: &mut Ledger, name: &str, counts: &[(u32, u32)]) {
        ledger.open_load(opened(name), Delivery::default(), None, LAB).unwrap();
        for (i, &(rejects, of)) in counts.iter().enumerate() {
            let mut tray: TrayRecorded = tray(ledger, name, DELIVERED, i as u32 + 1, of);
            tray.bin = None;
            for object in &mut tray.objects {
                let class: Outcome =
                    Some(if object.object <= rejects { Class::Debris } else { Class::Sound });
                object.class = class;
            }
            ledger.record_tray(tray, LAB).unwrap();
        }
    }

    /// check-values.md section 4, own example of eight subsamples: design effect by R survey 4.1.1.
    #[test]
    fn a_design_effect_is_learned_from_three_loads_on() {
        let dir = tempfile::tempdir().unwrap();
        let mut ledger = Ledger::open_or_begin(&dir.path().join("l.sqlite")).unwrap();
        let counts =
            [(9, 104), (4, 97), (15, 112), (5, 88), (18, 121), (6, 95), (8, 103), (13, 110)];
        for name in ["A", "B"] {
            load(&mut ledger, name, &counts);
        }
        // Two trays say nothing of how much trays differ.
        load(&mut ledger, "C", &counts[..2]);
        assert_eq!(design_effect(&ledger).unwrap(), None);
        load(&mut ledger, "D", &counts);
        let learned = design_effect(&ledger).unwrap().unwrap();
        assert_eq!(learned.loads, 3);
        close(learned.design_effect, 1.936785921, 5e-10, "mean of three like loads");
    }

    /// The ledger's skin colour reaches the streams, and its measures the sorter's rule.
    #[test]
    fn streams_and_a_sorters_objects_come_out_of_the_ledger() {
        use crate::sorter::{Limit, Rule, apply};
        use crate::streams::{StreamSettings, balance};

        let dir = tempfile::tempdir().unwrap();
        let mut ledger = Ledger::open_or_begin(&dir.path().join("l.sqlite")).unwrap();
        ledger.open_load(opened("A"), Delivery::default(), None, LAB).unwrap();
        for (lot, fruit) in [(DELIVERED, "black"), ("SORTED", "black"), ("WASTE", "white")] {
            let tray = TrayRecorded { fruit: fruit.into(), ..tray(&ledger, "A", lot, 1, 60) };
            ledger.record_tray(tray, LAB).unwrap();
        }
        let streams = streams_of(&ledger, "A").unwrap();
        let fruits: Vec<_> = streams.iter().map(|s| (s.stream.name(), s.fruits[0])).collect();
        let (black, white) = (Some(Fruit::Black), Some(Fruit::White));
        // Lots by name.
        assert_eq!(fruits, [("sorted", black), ("unsorted", black), ("waste", white)]);
        let found = balance(&streams, &StreamSettings::default()).unwrap();
        assert!(found.alarms[0].contains("waste (tray 1) as white fruit"), "{:?}", found.alarms);

        assert_eq!(sort_lot(&ledger, "A", "ELSE").unwrap(), None);
        let lot = sort_lot(&ledger, "A", DELIVERED).unwrap().unwrap();
        let kept = tray(&ledger, "A", DELIVERED, 1, 60);
        assert_eq!((lot.trays.len(), lot.objects.len()), (1, kept.objects.len()));
        let names = crate::ledger::object::FIELD_NAMES;
        let place = |name: &str| names.iter().position(|n| *n == name).unwrap();
        for (limit, name, units) in [
            (Limit::MaxWrinkle, "wrinkle_milli", 1e3),
            (Limit::MaxLightness, "lightness_milli", 1e3),
            (Limit::MinA, "a_milli", 1e3),
            (Limit::MaxB, "b_milli", 1e3),
            (Limit::MaxGreenShare, "green_ppm", 1e6),
            (Limit::MinDiameterMm, "equivalent_diameter_um", 1e3),
        ] {
            for (o, k) in lot.objects.iter().zip(&kept.objects) {
                let wanted = k.values[place(name)].unwrap() as f64 / units;
                close(limit.value(o), wanted, 1e-12, name);
            }
        }
        let small = Rule { min_diameter_mm: Some(1e3), ..Rule::default() };
        assert_eq!(apply(&small, &lot).unwrap().picked, 60);
    }

    #[test]
    fn a_weight_that_cannot_be_the_trays_is_told() {
        let dir = tempfile::tempdir().unwrap();
        let mut ledger = Ledger::open_or_begin(&dir.path().join("l.sqlite")).unwrap();
        ledger.open_load(opened("A"), Delivery::default(), None, LAB).unwrap();
        let tray = tray(&ledger, "A", DELIVERED, 1, 50);
        ledger.record_tray(tray, LAB).unwrap();
        let cautions = |ledger: &Ledger| of_load(ledger, "A").unwrap().lots[0].cautions.join(" | ");
        let lots = lots_of(&ledger, "A").unwrap();
        let estimate: f64 = lots[0].trays[0].objects.iter().map(|o| o.mass_g).sum();
        let why = crate::ledger::Signed { why: Some("read again"), ..LAB };
        for (grams, told) in
            [(estimate * 1.1, false), (estimate / 20.0, true), (estimate * 3.0, true)]
        {
            let weighed = crate::ledger::event::TrayWeighed {
                load: "A".into(),
                lot: DELIVERED.into(),
                tray: 1,
                weighed_g: Some(format!("{grams:.1}").parse().unwrap()),
                class_g: [None; 4],
            };
            ledger.say_one(crate::ledger::event::Event::TrayWeighed(weighed), why).unwrap();
            let words = cautions(&ledger);
            assert_eq!(words.contains("typed right"), told, "{grams}: {words}");
        }
    }

    #[test]
    fn lots_from_different_places_are_compared_with_a_warning_only() {
        let dir = tempfile::tempdir().unwrap();
        let mut ledger = Ledger::open_or_begin(&dir.path().join("l.sqlite")).unwrap();
        let delivery = Delivery { sampling_point: Some(SamplingPoint::Bin), ..Delivery::default() };
        ledger.open_load(opened("A"), delivery, None, LAB).unwrap();
        let mut add = |lot: &str| {
            let tray = tray(&ledger, "A", lot, 1, 50);
            ledger.record_tray(tray, LAB).unwrap();
            of_load(&ledger, "A").unwrap().cautions.join(" | ")
        };
        assert!(!add(DELIVERED).contains("sampl"));
        assert!(add("SORTED").contains("the sampling point of some lots is not recorded"));
        let described = crate::ledger::event::LotDescribed {
            load: "A".into(),
            lot: "SORTED".into(),
            sampling_point: SamplingPoint::AfterDestemmer,
        };
        ledger.say_one(crate::ledger::event::Event::LotDescribed(described), LAB).unwrap();
        let cautions = of_load(&ledger, "A").unwrap().cautions.join(" | ");
        assert!(cautions.contains("UNSORTED at bin, SORTED at after-destemmer"), "{cautions}");
    }
}
