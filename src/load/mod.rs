//! From the judged objects of a lot's trays to shares with honest intervals.
//!
//! Plain data in, plain data out; this module knows nothing of pixels or files. Lots are never
//! pooled: [`group_by_lot`] sorts trays, [`assess_lot`] takes the trays of one lot. Several trays
//! of a lot are clusters, not one big tray. Shares are 0 to 1.

mod coarse;
#[cfg(test)]
mod coverage;
mod figures;
mod loss;
mod mistakes;
mod share;
mod validate;
mod weigh;

pub use coarse::{CoarseDebris, JoinedShare, join_coarse};
pub use figures::{
    ClassFigures, DiameterSpread, GroupFigures, LotFigures, UnassignedFigures, assess_lot, share_of,
};
pub use loss::{LossTerm, SorterRates, SortingLoss};
pub use mistakes::{Audit, Correction, CorrectionMethod, Drawn, Review, Seen, Target, correct};
pub use share::{
    Cluster, Method, Narrowing, Scope, Share, Stage, Tally, TrayTally, VarianceParts, narrowing,
    share_of_clusters,
};

pub use validate::{
    Agreement, TRAYS_NEEDED, Validation, ValidationTray, agreement, validate, with_validation,
};
pub use weigh::{Coefficient, MassFit, MassHistory, WeighSettings, WeighedTray, fit_mass};

use crate::classify::{Class, ObjectReading, Outcome};
use crate::marks::SlipText;
use crate::stats::{Level, StatsError};
use std::collections::BTreeMap;

/// One object on a tray, as far as the load is concerned.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Item {
    /// Its class, or none when unassigned.
    pub class: Outcome,
    /// Calibrated probabilities in the order of [`Class::ALL`].
    pub probabilities: [f64; 4],
    /// Silhouette area, mm².
    pub area_mm2: f64,
    /// Estimated mass, g.
    pub mass_g: f64,
    /// Diameter of the ball of the same volume, mm.
    pub equivalent_diameter_mm: f64,
}

impl From<&ObjectReading> for Item {
    fn from(object: &ObjectReading) -> Self {
        Item {
            class: object.class,
            probabilities: object.probabilities,
            area_mm2: object.measures.area_mm2,
            mass_g: object.mass_g,
            equivalent_diameter_mm: object.equivalent_diameter_mm,
        }
    }
}

/// One tray of a lot.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Tray {
    /// Name for messages: the photograph's stem.
    pub name: String,
    /// Load, from the slip.
    pub load: Option<String>,
    /// Lot, from the slip.
    pub lot: Option<String>,
    /// Tray number, from the slip.
    pub number: Option<u32>,
    /// Bin the tray was taken from, if recorded.
    pub bin: Option<String>,
    /// Its objects.
    pub objects: Vec<Item>,
}

impl Tray {
    /// A tray as one photograph and its slip show it.
    pub fn of_photo(name: &str, slip: Option<&SlipText>, objects: &[ObjectReading]) -> Tray {
        Tray {
            name: name.to_owned(),
            load: slip.map(|s| s.load.clone()),
            lot: slip.map(|s| s.lot.clone()),
            number: slip.map(|s| s.tray),
            bin: None,
            objects: objects.iter().map(Item::from).collect(),
        }
    }
}

/// What a share is a share of.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, serde::Serialize, serde::Deserialize,
)]
#[serde(rename_all = "lowercase")]
pub enum Basis {
    /// Number of objects.
    Count,
    /// Silhouette area as seen from above.
    Area,
    /// Estimated mass.
    Mass,
}

impl Basis {
    /// All bases in table order.
    pub const ALL: [Basis; 3] = [Basis::Count, Basis::Area, Basis::Mass];

    /// Word for tables: "count", "area", "mass".
    pub fn name(self) -> &'static str {
        match self {
            Basis::Count => "count",
            Basis::Area => "area",
            Basis::Mass => "mass",
        }
    }

    /// What one object weighs on this basis.
    pub fn weight(self, item: &Item) -> f64 {
        match self {
            Basis::Count => 1.0,
            Basis::Area => item.area_mm2,
            Basis::Mass => item.mass_g,
        }
    }
}

/// The classes that make up the reject percentage.
pub const REJECTS: [Class; 3] = [Class::Shriveled, Class::Underripe, Class::Debris];

/// Settings of [`assess_lot`]. Every one is printed with the figures.
#[derive(Debug, Clone, PartialEq)]
pub struct LotSettings {
    /// Confidence level of every interval.
    pub level: Level,
    /// Mass of the load, t, if a sorting loss is asked for. Above 0.
    pub load_tonnes: Option<f64>,
    /// Rates of the sorter for the sorting loss.
    pub sorter: SorterRates,
    /// Bins in the load, when known: gives the finite population correction. At least the number
    /// of bins sampled.
    pub bins_in_load: Option<u32>,
    /// Fruit mass of bins by name, kg. Used when every sampled bin is listed; else bins count
    /// alike, and that is said.
    pub bin_masses_kg: BTreeMap<String, f64>,
    /// Trays that the plan asked for, fixed before the first photograph. Every planned tray
    /// counts: fewer are cautioned.
    pub planned_trays: Option<u32>,
    /// Design effect assumed where too few objects of a class were seen to measure it, 1 or more.
    /// Give the one of earlier loads when it is known.
    pub assumed_design_effect: f64,
    /// Up to how many further trays (or bins) the narrowing is worked out for.
    pub further: usize,
}

impl Default for LotSettings {
    fn default() -> Self {
        LotSettings {
            level: Level::P95,
            load_tonnes: None,
            sorter: SorterRates::default(),
            bins_in_load: None,
            bin_masses_kg: BTreeMap::new(),
            planned_trays: None,
            // Common practice, no source: as clustered as fruit of one row can be; with it zero
            // counts cover the true share in the simulations of the tests.
            assumed_design_effect: 4.0,
            further: 3,
        }
    }
}

/// Why a lot has no figures.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum LoadError {
    /// No tray, or none with an object.
    #[error("{lot}: no object was found on any tray, so there is nothing to take a share of")]
    Empty {
        /// The lot's name.
        lot: String,
    },
    /// Objects that weigh nothing together.
    #[error("{lot}: the objects' {basis} sums to nothing, so there is no share by {basis}")]
    Weightless {
        /// The lot's name.
        lot: String,
        /// On which basis.
        basis: &'static str,
    },
    /// A measure that cannot be.
    #[error("{tray}: object {object} has {what} {value}; it must be {range}")]
    Measure {
        /// The tray's name.
        tray: String,
        /// Object's place in the list, from 1.
        object: usize,
        /// Which measure.
        what: &'static str,
        /// Its value.
        value: f64,
        /// What it may be.
        range: &'static str,
    },
    /// One tray counted twice.
    #[error(
        "{first} and {second} are both tray {number} of {lot}: one is a retake; give only the one \
         that counts"
    )]
    SameTray {
        /// The lot's name.
        lot: String,
        /// The tray's number.
        number: u32,
        /// Name of the first photograph.
        first: String,
        /// Name of the second.
        second: String,
    },
    /// A setting outside its range.
    #[error("{0}")]
    Setting(String),
    /// A statistic could not be computed.
    #[error("{lot}: {source}")]
    Stats {
        /// The lot's name.
        lot: String,
        /// Why.
        source: StatsError,
    },
}

/// The trays of one lot.
#[derive(Debug, Clone, PartialEq)]
pub struct Lot {
    /// Name in tables: "LOAD LOT", or the photograph's stem where there was no slip.
    pub name: String,
    /// Its trays, in the order given.
    pub trays: Vec<Tray>,
}

/// How trays without a slip are grouped.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum WithoutSlip {
    /// Each is a lot of its own.
    #[default]
    Apart,
    /// All of them are one lot.
    OneLoad,
}

/// Sorts trays into lots by the slip's load and lot, in the order in which the lots first appear.
/// Different lots are never joined, whatever `without_slip` says.
pub fn group_by_lot(trays: Vec<Tray>, without_slip: WithoutSlip) -> Vec<Lot> {
    let mut lots: Vec<(LotKey, Lot)> = Vec::new();
    for tray in trays {
        let (key, name) = match (&tray.load, &tray.lot, without_slip) {
            (None, None, WithoutSlip::Apart) => (None, tray.name.clone()),
            (None, None, WithoutSlip::OneLoad) => (Some((None, None)), "one load".to_owned()),
            (load, lot, _) => {
                let words: Vec<&str> = load.iter().chain(lot.iter()).map(String::as_str).collect();
                (Some((load.clone(), lot.clone())), words.join(" "))
            }
        };
        match lots.iter_mut().find(|(k, _)| key.is_some() && *k == key) {
            Some((_, lot)) => lot.trays.push(tray),
            None => lots.push((key, Lot { name, trays: vec![tray] })),
        }
    }
    lots.into_iter().map(|(_, lot)| lot).collect()
}

/// Load and lot; none for a tray that stands alone.
type LotKey = Option<(Option<String>, Option<String>)>;

#[cfg(test)]
mod tests {
    use super::*;

    fn tray(name: &str, load: &str, lot: &str) -> Tray {
        let word = |s: &str| (!s.is_empty()).then(|| s.to_owned());
        Tray { name: name.into(), load: word(load), lot: word(lot), ..Tray::default() }
    }

    #[test]
    fn lots_are_never_pooled() {
        let trays = vec![
            tray("a", "L1", "UNSORTED"),
            tray("b", "L1", "SORTED"),
            tray("c", "L1", "UNSORTED"),
            tray("d", "", ""),
            tray("e", "", ""),
        ];
        for (mode, wanted) in [
            (WithoutSlip::Apart, vec!["L1 UNSORTED 2", "L1 SORTED 1", "d 1", "e 1"]),
            (WithoutSlip::OneLoad, vec!["L1 UNSORTED 2", "L1 SORTED 1", "one load 2"]),
        ] {
            let found: Vec<String> = group_by_lot(trays.clone(), mode)
                .iter()
                .map(|l| format!("{} {}", l.name, l.trays.len()))
                .collect();
            assert_eq!(found, wanted);
        }
    }
}
