//! Whether a photograph is good enough to be measured: numbers held against limits, before the
//! fruit is looked at.
//!
//! [`measure`] takes the numbers, [`judge`] holds them against [`CheckSettings`];
//! [`photograph`] does both. Limits are common practice set between good and bad renderings with
//! room on both sides; they come from no standard.

pub mod tray;

use image::RgbImage;
use rayon::prelude::*;

use crate::finding::{ColourFacts, Finding, Severity};
use crate::frame::{CameraSource, FrameSource, Px};
use crate::marks::Marks;
use crate::photo::Photo;
use crate::segment;

/// Limits of the checks.
#[derive(Debug, Clone, PartialEq)]
pub struct CheckSettings {
    /// Widest edge of a sharp photograph, px (contrast divided by steepest slope; 2 to 8). A
    /// Gaussian blur of standard deviation s gives 2.5 s. Good renderings 1.4 to 2.5, a blurred one
    /// 9.
    pub max_edge_px: f64,
    /// Edges wider than this are measured with a caution, px.
    pub caution_edge_px: f64,
    /// Edges narrower than this on the tray are sharp enough however many pixels they take, mm
    /// (cameras of many pixels; 0.2 to 0.5).
    pub fine_edge_mm: f64,
    /// Edges of one direction wider than those across it by more than this factor were moved, not
    /// out of focus (1.3 to 3).
    pub motion_ratio: f64,
    /// Fewest edges that a width is believed from.
    pub min_edges: usize,
    /// Smallest step that counts as an edge, as a part of the picture's own range from dark to
    /// bright (0.2 to 0.8).
    pub edge_contrast: f64,
    /// Least white of the tiles' paper, sRGB code 0 to 255 (good renderings 224 and more, a dark
    /// one 69).
    pub min_paper_code: f64,
    /// Without paper: least code that the brightest twentieth of the picture reaches, sRGB code 0
    /// to 255 (good renderings 140 and more, a dark one 63).
    pub min_bright_code: f64,
    /// Largest share of the tray with all three channels clipped, 0 to 1 (good renderings 0.06 and
    /// less, glare on steel included; an over-exposed one 0.74).
    pub max_clipped_share: f64,
    /// Brightest ink of the tiles, sRGB code 0 to 255: stray light and over-exposure lift it (good
    /// renderings 113 and less, an over-exposed one 155).
    pub max_ink_code: f64,
    /// A larger clipped share than this is measured with a caution, 0 to 1.
    pub caution_clipped_share: f64,
    /// Largest share of coloured pixels (fruit rather than floor) with a clipped channel,
    /// 0 to 1 (good renderings 0.33 and less, for yellow fruit on steel).
    pub max_object_clipped_share: f64,
    /// A larger share than this is measured with a caution, 0 to 1.
    pub caution_object_clipped_share: f64,
    /// A channel from this sRGB code on is clipped (JPEG rounds by a code or two).
    pub clipped_code: u8,
    /// Least room between the tray floor's corners and the picture's edge, mm (good renderings 4.5
    /// and more).
    pub min_room_mm: f64,
    /// With the tray's outline unknown: most objects that one side of the picture may cut (good
    /// renderings 2 and fewer, cropped ones 4 to 14).
    pub max_cut_objects: usize,
    /// Smallest object that is to be measured, mm.
    pub smallest_object_mm: f64,
    /// Fewest pixels across the smallest object.
    pub min_object_px: f64,
    /// Fewer pixels than this across it are measured with a caution.
    pub caution_object_px: f64,
    /// The camera may look past the tray's upright by this without a caution, degrees.
    pub caution_tilt_deg: f64,
    /// Largest tilt, degrees (good renderings 13 and less).
    pub max_tilt_deg: f64,
    /// White paper brighter than this in any channel is measured with a caution, sRGB code 0 to 255:
    /// beyond 255 the camera cuts off (good renderings 248 and less).
    pub caution_paper_code: f64,
    /// Farthest that a grey patch may be from neutral after correction without a caution, CIEDE2000
    /// (good renderings 2.8 and less).
    pub caution_patch_delta_e00: f64,
    /// Floor with less than this part of the lit floor's light lies in deep shadow, 0 to 1 (four
    /// tenths: one stop and a third; common practice, no source).
    pub deep_shadow: f64,
    /// A larger share of the visible floor than this in deep shadow is measured with a caution, 0
    /// to 1.
    pub caution_shaded_share: f64,
    /// Least light on the darkest tile's paper, as a part of that on the brightest's, 0 to 1 (good
    /// renderings 0.7 and more).
    pub min_evenness: f64,
    /// Less than this is measured with a caution, 0 to 1.
    pub caution_evenness: f64,
    /// Side of the square in which crowding is judged, mm: a handful of berries each way.
    pub cover_window_mm: f64,
    /// Largest share of such a square that objects may cover, 0 to 1. Equal discs cover 0.907 at
    /// most (Lagrange 1773 and Thue 1910: pi / sqrt 12), berries of many sizes seen from above a
    /// little more; crowded renderings of one layer reach 0.86.
    pub max_cover: f64,
    /// A larger share than this is measured with a caution, 0 to 1.
    pub caution_cover: f64,
    /// Fewest objects in a tray with fruit.
    pub min_objects: usize,
    /// Fewer objects than this are measured with a caution.
    pub caution_objects: usize,
}

impl Default for CheckSettings {
    fn default() -> Self {
        CheckSettings {
            max_edge_px: 4.5,
            caution_edge_px: 3.5,
            fine_edge_mm: 0.35,
            motion_ratio: 1.6,
            min_edges: 40,
            edge_contrast: 0.4,
            min_paper_code: 120.0,
            min_bright_code: 110.0,
            max_clipped_share: 0.35,
            max_ink_code: 135.0,
            caution_clipped_share: 0.15,
            max_object_clipped_share: 0.6,
            caution_object_clipped_share: 0.15,
            clipped_code: 253,
            min_room_mm: 0.0,
            max_cut_objects: 3,
            smallest_object_mm: 3.0,
            min_object_px: 9.0,
            caution_object_px: 12.0,
            caution_tilt_deg: 15.0,
            max_tilt_deg: 20.0,
            caution_paper_code: 251.0,
            caution_patch_delta_e00: 3.0,
            deep_shadow: 0.4,
            caution_shaded_share: 0.15,
            min_evenness: 0.35,
            caution_evenness: 0.5,
            cover_window_mm: 60.0,
            max_cover: 0.96,
            caution_cover: 0.91,
            min_objects: 1,
            caution_objects: 10,
        }
    }
}

/// Widths of edges, by direction.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct EdgeWidth {
    /// Median width of edges whose slope runs mostly along x, px.
    pub along_x_px: f64,
    /// The same along y, px.
    pub along_y_px: f64,
}

impl EdgeWidth {
    /// The wider of the two, px.
    pub fn widest_px(&self) -> f64 {
        self.along_x_px.max(self.along_y_px)
    }

    /// How much wider one direction is than the other, at least 1.
    pub fn ratio(&self) -> f64 {
        self.widest_px() / self.along_x_px.min(self.along_y_px).max(1e-6)
    }
}

/// The frame's numbers.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FrameFacts {
    /// Where the frame came from.
    pub source: FrameSource,
    /// Tiles known.
    pub tiles: usize,
    /// Least room between a corner of the tray's floor and the picture's edge, mm; negative when
    /// outside; none when the tray's size is unknown.
    pub room_mm: Option<f64>,
    /// Pixels per millimetre where they are fewest in the tray.
    pub px_per_mm: f64,
    /// Angle between the optical axis and the tray's upright, degrees; none when the focal length
    /// is unknown.
    pub tilt_deg: Option<f64>,
}

/// What was measured of one photograph.
#[derive(Debug, Clone, PartialEq)]
pub struct Facts {
    /// Edge widths; none when there are too few edges.
    pub edges: Option<EdgeWidth>,
    /// Whether they were taken at the tiles.
    pub edges_of_tiles: bool,
    /// White of the tiles' paper (90th percentile of grey within the symbols), sRGB code.
    pub paper_code: Option<f64>,
    /// Black of the tiles' ink (10th percentile of grey within the symbols), sRGB code.
    pub ink_code: Option<f64>,
    /// 95th percentile of grey, sRGB code.
    pub bright_code: f64,
    /// Share of the tray (without one, of the picture) with all channels clipped.
    pub clipped_share: f64,
    /// Share of coloured pixels (fruit rather than floor) there with a clipped channel.
    pub object_clipped_share: f64,
    /// Most objects that one side of the picture cuts; none when the tray's outline is known.
    pub cut_objects: Option<usize>,
    /// The frame; none when there is none.
    pub frame: Option<FrameFacts>,
}

/// Takes the numbers. `marks` is none when no frame was found.
pub fn measure(photo: &Photo, marks: Option<&Marks>, settings: &CheckSettings) -> Facts {
    let rgb = &photo.rgb;
    let (width, height) = (rgb.width() as usize, rgb.height() as usize);
    let outline = marks
        .and_then(|m| Some((m, m.frame.tray_mm?)))
        .map(|(m, size)| segment::tray_outline(&m.frame, size, 1.0));
    let light = light(rgb, outline.as_deref(), settings);
    let tiles: Vec<[usize; 4]> = marks
        .map(|m| m.tiles.iter().filter_map(|t| window(&t.corners_px, width, height)).collect())
        .unwrap_or_default();
    let mut edges = None;
    let (mut paper_code, mut ink_code) = (None, None);
    if !tiles.is_empty() {
        let all: Vec<(Vec<Edge>, [f64; 2])> = tiles
            .par_iter()
            .map(|w| {
                let [low, high] = range(rgb, *w, 2, [0.1, 0.9]);
                let step = settings.edge_contrast * (high - low).max(1.0);
                (edges_in(rgb, *w, 1, step), [low, high])
            })
            .collect();
        let mut codes = [0, 1].map(|k| all.iter().map(|a| a.1[k]).collect::<Vec<f64>>());
        [ink_code, paper_code] = [0, 1].map(|k| median(&mut codes[k]));
        let found: Vec<Edge> = all.into_iter().flat_map(|a| a.0).collect();
        edges = widths(&found, settings.min_edges);
    }
    let edges_of_tiles = edges.is_some();
    if !edges_of_tiles {
        let stride = (width.max(height) / 250).max(1);
        let whole = [0, 0, width, height];
        let [low, high] = range(rgb, whole, stride, [0.02, 0.98]);
        let found = edges_in(rgb, whole, stride, settings.edge_contrast * (high - low).max(1.0));
        edges = widths(&found, settings.min_edges);
    }
    let cut_objects = outline.is_none().then(|| cut_objects(rgb));
    let frame = marks.map(|m| {
        let f = &m.frame;
        let corners: Vec<[f64; 2]> = f
            .tray_mm
            .map(|[w, h]| vec![[0.0, 0.0], [w, 0.0], [w, h], [0.0, h]])
            .unwrap_or_default();
        let room_mm = corners
            .iter()
            .map(|c| {
                let [x, y] = f.to_px(*c);
                let (w, h) = (width as f64 - 1.0, height as f64 - 1.0);
                x.min(y).min(w - x).min(h - y) / f.px_per_mm
            })
            .reduce(f64::min);
        let fewest = corners.iter().map(|c| f.px_per_mm_at(*c)).fold(f.px_per_mm, f64::min);
        let known = f.camera_source != CameraSource::Default && f.source != FrameSource::GivenScale;
        let tilt_deg = known.then(|| {
            let [x, y] = f.to_mm(f.lens.centre_px);
            let [cx, cy, cz] = f.camera_mm;
            (x - cx).hypot(y - cy).atan2(cz).to_degrees()
        });
        FrameFacts { source: f.source, tiles: m.tiles.len(), room_mm, px_per_mm: fewest, tilt_deg }
    });
    Facts {
        edges,
        edges_of_tiles,
        paper_code,
        ink_code,
        bright_code: light.bright,
        clipped_share: light.clipped,
        object_clipped_share: light.object_clipped,
        cut_objects,
        frame,
    }
}

fn grey(p: [u8; 3]) -> f32 {
    (f32::from(p[0]) + 2.0 * f32::from(p[1]) + f32::from(p[2])) / 4.0
}

fn grey_at(rgb: &RgbImage, x: usize, y: usize) -> f32 {
    let i = 3 * (y * rgb.width() as usize + x);
    match rgb.as_raw().get(i..i + 3) {
        Some(p) => grey([p[0], p[1], p[2]]),
        None => 0.0,
    }
}

fn median(values: &mut [f64]) -> Option<f64> {
    let mid = values.len() / 2;
    (!values.is_empty()).then(|| *values.select_nth_unstable_by(mid, f64::total_cmp).1)
}

/// Bounding box of a polygon within the picture: left, top, right, bottom (past the end).
fn window(corners: &[Px], width: usize, height: usize) -> Option<[usize; 4]> {
    let bound = |k: usize, limit: usize| {
        let low = corners.iter().map(|c| c[k]).fold(f64::INFINITY, f64::min).floor().max(0.0);
        let high = corners.iter().map(|c| c[k]).fold(0.0, f64::max).ceil();
        (low as usize, (high as usize + 1).min(limit))
    };
    let ((x0, x1), (y0, y1)) = (bound(0, width), bound(1, height));
    (x1 > x0 + 8 && y1 > y0 + 8).then_some([x0, y0, x1, y1])
}

/// Quantiles of grey in a window.
fn range(rgb: &RgbImage, [x0, y0, x1, y1]: [usize; 4], step: usize, at: [f64; 2]) -> [f64; 2] {
    let mut counts = [0u32; 256];
    for y in (y0..y1).step_by(step) {
        for x in (x0..x1).step_by(step) {
            counts[grey_at(rgb, x, y) as usize & 255] += 1;
        }
    }
    at.map(|q| quantile(&counts, q))
}

fn quantile(counts: &[u32; 256], q: f64) -> f64 {
    let total: u64 = counts.iter().map(|c| u64::from(*c)).sum();
    let mut seen = 0u64;
    for (code, n) in counts.iter().enumerate() {
        seen += u64::from(*n);
        if seen as f64 >= q * total as f64 {
            return code as f64;
        }
    }
    255.0
}

struct Lighting {
    bright: f64,
    clipped: f64,
    object_clipped: f64,
}

/// Pixels counted: by brightness, all, clipped, coloured, and coloured with a clipped channel.
struct Seen {
    counts: [u32; 256],
    all: u32,
    clipped: u32,
    objects: u32,
    object_clipped: u32,
}

impl Default for Seen {
    fn default() -> Seen {
        Seen { counts: [0; 256], all: 0, clipped: 0, objects: 0, object_clipped: 0 }
    }
}

impl Seen {
    fn and(mut self, other: Seen) -> Seen {
        self.counts.iter_mut().zip(other.counts).for_each(|(n, more)| *n += more);
        self.all += other.all;
        self.clipped += other.clipped;
        self.objects += other.objects;
        self.object_clipped += other.object_clipped;
        self
    }
}

/// Brightness and clipping on a grid of pixels.
fn light(rgb: &RgbImage, outline: Option<&[Px]>, settings: &CheckSettings) -> Lighting {
    let (width, height) = (rgb.width() as usize, rgb.height() as usize);
    let step = (width.max(height) / 700).max(1);
    let limit = settings.clipped_code;
    let of_row = |mut seen: Seen, y: usize| {
        let [from, to] = match outline {
            None => [0, width],
            Some(polygon) => span(polygon, y as f64, width),
        };
        for x in (from..to).step_by(step) {
            let p = rgb.get_pixel(x as u32, y as u32).0;
            let most = p[0].max(p[1]).max(p[2]);
            let least = p[0].min(p[1]).min(p[2]);
            seen.counts[grey(p) as usize & 255] += 1;
            seen.all += 1;
            seen.clipped += u32::from(least >= limit);
            if least < limit && most > 60 && u32::from(most - least) * 5 > u32::from(most) {
                seen.objects += 1;
                seen.object_clipped += u32::from(most >= limit);
            }
        }
        seen
    };
    let rows = (0..height).into_par_iter().step_by(step).with_min_len(32);
    let seen = rows.fold(Seen::default, of_row).reduce(Seen::default, Seen::and);
    let Seen { counts, all, clipped, objects, object_clipped } = seen;
    let part = |n: u32, of: u32| f64::from(n) / f64::from(of.max(1));
    Lighting {
        bright: quantile(&counts, 0.95),
        clipped: part(clipped, all),
        object_clipped: part(object_clipped, objects),
    }
}

/// Where a row crosses a convex polygon.
fn span(polygon: &[Px], y: f64, width: usize) -> [usize; 2] {
    let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
    for (k, a) in polygon.iter().enumerate() {
        let b = polygon[(k + 1) % polygon.len()];
        if (a[1] <= y) != (b[1] <= y) {
            let x = a[0] + (b[0] - a[0]) * (y - a[1]) / (b[1] - a[1]);
            low = low.min(x);
            high = high.max(x);
        }
    }
    if low > high {
        return [0, 0];
    }
    let inside = |v: f64| v.clamp(0.0, width as f64) as usize;
    [inside(low.ceil()), inside(high.floor() + 1.0)]
}

/// One edge: its contrast divided by its steepest slope, and the axis the slope runs along.
struct Edge {
    width_px: f32,
    along_x: bool,
}

/// Edges met by every `stride`-th row and column of a window with at least `step` codes of
/// contrast.
fn edges_in(rgb: &RgbImage, w: [usize; 4], stride: usize, step: f64) -> Vec<Edge> {
    let [x0, y0, x1, y1] = w;
    let mut out: Vec<Edge> = (y0 + 1..y1.saturating_sub(1))
        .into_par_iter()
        .step_by(stride)
        .flat_map_iter(|y| {
            scan(x1 - x0, step as f32, true, |k, side| {
                grey_at(rgb, x0 + k, y.wrapping_add_signed(side))
            })
        })
        .collect();
    out.par_extend((x0 + 1..x1.saturating_sub(1)).into_par_iter().step_by(stride).flat_map_iter(
        |x| {
            scan(y1 - y0, step as f32, false, |k, side| {
                grey_at(rgb, x.wrapping_add_signed(side), y0 + k)
            })
        },
    ));
    out
}

/// Follows one line: every run that only rises or only falls, with enough contrast, is an edge.
/// The slope is the gradient's length, so that slanting edges are no wider than straight ones.
fn scan(len: usize, step: f32, along_x: bool, at: impl Fn(usize, isize) -> f32) -> Vec<Edge> {
    let line: Vec<f32> = (0..len).map(|k| at(k, 0)).collect();
    let mut out = Vec::new();
    let mut start = 0;
    while start + 1 < len {
        let rising = line[start + 1] >= line[start];
        let mut end = start + 1;
        while end + 1 < len && (line[end + 1] >= line[end]) == rising {
            end += 1;
        }
        let contrast = (line[end] - line[start]).abs();
        if contrast >= step {
            let slope = |k: usize| (line[k + 1] - line[k]).abs();
            let best = (start..end).max_by(|a, b| slope(*a).total_cmp(&slope(*b)));
            if let Some(k) = best {
                let along = slope(k);
                let across = (at(k, 1) - at(k, -1) + at(k + 1, 1) - at(k + 1, -1)).abs() / 4.0;
                // Each line sees the edges that lie across it.
                if across <= along && along > 0.0 {
                    out.push(Edge { width_px: contrast / along.hypot(across), along_x });
                }
            }
        }
        start = end;
    }
    out
}

/// Median width by direction; none with too few edges in either.
fn widths(edges: &[Edge], fewest: usize) -> Option<EdgeWidth> {
    let middle = |x: bool| {
        let mut w: Vec<f64> =
            edges.iter().filter(|e| e.along_x == x).map(|e| f64::from(e.width_px)).collect();
        if w.len() < fewest { None } else { median(&mut w) }
    };
    Some(EdgeWidth { along_x_px: middle(true)?, along_y_px: middle(false)? })
}

/// Things about as wide as berries that the picture's edge cuts: runs along the outermost rows and
/// columns that stand out from what lies beside them.
fn cut_objects(rgb: &RgbImage) -> usize {
    cut_sides(rgb).into_iter().max().unwrap_or(0)
}

/// The same by side: top, bottom, left, right.
fn cut_sides(rgb: &RgbImage) -> [usize; 4] {
    let (width, height) = (rgb.width() as usize, rgb.height() as usize);
    let inset = (width.max(height) / 400).max(1);
    if width <= 4 * inset || height <= 4 * inset {
        return [0; 4];
    }
    let longer = width.max(height);
    let lines: [(usize, bool); 4] =
        [(inset, true), (height - 1 - inset, true), (inset, false), (width - 1 - inset, false)];
    lines.map(|(fixed, level)| {
        let len = if level { width } else { height };
        let line: Vec<f32> = (0..len / inset)
            .map(|i| {
                // Mean of a few, so that grain and specks do not count.
                let sum: f32 = (0..inset)
                    .map(|j| {
                        let k = i * inset + j;
                        if level { grey_at(rgb, k, fixed) } else { grey_at(rgb, fixed, k) }
                    })
                    .sum();
                sum / inset as f32
            })
            .collect();
        runs_apart(&line, longer / inset)
    })
}

/// Counts runs darker than three quarters of the line's local upper level, from 1 % to 12 % of
/// `longer` wide.
fn runs_apart(line: &[f32], longer: usize) -> usize {
    let reach = longer / 8;
    let (mut count, mut run) = (0, 0usize);
    for i in 0..=line.len() {
        let apart = i < line.len() && {
            let near = &line[i.saturating_sub(reach)..(i + reach).min(line.len())];
            let mut sorted: Vec<f32> = near.to_vec();
            let at = sorted.len() * 4 / 5;
            let level = *sorted.select_nth_unstable_by(at, f32::total_cmp).1;
            line[i] < 0.75 * level
        };
        if apart {
            run += 1;
        } else {
            count += usize::from(run * 100 >= longer && run * 100 <= 12 * longer);
            run = 0;
        }
    }
    count
}

/// Measures and judges.
pub fn photograph(photo: &Photo, marks: Option<&Marks>, settings: &CheckSettings) -> Vec<Finding> {
    judge(&measure(photo, marks, settings), settings)
}

/// Holds the numbers against their limits, worst first; of refusals the cause before its effects.
///
/// What cannot be believed is not judged: edges and the picture's border say nothing in the dark
/// or in the glare.
pub fn judge(facts: &Facts, settings: &CheckSettings) -> Vec<Finding> {
    let mut out = vec![brightness(facts, settings)];
    out.extend(clipping(facts, settings));
    out.extend(facts.ink_code.and_then(|code| lifted_ink(code, settings)));
    let lit = out.iter().all(|f| f.severity != Severity::Refusal);
    if lit {
        out.extend(facts.edges.map(|e| sharpness(e, facts, settings)));
    }
    let sharp = out.iter().all(|f| f.severity != Severity::Refusal);
    if let Some(cut) = facts.cut_objects.filter(|_| sharp) {
        out.push(cropping_by_objects(cut, settings));
    }
    if let Some(frame) = &facts.frame {
        out.extend(framing(frame, settings));
    }
    sort(&mut out);
    out
}

/// Worst first, otherwise in the order given.
pub fn sort(findings: &mut [Finding]) {
    findings.sort_by_key(|f| std::cmp::Reverse(f.severity));
}

/// What can be said of light and colour: burnt paper, when it is, whether the slip's grey patches
/// came out neutral, and whether all tiles are lit alike.
pub fn colour(facts: &ColourFacts, settings: &CheckSettings) -> Vec<Finding> {
    let burnt = facts.paper_code.and_then(|code| burnt_paper(code, settings));
    let patches = facts.grey_patches_delta_e00.filter(|_| !facts.grey);
    let cast = patches.map(|off| colour_cast(off, settings));
    let uneven = facts.paper_evenness.map(|part| evenness(part, settings));
    burnt.into_iter().chain(cast).chain(uneven).collect()
}

/// Shadow or glare over part of the tray, where a tile's paper shows it.
fn evenness(part: f64, settings: &CheckSettings) -> Finding {
    let (refused, beware) = (part < settings.min_evenness, part < settings.caution_evenness);
    let limit = if beware && !refused { settings.caution_evenness } else { settings.min_evenness };
    let (p, l) = (100.0 * part, 100.0 * limit);
    Finding {
        check: "uneven-light",
        severity: weigh(refused, beware),
        value: Some(part),
        limit: Some(limit),
        unit: "share",
        message: if beware {
            format!(
                "uneven light: the darkest tile gets {p:.0} % of the light of the brightest ({} {l:.0} %); keep shadows off the tray, light it from two sides, and photograph it again",
                if refused { "at least" } else { "better above" }
            )
        } else {
            format!(
                "even light: the darkest tile gets {p:.0} % of that of the brightest (at least {l:.0} %)"
            )
        },
    }
}

/// White that is cut off says nothing of the light; said only when it is so.
fn burnt_paper(code: f64, settings: &CheckSettings) -> Option<Finding> {
    let limit = settings.caution_paper_code;
    (code > limit).then(|| Finding {
        check: "paper-burnt-out",
        severity: Severity::Caution,
        value: Some(code),
        limit: Some(limit),
        unit: "sRGB code",
        message: format!(
            "paper burnt out: a tile's white reaches {code:.0} of 255 (better up to {limit:.0}), so that light and colour cast are known less well; expose less"
        ),
    })
}

fn colour_cast(off: f64, settings: &CheckSettings) -> Finding {
    let limit = settings.caution_patch_delta_e00;
    let beware = off > limit;
    Finding {
        check: "colour-cast",
        severity: weigh(false, beware),
        value: Some(off),
        limit: Some(limit),
        unit: "CIEDE2000",
        message: if beware {
            format!(
                "colour cast: a grey patch of the slip is {off:.1} from neutral after correction (better below {limit:.1}); light tray and slip alike, print a clean slip, or give measured patches (--patches)"
            )
        } else {
            format!(
                "grey patches within {off:.1} of neutral after correction (CIEDE2000, at most {limit:.1})"
            )
        },
    }
}

/// Whether anything but bare floor was found in the tray; to be asked after the objects were.
pub fn fruit(objects: usize, settings: &CheckSettings) -> Finding {
    let few = objects < settings.min_objects;
    let beware = objects < settings.caution_objects;
    Finding {
        check: "no-fruit",
        severity: weigh(few, beware),
        value: Some(objects as f64),
        limit: Some(
            if few || !beware { settings.min_objects } else { settings.caution_objects } as f64
        ),
        unit: "objects",
        message: if few {
            format!(
                "no fruit: {objects} objects in the tray (at least {}); spread the sample over the tray floor and photograph it again",
                settings.min_objects
            )
        } else if beware {
            format!(
                "{objects} objects only in the tray ({} or more say something); put in more of the sample",
                settings.caution_objects
            )
        } else {
            format!("{objects} objects in the tray")
        },
    }
}

fn weigh(refuse: bool, beware: bool) -> Severity {
    match (refuse, beware) {
        (true, _) => Severity::Refusal,
        (false, true) => Severity::Caution,
        (false, false) => Severity::Fine,
    }
}

fn brightness(facts: &Facts, settings: &CheckSettings) -> Finding {
    let (what, code, limit) = match facts.paper_code {
        Some(code) => ("the tiles' white paper", code, settings.min_paper_code),
        None => {
            ("the brightest twentieth of the picture", facts.bright_code, settings.min_bright_code)
        }
    };
    let dark = code < limit;
    Finding {
        check: "too-dark",
        severity: weigh(dark, false),
        value: Some(code),
        limit: Some(limit),
        unit: "sRGB code",
        message: if dark {
            format!(
                "too dark: {what} is at {code:.0} of 255 (at least {limit:.0}); give more light or a longer exposure and photograph it again"
            )
        } else {
            format!("bright enough: {what} is at {code:.0} of 255 (at least {limit:.0})")
        },
    }
}

/// Black that is not black; said only when it is so.
fn lifted_ink(code: f64, settings: &CheckSettings) -> Option<Finding> {
    let limit = settings.max_ink_code;
    (code > limit).then(|| Finding {
        check: "washed-out",
        severity: Severity::Refusal,
        value: Some(code),
        limit: Some(limit),
        unit: "sRGB code",
        message: format!(
            "washed out: the tiles' black ink is at {code:.0} of 255 (at most {limit:.0}); expose less, keep stray light off the lens, and photograph it again"
        ),
    })
}

/// Whether a value that should be small is refused or cautioned, and the limit to speak of.
fn against(value: f64, caution: f64, most: f64) -> (bool, bool, f64) {
    let (refused, beware) = (value > most, value > caution);
    (refused, beware, if beware && !refused { caution } else { most })
}

fn clipping(facts: &Facts, settings: &CheckSettings) -> [Finding; 2] {
    let (refused, beware, limit) =
        against(facts.clipped_share, settings.caution_clipped_share, settings.max_clipped_share);
    let share = facts.clipped_share;
    let (p, l) = (100.0 * share, 100.0 * limit);
    let tray = Finding {
        check: "over-exposed",
        severity: weigh(refused, beware),
        value: Some(share),
        limit: Some(limit),
        unit: "share",
        message: if refused {
            format!(
                "over-exposed: {p:.0} % of the tray is burnt out to white (at most {l:.0} %); expose less, move the lamp away, and photograph it again"
            )
        } else if beware {
            format!(
                "glare: {p:.0} % of the tray is burnt out to white (better below {l:.0} %); shade or move the lamp"
            )
        } else {
            format!("{p:.1} % of the tray is burnt out to white (at most {l:.0} %)")
        },
    };
    let (refused, beware, limit) = against(
        facts.object_clipped_share,
        settings.caution_object_clipped_share,
        settings.max_object_clipped_share,
    );
    let share = facts.object_clipped_share;
    let (p, l) = (100.0 * share, 100.0 * limit);
    let objects = Finding {
        check: "clipped-highlights",
        severity: weigh(refused, beware),
        value: Some(share),
        limit: Some(limit),
        unit: "share",
        message: if refused {
            format!(
                "clipped highlights: {p:.0} % of the coloured parts have lost a colour channel (at most {l:.0} %); expose less and photograph it again"
            )
        } else if beware {
            format!(
                "clipped highlights: {p:.0} % of the coloured parts have lost a colour channel (better below {l:.0} %); expose less, colours are less certain"
            )
        } else {
            format!("{p:.1} % of the coloured parts have lost a colour channel (at most {l:.0} %)")
        },
    };
    [tray, objects]
}

fn sharpness(edges: EdgeWidth, facts: &Facts, settings: &CheckSettings) -> Finding {
    let width = edges.widest_px();
    let fine = facts.frame.as_ref().is_some_and(|f| width < settings.fine_edge_mm * f.px_per_mm);
    let refused = !fine && width > settings.max_edge_px;
    let beware = !fine && width > settings.caution_edge_px;
    let limit = if beware && !refused { settings.caution_edge_px } else { settings.max_edge_px };
    let moved = edges.ratio() > settings.motion_ratio && beware;
    let place = if facts.edges_of_tiles { "at the tiles" } else { "at the strongest edges" };
    let (name, todo) = if moved {
        ("motion blur", "hold the camera still (a stand, more light)")
    } else {
        ("out of focus", "focus on the tray, wipe the lens")
    };
    Finding {
        check: if moved { "motion-blur" } else { "out-of-focus" },
        severity: weigh(refused, beware),
        value: Some(width),
        limit: Some(limit),
        unit: "px",
        message: if refused {
            format!(
                "{name}: edges are {width:.1} px wide {place} (at most {limit:.1} px); {todo} and photograph it again"
            )
        } else if beware {
            format!(
                "{name}, a little: edges are {width:.1} px wide {place} (better below {limit:.1} px); {todo}"
            )
        } else {
            format!("sharp: edges are {width:.1} px wide {place} (at most {limit:.1} px)")
        },
    }
}

fn cropping_by_objects(cut: usize, settings: &CheckSettings) -> Finding {
    let limit = settings.max_cut_objects;
    let refused = cut > limit;
    Finding {
        check: "tray-cropped",
        severity: weigh(refused, false),
        value: Some(cut as f64),
        limit: Some(limit as f64),
        unit: "objects cut",
        message: if refused {
            format!(
                "tray cropped: a side of the picture cuts {cut} objects (at most {limit}) and the tray's walls are not all in view; step back until the whole tray and all four tiles are in the picture"
            )
        } else {
            format!("no side of the picture cuts more than {cut} objects (at most {limit})")
        },
    }
}

fn framing(frame: &FrameFacts, settings: &CheckSettings) -> Vec<Finding> {
    let missing = 4usize.saturating_sub(frame.tiles);
    let mut out = vec![Finding {
        check: "mark-missing",
        severity: weigh(false, missing > 0),
        value: Some(frame.tiles as f64),
        limit: Some(4.0),
        unit: "tiles",
        message: match frame.tiles {
            0 | 1 => format!(
                "{} of the four tiles read: the scale comes from what was given by hand; lay a tile flat in every corner",
                frame.tiles
            ),
            2 | 3 => format!(
                "{} of the four tiles read; lay all four flat in their corners, clean and uncovered",
                frame.tiles
            ),
            _ => "all four tiles read".to_string(),
        },
    }];
    if let Some(room) = frame.room_mm {
        let limit = settings.min_room_mm;
        let refused = room < limit;
        out.push(Finding {
            check: "tray-cropped",
            severity: weigh(refused, false),
            value: Some(room),
            limit: Some(limit),
            unit: "mm",
            message: if refused {
                format!(
                    "tray cropped: a corner of the tray floor lies {:.0} mm outside the picture's limit ({limit:.0} mm from its edge); step back until the whole tray is in the picture",
                    limit - room
                )
            } else {
                format!("whole tray in view: {room:.0} mm to spare at the tightest corner (at least {limit:.0} mm)")
            },
        });
    }
    let size = settings.smallest_object_mm;
    let across = frame.px_per_mm * size;
    let refused = across < settings.min_object_px;
    let beware = across < settings.caution_object_px;
    let limit =
        if beware && !refused { settings.caution_object_px } else { settings.min_object_px };
    let scale = frame.px_per_mm;
    // A scale that was given is the same all over.
    let place = match frame.source {
        FrameSource::GivenScale => "",
        _ => " at the farthest corner",
    };
    out.push(Finding {
        check: "too-few-pixels",
        severity: weigh(refused, beware),
        value: Some(scale),
        limit: Some(limit / size),
        unit: "px/mm",
        message: if beware {
            format!(
                "too few pixels: scale {scale:.2} px/mm{place}, an object of {size:.0} mm is {across:.1} px across (at least {limit:.0} px); move closer or photograph at full resolution"
            )
        } else {
            format!(
                "scale {scale:.2} px/mm{place}: an object of {size:.0} mm is {across:.0} px across (at least {limit:.0} px)"
            )
        },
    });
    if let Some(tilt) = frame.tilt_deg {
        let (refused, beware, limit) =
            against(tilt, settings.caution_tilt_deg, settings.max_tilt_deg);
        out.push(Finding {
            check: "tilted",
            severity: weigh(refused, beware),
            value: Some(tilt),
            limit: Some(limit),
            unit: "degrees",
            message: if beware {
                format!(
                    "tilted: the camera looks {tilt:.0} degrees past the upright (at most {limit:.0}); hold it level above the tray's middle"
                )
            } else {
                format!("camera level to {tilt:.1} degrees (at most {limit:.0})")
            },
        });
    }
    out
}

#[cfg(test)]
mod tests;
