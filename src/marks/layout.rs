//! Where things are on the printed tiles and slip, in millimetres. The printing and the reading
//! of marks share these numbers.

use crate::frame::{Mm, Px, TrayFrame};

/// Side of a tile's square paper, mm; the symbol is in its middle.
pub const TILE_PAPER_MM: f64 = 30.0;
/// Side of a tile's symbol as we print it, mm (quiet zone not counted).
pub const TILE_SYMBOL_MM: f64 = 24.0;
/// From a wall of the tray to the near side of a tile's paper, mm.
pub const TILE_INSET_MM: f64 = 3.0;
/// Width and height of the slip's paper, mm.
pub const SLIP_PAPER_MM: [f64; 2] = [72.0, 30.0];
/// Side of the slip's symbol, mm (quiet zone not counted).
pub const SLIP_SYMBOL_MM: f64 = 22.0;
/// The symbol's top-left corner from the paper's top-left corner, mm.
pub const SLIP_SYMBOL_AT_MM: Mm = [4.0, 4.0];
/// Nominal sRGB codes of the slip's grey patches, in the order in which they are printed.
pub const SLIP_PATCH_CODES: [u8; 6] = [243, 200, 160, 122, 85, 52];
/// The first patch's top-left corner from the paper's top-left corner, mm.
pub const SLIP_PATCH_AT_MM: Mm = [29.0, 20.0];
/// Side of a patch, mm.
pub const SLIP_PATCH_MM: f64 = 6.0;
/// From one patch to the next, mm.
pub const SLIP_PATCH_PITCH_MM: f64 = 6.4;

/// Where each tile's symbol has its centre on a floor of the given inner size, mm, with 0.1 mm
/// resolution as in its text: A top left, B top right, C bottom right, D bottom left.
pub fn tile_centres(tray_mm: [f64; 2]) -> [(char, Mm); 4] {
    let near = TILE_INSET_MM + TILE_PAPER_MM / 2.0;
    let [far_x, far_y] = tray_mm.map(|side| ((side - near) * 10.0).round() / 10.0);
    [('A', [near, near]), ('B', [far_x, near]), ('C', [far_x, far_y]), ('D', [near, far_y])]
}

/// What a tile's symbol says.
pub fn tile_text(name: char, centre_mm: Mm) -> String {
    let [x, y] = centre_mm;
    format!("TRAY1 {name} {x:.1} {y:.1} {TILE_SYMBOL_MM:.1}")
}

/// Straight edges bend in the photograph (lens) and paper curls; a polygon follows an edge in
/// this many pieces.
const PIECES: usize = 4;

/// The slip lying on the tray: a similarity from slip millimetres to tray millimetres.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SlipPose {
    /// Where the paper's top-left corner lies, tray mm.
    origin: Mm,
    /// Tray millimetres for one slip millimetre to the right, and (turned by 90°) downwards.
    along: Mm,
}

impl SlipPose {
    /// From the corners of the slip's symbol (its own order), by least squares.
    pub fn from_symbol(corners_px: &[Px; 4], frame: &TrayFrame) -> SlipPose {
        let seen = corners_px.map(|p| frame.to_mm(p));
        let half = SLIP_SYMBOL_MM / 2.0;
        let unit = [[-half, -half], [half, -half], [half, half], [-half, half]];
        let mean: Mm = std::array::from_fn(|k| seen.iter().map(|s| s[k]).sum::<f64>() / 4.0);
        let (mut re, mut im) = (0.0, 0.0);
        for (u, s) in unit.iter().zip(&seen) {
            let d = [s[0] - mean[0], s[1] - mean[1]];
            re += u[0] * d[0] + u[1] * d[1];
            im += u[0] * d[1] - u[1] * d[0];
        }
        let power = 8.0 * half * half;
        let along = [re / power, im / power];
        let c = [SLIP_SYMBOL_AT_MM[0] + half, SLIP_SYMBOL_AT_MM[1] + half];
        let origin = [
            mean[0] - along[0] * c[0] + along[1] * c[1],
            mean[1] - along[1] * c[0] - along[0] * c[1],
        ];
        SlipPose { origin, along }
    }

    /// The slip's printed scale: tray millimetres for one slip millimetre.
    pub fn scale(&self) -> f64 {
        self.along[0].hypot(self.along[1])
    }

    /// Tray millimetres of a point on the slip (from the paper's top-left corner).
    pub fn to_tray(&self, p: Mm) -> Mm {
        [
            self.origin[0] + self.along[0] * p[0] - self.along[1] * p[1],
            self.origin[1] + self.along[1] * p[0] + self.along[0] * p[1],
        ]
    }
}

/// Corners of a rectangle: top-left, top-right, bottom-right, bottom-left.
fn rectangle(x0: f64, y0: f64, x1: f64, y1: f64) -> [Mm; 4] {
    [[x0, y0], [x1, y0], [x1, y1], [x0, y1]]
}

/// The outline in the photograph of a polygon on the tray floor.
fn outline(corners: &[Mm], frame: &TrayFrame) -> Vec<Px> {
    let n = corners.len();
    (0..n)
        .flat_map(|k| {
            let (a, b) = (corners[k], corners[(k + 1) % n]);
            (0..PIECES).map(move |i| {
                let t = i as f64 / PIECES as f64;
                [a[0] + (b[0] - a[0]) * t, a[1] + (b[1] - a[1]) * t]
            })
        })
        .map(|m| frame.to_px(m))
        .collect()
}

/// Outline of a tile's paper, grown by `margin_mm`; from the symbol's centre on the tray, and the
/// direction and length of its sides there.
pub fn tile_paper(corners_px: &[Px; 4], frame: &TrayFrame, margin_mm: f64) -> Vec<Px> {
    // The paper is printed with its symbol, so it lies as the symbol does, wherever its words
    // say that it should.
    let seen = corners_px.map(|p| frame.to_mm(p));
    let grow = (TILE_PAPER_MM + 2.0 * margin_mm) / TILE_SYMBOL_MM;
    let c: Mm = std::array::from_fn(|k| seen.iter().map(|s| s[k]).sum::<f64>() / 4.0);
    let corners = seen.map(|s| [c[0] + (s[0] - c[0]) * grow, c[1] + (s[1] - c[1]) * grow]);
    outline(&corners, frame)
}

/// Outline of the slip's paper, grown by `margin_mm`.
pub fn slip_paper(pose: &SlipPose, frame: &TrayFrame, margin_mm: f64) -> Vec<Px> {
    let [w, h] = SLIP_PAPER_MM;
    let m = margin_mm;
    let corners = rectangle(-m, -m, w + m, h + m).map(|p| pose.to_tray(p));
    outline(&corners, frame)
}

/// The inner part of each grey patch (`inner` of its side): nominal code and quadrilateral.
pub fn slip_patches(pose: &SlipPose, frame: &TrayFrame, inner: f64) -> Vec<(u8, [Px; 4])> {
    let cut = SLIP_PATCH_MM * (1.0 - inner) / 2.0;
    SLIP_PATCH_CODES
        .iter()
        .enumerate()
        .map(|(k, code)| {
            let x = SLIP_PATCH_AT_MM[0] + SLIP_PATCH_PITCH_MM * k as f64;
            let y = SLIP_PATCH_AT_MM[1];
            let quad =
                rectangle(x + cut, y + cut, x + SLIP_PATCH_MM - cut, y + SLIP_PATCH_MM - cut)
                    .map(|p| frame.to_px(pose.to_tray(p)));
            (*code, quad)
        })
        .collect()
}
