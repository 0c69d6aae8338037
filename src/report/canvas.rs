//! A picture to draw on: coverage masks, casings, outlines in the line styles of the palette, and
//! shrinking.

use image::{Rgb, RgbImage};
use rayon::prelude::*;

use super::outline::Loop;
use super::palette::{LineStyle, Srgb};
use crate::elementary::{nearest, nearest_bits};

/// The dark edge under every line and letter, so that they read on black and on white fruit.
const CASING: Srgb = [16, 16, 20];
/// How much of the ground a casing hides.
const CASING_STRENGTH: f32 = 0.82;

/// Coverage of a few pixels, 0 to 255, with its place. Bytes, because a crowded tray needs
/// hundreds of masks and fresh memory costs more time than the drawing.
#[derive(Debug, Clone, PartialEq)]
pub struct Mask {
    x: i32,
    y: i32,
    width: usize,
    height: usize,
    cover: Vec<u8>,
}

impl Mask {
    /// An empty mask that holds all the boxes [x0, y0, x1, y1].
    pub fn around(boxes: impl Iterator<Item = [f32; 4]>) -> Mask {
        let all = boxes.fold([f32::MAX, f32::MAX, f32::MIN, f32::MIN], |a, b| {
            [a[0].min(b[0]), a[1].min(b[1]), a[2].max(b[2]), a[3].max(b[3])]
        });
        if all[0] > all[2] {
            return Mask { x: 0, y: 0, width: 0, height: 0, cover: Vec::new() };
        }
        let (x, y) = (all[0].floor() as i32, all[1].floor() as i32);
        let width = (all[2].ceil() as i32 - x).max(0) as usize;
        let height = (all[3].ceil() as i32 - y).max(0) as usize;
        Mask { x, y, width, height, cover: vec![0; width * height] }
    }

    /// Width, px.
    pub fn width(&self) -> usize {
        self.width
    }

    /// Height, px.
    pub fn height(&self) -> usize {
        self.height
    }

    /// Raises the coverage of one pixel to at least `cover`; outside the mask nothing happens.
    pub fn raise(&mut self, x: i32, y: i32, cover: f32) {
        let (col, row) = (x - self.x, y - self.y);
        if col >= 0 && row >= 0 && (col as usize) < self.width && (row as usize) < self.height {
            let cell = &mut self.cover[row as usize * self.width + col as usize];
            *cell = (*cell).max(byte(cover));
        }
    }

    /// Covers every pixel of the mask.
    pub fn fill(&mut self) {
        self.cover.fill(255);
    }

    /// The mask moved by whole pixels.
    pub fn moved(mut self, dx: i32, dy: i32) -> Mask {
        self.x += dx;
        self.y += dy;
        self
    }

    /// The mask grown by `radius` px all around: the casing of a letter.
    pub fn grown(&self, radius: f32) -> Mask {
        let reach = radius.ceil() as i32 + 1;
        let mut grown = Mask::around(std::iter::once([
            (self.x - reach) as f32,
            (self.y - reach) as f32,
            (self.x + self.width as i32 + reach) as f32,
            (self.y + self.height as i32 + reach) as f32,
        ]));
        let disc: Vec<(i32, i32, f32)> = (-reach..=reach)
            .flat_map(|dy| (-reach..=reach).map(move |dx| (dx, dy)))
            .map(|(dx, dy)| {
                (dx, dy, (radius + 0.5 - ((dx * dx + dy * dy) as f32).sqrt()).clamp(0.0, 1.0))
            })
            .filter(|d| d.2 > 0.0)
            .collect();
        for (i, &cover) in self.cover.iter().enumerate().filter(|(_, c)| **c > 0) {
            let cover = f32::from(cover) / 255.0;
            let (x, y) = (self.x + (i % self.width) as i32, self.y + (i / self.width) as i32);
            for &(dx, dy, weight) in &disc {
                grown.raise(x + dx, y + dy, cover * weight);
            }
        }
        grown
    }

    /// Raises the coverage under a disc.
    fn stamp(&mut self, x: f32, y: f32, radius: f32) {
        let (x, y) = (x - self.x as f32, y - self.y as f32);
        let reach = radius + 0.5;
        let first = |v: f32| (v - reach).ceil().max(0.0) as usize;
        let last =
            |v: f32, size: usize| ((v + reach).floor() + 1.0).clamp(0.0, size as f32) as usize;
        let (col, col_end) = (first(x), last(x, self.width));
        let full = (radius - 0.5).max(0.0).powi(2);
        for row in first(y)..last(y, self.height) {
            let dy2 = (row as f32 - y).powi(2);
            let cells = &mut self.cover[row * self.width..(row + 1) * self.width];
            for (i, cell) in cells.iter_mut().enumerate().take(col_end).skip(col) {
                let d2 = dy2 + (i as f32 - x).powi(2);
                // The square root is for the rim alone.
                let cover = if d2 <= full { 1.0 } else { reach - d2.sqrt() };
                *cell = (*cell).max(byte(cover));
            }
        }
    }
}

/// Coverage 0 to 1 as a byte; beyond either end it stays at the end.
fn byte(cover: f32) -> u8 {
    nearest(cover.clamp(0.0, 1.0) * 255.0) as u8
}

/// A mask with the ink it is painted in.
#[derive(Debug, Clone, PartialEq)]
pub struct Layer {
    mask: Mask,
    ink: Srgb,
    strength: f32,
}

impl Layer {
    /// Full ink under the mask.
    pub fn ink(mask: Mask, ink: Srgb) -> Layer {
        Layer { mask, ink, strength: 1.0 }
    }

    /// The dark edge under a line or a letter.
    pub fn casing(mask: Mask) -> Layer {
        Layer { mask, ink: CASING, strength: CASING_STRENGTH }
    }

    /// Letters with a casing under them.
    pub fn cased(mask: Mask, casing_px: f32, ink: Srgb) -> [Layer; 2] {
        [Layer::casing(mask.grown(casing_px)), Layer::ink(mask, ink)]
    }

    /// Blends the ink into a band of a picture, `width` px wide, that starts at row `top`.
    fn blend(&self, band: &mut [u8], width: usize, top: usize) {
        let m = &self.mask;
        let rows = band.len() / (3 * width);
        let skip = (top as i32 - m.y).max(0) as usize;
        let first_col = (-m.x).max(0) as usize;
        let end_col = (width as i32 - m.x).clamp(0, m.width as i32) as usize;
        if first_col >= end_col {
            return;
        }
        for row in skip..m.height {
            let y = m.y + row as i32 - top as i32;
            if y >= rows as i32 {
                break;
            }
            let cover = &m.cover[row * m.width..(row + 1) * m.width][first_col..end_col];
            let start = 3 * (y as usize * width + (m.x + first_col as i32) as usize);
            let pixels = band[start..start + 3 * cover.len()].chunks_exact_mut(3);
            for (pixel, &cover) in pixels.zip(cover).filter(|(_, c)| **c > 0) {
                let weight = f32::from(cover) * self.strength / 255.0;
                for (value, ink) in pixel.iter_mut().zip(self.ink) {
                    let old = f32::from(*value);
                    *value = nearest(old + (f32::from(ink) - old) * weight) as u8;
                }
            }
        }
    }
}

/// Paints layers, the first one lowest.
pub fn paint(picture: &mut RgbImage, layers: &[Layer]) {
    const BAND_ROWS: usize = 64;
    let width = picture.width() as usize;
    if width == 0 {
        return;
    }
    let raw: &mut [u8] = picture;
    raw.par_chunks_mut(BAND_ROWS * 3 * width).enumerate().for_each(|(i, band)| {
        for layer in layers {
            layer.blend(band, width, i * BAND_ROWS);
        }
    });
}

/// Where points of a photograph fall on a canvas.
#[derive(Debug, Clone, Copy)]
pub struct Placing {
    /// Canvas pixels a photograph pixel.
    pub scale: f32,
    /// Canvas point of the photograph's first pixel centre.
    pub origin: [f32; 2],
}

impl Placing {
    /// The canvas point of a photograph point.
    pub fn place(&self, p: [f32; 2]) -> [f32; 2] {
        // Pixel centres are whole numbers in both, so edges, not centres, scale from zero.
        let map = |v: f32| (v + 0.5) * self.scale - 0.5;
        [map(p[0]) + self.origin[0], map(p[1]) + self.origin[1]]
    }
}

/// An outline ready to be painted: casing and line.
pub struct Stroke {
    casing: Mask,
    line: Mask,
}

impl Stroke {
    /// Draws closed lines (in canvas pixels, object to the right of their way) in a style.
    /// `unit` px is the width of a solid line. Lines are drawn just inside the object, so that
    /// two touching objects keep two lines side by side; double lines lie just outside, because
    /// debris is often too thin to hold them.
    pub fn new(loops: &[Loop], style: LineStyle, unit: f32) -> Stroke {
        let margin = 4.0 * unit + 2.0;
        let boxes = || {
            loops
                .iter()
                .flatten()
                .map(|p| [p[0] - margin, p[1] - margin, p[0] + margin + 1.0, p[1] + margin + 1.0])
        };
        let mut stroke = Stroke { casing: Mask::around(boxes()), line: Mask::around(boxes()) };
        for line in loops {
            match style {
                LineStyle::Double => {
                    stroke.run(&shifted(line, -0.5 * unit), 0.33 * unit, unit, &[]);
                    stroke.run(&shifted(line, -1.8 * unit), 0.33 * unit, unit, &[]);
                }
                LineStyle::Solid => stroke.run(&shifted(line, 0.8 * unit), 0.5 * unit, unit, &[]),
                LineStyle::Dashed => {
                    stroke.run(&shifted(line, 0.9 * unit), 0.65 * unit, unit, &[5.0, 3.2]);
                }
                LineStyle::Dotted => {
                    stroke.run(&shifted(line, 1.1 * unit), 0.95 * unit, unit, &[0.0, 3.6]);
                }
                LineStyle::DashDot => {
                    stroke.run(&shifted(line, 0.9 * unit), 0.6 * unit, unit, &[5.0, 2.4, 0.0, 2.4]);
                }
            }
        }
        stroke
    }

    /// Stamps one closed line. `pattern` holds pen-down and pen-up lengths in turn, in units;
    /// it is stretched a little so that it closes without a seam.
    fn run(&mut self, line: &[[f32; 2]], radius: f32, unit: f32, pattern: &[f32]) {
        let casing = radius + 0.45 * unit;
        let pattern: Vec<f32> = pattern.iter().map(|p| p * unit).collect();
        let period: f32 = pattern.iter().sum();
        let length = length(line);
        let repeats = if period > 0.0 { (length / period).round().max(1.0) } else { 0.0 };
        let stretch = if repeats > 0.0 { length / repeats / period } else { 1.0 };
        let step = (0.5 * radius).max(0.4);
        let mut dots: Vec<f32> = Vec::new();
        // The casing is wider than the line: its stamps may lie farther apart.
        let mut cased = f32::NEG_INFINITY;
        walk(line, step, |p, at| {
            if at >= cased + 0.5 * casing {
                self.casing.stamp(p[0], p[1], casing);
                cased = at;
            }
            match pen(&pattern, at / stretch, period) {
                Pen::Down => self.line.stamp(p[0], p[1], radius),
                // A dot is one stamp, at the first step inside its place.
                Pen::Dot(number) if dots.last() != Some(&number) => {
                    dots.push(number);
                    self.line.stamp(p[0], p[1], radius);
                }
                Pen::Dot(_) | Pen::Up => {}
            }
        });
    }

    /// The stroke in a colour, casing first.
    pub fn layers(self, colour: Srgb) -> [Layer; 2] {
        [Layer::casing(self.casing), Layer::ink(self.line, colour)]
    }
}

enum Pen {
    Down,
    Up,
    /// A dot, with its running number along the line.
    Dot(f32),
}

fn pen(pattern: &[f32], at: f32, period: f32) -> Pen {
    if pattern.is_empty() || period <= 0.0 {
        return Pen::Down;
    }
    let round = (at / period).floor();
    let mut rest = at - round * period;
    for (i, pair) in pattern.chunks_exact(2).enumerate() {
        if pair[0] == 0.0 && rest < pair[1] / 2.0 {
            return Pen::Dot(round * pattern.len() as f32 + i as f32);
        }
        if rest < pair[0] {
            return Pen::Down;
        }
        rest -= pair[0] + pair[1];
        if rest < 0.0 {
            return Pen::Up;
        }
    }
    Pen::Up
}

fn length(line: &[[f32; 2]]) -> f32 {
    let pairs = line.iter().zip(line.iter().cycle().skip(1));
    pairs.map(|(a, b)| (a[0] - b[0]).hypot(a[1] - b[1])).sum()
}

/// Visits points every `step` px along a closed line, with their distance from its start.
fn walk(line: &[[f32; 2]], step: f32, mut visit: impl FnMut([f32; 2], f32)) {
    let (mut done, mut next) = (0.0, 0.0);
    for (a, b) in line.iter().zip(line.iter().cycle().skip(1)) {
        let part = (a[0] - b[0]).hypot(a[1] - b[1]);
        while next < done + part {
            let t = (next - done) / part;
            visit([a[0] + (b[0] - a[0]) * t, a[1] + (b[1] - a[1]) * t], next);
            next += step;
        }
        done += part;
    }
}

/// A closed line moved sideways: to its right (into the object) for positive distances.
fn shifted(line: &[[f32; 2]], by: f32) -> Loop {
    let n = line.len();
    (0..n)
        .map(|i| {
            let (a, b) = (line[(i + n - 1) % n], line[(i + 1) % n]);
            let (dx, dy) = (b[0] - a[0], b[1] - a[1]);
            let len = dx.hypot(dy).max(1e-6);
            [line[i][0] - dy / len * by, line[i][1] + dx / len * by]
        })
        .collect()
}

/// Shrinks a picture to `width` px by exact area averaging; a picture no wider is copied.
pub fn shrink(picture: &RgbImage, width: u32) -> RgbImage {
    shrink_framed(picture, width, [0, 0], Rgb([0; 3]))
}

/// The same with strips of so many rows above and below, of one colour.
pub fn shrink_framed(
    picture: &RgbImage,
    width: u32,
    [above, below]: [u32; 2],
    strip: Rgb<u8>,
) -> RgbImage {
    let [width, height] = shrunk_size(picture, width);
    let mut out = RgbImage::new(width, above + height + below);
    let stride = width as usize * 3;
    let (top, rest) = out.split_at_mut(above as usize * stride);
    let (body, bottom) = rest.split_at_mut(height as usize * stride);
    for side in [top, bottom] {
        side.as_chunks_mut::<3>().0.fill(strip.0);
    }
    if (width, height) == picture.dimensions() {
        body.copy_from_slice(picture);
    } else {
        shrink_into(picture, [width, height], body);
    }
    out
}

/// Width and height of a picture shrunk to `width` px.
pub fn shrunk_size(picture: &RgbImage, width: u32) -> [u32; 2] {
    let (from_w, from_h) = picture.dimensions();
    if from_w <= width || width == 0 || from_h == 0 {
        return [from_w, from_h];
    }
    let height = f64::from(from_h) * f64::from(width) / f64::from(from_w);
    [width, (height.round() as u32).max(1)]
}

/// Shrinks a picture to a size no larger than its own in either direction.
fn shrink_into(picture: &RgbImage, [width, height]: [u32; 2], out: &mut [u8]) {
    let (from_w, from_h) = picture.dimensions();
    let (columns, rows) = (Shares::new(from_w, width), Shares::new(from_h, height));
    let (stride, out_stride) = (from_w as usize * 3, width as usize * 3);
    let source: &[u8] = picture;
    out.par_chunks_exact_mut(out_stride).enumerate().for_each_init(
        || vec![0f32; stride + 3 * columns.reach + 1],
        |line, (row, target)| {
            let (first, shares) = rows.of(row);
            let rows = source[first * stride..].chunks_exact(stride).zip(shares);
            let rows = rows.filter(|(_, share)| **share > 0.0);
            pulp::Arch::new().dispatch(Shrink { rows, columns: &columns, line, target });
        },
    );
}

/// One row of a shrunken picture, from the rows that it covers with their shares.
struct Shrink<'a, R> {
    rows: R,
    columns: &'a Shares,
    /// Room for a row of the picture and what columns reach beyond it with no share.
    line: &'a mut [f32],
    target: &'a mut [u8],
}

impl<'r, R: Iterator<Item = (&'r [u8], &'r f32)>> pulp::WithSimd for Shrink<'_, R> {
    type Output = ();
    #[inline(always)]
    fn with_simd<S: pulp::Simd>(self, simd: S) {
        let Shrink { mut rows, columns, line, target } = self;
        // Two rows at once: there are two or three nearly everywhere.
        match (rows.next(), rows.next()) {
            (Some((a, p)), Some((b, q))) => {
                for ((sum, a), b) in line.iter_mut().zip(a).zip(b) {
                    *sum = f32::from(*a) * p + f32::from(*b) * q;
                }
            }
            (Some((a, p)), None) => {
                for (sum, a) in line.iter_mut().zip(a) {
                    *sum = f32::from(*a) * p;
                }
            }
            (None, _) => line.fill(0.0),
        }
        for (row, share) in rows {
            for (sum, v) in line.iter_mut().zip(row) {
                *sum += f32::from(*v) * share;
            }
        }
        // Up to three times smaller: nearly all.
        match columns.reach {
            3 => across::<_, 3>(simd, columns, line, target),
            4 => across::<_, 4>(simd, columns, line, target),
            _ => {
                for (k, pixel) in target.as_chunks_mut::<3>().0.iter_mut().enumerate() {
                    let (first, shares) = columns.of(k);
                    let covered = line[3 * first..].as_chunks::<3>().0;
                    *pixel = std::array::from_fn(|c| {
                        let sum: f32 = covered.iter().zip(shares).map(|(px, s)| px[c] * s).sum();
                        nearest(sum) as u8
                    });
                }
            }
        }
    }
}

/// Sums columns when each target pixel covers `REACH` pixels at most. (With the reach known only at run
/// time this takes twice as long.)
#[inline(always)]
fn across<S: pulp::Simd, const REACH: usize>(
    simd: S,
    columns: &Shares,
    line: &[f32],
    target: &mut [u8],
) {
    const TOGETHER: usize = 8;
    let shares = columns.shares.as_chunks::<REACH>().0;
    // Four numbers at once are quicker than three: the fourth is the next pixel's.
    let sum = |k: usize| {
        let covered = &line[3 * columns.first[k]..][..3 * REACH + 1];
        let mut sum = [0.0f32; 4];
        for i in 0..REACH {
            for c in 0..4 {
                sum[c] += covered[3 * i + c] * shares[k][i];
            }
        }
        sum
    };
    let n = shares.len();
    // The last pixel's fourth number would lie beyond the row.
    let whole = n.saturating_sub(1) / TOGETHER * TOGETHER;
    for k in (0..whole).step_by(TOGETHER) {
        let mut sums = [[0.0f32; 4]; TOGETHER];
        for j in 0..TOGETHER {
            sums[j] = sum(k + j);
        }
        // Vectors by hand: the compiler does this one by one, in some builds.
        let mut whole = [0u32; 4 * TOGETHER];
        let (sums, _) = S::as_simd_f32s(sums.as_flattened());
        for (out, v) in S::as_mut_simd_u32s(&mut whole).0.iter_mut().zip(sums) {
            *out = nearest_bits(simd, *v);
        }
        let mut pixels = [0u8; 4 * TOGETHER];
        for (out, v) in pixels.iter_mut().zip(whole) {
            *out = v as u8;
        }
        // What the fourth gives is written over in the next step.
        let out = &mut target[3 * k..][..3 * TOGETHER + 1];
        for (j, pixel) in pixels.as_chunks::<4>().0.iter().enumerate() {
            out[3 * j..3 * j + 4].copy_from_slice(pixel);
        }
    }
    for k in whole..n {
        let [r, g, b, _] = sum(k);
        target[3 * k..3 * k + 3].copy_from_slice(&[r, g, b].map(|v| nearest(v) as u8));
    }
}

/// Which source pixels each target pixel covers along one axis, and with what share.
struct Shares {
    first: Vec<usize>,
    /// Shares of as many pixels for each, 0 where fewer are covered.
    shares: Vec<f32>,
    reach: usize,
}

impl Shares {
    fn new(from: u32, to: u32) -> Shares {
        let ratio = f64::from(from) / f64::from(to);
        let reach = ratio.ceil() as usize + 1;
        let mut all = Shares { first: Vec::new(), shares: Vec::new(), reach };
        for i in 0..to {
            let (start, end) = (f64::from(i) * ratio, f64::from(i + 1) * ratio);
            let first = (start as usize).min(from as usize - 1);
            all.first.push(first);
            all.shares.extend((first..first + reach).map(|k| {
                let covered = end.min(k as f64 + 1.0).min(f64::from(from)) - start.max(k as f64);
                (covered.max(0.0) / ratio) as f32
            }));
        }
        all
    }

    /// The first source pixel of a target pixel, and the shares from there on.
    fn of(&self, k: usize) -> (usize, &[f32]) {
        (self.first[k], &self.shares[k * self.reach..(k + 1) * self.reach])
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::photo::noise;
    use proptest::prelude::*;

    fn ring(radius: f32) -> Loop {
        // Clockwise with y down, so the inside is to the right.
        (0..200)
            .map(|i| {
                let t = i as f32 / 200.0 * std::f32::consts::TAU;
                [50.0 + radius * t.cos(), 50.0 + radius * t.sin()]
            })
            .collect()
    }

    fn bright(picture: &RgbImage) -> usize {
        picture.pixels().filter(|p| p[0] > 180).count()
    }

    #[test]
    fn shifting_to_the_right_goes_into_the_object() {
        for p in shifted(&ring(30.0), 5.0) {
            let r = (p[0] - 50.0).hypot(p[1] - 50.0);
            assert!((r - 25.0).abs() < 0.05, "{r}");
        }
    }

    #[test]
    fn every_style_has_a_dark_casing_and_its_own_amount_of_ink() {
        let mut ink = Vec::new();
        for style in [
            LineStyle::Solid,
            LineStyle::Dashed,
            LineStyle::Dotted,
            LineStyle::Double,
            LineStyle::DashDot,
        ] {
            let mut picture = RgbImage::from_pixel(100, 100, Rgb([128, 128, 128]));
            paint(&mut picture, &Stroke::new(&[ring(35.0)], style, 3.0).layers([255, 255, 255]));
            assert!(picture.pixels().any(|p| p[0] < 45), "{style:?} has no casing");
            ink.push(bright(&picture));
            // The middle of the object stays as it was.
            assert_eq!(picture.get_pixel(50, 50), &Rgb([128, 128, 128]));
        }
        assert!(ink.iter().all(|&n| n > 100), "{ink:?}");
        // Dots leave more gaps than they cover; two lines hold more ink than one.
        assert!(ink[2] < ink[0] * 8 / 10 && ink[3] > ink[0] * 12 / 10, "{ink:?}");
    }

    #[test]
    fn dashes_leave_gaps_in_the_line_all_the_way_round() {
        let mut picture = RgbImage::new(100, 100);
        paint(
            &mut picture,
            &Stroke::new(&[ring(40.0)], LineStyle::Dashed, 2.0).layers([255, 255, 255]),
        );
        let radius = 40.0 - 0.9 * 2.0;
        let on: Vec<bool> = (0..720)
            .map(|i| {
                let t = (i as f32 / 2.0).to_radians();
                let (x, y) = (50.0 + radius * t.cos(), 50.0 + radius * t.sin());
                picture.get_pixel(x.round() as u32, y.round() as u32)[0] > 128
            })
            .collect();
        let changes = on.iter().zip(on.iter().cycle().skip(1)).filter(|(a, b)| a != b).count();
        // Perimeter 240 px over a period of 16.4 px is 15 dashes: 30 changes.
        assert!((28..=32).contains(&changes), "{changes}");
    }

    #[test]
    fn painting_beyond_every_edge_is_safe() {
        let mut picture = RgbImage::new(20, 20);
        paint(
            &mut picture,
            &Stroke::new(&[ring(35.0)], LineStyle::Solid, 3.0).layers([255, 255, 255]),
        );
        let line: Loop = vec![[-5.0, -5.0], [25.0, -5.0], [25.0, 25.0], [-5.0, 25.0]];
        paint(&mut picture, &Stroke::new(&[line], LineStyle::Double, 3.0).layers([255, 255, 255]));
        paint(&mut picture, &Stroke::new(&[], LineStyle::Dotted, 3.0).layers([255, 255, 255]));
        paint(
            &mut picture,
            &Stroke::new(&[vec![]], LineStyle::Dotted, 3.0).layers([255, 255, 255]),
        );
    }

    #[test]
    fn shrinking_averages() {
        let mut picture = RgbImage::new(4, 2);
        for (i, p) in picture.pixels_mut().enumerate() {
            *p = Rgb([i as u8 * 10, 0, 200]);
        }
        let half = shrink(&picture, 2);
        assert_eq!(half.dimensions(), (2, 1));
        assert_eq!(half.get_pixel(0, 0), &Rgb([25, 0, 200]));
        assert_eq!(half.get_pixel(1, 0), &Rgb([45, 0, 200]));
        assert_eq!(shrink(&picture, 4), picture);
    }

    proptest! {
        #[test]
        fn shrinking_is_the_mean_over_what_a_pixel_covers(
            w in 1u32..40, h in 1u32..30, to in 1u32..40, seed in any::<u32>()
        ) {
            let picture = noise(w, h, seed);
            let small = shrink(&picture, to.min(w));
            let ratio = [w, h].into_iter().zip([small.width(), small.height()])
                .map(|(from, to)| f64::from(from) / f64::from(to)).collect::<Vec<_>>();
            let covered = |at: u32, from: u32, ratio: f64| {
                let (start, end) = (f64::from(at) * ratio, f64::from(at + 1) * ratio);
                (0..from).map(move |k| (k, (end.min(f64::from(k + 1)) - start.max(f64::from(k))).max(0.0)))
            };
            for (x, y, px) in small.enumerate_pixels() {
                for c in 0..3 {
                    let sum: f64 = covered(y, h, ratio[1])
                        .flat_map(|(v, high)| covered(x, w, ratio[0]).map(move |(u, wide)| (u, v, high * wide)))
                        .map(|(u, v, share)| share * f64::from(picture.get_pixel(u, v)[c])).sum();
                    prop_assert!((f64::from(px[c]) - sum / ratio[0] / ratio[1]).abs() < 0.51);
                }
            }
        }

        #[test]
        fn a_flat_picture_stays_flat(w in 1u32..60, h in 1u32..40, to in 1u32..60, v in 0u8..=255) {
            let picture = RgbImage::from_pixel(w, h, Rgb([v, v, v]));
            let small = shrink(&picture, to);
            prop_assert!(small.pixels().all(|p| p[0].abs_diff(v) <= 1));
        }
    }
}
