//! What can be said to the ledger. Every entry is one of these, in whole numbers, words and decimal
//! strings; everything the ledger knows follows from them in order.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use super::object::{FIELD_NAMES, RecordedObject};
use crate::classify::{Class, Outcome};
use crate::load::Seen;
use crate::terms::Decimal;

/// One thing said.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", content = "body", rename_all = "kebab-case")]
// Events come singly or in small lists: a box would save nothing.
#[allow(clippy::large_enum_variant)]
pub enum Event {
    /// The ledger begins.
    LedgerBegun(LedgerBegun),
    /// A load is opened.
    LoadOpened(LoadOpened),
    /// What is known of the delivery, all of it, as of now.
    DeliveryRecorded(DeliveryRecorded),
    /// Where a lot was sampled, if elsewhere than the rest of the load.
    LotDescribed(LotDescribed),
    /// The contract, before the first tray.
    TermsFixed(TermsFixed),
    /// The sampling plan of a lot, before its first tray.
    PlanFixed(PlanFixed),
    /// A tray with all its objects.
    TrayRecorded(TrayRecorded),
    /// A photograph that could not be used.
    PhotoRefused(PhotoRefused),
    /// A person gives an object another class.
    ObjectCorrected(ObjectCorrected),
    /// Objects are drawn for review.
    ReviewDrawn(ReviewDrawn),
    /// What a person saw in the drawn objects.
    ReviewRecorded(ReviewRecorded),
    /// A tray on the scale.
    TrayWeighed(TrayWeighed),
    /// Canes, bunches and leaves that fit no tray, weighed.
    CoarseWeighed(CoarseWeighed),
    /// Pieces counted for the contract.
    PiecesCounted(PiecesCounted),
    /// Mass coefficients re-fitted from weighed trays.
    MassFitted(MassFitted),
    /// A tray sorted and weighed by hand, blind to the program.
    HandSorted(HandSorted),
    /// The load is closed with its figures and verdict.
    LoadClosed(LoadClosed),
    /// A person gives objects other outlines: split, merged, drawn, removed.
    OutlinesChanged(OutlinesChanged),
    /// A person tags an object.
    ObjectTagged(ObjectTagged),
    /// The last change of a tray is taken back.
    EditTakenBack(EditTakenBack),
    /// The change taken back last is done again.
    EditDoneAgain(EditDoneAgain),
    /// Grower and winery begin to review, blind to each other.
    PartiesBegun(PartiesBegun),
    /// What a party saw in some objects.
    PartyJudged(PartyJudged),
    /// A party has seen all objects.
    PartyFinished(PartyFinished),
    /// What both settled on where they differed.
    DifferencesSettled(DifferencesSettled),
    /// A party accepts the figures.
    PartyAccepted(PartyAccepted),
    /// A party does not agree.
    PartyRefused(PartyRefused),
    /// The review is given up.
    PartiesGaveUp(PartiesGaveUp),
    /// A taught profile is adopted, or not.
    ProfileDecided(ProfileDecided),
    /// An agreement sheet of a closed load was made.
    SheetIssued(SheetIssued),
}

impl Event {
    /// The load it is about, if it is about one.
    pub fn load(&self) -> Option<&str> {
        match self {
            Event::LedgerBegun(_)
            | Event::MassFitted(_)
            | Event::HandSorted(_)
            | Event::ProfileDecided(_) => None,
            Event::LoadOpened(e) => Some(&e.load),
            Event::DeliveryRecorded(e) => Some(&e.load),
            Event::LotDescribed(e) => Some(&e.load),
            Event::TermsFixed(e) => Some(&e.load),
            Event::PlanFixed(e) => Some(&e.load),
            Event::TrayRecorded(e) => Some(&e.load),
            Event::PhotoRefused(e) => e.load.as_deref(),
            Event::ObjectCorrected(e) => Some(&e.load),
            Event::ReviewDrawn(e) => Some(&e.load),
            Event::ReviewRecorded(e) => Some(&e.load),
            Event::TrayWeighed(e) => Some(&e.load),
            Event::CoarseWeighed(e) => Some(&e.load),
            Event::PiecesCounted(e) => Some(&e.load),
            Event::LoadClosed(e) => Some(&e.load),
            Event::OutlinesChanged(e) => Some(&e.load),
            Event::ObjectTagged(e) => Some(&e.load),
            Event::EditTakenBack(e) | Event::EditDoneAgain(e) => Some(&e.load),
            Event::PartiesBegun(e) => Some(&e.load),
            Event::PartyJudged(e) => Some(&e.load),
            Event::PartyFinished(e) => Some(&e.load),
            Event::DifferencesSettled(e) => Some(&e.load),
            Event::PartyAccepted(e) => Some(&e.load),
            Event::PartyRefused(e) => Some(&e.load),
            Event::PartiesGaveUp(e) => Some(&e.load),
            Event::SheetIssued(e) => Some(&e.load),
        }
    }

    /// The lot and the tray it is about, where it is about one.
    pub fn lot_and_tray(&self) -> (Option<&str>, Option<u32>) {
        match self {
            Event::LotDescribed(e) => (Some(&e.lot), None),
            Event::PlanFixed(e) => (Some(&e.lot), None),
            Event::TrayRecorded(e) => (Some(&e.lot), Some(e.tray)),
            Event::PhotoRefused(e) => (e.lot.as_deref(), e.tray),
            Event::ObjectCorrected(e) => (Some(&e.lot), Some(e.tray)),
            Event::ReviewDrawn(e) => (Some(&e.lot), None),
            Event::ReviewRecorded(e) => (Some(&e.lot), None),
            Event::TrayWeighed(e) => (Some(&e.lot), Some(e.tray)),
            Event::CoarseWeighed(e) => (Some(&e.lot), None),
            Event::OutlinesChanged(e) => (Some(&e.lot), Some(e.tray)),
            Event::ObjectTagged(e) => (Some(&e.lot), Some(e.tray)),
            Event::EditTakenBack(e) | Event::EditDoneAgain(e) => (Some(&e.lot), Some(e.tray)),
            Event::PartiesBegun(e) => (Some(&e.lot), None),
            Event::PartyJudged(e) => (Some(&e.lot), None),
            Event::PartyFinished(e) => (Some(&e.lot), None),
            Event::DifferencesSettled(e) => (Some(&e.lot), None),
            Event::PartyAccepted(e) => (Some(&e.lot), None),
            Event::PartyRefused(e) => (Some(&e.lot), None),
            Event::PartiesGaveUp(e) => (Some(&e.lot), None),
            Event::LedgerBegun(_)
            | Event::LoadOpened(_)
            | Event::DeliveryRecorded(_)
            | Event::TermsFixed(_)
            | Event::PiecesCounted(_)
            | Event::MassFitted(_)
            | Event::HandSorted(_)
            | Event::LoadClosed(_)
            | Event::ProfileDecided(_)
            | Event::SheetIssued(_) => (None, None),
        }
    }
}

/// See [`Event::LedgerBegun`].
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LedgerBegun {
    /// Program and version that began it.
    pub program: String,
}

/// See [`Event::LoadOpened`].
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LoadOpened {
    /// The load's name, as on its slips.
    pub load: String,
    /// Grower.
    pub grower: String,
    /// Block or vineyard.
    pub block: Option<String>,
    /// Grape variety.
    pub variety: Option<String>,
    /// Bins in the load.
    pub bins: Option<u32>,
}

/// How fruit was picked.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Picking {
    /// By hand.
    Hand,
    /// By machine.
    Machine,
}

/// Where the fruit on the trays was taken.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum SamplingPoint {
    /// From the bins.
    Bin,
    /// From the receiving hopper.
    Hopper,
    /// After the destemmer.
    AfterDestemmer,
}

/// What wets the fruit.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Wetness {
    /// Nothing.
    Dry,
    /// Rain.
    Rain,
    /// Dew.
    Dew,
}

/// Free juice in the bins, by eye.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum FreeJuice {
    /// None.
    None,
    /// Some.
    Some,
    /// Much.
    Much,
}

/// A word that a person types and a report prints.
pub trait Word: Sized + Copy + 'static {
    /// Every word.
    const ALL: &'static [Self];
    /// The word.
    fn word(self) -> &'static str;
    /// The meaning of a word.
    fn of(word: &str) -> Option<Self> {
        Self::ALL.iter().copied().find(|v| v.word() == word)
    }
}

macro_rules! words {
    ($type:ident { $($variant:ident = $word:literal),* }) => {
        impl Word for $type {
            const ALL: &'static [Self] = &[$($type::$variant),*];
            fn word(self) -> &'static str {
                match self { $($type::$variant => $word),* }
            }
        }
    };
}
words!(Picking { Hand = "hand", Machine = "machine" });
words!(SamplingPoint { Bin = "bin", Hopper = "hopper", AfterDestemmer = "after-destemmer" });
words!(Wetness { Dry = "dry", Rain = "rain", Dew = "dew" });
words!(FreeJuice { None = "none", Some = "some", Much = "much" });

/// What is known of a delivery. Masses in kg as the ticket has them.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Delivery {
    /// Weighmaster's ticket.
    pub ticket: Option<String>,
    /// Truck, bins and fruit, kg.
    pub gross_kg: Option<Decimal>,
    /// The empty truck, kg.
    pub truck_tare_kg: Option<Decimal>,
    /// All the empty bins together, kg.
    pub bin_tare_kg: Option<Decimal>,
    /// The fruit, kg.
    pub net_kg: Option<Decimal>,
    /// When it was picked.
    pub picked: Option<String>,
    /// When it was received.
    pub received: Option<String>,
    /// When it was sampled.
    pub sampled: Option<String>,
    /// How it was picked.
    pub picking: Option<Picking>,
    /// Whether it went through a destemmer.
    pub destemmed: Option<bool>,
    /// Where it was sampled.
    pub sampling_point: Option<SamplingPoint>,
    /// Temperature of the fruit, °C.
    pub fruit_celsius: Option<Decimal>,
    /// What wets it.
    pub wet: Option<Wetness>,
    /// Free juice in the bins.
    pub free_juice: Option<FreeJuice>,
    /// Fruit mass of single bins, kg, by the bin's name.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub bins_kg: BTreeMap<String, Decimal>,
}

impl Delivery {
    /// Gross less tares, kg; none without gross and the truck's tare.
    pub fn net_of_tares(&self) -> Option<Decimal> {
        let tares = self.truck_tare_kg?.plus(self.bin_tare_kg.unwrap_or_default());
        Some(self.gross_kg?.minus(tares))
    }
}

/// See [`Event::DeliveryRecorded`].
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct DeliveryRecorded {
    /// The load.
    pub load: String,
    /// All that is known, not only what is new.
    pub delivery: Delivery,
}

/// See [`Event::LotDescribed`].
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LotDescribed {
    /// The load.
    pub load: String,
    /// The lot.
    pub lot: String,
    /// Where it was sampled.
    pub sampling_point: SamplingPoint,
}

/// See [`Event::TermsFixed`].
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct TermsFixed {
    /// The load.
    pub load: String,
    /// The contract's name.
    pub name: String,
    /// The contract file, word for word.
    pub text: String,
}

/// A tray that a plan asks for.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PlannedTray {
    /// Its number.
    pub tray: u32,
    /// Its bin.
    pub bin: String,
    /// Where its scoops come from, in order: `top`, `middle`, `bottom`.
    pub depths: Vec<String>,
}

/// See [`Event::PlanFixed`].
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PlanFixed {
    /// The load.
    pub load: String,
    /// The lot.
    pub lot: String,
    /// Seed of the draw, a whole number of 64 bits without sign.
    pub seed: String,
    /// Bins in the load.
    pub bins: u32,
    /// Share expected, 0 to 1.
    pub expected_share: Decimal,
    /// Half-width wanted, 0 to 1.
    pub half_width: Decimal,
    /// Confidence level, 0 to 1.
    pub confidence: Decimal,
    /// Design effect taken.
    pub design_effect: Decimal,
    /// Trays to take.
    pub trays: Vec<PlannedTray>,
    /// Trays to take next if more are wanted.
    pub extra: Vec<PlannedTray>,
}

/// A photograph in the archive.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PhotoKept {
    /// SHA-256 of the file.
    pub sha256: String,
    /// Its size, bytes.
    pub bytes: u64,
    /// The file's name when it was recorded.
    pub name: String,
    /// When it was taken, as the file says.
    pub taken: Option<String>,
}

/// A check of a photograph, as it was told.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Told {
    /// `fine`, `caution`, `refusal`, or `assumption`.
    pub weight: String,
    /// The words.
    pub words: String,
}

/// See [`Event::TrayRecorded`].
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct TrayRecorded {
    /// The load.
    pub load: String,
    /// The lot.
    pub lot: String,
    /// The tray's number.
    pub tray: u32,
    /// The bin it was taken from.
    pub bin: Option<String>,
    /// The photograph.
    pub photo: PhotoKept,
    /// SHA-256 of the outlines: the 16-bit label picture, in the archive.
    pub outlines: Option<String>,
    /// Skin colour the objects were judged by.
    pub fruit: String,
    /// Profile they were judged with.
    pub profile: String,
    /// Program and version that read it.
    pub program: String,
    /// Thousandths of a pixel per millimetre of the tray floor.
    pub scale_mpx_per_mm: i64,
    /// Whether a refused photograph was measured all the same.
    pub forced: bool,
    /// Whether it takes the place of an earlier photograph of the same tray.
    pub retake: bool,
    /// Checks, assumptions and cautions.
    pub told: Vec<Told>,
    /// Names of the numbers of an object, in order.
    pub fields: Vec<String>,
    /// The objects, each a list: number, class (null: unassigned), then `fields`.
    pub objects: Vec<RecordedObject>,
}

impl TrayRecorded {
    /// Whether the objects' numbers are those that this program knows.
    pub fn fields_known(&self) -> bool {
        self.fields.iter().map(String::as_str).eq(FIELD_NAMES.iter().copied())
    }
}

/// See [`Event::PhotoRefused`].
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PhotoRefused {
    /// The load, if its slip or the user told.
    pub load: Option<String>,
    /// The lot, likewise.
    pub lot: Option<String>,
    /// The tray's number, likewise.
    pub tray: Option<u32>,
    /// The photograph.
    pub photo: PhotoKept,
    /// Why.
    pub reason: String,
}

/// See [`Event::ObjectCorrected`].
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ObjectCorrected {
    /// The load.
    pub load: String,
    /// The lot.
    pub lot: String,
    /// The tray's number.
    pub tray: u32,
    /// The object's number.
    pub object: u32,
    /// What it is; null: unassigned.
    pub class: Outcome,
    /// Whether the person says that the class it has is right.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub confirmed: bool,
}

/// See [`Event::ReviewDrawn`].
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ReviewDrawn {
    /// The load.
    pub load: String,
    /// The lot.
    pub lot: String,
    /// Seed of the draw, a whole number of 64 bits without sign.
    pub seed: String,
    /// Objects of the lot at the time.
    pub of: u64,
    /// The drawn objects: tray and object.
    pub objects: Vec<(u32, u32)>,
}

/// What a person saw in one place.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Reviewed {
    /// The tray's number.
    pub tray: u32,
    /// The object's number; null: an object that the program missed.
    pub object: Option<u32>,
    /// What the person saw.
    pub human: Seen,
}

/// See [`Event::ReviewRecorded`].
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ReviewRecorded {
    /// The load.
    pub load: String,
    /// The lot.
    pub lot: String,
    /// Number of the entry that drew the objects.
    pub draw: u64,
    /// One for every drawn object, and the missed ones met on the way.
    pub reviewed: Vec<Reviewed>,
}

/// See [`Event::TrayWeighed`].
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct TrayWeighed {
    /// The load.
    pub load: String,
    /// The lot.
    pub lot: String,
    /// The tray's number.
    pub tray: u32,
    /// The whole tray's fruit, g.
    pub weighed_g: Option<Decimal>,
    /// Each class, g, in the order of [`Class::ALL`].
    pub class_g: [Option<Decimal>; 4],
}

/// See [`Event::CoarseWeighed`].
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct CoarseWeighed {
    /// The load.
    pub load: String,
    /// The lot.
    pub lot: String,
    /// Coarse pieces, kg.
    pub coarse_kg: Decimal,
    /// The increments they came from, coarse pieces included, kg.
    pub increment_kg: Decimal,
    /// Number of coarse pieces.
    pub pieces: u32,
}

/// See [`Event::PiecesCounted`].
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PiecesCounted {
    /// The load.
    pub load: String,
    /// What was counted: the contract's word.
    pub name: String,
    /// How many.
    pub pieces: u32,
    /// Mass of the sample they were counted in, kg; 0 where the whole load was looked at.
    pub sample_kg: Decimal,
}

/// See [`Event::MassFitted`].
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct MassFitted {
    /// Profile whose masses they multiply.
    pub profile: String,
    /// Trays used: numbers of their entries.
    pub trays: Vec<u64>,
    /// Coefficients in the order of [`Class::ALL`], nine places.
    pub coefficients: [Decimal; 4],
    /// Their standard deviations.
    pub standard_deviations: [Decimal; 4],
}

/// See [`Event::HandSorted`].
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct HandSorted {
    /// Grape variety.
    pub variety: String,
    /// The tray's name.
    pub tray: String,
    /// The program's shares by mass, 0 to 1, in the order of [`Class::ALL`].
    pub program: [Decimal; 4],
    /// Masses by hand, g.
    pub hand_g: [Decimal; 4],
}

/// See [`Event::LoadClosed`].
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LoadClosed {
    /// The load.
    pub load: String,
    /// `accept`, `refuse`, `undecided`; null without terms or without a verdict.
    pub outcome: Option<String>,
    /// Everything that was printed as figures, floats as decimal strings.
    pub figures: serde_json::Value,
    /// What the receipt vouches for beside the figures: photographs, seeds, what the parties agreed.
    /// Ledgers of earlier versions have none.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub sealed: Option<serde_json::Value>,
}

/// Where an object's pixels lie.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Outline {
    /// The object's number.
    pub object: u32,
    /// Runs of pixels in raster order, three numbers each: row, first column, length.
    pub runs: Vec<u32>,
}

/// See [`Event::OutlinesChanged`].
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct OutlinesChanged {
    /// The load.
    pub load: String,
    /// The lot.
    pub lot: String,
    /// The tray's number.
    pub tray: u32,
    /// What was done: `split`, `merge`, `draw`, `remove`.
    pub action: String,
    /// Numbers of the objects that are no more.
    pub gone: Vec<u32>,
    /// Profile the new objects were judged with.
    pub profile: String,
    /// Program and version that measured them.
    pub program: String,
    /// Names of the numbers of an object, in order.
    pub fields: Vec<String>,
    /// The new objects, numbered on from the highest number that the tray ever had.
    pub come: Vec<RecordedObject>,
    /// Where they lie, one for each.
    pub outlines: Vec<Outline>,
    /// Class that the person gave the new objects: a word; null: as judged.
    pub given: Option<String>,
}

/// See [`Event::ObjectTagged`].
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ObjectTagged {
    /// The load.
    pub load: String,
    /// The lot.
    pub lot: String,
    /// The tray's number.
    pub tray: u32,
    /// The object's number.
    pub object: u32,
    /// All its tags: `rot-or-mould`, `split`, `sunburnt`, or the person's own words.
    pub tags: Vec<String>,
}

/// See [`Event::EditTakenBack`] and [`Event::EditDoneAgain`].
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct EditTakenBack {
    /// The load.
    pub load: String,
    /// The lot.
    pub lot: String,
    /// The tray's number.
    pub tray: u32,
    /// Entry of the change.
    pub edit: u64,
}

/// The same of the way back.
pub type EditDoneAgain = EditTakenBack;

/// A party to the contract.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Party {
    /// The grower.
    Grower,
    /// The winery.
    Winery,
}
words!(Party { Grower = "grower", Winery = "winery" });

/// See [`Event::PartiesBegun`].
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PartiesBegun {
    /// The load.
    pub load: String,
    /// The lot.
    pub lot: String,
    /// Number of the entry that drew the objects.
    pub draw: u64,
    /// Whether all objects of the lot are reviewed: then there is no sampling of them.
    pub whole: bool,
    /// Who reviews for the grower.
    pub grower: String,
    /// Who reviews for the winery.
    pub winery: String,
}

/// What a party saw in an object.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Judged {
    /// The tray's number.
    pub tray: u32,
    /// The object's number.
    pub object: u32,
    /// What it is.
    pub human: Seen,
    /// Tags that the party gives it.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub tags: Vec<String>,
}

/// See [`Event::PartyJudged`].
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PartyJudged {
    /// The load.
    pub load: String,
    /// The lot.
    pub lot: String,
    /// Number of the entry that began the review.
    pub review: u64,
    /// Which party.
    pub party: Party,
    /// What it saw; a later word on an object counts instead of an earlier one.
    pub judged: Vec<Judged>,
}

/// See [`Event::PartyFinished`].
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PartyFinished {
    /// The load.
    pub load: String,
    /// The lot.
    pub lot: String,
    /// Number of the entry that began the review.
    pub review: u64,
    /// Which party.
    pub party: Party,
}

/// What both settled on for an object.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Settlement {
    /// The tray's number.
    pub tray: u32,
    /// The object's number.
    pub object: u32,
    /// What it is.
    pub human: Seen,
}

/// See [`Event::DifferencesSettled`].
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct DifferencesSettled {
    /// The load.
    pub load: String,
    /// The lot.
    pub lot: String,
    /// Number of the entry that began the review.
    pub review: u64,
    /// What was settled.
    pub settled: Vec<Settlement>,
}

/// See [`Event::PartyAccepted`].
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PartyAccepted {
    /// The load.
    pub load: String,
    /// The lot.
    pub lot: String,
    /// Number of the entry that began the review.
    pub review: u64,
    /// Which party.
    pub party: Party,
    /// SHA-256 of the canonical form of the figures that it accepts.
    pub figures: String,
}

/// See [`Event::PartyRefused`]; its entry says why.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PartyRefused {
    /// The load.
    pub load: String,
    /// The lot.
    pub lot: String,
    /// Number of the entry that began the review.
    pub review: u64,
    /// Which party.
    pub party: Party,
}

/// See [`Event::PartiesGaveUp`]; its entry says why.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PartiesGaveUp {
    /// The load.
    pub load: String,
    /// The lot.
    pub lot: String,
    /// Number of the entry that began the review.
    pub review: u64,
}

/// See [`Event::ProfileDecided`].
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ProfileDecided {
    /// The profile's name.
    pub profile: String,
    /// SHA-256 of its file, in the archive.
    pub sha256: String,
    /// Whether photographs are read with it from now on.
    pub adopted: bool,
    /// Trays it was taught from: numbers of their entries.
    pub trays: Vec<u64>,
    /// How well it read, beside the profile before, floats as decimal strings.
    pub figures: serde_json::Value,
}

/// See [`Event::SheetIssued`].
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SheetIssued {
    /// The load.
    pub load: String,
    /// SHA-256 of the file.
    pub sha256: String,
    /// Its size, bytes.
    pub bytes: u64,
    /// Number of the entry that closed the load: as of it the sheet speaks.
    pub as_of: u64,
    /// Hash of that entry, which stands on the sheet.
    pub head: String,
}

/// The name of an outcome in tables and files.
pub fn outcome_word(outcome: Outcome) -> &'static str {
    outcome.map_or("unassigned", Class::name)
}

/// The outcome of a name.
pub fn outcome_of(word: &str) -> Option<Outcome> {
    match word {
        "unassigned" => Some(None),
        _ => Class::ALL.into_iter().find(|c| c.name() == word).map(Some),
    }
}
