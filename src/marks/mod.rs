//! The printed marks: four QR tiles and the load slip. This module knows nothing of berries.
//!
//! Coarse to fine: [`find`] looks for finder patterns in a reduced grey picture, [`refine`] fits
//! each symbol's place at full resolution and samples its modules, [`decode`] turns them into
//! words; the tiles' words and corners give the tray frame.

pub mod decode;
pub mod find;
pub mod floor;
pub mod layout;
pub mod refine;

use image::RgbImage;
use rayon::prelude::*;
use thiserror::Error;

use crate::frame::{self, CameraSource, FitPrior, FrameSource, Mm, Px, TrayFrame};
use crate::photo::Photo;
use decode::Words;
use refine::{Fitted, Place, Window};

/// A tile as seen in the photograph.
#[derive(Debug, Clone, PartialEq)]
pub struct Tile {
    /// Its name: A top left, B top right, C bottom right, D bottom left.
    pub name: char,
    /// Centre of its symbol in the tray frame, mm.
    pub centre_mm: Mm,
    /// Side of its symbol (quiet zone not counted), mm.
    pub side_mm: f64,
    /// Corners of the symbol in the photograph, in tray order: top-left, top-right, bottom-right,
    /// bottom-left.
    pub corners_px: [Px; 4],
    /// False when its text could not be read and its name follows from its place among the others.
    pub read: bool,
}

impl Tile {
    /// The corners' places in the tray frame, mm, in the order of `corners_px`.
    pub fn corners_mm(&self) -> [Mm; 4] {
        let [x, y] = self.centre_mm;
        let h = self.side_mm / 2.0;
        [[x - h, y - h], [x + h, y - h], [x + h, y + h], [x - h, y + h]]
    }
}

/// What the load slip says.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, serde::Serialize, serde::Deserialize)]
pub struct SlipText {
    /// Load name.
    pub load: String,
    /// Lot name (UNSORTED, SORTED, WASTE, or the user's own).
    pub lot: String,
    /// Tray number.
    pub tray: u32,
}

impl SlipText {
    /// What the slip's symbol says.
    pub fn code(&self) -> String {
        format!("LOAD1 {self}")
    }

    /// Whether a load's or lot's name can stand on a slip: A to Z, 0 to 9 and -.
    pub fn is_word(name: &str) -> bool {
        let plain = |b: u8| b.is_ascii_uppercase() || b.is_ascii_digit() || b == b'-';
        !name.is_empty() && name.bytes().all(plain)
    }
}

impl std::fmt::Display for SlipText {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{} {} T{}", self.load, self.lot, self.tray)
    }
}

/// The load slip as seen in the photograph.
#[derive(Debug, Clone, PartialEq)]
pub struct Slip {
    /// Its words.
    pub text: SlipText,
    /// Corners of its QR symbol in the photograph, in the symbol's own order.
    pub corners_px: [Px; 4],
    /// The six grey patches: nominal sRGB code and the quadrilateral in the photograph.
    pub patches: Vec<(u8, [Px; 4])>,
}

/// Everything the marks told us.
#[derive(Debug, Clone)]
pub struct Marks {
    /// The tiles that were read, in the order of their names.
    pub tiles: Vec<Tile>,
    /// The load slip, if one was read.
    pub slip: Option<Slip>,
    /// Polygons in the photograph that hold paper (tiles, slip), to be masked out.
    pub paper_px: Vec<Vec<Px>>,
    /// The tray frame.
    pub frame: TrayFrame,
    /// What was assumed or noticed on the way, in words for the report.
    pub notes: Vec<String>,
}

/// How marks are read.
#[derive(Debug, Clone, PartialEq)]
pub struct MarksSettings {
    /// Inner size of the tray floor, mm, as the user gave it: scale when there are no tiles.
    pub tray_mm: Option<[f64; 2]>,
    /// Pixels per millimetre, as the user gave it: scale when there is nothing else.
    pub px_per_mm: Option<f64>,
    /// The lens's position in the tray frame (x, y, height above the floor, mm), as the user gave
    /// it: overrides the focal length.
    pub camera_mm: Option<[f64; 3]>,
    /// Height of the lens above the floor as the user measured it, mm: overrides the focal length,
    /// and is overridden by `camera_mm`.
    pub camera_height_mm: Option<f64>,
    /// Height of the camera above the floor when the file has no focal length, mm.
    pub default_height_mm: f64,
    /// The reduced picture's longer side is about this many pixels.
    pub coarse_px: usize,
    /// Most candidate symbols that are looked at closely.
    pub max_candidates: usize,
    /// A tile corner farther than this from where the frame puts it means that the tiles do not
    /// belong together, mm.
    pub max_misfit_mm: f64,
    /// Tiles whose printed size is off by more than this part are not believed.
    pub max_symbol_scale_off: f64,
    /// Tiles whose printed size is off by more than this part are noted.
    pub symbol_scale_note: f64,
    /// Paper outlines are grown by this, mm (a cut that is not quite straight, the paper's shadow).
    pub paper_margin_mm: f64,
    /// The inner part of a grey patch's side that is used.
    pub patch_inner: f64,
}

impl Default for MarksSettings {
    fn default() -> Self {
        MarksSettings {
            tray_mm: None,
            px_per_mm: None,
            camera_mm: None,
            camera_height_mm: None,
            default_height_mm: 450.0,
            coarse_px: 1400,
            max_candidates: 48,
            max_misfit_mm: 2.0,
            max_symbol_scale_off: 0.03,
            symbol_scale_note: 0.01,
            paper_margin_mm: 0.7,
            patch_inner: 0.6,
        }
    }
}

/// Why a photograph has no tray frame.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum MarksError {
    /// Nothing gives a scale.
    #[error(
        "no scale: {tiles} of the four tiles could be read; put the tiles flat in the tray's corners, or give the tray's inner size (--tray 330x250) or the scale (--px-per-mm 7.8)"
    )]
    NoScale {
        /// Tiles read.
        tiles: usize,
    },
    /// The floor's rectangle was not found.
    #[error(
        "no scale: no tiles were read, and no tray floor of {width_mm:.0} x {height_mm:.0} mm was found; show the whole tray with all four walls, check the size given, or give --px-per-mm"
    )]
    NoFloor {
        /// Width as given, mm.
        width_mm: f64,
        /// Height as given, mm.
        height_mm: f64,
    },
    /// Two different slips.
    #[error(
        "two load slips in one photograph ({first}; {second}): keep one slip in the tray and photograph it again"
    )]
    TwoSlips {
        /// One.
        first: SlipText,
        /// The other.
        second: SlipText,
    },
    /// One tile's name seen twice.
    #[error(
        "tile {name} is in the photograph twice: keep one set of four tiles in view and photograph it again"
    )]
    TwiceTheSameTile {
        /// Its name.
        name: char,
    },
    /// Tiles that do not fit one tray.
    #[error(
        "the tiles do not belong to one tray ({detail}): use the four tiles of one printed set, each in its own corner"
    )]
    TilesContradict {
        /// In what.
        detail: String,
    },
    /// The picture is mirrored.
    #[error(
        "the picture is mirrored (a symbol reads only when flipped): use the camera's original file"
    )]
    Mirrored,
}

/// A symbol that was found and fitted.
#[derive(Debug, Clone)]
struct Symbol {
    fitted: Fitted,
    words: Option<Words>,
    mirrored: bool,
}

impl Symbol {
    fn centre(&self) -> Px {
        let n = self.fitted.place.size as f64;
        self.fitted.place.at(n / 2.0, n / 2.0)
    }

    fn reach(&self) -> f64 {
        self.fitted.place.module_px() * self.fitted.place.size as f64 * 0.6
    }
}

/// Finds and reads the marks of a photograph and gives the tray frame.
pub fn read(photo: &Photo, settings: &MarksSettings) -> Result<Marks, MarksError> {
    let rgb = &photo.rgb;
    let (width, height) = rgb.dimensions();
    let longer = width.max(height) as usize;
    let base = ((longer as f64 / settings.coarse_px as f64).round() as usize).max(1);
    // First the usual reduction; if tiles are missing, a coarser one (noise) and a finer one
    // (small symbols).
    let mut symbols = search(rgb, base, settings);
    let mut passes = vec![base + 1];
    if base > 1 {
        passes.push((base / 2).max(1));
    }
    for factor in passes {
        let tiles = tiles_of(&symbols);
        if tiles >= 3 || longer / factor < 100 {
            continue;
        }
        if tiles == 2 {
            let mut seen = collect_tiles(&symbols)?;
            if let Some(fit) = fit_tiles(&seen, photo, seen.len() > 2) {
                retry_missing(photo, &mut symbols, &mut seen, &fit);
            }
            if seen.len() >= 3 {
                continue;
            }
        }
        let more = search(rgb, factor, settings);
        add(&mut symbols, more);
    }
    let mut notes = Vec::new();
    assemble(photo, &mut symbols, settings, &mut notes)
}

fn tiles_of(symbols: &[Symbol]) -> usize {
    symbols.iter().filter(|s| matches!(s.words, Some(Words::Tile { .. }))).count()
}

/// One pass of the coarse search with close looks at the candidates.
fn search(rgb: &RgbImage, factor: usize, settings: &MarksSettings) -> Vec<Symbol> {
    let grey = find::reduce(rgb, factor);
    if grey.width < 24 || grey.height < 24 {
        return Vec::new();
    }
    // Ten modules of a tile when the tray fills the picture.
    let radius = (grey.width.max(grey.height) / 75).max(8);
    let finders = find::finders(&grey, radius);
    let triples = find::triples(&finders, settings.max_candidates);
    let f = factor as f64;
    let full = |p: Px| [p[0] * f + (f - 1.0) / 2.0, p[1] * f + (f - 1.0) / 2.0];
    let found: Vec<Symbol> = triples
        .par_iter()
        .filter_map(|t| {
            let at = t.finders.map(|k| full(finders[k].at));
            let place = Place::from_finders(t.size, at[0], at[1], at[2]);
            look(rgb, &place, false)
        })
        .collect();
    let mut symbols = Vec::new();
    add(&mut symbols, found);
    symbols
}

/// Fits and decodes one candidate.
fn look(rgb: &RgbImage, place: &Place, projective: bool) -> Option<Symbol> {
    let margin = place.module_px() * 5.0;
    let window = Window::around(rgb, &place.corners(), margin)?;
    let fitted = refine::fit(&window, place, projective)?;
    let text = decode::text(&fitted.modules);
    let mirrored = text.as_ref().is_some_and(|t| t.1);
    Some(Symbol { fitted, words: text.map(|t| decode::words(&t.0)), mirrored })
}

/// Adds symbols that are not there yet; a read one replaces an unread one in the same place.
fn add(symbols: &mut Vec<Symbol>, new: Vec<Symbol>) {
    let (read, unread): (Vec<_>, Vec<_>) = new.into_iter().partition(|s| s.words.is_some());
    for s in read.into_iter().chain(unread) {
        let c = s.centre();
        let same = |o: &Symbol| {
            let d = o.centre();
            (c[0] - d[0]).hypot(c[1] - d[1]) < o.reach().max(s.reach())
        };
        match symbols.iter_mut().find(|o| same(o)) {
            Some(o) if o.words.is_none() && s.words.is_some() => *o = s,
            Some(_) => {}
            None => symbols.push(s),
        }
    }
}

/// The tiles among the symbols, by name; duplicates are an error.
fn collect_tiles(symbols: &[Symbol]) -> Result<Vec<Tile>, MarksError> {
    let mut tiles: Vec<Tile> = Vec::new();
    for s in symbols {
        if let Some(Words::Tile { name, centre_mm, side_mm }) = s.words {
            if tiles.iter().any(|t| t.name == name) {
                return Err(MarksError::TwiceTheSameTile { name });
            }
            let corners_px = s.fitted.place.corners();
            tiles.push(Tile { name, centre_mm, side_mm, corners_px, read: true });
        }
    }
    tiles.sort_by_key(|t| t.name);
    Ok(tiles)
}

/// The slip among the symbols; two are an error.
fn collect_slip(symbols: &[Symbol]) -> Result<Option<(SlipText, [Px; 4])>, MarksError> {
    let mut slip: Option<(SlipText, [Px; 4])> = None;
    for s in symbols {
        if let Some(Words::Slip(text)) = &s.words {
            if let Some((first, _)) = slip {
                return Err(MarksError::TwoSlips { first, second: text.clone() });
            }
            slip = Some((text.clone(), s.fitted.place.corners()));
        }
    }
    Ok(slip)
}

/// Checks that the tiles' words describe one rectangular set.
fn check_words(tiles: &[Tile]) -> Result<(), MarksError> {
    let get = |n: char| tiles.iter().find(|t| t.name == n);
    let near = |a: f64, b: f64| (a - b).abs() <= 0.5;
    for (p, q, axis) in [('A', 'D', 0), ('B', 'C', 0), ('A', 'B', 1), ('D', 'C', 1)] {
        if let (Some(s), Some(t)) = (get(p), get(q))
            && !near(s.centre_mm[axis], t.centre_mm[axis])
        {
            let word = ["x", "y"][axis];
            return Err(MarksError::TilesContradict {
                detail: format!(
                    "{p} says {word} = {} mm, {q} says {} mm",
                    s.centre_mm[axis], t.centre_mm[axis]
                ),
            });
        }
    }
    for (p, q, axis) in
        [('A', 'B', 0), ('D', 'C', 0), ('A', 'D', 1), ('B', 'C', 1), ('A', 'C', 0), ('A', 'C', 1)]
    {
        if let (Some(s), Some(t)) = (get(p), get(q))
            && t.centre_mm[axis] <= s.centre_mm[axis]
        {
            return Err(MarksError::TilesContradict {
                detail: format!("{q} says that it lies before {p}"),
            });
        }
    }
    Ok(())
}

/// Where the tiles that were not read must be, if their neighbours' words say so.
fn predicted(tiles: &[Tile]) -> Vec<(char, Mm, f64)> {
    let get = |n: char| tiles.iter().find(|t| t.name == n);
    let x_left = get('A').or(get('D')).map(|t| t.centre_mm[0]);
    let x_right = get('B').or(get('C')).map(|t| t.centre_mm[0]);
    let y_top = get('A').or(get('B')).map(|t| t.centre_mm[1]);
    let y_bottom = get('C').or(get('D')).map(|t| t.centre_mm[1]);
    let Some(side) = tiles.first().map(|t| t.side_mm) else { return Vec::new() };
    [('A', x_left, y_top), ('B', x_right, y_top), ('C', x_right, y_bottom), ('D', x_left, y_bottom)]
        .into_iter()
        .filter(|(n, _, _)| get(*n).is_none())
        .filter_map(|(n, x, y)| Some((n, [x?, y?], side)))
        .collect()
}

/// The size of the tray floor that the tiles' places imply: opposite tiles lie equally far from
/// opposite walls.
fn implied_tray(tiles: &[Tile]) -> Option<[f64; 2]> {
    let get = |n: char| tiles.iter().find(|t| t.name == n);
    let x_left = get('A').or(get('D'))?.centre_mm[0];
    let x_right = get('B').or(get('C'))?.centre_mm[0];
    let y_top = get('A').or(get('B'))?.centre_mm[1];
    let y_bottom = get('C').or(get('D'))?.centre_mm[1];
    Some([x_left + x_right, y_top + y_bottom])
}

fn fit_tiles(tiles: &[Tile], photo: &Photo, symbol_scale: bool) -> Option<frame::PointFit> {
    let (width, height) = photo.rgb.dimensions();
    let mm: Vec<Mm> = tiles.iter().flat_map(Tile::corners_mm).collect();
    let centres: Vec<Mm> = tiles.iter().flat_map(|t| [t.centre_mm; 4]).collect();
    let px: Vec<Px> = tiles.iter().flat_map(|t| t.corners_px).collect();
    // EXIF gives whole millimetres, so the focal length is good to about 2 %.
    let focal = photo.exif.focal_35mm.map(|f| (frame::focal_px(f, width, height, 0.0), 0.03));
    let prior = FitPrior {
        focal_px: if tiles.len() < 4 { focal } else { None },
        symbol_scale,
        ..FitPrior::default()
    };
    frame::fit_points(&mm, &centres, &px, width, height, &prior)
}

/// Moves the tiles' corners to where the lens shows them: each symbol was fitted by a homography,
/// which cannot follow how the lens bends its sides. What the lens is follows from the corners, so
/// this is done twice.
fn unbend(photo: &Photo, tiles: &mut [Tile]) {
    let fitted: Vec<[Px; 4]> = tiles.iter().map(|t| t.corners_px).collect();
    for _ in 0..2 {
        let Some(fit) = fit_tiles(tiles, photo, tiles.len() > 2) else { return };
        for (tile, corners) in tiles.iter_mut().zip(&fitted) {
            tile.corners_px = refine::corners_through(corners, &fit.lens);
        }
    }
}

fn assemble(
    photo: &Photo,
    symbols: &mut Vec<Symbol>,
    settings: &MarksSettings,
    notes: &mut Vec<String>,
) -> Result<Marks, MarksError> {
    if symbols.iter().any(|s| s.mirrored) {
        return Err(MarksError::Mirrored);
    }
    let mut tiles = collect_tiles(symbols)?;
    check_words(&tiles)?;
    if (2..4).contains(&tiles.len())
        && let Some(fit) = fit_tiles(&tiles, photo, tiles.len() > 2)
    {
        retry_missing(photo, symbols, &mut tiles, &fit);
        tiles.sort_by_key(|t| t.name);
    }
    unbend(photo, &mut tiles);
    let slip = collect_slip(symbols)?;
    for s in symbols.iter() {
        if let Some(Words::Other(text)) = &s.words {
            let short: String = text.chars().take(40).collect();
            notes.push(format!("a symbol that is none of ours was passed over: {short:?}"));
        }
    }
    let frame = if tiles.len() >= 2 {
        frame_from_tiles(photo, &tiles, settings, notes)?
    } else {
        frame_without_tiles(photo, tiles.len(), settings, notes)?
    };
    let mut paper_px: Vec<Vec<Px>> = tiles
        .iter()
        .map(|t| layout::tile_paper(&t.corners_px, &frame, settings.paper_margin_mm))
        .collect();
    let slip = slip.map(|(text, corners_px)| {
        let corners_px = refine::corners_through(&corners_px, &frame.lens);
        let pose = layout::SlipPose::from_symbol(&corners_px, &frame);
        paper_px.push(layout::slip_paper(&pose, &frame, settings.paper_margin_mm));
        let patches = layout::slip_patches(&pose, &frame, settings.patch_inner);
        Slip { text, corners_px, patches }
    });
    Ok(Marks { tiles, slip, paper_px, frame, notes: std::mem::take(notes) })
}

/// Looks again where the read tiles say that the others must be.
fn retry_missing(
    photo: &Photo,
    symbols: &mut Vec<Symbol>,
    tiles: &mut Vec<Tile>,
    fit: &frame::PointFit,
) {
    for (name, centre_mm, side_mm) in predicted(tiles) {
        let ghost = Tile { name, centre_mm, side_mm, corners_px: [[0.0; 2]; 4], read: false };
        let expected = ghost.corners_mm().map(|m| {
            let p = frame::apply(&fit.mm_to_px, m);
            fit.lens.distort(p)
        });
        let Some(place) = Place::from_corners(25, &expected) else { continue };
        let close = |corners: &[Px; 4]| {
            let far = 3.0 * place.module_px();
            corners.iter().zip(&expected).all(|(a, b)| (a[0] - b[0]).hypot(a[1] - b[1]) < far)
        };
        let symbol = look(&photo.rgb, &place, true).filter(|s| close(&s.fitted.place.corners()));
        // Found before but not read, and just where the tile should be?
        let symbol = symbol.or_else(|| {
            symbols.iter().find(|s| s.words.is_none() && close(&s.fitted.place.corners())).cloned()
        });
        let Some(s) = symbol else { continue };
        let read = match &s.words {
            Some(Words::Tile { name: n, .. }) if *n == name => true,
            None if s.fitted.kept > 0.7 && s.fitted.modules.fixed_agreement() > 0.9 => false,
            _ => continue,
        };
        tiles.push(Tile { name, centre_mm, side_mm, corners_px: s.fitted.place.corners(), read });
        symbols.push(s);
    }
}

fn frame_from_tiles(
    photo: &Photo,
    tiles: &[Tile],
    settings: &MarksSettings,
    notes: &mut Vec<String>,
) -> Result<TrayFrame, MarksError> {
    let contradiction = |detail: String| MarksError::TilesContradict { detail };
    let fit = fit_tiles(tiles, photo, tiles.len() > 2)
        .ok_or_else(|| contradiction("their corners determine no frame".into()))?;
    let px_to_mm = frame::invert(&fit.mm_to_px)
        .ok_or_else(|| contradiction("their corners determine no frame".into()))?;
    let tray_mm = implied_tray(tiles);
    if let Some([w, h]) = tray_mm {
        notes.push(format!(
            "tray floor taken as {w:.0} x {h:.0} mm: the tiles' own places, opposite tiles lying equally far from opposite walls"
        ));
    }
    let source = match tiles.len() {
        4 => FrameSource::FourTiles,
        3 => FrameSource::ThreeTiles,
        _ => FrameSource::TwoTiles,
    };
    if source != FrameSource::FourTiles {
        let seen: String = tiles.iter().map(|t| t.name).collect();
        notes.push(format!("frame from {} tiles ({seen}) instead of four", tiles.len()));
    }
    for t in tiles.iter().filter(|t| !t.read) {
        notes.push(format!("tile {} is known by its place; its text could not be read", t.name));
    }
    // Two tiles are too few to leave the printed size free, but enough to see that it is wrong.
    let printed = if tiles.len() > 2 {
        fit.symbol_scale
    } else {
        fit_tiles(tiles, photo, true).map_or(1.0, |f| f.symbol_scale)
    };
    let off = (printed - 1.0).abs();
    if off > settings.max_symbol_scale_off {
        return Err(contradiction(format!(
            "they are printed at {:.0} % of true size, or do not lie where their texts say",
            100.0 * printed
        )));
    }
    if tiles.len() > 2 && off > settings.symbol_scale_note {
        notes.push(format!(
            "the tiles are printed at {:.1} % of true size (or do not lie quite where their texts say): print them without scaling and measure the check ruler",
            100.0 * printed
        ));
    }
    if settings.tray_mm.is_some() || settings.px_per_mm.is_some() {
        notes.push("the tiles give the scale; the scale given by hand was not used".into());
    }
    let mut frame = TrayFrame {
        source,
        tray_mm: tray_mm.or(settings.tray_mm),
        mm_to_px: fit.mm_to_px,
        px_to_mm,
        lens: fit.lens,
        camera_mm: [0.0, 0.0, settings.default_height_mm],
        camera_source: CameraSource::Default,
        px_per_mm: 0.0,
        reprojection_rms_px: Some(fit.rms_px),
    };
    for t in tiles {
        for (p, m) in t.corners_px.iter().zip(t.corners_mm()) {
            let seen = frame.to_mm(*p);
            let off = (seen[0] - m[0]).hypot(seen[1] - m[1]);
            if off.is_nan() || off > settings.max_misfit_mm {
                return Err(contradiction(format!(
                    "a corner of tile {} lies {off:.1} mm from where the tiles' texts put it",
                    t.name
                )));
            }
        }
    }
    place_camera(photo, &mut frame, settings, notes);
    Ok(frame)
}

/// The frame when fewer than two tiles were read: the tray floor's rectangle of the given size, or
/// the given scale.
fn frame_without_tiles(
    photo: &Photo,
    tiles: usize,
    settings: &MarksSettings,
    notes: &mut Vec<String>,
) -> Result<TrayFrame, MarksError> {
    let (width, height) = photo.rgb.dimensions();
    let positive = |v: f64| v.is_finite() && v > 0.0;
    let tray = settings.tray_mm.filter(|t| t.iter().all(|v| positive(*v)));
    let scale = settings.px_per_mm.filter(|v| positive(*v));
    if tiles == 1 {
        notes.push("only one tile was read; one alone gives no frame".into());
    }
    let blank = |source, tray_mm, mm_to_px, px_to_mm, lens| TrayFrame {
        source,
        tray_mm,
        mm_to_px,
        px_to_mm,
        lens,
        camera_mm: [0.0, 0.0, settings.default_height_mm],
        camera_source: CameraSource::Default,
        px_per_mm: 0.0,
        reprojection_rms_px: None,
    };
    if let Some(tray_mm) = tray {
        let focal = photo.exif.focal_35mm.map(|f| frame::focal_px(f, width, height, 0.0));
        let found = floor::find(&photo.rgb, tray_mm, focal)
            .and_then(|f| frame::invert(&f.mm_to_px).map(|inverse| (f, inverse)));
        if let Some((floor, inverse)) = found {
            let [w, h] = floor.tray_mm;
            notes.push(format!(
                "scale from the tray floor's outline, taken to be {w:.0} x {h:.0} mm as given (fits its creases to {:.1} px)",
                floor.rms_px
            ));
            let mut frame = blank(
                FrameSource::TrayFloor,
                Some(floor.tray_mm),
                floor.mm_to_px,
                inverse,
                floor.lens,
            );
            place_camera(photo, &mut frame, settings, notes);
            return Ok(frame);
        }
        if scale.is_none() {
            return Err(MarksError::NoFloor { width_mm: tray_mm[0], height_mm: tray_mm[1] });
        }
        notes.push("the tray floor's outline was not found; the given scale was used".into());
    }
    let Some(s) = scale else {
        return Err(MarksError::NoScale { tiles });
    };
    notes.push(format!(
        "scale as given, {s} px per mm, the same all over the picture; tilt and lens not corrected; millimetres are counted from the picture's corner"
    ));
    // The first pixel's outer corner is the origin.
    let mm_to_px = [[s, 0.0, -0.5], [0.0, s, -0.5], [0.0, 0.0, 1.0]];
    let px_to_mm = [[1.0 / s, 0.0, 0.5 / s], [0.0, 1.0 / s, 0.5 / s], [0.0, 0.0, 1.0]];
    let lens = frame::Lens::centred(width, height, 0.0);
    let mut frame = blank(FrameSource::GivenScale, None, mm_to_px, px_to_mm, lens);
    place_camera(photo, &mut frame, settings, notes);
    Ok(frame)
}

/// Fills the camera's place and the scale at the tray's centre.
fn place_camera(
    photo: &Photo,
    frame: &mut TrayFrame,
    settings: &MarksSettings,
    notes: &mut Vec<String>,
) {
    let (width, height) = photo.rgb.dimensions();
    let middle = match frame.tray_mm {
        Some([w, h]) => [w / 2.0, h / 2.0],
        None => frame.to_mm(frame.lens.centre_px),
    };
    frame.px_per_mm = frame.px_per_mm_at(middle);
    let under = frame.to_mm(frame.lens.centre_px);
    if let Some(given) = settings.camera_mm {
        frame.camera_mm = given;
        frame.camera_source = CameraSource::Given;
        return;
    }
    if let Some(height) = settings.camera_height_mm {
        let [x, y] = foot_of_camera(height, frame).unwrap_or(under);
        frame.camera_mm = [x, y, height];
        frame.camera_source = CameraSource::Given;
        notes.push(format!("camera height as given, {height:.0} mm above the tray floor"));
        return;
    }
    let from_focal = photo.exif.focal_35mm.and_then(|f| {
        let f = frame::focal_px(f, width, height, frame.lens.k1);
        frame::camera_position(&frame.mm_to_px, &frame.lens, f)
    });
    match from_focal {
        Some(position) => {
            frame.camera_mm = position;
            frame.camera_source = CameraSource::FocalLength;
        }
        None => {
            frame.camera_mm = [under[0], under[1], settings.default_height_mm];
            frame.camera_source = CameraSource::Default;
            notes.push(format!(
                "no focal length in the file: camera taken to be {:.0} mm above the tray floor, over the picture's centre",
                settings.default_height_mm
            ));
        }
    }
}

/// The point of the floor straight below a lens of known height: the focal length is varied until
/// the homography's camera has that height.
fn foot_of_camera(height_mm: f64, frame: &TrayFrame) -> Option<Mm> {
    // Seen straight from above, height times scale is the focal length.
    let mut focal_px = height_mm * frame.px_per_mm;
    let mut foot = None;
    for _ in 0..8 {
        let [x, y, z] = frame::camera_position(&frame.mm_to_px, &frame.lens, focal_px)?;
        foot = Some([x, y]);
        let factor = height_mm / z;
        if !factor.is_finite() || (factor - 1.0).abs() < 1e-6 {
            break;
        }
        focal_px *= factor.clamp(0.5, 2.0);
    }
    foot
}

#[cfg(test)]
mod tests;
