//! Loads in a ledger without photographs of their own: one sample photograph stands for all trays.
#![allow(dead_code)] // every test file uses its own part of it
#![allow(clippy::unwrap_used)] // part of tests

use acinus::classify::Class;
use acinus::ledger::event::{
    Delivery, LoadClosed, LoadOpened, PhotoKept, PhotoRefused, TermsFixed, TrayRecorded,
};
use acinus::ledger::object::{FIELD_NAMES, FIELDS, RecordedObject};
use acinus::ledger::{Ledger, PROGRAM, Signed};
use acinus::stats::SplitMix64;

/// Who says everything here.
pub const LAB: Signed<'_> = Signed { who: "lab", why: None };

/// Opens a load.
pub fn open(
    ledger: &mut Ledger,
    load: &str,
    grower: &str,
    delivery: Delivery,
    terms: Option<&str>,
) {
    let opened = LoadOpened {
        load: load.into(),
        grower: grower.into(),
        block: Some("Upper terrace".into()),
        variety: Some("Blue Portugal".into()),
        bins: Some(8),
    };
    let terms = terms.map(|text| TermsFixed {
        load: load.into(),
        name: "House terms".into(),
        text: text.into(),
    });
    ledger.open_load(opened, delivery, terms, LAB).unwrap();
}

/// A photograph like the sample, but of its own hash: bytes after the end of a JPEG are not read.
pub fn photo(ledger: &Ledger, sample: &[u8], name: &str) -> PhotoKept {
    let bytes = [sample, name.as_bytes()].concat();
    let sha256 = ledger.archive().keep(&bytes).unwrap();
    PhotoKept { sha256, bytes: bytes.len() as u64, name: name.into(), taken: None }
}

/// Records a tray of so many objects, a share of them shriveled, underripe or debris.
pub fn tray(
    ledger: &mut Ledger,
    photo: PhotoKept,
    (load, lot, number): (&str, &str, u32),
    bin: &str,
    (count, rejects): (u32, f64),
) {
    let mut random =
        SplitMix64::new(u64::from(number) + 1000 * load.len() as u64 + u64::from(count));
    let objects = (1..=count)
        .map(|object| {
            let class = match random.uniform() {
                u if u < rejects / 3.0 => Class::Shriveled,
                u if u < rejects * 2.0 / 3.0 => Class::Underripe,
                u if u < rejects => Class::Debris,
                _ => Class::Sound,
            };
            let mut values: [Option<i64>; FIELDS] =
                std::array::from_fn(|_| Some(1 + random.below(200_000) as i64));
            values[..4].copy_from_slice(&[Some(970_000), Some(10_000), Some(10_000), Some(10_000)]);
            for (name, value) in [
                ("mass_ug", 700_000 + random.below(600_000) as i64),
                ("area_um2", 90_000_000 + random.below(60_000_000) as i64),
                ("equivalent_diameter_um", 9_000 + random.below(6_000) as i64),
            ] {
                let place = FIELD_NAMES.iter().position(|f| *f == name).unwrap();
                values[place] = Some(value);
            }
            // A number that the reading did not have.
            values[FIELDS - 2] = (object % 7 > 0).then_some(i64::from(object));
            RecordedObject { object, class: Some(class), values }
        })
        .collect();
    let recorded = TrayRecorded {
        load: load.into(),
        lot: lot.into(),
        tray: number,
        bin: Some(bin.into()),
        photo,
        outlines: None,
        fruit: "black".into(),
        profile: "built-in".into(),
        program: PROGRAM.into(),
        scale_mpx_per_mm: 7_780,
        forced: false,
        retake: false,
        told: Vec::new(),
        fields: FIELD_NAMES.iter().map(|n| (*n).to_owned()).collect(),
        objects,
    };
    ledger.record_tray(recorded, LAB).unwrap();
}

/// Records a refused photograph.
pub fn refused(ledger: &mut Ledger, photo: PhotoKept, load: &str, lot: &str, reason: &str) {
    let refused = PhotoRefused {
        load: Some(load.into()),
        lot: Some(lot.into()),
        tray: Some(9),
        photo,
        reason: reason.into(),
    };
    ledger.refuse_photo(refused, LAB).unwrap();
}

/// Closes a load with its figures.
pub fn close(ledger: &mut Ledger, load: &str) {
    let dossier = acinus::dossier::of_load(ledger, load).unwrap();
    let closed = LoadClosed {
        load: load.into(),
        outcome: dossier.outcome(),
        figures: dossier.recordable().unwrap(),
        sealed: None,
    };
    ledger.close_load(closed, LAB).unwrap();
}
