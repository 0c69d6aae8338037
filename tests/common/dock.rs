//! A folder with a ledger of its own, and the real program run in it.
#![allow(dead_code)] // every test file uses its own part of it

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use serde_json::Value;

/// The folder.
pub struct Dock {
    dir: tempfile::TempDir,
}

/// A contract.
pub const TERMS: &str = r#"
version = 1
name = "House terms"
currency = "USD"
price_per_tonne = "1850.00"

[[rule]]
name = "all rejects"
of = ["rejects"]
free_percent = 2
deduct_per_point = "1.5"
refuse_above_percent = 12
doubt = "grower"
"#;

impl Dock {
    pub fn new() -> Dock {
        let dock = Dock { dir: tempfile::tempdir().expect("temporary folder") };
        fs::write(dock.path("house.toml"), TERMS).expect("terms");
        dock
    }

    pub fn path(&self, name: &str) -> PathBuf {
        self.dir.path().join(name)
    }

    pub fn dir(&self) -> &Path {
        self.dir.path()
    }

    /// The program in the folder; the ledger lies in the user's data folder, which is this one.
    pub fn command(&self, args: &[&str]) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_acinus"));
        command
            .args(args)
            .current_dir(self.dir.path())
            .env("XDG_DATA_HOME", self.dir.path())
            .env("HOME", self.dir.path())
            .env("APPDATA", self.dir.path())
            .env("USER", "lab");
        command
    }

    /// Runs it to its end.
    pub fn run(&self, args: &[&str]) -> Output {
        self.command(args).output().expect("the program starts")
    }

    pub fn must(&self, args: &[&str]) -> String {
        let output = self.run(args);
        assert_eq!(output.status.code(), Some(0), "{args:?}: {}", err(&output));
        out(&output)
    }

    /// Refused with exit code 1 (or 2 for a wrong call), one line that holds some words.
    pub fn refused(&self, code: i32, args: &[&str], words: &str) {
        let output = self.run(args);
        assert_eq!(output.status.code(), Some(code), "{args:?}: {}", err(&output));
        let all = err(&output) + &out(&output);
        assert!(all.contains(words), "{args:?} must say {words:?}: {all}");
    }

    pub fn json(&self, args: &[&str]) -> Value {
        let args: Vec<&str> = args.iter().copied().chain(["--format", "json"]).collect();
        serde_json::from_str(&self.must(&args)).expect("one JSON document")
    }
}

pub fn sample(name: &str) -> String {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-images").join(name).display().to_string()
}

pub fn out(output: &Output) -> String {
    String::from_utf8(output.stdout.clone()).expect("UTF-8")
}

pub fn err(output: &Output) -> String {
    String::from_utf8(output.stderr.clone()).expect("UTF-8")
}
