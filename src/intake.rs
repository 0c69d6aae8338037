//! From a photograph's file to what the ledger is told of it.
//!
//! In two steps, so that many photographs can be read at once and recorded one after the other:
//! [`read`] does the work and keeps the files, [`record`] makes the entry. A batch can be run again:
//! a photograph that is recorded is not recorded twice.

use serde::Serialize;

use crate::finding::Severity;
use crate::given::one_line;
use crate::ledger::archive::{Archive, sha256_hex};
use crate::ledger::event::{PhotoKept, PhotoRefused, Told, TrayRecorded};
use crate::ledger::object::{FIELD_NAMES, RecordedObject};
use crate::ledger::{Ledger, LedgerError, PROGRAM, PhotoState, Signed};
use crate::marks::SlipText;
use crate::pipeline::{self, Settings, TrayReading};
use crate::profile::Profile;
use crate::report::labels;

/// What the user said of a photograph; what is left out comes from its slip and the plan.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Said {
    /// The load.
    pub load: Option<String>,
    /// The lot.
    pub lot: Option<String>,
    /// The tray's number.
    pub tray: Option<u32>,
    /// The bin.
    pub bin: Option<String>,
    /// It takes the place of an earlier photograph of the tray.
    pub retake: bool,
}

/// What [`read`] found out.
#[derive(Debug)]
pub enum Found {
    /// The photograph is recorded as a tray already.
    Known(String),
    /// A tray, ready to be recorded.
    Tray(Box<TrayRecorded>),
    /// A photograph that cannot be used, ready to be recorded.
    Refused(PhotoRefused),
    /// Nothing that could be recorded, and why.
    Nothing(String),
}

/// What became of a photograph.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[serde(tag = "status", rename_all = "kebab-case")]
pub enum Became {
    /// A tray of the load.
    Recorded {
        /// The load.
        load: String,
        /// The lot.
        lot: String,
        /// The tray's number.
        tray: u32,
        /// Objects on it.
        objects: usize,
        /// Cautions about it.
        cautions: Vec<String>,
    },
    /// It was recorded before; nothing was added.
    RecordedBefore {
        /// As what.
        what: String,
    },
    /// Kept as refused.
    Refused {
        /// Why.
        reason: String,
    },
    /// Not recorded at all.
    NotRecorded {
        /// Why, and what to do.
        reason: String,
    },
}

/// Reads a photograph and keeps its file, and its outlines, in the archive.
///
/// `known` tells how the ledger knows a photograph.
///
/// # Errors
/// [`LedgerError`] when the archive or the ledger cannot be used. What is wrong with the photograph
/// is no error: it is found.
pub fn read(
    name: &str,
    bytes: &[u8],
    said: &Said,
    profile: &Profile,
    settings: &Settings,
    archive: &Archive,
    known: impl Fn(&str) -> Result<PhotoState, LedgerError>,
) -> Result<Found, LedgerError> {
    if let PhotoState::Tray(words) = known(&sha256_hex(bytes))? {
        return Ok(Found::Known(words));
    }
    let stem = stem(name);
    let reading = pipeline::read_tray(&stem, bytes, profile, settings);
    found(name, bytes, said, reading.as_ref().map(|(_, reading)| reading), archive)
}

/// A file's name without its ending: what a reading is called by.
pub fn stem(name: &str) -> String {
    std::path::Path::new(name).file_stem().unwrap_or_default().to_string_lossy().into_owned()
}

/// What a photograph's reading comes to, its file and outlines kept in the archive.
///
/// # Errors
/// [`LedgerError`] when the archive cannot be used.
pub fn found(
    name: &str,
    bytes: &[u8],
    said: &Said,
    reading: Result<&TrayReading, &pipeline::Error>,
    archive: &Archive,
) -> Result<Found, LedgerError> {
    let sha256 = sha256_hex(bytes);
    let photo = |taken: Option<String>| -> Result<PhotoKept, LedgerError> {
        archive.keep(bytes)?;
        let (sha256, name) = (sha256.clone(), one_line(name).into_owned());
        Ok(PhotoKept { sha256, bytes: bytes.len() as u64, name, taken })
    };
    let reading = match reading {
        Ok(reading) => reading,
        Err(error @ (pipeline::Error::Photo(_) | pipeline::Error::Fault(_))) => {
            return Ok(Found::Nothing(error.to_string()));
        }
        Err(error) => {
            let slip = match error {
                pipeline::Error::Refused { slip, .. } => slip.as_ref(),
                _ => None,
            };
            let reason = error.to_string();
            return Ok(match place(said, slip) {
                Err(why) => Found::Nothing(why),
                Ok((load, lot, tray)) => {
                    Found::Refused(PhotoRefused { load, lot, tray, photo: photo(None)?, reason })
                }
            });
        }
    };
    let slip = reading.marks.slip.as_ref().map(|s| &s.text);
    let (load, lot, tray) = match place(said, slip) {
        Ok((Some(load), Some(lot), Some(tray))) => (load, lot, tray),
        Ok((load, lot, _)) => {
            let missing = match (load, lot) {
                (None, _) => "load: name it with --load",
                (_, None) => "lot: name it with --lot",
                _ => "tray: number it with --number",
            };
            let why = if slip.is_some() { "the slip names no" } else { "no slip was read, so no" };
            return Ok(Found::Nothing(format!("{why} {missing}")));
        }
        Err(why) => return Ok(Found::Nothing(why)),
    };
    let picture = match labels::labels_png(&reading.labels) {
        Ok(picture) => picture,
        Err(error) => return Ok(Found::Nothing(error.to_string())),
    };
    let outlines = Some(archive.keep(&picture)?);
    let photo = photo(reading.taken.clone())?;
    Ok(Found::Tray(Box::new(TrayRecorded {
        load,
        lot,
        tray,
        bin: said.bin.clone(),
        photo,
        outlines,
        fruit: reading.fruit.name().to_owned(),
        profile: reading.profile.clone(),
        program: PROGRAM.to_owned(),
        // A pixel a micrometre is beyond every camera; the clamp keeps the cast honest.
        scale_mpx_per_mm: (reading.marks.frame.px_per_mm * 1000.0).round().clamp(0.0, 1e9) as i64,
        forced: reading.forced,
        retake: said.retake,
        told: told(reading),
        fields: FIELD_NAMES.iter().map(|n| (*n).to_owned()).collect(),
        objects: reading.objects.iter().map(RecordedObject::from).collect(),
    })))
}

type Place = (Option<String>, Option<String>, Option<u32>);

/// Where a photograph belongs: what the user said and what the slip says, which must agree.
fn place(said: &Said, slip: Option<&SlipText>) -> Result<Place, String> {
    let Some(slip) = slip else { return Ok((said.load.clone(), said.lot.clone(), said.tray)) };
    for (what, given, read) in [("load", &said.load, &slip.load), ("lot", &said.lot, &slip.lot)] {
        if let Some(given) = given.as_ref().filter(|g| *g != read) {
            return Err(format!(
                "its slip says {what} {read}, you said {given}; leave out --{what}, or photograph \
                 it with the right slip"
            ));
        }
    }
    if let Some(given) = said.tray.filter(|t| *t != slip.tray) {
        return Err(format!(
            "its slip says tray {}, you said {given}; leave out --number, or photograph it with the \
             right slip",
            slip.tray
        ));
    }
    Ok((Some(slip.load.clone()), Some(slip.lot.clone()), Some(slip.tray)))
}

/// Findings but for the fine ones, assumptions and cautions.
fn told(reading: &TrayReading) -> Vec<Told> {
    let told = |weight: &str, words: &str| Told { weight: weight.into(), words: words.into() };
    let findings = reading.findings.iter().filter_map(|f| match f.severity {
        Severity::Fine => None,
        Severity::Caution => Some(told("caution", &f.message)),
        Severity::Refusal => Some(told("refusal", &f.message)),
    });
    let cautions = reading.cautions.iter().map(|c| told("caution", c));
    let assumptions = reading.assumptions.iter().map(|a| told("assumption", a));
    findings.chain(cautions).chain(assumptions).collect()
}

/// Records what was found. A rule that forbids it is told as what became of the photograph.
///
/// # Errors
/// [`LedgerError`] when the ledger cannot be written.
pub fn record(ledger: &mut Ledger, found: Found, by: Signed<'_>) -> Result<Became, LedgerError> {
    let (result, became) = match found {
        Found::Known(what) => return Ok(Became::RecordedBefore { what }),
        Found::Nothing(reason) => return Ok(Became::NotRecorded { reason }),
        Found::Tray(mut tray) => {
            if tray.bin.is_none() {
                tray.bin = ledger.planned_bin(&tray.load, &tray.lot, tray.tray)?;
            }
            let cautions = tray.told.iter().filter(|t| t.weight != "assumption");
            let became = Became::Recorded {
                load: tray.load.clone(),
                lot: tray.lot.clone(),
                tray: tray.tray,
                objects: tray.objects.len(),
                cautions: cautions.map(|t| t.words.clone()).collect(),
            };
            (ledger.record_tray(*tray, by), became)
        }
        Found::Refused(refused) => {
            let became = Became::Refused { reason: refused.reason.clone() };
            (ledger.refuse_photo(refused, by), became)
        }
    };
    match (result, became) {
        (Ok(_), became) => Ok(became),
        // Refused before and now again: the photograph is still not usable.
        (Err(error), Became::Refused { reason }) if error.is_photo_known() => {
            Ok(Became::Refused { reason })
        }
        (Err(error), _) if error.is_photo_known() => {
            Ok(Became::RecordedBefore { what: error.to_string() })
        }
        (Err(LedgerError::Refused(rule)), _) => {
            Ok(Became::NotRecorded { reason: rule.to_string() })
        }
        (Err(error), _) => Err(error),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn slip_and_user_must_agree() {
        let slip = SlipText { load: "HV-0417".into(), lot: "UNSORTED".into(), tray: 3 };
        let all = (Some("HV-0417".to_owned()), Some("UNSORTED".to_owned()), Some(3));
        let said = Said::default();
        assert_eq!(place(&said, Some(&slip)), Ok(all.clone()));
        let same = Said { load: Some("HV-0417".into()), tray: Some(3), ..said.clone() };
        assert_eq!(place(&same, Some(&slip)), Ok(all));
        assert_eq!(place(&same, None), Ok((Some("HV-0417".to_owned()), None, Some(3))));
        for other in [
            Said { load: Some("HV-0418".into()), ..said.clone() },
            Said { lot: Some("SORTED".into()), ..said.clone() },
            Said { tray: Some(4), ..said },
        ] {
            let why = place(&other, Some(&slip)).unwrap_err();
            assert!(why.contains("its slip says") && why.contains("leave out --"), "{why}");
        }
    }
}
