//! From measures to classes with probabilities.

use crate::measure::Measures;

/// The four classes, in the order of every table.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Class {
    /// Sound berry.
    Sound,
    /// Shriveled (raisined) berry.
    Shriveled,
    /// Underripe berry.
    Underripe,
    /// Debris: material other than grapes.
    Debris,
}

impl Class {
    /// All classes in table order.
    pub const ALL: [Class; 4] = [Class::Sound, Class::Shriveled, Class::Underripe, Class::Debris];

    /// The class's name in tables and files.
    pub fn name(self) -> &'static str {
        match self {
            Class::Sound => "sound",
            Class::Shriveled => "shriveled",
            Class::Underripe => "underripe",
            Class::Debris => "debris",
        }
    }
}

/// What an object was judged to be; `None` is `unassigned`: unlike anything taught.
pub type Outcome = Option<Class>;

/// One object, measured and judged.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct ObjectReading {
    /// What was measured.
    pub measures: Measures,
    /// Its class, or none when unassigned.
    pub class: Outcome,
    /// Probabilities in the order of [`Class::ALL`]; they sum to 1.
    pub probabilities: [f64; 4],
    /// Diameter of the ball of the same estimated volume, mm.
    pub equivalent_diameter_mm: f64,
    /// Estimated mass, g.
    pub mass_g: f64,
}

impl ObjectReading {
    /// The greatest of the four probabilities.
    pub fn confidence(&self) -> f64 {
        self.probabilities.iter().copied().fold(0.0, f64::max)
    }
}
