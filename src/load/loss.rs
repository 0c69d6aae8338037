//! What sorting the load would take away.

use super::share::Share;
use crate::stats::Interval;

/// What a sorter does to the fruit.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct SorterRates {
    /// ρ: share of the rejects' mass that the sorter takes out, 0 to 1.
    pub removal_rate: f64,
    /// φ: share of the sound berries' mass that goes out with them, 0 to 1.
    pub false_reject_rate: f64,
}

impl Default for SorterRates {
    /// Four fifths of the rejects out, two in a hundred of the sound berries with them. Common
    /// practice, no source: round figures between a tired belt and a well-set optical sorter. Put
    /// in the figures measured on the machine itself.
    fn default() -> Self {
        SorterRates { removal_rate: 0.80, false_reject_rate: 0.02 }
    }
}

/// One part of the loss, kg.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct LossTerm {
    /// Estimate, kg.
    pub kg: f64,
    /// Lower limit, kg.
    pub low_kg: f64,
    /// Upper limit, kg.
    pub high_kg: f64,
}

/// Estimated sorting loss of a load, 1000·T·(ρ·P_rejects + φ·P_sound) by mass.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct SortingLoss {
    /// T: mass of the load, t.
    pub load_tonnes: f64,
    /// ρ and φ.
    pub rates: SorterRates,
    /// Rejects taken out: 1000·T·ρ·P_rejects.
    pub rejects: LossTerm,
    /// Sound fruit lost with them: 1000·T·φ·P_sound.
    pub sound: LossTerm,
    /// Both together. Its limits are at the ends of the rejects' interval, sound fruit giving way
    /// to rejects one for one; ρ and φ are taken as known.
    pub total: LossTerm,
}

/// The loss from the shares by mass. Unassigned objects are in neither share: what a sorter would
/// do with them is not known.
pub(super) fn sorting_loss(
    load_tonnes: f64,
    rates: SorterRates,
    rejects: &Share,
    sound: &Share,
) -> SortingLoss {
    let kg = 1000.0 * load_tonnes;
    let term = |rate: f64, estimate: f64, interval: &Interval| LossTerm {
        kg: kg * rate * estimate,
        low_kg: kg * rate * interval.low,
        high_kg: kg * rate * interval.high,
    };
    let unassigned = (1.0 - rejects.estimate - sound.estimate).max(0.0);
    let both = |share: f64| {
        let sound = (1.0 - unassigned - share).max(0.0);
        kg * (rates.removal_rate * share + rates.false_reject_rate * sound)
    };
    let (one, other) = (both(rejects.interval.low), both(rejects.interval.high));
    SortingLoss {
        load_tonnes,
        rates,
        rejects: term(rates.removal_rate, rejects.estimate, &rejects.interval),
        sound: term(rates.false_reject_rate, sound.estimate, &sound.interval),
        total: LossTerm {
            kg: kg
                * (rates.removal_rate * rejects.estimate
                    + rates.false_reject_rate * sound.estimate),
            low_kg: one.min(other),
            high_kg: one.max(other),
        },
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::load::{Cluster, Stage, share_of_clusters};
    use crate::stats::Level;

    fn share(hits: usize, n: usize) -> Share {
        let elements = (0..n).map(|i| (i < hits, 1.0)).collect();
        share_of_clusters(&[Cluster::of_tray(elements)], Stage::Trays, true, 4.0, Level::P95)
            .unwrap()
    }

    proptest::proptest! {
        /// The loss grows in proportion to the load and rises with both rates; parts add up; each estimate
        /// lies within its limits; a sorter that takes everything out loses everything that was judged.
        #[test]
        fn a_loss_is_proportional_and_ordered(
            n in 20usize..400, u in 0.0f64..=1.0, tonnes in 0.1f64..50.0,
            (r, f) in (0.0f64..=1.0, 0.0f64..=1.0), more in 0.0f64..=1.0,
        ) {
            let hits = (n as f64 * u) as usize;
            let (rejects, sound) = (share(hits, n), share(n - hits, n));
            let of = |tonnes: f64, r: f64, f: f64| {
                let rates = SorterRates { removal_rate: r, false_reject_rate: f };
                sorting_loss(tonnes, rates, &rejects, &sound)
            };
            let found = of(tonnes, r, f);
            let slack = 1e-9 * 1000.0 * tonnes;
            proptest::prop_assert!(
                (found.total.kg - found.rejects.kg - found.sound.kg).abs() <= slack);
            for term in [found.rejects, found.sound, found.total] {
                proptest::prop_assert!(term.low_kg <= term.kg + slack && term.kg <= term.high_kg + slack);
                proptest::prop_assert!(term.low_kg >= 0.0 && term.high_kg <= 1000.0 * tonnes + slack);
            }
            let double = of(2.0 * tonnes, r, f);
            proptest::prop_assert!((double.total.kg - 2.0 * found.total.kg).abs() <= 2.0 * slack);
            let harder = of(tonnes, r + more * (1.0 - r), f + more * (1.0 - f));
            proptest::prop_assert!(harder.total.kg >= found.total.kg - slack);
            proptest::prop_assert!((of(tonnes, 1.0, 1.0).total.kg - 1000.0 * tonnes).abs() <= slack);
        }
    }
}
