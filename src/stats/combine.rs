//! A weighted sum of independent estimates with their own, lopsided intervals; a straight line
//! through points; values that lie apart from the rest.

use super::{Interval, Level, StatsError, t_quantile};

/// Σ wᵢ·θᵢ with its interval by variance estimates recovered from the parts' limits: lower limit
/// Σ wᵢθᵢ − √Σ wᵢ²(θᵢ − lᵢ)², upper likewise; for a negative weight the part's limits change sides
/// (Zou G.Y., Donner A., "Construction of confidence limits about effect measures: a general
/// approach", Statistics in Medicine 27 (2008) 1693-1702). `parts`: weight, estimate, interval; all
/// intervals at `level`.
pub fn weighted_sum(parts: &[(f64, f64, Interval)], level: Level) -> (f64, Interval) {
    let estimate: f64 = parts.iter().map(|(w, e, _)| w * e).sum();
    let (mut below, mut above) = (0.0, 0.0);
    for (w, e, i) in parts {
        let (to_low, to_high) = if *w < 0.0 { (i.high, i.low) } else { (i.low, i.high) };
        below += (w * (e - to_low)).powi(2);
        above += (w * (to_high - e)).powi(2);
    }
    (estimate, Interval { low: estimate - below.sqrt(), high: estimate + above.sqrt(), level })
}

/// A straight line through points.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct Line {
    /// Rise for a step of 1 in x.
    pub slope: f64,
    /// Its interval, from the points' scatter about the line.
    pub slope_interval: Interval,
    /// Value at x = 0.
    pub intercept: f64,
    /// Two-sided p of no slope.
    pub p: f64,
    /// Points.
    pub points: usize,
}

/// Least squares through points (x, y); the slope's interval and p by Student's t with n − 2 degrees
/// of freedom (NIST/SEMATECH e-Handbook, 4.1.4.1 and 5.5.9).
///
/// # Errors
/// Fewer than three points, or all at one x.
pub fn line(points: &[(f64, f64)], level: Level) -> Result<Line, StatsError> {
    let n = points.len() as f64;
    let out = |name, value, range| StatsError::Range { name, value, range };
    if points.len() < 3 {
        return Err(out("points of a line", n, "3 or more"));
    }
    let mean = |of: fn(&(f64, f64)) -> f64| points.iter().map(of).sum::<f64>() / n;
    let (mx, my) = (mean(|p| p.0), mean(|p| p.1));
    let sxx: f64 = points.iter().map(|p| (p.0 - mx).powi(2)).sum();
    if sxx <= 0.0 {
        return Err(out("spread of the points", sxx, "above 0"));
    }
    let sxy: f64 = points.iter().map(|p| (p.0 - mx) * (p.1 - my)).sum();
    let slope = sxy / sxx;
    let intercept = my - slope * mx;
    let rest: f64 = points.iter().map(|p| (p.1 - intercept - slope * p.0).powi(2)).sum();
    let degrees = n - 2.0;
    let error = (rest / degrees / sxx).sqrt();
    let half = level.t(degrees) * error;
    let p = match error > 0.0 {
        true => 2.0 * super::t_cdf(-(slope / error).abs(), degrees),
        false if slope == 0.0 => 1.0,
        false => 0.0,
    };
    let slope_interval = Interval { low: slope - half, high: slope + half, level };
    Ok(Line { slope, slope_interval, intercept, p, points: points.len() })
}

/// Fewest values that [`outliers`] speaks of: the test's own author found its error rate right from 15
/// on, and very well so from 25 on (NIST/SEMATECH e-Handbook, 1.3.5.17.3).
pub const FEWEST_FOR_OUTLIERS: usize = 15;

/// One step of [`outliers`].
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct OutlierStep {
    /// Place of the value farthest from the mean of those left.
    pub index: usize,
    /// How far, in standard deviations of those left.
    pub distance: f64,
    /// The critical distance.
    pub critical: f64,
}

/// Generalized extreme Studentized deviate test for up to `most` outliers in values that are otherwise
/// normal (Rosner B., "Percentage points for a generalized ESD many-outlier procedure", Technometrics
/// 25 (1983) 165-172): the steps, and how many of the first of them are outliers, at two-sided `alpha`.
/// No steps below [`FEWEST_FOR_OUTLIERS`] values.
pub fn outliers(values: &[f64], most: usize, alpha: f64) -> (Vec<OutlierStep>, usize) {
    let n = values.len();
    if n < FEWEST_FOR_OUTLIERS {
        return (Vec::new(), 0);
    }
    let mut left: Vec<usize> = (0..n).collect();
    let mut steps = Vec::new();
    let mut found = 0;
    for i in 1..=most.min(n - 3) {
        let m = left.len() as f64;
        let mean = left.iter().map(|&k| values[k]).sum::<f64>() / m;
        let squares: f64 = left.iter().map(|&k| (values[k] - mean).powi(2)).sum();
        let sd = (squares / (m - 1.0)).sqrt();
        let far = |k: usize| (values[k] - mean).abs();
        let Some(place) =
            (0..left.len()).max_by(|&a, &b| far(left[a]).total_cmp(&far(left[b])).then(b.cmp(&a)))
        else {
            break;
        };
        if sd <= 0.0 {
            break;
        }
        let index = left.remove(place);
        let distance = far(index) / sd;
        let rest = (n - i) as f64;
        let p = 1.0 - alpha / (2.0 * (rest + 1.0));
        let t = t_quantile(p, rest - 1.0);
        let critical = rest * t / ((rest - 1.0 + t * t) * (rest + 1.0)).sqrt();
        steps.push(OutlierStep { index, distance, critical });
        if distance > critical {
            found = i;
        }
    }
    (steps, found)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::testdata::close;
    use crate::stats::{Continuity, newcombe_difference, wilson};

    /// With weights 1 and −1 it is Newcombe's interval, whose published examples `difference` holds
    /// (Zou and Donner 2008, section 2, say so).
    #[test]
    fn a_difference_is_newcombes() {
        let level = Level::P95;
        for (a, b) in [((56, 70), (48, 80)), ((9, 10), (3, 10)), ((0, 29), (5, 56))] {
            let part = |w: f64, (k, n): (u64, u64)| {
                let own = wilson(k, n, level, Continuity::Uncorrected).unwrap();
                (w, k as f64 / n as f64, own)
            };
            let (estimate, found) = weighted_sum(&[part(1.0, a), part(-1.0, b)], level);
            let theirs = newcombe_difference(a, b, level).unwrap();
            close(found.low, theirs.low, 1e-12, "lower");
            close(found.high, theirs.high, 1e-12, "upper");
            close(estimate, a.0 as f64 / a.1 as f64 - b.0 as f64 / b.1 as f64, 1e-12, "estimate");
        }
    }

    /// Anscombe F.J., "Graphs in statistical analysis", The American Statistician 27 (1973) 17-21,
    /// first set: slope 0.500, intercept 3.00, standard error of the slope 0.118; p by scipy 1.17
    /// (scipy.stats.linregress): 0.00216962887307879, slope 0.50009090909090909, stderr
    /// 0.11790550059563408.
    #[test]
    fn a_line_through_a_published_set() {
        let x = [10.0, 8.0, 13.0, 9.0, 11.0, 14.0, 6.0, 4.0, 12.0, 7.0, 5.0];
        let y = [8.04, 6.95, 7.58, 8.81, 8.33, 9.96, 7.24, 4.26, 10.84, 4.82, 5.68];
        let points: Vec<(f64, f64)> = x.into_iter().zip(y).collect();
        let found = line(&points, Level::P95).unwrap();
        close(found.slope, 0.500_090_909_090_909, 1e-12, "slope");
        close(found.intercept, 3.000_090_909_090_909, 1e-9, "intercept");
        close(found.p, 0.002_169_628_873_078_79, 1e-9, "p");
        let half = 0.117_905_500_595_634_08 * 2.262_157_162_740_992;
        close(found.slope_interval.high - found.slope, half, 1e-9, "half-width");
        assert!(line(&points[..2], Level::P95).is_err());
        assert!(line(&[(1.0, 1.0), (1.0, 2.0), (1.0, 3.0)], Level::P95).is_err());
    }

    /// Rosner's data and his finding of three outliers, tested for up to ten, as NIST gives them
    /// (NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.17.3; data from memory); distances and
    /// critical values worked out with numpy 2.4 and scipy 1.17 (stats.t.ppf).
    #[test]
    fn rosners_example() {
        let values = [
            -0.25, 0.68, 0.94, 1.15, 1.20, 1.26, 1.26, 1.34, 1.38, 1.43, 1.49, 1.49, 1.55, 1.56,
            1.58, 1.65, 1.69, 1.70, 1.76, 1.77, 1.81, 1.91, 1.94, 1.96, 1.99, 2.06, 2.09, 2.10,
            2.14, 2.15, 2.23, 2.24, 2.26, 2.35, 2.37, 2.40, 2.47, 2.54, 2.62, 2.64, 2.90, 2.92,
            2.92, 2.93, 3.21, 3.26, 3.30, 3.59, 3.68, 4.30, 4.64, 5.34, 5.42, 6.01,
        ];
        let (steps, found) = outliers(&values, 10, 0.05);
        assert_eq!(found, 3);
        let theirs = [
            (3.1189, 3.1588),
            (2.9430, 3.1514),
            (3.1794, 3.1439),
            (2.8102, 3.1362),
            (2.8156, 3.1282),
            (2.8482, 3.1201),
            (2.2793, 3.1118),
            (2.3104, 3.1032),
            (2.1016, 3.0945),
            (2.0672, 3.0854),
        ];
        assert_eq!(steps.len(), theirs.len());
        for (step, (distance, critical)) in steps.iter().zip(theirs) {
            close(step.distance, distance, 6e-5, "distance");
            close(step.critical, critical, 6e-5, "critical");
        }
        assert_eq!(steps[..3].iter().map(|s| s.index).collect::<Vec<_>>(), [53, 52, 51]);
        assert_eq!(outliers(&values[..14], 3, 0.05), (Vec::new(), 0));
        assert_eq!(outliers(&[1.0; 20], 3, 0.05).1, 0);
    }

    use proptest::strategy::Strategy as _;

    fn parts() -> impl proptest::strategy::Strategy<Value = Vec<(f64, f64, Interval)>> {
        let part =
            (-3.0f64..3.0, 0.0f64..1.0, 0.0f64..0.3, 0.0f64..0.3).prop_map(|(w, e, a, b)| {
                (w, e, Interval { low: e - a, high: e + b, level: Level::P95 })
            });
        proptest::collection::vec(part, 1..12)
    }

    proptest::proptest! {
        /// Order does not matter, a factor goes through (a negative one swaps the ends), the estimate lies
        /// inside, and a part that is known exactly only shifts.
        #[test]
        fn a_weighted_sum_is_linear(all in parts(), k in -4.0f64..4.0, shift in -2.0f64..2.0) {
            let (estimate, i) = weighted_sum(&all, Level::P95);
            proptest::prop_assert!(i.low <= estimate && estimate <= i.high);
            let near = |a: f64, b: f64| (a - b).abs() < 1e-9;
            let mut back = all.clone();
            back.reverse();
            let (other, j) = weighted_sum(&back, Level::P95);
            proptest::prop_assert!(near(other, estimate) && near(j.low, i.low) && near(j.high, i.high));
            let scaled: Vec<_> = all.iter().map(|p| (k * p.0, p.1, p.2)).collect();
            let (other, j) = weighted_sum(&scaled, Level::P95);
            let ends = if k < 0.0 { [k * i.high, k * i.low] } else { [k * i.low, k * i.high] };
            proptest::prop_assert!(near(other, k * estimate));
            proptest::prop_assert!(near(j.low, ends[0]) && near(j.high, ends[1]));
            let mut known = all.clone();
            known.push((1.0, shift, Interval { low: shift, high: shift, level: Level::P95 }));
            let (other, j) = weighted_sum(&known, Level::P95);
            proptest::prop_assert!(near(other, estimate + shift));
            proptest::prop_assert!(near(j.low, i.low + shift) && near(j.high, i.high + shift));
        }

        /// Order, units and origin of x and y do not matter; a point on the line changes no slope; the
        /// slope lies inside its interval, which leaves out 0 just where p says so.
        #[test]
        fn a_line_knows_no_order_and_no_unit(
            points in proptest::collection::vec((0.0f64..50.0, -1.0f64..1.0), 3..30),
            (a, b, c, d) in (0.1f64..9.0, -9.0f64..9.0, 0.1f64..9.0, -9.0f64..9.0),
        ) {
            let spread = points.iter().map(|p| p.0).fold(0.0, f64::max)
                - points.iter().map(|p| p.0).fold(50.0, f64::min);
            if spread < 1.0 {
                return Ok(());
            }
            let found = line(&points, Level::P95).unwrap();
            let mut back = points.clone();
            back.reverse();
            let back = line(&back, Level::P95).unwrap();
            proptest::prop_assert!((back.slope - found.slope).abs() < 1e-9);
            proptest::prop_assert!((back.p - found.p).abs() < 1e-7);
            let moved: Vec<_> = points.iter().map(|p| (a * p.0 + b, c * p.1 + d)).collect();
            let moved = line(&moved, Level::P95).unwrap();
            proptest::prop_assert!((moved.slope - c / a * found.slope).abs() < 1e-6 * (1.0 + c / a));
            proptest::prop_assert!((moved.p - found.p).abs() < 1e-6);
            proptest::prop_assert!((0.0..=1.0).contains(&found.p));
            proptest::prop_assert!(found.slope_interval.contains(found.slope));
            if (found.p - 0.05).abs() > 1e-6 {
                proptest::prop_assert_eq!(found.p < 0.05, !found.slope_interval.contains(0.0));
            }
            let mut more = points.clone();
            more.push((25.0, found.intercept + found.slope * 25.0));
            let more = line(&more, Level::P95).unwrap();
            proptest::prop_assert!((more.slope - found.slope).abs() < 1e-9);
        }

        /// Units, origin and order do not change what lies apart.
        #[test]
        fn outliers_know_no_unit(
            mut values in proptest::collection::vec(-1.0f64..1.0, 15..40), far in 5.0f64..40.0,
            (a, b) in (0.1f64..9.0, -9.0f64..9.0),
        ) {
            values[7] = far;
            let (steps, count) = outliers(&values, 3, 0.05);
            proptest::prop_assert!(count >= 1 && steps[0].index == 7, "{steps:?}");
            let moved: Vec<f64> = values.iter().map(|v| b - a * v).collect();
            let (other, n) = outliers(&moved, 3, 0.05);
            proptest::prop_assert_eq!(n, count);
            for (one, two) in steps.iter().zip(&other) {
                proptest::prop_assert_eq!(one.index, two.index);
                proptest::prop_assert!((one.distance - two.distance).abs() < 1e-7);
            }
            let last = values.len() - 1;
            values.reverse();
            proptest::prop_assert_eq!(outliers(&values, 3, 0.05).0[0].index, last - 7);
            proptest::prop_assert!(outliers(&values, 3, 0.001).1 <= count);
        }
    }
}
