//! Outlines changed by hand: an object split along a drawn line, objects merged, one drawn anew; and
//! the fresh objects measured and judged as the photograph's own were.
//!
//! Pixels in, pixels out; this module knows nothing of the ledger. A mask is runs of pixels in raster
//! order, three numbers each: row, first column, length.

use std::collections::VecDeque;

use crate::classify::{self, Fruit, ObjectReading};
use crate::measure::{Measures, Silhouette};
use crate::pipeline::{self, Opened, Settings};
use crate::profile::Profile;
use crate::segment::Bounds;
use crate::segment::raster::fill_polygon;
use crate::segment::{LabelMap, Prepared};

/// Where an object's pixels lie.
pub type Runs = Vec<u32>;

/// Smallest piece that is an object, px (common practice, no source: below it neither colour nor
/// form can be measured).
pub const LEAST_PX: usize = 16;
/// Objects farther apart than this do not touch, px.
const REACH_PX: usize = 3;
/// Half the width of the cut along a drawn line, px: above 1/√2, so that no two pixels on different
/// sides of it touch, not even by their corners.
const CUT_PX: f64 = 0.75;

/// Why outlines cannot be changed so.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum RetouchError {
    /// The object has no pixels.
    #[error("object {0} is not on the tray")]
    Unknown(u32),
    /// The line does not part it.
    #[error("the line does not part the object: draw it from outside across to outside")]
    NoCut,
    /// Too little on one side.
    #[error("one part would have fewer than {LEAST_PX} pixels: draw the line elsewhere")]
    Small,
    /// Objects that lie apart.
    #[error("the objects lie apart: only objects that touch can be one")]
    Apart,
    /// Not enough objects.
    #[error("name at least two objects to merge")]
    TooFew,
    /// Nothing is left of the drawing.
    #[error("nothing is left of the drawn object: it is too small, or lies on others")]
    Nothing,
    /// A coordinate that is none.
    #[error("the drawn line has a point that is no number, too few points, or too many")]
    Line,
}

/// A window on a label picture: `inside` is row-major.
struct Window {
    row: usize,
    col: usize,
    width: usize,
    height: usize,
    inside: Vec<bool>,
}

impl Window {
    fn of(map: &LabelMap, bounds: Bounds, margin: usize, is: impl Fn(u16) -> bool) -> Window {
        let row = bounds.row.saturating_sub(margin);
        let col = bounds.col.saturating_sub(margin);
        let height = (bounds.row_end + margin).min(map.height) - row;
        let width = (bounds.col_end + margin).min(map.width) - col;
        let mut inside = Vec::with_capacity(width * height);
        for r in row..row + height {
            let line = &map.labels[r * map.width + col..r * map.width + col + width];
            inside.extend(line.iter().map(|l| is(*l)));
        }
        Window { row, col, width, height, inside }
    }

    /// The eight pixels around one.
    fn around(&self, i: usize) -> impl Iterator<Item = usize> {
        let (w, h) = (self.width as isize, self.height as isize);
        let (x, y) = ((i % self.width) as isize, (i / self.width) as isize);
        (-1..=1isize).flat_map(move |dy| (-1..=1isize).map(move |dx| (dx, dy))).filter_map(
            move |(dx, dy)| {
                let (u, v) = (x + dx, y + dy);
                let own = (dx, dy) != (0, 0) && u >= 0 && v >= 0 && u < w && v < h;
                own.then_some((v * w + u) as usize)
            },
        )
    }

    /// Numbers the pieces of what `inside` says, in raster order of their first pixels, from 1; 0
    /// elsewhere. Gives their sizes too.
    fn pieces(&self, inside: &[bool]) -> (Vec<u32>, Vec<usize>) {
        let mut piece = vec![0u32; inside.len()];
        let mut sizes = Vec::new();
        let mut queue = VecDeque::new();
        for start in 0..inside.len() {
            if !inside[start] || piece[start] != 0 {
                continue;
            }
            sizes.push(0);
            let number = sizes.len() as u32;
            piece[start] = number;
            queue.push_back(start);
            while let Some(i) = queue.pop_front() {
                sizes[number as usize - 1] += 1;
                for k in self.around(i) {
                    if inside[k] && piece[k] == 0 {
                        piece[k] = number;
                        queue.push_back(k);
                    }
                }
            }
        }
        (piece, sizes)
    }

    /// Middles of numbered pieces.
    fn middles(&self, piece: &[u32], numbers: &[u32]) -> Vec<[f64; 2]> {
        let middle = |number: &u32| {
            let own = (0..piece.len()).filter(|i| piece[*i] == *number);
            let sum = own.fold([0.0f64; 3], |s, i| {
                [s[0] + (i % self.width) as f64, s[1] + (i / self.width) as f64, s[2] + 1.0]
            });
            [sum[0] / sum[2].max(1.0), sum[1] / sum[2].max(1.0)]
        };
        numbers.iter().map(middle).collect()
    }

    /// Runs of the pixels that `is` says.
    fn runs(&self, is: impl Fn(usize) -> bool) -> Runs {
        let mut runs = Vec::new();
        for y in 0..self.height {
            let mut x = 0;
            while x < self.width {
                let start = x;
                while x < self.width && is(y * self.width + x) {
                    x += 1;
                }
                if x > start {
                    runs.extend([self.row + y, self.col + start, x - start].map(|v| v as u32));
                }
                x += 1;
            }
        }
        runs
    }
}

/// Number of pixels of a mask.
pub fn area_px(runs: &[u32]) -> usize {
    runs.chunks_exact(3).map(|r| r[2] as usize).sum()
}

/// Gives the pixels of a mask a label. Pixels outside the picture are passed over.
pub fn paint(map: &mut LabelMap, runs: &[u32], label: u16) {
    for run in runs.chunks_exact(3) {
        let (row, col) = (run[0] as usize, run[1] as usize);
        let end = (col + run[2] as usize).min(map.width);
        if row < map.height && col < end {
            map.labels[row * map.width + col..row * map.width + end].fill(label);
        }
    }
}

/// Takes objects out of a label picture.
pub fn erase(map: &mut LabelMap, gone: &[u32]) {
    if gone.is_empty() {
        return;
    }
    let mut is_gone = vec![false; usize::from(u16::MAX) + 1];
    gone.iter().filter_map(|g| u16::try_from(*g).ok()).for_each(|g| is_gone[g as usize] = true);
    for label in &mut map.labels {
        if is_gone[usize::from(*label)] {
            *label = 0;
        }
    }
}

fn points(line: &[[f64; 2]], least: usize) -> Result<(), RetouchError> {
    let fits = line.len() >= least
        && line.len() <= 4096
        && line.iter().flatten().all(|v| v.is_finite() && v.abs() < 1e6);
    if fits { Ok(()) } else { Err(RetouchError::Line) }
}

/// Splits an object along a drawn line (x, y in pixels). Gives the parts in raster order.
///
/// # Errors
/// [`RetouchError`] when the line does not part it, or leaves too little on a side.
pub fn split(
    map: &LabelMap,
    label: u16,
    bounds: Bounds,
    line: &[[f64; 2]],
) -> Result<Vec<Runs>, RetouchError> {
    points(line, 2)?;
    let window = Window::of(map, bounds, 0, |l| l == label);
    let (own, before) = window.pieces(&window.inside);
    let mut kept = window.inside.clone();
    for pair in line.windows(2) {
        cut(&window, &mut kept, pair[0], pair[1]);
    }
    let (mut piece, sizes) = window.pieces(&kept);
    let large: Vec<u32> =
        (1..=sizes.len() as u32).filter(|p| sizes[*p as usize - 1] >= LEAST_PX).collect();
    // Which piece of the object as it was each comes from: an object can lie in several, where
    // another lies across it.
    let mut from = vec![0; sizes.len() + 1];
    (0..piece.len()).filter(|i| piece[*i] != 0).for_each(|i| from[piece[i] as usize] = own[i]);
    let parted =
        |p: &u32| large.iter().filter(|q| from[**q as usize] == from[*p as usize]).count() > 1;
    let parts: Vec<u32> = large.iter().copied().filter(parted).collect();
    if parts.is_empty() {
        let crumbs = sizes.len() > before.len();
        return Err(if crumbs { RetouchError::Small } else { RetouchError::NoCut });
    }
    // Crumbs and the cut itself go to the part they touch; what touches none, to the nearest.
    piece.iter_mut().filter(|p| !parts.contains(p)).for_each(|p| *p = 0);
    let middles = window.middles(&piece, &parts);
    let mut queue: VecDeque<usize> = (0..piece.len()).filter(|i| piece[*i] != 0).collect();
    while let Some(i) = queue.pop_front() {
        for k in window.around(i) {
            if window.inside[k] && piece[k] == 0 {
                piece[k] = piece[i];
                queue.push_back(k);
            }
        }
    }
    let (apart, apart_sizes) = {
        let left: Vec<bool> = (0..piece.len()).map(|i| window.inside[i] && piece[i] == 0).collect();
        window.pieces(&left)
    };
    let all: Vec<u32> = (1..=apart_sizes.len() as u32).collect();
    for (number, middle) in all.iter().zip(window.middles(&apart, &all)) {
        let far = |m: &[f64; 2]| (m[0] - middle[0]).hypot(m[1] - middle[1]);
        let nearest =
            (0..parts.len()).min_by(|a, b| far(&middles[*a]).total_cmp(&far(&middles[*b])));
        let part = parts[nearest.unwrap_or(0)];
        (0..piece.len()).filter(|i| apart[*i] == *number).for_each(|i| piece[i] = part);
    }
    Ok(parts.iter().map(|number| window.runs(|i| piece[i] == *number)).collect())
}

/// Takes out the pixels along a stretch of line.
fn cut(window: &Window, kept: &mut [bool], a: [f64; 2], b: [f64; 2]) {
    let local = |p: [f64; 2]| [p[0] - window.col as f64, p[1] - window.row as f64];
    let (a, b) = (local(a), local(b));
    let bound = |c: usize, most: usize| {
        let low = (a[c].min(b[c]) - CUT_PX).floor().max(0.0) as usize;
        let high = (a[c].max(b[c]) + CUT_PX).ceil() + 1.0;
        low.min(most)..(high.max(0.0) as usize).min(most)
    };
    let along = [b[0] - a[0], b[1] - a[1]];
    let length2 = along[0] * along[0] + along[1] * along[1];
    for y in bound(1, window.height) {
        for x in bound(0, window.width) {
            let to = [x as f64 - a[0], y as f64 - a[1]];
            let t = match length2 > 0.0 {
                true => ((to[0] * along[0] + to[1] * along[1]) / length2).clamp(0.0, 1.0),
                false => 0.0,
            };
            let off = [to[0] - t * along[0], to[1] - t * along[1]];
            if off[0] * off[0] + off[1] * off[1] <= CUT_PX * CUT_PX {
                kept[y * window.width + x] = false;
            }
        }
    }
}

/// Makes one object of several that touch, the narrow gaps between them filled.
///
/// # Errors
/// [`RetouchError`] when they lie apart.
pub fn merge(map: &LabelMap, objects: &[(u16, Bounds)]) -> Result<Runs, RetouchError> {
    let Some((first, rest)) = objects.split_first() else { return Err(RetouchError::TooFew) };
    if rest.is_empty() {
        return Err(RetouchError::TooFew);
    }
    let bounds = rest.iter().fold(first.1, |all, (_, b)| Bounds {
        row: all.row.min(b.row),
        col: all.col.min(b.col),
        row_end: all.row_end.max(b.row_end),
        col_end: all.col_end.max(b.col_end),
    });
    let own = |l: u16| objects.iter().any(|o| o.0 == l);
    let window = Window::of(map, bounds, REACH_PX + 1, own);
    let free = Window::of(map, bounds, REACH_PX + 1, |l| l == 0);
    // Closing: grown and shrunk again; only the floor is taken in.
    let reach = REACH_PX.div_ceil(2);
    let grown = spread(&window, &window.inside, reach, true);
    let closed = spread(&window, &grown, reach, false);
    let union: Vec<bool> =
        (0..closed.len()).map(|i| window.inside[i] || (closed[i] && free.inside[i])).collect();
    let (piece, sizes) = window.pieces(&union);
    let largest = (0..sizes.len()).max_by_key(|i| sizes[*i]).ok_or(RetouchError::Apart)? as u32 + 1;
    let joined = objects.iter().all(|(label, _)| {
        let lines = (0..piece.len()).filter(|&i| {
            let (x, y) = (i % window.width, i / window.width);
            map.labels[(window.row + y) * map.width + window.col + x] == *label
        });
        let mut all = lines.map(|i| piece[i] == largest);
        all.any(|own| own)
    });
    if !joined {
        return Err(RetouchError::Apart);
    }
    // Loose crumbs of the objects come along.
    Ok(window.runs(|i| union[i] && (piece[i] == largest || window.inside[i])))
}

/// Grows (`value` true) or shrinks (false) a mask by so many pixels, square neighbourhood.
fn spread(window: &Window, mask: &[bool], reach: usize, value: bool) -> Vec<bool> {
    let mut out = mask.to_vec();
    for _ in 0..reach {
        let before = out.clone();
        for i in 0..before.len() {
            if before[i] != value && window.around(i).any(|k| before[k] == value) {
                out[i] = value;
            }
        }
    }
    out
}

/// A drawn object (corners x, y in pixels): the largest piece of it that no other object has.
///
/// # Errors
/// [`RetouchError`] when nothing is left of it.
pub fn draw(map: &LabelMap, polygon: &[[f64; 2]]) -> Result<Runs, RetouchError> {
    points(polygon, 3)?;
    let bound = |c: usize, most: usize| {
        let low = polygon.iter().map(|p| p[c]).fold(f64::INFINITY, f64::min);
        let high = polygon.iter().map(|p| p[c]).fold(f64::NEG_INFINITY, f64::max);
        (low.floor().max(0.0) as usize).min(most)..((high.ceil() + 1.0).max(0.0) as usize).min(most)
    };
    let (cols, rows) = (bound(0, map.width), bound(1, map.height));
    if cols.is_empty() || rows.is_empty() {
        return Err(RetouchError::Nothing);
    }
    let bounds = Bounds { row: rows.start, col: cols.start, row_end: rows.end, col_end: cols.end };
    let window = Window::of(map, bounds, 0, |l| l == 0);
    let local: Vec<[f64; 2]> =
        polygon.iter().map(|p| [p[0] - window.col as f64, p[1] - window.row as f64]).collect();
    let mut drawn = vec![false; window.inside.len()];
    let width = window.width;
    fill_polygon(&local, width, window.height, |y, a, b| {
        drawn[y * width + a..y * width + b].fill(true);
    });
    let free: Vec<bool> = drawn.iter().zip(&window.inside).map(|(d, f)| *d && *f).collect();
    let (piece, sizes) = window.pieces(&free);
    let largest = (0..sizes.len()).max_by_key(|i| sizes[*i]).ok_or(RetouchError::Nothing)?;
    if sizes[largest] < LEAST_PX {
        return Err(RetouchError::Nothing);
    }
    Ok(window.runs(|i| piece[i] as usize == largest + 1))
}

/// An object's number with its measures.
pub type Measured = (u32, Measures, Silhouette);

/// Measures all objects of a label picture.
pub fn measure_all(opened: &Opened, prepared: &Prepared, map: &LabelMap) -> Vec<Measured> {
    let measured = pipeline::measure_objects(opened, prepared, map);
    let there = measured.into_iter().filter(|(m, _)| m.area_px > 0);
    there.map(|(m, s)| (m.object, m, s)).collect()
}

/// What objects of a tray are measured and judged with again.
#[derive(Clone, Copy)]
pub struct Judge<'a> {
    /// The photograph, its marks and light.
    pub opened: &'a Opened,
    /// It reduced, with the floor.
    pub prepared: &'a Prepared,
    /// Profile that the tray was judged with.
    pub profile: &'a Profile,
    /// Skin colour that it was judged by.
    pub fruit: Fruit,
    /// How photographs are read.
    pub settings: &'a Settings,
}

/// Measures and judges fresh objects (number and mask) as the photograph's own were: with the same
/// profile, the same skin colour, among the tray's other objects. `map` has them painted in.
pub fn judge(
    by: Judge<'_>,
    map: &LabelMap,
    fresh: &[(u32, Runs)],
    others: &[Measured],
) -> (Vec<Measured>, Vec<ObjectReading>) {
    let Judge { opened, prepared, profile, fruit, settings } = by;
    let around = around(map, fresh);
    let mut measured = pipeline::measure_objects(opened, prepared, &around);
    measured.truncate(fresh.len());
    for (own, (number, _)) in measured.iter_mut().zip(fresh) {
        own.0.object = *number;
    }
    let all: Vec<(Measures, Silhouette)> =
        others.iter().map(|(_, m, s)| (m.clone(), *s)).chain(measured.iter().cloned()).collect();
    let how = classify::ClassifySettings { fruit: Some(fruit), ..settings.classify };
    let camera = opened.marks.frame.camera_mm;
    let judged = classify::classify(&all, camera, &profile.classes, &how);
    let mut objects: Vec<ObjectReading> = judged.objects.into_iter().skip(others.len()).collect();
    if opened.photo.grey {
        for object in &mut objects {
            object.class = None;
            object.probabilities = [0.25; 4];
        }
    }
    let measured = measured.into_iter().map(|(m, s)| (m.object, m, s)).collect();
    (measured, objects)
}

/// A picture of the fresh objects, numbered from 1, and of what touches them: quick to measure,
/// with the same rims.
fn around(map: &LabelMap, fresh: &[(u32, Runs)]) -> LabelMap {
    let mut own = LabelMap {
        width: map.width,
        height: map.height,
        labels: vec![0; map.labels.len()],
        count: fresh.len() + 1,
    };
    let neighbour = fresh.len() as u16 + 1;
    for (_, runs) in fresh {
        for run in runs.chunks_exact(3) {
            let rows = (run[0] as usize).saturating_sub(1)..(run[0] as usize + 2).min(map.height);
            let cols = (run[1] as usize).saturating_sub(1)
                ..((run[1] + run[2]) as usize + 1).min(map.width);
            for row in rows {
                for i in row * map.width + cols.start..row * map.width + cols.end {
                    own.labels[i] = if map.labels[i] == 0 { 0 } else { neighbour };
                }
            }
        }
    }
    for (i, (_, runs)) in fresh.iter().enumerate() {
        paint(&mut own, runs, i as u16 + 1);
    }
    own
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Discs (x, y, radius), numbered from 1.
    fn discs(width: usize, height: usize, discs: &[(f64, f64, f64)]) -> LabelMap {
        let mut labels = vec![0u16; width * height];
        for (k, (x, y, r)) in discs.iter().enumerate() {
            for (i, label) in labels.iter_mut().enumerate() {
                let (dx, dy) = ((i % width) as f64 - x, (i / width) as f64 - y);
                if dx * dx + dy * dy <= r * r {
                    *label = k as u16 + 1;
                }
            }
        }
        LabelMap { width, height, labels, count: discs.len() }
    }

    fn own(map: &LabelMap, label: u16) -> Bounds {
        map.bounds()[usize::from(label) - 1].unwrap()
    }

    fn count(map: &LabelMap, label: u16) -> usize {
        map.labels.iter().filter(|l| **l == label).count()
    }

    #[test]
    fn a_line_across_parts_an_object_and_loses_no_pixel() {
        let map = discs(80, 60, &[(40.0, 30.0, 20.0)]);
        let line = [[40.0, 0.0], [40.0, 59.0]];
        let parts = split(&map, 1, own(&map, 1), &line).unwrap();
        assert_eq!(parts.len(), 2);
        assert_eq!(parts.iter().map(|p| area_px(p)).sum::<usize>(), count(&map, 1));
        // By hand: halves of a disc, the middle column to one of them.
        let (a, b) = (area_px(&parts[0]) as f64, area_px(&parts[1]) as f64);
        assert!((a - b).abs() <= 41.0, "{a} {b}");
        let three =
            split(&map, 1, own(&map, 1), &[[30.0, 0.0], [33.0, 59.0], [50.0, 59.0], [50.0, 0.0]]);
        assert_eq!(three.unwrap().len(), 3);
        for line in [[[40.0, 0.0], [40.0, 30.0]], [[5.0, 0.0], [5.0, 59.0]]] {
            assert_eq!(split(&map, 1, own(&map, 1), &line), Err(RetouchError::NoCut));
        }
        let rim = [[21.0, 0.0], [21.0, 59.0]];
        assert_eq!(split(&map, 1, own(&map, 1), &rim), Err(RetouchError::Small));
        let odd = [[f64::NAN, 0.0], [1.0, 1.0]];
        assert_eq!(split(&map, 1, own(&map, 1), &odd), Err(RetouchError::Line));
    }

    /// An object in two pieces (another lay across it): the piece that no line parts goes with the
    /// nearer part.
    #[test]
    fn an_object_in_pieces_is_parted_where_the_line_goes() {
        let mut map = discs(140, 60, &[(30.0, 30.0, 20.0), (100.0, 30.0, 14.0)]);
        map.labels.iter_mut().for_each(|l| *l = u16::from(*l > 0));
        map.labels[5 * 140 + 70] = 1;
        let line = [[30.0, 0.0], [30.0, 59.0]];
        let parts = split(&map, 1, own(&map, 1), &line).unwrap();
        assert_eq!(parts.len(), 2);
        assert_eq!(parts.iter().map(|p| area_px(p)).sum::<usize>(), count(&map, 1));
        // The right half has the other piece.
        let right = area_px(&parts[0]).max(area_px(&parts[1])) as f64;
        let by_hand = std::f64::consts::PI * (20.0 * 20.0 / 2.0 + 14.0 * 14.0);
        assert!((right / by_hand - 1.0).abs() < 0.06, "{right} {by_hand}");
        assert_eq!(
            split(&map, 1, own(&map, 1), &[[65.0, 0.0], [65.0, 59.0]]),
            Err(RetouchError::NoCut)
        );
    }

    #[test]
    fn touching_objects_become_one_and_distant_ones_do_not() {
        let map = discs(120, 60, &[(30.0, 30.0, 15.0), (62.0, 30.0, 15.0), (100.0, 30.0, 15.0)]);
        let pair = [(1, own(&map, 1)), (2, own(&map, 2))];
        let one = merge(&map, &pair).unwrap();
        assert!(area_px(&one) >= count(&map, 1) + count(&map, 2));
        assert!(area_px(&one) < count(&map, 1) + count(&map, 2) + 60);
        let far = [(1, own(&map, 1)), (3, own(&map, 3))];
        assert_eq!(merge(&map, &far), Err(RetouchError::Apart));
        assert_eq!(merge(&map, &pair[..1]), Err(RetouchError::TooFew));
    }

    #[test]
    fn a_drawn_object_takes_only_what_is_free() {
        let map = discs(80, 60, &[(40.0, 30.0, 10.0)]);
        let square = [[5.0, 5.0], [25.0, 5.0], [25.0, 25.0], [5.0, 25.0]];
        let area = area_px(&draw(&map, &square).unwrap()) as f64;
        assert!((area - 400.0).abs() <= 41.0, "{area}");
        let over = [[20.0, 10.0], [60.0, 10.0], [60.0, 50.0], [20.0, 50.0]];
        let mut painted = map.clone();
        let runs = draw(&map, &over).unwrap();
        paint(&mut painted, &runs, 2);
        assert_eq!(count(&painted, 1), count(&map, 1));
        let inside = [[38.0, 28.0], [42.0, 28.0], [42.0, 32.0]];
        assert_eq!(draw(&map, &inside), Err(RetouchError::Nothing));
        let outside = [[-50.0, -50.0], [-10.0, -50.0], [-10.0, -10.0]];
        assert_eq!(draw(&map, &outside), Err(RetouchError::Nothing));
        erase(&mut painted, &[2]);
        assert_eq!(painted, map);
    }

    proptest::proptest! {
        /// Whatever line is drawn, the parts are the object: no pixel twice, none lost.
        #[test]
        fn parts_make_up_the_whole(
            ax in -10.0f64..90.0, ay in -10.0f64..70.0, bx in -10.0f64..90.0, by in -10.0f64..70.0,
            cx in -10.0f64..90.0, cy in -10.0f64..70.0,
        ) {
            let map = discs(80, 60, &[(40.0, 30.0, 20.0)]);
            let line = [[ax, ay], [bx, by], [cx, cy]];
            if let Ok(parts) = split(&map, 1, own(&map, 1), &line) {
                let mut painted = LabelMap { labels: vec![0; map.labels.len()], ..map.clone() };
                for (i, part) in parts.iter().enumerate() {
                    proptest::prop_assert!(area_px(part) >= LEAST_PX);
                    paint(&mut painted, part, i as u16 + 1);
                }
                for (a, b) in painted.labels.iter().zip(&map.labels) {
                    proptest::prop_assert_eq!(*a > 0, *b > 0);
                }
                let sum: usize = parts.iter().map(|p| area_px(p)).sum();
                proptest::prop_assert_eq!(sum, count(&map, 1));
            }
        }
    }
}
