//! `NAME.json`: everything that was read from one photograph, versioned.
//!
//! A reader may rely on the names and units of [`SCHEMA`]; a change that breaks one raises the
//! number. Numbers are rounded to fixed decimals, so the same photograph gives the same bytes.

use std::collections::BTreeMap;

use serde::Serialize;

use super::Error;
use super::columns::{ObjectJson, rounded};
use crate::classify::Fruit;
use crate::finding::{ColourFacts, Finding};
use crate::frame::{CameraSource, FrameSource};
use crate::load::LotFigures;
use crate::marks::{Marks, SlipText};
use crate::pipeline::TrayReading;

/// Name and version of the document.
pub const SCHEMA: &str = "acinus-tray/1";

/// Whether the document carries seconds, which differ from run to run.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Timings {
    /// Leave them out: the same photograph gives the same bytes.
    Omit,
    /// Write them.
    Include,
}

/// One tray as a JSON document.
#[derive(Serialize)]
pub struct TrayJson<'a> {
    schema: &'static str,
    program: Program,
    name: &'a str,
    sha256: &'a str,
    size_px: [u32; 2],
    taken: Option<&'a str>,
    frame: FrameJson,
    slip: Option<&'a SlipText>,
    colour: Option<ColourFacts>,
    fruit: Fruit,
    profile: &'a str,
    findings: &'a [Finding],
    forced: bool,
    shares: Option<&'a LotFigures>,
    objects: Vec<ObjectJson<'a>>,
    assumptions: &'a [String],
    cautions: &'a [String],
    #[serde(skip_serializing_if = "Option::is_none")]
    timings_s: Option<Vec<TimingJson>>,
}

/// Which program wrote a document.
#[derive(Serialize)]
pub(super) struct Program {
    name: &'static str,
    version: &'static str,
}

/// This program.
pub(super) const PROGRAM: Program =
    Program { name: env!("CARGO_PKG_NAME"), version: env!("CARGO_PKG_VERSION") };

#[derive(Serialize)]
struct FrameJson {
    source: FrameSource,
    tray_mm: Option<[f64; 2]>,
    tiles: BTreeMap<char, TileJson>,
    mm_to_px: [[f64; 3]; 3],
    px_per_mm: f64,
    lens_k1: f64,
    lens_centre_px: [f64; 2],
    camera_mm: [f64; 3],
    camera_source: CameraSource,
    reprojection_rms_px: Option<f64>,
}

#[derive(Serialize)]
struct TileJson {
    centre_mm: [f64; 2],
    side_mm: f64,
    corners_px: [[f64; 2]; 4],
}

#[derive(Serialize)]
struct TimingJson {
    stage: &'static str,
    seconds: f64,
}

impl<'a> TrayJson<'a> {
    /// The document of one reading; `shares` are those of this tray alone.
    pub fn new(reading: &'a TrayReading, shares: Option<&'a LotFigures>, timings: Timings) -> Self {
        TrayJson {
            schema: SCHEMA,
            program: PROGRAM,
            name: &reading.name,
            sha256: &reading.sha256,
            size_px: reading.size_px,
            taken: reading.taken.as_deref(),
            frame: FrameJson::new(&reading.marks),
            slip: reading.marks.slip.as_ref().map(|s| &s.text),
            colour: reading.colour.map(rounded_colour),
            fruit: reading.fruit,
            profile: &reading.profile,
            findings: &reading.findings,
            forced: reading.forced,
            shares,
            objects: reading.objects.iter().map(ObjectJson).collect(),
            assumptions: &reading.assumptions,
            cautions: &reading.cautions,
            timings_s: (timings == Timings::Include).then(|| {
                let timing = |&(stage, s): &(&'static str, f64)| TimingJson {
                    stage,
                    seconds: rounded(s, 4),
                };
                reading.timings.iter().map(timing).collect()
            }),
        }
    }

    /// The document as bytes, with a line end.
    pub fn bytes(&self) -> Result<Vec<u8>, Error> {
        to_bytes(self)
    }
}

fn rounded_colour(facts: ColourFacts) -> ColourFacts {
    ColourFacts {
        paper_evenness: facts.paper_evenness.map(|e| rounded(e, 3)),
        paper_code: facts.paper_code.map(|c| rounded(c, 1)),
        grey_patches_delta_e00: facts.grey_patches_delta_e00.map(|d| rounded(d, 3)),
        grey_patches_by_paper_delta_e00: facts
            .grey_patches_by_paper_delta_e00
            .map(|d| rounded(d, 3)),
        tone_gain: facts.tone_gain.map(|g| rounded(g, 4)),
        ..facts
    }
}

/// Any document as indented JSON with a line end.
pub fn to_bytes<T: Serialize>(document: &T) -> Result<Vec<u8>, Error> {
    let mut bytes = serde_json::to_vec_pretty(document)
        .map_err(|e| Error::Encode { what: "the JSON document", why: e.to_string() })?;
    bytes.push(b'\n');
    Ok(bytes)
}

impl FrameJson {
    fn new(marks: &Marks) -> Self {
        let frame = &marks.frame;
        let tiles = marks.tiles.iter().map(|t| {
            let tile = TileJson {
                centre_mm: t.centre_mm,
                side_mm: t.side_mm,
                corners_px: t.corners_px.map(|c| c.map(|v| rounded(v, 3))),
            };
            (t.name, tile)
        });
        FrameJson {
            source: frame.source,
            tray_mm: frame.tray_mm,
            tiles: tiles.collect(),
            mm_to_px: frame.mm_to_px,
            px_per_mm: rounded(frame.px_per_mm, 5),
            lens_k1: rounded(frame.lens.k1, 6),
            lens_centre_px: frame.lens.centre_px.map(|v| rounded(v, 3)),
            camera_mm: frame.camera_mm.map(|v| rounded(v, 3)),
            camera_source: frame.camera_source,
            reprojection_rms_px: frame.reprojection_rms_px.map(|v| rounded(v, 4)),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::samples;

    #[test]
    fn acceptance_reads_these_fields() {
        let (_, reading) = samples::tray();
        let bytes = TrayJson::new(&reading, None, Timings::Omit).bytes().expect("json");
        let document: serde_json::Value = serde_json::from_slice(&bytes).expect("parse");
        assert_eq!(document["schema"], SCHEMA);
        let frame = &document["frame"];
        for name in ["A", "B", "C", "D"] {
            assert_eq!(frame["tiles"][name]["corners_px"].as_array().map(Vec::len), Some(4));
        }
        assert_eq!(frame["tiles"]["A"]["corners_px"][0], serde_json::json!([11.5, 11.5]));
        assert_eq!(frame["camera_mm"].as_array().map(Vec::len), Some(3));
        for name in ["px_per_mm", "lens_k1", "reprojection_rms_px"] {
            assert!(frame[name].is_number(), "{name}");
        }
        assert_eq!(document["slip"]["load"], "DT-0001");
        assert_eq!(document["objects"].as_array().map(Vec::len), Some(reading.objects.len()));
        assert_eq!(document["objects"][1]["class"], "shriveled");
        assert!(document.get("timings_s").is_none());
    }

    #[test]
    fn timings_only_when_asked_and_a_missing_number_is_null() {
        let (_, mut reading) = samples::tray();
        reading.objects[0].mass_g = f64::NAN;
        let bytes = TrayJson::new(&reading, None, Timings::Include).bytes().expect("json");
        let document: serde_json::Value = serde_json::from_slice(&bytes).expect("parse");
        assert_eq!(document["timings_s"][0]["stage"], "decode");
        assert!(document["objects"][0]["mass_g"].is_null());
    }
}
