//! The report's writers over whole trays, read from the truth beside the sample photographs.

mod common;

use acinus::report::overlay::{OverlaySettings, overlay};

#[test]
#[ignore = "draws pictures to look at, into ACINUS_LOOK"]
fn look() {
    let dir = std::path::PathBuf::from(std::env::var("ACINUS_LOOK").expect("ACINUS_LOOK"));
    for name in ["black-unsorted-1", "white-crowded", "black-waste-1"] {
        let (photo, reading) = common::truth_reading(name);
        let start = std::time::Instant::now();
        let picture = overlay(&photo, &reading, &OverlaySettings::default()).expect("overlay");
        let drawn = start.elapsed();
        let jpeg = acinus::report::jpeg::encode(&picture, 85).expect("jpeg");
        let encoded = start.elapsed() - drawn;
        let small = acinus::report::canvas::shrink(&picture, 1600);
        let shrunk = start.elapsed() - drawn - encoded;
        let small = acinus::report::jpeg::encode(&small, 80).expect("jpeg");
        eprintln!("{name}: {drawn:?} {encoded:?} {shrunk:?} {} {}", jpeg.len(), small.len());
        std::fs::write(dir.join(format!("{name}.overlay.jpg")), jpeg).expect("write");
        std::fs::write(dir.join(format!("{name}.small.jpg")), small).expect("write");
        picture.save(dir.join(format!("{name}.overlay.png"))).expect("png");
    }
}

#[test]
#[ignore = "draws plots to look at, into ACINUS_LOOK"]
fn look_at_plots() {
    use acinus::report::plots;
    let dir = std::path::PathBuf::from(std::env::var("ACINUS_LOOK").expect("ACINUS_LOOK"));
    let mut page = String::from(
        "<body style='width:1000px;color:#222;background:#fff;font-family:sans-serif'>",
    );
    for name in ["black-waste-1", "white-crowded"] {
        let (_, reading) = common::truth_reading(name);
        page += &plots::diameter_histogram(&reading.objects, "d").expect("plot").expect("some");
        page += &plots::colour_plot(&reading.objects, "c").expect("plot").expect("some");
    }
    eprintln!("{} bytes", page.len());
    std::fs::write(dir.join("plots.html"), page).expect("write");
}

#[test]
#[ignore = "writes a report to look at, into ACINUS_LOOK"]
fn look_at_report() {
    use acinus::load::{LotSettings, WithoutSlip};
    use acinus::report::{self, Output, Outputs, PhotoResult, Run};
    let dir = std::path::PathBuf::from(std::env::var("ACINUS_LOOK").expect("ACINUS_LOOK"));
    let outputs: Outputs =
        [Output::Csv, Output::Json, Output::Overlay, Output::Report, Output::Labels].into();
    let mut photos = Vec::new();
    for name in ["black-unsorted-1", "black-unsorted-2", "black-unsorted-3", "white-crowded"] {
        let (photo, mut reading) = common::truth_reading(name);
        if name == "white-crowded" {
            reading.cautions.push("Many objects touch; their outlines are less sure.".into());
            reading.forced = true;
        }
        let start = std::time::Instant::now();
        let file = format!("sample-images/{name}.jpg");
        let sheet = report::write_photo(
            &dir,
            file.as_ref(),
            &photo,
            reading,
            &outputs,
            &Default::default(),
        )
        .expect("sheet");
        eprintln!("{name} {:?}", start.elapsed());
        photos.push(PhotoResult::Done(Box::new(sheet)));
    }
    photos.push(PhotoResult::Left(report::LeftOut {
        file: "sample-images/bad-blurred.jpg".into(),
        status: report::LeftOutStatus::Refused,
        message: "out of focus: edges are 6.1 px wide, at most 3 is allowed; focus on the fruit and take it again".into(),
    }));
    let settings = LotSettings { load_tonnes: Some(12.5), ..Default::default() };
    let start = std::time::Instant::now();
    let run = Run::new(photos, &settings, WithoutSlip::Apart);
    let page = report::html::page(&run).expect("page");
    eprintln!("page {:?} {} bytes", start.elapsed(), page.len());
    std::fs::write(dir.join("report.html"), page).expect("write");
    eprintln!("{}", report::text::table(&run));
}
