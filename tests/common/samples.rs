//! The sample photographs.

use std::path::{Path, PathBuf};

/// The folder of sample photographs.
pub fn sample_dir() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-images")
}

/// Sample photographs that are read with no setting at all, in order of their names.
pub fn good_photographs() -> Vec<PathBuf> {
    let mut out: Vec<PathBuf> = std::fs::read_dir(sample_dir())
        .expect("sample-images")
        .map(|e| e.expect("entry").path())
        .filter(|p| p.extension().is_some_and(|e| e == "jpg"))
        .filter(|p| {
            let name = p.file_stem().expect("stem").to_string_lossy();
            !name.starts_with("bad-") && !name.ends_with("no-marks")
        })
        .collect();
    out.sort();
    assert!(out.len() >= 12, "only {} sample photographs", out.len());
    out
}
