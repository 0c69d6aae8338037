//! For each work pixel: does it show an object, and does it lie on the seam between two objects?
//!
//! A small network looks at local measures: the pixel's colour, the floor's colour there, what is
//! left of the difference when shade is divided out, contrast with neighbourhoods of several
//! widths, local roughness, and valleys and edges across the pixel.

use std::ops::Range;

use rayon::prelude::*;

use super::Plane;
use super::distance::signed_squares;
use super::floor::{Fixed, Floor, Window};
use super::work::Work;
use crate::network::{BLOCK, Network, Ready, Scratch};

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

impl Evidence {
    /// No object anywhere.
    fn nothing(work: &Work) -> Evidence {
        let nothing = || Plane::filled(work.width(), work.height(), 0.0);
        Evidence { object: nothing(), seam: nothing() }
    }
}

/// What the measures are read from: the picture, its floor, and the picture in whole numbers for
/// means around each pixel.
pub struct Neighbourhoods<'a> {
    work: &'a Work,
    floor: &'a Floor,
    /// L*, a*, b* and L*².
    fixed: [Fixed; 4],
    radii: [usize; 3],
    steps: [usize; 2],
    /// Where each column lies among the floor's cells.
    across: Vec<(u32, f32)>,
}

/// Radii of the neighbourhoods, mm.
const RADII_MM: [f64; 3] = [0.5, 1.5, 4.0];
/// Distances of the points compared across a pixel, mm.
const STEPS_MM: [f64; 2] = [0.5, 1.25];
/// Four directions across a pixel.
const DIRECTIONS: [[isize; 2]; 4] = [[1, 0], [0, 1], [1, 1], [1, -1]];

/// Box means around one row of several pictures, and on to the next row.
#[derive(Debug, Clone, Default)]
struct Around {
    y: usize,
    windows: Vec<Window>,
    sums: Vec<i32>,
}

impl Around {
    /// Moves to row `y`. Each window is of one picture with one radius, the same at every call.
    #[inline(always)]
    fn seek<'f>(&mut self, y: usize, of: impl Iterator<Item = (&'f Fixed, usize)>) {
        if self.windows.is_empty() || y < self.y || y > self.y + AHEAD {
            self.windows.clear();
            self.windows.extend(of.map(|(fixed, radius)| Window::at(fixed, radius, y)));
        } else {
            for (window, (fixed, _)) in self.windows.iter_mut().zip(of) {
                (self.y..y).for_each(|_| window.advance(fixed));
            }
        }
        self.y = y;
    }

    /// Means of one of the windows, which is of the picture `of`, around the columns `cols`.
    #[inline(always)]
    fn means(&mut self, window: usize, of: &Fixed, cols: Range<usize>, out: &mut [f32]) {
        self.windows[window].means(of, cols, &mut self.sums, out);
    }
}

/// Rows that windows are moved on over rather than begun anew.
const AHEAD: usize = 16;

/// The measures of work pixels side by side in one row, measure after measure, and room to work
/// in. One serves one [`Rows`], best from top to bottom.
#[derive(Debug, Clone, Default)]
pub struct Row {
    width: usize,
    values: Vec<f32>,
    shifted: [Vec<f32>; 6],
    floor: [Vec<f32>; 5],
    /// Means of L*, a*, b* for each radius, and of L*² for the lesser two.
    means: [Vec<f32>; 11],
    around: Around,
    /// Around the first look's answer.
    around_answer: Around,
    near: Vec<f32>,
    seams: Vec<f32>,
}

impl Row {
    fn reset(&mut self, width: usize, measures: usize) {
        self.width = width;
        self.values.resize(width * measures, 0.0);
    }

    /// One measure along the row.
    #[inline(always)]
    fn of(&mut self, measure: usize) -> &mut [f32] {
        &mut self.values[measure * self.width..(measure + 1) * self.width]
    }

    /// All measures of one pixel, by its place among those that were asked for.
    pub fn pixel(&self, x: usize) -> impl Iterator<Item = f32> + '_ {
        self.values[x..].iter().step_by(self.width.max(1)).copied()
    }
}

/// The columns `span` of a row moved by `dx`, the ends repeated: the row itself where it reaches
/// so far.
#[inline(always)]
fn moved<'r>(row: &'r [f32], span: &Range<usize>, dx: isize, room: &'r mut Vec<f32>) -> &'r [f32] {
    let (first, end) = (span.start as isize + dx, span.end as isize + dx);
    if first >= 0 && end <= row.len() as isize {
        return &row[first as usize..end as usize];
    }
    let last = row.len() as isize - 1;
    room.clear();
    room.extend((first..end).map(|x| row[x.clamp(0, last) as usize]));
    room
}

impl<'a> Neighbourhoods<'a> {
    /// Prepares the pictures in whole numbers.
    pub fn new(work: &'a Work, floor: &'a Floor) -> Self {
        let w = work.width();
        let radius = |mm: f64| ((mm * work.px_per_mm).round() as usize).max(1);
        let [l, a, b] = [&work.l.data, &work.a.data, &work.b.data];
        let ((l, square), (a, b)) = rayon::join(
            || (Fixed::new(l, w), Fixed::squares(l, w)),
            || (Fixed::new(a, w), Fixed::new(b, w)),
        );
        let steps = STEPS_MM.map(|mm| ((mm * work.px_per_mm).round() as usize).max(1));
        let across = floor.across(0..w);
        let (fixed, radii) = ([l, a, b, square], RADII_MM.map(radius));
        Neighbourhoods { work, floor, fixed, radii, steps, across }
    }

    /// Pictures and radii of the means: L*, a*, b* with each radius, L*² with the lesser two.
    #[inline(always)]
    fn windows(&self) -> impl Iterator<Item = (&Fixed, usize)> {
        let colours = (0..9).map(|i| (&self.fixed[i % 3], self.radii[i / 3]));
        colours.chain((0..2).map(|k| (&self.fixed[3], self.radii[k])))
    }

    /// Row `y + dy` of a plane, the first and last repeated.
    #[inline(always)]
    fn line<'p>(&self, plane: &'p [f32], y: usize, dy: isize) -> &'p [f32] {
        let (w, h) = (self.work.width(), self.work.height());
        let y = (y as isize + dy).clamp(0, h as isize - 1) as usize;
        &plane[y * w..(y + 1) * w]
    }

    /// The measures of the pixels `cols` of row `y`; `measures` is how many the row has room for.
    #[inline(always)]
    fn fill(&self, y: usize, cols: Range<usize>, row: &mut Row, measures: usize) {
        let w = self.work.width();
        let n = cols.len();
        row.reset(n, measures);
        let mut means = std::mem::take(&mut row.means);
        row.around.seek(y, self.windows());
        for (k, out) in means.iter_mut().enumerate() {
            out.resize(n, 0.0);
            let of = if k < 9 { k % 3 } else { 3 };
            row.around.means(k, &self.fixed[of], cols.clone(), out);
        }
        let mut floor = std::mem::take(&mut row.floor);
        let mut shifted = std::mem::take(&mut row.shifted);
        self.floor.row(y, &self.across[cols.clone()], &mut floor);
        let span = y * w + cols.start..y * w + cols.end;
        let planes = [&self.work.l.data, &self.work.a.data, &self.work.b.data];
        let lab = planes.map(|p| &p[span.clone()]);
        for c in 0..3 {
            row.of(c).copy_from_slice(lab[c]);
            row.of(3 + c).copy_from_slice(&floor[c]);
            subtract(lab[c], &floor[c], row.of(6 + c));
            for k in 0..3 {
                subtract(lab[c], &means[3 * k + c], row.of(9 + 3 * k + c));
            }
        }
        subtract(&self.work.rg.data[span.clone()], &floor[3], row.of(18));
        subtract(&self.work.bg.data[span.clone()], &floor[4], row.of(19));
        for k in 0..2 {
            let (square, mean) = (&means[9 + k], &means[3 * k]);
            for ((o, s), m) in row.of(20 + k).iter_mut().zip(square).zip(mean) {
                *o = (s - m * m).max(0.0).sqrt();
            }
        }
        for (k, &step) in self.steps.iter().enumerate() {
            let at = 22 + 3 * k;
            row.of(at).fill(f32::MIN);
            row.of(at + 1).fill(f32::MAX);
            row.of(at + 2).fill(0.0);
            for [dx, dy] in DIRECTIONS {
                let (dx, dy) = (dx * step as isize, dy * step as isize);
                let [rl, ra, rb, sl, sa, sb] = &mut shifted;
                let [l, a, b] = planes;
                let pl = &moved(self.line(l, y, dy), &cols, dx, rl)[..n];
                let pa = &moved(self.line(a, y, dy), &cols, dx, ra)[..n];
                let pb = &moved(self.line(b, y, dy), &cols, dx, rb)[..n];
                let ql = &moved(self.line(l, y, -dy), &cols, -dx, sl)[..n];
                let qa = &moved(self.line(a, y, -dy), &cols, -dx, sa)[..n];
                let qb = &moved(self.line(b, y, -dy), &cols, -dx, sb)[..n];
                let own = &lab[0][..n];
                let (deep, rest) = row.values[at * n..(at + 3) * n].split_at_mut(n);
                let (high, edge) = rest.split_at_mut(n);
                let edge = &mut edge[..n];
                for x in 0..n {
                    let valley = (pl[x] + ql[x]) * 0.5 - own[x];
                    deep[x] = deep[x].max(valley);
                    high[x] = high[x].min(valley);
                    let (dl, da, db) = (pl[x] - ql[x], pa[x] - qa[x], pb[x] - qb[x]);
                    edge[x] = edge[x].max(dl * dl + da * da + db * db);
                }
            }
            row.of(at + 2).iter_mut().for_each(|v| *v = v.sqrt());
        }
        for k in 0..2 {
            let (a, b) = (&means[3 * k + 1][..n], &means[3 * k + 2][..n]);
            let (fa, fb) = (&floor[1][..n], &floor[2][..n]);
            let out = &mut row.of(28 + k)[..n];
            for x in 0..n {
                let (da, db) = (a[x] - fa[x], b[x] - fb[x]);
                out[x] = (da * da + db * db).sqrt();
            }
        }
        subtract(&means[3], &floor[0], row.of(30));
        subtract(&means[6], &floor[0], row.of(31));
        row.means = means;
        row.floor = floor;
        row.shifted = shifted;
    }
}

#[inline(always)]
fn subtract(a: &[f32], b: &[f32], out: &mut [f32]) {
    for ((o, a), b) in out.iter_mut().zip(a).zip(b) {
        *o = a - b;
    }
}

/// Where measures of pixels come from, a row at a time.
pub trait Rows: Sync {
    /// How many measures a pixel has.
    const MEASURES: usize;
    /// Computes the measures of the pixels `cols` of row `y`.
    fn row(&self, y: usize, cols: Range<usize>, row: &mut Row);
    /// Leaves out of `asked`, columns of row `y`, those that need no look.
    fn spare(&self, _y: usize, _row: &mut Row, _asked: &mut Vec<usize>) {}
}

impl Rows for Neighbourhoods<'_> {
    const MEASURES: usize = FEATURES;

    fn row(&self, y: usize, cols: Range<usize>, row: &mut Row) {
        struct Fill<'a>(&'a Neighbourhoods<'a>, usize, Range<usize>, &'a mut Row);
        impl pulp::WithSimd for Fill<'_> {
            type Output = ();
            #[inline(always)]
            fn with_simd<S: pulp::Simd>(self, _: S) {
                self.0.fill(self.1, self.2, self.3, FEATURES);
            }
        }
        pulp::Arch::new().dispatch(Fill(self, y, cols, row));
    }
}

/// Measures of the second look: those of the first and what the first look said around.
pub const CONTEXT_FEATURES: usize = FEATURES + 14;

/// Around a pixel, the first look's answer: it tells an object's inside from a stain's, and a
/// gap between berries from a highlight on one.
pub struct Context<'a> {
    hoods: &'a Neighbourhoods<'a>,
    first: &'a Evidence,
    /// Object, seam, and steepness of L*.
    fixed: [Fixed; 3],
    /// Squared distance to the outline, work px²: inside an object above nought, outside below.
    depth: Vec<i16>,
}

/// Pictures of [`Context::fixed`] and radii of [`Neighbourhoods`] that the means are of.
const ANSWER_MEANS: [(usize, usize); 7] = [(0, 0), (0, 1), (0, 2), (1, 0), (1, 1), (2, 0), (2, 1)];

/// Distances beyond this tell nothing more, mm.
const REACH_MM: f32 = 6.0;

impl<'a> Context<'a> {
    /// Prepares answers in whole numbers, and distances.
    pub fn new(hoods: &'a Neighbourhoods<'a>, first: &'a Evidence) -> Self {
        let w = first.object.width;
        let on: Vec<bool> = first.object.data.iter().map(|v| *v > 0.5).collect();
        // Beyond the reach all distances are one.
        let reach = (f64::from(REACH_MM) * hoods.work.px_per_mm).ceil() as usize + 1;
        let (edge, (object, seam)) = rayon::join(
            || Fixed::new(&slopes(&hoods.work.l), w),
            || (Fixed::new(&first.object.data, w), Fixed::new(&first.seam.data, w)),
        );
        let depth = signed_squares(&on, w, reach);
        Context { hoods, first, fixed: [object, seam, edge], depth }
    }

    /// Pictures and radii of the means.
    #[inline(always)]
    fn windows(&self) -> impl Iterator<Item = (&Fixed, usize)> {
        ANSWER_MEANS.iter().map(|&(k, r)| (&self.fixed[k], self.hoods.radii[r]))
    }

    /// Leaves out the columns where the first look leaves nothing to ask: plain floor all around, or
    /// nothing but an object.
    #[inline(always)]
    fn spare_plain(&self, y: usize, row: &mut Row, asked: &mut Vec<usize>) {
        let w = self.hoods.work.width();
        let Some((&from, &last)) = asked.first().zip(asked.last()) else { return };
        row.around_answer.seek(y, self.windows());
        row.near.resize(last + 1 - from, 0.0);
        row.seams.resize(last + 1 - from, 0.0);
        for (window, out) in [(0, &mut row.near), (4, &mut row.seams)] {
            let of = &self.fixed[ANSWER_MEANS[window].0];
            row.around_answer.means(window, of, from..last + 1, out);
        }
        let object = &self.first.object.data[y * w..(y + 1) * w];
        asked.retain(|&x| {
            let (near, seams) = (row.near[x - from], row.seams[x - from]);
            let floor = near < 0.01 && object[x] < 0.05;
            let inside = near > 0.97 && seams < 0.03 && object[x] >= SURE;
            !(floor || inside)
        });
    }

    #[inline(always)]
    fn fill(&self, y: usize, cols: Range<usize>, row: &mut Row) {
        self.hoods.fill(y, cols.clone(), row, CONTEXT_FEATURES);
        let w = self.hoods.work.width();
        let n = cols.len();
        let span = y * w + cols.start..y * w + cols.end;
        row.of(FEATURES).copy_from_slice(&self.first.object.data[span.clone()]);
        row.of(FEATURES + 1).copy_from_slice(&self.first.seam.data[span.clone()]);
        let mut around = std::mem::take(&mut row.around_answer);
        around.seek(y, self.windows());
        for (k, (of, _)) in ANSWER_MEANS.into_iter().enumerate() {
            around.means(k, &self.fixed[of], cols.clone(), row.of(FEATURES + 2 + k));
        }
        row.around_answer = around;
        let ppm = self.hoods.work.px_per_mm as f32;
        for (k, sign) in [(9, 1i16), (10, -1)] {
            for (o, d) in row.of(FEATURES + k).iter_mut().zip(&self.depth[span.clone()]) {
                *o = (f32::from((d * sign).max(0)).sqrt() / ppm).min(REACH_MM);
            }
        }
        let step = self.hoods.steps[1] as isize;
        let at = FEATURES + 11;
        row.of(at).fill(1.0);
        row.of(at + 1).fill(0.0);
        let mut shifted = std::mem::take(&mut row.shifted);
        let object = &self.first.object.data;
        for [dx, dy] in DIRECTIONS {
            let (dx, dy) = (dx * step, dy * step);
            let [r, s, ..] = &mut shifted;
            let p = &moved(self.hoods.line(object, y, dy), &cols, dx, r)[..n];
            let q = &moved(self.hoods.line(object, y, -dy), &cols, -dx, s)[..n];
            let (low, high) = row.values[at * n..(at + 2) * n].split_at_mut(n);
            let high = &mut high[..n];
            for x in 0..n {
                let both = p[x].min(q[x]);
                low[x] = low[x].min(both);
                high[x] = high[x].max(both);
            }
        }
        row.shifted = shifted;
        let (means, last) = row.values.split_at_mut((FEATURES + 13) * n);
        let near = &means[(FEATURES + 5) * n..];
        subtract(&near[..n], &near[n..2 * n], last);
    }
}

impl Rows for Context<'_> {
    const MEASURES: usize = CONTEXT_FEATURES;

    fn row(&self, y: usize, cols: Range<usize>, row: &mut Row) {
        struct Fill<'a>(&'a Context<'a>, usize, Range<usize>, &'a mut Row);
        impl pulp::WithSimd for Fill<'_> {
            type Output = ();
            #[inline(always)]
            fn with_simd<S: pulp::Simd>(self, _: S) {
                self.0.fill(self.1, self.2, self.3);
            }
        }
        pulp::Arch::new().dispatch(Fill(self, y, cols, row));
    }

    fn spare(&self, y: usize, row: &mut Row, asked: &mut Vec<usize>) {
        struct Spare<'a>(&'a Context<'a>, usize, &'a mut Row, &'a mut Vec<usize>);
        impl pulp::WithSimd for Spare<'_> {
            type Output = ();
            #[inline(always)]
            fn with_simd<S: pulp::Simd>(self, _: S) {
                self.0.spare_plain(self.1, self.2, self.3);
            }
        }
        pulp::Arch::new().dispatch(Spare(self, y, row, asked));
    }
}

/// Steepness of a plane (central differences, clamped at the border).
fn slopes(plane: &Plane) -> Vec<f32> {
    struct Slopes<'a>(&'a [f32], &'a [f32], &'a [f32], &'a mut [f32]);
    impl pulp::WithSimd for Slopes<'_> {
        type Output = ();
        #[inline(always)]
        fn with_simd<S: pulp::Simd>(self, _: S) {
            let Slopes(above, own, below, out) = self;
            let n = out.len();
            let (above, own, below) = (&above[..n], &own[..n], &below[..n]);
            let steep = |left: f32, right: f32, x: usize| {
                let (gx, gy) = (right - left, below[x] - above[x]);
                (gx * gx + gy * gy).sqrt()
            };
            for x in 1..n.saturating_sub(1) {
                out[x] = steep(own[x - 1], own[x + 1], x);
            }
            for x in [0, n - 1] {
                out[x] = steep(own[x.saturating_sub(1)], own[(x + 1).min(n - 1)], x);
            }
        }
    }
    let (w, h) = (plane.width, plane.height);
    let line = |y: usize| &plane.data[y * w..(y + 1) * w];
    let mut out = vec![0.0; plane.data.len()];
    out.par_chunks_mut(w).enumerate().for_each(|(y, row)| {
        let (above, below) = (line(y.saturating_sub(1)), line((y + 1).min(h - 1)));
        pulp::Arch::new().dispatch(Slopes(above, line(y), below, row));
    });
    out
}

/// Object evidence from which the first look may stand where all around says the same.
const SURE: f32 = 0.95;

/// First look at every allowed work pixel; others get 0.
pub fn judge(hoods: &Neighbourhoods, allowed: &[bool], network: &Network) -> Evidence {
    let mut evidence = Evidence::nothing(hoods.work);
    evaluate(&mut evidence, hoods, network, allowed);
    evidence
}

/// Second look, with the first look's answer around each pixel in view.
pub fn judge_again(context: &Context, allowed: &[bool], network: &Network) -> Evidence {
    // Where nothing is asked, it stays floor or what the first look saw in the middle of an object.
    let mut evidence = Evidence::nothing(context.hoods.work);
    let first = context.first.object.data.iter().zip(&context.first.seam.data);
    let second = evidence.object.data.iter_mut().zip(&mut evidence.seam.data);
    for ((object, seam), (first, first_seam)) in second.zip(first) {
        if *first >= SURE {
            (*object, *seam) = (*first, *first_seam);
        }
    }
    evaluate(&mut evidence, context, network, allowed);
    evidence
}

/// Evidence without anything learned: colour difference from the floor against Otsu's threshold
/// (1979), the step softened over a fifth of it.
///
/// Where that threshold does not stand clear of what bare floor reaches (three times its 95th
/// percentile), the floor is restless and the objects are in places as dark or as light as it.
/// Then half the threshold serves outside the bare floor (not below that percentile), and what
/// holds no bare floor and is enclosed counts as object.
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
    let across = floor.columns;
    let bare = |i: usize| floor.bare[i / w / floor.cell * across + i % w / floor.cell];
    let (mut all, mut plain) = ([0u64; 256], [0u64; 256]);
    for (i, v) in away.data.iter().enumerate().filter(|(i, _)| allowed[*i]) {
        let bin = ((v * 2.0) as usize).min(255);
        all[bin] += 1;
        plain[bin] += u64::from(bare(i));
    }
    let threshold = (otsu(&all) as f32 + 1.0) / 2.0;
    let restless = quantile(&plain, 0.95);
    let clear = threshold >= 3.0 * restless;
    let low = if clear { threshold } else { (threshold / 2.0).max(restless).min(threshold) };
    let mut object = away;
    for (i, v) in object.data.iter_mut().enumerate() {
        let threshold = if clear || bare(i) { threshold } else { low };
        let soft = (threshold * 0.1).max(0.25);
        *v = if allowed[i] { 1.0 / (1.0 + (-(*v - threshold) / soft).exp()) } else { 0.0 };
    }
    if !clear {
        for runs in super::split::components(w, h, |i| object.data[i] < 0.5) {
            let enclosed = runs.iter().all(|&(y, a, b)| {
                let (y, a, b) = (y as usize, a as usize, b as usize);
                let inside = y > 0 && y + 1 < h && a > 0 && b < w;
                inside && (y * w + a..y * w + b).all(|i| allowed[i] && !bare(i))
            });
            if enclosed {
                for (y, a, b) in runs {
                    let row = y as usize * w;
                    object.data[row + a as usize..row + b as usize].fill(1.0);
                }
            }
        }
    }
    Evidence { object, seam: Plane::filled(w, h, 0.0) }
}

/// Quantile of a histogram of half units (0 when empty): the upper end of the bin that it lies in.
fn quantile(counts: &[u64; 256], share: f64) -> f32 {
    let wanted = counts.iter().sum::<u64>() as f64 * share;
    let mut n = 0u64;
    for (i, c) in counts.iter().enumerate() {
        n += c;
        if n > 0 && n as f64 >= wanted {
            return (i as f32 + 1.0) / 2.0;
        }
    }
    0.0
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

/// Pixels of a few rows, gathered until the network can take a whole block.
#[derive(Default)]
struct Gathered {
    row: Row,
    /// Columns asked about in the row at hand.
    asked: Vec<usize>,
    values: Vec<[f32; BLOCK]>,
    /// Place of each gathered pixel among those of the rows.
    places: Vec<usize>,
    scratch: Scratch,
}

impl Gathered {
    /// Asks the network about the gathered pixels and hands out its answers.
    fn answer(&mut self, network: &Ready, object: &mut [f32], seam: &mut [f32]) {
        network.eval_block(self.values.as_flattened(), BLOCK, &mut self.scratch);
        let out = self.scratch.outputs();
        for (k, &i) in self.places.iter().enumerate() {
            object[i] = out[0][k];
            seam[i] = out[1][k];
        }
        self.places.clear();
    }
}

/// Rows that are done together, so that few blocks stay half empty.
const TOGETHER: usize = 8;
/// Parts that one core does at least one after another, since means around rows go on from row to row.
const AT_A_TIME: usize = 4;
/// Columns that are computed though not asked about, rather than to begin anew after them.
const GAP: usize = 24;

/// Asks the network about every allowed pixel that is worth a look; the others keep what they have.
fn evaluate<R: Rows>(evidence: &mut Evidence, rows: &R, network: &Network, allowed: &[bool]) {
    let w = evidence.object.width;
    let object = evidence.object.data.par_chunks_mut(w * TOGETHER);
    let seam = evidence.seam.data.par_chunks_mut(w * TOGETHER);
    let network = &network.ready();
    let parts = object.zip(seam).enumerate().with_min_len(AT_A_TIME);
    parts.for_each_init(Gathered::default, |g, (part, (object, seam))| {
        g.values.resize(R::MEASURES, [0.0; BLOCK]);
        let first = part * TOGETHER;
        for y in first..first + object.len() / w {
            let mut asked = std::mem::take(&mut g.asked);
            asked.clear();
            let allowed = &allowed[y * w..(y + 1) * w];
            asked.extend((0..w).filter(|x| allowed[*x]));
            rows.spare(y, &mut g.row, &mut asked);
            for near in asked.chunk_by(|a, b| b - a <= GAP) {
                let (from, to) = (near[0], near[near.len() - 1] + 1);
                rows.row(y, from..to, &mut g.row);
                let n = to - from;
                for run in near.chunk_by(|a, b| a + 1 == *b) {
                    let (blocks, rest) = run.as_chunks::<BLOCK>();
                    for block in blocks {
                        let place = (y - first) * w + block[0];
                        network.eval_block(&g.row.values[block[0] - from..], n, &mut g.scratch);
                        let out = g.scratch.outputs();
                        object[place..place + BLOCK].copy_from_slice(&out[0]);
                        seam[place..place + BLOCK].copy_from_slice(&out[1]);
                    }
                    let mut rest = rest;
                    while !rest.is_empty() {
                        let at = g.places.len();
                        let (now, later) = rest.split_at(rest.len().min(BLOCK - at));
                        for (m, out) in g.values.iter_mut().enumerate() {
                            let source = &g.row.values[m * n + now[0] - from..][..now.len()];
                            out[at..at + now.len()].copy_from_slice(source);
                        }
                        g.places.extend(now.iter().map(|x| (y - first) * w + x));
                        rest = later;
                        if g.places.len() == BLOCK {
                            g.answer(network, object, seam);
                        }
                    }
                }
            }
            g.asked = asked;
        }
        if !g.places.is_empty() {
            g.answer(network, object, seam);
        }
    });
}
