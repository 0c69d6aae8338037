//! Training from photographs with truth: the judges of pixels and of pairs of pieces.

mod floors;
mod litter;

use std::path::PathBuf;

use rayon::prelude::*;

use crate::classify::{
    self, Class, ClassModel, Cloud, Fruit, FruitModel, MassModel, PowerLaw, berry_law_inputs,
    debris_law_inputs, fruit_features,
};
use crate::given;
use crate::measure::{Measures, Silhouette};
use crate::pipeline::{self, Opened, Settings};
use crate::profile::{Profile, SCHEMA};
use crate::score::{self, TrueObject, Truth};

use crate::network::{Network, Output, Random, Samples, Training};
use crate::segment::evidence::{
    self, CONTEXT_FEATURES, Context, FEATURES, Neighbourhoods, Row, Rows, judge,
};
use crate::segment::split::{self, PAIR_FEATURES};
use crate::segment::{self, LabelMap, Prepared, SegmentModel, SegmentSettings, link, look};

/// A prepared photograph and its true labels at full resolution.
pub struct Lesson {
    /// The prepared photograph.
    pub prepared: Prepared,
    /// True labels, at work resolution: share of object, own label, seam.
    pub target: Target,
    /// Labels of the debris.
    pub debris: Vec<u16>,
}

/// Truth at work resolution.
#[derive(Debug, Clone)]
pub struct Target {
    /// Share of each work pixel that shows an object.
    pub object: Vec<f32>,
    /// The label that covers most of the pixel (0: background).
    pub label: Vec<u16>,
    /// On the seam between two objects.
    pub seam: Vec<bool>,
    /// Close to an object's outline.
    pub near: Vec<bool>,
}

impl Target {
    /// Reduces true labels to the work picture.
    pub fn new(prepared: &Prepared, truth: &LabelMap) -> Target {
        let work = &prepared.work;
        let (w, h) = (work.width(), work.height());
        let mut object = vec![0.0f32; w * h];
        let mut label = vec![0u16; w * h];
        let whole = (work.scale * work.scale) as f32;
        for y in 0..h {
            for x in 0..w {
                let mut seen: Vec<(u16, f32)> = Vec::with_capacity(4);
                let mut on = 0.0;
                for (row, high) in work.taken(y, 1) {
                    for (col, wide) in work.taken(x, 0) {
                        let t = truth.labels.get(row * truth.width + col).copied().unwrap_or(0);
                        if t != 0 {
                            let part = high * wide / whole;
                            on += part;
                            match seen.iter_mut().find(|s| s.0 == t) {
                                Some(s) => s.1 += part,
                                None => seen.push((t, part)),
                            }
                        }
                    }
                }
                object[y * w + x] = on;
                if on >= 0.5 {
                    let most = seen.iter().max_by(|a, b| a.1.total_cmp(&b.1));
                    label[y * w + x] = most.map_or(0, |s| s.0);
                }
            }
        }
        Target::of(object, label, w)
    }

    /// Finds outlines and seams of labels.
    fn of(object: Vec<f32>, label: Vec<u16>, w: usize) -> Target {
        let h = label.len() / w.max(1);
        let mut seam = vec![false; w * h];
        let mut near = vec![false; w * h];
        let reach = 2isize;
        for y in 0..h as isize {
            for x in 0..w as isize {
                let i = y as usize * w + x as usize;
                let own = label[i];
                for dy in -reach..=reach {
                    for dx in -reach..=reach {
                        let (u, v) = (x + dx, y + dy);
                        if u < 0 || v < 0 || u >= w as isize || v >= h as isize {
                            continue;
                        }
                        let other = label[v as usize * w + u as usize];
                        if other != own {
                            near[i] = true;
                            if own != 0 && other != 0 && dx.abs().max(dy.abs()) <= 1 {
                                seam[i] = true;
                            }
                        }
                    }
                }
            }
        }
        Target { object, label, seam, near }
    }
}

/// How segmentation is taught.
#[derive(Debug, Clone, Copy)]
pub struct SegmentTraining {
    /// Pixels taken from each photograph.
    pub pixels: usize,
    /// Passes over the pixels.
    pub epochs: usize,
    /// How often the fruit of each photograph is shown again on another's floor.
    pub floors: usize,
    /// Seed.
    pub seed: u64,
}

impl Default for SegmentTraining {
    fn default() -> Self {
        SegmentTraining { pixels: 30_000, epochs: 12, floors: 1, seed: 20_260_918 }
    }
}

/// Teaches both looks at pixels, then the judges of pairs and of regions.
///
/// The judges learn from what looks taught on the other half of the photographs see, for on the
/// photographs that a look was taught from it sees better than it ever will again: there would be
/// no shade taken for fruit to learn from.
pub fn train_segment(
    lessons: &[&Lesson],
    settings: &SegmentSettings,
    how: SegmentTraining,
    mut say: impl FnMut(String),
) -> SegmentModel {
    let mut more: Vec<(usize, Lesson)> = Vec::new();
    for k in 0..how.floors as u64 {
        more.extend(floors::on_other_floors(lessons, &settings.floor, how.seed.wrapping_add(k)));
    }
    if !more.is_empty() {
        say(format!("{} photographs shown again on other floors", more.len()));
    }
    let all: Vec<(usize, &Lesson)> = lessons
        .iter()
        .copied()
        .enumerate()
        .chain(more.iter().map(|(origin, lesson)| (*origin, lesson)))
        .collect();
    let half = |odd: usize| -> Vec<&Lesson> {
        all.iter().filter(|(origin, _)| origin % 2 == odd).map(|(_, l)| *l).collect()
    };
    let (even, odd) = (half(0), half(1));
    let every: Vec<&Lesson> = all.iter().map(|(_, l)| *l).collect();
    let mut model = train_looks(&every, how, &mut say);
    // With a single photograph there is no other half.
    let unseen: Vec<(Vec<&Lesson>, SegmentModel)> = if odd.is_empty() {
        vec![(every, model.clone())]
    } else {
        let (by_even, by_odd) =
            (train_looks(&even, how, &mut |_| {}), train_looks(&odd, how, &mut |_| {}));
        vec![(even, by_odd), (odd, by_even)]
    };
    let seen: Vec<(&Lesson, evidence::Evidence)> = unseen
        .par_iter()
        .flat_map(|(lessons, model)| {
            lessons.par_iter().map(|lesson| (*lesson, look(&lesson.prepared, model)))
        })
        .collect();
    let found: Vec<_> = seen
        .par_iter()
        .map(|(lesson, evidence)| {
            let work = &lesson.prepared.work;
            let w = work.width();
            split::training_pairs(work, evidence, &settings.split, |x, y| {
                lesson.target.label[y * w + x]
            })
        })
        .collect();
    let mut pairs = Samples::default();
    for (features, same, weight) in found.into_iter().flatten() {
        pairs.inputs.extend(features);
        pairs.targets.push(f32::from(same));
        pairs.weights.push(weight);
    }
    say(format!("{} pairs of pieces", pairs.weights.len()));
    let training = small_judge(0.1, how.seed);
    model.pairs =
        Some(Network::train(&pairs, PAIR_FEATURES, &[32, 16], training, |epoch, loss| {
            if epoch % 10 == 9 {
                say(format!("pairs, pass {}: loss {loss:.4}", epoch + 1));
            }
        }));
    model.regions = Some(train_regions(&seen, settings, model.pairs.as_ref(), how, &mut say));
    model.links = Some(train_links(&seen, settings, &model, how, &mut say));
    model
}

/// Teaches the first look, then the second on the first one's answers.
fn train_looks(
    lessons: &[&Lesson],
    how: SegmentTraining,
    say: &mut impl FnMut(String),
) -> SegmentModel {
    let training = Training {
        epochs: how.epochs,
        rate: 0.004,
        batch: 256,
        decay: 1e-5,
        seed: how.seed,
        output: Output::Logistic,
        ranks: false,
    };
    let samples = gather(lessons, |k, lesson| {
        let p = &lesson.prepared;
        let hoods = Neighbourhoods::new(&p.work, &p.floor);
        sample(lesson, how, k, |_| false, &hoods)
    });
    let pixels = Network::train(&samples, FEATURES, &[24, 12], training, |epoch, loss| {
        say(format!("first look, pass {}: loss {loss:.4}", epoch + 1));
    });
    let samples = gather(lessons, |k, lesson| {
        let p = &lesson.prepared;
        let hoods = Neighbourhoods::new(&p.work, &p.floor);
        let first = judge(&hoods, &p.allowed, &pixels);
        let context = Context::new(&hoods, &first);
        let wrong = |i: usize| (first.object.data[i] - lesson.target.object[i]).abs() > 0.4;
        sample(lesson, how, k + 1000, wrong, &context)
    });
    let context = Network::train(&samples, CONTEXT_FEATURES, &[40, 20], training, |epoch, loss| {
        say(format!("second look, pass {}: loss {loss:.4}", epoch + 1));
    });
    SegmentModel { pixels, context, pairs: None, regions: None, links: None }
}

/// How the small judges (pairs, regions, skin colour) are trained.
fn small_judge(decay: f32, seed: u64) -> Training {
    Training {
        epochs: 40,
        rate: 0.004,
        batch: 64,
        decay,
        seed,
        output: Output::Logistic,
        ranks: true,
    }
}

/// Teaches which finished regions are objects: those that lie mostly on true objects.
fn train_regions(
    seen: &[(&Lesson, evidence::Evidence)],
    settings: &SegmentSettings,
    pairs: Option<&Network>,
    how: SegmentTraining,
    say: &mut impl FnMut(String),
) -> Network {
    let samples = gather(seen, |_, (lesson, evidence)| {
        let p = &lesson.prepared;
        // Lower bars than in use bring more shade and stains, which must be told apart.
        let mut out = Samples::default();
        for object in [settings.split.object, 0.35, 0.2] {
            let split = split::SplitSettings { object, ..settings.split };
            let regions = split::split(&p.work, evidence, &split, pairs);
            let owners = split::owners(&regions, &p.work);
            let w = p.work.width();
            for r in &regions {
                let on: f32 = r
                    .runs
                    .iter()
                    .flat_map(|&(y, a, b)| (a..b).map(move |x| y as usize * w + x as usize))
                    .map(|i| lesson.target.object[i])
                    .sum();
                let f = split::region_features(r, &p.work, evidence, &p.floor, &owners);
                out.inputs.extend(f);
                out.targets.push(f32::from(on > 0.5 * r.area as f32));
                out.weights.push(1.0);
            }
        }
        out
    });
    let bad = samples.targets.iter().filter(|t| **t < 0.5).count();
    say(format!("{} regions, {bad} of them no object", samples.targets.len()));
    let training = small_judge(0.2, how.seed);
    Network::train(&samples, split::REGION_FEATURES, &[16], training, |epoch, loss| {
        if epoch % 10 == 9 {
            say(format!("regions, pass {}: loss {loss:.4}", epoch + 1));
        }
    })
}

/// Teaches which regions are parts of one object.
fn train_links(
    seen: &[(&Lesson, evidence::Evidence)],
    settings: &SegmentSettings,
    model: &SegmentModel,
    how: SegmentTraining,
    say: &mut impl FnMut(String),
) -> Network {
    let samples = gather(seen, |_, (lesson, evidence)| {
        let p = &lesson.prepared;
        let regions = segment::regions_seen(p, evidence, settings, model);
        let owners = split::owners(&regions, &p.work);
        let truth: Vec<Option<u16>> = regions.iter().map(|r| shown(r, lesson)).collect();
        let mut out = Samples::default();
        for c in link::candidates(&regions, &p.work, &owners) {
            if let (Some(a), Some(b)) = (truth[c.first], truth[c.second]) {
                out.inputs.extend(c.features);
                out.targets.push(f32::from(a == b));
                out.weights.push(1.0);
            }
        }
        out
    });
    let same = samples.targets.iter().filter(|t| **t > 0.5).count();
    say(format!("{} pairs of parts, {same} of them of one object", samples.targets.len()));
    let training = small_judge(0.1, how.seed);
    Network::train(&samples, link::LINK_FEATURES, &[16], training, |epoch, loss| {
        if epoch % 10 == 9 {
            say(format!("parts, pass {}: loss {loss:.4}", epoch + 1));
        }
    })
}

/// The true object that more than half of a region shows.
fn shown(region: &split::Region, lesson: &Lesson) -> Option<u16> {
    let w = lesson.prepared.work.width();
    let mut votes = std::collections::BTreeMap::<u16, usize>::new();
    for &(y, a, b) in &region.runs {
        for x in a..b {
            *votes.entry(lesson.target.label[y as usize * w + x as usize]).or_default() += 1;
        }
    }
    votes.into_iter().find(|(t, n)| *t != 0 && 2 * n > region.area).map(|(t, _)| t)
}

fn gather<T: Sync>(lessons: &[T], part: impl Fn(usize, &T) -> Samples + Sync) -> Samples {
    let parts: Vec<Samples> =
        lessons.par_iter().enumerate().map(|(k, lesson)| part(k, lesson)).collect();
    let mut all = Samples::default();
    for part in parts {
        all.inputs.extend(part.inputs);
        all.targets.extend(part.targets);
        all.weights.extend(part.weights);
    }
    all
}

/// Takes pixels of one photograph: outlines, plain places, seams, and those that were judged
/// wrong before.
fn sample<R: Rows>(
    lesson: &Lesson,
    how: SegmentTraining,
    salt: usize,
    wrong: impl Fn(usize) -> bool,
    rows: &R,
) -> Samples {
    let (allowed, target) = (&lesson.prepared.allowed, &lesson.target);
    let w = lesson.prepared.work.width();
    let mut random = Random::new(how.seed.wrapping_add(salt as u64));
    let mut out = Samples::default();
    let groups: [Vec<u32>; 4] = [
        places(allowed, |i| target.near[i] && !target.seam[i]),
        places(allowed, |i| !target.near[i]),
        places(allowed, |i| target.seam[i]),
        places(allowed, |i| !target.near[i] && wrong(i)),
    ];
    let mut chosen: Vec<u32> = Vec::new();
    for (mut group, share) in groups.into_iter().zip([0.45, 0.35, 0.2, 0.15]) {
        random.shuffle(&mut group);
        chosen.extend(group.iter().take((how.pixels as f64 * share) as usize));
    }
    // Row by row, since measures are computed a row at a time.
    chosen.sort_unstable();
    let mut row = Row::default();
    let mut current = usize::MAX;
    for i in chosen {
        let i = i as usize;
        if i / w != current {
            current = i / w;
            rows.row(current, 0..w, &mut row);
        }
        out.inputs.extend(row.pixel(i % w, R::MADE_OF));
        out.targets.push(target.object[i]);
        out.targets.push(f32::from(target.seam[i]));
        out.weights.push(1.0);
    }
    out
}

fn places(allowed: &[bool], on: impl Fn(usize) -> bool) -> Vec<u32> {
    (0..allowed.len()).filter(|i| allowed[*i] && on(*i)).map(|i| i as u32).collect()
}

/// Why teaching failed.
#[derive(Debug, thiserror::Error)]
pub enum TeachError {
    /// A photograph could not be read.
    #[error("{}: {why}", path.display())]
    Photo {
        /// The photograph.
        path: PathBuf,
        /// Why.
        why: String,
    },
    /// Too little to learn from.
    #[error("{0}")]
    TooLittle(String),
}

/// A photograph with truth, opened and prepared.
pub struct Pupil {
    /// Its truth.
    pub truth: Truth,
    /// The opened photograph.
    pub opened: Opened,
    /// Prepared picture and its truth at work resolution.
    pub lesson: Lesson,
    /// True labels.
    pub ids: LabelMap,
}

/// Opens photographs with truth.
pub fn open_pupils(photos: &[PathBuf], settings: &Settings) -> Result<Vec<Pupil>, TeachError> {
    photos
        .par_iter()
        .map(|path| {
            let fail = |why: String| TeachError::Photo { path: path.clone(), why };
            let truth = Truth::beside(path).map_err(|e| fail(e.to_string()))?;
            let photo = crate::photo::read(path).map_err(|e| fail(e.to_string()))?;
            let opened = pipeline::open(photo, settings).map_err(|e| fail(e.to_string()))?;
            let prepared = pipeline::prepare(&opened, settings);
            let ids = truth.ids().map_err(|e| fail(e.to_string()))?;
            if [ids.width, ids.height]
                != [opened.photo.rgb.width() as usize, opened.photo.rgb.height() as usize]
            {
                return Err(fail("the picture of true labels has another size".into()));
            }
            let target = Target::new(&prepared, &ids);
            let debris = truth.objects.iter().filter(|o| o.cls == Class::Debris);
            let debris = debris.filter_map(|o| u16::try_from(o.id).ok()).collect();
            Ok(Pupil { truth, opened, lesson: Lesson { prepared, target, debris }, ids })
        })
        .collect()
}

/// A measured object whose truth is known.
#[derive(Debug, Clone)]
pub struct Taught {
    /// What was measured.
    pub measures: Measures,
    /// Its silhouette.
    pub silhouette: Silhouette,
    /// Its truth.
    pub truth: TrueObject,
    /// How well its outline matches.
    pub iou: f64,
}

/// Measured objects of one photograph that match true ones.
pub fn taught_objects(
    pupil: &Pupil,
    profile_segment: &SegmentModel,
    settings: &Settings,
) -> Vec<Taught> {
    let scene_labels =
        pipeline::label_with(&pupil.opened, &pupil.lesson.prepared, profile_segment, settings);
    let measured = pipeline::measure_objects(&pupil.opened, &pupil.lesson.prepared, &scene_labels);
    let matching = score::match_labels(&scene_labels, &pupil.ids);
    matching
        .matches
        .iter()
        .filter_map(|m| {
            let truth = pupil.truth.objects.iter().find(|o| o.id == m.truth)?.clone();
            let (measures, silhouette) = measured.get(m.read as usize - 1)?.clone();
            Some(Taught { measures, silhouette, truth, iou: m.iou })
        })
        .collect()
}

fn fruit_of(truth: &Truth) -> Fruit {
    if truth.scene.variety == "white" { Fruit::White } else { Fruit::Black }
}

/// Teaches classes and masses from measured objects, a list for each photograph with its fruit.
pub fn train_classes(
    objects: &[(Fruit, Vec<Taught>)],
    seed: u64,
    say: &mut impl FnMut(String),
) -> Result<ClassModel, TeachError> {
    let mut fruit = Samples::default();
    for (f, list) in objects {
        for t in list.iter().filter(|t| matches!(t.truth.cls, Class::Sound | Class::Shriveled)) {
            fruit.inputs.extend(fruit_features(&t.measures));
            fruit.targets.push(f32::from(*f == Fruit::White));
            fruit.weights.push(1.0);
        }
    }
    if fruit.weights.is_empty() {
        return Err(TeachError::TooLittle("no berries were found to learn from".into()));
    }
    let how = small_judge(1e-3, seed);
    let fruit = Network::train(&fruit, 5, &[6], how, |_, _| {});
    let model = |which: Fruit| -> Result<FruitModel, TeachError> {
        // Debris is the same whatever the fruit; so is everything when one fruit was not taught.
        let have = objects.iter().any(|(f, _)| *f == which);
        let list: Vec<&Taught> = objects
            .iter()
            .flat_map(|(f, l)| l.iter().map(move |t| (f, t)))
            .filter(|(f, t)| !have || **f == which || t.truth.cls == Class::Debris)
            .map(|(_, t)| t)
            .collect();
        train_fruit(&list, seed)
    };
    let fruits = [model(Fruit::Black)?, model(Fruit::White)?];
    say(format!(
        "classes: {} objects, shares taught for black fruit {:.3?}, white fruit {:.3?}",
        objects.iter().map(|(_, l)| l.len()).sum::<usize>(),
        fruits[0].taught_shares,
        fruits[1].taught_shares
    ));
    Ok(ClassModel { fruit, fruits })
}

/// Networks in each fruit's committee.
const COMMITTEE: u64 = 4;

fn train_fruit(list: &[&Taught], seed: u64) -> Result<FruitModel, TeachError> {
    let mut samples = Samples::default();
    let mut counts = [0.0f64; 4];
    for t in list {
        samples.inputs.extend(classify::features(&t.measures));
        samples.targets.extend(Class::ALL.map(|c| f32::from(c == t.truth.cls)));
        samples.weights.push(1.0);
        counts[t.truth.cls.index()] += 1.0;
    }
    if let Some(c) = Class::ALL.into_iter().find(|c| counts[c.index()] < 10.0) {
        return Err(TeachError::TooLittle(format!(
            "only {} objects of class {} to learn from: at least 10 are needed",
            counts[c.index()],
            c.name()
        )));
    }
    let total: f64 = counts.iter().sum();
    let networks = (0..COMMITTEE)
        .into_par_iter()
        .map(|k| {
            let how = Training {
                epochs: 60,
                rate: 0.004,
                batch: 32,
                decay: 2e-3,
                seed: seed.wrapping_add(k),
                output: Output::Softmax,
                ranks: false,
            };
            Network::train(&samples, classify::FEATURES, &[12], how, |_, _| {})
        })
        .collect();
    let clouds = Class::ALL.map(|c| cloud(list, c)).to_vec();
    let mass = train_mass(list)?;
    Ok(FruitModel { networks, taught_shares: counts.map(|c| c / total), clouds, mass })
}

fn cloud(list: &[&Taught], class: Class) -> Cloud {
    let rows: Vec<[f32; classify::FEATURES]> = list
        .iter()
        .filter(|t| t.truth.cls == class)
        .map(|t| classify::features(&t.measures))
        .collect();
    let n = rows.len().max(1) as f32;
    let mean: Vec<f32> =
        (0..classify::FEATURES).map(|i| rows.iter().map(|r| r[i]).sum::<f32>() / n).collect();
    let spread: Vec<f32> = (0..classify::FEATURES)
        .map(|i| {
            let v = rows.iter().map(|r| (r[i] - mean[i]).powi(2)).sum::<f32>() / n;
            // Shares that are nearly always nought must not make a hair's breadth remarkable.
            v.sqrt().max(0.02 + 0.02 * mean[i].abs())
        })
        .collect();
    let mut cloud = Cloud { mean, spread, limit: 0.0 };
    let worst = rows.iter().map(|r| cloud.distance(r)).fold(0.0, f32::max);
    cloud.limit = 1.5 * worst;
    cloud
}

fn train_mass(list: &[&Taught]) -> Result<MassModel, TeachError> {
    let too_little =
        |c: Class| TeachError::TooLittle(format!("too few clean outlines of class {}", c.name()));
    let mut model = MassModel {
        origin: format!("least squares over {} objects with truth", list.len()),
        ..MassModel::default()
    };
    for class in [Class::Sound, Class::Shriveled, Class::Underripe] {
        let rows: Vec<(Vec<f64>, f64, f64)> = list
            .iter()
            .filter(|t| t.truth.cls == class && t.iou > 0.75)
            .filter_map(|t| {
                let d = t.truth.d_eq_mm?;
                let volume = std::f64::consts::PI / 6.0 * d.powi(3);
                Some((berry_law_inputs(&t.measures), volume, 1.0))
            })
            .collect();
        model.berry_volume[class.index()] =
            PowerLaw::fit(&rows, 0.05).ok_or_else(|| too_little(class))?;
        let (mass, volume) = list
            .iter()
            .filter(|t| t.truth.cls == class)
            .filter_map(|t| {
                let d = t.truth.d_eq_mm?;
                Some((t.truth.mass_g, std::f64::consts::PI / 6.0 * d.powi(3)))
            })
            .fold((0.0, 0.0), |s, (m, v)| (s.0 + m, s.1 + v));
        model.berry_density[class.index()] = mass / volume;
    }
    let rows: Vec<(Vec<f64>, f64, f64)> = list
        .iter()
        .filter(|t| t.truth.cls == Class::Debris)
        .map(|t| (debris_law_inputs(&t.measures), t.truth.mass_g, 1.0))
        .collect();
    model.debris_mass = PowerLaw::fit(&rows, 0.5).ok_or_else(|| too_little(Class::Debris))?;
    Ok(model)
}

/// Teaches a whole profile from photographs with truth.
pub fn train(
    pupils: &[Pupil],
    name: &str,
    settings: &Settings,
    how: SegmentTraining,
    mut say: impl FnMut(String),
) -> Result<Profile, TeachError> {
    if pupils.is_empty() {
        return Err(TeachError::TooLittle("no photographs with truth".into()));
    }
    let lessons: Vec<&Lesson> = pupils.iter().map(|p| &p.lesson).collect();
    let segment = train_segment(&lessons, &settings.segment, how, &mut say);
    let objects: Vec<(Fruit, Vec<Taught>)> = pupils
        .par_iter()
        .map(|p| (fruit_of(&p.truth), taught_objects(p, &segment, settings)))
        .collect();
    let classes = train_classes(&objects, how.seed, &mut say)?;
    let names: Vec<String> = pupils.iter().map(|p| p.truth.scene.name.clone()).collect();
    Ok(Profile {
        schema: SCHEMA.to_string(),
        name: name.to_string(),
        origin: format!("{} photographs with truth, seed {}", pupils.len(), how.seed),
        photographs: names,
        segment,
        classes,
    })
}

/// Cross-validation by photograph: the photographs are dealt into `folds` groups (as many groups
/// as photographs leaves one out at a time); each group is read with a profile taught from all the
/// others, and scored. Nothing of a photograph's truth reaches the profile that reads it.
pub fn cross_validate(
    photos: &[PathBuf],
    folds: usize,
    settings: &Settings,
    how: SegmentTraining,
    mut say: impl FnMut(String),
) -> Result<Vec<score::Score>, TeachError> {
    let folds = folds.min(photos.len());
    if folds < 2 {
        return Err(TeachError::TooLittle(
            "cross-validation needs at least two photographs and two groups".into(),
        ));
    }
    let mut scores = Vec::new();
    for fold in 0..folds {
        let (test, rest): (Vec<_>, Vec<_>) =
            photos.iter().cloned().enumerate().partition(|(i, _)| i % folds == fold);
        let rest: Vec<PathBuf> = rest.into_iter().map(|(_, p)| p).collect();
        let pupils = open_pupils(&rest, settings)?;
        let profile = train(&pupils, "cross-validation", settings, how, |_| {})?;
        drop(pupils);
        for (_, path) in test {
            scores.push(score_photo(&path, &profile, settings)?);
        }
        say(format!("group {} of {folds} scored", fold + 1));
    }
    Ok(scores)
}

/// Reads one photograph with a profile and scores it against the truth beside it.
pub fn score_photo(
    path: &std::path::Path,
    profile: &Profile,
    settings: &Settings,
) -> Result<score::Score, TeachError> {
    let fail = |why: String| TeachError::Photo { path: path.to_path_buf(), why };
    let truth = Truth::beside(path).map_err(|e| fail(e.to_string()))?;
    let ids = truth.ids().map_err(|e| fail(e.to_string()))?;
    let bytes = given::read(path, given::Kind::Photograph).map_err(|e| fail(e.to_string()))?;
    let name = truth.scene.name.clone();
    let (_, reading) =
        pipeline::read_tray(&name, &bytes, profile, settings).map_err(|e| fail(e.to_string()))?;
    Ok(score::score(&reading, &truth, &ids))
}
