use acinus::*;
use std::path::PathBuf;
fn prep(p: &PathBuf) -> Option<(photo::Photo, score::Truth, frame::TrayFrame, colour::Light, Vec<Vec<[f64;2]>>)> {
    let t = score::Truth::beside(p).unwrap();
    let photo = photo::read(p).unwrap();
    let m = match marks::read(&photo, &Default::default()) { Ok(m) => m, Err(e) => { println!("{}: {e}", p.display()); return None; } };
    let c: Vec<_> = m.tiles.iter().map(|t| t.centre_mm).collect();
    let s = colour::paper_samples(&photo, &m.frame, &c, 12.4, 14.2);
    let light = colour::Light::from_paper(&s).unwrap();
    Some((photo, t, m.frame, light, m.paper_px))
}
fn main() {
    let args: Vec<String> = std::env::args().collect();
    let photos: Vec<PathBuf> = args[3..].iter().map(PathBuf::from).collect();
    let settings = segment::SegmentSettings::default();
    let scene_of = |d: &(photo::Photo, score::Truth, frame::TrayFrame, colour::Light, Vec<Vec<[f64;2]>>)| -> segment::Prepared {
        let scene = segment::Scene { photo: &d.0, tray_px: Some(segment::tray_outline(&d.2, d.1.scene.tray_mm, 0.5)), paper_px: &d.4, light: &d.3, px_per_mm: d.2.px_per_mm };
        segment::prepare(&scene, &settings)
    };
    if args[1] == "train" {
        let lessons: Vec<teach::Lesson> = photos.iter().filter_map(|p| { let d = prep(p)?; let prepared = scene_of(&d);
            let target = teach::Target::new(&prepared, &d.1.ids().unwrap()); println!("{} rms {:?} ppm {:.4} vs {}", p.display(), d.2.reprojection_rms_px, d.2.px_per_mm, d.1.scene.px_per_mm_centre); Some(teach::Lesson { prepared, target }) }).collect();
        let m = teach::train_segment(&lessons, &settings, Default::default(), |s| println!("{s}"));
        std::fs::write(&args[2], serde_json::to_string(&m).unwrap()).unwrap();
    } else {
        let m: segment::SegmentModel = serde_json::from_str(&std::fs::read_to_string(&args[2]).unwrap()).unwrap();
        for p in &photos {
            let Some(d) = prep(p) else { continue };
            let t0 = std::time::Instant::now();
            let scene = segment::Scene { photo: &d.0, tray_px: Some(segment::tray_outline(&d.2, d.1.scene.tray_mm, 0.5)), paper_px: &d.4, light: &d.3, px_per_mm: d.2.px_per_mm };
            let prepared = segment::prepare(&scene, &settings);
            let t1 = t0.elapsed().as_secs_f64();
            let l = segment::segment(&scene, &prepared, &settings, &m);
            let t2 = t0.elapsed().as_secs_f64();
            let ids = d.1.ids().unwrap();
            let s = score::match_labels(&l, &ids);
            let small = d.1.objects.iter().map(|o| (o.id, o.kind.clone(), o.visible_px)).collect::<Vec<_>>();
            let miss: Vec<_> = s.missed.iter().map(|i| small.iter().find(|o| o.0 == *i).map(|o| format!("{}:{}:{}", o.0, o.1, o.2)).unwrap_or_default()).collect();
            println!("{:45} F1 {:.4} IoU {:.4} false {} missed {} n {} t {:.2} {:.2} | {}", d.1.scene.name, s.f1(), s.mean_iou(), s.false_reads.len(), s.missed.len(), l.count, t1, t2, miss.join(" "));
            if args[1] == "dump" {
                let img: image::ImageBuffer<image::Luma<u16>, Vec<u16>> = image::ImageBuffer::from_raw(l.width as u32, l.height as u32, l.labels.clone()).unwrap();
                img.save(format!("/tmp/w/{}.labels.png", d.1.scene.name)).unwrap();
            }
        }
    }
}
