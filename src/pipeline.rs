//! The only place that knows the order of the stages.

use crate::classify::ObjectReading;
use crate::finding::{ColourFacts, Finding};
use crate::marks::Marks;
use crate::segment::LabelMap;

/// Everything read from one photograph.
#[derive(Debug, Clone)]
pub struct TrayReading {
    /// Stem of the file's name; names the outputs.
    pub name: String,
    /// SHA-256 of the file, lower-case hex.
    pub sha256: String,
    /// Size of the upright photograph, px.
    pub size_px: [u32; 2],
    /// When the photograph was taken, as the file says.
    pub taken: Option<String>,
    /// Marks and frame.
    pub marks: Marks,
    /// Objects in label order.
    pub objects: Vec<ObjectReading>,
    /// Label map.
    pub labels: LabelMap,
    /// How the colours came about; none when colour was not looked at.
    pub colour: Option<ColourFacts>,
    /// Checks of the photograph, worst first.
    pub findings: Vec<Finding>,
    /// True when a refused photograph was measured all the same (`--force`).
    pub forced: bool,
    /// What was assumed, in words.
    pub assumptions: Vec<String>,
    /// What to beware of, in words.
    pub cautions: Vec<String>,
    /// Seconds a stage took, in order.
    pub timings: Vec<(&'static str, f64)>,
}
