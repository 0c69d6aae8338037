//! Entries as files: one JSON document that another ledger can take over whole, and tables as CSV.

use std::path::Path;

use serde::{Deserialize, Serialize};
use serde_json::Value;

use super::chain::{Entry, Head};
use super::record::LoadRecord;
use super::{Ledger, LedgerError};
use crate::given::{cell, words_of_cell};

/// Name and version of the document.
pub const SCHEMA: &str = "acinus-ledger/1";

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Document {
    schema: String,
    head: Head,
    entries: Vec<Line>,
}

/// An entry with its body as JSON, not as text.
#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Line {
    seq: u64,
    form: u32,
    at: String,
    who: String,
    why: Option<String>,
    kind: String,
    body: Value,
    previous: String,
    hash: String,
}

/// The whole ledger as one JSON document, one entry a line.
///
/// # Errors
/// [`LedgerError`] when the ledger cannot be read.
pub fn to_json(ledger: &Ledger) -> Result<Vec<u8>, LedgerError> {
    let entries = ledger.entries(0)?;
    let fault = |why: String| LedgerError::Exchange { path: ledger.path().to_owned(), why };
    let head = entries.last().map(Entry::head).ok_or_else(|| fault("it has no entries".into()))?;
    let head = serde_json::to_string(&head).map_err(|e| fault(e.to_string()))?;
    let mut out = format!("{{\"schema\":\"{SCHEMA}\",\"head\":{head},\"entries\":[\n");
    for (i, entry) in entries.iter().enumerate() {
        // The hashed text is the entry but for its hash.
        let text = entry.hashed_text();
        let open = text.strip_suffix('}').unwrap_or(&text);
        let comma = if i + 1 < entries.len() { "," } else { "" };
        out.push_str(&format!("{open},\"hash\":\"{}\"}}{comma}\n", entry.hash));
    }
    out.push_str("]}\n");
    Ok(out.into_bytes())
}

/// Reads the entries of a document.
///
/// # Errors
/// [`LedgerError::Exchange`] when it is no such document, or its end was cut off.
pub fn from_json(path: &Path, bytes: &[u8]) -> Result<Vec<Entry>, LedgerError> {
    let fault = |why: String| LedgerError::Exchange { path: path.to_owned(), why };
    let document: Document = serde_json::from_slice(bytes)
        .map_err(|e| fault(format!("this is no exported ledger: {e}")))?;
    if document.schema != SCHEMA {
        return Err(fault(format!("it is of form {:?}, not {SCHEMA:?}", document.schema)));
    }
    let mut entries = Vec::with_capacity(document.entries.len());
    for line in document.entries {
        let body = super::canonical::canonical(&line.body)
            .map_err(|e| fault(format!("entry {}: {e}", line.seq)))?;
        entries.push(Entry {
            seq: line.seq,
            form: line.form,
            at: line.at,
            who: line.who,
            why: line.why,
            kind: line.kind,
            body,
            previous: line.previous,
            hash: line.hash,
        });
    }
    if entries.last().map(Entry::head) != Some(document.head) {
        return Err(fault("its last entry is not the head that it names: it was cut".into()));
    }
    Ok(entries)
}

/// The history as CSV: one row an entry, its body as JSON text.
///
/// # Errors
/// [`LedgerError`] when the ledger cannot be read.
pub fn entries_csv(ledger: &Ledger) -> Result<Vec<u8>, LedgerError> {
    let fault = |e: csv::Error| LedgerError::Exchange {
        path: ledger.path().to_owned(),
        why: e.to_string(),
    };
    let mut writer = csv::Writer::from_writer(Vec::new());
    let header = ["seq", "form", "at", "who", "why", "kind", "body", "previous", "hash"];
    writer.write_record(header).map_err(fault)?;
    for e in ledger.entries(0)? {
        let (seq, form) = (e.seq.to_string(), e.form.to_string());
        // Nothing and an empty word must stay apart: the first is `null`, the second `""`.
        let why =
            e.why.as_deref().map_or_else(|| "null".into(), super::canonical::canonical_string);
        let words = [&seq, &form, &e.at, &e.who, &why, &e.kind, &e.body, &e.previous, &e.hash];
        writer.write_record(words.map(|w| cell(w).into_owned())).map_err(fault)?;
    }
    writer.into_inner().map_err(|e| fault(e.into_error().into()))
}

/// Reads the entries of a CSV history.
///
/// # Errors
/// [`LedgerError::Exchange`] when a row cannot be read.
pub fn from_csv(path: &Path, bytes: &[u8]) -> Result<Vec<Entry>, LedgerError> {
    let fault = |why: String| LedgerError::Exchange { path: path.to_owned(), why };
    let mut entries = Vec::new();
    for (i, row) in csv::Reader::from_reader(bytes).into_records().enumerate() {
        let row = row.map_err(|e| fault(e.to_string()))?;
        let cell = |k: usize| words_of_cell(row.get(k).unwrap_or_default()).to_owned();
        let wrong = |what: &str| fault(format!("row {}: {what}", i + 2));
        entries.push(Entry {
            seq: cell(0).parse().map_err(|_| wrong("no entry number"))?,
            form: cell(1).parse().map_err(|_| wrong("no form number"))?,
            at: cell(2),
            who: cell(3),
            why: serde_json::from_str(&cell(4)).map_err(|_| wrong("no reason, not even null"))?,
            kind: cell(5),
            body: cell(6),
            previous: cell(7),
            hash: cell(8),
        });
    }
    if entries.is_empty() {
        return Err(fault("it has no entries: export the ledger again".into()));
    }
    Ok(entries)
}

/// Every object of a load as CSV, for a spreadsheet.
///
/// # Errors
/// [`LedgerError::Exchange`] when a row cannot be written.
pub fn objects_csv(load: &LoadRecord) -> Result<Vec<u8>, LedgerError> {
    use super::event::outcome_word;
    let fault = |e: csv::Error| LedgerError::Exchange {
        path: load.load.as_str().into(),
        why: e.to_string(),
    };
    let mut writer = csv::Writer::from_writer(Vec::new());
    let header = [
        "load",
        "lot",
        "tray",
        "bin",
        "object",
        "class_read",
        "class",
        "p_sound",
        "p_shriveled",
        "p_underripe",
        "p_debris",
        "area_mm2",
        "mass_g",
        "equivalent_diameter_mm",
    ];
    writer.write_record(header).map_err(fault)?;
    for lot in &load.lots {
        for tray in &lot.trays {
            for o in &tray.objects {
                let [a, b, c, d] = o.item.probabilities.map(|p| format!("{p:.6}"));
                let row = [
                    cell(&load.load).into_owned(),
                    cell(&lot.lot).into_owned(),
                    tray.tray.to_string(),
                    cell(tray.bin.as_deref().unwrap_or_default()).into_owned(),
                    o.object.to_string(),
                    outcome_word(o.read).to_owned(),
                    outcome_word(o.item.class).to_owned(),
                    a,
                    b,
                    c,
                    d,
                    format!("{:.6}", o.item.area_mm2),
                    format!("{:.6}", o.item.mass_g),
                    format!("{:.3}", o.item.equivalent_diameter_mm),
                ];
                writer.write_record(&row).map_err(fault)?;
            }
        }
    }
    writer.into_inner().map_err(|e| fault(e.into_error().into()))
}
