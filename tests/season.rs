//! A season from the ledger to the files: Parquet read back by hyparquet (tests/data/hyparquet, MIT,
//! plain JavaScript) under Debian's nodejs, every value held against the CSV; plots and page.
#![allow(clippy::unwrap_used)]

use std::fs;
use std::path::Path;

use acinus::ledger::Ledger;
use acinus::ledger::event::Delivery;
use acinus::season::{self, By, REJECTS, SeasonSettings, iso_week};
use serde_json::Value;

#[path = "common/debian.rs"]
mod debian;
#[path = "common/dock.rs"]
mod dock;
#[path = "common/orchard.rs"]
mod orchard;

use debian::debian;
use dock::{Dock, TERMS};

/// Eighteen loads over three weeks; one of them has far more rejects than the others.
fn orchard(file: &Path) {
    let mut ledger = Ledger::open_or_begin(file).unwrap();
    for i in 0..18u32 {
        let load = format!("L-{i:02}");
        let grower = ["Hill Vineyard", "Valley \"Two\", Vineyard", "Río Vineyard"][i as usize % 3];
        let delivery = Delivery {
            net_kg: Some((4000 + 500 * i).to_string().parse().unwrap()),
            received: Some(format!("2026-09-{:02}T07:00", 1 + i)),
            ..Delivery::default()
        };
        let terms = (i % 2 == 0).then_some(TERMS);
        orchard::open(&mut ledger, &load, grower, delivery, terms);
        let rejects = if i == 7 { 0.6 } else { 0.08 + 0.004 * f64::from(i % 5) };
        for tray in 1..=4 {
            let photo = orchard::photo(&ledger, load.as_bytes(), &format!("{tray}.jpg"));
            let place = (load.as_str(), "UNSORTED", tray);
            orchard::tray(&mut ledger, photo, place, &tray.to_string(), (80, rejects));
        }
        if i != 17 {
            orchard::close(&mut ledger, &load);
        }
    }
    orchard::open(&mut ledger, "EMPTY", "Hill Vineyard", Delivery::default(), None);
}

/// Rows of a CSV file by column.
fn csv(path: &Path) -> (Vec<String>, Vec<Vec<String>>) {
    let mut reader = csv::Reader::from_path(path).unwrap();
    let header = reader.headers().unwrap().iter().map(str::to_owned).collect();
    let rows = reader.records().map(|r| r.unwrap().iter().map(str::to_owned).collect());
    (header, rows.collect())
}

/// Whether a cell of the CSV and a value that the other reader found are the same.
fn same(cell: &str, kind: &str, value: &Value) -> bool {
    match (kind, value) {
        (_, Value::Null) => cell.is_empty(),
        ("INT64", Value::String(text)) => cell == text,
        ("DOUBLE", Value::String(text)) => {
            cell.parse::<f64>().is_ok_and(|own| Ok(own) == text.parse::<f64>())
        }
        ("BOOLEAN", Value::Bool(b)) => cell == b.to_string(),
        ("BYTE_ARRAY", Value::String(text)) => cell == text,
        _ => false,
    }
}

#[test]
fn an_independent_reader_finds_every_value() {
    let dock = Dock::new();
    orchard(&dock.path("l.sqlite"));
    dock.must(&["season", "--ledger", "l.sqlite", "--parquet", "data"]);
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/read_parquet.mjs");
    for (name, least) in [("objects", 18 * 4 * 80), ("loads", 19)] {
        let file = dock.path(&format!("data/{name}.parquet"));
        let args = [script.to_str().unwrap(), file.to_str().unwrap()];
        let read: Value = serde_json::from_slice(&debian("node", "nodejs", &args)).unwrap();
        let (header, rows) = csv(&dock.path(&format!("data/{name}.csv")));
        assert_eq!(rows.len(), least);
        assert_eq!(read["created_by"], acinus::ledger::PROGRAM);
        let columns = read["columns"].as_array().unwrap();
        let names: Vec<&str> = columns.iter().map(|c| c["name"].as_str().unwrap()).collect();
        assert_eq!(names, header);
        let theirs = read["rows"].as_array().unwrap();
        assert_eq!(theirs.len(), rows.len());
        let (mut compared, mut empty) = (0, 0);
        for (row, (own, their)) in rows.iter().zip(theirs).enumerate() {
            for (k, cell) in own.iter().enumerate() {
                let kind = columns[k]["type"].as_str().unwrap();
                let value = &their[k];
                assert!(
                    same(cell, kind, value),
                    "{name} row {row} {}: {cell:?} {value}",
                    header[k]
                );
                compared += 1;
                empty += u32::from(value.is_null());
            }
        }
        assert_eq!(compared, rows.len() * header.len());
        assert!(empty > 0, "no cell without a value was tried");
    }
    // The same again: the same bytes.
    let bytes = fs::read(dock.path("data/objects.parquet")).unwrap();
    dock.must(&["season", "--ledger", "l.sqlite", "--parquet", "data"]);
    assert!(fs::read(dock.path("data/objects.parquet")).unwrap() == bytes);
    // Objects and their mass come to the load's own figures. Its share of sound fruit is that of its bins,
    // each for as much fruit as any other: every bin of this load has one tray.
    let (header, rows) = csv(&dock.path("data/objects.csv"));
    let at = |name: &str| header.iter().position(|h| h == name).unwrap();
    let (load, bin, class, mass) = (at("load"), at("bin"), at("class"), at("mass_ug"));
    let own: Vec<&Vec<String>> = rows.iter().filter(|r| r[load] == "L-03").collect();
    let sum = |of: &dyn Fn(&Vec<String>) -> bool| -> f64 {
        own.iter().filter(|r| of(r)).map(|r| r[mass].parse::<f64>().unwrap()).sum()
    };
    let share = ["1", "2", "3", "4"]
        .map(|b| sum(&|r| r[bin] == b && r[class] == "sound") / sum(&|r| r[bin] == b))
        .iter()
        .sum::<f64>()
        / 4.0;
    let ledger = Ledger::open(&dock.path("l.sqlite")).unwrap();
    let found = season::of_ledger(&ledger, &SeasonSettings::default()).unwrap();
    let theirs = found.loads.iter().find(|l| l.load == "L-03").unwrap();
    assert_eq!(theirs.objects, own.len());
    assert!((theirs.mass_g.unwrap() - sum(&|_| true) / 1e6).abs() < 1e-9);
    let estimate = theirs.by_mass[0].estimate;
    assert!((estimate - share).abs() < 1e-9, "{estimate} {share}");
}

#[test]
fn groups_weeks_trend_and_the_load_apart() {
    let dock = Dock::new();
    orchard(&dock.path("l.sqlite"));
    let ledger = Ledger::open(&dock.path("l.sqlite")).unwrap();
    for (by, groups) in [(By::Grower, 3), (By::Block, 3), (By::Variety, 1), (By::Week, 3)] {
        let settings = SeasonSettings { by, ..SeasonSettings::default() };
        let found = season::of_ledger(&ledger, &settings).unwrap();
        assert_eq!(found.groups.len(), groups, "{by:?}");
        assert_eq!(found.groups.iter().map(|g| g.loads).sum::<usize>(), 18);
        for g in &found.groups {
            // Weighted by net mass, so between the least and the greatest of its loads.
            let own = g.by_mass[REJECTS];
            assert!(own.estimate >= g.rejects_range[0] && own.estimate <= g.rejects_range[1]);
            assert!(own.interval.low < own.estimate && own.estimate < own.interval.high);
            let all: f64 = g.by_mass[..4].iter().map(|e| e.estimate).sum();
            assert!((all - 1.0).abs() < 1e-9);
        }
        let names: Vec<&str> = found.outlying.iter().map(|o| o.load.as_str()).collect();
        assert_eq!(names, ["L-07"]);
        assert_eq!(found.trend.as_ref().unwrap().points, 18);
    }
    let found = season::of_ledger(&ledger, &SeasonSettings::default()).unwrap();
    let weeks: Vec<&str> = found.weeks.iter().map(|w| w.name.as_str()).collect();
    assert_eq!(weeks, ["2026-W36", "2026-W37", "2026-W38"]);
    assert_eq!(iso_week("2026-09-06").as_deref(), Some("2026-W36"));

    let text = dock.must(&["season", "--ledger", "l.sqlite", "--by", "variety"]);
    for words in [
        "19 loads, by variety",
        "Blue Portugal",
        "2026-W37",
        "trend of rejects by mass",
        "OUTLYING: L-07",
        "Rosner 1983",
        "EMPTY: left out of all shares",
        "2 loads are still open",
        "no official inspection",
    ] {
        assert!(text.contains(words), "{words}: {text}");
    }
    let json = dock.json(&["season", "--ledger", "l.sqlite"]);
    assert_eq!(json["loads"].as_array().unwrap().len(), 19);
}

#[test]
fn the_page_and_its_plots() {
    let dock = Dock::new();
    orchard(&dock.path("l.sqlite"));
    dock.must(&["season", "--ledger", "l.sqlite", "--out", "season"]);
    let page = fs::read_to_string(dock.path("season/season.html")).unwrap();
    for words in ["Valley &quot;Two&quot;", "By week", "OUTLYING", "Rejects by mass, load by load"]
    {
        assert!(page.contains(words), "{words}");
    }
    // Nothing is fetched from elsewhere: the only addresses are names of a notation.
    let page = page.replace("xmlns=\"http://www.w3.org/2000/svg\"", "");
    assert!(!page.contains("<script") && !page.contains("://"));
    for name in ["groups", "trend", "precision"] {
        let svg = fs::read_to_string(dock.path(&format!("season/{name}.svg"))).unwrap();
        assert!(svg.starts_with("<svg") && svg.contains("95 %"), "{name}");
        let png = image::open(dock.path(&format!("season/{name}.png"))).unwrap().into_rgb8();
        assert_eq!(png.width(), 1520);
        // Drawn on white, with ink on it.
        assert_eq!(png.get_pixel(0, png.height() - 1).0, [255; 3]);
        let ink = png.pixels().filter(|p| p.0.iter().all(|v| *v < 60)).count();
        assert!(ink > 2000, "{name}: {ink}");
    }
    // No streams, no plot of the sorter; no ledger, no season.
    assert!(!dock.path("season/sorter.svg").exists());
    dock.refused(1, &["season", "--ledger", "none.sqlite"], "there is no ledger");
}
