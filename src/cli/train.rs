//! `acinus train`.

use acinus::report::{files, json};
use acinus::teach::{self, SegmentTraining};

use super::flags::TrainArgs;
use super::read::stem;
use super::{Ending, Error, settings, tell};

/// Teaches a profile and writes it.
pub fn run(args: &TrainArgs) -> Result<Ending, Error> {
    let photos = settings::photos(&args.photos)?;
    settings::set_threads(&args.machine)?;
    let failed = |e: teach::TeachError| Error::Failed(e.to_string());
    let settings = acinus::pipeline::Settings::default();
    let pupils = teach::open_pupils(&photos, &settings).map_err(failed)?;
    let profile =
        teach::train(&pupils, &stem(&args.out), &settings, SegmentTraining::default(), |line| {
            tell(&line)
        })
        .map_err(failed)?;
    files::write_atomically(&args.out, &json::to_bytes(&profile)?)?;
    tell(&format!("Profile written to {}", args.out.display()));
    Ok(Ending::AllDone)
}
