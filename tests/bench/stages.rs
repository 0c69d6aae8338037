//! Time of each stage on a sample photograph: `cargo bench`, or `cargo bench -- marks`.
//!
//! The figures of a load with 1,000 trays and of streams with 100 trays each are timed on made-up
//! objects: `cargo bench -- statistics`.
//!
//! Every stage gets what the stages before it made, so that one can be measured alone. Whole
//! commands are better timed as whole processes (docs/performance.md).

use std::hint::black_box;
use std::path::PathBuf;

use acinus::classify::Class;
use acinus::load::{Item, Lot, Tray, assess_lot};
use acinus::pipeline::{self, Settings};
use acinus::profile::Profile;
use acinus::stats::SplitMix64;
use acinus::streams::{Stream, StreamLot, balance};
use acinus::{classify, marks, photo, report, segment};
use criterion::{Criterion, SamplingMode, criterion_group, criterion_main};

type Failure = Box<dyn std::error::Error>;

fn stages(criterion: &mut Criterion) -> Result<(), Failure> {
    let mut group = criterion.benchmark_group("stages");
    group.sample_size(10).sampling_mode(SamplingMode::Flat);
    let folder = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("sample-images");
    let settings = Settings::default();
    let profile = Profile::built_in()?;
    for name in ["black-unsorted-1", "white-crowded"] {
        let bytes = std::fs::read(folder.join(name).with_extension("jpg"))?;
        group.bench_function(format!("{name}/decode"), |b| b.iter(|| photo::decode(&bytes)));
        let picture = photo::decode(&bytes)?;
        group.bench_function(format!("{name}/marks"), |b| {
            b.iter(|| marks::read(&picture, &settings.marks));
        });
        let opened = pipeline::open(picture, &settings)?;
        group.bench_function(format!("{name}/floor"), |b| {
            b.iter(|| pipeline::prepare(&opened, &settings));
        });
        let prepared = pipeline::prepare(&opened, &settings);
        group.bench_function(format!("{name}/look"), |b| {
            b.iter(|| segment::look(&prepared, &profile.segment));
        });
        let evidence = segment::look(&prepared, &profile.segment);
        let split = settings.segment.split;
        group.bench_function(format!("{name}/split"), |b| {
            let pairs = profile.segment.pairs.as_ref();
            b.iter(|| segment::split::split(&prepared.work, &evidence, &split, pairs));
        });
        let labels = pipeline::find_objects(&opened, &prepared, &profile, &settings);
        group.bench_function(format!("{name}/measure"), |b| {
            b.iter(|| pipeline::measure_objects(&opened, &prepared, &labels));
        });
        let measured = pipeline::measure_objects(&opened, &prepared, &labels);
        let camera = opened.marks.frame.camera_mm;
        group.bench_function(format!("{name}/classify"), |b| {
            b.iter(|| classify::classify(&measured, camera, &profile.classes, &settings.classify));
        });
        group.bench_function(format!("{name}/whole reading"), |b| {
            b.iter(|| pipeline::read_tray(name, black_box(&bytes), &profile, &settings));
        });
        group.bench_function(format!("{name}/label picture"), |b| {
            b.iter(|| report::labels::labels_png(&labels));
        });
    }
    group.finish();
    Ok(())
}

/// A lot of so many trays of 200 objects, of which about one in eight is no sound berry.
fn lot(name: &str, trays: usize, seed: u64) -> Lot {
    let mut random = SplitMix64::new(seed);
    let mut item = || {
        let reject = random.uniform() < 0.12;
        let class = if reject { Class::Shriveled } else { Class::Sound };
        let diameter = 10.0 + 6.0 * random.uniform();
        Item {
            class: Some(class),
            probabilities: Class::ALL.map(|c| if c == class { 0.97 } else { 0.01 }),
            area_mm2: diameter * diameter * std::f64::consts::FRAC_PI_4,
            mass_g: 5.7e-4 * diameter * diameter * diameter,
            equivalent_diameter_mm: diameter,
        }
    };
    let tray = |k| Tray {
        name: format!("{name}-{k}"),
        lot: Some(name.to_owned()),
        number: u32::try_from(k).ok(),
        objects: (0..200).map(|_| item()).collect(),
        ..Tray::default()
    };
    Lot { name: name.to_owned(), trays: (1..=trays).map(tray).collect() }
}

fn statistics(criterion: &mut Criterion) {
    let mut group = criterion.benchmark_group("statistics");
    group.sample_size(10).sampling_mode(SamplingMode::Flat);
    let load = lot("UNSORTED", 1000, 1);
    group.bench_function("load of 1,000 trays", |b| {
        b.iter(|| assess_lot(black_box(&load), &Default::default()));
    });
    let lots = Stream::ALL.map(|stream| StreamLot {
        stream,
        lot: lot(stream.name(), 100, stream as u64 + 2),
        fruits: vec![None; 100],
    });
    group.bench_function("streams of 100 trays each", |b| {
        b.iter(|| balance(black_box(&lots), &Default::default()));
    });
    group.finish();
}

fn run(criterion: &mut Criterion) {
    if let Err(failure) = stages(criterion) {
        panic!("the sample photographs could not be read: {failure}");
    }
}

criterion_group!(benches, run, statistics);
criterion_main!(benches);
