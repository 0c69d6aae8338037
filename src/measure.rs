//! From labels to one set of measures an object. This module knows nothing of classes or
//! statistics.
//!
//! Lengths and areas are on the tray floor, with the photograph's parallax taken out as for a
//! ball that lies on the floor ([`Silhouette::ball`]); for flat things there is
//! [`Silhouette::flat`]. Formulas of the ball's silhouette: exact pinhole geometry.

use std::ops::Range;

use rayon::prelude::*;

use crate::colour;
use crate::frame::TrayFrame;
use crate::segment::distance::squared_distance;
use crate::segment::floor::box_blur;
use crate::segment::work::Work;
use crate::segment::{Bounds, LabelMap, bounds, runs};

/// What is measured of one object, before anything is judged.
#[derive(Debug, Clone, Default, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Measures {
    /// Label in the label map, from 1.
    pub object: u32,
    /// Centroid row, px (first pixel's centre = 0).
    pub row: f64,
    /// Centroid column, px.
    pub col: f64,
    /// Tray-floor point under the object's centre, x, mm.
    pub x_mm: f64,
    /// Tray-floor point under the object's centre, y, mm.
    pub y_mm: f64,
    /// Pixel count.
    pub area_px: u32,
    /// Area of the outline as the floor under it shows it (no parallax taken out), mm².
    pub seen_area_mm2: f64,
    /// Area of the outline, parallax corrected, mm².
    pub area_mm2: f64,
    /// Diameter of the circle of the same corrected area, mm.
    pub circle_diameter_mm: f64,
    /// Major axis of the ellipse with the same second moments, parallax corrected, mm.
    pub length_mm: f64,
    /// Minor axis of the same ellipse, mm.
    pub width_mm: f64,
    /// Twice the greatest distance of an inner point from the outline, mm: the stem's thickness,
    /// not the jack's spread.
    pub inner_width_mm: f64,
    /// 4π·area/perimeter² (Crofton perimeter, four directions); 1 for a disc.
    pub circularity: f64,
    /// Area over the area of the convex hull of the pixels' corners.
    pub solidity: f64,
    /// Area over the area of the ellipse with the same second moments; 1 for an ellipse.
    pub fullness: f64,
    /// Share of the outline that touches other objects, 0 to 1.
    pub contact_share: f64,
    /// Mean CIELAB lightness of the inner pixels, 0 to 100.
    pub lightness: f64,
    /// Mean a*.
    pub a: f64,
    /// Mean b*.
    pub b: f64,
    /// Chroma of the mean colour.
    pub chroma: f64,
    /// Hue angle of the mean colour, degrees 0 to 360.
    pub hue_deg: f64,
    /// Standard deviation of L*.
    pub lightness_sd: f64,
    /// Standard deviation of a* and b* together.
    pub colour_sd: f64,
    /// Share of inner pixels that are green (hue 95 to 180°, chroma above 10), 0 to 1.
    pub green_share: f64,
    /// Share of inner pixels that are red (hue 330 to 40°, chroma above 12), 0 to 1.
    pub red_share: f64,
    /// Share of inner pixels that are brown (hue 40 to 85°, chroma above 8, L* below 60), 0 to 1.
    pub brown_share: f64,
    /// Wrinkle texture: root mean square of what is darker than its surroundings of 0.5 mm
    /// radius, in percent of L* + 10.
    pub wrinkle_fine: f64,
    /// The same against surroundings of 1.5 mm radius: berry scale.
    pub wrinkle: f64,
    /// Touches the photograph's edge.
    pub touches_edge: bool,
}

/// An object's silhouette as projected on the tray floor.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Silhouette {
    /// Its centre on the floor, mm.
    pub centre_mm: [f64; 2],
    /// Its area on the floor, mm².
    pub area_mm2: f64,
    /// Its central second moments on the floor, mm² (xx, xy, yy).
    pub moments_mm2: [f64; 3],
}

/// A silhouette with the parallax taken out.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Corrected {
    /// Floor point under the object's centre, mm.
    pub foot_mm: [f64; 2],
    /// Area, mm².
    pub area_mm2: f64,
    /// Major axis, mm.
    pub length_mm: f64,
    /// Minor axis, mm.
    pub width_mm: f64,
}

impl Silhouette {
    fn scaled(&self, camera: [f64; 3], radial: f64, tangential: f64, foot: f64) -> Corrected {
        let d = [self.centre_mm[0] - camera[0], self.centre_mm[1] - camera[1]];
        let s = d[0].hypot(d[1]);
        let u = if s > 1e-9 { [d[0] / s, d[1] / s] } else { [1.0, 0.0] };
        let [xx, xy, yy] = self.moments_mm2;
        // Into radial and tangential axes, scaled there.
        let rr = u[0] * u[0] * xx + 2.0 * u[0] * u[1] * xy + u[1] * u[1] * yy;
        let tt = u[1] * u[1] * xx - 2.0 * u[0] * u[1] * xy + u[0] * u[0] * yy;
        let rt = u[0] * u[1] * (yy - xx) + (u[0] * u[0] - u[1] * u[1]) * xy;
        let (rr, tt, rt) =
            (rr / (radial * radial), tt / (tangential * tangential), rt / (radial * tangential));
        let mid = (rr + tt) / 2.0;
        let spread = ((rr - tt) / 2.0).hypot(rt);
        Corrected {
            foot_mm: [camera[0] + d[0] * foot, camera[1] + d[1] * foot],
            area_mm2: self.area_mm2 / (radial * tangential),
            length_mm: 4.0 * (mid + spread).max(0.0).sqrt(),
            width_mm: 4.0 * (mid - spread).max(0.0).sqrt(),
        }
    }

    /// Parallax of a ball that lies on the floor: seen from height H, with d = H − r and
    /// D² = s² + d², its silhouette on the floor is an ellipse with semi-axes
    /// H·r/√(d² − r²) across and H·r·√(D² − r²)/(d² − r²) along the line from the camera's foot,
    /// centred at H·s·d/(d² − r²). Undone by fixed-point iteration on r.
    pub fn ball(&self, camera: [f64; 3]) -> Corrected {
        let height = camera[2];
        let seen = (self.centre_mm[0] - camera[0]).hypot(self.centre_mm[1] - camera[1]);
        let measured = (self.area_mm2 / std::f64::consts::PI).sqrt();
        let mut r = measured.min(0.45 * height);
        let (mut radial, mut tangential, mut foot) = (1.0, 1.0, 1.0);
        for _ in 0..8 {
            let d = height - r;
            let q = d * d - r * r;
            foot = q / (height * d);
            let s = seen * foot;
            tangential = height / q.sqrt();
            radial = height * (s * s + d * d - r * r).sqrt() / q;
            r = (measured / (radial * tangential).sqrt()).min(0.45 * height);
        }
        self.scaled(camera, radial, tangential, foot)
    }

    /// Parallax of a flat thing of the given height: its outline is taken to lie at half of it.
    pub fn flat(&self, camera: [f64; 3], thick_mm: f64) -> Corrected {
        let z = (thick_mm / 2.0).clamp(0.0, 0.45 * camera[2]);
        let scale = camera[2] / (camera[2] - z);
        self.scaled(camera, scale, scale, 1.0 / scale)
    }
}

/// Sums over one object's pixels.
#[derive(Clone, Default)]
struct Sums {
    n: u32,
    moments: [f64; 5],
    /// Changes of label across the four directions: along rows, along columns, both diagonals.
    cuts: [u32; 4],
    contacts: u32,
    edge: bool,
    /// First and last column of each row: row, first, last.
    extents: Vec<(u32, u32, u32)>,
}

impl Sums {
    fn add(&mut self, o: &Sums) {
        self.n += o.n;
        self.contacts += o.contacts;
        self.edge |= o.edge;
        self.moments.iter_mut().zip(o.moments).for_each(|(s, v)| *s += v);
        self.cuts.iter_mut().zip(o.cuts).for_each(|(s, v)| *s += v);
        self.extents.extend_from_slice(&o.extents);
    }
}

impl Sums {
    /// Adds the pixels `start..end` of row `y`. Every sum is a whole number that an f64 holds
    /// exactly, so that runs add up to what single pixels would.
    fn add_run(&mut self, y: usize, start: usize, end: usize) {
        let (first, past, fy) = (start as f64, end as f64, y as f64);
        let n = past - first;
        let sum = n * (first + past - 1.0) / 2.0;
        // Squares of 0 to m - 1 add up to (m - 1) m (2 m - 1) / 6.
        let squares = |m: f64| (m - 1.0) * m * (2.0 * m - 1.0) / 6.0;
        self.n += (end - start) as u32;
        let moments = [sum, n * fy, squares(past) - squares(first), sum * fy, n * fy * fy];
        self.moments.iter_mut().zip(moments).for_each(|(s, v)| *s += v);
        let (y, last) = (y as u32, end as u32 - 1);
        match self.extents.last_mut() {
            Some(e) if e.0 == y => e.2 = last,
            _ => self.extents.push((y, start as u32, last)),
        }
    }
}

/// Rows of one strip: fixed, so that sums do not depend on the number of threads.
const STRIP: usize = 128;
/// Pixels nearer to the outline than this share in their neighbours' colour and are left out.
const MARGIN_MM: f64 = 0.35;

/// Measures every object. `work` is the reduced picture that the labels were made from: shapes are
/// measured on the labels, colours and texture on the reduced picture, which has the same
/// resolution whatever the photograph's.
pub fn measure(labels: &LabelMap, work: &Work, frame: &TrayFrame) -> Vec<(Measures, Silhouette)> {
    let sums = gather(labels);
    let skins = skins(labels, work);
    let objects = sums[1..].par_iter().zip(skins).enumerate();
    objects.map(|(i, (s, t))| finish(i as u32 + 1, s, t, frame, work.px_per_mm)).collect()
}

fn gather(labels: &LabelMap) -> Vec<Sums> {
    let (w, h) = (labels.width, labels.height);
    let parts: Vec<Vec<Sums>> = (0..h.div_ceil(STRIP))
        .into_par_iter()
        .map(|strip| {
            let mut sums = vec![Sums::default(); labels.count + 1];
            for y in strip * STRIP..((strip + 1) * STRIP).min(h) {
                let row = &labels.labels[y * w..(y + 1) * w];
                let above = if y > 0 { &labels.labels[(y - 1) * w..y * w] } else { &[] };
                for (k, Range { start, end }) in runs(row) {
                    meet(&mut sums, k, if start > 0 { row[start - 1] } else { 0 }, 0);
                    above_run(&mut sums, k, above, start, end, w);
                    if k != 0 {
                        let s = &mut sums[k as usize];
                        s.add_run(y, start, end);
                        s.edge |= start == 0 || y == 0 || end == w || y + 1 == h;
                    }
                }
            }
            sums
        })
        .collect();
    let mut total = vec![Sums::default(); labels.count + 1];
    for part in &parts {
        total.iter_mut().zip(part).for_each(|(t, p)| t.add(p));
    }
    total
}

/// A pixel of one label lies beside one of another, in direction `d` of [`Sums::cuts`].
#[inline]
fn meet(sums: &mut [Sums], k: u16, other: u16, d: usize) {
    if k == other {
        return;
    }
    for (own, next) in [(k, other), (other, k)] {
        if own != 0 {
            let s = &mut sums[own as usize];
            s.cuts[d] += 1;
            s.contacts += u32::from(d < 2 && next != 0);
        }
    }
}

/// Where a run of label `k` meets other labels in the row above it: straight and along both
/// diagonals. Outside the picture there is background.
fn above_run(sums: &mut [Sums], k: u16, above: &[u16], start: usize, end: usize, w: usize) {
    const STEP: usize = 32;
    let at = |x: usize| above.get(x).copied().unwrap_or(0);
    let mut x = start;
    while x < end {
        let to = (x + STEP).min(end);
        // Nearly everywhere the row above is the same.
        let around = above.get(x.wrapping_sub(1)..=to);
        if around.is_none_or(|a| a.iter().fold(0, |d, v| d | (v ^ k)) != 0) {
            for x in x..to {
                let others = [
                    at(x),
                    if x > 0 { at(x - 1) } else { 0 },
                    if x + 1 < w { at(x + 1) } else { 0 },
                ];
                for (d, other) in (1..).zip(others) {
                    meet(sums, k, other, d);
                }
            }
        }
        x = to;
    }
}

/// Green, red, brown, by tangents instead of angles.
#[inline]
fn tint(lab: [f32; 3]) -> (bool, bool, bool) {
    let [l, a, b] = lab;
    let c2 = a * a + b * b;
    // tan 5° = 0.0875 (95°), tan 40° = 0.8391, tan 30° = 0.5774, tan 85° = 11.43.
    let green = c2 > 100.0 && b >= 0.0 && a < -0.0875 * b;
    let red = c2 > 144.0 && a > 0.0 && b < 0.8391 * a && b > -0.5774 * a;
    let brown = c2 > 64.0 && l < 60.0 && a > 0.0 && b >= 0.8391 * a && b < 11.43 * a;
    (green, red, brown)
}

/// What one object's pixels in the reduced picture show.
#[derive(Debug, Clone, Copy, Default)]
struct Skin {
    /// Pixels that colours were taken from.
    n: u32,
    lab: [f64; 3],
    lab2: [f64; 3],
    green: u32,
    red: u32,
    brown: u32,
    /// Fine and berry-scale wrinkle, percent.
    wrinkle: [f64; 2],
    /// Twice the greatest distance from the outline, work px.
    inner_width: f64,
}

impl Skin {
    fn add_colour(&mut self, lab: [f32; 3]) {
        self.n += 1;
        for c in 0..3 {
            self.lab[c] += f64::from(lab[c]);
            self.lab2[c] += f64::from(lab[c] * lab[c]);
        }
        let (green, red, brown) = tint(lab);
        self.green += u32::from(green);
        self.red += u32::from(red);
        self.brown += u32::from(brown);
    }
}

/// Radii of the surroundings that wrinkles are darker than, mm.
const WRINKLE_MM: [f64; 2] = [0.5, 1.5];

/// What each object shows, from object 1 on.
fn skins(labels: &LabelMap, work: &Work) -> Vec<Skin> {
    let w = work.width();
    // The label at each work pixel's middle.
    let middles: Vec<usize> =
        (0..w).map(|x| work.middle(x, 0)).take_while(|x| *x < labels.width).collect();
    let mut small = vec![0u16; w * work.height()];
    small.par_chunks_mut(w).enumerate().for_each(|(y, small)| {
        let row = work.middle(y, 1) * labels.width;
        if let Some(line) = labels.labels.get(row..row + labels.width) {
            small.iter_mut().zip(&middles).for_each(|(s, x)| *s = line[*x]);
        }
    });
    let look = |(i, place): (usize, Option<Bounds>)| {
        place.map(|place| skin(labels, work, &small, place, i as u16 + 1)).unwrap_or_default()
    };
    bounds(&small, w, labels.count).into_par_iter().enumerate().map(look).collect()
}

/// Looks at object `k` where it lies in the reduced picture, whose labels are `small`.
fn skin(labels: &LabelMap, work: &Work, small: &[u16], place: Bounds, k: u16) -> Skin {
    let Bounds { row: y0, col: x0, row_end: y1, col_end: x1 } = place;
    let mut skin = Skin::default();
    let (w, bw) = (work.width(), x1 - x0);
    let mut mask = Vec::with_capacity(bw * (y1 - y0));
    for y in y0..y1 {
        mask.extend(small[y * w + x0..y * w + x1].iter().map(|s| *s == k));
    }
    let distance = squared_distance(&mask, bw);
    let deepest = distance.iter().copied().fold(0.0f32, f32::max).sqrt();
    skin.inner_width = 2.0 * f64::from(deepest);
    let deep = (0.8 * work.px_per_mm as f32).min(deepest * 0.5);
    let blurred = WRINKLE_MM.map(|mm| Surroundings::of(work, place, mm));
    let (mut sum, mut n) = ([0.0f64; 2], 0usize);
    let inner = Inner::new(labels, work);
    for (y, distance) in (y0..y1).zip(distance.chunks_exact(bw)) {
        let lines = [&work.l, &work.a, &work.b].map(|p| &p.data[y * w + x0..y * w + x1]);
        let around = [0, 1].map(|i| blurred[i].row(y, x0, bw));
        for (x, d) in distance.iter().enumerate().filter(|(_, d)| **d > 0.0) {
            if inner.holds(x0 + x, y, k) {
                skin.add_colour(lines.map(|l| l[x]));
            }
            if *d >= deep * deep {
                n += 1;
                for (s, blur) in sum.iter_mut().zip(around) {
                    let base = blur[x].max(0.0) + 10.0;
                    let dark = ((blur[x] - lines[0][x]) / base).max(0.0);
                    *s += f64::from(dark * dark);
                }
            }
        }
    }
    if skin.n == 0 {
        // Too thin to have an inside: its middle, then.
        let middle = 0.64 * deepest * deepest;
        for (i, _) in distance.iter().enumerate().filter(|(_, d)| **d >= middle && **d > 0.0) {
            let at = (y0 + i / bw) * w + x0 + i % bw;
            skin.add_colour([work.l.data[at], work.a.data[at], work.b.data[at]]);
        }
    }
    skin.wrinkle = sum.map(|s| 100.0 * (s / n.max(1) as f64).sqrt());
    skin
}

/// Tells which work pixels lie wholly inside their object, [`MARGIN_MM`] from its outline.
struct Inner<'a> {
    labels: &'a LabelMap,
    work: &'a Work,
    /// From a work pixel's middle, photograph px.
    reach: usize,
}

impl<'a> Inner<'a> {
    fn new(labels: &'a LabelMap, work: &'a Work) -> Self {
        let reach = work.scale * (MARGIN_MM * work.px_per_mm + 0.5);
        Inner { labels, work, reach: reach.round() as usize }
    }

    #[inline]
    fn holds(&self, x: usize, y: usize, k: u16) -> bool {
        let Inner { labels, work, reach } = *self;
        let (w, h) = (labels.width, labels.height);
        let (px, py) = (work.middle(x, 0), work.middle(y, 1));
        let inside = px >= reach && py >= reach && px + reach < w && py + reach < h;
        let at = |x: usize, y: usize| labels.labels[y * w + x] == k;
        inside
            && at(px - reach, py)
            && at(px + reach, py)
            && at(px, py - reach)
            && at(px, py + reach)
    }
}

/// Mean lightness around each pixel of an object's box.
struct Surroundings {
    origin: [usize; 2],
    width: usize,
    mean: Vec<f32>,
}

impl Surroundings {
    fn of(work: &Work, place: Bounds, mm: f64) -> Surroundings {
        let Bounds { row: y0, col: x0, row_end: y1, col_end: x1 } = place;
        let radius = ((mm * work.px_per_mm).round() as usize).max(1);
        let (left, top) = (x0.saturating_sub(radius), y0.saturating_sub(radius));
        let (right, end) = ((x1 + radius).min(work.width()), (y1 + radius).min(work.height()));
        let width = right - left;
        let mut mean = Vec::with_capacity(width * (end - top));
        for y in top..end {
            mean.extend_from_slice(&work.l.data[y * work.width() + left..][..width]);
        }
        box_blur(&mut mean, width, end - top, radius);
        Surroundings { origin: [left, top], width, mean }
    }

    fn row(&self, y: usize, x: usize, n: usize) -> &[f32] {
        &self.mean[(y - self.origin[1]) * self.width + x - self.origin[0]..][..n]
    }
}

fn finish(
    object: u32,
    s: &Sums,
    skin: Skin,
    frame: &TrayFrame,
    work_px_per_mm: f64,
) -> (Measures, Silhouette) {
    let n = f64::from(s.n.max(1));
    let (col, row) = (s.moments[0] / n, s.moments[1] / n);
    let central = [
        s.moments[2] / n - col * col + 1.0 / 12.0,
        s.moments[3] / n - col * row,
        s.moments[4] / n - row * row + 1.0 / 12.0,
    ];
    // Local linear map from pixels to floor millimetres.
    let step = 1.0;
    let [px, py] = frame.to_mm([col + step, row]);
    let [qx, qy] = frame.to_mm([col - step, row]);
    let [ux, uy] = frame.to_mm([col, row + step]);
    let [vx, vy] = frame.to_mm([col, row - step]);
    let j = [
        [(px - qx) / (2.0 * step), (ux - vx) / (2.0 * step)],
        [(py - qy) / (2.0 * step), (uy - vy) / (2.0 * step)],
    ];
    let [xx, xy, yy] = central;
    let along = |a: [f64; 2], b: [f64; 2]| {
        a[0] * b[0] * xx + (a[0] * b[1] + a[1] * b[0]) * xy + a[1] * b[1] * yy
    };
    let det = (j[0][0] * j[1][1] - j[0][1] * j[1][0]).abs();
    let silhouette = Silhouette {
        centre_mm: frame.to_mm([col, row]),
        area_mm2: n * det,
        moments_mm2: [along(j[0], j[0]), along(j[0], j[1]), along(j[1], j[1])],
    };
    let ball = silhouette.ball(frame.camera_mm);
    let perimeter = crofton(&s.cuts);
    let area_ellipse = 4.0 * std::f64::consts::PI * (xx * yy - xy * xy).max(1e-12).sqrt();
    let m = f64::from(skin.n.max(1));
    let lab = skin.lab.map(|v| v / m);
    let variance: [f64; 3] = std::array::from_fn(|c| (skin.lab2[c] / m - lab[c] * lab[c]).max(0.0));
    let rim = f64::from(s.cuts[0] + s.cuts[1]).max(1.0);
    let scale = (ball.area_mm2 / silhouette.area_mm2.max(1e-12)).sqrt();
    let measures = Measures {
        object,
        row,
        col,
        x_mm: ball.foot_mm[0],
        y_mm: ball.foot_mm[1],
        area_px: s.n,
        seen_area_mm2: silhouette.area_mm2,
        area_mm2: ball.area_mm2,
        circle_diameter_mm: (4.0 * ball.area_mm2 / std::f64::consts::PI).sqrt(),
        length_mm: ball.length_mm,
        width_mm: ball.width_mm,
        inner_width_mm: skin.inner_width / work_px_per_mm * scale,
        circularity: 4.0 * std::f64::consts::PI * n / (perimeter * perimeter).max(1e-12),
        solidity: n / hull_area(&s.extents).max(n),
        fullness: n / area_ellipse,
        contact_share: f64::from(s.contacts) / rim,
        lightness: lab[0],
        a: lab[1],
        b: lab[2],
        chroma: colour::chroma(lab),
        hue_deg: colour::hue_deg(lab),
        lightness_sd: variance[0].sqrt(),
        colour_sd: (variance[1] + variance[2]).sqrt(),
        green_share: f64::from(skin.green) / m,
        red_share: f64::from(skin.red) / m,
        brown_share: f64::from(skin.brown) / m,
        wrinkle_fine: skin.wrinkle[0],
        wrinkle: skin.wrinkle[1],
        touches_edge: s.edge,
    };
    (measures, silhouette)
}

/// Perimeter by the Cauchy–Crofton formula over four directions: π/2 times the mean, over the
/// directions, of crossings times line spacing (1 px along rows and columns, 1/√2 px along
/// diagonals).
fn crofton(cuts: &[u32; 4]) -> f64 {
    let straight = f64::from(cuts[0] + cuts[1]);
    let diagonal = f64::from(cuts[2] + cuts[3]) * std::f64::consts::FRAC_1_SQRT_2;
    std::f64::consts::PI / 8.0 * (straight + diagonal)
}

/// Area of the convex hull of the pixels' corners (Andrew's monotone chain, down the rows).
fn hull_area(extents: &[(u32, u32, u32)]) -> f64 {
    // One side of the hull at a time; the rows come from top to bottom. What turns inwards goes.
    let side = |corner: &dyn Fn(u32, u32) -> f64, inwards: f64| {
        let mut chain: Vec<[f64; 2]> = Vec::with_capacity(64);
        for &(y, a, b) in extents {
            let x = corner(a, b);
            for y in [f64::from(y) - 0.5, f64::from(y) + 0.5] {
                while let [.., o, p] = chain[..]
                    && ((p[0] - o[0]) * (y - o[1]) - (p[1] - o[1]) * (x - o[0])) * inwards >= 0.0
                {
                    chain.pop();
                }
                chain.push([x, y]);
            }
        }
        chain
    };
    let left = side(&|a, _| f64::from(a) - 0.5, 1.0);
    let right = side(&|_, b| f64::from(b) + 0.5, -1.0);
    let between = |chain: &[[f64; 2]]| -> f64 {
        chain.windows(2).map(|w| (w[0][0] + w[1][0]) * (w[1][1] - w[0][1]) / 2.0).sum()
    };
    between(&right) - between(&left)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn hulls_are_those_of_the_corners() {
        // A square, a plus sign (its hull an octagon), and a row with a gap below a single pixel.
        assert_eq!(hull_area(&[(0, 2, 4), (1, 2, 4), (2, 2, 4)]), 9.0);
        assert_eq!(hull_area(&[(4, 1, 1), (5, 0, 2), (6, 1, 1)]), 7.0);
        assert_eq!(hull_area(&[(0, 1, 1), (2, 0, 2)]), 7.0);
    }

    #[test]
    fn runs_add_up_to_their_pixels() {
        let mut sums = Sums::default();
        for (y, start, end) in [(0, 0, 1), (3, 5, 900), (3, 910, 911), (8000, 11, 8191)] {
            sums.add_run(y, start, end);
        }
        let mut slow = [0.0f64; 6];
        for (y, start, end) in [(0, 0, 1), (3, 5, 900), (3, 910, 911), (8000, 11, 8191)] {
            for x in start..end {
                let (x, y) = (f64::from(x), f64::from(y));
                for (s, v) in slow.iter_mut().zip([1.0, x, y, x * x, x * y, y * y]) {
                    *s += v;
                }
            }
        }
        assert_eq!(f64::from(sums.n), slow[0]);
        assert_eq!(sums.moments, slow[1..]);
        assert_eq!(sums.extents, [(0, 0, 0), (3, 5, 910), (8000, 11, 8190)]);
    }
}
