//! Every command and flag, defined once: parsing, help, shell completions and manual pages all
//! come from here. Values are checked here one by one; how they fit together is checked in
//! [`super::settings`].

use std::ops::RangeInclusive;
use std::path::PathBuf;

use acinus::given::short;
use clap::{Args, Parser, Subcommand, ValueEnum};

use super::ledger_flags::{
    LedgerCommand, LoadCommand, PlanArgs, TermsCommand, ValidateArgs, WorkbenchArgs,
};
use super::sheet_flags::{SeasonArgs, SheetCommand};
use super::streams_flags::{CompareArgs, StreamsArgs, WhatIfArgs};

/// Turns photographs of sampled wine grapes on a tray into shares of sound, shriveled, underripe
/// fruit and debris, with 95 % intervals.
#[derive(Debug, Parser)]
#[command(
    name = "acinus",
    version,
    max_term_width = 100,
    arg_required_else_help = true,
    after_help = "Example, three trays of one load:\n  acinus assess tray1.jpg tray2.jpg tray3.jpg --out out\n\n\
                  Figures are estimates from photographs: no official inspection, no legal-for-trade weight.\n\
                  Exit codes: 0 all done, 1 some photographs refused or failed, 2 wrong usage."
)]
pub struct Cli {
    /// What to do.
    #[command(subcommand)]
    pub command: Command,
}

/// The commands.
#[derive(Debug, Subcommand)]
// One value lives, once: its size does not matter.
#[allow(clippy::large_enum_variant)]
pub enum Command {
    /// Measure photographs and report the shares of each lot
    Assess(AssessArgs),
    /// Say whether photographs are good enough, without measuring them
    Check(CheckArgs),
    /// Print the four tiles for a tray
    Marks(MarksArgs),
    /// Print load slips, one for each tray
    Slip(SlipArgs),
    /// Compare readings with photographs whose truth is known
    Score(ScoreArgs),
    /// Teach a new profile from photographs whose truth is known
    Train(TrainArgs),
    /// Draw up a sampling plan and its sheet for the dock
    Plan(PlanArgs),
    /// Keep loads in a ledger: open, record trays, show, close
    Load(LoadCommand),
    /// Verify, export, import the ledger
    Ledger(LedgerCommand),
    /// Review, correct and agree on photographs in the browser
    Workbench(WorkbenchArgs),
    /// Check a contract file
    Terms(TermsCommand),
    /// Balance a load's streams: the split, what was removed, what good fruit was lost
    Streams(StreamsArgs),
    /// Hold two lots against each other
    Compare(CompareArgs),
    /// Say what a sorter would do to a lot by a rule
    WhatIf(WhatIfArgs),
    /// Make the agreement sheet that grower and winery sign, or check one
    Sheet(SheetCommand),
    /// Put all loads side by side: shares, trend, sorter, precision, outlying loads
    Season(SeasonArgs),
    /// Compare the program with trays sorted by hand
    Validate(ValidateArgs),
    /// Print a completion script for a shell
    Completions(CompletionsArgs),
    /// Write the manual pages into a folder
    Man(ManArgs),
}

/// Measures every object on each photographed tray, judges it, and reports the shares of each
/// class by count, by silhouette area and by estimated mass.
///
/// Photographs are grouped by the load and lot on their printed slips; different lots are never
/// pooled. A photograph that cannot be used is named and left out; the rest go on.
#[derive(Debug, Args)]
#[command(after_help = "Examples:\n  \
    acinus assess tray1.jpg tray2.jpg --out out\n      \
        two trays; open out/report.html afterwards\n  \
    acinus assess photos/ --out out --load-tonnes 12.5\n      \
        every picture in a folder, with the sorting loss of a load of 12.5 t\n  \
    acinus assess old.jpg --out out --tray 330x250\n      \
        a photograph without printed tiles, on a tray whose floor is 330 by 250 mm\n  \
    acinus assess tray1.jpg --out out --format json | jq '.lots[0].rejects.by_mass'\n      \
        figures for another program")]
pub struct AssessArgs {
    /// Photographs (JPEG, PNG or TIFF), or folders: a folder stands for every picture directly in
    /// it, in order of name
    #[arg(required = true, value_name = "PHOTO")]
    pub photos: Vec<PathBuf>,

    /// Folder for the outputs; made if missing
    #[arg(long, value_name = "DIR")]
    pub out: PathBuf,

    /// Which outputs to write
    #[arg(
        long,
        value_name = "LIST",
        value_enum,
        value_delimiter = ',',
        default_value = "csv,json,overlay,report"
    )]
    pub write: Vec<Output>,

    /// Also write the label picture (16-bit PNG, one number an object)
    #[arg(long)]
    pub labels: bool,

    /// What to print: a table to read, or one JSON document
    #[arg(long, value_enum, default_value_t = Format::Text)]
    pub format: Format,

    #[command(flatten)]
    #[allow(missing_docs)]
    pub reading: ReadingArgs,

    #[command(flatten)]
    #[allow(missing_docs)]
    pub load: LoadArgs,

    #[command(flatten)]
    #[allow(missing_docs)]
    pub machine: MachineArgs,

    /// Measure photographs that fail the checks all the same; the results are marked
    #[arg(long)]
    pub force: bool,
}

/// How photographs are to be read.
#[derive(Debug, Clone, Args)]
#[command(next_help_heading = "Reading")]
pub struct ReadingArgs {
    /// Inner size of the tray floor in mm, width by height, when the photograph shows no printed
    /// tiles: the floor's edges then give the scale
    #[arg(long, value_name = "330x250", value_parser = tray_size, conflicts_with = "px_per_mm")]
    pub tray: Option<[f64; 2]>,

    /// Scale in pixels per millimetre at the tray floor, when there are neither tiles nor a
    /// visible floor edge; tilt is then not corrected
    #[arg(long, value_name = "N", value_parser = number(0.5, 200.0))]
    pub px_per_mm: Option<f64>,

    /// Height of the lens above the tray floor in mm, as measured; overrides what the file's focal
    /// length says
    #[arg(long, value_name = "MM", value_parser = number(50.0, 5000.0))]
    pub camera_height: Option<f64>,

    /// Measured colours of the slip's grey patches (docs/photographs.md shows the file); taken as
    /// neutral when left out
    #[arg(long, value_name = "FILE")]
    pub patches: Option<PathBuf>,

    /// Skin colour of the fruit; found by itself when left out
    #[arg(long, value_enum)]
    pub fruit: Option<Fruit>,

    /// Profile to judge with, as written by `acinus train`; the built-in one when left out
    #[arg(long, value_name = "FILE")]
    pub profile: Option<PathBuf>,
}

/// What is known of the load.
#[derive(Debug, Clone, Args)]
#[command(next_help_heading = "Load")]
pub struct LoadArgs {
    /// Take all photographs without a slip as trays of one load (otherwise each stands alone)
    #[arg(long)]
    pub one_load: bool,

    /// Mass of the load in tonnes: adds the estimated sorting loss in kilograms
    #[arg(long, value_name = "T", value_parser = number(0.001, 1000.0))]
    pub load_tonnes: Option<f64>,

    /// Share of the rejects' mass that the sorter takes out, 0 to 1 [default: 0.8]
    #[arg(long, value_name = "R", value_parser = number(0.0, 1.0), requires = "load_tonnes")]
    pub removal_rate: Option<f64>,

    /// Share of the sound fruit's mass that goes out with the rejects, 0 to 1 [default: 0.02]
    #[arg(long, value_name = "F", value_parser = number(0.0, 1.0), requires = "load_tonnes")]
    pub false_reject_rate: Option<f64>,
}

/// How the machine is used.
#[derive(Debug, Clone, Args)]
#[command(next_help_heading = "Machine")]
pub struct MachineArgs {
    /// Say how long each stage took (also in NAME.json, which then differs from run to run)
    #[arg(long)]
    pub timings: bool,

    /// Processor cores to use; all when left out
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=256))]
    pub threads: Option<u16>,
}

/// Looks for what would mislead: blur, darkness, clipped highlights, a missing mark, a cropped
/// tray, too few pixels. Each finding comes with its number, its limit and what to do.
#[derive(Debug, Args)]
#[command(after_help = "Example, before the tray is emptied:\n  acinus check tray1.jpg")]
pub struct CheckArgs {
    /// Photographs or folders of photographs
    #[arg(required = true, value_name = "PHOTO")]
    pub photos: Vec<PathBuf>,

    /// What to print
    #[arg(long, value_enum, default_value_t = Format::Text)]
    pub format: Format,

    #[command(flatten)]
    #[allow(missing_docs)]
    pub reading: ReadingArgs,

    #[command(flatten)]
    #[allow(missing_docs)]
    pub machine: MachineArgs,
}

/// Makes a page with the four paper tiles for a tray, at true size: cut lines, a ruler to check the
/// printer, and how to lay them. Print it at 100 % and measure the ruler before you cut.
///
/// Each tile tells its own place on the tray's floor, so the sheet is right for trays of this size
/// only.
#[derive(Debug, Args)]
#[command(after_help = "Examples:\n  \
    acinus marks --tray 330x250 --out marks.pdf\n      \
        tiles for a tray whose floor is 330 by 250 mm inside the walls\n  \
    acinus marks --tray 330x250 --out marks.svg --paper letter\n      \
        the same as a drawing, on US Letter")]
pub struct MarksArgs {
    /// Inner size of the tray floor in mm, width by height
    #[arg(long, value_name = "330x250", value_parser = tray_size)]
    pub tray: [f64; 2],

    /// File to write; its ending, .pdf or .svg, says which
    #[arg(long, value_name = "FILE")]
    pub out: PathBuf,

    /// Size of the sheet
    #[arg(long, value_enum, default_value_t = Paper::A4)]
    pub paper: Paper,
}

/// Makes pages of load slips, one slip for each tray. A slip lies in the tray and is photographed
/// with it: it carries the names by which photographs are grouped, and six grey patches that check
/// the colours.
///
/// Names hold A to Z, 0 to 9 and -, in upper case. Usual lots are UNSORTED, SORTED and WASTE.
#[derive(Debug, Args)]
#[command(after_help = "Examples:\n  \
    acinus slip HV-0417 UNSORTED --trays 5 --out slips.pdf\n      \
        slips for trays 1 to 5 of the lot UNSORTED of load HV-0417\n  \
    acinus slip HV-0417 UNSORTED --trays 6-8 --out more.pdf\n      \
        three more trays of the same lot")]
pub struct SlipArgs {
    /// Name of the load, as in HV-0417
    #[arg(value_name = "LOAD")]
    pub load: String,

    /// Name of the lot, as in UNSORTED
    #[arg(value_name = "LOT")]
    pub lot: String,

    /// How many trays, or which: 5 stands for 1-5
    #[arg(long, value_name = "N", value_parser = trays)]
    pub trays: RangeInclusive<u32>,

    /// File to write; its ending, .pdf or .svg, says which
    #[arg(long, value_name = "FILE", default_value = "slips.pdf")]
    pub out: PathBuf,

    /// Size of the sheet
    #[arg(long, value_enum, default_value_t = Paper::A4)]
    pub paper: Paper,
}

/// Reads photographs and holds each reading against the truth beside it: NAME.json and
/// NAME.ids.png (docs/accuracy.md describes both). Prints how many objects were found, how well
/// their outlines fit, how many classes are right and how far the shares are off.
#[derive(Debug, Args)]
#[command(after_help = "Example:\n  acinus score sample-images")]
pub struct ScoreArgs {
    /// Folders (or photographs) with truth beside each photograph
    #[arg(required = true, value_name = "PHOTO_DIR")]
    pub photos: Vec<PathBuf>,

    /// What to print
    #[arg(long, value_enum, default_value_t = Format::Text)]
    pub format: Format,

    #[command(flatten)]
    #[allow(missing_docs)]
    pub reading: ReadingArgs,

    #[command(flatten)]
    #[allow(missing_docs)]
    pub machine: MachineArgs,
}

/// Teaches a profile from photographs with truth beside them and writes it. With
/// --cross-validate, first reads every photograph with a profile that was not taught from it, and
/// prints how well that went.
#[derive(Debug, Args)]
#[command(after_help = "Example:\n  \
    acinus train sample-images --out my-profile.json --cross-validate 4\n  \
    acinus assess tray1.jpg --out out --profile my-profile.json")]
pub struct TrainArgs {
    /// Folders (or photographs) with truth beside each photograph
    #[arg(required = true, value_name = "PHOTO_DIR")]
    pub photos: Vec<PathBuf>,

    /// File for the profile
    #[arg(long, value_name = "FILE")]
    pub out: PathBuf,

    /// Name that reports give the profile; without it, that of the file
    #[arg(long, value_name = "NAME")]
    pub name: Option<String>,

    /// Deal the photographs into so many groups and read each group with a profile taught from
    /// the others; a number as large as that of the photographs leaves one out at a time
    #[arg(long, value_name = "GROUPS")]
    pub cross_validate: Option<usize>,

    #[command(flatten)]
    #[allow(missing_docs)]
    pub machine: MachineArgs,
}

/// Prints a completion script.
#[derive(Debug, Args)]
#[command(
    after_help = "Example, for bash:\n  acinus completions bash > ~/.local/share/bash-completion/completions/acinus"
)]
pub struct CompletionsArgs {
    /// Which shell
    #[arg(value_enum)]
    pub shell: clap_complete::Shell,
}

/// Writes one manual page a command.
#[derive(Debug, Args)]
#[command(after_help = "Example:\n  acinus man ~/.local/share/man/man1")]
pub struct ManArgs {
    /// Folder; made if missing
    #[arg(value_name = "DIR")]
    pub dir: PathBuf,
}

/// An output of `assess`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Output {
    /// NAME.objects.csv, one row an object
    Csv,
    /// NAME.json, everything
    Json,
    /// NAME.labels.png, 16-bit, one number an object
    Labels,
    /// NAME.overlay.jpg, the photograph with outlines
    Overlay,
    /// report.html, one page over all photographs
    Report,
}

/// What is printed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Format {
    /// A table to read
    Text,
    /// One JSON document
    Json,
}

/// Size of a printed sheet.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Paper {
    /// 210 x 297 mm
    A4,
    /// 8.5 x 11 inches
    Letter,
}

/// Skin colour of the fruit.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Fruit {
    /// Black-skinned (blue, purple)
    Black,
    /// White-skinned (green, yellow)
    White,
}

/// `WIDTHxHEIGHT` in millimetres.
fn tray_size(text: &str) -> Result<[f64; 2], String> {
    let how = "give the inner width and height in mm, as in 330x250";
    let (w, h) = text.split_once(['x', 'X', '×']).ok_or(how)?;
    let side = |t: &str| match t.trim().parse::<f64>() {
        Ok(mm) if (50.0..=2000.0).contains(&mm) => Ok(mm),
        Ok(_) => {
            Err(format!("{} mm is not a tray's side (50 to 2000 mm); {how}", short(t.trim(), 12)))
        }
        Err(_) => Err(how.to_owned()),
    };
    Ok([side(w)?, side(h)?])
}

/// `5` (1 to 5) or `6-8`.
fn trays(text: &str) -> Result<RangeInclusive<u32>, String> {
    let number = |t: &str| {
        t.trim().parse::<u32>().map_err(|_| "give a number of trays, as in 5, or which, as in 6-8")
    };
    match text.split_once('-') {
        None => Ok(1..=number(text)?),
        Some((first, last)) => Ok(number(first)?..=number(last)?),
    }
}

/// A number from `low` to `high`.
pub fn number(low: f64, high: f64) -> impl Fn(&str) -> Result<f64, String> + Clone + Send + Sync {
    move |text| match text.trim().parse::<f64>() {
        Ok(v) if (low..=high).contains(&v) => Ok(v),
        _ => Err(format!("give a number from {low} to {high}")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use clap::CommandFactory as _;

    #[test]
    fn definitions_are_consistent() {
        Cli::command().debug_assert();
    }

    #[test]
    fn tray_sizes() {
        assert_eq!(tray_size("330x250"), Ok([330.0, 250.0]));
        assert_eq!(tray_size("330.5 × 250"), Ok([330.5, 250.0]));
        for wrong in ["330", "x", "330x", "33x25", "NaNx250", "infx250", "-330x250"] {
            assert!(tray_size(wrong).is_err(), "{wrong}");
        }
    }

    #[test]
    fn tray_numbers() {
        assert_eq!(trays("5"), Ok(1..=5));
        assert_eq!(trays("6-8"), Ok(6..=8));
        for wrong in ["", "-5", "five", "1-", "1-2-3", "1.5"] {
            assert!(trays(wrong).is_err(), "{wrong}");
        }
    }

    #[test]
    fn numbers_outside_their_range_are_refused() {
        let rate = number(0.0, 1.0);
        assert_eq!(rate("0.8"), Ok(0.8));
        for wrong in ["1.1", "-0.1", "NaN", "eight", ""] {
            assert!(rate(wrong).is_err(), "{wrong}");
        }
    }

    #[test]
    fn every_command_has_an_example() {
        fn look(command: &clap::Command) {
            for own in command.get_subcommands().filter(|c| c.get_name() != "help") {
                let help = own.get_after_help().map(ToString::to_string).unwrap_or_default();
                assert!(help.contains("acinus "), "{} has no example", own.get_name());
                look(own);
            }
        }
        look(&Cli::command());
    }
}
