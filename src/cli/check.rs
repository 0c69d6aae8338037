//! `acinus check`.

use std::fmt::Write as _;
use std::path::Path;

use acinus::finding::Severity;
use acinus::report::{LeftOut, LeftOutStatus};
use acinus::{given, pipeline};
use serde::Serialize;

use super::flags::{CheckArgs, Format};
use super::progress::over_photos;
use super::read::{Reader, left_out, unreadable};
use super::{Ending, Error, print, print_text, settings};

#[derive(Serialize)]
struct Checked {
    file: String,
    usable: bool,
    findings: Vec<acinus::finding::Finding>,
    #[serde(skip_serializing_if = "Option::is_none")]
    message: Option<String>,
}

/// Checks the photographs and prints the findings.
pub fn run(args: &CheckArgs) -> Result<Ending, Error> {
    let photos = settings::photos(&args.photos)?;
    let reader = settings::reader(&args.reading, false)?;
    settings::set_threads(&args.machine)?;
    let checked = over_photos(&photos, |path| check(path, &reader));
    match args.format {
        Format::Text => print_text(&table(&checked))?,
        Format::Json => print(&acinus::report::json::to_bytes(&checked)?)?,
    }
    let all = checked.iter().all(|c| c.usable);
    Ok(if all { Ending::AllDone } else { Ending::SomeLeftOut })
}

fn check(path: &Path, reader: &Reader) -> Checked {
    let file = path.display().to_string();
    let checked = given::read(path, given::Kind::Photograph)
        .map_err(|e| unreadable(path, &e))
        .and_then(|bytes| {
            pipeline::check(&bytes, Some(&reader.profile), &reader.settings)
                .map_err(|e| left_out(path, &e))
        });
    match checked {
        Ok(findings) => Checked {
            usable: findings.iter().all(|f| f.severity != Severity::Refusal),
            file,
            findings,
            message: None,
        },
        Err(LeftOut { status, message, .. }) => {
            let word = match status {
                LeftOutStatus::Refused => "",
                LeftOutStatus::Failed => "failed: ",
            };
            Checked {
                file,
                usable: false,
                findings: Vec::new(),
                message: Some(format!("{word}{message}")),
            }
        }
    }
}

fn table(checked: &[Checked]) -> String {
    let mut out = String::new();
    for c in checked {
        let verdict = if c.usable { "good enough to measure" } else { "not to be used" };
        // Writing to a String cannot fail.
        let _ = writeln!(out, "{}: {verdict}", given::one_line(&c.file));
        if let Some(message) = &c.message {
            let _ = writeln!(out, "  {}", given::one_line(message));
        }
        for finding in &c.findings {
            let mark = match finding.severity {
                Severity::Fine => "ok",
                Severity::Caution => "beware",
                Severity::Refusal => "refused",
            };
            let _ = writeln!(out, "  {mark:<8} {}", given::one_line(&finding.message));
        }
    }
    out
}
