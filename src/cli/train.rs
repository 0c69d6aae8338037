//! `acinus train`.

use acinus::teach::{self, SegmentTraining};

use super::flags::TrainArgs;
use super::read::stem;
use super::{Ending, Error, print_text, score, settings, tell};

/// Teaches a profile and writes it.
pub fn run(args: &TrainArgs) -> Result<Ending, Error> {
    let photos = settings::photos(&args.photos)?;
    settings::set_threads(&args.machine)?;
    let failed = |e: teach::TeachError| Error::Failed(e.to_string());
    let settings = acinus::pipeline::Settings::default();
    if let Some(groups) = args.cross_validate {
        let how = SegmentTraining::default();
        let scores =
            teach::cross_validate(&photos, groups, &settings, how, |l| tell(&l)).map_err(failed)?;
        print_text(&score::table(&scores, &acinus::score::table(&scores)))?;
    }
    let pupils = teach::open_pupils(&photos, &settings).map_err(failed)?;
    let name = args.name.clone().unwrap_or_else(|| stem(&args.out));
    let profile =
        teach::train(&pupils, &name, &settings, SegmentTraining::default(), |line| tell(&line))
            .map_err(failed)?;
    super::write(&args.out, &profile.to_bytes().map_err(|e| Error::Failed(e.to_string()))?)?;
    tell(&format!("Profile written to {}", args.out.display()));
    Ok(Ending::AllDone)
}
