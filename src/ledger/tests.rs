//! The ledger as a whole: rules, tampering, exchange, migration. The kill test is in
//! `tests/ledger.rs`.

use std::path::PathBuf;

use rusqlite::Connection;

use super::event::*;
use super::object::{FIELD_NAMES, FIELDS, RecordedObject};
use super::*;
use crate::classify::Class;
use crate::load::Seen;
use crate::terms::Decimal;

pub(crate) const LAB: Signed<'static> = Signed { who: "lab", why: None };

fn because(why: &str) -> Signed<'_> {
    Signed { who: "lab", why: Some(why) }
}

struct Folder {
    dir: tempfile::TempDir,
}

impl Folder {
    fn new() -> Folder {
        Folder { dir: tempfile::tempdir().unwrap() }
    }

    fn file(&self) -> PathBuf {
        self.dir.path().join("cellar.sqlite")
    }

    fn ledger(&self) -> Ledger {
        let clock = || "2026-09-18T05:00:00Z".to_owned();
        Ledger::open_or_begin_with_clock(&self.file(), clock).unwrap()
    }

    /// The file as another program sees it, with nothing in the way.
    fn raw(&self) -> Connection {
        let db = Connection::open(self.file()).unwrap();
        db.execute_batch("PRAGMA synchronous = OFF; PRAGMA foreign_keys = OFF; PRAGMA ignore_check_constraints = ON;")
            .unwrap();
        db
    }
}

fn d(text: &str) -> Decimal {
    text.parse().unwrap()
}

pub(crate) fn opened(load: &str) -> LoadOpened {
    LoadOpened {
        load: load.into(),
        grower: "Hill Vineyard".into(),
        block: Some("Upper terrace".into()),
        variety: Some("Blue Portugal".into()),
        bins: Some(8),
    }
}

const TERMS: &str = "version = 1\nname = \"House terms\"\n[[rule]]\nname = \"rejects\"\n\
                     of = [\"rejects\"]\nfree_percent = 2\ndeduct_per_point = 1\n";

fn terms(load: &str) -> TermsFixed {
    TermsFixed { load: load.into(), name: "House terms".into(), text: TERMS.into() }
}

pub(crate) fn objects(count: u32, seed: u64) -> Vec<RecordedObject> {
    let mut random = crate::stats::SplitMix64::new(seed);
    (1..=count)
        .map(|object| {
            let class = match random.below(20) {
                0 => Some(Class::Shriveled),
                1 => Some(Class::Underripe),
                2 => Some(Class::Debris),
                3 => None,
                _ => Some(Class::Sound),
            };
            let mut values: [Option<i64>; FIELDS] =
                std::array::from_fn(|_| Some(1 + random.below(200_000) as i64));
            values[..4].copy_from_slice(&[Some(970_000), Some(10_000), Some(10_000), Some(10_000)]);
            RecordedObject { object, class, values }
        })
        .collect()
}

/// A tray whose photograph and outlines are made up and kept.
pub(crate) fn tray(
    ledger: &Ledger,
    load: &str,
    lot: &str,
    number: u32,
    count: u32,
) -> TrayRecorded {
    let bytes = format!("photograph of {load} {lot} {number} {count}");
    let outlines = ledger.archive().keep(format!("outlines {bytes}").as_bytes()).unwrap();
    TrayRecorded {
        load: load.into(),
        lot: lot.into(),
        tray: number,
        bin: Some(number.to_string()),
        photo: photo(ledger, &bytes),
        outlines: Some(outlines),
        fruit: "black".into(),
        profile: "built-in".into(),
        program: PROGRAM.into(),
        scale_mpx_per_mm: 7_780,
        forced: false,
        retake: false,
        told: vec![Told { weight: "caution".into(), words: "a shadow".into() }],
        fields: FIELD_NAMES.iter().map(|n| (*n).to_owned()).collect(),
        objects: objects(count, u64::from(number) + u64::from(count)),
    }
}

fn photo(ledger: &Ledger, bytes: &str) -> PhotoKept {
    let sha256 = ledger.archive().keep(bytes.as_bytes()).unwrap();
    PhotoKept {
        sha256,
        bytes: bytes.len() as u64,
        name: "tray.jpg".into(),
        taken: Some("2026:09:18 07:42:10".into()),
    }
}

fn refused(ledger: &Ledger, bytes: &str) -> PhotoRefused {
    PhotoRefused {
        load: Some("HV-0417".into()),
        lot: Some("UNSORTED".into()),
        tray: Some(1),
        photo: photo(ledger, bytes),
        reason: "out of focus".into(),
    }
}

fn plan() -> PlanFixed {
    let tray = |tray: u32| PlannedTray {
        tray,
        bin: tray.to_string(),
        depths: vec!["top".into(), "bottom".into()],
    };
    PlanFixed {
        load: "HV-0417".into(),
        lot: "UNSORTED".into(),
        seed: u64::MAX.to_string(),
        bins: 8,
        expected_share: d("0.05"),
        half_width: d("0.02"),
        confidence: d("0.95"),
        design_effect: d("2"),
        trays: (1..=3).map(tray).collect(),
        extra: vec![tray(4)],
    }
}

/// A ledger in which every kind of thing was said and every table has a row.
fn full(folder: &Folder) -> Ledger {
    let mut ledger = folder.ledger();
    let delivery = Delivery {
        ticket: Some("W 1182".into()),
        gross_kg: Some(d("14200.5")),
        truck_tare_kg: Some(d("2250")),
        bin_tare_kg: Some(d("500")),
        net_kg: Some(d("11450.5")),
        picked: Some("2026-09-18T05:10".into()),
        received: Some("2026-09-18T06:40".into()),
        sampled: Some("2026-09-18T06:55".into()),
        picking: Some(Picking::Machine),
        destemmed: Some(false),
        sampling_point: Some(SamplingPoint::Bin),
        fruit_celsius: Some(d("14.5")),
        wet: Some(Wetness::Dew),
        free_juice: Some(FreeJuice::Some),
        bins_kg: [("1".to_owned(), d("480")), ("2".to_owned(), d("510.5"))].into(),
    };
    let (load, lot) = ("HV-0417".to_owned(), "UNSORTED".to_owned());
    ledger.open_load(opened(&load), delivery, Some(terms(&load)), LAB).unwrap();
    ledger.say_one(Event::PlanFixed(plan()), LAB).unwrap();
    let described = LotDescribed {
        load: load.clone(),
        lot: "SORTED".into(),
        sampling_point: SamplingPoint::AfterDestemmer,
    };
    ledger.say_one(Event::LotDescribed(described), LAB).unwrap();
    ledger.refuse_photo(refused(&ledger, "blurred"), LAB).unwrap();
    for number in 1..=3 {
        ledger.record_tray(tray(&ledger, &load, &lot, number, 12), LAB).unwrap();
    }
    let retake = TrayRecorded { retake: true, ..tray(&ledger, &load, &lot, 2, 13) };
    ledger.record_tray(retake, because("a leaf lay over it")).unwrap();
    let corrected = ObjectCorrected {
        load: load.clone(),
        lot: lot.clone(),
        tray: 1,
        object: 3,
        class: Some(Class::Debris),
        confirmed: false,
    };
    ledger.correct_object(corrected, because("a stone")).unwrap();
    let drawn = vec![(1, 1), (2, 13), (3, 5)];
    let draw = ReviewDrawn {
        load: load.clone(),
        lot: lot.clone(),
        seed: "7".into(),
        of: 37,
        objects: drawn.clone(),
    };
    let draw = ledger.say_one(Event::ReviewDrawn(draw), LAB).unwrap().entries;
    let mut reviewed: Vec<Reviewed> = drawn
        .iter()
        .map(|&(tray, object)| Reviewed {
            tray,
            object: Some(object),
            human: Seen::Class(Class::Sound),
        })
        .collect();
    reviewed.push(Reviewed { tray: 1, object: None, human: Seen::Class(Class::Debris) });
    let review = ReviewRecorded { load: load.clone(), lot: lot.clone(), draw, reviewed };
    ledger.say_one(Event::ReviewRecorded(review), LAB).unwrap();
    let weighed = TrayWeighed {
        load: load.clone(),
        lot: lot.clone(),
        tray: 1,
        weighed_g: Some(d("212.4")),
        class_g: [Some(d("200")), Some(d("4.1")), Some(d("7.3")), Some(d("0.98"))],
    };
    ledger.say_one(Event::TrayWeighed(weighed), LAB).unwrap();
    let coarse = CoarseWeighed {
        load: load.clone(),
        lot: lot.clone(),
        coarse_kg: d("0.18"),
        increment_kg: d("12"),
        pieces: 9,
    };
    ledger.say_one(Event::CoarseWeighed(coarse), LAB).unwrap();
    let counted =
        PiecesCounted { load: load.clone(), name: "stones".into(), pieces: 2, sample_kg: d("6.5") };
    ledger.say_one(Event::PiecesCounted(counted), LAB).unwrap();
    let first_tray = ledger.load(&load).unwrap().lots[1].trays[0].recorded.entry;
    let fit = MassFitted {
        profile: "built-in".into(),
        trays: vec![first_tray],
        coefficients: [d("1.02"), d("0.97"), d("1"), d("1.4")],
        standard_deviations: [d("0.03"), d("0.1"), d("0.1"), d("0.2")],
    };
    ledger.say_one(Event::MassFitted(fit), LAB).unwrap();
    let sorted = HandSorted {
        variety: "Blue Portugal".into(),
        tray: "v1".into(),
        program: [d("0.9"), d("0.05"), d("0.03"), d("0.02")],
        hand_g: [d("190"), d("10"), d("7"), d("3.5")],
    };
    ledger.say_one(Event::HandSorted(sorted), LAB).unwrap();
    let closed = LoadClosed {
        load,
        outcome: Some("accept".into()),
        figures: serde_json::json!({"rejects": "0.0512"}),
        sealed: None,
    };
    ledger.close_load(closed, LAB).unwrap();
    by_hand(&mut ledger);
    ledger
}

/// A second load: everything that the workbench says.
fn by_hand(ledger: &mut Ledger) {
    let (load, lot) = ("HV-0418".to_owned(), "UNSORTED".to_owned());
    ledger.open_load(opened(&load), Delivery::default(), None, LAB).unwrap();
    let recorded = ledger.record_tray(tray(ledger, &load, &lot, 1, 9), LAB).unwrap().entries;
    let looked = because("by eye");
    let tag = |tags: &[&str]| {
        let tags = tags.iter().map(|t| (*t).to_owned()).collect();
        let (load, lot) = (load.clone(), lot.clone());
        Event::ObjectTagged(ObjectTagged { load, lot, tray: 1, object: 2, tags })
    };
    ledger.say_one(split(&load, 1, 4, 10, Some("shriveled")), looked).unwrap();
    ledger.say_one(tag(&["rot-or-mould"]), looked).unwrap();
    let head = ledger.say_one(tag(&["split", "hail"]), looked).unwrap();
    let back = |edit| EditTakenBack { load: load.clone(), lot: lot.clone(), tray: 1, edit };
    ledger.say_one(Event::EditTakenBack(back(head.entries)), looked).unwrap();
    ledger.say_one(Event::EditDoneAgain(back(head.entries)), looked).unwrap();
    ledger.say_one(Event::EditTakenBack(back(head.entries)), looked).unwrap();
    let whole = begin_parties(ledger, &load, 3).unwrap();
    for party in [Party::Grower, Party::Winery] {
        judge_and_finish(ledger, &load, whole, party, &[(1, Seen::Class(Class::Sound))]);
    }
    let accept = |party, review| {
        let (load, lot, figures) = (load.clone(), lot.clone(), "0".repeat(64));
        Event::PartyAccepted(PartyAccepted { load, lot, review, party, figures })
    };
    ledger.say_one(accept(Party::Grower, whole), LAB).unwrap();
    ledger.say_one(accept(Party::Winery, whole), LAB).unwrap();
    let second = begin_parties(ledger, &load, 5).unwrap();
    judge_and_finish(ledger, &load, second, Party::Grower, &[(1, Seen::Nothing)]);
    judge_and_finish(ledger, &load, second, Party::Winery, &[(1, Seen::Unassigned)]);
    let settled = DifferencesSettled {
        load: load.clone(),
        lot: lot.clone(),
        review: second,
        settled: vec![Settlement { tray: 1, object: 1, human: Seen::Class(Class::Debris) }],
    };
    ledger.say_one(Event::DifferencesSettled(settled), LAB).unwrap();
    let (l, o, review) = (load.clone(), lot.clone(), second);
    let refused = PartyRefused { load: l, lot: o, review, party: Party::Winery };
    ledger.say_one(Event::PartyRefused(refused), because("another scale")).unwrap();
    let review = begin_parties(ledger, &load, 2).unwrap();
    let gave_up = PartiesGaveUp { load: load.clone(), lot: lot.clone(), review };
    ledger.say_one(Event::PartiesGaveUp(gave_up), because("rain")).unwrap();
    let profile = ledger.archive().keep(b"a profile").unwrap();
    let decided = ProfileDecided {
        profile: "Blue Portugal".into(),
        sha256: profile,
        adopted: true,
        trays: vec![recorded],
        figures: serde_json::json!({"accuracy": "0.97"}),
    };
    ledger.say_one(Event::ProfileDecided(decided), LAB).unwrap();
    let closed = LoadClosed {
        load,
        outcome: None,
        figures: serde_json::json!({}),
        sealed: Some(serde_json::json!({"seeds": ["7"]})),
    };
    let receipt = ledger.close_load(closed, LAB).unwrap();
    let issued = |sha256: &str, as_of| {
        let (load, head) = ("HV-0418".to_owned(), receipt.head.clone());
        Event::SheetIssued(SheetIssued {
            load,
            sha256: sha256.repeat(64),
            bytes: 4096,
            as_of,
            head,
        })
    };
    ledger.say_one(issued("a", receipt.entries), LAB).unwrap();
    ledger.say_one(issued("b", receipt.entries), LAB).unwrap();
    let again = ledger.say_one(issued("a", receipt.entries), LAB).unwrap_err();
    assert!(again.to_string().contains("was issued before"), "{again}");
    let other = ledger.say_one(issued("c", receipt.entries - 1), LAB).unwrap_err();
    assert!(other.to_string().contains("close HV-0418 first"), "{other}");
}

/// Object `gone` becomes two, `first` and the next.
fn split(load: &str, tray: u32, gone: u32, first: u32, given: Option<&str>) -> Event {
    let mut come = objects(2, 77);
    for (i, object) in come.iter_mut().enumerate() {
        object.object = first + i as u32;
    }
    let outline = |object| Outline { object, runs: vec![object, 5, 3, object + 1, 5, 2] };
    Event::OutlinesChanged(OutlinesChanged {
        load: load.into(),
        lot: "UNSORTED".into(),
        tray,
        action: "split".into(),
        gone: vec![gone],
        profile: "built-in".into(),
        program: PROGRAM.into(),
        fields: FIELD_NAMES.iter().map(|n| (*n).to_owned()).collect(),
        outlines: come.iter().map(|o| outline(o.object)).collect(),
        come,
        given: given.map(str::to_owned),
    })
}

/// Begins a review of the first objects of the tray.
fn begin_parties(ledger: &mut Ledger, load: &str, count: usize) -> Result<u64, LedgerError> {
    let lot = "UNSORTED".to_owned();
    let record = ledger.load(load)?;
    let own = record.lots.iter().find(|l| l.lot == lot);
    let all = own.map_or_else(Vec::new, |l| l.trays[0].objects.clone());
    let (load, of) = (load.to_owned(), all.len() as u64);
    let objects = all.iter().take(count).map(|o| (1, o.object)).collect();
    let drawn = ReviewDrawn { load: load.clone(), lot: lot.clone(), seed: "7".into(), of, objects };
    let draw = ledger.say_one(Event::ReviewDrawn(drawn), LAB)?.entries;
    let (grower, winery) = ("Hill Vineyard".into(), "Cellar".into());
    let begun = PartiesBegun { load, lot, draw, whole: count == all.len(), grower, winery };
    Ok(ledger.say_one(Event::PartiesBegun(begun), LAB)?.entries)
}

/// One party says sound to all drawn objects but those named.
fn judge_and_finish(
    ledger: &mut Ledger,
    load: &str,
    review: u64,
    party: Party,
    but: &[(u32, Seen)],
) {
    let record = ledger.load(load).unwrap();
    let mut parties = record.lots.iter().flat_map(|l| &l.parties);
    let parties = parties.find(|p| p.begun.entry == review).unwrap();
    let judged = parties.draw.objects.iter().map(|&(_, tray, object)| {
        let other = but.iter().find(|b| b.0 == object);
        let human = other.map_or(Seen::Class(Class::Sound), |b| b.1);
        Judged { tray, object, human, tags: vec!["sunburnt".into()] }
    });
    let (load, lot) = (load.to_owned(), "UNSORTED".to_owned());
    let judged = judged.collect();
    let said = PartyJudged { load: load.clone(), lot: lot.clone(), review, party, judged };
    ledger.say_one(Event::PartyJudged(said), LAB).unwrap();
    let finished = PartyFinished { load, lot, review, party };
    ledger.say_one(Event::PartyFinished(finished), LAB).unwrap();
}

fn faults(ledger: &Ledger, expected: Option<&Head>) -> Vec<Fault> {
    ledger.verify(expected).unwrap().faults
}

/// Entries stand in the order in which they were said, whatever the machine's clock says.
#[test]
fn a_clock_that_was_set_back_changes_no_order() {
    let folder = Folder::new();
    let clocks: [clock::Clock; 3] = [
        || "2026-09-18T05:00:00Z".to_owned(),
        || "1970-01-01T00:00:00Z".to_owned(),
        || "2026-09-17T05:00:00Z".to_owned(),
    ];
    for (i, clock) in clocks.into_iter().enumerate() {
        let mut ledger = Ledger::open_or_begin_with_clock(&folder.file(), clock).unwrap();
        ledger.open_load(opened(&format!("L-{i}")), Delivery::default(), None, LAB).unwrap();
    }
    let ledger = Ledger::open(&folder.file()).unwrap();
    assert_eq!(ledger.verify(None).unwrap().faults, []);
    let said: Vec<String> = ledger.entries(1).unwrap().into_iter().map(|e| e.at).collect();
    assert_eq!(said, clocks.map(|clock| clock()));
}

#[test]
fn a_whole_ledger_verifies_and_reads_back() {
    let folder = Folder::new();
    let ledger = full(&folder);
    let head = ledger.head().unwrap();
    let found = ledger.verify(Some(&head)).unwrap();
    assert_eq!(found.faults, []);
    assert_eq!(found.head, head);
    // Five trays' photographs and outlines, the refused one and a profile.
    assert_eq!(found.files, 12);
    drop(ledger);
    let ledger = Ledger::open(&folder.file()).unwrap();
    let load = ledger.load("HV-0417").unwrap();
    assert_eq!((load.grower.as_str(), load.bins), ("Hill Vineyard", Some(8)));
    assert_eq!(load.delivery.net_kg, Some(d("11450.5")));
    assert_eq!(load.delivery.bins_kg.len(), 2);
    let [sorted, unsorted] = &load.lots[..] else { panic!("{}", load.lots.len()) };
    assert_eq!(sorted.sampling_point, Some(SamplingPoint::AfterDestemmer));
    assert_eq!(unsorted.plan.as_ref().unwrap().0, plan());
    assert_eq!(unsorted.trays.len(), 3);
    // The retaken tray counts once, with the second photograph.
    assert_eq!(unsorted.trays[1].objects.len(), 13);
    assert_eq!(unsorted.replaced.len(), 1);
    assert_eq!(unsorted.replaced[0].retaken.why.as_deref(), Some("a leaf lay over it"));
    let stone = &unsorted.trays[0].objects[2];
    assert_eq!((stone.item.class, stone.corrected.is_some()), (Some(Class::Debris), true));
    let said = objects(12, 13);
    for (kept, said) in unsorted.trays[0].objects.iter().zip(&said) {
        assert_eq!(kept.read, said.class);
        assert_eq!(kept.item.mass_g, said.item().mass_g);
        assert_eq!(kept.item.area_mm2, said.item().area_mm2);
        assert_eq!(kept.item.equivalent_diameter_mm, said.item().equivalent_diameter_mm);
    }
    assert_eq!(unsorted.trays[0].weighing.unwrap().weighed_g, Some(d("212.4")));
    assert_eq!(unsorted.draws[0].reviewed.as_ref().unwrap().1.len(), 4);
    assert_eq!(load.refused.len(), 1);
    assert_eq!(load.verdict.as_deref(), Some("{\"rejects\":\"0.0512\"}"));
    assert_eq!(ledger.mass_fit("built-in", u64::MAX).unwrap().unwrap().coefficients[3], d("1.4"));
    assert_eq!(ledger.hand_sorts(Some("Blue Portugal"), u64::MAX).unwrap().len(), 1);
    let list = ledger.loads().unwrap();
    assert_eq!((list[0].trays, list[0].objects, list[0].planned), (3, 37, Some(3)));
    // After the close only its two sheets were issued.
    assert_eq!(ledger.receipt("HV-0418").unwrap().unwrap().entries, head.entries - 2);
}

/// Every cell of every table, changed by hand, must be found.
#[test]
fn a_change_in_any_column_of_any_table_is_found() {
    let folder = Folder::new();
    drop(full(&folder));
    let whole = std::fs::read(folder.file()).unwrap();
    let names: Vec<String> = {
        let db = folder.raw();
        let mut statement = db
            .prepare(
                "SELECT name FROM sqlite_schema WHERE type = 'table' AND name NOT LIKE 'sqlite%'",
            )
            .unwrap();
        let names = statement.query_map([], |r| r.get(0)).unwrap();
        names.map(Result::unwrap).collect()
    };
    assert!(names.len() > 20);
    let mut changed = 0;
    for table in &names {
        let columns: Vec<(String, String)> = {
            let db = folder.raw();
            let mut s = db.prepare("SELECT name, type FROM pragma_table_info(?1)").unwrap();
            let rows = s.query_map([table], |r| Ok((r.get(0)?, r.get(1)?))).unwrap();
            rows.map(Result::unwrap).collect()
        };
        for (column, kind) in &columns {
            std::fs::write(folder.file(), &whole).unwrap();
            let db = folder.raw();
            db.execute_batch("DROP TRIGGER entry_stays; DROP TRIGGER entry_is_kept;").unwrap();
            let new = match kind.as_str() {
                "INTEGER" => "coalesce(\"X\", 0) + 1000",
                _ => "coalesce(\"X\", '') || '0'",
            };
            let new = new.replace('X', column);
            // The last row: a change to the first of them is no easier to find.
            let key = if table == "entry" { "seq" } else { &columns[0].0 };
            let sql = format!(
                "UPDATE \"{table}\" SET \"{column}\" = {new} WHERE \"{key}\" = (SELECT max(\"{key}\") FROM \"{table}\")"
            );
            let rows = db.execute(&sql, []);
            // One row of a key with several columns may be in the way of another: then one at a time.
            let rows = rows.or_else(|_| {
                db.execute(&format!("{sql} AND rowid = 1"), []).or_else(|_| {
                    db.execute(
                        &format!(
                            "{sql} AND \"{}\" = (SELECT max(\"{}\") FROM \"{table}\")",
                            columns[1].0, columns[1].0
                        ),
                        [],
                    )
                })
            });
            assert!(rows.unwrap() > 0, "{table}.{column}");
            // The triggers come back as they were, so that only the cell can be found.
            let history = include_str!("sqlite/history.sql");
            db.execute_batch(&history[history.find("CREATE TRIGGER").unwrap()..]).unwrap();
            drop(db);
            let found = faults(&Ledger::open(&folder.file()).unwrap(), None);
            let place =
                if table == "entry" { "entry ".to_owned() } else { format!("table {table}") };
            assert!(
                found.iter().any(|f| f.place.starts_with(&place)),
                "{table}.{column}: {found:?}"
            );
            changed += 1;
        }
        // A row cut out, and a table without triggers.
        std::fs::write(folder.file(), &whole).unwrap();
        let db = folder.raw();
        db.execute_batch("DROP TRIGGER entry_is_kept;").unwrap();
        db.execute(&format!("DELETE FROM \"{table}\""), []).unwrap();
        drop(db);
        let found = Ledger::open(&folder.file()).map(|l| faults(&l, None));
        assert!(found.is_ok_and(|f| f.len() > 1), "{table} emptied");
    }
    assert!(changed > 150, "{changed}");
    // A row put in, and a table that does not belong.
    for sql in [
        "INSERT INTO grower (name, entry) VALUES ('Nobody', 2)",
        "CREATE TABLE other (x)",
        "DROP INDEX tray_that_counts",
    ] {
        std::fs::write(folder.file(), &whole).unwrap();
        folder.raw().execute_batch(sql).unwrap();
        assert_eq!(faults(&Ledger::open(&folder.file()).unwrap(), None).len(), 1, "{sql}");
    }
    std::fs::write(folder.file(), &whole).unwrap();
    assert_eq!(faults(&Ledger::open(&folder.file()).unwrap(), None), []);
}

#[test]
fn entries_resist_the_plain_change() {
    let folder = Folder::new();
    drop(full(&folder));
    let db = folder.raw();
    for sql in ["UPDATE entry SET who = 'x'", "DELETE FROM entry WHERE seq = 5"] {
        let error = db.execute(sql, []).unwrap_err().to_string();
        assert!(error.contains("entries are never"), "{error}");
    }
    db.execute_batch("DROP TRIGGER entry_stays").unwrap();
    drop(db);
    let found = faults(&Ledger::open(&folder.file()).unwrap(), None);
    assert_eq!(found[0].place, "trigger entry_stays");
}

/// What the receipt is for: a history that holds by itself but is not the one handed out.
#[test]
fn a_cut_tail_and_a_rewritten_chain_are_found_by_the_receipt() {
    let folder = Folder::new();
    let ledger = full(&folder);
    let receipt = ledger.head().unwrap();
    let all = ledger.entries(0).unwrap();
    let rebuilt = |entries: &[chain::Entry]| {
        let other = Folder::new();
        let mut copy = other.ledger();
        copy.take_over(entries).unwrap();
        for sha256 in ledger_files(&ledger) {
            let bytes = ledger.archive().read(&sha256).unwrap();
            copy.archive().keep(&bytes).unwrap();
        }
        (faults(&copy, None), faults(&copy, Some(&receipt)), other)
    };
    let (alone, against, _folder) = rebuilt(&all);
    assert!(alone.is_empty() && against.is_empty(), "{against:?}");
    let (alone, against, _folder) = rebuilt(&all[..all.len() - 1]);
    assert_eq!(alone, []);
    assert!(against[0].what.contains("the end was cut off"), "{against:?}");
    // The same history with another weight, every hash made anew.
    let mut rewritten: Vec<chain::Entry> = Vec::new();
    for entry in &all {
        let mut event = entry.event().unwrap();
        if let Event::TrayWeighed(e) = &mut event {
            e.weighed_g = Some(d("213.4"));
        }
        if let Event::SheetIssued(e) = &mut event {
            e.head.clone_from(&rewritten[e.as_of as usize - 1].hash);
        }
        let before = rewritten.last().map(chain::Entry::head);
        let (at, who, why) = (entry.at.clone(), entry.who.clone(), entry.why.clone());
        rewritten.push(chain::Entry::next(before.as_ref(), at, who, why, &event).unwrap());
    }
    let (alone, against, _folder) = rebuilt(&rewritten);
    assert_eq!(alone, []);
    assert!(against[0].what.contains("the history was rewritten"), "{against:?}");
    // Entries after the receipt are no fault.
    let mut ledger = ledger;
    ledger.open_load(opened("HV-0500"), Delivery::default(), None, LAB).unwrap();
    assert_eq!(faults(&ledger, Some(&receipt)), []);
}

fn ledger_files(ledger: &Ledger) -> Vec<String> {
    let mut files = Vec::new();
    for entry in ledger.entries(0).unwrap() {
        match entry.event().unwrap() {
            Event::TrayRecorded(e) => {
                files.push(e.photo.sha256);
                files.extend(e.outlines);
            }
            Event::PhotoRefused(e) => files.push(e.photo.sha256),
            Event::ProfileDecided(e) => files.push(e.sha256),
            _ => {}
        }
    }
    files
}

#[test]
fn files_of_the_archive_are_looked_after() {
    let folder = Folder::new();
    let mut ledger = full(&folder);
    let files = ledger_files(&ledger);
    std::fs::remove_file(ledger.archive().path(&files[0])).unwrap();
    std::fs::write(ledger.archive().path(&files[1]), b"other").unwrap();
    let found = faults(&ledger, None);
    assert_eq!(found.len(), 2, "{found:?}");
    assert!(found.iter().any(|f| f.what.ends_with("the file is missing")));
    assert!(found.iter().any(|f| f.what.ends_with("the file's bytes were changed")));
    // A tray whose photograph is not kept is not recorded.
    ledger.open_load(opened("HV-0500"), Delivery::default(), None, LAB).unwrap();
    let mut unkept = tray(&ledger, "HV-0500", "UNSORTED", 1, 3);
    unkept.photo.sha256 = "0".repeat(64);
    assert!(matches!(ledger.record_tray(unkept, LAB), Err(LedgerError::Archive { .. })));
}

#[test]
fn rules() {
    let folder = Folder::new();
    let mut ledger = folder.ledger();
    let refusal = |result: Result<Head, LedgerError>| match result {
        Err(LedgerError::Refused(refusal)) => refusal,
        other => panic!("{other:?}"),
    };
    let none = Delivery::default;
    let load = "HV-0417";
    let unknown = ledger.record_tray(tray(&ledger, load, "UNSORTED", 1, 5), LAB);
    assert!(matches!(refusal(unknown), Refusal::UnknownLoad(_)));
    ledger.open_load(opened(load), none(), None, LAB).unwrap();
    let again = ledger.open_load(opened(load), none(), None, LAB);
    assert!(matches!(refusal(again), Refusal::LoadExists(_)));
    for bad in ["", " HV", "a\nb"] {
        let named = ledger.open_load(opened(bad), none(), None, LAB);
        assert!(matches!(refusal(named), Refusal::Name { .. }), "{bad:?}");
    }
    let nobody = Signed { who: " ", why: None };
    let unsigned = ledger.open_load(opened("X"), none(), None, nobody);
    assert!(matches!(refusal(unsigned), Refusal::Who));

    // Delivery: masses must agree; what changes needs a reason, what is new does not.
    let mut delivery = Delivery {
        gross_kg: Some(d("14200")),
        truck_tare_kg: Some(d("2250")),
        bin_tare_kg: Some(d("500")),
        net_kg: Some(d("11460")),
        ..none()
    };
    let said = |delivery: &Delivery| {
        let (load, delivery) = (load.to_owned(), delivery.clone());
        Event::DeliveryRecorded(DeliveryRecorded { load, delivery })
    };
    let wrong = refusal(ledger.say_one(said(&delivery), LAB));
    assert_eq!(
        wrong.to_string(),
        "load HV-0417: gross 14200 kg less tares 2750 kg is 11450 kg, not the net 11460 kg; correct one of them"
    );
    delivery.net_kg = Some(d("11450"));
    ledger.say_one(said(&delivery), LAB).unwrap();
    delivery.ticket = Some("W 1182".into());
    ledger.say_one(said(&delivery), LAB).unwrap();
    delivery.ticket = Some("W 1183".into());
    let silent = refusal(ledger.say_one(said(&delivery), LAB));
    assert!(matches!(silent, Refusal::NeedsWhy { ref what, .. } if what == "the ticket"));
    ledger.say_one(said(&delivery), because("misread")).unwrap();
    delivery.received = Some("yesterday".into());
    assert!(matches!(refusal(ledger.say_one(said(&delivery), LAB)), Refusal::Time { .. }));

    // Terms and plan before the first tray.
    let bad_terms = TermsFixed { text: "version = 2".into(), ..terms(load) };
    let bad = refusal(ledger.say_one(Event::TermsFixed(bad_terms), LAB));
    assert!(matches!(bad, Refusal::Terms { .. }));
    ledger.say_one(Event::TermsFixed(terms(load)), LAB).unwrap();
    let twice = refusal(ledger.say_one(Event::TermsFixed(terms(load)), LAB));
    assert!(matches!(twice, Refusal::NeedsWhy { .. }));
    ledger.say_one(Event::PlanFixed(plan()), LAB).unwrap();
    ledger.record_tray(tray(&ledger, load, "UNSORTED", 1, 5), LAB).unwrap();
    let late = refusal(ledger.say_one(Event::TermsFixed(terms(load)), because("forgot")));
    assert!(matches!(late, Refusal::TermsAfterTray { trays: 1, .. }));
    let late = refusal(ledger.say_one(Event::PlanFixed(plan()), because("forgot")));
    assert!(matches!(late, Refusal::PlanAfterTray { trays: 1, .. }));

    // One photograph once; one tray once unless retaken.
    let same = ledger.record_tray(tray(&ledger, load, "UNSORTED", 1, 5), LAB);
    assert!(same.as_ref().unwrap_err().is_photo_known(), "{same:?}");
    let second = tray(&ledger, load, "UNSORTED", 1, 6);
    let silent = refusal(ledger.record_tray(second.clone(), because("better")));
    assert!(matches!(silent, Refusal::TrayExists { tray: 1, .. }));
    let retake = TrayRecorded { retake: true, ..second };
    let unexplained = refusal(ledger.record_tray(retake.clone(), LAB));
    assert!(matches!(unexplained, Refusal::NeedsWhy { .. }));
    ledger.record_tray(retake, because("blurred")).unwrap();
    let nothing = TrayRecorded { retake: true, ..tray(&ledger, load, "UNSORTED", 2, 5) };
    let nothing = refusal(ledger.record_tray(nothing, because("x")));
    assert!(matches!(nothing, Refusal::NothingToRetake { tray: 2, .. }));
    let elsewhere = TrayRecorded { bin: Some("7".into()), ..tray(&ledger, load, "UNSORTED", 2, 5) };
    let planned = refusal(ledger.record_tray(elsewhere.clone(), LAB));
    assert!(matches!(planned, Refusal::OtherBin { .. }));
    ledger.record_tray(elsewhere, because("bin 2 was emptied")).unwrap();
    let mut gaps = tray(&ledger, load, "UNSORTED", 3, 5);
    gaps.objects.remove(2);
    assert!(matches!(refusal(ledger.record_tray(gaps, LAB)), Refusal::Objects));

    // A refused photograph once, and forced into a tray later.
    ledger.refuse_photo(refused(&ledger, "dark"), LAB).unwrap();
    assert!(ledger.refuse_photo(refused(&ledger, "dark"), LAB).unwrap_err().is_photo_known());
    let forced = TrayRecorded {
        forced: true,
        photo: photo(&ledger, "dark"),
        ..tray(&ledger, load, "UNSORTED", 3, 5)
    };
    ledger.record_tray(forced, LAB).unwrap();

    // Corrections.
    let correct = |object, class| ObjectCorrected {
        confirmed: false,
        load: load.into(),
        lot: "UNSORTED".into(),
        tray: 1,
        object,
        class,
    };
    let beyond = ledger.correct_object(correct(99, None), because("x"));
    assert!(matches!(refusal(beyond), Refusal::UnknownObject { object: 99, .. }));
    let now = ledger.load(load).unwrap().lots[0].trays[0].objects[0].item.class;
    let same = ledger.correct_object(correct(1, now), because("x"));
    assert!(matches!(refusal(same), Refusal::SameClass { .. }));
    let other = if now == Some(Class::Debris) { None } else { Some(Class::Debris) };
    assert!(matches!(
        refusal(ledger.correct_object(correct(1, other), LAB)),
        Refusal::NeedsWhy { .. }
    ));
    ledger.correct_object(correct(1, other), because("a stone")).unwrap();

    // Reviews: exactly what was drawn, and not after a retake.
    let lot = "UNSORTED".to_owned();
    let of = ledger.load(load).unwrap().lots[0].trays.iter().map(|t| t.objects.len() as u64).sum();
    let draw = ReviewDrawn {
        load: load.into(),
        lot: lot.clone(),
        seed: "1".into(),
        of,
        objects: vec![(1, 1), (3, 2)],
    };
    let few = ReviewDrawn { of: of - 1, ..draw.clone() };
    assert!(matches!(
        refusal(ledger.say_one(Event::ReviewDrawn(few), LAB)),
        Refusal::Review { .. }
    ));
    let entry = ledger.say_one(Event::ReviewDrawn(draw), LAB).unwrap().entries;
    let saw = |tray, object| Reviewed { tray, object: Some(object), human: Seen::Nothing };
    let review = |draw, reviewed| {
        Event::ReviewRecorded(ReviewRecorded {
            load: load.into(),
            lot: lot.clone(),
            draw,
            reviewed,
        })
    };
    for (draw, reviewed, words) in [
        (entry, vec![saw(1, 1)], "object 2 of tray 3 was drawn and has no answer"),
        (entry, vec![saw(1, 1), saw(3, 2), saw(3, 3)], "3 answers for 2 drawn objects"),
        (entry - 1, vec![saw(1, 1), saw(3, 2)], "drew no objects"),
    ] {
        let refusal = refusal(ledger.say_one(review(draw, reviewed), LAB)).to_string();
        assert!(refusal.contains(words), "{refusal}");
    }
    let retake = TrayRecorded { retake: true, ..tray(&ledger, load, "UNSORTED", 3, 8) };
    ledger.record_tray(retake, because("a leaf")).unwrap();
    let stale = refusal(ledger.say_one(review(entry, vec![saw(1, 1), saw(3, 2)]), LAB)).to_string();
    assert!(stale.contains("tray 3 was retaken or its outlines"), "{stale}");

    // Nothing after the close.
    let figures = serde_json::json!({});
    let closed = LoadClosed { load: load.into(), outcome: None, figures, sealed: None };
    ledger.close_load(closed.clone(), LAB).unwrap();
    let after = ledger.record_tray(tray(&ledger, load, "UNSORTED", 4, 5), LAB);
    assert!(matches!(refusal(after), Refusal::Closed { .. }));
    let again = ledger.close_load(closed, LAB).unwrap_err();
    assert!(matches!(again, LedgerError::Refused(Refusal::Closed { .. })), "{again}");
    assert_eq!(faults(&ledger, None), []);
}

#[test]
fn what_is_refused_leaves_no_trace() {
    let folder = Folder::new();
    let mut ledger = folder.ledger();
    let before = ledger.head().unwrap();
    let events = [Event::LoadOpened(opened("A")), Event::LoadOpened(opened("A"))];
    assert!(ledger.say(&events, LAB).is_err());
    assert_eq!(ledger.head().unwrap(), before);
    assert!(ledger.loads().unwrap().is_empty());
    // A fraction cannot be recorded.
    ledger.open_load(opened("A"), Delivery::default(), None, LAB).unwrap();
    let figures = serde_json::json!({"share": 0.5});
    let closed = LoadClosed { load: "A".into(), outcome: None, figures, sealed: None };
    let error = ledger.close_load(closed, LAB).unwrap_err().to_string();
    assert!(error.contains("0.5 is no whole number"), "{error}");
}

#[test]
fn export_and_import_give_the_same_ledger() {
    let folder = Folder::new();
    let ledger = full(&folder);
    let json = exchange::to_json(&ledger).unwrap();
    let csv = exchange::entries_csv(&ledger).unwrap();
    let path = PathBuf::from("there.json");
    for entries in
        [exchange::from_json(&path, &json).unwrap(), exchange::from_csv(&path, &csv).unwrap()]
    {
        assert_eq!(entries, ledger.entries(0).unwrap());
        let other = Folder::new();
        let mut copy = other.ledger();
        // Its own beginning, made at the same moment, is the same entry.
        assert_eq!(copy.take_over(&entries).unwrap(), entries.len() as u64 - 1);
        assert_eq!(copy.take_over(&entries).unwrap(), 0);
        assert_eq!(copy.head().unwrap(), ledger.head().unwrap());
        assert_eq!(copy.load("HV-0417").unwrap(), ledger.load("HV-0417").unwrap());
        assert_eq!(exchange::to_json(&copy).unwrap(), json);
        // Only the files are missing.
        assert!(faults(&copy, None).iter().all(|f| f.place == "archive"));
    }
    // A part that goes on where the other ended.
    let entries = ledger.entries(0).unwrap();
    let other = Folder::new();
    let mut copy = other.ledger();
    copy.take_over(&entries[..5]).unwrap();
    assert_eq!(copy.take_over(&entries).unwrap(), entries.len() as u64 - 5);
    // A ledger that was only begun, at another time, gives way.
    let late = Folder::new();
    let clock = || "2026-09-19T05:00:00Z".to_owned();
    let mut late = Ledger::open_or_begin_with_clock(&late.file(), clock).unwrap();
    assert_eq!(late.take_over(&entries).unwrap(), entries.len() as u64);
    assert!(faults(&late, None).iter().all(|f| f.place == "archive"));
    // Ledgers that went different ways stay apart.
    let apart = Folder::new();
    let mut apart = apart.ledger();
    apart.open_load(opened("OTHER"), Delivery::default(), None, LAB).unwrap();
    assert!(matches!(apart.take_over(&entries), Err(LedgerError::Fork { entry: 2 })));
    assert_eq!(apart.loads().unwrap().len(), 1);
    // Cut and changed documents.
    let text = String::from_utf8(json).unwrap();
    let changed = text.replace("W 1182", "W 1183");
    let entries = exchange::from_json(&path, changed.as_bytes()).unwrap();
    let error = Folder::new().ledger().take_over(&entries).unwrap_err();
    assert!(matches!(error, LedgerError::Entry { fault: EntryFault::Hash, .. }), "{error}");
    let last = text.trim_end().lines().count() - 2;
    let cut: Vec<&str> =
        text.lines().enumerate().filter(|(i, _)| *i != last).map(|(_, l)| l).collect();
    let cut = cut.join("\n").replacen(",\n]}", "\n]}", 1);
    let error = exchange::from_json(&path, cut.as_bytes()).unwrap_err().to_string();
    assert!(error.contains("it was cut"), "{error}");
}

/// tests/data/ledger/chain.json was made by Python's json and hashlib from nothing but docs/ledger.md
/// (chain.py beside it): the same hashes must come out here, and the ledger must take it over.
#[test]
fn a_chain_made_by_python_is_taken_over() {
    let path = PathBuf::from("chain.json");
    let bytes = include_bytes!("../../tests/data/ledger/chain.json");
    let entries = exchange::from_json(&path, bytes).unwrap();
    let folder = Folder::new();
    let clock = || "2026-09-19T05:00:00Z".to_owned();
    let mut ledger = Ledger::open_or_begin_with_clock(&folder.file(), clock).unwrap();
    assert_eq!(ledger.take_over(&entries).unwrap(), 4);
    assert_eq!(faults(&ledger, None), []);
    let load = ledger.load("HV-0417").unwrap();
    assert_eq!(load.grower, "Höfer & sons");
    assert_eq!(load.delivery.ticket.as_deref(), Some("W 1183"));
    assert_eq!(load.delivered.unwrap().why.as_deref(), Some("misread: 3,\nnot 2"));
    // The same words said to this program give the same hashes.
    let mut before = None;
    for entry in &entries {
        let event = entry.event().unwrap();
        let (at, who, why) = (entry.at.clone(), entry.who.clone(), entry.why.clone());
        let again = chain::Entry::next(before.as_ref(), at, who, why, &event).unwrap();
        assert_eq!(again, *entry);
        before = Some(entry.head());
    }
}

/// The worked example of docs/ledger.md is this program's.
#[test]
fn the_worked_example_of_the_documentation_holds() {
    let docs = include_str!("../../docs/ledger.md");
    let begun = Event::LedgerBegun(LedgerBegun { program: "acinus 0.1.0".into() });
    let at = "2026-09-18T05:00:00Z".to_owned();
    let entry = chain::Entry::next(None, at, "acinus".into(), None, &begun).unwrap();
    assert!(docs.contains(&entry.hashed_text()), "{}", entry.hashed_text());
    assert!(docs.contains(&entry.hash), "{}", entry.hash);
    for name in FIELD_NAMES {
        assert!(docs.contains(&format!("`{name}`")), "{name}");
    }
}

#[test]
fn two_writers_take_turns() {
    let folder = Folder::new();
    let path = folder.file();
    drop(folder.ledger());
    std::thread::scope(|scope| {
        for writer in 0..2 {
            let path = &path;
            scope.spawn(move || {
                let mut ledger = Ledger::open(path).unwrap();
                for i in 0..40 {
                    let load = opened(&format!("{writer}-{i}"));
                    ledger.open_load(load, Delivery::default(), None, LAB).unwrap();
                }
            });
        }
    });
    let ledger = Ledger::open(&path).unwrap();
    assert_eq!(ledger.loads().unwrap().len(), 80);
    assert_eq!(faults(&ledger, None), []);
}

#[test]
fn many_can_begin_the_same_ledger() {
    for _ in 0..10 {
        let folder = Folder::new();
        let path = folder.file();
        std::thread::scope(|scope| {
            for _ in 0..4 {
                scope.spawn(|| Ledger::open_or_begin(&path).unwrap().head().unwrap());
            }
        });
        let ledger = Ledger::open(&path).unwrap();
        assert_eq!(ledger.head().unwrap().entries, 1);
        assert_eq!(faults(&ledger, None), []);
    }
}

#[test]
fn files_that_are_no_ledgers_are_told_apart() {
    let folder = Folder::new();
    let error = Ledger::open(&folder.file()).unwrap_err();
    assert!(matches!(error, LedgerError::NoLedger { .. }), "{error}");
    std::fs::write(folder.file(), "not a ledger, but words enough to fill a header of a hundred bytes, which is where it would be seen").unwrap();
    let error = Ledger::open(&folder.file()).unwrap_err().to_string();
    assert!(error.contains("this is no ledger") && error.contains("cellar.sqlite"), "{error}");
    std::fs::remove_file(folder.file()).unwrap();
    Connection::open(folder.file()).unwrap().execute_batch("CREATE TABLE t (x)").unwrap();
    let error = Ledger::open_or_begin(&folder.file()).unwrap_err();
    assert!(matches!(error, LedgerError::NotALedger { .. }), "{error}");
    std::fs::remove_file(folder.file()).unwrap();
    drop(folder.ledger());
    folder.raw().pragma_update(None, "user_version", 99).unwrap();
    let error = Ledger::open(&folder.file()).unwrap_err();
    assert!(matches!(error, LedgerError::Newer { version: 99, .. }), "{error}");
}

/// Ledgers as earlier versions of the program wrote them (`full` above, by
/// `ACINUS_FIXTURE=tests/data/ledger/vN.sqlite cargo test --release --lib write_a_ledger -- --ignored`
/// at the last commit of that version).
#[test]
fn every_earlier_version_is_brought_up() {
    let here = Folder::new();
    let now = full(&here);
    let dir = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("tests/data/ledger");
    // Heads as they stood when the files were written.
    let heads = ["bef6b5024bd7d33e07faeca9dbf74b8ac036607e04f6ddabbade65ddd5db374b"; 2];
    assert_eq!(heads.len() as i64, sqlite::SCHEMA_VERSION - 1, "a fixture for every version");
    for (version, head) in (1..).zip(heads) {
        let folder = Folder::new();
        std::fs::copy(dir.join(format!("v{version}.sqlite")), folder.file()).unwrap();
        let found: i64 =
            folder.raw().pragma_query_value(None, "user_version", |r| r.get(0)).unwrap();
        assert_eq!(found, version);
        let ledger = Ledger::open(&folder.file()).unwrap();
        let found: i64 =
            folder.raw().pragma_query_value(None, "user_version", |r| r.get(0)).unwrap();
        assert_eq!(found, sqlite::SCHEMA_VERSION);
        assert!(faults(&ledger, None).iter().all(|f| f.place == "archive"));
        assert_eq!(ledger.head().unwrap().hash, head);
        assert_eq!(ledger.load("HV-0417").unwrap(), now.load("HV-0417").unwrap());
    }
}

#[test]
#[ignore = "writes a fixture"]
fn write_a_ledger() {
    let folder = Folder::new();
    drop(full(&folder));
    let to = std::env::var("ACINUS_FIXTURE").unwrap();
    std::fs::copy(folder.file(), to).unwrap();
}

/// How the file is opened, as the engine tells it.
#[test]
fn commits_are_flushed_and_readers_do_not_wait() {
    let folder = Folder::new();
    let ledger = full(&folder);
    assert_eq!(ledger.books.pragmas().unwrap(), ("wal".to_owned(), 2, 1));
}

/// The program's own account of a tray: numbers of its objects and their classes as corrected.
fn stands(ledger: &Ledger, load: &str) -> Vec<(u32, Option<Class>, Vec<String>)> {
    let entry = ledger.load(load).unwrap().lots[0].trays[0].recorded.entry;
    let tray = ledger.one_tray(entry).unwrap().unwrap();
    tray.objects.iter().map(|o| (o.read.object, o.class(), o.tags.clone())).collect()
}

/// Whatever is changed, taking it back gives what was before and doing it again what came after; a
/// change after that ends the way forward.
#[test]
fn changes_are_taken_back_and_done_again() {
    let folder = Folder::new();
    let mut ledger = folder.ledger();
    let (load, looked) = ("HV-0417", because("by eye"));
    ledger.open_load(opened(load), Delivery::default(), None, LAB).unwrap();
    ledger.record_tray(tray(&ledger, load, "UNSORTED", 1, 9), LAB).unwrap();
    let (l, o) = (load.to_owned(), "UNSORTED".to_owned());
    let class = |object, class| {
        let (load, lot) = (l.clone(), o.clone());
        Event::ObjectCorrected(ObjectCorrected {
            load,
            lot,
            tray: 1,
            object,
            class,
            confirmed: false,
        })
    };
    let tags = |object, tags: &[&str]| {
        let tags = tags.iter().map(|t| (*t).to_owned()).collect();
        let (load, lot) = (l.clone(), o.clone());
        Event::ObjectTagged(ObjectTagged { load, lot, tray: 1, object, tags })
    };
    let steps = [
        class(3, Some(Class::Debris)),
        split(load, 1, 4, 10, None),
        class(10, Some(Class::Underripe)),
        class(3, None),
        split(load, 1, 10, 12, Some("debris")),
        tags(12, &["hail"]),
        tags(12, &[]),
    ];
    let mut states = vec![stands(&ledger, load)];
    let mut edits = Vec::new();
    for step in steps {
        edits.push(ledger.say_one(step, looked).unwrap().entries);
        states.push(stands(&ledger, load));
    }
    let back = |edit| EditTakenBack { load: l.clone(), lot: o.clone(), tray: 1, edit };
    for i in (0..edits.len()).rev() {
        // Only the last that stands.
        if i > 0 {
            assert!(ledger.say_one(Event::EditTakenBack(back(edits[i - 1])), looked).is_err());
        }
        ledger.say_one(Event::EditTakenBack(back(edits[i])), looked).unwrap();
        assert_eq!(stands(&ledger, load), states[i], "back to {i}");
    }
    assert!(ledger.say_one(Event::EditDoneAgain(back(edits[1])), looked).is_err());
    for i in 0..edits.len() {
        ledger.say_one(Event::EditDoneAgain(back(edits[i])), looked).unwrap();
        assert_eq!(stands(&ledger, load), states[i + 1], "again {i}");
    }
    for edit in edits.iter().rev().take(3) {
        ledger.say_one(Event::EditTakenBack(back(*edit)), looked).unwrap();
    }
    ledger.say_one(class(1, None), looked).unwrap();
    assert!(ledger.say_one(Event::EditDoneAgain(back(edits[4])), looked).is_err());
    // Numbers are never given twice, and what is gone cannot be spoken of.
    let again = ledger.say_one(split(load, 1, 11, 12, None), looked).unwrap_err().to_string();
    assert!(again.contains("numbered on from the last"), "{again}");
    let gone = ledger.say_one(class(4, None), looked).unwrap_err().to_string();
    assert!(gone.contains("has no object 4"), "{gone}");
    assert_eq!(ledger.loads().unwrap()[0].objects, stands(&ledger, load).len() as u64);
    assert_eq!(faults(&ledger, None), []);
}

/// What may be said when in a review by both parties.
#[test]
fn rules_of_the_parties() {
    let folder = Folder::new();
    let mut ledger = folder.ledger();
    let (load, lot, looked) = ("HV-0417", "UNSORTED", because("by eye"));
    let said = |result: Result<Head, LedgerError>, words: &str| match result {
        Err(LedgerError::Refused(refusal)) => {
            assert!(refusal.to_string().contains(words), "{refusal} / {words}");
        }
        other => panic!("{other:?} / {words}"),
    };
    ledger.open_load(opened(load), Delivery::default(), None, LAB).unwrap();
    ledger.record_tray(tray(&ledger, load, lot, 1, 9), LAB).unwrap();
    let review = begin_parties(&mut ledger, load, 3).unwrap();
    assert!(begin_parties(&mut ledger, load, 2).is_err());
    // Nothing of the lot changes meanwhile.
    said(ledger.say_one(split(load, 1, 4, 10, None), looked), "are reviewing");
    let another = tray(&ledger, load, lot, 2, 5);
    said(ledger.record_tray(another, LAB), "are reviewing");
    let figures = serde_json::json!({});
    let closed = LoadClosed { load: load.into(), outcome: None, figures, sealed: None };
    said(ledger.say_one(Event::LoadClosed(closed), LAB), "are reviewing");
    let own = ledger.load(load).unwrap().lots[0].parties[0].draw.drawn.entry;
    let reviewed =
        ReviewRecorded { load: load.into(), lot: lot.into(), draw: own, reviewed: vec![] };
    said(ledger.say_one(Event::ReviewRecorded(reviewed), LAB), "by both parties");
    let elsewhere = tray(&ledger, load, "SORTED", 1, 5);
    ledger.record_tray(elsewhere, LAB).unwrap();
    let (l, o) = (load.to_owned(), lot.to_owned());
    let judge = |party, object| {
        let judged = vec![Judged { tray: 1, object, human: Seen::Nothing, tags: vec![] }];
        let (load, lot) = (l.clone(), o.clone());
        Event::PartyJudged(PartyJudged { load, lot, review, party, judged })
    };
    let finish = |party| {
        let (load, lot) = (l.clone(), o.clone());
        Event::PartyFinished(PartyFinished { load, lot, review, party })
    };
    let accept = |party| {
        let (load, lot, figures) = (l.clone(), o.clone(), "a".repeat(64));
        Event::PartyAccepted(PartyAccepted { load, lot, review, party, figures })
    };
    said(ledger.say_one(judge(Party::Grower, 7), LAB), "was not drawn");
    ledger.say_one(judge(Party::Grower, 1), LAB).unwrap();
    said(ledger.say_one(finish(Party::Grower), LAB), "2 drawn objects are not judged");
    said(ledger.say_one(accept(Party::Grower), LAB), "both parties must have finished");
    judge_and_finish(&mut ledger, load, review, Party::Grower, &[]);
    said(ledger.say_one(judge(Party::Grower, 1), LAB), "stays as it is");
    judge_and_finish(&mut ledger, load, review, Party::Winery, &[(2, Seen::Unassigned)]);
    said(ledger.say_one(accept(Party::Winery), LAB), "1 differing objects are not settled");
    let settle = |object| {
        let settled = vec![Settlement { tray: 1, object, human: Seen::Class(Class::Sound) }];
        let (load, lot) = (l.clone(), o.clone());
        Event::DifferencesSettled(DifferencesSettled { load, lot, review, settled })
    };
    said(ledger.say_one(settle(9), LAB), "was not drawn");
    ledger.say_one(settle(2), LAB).unwrap();
    ledger.say_one(accept(Party::Winery), LAB).unwrap();
    said(ledger.say_one(settle(2), LAB), "has accepted");
    said(ledger.say_one(accept(Party::Winery), LAB), "accepted already");
    ledger.say_one(accept(Party::Grower), LAB).unwrap();
    said(ledger.say_one(accept(Party::Grower), LAB), "the review is over");
    let parties = &ledger.load(load).unwrap().lots[1].parties[0];
    assert_eq!(parties.outcome.as_deref(), Some("agreed"));
    let judgements = ledger.judgements(review).unwrap();
    assert_eq!(judgements.len(), 3);
    assert_eq!(judgements[1].human, [Some(Seen::Class(Class::Sound)), Some(Seen::Unassigned)]);
    assert_eq!(judgements[1].settled, Some(Seen::Class(Class::Sound)));
    // It is over: the tray can be changed again.
    ledger.say_one(split(load, 1, 4, 10, None), looked).unwrap();
    assert_eq!(faults(&ledger, None), []);
}
