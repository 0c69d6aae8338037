//! The workbench: killed, on a failing, full or slow disk, with senders that stop half-way, and beside
//! the command line.

use std::collections::BTreeSet;
use std::fs;
use std::io::Write as _;
use std::net::{IpAddr, Ipv4Addr, SocketAddr, TcpStream};
use std::os::unix::process::ExitStatusExt as _;
use std::path::Path;
use std::time::{Duration, Instant};

use acinus::ledger::archive::{Kept, sha256_hex};
use acinus::ledger::event::Event;
use acinus::ledger::{Ledger, PhotoState};
use acinus::stats::SplitMix64;
use acinus::workbench::{self, Patience, Running, Settings};
use image::imageops::FilterType;
use serde_json::{Value, json};

use crate::bench::{Answer, Bench, answer, get, post, upload};
use crate::shim::{self, calls, copy, files, folder, is_part, must};

/// A load with one tray that was read from a picture.
fn prepared(home: &Path) {
    must(home, &["load", "new", "K", "--grower", "Hill", "--ledger", "c.sqlite"]);
    shim::draw(&home.join("first.png"), 99);
    let add = "load add first.png --load K --lot UNSORTED --number 1 --px-per-mm=2 --force";
    let args: Vec<&str> = add.split(' ').chain(["--ledger", "c.sqlite"]).collect();
    must(home, &args);
    fs::remove_file(home.join("first.png")).expect("not needed any more");
}

fn picture(seed: u64) -> Vec<u8> {
    let dir = folder();
    let path = dir.path().join("p.png");
    shim::draw(&path, seed);
    fs::read(path).expect("picture")
}

/// The same at ten megapixels: one that is read for a while.
fn large_picture(seed: u64) -> Vec<u8> {
    let dir = folder();
    let path = dir.path().join("p.png");
    shim::draw(&path, seed);
    let small = image::open(&path).expect("picture");
    let (width, height) = (14 * small.width(), 14 * small.height());
    small.resize_exact(width, height, FilterType::Nearest).save(&path).expect("picture");
    fs::read(path).expect("picture")
}

fn photographs_wait(home: &Path) -> bool {
    files(home).iter().any(|n| n.contains(".archive/waiting/") && n.ends_with(".json"))
}

/// What the server said that it has done.
#[derive(Default)]
struct Acknowledged {
    /// Photographs taken, in order.
    photos: Vec<String>,
    corrected: bool,
    closed: bool,
}

/// Uploads, a correction, a close: as far as the server answers.
fn work(address: SocketAddr, photos: &[Vec<u8>], done: &mut Acknowledged) -> std::io::Result<()> {
    for (i, bytes) in photos.iter().enumerate() {
        let sha256 = sha256_hex(bytes);
        if done.photos.contains(&sha256) {
            continue;
        }
        let query = format!("name=p{i}.png&load=K&lot=UNSORTED&tray={}", i + 2);
        let answer = plain(upload(address, &query, bytes)?);
        if answer.ok() {
            assert_eq!(answer.json["sha256"], sha256.as_str());
            done.photos.push(sha256);
        }
    }
    let load = get(address, "/api/loads/K")?;
    let (id, seen) = (&load.json["lots"][0]["trays"][0]["id"], &load.json["entry"]);
    let edit = json!({"who": "Ana", "seen": seen, "action": "class", "objects": [1],
        "class": "debris"});
    if !done.corrected && id.is_u64() {
        done.corrected = plain(post(address, &format!("/api/trays/{id}/edit"), &edit)?).ok();
    }
    Ok(())
}

fn close(address: SocketAddr, done: &mut Acknowledged) -> std::io::Result<()> {
    let seen = get(address, "/api/loads/K")?.json["entry"].clone();
    let said = json!({"who": "Ana", "seen": seen});
    done.closed |= plain(post(address, "/api/loads/K/close", &said)?).ok();
    Ok(())
}

/// Whatever the answer is, it is one that a person can read.
fn plain(answer: Answer) -> Answer {
    assert!(answer.ok() || !answer.error().is_empty(), "{answer:?}");
    answer
}

/// Every acknowledged thing is there: a photograph in an entry, or kept with its note.
fn check(home: &Path, done: &Acknowledged, about: &str) {
    let ledger = Ledger::open(&home.join("c.sqlite")).unwrap_or_else(|e| panic!("{about}: {e}"));
    let found = ledger.verify(None).unwrap_or_else(|e| panic!("{about}: {e}"));
    assert_eq!(found.faults, [], "{about}");
    for sha256 in &done.photos {
        let archive = ledger.archive();
        assert_eq!(archive.state(sha256).expect("archive"), Kept::Whole, "{about}: {sha256}");
        let note = archive.folder().join("waiting").join(format!("{sha256}.json"));
        let known = !matches!(ledger.photo(sha256).expect("ledger"), PhotoState::New);
        assert!(known || note.is_file(), "{about}: {sha256} is neither recorded nor waiting");
    }
    let kinds: Vec<Event> =
        ledger.entries(0).expect("entries").iter().map(|e| e.event().expect("an event")).collect();
    let has = |f: fn(&Event) -> bool| kinds.iter().any(f);
    assert!(!done.corrected || has(|e| matches!(e, Event::ObjectCorrected(_))), "{about}");
    assert!(!done.closed || has(|e| matches!(e, Event::LoadClosed(_))), "{about}");
}

/// Photographs of the ledger's entries, in their order.
fn recorded(home: &Path) -> Vec<String> {
    let ledger = Ledger::open(&home.join("c.sqlite")).expect("ledger");
    let photo = |e: &acinus::ledger::chain::Entry| match e.event().expect("an event") {
        Event::TrayRecorded(t) => Some(t.photo.sha256),
        Event::PhotoRefused(p) => Some(p.photo.sha256),
        _ => None,
    };
    ledger.entries(0).expect("entries").iter().filter_map(photo).collect()
}

/// What was acknowledged in one order is recorded in that order.
fn in_order(home: &Path, done: &Acknowledged, about: &str) {
    let entries = recorded(home);
    let places: Vec<_> = done
        .photos
        .iter()
        .map(|p| entries.iter().position(|e| e == p).expect("recorded"))
        .collect();
    assert!(places.is_sorted(), "{about}: recorded in the order {places:?}");
    let once: BTreeSet<_> = entries.iter().collect();
    assert_eq!(once.len(), entries.len(), "{about}: a photograph is recorded twice");
}

/// One run over the shim, then one without.
fn fail(before: &Path, photos: &[Vec<u8>], what: &str, at: usize) -> Acknowledged {
    let (home, logs) = (folder(), folder());
    copy(before, home.path());
    let home = home.path();
    let mut done = Acknowledged::default();
    let about = format!("the workbench: {what} at call {at}");
    match Bench::faulty(home, logs.path(), what, at) {
        Ok(bench) => {
            // Its death in the middle is what is tried here.
            let _ = work(bench.address(), photos, &mut done);
            std::thread::sleep(Duration::from_millis(50));
            let _ = close(bench.address(), &mut done);
            let said = bench.kill();
            assert!(!said.contains("panicked"), "{about}: {said}");
        }
        Err((status, said)) => {
            let one = said.lines().filter(|l| l.starts_with("acinus: ")).count() == 1;
            let told = status.code() == Some(1) && one && !said.contains("panicked");
            assert!(told || status.signal() == Some(9), "{about}: {status} {said}");
        }
    }
    let call = calls(&logs.path().join("log"), home).get(at.max(1) - 1).cloned();
    let about = format!("{about} ({call:?})");
    check(home, &done, &about);
    let parts = files(home).iter().filter(|n| is_part(n)).count();
    let first = Acknowledged { photos: done.photos.clone(), ..Acknowledged::default() };
    // The next start finds what was left, says so, and carries it to its end.
    let waiting = photographs_wait(home);
    let bench = Bench::start(home, logs.path())
        .unwrap_or_else(|(status, said)| panic!("{about}, then again: {status} {said}"));
    let said = bench.said();
    assert!(parts == 0 || said.contains("was cut off"), "{about}: {said}");
    assert!(!waiting || said.contains("did not finish"), "{about}: {said}");
    bench.all_done();
    if !done.closed {
        work(bench.address(), photos, &mut done).expect("it answers");
        bench.all_done();
        close(bench.address(), &mut done).expect("it answers");
        let whole = done.photos.len() == photos.len() && done.corrected && done.closed;
        let before = recorded(home).len() == photos.len() + 1;
        assert!(whole || before, "{about}: not all could be done again");
    }
    bench.kill();
    check(home, &done, &about);
    // A photograph of a load that was closed meanwhile is told, not recorded.
    if recorded(home).len() == photos.len() + 1 {
        in_order(home, &first, &about);
    }
    assert!(!files(home).iter().any(|n| is_part(n)), "{about}: {:?}", files(home));
    done
}

fn at_calls(few: Option<usize>) {
    let before = folder();
    prepared(before.path());
    let photos: Vec<Vec<u8>> = (0..3).map(picture).collect();
    let (home, logs) = (folder(), folder());
    copy(before.path(), home.path());
    let bench = Bench::faulty(home.path(), logs.path(), "count", 0).expect("it starts");
    let mut done = Acknowledged::default();
    work(bench.address(), &photos, &mut done).expect("it answers");
    bench.all_done();
    close(bench.address(), &mut done).expect("it answers");
    bench.kill();
    assert!(done.photos.len() == 3 && done.corrected && done.closed, "without a fault all is done");
    let all = calls(&logs.path().join("log"), home.path()).len();
    let mut random = SplitMix64::new(7);
    let mut taken = [0; 4];
    let kinds = ["enospc", "eio", "torn", "full", "dead"];
    let kills = ["kill-before", "kill-middle", "kill-after"];
    let places: Vec<(&str, usize)> = match few {
        // An error and a kill at every call; the kinds take turns.
        None => (1..=all)
            .flat_map(|at| [(kinds[at % kinds.len()], at), (kills[at % kills.len()], at)])
            .collect(),
        Some(few) => {
            let mut at = || 1 + random.below(all as u64) as usize;
            let kinds = kinds.iter().chain(&kills).flat_map(|k| std::iter::repeat_n(*k, few));
            kinds.map(|what| (what, at())).collect()
        }
    };
    for (what, at) in places {
        taken[fail(before.path(), &photos, what, at).photos.len().min(3)] += 1;
    }
    println!("the workbench makes {all} calls to the disk; runs by photographs taken: {taken:?}");
}

#[test]
fn a_fault_under_the_workbench_loses_nothing_acknowledged() {
    at_calls(Some(1));
}

#[test]
#[ignore = "some thousand runs of the workbench"]
fn long_a_fault_at_every_call_of_the_workbench_loses_nothing_acknowledged() {
    at_calls(None);
}

/// Killed in the middle of a batch, again and again, until all is through: first as soon as a photograph
/// waits, then at random.
fn killed(rounds: usize, seed: u64) {
    let mut random = SplitMix64::new(seed);
    let (home, logs) = (folder(), folder());
    prepared(home.path());
    let first = std::iter::once(large_picture(1000 * seed));
    let photos: Vec<Vec<u8>> = first.chain((1..10).map(|i| picture(1000 * seed + i))).collect();
    let mut done = Acknowledged::default();
    for kill in 1..=rounds {
        let waiting = photographs_wait(home.path());
        let bench = Bench::start(home.path(), logs.path()).expect("it starts");
        assert!(!waiting || bench.said().contains("did not finish"), "{}", bench.said());
        assert!(waiting || kill != 2, "the first photograph was read before the kill");
        let (address, patience) = (bench.address(), Duration::from_millis(5 + random.below(120)));
        std::thread::scope(|scope| {
            let sender = scope.spawn(|| {
                let _ = work(address, &photos, &mut done);
            });
            if kill == 1 {
                let began = Instant::now();
                while !photographs_wait(home.path()) {
                    assert!(began.elapsed() < Duration::from_secs(60), "nothing was taken");
                    std::thread::sleep(Duration::from_millis(1));
                }
            } else {
                std::thread::sleep(patience);
            }
            bench.kill();
            sender.join().expect("the sender");
        });
        check(home.path(), &done, &format!("after kill {kill}"));
    }
    let bench = Bench::start(home.path(), logs.path()).expect("it starts");
    work(bench.address(), &photos, &mut done).expect("it answers");
    bench.all_done();
    bench.kill();
    check(home.path(), &done, "at the end");
    assert_eq!(recorded(home.path()).len(), photos.len() + 1);
    in_order(home.path(), &done, "at the end");
}

#[test]
fn killed_in_the_middle_of_a_batch_the_workbench_goes_on_where_it_was() {
    (1..=2).for_each(|seed| killed(6, seed));
}

#[test]
#[ignore = "200 kills"]
fn long_killed_in_the_middle_of_a_batch_200_times() {
    (1..=20).for_each(|seed| killed(10, seed));
}

/// A slow disk asks for patience and nothing else.
#[test]
fn a_slow_disk_is_waited_for() {
    let (home, logs) = (folder(), folder());
    prepared(home.path());
    let mut command =
        shim::faulty(home.path(), &logs.path().join("log"), "slow", 1, &["load", "close", "K"]);
    let output = command.args(["--ledger", "c.sqlite"]).env("FAULT_SLOW_MS", "150").output();
    let output = output.expect("the program starts");
    assert_eq!(output.status.code(), Some(0), "{}", shim::err(&output));
}

/// The command line writes while the workbench does.
#[test]
fn the_command_line_and_the_workbench_share_a_ledger() {
    let (home, logs) = (folder(), folder());
    let home = home.path();
    prepared(home);
    let bench = Bench::start(home, logs.path()).expect("it starts");
    let names: Vec<String> = (0..6).map(|i| format!("c{i}.png")).collect();
    names.iter().zip(500..).for_each(|(name, seed)| shim::draw(&home.join(name), seed));
    let add = "load add --load K --lot SORTED --number 1 --px-per-mm=2 --force --ledger c.sqlite";
    let args: Vec<&str> = add.split(' ').chain(names.iter().map(String::as_str)).collect();
    let mut done = Acknowledged::default();
    let photos: Vec<Vec<u8>> = (600..606).map(picture).collect();
    std::thread::scope(|scope| {
        let command = scope.spawn(|| must(home, &args));
        work(bench.address(), &photos, &mut done).expect("it answers");
        command.join().expect("the command");
    });
    bench.all_done();
    assert_eq!(done.photos.len(), photos.len());
    check(home, &done, "with two programs");
    in_order(home, &done, "with two programs");
    assert_eq!(recorded(home).len(), 1 + names.len() + photos.len());
}

/// A workbench in this process that has little patience.
fn impatient(dir: &Path) -> Running {
    let settings = Settings {
        ledger: dir.join("c.sqlite"),
        who: None,
        listen: IpAddr::V4(Ipv4Addr::LOCALHOST),
        port: 0,
        profile: None,
        reading: acinus::pipeline::Settings::default(),
    };
    let patience = Patience {
        turn: Duration::from_millis(200),
        silence: Duration::from_millis(400),
        grace: Duration::from_millis(800),
        least_bytes_s: 1 << 20,
    };
    workbench::start_with(settings, patience).expect("it starts")
}

/// Begins to send a photograph of so many bytes.
fn begun(address: SocketAddr, name: &str, length: usize) -> TcpStream {
    let mut stream = TcpStream::connect(address).expect("connected");
    let head = format!(
        "POST /api/photos?who=Ana&name={name} HTTP/1.1\r\nHost: {address}\r\nX-Acinus: 1\r\n\
         Connection: close\r\nContent-Type: application/octet-stream\r\nContent-Length: {length}\r\n\r\n"
    );
    stream.write_all(head.as_bytes()).expect("sent");
    stream
}

/// A browser that is closed half-way leaves nothing; one that trickles or falls silent is sent away,
/// and whoever waited behind it gets a turn.
#[test]
fn half_an_upload_leaves_nothing_and_a_trickle_holds_nobody_up() {
    let dir = folder();
    let running = impatient(dir.path());
    let address = running.address();
    for _ in 0..8 {
        let mut half = begun(address, "half.jpg", 1000);
        half.write_all(&[0xff; 500]).expect("sent");
    }
    // All places are taken by senders that fall silent …
    let silent: Vec<TcpStream> = (0..4).map(|_| begun(address, "silent.jpg", 1000)).collect();
    // … or trickle.
    let mut trickling = begun(address, "trickle.jpg", 1 << 20);
    let trickle = std::thread::spawn(move || {
        while trickling.write_all(b"x").is_ok() && trickling.peek_nothing() {
            std::thread::sleep(Duration::from_millis(50));
        }
        answer(trickling)
    });
    for stream in silent {
        let told = answer(stream).expect("it is told");
        assert!(matches!(told.status, 408 | 503), "{told:?}");
        assert!(!told.error().is_empty());
    }
    let told = trickle.join().expect("the trickle").expect("it is told");
    assert!(matches!(told.status, 408 | 503), "{told:?}");
    let taken = upload(address, "name=whole.jpg", b"no photograph").expect("it answers");
    assert_eq!(taken.status, 202, "{taken:?}");
    drop(running);
    let kept: Vec<String> = files(&dir.path().join("c.archive"));
    let own = sha256_hex(b"no photograph");
    assert!(kept.iter().all(|name| name.contains(&own)), "{kept:?}");
}

trait Peek {
    fn peek_nothing(&self) -> bool;
}

impl Peek for TcpStream {
    /// Whether no answer has come yet.
    fn peek_nothing(&self) -> bool {
        self.set_nonblocking(true).expect("socket");
        let nothing =
            self.peek(&mut [0]).is_err_and(|e| e.kind() == std::io::ErrorKind::WouldBlock);
        self.set_nonblocking(false).expect("socket");
        nothing
    }
}

/// A note that a crash of something else spoilt is told and left alone; the rest is worked on.
#[test]
fn a_spoilt_note_is_told_and_the_rest_is_worked_on() {
    let (home, logs) = (folder(), folder());
    prepared(home.path());
    let waiting = home.path().join("c.archive/waiting");
    fs::create_dir_all(&waiting).expect("folder");
    let spoilt = waiting.join(format!("{:064}.json", 0));
    fs::write(&spoilt, "{\"name\":").expect("note");
    let bench = Bench::start(home.path(), logs.path()).expect("it starts");
    assert!(bench.said().contains("cannot be read and is left alone"), "{}", bench.said());
    let jobs: Vec<Value> = bench.all_done();
    assert!(jobs.is_empty() && spoilt.exists());
}
