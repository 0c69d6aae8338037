//! The tray frame: millimetres on the tray floor, and the camera above it.
//!
//! Origin at the tray floor's inner top-left corner, x to the right, y down. A pixel's centre has
//! whole-number coordinates; the first pixel's centre is (0, 0).

/// A point in pixels: x to the right, y down, first pixel's centre = (0, 0).
pub type Px = [f64; 2];
/// A point on the tray floor, in millimetres of the tray frame.
pub type Mm = [f64; 2];

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

/// Radial lens term about the photograph's centre. With u the ideal (pinhole) pixel and
/// r = |u − c| / (half the photograph's width), the photograph shows u at c + (u − c)(1 + k1 r²).
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
    /// From the ideal pixel to the photograph's.
    pub fn distort(&self, u: Px) -> Px {
        let d = [u[0] - self.centre_px[0], u[1] - self.centre_px[1]];
        let r2 = (d[0] * d[0] + d[1] * d[1]) / (self.half_width_px * self.half_width_px);
        let s = 1.0 + self.k1 * r2;
        [self.centre_px[0] + d[0] * s, self.centre_px[1] + d[1] * s]
    }

    /// From the photograph's pixel to the ideal one (fixed-point iteration).
    pub fn undistort(&self, p: Px) -> Px {
        let d = [p[0] - self.centre_px[0], p[1] - self.centre_px[1]];
        let w2 = self.half_width_px * self.half_width_px;
        let mut s = 1.0;
        for _ in 0..12 {
            let r2 = (d[0] * d[0] + d[1] * d[1]) / (s * s) / w2;
            s = 1.0 + self.k1 * r2;
        }
        [self.centre_px[0] + d[0] / s, self.centre_px[1] + d[1] / s]
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
    pub mm_to_px: [[f64; 3]; 3],
    /// The inverse of `mm_to_px`.
    pub px_to_mm: [[f64; 3]; 3],
    /// Radial lens term.
    pub lens: Lens,
    /// The lens's position: x, y in the tray frame and height above the floor, mm.
    pub camera_mm: [f64; 3],
    /// Where `camera_mm` came from.
    pub camera_source: CameraSource,
    /// Pixels per millimetre at the tray's centre (square root of the local area scale).
    pub px_per_mm: f64,
    /// Root mean square distance between the tiles' corners as seen and as the frame predicts
    /// them, px; none without tiles.
    pub reprojection_rms_px: Option<f64>,
}

/// Applies a homography to a point.
pub fn apply(h: &[[f64; 3]; 3], p: [f64; 2]) -> [f64; 2] {
    let w = h[2][0] * p[0] + h[2][1] * p[1] + h[2][2];
    [
        (h[0][0] * p[0] + h[0][1] * p[1] + h[0][2]) / w,
        (h[1][0] * p[0] + h[1][1] * p[1] + h[1][2]) / w,
    ]
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
}
