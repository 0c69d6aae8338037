//! What the tray floor looks like everywhere, under the objects too.
//!
//! On a grid of about one cell a millimetre, neighbouring cells of nearly the same colour are
//! joined; the largest such region is the floor (shade and glare change slowly across it, an
//! object's edge does not). Its colour is smoothed, shade held back, and carried under the
//! objects from around them.

use std::ops::Range;

use rayon::prelude::*;

use super::work::Work;
use super::{Plane, beside};

/// Settings of the floor search.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FloorSettings {
    /// Greatest step of L* between neighbouring cells of the floor.
    pub lightness_step: f32,
    /// Greatest step of a* and b* (together) between neighbouring cells of the floor.
    pub colour_step: f32,
    /// Standard deviation of the smoothing, mm.
    pub smoothing_mm: f64,
}

impl Default for FloorSettings {
    fn default() -> Self {
        FloorSettings { lightness_step: 4.0, colour_step: 2.5, smoothing_mm: 10.0 }
    }
}

/// The floor's colour on a coarse grid.
#[derive(Debug, Clone)]
pub struct Floor {
    /// Work pixels a cell.
    pub cell: usize,
    /// L*, a*, b*, ln(R/G), ln(B/G) of the bare, unshaded floor.
    pub planes: [Plane; 5],
    /// Cells that were taken as bare floor.
    pub bare: Vec<bool>,
}

impl Floor {
    /// The five values at a work pixel.
    #[inline]
    pub fn at(&self, x: usize, y: usize) -> [f32; 5] {
        let c = self.cell as f32;
        let (fx, fy) = ((x as f32 + 0.5) / c - 0.5, (y as f32 + 0.5) / c - 0.5);
        std::array::from_fn(|i| self.planes[i].bilinear(fx, fy))
    }
}

impl Floor {
    /// Where the columns of a work picture `width` pixels wide lie among the cells' middles: the
    /// cell before, and how far on towards the next.
    pub fn across(&self, width: usize) -> Vec<(u32, f32)> {
        let last = (self.planes[0].width - 1) as f32;
        let c = self.cell as f32;
        let place = |x: usize| {
            let fx = ((x as f32 + 0.5) / c - 0.5).clamp(0.0, last);
            let x0 = fx as u32;
            (x0, fx - x0 as f32)
        };
        (0..width).map(place).collect()
    }

    /// The five values along row `y` of a work picture, at the places `across`, which rise.
    pub fn row(&self, y: usize, across: &[(u32, f32)], out: &mut [Vec<f32>; 5]) {
        let (gw, gh) = (self.planes[0].width, self.planes[0].height);
        let Some((&(first, _), &(last, _))) = across.first().zip(across.last()) else {
            out.iter_mut().for_each(Vec::clear);
            return;
        };
        let c = self.cell as f32;
        let fy = ((y as f32 + 0.5) / c - 0.5).clamp(0.0, (gh - 1) as f32);
        let y0 = fy as usize;
        let y1 = (y0 + 1).min(gh - 1);
        let ty = fy - y0 as f32;
        let first = first as usize;
        let cells = first..(last as usize + 2).min(gw);
        let mut line = Vec::with_capacity(cells.len() + 1);
        for (plane, out) in self.planes.iter().zip(out) {
            let (top, low) = (&plane.data[y0 * gw..][..gw], &plane.data[y1 * gw..][..gw]);
            line.clear();
            line.extend(
                top[cells.clone()]
                    .iter()
                    .zip(&low[cells.clone()])
                    .map(|(t, b)| t * (1.0 - ty) + b * ty),
            );
            // Beyond the last cell's middle it goes on as it is there.
            line.extend(line.last().copied());
            out.clear();
            out.extend(across.iter().map(|&(x0, tx)| {
                let x0 = x0 as usize - first;
                line[x0] * (1.0 - tx) + line[x0 + 1] * tx
            }));
        }
    }

    /// Cells that are bare floor or wholly surrounded by it: not to be reached from the
    /// photograph's border without crossing bare floor.
    pub fn surrounded(&self) -> Vec<bool> {
        let (w, h) = (self.planes[0].width, self.planes[0].height);
        let mut outside = vec![false; w * h];
        let mut stack: Vec<usize> = (0..w * h)
            .filter(|i| i % w == 0 || i % w + 1 == w || i / w == 0 || i / w + 1 == h)
            .filter(|i| !self.bare[*i])
            .collect();
        for &i in &stack {
            outside[i] = true;
        }
        while let Some(i) = stack.pop() {
            for j in beside(i, w, w * h) {
                if !outside[j] && !self.bare[j] {
                    outside[j] = true;
                    stack.push(j);
                }
            }
        }
        outside.into_iter().map(|o| !o).collect()
    }
}

/// Estimates the floor. `allowed` marks the work pixels that can show floor or objects.
pub fn estimate(work: &Work, allowed: &[bool], settings: &FloorSettings) -> Floor {
    let cell = (work.px_per_mm.round() as usize).max(1);
    let (w, h) = (work.width(), work.height());
    let (gw, gh) = (w.div_ceil(cell), h.div_ceil(cell));
    let sources = [&work.l, &work.a, &work.b, &work.rg, &work.bg];
    let cell_mean = |gx: usize, gy: usize| -> Option<[f32; 5]> {
        let mut sum = [0.0f32; 5];
        let mut n = 0usize;
        for y in gy * cell..((gy + 1) * cell).min(h) {
            for x in gx * cell..((gx + 1) * cell).min(w) {
                if allowed[y * w + x] {
                    n += 1;
                    for (s, p) in sum.iter_mut().zip(sources) {
                        *s += p.data[y * w + x];
                    }
                }
            }
        }
        (n * 2 >= cell * cell).then(|| sum.map(|s| s / n as f32))
    };
    let means: Vec<Option<[f32; 5]>> =
        (0..gw * gh).into_par_iter().with_min_len(gw).map(|i| cell_mean(i % gw, i / gw)).collect();
    let usable: Vec<bool> = means.iter().map(Option::is_some).collect();
    let grid: [Vec<f32>; 5] =
        std::array::from_fn(|c| means.iter().map(|m| m.map_or(0.0, |m| m[c])).collect());
    let mut bare = largest_smooth_region(&grid, &usable, gw, settings);
    erode(&mut bare, gw);
    let sigma = (settings.smoothing_mm * work.px_per_mm / cell as f64) as f32;
    let lightness = [grid[0].as_slice()];
    let [mut smooth] = carry(lightness, &bare, gw, sigma);
    let lit = |smooth: &[f32], below: f32| -> Vec<bool> {
        bare.iter()
            .zip(grid[0].iter().zip(smooth))
            .map(|(b, (v, s))| *b && *v > s - below * s.max(10.0))
            .collect()
    };
    // Shade lies below its surroundings: leave out what is clearly darker and smooth again.
    for _ in 0..2 {
        [smooth] = carry(lightness, &lit(&smooth, 0.04), gw, sigma);
    }
    let lit = lit(&smooth, 0.08);
    let [a, b, rg, bg] = carry(std::array::from_fn(|i| grid[i + 1].as_slice()), &lit, gw, sigma);
    let planes = [smooth, a, b, rg, bg].map(|data| Plane { width: gw, height: gh, data });
    Floor { cell, planes, bare }
}

fn largest_smooth_region(
    grid: &[Vec<f32>; 5],
    usable: &[bool],
    gw: usize,
    settings: &FloorSettings,
) -> Vec<bool> {
    let near = |i: usize, j: usize| {
        let dl = grid[0][i] - grid[0][j];
        let (da, db) = (grid[1][i] - grid[1][j], grid[2][i] - grid[2][j]);
        dl.abs() < settings.lightness_step
            && da * da + db * db < settings.colour_step * settings.colour_step
    };
    let mut region = vec![0u32; usable.len()];
    let mut best = (0usize, 0u32);
    let mut next = 0;
    let mut stack = Vec::new();
    for start in 0..usable.len() {
        if !usable[start] || region[start] != 0 {
            continue;
        }
        next += 1;
        region[start] = next;
        stack.push(start);
        let mut size = 0;
        while let Some(i) = stack.pop() {
            size += 1;
            for j in beside(i, gw, usable.len()) {
                if usable[j] && region[j] == 0 && near(i, j) {
                    region[j] = next;
                    stack.push(j);
                }
            }
        }
        if size > best.0 {
            best = (size, next);
        }
    }
    region.iter().map(|r| *r == best.1 && best.0 > 0).collect()
}

/// Drops cells with a neighbour outside: they are mixed with an object's edge.
fn erode(mask: &mut [bool], width: usize) {
    let before = mask.to_vec();
    for (i, m) in mask.iter_mut().enumerate() {
        *m &= beside(i, width, before.len()).all(|j| before[j]);
    }
}

/// Normalised smoothing of the marked cells, carried into the others: a sum over several widths,
/// the narrowest that has support winning. All planes at once, since they share the marks.
fn carry<const N: usize>(
    planes: [&[f32]; N],
    marked: &[bool],
    width: usize,
    sigma: f32,
) -> [Vec<f32>; N] {
    const SCALES: [f32; 3] = [6.0, 2.5, 1.0];
    let height = marked.len() / width;
    let means = planes.map(|values| {
        let (s, n) = values
            .iter()
            .zip(marked)
            .filter(|(_, m)| **m)
            .fold((0.0f64, 0usize), |(s, n), (v, _)| (s + f64::from(*v), n + 1));
        (s / n.max(1) as f64) as f32
    });
    let weight: Vec<f32> = marked.iter().map(|m| f32::from(*m)).collect();
    // For every width the blurred marks, then the blurred planes.
    let blurred: Vec<Vec<f32>> = (0..SCALES.len() * (N + 1))
        .into_par_iter()
        .map(|k| {
            let radius = ((sigma * SCALES[k / (N + 1)]).round() as usize).max(1);
            let mut data = match (k % (N + 1)).checked_sub(1) {
                None => weight.clone(),
                Some(i) => planes[i].iter().zip(&weight).map(|(v, w)| (v - means[i]) * w).collect(),
            };
            for _ in 0..3 {
                box_blur(&mut data, width, height, radius.div_ceil(2));
            }
            data
        })
        .collect();
    std::array::from_fn(|i| {
        let mut out = vec![means[i]; marked.len()];
        for of_scale in blurred.chunks_exact(N + 1) {
            let (weight, sum) = (&of_scale[0], &of_scale[i + 1]);
            for ((o, w), s) in out.iter_mut().zip(weight).zip(sum) {
                let trust = (w * 12.0).min(1.0);
                if *w > 1e-6 {
                    *o += trust * (means[i] + s / w - *o);
                }
            }
        }
        out
    })
}

/// Box mean of the given radius in place; windows are cut at the border.
pub fn box_blur(data: &mut [f32], width: usize, height: usize, radius: usize) {
    if width > 0 && height > 0 {
        Fixed::new(data, width).mean_into(radius, data);
    }
}

/// A picture in whole numbers of 1/4096, so that running sums do not drift.
#[derive(Debug, Clone)]
pub struct Fixed {
    width: usize,
    data: Vec<i32>,
}

/// One in a [`Fixed`] picture.
const ONE: f32 = 4096.0;

/// The whole part of a number of magnitude below 2³¹, from its bits (IEEE 754 binary32): what
/// `as i32` gives, but for many at once, since the compiler's own saturating conversion is done one
/// by one.
#[inline(always)]
fn whole(v: f32) -> i32 {
    let bits = v.to_bits();
    let exponent = (bits >> 23 & 0xff) as i32 - 150;
    let significand = bits & 0x7f_ffff | 0x80_0000;
    let right = (-exponent).clamp(0, 31) as u32;
    let left = exponent.clamp(0, 7) as u32;
    let size = ((significand >> right) << left) as i32;
    let sign = bits as i32 >> 31;
    (size ^ sign).wrapping_sub(sign)
}

impl Fixed {
    /// Takes a picture of `width` pixels a row (at least one).
    pub fn new(data: &[f32], width: usize) -> Fixed {
        Fixed::of(data, width, |v| v)
    }

    /// The squares of a picture's values.
    pub fn squares(data: &[f32], width: usize) -> Fixed {
        Fixed::of(data, width, |v| v * v)
    }

    fn of(data: &[f32], width: usize, value: impl Fn(f32) -> f32) -> Fixed {
        struct Convert<'a, F>(&'a [f32], &'a mut [i32], F);
        impl<F: Fn(f32) -> f32> pulp::WithSimd for Convert<'_, F> {
            type Output = ();
            #[inline(always)]
            fn with_simd<S: pulp::Simd>(self, _: S) {
                let Convert(data, out, value) = self;
                out.iter_mut().zip(data).for_each(|(o, v)| *o = whole(value(*v) * ONE));
            }
        }
        let mut fixed = vec![0; data.len()];
        pulp::Arch::new().dispatch(Convert(data, &mut fixed, value));
        Fixed { width, data: fixed }
    }

    fn height(&self) -> usize {
        self.data.len() / self.width
    }

    fn line(&self, y: usize) -> &[i32] {
        &self.data[y * self.width..(y + 1) * self.width]
    }

    fn mean_into(&self, radius: usize, out: &mut [f32]) {
        struct Mean<'a>(&'a Fixed, usize, &'a mut [f32]);
        impl pulp::WithSimd for Mean<'_> {
            type Output = ();
            #[inline(always)]
            fn with_simd<S: pulp::Simd>(self, _: S) {
                let Mean(fixed, radius, out) = self;
                let mut window = Window::at(fixed, radius, 0);
                let mut sums = Vec::new();
                for row in out.chunks_exact_mut(fixed.width) {
                    window.means(0..fixed.width, &mut sums, row);
                    window.advance(fixed);
                }
            }
        }
        pulp::Arch::new().dispatch(Mean(self, radius, out));
    }
}

/// Box means around the pixels of one row after another, from running sums of the columns: no
/// blurred picture has to lie in memory. Windows are cut at the border.
#[derive(Debug, Clone)]
pub struct Window {
    radius: usize,
    y: usize,
    /// Rows in the window.
    rows: usize,
    /// Sums of the columns over these rows.
    columns: Vec<i32>,
}

impl Window {
    /// The window around row `y`.
    #[inline(always)]
    pub fn at(fixed: &Fixed, radius: usize, y: usize) -> Window {
        let mut columns = vec![0i32; fixed.width];
        let rows = y.saturating_sub(radius)..(y + radius + 1).min(fixed.height());
        for y in rows.clone() {
            columns.iter_mut().zip(fixed.line(y)).for_each(|(s, v)| *s = s.wrapping_add(*v));
        }
        Window { radius, y, rows: rows.len(), columns }
    }

    /// Moves on to the next row.
    #[inline(always)]
    pub fn advance(&mut self, fixed: &Fixed) {
        self.y += 1;
        if self.y + self.radius < fixed.height() {
            let come = fixed.line(self.y + self.radius);
            self.columns.iter_mut().zip(come).for_each(|(s, v)| *s = s.wrapping_add(*v));
            self.rows += 1;
        }
        if self.y > self.radius && self.rows > 0 {
            let gone = fixed.line(self.y - self.radius - 1);
            self.columns.iter_mut().zip(gone).for_each(|(s, v)| *s = s.wrapping_sub(*v));
            self.rows -= 1;
        }
    }

    /// Means around the columns `cols` of the row; `sums` is room to work in.
    #[inline(always)]
    pub fn means(&self, cols: Range<usize>, sums: &mut Vec<i32>, out: &mut [f32]) {
        let width = self.columns.len();
        let first = cols.start.saturating_sub(self.radius);
        let columns = &self.columns[first..(cols.end + self.radius).min(width)];
        let scale = 1.0 / (self.rows as f32 * ONE);
        sums.resize(columns.len() + 1, 0);
        let after = &mut sums[1..columns.len() + 1];
        for (m, s) in after.iter_mut().zip(columns) {
            *m = whole(*s as f32 * scale * ONE);
        }
        let mut run = 0i32;
        for m in after {
            run = run.wrapping_add(*m);
            *m = run;
        }
        row_means(sums, first, width, self.radius, cols, out);
    }
}

/// Means of the windows around the columns `cols` of a row `width` wide, from the sums before each
/// column, beginning with column `first`.
#[inline(always)]
fn row_means(
    prefix: &[i32],
    first: usize,
    width: usize,
    radius: usize,
    cols: Range<usize>,
    out: &mut [f32],
) {
    let mean = |x: usize| {
        let (a, b) = (x.saturating_sub(radius), (x + radius + 1).min(width));
        prefix[b - first].wrapping_sub(prefix[a - first]) as f32 / ((b - a) as f32 * ONE)
    };
    // Columns whose window is cut on neither side.
    let whole = radius.clamp(cols.start, cols.end)
        ..width.saturating_sub(radius).clamp(radius.clamp(cols.start, cols.end), cols.end);
    for x in (cols.start..whole.start).chain(whole.end..cols.end) {
        out[x - cols.start] = mean(x);
    }
    if whole.is_empty() {
        return;
    }
    let scale = 1.0 / ((2 * radius + 1) as f32 * ONE);
    let inner = &mut out[whole.start - cols.start..whole.end - cols.start];
    let low = &prefix[whole.start - radius - first..];
    let high = &low[2 * radius + 1..];
    for ((v, a), b) in inner.iter_mut().zip(low).zip(high) {
        *v = b.wrapping_sub(*a) as f32 * scale;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn a_part_of_a_row_says_what_its_pixels_say() {
        let (gw, gh, cell) = (5, 4, 3);
        let plane = |k: usize| {
            let data = (0..gw * gh).map(|i| ((i * 7 + k * 3) % 11) as f32).collect();
            Plane { width: gw, height: gh, data }
        };
        let planes = std::array::from_fn(plane);
        let floor = Floor { cell, planes, bare: vec![true; gw * gh] };
        let across = floor.across(gw * cell);
        let mut row: [Vec<f32>; 5] = Default::default();
        for (y, cols) in [(0, 0..15), (5, 4..9), (11, 14..15), (7, 3..3)] {
            floor.row(y, &across[cols.clone()], &mut row);
            for (k, values) in row.iter().enumerate() {
                assert_eq!(values.len(), cols.len());
                for (v, x) in values.iter().zip(cols.clone()) {
                    assert!((v - floor.at(x, y)[k]).abs() < 1e-4, "{x} {y} {k}");
                }
            }
        }
    }

    proptest! {
        #[test]
        fn whole_parts_are_those_of_the_conversion(v in -2.1e9f32..2.1e9, small in -9.0f32..9.0) {
            for v in [v, small, v * 1e-6, small * 1e-38, v.trunc(), -0.0, 0.0] {
                prop_assert_eq!(whole(v), v as i32);
            }
        }

        #[test]
        fn a_part_of_a_row_has_the_means_of_the_whole_picture(
            width in 1usize..40, height in 1usize..12, radius in 1usize..6, from in 0usize..40, n in 1usize..40, first in 0usize..12,
            seed in proptest::collection::vec(-100.0f32..100.0, 480)
        ) {
            let fixed = Fixed::new(&seed[..width * height], width);
            let mut all = vec![0.0; width * height];
            fixed.mean_into(radius, &mut all);
            let first = first.min(height - 1);
            let cols = from.min(width - 1)..(from.min(width - 1) + n).min(width);
            let mut window = Window::at(&fixed, radius, first);
            let (mut sums, mut out) = (Vec::new(), vec![0.0; cols.len()]);
            for y in first..height {
                window.means(cols.clone(), &mut sums, &mut out);
                prop_assert_eq!(&out[..], &all[y * width..][cols.clone()]);
                window.advance(&fixed);
            }
        }

        #[test]
        fn box_mean_agrees_with_the_plain_sum(
            width in 1usize..12, height in 1usize..12, radius in 1usize..6,
            seed in proptest::collection::vec(-100.0f32..100.0, 144)
        ) {
            let data = &seed[..width * height];
            let mut fast = data.to_vec();
            box_blur(&mut fast, width, height, radius);
            for y in 0..height {
                for x in 0..width {
                    let (y0, y1) = (y.saturating_sub(radius), (y + radius + 1).min(height));
                    let (x0, x1) = (x.saturating_sub(radius), (x + radius + 1).min(width));
                    let mut sum = 0.0;
                    for v in y0..y1 {
                        sum += data[v * width + x0..v * width + x1].iter().sum::<f32>();
                    }
                    let plain = sum / ((y1 - y0) * (x1 - x0)) as f32;
                    prop_assert!((plain - fast[y * width + x]).abs() < 2e-3);
                }
            }
        }
    }
}
