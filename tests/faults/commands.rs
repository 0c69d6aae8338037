//! Every command that writes, with a fault at every call that it makes to the disk.

use std::fs;
use std::os::unix::process::ExitStatusExt as _;
use std::path::Path;

use acinus::ledger::Ledger;
use acinus::ledger::event::Delivery;
use acinus::stats::SplitMix64;

use crate::shim::{self, calls, copy, err, faulty, files, folder, is_part, must, program};
use crate::{dock, orchard};

/// A fault that the call itself tells of, or that ends the process.
const FAULTS: [&str; 10] = [
    "enospc",
    "eio",
    "eintr",
    "short",
    "torn",
    "full",
    "dead",
    "kill-before",
    "kill-middle",
    "kill-after",
];

/// What a command says when it is run again after it was done.
#[derive(Clone, Copy)]
enum Again {
    /// It is done once more, and nothing is added.
    Done,
    /// It is refused with these words.
    Refused(&'static str),
}

/// A command in a folder.
struct Scene {
    name: &'static str,
    prepare: fn(&Path),
    command: &'static [&'static str],
    again: Again,
}

const ADD: [&str; 11] = [
    "load",
    "add",
    "t1.png",
    "t2.png",
    "--load",
    "K",
    "--lot",
    "UNSORTED",
    "--number",
    "1",
    "--px-per-mm=2",
];

fn terms(home: &Path) {
    fs::write(home.join("house.toml"), dock::TERMS).expect("terms");
}

fn opened(home: &Path) {
    terms(home);
    must(home, &["load", "new", "K", "--grower", "Hill", "--bins", "8", "--ledger", "c.sqlite"]);
    (1..=2).for_each(|i| shim::draw(&home.join(format!("t{i}.png")), i));
}

fn recorded(home: &Path) {
    let mut ledger = Ledger::open_or_begin(&home.join("c.sqlite")).expect("ledger");
    let delivery =
        Delivery { net_kg: Some("5400".parse().expect("decimal")), ..Delivery::default() };
    orchard::open(&mut ledger, "K", "Hill", delivery, Some(dock::TERMS));
    let picture = folder();
    let picture = picture.path().join("p.jpg");
    shim::draw(&picture, 5);
    let picture = fs::read(picture).expect("picture");
    for (lot, number) in [("UNSORTED", 1), ("UNSORTED", 2), ("SORTED", 1), ("WASTE", 1)] {
        let photo = orchard::photo(&ledger, &picture, &format!("{lot}{number}.jpg"));
        orchard::tray(&mut ledger, photo, ("K", lot, number), "1", (40, 0.1));
    }
}

fn closed(home: &Path) {
    recorded(home);
    must(home, &["load", "close", "K", "--ledger", "c.sqlite"]);
}

fn exported(home: &Path) {
    closed(home);
    must(home, &["ledger", "export", "--out", "all.json", "--ledger", "c.sqlite"]);
    for name in files(home) {
        if name != "all.json" {
            fs::remove_file(home.join(name)).expect("away");
        }
    }
}

fn older(home: &Path) {
    let data = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/ledger");
    fs::copy(data.join("v1.sqlite"), home.join("c.sqlite")).expect("an older ledger");
}

const SCENES: [Scene; 15] = [
    Scene {
        name: "a ledger is begun and a load opened",
        prepare: terms,
        command: &["load", "new", "K", "--grower", "Hill", "--terms", "house.toml"],
        again: Again::Refused("K"),
    },
    Scene { name: "trays are recorded", prepare: opened, command: &ADD, again: Again::Done },
    Scene {
        name: "an object is corrected",
        prepare: recorded,
        command: &[
            "load",
            "correct",
            "K",
            "UNSORTED",
            "1",
            "--object=3",
            "--class=debris",
            "--why",
            "seen",
        ],
        again: Again::Refused("already"),
    },
    Scene {
        name: "a plan is fixed",
        prepare: opened,
        command: &["plan", "--load", "K", "--out", "plan.txt"],
        again: Again::Refused("plan"),
    },
    Scene {
        name: "a load is closed",
        prepare: recorded,
        command: &["load", "close", "K"],
        again: Again::Refused("closed"),
    },
    Scene {
        name: "a receipt is written",
        prepare: closed,
        command: &["load", "receipt", "K", "--out", "receipt.json"],
        again: Again::Done,
    },
    Scene {
        name: "a sheet is issued",
        prepare: closed,
        command: &["sheet", "K", "--out", "sheet.pdf"],
        again: Again::Done,
    },
    Scene {
        name: "a season is written",
        prepare: closed,
        command: &["season", "--out", "season", "--parquet", "tables"],
        again: Again::Done,
    },
    Scene {
        name: "a sorter's trade is written",
        prepare: closed,
        command: &["what-if", "--load", "K", "--poisson", "--out", "trade"],
        again: Again::Done,
    },
    Scene {
        name: "the ledger is exported",
        prepare: closed,
        command: &["ledger", "export", "--out", "all.json"],
        again: Again::Done,
    },
    Scene {
        name: "a load's objects are exported",
        prepare: closed,
        command: &["ledger", "export", "--load", "K", "--out", "objects.csv"],
        again: Again::Done,
    },
    Scene {
        name: "a ledger is imported",
        prepare: exported,
        command: &["ledger", "import", "all.json"],
        again: Again::Done,
    },
    Scene {
        name: "an older ledger is brought up",
        prepare: older,
        command: &["ledger", "head"],
        again: Again::Done,
    },
    Scene {
        name: "photographs are assessed",
        prepare: opened,
        command: &[
            "assess",
            "t1.png",
            "t2.png",
            "--px-per-mm=2",
            "--labels",
            "--force",
            "--out",
            "out",
        ],
        again: Again::Done,
    },
    Scene {
        name: "slips are printed",
        prepare: terms,
        command: &["slip", "K", "UNSORTED", "--trays", "1-2", "--out", "slips.pdf"],
        again: Again::Done,
    },
];

/// Whether an output is a whole page that says which photographs it leaves out: one whose files could
/// not be written does not keep the others from their page.
fn tells_of_what_is_left_out((name, bytes): &(String, Vec<u8>)) -> bool {
    let text = String::from_utf8_lossy(bytes);
    name.ends_with("report.html")
        && text.trim_end().ends_with("</html>")
        && text.contains("Photographs not used")
        && text.contains("cannot write")
}

/// What is there after a run.
#[derive(PartialEq, Clone)]
struct State {
    entries: u64,
    outputs: Vec<(String, Vec<u8>)>,
}

/// The ledger must be whole, whatever happened; outputs are all files but the ledger's own.
fn state(home: &Path, about: &str) -> State {
    let file = home.join("c.sqlite");
    let entries = match file.exists() {
        false => 0,
        true => {
            let ledger = Ledger::open(&file).unwrap_or_else(|e| panic!("{about}: {e}"));
            let found = ledger.verify(None).unwrap_or_else(|e| panic!("{about}: {e}"));
            let faults: Vec<_> = found.faults.iter().filter(|f| f.place != "archive").collect();
            // An imported ledger has no photographs yet, and the older one never had.
            let bare = about.contains("imported") || about.contains("older");
            assert!(bare || found.faults.is_empty(), "{about}: {:?}", found.faults);
            assert!(faults.is_empty(), "{about}: {faults:?}");
            found.head.entries
        }
    };
    let outputs = files(home).into_iter().filter(|n| !n.starts_with("c.")).map(|name| {
        let bytes = fs::read(home.join(&name)).expect("an output");
        (name, bytes)
    });
    State { entries, outputs: outputs.collect() }
}

impl Scene {
    fn args(&self) -> Vec<&str> {
        let mut args = self.command.to_vec();
        if self.command[0] == "load" && self.command[1] == "add" {
            args.push("--force");
        }
        if !matches!(self.command[0], "assess" | "slip") {
            args.extend(["--ledger", "c.sqlite"]);
        }
        args
    }

    fn run(&self, home: &Path, log: &Path, what: &str, at: usize) -> std::process::Output {
        faulty(home, log, what, at, &self.args()).output().expect("the program starts")
    }

    /// A fault at one call, then the same command again without one.
    fn fail(&self, known: &Known, what: &str, at: usize) -> Ending {
        let (home, logs) = (folder(), folder());
        copy(known.prepared.path(), home.path());
        let log = logs.path().join("log");
        let output = self.run(home.path(), &log, what, at);
        let calls = calls(&log, home.path());
        let call = calls.get(at - 1).map_or("none".to_owned(), |(c, p)| format!("{c} {p}"));
        let about = format!("{}: {what} at call {at} ({call})", self.name);
        let words = err(&output);
        assert!(!words.contains("panicked"), "{about}: {words}");
        let killed = output.status.signal() == Some(9);
        assert!(killed == (what.starts_with("kill") && calls.len() >= at), "{about}: {words}");
        let ok = output.status.success();
        if !killed && !ok {
            assert_eq!(output.status.code(), Some(1), "{about}: {words}");
            let lines = words.lines().filter(|l| l.starts_with("acinus: ")).count();
            assert!(lines >= 1 && lines <= self.most_lines(), "{about}: {words}");
        }
        let left = files(home.path()).iter().filter(|n| is_part(n)).count();
        // A disk that does nothing any more cannot be cleared up; nor can a file whose removal failed.
        let cleared = !killed && what != "dead" && !call.starts_with("unlink");
        assert!(!cleared || left == 0, "{about}: left {:?}", files(home.path()));
        let after = state(home.path(), &about);
        self.check_between(known, &after, ok, &about);

        let again = program(home.path(), &self.args()).output().expect("the program starts");
        let said = err(&again);
        let done_before =
            after.entries == known.after.entries && known.before.entries != after.entries;
        match self.again {
            Again::Refused(rule) if done_before => {
                assert!(again.status.code() == Some(1) && said.contains(rule), "{about}: {said}");
            }
            _ => assert!(again.status.success(), "{about}, then again: {said}"),
        }
        let end = state(home.path(), &about);
        assert_eq!(end.entries, known.after.entries, "{about}, then again");
        if again.status.success() {
            assert!(
                end.outputs == known.after.outputs,
                "{about}, then again: {:?}",
                files(home.path())
            );
            assert_eq!(files(home.path()).iter().filter(|n| is_part(n)).count(), 0, "{about}");
            assert!(left == 0 || said.contains("was cut off"), "{about}: {said}");
        }
        match (killed, ok) {
            (true, _) => Ending::Killed,
            (_, true) => Ending::Done,
            _ => Ending::Refused,
        }
    }

    /// Lines of complaint: one, and for photographs one each.
    fn most_lines(&self) -> usize {
        if self.command[0] == "assess" { 4 } else { 1 }
    }

    /// Between a fault and the next run: what was acknowledged is there, and nothing is half there.
    fn check_between(&self, known: &Known, after: &State, ok: bool, about: &str) {
        let all = known.before.entries..=known.after.entries;
        assert!(all.contains(&after.entries) || after.entries == 1, "{about}: {}", after.entries);
        if ok {
            assert_eq!(after.entries, known.after.entries, "{about}: acknowledged");
        }
        let whole = [&known.before.outputs, &known.after.outputs];
        for output in after.outputs.iter().filter(|(name, _)| !is_part(name)) {
            let known = whole.iter().any(|all| all.contains(output));
            let told = !ok && self.command[0] == "assess" && tells_of_what_is_left_out(output);
            assert!(known || told, "{about}: {} is not whole ({} bytes)", output.0, output.1.len());
        }
        if ok {
            let there = |o| after.outputs.contains(o);
            assert!(known.after.outputs.iter().all(there), "{about}: an output is missing");
        }
    }

    /// The folder as it was, and what an undisturbed run makes of it.
    fn known(&self) -> Known {
        let prepared = folder();
        (self.prepare)(prepared.path());
        let before = state(prepared.path(), self.name);
        let (home, logs) = (folder(), folder());
        copy(prepared.path(), home.path());
        let output = self.run(home.path(), &logs.path().join("log"), "count", 0);
        assert_eq!(output.status.code(), Some(0), "{}: {}", self.name, err(&output));
        let calls = calls(&logs.path().join("log"), home.path());
        assert!(calls.len() > 2, "{}: the shim saw nothing", self.name);
        Known { before, after: state(home.path(), self.name), prepared, calls }
    }
}

struct Known {
    prepared: tempfile::TempDir,
    before: State,
    after: State,
    calls: Vec<(String, String)>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Ending {
    Killed,
    Done,
    Refused,
}

/// Which faults are tried.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Tried {
    /// Two kinds a scene, one of them a kill, each at a call drawn by a seed.
    Few,
    /// Every call, with two errors and a kill each; the kinds take turns.
    All,
}

fn faults_of(scene: usize, calls: usize, tried: Tried) -> Vec<(&'static str, usize)> {
    let (errors, kills) = FAULTS.split_at(FAULTS.len() - 3);
    if tried == Tried::All {
        let error = |n: usize| errors[n % errors.len()];
        let of = |at| [(error(at), at), (error(at + 3), at), (kills[at % kills.len()], at)];
        return (1..=calls).flat_map(of).collect();
    }
    let mut random = SplitMix64::new(20_260_918 + scene as u64);
    let mut at = || 1 + random.below(calls as u64) as usize;
    vec![(errors[scene % errors.len()], at()), (kills[scene % kills.len()], at())]
}

fn at_calls(tried: Tried) {
    let mut all = 0;
    for (i, scene) in SCENES.iter().enumerate() {
        let known = scene.known();
        let mut ends = [0; 3];
        for (what, at) in faults_of(i, known.calls.len(), tried) {
            ends[scene.fail(&known, what, at) as usize] += 1;
        }
        let [killed, done, refused] = ends;
        println!(
            "{}: {} calls; {killed} runs killed, {refused} refused, {done} done nevertheless",
            scene.name,
            known.calls.len()
        );
        all += killed + refused;
    }
    assert!(all >= SCENES.len(), "the faults must strike: {all}");
}

#[test]
fn a_fault_of_the_disk_leaves_nothing_half_done() {
    at_calls(Tried::Few);
}

#[test]
#[ignore = "some thousand runs of the program"]
fn long_a_fault_at_every_call_leaves_nothing_half_done() {
    at_calls(Tried::All);
}

/// Before anything is acknowledged it is flushed, and the folder that lists it.
#[test]
fn what_is_acknowledged_was_flushed_with_its_folder() {
    for scene in &SCENES {
        let known = scene.known();
        let place =
            |name: &str, path: &str| known.calls.iter().rposition(|(n, p)| n == name && p == path);
        let mut renamed = 0;
        for (i, (name, path)) in known.calls.iter().enumerate() {
            let (folder, _) = path.rsplit_once('/').unwrap_or(("", path));
            if name == "rename" {
                renamed += 1;
                let later = known.calls[i..].iter().any(|(n, p)| n == "sync" && p == folder);
                assert!(later, "{}: {path} is renamed, {folder:?} not flushed", scene.name);
                let part = |(n, p): &(String, String)| n == "sync" && is_part(p);
                let before = known.calls[..i].iter().rfind(|c| c.0 != "rename" && part(c));
                assert!(before.is_some(), "{}: {path} is not flushed", scene.name);
            }
            // A folder that is made is listed in the one above.
            if name == "mkdir" {
                let later = known.calls[i..].iter().any(|(n, p)| n == "sync" && p == folder);
                assert!(later, "{}: {path} is made, {folder:?} not flushed", scene.name);
            }
        }
        if known.after.entries > known.before.entries {
            let (write, sync) = (place("pwrite", "c.sqlite-wal"), place("sync", "c.sqlite-wal"));
            assert!(sync > write, "{}: the log is not flushed after the last write", scene.name);
        } else if known.after.outputs.len() > known.before.outputs.len() {
            assert!(renamed > 0, "{}: outputs must be renamed into place", scene.name);
        }
    }
}

/// The clock goes on after it was set back; entries stay in their order, and `verify` says so.
#[test]
fn a_clock_that_is_set_back_is_told_and_breaks_nothing() {
    use std::sync::atomic::{AtomicU64, Ordering};
    static SECONDS: AtomicU64 = AtomicU64::new(1_789_717_330);
    let clock = || acinus::ledger::clock::written(SECONDS.fetch_add(1, Ordering::Relaxed));
    let home = folder();
    let file = home.path().join("c.sqlite");
    let mut ledger = Ledger::open_or_begin_with_clock(&file, clock).expect("ledger");
    orchard::open(&mut ledger, "A", "Hill", Delivery::default(), None);
    SECONDS.fetch_sub(86_400, Ordering::Relaxed);
    orchard::open(&mut ledger, "B", "Hill", Delivery::default(), None);
    orchard::open(&mut ledger, "C", "Hill", Delivery::default(), None);
    let found = ledger.verify(None).expect("verified");
    assert_eq!((found.faults, found.set_back), (vec![], vec![3]));
    drop(ledger);
    let said = must(home.path(), &["ledger", "verify", "--ledger", "c.sqlite"]).stdout;
    let said = String::from_utf8(said).expect("UTF-8");
    assert!(said.contains("set back before entry 3 (1 times in all)"), "{said}");
}
