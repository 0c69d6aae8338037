//! A load from the dock to the receipt, with the real program.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use serde_json::Value;

struct Dock {
    dir: tempfile::TempDir,
}

const TERMS: &str = r#"
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
    fn new() -> Dock {
        let dock = Dock { dir: tempfile::tempdir().expect("temporary folder") };
        fs::write(dock.path("house.toml"), TERMS).expect("terms");
        dock
    }

    fn path(&self, name: &str) -> PathBuf {
        self.dir.path().join(name)
    }

    /// Runs the program; the ledger lies in the user's data folder, which is this one.
    fn run(&self, args: &[&str]) -> Output {
        Command::new(env!("CARGO_BIN_EXE_acinus"))
            .args(args)
            .current_dir(self.dir.path())
            .env("XDG_DATA_HOME", self.dir.path())
            .env("HOME", self.dir.path())
            .env("APPDATA", self.dir.path())
            .env("USER", "lab")
            .output()
            .expect("the program starts")
    }

    fn must(&self, args: &[&str]) -> String {
        let output = self.run(args);
        assert_eq!(output.status.code(), Some(0), "{args:?}: {}", err(&output));
        out(&output)
    }

    /// Refused with exit code 1 (or 2 for a wrong call), one line that holds some words.
    fn refused(&self, code: i32, args: &[&str], words: &str) {
        let output = self.run(args);
        assert_eq!(output.status.code(), Some(code), "{args:?}: {}", err(&output));
        let all = err(&output) + &out(&output);
        assert!(all.contains(words), "{args:?} must say {words:?}: {all}");
    }

    fn json(&self, args: &[&str]) -> Value {
        let args: Vec<&str> = args.iter().copied().chain(["--format", "json"]).collect();
        serde_json::from_str(&self.must(&args)).expect("one JSON document")
    }
}

fn sample(name: &str) -> String {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-images").join(name).display().to_string()
}

fn out(output: &Output) -> String {
    String::from_utf8(output.stdout.clone()).expect("UTF-8")
}

fn err(output: &Output) -> String {
    String::from_utf8(output.stderr.clone()).expect("UTF-8")
}

#[test]
fn from_the_dock_to_the_receipt() {
    let dock = Dock::new();
    let load = "HV-0417";
    dock.refused(1, &["load", "list"], "there is no ledger");
    dock.must(&["terms", "check", "house.toml"]);
    dock.must(&[
        "load",
        "new",
        load,
        "--grower",
        "Hill Vineyard",
        "--variety",
        "Blue Portugal",
        "--bins",
        "8",
        "--sampling-point",
        "bin",
        "--terms",
        "house.toml",
    ]);
    dock.refused(1, &["load", "new", load, "--grower", "X"], "is in the ledger already");
    dock.refused(1, &["load", "review", load, "UNSORTED", "--draw", "5"], "no tray is in");
    let sheet = dock.must(&["plan", "--load", load, "--half-width", "4", "--seed", "11"]);
    assert!(sheet.contains("4 trays from 4 bins") && sheet.contains("Seed 11"), "{sheet}");
    dock.refused(1, &["plan", "--load", load], "say why it changes with --why");

    let photos: Vec<String> = (1..=3).map(|i| sample(&format!("black-unsorted-{i}.jpg"))).collect();
    let blurred = sample("bad-blurred.jpg");
    let output = dock.run(&["load", "add", &photos[0], &photos[1], &blurred, "missing.jpg"]);
    assert_eq!(output.status.code(), Some(1));
    for words in [
        "tray 1 of HV-0417 UNSORTED, 17",
        "HV-0417 UNSORTED: 2 of 4 planned trays are in; still to come: 3 (bin ",
        "bad-blurred.jpg: refused and kept: out of focus",
        "missing.jpg: NOT RECORDED: cannot be read",
    ] {
        let all = out(&output) + &err(&output);
        assert!(all.contains(words), "{words}: {all}");
    }
    // The batch again, whole: what is recorded is passed over.
    let again = dock.json(&["load", "add", &photos[0], &photos[1], &photos[2]]);
    let states: Vec<&str> =
        again.as_array().expect("list").iter().filter_map(|p| p["status"].as_str()).collect();
    assert_eq!(states, ["recorded-before", "recorded-before", "recorded"]);
    dock.refused(1, &["load", "terms", load, "house.toml", "--why", "x"], "before the first tray");

    // The slip and the flags must agree, and a load must be open.
    let sorted = sample("black-sorted-1.jpg");
    dock.refused(1, &["load", "add", &sorted, "--lot", "UNSORTED"], "its slip says lot SORTED");
    dock.refused(1, &["load", "add", &sorted, "--load", "HV-0500"], "its slip says load HV-0417");
    dock.must(&["load", "add", &sorted]);

    // The same tray photographed again: the same picture under another name is the same; a changed
    // file is a retake, which is asked for.
    let mut bytes = fs::read(&photos[1]).expect("photograph");
    fs::write(dock.path("copy.jpg"), &bytes).expect("copy");
    let copy = dock.json(&["load", "add", "copy.jpg"]);
    assert_eq!(copy[0]["status"], "recorded-before");
    bytes.extend_from_slice(b"\0\0");
    fs::write(dock.path("again.jpg"), &bytes).expect("again");
    dock.refused(1, &["load", "add", "again.jpg"], "--retake");
    dock.refused(2, &["load", "add", "again.jpg", "--retake"], "--why");
    dock.must(&["load", "add", "again.jpg", "--retake", "--why", "a leaf lay over it"]);

    // Without the net mass there is no verdict; with it there is.
    assert!(dock.must(&["load", "show", load]).contains("the net mass is not recorded"));
    let ticket = ["load", "delivery", load, "--ticket", "W1182", "--gross-kg", "14200"];
    dock.must(&[&ticket[..], &["--truck-tare-kg", "2250", "--bin-tare-kg", "500"]].concat());
    dock.refused(
        1,
        &["load", "delivery", load, "--ticket", "W1183"],
        "the ticket was recorded before",
    );
    dock.refused(2, &["load", "delivery", load], "nothing new");
    dock.refused(2, &["load", "delivery", load, "--received", "noon"], "2026-09-18T06:40");
    let shown = dock.json(&["load", "show", load]);
    assert_eq!(shown["schema"], "acinus-load/1");
    assert_eq!(shown["delivery"]["net_kg"], "11450");
    let lots = shown["lots"].as_array().expect("lots");
    assert_eq!(lots[0]["lot"], "UNSORTED");
    assert_eq!(lots[0]["taken"], serde_json::json!([1, 2, 3]));
    assert_eq!(lots[0]["missing"][0]["tray"], 4);
    assert_eq!(lots[0]["retaken"][0]["tray"], 2);
    assert_eq!(lots[0]["figures"]["bins"], 3);
    assert_eq!(lots[1]["sampling_point"], Value::Null);
    assert_eq!(shown["verdict"]["advisory"], true);
    let text = dock.must(&["load", "show", load]);
    for words in [
        "3 trays of 4 planned; missing: 4 (bin ",
        "of sound fruit at the contract's price",
        "retaken: tray 2 instead of black-unsorted-2.jpg (lab, ",
        "Terms \"House terms\": ",
        "sampling point of some lots is not recorded",
        "not yet validated for this variety",
        "no official inspection",
    ] {
        assert!(text.contains(words), "{words}: {text}");
    }
    let described =
        dock.json(&["load", "lot", load, "SORTED", "--sampling-point", "after-destemmer"]);
    assert_eq!(described["hash"].as_str().map(str::len), Some(64));
    assert!(dock.must(&["load", "show", load]).contains("sampled at different points"));

    // A correction says why and shows.
    let correct =
        ["load", "correct", load, "UNSORTED", "1", "--object", "5", "--class", "unassigned"];
    dock.refused(1, &correct, "say why it changes with --why");
    dock.must(&[&correct[..], &["--why", "cannot be told"]].concat());
    assert!(dock.must(&["load", "show", load]).contains("a person gave 1 of "));

    // Closed: a receipt, and nothing more.
    let closed = dock.json(&["load", "close", load]);
    let (entries, head) = (&closed["receipt"]["entries"], &closed["receipt"]["head"]);
    let (entries, head) = (entries.to_string(), head.as_str().expect("hash").to_owned());
    bytes.push(0);
    fs::write(dock.path("late.jpg"), &bytes).expect("late");
    let late = ["load", "add", "late.jpg", "--retake", "--why", "late"];
    dock.refused(1, &late, "nothing can be added to it any more");
    dock.refused(1, &["load", "close", load], "is closed");
    dock.refused(1, &["load", "count", load, "stones", "0"], "is closed");
    let text = dock.must(&["load", "show", load]);
    assert!(text.contains("RECEIPT") && text.contains(&head), "{text}");
    assert!(!text.contains("another version"), "{text}");
    let verify = ["ledger", "verify", "--entries", &entries, "--head", &head];
    assert!(dock.must(&verify).contains("nothing was changed"));
    let other = head.replace(['0', '1', '2'], "3");
    dock.refused(1, &["ledger", "verify", "--entries", &entries, "--head", &other], "rewritten");
    dock.refused(1, &["ledger", "verify", "--entries", "999", "--head", &head], "cut off");
    assert!(dock.must(&["load", "list"]).contains("(3 of 4 planned)"));
    assert!(dock.must(&["ledger", "history", "--load", load]).contains("why: a leaf lay over it"));

    // To another machine and back.
    dock.must(&["ledger", "export", "--out", "all.json"]);
    dock.must(&["ledger", "export", "--out", "all.csv"]);
    dock.must(&["ledger", "export", "--out", "objects.csv", "--load", load]);
    for (from, to) in [("all.json", "json.sqlite"), ("all.csv", "csv.sqlite")] {
        dock.must(&["ledger", "import", from, "--ledger", to]);
        assert_eq!(dock.must(&["load", "show", load, "--ledger", to]), text);
        assert!(dock.must(&["ledger", "head", "--ledger", to]).contains(&head));
    }
    let rows =
        csv::Reader::from_path(dock.path("objects.csv")).expect("csv").into_records().count();
    assert!(rows > 600, "{rows}");
}

/// Reviewed at random, weighed, coarse debris, validated: all of it reaches the figures.
#[test]
fn what_is_known_beside_the_trays_is_applied() {
    let dock = Dock::new();
    let load = "HV-0417";
    dock.must(&["load", "new", load, "--grower", "Hill Vineyard", "--variety", "Blue Portugal"]);
    dock.must(&["load", "add", &sample("black-unsorted-1.jpg"), &sample("black-unsorted-2.jpg")]);

    let sheet = dock.must(&["load", "review", load, "UNSORTED", "--draw", "150", "--seed", "5"]);
    fs::write(dock.path("empty.csv"), &sheet).expect("sheet");
    let answers = |file: &str| dock.run(&["load", "review", load, "UNSORTED", "--answers", file]);
    let output = answers("empty.csv");
    assert_eq!(output.status.code(), Some(2));
    assert!(err(&output).contains("row 2: the column human is empty"), "{}", err(&output));
    // A person who sees what the program saw, but for every tenth: those are sound.
    let document = dock.json(&["load", "show", load]);
    assert_eq!(document["lots"][0]["settled"], serde_json::json!([]));
    assert_eq!(document["lots"][0]["profiles"], serde_json::json!(["renderings 2026"]));
    dock.must(&["ledger", "export", "--out", "objects.csv", "--load", load]);
    let mut read = std::collections::BTreeMap::new();
    for row in csv::Reader::from_path(dock.path("objects.csv")).expect("csv").into_records() {
        let row = row.expect("row");
        read.insert((row[2].to_owned(), row[4].to_owned()), row[5].to_owned());
    }
    let mut filled = Vec::new();
    for (i, row) in csv::Reader::from_reader(sheet.as_bytes()).into_records().enumerate() {
        let row = row.expect("row");
        let class = &read[&(row[1].to_owned(), row[3].to_owned())];
        let human = if i % 10 == 0 { "sound" } else { class };
        filled.push(serde_json::json!({
            "draw": row[0].parse::<u64>().expect("draw"),
            "tray": row[1].parse::<u32>().expect("tray"),
            "object": row[3].parse::<u32>().expect("object"),
            "human": human,
        }));
    }
    assert_eq!(filled.len(), 150);
    let missed = serde_json::json!({
        "draw": filled[0]["draw"], "tray": 1, "object": null, "human": "debris"
    });
    filled.push(missed);
    let write = |rows: &[Value]| {
        fs::write(dock.path("answers.json"), serde_json::to_vec(rows).expect("JSON"))
            .expect("write");
    };
    write(&filled[1..]);
    let output = answers("answers.json");
    assert_eq!(output.status.code(), Some(1));
    assert!(err(&output).contains("was drawn and has no answer"), "{}", err(&output));
    write(&filled);
    assert!(err(&answers("answers.json")).contains("151 answers recorded"));
    let settled = |name: &str| -> Value {
        let document = dock.json(&["load", "show", load]);
        let all = document["lots"][0]["settled"].as_array().expect("settled").clone();
        all.into_iter().find(|s| s["name"] == name).expect("class")
    };
    let sound = settled("sound");
    assert_eq!(sound["corrected"], true, "{sound}");
    assert!(sound["estimate"].as_f64() > sound["apparent"].as_f64(), "{sound}");

    // Coarse debris joins: c + (1 − c)·s.
    let before = settled("debris")["estimate"].as_f64().expect("share");
    dock.refused(
        1,
        &[
            "load",
            "coarse",
            load,
            "UNSORTED",
            "--coarse-kg",
            "13",
            "--increment-kg",
            "12",
            "--pieces",
            "9",
        ],
        "no more than the increments",
    );
    dock.must(&[
        "load",
        "coarse",
        load,
        "UNSORTED",
        "--coarse-kg",
        "0.18",
        "--increment-kg",
        "12",
        "--pieces",
        "9",
    ]);
    let after = settled("debris")["estimate"].as_f64().expect("share");
    assert!((after - (0.015 + 0.985 * before)).abs() < 1e-9, "{before} {after}");
    let sound_after = settled("sound")["estimate"].as_f64().expect("share");
    let sound_before = sound["estimate"].as_f64().expect("share");
    assert!((sound_after - 0.985 * sound_before).abs() < 1e-9, "{sound_before} {sound_after}");

    // The scale: a tray's mass is the scale's.
    let mass =
        || dock.json(&["load", "show", load])["lots"][0]["figures"]["mass_g"].as_f64().expect("g");
    let all = mass();
    dock.must(&["load", "weigh", load, "UNSORTED", "1", "--grams", "100", "--debris", "0.98"]);
    let one = mass();
    dock.must(&["load", "weigh", load, "UNSORTED", "2", "--grams", "100"]);
    assert!((mass() - 200.0).abs() < 1e-6 && one != all, "{all} {one} {}", mass());
    dock.refused(1, &["load", "weigh", load, "UNSORTED", "2", "--grams", "101"], "--why");
    let document = dock.json(&["load", "add", &sample("black-unsorted-1.jpg")]);
    assert_eq!(document[0]["status"], "recorded-before");
    dock.refused(
        1,
        &["ledger", "refit", "--profile-name", "nobody's"],
        "no tray read with profile",
    );
    let name = "renderings 2026";
    let fitted = dock.must(&["ledger", "refit", "--profile-name", name]);
    assert!(fitted.contains("sound: 1.000 ± 0.100, not weighed, trays: 0"), "{fitted}");
    assert!(fitted.contains("debris: ") && fitted.contains("trays: 1"), "{fitted}");

    // Ten trays sorted by hand: the variety is validated.
    let mut csv = String::from(
        "tray,variety,sound_percent,shriveled_percent,underripe_percent,debris_percent,sound_g,shriveled_g,underripe_g,debris_g\n",
    );
    for i in 0..10 {
        csv.push_str(&format!("v{i},Blue Portugal,9{},5,4.{i},0.5,180.{i},10,8.2,1.0{i}\n", i % 2));
    }
    fs::write(dock.path("hands.csv"), &csv).expect("write");
    let found = dock.must(&["validate", "hands.csv"]);
    assert!(found.contains("validated for this variety"), "{found}");
    assert!(dock.must(&["load", "show", load]).contains("0 of 10 hand-sorted trays"));
    dock.must(&["validate", "hands.csv", "--record"]);
    dock.refused(1, &["validate", "hands.csv", "--record"], "was sorted by hand before");
    assert!(!dock.must(&["load", "show", load]).contains("not yet validated"));
    assert_eq!(dock.json(&["validate"])[0]["trays"], 10);
    assert!(dock.must(&["ledger", "verify"]).contains("nothing was changed"));
}

#[test]
fn photographs_without_slips_need_flags() {
    let dock = Dock::new();
    dock.must(&["load", "new", "OLD", "--grower", "Hill Vineyard"]);
    let photo = sample("black-no-marks.jpg");
    let add = |more: &[&str]| {
        let args: Vec<&str> =
            ["load", "add", &photo, "--tray", "330x250"].iter().chain(more).copied().collect();
        dock.run(&args)
    };
    for (more, words) in [
        (vec![], "name it with --load"),
        (vec!["--load", "OLD"], "name it with --lot"),
        (vec!["--load", "OLD", "--lot", "A"], "number it with --number"),
        (vec!["--load", "NEW", "--lot", "A", "--number", "1"], "load NEW is not in the ledger"),
    ] {
        let output = add(&more);
        assert_eq!(output.status.code(), Some(1));
        assert!(err(&output).contains(words), "{words}: {}", err(&output));
    }
    let output = add(&["--load", "OLD", "--lot", "A", "--number", "7", "--bin", "3"]);
    assert_eq!(output.status.code(), Some(0), "{}", err(&output));
    let shown = dock.json(&["load", "show", "OLD"]);
    assert_eq!(shown["lots"][0]["taken"], serde_json::json!([7]));
}

#[test]
fn contract_files_and_plans_are_checked() {
    let dock = Dock::new();
    fs::write(dock.path("bad.toml"), TERMS.replace("\"rejects\"", "\"rot\"")).expect("write");
    dock.refused(1, &["terms", "check", "bad.toml"], "\"rot\" is no class");
    dock.refused(2, &["terms", "check", "missing.toml"], "missing.toml: cannot be read");
    dock.refused(2, &["plan"], "--bins");
    dock.refused(2, &["plan", "--bins", "0"], "bins in the load");
    let one = dock.must(&["plan", "--bins", "12", "--seed", "3"]);
    assert_eq!(one, dock.must(&["plan", "--bins", "12", "--seed", "3", "--out", "sheet.txt"]));
    assert_eq!(fs::read_to_string(dock.path("sheet.txt")).expect("sheet"), one);
    let plan = dock.json(&["plan", "--bins", "12", "--seed", "3"]);
    assert_eq!(plan["seed"], 3);
    assert!(!dock.path("acinus").exists(), "no ledger is begun by a plan alone");
}

/// The ledger's lots give what the photographs give; its numbers are rounded to their units.
#[test]
fn streams_compare_and_what_if_come_out_of_the_ledger() {
    let dock = Dock::new();
    let load = "HV-0417";
    dock.refused(1, &["streams", "--load", load], "there is no ledger");
    dock.must(&["load", "new", load, "--grower", "Hill Vineyard", "--variety", "Blue Portugal"]);
    let photos: Vec<String> =
        ["black-unsorted-1", "black-unsorted-2", "black-sorted-1", "black-waste-1"]
            .map(|n| sample(&format!("{n}.jpg")))
            .to_vec();
    let photos: Vec<&str> = photos.iter().map(String::as_str).collect();
    dock.must(&[&["load", "add"], &photos[..]].concat());
    dock.refused(1, &["streams", "--load", "HV-9"], "HV-9");
    dock.refused(
        1,
        &["compare", "--load", load, "--lots", "UNSORTED,ELSE"],
        "no trays of a lot ELSE",
    );
    dock.refused(1, &["what-if", "--load", load, "--lot", "ELSE"], "no trays of a lot ELSE");

    let near = |a: &Value, b: &Value| {
        let (a, b) = (a.as_f64().expect("number"), b.as_f64().expect("number"));
        assert!((a - b).abs() < 1e-4, "{a} {b}");
    };
    let scale = ["--unsorted-kg", "10000", "--waste-kg", "900"];
    let kept = dock.json(&[&["streams", "--load", load], &scale[..]].concat());
    let seen = dock.json(&[&["streams"], &photos[..], &scale[..]].concat());
    assert_eq!(kept["belong_together"], true, "{kept}");
    near(&kept["split"]["yield_by_mass"]["estimate"], &seen["split"]["yield_by_mass"]["estimate"]);
    for k in 0..5 {
        let removed = |v: &Value| v["split"]["performance"][k]["removed"]["estimate"].clone();
        near(&removed(&kept), &removed(&seen));
    }
    let text = dock.must(&["compare", "--load", load, "--lots", "UNSORTED,WASTE"]);
    assert!(
        text.contains("the waste lot has ") && text.contains("HV-0417 WASTE against"),
        "{text}"
    );

    let rule = ["--reject-probability", "0.7", "--max-green", "0.5", "--poisson"];
    let kept = dock.json(&[&["what-if", "--load", load], &rule[..]].concat());
    let seen = dock.json(&[&["what-if"], &photos[..2], &rule[..]].concat());
    near(&kept["sound_lost"], &seen["sound_lost"]);
    near(&kept["rejects_removed"], &seen["rejects_removed"]);
    assert_eq!(kept["picks"]["picked"], seen["picks"]["picked"]);
    assert_eq!(kept["picks"]["blown_out"][0]["tray"], "tray 1");
    assert!(kept["cautions"].to_string().contains("Lock out the machine"));
}
