//! Closing a load, and the receipt that each party takes home: a file that anyone can check with
//! this program, without the network and without the other party.
//!
//! The receipt holds the closing entry whole. Its hash is the ledger's head at the close, and in its
//! body stand the figures and what is sealed with them: every photograph's hash, those that were
//! refused or retaken too, the seeds of every draw, and what the parties agreed. So none of it can
//! be changed without changing the head that both hold.

use std::collections::BTreeMap;
use std::path::Path;

use serde::{Deserialize, Serialize};
use serde_json::{Value, json};

use crate::dossier::{self, Dossier};
use crate::given;
use crate::ledger::archive::sha256_hex;
use crate::ledger::chain::{Entry, Head};
use crate::ledger::event::{Event, LoadClosed};
use crate::ledger::record::LoadRecord;
use crate::ledger::{Ledger, LedgerError, PROGRAM, Receipt, Signed};

/// Name and version of the file's form.
pub const SCHEMA: &str = "acinus-receipt/1";

/// What is sealed with the figures of a close: photographs, seeds and, where both parties reviewed
/// the load, what came of it.
pub fn sealed(record: &LoadRecord, parties: Option<Value>) -> Value {
    let mut photographs = Vec::new();
    let mut seeds = Vec::new();
    for lot in &record.lots {
        let row = |tray: u32, name: &str, sha256: &str, counts: bool| json!({"lot": lot.lot, "tray": tray, "name": name, "sha256": sha256, "counts": counts});
        photographs
            .extend(lot.trays.iter().map(|t| row(t.tray, &t.photo.name, &t.photo.sha256, true)));
        photographs.extend(lot.replaced.iter().map(|t| row(t.tray, &t.photo, &t.sha256, false)));
        if let Some((plan, said)) = &lot.plan {
            seeds.push(json!({
                "what": "plan", "lot": lot.lot, "seed": plan.seed, "entry": said.entry
            }));
        }
        for draw in &lot.draws {
            seeds.push(json!({
                "what": "review", "lot": lot.lot, "seed": draw.seed.to_string(),
                "entry": draw.drawn.entry, "drawn": draw.objects.len(), "of": draw.of
            }));
        }
    }
    let refused: Vec<Value> = record
        .refused
        .iter()
        .map(|r| {
            json!({
                "lot": r.lot, "tray": r.tray, "name": r.photo, "sha256": r.sha256,
                "reason": r.reason
            })
        })
        .collect();
    let mut sealed = json!({"photographs": photographs, "refused": refused, "seeds": seeds});
    if let (Some(parties), Some(map)) = (parties, sealed.as_object_mut()) {
        map.insert("parties".to_owned(), parties);
    }
    sealed
}

/// Closes a load with the figures that both parties see.
///
/// # Errors
/// [`LedgerError`] when a rule forbids it or the ledger cannot be written.
pub fn close(
    ledger: &mut Ledger,
    load: &str,
    parties: Option<Value>,
    by: Signed<'_>,
) -> Result<(Dossier, Receipt), LedgerError> {
    let dossier = dossier::of_load(ledger, load)?;
    let sealed = sealed(&ledger.load(load)?, parties);
    let figures = dossier.recordable().map_err(|e| unwritable(load, &e))?;
    let (load, outcome) = (load.to_owned(), dossier.outcome());
    let closed = LoadClosed { load, outcome, figures, sealed: Some(sealed) };
    let receipt = ledger.close_load(closed, by)?;
    Ok((dossier, receipt))
}

fn unwritable(load: &str, error: &serde_json::Error) -> LedgerError {
    let why = format!("the figures of {load} cannot be written: {error}");
    LedgerError::Exchange { path: "the ledger".into(), why }
}

/// The receipt's file.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ReceiptFile {
    /// [`SCHEMA`].
    pub schema: String,
    /// Program that wrote it.
    pub program: String,
    /// What it is, in words.
    pub notice: String,
    /// The load.
    pub load: String,
    /// Entries of the ledger up to and with the close.
    pub entries: u64,
    /// Hash of the last of them.
    pub head: String,
    /// The closing entry: when, who, the figures, and what is sealed with them.
    pub closing: Closing,
}

/// An entry as the receipt holds it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Closing {
    /// Its number.
    pub seq: u64,
    /// Form of the hashed text.
    pub form: u32,
    /// When.
    pub at: String,
    /// Who.
    pub who: String,
    /// Why.
    pub why: Option<String>,
    /// Its kind.
    pub kind: String,
    /// What it says.
    pub body: Value,
    /// Hash of the entry before.
    pub previous: String,
}

impl Closing {
    fn entry(&self, hash: &str) -> Result<Entry, String> {
        let body = crate::ledger::canonical::canonical(&self.body).map_err(|e| e.to_string())?;
        Ok(Entry {
            seq: self.seq,
            form: self.form,
            at: self.at.clone(),
            who: self.who.clone(),
            why: self.why.clone(),
            kind: self.kind.clone(),
            body,
            previous: self.previous.clone(),
            hash: hash.to_owned(),
        })
    }
}

/// The receipt of a closed load; none while it is open.
///
/// # Errors
/// [`LedgerError`] when the ledger cannot be read or has no such load.
pub fn of_load(ledger: &Ledger, load: &str) -> Result<Option<ReceiptFile>, LedgerError> {
    let Some(closed) = ledger.load(load)?.closed else { return Ok(None) };
    let Some(entry) = ledger.entries(closed.entry - 1)?.into_iter().next() else { return Ok(None) };
    let body = serde_json::from_str(&entry.body).map_err(|e| unwritable(load, &e))?;
    Ok(Some(ReceiptFile {
        schema: SCHEMA.to_owned(),
        program: PROGRAM.to_owned(),
        notice: format!(
            "{} Check it with: acinus ledger receipt FILE",
            crate::report::text::DISCLAIMER
        ),
        load: load.to_owned(),
        entries: entry.seq,
        head: entry.hash.clone(),
        closing: Closing {
            seq: entry.seq,
            form: entry.form,
            at: entry.at,
            who: entry.who,
            why: entry.why,
            kind: entry.kind,
            body,
            previous: entry.previous,
        },
    }))
}

/// One thing that was checked of a receipt.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Checked {
    /// Whether it holds.
    pub holds: bool,
    /// What was checked, and what is wrong if it does not hold.
    pub words: String,
}

/// Checks a receipt: by itself; against a ledger; against photographs, each by its hash.
///
/// # Errors
/// [`LedgerError`] when the ledger or the folder cannot be read at all. What does not hold is no
/// error: it is told.
pub fn check(
    receipt: &ReceiptFile,
    ledger: Option<&Ledger>,
    photographs: Option<&Path>,
) -> Result<Vec<Checked>, LedgerError> {
    let mut all = Vec::new();
    // Names in a receipt are its maker's: they must not make lines of their own.
    let mut say = |holds: bool, words: String| {
        all.push(Checked { holds, words: given::one_line(&words).into_owned() });
    };
    let holds = alone(receipt);
    let sealed = match &holds {
        Ok(closed) => {
            say(
                true,
                format!("the closing entry has the hash that the receipt names: {}", receipt.head),
            );
            closed.sealed.clone().unwrap_or(Value::Null)
        }
        Err(why) => {
            say(false, why.clone());
            Value::Null
        }
    };
    if let Some(words) = accepted(&sealed) {
        say(words.is_ok(), words.unwrap_or_else(|why| why));
    }
    if let Some(ledger) = ledger {
        let head = Head { entries: receipt.entries, hash: receipt.head.clone() };
        let found = ledger.verify(Some(&head))?;
        match found.faults.first() {
            None => say(
                true,
                format!("the ledger holds and has entry {} with this hash", receipt.entries),
            ),
            Some(fault) => say(
                false,
                format!(
                    "the ledger has {} faults, first: {}: {}",
                    found.faults.len(),
                    fault.place,
                    fault.what
                ),
            ),
        }
        match of_load(ledger, &receipt.load) {
            Ok(Some(own)) if own.closing == receipt.closing => {
                say(true, format!("load {} was closed with these figures", receipt.load));
            }
            _ => say(false, format!("the ledger has no such close of load {}", receipt.load)),
        }
    }
    if let Some(folder) = photographs {
        compare_photographs(&sealed, folder, &mut say)?;
    }
    Ok(all)
}

/// The closing entry, where the receipt holds by itself.
fn alone(receipt: &ReceiptFile) -> Result<LoadClosed, String> {
    if receipt.schema != SCHEMA {
        return Err(format!("it is of form {:?}, not {SCHEMA:?}", receipt.schema));
    }
    let entry = receipt.closing.entry(&receipt.head)?;
    let before =
        (entry.seq > 1).then(|| Head { entries: entry.seq - 1, hash: entry.previous.clone() });
    let event = entry.check(before.as_ref()).map_err(|e| format!("the closing entry: {e}"))?;
    match event {
        Event::LoadClosed(closed)
            if closed.load == receipt.load && receipt.entries == receipt.closing.seq =>
        {
            Ok(closed)
        }
        _ => Err("the entry it holds does not close this load".to_owned()),
    }
}

/// Whether the figures that the parties accepted are those that are sealed; none without parties or
/// where they did not agree.
fn accepted(sealed: &Value) -> Option<Result<String, String>> {
    let parties = sealed.get("parties")?;
    let figures = parties.get("figures").filter(|f| !f.is_null())?;
    let named = parties.get("sha256")?.as_str()?;
    let text = crate::ledger::canonical::canonical(figures).ok()?;
    Some(if sha256_hex(text.as_bytes()) == named {
        Ok(format!("the agreed figures have the hash that both accepted: {named}"))
    } else {
        Err("the agreed figures have another hash than the one that was accepted".to_owned())
    })
}

fn compare_photographs(
    sealed: &Value,
    folder: &Path,
    say: &mut impl FnMut(bool, String),
) -> Result<(), LedgerError> {
    let fault = |source| LedgerError::Archive { path: folder.to_owned(), source };
    let mut found: BTreeMap<String, String> = BTreeMap::new();
    for entry in std::fs::read_dir(folder).map_err(fault)? {
        let path = entry.map_err(fault)?.path();
        if path.is_file() {
            let name = path.file_name().unwrap_or_default().to_string_lossy().into_owned();
            found.insert(
                sha256_hex(&given::read(&path, given::Kind::Photograph).map_err(fault)?),
                name,
            );
        }
    }
    let list = |key: &str| sealed.get(key).and_then(Value::as_array).cloned().unwrap_or_default();
    let (counted, refused) = (list("photographs"), list("refused"));
    if counted.is_empty() && refused.is_empty() {
        say(false, "the receipt names no photographs".to_owned());
    }
    for photo in counted.iter().chain(&refused) {
        let text = |key: &str| photo.get(key).and_then(Value::as_str).unwrap_or("");
        match found.remove(text("sha256")) {
            Some(name) => say(true, format!("{}: here as {name}, unchanged", text("name"))),
            None => say(false, format!("{} ({}): not here", text("name"), text("sha256"))),
        }
    }
    if !found.is_empty() {
        say(true, format!("{} other files here are no part of the receipt", found.len()));
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::ledger::event::Delivery;
    use crate::ledger::tests::{LAB, opened, tray};

    fn closed(dir: &Path) -> (Ledger, ReceiptFile) {
        let mut ledger = Ledger::open_or_begin(&dir.join("l.sqlite")).unwrap();
        ledger.open_load(opened("A"), Delivery::default(), None, LAB).unwrap();
        let first = tray(&ledger, "A", "UNSORTED", 1, 40);
        ledger.record_tray(first, LAB).unwrap();
        let mut again = tray(&ledger, "A", "UNSORTED", 1, 41);
        again.retake = true;
        ledger.record_tray(again, Signed { who: "lab", why: Some("a leaf") }).unwrap();
        close(&mut ledger, "A", None, LAB).unwrap();
        let receipt = of_load(&ledger, "A").unwrap().unwrap();
        (ledger, receipt)
    }

    fn faults(all: &[Checked]) -> Vec<&str> {
        all.iter().filter(|c| !c.holds).map(|c| c.words.as_str()).collect()
    }

    #[test]
    fn a_receipt_holds_by_itself_against_the_ledger_and_the_photographs() {
        let dir = tempfile::tempdir().unwrap();
        let (ledger, receipt) = closed(dir.path());
        let photos = dir.path().join("photos");
        std::fs::create_dir(&photos).unwrap();
        for count in [40, 41] {
            let bytes = format!("photograph of A UNSORTED 1 {count}");
            std::fs::write(photos.join(format!("{count}.jpg")), bytes).unwrap();
        }
        let text = serde_json::to_vec(&receipt).unwrap();
        let again: ReceiptFile = serde_json::from_slice(&text).unwrap();
        let all = check(&again, Some(&ledger), Some(&photos)).unwrap();
        assert_eq!(faults(&all), Vec::<&str>::new());
        // Both photographs, the retaken one too.
        assert_eq!(all.len(), 5);
        std::fs::write(photos.join("40.jpg"), "another").unwrap();
        assert_eq!(faults(&check(&again, None, Some(&photos)).unwrap()).len(), 1);
        // Entries after the close do no harm.
        let mut ledger = ledger;
        ledger.open_load(opened("B"), Delivery::default(), None, LAB).unwrap();
        assert_eq!(faults(&check(&again, Some(&ledger), None).unwrap()), Vec::<&str>::new());
    }

    /// Whatever word or number of the closing entry is changed, it shows without the ledger.
    #[test]
    fn a_changed_receipt_does_not_hold() {
        let dir = tempfile::tempdir().unwrap();
        let (_, receipt) = closed(dir.path());
        let whole = serde_json::to_value(&receipt).unwrap();
        let mut changed = 0;
        let mut paths = Vec::new();
        collect("", &whole, &mut paths);
        for path in paths {
            // What may differ: words about the file that nothing rests on.
            if path == "/notice" || path == "/program" {
                continue;
            }
            let mut other = whole.clone();
            let place = other.pointer_mut(&path).unwrap();
            *place = match place {
                Value::Number(n) => json!(n.as_u64().unwrap_or(0) + 1),
                Value::String(s) => json!(format!("{s}1")),
                Value::Bool(b) => json!(!*b),
                _ => json!("x"),
            };
            let Ok(read) = serde_json::from_value::<ReceiptFile>(other) else { continue };
            assert!(!faults(&check(&read, None, None).unwrap()).is_empty(), "{path}");
            changed += 1;
        }
        assert!(changed > 100, "{changed}");
    }

    fn collect(at: &str, value: &Value, paths: &mut Vec<String>) {
        match value {
            Value::Object(map) => {
                map.iter().for_each(|(key, v)| collect(&format!("{at}/{key}"), v, paths));
            }
            Value::Array(list) => {
                list.iter().enumerate().for_each(|(i, v)| collect(&format!("{at}/{i}"), v, paths))
            }
            _ => paths.push(at.to_owned()),
        }
    }
}
