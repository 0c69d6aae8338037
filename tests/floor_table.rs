//! The tray floor found in photographs with truth; run by hand like `marks_table`.
#![allow(clippy::print_stdout, clippy::unwrap_used)]

use acinus::marks::{MarksSettings, floor, read};

#[test]
#[ignore = "needs a directory of photographs, named by ACINUS_PHOTOS"]
fn table() {
    let dir = std::env::var("ACINUS_PHOTOS").unwrap();
    let mut names: Vec<_> = std::fs::read_dir(&dir)
        .unwrap()
        .filter_map(|e| e.ok())
        .map(|e| e.path())
        .filter(|p| p.extension().is_some_and(|e| e == "json"))
        .collect();
    names.sort();
    for path in names {
        let name = path.file_stem().unwrap().to_string_lossy().to_string();
        let truth: serde_json::Value =
            serde_json::from_str(&std::fs::read_to_string(&path).unwrap()).unwrap();
        let tray = [0, 1].map(|k| truth["scene"]["tray_mm"][k].as_f64().unwrap());
        let photo = acinus::photo::read(&path.with_extension("jpg")).unwrap();
        let (w, h) = photo.rgb.dimensions();
        let focal = photo.exif.focal_35mm.map(|f| acinus::frame::focal_px(f, w, h, 0.0));
        let t0 = std::time::Instant::now();
        let found = floor::find(&photo.rgb, tray, focal);
        let ms = t0.elapsed().as_secs_f64() * 1e3;
        let Some(f) = found else {
            println!("{name:40} not found {ms:.0} ms");
            continue;
        };
        let corners = f.ideal_corners_px.map(|c| f.lens.distort(c));
        let mut off = String::new();
        if let Ok(m) = read(&photo, &MarksSettings::default()) {
            for (k, m_mm) in [[0.0, 0.0], [tray[0], 0.0], tray, [0.0, tray[1]]].iter().enumerate() {
                let p = m.frame.to_px(*m_mm);
                let d = corners
                    .iter()
                    .map(|c| (c[0] - p[0]).hypot(c[1] - p[1]))
                    .fold(f64::INFINITY, f64::min);
                off += &format!(" {k}:{d:.1}");
            }
        } else {
            off = format!("{corners:.1?}");
        }
        println!(
            "{name:40} rms {:.2} seen {:.2?} k1 {:.4} ({}) corners off px{off} {ms:.0} ms",
            f.rms_px, f.seen, f.lens.k1, truth["scene"]["k1"]
        );
    }
}
