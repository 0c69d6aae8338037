//! Whether the file still says what was said.
//!
//! Every entry is checked against its hash, the one before it and the rules; then all tables are
//! written anew from the entries, in memory, by the same code that wrote them, and compared row by
//! row and cell by cell. So a change anywhere in the file shows: in an entry, in a table, in the
//! tables' own definition.

use std::collections::BTreeMap;

use rusqlite::types::ValueRef;
use rusqlite::{Connection, Row};
use serde::Serialize;

use super::super::LedgerError;
use super::super::archive::{Archive, Kept};
use super::super::chain::Head;
use super::{Books, HISTORY, TABLES, derived_tables, entry_of, put, sql};

/// Something that is not as it was.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Fault {
    /// Where: `entry 12`, `table object`, `archive`, `head`.
    pub place: String,
    /// What is wrong, one line.
    pub what: String,
}

/// What came out.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Verification {
    /// Where the chain ends now.
    pub head: Head,
    /// What is not as it was; empty when all is well.
    pub faults: Vec<Fault>,
    /// Rows of the tables compared.
    pub rows: u64,
    /// Kept files looked at.
    pub files: u64,
    /// Entries with an earlier time than the one before: the clock of the computer was set back. What
    /// came after what is told by the numbers, not by the times.
    pub set_back: Vec<u64>,
}

/// Most faults that are listed of one table, and of the archive.
const LISTED: usize = 5;

struct Faults(Vec<Fault>);

impl Faults {
    fn add(&mut self, place: impl Into<String>, what: impl Into<String>) {
        self.0.push(Fault { place: place.into(), what: what.into() });
    }
}

impl Books {
    /// Verifies the file, and the archive beside it. `expected` is the head that the other party
    /// holds.
    pub fn verify(
        &self,
        archive: &Archive,
        expected: Option<&Head>,
    ) -> Result<Verification, LedgerError> {
        let work = || -> Result<Verification, LedgerError> {
            // One moment for all of it.
            let tx = self.db().unchecked_transaction()?;
            let mut faults = Faults(Vec::new());
            check_file(&tx, &mut faults)?;
            let mirror = Connection::open_in_memory()?;
            mirror.execute_batch(HISTORY)?;
            mirror.execute_batch(TABLES)?;
            mirror.execute_batch("PRAGMA foreign_keys = ON;")?;
            let (head, unbroken, set_back) = replay(&tx, &mirror, expected, &mut faults)?;
            compare_definitions(&tx, &mirror, &mut faults)?;
            let mut rows = 0;
            // After a broken entry the tables have nothing to be compared with.
            if unbroken {
                for table in derived_tables(&mirror)? {
                    rows += compare_table(&tx, &mirror, &table, &mut faults)?;
                }
            }
            let files = check_archive(if unbroken { &mirror } else { &tx }, archive, &mut faults)?;
            Ok(Verification { head, faults: faults.0, rows, files, set_back })
        };
        work().map_err(|e| e.at(&self.path))
    }
}

/// SQLite's own check of pages and indexes.
fn check_file(db: &Connection, faults: &mut Faults) -> Result<(), LedgerError> {
    let mut statement = db.prepare("PRAGMA integrity_check(5)")?;
    let mut rows = statement.query([])?;
    while let Some(row) = rows.next()? {
        let line: String = row.get(0)?;
        if line != "ok" {
            faults.add("file", line);
        }
    }
    Ok(())
}

/// Checks the chain and writes all tables anew. Tells where it ends, whether it holds, and at which
/// entries the clock had been set back.
fn replay(
    db: &Connection,
    mirror: &Connection,
    expected: Option<&Head>,
    faults: &mut Faults,
) -> Result<(Head, bool, Vec<u64>), LedgerError> {
    let mut before: Option<Head> = None;
    let mut unbroken = true;
    let mut statement = db.prepare(sql("entries")?)?;
    let mut rows = statement.query([i64::MIN])?;
    let mut seen = None;
    let (mut latest, mut set_back) = (String::new(), Vec::new());
    while let Some(row) = rows.next()? {
        let entry = match entry_of(row) {
            Ok(entry) => entry,
            Err(e) => {
                faults.add(after(&before), format!("it cannot be read: {e}"));
                unbroken = false;
                break;
            }
        };
        if let Some(wanted) = expected.filter(|h| h.entries == entry.seq) {
            seen = Some(entry.hash == wanted.hash);
        }
        let place = format!("entry {}", entry.seq);
        match entry.check(before.as_ref()) {
            Err(fault) => {
                faults.add(place, fault.to_string());
                unbroken = false;
                break;
            }
            Ok(event) => {
                if let Err(error) = put(mirror, &entry, &event) {
                    faults.add(place, format!("it breaks a rule: {error}"));
                    unbroken = false;
                    break;
                }
            }
        }
        before = Some(entry.head());
        // Times of one form: their letters are in the order of time.
        if entry.at < latest {
            set_back.push(entry.seq);
        }
        latest = entry.at;
    }
    let head =
        before.unwrap_or_else(|| Head { entries: 0, hash: super::super::chain::NO_ENTRY.into() });
    if head.entries == 0 && unbroken {
        faults.add("entry 1", "there is no entry at all");
    }
    if let Some(wanted) = expected.filter(|_| unbroken) {
        match seen {
            Some(true) => {}
            Some(false) => faults.add(
                "head",
                format!(
                    "entry {} has not the hash that was handed out: the history was rewritten",
                    wanted.entries
                ),
            ),
            None => faults.add(
                "head",
                format!(
                    "{} entries were handed out and {} are there: the end was cut off",
                    wanted.entries, head.entries
                ),
            ),
        }
    }
    Ok((head, unbroken, set_back))
}

fn after(before: &Option<Head>) -> String {
    format!("entry {}", before.as_ref().map_or(0, |h| h.entries) + 1)
}

/// Tables, indexes and triggers must be those that this program makes.
fn compare_definitions(
    db: &Connection,
    mirror: &Connection,
    faults: &mut Faults,
) -> Result<(), LedgerError> {
    let definitions = |db: &Connection| -> rusqlite::Result<BTreeMap<(String, String), String>> {
        let mut statement = db.prepare(
            "SELECT type, name, coalesce(sql, '') FROM sqlite_schema \
             WHERE name NOT LIKE 'sqlite\\_stat%' ESCAPE '\\'",
        )?;
        let rows = statement.query_map([], |r| Ok(((r.get(0)?, r.get(1)?), r.get(2)?)))?;
        rows.collect()
    };
    let (found, wanted) = (definitions(db)?, definitions(mirror)?);
    for ((kind, name), sql) in &wanted {
        match found.get(&(kind.clone(), name.clone())) {
            None => faults.add(format!("{kind} {name}"), "it is missing"),
            Some(other) if other != sql => {
                faults.add(format!("{kind} {name}"), "its definition was changed")
            }
            Some(_) => {}
        }
    }
    for (kind, name) in found.keys().filter(|key| !wanted.contains_key(*key)) {
        faults.add(format!("{kind} {name}"), "it does not belong here");
    }
    Ok(())
}

/// A table's columns, and which of them tell its rows apart.
struct Shape {
    table: String,
    names: Vec<String>,
    key: Vec<usize>,
}

impl Shape {
    fn of(db: &Connection, table: &str) -> rusqlite::Result<Shape> {
        let mut statement = db.prepare("SELECT name, pk FROM pragma_table_info(?1)")?;
        let all: Vec<(String, i64)> = statement
            .query_map([table], |r| Ok((r.get(0)?, r.get(1)?)))?
            .collect::<Result<_, _>>()?;
        let mut key: Vec<usize> = (0..all.len()).filter(|&i| all[i].1 > 0).collect();
        key.sort_by_key(|&i| all[i].1);
        let names = all.into_iter().map(|c| c.0).collect();
        Ok(Shape { table: table.to_owned(), names, key })
    }

    fn query(&self) -> String {
        let quoted = |i: usize| format!("\"{}\"", self.names[i]);
        let list: Vec<String> = (0..self.names.len()).map(quoted).collect();
        let key: Vec<String> = self.key.iter().map(|&i| quoted(i)).collect();
        let (list, key) = (list.join(", "), key.join(", "));
        format!("SELECT {list} FROM \"{}\" ORDER BY {key}", self.table)
    }

    /// Which row it is, in words.
    fn row(&self, row: &Row<'_>) -> rusqlite::Result<String> {
        let mut words = Vec::with_capacity(self.key.len());
        for &i in &self.key {
            words.push(format!("{} {}", self.names[i], cell(row.get_ref(i)?)));
        }
        Ok(words.join(", "))
    }
}

fn cell(value: ValueRef<'_>) -> String {
    match value {
        ValueRef::Null => "nothing".to_owned(),
        ValueRef::Integer(n) => n.to_string(),
        ValueRef::Real(r) => r.to_string(),
        ValueRef::Blob(bytes) => format!("{} bytes", bytes.len()),
        ValueRef::Text(bytes) => {
            let text = String::from_utf8_lossy(bytes);
            let short: String = text.chars().take(60).collect();
            if short.len() < text.len() { format!("{short:?}…") } else { format!("{short:?}") }
        }
    }
}

fn compare_table(
    db: &Connection,
    mirror: &Connection,
    table: &str,
    faults: &mut Faults,
) -> Result<u64, LedgerError> {
    let shape = Shape::of(mirror, table)?;
    let place = format!("table {table}");
    let mut found = match db.prepare(&shape.query()) {
        Ok(statement) => statement,
        Err(e) => {
            faults.add(place, format!("it cannot be read: {e}"));
            return Ok(0);
        }
    };
    let mut wanted = mirror.prepare(&shape.query())?;
    let (mut found, mut wanted) = (found.query([])?, wanted.query([])?);
    let (mut rows, mut told) = (0, 0);
    loop {
        let (a, b) = match (found.next()?, wanted.next()?) {
            (None, None) => break,
            (Some(a), None) => {
                faults.add(place, format!("{}: no entry says this row", shape.row(a)?));
                break;
            }
            (None, Some(b)) => {
                faults.add(place, format!("{}: the row is missing", shape.row(b)?));
                break;
            }
            (Some(a), Some(b)) => (a, b),
        };
        rows += 1;
        let Some(words) = difference(&shape, a, b)? else { continue };
        faults.add(&place, words);
        told += 1;
        if told == LISTED {
            faults.add(place, "the rest of the table was not compared");
            break;
        }
    }
    Ok(rows)
}

/// The first cell in which two rows differ, in words.
fn difference(
    shape: &Shape,
    found: &Row<'_>,
    wanted: &Row<'_>,
) -> rusqlite::Result<Option<String>> {
    for (i, name) in shape.names.iter().enumerate() {
        let (a, b) = (found.get_ref(i)?, wanted.get_ref(i)?);
        if a != b {
            let (row, a, b) = (shape.row(wanted)?, cell(a), cell(b));
            return Ok(Some(format!("{row}: {name} is {a}, the entries say {b}")));
        }
    }
    Ok(None)
}

/// Every photograph and outline that an entry speaks of must be there with its own bytes.
fn check_archive(
    db: &Connection,
    archive: &Archive,
    faults: &mut Faults,
) -> Result<u64, LedgerError> {
    let mut statement = db.prepare(sql("kept")?)?;
    let mut rows = statement.query([])?;
    let (mut files, mut told) = (0, 0);
    while let Some(row) = rows.next()? {
        let sha256: String = row.get(0)?;
        files += 1;
        let what = match archive.state(&sha256) {
            Ok(Kept::Whole) => continue,
            Ok(Kept::Missing) => "the file is missing".to_owned(),
            Ok(Kept::Changed) => "the file's bytes were changed".to_owned(),
            Err(e) => e.to_string(),
        };
        told += 1;
        if told <= LISTED {
            faults.add("archive", format!("{}: {what}", archive.path(&sha256).display()));
        }
    }
    if told > LISTED {
        faults.add("archive", format!("{} more files like these", told - LISTED));
    }
    Ok(files)
}
