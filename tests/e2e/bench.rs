//! The program itself, serving its page on a free port with a ledger of its own.

use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};

use serde_json::Value;

use super::http::request;

pub const LOAD: &str = "HV-0417";
pub const TERMS: &str = r#"version = 1
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

pub fn sample(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-images").join(name)
}

/// A ledger in a folder of its own, and the program that serves it.
pub struct Bench {
    dir: tempfile::TempDir,
    serving: Option<Child>,
    pub port: u16,
}

impl Bench {
    /// Serves an empty ledger.
    pub fn empty() -> Bench {
        let dir = tempfile::tempdir().expect("temporary folder");
        let mut bench = Bench { dir, serving: None, port: 0 };
        bench.start();
        bench
    }

    /// Serves a ledger with the load HV-0417 and some of its photographs.
    pub fn with_trays(photographs: &[&str]) -> Bench {
        let dir = tempfile::tempdir().expect("temporary folder");
        let mut bench = Bench { dir, serving: None, port: 0 };
        let terms = bench.path("house.toml");
        std::fs::write(&terms, TERMS).expect("terms");
        let terms = terms.display().to_string();
        let grower = ["--grower", "Hill Vineyard", "--variety", "Blue Portugal", "--bins", "8"];
        bench.run(&[&["load", "new", LOAD, "--terms", &terms], grower.as_slice()].concat());
        bench.run(&["load", "delivery", LOAD, "--net-kg", "11450"]);
        let names: Vec<String> =
            photographs.iter().map(|p| sample(p).display().to_string()).collect();
        let names: Vec<&str> = names.iter().map(String::as_str).collect();
        bench.run(&[&["load", "add"], names.as_slice()].concat());
        bench.start();
        bench
    }

    pub fn path(&self, name: &str) -> PathBuf {
        self.dir.path().join(name)
    }

    fn command(&self) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_acinus"));
        command.current_dir(self.dir.path()).env("HOME", self.dir.path());
        command
    }

    /// Runs another command of the program on the same ledger.
    pub fn run(&self, args: &[&str]) -> String {
        let ledger = self.path("cellar.sqlite").display().to_string();
        let output = self
            .command()
            .args(args)
            .args(["--ledger", &ledger, "--who", "Ana"])
            .output()
            .expect("the program starts");
        let told = String::from_utf8_lossy(&output.stderr).into_owned();
        assert!(output.status.success(), "{args:?}: {told}");
        String::from_utf8_lossy(&output.stdout).into_owned()
    }

    /// Runs a command that needs no ledger; whether it went well, and all that it said.
    pub fn check(&self, args: &[&str]) -> (bool, String) {
        let output = self.command().args(args).output().expect("the program starts");
        let told = [output.stdout, output.stderr].concat();
        (output.status.success(), String::from_utf8_lossy(&told).into_owned())
    }

    /// Starts serving: on a free port, or on the one it had before.
    pub fn start(&mut self) {
        let mut child = self
            .command()
            .args(["workbench", "--no-browser", "--port", &self.port.to_string(), "--ledger"])
            .arg(self.path("cellar.sqlite"))
            .stdout(Stdio::piped())
            .stderr(Stdio::inherit())
            .spawn()
            .expect("the program starts");
        let mut lines = BufReader::new(child.stdout.take().expect("its output")).lines();
        self.port = lines
            .find_map(|line| {
                let line = line.ok()?;
                let (_, rest) = line.split_once("http://127.0.0.1:")?;
                let digits: String = rest.chars().take_while(char::is_ascii_digit).collect();
                digits.parse().ok()
            })
            .expect("it says its address");
        std::thread::spawn(move || lines.for_each(drop));
        self.serving = Some(child);
    }

    /// Ends it without warning, as a power cut does.
    pub fn kill(&mut self) {
        if let Some(mut child) = self.serving.take() {
            let _ = child.kill();
            let _ = child.wait();
        }
    }

    pub fn address(&self, page: &str) -> String {
        format!("http://127.0.0.1:{}/{page}", self.port)
    }

    pub fn get(&self, path: &str) -> Value {
        let answer = request(self.port, "GET", path, &[], b"").expect("an answer");
        serde_json::from_slice(&answer.body).expect("JSON")
    }

    /// What somebody else says, from another device.
    pub fn post(&self, path: &str, body: &Value) -> (u16, Value) {
        let headers = [("X-Acinus", "1"), ("Content-Type", "application/json")];
        let answer = request(self.port, "POST", path, &headers, body.to_string().as_bytes());
        let answer = answer.expect("an answer");
        (answer.status, serde_json::from_slice(&answer.body).unwrap_or(Value::Null))
    }

    /// The load as the server tells it.
    pub fn load(&self) -> Value {
        self.get(&format!("/api/loads/{LOAD}"))
    }

    /// The id of a tray.
    pub fn tray(&self, lot: &str, tray: u64) -> u64 {
        let load = self.load();
        let lots = load["lots"].as_array().expect("lots");
        let lot = lots.iter().find(|l| l["lot"] == lot).expect("the lot");
        let trays = lot["trays"].as_array().expect("trays");
        let found = trays.iter().find(|t| t["tray"] == tray).expect("the tray");
        found["id"].as_u64().expect("its id")
    }
}

impl Drop for Bench {
    fn drop(&mut self) {
        self.kill();
    }
}
