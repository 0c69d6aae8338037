//! Everything that reads bytes from elsewhere, one target each: bytes in, no panic, no hang, and what
//! comes out makes sense. `tests/fuzz/main.rs` replays what was found before and tries a few variations;
//! `fuzz/` has libFuzzer look for more.

use std::io::Write as _;
use std::path::Path;

use acinus::colour::patches::MeasuredPatches;
use acinus::ledger::archive::sha256_hex;
use acinus::ledger::canonical::canonical;
use acinus::ledger::chain::{Entry, Head, NO_ENTRY};
use acinus::ledger::tables::{self, Form};
use acinus::ledger::{Ledger, PROGRAM, event::Delivery, exchange};
use acinus::marks::decode::{self, Words};
use acinus::marks::refine::Modules;
use acinus::marks::{MarksSettings, SlipText};
use acinus::pipeline::{self, Settings};
use acinus::profile::Profile;
use acinus::receipt::{self, ReceiptFile};
use acinus::sheet::figures::Figures;
use acinus::stats::{Interval, Level};
use acinus::terms::{self, Counted, Decimal, Delivery as Delivered, Measured};
use acinus::{dossier, photo, report, score, season, sheet, streams};
use serde_json::Value;

use crate::pictures;
use crate::served;

#[path = "../common/orchard.rs"]
pub mod orchard;

/// Looks at some bytes; panics where something is wrong.
pub type Look = Box<dyn Fn(&[u8]) + Send + Sync>;

/// One reader of foreign bytes.
pub struct Target {
    /// Name: of its test, and of its folder in `tests/data/fuzz`.
    pub name: &'static str,
    /// Inputs to begin with.
    pub seeds: fn() -> Vec<Vec<u8>>,
    /// Makes what is needed once, and gives what looks at an input.
    pub begin: fn() -> Look,
    /// Longest input that libFuzzer makes.
    #[allow(dead_code, reason = "`.ci/fuzzer` reads it")]
    pub most_bytes: usize,
    /// Variations that a plain test run tries; fewer where one takes long.
    #[allow(dead_code, reason = "`main.rs` beside this reads it")]
    pub variations: usize,
}

/// All targets.
pub const TARGETS: &[Target] = &[
    target("photo", pictures::files, || Box::new(photograph), 60_000, 60),
    target("exif", pictures::blocks, || Box::new(exif), 4_000, 60),
    target("pipeline", pictures::drawings, pipeline_target, 400, 2),
    target("symbol", symbols, || Box::new(symbol), 1_000, 100),
    target("terms", contracts, || Box::new(contract), 4_000, 400),
    target("patches", patch_files, || Box::new(patches), 1_000, 400),
    target("profile", profiles, profile_target, 200_000, 4),
    target("truth", truths, truth_target, 8_000, 200),
    target("tables", filled_tables, || Box::new(filled_table), 4_000, 400),
    target("ledger", exported, || Box::new(taken_over), 60_000, 15),
    target("receipt", receipts, || Box::new(a_receipt), 30_000, 100),
    target("sheet", sheets, sheet_target, 60_000, 100),
    target("http", served::raw_requests, served::raw, 8_000, 40),
    target("api", served::conversations, served::conversation, 8_000, 8),
];

const fn target(
    name: &'static str,
    seeds: fn() -> Vec<Vec<u8>>,
    begin: fn() -> Look,
    most_bytes: usize,
    variations: usize,
) -> Target {
    Target { name, seeds, begin, most_bytes, variations }
}

fn texts(all: &[&str]) -> Vec<Vec<u8>> {
    all.iter().map(|t| t.as_bytes().to_vec()).collect()
}

// Photographs.

fn photograph(bytes: &[u8]) {
    // Large pictures are decoded too, but would take all the time there is.
    if pictures::pixels_named(bytes) > 2_000_000 {
        return;
    }
    let Ok(read) = photo::decode(bytes) else { return };
    let pixels = u64::from(read.rgb.width()) * u64::from(read.rgb.height());
    assert!((photo::MIN_PIXELS..=photo::MAX_PIXELS).contains(&pixels));
    assert_eq!(read.sha256, sha256_hex(bytes));
    assert!(read.exif.focal_35mm.is_none_or(|f| (1.0..=2000.0).contains(&f)));
}

/// The first byte says where the others go: EXIF block, colour profile, a PNG's EXIF, a TIFF file.
fn exif(bytes: &[u8]) {
    if let Some((place, block)) = bytes.split_first() {
        photograph(&pictures::with_block(*place, block));
    }
}

fn pipeline_target() -> Look {
    let profile = Profile::built_in().unwrap();
    Box::new(move |bytes| read_picture(&pictures::drawn(bytes), &profile))
}

fn read_picture(tiff: &[u8], profile: &Profile) {
    let marks = MarksSettings { px_per_mm: Some(4.0), ..MarksSettings::default() };
    let settings = Settings { marks, force: true, ..Settings::default() };
    let Ok((picture, read)) = pipeline::read_tray("drawn", tiff, profile, &settings) else {
        return;
    };
    assert_eq!(read.labels.count, read.objects.len());
    let all = picture.rgb.width() as usize * picture.rgb.height() as usize;
    assert_eq!(read.labels.labels.len(), all);
    for o in &read.objects {
        assert!(o.mass_g.is_finite() && o.mass_g >= 0.0, "{o:?}");
        assert!(o.measures.area_mm2.is_finite() && o.measures.area_mm2 > 0.0, "{o:?}");
        let sum: f64 = o.probabilities.iter().sum();
        assert!((sum - 1.0).abs() < 1e-6, "{o:?}");
    }
    report::csv::objects_csv(&read.objects).unwrap();
    report::labels::labels_png(&read.labels).unwrap();
}

// What is printed on the marks.

fn symbols() -> Vec<Vec<u8>> {
    let mut all = texts(&["TRAY1 A 18.0 18.0 24.0", "LOAD1 HV-0417 UNSORTED T1", "LOAD1 A B T"]);
    for text in ["TRAY1 B 312.0 18.0 24.0", "LOAD1 HV-0417 SORTED T12"] {
        let code = acinus::print::qr::Symbol::encode(text).unwrap();
        let mut bits = vec![0u8; code.size * code.size / 8 + 1];
        for [x, y, length] in code.runs {
            for at in y * code.size + x..y * code.size + x + length {
                bits[at / 8] |= 1 << (at % 8);
            }
        }
        all.push([vec![(code.size as u8 - 17) / 4], bits].concat());
    }
    all
}

/// A text as a symbol says it; or, after its version, a symbol's modules bit by bit.
fn symbol(bytes: &[u8]) {
    let text = String::from_utf8_lossy(bytes);
    match decode::words(&text) {
        Words::Tile { centre_mm, side_mm, .. } => {
            assert!(centre_mm.iter().all(|v| v.is_finite()) && side_mm > 0.0);
        }
        Words::Slip(slip) => {
            assert!(SlipText::is_word(&slip.load) && SlipText::is_word(&slip.lot));
            assert_eq!(decode::words(&slip.code()), Words::Slip(slip));
        }
        Words::Other(_) => {}
    }
    let Some((&version, bits)) = bytes.split_first() else { return };
    if !(1..=10).contains(&version) {
        return;
    }
    let size = 17 + 4 * usize::from(version);
    let dark: Vec<bool> = (0..size * size)
        .map(|i| bits.get(i / 8).is_some_and(|byte| byte >> (i % 8) & 1 == 1))
        .collect();
    let grey = dark.iter().map(|d| if *d { 30.0 } else { 220.0 }).collect();
    let _ = decode::text(&Modules { size, dark, grey });
}

// Files that people write.

fn contracts() -> Vec<Vec<u8>> {
    texts(&[
        include_str!("../data/fuzz/house.toml"),
        "version = 1\nname = \"x\"\n[[pieces]]\nname = \"leaves\"\nper = \"kg\"\nrefuse_above = 3\n",
    ])
}

fn contract(bytes: &[u8]) {
    let text = String::from_utf8_lossy(bytes);
    let Ok(terms) = terms::check(&text) else { return };
    let _ = terms::remarks(&terms);
    let again = terms::check(&toml::to_string(&terms).unwrap()).unwrap();
    assert_eq!(again, terms);
    let shares = [(0.0, 0.0, 0.02), (0.031, 0.011, 0.077), (1.0, 0.9, 1.0)];
    for (estimate, low, high) in shares {
        let interval = Interval { low, high, level: Level::P95 };
        let measured = Measured { estimate, interval: Some(interval) };
        let counted = |name: &String| Counted { name: name.clone(), pieces: 4, sample_kg: 1.25 };
        let delivery = Delivered {
            net_kg: "12345.5".parse().unwrap(),
            counted: terms.pieces.iter().map(|p| counted(&p.name)).collect(),
            validated: true,
        };
        if let Ok(found) = terms::apply(&terms, &delivery, |_, _| Some(measured)) {
            serde_json::to_string(&found).unwrap();
        }
    }
}

fn patch_files() -> Vec<Vec<u8>> {
    texts(&["[patches]\n122 = [51.2, 0.1, -0.4]\n", "[patches]\n200 = [81, 0, 0]\n55=[22.5,1,1]\n"])
}

fn patches(bytes: &[u8]) {
    if let Ok(text) = std::str::from_utf8(bytes) {
        let _ = MeasuredPatches::from_text("patches.toml", text);
    }
}

fn profiles() -> Vec<Vec<u8>> {
    vec![Profile::built_in().unwrap().to_bytes().unwrap()]
}

fn profile_target() -> Look {
    let picture = pictures::drawn(&pictures::drawings()[0]);
    Box::new(move |bytes| {
        let Ok(profile) = Profile::from_bytes("profile.json", bytes) else { return };
        read_picture(&picture, &profile);
    })
}

fn truths() -> Vec<Vec<u8>> {
    texts(&[include_str!("../data/fuzz/truth.json")])
}

fn truth_target() -> Look {
    let dir = tempfile::tempdir().unwrap();
    Box::new(move |bytes| {
        let photo = dir.path().join("a.jpg");
        std::fs::write(photo.with_extension("json"), bytes).unwrap();
        let _ = score::Truth::beside(&photo);
    })
}

fn filled_tables() -> Vec<Vec<u8>> {
    texts(&[
        "draw,tray,photo,object,human\n12,1,a.jpg,4,sound\n12,1,a.jpg,,debris\n",
        "[{\"draw\":12,\"tray\":1,\"object\":4,\"human\":\"nothing\"}]",
        "tray,variety,sound_percent,shriveled_percent,underripe_percent,debris_percent,sound_g,\
         shriveled_g,underripe_g,debris_g\nA1,Blaufels,91.5,4,3,1.5,412.1,18.3,14,6.2\n",
    ])
}

fn filled_table(bytes: &[u8]) {
    for form in [Form::Csv, Form::Json] {
        if let Ok((_, reviewed)) = tables::answers(bytes, form) {
            assert!(!reviewed.is_empty());
        }
    }
    if let Ok(rows) = tables::hand_sorted(bytes) {
        assert!(rows.iter().all(|r| r.hand_g.iter().all(|g| g.to_f64().is_finite())));
        let trays: Vec<_> = rows
            .iter()
            .map(|r| acinus::load::ValidationTray {
                tray: r.tray.clone(),
                variety: r.variety.clone(),
                program: r.program.map(Decimal::to_f64),
                hand_g: r.hand_g.map(Decimal::to_f64),
            })
            .collect();
        if let Ok(found) = acinus::load::validate(&trays, &trays[0].variety, Level::P95) {
            report::dossier::validations(&[found]);
        }
    }
}

// What comes from another ledger.

/// A ledger with two lots of a load; closed if asked.
fn small_ledger(dir: &Path, closed: bool) -> Ledger {
    let mut ledger = Ledger::open_or_begin(&dir.join("small.sqlite")).unwrap();
    let delivery = Delivery { net_kg: Some("5400".parse().unwrap()), ..Delivery::default() };
    let terms = include_str!("../data/fuzz/house.toml");
    orchard::open(&mut ledger, "HV-1", "Hill", delivery, Some(terms));
    for (number, lot) in [(1, "UNSORTED"), (2, "UNSORTED"), (3, "UNSORTED"), (1, "SORTED")] {
        let name = format!("{lot}{number}.jpg");
        let photo = orchard::photo(&ledger, b"no picture: ", &name);
        let bin = number.to_string();
        orchard::tray(&mut ledger, photo, ("HV-1", lot, number), &bin, (7, 0.3));
    }
    if closed {
        receipt::close(&mut ledger, "HV-1", None, orchard::LAB).unwrap();
    }
    ledger
}

fn exported() -> Vec<Vec<u8>> {
    let mut all = Vec::new();
    for closed in [false, true] {
        let dir = tempfile::tempdir().unwrap();
        let ledger = small_ledger(dir.path(), closed);
        all.push(exchange::to_json(&ledger).unwrap());
        all.push(exchange::entries_csv(&ledger).unwrap());
    }
    all
}

/// The entries with hashes that fit: what a party could make who wants to harm the other.
fn rechained(mut entries: Vec<Entry>) -> Vec<Entry> {
    let mut head: Option<Head> = None;
    for entry in &mut entries {
        let body: Option<Value> = serde_json::from_str(&entry.body).ok();
        if let Some(body) = body.and_then(|b| canonical(&b).ok()) {
            entry.body = body;
        }
        entry.seq = head.as_ref().map_or(0, |h| h.entries) + 1;
        entry.previous = head.map_or_else(|| NO_ENTRY.to_owned(), |h| h.hash);
        entry.hash = sha256_hex(entry.hashed_text().as_bytes());
        head = Some(entry.head());
    }
    entries
}

fn taken_over(bytes: &[u8]) {
    let path = Path::new("other.json");
    let read = match bytes.first() {
        Some(b'{') => exchange::from_json(path, bytes),
        _ => exchange::from_csv(path, bytes),
    };
    let Ok(entries) = read else { return };
    if entries.len() > 40 {
        return;
    }
    let dir = tempfile::tempdir().unwrap();
    let mut ledger = Ledger::open_or_begin(&dir.path().join("own.sqlite")).unwrap();
    // As they came: almost never whole, so nothing may be taken over.
    let _ = ledger.take_over(&entries);
    let entries = rechained(entries);
    // Entry by entry, so that those before a refused one are worked with.
    for n in 1..=entries.len() {
        if ledger.take_over(&entries[..n]).is_err() {
            break;
        }
    }
    work_with(&ledger);
}

/// Everything that is worked out of a ledger without its photographs.
fn work_with(ledger: &Ledger) {
    let found = ledger.verify(None).unwrap();
    assert!(found.faults.iter().all(|f| f.place == "archive"), "{:?}", found.faults);
    for summary in ledger.loads().unwrap() {
        let load = summary.load;
        let receipt = ledger.receipt(&load).unwrap();
        if let Ok(dossier) = dossier::of_load(ledger, &load) {
            report::dossier::text(&dossier, receipt.as_ref());
            report::dossier::json(&dossier, receipt.as_ref()).unwrap();
        }
        let _ = receipt::of_load(ledger, &load).unwrap();
        let lots = dossier::streams_of(ledger, &load).unwrap();
        if let Ok(found) = streams::balance(&lots, &streams::StreamSettings::default()) {
            report::streams::streams(&found);
        }
    }
    let history = ledger.entries(0).unwrap();
    report::dossier::history(&history, None).unwrap();
    let season = season::of_ledger(ledger, &season::SeasonSettings::default()).unwrap();
    report::season::text(&season);
}

fn receipts() -> Vec<Vec<u8>> {
    let dir = tempfile::tempdir().unwrap();
    let ledger = small_ledger(dir.path(), true);
    let file = receipt::of_load(&ledger, "HV-1").unwrap().unwrap();
    vec![serde_json::to_vec(&file).unwrap()]
}

fn a_receipt(bytes: &[u8]) {
    let Ok(mut file) = serde_json::from_slice::<ReceiptFile>(bytes) else { return };
    receipt::check(&file, None, None).unwrap();
    let c = &file.closing;
    let Ok(body) = canonical(&c.body) else { return };
    let mut entry = Entry {
        seq: c.seq,
        form: c.form,
        at: c.at.clone(),
        who: c.who.clone(),
        why: c.why.clone(),
        kind: c.kind.clone(),
        body,
        previous: c.previous.clone(),
        hash: String::new(),
    };
    entry.hash = sha256_hex(entry.hashed_text().as_bytes());
    file.head = entry.hash;
    receipt::check(&file, None, None).unwrap();
}

/// What a sheet holds beside its pages: a packed stream.
fn pdf_with(attached: &[u8]) -> Vec<u8> {
    let mut pack = flate2::write::ZlibEncoder::new(Vec::new(), flate2::Compression::fast());
    pack.write_all(attached).unwrap();
    let stream = pack.finish().unwrap();
    let head = b"%PDF-1.7\n1 0 obj\n<</Filter/FlateDecode>>\nstream\n";
    [&head[..], &stream, b"\nendstream\nendobj\n"].concat()
}

/// Where the ledger stands.
fn now(ledger: &Ledger) -> sheet::figures::At {
    let last = ledger.entries(0).unwrap().pop().unwrap();
    sheet::figures::At { entries: last.seq, head: last.hash, at: last.at }
}

fn sheets() -> Vec<Vec<u8>> {
    let dir = tempfile::tempdir().unwrap();
    let ledger = small_ledger(dir.path(), true);
    let photographs = ledger.load("HV-1").unwrap().lots.into_iter().flat_map(|lot| {
        lot.trays.into_iter().map(move |t| sheet::figures::Photograph {
            lot: Some(lot.lot.clone()),
            tray: Some(t.tray),
            name: t.photo.name,
            sha256: t.photo.sha256,
            state: "counts".to_owned(),
        })
    });
    let figures = Figures {
        schema: sheet::figures::SCHEMA.to_owned(),
        program: PROGRAM.to_owned(),
        load: "HV-1".to_owned(),
        closed: true,
        ledger: now(&ledger),
        settings: sheet::Settings::default(),
        photographs: photographs.collect(),
        figures: dossier::of_load(&ledger, "HV-1").unwrap().recordable().unwrap(),
        diameters: Vec::new(),
        streams: None,
        no_streams: None,
        corrections: Vec::new(),
    };
    let written = serde_json::to_vec(&figures).unwrap();
    vec![pdf_with(&written), written, pdf_with(b"{}")]
}

fn sheet_target() -> Look {
    let dir = tempfile::tempdir().unwrap();
    let ledger = small_ledger(dir.path(), true);
    let now = now(&ledger);
    let kept = std::sync::Mutex::new((ledger, dir));
    Box::new(move |bytes| {
        let (ledger, _) = &*kept.lock().unwrap();
        let _ = sheet::verify::verify(bytes, ledger);
        // The figures alone, so that one byte in them needs no packing before it is read.
        let _ = sheet::verify::verify(&pdf_with(bytes), ledger);
        // And of this very ledger, so that all is compared. Its photographs are no pictures: no sheet
        // shows them, whatever the figures say.
        let Ok(mut own) = serde_json::from_slice::<Figures>(bytes) else { return };
        own.ledger = now.clone();
        let written = serde_json::to_vec(&own).unwrap();
        if let Ok(found) = sheet::verify::verify(&pdf_with(&written), ledger) {
            let pages = found.checked.iter().filter(|c| c.words.contains("to the last byte"));
            assert_eq!(pages.count(), 0, "{found:?}");
        }
    })
}
