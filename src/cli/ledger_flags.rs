//! Commands and flags of the ledger: `load`, `ledger`, `plan`, `terms`, `validate`.

use std::path::PathBuf;

use acinus::ledger::clock;
use acinus::ledger::event::{FreeJuice, Picking, SamplingPoint, Wetness, Word};
use acinus::terms::Decimal;
use clap::{Args, Subcommand};

use super::flags::{Format, ReadingArgs, number};

/// Which ledger.
#[derive(Debug, Clone, Args)]
#[command(next_help_heading = "Ledger")]
pub struct LedgerArgs {
    /// Ledger file; its archive of photographs lies beside it, ending in .archive
    /// [default: acinus/ledger.sqlite in your data folder]
    #[arg(long, value_name = "FILE")]
    pub ledger: Option<PathBuf>,
}

/// Who says so.
#[derive(Debug, Clone, Args)]
#[command(next_help_heading = "Ledger")]
pub struct SayArgs {
    #[command(flatten)]
    #[allow(missing_docs)]
    pub ledger: LedgerArgs,

    /// Who says so [default: your user name]
    #[arg(long, value_name = "NAME")]
    pub who: Option<String>,

    /// Why, where it changes what was said before
    #[arg(long, value_name = "WORDS")]
    pub why: Option<String>,

    /// What to print
    #[arg(long, value_enum, default_value_t = Format::Text)]
    pub format: Format,
}

/// Keeps loads in a ledger: open one, record its trays, see its figures, close it.
#[derive(Debug, Args)]
#[command(
    arg_required_else_help = true,
    after_help = "Examples, from the dock to the receipt:\n  \
    acinus load new HV-0417 --grower \"Hill Vineyard\" --variety \"Blue Portugal\" --bins 8 --terms house.toml\n  \
    acinus plan --load HV-0417\n  \
    acinus load delivery HV-0417 --ticket W1182 --gross-kg 14200 --truck-tare-kg 2250 --bin-tare-kg 500\n  \
    acinus load add photos/\n  \
    acinus load show HV-0417\n  \
    acinus load close HV-0417"
)]
pub struct LoadCommand {
    /// What to do.
    #[command(subcommand)]
    pub command: LoadVerb,
}

/// What can be done with a load.
#[derive(Debug, Subcommand)]
// One value lives, once: its size does not matter.
#[allow(clippy::large_enum_variant)]
pub enum LoadVerb {
    /// Open a load
    New(LoadNewArgs),
    /// Record the delivery: ticket, masses, times, how it was picked and sampled
    Delivery(LoadDeliveryArgs),
    /// Fix the contract, before the first tray
    Terms(LoadTermsArgs),
    /// Say where a lot was sampled
    Lot(LoadLotArgs),
    /// Read photographs and record them as trays
    Add(LoadAddArgs),
    /// Record a tray's weight from the scale
    Weigh(LoadWeighArgs),
    /// Record canes, whole bunches and large leaves weighed from a big scoop
    Coarse(LoadCoarseArgs),
    /// Record pieces that the contract counts, such as stones
    Count(LoadCountArgs),
    /// Draw objects at random for a person to review, and record what was seen
    Review(LoadReviewArgs),
    /// Give one object another class
    Correct(LoadCorrectArgs),
    /// Show a load's figures, verdict and cautions
    Show(LoadShowArgs),
    /// Write a closed load's receipt to a file
    Receipt(LoadReceiptArgs),
    /// List all loads
    List(LoadListArgs),
    /// Close a load and print the receipt
    Close(LoadCloseArgs),
}

/// What is known of a delivery.
#[derive(Debug, Clone, Default, Args)]
#[command(next_help_heading = "Delivery")]
pub struct DeliveryArgs {
    /// Weighmaster's ticket
    #[arg(long, value_name = "NUMBER")]
    pub ticket: Option<String>,

    /// Truck, bins and fruit together, kg
    #[arg(long, value_name = "KG", value_parser = decimal)]
    pub gross_kg: Option<Decimal>,

    /// The empty truck, kg
    #[arg(long, value_name = "KG", value_parser = decimal)]
    pub truck_tare_kg: Option<Decimal>,

    /// All empty bins together, kg
    #[arg(long, value_name = "KG", value_parser = decimal)]
    pub bin_tare_kg: Option<Decimal>,

    /// The fruit, kg; worked out from gross and tares when left out
    #[arg(long, value_name = "KG", value_parser = decimal)]
    pub net_kg: Option<Decimal>,

    /// When it was picked, as in 2026-09-18T05:10
    #[arg(long, value_name = "TIME", value_parser = time)]
    pub picked: Option<String>,

    /// When it was received
    #[arg(long, value_name = "TIME", value_parser = time)]
    pub received: Option<String>,

    /// When it was sampled
    #[arg(long, value_name = "TIME", value_parser = time)]
    pub sampled: Option<String>,

    /// How it was picked: hand or machine
    #[arg(long, value_name = "HOW", value_parser = word::<Picking>)]
    pub picking: Option<Picking>,

    /// Whether it went through a destemmer: yes or no
    #[arg(long, value_name = "YES_NO", value_parser = yes_no)]
    pub destemmed: Option<bool>,

    /// Where the fruit on the trays was taken: bin, hopper or after-destemmer
    #[arg(long, value_name = "WHERE", value_parser = word::<SamplingPoint>)]
    pub sampling_point: Option<SamplingPoint>,

    /// Temperature of the fruit, °C
    #[arg(long, value_name = "C", value_parser = decimal, allow_negative_numbers = true)]
    pub fruit_celsius: Option<Decimal>,

    /// What wets the fruit: dry, rain or dew
    #[arg(long, value_name = "WHAT", value_parser = word::<Wetness>)]
    pub wet: Option<Wetness>,

    /// Free juice in the bins: none, some or much
    #[arg(long, value_name = "HOW_MUCH", value_parser = word::<FreeJuice>)]
    pub free_juice: Option<FreeJuice>,

    /// Fruit mass of single bins, as in 1=480,2=510.5
    #[arg(long, value_name = "BIN=KG", value_delimiter = ',', value_parser = bin_kg)]
    pub bin_kg: Vec<(String, Decimal)>,
}

/// Opens a load under the name that its slips carry. Everything of the delivery can also be added
/// later with `acinus load delivery`; the contract must be fixed before the first tray.
#[derive(Debug, Args)]
#[command(after_help = "Example:\n  \
    acinus load new HV-0417 --grower \"Hill Vineyard\" --block \"Upper terrace\" --variety \"Blue Portugal\" \\\n      \
        --bins 8 --sampling-point bin --picking machine --terms house.toml")]
pub struct LoadNewArgs {
    /// The load's name, as on its slips
    #[arg(value_name = "LOAD")]
    pub load: String,

    /// Grower
    #[arg(long, value_name = "NAME")]
    pub grower: String,

    /// Block or vineyard
    #[arg(long, value_name = "NAME")]
    pub block: Option<String>,

    /// Grape variety
    #[arg(long, value_name = "NAME")]
    pub variety: Option<String>,

    /// Bins in the load
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u32).range(1..=10_000))]
    pub bins: Option<u32>,

    /// Contract file (TOML); `acinus terms check` reads it beforehand
    #[arg(long, value_name = "FILE")]
    pub terms: Option<PathBuf>,

    #[command(flatten)]
    #[allow(missing_docs)]
    pub delivery: DeliveryArgs,

    #[command(flatten)]
    #[allow(missing_docs)]
    pub say: SayArgs,
}

/// Records what is known of a delivery. What is left out stays as it was; what changes needs --why.
#[derive(Debug, Args)]
#[command(after_help = "Example:\n  \
    acinus load delivery HV-0417 --ticket W1182 --gross-kg 14200 --truck-tare-kg 2250 --bin-tare-kg 500 \\\n      \
        --received 2026-09-18T06:40 --fruit-celsius 14.5 --wet dew --free-juice some")]
pub struct LoadDeliveryArgs {
    /// The load
    #[arg(value_name = "LOAD")]
    pub load: String,

    #[command(flatten)]
    #[allow(missing_docs)]
    pub delivery: DeliveryArgs,

    #[command(flatten)]
    #[allow(missing_docs)]
    pub say: SayArgs,
}

/// Fixes the contract of a load, word for word. Only before the first tray.
#[derive(Debug, Args)]
#[command(after_help = "Example:\n  acinus load terms HV-0417 house.toml")]
pub struct LoadTermsArgs {
    /// The load
    #[arg(value_name = "LOAD")]
    pub load: String,

    /// Contract file (TOML)
    #[arg(value_name = "FILE")]
    pub file: PathBuf,

    #[command(flatten)]
    #[allow(missing_docs)]
    pub say: SayArgs,
}

/// Says where a lot was sampled, when elsewhere than the rest of the load: sorted fruit after the
/// destemmer, say. Lots from different points are not compared without a warning.
#[derive(Debug, Args)]
#[command(
    after_help = "Example:\n  acinus load lot HV-0417 SORTED --sampling-point after-destemmer"
)]
pub struct LoadLotArgs {
    /// The load
    #[arg(value_name = "LOAD")]
    pub load: String,

    /// The lot
    #[arg(value_name = "LOT")]
    pub lot: String,

    /// Where it was sampled: bin, hopper or after-destemmer
    #[arg(long, value_name = "WHERE", value_parser = word::<SamplingPoint>)]
    pub sampling_point: SamplingPoint,

    #[command(flatten)]
    #[allow(missing_docs)]
    pub say: SayArgs,
}

/// Reads photographs and records each as a tray: its file, its outlines, every object with its
/// measures and class. Load, lot and tray number come from the slip in the photograph, or from the
/// flags where there is none. Refused photographs are kept too, with their reason.
///
/// A batch can be run again: what is recorded is passed over.
#[derive(Debug, Args)]
#[command(after_help = "Examples:\n  \
    acinus load add photos/\n      \
        every picture in a folder; slips say which tray each is\n  \
    acinus load add a.jpg b.jpg --load HV-0417 --lot UNSORTED --number 1 --tray 330x250\n      \
        photographs without slips and tiles: trays 1 and 2, whose floor is 330 by 250 mm\n  \
    acinus load add again.jpg --retake --why \"a leaf lay over half of it\"\n      \
        takes the place of the tray's earlier photograph, which is kept")]
pub struct LoadAddArgs {
    /// Photographs (JPEG, PNG or TIFF), or folders of them
    #[arg(required = true, value_name = "PHOTO")]
    pub photos: Vec<PathBuf>,

    /// The load, where the slip does not say it
    #[arg(long, value_name = "LOAD")]
    pub load: Option<String>,

    /// The lot, where the slip does not say it
    #[arg(long, value_name = "LOT")]
    pub lot: Option<String>,

    /// Number of the first photograph's tray, where the slip does not say it; the next ones follow
    #[arg(long, value_name = "N", requires = "lot")]
    pub number: Option<u32>,

    /// The bin that the trays were taken from, where no plan says it
    #[arg(long, value_name = "BIN")]
    pub bin: Option<String>,

    /// The photographs take the place of earlier ones of the same trays; needs --why
    #[arg(long, requires = "why")]
    pub retake: bool,

    /// Record photographs that fail the checks all the same; the results are marked
    #[arg(long)]
    pub force: bool,

    #[command(flatten)]
    #[allow(missing_docs)]
    pub say: SayArgs,

    #[command(flatten)]
    #[allow(missing_docs)]
    pub reading: ReadingArgs,

    /// Processor cores to use; all when left out
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=256))]
    pub threads: Option<u16>,
}

/// Which tray.
#[derive(Debug, Clone, Args)]
pub struct TrayArgs {
    /// The load
    #[arg(value_name = "LOAD")]
    pub load: String,

    /// The lot
    #[arg(value_name = "LOT")]
    pub lot: String,

    /// The tray's number
    #[arg(value_name = "TRAY")]
    pub tray: u32,
}

/// Records a tray's weight: its masses are scaled to it. Weights of single classes teach the mass
/// model once `acinus ledger refit` is called.
#[derive(Debug, Args)]
#[command(after_help = "Example:\n  \
    acinus load weigh HV-0417 UNSORTED 3 --grams 212.4 --debris 0.98")]
pub struct LoadWeighArgs {
    #[command(flatten)]
    #[allow(missing_docs)]
    pub tray: TrayArgs,

    /// All fruit of the tray, g
    #[arg(long, value_name = "G", value_parser = decimal)]
    pub grams: Option<Decimal>,

    /// Sound berries, g
    #[arg(long, value_name = "G", value_parser = decimal)]
    pub sound: Option<Decimal>,

    /// Shriveled berries, g
    #[arg(long, value_name = "G", value_parser = decimal)]
    pub shriveled: Option<Decimal>,

    /// Underripe berries, g
    #[arg(long, value_name = "G", value_parser = decimal)]
    pub underripe: Option<Decimal>,

    /// Debris, to 0.01 g
    #[arg(long, value_name = "G", value_parser = decimal)]
    pub debris: Option<Decimal>,

    #[command(flatten)]
    #[allow(missing_docs)]
    pub say: SayArgs,
}

/// Records coarse debris: canes, whole bunches and leaves over 50 mm, which never fit a tray. They
/// are weighed out of kilogram-scale scoops and joined to the debris on the trays.
#[derive(Debug, Args)]
#[command(after_help = "Example, 9 pieces of 0.18 kg together out of scoops of 12 kg:\n  \
    acinus load coarse HV-0417 UNSORTED --coarse-kg 0.18 --increment-kg 12 --pieces 9")]
pub struct LoadCoarseArgs {
    /// The load
    #[arg(value_name = "LOAD")]
    pub load: String,

    /// The lot
    #[arg(value_name = "LOT")]
    pub lot: String,

    /// All coarse pieces, kg
    #[arg(long, value_name = "KG", value_parser = decimal)]
    pub coarse_kg: Decimal,

    /// The scoops they came from, coarse pieces included, kg
    #[arg(long, value_name = "KG", value_parser = decimal)]
    pub increment_kg: Decimal,

    /// Number of coarse pieces
    #[arg(long, value_name = "N")]
    pub pieces: u32,

    #[command(flatten)]
    #[allow(missing_docs)]
    pub say: SayArgs,
}

/// Records how many pieces were counted of something that the contract counts. Enter 0 too.
#[derive(Debug, Args)]
#[command(after_help = "Example, 2 stones in a sample of 6.5 kg:\n  \
    acinus load count HV-0417 stones 2 --sample-kg 6.5")]
pub struct LoadCountArgs {
    /// The load
    #[arg(value_name = "LOAD")]
    pub load: String,

    /// What was counted: the contract's word
    #[arg(value_name = "WHAT")]
    pub name: String,

    /// How many
    #[arg(value_name = "N")]
    pub pieces: u32,

    /// Mass of the sample, kg; leave out when the whole load was looked at
    #[arg(long, value_name = "KG", value_parser = decimal)]
    pub sample_kg: Option<Decimal>,

    #[command(flatten)]
    #[allow(missing_docs)]
    pub say: SayArgs,
}

/// Draws objects of a lot at random and prints them as CSV, one a row, with an empty column `human`.
/// A person looks at each in the overlay, without seeing what the program read, and writes sound,
/// shriveled, underripe, debris, unassigned, or nothing (there is no object). A row without an
/// object's number tells of an object that the program missed. The filled file is recorded with
/// --answers; from then on the lot's figures are corrected for the program's mistakes.
#[derive(Debug, Args)]
#[command(after_help = "Examples:\n  \
    acinus load review HV-0417 UNSORTED --draw 200 > review.csv\n  \
    acinus load review HV-0417 UNSORTED --answers review.csv")]
pub struct LoadReviewArgs {
    /// The load
    #[arg(value_name = "LOAD")]
    pub load: String,

    /// The lot
    #[arg(value_name = "LOT")]
    pub lot: String,

    /// Draw so many objects
    #[arg(long, value_name = "N", required_unless_present = "answers", conflicts_with = "answers")]
    pub draw: Option<u32>,

    /// Seed of the draw [default: taken from the ledger's last hash, which nobody chooses]
    #[arg(long, value_name = "N", requires = "draw")]
    pub seed: Option<u64>,

    /// File with the answers: CSV, or JSON with the same columns as fields
    #[arg(long, value_name = "FILE")]
    pub answers: Option<PathBuf>,

    #[command(flatten)]
    #[allow(missing_docs)]
    pub say: SayArgs,
}

/// Gives one object another class. What the program read stays in the ledger beside it.
#[derive(Debug, Args)]
#[command(after_help = "Example:\n  \
    acinus load correct HV-0417 UNSORTED 3 --object 117 --class debris --why \"a stone\"")]
pub struct LoadCorrectArgs {
    #[command(flatten)]
    #[allow(missing_docs)]
    pub tray: TrayArgs,

    /// The object's number, as in the overlay
    #[arg(long, value_name = "N")]
    pub object: u32,

    /// What it is: sound, shriveled, underripe, debris or unassigned
    #[arg(long, value_name = "CLASS")]
    pub class: String,

    #[command(flatten)]
    #[allow(missing_docs)]
    pub say: SayArgs,
}

/// Shows a load: shares with intervals (trays as clusters, bins by their mass), planned, taken,
/// missing and refused trays, the verdict of its terms, assumptions and cautions.
#[derive(Debug, Args)]
#[command(after_help = "Example:\n  acinus load show HV-0417")]
pub struct LoadShowArgs {
    /// The load
    #[arg(value_name = "LOAD")]
    pub load: String,

    /// What to print
    #[arg(long, value_enum, default_value_t = Format::Text)]
    pub format: Format,

    #[command(flatten)]
    #[allow(missing_docs)]
    pub ledger: LedgerArgs,
}

/// Writes the receipt of a closed load: the closing entry whole, with figures, photographs' hashes
/// (refused and retaken ones too) and seeds. `acinus ledger receipt` checks it.
#[derive(Debug, Args)]
#[command(after_help = "Example:\n  acinus load receipt HV-0417 --out receipt-HV-0417.json")]
pub struct LoadReceiptArgs {
    /// The load
    #[arg(value_name = "LOAD")]
    pub load: String,

    /// File to write
    #[arg(long, value_name = "FILE")]
    pub out: PathBuf,

    #[command(flatten)]
    #[allow(missing_docs)]
    pub ledger: LedgerArgs,
}

/// Lists all loads, oldest first.
#[derive(Debug, Args)]
#[command(after_help = "Example:\n  acinus load list")]
pub struct LoadListArgs {
    /// What to print
    #[arg(long, value_enum, default_value_t = Format::Text)]
    pub format: Format,

    #[command(flatten)]
    #[allow(missing_docs)]
    pub ledger: LedgerArgs,
}

/// Closes a load: its figures and verdict are recorded, nothing can be added any more, and a receipt
/// is printed. Both parties keep the receipt: with it, either can prove a later change.
#[derive(Debug, Args)]
#[command(after_help = "Example:\n  acinus load close HV-0417")]
pub struct LoadCloseArgs {
    /// The load
    #[arg(value_name = "LOAD")]
    pub load: String,

    #[command(flatten)]
    #[allow(missing_docs)]
    pub say: SayArgs,
}

/// Looks after the ledger itself.
#[derive(Debug, Args)]
#[command(
    arg_required_else_help = true,
    after_help = "Examples:\n  \
    acinus ledger verify --entries 57 --head 3f1c...\n  \
    acinus ledger export --out cellar.json"
)]
pub struct LedgerCommand {
    /// What to do.
    #[command(subcommand)]
    pub command: LedgerVerb,
}

/// What can be done with the ledger.
#[derive(Debug, Subcommand)]
pub enum LedgerVerb {
    /// Check that nothing recorded was changed
    Verify(LedgerVerifyArgs),
    /// Print the entry count and the head hash
    Head(LedgerHeadArgs),
    /// Print the history, one line an entry
    History(LedgerHistoryArgs),
    /// Write all entries, or a load's objects, to a file
    Export(LedgerExportArgs),
    /// Take over the entries of an exported ledger
    Import(LedgerImportArgs),
    /// Fit mass coefficients from weighed trays
    Refit(LedgerRefitArgs),
    /// Check a receipt: by itself, against a ledger, against photographs
    Receipt(LedgerReceiptArgs),
}

/// Checks a receipt that a party took home. Without the ledger: whether the closing entry has the
/// hash that the receipt names, so that no figure, photograph or seed in it was changed. With
/// --ledger: whether the ledger holds and was closed so. With --photos: whether each photograph is
/// there, unchanged.
#[derive(Debug, Args)]
#[command(after_help = "Examples:\n  \
    acinus ledger receipt receipt-HV-0417.json\n  \
    acinus ledger receipt receipt-HV-0417.json --ledger cellar.sqlite --photos photos/")]
pub struct LedgerReceiptArgs {
    /// The receipt's file
    #[arg(value_name = "FILE")]
    pub file: PathBuf,

    /// Ledger file to hold it against; none when left out
    #[arg(long, value_name = "FILE")]
    pub ledger: Option<PathBuf>,

    /// Folder with the photographs
    #[arg(long, value_name = "DIR")]
    pub photos: Option<PathBuf>,

    /// What to print
    #[arg(long, value_enum, default_value_t = Format::Text)]
    pub format: Format,
}

/// Serves the workbench, a page for the browser where photographs are added, looked at, corrected and
/// agreed on by both parties, and opens it. Nothing leaves this machine unless --listen says so.
#[derive(Debug, Args)]
#[command(after_help = "Examples:\n  \
    acinus workbench\n  \
    acinus workbench --ledger cellar.sqlite --who \"Ana\" --port 8777 --no-browser\n  \
    acinus workbench --listen 0.0.0.0\n      \
        for a tablet in the same network: open the printed address, token and all")]
pub struct WorkbenchArgs {
    #[command(flatten)]
    #[allow(missing_docs)]
    pub ledger: LedgerArgs,

    /// Name offered on the page for who says things [default: your user name]
    #[arg(long, value_name = "NAME")]
    pub who: Option<String>,

    /// Port to serve at; 0 takes a free one
    #[arg(long, value_name = "N", default_value_t = 0)]
    pub port: u16,

    /// Address to serve at. Any but this machine's own asks visitors for a token, and what they see
    /// and send can be read on the way (no TLS): use it in a network you trust
    #[arg(long, value_name = "ADDRESS", default_value = "127.0.0.1")]
    pub listen: std::net::IpAddr,

    /// Do not open the browser
    #[arg(long)]
    pub no_browser: bool,

    #[command(flatten)]
    #[allow(missing_docs)]
    pub reading: ReadingArgs,
}

/// Checks every entry against its hash and the one before it, every table against the entries, and
/// every kept file against its hash. With a receipt's numbers it also finds a history that was cut
/// off or rewritten as a whole.
#[derive(Debug, Args)]
#[command(after_help = "Example, with a receipt's numbers:\n  \
    acinus ledger verify --entries 57 --head 3f1c9a...")]
pub struct LedgerVerifyArgs {
    /// Entry count of a receipt
    #[arg(long, value_name = "N", requires = "head")]
    pub entries: Option<u64>,

    /// Head hash of a receipt
    #[arg(long, value_name = "HASH", requires = "entries")]
    pub head: Option<String>,

    /// What to print
    #[arg(long, value_enum, default_value_t = Format::Text)]
    pub format: Format,

    #[command(flatten)]
    #[allow(missing_docs)]
    pub ledger: LedgerArgs,
}

/// Prints where the history ends.
#[derive(Debug, Args)]
#[command(after_help = "Example:\n  acinus ledger head")]
pub struct LedgerHeadArgs {
    /// What to print
    #[arg(long, value_enum, default_value_t = Format::Text)]
    pub format: Format,

    #[command(flatten)]
    #[allow(missing_docs)]
    pub ledger: LedgerArgs,
}

/// Prints who said what, when and why.
#[derive(Debug, Args)]
#[command(after_help = "Example:\n  acinus ledger history --load HV-0417")]
pub struct LedgerHistoryArgs {
    /// Only what concerns a load
    #[arg(long, value_name = "LOAD")]
    pub load: Option<String>,

    /// What to print
    #[arg(long, value_enum, default_value_t = Format::Text)]
    pub format: Format,

    #[command(flatten)]
    #[allow(missing_docs)]
    pub ledger: LedgerArgs,
}

/// Writes the whole history (JSON or CSV, by the file's ending), or with --load every object of a
/// load as CSV. Photographs are not part of it: copy the archive's folder.
#[derive(Debug, Args)]
#[command(after_help = "Examples:\n  \
    acinus ledger export --out cellar.json\n  \
    acinus ledger export --out HV-0417.csv --load HV-0417")]
pub struct LedgerExportArgs {
    /// File to write: .json or .csv
    #[arg(long, value_name = "FILE")]
    pub out: PathBuf,

    /// Only this load's objects, as CSV
    #[arg(long, value_name = "LOAD")]
    pub load: Option<String>,

    #[command(flatten)]
    #[allow(missing_docs)]
    pub ledger: LedgerArgs,
}

/// Takes over the entries of an exported ledger: into a new ledger whole, into an older copy of the
/// same one what has come since. Every entry is checked. Two ledgers that went different ways are
/// not mixed.
#[derive(Debug, Args)]
#[command(after_help = "Example:\n  acinus ledger import cellar.json --ledger copy.sqlite")]
pub struct LedgerImportArgs {
    /// File written by `acinus ledger export` (.json or .csv)
    #[arg(value_name = "FILE")]
    pub file: PathBuf,

    /// What to print
    #[arg(long, value_enum, default_value_t = Format::Text)]
    pub format: Format,

    #[command(flatten)]
    #[allow(missing_docs)]
    pub ledger: LedgerArgs,
}

/// Fits the mass coefficients of a profile from all its trays whose classes were weighed, held to 1
/// where little was weighed. From then on open loads carry them; every fit stays in the history.
#[derive(Debug, Args)]
#[command(after_help = "Example:\n  acinus ledger refit --profile-name \"renderings 2026\"")]
pub struct LedgerRefitArgs {
    /// Name of the profile, as `acinus load show --format json` tells it
    #[arg(long, value_name = "NAME")]
    pub profile_name: String,

    #[command(flatten)]
    #[allow(missing_docs)]
    pub say: SayArgs,
}

/// Draws up a sampling plan and prints the sheet to carry to the dock. With --load it is fixed in
/// the ledger before the first tray, and each tray then knows its bin.
#[derive(Debug, Args)]
#[command(after_help = "Examples:\n  \
    acinus plan --bins 12 --expected 5 --half-width 2\n      \
        a sheet for 12 bins: about 5 % rejects, to be known within 2 points\n  \
    acinus plan --load HV-0417 --out sheet.txt\n      \
        fixed in the ledger; the load's own number of bins, design effect from earlier loads")]
pub struct PlanArgs {
    /// Fix the plan for this load
    #[arg(long, value_name = "LOAD")]
    pub load: Option<String>,

    /// For this lot
    #[arg(long, value_name = "LOT", default_value = "UNSORTED")]
    pub lot: String,

    /// Bins in the load; those of the load in the ledger when left out
    #[arg(long, value_name = "N", required_unless_present = "load")]
    pub bins: Option<u32>,

    /// Share of rejects expected, %
    #[arg(long, value_name = "PERCENT", default_value = "5", value_parser = number(0.01, 99.99))]
    pub expected: f64,

    /// Half the width that the interval may have, percentage points
    #[arg(long, value_name = "POINTS", default_value = "2", value_parser = number(0.01, 50.0))]
    pub half_width: f64,

    /// Confidence, %
    #[arg(long, value_name = "PERCENT", default_value = "95", value_parser = number(50.0, 99.9))]
    pub confidence: f64,

    /// Design effect between trays, 1 or more; from earlier loads in the ledger when left out, 2
    /// where there are too few
    #[arg(long, value_name = "N", value_parser = number(1.0, 1000.0))]
    pub design_effect: Option<f64>,

    /// Berries that a tray shows in one layer
    #[arg(long, value_name = "N", default_value_t = 170)]
    pub berries_per_tray: u32,

    /// Trays from every bin
    #[arg(long, value_name = "N", default_value_t = 1)]
    pub trays_per_bin: u32,

    /// Scoops that make up a tray's fruit, 1 to 3
    #[arg(long, value_name = "N", default_value_t = 3)]
    pub scoops: u32,

    /// Share of debris by mass to work out its relative standard deviation for, %
    #[arg(long, value_name = "PERCENT", default_value = "1", value_parser = number(0.001, 100.0))]
    pub debris: f64,

    /// Mean mass of a piece of debris, g
    #[arg(long, value_name = "G", default_value = "0.5", value_parser = number(0.001, 1000.0))]
    pub piece: f64,

    /// Coefficient of variation of a piece's mass
    #[arg(long, value_name = "CV", default_value = "1", value_parser = number(0.0, 20.0))]
    pub piece_cv: f64,

    /// Seed of the draw, to be recorded [default: from the ledger's last hash, or the clock]
    #[arg(long, value_name = "N")]
    pub seed: Option<u64>,

    /// Also write the sheet to a file
    #[arg(long, value_name = "FILE")]
    pub out: Option<PathBuf>,

    #[command(flatten)]
    #[allow(missing_docs)]
    pub say: SayArgs,
}

/// Works with contract files.
#[derive(Debug, Args)]
#[command(arg_required_else_help = true, after_help = "Example:\n  acinus terms check house.toml")]
pub struct TermsCommand {
    /// What to do.
    #[command(subcommand)]
    pub command: TermsVerb,
}

/// What can be done with contract files.
#[derive(Debug, Subcommand)]
pub enum TermsVerb {
    /// Say whether a contract file can be used, and what two parties should have read in it
    Check(TermsCheckArgs),
}

/// Reads a contract file: every fault in one line, and what it assumes, rounds and leaves open.
#[derive(Debug, Args)]
#[command(after_help = "Example:\n  acinus terms check house.toml")]
pub struct TermsCheckArgs {
    /// Contract file (TOML)
    #[arg(value_name = "FILE")]
    pub file: PathBuf,

    /// What to print
    #[arg(long, value_enum, default_value_t = Format::Text)]
    pub format: Format,
}

/// Compares the program with hands: trays that a person, blind to the program, sorted and weighed
/// class by class. Prints bias and limits of agreement per class and variety. With --record the
/// trays go into the ledger: from ten trays of a variety on, its verdicts are no longer advisory and
/// its intervals carry the bias's uncertainty.
#[derive(Debug, Args)]
#[command(
    after_help = "The file has one row a tray: tray, variety, the program's shares by mass in \
    percent, and the masses by hand in grams:\n  \
    tray,variety,sound_percent,shriveled_percent,underripe_percent,debris_percent,sound_g,shriveled_g,underripe_g,debris_g\n\n\
    Example:\n  acinus validate trays.csv --record"
)]
pub struct ValidateArgs {
    /// CSV file; the ledger's own trays when left out
    #[arg(value_name = "FILE")]
    pub file: Option<PathBuf>,

    /// Record the file's trays in the ledger
    #[arg(long, requires = "file")]
    pub record: bool,

    #[command(flatten)]
    #[allow(missing_docs)]
    pub say: SayArgs,
}

fn decimal(text: &str) -> Result<Decimal, String> {
    text.trim().parse().map_err(|e: acinus::terms::DecimalError| e.to_string())
}

fn time(text: &str) -> Result<String, String> {
    clock::typed(text)
}

fn word<W: Word>(text: &str) -> Result<W, String> {
    let words: Vec<&str> = W::ALL.iter().map(|w| w.word()).collect();
    W::of(text.trim()).ok_or_else(|| format!("write one of: {}", words.join(", ")))
}

fn yes_no(text: &str) -> Result<bool, String> {
    match text.trim() {
        "yes" => Ok(true),
        "no" => Ok(false),
        _ => Err("write yes or no".to_owned()),
    }
}

fn bin_kg(text: &str) -> Result<(String, Decimal), String> {
    let how = "write bin and mass, as in 1=480.5";
    let (bin, kg) = text.split_once('=').ok_or(how)?;
    Ok((bin.trim().to_owned(), decimal(kg).map_err(|_| how)?))
}
