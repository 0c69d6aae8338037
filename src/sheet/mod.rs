//! The agreement sheet of a load: a PDF that grower and winery sign, with every figure inside it for
//! programs, and the check of such a sheet against the ledger and the photographs.
//!
//! [`figures`] is what a program reads, [`words`] how a reader wants numbers written, [`page`] the two
//! put together for the template (`src/assets/print/sheet.typ`), [`verify`] the way back. What is
//! stated is the ledger as of one entry; nothing depends on the clock, so the same load gives the
//! same bytes.

pub mod figures;
mod page;
mod pictures;
pub mod verify;
pub mod words;

use std::path::PathBuf;

use crate::dossier::{self, Dossier};
use crate::ledger::archive::sha256_hex;
use crate::ledger::event::{Event, SheetIssued};
use crate::ledger::record::{LoadRecord, Stamp};
use crate::ledger::{Ledger, LedgerError, Signed, canonical, seed_of};
use crate::print::{PrintError, typeset};
use crate::report;
use figures::Figures;
pub use words::Settings;

/// Most pages of a sheet.
pub const MOST_PAGES: usize = 3;
/// Name of the attached file.
pub const ATTACHMENT: &str = "acinus-sheet.json";

/// Why there is no sheet.
#[derive(Debug, thiserror::Error)]
pub enum SheetError {
    /// The ledger did not do it.
    #[error(transparent)]
    Ledger(#[from] LedgerError),
    /// The page could not be set.
    #[error(transparent)]
    Print(#[from] PrintError),
    /// A picture could not be drawn.
    #[error(transparent)]
    Report(#[from] report::Error),
    /// A kept file is not there.
    #[error(
        "{name} {why} in {}: a sheet shows it; put the file back (`acinus ledger verify` names it), or copy the archive's folder from the other party", folder.display()
    )]
    Kept {
        /// The photograph, or its outlines.
        name: String,
        /// `is missing` or `was changed`.
        why: &'static str,
        /// The archive.
        folder: PathBuf,
    },
    /// A kept file cannot be shown.
    #[error("{name} cannot be shown on the sheet: {why}")]
    Picture {
        /// The photograph.
        name: String,
        /// Why.
        why: String,
    },
    /// The figures of the close are not this program's.
    #[error(
        "load {load} was closed with other figures than this version of the program works out: make the sheet with the version that closed it"
    )]
    OtherVersion {
        /// The load.
        load: String,
    },
    /// Too much to say.
    #[error(
        "the sheet of {load} takes {pages} pages where {MOST_PAGES} are allowed; please report this"
    )]
    TooLong {
        /// The load.
        load: String,
        /// Pages it takes.
        pages: usize,
    },
    /// The figures could not be written.
    #[error("the figures of {load} cannot be written as JSON: {why}")]
    Json {
        /// The load.
        load: String,
        /// Why.
        why: String,
    },
}

/// A sheet.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Made {
    /// The PDF.
    pub pdf: Vec<u8>,
    /// Its SHA-256.
    pub sha256: String,
    /// Number of the ledger's entry as of which it speaks.
    pub entries: u64,
    /// Hash of that entry.
    pub head: String,
    /// Whether the load was closed by then; else the sheet is a draft.
    pub closed: bool,
}

/// All that a sheet is made of.
struct Source<'a> {
    ledger: &'a Ledger,
    record: LoadRecord,
    dossier: Dossier,
    /// The entry as of which it speaks.
    basis: Stamp,
    head: String,
}

impl<'a> Source<'a> {
    fn of(ledger: &'a Ledger, load: &str) -> Result<Source<'a>, SheetError> {
        let record = ledger.load(load)?;
        let dossier = dossier::of_load(ledger, load)?;
        let last = match &record.closed {
            Some(closed) => closed.entry,
            None => ledger.last_bearing_on(load)?.unwrap_or(record.opened.entry),
        };
        let entry = ledger.entry(last)?.ok_or(LedgerError::Entry {
            entry: last,
            fault: crate::ledger::chain::EntryFault::Broken,
        })?;
        let head = entry.hash.clone();
        let basis = Stamp { entry: entry.seq, at: entry.at, who: entry.who, why: entry.why };
        let source = Source { ledger, record, dossier, basis, head };
        if let Some(closed) = &source.record.verdict {
            let json = |why: String| SheetError::Json { load: load.to_owned(), why };
            let now = source.dossier.recordable().map_err(|e| json(e.to_string()))?;
            let now = canonical::canonical(&now).map_err(|e| json(e.to_string()))?;
            if now != *closed {
                return Err(SheetError::OtherVersion { load: load.to_owned() });
            }
        }
        Ok(source)
    }
}

/// Makes the sheet of a load: of its close, or of the present state of an open one, then marked as a
/// draft. The workbench and the command line both call this.
///
/// # Errors
/// [`SheetError`] when there is no such load, a kept photograph is missing or changed, or the load was
/// closed with figures of another version.
pub fn make(ledger: &Ledger, load: &str, settings: &Settings) -> Result<Made, SheetError> {
    let source = Source::of(ledger, load)?;
    let figures = Figures::of(&source, settings)?;
    let json = |why: String| SheetError::Json { load: load.to_owned(), why };
    let attachment = report::json::to_bytes(&figures)?;
    let seed = seed_of(&crate::ledger::chain::Head {
        entries: source.basis.entry,
        hash: source.head.clone(),
    });
    let seen = pictures::seen(ledger, &source.record, seed)?;
    let mut files: Vec<(String, typeset::Bytes)> =
        vec![(ATTACHMENT.to_owned(), typeset::Bytes::new(attachment))];
    let shown = page::Shown { trays: seen.trays, crops: seen.crops, classes: seen.classes };
    files.extend(seen.files.into_iter().map(|f| (f.file, typeset::Bytes::new(f.bytes))));
    let date = instant(&source.basis.at)
        .ok_or_else(|| json(format!("entry {} has no date", source.basis.entry)))?;
    let mut pages = 0;
    for detail in page::DETAILS {
        let data = page::page(&source, &figures, settings, &shown, detail)?;
        let set = typeset::set_with(&typeset::SHEET, &data, &files)?;
        pages = set.pages();
        if pages <= MOST_PAGES {
            let ident = format!("{load} {}", source.head);
            let pdf = set.archival_pdf(&ident, date)?;
            let sha256 = sha256_hex(&pdf);
            let (entries, head) = (source.basis.entry, source.head);
            let closed = source.record.closed.is_some();
            return Ok(Made { pdf, sha256, entries, head, closed });
        }
    }
    Err(SheetError::TooLong { load: load.to_owned(), pages })
}

/// Tells the ledger that a sheet was issued: who said so, or who did before. None for a draft, which
/// is nobody's agreement.
///
/// # Errors
/// [`LedgerError`] when the ledger cannot be written.
pub fn issue(
    ledger: &mut Ledger,
    load: &str,
    made: &Made,
    by: Signed<'_>,
) -> Result<Option<Stamp>, LedgerError> {
    if !made.closed {
        return Ok(None);
    }
    if let Some(before) = ledger.sheet(&made.sha256)? {
        return Ok(Some(before));
    }
    let issued = SheetIssued {
        load: load.to_owned(),
        sha256: made.sha256.clone(),
        bytes: made.pdf.len() as u64,
        as_of: made.entries,
        head: made.head.clone(),
    };
    ledger.say_one(Event::SheetIssued(issued), by)?;
    ledger.sheet(&made.sha256)
}

/// Year, month, day, hour, minute, second of the ledger's own times.
fn instant(at: &str) -> Option<[u32; 6]> {
    let mut parts = at.trim_end_matches('Z').split(['-', 'T', ':']).map(|p| p.parse().ok());
    let mut next = || parts.next().flatten();
    Some([next()?, next()?, next()?, next()?, next()?, next()?])
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_ledgers_times_are_read() {
        assert_eq!(instant("2026-09-18T07:42:10Z"), Some([2026, 9, 18, 7, 42, 10]));
        for wrong in ["", "2026-09-18", "2026-09-18T07:42Z", "now"] {
            assert_eq!(instant(wrong), None, "{wrong}");
        }
    }
}
