//! What is printed: a short table to read, or one JSON document.

use std::fmt::Write as _;

use serde::Serialize;

use super::Error;
use super::json::{PROGRAM, Program, to_bytes};
use super::run::{LeftOut, LotResult, Run};
use super::sheet::Sheet;
use crate::finding::Finding;
use crate::given::one_line;
use crate::load::{Basis, GroupFigures, LossTerm, LotFigures, Share};
use crate::marks::SlipText;

/// Said under every set of figures.
pub const DISCLAIMER: &str = "Estimates from photographs: no official inspection and no \
     legal-for-trade weight; the contract, the licensed weighmaster and the local inspection \
     service decide.";

/// A share in per cent; below 1 % with one more decimal, for debris weighs little.
pub fn percent(share: f64, like: f64) -> String {
    let decimals = if like < 0.01 { 2 } else { 1 };
    format!("{:.decimals$}", 100.0 * share)
}

/// `7.7 % (5.9 to 9.9)`.
pub fn share(share: &Share) -> String {
    let p = |v: f64| percent(v, share.estimate);
    format!("{} % ({} to {})", p(share.estimate), p(share.interval.low), p(share.interval.high))
}

/// The run as a table to read.
pub fn table(run: &Run) -> String {
    let mut out = String::new();
    for lot in &run.lots {
        // Writing to a String cannot fail.
        let _ = write_lot(&mut out, lot, run);
    }
    for left in run.left_out() {
        let words = format!("not used: {}: {}", left.file, left.message);
        let _ = writeln!(out, "{}", one_line(&words));
    }
    if !run.lots.is_empty() {
        let _ = writeln!(out, "{DISCLAIMER}");
    }
    out
}

fn write_lot(out: &mut String, lot: &LotResult, run: &Run) -> std::fmt::Result {
    let figures = match &lot.figures {
        Ok(figures) => figures,
        Err(error) => return writeln!(out, "{}: no figures: {error}\n", lot.name),
    };
    writeln!(
        out,
        "{}: {}, {}, about {:.0} g",
        lot.name,
        plural(figures.trays, "tray"),
        plural(figures.objects, "object"),
        figures.mass_g
    )?;
    write_figures(out, figures)?;
    let doubtful: usize =
        run.sheets().filter(|s| lot.photos.contains(&s.name)).map(|s| s.doubtful_count).sum();
    if doubtful > 0 {
        writeln!(out, "  unsure of {}: see the report", plural(doubtful, "object"))?;
    }
    write_loss(out, figures)?;
    for line in notes(lot, figures, run) {
        writeln!(out, "  {line}")?;
    }
    writeln!(out)
}

/// Shares of each class, of all rejects and of what is unassigned, and the berries' diameter.
pub(super) fn write_figures(out: &mut String, figures: &LotFigures) -> std::fmt::Result {
    writeln!(
        out,
        "  {:<11}objects   {:<24}{:<24}by mass (95 % interval)",
        "", "by count", "by area"
    )?;
    for class in &figures.classes {
        write_row(out, class.class.name(), &class.figures)?;
    }
    write_row(out, "rejects", &figures.rejects)?;
    if figures.unassigned.count > 0 {
        let u = &figures.unassigned;
        writeln!(
            out,
            "  {:<11}{:>7}   {:<24}{:<24}{} %",
            "unassigned",
            u.count,
            format!("{} %", percent(u.share_by_count, u.share_by_count)),
            "",
            percent(u.share_by_mass, u.share_by_mass)
        )?;
    }
    if let Some(d) = &figures.berry_diameter {
        let spread = d.sd_mm.map(|s| format!(", standard deviation {s:.1} mm")).unwrap_or_default();
        writeln!(out, "  berry diameter {:.1} mm on average{spread}", d.mean_mm)?;
    }
    Ok(())
}

fn write_row(out: &mut String, name: &str, group: &GroupFigures) -> std::fmt::Result {
    writeln!(
        out,
        "  {name:<11}{:>7}   {:<24}{:<24}{}",
        group.count,
        share(group.share(Basis::Count)),
        share(group.share(Basis::Area)),
        share(group.share(Basis::Mass))
    )
}

pub(super) fn write_loss(out: &mut String, figures: &LotFigures) -> std::fmt::Result {
    let Some(loss) = &figures.loss else { return Ok(()) };
    let kg = |t: &LossTerm| format!("{:.0} kg ({:.0} to {:.0})", t.kg, t.low_kg, t.high_kg);
    writeln!(out, "  sorting loss of {} t: {}", loss.load_tonnes, kg(&loss.total))?;
    writeln!(
        out,
        "    rejects taken out {}, at a removal rate of {}",
        kg(&loss.rejects),
        loss.rates.removal_rate
    )?;
    writeln!(
        out,
        "    sound fruit lost {}, at a false-reject rate of {}",
        kg(&loss.sound),
        loss.rates.false_reject_rate
    )
}

/// Cautions of a lot and of its photographs, each once, a photograph's with its name.
fn notes(lot: &LotResult, figures: &LotFigures, run: &Run) -> Vec<String> {
    let mut lines: Vec<String> = figures.cautions.iter().map(|c| format!("caution: {c}")).collect();
    for sheet in run.sheets().filter(|s| lot.photos.contains(&s.name)) {
        if sheet.forced {
            lines.push(format!("caution: {}: refused, measured by force", sheet.name));
        }
        lines.extend(sheet.cautions.iter().map(|c| format!("caution: {}: {c}", sheet.name)));
    }
    lines
}

/// `1 tray`, `2 trays`.
pub fn plural(n: usize, noun: &str) -> String {
    if n == 1 { format!("1 {noun}") } else { format!("{n} {noun}s") }
}

/// A step of an axis from 0 to `most`, per cent: 1, 2 or 5 times a power of ten, six of them at most.
pub(crate) fn step(most: f64) -> f64 {
    let steps = [0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0];
    steps.into_iter().find(|s| most / s <= 6.0).unwrap_or(20.0)
}

/// How long the stages took, one line a photograph; empty when nobody measured.
pub fn timings(run: &Run) -> String {
    let mut out = String::new();
    for sheet in run.sheets().filter(|s| !s.timings.is_empty()) {
        let total: f64 = sheet.timings.iter().map(|t| t.1).sum();
        let _ = write!(out, "{}: {:.0} ms", sheet.name, 1000.0 * total);
        for (stage, seconds) in &sheet.timings {
            let _ = write!(out, ", {stage} {:.0}", 1000.0 * seconds);
        }
        out.push('\n');
    }
    out
}

/// Name and version of the document of a whole run.
pub const RUN_SCHEMA: &str = "acinus-run/1";

#[derive(Serialize)]
struct RunJson<'a> {
    schema: &'static str,
    program: Program,
    lots: Vec<LotJson<'a>>,
    photos: Vec<PhotoJson<'a>>,
    left_out: Vec<&'a LeftOut>,
    disclaimer: &'static str,
}

#[derive(Serialize)]
struct LotJson<'a> {
    name: &'a str,
    photos: &'a [String],
    #[serde(flatten)]
    figures: Option<&'a LotFigures>,
    #[serde(skip_serializing_if = "Option::is_none")]
    error: Option<String>,
}

#[derive(Serialize)]
struct PhotoJson<'a> {
    file: &'a str,
    name: &'a str,
    sha256: &'a str,
    slip: Option<&'a SlipText>,
    objects: usize,
    doubtful: usize,
    forced: bool,
    findings: &'a [Finding],
    assumptions: &'a [String],
    cautions: &'a [String],
}

impl<'a> From<&'a LotResult> for LotJson<'a> {
    fn from(lot: &'a LotResult) -> Self {
        LotJson {
            name: &lot.name,
            photos: &lot.photos,
            figures: lot.figures.as_ref().ok(),
            error: lot.figures.as_ref().err().map(ToString::to_string),
        }
    }
}

impl<'a> From<&'a Sheet> for PhotoJson<'a> {
    fn from(sheet: &'a Sheet) -> Self {
        PhotoJson {
            file: &sheet.file,
            name: &sheet.name,
            sha256: &sheet.sha256,
            slip: sheet.slip(),
            objects: sheet.objects.len(),
            doubtful: sheet.doubtful_count,
            forced: sheet.forced,
            findings: &sheet.findings,
            assumptions: &sheet.assumptions,
            cautions: &sheet.cautions,
        }
    }
}

/// The run as one JSON document; objects are in each photograph's own document.
pub fn json(run: &Run) -> Result<Vec<u8>, Error> {
    to_bytes(&RunJson {
        schema: RUN_SCHEMA,
        program: PROGRAM,
        lots: run.lots.iter().map(LotJson::from).collect(),
        photos: run.sheets().map(PhotoJson::from).collect(),
        left_out: run.left_out().collect(),
        disclaimer: DISCLAIMER,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::samples;

    #[test]
    fn the_table_reads_like_this() {
        insta::assert_snapshot!(table(&samples::run(Some(12.5))));
    }

    #[test]
    fn nothing_measured_is_said_and_nothing_else() {
        insta::assert_snapshot!(table(&samples::run_of_bad_photographs()));
    }

    #[test]
    fn small_shares_get_one_more_decimal() {
        assert_eq!(percent(0.0031, 0.0031), "0.31");
        assert_eq!(percent(0.031, 0.031), "3.1");
        assert_eq!(percent(0.012, 0.0031), "1.20");
        assert_eq!(percent(1.0, 1.0), "100.0");
    }

    #[test]
    fn the_document_holds_lots_photographs_and_what_was_left_out() {
        let bytes = json(&samples::run(Some(12.5))).expect("json");
        let document: serde_json::Value = serde_json::from_slice(&bytes).expect("parse");
        assert_eq!(document["schema"], RUN_SCHEMA);
        assert_eq!(document["lots"][0]["lot"], "DT-0001 UNSORTED");
        assert!(document["lots"][0]["rejects"]["by_mass"]["interval"]["low"].is_number());
        assert_eq!(document["photos"][0]["objects"], 9);
        assert_eq!(document["left_out"][0]["status"], "refused");
    }
}
