//! From measures to classes with probabilities, volumes and masses.
//!
//! Everything learned is data in a [`Profile`](crate::profile::Profile); this module knows nothing of pixels.

use serde::{Deserialize, Serialize};

use crate::measure::{Measures, Silhouette};
use crate::network::Network;

/// The four classes, in the order of every table.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Class {
    /// Sound berry.
    Sound,
    /// Shriveled (raisined) berry.
    Shriveled,
    /// Underripe berry.
    Underripe,
    /// Debris: material other than grapes.
    Debris,
}

impl Class {
    /// All classes in table order.
    pub const ALL: [Class; 4] = [Class::Sound, Class::Shriveled, Class::Underripe, Class::Debris];

    /// The class's name in tables and files.
    pub fn name(self) -> &'static str {
        match self {
            Class::Sound => "sound",
            Class::Shriveled => "shriveled",
            Class::Underripe => "underripe",
            Class::Debris => "debris",
        }
    }

    /// Place in [`Class::ALL`].
    pub fn index(self) -> usize {
        self as usize
    }
}

/// What an object was judged to be; `None` is `unassigned`: unlike anything taught.
pub type Outcome = Option<Class>;

/// Skin colour of the fruit.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Fruit {
    /// Black-skinned.
    Black,
    /// White-skinned.
    White,
}

impl Fruit {
    /// Both, in order.
    pub const ALL: [Fruit; 2] = [Fruit::Black, Fruit::White];

    /// The fruit's name in tables and files.
    pub fn name(self) -> &'static str {
        match self {
            Fruit::Black => "black",
            Fruit::White => "white",
        }
    }

    /// The fruit of a name in tables and files; none when it is none's.
    pub fn named(name: &str) -> Option<Fruit> {
        Fruit::ALL.into_iter().find(|f| f.name() == name)
    }
}

/// One object, measured and judged.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ObjectReading {
    /// What was measured.
    pub measures: Measures,
    /// Its class, or none when unassigned.
    pub class: Outcome,
    /// Probabilities in the order of [`Class::ALL`]; they sum to 1.
    pub probabilities: [f64; 4],
    /// Diameter of the ball of the same estimated volume, mm.
    pub equivalent_diameter_mm: f64,
    /// Estimated mass, g.
    pub mass_g: f64,
}

/// An object whose greatest probability is below this is worth a look (common practice, no source).
pub const UNSURE_BELOW: f64 = 0.7;

impl ObjectReading {
    /// The greatest of the four probabilities.
    pub fn confidence(&self) -> f64 {
        self.probabilities.iter().copied().fold(0.0, f64::max)
    }
}

/// Number of measures that classes are judged by.
pub const FEATURES: usize = 21;

/// The measures that classes are judged by: size, form, colour, texture.
pub fn features(m: &Measures) -> [f32; FEATURES] {
    let f = [
        m.area_mm2.max(0.1).ln(),
        m.width_mm.max(0.1).ln(),
        m.width_mm / m.length_mm.max(0.1),
        m.inner_width_mm / m.width_mm.max(0.1),
        m.inner_width_mm.max(0.1).ln(),
        m.circularity,
        m.solidity,
        m.fullness,
        m.contact_share,
        m.lightness,
        m.a,
        m.b,
        m.chroma,
        m.lightness_sd,
        m.colour_sd,
        m.green_share,
        m.red_share,
        m.brown_share,
        m.wrinkle_fine,
        m.wrinkle,
        m.wrinkle_fine * m.inner_width_mm / 10.0,
    ];
    f.map(|v| v as f32)
}

/// Measures that black and white fruit are told apart by.
pub fn fruit_features(m: &Measures) -> [f32; 5] {
    [m.lightness, m.a, m.b, m.green_share, m.red_share].map(|v| v as f32)
}

/// `exp(c₀ + Σ cᵢ·xᵢ)`: a power law over measures, with its smearing factor in c₀ so that totals
/// are unbiased (Duan 1983).
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct PowerLaw {
    /// Coefficients, the constant first.
    pub coefficients: Vec<f64>,
}

impl PowerLaw {
    /// The law's value.
    pub fn at(&self, x: &[f64]) -> f64 {
        let Some((first, rest)) = self.coefficients.split_first() else { return 0.0 };
        (first + rest.iter().zip(x).map(|(c, v)| c * v).sum::<f64>()).exp()
    }

    /// Ridge least squares on ln(target), then the factor that makes the weighted total right.
    /// None when the equations have no solution.
    pub fn fit(rows: &[(Vec<f64>, f64, f64)], ridge: f64) -> Option<PowerLaw> {
        let n = rows.first()?.0.len() + 1;
        let mut a = nalgebra::DMatrix::<f64>::zeros(n, n);
        let mut b = nalgebra::DVector::<f64>::zeros(n);
        for (x, target, weight) in rows {
            let row = std::iter::once(1.0).chain(x.iter().copied());
            let row = nalgebra::DVector::from_iterator(n, row);
            a += *weight * &row * row.transpose();
            b += *weight * target.max(1e-6).ln() * &row;
        }
        for i in 1..n {
            a[(i, i)] += ridge;
        }
        let c = a.cholesky()?.solve(&b);
        let mut law = PowerLaw { coefficients: c.iter().copied().collect() };
        let (mut truth, mut read) = (0.0, 0.0);
        for (x, target, weight) in rows {
            truth += weight * target;
            read += weight * law.at(x);
        }
        law.coefficients[0] += (truth / read).ln();
        Some(law)
    }
}

/// Measures behind a berry's volume.
pub fn berry_law_inputs(m: &Measures) -> Vec<f64> {
    let aspect = (m.width_mm / m.length_mm.max(0.1)).clamp(0.3, 1.0);
    vec![
        m.area_mm2.max(0.1).ln(),
        aspect.ln(),
        (1.0 - m.solidity).clamp(0.0, 0.5),
        (m.wrinkle_fine / 10.0).min(3.0),
        m.contact_share,
    ]
}

/// Measures behind a piece of debris's mass.
pub fn debris_law_inputs(m: &Measures) -> Vec<f64> {
    let area = m.area_mm2.max(0.2).ln();
    let thick = m.inner_width_mm.max(0.3).ln();
    let aspect = (m.width_mm / m.length_mm.max(0.1)).clamp(0.02, 1.0).ln();
    vec![
        area,
        thick,
        thick * thick,
        area * thick,
        aspect,
        m.solidity,
        m.fullness,
        m.chroma / 20.0,
        m.lightness / 50.0,
        m.wrinkle_fine / 10.0,
        m.contact_share,
    ]
}

/// Volumes and masses: data with its origin.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct MassModel {
    /// Where the coefficients come from.
    pub origin: String,
    /// Volume of sound, shriveled and underripe berries, mm³.
    pub berry_volume: [PowerLaw; 3],
    /// Density of the same, g/mm³.
    pub berry_density: [f64; 3],
    /// Mass of debris, g.
    pub debris_mass: PowerLaw,
}

impl MassModel {
    /// Diameter of the ball of the same volume (mm) and mass (g) of an object of a class.
    pub fn size(&self, class: Class, m: &Measures) -> (f64, f64) {
        let ball = |volume: f64| (6.0 * volume / std::f64::consts::PI).cbrt();
        match class {
            Class::Debris => {
                let mass = self.debris_mass.at(&debris_law_inputs(m));
                // Wood and leaf about 0.8 g/cm³ (common practice, no source): the diameter of
                // debris is only nominal.
                (ball(mass / 0.0008), mass)
            }
            berry => {
                let volume = self.berry_volume[berry.index()].at(&berry_law_inputs(m));
                (ball(volume), volume * self.berry_density[berry.index()])
            }
        }
    }
}

/// Where a class lies in the space of measures: tells what is unlike anything taught.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Cloud {
    /// Mean of each measure.
    pub mean: Vec<f32>,
    /// Spread of each measure, never zero.
    pub spread: Vec<f32>,
    /// Root mean square distance, in spreads, beyond which an object is unlike the class: one and
    /// a half times the greatest seen in teaching.
    pub limit: f32,
}

impl Cloud {
    /// Root mean square distance in spreads.
    pub fn distance(&self, f: &[f32]) -> f32 {
        let sum: f32 = f
            .iter()
            .zip(self.mean.iter().zip(&self.spread))
            .map(|(v, (m, s))| ((v - m) / s).powi(2))
            .sum();
        (sum / f.len().max(1) as f32).sqrt()
    }
}

/// What is taught for one skin colour.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FruitModel {
    /// Networks whose probabilities are averaged.
    pub networks: Vec<Network>,
    /// Share of each class in teaching.
    pub taught_shares: [f64; 4],
    /// Where each class lies.
    pub clouds: Vec<Cloud>,
    /// Volumes and masses.
    pub mass: MassModel,
}

/// Everything learned that classes and masses need.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ClassModel {
    /// Tells white from black fruit.
    pub fruit: Network,
    /// Black fruit, white fruit.
    pub fruits: [FruitModel; 2],
}

/// Settings of the classification.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ClassifySettings {
    /// Skin colour, when the user gave it.
    pub fruit: Option<Fruit>,
    /// How many objects' worth of trust the taught shares keep when a tray's own shares are
    /// estimated.
    pub prior_objects: f64,
}

impl Default for ClassifySettings {
    fn default() -> Self {
        ClassifySettings { fruit: None, prior_objects: 30.0 }
    }
}

/// All objects of a tray, judged.
#[derive(Debug, Clone)]
pub struct Judged {
    /// Objects in the order given.
    pub objects: Vec<ObjectReading>,
    /// Skin colour used.
    pub fruit: Fruit,
    /// Mean probability of white skin over the berries, 0 to 1.
    pub white_vote: f64,
    /// Distance of the tray's typical berry from the taught sound berry, as a share of the limit
    /// beyond which a single berry is unlike it; none without berries.
    pub typical_distance: Option<f64>,
}

/// Judges the objects of one tray.
pub fn classify(
    measured: &[(Measures, Silhouette)],
    camera_mm: [f64; 3],
    model: &ClassModel,
    settings: &ClassifySettings,
) -> Judged {
    // By skin colour: both are asked, for the vote on the colour needs them.
    let mut by_fruit: [Vec<[f64; 4]>; 2] = std::array::from_fn(|k| {
        measured.iter().map(|(m, _)| model.fruits[k].probabilities(m)).collect()
    });
    let white_vote = white_vote(measured, &by_fruit, model);
    let fruit =
        settings.fruit.unwrap_or(if white_vote > 0.5 { Fruit::White } else { Fruit::Black });
    let own = &model.fruits[fruit as usize];
    let raw = std::mem::take(&mut by_fruit[fruit as usize]);
    let probabilities = adapt(&raw, &own.taught_shares, settings.prior_objects);
    let objects = measured
        .iter()
        .zip(probabilities)
        .map(|((m, silhouette), p)| own.reading(m, silhouette, p, camera_mm))
        .collect::<Vec<_>>();
    let typical_distance = own.typical_distance(&objects);
    Judged { objects, fruit, white_vote, typical_distance }
}

/// Mean probability that the skin is white, over the objects weighted by area and by how likely
/// they are sound or shriveled: underripe berries are green whatever the skin will be.
fn white_vote(
    measured: &[(Measures, Silhouette)],
    by_fruit: &[Vec<[f64; 4]>; 2],
    model: &ClassModel,
) -> f64 {
    let (mut sum, mut weight) = (0.0, 0.0);
    for (i, (m, _)) in measured.iter().enumerate() {
        // Only round things speak for the fruit.
        if m.fullness < 0.95 || m.circularity < 0.7 {
            continue;
        }
        let p = f64::from(model.fruit.eval(&fruit_features(m))[0]);
        let ripe = by_fruit
            .iter()
            .map(|p| p[i][Class::Sound.index()] + p[i][Class::Shriveled.index()])
            .fold(f64::INFINITY, f64::min);
        sum += p * m.area_mm2 * ripe;
        weight += m.area_mm2 * ripe;
    }
    if weight > 0.0 { sum / weight } else { 0.0 }
}

impl FruitModel {
    fn probabilities(&self, m: &Measures) -> [f64; 4] {
        let f = features(m);
        let mut sum = [0.0; 4];
        for network in &self.networks {
            for (s, p) in sum.iter_mut().zip(network.eval(&f)) {
                *s += f64::from(p);
            }
        }
        let total: f64 = sum.iter().sum();
        sum.map(|s| s / total)
    }

    fn reading(
        &self,
        m: &Measures,
        silhouette: &Silhouette,
        probabilities: [f64; 4],
        camera_mm: [f64; 3],
    ) -> ObjectReading {
        let best = Class::ALL
            .into_iter()
            .max_by(|a, b| probabilities[a.index()].total_cmp(&probabilities[b.index()]))
            .unwrap_or(Class::Debris);
        let f = features(m);
        let like = self.clouds.iter().any(|c| c.distance(&f) <= c.limit);
        let mut measures = m.clone();
        if best == Class::Debris {
            // A stem lies about as high as it is thick.
            let flat = silhouette.flat(camera_mm, m.inner_width_mm.min(4.0));
            measures.x_mm = flat.foot_mm[0];
            measures.y_mm = flat.foot_mm[1];
            measures.area_mm2 = flat.area_mm2;
            measures.circle_diameter_mm = (4.0 * flat.area_mm2 / std::f64::consts::PI).sqrt();
            measures.length_mm = flat.length_mm;
            measures.width_mm = flat.width_mm;
        }
        let (equivalent_diameter_mm, mass_g) = self.mass.size(best, m);
        ObjectReading {
            measures,
            class: like.then_some(best),
            probabilities,
            equivalent_diameter_mm,
            mass_g,
        }
    }

    fn typical_distance(&self, objects: &[ObjectReading]) -> Option<f64> {
        let berries: Vec<[f32; FEATURES]> = objects
            .iter()
            .filter(|o| o.class != Some(Class::Debris) && o.measures.fullness > 0.95)
            .map(|o| features(&o.measures))
            .collect();
        let cloud = self.clouds.first()?;
        if berries.len() < 5 {
            return None;
        }
        let typical: Vec<f32> = (0..FEATURES)
            .map(|i| {
                let mut v: Vec<f32> = berries.iter().map(|f| f[i]).collect();
                let mid = v.len() / 2;
                *v.select_nth_unstable_by(mid, f32::total_cmp).1
            })
            .collect();
        Some(f64::from(cloud.distance(&typical) / cloud.limit))
    }
}

/// Adapts probabilities to a tray whose class shares differ from the taught ones: expectation
/// maximisation on the shares (Saerens, Latinne, Decaestecker 2002), with `trust` objects' worth
/// of the taught shares kept.
pub fn adapt(raw: &[[f64; 4]], taught: &[f64; 4], trust: f64) -> Vec<[f64; 4]> {
    let n = raw.len() as f64;
    let mut shares = *taught;
    let apply = |shares: &[f64; 4], p: &[f64; 4]| {
        let q: [f64; 4] = std::array::from_fn(|c| p[c] * shares[c] / taught[c].max(1e-9));
        let sum: f64 = q.iter().sum();
        if sum > 0.0 { q.map(|v| v / sum) } else { *p }
    };
    for _ in 0..20 {
        let mut next = taught.map(|t| t * trust);
        for p in raw {
            for (s, v) in next.iter_mut().zip(apply(&shares, p)) {
                *s += v;
            }
        }
        shares = next.map(|s| s / (n + trust));
    }
    raw.iter().map(|p| apply(&shares, p)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn adapting_to_taught_shares_changes_nothing() {
        let taught = [0.7, 0.1, 0.1, 0.1];
        let raw = vec![[0.97, 0.01, 0.01, 0.01]; 7]
            .into_iter()
            .chain([[0.01, 0.97, 0.01, 0.01], [0.01, 0.01, 0.97, 0.01], [0.01, 0.01, 0.01, 0.97]])
            .collect::<Vec<_>>();
        for (p, q) in raw.iter().zip(adapt(&raw, &taught, 1e9)) {
            for c in 0..4 {
                assert!((p[c] - q[c]).abs() < 1e-6);
            }
        }
    }

    #[test]
    fn a_tray_of_waste_moves_doubtful_objects_towards_the_rejects() {
        let taught = [0.9, 0.05, 0.03, 0.02];
        let mut raw = vec![[0.02, 0.96, 0.01, 0.01]; 60];
        raw.push([0.55, 0.43, 0.01, 0.01]);
        let out = adapt(&raw, &taught, 10.0);
        assert!(out[60][1] > 0.9);
    }

    #[test]
    fn a_power_law_is_found_again() {
        let rows: Vec<_> = (1..40)
            .map(|i| {
                let x = f64::from(i) / 10.0;
                (vec![x.ln()], 2.5 * x.powf(1.5), 1.0)
            })
            .collect();
        let law = PowerLaw::fit(&rows, 0.0).map(|l| l.coefficients).unwrap_or_default();
        assert!((law[0].exp() - 2.5).abs() < 1e-9 && (law[1] - 1.5).abs() < 1e-9);
    }
}
