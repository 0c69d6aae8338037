//! Many at once: eight browsers send photographs as fast as they can.

use std::time::{Duration, Instant};

use acinus::ledger::archive::sha256_hex;
use acinus::ledger::event::Event;
use acinus::ledger::{Ledger, PhotoState};

use crate::bench::{Bench, upload};
use crate::shim::{self, folder, must};

const CLIENTS: usize = 8;

/// A JPEG of the same picture and other bytes: a comment after its first marker.
fn distinct(jpeg: &[u8], number: usize) -> Vec<u8> {
    let words = format!("photograph {number}");
    let length = u16::try_from(words.len() + 2).expect("short").to_be_bytes();
    [&jpeg[..2], &[0xff, 0xfe], &length, words.as_bytes(), &jpeg[2..]].concat()
}

struct Crowd {
    /// What each client was told to be taken, in its order.
    taken: Vec<Vec<String>>,
    /// How often one was told to come again.
    busy: usize,
    peak_mib: u64,
    took: Duration,
}

/// Eight clients send so many photographs each; who is told that all are busy waits and comes again.
fn crowd(each: usize, bytes_of: &(dyn Fn(usize) -> Vec<u8> + Sync), wait: Duration) -> Crowd {
    let (home, logs) = (folder(), folder());
    must(home.path(), &["load", "new", "K", "--grower", "Hill", "--ledger", "c.sqlite"]);
    let bench = Bench::start(home.path(), logs.path()).expect("it starts");
    let address = bench.address();
    let began = Instant::now();
    let client = |client: usize| {
        let (mut taken, mut busy) = (Vec::new(), 0);
        for i in 0..each {
            let number = client * each + i;
            let bytes = bytes_of(number);
            let query = format!("name=p{number}.jpg&load=K&lot=L{client}&tray={}", i + 1);
            loop {
                let answer = upload(address, &query, &bytes).expect("an answer, whatever it is");
                match answer.status {
                    202 => break,
                    503 => {
                        assert!(answer.head.to_lowercase().contains("retry-after: "), "{answer:?}");
                        assert!(answer.error().contains("photographs"), "{answer:?}");
                        busy += 1;
                        std::thread::sleep(wait);
                    }
                    _ => panic!("{answer:?}"),
                }
            }
            taken.push(sha256_hex(&bytes));
        }
        (taken, busy)
    };
    let (mut taken, mut busy) = (Vec::new(), 0);
    std::thread::scope(|scope| {
        let client = &client;
        let all: Vec<_> = (0..CLIENTS).map(|c| scope.spawn(move || client(c))).collect();
        for one in all {
            let (own, times) = one.join().expect("a client");
            taken.push(own);
            busy += times;
        }
    });
    bench.all_done();
    let crowd = Crowd { taken, busy, peak_mib: bench.peak_mib(), took: began.elapsed() };
    assert!(!bench.kill().contains("panicked"));
    let ledger = Ledger::open(&home.path().join("c.sqlite")).expect("ledger");
    assert_eq!(ledger.verify(None).expect("verified").faults, []);
    let order: Vec<String> = ledger
        .entries(0)
        .expect("entries")
        .iter()
        .filter_map(|e| match e.event().expect("an event") {
            Event::TrayRecorded(t) => Some(t.photo.sha256),
            Event::PhotoRefused(p) => Some(p.photo.sha256),
            _ => None,
        })
        .collect();
    for own in &crowd.taken {
        let place = |sha256: &String| {
            let known = ledger.photo(sha256).expect("ledger");
            assert!(!matches!(known, PhotoState::New), "{sha256} was taken and is not recorded");
            order.iter().position(|o| o == sha256).expect("in the ledger")
        };
        let places: Vec<usize> = own.iter().map(place).collect();
        assert!(places.is_sorted(), "recorded in the order {places:?}");
    }
    crowd
}

#[test]
fn eight_clients_are_all_served_in_order() {
    let dir = folder();
    let picture = |number: usize| {
        let path = dir.path().join(format!("{number}.png"));
        shim::draw(&path, 7000 + number as u64);
        std::fs::read(path).expect("picture")
    };
    let crowd = crowd(3, &picture, Duration::from_millis(20));
    assert_eq!(crowd.taken.iter().flatten().count(), 24);
}

/// Most memory of a workbench over photographs of 12 megapixels, MiB: the program with its profile 40;
/// the photograph in hand 320 (decoded, colours, labels, distances: 27 bytes a pixel); what is kept open
/// for looking 696 (`workbench::shelf`: 400 of photographs, 200 of outlines, 96 of small pictures); four
/// of 64 being taken in. Those that wait are on the disk.
const MOST_MIB: u64 = 40 + 320 + 696 + 4 * 64;

#[test]
#[ignore = "200 photographs"]
fn long_eight_clients_send_200_photographs_at_once() {
    let folder = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-images");
    // None whose slip says another load than the sender: those are told and not recorded.
    let names = ["bad-overexposed.jpg", "bad-blurred.jpg", "black-no-marks.jpg"];
    let samples: Vec<Vec<u8>> =
        names.iter().map(|n| std::fs::read(folder.join(n)).expect("a sample")).collect();
    let photo = |number: usize| distinct(&samples[number % samples.len()], number);
    let crowd = crowd(25, &photo, Duration::from_secs(1));
    let taken = crowd.taken.iter().flatten().count();
    println!(
        "{taken} photographs from {CLIENTS} clients in {:.0?}; told to come again {} times; most memory {} MiB",
        crowd.took, crowd.busy, crowd.peak_mib
    );
    assert_eq!(taken, 200);
    assert!(crowd.peak_mib < MOST_MIB, "{} MiB", crowd.peak_mib);
}
