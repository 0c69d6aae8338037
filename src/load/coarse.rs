//! Coarse debris: canes, whole bunches, leaves over 50 mm. They never fit a tray; they are weighed
//! out of a kilogram-scale increment and joined to what the trays show.

use super::LoadError;
use super::share::Share;
use crate::stats::{Interval, Level, poisson_interval_real};

/// What was weighed out of the coarse increments, all of them together.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct CoarseDebris {
    /// Mass of the coarse pieces, kg, 0 or more.
    pub coarse_kg: f64,
    /// M_c: mass of the increments they came from, coarse pieces included, kg, above 0.
    pub increment_kg: f64,
    /// Number of coarse pieces. 0 exactly when `coarse_kg` is 0.
    pub pieces: u32,
    /// Mass that a single coarse piece can be expected to have, kg; used for the upper limit when
    /// none was found.
    pub typical_piece_kg: f64,
}

impl CoarseDebris {
    /// From the scale, with a typical piece of 15 g (a hand's length of cane; common practice, no
    /// source).
    pub fn new(coarse_kg: f64, increment_kg: f64, pieces: u32) -> Self {
        CoarseDebris { coarse_kg, increment_kg, pieces, typical_piece_kg: 0.015 }
    }
}

/// Debris of the load by mass, coarse and fine together.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct JoinedShare {
    /// m_coarse/M_c.
    pub coarse: f64,
    /// Interval of the coarse part: exact Poisson limits of the number of pieces times their mean
    /// mass, for pieces of like mass.
    pub coarse_interval: Interval,
    /// m_coarse/M_c + (1 − m_coarse/M_c)·share_tray.
    pub estimate: f64,
    /// Its interval: limits of both parts combined by squares (MOVER, Zou and Donner 2008, Stat Med
    /// 27:1693-1702), the parts being independent.
    pub interval: Interval,
}

/// Joins coarse debris to the trays' debris share by mass.
///
/// # Errors
/// [`LoadError::Setting`] when the masses or the number of pieces cannot be.
pub fn join_coarse(
    coarse: &CoarseDebris,
    tray: &Share,
    level: Level,
) -> Result<JoinedShare, LoadError> {
    let fault = |words: String| Err(LoadError::Setting(words));
    let CoarseDebris { coarse_kg, increment_kg, pieces, typical_piece_kg } = *coarse;
    if !(increment_kg > 0.0 && increment_kg.is_finite()) {
        return fault(format!("coarse increment of {increment_kg} kg cannot be: give its mass"));
    }
    if !(coarse_kg >= 0.0 && coarse_kg <= increment_kg) {
        return fault(format!(
            "{coarse_kg} kg of coarse debris cannot come from {increment_kg} kg: correct one of \
             them"
        ));
    }
    if (pieces == 0) != (coarse_kg == 0.0) {
        return fault(format!(
            "{pieces} coarse pieces weigh {coarse_kg} kg: count and mass must both be 0 or neither"
        ));
    }
    if !(typical_piece_kg > 0.0 && typical_piece_kg.is_finite()) {
        return fault(format!("a coarse piece of {typical_piece_kg} kg cannot be"));
    }
    let c = coarse_kg / increment_kg;
    let limits = poisson_interval_real(f64::from(pieces), level);
    let piece_kg = if pieces == 0 { typical_piece_kg } else { coarse_kg / f64::from(pieces) };
    let share_of = |pieces: f64| (pieces * piece_kg / increment_kg).min(1.0);
    let coarse_interval =
        Interval { low: share_of(limits.low), high: share_of(limits.high), level };
    let (s, fine) = (tray.estimate, tray.interval);
    let estimate = c + (1.0 - c) * s;
    let spread =
        |coarse_gap: f64, fine_gap: f64| ((1.0 - s) * coarse_gap).hypot((1.0 - c) * fine_gap);
    let interval = Interval {
        low: (estimate - spread(c - coarse_interval.low, s - fine.low)).max(0.0),
        high: (estimate + spread(coarse_interval.high - c, fine.high - s)).min(1.0),
        level,
    };
    Ok(JoinedShare { coarse: c, coarse_interval, estimate, interval })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::load::{Cluster, Stage, share_of_clusters};
    use crate::stats::testdata::close;

    fn tray_share() -> Share {
        let elements = (0..500).map(|i| (i < 10, 1.0)).collect();
        share_of_clusters(&[Cluster::of_tray(elements)], Stage::Trays, false, 4.0, Level::P95)
            .unwrap()
    }

    /// By hand: 0.18 kg of 12 kg is 1.5 %; the trays show 2 %; 0.015 + 0.985·0.02 = 3.47 %.
    #[test]
    fn coarse_and_fine_are_joined() {
        let found =
            join_coarse(&CoarseDebris::new(0.18, 12.0, 9), &tray_share(), Level::P95).unwrap();
        close(found.coarse, 0.015, 1e-15, "coarse");
        close(found.estimate, 0.0347, 1e-15, "joined");
        // Nine pieces: exact Poisson limits 4.115 to 17.085 (printed tables), 20 g each of 12 kg.
        close(found.coarse_interval.low, 4.115 * 0.02 / 12.0, 1e-6, "low");
        close(found.coarse_interval.high, 17.085 * 0.02 / 12.0, 1e-6, "high");
        assert!(found.interval.low < found.estimate && found.estimate < found.interval.high);
        assert!(found.interval.width() > tray_share().interval.width() * 0.985);
    }

    #[test]
    fn nothing_coarse_still_leaves_an_upper_limit() {
        let found =
            join_coarse(&CoarseDebris::new(0.0, 12.0, 0), &tray_share(), Level::P95).unwrap();
        close(found.estimate, 0.02, 1e-15, "joined");
        close(found.coarse_interval.high, 3.6889 * 0.015 / 12.0, 1e-6, "high");
        assert!(found.interval.high > tray_share().interval.high);
    }

    #[test]
    fn masses_that_cannot_be_are_refused() {
        for (coarse, increment, pieces) in
            [(0.1, 0.0, 1), (2.0, 1.0, 1), (0.1, 1.0, 0), (0.0, 1.0, 2), (f64::NAN, 1.0, 1)]
        {
            let debris = CoarseDebris::new(coarse, increment, pieces);
            assert!(join_coarse(&debris, &tray_share(), Level::P95).is_err());
        }
    }

    proptest::proptest! {
        /// Units of mass do not matter; the joined share lies in its interval, at or above either part; more
        /// coarse mass is more; a larger increment with the same share is known better.
        #[test]
        fn joined_shares_are_ordered(
            pieces in 1u32..60, piece in 0.001f64..0.05, rest in 0.5f64..40.0, unit in 0.01f64..100.0,
        ) {
            let tray = tray_share();
            let of = |pieces: u32, kg: f64, all: f64, unit: f64| {
                let c = CoarseDebris {
                    coarse_kg: unit * kg,
                    increment_kg: unit * all,
                    pieces,
                    typical_piece_kg: unit * 0.015,
                };
                join_coarse(&c, &tray, Level::P95).unwrap()
            };
            let kg = f64::from(pieces) * piece;
            let all = kg + rest;
            let found = of(pieces, kg, all, 1.0);
            let scaled = of(pieces, kg, all, unit);
            proptest::prop_assert!((found.estimate - scaled.estimate).abs() < 1e-12);
            proptest::prop_assert!((found.interval.high - scaled.interval.high).abs() < 1e-12);
            proptest::prop_assert!(found.interval.contains(found.estimate));
            proptest::prop_assert!(found.interval.low >= 0.0 && found.interval.high <= 1.0);
            proptest::prop_assert!(found.estimate >= found.coarse.max(tray.estimate) - 1e-12);
            // One and the same formula: what is not coarse and not fine debris is left.
            let left = (1.0 - found.coarse) * (1.0 - tray.estimate);
            proptest::prop_assert!((found.estimate + left - 1.0).abs() < 1e-12);
            proptest::prop_assert!(of(pieces + 1, kg + piece, all + piece, 1.0).estimate >= found.estimate);
            let tenfold = of(10 * pieces, 10.0 * kg, 10.0 * all, 1.0);
            proptest::prop_assert!(tenfold.interval.width() <= found.interval.width() + 1e-12);
        }
    }
}
