//! A load in full, as text to read and as JSON.

use std::fmt::Write as _;

use serde::Serialize;

use super::Error;
use super::json::{PROGRAM, Program, to_bytes};
use super::text::{DISCLAIMER, percent, plural, write_figures, write_loss};
use crate::classify::Class;
use crate::dossier::{Dossier, LotDossier, Settled};
use crate::ledger::Receipt;
use crate::ledger::chain::Entry;
use crate::ledger::event::{Delivery, Event, PlannedTray, Word as _, outcome_word};
use crate::ledger::record::{LoadSummary, Stamp};
use crate::load::{Correction, CorrectionMethod, Scope, Validation};
use crate::terms::{Decimal, Outcome, Refusal, Rounding, Settlement, TermsVerdict};

/// Name and version of the document of a load.
pub const SCHEMA: &str = "acinus-load/1";

#[derive(Serialize)]
struct LoadJson<'a> {
    schema: &'static str,
    program: Program,
    #[serde(flatten)]
    dossier: &'a Dossier,
    receipt: Option<&'a Receipt>,
    disclaimer: &'static str,
}

/// The load as one JSON document.
///
/// # Errors
/// [`Error::Encode`] when it cannot be written.
pub fn json(dossier: &Dossier, receipt: Option<&Receipt>) -> Result<Vec<u8>, Error> {
    let disclaimer = DISCLAIMER;
    to_bytes(&LoadJson { schema: SCHEMA, program: PROGRAM, dossier, receipt, disclaimer })
}

/// The load as text.
pub fn text(dossier: &Dossier, receipt: Option<&Receipt>) -> String {
    let mut out = String::new();
    // Writing to a String cannot fail.
    let _ = write(&mut out, dossier, receipt);
    out
}

fn write(out: &mut String, d: &Dossier, receipt: Option<&Receipt>) -> std::fmt::Result {
    let names = [Some(d.grower.as_str()), d.block.as_deref(), d.variety.as_deref()];
    let names: Vec<&str> = names.into_iter().flatten().collect();
    let state = match receipt {
        None => "open".to_owned(),
        Some(r) => format!("closed {} by {}", r.closed, r.who),
    };
    writeln!(out, "{}: {}; {state}", d.load, names.join(", "))?;
    let delivered = delivery(&d.delivery, d.bins);
    if !delivered.is_empty() {
        writeln!(out, "  delivery: {}", delivered.join(", "))?;
    }
    writeln!(out)?;
    for lot in &d.lots {
        write_lot(out, lot)?;
    }
    if d.lots.is_empty() {
        writeln!(out, "  no tray yet: record photographs with `acinus load add PHOTO...`")?;
    }
    for r in &d.refused {
        let place = match (&r.lot, r.tray) {
            (Some(lot), Some(tray)) => format!("{lot} tray {tray}, "),
            _ => String::new(),
        };
        writeln!(out, "  refused photograph: {place}{}: {}", r.photo, r.reason)?;
    }
    if let Some(verdict) = &d.verdict {
        write_verdict(out, verdict)?;
    }
    if let Some(why) = &d.no_verdict {
        writeln!(out, "  {why}")?;
    }
    if let Some(v) = &d.loss_value {
        writeln!(
            out,
            "  sorting would take {} {} of rejects and {} of sound fruit at the contract's price, \
             {} together",
            v.rejects, v.currency, v.sound, v.total
        )?;
    }
    for line in &d.assumptions {
        writeln!(out, "  assumed: {line}")?;
    }
    for line in &d.cautions {
        writeln!(out, "  caution: {line}")?;
    }
    if let Some(receipt) = receipt {
        out.push_str(&self::receipt(receipt));
    }
    writeln!(out, "{DISCLAIMER}")
}

fn delivery(d: &Delivery, bins: Option<u32>) -> Vec<String> {
    let mut words = Vec::new();
    let mut add = |word: Option<String>| words.extend(word);
    add(bins.map(|n| plural(n as usize, "bin")));
    add(d.ticket.as_ref().map(|t| format!("ticket {t}")));
    add(d.net_kg.map(|kg| format!("net {kg} kg")));
    let masses =
        [("gross", d.gross_kg), ("empty truck", d.truck_tare_kg), ("empty bins", d.bin_tare_kg)];
    for (what, kg) in masses {
        add(kg.map(|kg| format!("{what} {kg} kg")));
    }
    for (what, at) in [("picked", &d.picked), ("received", &d.received), ("sampled", &d.sampled)] {
        add(at.as_ref().map(|at| format!("{what} {at}")));
    }
    add(d.picking.map(|p| format!("{} picked", p.word())));
    add(d.destemmed.map(|yes| if yes { "destemmed" } else { "not destemmed" }.to_owned()));
    add(d.sampling_point.map(|p| format!("sampled at: {}", p.word())));
    add(d.fruit_celsius.map(|c| format!("fruit {c} °C")));
    add(d.wet.map(|w| match w.word() {
        "dry" => "dry".to_owned(),
        word => format!("wet by {word}"),
    }));
    add(d.free_juice.map(|j| format!("free juice: {}", j.word())));
    if !d.bins_kg.is_empty() {
        add(Some(format!("{} weighed", plural(d.bins_kg.len(), "bin"))));
    }
    words
}

fn list(numbers: &[u32]) -> String {
    let words: Vec<String> = numbers.iter().map(u32::to_string).collect();
    words.join(", ")
}

/// `4 (bin 1), 6 (bin 3)`.
pub fn missing(trays: &[PlannedTray]) -> String {
    let words: Vec<String> = trays.iter().map(|t| format!("{} (bin {})", t.tray, t.bin)).collect();
    words.join(", ")
}

/// Rounded to hundredths, halves up.
pub(crate) fn cents(value: Decimal) -> String {
    value.to_step(Decimal::ONE.hundredth(), Rounding::HalfUp).with_places(2)
}

fn write_lot(out: &mut String, lot: &LotDossier) -> std::fmt::Result {
    let place = lot.sampling_point.map(|p| format!(", sampled at: {}", p.word()));
    let planned = match &lot.planned {
        Some(planned) => format!(" of {} planned", planned.len()),
        None => ", no plan".to_owned(),
    };
    write!(out, "{}{}: ", lot.lot, place.unwrap_or_default())?;
    write!(out, "{}{planned}", plural(lot.taken.len(), "tray"))?;
    if !lot.missing.is_empty() {
        write!(out, "; missing: {}", missing(&lot.missing))?;
    }
    if !lot.unplanned.is_empty() {
        write!(out, "; not asked for by the plan: {}", list(&lot.unplanned))?;
    }
    writeln!(out)?;
    if let Some(figures) = &lot.figures {
        let (objects, bins) = (plural(figures.objects, "object"), figures.bins);
        let bins = bins.map_or(String::new(), |n| format!(" from {}", plural(n, "bin")));
        let profile = lot.profiles.join(", ");
        writeln!(out, "  {objects}{bins}, about {:.0} g; profile {profile}", figures.mass_g)?;
        write_figures(out, figures)?;
        write_loss(out, figures)?;
    }
    if let Some(why) = &lot.no_figures {
        writeln!(out, "  no figures: {why}")?;
    }
    if !lot.settled.is_empty() {
        writeln!(out, "  by mass, with all that is known applied (95 % interval)")?;
        lot.settled.iter().try_for_each(|s| write_settled(out, s))?;
    }
    if let Some(figures) = &lot.figures {
        for more in &figures.further {
            let (low, high) = (100.0 * more.interval.low, 100.0 * more.interval.high);
            let unit = if figures.bins.is_some() { "bins" } else { "trays" };
            writeln!(
                out,
                "  with {} {unit} the rejects' interval by mass would be about {low:.1} to \
                 {high:.1} %",
                more.clusters
            )?;
        }
        figures.assumptions.iter().try_for_each(|a| writeln!(out, "  assumed: {a}"))?;
        figures.cautions.iter().try_for_each(|c| writeln!(out, "  caution: {c}"))?;
    }
    for r in &lot.retaken {
        let Stamp { at, who, why, .. } = &r.retaken;
        let why = why.as_deref().unwrap_or_default();
        writeln!(out, "  retaken: tray {} instead of {} ({who}, {at}: {why})", r.tray, r.photo)?;
    }
    lot.cautions.iter().try_for_each(|c| writeln!(out, "  caution: {c}"))?;
    writeln!(out)
}

fn write_settled(out: &mut String, s: &Settled) -> std::fmt::Result {
    let p = |v: f64| percent(v, s.estimate);
    write!(
        out,
        "  {:<11}{} % ({} to {})",
        s.name,
        p(s.estimate),
        p(s.interval.low),
        p(s.interval.high)
    )?;
    if s.scope != Scope::Load {
        write!(out, ", of these trays only")?;
    }
    if let Some(c) = s.correction.as_ref().filter(|_| s.corrected) {
        write!(out, "; {}", correction(c, p(s.apparent)))?;
    }
    if let Some(joined) = &s.joined {
        write!(out, "; coarse debris {} %", percent(joined.coarse, joined.coarse))?;
    }
    writeln!(out)
}

fn correction(c: &Correction, apparent: String) -> String {
    let method = match c.method {
        CorrectionMethod::Difference => "difference estimator",
        CorrectionMethod::RoganGladen => "Rogan-Gladen",
    };
    format!("read as {apparent} %, corrected by the review ({method})")
}

pub(crate) fn outcome(outcome: Outcome) -> &'static str {
    match outcome {
        Outcome::Accept => "accept",
        Outcome::Refuse => "refuse",
        Outcome::Undecided => "undecided",
    }
}

fn write_verdict(out: &mut String, v: &TermsVerdict) -> std::fmt::Result {
    let advisory = if v.advisory { " (advisory)" } else { "" };
    writeln!(out, "Terms \"{}\": {}{advisory}", v.terms, outcome(v.outcome))?;
    for rule in &v.rules {
        write!(out, "  {}: {} %", rule.name, cents(rule.share_percent))?;
        if let Some(d) = &rule.deduction {
            let off = match d.off {
                crate::terms::Off::Price => "price",
                crate::terms::Off::Weight => "weight",
            };
            write!(out, "; deduct {} % off {off}", cents(d.percent))?;
            if let (Some(low), Some(high)) = (d.at_low, d.at_high) {
                let (low, high) = (cents(low), cents(high));
                write!(out, " ({low} to {high} at the interval's ends)")?;
            }
            if d.capped {
                write!(out, ", capped")?;
            }
        }
        if let Some(refusal) = &rule.refusal {
            write!(out, "; {}", refusal_words(refusal, " %"))?;
        }
        writeln!(out)?;
    }
    for pieces in &v.pieces {
        let (rate, unit) = match pieces.interval {
            Some(i) => (format!("{:.2} ({:.2} to {:.2})", pieces.rate, i.low, i.high), " per kg"),
            None => (format!("{}", pieces.rate), " in the load"),
        };
        let words = refusal_words(&pieces.refusal, unit);
        writeln!(out, "  {}: {rate}{unit}; {words}", pieces.name)?;
    }
    v.settlement.steps.iter().try_for_each(|step| writeln!(out, "  {step}"))?;
    let ends: Vec<String> =
        [&v.settlement_at_low, &v.settlement_at_high].into_iter().flatten().map(paid).collect();
    if let [low, high] = &ends[..] {
        writeln!(out, "  at the interval's ends: {low}; {high}")?;
    }
    Ok(())
}

fn paid(s: &Settlement) -> String {
    match s.amount {
        Some(amount) => format!("{} kg for {amount}", s.paid_kg),
        None => format!("{} kg", s.paid_kg),
    }
}

pub(crate) fn refusal_words(r: &Refusal, unit: &str) -> String {
    let mut words = format!("limit {}{unit}: {}", r.limit, outcome(r.outcome));
    if r.outcome != r.counts_as {
        words.push_str(&format!(", counts as {}", outcome(r.counts_as)));
    }
    words
}

/// The receipt that both parties keep.
pub fn receipt(r: &Receipt) -> String {
    format!(
        "RECEIPT, to be kept by both parties\n  load     {}\n  closed   {} by {}\n  entries  {}\n  \
         head     {}\n  check with: acinus ledger verify --entries {} --head {}\n  \
         (and --ledger FILE, where the ledger is not the default one)\n",
        r.load, r.closed, r.who, r.entries, r.head, r.entries, r.head
    )
}

/// All loads, one a line.
pub fn loads(loads: &[LoadSummary]) -> String {
    let mut out = String::new();
    for l in loads {
        let planned =
            l.planned.map_or(String::new(), |n| format!(" ({} of {n} planned)", l.planned_in));
        let refused = match l.refused {
            0 => String::new(),
            n => format!(", {n} refused"),
        };
        let state = match (&l.closed, &l.outcome) {
            (None, _) => "open".to_owned(),
            (Some(at), None) => format!("closed {at}"),
            (Some(at), Some(outcome)) => format!("closed {at}: {outcome}"),
        };
        let variety = l.variety.as_ref().map_or(String::new(), |v| format!(", {v}"));
        let trays = plural(usize::try_from(l.trays).unwrap_or(usize::MAX), "tray");
        // Writing to a String cannot fail.
        let _ = writeln!(
            out,
            "{}: {}{variety}; {trays}{planned}, {} objects{refused}; {state}",
            l.load, l.grower, l.objects
        );
    }
    out
}

/// Agreement of program and hands, variety by variety.
pub fn validations(all: &[Validation]) -> String {
    let mut out = String::new();
    for v in all {
        // Writing to a String cannot fail.
        let _ = write_validation(&mut out, v);
    }
    out
}

fn write_validation(out: &mut String, v: &Validation) -> std::fmt::Result {
    writeln!(out, "{}: {} sorted by hand", v.variety, plural(v.trays, "tray"))?;
    let names = Class::ALL.map(Class::name).into_iter().chain(["rejects"]);
    let found = v.classes.iter().chain([&v.rejects]);
    if v.rejects.is_some() {
        writeln!(
            out,
            "  {:<11}{:<28}95 % limits of agreement for a tray",
            "", "bias, program minus hand"
        )?;
    }
    for (name, agreement) in names.zip(found) {
        let Some(a) = agreement else { continue };
        let p = |share: f64| format!("{:+.2}", 100.0 * share);
        let bias =
            format!("{} ({} to {})", p(a.bias), p(a.bias_interval.low), p(a.bias_interval.high));
        writeln!(out, "  {name:<11}{bias:<28}{} to {}", p(a.limits.low), p(a.limits.high))?;
    }
    if v.rejects.is_some() {
        writeln!(out, "  in percentage points of mass; 95 % interval of the bias in brackets")?;
    }
    match &v.notice {
        Some(notice) => writeln!(out, "  {notice}"),
        None => writeln!(out, "  validated for this variety"),
    }
}

/// The history, one line an entry.
///
/// # Errors
/// [`Error::Encode`] when an entry says nothing that this program understands.
pub fn history(entries: &[Entry], load: Option<&str>) -> Result<String, Error> {
    let mut out = String::new();
    for entry in entries {
        let event =
            entry.event().map_err(|e| Error::Encode { what: "the history", why: e.to_string() })?;
        if load.is_some() && event.load() != load {
            continue;
        }
        let why = entry.why.as_ref().map_or(String::new(), |why| format!("; why: {why}"));
        let what = said(&event);
        // Writing to a String cannot fail.
        let _ = writeln!(out, "{:>6}  {}  {}: {what}{why}", entry.seq, entry.at, entry.who);
    }
    Ok(out)
}

/// What an event says, in words.
pub fn said(event: &Event) -> String {
    match event {
        Event::LedgerBegun(e) => format!("ledger begun by {}", e.program),
        Event::LoadOpened(e) => format!("load {} of {} opened", e.load, e.grower),
        Event::DeliveryRecorded(e) => {
            let words = delivery(&e.delivery, None);
            format!("delivery of {}: {}", e.load, words.join(", "))
        }
        Event::LotDescribed(e) => {
            format!("{} {} sampled at: {}", e.load, e.lot, e.sampling_point.word())
        }
        Event::TermsFixed(e) => format!("terms \"{}\" fixed for {}", e.name, e.load),
        Event::PlanFixed(e) => format!(
            "plan for {} {}: {}, seed {}",
            e.load,
            e.lot,
            plural(e.trays.len(), "tray"),
            e.seed
        ),
        Event::TrayRecorded(e) => {
            let verb = if e.retake { "retaken" } else { "recorded" };
            let objects = plural(e.objects.len(), "object");
            format!("tray {} of {} {} {verb}: {objects}, {}", e.tray, e.load, e.lot, e.photo.name)
        }
        Event::PhotoRefused(e) => format!("photograph {} refused: {}", e.photo.name, e.reason),
        Event::ObjectCorrected(e) => format!(
            "object {} of tray {} of {} {} is {}{}",
            e.object,
            e.tray,
            e.load,
            e.lot,
            outcome_word(e.class),
            if e.confirmed { ", as it was read" } else { "" }
        ),
        Event::ReviewDrawn(e) => format!(
            "{} of {} in {} {} drawn for review, seed {}",
            e.objects.len(),
            e.of,
            e.load,
            e.lot,
            e.seed
        ),
        Event::ReviewRecorded(e) => {
            format!("review of draw {} of {} {} recorded", e.draw, e.load, e.lot)
        }
        Event::TrayWeighed(e) => format!("tray {} of {} {} weighed", e.tray, e.load, e.lot),
        Event::CoarseWeighed(e) => format!(
            "coarse debris of {} {}: {} kg of {} kg in {}",
            e.load,
            e.lot,
            e.coarse_kg,
            e.increment_kg,
            plural(e.pieces as usize, "piece")
        ),
        Event::PiecesCounted(e) => format!("{} {} counted in {}", e.pieces, e.name, e.load),
        Event::MassFitted(e) => format!(
            "mass coefficients of profile {} fitted from {}: {}",
            e.profile,
            plural(e.trays.len(), "tray"),
            e.coefficients.map(|c| c.with_places(3)).join(", ")
        ),
        Event::HandSorted(e) => format!("tray {} of {} sorted by hand", e.tray, e.variety),
        Event::SheetIssued(e) => {
            format!("sheet of {} issued, {} bytes, SHA-256 {}", e.load, e.bytes, e.sha256)
        }
        Event::LoadClosed(e) => {
            let outcome = e.outcome.as_ref().map_or(String::new(), |o| format!(": {o}"));
            format!("load {} closed{outcome}", e.load)
        }
        Event::OutlinesChanged(e) => {
            let numbers = |list: &mut dyn Iterator<Item = u32>| {
                list.map(|n| n.to_string()).collect::<Vec<_>>().join(", ")
            };
            let gone = numbers(&mut e.gone.iter().copied());
            let come = numbers(&mut e.come.iter().map(|o| o.object));
            let what = match (gone.is_empty(), come.is_empty()) {
                (_, true) => format!("object {gone} removed"),
                (true, _) => format!("object {come} drawn"),
                _ => format!("object {gone} is {come} now ({})", e.action),
            };
            format!("{what}, on tray {} of {} {}", e.tray, e.load, e.lot)
        }
        Event::ObjectTagged(e) => {
            let tags = if e.tags.is_empty() { "nothing".to_owned() } else { e.tags.join(", ") };
            let place = format!("tray {} of {} {}", e.tray, e.load, e.lot);
            format!("object {} of {place} tagged: {tags}", e.object)
        }
        Event::EditTakenBack(e) => {
            format!("entry {} taken back, on tray {} of {} {}", e.edit, e.tray, e.load, e.lot)
        }
        Event::EditDoneAgain(e) => {
            format!("entry {} done again, on tray {} of {} {}", e.edit, e.tray, e.load, e.lot)
        }
        Event::PartiesBegun(e) => format!(
            "{} (grower) and {} (winery) begin to review {} {}",
            e.grower, e.winery, e.load, e.lot
        ),
        Event::PartyJudged(e) => {
            format!("{} judged {}", e.party.word(), plural(e.judged.len(), "object"))
        }
        Event::PartyFinished(e) => format!("{} has judged all objects", e.party.word()),
        Event::DifferencesSettled(e) => {
            format!("{} settled between the parties", plural(e.settled.len(), "object"))
        }
        Event::PartyAccepted(e) => format!("{} accepts figures {}", e.party.word(), e.figures),
        Event::PartyRefused(e) => format!("{} does not agree", e.party.word()),
        Event::PartiesGaveUp(e) => {
            format!("review {} of {} {} given up", e.review, e.load, e.lot)
        }
        Event::ProfileDecided(e) => {
            let verb = if e.adopted { "adopted" } else { "not adopted" };
            format!("profile {} taught from {}: {verb}", e.profile, plural(e.trays.len(), "tray"))
        }
    }
}
