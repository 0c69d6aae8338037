//! The reduced picture that segmentation works on.

use rayon::prelude::*;

use super::Plane;
use crate::colour::{self, FastLab, Light};
use crate::photo::Photo;

/// Resolution that the network's neighbourhoods are made for, px per mm.
pub const WORK_PX_PER_MM: f64 = 4.0;

/// The reduced, white-balanced picture: one pixel is the mean of `factor` × `factor` pixels in
/// linear light, over a window of the photograph.
#[derive(Debug, Clone)]
pub struct Work {
    /// Photograph pixels a work pixel, along each axis.
    pub factor: usize,
    /// First photograph column and row of the window (multiples of `factor`).
    pub origin: [usize; 2],
    /// CIELAB lightness.
    pub l: Plane,
    /// CIELAB a*.
    pub a: Plane,
    /// CIELAB b*.
    pub b: Plane,
    /// ln(R/G) in linear light: unchanged by shade.
    pub rg: Plane,
    /// ln(B/G) in linear light.
    pub bg: Plane,
    /// Pixels a millimetre of the reduced picture.
    pub px_per_mm: f64,
}

/// Linear light added before logarithms, so that noise in the dark does not explode.
const LOG_FLOOR: f32 = 0.006;

/// L*, a*, b*, ln(R/G) and ln(B/G) of white-balanced linear light.
#[inline]
pub fn values(rgb: [f32; 3]) -> [f32; 5] {
    let [l, a, b] = colour::fast_lab().of(rgb);
    let [rg, bg] = log_ratios(rgb);
    [l, a, b, rg, bg]
}

/// ln(R/G) and ln(B/G).
#[inline]
fn log_ratios(rgb: [f32; 3]) -> [f32; 2] {
    let green = (rgb[1] + LOG_FLOOR).ln();
    [(rgb[0] + LOG_FLOOR).ln() - green, (rgb[2] + LOG_FLOOR).ln() - green]
}

/// Pixels whose CIELAB is worked out at once.
const BLOCK: usize = 32;

struct Labs<'a>(FastLab, &'a [[f32; BLOCK]; 3]);

impl pulp::WithSimd for Labs<'_> {
    type Output = [[f32; BLOCK]; 3];
    #[inline(always)]
    fn with_simd<S: pulp::Simd>(self, _: S) -> Self::Output {
        self.0.of_block(*self.1)
    }
}

impl Work {
    /// Width of the reduced picture.
    pub fn width(&self) -> usize {
        self.l.width
    }

    /// Height of the reduced picture.
    pub fn height(&self) -> usize {
        self.l.height
    }

    /// The work-pixel coordinates of a photograph pixel.
    #[inline]
    pub fn from_photo(&self, x: f64, y: f64) -> [f64; 2] {
        let half = (self.factor as f64 - 1.0) / 2.0;
        let f = self.factor as f64;
        [(x - self.origin[0] as f64 - half) / f, (y - self.origin[1] as f64 - half) / f]
    }
}

/// Reduces the window `x0..x1`, `y0..y1` of the photograph.
pub fn reduce(photo: &Photo, window: [usize; 4], light: &Light, px_per_mm: f64) -> Work {
    let factor = ((px_per_mm / WORK_PX_PER_MM).round() as usize).max(1);
    let [x0, y0, x1, y1] = window;
    let origin = [x0 / factor * factor, y0 / factor * factor];
    let width = ((x1 - origin[0]) / factor).max(1);
    let height = ((y1 - origin[1]) / factor).max(1);
    let photo_width = photo.rgb.width() as usize;
    let raw = photo.rgb.as_raw();
    let mut planes: [Vec<f32>; 5] = std::array::from_fn(|_| vec![0.0; width * height]);
    let [l, a, b, rg, bg] = &mut planes;
    let tone = light.tone;
    let lab = colour::fast_lab();
    let table: [f32; 256] = std::array::from_fn(|code| colour::linear(code as u8));
    l.par_chunks_mut(width)
        .zip(a.par_chunks_mut(width))
        .zip(b.par_chunks_mut(width))
        .zip(rg.par_chunks_mut(width))
        .zip(bg.par_chunks_mut(width))
        .enumerate()
        .for_each(|(row, ((((l, a), b), rg), bg))| {
            let mut sums = vec![[0.0f32; 3]; width];
            for dy in 0..factor {
                let y = origin[1] + row * factor + dy;
                let start = (y * photo_width + origin[0]) * 3;
                let line = &raw[start..start + width * factor * 3];
                for (sum, cell) in sums.iter_mut().zip(line.chunks_exact(factor * 3)) {
                    let [mut red, mut green, mut blue] = *sum;
                    for px in cell.chunks_exact(3) {
                        red += table[px[0] as usize];
                        green += table[px[1] as usize];
                        blue += table[px[2] as usize];
                    }
                    *sum = [red, green, blue];
                }
            }
            let y = (origin[1] + row * factor) as f64 + (factor as f64 - 1.0) / 2.0;
            let n = 1.0 / (factor * factor) as f32;
            let left = light.at(origin[0] as f64, y);
            let right = light.at((origin[0] + width * factor) as f64, y);
            for start in (0..width).step_by(BLOCK) {
                let some = &sums[start..(start + BLOCK).min(width)];
                let mut rgb = [[0.0f32; BLOCK]; 3];
                for (k, sum) in some.iter().enumerate() {
                    let t = (start + k) as f64 / width as f64;
                    let even = tone.apply(std::array::from_fn(|c| {
                        sum[c] * n / (left[c] + (right[c] - left[c]) * t) as f32
                    }));
                    (0..3).for_each(|c| rgb[c][k] = even[c]);
                }
                let labs = pulp::Arch::new().dispatch(Labs(lab, &rgb));
                for k in 0..some.len() {
                    let x = start + k;
                    [l[x], a[x], b[x]] = [labs[0][k], labs[1][k], labs[2][k]];
                    [rg[x], bg[x]] = log_ratios([rgb[0][k], rgb[1][k], rgb[2][k]]);
                }
            }
        });
    let [l, a, b, rg, bg] = planes.map(|data| Plane { width, height, data });
    Work { factor, origin, l, a, b, rg, bg, px_per_mm: px_per_mm / factor as f64 }
}
