//! Colour: sRGB, CIELAB (D65), colour differences, and the correction of light and colour cast.
//!
//! Formulas: IEC 61966-2-1 (sRGB), CIE 15 (CIELAB). The white is the row sums of the sRGB matrix,
//! so that greys have exactly a* = b* = 0.

pub mod patches;

use std::sync::LazyLock;

use patches::Tone;

use crate::elementary::nearest;

/// CIELAB coordinates: L* (0 to 100), a*, b*.
pub type Lab = [f64; 3];

/// Linear-light value (0 to 1) of each 8-bit sRGB code (IEC 61966-2-1).
static LINEAR: LazyLock<[f32; 256]> =
    LazyLock::new(|| std::array::from_fn(|code| decode_srgb(code as f64 / 255.0) as f32));

/// sRGB decoding of a value in 0..=1 to linear light.
pub fn decode_srgb(c: f64) -> f64 {
    if c <= 0.04045 { c / 12.92 } else { ((c + 0.055) / 1.055).powf(2.4) }
}

/// sRGB encoding of linear light in 0..=1.
pub fn encode_srgb(v: f64) -> f64 {
    if v <= 0.003_130_8 { v * 12.92 } else { 1.055 * v.powf(1.0 / 2.4) - 0.055 }
}

/// Linear light of an 8-bit sRGB code.
pub fn linear(code: u8) -> f32 {
    LINEAR[code as usize]
}

/// The sRGB matrix to XYZ with the four decimals of the standard.
const TO_XYZ: [[f64; 3]; 3] =
    [[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]];

/// XYZ (white Y = 1) of linear sRGB.
pub fn xyz_from_linear(rgb: [f64; 3]) -> [f64; 3] {
    TO_XYZ.map(|row| row[0] * rgb[0] + row[1] * rgb[1] + row[2] * rgb[2])
}

/// CIE 15: the CIELAB companding function.
fn lab_f(t: f64) -> f64 {
    const DELTA: f64 = 6.0 / 29.0;
    if t > DELTA * DELTA * DELTA { t.cbrt() } else { (841.0 / 108.0) * t + 4.0 / 29.0 }
}

/// The inverse of [`lab_f`].
fn lab_f_back(f: f64) -> f64 {
    const DELTA: f64 = 6.0 / 29.0;
    if f > DELTA { f.powi(3) } else { (f - 4.0 / 29.0) * 3.0 * DELTA * DELTA }
}

/// Relative luminance (white: 1) of a CIELAB lightness.
pub fn luminance(lightness: f64) -> f64 {
    lab_f_back((lightness + 16.0) / 116.0)
}

/// CIELAB of XYZ under a white (Y = 1).
pub fn lab_from_xyz(xyz: [f64; 3], white: [f64; 3]) -> Lab {
    let [fx, fy, fz] = std::array::from_fn(|i| lab_f(xyz[i] / white[i]));
    [116.0 * fy - 16.0, 500.0 * (fx - fy), 200.0 * (fy - fz)]
}

/// CIELAB (D65) of linear sRGB; greys are exactly neutral.
pub fn lab_from_linear(rgb: [f64; 3]) -> Lab {
    lab_from_xyz(xyz_from_linear(rgb), TO_XYZ.map(|row| row.iter().sum()))
}

/// The sRGB matrix from XYZ with the four decimals of the standard.
const FROM_XYZ: [[f64; 3]; 3] =
    [[3.2406, -1.5372, -0.4986], [-0.9689, 1.8758, 0.0415], [0.0557, -0.2040, 1.0570]];

/// Linear sRGB of CIELAB (D65); below 0 or above 1 outside sRGB's gamut. The two matrices of the
/// standard undo each other to 0.0002.
pub fn linear_from_lab(lab: Lab) -> [f64; 3] {
    let fy = (lab[0] + 16.0) / 116.0;
    let f = [fy + lab[1] / 500.0, fy, fy - lab[2] / 200.0];
    let xyz: [f64; 3] = std::array::from_fn(|i| lab_f_back(f[i]) * TO_XYZ[i].iter().sum::<f64>());
    FROM_XYZ.map(|row| row[0] * xyz[0] + row[1] * xyz[1] + row[2] * xyz[2])
}

/// CIELAB (D65) of an 8-bit sRGB colour.
pub fn lab_from_srgb(rgb: [u8; 3]) -> Lab {
    lab_from_linear(rgb.map(|c| decode_srgb(f64::from(c) / 255.0)))
}

/// Steps of the table behind [`fast_lab`].
const F_STEPS: usize = 4096;
/// Greatest relative linear value in the table: corrected light may exceed the paper's.
const F_MAX: f32 = 2.0;

/// `lab_f` on the square root of its argument: the root spreads the dark end, where the function
/// bends most, so that linear interpolation stays within 0.02 L* everywhere.
static F_TABLE: LazyLock<[f32; F_STEPS + 2]> = LazyLock::new(|| {
    std::array::from_fn(|i| {
        let root = i as f64 / F_STEPS as f64 * f64::from(F_MAX).sqrt();
        lab_f(root * root) as f32
    })
});

/// Table-driven CIELAB of linear sRGB.
#[derive(Debug, Clone, Copy)]
pub struct FastLab(&'static [f32; F_STEPS + 2]);

/// The table, made ready once for many pixels.
pub fn fast_lab() -> FastLab {
    FastLab(&F_TABLE)
}

impl FastLab {
    /// CIELAB of several colours in linear sRGB (each 0 to 2), channel after channel, within 0.05 of
    /// the exact values; vector registers are used where the caller's instructions allow.
    #[inline(always)]
    pub fn of_block<const N: usize>(self, [r, g, b]: [[f32; N]; 3]) -> [[f32; N]; 3] {
        const SCALE: f32 = F_STEPS as f32 / std::f32::consts::SQRT_2;
        let mut f = [[0.0f32; N]; 3];
        for k in 0..N {
            let (r, g, b) = (r[k], g[k], b[k]);
            f[0][k] = (0.4124 * r + 0.3576 * g + 0.1805 * b) * (1.0 / 0.9505);
            f[1][k] = 0.2126 * r + 0.7152 * g + 0.0722 * b;
            f[2][k] = (0.0193 * r + 0.1192 * g + 0.9505 * b) * (1.0 / 1.0890);
        }
        let (mut step, mut low, mut high) = ([0i32; N], [0.0f32; N], [0.0f32; N]);
        for f in &mut f {
            for k in 0..N {
                f[k] = f[k].clamp(0.0, F_MAX).sqrt() * SCALE;
                step[k] = nearest((f[k] - 0.5).max(0.0));
            }
            for k in 0..N {
                let i = step[k] as usize;
                (low[k], high[k]) = (self.0[i], self.0[i + 1]);
            }
            for k in 0..N {
                f[k] = low[k] + (high[k] - low[k]) * (f[k] - step[k] as f32);
            }
        }
        let mut lab = [[0.0f32; N]; 3];
        for k in 0..N {
            let (x, y, z) = (f[0][k], f[1][k], f[2][k]);
            lab[0][k] = 116.0 * y - 16.0;
            lab[1][k] = 500.0 * (x - y);
            lab[2][k] = 200.0 * (y - z);
        }
        lab
    }
}

/// Chroma C*ab.
pub fn chroma(lab: Lab) -> f64 {
    lab[1].hypot(lab[2])
}

/// Hue angle h_ab in degrees, 0 to 360 (0 for neutral colours).
pub fn hue_deg(lab: Lab) -> f64 {
    if lab[1] == 0.0 && lab[2] == 0.0 {
        return 0.0;
    }
    lab[2].atan2(lab[1]).to_degrees().rem_euclid(360.0)
}

/// CIE 1976 colour difference.
pub fn delta_e76(p: Lab, q: Lab) -> f64 {
    ((p[0] - q[0]).powi(2) + (p[1] - q[1]).powi(2) + (p[2] - q[2]).powi(2)).sqrt()
}

/// CIEDE2000 colour difference with kL = kC = kH = 1 (Sharma, Wu, Dalal 2005).
pub fn delta_e2000(p: Lab, q: Lab) -> f64 {
    let mean_c = (chroma(p) + chroma(q)) / 2.0;
    let c7 = mean_c.powi(7);
    let g = 0.5 * (1.0 - (c7 / (c7 + 25f64.powi(7))).sqrt());
    let adjust = |lab: Lab| {
        let a = lab[1] * (1.0 + g);
        (a.hypot(lab[2]), hue_deg([0.0, a, lab[2]]))
    };
    let (c1, h1) = adjust(p);
    let (c2, h2) = adjust(q);
    let dl = q[0] - p[0];
    let dc = c2 - c1;
    let grey = c1 * c2 == 0.0;
    let mut dh = h2 - h1;
    if grey {
        dh = 0.0;
    } else if dh > 180.0 {
        dh -= 360.0;
    } else if dh < -180.0 {
        dh += 360.0;
    }
    let dbig_h = 2.0 * (c1 * c2).sqrt() * (dh / 2.0).to_radians().sin();
    let ml = (p[0] + q[0]) / 2.0;
    let mc = (c1 + c2) / 2.0;
    let mh = if grey {
        h1 + h2
    } else if (h1 - h2).abs() <= 180.0 {
        (h1 + h2) / 2.0
    } else if h1 + h2 < 360.0 {
        (h1 + h2 + 360.0) / 2.0
    } else {
        (h1 + h2 - 360.0) / 2.0
    };
    let cos = |d: f64| d.to_radians().cos();
    let t = 1.0 - 0.17 * cos(mh - 30.0) + 0.24 * cos(2.0 * mh) + 0.32 * cos(3.0 * mh + 6.0)
        - 0.20 * cos(4.0 * mh - 63.0);
    let turn = 30.0 * (-((mh - 275.0) / 25.0).powi(2)).exp();
    let mc7 = mc.powi(7);
    let rc = 2.0 * (mc7 / (mc7 + 25f64.powi(7))).sqrt();
    let ml50 = (ml - 50.0).powi(2);
    let sl = 1.0 + 0.015 * ml50 / (20.0 + ml50).sqrt();
    let sc = 1.0 + 0.045 * mc;
    let sh = 1.0 + 0.015 * mc * t;
    let rt = -(2.0 * turn).to_radians().sin() * rc;
    let (l, c, h) = (dl / sl, dc / sc, dbig_h / sh);
    (l * l + c * c + h * h + rt * c * h).max(0.0).sqrt()
}

/// What the colours of a photograph were corrected by, best first.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, serde::Serialize, serde::Deserialize,
)]
#[serde(rename_all = "lowercase")]
pub enum ColourSource {
    /// The white paper of the marks.
    Paper,
    /// The tray floor, taken as neutral.
    Floor,
    /// Nothing: colours as the camera gives them.
    None,
}

/// Linear-light illumination over the photograph: the paper's linear RGB as a plane over pixel
/// coordinates (value = c0 + cx·x + cy·y per channel), divided by the paper's reflectance; and what
/// the tones below the paper's white are off by when it is divided out.
#[derive(Debug, Clone, PartialEq)]
pub struct Light {
    /// Where it came from.
    pub source: ColourSource,
    /// Per channel: constant, slope per px in x, slope per px in y.
    pub plane: [[f64; 3]; 3],
    /// Balance of the tones, from the grey patches.
    pub tone: Tone,
}

/// Reflectance of plain office paper (common practice, no source; the renderings' paper is 0.86).
pub const PAPER_REFLECTANCE: f64 = 0.86;

impl Light {
    /// No correction.
    pub fn none() -> Light {
        Light::constant(ColourSource::None, [1.0; 3])
    }

    /// One light for the whole photograph.
    pub fn constant(source: ColourSource, rgb: [f64; 3]) -> Light {
        Light { source, plane: rgb.map(|c| [c, 0.0, 0.0]), tone: Tone::default() }
    }

    /// Illumination at a pixel, linear RGB; never below a hundredth, so that dividing is safe.
    #[inline]
    pub fn at(&self, x: f64, y: f64) -> [f64; 3] {
        self.plane.map(|c| (c[0] + c[1] * x + c[2] * y).max(0.01))
    }

    /// Takes the tray floor as neutral, when it nearly is: its median linear RGB becomes a grey of
    /// the same luminance. A floor of a strong colour (chroma above 14) gives no light.
    pub fn from_floor(floor_rgb: [f64; 3]) -> Light {
        let luminance = xyz_from_linear(floor_rgb)[1];
        if luminance < 1e-4 || chroma(lab_from_linear(floor_rgb)) > 14.0 {
            return Light::none();
        }
        Light::constant(ColourSource::Floor, floor_rgb.map(|c| c / luminance))
    }

    /// Fits the planes to paper samples: (pixel, linear RGB of the paper there). With fewer than
    /// three places, a constant. None when there is no sample.
    pub fn from_paper(samples: &[([f64; 2], [f64; 3])]) -> Option<Light> {
        let n = samples.len();
        if n == 0 {
            return None;
        }
        let centre = samples.iter().fold([0.0; 2], |s, (p, _)| [s[0] + p[0], s[1] + p[1]]);
        let centre = [centre[0] / n as f64, centre[1] / n as f64];
        let mut plane = [[0.0; 3]; 3];
        for (channel, out) in plane.iter_mut().enumerate() {
            let value = |rgb: &[f64; 3]| rgb[channel] / PAPER_REFLECTANCE;
            let mean = samples.iter().map(|(_, rgb)| value(rgb)).sum::<f64>() / n as f64;
            let (mut sxx, mut sxy, mut syy, mut sxv, mut syv) = (0.0, 0.0, 0.0, 0.0, 0.0);
            for (p, rgb) in samples {
                let (x, y, v) = (p[0] - centre[0], p[1] - centre[1], value(rgb) - mean);
                sxx += x * x;
                sxy += x * y;
                syy += y * y;
                sxv += x * v;
                syv += y * v;
            }
            let det = sxx * syy - sxy * sxy;
            let (gx, gy) = if n >= 3 && det > 1e-6 * (sxx + syy).powi(2) {
                ((syy * sxv - sxy * syv) / det, (sxx * syv - sxy * sxv) / det)
            } else {
                (0.0, 0.0)
            };
            *out = [mean - gx * centre[0] - gy * centre[1], gx, gy];
        }
        Some(Light { source: ColourSource::Paper, plane, tone: Tone::default() })
    }
}

/// Median paper colour in square rings around symbols: the quiet zone between `inner_mm` and
/// `outer_mm` (half sides) about each centre. Gives the pixel of the centre and linear RGB.
pub fn paper_samples(
    photo: &crate::photo::Photo,
    frame: &crate::frame::TrayFrame,
    centres_mm: &[[f64; 2]],
    inner_mm: f64,
    outer_mm: f64,
) -> Vec<([f64; 2], [f64; 3])> {
    const STEPS: i32 = 40;
    let (w, h) = (photo.rgb.width() as f64, photo.rgb.height() as f64);
    let mut out = Vec::new();
    for centre in centres_mm {
        let mut values: [Vec<f32>; 3] = Default::default();
        for iy in -STEPS..=STEPS {
            for ix in -STEPS..=STEPS {
                let dx = f64::from(ix) / f64::from(STEPS) * outer_mm;
                let dy = f64::from(iy) / f64::from(STEPS) * outer_mm;
                if dx.abs().max(dy.abs()) < inner_mm {
                    continue;
                }
                let p = frame.to_px([centre[0] + dx, centre[1] + dy]);
                if p[0] < 0.0 || p[1] < 0.0 || p[0] > w - 1.0 || p[1] > h - 1.0 {
                    continue;
                }
                let px = photo.rgb.get_pixel(p[0].round() as u32, p[1].round() as u32);
                for (v, c) in values.iter_mut().zip(px.0) {
                    v.push(linear(c));
                }
            }
        }
        if values[0].len() < 50 {
            continue;
        }
        let median = values.map(|mut v| {
            let mid = v.len() / 2;
            f64::from(*v.select_nth_unstable_by(mid, f32::total_cmp).1)
        });
        out.push((frame.to_px(*centre), median));
    }
    out
}
