//! For each work pixel: does it show an object, and does it lie on the seam between two objects?
//!
//! A small network looks at local measures: the pixel's colour, the floor's colour there, what is
//! left of the difference when shade is divided out, contrast with neighbourhoods of several
//! widths, local roughness, and valleys and edges across the pixel.

use rayon::prelude::*;

use super::Plane;
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

/// Judges every allowed work pixel; others get 0.
pub fn judge(hoods: &Neighbourhoods, allowed: &[bool], network: &Network) -> Evidence {
    let (w, h) = (hoods.work.width(), hoods.work.height());
    let mut object = Plane::filled(w, h, 0.0);
    let mut seam = Plane::filled(w, h, 0.0);
    object
        .data
        .par_chunks_mut(w)
        .zip(seam.data.par_chunks_mut(w))
        .enumerate()
        .for_each_init(
            || (Vec::new(), Vec::new()),
            |(block, spare), (y, (object, seam))| {
                let places: Vec<usize> = (0..w).filter(|x| allowed[y * w + x]).collect();
                for chunk in places.chunks(BLOCK) {
                    block.clear();
                    block.resize(FEATURES, [0.0f32; BLOCK]);
                    for (k, &x) in chunk.iter().enumerate() {
                        for (row, v) in block.iter_mut().zip(hoods.features(x, y)) {
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
