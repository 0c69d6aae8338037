//! Printed sheets as a printer and a camera would see them: rendered to pixels by poppler (Debian
//! poppler-utils), read by zbar (Debian zbar-tools) and by our own reader, and measured.
#![allow(clippy::unwrap_used)]

use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use acinus::colour::{decode_srgb, encode_srgb};
use acinus::frame::{self, FrameSource};
use acinus::marks::layout::{self, tile_centres, tile_text};
use acinus::marks::{MarksSettings, find, read};
use acinus::photo::{ExifFacts, Photo};
use acinus::pipeline::{self, Settings};
use image::{GrayImage, Rgb, RgbImage};

#[path = "common/debian.rs"]
mod debian;

use debian::debian;

/// Resolution of the renderings, and pixels for one millimetre.
const DPI: f64 = 300.0;
const PX_PER_MM: f64 = DPI / 25.4;
/// How far a printed length may be off, mm.
const TRUE_TO_MM: f64 = 0.1;

struct Desk(tempfile::TempDir);

impl Desk {
    fn new() -> Desk {
        Desk(tempfile::tempdir().unwrap())
    }

    fn path(&self, name: &str) -> PathBuf {
        self.0.path().join(name)
    }

    fn acinus(&self, args: &[&str]) -> Output {
        Command::new(env!("CARGO_BIN_EXE_acinus"))
            .args(args)
            .current_dir(self.0.path())
            .output()
            .unwrap()
    }

    /// Runs the program, which must succeed, and gives the file that it wrote.
    fn make(&self, args: &[&str], name: &str) -> PathBuf {
        let ended = self.acinus(&[args, &["--out", name]].concat());
        assert!(ended.status.success(), "{}", String::from_utf8_lossy(&ended.stderr));
        self.path(name)
    }
}

/// The pages of a PDF as poppler draws them.
fn pages(pdf: &Path) -> Vec<RgbImage> {
    let dir = tempfile::tempdir().unwrap();
    let stem = dir.path().join("page");
    let (dpi, stem, pdf) = (DPI.to_string(), stem.display().to_string(), pdf.display().to_string());
    debian("pdftoppm", "poppler-utils", &["-r", &dpi, "-png", &pdf, &stem]);
    let mut files: Vec<PathBuf> =
        std::fs::read_dir(dir.path()).unwrap().map(|e| e.unwrap().path()).collect();
    files.sort();
    files.iter().map(|f| image::open(f).unwrap().into_rgb8()).collect()
}

/// An SVG as resvg draws it, on white.
fn drawn(svg: &Path) -> RgbImage {
    let text = std::fs::read_to_string(svg).unwrap();
    let tree = resvg::usvg::Tree::from_str(&text, &resvg::usvg::Options::default()).unwrap();
    // Without a unit of its own, usvg takes 96 px for an inch.
    let zoom = DPI / 96.0;
    let side = |v: f32| (f64::from(v) * zoom).round() as u32;
    let (w, h) = (side(tree.size().width()), side(tree.size().height()));
    let mut canvas = resvg::tiny_skia::Pixmap::new(w, h).unwrap();
    canvas.fill(resvg::tiny_skia::Color::WHITE);
    let scale = resvg::tiny_skia::Transform::from_scale(zoom as f32, zoom as f32);
    resvg::render(&tree, scale, &mut canvas.as_mut());
    RgbImage::from_fn(w, h, |x, y| {
        let p = canvas.pixel(x, y).unwrap();
        Rgb([p.red(), p.green(), p.blue()])
    })
}

/// The texts that zbar reads in a picture, sorted.
fn zbar(picture: &RgbImage) -> Vec<String> {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("page.png");
    picture.save(&path).unwrap();
    let said = debian(
        "zbarimg",
        "zbar-tools",
        &["--raw", "-q", "-Sdisable", "-Sqrcode.enable", &path.display().to_string()],
    );
    let mut texts: Vec<String> =
        String::from_utf8(said).unwrap().lines().map(str::to_owned).collect();
    texts.sort();
    texts
}

/// A symbol on a rendered page.
struct Found {
    text: String,
    /// Left, top, right, bottom edge of its modules, px from the page's corner, to sub-pixel.
    edges: [f64; 4],
}

impl Found {
    fn centre(&self) -> [f64; 2] {
        let [l, t, r, b] = self.edges;
        [(l + r) / 2.0, (t + b) / 2.0]
    }

    fn sides_mm(&self) -> [f64; 2] {
        let [l, t, r, b] = self.edges;
        [(r - l) / PX_PER_MM, (b - t) / PX_PER_MM]
    }
}

/// Finds the symbols with our own search, measures their edges by how much ink there is, and has
/// zbar read each alone.
fn symbols(page: &RgbImage) -> Vec<Found> {
    let grey = image::imageops::grayscale(page);
    let ink = |x: u32, y: u32| 1.0 - f64::from(grey.get_pixel(x, y).0[0]) / 255.0;
    let finders = find::finders(&find::reduce(page, 1), 40);
    let mut found: Vec<Found> = find::triples(&finders, 500)
        .iter()
        .filter_map(|triple| {
            let [a, b, c] = triple.finders.map(|k| finders[k].at);
            let upright = (a[1] - b[1]).abs() < 2.0 && (a[0] - c[0]).abs() < 2.0 && a[0] < b[0];
            if triple.size != 25 || !upright {
                return None;
            }
            // Centres of the patterns are 18 modules apart and 3.5 from the symbol's edges.
            let module = (b[0] - a[0]) / 18.0;
            let [l, t] = [a[0], a[1]].map(|v| (v - 3.5 * module) as i32);
            let [r, b] = [b[0], c[1]].map(|v| (v + 3.5 * module) as i32);
            // The outer ring of the finder patterns is solid along the upper and the left edge.
            // From three modules inside, the ink is followed outwards; the pixel where it ends is
            // dark by the part that it covers.
            let [half, three] = [0.6, 3.0].map(|m| (m * module) as i32);
            let end = |from: i32, step: i32, at: &dyn Fn(u32) -> f64| -> f64 {
                let mut k = from;
                while at(k as u32) > 0.99 {
                    k += step;
                }
                let covered = at(k as u32);
                if step > 0 { f64::from(k) + covered } else { f64::from(k + 1) - covered }
            };
            let across = |k: u32| ink(k, (t + half) as u32);
            let down = |k: u32| ink((l + half) as u32, k);
            let edges = [
                end(l + three, -1, &across),
                end(t + three, -1, &down),
                end(r - three - half, 1, &across),
                end(b - three - half, 1, &down),
            ];
            // The quiet zone on a tile is 3 mm wide.
            let rim = (2.5 * PX_PER_MM) as u32;
            let [x, y] = [edges[0], edges[1]].map(|v| v as u32 - rim);
            let [w, h] = [edges[2], edges[3]].map(|v| v as u32 + rim);
            let alone = image::imageops::crop_imm(page, x, y, w - x, h - y).to_image();
            // Patterns of neighbours make triples too; those say nothing.
            let text = zbar(&alone).pop()?;
            Some(Found { text, edges })
        })
        .collect();
    found.sort_by(|a, b| a.text.cmp(&b.text));
    found.dedup_by(|a, b| a.text == b.text);
    found
}

/// Middle of the ink of one line between two places, px; `at` gives the ink at a place.
fn middle(from: f64, to: f64, at: impl Fn(i32) -> f64) -> f64 {
    let (mut sum, mut moment) = (0.0, 0.0);
    for k in from.round() as i32..to.round() as i32 {
        sum += at(k);
        moment += at(k) * (f64::from(k) + 0.5);
    }
    assert!(sum > 0.5, "no line between {from} and {to}");
    moment / sum
}

/// The four cut lines about a symbol, px: left, top, right, bottom. Each is looked for within
/// 1 mm of `expected`, along the stretch `beside` the symbol that is free of letters.
fn cut_lines(page: &RgbImage, expected: [f64; 4]) -> [f64; 4] {
    let grey = image::imageops::grayscale(page);
    let ink = |x: i32, y: i32| 1.0 - f64::from(grey.get_pixel(x as u32, y as u32).0[0]) / 255.0;
    let [l, t, r, b] = expected;
    let mm = PX_PER_MM;
    let column = |x: i32| ((t + 5.0 * mm) as i32..(b - 5.0 * mm) as i32).map(|y| ink(x, y)).sum();
    // Small letters stand below the symbol; beside it the rim is bare.
    let row =
        |y: i32| ((r - 2.4 * mm) as i32..(r - 0.5 * mm) as i32).map(|x| ink(x, y)).sum::<f64>();
    [
        middle(l - mm, l + mm, column),
        middle(t - mm, t + mm, row),
        middle(r - mm, r + mm, column),
        middle(b - mm, b + mm, row),
    ]
}

/// Lengths of the rulers that run across the page, mm: distances of lone upright marks of 5 mm.
fn rulers(grey: &GrayImage) -> Vec<f64> {
    let (w, h) = grey.dimensions();
    let ink = |x: u32, y: u32| 1.0 - f64::from(grey.get_pixel(x, y).0[0]) / 255.0;
    // Upright strokes of 5 mm: (column, first row), one entry a column.
    let mut strokes: Vec<(u32, u32)> = Vec::new();
    for x in 0..w {
        let mut start = None;
        for y in 0..=h {
            let dark = y < h && ink(x, y) > 0.5;
            match (dark, start) {
                (true, None) => start = Some(y),
                (false, Some(from)) => {
                    if (f64::from(y - from) / PX_PER_MM - 5.0).abs() < 0.15 {
                        strokes.push((x, from));
                    }
                    start = None;
                }
                _ => {}
            }
        }
    }
    let mut lines: Vec<(f64, u32)> = Vec::new();
    let mut seen: Vec<(u32, u32)> = Vec::new();
    for (x, y) in strokes {
        if !seen.iter().any(|(a, b)| x - a <= 6 && y.abs_diff(*b) < 3) {
            let at = |k: i32| ink(k as u32, y + (2.5 * PX_PER_MM) as u32);
            lines.push((middle(f64::from(x) - 5.0, f64::from(x) + 6.0, at), y));
        }
        seen.push((x, y));
    }
    let mut lengths = Vec::new();
    for (i, (a, y)) in lines.iter().enumerate() {
        for (b, other) in &lines[i + 1..] {
            let length = (b - a) / PX_PER_MM;
            if other.abs_diff(*y) < 3 && length > 50.0 {
                lengths.push(length);
            }
        }
    }
    lengths
}

fn near(value: f64, want: f64) {
    assert!((value - want).abs() <= TRUE_TO_MM, "{value} for {want} mm");
}

fn page_size(page: &RgbImage, mm: [f64; 2]) {
    for (px, mm) in [(page.width(), mm[0]), (page.height(), mm[1])] {
        // A rendering has whole pixels.
        assert!((f64::from(px) - mm * PX_PER_MM).abs() <= 1.0, "{px} px for {mm} mm");
    }
}

const A4: [f64; 2] = [210.0, 297.0];
const LETTER: [f64; 2] = [215.9, 279.4];

/// Everything that must hold of a rendered sheet of tiles.
fn judge_tiles(page: &RgbImage, tray: [f64; 2]) {
    let mut want: Vec<String> =
        tile_centres(tray).into_iter().map(|(name, c)| tile_text(name, c)).collect();
    want.sort();
    assert_eq!(zbar(page), want);
    let found = symbols(page);
    assert_eq!(found.iter().map(|f| f.text.clone()).collect::<Vec<_>>(), want);
    for f in &found {
        f.sides_mm().iter().for_each(|side| near(*side, 24.0));
        let [x, y] = f.centre();
        let half = 15.0 * PX_PER_MM;
        let [l, t, r, b] = cut_lines(page, [x - half, y - half, x + half, y + half]);
        near((r - l) / PX_PER_MM, 30.0);
        near((b - t) / PX_PER_MM, 30.0);
        // The symbol lies in the middle of its paper.
        near(((l + r) / 2.0 - x) / PX_PER_MM, 0.0);
        near(((t + b) / 2.0 - y) / PX_PER_MM, 0.0);
    }
    let grey = image::imageops::grayscale(page);
    for across in [grey.clone(), image::imageops::rotate90(&grey)] {
        let lengths = rulers(&across);
        assert_eq!(lengths.len(), 1, "{lengths:?}");
        near(lengths[0], 100.0);
    }
}

#[test]
fn tiles_of_every_tray_and_paper_are_true_and_read_back() {
    let desk = Desk::new();
    for (tray, mm, paper, size) in [
        ("330x250", [330.0, 250.0], "a4", A4),
        ("330x250", [330.0, 250.0], "letter", LETTER),
        ("420.5x300", [420.5, 300.0], "a4", A4),
        ("100x100", [100.0, 100.0], "letter", LETTER),
        ("1000x100", [1000.0, 100.0], "a4", A4),
    ] {
        let args = ["marks", "--tray", tray, "--paper", paper];
        let pdf = desk.make(&args, "marks.pdf");
        let all = pages(&pdf);
        assert_eq!(all.len(), 1, "{tray} on {paper}");
        page_size(&all[0], size);
        judge_tiles(&all[0], mm);
        let svg = drawn(&desk.make(&args, "marks.svg"));
        page_size(&svg, size);
        judge_tiles(&svg, mm);
    }
}

#[test]
fn the_page_names_its_size() {
    let desk = Desk::new();
    for (paper, size) in [("a4", "595.276 x 841.89 pts (A4)"), ("letter", "612 x 792 pts (letter)")]
    {
        let pdf = desk.make(&["marks", "--tray", "330x250", "--paper", paper], "marks.pdf");
        let said = debian("pdfinfo", "poppler-utils", &[&pdf.display().to_string()]);
        let said = String::from_utf8(said).unwrap();
        assert!(said.contains(size), "{said}");
        assert!(said.contains("Marks for a tray of 330"), "{said}");
        assert!(!said.contains("CreationDate"), "{said}");
    }
}

#[test]
fn the_same_input_gives_the_same_bytes() {
    let desk = Desk::new();
    for name in ["x.pdf", "x.svg"] {
        for args in
            [&["marks", "--tray", "330x250"][..], &["slip", "HV-0417", "UNSORTED", "--trays", "3"]]
        {
            let bytes = || std::fs::read(desk.make(args, name)).unwrap();
            assert!(bytes() == bytes(), "{args:?} {name}");
        }
    }
}

#[test]
fn slips_are_true_and_read_back() {
    let desk = Desk::new();
    for (trays, numbers, paper, size) in
        [("5", 1..=5, "a4", A4), ("8-22", 8..=22, "a4", A4), ("14", 1..=14, "letter", LETTER)]
    {
        let args = ["slip", "HV-0417", "UNSORTED", "--trays", trays, "--paper", paper];
        let all = pages(&desk.make(&args, "slips.pdf"));
        let mut want: Vec<String> =
            numbers.map(|n| format!("LOAD1 HV-0417 UNSORTED T{n}")).collect();
        want.sort();
        let mut read: Vec<String> = all.iter().flat_map(zbar).collect();
        read.sort();
        assert_eq!(read, want);
        for page in &all {
            page_size(page, size);
            let found = symbols(page);
            assert_eq!(found.iter().map(|f| f.text.clone()).collect::<Vec<_>>(), zbar(page));
            found.iter().for_each(|f| judge_slip(page, f));
        }
        let grey = image::imageops::grayscale(&all[0]);
        let lengths = rulers(&grey);
        assert_eq!(lengths.len(), 1, "{lengths:?}");
        near(lengths[0], 100.0);
    }
}

fn judge_slip(page: &RgbImage, f: &Found) {
    f.sides_mm().iter().for_each(|side| near(*side, layout::SLIP_SYMBOL_MM));
    let [l, t, _, _] = f.edges;
    let [left, top] = [0, 1].map(|k| [l, t][k] - layout::SLIP_SYMBOL_AT_MM[k] * PX_PER_MM);
    let [w, h] = layout::SLIP_PAPER_MM.map(|mm| mm * PX_PER_MM);
    let cut = cut_lines(page, [left, top, left + w, top + h]);
    near((cut[2] - cut[0]) / PX_PER_MM, 72.0);
    near((cut[3] - cut[1]) / PX_PER_MM, 30.0);
    near((cut[0] - left) / PX_PER_MM, 0.0);
    near((cut[1] - top) / PX_PER_MM, 0.0);
    // Every pixel of a patch has its nominal code, and beside it is paper.
    for (k, code) in [243u8, 200, 160, 122, 85, 52].into_iter().enumerate() {
        let x = left + (29.0 + 6.4 * k as f64) * PX_PER_MM;
        let y = top + 20.0 * PX_PER_MM;
        let side = 6.0 * PX_PER_MM;
        for j in (y + 2.0) as u32..(y + side - 2.0) as u32 {
            for i in (x + 2.0) as u32..(x + side - 2.0) as u32 {
                assert_eq!(page.get_pixel(i, j).0, [code; 3], "{} patch {k}", f.text);
            }
        }
        let below = page.get_pixel((x + side / 2.0) as u32, (y + side + 4.0) as u32);
        assert_eq!(below.0, [255; 3]);
    }
}

#[test]
fn slips_as_a_drawing() {
    let desk = Desk::new();
    let page = drawn(&desk.make(&["slip", "HV-0417", "WASTE", "--trays", "2"], "s.svg"));
    assert_eq!(zbar(&page), ["LOAD1 HV-0417 WASTE T1", "LOAD1 HV-0417 WASTE T2"]);
    symbols(&page).iter().for_each(|f| judge_slip(&page, f));
    // Two pages do not go into one drawing.
    let ended = desk.acinus(&["slip", "HV-0417", "WASTE", "--trays", "40", "--out", "t.svg"]);
    assert_eq!(ended.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&ended.stderr).contains("write a .pdf"));
    assert!(!desk.path("t.svg").exists());
}

#[test]
fn what_cannot_be_printed_is_refused_in_one_line_and_nothing_is_written() {
    let desk = Desk::new();
    for (args, words) in [
        (&["marks", "--tray", "90x250", "--out", "x.pdf"][..], "use a larger tray"),
        (&["marks", "--tray", "1500x250", "--out", "x.pdf"], "use a smaller tray"),
        (&["marks", "--tray", "330x250", "--out", "x.ps"], "name it .pdf or .svg"),
        (&["slip", "hv-0417", "UNSORTED", "--trays", "2", "--out", "x.pdf"], "A to Z (upper case)"),
        (&["slip", "HV 1", "UNSORTED", "--trays", "2", "--out", "x.pdf"], "without spaces"),
        (&["slip", "HV", "UNSORTED", "--trays", "0", "--out", "x.pdf"], "from 1 to 9999"),
        (&["slip", "HV", "UNSORTED", "--trays", "9-3", "--out", "x.pdf"], "first before the last"),
    ] {
        let ended = desk.acinus(args);
        assert_eq!(ended.status.code(), Some(2), "{args:?}");
        let said = String::from_utf8_lossy(&ended.stderr).into_owned();
        let first = said.lines().next().unwrap();
        assert!(first.starts_with("acinus: ") && first.contains(words), "{said}");
        assert_eq!(std::fs::read_dir(desk.0.path()).unwrap().count(), 0, "{args:?}");
    }
    let ended = desk.acinus(&["marks", "--tray", "330x250", "--out", "no/such/folder/x.pdf"]);
    assert_eq!(ended.status.code(), Some(1));
    assert!(String::from_utf8_lossy(&ended.stderr).contains("x.pdf"));
}

/// A piece of a rendered page, cut out along its lines.
struct Paper<'a> {
    page: &'a RgbImage,
    /// Its top-left corner on the page, px.
    at: [f64; 2],
    size_mm: [f64; 2],
    /// Tray mm of its top-left corner, and of one millimetre to its right.
    lies: [f64; 2],
    along: [f64; 2],
}

impl Paper<'_> {
    /// Linear light that the paper sends back at a tray point, if it lies there.
    fn light(&self, m: [f64; 2]) -> Option<f64> {
        let d = [m[0] - self.lies[0], m[1] - self.lies[1]];
        let x = d[0] * self.along[0] + d[1] * self.along[1];
        let y = d[1] * self.along[0] - d[0] * self.along[1];
        let [w, h] = self.size_mm;
        if x < 0.0 || y < 0.0 || x >= w || y >= h {
            return None;
        }
        let px = (self.at[0] + x * PX_PER_MM) as u32;
        let py = (self.at[1] + y * PX_PER_MM) as u32;
        let code = self.page.get_pixel(px, py).0[0];
        // White paper reflects about 0.86; toner a few per cent.
        Some(0.86 * decode_srgb(f64::from(code) / 255.0).max(0.03))
    }
}

/// A photograph of a tray with what was printed: perspective, a warm lamp that falls off to one
/// side, noise.
fn photograph(papers: &[Paper], px_to_mm: &[[f64; 3]; 3], size: [u32; 2]) -> RgbImage {
    let lamp = [1.02, 0.86, 0.62];
    let mut state = 0x9e37_79b9_7f4a_7c15u64;
    RgbImage::from_fn(size[0], size[1], |x, y| {
        let mut sum = 0.0;
        for k in 0..16 {
            let at = [
                f64::from(x) + (f64::from(k % 4) - 1.5) / 4.0,
                f64::from(y) + (f64::from(k / 4) - 1.5) / 4.0,
            ];
            let m = frame::apply(px_to_mm, at);
            sum += papers.iter().find_map(|p| p.light(m)).unwrap_or(0.45) / 16.0;
        }
        let fall = 1.0 - 0.25 * f64::from(x) / f64::from(size[0]);
        Rgb(lamp.map(|channel| {
            state ^= state << 13;
            state ^= state >> 7;
            state ^= state << 17;
            let noise = ((state >> 40) as f64 / f64::from(1u32 << 24) - 0.5) * 8.0;
            let code = 255.0 * encode_srgb((sum * channel * fall).min(1.0)) + noise;
            code.round().clamp(0.0, 255.0) as u8
        }))
    })
}

#[test]
fn a_photograph_of_the_printed_tiles_and_slip_is_read() {
    let desk = Desk::new();
    let tray = [330.0, 250.0];
    let tiles = pages(&desk.make(&["marks", "--tray", "330x250"], "marks.pdf")).swap_remove(0);
    let args = ["slip", "HV-0417", "SORTED", "--trays", "4-6", "--paper", "letter"];
    let slips = pages(&desk.make(&args, "slips.pdf")).swap_remove(0);
    let corner = |f: &Found, rim: [f64; 2]| [0, 1].map(|k| f.edges[k] - rim[k] * PX_PER_MM);
    let mut papers: Vec<Paper> = symbols(&tiles)
        .iter()
        .zip(tile_centres(tray))
        .map(|(f, (_, c))| Paper {
            page: &tiles,
            at: corner(f, [3.0, 3.0]),
            size_mm: [30.0, 30.0],
            lies: [c[0] - 15.0, c[1] - 15.0],
            along: [1.0, 0.0],
        })
        .collect();
    let slip = symbols(&slips).into_iter().find(|f| f.text.ends_with("T5")).unwrap();
    papers.push(Paper {
        page: &slips,
        at: corner(&slip, layout::SLIP_SYMBOL_AT_MM),
        size_mm: layout::SLIP_PAPER_MM,
        lies: [60.0, 170.0],
        along: [0.3f64.cos(), -(0.3f64.sin())],
    });
    // 7.4 px/mm, turned by 4 degrees, some perspective.
    let (s, c) = 0.07f64.sin_cos();
    let mm_to_px = frame::compose(
        &[[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [1.5e-5, -2e-5, 1.0]],
        &[[7.4 * c, -7.4 * s, 200.0], [7.4 * s, 7.4 * c, 60.0], [0.0, 0.0, 1.0]],
    );
    let px_to_mm = frame::invert(&mm_to_px).unwrap();
    let rgb = photograph(&papers, &px_to_mm, [2760, 2200]);
    let photo = Photo {
        rgb,
        grey: false,
        exif: ExifFacts { focal_35mm: None, taken: None },
        sha256: String::new(),
        notes: Vec::new(),
    };
    let mut texts: Vec<String> =
        tile_centres(tray).into_iter().map(|(name, c)| tile_text(name, c)).collect();
    texts.insert(0, "LOAD1 HV-0417 SORTED T5".into());
    assert_eq!(zbar(&photo.rgb), texts);

    let marks = read(&photo, &MarksSettings::default()).unwrap();
    assert_eq!(marks.frame.source, FrameSource::FourTiles);
    assert!(marks.tiles.iter().all(|t| t.read));
    assert_eq!(marks.frame.tray_mm, Some(tray));
    assert!(!marks.notes.iter().any(|n| n.contains("true size")), "{:?}", marks.notes);
    for t in &marks.tiles {
        for (p, m) in t.corners_px.iter().zip(t.corners_mm()) {
            let q = frame::apply(&mm_to_px, m);
            assert!((p[0] - q[0]).hypot(p[1] - q[1]) < 0.3, "{}: {p:?} for {q:?}", t.name);
        }
    }
    assert!(marks.frame.reprojection_rms_px.unwrap() < 0.3);
    assert_eq!(marks.slip.as_ref().unwrap().text.code(), "LOAD1 HV-0417 SORTED T5");

    let opened = pipeline::open(photo, &Settings::default()).unwrap();
    let off = opened.colour.grey_patches_delta_e00.unwrap();
    assert!(off <= 3.0, "grey patches are {off} from neutral");
}
