#![allow(clippy::unwrap_used)]

use super::*;
use crate::photo::ExifFacts;
use image::Rgb;
use proptest::prelude::*;

fn modules_of(text: &str) -> refine::Modules {
    let code = qrcode::QrCode::with_version(
        text.as_bytes(),
        qrcode::Version::Normal(2),
        qrcode::EcLevel::M,
    )
    .unwrap();
    let size = code.width();
    let dark: Vec<bool> = code.to_colors().iter().map(|c| *c == qrcode::Color::Dark).collect();
    let grey = dark.iter().map(|d| if *d { 40.0 } else { 220.0 }).collect();
    refine::Modules { size, dark, grey }
}

fn matrix(text: &str) -> refine::Modules {
    let rows: Vec<&str> = text.lines().filter(|l| !l.starts_with('#') && !l.is_empty()).collect();
    let size = rows.len();
    let dark: Vec<bool> = rows.iter().flat_map(|r| r.bytes().map(|b| b == b'1')).collect();
    assert_eq!(dark.len(), size * size);
    let grey = dark.iter().map(|d| if *d { 40.0 } else { 220.0 }).collect();
    refine::Modules { size, dark, grey }
}

fn mirrored(m: &refine::Modules) -> refine::Modules {
    let n = m.size;
    let at = |k: usize| m.dark[(k % n) * n + k / n];
    let dark: Vec<bool> = (0..n * n).map(at).collect();
    let grey = dark.iter().map(|d| if *d { 40.0 } else { 220.0 }).collect();
    refine::Modules { size: n, dark, grey }
}

/// A printed symbol with its paper, lying in the tray frame.
struct Printed {
    modules: refine::Modules,
    /// Tray mm of the symbol's top-left corner, and of one module to the right.
    at: Mm,
    along: Mm,
}

/// Ink level at a tray point: paper, ink or floor.
fn level(prints: &[Printed], m: Mm) -> f64 {
    for p in prints {
        let d = [m[0] - p.at[0], m[1] - p.at[1]];
        let s2 = p.along[0] * p.along[0] + p.along[1] * p.along[1];
        let u = (d[0] * p.along[0] + d[1] * p.along[1]) / s2;
        let v = (d[1] * p.along[0] - d[0] * p.along[1]) / s2;
        let n = p.modules.size as f64;
        if (-3.0..n + 3.0).contains(&u) && (-3.0..n + 3.0).contains(&v) {
            let inside = u >= 0.0 && v >= 0.0 && u < n && v < n;
            let dark = inside && p.modules.dark[v as usize * p.modules.size + u as usize];
            return if dark { 40.0 } else { 220.0 };
        }
    }
    150.0
}

/// Renders prints through a homography and lens, 4 x 4 samples a pixel, with noise.
fn render(prints: &[Printed], frame: &TrayFrame, w: u32, h: u32, noise: f64) -> RgbImage {
    let mut picture = RgbImage::new(w, h);
    let stride = w as usize * 3;
    picture.as_mut().par_chunks_mut(stride).enumerate().for_each(|(y, row)| {
        let mut state = 88_172_645_463_325_252u64 ^ (y as u64 + 1).wrapping_mul(0x9e37_79b9);
        for x in 0..w as usize {
            let mut sum = 0.0;
            for j in 0..4 {
                for i in 0..4 {
                    let p = [
                        x as f64 + (f64::from(i) - 1.5) / 4.0,
                        y as f64 + (f64::from(j) - 1.5) / 4.0,
                    ];
                    sum += level(prints, frame.to_mm(p));
                }
            }
            state ^= state << 13;
            state ^= state >> 7;
            state ^= state << 17;
            let shake = ((state >> 40) as f64 / f64::from(1u32 << 24) - 0.5) * 3.46 * noise;
            let v = (sum / 16.0 + shake).clamp(0.0, 255.0).round() as u8;
            row[3 * x..3 * x + 3].fill(v);
        }
    });
    picture
}

fn photo_of(rgb: RgbImage, focal_35mm: Option<f64>) -> Photo {
    Photo {
        rgb,
        grey: true,
        exif: ExifFacts { focal_35mm, taken: None },
        sha256: String::new(),
        notes: Vec::new(),
    }
}

fn tile_print(name: char, x: f64, y: f64, side: f64, scale: f64) -> Printed {
    let modules = modules_of(&format!("TRAY1 {name} {x:.1} {y:.1} {side:.1}"));
    let module = side * scale / modules.size as f64;
    let half = side * scale / 2.0;
    Printed { modules, at: [x - half, y - half], along: [module, 0.0] }
}

fn slip_print(text: &str, at: Mm, angle: f64) -> Printed {
    let modules = modules_of(text);
    let module = layout::SLIP_SYMBOL_MM / modules.size as f64;
    Printed { modules, at, along: [module * angle.cos(), module * angle.sin()] }
}

fn four_tiles(scale: f64) -> Vec<Printed> {
    [('A', 18.0, 18.0), ('B', 142.0, 18.0), ('C', 142.0, 102.0), ('D', 18.0, 102.0)]
        .map(|(n, x, y)| tile_print(n, x, y, 24.0, scale))
        .into()
}

/// A frame over a small tray of 160 x 120 mm for a picture of 1200 x 900 px: turned by `turn`
/// with some perspective and lens.
fn test_frame(turn: f64, k1: f64) -> TrayFrame {
    let (w, h) = (1200, 900);
    let lens = frame::Lens::centred(w, h, k1);
    let (s, c) = turn.sin_cos();
    // A picture turned on its side holds less of the tray.
    let zoom = 5.6;
    let [cx, cy] = lens.centre_px;
    let turned = [
        [zoom * c, -zoom * s, cx - zoom * (c * 80.0 - s * 60.0)],
        [zoom * s, zoom * c, cy - zoom * (s * 80.0 + c * 60.0)],
        [0.0, 0.0, 1.0],
    ];
    let lean = [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [4e-5, -6e-5, 1.0]];
    let back = [[1.0, 0.0, cx], [0.0, 1.0, cy], [0.0, 0.0, 1.0]];
    let fore = [[1.0, 0.0, -cx], [0.0, 1.0, -cy], [0.0, 0.0, 1.0]];
    let m = frame::compose(&back, &frame::compose(&lean, &frame::compose(&fore, &turned)));
    TrayFrame {
        source: FrameSource::FourTiles,
        tray_mm: Some([160.0, 120.0]),
        mm_to_px: m,
        px_to_mm: frame::invert(&m).unwrap(),
        lens,
        camera_mm: [80.0, 60.0, 300.0],
        camera_source: CameraSource::Given,
        px_per_mm: zoom,
        reprojection_rms_px: None,
    }
}

#[test]
fn format_bits_as_the_standard_prints_them() {
    // ISO/IEC 18004, Annex C. Levels as the format bits code them: L 1, M 0, Q 3, H 2.
    for (level, mask, want) in [
        (1, 0, "111011111000100"),
        (1, 1, "111001011110011"),
        (0, 0, "101010000010010"),
        (0, 1, "101000100100101"),
        (0, 7, "100101010100000"),
        (3, 0, "011010101011111"),
        (3, 7, "010101111101101"),
        (2, 0, "001011010001001"),
        (2, 7, "000100000111011"),
    ] {
        assert_eq!(format!("{:015b}", decode::format_bits(level, mask)), want);
    }
}

#[test]
fn symbols_of_an_independent_encoder_are_read() {
    // Encoded with segno (ISO/IEC 18004).
    for (file, text) in [
        (include_str!("../../tests/data/qr_matrix.txt"), "LOT-2026-0917 T03"),
        (include_str!("../../tests/data/qr_v1_m_mask0.txt"), "GRAPE TRAY 01"),
    ] {
        let m = matrix(file);
        assert_eq!(m.fixed_agreement(), 1.0);
        assert_eq!(decode::text(&m), Some((text.into(), false)));
        assert_eq!(decode::text(&mirrored(&m)), Some((text.into(), true)));
        // Three modules damaged are corrected, and the orientation still told.
        let mut hurt = m.clone();
        for k in [12, 13, 14] {
            let at = k * m.size + 12;
            hurt.dark[at] = !hurt.dark[at];
            hurt.grey[at] = 260.0 - hurt.grey[at];
        }
        assert_eq!(decode::text(&hurt), Some((text.into(), false)));
    }
    let all_dark = refine::Modules { size: 25, dark: vec![true; 625], grey: vec![0.0; 625] };
    assert_eq!(decode::text(&all_dark), None);
}

#[test]
fn a_picture_of_a_symbol_is_found_and_read() {
    // Drawn with segno: 4 px a module, quiet zone of 4 modules, so that the symbol's corners are
    // at 16 and 116 px; with whole-number pixel centres that is 15.5 and 115.5.
    let small = image::load_from_memory(include_bytes!("../../tests/data/qr_lot.png")).unwrap();
    let small = small.into_rgb8();
    let mut picture = RgbImage::from_pixel(400, 300, Rgb([255; 3]));
    image::imageops::replace(&mut picture, &small, 150, 90);
    let symbols = search(&picture, 1, &MarksSettings::default());
    assert_eq!(symbols.len(), 1);
    let s = &symbols[0];
    assert_eq!(s.words, Some(Words::Other("LOT-2026-0917 T03".into())));
    let want = [[165.5, 105.5], [265.5, 105.5], [265.5, 205.5], [165.5, 205.5]];
    for (p, w) in s.fitted.place.corners().iter().zip(want) {
        assert!((p[0] - w[0]).hypot(p[1] - w[1]) < 0.05, "{p:?} for {w:?}");
    }
    // One foreign symbol is no scale.
    let error = read(&photo_of(picture, None), &MarksSettings::default()).unwrap_err();
    assert_eq!(error, MarksError::NoScale { tiles: 0 });
}

#[test]
fn words_are_ours_or_not() {
    assert_eq!(
        decode::words("TRAY1 A 18.0 18.0 24.0"),
        Words::Tile { name: 'A', centre_mm: [18.0, 18.0], side_mm: 24.0 }
    );
    assert_eq!(
        decode::words("LOAD1 HV-0417 UNSORTED T12"),
        Words::Slip(SlipText { load: "HV-0417".into(), lot: "UNSORTED".into(), tray: 12 })
    );
    for other in [
        "",
        "TRAY1 E 18.0 18.0 24.0",
        "TRAY1 A 18.0 18.0",
        "TRAY1 A NaN 18.0 24.0",
        "TRAY1 A 18.0 18.0 -24.0",
        "TRAY2 A 18.0 18.0 24.0",
        "LOAD1 HV_0417 UNSORTED T1",
        "LOAD1 hv UNSORTED T1",
        "LOAD1 HV UNSORTED 1",
        "LOAD1 HV UNSORTED T-1",
        "LOAD1 HV UNSORTED T1 X",
        "https://example.org",
    ] {
        assert_eq!(decode::words(other), Words::Other(other.into()), "{other}");
    }
}

#[test]
fn what_the_standard_fixes() {
    // Against symbols of an independent encoder: every module that we call fixed is so in both.
    for file in [
        include_str!("../../tests/data/qr_matrix.txt"),
        include_str!("../../tests/data/qr_v1_m_mask0.txt"),
    ] {
        let m = matrix(file);
        let n = m.size as i64;
        for y in -1..=n {
            for x in -1..=n {
                let inside = (0..n).contains(&x) && (0..n).contains(&y);
                let real = inside && m.dark[(y * n + x) as usize];
                assert!(refine::fixed_module(m.size, x, y).is_none_or(|f| f == real), "{x} {y}");
            }
        }
    }
    // 3 finder patterns with separators of 8 x 8, 2 x 5 timing modules, one alignment pattern of
    // 5 x 5, which in version 2 touches none of them.
    let fixed = (0..25 * 25).filter(|k| refine::fixed_module(25, k % 25, k / 25).is_some()).count();
    assert_eq!(fixed, 3 * 64 + 2 * 9 + 25);
}

#[test]
fn reducing_takes_means() {
    let picture = RgbImage::from_fn(7, 5, |x, y| Rgb([(10 * x + y) as u8; 3]));
    let g = find::reduce(&picture, 2);
    assert_eq!((g.width, g.height), (3, 2));
    // Mean of 0, 10, 1, 11 and so on, rounded down.
    assert_eq!(g.data, vec![5, 25, 45, 7, 27, 47]);
    assert_eq!(find::reduce(&picture, 1).data[8], 11);
}

/// A homography fitted to a symbol that the lens bends is off at the corners; told what the lens
/// is, it is right again. The place is one where the whole reading was off by 0.16 px before.
#[test]
fn corners_follow_the_lens() {
    let f = test_frame(-1.84, 0.02);
    let lattice: Vec<[f64; 2]> =
        (0..25 * 25).map(|k| [k % 25, k / 25].map(|v| (f64::from(v) + 0.5) / 25.0)).collect();
    let at = |p: [f64; 2]| f.to_px([6.0 + 24.0 * p[0], 90.0 + 24.0 * p[1]]);
    let seen: Vec<Px> = lattice.iter().map(|p| at(*p)).collect();
    let fitted = frame::homography(&lattice, &seen).unwrap();
    let unit = [[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 1.0]];
    let corners = unit.map(|p| frame::apply(&fitted, p));
    let off = |corners: &[Px; 4]| {
        let each = corners.iter().zip(unit).map(|(c, p)| (c[0] - at(p)[0]).hypot(c[1] - at(p)[1]));
        each.fold(0.0, f64::max)
    };
    assert!(off(&corners) > 0.1, "{}", off(&corners));
    let through = refine::corners_through(&corners, &f.lens);
    assert!(off(&through) < 0.01, "{}", off(&through));
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(12))]
    #[test]
    fn rendered_trays_are_read_at_any_turn(
        turn in -3.1f64..3.1, k1 in -0.012f64..0.02, noise in 0.0f64..8.0, scale in 0.99f64..1.01,
    ) {
        let truth = test_frame(turn, k1);
        let mut prints = four_tiles(scale);
        prints.push(slip_print("LOAD1 HV-0417 WASTE T3", [70.0, 80.0], turn * 1.7));
        let photo = photo_of(render(&prints, &truth, 1200, 900, noise), None);
        // A tile may lie outside a turned picture; those that are wholly in it must be read.
        let visible: Vec<&Printed> = prints[..4]
            .iter()
            .filter(|p| {
                let e = 25.0 * p.along[0];
                [[0.0, 0.0], [e, 0.0], [e, e], [0.0, e]].iter().all(|d| {
                    let q = truth.to_px([p.at[0] + d[0], p.at[1] + d[1]]);
                    (12.0..1187.0).contains(&q[0]) && (12.0..887.0).contains(&q[1])
                })
            })
            .collect();
        prop_assume!(visible.len() >= 2);
        let marks = read(&photo, &MarksSettings::default()).unwrap();
        prop_assert!(marks.tiles.iter().filter(|t| t.read).count() >= visible.len());
        for t in &marks.tiles {
            for (p, m) in t.corners_px.iter().zip(t.corners_mm()) {
                let m = [0, 1].map(|k| t.centre_mm[k] + (m[k] - t.centre_mm[k]) * scale);
                let q = truth.to_px(m);
                prop_assert!((p[0] - q[0]).hypot(p[1] - q[1]) < 0.15, "{p:?} for {q:?}");
            }
        }
        if marks.tiles.len() == 4 {
            prop_assert_eq!(marks.frame.tray_mm, Some([160.0, 120.0]));
            prop_assert!(marks.frame.reprojection_rms_px.unwrap() < 0.15);
            for m in [[0.0, 0.0], [80.0, 60.0], [160.0, 120.0]] {
                let ratio = marks.frame.px_per_mm_at(m) / truth.px_per_mm_at(m);
                prop_assert!((ratio - 1.0).abs() < 0.003, "{ratio}");
            }
        }
        let slip = marks.slip.unwrap();
        prop_assert_eq!(slip.text.to_string(), "HV-0417 WASTE T3");
        prop_assert_eq!(slip.patches.len(), 6);
        prop_assert_eq!(marks.paper_px.len(), marks.tiles.len() + 1);
    }
}

#[test]
fn the_slip_gives_its_patches_wherever_it_lies() {
    let f = test_frame(0.4, 0.01);
    for angle in [0.0f64, -1.57, 2.2] {
        let (s, c) = angle.sin_cos();
        let place = |p: Mm| [50.0 + c * p[0] - s * p[1], 40.0 + s * p[0] + c * p[1]];
        let [x, y] = layout::SLIP_SYMBOL_AT_MM;
        let n = layout::SLIP_SYMBOL_MM;
        let corners = [[x, y], [x + n, y], [x + n, y + n], [x, y + n]].map(|p| f.to_px(place(p)));
        let pose = layout::SlipPose::from_symbol(&corners, &f);
        assert!((pose.scale() - 1.0).abs() < 1e-6);
        let patches = layout::slip_patches(&pose, &f, 0.6);
        for (k, (code, quad)) in patches.iter().enumerate() {
            assert_eq!(*code, layout::SLIP_PATCH_CODES[k]);
            let first = [29.0 + 6.4 * k as f64 + 1.2, 21.2];
            let last = [first[0] + 3.6, first[1] + 3.6];
            for (p, m) in [(quad[0], first), (quad[2], last)] {
                let q = f.to_px(place(m));
                assert!((p[0] - q[0]).hypot(p[1] - q[1]) < 1e-6);
            }
        }
        let paper = layout::slip_paper(&pose, &f, 0.0);
        let corner = f.to_px(place([0.0, 0.0]));
        assert!((paper[0][0] - corner[0]).hypot(paper[0][1] - corner[1]) < 1e-6);
        assert_eq!(paper.len(), 16);
    }
}

fn tile(name: char, x: f64, y: f64) -> Tile {
    Tile { name, centre_mm: [x, y], side_mm: 24.0, corners_px: [[0.0; 2]; 4], read: true }
}

#[test]
fn words_that_contradict_are_told() {
    let good = [tile('A', 18.0, 18.0), tile('B', 312.0, 18.0), tile('C', 312.0, 232.0)];
    assert_eq!(check_words(&good), Ok(()));
    assert_eq!(implied_tray(&good), Some([330.0, 250.0]));
    assert_eq!(predicted(&good), vec![('D', [18.0, 232.0], 24.0)]);
    assert_eq!(implied_tray(&good[..2]), None);
    assert!(predicted(&good[..2]).is_empty());
    // Opposite tiles place the other two.
    let opposite = [tile('B', 312.0, 18.0), tile('D', 18.0, 232.0)];
    assert_eq!(predicted(&opposite), vec![('A', [18.0, 18.0], 24.0), ('C', [312.0, 232.0], 24.0)]);

    let mixed = [tile('B', 312.0, 18.0), tile('C', 402.0, 282.0)];
    let error = check_words(&mixed).unwrap_err().to_string();
    assert!(error.contains("B says x = 312 mm, C says 402 mm"), "{error}");
    let swapped = [tile('A', 312.0, 18.0), tile('B', 18.0, 18.0)];
    assert!(check_words(&swapped).is_err());
}

#[test]
fn wrong_sets_are_told_and_never_guessed_over() {
    let f = test_frame(0.0, 0.0);
    let settings = MarksSettings::default();
    let shoot =
        |prints: &[Printed]| read(&photo_of(render(prints, &f, 1200, 900, 2.0), None), &settings);

    // A second tile A in the middle.
    let mut prints = four_tiles(1.0);
    let mut second = tile_print('A', 18.0, 18.0, 24.0, 1.0);
    second.at = [68.0, 48.0];
    prints.push(second);
    assert_eq!(shoot(&prints).unwrap_err(), MarksError::TwiceTheSameTile { name: 'A' });

    // Two slips.
    let mut prints = four_tiles(1.0);
    prints.push(slip_print("LOAD1 HV-1 UNSORTED T1", [45.0, 25.0], 0.0));
    prints.push(slip_print("LOAD1 HV-2 UNSORTED T1", [85.0, 70.0], 0.5));
    let error = shoot(&prints).unwrap_err();
    assert!(matches!(error, MarksError::TwoSlips { .. }), "{error}");

    // Tile C lies 4 mm from where its text says.
    let mut prints = four_tiles(1.0);
    prints[2].at[0] -= 4.0;
    prints[2].at[1] -= 4.0;
    let error = shoot(&prints).unwrap_err();
    assert!(matches!(error, MarksError::TilesContradict { .. }), "{error}");

    // Tiles of two trays: C was printed for a larger one.
    let mut prints = four_tiles(1.0);
    let mut other = tile_print('C', 402.0, 282.0, 24.0, 1.0);
    other.at = prints[2].at;
    prints[2] = other;
    let error = shoot(&prints).unwrap_err();
    assert!(matches!(error, MarksError::TilesContradict { .. }), "{error}");
    assert!(error.to_string().contains("B says x = 142 mm, C says 402 mm"), "{error}");
    // Two tiles alone, of two trays, that lie across each other: nothing in common to contradict
    // but their distance.
    let error = shoot(&[prints.remove(0), prints.remove(1)]).unwrap_err();
    assert!(matches!(error, MarksError::TilesContradict { .. }), "{error}");

    // Printed at 94 %.
    let error = shoot(&four_tiles(0.94)).unwrap_err().to_string();
    assert!(error.contains("94 % of true size"), "{error}");
    // Printed at 98 %: measured, and noted.
    let marks = shoot(&four_tiles(0.98)).unwrap();
    assert!(marks.notes.iter().any(|n| n.contains("98.0 % of true size")), "{:?}", marks.notes);
    assert!((marks.frame.px_per_mm / f.px_per_mm_at([80.0, 60.0]) - 1.0).abs() < 0.002);
    // Two of them at 94 %.
    let error = shoot(&four_tiles(0.94)[..2]).unwrap_err();
    assert!(matches!(error, MarksError::TilesContradict { .. }), "{error}");

    // The whole picture mirrored.
    let rgb = render(&four_tiles(1.0), &f, 1200, 900, 2.0);
    let flipped = image::imageops::flip_horizontal(&rgb);
    assert_eq!(read(&photo_of(flipped, None), &settings).unwrap_err(), MarksError::Mirrored);
}

#[test]
fn a_tile_that_cannot_be_read_serves_by_its_place() {
    let f = test_frame(0.1, 0.005);
    let mut rgb = render(&four_tiles(1.0), &f, 1200, 900, 2.0);
    // Grey blot over the middle of tile B: too much for the error correction.
    let centre = f.to_px([142.0, 18.0]);
    for y in 0..900 {
        for x in 0..1200 {
            if (f64::from(x) - centre[0]).hypot(f64::from(y) - centre[1]) < 38.0 {
                rgb.put_pixel(x, y, Rgb([110; 3]));
            }
        }
    }
    let marks = read(&photo_of(rgb, None), &MarksSettings::default()).unwrap();
    assert_eq!(marks.tiles.len(), 4);
    let b = marks.tiles.iter().find(|t| t.name == 'B').unwrap();
    assert!(!b.read);
    assert!(marks.notes.iter().any(|n| n.contains("tile B is known by its place")));
    for (p, m) in b.corners_px.iter().zip(b.corners_mm()) {
        let q = f.to_px(m);
        assert!((p[0] - q[0]).hypot(p[1] - q[1]) < 0.4, "{p:?} for {q:?}");
    }
}

#[test]
fn scale_given_by_hand() {
    let blank = photo_of(RgbImage::from_pixel(600, 450, Rgb([180; 3])), None);
    let none = MarksSettings::default();
    assert_eq!(read(&blank, &none).unwrap_err(), MarksError::NoScale { tiles: 0 });
    let tray = MarksSettings { tray_mm: Some([330.0, 250.0]), ..none.clone() };
    assert!(matches!(read(&blank, &tray).unwrap_err(), MarksError::NoFloor { .. }));
    let scale = MarksSettings { px_per_mm: Some(1.5), ..none.clone() };
    let marks = read(&blank, &scale).unwrap();
    assert_eq!(marks.frame.source, FrameSource::GivenScale);
    assert!((marks.frame.px_per_mm - 1.5).abs() < 1e-9);
    assert!((marks.frame.px_area_mm2([300.0, 200.0]) - 1.0 / 2.25).abs() < 1e-9);
    assert_eq!(marks.frame.camera_source, CameraSource::Default);
    assert!(marks.notes.iter().any(|n| n.contains("no focal length")));
    // 1.5 px per mm and 40 mm equivalent: f = 40 / 43.27 x 750 px, over 1.5 px per mm.
    let with_focal = photo_of(RgbImage::from_pixel(600, 450, Rgb([180; 3])), Some(40.0));
    let marks = read(&with_focal, &scale).unwrap();
    let height = 40.0 / frame::FILM_DIAGONAL_MM * 750.0 / 1.5;
    assert!((marks.frame.camera_mm[2] / height - 1.0).abs() < 1e-9);
    assert_eq!(marks.frame.camera_source, CameraSource::FocalLength);
    let both = MarksSettings { camera_mm: Some([10.0, 20.0, 500.0]), ..scale.clone() };
    let marks = read(&with_focal, &both).unwrap();
    assert_eq!(marks.frame.camera_mm, [10.0, 20.0, 500.0]);
    assert_eq!(marks.frame.camera_source, CameraSource::Given);
    for wrong in [0.0, -3.0, f64::NAN, f64::INFINITY] {
        let s = MarksSettings { px_per_mm: Some(wrong), ..none.clone() };
        assert!(read(&blank, &s).is_err(), "{wrong}");
    }
}

#[test]
fn tiles_win_over_a_scale_given_by_hand() {
    let f = test_frame(0.0, 0.0);
    let rgb = render(&four_tiles(1.0), &f, 1200, 900, 2.0);
    let settings = MarksSettings {
        px_per_mm: Some(3.0),
        tray_mm: Some([300.0, 200.0]),
        ..MarksSettings::default()
    };
    let marks = read(&photo_of(rgb, None), &settings).unwrap();
    assert_eq!(marks.frame.source, FrameSource::FourTiles);
    assert_eq!(marks.frame.tray_mm, Some([160.0, 120.0]));
    assert!(marks.notes.iter().any(|n| n.contains("given by hand was not used")));
}

/// A tray with sloping walls whose light fades towards the crease, through a frame.
fn tray_picture(f: &TrayFrame, size: [f64; 2], w: u32, h: u32) -> RgbImage {
    RgbImage::from_fn(w, h, |x, y| {
        let m = f.to_mm([f64::from(x), f64::from(y)]);
        // Distance inside (positive) or outside the floor's rectangle.
        let inside = m[0].min(m[1]).min(size[0] - m[0]).min(size[1] - m[1]);
        let v = if inside >= 0.0 {
            110.0 + 70.0 * (1.0 - (-inside / 8.0).exp())
        } else if inside > -6.0 {
            110.0 - inside * 15.0
        } else if inside > -9.0 {
            215.0
        } else {
            130.0
        };
        Rgb([v as u8; 3])
    })
}

#[test]
fn the_floor_is_found_by_its_creases() {
    let f = test_frame(0.06, 0.008);
    let rgb = tray_picture(&f, [160.0, 120.0], 1200, 900);
    for size in [[160.0, 120.0], [120.0, 160.0]] {
        let floor = floor::find(&rgb, size, None).unwrap();
        assert_eq!(floor.tray_mm, [160.0, 120.0]);
        for (p, m) in floor.ideal_corners_px.iter().zip([
            [0.0, 0.0],
            [160.0, 0.0],
            [160.0, 120.0],
            [0.0, 120.0],
        ]) {
            let p = floor.lens.distort(*p);
            let q = f.to_px(m);
            assert!((p[0] - q[0]).hypot(p[1] - q[1]) < 0.8, "{p:?} for {q:?}");
        }
        assert!((floor.lens.k1 - 0.008).abs() < 0.002, "{}", floor.lens.k1);
    }
    // A tray of quite other proportions is not found in it.
    assert!(floor::find(&rgb, [200.0, 100.0], None).is_none());
    let on_its_side = image::imageops::rotate90(&rgb);
    let floor = floor::find(&on_its_side, [160.0, 120.0], None).unwrap();
    assert_eq!(floor.tray_mm, [120.0, 160.0]);
}
