//! The checks over the sample photographs: good ones pass, bad ones are refused for their reason.

use std::path::PathBuf;

use acinus::colour;
use acinus::finding::{Finding, Severity};
use acinus::pipeline::{self, Error, Settings};
use acinus::profile::Profile;
use acinus::segment::raster;

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
    let profile = Profile::built_in().expect("profile");
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
        let findings = pipeline::check(&bytes(&name), Some(&profile), &settings).expect("readable");
        assert_eq!(refusals(&findings), Vec::<&str>::new(), "{name}");
        // Grey patches neutral after correction, wherever there is a slip.
        let cast = findings.iter().find(|f| f.check == "colour-cast");
        assert_eq!(cast.is_some(), name != "black-no-marks.jpg", "{name}");
        assert!(cast.is_none_or(|f| f.value <= Some(3.0)), "{name}: {cast:?}");
        for check in ["no-fruit", "crowded", "deep-shadow"] {
            assert!(findings.iter().any(|f| f.check == check), "{name}: {check}");
        }
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
        let findings =
            pipeline::check(&bytes(name), None, &Settings::default()).expect("looked at");
        assert_eq!(refusals(&findings), reasons, "{name}");
        let worst = findings.first().expect("a finding");
        assert_eq!(worst.check, reasons[0], "worst first");
        assert!(worst.value > worst.limit, "{worst:?}");
    }
}

#[test]
fn a_photograph_without_scale_is_refused_for_that() {
    let error = pipeline::check(&bytes("black-no-marks.jpg"), None, &Settings::default());
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

/// A sample photograph with every pixel changed by its place on the tray: `change` gets linear RGB
/// and tray millimetres.
fn changed(name: &str, change: impl Fn([f64; 3], [f64; 2]) -> [f64; 3]) -> Vec<u8> {
    let photo = acinus::photo::decode(&bytes(name)).expect("photograph");
    let marks = acinus::marks::read(&photo, &Default::default()).expect("marks");
    let mut rgb = photo.rgb;
    for (x, y, px) in rgb.enumerate_pixels_mut() {
        let linear = px.0.map(|c| f64::from(colour::linear(c)));
        let place = marks.frame.to_mm([f64::from(x), f64::from(y)]);
        px.0 = change(linear, place)
            .map(|v| (255.0 * colour::encode_srgb(v.clamp(0.0, 1.0))).round() as u8);
    }
    let mut file = std::io::Cursor::new(Vec::new());
    rgb.write_to(&mut file, image::ImageFormat::Png).expect("PNG");
    file.into_inner()
}

#[test]
fn a_shadow_over_part_of_the_tray_is_told() {
    let profile = Profile::built_in().expect("profile");
    let look = |bytes: &[u8]| {
        pipeline::check(bytes, Some(&profile), &Settings::default()).expect("looked at")
    };
    // Over the two tiles on the left, a quarter of the light is left: refused.
    let left = changed("black-unsorted-1.jpg", |rgb, [x, _]| {
        rgb.map(|v| if x < 90.0 { 0.25 * v } else { v })
    });
    let refused = refusals(&look(&left));
    assert!(refused.contains(&"uneven-light"), "{refused:?}");
    // Across the middle, between the tiles: told.
    let middle = changed("black-unsorted-1.jpg", |rgb, [x, _]| {
        rgb.map(|v| if (120.0..210.0).contains(&x) { 0.25 * v } else { v })
    });
    let shadow = look(&middle).into_iter().find(|f| f.check == "deep-shadow").expect("told");
    assert_eq!(shadow.severity, Severity::Caution, "{shadow:?}");
}

#[test]
fn an_empty_tray_has_no_fruit() {
    // The floor painted plain, but for tiles and slip.
    let photo = acinus::photo::decode(&bytes("black-unsorted-1.jpg")).expect("photograph");
    let marks = acinus::marks::read(&photo, &Default::default()).expect("marks");
    let mut rgb = photo.rgb.clone();
    let (w, h) = (rgb.width() as usize, rgb.height() as usize);
    let [tray_w, tray_h] = marks.frame.tray_mm.expect("tray");
    let outline: Vec<[f64; 2]> =
        [[1.0, 1.0], [tray_w - 1.0, 1.0], [tray_w - 1.0, tray_h - 1.0], [1.0, tray_h - 1.0]]
            .map(|m| marks.frame.to_px(m))
            .into();
    let mut state = 0x9e37_79b9_7f4a_7c15u64;
    let mut keep = vec![false; w * h];
    for paper in &marks.paper_px {
        raster::fill_polygon(paper, w, h, |y, a, b| keep[y * w + a..y * w + b].fill(true));
    }
    raster::fill_polygon(&outline, w, h, |y, a, b| {
        for x in a..b {
            if !keep[y * w + x] {
                // Grain as of a camera, a few codes either way.
                state ^= state << 13;
                state ^= state >> 7;
                state ^= state << 17;
                let grain = (state >> 60) as u8;
                rgb.put_pixel(x as u32, y as u32, image::Rgb([190 + grain; 3]));
            }
        }
    });
    let mut file = std::io::Cursor::new(Vec::new());
    rgb.write_to(&mut file, image::ImageFormat::Png).expect("PNG");
    let file = file.into_inner();
    let profile = Profile::built_in().expect("profile");
    let findings = pipeline::check(&file, Some(&profile), &Settings::default()).expect("looked at");
    assert_eq!(refusals(&findings), ["no-fruit"], "{findings:?}");
    let error = pipeline::read_tray("x", &file, &profile, &Settings::default());
    assert!(error.is_err_and(|e| e.to_string().starts_with("no fruit: 0 objects")));
}
