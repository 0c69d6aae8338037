//! Files appear whole or not at all: [`crate::disk`] with the report's errors.

use std::path::Path;

use super::Error;
use crate::disk;

/// Writes `bytes` to `path` so that a reader sees the old file or the new one, never a part.
pub fn write_atomically(path: &Path, bytes: &[u8]) -> Result<(), Error> {
    disk::write_whole(path, bytes).map_err(|source| Error::Write { path: path.to_owned(), source })
}

#[cfg(test)]
mod tests {
    use std::fs;

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
