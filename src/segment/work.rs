//! The reduced picture that segmentation works on.

use rayon::prelude::*;

use super::Plane;
use crate::colour::patches::Tone;
use crate::colour::{self, FastLab, Light};
use crate::elementary::ln;
use crate::photo::Photo;

/// Resolution of the reduced picture, px per mm, whatever the photograph's (a coarser photograph is
/// taken as it is).
pub const WORK_PX_PER_MM: f64 = 3.5;

/// The reduced, white-balanced picture: one pixel is the mean of `scale` × `scale` pixels and parts
/// of pixels in linear light, over a window of the photograph.
#[derive(Debug, Clone)]
pub struct Work {
    /// Photograph pixels a work pixel, along each axis; at least 1.
    pub scale: f64,
    /// Left and upper edge of the first work pixel, photograph px (pixel k reaches from k to k + 1).
    pub origin: [f64; 2],
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
    values_of(colour::fast_lab(), rgb.map(|v| [v])).map(|[v]| v)
}

/// The same for several colours at once, channel after channel.
#[inline(always)]
fn values_of<const N: usize>(lab: FastLab, rgb: [[f32; N]; 3]) -> [[f32; N]; 5] {
    let [l, a, b] = lab.of_block(rgb);
    let mut ratios = [[0.0; N]; 2];
    for k in 0..N {
        let green = ln(rgb[1][k] + LOG_FLOOR);
        ratios[0][k] = ln(rgb[0][k] + LOG_FLOOR) - green;
        ratios[1][k] = ln(rgb[2][k] + LOG_FLOOR) - green;
    }
    let [rg, bg] = ratios;
    [l, a, b, rg, bg]
}

/// Pixels that are worked out at once.
const BLOCK: usize = 32;

/// Sums of linear light along a row of work pixels, and the light that is divided out of them.
struct Block<'a> {
    lab: FastLab,
    tone: Tone,
    /// First work pixel of the block.
    start: usize,
    /// Sums of red, green and blue, of at most [`BLOCK`] pixels.
    sums: &'a [[f32; 3]],
    /// What a sum is divided by where the light is 1, at the row's beginning, and how much more at
    /// each further pixel.
    light: [[f32; 2]; 3],
}

impl pulp::WithSimd for Block<'_> {
    type Output = [[f32; BLOCK]; 5];
    #[inline(always)]
    fn with_simd<S: pulp::Simd>(self, _: S) -> Self::Output {
        let mut rgb = [[0.0f32; BLOCK]; 3];
        for (k, sum) in self.sums.iter().enumerate() {
            (0..3).for_each(|c| rgb[c][k] = sum[c]);
        }
        for (c, rgb) in rgb.iter_mut().enumerate() {
            let [first, step] = self.light[c];
            for (k, v) in rgb.iter_mut().enumerate() {
                *v = self.tone.apply_to(c, *v / (first + step * (self.start + k) as f32));
            }
        }
        values_of(self.lab, rgb)
    }
}

/// Where work pixels begin along one axis, from `origin`: photograph pixels, and the part of the
/// next that belongs to the work pixel before; not beyond `end`. One more than there are work
/// pixels.
fn bounds(count: usize, scale: f64, origin: f64, end: usize) -> Vec<(usize, f32)> {
    // A hair beyond a whole pixel is that pixel's end: what comes after may lie outside.
    const HAIR: f64 = 1e-6;
    let bound = |k: usize| {
        let at = (origin + k as f64 * scale).min(end as f64);
        let part = at - at.floor();
        (at as usize, if part < HAIR { 0.0 } else { part as f32 })
    };
    (0..=count).map(bound).collect()
}

/// Sums the pixels of a row over each work pixel's columns.
fn sum_columns(pixels: &[[f32; 3]], bounds: &[(usize, f32)], sums: &mut [[f32; 3]]) {
    // The part of a work pixel's first pixel that the one before has had.
    let part_of = |(k, part): (usize, f32)| {
        // Beyond the last column there is nothing, and nothing is taken of it.
        pixels.get(k).map_or([0.0; 3], |px| px.map(|v| v * part))
    };
    let mut had = bounds.first().map_or([0.0; 3], |b| part_of(*b));
    for (sum, ends) in sums.iter_mut().zip(bounds.windows(2)) {
        let mut all = had.map(|v| -v);
        for px in &pixels[ends[0].0..ends[1].0] {
            (0..3).for_each(|c| all[c] += px[c]);
        }
        had = part_of(ends[1]);
        (0..3).for_each(|c| all[c] += had[c]);
        *sum = all;
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
        let along = |v: f64, c: usize| (v + 0.5 - self.origin[c]) / self.scale - 0.5;
        [along(x, 0), along(y, 1)]
    }

    /// Where work column or row `k` begins, photograph px.
    fn edge(&self, k: usize, axis: usize) -> f64 {
        self.origin[axis] + k as f64 * self.scale
    }

    /// First photograph column (axis 0) or row (axis 1) whose middle lies in work column or row
    /// `k` or beyond.
    pub fn first(&self, k: usize, axis: usize) -> usize {
        (self.edge(k, axis) - 0.5).ceil().max(0.0) as usize
    }

    /// The photograph column (axis 0) or row (axis 1) in the middle of a work column or row.
    pub fn middle(&self, k: usize, axis: usize) -> usize {
        (self.edge(k, axis) + 0.5 * self.scale) as usize
    }

    /// Photograph columns (axis 0) or rows (axis 1) that work column or row `k` takes in, and how
    /// much of each, 0 to 1.
    pub fn taken(&self, k: usize, axis: usize) -> impl Iterator<Item = (usize, f32)> + Clone {
        let [from, to] = [k, k + 1].map(|k| self.edge(k, axis));
        (from as usize..to.ceil() as usize)
            .map(move |i| (i, (to.min(i as f64 + 1.0) - from.max(i as f64)) as f32))
    }
}

/// Adds up rows of a photograph in linear light.
struct Rows<'a> {
    photo: &'a Photo,
    /// Linear light of each code.
    table: &'a [f32; 256],
    /// First column that is taken in.
    start: usize,
    /// Linear light of the last row that was looked at, and which one it was.
    own: Vec<f32>,
    at: usize,
    all: Vec<f32>,
    /// Where work pixels begin along a row (see [`bounds`]), and the sums over them.
    columns: &'a [(usize, f32)],
    sums: Vec<[f32; 3]>,
}

impl<'a> Rows<'a> {
    /// For the work pixels between `columns`, which are counted from photograph column `start` on.
    fn new(
        photo: &'a Photo,
        table: &'a [f32; 256],
        start: usize,
        columns: &'a [(usize, f32)],
    ) -> Rows<'a> {
        let span = columns.last().map_or(0, |last| last.0 + usize::from(last.1 > 0.0));
        let (own, all) = (vec![0.0; 3 * span], vec![0.0; 3 * span]);
        let sums = vec![[0.0; 3]; columns.len().saturating_sub(1)];
        Rows { photo, table, start, own, at: usize::MAX, all, columns, sums }
    }

    /// The sums over the work pixels of one work row, which lies between two bounds.
    fn sum(&mut self, from: (usize, f32), to: (usize, f32)) -> &[[f32; 3]] {
        self.all.fill(0.0);
        for i in from.0..to.0 + 1 {
            let before = if i == from.0 { from.1 } else { 0.0 };
            let share = if i == to.0 { to.1 } else { 1.0 } - before;
            // Nothing is taken of a row that begins where this work row ends.
            if share <= 0.0 {
                continue;
            }
            if i != self.at {
                let first = 3 * (i * self.photo.rgb.width() as usize + self.start);
                let line = &self.photo.rgb.as_raw()[first..first + self.own.len()];
                let own = self.own.iter_mut().zip(line);
                own.for_each(|(o, code)| *o = self.table[usize::from(*code)]);
                self.at = i;
            }
            self.all.iter_mut().zip(&self.own).for_each(|(sum, own)| *sum += share * own);
        }
        sum_columns(self.all.as_chunks().0, self.columns, &mut self.sums);
        &self.sums
    }
}

/// Rows of work pixels that are summed one after another, since neighbours share rows of the
/// photograph.
const TOGETHER: usize = 8;

/// Reduces the window `x0..x1`, `y0..y1` of the photograph. The work pixels lie around its middle,
/// so that a picture that is turned has the same ones.
pub fn reduce(photo: &Photo, window: [usize; 4], light: &Light, px_per_mm: f64) -> Work {
    let scale = (px_per_mm / WORK_PX_PER_MM).max(1.0);
    let [x0, y0, x1, y1] = window;
    let count = |from: usize, to: usize| (((to - from) as f64 / scale + 1e-9) as usize).max(1);
    let (width, height) = (count(x0, x1), count(y0, y1));
    let origin = [(x0, x1, width), (y0, y1, height)].map(|(from, to, count)| {
        let left = (to - from) as f64 - count as f64 * scale;
        from as f64 + left.max(0.0) / 2.0
    });
    let photo_width = photo.rgb.width() as usize;
    let mut columns = bounds(width, scale, origin[0], photo_width);
    let bounds_down = bounds(height, scale, origin[1], photo.rgb.height() as usize);
    // Columns are counted from the first that is taken in.
    let start = columns[0].0;
    columns.iter_mut().for_each(|c| c.0 -= start);
    let mut planes: [Vec<f32>; 5] = std::array::from_fn(|_| vec![0.0; width * height]);
    let [l, a, b, rg, bg] = &mut planes;
    let tone = light.tone;
    let lab = colour::fast_lab();
    let table: [f32; 256] = std::array::from_fn(|code| colour::linear(code as u8));
    // What sums are divided by along a work row (see `Block`).
    let light_along = |y: usize| {
        let down = origin[1] + (y as f64 + 0.5) * scale - 0.5;
        let first = origin[0] + 0.5 * scale - 0.5;
        let left = light.at(first, down);
        let right = light.at(first + width as f64 * scale, down);
        let n = scale * scale;
        std::array::from_fn(|c| {
            [n * left[c], n * (right[c] - left[c]) / width as f64].map(|v| v as f32)
        })
    };
    let some = width * TOGETHER;
    l.par_chunks_mut(some)
        .zip(a.par_chunks_mut(some))
        .zip(b.par_chunks_mut(some))
        .zip(rg.par_chunks_mut(some))
        .zip(bg.par_chunks_mut(some))
        .enumerate()
        .for_each_init(
            || Rows::new(photo, &table, start, &columns),
            |rows, (part, ((((l, a), b), rg), bg))| {
                for row in 0..l.len() / width {
                    let y = part * TOGETHER + row;
                    let sums = rows.sum(bounds_down[y], bounds_down[y + 1]);
                    let light = light_along(y);
                    for (k, some) in sums.chunks(BLOCK).enumerate() {
                        let start = k * BLOCK;
                        let block = Block { lab, tone, start, sums: some, light };
                        let values = pulp::Arch::new().dispatch(block);
                        let out = [&mut *l, &mut *a, &mut *b, &mut *rg, &mut *bg];
                        for (out, values) in out.into_iter().zip(&values) {
                            out[row * width + start..][..some.len()]
                                .copy_from_slice(&values[..some.len()]);
                        }
                    }
                }
            },
        );
    let [l, a, b, rg, bg] = planes.map(|data| Plane { width, height, data });
    Work { scale, origin, l, a, b, rg, bg, px_per_mm: px_per_mm / scale }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::photo::noise;
    use proptest::prelude::*;

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(48))]
        #[test]
        fn work_pixels_are_means_over_what_they_take_in(
            size in [12u32..30, 12u32..40], scale in 0.6f64..5.0, corner in [0usize..4, 0usize..4], seed in any::<u32>()
        ) {
            let [w, h] = size;
            let photo = Photo {
                rgb: noise(w, h, seed), grey: false, exif: Default::default(), sha256: String::new(), notes: Vec::new(),
            };
            let window = [corner[0], corner[1], w as usize, h as usize];
            let work = reduce(&photo, window, &Light::none(), scale * WORK_PX_PER_MM);
            prop_assert!((work.scale - scale.max(1.0)).abs() < 1e-12);
            for (y, x) in (0..work.height()).flat_map(|y| (0..work.width()).map(move |x| (y, x))) {
                let (mut sum, mut all) = ([0.0f32; 3], 0.0);
                for (row, high) in work.taken(y, 1) {
                    for (col, wide) in work.taken(x, 0).filter(|(col, _)| *col < w as usize) {
                        if row < h as usize {
                            let px = photo.rgb.get_pixel(col as u32, row as u32).0;
                            all += high * wide;
                            (0..3).for_each(|c| sum[c] += high * wide * colour::linear(px[c]));
                        }
                    }
                }
                prop_assert!((f64::from(all) - work.scale * work.scale).abs() < 1e-3);
                let wanted = values(sum.map(|v| v / all));
                let at = y * work.width() + x;
                for (plane, v) in [&work.l, &work.a, &work.b, &work.rg, &work.bg].iter().zip(wanted) {
                    prop_assert!((plane.data[at] - v).abs() < 0.02, "{x} {y}: {} {v}", plane.data[at]);
                }
                // The middle lies in it, and its coordinates are those that it gets back.
                let [mx, my] = work.from_photo(work.middle(x, 0) as f64, work.middle(y, 1) as f64);
                prop_assert!((mx - x as f64).abs() <= 0.5 && (my - y as f64).abs() <= 0.5);
                prop_assert!(work.first(x, 0) <= work.middle(x, 0) && work.middle(x, 0) <= work.first(x + 1, 0));
            }
        }
    }
}
