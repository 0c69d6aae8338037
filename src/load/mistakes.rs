//! Shares corrected for the classifier's known mistakes.
//!
//! From a random, seeded subset of readings that a person reviewed, two corrections are worked
//! out, and the one with the smaller variance is taken:
//!
//! * the **difference estimator**: all readings, plus the mean of human minus machine on the
//!   subset, scaled up (Cochran 1977, sec. 7.11; Särndal, Swensson and Wretman 1992, sec. 6.3);
//! * **Rogan-Gladen** generalised to all classes: apparent totals are Pᵀ times true totals, P being
//!   the confusion table's rows; solved exactly where that is valid, else by the constrained
//!   maximum likelihood (EM), so that no share leaves 0 to 1. Two classes give Rogan and Gladen's
//!   formula and standard error.
//!
//! The confusion table has a row and a column `nothing` for false, missed and merged objects (a
//! merged pair is one pair and one missed object). A subset taken "least certain first" is biased
//! and refused. Trays that were reviewed whole need no correction: give their human classes as
//! they are.

use super::REJECTS;
use super::share::Share;
use crate::classify::{Class, Outcome};
use crate::stats::{Interval, Level, StatsError};
use nalgebra::DMatrix;

/// What a judge saw in a place.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Seen {
    /// An object of a class.
    Class(Class),
    /// An object of no class.
    Unassigned,
    /// No object.
    Nothing,
}

impl From<Outcome> for Seen {
    fn from(outcome: Outcome) -> Self {
        outcome.map_or(Seen::Unassigned, Seen::Class)
    }
}

/// Kinds in the order of the table: the classes, unassigned, nothing.
const KINDS: usize = 6;
const OBJECT_KINDS: usize = 5;
const NOTHING: usize = 5;

impl Seen {
    fn index(self) -> usize {
        match self {
            Seen::Class(class) => class_index(class),
            Seen::Unassigned => 4,
            Seen::Nothing => NOTHING,
        }
    }
}

fn class_index(class: Class) -> usize {
    match class {
        Class::Sound => 0,
        Class::Shriveled => 1,
        Class::Underripe => 2,
        Class::Debris => 3,
    }
}

/// One reviewed place.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Review {
    /// What the program read.
    pub machine: Seen,
    /// What the person saw.
    pub human: Seen,
    /// Its weight: 1 by count, grams by mass.
    pub weight: f64,
}

/// How the reviewed readings were chosen.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Drawn {
    /// At random, by a recorded seed.
    AtRandom {
        /// The seed.
        seed: u64,
    },
    /// By how uncertain the classifier was: biased, no correction can come of it.
    LeastCertainFirst,
}

/// The reviewed subset and the readings it was drawn from.
#[derive(Debug, Clone, PartialEq)]
pub struct Audit {
    /// Reviewed places. Those whose machine side is `Nothing` are missed objects met on the way.
    pub reviews: Vec<Review>,
    /// How they were chosen.
    pub drawn: Drawn,
    /// Weight of all readings by machine outcome, the reviewed ones included: sound, shriveled,
    /// underripe, debris, unassigned.
    pub totals: [f64; OBJECT_KINDS],
    /// Number of all readings.
    pub readings: usize,
}

/// Which shares are corrected together.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Target {
    /// One class.
    Class(Class),
    /// All rejects.
    Rejects,
    /// Several classes together: which of [`Class::ALL`].
    Classes([bool; 4]),
}

impl Target {
    fn holds(self, kind: usize) -> bool {
        match self {
            Target::Class(class) => class_index(class) == kind,
            Target::Rejects => REJECTS.iter().any(|&c| class_index(c) == kind),
            Target::Classes(which) => which.get(kind).copied().unwrap_or(false),
        }
    }
}

/// Which correction was taken.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum CorrectionMethod {
    /// All readings plus mean human minus machine.
    Difference,
    /// Rogan-Gladen over all classes.
    RoganGladen,
}

/// A corrected share.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct Correction {
    /// The share before.
    pub apparent: f64,
    /// The share after, 0 to 1.
    pub estimate: f64,
    /// Interval that carries sampling and correction.
    pub interval: Interval,
    /// Which correction was taken.
    pub method: CorrectionMethod,
    /// Standard error that the correction adds.
    pub correction_standard_error: f64,
    /// Confusion table by number of objects: rows human, columns machine; sound, shriveled,
    /// underripe, debris, unassigned, nothing.
    pub table: [[u32; KINDS]; KINDS],
    /// Why the correction is too weak to trust; empty when it is not.
    pub weak: Vec<String>,
}

/// Fewest reviewed readings for a correction that can be trusted.
const LEAST_REVIEWED: usize = 100;
/// Fewest reviewed objects that truly are of the target.
const LEAST_OF_TARGET: usize = 10;
/// Recall below which a class is hardly told apart.
const LEAST_RECALL: f64 = 0.6;

/// Corrects a share for the mistakes that the audit shows. `share` is the apparent share with its
/// interval; sampling and correction are combined by squares of their distances to the limits
/// (MOVER, Zou and Donner 2008, Stat Med 27:1693-1702).
///
/// # Errors
/// When the subset was not drawn at random, holds fewer than two readings, or a weight cannot be.
pub fn correct(
    share: &Share,
    audit: &Audit,
    target: Target,
    level: Level,
) -> Result<Correction, StatsError> {
    let table = Table::of(audit)?;
    let difference = difference(audit, target, share.estimate);
    let rogan_gladen = rogan_gladen(audit, &table, target, Smoothing::Jeffreys);
    let z = level.z();
    let sampling = 0.5 * share.interval.width() / z;
    let spread = |part: &Part| part.variance + (part.slope * sampling).powi(2);
    // The totals weigh every tray alike; the apparent share may weigh bins. Its distance to the
    // plain share is carried along.
    let machine: f64 =
        (0..OBJECT_KINDS).filter(|&k| target.holds(k)).map(|k| audit.totals[k]).sum();
    let plain = machine / audit.totals.iter().sum::<f64>();
    let rogan_gladen = rogan_gladen.map(|part| Part {
        estimate: part.estimate + part.slope * (share.estimate - plain),
        ..part
    });
    let (method, part) = match rogan_gladen {
        Some(solved) if spread(&solved) < spread(&difference) => {
            (CorrectionMethod::RoganGladen, solved)
        }
        _ => (CorrectionMethod::Difference, difference),
    };
    let added = z * part.variance.sqrt();
    let estimate = part.estimate.clamp(0.0, 1.0);
    let below = part.slope * (share.estimate - share.interval.low);
    let above = part.slope * (share.interval.high - share.estimate);
    let interval = Interval {
        low: (part.estimate - below.hypot(added)).clamp(0.0, 1.0),
        high: (part.estimate + above.hypot(added)).clamp(0.0, 1.0),
        level,
    };
    Ok(Correction {
        apparent: share.estimate,
        estimate,
        interval,
        method,
        correction_standard_error: part.variance.sqrt(),
        weak: weak(&table, audit, target, part.variance.sqrt(), sampling),
        table: table.counts,
    })
}

/// A correction before it is joined to the sampling.
struct Part {
    estimate: f64,
    /// Variance that the correction adds.
    variance: f64,
    /// How far the corrected share moves when the apparent one does.
    slope: f64,
}

/// Counts and weights of the reviewed places, rows human, columns machine.
struct Table {
    counts: [[u32; KINDS]; KINDS],
    weights: [[f64; KINDS]; KINDS],
    squares: [f64; KINDS],
}

impl Table {
    fn of(audit: &Audit) -> Result<Self, StatsError> {
        if audit.drawn == Drawn::LeastCertainFirst {
            return Err(StatsError::Shape(
                "a review of the least certain objects first is biased: draw the objects to \
                 review at random, by a recorded seed",
            ));
        }
        let mut table = Table {
            counts: [[0; KINDS]; KINDS],
            weights: [[0.0; KINDS]; KINDS],
            squares: [0.0; KINDS],
        };
        for review in &audit.reviews {
            let (human, machine) = (review.human.index(), review.machine.index());
            if !(review.weight >= 0.0 && review.weight.is_finite()) {
                return Err(StatsError::Range {
                    name: "weight of a reviewed object",
                    value: review.weight,
                    range: "0 or more",
                });
            }
            table.counts[human][machine] += 1;
            table.weights[human][machine] += review.weight;
            table.squares[human] += review.weight * review.weight;
        }
        let reviewed = table.reviewed();
        if reviewed < 2 || audit.readings < reviewed {
            return Err(StatsError::TooFew {
                what: "a correction from reviewed readings of all readings",
                needed: reviewed.max(2),
                found: audit.readings.min(reviewed),
            });
        }
        if audit.totals.iter().any(|t| !(*t >= 0.0 && t.is_finite()))
            || audit.totals.iter().sum::<f64>() <= 0.0
        {
            return Err(StatsError::Shape("the readings' totals must be 0 or more and not all 0"));
        }
        Ok(table)
    }

    /// Reviewed readings: places where the program saw something.
    fn reviewed(&self) -> usize {
        self.counts.iter().map(|row| row[..NOTHING].iter().sum::<u32>() as usize).sum()
    }

    fn row_count(&self, human: usize) -> u32 {
        self.counts[human].iter().sum()
    }

    /// Kish's effective number of a row.
    fn effective(&self, human: usize) -> f64 {
        let sum: f64 = self.weights[human].iter().sum();
        if self.squares[human] > 0.0 { sum * sum / self.squares[human] } else { 0.0 }
    }

    /// P(machine | human); a class that was not met among the reviewed is taken to be read right.
    fn row(&self, human: usize) -> [f64; KINDS] {
        let sum: f64 = self.weights[human].iter().sum();
        let mut row = [0.0; KINDS];
        if sum > 0.0 {
            (0..KINDS).for_each(|k| row[k] = self.weights[human][k] / sum);
        } else {
            row[human] = 1.0;
        }
        row
    }
}

/// The difference estimator.
///
/// Linearised with e = (human − machine) in the target − R·(human − machine) of any kind, per
/// reviewed place; v = (1−f)·(N/n)²·u/(u−1)·Σ(e−ē)²/X². So that a subset without a mistake does
/// not claim that there are none, one mistake each way of the target's mean weight is added to the
/// sum of squares (in the spirit of Agresti and Caffo 2000).
fn difference(audit: &Audit, target: Target, apparent: f64) -> Part {
    let of = |seen: Seen, weight: f64| {
        let kind = seen.index();
        let object = if kind == NOTHING { 0.0 } else { weight };
        (if target.holds(kind) { weight } else { 0.0 }, object)
    };
    let reviewed = audit.reviews.iter().filter(|r| r.machine != Seen::Nothing).count() as f64;
    let all = audit.readings as f64;
    let up = all / reviewed;
    let machine_y: f64 =
        (0..OBJECT_KINDS).filter(|&k| target.holds(k)).map(|k| audit.totals[k]).sum();
    let machine_x: f64 = audit.totals.iter().sum();
    let gaps: Vec<(f64, f64)> = audit
        .reviews
        .iter()
        .map(|r| {
            let (human, machine) = (of(r.human, r.weight), of(r.machine, r.weight));
            (human.0 - machine.0, human.1 - machine.1)
        })
        .collect();
    let y = machine_y + up * gaps.iter().map(|g| g.0).sum::<f64>();
    let x = machine_x + up * gaps.iter().map(|g| g.1).sum::<f64>();
    // Sampling may weigh trays and bins: carry the correction as a shift of the apparent share.
    let shift = y / x - machine_y / machine_x;
    let r = y / x;
    let e: Vec<f64> = gaps.iter().map(|g| g.0 - r * g.1).collect();
    let units = e.len() as f64;
    let mean = e.iter().sum::<f64>() / units;
    let mut squares: f64 = e.iter().map(|v| (v - mean).powi(2)).sum();
    let own = audit
        .reviews
        .iter()
        .filter(|r| target.holds(r.human.index()) || target.holds(r.machine.index()));
    let (count, sum) = own.fold((0.0, 0.0), |(n, s), r| (n + 1.0, s + r.weight));
    let typical = if count > 0.0 { sum / count } else { machine_x / all };
    squares += 2.0 * typical * typical;
    let missing = (1.0 - reviewed / all).max(0.0);
    let variance = missing * up * up * units / (units - 1.0) * squares / (x * x);
    Part { estimate: apparent + shift, variance, slope: 1.0 }
}

/// Whether rows of the table are smoothed for their variance.
#[derive(Clone, Copy, PartialEq)]
enum Smoothing {
    /// Half an object is added to every cell, so that a row without a mistake has a variance.
    Jeffreys,
    /// As counted; for comparison with textbook formulas.
    #[cfg(test)]
    None,
}

/// Rogan-Gladen over all kinds of object; None when the table cannot be inverted.
fn rogan_gladen(
    audit: &Audit,
    table: &Table,
    target: Target,
    smoothing: Smoothing,
) -> Option<Part> {
    // False objects first: their part of every machine kind, from the audit itself.
    let mut apparent = [0.0; OBJECT_KINDS];
    let mut false_share = [0.0; OBJECT_KINDS];
    for k in 0..OBJECT_KINDS {
        let seen: f64 = (0..KINDS).map(|j| table.weights[j][k]).sum();
        false_share[k] = if seen > 0.0 { table.weights[NOTHING][k] / seen } else { 0.0 };
        apparent[k] = audit.totals[k] * (1.0 - false_share[k]);
    }
    let rows: Vec<[f64; KINDS]> = (0..OBJECT_KINDS).map(|j| table.row(j)).collect();
    let transposed = DMatrix::from_fn(OBJECT_KINDS, OBJECT_KINDS, |k, j| rows[j][k]);
    let inverse = transposed.clone().try_inverse()?;
    let solved: Vec<f64> = (0..OBJECT_KINDS)
        .map(|j| (0..OBJECT_KINDS).map(|k| inverse[(j, k)] * apparent[k]).sum())
        .collect();
    let truth =
        if solved.iter().all(|t| *t >= 0.0) { solved } else { constrained(&rows, &apparent) };
    let total: f64 = truth.iter().sum();
    if total.is_nan() || total <= 0.0 {
        return None;
    }
    let estimate =
        truth.iter().enumerate().filter(|(j, _)| target.holds(*j)).map(|(_, t)| t).sum::<f64>()
            / total;
    // c: how the corrected share moves with each apparent total.
    let gradient: Vec<f64> = (0..OBJECT_KINDS)
        .map(|j| (if target.holds(j) { 1.0 - estimate } else { -estimate }) / total)
        .collect();
    let c: Vec<f64> = (0..OBJECT_KINDS)
        .map(|k| (0..OBJECT_KINDS).map(|j| inverse[(j, k)] * gradient[j]).sum())
        .collect();
    let mut variance = 0.0;
    for (j, row) in rows.iter().enumerate() {
        let n = table.effective(j).max(1.0);
        let (row, n) = match smoothing {
            Smoothing::Jeffreys => {
                let added = 0.5 * KINDS as f64;
                (row.map(|p| (n * p + 0.5) / (n + added)), n + added)
            }
            #[cfg(test)]
            Smoothing::None => (*row, n),
        };
        let mean: f64 = (0..OBJECT_KINDS).map(|k| c[k] * row[k]).sum();
        let square: f64 = (0..OBJECT_KINDS).map(|k| c[k] * c[k] * row[k]).sum();
        variance += truth[j] * truth[j] * (square - mean * mean).max(0.0) / n;
    }
    for (k, weight) in c.iter().enumerate() {
        let n: u32 = (0..KINDS).map(|j| table.counts[j][k]).sum();
        if n > 0 && smoothing == Smoothing::Jeffreys {
            let n = f64::from(n);
            let p = (n * false_share[k] + 0.5) / (n + 1.0);
            variance += (weight * audit.totals[k]).powi(2) * p * (1.0 - p) / (n + 1.0);
        }
    }
    let (mut inside, mut outside) = ((0.0, 0.0), (0.0, 0.0));
    for (k, (weight, total)) in c.iter().zip(audit.totals).enumerate() {
        let side = if target.holds(k) { &mut inside } else { &mut outside };
        side.0 += weight * total;
        side.1 += total;
    }
    let part = |(moved, sum): (f64, f64)| if sum > 0.0 { moved / sum } else { 0.0 };
    let slope = (part(inside) - part(outside)) * audit.totals.iter().sum::<f64>();
    Some(Part { estimate, variance, slope: slope.abs() })
}

/// Maximum likelihood totals that are none below 0: the EM steps of a mixture with known rows,
/// part of whose objects go unseen.
fn constrained(rows: &[[f64; KINDS]], apparent: &[f64; OBJECT_KINDS]) -> Vec<f64> {
    let total: f64 = apparent.iter().sum();
    let mut truth = vec![total / OBJECT_KINDS as f64; OBJECT_KINDS];
    for _ in 0..20_000 {
        let expected: Vec<f64> = (0..OBJECT_KINDS)
            .map(|k| truth.iter().zip(rows).map(|(t, row)| t * row[k]).sum())
            .collect();
        let mut moved = 0.0_f64;
        for (t, row) in truth.iter_mut().zip(rows) {
            let seen: f64 = row[..OBJECT_KINDS].iter().sum();
            let weight: f64 = (0..OBJECT_KINDS)
                .filter(|&k| expected[k] > 0.0)
                .map(|k| row[k] * apparent[k] / expected[k])
                .sum();
            let next = if seen > 0.0 { *t * weight / seen } else { 0.0 };
            moved = moved.max((next - *t).abs());
            *t = next;
        }
        if moved <= 1e-13 * total {
            break;
        }
    }
    truth
}

fn weak(
    table: &Table,
    audit: &Audit,
    target: Target,
    correction: f64,
    sampling: f64,
) -> Vec<String> {
    let mut weak = Vec::new();
    let reviewed = table.reviewed();
    if reviewed < LEAST_REVIEWED && reviewed < audit.readings {
        weak.push(format!(
            "only {reviewed} readings were reviewed; review at least {LEAST_REVIEWED}"
        ));
    }
    let of_target: u32 =
        (0..OBJECT_KINDS).filter(|&j| target.holds(j)).map(|j| table.row_count(j)).sum();
    if (of_target as usize) < LEAST_OF_TARGET && reviewed < audit.readings {
        weak.push(format!(
            "only {of_target} reviewed objects truly are of it; {LEAST_OF_TARGET} are needed to \
             know how often they are missed"
        ));
    }
    for j in (0..4).filter(|&j| target.holds(j) && table.row_count(j) > 0) {
        let recall = table.row(j)[j];
        if recall < LEAST_RECALL {
            weak.push(format!(
                "the program reads only {:.0} % of {} as such",
                100.0 * recall,
                Class::ALL[j].name()
            ));
        }
    }
    if correction > sampling {
        weak.push(
            "the review, not the sampling, limits the interval; review more objects".to_owned(),
        );
    }
    weak
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::load::{Cluster, Stage, share_of_clusters};
    use crate::stats::testdata::close;
    use crate::stats::{SplitMix64, rogan_gladen as two_class};

    fn reviews(table: &[(Seen, Seen, u32)]) -> Vec<Review> {
        table
            .iter()
            .flat_map(|&(human, machine, n)| {
                (0..n).map(move |_| Review { machine, human, weight: 1.0 })
            })
            .collect()
    }

    const SOUND: Seen = Seen::Class(Class::Sound);
    const SHRIVELED: Seen = Seen::Class(Class::Shriveled);
    const UNDERRIPE: Seen = Seen::Class(Class::Underripe);
    const DEBRIS: Seen = Seen::Class(Class::Debris);

    fn share(hits: usize, n: usize) -> Share {
        let elements = (0..n).map(|i| (i < hits, 1.0)).collect();
        share_of_clusters(&[Cluster::of_tray(elements)], Stage::Trays, true, 4.0, Level::P95)
            .unwrap()
    }

    fn audit(reviews: Vec<Review>, totals: [f64; 5]) -> Audit {
        let readings = totals.iter().sum::<f64>() as usize;
        Audit { reviews, drawn: Drawn::AtRandom { seed: 1 }, totals, readings }
    }

    /// With two classes the estimate and its standard error are Rogan and Gladen's: PUBLISHED inputs
    /// of a public manual of an epidemiology package, 23 of 150 positive, Se 0.96, Sp 0.89, each
    /// from 100; P = 0.0509803922, SE 0.0491900390 (check-values.md section 7).
    #[test]
    fn two_classes_are_rogan_and_gladens() {
        let audit = audit(
            reviews(&[
                (SHRIVELED, SHRIVELED, 96),
                (SHRIVELED, SOUND, 4),
                (SOUND, SHRIVELED, 11),
                (SOUND, SOUND, 89),
            ]),
            [127.0, 23.0, 0.0, 0.0, 0.0],
        );
        let audit = Audit { readings: 2000, ..audit };
        let table = Table::of(&audit).unwrap();
        let target = Target::Class(Class::Shriveled);
        let part = rogan_gladen(&audit, &table, target, Smoothing::None).unwrap();
        close(part.estimate, 0.0509803922, 5e-11, "P");
        close(part.slope, 1.0 / 0.85, 1e-12, "slope is 1/(Se+Sp-1)");
        let ap: f64 = 23.0 / 150.0;
        let sampling = part.slope.powi(2) * ap * (1.0 - ap) / 150.0;
        close((part.variance + sampling).sqrt(), 0.0491900390, 1e-10, "SE");
        let own = two_class(23, 150, 0.96, 0.89, Some((100, 100)), Level::P95).unwrap();
        close((part.variance + sampling).sqrt(), own.standard_error.unwrap(), 1e-12, "own SE");
    }

    /// check-values.md section 7, COMPUTED: the apparent shares 0.8604 0.0642 0.0417 0.0337 must
    /// give the true 0.90 0.04 0.03 0.03 back.
    #[test]
    fn four_classes_give_the_true_shares_back() {
        let rows = [
            [0.95, 0.03, 0.015, 0.005],
            [0.06, 0.90, 0.03, 0.01],
            [0.08, 0.02, 0.89, 0.01],
            [0.02, 0.02, 0.01, 0.95],
        ];
        let kinds = [SOUND, SHRIVELED, UNDERRIPE, DEBRIS];
        let mut all = Vec::new();
        for (j, row) in rows.iter().enumerate() {
            for (k, p) in row.iter().enumerate() {
                all.push((kinds[j], kinds[k], (200.0 * p) as u32));
            }
        }
        let audit = audit(reviews(&all), [8604.0, 642.0, 417.0, 337.0, 0.0]);
        let table = Table::of(&audit).unwrap();
        for (class, truth) in Class::ALL.into_iter().zip([0.90, 0.04, 0.03, 0.03]) {
            let target = Target::Class(class);
            let part = rogan_gladen(&audit, &table, target, Smoothing::Jeffreys).unwrap();
            close(part.estimate, truth, 1e-12, class.name());
        }
        let rows: Vec<[f64; KINDS]> = (0..OBJECT_KINDS).map(|j| table.row(j)).collect();
        let found = constrained(&rows, &[8604.0, 642.0, 417.0, 337.0, 0.0]);
        for (found, truth) in found.iter().zip([9000.0, 400.0, 300.0, 300.0, 0.0]) {
            close(*found, truth, 1e-5, "the constrained way agrees inside the simplex");
        }
    }

    /// Fewer positives than false positives alone would give: the plain formula goes below 0, the
    /// constrained one stops there.
    #[test]
    fn a_corrected_share_stays_valid() {
        let audit = audit(
            reviews(&[(SOUND, SOUND, 90), (SOUND, DEBRIS, 10), (DEBRIS, DEBRIS, 40)]),
            [980.0, 0.0, 0.0, 20.0, 0.0],
        );
        let found =
            correct(&share(20, 1000), &audit, Target::Class(Class::Debris), Level::P95).unwrap();
        assert!((0.0..=1.0).contains(&found.estimate), "{found:?}");
        let table = Table::of(&audit).unwrap();
        let target = Target::Class(Class::Debris);
        let part = rogan_gladen(&audit, &table, target, Smoothing::Jeffreys).unwrap();
        close(part.estimate, 0.0, 1e-9, "stops at 0");
    }

    #[test]
    fn missed_and_false_objects_count() {
        // 200 of 1000 readings reviewed: 6 debris readings were glare, 4 stalks were missed.
        let audit = audit(
            reviews(&[
                (SOUND, SOUND, 180),
                (DEBRIS, DEBRIS, 14),
                (Seen::Nothing, DEBRIS, 6),
                (DEBRIS, Seen::Nothing, 4),
            ]),
            [900.0, 0.0, 0.0, 100.0, 0.0],
        );
        // By hand: debris 100 + 5·(4 − 6) = 90 of 1000 + 5·(4 − 6) = 990 objects.
        let part = difference(&audit, Target::Class(Class::Debris), 0.1);
        close(part.estimate, 90.0 / 990.0, 1e-12, "difference");
        // By hand: true among the seen 100·14/20 = 70, of which 14/18 are seen: 90; 900 sound.
        let table = Table::of(&audit).unwrap();
        let target = Target::Class(Class::Debris);
        let part = rogan_gladen(&audit, &table, target, Smoothing::Jeffreys).unwrap();
        close(part.estimate, 90.0 / 990.0, 1e-12, "Rogan-Gladen");
        let found = correct(&share(100, 1000), &audit, target, Level::P95).unwrap();
        assert_eq!(found.table[3], [0, 0, 0, 14, 0, 4]);
        assert_eq!(found.table[5][3], 6);
    }

    #[test]
    fn weak_corrections_say_so_and_biased_ones_are_refused() {
        let few = audit(reviews(&[(SOUND, SOUND, 20)]), [900.0, 100.0, 0.0, 0.0, 0.0]);
        let target = Target::Class(Class::Shriveled);
        let found = correct(&share(100, 1000), &few, target, Level::P95).unwrap();
        assert!(found.weak.iter().any(|w| w.starts_with("only 20 readings")));
        assert!(found.weak.iter().any(|w| w.starts_with("only 0 reviewed objects")));
        // No mistake among 20 is no proof: the interval must grow all the same.
        assert!(found.interval.width() > share(100, 1000).interval.width());
        let queue = Audit { drawn: Drawn::LeastCertainFirst, ..few.clone() };
        let refused = correct(&share(100, 1000), &queue, target, Level::P95).unwrap_err();
        assert!(refused.to_string().contains("biased"));
        let none = Audit { reviews: Vec::new(), ..few };
        assert!(correct(&share(100, 1000), &none, target, Level::P95).is_err());
    }

    /// Reviewing everything leaves no uncertainty of the review.
    #[test]
    fn a_full_review_is_the_human_count() {
        let full = audit(
            reviews(&[(SOUND, SOUND, 870), (SHRIVELED, SOUND, 30), (SHRIVELED, SHRIVELED, 100)]),
            [900.0, 100.0, 0.0, 0.0, 0.0],
        );
        let target = Target::Class(Class::Shriveled);
        let part = difference(&full, target, 0.1);
        close(part.estimate, 0.13, 1e-12, "human share");
        assert_eq!(part.variance, 0.0);
    }

    /// Coverage of the corrected interval: 1500 readings of a load with 5 % shriveled, read with
    /// Se 0.9 and Sp 0.97, of which 300 are reviewed. At least 93.5 %, and the uncorrected
    /// interval must fail, else the test would show nothing.
    #[test]
    fn corrected_intervals_cover() {
        let repetitions = 3000;
        let (mut covered, mut uncorrected) = (0, 0);
        let target = Target::Class(Class::Shriveled);
        for i in 0..repetitions {
            let mut random = SplitMix64::new(900 + i);
            let readings: Vec<Review> = (0..1500)
                .map(|_| {
                    let shriveled = random.uniform() < 0.05;
                    let read = random.uniform() < if shriveled { 0.9 } else { 0.03 };
                    let seen = |s| if s { SHRIVELED } else { SOUND };
                    Review { machine: seen(read), human: seen(shriveled), weight: 1.0 }
                })
                .collect();
            let hits = readings.iter().filter(|r| r.machine == SHRIVELED).count();
            let chosen = random.choose(1500, 300).into_iter().map(|k| readings[k]).collect();
            let apparent = share(hits, 1500);
            let audit = audit(chosen, [(1500 - hits) as f64, hits as f64, 0.0, 0.0, 0.0]);
            let found = correct(&apparent, &audit, target, Level::P95).unwrap();
            covered += usize::from(found.interval.contains(0.05));
            uncorrected += usize::from(apparent.interval.contains(0.05));
        }
        let share = |n: usize| n as f64 / repetitions as f64;
        assert!(share(covered) >= 0.935, "{}", share(covered));
        assert!(share(uncorrected) < 0.2, "{}", share(uncorrected));
    }

    proptest::proptest! {
        /// Order and the unit of weight do not matter; a judge without mistakes corrects nothing; the
        /// corrected share lies in its interval, within 0 and 1, and that is no narrower than sampling alone
        /// times the correction's slope allows.
        #[test]
        fn corrections_know_no_order_and_no_unit(
            right in proptest::array::uniform3(20u32..200), wrong in proptest::array::uniform4(0u32..20),
            hits in 10usize..150, unit in 0.01f64..100.0,
        ) {
            let all = reviews(&[
                (SOUND, SOUND, right[0]),
                (SHRIVELED, SHRIVELED, right[1]),
                (DEBRIS, DEBRIS, right[2]),
                (SHRIVELED, SOUND, wrong[0]),
                (SOUND, SHRIVELED, wrong[1]),
                (SOUND, UNDERRIPE, wrong[2]),
                (DEBRIS, SOUND, wrong[3]),
            ]);
            let seen = [SOUND, SHRIVELED, UNDERRIPE, DEBRIS];
            let count = |m: &[Review]| {
                let mut totals = [0.0; 5];
                m.iter().for_each(|r| totals[seen.iter().position(|s| *s == r.machine).unwrap()] += 5.0);
                totals
            };
            let totals = count(&all);
            let own = share(hits, 300);
            for target in [Target::Class(Class::Shriveled), Target::Rejects] {
                let found = correct(&own, &audit(all.clone(), totals), target, Level::P95).unwrap();
                proptest::prop_assert!((0.0..=1.0).contains(&found.estimate));
                proptest::prop_assert!(found.interval.low >= 0.0 && found.interval.high <= 1.0);
                proptest::prop_assert!(found.interval.low <= found.estimate + 1e-9);
                proptest::prop_assert!(found.interval.high >= found.estimate - 1e-9);
                let mut back = all.clone();
                back.reverse();
                let back = correct(&own, &audit(back, totals), target, Level::P95).unwrap();
                proptest::prop_assert!((back.estimate - found.estimate).abs() < 1e-9);
                let scaled: Vec<Review> =
                    all.iter().map(|r| Review { weight: unit * r.weight, ..*r }).collect();
                let scaled = Audit {
                    readings: audit(all.clone(), totals).readings,
                    ..audit(scaled, totals.map(|t| unit * t))
                };
                let scaled = correct(&own, &scaled, target, Level::P95).unwrap();
                proptest::prop_assert_eq!(scaled.method, found.method);
                proptest::prop_assert!((scaled.estimate - found.estimate).abs() < 1e-6);
                proptest::prop_assert!((scaled.interval.low - found.interval.low).abs() < 1e-6);
                let flawless: Vec<Review> =
                    all.iter().map(|r| Review { human: r.machine, ..*r }).collect();
                let part = difference(&audit(flawless, totals), target, own.estimate);
                proptest::prop_assert!((part.estimate - own.estimate).abs() < 1e-9);
            }
        }
    }
}
