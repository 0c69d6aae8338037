//! The folder beside the ledger that keeps photographs and outlines, each under the SHA-256 of its
//! bytes: `sha256[0..2]/sha256`. What is there is never changed; the same bytes are kept once.

use std::fs::{self, File};
use std::io::{self, Read as _};
use std::path::{Path, PathBuf};

use sha2::{Digest as _, Sha256};

use super::LedgerError;
use crate::disk;
use crate::given;

/// The folder.
#[derive(Debug, Clone)]
pub struct Archive {
    folder: PathBuf,
}

/// How a kept file fares.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kept {
    /// There, with its own bytes.
    Whole,
    /// Not there.
    Missing,
    /// There, but with other bytes.
    Changed,
}

impl Archive {
    /// The archive in a folder, which need not exist yet.
    pub fn at(folder: PathBuf) -> Archive {
        Archive { folder }
    }

    /// The folder.
    pub fn folder(&self) -> &Path {
        &self.folder
    }

    /// Where the bytes of a hash lie; for what is no hash, a place in the folder where nothing lies.
    pub fn path(&self, sha256: &str) -> PathBuf {
        if !is_sha256(sha256) {
            // Sheets and ledgers that others made name files too: no name leads out of the folder.
            return self.folder.join("no-hash");
        }
        self.folder.join(&sha256[..2]).join(sha256)
    }

    /// Keeps some bytes and tells their SHA-256. When this returns they are on the disk under their
    /// name: written beside their place, flushed, renamed, and the folders flushed. What is there already
    /// is flushed too: the run that wrote it may have been cut off before it did so.
    ///
    /// # Errors
    /// [`LedgerError::Archive`] when the disk refuses.
    pub fn keep(&self, bytes: &[u8]) -> Result<String, LedgerError> {
        let sha256 = sha256_hex(bytes);
        let path = self.path(&sha256);
        let whole = self.state(&sha256)? == Kept::Whole;
        let kept = (|| {
            let own = disk::folder_of(&path);
            if whole {
                disk::sync_file(&path)?;
            } else {
                disk::make_folder(own)?;
                disk::write_whole(&path, bytes)?;
            }
            disk::sync_folder(&self.folder)?;
            disk::sync_folder(disk::folder_of(&self.folder))
        })();
        kept.map_err(|source| LedgerError::Archive { path, source })?;
        Ok(sha256)
    }

    /// Removes what runs that were cut off left unfinished; tells how many files.
    ///
    /// # Errors
    /// [`LedgerError::Archive`] when the folders cannot be listed or a file not be removed.
    pub fn clear_leftovers(&self) -> Result<usize, LedgerError> {
        let fault = |source| LedgerError::Archive { path: self.folder.clone(), source };
        let folders = match fs::read_dir(&self.folder) {
            Ok(folders) => folders,
            Err(e) if e.kind() == io::ErrorKind::NotFound => return Ok(0),
            Err(e) => return Err(fault(e)),
        };
        let mut cleared = 0;
        for folder in folders {
            let folder = folder.map_err(fault)?;
            if folder.file_type().map_err(fault)?.is_dir() {
                cleared += disk::clear_leftovers(&folder.path()).map_err(fault)?;
            }
        }
        Ok(cleared)
    }

    /// Whether the bytes of a hash are there and are what their name says.
    ///
    /// # Errors
    /// [`LedgerError::Archive`] when a file that is there cannot be read.
    pub fn state(&self, sha256: &str) -> Result<Kept, LedgerError> {
        let path = self.path(sha256);
        let fault = |source| LedgerError::Archive { path: path.clone(), source };
        let mut file = match File::open(&path) {
            Ok(file) => file,
            Err(e) if e.kind() == io::ErrorKind::NotFound => return Ok(Kept::Missing),
            Err(e) => return Err(fault(e)),
        };
        let mut hasher = Sha256::new();
        let mut buffer = vec![0u8; 1 << 16];
        loop {
            match file.read(&mut buffer) {
                Ok(0) => break,
                Ok(n) => hasher.update(&buffer[..n]),
                Err(e) if e.kind() == io::ErrorKind::Interrupted => {}
                Err(e) => return Err(fault(e)),
            }
        }
        Ok(if hex(&hasher.finalize()) == sha256 { Kept::Whole } else { Kept::Changed })
    }

    /// Whether a file of that name is there, without reading it.
    pub fn has(&self, sha256: &str) -> bool {
        self.path(sha256).is_file()
    }

    /// The kept bytes.
    ///
    /// # Errors
    /// [`LedgerError::Archive`] when they are not there or cannot be read.
    pub fn read(&self, sha256: &str) -> Result<Vec<u8>, LedgerError> {
        let path = self.path(sha256);
        given::read(&path, given::Kind::Photograph)
            .map_err(|source| LedgerError::Archive { path, source })
    }
}

/// Whether a text is a SHA-256 as [`sha256_hex`] writes it.
pub fn is_sha256(text: &str) -> bool {
    text.len() == 64 && text.bytes().all(|b| matches!(b, b'0'..=b'9' | b'a'..=b'f'))
}

/// SHA-256 as 64 lower-case hexadecimal digits.
pub fn sha256_hex(bytes: &[u8]) -> String {
    hex(&Sha256::digest(bytes))
}

fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|b| format!("{b:02x}")).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// FIPS 180-4 examples, as NIST prints them: "abc" and the empty message.
    #[test]
    fn known_hashes() {
        assert_eq!(
            sha256_hex(b"abc"),
            "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
        );
        assert_eq!(
            sha256_hex(b""),
            "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"
        );
    }

    #[test]
    fn bytes_are_kept_once_and_changes_are_seen() {
        let dir = tempfile::tempdir().unwrap();
        let archive = Archive::at(dir.path().join("deep/archive"));
        let sha256 = archive.keep(b"abc").unwrap();
        assert_eq!(archive.keep(b"abc").unwrap(), sha256);
        assert_eq!(archive.read(&sha256).unwrap(), b"abc");
        assert_eq!(archive.state(&sha256).unwrap(), Kept::Whole);
        assert_eq!(fs::read_dir(archive.path(&sha256).parent().unwrap()).unwrap().count(), 1);
        fs::write(archive.path(&sha256), b"abd").unwrap();
        assert_eq!(archive.state(&sha256).unwrap(), Kept::Changed);
        // Keeping it again heals it.
        archive.keep(b"abc").unwrap();
        assert_eq!(archive.state(&sha256).unwrap(), Kept::Whole);
        fs::remove_file(archive.path(&sha256)).unwrap();
        assert_eq!(archive.state(&sha256).unwrap(), Kept::Missing);
        assert!(archive.read(&sha256).unwrap_err().to_string().contains(&sha256));
        // A name that would lead out of the folder is nobody's hash.
        fs::write(dir.path().join("secret"), b"abc").unwrap();
        for name in ["../../secret", "/etc/hostname", "", "ab", "BA7816BF", "é"] {
            assert!(archive.path(name).starts_with(archive.folder()), "{name}");
            assert_eq!(archive.state(name).unwrap(), Kept::Missing, "{name}");
        }
    }
}
