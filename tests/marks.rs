//! Marks, frame and scale on the sample photographs, against their exact truth.
#![allow(clippy::unwrap_used)]

use std::path::{Path, PathBuf};

use acinus::frame::{CameraSource, FitPrior, FrameSource, TrayFrame, fit_points, invert};
use acinus::marks::{Marks, MarksError, MarksSettings, read};
use acinus::photo::{self, Photo};
use image::Rgb;
use image::imageops;

fn samples() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-images")
}

fn load(name: &str) -> (Photo, serde_json::Value) {
    let path = samples().join(name);
    let truth = std::fs::read_to_string(path.with_extension("json")).unwrap();
    let truth: serde_json::Value = serde_json::from_str(&truth).unwrap();
    (photo::read(&path.with_extension("jpg")).unwrap(), truth["scene"].clone())
}

fn number(v: &serde_json::Value) -> f64 {
    v.as_f64().unwrap()
}

/// The true tiles: name, centre and corners.
fn true_tiles(scene: &serde_json::Value) -> Vec<(char, [f64; 2], [[f64; 2]; 4])> {
    scene["tiles"]
        .as_array()
        .unwrap()
        .iter()
        .map(|t| {
            let name = t["text"].as_str().unwrap().chars().nth(6).unwrap();
            let corner = |k: usize| [0, 1].map(|i| number(&t["corners_px"][k][i]));
            (name, [number(&t["x_mm"]), number(&t["y_mm"])], [0, 1, 2, 3].map(corner))
        })
        .collect()
}

/// The frame that the true corners give (residuals of 0.003 px: their rounding).
fn true_frame(scene: &serde_json::Value, like: &TrayFrame) -> TrayFrame {
    let (mut mm, mut px) = (Vec::new(), Vec::new());
    for (_, c, corners) in true_tiles(scene) {
        for (s, p) in
            [[-12.0, -12.0], [12.0, -12.0], [12.0, 12.0], [-12.0, 12.0]].iter().zip(corners)
        {
            mm.push([c[0] + s[0], c[1] + s[1]]);
            px.push(p);
        }
    }
    let size = |k: usize| scene["size"][k].as_u64().unwrap() as u32;
    let prior = FitPrior { corner_sd_px: 0.003, k1_chi2: 0.0, ..FitPrior::default() };
    let fit = fit_points(&mm, &[], &px, size(0), size(1), &prior).unwrap();
    assert!(fit.rms_px < 0.006);
    TrayFrame {
        px_to_mm: invert(&fit.mm_to_px).unwrap(),
        mm_to_px: fit.mm_to_px,
        lens: fit.lens,
        ..like.clone()
    }
}

/// Largest relative difference of local scale over the tray.
fn scale_error(frame: &TrayFrame, scene: &serde_json::Value) -> f64 {
    let truth = true_frame(scene, frame);
    let tray = [0, 1].map(|k| number(&scene["tray_mm"][k]));
    let mut worst = 0.0f64;
    for i in 0..=10 {
        for j in 0..=10 {
            let m = [tray[0] * f64::from(i) / 10.0, tray[1] * f64::from(j) / 10.0];
            worst = worst.max((frame.px_per_mm_at(m) / truth.px_per_mm_at(m) - 1.0).abs());
        }
    }
    worst
}

/// Sum of squared corner distances and their number.
fn corner_error(marks: &Marks, scene: &serde_json::Value) -> (f64, f64) {
    let mut out = (0.0, 0.0);
    for (name, _, corners) in true_tiles(scene) {
        let Some(t) = marks.tiles.iter().find(|t| t.name == name) else { continue };
        for (p, q) in t.corners_px.iter().zip(corners) {
            out.0 += (p[0] - q[0]).powi(2) + (p[1] - q[1]).powi(2);
            out.1 += 1.0;
        }
    }
    out
}

#[test]
fn every_good_sample_gives_its_frame() {
    let mut names: Vec<String> = std::fs::read_dir(samples())
        .unwrap()
        .filter_map(|e| e.unwrap().file_name().into_string().ok())
        .filter_map(|n| n.strip_suffix(".json").map(str::to_owned))
        .filter(|n| !n.starts_with("bad-") && n != "black-no-marks")
        .collect();
    names.sort();
    assert!(names.len() >= 8, "{names:?}");
    let mut sum = (0.0, 0.0);
    for name in &names {
        let (photo, scene) = load(name);
        let marks = read(&photo, &MarksSettings::default()).unwrap();
        assert_eq!(marks.tiles.iter().filter(|t| t.read).count(), 4, "{name}");
        assert_eq!(marks.frame.source, FrameSource::FourTiles);
        let tray = [0, 1].map(|k| number(&scene["tray_mm"][k]));
        assert_eq!(marks.frame.tray_mm, Some(tray), "{name}");
        let slip = marks.slip.as_ref().map(|s| format!("LOAD1 {}", s.text));
        assert_eq!(slip.as_deref(), scene["slip"]["text"].as_str(), "{name}");
        let e = corner_error(&marks, &scene);
        sum = (sum.0 + e.0, sum.1 + e.1);
        assert!((e.0 / e.1).sqrt() <= 0.4, "{name}");
        assert!(marks.frame.reprojection_rms_px.unwrap() <= 0.3, "{name}");
        let height = number(&scene["camera_mm"][2]);
        assert_eq!(marks.frame.camera_source, CameraSource::FocalLength);
        assert!((marks.frame.camera_mm[2] / height - 1.0).abs() <= 0.02, "{name}");
        for k in 0..2 {
            let off = marks.frame.camera_mm[k] - number(&scene["camera_mm"][k]);
            assert!(off.abs() < 0.01 * height, "{name}: {off} mm");
        }
        assert!((marks.frame.lens.k1 - number(&scene["k1"])).abs() < 0.001, "{name}");
        assert!(scale_error(&marks.frame, &scene) <= 0.003, "{name}");
    }
    let rms = (sum.0 / sum.1).sqrt();
    assert!(rms <= 0.4, "{rms}");
}

#[test]
fn grey_patches_are_where_they_are_said_to_be() {
    let (photo, _) = load("black-unsorted-1");
    let slip = read(&photo, &MarksSettings::default()).unwrap().slip.unwrap();
    let mut last = 256.0;
    for (code, quad) in &slip.patches {
        let c: [f64; 2] = [0, 1].map(|k| quad.iter().map(|q| q[k]).sum::<f64>() / 4.0);
        let mut values = Vec::new();
        for q in quad.iter().chain([&c]) {
            values.push(f64::from(photo.rgb.get_pixel(q[0] as u32, q[1] as u32).0[1]));
        }
        let mean = values.iter().sum::<f64>() / values.len() as f64;
        // Uniform inside, each darker than the one before.
        assert!(values.iter().all(|v| (v - mean).abs() < 14.0), "{code}: {values:?}");
        assert!(mean < last - 4.0, "{code}: {mean}, after {last}");
        last = mean;
    }
    assert_eq!(slip.patches.len(), 6);
}

#[test]
fn without_marks_the_tray_floor_or_a_given_scale_serves() {
    let (photo, scene) = load("black-no-marks");
    let error = read(&photo, &MarksSettings::default()).unwrap_err();
    assert_eq!(error, MarksError::NoScale { tiles: 0 });
    assert!(error.to_string().contains("--tray"));

    for tray in [[330.0, 250.0], [250.0, 330.0]] {
        let settings = MarksSettings { tray_mm: Some(tray), ..MarksSettings::default() };
        let marks = read(&photo, &settings).unwrap();
        let f = &marks.frame;
        assert_eq!(f.source, FrameSource::TrayFloor);
        assert_eq!(f.tray_mm, Some([330.0, 250.0]));
        // The truth's scale at the centre leaves out the enlargement that fills the corners of a
        // picture with barrel distortion (see `frame::focal_px`).
        let k1 = number(&scene["k1"]);
        let want = number(&scene["px_per_mm_centre"]) * (1.0 + 1.5625 * k1);
        let got = f.px_per_mm_at(f.to_mm(f.lens.centre_px));
        assert!((got / want - 1.0).abs() < 0.003, "{got} for {want}");
        let height = number(&scene["camera_mm"][2]);
        assert!((f.camera_mm[2] / height - 1.0).abs() < 0.01, "{:?}", f.camera_mm);
        for k in 0..2 {
            let off = f.camera_mm[k] - number(&scene["camera_mm"][k]);
            assert!(off.abs() < 4.0, "{off}");
        }
        assert!(marks.notes.iter().any(|n| n.contains("tray floor's outline")));
    }
    // 3 : 2 is not this tray.
    let settings = MarksSettings { tray_mm: Some([360.0, 240.0]), ..MarksSettings::default() };
    assert!(matches!(read(&photo, &settings).unwrap_err(), MarksError::NoFloor { .. }));

    let settings = MarksSettings { px_per_mm: Some(7.78), ..MarksSettings::default() };
    let marks = read(&photo, &settings).unwrap();
    assert_eq!(marks.frame.source, FrameSource::GivenScale);
    assert!((marks.frame.px_per_mm - 7.78).abs() < 1e-9);
}

#[test]
fn upside_down_and_on_its_side() {
    let (photo, scene) = load("more-04-white-white-crowded-window");
    let upright = read(&photo, &MarksSettings::default()).unwrap();
    let (w, h) = (f64::from(photo.rgb.width()) - 1.0, f64::from(photo.rgb.height()) - 1.0);
    type Turn = fn(&image::RgbImage) -> image::RgbImage;
    type Place = Box<dyn Fn([f64; 2]) -> [f64; 2]>;
    let cases: [(Turn, Place); 3] = [
        (imageops::rotate180, Box::new(move |p| [w - p[0], h - p[1]])),
        (imageops::rotate90, Box::new(move |p| [h - p[1], p[0]])),
        (imageops::rotate270, Box::new(move |p| [p[1], w - p[0]])),
    ];
    for (turn, place) in cases {
        let turned = Photo { rgb: turn(&photo.rgb), ..photo.clone() };
        let marks = read(&turned, &MarksSettings::default()).unwrap();
        assert_eq!(marks.tiles.len(), 4);
        assert_eq!(marks.slip.as_ref().unwrap().text, upright.slip.as_ref().unwrap().text);
        for (a, b) in marks.tiles.iter().zip(&upright.tiles) {
            for (p, q) in a.corners_px.iter().zip(&b.corners_px) {
                let q = place(*q);
                assert!((p[0] - q[0]).hypot(p[1] - q[1]) < 0.1, "{p:?} for {q:?}");
            }
        }
        let height = number(&scene["camera_mm"][2]);
        assert!((marks.frame.camera_mm[2] / height - 1.0).abs() <= 0.02);
    }
}

fn cover(photo: &mut Photo, corners: &[[f64; 2]; 4]) {
    let (mut lo, mut hi) = ([f64::INFINITY; 2], [0.0f64; 2]);
    for c in corners {
        for k in 0..2 {
            lo[k] = lo[k].min(c[k]);
            hi[k] = hi[k].max(c[k]);
        }
    }
    for y in lo[1] as u32..=hi[1] as u32 {
        for x in lo[0] as u32..=hi[0] as u32 {
            photo.rgb.put_pixel(x, y, Rgb([90, 120, 80]));
        }
    }
}

#[test]
fn covered_tiles_leave_the_frame_to_the_others() {
    let (mut photo, scene) = load("black-unsorted-1");
    let tiles = true_tiles(&scene);
    let settings = MarksSettings::default();
    let height = number(&scene["camera_mm"][2]);
    let steps =
        [(1, FrameSource::ThreeTiles, 0.001, "ACD"), (3, FrameSource::TwoTiles, 0.003, "AC")];
    for (k, source, tolerance, names) in steps {
        cover(&mut photo, &tiles[k].2);
        let marks = read(&photo, &settings).unwrap();
        assert_eq!(marks.frame.source, source);
        assert_eq!(marks.tiles.iter().map(|t| t.name).collect::<String>(), names);
        assert_eq!(marks.frame.tray_mm, Some([330.0, 250.0]));
        let e = scale_error(&marks.frame, &scene);
        assert!(e <= tolerance, "{source:?}: {e}");
        assert!((marks.frame.camera_mm[2] / height - 1.0).abs() <= 0.02);
        assert!(marks.notes.iter().any(|n| n.contains(names)), "{:?}", marks.notes);
    }
    // One alone gives no frame; the tray's size does, and the note says so.
    cover(&mut photo, &tiles[0].2);
    assert_eq!(read(&photo, &settings).unwrap_err(), MarksError::NoScale { tiles: 1 });
    let settings = MarksSettings { tray_mm: Some([330.0, 250.0]), ..settings };
    let marks = read(&photo, &settings).unwrap();
    assert_eq!(marks.frame.source, FrameSource::TrayFloor);
    assert!(scale_error(&marks.frame, &scene) <= 0.003);
    assert!(marks.notes.iter().any(|n| n.contains("only one tile")));
    // The tile and the slip are still paper.
    assert_eq!(marks.paper_px.len(), 2);
}

#[test]
fn small_pictures_and_missing_exif() {
    let (photo, scene) = load("black-unsorted-1");
    for megapixels in [0.6f64, 1.5] {
        let full = f64::from(photo.rgb.width()) * f64::from(photo.rgb.height()) / 1e6;
        let f = (megapixels / full).sqrt();
        let (w, h) = (
            (f64::from(photo.rgb.width()) * f).round() as u32,
            (f64::from(photo.rgb.height()) * f).round() as u32,
        );
        let rgb = imageops::resize(&photo.rgb, w, h, imageops::FilterType::Triangle);
        let mut small = Photo { rgb, ..photo.clone() };
        small.exif.focal_35mm = None;
        let settings = MarksSettings { default_height_mm: 600.0, ..MarksSettings::default() };
        let marks = read(&small, &settings).unwrap();
        assert_eq!(marks.tiles.len(), 4, "{megapixels}");
        let sx = f64::from(w) / f64::from(photo.rgb.width());
        let sy = f64::from(h) / f64::from(photo.rgb.height());
        for (name, _, corners) in true_tiles(&scene) {
            let t = marks.tiles.iter().find(|t| t.name == name).unwrap();
            for (p, q) in t.corners_px.iter().zip(corners) {
                let q = [(q[0] + 0.5) * sx - 0.5, (q[1] + 0.5) * sy - 0.5];
                assert!((p[0] - q[0]).hypot(p[1] - q[1]) < 0.2, "{p:?} for {q:?}");
            }
        }
        assert_eq!(marks.frame.camera_source, CameraSource::Default);
        assert_eq!(marks.frame.camera_mm[2], 600.0);
        assert!(marks.notes.iter().any(|n| n.contains("600 mm above")), "{:?}", marks.notes);
    }
}

#[test]
fn a_camera_height_that_is_given_wins_over_the_focal_length() {
    for name in ["black-unsorted-1", "more-10-white-black-natural-window"] {
        let (photo, scene) = load(name);
        let truth = [0, 1, 2].map(|k| number(&scene["camera_mm"][k]));
        for (height, focal) in [(truth[2], true), (truth[2], false), (1.1 * truth[2], true)] {
            let mut photo = photo.clone();
            if !focal {
                photo.exif.focal_35mm = None;
            }
            let settings =
                MarksSettings { camera_height_mm: Some(height), ..MarksSettings::default() };
            let marks = read(&photo, &settings).unwrap();
            assert_eq!(marks.frame.camera_source, CameraSource::Given);
            assert_eq!(marks.frame.camera_mm[2], height);
            assert!(marks.notes.iter().any(|n| n.contains("height as given")), "{:?}", marks.notes);
            // Where it stands follows from tilt and height.
            for k in 0..2 {
                let off = marks.frame.camera_mm[k] - truth[k];
                let most = if height == truth[2] { 0.01 } else { 0.03 };
                assert!(off.abs() < most * truth[2], "{name}: {off} mm");
            }
        }
    }
}
