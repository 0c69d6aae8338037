//! The checks over the sample photographs: good ones pass, bad ones are refused for their reason.

use std::path::PathBuf;

use acinus::finding::{Finding, Severity};
use acinus::pipeline::{self, Error, Settings};
use acinus::profile::Profile;

fn bytes(name: &str) -> Vec<u8> {
    let path = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("sample-images").join(name);
    std::fs::read(path).expect("sample photograph")
}

fn refusals(findings: &[Finding]) -> Vec<&'static str> {
    findings.iter().filter(|f| f.severity == Severity::Refusal).map(|f| f.check).collect()
}

#[test]
fn good_photographs_are_not_refused() {
    let folder = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("sample-images");
    let mut seen = 0;
    for entry in std::fs::read_dir(folder).expect("folder") {
        let name = entry.expect("entry").file_name().to_string_lossy().into_owned();
        if !name.ends_with(".jpg") || name.starts_with("bad-") {
            continue;
        }
        let mut settings = Settings::default();
        if name == "black-no-marks.jpg" {
            settings.marks.tray_mm = Some([330.0, 250.0]);
        }
        let findings = pipeline::check(&bytes(&name), &settings).expect("readable");
        assert_eq!(refusals(&findings), Vec::<&str>::new(), "{name}");
        assert!(findings.iter().any(|f| f.check == "no-fruit"), "{name}");
        seen += 1;
    }
    assert!(seen >= 12, "{seen} photographs");
}

#[test]
fn bad_photographs_are_refused_for_their_own_reason() {
    for (name, reasons) in [
        ("bad-blurred.jpg", vec!["out-of-focus"]),
        ("bad-overexposed.jpg", vec!["over-exposed", "washed-out"]),
    ] {
        let findings = pipeline::check(&bytes(name), &Settings::default()).expect("looked at");
        assert_eq!(refusals(&findings), reasons, "{name}");
        let worst = findings.first().expect("a finding");
        assert_eq!(worst.check, reasons[0], "worst first");
        assert!(worst.value > worst.limit, "{worst:?}");
    }
}

#[test]
fn a_photograph_without_scale_is_refused_for_that() {
    let error = pipeline::check(&bytes("black-no-marks.jpg"), &Settings::default());
    assert!(matches!(error, Err(Error::Marks(_))), "{error:?}");
}

#[test]
fn reading_refuses_unless_forced_and_says_that_it_was() {
    let profile = Profile::built_in().expect("profile");
    let photograph = bytes("bad-overexposed.jpg");
    let error =
        pipeline::read_tray("x", &photograph, &profile, &Settings::default()).expect_err("refused");
    assert!(matches!(error, Error::Refused { measurable: true, .. }));
    let words = error.to_string();
    assert!(words.starts_with("over-exposed: ") && !words.contains('\n'), "{words}");

    let settings = Settings { force: true, ..Settings::default() };
    let (_, reading) = pipeline::read_tray("x", &photograph, &profile, &settings).expect("forced");
    assert!(reading.forced);
    assert_eq!(refusals(&reading.findings), ["over-exposed", "washed-out"]);

    let good = bytes("black-unsorted-1.jpg");
    let (_, reading) = pipeline::read_tray("x", &good, &profile, &settings).expect("good");
    assert!(!reading.forced, "force without need leaves no mark");
}

#[test]
fn force_cannot_measure_what_has_no_scale() {
    let settings = Settings { force: true, ..Settings::default() };
    let profile = Profile::built_in().expect("profile");
    let error = pipeline::read_tray("x", &bytes("bad-blurred.jpg"), &profile, &settings)
        .expect_err("no scale");
    let words = error.to_string();
    assert!(words.starts_with("out of focus: ") && words.contains("no scale"), "{words}");
}
