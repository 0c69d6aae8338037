//! The tray floor's rectangle, for trays without tiles: where floor and wall meet, light is
//! scarce, so that the crease between them is a narrow dark valley along a straight line. Four
//! such lines that make a rectangle of the tray's given proportions give the frame.

use image::RgbImage;

use super::find::reduce;
use crate::frame::{self, Homography, Lens, Px};

/// The floor's rectangle as found.
#[derive(Debug, Clone, PartialEq)]
pub struct Floor {
    /// Corners of the floor as a pinhole camera would see them: top-left, top-right,
    /// bottom-right, bottom-left of the photograph.
    pub ideal_corners_px: [Px; 4],
    /// Lens term, from the creases' straightness.
    pub lens: Lens,
    /// Tray millimetres to ideal pixels.
    pub mm_to_px: Homography,
    /// The tray's size as it lies in the photograph (x, y), mm.
    pub tray_mm: [f64; 2],
    /// Root mean square distance of the creases' points from the rectangle, px.
    pub rms_px: f64,
    /// Share of each side along which the crease was seen: top, right, bottom, left.
    pub seen: [f64; 4],
}

/// A nearly level line y = at + slope (x − middle), in the reduced picture.
#[derive(Debug, Clone)]
struct Level {
    slope: f64,
    at: f64,
    /// Running count of the columns where the valley is there.
    support: Vec<u32>,
}

/// Dark valleys across columns: in every column the rows that are darker than both neighbours at
/// some distance.
struct Valleys {
    width: usize,
    height: usize,
    rows: Vec<Vec<u16>>,
}

const REACH: usize = 3;
const SMOOTH: usize = 2;
const MAX_SLOPE: f64 = 0.4;
const SLOPE_STEP: f64 = 0.004;

fn valleys(width: usize, height: usize, data: &[u8]) -> Valleys {
    // Means along the rows: the lines are nearly level.
    let mut soft = vec![0.0f32; width * height];
    for y in 0..height {
        let row = &data[y * width..(y + 1) * width];
        for x in 0..width {
            let (a, b) = (x.saturating_sub(SMOOTH), (x + SMOOTH + 1).min(width));
            let sum: u32 = row[a..b].iter().map(|v| u32::from(*v)).sum();
            soft[y * width + x] = sum as f32 / (b - a) as f32;
        }
    }
    let mut rows = vec![Vec::new(); width];
    for y in REACH..height.saturating_sub(REACH) {
        for (x, column) in rows.iter_mut().enumerate() {
            let at = |k: usize| soft[k * width + x];
            let v = at(y);
            let least = at(y - REACH).min(at(y + REACH));
            if least - v < 0.02 * v + 0.8 {
                continue;
            }
            if (1..=REACH).any(|k| at(y - k) < v || at(y + k) <= v) {
                continue;
            }
            column.push(y as u16);
        }
    }
    Valleys { width, height, rows }
}

impl Valleys {
    /// Strong nearly level lines in the upper or lower part, strongest first.
    fn lines(&self, upper: bool, most: usize) -> Vec<Level> {
        let mid = self.width as f64 / 2.0;
        let slopes = (2.0 * MAX_SLOPE / SLOPE_STEP) as usize + 1;
        let bins = self.height / 2 + 1;
        let mut votes = vec![0u32; slopes * bins];
        for (x, rows) in self.rows.iter().enumerate() {
            let dx = x as f64 - mid;
            for y in rows {
                for s in 0..slopes {
                    let slope = s as f64 * SLOPE_STEP - MAX_SLOPE;
                    let c = f64::from(*y) - slope * dx;
                    if c >= 0.0 && c < self.height as f64 {
                        votes[s * bins + c as usize / 2] += 1;
                    }
                }
            }
        }
        let middle = bins / 2;
        let range = if upper { 1..middle } else { middle..bins - 1 };
        let mut peaks: Vec<(u32, usize, usize)> = Vec::new();
        for s in 0..slopes {
            for b in range.clone() {
                let v = &votes[s * bins..(s + 1) * bins];
                let sum = v[b - 1] + v[b] + v[b + 1];
                if sum as usize * 5 > self.width {
                    peaks.push((sum, s, b));
                }
            }
        }
        peaks.sort_by(|a, b| b.cmp(a));
        let mut out: Vec<Level> = Vec::new();
        for (_, s, b) in peaks {
            let slope = s as f64 * SLOPE_STEP - MAX_SLOPE;
            let at = 2.0 * b as f64 + 1.0;
            let same = |l: &Level| {
                let d0 = (l.at - l.slope * mid) - (at - slope * mid);
                let d1 = (l.at + l.slope * mid) - (at + slope * mid);
                d0.abs().max(d1.abs()) < 8.0 || d0.abs() + d1.abs() < 12.0
            };
            if out.iter().any(same) {
                continue;
            }
            let mut support = vec![0u32; self.width + 1];
            for (x, rows) in self.rows.iter().enumerate() {
                let y = at + slope * (x as f64 - mid);
                let hit = rows.iter().any(|r| (f64::from(*r) - y).abs() <= 3.0);
                support[x + 1] = support[x] + u32::from(hit);
            }
            out.push(Level { slope, at, support });
            if out.len() == most {
                break;
            }
        }
        out
    }
}

impl Level {
    /// Share of the columns from `a` to `b` where the valley is there.
    fn seen(&self, a: f64, b: f64) -> f64 {
        let n = self.support.len() - 1;
        let lo = (a.min(b).max(0.0) as usize).min(n);
        let hi = (a.max(b).max(0.0) as usize).min(n);
        // What lies outside the picture was not seen.
        f64::from(self.support[hi] - self.support[lo]) / (a - b).abs().max(1.0)
    }
}

/// Where a level line crosses an upright one (`x = at + slope (y − middle)`).
fn meet(level: &Level, mid_x: f64, upright: &Level, mid_y: f64) -> Px {
    // y = p + s (x − mx), x = q + t (y − my).
    let (p, s) = (level.at, level.slope);
    let (q, t) = (upright.at, upright.slope);
    let y = (p + s * (q - t * mid_y - mid_x)) / (1.0 - s * t);
    [q + t * (y - mid_y), y]
}

/// How far a quadrilateral is from the picture of a `w` x `h` rectangle: relative difference of
/// its two scales and cosine of its angle; needs the focal length, px. Without one, only the
/// proportion of mean sides is judged.
fn rectangle_misfit(corners: &[Px; 4], size: [f64; 2], centre: Px, focal: Option<f64>) -> f64 {
    let side =
        |a: usize, b: usize| (corners[a][0] - corners[b][0]).hypot(corners[a][1] - corners[b][1]);
    let Some(f) = focal else {
        let ratio = (side(0, 1) + side(2, 3)) / (side(1, 2) + side(3, 0));
        return (ratio * size[1] / size[0]).ln().abs() * 0.5;
    };
    let [w, h] = size;
    let Some(hm) = frame::homography(&[[0.0, 0.0], [w, 0.0], [w, h], [0.0, h]], corners) else {
        return f64::INFINITY;
    };
    let column = |k: usize| {
        [(hm[0][k] - centre[0] * hm[2][k]) / f, (hm[1][k] - centre[1] * hm[2][k]) / f, hm[2][k]]
    };
    let dot = |a: [f64; 3], b: [f64; 3]| a[0] * b[0] + a[1] * b[1] + a[2] * b[2];
    let (u, v) = (column(0), column(1));
    let (lu, lv) = (dot(u, u).sqrt(), dot(v, v).sqrt());
    (lu / lv).ln().abs() + (dot(u, v) / (lu * lv)).abs()
}

/// Finds the floor of a tray of the given inner size (mm, either way round). `focal_px` helps to
/// tell the floor from the rim. None when no four creases make such a rectangle.
pub fn find(rgb: &RgbImage, tray_mm: [f64; 2], focal_px: Option<f64>) -> Option<Floor> {
    let (width, height) = rgb.dimensions();
    let factor = (width.max(height) as f64 / 750.0).round().max(1.0) as usize;
    let grey = reduce(rgb, factor);
    let (w, h) = (grey.width, grey.height);
    if w < 60 || h < 60 {
        return None;
    }
    let mut turned = vec![0u8; w * h];
    for y in 0..h {
        for x in 0..w {
            turned[x * h + y] = grey.data[y * w + x];
        }
    }
    let (level, upright) = rayon::join(|| valleys(w, h, &grey.data), || valleys(h, w, &turned));
    let most = 10;
    let (tops, bottoms) = rayon::join(|| level.lines(true, most), || level.lines(false, most));
    let (lefts, rights) = rayon::join(|| upright.lines(true, most), || upright.lines(false, most));
    let (mid_x, mid_y) = (w as f64 / 2.0, h as f64 / 2.0);
    let scale = factor as f64;
    let full = |p: Px| [p[0] * scale + (scale - 1.0) / 2.0, p[1] * scale + (scale - 1.0) / 2.0];
    let centre = Lens::centred(width, height, 0.0).centre_px;
    let mut best: Option<(f64, [Px; 4], [f64; 2])> = None;
    for top in &tops {
        for bottom in &bottoms {
            for left in &lefts {
                for right in &rights {
                    let small = [
                        meet(top, mid_x, left, mid_y),
                        meet(top, mid_x, right, mid_y),
                        meet(bottom, mid_x, right, mid_y),
                        meet(bottom, mid_x, left, mid_y),
                    ];
                    let seen = [
                        top.seen(small[0][0], small[1][0]),
                        right.seen(small[1][1], small[2][1]),
                        bottom.seen(small[2][0], small[3][0]),
                        left.seen(small[3][1], small[0][1]),
                    ];
                    let least = seen.iter().copied().fold(f64::INFINITY, f64::min);
                    if least < 0.3 {
                        continue;
                    }
                    let corners = small.map(full);
                    let wide = corners[1][0] - corners[0][0] + corners[2][0] - corners[3][0];
                    let tall = corners[3][1] - corners[0][1] + corners[2][1] - corners[1][1];
                    if wide < 0.4 * f64::from(width) || tall < 0.4 * f64::from(height) {
                        continue;
                    }
                    let long = tray_mm[0].max(tray_mm[1]);
                    let short = tray_mm[0].min(tray_mm[1]);
                    let size = if wide >= tall { [long, short] } else { [short, long] };
                    let misfit = rectangle_misfit(&corners, size, centre, focal_px);
                    if misfit > 0.06 {
                        continue;
                    }
                    let score = seen.iter().sum::<f64>() - 20.0 * misfit;
                    if best.as_ref().is_none_or(|b| score > b.0) {
                        best = Some((score, corners, size));
                    }
                }
            }
        }
    }
    let (_, corners, size) = best?;
    refine(rgb, corners, size)
}

/// Sub-pixel: the creases' darkest points at full resolution, then the rectangle and the lens term
/// that fit them best.
fn refine(rgb: &RgbImage, start: [Px; 4], size: [f64; 2]) -> Option<Floor> {
    let (width, height) = rgb.dimensions();
    let mut corners = start;
    let mut lens = Lens::centred(width, height, 0.0);
    let mut rms = f64::INFINITY;
    let mut seen = [0.0; 4];
    let px_per_mm = (corners[1][0] - corners[0][0]).hypot(corners[1][1] - corners[0][1]) / size[0];
    for reach_mm in [4.0, 3.0, 2.0] {
        let points = creases(rgb, &corners, &lens, reach_mm * px_per_mm, px_per_mm, &mut seen);
        if seen.iter().any(|s| *s < 0.3) {
            return None;
        }
        let (c, l, r) = fit(&points, corners, lens)?;
        corners = c;
        lens = l;
        rms = r;
    }
    // Points that scatter more than this are not of one crease.
    if rms > 1.2 * px_per_mm {
        return None;
    }
    let [w, h] = size;
    let mm_to_px = frame::homography(&[[0.0, 0.0], [w, 0.0], [w, h], [0.0, h]], &corners)?;
    Some(Floor { ideal_corners_px: corners, lens, mm_to_px, tray_mm: size, rms_px: rms, seen })
}

/// Points on the creases: side and pixel.
fn creases(
    rgb: &RgbImage,
    corners: &[Px; 4],
    lens: &Lens,
    reach: f64,
    px_per_mm: f64,
    seen: &mut [f64; 4],
) -> Vec<(usize, Px)> {
    let luma = |p: Px| -> Option<f64> {
        let (x, y) = (p[0].floor(), p[1].floor());
        let inside = x >= 0.0
            && y >= 0.0
            && x + 1.0 < f64::from(rgb.width())
            && y + 1.0 < f64::from(rgb.height());
        if !inside {
            return None;
        }
        let (fx, fy) = (p[0] - x, p[1] - y);
        let at = |dx: u32, dy: u32| {
            let q = rgb.get_pixel(x as u32 + dx, y as u32 + dy).0;
            0.2126 * f64::from(q[0]) + 0.7152 * f64::from(q[1]) + 0.0722 * f64::from(q[2])
        };
        let top = at(0, 0) * (1.0 - fx) + at(1, 0) * fx;
        let bottom = at(0, 1) * (1.0 - fx) + at(1, 1) * fx;
        Some(top * (1.0 - fy) + bottom * fy)
    };
    const PLACES: usize = 160;
    let flank = (px_per_mm * 0.8).round().max(2.0) as usize;
    let steps = (reach.ceil() as usize).max(2 * flank);
    let mut out = Vec::new();
    for side in 0..4 {
        let (a, b) = (corners[side], corners[(side + 1) % 4]);
        let d = [b[0] - a[0], b[1] - a[1]];
        let length = d[0].hypot(d[1]);
        let along = [d[0] / length, d[1] / length];
        let normal = [along[1], -along[0]];
        let mut found = 0usize;
        for k in 0..PLACES {
            let t = 0.03 + 0.94 * (k as f64 + 0.5) / PLACES as f64;
            let base = [a[0] + d[0] * t, a[1] + d[1] * t];
            let point = |s: f64, l: f64| {
                lens.distort([
                    base[0] + normal[0] * s + along[0] * l,
                    base[1] + normal[1] * s + along[1] * l,
                ])
            };
            let mut profile = Vec::with_capacity(2 * steps + 1);
            for i in 0..=2 * steps {
                let s = i as f64 - steps as f64;
                let mut sum = 0.0;
                let mut n = 0.0;
                for l in [-1.0, -0.5, 0.0, 0.5, 1.0] {
                    if let Some(v) = luma(point(s, l * px_per_mm)) {
                        sum += v;
                        n += 1.0;
                    }
                }
                if n == 5.0 {
                    profile.push(sum / n);
                }
            }
            if profile.len() < 2 * steps + 1 {
                continue;
            }
            if let Some(i) = deepest(&profile, flank) {
                out.push((side, point(i - steps as f64, 0.0)));
                found += 1;
            }
        }
        seen[side] = found as f64 / PLACES as f64;
    }
    out
}

/// Index of the bottom of the valley that is deep and near the profile's centre; none without
/// one. `flank` is the distance at which both sides must be lighter, samples.
fn deepest(profile: &[f64], flank: usize) -> Option<f64> {
    let n = profile.len();
    let soft: Vec<f64> = (0..n)
        .map(|i| {
            let (a, b) = (i.saturating_sub(1), (i + 2).min(n));
            profile[a..b].iter().sum::<f64>() / (b - a) as f64
        })
        .collect();
    let mid = (n - 1) as f64 / 2.0;
    let mut best: Option<(f64, usize)> = None;
    for i in flank..n - flank {
        let depth = soft[i - flank].min(soft[i + flank]) - soft[i];
        let lowest = soft[i - flank..=i + flank].iter().all(|v| *v >= soft[i]);
        if !lowest || depth < 0.01 * soft[i] + 0.4 {
            continue;
        }
        // A tray's shadow on the table may be darker than the crease, but lies farther off.
        let off = (i as f64 - mid) / (0.4 * mid);
        let score = depth / (1.0 + off * off);
        if best.is_none_or(|b| score > b.0) {
            best = Some((score, i));
        }
    }
    let (_, i) = best?;
    let (a, b, c) = (soft[i - 1], soft[i], soft[i + 1]);
    let bend = a - 2.0 * b + c;
    let shift = if bend > 0.0 { ((a - c) / (2.0 * bend)).clamp(-0.5, 0.5) } else { 0.0 };
    Some(i as f64 + shift)
}

/// Corners and lens term by least squares on the points' distances from the sides, outliers
/// dropped.
fn fit(points: &[(usize, Px)], corners: [Px; 4], lens: Lens) -> Option<([Px; 4], Lens, f64)> {
    let unpack = |x: &[f64]| -> ([Px; 4], Lens) {
        let c = std::array::from_fn(|k| [x[2 * k] * 100.0, x[2 * k + 1] * 100.0]);
        (c, Lens { k1: x[8] * 0.01, ..lens })
    };
    let distance = |c: &[Px; 4], l: &Lens, side: usize, p: Px| {
        let u = l.undistort(p);
        let (a, b) = (c[side], c[(side + 1) % 4]);
        let d = [b[0] - a[0], b[1] - a[1]];
        ((u[0] - a[0]) * d[1] - (u[1] - a[1]) * d[0]) / d[0].hypot(d[1])
    };
    let mut x: Vec<f64> = corners.iter().flatten().map(|v| v / 100.0).collect();
    x.push(lens.k1 / 0.01);
    let mut used: Vec<(usize, Px)> = points.to_vec();
    let mut rms = f64::INFINITY;
    for _ in 0..4 {
        if used.len() < 60 {
            return None;
        }
        let residuals = |x: &[f64], out: &mut Vec<f64>| {
            let (c, l) = unpack(x);
            out.clear();
            // Soft: the root of a Huber-like loss, with its bend at 1.5 px.
            out.extend(used.iter().map(|(s, p)| {
                let d = distance(&c, &l, *s, *p) / 1.5;
                d.signum() * (2.0 * ((1.0 + d * d).sqrt() - 1.0)).sqrt()
            }));
        };
        x = frame::levenberg_marquardt(&residuals, x)?.0;
        let (c, l) = unpack(&x);
        let mut sizes: Vec<f64> =
            points.iter().map(|(s, p)| distance(&c, &l, *s, *p).abs()).collect();
        let mid = sizes.len() / 2;
        let median = *sizes.select_nth_unstable_by(mid, f64::total_cmp).1;
        let cut = (4.5 * median).max(1.0);
        used =
            points.iter().filter(|(s, p)| distance(&c, &l, *s, *p).abs() <= cut).copied().collect();
        let sum: f64 = used.iter().map(|(s, p)| distance(&c, &l, *s, *p).powi(2)).sum();
        rms = (sum / used.len().max(1) as f64).sqrt();
    }
    let (c, l) = unpack(&x);
    (l.k1.abs() < 0.15).then_some((c, l, rms))
}
