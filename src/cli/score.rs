//! `acinus score`.

use std::fmt::Write as _;
use std::path::Path;

use acinus::report::LeftOut;
use acinus::score::{self, Figure, Score, Truth};
use serde::Serialize;

use super::flags::{Format, ScoreArgs};
use super::progress::over_photos;
use super::read::Reader;
use super::{Ending, Error, print, print_text, settings, tell};

#[derive(Serialize)]
struct ScoreJson<'a> {
    schema: &'static str,
    photographs: Vec<PhotoJson<'a>>,
    figures: &'a [Figure],
    left_out: &'a [String],
}

#[derive(Serialize)]
struct PhotoJson<'a> {
    name: &'a str,
    layout: &'a str,
    object_f1: f64,
    mean_iou: f64,
    false_reads: usize,
    missed: usize,
}

impl<'a> From<&'a Score> for PhotoJson<'a> {
    fn from(score: &'a Score) -> Self {
        PhotoJson {
            name: &score.name,
            layout: &score.layout,
            object_f1: score.matching.f1(),
            mean_iou: score.matching.mean_iou(),
            false_reads: score.matching.false_reads.len(),
            missed: score.matching.missed.len(),
        }
    }
}

/// Scores the photographs and prints a line for each and the table over all.
pub fn run(args: &ScoreArgs) -> Result<Ending, Error> {
    let photos = settings::photos(&args.photos)?;
    let reader = settings::reader(&args.reading, false)?;
    settings::set_threads(&args.machine)?;
    let results = over_photos(&photos, |path| score_photo(path, &reader));
    let (mut scores, mut left_out) = (Vec::new(), Vec::new());
    for result in results {
        match result {
            Ok(score) => scores.push(score),
            Err(why) => {
                tell(&format!("acinus: {why}"));
                left_out.push(why);
            }
        }
    }
    let figures = score::table(&scores);
    match args.format {
        // Of nothing there are no figures.
        Format::Text if scores.is_empty() => {}
        Format::Text => print_text(&table(&scores, &figures))?,
        Format::Json => print(&acinus::report::json::to_bytes(&ScoreJson {
            schema: "acinus-score/1",
            photographs: scores.iter().map(PhotoJson::from).collect(),
            figures: &figures,
            left_out: &left_out,
        })?)?,
    }
    Ok(if left_out.is_empty() { Ending::AllDone } else { Ending::SomeLeftOut })
}

fn score_photo(path: &Path, reader: &Reader) -> Result<Score, String> {
    let truth = Truth::beside(path).map_err(|e| e.to_string())?;
    let ids = truth.ids().map_err(|e| e.to_string())?;
    let (_, reading) =
        reader.read(path).map_err(|LeftOut { file, message, .. }| format!("{file}: {message}"))?;
    Ok(score::score(&reading, &truth, &ids))
}

/// A line for each photograph and the table over all.
pub(super) fn table(scores: &[Score], figures: &[Figure]) -> String {
    let mut out = String::new();
    let width = scores.iter().map(|s| s.name.chars().count()).max().unwrap_or(0).max(10);
    // Writing to a String cannot fail.
    let _ = writeln!(
        out,
        "{:<width$}  {:<8}  {:>6}  {:>6}  {:>5}  {:>6}",
        "photograph", "layout", "F1", "IoU", "false", "missed"
    );
    for score in scores {
        let m = &score.matching;
        let _ = writeln!(
            out,
            "{:<width$}  {:<8}  {:>6.4}  {:>6.4}  {:>5}  {:>6}",
            score.name,
            score.layout,
            m.f1(),
            m.mean_iou(),
            m.false_reads.len(),
            m.missed.len()
        );
    }
    let _ = writeln!(out, "\n{:<44}  {:>8}  {:>10}", "over all photographs", "value", "wanted");
    for figure in figures {
        let sign = if figure.at_most { "≤" } else { "≥" };
        let verdict = if figure.holds() { "" } else { "  not reached" };
        let _ = writeln!(
            out,
            "{:<44}  {:>8.4}  {:>10}{verdict}",
            figure.name,
            figure.value,
            format!("{sign} {}", figure.bound)
        );
    }
    out
}
