//! `acinus terms`.

use std::path::Path;

use acinus::given;
use acinus::report::json;
use acinus::terms::{self, Terms};
use serde::Serialize;

use super::flags::Format;
use super::ledger_flags::{TermsCheckArgs, TermsVerb};
use super::{Ending, Error, print, print_text};

/// Runs one verb.
pub fn run(verb: &TermsVerb) -> Result<Ending, Error> {
    match verb {
        TermsVerb::Check(args) => check_file(args),
    }
}

/// The text of a contract file.
pub fn read(file: &Path) -> Result<String, Error> {
    given::read_text(file, given::Kind::Terms)
        .map_err(|e| Error::Usage(format!("{}: cannot be read: {e}", file.display())))
}

/// The contract in a file; every fault in a line of its own.
pub fn check(file: &Path, text: &str) -> Result<Terms, Error> {
    terms::check(text).map_err(|faults| {
        Error::Faults(faults.0.iter().map(|f| format!("{}: {f}", file.display())).collect())
    })
}

#[derive(Serialize)]
struct Checked<'a> {
    terms: &'a Terms,
    remarks: &'a [String],
}

fn check_file(args: &TermsCheckArgs) -> Result<Ending, Error> {
    let text = read(&args.file)?;
    let terms = check(&args.file, &text)?;
    let remarks = terms::remarks(&terms);
    match args.format {
        Format::Json => {
            print(&json::to_bytes(&Checked { terms: &terms, remarks: &remarks })?)?;
        }
        Format::Text => {
            let mut out = format!("{}: \"{}\" can be used\n", args.file.display(), terms.name);
            remarks.iter().for_each(|r| out.push_str(&format!("  {r}\n")));
            print_text(&out)?;
        }
    }
    Ok(Ending::AllDone)
}
