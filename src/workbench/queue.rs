//! Photographs that wait to be worked on, one after another. Each is in the archive, with a note of
//! what was said of it beside, before anyone is told that it was taken; so one that a crash or a
//! power cut left behind is found again at the next start.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Condvar, Mutex, PoisonError};

use serde::{Deserialize, Serialize};
use serde_json::{Value, json};

use super::fault::for_the_page;
use super::{Bench, lock, signed};
use crate::disk;
use crate::finding::Finding;
use crate::intake::{self, Became, Found, Said};
use crate::ledger::archive::Archive;
use crate::ledger::{LedgerError, PhotoState};
use crate::photo::Photo;
use crate::pipeline::{self, TrayReading};

/// Most photographs that wait at a time.
pub const MOST_WAITING: usize = 16;
/// Most jobs that are remembered after they ended.
const REMEMBERED: usize = 200;
/// Stages that a job goes through.
const STEPS: [&str; 7] = ["decode", "marks", "floor", "segment", "checks", "measure", "classify"];

/// What was said of a photograph, as the note beside it keeps it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Note {
    /// The file's name.
    pub name: String,
    /// SHA-256 of its bytes.
    pub sha256: String,
    /// Who brought it.
    pub who: String,
    /// Why, for a retake or another bin than planned.
    pub why: Option<String>,
    /// The load, if said.
    pub load: Option<String>,
    /// The lot, if said.
    pub lot: Option<String>,
    /// The tray, if said.
    pub tray: Option<u32>,
    /// The bin, if said.
    pub bin: Option<String>,
    /// Whether it takes the place of an earlier photograph.
    pub retake: bool,
    /// Its place in the order in which photographs were taken; the queue gives it. Clocks are set back,
    /// and many files are written within one tick of them.
    #[serde(default)]
    pub order: u64,
}

/// Where a job stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum State {
    /// It waits.
    Queued,
    /// It is worked on.
    Working,
    /// It is a tray.
    Recorded,
    /// It was recorded before.
    Known,
    /// It is kept as refused.
    Refused,
    /// Nothing was recorded.
    NotRecorded,
    /// The ledger or the archive failed.
    Failed,
}

#[derive(Debug, Clone)]
struct Job {
    number: u64,
    note: Note,
    state: State,
    step: Option<&'static str>,
    done: usize,
    found_again: bool,
    findings: Vec<Finding>,
    became: Option<Value>,
    seconds: BTreeMap<&'static str, f64>,
}

impl Job {
    fn json(&self) -> Value {
        let findings: Vec<Value> = self
            .findings
            .iter()
            .map(|f| {
                let words = for_the_page(&f.message);
                let (message, todo) = words.split_once("; ").unwrap_or((&words, ""));
                json!({
                    "check": f.check, "severity": f.severity, "message": message, "todo": todo,
                    "value": f.value, "limit": f.limit, "unit": f.unit
                })
            })
            .collect();
        json!({
            "job": format!("j{}", self.number), "name": self.note.name,
            "sha256": self.note.sha256, "load": self.note.load, "state": self.state,
            "step": self.step, "done": self.done, "of": STEPS.len(),
            "found_again": self.found_again, "findings": findings, "became": self.became,
            "seconds": self.seconds
        })
    }

    fn is_open(&self) -> bool {
        matches!(self.state, State::Queued | State::Working)
    }
}

#[derive(Debug, Default)]
struct Inner {
    jobs: Vec<Job>,
    last: u64,
    stopping: bool,
}

/// The queue.
#[derive(Debug)]
pub struct Queue {
    inner: Mutex<Inner>,
    wake: Condvar,
    folder: PathBuf,
}

/// The queue has no room.
pub struct Full;

impl Queue {
    /// The queue of an archive, with what an earlier run left behind; and its notes that cannot be read.
    ///
    /// # Errors
    /// [`LedgerError::Archive`] when the notes cannot be listed.
    pub fn of(archive: &Archive) -> Result<(Queue, Vec<PathBuf>), LedgerError> {
        let folder = archive.folder().join("waiting");
        let fault = |source| LedgerError::Archive { path: folder.clone(), source };
        let mut inner = Inner::default();
        let (mut notes, mut unreadable) = (Vec::new(), Vec::new());
        let entries = match std::fs::read_dir(&folder) {
            Ok(entries) => entries.collect::<Result<Vec<_>, _>>().map_err(fault)?,
            Err(e) if e.kind() == std::io::ErrorKind::NotFound => Vec::new(),
            Err(e) => return Err(fault(e)),
        };
        for path in entries.iter().map(std::fs::DirEntry::path).filter(|p| is_note(p)) {
            let note = std::fs::read(&path).ok().and_then(|b| serde_json::from_slice(&b).ok());
            match note {
                Some(note) => notes.push(note),
                None => unreadable.push(path),
            }
        }
        notes.sort_by(|a: &Note, b: &Note| (a.order, &a.name).cmp(&(b.order, &b.name)));
        unreadable.sort();
        for mut note in notes {
            // Notes of before there was an order are the oldest.
            note.order = note.order.max(inner.last + 1);
            inner.last = note.order;
            inner.add(note, true);
        }
        Ok((Queue { inner: Mutex::new(inner), wake: Condvar::new(), folder }, unreadable))
    }

    /// Whether another photograph is taken just now.
    pub fn has_room(&self) -> Result<(), Full> {
        if lock(&self.inner).open() < MOST_WAITING { Ok(()) } else { Err(Full) }
    }

    /// Puts a photograph that is in the archive into the queue; one that waits already is not put in
    /// twice. Gives the job and how many are ahead of it.
    pub fn put(&self, mut note: Note) -> Result<(String, usize), LedgerError> {
        {
            let mut inner = lock(&self.inner);
            if let Some(waits) = inner.waits(&note.sha256) {
                return Ok(waits);
            }
            inner.last += 1;
            note.order = inner.last;
        }
        self.keep_note(&note)?;
        let mut inner = lock(&self.inner);
        // The same photograph may have come twice at once.
        if let Some(waits) = inner.waits(&note.sha256) {
            return Ok(waits);
        }
        let ahead = inner.open();
        inner.jobs.retain(|j| j.note.sha256 != note.sha256);
        let number = inner.add(note, false);
        self.wake.notify_all();
        Ok((format!("j{number}"), ahead))
    }

    /// Writes what was said of a photograph beside it, before anyone is told that it was taken.
    fn keep_note(&self, note: &Note) -> Result<(), LedgerError> {
        let path = self.note_of(&note.sha256);
        let fault = |source| LedgerError::Archive { path: path.clone(), source };
        let text = serde_json::to_vec(note).map_err(|e| fault(e.into()))?;
        disk::make_folder(&self.folder).map_err(fault)?;
        disk::write_whole(&path, &text).map_err(fault)
    }

    fn note_of(&self, sha256: &str) -> PathBuf {
        // The hash is this program's own: no word of a request is ever a path.
        self.folder.join(format!("{sha256}.json"))
    }

    /// What was said of a job's photograph, where nothing came of it; none within where it waits or
    /// is done, none at all where there is no such job.
    pub fn note(&self, name: &str) -> Option<Option<Note>> {
        let inner = lock(&self.inner);
        let job = inner.jobs.iter().find(|j| is_named(j, name))?;
        let again = matches!(job.state, State::NotRecorded | State::Failed);
        Some(again.then(|| job.note.clone()))
    }

    /// All jobs, oldest first.
    pub fn all(&self) -> Vec<Value> {
        lock(&self.inner).jobs.iter().map(Job::json).collect()
    }

    /// One job.
    pub fn one(&self, name: &str) -> Option<Value> {
        lock(&self.inner).jobs.iter().find(|j| is_named(j, name)).map(Job::json)
    }

    /// Takes a job that is not being worked on from the list. None when there is no such job, false
    /// when it is being worked on.
    pub fn forget(&self, name: &str) -> Option<bool> {
        let mut inner = lock(&self.inner);
        let place = inner.jobs.iter().position(|j| is_named(j, name))?;
        if inner.jobs[place].state == State::Working {
            return Some(false);
        }
        let job = inner.jobs.remove(place);
        // A note that is gone already is as good.
        let _ = std::fs::remove_file(self.note_of(&job.note.sha256));
        Some(true)
    }

    /// Photographs of a load that are not done.
    pub fn unfinished_of(&self, load: &str) -> Vec<Value> {
        let inner = lock(&self.inner);
        let own = inner.jobs.iter().filter(|j| j.is_open() && j.note.load.as_deref() == Some(load));
        own.map(|j| {
            let words = if j.state == State::Working {
                "being worked on"
            } else {
                "kept, not worked on yet"
            };
            json!({"job": format!("j{}", j.number), "name": j.note.name, "words": words})
        })
        .collect()
    }

    /// Ends the worker after the photograph in hand.
    pub fn stop(&self) {
        lock(&self.inner).stopping = true;
        self.wake.notify_all();
    }

    fn next(&self) -> Option<(u64, Note)> {
        let mut inner = lock(&self.inner);
        loop {
            if inner.stopping {
                return None;
            }
            if let Some(job) = inner.jobs.iter_mut().find(|j| j.state == State::Queued) {
                job.state = State::Working;
                return Some((job.number, job.note.clone()));
            }
            inner = self.wake.wait(inner).unwrap_or_else(PoisonError::into_inner);
        }
    }

    fn change(&self, number: u64, with: impl FnOnce(&mut Job)) -> Option<Value> {
        let mut inner = lock(&self.inner);
        let job = inner.jobs.iter_mut().find(|j| j.number == number)?;
        with(job);
        Some(job.json())
    }
}

impl Inner {
    /// How many are not done.
    fn open(&self) -> usize {
        self.jobs.iter().filter(|j| j.is_open()).count()
    }

    /// The job of a photograph that is not done, and how many others there are.
    fn waits(&self, sha256: &str) -> Option<(String, usize)> {
        let job = self.jobs.iter().find(|j| j.note.sha256 == sha256 && j.is_open())?;
        Some((format!("j{}", job.number), self.open().saturating_sub(1)))
    }

    /// Adds a job at its place in the order; gives its number.
    fn add(&mut self, note: Note, found_again: bool) -> u64 {
        let number = note.order;
        let ended = self.jobs.iter().filter(|j| !j.is_open()).count();
        if ended > REMEMBERED
            && let Some(oldest) = self.jobs.iter().position(|j| !j.is_open())
        {
            self.jobs.remove(oldest);
        }
        let place = self.jobs.partition_point(|j| j.number < number);
        let job = Job {
            number,
            note,
            state: State::Queued,
            step: None,
            done: 0,
            found_again,
            findings: Vec::new(),
            became: None,
            seconds: BTreeMap::new(),
        };
        self.jobs.insert(place, job);
        number
    }
}

/// Whether a file's name is that of a note: 64 digits of a hash and `.json`.
fn is_note(path: &Path) -> bool {
    let name = path.file_name().and_then(|n| n.to_str()).unwrap_or_default();
    name.strip_suffix(".json")
        .is_some_and(|n| n.len() == 64 && n.bytes().all(|b| b.is_ascii_hexdigit()))
}

fn is_named(job: &Job, name: &str) -> bool {
    name.strip_prefix('j').is_some_and(|n| n == job.number.to_string())
}

/// Works on what waits until the queue is stopped.
pub fn work(bench: &Arc<Bench>) {
    while let Some((number, note)) = bench.queue.next() {
        let tell = |job: Option<Value>| {
            if let Some(job) = job {
                bench.events.tell("job", &job);
            }
        };
        tell(bench.queue.one(&format!("j{number}")));
        // A panic of some library must not end the worker, nor lose the photograph.
        let outcome = crate::guard::guarded(|| one(bench, number, &note, &tell));
        let (state, became) = match outcome {
            Some(Ok((state, became))) => (state, became),
            Some(Err(error)) => (State::Failed, not_recorded(&error.to_string())),
            None => {
                let words = "it could not be worked on: a fault of the program";
                (State::Failed, not_recorded(words))
            }
        };
        if matches!(state, State::Recorded | State::Known | State::Refused) {
            // What stays behind is found again and known then.
            let _ = std::fs::remove_file(bench.queue.note_of(&note.sha256));
        }
        tell(bench.queue.change(number, |job| {
            job.state = state;
            job.became = Some(became);
        }));
    }
}

fn one(
    bench: &Bench,
    number: u64,
    note: &Note,
    tell: &impl Fn(Option<Value>),
) -> Result<(State, Value), LedgerError> {
    let queue = &bench.queue;
    let bytes = bench.archive.read(&note.sha256)?;
    if let PhotoState::Tray(what) = bench.ledger().photo(&note.sha256)? {
        return Ok((State::Known, json!({"status": "recorded-before", "what": what})));
    }
    let said = Said {
        load: note.load.clone(),
        lot: note.lot.clone(),
        tray: note.tray,
        bin: note.bin.clone(),
        retake: note.retake,
    };
    let profile = bench.profile();
    let mut last = std::time::Instant::now();
    let mut step = |name: &'static str, findings: &[Finding]| {
        let seconds = last.elapsed().as_secs_f64();
        last = std::time::Instant::now();
        tell(queue.change(number, |job| {
            job.step = Some(name);
            job.done = STEPS.iter().position(|s| *s == name).map_or(job.done, |p| p + 1);
            job.seconds.insert(name, seconds);
            job.findings = findings.to_vec();
        }));
    };
    let stem = intake::stem(&note.name);
    let reading = pipeline::read_tray_telling(&stem, &bytes, &profile, &bench.reading, &mut step);
    if let Err(pipeline::Error::Refused { findings, .. }) = &reading {
        tell(queue.change(number, |job| job.findings = findings.clone()));
    }
    let read = reading.as_ref().map(|(_, reading)| reading);
    let unreadable = matches!(&reading, Err(pipeline::Error::Photo(_)));
    let found = intake::found(&note.name, &bytes, &said, read, &bench.archive)?;
    let place = match &found {
        Found::Tray(tray) => Some((tray.load.clone(), tray.lot.clone(), tray.tray)),
        _ => None,
    };
    let (became, id, entry) = {
        let mut ledger = bench.ledger();
        let became = intake::record(&mut ledger, found, signed(&note.who, note.why.as_deref()))?;
        let id = match (&became, &place) {
            (Became::Recorded { .. }, Some((load, lot, tray))) => ledger.tray(load, lot, *tray)?,
            _ => None,
        };
        if let (Some(id), Ok((photo, reading))) = (id, reading) {
            keep_open(bench, id, photo, reading);
        }
        bench.events.tell_new(&ledger)?;
        (became, id, ledger.head()?.entries)
    };
    if let Some((load, ..)) = place {
        queue.change(number, |job| job.note.load = Some(load));
    }
    Ok(match became {
        Became::Recorded { load, lot, tray, objects, cautions } => {
            let cautions: Vec<String> = cautions.iter().map(|c| for_the_page(c)).collect();
            let became = json!({
                "status": "recorded", "load": load, "lot": lot, "tray": tray, "tray_id": id,
                "objects": objects, "cautions": cautions, "entry": entry
            });
            (State::Recorded, became)
        }
        Became::RecordedBefore { what } => {
            (State::Known, json!({"status": "recorded-before", "what": what}))
        }
        Became::Refused { reason } => {
            (State::Refused, json!({"status": "refused", "reason": for_the_page(&reason)}))
        }
        Became::NotRecorded { reason } => {
            let mut became = not_recorded(&reason);
            became["unreadable"] = unreadable.into();
            (State::NotRecorded, became)
        }
    })
}

/// What was just read is shown at once, not decoded again.
fn keep_open(bench: &Bench, id: u64, photo: Photo, reading: TrayReading) {
    bench.shelf.put_read(id, photo, reading.labels);
}

/// Advice of the command line, told the page's way.
const ADVICE: [(&str, &str); 6] = [
    (": name it with --", "say load, lot and tray, and send it again"),
    (": number it with --", "say load, lot and tray, and send it again"),
    ("; leave out --", "leave it to the slip, or photograph it with the right slip"),
    ("; if this photograph", "if it is a retake, say so and why"),
    ("; if it had to be so", "if it had to be so, say why"),
    ("; open it with", "open the load first"),
];

fn not_recorded(reason: &str) -> Value {
    let cut = ADVICE.iter().find_map(|(mark, todo)| reason.find(mark).map(|at| (at, *todo)));
    let (reason, todo) = cut.map_or((reason, ""), |(at, todo)| (&reason[..at], todo));
    let reason = for_the_page(reason);
    json!({"status": "not-recorded", "reason": reason, "todo": todo})
}
