//! For each work pixel: does it show an object, and does it lie on the seam between two objects?
//!
//! A small network looks at local measures: the pixel's colour, the floor's colour there, what is
//! left of the difference when shade is divided out, contrast with neighbourhoods of several
//! widths, local roughness, and valleys and edges across the pixel.

use std::ops::Range;
use std::slice::ChunksExactMut;

use rayon::prelude::*;

use super::distance::{Room, Signed};
use super::floor::{Fixed, Floor, Window};
use super::work::Work;
use super::{Plane, beside, runs};
use crate::network::{BLOCK, MadeOf, Network, Ready, Scratch};

/// Number of local measures.
pub const FEATURES: usize = 32;

/// Numbers that they are made of: the colour, the floor's, the means of L*, a*, b* for each radius
/// and then what is no difference.
const READ: usize = 27;

/// What the measures are made of: the colour and the floor's; their difference; the colour less its
/// means; what is read as it is; and the wider means of L* less the floor's.
const MADE_OF: [MadeOf; FEATURES] = {
    let mut made_of = [MadeOf::read(0); FEATURES];
    let mut c = 0;
    while c < 3 {
        (made_of[c], made_of[3 + c]) = (MadeOf::read(c), MadeOf::read(3 + c));
        made_of[6 + c] = MadeOf::difference(c, 3 + c);
        let mut k = 0;
        while k < 3 {
            made_of[9 + 3 * k + c] = MadeOf::difference(c, 6 + 3 * k + c);
            k += 1;
        }
        c += 1;
    }
    let mut i = 0;
    while i < 12 {
        made_of[18 + i] = MadeOf::read(15 + i);
        i += 1;
    }
    (made_of[30], made_of[31]) = (MadeOf::difference(9, 3), MadeOf::difference(12, 3));
    made_of
};

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

/// What the measures are read from: the picture, its floor, and the planes that means around each
/// pixel are of.
pub struct Neighbourhoods<'a> {
    work: &'a Work,
    floor: &'a Floor,
    /// L*, a*, b* and L*².
    fixed: [Fixed<'a>; 4],
    radii: [usize; 3],
    steps: [usize; 2],
}

/// Radii of the neighbourhoods, mm.
const RADII_MM: [f64; 3] = [0.5, 1.5, 4.0];
/// Distances of the points compared across a pixel, mm.
const STEPS_MM: [f64; 2] = [0.5, 1.25];
/// Four directions across a pixel, two and two.
const DIRECTIONS: [[[isize; 2]; 2]; 2] = [[[1, 0], [0, 1]], [[1, 1], [1, -1]]];

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
    fn seek<'f>(&mut self, y: usize, of: impl Iterator<Item = (Fixed<'f>, usize)>) {
        if self.windows.is_empty() || y < self.y || y > self.y + AHEAD {
            self.windows.clear();
            self.windows.extend(of.map(|(fixed, radius)| Window::at(fixed, radius, y)));
        } else {
            for (window, (fixed, _)) in self.windows.iter_mut().zip(of) {
                // No `for_each`: what it runs in is compiled apart, without the wider vectors.
                for _ in self.y..y {
                    window.advance(fixed);
                }
            }
        }
        self.y = y;
    }

    /// Means of one of the windows, which is of the picture `of`, around the columns `cols`.
    #[inline(always)]
    fn means(&mut self, window: usize, of: Fixed, cols: Range<usize>, out: &mut [f32]) {
        self.windows[window].means(of, cols, &mut self.sums, out);
    }
}

/// Rows that windows are moved on over rather than begun anew.
const AHEAD: usize = 16;

/// What is read of work pixels side by side in one row, number after number, and room to work in.
/// One serves one [`Rows`], best from top to bottom.
#[derive(Debug, Clone, Default)]
pub struct Row {
    width: usize,
    values: Vec<f32>,
    shifted: [[Vec<f32>; 6]; 2],
    around: Around,
    /// Around the first look's answer.
    around_answer: Around,
    /// Room for [`Floor::row`].
    places: Vec<f32>,
    near: Vec<f32>,
    seams: Vec<f32>,
    depth: Vec<i16>,
    room: Room,
}

impl Row {
    /// Room for `read` numbers of `width` pixels; what was there stays, since all is overwritten.
    fn reset(&mut self, width: usize, read: usize) {
        self.width = width;
        self.values.resize(self.values.len().max(width * read), 0.0);
    }

    /// The measures of one pixel, by its place among those that were asked for.
    pub fn pixel(&self, x: usize, made_of: &[MadeOf]) -> impl Iterator<Item = f32> {
        made_of.iter().map(move |m| m.value(|of| self.values[of * self.width + x]))
    }
}

/// Colours some way off to one side of each pixel of a row, and as far off to the other.
struct Ends<'r> {
    one: [&'r [f32]; 3],
    other: [&'r [f32]; 3],
}

impl Ends<'_> {
    /// The first `n` vectors of each.
    #[inline(always)]
    fn vectors<S: pulp::Simd>(&self, n: usize) -> [[&[S::f32s]; 3]; 2] {
        let ([l, a, b], [m, c, d]) = (self.one, self.other);
        [
            [first::<S>(l, n), first::<S>(a, n), first::<S>(b, n)],
            [first::<S>(m, n), first::<S>(c, n), first::<S>(d, n)],
        ]
    }

    /// From column `x` on.
    #[inline(always)]
    fn after(&self, x: usize) -> Ends<'_> {
        let ([l, a, b], [m, c, d]) = (self.one, self.other);
        Ends { one: [&l[x..], &a[x..], &b[x..]], other: [&m[x..], &c[x..], &d[x..]] }
    }
}

/// The first `n` vectors.
#[inline(always)]
fn first<S: pulp::Simd>(values: &[f32], n: usize) -> &[S::f32s] {
    &S::as_simd_f32s(values).0[..n]
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
    /// Of a picture and its floor.
    pub fn new(work: &'a Work, floor: &'a Floor) -> Self {
        let w = work.width();
        let px = |mm: f64| ((mm * work.px_per_mm).round() as usize).max(1);
        let [l, a, b] = [&work.l, &work.a, &work.b].map(|plane| Fixed::new(&plane.data, w));
        let fixed = [l, a, b, Fixed::squares(&work.l.data, w)];
        Neighbourhoods { work, floor, fixed, radii: RADII_MM.map(px), steps: STEPS_MM.map(px) }
    }

    /// Pictures and radii of the means: L*, a*, b* with each radius, L*² with the lesser two.
    #[inline(always)]
    fn windows(&self) -> impl Iterator<Item = (Fixed<'_>, usize)> {
        let colours = (0..9).map(|i| (self.fixed[i % 3], self.radii[i / 3]));
        colours.chain((0..2).map(|k| (self.fixed[3], self.radii[k])))
    }

    /// Row `y + dy` of a plane, the first and last repeated.
    #[inline(always)]
    fn line<'p>(&self, plane: &'p [f32], y: usize, dy: isize) -> &'p [f32] {
        let (w, h) = (self.work.width(), self.work.height());
        let y = (y as isize + dy).clamp(0, h as isize - 1) as usize;
        &plane[y * w..(y + 1) * w]
    }

    /// The colours `dx`, `dy` away from the pixels `cols` of row `y` to either side.
    #[inline(always)]
    fn ends<'r>(
        &'r self,
        y: usize,
        cols: &Range<usize>,
        [dx, dy]: [isize; 2],
        room: &'r mut [Vec<f32>; 6],
    ) -> Ends<'r> {
        let planes = [&self.work.l.data, &self.work.a.data, &self.work.b.data];
        let mut rooms = room.iter_mut();
        let [one, other] = [1, -1].map(|side| {
            let mut ends = planes.map(|plane| self.line(plane, y, side * dy));
            for (end, room) in ends.iter_mut().zip(&mut rooms) {
                *end = &moved(end, cols, side * dx, room)[..cols.len()];
            }
            ends
        });
        Ends { one, other }
    }

    /// What the measures of the pixels `cols` (at least one) of row `y` are made of; `read` is how
    /// many numbers the row has room for.
    #[inline(always)]
    fn fill<S: pulp::Simd>(
        &self,
        simd: S,
        y: usize,
        cols: Range<usize>,
        row: &mut Row,
        read: usize,
    ) {
        let n = cols.len();
        row.reset(n, read);
        let mut parts = row.values.chunks_exact_mut(n);
        let (mut lab, mut floor): ([_; 3], [_; 3]) = (take(&mut parts), take(&mut parts));
        let (mut means, mut ratios): ([_; 9], [_; 2]) = (take(&mut parts), take(&mut parts));
        let mut rough: [_; 2] = take(&mut parts);
        let across: [[_; 3]; 2] = [take(&mut parts), take(&mut parts)];
        let chroma: [_; 2] = take(&mut parts);
        let Work { l, a, b, rg, bg, .. } = self.work;
        let span = y * self.work.width() + cols.start..y * self.work.width() + cols.end;
        for (out, plane) in lab.iter_mut().zip([l, a, b]) {
            out.copy_from_slice(&plane.data[span.clone()]);
        }
        let ([fl, fa, fb], [frg, fbg]) = (floor.each_mut(), ratios.each_mut());
        self.floor.row(y, cols.clone(), &mut row.places, [fl, fa, fb, frg, fbg]);
        for (out, plane) in ratios.iter_mut().zip([rg, bg]) {
            out.iter_mut().zip(&plane.data[span.clone()]).for_each(|(o, v)| *o = v - *o);
        }
        row.around.seek(y, self.windows());
        for (k, out) in means.iter_mut().enumerate() {
            row.around.means(k, self.fixed[k % 3], cols.clone(), out);
        }
        for (k, out) in rough.iter_mut().enumerate() {
            row.around.means(9 + k, self.fixed[3], cols.clone(), out);
            for (o, m) in out.iter_mut().zip(&*means[3 * k]) {
                *o = (*o - m * m).max(0.0).sqrt();
            }
        }
        for (step, out) in self.steps.into_iter().zip(across) {
            self.across(simd, (y, &cols, step as isize), lab[0], &mut row.shifted, out);
        }
        for (k, out) in chroma.into_iter().enumerate() {
            let [a, b, fa, fb] =
                [&means[3 * k + 1], &means[3 * k + 2], &floor[1], &floor[2]].map(|v| &v[..n]);
            for (x, o) in out.iter_mut().enumerate() {
                let (da, db) = (a[x] - fa[x], b[x] - fb[x]);
                *o = (da * da + db * db).sqrt();
            }
        }
    }

    /// Of four directions across each pixel: how much lighter both ends are than the pixel, at most
    /// and at least, and how much their colours differ at most.
    #[inline(always)]
    fn across<S: pulp::Simd>(
        &self,
        simd: S,
        (y, cols, step): (usize, &Range<usize>, isize),
        own: &[f32],
        room: &mut [[Vec<f32>; 6]; 2],
        mut out: [&mut [f32]; 3],
    ) {
        let [first, second] = room;
        let whole = own.len() / S::F32_LANES * S::F32_LANES;
        // Two directions at once, so that the extremes need not be written down for each.
        for (k, [d, e]) in DIRECTIONS.into_iter().enumerate() {
            let d = self.ends(y, cols, d.map(|v| v * step), first);
            let e = self.ends(y, cols, e.map(|v| v * step), second);
            extremes(simd, [&d, &e], own, out.each_mut().map(|v| &mut **v), k == 0);
            // What does not fill a vector.
            let ends = [&d.after(whole), &e.after(whole)];
            let rest = out.each_mut().map(|v| &mut v[whole..]);
            extremes(pulp::Scalar::new(), ends, &own[whole..], rest, k == 0);
        }
        for v in out[2].iter_mut() {
            *v = v.sqrt();
        }
    }
}

/// Takes two directions into the extremes, most and least light of the ends and the square of the
/// ends' difference; the first begin them. Vectors by hand: so many pictures are read here that the
/// compiler cannot always tell them from those that are written.
#[inline(always)]
fn extremes<S: pulp::Simd>(
    simd: S,
    directions: [&Ends; 2],
    own: &[f32],
    out: [&mut [f32]; 3],
    begin: bool,
) {
    let own = S::as_simd_f32s(own).0;
    let n = own.len();
    let [d, e] = directions;
    let [d, e] = [d.vectors::<S>(n), e.vectors::<S>(n)];
    let [most, least, edge] = out.map(|v| &mut S::as_mut_simd_f32s(v).0[..n]);
    for x in 0..n {
        let ([v, apart], [w, other]) = (compare(simd, &d, x, own[x]), compare(simd, &e, x, own[x]));
        let (high, low) = (simd.max_f32s(v, w), simd.min_f32s(v, w));
        let apart = simd.max_f32s(apart, other);
        (most[x], least[x], edge[x]) = if begin {
            (high, low, apart)
        } else {
            let (most, least) = (simd.max_f32s(most[x], high), simd.min_f32s(least[x], low));
            (most, least, simd.max_f32s(edge[x], apart))
        };
    }
}

/// How much lighter both ends are than the pixels between, and the square of how much their colours
/// differ.
#[inline(always)]
fn compare<S: pulp::Simd>(
    simd: S,
    [one, other]: &[[&[S::f32s]; 3]; 2],
    x: usize,
    own: S::f32s,
) -> [S::f32s; 2] {
    let light = simd.mul_f32s(simd.add_f32s(one[0][x], other[0][x]), simd.splat_f32s(0.5));
    let dl = simd.sub_f32s(one[0][x], other[0][x]);
    let da = simd.sub_f32s(one[1][x], other[1][x]);
    let db = simd.sub_f32s(one[2][x], other[2][x]);
    let colour = simd.add_f32s(simd.mul_f32s(dl, dl), simd.mul_f32s(da, da));
    [simd.sub_f32s(light, own), simd.add_f32s(colour, simd.mul_f32s(db, db))]
}

/// The next `K` rows of numbers.
#[inline(always)]
fn take<'v, const K: usize>(parts: &mut ChunksExactMut<'v, f32>) -> [&'v mut [f32]; K] {
    std::array::from_fn(|_| parts.next().unwrap_or_default())
}

/// Side of the squares that are plain floor or not, work px.
const CELL: usize = 4;
/// What the mean of two by two pixels of plain floor may be off the floor: L*, and a* with b*. Rows
/// are taken two and two, so that nothing hides that is three pixels high.
const PLAIN: [f32; 2] = [4.0, 3.0];

impl Neighbourhoods<'_> {
    /// Allowed pixels but for plain floor: cells that look like the floor all over, and so do those
    /// beside them. Nothing that can be seen hides there.
    fn not_plain(&self, allowed: &[bool]) -> Vec<bool> {
        struct Stir<'a>(&'a Neighbourhoods<'a>, usize, &'a mut Row, &'a mut [bool]);
        impl pulp::WithSimd for Stir<'_> {
            type Output = ();
            #[inline(always)]
            fn with_simd<S: pulp::Simd>(self, _: S) {
                self.0.stirred(self.1, self.2, self.3);
            }
        }
        let (w, h) = (self.work.width(), self.work.height());
        let columns = w.div_ceil(CELL);
        let mut stirred = vec![false; columns * h.div_ceil(CELL)];
        stirred.par_chunks_mut(columns).enumerate().for_each_init(Row::default, |row, (k, out)| {
            pulp::Arch::new().dispatch(Stir(self, k * CELL, row, out));
        });
        let mut asked = allowed.to_vec();
        asked.par_chunks_mut(w * CELL).enumerate().for_each(|(k, rows)| {
            let plain =
                |i: usize| !stirred[i] && beside(i, columns, stirred.len()).all(|j| !stirred[j]);
            for x in (0..columns).filter(|x| plain(k * columns + x)) {
                let cols = x * CELL..((x + 1) * CELL).min(w);
                rows.chunks_exact_mut(w).for_each(|row| row[cols.clone()].fill(false));
            }
        });
        asked
    }

    /// Which cells of the rows from `y` on differ from the floor somewhere.
    #[inline(always)]
    fn stirred(&self, y: usize, row: &mut Row, out: &mut [bool]) {
        let (w, h) = (self.work.width(), self.work.height());
        row.reset(w, 9);
        let mut parts = row.values.chunks_exact_mut(w);
        let (mut floor, mut off): ([_; 5], [_; 3]) = (take(&mut parts), take(&mut parts));
        let [most] = take(&mut parts);
        let under = floor.each_mut().map(|v| &mut **v);
        self.floor.row((y + CELL / 2).min(h - 1), 0..w, &mut row.places, under);
        most.fill(0.0);
        for top in (y..(y + CELL).min(h)).step_by(2) {
            let planes = [&self.work.l.data, &self.work.a.data, &self.work.b.data];
            for ((off, plane), floor) in off.iter_mut().zip(planes).zip(&floor) {
                let (above, below) = (self.line(plane, top, 0), self.line(plane, top, 1));
                for (((o, a), b), f) in off.iter_mut().zip(above).zip(below).zip(&**floor) {
                    *o = 0.5 * (a + b) - f;
                }
            }
            let [l, a, b] = off.each_ref().map(|v| v.iter().zip(&v[1..]));
            let both = |(a, b): (&f32, &f32)| (0.5 * (a + b)).powi(2);
            for (((m, l), a), b) in most.iter_mut().zip(l).zip(a).zip(b) {
                let l = both(l) / (PLAIN[0] * PLAIN[0]);
                let colour = (both(a) + both(b)) / (PLAIN[1] * PLAIN[1]);
                *m = m.max(l).max(colour);
            }
        }
        for (out, most) in out.iter_mut().zip(most.chunks(CELL)) {
            *out = most.iter().any(|m| *m > 1.0);
        }
    }
}

/// Where measures of pixels come from, a row at a time.
pub trait Rows: Sync {
    /// How many numbers are read of a pixel.
    const READ: usize;
    /// What its measures are made of.
    const MADE_OF: &'static [MadeOf];
    /// Reads what the measures of the pixels `cols` of row `y` are made of.
    fn row(&self, y: usize, cols: Range<usize>, row: &mut Row);
    /// Leaves out of `asked`, which says it of the columns of row `y`, those that need no look.
    fn spare(&self, _y: usize, _row: &mut Row, _asked: &mut [bool]) {}
}

impl Rows for Neighbourhoods<'_> {
    const READ: usize = READ;
    const MADE_OF: &'static [MadeOf] = &MADE_OF;

    fn row(&self, y: usize, cols: Range<usize>, row: &mut Row) {
        struct Fill<'a>(&'a Neighbourhoods<'a>, usize, Range<usize>, &'a mut Row);
        impl pulp::WithSimd for Fill<'_> {
            type Output = ();
            #[inline(always)]
            fn with_simd<S: pulp::Simd>(self, simd: S) {
                self.0.fill(simd, self.1, self.2, self.3, READ);
            }
        }
        pulp::Arch::new().dispatch(Fill(self, y, cols, row));
    }
}

/// Measures of the second look: those of the first and what the first look said around.
pub const CONTEXT_FEATURES: usize = FEATURES + 14;

/// Numbers that they are made of: those of the first look; its answer, object and seam; the means of
/// [`ANSWER_MEANS`]; how deep inside and how far outside; and the answers across the pixel.
const CONTEXT_READ: usize = READ + 13;

/// What the measures are made of; the last is how much narrow seams stand out.
const CONTEXT_MADE_OF: [MadeOf; CONTEXT_FEATURES] = {
    let mut made_of = [MadeOf::read(0); CONTEXT_FEATURES];
    let mut i = 0;
    while i < CONTEXT_FEATURES {
        made_of[i] = if i < FEATURES { MADE_OF[i] } else { MadeOf::read(READ + i - FEATURES) };
        i += 1;
    }
    made_of[CONTEXT_FEATURES - 1] = MadeOf::difference(READ + 5, READ + 6);
    made_of
};

/// Around a pixel, the first look's answer: it tells an object's inside from a stain's, and a
/// gap between berries from a highlight on one.
pub struct Context<'a> {
    hoods: &'a Neighbourhoods<'a>,
    first: &'a Evidence,
    /// Steepness of L*.
    slopes: Vec<f32>,
    /// Distances to the outline: inside an object above nought, outside below.
    depth: Signed,
}

/// Pictures of [`Context::pictures`] and radii of [`Neighbourhoods`] that the means are of.
const ANSWER_MEANS: [(usize, usize); 7] = [(0, 0), (0, 1), (0, 2), (1, 0), (1, 1), (2, 0), (2, 1)];

/// Distances beyond this tell nothing more, mm.
const REACH_MM: f32 = 6.0;

impl<'a> Context<'a> {
    /// Prepares slopes and distances.
    pub fn new(hoods: &'a Neighbourhoods<'a>, first: &'a Evidence) -> Self {
        let w = first.object.width;
        let on: Vec<bool> = first.object.data.iter().map(|v| *v > 0.5).collect();
        // Beyond the reach all distances are one.
        let reach = (f64::from(REACH_MM) * hoods.work.px_per_mm).ceil() as usize + 1;
        let slopes = slopes(&hoods.work.l);
        Context { hoods, first, slopes, depth: Signed::new(on, w, reach) }
    }

    /// Object, seam, and steepness of L*.
    #[inline(always)]
    fn pictures(&self) -> [Fixed<'_>; 3] {
        let Evidence { object, seam } = self.first;
        [&object.data, &seam.data, &self.slopes].map(|data| Fixed::new(data, object.width))
    }

    /// Pictures and radii of the means.
    #[inline(always)]
    fn windows(&self) -> impl Iterator<Item = (Fixed<'_>, usize)> {
        let pictures = self.pictures();
        ANSWER_MEANS.iter().map(move |&(k, r)| (pictures[k], self.hoods.radii[r]))
    }

    /// Leaves out the columns where the first look leaves nothing to ask: plain floor all around, or
    /// nothing but an object.
    #[inline(always)]
    fn spare_plain(&self, y: usize, row: &mut Row, asked: &mut [bool]) {
        let w = self.hoods.work.width();
        row.around_answer.seek(y, self.windows());
        row.near.resize(w, 0.0);
        row.seams.resize(w, 0.0);
        for (window, out) in [(0, &mut row.near), (4, &mut row.seams)] {
            let of = self.pictures()[ANSWER_MEANS[window].0];
            row.around_answer.means(window, of, 0..w, out);
        }
        let object = &self.first.object.data[y * w..(y + 1) * w];
        let around = row.near.iter().zip(&row.seams).zip(object);
        for (asked, ((near, seams), object)) in asked.iter_mut().zip(around) {
            let floor = (*near < 0.01) & (*object < 0.05);
            let inside = (*near > 0.97) & (*seams < 0.03) & (*object >= SURE);
            *asked &= !(floor | inside);
        }
    }

    #[inline(always)]
    fn fill<S: pulp::Simd>(&self, simd: S, y: usize, cols: Range<usize>, row: &mut Row) {
        self.hoods.fill(simd, y, cols.clone(), row, CONTEXT_READ);
        let w = self.hoods.work.width();
        let n = cols.len();
        let span = y * w + cols.start..y * w + cols.end;
        let mut parts = row.values[READ * n..].chunks_exact_mut(n);
        let [object, seam] = take(&mut parts);
        object.copy_from_slice(&self.first.object.data[span.clone()]);
        seam.copy_from_slice(&self.first.seam.data[span.clone()]);
        let means: [_; ANSWER_MEANS.len()] = take(&mut parts);
        row.around_answer.seek(y, self.windows());
        for (k, ((of, _), out)) in ANSWER_MEANS.into_iter().zip(means).enumerate() {
            row.around_answer.means(k, self.pictures()[of], cols.clone(), out);
        }
        let ppm = self.hoods.work.px_per_mm as f32;
        let depths: [_; 2] = take(&mut parts);
        row.depth.resize(n, 0);
        self.depth.row(y, cols.clone(), &mut row.room, &mut row.depth);
        for (out, sign) in depths.into_iter().zip([1i16, -1]) {
            for (o, d) in out.iter_mut().zip(&row.depth) {
                *o = (f32::from((d * sign).max(0)).sqrt() / ppm).min(REACH_MM);
            }
        }
        let step = self.hoods.steps[1] as isize;
        let [low, high] = take::<2>(&mut parts).map(|v| &mut v[..n]);
        low.fill(1.0);
        high.fill(0.0);
        let [[r, s, ..], _] = &mut row.shifted;
        for [dx, dy] in DIRECTIONS.into_iter().flatten() {
            let (dx, dy) = (dx * step, dy * step);
            let object = &self.first.object.data;
            let p = &moved(self.hoods.line(object, y, dy), &cols, dx, r)[..n];
            let q = &moved(self.hoods.line(object, y, -dy), &cols, -dx, s)[..n];
            for x in 0..n {
                let both = p[x].min(q[x]);
                low[x] = low[x].min(both);
                high[x] = high[x].max(both);
            }
        }
    }
}

impl Rows for Context<'_> {
    const READ: usize = CONTEXT_READ;
    const MADE_OF: &'static [MadeOf] = &CONTEXT_MADE_OF;

    fn row(&self, y: usize, cols: Range<usize>, row: &mut Row) {
        struct Fill<'a>(&'a Context<'a>, usize, Range<usize>, &'a mut Row);
        impl pulp::WithSimd for Fill<'_> {
            type Output = ();
            #[inline(always)]
            fn with_simd<S: pulp::Simd>(self, simd: S) {
                self.0.fill(simd, self.1, self.2, self.3);
            }
        }
        pulp::Arch::new().dispatch(Fill(self, y, cols, row));
    }

    fn spare(&self, y: usize, row: &mut Row, asked: &mut [bool]) {
        struct Spare<'a>(&'a Context<'a>, usize, &'a mut Row, &'a mut [bool]);
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

/// First look at every allowed work pixel that is not plain floor; others get 0.
pub fn judge(hoods: &Neighbourhoods, allowed: &[bool], network: &Network) -> Evidence {
    let mut evidence = Evidence::nothing(hoods.work);
    evaluate(&mut evidence, hoods, network, &hoods.not_plain(allowed));
    evidence
}

/// Second look, with the first look's answer around each pixel in view.
pub fn judge_again(context: &Context, allowed: &[bool], network: &Network) -> Evidence {
    // Where nothing is asked, it stays floor or what the first look saw in the middle of an object.
    let mut evidence = Evidence::nothing(context.hoods.work);
    let w = evidence.object.width;
    let first = context.first.object.data.par_chunks(w).zip(context.first.seam.data.par_chunks(w));
    let second = evidence.object.data.par_chunks_mut(w).zip(evidence.seam.data.par_chunks_mut(w));
    second.zip(first).for_each(|((object, seam), (first, first_seam))| {
        for (x, first) in first.iter().enumerate().filter(|(_, first)| **first >= SURE) {
            (object[x], seam[x]) = (*first, first_seam[x]);
        }
    });
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
        let low: Vec<bool> = object.data.iter().map(|v| *v < 0.5).collect();
        for runs in super::split::components(&low, w, true) {
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
    /// Whether a column of the row at hand is asked about, and which are, in runs.
    asked: Vec<bool>,
    runs: Vec<Range<usize>>,
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
const GAP: usize = 48;

/// Asks the network about every allowed pixel that is worth a look; the others keep what they have.
/// So do all where the network takes no blocks, which no profile's does.
fn evaluate<R: Rows>(evidence: &mut Evidence, rows: &R, network: &Network, allowed: &[bool]) {
    let Some(network) = &network.ready(R::MADE_OF) else { return };
    let w = evidence.object.width;
    let object = evidence.object.data.par_chunks_mut(w * TOGETHER);
    let seam = evidence.seam.data.par_chunks_mut(w * TOGETHER);
    let parts = object.zip(seam).enumerate().with_min_len(AT_A_TIME);
    parts.for_each_init(Gathered::default, |g, (part, (object, seam))| {
        g.values.resize(R::READ, [0.0; BLOCK]);
        let first = part * TOGETHER;
        for y in first..first + object.len() / w {
            let mut asked_runs = std::mem::take(&mut g.runs);
            g.asked.clear();
            g.asked.extend_from_slice(&allowed[y * w..(y + 1) * w]);
            rows.spare(y, &mut g.row, &mut g.asked);
            asked_runs.clear();
            asked_runs.extend(runs(&g.asked).filter(|(asked, _)| *asked).map(|(_, cols)| cols));
            for near in asked_runs.chunk_by(|a, b| b.start - a.end < GAP) {
                let (from, to) = (near[0].start, near[near.len() - 1].end);
                rows.row(y, from..to, &mut g.row);
                let (n, line) = (to - from, (y - first) * w);
                for run in near {
                    let blocks = run.len() / BLOCK;
                    for x in (run.start..).step_by(BLOCK).take(blocks) {
                        network.eval_block(&g.row.values[x - from..], n, &mut g.scratch);
                        let out = g.scratch.outputs();
                        object[line + x..][..BLOCK].copy_from_slice(&out[0]);
                        seam[line + x..][..BLOCK].copy_from_slice(&out[1]);
                    }
                    let mut x = run.start + blocks * BLOCK;
                    while x < run.end {
                        let at = g.places.len();
                        let some = (run.end - x).min(BLOCK - at);
                        for (m, out) in g.values.iter_mut().enumerate() {
                            let source = &g.row.values[m * n + x - from..][..some];
                            out[at..at + some].copy_from_slice(source);
                        }
                        g.places.extend(line + x..line + x + some);
                        x += some;
                        if g.places.len() == BLOCK {
                            g.answer(network, object, seam);
                        }
                    }
                }
            }
            g.runs = asked_runs;
        }
        if !g.places.is_empty() {
            g.answer(network, object, seam);
        }
    });
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::SplitMix64;

    const W: usize = 61;
    const H: usize = 37;

    /// A picture and its floor, each of numbers of its own.
    fn scene(mut value: impl FnMut(usize) -> f32) -> (Work, Floor) {
        let mut plane = |k: usize, width: usize, height: usize| Plane {
            width,
            height,
            data: (0..width * height).map(|_| value(k)).collect(),
        };
        let [l, a, b, rg, bg] = std::array::from_fn(|k| plane(k, W, H));
        let work = Work { scale: 1.0, origin: [0.0; 2], l, a, b, rg, bg, px_per_mm: 3.5 };
        let planes = std::array::from_fn(|k| plane(5 + k, W.div_ceil(8), H.div_ceil(8)));
        let (columns, bare) = (W.div_ceil(4), Vec::new());
        (work, Floor::new(4, columns, bare, planes))
    }

    /// Measures by their definition, in double precision: no source but this module's words.
    fn plainly(work: &Work, floor: &Floor, x: usize, y: usize) -> Vec<f64> {
        let (x, y) = (x as isize, y as isize);
        let lab = |dx: isize, dy: isize| {
            [&work.l, &work.a, &work.b].map(|p| f64::from(p.at(x + dx, y + dy)))
        };
        let under = floor.at(x as usize, y as usize).map(f64::from);
        let mean = |r: isize, of: &dyn Fn(isize, isize) -> f64| {
            let inside = |v: isize, end: usize| (0..end as isize).contains(&v);
            let near = (-r..=r).flat_map(|dy| (-r..=r).map(move |dx| (dx, dy)));
            let near: Vec<f64> = near
                .filter(|(dx, dy)| inside(x + dx, W) && inside(y + dy, H))
                .map(|(dx, dy)| of(dx, dy))
                .collect();
            near.iter().sum::<f64>() / near.len() as f64
        };
        let means = [2, 5, 14].map(|r| [0, 1, 2].map(|c| mean(r, &|dx, dy| lab(dx, dy)[c])));
        let own = lab(0, 0);
        let mut out = [own, [under[0], under[1], under[2]]].concat();
        out.extend((0..3).map(|c| own[c] - under[c]));
        out.extend(means.iter().flat_map(|m| (0..3).map(|c| own[c] - m[c])));
        let at = y as usize * W + x as usize;
        out.extend([
            f64::from(work.rg.data[at]) - under[3],
            f64::from(work.bg.data[at]) - under[4],
        ]);
        for (r, m) in [2, 5].into_iter().zip(means) {
            out.push((mean(r, &|dx, dy| lab(dx, dy)[0].powi(2)) - m[0].powi(2)).max(0.0).sqrt());
        }
        for step in [2, 4] {
            let ends = DIRECTIONS.as_flattened().iter().map(|[dx, dy]| {
                let (p, q) = (lab(dx * step, dy * step), lab(-dx * step, -dy * step));
                let apart = (0..3).map(|c| (p[c] - q[c]).powi(2)).sum::<f64>().sqrt();
                [(p[0] + q[0]) / 2.0 - own[0], apart]
            });
            let extreme = |k: usize, f: fn(f64, f64) -> f64| ends.clone().map(|e| e[k]).reduce(f);
            out.extend(
                [extreme(0, f64::max), extreme(0, f64::min), extreme(1, f64::max)]
                    .map(Option::unwrap_or_default),
            );
        }
        out.extend([0, 1].map(|k| (means[k][1] - under[1]).hypot(means[k][2] - under[2])));
        out.extend([means[1][0] - under[0], means[2][0] - under[0]]);
        out
    }

    #[test]
    fn measures_are_what_they_are_said_to_be() {
        let mut random = SplitMix64::new(5);
        let (work, floor) = scene(|_| (random.uniform() * 90.0 - 30.0) as f32);
        let hoods = Neighbourhoods::new(&work, &floor);
        let mut row = Row::default();
        for (y, cols) in [(0, 0..W), (1, 3..4), (17, 5..22), (18, 40..W), (36, 0..9)] {
            hoods.row(y, cols.clone(), &mut row);
            for x in cols.clone() {
                let wanted = plainly(&work, &floor, x, y);
                let found: Vec<f32> = row.pixel(x - cols.start, &MADE_OF).collect();
                assert_eq!(found.len(), wanted.len());
                for (k, (f, w)) in found.iter().zip(wanted).enumerate() {
                    // Squares of L* are summed in steps of 1/256.
                    let most = if (20..22).contains(&k) { 0.02 } else { 2e-3 };
                    assert!((f64::from(*f) - w).abs() < most, "{k} at {x} {y}: {f} {w}");
                }
            }
        }
    }

    #[test]
    fn plain_floor_is_left_out_and_the_least_thing_is_not() {
        let flat = |k: usize| [60.0, 1.0, -2.0, 0.1, 0.2][k % 5];
        let (mut work, floor) = scene(flat);
        let mut allowed = vec![true; W * H];
        allowed[7] = false;
        let asked = |work: &Work| Neighbourhoods::new(work, &floor).not_plain(&allowed);
        assert!(asked(&work).iter().all(|a| !a));
        // Three by three pixels, which is less than the smallest object, a little lighter or of another
        // colour, anywhere.
        let corners = [(0, 0), (30, 16), (31, 17), (32, 18), (33, 19), (W - 3, H - 3)];
        for ((x, y), c) in corners.into_iter().flat_map(|at| (0..3).map(move |c| (at, c))) {
            let spot: Vec<usize> = (0..9).map(|k| (y + k / 3) * W + x + k % 3).collect();
            let plain = work.clone();
            let plane = [&mut work.l, &mut work.a, &mut work.b].into_iter().nth(c).unwrap();
            spot.iter().for_each(|i| plane.data[*i] += PLAIN[c.min(1)] + 0.1);
            let asked = asked(&work);
            assert!(spot.iter().all(|i| asked[*i]), "{x} {y} {c}");
            let far = |i: usize| (i % W).abs_diff(x) > 3 * CELL || (i / W).abs_diff(y) > 3 * CELL;
            assert!((0..W * H).all(|i| !(asked[i] && far(i))) && !asked[7]);
            work = plain;
        }
    }
}
