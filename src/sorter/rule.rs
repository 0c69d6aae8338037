//! A rule applied to measured objects.

use serde::{Deserialize, Serialize};

use crate::classify::{Class, ObjectReading, Outcome};
use crate::load::Item;

/// One object as a rule sees it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SortObject {
    /// Its tray's place in [`SortLot::trays`].
    pub tray: usize,
    /// Its number on the tray.
    pub object: u32,
    /// Probabilities, mass, diameter.
    pub item: Item,
    /// What it truly is, as probabilities: those of the reading, or certainty where a person said
    /// so.
    pub truth: [f64; 4],
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
            tray: 0,
            object: m.object,
            item: Item::from(o),
            truth: o.probabilities,
            wrinkle: m.wrinkle,
            lightness: m.lightness,
            a: m.a,
            b: m.b,
            green_share: m.green_share,
        }
    }
}

/// The objects of a lot's trays.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct SortLot {
    /// Names of the trays.
    pub trays: Vec<String>,
    /// Objects of all trays.
    pub objects: Vec<SortObject>,
}

impl SortLot {
    /// Adds a tray.
    pub fn add(&mut self, name: &str, objects: impl IntoIterator<Item = SortObject>) {
        let tray = self.trays.len();
        self.trays.push(name.to_owned());
        self.objects.extend(objects.into_iter().map(|o| SortObject { tray, ..o }));
    }
}

/// One limit of a rule.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Limit {
    /// Probability of being no sound berry.
    RejectProbability,
    /// Probability of being shriveled.
    ShriveledProbability,
    /// Probability of being underripe.
    UnderripeProbability,
    /// Probability of being debris.
    DebrisProbability,
    /// Diameter.
    MinDiameterMm,
    /// Wrinkle texture.
    MaxWrinkle,
    /// Lightness.
    MaxLightness,
    /// Green to red.
    MinA,
    /// Blue to yellow.
    MaxB,
    /// Green pixels.
    MaxGreenShare,
}

impl Limit {
    /// All of them, in the order in which a rule is read.
    pub const ALL: [Limit; 10] = [
        Limit::RejectProbability,
        Limit::ShriveledProbability,
        Limit::UnderripeProbability,
        Limit::DebrisProbability,
        Limit::MinDiameterMm,
        Limit::MaxWrinkle,
        Limit::MaxLightness,
        Limit::MinA,
        Limit::MaxB,
        Limit::MaxGreenShare,
    ];

    /// What it is a limit on, in words.
    pub fn name(self) -> &'static str {
        match self {
            Limit::RejectProbability => "probability of being no sound berry",
            Limit::ShriveledProbability => "probability of being shriveled",
            Limit::UnderripeProbability => "probability of being underripe",
            Limit::DebrisProbability => "probability of being debris",
            Limit::MinDiameterMm => "diameter, mm",
            Limit::MaxWrinkle => "wrinkle, %",
            Limit::MaxLightness => "lightness L*",
            Limit::MinA => "a* (green to red)",
            Limit::MaxB => "b* (blue to yellow)",
            Limit::MaxGreenShare => "share of green",
        }
    }

    /// What it blows out at a threshold, in words.
    pub fn words(self, threshold: f64) -> String {
        let t = short(threshold);
        match self {
            Limit::RejectProbability => {
                format!("a probability of {t} or more of being no sound berry")
            }
            Limit::ShriveledProbability => {
                format!("a probability of {t} or more of being shriveled")
            }
            Limit::UnderripeProbability => {
                format!("a probability of {t} or more of being underripe")
            }
            Limit::DebrisProbability => format!("a probability of {t} or more of being debris"),
            Limit::MinDiameterMm => format!("a diameter below {t} mm"),
            Limit::MaxWrinkle => format!("wrinkles above {t} %"),
            Limit::MaxLightness => format!("a lightness L* above {t}"),
            Limit::MinA => format!("an a* below {t} (greener)"),
            Limit::MaxB => format!("a b* above {t} (yellower)"),
            Limit::MaxGreenShare => format!("more than {} % green", short(100.0 * threshold)),
        }
    }

    /// Which objects it blows out, in a word before the threshold.
    pub fn word(self) -> &'static str {
        match self {
            Limit::MinDiameterMm | Limit::MinA => "below",
            _ if self.is_probability() => "from",
            _ => "above",
        }
    }

    fn is_probability(self) -> bool {
        matches!(
            self,
            Limit::RejectProbability
                | Limit::ShriveledProbability
                | Limit::UnderripeProbability
                | Limit::DebrisProbability
        )
    }

    /// What it looks at. Not a number where it was not measured: no limit then says anything.
    pub fn value(self, o: &SortObject) -> f64 {
        let p = &o.item.probabilities;
        match self {
            Limit::RejectProbability => 1.0 - p[0],
            Limit::ShriveledProbability => p[1],
            Limit::UnderripeProbability => p[2],
            Limit::DebrisProbability => p[3],
            Limit::MinDiameterMm => o.item.equivalent_diameter_mm,
            Limit::MaxWrinkle => o.wrinkle,
            Limit::MaxLightness => o.lightness,
            Limit::MinA => o.a,
            Limit::MaxB => o.b,
            Limit::MaxGreenShare => o.green_share,
        }
    }

    fn trips(self, value: f64, threshold: f64) -> bool {
        match self.word() {
            "from" => value >= threshold,
            "below" => value < threshold,
            _ => value > threshold,
        }
    }
}

/// An object is blown out when any of the limits says so. A limit that is not set says nothing.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Rule {
    /// Blow out when the probability of being no sound berry is at least this, 0 to 1.
    pub reject_probability: Option<f64>,
    /// Blow out when the probability of being shriveled is at least this, 0 to 1.
    pub shriveled_probability: Option<f64>,
    /// Blow out when the probability of being underripe is at least this, 0 to 1.
    pub underripe_probability: Option<f64>,
    /// Blow out when the probability of being debris is at least this, 0 to 1.
    pub debris_probability: Option<f64>,
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
    /// The rule itself, or where it says nothing the usual one: blow out what is more likely no sound
    /// berry than one.
    pub fn or_usual(self) -> Rule {
        if self.is_empty() { Rule { reject_probability: Some(0.5), ..self } } else { self }
    }

    fn slot(&mut self, limit: Limit) -> &mut Option<f64> {
        match limit {
            Limit::RejectProbability => &mut self.reject_probability,
            Limit::ShriveledProbability => &mut self.shriveled_probability,
            Limit::UnderripeProbability => &mut self.underripe_probability,
            Limit::DebrisProbability => &mut self.debris_probability,
            Limit::MinDiameterMm => &mut self.min_diameter_mm,
            Limit::MaxWrinkle => &mut self.max_wrinkle,
            Limit::MaxLightness => &mut self.max_lightness,
            Limit::MinA => &mut self.min_a,
            Limit::MaxB => &mut self.max_b,
            Limit::MaxGreenShare => &mut self.max_green_share,
        }
    }

    /// Where a limit is set; none where it is not.
    pub fn threshold(&self, limit: Limit) -> Option<f64> {
        let mut rule = *self;
        *rule.slot(limit)
    }

    /// The rule with a limit set otherwise.
    #[must_use]
    pub fn with(mut self, limit: Limit, threshold: Option<f64>) -> Rule {
        *self.slot(limit) = threshold;
        self
    }

    /// The limits that are set.
    pub fn limits(&self) -> impl Iterator<Item = (Limit, f64)> + use<> {
        let rule = *self;
        Limit::ALL.into_iter().filter_map(move |l| Some((l, rule.threshold(l)?)))
    }

    /// Whether no limit is set.
    pub fn is_empty(&self) -> bool {
        self.limits().next().is_none()
    }

    /// The limit that a curve turns when none is asked for: the first that is set.
    pub fn turned(&self) -> Limit {
        self.limits().next().map_or(Limit::RejectProbability, |l| l.0)
    }

    /// The limits that blow the object out; none of them: it goes on.
    pub fn because<'a>(&self, o: &'a SortObject) -> impl Iterator<Item = Limit> + use<'a> {
        self.limits().filter(|(l, t)| l.trips(l.value(o), *t)).map(|l| l.0)
    }

    /// Whether the rule blows the object out.
    pub fn blows(&self, o: &SortObject) -> bool {
        self.because(o).next().is_some()
    }
}

/// A number with three decimals at most, and no zeros at the end.
pub fn short(value: f64) -> String {
    let text = format!("{value:.3}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
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

/// An object that the rule picks.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct BlownOut {
    /// Its tray's name.
    pub tray: String,
    /// Its number on the tray.
    pub object: u32,
    /// Its class as read; none: unassigned.
    pub class: Outcome,
    /// Probability of being no sound berry, as read, 0 to 1.
    pub reject_probability: f64,
    /// Mass, g.
    pub mass_g: f64,
    /// The limits that say so.
    pub because: Vec<Limit>,
}

/// What a rule does to a lot, before the mechanics add to it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct RuleFigures {
    /// Objects in the lot.
    pub objects: usize,
    /// Objects the rule picks.
    pub picked: usize,
    /// Share of all mass that is picked.
    pub picked_mass_share: f64,
    /// Class by class.
    pub classes: [Blown; 4],
    /// Share of the rejects' mass picked.
    pub rejects_removed: f64,
    /// Share of the sound mass picked.
    pub sound_lost: f64,
    /// The picked objects, in the lot's order.
    pub blown_out: Vec<BlownOut>,
}

/// Applies a rule to a lot's objects. What an object truly is stays uncertain: its mass is shared
/// out over the classes by its calibrated probabilities, so a rule on the reading itself is not
/// taken as free of mistakes. None without mass.
pub fn apply(rule: &Rule, lot: &SortLot) -> Option<RuleFigures> {
    let all = masses(&lot.objects, |_, _| true);
    let total: f64 = all.iter().sum();
    if total.is_nan() || total <= 0.0 {
        return None;
    }
    let mut blown_out = Vec::new();
    let mut blown = [0.0; 4];
    for o in &lot.objects {
        let because: Vec<Limit> = rule.because(o).collect();
        if because.is_empty() {
            continue;
        }
        (0..4).for_each(|k| blown[k] += o.item.mass_g * o.truth[k]);
        blown_out.push(BlownOut {
            tray: lot.trays.get(o.tray).cloned().unwrap_or_default(),
            object: o.object,
            class: o.item.class,
            reject_probability: Limit::RejectProbability.value(o),
            mass_g: o.item.mass_g,
            because,
        });
    }
    Some(RuleFigures {
        objects: lot.objects.len(),
        picked: blown_out.len(),
        picked_mass_share: blown.iter().sum::<f64>() / total,
        classes: Class::ALL.map(|class| {
            let k = class.index();
            Blown { class, mass_g: all[k], share: (all[k] > 0.0).then(|| blown[k] / all[k]) }
        }),
        rejects_removed: part(&blown, &all, 1..4),
        sound_lost: part(&blown, &all, 0..1),
        blown_out,
    })
}

fn part(of: &[f64; 4], all: &[f64; 4], which: std::ops::Range<usize>) -> f64 {
    let whole: f64 = all[which.clone()].iter().sum();
    if whole > 0.0 { of[which].iter().sum::<f64>() / whole } else { 0.0 }
}

/// Expected mass by class of the objects asked for, g.
fn masses(objects: &[SortObject], which: impl Fn(usize, &SortObject) -> bool) -> [f64; 4] {
    let mut sums = [0.0; 4];
    for (_, o) in objects.iter().enumerate().filter(|(i, o)| which(*i, o)) {
        (0..4).for_each(|k| sums[k] += o.item.mass_g * o.truth[k]);
    }
    sums
}

/// A point of the trade.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct CurvePoint {
    /// Threshold of the limit that is turned.
    pub threshold: f64,
    /// Share of the objects that are picked.
    pub picked: f64,
    /// Share of the rejects' mass that is picked.
    pub rejects_removed: f64,
    /// Share of the sound mass that is picked.
    pub sound_lost: f64,
}

/// The trade as one limit is turned and the others stay: for probabilities 0.01 to 0.99, for
/// measures a hundred values from the least to the greatest on the trays, and the rule's own
/// threshold; ascending.
pub fn curve(rule: &Rule, turned: Limit, lot: &SortLot) -> Vec<CurvePoint> {
    let values: Vec<f64> = lot.objects.iter().map(|o| turned.value(o)).collect();
    let mut thresholds: Vec<f64> = if turned.is_probability() {
        (1..=99).map(|i| f64::from(i) / 100.0).collect()
    } else {
        let mut sorted: Vec<f64> = values.iter().copied().filter(|v| v.is_finite()).collect();
        sorted.sort_by(f64::total_cmp);
        match sorted.len() {
            0 => Vec::new(),
            n => (0..=100).map(|i| sorted[i * (n - 1) / 100]).collect(),
        }
    };
    thresholds.extend(rule.threshold(turned));
    thresholds.sort_by(f64::total_cmp);
    thresholds.dedup();
    let others = rule.with(turned, None);
    let out: Vec<bool> = lot.objects.iter().map(|o| others.blows(o)).collect();
    let all = masses(&lot.objects, |_, _| true);
    let of_all = lot.objects.len().max(1) as f64;
    let point = |threshold: f64| {
        let blown = |i: usize| out[i] || turned.trips(values[i], threshold);
        let gone = masses(&lot.objects, |i, _| blown(i));
        CurvePoint {
            threshold,
            picked: (0..values.len()).filter(|&i| blown(i)).count() as f64 / of_all,
            rejects_removed: part(&gone, &all, 1..4),
            sound_lost: part(&gone, &all, 0..1),
        }
    };
    thresholds.into_iter().map(point).collect()
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
        SortObject {
            tray: 0,
            object: 1,
            item,
            truth: item.probabilities,
            wrinkle: 5.0,
            lightness: 20.0,
            a: 3.0,
            b: 0.0,
            green_share: 0.0,
        }
    }

    pub(crate) fn lot(objects: Vec<SortObject>) -> SortLot {
        let mut lot = SortLot::default();
        let numbered = objects.into_iter().enumerate();
        lot.add("t1", numbered.map(|(i, o)| SortObject { object: i as u32 + 1, ..o }));
        lot
    }

    /// Worked by hand: 0.9·1.5 + 0.2·0.5 = 1.45 g sound; the rule picks the second object.
    #[test]
    fn expected_masses_by_hand() {
        let two = lot(vec![object(0.9, 1.5, 13.0), object(0.2, 0.5, 10.0)]);
        let rule = Rule { reject_probability: Some(0.5), ..Rule::default() };
        let found = apply(&rule, &two).unwrap();
        let out = &found.blown_out[0];
        assert_eq!((found.picked, out.object, out.tray.as_str()), (1, 2, "t1"));
        assert_eq!(out.because, [Limit::RejectProbability]);
        close(found.sound_lost, 0.1 / 1.45, 1e-12, "sound lost");
        close(found.rejects_removed, 0.4 / 0.55, 1e-12, "removed");
        close(found.picked_mass_share, 0.25, 1e-12, "picked");
        let size = Rule { min_diameter_mm: Some(11.0), ..rule };
        let both = [Limit::RejectProbability, Limit::MinDiameterMm];
        assert_eq!(apply(&size, &two).unwrap().blown_out[0].because, both);
        assert_eq!(apply(&Rule::default(), &two).unwrap().picked, 0);
        assert!(Rule::default().is_empty() && apply(&rule, &SortLot::default()).is_none());
        for (limit, threshold) in [
            (Limit::MaxWrinkle, 4.0),
            (Limit::MaxLightness, 19.0),
            (Limit::MinA, 4.0),
            (Limit::MaxB, -1.0),
            (Limit::ShriveledProbability, 0.05),
        ] {
            let rule = Rule::default().with(limit, Some(threshold));
            assert_eq!(apply(&rule, &two).unwrap().picked, 2, "{limit:?}");
            assert_eq!(rule.turned(), limit);
        }
        // A colour that was not measured says nothing.
        let blind = lot(vec![SortObject { a: f64::NAN, ..object(0.9, 1.5, 13.0) }]);
        let green = Rule { min_a: Some(4.0), ..Rule::default() };
        assert_eq!(apply(&green, &blind).unwrap().picked, 0);
    }

    /// A person's word counts for what an object is, not for what the machine sees.
    #[test]
    fn what_a_person_said_is_the_truth() {
        let mut two = lot(vec![object(0.9, 1.0, 13.0), object(0.2, 1.0, 10.0)]);
        two.objects[1].truth = [1.0, 0.0, 0.0, 0.0];
        let rule = Rule { reject_probability: Some(0.5), ..Rule::default() };
        let found = apply(&rule, &two).unwrap();
        assert_eq!(found.picked, 1);
        close(found.sound_lost, 1.0 / 1.9, 1e-12, "sound lost");
        close(found.rejects_removed, 0.0, 1e-12, "removed");
    }

    proptest::proptest! {
        /// Whichever limit is turned: stricter picks more, and the rule's own point lies on it.
        #[test]
        fn the_rules_point_lies_on_a_curve_that_falls(
            ps in proptest::collection::vec((0.0f64..1.0, 5.0f64..18.0), 2..60),
            p in 0.05f64..0.95, d in 6.0f64..17.0,
        ) {
            let lot = lot(ps.iter().map(|&(p, d)| object(p, 1.0, d)).collect());
            let rule = Rule {
                reject_probability: Some(p), min_diameter_mm: Some(d), ..Rule::default()
            };
            let figures = apply(&rule, &lot).unwrap();
            for limit in [Limit::RejectProbability, Limit::MinDiameterMm] {
                let curve = curve(&rule, limit, &lot);
                for pair in curve.windows(2) {
                    let (less, more) = match limit {
                        Limit::MinDiameterMm => (pair[0], pair[1]),
                        _ => (pair[1], pair[0]),
                    };
                    proptest::prop_assert!(more.rejects_removed >= less.rejects_removed);
                    proptest::prop_assert!(more.sound_lost >= less.sound_lost);
                }
                let own = curve.iter().find(|c| Some(c.threshold) == rule.threshold(limit));
                let own = own.expect("the rule's own point");
                proptest::prop_assert!((own.sound_lost - figures.sound_lost).abs() < 1e-12);
                proptest::prop_assert!((own.rejects_removed - figures.rejects_removed).abs() < 1e-12);
            }
        }
    }
}
