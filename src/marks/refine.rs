//! One symbol, at full resolution: its homography by least squares on the edges between dark and
//! light modules, and the modules themselves.

use image::RgbImage;
use nalgebra::{SMatrix, SVector};

use crate::frame::{self, Lens, Px};

/// A grey window of the photograph.
#[derive(Debug, Clone)]
pub struct Window {
    x0: f64,
    y0: f64,
    width: usize,
    height: usize,
    data: Vec<f32>,
}

impl Window {
    /// Cuts out the smallest box around the points, grown by `margin` px.
    pub fn around(rgb: &RgbImage, points: &[Px], margin: f64) -> Option<Window> {
        let (w, h) = (f64::from(rgb.width()), f64::from(rgb.height()));
        let (mut lo, mut hi) = ([f64::INFINITY; 2], [f64::NEG_INFINITY; 2]);
        for p in points {
            for k in 0..2 {
                lo[k] = lo[k].min(p[k] - margin);
                hi[k] = hi[k].max(p[k] + margin);
            }
        }
        let x0 = lo[0].floor().clamp(0.0, w - 1.0) as usize;
        let y0 = lo[1].floor().clamp(0.0, h - 1.0) as usize;
        let x1 = hi[0].ceil().clamp(0.0, w - 1.0) as usize;
        let y1 = hi[1].ceil().clamp(0.0, h - 1.0) as usize;
        if x1 < x0 + 8 || y1 < y0 + 8 {
            return None;
        }
        let (width, height) = (x1 - x0 + 1, y1 - y0 + 1);
        let mut data = Vec::with_capacity(width * height);
        let raw = rgb.as_raw();
        let stride = rgb.width() as usize * 3;
        for y in y0..=y1 {
            let row = &raw[y * stride + x0 * 3..y * stride + (x1 + 1) * 3];
            data.extend(row.chunks_exact(3).map(|p| {
                0.2126 * f32::from(p[0]) + 0.7152 * f32::from(p[1]) + 0.0722 * f32::from(p[2])
            }));
        }
        Some(Window { x0: x0 as f64, y0: y0 as f64, width, height, data })
    }

    /// Bilinear sample at a photograph pixel; none outside.
    fn sample(&self, p: Px) -> Option<f64> {
        let (x, y) = (p[0] - self.x0, p[1] - self.y0);
        if !(x >= 0.0 && y >= 0.0) {
            return None;
        }
        let (xi, yi) = (x as usize, y as usize);
        if xi + 1 >= self.width || yi + 1 >= self.height {
            return None;
        }
        let (fx, fy) = ((x - xi as f64) as f32, (y - yi as f64) as f32);
        let i = yi * self.width + xi;
        let (a, b) = (self.data[i], self.data[i + 1]);
        let (c, d) = (self.data[i + self.width], self.data[i + self.width + 1]);
        let top = a + (b - a) * fx;
        let bottom = c + (d - c) * fx;
        Some(f64::from(top + (bottom - top) * fy))
    }
}

impl Window {
    /// Mean of three parallel profiles through `middle` along `across`, from −reach to reach
    /// times it, set apart along `d`; false when any of it lies outside.
    fn profile(
        &self,
        middle: Px,
        across: Px,
        d: Px,
        reach: f64,
        steps: i32,
        out: &mut [f64],
    ) -> bool {
        let (x, y) = ((middle[0] - self.x0) as f32, (middle[1] - self.y0) as f32);
        let (ax, ay) = ((across[0] * reach) as f32, (across[1] * reach) as f32);
        let (dx, dy) = ((d[0] * 0.28) as f32, (d[1] * 0.28) as f32);
        let (rx, ry) = (ax.abs() + dx.abs(), ay.abs() + dy.abs());
        let inside = x - rx >= 0.0
            && y - ry >= 0.0
            && x + rx < (self.width - 1) as f32
            && y + ry < (self.height - 1) as f32;
        if !inside {
            return false;
        }
        for (k, slot) in out.iter_mut().enumerate() {
            let t = (k as i32 - steps) as f32 / steps as f32;
            let (px, py) = (x + ax * t, y + ay * t);
            let mut sum = 0.0f32;
            for s in [-1.0f32, 0.0, 1.0] {
                let (qx, qy) = (px + dx * s, py + dy * s);
                let (xi, yi) = (qx as usize, qy as usize);
                let (fx, fy) = (qx - xi as f32, qy - yi as f32);
                let i = yi * self.width + xi;
                let (Some(top), Some(bottom)) =
                    (self.data.get(i..i + 2), self.data.get(i + self.width..i + self.width + 2))
                else {
                    return false;
                };
                let a = top[0] + (top[1] - top[0]) * fx;
                let b = bottom[0] + (bottom[1] - bottom[0]) * fx;
                sum += a + (b - a) * fy;
            }
            *slot = f64::from(sum) / 3.0;
        }
        true
    }
}

/// Place of a symbol: homography from centred module coordinates (−1 to 1 over the symbol) to
/// photograph pixels, last element 1.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Place {
    /// Modules along a side.
    pub size: usize,
    h: [f64; 8],
}

impl Place {
    /// From the corners of the symbol, top-left first, clockwise.
    pub fn from_corners(size: usize, corners: &[Px; 4]) -> Option<Place> {
        let unit = [[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]];
        let h = crate::frame::homography(&unit, corners)?;
        let s = h[2][2];
        (s != 0.0).then(|| Place {
            size,
            h: [
                h[0][0] / s,
                h[0][1] / s,
                h[0][2] / s,
                h[1][0] / s,
                h[1][1] / s,
                h[1][2] / s,
                h[2][0] / s,
                h[2][1] / s,
            ],
        })
    }

    /// Affine, from the centres of the three finder patterns.
    pub fn from_finders(size: usize, tl: Px, tr: Px, bl: Px) -> Place {
        let span = (size - 7) as f64;
        let half = size as f64 / 2.0;
        let ex = [(tr[0] - tl[0]) / span * half, (tr[1] - tl[1]) / span * half];
        let ey = [(bl[0] - tl[0]) / span * half, (bl[1] - tl[1]) / span * half];
        let c = [(tr[0] + bl[0]) / 2.0, (tr[1] + bl[1]) / 2.0];
        Place { size, h: [ex[0], ey[0], c[0], ex[1], ey[1], c[1], 0.0, 0.0] }
    }

    fn centred(&self, u: f64, v: f64) -> [f64; 2] {
        let half = self.size as f64 / 2.0;
        [(u - half) / half, (v - half) / half]
    }

    /// The pixel of a point in modules (0, 0 = the symbol's top-left corner).
    pub fn at(&self, u: f64, v: f64) -> Px {
        let [a, b] = self.centred(u, v);
        let h = &self.h;
        let w = h[6] * a + h[7] * b + 1.0;
        [(h[0] * a + h[1] * b + h[2]) / w, (h[3] * a + h[4] * b + h[5]) / w]
    }

    /// Corners of the symbol: top-left, top-right, bottom-right, bottom-left.
    pub fn corners(&self) -> [Px; 4] {
        let n = self.size as f64;
        [self.at(0.0, 0.0), self.at(n, 0.0), self.at(n, n), self.at(0.0, n)]
    }

    /// The module's mean side at the symbol's centre, px.
    pub fn module_px(&self) -> f64 {
        let h = &self.h;
        let det = (h[0] - h[6] * h[2]) * (h[4] - h[7] * h[5])
            - (h[1] - h[7] * h[2]) * (h[3] - h[6] * h[5]);
        det.abs().sqrt() * 2.0 / self.size as f64
    }

    /// True when the outline is a convex quadrilateral of believable shape.
    pub fn is_sane(&self) -> bool {
        let c = self.corners();
        let mut lengths = [0.0; 4];
        for k in 0..4 {
            let (p, q, r) = (c[k], c[(k + 1) % 4], c[(k + 2) % 4]);
            lengths[k] = (q[0] - p[0]).hypot(q[1] - p[1]);
            let cross = (q[0] - p[0]) * (r[1] - q[1]) - (q[1] - p[1]) * (r[0] - q[0]);
            if cross.is_nan() || cross <= 0.0 {
                return false;
            }
        }
        let lo = lengths.iter().copied().fold(f64::INFINITY, f64::min);
        let hi = lengths.iter().copied().fold(0.0, f64::max);
        lo > 0.0 && hi / lo < 2.0
    }
}

/// Points along a side of the lattice in [`corners_through`].
const LATTICE: usize = 8;

/// The corners of a symbol seen through a lens, from those of the homography that fits it best in
/// the photograph.
///
/// A lens bends the symbol's sides; the homography splits the difference over the whole symbol,
/// and is off most at the corners. A homography fitted to its points with the lens's bend taken
/// out is, but for terms of second order, the true one: the bend's remainder is orthogonal to
/// homographies either way.
pub fn corners_through(corners: &[Px; 4], lens: &Lens) -> [Px; 4] {
    if lens.k1 == 0.0 {
        return *corners;
    }
    let unit = [[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 1.0]];
    let lattice: Vec<[f64; 2]> = (0..LATTICE * LATTICE)
        .map(|k| [k % LATTICE, k / LATTICE].map(|v| (v as f64 + 0.5) / LATTICE as f64))
        .collect();
    let straight = frame::homography(&unit, corners).and_then(|h| {
        let ideal: Vec<Px> = lattice.iter().map(|p| lens.undistort(frame::apply(&h, *p))).collect();
        frame::homography(&lattice, &ideal)
    });
    match straight {
        Some(h) => unit.map(|p| lens.distort(frame::apply(&h, p))),
        None => *corners,
    }
}

/// What the standard fixes in every symbol of versions 1 to 6: finder patterns with their
/// separators and the quiet zone, timing patterns, one alignment pattern. True is dark.
pub fn fixed_module(size: usize, x: i64, y: i64) -> Option<bool> {
    let n = size as i64;
    if x < 0 || y < 0 || x >= n || y >= n {
        return Some(false);
    }
    for (fx, fy) in [(0, 0), (n - 7, 0), (0, n - 7)] {
        let (dx, dy) = ((x - fx - 3).abs(), (y - fy - 3).abs());
        let ring = dx.max(dy);
        if ring <= 4 {
            return Some(ring != 2 && ring != 4);
        }
    }
    if y == 6 {
        return Some(x % 2 == 0);
    }
    if x == 6 {
        return Some(y % 2 == 0);
    }
    if size > 21 {
        let ring = (x - (n - 7)).abs().max((y - (n - 7)).abs());
        if ring <= 2 {
            return Some(ring != 1);
        }
    }
    None
}

/// The modules as sampled.
#[derive(Debug, Clone, PartialEq)]
pub struct Modules {
    /// Modules along a side.
    pub size: usize,
    /// Row-major; true is dark.
    pub dark: Vec<bool>,
    /// Row-major mean grey of each module.
    pub grey: Vec<f64>,
}

impl Modules {
    fn get(&self, x: i64, y: i64) -> bool {
        let n = self.size as i64;
        x >= 0 && y >= 0 && x < n && y < n && self.dark[(y * n + x) as usize]
    }

    /// The modules with the light that blur spilled over from their four neighbours taken back:
    /// `strength` times the difference from the neighbours' mean is added.
    pub fn unblurred(&self, strength: f64) -> Modules {
        let n = self.size;
        let mut grey = self.grey.clone();
        for y in 0..n {
            for x in 0..n {
                let v = self.grey[y * n + x];
                let at = |dx: i64, dy: i64| {
                    let (u, w) = (x as i64 + dx, y as i64 + dy);
                    if u < 0 || w < 0 || u >= n as i64 || w >= n as i64 {
                        None
                    } else {
                        Some(self.grey[w as usize * n + u as usize])
                    }
                };
                let around = [at(1, 0), at(-1, 0), at(0, 1), at(0, -1)];
                let known: Vec<f64> = around.iter().flatten().copied().collect();
                let mean = known.iter().sum::<f64>() / known.len().max(1) as f64;
                grey[y * n + x] = v + strength * (v - mean);
            }
        }
        threshold(n, grey)
    }

    /// Share of the modules that the standard fixes which are as they should be.
    pub fn fixed_agreement(&self) -> f64 {
        let n = self.size as i64;
        let (mut good, mut all) = (0, 0);
        for y in 0..n {
            for x in 0..n {
                if let Some(want) = fixed_module(self.size, x, y) {
                    all += 1;
                    good += usize::from(self.get(x, y) == want);
                }
            }
        }
        f64::from(good as u32) / f64::from(all.max(1))
    }
}

/// Reads the modules: mean of five samples in each.
pub fn sample_modules(window: &Window, place: &Place) -> Option<Modules> {
    let n = place.size;
    let mut value = vec![0.0f64; n * n];
    for y in 0..n {
        for x in 0..n {
            let (u, v) = (x as f64 + 0.5, y as f64 + 0.5);
            let mut sum = 0.0;
            for (du, dv) in [(0.0, 0.0), (-0.2, -0.2), (0.2, -0.2), (-0.2, 0.2), (0.2, 0.2)] {
                sum += window.sample(place.at(u + du, v + dv))?;
            }
            value[y * n + x] = sum / 5.0;
        }
    }
    Some(threshold(n, value))
}

/// Dark or light, against a threshold midway between the local dark and light (over a
/// neighbourhood of modules, so that a shadow's edge does no harm).
fn threshold(n: usize, grey: Vec<f64>) -> Modules {
    let reach = 4;
    let mut dark = vec![false; n * n];
    for y in 0..n {
        for x in 0..n {
            let (mut lo, mut hi) = (f64::INFINITY, f64::NEG_INFINITY);
            let rows = grey.chunks_exact(n).take((y + reach + 1).min(n));
            for row in rows.skip(y.saturating_sub(reach)) {
                for v in &row[x.saturating_sub(reach)..(x + reach + 1).min(n)] {
                    lo = lo.min(*v);
                    hi = hi.max(*v);
                }
            }
            dark[y * n + x] = grey[y * n + x] < (lo + hi) / 2.0;
        }
    }
    Modules { size: n, dark, grey }
}

/// Which edges between modules take part in a fit.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Edges<'a> {
    Finders,
    Fixed,
    All(&'a Modules),
}

impl Edges<'_> {
    fn value(&self, size: usize, x: i64, y: i64) -> Option<bool> {
        match self {
            Edges::Fixed => fixed_module(size, x, y),
            Edges::Finders => {
                let n = size as i64;
                let near = |a: i64, b: i64| (-1..=7).contains(&a) && (-1..=7).contains(&b);
                let inside = near(x, y) || near(x - (n - 7), y) || near(x, y - (n - 7));
                if inside { fixed_module(size, x, y) } else { None }
            }
            Edges::All(m) => Some(m.get(x, y)),
        }
    }
}

/// One measured edge point: where, which way the edge's normal points, offset of the edge along
/// it in px, and the side of the ink.
struct EdgePoint {
    a: [f64; 2],
    normal: Px,
    offset: f64,
    ink: f64,
}

/// Measures every edge within `reach` modules of its predicted place.
fn measure_edges(window: &Window, place: &Place, edges: Edges, reach: f64) -> Vec<EdgePoint> {
    let n = place.size as i64;
    let mut out = Vec::new();
    let steps = 8i32;
    let samples = (2 * steps + 1) as usize;
    let mut profile = vec![0.0f64; samples];
    for vertical in [true, false] {
        for line in 0..=n {
            for along in 0..n {
                let (before, after) = if vertical {
                    ((line - 1, along), (line, along))
                } else {
                    ((along, line - 1), (along, line))
                };
                let (Some(p), Some(q)) = (
                    edges.value(place.size, before.0, before.1),
                    edges.value(place.size, after.0, after.1),
                ) else {
                    continue;
                };
                if p == q {
                    continue;
                }
                let point = |t: f64, s: f64| {
                    let (u, v) = (line as f64 + t, along as f64 + 0.5 + s);
                    if vertical { place.at(u, v) } else { place.at(v, u) }
                };
                // Within a module the map is as good as linear.
                let middle = point(0.0, 0.0);
                let (f0, f1) = (point(-0.5, 0.0), point(0.5, 0.0));
                let (e0, e1) = (point(0.0, -0.5), point(0.0, 0.5));
                let across = [f1[0] - f0[0], f1[1] - f0[1]];
                let d = [e1[0] - e0[0], e1[1] - e0[1]];
                if !window.profile(middle, across, d, reach, steps, &mut profile) {
                    continue;
                }
                // Dark first or light first; look at it as light to dark.
                let sign = if p { -1.0 } else { 1.0 };
                let Some(t) = crossing(&profile, sign) else { continue };
                let t = (t - f64::from(steps)) / f64::from(steps) * reach;
                let length = d[0].hypot(d[1]);
                if length <= 0.0 {
                    continue;
                }
                let mut normal = [-d[1] / length, d[0] / length];
                if normal[0] * across[0] + normal[1] * across[1] < 0.0 {
                    normal = [-normal[0], -normal[1]];
                }
                let stretch = normal[0] * across[0] + normal[1] * across[1];
                let a = if vertical {
                    place.centred(line as f64, along as f64 + 0.5)
                } else {
                    place.centred(along as f64 + 0.5, line as f64)
                };
                out.push(EdgePoint { a, normal, offset: t * stretch, ink: sign });
            }
        }
    }
    out
}

/// Where a profile crosses the middle of its range in the wanted direction (sign 1: from light to
/// dark), nearest to its centre; in samples. None without contrast.
fn crossing(profile: &[f64], sign: f64) -> Option<f64> {
    let mid = (profile.len() - 1) as f64 / 2.0;
    let lo = profile.iter().copied().fold(f64::INFINITY, f64::min);
    let hi = profile.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    if hi - lo < 12.0 {
        return None;
    }
    let level = (lo + hi) / 2.0;
    let mut best: Option<f64> = None;
    for (k, pair) in profile.windows(2).enumerate() {
        let (a, b) = ((pair[0] - level) * sign, (pair[1] - level) * sign);
        if a > 0.0 && b <= 0.0 {
            let t = k as f64 + a / (a - b);
            if best.is_none_or(|o: f64| (t - mid).abs() < (o - mid).abs()) {
                best = Some(t);
            }
        }
    }
    best
}

/// One Gauss-Newton step with Tukey weights; returns the new place, the share of edges kept and
/// their root mean square, px.
fn step(place: &Place, points: &[EdgePoint], affine: bool) -> Option<(Place, f64, f64)> {
    if points.len() < 24 {
        return None;
    }
    let h = &place.h;
    // Start from the median offset of both inks, so that a shift is not taken for outliers.
    let mut weights = vec![1.0f64; points.len()];
    let mut solution = SVector::<f64, 9>::zeros();
    let rows: Vec<SVector<f64, 9>> = points
        .iter()
        .map(|e| {
            let [a, b] = e.a;
            let w = h[6] * a + h[7] * b + 1.0;
            let x = (h[0] * a + h[1] * b + h[2]) / w;
            let y = (h[3] * a + h[4] * b + h[5]) / w;
            let [nx, ny] = e.normal;
            let p = nx * x + ny * y;
            SVector::<f64, 9>::from([
                nx * a / w,
                nx * b / w,
                nx / w,
                ny * a / w,
                ny * b / w,
                ny / w,
                if affine { 0.0 } else { -p * a / w },
                if affine { 0.0 } else { -p * b / w },
                e.ink,
            ])
        })
        .collect();
    let mut rms = 0.0;
    let mut kept = 0.0;
    for _ in 0..4 {
        let mut normal = SMatrix::<f64, 9, 9>::zeros();
        let mut rhs = SVector::<f64, 9>::zeros();
        for ((row, e), w) in rows.iter().zip(points).zip(&weights) {
            if *w > 0.0 {
                normal += *w * row * row.transpose();
                rhs += *w * e.offset * row;
            }
        }
        if affine {
            normal[(6, 6)] += 1.0;
            normal[(7, 7)] += 1.0;
        }
        for k in 0..9 {
            normal[(k, k)] *= 1.0 + 1e-9;
        }
        solution = normal.cholesky()?.solve(&rhs);
        let residuals: Vec<f64> =
            rows.iter().zip(points).map(|(r, e)| e.offset - r.dot(&solution)).collect();
        let mut sizes: Vec<f64> = residuals.iter().map(|r| r.abs()).collect();
        let mid = sizes.len() / 2;
        let (_, median, _) = sizes.select_nth_unstable_by(mid, f64::total_cmp);
        let cut = (4.685 * 1.4826 * *median).max(0.15);
        let (mut sum, mut total, mut inside) = (0.0, 0.0, 0usize);
        for (w, r) in weights.iter_mut().zip(&residuals) {
            let q = r / cut;
            *w = if q.abs() < 1.0 { (1.0 - q * q).powi(2) } else { 0.0 };
            sum += *w * r * r;
            total += *w;
            inside += usize::from(*w > 0.0);
        }
        rms = (sum / f64::max(total, 1e-9)).sqrt();
        kept = inside as f64 / points.len() as f64;
    }
    let mut next = *place;
    for k in 0..8 {
        next.h[k] += solution[k];
    }
    next.is_sane().then_some((next, kept, rms))
}

/// Moves the fourth corner until the alignment pattern fits best (versions 2 and up).
fn align(window: &Window, place: &Place) -> Place {
    if place.size <= 21 {
        return *place;
    }
    let n = place.size as f64;
    let c = n - 6.5;
    let mut best = (f64::NEG_INFINITY, 0.0, 0.0);
    for iy in -10..=10 {
        for ix in -10..=10 {
            let (du, dv) = (f64::from(ix) * 0.2, f64::from(iy) * 0.2);
            let (mut light, mut dark) = (0.0, 0.0);
            let mut ok = true;
            for y in -2..=2i32 {
                for x in -2..=2i32 {
                    let p = place.at(c + du + f64::from(x), c + dv + f64::from(y));
                    let Some(g) = window.sample(p) else {
                        ok = false;
                        continue;
                    };
                    if x.abs().max(y.abs()) == 1 {
                        light += g / 8.0;
                    } else {
                        dark += g / 17.0;
                    }
                }
            }
            let score = light - dark - 1.5 * du.hypot(dv);
            if ok && score > best.0 {
                best = (score, du, dv);
            }
        }
    }
    if best.0 < 12.0 {
        return *place;
    }
    // A projective map that keeps the three finder centres and puts the pattern right.
    let from = [[3.5, 3.5], [n - 3.5, 3.5], [c, c], [3.5, n - 3.5]];
    let to: [Px; 4] = [
        place.at(3.5, 3.5),
        place.at(n - 3.5, 3.5),
        place.at(c + best.1, c + best.2),
        place.at(3.5, n - 3.5),
    ];
    let moved = crate::frame::homography(&from, &to).and_then(|h| {
        let corner = |u: f64, v: f64| crate::frame::apply(&h, [u, v]);
        Place::from_corners(
            place.size,
            &[corner(0.0, 0.0), corner(n, 0.0), corner(n, n), corner(0.0, n)],
        )
    });
    moved.filter(Place::is_sane).unwrap_or(*place)
}

/// A symbol whose place has been fitted.
#[derive(Debug, Clone)]
pub struct Fitted {
    /// Its place.
    pub place: Place,
    /// Its modules.
    pub modules: Modules,
    /// Share of its edges that agree with the place.
    pub kept: f64,
    /// Root mean square of those edges' offsets, px.
    pub edge_rms_px: f64,
}

/// Fits a symbol from a first guess of its place: finder patterns first (affine), then the
/// alignment pattern, then everything that the standard fixes, then every edge between modules.
/// `projective` says that the guess already has its perspective (from the other tiles).
pub fn fit(window: &Window, guess: &Place, projective: bool) -> Option<Fitted> {
    let mut place = *guess;
    if !projective {
        for _ in 0..2 {
            let points = measure_edges(window, &place, Edges::Finders, 0.9);
            place = step(&place, &points, true)?.0;
        }
        place = align(window, &place);
    }
    for reach in [0.8, 0.7] {
        let points = measure_edges(window, &place, Edges::Fixed, reach);
        place = step(&place, &points, false)?.0;
    }
    let mut modules = sample_modules(window, &place)?;
    if modules.fixed_agreement() < 0.8 {
        return None;
    }
    let (mut kept, mut edge_rms_px) = (0.0, 0.0);
    for _ in 0..3 {
        let points = measure_edges(window, &place, Edges::All(&modules), 0.6);
        (place, kept, edge_rms_px) = step(&place, &points, false)?;
        modules = sample_modules(window, &place)?;
    }
    Some(Fitted { place, modules, kept, edge_rms_px })
}
