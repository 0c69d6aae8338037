//! From corrected pixels to a label map: one label an object.
//!
//! The work is done on a reduced picture of three and a half pixels a millimetre:
//! 1. [`work`]: the reduced picture in CIELAB, white-balanced;
//! 2. [`floor`]: what the tray floor looks like everywhere, under the objects too;
//! 3. [`evidence`]: for each pixel, how likely it shows an object, and how likely it lies on the
//!    seam between two objects (a small learned network over local measures);
//! 4. [`split`]: connected pixels are cut into objects (distance transform and watershed, then
//!    pieces joined again where seam, shape and colour speak for it);
//! 5. [`link`]: parts of one object that another lies across become one;
//! 6. [`label`]: outlines at full resolution.
//!
//! This module knows nothing of classes.

pub mod distance;
pub mod evidence;
pub mod floor;
pub mod label;
pub mod link;
pub mod raster;
pub mod split;
pub mod work;

use std::ops::Range;

use rayon::prelude::*;

use crate::colour::Light;
use crate::frame::{Px, TrayFrame};
use crate::network::Network;
use crate::photo::Photo;

/// What segmentation needs to know of a photograph.
#[derive(Debug, Clone)]
pub struct Scene<'a> {
    /// The photograph.
    pub photo: &'a Photo,
    /// Where the tray floor is.
    pub tray: TrayArea,
    /// Paper to be left out.
    pub paper_px: &'a [Vec<Px>],
    /// Light to be divided out.
    pub light: &'a Light,
    /// Pixels per millimetre.
    pub px_per_mm: f64,
}

/// Where objects are looked for.
#[derive(Debug, Clone, PartialEq)]
pub enum TrayArea {
    /// Inside this outline in the photograph.
    Outline(Vec<Px>),
    /// On the largest plain surface in the photograph and whatever it surrounds.
    Search,
    /// Everywhere: the tray checks are off.
    Whole,
}

/// Settings of the whole stage.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct SegmentSettings {
    /// The floor search.
    pub floor: floor::FloorSettings,
    /// The splitting.
    pub split: split::SplitSettings,
}

/// The learned part: data, made by `acinus train`.
#[derive(Debug, Clone, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct SegmentModel {
    /// First look at pixels: object, seam.
    pub pixels: Network,
    /// Second look, with the first one's answer in view.
    pub context: Network,
    /// Judges pairs of touching pieces: one object or two.
    pub pairs: Option<Network>,
    /// Judges finished regions: object, or shade, stain and glare.
    pub regions: Option<Network>,
    /// Judges pairs of regions: parts of one object that another lies across, or two objects.
    #[serde(default)]
    pub links: Option<Network>,
}

/// The photograph made ready: reduced picture, where objects can be, and the floor.
#[derive(Debug, Clone)]
pub struct Prepared {
    /// Reduced picture.
    pub work: work::Work,
    /// Work pixels that can show floor or objects.
    pub allowed: Vec<bool>,
    /// The tray floor's colour.
    pub floor: floor::Floor,
}

/// The tray floor's outline in the photograph, bent by the lens, `inset_mm` inside its edge.
pub fn tray_outline(frame: &TrayFrame, tray_mm: [f64; 2], inset_mm: f64) -> Vec<Px> {
    let [w, h] = tray_mm;
    let i = inset_mm;
    let corners = [[i, i], [w - i, i], [w - i, h - i], [i, h - i]];
    let mut out = Vec::new();
    for k in 0..4 {
        let (p, q) = (corners[k], corners[(k + 1) % 4]);
        for s in 0..8 {
            let t = f64::from(s) / 8.0;
            out.push(frame.to_px([p[0] + (q[0] - p[0]) * t, p[1] + (q[1] - p[1]) * t]));
        }
    }
    out
}

/// Reduces the photograph and finds the floor.
pub fn prepare(scene: &Scene, settings: &SegmentSettings) -> Prepared {
    let (width, height) = (scene.photo.rgb.width() as usize, scene.photo.rgb.height() as usize);
    let window = match &scene.tray {
        TrayArea::Outline(outline) => {
            let bound = |c: usize, most: usize| {
                let low = outline.iter().map(|p| p[c]).fold(f64::INFINITY, f64::min);
                let high = outline.iter().map(|p| p[c]).fold(f64::NEG_INFINITY, f64::max);
                ((low - 4.0).max(0.0) as usize, ((high + 5.0).ceil().max(1.0) as usize).min(most))
            };
            let ((x0, x1), (y0, y1)) = (bound(0, width), bound(1, height));
            [x0.min(width - 1), y0.min(height - 1), x1, y1]
        }
        TrayArea::Search | TrayArea::Whole => [0, 0, width, height],
    };
    let work = work::reduce(scene.photo, window, scene.light, scene.px_per_mm);
    let (w, h) = (work.width(), work.height());
    let to_work = |polygon: &[Px]| -> Vec<Px> {
        polygon.iter().map(|p| work.from_photo(p[0], p[1])).collect()
    };
    let mut allowed = vec![!matches!(scene.tray, TrayArea::Outline(_)); w * h];
    if let TrayArea::Outline(outline) = &scene.tray {
        raster::fill_polygon(&to_work(outline), w, h, |y, a, b| {
            allowed[y * w + a..y * w + b].fill(true);
        });
    }
    for paper in scene.paper_px {
        raster::fill_polygon(&to_work(paper), w, h, |y, a, b| {
            allowed[y * w + a..y * w + b].fill(false);
        });
    }
    let floor = floor::estimate(&work, &allowed, &settings.floor);
    if scene.tray == TrayArea::Search {
        let inside = floor.surrounded();
        for (i, a) in allowed.iter_mut().enumerate() {
            *a &= inside[(i / w / floor.cell) * floor.columns + i % w / floor.cell];
        }
    }
    Prepared { work, allowed, floor }
}

/// ln(40 mm²).
const LARGE_LN_MM2: f32 = 3.69;
/// Share of the bar that a large region must reach.
const LARGE_KEEP: f32 = 0.4;

/// Both looks at the pixels.
pub fn look(prepared: &Prepared, model: &SegmentModel) -> evidence::Evidence {
    let hoods = evidence::Neighbourhoods::new(&prepared.work, &prepared.floor);
    let first = evidence::judge(&hoods, &prepared.allowed, &model.pixels);
    let context = evidence::Context::new(&hoods, &first);
    evidence::judge_again(&context, &prepared.allowed, &model.context)
}

/// Segments a prepared photograph into labelled objects at full resolution.
pub fn segment(
    scene: &Scene,
    prepared: &Prepared,
    settings: &SegmentSettings,
    model: &SegmentModel,
) -> LabelMap {
    let evidence = look(prepared, model);
    let mut regions = regions_seen(prepared, &evidence, settings, model);
    if let Some(judge) = &model.links {
        let owners = split::owners(&regions, &prepared.work);
        let candidates = link::candidates(&regions, &prepared.work, &owners);
        regions = link::link(regions, &candidates, judge, settings.split.link);
    }
    let size = [scene.photo.rgb.width() as usize, scene.photo.rgb.height() as usize];
    label::paint(&regions, &prepared.work, evidence.object, size, settings.split.object)
}

/// Cuts the evidence into regions and leaves out those that are no objects.
pub fn regions_seen(
    prepared: &Prepared,
    evidence: &evidence::Evidence,
    settings: &SegmentSettings,
    model: &SegmentModel,
) -> Vec<split::Region> {
    let mut regions = split::split(&prepared.work, evidence, &settings.split, model.pairs.as_ref());
    if let Some(network) = &model.regions {
        let owners = split::owners(&regions, &prepared.work);
        let kept = |r: &split::Region| {
            let f = split::region_features(r, &prepared.work, evidence, &prepared.floor, &owners);
            // Shade and stains are rarely larger than this; a berry lost is worse than one seen twice.
            let large = f[0] > LARGE_LN_MM2;
            network.eval(&f)[0] >= settings.split.keep * if large { LARGE_KEEP } else { 1.0 }
        };
        regions = regions.into_par_iter().filter(kept).collect();
    }
    regions
}

/// Segments by contrast with the floor alone, without anything learned: for grey pictures, and
/// for pictures of other things than grapes.
pub fn segment_by_contrast(
    scene: &Scene,
    prepared: &Prepared,
    settings: &SegmentSettings,
) -> LabelMap {
    let evidence = evidence::by_contrast(&prepared.work, &prepared.floor, &prepared.allowed);
    let regions = split::split(&prepared.work, &evidence, &settings.split, None);
    let size = [scene.photo.rgb.width() as usize, scene.photo.rgb.height() as usize];
    label::paint(&regions, &prepared.work, evidence.object, size, settings.split.object)
}

/// One label a pixel; 0 is background; objects are numbered in raster order of their first pixel.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LabelMap {
    /// Width, px.
    pub width: usize,
    /// Height, px.
    pub height: usize,
    /// Row-major labels.
    pub labels: Vec<u16>,
    /// Number of objects.
    pub count: usize,
}

/// Where an object's pixels lie, in whole pixels; the far ends are exclusive.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Bounds {
    /// First row.
    pub row: usize,
    /// First column.
    pub col: usize,
    /// One past the last row.
    pub row_end: usize,
    /// One past the last column.
    pub col_end: usize,
}

impl Bounds {
    /// Bounds of two things together, either of which may be nowhere.
    fn both(one: Option<Bounds>, other: Option<Bounds>) -> Option<Bounds> {
        let (Some(a), Some(b)) = (one, other) else { return one.or(other) };
        Some(Bounds {
            row: a.row.min(b.row),
            col: a.col.min(b.col),
            row_end: a.row_end.max(b.row_end),
            col_end: a.col_end.max(b.col_end),
        })
    }
}

impl LabelMap {
    /// Bounds of every label from 1 to `count`, at index label − 1; none for a label without pixels.
    pub fn bounds(&self) -> Vec<Option<Bounds>> {
        bounds(&self.labels, self.width, self.count)
    }
}

/// The same of row-major labels, `width` a row.
pub fn bounds(labels: &[u16], width: usize, count: usize) -> Vec<Option<Bounds>> {
    const ROWS: usize = 128;
    let strips: Vec<_> = labels
        .par_chunks(width.max(1) * ROWS)
        .enumerate()
        .map(|(k, strip)| bounds_in(strip, width, k * ROWS, count))
        .collect();
    let mut all = vec![None; count];
    for strip in strips {
        all.iter_mut().zip(strip).for_each(|(all, found)| *all = Bounds::both(*all, found));
    }
    all
}

/// The same of a strip that begins with row `first`.
fn bounds_in(strip: &[u16], width: usize, first: usize, count: usize) -> Vec<Option<Bounds>> {
    let mut all = vec![None; count];
    for (row, line) in (first..).zip(strip.chunks_exact(width.max(1))) {
        for (label, cols) in runs(line) {
            let Some(slot) = usize::from(label).checked_sub(1).and_then(|i| all.get_mut(i)) else {
                continue;
            };
            let Range { start: col, end: col_end } = cols;
            *slot = Bounds::both(*slot, Some(Bounds { row, col, row_end: row + 1, col_end }));
        }
    }
    all
}

/// What follows each other in a row and is the same: what, and where. Many are looked at together,
/// since most of a tray is one long run.
pub fn runs<T: Copy + PartialEq>(line: &[T]) -> impl Iterator<Item = (T, Range<usize>)> {
    let mut end = 0;
    std::iter::from_fn(move || {
        let (start, value) = (end, *line.get(end)?);
        let (many, _) = line[start..].as_chunks::<32>();
        let same = |m: &[T; 32]| m.iter().fold(true, |same, v| same & (*v == value));
        end += 32 * many.iter().take_while(|m| same(m)).count();
        end += line[end..].iter().take_while(|v| **v == value).count();
        Some((value, start..end))
    })
}

/// The pixels left, right, above and below pixel `i` of a row-major picture of `len` pixels.
pub fn beside(i: usize, width: usize, len: usize) -> impl Iterator<Item = usize> {
    let x = i % width;
    [
        (x > 0).then(|| i - 1),
        (x + 1 < width).then_some(i + 1),
        i.checked_sub(width),
        (i + width < len).then_some(i + width),
    ]
    .into_iter()
    .flatten()
}

/// A single-channel picture of floats, row-major.
#[derive(Debug, Clone, PartialEq)]
pub struct Plane {
    /// Width, px.
    pub width: usize,
    /// Height, px.
    pub height: usize,
    /// Row-major values.
    pub data: Vec<f32>,
}

impl Plane {
    /// A plane filled with one value.
    pub fn filled(width: usize, height: usize, value: f32) -> Plane {
        Plane { width, height, data: vec![value; width * height] }
    }

    /// The value at a place, clamped to the border.
    #[inline]
    pub fn at(&self, x: isize, y: isize) -> f32 {
        let x = x.clamp(0, self.width as isize - 1) as usize;
        let y = y.clamp(0, self.height as isize - 1) as usize;
        self.data[y * self.width + x]
    }

    /// Bilinear value at a fractional place, clamped to the border.
    #[inline]
    pub fn bilinear(&self, x: f32, y: f32) -> f32 {
        let x = x.clamp(0.0, (self.width - 1) as f32);
        let y = y.clamp(0.0, (self.height - 1) as f32);
        let (x0, y0) = (x as usize, y as usize);
        let (x1, y1) = ((x0 + 1).min(self.width - 1), (y0 + 1).min(self.height - 1));
        let (fx, fy) = (x - x0 as f32, y - y0 as f32);
        let top =
            self.data[y0 * self.width + x0] * (1.0 - fx) + self.data[y0 * self.width + x1] * fx;
        let low =
            self.data[y1 * self.width + x0] * (1.0 - fx) + self.data[y1 * self.width + x1] * fx;
        top * (1.0 - fy) + low * fy
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn an_empty_map_and_a_label_without_pixels() {
        assert!(bounds(&[0, 0], 2, 0).is_empty());
        assert_eq!(bounds(&[2, 2], 2, 2)[0], None);
    }

    proptest! {
        #[test]
        fn runs_are_what_follows_each_other(line in proptest::collection::vec((0u16..3, 1usize..70), 0..8)) {
            let plain: Vec<u16> = line.iter().flat_map(|(v, n)| vec![*v; *n]).collect();
            let mut end = 0;
            let wanted: Vec<_> = plain
                .chunk_by(|a, b| a == b)
                .map(|run| {
                    end += run.len();
                    (run[0], end - run.len()..end)
                })
                .collect();
            prop_assert_eq!(runs(&plain).collect::<Vec<_>>(), wanted);
        }

        #[test]
        fn bounds_hold_all_pixels_of_a_label_and_no_more(
            labels in proptest::collection::vec(0u16..4, 1..120), width in 1usize..12
        ) {
            let labels = &labels[..labels.len() - labels.len() % width];
            for (k, found) in bounds(labels, width, 4).into_iter().enumerate() {
                let own = || (0..labels.len()).filter(|i| usize::from(labels[*i]) == k + 1);
                let rows = own().map(|i| i / width);
                let wanted = rows.clone().min().zip(rows.max()).map(|(row, last)| {
                    let cols = own().map(|i| i % width);
                    let (col, far) = (cols.clone().min().unwrap_or(0), cols.max().unwrap_or(0));
                    Bounds { row, col, row_end: last + 1, col_end: far + 1 }
                });
                prop_assert_eq!(found, wanted);
            }
        }
    }
}
