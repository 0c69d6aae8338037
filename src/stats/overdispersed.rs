//! Interval of a share from a handful of clusters whose elements may be more alike inside a
//! cluster than between clusters.
//!
//! # The problem
//! With n clusters the variance between them is known with n − 1 degrees of freedom only, but it
//! cannot be less than what the elements give when drawn one by one. Taking t with n − 1 degrees
//! of freedom and the larger of both variances covers 99 % where the clusters differ by chance
//! only (five clusters); taking the normal quantile there and t elsewhere covers too little when
//! they do differ.
//!
//! # The interval
//! On the logit scale, in units of the element-wise standard error, with φ = measured design
//! effect (variance between clusters / element-wise variance) and d degrees of freedom:
//!
//! * d < 4 (fewer than five clusters): half-width max(z, t·√φ), t with d degrees of freedom.
//! * d ≥ 4: half-width z where φ shows no difference between clusters, 1.05·t·√max(φ, φ₀) where
//!   it does, a straight and steep passage between. "Shows" means φ above 1 − 0.06·s towards the
//!   far side (upper limit of a rare class) and above 1 + 0.70·s towards the near side, passage
//!   0.07·s wide, s = (4/d)^⅕; φ₀ = 1 + 1.4·√(2/d): once a difference shows, no smaller
//!   design effect than φ₀ is believed from so few clusters. The far side is judged more strictly
//!   because a sample that missed the heavy clusters shows a low share and a low φ together. For
//!   shares near one half both sides are judged alike.
//!
//! The half-width is never below z element-wise standard errors: the floor.
//!
//! # Where the constants come from
//! Own work, no source: chosen by simulation of beta-binomial clusters (5 to 20 clusters of 80 to
//! 350 elements, shares 0.01 to 0.1, design effects 1, 2 and 4) so that coverage at 95 % lies
//! between 93.5 and 96.5 %. `load`'s tests repeat such a simulation, independently seeded, and
//! assert those bounds.

use super::{Interval, Level, StatsError, check_open_share, logit_interval};

/// Below this the measured design effect is too uncertain for a passage; the wider is taken.
const DEGREES_FOR_PASSAGE: f64 = 4.0;
const FAR_THRESHOLD: f64 = -0.06;
const NEAR_THRESHOLD: f64 = 0.70;
const PASSAGE: f64 = 0.07;
const WIDENING: f64 = 1.05;
const LEAST_BELIEVED: f64 = 1.4;

/// Interval of `share` from clusters: `element_variance` is its variance were the elements drawn
/// one by one, `cluster_variance` the one estimated between clusters with `degrees_of_freedom`.
/// Formula and coverage: see the module.
///
/// # Errors
/// Unless 0 < `share` < 1, `element_variance` > 0, `cluster_variance` ≥ 0 and
/// `degrees_of_freedom` > 0.
pub fn overdispersed_interval(
    share: f64,
    element_variance: f64,
    cluster_variance: f64,
    degrees_of_freedom: f64,
    level: Level,
) -> Result<Interval, StatsError> {
    check_open_share("share", share)?;
    super::check_positive("element-wise variance", element_variance)?;
    if cluster_variance.is_nan() || cluster_variance < 0.0 {
        return Err(StatsError::Range {
            name: "variance between clusters",
            value: cluster_variance,
            range: "0 or more",
        });
    }
    if degrees_of_freedom.is_nan() || degrees_of_freedom <= 0.0 {
        return Err(StatsError::Range {
            name: "degrees of freedom",
            value: degrees_of_freedom,
            range: "above 0",
        });
    }
    let phi = cluster_variance / element_variance;
    let (near, far) = multipliers(phi, degrees_of_freedom, (1.0 - 2.0 * share).abs(), level);
    let se = element_variance.sqrt();
    let (low, high) = if share <= 0.5 { (near, far) } else { (far, near) };
    Ok(Interval {
        low: logit_interval(share, se, low, level).low,
        high: logit_interval(share, se, high, level).high,
        level,
    })
}

/// Half-widths towards the nearer and the farther end of 0 to 1, in element-wise standard errors;
/// `lean` is 0 at a share of one half and 1 at the ends.
fn multipliers(phi: f64, degrees: f64, lean: f64, level: Level) -> (f64, f64) {
    let (z, t) = (level.z(), level.t(degrees));
    if degrees < DEGREES_FOR_PASSAGE {
        let wider = z.max(t * phi.sqrt());
        return (wider, wider);
    }
    let scale = (4.0 / degrees).powf(0.2);
    let least = 1.0 + LEAST_BELIEVED * (2.0 / degrees).sqrt();
    let full = WIDENING * t * phi.max(least).sqrt();
    let centre = 0.5 * (NEAR_THRESHOLD + FAR_THRESHOLD);
    let half = 0.5 * (NEAR_THRESHOLD - FAR_THRESHOLD) * lean;
    let at = |threshold: f64| {
        if scale == 0.0 {
            return if phi > 1.0 { full.max(z) } else { z };
        }
        let along = ((phi - 1.0 - threshold * scale) / (PASSAGE * scale)).clamp(0.0, 1.0);
        z + (full - z).max(0.0) * along
    };
    (at(centre + half), at(centre - half))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::testdata::close;

    #[test]
    fn clusters_that_do_not_differ_give_the_element_wise_interval() {
        let v = 0.1 * 0.9 / 500.0;
        let found = overdispersed_interval(0.1, v, 0.3 * v, 7.0, Level::P95).unwrap();
        let plain = logit_interval(0.1, v.sqrt(), Level::P95.z(), Level::P95);
        close(found.low, plain.low, 1e-15, "low");
        close(found.high, plain.high, 1e-15, "high");
    }

    #[test]
    fn clusters_that_differ_give_t_with_their_own_variance() {
        let v = 0.1 * 0.9 / 500.0;
        let found = overdispersed_interval(0.1, v, 5.0 * v, 7.0, Level::P95).unwrap();
        // t(0.975, 7) = 2.3646 (any printed table), widened by the stated 1.05.
        let plain = logit_interval(0.1, (5.0 * v).sqrt(), 1.05 * 2.3646242516, Level::P95);
        close(found.low, plain.low, 1e-10, "low");
        close(found.high, plain.high, 1e-10, "high");
        let few = overdispersed_interval(0.1, v, 2.0 * v, 2.0, Level::P95).unwrap();
        let plain = logit_interval(0.1, (2.0 * v).sqrt(), 4.3026527297, Level::P95);
        close(few.high, plain.high, 1e-9, "three clusters");
    }

    /// A variance that is known needs no passage.
    #[test]
    fn endless_degrees_of_freedom() {
        let v = 1e-4;
        let of =
            |phi: f64| overdispersed_interval(0.1, v, phi * v, f64::INFINITY, Level::P95).unwrap();
        let plain = logit_interval(0.1, 1e-2, Level::P95.z(), Level::P95);
        close(of(1.0).high, plain.high, 1e-12, "chance only");
        assert!(of(1.2).high > plain.high);
    }

    #[test]
    fn nonsense_is_refused() {
        for (share, element, cluster, degrees) in [
            (0.0, 0.1, 0.1, 5.0),
            (0.1, 0.0, 0.1, 5.0),
            (0.1, 0.1, -1.0, 5.0),
            (0.1, 0.1, 0.1, 0.0),
            (0.1, 0.1, f64::NAN, 5.0),
        ] {
            assert!(overdispersed_interval(share, element, cluster, degrees, Level::P95).is_err());
        }
    }

    proptest::proptest! {
        #[test]
        fn wider_as_clusters_differ_more_and_mirrored(
            share in 0.001f64..0.999, phi in 0.0f64..8.0, more in 0.0f64..3.0,
            degrees in 1.0f64..60.0, n in 20.0f64..3000.0,
        ) {
            let v = share * (1.0 - share) / n;
            let of = |p: f64, f: f64| {
                overdispersed_interval(p, v, v * f, degrees, Level::P95).unwrap()
            };
            let (less, wide) = (of(share, phi), of(share, phi + more));
            proptest::prop_assert!(wide.low <= less.low + 1e-12 && wide.high >= less.high - 1e-12);
            let mirror = of(1.0 - share, phi).complement();
            proptest::prop_assert!((mirror.low - less.low).abs() < 1e-9);
            proptest::prop_assert!((mirror.high - less.high).abs() < 1e-9);
            let floor = logit_interval(share, v.sqrt(), Level::P95.z(), Level::P95);
            proptest::prop_assert!(less.low <= floor.low && less.high >= floor.high);
        }
    }
}
