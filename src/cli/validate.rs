//! `acinus validate`.

use acinus::given;
use acinus::ledger::event::{Event, HandSorted};
use acinus::ledger::{Ledger, Signed, tables};
use acinus::load::{Validation, ValidationTray, validate};
use acinus::report::{self, json};
use acinus::stats::Level;
use acinus::terms::Decimal;

use super::flags::Format;
use super::ledger_flags::ValidateArgs;
use super::load::{open, path, who};
use super::{Ending, Error, bytes_of, print, print_text, tell};

/// Compares, records if asked, prints.
pub fn run(args: &ValidateArgs) -> Result<Ending, Error> {
    let trays: Vec<ValidationTray> = match &args.file {
        Some(file) => {
            let fault = |why: String| Error::Usage(format!("{}: {why}", file.display()));
            let bytes = bytes_of(file, given::Kind::Table)?;
            let sorted: Vec<HandSorted> = tables::hand_sorted(&bytes).map_err(fault)?;
            if args.record {
                let who = who(&args.say)?;
                let mut ledger = Ledger::open_or_begin(&path(&args.say.ledger)?)?;
                let events: Vec<Event> = sorted.iter().cloned().map(Event::HandSorted).collect();
                let by = Signed { who: &who, why: args.say.why.as_deref() };
                ledger.say(&events, by)?;
                tell(&format!("{} trays recorded", events.len()));
                ledger.hand_sorts(None, u64::MAX)?.into_iter().map(|h| h.tray).collect()
            } else {
                sorted.iter().map(tray).collect()
            }
        }
        None => {
            let ledger = open(&args.say.ledger)?;
            ledger.hand_sorts(None, u64::MAX)?.into_iter().map(|h| h.tray).collect()
        }
    };
    let mut varieties: Vec<&str> = trays.iter().map(|t| t.variety.as_str()).collect();
    varieties.sort_unstable();
    varieties.dedup();
    let all: Result<Vec<Validation>, _> =
        varieties.iter().map(|variety| validate(&trays, variety, Level::P95)).collect();
    let all = all.map_err(|e| Error::Failed(e.to_string()))?;
    if all.is_empty() && args.say.format == Format::Text {
        tell("no tray sorted by hand is recorded yet; see `acinus validate --help`");
    }
    match args.say.format {
        Format::Text => print_text(&report::dossier::validations(&all))?,
        Format::Json => print(&json::to_bytes(&all)?)?,
    }
    Ok(Ending::AllDone)
}

fn tray(sorted: &HandSorted) -> ValidationTray {
    ValidationTray {
        tray: sorted.tray.clone(),
        variety: sorted.variety.clone(),
        program: sorted.program.map(Decimal::to_f64),
        hand_g: sorted.hand_g.map(Decimal::to_f64),
    }
}
