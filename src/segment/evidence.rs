//! For each work pixel: does it show an object, and does it lie on the seam between two objects?
//!
//! A small network looks at local measures: the pixel's colour, the floor's colour there, what is
//! left of the difference when shade is divided out, contrast with neighbourhoods of several
//! widths, local roughness, and valleys and edges across the pixel.

use rayon::prelude::*;

use super::Plane;
use super::distance::squared_distance;
use super::floor::{Floor, box_blur};
use super::work::Work;
use crate::network::{BLOCK, Network};

/// Number of local measures.
pub const FEATURES: usize = 32;

/// Evidence maps over the work picture, each 0 to 1.
#[derive(Debug, Clone)]
pub struct Evidence {
    /// Probability that the pixel shows an object.
    pub object: Plane,
    /// Probability that the pixel lies on the seam between two objects.
    pub seam: Plane,
}

/// The blurred pictures that the measures are read from.
pub struct Neighbourhoods<'a> {
    work: &'a Work,
    floor: &'a Floor,
    /// Half a millimetre, one and a half, four: means of L*, a*, b*.
    means: [[Vec<f32>; 3]; 3],
    /// Means of L*² at half and one and a half millimetres.
    squares: [Vec<f32>; 2],
    steps: [isize; 2],
}

/// Radii of the neighbourhoods, mm.
const RADII_MM: [f64; 3] = [0.5, 1.5, 4.0];
/// Distances of the points compared across a pixel, mm.
const STEPS_MM: [f64; 2] = [0.5, 1.25];
/// Four directions across a pixel.
const DIRECTIONS: [[isize; 2]; 4] = [[1, 0], [0, 1], [1, 1], [1, -1]];

impl<'a> Neighbourhoods<'a> {
    /// Prepares the blurred pictures.
    pub fn new(work: &'a Work, floor: &'a Floor) -> Self {
        let (w, h) = (work.width(), work.height());
        let radius = |mm: f64| ((mm * work.px_per_mm).round() as usize).max(1);
        let sources = [&work.l, &work.a, &work.b];
        let mut jobs: Vec<(Vec<f32>, usize)> = Vec::new();
        for mm in RADII_MM {
            jobs.extend(sources.iter().map(|p| (p.data.clone(), radius(mm))));
        }
        for mm in &RADII_MM[..2] {
            jobs.push((work.l.data.iter().map(|v| v * v).collect(), radius(*mm)));
        }
        jobs.par_iter_mut().for_each(|(data, r)| box_blur(data, w, h, *r));
        let mut done = jobs.into_iter().map(|(data, _)| data);
        let mut take = || done.next().unwrap_or_default();
        let means = std::array::from_fn(|_| std::array::from_fn(|_| take()));
        let squares = std::array::from_fn(|_| take());
        let steps = STEPS_MM.map(|mm| ((mm * work.px_per_mm).round() as isize).max(1));
        Neighbourhoods { work, floor, means, squares, steps }
    }

    /// The measures of one work pixel.
    pub fn features(&self, x: usize, y: usize) -> [f32; FEATURES] {
        let w = self.work.width();
        let i = y * w + x;
        let lab = [self.work.l.data[i], self.work.a.data[i], self.work.b.data[i]];
        let (rg, bg) = (self.work.rg.data[i], self.work.bg.data[i]);
        let floor = self.floor.at(x, y);
        let [m0, m1, m2] = [0, 1, 2].map(|k| [0, 1, 2].map(|c| self.means[k][c][i]));
        let sd = [0, 1].map(|k: usize| {
            (self.squares[k][i] - self.means[k][0][i] * self.means[k][0][i]).max(0.0).sqrt()
        });
        let mut f = [0.0f32; FEATURES];
        f[0..3].copy_from_slice(&lab);
        f[3..6].copy_from_slice(&floor[..3]);
        for c in 0..3 {
            f[6 + c] = lab[c] - floor[c];
            f[9 + c] = lab[c] - m0[c];
            f[12 + c] = lab[c] - m1[c];
            f[15 + c] = lab[c] - m2[c];
        }
        f[18] = rg - floor[3];
        f[19] = bg - floor[4];
        f[20] = sd[0];
        f[21] = sd[1];
        for (k, step) in self.steps.iter().enumerate() {
            let (mut deep, mut high, mut edge) = (f32::MIN, f32::MAX, 0.0f32);
            for d in DIRECTIONS {
                let (dx, dy) = (d[0] * step, d[1] * step);
                let p = self.lab_at(x as isize + dx, y as isize + dy);
                let q = self.lab_at(x as isize - dx, y as isize - dy);
                let valley = (p[0] + q[0]) * 0.5 - lab[0];
                deep = deep.max(valley);
                high = high.min(valley);
                let e = (p[0] - q[0]).powi(2) + (p[1] - q[1]).powi(2) + (p[2] - q[2]).powi(2);
                edge = edge.max(e);
            }
            f[22 + 3 * k] = deep;
            f[23 + 3 * k] = high;
            f[24 + 3 * k] = edge.sqrt();
        }
        for k in 0..2 {
            let m = [m0, m1][k];
            f[28 + k] = ((m[1] - floor[1]).powi(2) + (m[2] - floor[2]).powi(2)).sqrt();
        }
        f[30] = m1[0] - floor[0];
        f[31] = m2[0] - floor[0];
        f
    }

    #[inline]
    fn lab_at(&self, x: isize, y: isize) -> [f32; 3] {
        let x = x.clamp(0, self.work.width() as isize - 1) as usize;
        let y = y.clamp(0, self.work.height() as isize - 1) as usize;
        let i = y * self.work.width() + x;
        [self.work.l.data[i], self.work.a.data[i], self.work.b.data[i]]
    }
}

/// Measures of the second look: those of the first and what the first look said around.
pub const CONTEXT_FEATURES: usize = FEATURES + 14;

/// Around a pixel, the first look's answer: it tells an object's inside from a stain's, and a
/// gap between berries from a highlight on one.
pub struct Context<'a> {
    hoods: &'a Neighbourhoods<'a>,
    first: &'a Evidence,
    object: [Vec<f32>; 3],
    seam: [Vec<f32>; 2],
    edge: [Vec<f32>; 2],
    inside: Vec<f32>,
    outside: Vec<f32>,
}

/// Distances beyond this tell nothing more, mm.
const REACH_MM: f32 = 6.0;

impl<'a> Context<'a> {
    /// Prepares blurred answers and distances.
    pub fn new(hoods: &'a Neighbourhoods<'a>, first: &'a Evidence) -> Self {
        let (w, h) = (first.object.width, first.object.height);
        let ppm = hoods.work.px_per_mm;
        let radius = |mm: f64| ((mm * ppm).round() as usize).max(1);
        let slope: Vec<f32> = slopes(&hoods.work.l);
        let mut jobs: Vec<(Vec<f32>, usize)> = Vec::new();
        for mm in RADII_MM {
            jobs.push((first.object.data.clone(), radius(mm)));
        }
        for mm in &RADII_MM[..2] {
            jobs.push((first.seam.data.clone(), radius(*mm)));
            jobs.push((slope.clone(), radius(*mm)));
        }
        jobs.par_iter_mut().for_each(|(data, r)| box_blur(data, w, h, *r));
        let mut done = jobs.into_iter().map(|(data, _)| data);
        let mut take = || done.next().unwrap_or_default();
        let object = std::array::from_fn(|_| take());
        let mut seam: [Vec<f32>; 2] = Default::default();
        let mut edge: [Vec<f32>; 2] = Default::default();
        for k in 0..2 {
            seam[k] = take();
            edge[k] = take();
        }
        let on: Vec<bool> = first.object.data.iter().map(|v| *v > 0.5).collect();
        let off: Vec<bool> = on.iter().map(|v| !v).collect();
        let scaled = |mask: &[bool]| -> Vec<f32> {
            let mut d = squared_distance(mask, w);
            d.iter_mut().for_each(|v| *v = (v.sqrt() / ppm as f32).min(REACH_MM));
            d
        };
        let (inside, outside) = rayon::join(|| scaled(&on), || scaled(&off));
        Context { hoods, first, object, seam, edge, inside, outside }
    }

    /// True where the first look leaves nothing to ask: plain floor all around.
    #[inline]
    pub fn plain(&self, i: usize) -> bool {
        self.object[1][i] < 0.01 && self.first.object.data[i] < 0.05
    }

    /// The measures of one work pixel.
    pub fn features(&self, x: usize, y: usize) -> [f32; CONTEXT_FEATURES] {
        let w = self.hoods.work.width();
        let i = y * w + x;
        let mut f = [0.0; CONTEXT_FEATURES];
        f[..FEATURES].copy_from_slice(&self.hoods.features(x, y));
        let step = self.hoods.steps[1];
        let (mut low, mut high) = (1.0f32, 0.0f32);
        for d in DIRECTIONS {
            let (dx, dy) = (d[0] * step, d[1] * step);
            let p = self.first.object.at(x as isize + dx, y as isize + dy);
            let q = self.first.object.at(x as isize - dx, y as isize - dy);
            low = low.min(p.min(q));
            high = high.max(p.min(q));
        }
        let more = [
            self.first.object.data[i],
            self.first.seam.data[i],
            self.object[0][i],
            self.object[1][i],
            self.object[2][i],
            self.seam[0][i],
            self.seam[1][i],
            self.edge[0][i],
            self.edge[1][i],
            self.inside[i],
            self.outside[i],
            low,
            high,
            self.seam[0][i] - self.seam[1][i],
        ];
        f[FEATURES..].copy_from_slice(&more);
        f
    }
}

/// Steepness of a plane (central differences).
fn slopes(plane: &Plane) -> Vec<f32> {
    let w = plane.width;
    let mut out = vec![0.0; plane.data.len()];
    out.par_chunks_mut(w).enumerate().for_each(|(y, row)| {
        for (x, v) in row.iter_mut().enumerate() {
            let (x, y) = (x as isize, y as isize);
            let gx = plane.at(x + 1, y) - plane.at(x - 1, y);
            let gy = plane.at(x, y + 1) - plane.at(x, y - 1);
            *v = (gx * gx + gy * gy).sqrt();
        }
    });
    out
}

/// First look at every allowed work pixel; others get 0.
pub fn judge(hoods: &Neighbourhoods, allowed: &[bool], network: &Network) -> Evidence {
    let w = hoods.work.width();
    evaluate(w, hoods.work.height(), network, |i| allowed[i], |x, y| hoods.features(x, y))
}

/// Second look, with the first look's answer around each pixel in view.
pub fn judge_again(context: &Context, allowed: &[bool], network: &Network) -> Evidence {
    let work = context.hoods.work;
    evaluate(
        work.width(),
        work.height(),
        network,
        |i| allowed[i] && !context.plain(i),
        |x, y| context.features(x, y),
    )
}

/// Evidence without anything learned: colour difference from the floor against Otsu's threshold
/// (1979), the step softened over a fifth of it.
pub fn by_contrast(work: &Work, floor: &Floor, allowed: &[bool]) -> Evidence {
    let (w, h) = (work.width(), work.height());
    let mut away = Plane::filled(w, h, 0.0);
    away.data.par_chunks_mut(w).enumerate().for_each(|(y, row)| {
        for (x, v) in row.iter_mut().enumerate() {
            let i = y * w + x;
            if allowed[i] {
                let f = floor.at(x, y);
                let d = [work.l.data[i] - f[0], work.a.data[i] - f[1], work.b.data[i] - f[2]];
                *v = (d[0] * d[0] + d[1] * d[1] + d[2] * d[2]).sqrt();
            }
        }
    });
    let mut counts = [0u64; 256];
    for (v, _) in away.data.iter().zip(allowed).filter(|(_, a)| **a) {
        counts[(v * 2.0) as usize & 0xff | if *v >= 127.5 { 0xff } else { 0 }] += 1;
    }
    let threshold = (otsu(&counts) as f32 + 1.0) / 2.0;
    let soft = (threshold * 0.1).max(0.25);
    for (v, a) in away.data.iter_mut().zip(allowed) {
        *v = if *a { 1.0 / (1.0 + (-(*v - threshold) / soft).exp()) } else { 0.0 };
    }
    Evidence { object: away, seam: Plane::filled(w, h, 0.0) }
}

/// Otsu's threshold: the bin after which the two groups differ most (between-class variance).
pub fn otsu(counts: &[u64; 256]) -> usize {
    let total: u64 = counts.iter().sum();
    let sum: f64 = counts.iter().enumerate().map(|(i, c)| i as f64 * *c as f64).sum();
    let (mut n, mut s, mut best) = (0u64, 0.0, (0.0, 0));
    for (i, c) in counts.iter().enumerate() {
        n += c;
        s += i as f64 * *c as f64;
        if n == 0 || n == total {
            continue;
        }
        let (low, high) = (s / n as f64, (sum - s) / (total - n) as f64);
        let between = n as f64 * (total - n) as f64 * (high - low).powi(2);
        if between > best.0 {
            best = (between, i);
        }
    }
    best.1
}

fn evaluate<const N: usize>(
    w: usize,
    h: usize,
    network: &Network,
    wanted: impl Fn(usize) -> bool + Sync,
    features: impl Fn(usize, usize) -> [f32; N] + Sync,
) -> Evidence {
    let mut object = Plane::filled(w, h, 0.0);
    let mut seam = Plane::filled(w, h, 0.0);
    object
        .data
        .par_chunks_mut(w)
        .zip(seam.data.par_chunks_mut(w))
        .enumerate()
        .for_each_init(
            || (Vec::new(), Vec::new(), Vec::new()),
            |(block, spare, places), (y, (object, seam))| {
                places.clear();
                places.extend((0..w).filter(|x| wanted(y * w + x)));
                for chunk in places.chunks(BLOCK) {
                    block.clear();
                    block.resize(N, [0.0f32; BLOCK]);
                    for (k, &x) in chunk.iter().enumerate() {
                        for (row, v) in block.iter_mut().zip(features(x, y)) {
                            row[k] = v;
                        }
                    }
                    network.eval_block(block, spare);
                    for (k, &x) in chunk.iter().enumerate() {
                        object[x] = block[0][k];
                        seam[x] = block[1][k];
                    }
                }
            },
        );
    Evidence { object, seam }
}
