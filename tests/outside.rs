//! Checks of colour, geometry, scores and segmentation against published tables and reference
//! libraries. Where each file under `tests/data` comes from is written in its README.

#![allow(clippy::unwrap_used)]

use std::path::{Path, PathBuf};

use acinus::classify::Class;
use acinus::colour::{self, Light};
use acinus::frame::{CameraSource, FrameSource, Lens, TrayFrame};
use acinus::measure::{Measures, Silhouette, measure};
use acinus::photo::{self, Photo};
use acinus::score::calibration_error;
use acinus::segment::distance::squared_distance;
use acinus::segment::evidence::otsu;
use acinus::segment::split::components;
use acinus::segment::{
    LabelMap, Scene, SegmentSettings, TrayArea, prepare, segment_by_contrast, work,
};

fn data(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data").join(name)
}

/// The rows of a CSV with one header line, each row's cells found by the column's name.
struct Table {
    names: Vec<String>,
    rows: Vec<Vec<String>>,
}

impl Table {
    fn read(name: &str) -> Table {
        let path = data("check-values").join(name);
        let mut reader = csv::Reader::from_path(&path).expect("table");
        let names = reader.headers().expect("header").iter().map(str::to_owned).collect();
        let rows: Vec<Vec<String>> =
            reader.records().map(|r| r.expect("row").iter().map(str::to_owned).collect()).collect();
        assert!(!rows.is_empty(), "{name} is empty");
        Table { names, rows }
    }

    fn place(&self, column: &str) -> usize {
        self.names.iter().position(|n| n == column).expect(column)
    }

    fn text(&self, row: usize, column: &str) -> &str {
        &self.rows[row][self.place(column)]
    }

    fn number(&self, row: usize, column: &str) -> f64 {
        self.text(row, column).parse().expect(column)
    }

    fn numbers<const N: usize>(&self, row: usize, columns: [&str; N]) -> [f64; N] {
        columns.map(|c| self.number(row, c))
    }
}

fn near(value: f64, wanted: f64, bound: f64, what: &str) {
    assert!((value - wanted).abs() <= bound, "{what}: {value} against {wanted} (bound {bound})");
}

/// Sharma, Wu, Dalal (2005), Color Research & Application 30:21-30, Table 1: all 34 pairs, printed
/// with four decimals.
#[test]
fn ciede2000_of_all_published_pairs() {
    let table = Table::read("ciede2000.csv");
    assert_eq!(table.rows.len(), 34);
    for i in 0..table.rows.len() {
        let p = table.numbers(i, ["L1", "a1", "b1"]);
        let q = table.numbers(i, ["L2", "a2", "b2"]);
        let d = colour::delta_e2000(p, q);
        let pair = format!("pair {}", table.text(i, "pair"));
        // Half a unit of the last printed decimal; the tenth decimal of colour-science 0.4.7.
        near(d, table.number(i, "dE00_published"), 0.500_1e-4, &pair);
        near(d, table.number(i, "dE00_computed"), 1e-9, &pair);
        near(colour::delta_e2000(q, p), d, 1e-12, &pair);
        near(colour::delta_e76(p, q), table.number(i, "dE76_computed"), 1e-9, &pair);
    }
}

/// ICC HDR working group slides (2020), four decimals.
#[test]
fn ciede2000_of_the_icc_slides() {
    let p = [84.25, 5.74, 96.0];
    for (q, wanted) in [
        ([84.46, 8.88, 96.49], 1.6743),
        ([84.52, 5.75, 93.09], 0.5887),
        ([84.37, 5.86, 99.42], 0.6395),
    ] {
        near(colour::delta_e2000(p, q), wanted, 0.500_1e-4, "slide");
    }
    near(colour::delta_e2000([0.0; 3], [100.0, 0.0, 0.0]), 100.0, 1e-9, "black and white");
}

/// IEC 61966-2-1 and CIE 15; the table is colour-science 0.4.7's with the standard's four-decimal
/// matrix.
#[test]
fn cielab_of_srgb() {
    let table = Table::read("srgb_lab.csv");
    for i in 0..table.rows.len() {
        let name = table.text(i, "name");
        let rgb = table.numbers(i, ["R", "G", "B"]);
        let xyz = colour::xyz_from_linear(rgb.map(|c| colour::decode_srgb(c / 255.0)));
        let wanted_xyz = table.numbers(i, ["X", "Y", "Z"]);
        let wanted = table.numbers(i, ["L", "a", "b"]);
        for c in 0..3 {
            // The table's six decimals.
            near(xyz[c], wanted_xyz[c], 0.500_1e-6, name);
        }
        // Under the table's own white: its four decimals.
        let same_white = colour::lab_from_xyz(xyz, [0.95047, 1.0, 1.08883]);
        // Ours is the row sums, 0.9505, 1, 1.0890, so that greys are exactly neutral: X and Z count
        // for 3.2e-5 and 1.57e-4 less. Cube roots up to 1 move by a third of that, a* by 500 and b*
        // by 500 and 200 times that: at most 0.0053 and 0.0105. L* does not change.
        let ours = colour::lab_from_srgb(rgb.map(|c| c as u8));
        for (c, white_bound) in [0.0, 0.0053, 0.0105].into_iter().enumerate() {
            near(same_white[c], wanted[c], 0.500_1e-4, name);
            near(ours[c], wanted[c], 0.500_1e-4 + white_bound, name);
        }
        if rgb[0] == rgb[1] && rgb[1] == rgb[2] {
            near(colour::chroma(ours), 0.0, 1e-9, name);
        }
    }
}

/// The decoding of 8-bit codes (IEC 61966-2-1) and L* of Y (CIE 15), by colour-science 0.4.7.
#[test]
fn decoding_and_lightness() {
    for (code, wanted) in [
        (0u8, 0.0),
        (1, 0.000_303_53),
        (10, 0.003_035_27),
        (11, 0.003_346_54),
        (64, 0.051_269_46),
        (118, 0.181_164_24),
        (128, 0.215_860_50),
        (188, 0.502_886_46),
        (254, 0.991_102_10),
        (255, 1.0),
    ] {
        let v = colour::decode_srgb(f64::from(code) / 255.0);
        near(v, wanted, 0.500_1e-8, "decoded");
        near(f64::from(colour::linear(code)), v, 1e-7, "table of codes");
        near(colour::encode_srgb(v) * 255.0, f64::from(code), 1e-4, "encoded again");
    }
    for (y, wanted) in [
        (0.001, 0.903_296),
        (0.01, 8.991_442),
        (0.18, 49.496_108),
        (0.5, 76.069_261),
        (0.9, 95.996_769),
    ] {
        near(colour::lab_from_linear([y; 3])[0], wanted, 0.500_1e-6, "L*");
    }
}

/// The way back from CIELAB (CIE 15) for every eighth sRGB colour.
#[test]
fn linear_light_of_cielab() {
    for code in (0..32 * 32 * 32u32).map(|i| [i % 32, i / 32 % 32, i / 1024].map(|c| (c * 8) as u8))
    {
        let wanted = code.map(|c| colour::decode_srgb(f64::from(c) / 255.0));
        let lab = colour::lab_from_linear(wanted);
        for (got, wanted) in colour::linear_from_lab(lab).into_iter().zip(wanted) {
            near(got, wanted, 2e-4, "linear light");
        }
    }
}

/// The fast conversion promises 0.05; the exact one is checked above.
#[test]
fn fast_cielab_is_near_the_exact_one() {
    let codes: Vec<u8> = (0..=255).step_by(5).collect();
    for &r in &codes {
        for &g in &codes {
            for &b in &codes {
                let exact = colour::lab_from_srgb([r, g, b]);
                let fast = colour::fast_lab()
                    .of_block([r, g, b].map(|code| [colour::linear(code)]))
                    .map(|[v]| v);
                for c in 0..3 {
                    near(f64::from(fast[c]), exact[c], 0.05, "fast");
                }
            }
        }
    }
}

fn grid<T>(name: &str, value: impl Fn(&str) -> T) -> (Vec<T>, usize) {
    let text = std::fs::read_to_string(data("check-values").join(name)).expect("grid");
    let width = text.lines().next().expect("line").split(',').count();
    (text.lines().flat_map(|l| l.split(',')).map(|v| value(v.trim())).collect(), width)
}

/// scipy 1.17.1 (and brute force): squared distance of each 1 to the nearest 0. The mask's rim is
/// all 0, so that it does not matter that we count what lies beyond the border as 0 as well.
#[test]
fn euclidean_distance_transform() {
    let (mask, width) = grid("edt_mask.csv", |v| v == "1");
    let (wanted, _) = grid("edt_squared.csv", |v| v.parse::<f32>().expect("number"));
    let height = mask.len() / width;
    let rim = |i: usize| {
        let (x, y) = (i % width, i / width);
        x == 0 || y == 0 || x + 1 == width || y + 1 == height
    };
    assert!((0..mask.len()).all(|i| !rim(i) || !mask[i]));
    assert!(mask.contains(&true));
    assert_eq!(squared_distance(&mask, width), wanted);
    // Without the rim, our rule for the border stands in for it.
    let inside = |i: &usize| !rim(*i);
    let cropped: Vec<bool> = (0..mask.len()).filter(inside).map(|i| mask[i]).collect();
    let wanted: Vec<f32> = (0..mask.len()).filter(inside).map(|i| wanted[i]).collect();
    assert_eq!(squared_distance(&cropped, width - 2), wanted);
}

/// scikit-image 0.26.0 and OpenCV 5.0.0 agree: 107 for scikit-image's coins, 45117 pixels above.
#[test]
fn otsu_of_the_coins() {
    let table = Table::read("coins_histogram.csv");
    let mut counts = [0u64; 256];
    for i in 0..table.rows.len() {
        counts[table.number(i, "grey") as usize] = table.number(i, "count") as u64;
    }
    let threshold = otsu(&counts);
    assert_eq!(threshold, 107);
    assert_eq!(counts[threshold + 1..].iter().sum::<u64>(), 45_117);
    // The histogram is that of the picture under tests/data/photos.
    let mut own = [0u64; 256];
    let picture = image::open(data("photos/coins.png")).expect("coins").into_luma8();
    picture.pixels().for_each(|p| own[usize::from(p.0[0])] += 1);
    assert_eq!(own, counts);
}

/// imageproc, an independent implementation: Otsu's threshold, the squared distance transform and
/// the number of 8-connected components, on a photograph of touching coins.
#[test]
fn imageproc_agrees_on_a_photograph() {
    use imageproc::distance_transform::euclidean_squared_distance_transform;
    use imageproc::region_labelling::{Connectivity, connected_components};

    let picture = image::open(data("photos/coins.png")).expect("coins").into_luma8();
    let (width, height) = picture.dimensions();
    let mut counts = [0u64; 256];
    picture.pixels().for_each(|p| counts[usize::from(p.0[0])] += 1);
    let level = imageproc::contrast::otsu_level(&picture);
    assert_eq!(otsu(&counts), usize::from(level));

    // Its transform gives the distance to the nearest lit pixel, and nothing lies beyond its
    // border; ours takes all beyond for background, so both get a dark rim.
    let on = |x: u32, y: u32| {
        let inside = x > 0 && y > 0 && x + 1 < width && y + 1 < height;
        inside && picture.get_pixel(x, y).0[0] > level
    };
    let mask: Vec<bool> = (0..width * height).map(|i| on(i % width, i / width)).collect();
    let off = image::GrayImage::from_fn(width, height, |x, y| image::Luma([u8::from(!on(x, y))]));
    let theirs = euclidean_squared_distance_transform(&off);
    let ours = squared_distance(&mask, width as usize);
    assert!(ours.iter().zip(theirs.pixels()).all(|(a, b)| f64::from(*a) == b.0[0]));

    let lit = image::GrayImage::from_fn(width, height, |x, y| image::Luma([u8::from(on(x, y))]));
    let eight = connected_components(&lit, Connectivity::Eight, image::Luma([0]));
    let four = connected_components(&lit, Connectivity::Four, image::Luma([0]));
    let count = |picture: &image::ImageBuffer<image::Luma<u32>, Vec<u32>>| {
        picture.pixels().map(|p| p.0[0]).max().unwrap_or(0) as usize
    };
    let found = components(&mask, width as usize, true).len();
    assert!(count(&eight) < count(&four));
    assert_eq!(found, count(&eight));
}

/// A frame of one millimetre a pixel, from so high that there is no parallax.
fn flat_frame(width: u32, height: u32) -> TrayFrame {
    let same = [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]];
    TrayFrame {
        source: FrameSource::GivenScale,
        tray_mm: None,
        mm_to_px: same,
        px_to_mm: same,
        lens: Lens::centred(width, height, 0.0),
        camera_mm: [f64::from(width) / 2.0, f64::from(height) / 2.0, 1e9],
        camera_source: CameraSource::Given,
        px_per_mm: 1.0,
        reprojection_rms_px: None,
    }
}

fn measured_mask(name: &str) -> (Measures, Silhouette) {
    // Too small to pass for a photograph, so the picture is opened as it is.
    let path = data("masks").join(format!("{name}.png"));
    let photo = Photo {
        rgb: image::open(&path).expect("mask").into_rgb8(),
        grey: true,
        exif: Default::default(),
        sha256: String::new(),
        notes: Vec::new(),
    };
    let (width, height) = photo.rgb.dimensions();
    let labels = LabelMap {
        width: width as usize,
        height: height as usize,
        labels: photo.rgb.pixels().map(|p| u16::from(p.0[0] > 127)).collect(),
        count: 1,
    };
    let window = [0, 0, width as usize, height as usize];
    let light = Light::none();
    let work = work::reduce(&photo, window, &light, 1.0);
    let mut all = measure(&labels, &work, &flat_frame(width, height));
    assert_eq!(all.len(), 1);
    all.remove(0)
}

/// scikit-image 0.26.0 and OpenCV 5.0.0 on eight shapes.
#[test]
fn region_measures() {
    let table = Table::read("regionprops.csv");
    assert_eq!(table.rows.len(), 8);
    for i in 0..table.rows.len() {
        let name = table.text(i, "mask");
        let (m, silhouette) = measured_mask(name);
        let value = |column: &str| table.number(i, column);
        let area = value("area_px");
        assert_eq!(f64::from(m.area_px), area, "{name}");
        near(m.row, value("centroid_row"), 1e-8, name);
        near(m.col, value("centroid_col"), 1e-8, name);
        // From 1e9 px up, a ball of 20 px is magnified by 2e-8.
        near(m.seen_area_mm2, area, 1e-9 * area, name);
        near(m.circle_diameter_mm, value("equiv_diameter"), 1e-5, name);
        // scikit-image's axes are 4·√eigenvalue of the pixel centres' moments; ours add the pixel's
        // own 1/12 to each moment, which adds 16/12 to the squared axis.
        let axis = |column: &str| (value(column).powi(2) + 16.0 / 12.0).sqrt();
        near(m.length_mm, axis("major_axis_len"), 1e-5, name);
        near(m.width_mm, axis("minor_axis_len"), 1e-5, name);
        let [xx, _, yy] = silhouette.moments_mm2;
        near(
            xx + yy,
            (axis("major_axis_len").powi(2) + axis("minor_axis_len").powi(2)) / 16.0,
            1e-5,
            name,
        );
        // Crofton's formula with four directions, as in scikit-image's `perimeter_crofton`.
        let perimeter = (4.0 * std::f64::consts::PI * area / m.circularity).sqrt();
        near(perimeter, value("perimeter_crofton_4dir"), 1e-6, name);
        // Our hull goes around the pixels' corners: that of the pixels' centres (OpenCV) widened by
        // a unit square, whose area is larger by the two extents between centres and 1
        // (Steiner's formula). scikit-image counts pixels instead.
        let wide = value("bbox_c1") - value("bbox_c0") - 1.0;
        let high = value("bbox_r1") - value("bbox_r0") - 1.0;
        let hull = value("cv_hull_area") + wide + high + 1.0;
        near(m.solidity, area / hull, 1e-9, name);
        near(m.inner_width_mm, 2.0 * value("edt_max"), 1e-5, name);
    }
}

/// Exact pinhole geometry, checked by angles and by brute-force rasterising when the table was
/// made: the ball's silhouette on the floor gives back its radius and the point it rests on.
#[test]
fn silhouettes_of_balls() {
    let table = Table::read("sphere_silhouette.csv");
    for i in 0..table.rows.len() {
        let [h, r, s, centre, radial, tangential] = table.numbers(
            i,
            [
                "H_mm",
                "r_mm",
                "s_mm",
                "silhouette_centre_mm",
                "semi_radial_mm",
                "semi_tangential_mm",
            ],
        );
        for turn in [0.0f64, 0.7, 2.0, 4.5] {
            let camera = [150.0, -40.0, h];
            let (sin, cos) = turn.sin_cos();
            // An ellipse's second moments are a quarter of its squared semi-axes.
            let (rr, tt) = (radial * radial / 4.0, tangential * tangential / 4.0);
            let silhouette = Silhouette {
                centre_mm: [camera[0] + cos * centre, camera[1] + sin * centre],
                area_mm2: std::f64::consts::PI * radial * tangential,
                moments_mm2: [
                    cos * cos * rr + sin * sin * tt,
                    cos * sin * (rr - tt),
                    sin * sin * rr + cos * cos * tt,
                ],
            };
            let ball = silhouette.ball(camera);
            let what = format!("H {h}, r {r}, s {s}, {turn} rad");
            // The table has eight decimals.
            near(ball.area_mm2, std::f64::consts::PI * r * r, 1e-5, &what);
            near(ball.length_mm, 2.0 * r, 1e-6, &what);
            near(ball.width_mm, 2.0 * r, 1e-6, &what);
            near(ball.foot_mm[0], camera[0] + cos * s, 1e-6, &what);
            near(ball.foot_mm[1], camera[1] + sin * s, 1e-6, &what);
        }
    }
}

/// Expected calibration error over ten bins: ten cases by the formula of Naeini et al. (2015),
/// right-closed bins.
#[test]
fn calibration_error_of_ten_cases() {
    let p = [0.05, 0.15, 0.22, 0.35, 0.38, 0.55, 0.62, 0.71, 0.88, 0.97];
    let y = [false, false, false, true, false, true, true, false, true, true];
    // The stated probability stands first and the others are 0, so that it is the top one.
    let judged: Vec<([f64; 4], Class)> = p
        .into_iter()
        .zip(y)
        .map(|(p, y)| ([p, 0.0, 0.0, 0.0], if y { Class::Sound } else { Class::Debris }))
        .collect();
    near(calibration_error(&judged), 0.238, 1e-12, "ten cases");
}

/// The same of the top class (Guo et al. 2017), for linear discriminant analysis of the iris data
/// by scikit-learn 1.9.1: 150 posteriors.
#[test]
fn calibration_error_of_the_iris_posteriors() {
    let table = Table::read("iris_posteriors.csv");
    assert_eq!(table.rows.len(), 150);
    let judged: Vec<([f64; 4], Class)> = (0..150)
        .map(|i| {
            let [a, b, c] = table.numbers(i, ["lda_n_0", "lda_n_1", "lda_n_2"]);
            ([a, b, c, 0.0], Class::ALL[table.number(i, "class") as usize])
        })
        .collect();
    // Posteriors with eight decimals.
    near(calibration_error(&judged), 0.015_011_435_9, 1e-8, "iris");
}

/// Segments one of the three photographs with the tray checks off. They have no scale; we give one
/// at which the pixels are work pixels (four a millimetre) and the objects, about 50 px across, are
/// the size of a berry, 12 mm.
fn objects(name: &str, sha256: &str) -> LabelMap {
    let photo: Photo = photo::read(&data("photos").join(name)).expect("photograph");
    assert_eq!(photo.sha256, sha256, "{name} is not the file that was counted");
    let light = Light::none();
    let scene = Scene {
        photo: &photo,
        tray: TrayArea::Whole,
        paper_px: &[],
        light: &light,
        px_per_mm: work::WORK_PX_PER_MM,
    };
    // Nothing below a fifth of such a berry's 113 mm² counts: rounded corners of the scans.
    let mut settings = SegmentSettings::default();
    settings.split.smallest_mm2 = 22.0;
    segment_by_contrast(&scene, &prepare(&scene, &settings), &settings)
}

/// One object for each of the table's, its centroid within five pixels of the table's (which one
/// pipeline of scikit-image gave; the counts were made by eye). Returns how many have an area within
/// a tenth of the table's.
fn agrees(labels: &LabelMap, table: &str) -> usize {
    let table = Table::read(table);
    let mut sums = vec![[0.0f64; 3]; labels.count + 1];
    for (i, l) in labels.labels.iter().enumerate() {
        let s = &mut sums[usize::from(*l)];
        s[0] += 1.0;
        s[1] += (i / labels.width) as f64;
        s[2] += (i % labels.width) as f64;
    }
    let mut free: Vec<[f64; 3]> = sums[1..].iter().map(|[n, y, x]| [*n, y / n, x / n]).collect();
    let mut like = 0;
    for i in 0..table.rows.len() {
        let [y, x, area] = table.numbers(i, ["centroid_row", "centroid_col", "area_px"]);
        let found = free.iter().position(|f| (f[1] - y).hypot(f[2] - x) < 5.0);
        let found = free.swap_remove(found.unwrap_or_else(|| panic!("none at {y}, {x}: {free:?}")));
        like += usize::from((found[0] - area).abs() <= 0.1 * area);
    }
    like
}

/// scikit-image's coins: 24, apart, in uneven light.
#[test]
fn coins_apart() {
    let sha = "f8d773fc9cfa6f4d8e5942dc34d0a0788fcaed2a4fefbbed0aef5398d7ef4cba";
    let labels = objects("coins.png", sha);
    assert_eq!(labels.count, 24);
    // One coin comes out a third larger: the bare floor around it is lighter than the floor above
    // and below it, which so stands out on the dark side.
    assert_eq!(agrees(&labels, "coins_regions.csv"), 23);
}

/// OpenCV's touching coins: 24 in one clump, one of them cut by the left edge.
#[test]
fn coins_in_one_clump() {
    let sha = "7d95ab25d7ace50dbebbcc5ca66b48f837709ed0089bd4b31bcbdddb5c3030b8";
    let labels = objects("touching_coins.jpg", sha);
    assert_eq!(labels.count, 24);
    assert_eq!(agrees(&labels, "water_coins_regions.csv"), 24);
}

/// OpenCV's coloured sweets with soft shadows: 14, four of them at the edge, one pair touching.
#[test]
fn coloured_sweets() {
    let sha = "ad3f751c053fdcf432687c1bc0e56a61a9119d2bb2ae29365f8aa6534fc77417";
    let labels = objects("smarties.png", sha);
    assert_eq!(labels.count, 14);
    assert_eq!(agrees(&labels, "smarties_regions.csv"), 14);
}
