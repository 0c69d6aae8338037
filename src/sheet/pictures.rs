//! What was seen, to be looked at: trays with their outlines, and single objects drawn at random.

use image::RgbImage;
use serde::Serialize;

use super::SheetError;
use crate::classify::{Class, Outcome};
use crate::ledger::Ledger;
use crate::ledger::archive::Kept;
use crate::ledger::record::{LoadRecord, LotRecord, TrayRecord};
use crate::photo;
use crate::report::canvas::{self, Layer, Placing, Stroke};
use crate::report::lettering::Lettering;
use crate::report::{jpeg, overlay, palette, sheet as crops};
use crate::retouch;
use crate::segment::{Bounds, LabelMap};
use crate::stats::SplitMix64;

/// Width of a tray's picture, px: 400 a printed inch.
const PICTURE_PX: u32 = 1400;
/// JPEG quality of the pictures.
const QUALITY: u8 = 80;
/// Most objects shown of a class.
const SHOWN: usize = 10;
/// Letters on objects, px of [`PICTURE_PX`].
const LETTER_PX: f32 = 17.0;

/// A picture with its name in the document.
pub struct Picture {
    /// File name.
    pub file: String,
    /// JPEG.
    pub bytes: Vec<u8>,
}

/// A tray as it is shown.
#[derive(Debug, Serialize)]
pub struct TrayShown {
    /// File name.
    pub file: String,
    /// What it is.
    pub caption: String,
    /// The same for those who cannot see it.
    pub alt: String,
}

/// Objects of a class as they are shown.
#[derive(Debug, Serialize)]
pub struct CropsShown {
    /// The class.
    pub name: &'static str,
    /// `10 of 41`.
    pub of: String,
    /// File names.
    pub files: Vec<String>,
}

/// All of it.
#[derive(Default)]
pub struct Seen {
    /// Trays.
    pub trays: Vec<TrayShown>,
    /// Objects.
    pub crops: Vec<CropsShown>,
    /// Classes on the trays shown.
    pub classes: Vec<Outcome>,
    /// The files.
    pub files: Vec<Picture>,
}

struct Tray<'a> {
    record: &'a TrayRecord,
    photo: RgbImage,
    labels: LabelMap,
    bounds: Vec<Option<Bounds>>,
}

/// Pictures of two trays and of objects on them. The trays are the first and the last by number of
/// the delivered lot (with one tray only: and the first of the next lot), so that nobody chooses
/// them; the objects are drawn by `seed`.
///
/// # Errors
/// [`SheetError`] when a kept file is missing, changed, or cannot be read.
pub fn seen(ledger: &Ledger, load: &LoadRecord, seed: u64) -> Result<Seen, SheetError> {
    let mut found = Seen::default();
    let mut open = Vec::new();
    for (number, (lot, record)) in chosen(load).into_iter().enumerate() {
        let tray = open_tray(ledger, record)?;
        let file = format!("tray-{}.jpg", number + 1);
        let place = format!("{} tray {}", lot.lot, record.tray);
        let bin = record.bin.as_ref().map_or(String::new(), |b| format!(", bin {b}"));
        found.files.push(Picture { file: file.clone(), bytes: draw(&tray)? });
        found.trays.push(TrayShown {
            file,
            caption: format!("{place}{bin}: {} objects", record.objects.len()),
            alt: format!("{place} from above, every object outlined by its class"),
        });
        open.push(tray);
    }
    let mut random = SplitMix64::new(seed);
    for outcome in palette::OUTCOMES {
        let all: Vec<(usize, u32)> = open
            .iter()
            .enumerate()
            .flat_map(|(i, t)| t.record.objects.iter().map(move |o| (i, o)))
            .filter(|(_, o)| o.item.class == outcome)
            .map(|(i, o)| (i, o.object))
            .collect();
        if all.is_empty() {
            continue;
        }
        found.classes.push(outcome);
        let name = palette::name(outcome);
        let mut files = Vec::new();
        for place in random.choose(all.len(), SHOWN.min(all.len())) {
            let (tray, object) = all[place];
            let Some(bytes) = crop(&open[tray], object, outcome)? else { continue };
            let file = format!("{name}-{}.jpg", files.len() + 1);
            found.files.push(Picture { file: file.clone(), bytes });
            files.push(file);
        }
        if !files.is_empty() {
            let of = format!("{} of {}", files.len(), all.len());
            found.crops.push(CropsShown { name, of, files });
        }
    }
    Ok(found)
}

fn chosen(load: &LoadRecord) -> Vec<(&LotRecord, &TrayRecord)> {
    let mut lots: Vec<&LotRecord> = load.lots.iter().filter(|l| !l.trays.is_empty()).collect();
    lots.sort_by_key(|l| l.lot != crate::dossier::DELIVERED);
    let Some(first) = lots.first() else { return Vec::new() };
    let mut chosen = vec![(*first, &first.trays[0])];
    match (first.trays.len(), lots.get(1)) {
        (2.., _) => chosen.extend(first.trays.last().map(|t| (*first, t))),
        (_, Some(next)) => chosen.push((*next, &next.trays[0])),
        _ => {}
    }
    chosen
}

/// The bytes of a kept file, if they are what their name says.
fn kept(ledger: &Ledger, sha256: &str, name: &str) -> Result<Vec<u8>, SheetError> {
    let archive = ledger.archive();
    let why = match archive.state(sha256)? {
        Kept::Whole => return Ok(archive.read(sha256)?),
        Kept::Missing => "is missing",
        Kept::Changed => "was changed",
    };
    Err(SheetError::Kept { name: name.to_owned(), why, folder: archive.folder().to_owned() })
}

fn open_tray<'a>(ledger: &Ledger, record: &'a TrayRecord) -> Result<Tray<'a>, SheetError> {
    let fault = |why: String| SheetError::Picture { name: record.photo.name.clone(), why };
    let bytes = kept(ledger, &record.photo.sha256, &record.photo.name)?;
    let photo = photo::decode(&bytes).map_err(|e| fault(e.to_string()))?.rgb;
    let (width, height) = (photo.width() as usize, photo.height() as usize);
    let labels = match &record.outlines {
        None => LabelMap { width, height, labels: vec![0; width * height], count: 0 },
        Some(sha256) => {
            let name = format!("the outlines of {}", record.photo.name);
            let png = image::load_from_memory(&kept(ledger, sha256, &name)?)
                .map_err(|e| fault(e.to_string()))?
                .into_luma16();
            if (png.width(), png.height()) != (photo.width(), photo.height()) {
                return Err(fault("its outlines are of another size".to_owned()));
            }
            let labels = png.into_raw();
            let mut map = LabelMap { width, height, labels, count: 0 };
            if let Some(changed) = ledger.one_tray(record.recorded.entry)? {
                retouch::erase(&mut map, &changed.gone);
                for outline in &changed.outlines {
                    if let Ok(label) = u16::try_from(outline.object) {
                        retouch::paint(&mut map, &outline.runs, label);
                    }
                }
            }
            map.count = map.labels.iter().copied().max().unwrap_or(0).into();
            map
        }
    };
    let bounds = labels.bounds();
    Ok(Tray { record, photo, labels, bounds })
}

/// The tray with every object outlined, and a letter on those that are not sound.
fn draw(tray: &Tray<'_>) -> Result<Vec<u8>, SheetError> {
    let width = tray.photo.width().min(PICTURE_PX);
    let mut picture = canvas::shrink(&tray.photo, width);
    let scale = width as f32 / tray.photo.width() as f32;
    let placing = Placing { scale, origin: [0.0, 0.0] };
    let lettering = Lettering::new()?;
    let unit = width as f32 / PICTURE_PX as f32;
    let mut layers = Vec::new();
    for object in &tray.record.objects {
        let look = palette::look(object.item.class);
        let loops = overlay::loops_of(&tray.labels, &tray.bounds, object.object, placing);
        layers.extend(Stroke::new(&loops, look.line, 2.2 * unit).layers(look.colour));
    }
    for object in tray.record.objects.iter().filter(|o| o.item.class != Some(Class::Sound)) {
        let place = (object.object as usize).checked_sub(1).and_then(|i| tray.bounds.get(i));
        let Some(Some(b)) = place else { continue };
        let middle = [(b.col + b.col_end) as f32 / 2.0, (b.row + b.row_end) as f32 / 2.0];
        let [x, y] = placing.place(middle);
        let letter = palette::look(object.item.class).letter.to_string();
        let size = LETTER_PX * unit;
        let left = x - lettering.width(&letter, size) / 2.0;
        let base = y + lettering.capital_height(size) / 2.0;
        let mask = lettering.mask(&letter, size).moved(left.round() as i32, base.round() as i32);
        layers.extend(Layer::cased(mask, unit, [255, 255, 255]));
    }
    canvas::paint(&mut picture, &layers);
    Ok(jpeg::encode(&picture, QUALITY)?)
}

fn crop(tray: &Tray<'_>, object: u32, class: Outcome) -> Result<Option<Vec<u8>>, SheetError> {
    let place = (object as usize).checked_sub(1).and_then(|i| tray.bounds.get(i).copied());
    let Some(Some(bounds)) = place else { return Ok(None) };
    let window = crops::crop(&tray.photo, bounds);
    let picture =
        crops::draw_crop(&tray.photo, &tray.labels, &tray.bounds, (object, class), &window);
    Ok(Some(jpeg::encode(&picture, QUALITY)?))
}
