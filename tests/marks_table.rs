//! Table of how well marks are read over a directory of photographs with truth; run by hand:
//! `ACINUS_PHOTOS=/work/shared/photos cargo test --release --test marks_table -- --ignored --nocapture`
#![allow(clippy::print_stdout, clippy::unwrap_used)]

use std::time::Instant;

use acinus::marks::{MarksSettings, read};

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
    println!(
        "{:36} tiles slip  cornRMS cornMAX reproj  h_err%  k1      k1true  scale%  ms",
        "photograph"
    );
    let (mut sum, mut count) = (0.0, 0usize);
    for path in names {
        let name = path.file_stem().unwrap().to_string_lossy().to_string();
        let truth: serde_json::Value =
            serde_json::from_str(&std::fs::read_to_string(&path).unwrap()).unwrap();
        let scene = &truth["scene"];
        let t0 = Instant::now();
        let photo = acinus::photo::read(&path.with_extension("jpg")).unwrap();
        let decode_ms = t0.elapsed().as_secs_f64() * 1e3;
        let mut best = f64::INFINITY;
        let mut result = None;
        for _ in 0..3 {
            let t0 = Instant::now();
            let settings = MarksSettings::default();
            result = Some(read(&photo, &settings));
            best = best.min(t0.elapsed().as_secs_f64() * 1e3);
        }
        let marks = match result.unwrap() {
            Ok(m) => m,
            Err(e) => {
                println!("{name:36} {e}  {best:.1} ms");
                continue;
            }
        };
        if std::env::var("ACINUS_CORNERS").is_ok()
            && let Some(s) = &marks.slip
        {
            println!("slip {name} {:?}", s.corners_px.map(|p| marks.frame.to_mm(p)));
        }
        if let Ok(dir) = std::env::var("ACINUS_PAPER") {
            let all: Vec<_> = marks.paper_px.to_vec();
            let patches: Vec<_> = marks.slip.iter().flat_map(|s| s.patches.clone()).collect();
            std::fs::write(
                format!("{dir}/{name}.paper.json"),
                serde_json::to_string(&(all, patches)).unwrap(),
            )
            .unwrap();
        }
        let (mut s, mut n, mut worst) = (0.0, 0usize, 0.0f64);
        for t in scene["tiles"].as_array().unwrap() {
            let key = t["text"].as_str().unwrap().split(' ').nth(1).unwrap().chars().next();
            let Some(tile) = marks.tiles.iter().find(|m| Some(m.name) == key) else { continue };
            for k in 0..4 {
                let d = (tile.corners_px[k][0] - t["corners_px"][k][0].as_f64().unwrap())
                    .hypot(tile.corners_px[k][1] - t["corners_px"][k][1].as_f64().unwrap());
                s += d * d;
                n += 1;
                worst = worst.max(d);
                if std::env::var("ACINUS_CORNERS").is_ok() {
                    println!(
                        "corner {} {k} {:?} {}",
                        tile.name, tile.corners_px[k], t["corners_px"][k]
                    );
                }
            }
        }
        if !name.starts_with("bad") {
            sum += s;
            count += n;
        }
        let height = scene["camera_mm"][2].as_f64().unwrap();
        let want = scene["slip"]["text"].as_str().map(str::to_owned);
        let got = marks.slip.as_ref().map(|s| format!("LOAD1 {}", s.text));
        println!(
            "{name:36} {}/{}   {}  {:7.3} {worst:7.3} {:6.3} {:7.2} {:8.4} {:8.4} {:7.3} {best:5.1} (decode {decode_ms:.0})",
            marks.tiles.len(),
            marks.tiles.iter().filter(|t| t.read).count(),
            if want == got { "ok " } else { "BAD" },
            (s / n.max(1) as f64).sqrt(),
            marks.frame.reprojection_rms_px.unwrap_or(f64::NAN),
            (marks.frame.camera_mm[2] / height - 1.0) * 100.0,
            marks.frame.lens.k1,
            scene["k1"].as_f64().unwrap(),
            scale_error(&marks.frame, scene),
        );
    }
    println!("corner RMS over all good: {:.4} px", (sum / count.max(1) as f64).sqrt());
}

/// Largest relative error of local scale over the tray, percent, against a frame fitted to the
/// true corners.
fn scale_error(frame: &acinus::frame::TrayFrame, scene: &serde_json::Value) -> f64 {
    use acinus::frame::{FitPrior, fit_points, invert};
    let (mut mm, mut px) = (Vec::new(), Vec::new());
    for t in scene["tiles"].as_array().unwrap() {
        let (x, y) = (t["x_mm"].as_f64().unwrap(), t["y_mm"].as_f64().unwrap());
        let h = t["symbol_mm"].as_f64().unwrap() / 2.0;
        for (k, (sx, sy)) in [(-1.0, -1.0), (1.0, -1.0), (1.0, 1.0), (-1.0, 1.0)].iter().enumerate()
        {
            mm.push([x + sx * h, y + sy * h]);
            px.push([
                t["corners_px"][k][0].as_f64().unwrap(),
                t["corners_px"][k][1].as_f64().unwrap(),
            ]);
        }
    }
    let size = |k: usize| scene["size"][k].as_u64().unwrap() as u32;
    let prior = FitPrior { corner_sd_px: 0.003, k1_chi2: 0.0, ..FitPrior::default() };
    let Some(fit) = fit_points(&mm, &[], &px, size(0), size(1), &prior) else { return f64::NAN };
    let truth = acinus::frame::TrayFrame {
        px_to_mm: invert(&fit.mm_to_px).unwrap(),
        mm_to_px: fit.mm_to_px,
        lens: fit.lens,
        ..frame.clone()
    };
    let tray = |k: usize| scene["tray_mm"][k].as_f64().unwrap();
    let mut worst = 0.0f64;
    for i in 0..=10 {
        for j in 0..=10 {
            let m = [tray(0) * f64::from(i) / 10.0, tray(1) * f64::from(j) / 10.0];
            worst = worst.max((frame.px_per_mm_at(m) / truth.px_per_mm_at(m) - 1.0).abs());
        }
    }
    worst * 100.0
}
