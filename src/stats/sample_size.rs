//! How many to take.

use super::{Level, StatsError, check_open_share, check_positive};

/// Cochran's sample size for a share in an infinite population, n₀ = z²p(1−p)/d² (Cochran 1977,
/// Sampling Techniques, ch. 4). Unrounded: round up at the end, after every other factor.
///
/// # Errors
/// Unless 0 < `share` < 1 and `half_width` > 0.
pub fn cochran_sample_size(share: f64, half_width: f64, level: Level) -> Result<f64, StatsError> {
    check_open_share("expected share", share)?;
    check_positive("half-width", half_width)?;
    let z = level.z();
    Ok(z * z * share * (1.0 - share) / (half_width * half_width))
}

/// Finite population form n = n₀/(1 + (n₀ − 1)/N) (Cochran 1977, sec. 4.4), from the unrounded n₀.
///
/// # Errors
/// Unless both are above 0.
pub fn finite_population_sample_size(n0: f64, population: f64) -> Result<f64, StatsError> {
    check_positive("sample size", n0)?;
    check_positive("population", population)?;
    Ok(n0 / (1.0 + (n0 - 1.0) / population))
}

/// Kish's design effect 1 + (m − 1)ρ of clusters of m with intraclass correlation ρ (Kish 1965).
///
/// # Errors
/// Unless `cluster_size` ≥ 1 and −1 ≤ `icc` ≤ 1.
pub fn design_effect(cluster_size: f64, icc: f64) -> Result<f64, StatsError> {
    if !(cluster_size >= 1.0 && cluster_size.is_finite()) {
        return Err(StatsError::Range {
            name: "cluster size",
            value: cluster_size,
            range: "1 or more",
        });
    }
    if !(-1.0..=1.0).contains(&icc) {
        return Err(StatsError::Range {
            name: "intraclass correlation",
            value: icc,
            range: "from -1 to 1",
        });
    }
    Ok(1.0 + (cluster_size - 1.0) * icc)
}

/// The intraclass correlation that a design effect stands for: (deff − 1)/(m − 1).
///
/// # Errors
/// Unless `cluster_size` > 1 and `deff` > 0.
pub fn icc_from_design_effect(deff: f64, cluster_size: f64) -> Result<f64, StatsError> {
    check_positive("design effect", deff)?;
    if !(cluster_size > 1.0 && cluster_size.is_finite()) {
        return Err(StatsError::Range {
            name: "cluster size",
            value: cluster_size,
            range: "above 1",
        });
    }
    Ok((deff - 1.0) / (cluster_size - 1.0))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::testdata::close;

    /// check-values.md section 4, COMPUTED by Cochran's formula with exact z.
    #[test]
    fn cochrans_sizes() {
        for (p, d, n0, whole) in [
            (0.5, 0.05, 384.1459, 385.0),
            (0.5, 0.03, 1067.0719, 1068.0),
            (0.5, 0.01, 9603.6471, 9604.0),
            (0.1, 0.02, 864.3282, 865.0),
            (0.05, 0.01, 1824.6929, 1825.0),
            (0.03, 0.01, 1117.8645, 1118.0),
            (0.02, 0.005, 3011.7037, 3012.0),
        ] {
            let found = cochran_sample_size(p, d, Level::P95).unwrap();
            close(found, n0, 5.1e-5, "n0");
            assert_eq!(found.ceil(), whole);
        }
        let n0 = cochran_sample_size(0.5, 0.05, Level::P95).unwrap();
        for (population, n) in
            [(500.0, 217.4872), (1000.0, 277.7335), (3200.0, 343.0692), (10000.0, 369.9706)]
        {
            close(finite_population_sample_size(n0, population).unwrap(), n, 5.1e-5, "finite");
        }
        let n0 = cochran_sample_size(0.05, 0.01, Level::P95).unwrap();
        close(finite_population_sample_size(n0, 10000.0).unwrap(), 1543.2513, 5.1e-5, "finite");
        // Cochran's own island example (1977, sec. 4.4; from memory, recomputed).
        close(finite_population_sample_size(400.0, 3200.0).unwrap(), 355.6543, 5.1e-5, "island");
    }

    /// Kish 1965; check-values.md section 4.
    #[test]
    fn kishs_design_effects() {
        for (m, rho, deff) in
            [(20.0, 0.05, 1.95), (100.0, 0.01, 1.99), (50.0, 0.02, 1.98), (10.0, 0.1, 1.90)]
        {
            close(design_effect(m, rho).unwrap(), deff, 1e-12, "design effect");
            close(icc_from_design_effect(deff, m).unwrap(), rho, 1e-12, "back");
        }
        // Own example of check-values.md: rho backed out of 1.939122212 with mean size 103.75.
        close(icc_from_design_effect(1.939122212, 103.75).unwrap(), 0.0091398755, 5e-11, "rho");
    }

    #[test]
    fn nonsense_is_refused() {
        assert!(cochran_sample_size(0.0, 0.1, Level::P95).is_err());
        assert!(cochran_sample_size(0.1, 0.0, Level::P95).is_err());
        assert!(finite_population_sample_size(10.0, 0.0).is_err());
        assert!(design_effect(0.5, 0.1).is_err() && design_effect(5.0, 2.0).is_err());
        assert!(icc_from_design_effect(2.0, 1.0).is_err());
    }

    proptest::proptest! {
        /// Smaller half-widths and surer levels want more; shares are mirrored; a finite load wants less,
        /// never more than it holds; an endless one what was asked.
        #[test]
        fn sizes_are_ordered(
            p in 0.001f64..0.999, d in 0.001f64..0.2, less in 0.1f64..1.0, load in 1.0f64..1e6,
        ) {
            let of = |p, d| cochran_sample_size(p, d, Level::P95).unwrap();
            let n0 = of(p, d);
            proptest::prop_assert!(of(p, d * less) >= n0);
            proptest::prop_assert!((of(1.0 - p, d) - n0).abs() <= 1e-9 * n0);
            proptest::prop_assert!(cochran_sample_size(p, d, Level::new(0.99).unwrap()).unwrap() > n0);
            // The size gives the half-width back.
            let z = Level::P95.z();
            proptest::prop_assert!((z * (p * (1.0 - p) / n0).sqrt() - d).abs() < 1e-9);
            let finite = finite_population_sample_size(n0, load).unwrap();
            if n0 >= 1.0 && load >= 1.0 {
                proptest::prop_assert!(finite <= n0.min(load) * (1.0 + 1e-9), "{n0} {load} {finite}");
            }
            let endless = finite_population_sample_size(n0, 1e15).unwrap();
            proptest::prop_assert!((endless - n0).abs() <= 1e-6 * n0);
        }

        #[test]
        fn a_design_effect_and_its_correlation_are_inverses(m in 1.5f64..500.0, rho in 0.0f64..1.0) {
            let effect = design_effect(m, rho).unwrap();
            proptest::prop_assert!(effect >= 1.0 && effect <= m + 1e-9);
            proptest::prop_assert!((icc_from_design_effect(effect, m).unwrap() - rho).abs() < 1e-9);
        }
    }
}
