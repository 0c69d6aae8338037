//! From an entry to the rows that follow from it. The only place that writes them.

use rusqlite::{Connection, Params, params, params_from_iter};
use serde_json::Value;

use super::super::LedgerError;
use super::super::canonical::canonical;
use super::super::chain::Entry;
use super::super::event::{
    DeliveryRecorded, Event, LoadClosed, PhotoKept, PlanFixed, ReviewDrawn, ReviewRecorded,
    TrayRecorded, Word, outcome_word,
};
use super::super::object::{FIELDS, FIGURES};
use super::super::rules::Refusal;
use super::{kept, read, sql};
use crate::classify::Class;
use crate::load::Seen;
use crate::terms::Decimal;

/// Writes what follows from an entry.
pub fn follow(db: &Connection, entry: &Entry, event: &Event) -> Result<(), LedgerError> {
    let seq = kept(entry.seq)?;
    match event {
        Event::LedgerBegun(_) => {}
        Event::LoadOpened(e) => {
            run(db, "insert_grower", params![e.grower, seq])?;
            if let Some(block) = &e.block {
                run(db, "insert_block", params![e.grower, block, seq])?;
            }
            let row = params![e.load, e.grower, e.block, e.variety, e.bins, seq];
            run(db, "insert_load", row)?;
        }
        Event::DeliveryRecorded(e) => delivery(db, seq, e)?,
        Event::LotDescribed(e) => {
            run(db, "insert_lot", params![e.load, e.lot, seq])?;
            run(db, "describe_lot", params![e.load, e.lot, e.sampling_point.word(), seq])?;
        }
        Event::TermsFixed(e) => run(db, "put_terms", params![e.load, e.name, e.text, seq])?,
        Event::PlanFixed(e) => plan(db, seq, e)?,
        Event::TrayRecorded(e) => tray(db, seq, e)?,
        Event::PhotoRefused(e) => {
            photo(db, seq, &e.photo)?;
            let row = params![seq, e.load, e.lot, e.tray, e.photo.sha256, e.reason];
            run(db, "insert_refusal", row)?;
        }
        Event::ObjectCorrected(e) => {
            let tray = tray_of(db, &e.load, &e.lot, e.tray)?;
            let row = params![tray, e.object, outcome_word(e.class), seq];
            run(db, "correct_object", row)?;
        }
        Event::ReviewDrawn(e) => drawn(db, seq, e)?,
        Event::ReviewRecorded(e) => reviewed(db, seq, e)?,
        Event::TrayWeighed(e) => {
            let tray = tray_of(db, &e.load, &e.lot, e.tray)?;
            let [sound, shriveled, underripe, debris] = e.class_g.map(text);
            let weighed = text(e.weighed_g);
            let row = params![tray, weighed, sound, shriveled, underripe, debris, seq];
            run(db, "put_weighing", row)?;
        }
        Event::CoarseWeighed(e) => {
            run(db, "insert_lot", params![e.load, e.lot, seq])?;
            let (coarse, increment) = (e.coarse_kg.to_string(), e.increment_kg.to_string());
            run(db, "put_coarse", params![e.load, e.lot, coarse, increment, e.pieces, seq])?;
        }
        Event::PiecesCounted(e) => {
            let row = params![e.load, e.name, e.pieces, e.sample_kg.to_string(), seq];
            run(db, "put_counted", row)?;
        }
        Event::MassFitted(e) => {
            for (i, class) in Class::ALL.into_iter().enumerate() {
                let (c, sd) = (e.coefficients[i].to_string(), e.standard_deviations[i].to_string());
                run(db, "insert_mass_fit", params![seq, e.profile, class.name(), c, sd])?;
            }
            for tray in &e.trays {
                run(db, "insert_mass_fit_tray", params![seq, kept(*tray)?])?;
            }
        }
        Event::HandSorted(e) => {
            let [p0, p1, p2, p3] = e.program.map(|d| d.to_string());
            let [g0, g1, g2, g3] = e.hand_g.map(|d| d.to_string());
            let row = params![e.variety, e.tray, p0, p1, p2, p3, g0, g1, g2, g3, seq];
            run(db, "put_hand_sort", row)?;
        }
        Event::LoadClosed(e) => closed(db, entry, e)?,
    }
    Ok(())
}

fn run(db: &Connection, name: &str, row: impl Params) -> Result<(), LedgerError> {
    db.prepare_cached(sql(name)?)?.execute(row)?;
    Ok(())
}

fn text(value: Option<Decimal>) -> Option<String> {
    value.map(|d| d.to_string())
}

fn word<W: Word>(value: Option<W>) -> Option<&'static str> {
    value.map(Word::word)
}

fn delivery(db: &Connection, seq: i64, e: &DeliveryRecorded) -> Result<(), LedgerError> {
    let d = &e.delivery;
    let row = params![
        e.load,
        d.ticket,
        text(d.gross_kg),
        text(d.truck_tare_kg),
        text(d.bin_tare_kg),
        text(d.net_kg),
        d.picked,
        d.received,
        d.sampled,
        word(d.picking),
        d.destemmed,
        word(d.sampling_point),
        text(d.fruit_celsius),
        word(d.wet),
        word(d.free_juice),
        seq
    ];
    run(db, "put_delivery", row)?;
    run(db, "drop_bins", params![e.load])?;
    for (bin, kg) in &d.bins_kg {
        run(db, "insert_bin", params![e.load, bin, kg.to_string(), seq])?;
    }
    Ok(())
}

fn plan(db: &Connection, seq: i64, e: &PlanFixed) -> Result<(), LedgerError> {
    run(db, "insert_lot", params![e.load, e.lot, seq])?;
    run(db, "drop_planned", params![e.load, e.lot])?;
    run(db, "drop_plan", params![e.load, e.lot])?;
    let row = params![
        e.load,
        e.lot,
        e.seed,
        e.bins,
        e.expected_share.to_string(),
        e.half_width.to_string(),
        e.confidence.to_string(),
        e.design_effect.to_string(),
        seq
    ];
    run(db, "insert_plan", row)?;
    let trays = e.trays.iter().map(|t| (t, false)).chain(e.extra.iter().map(|t| (t, true)));
    for (tray, extra) in trays {
        let depths = tray.depths.join(",");
        run(db, "insert_planned", params![e.load, e.lot, tray.tray, tray.bin, depths, extra])?;
    }
    Ok(())
}

fn photo(db: &Connection, seq: i64, photo: &PhotoKept) -> Result<(), LedgerError> {
    let row = params![photo.sha256, kept(photo.bytes)?, photo.name, photo.taken, seq];
    run(db, "insert_photo", row)
}

/// The entry of the tray that counts for a number.
fn tray_of(db: &Connection, load: &str, lot: &str, tray: u32) -> Result<i64, LedgerError> {
    let entry = read::tray_that_counts(db, load, lot, tray)?
        .ok_or_else(|| Refusal::UnknownTray { load: load.to_owned(), lot: lot.to_owned(), tray })?;
    Ok(kept(entry)?)
}

fn tray(db: &Connection, seq: i64, e: &TrayRecorded) -> Result<(), LedgerError> {
    run(db, "insert_lot", params![e.load, e.lot, seq])?;
    photo(db, seq, &e.photo)?;
    let replaces = read::tray_that_counts(db, &e.load, &e.lot, e.tray)?.map(kept).transpose()?;
    // The index allows one tray a number that is not replaced: the earlier one steps back first,
    // for the moment pointing at itself.
    if let Some(earlier) = replaces {
        run(db, "replace_tray", params![earlier, earlier])?;
    }
    let row = params![
        seq,
        e.load,
        e.lot,
        e.tray,
        e.bin,
        e.photo.sha256,
        e.outlines,
        e.fruit,
        e.profile,
        e.program,
        e.scale_mpx_per_mm,
        e.forced,
        kept(e.objects.len() as u64)?,
        replaces
    ];
    run(db, "insert_tray", row)?;
    if let Some(earlier) = replaces {
        run(db, "replace_tray", params![earlier, seq])?;
    }
    for (place, told) in e.told.iter().enumerate() {
        run(db, "insert_told", params![seq, kept(place as u64)?, told.weight, told.words])?;
    }
    let mut into_objects = db.prepare_cached(sql("insert_object")?)?;
    let mut into_measures = db.prepare_cached(sql("insert_measure")?)?;
    for object in &e.objects {
        let v = |i: usize| object.values[FIGURES[i]];
        let class = outcome_word(object.class);
        let number = object.object;
        into_objects.execute(params![
            seq,
            number,
            class,
            v(0),
            v(1),
            v(2),
            v(3),
            v(4),
            v(5),
            v(6)
        ])?;
        let rest = (0..FIELDS).filter(|i| !FIGURES.contains(i)).map(|i| object.values[i]);
        let row = [Some(seq), Some(i64::from(number))].into_iter().chain(rest);
        into_measures.execute(params_from_iter(row))?;
    }
    Ok(())
}

fn drawn(db: &Connection, seq: i64, e: &ReviewDrawn) -> Result<(), LedgerError> {
    run(db, "insert_draw", params![seq, e.load, e.lot, e.seed, kept(e.of)?])?;
    for (place, &(tray, object)) in e.objects.iter().enumerate() {
        let tray = tray_of(db, &e.load, &e.lot, tray)?;
        run(db, "insert_drawn", params![seq, kept(place as u64)?, tray, object])?;
    }
    Ok(())
}

fn reviewed(db: &Connection, seq: i64, e: &ReviewRecorded) -> Result<(), LedgerError> {
    let draw = kept(e.draw)?;
    for (place, review) in e.reviewed.iter().enumerate() {
        let tray = tray_of(db, &e.load, &e.lot, review.tray)?;
        let human = seen_word(review.human);
        let row = params![seq, kept(place as u64)?, draw, tray, review.object, human];
        run(db, "insert_review", row)?;
    }
    run(db, "draw_reviewed", params![draw, seq])
}

/// The word of what a person saw.
pub fn seen_word(seen: Seen) -> &'static str {
    match seen {
        Seen::Class(class) => class.name(),
        Seen::Unassigned => "unassigned",
        Seen::Nothing => "nothing",
    }
}

fn closed(db: &Connection, entry: &Entry, e: &LoadClosed) -> Result<(), LedgerError> {
    let seq = kept(entry.seq)?;
    let fault = |why: String| LedgerError::Entry {
        entry: entry.seq,
        fault: super::EntryFault::Unknown(why),
    };
    let figures: &Value = &e.figures;
    let figures = canonical(figures).map_err(|e| fault(e.to_string()))?;
    run(db, "put_verdict", params![e.load, e.outcome, figures, seq])?;
    run(db, "close_load", params![e.load, seq])
}
