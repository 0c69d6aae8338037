//! The printed marks: four QR tiles and the load slip. This module knows nothing of berries.

use crate::frame::{Mm, Px, TrayFrame};

/// A tile as seen in the photograph.
#[derive(Debug, Clone, PartialEq)]
pub struct Tile {
    /// Its name: A top left, B top right, C bottom right, D bottom left.
    pub name: char,
    /// Centre of its symbol in the tray frame, mm.
    pub centre_mm: Mm,
    /// Side of its symbol (quiet zone not counted), mm.
    pub side_mm: f64,
    /// Corners of the symbol in the photograph, in tray order: top-left, top-right, bottom-right,
    /// bottom-left.
    pub corners_px: [Px; 4],
}

/// What the load slip says.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, serde::Serialize, serde::Deserialize)]
pub struct SlipText {
    /// Load name.
    pub load: String,
    /// Lot name (UNSORTED, SORTED, WASTE, or the user's own).
    pub lot: String,
    /// Tray number.
    pub tray: u32,
}

/// The load slip as seen in the photograph.
#[derive(Debug, Clone, PartialEq)]
pub struct Slip {
    /// Its words.
    pub text: SlipText,
    /// Corners of its QR symbol in the photograph, in the symbol's own order.
    pub corners_px: [Px; 4],
    /// The six grey patches: nominal sRGB code and the quadrilateral in the photograph.
    pub patches: Vec<(u8, [Px; 4])>,
}

/// Everything the marks told us.
#[derive(Debug, Clone)]
pub struct Marks {
    /// The tiles that were read, in the order of their names.
    pub tiles: Vec<Tile>,
    /// The load slip, if one was read.
    pub slip: Option<Slip>,
    /// Polygons in the photograph that hold paper (tiles, slip), to be masked out.
    pub paper_px: Vec<Vec<Px>>,
    /// The tray frame.
    pub frame: TrayFrame,
}
