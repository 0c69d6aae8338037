//! Training from photographs with truth: the judges of pixels and of pairs of pieces.

use rayon::prelude::*;

use crate::network::{Network, Output, Random, Samples, Training};
use crate::segment::evidence::{CONTEXT_FEATURES, Context, FEATURES, Neighbourhoods, judge};
use crate::segment::split::{self, PAIR_FEATURES};
use crate::segment::{LabelMap, Prepared, SegmentModel, SegmentSettings, look};

/// A prepared photograph and its true labels at full resolution.
pub struct Lesson {
    /// The prepared photograph.
    pub prepared: Prepared,
    /// True labels, at work resolution: share of object, own label, seam.
    pub target: Target,
}

/// Truth at work resolution.
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
        let (w, h, f) = (work.width(), work.height(), work.factor);
        let mut object = vec![0.0f32; w * h];
        let mut label = vec![0u16; w * h];
        for y in 0..h {
            for x in 0..w {
                let mut seen: Vec<(u16, u32)> = Vec::with_capacity(4);
                let mut on = 0;
                for dy in 0..f {
                    let row = (work.origin[1] + y * f + dy) * truth.width + work.origin[0] + x * f;
                    for &t in &truth.labels[row..row + f] {
                        if t != 0 {
                            on += 1;
                            match seen.iter_mut().find(|s| s.0 == t) {
                                Some(s) => s.1 += 1,
                                None => seen.push((t, 1)),
                            }
                        }
                    }
                }
                object[y * w + x] = on as f32 / (f * f) as f32;
                if on * 2 >= f * f {
                    label[y * w + x] = seen.iter().max_by_key(|s| s.1).map_or(0, |s| s.0);
                }
            }
        }
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
    /// Seed.
    pub seed: u64,
}

impl Default for SegmentTraining {
    fn default() -> Self {
        SegmentTraining { pixels: 30_000, epochs: 12, seed: 20_260_918 }
    }
}

/// Teaches the first look, the second look on the first one's answers, then the judge of pairs on
/// the evidence of both.
pub fn train_segment(
    lessons: &[Lesson],
    settings: &SegmentSettings,
    how: SegmentTraining,
    mut say: impl FnMut(String),
) -> SegmentModel {
    let training =
        Training { epochs: how.epochs, rate: 0.004, batch: 256, decay: 1e-5, seed: how.seed, output: Output::Logistic };
    let samples = gather(lessons, |k, lesson| {
        let p = &lesson.prepared;
        let hoods = Neighbourhoods::new(&p.work, &p.floor);
        sample(lesson, how, k, |_| false, |x, y| hoods.features(x, y))
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
        sample(lesson, how, k + 1000, wrong, |x, y| context.features(x, y))
    });
    let context = Network::train(&samples, CONTEXT_FEATURES, &[32, 16], training, |epoch, loss| {
        say(format!("second look, pass {}: loss {loss:.4}", epoch + 1));
    });
    drop(samples);
    let mut model = SegmentModel { pixels, context, pairs: None, regions: None };
    let found: Vec<_> = lessons
        .par_iter()
        .map(|lesson| {
            let p = &lesson.prepared;
            let evidence = look(p, &model);
            let w = p.work.width();
            split::training_pairs(&p.work, &evidence, &settings.split, |x, y| {
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
    let training = Training { epochs: 40, rate: 0.004, batch: 64, decay: 2e-4, seed: how.seed, output: Output::Logistic };
    model.pairs = Some(Network::train(&pairs, PAIR_FEATURES, &[12], training, |epoch, loss| {
        if epoch % 10 == 9 {
            say(format!("pairs, pass {}: loss {loss:.4}", epoch + 1));
        }
    }));
    model.regions = Some(train_regions(lessons, settings, &model, how, &mut say));
    model
}

/// Teaches which finished regions are objects: those that lie mostly on true objects.
fn train_regions(
    lessons: &[Lesson],
    settings: &SegmentSettings,
    model: &SegmentModel,
    how: SegmentTraining,
    say: &mut impl FnMut(String),
) -> Network {
    let samples = gather(lessons, |_, lesson| {
        let p = &lesson.prepared;
        let evidence = look(p, model);
        // A lower bar than in use brings more of what must be told apart.
        let mut out = Samples::default();
        for object in [settings.split.object, 0.35, 0.2] {
            let split = split::SplitSettings { object, ..settings.split };
            let regions = split::split(&p.work, &evidence, &split, model.pairs.as_ref());
            let taken = split::covered(&regions, &p.work);
            let w = p.work.width();
            for r in &regions {
                let on: f32 = r
                    .runs
                    .iter()
                    .flat_map(|&(y, a, b)| (a..b).map(move |x| y as usize * w + x as usize))
                    .map(|i| lesson.target.object[i])
                    .sum();
                let f = split::region_features(r, &p.work, &evidence, &p.floor, &taken);
                out.inputs.extend(f);
                out.targets.push(f32::from(on > 0.5 * r.area as f32));
                out.weights.push(1.0);
            }
        }
        out
    });
    let bad = samples.targets.iter().filter(|t| **t < 0.5).count();
    say(format!("{} regions, {bad} of them no object", samples.targets.len()));
    let training = Training { epochs: 40, rate: 0.004, batch: 64, decay: 5e-4, seed: how.seed, output: Output::Logistic };
    Network::train(&samples, split::REGION_FEATURES, &[10], training, |epoch, loss| {
        if epoch % 10 == 9 {
            say(format!("regions, pass {}: loss {loss:.4}", epoch + 1));
        }
    })
}

fn gather(lessons: &[Lesson], part: impl Fn(usize, &Lesson) -> Samples + Sync) -> Samples {
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
fn sample<const N: usize>(
    lesson: &Lesson,
    how: SegmentTraining,
    salt: usize,
    wrong: impl Fn(usize) -> bool,
    features: impl Fn(usize, usize) -> [f32; N],
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
    for (mut group, share) in groups.into_iter().zip([0.45, 0.35, 0.2, 0.15]) {
        random.shuffle(&mut group);
        for &i in group.iter().take((how.pixels as f64 * share) as usize) {
            let i = i as usize;
            out.inputs.extend(features(i % w, i / w));
            out.targets.push(target.object[i]);
            out.targets.push(f32::from(target.seam[i]));
            out.weights.push(1.0);
        }
    }
    out
}

fn places(allowed: &[bool], on: impl Fn(usize) -> bool) -> Vec<u32> {
    (0..allowed.len()).filter(|i| allowed[*i] && on(*i)).map(|i| i as u32).collect()
}
