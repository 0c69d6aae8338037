//! What may be said when. The same rules hold when something is recorded, imported and verified, so
//! that a ledger which breaks one is found out.

use super::LedgerError;
use super::clock;
use super::event::{
    CoarseWeighed, Delivery, DeliveryRecorded, DifferencesSettled, EditTakenBack, Event,
    HandSorted, LoadOpened, MassFitted, ObjectCorrected, ObjectTagged, OutlinesChanged,
    PartiesBegun, Party, PartyJudged, PhotoKept, PlanFixed, ProfileDecided, ReviewDrawn,
    ReviewRecorded, SheetIssued, TermsFixed, TrayRecorded, TrayWeighed, outcome_of,
};
use super::object::FIELD_NAMES;
use crate::classify::{Class, Outcome};
use crate::terms::Decimal;

/// Why something was not recorded.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[allow(missing_docs)]
pub enum Refusal {
    #[error(
        "{what} {value:?} cannot be: write 1 to 80 characters without line ends, and no blanks before or after"
    )]
    Name { what: &'static str, value: String },
    #[error("load {0} is in the ledger already; `acinus load show` tells what is known of it")]
    LoadExists(String),
    #[error("load {0} is not in the ledger; open it with `acinus load new {0} --grower NAME`")]
    UnknownLoad(String),
    #[error("a sheet is issued of a closed load, as of its closing entry: close {0} first")]
    SheetOfOpenLoad(String),
    #[error("this sheet was issued before (entry {0})")]
    SheetKnown(u64),
    #[error("load {load} is closed (entry {entry}): nothing can be added to it any more")]
    Closed { load: String, entry: u64 },
    #[error("load {load}: {what} was recorded before; say why it changes with --why")]
    NeedsWhy { load: String, what: String },
    #[error(
        "load {load}: gross {gross} kg less tares {tares} kg is {found} kg, not the net {net} kg; correct one of them"
    )]
    Net { load: String, gross: Decimal, tares: Decimal, found: Decimal, net: Decimal },
    #[error("load {load}: {what} is {value}; it must be {range}")]
    Number { load: String, what: String, value: String, range: &'static str },
    #[error("load {load}: {why}")]
    Time { load: String, why: String },
    #[error("load {load}: the terms must be fixed before the first tray, and {trays} trays are in")]
    TermsAfterTray { load: String, trays: u64 },
    #[error("load {load}: the terms cannot be used: {why}")]
    Terms { load: String, why: String },
    #[error("{load} {lot}: the plan must be fixed before the first tray, and {trays} trays are in")]
    PlanAfterTray { load: String, lot: String, trays: u64 },
    #[error("{load} {lot}: the plan asks for no trays, or for one twice")]
    Plan { load: String, lot: String },
    #[error(
        "tray {tray} of {load} {lot} is recorded already; if this photograph is to take its place, say --retake and --why"
    )]
    TrayExists { load: String, lot: String, tray: u32 },
    #[error("tray {tray} of {load} {lot} is not recorded yet: leave out --retake")]
    NothingToRetake { load: String, lot: String, tray: u32 },
    #[error(
        "the plan takes tray {tray} of {load} {lot} from bin {planned}, not from {given}; if it had to be so, say --why"
    )]
    OtherBin { load: String, lot: String, tray: u32, planned: String, given: String },
    #[error("this photograph is recorded already as {0}")]
    PhotoKnown(String),
    #[error("tray {tray} of {load} {lot} is not in the ledger")]
    UnknownTray { load: String, lot: String, tray: u32 },
    #[error("tray {tray} of {load} {lot} has no object {object}")]
    UnknownObject { load: String, lot: String, tray: u32, object: u32 },
    #[error("object {object} of tray {tray} is {class} already")]
    SameClass { tray: u32, object: u32, class: &'static str },
    #[error(
        "the tray's objects must be numbered from 1 without gaps and have this program's numbers"
    )]
    Objects,
    #[error("{0:?} is no SHA-256")]
    Hash(String),
    #[error("{load} {lot}: {why}")]
    Review { load: String, lot: String, why: String },
    #[error("tray {tray} of {variety} was sorted by hand before; say why it changes with --why")]
    HandSortedBefore { variety: String, tray: String },
    #[error(
        "grower and winery are reviewing {load} {lot} (entry {review}): its trays stay as they are until both have finished; give the review up if something has to change"
    )]
    UnderReview { load: String, lot: String, review: u64 },
    #[error("tray {tray} of {load} {lot}: {why}")]
    Edit { load: String, lot: String, tray: u32, why: String },
    #[error("a profile to decide on must be taught from trays of this ledger: entry {0} is none")]
    TaughtFrom(u64),
    #[error("the ledger begins once")]
    Begun,
    #[error("name who says so, with --who")]
    Who,
}

/// What the rules need to know of what was said before.
pub trait Facts {
    /// A load, if it is open or closed.
    fn load(&self, load: &str) -> Result<Option<LoadFacts>, LedgerError>;
    /// What is known of a delivery, and whether anything is.
    fn delivery(&self, load: &str) -> Result<Option<Delivery>, LedgerError>;
    /// Whether terms are fixed.
    fn has_terms(&self, load: &str) -> Result<bool, LedgerError>;
    /// Trays of a lot, or of the whole load.
    fn trays(&self, load: &str, lot: Option<&str>) -> Result<u64, LedgerError>;
    /// Whether a lot has a plan.
    fn has_plan(&self, load: &str, lot: &str) -> Result<bool, LedgerError>;
    /// The bin that the plan has for a tray.
    fn planned_bin(&self, load: &str, lot: &str, tray: u32) -> Result<Option<String>, LedgerError>;
    /// Where a lot is said to have been sampled, if it was said.
    fn has_sampling_point(&self, load: &str, lot: &str) -> Result<bool, LedgerError>;
    /// The entry of the tray that counts for a number.
    fn tray(&self, load: &str, lot: &str, tray: u32) -> Result<Option<u64>, LedgerError>;
    /// Where a photograph is recorded as a tray, in words.
    fn photo_as_tray(&self, sha256: &str) -> Result<Option<String>, LedgerError>;
    /// Where a photograph is recorded as refused, in words.
    fn photo_as_refused(&self, sha256: &str) -> Result<Option<String>, LedgerError>;
    /// The class of an object, as corrected.
    fn class(&self, tray: u64, object: u32) -> Result<Option<Outcome>, LedgerError>;
    /// Classes of a tray's objects that were weighed before.
    fn is_weighed(&self, tray: u64) -> Result<bool, LedgerError>;
    /// Whether coarse debris of a lot was weighed before.
    fn has_coarse(&self, load: &str, lot: &str) -> Result<bool, LedgerError>;
    /// Whether pieces were counted before.
    fn has_counted(&self, load: &str, name: &str) -> Result<bool, LedgerError>;
    /// A draw for review.
    fn draw(&self, entry: u64) -> Result<Option<DrawFacts>, LedgerError>;
    /// Objects on the trays of a lot that count.
    fn objects(&self, load: &str, lot: &str) -> Result<u64, LedgerError>;
    /// Whether an entry is a tray.
    fn is_tray(&self, entry: u64) -> Result<bool, LedgerError>;
    /// Whether a tray was sorted by hand before.
    fn is_hand_sorted(&self, variety: &str, tray: &str) -> Result<bool, LedgerError>;
    /// Whether a person has given an object its class, or confirmed it.
    fn is_given(&self, tray: u64, object: u32) -> Result<bool, LedgerError>;
    /// The highest number that an object of a tray ever had.
    fn highest_object(&self, tray: u64) -> Result<u32, LedgerError>;
    /// What was changed of a tray, in order.
    fn edits(&self, tray: u64) -> Result<Vec<EditFacts>, LedgerError>;
    /// The review by both parties that runs on a lot, or on any lot of the load: its entry and lot.
    fn running_parties(
        &self,
        load: &str,
        lot: Option<&str>,
    ) -> Result<Option<(u64, String)>, LedgerError>;
    /// A review by both parties.
    fn parties(&self, entry: u64) -> Result<Option<PartiesFacts>, LedgerError>;
    /// Drawn objects that a party has not judged yet.
    fn unjudged(&self, parties: u64, party: Party) -> Result<u64, LedgerError>;
    /// Objects that the parties judged differently and have not settled.
    fn unsettled(&self, parties: u64) -> Result<u64, LedgerError>;
    /// The entry that issued a sheet of a hash.
    fn sheet(&self, sha256: &str) -> Result<Option<u64>, LedgerError>;
    /// An entry's hash.
    fn hash_of(&self, entry: u64) -> Result<Option<String>, LedgerError>;
}

/// A change of a tray, as the rules see it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct EditFacts {
    /// Its entry.
    pub edit: u64,
    /// The entry that took it back.
    pub undone: Option<u64>,
}

impl EditFacts {
    /// The change that can be taken back: the last that stands.
    pub fn last(edits: &[EditFacts]) -> Option<u64> {
        edits.iter().rev().find(|e| e.undone.is_none()).map(|e| e.edit)
    }

    /// The change that can be done again: the first that was taken back and that no later change
    /// came after.
    pub fn next(edits: &[EditFacts]) -> Option<u64> {
        let last = EditFacts::last(edits).unwrap_or(0);
        edits.iter().find(|e| e.undone.is_some() && e.edit > last).map(|e| e.edit)
    }
}

/// A review by both parties, as the rules see it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PartiesFacts {
    /// The load.
    pub load: String,
    /// The lot.
    pub lot: String,
    /// The entry that drew its objects.
    pub draw: u64,
    /// Whether it is over.
    pub ended: bool,
    /// Which parties have finished judging, grower first.
    pub finished: [bool; 2],
    /// Which have accepted.
    pub accepted: [bool; 2],
}

/// A load, as the rules see it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct LoadFacts {
    /// The entry that closed it.
    pub closed: Option<u64>,
}

/// A draw, as the rules see it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct DrawFacts {
    /// The load.
    pub load: String,
    /// The lot.
    pub lot: String,
    /// Whether it was reviewed.
    pub reviewed: bool,
    /// A drawn tray that was retaken since.
    pub retaken: Option<u32>,
    /// Tray numbers and objects drawn.
    pub objects: Vec<(u32, u32)>,
}

/// Whether something may be said now.
///
/// # Errors
/// [`LedgerError::Refused`] with the rule that it breaks.
pub fn check(
    event: &Event,
    who: &str,
    why: Option<&str>,
    first: bool,
    facts: &impl Facts,
) -> Result<(), LedgerError> {
    if matches!(event, Event::LedgerBegun(_)) != first {
        return Err(Refusal::Begun.into());
    }
    if who.trim().is_empty() {
        return Err(Refusal::Who.into());
    }
    name("name of who says so", who)?;
    if let Event::LoadOpened(e) = event {
        return load_opened(e, facts);
    }
    if let Some(load) = event.load() {
        let known = facts.load(load)?.ok_or_else(|| Refusal::UnknownLoad(load.to_owned()))?;
        if let Event::SheetIssued(e) = event {
            return sheet_issued(e, known.closed, facts);
        }
        if let Some(entry) = known.closed {
            return Err(Refusal::Closed { load: load.to_owned(), entry }.into());
        }
    }
    let changes = |load: &str, what: &str| match why {
        Some(_) => Ok(()),
        None => Err(Refusal::NeedsWhy { load: load.to_owned(), what: what.to_owned() }),
    };
    match event {
        Event::LedgerBegun(_) | Event::LoadOpened(_) => {}
        Event::LoadClosed(e) => not_under_review(&e.load, None, facts)?,
        Event::DeliveryRecorded(e) => delivery(e, why, facts)?,
        Event::LotDescribed(e) => {
            name("lot", &e.lot)?;
            if facts.has_sampling_point(&e.load, &e.lot)? {
                changes(&e.load, "the lot's sampling point")?;
            }
        }
        Event::TermsFixed(e) => terms(e, why, facts)?,
        Event::PlanFixed(e) => plan(e, why, facts)?,
        Event::TrayRecorded(e) => tray(e, why, facts)?,
        Event::PhotoRefused(e) => {
            photo(&e.photo)?;
            if let Some(known) = facts.photo_as_tray(&e.photo.sha256)? {
                return Err(Refusal::PhotoKnown(known).into());
            }
            if let Some(known) = facts.photo_as_refused(&e.photo.sha256)? {
                return Err(Refusal::PhotoKnown(known).into());
            }
        }
        Event::ObjectCorrected(e) => object(e, why, facts)?,
        Event::ReviewDrawn(e) => review_drawn(e, facts)?,
        Event::ReviewRecorded(e) => review(e, facts)?,
        Event::TrayWeighed(e) => weighed(e, why, facts)?,
        Event::CoarseWeighed(e) => coarse(e, why, facts)?,
        Event::PiecesCounted(e) => {
            name("what was counted", &e.name)?;
            at_least_zero(&e.load, "the sample's mass in kg", e.sample_kg)?;
            if facts.has_counted(&e.load, &e.name)? {
                changes(&e.load, &format!("the count of {}", e.name))?;
            }
        }
        Event::MassFitted(e) => mass_fit(e, facts)?,
        Event::HandSorted(e) => hand_sorted(e, why, facts)?,
        Event::OutlinesChanged(e) => outlines_changed(e, why, facts)?,
        Event::ObjectTagged(e) => tagged(e, facts)?,
        Event::EditTakenBack(e) => taken_back(e, facts, EditFacts::last, "taken back")?,
        Event::EditDoneAgain(e) => taken_back(e, facts, EditFacts::next, "done again")?,
        Event::PartiesBegun(e) => parties_begun(e, facts)?,
        Event::PartyJudged(e) => judged(e, facts)?,
        Event::PartyFinished(e) => {
            let known = parties(&e.load, &e.lot, e.review, facts)?;
            if known.finished[e.party as usize] {
                return Err(review_fault(&e.load, &e.lot, "the party has finished already"));
            }
            let left = facts.unjudged(e.review, e.party)?;
            if left > 0 {
                let why = format!("{left} drawn objects are not judged yet");
                return Err(review_fault(&e.load, &e.lot, &why));
            }
        }
        Event::DifferencesSettled(e) => settled(e, facts)?,
        Event::PartyAccepted(e) => {
            hash(&e.figures)?;
            let known = parties_finished(&e.load, &e.lot, e.review, facts)?;
            if known.accepted[e.party as usize] {
                return Err(review_fault(&e.load, &e.lot, "the party has accepted already"));
            }
            let left = facts.unsettled(e.review)?;
            if left > 0 {
                let why = format!("{left} differing objects are not settled yet");
                return Err(review_fault(&e.load, &e.lot, &why));
            }
        }
        Event::PartyRefused(e) => {
            parties_finished(&e.load, &e.lot, e.review, facts)?;
            changes(&e.load, "that both would agree")?;
        }
        Event::PartiesGaveUp(e) => {
            parties(&e.load, &e.lot, e.review, facts)?;
            changes(&e.load, "the review by both parties")?;
        }
        Event::ProfileDecided(e) => decided(e, facts)?,
        // It is about a load, and was looked at above.
        Event::SheetIssued(_) => {}
    }
    // Trays of a lot stay as they are while both parties look at them.
    if let (Some(load), (Some(lot), Some(_))) = (event.load(), event.lot_and_tray())
        && !matches!(event, Event::PhotoRefused(_))
    {
        not_under_review(load, Some(lot), facts)?;
    }
    Ok(())
}

fn not_under_review(load: &str, lot: Option<&str>, facts: &impl Facts) -> Result<(), LedgerError> {
    match facts.running_parties(load, lot)? {
        None => Ok(()),
        Some((review, lot)) => {
            Err(Refusal::UnderReview { load: load.to_owned(), lot, review }.into())
        }
    }
}

fn review_fault(load: &str, lot: &str, why: &str) -> LedgerError {
    Refusal::Review { load: load.to_owned(), lot: lot.to_owned(), why: why.to_owned() }.into()
}

/// Most objects that a tray can have: the label picture has 16 bits.
const MOST_OBJECTS: u32 = 65_535;

fn outlines_changed(
    e: &OutlinesChanged,
    why: Option<&str>,
    facts: &impl Facts,
) -> Result<(), LedgerError> {
    let entry = known_tray(&e.load, &e.lot, e.tray, facts)?;
    let fault = |why: &str| {
        let (load, lot) = (e.load.clone(), e.lot.clone());
        LedgerError::from(Refusal::Edit { load, lot, tray: e.tray, why: why.to_owned() })
    };
    if !matches!(e.action.as_str(), "split" | "merge" | "draw" | "remove") {
        return Err(fault("outlines are split, merged, drawn or removed"));
    }
    if e.gone.is_empty() && e.come.is_empty() {
        return Err(fault("nothing is changed"));
    }
    for (i, &object) in e.gone.iter().enumerate() {
        known_object(&e.load, &e.lot, e.tray, entry, object, facts)?;
        if e.gone[..i].contains(&object) {
            return Err(fault("an object can go only once"));
        }
    }
    let first = facts.highest_object(entry)?.saturating_add(1);
    let last = first.saturating_add(e.come.len() as u32);
    if last > MOST_OBJECTS + 1 {
        return Err(fault("it has no room for more objects"));
    }
    let numbered = e.come.iter().map(|o| o.object).eq(first..last);
    let outlined = e.outlines.iter().map(|o| o.object).eq(first..last);
    if !numbered || !outlined {
        return Err(fault("new objects must be numbered on from the last, each with its outline"));
    }
    if !e.fields.iter().map(String::as_str).eq(FIELD_NAMES.iter().copied()) {
        return Err(Refusal::Objects.into());
    }
    for outline in &e.outlines {
        let mut end = None;
        let fits = outline.runs.len() >= 3
            && outline.runs.len() % 3 == 0
            && outline.runs.chunks_exact(3).all(|run| {
                let begin = (run[0], run[1]);
                let after = end.is_none_or(|e| begin >= e);
                end = Some((run[0], run[1].saturating_add(run[2])));
                after && run[2] > 0
            });
        if !fits {
            return Err(fault("an outline must be runs of pixels in raster order"));
        }
    }
    if e.given.as_deref().is_some_and(|word| outcome_of(word).is_none()) {
        return Err(fault("the given class is none"));
    }
    if why.is_none() {
        let what = format!("outlines of tray {}", e.tray);
        return Err(Refusal::NeedsWhy { load: e.load.clone(), what }.into());
    }
    Ok(())
}

/// Most tags of one object.
const MOST_TAGS: usize = 12;

fn tags(tags: &[String]) -> Result<(), Refusal> {
    tags.iter().try_for_each(|t| name("tag", t))?;
    let twice = tags.iter().enumerate().any(|(i, t)| tags[..i].contains(t));
    if twice || tags.len() > MOST_TAGS {
        return Err(Refusal::Name { what: "list of tags", value: tags.join(", ") });
    }
    Ok(())
}

fn tagged(e: &ObjectTagged, facts: &impl Facts) -> Result<(), LedgerError> {
    let entry = known_tray(&e.load, &e.lot, e.tray, facts)?;
    known_object(&e.load, &e.lot, e.tray, entry, e.object, facts)?;
    Ok(tags(&e.tags)?)
}

fn taken_back(
    e: &EditTakenBack,
    facts: &impl Facts,
    which: impl Fn(&[EditFacts]) -> Option<u64>,
    what: &str,
) -> Result<(), LedgerError> {
    let entry = known_tray(&e.load, &e.lot, e.tray, facts)?;
    if which(&facts.edits(entry)?) == Some(e.edit) {
        return Ok(());
    }
    let why = format!("entry {} is not the change that can be {what} now", e.edit);
    Err(Refusal::Edit { load: e.load.clone(), lot: e.lot.clone(), tray: e.tray, why }.into())
}

fn parties_begun(e: &PartiesBegun, facts: &impl Facts) -> Result<(), LedgerError> {
    let fault = |why: &str| Err(review_fault(&e.load, &e.lot, why));
    name("grower", &e.grower)?;
    name("winery", &e.winery)?;
    if e.grower == e.winery {
        return fault("grower and winery must be two");
    }
    let draw = facts.draw(e.draw)?.filter(|d| d.load == e.load && d.lot == e.lot);
    let Some(draw) = draw else {
        return fault("its objects must be drawn first");
    };
    if draw.reviewed || draw.retaken.is_some() {
        return fault("its objects must be drawn anew");
    }
    if e.whole && draw.objects.len() as u64 != facts.objects(&e.load, &e.lot)? {
        return fault("not all objects of the lot were drawn");
    }
    if let Some((review, _)) = facts.running_parties(&e.load, Some(&e.lot))? {
        return fault(&format!("a review by both parties runs already (entry {review})"));
    }
    Ok(())
}

/// A review by both parties that still runs.
fn parties(
    load: &str,
    lot: &str,
    review: u64,
    facts: &impl Facts,
) -> Result<PartiesFacts, LedgerError> {
    let known = facts.parties(review)?.filter(|p| p.load == load && p.lot == lot);
    let known = known.ok_or_else(|| review_fault(load, lot, "no such review was begun"))?;
    if known.ended {
        return Err(review_fault(load, lot, "the review is over"));
    }
    Ok(known)
}

/// The same where both have finished judging.
fn parties_finished(
    load: &str,
    lot: &str,
    review: u64,
    facts: &impl Facts,
) -> Result<PartiesFacts, LedgerError> {
    let known = parties(load, lot, review, facts)?;
    if known.finished != [true; 2] {
        return Err(review_fault(load, lot, "both parties must have finished first"));
    }
    Ok(known)
}

fn judged(e: &PartyJudged, facts: &impl Facts) -> Result<(), LedgerError> {
    let fault = |why: &str| Err(review_fault(&e.load, &e.lot, why));
    let known = parties(&e.load, &e.lot, e.review, facts)?;
    if known.finished[e.party as usize] {
        return fault("the party has finished: what it saw stays as it is");
    }
    if e.judged.is_empty() {
        return fault("nothing is judged");
    }
    let drawn = drawn(known.draw, facts)?;
    for judged in &e.judged {
        if drawn.binary_search(&(judged.tray, judged.object)).is_err() {
            let why = format!("object {} of tray {} was not drawn", judged.object, judged.tray);
            return fault(&why);
        }
        tags(&judged.tags)?;
    }
    Ok(())
}

/// Drawn objects, sorted.
fn drawn(draw: u64, facts: &impl Facts) -> Result<Vec<(u32, u32)>, LedgerError> {
    let mut objects = facts.draw(draw)?.map_or_else(Vec::new, |d| d.objects);
    objects.sort_unstable();
    Ok(objects)
}

fn settled(e: &DifferencesSettled, facts: &impl Facts) -> Result<(), LedgerError> {
    let known = parties_finished(&e.load, &e.lot, e.review, facts)?;
    let fault = |why: &str| Err(review_fault(&e.load, &e.lot, why));
    if known.accepted != [false; 2] {
        return fault("a party has accepted the figures: they stay as they are");
    }
    if e.settled.is_empty() {
        return fault("nothing is settled");
    }
    let drawn = drawn(known.draw, facts)?;
    match e.settled.iter().find(|s| drawn.binary_search(&(s.tray, s.object)).is_err()) {
        Some(s) => fault(&format!("object {} of tray {} was not drawn", s.object, s.tray)),
        None => Ok(()),
    }
}

/// A sheet may be issued after the close, and only then: it adds nothing to the load.
fn sheet_issued(
    e: &SheetIssued,
    closed: Option<u64>,
    facts: &impl Facts,
) -> Result<(), LedgerError> {
    hash(&e.sha256)?;
    hash(&e.head)?;
    if closed != Some(e.as_of) || facts.hash_of(e.as_of)?.as_ref() != Some(&e.head) {
        return Err(Refusal::SheetOfOpenLoad(e.load.clone()).into());
    }
    match facts.sheet(&e.sha256)? {
        Some(entry) => Err(Refusal::SheetKnown(entry).into()),
        None => Ok(()),
    }
}

fn decided(e: &ProfileDecided, facts: &impl Facts) -> Result<(), LedgerError> {
    name("profile", &e.profile)?;
    hash(&e.sha256)?;
    for &entry in &e.trays {
        if !facts.is_tray(entry)? {
            return Err(Refusal::TaughtFrom(entry).into());
        }
    }
    Ok(())
}

fn name(what: &'static str, value: &str) -> Result<(), Refusal> {
    let fits = !value.is_empty()
        && value.trim() == value
        && value.chars().count() <= 80
        && !value.chars().any(char::is_control);
    if fits { Ok(()) } else { Err(Refusal::Name { what, value: value.to_owned() }) }
}

fn load_opened(e: &LoadOpened, facts: &impl Facts) -> Result<(), LedgerError> {
    name("load", &e.load)?;
    name("grower", &e.grower)?;
    e.block.iter().try_for_each(|b| name("block", b))?;
    e.variety.iter().try_for_each(|v| name("variety", v))?;
    if e.bins == Some(0) {
        return Err(number(&e.load, "the number of bins", "0", "1 or more").into());
    }
    if facts.load(&e.load)?.is_some() {
        return Err(Refusal::LoadExists(e.load.clone()).into());
    }
    Ok(())
}

fn number(load: &str, what: &str, value: &str, range: &'static str) -> Refusal {
    Refusal::Number { load: load.into(), what: what.into(), value: value.into(), range }
}

fn at_least_zero(load: &str, what: &str, value: Decimal) -> Result<(), Refusal> {
    if value.is_negative() {
        return Err(number(load, what, &value.to_string(), "0 or more"));
    }
    Ok(())
}

fn above_zero(load: &str, what: &str, value: Decimal) -> Result<(), Refusal> {
    if value <= Decimal::ZERO {
        return Err(number(load, what, &value.to_string(), "above 0"));
    }
    Ok(())
}

fn delivery(
    e: &DeliveryRecorded,
    why: Option<&str>,
    facts: &impl Facts,
) -> Result<(), LedgerError> {
    let d = &e.delivery;
    let load = &e.load;
    if let Some(ticket) = &d.ticket {
        name("ticket", ticket)?;
    }
    for (what, value) in [("the gross mass in kg", d.gross_kg), ("the net mass in kg", d.net_kg)] {
        value.map_or(Ok(()), |v| above_zero(load, what, v))?;
    }
    for (what, value) in
        [("the truck's tare in kg", d.truck_tare_kg), ("the bins' tare in kg", d.bin_tare_kg)]
    {
        value.map_or(Ok(()), |v| at_least_zero(load, what, v))?;
    }
    if let Some(celsius) = d.fruit_celsius
        && !(-20.0..=60.0).contains(&celsius.to_f64())
    {
        let words = celsius.to_string();
        return Err(number(load, "the fruit's temperature in °C", &words, "-20 to 60").into());
    }
    for (bin, kg) in &d.bins_kg {
        name("bin", bin)?;
        above_zero(load, &format!("the mass of bin {bin} in kg"), *kg)?;
    }
    for time in [&d.picked, &d.received, &d.sampled].into_iter().flatten() {
        clock::typed(time).map_err(|why| Refusal::Time { load: load.clone(), why })?;
    }
    if let (Some(gross), Some(truck), Some(net)) = (d.gross_kg, d.truck_tare_kg, d.net_kg) {
        let tares = truck.plus(d.bin_tare_kg.unwrap_or_default());
        let found = gross.minus(tares);
        if found != net {
            return Err(Refusal::Net { load: load.clone(), gross, tares, found, net }.into());
        }
    }
    if why.is_none()
        && let Some(what) = facts.delivery(load)?.and_then(|before| changed(&before, d))
    {
        return Err(Refusal::NeedsWhy { load: load.clone(), what: what.to_owned() }.into());
    }
    Ok(())
}

/// The first thing said before that is now said otherwise, or no longer.
fn changed(before: &Delivery, now: &Delivery) -> Option<&'static str> {
    fn other<T: PartialEq>(before: &Option<T>, now: &Option<T>) -> bool {
        before.is_some() && before != now
    }
    [
        ("the ticket", other(&before.ticket, &now.ticket)),
        ("the gross mass", other(&before.gross_kg, &now.gross_kg)),
        ("the truck's tare", other(&before.truck_tare_kg, &now.truck_tare_kg)),
        ("the bins' tare", other(&before.bin_tare_kg, &now.bin_tare_kg)),
        ("the net mass", other(&before.net_kg, &now.net_kg)),
        ("the time of picking", other(&before.picked, &now.picked)),
        ("the time of receiving", other(&before.received, &now.received)),
        ("the time of sampling", other(&before.sampled, &now.sampled)),
        ("how it was picked", other(&before.picking, &now.picking)),
        ("whether it is destemmed", other(&before.destemmed, &now.destemmed)),
        ("the sampling point", other(&before.sampling_point, &now.sampling_point)),
        ("the fruit's temperature", other(&before.fruit_celsius, &now.fruit_celsius)),
        ("what wets the fruit", other(&before.wet, &now.wet)),
        ("the free juice", other(&before.free_juice, &now.free_juice)),
        (
            "the mass of a bin",
            before.bins_kg.iter().any(|(bin, kg)| now.bins_kg.get(bin) != Some(kg)),
        ),
    ]
    .into_iter()
    .find_map(|(what, changed)| changed.then_some(what))
}

fn terms(e: &TermsFixed, why: Option<&str>, facts: &impl Facts) -> Result<(), LedgerError> {
    let trays = facts.trays(&e.load, None)?;
    if trays > 0 {
        return Err(Refusal::TermsAfterTray { load: e.load.clone(), trays }.into());
    }
    let fault = |why: String| Refusal::Terms { load: e.load.clone(), why };
    let terms = crate::terms::check(&e.text).map_err(|faults| fault(faults.0.join("; ")))?;
    if terms.name != e.name {
        return Err(fault(format!("they are named {:?}, not {:?}", terms.name, e.name)).into());
    }
    if why.is_none() && facts.has_terms(&e.load)? {
        let what = "a contract".to_owned();
        return Err(Refusal::NeedsWhy { load: e.load.clone(), what }.into());
    }
    Ok(())
}

fn plan(e: &PlanFixed, why: Option<&str>, facts: &impl Facts) -> Result<(), LedgerError> {
    name("lot", &e.lot)?;
    let trays = facts.trays(&e.load, Some(&e.lot))?;
    if trays > 0 {
        let (load, lot) = (e.load.clone(), e.lot.clone());
        return Err(Refusal::PlanAfterTray { load, lot, trays }.into());
    }
    let mut numbers: Vec<u32> = e.trays.iter().chain(&e.extra).map(|t| t.tray).collect();
    numbers.sort_unstable();
    let twice = numbers.windows(2).any(|w| w[0] == w[1]);
    if e.trays.is_empty() || twice || e.seed.parse::<u64>().is_err() {
        return Err(Refusal::Plan { load: e.load.clone(), lot: e.lot.clone() }.into());
    }
    e.trays.iter().chain(&e.extra).try_for_each(|t| name("bin", &t.bin))?;
    if why.is_none() && facts.has_plan(&e.load, &e.lot)? {
        let what = format!("a plan for {}", e.lot);
        return Err(Refusal::NeedsWhy { load: e.load.clone(), what }.into());
    }
    Ok(())
}

fn hash(text: &str) -> Result<(), Refusal> {
    let fits = text.len() == 64 && text.bytes().all(|b| matches!(b, b'0'..=b'9' | b'a'..=b'f'));
    if fits { Ok(()) } else { Err(Refusal::Hash(text.to_owned())) }
}

fn photo(photo: &PhotoKept) -> Result<(), Refusal> {
    hash(&photo.sha256)
}

fn tray(e: &TrayRecorded, why: Option<&str>, facts: &impl Facts) -> Result<(), LedgerError> {
    name("lot", &e.lot)?;
    e.bin.iter().try_for_each(|b| name("bin", b))?;
    photo(&e.photo)?;
    e.outlines.iter().try_for_each(|h| hash(h))?;
    let numbered = e.objects.iter().map(|o| o.object).eq(1..=e.objects.len() as u32);
    if !numbered || !e.fields_known() {
        return Err(Refusal::Objects.into());
    }
    if let Some(known) = facts.photo_as_tray(&e.photo.sha256)? {
        return Err(Refusal::PhotoKnown(known).into());
    }
    let (load, lot, tray) = (e.load.clone(), e.lot.clone(), e.tray);
    match (facts.tray(&load, &lot, tray)?, e.retake) {
        (Some(_), false) => return Err(Refusal::TrayExists { load, lot, tray }.into()),
        (None, true) => return Err(Refusal::NothingToRetake { load, lot, tray }.into()),
        (Some(_), true) if why.is_none() => {
            let what = format!("tray {tray} of {lot}");
            return Err(Refusal::NeedsWhy { load, what }.into());
        }
        _ => {}
    }
    if let (Some(planned), Some(given)) = (facts.planned_bin(&load, &lot, tray)?, &e.bin)
        && planned != *given
        && why.is_none()
    {
        let given = given.clone();
        return Err(Refusal::OtherBin { load, lot, tray, planned, given }.into());
    }
    Ok(())
}

fn known_tray(load: &str, lot: &str, tray: u32, facts: &impl Facts) -> Result<u64, LedgerError> {
    facts.tray(load, lot, tray)?.ok_or_else(|| {
        Refusal::UnknownTray { load: load.to_owned(), lot: lot.to_owned(), tray }.into()
    })
}

/// The class of an object that is there.
fn known_object(
    load: &str,
    lot: &str,
    tray: u32,
    entry: u64,
    object: u32,
    facts: &impl Facts,
) -> Result<Outcome, LedgerError> {
    let unknown = || Refusal::UnknownObject { load: load.into(), lot: lot.into(), tray, object };
    Ok(facts.class(entry, object)?.ok_or_else(unknown)?)
}

fn object(e: &ObjectCorrected, why: Option<&str>, facts: &impl Facts) -> Result<(), LedgerError> {
    let entry = known_tray(&e.load, &e.lot, e.tray, facts)?;
    let (tray, object) = (e.tray, e.object);
    let before = known_object(&e.load, &e.lot, tray, entry, object, facts)?;
    // The class that it has can be confirmed once.
    let again = before == e.class && (!e.confirmed || facts.is_given(entry, object)?);
    if again || (before != e.class && e.confirmed) {
        let class = super::event::outcome_word(before);
        return Err(Refusal::SameClass { tray, object, class }.into());
    }
    if why.is_none() {
        let what = format!("the class of object {object} of tray {tray}");
        return Err(Refusal::NeedsWhy { load: e.load.clone(), what }.into());
    }
    Ok(())
}

fn review_drawn(e: &ReviewDrawn, facts: &impl Facts) -> Result<(), LedgerError> {
    let fault =
        |why: String| Err(Refusal::Review { load: e.load.clone(), lot: e.lot.clone(), why }.into());
    let of = facts.objects(&e.load, &e.lot)?;
    if of == 0 {
        return fault("no tray is in, so no object can be drawn".to_owned());
    }
    if e.objects.is_empty() {
        return fault("draw at least one object".to_owned());
    }
    if of != e.of {
        return fault(format!("{} objects can be drawn from, not {}; draw again", of, e.of));
    }
    if e.seed.parse::<u64>().is_err() {
        return fault(format!("seed {:?} is no whole number", e.seed));
    }
    for &(tray, object) in &e.objects {
        let entry = known_tray(&e.load, &e.lot, tray, facts)?;
        if facts.class(entry, object)?.is_none() {
            return fault(format!("tray {tray} has no object {object}"));
        }
    }
    Ok(())
}

fn review(e: &ReviewRecorded, facts: &impl Facts) -> Result<(), LedgerError> {
    let fault =
        |why: String| Err(Refusal::Review { load: e.load.clone(), lot: e.lot.clone(), why }.into());
    let draw = facts.draw(e.draw)?;
    let Some(draw) = draw.filter(|d| d.load == e.load && d.lot == e.lot) else {
        return fault(format!(
            "entry {} drew no objects of it; draw them with `acinus load review --draw`",
            e.draw
        ));
    };
    if draw.reviewed {
        return fault(format!("the objects of draw {} were reviewed already", e.draw));
    }
    if let Some((review, _)) = facts.running_parties(&e.load, Some(&e.lot))?
        && facts.parties(review)?.is_some_and(|p| p.draw == e.draw)
    {
        return fault(format!("draw {} is being reviewed by both parties", e.draw));
    }
    if let Some(tray) = draw.retaken {
        return fault(format!(
            "tray {tray} was retaken or its outlines changed since the draw: draw again"
        ));
    }
    let mut found: Vec<(u32, u32)> =
        e.reviewed.iter().filter_map(|r| r.object.map(|o| (r.tray, o))).collect();
    let mut drawn = draw.objects;
    found.sort_unstable();
    drawn.sort_unstable();
    if let Some(missing) = drawn.iter().find(|d| found.binary_search(d).is_err()) {
        return fault(format!(
            "object {} of tray {} was drawn and has no answer; every drawn object counts",
            missing.1, missing.0
        ));
    }
    if found != drawn {
        return fault(format!(
            "{} answers for {} drawn objects: some were not drawn, or answered twice",
            found.len(),
            drawn.len()
        ));
    }
    for missed in e.reviewed.iter().filter(|r| r.object.is_none()) {
        known_tray(&e.load, &e.lot, missed.tray, facts)?;
        if missed.human == crate::load::Seen::Nothing {
            return fault("a missed object must be something".to_owned());
        }
    }
    Ok(())
}

fn weighed(e: &TrayWeighed, why: Option<&str>, facts: &impl Facts) -> Result<(), LedgerError> {
    let entry = known_tray(&e.load, &e.lot, e.tray, facts)?;
    e.weighed_g.map_or(Ok(()), |g| above_zero(&e.load, "the tray's mass in g", g))?;
    for (class, g) in Class::ALL.into_iter().zip(e.class_g) {
        let what = format!("the mass of {} in g", class.name());
        g.map_or(Ok(()), |g| at_least_zero(&e.load, &what, g))?;
    }
    if e.weighed_g.is_none() && e.class_g.iter().all(Option::is_none) {
        return Err(number(&e.load, "the tray's mass in g", "missing", "given").into());
    }
    if why.is_none() && facts.is_weighed(entry)? {
        let what = format!("the mass of tray {}", e.tray);
        return Err(Refusal::NeedsWhy { load: e.load.clone(), what }.into());
    }
    Ok(())
}

fn coarse(e: &CoarseWeighed, why: Option<&str>, facts: &impl Facts) -> Result<(), LedgerError> {
    name("lot", &e.lot)?;
    above_zero(&e.load, "the increments' mass in kg", e.increment_kg)?;
    at_least_zero(&e.load, "the coarse debris in kg", e.coarse_kg)?;
    if e.coarse_kg > e.increment_kg || (e.coarse_kg == Decimal::ZERO) != (e.pieces == 0) {
        let value = format!("{} kg in {} pieces", e.coarse_kg, e.pieces);
        let range = "no more than the increments, with a count of pieces that fits";
        return Err(number(&e.load, "the coarse debris", &value, range).into());
    }
    if why.is_none() && facts.has_coarse(&e.load, &e.lot)? {
        let what = format!("coarse debris of {}", e.lot);
        return Err(Refusal::NeedsWhy { load: e.load.clone(), what }.into());
    }
    Ok(())
}

fn mass_fit(e: &MassFitted, facts: &impl Facts) -> Result<(), LedgerError> {
    name("profile", &e.profile)?;
    for value in e.coefficients {
        above_zero("mass", "a coefficient", value)?;
    }
    for &entry in &e.trays {
        if !facts.is_tray(entry)? {
            return Err(number("mass", "a tray", &entry.to_string(), "an entry of a tray").into());
        }
    }
    Ok(())
}

fn hand_sorted(e: &HandSorted, why: Option<&str>, facts: &impl Facts) -> Result<(), LedgerError> {
    name("variety", &e.variety)?;
    name("tray", &e.tray)?;
    for (class, (share, g)) in Class::ALL.into_iter().zip(e.program.into_iter().zip(e.hand_g)) {
        if share.is_negative() || share > Decimal::ONE {
            let what = format!("the program's share of {}", class.name());
            return Err(number(&e.tray, &what, &share.to_string(), "0 to 1").into());
        }
        at_least_zero(&e.tray, &format!("the mass of {} in g", class.name()), g)?;
    }
    if e.hand_g.iter().all(|g| *g == Decimal::ZERO) {
        return Err(number(&e.tray, "the mass by hand in g", "0", "above 0").into());
    }
    if why.is_none() && facts.is_hand_sorted(&e.variety, &e.tray)? {
        let (variety, tray) = (e.variety.clone(), e.tray.clone());
        return Err(Refusal::HandSortedBefore { variety, tray }.into());
    }
    Ok(())
}
