//! The targets of [`targets`] without libFuzzer: what was found before, the inputs to begin with, and a few
//! variations of both, the same ones in every run.

#![allow(clippy::unwrap_used, clippy::print_stdout)]

mod pictures;
mod served;
mod targets;

use std::path::PathBuf;

use acinus::stats::SplitMix64;
use targets::{TARGETS, Target};

fn named(name: &str) -> &'static Target {
    TARGETS.iter().find(|t| t.name == name).expect("a target")
}

/// What libFuzzer kept and what it found, in order of the names.
fn kept(name: &str) -> Vec<(String, Vec<u8>)> {
    let folder = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("tests/data/fuzz").join(name);
    let mut all: Vec<_> = std::fs::read_dir(folder)
        .into_iter()
        .flatten()
        .map(|e| e.expect("entry").path())
        .map(|p| (p.display().to_string(), std::fs::read(&p).expect("readable")))
        .collect();
    all.sort();
    all
}

/// One change as a careless or hostile hand makes it.
fn varied(bytes: &[u8], other: &[u8], random: &mut SplitMix64) -> Vec<u8> {
    let mut out = bytes.to_vec();
    for _ in 0..=random.below(3) {
        let at = random.below(out.len() as u64 + 1) as usize;
        let to = (at + 1 + random.below(16) as usize).min(out.len());
        match random.below(7) {
            0 => out.truncate(at),
            1 if at < out.len() => out[at] ^= 1 << random.below(8),
            2 if at < out.len() => {
                out[at] = [0, 0xff, b'9', b'-', b'"', b'\n'][random.below(6) as usize]
            }
            3 if at < to => drop(out.drain(at..to)),
            4 if at < to => {
                let again = out[at..to].to_vec();
                out.splice(at..at, again);
            }
            5 => {
                let from = random.below(other.len() as u64 + 1) as usize;
                let end = (from + 32).min(other.len());
                out.splice(at..at, other[from..end].iter().copied());
            }
            _ => {
                let digits = out.iter().enumerate().filter(|(_, b)| b.is_ascii_digit());
                let places: Vec<usize> = digits.map(|(i, _)| i).collect();
                if let Some(n) = (!places.is_empty()).then(|| random.below(places.len() as u64)) {
                    let number: &[u8] = [&b"-1"[..], b"1e308", b"99999999999999999999", b"0.1"]
                        [random.below(4) as usize];
                    let place = places[n as usize];
                    out.splice(place..=place, number.iter().copied());
                }
            }
        }
    }
    out
}

fn run(name: &str) {
    let target = named(name);
    let look = (target.begin)();
    let found = kept(name);
    for (file, bytes) in &found {
        println!("{file}");
        look(bytes);
    }
    let seeds = (target.seeds)();
    seeds.iter().for_each(|s| look(s));
    let all: Vec<&Vec<u8>> = seeds.iter().chain(found.iter().map(|(_, b)| b)).collect();
    let mut random = SplitMix64::new(20_260_918);
    for n in 0..target.variations {
        let mut pick = || all[random.below(all.len() as u64) as usize];
        let (one, other) = (pick(), pick());
        let input = varied(one, other, &mut random);
        // Shown when the target panics: the input can be kept from here.
        println!("variation {n}: {}", String::from_utf8_lossy(&input).escape_debug());
        look(&input);
    }
}

macro_rules! tests {
    ($($name:ident)*) => {
        $(#[test]
        fn $name() {
            run(stringify!($name));
        })*

        /// No target is left out.
        #[test]
        fn every_target_has_a_test() {
            let names: Vec<&str> = TARGETS.iter().map(|t| t.name).collect();
            assert_eq!(names, [$(stringify!($name)),*]);
        }
    };
}

tests!(photo exif pipeline symbol terms patches profile truth tables ledger receipt sheet http api);
