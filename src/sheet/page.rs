//! A sheet's words, ready for the template, which only says where they stand.

use serde::Serialize;

use super::figures::{Figures, streams};
use super::pictures::{CropsShown, TrayShown};
use super::words::{SHORT_TON_KG, Settings, Units};
use super::{ATTACHMENT, SheetError, Source};
use crate::classify::{Class, Outcome};
use crate::dossier::{LotDossier, Settled};
use crate::ledger::event::Word as _;
use crate::ledger::record::{LotRecord, Stamp};
use crate::load::{GroupFigures, LotFigures, Scope, Share};
use crate::parties;
use crate::print::Page;
use crate::print::qr::Symbol;
use crate::report::dossier::{cents, outcome, refusal_words};
use crate::report::palette::{self, LineStyle};
use crate::report::text::{DISCLAIMER, percent, plural, step};
use crate::stats::Interval;
use crate::streams::{Estimate, Streams};
use crate::terms::{self, Decimal, Off, Outcome as Verdict, Settlement, TermsVerdict};

/// How much is told; what is left out is counted and stands in the attached figures.
#[derive(Debug, Clone, Copy)]
pub struct Detail {
    /// Most lines of a list.
    lines: usize,
    /// Most lots with a table of their own.
    lots: usize,
    /// Most lots in the table of the sampling.
    sampled: usize,
    /// Most letters of a line.
    letters: usize,
}

/// From all to what always fits on three pages.
pub const DETAILS: [Detail; 5] = [
    Detail { lines: 60, lots: 6, sampled: 16, letters: 600 },
    Detail { lines: 20, lots: 5, sampled: 12, letters: 400 },
    Detail { lines: 10, lots: 4, sampled: 8, letters: 300 },
    Detail { lines: 5, lots: 3, sampled: 6, letters: 200 },
    Detail { lines: 2, lots: 2, sampled: 4, letters: 120 },
];

/// Grey of bars that are no class of their own.
const GREY: &str = "#a8a8a8";

/// Pictures that are shown.
pub struct Shown {
    /// Trays.
    pub trays: Vec<TrayShown>,
    /// Objects.
    pub crops: Vec<CropsShown>,
    /// Classes on the trays.
    pub classes: Vec<Outcome>,
}

type Pair = (String, String);

/// All that the template reads.
#[derive(Serialize)]
pub struct SheetData<'a> {
    page: Page,
    attachment: &'static str,
    load: &'a str,
    draft: bool,
    state: String,
    facts: [Vec<Pair>; 2],
    sampling: Vec<Sampling>,
    reasons: Listing,
    lots: Vec<LotTable>,
    lots_short: Vec<String>,
    plots: Vec<Plot>,
    verdict: Option<VerdictWords>,
    no_verdict: String,
    pictures: &'a [TrayShown],
    legend: Vec<Legend>,
    crops: &'a [CropsShown],
    crops_note: String,
    histogram: Option<Histogram>,
    sizes: Option<Vec<Pair>>,
    streams: Option<StreamTable>,
    notes: Vec<Note>,
    standing: Vec<String>,
    signatures: [Signature; 2],
    ledger: LedgerWords,
}

#[derive(Serialize)]
struct Sampling {
    lot: String,
    point: String,
    planned: String,
    taken: String,
    bins: String,
    retaken: String,
    refused: String,
    missing: String,
    seed: String,
}

#[derive(Serialize)]
struct Listing {
    lines: Vec<String>,
    more: usize,
}

#[derive(Serialize)]
struct Note {
    title: &'static str,
    #[serde(flatten)]
    listing: Listing,
}

#[derive(Serialize)]
struct LotTable {
    lot: String,
    headline: String,
    rows: Vec<Row>,
    note: String,
}

#[derive(Serialize)]
struct Row {
    name: &'static str,
    count: String,
    by_mass: String,
    by_count: String,
    sum: bool,
}

#[derive(Serialize)]
struct Tick {
    at: f64,
    label: String,
}

#[derive(Serialize)]
struct Plot {
    title: String,
    max: f64,
    ticks: Vec<Tick>,
    rows: Vec<Bar>,
    whiskers: &'static str,
}

#[derive(Serialize)]
struct Bar {
    name: &'static str,
    colour: String,
    sum: bool,
    mass: [f64; 3],
    count: [f64; 3],
}

#[derive(Serialize)]
struct VerdictWords {
    heading: String,
    under: String,
    rules: Vec<String>,
    steps: Vec<String>,
    result: String,
    beside: Vec<String>,
}

#[derive(Serialize)]
struct Legend {
    name: &'static str,
    letter: String,
    colour: String,
    line: &'static str,
}

#[derive(Serialize)]
struct Histogram {
    title: String,
    bars: usize,
    axis: &'static str,
    ticks: Vec<Tick>,
    rows: Vec<HistogramRow>,
}

#[derive(Serialize)]
struct HistogramRow {
    name: String,
    colour: String,
    total: String,
    most: usize,
    counts: Vec<usize>,
}

#[derive(Serialize)]
struct StreamTable {
    title: &'static str,
    columns: Vec<String>,
    rows: Vec<Vec<String>>,
    lines: Vec<String>,
}

#[derive(Serialize)]
struct Signature {
    party: String,
    words: String,
}

#[derive(Serialize)]
struct LedgerWords {
    entries: u64,
    head: String,
    code: Symbol,
    lines: Vec<String>,
}

/// The sheet's words at some detail.
///
/// # Errors
/// [`SheetError`] when the ledger cannot be read.
pub fn page<'a>(
    source: &'a Source<'_>,
    figures: &Figures,
    settings: &Settings,
    shown: &'a Shown,
    detail: Detail,
) -> Result<SheetData<'a>, SheetError> {
    let Source { record, dossier, basis, head, .. } = source;
    let w = Writer { settings, detail };
    let (entries, load) = (basis.entry, record.load.as_str());
    let state = match &record.closed {
        Some(closed) => format!("Closed {}", w.stamp(closed)),
        None => format!(
            "the load is open and its figures may still change; as of entry {entries}, {}",
            w.time(&basis.at)
        ),
    };
    let with_trays: Vec<&LotDossier> =
        dossier.lots.iter().filter(|l| l.figures.is_some() || l.no_figures.is_some()).collect();
    let tables: Vec<&LotDossier> = with_trays.iter().copied().take(detail.lots).collect();
    let mut lots_short: Vec<String> =
        with_trays.iter().skip(detail.lots).take(detail.lines).map(|l| w.short(l)).collect();
    let more = with_trays.len().saturating_sub(detail.lots + detail.lines);
    if more > 0 {
        lots_short.push(format!("and {more} more lots: in the attached figures"));
    }
    let first = dossier.lots.iter().find_map(|l| Some((l, l.figures.as_ref()?)));
    let found_streams = match streams(source)? {
        Some(Ok(found)) => Some(w.streams(&found)),
        Some(Err(_)) | None => None,
    };
    let mut standing = vec![DISCLAIMER.to_owned()];
    if found_streams.is_some() {
        standing.push(
            "Lock out machinery before reaching in; the maker's manual and local safety rules \
             govern."
                .to_owned(),
        );
    }
    let check = format!("acinus ledger verify --entries {entries} --head {head}");
    Ok(SheetData {
        page: Page::new(settings.paper),
        attachment: ATTACHMENT,
        load,
        draft: record.closed.is_none(),
        state,
        facts: w.facts(source),
        sampling: w.sampling(source),
        reasons: w.reasons(source),
        lots: tables.iter().map(|l| w.table(l)).collect(),
        lots_short,
        plots: first.map(|(lot, figures)| w.plot(lot, figures)).into_iter().collect(),
        verdict: w.verdict(source),
        no_verdict: match (&dossier.no_verdict, &record.terms) {
            (Some(why), _) => w.clip(why),
            (None, _) => "No contract is recorded for this load: no verdict and no deduction.".to_owned(),
        },
        pictures: &shown.trays,
        legend: legend(&shown.classes),
        crops: &shown.crops,
        crops_note: "Drawn at random from the trays pictured, by the ledger's hash; the trays are the first \
                     and the last by number (of a lot with one tray, that one): nobody chose them."
            .to_owned(),
        histogram: first.and_then(|(lot, _)| w.histogram(lot, figures)),
        sizes: first.map(|(_, figures)| w.sizes(figures)),
        streams: found_streams,
        notes: w.notes(source, figures)?,
        standing,
        signatures: w.signatures(source),
        ledger: LedgerWords {
            entries,
            head: head.clone(),
            code: Symbol::encode_any(&check)?,
            lines: vec![
                format!(
                    "{entries} entries, the last of them of {}. The symbol on page 1 holds: acinus \
                     ledger verify --entries {entries} --head (the hash below)",
                    w.time(&basis.at)
                ),
                "This file, its figures and the photographs are checked with: acinus sheet verify \
                 FILE"
                    .to_owned(),
            ],
        },
    })
}

fn legend(classes: &[Outcome]) -> Vec<Legend> {
    let line = |style| match style {
        LineStyle::Solid => "solid",
        LineStyle::Dashed => "dashed",
        LineStyle::Dotted => "dotted",
        LineStyle::Double => "double",
        LineStyle::DashDot => "dash-dot",
    };
    let one = |outcome: &Outcome| {
        let look = palette::look(*outcome);
        // Sound berries carry no letter in the pictures.
        let letter =
            if *outcome == Some(Class::Sound) { String::new() } else { look.letter.into() };
        Legend { name: look.name, letter, colour: palette::hex(look.colour), line: line(look.line) }
    };
    classes.iter().map(one).collect()
}

/// `1 to 3, 5`.
fn ranges(numbers: &[u32]) -> String {
    let mut sorted = numbers.to_vec();
    sorted.sort_unstable();
    let runs = sorted.chunk_by(|a, b| b.wrapping_sub(*a) == 1);
    let words: Vec<String> = runs
        .map(|run| match run {
            [one] => one.to_string(),
            [first, second] => format!("{first}, {second}"),
            [first, .., last] => format!("{first} to {last}"),
            [] => String::new(),
        })
        .collect();
    words.join(", ")
}

/// Writes figures in the reader's way, at some detail.
struct Writer<'a> {
    settings: &'a Settings,
    detail: Detail,
}

impl Writer<'_> {
    /// Long words cut short.
    fn clip(&self, words: &str) -> String {
        if words.chars().count() <= self.detail.letters {
            return words.to_owned();
        }
        words.chars().take(self.detail.letters).chain(['…']).collect()
    }

    fn time(&self, at: &str) -> String {
        self.settings.time(at)
    }

    /// `2026-11-25 07:42 UTC by lab`.
    fn stamp(&self, stamp: &Stamp) -> String {
        format!("{} by {}", self.time(&stamp.at), self.clip(&stamp.who))
    }

    /// `2026-11-25 07:42 UTC by lab: why`.
    fn said(&self, stamp: &Stamp) -> String {
        let why = stamp.why.as_ref().map_or(String::new(), |why| format!(": {}", self.clip(why)));
        format!("{}{why}", self.stamp(stamp))
    }

    fn listing(&self, lines: Vec<String>) -> Listing {
        let more = lines.len().saturating_sub(self.detail.lines);
        let lines = lines.iter().take(self.detail.lines).map(|l| self.clip(l)).collect();
        Listing { lines, more }
    }

    fn share(&self, share: &Share) -> String {
        self.estimate(share.estimate, &share.interval)
    }

    /// `7.7 % (5.9 to 9.9)`.
    fn estimate(&self, estimate: f64, interval: &Interval) -> String {
        let p = |v: f64| self.settings.digits(&percent(v, estimate));
        format!("{}\u{a0}% ({} to {})", p(estimate), p(interval.low), p(interval.high))
    }

    fn facts(&self, source: &Source<'_>) -> [Vec<Pair>; 2] {
        let (r, d, s) = (&source.record, &source.record.delivery, self.settings);
        let mut who = Vec::new();
        let mut add = |label: &str, value: Option<String>| {
            who.extend(value.map(|v| (label.to_owned(), self.clip(&v))));
        };
        add("Grower", Some(r.grower.clone()));
        add("Block", r.block.clone());
        add("Variety", r.variety.clone());
        let fixed = r.terms.as_ref();
        add("Terms", fixed.map(|t| format!("{}, fixed {}", t.name, self.stamp(&t.fixed))));
        add("Ticket", d.ticket.clone());
        let parts = [
            ("gross", d.gross_kg),
            ("empty truck", d.truck_tare_kg),
            ("empty bins", d.bin_tare_kg),
        ];
        let parts: Vec<String> = parts
            .into_iter()
            .filter_map(|(name, kg)| Some(format!("{name} {}", s.kg(kg?))))
            .collect();
        let parts =
            if parts.is_empty() { String::new() } else { format!(" ({})", parts.join(", ")) };
        let converted = |kg: Decimal| match s.units {
            Units::Metric => String::new(),
            Units::Us => format!(" = {}\u{a0}kg", s.number(&kg.to_string())),
        };
        add("Net mass", d.net_kg.map(|kg| format!("{}{}{parts}", s.kg(kg), converted(kg))));
        let mut when = Vec::new();
        let mut add = |label: &str, value: Option<String>| {
            when.extend(value.map(|v| (label.to_owned(), self.clip(&v))));
        };
        let picking = d.picking.map_or(String::new(), |p| format!(", by {}", p.word()));
        let picked = d.picked.as_ref().map(|at| format!("{}{picking}", self.time(at)));
        add("Picked", picked.or_else(|| d.picking.map(|p| format!("by {}", p.word()))));
        add("Received", d.received.as_ref().map(|at| self.time(at)));
        add("Sampled", d.sampled.as_ref().map(|at| self.time(at)));
        let weighed = match d.bins_kg.len() {
            0 => String::new(),
            n => format!(", {n} of them weighed"),
        };
        add("Bins", r.bins.map(|n| format!("{n}{weighed}")));
        let wet = d.wet.map(|w| match w.word() {
            "dry" => "dry".to_owned(),
            by => format!("wet by {by}"),
        });
        let destemmed =
            d.destemmed.map(|yes| if yes { "destemmed" } else { "not destemmed" }.to_owned());
        let fruit: Vec<String> =
            [d.fruit_celsius.map(|c| s.celsius(c)), wet, destemmed].into_iter().flatten().collect();
        add("Fruit", (!fruit.is_empty()).then(|| fruit.join(", ")));
        add("Free juice", d.free_juice.map(|j| j.word().to_owned()));
        add("Opened", Some(self.stamp(&r.opened)));
        [who, when]
    }

    fn sampling(&self, source: &Source<'_>) -> Vec<Sampling> {
        let lots = source.dossier.lots.iter();
        let mut rows: Vec<Sampling> = lots
            .clone()
            .take(self.detail.sampled)
            .map(|lot| {
                let record = source.record.lots.iter().find(|r| r.lot == lot.lot);
                self.sampled(source, lot, record)
            })
            .collect();
        let more = lots.len().saturating_sub(self.detail.sampled);
        if more > 0 {
            let dash = || String::new();
            rows.push(Sampling {
                lot: format!("{more} more"),
                point: dash(),
                planned: dash(),
                taken: dash(),
                bins: dash(),
                retaken: dash(),
                refused: dash(),
                missing: dash(),
                seed: "in the attached figures".to_owned(),
            });
        }
        rows
    }

    fn sampled(
        &self,
        source: &Source<'_>,
        lot: &LotDossier,
        record: Option<&LotRecord>,
    ) -> Sampling {
        let none = || "–".to_owned();
        let count = |n: usize| if n == 0 { none() } else { n.to_string() };
        let plan = record.and_then(|r| r.plan.as_ref());
        let trays = ranges(&lot.taken);
        let taken = match lot.taken.len() {
            0 => "0".to_owned(),
            n if trays.chars().count() <= 24 => format!("{n} ({trays})"),
            n => n.to_string(),
        };
        let refused = source.record.refused.iter().filter(|r| r.lot.as_ref() == Some(&lot.lot));
        Sampling {
            lot: self.clip(&lot.lot),
            point: lot
                .sampling_point
                .map_or_else(|| "not recorded".to_owned(), |p| p.word().to_owned()),
            planned: lot.planned.as_ref().map_or("no plan".to_owned(), |p| p.len().to_string()),
            taken,
            bins: lot
                .figures
                .as_ref()
                .and_then(|f| f.bins)
                .map_or("not known".to_owned(), |n| n.to_string()),
            retaken: count(lot.retaken.len()),
            refused: count(refused.count()),
            missing: count(lot.missing.len()),
            seed: plan
                .map_or_else(none, |(p, said)| format!("{}, fixed {}", p.seed, self.stamp(said))),
        }
    }

    /// Why trays are not as planned.
    fn reasons(&self, source: &Source<'_>) -> Listing {
        let mut lines = Vec::new();
        for lot in &source.dossier.lots {
            if !lot.missing.is_empty() {
                let trays: Vec<u32> = lot.missing.iter().map(|t| t.tray).collect();
                lines.push(format!(
                    "{}: of the planned trays {} are not in: {}; no reason is recorded",
                    lot.lot,
                    trays.len(),
                    ranges(&trays)
                ));
            }
            if !lot.unplanned.is_empty() {
                let trays = ranges(&lot.unplanned);
                lines.push(format!("{}: not asked for by the plan: {trays}", lot.lot));
            }
            lines.extend(lot.retaken.iter().map(|r| {
                format!(
                    "{} tray {} retaken instead of {}, {}",
                    lot.lot,
                    r.tray,
                    r.photo,
                    self.said(&r.retaken)
                )
            }));
        }
        lines.extend(source.record.refused.iter().map(|r| {
            let place = match (&r.lot, r.tray) {
                (Some(lot), Some(tray)) => format!("{lot} tray {tray}, "),
                _ => String::new(),
            };
            format!("refused photograph: {place}{}: {}", r.photo, r.reason)
        }));
        self.listing(lines)
    }

    fn table(&self, lot: &LotDossier) -> LotTable {
        let Some(figures) = &lot.figures else {
            let why = lot.no_figures.as_deref().unwrap_or_default();
            let headline = format!("no figures: {}", self.clip(why));
            return LotTable {
                lot: lot.lot.clone(),
                headline,
                rows: Vec::new(),
                note: String::new(),
            };
        };
        let bins = figures.bins.map_or(String::new(), |n| format!(" from {}", plural(n, "bin")));
        let headline = format!(
            "{}, {}{bins}, about {}; profile {}",
            plural(figures.trays, "tray"),
            plural(figures.objects, "object"),
            self.settings.grams(figures.mass_g),
            self.clip(&lot.profiles.join(", "))
        );
        let mut rows: Vec<Row> =
            named(figures).map(|(name, group)| self.row(name, group, settled(lot, name))).collect();
        let u = &figures.unassigned;
        if u.count > 0 {
            let alone = |v: f64| format!("{}\u{a0}%", self.settings.digits(&percent(v, v)));
            rows.push(Row {
                name: "unassigned",
                count: u.count.to_string(),
                by_mass: alone(u.share_by_mass),
                by_count: alone(u.share_by_count),
                sum: false,
            });
        }
        let mut note = Vec::new();
        match figures.rejects.by_mass.scope {
            Scope::Load => {}
            Scope::OneTray => note.push("The intervals speak of this one tray's fruit.".to_owned()),
            Scope::TheseTraysOnly => note.push(
                "The intervals speak of these trays' fruit: fewer than three bins.".to_owned(),
            ),
        }
        if settled(lot, "rejects").is_some() {
            note.push(format!(
                "By mass with all that is known applied ({}); as the trays show it, rejects {}.",
                applied(lot),
                self.share(&figures.rejects.by_mass)
            ));
        }
        LotTable { lot: lot.lot.clone(), headline, rows, note: note.join(" ") }
    }

    fn row(&self, name: &'static str, group: &GroupFigures, settled: Option<&Settled>) -> Row {
        Row {
            name,
            count: group.count.to_string(),
            by_mass: match settled {
                Some(s) => self.estimate(s.estimate, &s.interval),
                None => self.share(&group.by_mass),
            },
            by_count: self.share(&group.by_count),
            sum: name == "rejects",
        }
    }

    /// A lot in one line.
    fn short(&self, lot: &LotDossier) -> String {
        match &lot.figures {
            Some(f) => format!(
                "{}: {}, {}; rejects by mass {}, by count {}",
                self.clip(&lot.lot),
                plural(f.trays, "tray"),
                plural(f.objects, "object"),
                self.share(&f.rejects.by_mass),
                self.share(&f.rejects.by_count)
            ),
            None => format!(
                "{}: no figures: {}",
                self.clip(&lot.lot),
                self.clip(lot.no_figures.as_deref().unwrap_or_default())
            ),
        }
    }

    fn plot(&self, lot: &LotDossier, figures: &LotFigures) -> Plot {
        let three = |e: f64, i: &Interval| [e, i.low, i.high];
        let rows: Vec<Bar> = named(figures)
            .filter(|(name, _)| *name != Class::Sound.name())
            .map(|(name, group)| {
                let class = Class::ALL.into_iter().find(|c| c.name() == name);
                let mass = match settled(lot, name) {
                    Some(s) => three(s.estimate, &s.interval),
                    None => three(group.by_mass.estimate, &group.by_mass.interval),
                };
                Bar {
                    name,
                    colour: class
                        .map_or(GREY.to_owned(), |c| palette::hex(palette::look(Some(c)).colour)),
                    sum: class.is_none(),
                    mass,
                    count: three(group.by_count.estimate, &group.by_count.interval),
                }
            })
            .collect();
        let most = rows.iter().flat_map(|r| [r.mass[2], r.count[2]]).fold(0.0, f64::max);
        let step = step(100.0 * most);
        let steps = (100.0 * most / step).ceil().max(1.0) as u32;
        let max = f64::from(steps) * step / 100.0;
        let decimals = if step < 1.0 { 1 } else { 0 };
        let ticks = (0..=steps)
            .map(|i| {
                let at = f64::from(i) * step;
                let label = self.settings.digits(&format!("{at:.decimals$}"));
                Tick { at: at / 100.0, label: format!("{label}\u{a0}%") }
            })
            .collect();
        let title = format!("{}: what is not sound, per cent", self.clip(&lot.lot));
        Plot { title, max, ticks, rows, whiskers: "95 % interval" }
    }

    fn verdict(&self, source: &Source<'_>) -> Option<VerdictWords> {
        let verdict = source.dossier.verdict.as_ref()?;
        let terms = source.record.terms.as_ref().and_then(|t| terms::check(&t.text).ok());
        let s = self.settings;
        let advisory = match verdict.advisory {
            true => "; advisory: the variety is not yet validated against trays sorted by hand",
            false => "",
        };
        let mut rules: Vec<String> =
            verdict.rules.iter().map(|r| self.rule(r, terms.as_ref())).collect();
        rules.extend(verdict.pieces.iter().map(|p| {
            let (rate, unit) = match &p.interval {
                Some(i) => (format!("{:.2} ({:.2} to {:.2})", p.rate, i.low, i.high), " per kg"),
                None => (format!("{}", p.rate), " in the load"),
            };
            let words = refusal_words(&p.refusal, unit);
            s.digits(&format!("{}: {rate}{unit}; {words}", p.name))
        }));
        let currency = terms.as_ref().and_then(|t| t.currency.clone()).unwrap_or_default();
        let paid = |p: &Settlement| match p.amount {
            Some(amount) => {
                format!("{} for {}", self.paid_kg(p.paid_kg), self.money(amount, &currency))
            }
            None => self.paid_kg(p.paid_kg),
        };
        let settlement = &verdict.settlement;
        let gross = match (settlement.gross, settlement.amount) {
            (Some(gross), Some(_)) => {
                format!(" (without any deduction {})", self.money(gross, &currency))
            }
            _ => String::new(),
        };
        let result = format!("To pay if the load is taken: {}{gross}", paid(settlement));
        Some(VerdictWords {
            heading: verdict_word(verdict.outcome).to_owned(),
            under: format!("by the terms \"{}\"{advisory}", self.clip(&verdict.terms)),
            rules: rules.iter().take(self.detail.lines).map(|r| self.clip(r)).collect(),
            steps: settlement.steps.iter().map(|step| s.digits(step)).collect(),
            result,
            beside: self.beside(source, verdict, &paid),
        })
    }

    fn beside(
        &self,
        source: &Source<'_>,
        verdict: &TermsVerdict,
        paid: &dyn Fn(&Settlement) -> String,
    ) -> Vec<String> {
        let s = self.settings;
        let mut lines = Vec::new();
        if let (Some(low), Some(high)) = (&verdict.settlement_at_low, &verdict.settlement_at_high) {
            lines.push(format!(
                "For information, with the shares at their intervals' ends: {}; {}",
                paid(low),
                paid(high)
            ));
        }
        if s.units == Units::Us {
            lines.push(format!(
                "The contract's arithmetic is in kilograms and tonnes of 1000 kg: paid mass {} = {} \
                 of {} kg.",
                self.paid_kg(verdict.settlement.paid_kg),
                s.heavy(verdict.settlement.paid_kg.to_f64()),
                s.digits(&format!("{SHORT_TON_KG:.3}"))
            ));
        }
        let loss = source.dossier.lots.iter().find_map(|l| l.figures.as_ref()?.loss.as_ref());
        if let Some(loss) = loss {
            let worth = source.dossier.loss_value.as_ref().map_or(String::new(), |v| {
                format!(", at the contract's price {}", self.money(v.total, &v.currency))
            });
            lines.push(format!(
                "Sorting would take an estimated {} ({} to {}) out of the load{worth}: no part of \
                 the settlement.",
                s.about_kg(loss.total.kg),
                s.about_kg(loss.total.low_kg),
                s.about_kg(loss.total.high_kg)
            ));
        }
        lines
    }

    /// A paid mass in the contract's own unit.
    fn paid_kg(&self, kg: Decimal) -> String {
        format!("{}\u{a0}kg", self.settings.number(&kg.to_string()))
    }

    fn money(&self, amount: Decimal, currency: &str) -> String {
        let amount = self.settings.number(&cents(amount));
        format!("{amount}\u{a0}{currency}").trim_end().to_owned()
    }

    /// A rule with its arithmetic.
    fn rule(&self, r: &terms::RuleResult, terms: Option<&terms::Terms>) -> String {
        let own = terms.and_then(|t| t.rules.iter().find(|rule| rule.name == r.name));
        let basis = own.map_or(String::new(), |rule| format!(" by {}", rule.basis.name()));
        let mut words = format!("{}: {} %{basis}", r.name, cents(r.share_percent));
        if let (Some(d), Some(rule)) = (&r.deduction, own) {
            let off = match d.off {
                Off::Price => "price",
                Off::Weight => "weight",
            };
            let rate = rule.deduct_per_point.unwrap_or_default();
            let free = rule.free_percent;
            if r.share_percent > free {
                words.push_str(&format!(
                    "; ({} \u{2212} {free}) points above the free {free} % × {rate} % = {} % off the \
                     {off}",
                    r.share_percent, d.percent
                ));
            } else {
                words.push_str(&format!("; no more than the free {free} %: nothing off the {off}"));
            }
            if let (true, Some(cap)) = (d.capped, rule.cap_percent) {
                words.push_str(&format!(", capped at {cap} %"));
            }
            if let (Some(low), Some(high)) = (d.at_low, d.at_high) {
                words.push_str(&format!(
                    " ({} to {} at the interval's ends)",
                    cents(low),
                    cents(high)
                ));
            }
        }
        if let Some(refusal) = &r.refusal {
            words.push_str(&format!("; {}", refusal_words(refusal, " %")));
        }
        self.settings.digits(&words)
    }

    fn histogram(&self, lot: &LotDossier, figures: &Figures) -> Option<Histogram> {
        let bars = figures.diameters.iter().map(|d| d.objects.len()).max()?.max(20);
        let rows = figures
            .diameters
            .iter()
            .map(|d| {
                let of = crate::ledger::event::outcome_of(&d.class).unwrap_or_default();
                HistogramRow {
                    name: d.class.clone(),
                    colour: palette::hex(palette::look(of).colour),
                    total: d.objects.iter().sum::<usize>().to_string(),
                    most: d.objects.iter().copied().max().unwrap_or(1),
                    counts: d.objects.clone(),
                }
            })
            .collect();
        let ticks = (0..=bars / 5)
            .map(|i| Tick { at: (5 * i) as f64 / bars as f64, label: (5 * i).to_string() })
            .collect();
        Some(Histogram {
            title: format!("{}: diameters by class, number of objects", self.clip(&lot.lot)),
            bars,
            axis: "diameter of the ball of the same estimated volume, mm (bars of 1 mm)",
            ticks,
            rows,
        })
    }

    fn sizes(&self, figures: &LotFigures) -> Vec<Pair> {
        let words = |d: &crate::load::DiameterSpread| {
            let sd = d.sd_mm.map_or(String::new(), |s| format!(", standard deviation {s:.1} mm"));
            self.settings.digits(&format!("{:.1} mm on average{sd}", d.mean_mm))
        };
        let mut rows = vec![("Diameters".to_owned(), "each row has its own scale".to_owned())];
        rows.extend(
            figures
                .classes
                .iter()
                .filter_map(|c| Some((c.class.name().to_owned(), words(c.diameter.as_ref()?)))),
        );
        rows.extend(figures.berry_diameter.as_ref().map(|d| ("all berries".to_owned(), words(d))));
        rows
    }

    fn streams(&self, found: &Streams) -> StreamTable {
        let percent_of = |e: &Estimate| self.estimate(e.estimate, &e.interval);
        let mut columns = vec![String::new()];
        for s in &found.streams {
            let trays =
                if s.lot.is_some() { plural(s.trays, "tray") } else { "no tray".to_owned() };
            columns.push(format!("{} ({trays})", s.stream.name()));
        }
        let balanced = found.split.is_some();
        if balanced {
            columns.push("of it to the waste".to_owned());
        }
        let names = found.streams.first().map(|s| s.shares.len()).unwrap_or(0);
        let rows = (0..names)
            .map(|k| {
                let mut row = vec![found.streams[0].shares[k].name.to_owned()];
                for s in &found.streams {
                    let share = &s.shares[k];
                    row.push(match (&share.reconciled, share.raw) {
                        (Some(e), _) => percent_of(e),
                        (None, Some(raw)) => {
                            format!("{}\u{a0}%", self.settings.digits(&percent(raw, raw)))
                        }
                        (None, None) => "–".to_owned(),
                    });
                }
                if let Some(split) = &found.split {
                    let name = found.streams[0].shares[k].name;
                    let own = split.performance.iter().find(|p| p.name == name);
                    row.push(own.map_or("–".to_owned(), |p| percent_of(&p.removed)));
                }
                row
            })
            .collect();
        let mut lines: Vec<String> = found.alarms.iter().map(|a| format!("ALARM: {a}")).collect();
        if let Some(split) = &found.split {
            lines.push(format!(
                "Of the mass, {} went on from the sorter; of the sound fruit, {} was lost to the waste.",
                percent_of(&split.yield_by_mass),
                split.performance.first().map_or(String::new(), |p| percent_of(&p.removed))
            ));
        }
        lines.extend(found.no_split.iter().map(|why| format!("No split: {why}")));
        let said = found.assumptions.iter().chain(&found.cautions);
        lines.extend(said.take(self.detail.lines.min(6)).cloned());
        let lines = lines.iter().map(|l| self.clip(l)).collect();
        let title = match balanced {
            true => "Before and after the sorter, by mass, balanced (95 % interval)",
            false => "Before and after the sorter, by mass, as measured",
        };
        StreamTable { title, columns, rows, lines }
    }

    fn notes(&self, source: &Source<'_>, figures: &Figures) -> Result<Vec<Note>, SheetError> {
        let note = |title, lines: Vec<String>| Note { title, listing: self.listing(lines) };
        let lots = &source.dossier.lots;
        let mut assumed = Vec::new();
        for lot in lots {
            if !lot.profiles.is_empty() {
                assumed.push(format!(
                    "{}: judged with profile {}",
                    lot.lot,
                    lot.profiles.join(", ")
                ));
            }
        }
        assumed.extend(source.dossier.assumptions.iter().cloned());
        let own = lots.iter().filter_map(|l| l.figures.as_ref()).flat_map(|f| &f.assumptions);
        assumed.extend(own.cloned());
        let mut cautions = source.dossier.cautions.clone();
        cautions.extend(figures.no_streams.iter().map(|why| format!("the streams: {why}")));
        for lot in lots {
            let own = lot.figures.iter().flat_map(|f| &f.cautions).chain(&lot.cautions);
            cautions.extend(own.map(|c| format!("{}: {c}", lot.lot)));
        }
        dedup(&mut assumed);
        dedup(&mut cautions);
        Ok(vec![
            note("Corrections and reviews", self.corrections(source, figures)),
            note("Agreement of the parties", self.agreement(source)?),
            note("Assumed", assumed),
            note("Cautions", cautions),
            note("Not measured", not_measured(source)),
        ])
    }

    fn corrections(&self, source: &Source<'_>, figures: &Figures) -> Vec<String> {
        let mut lines = Vec::new();
        for c in &figures.corrections {
            let stamp =
                Stamp { entry: c.entry, at: c.at.clone(), who: c.who.clone(), why: c.why.clone() };
            lines.push(format!(
                "{} tray {}, object {}: {} read, {} given, {}",
                c.lot,
                c.tray,
                c.object,
                c.read,
                c.given,
                self.said(&stamp)
            ));
        }
        for lot in &source.record.lots {
            for draw in &lot.draws {
                let drawn = format!(
                    "{}: {} of {} objects drawn for review with seed {}, {}",
                    lot.lot,
                    draw.objects.len(),
                    draw.of,
                    draw.seed,
                    self.stamp(&draw.drawn)
                );
                lines.push(match &draw.reviewed {
                    Some((by, _)) => format!("{drawn}; reviewed {}", self.stamp(by)),
                    None => format!("{drawn}; not reviewed"),
                });
            }
            let weighed = lot.trays.iter().filter(|t| t.weighing.is_some()).map(|t| t.tray);
            let weighed: Vec<u32> = weighed.collect();
            if !weighed.is_empty() {
                lines.push(format!("{}: weighed on the scale: tray {}", lot.lot, ranges(&weighed)));
            }
        }
        if lines.is_empty() {
            lines.push("None: every class is as the program read it.".to_owned());
        }
        lines
    }

    /// What the two parties' own review came to.
    fn agreement(&self, source: &Source<'_>) -> Result<Vec<String>, SheetError> {
        let Some((lot, review)) = parties::last(&source.record) else {
            return Ok(vec!["No review by both parties is recorded.".to_owned()]);
        };
        let [grower, winery] = &review.parties;
        let whole = if review.whole { ", all of them" } else { "" };
        let mut lines = vec![format!(
            "{}: {} for the grower and {} for the winery looked at {} of {} objects{whole}, drawn by \
             seed {}, each without seeing the other's answers",
            lot.lot,
            grower.name,
            winery.name,
            review.draw.objects.len(),
            review.draw.of,
            review.draw.seed
        )];
        // Neither may learn from a draft what the other saw.
        if grower.finished.is_none() || winery.finished.is_none() {
            lines.push("The review is not finished: nothing of it is told.".to_owned());
            return Ok(lines);
        }
        let outlook = parties::outlook(source.ledger, source.record.clone(), review.clone())?;
        let a = &outlook.agreement;
        let s = self.settings;
        lines.push(format!("{} of {} objects seen alike", a.agreed, a.objects));
        lines.extend(a.kappa.as_ref().map(|k| {
            s.digits(&format!("Cohen's kappa {:.2} ({:.2} to {:.2})", k.kappa, k.low, k.high))
        }));
        lines.extend(a.no_kappa.iter().map(|why| format!("Cohen's kappa: {why}")));
        let classes: Vec<String> = a
            .classes
            .iter()
            .filter_map(|c| {
                let like = c.positive?;
                let p = |v: f64| percent(v, like);
                let (positive, low, high) = (p(like), p(c.low?), p(c.high?));
                Some(format!("{} {positive} % ({low} to {high})", c.class))
            })
            .collect();
        if !classes.is_empty() {
            lines.push(s.digits(&format!("Positive agreement: {}", classes.join("; "))));
        }
        if let Some([grower, winery, difference]) = outlook.money() {
            let terms = source.record.terms.as_ref().and_then(|t| terms::check(&t.text).ok());
            let currency = terms.and_then(|t| t.currency).unwrap_or_default();
            lines.push(format!(
                "By the grower's eyes the load comes to {}, by the winery's to {}: difference {}",
                self.money(grower, &currency),
                self.money(winery, &currency),
                self.money(difference, &currency)
            ));
        }
        let differing = outlook.differing().count();
        if differing > 0 {
            let settled = differing - outlook.unsettled();
            lines.push(format!("{differing} seen differently, {settled} of them settled by both"));
        }
        for (party, own) in [("grower", grower), ("winery", winery)] {
            lines.extend(
                own.accepted
                    .as_ref()
                    .map(|by| format!("Accepted for the {party}: {}", self.stamp(by))),
            );
            lines.extend(
                own.refused
                    .as_ref()
                    .map(|by| format!("NOT AGREED for the {party}: {}", self.said(by))),
            );
        }
        lines.push(match review.outcome.as_deref() {
            Some("agreed") => {
                "Outcome: AGREED; the figures of this sheet are those accepted".to_owned()
            }
            Some("not-agreed") => {
                "Outcome: NOT AGREED; both parties' figures stand in the ledger".to_owned()
            }
            Some("given-up") => "Outcome: the review was given up".to_owned(),
            Some(other) => format!("Outcome: {other}"),
            None => "Outcome: none yet".to_owned(),
        });
        Ok(lines)
    }

    fn signatures(&self, source: &Source<'_>) -> [Signature; 2] {
        let winery = match parties::last(&source.record) {
            Some((_, review)) => {
                format!("For the winery, {}", self.clip(&review.parties[1].name))
            }
            None => "For the winery".to_owned(),
        };
        let words = "I have seen these figures and how they came about.".to_owned();
        [
            Signature {
                party: format!("For the grower, {}", self.clip(&source.record.grower)),
                words: words.clone(),
            },
            Signature { party: winery, words },
        ]
    }
}

fn verdict_word(verdict: Verdict) -> &'static str {
    match outcome(verdict) {
        "accept" => "ACCEPT",
        "refuse" => "REFUSE",
        _ => "UNDECIDED",
    }
}

/// The rows of a lot's table: classes in their order, then all rejects.
fn named(figures: &LotFigures) -> impl Iterator<Item = (&'static str, &GroupFigures)> {
    let classes = figures.classes.iter().map(|c| (c.class.name(), &c.figures));
    classes.chain([("rejects", &figures.rejects)])
}

fn settled<'a>(lot: &'a LotDossier, name: &str) -> Option<&'a Settled> {
    lot.settled.iter().find(|s| s.name == name)
}

/// What was applied to a lot's shares beside the trays.
fn applied(lot: &LotDossier) -> String {
    let mut words = Vec::new();
    if lot.settled.iter().any(|s| s.corrected) {
        words.push("the review of objects drawn at random");
    }
    if lot.settled.iter().any(|s| s.joined.is_some()) {
        words.push("coarse debris");
    }
    if words.is_empty() {
        words.push("the validation of the variety");
    }
    words.join(", ")
}

fn not_measured(source: &Source<'_>) -> Vec<String> {
    let coarse = source.record.lots.iter().any(|l| l.coarse.is_some());
    let canes = match coarse {
        true => {
            "Canes, whole bunches and large leaves are not on the trays: they were weighed apart."
        }
        false => {
            "Canes, whole bunches and large leaves that fit no tray: not weighed for this load."
        }
    };
    vec![
        "Rot, mould, splits and sunburn are not told from photographs.".to_owned(),
        "Sugar, acid and everything else inside the berry.".to_owned(),
        canes.to_owned(),
        "Juice: free juice is judged by eye at most.".to_owned(),
        "What lay under a leaf or another berry.".to_owned(),
    ]
}

/// Takes out what was said before.
fn dedup(lines: &mut Vec<String>) {
    let mut seen = std::collections::BTreeSet::new();
    lines.retain(|line| seen.insert(line.clone()));
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_are_told_as_ranges() {
        assert_eq!(ranges(&[1, 2, 3, 5, 8, 9]), "1 to 3, 5, 8, 9");
        assert_eq!(ranges(&[7]), "7");
        assert_eq!(ranges(&[3, 1, 2]), "1 to 3");
        assert_eq!(ranges(&[]), "");
    }

    #[test]
    fn an_axis_has_few_steps() {
        for (most, own) in [(0.3, 0.1), (5.9, 1.0), (22.6, 5.0), (100.0, 20.0), (0.0, 0.1)] {
            assert_eq!(step(most), own);
        }
    }

    #[test]
    fn long_words_are_cut_and_counted() {
        let settings = Settings::default();
        let w = Writer { settings: &settings, detail: DETAILS[4] };
        assert_eq!(w.clip(&"x".repeat(500)).chars().count(), 121);
        let listing = w.listing(vec!["a".into(), "b".into(), "c".into()]);
        assert_eq!((listing.lines.len(), listing.more), (2, 1));
    }
}
