//! The same fruit on another floor: more lessons from the same photographs.
//!
//! A handful of photographs cannot show every fruit on every tray. Here one photograph's objects
//! are laid, in linear light and with the shade that they cast, on the floor of another, whose own
//! objects have been filled in from around them. Truth stays exact, for no object moves.

use std::collections::VecDeque;

use super::litter::{self, Cutting, Ground};
use super::{Lesson, Target};
use crate::colour;
use crate::network::Random;
use crate::segment::floor::{self, FloorSettings, box_blur};
use crate::segment::work::{self, Work};
use crate::segment::{Plane, Prepared, beside};

/// Distance kept from a donor's objects, mm: nearer pixels are mixed with their outlines.
const CLEAR_MM: f64 = 0.8;
/// Share of a donor's tray that must be bare.
const LEAST_BARE: f64 = 0.4;
/// Floors are of one kind when their mean L*, a*, b* and their range of L* are closer than this.
const ONE_KIND: f32 = 12.0;
/// Linear light added to both sides of a shade's ratio, so that dark floors do not make it noisy.
const SHADE_FLOOR: f32 = 0.02;

/// Light of bare floor over that of the smoothed floor: darker is shade, brighter is glare.
const PLAIN: [f32; 2] = [0.9, 1.15];
/// A floor whose lightness varies by this much, L*, shines.
const SHINING: f32 = 50.0;

/// A floor without objects, in linear light.
struct Bare {
    width: usize,
    rgb: Vec<[f32; 3]>,
    /// First and last column and row of the tray.
    bounds: [usize; 4],
    /// See [`look_of`].
    look: [f32; 4],
    /// On a floor that shines: the middle of its glare, as shares of the tray's width and height.
    glare: Option<[f32; 2]>,
}

/// One more lesson for each of the given ones, on a floor of another kind. Kinds take turns, so
/// that a floor seen once counts as much as one seen often. Fewer lessons come back when there is
/// only one kind of floor; each names the lesson that it came from.
pub fn on_other_floors(
    lessons: &[&Lesson],
    settings: &FloorSettings,
    seed: u64,
) -> Vec<(usize, Lesson)> {
    use rayon::prelude::*;
    let cuttings: Vec<Vec<Cutting>> = lessons.par_iter().map(|l| litter::cuttings(l)).collect();
    let bare: Vec<Bare> = lessons.par_iter().filter_map(|l| Bare::of(l)).collect();
    let mut kinds: Vec<Vec<&Bare>> = Vec::new();
    for b in &bare {
        match kinds.iter_mut().find(|k| away(k[0].look, b.look) < ONE_KIND) {
            Some(kind) => kind.push(b),
            None => kinds.push(vec![b]),
        }
    }
    let mut turn = 0;
    let mut random = Random::new(seed);
    let chosen: Vec<(usize, &Lesson, &Bare, u64)> = lessons
        .iter()
        .enumerate()
        .filter_map(|(origin, lesson)| {
            let own = look_of(&lesson.prepared);
            let kind = (0..kinds.len())
                .map(|k| (turn + k) % kinds.len())
                .find(|k| away(kinds[*k][0].look, own) >= ONE_KIND)?;
            turn = kind + 1;
            let donor = kinds[kind][random.below(kinds[kind].len())];
            Some((origin, *lesson, donor, random.below(1 << 30) as u64))
        })
        .collect();
    chosen
        .into_par_iter()
        .map(|(origin, lesson, donor, seed)| {
            // Pieces come from the same half of the photographs as the fruit (see `train_segment`).
            let pieces: Vec<&Cutting> =
                cuttings.iter().skip(origin % 2).step_by(2).flatten().collect();
            (origin, lay(lesson, donor, &pieces, seed, settings))
        })
        .collect()
}

fn away(p: [f32; 4], q: [f32; 4]) -> f32 {
    (0..4).map(|c| (p[c] - q[c]).powi(2)).sum::<f32>().sqrt()
}

/// First and last column and row of the allowed pixels.
fn bounds(allowed: &[bool], width: usize) -> Option<[usize; 4]> {
    let mut out = [usize::MAX, usize::MAX, 0, 0];
    for (i, _) in allowed.iter().enumerate().filter(|(_, a)| **a) {
        let (x, y) = (i % width, i / width);
        out = [out[0].min(x), out[1].min(y), out[2].max(x), out[3].max(y)];
    }
    (out[0] < out[2] && out[1] < out[3]).then_some(out)
}

/// The smoothed floor's linear light at every pixel.
fn floor_light(prepared: &Prepared) -> Vec<[f32; 3]> {
    let (w, h) = (prepared.work.width(), prepared.work.height());
    (0..w * h)
        .map(|i| {
            let f = prepared.floor.at(i % w, i / w);
            light_of([f[0], f[1], f[2]])
        })
        .collect()
}

/// How much lighter `a` is than `b`, as a ratio.
pub(super) fn lighter(a: [f32; 3], b: [f32; 3]) -> f32 {
    let light = |p: [f32; 3]| p.iter().sum::<f32>() / 3.0 + SHADE_FLOOR;
    light(a) / light(b)
}

/// Linear light of CIELAB, none of it below 0.
pub(super) fn light_of(lab: [f32; 3]) -> [f32; 3] {
    colour::linear_from_lab(lab.map(f64::from)).map(|v| v.max(0.0) as f32)
}

fn linear(work: &Work) -> Vec<[f32; 3]> {
    (0..work.l.data.len())
        .map(|i| light_of([work.l.data[i], work.a.data[i], work.b.data[i]]))
        .collect()
}

impl Bare {
    /// The floor of a photograph of which enough is bare.
    fn of(lesson: &Lesson) -> Option<Bare> {
        let Lesson { prepared, target, .. } = lesson;
        let work = &prepared.work;
        let w = work.width();
        let reach = (CLEAR_MM * work.px_per_mm).round().max(1.0) as usize;
        let mut rgb = linear(work);
        let floor = floor_light(prepared);
        let mut known = clear_of(target, &prepared.allowed, w, reach);
        for (i, k) in known.iter_mut().enumerate() {
            *k &= (PLAIN[0]..PLAIN[1]).contains(&lighter(rgb[i], floor[i]));
        }
        let tray = prepared.allowed.iter().filter(|a| **a).count().max(1);
        let share = known.iter().filter(|k| **k).count() as f64 / tray as f64;
        if share < LEAST_BARE {
            return None;
        }
        fill(&mut rgb, &known, w);
        let bounds = bounds(&prepared.allowed, w)?;
        let glare = glare(&lightness(prepared, bounds));
        Some(Bare { width: w, rgb, bounds, look: look_of(prepared), glare })
    }

    /// The pixel at shares `u`, `v` of the tray's width and height.
    fn at(&self, u: f32, v: f32) -> [f32; 3] {
        let [x0, y0, x1, y1] = self.bounds;
        let x = x0 + (u * (x1 - x0) as f32).round() as usize;
        let y = y0 + (v * (y1 - y0) as f32).round() as usize;
        self.rgb[y * self.width + x]
    }
}

/// Lightness on a grid over the tray: where, how light.
fn lightness(prepared: &Prepared, [x0, y0, x1, y1]: [usize; 4]) -> Vec<([f32; 2], f32)> {
    (0..32 * 32)
        .map(|k| {
            let (u, v) = (k % 32, k / 32);
            let at = prepared.floor.at(x0 + (x1 - x0) * u / 31, y0 + (y1 - y0) * v / 31);
            ([u as f32 / 31.0, v as f32 / 31.0], at[0])
        })
        .collect()
}

fn range(lightness: &[([f32; 2], f32)]) -> [f32; 2] {
    lightness.iter().fold([f32::MAX, f32::MIN], |[low, high], (_, l)| [low.min(*l), high.max(*l)])
}

/// The middle of the glare on a floor whose lightness varies more than light alone makes it, as
/// shares of the tray's width and height.
fn glare(lightness: &[([f32; 2], f32)]) -> Option<[f32; 2]> {
    let [low, high] = range(lightness);
    if high - low < SHINING {
        return None;
    }
    let bright: Vec<_> = lightness.iter().filter(|p| p.1 > high - 0.15 * (high - low)).collect();
    let n = bright.len().max(1) as f32;
    Some(std::array::from_fn(|c| bright.iter().map(|p| p.0[c]).sum::<f32>() / n))
}

/// What tells one kind of floor from another: mean L*, a*, b* and the range of L*.
fn look_of(prepared: &Prepared) -> [f32; 4] {
    let n = prepared.floor.planes[0].data.len().max(1) as f32;
    let mean = |c: usize| prepared.floor.planes[c].data.iter().sum::<f32>() / n;
    let tray = bounds(&prepared.allowed, prepared.work.width());
    let [low, high] = tray.map_or([0.0, 0.0], |tray| range(&lightness(prepared, tray)));
    [mean(0), mean(1), mean(2), high - low]
}

/// How a shining floor mirrors.
#[derive(Debug, Clone, Copy)]
struct Mirror {
    /// How far from an object its mirror image reaches, px.
    reach: f32,
    /// Light lost in the middle of it.
    depth: f32,
    /// Radius of the brushing's blur, px; the blur is done twice.
    blur: usize,
    /// Part of the lost light that comes back in the fruit's colour.
    tint: f32,
}

impl Mirror {
    fn drawn(draw: &mut Random, px_per_mm: f32) -> Mirror {
        Mirror {
            reach: (15.0 + 30.0 * draw.uniform()) as f32 * px_per_mm,
            depth: 0.4 + 0.55 * draw.uniform() as f32,
            blur: ((0.7 + 1.6 * draw.uniform() as f32) * px_per_mm).round().max(1.0) as usize,
            tint: 0.35 * draw.uniform() as f32,
        }
    }
}

/// Mean light of the objects.
fn mean_of_objects(own: &[[f32; 3]], object: &[f32]) -> [f32; 3] {
    let (mut sum, mut n) = ([0.0f64; 3], 0.0f64);
    for (rgb, _) in own.iter().zip(object).filter(|(_, o)| **o == 1.0) {
        sum.iter_mut().zip(rgb).for_each(|(s, v)| *s += f64::from(*v));
        n += 1.0;
    }
    sum.map(|s| (s / n.max(1.0)) as f32)
}

/// How dark a shining floor becomes where it mirrors an object instead of the light: on the side
/// of the object that is turned to the glare, fading with distance. A rough picture of what a
/// brushed floor does, enough to be told from an object.
fn mirrored(object: &[f32], width: usize, centre: [f32; 2], mirror: Mirror) -> Vec<f32> {
    let Mirror { reach, depth, blur, .. } = mirror;
    use rayon::prelude::*;
    let height = object.len() / width;
    let mut out = vec![1.0f32; object.len()];
    out.par_chunks_mut(width).enumerate().for_each(|(y, row)| {
        for (x, v) in row.iter_mut().enumerate() {
            let (dx, dy) = (x as f32 - centre[0], y as f32 - centre[1]);
            let r = dx.hypot(dy).max(1.0);
            // Near the glare the mirrored object lies under the object itself.
            let reach = reach * (r / (0.25 * width as f32)).min(1.0);
            let mut most = 0.0f32;
            let mut d = 1.0;
            while d < reach {
                let (u, w) = (x as f32 + dx / r * d, y as f32 + dy / r * d);
                if u < 0.0 || w < 0.0 || u >= width as f32 || w >= height as f32 {
                    break;
                }
                most = most.max(object[w as usize * width + u as usize] * (1.0 - d / reach));
                d += 1.5;
            }
            *v = 1.0 - depth * most.sqrt();
        }
    });
    box_blur(&mut out, width, height, blur);
    box_blur(&mut out, width, height, blur);
    out
}

/// Allowed pixels farther than `reach` from every object.
fn clear_of(target: &Target, allowed: &[bool], width: usize, reach: usize) -> Vec<bool> {
    let height = allowed.len() / width;
    let mut touched: Vec<f32> = target.object.iter().map(|o| f32::from(*o > 0.0)).collect();
    box_blur(&mut touched, width, height, reach);
    touched.iter().zip(allowed).map(|(t, a)| *a && *t < 1e-3).collect()
}

/// Fills unknown pixels: each takes the pixel as far beyond the nearest known one, which carries
/// the floor's grain along, or that nearest one itself.
fn fill(rgb: &mut [[f32; 3]], known: &[bool], width: usize) {
    let height = known.len() / width;
    let nearest = nearest_known(known, width);
    let before = rgb.to_vec();
    for (i, v) in rgb.iter_mut().enumerate().filter(|(i, _)| !known[*i]) {
        let n = nearest[i] as usize;
        let beyond = |near: usize, own: usize, most: usize| {
            (2 * near).checked_sub(own).filter(|p| *p < most)
        };
        let mirrored = beyond(n % width, i % width, width)
            .zip(beyond(n / width, i / width, height))
            .map(|(x, y)| y * width + x)
            .filter(|m| known[*m]);
        *v = before[mirrored.unwrap_or(n)];
    }
}

/// Index of a known pixel near each pixel (each itself when known).
fn nearest_known(known: &[bool], width: usize) -> Vec<u32> {
    let mut nearest: Vec<u32> = vec![u32::MAX; known.len()];
    let mut queue = VecDeque::new();
    for (i, _) in known.iter().enumerate().filter(|(_, k)| **k) {
        nearest[i] = i as u32;
        queue.push_back(i);
    }
    while let Some(i) = queue.pop_front() {
        for j in beside(i, width, known.len()) {
            if nearest[j] == u32::MAX {
                nearest[j] = nearest[i];
                queue.push_back(j);
            }
        }
    }
    nearest.iter_mut().for_each(|n| *n = if *n == u32::MAX { 0 } else { *n });
    nearest
}

/// Least and greatest part of every pixel that its neighbours take part in: cameras sharpen (below
/// 0) and blur.
const SOFTNESS: [f32; 2] = [-0.3, 0.5];

/// Blends each pixel with the mean around it, weighed 1 2 1 along both axes.
fn soften(rgb: &mut [[f32; 3]], width: usize, softness: f32) {
    let before = rgb.to_vec();
    let height = rgb.len() / width;
    for (i, pixel) in rgb.iter_mut().enumerate() {
        let (x, y) = (i % width, i / width);
        if x == 0 || y == 0 || x + 1 == width || y + 1 == height {
            continue;
        }
        for c in 0..3 {
            let row = |i: usize| before[i - 1][c] + 2.0 * before[i][c] + before[i + 1][c];
            let around = (row(i - width) + 2.0 * row(i) + row(i + width)) / 16.0;
            pixel[c] = (pixel[c] + softness * (around - pixel[c])).max(0.0);
        }
    }
}

/// What juice does to the floor's colour: how much of each channel is left there compared with all
/// three together, smoothed, for grain would be taken along.
fn tints(
    own: &[[f32; 3]],
    floor: &[[f32; 3]],
    nearest: &[u32],
    width: usize,
    px_per_mm: f64,
) -> [Vec<f32>; 3] {
    let radius = (TINT_MM * px_per_mm).round().max(1.0) as usize;
    std::array::from_fn(|c| {
        let mut tint: Vec<f32> = nearest
            .iter()
            .map(|n| {
                let (own, floor) = (own[*n as usize], floor[*n as usize]);
                let channel = (own[c] + SHADE_FLOOR) / (floor[c] + SHADE_FLOOR);
                (channel / lighter(own, floor).max(0.05)).clamp(0.4, 1.6)
            })
            .collect();
        box_blur(&mut tint, width, nearest.len() / width, radius);
        tint
    })
}

/// Radius over which a stain's colour is smoothed, mm.
const TINT_MM: f64 = 0.6;

/// Pieces of debris strewn among the fruit.
const LITTER: usize = 24;

/// Lays the lesson's objects on the donor's floor, somewhat brighter or darker, and strews debris
/// of other photographs among them.
fn lay(
    lesson: &Lesson,
    donor: &Bare,
    pieces: &[&Cutting],
    seed: u64,
    settings: &FloorSettings,
) -> Lesson {
    let mut draw = Random::new(seed);
    let gain = 0.85 + 0.3 * draw.uniform() as f32;
    let Lesson { prepared, target, .. } = lesson;
    let work = &prepared.work;
    let (w, h) = (work.width(), work.height());
    let own = linear(work);
    let floor = floor_light(prepared);
    let clear: Vec<bool> = target.object.iter().map(|o| *o == 0.0).collect();
    let nearest = nearest_known(&clear, w);
    let mut shade: Vec<f32> = nearest
        .iter()
        .map(|n| lighter(own[*n as usize], floor[*n as usize]).clamp(0.1, 1.1))
        .collect();
    box_blur(&mut shade, w, h, 1);
    let tint = tints(&own, &floor, &nearest, w, work.px_per_mm);
    let [x0, y0, x1, y1] = bounds(&prepared.allowed, w).unwrap_or([0, 0, w - 1, h - 1]);
    let share = |p: usize, a: usize, b: usize| {
        ((p as f32 - a as f32) / (b - a).max(1) as f32).clamp(0.0, 1.0)
    };
    let dark = donor.glare.map(|[u, v]| {
        let at = |t: f32, a: usize, b: usize| a as f32 + t * (b - a) as f32;
        let mirror = Mirror::drawn(&mut draw, work.px_per_mm as f32);
        let left = mirrored(&target.object, w, [at(u, x0, x1), at(v, y0, y1)], mirror);
        (left, mean_of_objects(&own, &target.object).map(|v| v * mirror.tint))
    });
    let mut ground = Ground {
        rgb: vec![[0.0; 3]; w * h],
        floor: vec![[0.0; 3]; w * h],
        shade: &shade,
        allowed: &prepared.allowed,
        width: w,
        px_per_mm: work.px_per_mm,
    };
    for i in 0..w * h {
        let under = donor.at(share(i % w, x0, x1), share(i / w, y0, y1));
        let bare = 1.0 - target.object[i];
        let (left, image) = dark.as_ref().map_or((1.0, [0.0; 3]), |(d, rgb)| (d[i], *rgb));
        ground.floor[i] = std::array::from_fn(|c| {
            (under[c] * left + image[c] * (1.0 - left)) * gain * shade[i] * tint[c][i]
        });
        ground.rgb[i] = std::array::from_fn(|c| {
            let (was, is) = (floor[i][c] * shade[i] * tint[c][i], ground.floor[i][c]);
            if bare == 1.0 { is } else { (own[i][c] + bare * (is - was)).max(0.0) }
        });
    }
    let target = litter::strew(&mut ground, target, pieces, LITTER, &mut draw);
    let softness = SOFTNESS[0] + (SOFTNESS[1] - SOFTNESS[0]) * draw.uniform() as f32;
    soften(&mut ground.rgb, w, softness);
    let mut planes: [Vec<f32>; 5] = std::array::from_fn(|_| vec![0.0; w * h]);
    for (i, rgb) in ground.rgb.iter().enumerate() {
        for (plane, v) in planes.iter_mut().zip(work::values(*rgb)) {
            plane[i] = v;
        }
    }
    let [l, a, b, rg, bg] = planes.map(|data| Plane { width: w, height: h, data });
    let work = Work { l, a, b, rg, bg, ..work.clone() };
    let floor = floor::estimate(&work, &prepared.allowed, settings);
    let prepared = Prepared { work, allowed: prepared.allowed.clone(), floor };
    Lesson { prepared, target, debris: Vec::new() }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::pipeline::{self, Settings};
    use crate::teach::open_pupils;

    fn lessons(names: &[&str]) -> Vec<Lesson> {
        let folder = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-images");
        let paths: Vec<_> = names.iter().map(|n| folder.join(n).with_extension("jpg")).collect();
        let pupils = open_pupils(&paths, &Settings::default()).unwrap();
        pupils.into_iter().map(|p| p.lesson).collect()
    }

    /// Fruit keeps its colour, and what was white floor becomes black.
    #[test]
    fn fruit_stays_and_the_floor_changes() {
        let lessons = lessons(&["black-unsorted-1", "more-10-white-black-natural-window"]);
        let refs: Vec<&Lesson> = lessons.iter().collect();
        let settings = pipeline::Settings::default().segment.floor;
        let laid = on_other_floors(&refs, &settings, 1);
        assert_eq!(laid.len(), 2);
        let (origin, after) = &laid[0];
        let before = &lessons[*origin];
        // Strewn debris comes on top of some of the fruit, as objects of their own.
        let strewn: Vec<bool> = (0..before.target.label.len())
            .map(|i| before.target.label[i] != after.target.label[i])
            .collect();
        let mean = |l: &Lesson, on: &dyn Fn(usize) -> bool| {
            let (mut sum, mut n) = (0.0f64, 0.0);
            for i in (0..l.target.object.len()).filter(|i| l.prepared.allowed[*i] && on(*i)) {
                sum += f64::from(l.prepared.work.l.data[i]);
                n += 1.0;
            }
            sum / n
        };
        let fruit = |i: usize| before.target.object[i] == 1.0 && !strewn[i];
        let ground = |i: usize| after.target.object[i] == 0.0 && !after.target.near[i];
        assert!((mean(before, &fruit) - mean(after, &fruit)).abs() < 0.1);
        assert!(mean(before, &ground) > 70.0 && mean(after, &ground) < 40.0);
        let names = |l: &Lesson| l.target.label.iter().copied().max().unwrap();
        assert!(names(after) > names(before));
        let covered = strewn.iter().filter(|s| **s).count();
        assert!(covered > 0 && covered * 10 < strewn.len());
        for (i, _) in strewn.iter().enumerate().filter(|(_, s)| **s) {
            assert!(after.target.label[i] > names(before));
            assert!(after.target.object[i] >= 0.5);
        }
    }

    /// One kind of floor has nothing to exchange.
    #[test]
    fn one_kind_of_floor_gives_nothing() {
        let lessons = lessons(&["black-unsorted-1"]);
        let refs: Vec<&Lesson> = lessons.iter().collect();
        let settings = pipeline::Settings::default().segment.floor;
        assert!(on_other_floors(&refs, &settings, 1).is_empty());
    }

    #[test]
    fn a_hole_takes_the_grain_from_beyond_its_edge() {
        let mut rgb: Vec<[f32; 3]> = (0..9).map(|i| [i as f32; 3]).collect();
        let known: Vec<bool> = (0..9).map(|i| i < 6).collect();
        fill(&mut rgb, &known, 9);
        let row: Vec<f32> = rgb.iter().map(|p| p[0]).collect();
        assert_eq!(row, [0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 4.0, 3.0, 2.0]);
    }
}
