//! From labels to one set of measures an object.

/// What is measured of one object, before anything is judged.
#[derive(Debug, Clone, Default, PartialEq, serde::Serialize)]
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
    /// Area of the outline, parallax corrected, mm².
    pub area_mm2: f64,
    /// Diameter of the circle of the same corrected area, mm.
    pub circle_diameter_mm: f64,
    /// Major axis of the ellipse with the same second moments, parallax corrected, mm.
    pub length_mm: f64,
    /// Minor axis of the same ellipse, mm.
    pub width_mm: f64,
    /// 4π·area/perimeter².
    pub circularity: f64,
    /// Area over convex area.
    pub solidity: f64,
    /// Mean CIELAB lightness, 0 to 100.
    pub lightness: f64,
    /// Mean a*.
    pub a: f64,
    /// Mean b*.
    pub b: f64,
    /// Chroma of the mean colour.
    pub chroma: f64,
    /// Hue angle of the mean colour, degrees 0 to 360.
    pub hue_deg: f64,
    /// Share of pixels that are green, 0 to 1.
    pub green_share: f64,
    /// Share of pixels that are red, 0 to 1.
    pub red_share: f64,
    /// Share of pixels that are brown, 0 to 1.
    pub brown_share: f64,
    /// Wrinkle texture at berry scale, CIELAB lightness units.
    pub wrinkle: f64,
    /// Touches the photograph's edge or the tray floor's.
    pub touches_edge: bool,
}
