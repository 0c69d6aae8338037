//! Confidence intervals of one share.

use super::quantile::bisect;
use super::{Interval, Level, StatsError, beta_quantile, check_counts, check_open_share};
use statrs::function::factorial::ln_binomial;

/// Whether the score interval carries Yates's continuity correction.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Continuity {
    /// The plain score interval.
    Uncorrected,
    /// With the correction: wider, coverage nearly never below the level.
    Corrected,
}

/// Wilson's score interval (Wilson 1927; methods 3 and 4 of Newcombe 1998, Stat Med 17:857-872).
///
/// # Errors
/// When `trials` is 0 or fewer than `successes`.
pub fn wilson(
    successes: u64,
    trials: u64,
    level: Level,
    continuity: Continuity,
) -> Result<Interval, StatsError> {
    let (x, n) = check_counts(successes, trials)?;
    let z = level.z();
    let z2 = z * z;
    let p = x / n;
    let q = 1.0 - p;
    let (low, high) = match continuity {
        Continuity::Uncorrected => {
            let centre = 2.0 * n * p + z2;
            let half = z * (z2 + 4.0 * n * p * q).sqrt();
            let scale = 2.0 * (n + z2);
            ((centre - half) / scale, (centre + half) / scale)
        }
        Continuity::Corrected => {
            let scale = 2.0 * (n + z2);
            let low = 2.0 * n * p + z2
                - 1.0
                - z * (z2 - 2.0 - 1.0 / n + 4.0 * p * (n * q + 1.0)).max(0.0).sqrt();
            let high = 2.0 * n * p
                + z2
                + 1.0
                + z * (z2 + 2.0 - 1.0 / n + 4.0 * p * (n * q - 1.0)).max(0.0).sqrt();
            (low / scale, high / scale)
        }
    };
    // The limit at an all-or-nothing sample is exact; rounding must not move it.
    let low = if successes == 0 { 0.0 } else { low.max(0.0) };
    let high = if successes == trials { 1.0 } else { high.min(1.0) };
    Ok(Interval { low, high, level })
}

/// Clopper and Pearson's exact interval (1934, Biometrika 26:404-413).
///
/// # Errors
/// When `trials` is 0 or fewer than `successes`.
pub fn clopper_pearson(successes: u64, trials: u64, level: Level) -> Result<Interval, StatsError> {
    let (x, n) = check_counts(successes, trials)?;
    clopper_pearson_real(x, n, level)
}

/// Clopper-Pearson limits for effective counts that need not be whole, as Korn and Graubard
/// (1998, Survey Methodology 24:193-201) use them for clustered and weighted samples.
///
/// # Errors
/// Unless 0 ≤ `successes` ≤ `trials` and `trials` > 0.
pub fn clopper_pearson_real(
    successes: f64,
    trials: f64,
    level: Level,
) -> Result<Interval, StatsError> {
    super::check_positive("effective sample size", trials)?;
    if !(0.0..=trials).contains(&successes) {
        return Err(StatsError::Range {
            name: "effective count",
            value: successes,
            range: "from 0 to the effective sample size",
        });
    }
    let tail = 0.5 * level.alpha();
    let (x, n) = (successes, trials);
    let low = if x == 0.0 { 0.0 } else { beta_quantile(tail, x, n - x + 1.0) };
    let high = if x == n { 1.0 } else { beta_quantile(1.0 - tail, x + 1.0, n - x) };
    Ok(Interval { low, high, level })
}

/// One-sided exact upper limit: the share exceeds it with at most 1 − `confidence`.
///
/// # Errors
/// When `trials` is 0 or fewer than `successes`, or `confidence` is not between 0 and 1.
pub fn clopper_pearson_upper(
    successes: u64,
    trials: u64,
    confidence: f64,
) -> Result<f64, StatsError> {
    let (x, n) = check_counts(successes, trials)?;
    check_open_share("confidence", confidence)?;
    Ok(if x == n { 1.0 } else { beta_quantile(confidence, x + 1.0, n - x) })
}

/// Mid-P interval: exact tails counted with half the probability of the observed count
/// (Berry and Armitage 1995; method 6 of Newcombe 1998).
///
/// # Errors
/// When `trials` is 0 or fewer than `successes`.
pub fn mid_p(successes: u64, trials: u64, level: Level) -> Result<Interval, StatsError> {
    let (x, n) = check_counts(successes, trials)?;
    let tail = 0.5 * level.alpha();
    let point =
        |p: f64| (ln_binomial(trials, successes) + xlogy(x, p) + xlogy(n - x, 1.0 - p)).exp();
    // P(X > x | p) and P(X < x | p) from the beta distribution function.
    let above = |p: f64| if x == n { 0.0 } else { super::beta_cdf(p, x + 1.0, n - x) };
    let below = |p: f64| if x == 0.0 { 0.0 } else { 1.0 - super::beta_cdf(p, x, n - x + 1.0) };
    let low = if x == 0.0 { 0.0 } else { bisect(0.0, x / n, |p| above(p) + 0.5 * point(p) - tail) };
    let high = if x == n { 1.0 } else { bisect(x / n, 1.0, |p| below(p) + 0.5 * point(p) - tail) };
    Ok(Interval { low, high, level })
}

fn xlogy(x: f64, y: f64) -> f64 {
    if x == 0.0 { 0.0 } else { x * y.ln() }
}

/// What the Jeffreys interval does at an all-or-nothing sample.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum JeffreysEnds {
    /// Equal tails always.
    EqualTails,
    /// Lower limit 0 at no success, upper limit 1 at all successes (Brown, Cai and DasGupta 2001,
    /// Statistical Science 16:101-133).
    Closed,
}

/// Jeffreys interval: equal tails of Beta(x + ½, n − x + ½).
///
/// # Errors
/// When `trials` is 0 or fewer than `successes`.
pub fn jeffreys(
    successes: u64,
    trials: u64,
    level: Level,
    ends: JeffreysEnds,
) -> Result<Interval, StatsError> {
    let (x, n) = check_counts(successes, trials)?;
    let tail = 0.5 * level.alpha();
    let closed = ends == JeffreysEnds::Closed;
    let (a, b) = (x + 0.5, n - x + 0.5);
    let low = if closed && successes == 0 { 0.0 } else { beta_quantile(tail, a, b) };
    let high = if closed && successes == trials { 1.0 } else { beta_quantile(1.0 - tail, a, b) };
    Ok(Interval { low, high, level })
}

/// t interval on the logit scale: logit(p) ± t·se/(p(1−p)), transformed back. Stays inside 0 to 1
/// and leans towards ½ as a share's uncertainty does (e.g. Korn and Graubard 1999, Analysis of
/// Health Surveys, section 2.8; R's `survey::svyciprop(method = "logit")`).
///
/// # Errors
/// Unless 0 < `share` < 1 and `standard_error` ≥ 0: at 0 and 1 the logit has no value, and another
/// interval must be used.
pub fn logit_t(
    share: f64,
    standard_error: f64,
    degrees_of_freedom: f64,
    level: Level,
) -> Result<Interval, StatsError> {
    check_open_share("share", share)?;
    if degrees_of_freedom.is_nan() || degrees_of_freedom <= 0.0 {
        return Err(StatsError::Range {
            name: "degrees of freedom",
            value: degrees_of_freedom,
            range: "above 0",
        });
    }
    if standard_error.is_nan() || standard_error < 0.0 {
        return Err(StatsError::Range {
            name: "standard error",
            value: standard_error,
            range: "0 or more",
        });
    }
    Ok(logit_interval(share, standard_error, level.t(degrees_of_freedom), level))
}

/// The logit interval with a multiplier already chosen; the share lies strictly inside 0 to 1.
pub(crate) fn logit_interval(
    share: f64,
    standard_error: f64,
    multiplier: f64,
    level: Level,
) -> Interval {
    let centre = (share / (1.0 - share)).ln();
    let half = multiplier * standard_error / (share * (1.0 - share));
    let back = |u: f64| 1.0 / (1.0 + (-u).exp());
    Interval { low: back(centre - half), high: back(centre + half), level }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::testdata::{close, rows};

    /// tests/data/check-values/intervals.csv: COMPUTED with statsmodels 0.15.0, scipy 1.17.1 and
    /// R 4.2.2; its first four rows are the examples of Newcombe 1998, Table I.
    #[test]
    fn every_interval_of_the_table() {
        let table = include_str!("../../tests/data/check-values/intervals.csv");
        let cells = rows(table);
        assert_eq!(cells.len(), 20);
        for row in cells {
            let (x, n): (u64, u64) = (row[0].parse().unwrap(), row[1].parse().unwrap());
            let number = |i: usize| row[i].parse::<f64>().unwrap();
            let found = [
                wilson(x, n, Level::P95, Continuity::Uncorrected).unwrap(),
                wilson(x, n, Level::P95, Continuity::Corrected).unwrap(),
                clopper_pearson(x, n, Level::P95).unwrap(),
                mid_p(x, n, Level::P95).unwrap(),
                jeffreys(x, n, Level::P95, JeffreysEnds::EqualTails).unwrap(),
                jeffreys(x, n, Level::P95, JeffreysEnds::Closed).unwrap(),
            ];
            for (i, interval) in found.iter().enumerate() {
                let what = format!("{x}/{n}, method {i}");
                close(interval.low, number(3 + 2 * i), 6e-9, &what);
                close(interval.high, number(4 + 2 * i), 6e-9, &what);
            }
        }
    }

    /// Newcombe 1998, Stat Med 17:857-872, Table I: 81/263, 15/148, 0/20, 1/29 to four decimals
    /// (the limits are from memory of the paper and agree with the computed ones).
    #[test]
    fn newcombes_table_one() {
        let cases = [
            (81, 263, [0.2553, 0.3662], [0.2535, 0.3682], [0.2527, 0.3676]),
            (15, 148, [0.0624, 0.1605], [0.0598, 0.1644], [0.0578, 0.1617]),
            (0, 20, [0.0, 0.1611], [0.0, 0.2005], [0.0, 0.1684]),
            (1, 29, [0.0061, 0.1718], [0.0018, 0.1963], [0.0009, 0.1776]),
        ];
        for (x, n, score, corrected, exact) in cases {
            let found = [
                wilson(x, n, Level::P95, Continuity::Uncorrected).unwrap(),
                wilson(x, n, Level::P95, Continuity::Corrected).unwrap(),
                clopper_pearson(x, n, Level::P95).unwrap(),
            ];
            for (interval, wanted) in found.iter().zip([score, corrected, exact]) {
                close(interval.low, wanted[0], 5.1e-5, "low");
                close(interval.high, wanted[1], 5.1e-5, "high");
            }
        }
    }

    /// COMPUTED with scipy 1.17.1 (binomtest, beta.ppf); two upper limits in check-values.md
    /// section 3 (Wilson 90 %, Clopper-Pearson 99 %) stand there one or two units of the eighth
    /// decimal higher than scipy gives them.
    #[test]
    fn other_levels_and_one_sided_limits() {
        let (l90, l99) = (Level::new(0.90).unwrap(), Level::new(0.99).unwrap());
        let pairs = [
            (wilson(15, 148, l90, Continuity::Uncorrected), 0.06744326, 0.14957293),
            (wilson(15, 148, l99, Continuity::Uncorrected), 0.05364487, 0.18326735),
            (clopper_pearson(15, 148, l90), 0.06351845, 0.15176837),
            (clopper_pearson(15, 148, l99), 0.04774456, 0.18187753),
            (jeffreys(15, 148, l90, JeffreysEnds::Closed), 0.06625037, 0.14785302),
            (jeffreys(15, 148, l99, JeffreysEnds::Closed), 0.05009848, 0.17770351),
        ];
        for (found, low, high) in pairs {
            let found = found.unwrap();
            close(found.low, low, 6e-9, "low");
            close(found.high, high, 6e-9, "high");
        }
        let upper = [
            (0, 20, 0.13910834),
            (0, 60, 0.04870291),
            (0, 300, 0.00993608),
            (1, 100, 0.04655981),
            (3, 125, 0.06085858),
        ];
        for (x, n, wanted) in upper {
            close(clopper_pearson_upper(x, n, 0.95).unwrap(), wanted, 6e-9, "one-sided");
        }
    }

    #[test]
    fn counts_that_are_no_share_are_refused() {
        assert!(wilson(0, 0, Level::P95, Continuity::Uncorrected).is_err());
        assert!(clopper_pearson(3, 2, Level::P95).is_err());
        assert!(mid_p(3, 2, Level::P95).is_err());
        assert!(jeffreys(1, 0, Level::P95, JeffreysEnds::Closed).is_err());
        assert!(logit_t(0.0, 0.1, 5.0, Level::P95).is_err());
        assert!(logit_t(0.1, f64::NAN, 5.0, Level::P95).is_err());
        assert!(logit_t(0.1, 0.1, 0.0, Level::P95).is_err());
        assert!(logit_t(0.1, 0.1, f64::INFINITY, Level::P95).is_ok());
    }

    proptest::proptest! {
        #[test]
        fn intervals_hold_the_share_and_mirror(n in 1u64..400, pick in 0.0f64..=1.0) {
            let x = ((n as f64) * pick).floor() as u64;
            let p = x as f64 / n as f64;
            let of = |x: u64| [
                wilson(x, n, Level::P95, Continuity::Uncorrected).unwrap(),
                wilson(x, n, Level::P95, Continuity::Corrected).unwrap(),
                clopper_pearson(x, n, Level::P95).unwrap(),
                mid_p(x, n, Level::P95).unwrap(),
                jeffreys(x, n, Level::P95, JeffreysEnds::Closed).unwrap(),
            ];
            for (a, b) in of(x).iter().zip(of(n - x)) {
                proptest::prop_assert!(a.low >= 0.0 && a.high <= 1.0 && a.width() > 0.0);
                proptest::prop_assert!(a.contains(p), "{x}/{n} {a:?}");
                let mirrored = b.complement();
                proptest::prop_assert!((a.low - mirrored.low).abs() < 1e-9);
                proptest::prop_assert!((a.high - mirrored.high).abs() < 1e-9);
            }
        }

        /// One more success moves both limits up, a surer level widens, ten times the trials narrow, and
        /// Clopper-Pearson's tails are α/2, summed as acceptance probabilities.
        #[test]
        fn limits_are_ordered(n in 1u64..300, pick in 0.0f64..1.0, share in 0.6f64..0.99) {
            let x = ((n as f64) * pick).floor() as u64;
            let of = |x: u64, n: u64, share: f64| {
                let level = Level::new(share).unwrap();
                [
                    wilson(x, n, level, Continuity::Uncorrected).unwrap(),
                    clopper_pearson(x, n, level).unwrap(),
                    mid_p(x, n, level).unwrap(),
                    jeffreys(x, n, level, JeffreysEnds::Closed).unwrap(),
                ]
            };
            let found = of(x, n, share);
            let next = of((x + 1).min(n), n, share);
            let surer = of(x, n, 0.5 + 0.5 * share);
            let more = of(10 * x, 10 * n, share);
            for (k, i) in found.iter().enumerate() {
                proptest::prop_assert!(next[k].low >= i.low - 1e-9 && next[k].high >= i.high - 1e-9);
                proptest::prop_assert!(surer[k].low <= i.low + 1e-9 && surer[k].high >= i.high - 1e-9);
                proptest::prop_assert!(more[k].width() <= i.width() + 1e-9, "{k} {x}/{n}");
            }
            let upto = |c: u64, p: f64| crate::stats::binomial_acceptance(n, c, p).unwrap();
            let tail = 0.5 * (1.0 - share);
            if x > 0 {
                proptest::prop_assert!((1.0 - upto(x - 1, found[1].low) - tail).abs() < 1e-8);
            }
            proptest::prop_assert!((upto(x, found[1].high) - tail).abs() < 1e-8);
        }

        /// On the logit scale: mirrored, wider with the standard error and with fewer degrees of freedom.
        #[test]
        fn logit_limits_are_ordered(
            p in 0.001f64..0.999, se in 0.0001f64..0.2, d in 1.0f64..200.0, more in 1.0f64..4.0,
        ) {
            let of = |p, se, d| logit_t(p, se, d, Level::P95).unwrap();
            let found = of(p, se, d);
            proptest::prop_assert!(found.contains(p) && found.low >= 0.0 && found.high <= 1.0);
            let mirror = of(1.0 - p, se, d).complement();
            proptest::prop_assert!((mirror.low - found.low).abs() < 1e-9);
            for wide in [of(p, se * more, d), of(p, se, d / more)] {
                proptest::prop_assert!(wide.low <= found.low + 1e-12 && wide.high >= found.high - 1e-12);
            }
        }
    }
}
