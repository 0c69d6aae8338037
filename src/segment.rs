//! From corrected pixels to a label map: one label an object.

/// One label a pixel; 0 is background; objects are numbered in raster order of their first pixel.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LabelMap {
    /// Width, px.
    pub width: usize,
    /// Height, px.
    pub height: usize,
    /// Row-major labels.
    pub labels: Vec<u16>,
    /// Number of objects.
    pub count: usize,
}
