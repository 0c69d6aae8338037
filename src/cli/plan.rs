//! `acinus plan`.

use std::time::{SystemTime, UNIX_EPOCH};

use acinus::dossier;
use acinus::ledger::{Ledger, Signed, seed_of};
use acinus::plan::{self, PlanSettings};
use acinus::report::json;
use acinus::stats::Level;
use serde::Serialize;

use super::flags::Format;
use super::ledger_flags::PlanArgs;
use super::load::{path, who};
use super::{Ending, Error, print, print_text, tell};

#[derive(Serialize)]
struct PlanJson<'a> {
    load: Option<&'a str>,
    lot: &'a str,
    design_effect: f64,
    design_effect_from: &'a str,
    #[serde(flatten)]
    plan: &'a plan::Plan,
    debris: &'a str,
}

/// Draws up the plan, fixes it when a load is named, prints the sheet.
pub fn run(args: &PlanArgs) -> Result<Ending, Error> {
    let wrong = |e: acinus::stats::StatsError| Error::Usage(e.to_string());
    let file = path(&args.say.ledger)?;
    let wanted = args.load.is_some() || file.exists();
    let mut ledger = wanted.then(|| Ledger::open(&file)).transpose()?;
    let bins = match (args.bins, &args.load, &ledger) {
        (Some(bins), ..) => bins,
        (None, Some(load), Some(ledger)) => ledger.load(load)?.bins.ok_or_else(|| {
            Error::Usage(format!("load {load} has no number of bins: say it with --bins"))
        })?,
        _ => return Err(Error::Usage("say how many bins the load has with --bins".into())),
    };
    let learned = match &ledger {
        Some(ledger) if args.design_effect.is_none() => dossier::design_effect(ledger)?,
        _ => None,
    };
    let default = PlanSettings::default().design_effect;
    let (design_effect, from) = match (args.design_effect, learned) {
        (Some(given), _) => (given, "given".to_owned()),
        (None, Some(l)) => (l.design_effect, format!("mean of {} earlier loads", l.loads)),
        (None, None) => (default, "assumed: too few earlier loads in the ledger".to_owned()),
    };
    let seed = match (args.seed, &ledger) {
        (Some(seed), _) => seed,
        (None, Some(ledger)) => seed_of(&ledger.head()?),
        (None, None) => clock_seed(),
    };
    let settings = PlanSettings {
        bins_in_load: bins,
        expected_share: args.expected / 100.0,
        half_width: args.half_width / 100.0,
        level: Level::new(args.confidence / 100.0).map_err(wrong)?,
        design_effect,
        berries_per_tray: args.berries_per_tray,
        trays_per_bin: args.trays_per_bin,
        increments_per_tray: args.scoops,
        seed,
    };
    let plan = plan::plan(&settings).map_err(wrong)?;
    let debris = plan::debris_words(&plan, args.debris / 100.0, args.piece, args.piece_cv);
    let debris = debris.map_err(wrong)?;
    if let (Some(load), Some(ledger)) = (&args.load, &mut ledger) {
        let who = who(&args.say)?;
        let by = Signed { who: &who, why: args.say.why.as_deref() };
        let head = ledger.fix_plan(load, &args.lot, &settings, &plan, by)?;
        if args.say.format == Format::Text {
            tell(&format!("plan fixed for {load} {} (entry {})", args.lot, head.entries));
        }
    }
    let whose = args.load.as_ref().map_or(String::new(), |l| format!("{l} {}\n", args.lot));
    let sheet =
        format!("{whose}{}\nDesign effect {design_effect:.2} ({from}).\n{debris}\n", plan.sheet());
    match args.say.format {
        Format::Text => print_text(&sheet)?,
        Format::Json => print(&json::to_bytes(&PlanJson {
            load: args.load.as_deref(),
            lot: &args.lot,
            design_effect,
            design_effect_from: &from,
            plan: &plan,
            debris: &debris,
        })?)?,
    }
    // Last: a plan that is fixed is not drawn up again, so it must be seen though the file fails.
    if let Some(out) = &args.out {
        super::write(out, sheet.as_bytes())?;
    }
    Ok(Ending::AllDone)
}

/// The clock's nanoseconds: nobody chooses them.
fn clock_seed() -> u64 {
    SystemTime::now().duration_since(UNIX_EPOCH).map_or(1, |d| d.as_nanos() as u64)
}
