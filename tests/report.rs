//! The report's writers over whole trays, read from the truth beside the sample photographs, so
//! that crowded trays, leaves and hair-thin stems are drawn as they really come.

mod common;

use std::collections::BTreeMap;
use std::path::Path;

use acinus::load::{LotSettings, WithoutSlip};
use acinus::report::overlay::{OverlaySettings, overlay};
use acinus::report::{Output, Outputs, PhotoResult, Run, Sheet, html, palette, text, write_photo};

fn everything() -> Outputs {
    [Output::Csv, Output::Json, Output::Labels, Output::Overlay, Output::Report].into()
}

fn sheet(folder: &Path, name: &str) -> Sheet {
    let (photo, reading) = common::truth_reading(name);
    let file = format!("sample-images/{name}.jpg");
    write_photo(folder, file.as_ref(), &photo, reading, &everything(), &Default::default())
        .expect("written")
}

// The truth pictures come from outside the program: writing them as labels and reading them back
// must give the same picture but for the numbers.
#[test]
fn the_label_picture_is_the_truth_renumbered() {
    let dir = tempfile::tempdir().expect("dir");
    let name = "black-waste-1";
    sheet(dir.path(), name);
    let open = |path: std::path::PathBuf| image::open(path).expect("picture").into_luma16();
    let written = open(dir.path().join(format!("{name}.labels.png")));
    let truth = open(common::sample_dir().join(format!("{name}.ids.png")));
    assert_eq!(written.dimensions(), truth.dimensions());
    let mut number: BTreeMap<u16, u16> = BTreeMap::new();
    for (ours, theirs) in written.pixels().zip(truth.pixels()) {
        assert_eq!(*number.entry(theirs.0[0]).or_insert(ours.0[0]), ours.0[0]);
    }
    assert_eq!(number.get(&0), Some(&0));
    let mut ours: Vec<u16> = number.into_values().collect();
    ours.sort_unstable();
    let count = ours.len() as u16;
    assert_eq!(ours, (0..count).collect::<Vec<u16>>());
}

#[test]
fn on_a_crowded_tray_every_object_shows_its_class() {
    let (photo, reading) = common::truth_reading("white-crowded");
    let picture = overlay(&photo, &reading, &reading.labels.bounds(), &OverlaySettings::default())
        .expect("overlay");
    let title = (30.0 * photo.width() as f32 / 1000.0) as i64;
    for object in &reading.objects {
        let colour = palette::look(object.class).colour;
        let m = &object.measures;
        let reach = (1.6 * f64::from(m.area_px).sqrt()) as i64 + 12;
        let mut found = 0;
        for dy in -reach..=reach {
            for dx in -reach..=reach {
                let (x, y) = (m.col as i64 + dx, m.row as i64 + dy + title);
                if x >= 0 && y >= 0 && x < picture.width().into() && y < picture.height().into() {
                    let p = picture.get_pixel(x as u32, y as u32).0;
                    found += usize::from(p.iter().zip(colour).all(|(a, b)| a.abs_diff(b) < 12));
                }
            }
        }
        assert!(found >= 15, "object {} ({:?}): {found} pixels", m.object, object.class);
    }
}

#[test]
fn lots_are_kept_apart_and_their_masses_are_the_truths() {
    let dir = tempfile::tempdir().expect("dir");
    let names = ["black-unsorted-1", "black-unsorted-2", "white-unsorted-1"];
    let photos = names.iter().map(|n| PhotoResult::Done(Box::new(sheet(dir.path(), n)))).collect();
    let run = Run::new(photos, &LotSettings::default(), WithoutSlip::Apart);
    let lots: Vec<(&str, usize)> =
        run.lots.iter().map(|l| (l.name.as_str(), l.photos.len())).collect();
    assert_eq!(lots, [("HV-0417 UNSORTED", 2), ("HV-0422 UNSORTED", 1)]);
    for lot in &run.lots {
        let mass: f64 = lot.photos.iter().map(|n| true_mass_g(n)).sum();
        let figures = lot.figures.as_ref().expect("figures");
        assert!((figures.mass_g - mass).abs() < 1e-6 * mass, "{} {mass}", figures.mass_g);
    }
    let table = text::table(&run);
    for name in ["HV-0417 UNSORTED: 2 trays", "HV-0422 UNSORTED: 1 tray"] {
        assert!(table.contains(name), "{table}");
    }
    let page = String::from_utf8(html::page(&run).expect("page")).expect("UTF-8");
    assert_eq!(page.matches("<section class=\"lot\"").count(), 2);
    assert_eq!(page.matches("<section class=\"photo\"").count(), 3);
}

/// Mass of all visible true objects.
fn true_mass_g(name: &str) -> f64 {
    let path = common::sample_dir().join(format!("{name}.json"));
    let truth: serde_json::Value =
        serde_json::from_str(&std::fs::read_to_string(path).expect("truth")).expect("JSON");
    let objects = truth["objects"].as_array().expect("objects");
    let visible = objects.iter().filter(|o| o["visible_px"].as_u64() > Some(0));
    visible.map(|o| o["mass_g"].as_f64().expect("mass")).sum()
}

#[test]
#[ignore = "writes a report to look at, into the folder that ACINUS_LOOK names"]
fn look() {
    let dir = std::path::PathBuf::from(std::env::var("ACINUS_LOOK").expect("ACINUS_LOOK"));
    let names = ["black-unsorted-1", "black-unsorted-2", "black-waste-1", "white-crowded"];
    let photos = names.iter().map(|n| PhotoResult::Done(Box::new(sheet(&dir, n)))).collect();
    let settings = LotSettings { load_tonnes: Some(12.5), ..Default::default() };
    let run = Run::new(photos, &settings, WithoutSlip::Apart);
    std::fs::write(dir.join("report.html"), html::page(&run).expect("page")).expect("write");
}
