//! What the ledger knows of a load, read back.

use serde::Serialize;

use super::event::{Delivery, PhotoKept, PlanFixed, Reviewed, SamplingPoint, Told};
use crate::classify::Outcome;
use crate::load::{CoarseDebris, Item, ValidationTray};
use crate::terms::Decimal;

/// Who said something, when, and why.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Stamp {
    /// Number of the entry.
    pub entry: u64,
    /// When.
    pub at: String,
    /// Who.
    pub who: String,
    /// Why, where it was asked.
    pub why: Option<String>,
}

/// One line of the list of loads.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct LoadSummary {
    /// The load.
    pub load: String,
    /// Grower.
    pub grower: String,
    /// Variety.
    pub variety: Option<String>,
    /// When it was opened.
    pub opened: String,
    /// When it was closed.
    pub closed: Option<String>,
    /// Verdict at the close.
    pub outcome: Option<String>,
    /// Trays that its plans ask for; none without a plan.
    pub planned: Option<u64>,
    /// Those of them that are in.
    pub planned_in: u64,
    /// Trays that count.
    pub trays: u64,
    /// Objects on them.
    pub objects: u64,
    /// Refused photographs.
    pub refused: u64,
}

/// A load with everything that figures are made from.
#[derive(Debug, Clone, PartialEq)]
pub struct LoadRecord {
    /// The load.
    pub load: String,
    /// Grower.
    pub grower: String,
    /// Block.
    pub block: Option<String>,
    /// Variety.
    pub variety: Option<String>,
    /// Bins in the load.
    pub bins: Option<u32>,
    /// Who opened it.
    pub opened: Stamp,
    /// Who closed it.
    pub closed: Option<Stamp>,
    /// What is known of the delivery.
    pub delivery: Delivery,
    /// Who said so last.
    pub delivered: Option<Stamp>,
    /// The contract.
    pub terms: Option<TermsRecord>,
    /// Lots by name.
    pub lots: Vec<LotRecord>,
    /// Pieces counted for the contract.
    pub counted: Vec<CountedRecord>,
    /// Photographs that could not be used, in the order in which they came.
    pub refused: Vec<RefusedRecord>,
    /// The figures at the close, canonical JSON.
    pub verdict: Option<String>,
}

/// A contract in the ledger.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TermsRecord {
    /// The contract's name.
    pub name: String,
    /// The file, word for word.
    pub text: String,
    /// Who fixed it.
    pub fixed: Stamp,
}

/// Pieces counted.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct CountedRecord {
    /// The contract's word.
    pub name: String,
    /// How many.
    pub pieces: u32,
    /// Sample, kg.
    pub sample_kg: Decimal,
}

/// A refused photograph.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct RefusedRecord {
    /// When and by whom.
    pub stamp: Stamp,
    /// The lot, if known.
    pub lot: Option<String>,
    /// The tray, if known.
    pub tray: Option<u32>,
    /// The photograph's file name.
    pub photo: String,
    /// Its SHA-256.
    pub sha256: String,
    /// Why.
    pub reason: String,
}

/// A lot.
#[derive(Debug, Clone, PartialEq)]
pub struct LotRecord {
    /// The lot.
    pub lot: String,
    /// Where it was sampled, if elsewhere than the delivery says.
    pub sampling_point: Option<SamplingPoint>,
    /// Its plan.
    pub plan: Option<(PlanFixed, Stamp)>,
    /// Trays that count, by number.
    pub trays: Vec<TrayRecord>,
    /// Trays that were retaken.
    pub replaced: Vec<ReplacedRecord>,
    /// Coarse debris.
    pub coarse: Option<CoarseDebris>,
    /// Objects drawn for review, and what a person saw.
    pub draws: Vec<DrawRecord>,
}

/// A tray that was retaken.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct ReplacedRecord {
    /// The tray's number.
    pub tray: u32,
    /// The photograph that no longer counts.
    pub photo: String,
    /// Its SHA-256.
    pub sha256: String,
    /// Who retook it, when and why.
    pub retaken: Stamp,
}

/// A tray that counts.
#[derive(Debug, Clone, PartialEq)]
pub struct TrayRecord {
    /// Who recorded it.
    pub recorded: Stamp,
    /// Its number.
    pub tray: u32,
    /// Its bin.
    pub bin: Option<String>,
    /// Its photograph.
    pub photo: PhotoKept,
    /// SHA-256 of its label picture.
    pub outlines: Option<String>,
    /// Skin colour of its fruit as it was judged: `black` or `white`.
    pub fruit: String,
    /// Profile it was judged with.
    pub profile: String,
    /// Whether the checks had refused it.
    pub forced: bool,
    /// What was told of it.
    pub told: Vec<Told>,
    /// The scale's word.
    pub weighing: Option<WeighingRecord>,
    /// Its objects by number.
    pub objects: Vec<ObjectRecord>,
}

/// A tray on the scale, g.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct WeighingRecord {
    /// All its fruit.
    pub weighed_g: Option<Decimal>,
    /// Class by class.
    pub class_g: [Option<Decimal>; 4],
}

/// One object.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ObjectRecord {
    /// Its number.
    pub object: u32,
    /// Its class as the program read it.
    pub read: Outcome,
    /// Entry in which a person gave it another.
    pub corrected: Option<u64>,
    /// For the statistics; its class is the corrected one.
    pub item: Item,
}

/// How one object looks; not a number where it was not measured.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LookRecord {
    /// Its tray's number.
    pub tray: u32,
    /// Its number on the tray.
    pub object: u32,
    /// Mean lightness L*, 0 to 100.
    pub lightness: f64,
    /// Mean a*, green to red.
    pub a: f64,
    /// Mean b*, blue to yellow.
    pub b: f64,
    /// Share of green pixels, 0 to 1.
    pub green_share: f64,
    /// Wrinkle texture at berry scale, percent.
    pub wrinkle: f64,
}

/// A draw for review.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct DrawRecord {
    /// Who drew it.
    pub drawn: Stamp,
    /// Seed.
    pub seed: u64,
    /// Objects of the lot at the time.
    pub of: u64,
    /// Tray (entry and number) and object.
    pub objects: Vec<(u64, u32, u32)>,
    /// What a person saw; none before it was recorded. Trays by entry.
    pub reviewed: Option<(Stamp, Vec<(u64, Reviewed)>)>,
}

/// Mass coefficients in force for a profile.
#[derive(Debug, Clone, PartialEq)]
pub struct MassFitRecord {
    /// When they were fitted.
    pub fitted: Stamp,
    /// In the order of the classes.
    pub coefficients: [Decimal; 4],
    /// Number of trays used.
    pub trays: u64,
}

/// A hand-sorted tray with its entry.
#[derive(Debug, Clone, PartialEq)]
pub struct HandSortRecord {
    /// Number of the entry.
    pub entry: u64,
    /// The tray.
    pub tray: ValidationTray,
}
