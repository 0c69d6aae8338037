//! `acinus assess`.

use std::path::Path;

use acinus::report::json::Timings;
use acinus::report::{
    self, LeftOut, LeftOutStatus, Output, PhotoResult, Run, SheetSettings, html, text,
};

use super::flags::{AssessArgs, Format};
use super::progress::over_photos;
use super::settings::RunSettings;
use super::{Ending, Error, print, print_text, tell};

/// Measures the photographs, writes the outputs and prints the figures.
pub fn run(args: &AssessArgs) -> Result<Ending, Error> {
    let settings = RunSettings::from_args(args)?;
    let photos = over_photos(&settings.photos, |path| assess_photo(path, &settings));
    let run = Run::new(photos, &settings.lot, settings.without_slip);
    for left in run.left_out() {
        tell(&format!("acinus: {}: {}", left.file, left.message));
    }
    for lot in &run.lots {
        if let Err(error) = &lot.figures {
            tell(&format!("acinus: {error}"));
        }
    }
    if settings.outputs.contains(&Output::Report) {
        report::files::write_atomically(&settings.out.join("report.html"), &html::page(&run)?)?;
    }
    if settings.timings {
        text::timings(&run).trim_end().lines().for_each(tell);
    }
    match settings.format {
        Format::Text => {
            let mut table = text::table(&run);
            if run.sheets().next().is_some() {
                table.push_str(&format!("Written to {}\n", settings.out.display()));
            }
            print_text(&table)?;
        }
        Format::Json => print(&text::json(&run)?)?,
    }
    Ok(if run.complete() { Ending::AllDone } else { Ending::SomeLeftOut })
}

fn assess_photo(path: &Path, settings: &RunSettings) -> PhotoResult {
    let (photo, reading) = match settings.reader.read(path) {
        Ok(read) => read,
        Err(left) => return PhotoResult::Left(left),
    };
    let sheet_settings = SheetSettings {
        timings: if settings.timings { Timings::Include } else { Timings::Omit },
        ..SheetSettings::default()
    };
    let written = report::write_photo(
        &settings.out,
        path,
        &photo.rgb,
        reading,
        &settings.outputs,
        &sheet_settings,
    );
    match written {
        Ok(sheet) => PhotoResult::Done(Box::new(sheet)),
        Err(error) => PhotoResult::Left(LeftOut {
            file: path.display().to_string(),
            status: LeftOutStatus::Failed,
            message: error.to_string(),
        }),
    }
}
