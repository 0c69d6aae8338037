//! What the ledger knows of a load, read back.

use serde::Serialize;

use super::event::{Delivery, Outline, PhotoKept, PlanFixed, Reviewed, SamplingPoint, Told};
use super::object::RecordedObject;
use super::rules::EditFacts;
use crate::classify::Outcome;
use crate::load::{CoarseDebris, Item, Seen, ValidationTray};
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
    /// Reviews by both parties, in the order in which they were begun.
    pub parties: Vec<PartiesRecord>,
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
    /// The last entry that changed its objects.
    pub changed: Option<u64>,
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

/// One tray with all that is known of its objects.
#[derive(Debug, Clone, PartialEq)]
pub struct OneTray {
    /// Number of the entry that recorded it.
    pub entry: u64,
    /// The load.
    pub load: String,
    /// The lot.
    pub lot: String,
    /// Its number.
    pub tray: u32,
    /// SHA-256 of its photograph.
    pub photo: String,
    /// The photograph's file name.
    pub photo_name: String,
    /// SHA-256 of its label picture.
    pub labels: Option<String>,
    /// Skin colour its objects were judged by.
    pub fruit: String,
    /// Profile they were judged with.
    pub profile: String,
    /// Thousandths of a pixel per millimetre of the tray floor.
    pub scale_mpx_per_mm: i64,
    /// Whether the checks had refused it.
    pub forced: bool,
    /// The tray that took its place.
    pub replaced_by: Option<u64>,
    /// The last entry that changed its objects.
    pub changed: Option<u64>,
    /// What was told of it.
    pub told: Vec<Told>,
    /// Its objects by number.
    pub objects: Vec<FullObject>,
    /// Objects of the label picture that are no more.
    pub gone: Vec<u32>,
    /// Outlines of the objects that came later.
    pub outlines: Vec<Outline>,
    /// What was changed of it, in order.
    pub edits: Vec<EditRecord>,
    /// The highest number that one of its objects ever had.
    pub highest: u32,
}

/// One object with all its numbers.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FullObject {
    /// As it was read.
    pub read: RecordedObject,
    /// The class that a person gave it.
    pub given: Option<Outcome>,
    /// By which entry.
    pub corrected: Option<u64>,
    /// The entry that brought it, where it is not from the photograph's reading.
    pub come: Option<u64>,
    /// Its tags.
    pub tags: Vec<String>,
}

impl FullObject {
    /// Its class, as corrected.
    pub fn class(&self) -> Outcome {
        self.given.unwrap_or(self.read.class)
    }
}

/// A change of a tray.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct EditRecord {
    /// Who made it.
    pub made: Stamp,
    /// `class`, `tags`, `outlines`.
    pub kind: String,
    /// The object, where it is about one.
    pub object: Option<u32>,
    /// The entry that took it back.
    pub undone: Option<u64>,
}

impl EditRecord {
    /// As the rules see it.
    pub fn facts(&self) -> EditFacts {
        EditFacts { edit: self.made.entry, undone: self.undone }
    }
}

/// A review by both parties.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PartiesRecord {
    /// Who began it.
    pub begun: Stamp,
    /// The objects drawn for it.
    pub draw: DrawRecord,
    /// Whether they are all objects of the lot.
    pub whole: bool,
    /// Grower, winery.
    pub parties: [PartyRecord; 2],
    /// Who ended it.
    pub ended: Option<Stamp>,
    /// How: `agreed`, `not-agreed`, `given-up`.
    pub outcome: Option<String>,
}

/// One party of it.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct PartyRecord {
    /// Who reviews for it.
    pub name: String,
    /// When it had judged all.
    pub finished: Option<Stamp>,
    /// When it accepted the figures.
    pub accepted: Option<Stamp>,
    /// Their hash.
    pub figures: Option<String>,
    /// When it did not agree, and why.
    pub refused: Option<Stamp>,
}

/// What the parties saw in one object.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct JudgementRecord {
    /// The tray, by its entry.
    pub tray: u64,
    /// The object.
    pub object: u32,
    /// What grower and winery saw.
    pub human: [Option<Seen>; 2],
    /// Their tags.
    pub tags: [Vec<String>; 2],
    /// What both settled on.
    pub settled: Option<Seen>,
}

/// A taught profile that was decided on.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TaughtRecord {
    /// Who decided.
    pub decided: Stamp,
    /// The profile's name.
    pub profile: String,
    /// SHA-256 of its file.
    pub sha256: String,
    /// Whether it was adopted.
    pub adopted: bool,
    /// Trays it was taught from, by entry.
    pub trays: Vec<u64>,
    /// How well it read, canonical JSON.
    pub figures: String,
}
