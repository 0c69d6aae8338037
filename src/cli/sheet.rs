//! `acinus sheet`.

use acinus::given;
use acinus::ledger::Signed;
use acinus::report::json;
use acinus::sheet::verify::{State, Verified, verify};
use acinus::sheet::{self, Settings, words};
use serde::Serialize;

use super::flags::Format;
use super::ledger_flags::LedgerArgs;
use super::load::{open, who};
use super::print_sheets::paper;
use super::sheet_flags::{
    Dates, Numbers, SheetCommand, SheetMakeArgs, SheetVerb, SheetVerifyArgs, Units,
};
use super::{Ending, Error, print, print_text};

/// Makes or checks a sheet.
pub fn run(args: &SheetCommand) -> Result<Ending, Error> {
    match &args.verb {
        Some(SheetVerb::Verify(args)) => check(args),
        None => make(&args.make),
    }
}

fn settings(args: &SheetMakeArgs) -> Settings {
    Settings {
        paper: paper(args.paper),
        units: match args.units {
            Units::Metric => words::Units::Metric,
            Units::Us => words::Units::Us,
        },
        numbers: match args.numbers {
            Numbers::Point => words::Numbers::Point,
            Numbers::Comma => words::Numbers::Comma,
        },
        dates: match args.dates {
            Dates::Iso => words::Dates::Iso,
            Dates::DayFirst => words::Dates::DayFirst,
            Dates::MonthFirst => words::Dates::MonthFirst,
        },
    }
}

#[derive(Serialize)]
struct Issued<'a> {
    file: String,
    load: &'a str,
    issued: Option<u64>,
    sha256: &'a str,
    entries: u64,
    head: &'a str,
}

fn make(args: &SheetMakeArgs) -> Result<Ending, Error> {
    let (Some(load), Some(out)) = (&args.load, &args.out) else {
        return Err(Error::Usage("name the load, and the file with --out".into()));
    };
    let who = who(&args.say)?;
    let mut ledger = open(&args.say.ledger)?;
    let made = sheet::make(&ledger, load, &settings(args))?;
    super::write(out, &made.pdf)?;
    let by = Signed { who: &who, why: args.say.why.as_deref() };
    let stamp = sheet::issue(&mut ledger, load, &made, by)?;
    let issued = Issued {
        file: out.display().to_string(),
        load,
        issued: stamp.map(|s| s.entry),
        sha256: &made.sha256,
        entries: made.entries,
        head: &made.head,
    };
    match args.say.format {
        Format::Json => print(&json::to_bytes(&issued)?)?,
        Format::Text => print(
            format!(
                "{}: {} of {} as of entry {}, SHA-256 {}{}\n",
                issued.file,
                if issued.issued.is_some() { "the sheet" } else { "a DRAFT" },
                issued.load,
                issued.entries,
                issued.sha256,
                issued.issued.map_or(String::new(), |n| format!(" (issued in entry {n})"))
            )
            .as_bytes(),
        )?,
    }
    Ok(Ending::AllDone)
}

fn check(args: &SheetVerifyArgs) -> Result<Ending, Error> {
    let pdf = given::read(&args.file, given::Kind::Sheet)
        .map_err(|e| Error::Failed(format!("{}: cannot be read: {e}", args.file.display())))?;
    let named = args.named_ledger.clone().or_else(|| args.ledger.ledger.clone());
    let ledger = open(&LedgerArgs { ledger: named })?;
    let found = verify(&pdf, &ledger)
        .map_err(|e| Error::Failed(format!("{}: {e}", args.file.display())))?;
    match args.format {
        Format::Json => print(&json::to_bytes(&found)?)?,
        Format::Text => print_text(&told(args, &found))?,
    }
    Ok(if found.holds() { Ending::AllDone } else { Ending::SomeLeftOut })
}

fn told(args: &SheetVerifyArgs, found: &Verified) -> String {
    let mut out = format!(
        "{}: the sheet of {}\n",
        given::one_line(&args.file.to_string_lossy()),
        given::one_line(&found.load)
    );
    for c in &found.checked {
        let word = match c.state {
            State::Holds => "holds",
            State::Fails => "FAILS",
            State::NotTold => "not told",
        };
        out.push_str(&format!("  {word:<9}{}\n", c.words));
    }
    out.push_str(match found.holds() {
        true => "Nothing that was checked fails.\n",
        false => "THE SHEET DOES NOT HOLD.\n",
    });
    out
}
