//! Outlines at full resolution.

use std::ops::Range;

use rayon::prelude::*;

use super::split::Region;
use super::work::Work;
use super::{LabelMap, Plane};

/// Paints the regions into a full-size label map: a photograph pixel belongs to the nearest
/// region where the interpolated object evidence says 'object'. Objects are numbered in raster
/// order of their first pixel.
pub fn paint(
    regions: &[Region],
    work: &Work,
    mut object: Plane,
    size: [usize; 2],
    threshold: f32,
) -> LabelMap {
    let (w, h) = (work.width(), work.height());
    let mut coarse = vec![0u16; w * h];
    for (k, region) in regions.iter().enumerate() {
        for &(y, a, b) in &region.runs {
            let row = y as usize * w;
            coarse[row + a as usize..row + b as usize].fill(label_of(k));
        }
    }
    let grown = grow(&coarse, w);
    // Filled holes keep their label even where evidence is low.
    object.data.par_chunks_mut(w).zip(coarse.par_chunks(w)).for_each(|(object, coarse)| {
        for (v, c) in object.iter_mut().zip(coarse) {
            *v = if *c != 0 && *v < threshold { 1.0 } else { *v };
        }
    });
    let outlines = Outlines {
        work,
        clear: clearly(&object, &grown, threshold),
        object: &object,
        grown: &grown,
        threshold,
        starts: (0..=w).map(|k| work.first(k, 0).min(size[0])).collect(),
        across: (0..size[0]).map(|x| Between::of(work.from_photo(x as f64, 0.0)[0])).collect(),
    };
    let (name, count) = names(regions, &outlines, size[1]);
    let [width, height] = size;
    let mut labels = vec![0u16; width * height];
    labels.par_chunks_mut(width).enumerate().for_each(|(y, row)| {
        outlines.of_row(y, 0..w, |cols, k| {
            row[cols].fill(name[usize::from(k)]);
            true
        });
    });
    LabelMap { width, height, labels, count }
}

/// What a photograph pixel's label follows from.
struct Outlines<'a> {
    work: &'a Work,
    object: &'a Plane,
    /// Labels of work pixels, one pixel beyond their outlines.
    grown: &'a [u16],
    clear: Vec<Clear>,
    threshold: f32,
    /// First photograph column of each work column, and of what comes after the last.
    starts: Vec<usize>,
    /// For each photograph column.
    across: Vec<Between>,
}

/// Where a photograph pixel lies among the middles of its work pixel and the two beside it:
/// their shares in what is interpolated there.
#[derive(Debug, Clone, Copy)]
struct Between([f32; 3]);

impl Between {
    /// At a work-pixel coordinate.
    fn of(place: f64) -> Between {
        let off = (place - (place + 0.5).floor()) as f32;
        Between([(-off).max(0.0), 1.0 - off.abs(), off.max(0.0)])
    }

    #[inline(always)]
    fn mix(self, before: f32, own: f32, after: f32) -> f32 {
        self.0[0] * before + self.0[1] * own + self.0[2] * after
    }
}

impl Outlines<'_> {
    /// Tells what lies in photograph row `y` under the work columns `span`: columns and label,
    /// from left to right, as long as `put` wants more.
    fn of_row(&self, y: usize, span: Range<usize>, mut put: impl FnMut(Range<usize>, u16) -> bool) {
        let Outlines { work, object, threshold, .. } = self;
        let w = work.width();
        let place = work.from_photo(0.0, y as f64)[1];
        if !(0.0..work.height() as f64).contains(&(place + 0.5)) {
            return;
        }
        let wy = (place + 0.5) as usize;
        let down = Between::of(place);
        let object = |wx: usize| {
            let row = |wy: usize| object.data[wy * w + wx];
            down.mix(row(wy.saturating_sub(1)), row(wy), row((wy + 1).min(work.height() - 1)))
        };
        let (grown, clear) = (&self.grown[wy * w..(wy + 1) * w], &self.clear[wy * w..(wy + 1) * w]);
        let mut wx = span.start;
        while wx < span.end {
            let (k, clear_here, from) = (grown[wx], clear[wx], wx);
            wx += 1;
            if k == 0 {
                continue;
            }
            let wanted = match clear_here {
                Clear::Outside => true,
                Clear::Inside => {
                    while wx < span.end && grown[wx] == k && clear[wx] == Clear::Inside {
                        wx += 1;
                    }
                    put(self.starts[from]..self.starts[wx], k)
                }
                Clear::No => {
                    let around = [from.saturating_sub(1), from, (from + 1).min(w - 1)].map(object);
                    let cols = self.starts[from]..self.starts[wx];
                    cols.clone().zip(&self.across[cols]).all(|(x, between)| {
                        let [left, own, right] = around;
                        between.mix(left, own, right) < *threshold || put(x..x + 1, k)
                    })
                }
            };
            if !wanted {
                return;
            }
        }
    }
}

/// New names of the regions' labels, 1, 2, … in raster order of their first photograph pixel (0
/// for one that has none), and how many there are.
fn names(regions: &[Region], outlines: &Outlines, height: usize) -> (Vec<u16>, usize) {
    let work = outlines.work;
    let first = |(k, region): (usize, &Region)| -> Option<([usize; 2], usize)> {
        let label = label_of(k);
        let runs = || region.runs.iter();
        let left = runs().map(|r| r.1 as usize).min()?.saturating_sub(1);
        let right = runs().map(|r| r.2 as usize + 1).max()?.min(work.width());
        let top = runs().map(|r| r.0 as usize).min()?.saturating_sub(1);
        let end = runs().map(|r| r.0 as usize + 2).max()?;
        let row = |y: usize| work.first(y, 1).min(height);
        let mut found = None;
        for y in row(top)..row(end) {
            outlines.of_row(y, left..right, |cols, k| {
                found = (k == label).then_some(([y, cols.start], usize::from(label)));
                found.is_none()
            });
            if found.is_some() {
                break;
            }
        }
        found
    };
    let mut firsts: Vec<_> = regions.par_iter().enumerate().filter_map(first).collect();
    firsts.sort_unstable();
    firsts.dedup();
    let mut name = vec![0u16; usize::from(label_of(regions.len())) + 1];
    let mut count = 0;
    for (_, label) in firsts {
        if name[label] == 0 {
            count += 1;
            name[label] = count;
        }
    }
    (name, usize::from(count))
}

/// The label of a region by its place; more than a label map has room for share the last.
fn label_of(region: usize) -> u16 {
    (region + 1).min(65_535) as u16
}

/// Whether everything interpolated within a work pixel lies on one side of the threshold, which
/// its neighbours tell.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Clear {
    Inside,
    Outside,
    No,
}

/// Looks at the rows of work pixels that have labels.
fn clearly(object: &Plane, grown: &[u16], threshold: f32) -> Vec<Clear> {
    struct Look<'a>([&'a [f32]; 3], f32, &'a mut [Vec<f32>; 2], &'a mut [Clear]);
    impl pulp::WithSimd for Look<'_> {
        type Output = ();
        #[inline(always)]
        fn with_simd<S: pulp::Simd>(self, _: S) {
            let Look(rows, threshold, extremes, out) = self;
            look(rows, threshold, extremes, out);
        }
    }
    let (w, h) = (object.width, object.height);
    let line = |y: usize| &object.data[y * w..(y + 1) * w];
    let mut out = vec![Clear::No; grown.len()];
    let rows = out.par_chunks_mut(w).zip(grown.par_chunks(w)).enumerate();
    rows.for_each_init(Default::default, |extremes, (y, (out, grown))| {
        if grown.iter().any(|k| *k != 0) {
            let three = [line(y.saturating_sub(1)), line(y), line((y + 1).min(h - 1))];
            pulp::Arch::new().dispatch(Look(three, threshold, extremes, out));
        }
    });
    out
}

/// Looks at one row between the one above and the one below.
#[inline(always)]
fn look(rows: [&[f32]; 3], threshold: f32, extremes: &mut [Vec<f32>; 2], out: &mut [Clear]) {
    // Interpolation rounds by far less than this.
    const ROUNDING: f32 = 1e-4;
    let n = out.len();
    let [above, own, below] = rows;
    let (above, own, below) = (&above[..n], &own[..n], &below[..n]);
    // Least and most of the three rows; beyond the ends nothing is less or more.
    let [least, most] = extremes;
    least.clear();
    least.resize(n + 2, f32::MAX);
    most.clear();
    most.resize(n + 2, f32::MIN);
    let (low, high) = (&mut least[1..n + 1], &mut most[1..n + 1]);
    for x in 0..n {
        low[x] = above[x].min(own[x]).min(below[x]);
        high[x] = above[x].max(own[x]).max(below[x]);
    }
    let (least, most) = (&least[..n + 2], &most[..n + 2]);
    for x in 0..n {
        let low = least[x].min(least[x + 1]).min(least[x + 2]);
        let high = most[x].max(most[x + 1]).max(most[x + 2]);
        let other = if high < threshold - ROUNDING { Clear::Outside } else { Clear::No };
        out[x] = if low >= threshold + ROUNDING { Clear::Inside } else { other };
    }
}

/// Lends each background pixel the label of a neighbour (sides first), so that outlines may
/// fall anywhere inside the bordering work pixels.
fn grow(labels: &[u16], width: usize) -> Vec<u16> {
    let height = labels.len() / width;
    let line = |y: usize| &labels[y * width..(y + 1) * width];
    let mut out = labels.to_vec();
    out.par_chunks_mut(width).enumerate().for_each_init(Vec::new, |near, (y, row)| {
        let nothing: &[u16] = &[];
        let above = if y > 0 { line(y - 1) } else { nothing };
        let below = if y + 1 < height { line(y + 1) } else { nothing };
        // Whether anything lies in the columns of the three rows: most pixels have nothing around.
        near.clear();
        near.extend_from_slice(line(y));
        for other in [above, below] {
            near.iter_mut().zip(other).for_each(|(n, o)| *n |= o);
        }
        for x in 0..width {
            let (left, right) = (x.saturating_sub(1), (x + 1).min(width - 1));
            if row[x] != 0 || near[left] | near[x] | near[right] == 0 {
                continue;
            }
            let at =
                |row: &[u16], x: Option<usize>| x.and_then(|x| row.get(x)).copied().unwrap_or(0);
            let (own, left, right) = (line(y), x.checked_sub(1), Some(x + 1));
            let around = [
                at(own, left),
                at(own, right),
                at(above, Some(x)),
                at(below, Some(x)),
                at(above, left),
                at(above, right),
                at(below, left),
                at(below, right),
            ];
            row[x] = around.into_iter().find(|k| *k != 0).unwrap_or(0);
        }
    });
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A region of whole rows of the work picture's columns.
    fn region(rows: Range<u32>, from: u32, to: u32) -> Region {
        let runs: Vec<_> = rows.map(|y| (y, from, to)).collect();
        Region { area: runs.len() * (to - from) as usize, runs }
    }

    #[test]
    fn numbers_follow_the_first_pixel_that_is_painted() {
        let (w, h, scale) = (20, 12, 3.0);
        let plane = || Plane::filled(w, h, 0.0);
        let [l, a, b, rg, bg] = std::array::from_fn(|_| plane());
        let work = Work { scale, origin: [3.0, 6.0], l, a, b, rg, bg, px_per_mm: 4.0 };
        // Named last to first; one has parts, and the lower of them stands first.
        let mut parts = region(8..10, 2, 5);
        parts.runs.extend(region(1..3, 12, 15).runs);
        let regions = [region(5..8, 8, 11), parts, region(1..3, 2, 6)];
        let mut object = plane();
        for (y, a, b) in regions.iter().flat_map(|r| &r.runs) {
            object.data[*y as usize * w + *a as usize..*y as usize * w + *b as usize].fill(1.0);
        }
        let map = paint(&regions, &work, object, [70, 50], 0.5);
        assert_eq!(map.count, 3);
        let first: Vec<usize> = (1..=3)
            .map(|k| map.labels.iter().position(|l| *l == k).expect("every number is there"))
            .collect();
        assert!(first.is_sorted(), "{first:?}");
        let at = |x: usize, y: usize| map.labels[(6 + y * 3 + 1) * 70 + 3 + x * 3 + 1];
        assert_eq!([at(3, 1), at(13, 1), at(9, 6), at(3, 8), at(17, 10)], [1, 2, 3, 2, 0]);
    }

    #[test]
    fn outlines_are_where_interpolated_evidence_crosses_the_threshold() {
        let (w, h) = (24, 20);
        for scale in [1.0, 1.3, 2.0, 2.25, 3.7] {
            let plane = || Plane::filled(w, h, 0.0);
            let [l, a, b, rg, bg] = std::array::from_fn(|_| plane());
            let work = Work { scale, origin: [5.2, 1.9], l, a, b, rg, bg, px_per_mm: 3.5 };
            let mut object = plane();
            let mut one = Region { runs: Vec::new(), area: 0 };
            for y in 0..h {
                let soft = |x: usize| {
                    let d = (x as f32 - 11.4).hypot(y as f32 - 9.7);
                    1.0 / (1.0 + (2.0 * (d - 6.2)).exp())
                };
                (0..w).for_each(|x| object.data[y * w + x] = soft(x));
                let on: Vec<usize> = (0..w).filter(|x| soft(*x) >= 0.5).collect();
                if let (Some(from), Some(to)) = (on.first(), on.last()) {
                    one.runs.push((y as u32, *from as u32, *to as u32 + 1));
                    one.area += on.len();
                }
            }
            let size = [5 + (w as f64 * scale) as usize + 3, 2 + (h as f64 * scale) as usize + 3];
            let map = paint(&[one], &work, object.clone(), size, 0.5);
            let mut painted = 0;
            for (i, label) in map.labels.iter().enumerate() {
                let [x, y] = work.from_photo((i % size[0]) as f64, (i / size[0]) as f64);
                let v = object.bilinear(x as f32, y as f32);
                if (v - 0.5).abs() > 1e-3 {
                    assert_eq!(*label == 1, v > 0.5, "scale {scale}, pixel {i}");
                }
                painted += usize::from(*label);
            }
            assert!(painted as f64 > 100.0 * scale * scale);
        }
    }
}
