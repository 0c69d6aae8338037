//! The same fruit under other lights: photographs relit in linear light must give the same colours.
//! Tints, gradients and exposures are this test's own choice (no source): a lamp's and a window's
//! cast, a lamp at one side, a stop less.
#![allow(clippy::unwrap_used, clippy::print_stdout)]

#[path = "common/samples.rs"]
mod samples;

use std::path::PathBuf;

use acinus::check;
use acinus::classify::{self, Class};
use acinus::colour::{self, Lab};
use acinus::photo::{self, Photo};
use acinus::pipeline::{self, Settings};
use acinus::profile::Profile;
use image::RgbImage;
use rayon::prelude::*;
use samples::{good_photographs, sample_dir};

/// The median sound berry may move by this, CIEDE2000.
const MOST: f64 = 3.0;

/// A light over the photograph as it was taken.
struct Relit {
    name: &'static str,
    /// Factors of linear red, green and blue.
    tint: [f64; 3],
    /// Part by which the light changes from the left edge to the right, and from top to bottom;
    /// the middle keeps its own.
    slope: [f64; 2],
}

const LIGHTS: [Relit; 6] = [
    Relit { name: "warm", tint: [1.04, 0.93, 0.72], slope: [0.0, 0.0] },
    Relit { name: "cool", tint: [0.78, 0.93, 1.04], slope: [0.0, 0.0] },
    Relit { name: "greenish", tint: [0.92, 1.02, 0.90], slope: [0.0, 0.0] },
    Relit { name: "lamp at one side", tint: [0.85; 3], slope: [0.3, -0.15] },
    Relit { name: "a stop less", tint: [0.5; 3], slope: [0.0, 0.0] },
    Relit { name: "warm lamp at one side, darker", tint: [0.72, 0.63, 0.47], slope: [-0.25, 0.2] },
];

impl Relit {
    fn apply(&self, photo: &Photo) -> Photo {
        let mut rgb: RgbImage = photo.rgb.clone();
        let (w, h) = (f64::from(rgb.width()), f64::from(rgb.height()));
        let row = rgb.width() as usize * 3;
        rgb.as_mut().par_chunks_mut(row).enumerate().for_each(|(y, line)| {
            for (x, px) in line.chunks_exact_mut(3).enumerate() {
                let fall = 1.0
                    + self.slope[0] * (x as f64 / w - 0.5)
                    + self.slope[1] * (y as f64 / h - 0.5);
                for (code, tint) in px.iter_mut().zip(self.tint) {
                    let lit = f64::from(colour::linear(*code)) * tint * fall;
                    *code = (255.0 * colour::encode_srgb(lit.min(1.0))).round() as u8;
                }
            }
        });
        Photo { rgb, ..photo.clone() }
    }
}

/// Median L*, a*, b* of the berries judged sound.
fn sound_colour(photo: Photo, profile: &Profile, settings: &Settings) -> (usize, Lab) {
    let opened = pipeline::open(photo, settings).unwrap();
    let prepared = pipeline::prepare(&opened, settings);
    let labels = pipeline::find_objects(&opened, &prepared, profile, settings);
    let measured = pipeline::measure_objects(&opened, &prepared, &labels);
    let camera = opened.marks.frame.camera_mm;
    let judged = classify::classify(&measured, camera, &profile.classes, &settings.classify);
    let sound: Vec<Lab> = judged
        .objects
        .iter()
        .filter(|o| o.class == Some(Class::Sound))
        .map(|o| [o.measures.lightness, o.measures.a, o.measures.b])
        .collect();
    let median = std::array::from_fn(|k| {
        let mut values: Vec<f64> = sound.iter().map(|lab| lab[k]).collect();
        values.sort_by(f64::total_cmp);
        values[values.len() / 2]
    });
    (sound.len(), median)
}

fn relight(photographs: &[PathBuf]) {
    let profile = Profile::built_in().unwrap();
    let settings = Settings::default();
    let mut worst = 0.0f64;
    for path in photographs {
        let name = path.file_stem().unwrap().to_string_lossy().into_owned();
        let photo = photo::read(path).unwrap();
        let (count, base) = sound_colour(photo.clone(), &profile, &settings);
        for light in &LIGHTS {
            let (relit, lab) = sound_colour(light.apply(&photo), &profile, &settings);
            let moved = colour::delta_e2000(base, lab);
            println!("{name:40} {:32} {moved:.2} ({relit} of {count} sound)", light.name);
            worst = worst.max(moved);
        }
    }
    println!("worst {worst:.2}");
    assert!(worst <= MOST, "a median sound berry moved by {worst:.2}");
}

/// One photograph of each fruit, and one on a shining floor.
const SHORT: [&str; 3] =
    ["black-unsorted-1", "more-01-black-steel-natural-panels", "white-unsorted-1"];

fn sample(name: &str) -> PathBuf {
    sample_dir().join(name).with_extension("jpg")
}

#[test]
fn sound_berries_keep_their_colour_under_other_lights() {
    relight(&SHORT.map(sample));
}

/// White that is cut off at the camera's limit cannot be divided out: then it is said.
#[test]
fn too_bright_a_light_keeps_the_colour_or_is_told() {
    let brighter = Relit { name: "a third of a stop more", tint: [1.26; 3], slope: [0.0, 0.0] };
    let profile = Profile::built_in().unwrap();
    let settings = Settings::default();
    let mut told = 0;
    for path in SHORT.map(sample) {
        let photo = photo::read(&path).unwrap();
        let relit = brighter.apply(&photo);
        let opened = pipeline::open(relit.clone(), &settings).unwrap();
        let findings = check::colour(&opened.colour, &settings.check);
        let burnt = findings.iter().any(|f| f.check == "paper-burnt-out");
        told += usize::from(burnt);
        let moved = colour::delta_e2000(
            sound_colour(photo, &profile, &settings).1,
            sound_colour(relit, &profile, &settings).1,
        );
        println!("{}: moved by {moved:.2}, told {burnt}", path.display());
        assert!(burnt || moved <= MOST, "{}: moved by {moved:.2}, unsaid", path.display());
    }
    assert!(told > 0);
}

#[test]
#[ignore = "takes minutes"]
fn long_every_sample_keeps_its_colour_under_other_lights() {
    let photographs = good_photographs();
    assert!(photographs.len() >= 12);
    relight(&photographs);
}
