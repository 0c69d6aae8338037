//! From a lot's trays to its shares by mass and their covariance.
//!
//! A lot of two or three trays cannot show nine covariances. So the form of the covariance is that
//! of objects drawn one by one, and trays say only by how much it must be widened: one design
//! effect a lot, never below 1 (the floor of the load's statistics), leant towards that of all lots
//! together where the lot has few trays. Rao and Scott (1981), J Am Stat Assoc 76:221-230, correct a
//! table of shares by a mean design effect in the same way.

use nalgebra::{Matrix3, Vector3};

use super::reconcile::{Composition, Shares};
use crate::load::Lot;

/// Sums of one cluster: a tray, or the trays of a bin.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct ClusterSums {
    /// What its masses are multiplied by: 1, or one over its mass where bins count alike.
    pub scale: f64,
    /// Mass by class, g.
    pub mass: Shares,
    /// Sum of squared masses by class, g².
    pub squares: Shares,
}

impl ClusterSums {
    fn total(&self) -> f64 {
        self.mass.iter().sum()
    }
}

/// One lot as sums.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct LotSums {
    /// Its clusters, none of them empty.
    pub clusters: Vec<ClusterSums>,
    /// Objects by class.
    pub counts: [usize; 4],
    /// Unassigned objects, in no sum.
    pub unassigned: usize,
}

impl LotSums {
    /// Sums a lot: by bin when every tray with objects names its bin, else by tray.
    pub fn of(lot: &Lot) -> LotSums {
        let filled: Vec<_> = lot.trays.iter().filter(|t| !t.objects.is_empty()).collect();
        let by_bin = filled.iter().all(|t| t.bin.is_some());
        let mut sums = LotSums::default();
        let mut bins: Vec<(Option<&str>, ClusterSums)> = Vec::new();
        for tray in filled {
            let key = tray.bin.as_deref().filter(|_| by_bin);
            let place = match bins.iter().position(|b| key.is_some() && b.0 == key) {
                Some(place) => place,
                None => {
                    bins.push((key, ClusterSums { scale: 1.0, ..ClusterSums::default() }));
                    bins.len() - 1
                }
            };
            for item in &tray.objects {
                let Some(class) = item.class else {
                    sums.unassigned += 1;
                    continue;
                };
                let c = class.index();
                sums.counts[c] += 1;
                bins[place].1.mass[c] += item.mass_g;
                bins[place].1.squares[c] += item.mass_g * item.mass_g;
            }
        }
        sums.clusters = bins.into_iter().map(|b| b.1).filter(|c| c.total() > 0.0).collect();
        if by_bin && sums.clusters.len() > 1 {
            sums.clusters.iter_mut().for_each(|c| c.scale = 1.0 / c.total());
        }
        sums
    }

    /// Shares by mass, Σ over Σ. Not a number without mass.
    pub fn shares(&self) -> Shares {
        let mut sums = [0.0; 4];
        for c in &self.clusters {
            (0..4).for_each(|k| sums[k] += c.scale * c.mass[k]);
        }
        let total: f64 = sums.iter().sum();
        sums.map(|v| v / total)
    }

    fn scaled_total(&self) -> f64 {
        self.clusters.iter().map(|c| c.scale * c.total()).sum()
    }

    /// One over the mass that the lot's sample counts for, 1/g.
    pub(super) fn thinness(&self) -> f64 {
        let squares: f64 = self.clusters.iter().map(|c| c.scale * c.scale * c.total()).sum();
        squares / self.scaled_total().powi(2)
    }
}

/// Σm²/Σm of each class over all lots: the mass that a gram of it comes in, g. Of a class never
/// seen, that of all objects.
pub fn grain(lots: &[&LotSums]) -> Shares {
    let (mut mass, mut squares) = ([0.0; 4], [0.0; 4]);
    for c in lots.iter().flat_map(|l| &l.clusters) {
        (0..4).for_each(|k| {
            mass[k] += c.mass[k];
            squares[k] += c.squares[k];
        });
    }
    let all = squares.iter().sum::<f64>() / mass.iter().sum::<f64>();
    std::array::from_fn(|k| if mass[k] > 0.0 { squares[k] / mass[k] } else { all })
}

/// Covariance of the last three shares of a lot whose objects are drawn one by one from a stream of
/// the given shares: Σ over classes of R·κ·(e − R)(e − R)'/m, the ratio estimator's linearised
/// covariance with each class's Σm² at its expected value. Shares below half an object are taken as
/// half an object, so that a class never seen is not taken as known to be absent.
pub fn object_covariance(lot: &LotSums, shares: &Shares, grain: &Shares) -> Matrix3<f64> {
    let thin = lot.thinness();
    let least: Shares = std::array::from_fn(|k| 0.5 * grain[k] * thin);
    let mut r: Shares = std::array::from_fn(|k| shares[k].max(least[k]));
    let sum: f64 = r.iter().sum();
    r.iter_mut().for_each(|v| *v /= sum);
    let mut found = Matrix3::zeros();
    for k in 0..4 {
        let e = Vector3::from_fn(|i, _| f64::from(u8::from(i + 1 == k)) - r[i + 1]);
        found += e * e.transpose() * (r[k] * grain[k] * thin);
    }
    found
}

/// How much wider than objects drawn one by one a lot's trays lie, from its own clusters:
/// tr(V_objects⁻¹·V_clusters)/3, with its degrees of freedom, 3 a cluster beyond the first. None
/// with a single cluster.
pub fn measured_effect(lot: &LotSums, grain: &Shares) -> Option<(f64, f64)> {
    let n = lot.clusters.len() as f64;
    if lot.clusters.len() < 2 {
        return None;
    }
    let shares = lot.shares();
    let inverse = object_covariance(lot, &shares, grain).try_inverse()?;
    let total = lot.scaled_total();
    let mut sum = 0.0;
    for c in &lot.clusters {
        let e =
            Vector3::from_fn(|i, _| c.scale * (c.mass[i + 1] - shares[i + 1] * c.total()) / total);
        sum += e.dot(&(inverse * e));
    }
    Some((n / (n - 1.0) * sum / 3.0, 3.0 * (n - 1.0)))
}

/// Design effects of all lots, in their order.
#[derive(Debug, Clone, PartialEq)]
pub struct Effects {
    /// One a lot, at least 1.
    pub lots: Vec<f64>,
    /// Of all lots together before the floor; none when no lot has two clusters.
    pub pooled: Option<f64>,
    /// Its degrees of freedom; 0 when it was assumed.
    pub degrees_of_freedom: f64,
}

/// Weight of all lots' mean against a lot's own: it counts as eight trays. Our own choice, from the
/// simulations in this module's tests.
const POOL_DEGREES: f64 = 24.0;
/// Above 1 by this, a pooled design effect counts in full. Our own choice, from the same simulations.
const EASED: f64 = 0.6;

/// Each lot's design effect. `assumed` is taken where no lot has two clusters.
pub fn effects(lots: &[&LotSums], grain: &Shares, assumed: f64) -> Effects {
    let own: Vec<Option<(f64, f64)>> = lots.iter().map(|l| measured_effect(l, grain)).collect();
    let degrees: f64 = own.iter().flatten().map(|o| o.1).sum();
    if degrees == 0.0 {
        let lots = vec![assumed.max(1.0); lots.len()];
        return Effects { lots, pooled: None, degrees_of_freedom: 0.0 };
    }
    let pooled = own.iter().flatten().map(|o| o.0 * o.1).sum::<f64>() / degrees;
    let blend = |o: &Option<(f64, f64)>| {
        let (effect, d) = o.unwrap_or((0.0, 0.0));
        ((effect * d + pooled * POOL_DEGREES) / (d + POOL_DEGREES)).max(1.0)
    };
    // Floored at 1, the estimate would lie above it on average even where trays differ by chance
    // only: it counts in full from a pooled effect of 1 + EASED on.
    let ease = ((pooled - 1.0) / EASED).clamp(0.0, 1.0);
    let eased = |o: &Option<(f64, f64)>| 1.0 + ease * (blend(o) - 1.0);
    Effects {
        lots: own.iter().map(eased).collect(),
        pooled: Some(pooled),
        degrees_of_freedom: degrees,
    }
}

/// A lot as the fit needs it: raw shares, covariance at the given shares.
pub fn composition(lot: &LotSums, at: &Shares, grain: &Shares, effect: f64) -> Composition {
    let v = object_covariance(lot, at, grain) * effect;
    Composition {
        shares: lot.shares(),
        covariance: std::array::from_fn(|i| std::array::from_fn(|j| v[(i, j)])),
    }
}

#[cfg(test)]
mod tests {
    use super::super::tests::lot;
    use super::*;

    proptest::proptest! {
        /// In any order of trays and any unit of mass a lot has the same shares, covariance and design
        /// effect; shares add up; the covariance is symmetric and gives no negative variance; every tray twice
        /// is known twice as well.
        #[test]
        fn a_lots_model_knows_no_order_and_no_unit(
            trays in proptest::collection::vec(proptest::array::uniform4(1usize..40), 2..8),
            unit in 0.01f64..100.0,
        ) {
            let own = LotSums::of(&lot("a", &trays));
            let mut back = lot("a", &trays);
            back.trays.reverse();
            for item in back.trays.iter_mut().flat_map(|t| &mut t.objects) {
                item.mass_g *= unit;
            }
            let back = LotSums::of(&back);
            let of = |lot: &LotSums| {
                let grain = grain(&[lot]);
                let shares = lot.shares();
                let v = object_covariance(lot, &shares, &grain);
                (shares, v, measured_effect(lot, &grain).unwrap().0)
            };
            let ((shares, v, effect), (s, w, e)) = (of(&own), of(&back));
            proptest::prop_assert!((shares.iter().sum::<f64>() - 1.0).abs() < 1e-12);
            proptest::prop_assert!((effect - e).abs() <= 1e-7 * (1.0 + effect));
            proptest::prop_assert!((v - w).abs().max() < 1e-12 && (v - v.transpose()).abs().max() < 1e-15);
            for (a, b) in shares.iter().zip(s) {
                proptest::prop_assert!((a - b).abs() < 1e-12);
            }
            proptest::prop_assert!(v.symmetric_eigenvalues().iter().all(|x| *x >= -1e-15));
            let twice = LotSums::of(&lot("a", &[trays.clone(), trays].concat()));
            let (_, half, _) = of(&twice);
            proptest::prop_assert!((half * 2.0 - v).abs().max() < 1e-12);
            let lots = effects(&[&own, &twice], &grain(&[&own, &twice]), 2.0);
            proptest::prop_assert!(lots.lots.iter().all(|e| *e >= 1.0));
        }
    }
}
