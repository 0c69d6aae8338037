//! The ledger: everything that was said of loads, in the order in which it was said, in one file
//! that both parties can check.
//!
//! What is recorded is an [`event`]; entries of events form a chain of SHA-256 hashes ([`chain`])
//! over a canonical form ([`canonical`]). Nothing is ever overwritten: a correction is a new entry
//! that says who, when and why. Tables for reading follow from the entries and from nothing else.
//! Photographs and outlines lie in an [`archive`] beside the file, under their own hashes, before an
//! entry speaks of them. This module knows nothing of how figures are computed.

pub mod archive;
pub mod canonical;
pub mod chain;
pub mod clock;
pub mod event;
pub mod exchange;
pub mod object;
pub mod record;
pub mod rules;
mod sqlite;
pub mod tables;

use std::path::{Path, PathBuf};

use crate::given::not_written;
use crate::terms::Decimal;
use archive::Archive;
use chain::{Entry, EntryFault, Head};
use clock::Clock;
use event::{Delivery, Event, LoadClosed, LoadOpened, TermsFixed, TrayRecorded};
use record::{
    HandSortRecord, JudgementRecord, LoadRecord, LoadSummary, LookRecord, MassFitRecord, OneTray,
    TaughtRecord,
};
use rules::Facts as _;
pub use rules::Refusal;
use serde::Serialize;
use sqlite::{Books, Missing};
pub use sqlite::{Fault, Verification};

/// This program and its version, as entries name it.
pub const PROGRAM: &str = concat!("acinus ", env!("CARGO_PKG_VERSION"));

/// Why the ledger did not do what it was asked.
#[derive(Debug, thiserror::Error)]
pub enum LedgerError {
    /// There is no ledger.
    #[error("{}: there is no ledger; `acinus load new` begins one, --ledger FILE names another", path.display())]
    NoLedger {
        /// The file.
        path: PathBuf,
    },
    /// The file is something else.
    #[error("{}: this is no ledger; name one with --ledger FILE", path.display())]
    NotALedger {
        /// The file.
        path: PathBuf,
    },
    /// Made by a newer program.
    #[error("{}: a newer program wrote it (version {version} of its tables); use that one", path.display())]
    Newer {
        /// The file.
        path: PathBuf,
        /// Its version.
        version: i64,
    },
    /// Write-ahead logging is not to be had.
    #[error("{}: this disk allows only journal mode {mode:?}; keep the ledger on a local disk", path.display())]
    NoWal {
        /// The file.
        path: PathBuf,
        /// What there is instead.
        mode: String,
    },
    /// The ledger's folder could not be made.
    #[error("{}: the ledger's folder cannot be made: {}", path.display(), not_written(source))]
    Folder {
        /// The folder.
        path: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
    /// No folder for the user's data.
    #[error("no folder for the ledger is known on this system; name a file with --ledger FILE")]
    NoFolder,
    /// The archive could not be written or read.
    #[error("{}: the archive beside the ledger cannot be used: {source}", path.display())]
    Archive {
        /// The file.
        path: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
    /// The engine failed.
    #[error("{}", sql_words(path, source))]
    Sql {
        /// The file.
        path: PathBuf,
        /// What the engine said.
        source: rusqlite::Error,
    },
    /// A rule forbids it.
    #[error(transparent)]
    Refused(#[from] Refusal),
    /// An entry is not what it must be.
    #[error("entry {entry}: {fault}")]
    Entry {
        /// Its number.
        entry: u64,
        /// What is wrong.
        fault: EntryFault,
    },
    /// Entries that do not go on from this ledger.
    #[error(
        "entry {entry} is another here than there: the two ledgers went different ways, and neither can take over the other"
    )]
    Fork {
        /// The first that differs.
        entry: u64,
    },
    /// A file of entries cannot be read.
    #[error("{}: {why}", path.display())]
    Exchange {
        /// The file.
        path: PathBuf,
        /// What is wrong.
        why: String,
    },
}

fn sql_words(path: &Path, source: &rusqlite::Error) -> String {
    let place = if path.as_os_str().is_empty() {
        "the ledger".to_owned()
    } else {
        path.display().to_string()
    };
    match source.sqlite_error_code() {
        Some(rusqlite::ErrorCode::DatabaseBusy | rusqlite::ErrorCode::DatabaseLocked) => {
            format!("{place}: another program has been writing to it for long; try again")
        }
        Some(rusqlite::ErrorCode::DiskFull) => {
            format!(
                "{place}: the disk is full; nothing was recorded; free some space and try again"
            )
        }
        Some(rusqlite::ErrorCode::ReadOnly | rusqlite::ErrorCode::CannotOpen) => {
            format!(
                "{place}: it cannot be opened for writing ({source}); check who may write there"
            )
        }
        Some(rusqlite::ErrorCode::DatabaseCorrupt) => {
            format!(
                "{place}: it is damaged ({source}): go on with a copy of it, or import its last export into a new ledger"
            )
        }
        Some(rusqlite::ErrorCode::NotADatabase) => {
            format!("{place}: this is no ledger; name one with --ledger FILE")
        }
        _ => format!("{place}: it cannot be read or written: {source}"),
    }
}

fn is_busy(error: &rusqlite::Error) -> bool {
    matches!(
        error.sqlite_error_code(),
        Some(rusqlite::ErrorCode::DatabaseBusy | rusqlite::ErrorCode::DatabaseLocked)
    )
}

impl LedgerError {
    /// Names the file where the error does not yet.
    fn at(mut self, file: &Path) -> LedgerError {
        if let LedgerError::Sql { path, .. } | LedgerError::NoWal { path, .. } = &mut self
            && path.as_os_str().is_empty()
        {
            *path = file.to_owned();
        }
        self
    }

    /// Whether the photograph is recorded already, so that a batch can be run again.
    pub fn is_photo_known(&self) -> bool {
        matches!(self, LedgerError::Refused(Refusal::PhotoKnown(_)))
    }
}

/// Who says something, and why where it changes what was said before.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Signed<'a> {
    /// Who.
    pub who: &'a str,
    /// Why.
    pub why: Option<&'a str>,
}

/// What both parties keep of a close: entry count and head hash.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Receipt {
    /// The load.
    pub load: String,
    /// When it was closed.
    pub closed: String,
    /// By whom.
    pub who: String,
    /// Number of entries up to and with the close.
    pub entries: u64,
    /// Hash of the closing entry.
    pub head: String,
}

/// An open ledger.
#[derive(Debug)]
pub struct Ledger {
    books: Books,
    archive: Archive,
    path: PathBuf,
    clock: Clock,
}

impl Ledger {
    /// Opens a ledger, or begins one where the file is missing.
    ///
    /// # Errors
    /// [`LedgerError`] when the file is something else, newer, or cannot be written.
    pub fn open_or_begin(path: &Path) -> Result<Ledger, LedgerError> {
        Ledger::open_with(path, Missing::Begin, clock::now)
    }

    /// Opens a ledger that must be there.
    ///
    /// # Errors
    /// As [`Ledger::open_or_begin`], and when the file is missing.
    pub fn open(path: &Path) -> Result<Ledger, LedgerError> {
        Ledger::open_with(path, Missing::Refuse, clock::now)
    }

    /// The same with a clock of one's own.
    ///
    /// # Errors
    /// As [`Ledger::open_or_begin`].
    pub fn open_or_begin_with_clock(path: &Path, clock: Clock) -> Result<Ledger, LedgerError> {
        Ledger::open_with(path, Missing::Begin, clock)
    }

    fn open_with(path: &Path, missing: Missing, clock: Clock) -> Result<Ledger, LedgerError> {
        let books = Books::open(path, missing, clock)?;
        let archive = Archive::at(archive_folder(path));
        Ok(Ledger { books, archive, path: path.to_owned(), clock })
    }

    /// The file.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Where photographs and outlines are kept.
    pub fn archive(&self) -> &Archive {
        &self.archive
    }

    /// Says some things in order, all or none.
    ///
    /// # Errors
    /// [`LedgerError::Refused`] when a rule forbids one of them.
    pub fn say(&mut self, events: &[Event], by: Signed<'_>) -> Result<Vec<Entry>, LedgerError> {
        self.books.say(events, by.who, by.why, self.clock)
    }

    /// Says one thing.
    ///
    /// # Errors
    /// As [`Ledger::say`].
    pub fn say_one(&mut self, event: Event, by: Signed<'_>) -> Result<Head, LedgerError> {
        self.say(std::slice::from_ref(&event), by)?;
        self.head()
    }

    /// Opens a load with what is known of its delivery and its contract.
    ///
    /// # Errors
    /// As [`Ledger::say`].
    pub fn open_load(
        &mut self,
        load: LoadOpened,
        delivery: Delivery,
        terms: Option<TermsFixed>,
        by: Signed<'_>,
    ) -> Result<Head, LedgerError> {
        let name = load.load.clone();
        let mut events = vec![Event::LoadOpened(load)];
        if delivery != Delivery::default() {
            let said = event::DeliveryRecorded { load: name, delivery };
            events.push(Event::DeliveryRecorded(said));
        }
        events.extend(terms.map(Event::TermsFixed));
        self.say(&events, by)?;
        self.head()
    }

    /// Records a tray. Its photograph and outlines must be kept in the archive already.
    ///
    /// # Errors
    /// [`LedgerError::Refused`] when the tray is recorded and this is no retake, the photograph is
    /// known, or the load is closed.
    pub fn record_tray(&mut self, tray: TrayRecorded, by: Signed<'_>) -> Result<Head, LedgerError> {
        self.must_be_kept(&tray.photo.sha256)?;
        tray.outlines.iter().try_for_each(|sha256| self.must_be_kept(sha256))?;
        self.say_one(Event::TrayRecorded(tray), by)
    }

    /// Records a photograph that could not be used. It must be kept in the archive already.
    ///
    /// # Errors
    /// As [`Ledger::record_tray`].
    pub fn refuse_photo(
        &mut self,
        photo: event::PhotoRefused,
        by: Signed<'_>,
    ) -> Result<Head, LedgerError> {
        self.must_be_kept(&photo.photo.sha256)?;
        self.say_one(Event::PhotoRefused(photo), by)
    }

    fn must_be_kept(&self, sha256: &str) -> Result<(), LedgerError> {
        if self.archive.has(sha256) {
            return Ok(());
        }
        let source = std::io::Error::from(std::io::ErrorKind::NotFound);
        Err(LedgerError::Archive { path: self.archive.path(sha256), source })
    }

    /// Draws objects of a lot at random for a person to review; the draw is recorded, so that nobody
    /// can draw until it suits. Without a seed the last hash is one, which nobody chooses. Gives the
    /// draw's entry and the drawn objects, tray and number, in the order in which they lie.
    ///
    /// # Errors
    /// As [`Ledger::say`], and when the lot has no object.
    pub fn draw_review(
        &mut self,
        load: &str,
        lot: &str,
        count: u32,
        seed: Option<u64>,
        by: Signed<'_>,
    ) -> Result<(u64, Vec<(u32, u32)>), LedgerError> {
        let seed = match seed {
            Some(seed) => seed,
            None => seed_of(&self.head()?),
        };
        let record = self.load(load)?;
        let trays = record.lots.iter().filter(|l| l.lot == lot).flat_map(|l| &l.trays);
        let all: Vec<(u32, u32)> =
            trays.flat_map(|t| t.objects.iter().map(|o| (t.tray, o.object))).collect();
        let places = crate::stats::SplitMix64::new(seed).choose(all.len(), count as usize);
        let mut objects: Vec<(u32, u32)> = places.into_iter().map(|i| all[i]).collect();
        objects.sort_unstable();
        let drawn = event::ReviewDrawn {
            load: load.to_owned(),
            lot: lot.to_owned(),
            seed: seed.to_string(),
            of: all.len() as u64,
            objects: objects.clone(),
        };
        let head = self.say_one(Event::ReviewDrawn(drawn), by)?;
        Ok((head.entries, objects))
    }

    /// Fixes the plan of a lot.
    ///
    /// # Errors
    /// As [`Ledger::say`]; not after the lot's first tray.
    pub fn fix_plan(
        &mut self,
        load: &str,
        lot: &str,
        settings: &crate::plan::PlanSettings,
        plan: &crate::plan::Plan,
        by: Signed<'_>,
    ) -> Result<Head, LedgerError> {
        let tray = |t: &crate::plan::PlannedTray| event::PlannedTray {
            tray: t.number,
            bin: t.bin.to_string(),
            depths: t.depths.iter().map(|d| d.name().to_owned()).collect(),
        };
        let decimal = |value| Decimal::from_measured(value).unwrap_or_default();
        let fixed = event::PlanFixed {
            load: load.to_owned(),
            lot: lot.to_owned(),
            seed: plan.seed.to_string(),
            bins: settings.bins_in_load,
            expected_share: decimal(settings.expected_share),
            half_width: decimal(settings.half_width),
            confidence: decimal(settings.level.share()),
            design_effect: decimal(settings.design_effect),
            trays: plan.planned.iter().map(tray).collect(),
            extra: plan.extra.iter().map(tray).collect(),
        };
        self.say_one(Event::PlanFixed(fixed), by)
    }

    /// Gives an object another class.
    ///
    /// # Errors
    /// As [`Ledger::say`]; a reason must be given.
    pub fn correct_object(
        &mut self,
        corrected: event::ObjectCorrected,
        by: Signed<'_>,
    ) -> Result<Head, LedgerError> {
        self.say_one(Event::ObjectCorrected(corrected), by)
    }

    /// Closes a load with the figures that both parties see. Nothing can be added afterwards.
    ///
    /// # Errors
    /// As [`Ledger::say`].
    pub fn close_load(
        &mut self,
        closed: LoadClosed,
        by: Signed<'_>,
    ) -> Result<Receipt, LedgerError> {
        let load = closed.load.clone();
        let entries = self.say(&[Event::LoadClosed(closed)], by)?;
        let nothing = LedgerError::NotALedger { path: self.path.clone() };
        let entry = entries.into_iter().next().ok_or(nothing)?;
        let (entries, head) = (entry.seq, entry.hash);
        Ok(Receipt { load, closed: entry.at, who: entry.who, entries, head })
    }

    /// The receipt of a closed load again.
    ///
    /// # Errors
    /// When the load is not known or not closed.
    pub fn receipt(&self, load: &str) -> Result<Option<Receipt>, LedgerError> {
        let record = self.load(load)?;
        let Some(closed) = record.closed else { return Ok(None) };
        let entries = self.books.entries(closed.entry - 1)?;
        Ok(entries.into_iter().next().map(|entry| Receipt {
            load: load.to_owned(),
            closed: entry.at,
            who: entry.who,
            entries: entry.seq,
            head: entry.hash,
        }))
    }

    /// Where a photograph is recorded, in words; none when it is new.
    ///
    /// # Errors
    /// [`LedgerError::Sql`].
    pub fn photo(&self, sha256: &str) -> Result<PhotoState, LedgerError> {
        let known = self.books.known();
        if let Some(words) = known.photo_as_tray(sha256)? {
            return Ok(PhotoState::Tray(words));
        }
        Ok(match known.photo_as_refused(sha256)? {
            Some(words) => PhotoState::Refused(words),
            None => PhotoState::New,
        })
    }

    /// The bin that the plan has for a tray.
    ///
    /// # Errors
    /// [`LedgerError::Sql`].
    pub fn planned_bin(
        &self,
        load: &str,
        lot: &str,
        tray: u32,
    ) -> Result<Option<String>, LedgerError> {
        self.books.known().planned_bin(load, lot, tray)
    }

    /// The entry of the tray that counts for a number.
    ///
    /// # Errors
    /// [`LedgerError::Sql`].
    pub fn tray(&self, load: &str, lot: &str, tray: u32) -> Result<Option<u64>, LedgerError> {
        self.books.known().tray(load, lot, tray)
    }

    /// All loads.
    ///
    /// # Errors
    /// [`LedgerError::Sql`].
    pub fn loads(&self) -> Result<Vec<LoadSummary>, LedgerError> {
        self.books.loads()
    }

    /// A load with everything that figures are made from.
    ///
    /// # Errors
    /// [`Refusal::UnknownLoad`] when there is none of that name.
    pub fn load(&self, load: &str) -> Result<LoadRecord, LedgerError> {
        let found = self.books.load(load)?;
        found.ok_or_else(|| Refusal::UnknownLoad(load.to_owned()).into())
    }

    /// A tray by the number of its entry, with all that is known of its objects; none when no tray
    /// was recorded there.
    ///
    /// # Errors
    /// [`LedgerError::Sql`].
    pub fn one_tray(&self, entry: u64) -> Result<Option<OneTray>, LedgerError> {
        self.books.one_tray(entry)
    }

    /// What the parties saw in the objects of a review, by tray and object.
    ///
    /// # Errors
    /// [`LedgerError::Sql`].
    pub fn judgements(&self, review: u64) -> Result<Vec<JudgementRecord>, LedgerError> {
        self.books.judgements(review)
    }

    /// Load and lot of a review by both parties.
    ///
    /// # Errors
    /// [`LedgerError::Sql`].
    pub fn place_of_parties(&self, review: u64) -> Result<Option<(String, String)>, LedgerError> {
        self.books.place_of_parties(review)
    }

    /// Profiles that were taught and decided on, in order.
    ///
    /// # Errors
    /// [`LedgerError::Sql`].
    pub fn taught(&self) -> Result<Vec<TaughtRecord>, LedgerError> {
        self.books.taught()
    }

    /// Colour and texture of a lot's objects, in order of tray and object; empty without such a
    /// lot.
    ///
    /// # Errors
    /// [`LedgerError::Sql`].
    pub fn looks(&self, load: &str, lot: &str) -> Result<Vec<LookRecord>, LedgerError> {
        self.books.looks(load, lot)
    }

    /// Mass coefficients in force for a profile when entry `at` was made ([`u64::MAX`]: now); none
    /// when not fitted until then.
    ///
    /// # Errors
    /// [`LedgerError::Sql`].
    pub fn mass_fit(&self, profile: &str, at: u64) -> Result<Option<MassFitRecord>, LedgerError> {
        self.books.mass_fit(profile, at)
    }

    /// Weighed trays of a profile that count: entry, load, lot and number.
    ///
    /// # Errors
    /// [`LedgerError::Sql`].
    pub fn weighed_trays(
        &self,
        profile: &str,
    ) -> Result<Vec<(u64, String, String, u32)>, LedgerError> {
        self.books.weighed_trays(profile)
    }

    /// Trays sorted by hand, of one variety or of all, as known when entry `at` was made.
    ///
    /// # Errors
    /// [`LedgerError::Sql`].
    pub fn hand_sorts(
        &self,
        variety: Option<&str>,
        at: u64,
    ) -> Result<Vec<HandSortRecord>, LedgerError> {
        self.books.hand_sorts(variety, at)
    }

    /// Where the chain ends.
    ///
    /// # Errors
    /// [`LedgerError::Sql`].
    pub fn head(&self) -> Result<Head, LedgerError> {
        self.books.head()
    }

    /// Entries after a number, in order.
    ///
    /// # Errors
    /// [`LedgerError::Sql`].
    pub fn entries(&self, after: u64) -> Result<Vec<Entry>, LedgerError> {
        self.books.entries(after)
    }

    /// One entry; none when there is none of that number.
    ///
    /// # Errors
    /// [`LedgerError::Sql`].
    pub fn entry(&self, seq: u64) -> Result<Option<Entry>, LedgerError> {
        self.books.entry(seq)
    }

    /// Who said an entry, when and why.
    ///
    /// # Errors
    /// [`LedgerError::Entry`] when there is none of that number.
    pub fn stamp(&self, entry: u64) -> Result<record::Stamp, LedgerError> {
        self.books.stamp(entry)
    }

    /// Who issued a sheet, by the SHA-256 of its file, and when; none when it was not issued here.
    ///
    /// # Errors
    /// [`LedgerError::Sql`].
    pub fn sheet(&self, sha256: &str) -> Result<Option<record::Stamp>, LedgerError> {
        self.books.known().sheet(sha256)?.map(|entry| self.stamp(entry)).transpose()
    }

    /// The last entry that bears on a load's figures: about the load itself, or about what all loads
    /// share (mass coefficients, trays sorted by hand). That a sheet was issued bears on none.
    ///
    /// # Errors
    /// [`LedgerError::Sql`].
    pub fn last_bearing_on(&self, load: &str) -> Result<Option<u64>, LedgerError> {
        self.books.last_bearing_on(load)
    }

    /// The ledger as it was when entry `entries` was its last, in memory: every entry is checked on
    /// the way. Its archive is this one's.
    ///
    /// # Errors
    /// [`LedgerError::Entry`] at the first broken entry.
    pub fn as_of(&self, entries: u64) -> Result<Ledger, LedgerError> {
        Ok(Ledger {
            books: self.books.as_of(entries)?,
            archive: self.archive.clone(),
            path: self.path.clone(),
            clock: self.clock,
        })
    }

    /// Takes over entries made elsewhere, all or none; those that are here are passed over. Tells
    /// how many were new.
    ///
    /// # Errors
    /// [`LedgerError::Fork`] when the two went different ways, [`LedgerError::Entry`] when an entry
    /// is broken, [`LedgerError::Refused`] when one breaks a rule.
    pub fn take_over(&mut self, entries: &[Entry]) -> Result<u64, LedgerError> {
        self.books.take_over(entries)
    }

    /// Verifies everything; `expected` is the entry count and head hash that the other party holds.
    ///
    /// # Errors
    /// [`LedgerError::Sql`] when the file cannot be read at all.
    pub fn verify(&self, expected: Option<&Head>) -> Result<Verification, LedgerError> {
        self.books.verify(&self.archive, expected)
    }
}

/// A seed that nobody chooses: the first 64 bits of a head's hash.
pub fn seed_of(head: &Head) -> u64 {
    head.hash.get(..16).and_then(|hex| u64::from_str_radix(hex, 16).ok()).unwrap_or(head.entries)
}

/// Whether a photograph is in the ledger.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum PhotoState {
    /// It is not.
    New,
    /// As a tray, in words.
    Tray(String),
    /// As a refused one, in words.
    Refused(String),
}

/// The archive's folder of a ledger file: `cellar.sqlite` has `cellar.archive` beside it.
pub fn archive_folder(ledger: &Path) -> PathBuf {
    match ledger.extension() {
        Some(ending) if ending == "archive" => ledger.with_extension("archive.files"),
        _ => ledger.with_extension("archive"),
    }
}

/// Where the ledger lies unless another file is named: in the user's data folder.
///
/// # Errors
/// [`LedgerError::NoFolder`] when the system tells of none.
pub fn default_path() -> Result<PathBuf, LedgerError> {
    let set = |name: &str| std::env::var_os(name).filter(|v| !v.is_empty()).map(PathBuf::from);
    let home = || set("HOME").ok_or(LedgerError::NoFolder);
    let folder = if cfg!(windows) {
        set("APPDATA").ok_or(LedgerError::NoFolder)?
    } else if cfg!(target_os = "macos") {
        home()?.join("Library/Application Support")
    } else {
        // The XDG base directory specification: an absolute path or it is not to be used.
        match set("XDG_DATA_HOME").filter(|p| p.is_absolute()) {
            Some(folder) => folder,
            None => home()?.join(".local/share"),
        }
    };
    Ok(folder.join("acinus").join("ledger.sqlite"))
}

#[cfg(test)]
pub(crate) mod tests;
