//! The agreement sheet as its readers see it: text by pdftotext, the attached figures by pdfdetach,
//! metadata by pdfinfo, pages by pdftoppm (Debian poppler-utils), the symbol by zbarimg (zbar-tools).
#![allow(clippy::unwrap_used)]

use std::fs;
use std::path::Path;

use acinus::ledger::Ledger;
use acinus::ledger::event::Delivery;
use acinus::sheet::verify::{State, attached, verify};
use acinus::sheet::{self, Settings};
use serde_json::Value;

#[path = "common/debian.rs"]
mod debian;
#[path = "common/dock.rs"]
mod dock;
#[path = "common/orchard.rs"]
mod orchard;

use debian::debian;
use dock::{Dock, TERMS, err, out, sample};
use orchard::LAB;

const LOAD: &str = "HV-0417";

/// The file's words, blanks of any kind as one, minus signs plain.
fn words(pdf: &Path) -> String {
    let text = debian("pdftotext", "poppler-utils", &["-layout", pdf.to_str().unwrap(), "-"]);
    let text = String::from_utf8(text).unwrap().replace('\u{2212}', "-");
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

fn info(pdf: &Path, more: &[&str]) -> String {
    let args = [more, &[pdf.to_str().unwrap()]].concat();
    String::from_utf8(debian("pdfinfo", "poppler-utils", &args)).unwrap()
}

fn pages(pdf: &Path) -> u32 {
    let all = info(pdf, &[]);
    let line = all.lines().find(|l| l.starts_with("Pages:")).unwrap();
    line["Pages:".len()..].trim().parse().unwrap()
}

/// The attached figures, taken out by a program that is not ours.
fn detached(dock: &Dock, pdf: &Path) -> Value {
    let to = dock.path("detached.json");
    let args = ["-save", "1", "-o", to.to_str().unwrap(), pdf.to_str().unwrap()];
    debian("pdfdetach", "poppler-utils", &args);
    serde_json::from_slice(&fs::read(to).unwrap()).unwrap()
}

/// A number in the document: a decimal string or a whole number.
fn number(value: &Value) -> f64 {
    match value {
        Value::String(text) => text.parse().unwrap(),
        other => other.as_f64().unwrap(),
    }
}

/// A share with its interval as the sheet must have it; written here anew.
fn share(value: &Value, comma: bool) -> String {
    let estimate = number(&value["estimate"]);
    let decimals = if estimate < 0.01 { 2 } else { 1 };
    let p = |v: &Value| {
        let text = format!("{:.decimals$}", 100.0 * number(v));
        if comma { text.replace('.', ",") } else { text }
    };
    let interval = &value["interval"];
    format!("{} % ({} to {})", p(&value["estimate"]), p(&interval["low"]), p(&interval["high"]))
}

/// A load with everything: retaken, refused and missing trays, corrections, three lots, a contract.
fn full() -> Dock {
    let dock = Dock::new();
    dock.must(&[
        "load",
        "new",
        LOAD,
        "--grower",
        "Hill Vineyard",
        "--block",
        "Upper slope",
        "--variety",
        "Blue Portugal",
        "--bins",
        "8",
        "--terms",
        "house.toml",
    ]);
    dock.must(&["plan", "--load", LOAD, "--half-width", "4", "--seed", "11"]);
    dock.must(&[
        "load",
        "delivery",
        LOAD,
        "--ticket",
        "W1182",
        "--gross-kg",
        "14200",
        "--truck-tare-kg",
        "2250",
        "--bin-tare-kg",
        "500",
        "--picked",
        "2026-11-25T05:10",
        "--fruit-celsius",
        "14.5",
        "--picking",
        "machine",
        "--wet",
        "dew",
        "--free-juice",
        "some",
        "--sampling-point",
        "bin",
    ]);
    let photos: Vec<String> = (1..=3).map(|i| sample(&format!("black-unsorted-{i}.jpg"))).collect();
    dock.must(&["load", "add", &photos[0], &photos[1], &photos[2]]);
    let blurred = sample("bad-blurred.jpg");
    let place = ["--load", LOAD, "--lot", "UNSORTED", "--number", "9"];
    dock.refused(1, &[&["load", "add", &blurred][..], &place].concat(), "out of focus");
    let mut bytes = fs::read(&photos[1]).unwrap();
    bytes.extend_from_slice(b"\0\0");
    fs::write(dock.path("again.jpg"), &bytes).unwrap();
    dock.must(&["load", "add", "again.jpg", "--retake", "--why", "a leaf lay over it"]);
    dock.must(&["load", "add", &sample("black-sorted-1.jpg"), &sample("black-waste-1.jpg")]);
    dock.must(&[
        "load",
        "correct",
        LOAD,
        "UNSORTED",
        "1",
        "--object",
        "5",
        "--class",
        "unassigned",
        "--why",
        "cannot be told",
    ]);
    dock
}

#[test]
fn from_the_close_to_the_signature() {
    let dock = full();
    // A draft first; it is not issued.
    let draft = dock.json(&["sheet", LOAD, "--out", "draft.pdf"]);
    assert_eq!(draft["issued"], Value::Null);
    let text = words(&dock.path("draft.pdf"));
    assert!(text.contains("DRAFT: the load is open"), "{text}");
    assert!(
        dock.must(&["sheet", "verify", "draft.pdf"]).contains("Nothing that was checked fails")
    );
    dock.must(&["load", "close", LOAD]);
    let moved = dock.must(&["sheet", "verify", "draft.pdf"]);
    assert!(moved.contains("the load has moved on since"), "{moved}");

    let before = dock.must(&["ledger", "head"]);
    let ways: [(&str, &[&str]); 3] = [
        ("plain.pdf", &[]),
        ("letter.pdf", &["--paper", "letter", "--units", "us", "--dates", "month-first"]),
        ("comma.pdf", &["--numbers", "comma", "--dates", "day-first"]),
    ];
    for (name, flags) in ways {
        let args = [&["sheet", LOAD, "--out", name], flags].concat();
        let issued = dock.json(&args);
        let pdf = dock.path(name);
        let bytes = fs::read(&pdf).unwrap();
        // The same again: the same bytes, issued once.
        let again = dock.json(&args);
        assert!(fs::read(&pdf).unwrap() == bytes, "{name}: other bytes");
        assert_eq!(issued, again);
        assert!(issued["issued"].is_u64(), "{issued}");
        look(&dock, &pdf, &issued);
        let told = dock.must(&["sheet", "verify", name]);
        for holds in [
            "holds    this very file was issued in entry",
            "holds    the ledger has the sheet's entry",
            "holds    the figures are those that the close recorded",
            "holds    7 of 7 photographs are on disk, unchanged",
            "holds    the pages are those that the ledger gives, to the last byte",
        ] {
            assert!(told.contains(holds), "{name} {holds}: {told}");
        }
    }
    assert_ne!(dock.must(&["ledger", "head"]), before);
    assert!(dock.must(&["ledger", "verify"]).contains("nothing was changed"));
    let history = dock.must(&["ledger", "history", "--load", LOAD]);
    assert_eq!(history.matches("sheet of HV-0417 issued").count(), 3, "{history}");
    tampered(&dock);
}

/// Everything that must stand on a sheet, held against its attached figures.
fn look(dock: &Dock, pdf: &Path, issued: &Value) {
    let bytes = fs::read(pdf).unwrap();
    let json = detached(dock, pdf);
    assert_eq!(json, serde_json::to_value(attached(&bytes).unwrap()).unwrap());
    assert_eq!(json["schema"], "acinus-sheet/1");
    let text = words(pdf);
    let has = |what: &str| assert!(text.contains(what), "{}: {what:?}: {text}", pdf.display());
    let comma = json["settings"]["numbers"] == "comma";
    let us = json["settings"]["units"] == "us";
    let mark = |plain: &str| if comma { plain.replace('.', ",") } else { plain.to_owned() };
    assert!(pages(pdf) <= 3);

    // Shares of every lot, row by row.
    let mut rows = 0;
    for lot in json["figures"]["lots"].as_array().unwrap() {
        let figures = &lot["figures"];
        let classes = figures["classes"].as_array().unwrap();
        let named = classes.iter().map(|c| (c["class"].as_str().unwrap(), c));
        for (name, c) in named.chain([("rejects", &figures["rejects"])]) {
            let (mass, count) = (share(&c["by_mass"], comma), share(&c["by_count"], comma));
            has(&format!("{name} {} {mass} {count}", c["count"]));
            rows += 1;
        }
    }
    assert_eq!(rows, 15);
    // The verdict with its arithmetic.
    let verdict = &json["figures"]["verdict"];
    for rule in verdict["rules"].as_array().unwrap() {
        let (share, off) = (&rule["share_percent"], &rule["deduction"]["percent"]);
        let (share, off) = (share.as_str().unwrap(), off.as_str().unwrap());
        has(&mark(&format!(
            "({share} - 2) points above the free 2 % × 1.5 % = {off} % off the price"
        )));
        let worked: f64 = (share.parse::<f64>().unwrap() - 2.0) * 1.5;
        assert!((worked - off.parse::<f64>().unwrap()).abs() < 1e-8);
    }
    for step in verdict["settlement"]["steps"].as_array().unwrap() {
        has(&mark(step.as_str().unwrap()));
    }
    let amount = format!("{:.2}", number(&verdict["settlement"]["amount"]));
    let grouped = format!("{} {}", &amount[..2], &amount[2..]);
    has(&mark(&format!("To pay if the load is taken: 11 450 kg for {grouped} USD")));
    // Masses, temperatures and days in the reader's way.
    if us {
        has("Net mass 12.621 short tons = 11 450 kg (gross 15.653 short tons");
        has("58.1 °F");
        has("11/25/2026 05:10, by machine");
    } else {
        has("Net mass 11 450 kg (gross 14 200 kg, empty truck 2250 kg, empty bins 500 kg)");
        has(&mark("14.5 °C"));
        has(if comma { "25.11.2026 05:10" } else { "2026-11-25 05:10" });
    }
    // How it came about.
    for what in [
        "Hill Vineyard",
        "W1182",
        "UNSORTED tray 2 retaken instead of black-unsorted-2.jpg",
        "a leaf lay over it",
        "bad-blurred.jpg",
        "out of focus",
        "of the planned trays",
        "object 5:",
        "unassigned given",
        "cannot be told",
        "No review by both parties is recorded",
        "profile renderings 2026",
        "Rot, mould, splits and sunburn",
        "Sugar, acid",
        "Canes, whole bunches",
        "no official inspection and no legal-for-trade weight",
        "licensed weighmaster",
        "For the grower, Hill Vineyard",
        "For the winery",
        "name, signature, date",
        "Before and after the sorter",
        "unsorted (3 trays)",
        "went on from the sorter",
    ] {
        has(what);
    }
    // Diameters: as many objects as the lot has.
    let all = &json["figures"]["lots"][0]["figures"]["objects"];
    let drawn: u64 = json["diameters"]
        .as_array()
        .unwrap()
        .iter()
        .flat_map(|d| d["objects"].as_array().unwrap())
        .map(|n| n.as_u64().unwrap())
        .sum();
    assert_eq!(Some(drawn), all.as_u64());
    // The ledger's head, as text and as symbol.
    let (entries, head) = (&issued["entries"], issued["head"].as_str().unwrap());
    assert_eq!(
        (&json["ledger"]["entries"], json["ledger"]["head"].as_str()),
        (entries, Some(head))
    );
    has(&format!("entries {entries}, head {head}"));
    let page = dock.path("page");
    let args = ["-r", "200", "-png", "-f", "1", "-l", "1", pdf.to_str().unwrap()];
    debian("pdftoppm", "poppler-utils", &[&args[..], &[page.to_str().unwrap()]].concat());
    let png = fs::read_dir(dock.path(""))
        .unwrap()
        .map(|e| e.unwrap().path())
        .find(|p| p.extension().is_some_and(|e| e == "png"))
        .unwrap();
    let read = debian("zbarimg", "zbar-tools", &["-q", "--raw", png.to_str().unwrap()]);
    fs::remove_file(png).unwrap();
    let read = String::from_utf8(read).unwrap();
    let command = format!("acinus ledger verify --entries {entries} --head {head}");
    assert!(read.lines().any(|l| l == command), "{read}");
    let args: Vec<&str> = command.split(' ').skip(1).collect();
    assert!(dock.must(&args).contains("nothing was changed"));

    // PDF/A-3b (ISO 19005-3): what its metadata claim, an output intent, embedded fonts. Debian has no
    // validator; this is no full check of conformance.
    let xmp = info(pdf, &["-meta"]);
    assert!(xmp.contains("<pdfaid:part>3</pdfaid:part>"), "{xmp}");
    assert!(xmp.contains("<pdfaid:conformance>B</pdfaid:conformance>"), "{xmp}");
    let facts = info(pdf, &["-isodates"]);
    let size = if json["settings"]["paper"] == "letter" { "612 x 792" } else { "595.276 x 841.89" };
    assert!(facts.contains(size), "{facts}");
    let at = json["ledger"]["at"].as_str().unwrap().trim_end_matches('Z');
    assert!(facts.contains(&format!("CreationDate:    {at}")), "{at}: {facts}");
    let fonts = debian("pdffonts", "poppler-utils", &[pdf.to_str().unwrap()]);
    let fonts = String::from_utf8(fonts).unwrap();
    for font in fonts.lines().skip(2) {
        let cells: Vec<&str> = font.split_whitespace().collect();
        // name, type (of one or more words), encoding, emb, sub, uni, object, generation
        assert_eq!(cells[cells.len() - 5], "yes", "not embedded: {font}");
        assert_eq!(cells[cells.len() - 3], "yes", "no way back to letters: {font}");
    }
    assert!(intents(&bytes), "no output intent");
}

/// Whether the catalog has an output intent for PDF/A with a colour profile inside.
fn intents(bytes: &[u8]) -> bool {
    use hayro_syntax::object::{Array, Dict, Name, Stream};
    let pdf = hayro_syntax::Pdf::new(bytes.to_vec()).unwrap();
    let root: Dict<'_> = pdf.xref().get(pdf.xref().root_id()).unwrap();
    let all: Array<'_> = root.get("OutputIntents").unwrap();
    all.iter::<Dict<'_>>().any(|intent| {
        let kind = intent.get::<Name<'_>>("S");
        let profile = intent.get::<Stream<'_>>("DestOutputProfile");
        let icc = profile.and_then(|p| Some(p.decoded().ok()?.into_owned()));
        // ICC.1:2010, 7.2.9: the file signature.
        kind.is_some_and(|k| &*k == b"GTS_PDFA1") && icc.is_some_and(|i| i[36..40] == *b"acsp")
    })
}

/// Whatever is changed shows.
fn tampered(dock: &Dock) {
    // The file.
    let bytes = fs::read(dock.path("plain.pdf")).unwrap();
    let mut other = bytes.clone();
    other.extend_from_slice(b"%\n");
    fs::write(dock.path("other.pdf"), &other).unwrap();
    dock.refused(1, &["sheet", "verify", "other.pdf"], "it was changed after it was made");
    fs::write(dock.path("half.pdf"), &bytes[..bytes.len() / 2]).unwrap();
    let half = dock.run(&["sheet", "verify", "half.pdf"]);
    assert_eq!(half.status.code(), Some(1), "{}{}", out(&half), err(&half));
    fs::write(dock.path("no.pdf"), b"%PDF-1.7\n").unwrap();
    dock.refused(1, &["sheet", "verify", "no.pdf"], "no agreement sheet");
    dock.refused(1, &["sheet", "verify", "missing.pdf"], "missing.pdf: cannot be read");
    dock.refused(2, &["sheet", LOAD], "--out");
    dock.refused(1, &["sheet", "NO-LOAD", "--out", "x.pdf"], "is not in the ledger");

    // Another ledger.
    dock.must(&["load", "new", "X-1", "--grower", "Other Vineyard", "--ledger", "other.sqlite"]);
    let args = ["sheet", "verify", "plain.pdf", "other.sqlite"];
    dock.refused(1, &args, "this ledger has no entry");
    for i in 0..20 {
        let load = format!("X-{}", i + 2);
        dock.must(&[
            "load",
            "new",
            &load,
            "--grower",
            "Other Vineyard",
            "--ledger",
            "other.sqlite",
        ]);
    }
    dock.refused(1, &args, "it is another ledger, or its history was rewritten");

    // A photograph: changed, then missing; a refused one likewise.
    let ledger = Ledger::open(&dock.path("acinus/ledger.sqlite")).unwrap();
    let record = ledger.load(LOAD).unwrap();
    let refused = &record.refused[0].sha256;
    let counts = &record.lots.iter().find(|l| l.lot == "UNSORTED").unwrap().trays[0].photo.sha256;
    for sha256 in [counts, refused] {
        let path = ledger.archive().path(sha256);
        let own = fs::read(&path).unwrap();
        fs::write(&path, [&own[..], b"\0"].concat()).unwrap();
        dock.refused(1, &["sheet", "verify", "plain.pdf"], "photograph changed: UNSORTED tray");
        fs::remove_file(&path).unwrap();
        dock.refused(1, &["sheet", "verify", "plain.pdf"], "photograph missing: UNSORTED tray");
        fs::write(&path, own).unwrap();
    }
    let path = ledger.archive().path(counts);
    let own = fs::read(&path).unwrap();
    fs::remove_file(&path).unwrap();
    dock.refused(1, &["sheet", LOAD, "--out", "x.pdf"], "is missing in");
    assert!(!dock.path("x.pdf").exists());
    fs::write(&path, own).unwrap();
    dock.must(&["sheet", "verify", "plain.pdf"]);
}

/// Other figures inside an otherwise whole sheet: made from a ledger that was rewritten.
#[test]
fn figures_of_another_history_are_told() {
    let jpeg = fs::read(sample("black-unsorted-1.jpg")).unwrap();
    let make = |dir: &Path, rejects: f64| {
        let mut ledger = Ledger::open_or_begin_with_clock(&dir.join("l.sqlite"), || {
            "2026-09-18T05:00:00Z".to_owned()
        })
        .unwrap();
        orchard::open(&mut ledger, "A", "Hill Vineyard", Delivery::default(), None);
        for tray in 1..=3 {
            let photo = orchard::photo(&ledger, &jpeg, &format!("{tray}.jpg"));
            let place = ("A", "UNSORTED", tray);
            orchard::tray(&mut ledger, photo, place, &tray.to_string(), (60, rejects));
        }
        orchard::close(&mut ledger, "A");
        ledger
    };
    let (one, two) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    let (mut mine, theirs) = (make(one.path(), 0.1), make(two.path(), 0.3));
    let made = sheet::make(&mine, "A", &Settings::default()).unwrap();
    // Another place, the same ledger: the same bytes.
    let third = tempfile::tempdir().unwrap();
    let copy = make(third.path(), 0.1);
    assert!(sheet::make(&copy, "A", &Settings::default()).unwrap() == made);
    let found = verify(&made.pdf, &mine).unwrap();
    assert!(found.holds(), "{found:?}");
    assert!(found.checked.iter().any(|c| c.state == State::NotTold));
    sheet::issue(&mut mine, "A", &made, LAB).unwrap().unwrap();
    let found = verify(&made.pdf, &mine).unwrap();
    assert!(found.checked.iter().all(|c| c.state == State::Holds), "{found:?}");
    assert!(!verify(&made.pdf, &theirs).unwrap().holds());
    // Nothing can be issued of an open load.
    orchard::open(&mut mine, "B", "Hill Vineyard", Delivery::default(), None);
    let draft = sheet::make(&mine, "B", &Settings::default()).unwrap();
    assert_eq!(sheet::issue(&mut mine, "B", &draft, LAB).unwrap(), None);
}

/// Whatever was said of a load, its sheet has three pages at most, and what is left out is counted.
#[test]
fn a_load_with_very_much_to_say_fits_on_three_pages() {
    let dir = tempfile::tempdir().unwrap();
    let mut ledger = Ledger::open_or_begin(&dir.path().join("l.sqlite")).unwrap();
    let jpeg = fs::read(sample("black-unsorted-1.jpg")).unwrap();
    let long = "a very long name of a very large vineyard on a hill by the river, its upper half";
    orchard::open(&mut ledger, "BIG", long, Delivery::default(), Some(TERMS));
    for lot in 0..30 {
        let name =
            if lot == 0 { "UNSORTED".to_owned() } else { format!("LOT-WITH-A-LONG-NAME-{lot}") };
        // Only trays of the delivered lot are pictured.
        let bytes = if lot == 0 { &jpeg[..] } else { b"photograph" };
        for tray in 1..=4 {
            let photo = orchard::photo(&ledger, bytes, &format!("{name}-{tray}.jpg"));
            let place = ("BIG", name.as_str(), tray);
            orchard::tray(&mut ledger, photo, place, &tray.to_string(), (40, 0.15));
        }
        for k in 0..3 {
            let photo = orchard::photo(&ledger, b"photograph", &format!("{name}-refused-{k}.jpg"));
            let reason =
                "out of focus: the edges are spread over 6.1 pixels; hold still ".repeat(12);
            orchard::refused(&mut ledger, photo, "BIG", &name, reason.trim());
        }
    }
    for paper in [acinus::print::Paper::A4, acinus::print::Paper::Letter] {
        let made = sheet::make(&ledger, "BIG", &Settings { paper, ..Settings::default() }).unwrap();
        let pdf = dir.path().join("big.pdf");
        fs::write(&pdf, &made.pdf).unwrap();
        assert_eq!(pages(&pdf), 3);
        let text = words(&pdf);
        assert!(text.contains("more: in the attached figures"), "{text}");
        let figures = attached(&made.pdf).unwrap();
        assert_eq!(figures.figures["lots"].as_array().unwrap().len(), 30);
        assert_eq!(figures.photographs.len(), 30 * 7);
    }
}
