//! `acinus ledger`.

use acinus::ledger::chain::Head;
use acinus::ledger::{Ledger, Signed, exchange};
use acinus::report::{self, json};
use acinus::{given, receipt, refit};
use serde::Serialize;

use super::flags::Format;
use super::ledger_flags::{
    LedgerExportArgs, LedgerHeadArgs, LedgerHistoryArgs, LedgerImportArgs, LedgerReceiptArgs,
    LedgerRefitArgs, LedgerVerb, LedgerVerifyArgs,
};
use super::load::{open, path, who};
use super::{Ending, Error, bytes_of, print, print_text, tell};

/// Runs one verb.
pub fn run(verb: &LedgerVerb) -> Result<Ending, Error> {
    match verb {
        LedgerVerb::Verify(args) => verify(args),
        LedgerVerb::Head(args) => head(args),
        LedgerVerb::History(args) => history(args),
        LedgerVerb::Export(args) => export(args),
        LedgerVerb::Import(args) => import(args),
        LedgerVerb::Refit(args) => fit(args),
        LedgerVerb::Receipt(args) => check_receipt(args),
    }
}

fn check_receipt(args: &LedgerReceiptArgs) -> Result<Ending, Error> {
    let fault = |why: String| Error::Failed(format!("{}: {why}", args.file.display()));
    let bytes = bytes_of(&args.file, given::Kind::Receipt)?;
    let file: receipt::ReceiptFile = serde_json::from_slice(&bytes)
        .map_err(|e| fault(format!("it is no receipt of this program: {e}")))?;
    let ledger = args.ledger.as_deref().map(Ledger::open).transpose()?;
    let checked = receipt::check(&file, ledger.as_ref(), args.photos.as_deref())?;
    let holds = checked.iter().all(|c| c.holds);
    if args.format == Format::Json {
        print(&json::to_bytes(&checked)?)?;
    } else {
        let mut text = String::new();
        for c in &checked {
            text.push_str(&format!("{} {}\n", if c.holds { "holds" } else { "FAULT" }, c.words));
        }
        let verdict = if holds { "holds" } else { "DOES NOT HOLD" };
        let load = given::one_line(&file.load);
        text.push_str(&format!("The receipt of load {load} {verdict}.\n"));
        print_text(&text)?;
    }
    Ok(if holds { Ending::AllDone } else { Ending::SomeLeftOut })
}

fn verify(args: &LedgerVerifyArgs) -> Result<Ending, Error> {
    let expected = match (args.entries, &args.head) {
        (Some(entries), Some(hash)) => Some(Head { entries, hash: hash.trim().to_lowercase() }),
        _ => None,
    };
    let ledger = open(&args.ledger)?;
    let found = ledger.verify(expected.as_ref())?;
    match args.format {
        Format::Json => print(&json::to_bytes(&found)?)?,
        Format::Text => {
            let mut text: String =
                found.faults.iter().map(|f| format!("FAULT {}: {}\n", f.place, f.what)).collect();
            let place = ledger.path().display();
            if found.faults.is_empty() {
                text.push_str(&format!(
                    "{place}: nothing was changed: {} entries, {} table rows, {} kept files\n",
                    found.head.entries, found.rows, found.files
                ));
                if expected.is_none() {
                    text.push_str(
                        "A history cut off or rewritten as a whole shows only against a receipt: \
                         add --entries and --head.\n",
                    );
                }
            } else {
                let n = found.faults.len();
                text.push_str(&format!("{place}: NOT AS RECORDED: faults: {n}\n"));
            }
            if let Some(first) = found.set_back.first() {
                text.push_str(&format!(
                    "The clock was set back before entry {first} ({} times in all): the order of the \
                     entries stands, their times do not.\n",
                    found.set_back.len()
                ));
            }
            text.push_str(&head_words(&found.head));
            print_text(&text)?;
        }
    }
    Ok(if found.faults.is_empty() { Ending::AllDone } else { Ending::SomeLeftOut })
}

fn head_words(head: &Head) -> String {
    format!("entries  {}\nhead     {}\n", head.entries, head.hash)
}

fn head(args: &LedgerHeadArgs) -> Result<Ending, Error> {
    let head = open(&args.ledger)?.head()?;
    match args.format {
        Format::Json => print(&json::to_bytes(&head)?)?,
        Format::Text => print_text(&head_words(&head))?,
    }
    Ok(Ending::AllDone)
}

fn history(args: &LedgerHistoryArgs) -> Result<Ending, Error> {
    let ledger = open(&args.ledger)?;
    let load = args.load.as_deref();
    match args.format {
        Format::Json => print(&exchange::to_json(&ledger)?)?,
        Format::Text => print_text(&report::dossier::history(&ledger.entries(0)?, load)?)?,
    }
    Ok(Ending::AllDone)
}

fn is_csv(path: &std::path::Path) -> Option<bool> {
    let ending = path.extension()?.to_str()?.to_ascii_lowercase();
    match ending.as_str() {
        "csv" => Some(true),
        "json" => Some(false),
        _ => None,
    }
}

fn export(args: &LedgerExportArgs) -> Result<Ending, Error> {
    let ending = is_csv(&args.out).ok_or_else(|| {
        Error::Usage(format!("--out {}: end it in .json or .csv", args.out.display()))
    })?;
    let ledger = open(&args.ledger)?;
    let bytes = match (&args.load, ending) {
        (Some(load), true) => exchange::objects_csv(&ledger.load(load)?)?,
        (Some(_), false) => {
            return Err(Error::Usage(
                "a load's objects are written as CSV; for JSON see `acinus load show --format json`"
                    .into(),
            ));
        }
        (None, true) => exchange::entries_csv(&ledger)?,
        (None, false) => exchange::to_json(&ledger)?,
    };
    super::write(&args.out, &bytes)?;
    tell(&format!("written to {}", args.out.display()));
    if args.load.is_none() {
        tell(&format!(
            "photographs are not in it: copy the folder {} too",
            ledger.archive().folder().display()
        ));
    }
    Ok(Ending::AllDone)
}

#[derive(Serialize)]
struct Imported {
    new: u64,
    head: Head,
}

fn import(args: &LedgerImportArgs) -> Result<Ending, Error> {
    let file = &args.file;
    let ending = is_csv(file)
        .ok_or_else(|| Error::Usage(format!("{}: it must end in .json or .csv", file.display())))?;
    let bytes = bytes_of(file, given::Kind::LedgerExport)?;
    let entries = match ending {
        true => exchange::from_csv(file, &bytes)?,
        false => exchange::from_json(file, &bytes)?,
    };
    let mut ledger = Ledger::open_or_begin(&path(&args.ledger)?)?;
    let new = ledger.take_over(&entries)?;
    if args.format == Format::Json {
        print(&json::to_bytes(&Imported { new, head: ledger.head()? })?)?;
        return Ok(Ending::AllDone);
    }
    tell(&format!(
        "{new} new entries of {} taken over into {}",
        entries.len(),
        ledger.path().display()
    ));
    let missing = ledger.verify(None)?.faults.iter().filter(|f| f.place == "archive").count();
    if missing > 0 {
        tell(&format!(
            "photographs are missing: copy the other ledger's archive to {}",
            ledger.archive().folder().display()
        ));
    }
    Ok(Ending::AllDone)
}

fn fit(args: &LedgerRefitArgs) -> Result<Ending, Error> {
    let who = who(&args.say)?;
    let mut ledger = open(&args.say.ledger)?;
    let by = Signed { who: &who, why: args.say.why.as_deref() };
    let fitted = refit::refit(&mut ledger, &args.profile_name, by)
        .map_err(|e| Error::Failed(e.to_string()))?;
    if args.say.format == Format::Json {
        print(&json::to_bytes(&fitted)?)?;
        return Ok(Ending::AllDone);
    }
    for c in &fitted {
        let raw = c.raw.map_or("not weighed".to_owned(), |r| format!("weighed/modelled {r:.3}"));
        let line = format!(
            "{}: {:.3} ± {:.3}, {raw}, trays: {}\n",
            c.class.name(),
            c.coefficient,
            c.standard_deviation,
            c.trays
        );
        print_text(&line)?;
    }
    Ok(Ending::AllDone)
}
