//! What was found to be wrong, or nearly wrong, with a photograph: a number, its limit, and what
//! to do about it.

pub use crate::colour::ColourSource;

/// How much a finding weighs.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, serde::Serialize, serde::Deserialize,
)]
#[serde(rename_all = "lowercase")]
pub enum Severity {
    /// Within its limit; kept for the record.
    Fine,
    /// Measured, but the reader must know.
    Caution,
    /// The photograph is refused unless forced.
    Refusal,
}

/// One check of one photograph.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct Finding {
    /// Name of the check, in kebab case: `out-of-focus`.
    pub check: &'static str,
    /// How much it weighs.
    pub severity: Severity,
    /// What was measured, where the check is a number.
    pub value: Option<f64>,
    /// The limit it was held against.
    pub limit: Option<f64>,
    /// Unit of both.
    pub unit: &'static str,
    /// One line: what was found and, unless fine, what to do.
    pub message: String,
}

/// What grey patches are held against.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize)]
#[serde(rename_all = "lowercase")]
pub enum PatchColours {
    /// Neutral, as they are meant to be printed.
    Nominal,
    /// As measured by the user.
    Measured,
}

/// How the colours of a photograph came about.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct ColourFacts {
    /// What they were corrected by.
    pub source: ColourSource,
    /// Strongest channel of the whitest tile's paper, sRGB code 0 to 255; none without tiles.
    pub paper_code: Option<f64>,
    /// Light on the darkest tile's paper as a part of that on the brightest's, linear luminance, 0
    /// to 1; none with fewer than two tiles.
    pub paper_evenness: Option<f64>,
    /// Greatest CIEDE2000 difference of the slip's grey patches from neutral (or from their
    /// measured a*, b*) after correction; none without a slip.
    pub grey_patches_delta_e00: Option<f64>,
    /// The same by the paper alone, before the tones below its white were balanced.
    pub grey_patches_by_paper_delta_e00: Option<f64>,
    /// What the patches were held against.
    pub patches: PatchColours,
    /// Factors of red, green and blue that the patches ask of tones well below the paper's white;
    /// 1 changes nothing.
    pub tone_gain: [f64; 3],
    /// True when the photograph carries no colour: measured, not classified.
    pub grey: bool,
}
