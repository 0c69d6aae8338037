//! The program as a user meets it: the real binary, real folders, exit codes and words.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use serde_json::Value;

struct Cli {
    dir: tempfile::TempDir,
}

impl Cli {
    fn new() -> Cli {
        Cli { dir: tempfile::tempdir().expect("temporary folder") }
    }

    fn path(&self, name: &str) -> PathBuf {
        self.dir.path().join(name)
    }

    /// Runs the program inside the temporary folder.
    fn run(&self, args: &[&str]) -> Output {
        Command::new(env!("CARGO_BIN_EXE_acinus"))
            .args(args)
            .current_dir(self.dir.path())
            .output()
            .expect("the program starts")
    }

    fn names(&self, folder: &str) -> Vec<String> {
        let list = fs::read_dir(self.path(folder)).expect("folder");
        let mut names: Vec<String> =
            list.map(|e| e.expect("entry").file_name().to_string_lossy().into_owned()).collect();
        names.sort();
        names
    }
}

fn sample(name: &str) -> String {
    let dir = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-images");
    dir.join(name).display().to_string()
}

fn out(output: &Output) -> String {
    String::from_utf8(output.stdout.clone()).expect("UTF-8")
}

fn err(output: &Output) -> String {
    String::from_utf8(output.stderr.clone()).expect("UTF-8")
}

fn code(output: &Output) -> i32 {
    output.status.code().expect("an exit code, not a signal")
}

#[test]
fn wrong_usage_ends_with_2_and_does_nothing() {
    let cli = Cli::new();
    fs::create_dir(cli.path("empty")).expect("folder");
    for args in [
        vec!["assess"],
        vec!["assess", "a.jpg"],
        vec!["frobnicate"],
        vec!["assess", "a.jpg", "--out", "out", "--tray", "330"],
        vec!["assess", "a.jpg", "--out", "out", "--px-per-mm", "NaN"],
        vec!["assess", "a.jpg", "--out", "out", "--tray", "330x250", "--px-per-mm", "7.8"],
        vec!["assess", "a.jpg", "--out", "out", "--removal-rate", "0.5"],
        vec!["assess", "a.jpg", "--out", "out", "--load-tonnes", "10", "--removal-rate", "1.5"],
        vec!["assess", "a.jpg", "--out", "out", "--write", "pdf"],
        vec!["assess", "a.jpg", "--out", "out", "--threads", "0"],
        vec!["assess", "a.jpg", "b/a.jpg", "--out", "out"],
        vec!["assess", "empty", "--out", "out"],
        vec!["assess", "a.jpg", "--out", "out", "--profile", "missing.json"],
    ] {
        let output = cli.run(&args);
        assert_eq!(code(&output), 2, "{args:?}: {}", err(&output));
        assert!(!err(&output).is_empty() && out(&output).is_empty(), "{args:?}");
        assert!(!cli.path("out").exists(), "{args:?} made the folder");
    }
}

#[test]
fn the_same_name_twice_is_told_with_both_files() {
    let cli = Cli::new();
    let output = cli.run(&["assess", "monday/tray.jpg", "tuesday/tray.png", "--out", "out"]);
    assert_eq!(code(&output), 2);
    for words in ["monday/tray.jpg", "tuesday/tray.png", "rename"] {
        assert!(err(&output).contains(words), "{}", err(&output));
    }
}

#[test]
fn every_command_explains_itself_with_an_example() {
    let cli = Cli::new();
    let help = cli.run(&["help"]);
    assert_eq!(code(&help), 0);
    for command in [
        "assess",
        "check",
        "score",
        "train",
        "plan",
        "load",
        "ledger",
        "terms",
        "validate",
        "streams",
        "compare",
        "what-if",
        "completions",
        "man",
    ] {
        assert!(out(&help).contains(command), "{command} is not listed");
        let output = cli.run(&[command, "--help"]);
        assert_eq!(code(&output), 0);
        assert!(out(&output).contains(&format!("acinus {command}")), "{command} has no example");
    }
}

#[test]
fn completions_and_manual_pages_know_every_flag() {
    let cli = Cli::new();
    for shell in ["bash", "zsh", "fish", "powershell", "elvish"] {
        let output = cli.run(&["completions", shell]);
        assert_eq!(code(&output), 0);
        assert!(out(&output).contains("false-reject-rate"), "{shell}");
    }
    assert_eq!(code(&cli.run(&["man", "man1"])), 0);
    assert!(cli.names("man1").contains(&"acinus-assess.1".to_owned()));
    let page = fs::read_to_string(cli.path("man1/acinus-assess.1")).expect("page");
    assert!(page.contains("load\\-tonnes") && page.contains("330x250"));
    fs::write(cli.path("file"), "").expect("write");
    let output = cli.run(&["man", "file"]);
    assert_eq!(code(&output), 1);
    assert_eq!(err(&output), "acinus: cannot write to file: a file of that name is in the way\n");
}

#[test]
fn files_that_are_no_photographs_are_named_and_end_with_1() {
    let cli = Cli::new();
    fs::write(cli.path("words.jpg"), "not a picture").expect("write");
    fs::write(cli.path("nothing.png"), "").expect("write");
    let output = cli.run(&["assess", "words.jpg", "nothing.png", "missing.tif", "--out", "out"]);
    assert_eq!(code(&output), 1);
    for name in ["words.jpg", "nothing.png", "missing.tif"] {
        let lines: Vec<String> =
            err(&output).lines().filter(|l| l.contains(name)).map(str::to_owned).collect();
        assert_eq!(lines.len(), 1, "one line for {name}: {}", err(&output));
    }
    // The page says so too, and nothing else was written.
    assert_eq!(cli.names("out"), ["report.html"]);
    let page = fs::read_to_string(cli.path("out/report.html")).expect("page");
    assert!(page.contains("words.jpg") && page.contains("Photographs not used"));
}

#[test]
fn a_bad_photograph_does_not_stop_the_rest() {
    let cli = Cli::new();
    fs::write(cli.path("words.jpg"), "not a picture").expect("write");
    let good = sample("black-unsorted-1.jpg");
    let output = cli.run(&["assess", "words.jpg", &good, "--out", "out", "--labels"]);
    assert_eq!(code(&output), 1, "{}", err(&output));
    assert!(out(&output).contains("HV-0417 UNSORTED: 1 tray"), "{}", out(&output));
    assert!(out(&output).contains("not used: words.jpg"));
    assert_eq!(
        cli.names("out"),
        [
            "black-unsorted-1.json",
            "black-unsorted-1.labels.png",
            "black-unsorted-1.objects.csv",
            "black-unsorted-1.overlay.jpg",
            "report.html"
        ]
    );
}

#[test]
fn outputs_agree_with_each_other_and_come_out_the_same_again() {
    let cli = Cli::new();
    let photo = sample("black-waste-1.jpg");
    for out in ["one", "two"] {
        let output = cli.run(&["assess", &photo, "--out", out, "--labels", "--load-tonnes", "8"]);
        assert_eq!(code(&output), 0, "{}", err(&output));
        assert!(err(&output).is_empty(), "quiet when all is well: {}", err(&output));
    }
    for name in cli.names("one") {
        let read = |folder: &str| fs::read(cli.path(folder).join(&name)).expect("read");
        assert!(read("one") == read("two"), "{name} differs");
    }

    let labels = image::open(cli.path("one/black-waste-1.labels.png")).expect("labels");
    let labels = labels.into_luma16();
    let mut rows = csv::Reader::from_path(cli.path("one/black-waste-1.objects.csv")).expect("csv");
    let header = rows.headers().expect("header").clone();
    let column = |name: &str| header.iter().position(|h| h == name).expect("column");
    let document: Value =
        serde_json::from_slice(&fs::read(cli.path("one/black-waste-1.json")).expect("json"))
            .expect("JSON");
    let objects = document["objects"].as_array().expect("objects");
    let mut count = 0;
    for (row, object) in rows.records().map(|r| r.expect("row")).zip(objects) {
        count += 1;
        let number: u16 = row[column("object")].parse().expect("number");
        assert_eq!(u64::from(number), object["object"].as_u64().expect("number"));
        assert_eq!(row[column("class")], *object["class"].as_str().expect("class"));
        let area = labels.pixels().filter(|p| p.0[0] == number).count();
        assert_eq!(row[column("area_px")], area.to_string());
    }
    assert_eq!(count, objects.len());
    assert_eq!(document["shares"]["objects"].as_u64(), Some(count as u64));
}

#[test]
fn the_printed_document_is_the_only_thing_on_standard_output() {
    let cli = Cli::new();
    let photo = sample("black-sorted-1.jpg");
    let output = cli.run(&["assess", &photo, "--out", "out", "--format", "json", "--write", "csv"]);
    assert_eq!(code(&output), 0, "{}", err(&output));
    let document: Value = serde_json::from_str(&out(&output)).expect("one JSON document");
    assert_eq!(document["schema"], "acinus-run/1");
    let lot = &document["lots"][0];
    assert_eq!(lot["lot"], "HV-0417 SORTED");
    let classes = lot["classes"].as_array().expect("classes");
    let sum: f64 = classes.iter().map(|c| c["by_mass"]["estimate"].as_f64().expect("share")).sum();
    assert!(sum <= 1.0 + 1e-9 && sum > 0.9, "{sum}");
    assert_eq!(cli.names("out"), ["black-sorted-1.objects.csv"]);
}

#[test]
fn a_photograph_without_marks_needs_a_scale() {
    let cli = Cli::new();
    let photo = sample("black-no-marks.jpg");
    let output = cli.run(&["assess", &photo, "--out", "out", "--write", "csv"]);
    assert_eq!(code(&output), 1);
    for words in ["black-no-marks.jpg", "--tray 330x250", "--px-per-mm"] {
        assert!(err(&output).contains(words), "{}", err(&output));
    }
    for scale in [["--tray", "330x250"], ["--px-per-mm", "7.78"]] {
        let mut args = vec!["assess", &photo, "--out", "out", "--write", "csv"];
        args.extend(scale);
        let output = cli.run(&args);
        assert_eq!(code(&output), 0, "{scale:?}: {}", err(&output));
        assert!(out(&output).contains("black-no-marks: 1 tray"), "{}", out(&output));
    }
}

#[test]
fn check_tells_good_from_bad() {
    let cli = Cli::new();
    let output = cli.run(&["check", &sample("black-unsorted-1.jpg")]);
    assert_eq!(code(&output), 0, "{}", out(&output));
    assert!(out(&output).contains("good enough to measure"));
    let output = cli.run(&["check", &sample("bad-blurred.jpg"), "--format", "json"]);
    assert_eq!(code(&output), 1);
    let document: Value = serde_json::from_str(&out(&output)).expect("JSON");
    assert_eq!(document[0]["usable"], false);
}

#[test]
fn timings_are_told_only_when_asked() {
    let cli = Cli::new();
    let photo = sample("black-sorted-1.jpg");
    let args = ["assess", &photo, "--out", "out", "--write", "json", "--timings"];
    let output = cli.run(&args);
    assert_eq!(code(&output), 0);
    assert!(err(&output).contains("decode"), "{}", err(&output));
    let text = fs::read_to_string(cli.path("out/black-sorted-1.json")).expect("json");
    assert!(text.contains("timings_s"));
}

#[test]
fn measured_patches_and_camera_height_are_used_and_reported() {
    let cli = Cli::new();
    fs::write(cli.path("wrong.toml"), "[patches]\n99 = [50, 0, 0]\n").expect("written");
    let photo = sample("black-unsorted-2.jpg");
    let ended = cli.run(&["check", &photo, "--patches", "wrong.toml"]);
    assert_eq!(code(&ended), 2);
    assert!(
        err(&ended).contains("patches wrong.toml: no patch is printed at 99"),
        "{}",
        err(&ended)
    );

    // A slip whose greys are known to be bluish.
    let greys = "[patches]\n160 = [66.0, 0.0, -6.0]\n122 = [51.0, 0.0, -6.0]\n";
    fs::write(cli.path("greys.toml"), greys).expect("written");
    let read = |more: &[&str]| {
        let args = ["assess", &photo, "--out", "out", "--write", "json"];
        let ended = cli.run(&[&args, more].concat());
        assert_eq!(code(&ended), 0, "{}", err(&ended));
        let text = fs::read_to_string(cli.path("out/black-unsorted-2.json")).expect("json");
        serde_json::from_str::<Value>(&text).expect("JSON")
    };
    let plain = read(&[]);
    let told = read(&["--patches", "greys.toml", "--camera-height", "600"]);
    assert_eq!(plain["colour"]["patches"], "nominal");
    assert_eq!(told["colour"]["patches"], "measured");
    // Greys that are blue in truth leave more blue in the photograph.
    let blue = |j: &Value| j["colour"]["tone_gain"][2].as_f64().expect("gain");
    assert!(blue(&told) > 1.03 * blue(&plain), "{} {}", blue(&told), blue(&plain));
    assert!(plain["colour"]["grey_patches_delta_e00"].as_f64() <= Some(3.0));
    assert_eq!(plain["frame"]["camera_source"], "focal-length");
    assert_eq!(told["frame"]["camera_source"], "given");
    assert_eq!(told["frame"]["camera_mm"][2], 600.0);
    let assumed = told["assumptions"].to_string();
    assert!(assumed.contains("as measured") && assumed.contains("camera height as given, 600 mm"));
}

fn samples(names: &[&str]) -> Vec<String> {
    names.iter().map(|n| sample(&format!("{n}.jpg"))).collect()
}

fn json(cli: &Cli, wanted: i32, args: &[&str]) -> Value {
    let output = cli.run(&[args, &["--format", "json"]].concat());
    assert_eq!(code(&output), wanted, "{args:?}: {}", err(&output));
    serde_json::from_str(&out(&output)).expect("one JSON document")
}

fn real(value: &Value) -> f64 {
    value.as_f64().expect("number")
}

#[test]
fn streams_balance_the_lots_of_a_load() {
    let cli = Cli::new();
    let photos = samples(&[
        "black-unsorted-1",
        "black-unsorted-2",
        "black-unsorted-3",
        "black-sorted-1",
        "black-waste-1",
    ]);
    let photos: Vec<&str> = photos.iter().map(String::as_str).collect();
    let by_slip = [&["streams"], &photos[..]].concat();
    let output = cli.run(&[&by_slip[..], &["--out", "out", "--unsorted-kg", "10000"]].concat());
    assert_eq!(code(&output), 0, "{}", err(&output));
    let text = out(&output);
    for words in ["UNSORTED: HV-0417 UNSORTED, 3 trays", "WASTE: HV-0417 WASTE, 1 tray,", "SPLIT: "]
    {
        assert!(text.contains(words), "{words}: {text}");
    }
    assert!(text.contains("sound fruit lost") && text.contains("no official inspection"), "{text}");
    assert_eq!(cli.names("out"), ["composition.svg", "diameters.svg", "flow.svg", "streams.html"]);
    let page = fs::read_to_string(cli.path("out/streams.html")).expect("page");
    assert!(page.contains("<svg") && page.contains("What the sorter did"));

    let free = json(&cli, 0, &by_slip);
    assert_eq!(free["belong_together"], true, "{free}");
    let split = &free["split"];
    assert_eq!(split["consistency"]["degrees_of_freedom"], 2);
    // The balance holds on what is printed: f = Y s + (1 - Y) w, and the definitions by name.
    let y = real(&split["yield_by_mass"]["estimate"]);
    let share =
        |k: usize, c: usize| real(&free["streams"][k]["shares"][c]["reconciled"]["estimate"]);
    for c in 0..5 {
        assert!((share(0, c) - y * share(1, c) - (1.0 - y) * share(2, c)).abs() < 1e-6);
        let removed = real(&split["performance"][c]["removed"]["estimate"]);
        assert!((removed - (1.0 - y) * share(2, c) / share(0, c)).abs() < 1e-6);
    }

    // Weighed: another degree of freedom, a narrower yield, juice, kilograms and money.
    let scale = [
        "--unsorted-kg",
        "10000",
        "--sorted-kg",
        "8950",
        "--waste-kg",
        "950",
        "--price-per-tonne",
        "1000",
    ];
    let weighed = json(&cli, 0, &[&by_slip[..], &scale].concat());
    let split = &weighed["split"];
    assert_eq!(split["consistency"]["degrees_of_freedom"], 3);
    assert!((real(&split["juice_kg"]) - 100.0).abs() < 1e-6);
    let width = |v: &Value| {
        let i = &v["split"]["yield_by_mass"]["interval"];
        real(&i["high"]) - real(&i["low"])
    };
    assert!(width(&weighed) < width(&free));
    let sound = &split["performance"][0];
    let (kg, worth) =
        (real(&sound["removed_kg"]["estimate"]), real(&sound["removed_value"]["estimate"]));
    assert!(kg > 0.0 && (worth - kg).abs() < 1e-6, "at 1000 a tonne a kilogram is worth 1");

    // Two lots: no split without weights, the third follows with them.
    let two = ["streams", "--unsorted", photos[0], photos[1], "--sorted", photos[3]];
    let found = json(&cli, 0, &two);
    assert!(
        found["split"].is_null() && found["no_split"].as_str().is_some_and(|w| w.contains("weigh"))
    );
    let found =
        json(&cli, 0, &[&two[..], &["--unsorted-kg", "1000", "--sorted-kg", "900"]].concat());
    assert_eq!(found["streams"][2]["trays"], 0);
    assert!((real(&found["split"]["yield_by_mass"]["estimate"]) - 0.9).abs() < 1e-9);
    assert!(found["split"]["consistency"].is_null());
}

/// White waste with black feed: told by skin colour and by the slips' loads, each alone sufficing.
#[test]
fn streams_of_two_loads_are_flagged() {
    let cli = Cli::new();
    let names = samples(&["black-unsorted-1", "black-sorted-1", "white-unsorted-1"]);
    let args = ["streams", "--unsorted", &names[0], "--sorted", &names[1], "--waste", &names[2]];
    let output = cli.run(&args);
    assert_eq!(code(&output), 1, "{}", err(&output));
    let text = out(&output);
    for words in [
        "(black-unsorted-1) was read as black fruit and waste (white-unsorted-1) as white fruit",
        "the slips name two loads, HV-0417 on unsorted",
        "The figures of the split must not be used.",
        "white-unsorted-1 is taken as waste, and its slip says UNSORTED",
    ] {
        assert!(text.contains(words), "{words}: {text}");
    }
    assert_eq!(json(&cli, 1, &args)["belong_together"], false);
    // The colour alone: the user says that all of it is black fruit; the slips still tell.
    let told = json(&cli, 1, &[&args[..], &["--fruit", "black"]].concat());
    let alarms = told["alarms"].to_string();
    assert!(alarms.contains("name two loads") && !alarms.contains("white fruit"), "{alarms}");
}

#[test]
fn two_lots_are_compared_in_plain_sentences() {
    let cli = Cli::new();
    let names = samples(&["black-unsorted-1", "black-unsorted-2", "black-waste-1"]);
    let args = ["compare", "--first", &names[0], &names[1], "--second", &names[2]];
    let output = cli.run(&args);
    assert_eq!(code(&output), 0, "{}", err(&output));
    let text = out(&output);
    let sentence = text.lines().find(|l| l.starts_with("the waste lot has ")).expect("a sentence");
    assert!(sentence.contains(" points ") && sentence.contains(", 95 % interval "), "{sentence}");
    assert!(text.contains("the first lot (HV-0417 UNSORTED), by mass"), "{text}");
    // One tray each by count: Newcombe's interval and Fisher's test; the four classes' p by Holm.
    let single = ["compare", "--first", &names[0], "--second", &names[2], "--by", "count"];
    let found = json(&cli, 0, &single);
    let all = found["differences"].as_array().expect("list");
    assert_eq!(all.len(), 5);
    for d in all {
        assert_eq!(d["method"], "newcombe");
        assert!(real(&d["p_adjusted"]) >= real(&d["p"]) - 1e-15);
        let i = &d["interval"];
        assert!(
            real(&i["low"]) <= real(&d["difference"]) && real(&d["difference"]) <= real(&i["high"])
        );
    }
    assert!(found["cautions"].to_string().contains("one tray only"));
}

#[test]
fn a_what_if_says_which_objects_and_what_it_is_worth() {
    let cli = Cli::new();
    let terms = "version = 1\nname = \"House\"\ncurrency = \"USD\"\nprice_per_tonne = \"1850\"\n\
                 [[rule]]\nname = \"rejects\"\nof = [\"rejects\"]\nfree_percent = 2\n\
                 deduct_per_point = \"1.5\"\n";
    fs::write(cli.path("house.toml"), terms).expect("terms");
    let photo = sample("black-unsorted-1.jpg");
    let args = ["what-if", &photo, "--reject-probability", "0.6", "--min-diameter", "9"];
    let all = [&args[..], &["--terms", "house.toml", "--out", "out"]].concat();
    let output = cli.run(&all);
    assert_eq!(code(&output), 0, "{}", err(&output));
    let text = out(&output);
    for words in [
        "a probability of 0.6 or more of being no sound berry, or a diameter below 9 mm",
        "  black-unsorted-1: ",
        "IN ALL, neighbours and misses counted",
        "<- the rule",
        "NEIGHBOURS",
        "MONEY for a tonne of feed",
        "caution: Planning estimates: check them with a tray from the waste stream",
        "caution: Lock out the machine before reaching in",
    ] {
        assert!(text.contains(words), "{words}: {text}");
    }
    assert_eq!(cli.names("out"), ["black-unsorted-1.blown-out.jpg", "trade.svg"]);
    let svg = fs::read_to_string(cli.path("out/trade.svg")).expect("svg");
    assert!(svg.contains("Planning estimates") && svg.contains("Lock out the machine"));

    let found = json(&cli, 0, &args);
    let list = found["picks"]["blown_out"].as_array().expect("list");
    assert_eq!(list.len() as u64, found["picks"]["picked"].as_u64().expect("count"));
    for o in list {
        assert_eq!(o["tray"], "black-unsorted-1");
        let because = o["because"].to_string();
        let sure = real(&o["reject_probability"]) >= 0.6;
        assert_eq!(because.contains("reject_probability"), sure, "{o}");
        assert!(sure || because.contains("min_diameter_mm"), "{o}");
    }
    assert_eq!(found["turned"], "reject_probability");
    assert!(found["cautions"].to_string().contains("Lock out the machine"));
    assert!(found["simulated"].is_object() && found["money"].is_null());
    // Twice the throughput brings more neighbours; Poisson alone simulates nothing.
    let plain = json(&cli, 0, &[&args[..], &["--poisson"]].concat());
    let dense = json(&cli, 0, &[&args[..], &["--poisson", "--throughput", "8"]].concat());
    assert!(plain["simulated"].is_null());
    assert!(real(&dense["co_ejected"]) > real(&plain["co_ejected"]));
}

#[test]
fn wrong_usage_of_streams_compare_and_what_if_ends_with_2() {
    let cli = Cli::new();
    let (u, s) = (sample("black-unsorted-1.jpg"), sample("black-sorted-1.jpg"));
    for args in [
        vec!["streams"],
        vec!["streams", &u, "--load", "HV-0417"],
        vec!["streams", &u, "--unsorted-kg", "-1"],
        vec!["streams", &u, "--weighing-sd", "0"],
        vec!["compare"],
        vec!["compare", "--first", &u],
        vec!["compare", "--first", &u, "--second", &s, "--by", "weight"],
        vec!["compare", "--load", "HV-0417", "--lots", "UNSORTED"],
        vec!["what-if"],
        vec!["what-if", &u, "--load", "HV-0417"],
        vec!["what-if", &u, "--reject-probability", "1.5"],
        vec!["what-if", &u, "--belt-speed", "0"],
        vec!["what-if", &u, "--clump", "0.5"],
        vec!["what-if", &u, &s],
    ] {
        let output = cli.run(&args);
        assert_eq!(code(&output), 2, "{args:?}: {}", err(&output));
        assert!(out(&output).is_empty() && !err(&output).is_empty(), "{args:?}");
    }
    // Not wrong usage, but nothing that could be: 1, in one line.
    for (args, words) in [
        (vec!["streams", &u], "at least two of unsorted, sorted and waste"),
        (vec!["streams", &u, &s, "--unsorted-kg", "10", "--sorted-kg", "20"], "check the totals"),
        (vec!["what-if", &u, "--camera-fall", "300"], "the camera must come first"),
    ] {
        let output = cli.run(&args);
        assert_eq!(code(&output), 1, "{args:?}: {}", err(&output));
        assert!(
            err(&output).contains(words) && err(&output).trim().lines().count() == 1,
            "{}",
            err(&output)
        );
    }
}
