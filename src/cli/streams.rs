//! `acinus streams`, `acinus compare`, `acinus what-if`.

use std::path::PathBuf;

use acinus::classify::ObjectReading;
use acinus::dossier;
use acinus::load::{Basis, Lot, Tray, WithoutSlip, group_by_lot};
use acinus::photo::Photo;
use acinus::pipeline::TrayReading;
use acinus::report::overlay::{self, OverlaySettings};
use acinus::report::{self, files, jpeg, json, stream_plots, streams as words};
use acinus::sorter::{self, Machine, Neighbours, Rule, SimulationSettings, SortLot, SortObject};
use acinus::stats::Level;
use acinus::streams::{self, Stream, StreamLot, StreamSettings, Weighed};

use super::flags::Format;
use super::progress::over_photos;
use super::settings;
use super::streams_flags::{
    By, CommonArgs, CompareArgs, RuleArgs, SorterArgs, StreamsArgs, WhatIfArgs,
};
use super::{Ending, Error, load, print, print_text, tell};

/// Readings of photographs in the order given; those left out are told.
struct Read {
    trays: Vec<(TrayReading, Tray)>,
    left: usize,
}

fn read(paths: &[PathBuf], common: &CommonArgs) -> Result<Read, Error> {
    read_with(paths, common, |_, _| Ok(()))
}

/// As [`read`], and does something with each photograph while it is at hand.
fn read_with(
    paths: &[PathBuf],
    common: &CommonArgs,
    with: impl Fn(&Photo, &TrayReading) -> Result<(), report::Error> + Sync,
) -> Result<Read, Error> {
    let photos = settings::photos(paths)?;
    let reader = settings::reader(&common.reading, common.force)?;
    let mut found = Read { trays: Vec::new(), left: 0 };
    let work = |path: &PathBuf| {
        reader.read(path).map(|(photo, reading)| with(&photo, &reading).map(|()| reading))
    };
    for result in over_photos(&photos, work) {
        match result {
            Ok(reading) => {
                let reading = reading?;
                let slip = reading.marks.slip.as_ref().map(|s| &s.text);
                let tray = Tray::of_photo(&reading.name, slip, &reading.objects);
                found.trays.push((reading, tray));
            }
            Err(left) => {
                tell(&format!("acinus: {}: {}", left.file, left.message));
                found.left += 1;
            }
        }
    }
    Ok(found)
}

fn ending(left: usize) -> Ending {
    if left > 0 { Ending::SomeLeftOut } else { Ending::AllDone }
}

/// Trays said to be of one lot, whatever their slips say.
fn one_lot(name: &str, read: &Read) -> Lot {
    let slip = |t: &Tray| Some(format!("{} {}", t.load.as_ref()?, t.lot.as_ref()?));
    let first = read.trays.first().and_then(|(_, t)| slip(t));
    let same =
        first.clone().filter(|f| read.trays.iter().all(|(_, t)| slip(t).as_ref() == Some(f)));
    let trays = read.trays.iter().map(|(_, t)| Tray { number: None, ..t.clone() }).collect();
    Lot { name: same.map_or_else(|| name.to_owned(), |s| format!("{name} ({s})")), trays }
}

fn by_slip(read: &Read) -> Result<Vec<StreamLot>, Error> {
    let trays = read.trays.iter().map(|(_, t)| t.clone()).collect();
    let mut lots = Vec::new();
    for lot in group_by_lot(trays, WithoutSlip::Apart) {
        let of = lot.trays.first().and_then(|t| t.lot.clone());
        let stream = of.as_deref().and_then(Stream::named).ok_or_else(|| {
            Error::Usage(format!(
                "{}: its slip names none of UNSORTED, SORTED, WASTE; say which it is with \
                 --unsorted, --sorted or --waste",
                lot.name
            ))
        })?;
        // Trays of one name would have been refused as one tray twice.
        let fruit = |t: &Tray| read.trays.iter().find(|(r, _)| r.name == t.name).map(|r| r.0.fruit);
        let fruits = lot.trays.iter().map(fruit).collect();
        lots.push(StreamLot { stream, lot, fruits });
    }
    Ok(lots)
}

/// Balances a load's streams.
pub fn streams(args: &StreamsArgs) -> Result<Ending, Error> {
    settings::set_threads(&args.common.machine)?;
    args.out.as_deref().map_or(Ok(()), settings::make_folder)?;
    let mut left = 0;
    let mut lots: Vec<StreamLot> = Vec::new();
    if let Some(name) = &args.load {
        let ledger = load::open(&args.common.ledger)?;
        lots = dossier::streams_of(&ledger, name)?;
    } else {
        let said = [&args.unsorted, &args.sorted, &args.waste];
        if args.photos.is_empty() && said.iter().all(|s| s.is_empty()) {
            return Err(Error::Usage(
                "give photographs, or a load in the ledger with --load".into(),
            ));
        }
        if !args.photos.is_empty() {
            let read = read(&args.photos, &args.common)?;
            left += read.left;
            lots.extend(by_slip(&read)?);
        }
        for (stream, paths) in Stream::ALL.into_iter().zip(said) {
            if paths.is_empty() {
                continue;
            }
            let read = read(paths, &args.common)?;
            left += read.left;
            let fruits = read.trays.iter().map(|t| Some(t.0.fruit)).collect();
            lots.push(StreamLot { stream, lot: one_lot(stream.name(), &read), fruits });
        }
    }
    let settings = StreamSettings {
        weighed: Weighed {
            unsorted_kg: args.unsorted_kg,
            sorted_kg: args.sorted_kg,
            waste_kg: args.waste_kg,
            juice_kg: args.juice_kg,
        },
        weighing_sd: args.weighing_sd.map_or(StreamSettings::default().weighing_sd, |p| p / 100.0),
        price_per_tonne: args.price_per_tonne,
        ..StreamSettings::default()
    };
    let found = streams::balance(&lots, &settings).map_err(|e| Error::Failed(e.to_string()))?;
    if let Some(out) = &args.out {
        let plots = stream_plots::plots(&found, &lots)?;
        for (name, svg) in &plots {
            files::write_atomically(
                &out.join(format!("{name}.svg")),
                stream_plots::file(svg).as_bytes(),
            )?;
        }
        files::write_atomically(&out.join("streams.html"), &words::page(&found, &plots)?)?;
    }
    match args.common.format {
        Format::Json => print(&json::to_bytes(&found)?)?,
        Format::Text => print_text(&words::streams(&found))?,
    }
    // Lots that do not belong together are refused: their split must not be used.
    if !found.belong_together {
        return Ok(Ending::SomeLeftOut);
    }
    Ok(ending(left))
}

/// Holds two lots against each other.
pub fn compare_lots(args: &CompareArgs) -> Result<Ending, Error> {
    settings::set_threads(&args.common.machine)?;
    let basis = match args.by {
        By::Count => Basis::Count,
        By::Area => Basis::Area,
        By::Mass => Basis::Mass,
    };
    let mut left = 0;
    let pair = match &args.load {
        Some(name) => {
            let [a, b] = &args.lots[..] else {
                return Err(Error::Usage("--lots takes two lots, as in UNSORTED,SORTED".into()));
            };
            let ledger = load::open(&args.common.ledger)?;
            let lots = dossier::lots_of(&ledger, name)?;
            let of = |wanted: &str| {
                let is = |l: &&Lot| l.trays.iter().any(|t| t.lot.as_deref() == Some(wanted));
                lots.iter()
                    .find(is)
                    .cloned()
                    .ok_or_else(|| Error::Failed(format!("{name} has no trays of a lot {wanted}")))
            };
            [of(a)?, of(b)?]
        }
        None if args.first.is_empty() || args.second.is_empty() => {
            return Err(Error::Usage(
                "give photographs with --first and --second, or --load".into(),
            ));
        }
        None => {
            let (a, b) = (read(&args.first, &args.common)?, read(&args.second, &args.common)?);
            left = a.left + b.left;
            [one_lot("the first lot", &a), one_lot("the second lot", &b)]
        }
    };
    let found = streams::compare(&pair[0], &pair[1], basis, Level::P95)
        .map_err(|e| Error::Failed(e.to_string()))?;
    match args.common.format {
        Format::Json => print(&json::to_bytes(&found)?)?,
        Format::Text => print_text(&words::comparison(&found))?,
    }
    Ok(ending(left))
}

fn rule(args: &RuleArgs) -> Rule {
    Rule {
        reject_probability: args.reject_probability,
        shriveled_probability: args.shriveled,
        underripe_probability: args.underripe,
        debris_probability: args.debris,
        min_diameter_mm: args.min_diameter,
        max_wrinkle: args.max_wrinkle,
        max_lightness: args.max_lightness,
        min_a: args.min_a,
        max_b: args.max_b,
        max_green_share: args.max_green,
    }
    .or_usual()
}

fn machine(args: &SorterArgs) -> Machine {
    let d = Machine::default();
    let metres = |mm: Option<f64>, or: f64| mm.map_or(or, |v| v / 1000.0);
    Machine {
        belt_m_s: args.belt_speed.unwrap_or(d.belt_m_s),
        throughput_t_h: args.throughput.unwrap_or(d.throughput_t_h),
        belt_width_m: args.belt_width.unwrap_or(d.belt_width_m),
        camera_fall_m: metres(args.camera_fall, d.camera_fall_m),
        jet_fall_m: metres(args.jet_fall, d.jet_fall_m),
        jet_pitch_mm: args.jet_pitch.unwrap_or(d.jet_pitch_mm),
        open_ms: args.open_time.unwrap_or(d.open_ms),
        speed_sd_m_s: args.speed_scatter.unwrap_or(d.speed_sd_m_s),
        neighbour_limit: args.neighbour_limit.map_or(d.neighbour_limit, |p| p / 100.0),
        clump: args.clump.unwrap_or(d.clump),
    }
}

/// The objects on photographs of one lot; with `--out` each photograph is written with what the rule
/// blows out ringed.
fn photographed(args: &WhatIfArgs, rule: &Rule) -> Result<(SortLot, usize), Error> {
    if args.photos.is_empty() {
        return Err(Error::Usage(
            "give photographs of one lot, or a load in the ledger with --load".into(),
        ));
    }
    let read = read_with(&args.photos, &args.common, |photo, reading| {
        let Some(out) = &args.out else { return Ok(()) };
        let picked = |o: &ObjectReading| rule.blows(&SortObject::from(o));
        let picture = overlay::blown_out(&photo.rgb, reading, picked, &OverlaySettings::default())?;
        let bytes = jpeg::encode(&picture, OverlaySettings::default().jpeg_quality)?;
        files::write_atomically(&out.join(format!("{}.blown-out.jpg", reading.name)), &bytes)
    })?;
    let trays = read.trays.iter().map(|(_, t)| t.clone()).collect();
    let lots = group_by_lot(trays, WithoutSlip::OneLoad);
    if lots.len() > 1 {
        let names: Vec<&str> = lots.iter().map(|l| l.name.as_str()).collect();
        return Err(Error::Usage(format!(
            "these are several lots ({}); give the trays of one",
            names.join(", ")
        )));
    }
    let mut lot = SortLot::default();
    for (reading, tray) in &read.trays {
        lot.add(&tray.name, reading.objects.iter().map(SortObject::from));
    }
    Ok((lot, read.left))
}

/// Says what a sorter would do.
pub fn what_if(args: &WhatIfArgs) -> Result<Ending, Error> {
    settings::set_threads(&args.common.machine)?;
    args.out.as_deref().map_or(Ok(()), settings::make_folder)?;
    let terms = match &args.terms {
        Some(file) => Some(super::terms::check(file, &super::terms::read(file)?)?),
        None => None,
    };
    let rule = rule(&args.rule);
    let (lot, left) = match &args.load {
        Some(name) => {
            let ledger = load::open(&args.common.ledger)?;
            let lot = dossier::sort_lot(&ledger, name, &args.lot)?;
            let missing = || Error::Failed(format!("{name} has no trays of a lot {}", args.lot));
            (lot.ok_or_else(missing)?, 0)
        }
        None => photographed(args, &rule)?,
    };
    let neighbours = match args.sorter.poisson {
        true => Neighbours::Poisson,
        false => Neighbours::Simulated(SimulationSettings::default()),
    };
    let found = sorter::what_if(&rule, &machine(&args.sorter), &lot, terms.as_ref(), neighbours)
        .map_err(|e| Error::Failed(e.to_string()))?;
    if let Some(out) = &args.out {
        let svg = stream_plots::trade(&found)?;
        files::write_atomically(&out.join("trade.svg"), stream_plots::file(&svg).as_bytes())?;
    }
    match args.common.format {
        Format::Json => print(&json::to_bytes(&found)?)?,
        Format::Text => print_text(&words::what_if(&found))?,
    }
    Ok(ending(left))
}
