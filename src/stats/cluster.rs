//! Ratios R = Σy/Σx and their variances, from single elements and from whole clusters.

use super::StatsError;

/// A ratio with its estimated variance.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ratio {
    /// R = Σy/Σx.
    pub estimate: f64,
    /// Estimated variance of R.
    pub variance: f64,
    /// How many elements or clusters it came from.
    pub n: usize,
}

impl Ratio {
    /// Square root of the variance.
    pub fn standard_error(&self) -> f64 {
        self.variance.sqrt()
    }
}

/// Ratio of cluster totals with linearised variance
/// v = (1−f)·n/(n−1)·Σ(y−Rx)²/(Σx)² (Cochran 1977, sec. 9A.1; Kish 1965). `clusters` holds
/// (y, x) a cluster; `sampling_fraction` f is the share of all clusters that was drawn, 0 when
/// unknown.
///
/// # Errors
/// With fewer than two clusters, Σx not above 0, or f not from 0 to 1.
pub fn cluster_ratio(clusters: &[(f64, f64)], sampling_fraction: f64) -> Result<Ratio, StatsError> {
    super::check_share("sampling fraction", sampling_fraction)?;
    let n = clusters.len();
    if n < 2 {
        return Err(StatsError::TooFew {
            what: "a variance between clusters",
            needed: 2,
            found: n,
        });
    }
    let (y, x) = clusters.iter().fold((0.0, 0.0), |(y, x), c| (y + c.0, x + c.1));
    super::check_positive("sum of cluster sizes", x)?;
    let estimate = y / x;
    let squares: f64 = clusters.iter().map(|c| (c.0 - estimate * c.1).powi(2)).sum();
    let variance = (1.0 - sampling_fraction) * n as f64 / (n as f64 - 1.0) * squares / (x * x);
    Ok(Ratio { estimate, variance, n })
}

/// Share by weight within one sample of elements: R = Σ y·m/Σ m over elements of which `true` ones
/// are in the class (y = 1), v = n/(n−1)·Σ m²(y−R)²/(Σm)².
///
/// # Errors
/// With fewer than two elements or Σm not above 0.
pub fn element_ratio(elements: &[(bool, f64)]) -> Result<Ratio, StatsError> {
    let clusters: Vec<(f64, f64)> =
        elements.iter().map(|&(inside, m)| (if inside { m } else { 0.0 }, m)).collect();
    cluster_ratio(&clusters, 0.0)
}

/// One-way analysis of variance of a yes-or-no property over clusters.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AnovaIcc {
    /// Mean square between clusters.
    pub between: f64,
    /// Mean square within clusters.
    pub within: f64,
    /// Size n₀ of clusters of unequal size.
    pub n0: f64,
    /// F = between/within.
    pub f: f64,
    /// Intraclass correlation (MSB − MSW)/(MSB + (n₀ − 1)·MSW); may be negative.
    pub icc: f64,
}

/// ANOVA estimate of the intraclass correlation (e.g. Donner and Klar 2000) from
/// (successes, size) of each cluster.
///
/// # Errors
/// With fewer than two clusters, no spare element, or more successes than elements.
pub fn anova_icc(clusters: &[(u64, u64)]) -> Result<AnovaIcc, StatsError> {
    let k = clusters.len();
    if k < 2 {
        return Err(StatsError::TooFew { what: "an intraclass correlation", needed: 2, found: k });
    }
    let mut counts = Vec::with_capacity(k);
    for &(x, n) in clusters {
        counts.push(super::check_counts(x, n)?);
    }
    let total: f64 = counts.iter().map(|c| c.1).sum();
    let k = k as f64;
    if total <= k {
        return Err(StatsError::TooFew {
            what: "variation within clusters",
            needed: k as usize + 1,
            found: total as usize,
        });
    }
    let p = counts.iter().map(|c| c.0).sum::<f64>() / total;
    let between = counts.iter().map(|(x, n)| n * (x / n - p).powi(2)).sum::<f64>() / (k - 1.0);
    let within = counts.iter().map(|(x, n)| x * (n - x) / n).sum::<f64>() / (total - k);
    let n0 = (total - counts.iter().map(|c| c.1 * c.1).sum::<f64>() / total) / (k - 1.0);
    Ok(AnovaIcc {
        between,
        within,
        n0,
        f: between / within,
        icc: (between - within) / (between + (n0 - 1.0) * within),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::testdata::{close, rows};
    use crate::stats::{Level, clopper_pearson_real, logit_t};

    /// PUBLISHED worked example: R package survey, California API data, 15 of 757 districts drawn
    /// (its public examples page): mean api00 644.17 SE 23.542; elementary 0.786885 SE 0.0463.
    #[test]
    fn survey_packages_cluster_example() {
        let cells = rows(include_str!("../../tests/data/check-values/cluster_api.csv"));
        assert_eq!(cells.len(), 15);
        let column = |y: usize, x: usize| -> Vec<(f64, f64)> {
            cells.iter().map(|r| (r[y].parse().unwrap(), r[x].parse().unwrap())).collect()
        };
        let f = 15.0 / 757.0;
        let api = cluster_ratio(&column(4, 1), f).unwrap();
        close(api.estimate, 644.1693989, 5e-8, "mean");
        close(api.standard_error(), 23.5422407, 5e-8, "se");
        let elementary = cluster_ratio(&column(5, 1), f).unwrap();
        close(elementary.estimate, 0.78688525, 5e-9, "share");
        close(elementary.standard_error(), 0.04633655, 5e-9, "se");
        let tested = cluster_ratio(&column(3, 2), f).unwrap();
        close(tested.estimate, 0.8497087417, 5e-11, "ratio");
        close(tested.standard_error(), 0.008386297169, 5e-13, "se");
        let plain = cluster_ratio(&column(3, 2), 0.0).unwrap();
        close(plain.standard_error(), 0.008470640195, 5e-13, "se without correction");
    }

    /// Own example of check-values.md section 4, COMPUTED with R survey 4.1.1 and by formula.
    #[test]
    fn berries_in_eight_subsamples() {
        let cells = rows(include_str!("../../tests/data/check-values/cluster_berries.csv"));
        let counts: Vec<(u64, u64)> =
            cells.iter().map(|r| (r[2].parse().unwrap(), r[1].parse().unwrap())).collect();
        let clusters: Vec<(f64, f64)> = counts.iter().map(|&(x, n)| (x as f64, n as f64)).collect();
        let ratio = cluster_ratio(&clusters, 0.0).unwrap();
        close(ratio.estimate, 0.093975903614, 5e-13, "share");
        close(ratio.standard_error(), 0.014103979683, 5e-13, "se");
        let p = ratio.estimate;
        let random = p * (1.0 - p) / 830.0;
        close(random, 1.0258365440e-4, 5e-15, "simple random variance");
        close(ratio.variance / random, 1.939122212, 5e-10, "design effect");
        let logit = logit_t(p, ratio.standard_error(), 7.0, Level::P95).unwrap();
        close(logit.low, 0.0655146560, 5e-11, "logit-t low");
        close(logit.high, 0.1330411627, 5e-11, "logit-t high");
        // Korn and Graubard: effective size p(1-p)/v, shortened by (t_{n-1}/t_{k-1})².
        let t = Level::P95.t(829.0) / Level::P95.t(7.0);
        let effective = p * (1.0 - p) / ratio.variance * t * t;
        let exact = clopper_pearson_real(p * effective, effective, Level::P95).unwrap();
        close(exact.low, 0.0632149218, 5e-10, "beta low");
        close(exact.high, 0.1331843794, 5e-10, "beta high");
        let anova = anova_icc(&counts).unwrap();
        close(anova.between, 0.1601499692, 5e-11, "MSB");
        close(anova.within, 0.0846092819, 5e-11, "MSW");
        close(anova.n0, 103.6165, 5e-5, "n0");
        close(anova.f, 1.89282, 5e-6, "F");
        close(anova.icc, 0.0085429490, 5e-11, "ICC");
    }

    /// With equal weights the element ratio is a proportion with variance p(1−p)/(n−1).
    #[test]
    fn equal_weights_are_a_proportion() {
        let elements: Vec<(bool, f64)> = (0..50).map(|i| (i % 5 == 0, 1.3)).collect();
        let ratio = element_ratio(&elements).unwrap();
        close(ratio.estimate, 0.2, 1e-15, "share");
        close(ratio.variance, 0.2 * 0.8 / 49.0, 1e-15, "variance");
    }

    #[test]
    fn too_little_is_refused() {
        assert!(cluster_ratio(&[(1.0, 2.0)], 0.0).is_err());
        assert!(cluster_ratio(&[(0.0, 0.0), (0.0, 0.0)], 0.0).is_err());
        assert!(element_ratio(&[]).is_err());
        assert!(anova_icc(&[(1, 1), (0, 1)]).is_err());
        assert!(anova_icc(&[(3, 1), (0, 1)]).is_err());
    }

    fn clusters() -> impl proptest::strategy::Strategy<Value = Vec<(u64, u64)>> {
        proptest::collection::vec((0.0f64..=1.0, 1u64..200), 2..20)
            .prop_map(|all| all.into_iter().map(|(u, n)| ((n as f64 * u) as u64, n)).collect())
    }
    use proptest::strategy::Strategy as _;

    proptest::proptest! {
        /// Order, the unit of y and x, and which of two classes is asked for do not matter.
        #[test]
        fn a_ratio_knows_no_order_no_unit_and_no_side(
            all in clusters(), unit in 0.01f64..100.0, f in 0.0f64..1.0,
        ) {
            let own: Vec<(f64, f64)> = all.iter().map(|c| (c.0 as f64, c.1 as f64)).collect();
            let found = cluster_ratio(&own, f).unwrap();
            proptest::prop_assert!((0.0..=1.0).contains(&found.estimate));
            proptest::prop_assert!(found.variance >= 0.0);
            let mut back = own.clone();
            back.reverse();
            let scaled: Vec<(f64, f64)> = own.iter().map(|c| (unit * c.0, unit * c.1)).collect();
            let others: Vec<(f64, f64)> = own.iter().map(|c| (c.1 - c.0, c.1)).collect();
            for (other, mirrored) in [(&back, false), (&scaled, false), (&others, true)] {
                let other = cluster_ratio(other, f).unwrap();
                let wanted = if mirrored { 1.0 - found.estimate } else { found.estimate };
                proptest::prop_assert!((other.estimate - wanted).abs() < 1e-12);
                proptest::prop_assert!((other.variance - found.variance).abs() < 1e-12);
            }
            // Every cluster twice: the same share, known better.
            let twice = [own.clone(), own].concat();
            proptest::prop_assert!(cluster_ratio(&twice, f).unwrap().variance <= found.variance);
        }

        /// Equal masses are counts: R(1−R)/(n−1).
        #[test]
        fn equal_masses_are_counts(inside in 0usize..100, n in 2usize..100, m in 0.01f64..50.0) {
            let all: Vec<(bool, f64)> = (0..n).map(|i| (i < inside, m)).collect();
            let found = element_ratio(&all).unwrap();
            let r = inside.min(n) as f64 / n as f64;
            proptest::prop_assert!((found.estimate - r).abs() < 1e-12);
            let plain = r * (1.0 - r) / (n as f64 - 1.0);
            proptest::prop_assert!((found.variance - plain).abs() < 1e-12);
        }

        #[test]
        fn the_intraclass_correlation_knows_no_order_and_no_side(all in clusters()) {
            let Ok(found) = anova_icc(&all) else { return Ok(()) };
            let mut back = all.clone();
            back.reverse();
            let others: Vec<(u64, u64)> = all.iter().map(|c| (c.1 - c.0, c.1)).collect();
            for other in [anova_icc(&back).unwrap(), anova_icc(&others).unwrap()] {
                proptest::prop_assert!((other.between - found.between).abs() < 1e-9);
                proptest::prop_assert!((other.within - found.within).abs() < 1e-9);
            }
            proptest::prop_assert!(found.icc.is_nan() || found.icc <= 1.0 + 1e-9, "{found:?}");
        }
    }
}
