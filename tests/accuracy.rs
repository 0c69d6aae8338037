//! How well photographs with exact truth are read: the acceptance table, over sample-images.
//!
//! The built-in profile was taught from these photographs too, so the first test shows that the
//! program does what it was taught; the long one reads every photograph with a profile that was
//! not taught from it.
#![allow(clippy::unwrap_used, clippy::print_stdout)]

#[path = "common/samples.rs"]
mod samples;

use acinus::pipeline::Settings;
use acinus::profile::Profile;
use acinus::score::{Figure, Score, table};
use acinus::teach::{SegmentTraining, cross_validate, score_photo};
use samples::{good_photographs, sample_dir};

fn show(scores: &[Score], figures: &[Figure]) {
    for s in scores {
        println!(
            "{:45} F1 {:.4}  IoU {:.4}  false {}  missed {}",
            s.name,
            s.matching.f1(),
            s.matching.mean_iou(),
            s.matching.false_reads.len(),
            s.matching.missed.len()
        );
    }
    for f in figures {
        let sign = if f.at_most { "<=" } else { ">=" };
        println!("{:55} {:8.4} {sign} {}", f.name, f.value, f.bound);
    }
}

#[test]
fn accuracy() {
    let profile = Profile::built_in().unwrap();
    let settings = Settings::default();
    let scores: Vec<Score> =
        good_photographs().iter().map(|p| score_photo(p, &profile, &settings).unwrap()).collect();
    let figures = table(&scores);
    show(&scores, &figures);
    assert_eq!(figures.len(), 18);
    let missed: Vec<&str> = figures.iter().filter(|f| !f.holds()).map(|f| f.name).collect();
    assert!(missed.is_empty(), "bounds not held: {missed:?}");
}

/// With the scale given by hand: the frame comes from the tray floor.
#[test]
fn a_tray_without_marks_is_read_when_its_size_is_given() {
    let path = sample_dir().join("black-no-marks.jpg");
    let profile = Profile::built_in().unwrap();
    let mut settings = Settings::default();
    assert!(score_photo(&path, &profile, &settings).is_err(), "no scale must be refused");
    settings.marks.tray_mm = Some([330.0, 250.0]);
    let score = score_photo(&path, &profile, &settings).unwrap();
    show(std::slice::from_ref(&score), &[]);
    assert!(score.matching.f1() >= 0.96);
    assert!(score.matching.mean_iou() >= 0.93);
}

/// Slow: teaches four profiles. Bounds are the acceptance table's for what a handful of
/// photographs can teach; the figures are printed whether they hold or not.
#[test]
#[ignore = "teaches four profiles: bash .ci/run long"]
fn long_photographs_that_were_not_taught() {
    let scores = cross_validate(
        &good_photographs(),
        4,
        &Settings::default(),
        SegmentTraining::default(),
        |line| println!("{line}"),
    )
    .unwrap();
    let figures = table(&scores);
    show(&scores, &figures);
    let right = figures.iter().find(|f| f.name == "class right among matched").unwrap();
    assert!(right.holds());
    let iou = figures.iter().find(|f| f.name == "IoU of matched objects, mean").unwrap();
    assert!(iou.holds());
}
