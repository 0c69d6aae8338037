//! What is printed on paper: the tiles for a tray and the load slips, at true size.
//!
//! A sheet is data ([`marks`], [`slips`]) poured into a readable template
//! (`src/assets/print/*.typ`) by [`typeset`]; [`qr`] makes the symbols. Sizes and places come from
//! [`crate::marks::layout`], which the reader of photographs shares. The same input gives the same
//! bytes.

pub mod qr;
pub mod typeset;

use std::path::Path;

use serde::Serialize;
use thiserror::Error;

use crate::marks::SlipText;
use crate::marks::layout::{
    SLIP_PAPER_MM, SLIP_PATCH_AT_MM, SLIP_PATCH_CODES, SLIP_PATCH_MM, SLIP_PATCH_PITCH_MM,
    SLIP_SYMBOL_AT_MM, SLIP_SYMBOL_MM, TILE_INSET_MM, TILE_PAPER_MM, TILE_SYMBOL_MM, tile_centres,
    tile_text,
};
use qr::Symbol;
use typeset::Set;

/// Shortest side of a tray's floor for which tiles are printed, mm: two tiles with their insets
/// take 66 mm of it (common practice, no source).
pub const MIN_TRAY_MM: f64 = 100.0;
/// Longest side, mm: 4000 pixels along it are 4 px/mm, little above what the checks ask for.
pub const MAX_TRAY_MM: f64 = 1000.0;
/// Most slips of one call, 84 sheets.
pub const MAX_SLIPS: usize = 1000;
/// Greatest tray number on a slip.
pub const MAX_TRAY_NUMBER: u32 = 9999;
/// Length of the ruler that shows whether the printer scaled the page, mm.
pub const RULER_MM: f64 = 100.0;

/// Why a sheet was not made.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum PrintError {
    /// Four tiles do not fit on the floor.
    #[error(
        "a tray of {} x {} mm is too small for four tiles of {TILE_PAPER_MM:.0} mm: either side needs {MIN_TRAY_MM:.0} mm or more; use a larger tray, or photograph this one without tiles and give its size (acinus assess --tray {}x{})", tray_mm[0], tray_mm[1], tray_mm[0], tray_mm[1]
    )]
    TrayTooSmall {
        /// Inner width and height, mm.
        tray_mm: [f64; 2],
    },
    /// No photograph would show the fruit large enough.
    #[error(
        "a tray of {} x {} mm is too large: berries would be a few pixels wide in a photograph of the whole; give the inner size in mm, {MAX_TRAY_MM:.0} at most, or use a smaller tray", tray_mm[0], tray_mm[1]
    )]
    TrayTooLarge {
        /// Inner width and height, mm.
        tray_mm: [f64; 2],
    },
    /// A name with signs that do not go on a slip.
    #[error(
        "{what} {name:?} cannot stand on a slip: only A to Z (upper case), 0 to 9 and - are allowed, without spaces, as in {example}"
    )]
    Word {
        /// `load` or `lot`.
        what: &'static str,
        /// The name as given.
        name: String,
        /// A good one.
        example: String,
    },
    /// Names too long for the symbol.
    #[error(
        "load {load:?} and lot {lot:?} have {length} letters together, and {allowed} fit into a slip's symbol: shorten one"
    )]
    TooLong {
        /// Load name.
        load: String,
        /// Lot name.
        lot: String,
        /// Letters of both.
        length: usize,
        /// Letters that would fit.
        allowed: usize,
    },
    /// No tray, or too many.
    #[error(
        "trays {first} to {last} cannot be printed: numbers go from 1 to {MAX_TRAY_NUMBER}, the first before the last, {MAX_SLIPS} slips at most"
    )]
    Trays {
        /// First tray.
        first: u32,
        /// Last tray.
        last: u32,
    },
    /// A file name that tells no format.
    #[error("{name}: the file's ending says what to write; name it .pdf or .svg")]
    Ending {
        /// The file as given.
        name: String,
    },
    /// A picture holds one page.
    #[error("{slips} slips take {pages} pages and an .svg holds one: write a .pdf, or fewer slips")]
    OnePage {
        /// Slips asked for.
        slips: usize,
        /// Pages that they take.
        pages: usize,
    },
    /// A text that the symbol's version cannot hold.
    #[error("{text:?} does not fit into its QR symbol")]
    Symbol {
        /// The text.
        text: String,
    },
    /// The template could not be set: a mistake of ours.
    #[error("the page {template} cannot be set ({why}); please report this")]
    Typeset {
        /// Which template.
        template: &'static str,
        /// What the typesetter said.
        why: String,
    },
}

/// Size of the sheet.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, serde::Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Paper {
    /// ISO 216 A4, 210 x 297 mm.
    #[default]
    A4,
    /// US Letter, 8.5 x 11 in (215.9 x 279.4 mm).
    Letter,
}

impl Paper {
    /// Width and height, mm.
    pub fn size_mm(self) -> [f64; 2] {
        match self {
            Paper::A4 => [210.0, 297.0],
            Paper::Letter => [215.9, 279.4],
        }
    }
}

/// What a sheet is written as.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Format {
    /// PDF 1.7 with its fonts.
    Pdf,
    /// SVG with letters as outlines.
    Svg,
}

impl Format {
    /// From the file's ending.
    pub fn of(path: &Path) -> Result<Format, PrintError> {
        let ending = path.extension().unwrap_or_default().to_string_lossy().to_lowercase();
        match ending.as_str() {
            "pdf" => Ok(Format::Pdf),
            "svg" => Ok(Format::Svg),
            _ => Err(PrintError::Ending { name: path.display().to_string() }),
        }
    }
}

/// Numbers that both templates need.
#[derive(Serialize)]
pub(crate) struct Page {
    size_mm: [f64; 2],
    ruler_mm: f64,
    program: &'static str,
}

impl Page {
    pub(crate) fn new(paper: Paper) -> Page {
        Page {
            size_mm: paper.size_mm(),
            ruler_mm: RULER_MM,
            program: concat!("acinus ", env!("CARGO_PKG_VERSION")),
        }
    }
}

#[derive(Serialize)]
struct MarksData {
    page: Page,
    tray_mm: [f64; 2],
    inset_mm: f64,
    paper_mm: f64,
    symbol_mm: f64,
    tiles: Vec<TileData>,
}

#[derive(Serialize)]
struct TileData {
    name: char,
    place: &'static str,
    centre_mm: [f64; 2],
    symbol: Symbol,
}

/// The sheet with the four tiles for a tray whose floor has the given inner size, mm.
pub fn marks(tray_mm: [f64; 2], paper: Paper, format: Format) -> Result<Vec<u8>, PrintError> {
    set_marks(tray_mm, paper)?.write(format, 1)
}

fn set_marks(tray_mm: [f64; 2], paper: Paper) -> Result<Set, PrintError> {
    if !tray_mm.iter().all(|side| *side >= MIN_TRAY_MM) {
        return Err(PrintError::TrayTooSmall { tray_mm });
    }
    if tray_mm.iter().any(|side| *side > MAX_TRAY_MM) {
        return Err(PrintError::TrayTooLarge { tray_mm });
    }
    let places = ["top left", "top right", "bottom right", "bottom left"];
    let tiles = tile_centres(tray_mm).into_iter().zip(places).map(|((name, centre_mm), place)| {
        let symbol = Symbol::encode(&tile_text(name, centre_mm))?;
        Ok(TileData { name, place, centre_mm, symbol })
    });
    let data = MarksData {
        page: Page::new(paper),
        tray_mm,
        inset_mm: TILE_INSET_MM,
        paper_mm: TILE_PAPER_MM,
        symbol_mm: TILE_SYMBOL_MM,
        tiles: tiles.collect::<Result<_, PrintError>>()?,
    };
    typeset::set(&typeset::MARKS, &data)
}

/// The slips of one lot's trays.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Slips {
    load: String,
    lot: String,
    first: u32,
    last: u32,
}

#[derive(Serialize)]
struct SlipsData<'a> {
    page: Page,
    paper_mm: [f64; 2],
    symbol_mm: f64,
    symbol_at_mm: [f64; 2],
    patch_codes: [u8; 6],
    patch_at_mm: [f64; 2],
    patch_mm: f64,
    patch_pitch_mm: f64,
    load: &'a str,
    lot: &'a str,
    slips: Vec<SlipData>,
}

#[derive(Serialize)]
struct SlipData {
    tray: u32,
    symbol: Symbol,
}

impl Slips {
    /// Slips of trays `first` to `last` of a lot; names hold A to Z, 0 to 9 and - only.
    pub fn new(load: &str, lot: &str, first: u32, last: u32) -> Result<Slips, PrintError> {
        for (what, name, example) in [("load", load, "HV-0417"), ("lot", lot, "UNSORTED")] {
            if !SlipText::is_word(name) {
                let upper = name.to_uppercase();
                let example = if SlipText::is_word(&upper) { upper } else { example.to_owned() };
                return Err(PrintError::Word { what, name: name.to_owned(), example });
            }
        }
        let count = (u64::from(last) + 1).saturating_sub(u64::from(first));
        if first < 1 || last > MAX_TRAY_NUMBER || count < 1 || count > MAX_SLIPS as u64 {
            return Err(PrintError::Trays { first, last });
        }
        let slips = Slips { load: load.to_owned(), lot: lot.to_owned(), first, last };
        let length = load.len() + lot.len();
        let spare = slips.text(last).code().len() - length;
        let allowed = qr::CAPACITY.saturating_sub(spare);
        if length > allowed {
            let (load, lot) = (slips.load, slips.lot);
            return Err(PrintError::TooLong { load, lot, length, allowed });
        }
        Ok(slips)
    }

    /// What one tray's slip says.
    pub fn text(&self, tray: u32) -> SlipText {
        SlipText { load: self.load.clone(), lot: self.lot.clone(), tray }
    }

    /// The sheets.
    pub fn print(&self, paper: Paper, format: Format) -> Result<Vec<u8>, PrintError> {
        let count = (self.first..=self.last).count();
        self.set(paper)?.write(format, count)
    }

    fn set(&self, paper: Paper) -> Result<Set, PrintError> {
        let slips: Result<Vec<SlipData>, PrintError> = (self.first..=self.last)
            .map(|tray| Ok(SlipData { tray, symbol: Symbol::encode(&self.text(tray).code())? }))
            .collect();
        let slips = slips?;
        let data = SlipsData {
            page: Page::new(paper),
            paper_mm: SLIP_PAPER_MM,
            symbol_mm: SLIP_SYMBOL_MM,
            symbol_at_mm: SLIP_SYMBOL_AT_MM,
            patch_codes: SLIP_PATCH_CODES,
            patch_at_mm: SLIP_PATCH_AT_MM,
            patch_mm: SLIP_PATCH_MM,
            patch_pitch_mm: SLIP_PATCH_PITCH_MM,
            load: &self.load,
            lot: &self.lot,
            slips,
        };
        typeset::set(&typeset::SLIPS, &data)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn trays_that_cannot_carry_tiles_are_refused_in_one_line() {
        let made = |w: f64, h: f64| marks([w, h], Paper::A4, Format::Svg);
        for side in [MIN_TRAY_MM - 0.1, 0.0, -330.0, f64::NAN] {
            for tray in [[side, 250.0], [330.0, side]] {
                let error = made(tray[0], tray[1]).expect_err("too small");
                assert!(matches!(error, PrintError::TrayTooSmall { .. }), "{error}");
                let words = error.to_string();
                assert!(words.contains("100 mm or more; use") && !words.contains('\n'), "{words}");
            }
        }
        for side in [MAX_TRAY_MM + 0.1, f64::INFINITY] {
            assert!(matches!(made(side, 250.0), Err(PrintError::TrayTooLarge { .. })));
        }
        assert!(made(MIN_TRAY_MM, MIN_TRAY_MM).is_ok());
        assert!(made(MAX_TRAY_MM, MAX_TRAY_MM).is_ok());
    }

    #[test]
    fn names_that_the_reader_would_not_know_are_refused() {
        for (load, lot, what) in [
            ("hv-0417", "UNSORTED", "HV-0417"),
            ("HV 0417", "UNSORTED", "load \"HV 0417\""),
            ("", "UNSORTED", "load \"\""),
            ("HV", "UN_SORTED", "lot \"UN_SORTED\""),
            ("HV", "ÄPFEL", "lot \"ÄPFEL\""),
        ] {
            let error = Slips::new(load, lot, 1, 1).expect_err("refused");
            assert!(matches!(error, PrintError::Word { .. }));
            let words = error.to_string();
            assert!(words.contains("A to Z") && words.contains(what), "{words}");
        }
    }

    #[test]
    fn names_fit_to_the_last_letter() {
        // ISO/IEC 18004, table 7: version 2-M holds 38 alphanumeric characters.
        let lot = "U".repeat(20);
        let slips = Slips::new("HV-0417", &lot, 1, 99).expect("27 letters");
        assert_eq!(slips.text(99).code().len(), 38);
        assert!(slips.print(Paper::A4, Format::Pdf).is_ok());
        let error = Slips::new("HV-0417", &lot, 1, 100).expect_err("28 letters");
        assert!(error.to_string().contains("27 letters together, and 26 fit"), "{error}");
    }

    #[test]
    fn tray_numbers_have_bounds() {
        for (first, last) in [(0, 3), (3, 2), (1, 10_000), (1, 1001), (u32::MAX, u32::MAX)] {
            let error = Slips::new("HV", "WASTE", first, last).expect_err("refused");
            assert!(matches!(error, PrintError::Trays { .. }), "{error}");
        }
        assert!(Slips::new("HV", "WASTE", 9000, 9999).is_ok());
    }

    #[test]
    fn pages_are_as_many_as_needed_and_the_typesetter_finds_nothing_odd() {
        for paper in [Paper::A4, Paper::Letter] {
            let tiles = set_marks([330.0, 250.0], paper).expect("set");
            assert_eq!((tiles.pages(), tiles.warnings()), (1, ""));
            for (last, pages) in [(1, 1), (13, 2)] {
                let slips = Slips::new("HV-0417", "UNSORTED", 1, last).expect("slips");
                let set = slips.set(paper).expect("set");
                assert_eq!((set.pages(), set.warnings()), (pages, ""));
            }
        }
    }

    #[test]
    fn the_ending_tells_the_format() {
        assert_eq!(Format::of(Path::new("a/b.PDF")), Ok(Format::Pdf));
        assert_eq!(Format::of(Path::new("b.svg")), Ok(Format::Svg));
        for wrong in ["b", "b.ps", "pdf", ""] {
            assert!(Format::of(Path::new(wrong)).is_err(), "{wrong}");
        }
    }
}
