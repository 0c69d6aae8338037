//! The tray frame: millimetres on the tray floor, and the camera above it.
//!
//! Origin at the tray floor's inner top-left corner, x to the right, y down. A pixel's centre has
//! whole-number coordinates; the first pixel's centre is (0, 0).

use nalgebra::{DMatrix, DVector, Matrix3};

/// A point in pixels: x to the right, y down, first pixel's centre = (0, 0).
pub type Px = [f64; 2];
/// A point on the tray floor, in millimetres of the tray frame.
pub type Mm = [f64; 2];
/// A plane homography, row by row.
pub type Homography = [[f64; 3]; 3];

/// Diagonal of the 36 mm x 24 mm film frame, mm: what "35 mm-equivalent" focal lengths refer to.
pub const FILM_DIAGONAL_MM: f64 = 43.266_615_305_567_87;

/// How the tray frame came about, best first.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, serde::Serialize, serde::Deserialize,
)]
#[serde(rename_all = "kebab-case")]
pub enum FrameSource {
    /// All four tiles.
    FourTiles,
    /// Three tiles.
    ThreeTiles,
    /// Two tiles.
    TwoTiles,
    /// No tiles: the tray floor's rectangle was found and its size given.
    TrayFloor,
    /// No tiles: pixels per millimetre given; no tilt corrected.
    GivenScale,
}

/// Where the camera's height came from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum CameraSource {
    /// From the homography and the EXIF focal length.
    FocalLength,
    /// Given by the user.
    Given,
    /// A stated default: no focal length in the file.
    Default,
}

/// Radial lens term about the photograph's centre. With p the photograph's pixel and
/// r = |p − c| / (half the photograph's width), the ideal (pinhole) pixel is
/// c + (p − c)(1 + k1 r²): a positive k1 is barrel distortion.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Lens {
    /// Radial coefficient, half-width units.
    pub k1: f64,
    /// Centre of distortion, px.
    pub centre_px: Px,
    /// Half the photograph's width, px.
    pub half_width_px: f64,
}

impl Lens {
    /// The lens of a photograph of that many pixels, centred on it.
    pub fn centred(width: u32, height: u32, k1: f64) -> Self {
        Lens {
            k1,
            centre_px: [(f64::from(width) - 1.0) / 2.0, (f64::from(height) - 1.0) / 2.0],
            half_width_px: f64::from(width.max(1)) / 2.0,
        }
    }

    /// From the photograph's pixel to the ideal one.
    pub fn undistort(&self, p: Px) -> Px {
        let d = [p[0] - self.centre_px[0], p[1] - self.centre_px[1]];
        let r2 = (d[0] * d[0] + d[1] * d[1]) / (self.half_width_px * self.half_width_px);
        let s = 1.0 + self.k1 * r2;
        [self.centre_px[0] + d[0] * s, self.centre_px[1] + d[1] * s]
    }

    /// From the ideal pixel to the photograph's (Newton's method on r + k1 r³ = |u − c|; ideal
    /// points farther out than the lens can show map to the farthest one).
    pub fn distort(&self, u: Px) -> Px {
        let d = [u[0] - self.centre_px[0], u[1] - self.centre_px[1]];
        let target = d[0].hypot(d[1]) / self.half_width_px;
        if self.k1 == 0.0 || target == 0.0 {
            return u;
        }
        // With k1 < 0 the radius r + k1 r³ has a largest value, at r² = −1/(3 k1).
        let limit =
            if self.k1 < 0.0 { (-1.0 / (3.0 * self.k1)).sqrt() * 0.999 } else { f64::INFINITY };
        let mut r = target.min(limit);
        for _ in 0..20 {
            let f = r + self.k1 * r * r * r - target;
            let step = f / (1.0 + 3.0 * self.k1 * r * r);
            r = (r - step).clamp(0.0, limit);
            if step.abs() < 1e-14 {
                break;
            }
        }
        let s = r / target;
        [self.centre_px[0] + d[0] * s, self.centre_px[1] + d[1] * s]
    }
}

/// A tray frame that is wholly known: it cannot exist without a scale.
#[derive(Debug, Clone, PartialEq)]
pub struct TrayFrame {
    /// How it came about.
    pub source: FrameSource,
    /// Inner size of the tray floor, mm, where known.
    pub tray_mm: Option<[f64; 2]>,
    /// Maps tray millimetres (x, y, 1) to ideal pixels (homogeneous).
    pub mm_to_px: Homography,
    /// The inverse of `mm_to_px`.
    pub px_to_mm: Homography,
    /// Radial lens term.
    pub lens: Lens,
    /// The lens's position: x, y in the tray frame and height above the floor, mm.
    pub camera_mm: [f64; 3],
    /// Where `camera_mm` came from.
    pub camera_source: CameraSource,
    /// Pixels per millimetre at the tray's centre (square root of the local area scale).
    pub px_per_mm: f64,
    /// Root mean square distance between the tiles' corners as seen and as the frame predicts
    /// them (their printed size being one common free factor when there are three or four), px;
    /// none without tiles.
    pub reprojection_rms_px: Option<f64>,
}

/// Applies a homography to a point.
pub fn apply(h: &Homography, p: [f64; 2]) -> [f64; 2] {
    let w = h[2][0] * p[0] + h[2][1] * p[1] + h[2][2];
    [
        (h[0][0] * p[0] + h[0][1] * p[1] + h[0][2]) / w,
        (h[1][0] * p[0] + h[1][1] * p[1] + h[1][2]) / w,
    ]
}

fn to_matrix(h: &Homography) -> Matrix3<f64> {
    Matrix3::from_fn(|r, c| h[r][c])
}

fn from_matrix(m: &Matrix3<f64>) -> Homography {
    std::array::from_fn(|r| std::array::from_fn(|c| m[(r, c)]))
}

/// The inverse of a homography, scaled so that its last element is 1; none when singular.
pub fn invert(h: &Homography) -> Option<Homography> {
    let m = to_matrix(h).try_inverse()?;
    let s = m[(2, 2)];
    let ok = m.iter().all(|v| v.is_finite()) && s != 0.0;
    ok.then(|| from_matrix(&(m / s)))
}

/// `a` after `b`.
pub fn compose(a: &Homography, b: &Homography) -> Homography {
    from_matrix(&(to_matrix(a) * to_matrix(b)))
}

/// Similarity that brings points to mean zero and mean distance √2 (Hartley's normalisation).
fn normaliser(points: &[[f64; 2]]) -> Homography {
    let n = points.len().max(1) as f64;
    let mx = points.iter().map(|p| p[0]).sum::<f64>() / n;
    let my = points.iter().map(|p| p[1]).sum::<f64>() / n;
    let d = points.iter().map(|p| (p[0] - mx).hypot(p[1] - my)).sum::<f64>() / n;
    let s = if d > 0.0 { std::f64::consts::SQRT_2 / d } else { 1.0 };
    [[s, 0.0, -s * mx], [0.0, s, -s * my], [0.0, 0.0, 1.0]]
}

/// The homography that takes `from` to `to` with least algebraic error (direct linear transform
/// on normalised points, last element 1). At least four pairs, no three of four in line; none
/// when they do not determine one.
pub fn homography(from: &[[f64; 2]], to: &[[f64; 2]]) -> Option<Homography> {
    if from.len() < 4 || from.len() != to.len() {
        return None;
    }
    let (nf, nt) = (normaliser(from), normaliser(to));
    let mut a = DMatrix::<f64>::zeros(2 * from.len(), 8);
    let mut b = DVector::<f64>::zeros(2 * from.len());
    for (i, (f, t)) in from.iter().zip(to).enumerate() {
        let [x, y] = apply(&nf, *f);
        let [u, v] = apply(&nt, *t);
        let rows = [
            ([x, y, 1.0, 0.0, 0.0, 0.0, -u * x, -u * y], u),
            ([0.0, 0.0, 0.0, x, y, 1.0, -v * x, -v * y], v),
        ];
        for (k, (row, rhs)) in rows.iter().enumerate() {
            for (c, value) in row.iter().enumerate() {
                a[(2 * i + k, c)] = *value;
            }
            b[2 * i + k] = *rhs;
        }
    }
    let svd = a.svd(true, true);
    if svd.singular_values.min() < 1e-9 * svd.singular_values.max() {
        return None;
    }
    let x = svd.solve(&b, 1e-13).ok()?;
    let h = [[x[0], x[1], x[2]], [x[3], x[4], x[5]], [x[6], x[7], 1.0]];
    let back = invert(&nt)?;
    let full = compose(&back, &compose(&h, &nf));
    let s = full[2][2];
    if !s.is_finite() || s == 0.0 {
        return None;
    }
    Some(full.map(|row| row.map(|v| v / s)))
}

/// What is known besides the points when a frame is fitted.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FitPrior {
    /// Focal length of the ideal picture, px, and its relative standard deviation; steadies frames
    /// from few tiles.
    pub focal_px: Option<(f64, f64)>,
    /// Standard deviation of a corner, px.
    pub corner_sd_px: f64,
    /// Largest lens term that is believed.
    pub max_k1: f64,
    /// The lens term is kept when it lowers the sum of squares, in units of `corner_sd_px`² or of
    /// the fit's own variance, whichever is larger, by more than this (chi-square, one degree).
    pub k1_chi2: f64,
    /// False leaves the lens term at zero.
    pub estimate_k1: bool,
    /// Estimate the symbols' printed size (needs their centres).
    pub symbol_scale: bool,
    /// The lens term is drawn to zero with this standard deviation (matters with few points).
    pub k1_sd: f64,
}

impl Default for FitPrior {
    fn default() -> Self {
        FitPrior {
            focal_px: None,
            corner_sd_px: 0.05,
            max_k1: 0.15,
            k1_chi2: 10.8,
            estimate_k1: true,
            symbol_scale: true,
            k1_sd: 0.02,
        }
    }
}

/// Result of [`fit_points`].
#[derive(Debug, Clone, PartialEq)]
pub struct PointFit {
    /// Tray millimetres to ideal pixels.
    pub mm_to_px: Homography,
    /// Lens term.
    pub lens: Lens,
    /// Printed size of the symbols as a part of what they claim (1 when not estimated).
    pub symbol_scale: f64,
    /// Root mean square distance between points as seen and as predicted, px.
    pub rms_px: f64,
}

/// Least-squares homography plus radial term from pairs of tray points and photograph pixels
/// (Levenberg-Marquardt on the distance in the photograph).
///
/// `centres`, when not empty, gives for each point the centre of the printed symbol that it is a
/// corner of; then the symbols' printed size is estimated too, one factor for all, so that a
/// printer that scales does not spoil the lens term.
pub fn fit_points(
    mm: &[Mm],
    centres: &[Mm],
    px: &[Px],
    width: u32,
    height: u32,
    prior: &FitPrior,
) -> Option<PointFit> {
    let flat = Lens::centred(width, height, 0.0);
    let (c, hw) = (flat.centre_px, flat.half_width_px);
    let nm = normaliser(mm);
    let m: Vec<[f64; 2]> = mm.iter().map(|p| apply(&nm, *p)).collect();
    let mid: Vec<[f64; 2]> = centres.iter().map(|p| apply(&nm, *p)).collect();
    let scaled = prior.symbol_scale && mid.len() == m.len() && m.len() >= 8;
    let p: Vec<[f64; 2]> = px.iter().map(|q| [(q[0] - c[0]) / hw, (q[1] - c[1]) / hw]).collect();
    let start = homography(&m, &p)?;
    let unit = Lens { k1: 0.0, centre_px: [0.0, 0.0], half_width_px: 1.0 };
    let sd = prior.corner_sd_px / hw;

    let residuals = |x: &[f64], out: &mut Vec<f64>| {
        let h = [[x[0], x[1], x[2]], [x[3], x[4], x[5]], [x[6], x[7], 1.0]];
        let lens = Lens { k1: x[9], ..unit };
        let grow = x[8];
        out.clear();
        for (k, (a, b)) in m.iter().zip(&p).enumerate() {
            let a = match mid.get(k) {
                Some(c) if scaled => {
                    [c[0] + (a[0] - c[0]) * (1.0 + grow), c[1] + (a[1] - c[1]) * (1.0 + grow)]
                }
                _ => *a,
            };
            let q = lens.distort(apply(&h, a));
            out.push((q[0] - b[0]) / sd);
            out.push((q[1] - b[1]) / sd);
        }
        if let Some((f, rel_sd)) = prior.focal_px {
            // The columns of K⁻¹H must be of equal length and at right angles.
            let f = f / hw;
            let col = |k: usize| [h[0][k] / f, h[1][k] / f, h[2][k]];
            let (u, v) = (col(0), col(1));
            let dot = |a: [f64; 3], b: [f64; 3]| a[0] * b[0] + a[1] * b[1] + a[2] * b[2];
            // A focal length off by e spoils the equations by about 2 e sin²(tilt); 0.2 rad is
            // a large tilt.
            let w = (2.0 * rel_sd * 0.04_f64).max(1e-4);
            let scale = (dot(u, u) + dot(v, v)) / 2.0;
            out.push(dot(u, v) / scale / w);
            out.push((dot(u, u) - dot(v, v)) / (2.0 * scale) / w);
        }
    };
    let with = |free: [bool; 2], x0: &[f64; 10]| -> Option<([f64; 10], f64)> {
        let spread = |y: &[f64]| {
            let mut x = *x0;
            x[..8].copy_from_slice(&y[..8]);
            let mut next = 8;
            for k in 0..2 {
                x[8 + k] = 0.0;
                if free[k] {
                    x[8 + k] = y[next];
                    next += 1;
                }
            }
            x
        };
        let mut y: Vec<f64> = x0[..8].to_vec();
        y.extend((0..2).filter(|k| free[*k]).map(|k| x0[8 + k]));
        let f = |y: &[f64], out: &mut Vec<f64>| {
            let x = spread(y);
            residuals(&x, out);
            out.push(x[9] / prior.k1_sd);
            // Printers are true to a few per cent.
            out.push(x[8] / 0.03);
        };
        let (y, cost) = levenberg_marquardt(&f, y)?;
        Some((spread(&y), cost))
    };
    let mut x0 = [0.0; 10];
    for k in 0..8 {
        x0[k] = start[k / 3][k % 3];
    }
    let (mut x, cost0) = with([scaled, false], &x0)?;
    // Eight numbers from four corners leave nothing to judge a ninth by.
    if prior.estimate_k1
        && m.len() >= 8
        && let Some((y, cost1)) = with([scaled, true], &x)
    {
        let freedom = (2 * m.len()).saturating_sub(10).max(1) as f64;
        let variance = (cost1 / freedom).max(1.0);
        if (cost0 - cost1) / variance > prior.k1_chi2 && y[9].abs() <= prior.max_k1 {
            x = y;
        }
    }
    let (grow, k1) = (x[8], x[9]);
    let hn = [[x[0], x[1], x[2]], [x[3], x[4], x[5]], [x[6], x[7], 1.0]];
    let back = [[hw, 0.0, c[0]], [0.0, hw, c[1]], [0.0, 0.0, 1.0]];
    let full = compose(&back, &compose(&hn, &nm));
    let s = full[2][2];
    if !s.is_finite() || s.abs() < 1e-12 {
        return None;
    }
    let mm_to_px = full.map(|row| row.map(|v| v / s));
    let lens = Lens { k1, ..flat };
    let sum: f64 = mm
        .iter()
        .enumerate()
        .zip(px)
        .map(|((k, a), b)| {
            let a = match centres.get(k) {
                Some(c) if scaled => {
                    [c[0] + (a[0] - c[0]) * (1.0 + grow), c[1] + (a[1] - c[1]) * (1.0 + grow)]
                }
                _ => *a,
            };
            let q = lens.distort(apply(&mm_to_px, a));
            (q[0] - b[0]).powi(2) + (q[1] - b[1]).powi(2)
        })
        .sum();
    let rms_px = (sum / mm.len() as f64).sqrt();
    Some(PointFit { mm_to_px, lens, symbol_scale: 1.0 + grow, rms_px })
}

/// Small dense Levenberg-Marquardt with a numerical Jacobian; returns the point and its sum of
/// squares, none when the numbers stop being finite.
pub(crate) fn levenberg_marquardt(
    f: &dyn Fn(&[f64], &mut Vec<f64>),
    mut x: Vec<f64>,
) -> Option<(Vec<f64>, f64)> {
    let n = x.len();
    let (mut r, mut trial) = (Vec::new(), Vec::new());
    f(&x, &mut r);
    let mut cost: f64 = r.iter().map(|v| v * v).sum();
    let mut lambda = 1e-3;
    for _ in 0..60 {
        let mut jac = DMatrix::<f64>::zeros(r.len(), n);
        for k in 0..n {
            let step = 1e-6 * x[k].abs().max(1e-2);
            let mut y = x.clone();
            y[k] += step;
            f(&y, &mut trial);
            for (i, (a, b)) in trial.iter().zip(&r).enumerate() {
                jac[(i, k)] = (a - b) / step;
            }
        }
        let jt = jac.transpose();
        let normal = &jt * &jac;
        let gradient = &jt * DVector::from_column_slice(&r);
        let mut improved = false;
        for _ in 0..8 {
            let mut damped = normal.clone();
            for k in 0..n {
                damped[(k, k)] += lambda * normal[(k, k)].max(1e-12);
            }
            let Some(step) = damped.lu().solve(&gradient) else {
                lambda *= 10.0;
                continue;
            };
            let y: Vec<f64> = x.iter().zip(step.iter()).map(|(a, s)| a - s).collect();
            f(&y, &mut trial);
            let c: f64 = trial.iter().map(|v| v * v).sum();
            if c.is_finite() && c <= cost {
                improved = cost - c > 1e-10 * cost;
                x = y;
                cost = c;
                std::mem::swap(&mut r, &mut trial);
                lambda = (lambda * 0.2).max(1e-12);
                break;
            }
            lambda *= 10.0;
        }
        if !improved {
            break;
        }
    }
    (cost.is_finite() && x.iter().all(|v| v.is_finite())).then_some((x, cost))
}

/// Focal length of the ideal picture in pixels, from a 35 mm-equivalent focal length, which is
/// defined by the picture's diagonal (CIPA DCG-001, from memory).
///
/// Removing barrel distortion (k1 > 0) leaves the corners empty, so the camera (and the renderings
/// that this was checked on) enlarges the picture until its corners are filled; that makes the
/// effective focal length longer by 1 + k1 r² at the corner.
pub fn focal_px(focal_35mm: f64, width: u32, height: u32, k1: f64) -> f64 {
    let (w, h) = (f64::from(width), f64::from(height));
    let corner2 = 1.0 + (h / w).powi(2);
    focal_35mm / FILM_DIAGONAL_MM * w.hypot(h) * (1.0 + k1.max(0.0) * corner2)
}

/// The lens's position (x, y in the tray frame, height above the floor, mm) from the homography
/// and the focal length in pixels: the homography's columns are f-scaled rotation axes, up to a
/// common factor; the nearest rotation is taken (Zhang 2000, section 3.1).
pub fn camera_position(mm_to_px: &Homography, lens: &Lens, focal_px: f64) -> Option<[f64; 3]> {
    let c = lens.centre_px;
    let k_inv = [
        [1.0 / focal_px, 0.0, -c[0] / focal_px],
        [0.0, 1.0 / focal_px, -c[1] / focal_px],
        [0.0, 0.0, 1.0],
    ];
    let a = to_matrix(&compose(&k_inv, mm_to_px));
    let (a1, a2, a3) = (a.column(0), a.column(1), a.column(2));
    let scale = 2.0 / (a1.norm() + a2.norm());
    let (r1, r2) = (a1 * scale, a2 * scale);
    let t = a3 * scale;
    let r3 = r1.cross(&r2);
    let svd = Matrix3::from_columns(&[r1, r2, r3]).svd(true, true);
    let rotation = svd.u? * svd.v_t?;
    let position = -(rotation.transpose() * t);
    let ok = position.iter().all(|v| v.is_finite());
    // x right and y down make z point into the floor; either sign of the homography's scale is
    // the same picture.
    ok.then(|| [position[0], position[1], position[2].abs()])
}

impl TrayFrame {
    /// The tray-floor point seen at a pixel.
    pub fn to_mm(&self, p: Px) -> Mm {
        apply(&self.px_to_mm, self.lens.undistort(p))
    }

    /// The pixel that shows a tray-floor point.
    pub fn to_px(&self, m: Mm) -> Px {
        self.lens.distort(apply(&self.mm_to_px, m))
    }

    /// Area of one pixel on the tray floor at a pixel, mm² (numerical Jacobian of [`Self::to_mm`]).
    pub fn px_area_mm2(&self, p: Px) -> f64 {
        let h = 2.0;
        let [ax, ay] = self.to_mm([p[0] + h, p[1]]);
        let [bx, by] = self.to_mm([p[0] - h, p[1]]);
        let [cx, cy] = self.to_mm([p[0], p[1] + h]);
        let [dx, dy] = self.to_mm([p[0], p[1] - h]);
        (((ax - bx) * (cy - dy) - (ay - by) * (cx - dx)) / (4.0 * h * h)).abs()
    }

    /// Pixels per millimetre at a tray point (square root of the local area scale).
    pub fn px_per_mm_at(&self, m: Mm) -> f64 {
        let h = 1.0;
        let [ax, ay] = self.to_px([m[0] + h, m[1]]);
        let [bx, by] = self.to_px([m[0] - h, m[1]]);
        let [cx, cy] = self.to_px([m[0], m[1] + h]);
        let [dx, dy] = self.to_px([m[0], m[1] - h]);
        (((ax - bx) * (cy - dy) - (ay - by) * (cx - dx)) / (4.0 * h * h)).abs().sqrt()
    }
}

#[cfg(test)]
mod tests;
