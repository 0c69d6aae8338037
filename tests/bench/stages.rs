//! Time of each stage on a sample photograph: `cargo bench`, or `cargo bench -- marks`.
//!
//! Every stage gets what the stages before it made, so that one can be measured alone. Whole
//! commands are better timed as whole processes (docs/performance.md).

use std::hint::black_box;
use std::path::PathBuf;

use acinus::pipeline::{self, Settings};
use acinus::profile::Profile;
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

fn run(criterion: &mut Criterion) {
    if let Err(failure) = stages(criterion) {
        panic!("the sample photographs could not be read: {failure}");
    }
}

criterion_group!(benches, run);
criterion_main!(benches);
