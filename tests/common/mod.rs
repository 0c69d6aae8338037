//! Readings made from the exact truth beside the sample photographs, for tests that need a whole
//! tray but not the program's own reading of it.

#[allow(dead_code, reason = "other tests need the rest of it")]
mod samples;
pub use samples::sample_dir;

use acinus::classify::{Class, Fruit, ObjectReading};
use acinus::frame::{CameraSource, FrameSource, Lens, TrayFrame};
use acinus::marks::{Marks, Slip, SlipText, Tile};
use acinus::measure::Measures;
use acinus::pipeline::TrayReading;
use acinus::segment::LabelMap;
use image::RgbImage;
use serde_json::Value;

/// One sample photograph and a reading that says exactly what its truth says.
pub fn truth_reading(name: &str) -> (RgbImage, TrayReading) {
    let dir = sample_dir();
    let photo = image::open(dir.join(format!("{name}.jpg"))).expect("photograph").into_rgb8();
    let ids = image::open(dir.join(format!("{name}.ids.png"))).expect("ids").into_luma16();
    let text = std::fs::read_to_string(dir.join(format!("{name}.json"))).expect("truth");
    let truth: Value = serde_json::from_str(&text).expect("JSON");
    let (width, height) = (ids.width() as usize, ids.height() as usize);
    assert_eq!((photo.width() as usize, photo.height() as usize), (width, height));

    let mut number = vec![0u16; 65536];
    let mut order = Vec::new();
    let mut labels = ids.into_raw();
    for label in &mut labels {
        let id = usize::from(*label);
        if id > 0 && number[id] == 0 {
            order.push(id);
            number[id] = order.len() as u16;
        }
        *label = number[id];
    }
    let scale = truth["scene"]["px_per_mm_centre"].as_f64().expect("scale");
    let objects = order
        .iter()
        .enumerate()
        .map(|(i, id)| {
            let object = truth["objects"]
                .as_array()
                .and_then(|a| a.iter().find(|o| o["id"] == *id))
                .expect("object");
            read_object(i as u16 + 1, object, &photo, &labels, scale)
        })
        .collect();
    let reading = TrayReading {
        name: name.to_owned(),
        sha256: "0".repeat(64),
        size_px: [photo.width(), photo.height()],
        taken: Some("2026:09:18 07:42:10".to_owned()),
        marks: marks(&truth["scene"], scale),
        objects,
        labels: LabelMap { width, height, labels, count: order.len() },
        fruit: Fruit::Black,
        profile: "none".to_owned(),
        colour: None,
        findings: Vec::new(),
        forced: false,
        assumptions: vec!["Read from the truth file, not from the photograph.".to_owned()],
        cautions: Vec::new(),
        timings: Vec::new(),
    };
    (photo, reading)
}

fn read_object(
    number: u16,
    truth: &Value,
    photo: &RgbImage,
    labels: &[u16],
    scale: f64,
) -> ObjectReading {
    let width = photo.width() as usize;
    let (mut n, mut rows, mut cols, mut rgb) = (0u32, 0.0, 0.0, [0.0f64; 3]);
    for (i, _) in labels.iter().enumerate().filter(|(_, l)| **l == number) {
        n += 1;
        rows += (i / width) as f64;
        cols += (i % width) as f64;
        for (sum, v) in rgb.iter_mut().zip(photo.as_raw()[3 * i..3 * i + 3].iter()) {
            *sum += f64::from(*v);
        }
    }
    let count = f64::from(n.max(1));
    let [lightness, a, b] = lab(rgb.map(|v| v / count));
    let class = Class::ALL.into_iter().find(|c| c.name() == truth["cls"]).expect("class");
    // A made-up but fixed spread of confidence: every 23rd object doubtful, every 61st unknown.
    let p = if number % 23 == 7 { 0.58 + f64::from(number % 5) * 0.06 } else { 0.985 };
    let mut probabilities = [(1.0 - p) / 3.0; 4];
    probabilities[Class::ALL.iter().position(|&c| c == class).expect("class")] = p;
    let area_mm2 = f64::from(n) / (scale * scale) * 0.97;
    let diameter = (4.0 * area_mm2 / std::f64::consts::PI).sqrt();
    ObjectReading {
        measures: Measures {
            object: number.into(),
            row: rows / count,
            col: cols / count,
            x_mm: truth["x_mm"].as_f64().expect("x"),
            y_mm: truth["y_mm"].as_f64().expect("y"),
            area_px: n,
            area_mm2,
            circle_diameter_mm: diameter,
            length_mm: diameter * 1.03,
            width_mm: diameter / 1.03,
            circularity: 0.9,
            solidity: 0.98,
            lightness,
            a,
            b,
            chroma: a.hypot(b),
            hue_deg: b.atan2(a).to_degrees().rem_euclid(360.0),
            wrinkle: truth["wrinkle"].as_f64().unwrap_or(0.0),
            ..Measures::default()
        },
        class: (number % 61 != 30).then_some(class),
        probabilities,
        equivalent_diameter_mm: truth["d_eq_mm"].as_f64().unwrap_or(diameter),
        mass_g: truth["mass_g"].as_f64().expect("mass"),
    }
}

/// sRGB (0 to 255) to CIELAB, D65. IEC 61966-2-1 and CIE 15.
fn lab(rgb: [f64; 3]) -> [f64; 3] {
    let [r, g, b] = rgb.map(|v| {
        let c = v / 255.0;
        if c <= 0.04045 { c / 12.92 } else { ((c + 0.055) / 1.055).powf(2.4) }
    });
    let f = |t: f64| {
        if t > 216.0 / 24389.0 { t.cbrt() } else { (24389.0 / 27.0 * t + 16.0) / 116.0 }
    };
    let x = f((0.4124 * r + 0.3576 * g + 0.1805 * b) / 0.9505);
    let y = f(0.2126 * r + 0.7152 * g + 0.0722 * b);
    let z = f((0.0193 * r + 0.1192 * g + 0.9505 * b) / 1.089);
    [116.0 * y - 16.0, 500.0 * (x - y), 200.0 * (y - z)]
}

fn marks(scene: &Value, scale: f64) -> Marks {
    let pair = |v: &Value| [v[0].as_f64().expect("x"), v[1].as_f64().expect("y")];
    let tiles: Vec<Tile> = scene["tiles"]
        .as_array()
        .expect("tiles")
        .iter()
        .map(|t| Tile {
            name: t["text"].as_str().and_then(|s| s.chars().nth(6)).expect("name"),
            centre_mm: [t["x_mm"].as_f64().expect("x"), t["y_mm"].as_f64().expect("y")],
            side_mm: t["symbol_mm"].as_f64().expect("side"),
            read: true,
            corners_px: [0, 1, 2, 3].map(|i| pair(&t["corners_px"][i])),
        })
        .collect();
    let size = pair(&scene["size"]);
    let tray = pair(&scene["tray_mm"]);
    let origin = [(size[0] - tray[0] * scale) / 2.0, (size[1] - tray[1] * scale) / 2.0];
    let slip = scene["slip"]["text"].as_str().map(|text| {
        let words: Vec<&str> = text.split(' ').collect();
        Slip {
            text: SlipText {
                load: words[1].to_owned(),
                lot: words[2].to_owned(),
                tray: words[3].trim_start_matches('T').parse().expect("tray"),
            },
            corners_px: [[0.0; 2]; 4],
            patches: Vec::new(),
        }
    });
    Marks {
        tiles,
        slip,
        paper_px: Vec::new(),
        notes: Vec::new(),
        frame: TrayFrame {
            source: FrameSource::FourTiles,
            tray_mm: Some(tray),
            mm_to_px: [[scale, 0.0, origin[0]], [0.0, scale, origin[1]], [0.0, 0.0, 1.0]],
            px_to_mm: [
                [1.0 / scale, 0.0, -origin[0] / scale],
                [0.0, 1.0 / scale, -origin[1] / scale],
                [0.0, 0.0, 1.0],
            ],
            lens: Lens {
                k1: scene["k1"].as_f64().expect("k1"),
                centre_px: [(size[0] - 1.0) / 2.0, (size[1] - 1.0) / 2.0],
                half_width_px: size[0] / 2.0,
            },
            camera_mm: [0, 1, 2].map(|i| scene["camera_mm"][i].as_f64().expect("camera")),
            camera_source: CameraSource::FocalLength,
            px_per_mm: scale,
            reprojection_rms_px: Some(0.2),
        },
    }
}
