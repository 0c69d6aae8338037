//! One target of `tests/fuzz/targets.rs` under libFuzzer: that which ACINUS_FUZZ names (`list` tells them). Its first inputs are
//! written into the folder that ACINUS_FUZZ_SEEDS names.
#![no_main]

#[path = "../../../tests/fuzz/pictures.rs"]
mod pictures;
#[path = "../../../tests/fuzz/served.rs"]
mod served;
#[path = "../../../tests/fuzz/targets.rs"]
mod targets;

use std::path::PathBuf;
use std::sync::OnceLock;

static LOOK: OnceLock<targets::Look> = OnceLock::new();

fn begin() {
    let name = std::env::var("ACINUS_FUZZ").expect("ACINUS_FUZZ names a target");
    if name == "list" {
        targets::TARGETS.iter().for_each(|t| println!("{} {}", t.name, t.most_bytes));
        std::process::exit(0);
    }
    let target = targets::TARGETS.iter().find(|t| t.name == name).expect("one of the targets");
    if let Ok(folder) = std::env::var("ACINUS_FUZZ_SEEDS") {
        for (i, seed) in (target.seeds)().iter().enumerate() {
            if seed.len() <= target.most_bytes {
                let path = PathBuf::from(&folder).join(format!("seed-{i}"));
                std::fs::write(path, seed).expect("the folder can be written");
            }
        }
    }
    let _ = LOOK.set((target.begin)());
}

libfuzzer_sys::fuzz_target!(init: begin(), |bytes: &[u8]| {
    if let Some(look) = LOOK.get() {
        look(bytes);
    }
});
