//! What travels inside the sheet: every figure of it, for programs, and what it is to be checked
//! against.

use serde::{Deserialize, Serialize};
use serde_json::Value;

use super::{Settings, SheetError, Source};
use crate::dossier;
use crate::ledger::chain::Head;
use crate::ledger::event::outcome_word;
use crate::ledger::record::Stamp;
use crate::ledger::{PROGRAM, canonical};
use crate::report::{palette, plots};
use crate::streams::{self, StreamSettings, Streams};

/// Name and version of the document.
pub const SCHEMA: &str = "acinus-sheet/1";

/// The attached document. Fractions are decimal strings, as in the ledger.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Figures {
    /// [`SCHEMA`].
    pub schema: String,
    /// Program and version that made the sheet.
    pub program: String,
    /// The load.
    pub load: String,
    /// Whether it is closed; else the sheet is a draft.
    pub closed: bool,
    /// Entry as of which the sheet speaks, and the ledger's head there.
    pub ledger: At,
    /// How it is written.
    pub settings: Settings,
    /// Photographs: those that count, retaken and refused ones.
    pub photographs: Vec<Photograph>,
    /// The load in full: what `acinus load show --format json` prints and a close records.
    pub figures: Value,
    /// Diameters of the first lot's objects a millimetre, by class; the last bar holds what is larger.
    pub diameters: Vec<Diameters>,
    /// The streams before and after the sorter, where two lots of them exist.
    pub streams: Option<Value>,
    /// Why there are none although there are such lots.
    pub no_streams: Option<String>,
    /// Objects that a person gave another class.
    pub corrections: Vec<Correction>,
}

/// A point of the ledger.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct At {
    /// Entries up to there.
    pub entries: u64,
    /// Hash of the last of them.
    pub head: String,
    /// When it was said.
    pub at: String,
}

impl At {
    /// As the ledger has it.
    pub fn head(&self) -> Head {
        Head { entries: self.entries, hash: self.head.clone() }
    }
}

/// A photograph of the load.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Photograph {
    /// Its lot, if known.
    pub lot: Option<String>,
    /// Its tray, if known.
    pub tray: Option<u32>,
    /// File name.
    pub name: String,
    /// SHA-256.
    pub sha256: String,
    /// `counts`, `retaken` or `refused`.
    pub state: String,
}

/// Objects of a class by their diameter.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Diameters {
    /// The class, or `unassigned`.
    pub class: String,
    /// Objects from 0 to 1 mm, from 1 to 2 mm and so on.
    pub objects: Vec<usize>,
}

/// An object that a person gave another class.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Correction {
    /// The lot.
    pub lot: String,
    /// The tray.
    pub tray: u32,
    /// The object.
    pub object: u32,
    /// Its class as read.
    pub read: String,
    /// Its class as given.
    pub given: String,
    /// Number of the entry.
    pub entry: u64,
    /// When.
    pub at: String,
    /// Who.
    pub who: String,
    /// Why.
    pub why: Option<String>,
}

impl Figures {
    pub(super) fn of(source: &Source<'_>, settings: &Settings) -> Result<Figures, SheetError> {
        let load = &source.record.load;
        let json =
            |e: serde_json::Error| SheetError::Json { load: load.clone(), why: e.to_string() };
        let (streams, no_streams) = match streams(source)? {
            None => (None, None),
            Some(Err(why)) => (None, Some(why)),
            Some(Ok(found)) => {
                let value = serde_json::to_value(&found).map_err(json)?;
                (Some(canonical::without_floats(value)), None)
            }
        };
        Ok(Figures {
            schema: SCHEMA.to_owned(),
            program: PROGRAM.to_owned(),
            load: load.clone(),
            closed: source.record.closed.is_some(),
            ledger: At {
                entries: source.basis.entry,
                head: source.head.clone(),
                at: source.basis.at.clone(),
            },
            settings: *settings,
            photographs: photographs(source),
            figures: source.dossier.recordable().map_err(json)?,
            diameters: diameters(source),
            streams,
            no_streams,
            corrections: corrections(source)?,
        })
    }
}

/// The streams of the load; none when fewer than two of its lots are such, or the reason why they
/// cannot be balanced.
pub(super) fn streams(source: &Source<'_>) -> Result<Option<Result<Streams, String>>, SheetError> {
    let lots = dossier::streams_of(source.ledger, &source.record.load)?;
    if lots.len() < 2 {
        return Ok(None);
    }
    let found = streams::balance(&lots, &StreamSettings::default());
    Ok(Some(found.map_err(|e| e.to_string())))
}

fn photographs(source: &Source<'_>) -> Vec<Photograph> {
    let mut all = Vec::new();
    let mut add = |lot: Option<&String>, tray, name: &str, sha256: &str, state: &str| {
        all.push(Photograph {
            lot: lot.cloned(),
            tray,
            name: name.to_owned(),
            sha256: sha256.to_owned(),
            state: state.to_owned(),
        });
    };
    for lot in &source.record.lots {
        let own = Some(&lot.lot);
        for t in &lot.trays {
            add(own, Some(t.tray), &t.photo.name, &t.photo.sha256, "counts");
        }
        for t in &lot.replaced {
            add(own, Some(t.tray), &t.photo, &t.sha256, "retaken");
        }
    }
    for r in &source.record.refused {
        add(r.lot.as_ref(), r.tray, &r.photo, &r.sha256, "refused");
    }
    all
}

/// The lot that is shown in pictures: the delivered one, or the first.
fn diameters(source: &Source<'_>) -> Vec<Diameters> {
    let shown = source.dossier.lots.iter().find(|l| !l.taken.is_empty()).map(|l| &l.lot);
    let Some(lot) = source.record.lots.iter().find(|l| Some(&l.lot) == shown) else {
        return Vec::new();
    };
    let counts = |outcome| {
        let items = lot.trays.iter().flat_map(|t| &t.objects).map(|o| o.item);
        let own = items.filter(|i| i.class == outcome);
        plots::counts_a_mm(own.map(|i| i.equivalent_diameter_mm))
    };
    palette::OUTCOMES
        .into_iter()
        .map(|o| Diameters { class: outcome_word(o).to_owned(), objects: counts(o) })
        .filter(|d| !d.objects.is_empty())
        .collect()
}

fn corrections(source: &Source<'_>) -> Result<Vec<Correction>, SheetError> {
    let mut all = Vec::new();
    for lot in &source.record.lots {
        for tray in &lot.trays {
            for object in &tray.objects {
                let Some(entry) = object.corrected else { continue };
                let Stamp { at, who, why, .. } = source.ledger.stamp(entry)?;
                all.push(Correction {
                    lot: lot.lot.clone(),
                    tray: tray.tray,
                    object: object.object,
                    read: outcome_word(object.read).to_owned(),
                    given: outcome_word(object.item.class).to_owned(),
                    entry,
                    at,
                    who,
                    why,
                });
            }
        }
    }
    Ok(all)
}
