//! The one place where the command line meets the pipeline.

use std::path::Path;

use acinus::given;
use acinus::photo::Photo;
use acinus::pipeline::{self, TrayReading};
use acinus::profile::Profile;
use acinus::report::{LeftOut, LeftOutStatus};

/// What reading needs, ready to use.
pub struct Reader {
    /// What was taught.
    pub profile: Profile,
    /// Settings of the stages.
    pub settings: pipeline::Settings,
}

impl Reader {
    /// Reads one photograph.
    pub fn read(&self, path: &Path) -> Result<(Photo, TrayReading), LeftOut> {
        let bytes = given::read(path, given::Kind::Photograph).map_err(|e| unreadable(path, &e))?;
        pipeline::read_tray(&stem(path), &bytes, &self.profile, &self.settings)
            .map_err(|e| left_out(path, &e))
    }
}

/// The name that outputs are called by.
pub fn stem(path: &Path) -> String {
    path.file_stem().unwrap_or_default().to_string_lossy().into_owned()
}

/// A file that the system would not give.
pub fn unreadable(path: &Path, error: &std::io::Error) -> LeftOut {
    LeftOut {
        file: path.display().to_string(),
        status: LeftOutStatus::Failed,
        message: format!("cannot be read: {error}"),
    }
}

/// A photograph without a reading.
pub fn left_out(path: &Path, error: &pipeline::Error) -> LeftOut {
    let status = match error {
        pipeline::Error::Photo(_) | pipeline::Error::Fault(_) => LeftOutStatus::Failed,
        _ => LeftOutStatus::Refused,
    };
    LeftOut { file: path.display().to_string(), status, message: error.to_string() }
}
