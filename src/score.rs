//! Readings against truth: for photographs whose true objects are known.

use std::path::{Path, PathBuf};

use serde::Deserialize;

use crate::classify::Class;
use crate::given::{Kind, read_text};
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
        let text = read_text(&json, Kind::Truth)
            .map_err(|e| TruthError::File(json.clone(), e.to_string()))?;
        let file: TruthFile =
            serde_json::from_str(&text).map_err(|e| TruthError::File(json, e.to_string()))?;
        Ok(Truth { photo: photo.to_path_buf(), scene: file.scene, objects: file.objects })
    }

    /// Reads the true label picture.
    pub fn ids(&self) -> Result<LabelMap, TruthError> {
        let path = self.photo.with_extension("ids.png");
        let picture =
            image::open(&path).map_err(|e| TruthError::File(path, e.to_string()))?.into_luma16();
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

/// Everything that one photograph's reading shows against its truth.
#[derive(Debug, Clone)]
pub struct Score {
    /// Photograph.
    pub name: String,
    /// Layout: spread, natural or crowded.
    pub layout: String,
    /// Matches.
    pub matching: Matching,
    /// Confusion of matched objects: true class, then class read; the fifth is unassigned.
    pub confusion: [[u32; 5]; 4],
    /// True and read share by count.
    pub count_shares: [[f64; 4]; 2],
    /// True and read mass of each class, g.
    pub masses_g: [[f64; 4]; 2],
    /// Matched objects: probabilities and true class.
    pub judged: Vec<([f64; 4], Class)>,
    /// Read over true equivalent diameter of matched sound berries (IoU above 0.75).
    pub diameter_ratios: Vec<f64>,
}

/// Scores a reading.
pub fn score(reading: &crate::pipeline::TrayReading, truth: &Truth, ids: &LabelMap) -> Score {
    let matching = match_labels(&reading.labels, ids);
    let mut confusion = [[0u32; 5]; 4];
    let mut judged = Vec::new();
    let mut diameter_ratios = Vec::new();
    for m in &matching.matches {
        let object = &reading.objects[m.read as usize - 1];
        let Some(t) = truth.objects.iter().find(|o| o.id == m.truth) else { continue };
        confusion[t.cls.index()][object.class.map_or(4, Class::index)] += 1;
        judged.push((object.probabilities, t.cls));
        if t.cls == Class::Sound
            && m.iou > 0.75
            && let Some(d) = t.d_eq_mm
        {
            diameter_ratios.push(object.equivalent_diameter_mm / d);
        }
    }
    let mut count = [[0.0; 4]; 2];
    let mut masses_g = [[0.0; 4]; 2];
    for t in &truth.objects {
        masses_g[0][t.cls.index()] += t.mass_g;
        count[0][t.cls.index()] += f64::from(t.visible_px >= SMALLEST_VISIBLE_PX);
    }
    for o in &reading.objects {
        if let Some(c) = o.class {
            masses_g[1][c.index()] += o.mass_g;
            count[1][c.index()] += 1.0;
        }
    }
    let count_shares = count.map(shares);
    Score {
        name: reading.name.clone(),
        layout: truth.scene.layout.clone(),
        matching,
        confusion,
        count_shares,
        masses_g,
        judged,
        diameter_ratios,
    }
}

fn shares(v: [f64; 4]) -> [f64; 4] {
    let sum: f64 = v.iter().sum();
    v.map(|x| x / sum.max(1e-12))
}

/// One line of the acceptance table.
#[derive(Debug, Clone, serde::Serialize)]
pub struct Figure {
    /// What it is.
    pub name: &'static str,
    /// Measured value.
    pub value: f64,
    /// Bound.
    pub bound: f64,
    /// True when the value must not exceed the bound, false when it must reach it.
    pub at_most: bool,
}

impl Figure {
    /// Whether the bound holds.
    pub fn holds(&self) -> bool {
        if self.at_most { self.value <= self.bound } else { self.value >= self.bound }
    }
}

/// Expected calibration error of the top class over ten equal-width bins (Guo et al. 2017).
pub fn calibration_error(judged: &[([f64; 4], Class)]) -> f64 {
    let mut bins = [(0.0, 0.0, 0.0); 10];
    for (p, class) in judged {
        let (best, top) = p
            .iter()
            .enumerate()
            .fold((0, f64::MIN), |b, (i, v)| if *v > b.1 { (i, *v) } else { b });
        let bin = &mut bins[((top * 10.0).ceil() as usize).clamp(1, 10) - 1];
        bin.0 += 1.0;
        bin.1 += top;
        bin.2 += f64::from(u8::from(best == class.index()));
    }
    let n: f64 = bins.iter().map(|b| b.0).sum();
    bins.iter().map(|b| (b.1 - b.2).abs()).sum::<f64>() / n.max(1.0)
}

/// The acceptance table over several photographs.
pub fn table(scores: &[Score]) -> Vec<Figure> {
    let mut out = Vec::new();
    let mut push = |name, value: f64, bound, at_most| {
        if value.is_finite() {
            out.push(Figure { name, value, bound, at_most });
        }
    };
    let mean = |v: &[f64]| v.iter().sum::<f64>() / v.len() as f64;
    let f1 = |crowded: bool| -> Vec<f64> {
        scores
            .iter()
            .filter(|s| (s.layout == "crowded") == crowded)
            .map(|s| s.matching.f1())
            .collect()
    };
    let (open, crowded) = (f1(false), f1(true));
    push("object F1, spread and natural, mean", mean(&open), 0.985, false);
    push(
        "object F1, spread and natural, lowest",
        open.iter().copied().fold(f64::INFINITY, f64::min),
        0.96,
        false,
    );
    push("object F1, crowded, mean", mean(&crowded), 0.95, false);
    let ious: Vec<f64> =
        scores.iter().flat_map(|s| s.matching.matches.iter().map(|m| m.iou)).collect();
    push("IoU of matched objects, mean", mean(&ious), 0.93, false);
    let mut c = [[0.0f64; 5]; 4];
    for s in scores {
        for (row, add) in c.iter_mut().zip(s.confusion) {
            row.iter_mut().zip(add).for_each(|(v, a)| *v += f64::from(a));
        }
    }
    let total: f64 = c.iter().flatten().sum();
    let right: f64 = (0..4).map(|i| c[i][i]).sum();
    push("class right among matched", right / total, 0.985, false);
    const NAMES: [[&str; 2]; 4] = [
        ["F1 of sound", "mass of sound, relative error"],
        ["F1 of shriveled", "mass of shriveled, relative error"],
        ["F1 of underripe", "mass of underripe, relative error"],
        ["F1 of debris", "mass of debris, relative error"],
    ];
    for i in 0..4 {
        let seen: f64 = c.iter().map(|r| r[i]).sum();
        let there: f64 = c[i].iter().sum();
        push(NAMES[i][0], 2.0 * c[i][i] / (seen + there), 0.955, false);
    }
    let mut mass_errors = Vec::new();
    let mut count_errors = Vec::new();
    let mut total_errors = Vec::new();
    for s in scores {
        let [t, r] = s.masses_g.map(shares);
        for i in 0..4 {
            mass_errors.push((t[i] - r[i]).abs() * 100.0);
            count_errors.push((s.count_shares[0][i] - s.count_shares[1][i]).abs() * 100.0);
        }
        let [t, r] = s.masses_g.map(|m| m.iter().sum::<f64>());
        total_errors.push((r / t - 1.0).abs());
    }
    push("share by mass, mean absolute error, points", mean(&mass_errors), 0.5, true);
    for i in 1..4 {
        let sum = |k: usize| scores.iter().map(|s| s.masses_g[k][i]).sum::<f64>();
        push(NAMES[i][1], (sum(1) / sum(0) - 1.0).abs(), 0.12, true);
    }
    push("share by count, mean absolute error, points", mean(&count_errors), 0.7, true);
    let judged: Vec<_> = scores.iter().flat_map(|s| s.judged.iter().copied()).collect();
    if !judged.is_empty() {
        push("expected calibration error", calibration_error(&judged), 0.015, true);
    }
    let mut errors: Vec<f64> =
        scores.iter().flat_map(|s| s.diameter_ratios.iter().map(|r| r - 1.0)).collect();
    push("diameter of sound berries, mean bias", mean(&errors).abs(), 0.007, true);
    errors.iter_mut().for_each(|e| *e = e.abs());
    errors.sort_by(f64::total_cmp);
    let median = errors.get(errors.len() / 2).copied().unwrap_or(f64::NAN);
    push("diameter of sound berries, median absolute error", median, 0.02, true);
    push("total mass of a tray, mean absolute error", mean(&total_errors), 0.03, true);
    out
}
