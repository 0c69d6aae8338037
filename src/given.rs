//! What others gave: their files, read whole but never beyond a limit, and their words, made safe to
//! show in one line or in a cell of a table.

use std::borrow::Cow;
use std::fs::File;
use std::io::{self, ErrorKind, Read as _};
use std::path::Path;

/// What a file is given as; each kind has a limit far above any honest file of it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// A photograph, or a picture of labels beside it.
    Photograph,
    /// A profile.
    Profile,
    /// A contract.
    Terms,
    /// Measured patches.
    Patches,
    /// A table of answers or of trays sorted by hand.
    Table,
    /// A whole ledger written as JSON or CSV.
    LedgerExport,
    /// A receipt.
    Receipt,
    /// An agreement sheet.
    Sheet,
    /// What is truly on a photograph.
    Truth,
}

impl Kind {
    /// The largest file of the kind that is read, bytes.
    pub fn limit_bytes(self) -> u64 {
        const MB: u64 = 1_000_000;
        match self {
            // 16 bits, four channels, 100 megapixels, not compressed, take 800 MB.
            Kind::Photograph => 900 * MB,
            Kind::Profile => 50 * MB,
            Kind::Terms | Kind::Patches => MB,
            Kind::Table => 50 * MB,
            // A hundred thousand trays.
            Kind::LedgerExport => 2_000 * MB,
            Kind::Receipt => 20 * MB,
            Kind::Sheet => 50 * MB,
            Kind::Truth => 50 * MB,
        }
    }

    fn word(self) -> &'static str {
        match self {
            Kind::Photograph => "photograph",
            Kind::Profile => "profile",
            Kind::Terms => "contract",
            Kind::Patches => "file of patches",
            Kind::Table => "table",
            Kind::LedgerExport => "ledger's export",
            Kind::Receipt => "receipt",
            Kind::Sheet => "sheet",
            Kind::Truth => "truth file",
        }
    }
}

/// Reads a file whole. Folders, pipes and devices are refused before they are opened: a pipe would
/// be waited for, a device may never end.
///
/// # Errors
/// What the system said, or why the file is not taken, in words for the user; no file name.
pub fn read(path: &Path, kind: Kind) -> io::Result<Vec<u8>> {
    let about = path.metadata().map_err(|e| in_words(path, e))?;
    if about.is_dir() {
        return Err(io::Error::other("it is a folder: name a file in it"));
    }
    if !about.is_file() {
        return Err(io::Error::other(
            "it is a pipe or a device, not a file: copy what it holds into a file first",
        ));
    }
    let limit = kind.limit_bytes();
    if about.len() > limit {
        return Err(too_large(kind));
    }
    let file = File::open(path).map_err(|e| in_words(path, e))?;
    let mut bytes = Vec::new();
    let length = usize::try_from(about.len()).unwrap_or(usize::MAX);
    bytes.try_reserve_exact(length).map_err(|_| io::Error::from(ErrorKind::OutOfMemory))?;
    // The file may grow, or have a length that the system does not tell.
    file.take(limit + 1).read_to_end(&mut bytes).map_err(|e| in_words(path, e))?;
    if bytes.len() as u64 > limit { Err(too_large(kind)) } else { Ok(bytes) }
}

/// Reads a file of UTF-8 text whole; a byte order mark at its start is left out.
///
/// # Errors
/// As [`read`], and when it is no UTF-8.
pub fn read_text(path: &Path, kind: Kind) -> io::Result<String> {
    let text = String::from_utf8(read(path, kind)?).map_err(|e| {
        let at = e.utf8_error().valid_up_to();
        io::Error::new(
            ErrorKind::InvalidData,
            format!("it is no UTF-8 text (byte {}): save it as UTF-8", at + 1),
        )
    })?;
    Ok(match text.strip_prefix('\u{feff}') {
        Some(rest) => rest.to_owned(),
        None => text,
    })
}

fn too_large(kind: Kind) -> io::Error {
    let megabytes = kind.limit_bytes() / 1_000_000;
    io::Error::new(
        ErrorKind::FileTooLarge,
        format!("it has more than {megabytes} MB, too much for a {}", kind.word()),
    )
}

/// The system's words for what goes wrong most, as one would say them.
fn in_words(path: &Path, error: io::Error) -> io::Error {
    let words = match error.kind() {
        _ if path.is_symlink() && path.metadata().is_err() => {
            "it is a link that leads to no file: name the file itself"
        }
        ErrorKind::NotFound => "there is no such file: check its name",
        ErrorKind::PermissionDenied => {
            "you may not read it: ask its owner for permission, or for a copy"
        }
        ErrorKind::NotADirectory => "a part of its path is a file, not a folder: check its name",
        ErrorKind::InvalidFilename => "its name is too long: check it",
        ErrorKind::InvalidInput => "its name cannot be one: check it",
        _ => return error,
    };
    io::Error::new(error.kind(), words)
}

/// What the system said of a file or folder that could not be written, as one would say it.
pub fn not_written(error: &io::Error) -> Cow<'static, str> {
    Cow::Borrowed(match error.kind() {
        ErrorKind::NotFound => "there is no such folder",
        ErrorKind::PermissionDenied => "you may not write there",
        ErrorKind::ReadOnlyFilesystem => "nothing can be written to that disk",
        ErrorKind::StorageFull | ErrorKind::QuotaExceeded => "the disk is full",
        ErrorKind::NotADirectory => "a part of its path is a file, not a folder",
        ErrorKind::IsADirectory => "a folder of that name is in the way",
        ErrorKind::AlreadyExists => "a file of that name is in the way",
        ErrorKind::InvalidFilename => "the name is too long",
        _ => return Cow::Owned(error.to_string()),
    })
}

/// Whether a character would move the cursor, end the line, or turn the reading direction of what
/// follows: none of them may reach a terminal from a file's name or from words inside a file.
fn is_unruly(c: char) -> bool {
    c.is_control()
        || matches!(c, '\u{200e}' | '\u{200f}' | '\u{2028}' | '\u{2029}')
        || ('\u{202a}'..='\u{202e}').contains(&c)
        || ('\u{2066}'..='\u{2069}').contains(&c)
}

/// Words in one line: what is unruly in them is written out, as `\n` or `\u{1b}`.
pub fn one_line(words: &str) -> Cow<'_, str> {
    if !words.contains(is_unruly) {
        return Cow::Borrowed(words);
    }
    let mut out = String::with_capacity(words.len() + 16);
    for c in words.chars() {
        if is_unruly(c) { out.extend(c.escape_default()) } else { out.push(c) }
    }
    Cow::Owned(out)
}

/// At most so many characters of some words, and an ellipsis if there were more.
pub fn short(words: &str, most: usize) -> Cow<'_, str> {
    match words.char_indices().nth(most) {
        Some((at, _)) => Cow::Owned(format!("{}…", &words[..at])),
        None => Cow::Borrowed(words),
    }
}

/// Whether a spreadsheet may take a cell for a formula, once apostrophes before it are gone.
fn is_formula(words: &str) -> bool {
    words.trim_start_matches('\'').starts_with(['=', '+', '-', '@', '\t', '\r'])
}

/// Words as a cell of a table: with an apostrophe before them where a spreadsheet would take them for
/// a formula (OWASP, CSV Injection). Numbers are written without this: `-3` is one.
pub fn cell(words: &str) -> Cow<'_, str> {
    if is_formula(words) { Cow::Owned(format!("'{words}")) } else { Cow::Borrowed(words) }
}

/// The words that [`cell`] made a cell of.
pub fn words_of_cell(cell: &str) -> &str {
    match cell.strip_prefix('\'') {
        Some(words) if is_formula(words) => words,
        _ => cell,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn files_are_read_whole_or_refused_in_words() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("a");
        std::fs::write(&path, "\u{feff}name").unwrap();
        assert_eq!(read(&path, Kind::Terms).unwrap(), "\u{feff}name".as_bytes());
        assert_eq!(read_text(&path, Kind::Terms).unwrap(), "name");
        std::fs::write(&path, b"ab\xff").unwrap();
        let error = read_text(&path, Kind::Terms).unwrap_err().to_string();
        assert!(error.contains("no UTF-8 text (byte 3)"), "{error}");
        let says = |path: &Path| read(path, Kind::Terms).unwrap_err().to_string();
        assert!(says(dir.path()).contains("it is a folder"));
        assert!(says(&dir.path().join("missing")).contains("no such file"));
        assert!(says(&path.join("below")).contains("not a folder"));
        assert!(says(&dir.path().join("x".repeat(400))).contains("too long"));
        // A length told beforehand: a hole of a file, nothing of it is read.
        let limit = Kind::Terms.limit_bytes();
        File::create(&path).unwrap().set_len(limit).unwrap();
        assert_eq!(read(&path, Kind::Terms).unwrap().len() as u64, limit);
        File::create(&path).unwrap().set_len(limit + 1).unwrap();
        assert!(says(&path).contains("more than 1 MB, too much for a contract"));
    }

    #[cfg(unix)]
    #[test]
    fn devices_and_links_to_nowhere_are_not_waited_for() {
        let says = |path: &Path| read(path, Kind::Photograph).unwrap_err().to_string();
        assert!(says(Path::new("/dev/zero")).contains("a pipe or a device"));
        let dir = tempfile::tempdir().unwrap();
        let (a, b) = (dir.path().join("a"), dir.path().join("b"));
        std::os::unix::fs::symlink(&a, &b).unwrap();
        assert!(says(&b).contains("leads to no file"));
        std::os::unix::fs::symlink(&b, &a).unwrap();
        assert!(says(&a).contains("leads to no file"));
    }

    #[test]
    fn words_stay_in_one_line() {
        assert!(matches!(one_line("plain ä – 葡萄"), Cow::Borrowed(_)));
        assert_eq!(one_line("a\nb\r\x1b[2J\u{202e}gpj"), "a\\nb\\r\\u{1b}[2J\\u{202e}gpj");
        assert_eq!(short("abc", 3), "abc");
        assert_eq!(short("äbcd", 3), "äbc…");
    }

    /// Every word of up to five of these letters.
    #[test]
    fn a_cell_is_no_formula_and_gives_its_words_back() {
        let letters = ['\'', '=', '+', '-', '@', '\t', '\r', '3', 'a'];
        let mut words = vec![String::new()];
        let mut from = 0;
        for _ in 0..5 {
            let to = words.len();
            for i in from..to {
                words.extend(letters.map(|c| format!("{}{c}", words[i])));
            }
            from = to;
        }
        assert_eq!(words.len(), 1 + 9 + 81 + 729 + 6_561 + 59_049);
        for words in &words {
            let made = cell(words);
            assert!(!made.starts_with(['=', '+', '-', '@', '\t', '\r']), "{words:?}");
            assert_eq!(words_of_cell(&made), words);
        }
    }
}
