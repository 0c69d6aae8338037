//! A small drawn tray with known objects, for the tests of this module.

use std::path::Path;

use image::{Rgb, RgbImage};

use super::run::{LeftOut, LeftOutStatus, PhotoResult, Run};
use super::sheet::{Output, Outputs, write_photo};
use crate::classify::{Class, Fruit, ObjectReading, Outcome};
use crate::frame::{CameraSource, FrameSource, Lens, TrayFrame};
use crate::load::{LotSettings, WithoutSlip};
use crate::marks::{Marks, Slip, SlipText, Tile};
use crate::measure::Measures;
use crate::pipeline::TrayReading;
use crate::segment::LabelMap;

const WIDTH: usize = 660;
const HEIGHT: usize = 500;
const PX_PER_MM: f64 = 2.0;

/// x, y, radius (px), class and its probability. The first two touch.
const DISCS: [(i32, i32, i32, Outcome, f64); 9] = [
    (200, 90, 26, Some(Class::Sound), 0.995),
    (250, 90, 25, Some(Class::Shriveled), 0.97),
    (330, 120, 24, Some(Class::Sound), 0.99),
    (420, 150, 18, Some(Class::Underripe), 0.93),
    (150, 210, 27, Some(Class::Sound), 0.985),
    (260, 260, 16, Some(Class::Debris), 0.88),
    (480, 300, 22, None, 0.41),
    (350, 330, 26, Some(Class::Sound), 0.97),
    (200, 400, 25, Some(Class::Sound), 0.62),
];

/// The photograph and its reading.
pub(crate) fn tray() -> (RgbImage, TrayReading) {
    let mut photo = RgbImage::from_pixel(WIDTH as u32, HEIGHT as u32, Rgb([214, 214, 212]));
    let mut labels = vec![0u16; WIDTH * HEIGHT];
    let mut objects = Vec::new();
    for (i, &(x, y, r, class, p)) in DISCS.iter().enumerate() {
        let ink = match class {
            Some(Class::Sound) => [40, 38, 62],
            Some(Class::Shriveled) => [46, 34, 32],
            Some(Class::Underripe) => [120, 170, 60],
            Some(Class::Debris) => [120, 84, 50],
            None => [150, 140, 150],
        };
        let mut area = 0;
        for dy in -r..=r {
            for dx in -r..=r {
                let at = (y + dy) as usize * WIDTH + (x + dx) as usize;
                if dx * dx + dy * dy <= r * r && labels[at] == 0 {
                    labels[at] = i as u16 + 1;
                    photo.put_pixel((x + dx) as u32, (y + dy) as u32, Rgb(ink));
                    area += 1;
                }
            }
        }
        objects.push(object(i as u32 + 1, [f64::from(x), f64::from(y)], area, class, p));
    }
    let reading = TrayReading {
        name: "drawn-tray".into(),
        sha256: "00".repeat(32),
        size_px: [WIDTH as u32, HEIGHT as u32],
        taken: Some("2026:09:18 07:42:10".to_owned()),
        marks: marks(),
        objects,
        labels: LabelMap { width: WIDTH, height: HEIGHT, labels, count: DISCS.len() },
        fruit: Fruit::Black,
        profile: "none".to_owned(),
        colour: None,
        findings: Vec::new(),
        forced: false,
        assumptions: vec!["No focal length in the file: camera height taken as 445 mm.".into()],
        cautions: vec!["Glare over the lower left part of the tray.".into()],
        timings: vec![("decode", 0.0123456), ("marks", 0.03)],
    };
    (photo, reading)
}

fn object(number: u32, centre: [f64; 2], area: u32, class: Outcome, p: f64) -> ObjectReading {
    let area_mm2 = f64::from(area) / (PX_PER_MM * PX_PER_MM);
    let diameter = (4.0 * area_mm2 / std::f64::consts::PI).sqrt();
    let (lightness, a, b) = match class {
        Some(Class::Sound) => (17.0 + f64::from(number), 6.0, -12.0),
        Some(Class::Shriveled) => (15.0, 5.0, 4.0),
        Some(Class::Underripe) => (65.0, -30.0, 50.0),
        Some(Class::Debris) => (40.0, 10.0, 25.0),
        None => (60.0, 3.0, -4.0),
    };
    let mut probabilities = [(1.0 - p) / 3.0; 4];
    let best = Class::ALL.iter().position(|&c| Some(c) == class).unwrap_or(0);
    probabilities[best] = p;
    ObjectReading {
        measures: Measures {
            object: number,
            row: centre[1],
            col: centre[0],
            x_mm: centre[0] / PX_PER_MM,
            y_mm: centre[1] / PX_PER_MM,
            area_px: area,
            area_mm2,
            circle_diameter_mm: diameter,
            length_mm: diameter * 1.02,
            width_mm: diameter / 1.02,
            circularity: 0.9,
            solidity: 0.98,
            lightness,
            a,
            b,
            chroma: f64::hypot(a, b),
            hue_deg: f64::atan2(b, a).to_degrees().rem_euclid(360.0),
            wrinkle: 1.5,
            ..Measures::default()
        },
        class,
        probabilities,
        equivalent_diameter_mm: diameter * 0.97,
        mass_g: diameter.powi(3) * 5.7e-4,
    }
}

fn marks() -> Marks {
    let h = [[PX_PER_MM, 0.0, -0.5], [0.0, PX_PER_MM, -0.5], [0.0, 0.0, 1.0]];
    let inverse = [[1.0 / PX_PER_MM, 0.0, 0.25], [0.0, 1.0 / PX_PER_MM, 0.25], [0.0, 0.0, 1.0]];
    let tiles = [('A', 18.0, 18.0), ('B', 312.0, 18.0), ('C', 312.0, 232.0), ('D', 18.0, 232.0)];
    let tile = |(name, x, y): (char, f64, f64)| {
        let corner = |dx: f64, dy: f64| [(x + dx) * PX_PER_MM - 0.5, (y + dy) * PX_PER_MM - 0.5];
        Tile {
            name,
            centre_mm: [x, y],
            side_mm: 24.0,
            read: true,
            corners_px: [
                corner(-12.0, -12.0),
                corner(12.0, -12.0),
                corner(12.0, 12.0),
                corner(-12.0, 12.0),
            ],
        }
    };
    Marks {
        tiles: tiles.map(tile).to_vec(),
        slip: Some(Slip {
            text: SlipText { load: "DT-0001".into(), lot: "UNSORTED".into(), tray: 1 },
            corners_px: [[0.0; 2]; 4],
            patches: Vec::new(),
        }),
        paper_px: Vec::new(),
        notes: Vec::new(),
        frame: TrayFrame {
            source: FrameSource::FourTiles,
            tray_mm: Some([330.0, 250.0]),
            mm_to_px: h,
            px_to_mm: inverse,
            lens: Lens { k1: 0.0, centre_px: [329.5, 249.5], half_width_px: 330.0 },
            camera_mm: [165.0, 125.0, 445.0],
            camera_source: CameraSource::Default,
            px_per_mm: PX_PER_MM,
            reprojection_rms_px: Some(0.12),
        },
    }
}

/// A run over the drawn tray, twice, and a refused photograph.
pub(crate) fn run(load_tonnes: Option<f64>) -> Run {
    let sheet = |number: u32| {
        let dir = tempfile::tempdir().expect("dir");
        let (photo, mut reading) = tray();
        reading.name = format!("drawn-tray-{number}");
        if let Some(slip) = &mut reading.marks.slip {
            slip.text.tray = number;
        }
        // Two trays of a lot are never quite alike.
        reading.objects.truncate(10 - number as usize);
        let file = format!("photos/drawn-tray-{number}.png");
        let outputs: Outputs = [Output::Report].into();
        write_photo(dir.path(), Path::new(&file), &photo, reading, &outputs, &Default::default())
            .expect("sheet")
    };
    let photos = vec![
        PhotoResult::Done(Box::new(sheet(1))),
        PhotoResult::Done(Box::new(sheet(2))),
        left_out(),
    ];
    let settings = LotSettings { load_tonnes, ..LotSettings::default() };
    Run::new(photos, &settings, WithoutSlip::Apart)
}

/// A run in which nothing could be measured.
pub(crate) fn run_of_bad_photographs() -> Run {
    Run::new(vec![left_out()], &LotSettings::default(), WithoutSlip::Apart)
}

fn left_out() -> PhotoResult {
    PhotoResult::Left(LeftOut {
        file: "photos/<dark>.jpg".into(),
        status: LeftOutStatus::Refused,
        message: "too dark: median lightness 11, at least 25 is needed; add light".into(),
    })
}
