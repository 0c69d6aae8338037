//! Grower and winery, each blind to the other: how far they agree, what each one's eyes make of the
//! load in figures and in money, and what follows when both accept.

use std::collections::BTreeMap;

use serde::Serialize;
use serde_json::{Value, json};

use crate::classify::Class;
use crate::dossier::{self, Dossier, LotDossier};
use crate::ledger::archive::sha256_hex;
use crate::ledger::canonical::{canonical, without_floats};
use crate::ledger::event::{
    Event, ObjectCorrected, OutlinesChanged, Party, ReviewRecorded, Reviewed, outcome_word,
};
use crate::ledger::object::FIELD_NAMES;
use crate::ledger::record::{JudgementRecord, LoadRecord, LotRecord, PartiesRecord};
use crate::ledger::{Ledger, LedgerError, PROGRAM};
use crate::load::Seen;
use crate::stats::{Interval, KappaWeights, Level, cohens_kappa, positive_agreement};
use crate::terms::Decimal;

/// What can be seen in a place, in the order of every table here.
pub const KINDS: [Seen; 6] = [
    Seen::Class(Class::Sound),
    Seen::Class(Class::Shriveled),
    Seen::Class(Class::Underripe),
    Seen::Class(Class::Debris),
    Seen::Unassigned,
    Seen::Nothing,
];

/// The word of what was seen.
pub fn word(seen: Seen) -> &'static str {
    match seen {
        Seen::Class(class) => class.name(),
        Seen::Unassigned => outcome_word(None),
        Seen::Nothing => "nothing",
    }
}

/// What a word means.
pub fn seen_of(text: &str) -> Option<Seen> {
    KINDS.into_iter().find(|k| word(*k) == text)
}

fn index(seen: Seen) -> usize {
    KINDS.iter().position(|k| *k == seen).unwrap_or(KINDS.len() - 1)
}

/// Agreement on one kind.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct KindAgreement {
    /// The kind.
    pub class: &'static str,
    /// Positive agreement: twice the objects that both saw so, over those that each saw so; none
    /// where neither saw one.
    pub positive: Option<f64>,
    /// Its interval's ends.
    pub low: Option<f64>,
    /// See `low`.
    pub high: Option<f64>,
    /// Objects that both saw so.
    pub both: u64,
    /// Objects that only the grower saw so.
    pub grower_only: u64,
    /// Objects that only the winery saw so.
    pub winery_only: u64,
}

/// Cohen's kappa with its interval.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct KappaFigures {
    /// Kappa.
    pub kappa: f64,
    /// Its interval's ends.
    pub low: f64,
    /// See `low`.
    pub high: f64,
    /// Its standard error.
    pub standard_error: f64,
}

/// How far two parties agree.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Agreement {
    /// Objects that both judged.
    pub objects: u64,
    /// Those judged alike.
    pub agreed: u64,
    /// Their share.
    pub observed: Option<f64>,
    /// Kappa; none where it has no value.
    pub kappa: Option<KappaFigures>,
    /// Why there is none.
    pub no_kappa: Option<String>,
    /// Kind by kind, in the order of [`KINDS`].
    pub classes: Vec<KindAgreement>,
    /// Counts: rows the grower's word, columns the winery's, in the order of [`KINDS`].
    pub table: Vec<Vec<u64>>,
}

/// Works out how far the parties agree on the objects that both judged.
pub fn agreement(judgements: &[JudgementRecord], level: Level) -> Agreement {
    let mut table = vec![vec![0u64; KINDS.len()]; KINDS.len()];
    for j in judgements {
        if let [Some(grower), Some(winery)] = j.human {
            table[index(grower)][index(winery)] += 1;
        }
    }
    let objects: u64 = table.iter().flatten().sum();
    let agreed: u64 = (0..KINDS.len()).map(|k| table[k][k]).sum();
    let classes = (0..KINDS.len())
        .map(|k| {
            let both = table[k][k];
            let grower_only = table[k].iter().sum::<u64>() - both;
            let winery_only = table.iter().map(|row| row[k]).sum::<u64>() - both;
            let found = positive_agreement(both, grower_only, winery_only, level).ok();
            KindAgreement {
                class: word(KINDS[k]),
                positive: found.map(|f| f.0),
                low: found.map(|f| f.1.low),
                high: found.map(|f| f.1.high),
                both,
                grower_only,
                winery_only,
            }
        })
        .collect();
    let (kappa, no_kappa) = match cohens_kappa(&table, KappaWeights::Unweighted) {
        // Kappa is 0 then with no spread, whatever the other party saw: it would look exact.
        Ok(_) if said_one_thing(&table) => {
            (None, Some("one party said the same of every object: kappa tells nothing".to_owned()))
        }
        Ok(found) => {
            let Interval { low, high, .. } = found.interval(level);
            let (kappa, standard_error) = (found.kappa, found.standard_error);
            (Some(KappaFigures { kappa, low, high, standard_error }), None)
        }
        Err(error) => (None, Some(error.to_string())),
    };
    let observed = (objects > 0).then(|| agreed as f64 / objects as f64);
    Agreement { objects, agreed, observed, kappa, no_kappa, classes, table }
}

/// Whether one of the parties used one kind only.
fn said_one_thing(table: &[Vec<u64>]) -> bool {
    let rows = table.iter().filter(|row| row.iter().any(|n| *n > 0)).count();
    let columns = (0..table.len()).filter(|&k| table.iter().any(|row| row[k] > 0)).count();
    rows == 1 || columns == 1
}

/// Whose eyes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Eyes {
    /// One party's.
    Of(Party),
    /// Both: where they agree, and where they settled.
    Both,
}

/// What was seen in each object: by tray entry and number. With the eyes of both, objects that are
/// not settled yet are left out.
pub fn seen(judgements: &[JudgementRecord], eyes: Eyes) -> BTreeMap<(u64, u32), Seen> {
    let one = |j: &JudgementRecord| match (eyes, j.human) {
        (Eyes::Of(party), human) => human[party as usize],
        (Eyes::Both, [Some(a), Some(b)]) if a == b => Some(a),
        (Eyes::Both, _) => j.settled,
    };
    judgements.iter().filter_map(|j| Some(((j.tray, j.object), one(j)?))).collect()
}

/// The load as it would be if what was seen were taken over: the classes of all objects, where all
/// were looked at; else the review of a random part of them.
pub fn with(
    record: &LoadRecord,
    review: &PartiesRecord,
    seen: &BTreeMap<(u64, u32), Seen>,
) -> LoadRecord {
    let mut record = record.clone();
    let own = |l: &&mut LotRecord| l.parties.iter().any(|p| p.begun.entry == review.begun.entry);
    let Some(lot) = record.lots.iter_mut().find(own) else { return record };
    if !review.whole {
        let answers = review.draw.objects.iter().filter_map(|&(entry, tray, object)| {
            let human = *seen.get(&(entry, object))?;
            Some((entry, Reviewed { tray, object: Some(object), human }))
        });
        let answers = answers.collect();
        let own =
            |d: &&mut crate::ledger::record::DrawRecord| d.drawn.entry == review.draw.drawn.entry;
        if let Some(draw) = lot.draws.iter_mut().find(own) {
            draw.reviewed = Some((review.begun.clone(), answers));
        }
        return record;
    }
    for tray in &mut lot.trays {
        let entry = tray.recorded.entry;
        tray.objects.retain(|o| seen.get(&(entry, o.object)) != Some(&Seen::Nothing));
        for object in &mut tray.objects {
            let class = match seen.get(&(entry, object.object)) {
                Some(Seen::Class(class)) => Some(*class),
                Some(Seen::Unassigned) => None,
                _ => continue,
            };
            if object.item.class != class {
                object.item.class = class;
                object.corrected = Some(review.begun.entry);
            }
        }
    }
    record
}

/// The figures that a party accepts: the lot's shares by mass that count, the verdict, what is paid.
pub fn figures(dossier: &Dossier, lot: &str) -> Value {
    let shares = dossier.lots.iter().find(|l| l.lot == lot).map_or_else(Vec::new, counting);
    let verdict = dossier.verdict.as_ref();
    without_floats(json!({
        "load": dossier.load, "lot": lot, "shares_by_mass": shares, "outcome": dossier.outcome(),
        "amount": verdict.and_then(|v| v.settlement.amount),
        "paid_kg": verdict.map(|v| v.settlement.paid_kg),
    }))
}

fn counting(lot: &LotDossier) -> Vec<Value> {
    let row = |name: &str, estimate: f64, interval: &Interval| json!({"name": name, "estimate": estimate, "low": interval.low, "high": interval.high});
    if !lot.settled.is_empty() {
        return lot.settled.iter().map(|s| row(s.name, s.estimate, &s.interval)).collect();
    }
    let Some(found) = &lot.figures else { return Vec::new() };
    let names = Class::ALL.iter().map(|c| c.name()).chain(["rejects"]);
    let rows = names.enumerate().map(|(k, name)| {
        let share = &found.row(k).by_mass;
        row(name, share.estimate, &share.interval)
    });
    rows.collect()
}

/// The hash by which figures are accepted: SHA-256 of their canonical form.
///
/// # Errors
/// When they hold a fraction that is no decimal string.
pub fn hash(figures: &Value) -> Result<String, LedgerError> {
    let text = canonical(figures)
        .map_err(|e| LedgerError::Exchange { path: "the figures".into(), why: e.to_string() })?;
    Ok(sha256_hex(text.as_bytes()))
}

/// Everything that is known of a review whose parties have both finished.
#[derive(Debug, Clone)]
pub struct Outlook {
    /// The load.
    pub record: LoadRecord,
    /// The review.
    pub review: PartiesRecord,
    /// Its lot.
    pub lot: String,
    /// What was seen.
    pub judgements: Vec<JudgementRecord>,
    /// How far they agree.
    pub agreement: Agreement,
    /// The load by the grower's eyes, by the winery's.
    pub sides: [Dossier; 2],
    /// The load by both, as far as they agree and have settled.
    pub both: Dossier,
}

impl Outlook {
    /// Objects that they saw differently.
    pub fn differing(&self) -> impl Iterator<Item = &JudgementRecord> {
        self.judgements.iter().filter(|j| matches!(j.human, [Some(a), Some(b)] if a != b))
    }

    /// Objects that they have not settled yet.
    pub fn unsettled(&self) -> usize {
        self.differing().filter(|j| j.settled.is_none()).count()
    }

    /// Whether the lot's figures follow what the parties saw: where only a part was looked at, too
    /// few objects correct nothing.
    pub fn follows(&self) -> bool {
        let corrected = |d: &Dossier| {
            let lot = d.lots.iter().find(|l| l.lot == self.lot);
            lot.is_some_and(|l| l.settled.iter().any(|s| s.corrected))
        };
        self.review.whole || self.sides.iter().any(corrected)
    }

    /// What each party's eyes come to in money: grower, winery, and grower less winery. None without
    /// a price, and where the figures do not follow what they saw.
    pub fn money(&self) -> Option<[Decimal; 3]> {
        if !self.follows() {
            return None;
        }
        let amount = |d: &Dossier| d.verdict.as_ref()?.settlement.amount;
        let (grower, winery) = (amount(&self.sides[0])?, amount(&self.sides[1])?);
        Some([grower, winery, grower.minus(winery)])
    }

    /// The figures by both as they stand.
    pub fn figures_now(&self) -> Value {
        figures(&self.both, &self.lot)
    }

    /// What is sealed at the close.
    ///
    /// # Errors
    /// When the figures cannot be hashed.
    pub fn sealed(&self) -> Result<Value, LedgerError> {
        let r = &self.review;
        let agreed = r.outcome.as_deref() == Some("agreed");
        let now = self.figures_now();
        let side = |k: usize| {
            let p = &r.parties[k];
            json!({
                "name": p.name, "finished": p.finished, "accepted": p.accepted,
                "accepted_figures": p.figures, "refused": p.refused,
                "figures": figures(&self.sides[k], &self.lot)
            })
        };
        let sha256 = if agreed { Some(hash(&now)?) } else { None };
        let value = json!({
            "review": r.begun.entry, "lot": self.lot, "outcome": r.outcome, "whole": r.whole,
            "seed": r.draw.seed.to_string(), "drawn": r.draw.objects.len(), "of": r.draw.of,
            "grower": side(0), "winery": side(1), "agreement": self.agreement,
            "figures": agreed.then_some(now), "sha256": sha256
        });
        Ok(without_floats(value))
    }
}

/// The last review by both parties of any lot of a load.
pub fn last(record: &LoadRecord) -> Option<(&LotRecord, &PartiesRecord)> {
    let all = record.lots.iter().flat_map(|l| l.parties.iter().map(move |p| (l, p)));
    all.max_by_key(|(_, p)| p.begun.entry)
}

/// Works out what is known of a review.
///
/// # Errors
/// [`LedgerError`] when the ledger cannot be read.
pub fn outlook(
    ledger: &Ledger,
    record: LoadRecord,
    review: PartiesRecord,
) -> Result<Outlook, LedgerError> {
    let own = |l: &&LotRecord| l.parties.iter().any(|p| p.begun.entry == review.begun.entry);
    let lot = record.lots.iter().find(own).map_or_else(String::new, |l| l.lot.clone());
    let judgements = ledger.judgements(review.begun.entry)?;
    let beside = dossier::beside(ledger, &record)?;
    let by = |eyes| {
        let eyes = seen(&judgements, eyes);
        dossier::dossier(&with(&record, &review, &eyes), &beside)
    };
    Ok(Outlook {
        agreement: agreement(&judgements, Level::P95),
        sides: [by(Eyes::Of(Party::Grower)), by(Eyes::Of(Party::Winery))],
        both: by(Eyes::Both),
        lot,
        judgements,
        record,
        review,
    })
}

/// What the ledger is told of the objects once both have accepted: the review of the drawn part, or,
/// where all were looked at, each object's class and those that are none.
pub fn taken_over(outlook: &Outlook) -> Vec<Event> {
    let (record, review) = (&outlook.record, &outlook.review);
    let (load, lot) = (record.load.clone(), outlook.lot.clone());
    let seen = seen(&outlook.judgements, Eyes::Both);
    if !review.whole {
        let answer = |&(entry, tray, object): &(u64, u32, u32)| {
            let human = *seen.get(&(entry, object))?;
            Some(Reviewed { tray, object: Some(object), human })
        };
        let reviewed = review.draw.objects.iter().filter_map(answer).collect();
        let draw = review.draw.drawn.entry;
        return vec![Event::ReviewRecorded(ReviewRecorded { load, lot, draw, reviewed })];
    }
    let trays = record.lots.iter().filter(|l| l.lot == lot).flat_map(|l| &l.trays);
    let mut events = Vec::new();
    for tray in trays {
        let mut gone = Vec::new();
        for object in &tray.objects {
            let class = match seen.get(&(tray.recorded.entry, object.object)) {
                Some(Seen::Class(class)) => Some(*class),
                Some(Seen::Unassigned) => None,
                Some(Seen::Nothing) => {
                    gone.push(object.object);
                    continue;
                }
                None => continue,
            };
            if class != object.item.class {
                let (load, lot, object) = (load.clone(), lot.clone(), object.object);
                let tray = tray.tray;
                let said = ObjectCorrected { load, lot, tray, object, class, confirmed: false };
                events.push(Event::ObjectCorrected(said));
            }
        }
        if !gone.is_empty() {
            events.push(Event::OutlinesChanged(OutlinesChanged {
                load: load.clone(),
                lot: lot.clone(),
                tray: tray.tray,
                action: "remove".to_owned(),
                gone,
                profile: tray.profile.clone(),
                program: PROGRAM.to_owned(),
                fields: FIELD_NAMES.iter().map(|n| (*n).to_owned()).collect(),
                come: Vec::new(),
                outlines: Vec::new(),
                given: None,
            }));
        }
    }
    events
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::testdata::close;

    fn judged(pairs: &[(Seen, Seen, u64)]) -> Vec<JudgementRecord> {
        let mut all = Vec::new();
        for &(grower, winery, times) in pairs {
            for _ in 0..times {
                let object = all.len() as u32 + 1;
                let human = [Some(grower), Some(winery)];
                let tags = Default::default();
                all.push(JudgementRecord { tray: 5, object, human, tags, settled: None });
            }
        }
        all
    }

    const SOUND: Seen = Seen::Class(Class::Sound);
    const SHRIVELED: Seen = Seen::Class(Class::Shriveled);

    /// check-values.md section 6: the table 20, 5, 10, 15 has kappa 0.4 with standard error
    /// 0.1269960629 (a textbook's, from memory); positive agreement by hand: 2·20/(2·20+15).
    #[test]
    fn a_textbook_table() {
        let all = judged(&[
            (SOUND, SOUND, 20),
            (SOUND, SHRIVELED, 5),
            (SHRIVELED, SOUND, 10),
            (SHRIVELED, SHRIVELED, 15),
        ]);
        let found = agreement(&all, Level::P95);
        assert_eq!((found.objects, found.agreed), (50, 35));
        let kappa = found.kappa.unwrap();
        close(kappa.kappa, 0.4, 1e-12, "kappa");
        close(kappa.low, 0.4 - 1.959963985 * 0.1269960629, 1e-9, "low");
        close(found.classes[0].positive.unwrap(), 40.0 / 55.0, 1e-12, "sound");
        close(found.classes[1].positive.unwrap(), 30.0 / 45.0, 1e-12, "shriveled");
        assert_eq!(found.classes[3].positive, None);
        assert_eq!((found.classes[0].grower_only, found.classes[0].winery_only), (5, 10));
    }

    /// Where nearly all fruit is sound kappa is low although they agree on 96 of 100: what positive
    /// agreement is shown for.
    #[test]
    fn kappa_alone_misleads() {
        let all = judged(&[(SOUND, SOUND, 96), (SOUND, SHRIVELED, 2), (SHRIVELED, SOUND, 2)]);
        let found = agreement(&all, Level::P95);
        assert!(found.kappa.unwrap().kappa < 0.0);
        assert!(found.classes[0].positive.unwrap() > 0.97);
        let alike = agreement(&judged(&[(SOUND, SOUND, 9)]), Level::P95);
        assert!(alike.kappa.is_none() && alike.no_kappa.is_some());
        let one = agreement(&judged(&[(SOUND, SOUND, 11), (SHRIVELED, SOUND, 1)]), Level::P95);
        assert!(one.kappa.is_none() && one.no_kappa.is_some());
        assert_eq!(agreement(&[], Level::P95).observed, None);
    }

    #[test]
    fn whose_eyes() {
        let mut all = judged(&[(SOUND, SOUND, 1), (SOUND, SHRIVELED, 2)]);
        all[2].settled = Some(Seen::Nothing);
        assert_eq!(seen(&all, Eyes::Of(Party::Winery)).len(), 3);
        let both = seen(&all, Eyes::Both);
        assert_eq!(both.len(), 2);
        assert_eq!((both[&(5, 1)], both[&(5, 3)]), (SOUND, Seen::Nothing));
        for kind in KINDS {
            assert_eq!(seen_of(word(kind)), Some(kind));
        }
    }
}
