//! From an entry to the rows that follow from it. The only place that writes them.

use rusqlite::{Connection, Params, params, params_from_iter};
use serde_json::Value;

use super::super::LedgerError;
use super::super::canonical::canonical;
use super::super::chain::Entry;
use super::super::event::{
    DeliveryRecorded, EditTakenBack, Event, LoadClosed, ObjectTagged, OutlinesChanged, Party,
    PhotoKept, PlanFixed, ReviewDrawn, ReviewRecorded, TrayRecorded, Word, outcome_word,
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
            let given = outcome_word(e.class);
            let (before, by) = read::given_class(db, tray, e.object)?;
            let row = params![seq, tray, "class", e.object, before, by, given];
            run(db, "insert_edit", row)?;
            run(db, "correct_object", params![tray, e.object, given, seq])?;
            run(db, "touch_tray", params![tray, seq])?;
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
        Event::SheetIssued(e) => {
            let row = params![e.sha256, e.load, kept(e.bytes)?, kept(e.as_of)?, e.head, seq];
            run(db, "insert_sheet", row)?;
        }
        Event::OutlinesChanged(e) => outlines_changed(db, seq, e)?,
        Event::ObjectTagged(e) => tagged(db, seq, e)?,
        Event::EditTakenBack(e) => again(db, seq, e, Way::Back)?,
        Event::EditDoneAgain(e) => again(db, seq, e, Way::Again)?,
        Event::PartiesBegun(e) => {
            run(db, "insert_parties", params![seq, e.load, e.lot, kept(e.draw)?, e.whole])?;
            for (party, name) in [(Party::Grower, &e.grower), (Party::Winery, &e.winery)] {
                run(db, "insert_party", params![seq, party.word(), name])?;
            }
        }
        Event::PartyJudged(e) => {
            let (review, party) = (kept(e.review)?, e.party.word());
            for judged in &e.judged {
                let tray = tray_of(db, &e.load, &e.lot, judged.tray)?;
                let (human, tags) = (seen_word(judged.human), words(&judged.tags));
                let row = params![review, party, tray, judged.object, human, tags, seq];
                run(db, "put_judgement", row)?;
            }
        }
        Event::PartyFinished(e) => {
            run(db, "party_finished", params![kept(e.review)?, e.party.word(), seq])?;
        }
        Event::DifferencesSettled(e) => {
            for s in &e.settled {
                let tray = tray_of(db, &e.load, &e.lot, s.tray)?;
                let row = params![kept(e.review)?, tray, s.object, seen_word(s.human), seq];
                run(db, "put_settled", row)?;
            }
        }
        Event::PartyAccepted(e) => {
            let review = kept(e.review)?;
            run(db, "party_accepted", params![review, e.party.word(), seq, e.figures])?;
            if read::parties_facts(db, e.review)?.is_some_and(|p| p.accepted == [true; 2]) {
                run(db, "parties_end", params![review, seq, "agreed"])?;
            }
        }
        Event::PartyRefused(e) => {
            let review = kept(e.review)?;
            run(db, "party_refused", params![review, e.party.word(), seq])?;
            run(db, "parties_end", params![review, seq, "not-agreed"])?;
        }
        Event::PartiesGaveUp(e) => {
            run(db, "parties_end", params![kept(e.review)?, seq, "given-up"])?;
        }
        Event::ProfileDecided(e) => {
            let figures = written(entry.seq, &e.figures)?;
            run(db, "insert_taught", params![seq, e.profile, e.sha256, e.adopted, figures])?;
            for tray in &e.trays {
                run(db, "insert_taught_tray", params![seq, kept(*tray)?])?;
            }
        }
    }
    Ok(())
}

/// A list of words in one cell.
fn words(list: &[String]) -> String {
    Value::from(list.to_vec()).to_string()
}

/// A value in its canonical form.
fn written(seq: u64, value: &Value) -> Result<String, LedgerError> {
    canonical(value).map_err(|e| LedgerError::Entry {
        entry: seq,
        fault: super::EntryFault::Unknown(e.to_string()),
    })
}

fn outlines_changed(db: &Connection, seq: i64, e: &OutlinesChanged) -> Result<(), LedgerError> {
    let tray = tray_of(db, &e.load, &e.lot, e.tray)?;
    let nothing: Option<i64> = None;
    let row = params![seq, tray, "outlines", nothing, nothing, nothing, e.action];
    run(db, "insert_edit", row)?;
    for object in &e.gone {
        run(db, "object_goes", params![tray, object, seq])?;
        run(db, "insert_edit_object", params![seq, object, "gone"])?;
    }
    for (object, outline) in e.come.iter().zip(&e.outlines) {
        let number = object.object;
        let class = outcome_word(object.class);
        let v = |i: usize| object.values[FIGURES[i]];
        let row = params![tray, number, class, v(0), v(1), v(2), v(3), v(4), v(5), v(6), seq];
        run(db, "insert_come", row)?;
        let rest = (0..FIELDS).filter(|i| !FIGURES.contains(i)).map(|i| object.values[i]);
        let row = [Some(tray), Some(i64::from(number))].into_iter().chain(rest);
        run(db, "insert_measure", params_from_iter(row))?;
        let runs: Vec<String> = outline.runs.iter().map(u32::to_string).collect();
        run(db, "insert_outline", params![tray, number, runs.join(" ")])?;
        if let Some(given) = &e.given {
            run(db, "correct_object", params![tray, number, given, seq])?;
        }
        run(db, "insert_edit_object", params![seq, number, "come"])?;
    }
    run(db, "touch_tray", params![tray, seq])
}

fn tagged(db: &Connection, seq: i64, e: &ObjectTagged) -> Result<(), LedgerError> {
    let tray = tray_of(db, &e.load, &e.lot, e.tray)?;
    let (before, by) = read::tags(db, tray, e.object)?.unzip();
    let after = words(&e.tags);
    run(db, "insert_edit", params![seq, tray, "tags", e.object, before, by, after])?;
    put_tags(db, tray, e.object, Some(&after), Some(seq))?;
    run(db, "touch_tray", params![tray, seq])
}

/// Gives an object the tags that it had or gets.
fn put_tags(
    db: &Connection,
    tray: i64,
    object: u32,
    tags: Option<&str>,
    by: Option<i64>,
) -> Result<(), LedgerError> {
    match (tags.filter(|t| *t != "[]"), by) {
        (Some(tags), Some(by)) => run(db, "put_tags", params![tray, object, tags, by]),
        _ => run(db, "drop_tags", params![tray, object]),
    }
}

/// Which way a change goes once more.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Way {
    Back,
    Again,
}

fn again(db: &Connection, seq: i64, e: &EditTakenBack, way: Way) -> Result<(), LedgerError> {
    let edit = kept(e.edit)?;
    let Some(change) = read::edit(db, edit)? else {
        let why = format!("entry {} changed nothing", e.edit);
        let (load, lot) = (e.load.clone(), e.lot.clone());
        return Err(Refusal::Edit { load, lot, tray: e.tray, why }.into());
    };
    let tray = change.tray;
    let (words, by) = match way {
        Way::Back => (change.before, change.before_entry),
        Way::Again => (change.after, Some(edit)),
    };
    match (change.kind.as_str(), change.object) {
        ("class", Some(object)) => {
            run(db, "correct_object", params![tray, object, words, by])?;
        }
        ("tags", Some(object)) => put_tags(db, tray, object, words.as_deref(), by)?,
        _ => {
            for (object, side) in read::edit_objects(db, edit)? {
                let gone = ((side == "come") == (way == Way::Back)).then_some(seq);
                run(db, "object_goes", params![tray, object, gone])?;
            }
        }
    }
    let undone = (way == Way::Back).then_some(seq);
    run(db, "edit_undone", params![edit, undone])?;
    run(db, "touch_tray", params![tray, seq])
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
    let figures = written(entry.seq, &e.figures)?;
    run(db, "put_verdict", params![e.load, e.outcome, figures, seq])?;
    run(db, "close_load", params![e.load, seq])
}
