//! One photograph's outputs, written as soon as it is read; what the page needs later is kept in
//! a [`Sheet`], which holds no full picture, so a long batch does not fill the memory.

use std::collections::BTreeSet;
use std::path::Path;

use image::{RgbImage, imageops};
use rayon::prelude::*;

use super::canvas::{self, Placing, Stroke};
use super::files::write_atomically;
use super::json::{Timings, TrayJson};
use super::overlay::{OverlaySettings, loops_of, overlay};
use super::{Error, csv, jpeg, labels, palette};
use crate::classify::{Fruit, ObjectReading, Outcome, UNSURE_BELOW};
use crate::finding::{ColourFacts, Finding};
use crate::load::{LotFigures, LotSettings, Tray, assess_lot};
use crate::marks::{Marks, SlipText};
use crate::pipeline::TrayReading;
use crate::segment::{Bounds, LabelMap};

/// An output of one run.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Output {
    /// `NAME.objects.csv`
    Csv,
    /// `NAME.json`
    Json,
    /// `NAME.labels.png`
    Labels,
    /// `NAME.overlay.jpg`
    Overlay,
    /// `report.html`
    Report,
}

/// The outputs asked for.
pub type Outputs = BTreeSet<Output>;

/// Settings of [`write_photo`].
#[derive(Debug, Clone, PartialEq)]
pub struct SheetSettings {
    /// How the overlay is drawn.
    pub overlay: OverlaySettings,
    /// Width of the picture inside the page, px.
    pub page_width_px: u32,
    /// JPEG quality of pictures inside the page, 1 to 100.
    pub page_quality: u8,
    /// Objects whose class has less than this probability count as doubtful, 0 to 1.
    pub doubtful_below: f64,
    /// Most doubtful objects shown of one photograph.
    pub doubtful_shown: usize,
    /// Whether the JSON carries timings.
    pub timings: Timings,
}

impl Default for SheetSettings {
    fn default() -> Self {
        SheetSettings {
            overlay: OverlaySettings::default(),
            page_width_px: 1600,
            page_quality: 80,
            doubtful_below: UNSURE_BELOW,
            doubtful_shown: 12,
            timings: Timings::Omit,
        }
    }
}

/// What is kept of a photograph after its outputs are written.
#[derive(Debug, Clone)]
pub struct Sheet {
    /// The file as it was given.
    pub file: String,
    /// Stem of the file's name.
    pub name: String,
    /// SHA-256 of the file, lower-case hex.
    pub sha256: String,
    /// Size of the upright photograph, px.
    pub size_px: [u32; 2],
    /// When it was taken, as the file says.
    pub taken: Option<String>,
    /// Marks and frame.
    pub marks: Marks,
    /// Objects in label order.
    pub objects: Vec<ObjectReading>,
    /// Skin colour the objects were judged by.
    pub fruit: Fruit,
    /// Name of the profile used.
    pub profile: String,
    /// How the colours came about.
    pub colour: Option<ColourFacts>,
    /// Checks of the photograph.
    pub findings: Vec<Finding>,
    /// True when it was refused and measured all the same.
    pub forced: bool,
    /// What was assumed, in words.
    pub assumptions: Vec<String>,
    /// What to beware of, in words.
    pub cautions: Vec<String>,
    /// Seconds a stage took; empty unless asked for, since they differ from run to run.
    pub timings: Vec<(&'static str, f64)>,
    /// The overlay for the page, JPEG; none when no page is wanted.
    pub overlay_jpeg: Option<Vec<u8>>,
    /// Objects it was unsure of, least sure first, as many as are shown.
    pub doubtful: Vec<Doubtful>,
    /// How many objects it was unsure of.
    pub doubtful_count: usize,
    /// The limit under which an object counts as doubtful.
    pub doubtful_below: f64,
}

/// An object that the program was unsure of, with a picture to look at.
#[derive(Debug, Clone)]
pub struct Doubtful {
    /// Its number.
    pub object: u32,
    /// What it was judged to be.
    pub class: Outcome,
    /// Probabilities in the order of [`crate::classify::Class::ALL`].
    pub probabilities: [f64; 4],
    /// Its picture, JPEG.
    pub jpeg: Vec<u8>,
}

impl Sheet {
    /// The slip's words.
    pub fn slip(&self) -> Option<&SlipText> {
        self.marks.slip.as_ref().map(|s| &s.text)
    }

    /// The tray as the load's statistics take it.
    pub fn tray(&self) -> Tray {
        Tray::of_photo(&self.name, self.slip(), &self.objects)
    }
}

/// Writes the outputs of one photograph into `folder` and keeps what the page needs.
///
/// # Errors
/// [`Error`] when an output cannot be made or written; those already written stay.
pub fn write_photo(
    folder: &Path,
    file: &Path,
    photo: &RgbImage,
    reading: TrayReading,
    outputs: &Outputs,
    settings: &SheetSettings,
) -> Result<Sheet, Error> {
    let wanted = |output| outputs.contains(&output);
    let path = |ending: &str| folder.join(format!("{}.{ending}", reading.name));
    let csv = || match wanted(Output::Csv) {
        true => write_atomically(&path("objects.csv"), &csv::objects_csv(&reading.objects)?),
        false => Ok(()),
    };
    let json = || -> Result<(), Error> {
        if !wanted(Output::Json) {
            return Ok(());
        }
        let shares = tray_figures(&reading);
        let document = TrayJson::new(&reading, shares.as_ref(), settings.timings);
        write_atomically(&path("json"), &document.bytes()?)
    };
    let map = || match wanted(Output::Labels) {
        true => write_atomically(&path("labels.png"), &labels::labels_png(&reading.labels)?),
        false => Ok(()),
    };
    let tables = || {
        let (csv, (json, map)) = rayon::join(csv, || rayon::join(json, map));
        csv.and(json).and(map)
    };
    let drawn = wanted(Output::Overlay) || wanted(Output::Report);
    let bounds = if drawn { reading.labels.bounds() } else { Vec::new() };
    let picture = drawn.then(|| overlay(photo, &reading, &bounds, &settings.overlay)).transpose();
    // What can be written without it is.
    let (picture, failed) = match picture {
        Ok(picture) => (picture, None),
        Err(error) => (None, Some(error)),
    };
    // The large picture is packed by one core, all else by the other.
    let full = || -> Result<(), Error> {
        match &picture {
            Some(picture) if wanted(Output::Overlay) => write_atomically(
                &path("overlay.jpg"),
                &jpeg::encode(picture, settings.overlay.jpeg_quality)?,
            ),
            _ => Ok(()),
        }
    };
    let small = || -> Result<Option<Vec<u8>>, Error> {
        match &picture {
            Some(picture) if wanted(Output::Report) => {
                let small = canvas::shrink(picture, settings.page_width_px);
                jpeg::encode(&small, settings.page_quality).map(Some)
            }
            _ => Ok(None),
        }
    };
    let rest = || (tables(), doubtful(photo, &reading, &bounds, outputs, settings), small());
    let (full, (tables, doubtful, small)) = rayon::join(full, rest);
    tables?;
    if let Some(error) = failed {
        return Err(error);
    }
    full?;
    let (doubtful, doubtful_count) = doubtful?;
    Ok(Sheet {
        file: file.display().to_string(),
        overlay_jpeg: small?,
        doubtful,
        doubtful_count,
        doubtful_below: settings.doubtful_below,
        name: reading.name,
        sha256: reading.sha256,
        size_px: reading.size_px,
        taken: reading.taken,
        marks: reading.marks,
        objects: reading.objects,
        colour: reading.colour,
        fruit: reading.fruit,
        profile: reading.profile,
        findings: reading.findings,
        forced: reading.forced,
        assumptions: reading.assumptions,
        cautions: reading.cautions,
        timings: match settings.timings {
            Timings::Include => reading.timings,
            Timings::Omit => Vec::new(),
        },
    })
}

/// Shares of one tray alone; none when it is empty.
fn tray_figures(reading: &TrayReading) -> Option<LotFigures> {
    let slip = reading.marks.slip.as_ref().map(|s| &s.text);
    let lot = crate::load::Lot {
        name: reading.name.clone(),
        trays: vec![Tray::of_photo(&reading.name, slip, &reading.objects)],
    };
    assess_lot(&lot, &LotSettings::default()).ok()
}

/// The objects it was unsure of: unassigned ones, and those whose class has a low probability.
fn doubtful(
    photo: &RgbImage,
    reading: &TrayReading,
    bounds: &[Option<Bounds>],
    outputs: &Outputs,
    settings: &SheetSettings,
) -> Result<(Vec<Doubtful>, usize), Error> {
    let mut unsure: Vec<&ObjectReading> = reading
        .objects
        .iter()
        .filter(|o| o.class.is_none() || o.confidence() < settings.doubtful_below)
        .collect();
    let count = unsure.len();
    if !outputs.contains(&Output::Report) {
        return Ok((Vec::new(), count));
    }
    unsure.sort_by(|a, b| a.confidence().total_cmp(&b.confidence()));
    unsure.truncate(settings.doubtful_shown);
    let shown = unsure
        .par_iter()
        .filter_map(|object| {
            let number = object.measures.object;
            let found = usize::try_from(number).ok()?.checked_sub(1)?;
            let place = (*bounds.get(found)?)?;
            let crop = crop(photo, place);
            let picture = draw_crop(photo, &reading.labels, bounds, (number, object.class), &crop);
            Some(jpeg::encode(&picture, 82).map(|jpeg| Doubtful {
                object: number,
                class: object.class,
                probabilities: object.probabilities,
                jpeg,
            }))
        })
        .collect::<Result<Vec<_>, Error>>()?;
    Ok((shown, count))
}

/// Side of a crop in the page, px.
const CROP_PX: u32 = 160;

/// A square window of a photograph, px.
pub(crate) struct Crop {
    col: u32,
    row: u32,
    side: u32,
}

/// A square around an object with some of its surroundings, inside the photograph.
pub(crate) fn crop(photo: &RgbImage, place: Bounds) -> Crop {
    let (w, h) = (place.col_end - place.col, place.row_end - place.row);
    let side = (w.max(h) * 17 / 10).max(48).min(photo.width().min(photo.height()) as usize);
    let start = |middle: usize, whole: u32| {
        middle.saturating_sub(side / 2).min((whole as usize).saturating_sub(side)) as u32
    };
    Crop {
        col: start(place.col + w / 2, photo.width()),
        row: start(place.row + h / 2, photo.height()),
        side: side as u32,
    }
}

/// The window around an object, of [`CROP_PX`] px a side, with the object's outline.
pub(crate) fn draw_crop(
    photo: &RgbImage,
    labels: &LabelMap,
    bounds: &[Option<Bounds>],
    (object, class): (u32, Outcome),
    crop: &Crop,
) -> RgbImage {
    let window = imageops::crop_imm(photo, crop.col, crop.row, crop.side, crop.side).to_image();
    let mut picture = if crop.side > CROP_PX {
        canvas::shrink(&window, CROP_PX)
    } else {
        imageops::resize(&window, CROP_PX, CROP_PX, imageops::FilterType::Triangle)
    };
    let scale = CROP_PX as f32 / crop.side.max(1) as f32;
    let placing =
        Placing { scale, origin: [-(crop.col as f32) * scale, -(crop.row as f32) * scale] };
    let loops = loops_of(labels, bounds, object, placing);
    let look = palette::look(class);
    canvas::paint(&mut picture, &Stroke::new(&loops, look.line, 1.6).layers(look.colour));
    picture
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::samples;

    fn all() -> Outputs {
        [Output::Csv, Output::Json, Output::Labels, Output::Overlay, Output::Report].into()
    }

    fn write(folder: &Path, outputs: &Outputs) -> Sheet {
        let (photo, reading) = samples::tray();
        write_photo(
            folder,
            Path::new("drawn-tray.png"),
            &photo,
            reading,
            outputs,
            &Default::default(),
        )
        .expect("written")
    }

    fn names(folder: &Path) -> Vec<String> {
        let list = std::fs::read_dir(folder).expect("list");
        let mut names: Vec<String> =
            list.map(|e| e.expect("entry").file_name().to_string_lossy().into_owned()).collect();
        names.sort();
        names
    }

    #[test]
    fn only_what_was_asked_for_is_written() {
        let dir = tempfile::tempdir().expect("dir");
        write(dir.path(), &[Output::Csv].into());
        assert_eq!(names(dir.path()), ["drawn-tray.objects.csv"]);
        write(dir.path(), &all());
        assert_eq!(
            names(dir.path()),
            [
                "drawn-tray.json",
                "drawn-tray.labels.png",
                "drawn-tray.objects.csv",
                "drawn-tray.overlay.jpg"
            ]
        );
    }

    #[test]
    fn the_same_reading_gives_the_same_bytes() {
        let (one, two) = (tempfile::tempdir().expect("dir"), tempfile::tempdir().expect("dir"));
        write(one.path(), &all());
        write(two.path(), &all());
        for name in names(one.path()) {
            let read = |dir: &Path| std::fs::read(dir.join(&name)).expect("read");
            assert!(read(one.path()) == read(two.path()), "{name}");
        }
    }

    #[test]
    fn doubtful_objects_are_the_least_sure_first() {
        let dir = tempfile::tempdir().expect("dir");
        let sheet = write(dir.path(), &all());
        let found: Vec<u32> = sheet.doubtful.iter().map(|d| d.object).collect();
        assert_eq!(found, [7, 9]);
        assert_eq!(sheet.doubtful_count, 2);
        for doubtful in &sheet.doubtful {
            let picture = image::load_from_memory(&doubtful.jpeg).expect("jpeg");
            assert_eq!((picture.width(), picture.height()), (CROP_PX, CROP_PX));
        }
    }

    #[test]
    fn a_crop_at_any_corner_stays_inside() {
        let photo = RgbImage::new(100, 60);
        for (row, col) in [(0, 0), (0, 99), (59, 0), (59, 99)] {
            let place = Bounds { row, col, row_end: row + 1, col_end: col + 1 };
            let c = crop(&photo, place);
            assert!(
                c.col + c.side <= 100 && c.row + c.side <= 60,
                "{} {} {}",
                c.col,
                c.row,
                c.side
            );
        }
    }
}
