//! Files on the disk: whole or not at all, and there to stay.
//!
//! A file is written under a name of its own in the same folder, flushed, renamed to its place, and
//! the folder flushed: a reader sees the old file or the new one, and a power cut after the last step
//! takes nothing back. The name begins with [`MARK`]; whoever writes holds a lock on it, so that what a
//! killed run left behind can be told from what another one is writing just now.

use std::fs::{self, File, TryLockError};
use std::io::{self, Write as _};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};

/// How names of unfinished files begin; they end with `.part`.
const MARK: &str = ".acinus-";
/// How they end.
const ENDING: &str = ".part";

static PARTS: AtomicU64 = AtomicU64::new(0);

/// Writes a file so that it is whole under its name, and on the disk, when this returns.
///
/// # Errors
/// What the system said; then the file under that name is the one before, or, where only the last
/// flush failed, the new one. Nothing unfinished is left, as far as the disk lets it be removed.
pub fn write_whole(path: &Path, bytes: &[u8]) -> io::Result<()> {
    let folder = folder_of(path);
    let (part, file) = begin_part(folder)?;
    let written = fill(&file, bytes).and_then(|()| fs::rename(&part, path));
    if let Err(error) = written {
        // The half-written file is of no use; the first error is the one to report.
        let _ = fs::remove_file(&part);
        return Err(error);
    }
    sync_folder(folder)
}

fn fill(mut file: &File, bytes: &[u8]) -> io::Result<()> {
    file.write_all(bytes)?;
    file.sync_all()
}

/// A new file that nobody else writes, and its lock for as long as it is open.
fn begin_part(folder: &Path) -> io::Result<(PathBuf, File)> {
    loop {
        let number = PARTS.fetch_add(1, Ordering::Relaxed);
        let part = folder.join(format!("{MARK}{}-{number}{ENDING}", std::process::id()));
        let file = match File::create_new(&part) {
            Ok(file) => file,
            // Left by an earlier process of the same number.
            Err(e) if e.kind() == io::ErrorKind::AlreadyExists => continue,
            Err(e) => return Err(e),
        };
        // Some network disks know no locks; there nothing is ever cleared away either.
        match file.try_lock() {
            Err(TryLockError::WouldBlock) => continue,
            Ok(()) | Err(TryLockError::Error(_)) => {}
        }
        // Another run may have taken it for a leftover before it was locked.
        if part.exists() {
            return Ok((part, file));
        }
    }
}

/// Removes the unfinished files that runs which were cut off left in a folder; tells how many. Those
/// that another program is writing stay. A folder that is not there has none.
///
/// # Errors
/// What the system said when the folder cannot be listed or a file not be removed.
pub fn clear_leftovers(folder: &Path) -> io::Result<usize> {
    let entries = match fs::read_dir(folder_or_here(folder)) {
        Ok(entries) => entries,
        Err(e) if e.kind() == io::ErrorKind::NotFound => return Ok(0),
        Err(e) => return Err(e),
    };
    let mut cleared = 0;
    for entry in entries {
        let entry = entry?;
        let name = entry.file_name();
        let own = name.to_str().is_some_and(|n| n.starts_with(MARK) && n.ends_with(ENDING));
        if own && entry.file_type()?.is_file() && is_left(&entry.path()) {
            match fs::remove_file(entry.path()) {
                Ok(()) => cleared += 1,
                Err(e) if e.kind() == io::ErrorKind::NotFound => {}
                Err(e) => return Err(e),
            }
        }
    }
    Ok(cleared)
}

/// Whether nobody writes the file. Where that cannot be known, somebody does.
fn is_left(part: &Path) -> bool {
    File::open(part).is_ok_and(|file| file.try_lock().is_ok())
}

/// Makes a folder, and all above it that are missing, to stay.
///
/// # Errors
/// What the system said.
pub fn make_folder(folder: &Path) -> io::Result<()> {
    let missing = folder.ancestors().take_while(|f| !f.as_os_str().is_empty() && !f.exists());
    let above: Vec<&Path> = missing.map(folder_of).collect();
    fs::create_dir_all(folder_or_here(folder))?;
    above.into_iter().try_for_each(sync_folder)
}

/// Flushes what a folder lists. Systems whose folders cannot be opened as files do it by themselves.
///
/// # Errors
/// What the system said.
pub fn sync_folder(folder: &Path) -> io::Result<()> {
    #[cfg(unix)]
    File::open(folder_or_here(folder))?.sync_all()?;
    #[cfg(not(unix))]
    let _ = folder;
    Ok(())
}

/// Flushes a file that is there already: the run that wrote it may have been cut off before it could.
///
/// # Errors
/// What the system said.
pub fn sync_file(path: &Path) -> io::Result<()> {
    #[cfg(unix)]
    File::open(path)?.sync_all()?;
    sync_folder(folder_of(path))
}

/// The folder that a file lies in.
pub fn folder_of(path: &Path) -> &Path {
    folder_or_here(path.parent().unwrap_or(Path::new("")))
}

fn folder_or_here(folder: &Path) -> &Path {
    if folder.as_os_str().is_empty() { Path::new(".") } else { folder }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_a_dead_run_left_is_cleared_and_what_is_being_written_stays() {
        let dir = tempfile::tempdir().unwrap();
        let (written, _held) = begin_part(dir.path()).unwrap();
        fs::write(dir.path().join(".acinus-1-7.part"), "half").unwrap();
        fs::write(dir.path().join(".somebody-else.part"), "theirs").unwrap();
        fs::write(dir.path().join("acinus.part"), "theirs").unwrap();
        fs::create_dir(dir.path().join(".acinus-folder.part")).unwrap();
        assert_eq!(clear_leftovers(dir.path()).unwrap(), 1);
        assert!(written.exists() && !dir.path().join(".acinus-1-7.part").exists());
        assert_eq!(fs::read_dir(dir.path()).unwrap().count(), 4);
        assert_eq!(clear_leftovers(&dir.path().join("none")).unwrap(), 0);
    }

    #[test]
    fn a_leftover_of_the_same_name_is_stepped_over() {
        let dir = tempfile::tempdir().unwrap();
        let next = PARTS.load(Ordering::Relaxed);
        for number in next..next + 20 {
            let name = format!("{MARK}{}-{number}{ENDING}", std::process::id());
            fs::write(dir.path().join(name), "half").unwrap();
        }
        write_whole(&dir.path().join("a.csv"), b"one").unwrap();
        assert_eq!(fs::read(dir.path().join("a.csv")).unwrap(), b"one");
        assert_eq!(clear_leftovers(dir.path()).unwrap(), 20);
        assert_eq!(fs::read_dir(dir.path()).unwrap().count(), 1);
    }

    #[test]
    fn folders_are_made_all_the_way() {
        let dir = tempfile::tempdir().unwrap();
        make_folder(&dir.path().join("a/b/c")).unwrap();
        make_folder(&dir.path().join("a/b/c")).unwrap();
        assert!(dir.path().join("a/b/c").is_dir());
        fs::write(dir.path().join("file"), "").unwrap();
        assert!(make_folder(&dir.path().join("file/x")).is_err());
    }
}
