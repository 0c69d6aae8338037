//! `acinus load`.

use std::path::{Path, PathBuf};
use std::sync::Mutex;

use acinus::dossier;
use acinus::given;
use acinus::intake::{self, Became, Found, Said};
use acinus::ledger::chain::Head;
use acinus::ledger::event::{
    CoarseWeighed, Delivery, DeliveryRecorded, Event, LoadOpened, LotDescribed, ObjectCorrected,
    PiecesCounted, ReviewRecorded, TermsFixed, TrayWeighed, outcome_of,
};
use acinus::ledger::tables::{self, Form, ReviewRow};
use acinus::ledger::{self, Ledger, LedgerError, Signed};
use acinus::marks::SlipText;
use acinus::receipt;
use acinus::report::{self, json};
use acinus::terms::Decimal;
use serde::Serialize;

use super::flags::{Format, MachineArgs};
use super::ledger_flags::{
    DeliveryArgs, LedgerArgs, LoadAddArgs, LoadCloseArgs, LoadCoarseArgs, LoadCorrectArgs,
    LoadCountArgs, LoadDeliveryArgs, LoadListArgs, LoadLotArgs, LoadNewArgs, LoadReceiptArgs,
    LoadReviewArgs, LoadShowArgs, LoadVerb, LoadWeighArgs, SayArgs,
};
use super::progress::one_after_the_other;
use super::{Ending, Error, bytes_of, print, print_text, settings, tell};

/// Runs one verb.
pub fn run(verb: &LoadVerb) -> Result<Ending, Error> {
    match verb {
        LoadVerb::New(args) => new(args),
        LoadVerb::Delivery(args) => delivery(args),
        LoadVerb::Terms(args) => {
            let terms = terms(&args.load, &args.file)?;
            say(&args.say, Event::TermsFixed(terms), "terms fixed")
        }
        LoadVerb::Lot(args) => lot(args),
        LoadVerb::Add(args) => add(args),
        LoadVerb::Weigh(args) => weigh(args),
        LoadVerb::Coarse(args) => coarse(args),
        LoadVerb::Count(args) => count(args),
        LoadVerb::Review(args) => review(args),
        LoadVerb::Correct(args) => correct(args),
        LoadVerb::Show(args) => show(args),
        LoadVerb::Receipt(args) => write_receipt(args),
        LoadVerb::List(args) => list(args),
        LoadVerb::Close(args) => close(args),
    }
}

/// The ledger file meant.
pub fn path(args: &LedgerArgs) -> Result<PathBuf, Error> {
    match &args.ledger {
        Some(path) => Ok(path.clone()),
        None => Ok(ledger::default_path()?),
    }
}

/// A ledger that must be there.
pub fn open(args: &LedgerArgs) -> Result<Ledger, Error> {
    Ok(Ledger::open(&path(args)?)?)
}

/// The user's name as the system has it.
pub fn user() -> Option<String> {
    ["USER", "LOGNAME", "USERNAME"]
        .into_iter()
        .find_map(|name| std::env::var(name).ok().filter(|v| !v.trim().is_empty()))
}

/// Who says so.
pub fn who(args: &SayArgs) -> Result<String, Error> {
    args.who.clone().or_else(user).ok_or_else(|| {
        Error::Usage("your user name is not known: say who you are with --who".into())
    })
}

/// Says one thing and tells that it was done.
pub fn say(args: &SayArgs, event: Event, done: &str) -> Result<Ending, Error> {
    let who = who(args)?;
    let mut ledger = open(&args.ledger)?;
    let head = ledger.say_one(event, Signed { who: &who, why: args.why.as_deref() })?;
    said(args, done, &head)
}

/// Tells that something was recorded: a line to read, or where the history stands now as JSON.
fn said(args: &SayArgs, done: &str, head: &Head) -> Result<Ending, Error> {
    match args.format {
        Format::Text => tell(&format!("{done} (entry {})", head.entries)),
        Format::Json => print(&json::to_bytes(head)?)?,
    }
    Ok(Ending::AllDone)
}

fn terms(load: &str, file: &Path) -> Result<TermsFixed, Error> {
    let text = super::terms::read(file)?;
    let terms = super::terms::check(file, &text)?;
    Ok(TermsFixed { load: load.to_owned(), name: terms.name, text })
}

/// What was known, and what the flags add or change.
fn merged(known: Delivery, args: &DeliveryArgs) -> Delivery {
    let mut bins_kg = known.bins_kg;
    bins_kg.extend(args.bin_kg.iter().cloned());
    let mut delivery = Delivery {
        ticket: args.ticket.clone().or(known.ticket),
        gross_kg: args.gross_kg.or(known.gross_kg),
        truck_tare_kg: args.truck_tare_kg.or(known.truck_tare_kg),
        bin_tare_kg: args.bin_tare_kg.or(known.bin_tare_kg),
        net_kg: args.net_kg.or(known.net_kg),
        picked: args.picked.clone().or(known.picked),
        received: args.received.clone().or(known.received),
        sampled: args.sampled.clone().or(known.sampled),
        picking: args.picking.or(known.picking),
        destemmed: args.destemmed.or(known.destemmed),
        sampling_point: args.sampling_point.or(known.sampling_point),
        fruit_celsius: args.fruit_celsius.or(known.fruit_celsius),
        wet: args.wet.or(known.wet),
        free_juice: args.free_juice.or(known.free_juice),
        bins_kg,
    };
    let weighed = [args.gross_kg, args.truck_tare_kg, args.bin_tare_kg].iter().any(Option::is_some);
    if args.net_kg.is_none() && weighed {
        delivery.net_kg = delivery.net_of_tares().or(delivery.net_kg);
    }
    delivery
}

fn new(args: &LoadNewArgs) -> Result<Ending, Error> {
    let who = who(&args.say)?;
    let terms = args.terms.as_ref().map(|file| terms(&args.load, file)).transpose()?;
    let mut ledger = Ledger::open_or_begin(&path(&args.say.ledger)?)?;
    let opened = LoadOpened {
        load: args.load.clone(),
        grower: args.grower.clone(),
        block: args.block.clone(),
        variety: args.variety.clone(),
        bins: args.bins,
    };
    let delivery = merged(Delivery::default(), &args.delivery);
    let by = Signed { who: &who, why: args.say.why.as_deref() };
    let head = ledger.open_load(opened, delivery, terms, by)?;
    let mut words = format!("load {} opened in {}", args.load, ledger.path().display());
    if !SlipText::is_word(&args.load) {
        words.push_str(
            "\n  caution: this name cannot stand on a slip, which holds A to Z, 0 to 9 and - only: its photographs need --load, --lot and --number",
        );
    }
    said(&args.say, &words, &head)
}

fn delivery(args: &LoadDeliveryArgs) -> Result<Ending, Error> {
    let known = open(&args.say.ledger)?.load(&args.load)?.delivery;
    let delivery = merged(known.clone(), &args.delivery);
    if delivery == known {
        return Err(Error::Usage(
            "nothing new was said of the delivery; see `acinus load delivery --help`".into(),
        ));
    }
    let net = delivery.net_kg.map_or(String::new(), |kg| format!(", net {kg} kg"));
    let said = DeliveryRecorded { load: args.load.clone(), delivery };
    let done = format!("delivery of {} recorded{net}", args.load);
    say(&args.say, Event::DeliveryRecorded(said), &done)
}

fn lot(args: &LoadLotArgs) -> Result<Ending, Error> {
    let said = LotDescribed {
        load: args.load.clone(),
        lot: args.lot.clone(),
        sampling_point: args.sampling_point,
    };
    say(&args.say, Event::LotDescribed(said), &format!("{} {} described", args.load, args.lot))
}

#[derive(Serialize)]
struct Photo {
    file: String,
    #[serde(flatten)]
    became: Became,
}

fn add(args: &LoadAddArgs) -> Result<Ending, Error> {
    let who = who(&args.say)?;
    let photos = settings::photos(&args.photos)?;
    let reader = settings::reader(&args.reading, args.force)?;
    settings::set_threads(&MachineArgs { timings: false, threads: args.threads })?;
    let ledger = open(&args.say.ledger)?;
    let archive = ledger.archive().clone();
    match archive.clear_leftovers()? {
        0 => {}
        n => tell(&super::cut_off(archive.folder(), n)),
    }
    let ledger = Mutex::new(ledger);
    // A panic elsewhere cannot leave the ledger half-written: its transactions see to that.
    let lock = || ledger.lock().unwrap_or_else(|e| e.into_inner());
    let by = Signed { who: &who, why: args.say.why.as_deref() };
    let place = |i: usize| Said {
        load: args.load.clone(),
        lot: args.lot.clone(),
        tray: args.number.map(|first| first.saturating_add(i as u32)),
        bin: args.bin.clone(),
        retake: args.retake,
    };
    let read = |i: usize, path: &PathBuf| -> Result<Found, LedgerError> {
        let bytes = match given::read(path, given::Kind::Photograph) {
            Ok(bytes) => bytes,
            Err(e) => return Ok(Found::Nothing(format!("cannot be read: {e}"))),
        };
        let name = path.file_name().unwrap_or_default().to_string_lossy();
        let known = |sha256: &str| lock().photo(sha256);
        let (profile, settings) = (&reader.profile, &reader.settings);
        intake::read(&name, &bytes, &place(i), profile, settings, &archive, known)
    };
    let mut done: Vec<Photo> = Vec::with_capacity(photos.len());
    let result = one_after_the_other(&photos, read, |i, found| -> Result<(), LedgerError> {
        let became = intake::record(&mut lock(), found?, by)?;
        let photo = Photo { file: photos[i].display().to_string(), became };
        if args.say.format == Format::Text {
            match left(&photo) {
                true => tell(&words(&photo)),
                // A closed pipe must not keep photographs from being recorded.
                false => drop(print_text(&format!("{}\n", words(&photo)))),
            }
        }
        done.push(photo);
        Ok(())
    });
    match args.say.format {
        Format::Json => print(&json::to_bytes(&done)?)?,
        Format::Text => print_text(&state(&lock(), &done)?)?,
    }
    result?;
    Ok(if done.iter().any(left) { Ending::SomeLeftOut } else { Ending::AllDone })
}

fn left(photo: &Photo) -> bool {
    matches!(photo.became, Became::Refused { .. } | Became::NotRecorded { .. })
}

/// Which planned trays of the lots that were added to are still to come.
fn state(ledger: &Ledger, done: &[Photo]) -> Result<String, Error> {
    let mut places: Vec<(&str, &str)> = done
        .iter()
        .filter_map(|p| match &p.became {
            Became::Recorded { load, lot, .. } => Some((load.as_str(), lot.as_str())),
            _ => None,
        })
        .collect();
    places.sort_unstable();
    places.dedup();
    let mut out = String::new();
    for (load, lot) in places {
        let record = ledger.load(load)?;
        let Some(lot) = record.lots.iter().find(|l| l.lot == lot) else { continue };
        let Some((plan, _)) = &lot.plan else { continue };
        let missing = dossier::missing_trays(lot);
        let (all, n) = (plan.trays.len(), plan.trays.len() - missing.len());
        let still = match missing.is_empty() {
            true => String::new(),
            false => format!("; still to come: {}", report::dossier::missing(&missing)),
        };
        out.push_str(&format!("{load} {}: {n} of {all} planned trays are in{still}\n", lot.lot));
    }
    Ok(out)
}

fn words(photo: &Photo) -> String {
    let file = given::one_line(&photo.file);
    match &photo.became {
        Became::Recorded { load, lot, tray, objects, cautions } => {
            let mut words = format!("{file}: tray {tray} of {load} {lot}, {objects} objects");
            cautions.iter().for_each(|c| words.push_str(&format!("\n  caution: {c}")));
            words
        }
        Became::RecordedBefore { what } => format!("{file}: passed over: recorded already: {what}"),
        Became::Refused { reason } => format!("{file}: refused and kept: {reason}"),
        Became::NotRecorded { reason } => format!("{file}: NOT RECORDED: {reason}"),
    }
}

fn weigh(args: &LoadWeighArgs) -> Result<Ending, Error> {
    let t = &args.tray;
    let said = TrayWeighed {
        load: t.load.clone(),
        lot: t.lot.clone(),
        tray: t.tray,
        weighed_g: args.grams,
        class_g: [args.sound, args.shriveled, args.underripe, args.debris],
    };
    let done = format!("weight of tray {} of {} {} recorded", t.tray, t.load, t.lot);
    say(&args.say, Event::TrayWeighed(said), &done)
}

fn coarse(args: &LoadCoarseArgs) -> Result<Ending, Error> {
    let said = CoarseWeighed {
        load: args.load.clone(),
        lot: args.lot.clone(),
        coarse_kg: args.coarse_kg,
        increment_kg: args.increment_kg,
        pieces: args.pieces,
    };
    let done = format!("coarse debris of {} {} recorded", args.load, args.lot);
    say(&args.say, Event::CoarseWeighed(said), &done)
}

fn count(args: &LoadCountArgs) -> Result<Ending, Error> {
    let said = PiecesCounted {
        load: args.load.clone(),
        name: args.name.clone(),
        pieces: args.pieces,
        sample_kg: args.sample_kg.unwrap_or(Decimal::ZERO),
    };
    let done = format!("{} {} in {} recorded", args.pieces, args.name, args.load);
    say(&args.say, Event::PiecesCounted(said), &done)
}

fn review(args: &LoadReviewArgs) -> Result<Ending, Error> {
    match (&args.answers, args.draw) {
        (Some(file), _) => answers(args, file),
        (None, Some(count)) => draw(args, count),
        (None, None) => Err(Error::Usage("say --draw N or --answers FILE".into())),
    }
}

fn draw(args: &LoadReviewArgs, count: u32) -> Result<Ending, Error> {
    let who = who(&args.say)?;
    let by = Signed { who: &who, why: args.say.why.as_deref() };
    let mut ledger = open(&args.say.ledger)?;
    let (draw, objects) = ledger.draw_review(&args.load, &args.lot, count, args.seed, by)?;
    let record = ledger.load(&args.load)?;
    let photo = |tray: u32| {
        let lot = record.lots.iter().find(|l| l.lot == args.lot);
        let tray = lot.and_then(|l| l.trays.iter().find(|t| t.tray == tray));
        let name = tray.map_or("", |t| t.photo.name.as_str());
        match args.say.format {
            Format::Text => given::cell(name).into_owned(),
            Format::Json => name.to_owned(),
        }
    };
    let row = |(tray, object): (u32, u32)| ReviewRow {
        draw,
        tray,
        photo: photo(tray),
        object: Some(object),
        human: String::new(),
    };
    let rows: Vec<ReviewRow> = objects.into_iter().map(row).collect();
    if args.say.format == Format::Json {
        print(&json::to_bytes(&rows)?)?;
        return Ok(Ending::AllDone);
    }
    let mut writer = csv::Writer::from_writer(Vec::new());
    for row in rows {
        writer.serialize(row).map_err(|e| Error::Failed(e.to_string()))?;
    }
    let bytes = writer.into_inner().map_err(|e| Error::Failed(e.to_string()))?;
    print(&bytes)?;
    Ok(Ending::AllDone)
}

fn answers(args: &LoadReviewArgs, file: &Path) -> Result<Ending, Error> {
    let fault = |why: String| Error::Usage(format!("{}: {why}", file.display()));
    let bytes = bytes_of(file, given::Kind::Table)?;
    let is_json = file.extension().is_some_and(|e| e.eq_ignore_ascii_case("json"));
    let form = if is_json { Form::Json } else { Form::Csv };
    let (draw, reviewed) = tables::answers(&bytes, form).map_err(fault)?;
    let done = format!("{} answers recorded", reviewed.len());
    let (load, lot) = (args.load.clone(), args.lot.clone());
    let said = ReviewRecorded { load, lot, draw, reviewed };
    say(&args.say, Event::ReviewRecorded(said), &done)
}

fn correct(args: &LoadCorrectArgs) -> Result<Ending, Error> {
    let class = outcome_of(args.class.trim()).ok_or_else(|| {
        Error::Usage(format!(
            "--class {:?}: write sound, shriveled, underripe, debris or unassigned",
            args.class
        ))
    })?;
    let t = &args.tray;
    let said = ObjectCorrected {
        load: t.load.clone(),
        lot: t.lot.clone(),
        tray: t.tray,
        object: args.object,
        class,
        confirmed: false,
    };
    let done = format!("object {} of tray {} is {} now", args.object, t.tray, args.class.trim());
    say(&args.say, Event::ObjectCorrected(said), &done)
}

fn show(args: &LoadShowArgs) -> Result<Ending, Error> {
    let ledger = open(&args.ledger)?;
    let dossier = dossier::of_load(&ledger, &args.load)?;
    let receipt = ledger.receipt(&args.load)?;
    match args.format {
        Format::Text => print_text(&report::dossier::text(&dossier, receipt.as_ref()))?,
        Format::Json => print(&report::dossier::json(&dossier, receipt.as_ref())?)?,
    }
    Ok(Ending::AllDone)
}

fn write_receipt(args: &LoadReceiptArgs) -> Result<Ending, Error> {
    let found = receipt::of_load(&open(&args.ledger)?, &args.load)?;
    let receipt = found.ok_or_else(|| {
        let load = &args.load;
        Error::Failed(format!("load {load} is open: close it with `acinus load close {load}`"))
    })?;
    super::write(&args.out, &json::to_bytes(&receipt)?)?;
    tell(&format!("written to {}", args.out.display()));
    Ok(Ending::AllDone)
}

fn list(args: &LoadListArgs) -> Result<Ending, Error> {
    let loads = open(&args.ledger)?.loads()?;
    match args.format {
        Format::Text => print_text(&report::dossier::loads(&loads))?,
        Format::Json => print(&json::to_bytes(&loads)?)?,
    }
    Ok(Ending::AllDone)
}

fn close(args: &LoadCloseArgs) -> Result<Ending, Error> {
    let who = who(&args.say)?;
    let mut ledger = open(&args.say.ledger)?;
    let by = Signed { who: &who, why: args.say.why.as_deref() };
    let (dossier, receipt) = receipt::close(&mut ledger, &args.load, None, by)?;
    match args.say.format {
        Format::Text => print_text(&report::dossier::text(&dossier, Some(&receipt)))?,
        Format::Json => print(&report::dossier::json(&dossier, Some(&receipt))?)?,
    }
    Ok(Ending::AllDone)
}
