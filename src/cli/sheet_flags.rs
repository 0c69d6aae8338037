//! Flags of `sheet` and `season`.

use std::path::PathBuf;

use clap::{Args, Subcommand, ValueEnum};

use super::flags::{Format, Paper};
use super::ledger_flags::{LedgerArgs, SayArgs};

/// Makes the agreement sheet of a load, a PDF of at most three pages that grower and winery sign, with
/// every figure inside it for programs. Of an open load it is a draft. The SHA-256 of a closed load's
/// sheet goes into the ledger.
#[derive(Debug, Args)]
#[command(
    args_conflicts_with_subcommands = true,
    subcommand_negates_reqs = true,
    after_help = "Examples:\n  \
    acinus sheet HV-0417 --out HV-0417.pdf\n  \
    acinus sheet HV-0417 --out HV-0417.pdf --paper letter --units us --dates month-first\n  \
    acinus sheet verify HV-0417.pdf"
)]
pub struct SheetCommand {
    /// Checking instead of making
    #[command(subcommand)]
    pub verb: Option<SheetVerb>,

    #[command(flatten)]
    #[allow(missing_docs)]
    pub make: SheetMakeArgs,
}

/// What can be done with a sheet that was made.
#[derive(Debug, Subcommand)]
pub enum SheetVerb {
    /// Tell whether a sheet is what the ledger and the photographs say
    Verify(SheetVerifyArgs),
}

/// How a sheet is made.
#[derive(Debug, Args)]
pub struct SheetMakeArgs {
    /// The load
    #[arg(value_name = "LOAD", required = true)]
    pub load: Option<String>,

    /// File to write
    #[arg(long, value_name = "FILE", required = true)]
    pub out: Option<PathBuf>,

    /// Size of the pages
    #[arg(long, value_enum, default_value_t = Paper::A4)]
    pub paper: Paper,

    /// Units of masses and temperatures
    #[arg(long, value_enum, default_value_t = Units::Metric)]
    pub units: Units,

    /// How fractions are written
    #[arg(long, value_enum, default_value_t = Numbers::Point)]
    pub numbers: Numbers,

    /// How days are written
    #[arg(long, value_enum, default_value_t = Dates::Iso)]
    pub dates: Dates,

    #[command(flatten)]
    #[allow(missing_docs)]
    pub say: SayArgs,
}

/// Reads the figures inside the file and holds them, the ledger's head and every photograph against
/// the ledger; then makes the sheet again and compares the bytes. Ends with 1 if something does not
/// hold.
#[derive(Debug, Args)]
#[command(after_help = "Example:\n  acinus sheet verify HV-0417.pdf cellar.sqlite")]
pub struct SheetVerifyArgs {
    /// The PDF
    #[arg(value_name = "FILE")]
    pub file: PathBuf,

    /// The ledger; the same as --ledger
    #[arg(value_name = "LEDGER", conflicts_with = "ledger")]
    pub named_ledger: Option<PathBuf>,

    #[command(flatten)]
    #[allow(missing_docs)]
    pub ledger: LedgerArgs,

    /// What to print
    #[arg(long, value_enum, default_value_t = Format::Text)]
    pub format: Format,
}

/// Units of masses and temperatures.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Units {
    /// Kilograms, grams, °C
    Metric,
    /// Short tons of 2000 lb, pounds, ounces, °F
    Us,
}

/// How fractions are written.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Numbers {
    /// 11 450.5
    Point,
    /// 11 450,5
    Comma,
}

/// How days are written.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Dates {
    /// 2026-11-25
    Iso,
    /// 25.11.2026
    DayFirst,
    /// 11/25/2026
    MonthFirst,
}

/// Puts all loads of the ledger side by side: shares with intervals by grower, block, variety or week,
/// the trend, what the sorter did, what trays bought in precision, and loads that lie apart from the
/// others of their variety.
#[derive(Debug, Args)]
#[command(after_help = "Examples:\n  \
    acinus season\n  \
    acinus season --by variety --out season\n      \
        season.html, plots (SVG and PNG), season.json, loads.csv in season/\n  \
    acinus season --parquet data\n      \
        data/objects.parquet and data/loads.parquet, and the same as CSV")]
pub struct SeasonArgs {
    /// What loads are put together by
    #[arg(long, value_enum, default_value_t = By::Grower)]
    pub by: By,

    /// Folder for the page, plots and tables; made if missing
    #[arg(long, value_name = "DIR")]
    pub out: Option<PathBuf>,

    /// Folder for objects.parquet and loads.parquet (and both as CSV); made if missing
    #[arg(long, value_name = "DIR")]
    pub parquet: Option<PathBuf>,

    #[command(flatten)]
    #[allow(missing_docs)]
    pub ledger: LedgerArgs,

    /// What to print
    #[arg(long, value_enum, default_value_t = Format::Text)]
    pub format: Format,
}

/// What loads are put together by.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum By {
    /// Grower
    Grower,
    /// Grower and block
    Block,
    /// Grape variety
    Variety,
    /// ISO week of the delivery
    Week,
}
