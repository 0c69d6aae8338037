//! Files appear whole or not at all: written beside their place under a temporary name, flushed
//! to the disk, then renamed.

use std::fs;
use std::io::Write as _;
use std::path::{Path, PathBuf};

use super::Error;

/// Writes `bytes` to `path` so that a reader sees the old file or the new one, never a part.
pub fn write_atomically(path: &Path, bytes: &[u8]) -> Result<(), Error> {
    let temporary = temporary_name(path);
    let result = (|| {
        let mut file = fs::File::create(&temporary)?;
        file.write_all(bytes)?;
        file.sync_data()?;
        fs::rename(&temporary, path)
    })();
    result.map_err(|source| {
        // The half-written file is of no use to anyone; the first error is the one to report.
        let _ = fs::remove_file(&temporary);
        Error::Write { path: path.to_owned(), source }
    })
}

fn temporary_name(path: &Path) -> PathBuf {
    let mut name = std::ffi::OsString::from(".");
    name.push(path.file_name().unwrap_or_default());
    name.push(format!(".{}.part", std::process::id()));
    path.with_file_name(name)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn replaces_the_file_and_leaves_nothing_else() {
        let dir = tempfile::tempdir().expect("dir");
        let path = dir.path().join("a.csv");
        write_atomically(&path, b"one").expect("first");
        write_atomically(&path, b"two").expect("second");
        assert_eq!(fs::read(&path).expect("read"), b"two");
        assert_eq!(fs::read_dir(dir.path()).expect("list").count(), 1);
    }

    #[test]
    fn a_failed_write_names_the_file_and_leaves_nothing() {
        let dir = tempfile::tempdir().expect("dir");
        let path = dir.path().join("taken");
        fs::create_dir(&path).expect("a folder in the way");
        let error = write_atomically(&path, b"one").expect_err("a folder is in the way");
        assert!(error.to_string().contains("taken"), "{error}");
        assert_eq!(fs::read_dir(dir.path()).expect("list").count(), 1);
    }
}
