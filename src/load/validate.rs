//! Validation against hands: trays that a person, blind to the program, sorted and weighed class by
//! class.
//!
//! Bias and 95 % limits of agreement (Bland and Altman 1986, Lancet i:307-310), class by class and
//! variety by variety. Until [`TRAYS_NEEDED`] trays of a variety are in, its reports say so and its
//! verdicts are advisory; after that the bias's own uncertainty is part of every interval.

use super::LoadError;
use super::share::Share;
use crate::classify::Class;
use crate::stats::{Interval, Level, StatsError};

/// Trays of a variety that validation needs.
pub const TRAYS_NEEDED: usize = 10;

/// One tray judged both ways: shares by mass in the order of [`Class::ALL`].
#[derive(Debug, Clone, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct ValidationTray {
    /// The tray's name.
    pub tray: String,
    /// Grape variety.
    pub variety: String,
    /// The program's shares by mass, 0 to 1.
    pub program: [f64; 4],
    /// The hand-sorted and weighed masses, g.
    pub hand_g: [f64; 4],
}

/// Agreement of two ways of measuring.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct Agreement {
    /// Pairs.
    pub n: usize,
    /// Mean of program minus hand.
    pub bias: f64,
    /// Standard deviation of the differences, divisor n − 1.
    pub sd: f64,
    /// Standard error of the bias, sd/√n.
    pub bias_standard_error: f64,
    /// t interval of the bias, n − 1 degrees of freedom.
    pub bias_interval: Interval,
    /// Limits of agreement, bias ± z·sd: where the difference of most single trays lies.
    pub limits: Interval,
    /// Standard error of either limit, √(3)·sd/√n (Bland and Altman 1986).
    pub limit_standard_error: f64,
}

/// Agreement of paired readings, first minus second.
///
/// # Errors
/// With fewer than two pairs.
pub fn agreement(pairs: &[(f64, f64)], level: Level) -> Result<Agreement, StatsError> {
    let n = pairs.len();
    if n < 2 {
        return Err(StatsError::TooFew { what: "limits of agreement", needed: 2, found: n });
    }
    let count = n as f64;
    let bias = pairs.iter().map(|p| p.0 - p.1).sum::<f64>() / count;
    let squares: f64 = pairs.iter().map(|p| (p.0 - p.1 - bias).powi(2)).sum();
    let sd = (squares / (count - 1.0)).sqrt();
    let se = sd / count.sqrt();
    let around = |half: f64| Interval { low: bias - half, high: bias + half, level };
    Ok(Agreement {
        n,
        bias,
        sd,
        bias_standard_error: se,
        bias_interval: around(level.t(count - 1.0) * se),
        limits: around(level.z() * sd),
        limit_standard_error: 3.0_f64.sqrt() * se,
    })
}

/// Validation of one variety.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct Validation {
    /// Grape variety.
    pub variety: String,
    /// Trays in.
    pub trays: usize,
    /// Whether enough trays are in.
    pub validated: bool,
    /// Agreement class by class in the order of [`Class::ALL`]; none below two trays.
    pub classes: [Option<Agreement>; 4],
    /// Agreement of all rejects.
    pub rejects: Option<Agreement>,
    /// What reports must say; none when validated.
    pub notice: Option<String>,
}

/// Validates one variety from its trays; trays of other varieties are passed over.
///
/// # Errors
/// When a share or mass cannot be.
pub fn validate(
    trays: &[ValidationTray],
    variety: &str,
    level: Level,
) -> Result<Validation, LoadError> {
    let mut pairs: Vec<[(f64, f64); 4]> = Vec::new();
    for tray in trays.iter().filter(|t| t.variety == variety) {
        let hand: f64 = tray.hand_g.iter().sum();
        let valid = tray.hand_g.iter().all(|g| *g >= 0.0 && g.is_finite()) && hand > 0.0;
        // Shares that were rounded may add up to a little more.
        let whole = tray.program.iter().sum::<f64>() <= 1.02;
        if !valid || !whole || tray.program.iter().any(|p| !(0.0..=1.0).contains(p)) {
            return Err(LoadError::Setting(format!(
                "{}: masses by hand must be 0 g or more, not all 0, and shares from 0 to 1, no \
                 more than 1 (100 %) together; correct the tray's entry",
                tray.tray
            )));
        }
        pairs.push(std::array::from_fn(|k| (tray.program[k], tray.hand_g[k] / hand)));
    }
    let of = |kinds: std::ops::Range<usize>| {
        let sum = |tray: &[(f64, f64); 4]| {
            tray[kinds.clone()].iter().fold((0.0, 0.0), |s, p| (s.0 + p.0, s.1 + p.1))
        };
        agreement(&pairs.iter().map(sum).collect::<Vec<_>>(), level).ok()
    };
    let classes = std::array::from_fn(|k| of(k..k + 1));
    // Rejects follow sound in the table's order.
    let rejects = of(1..4);
    let validated = pairs.len() >= TRAYS_NEEDED;
    Ok(Validation {
        variety: variety.to_owned(),
        trays: pairs.len(),
        validated,
        classes,
        rejects,
        notice: (!validated).then(|| {
            format!(
                "not yet validated for this variety: {} of {TRAYS_NEEDED} hand-sorted trays of \
                 {variety} are in; verdicts are advisory",
                pairs.len()
            )
        }),
    })
}

impl Validation {
    /// Agreement of one class.
    pub fn class(&self, class: Class) -> Option<&Agreement> {
        Class::ALL.iter().position(|&c| c == class).and_then(|k| self.classes[k].as_ref())
    }
}

/// A share's interval with the uncertainty of the validated bias joined by squares (MOVER, Zou and
/// Donner 2008). The bias itself is reported, not taken off: a bias that matters calls for
/// teaching or weigh-back. Unchanged before the variety is validated.
pub fn with_validation(share: &Share, agreement: &Agreement) -> Interval {
    if agreement.n < TRAYS_NEEDED {
        return share.interval;
    }
    let added = 0.5 * agreement.bias_interval.width();
    Interval {
        low: (share.estimate - (share.estimate - share.interval.low).hypot(added)).max(0.0),
        high: (share.estimate + (share.interval.high - share.estimate).hypot(added)).min(1.0),
        ..share.interval
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::load::{Cluster, Stage, share_of_clusters};
    use crate::stats::testdata::close;

    /// Bland and Altman 1986, Lancet i:307-310, Table 1: peak flow of 17 subjects by two meters,
    /// first readings; the paper prints mean difference −2.1, SD 38.8, SE 9.4, t interval −22.0 to
    /// 17.8, and with 2 SD limits −79.7 and 75.5. (Readings and results from memory; the
    /// arithmetic agrees.)
    #[test]
    fn bland_and_altmans_example() {
        let large =
            [494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427];
        let mini =
            [512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451];
        let pairs: Vec<(f64, f64)> =
            large.iter().zip(mini).map(|(&a, b)| (f64::from(a), f64::from(b))).collect();
        let found = agreement(&pairs, Level::P95).unwrap();
        close(found.bias, -2.1, 0.05, "bias");
        close(found.sd, 38.8, 0.05, "sd");
        close(found.bias_standard_error, 9.4, 0.05, "se");
        close(found.bias_interval.low, -22.0, 0.1, "low");
        close(found.bias_interval.high, 17.8, 0.1, "high");
        close(found.bias - 2.0 * found.sd, -79.7, 0.1, "lower limit with 2 SD");
        close(found.bias + 2.0 * found.sd, 75.5, 0.1, "upper limit with 2 SD");
        close(found.limits.high - found.bias, 1.96 * 38.8, 0.1, "limits with 1.96 SD");
    }

    fn trays(n: usize) -> Vec<ValidationTray> {
        (0..n)
            .map(|i| {
                let off = if i % 2 == 0 { 0.004 } else { -0.002 };
                ValidationTray {
                    tray: format!("v{i}"),
                    variety: "black".into(),
                    program: [0.93 - off, 0.03 + off, 0.03, 0.01],
                    hand_g: [186.0, 6.0, 6.0, 2.0],
                }
            })
            .collect()
    }

    #[test]
    fn ten_trays_validate_a_variety_and_nine_do_not() {
        let nine = validate(&trays(9), "black", Level::P95).unwrap();
        assert!(!nine.validated);
        assert_eq!(
            nine.notice.as_deref(),
            Some(
                "not yet validated for this variety: 9 of 10 hand-sorted trays of black are in; \
                 verdicts are advisory"
            )
        );
        let ten = validate(&trays(10), "black", Level::P95).unwrap();
        assert!(ten.validated && ten.notice.is_none());
        // Program minus hand, by hand: +0.004 and −0.002 in turn, mean 0.001.
        close(ten.class(Class::Shriveled).unwrap().bias, 0.001, 1e-12, "bias");
        close(ten.rejects.unwrap().bias, 0.001, 1e-12, "rejects");
        let other = validate(&trays(10), "white", Level::P95).unwrap();
        assert_eq!((other.trays, other.validated), (0, false));
        let mut bad = trays(3);
        bad[1].hand_g = [0.0; 4];
        assert!(validate(&bad, "black", Level::P95).unwrap_err().to_string().starts_with("v1:"));
    }

    #[test]
    fn the_bias_widens_intervals_once_validated() {
        let elements = (0..500).map(|i| (i < 25, 1.0)).collect();
        let share =
            share_of_clusters(&[Cluster::of_tray(elements)], Stage::Trays, true, 4.0, Level::P95)
                .unwrap();
        let of = |n: usize| {
            let found = validate(&trays(n), "black", Level::P95).unwrap();
            with_validation(&share, found.class(Class::Shriveled).unwrap())
        };
        assert_eq!(of(9), share.interval);
        let wider = of(12);
        assert!(wider.low < share.interval.low && wider.high > share.interval.high);
        assert!(wider.width() < 1.2 * share.interval.width());
    }

    proptest::proptest! {
        /// Order does not matter, changing places turns the sign, a shift goes into the bias alone, a factor
        /// goes through, and the interval of the bias narrows as pairs are added.
        #[test]
        fn agreement_is_linear(
            pairs in proptest::collection::vec((-1.0f64..1.0, -1.0f64..1.0), 2..40),
            shift in -1.0f64..1.0, k in 0.1f64..9.0,
        ) {
            let of = |pairs: &[(f64, f64)]| agreement(pairs, Level::P95).unwrap();
            let found = of(&pairs);
            let near = |a: f64, b: f64| (a - b).abs() < 1e-9;
            let mut back = pairs.clone();
            back.reverse();
            proptest::prop_assert!(near(of(&back).bias, found.bias) && near(of(&back).sd, found.sd));
            let swapped = of(&pairs.iter().map(|p| (p.1, p.0)).collect::<Vec<_>>());
            proptest::prop_assert!(near(swapped.bias, -found.bias) && near(swapped.sd, found.sd));
            proptest::prop_assert!(near(swapped.limits.low, -found.limits.high));
            let moved = of(&pairs.iter().map(|p| (k * (p.0 + shift), k * p.1)).collect::<Vec<_>>());
            proptest::prop_assert!(near(moved.bias, k * (found.bias + shift)));
            proptest::prop_assert!(near(moved.sd, k * found.sd));
            proptest::prop_assert!(found.bias_interval.contains(found.bias));
            let twice = of(&[pairs.clone(), pairs].concat());
            proptest::prop_assert!(twice.bias_interval.width() <= found.bias_interval.width() + 1e-12);
            proptest::prop_assert!(near(twice.bias, found.bias));
        }

        /// Trays in another order and masses in another unit validate the same.
        #[test]
        fn validation_knows_no_order_and_no_unit(n in 2usize..14, unit in 0.01f64..100.0) {
            let plain = validate(&trays(n), "black", Level::P95).unwrap();
            let mut other = trays(n);
            other.reverse();
            other.iter_mut().for_each(|t| t.hand_g = t.hand_g.map(|g| unit * g));
            let other = validate(&other, "black", Level::P95).unwrap();
            proptest::prop_assert_eq!(other.validated, plain.validated);
            for (a, b) in plain.classes.iter().zip(&other.classes) {
                let (a, b) = (a.unwrap(), b.unwrap());
                proptest::prop_assert!((a.bias - b.bias).abs() < 1e-12 && (a.sd - b.sd).abs() < 1e-12);
            }
        }
    }
}
