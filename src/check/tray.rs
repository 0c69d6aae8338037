//! Checks that need the tray's floor and objects: shadow over part of the tray, and fruit that
//! lies too thick.

use crate::colour::luminance;
use crate::finding::Finding;
use crate::frame::TrayFrame;
use crate::segment::{LabelMap, Prepared, beside};

use super::{CheckSettings, against, weigh};

/// Side of a cell that is plain or not, mm.
const CELL_MM: f64 = 2.0;
/// Greatest standard deviation of L* within a plain cell: more is an object's edge.
const PLAIN_SD: f32 = 2.0;
/// Greatest step of L* to a plain neighbour in the same piece of floor.
const PLAIN_STEP: f32 = 5.0;
/// Plain cells in one piece of at least this size are floor, lit or shaded, and no fruit: a large
/// berry's silhouette has 400 mm².
const PIECE_MM2: f64 = 1000.0;
/// The lit floor's brightness: this quantile of all floor.
const LIT_QUANTILE: f64 = 0.75;

/// Share of the visible floor, 0 to 1, whose linear brightness is below `deep` times that of the
/// lit floor, after the light's even slope is divided out; none without visible floor.
pub fn shaded_share(prepared: &Prepared, deep: f64) -> Option<f64> {
    let mut bright = floor_brightness(prepared);
    if bright.is_empty() {
        return None;
    }
    let at = ((bright.len() - 1) as f64 * LIT_QUANTILE) as usize;
    let lit = *bright.select_nth_unstable_by(at, f64::total_cmp).1;
    let shaded = bright.iter().filter(|v| **v < deep * lit).count();
    Some(shaded as f64 / bright.len() as f64)
}

/// Relative luminance of every plain cell that belongs to a piece of floor.
fn floor_brightness(prepared: &Prepared) -> Vec<f64> {
    let work = &prepared.work;
    let (w, h) = (work.width(), work.height());
    let cell = ((CELL_MM * work.px_per_mm).round() as usize).max(2);
    let (gw, gh) = (w / cell, h / cell);
    let plain: Vec<Option<f32>> = (0..gw * gh)
        .map(|i| {
            let (gx, gy) = (i % gw * cell, i / gw * cell);
            let (mut sum, mut square) = (0.0, 0.0);
            for y in gy..gy + cell {
                for x in gx..gx + cell {
                    if !prepared.allowed[y * w + x] {
                        return None;
                    }
                    let l = work.l.data[y * w + x];
                    sum += l;
                    square += l * l;
                }
            }
            let n = (cell * cell) as f32;
            let mean = sum / n;
            (square / n - mean * mean < PLAIN_SD * PLAIN_SD).then_some(mean)
        })
        .collect();
    let fewest = (PIECE_MM2 / (cell as f64 / work.px_per_mm).powi(2)).ceil() as usize;
    let mut seen = vec![false; gw * gh];
    let mut out = Vec::new();
    for start in 0..gw * gh {
        if seen[start] || plain[start].is_none() {
            continue;
        }
        seen[start] = true;
        let mut piece = vec![start];
        let mut done = 0;
        while done < piece.len() {
            let i = piece[done];
            done += 1;
            for j in beside(i, gw, gw * gh) {
                if let (Some(a), Some(b)) = (plain[i], plain[j])
                    && !seen[j]
                    && (a - b).abs() < PLAIN_STEP
                {
                    seen[j] = true;
                    piece.push(j);
                }
            }
        }
        if piece.len() >= fewest {
            out.extend(piece.iter().filter_map(|i| plain[*i]).map(|l| luminance(l.into())));
        }
    }
    out
}

/// Judges the shadow. It is never refused for the floor alone: a floor that shines, such as steel,
/// mirrors the dark of the room.
pub fn shadow(share: f64, settings: &CheckSettings) -> Finding {
    let limit = settings.caution_shaded_share;
    let beware = share > limit;
    let deep = 100.0 * settings.deep_shadow;
    let (p, l) = (100.0 * share, 100.0 * limit);
    Finding {
        check: "deep-shadow",
        severity: weigh(false, beware),
        value: Some(share),
        limit: Some(limit),
        unit: "share",
        message: if beware {
            format!(
                "deep shadow, or a floor that shines: {p:.0} % of the visible floor has less than {deep:.0} % of the light of the rest (better below {l:.0} %); step aside, light the tray from two sides, use a matt tray"
            )
        } else {
            format!("{p:.1} % of the visible floor lies in deep shadow (at most {l:.0} %)")
        },
    }
}

/// Share of the fullest window that objects cover, 0 to 1. Windows are squares of `window_mm`
/// inside the tray, paper left out; none when no window fits.
pub fn densest_cover(
    labels: &LabelMap,
    prepared: &Prepared,
    frame: &TrayFrame,
    window_mm: f64,
) -> Option<f64> {
    // Every so many pixels are looked at: some two a millimetre say enough of shares.
    let step = ((frame.px_per_mm / 2.0) as usize).max(1);
    let (w, h) = (labels.width / step, labels.height / step);
    let side = (window_mm * frame.px_per_mm / step as f64).round() as usize;
    if side == 0 || side > w || side > h {
        return None;
    }
    let stride = w + 1;
    let mut sums = vec![[0u32; 2]; stride * (h + 1)];
    let work = &prepared.work;
    // The work column or row nearest to a pixel's, if there is one.
    let near = |v: f64, end: usize| {
        let v = v.round();
        (v >= 0.0 && (v as usize) < end).then_some(v as usize)
    };
    let cols: Vec<Option<usize>> =
        (0..w).map(|x| near(work.from_photo((x * step) as f64, 0.0)[0], work.width())).collect();
    for y in 0..h {
        let mut row = [0u32; 2];
        let py = y * step;
        let wy = near(work.from_photo(0.0, py as f64)[1], work.height());
        for (x, wx) in cols.iter().enumerate() {
            let px = x * step;
            let inside =
                wy.zip(*wx).is_some_and(|(wy, wx)| prepared.allowed[wy * work.width() + wx]);
            if inside {
                row[0] += 1;
                row[1] += u32::from(labels.labels[py * labels.width + px] != 0);
            }
            let above = sums[y * stride + x + 1];
            sums[(y + 1) * stride + x + 1] = [above[0] + row[0], above[1] + row[1]];
        }
    }
    let within = |x: usize, y: usize, k: usize| {
        let at = |x: usize, y: usize| u64::from(sums[y * stride + x][k]);
        at(x + side, y + side) + at(x, y) - at(x, y + side) - at(x + side, y)
    };
    // Floor and cover of the densest; shares are compared without dividing.
    let mut densest: Option<[u64; 2]> = None;
    for y in 0..=h - side {
        for x in 0..=w - side {
            let (floor, covered) = (within(x, y, 0), within(x, y, 1));
            // A window that hangs half over the wall says nothing of a whole one.
            let whole = floor * 10 >= (side * side * 9) as u64;
            if whole && densest.is_none_or(|[f, c]| covered * f > c * floor) {
                densest = Some([floor, covered]);
            }
        }
    }
    densest.map(|[floor, covered]| covered as f64 / floor as f64)
}

/// Judges the crowding.
pub fn crowding(cover: f64, settings: &CheckSettings) -> Finding {
    let (refused, beware, limit) = against(cover, settings.caution_cover, settings.max_cover);
    let mm = settings.cover_window_mm;
    let (p, l) = (100.0 * cover, 100.0 * limit);
    Finding {
        check: "crowded",
        severity: weigh(refused, beware),
        value: Some(cover),
        limit: Some(limit),
        unit: "share",
        message: if refused {
            format!(
                "more than one layer: objects cover {p:.0} % of the fullest {mm:.0} mm square (at most {l:.0} %); shake the fruit to one layer, take out large leaves, or use a larger tray, and photograph it again"
            )
        } else if beware {
            format!(
                "crowded: objects cover {p:.0} % of the fullest {mm:.0} mm square (better below {l:.0} %); spread the fruit"
            )
        } else {
            format!("objects cover {p:.0} % of the fullest {mm:.0} mm square (at most {l:.0} %)")
        },
    }
}

#[cfg(test)]
mod tests {
    use image::{Rgb, RgbImage};

    use super::*;
    use crate::colour::Light;
    use crate::finding::Severity;
    use crate::frame::{CameraSource, FrameSource, Lens};
    use crate::photo::Photo;
    use crate::segment::{self, Scene, TrayArea};

    const PX_PER_MM: f64 = 4.0;

    fn prepared(code: impl Fn(u32, u32) -> u8) -> Prepared {
        let rgb = RgbImage::from_fn(800, 600, |x, y| Rgb([code(x, y); 3]));
        let photo = Photo {
            rgb,
            grey: false,
            exif: Default::default(),
            sha256: String::new(),
            notes: Vec::new(),
        };
        let light = Light::none();
        let scene = Scene {
            photo: &photo,
            tray: TrayArea::Whole,
            paper_px: &[],
            light: &light,
            px_per_mm: PX_PER_MM,
        };
        segment::prepare(&scene, &Default::default())
    }

    fn frame() -> TrayFrame {
        let s = PX_PER_MM;
        TrayFrame {
            source: FrameSource::FourTiles,
            tray_mm: Some([200.0, 150.0]),
            mm_to_px: [[s, 0.0, 0.0], [0.0, s, 0.0], [0.0, 0.0, 1.0]],
            px_to_mm: [[1.0 / s, 0.0, 0.0], [0.0, 1.0 / s, 0.0], [0.0, 0.0, 1.0]],
            lens: Lens::centred(800, 600, 0.0),
            camera_mm: [100.0, 75.0, 450.0],
            camera_source: CameraSource::Default,
            px_per_mm: s,
            reprojection_rms_px: None,
        }
    }

    #[test]
    fn hard_shadows_are_found_and_dark_fruit_is_none() {
        let share = |p: &Prepared| shaded_share(p, 0.4).expect("floor");
        // sRGB 200 is 0.578 of full light, 120 is 0.188 (a third), 150 is 0.305 (half).
        let shadow = |code| prepared(move |x, _| if x < 160 { code } else { 200 });
        assert!((share(&shadow(120)) - 0.2).abs() < 0.02);
        assert_eq!(share(&shadow(150)), 0.0);
        // Berries of 20 mm, however dark, are no floor.
        let berries = prepared(|x, y| {
            let (dx, dy) = (f64::from(x % 100) - 50.0, f64::from(y % 100) - 50.0);
            if dx.hypot(dy) < 40.0 { 30 } else { 200 }
        });
        assert_eq!(share(&berries), 0.0);
        // Nothing but skin: no floor, nothing said.
        assert_eq!(
            shaded_share(&prepared(|x, y| if (x + y) % 8 < 4 { 30 } else { 90 }), 0.4),
            None
        );
    }

    #[test]
    fn the_fullest_square_is_found() {
        let prepared = prepared(|_, _| 200);
        let cover = |labels: &LabelMap| densest_cover(labels, &prepared, &frame(), 60.0);
        let mut labels = LabelMap { width: 800, height: 600, labels: vec![0; 800 * 600], count: 1 };
        assert_eq!(cover(&labels), Some(0.0));
        // 60 by 45 mm of one object: three quarters of a square of 60 mm.
        for y in 200..380 {
            labels.labels[y * 800 + 300..y * 800 + 540].fill(1);
        }
        let found = cover(&labels).expect("a square fits");
        assert!((found - 0.75).abs() < 0.01, "{found}");
        assert_eq!(densest_cover(&labels, &prepared, &frame(), 160.0), None);
    }

    #[test]
    fn limits_pass_just_inside_and_not_just_outside() {
        let s = CheckSettings::default();
        let e = 1e-9;
        let crowd = |share: f64| crowding(share, &s).severity;
        assert_eq!(crowd(s.caution_cover - e), Severity::Fine);
        assert_eq!(crowd(s.caution_cover + e), Severity::Caution);
        assert_eq!(crowd(s.max_cover - e), Severity::Caution);
        assert_eq!(crowd(s.max_cover + e), Severity::Refusal);
        let shade = |share: f64| shadow(share, &s).severity;
        assert_eq!(shade(s.caution_shaded_share - e), Severity::Fine);
        assert_eq!(shade(s.caution_shaded_share + e), Severity::Caution);
    }

    #[test]
    fn equal_balls_in_the_closest_single_layer_pass() {
        // Balls of 16 mm, hexagonally packed as close as they go, seen straight from above.
        let prepared = prepared(|_, _| 200);
        let r = 8.0 * PX_PER_MM;
        let row = 3f64.sqrt() * r;
        let mut labels = LabelMap { width: 800, height: 600, labels: vec![0; 800 * 600], count: 1 };
        for y in 0..600 {
            for x in 0..800 {
                let near = (y as f64 / row).round() as i64;
                let hit = (near - 1..=near + 1).any(|k| {
                    let shift = if k % 2 == 0 { 0.0 } else { r };
                    let column = ((x as f64 - shift) / (2.0 * r)).round();
                    let dx = x as f64 - (shift + column * 2.0 * r);
                    dx.hypot(y as f64 - k as f64 * row) <= r
                });
                labels.labels[y * 800 + x] = u16::from(hit);
            }
        }
        let s = CheckSettings::default();
        let cover = densest_cover(&labels, &prepared, &frame(), s.cover_window_mm).expect("fits");
        // π / √12 = 0.9069, a little more in the luckiest square.
        assert!((0.9..0.95).contains(&cover), "{cover}");
        assert_ne!(crowding(cover, &s).severity, Severity::Refusal);
    }
}
