//! A rule applied to measured objects.

use serde::Serialize;

use crate::classify::{Class, ObjectReading};
use crate::load::Item;

/// One object as a rule sees it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SortObject {
    /// Probabilities, mass, diameter.
    pub item: Item,
    /// Wrinkle texture at berry scale, percent.
    pub wrinkle: f64,
    /// Mean lightness L*, 0 to 100.
    pub lightness: f64,
    /// Mean a*, green to red.
    pub a: f64,
    /// Mean b*, blue to yellow.
    pub b: f64,
    /// Share of green pixels, 0 to 1.
    pub green_share: f64,
}

impl From<&ObjectReading> for SortObject {
    fn from(o: &ObjectReading) -> Self {
        let m = &o.measures;
        SortObject {
            item: Item::from(o),
            wrinkle: m.wrinkle,
            lightness: m.lightness,
            a: m.a,
            b: m.b,
            green_share: m.green_share,
        }
    }
}

/// An object is blown out when any of the limits says so. A limit that is not set says nothing.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize)]
pub struct Rule {
    /// Blow out when the probability of being no sound berry is at least this, 0 to 1.
    pub reject_probability: Option<f64>,
    /// Blow out when the class's own probability is at least this; in the order of
    /// [`Class::ALL`], sound not used.
    pub class_probability: [Option<f64>; 4],
    /// Blow out what is smaller, mm (diameter of the ball of the same volume).
    pub min_diameter_mm: Option<f64>,
    /// Blow out what is more wrinkled, percent.
    pub max_wrinkle: Option<f64>,
    /// Blow out what is lighter than this L*.
    pub max_lightness: Option<f64>,
    /// Blow out what is greener than this a*.
    pub min_a: Option<f64>,
    /// Blow out what is yellower than this b*.
    pub max_b: Option<f64>,
    /// Blow out what has a greater share of green pixels, 0 to 1.
    pub max_green_share: Option<f64>,
}

impl Rule {
    /// Whether no limit is set.
    pub fn is_empty(&self) -> bool {
        *self == Rule::default()
    }

    /// Whether the rule blows the object out.
    pub fn blows(&self, o: &SortObject) -> bool {
        let over = |v: f64, limit: Option<f64>| limit.is_some_and(|l| v > l);
        let under = |v: f64, limit: Option<f64>| limit.is_some_and(|l| v < l);
        let p = &o.item.probabilities;
        self.reject_probability.is_some_and(|l| 1.0 - p[0] >= l)
            || (1..4).any(|k| self.class_probability[k].is_some_and(|l| p[k] >= l))
            || under(o.item.equivalent_diameter_mm, self.min_diameter_mm)
            || over(o.wrinkle, self.max_wrinkle)
            || over(o.lightness, self.max_lightness)
            || under(o.a, self.min_a)
            || over(o.b, self.max_b)
            || over(o.green_share, self.max_green_share)
    }
}

/// What a rule does to one class.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Blown {
    /// The class.
    pub class: Class,
    /// Expected mass in the lot, g.
    pub mass_g: f64,
    /// Share of it that the rule picks, 0 to 1; none where there is nothing of the class.
    pub share: Option<f64>,
}

/// A point of the trade.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct CurvePoint {
    /// Threshold on the probability of being no sound berry.
    pub reject_probability: f64,
    /// Share of the rejects' mass that is picked.
    pub rejects_removed: f64,
    /// Share of the sound mass that is picked.
    pub sound_lost: f64,
}

/// What a rule does to a lot, before the mechanics add to it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct RuleFigures {
    /// Objects in the lot.
    pub objects: usize,
    /// Objects the rule picks.
    pub picked: usize,
    /// Places of the picked objects in the list given.
    pub picked_objects: Vec<usize>,
    /// Share of all mass that is picked.
    pub picked_mass_share: f64,
    /// Class by class.
    pub classes: [Blown; 4],
    /// Share of the rejects' mass picked.
    pub rejects_removed: f64,
    /// Share of the sound mass picked.
    pub sound_lost: f64,
    /// The trade when only the reject probability is used, from strict to lenient.
    pub curve: Vec<CurvePoint>,
}

/// Applies a rule to a lot's objects. What an object truly is stays uncertain: its mass is shared
/// out over the classes by its calibrated probabilities, so a rule on the reading itself is not
/// taken as free of mistakes. None without mass.
pub fn apply(rule: &Rule, objects: &[SortObject]) -> Option<RuleFigures> {
    let picked_objects: Vec<usize> =
        (0..objects.len()).filter(|&i| rule.blows(&objects[i])).collect();
    let total: f64 = objects.iter().map(|o| o.item.mass_g).sum();
    if total <= 0.0 {
        return None;
    }
    let (all, blown) = (masses(objects, |_| true), masses(objects, |o| rule.blows(o)));
    let share = |part: f64, of: f64| if of > 0.0 { part / of } else { 0.0 };
    let thresholds = (1..=99).map(|i| f64::from(i) / 100.0);
    let curve = thresholds
        .map(|t| {
            let out = masses(objects, |o| 1.0 - o.item.probabilities[0] >= t);
            CurvePoint {
                reject_probability: t,
                rejects_removed: share(out[1..].iter().sum(), all[1..].iter().sum()),
                sound_lost: share(out[0], all[0]),
            }
        })
        .collect();
    Some(RuleFigures {
        objects: objects.len(),
        picked: picked_objects.len(),
        picked_mass_share: blown.iter().sum::<f64>() / total,
        picked_objects,
        classes: Class::ALL.map(|class| {
            let k = class.index();
            Blown { class, mass_g: all[k], share: (all[k] > 0.0).then(|| blown[k] / all[k]) }
        }),
        rejects_removed: share(blown[1..].iter().sum(), all[1..].iter().sum()),
        sound_lost: share(blown[0], all[0]),
        curve,
    })
}

/// Expected mass by class of the objects asked for, g.
fn masses(objects: &[SortObject], which: impl Fn(&SortObject) -> bool) -> [f64; 4] {
    let mut sums = [0.0; 4];
    for o in objects.iter().filter(|o| which(o)) {
        (0..4).for_each(|k| sums[k] += o.item.mass_g * o.item.probabilities[k]);
    }
    sums
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;
    use crate::stats::testdata::close;

    pub(crate) fn object(p_sound: f64, mass_g: f64, diameter: f64) -> SortObject {
        let item = Item {
            class: Some(if p_sound >= 0.5 { Class::Sound } else { Class::Shriveled }),
            probabilities: [p_sound, 1.0 - p_sound, 0.0, 0.0],
            area_mm2: 100.0,
            mass_g,
            equivalent_diameter_mm: diameter,
        };
        SortObject { item, wrinkle: 5.0, lightness: 20.0, a: 3.0, b: 0.0, green_share: 0.0 }
    }

    /// Worked by hand: 0.9·1.5 + 0.2·0.5 = 1.45 g sound; the rule picks the second object.
    #[test]
    fn expected_masses_by_hand() {
        let objects = [object(0.9, 1.5, 13.0), object(0.2, 0.5, 10.0)];
        let rule = Rule { reject_probability: Some(0.5), ..Rule::default() };
        let found = apply(&rule, &objects).unwrap();
        assert_eq!(found.picked_objects, [1]);
        close(found.sound_lost, 0.1 / 1.45, 1e-12, "sound lost");
        close(found.rejects_removed, 0.4 / 0.55, 1e-12, "removed");
        close(found.picked_mass_share, 0.25, 1e-12, "picked");
        let size = Rule { min_diameter_mm: Some(11.0), ..Rule::default() };
        assert_eq!(apply(&size, &objects).unwrap().picked_objects, [1]);
        assert_eq!(apply(&Rule::default(), &objects).unwrap().picked, 0);
        assert!(Rule::default().is_empty() && apply(&rule, &[]).is_none());
        for rule in [
            Rule { max_wrinkle: Some(4.0), ..Rule::default() },
            Rule { max_lightness: Some(19.0), ..Rule::default() },
            Rule { min_a: Some(4.0), ..Rule::default() },
            Rule { max_b: Some(-1.0), ..Rule::default() },
        ] {
            assert_eq!(apply(&rule, &objects).unwrap().picked, 2);
        }
    }

    proptest::proptest! {
        #[test]
        fn a_stricter_threshold_picks_more(ps in proptest::collection::vec(0.0f64..1.0, 2..60)) {
            let objects: Vec<SortObject> = ps.iter().map(|&p| object(p, 1.0, 12.0)).collect();
            let curve = apply(&Rule::default(), &objects).unwrap().curve;
            for pair in curve.windows(2) {
                proptest::prop_assert!(pair[0].rejects_removed >= pair[1].rejects_removed);
                proptest::prop_assert!(pair[0].sound_lost >= pair[1].sound_lost);
            }
        }
    }
}
