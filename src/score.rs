//! Readings against truth: for photographs whose true objects are known.

use std::path::{Path, PathBuf};

use serde::Deserialize;

use crate::classify::Class;
use crate::segment::LabelMap;

/// Truth of one photograph: `NAME.json` and `NAME.ids.png` beside it.
#[derive(Debug, Clone)]
pub struct Truth {
    /// The photograph.
    pub photo: PathBuf,
    /// Tray, tiles, camera.
    pub scene: Scene,
    /// True objects.
    pub objects: Vec<TrueObject>,
}

/// The scene's truth, as far as it is used.
#[derive(Debug, Clone, Deserialize)]
pub struct Scene {
    /// Name.
    pub name: String,
    /// Variety: black or white.
    pub variety: String,
    /// Layout: spread, natural or crowded.
    pub layout: String,
    /// Inner tray size, mm.
    pub tray_mm: [f64; 2],
    /// Radial lens term.
    pub k1: f64,
    /// Pixels per mm at the centre.
    pub px_per_mm_centre: f64,
    /// The lens's place, mm.
    pub camera_mm: [f64; 3],
    /// Tiles.
    pub tiles: Vec<TrueTile>,
}

/// A tile's truth.
#[derive(Debug, Clone, Deserialize)]
pub struct TrueTile {
    /// Its text.
    pub text: String,
    /// Symbol centre, mm.
    pub x_mm: f64,
    /// Symbol centre, mm.
    pub y_mm: f64,
    /// Symbol side, mm.
    pub symbol_mm: f64,
    /// Corners of the symbol in the photograph.
    pub corners_px: [[f64; 2]; 4],
}

/// A true object.
#[derive(Debug, Clone, Deserialize)]
pub struct TrueObject {
    /// Its number in the label picture.
    pub id: u32,
    /// Class.
    pub cls: Class,
    /// Kind: berry, leaf, twig...
    pub kind: String,
    /// Diameter of the ball of the same volume, mm; berries only.
    pub d_eq_mm: Option<f64>,
    /// Mass, g.
    pub mass_g: f64,
    /// Height above the floor, mm.
    pub height_mm: f64,
    /// Wrinkle, 0 to 1.
    pub wrinkle: f64,
    /// Pixels that can be seen.
    pub visible_px: u32,
}

#[derive(Deserialize)]
struct TruthFile {
    scene: Scene,
    objects: Vec<TrueObject>,
}

/// Why truth could not be read.
#[derive(Debug, thiserror::Error)]
pub enum TruthError {
    /// A file could not be read.
    #[error("{0}: {1}")]
    File(PathBuf, String),
}

impl Truth {
    /// Reads the truth beside a photograph.
    pub fn beside(photo: &Path) -> Result<Truth, TruthError> {
        let json = photo.with_extension("json");
        let text = std::fs::read_to_string(&json)
            .map_err(|e| TruthError::File(json.clone(), e.to_string()))?;
        let file: TruthFile =
            serde_json::from_str(&text).map_err(|e| TruthError::File(json, e.to_string()))?;
        Ok(Truth { photo: photo.to_path_buf(), scene: file.scene, objects: file.objects })
    }

    /// Reads the true label picture.
    pub fn ids(&self) -> Result<LabelMap, TruthError> {
        let path = self.photo.with_extension("ids.png");
        let picture = image::open(&path)
            .map_err(|e| TruthError::File(path, e.to_string()))?
            .into_luma16();
        let (width, height) = (picture.width() as usize, picture.height() as usize);
        let labels = picture.into_raw();
        let count = labels.iter().copied().max().unwrap_or(0) as usize;
        Ok(LabelMap { width, height, labels, count })
    }
}

/// A reading matched with a true object.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Match {
    /// Label read.
    pub read: u32,
    /// True object.
    pub truth: u32,
    /// Intersection over union.
    pub iou: f64,
}

/// Matches of one photograph.
#[derive(Debug, Clone, Default)]
pub struct Matching {
    /// One to one, IoU above 0.5.
    pub matches: Vec<Match>,
    /// Readings without a true object.
    pub false_reads: Vec<u32>,
    /// True objects not found.
    pub missed: Vec<u32>,
}

impl Matching {
    /// Object F1.
    pub fn f1(&self) -> f64 {
        let tp = self.matches.len() as f64;
        2.0 * tp / (2.0 * tp + (self.false_reads.len() + self.missed.len()) as f64).max(1.0)
    }

    /// Mean intersection over union of the matches.
    pub fn mean_iou(&self) -> f64 {
        self.matches.iter().map(|m| m.iou).sum::<f64>() / self.matches.len().max(1) as f64
    }
}

/// True objects with fewer visible pixels count neither way.
pub const SMALLEST_VISIBLE_PX: u32 = 60;

/// Matches one to one at IoU > 0.5 (which makes matches unique); true objects with fewer than 60
/// visible pixels, and readings that match them, count neither way.
pub fn match_labels(read: &LabelMap, truth: &LabelMap) -> Matching {
    let mut read_area = vec![0u32; read.count + 1];
    let mut true_area = vec![0u32; truth.count + 1];
    let mut both = std::collections::BTreeMap::<(u16, u16), u32>::new();
    for (r, t) in read.labels.iter().zip(&truth.labels) {
        read_area[*r as usize] += 1;
        true_area[*t as usize] += 1;
        if *r != 0 && *t != 0 {
            *both.entry((*r, *t)).or_default() += 1;
        }
    }
    let mut out = Matching::default();
    let mut read_done = vec![false; read.count + 1];
    let mut true_done = vec![false; truth.count + 1];
    for ((r, t), n) in both {
        let (a, b) = (read_area[r as usize], true_area[t as usize]);
        let iou = f64::from(n) / f64::from(a + b - n);
        if iou > 0.5 {
            read_done[r as usize] = true;
            true_done[t as usize] = true;
            if b >= SMALLEST_VISIBLE_PX {
                out.matches.push(Match { read: u32::from(r), truth: u32::from(t), iou });
            }
        }
    }
    out.false_reads = (1..read_area.len())
        .filter(|i| !read_done[*i] && read_area[*i] > 0)
        .map(|i| i as u32)
        .collect();
    out.missed = (1..true_area.len())
        .filter(|i| !true_done[*i] && true_area[*i] >= SMALLEST_VISIBLE_PX)
        .map(|i| i as u32)
        .collect();
    out
}
