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
use crate::elementary::nearest;

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
    /// Cells a row.
    pub columns: usize,
    /// Cells that were taken as bare floor, row-major.
    pub bare: Vec<bool>,
    /// L*, a*, b*, ln(R/G), ln(B/G) of the bare, unshaded floor.
    pub planes: [Plane; 5],
    /// Work pixels from one place of the planes to the next.
    step: usize,
    /// How far each column lies between a place and the next: a step is an even number of pixels, and
    /// so it is the same between all of them.
    shares: Vec<f32>,
}

impl Floor {
    /// Of cells of `cell` work pixels, `columns` a row, and planes with a place for every two by two of
    /// them.
    pub fn new(cell: usize, columns: usize, bare: Vec<bool>, planes: [Plane; 5]) -> Floor {
        let step = cell * THIN;
        let shares = (0..step).map(|k| (k as f32 + 0.5) / step as f32).collect();
        Floor { cell, columns, bare, planes, step, shares }
    }

    /// The five values at a work pixel.
    #[inline]
    pub fn at(&self, x: usize, y: usize) -> [f32; 5] {
        let c = self.step as f32;
        let (fx, fy) = ((x as f32 + 0.5) / c - 0.5, (y as f32 + 0.5) / c - 0.5);
        std::array::from_fn(|i| self.planes[i].bilinear(fx, fy))
    }
}

impl Floor {
    /// The five values of the pixels `cols` along row `y` of a work picture; `line` is room to work in.
    pub fn row(&self, y: usize, cols: Range<usize>, line: &mut Vec<f32>, out: [&mut [f32]; 5]) {
        let (gw, gh) = (self.planes[0].width, self.planes[0].height);
        let step = self.step as f32;
        let fy = ((y as f32 + 0.5) / step - 0.5).clamp(0.0, (gh - 1) as f32);
        let y0 = fy as usize;
        let y1 = (y0 + 1).min(gh - 1);
        let ty = fy - y0 as f32;
        // Columns from the middle before the first place on.
        let (from, to) = (cols.start + self.step / 2, cols.end + self.step / 2);
        let places = from / self.step..to.div_ceil(self.step) + 1;
        for (plane, out) in self.planes.iter().zip(out) {
            let (top, low) = (&plane.data[y0 * gw..][..gw], &plane.data[y1 * gw..][..gw]);
            // Before the first place and beyond the last it goes on as it is there.
            let mix = |(t, l): (&f32, &f32)| t * (1.0 - ty) + l * ty;
            let end = (places.end - 1).min(gw);
            let inner = places.start.saturating_sub(1).min(end)..end;
            line.clear();
            line.extend((places.start == 0).then(|| mix((&top[0], &low[0]))));
            line.extend(top[inner.clone()].iter().zip(&low[inner]).map(mix));
            line.resize(places.len(), mix((&top[gw - 1], &low[gw - 1])));
            let (mut rest, mut skipped) = (out, from % self.step);
            for ends in line.windows(2) {
                let shares = &self.shares[skipped..];
                let (now, later) = rest.split_at_mut(shares.len().min(rest.len()));
                let (value, rise) = (ends[0], ends[1] - ends[0]);
                let mix = |(v, share): (&mut f32, &f32)| *v = value + rise * share;
                // Nearly all are whole steps of eight, which fit vectors.
                match (<&mut [f32; 8]>::try_from(&mut *now), <&[f32; 8]>::try_from(shares)) {
                    (Ok(now), Ok(shares)) => now.iter_mut().zip(shares).for_each(mix),
                    _ => now.iter_mut().zip(shares).for_each(mix),
                }
                (rest, skipped) = (later, 0);
            }
        }
    }

    /// Cells that are bare floor or wholly surrounded by it: not to be reached from the
    /// photograph's border without crossing bare floor.
    pub fn surrounded(&self) -> Vec<bool> {
        let (w, h) = (self.columns, self.bare.len() / self.columns);
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
    let plane = |c: usize| means.iter().map(|m| m.map_or(0.0, |m| m[c])).collect();
    let mut grid: [Vec<f32>; 5] = Default::default();
    grid.par_iter_mut().enumerate().for_each(|(c, grid)| *grid = plane(c));
    let mut bare = largest_smooth_region(&grid, &usable, gw, settings);
    erode(&mut bare, gw);
    let sigma = (settings.smoothing_mm * work.px_per_mm / cell as f64) as f32;
    let thin = Thinned::new(gw, gh);
    let lightness = [grid[0].as_slice()];
    let [mut smooth] = carry(lightness, &bare, thin, sigma);
    let lit = |smooth: &Plane, below: f32| -> Vec<bool> {
        let at = |i: usize| smooth.bilinear(thin.place(i % gw), thin.place(i / gw));
        let lit = |(i, bare): (usize, &bool)| {
            *bare && {
                let s = at(i);
                grid[0][i] > s - below * s.max(10.0)
            }
        };
        bare.par_iter().enumerate().with_min_len(gw).map(lit).collect()
    };
    // Shade lies below its surroundings: leave out what is clearly darker and smooth again.
    for _ in 0..2 {
        [smooth] = carry(lightness, &lit(&smooth, 0.04), thin, sigma);
    }
    let lit = lit(&smooth, 0.08);
    let [a, b, rg, bg] = carry(std::array::from_fn(|i| grid[i + 1].as_slice()), &lit, thin, sigma);
    Floor::new(cell, gw, bare, [smooth, a, b, rg, bg])
}

/// Cells along either axis that smoothing takes together: what is smoothed over a centimetre does
/// not need each.
const THIN: usize = 2;

/// A grid of cells, [`THIN`] by [`THIN`] of them taken together.
#[derive(Debug, Clone, Copy)]
struct Thinned {
    cells: [usize; 2],
    width: usize,
    height: usize,
}

impl Thinned {
    fn new(width: usize, height: usize) -> Thinned {
        let cells = [width, height];
        Thinned { cells, width: width.div_ceil(THIN), height: height.div_ceil(THIN) }
    }

    /// Where a column or row of cells lies.
    fn place(&self, cell: usize) -> f32 {
        (cell as f32 + 0.5) / THIN as f32 - 0.5
    }

    /// Sums over the cells taken together, in parts of all of them.
    fn gather(&self, value: impl Fn(usize) -> f32) -> Vec<f32> {
        let mut out = vec![0.0; self.width * self.height];
        for y in 0..self.cells[1] {
            let row = &mut out[y / THIN * self.width..][..self.width];
            for x in 0..self.cells[0] {
                row[x / THIN] += value(y * self.cells[0] + x) * (1.0 / (THIN * THIN) as f32);
            }
        }
        out
    }
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
/// the narrowest that has support winning. All planes at once, since they share the marks. `sigma`
/// is in cells.
fn carry<const N: usize>(
    planes: [&[f32]; N],
    marked: &[bool],
    thin: Thinned,
    sigma: f32,
) -> [Plane; N] {
    const SCALES: [f32; 3] = [6.0, 2.5, 1.0];
    let Thinned { width, height, .. } = thin;
    let means = planes.map(|values| {
        let (s, n) = values
            .iter()
            .zip(marked)
            .filter(|(_, m)| **m)
            .fold((0.0f64, 0usize), |(s, n), (v, _)| (s + f64::from(*v), n + 1));
        (s / n.max(1) as f64) as f32
    });
    // The marks, then the planes.
    let thinned: Vec<Vec<f32>> = (0..N + 1)
        .into_par_iter()
        .map(|k| match k.checked_sub(1) {
            None => thin.gather(|i| f32::from(marked[i])),
            Some(k) => thin.gather(|i| if marked[i] { planes[k][i] - means[k] } else { 0.0 }),
        })
        .collect();
    // The same blurred, for every width.
    let blurred: Vec<Vec<f32>> = (0..SCALES.len() * (N + 1))
        .into_par_iter()
        .map(|k| {
            // Three box means of half of sigma to either side are about a Gaussian one.
            let radius = (sigma * SCALES[k / (N + 1)] / (2 * THIN) as f32) as usize;
            let mut data = thinned[k % (N + 1)].clone();
            for _ in 0..3 {
                box_blur(&mut data, width, height, radius.max(1));
            }
            data
        })
        .collect();
    std::array::from_fn(|i| {
        let mut out = vec![means[i]; width * height];
        for of_scale in blurred.chunks_exact(N + 1) {
            let (weight, sum) = (&of_scale[0], &of_scale[i + 1]);
            for ((o, w), s) in out.iter_mut().zip(weight).zip(sum) {
                let trust = (w * 12.0).min(1.0);
                if *w > 1e-6 {
                    *o += trust * (means[i] + s / w - *o);
                }
            }
        }
        Plane { width, height, data: out }
    })
}

/// Box mean of the given radius (at least 1) in place; windows are cut at the border.
pub fn box_blur(data: &mut [f32], width: usize, height: usize, radius: usize) {
    struct Blur<'a>(Fixed<'a>, usize, &'a mut [f32]);
    impl pulp::WithSimd for Blur<'_> {
        type Output = ();
        #[inline(always)]
        fn with_simd<S: pulp::Simd>(self, _: S) {
            let Blur(fixed, radius, out) = self;
            let mut window = Window::at(fixed, radius, 0);
            let mut sums = Vec::new();
            for row in out.chunks_exact_mut(fixed.width) {
                window.means(fixed, 0..fixed.width, &mut sums, row);
                window.advance(fixed);
            }
        }
    }
    if width > 0 && height > 0 {
        let before = data.to_vec();
        pulp::Arch::new().dispatch(Blur(Fixed::new(&before, width), radius, data));
    }
}

/// A picture that is read in whole numbers, so that running sums do not drift.
#[derive(Debug, Clone, Copy)]
pub struct Fixed<'a> {
    width: usize,
    data: &'a [f32],
    /// Whether its values' squares are taken.
    squared: bool,
}

/// One in a [`Fixed`] picture, in one of squares of it.
const ONE: f32 = 4096.0;
const ONE_SQUARED: f32 = 256.0;

/// Numbers that are farther from nought are taken as this.
const MOST: f32 = 4_194_303.0;

/// The nearest whole number: what rounding and `as i32` give up to [`MOST`].
#[inline(always)]
fn whole(v: f32) -> i32 {
    nearest(v.clamp(-MOST, MOST))
}

impl<'a> Fixed<'a> {
    /// A picture of `width` pixels a row (at least one), values up to ±1023, and up to ±524,287 over the
    /// pixels of the windows to be taken.
    pub fn new(data: &'a [f32], width: usize) -> Fixed<'a> {
        Fixed { width, data, squared: false }
    }

    /// The squares of a picture's values, which are up to ±127; sums of windows up to 8,388,607.
    pub fn squares(data: &'a [f32], width: usize) -> Fixed<'a> {
        Fixed { width, data, squared: true }
    }

    fn height(&self) -> usize {
        self.data.len() / self.width
    }

    fn line(&self, y: usize) -> &'a [f32] {
        &self.data[y * self.width..(y + 1) * self.width]
    }

    /// One in whole numbers.
    fn one(&self) -> f32 {
        if self.squared { ONE_SQUARED } else { ONE }
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

/// Adds a row to the sums of columns, takes one away, or both.
#[inline(always)]
fn slide(
    columns: &mut [i32],
    come: Option<&[f32]>,
    gone: Option<&[f32]>,
    value: impl Fn(f32) -> i32,
) {
    match (come, gone) {
        (Some(come), Some(gone)) => {
            for (s, (c, g)) in columns.iter_mut().zip(come.iter().zip(gone)) {
                *s = s.wrapping_add(value(*c).wrapping_sub(value(*g)));
            }
        }
        (Some(come), None) => {
            for (s, c) in columns.iter_mut().zip(come) {
                *s = s.wrapping_add(value(*c));
            }
        }
        (None, Some(gone)) => {
            for (s, g) in columns.iter_mut().zip(gone) {
                *s = s.wrapping_sub(value(*g));
            }
        }
        (None, None) => {}
    }
}

impl Window {
    /// The window around row `y`.
    #[inline(always)]
    pub fn at(fixed: Fixed, radius: usize, y: usize) -> Window {
        let mut window = Window { radius, y, rows: 0, columns: vec![0; fixed.width] };
        for y in y.saturating_sub(radius)..(y + radius + 1).min(fixed.height()) {
            window.slide(fixed, Some(y), None);
        }
        window
    }

    /// Takes the row `come` in, and `gone` out.
    #[inline(always)]
    fn slide(&mut self, fixed: Fixed, come: Option<usize>, gone: Option<usize>) {
        self.rows = self.rows + usize::from(come.is_some()) - usize::from(gone.is_some());
        let [come, gone] = [come, gone].map(|y| y.map(|y| fixed.line(y)));
        if fixed.squared {
            slide(&mut self.columns, come, gone, |v| whole(v * v * ONE_SQUARED));
        } else {
            slide(&mut self.columns, come, gone, |v| whole(v * ONE));
        }
    }

    /// Moves on to the next row.
    #[inline(always)]
    pub fn advance(&mut self, fixed: Fixed) {
        self.y += 1;
        let come = (self.y + self.radius < fixed.height()).then(|| self.y + self.radius);
        let gone = self.y.checked_sub(self.radius + 1).filter(|_| self.rows > 0);
        self.slide(fixed, come, gone);
    }

    /// Means around the columns `cols` of the row of the same picture; `sums` is room to work in.
    #[inline(always)]
    pub fn means(&self, fixed: Fixed, cols: Range<usize>, sums: &mut Vec<i32>, out: &mut [f32]) {
        let width = self.columns.len();
        let first = cols.start.saturating_sub(self.radius);
        let columns = &self.columns[first..(cols.end + self.radius).min(width)];
        sums.resize(sums.len().max(columns.len() + 1), 0);
        let after = &mut sums[1..columns.len() + 1];
        // Sums before a column may run over; those of a window, which differences are, may not.
        let mut run = 0i32;
        for (m, s) in after.iter_mut().zip(columns) {
            run = run.wrapping_add(*s);
            *m = run;
        }
        row_means(sums, self.rows as f32 * fixed.one(), first, width, self.radius, cols, out);
    }
}

/// Means of the windows around the columns `cols` of a row `width` wide, from the sums before each
/// column, beginning with column `first`; `one` is one in them.
#[inline(always)]
fn row_means(
    prefix: &[i32],
    one: f32,
    first: usize,
    width: usize,
    radius: usize,
    cols: Range<usize>,
    out: &mut [f32],
) {
    let mean = |x: usize| {
        let (a, b) = (x.saturating_sub(radius), (x + radius + 1).min(width));
        prefix[b - first].wrapping_sub(prefix[a - first]) as f32 / ((b - a) as f32 * one)
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
    let scale = 1.0 / ((2 * radius + 1) as f32 * one);
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
        let (gw, gh) = (5, 4);
        let plane = |k: usize| {
            let data = (0..gw * gh).map(|i| ((i * 7 + k * 3) % 11) as f32).collect();
            Plane { width: gw, height: gh, data }
        };
        for step in [2, 4, 6, 8] {
            let planes = std::array::from_fn(plane);
            let (cell, bare) = (step / THIN, Vec::new());
            let floor = Floor::new(cell, gw * THIN, bare, planes);
            let (w, h) = (gw * step, gh * step);
            let (mut line, mut row): (_, [Vec<f32>; 5]) = Default::default();
            for (y, cols) in [(0, 0..w), (h / 2, 4..9), (h - 1, w - 1..w), (3, 3..3), (1, 1..w)] {
                row.iter_mut().for_each(|v| v.resize(cols.len(), f32::NAN));
                floor.row(y, cols.clone(), &mut line, row.each_mut().map(Vec::as_mut_slice));
                for (k, values) in row.iter().enumerate() {
                    for (v, x) in values.iter().zip(cols.clone()) {
                        assert!((v - floor.at(x, y)[k]).abs() < 1e-4, "{step}: {x} {y} {k}");
                    }
                }
            }
        }
    }

    proptest! {
        #[test]
        fn whole_numbers_are_those_of_the_conversion(v in -5e6f32..5e6, small in -9.0f32..9.0) {
            for v in [v, small, v * 1e-6, small * 1e-38, v.trunc(), v.trunc() + 0.5, -0.0, 0.0] {
                prop_assert_eq!(whole(v), v.clamp(-MOST, MOST).round_ties_even() as i32);
            }
        }

        #[test]
        fn a_part_of_a_row_has_the_means_of_the_whole_picture(
            width in 1usize..40, height in 1usize..12, radius in 1usize..6, from in 0usize..40, n in 1usize..40, first in 0usize..12,
            seed in proptest::collection::vec(-100.0f32..100.0, 480)
        ) {
            let fixed = Fixed::new(&seed[..width * height], width);
            let mut all = seed[..width * height].to_vec();
            box_blur(&mut all, width, height, radius);
            let first = first.min(height - 1);
            let cols = from.min(width - 1)..(from.min(width - 1) + n).min(width);
            let mut window = Window::at(fixed, radius, first);
            let (mut sums, mut out) = (Vec::new(), vec![0.0; cols.len()]);
            for y in first..height {
                window.means(fixed, cols.clone(), &mut sums, &mut out);
                prop_assert_eq!(&out[..], &all[y * width..][cols.clone()]);
                window.advance(fixed);
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
