use acinus::*;
use std::path::PathBuf;
fn truth_frame(t: &score::Truth, w: f64, h: f64) -> Option<frame::TrayFrame> {
    let lens = frame::Lens { k1: t.scene.k1, centre_px: [(w - 1.0) / 2.0, (h - 1.0) / 2.0], half_width_px: w / 2.0 };
    let mut src = vec![]; let mut dst = vec![];
    for tile in &t.scene.tiles { let s = tile.symbol_mm / 2.0;
        for (k, c) in tile.corners_px.iter().enumerate() {
            let sx = [-s, s, s, -s][k]; let sy = [-s, -s, s, s][k];
            src.push([tile.x_mm + sx, tile.y_mm + sy]); dst.push(lens.undistort(*c)); } }
    if src.len() < 4 { return None; }
    let n = src.len();
    let mut a = nalgebra::DMatrix::<f64>::zeros(2 * n, 8); let mut b = nalgebra::DVector::<f64>::zeros(2 * n);
    for i in 0..n { let [x, y] = src[i]; let [u, v] = dst[i];
        for (j, val) in [x, y, 1.0, 0.0, 0.0, 0.0, -x * u, -y * u].into_iter().enumerate() { a[(2 * i, j)] = val; }
        for (j, val) in [0.0, 0.0, 0.0, x, y, 1.0, -x * v, -y * v].into_iter().enumerate() { a[(2 * i + 1, j)] = val; }
        b[2 * i] = u; b[2 * i + 1] = v; }
    let s = a.clone().svd(true, true).solve(&b, 1e-14).ok()?;
    let m = nalgebra::Matrix3::new(s[0], s[1], s[2], s[3], s[4], s[5], s[6], s[7], 1.0);
    let inv = m.try_inverse()?;
    let arr = |m: &nalgebra::Matrix3<f64>| [[m[(0,0)],m[(0,1)],m[(0,2)]],[m[(1,0)],m[(1,1)],m[(1,2)]],[m[(2,0)],m[(2,1)],m[(2,2)]]];
    let mut f = frame::TrayFrame { source: frame::FrameSource::FourTiles, tray_mm: Some(t.scene.tray_mm), mm_to_px: arr(&m), px_to_mm: arr(&inv), lens,
        camera_mm: t.scene.camera_mm, camera_source: frame::CameraSource::FocalLength, px_per_mm: 1.0, reprojection_rms_px: None };
    let mut e = 0.0; for tile in &t.scene.tiles { let s = tile.symbol_mm / 2.0; for (k, c) in tile.corners_px.iter().enumerate() {
        let q = f.to_px([tile.x_mm + [-s, s, s, -s][k], tile.y_mm + [-s, -s, s, s][k]]); e += (q[0]-c[0]).powi(2) + (q[1]-c[1]).powi(2); } }
    f.reprojection_rms_px = Some((e / n as f64).sqrt());
    f.px_per_mm = 1.0 / f.px_area_mm2(f.to_px([t.scene.tray_mm[0]/2.0, t.scene.tray_mm[1]/2.0])).sqrt();
    Some(f)
}
fn prep(p: &PathBuf) -> Option<(photo::Photo, score::Truth, frame::TrayFrame, colour::Light, Vec<Vec<[f64;2]>>)> {
    let t = score::Truth::beside(p).unwrap();
    let photo = photo::read(p).unwrap();
    let f = truth_frame(&t, photo.rgb.width() as f64, photo.rgb.height() as f64)?;
    let c: Vec<_> = t.scene.tiles.iter().map(|t| [t.x_mm, t.y_mm]).collect();
    let s = colour::paper_samples(&photo, &f, &c, 12.4, 14.2);
    let light = colour::Light::from_paper(&s).unwrap();
    let mut paper = vec![];
    for c in &c { paper.push([[-16.,-16.],[16.,-16.],[16.,16.],[-16.,16.]].iter().map(|d: &[f64;2]| f.to_px([c[0]+d[0], c[1]+d[1]])).collect()); }
    // slip: x 0..34, y 85..160 roughly
    paper.push([[3.,80.],[33.,80.],[33.,165.],[3.,165.]].iter().map(|d: &[f64;2]| f.to_px(*d)).collect::<Vec<_>>());
    Some((photo, t, f, light, paper))
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
