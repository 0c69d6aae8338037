//! Whether a sheet is what the ledger and the photographs on disk say.

use std::io::Read;

use flate2::read::ZlibDecoder;
use serde::{Deserialize, Serialize};

use super::figures::{Figures, SCHEMA};
use super::{ATTACHMENT, make};
use crate::given::one_line;
use crate::ledger::archive::{Kept, sha256_hex};
use crate::ledger::{Ledger, LedgerError, PROGRAM, canonical};

/// Why a file cannot be checked at all.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("this is no agreement sheet that can be checked: {0}")]
pub struct NotASheet(String);

/// How one thing fares.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum State {
    /// It holds.
    Holds,
    /// It does not.
    Fails,
    /// It could not be told.
    NotTold,
}

/// One thing that was checked.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Checked {
    /// How it fares.
    pub state: State,
    /// In words.
    pub words: String,
}

/// What came out.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Verified {
    /// The load.
    pub load: String,
    /// SHA-256 of the file.
    pub sha256: String,
    /// What was checked, in order.
    pub checked: Vec<Checked>,
}

impl Verified {
    /// Whether nothing that was checked fails, and the ledger knows the sheet's entry.
    pub fn holds(&self) -> bool {
        self.checked.iter().all(|c| c.state != State::Fails)
    }

    fn say(&mut self, state: State, words: impl Into<String>) {
        // Names in a sheet are its maker's: they must not make lines of their own.
        self.checked.push(Checked { state, words: one_line(&words.into()).into_owned() });
    }
}

/// The figures inside a sheet.
///
/// # Errors
/// [`NotASheet`] when the file has no such figures in it, or more than one set of them.
pub fn attached(pdf: &[u8]) -> Result<Figures, NotASheet> {
    let bytes = attachment(pdf)?;
    let figures: Figures = serde_json::from_slice(&bytes).map_err(|e| {
        NotASheet(format!("its attached figures are damaged or of another version ({e})"))
    })?;
    if figures.schema != SCHEMA {
        return Err(NotASheet(format!("its figures are of version {:?}", figures.schema)));
    }
    Ok(figures)
}

/// Most that all streams of a sheet together may unpack to; an honest sheet has a few megabytes.
const MOST_UNPACKED_BYTES: usize = 200_000_000;

/// The attached document, found among the file's streams (ISO 32000-2, 7.3.8). The file is somebody
/// else's: it is not read as a PDF, whose reader would follow it as deep as it likes and unpack
/// whatever it says. Streams stand in the file as they are; each is unpacked once, up to a limit over
/// all of them, and the one that says it is ours is taken. That the pages are what the figures say is
/// shown by setting them again, not by this.
fn attachment(pdf: &[u8]) -> Result<Vec<u8>, NotASheet> {
    const KEYWORD: &[u8] = b"stream";
    if !pdf.starts_with(b"%PDF-") {
        return Err(NotASheet("it is no PDF".to_owned()));
    }
    let (mut at, mut left) = (0, MOST_UNPACKED_BYTES);
    let mut ours: Option<Vec<u8>> = None;
    while let Some(found) = pdf[at..].windows(KEYWORD.len()).position(|w| w == KEYWORD) {
        at += found + KEYWORD.len();
        let bytes = unpacked(pdf[at..].trim_ascii_start(), left);
        left = left.checked_sub(bytes.len()).ok_or_else(|| {
            let most = MOST_UNPACKED_BYTES / 1_000_000;
            NotASheet(format!("what is packed into it comes to more than {most} MB"))
        })?;
        if !says_it_is_ours(&bytes) || ours.as_ref() == Some(&bytes) {
            continue;
        }
        if ours.replace(bytes).is_some() {
            return Err(NotASheet("it holds more than one set of figures".to_owned()));
        }
    }
    ours.ok_or_else(|| NotASheet(format!("it has no {ATTACHMENT} attached")))
}

/// What a packed stream unpacks to, up to one byte more than `most`; where it is damaged, what comes
/// before.
fn unpacked(packed: &[u8], most: usize) -> Vec<u8> {
    let mut bytes = Vec::new();
    // What ends in a fault has been read up to there.
    let _ = ZlibDecoder::new(packed).take(most as u64 + 1).read_to_end(&mut bytes);
    bytes
}

/// Whether a stream holds a document of this program's sheets, of any version.
fn says_it_is_ours(bytes: &[u8]) -> bool {
    #[derive(Deserialize)]
    struct Any {
        schema: String,
    }
    let name = SCHEMA.split('/').next().unwrap_or(SCHEMA);
    bytes.trim_ascii_start().starts_with(b"{")
        && serde_json::from_slice::<Any>(bytes)
            .is_ok_and(|any| any.schema.split('/').next() == Some(name))
}

/// Holds a sheet against a ledger and its archive.
///
/// # Errors
/// [`VerifyError`] when the file is no sheet, or the ledger cannot be read at all.
pub fn verify(pdf: &[u8], ledger: &Ledger) -> Result<Verified, VerifyError> {
    let own = attached(pdf)?;
    let mut found =
        Verified { load: own.load.clone(), sha256: sha256_hex(pdf), checked: Vec::new() };
    issued(&own, ledger, &mut found)?;
    let at = &own.ledger;
    let known = ledger.entry(at.entries)?;
    match &known {
        Some(entry) if entry.hash == at.head => found.say(
            State::Holds,
            format!("the ledger has the sheet's entry {} with its hash {}", at.entries, at.head),
        ),
        Some(entry) => found.say(
            State::Fails,
            format!(
                "entry {} of this ledger has hash {}, not {}: it is another ledger, or its history \
                 was rewritten",
                at.entries, entry.hash, at.head
            ),
        ),
        None => found.say(
            State::Fails,
            format!(
                "this ledger has no entry {}: it is another one, or its end was cut off",
                at.entries
            ),
        ),
    }
    if known.is_none_or(|entry| entry.hash != at.head) {
        found.say(State::NotTold, "figures, photographs and pages were not compared");
        return Ok(found);
    }
    let then = match ledger.as_of(at.entries) {
        Ok(then) => then,
        Err(LedgerError::Entry { entry, fault }) => {
            found.say(State::Fails, format!("the ledger's entry {entry} is broken: {fault}"));
            return Ok(found);
        }
        Err(LedgerError::Refused(why)) => {
            found.say(State::Fails, format!("the ledger's entries break a rule: {why}"));
            return Ok(found);
        }
        Err(other) => return Err(other.into()),
    };
    compare_figures(&own, &then, &mut found)?;
    let whole = compare_photographs(&own, ledger, &mut found)?;
    compare_pages(pdf, &own, &then, whole, &mut found);
    later(&own, ledger, &mut found)?;
    Ok(found)
}

/// Why a sheet was not checked.
#[derive(Debug, thiserror::Error)]
pub enum VerifyError {
    /// The file is none.
    #[error(transparent)]
    NotASheet(#[from] NotASheet),
    /// The ledger cannot be read.
    #[error(transparent)]
    Ledger(#[from] LedgerError),
}

fn compare_figures(own: &Figures, then: &Ledger, found: &mut Verified) -> Result<(), VerifyError> {
    let said = canonical::canonical(&own.figures).ok();
    let record = match then.load(&own.load) {
        Ok(record) => record,
        Err(LedgerError::Refused(_)) => {
            found.say(State::Fails, format!("the ledger has no load {} at that entry", own.load));
            return Ok(());
        }
        Err(other) => return Err(other.into()),
    };
    let (kept, whose) = match &record.verdict {
        Some(closed) => (Some(closed.clone()), "those that the close recorded"),
        None => {
            let dossier = crate::dossier::of_load(then, &own.load)?;
            let now = dossier.recordable().ok().and_then(|v| canonical::canonical(&v).ok());
            (now, "those that follow from the ledger's entries")
        }
    };
    if said.is_some() && said == kept {
        found.say(State::Holds, format!("the figures are {whose}"));
    } else if record.verdict.is_none() && own.program != PROGRAM {
        found.say(
            State::NotTold,
            format!("the figures were worked out by {}; this is {PROGRAM}", own.program),
        );
    } else {
        found.say(State::Fails, format!("the attached figures are not {whose}"));
    }
    if own.closed != record.closed.is_some() {
        found.say(State::Fails, "the sheet and the ledger differ in whether the load was closed");
    }
    Ok(())
}

/// Tells whether every photograph is there with its own bytes.
fn compare_photographs(
    own: &Figures,
    ledger: &Ledger,
    found: &mut Verified,
) -> Result<bool, VerifyError> {
    let mut whole = 0;
    for photo in &own.photographs {
        let place = match (&photo.lot, photo.tray) {
            (Some(lot), Some(tray)) => format!("{lot} tray {tray}, {}", photo.name),
            _ => photo.name.clone(),
        };
        match ledger.archive().state(&photo.sha256)? {
            Kept::Whole => whole += 1,
            Kept::Missing => found.say(
                State::Fails,
                format!(
                    "photograph missing: {place} ({})",
                    ledger.archive().path(&photo.sha256).display()
                ),
            ),
            Kept::Changed => found.say(
                State::Fails,
                format!(
                    "photograph changed: {place} ({})",
                    ledger.archive().path(&photo.sha256).display()
                ),
            ),
        }
    }
    let all = own.photographs.len();
    if whole > 0 || all == 0 {
        found.say(State::Holds, format!("{whole} of {all} photographs are on disk, unchanged"));
    }
    Ok(whole == all)
}

/// Sets the sheet again and compares every byte: so the pages say what the figures say.
fn compare_pages(pdf: &[u8], own: &Figures, then: &Ledger, whole: bool, found: &mut Verified) {
    if own.program != PROGRAM {
        let words =
            format!("the pages were made by {}; this is {PROGRAM}: not compared", own.program);
        return found.say(State::NotTold, words);
    }
    match make(then, &own.load, &own.settings) {
        Ok(made) if made.pdf == pdf => {
            found.say(State::Holds, "the pages are those that the ledger gives, to the last byte");
        }
        Ok(_) => found.say(
            State::Fails,
            "the file is not the one that the ledger gives: it was changed after it was made",
        ),
        Err(_) if !whole => {
            found.say(State::NotTold, "the pages were not compared: photographs are not whole");
        }
        Err(why) => found.say(State::Fails, format!("the sheet cannot be made again: {why}")),
    }
}

/// Whether this very file was issued here.
fn issued(own: &Figures, ledger: &Ledger, found: &mut Verified) -> Result<(), VerifyError> {
    match ledger.sheet(&found.sha256)? {
        Some(stamp) => found.say(
            State::Holds,
            format!(
                "this very file was issued in entry {} of the ledger, {} by {}",
                stamp.entry, stamp.at, stamp.who
            ),
        ),
        None if own.closed => found.say(
            State::NotTold,
            "the ledger does not know this file by its hash: it was issued elsewhere, or changed",
        ),
        None => {
            found.say(State::NotTold, "a draft of an open load: its file's hash is not recorded")
        }
    }
    Ok(())
}

/// What was said of the load since.
fn later(own: &Figures, ledger: &Ledger, found: &mut Verified) -> Result<(), VerifyError> {
    if own.closed {
        return Ok(());
    }
    let last = ledger.last_bearing_on(&own.load)?.unwrap_or(0);
    if last > own.ledger.entries {
        found.say(
            State::NotTold,
            format!(
                "the sheet is a draft, and the load has moved on since (entry {last}): make a new one"
            ),
        );
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn pdf(streams: &[&[u8]]) -> Vec<u8> {
        use std::io::Write as _;
        let mut bytes = b"%PDF-1.7\n".to_vec();
        for stream in streams {
            let mut z = flate2::write::ZlibEncoder::new(Vec::new(), flate2::Compression::fast());
            z.write_all(stream).unwrap();
            bytes.extend(b"1 0 obj<<>>stream\r\n");
            bytes.extend(z.finish().unwrap());
            bytes.extend(b"endstream");
        }
        bytes
    }

    #[test]
    fn streams_are_unpacked_to_a_limit_and_one_is_ours() {
        let one = br#"{"schema":"acinus-sheet/1"}"#;
        assert_eq!(attachment(&pdf(&[b"q Q", one, b"{}"])).unwrap(), one);
        assert_eq!(attachment(&pdf(&[one, one])).unwrap(), one);
        let says = |bytes: &[u8]| attachment(bytes).unwrap_err().to_string();
        let other = br#"{"schema":"acinus-sheet/1","a":1}"#;
        assert!(says(&pdf(&[one, other])).contains("more than one set"));
        assert!(says(&pdf(&[b"{}", b"{\"schema\":\"other/1\"}"])).contains("no acinus-sheet.json"));
        let large = vec![0u8; MOST_UNPACKED_BYTES / 2 + 1];
        assert_eq!(attachment(&pdf(&[&large, one])).unwrap(), one);
        let bomb = pdf(&[&large, one, &large]);
        assert!(bomb.len() < 2_000_000, "{}", bomb.len());
        assert!(says(&bomb).contains("more than 200 MB"));
    }

    #[test]
    fn what_is_no_sheet_is_told_in_one_line() {
        for bytes in [&b""[..], b"%PDF-1.7\nnothing", b"hello", &[0u8; 4096]] {
            let words = attached(bytes).unwrap_err().to_string();
            assert!(words.contains("no agreement sheet") && !words.contains('\n'), "{words}");
        }
        let plain =
            crate::print::marks([330.0, 250.0], crate::print::Paper::A4, crate::print::Format::Pdf)
                .unwrap();
        assert!(attached(&plain).is_err());
    }
}
