//! From readings to what people and other programs take away: tables, pictures and pages.
//!
//! Knows how things look, not how they are computed: every figure comes in ready-made.

pub mod canvas;
pub mod columns;
pub mod csv;
pub mod dossier;
pub mod files;
pub mod html;
pub mod jpeg;
pub mod json;
pub mod labels;
pub mod lettering;
pub mod outline;
pub mod overlay;
pub mod palette;
pub mod plots;
pub mod run;
#[cfg(test)]
pub(crate) mod samples;
pub mod season;
pub mod season_plots;
pub mod sheet;
pub mod stream_plots;
pub mod streams;
pub mod text;

use std::path::PathBuf;

use crate::given::not_written;

pub use run::{LeftOut, LeftOutStatus, LotResult, PhotoResult, Run};
pub use sheet::{Output, Outputs, Sheet, SheetSettings, write_photo};

/// Why an output could not be made.
#[derive(Debug, thiserror::Error)]
pub enum Error {
    /// A file could not be written.
    #[error("cannot write {}: {}; {}choose another folder with --out", path.display(), not_written(source), room(source))]
    Write {
        /// The file.
        path: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
    /// Something could not be put into its format.
    #[error("cannot make {what}: {why}")]
    Encode {
        /// What was being made.
        what: &'static str,
        /// What the encoder said.
        why: String,
    },
}

/// Advice that helps where there is no room, or nobody knows what is wrong.
fn room(error: &std::io::Error) -> &'static str {
    use std::io::ErrorKind::{
        AlreadyExists, InvalidFilename, IsADirectory, NotADirectory, NotFound, PermissionDenied,
        ReadOnlyFilesystem,
    };
    match error.kind() {
        AlreadyExists | InvalidFilename | IsADirectory | NotADirectory | NotFound
        | PermissionDenied | ReadOnlyFilesystem => "",
        _ => "free some space or ",
    }
}

/// Text made safe for HTML and SVG, in content and in quoted attributes.
pub fn escape(text: &str) -> String {
    let mut safe = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => safe.push_str("&amp;"),
            '<' => safe.push_str("&lt;"),
            '>' => safe.push_str("&gt;"),
            '"' => safe.push_str("&quot;"),
            '\'' => safe.push_str("&#39;"),
            // Control characters are not allowed in either format.
            c if c.is_control() && c != '\n' && c != '\t' => safe.push('\u{FFFD}'),
            c => safe.push(c),
        }
    }
    safe
}
