//! Teaching a profile further, from trays that people have corrected: the judge of classes learns
//! this fruit, everything else stays as it was taught.
//!
//! Corrected trays say which class an object has and where it lies. They say nothing of volumes and
//! masses, so the mass model stays; and outlines that a person has let stand are no truth about the
//! pixels beside them, so finding and splitting stay too.

use rayon::prelude::*;
use serde::Serialize;

use crate::classify::{self, Class, ClassifySettings, Fruit, FruitModel};
use crate::measure::{Measures, Silhouette};
use crate::network::{Network, Output, Samples, Training};
use crate::profile::Profile;
use crate::stats::{Continuity, Interval, Level, wilson};

/// Fewest trays: one is held back to be read by what the others taught.
pub const LEAST_TRAYS: usize = 2;
/// Fewest objects of all trays together (common practice, no source).
pub const LEAST_OBJECTS: usize = 60;
/// Most groups of trays in cross-validation.
const MOST_FOLDS: usize = 8;

/// A tray whose objects' classes people stand for.
#[derive(Debug, Clone)]
pub struct CorrectedTray {
    /// Its skin colour.
    pub fruit: Fruit,
    /// Lens above the tray floor, mm.
    pub camera_mm: [f64; 3],
    /// Objects: measures, silhouette, class.
    pub objects: Vec<(Measures, Silhouette, Class)>,
}

/// Why nothing can be taught.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{0}")]
pub struct TooLittle(pub String);

/// How the judge is taught further: with half the step that it was taught with from nothing, so that
/// what it knew is not forgotten at once (common practice, no source).
const HOW: Training = Training {
    epochs: 40,
    rate: 0.002,
    batch: 32,
    decay: 2e-3,
    seed: 0,
    output: Output::Softmax,
    ranks: false,
};

fn enough(trays: &[CorrectedTray]) -> Result<(), TooLittle> {
    let objects: usize = trays.iter().map(|t| t.objects.len()).sum();
    if trays.len() < LEAST_TRAYS || objects < LEAST_OBJECTS {
        return Err(TooLittle(format!(
            "{} trays with {objects} objects are too little to learn from: at least {LEAST_TRAYS} trays \
             and {LEAST_OBJECTS} objects are needed",
            trays.len()
        )));
    }
    let kinds = Class::ALL
        .iter()
        .filter(|c| trays.iter().flat_map(|t| &t.objects).any(|o| o.2 == **c))
        .count();
    if kinds < 2 {
        let words = "all objects are of one class: there is nothing to tell apart";
        return Err(TooLittle(words.to_owned()));
    }
    Ok(())
}

/// Teaches a profile further.
///
/// # Errors
/// [`TooLittle`] when there are too few trays, objects or classes.
pub fn teach(
    base: &Profile,
    trays: &[CorrectedTray],
    name: &str,
    seed: u64,
) -> Result<Profile, TooLittle> {
    enough(trays)?;
    Ok(taught(base, trays, name, seed))
}

fn taught(base: &Profile, trays: &[CorrectedTray], name: &str, seed: u64) -> Profile {
    let mut profile = base.clone();
    profile.name = name.to_owned();
    let objects: usize = trays.iter().map(|t| t.objects.len()).sum();
    profile.origin = format!(
        "{}; classes taught further from {} corrected trays, {objects} objects, seed {seed}",
        base.origin,
        trays.len()
    );
    for fruit in Fruit::ALL {
        let own: Vec<&(Measures, Silhouette, Class)> =
            trays.iter().filter(|t| t.fruit == fruit).flat_map(|t| &t.objects).collect();
        if !own.is_empty() {
            let model = &mut profile.classes.fruits[fruit as usize];
            *model = further(model, &own, seed);
        }
    }
    profile
}

fn further(
    model: &FruitModel,
    objects: &[&(Measures, Silhouette, Class)],
    seed: u64,
) -> FruitModel {
    let mut samples = Samples::default();
    // One object's worth of every class, so that none becomes impossible.
    let mut counts = [1.0f64; 4];
    for (measures, _, class) in objects {
        samples.inputs.extend(classify::features(measures));
        samples.targets.extend(Class::ALL.map(|c| f32::from(c == *class)));
        samples.weights.push(1.0);
        counts[class.index()] += 1.0;
    }
    let networks: Vec<Network> = model
        .networks
        .par_iter()
        .enumerate()
        .map(|(k, network)| {
            let how = Training { seed: seed.wrapping_add(k as u64), ..HOW };
            network.further(&samples, how, |_, _| {})
        })
        .collect();
    let total: f64 = counts.iter().sum();
    let mut clouds = model.clouds.clone();
    for (cloud, class) in clouds.iter_mut().zip(Class::ALL) {
        // What people say is of the class is no longer unlike it.
        let own = objects.iter().filter(|o| o.2 == class);
        let worst = own.map(|o| cloud.distance(&classify::features(&o.0))).fold(0.0, f32::max);
        cloud.limit = cloud.limit.max(1.1 * worst);
    }
    FruitModel {
        networks,
        taught_shares: counts.map(|c| c / total),
        clouds,
        mass: model.mass.clone(),
    }
}

/// How well classes were read.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Score {
    /// Objects.
    pub objects: usize,
    /// Share read as people say.
    pub accuracy: f64,
    /// Its interval, objects taken one by one (trays differ: the truth may lie farther off).
    pub low: f64,
    /// See `low`.
    pub high: f64,
    /// Rows: what people say; columns: what was read; in the order of [`Class::ALL`].
    pub confusion: [[u64; 4]; 4],
    /// Objects left unassigned; in the table they stand by their likeliest class.
    pub unassigned: usize,
    /// Class by class.
    pub classes: Vec<ClassScore>,
    /// Whether probabilities mean what they say.
    pub reliability: Vec<Reliability>,
    /// Mean of −ln of the probability given to what people say.
    pub log_loss: f64,
}

/// How well one class was read.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ClassScore {
    /// The class.
    pub class: &'static str,
    /// Share of its objects that were read so; none without any.
    pub recall: Option<f64>,
    /// Share of the objects read so that are of it; none without any.
    pub precision: Option<f64>,
}

/// Objects whose greatest probability lay in a range.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Reliability {
    /// From.
    pub from: f64,
    /// To.
    pub to: f64,
    /// Objects.
    pub objects: usize,
    /// Mean greatest probability.
    pub said: f64,
    /// Share of them read as people say.
    pub right: f64,
}

/// One object as it was read: probabilities, whether unassigned, what people say.
type Told = ([f64; 4], bool, Class);

fn read(profile: &Profile, tray: &CorrectedTray) -> Vec<Told> {
    let measured: Vec<(Measures, Silhouette)> =
        tray.objects.iter().map(|(m, s, _)| (m.clone(), *s)).collect();
    let settings = ClassifySettings { fruit: Some(tray.fruit), ..ClassifySettings::default() };
    let judged = classify::classify(&measured, tray.camera_mm, &profile.classes, &settings);
    let truth = tray.objects.iter().map(|o| o.2);
    judged.objects.iter().zip(truth).map(|(o, c)| (o.probabilities, o.class.is_none(), c)).collect()
}

/// Scores readings; none without any.
fn score(told: &[Told]) -> Option<Score> {
    let mut confusion = [[0u64; 4]; 4];
    let (mut log_loss, mut unassigned) = (0.0, 0);
    let mut bins = [(0usize, 0.0f64, 0usize); 8];
    for (p, none, truth) in told {
        let best = (0..4).max_by(|a, b| p[*a].total_cmp(&p[*b])).unwrap_or(0);
        confusion[truth.index()][best] += 1;
        unassigned += usize::from(*none);
        log_loss -= p[truth.index()].max(1e-6).ln();
        let bin = &mut bins[((p[best] * 10.0) as usize).clamp(2, 9) - 2];
        bin.0 += 1;
        bin.1 += p[best];
        bin.2 += usize::from(best == truth.index());
    }
    let n = told.len() as u64;
    let right: u64 = (0..4).map(|k| confusion[k][k]).sum();
    let Interval { low, high, .. } = wilson(right, n, Level::P95, Continuity::Uncorrected).ok()?;
    let share = |part: u64, of: u64| (of > 0).then(|| part as f64 / of as f64);
    let classes = Class::ALL
        .into_iter()
        .enumerate()
        .map(|(k, class)| ClassScore {
            class: class.name(),
            recall: share(confusion[k][k], confusion[k].iter().sum()),
            precision: share(confusion[k][k], confusion.iter().map(|row| row[k]).sum()),
        })
        .collect();
    let reliability = bins
        .iter()
        .enumerate()
        .filter(|(_, b)| b.0 > 0)
        .map(|(i, b)| Reliability {
            from: (i + 2) as f64 / 10.0,
            to: (i + 3) as f64 / 10.0,
            objects: b.0,
            said: b.1 / b.0 as f64,
            right: b.2 as f64 / b.0 as f64,
        })
        .collect();
    Some(Score {
        objects: told.len(),
        accuracy: right as f64 / n as f64,
        low,
        high,
        confusion,
        unassigned,
        classes,
        reliability,
        log_loss: log_loss / n as f64,
    })
}

/// How a profile reads trays that it was not taught from.
///
/// # Errors
/// [`TooLittle`] without an object.
pub fn score_of(profile: &Profile, trays: &[CorrectedTray]) -> Result<Score, TooLittle> {
    let told: Vec<Told> = trays.iter().flat_map(|t| read(profile, t)).collect();
    score(&told).ok_or_else(|| TooLittle("there is no object to read".to_owned()))
}

/// Number of groups that trays are dealt into.
pub fn folds(trays: usize) -> usize {
    trays.min(MOST_FOLDS)
}

/// Cross-validation by tray: each group of trays is read by what the others taught. `say` gets the
/// groups done.
///
/// # Errors
/// [`TooLittle`] as [`teach`].
pub fn cross_validate(
    base: &Profile,
    trays: &[CorrectedTray],
    seed: u64,
    mut say: impl FnMut(usize),
) -> Result<Score, TooLittle> {
    enough(trays)?;
    let folds = folds(trays.len());
    let mut told = Vec::new();
    for fold in 0..folds {
        let deal = |held: bool| -> Vec<CorrectedTray> {
            let dealt = trays.iter().enumerate().filter(|(i, _)| (i % folds == fold) == held);
            dealt.map(|(_, t)| t.clone()).collect()
        };
        let profile = taught(base, &deal(false), "cross-validation", seed);
        for tray in deal(true) {
            told.extend(read(&profile, &tray));
        }
        say(fold + 1);
    }
    score(&told).ok_or_else(|| TooLittle("there is no object to read".to_owned()))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::network::Random;
    use crate::stats::testdata::close;

    /// Made-up fruit: lightness alone tells the classes apart, in a way that the built-in profile was
    /// never taught.
    fn tray(seed: u64) -> CorrectedTray {
        let mut random = Random::new(seed);
        let mut own = |class: Class, lightness: f64| {
            let mut value = |mid: f64, sd: f64| mid + sd * random.normal();
            let m = Measures {
                area_mm2: value(110.0, 8.0),
                width_mm: value(11.5, 0.4),
                length_mm: value(12.2, 0.4),
                inner_width_mm: value(11.0, 0.4),
                circularity: 0.95,
                solidity: 0.98,
                fullness: 1.0,
                lightness: value(lightness, 2.0),
                a: 3.0,
                b: 1.0,
                chroma: 3.2,
                wrinkle_fine: value(4.0, 0.4),
                wrinkle: value(5.0, 0.4),
                ..Measures::default()
            };
            let s =
                Silhouette { centre_mm: [1.0; 2], area_mm2: 110.0, moments_mm2: [9.0, 0.0, 8.0] };
            (m, s, class)
        };
        let mut objects: Vec<_> = (0..60).map(|_| own(Class::Sound, 45.0)).collect();
        objects.extend((0..30).map(|_| own(Class::Shriveled, 22.0)));
        CorrectedTray { fruit: Fruit::Black, camera_mm: [165.0, 125.0, 450.0], objects }
    }

    #[test]
    fn a_profile_learns_what_it_did_not_know() {
        let base = Profile::built_in().unwrap();
        let trays = [tray(1), tray(2), tray(3)];
        let before = score_of(&base, &trays).unwrap();
        let mut folds = Vec::new();
        let after = cross_validate(&base, &trays, 7, |n| folds.push(n)).unwrap();
        assert_eq!(folds, [1, 2, 3]);
        assert!(before.accuracy < 0.9, "{}", before.accuracy);
        assert!(after.accuracy > 0.97 && after.log_loss < before.log_loss, "{after:?}");
        let profile = teach(&base, &trays, "mine", 7).unwrap();
        assert_eq!(profile.segment, base.segment);
        assert_eq!(profile.classes.fruits[1], base.classes.fruits[1]);
        assert_eq!(profile.classes.fruits[0].mass, base.classes.fruits[0].mass);
        assert_eq!(teach(&base, &trays, "mine", 7).unwrap(), profile);
        assert!(teach(&base, &trays[..1], "mine", 7).is_err());
    }

    /// By hand: three of four right, one of them said with 0.6.
    #[test]
    fn scores_by_hand() {
        let sure = |k: usize| std::array::from_fn(|i| if i == k { 0.94 } else { 0.02 });
        let told = [
            (sure(0), false, Class::Sound),
            (sure(0), false, Class::Shriveled),
            (sure(3), true, Class::Debris),
            ([0.6, 0.2, 0.1, 0.1], false, Class::Sound),
        ];
        let found = score(&told).unwrap();
        close(found.accuracy, 0.75, 1e-12, "accuracy");
        assert_eq!(found.confusion[1][0], 1);
        assert_eq!((found.unassigned, found.reliability.len()), (1, 2));
        close(found.reliability[1].right, 2.0 / 3.0, 1e-12, "right");
        let loss = -(2.0 * 0.94f64.ln() + 0.02f64.ln() + 0.6f64.ln()) / 4.0;
        close(found.log_loss, loss, 1e-12, "log loss");
        assert_eq!(found.classes[2].recall, None);
        assert!(score(&[]).is_none());
    }
}
