//! Flags of `streams`, `compare` and `what-if`.

use std::path::PathBuf;

use clap::{Args, ValueEnum};

use super::flags::{Format, MachineArgs, ReadingArgs, number};
use super::ledger_flags::LedgerArgs;

/// Balances the unsorted, sorted and waste lots of one load (any two at least): the split, each
/// class's share in each stream, what was removed, what slipped through and what sound fruit was
/// lost, with intervals, and whether the lots can belong together.
///
/// Photographs are grouped by the lot on their slips (UNSORTED, SORTED, WASTE), or said by flag.
#[derive(Debug, Args)]
#[command(after_help = "Examples:\n  \
    acinus streams photos/ --out out\n      \
        lots by their slips; plots and a page in out/\n  \
    acinus streams --unsorted a1.jpg a2.jpg --waste w1.jpg w2.jpg --unsorted-kg 9800 --waste-kg 840\n      \
        two lots and two weights\n  \
    acinus streams --load HV-0417 --format json\n      \
        the lots of a load in the ledger")]
pub struct StreamsArgs {
    /// Photographs or folders; the slips say which lot each belongs to
    #[arg(value_name = "PHOTO")]
    pub photos: Vec<PathBuf>,

    /// Photographs of the unsorted lot, whatever their slips say
    #[arg(long, value_name = "PHOTO", num_args = 1..)]
    pub unsorted: Vec<PathBuf>,

    /// Photographs of the sorted lot
    #[arg(long, value_name = "PHOTO", num_args = 1..)]
    pub sorted: Vec<PathBuf>,

    /// Photographs of the waste lot
    #[arg(long, value_name = "PHOTO", num_args = 1..)]
    pub waste: Vec<PathBuf>,

    /// A load in the ledger, instead of photographs
    #[arg(long, value_name = "LOAD", conflicts_with_all = ["photos", "unsorted", "sorted", "waste"])]
    pub load: Option<String>,

    /// Weighed feed, kg
    #[arg(long, value_name = "KG", value_parser = number(0.001, 1e9))]
    pub unsorted_kg: Option<f64>,

    /// Weighed sorted fruit, kg
    #[arg(long, value_name = "KG", value_parser = number(0.001, 1e9))]
    pub sorted_kg: Option<f64>,

    /// Weighed waste, kg
    #[arg(long, value_name = "KG", value_parser = number(0.001, 1e9))]
    pub waste_kg: Option<f64>,

    /// Juice that ran off, weighed alone, kg
    #[arg(long, value_name = "KG", value_parser = number(0.0, 1e9))]
    pub juice_kg: Option<f64>,

    /// How well totals are weighed: one standard deviation, percent [default: 0.5]
    #[arg(long, value_name = "PERCENT", value_parser = number(0.001, 50.0))]
    pub weighing_sd: Option<f64>,

    /// Price of a tonne: adds money
    #[arg(long, value_name = "PRICE", value_parser = number(0.01, 1e9))]
    pub price_per_tonne: Option<f64>,

    /// Folder for streams.html and the plots; made if missing
    #[arg(long, value_name = "DIR")]
    pub out: Option<PathBuf>,

    #[command(flatten)]
    #[allow(missing_docs)]
    pub common: CommonArgs,
}

/// Holds two lots against each other: the difference of each class's share with its interval, tests
/// with the four classes' multiplicity counted in, and a sentence each.
#[derive(Debug, Args)]
#[command(after_help = "Examples:\n  \
    acinus compare --first u1.jpg u2.jpg --second s1.jpg s2.jpg\n  \
    acinus compare --load HV-0417 --lots UNSORTED,SORTED --by mass")]
pub struct CompareArgs {
    /// Photographs of the first lot
    #[arg(long, value_name = "PHOTO", num_args = 1..)]
    pub first: Vec<PathBuf>,

    /// Photographs of the second lot
    #[arg(long, value_name = "PHOTO", num_args = 1..)]
    pub second: Vec<PathBuf>,

    /// A load in the ledger, instead of photographs
    #[arg(long, value_name = "LOAD", conflicts_with_all = ["first", "second"])]
    pub load: Option<String>,

    /// Which two of its lots
    #[arg(long, value_name = "A,B", value_delimiter = ',', default_value = "UNSORTED,SORTED")]
    pub lots: Vec<String>,

    /// What shares are shares of
    #[arg(long, value_enum, default_value_t = By::Mass)]
    pub by: By,

    #[command(flatten)]
    #[allow(missing_docs)]
    pub common: CommonArgs,
}

/// Says what a sorter would do to a measured lot by a rule: what is removed, what sound fruit is
/// lost, the curve between them, delays and puffs, neighbours blown out, and money.
///
/// Planning estimates: check them with a tray from the waste stream. Lock out the machine before
/// reaching in; the maker's manual and local safety rules govern.
#[derive(Debug, Args)]
#[command(after_help = "Examples:\n  \
    acinus what-if u1.jpg u2.jpg u3.jpg --reject-probability 0.5\n  \
    acinus what-if u1.jpg --min-diameter 9 --throughput 6 --belt-speed 2.5 --terms house.toml\n  \
    acinus what-if --load HV-0417 --reject-probability 0.7 --format json")]
pub struct WhatIfArgs {
    /// Photographs of one unsorted lot
    #[arg(value_name = "PHOTO")]
    pub photos: Vec<PathBuf>,

    /// A load in the ledger, instead of photographs
    #[arg(long, value_name = "LOAD", conflicts_with = "photos")]
    pub load: Option<String>,

    /// Which of its lots
    #[arg(long, value_name = "LOT", default_value = "UNSORTED", requires = "load")]
    pub lot: String,

    #[command(flatten)]
    #[allow(missing_docs)]
    pub rule: RuleArgs,

    #[command(flatten)]
    #[allow(missing_docs)]
    pub sorter: SorterArgs,

    /// Contract file: says whether sorting pays
    #[arg(long, value_name = "FILE")]
    pub terms: Option<PathBuf>,

    /// Folder for the curve's picture and, from photographs, one picture each with what is blown
    /// out ringed; made if missing
    #[arg(long, value_name = "DIR")]
    pub out: Option<PathBuf>,

    #[command(flatten)]
    #[allow(missing_docs)]
    pub common: CommonArgs,
}

/// What is blown out: whatever any of these says.
#[derive(Debug, Args)]
#[command(next_help_heading = "Rule")]
pub struct RuleArgs {
    /// From this probability of being no sound berry on [default: 0.5 when no rule is given]
    #[arg(long, value_name = "P", value_parser = number(0.0, 1.0))]
    pub reject_probability: Option<f64>,
    /// From this probability of being shriveled on
    #[arg(long, value_name = "P", value_parser = number(0.0, 1.0))]
    pub shriveled: Option<f64>,
    /// From this probability of being underripe on
    #[arg(long, value_name = "P", value_parser = number(0.0, 1.0))]
    pub underripe: Option<f64>,
    /// From this probability of being debris on
    #[arg(long, value_name = "P", value_parser = number(0.0, 1.0))]
    pub debris: Option<f64>,
    /// Smaller than this, mm
    #[arg(long, value_name = "MM", value_parser = number(0.0, 100.0))]
    pub min_diameter: Option<f64>,
    /// More wrinkled than this, percent
    #[arg(long, value_name = "W", value_parser = number(0.0, 1000.0))]
    pub max_wrinkle: Option<f64>,
    /// Lighter than this L*
    #[arg(long, value_name = "L", value_parser = number(0.0, 100.0))]
    pub max_lightness: Option<f64>,
    /// Greener than this a*
    #[arg(long, value_name = "A", value_parser = number(-128.0, 128.0), allow_hyphen_values = true)]
    pub min_a: Option<f64>,
    /// Yellower than this b*
    #[arg(long, value_name = "B", value_parser = number(-128.0, 128.0), allow_hyphen_values = true)]
    pub max_b: Option<f64>,
    /// A greater share of green than this, 0 to 1
    #[arg(long, value_name = "S", value_parser = number(0.0, 1.0))]
    pub max_green: Option<f64>,
}

/// The machine.
#[derive(Debug, Args)]
#[command(next_help_heading = "Sorter (the defaults are an invented machine)")]
pub struct SorterArgs {
    /// Belt speed, m/s [default: 3]
    #[arg(long, value_name = "V", value_parser = number(0.1, 20.0))]
    pub belt_speed: Option<f64>,
    /// Throughput, t/h [default: 4]
    #[arg(long, value_name = "T", value_parser = number(0.01, 200.0))]
    pub throughput: Option<f64>,
    /// Belt width, m [default: 1]
    #[arg(long, value_name = "M", value_parser = number(0.05, 5.0))]
    pub belt_width: Option<f64>,
    /// Fall from the belt's edge to the camera's line, mm [default: 50]
    #[arg(long, value_name = "MM", value_parser = number(0.0, 2000.0))]
    pub camera_fall: Option<f64>,
    /// Fall from the belt's edge to the jets' line, mm [default: 200]
    #[arg(long, value_name = "MM", value_parser = number(1.0, 3000.0))]
    pub jet_fall: Option<f64>,
    /// Distance of the jets, mm [default: 5]
    #[arg(long, value_name = "MM", value_parser = number(0.5, 100.0))]
    pub jet_pitch: Option<f64>,
    /// How long a jet stays open, ms [default: 10]
    #[arg(long, value_name = "MS", value_parser = number(0.1, 500.0))]
    pub open_time: Option<f64>,
    /// Scatter of the fruit's speed at the edge, m/s [default: 0.05]
    #[arg(long, value_name = "SD", value_parser = number(0.0, 5.0))]
    pub speed_scatter: Option<f64>,
    /// Most sound fruit that may go as neighbours, percent [default: 2]
    #[arg(long, value_name = "PERCENT", value_parser = number(0.01, 99.0))]
    pub neighbour_limit: Option<f64>,
    /// Mean number of berries that lie together; 1: no clumps [default: 1]
    #[arg(long, value_name = "N", value_parser = number(1.0, 20.0))]
    pub clump: Option<f64>,
    /// Count neighbours by Poisson's formula alone: quicker, and mostly too many
    #[arg(long)]
    pub poisson: bool,
}

/// Flags of all three.
#[derive(Debug, Args)]
pub struct CommonArgs {
    /// What to print
    #[arg(long, value_enum, default_value_t = Format::Text)]
    pub format: Format,

    /// Measure photographs that fail the checks all the same
    #[arg(long)]
    pub force: bool,

    #[command(flatten)]
    #[allow(missing_docs)]
    pub reading: ReadingArgs,

    #[command(flatten)]
    #[allow(missing_docs)]
    pub ledger: LedgerArgs,

    #[command(flatten)]
    #[allow(missing_docs)]
    pub machine: MachineArgs,
}

/// What shares are shares of.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum By {
    /// Objects
    Count,
    /// Silhouette area
    Area,
    /// Estimated mass
    Mass,
}
