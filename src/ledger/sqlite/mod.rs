//! The ledger in one SQLite file: WAL, every commit flushed to the disk before it counts, foreign
//! keys on. All SQL stands in the `.sql` files beside this one, so that another engine is another
//! folder.

mod project;
mod read;
mod verify;

use std::collections::HashMap;
use std::path::{Path, PathBuf};
use std::sync::OnceLock;
use std::time::Duration;

use rusqlite::{Connection, OptionalExtension as _, Row, Transaction, TransactionBehavior, params};

use super::LedgerError;
use super::chain::{Entry, EntryFault, Head};
use super::clock::Clock;
use super::event::{Event, LedgerBegun};
use super::rules;

pub use verify::{Fault, Verification};

/// Version of the tables in `tables.sql`, kept in SQLite's `user_version`.
///
/// 1: all numbers of an object in one table. 2: those that figures are made from apart from the
/// others, so that opening a load reads a third of the bytes. 3: what the workbench says: outlines
/// changed by hand, tags, changes taken back, reviews by both parties, taught profiles; and sheets that
/// were issued.
pub(in crate::ledger) const SCHEMA_VERSION: i64 = 3;

/// Says in the file's head whose it is: "Acin".
const APPLICATION_ID: i64 = 0x4163_696E;

/// How long to wait for another program's write.
const BUSY: Duration = Duration::from_secs(20);

const HISTORY: &str = include_str!("history.sql");
const TABLES: &str = include_str!("tables.sql");
const STATEMENTS: &str = include_str!("statements.sql");

/// The open file.
#[derive(Debug)]
pub struct Books {
    db: Connection,
    path: PathBuf,
}

/// Whether a missing file is made.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Missing {
    /// It is begun.
    Begin,
    /// It is an error.
    Refuse,
}

/// A statement of `statements.sql` by its name.
fn sql(name: &str) -> rusqlite::Result<&'static str> {
    static ALL: OnceLock<HashMap<&'static str, &'static str>> = OnceLock::new();
    let all = ALL.get_or_init(|| {
        STATEMENTS
            .split("-- name: ")
            .skip(1)
            .filter_map(|part| part.split_once('\n'))
            .map(|(name, text)| (name.trim(), text.trim()))
            .collect()
    });
    all.get(name)
        .copied()
        .ok_or_else(|| rusqlite::Error::InvalidParameterName(format!("statement {name}")))
}

/// A whole number as SQLite keeps it.
fn kept(value: u64) -> rusqlite::Result<i64> {
    i64::try_from(value).map_err(|e| rusqlite::Error::ToSqlConversionFailure(Box::new(e)))
}

/// A number that SQLite keeps and that is never below zero.
fn whole(value: i64) -> rusqlite::Result<u64> {
    u64::try_from(value).map_err(|_| rusqlite::Error::IntegralValueOutOfRange(0, value))
}

fn number(row: &Row<'_>, column: usize) -> rusqlite::Result<u64> {
    whole(row.get(column)?)
}

impl Books {
    /// Opens a ledger file, or begins one.
    pub fn open(path: &Path, missing: Missing, clock: Clock) -> Result<Books, LedgerError> {
        let new = !path.exists();
        if new && missing == Missing::Refuse {
            return Err(LedgerError::NoLedger { path: path.to_owned() });
        }
        // SQLite would wait for a pipe, and says little of a folder.
        if path.metadata().is_ok_and(|about| !about.is_file()) {
            return Err(LedgerError::NotALedger { path: path.to_owned() });
        }
        if let Some(folder) = path.parent().filter(|f| !f.as_os_str().is_empty()) {
            crate::disk::make_folder(folder)
                .map_err(|source| LedgerError::Folder { path: folder.to_owned(), source })?;
        }
        let open = || -> Result<Books, LedgerError> {
            let db = Connection::open(path)?;
            db.busy_timeout(BUSY)?;
            let mut books = Books { db, path: path.to_owned() };
            books.prepare(clock)?;
            Ok(books)
        };
        open().map_err(|e| e.at(path))
    }

    fn prepare(&mut self, clock: Clock) -> Result<(), LedgerError> {
        let (id, version, tables) = self.marks()?;
        let empty = tables == 0 && id == 0 && version == 0;
        if !empty && id != APPLICATION_ID {
            return Err(LedgerError::NotALedger { path: self.path.clone() });
        }
        if version > SCHEMA_VERSION {
            return Err(LedgerError::Newer { path: self.path.clone(), version });
        }
        wal(&self.db)?;
        // A ledger that somebody else made may hold anything: what its tables say calls no function that
        // could do harm.
        self.db.execute_batch(
            "PRAGMA synchronous = FULL; PRAGMA foreign_keys = ON; PRAGMA trusted_schema = OFF;",
        )?;
        self.db.set_prepared_statement_cache_capacity(128);
        if version < SCHEMA_VERSION {
            self.bring_up(clock)?;
        }
        Ok(())
    }

    /// Whose file it is, which version, and how many things are in it: as of one moment, for another
    /// program may be beginning it just now.
    fn marks(&self) -> rusqlite::Result<(i64, i64, i64)> {
        let tx = self.db.unchecked_transaction()?;
        let things = tx.query_row("SELECT count(*) FROM sqlite_schema", [], |r| r.get(0))?;
        let pragma = |name: &str| tx.pragma_query_value(None, name, |r| r.get(0));
        let marks = (pragma("application_id")?, pragma("user_version")?, things);
        tx.commit()?;
        Ok(marks)
    }

    /// Begins a new file, or brings an older one up to this program's tables: the entries stay, the
    /// tables are written anew from them. All of it in one transaction.
    fn bring_up(&mut self, clock: Clock) -> Result<(), LedgerError> {
        self.db.execute_batch("PRAGMA foreign_keys = OFF;")?;
        let tx = self.db.transaction_with_behavior(TransactionBehavior::Immediate)?;
        // Another program may have done it while this one waited.
        let version: i64 = tx.pragma_query_value(None, "user_version", |r| r.get(0))?;
        if version == 0 {
            tx.execute_batch(HISTORY)?;
            tx.execute_batch(TABLES)?;
            tx.pragma_update(None, "application_id", APPLICATION_ID)?;
            let begun = LedgerBegun { program: super::PROGRAM.to_owned() };
            let event = Event::LedgerBegun(begun);
            append(&tx, &event, "acinus", None, &clock())?;
        } else if version < SCHEMA_VERSION {
            rewrite_tables(&tx)?;
        }
        tx.pragma_update(None, "user_version", SCHEMA_VERSION)?;
        tx.commit()?;
        self.db.execute_batch("PRAGMA foreign_keys = ON;")?;
        Ok(())
    }

    /// Says some things in order, all or none.
    pub fn say(
        &mut self,
        events: &[Event],
        who: &str,
        why: Option<&str>,
        clock: Clock,
    ) -> Result<Vec<Entry>, LedgerError> {
        let work = |db: &mut Connection| -> Result<Vec<Entry>, LedgerError> {
            let tx = db.transaction_with_behavior(TransactionBehavior::Immediate)?;
            let mut entries = Vec::with_capacity(events.len());
            for event in events {
                entries.push(append(&tx, event, who, why, &clock())?);
            }
            tx.commit()?;
            Ok(entries)
        };
        work(&mut self.db).map_err(|e| e.at(&self.path))
    }

    /// Takes over entries made elsewhere: each must follow the one before and keep the rules. Those
    /// that are here already are passed over; tells how many were new. All or none.
    pub fn take_over(&mut self, entries: &[Entry]) -> Result<u64, LedgerError> {
        let work = |db: &mut Connection| -> Result<u64, LedgerError> {
            let tx = db.transaction_with_behavior(TransactionBehavior::Immediate)?;
            let mut taken = 0;
            // A ledger that was only just begun gives way to the one that comes.
            if let [first, ..] = entries
                && first.seq == 1
                && head(&tx)?.is_some_and(|h| h.entries == 1 && h.hash != first.hash)
            {
                clear(&tx)?;
            }
            for entry in entries {
                if let Some(own) = entry_at(&tx, entry.seq)? {
                    if own != *entry {
                        return Err(LedgerError::Fork { entry: entry.seq });
                    }
                    continue;
                }
                let before = head(&tx)?;
                let event = entry
                    .check(before.as_ref())
                    .map_err(|fault| LedgerError::Entry { entry: entry.seq, fault })?;
                put(&tx, entry, &event)?;
                taken += 1;
            }
            tx.commit()?;
            Ok(taken)
        };
        work(&mut self.db).map_err(|e| e.at(&self.path))
    }

    /// Where the chain ends.
    pub fn head(&self) -> Result<Head, LedgerError> {
        let found = head(&self.db).map_err(|e| e.at(&self.path))?;
        found.ok_or_else(|| LedgerError::NotALedger { path: self.path.clone() })
    }

    /// Entries after a number, in order.
    pub fn entries(&self, after: u64) -> Result<Vec<Entry>, LedgerError> {
        let read = || -> Result<Vec<Entry>, LedgerError> {
            let mut statement = self.db.prepare_cached(sql("entries")?)?;
            let rows = statement.query_map([kept(after)?], entry_of)?;
            Ok(rows.collect::<rusqlite::Result<_>>()?)
        };
        read().map_err(|e| e.at(&self.path))
    }

    /// One entry.
    pub fn entry(&self, seq: u64) -> Result<Option<Entry>, LedgerError> {
        entry_at(&self.db, seq).map_err(|e| e.at(&self.path))
    }

    /// The books as they were when entry `last` was the last one, written anew in memory.
    pub fn as_of(&self, last: u64) -> Result<Books, LedgerError> {
        let work = || -> Result<Books, LedgerError> {
            let db = Connection::open_in_memory()?;
            db.execute_batch(HISTORY)?;
            db.execute_batch(TABLES)?;
            let mut books = Books { db, path: self.path.clone() };
            let mut statement = self.db.prepare_cached(sql("entries")?)?;
            let mut rows = statement.query([0])?;
            let tx = books.db.transaction()?;
            let mut before: Option<Head> = None;
            while let Some(row) = rows.next()? {
                let entry = entry_of(row)?;
                if entry.seq > last {
                    break;
                }
                let event = entry
                    .check(before.as_ref())
                    .map_err(|fault| LedgerError::Entry { entry: entry.seq, fault })?;
                put(&tx, &entry, &event)?;
                before = Some(entry.head());
            }
            tx.commit()?;
            Ok(books)
        };
        work().map_err(|e| e.at(&self.path))
    }

    /// Journal mode, synchronous (2: FULL) and foreign keys, as SQLite tells them.
    #[cfg(test)]
    pub fn pragmas(&self) -> rusqlite::Result<(String, i64, i64)> {
        Ok((
            self.db.pragma_query_value(None, "journal_mode", |r| r.get(0))?,
            self.db.pragma_query_value(None, "synchronous", |r| r.get(0))?,
            self.db.pragma_query_value(None, "foreign_keys", |r| r.get(0))?,
        ))
    }

    /// The open file, for reading.
    fn db(&self) -> &Connection {
        &self.db
    }
}

/// Readers go on while one writes, and a commit is one flush. Two programs that begin at the same
/// time may meet here; SQLite does not wait by itself for this one.
fn wal(db: &Connection) -> Result<(), LedgerError> {
    let mut tries = 0;
    loop {
        match db.pragma_update_and_check(None, "journal_mode", "WAL", |r| r.get::<_, String>(0)) {
            Ok(mode) if mode.eq_ignore_ascii_case("wal") => return Ok(()),
            Err(e) if super::is_busy(&e) && tries < 200 => {
                tries += 1;
                std::thread::sleep(Duration::from_millis(10));
            }
            Ok(mode) => return Err(LedgerError::NoWal { path: PathBuf::new(), mode }),
            Err(e) => return Err(e.into()),
        }
    }
}

fn head(db: &Connection) -> Result<Option<Head>, LedgerError> {
    let mut statement = db.prepare_cached(sql("head")?)?;
    let head = statement.query_row([], |r| Ok(Head { entries: number(r, 0)?, hash: r.get(1)? }));
    Ok(head.optional()?)
}

fn entry_of(row: &Row<'_>) -> rusqlite::Result<Entry> {
    Ok(Entry {
        seq: number(row, 0)?,
        form: row.get(1)?,
        at: row.get(2)?,
        who: row.get(3)?,
        why: row.get(4)?,
        kind: row.get(5)?,
        body: row.get(6)?,
        previous: row.get(7)?,
        hash: row.get(8)?,
    })
}

fn entry_at(db: &Connection, seq: u64) -> Result<Option<Entry>, LedgerError> {
    let mut statement = db.prepare_cached(sql("entry")?)?;
    Ok(statement.query_row([kept(seq)?], entry_of).optional()?)
}

/// Makes the next entry and has the tables follow.
fn append(
    tx: &Transaction<'_>,
    event: &Event,
    who: &str,
    why: Option<&str>,
    at: &str,
) -> Result<Entry, LedgerError> {
    let before = head(tx)?;
    let made = Entry::next(before.as_ref(), at.into(), who.into(), why.map(str::to_owned), event);
    let seq = before.map_or(1, |h| h.entries + 1);
    let entry = made.map_err(|fault| LedgerError::Entry { entry: seq, fault })?;
    put(tx, &entry, event)?;
    Ok(entry)
}

fn put(db: &Connection, entry: &Entry, event: &Event) -> Result<(), LedgerError> {
    rules::check(event, &entry.who, entry.why.as_deref(), entry.seq == 1, &read::Known(db))?;
    insert(db, entry)?;
    project::follow(db, entry, event)
}

fn insert(db: &Connection, entry: &Entry) -> Result<(), LedgerError> {
    let mut statement = db.prepare_cached(sql("insert_entry")?)?;
    statement.execute(params![
        kept(entry.seq)?,
        entry.form,
        entry.at,
        entry.who,
        entry.why,
        entry.kind,
        entry.body,
        entry.previous,
        entry.hash
    ])?;
    Ok(())
}

/// Names of the tables that follow from the entries.
fn derived_tables(db: &Connection) -> rusqlite::Result<Vec<String>> {
    let mut statement = db.prepare(
        "SELECT name FROM sqlite_schema WHERE type = 'table' AND name <> 'entry' \
         AND name NOT LIKE 'sqlite\\_%' ESCAPE '\\' ORDER BY name",
    )?;
    let names = statement.query_map([], |r| r.get(0))?;
    names.collect()
}

/// Drops the tables that follow from the entries and writes them anew. Foreign keys must be off.
fn rewrite_tables(tx: &Transaction<'_>) -> Result<(), LedgerError> {
    for table in derived_tables(tx)? {
        tx.execute_batch(&format!("DROP TABLE \"{table}\";"))?;
    }
    tx.execute_batch(TABLES)?;
    let mut before: Option<Head> = None;
    let mut statement = tx.prepare(sql("entries")?)?;
    let mut rows = statement.query([0])?;
    while let Some(row) = rows.next()? {
        let entry = entry_of(row)?;
        let event = entry
            .check(before.as_ref())
            .map_err(|fault| LedgerError::Entry { entry: entry.seq, fault })?;
        project::follow(tx, &entry, &event)?;
        before = Some(entry.head());
    }
    Ok(())
}

/// Takes everything out of a ledger that was only begun.
fn clear(tx: &Transaction<'_>) -> Result<(), LedgerError> {
    tx.execute_batch("DROP TABLE entry;")?;
    tx.execute_batch(HISTORY)?;
    Ok(())
}

impl From<rusqlite::Error> for LedgerError {
    fn from(source: rusqlite::Error) -> Self {
        LedgerError::Sql { path: PathBuf::new(), source }
    }
}

impl From<EntryFault> for LedgerError {
    fn from(fault: EntryFault) -> Self {
        LedgerError::Entry { entry: 0, fault }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_statement_that_is_called_exists_and_can_be_prepared() {
        let db = Connection::open_in_memory().unwrap();
        db.execute_batch(HISTORY).unwrap();
        db.execute_batch(TABLES).unwrap();
        let sources = [
            include_str!("mod.rs"),
            include_str!("project.rs"),
            include_str!("read.rs"),
            include_str!("verify.rs"),
        ];
        let mut called = std::collections::BTreeSet::new();
        for source in sources {
            // Only what stands before a file's own tests.
            let source = source.split("#[cfg(test)]\nmod tests").next().unwrap();
            for call in ["sql(\"", "(db, \"", "(self.0, \"", "(self.db(), \""] {
                called
                    .extend(source.split(call).skip(1).map(|part| part.split('"').next().unwrap()));
            }
        }
        for name in &called {
            db.prepare(sql(name).unwrap()).unwrap();
        }
        let all: Vec<&str> = STATEMENTS
            .split("-- name: ")
            .skip(1)
            .map(|part| part.split('\n').next().unwrap().trim())
            .collect();
        for name in &all {
            assert!(called.contains(name), "{name} is never called");
        }
        assert_eq!(called.len(), all.len());
        assert!(sql("nonsense").is_err());
    }
}
