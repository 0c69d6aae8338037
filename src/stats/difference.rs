//! Confidence intervals of the difference of two independent shares, a/m − b/n.

use super::quantile::bisect;
use super::{Continuity, Interval, Level, StatsError, check_counts, wilson};

/// Newcombe's hybrid score interval (1998, Stat Med 17:873-890, method 10, no continuity
/// correction): Wilson limits of both shares, combined by squares.
///
/// # Errors
/// When either pair of counts is no share.
pub fn newcombe_difference(
    first: (u64, u64),
    second: (u64, u64),
    level: Level,
) -> Result<Interval, StatsError> {
    let (p1, p2) = shares(first, second)?;
    let w1 = wilson(first.0, first.1, level, Continuity::Uncorrected)?;
    let w2 = wilson(second.0, second.1, level, Continuity::Uncorrected)?;
    let difference = p1 - p2;
    Ok(Interval {
        low: difference - (p1 - w1.low).hypot(w2.high - p2),
        high: difference + (w1.high - p1).hypot(p2 - w2.low),
        level,
    })
}

/// Agresti and Caffo's interval (2000, The American Statistician 54:280-288): Wald after adding one
/// success and one failure to each sample, clipped to −1 to 1.
///
/// # Errors
/// When either pair of counts is no share.
pub fn agresti_caffo(
    first: (u64, u64),
    second: (u64, u64),
    level: Level,
) -> Result<Interval, StatsError> {
    shares(first, second)?;
    let part = |(x, n): (u64, u64)| {
        let n = n as f64 + 2.0;
        let p = (x as f64 + 1.0) / n;
        (p, p * (1.0 - p) / n)
    };
    let ((p1, v1), (p2, v2)) = (part(first), part(second));
    let half = level.z() * (v1 + v2).sqrt();
    let difference = p1 - p2;
    Ok(Interval { low: (difference - half).max(-1.0), high: (difference + half).min(1.0), level })
}

/// Miettinen and Nurminen's score interval (1985, Stat Med 4:213-226), with their variance factor
/// N/(N − 1): the differences whose score test is not significant.
///
/// # Errors
/// When either pair of counts is no share.
pub fn miettinen_nurminen(
    first: (u64, u64),
    second: (u64, u64),
    level: Level,
) -> Result<Interval, StatsError> {
    let (p1, p2) = shares(first, second)?;
    let estimate = p1 - p2;
    let z = level.z();
    let score = |delta: f64| {
        let variance = score_variance(first, second, delta);
        let gap = estimate - delta;
        if variance > 0.0 {
            gap / variance.sqrt()
        } else if gap == 0.0 {
            0.0
        } else {
            gap.signum() * f64::INFINITY
        }
    };
    let low = if score(-1.0) <= z { -1.0 } else { bisect(-1.0, estimate, |d| score(d) - z) };
    let high = if score(1.0) >= -z { 1.0 } else { bisect(estimate, 1.0, |d| score(d) + z) };
    Ok(Interval { low, high, level })
}

fn shares(first: (u64, u64), second: (u64, u64)) -> Result<(f64, f64), StatsError> {
    let (a, m) = check_counts(first.0, first.1)?;
    let (b, n) = check_counts(second.0, second.1)?;
    Ok((a / m, b / n))
}

/// Variance of the difference at the maximum likelihood shares that differ by `delta`: the closed
/// root of their cubic (Miettinen and Nurminen 1985, appendix I).
fn score_variance(first: (u64, u64), second: (u64, u64), delta: f64) -> f64 {
    let (a, m) = (first.0 as f64, first.1 as f64);
    let (b, n) = (second.0 as f64, second.1 as f64);
    let total = m + n;
    let c = a + b;
    let l3 = total;
    let l2 = (m + 2.0 * n) * delta - total - c;
    let l1 = (n * delta - total - 2.0 * b) * delta + c;
    let l0 = b * delta * (1.0 - delta);
    let third = l2 / (3.0 * l3);
    let q = third.powi(3) - l1 * l2 / (6.0 * l3 * l3) + l0 / (2.0 * l3);
    let p = (third * third - l1 / (3.0 * l3)).max(0.0).sqrt() * if q < 0.0 { -1.0 } else { 1.0 };
    let ratio = if p == 0.0 { 0.0 } else { (q / p.powi(3)).clamp(-1.0, 1.0) };
    let angle = (std::f64::consts::PI + ratio.acos()) / 3.0;
    let p2 = (2.0 * p * angle.cos() - third).clamp(0.0, 1.0);
    let p1 = (p2 + delta).clamp(0.0, 1.0);
    (p1 * (1.0 - p1) / m + p2 * (1.0 - p2) / n) * total / (total - 1.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::testdata::{close, rows};

    /// tests/data/check-values/difference_intervals.csv: COMPUTED; rows 1 to 8 are the examples of
    /// Newcombe 1998, Stat Med 17:873-890, Table II (PUBLISHED for method 10, rows 1 and 2, and
    /// most of the Miettinen-Nurminen column).
    #[test]
    fn every_row_of_the_table() {
        let cells = rows(include_str!("../../tests/data/check-values/difference_intervals.csv"));
        assert_eq!(cells.len(), 11);
        for row in cells {
            let count = |i: usize| row[i].parse::<u64>().unwrap();
            let number = |i: usize| row[i].parse::<f64>().unwrap();
            let (first, second) = ((count(0), count(1)), (count(2), count(3)));
            let checks = [
                (newcombe_difference(first, second, Level::P95).unwrap(), 5),
                (agresti_caffo(first, second, Level::P95).unwrap(), 9),
                (miettinen_nurminen(first, second, Level::P95).unwrap(), 13),
            ];
            for (found, column) in checks {
                let what = format!("{first:?} - {second:?}, column {column}");
                close(found.low, number(column).max(-1.0), 6e-9, &what);
                close(found.high, number(column + 1).min(1.0), 6e-9, &what);
            }
        }
    }

    proptest::proptest! {
        #[test]
        fn swapping_the_samples_mirrors(
            m in 1u64..80, n in 1u64..80, u in 0.0f64..=1.0, v in 0.0f64..=1.0,
        ) {
            let (a, b) = ((m as f64 * u) as u64, (n as f64 * v) as u64);
            for method in [newcombe_difference, miettinen_nurminen, agresti_caffo] {
                let there = method((a, m), (b, n), Level::P95).unwrap();
                let back = method((b, n), (a, m), Level::P95).unwrap();
                proptest::prop_assert!((there.low + back.high).abs() < 1e-7);
                proptest::prop_assert!((there.high + back.low).abs() < 1e-7);
                proptest::prop_assert!(there.low >= -1.0 && there.high <= 1.0);
            }
        }
    }
}
