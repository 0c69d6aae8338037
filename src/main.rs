use acinus::*;
use std::path::PathBuf;
fn score_all(
    profile: &profile::Profile,
    photos: &[PathBuf],
    settings: &pipeline::Settings,
    dump: bool,
) -> Vec<score::Score> {
    let mut out = vec![];
    for p in photos {
        let name = p.file_stem().unwrap().to_string_lossy().to_string();
        let t0 = std::time::Instant::now();
        let r = match pipeline::read_tray(&name, &std::fs::read(p).unwrap(), profile, settings) {
            Ok(r) => r,
            Err(e) => {
                println!("{name}: {e}");
                continue;
            }
        };
        let secs = t0.elapsed().as_secs_f64();
        let t = score::Truth::beside(p).unwrap();
        let ids = t.ids().unwrap();
        let s = score::score(&r, &t, &ids);
        let wrong: Vec<String> = s
            .matching
            .matches
            .iter()
            .filter_map(|m| {
                let o = &r.objects[m.read as usize - 1];
                let t = t.objects.iter().find(|o| o.id == m.truth)?;
                (o.class != Some(t.cls)).then(|| {
                    format!(
                        "{}/{}:{}->{}",
                        m.truth,
                        t.kind,
                        t.cls.name(),
                        o.class.map_or("unassigned", |c| c.name())
                    )
                })
            })
            .collect();
        println!(
            "{:42} F1 {:.4} IoU {:.4} false {:2} missed {:2} n {} t {:.2} {:?} mass {:.2?} vs {:.2?} | {}",
            name,
            s.matching.f1(),
            s.matching.mean_iou(),
            s.matching.false_reads.len(),
            s.matching.missed.len(),
            r.labels.count,
            secs,
            r.fruit,
            s.masses_g[1],
            s.masses_g[0],
            wrong.join(" ")
        );
        for c in &r.cautions {
            println!("    {c}");
        }
        if std::env::var("T").is_ok() {
            println!(
                "    {:?}",
                r.timings.iter().map(|(n, s)| format!("{n} {:.0}", s * 1000.0)).collect::<Vec<_>>()
            );
        }
        if dump {
            let l = &r.labels;
            let img: image::ImageBuffer<image::Luma<u16>, Vec<u16>> =
                image::ImageBuffer::from_raw(l.width as u32, l.height as u32, l.labels.clone())
                    .unwrap();
            img.save(format!("/tmp/w/{name}.labels.png")).unwrap();
        }
        out.push(s);
    }
    out
}
fn show(s: &[score::Score]) {
    for f in score::table(s) {
        println!(
            "{:55} {:8.4} {} {:6.3} {}",
            f.name,
            f.value,
            if f.at_most { "<=" } else { ">=" },
            f.bound,
            if f.holds() { "" } else { "FAILS" }
        );
    }
}
fn main() {
    let args: Vec<String> = std::env::args().collect();
    let photos: Vec<PathBuf> = args[3..].iter().map(PathBuf::from).collect();
    let settings = pipeline::Settings::default();
    match args[1].as_str() {
        "train" => {
            let pupils = teach::open_pupils(&photos, &settings).unwrap();
            let p = teach::train(&pupils, "renderings 2026", &settings, Default::default(), |s| {
                println!("{s}")
            })
            .unwrap();
            std::fs::write(&args[2], serde_json::to_string(&p).unwrap()).unwrap();
        }
        "cv" => {
            let k: usize = args[2].parse().unwrap();
            let mut all = vec![];
            let only: Option<usize> = std::env::var("FOLD").ok().and_then(|v| v.parse().ok());
            for f in 0..k {
                if only.is_some_and(|o| o != f) {
                    continue;
                }
                let train: Vec<_> = photos
                    .iter()
                    .enumerate()
                    .filter(|(i, _)| i % k != f)
                    .map(|(_, p)| p.clone())
                    .collect();
                let test: Vec<_> = photos
                    .iter()
                    .enumerate()
                    .filter(|(i, _)| i % k == f)
                    .map(|(_, p)| p.clone())
                    .collect();
                let pupils = teach::open_pupils(&train, &settings).unwrap();
                let p = teach::train(&pupils, "cv", &settings, Default::default(), |_| {}).unwrap();
                drop(pupils);
                all.extend(score_all(&p, &test, &settings, true));
            }
            show(&all);
        }
        _ => {
            let p = profile::Profile::read(&PathBuf::from(&args[2])).unwrap();
            show(&score_all(&p, &photos, &settings, args[1] == "dump"));
        }
    }
}
