//! Input that is damaged, malicious or merely wrong, through the real program: each case ends with an
//! exit code, in one line that names the file and says what to do, and nothing of a library's panic
//! is ever printed.
#![allow(clippy::unwrap_used)]

use std::fs;
use std::io::{Cursor, Write as _};
use std::path::Path;
use std::process::Output;
use std::time::{Duration, Instant};

use image::{DynamicImage, ExtendedColorType, ImageEncoder as _, ImageFormat, RgbImage};

#[path = "common/debian.rs"]
mod debian;
#[path = "common/dock.rs"]
mod dock;

use dock::{Dock, err, out, sample};

/// A picture that is read but shows no tray.
fn picture() -> RgbImage {
    RgbImage::from_fn(300, 200, |x, y| image::Rgb([x as u8, y as u8, 90]))
}

fn jpeg() -> Vec<u8> {
    saved(&DynamicImage::ImageRgb8(picture()), ImageFormat::Jpeg)
}

fn saved(picture: &DynamicImage, format: ImageFormat) -> Vec<u8> {
    let mut bytes = Vec::new();
    picture.write_to(&mut Cursor::new(&mut bytes), format).unwrap();
    bytes
}

/// A JPEG segment after the start of image.
fn with_segment(jpeg: &[u8], marker: u8, body: &[u8]) -> Vec<u8> {
    let length = (body.len() as u16 + 2).to_be_bytes();
    [&jpeg[..2], &[0xff, marker], &length, body, &jpeg[2..]].concat()
}

/// An Exif block in the first segment.
fn with_exif(tiff: &[u8]) -> Vec<u8> {
    with_segment(&jpeg(), 0xe1, &[b"Exif\0\0", tiff].concat())
}

/// A TIFF directory (TIFF 6.0, little-endian) of whole numbers, the next one at `next`.
fn ifd(entries: &[(u16, u16, u32, u32)], next: u32) -> Vec<u8> {
    let mut t = b"II*\0\x08\0\0\0".to_vec();
    t.extend((entries.len() as u16).to_le_bytes());
    for (tag, kind, count, value) in entries {
        t.extend(tag.to_le_bytes());
        t.extend(kind.to_le_bytes());
        t.extend(count.to_le_bytes());
        t.extend(value.to_le_bytes());
    }
    t.extend(next.to_le_bytes());
    t
}

fn packed(bytes: &[u8]) -> Vec<u8> {
    let mut z = flate2::write::ZlibEncoder::new(Vec::new(), flate2::Compression::best());
    z.write_all(bytes).unwrap();
    z.finish().unwrap()
}

/// A PNG of some chunks between header and end.
fn png((w, h): (u32, u32), depth: u8, colour: u8, chunks: &[(&[u8; 4], Vec<u8>)]) -> Vec<u8> {
    let head = [&w.to_be_bytes()[..], &h.to_be_bytes(), &[depth, colour, 0, 0, 0]].concat();
    let mut bytes = b"\x89PNG\r\n\x1a\n".to_vec();
    let all = [(b"IHDR", head)].into_iter().chain(chunks.iter().map(|(k, b)| (*k, b.clone())));
    for (kind, body) in all.chain([(b"IEND", Vec::new())]) {
        bytes.extend((body.len() as u32).to_be_bytes());
        let checked = [&kind[..], &body].concat();
        let mut crc = flate2::Crc::new();
        crc.update(&checked);
        bytes.extend(&checked);
        bytes.extend(crc.sum().to_be_bytes());
    }
    bytes
}

/// Nothing of a panic, a signal or a terminal's language, and an exit code of ours.
fn decent(output: &Output, what: &str) {
    let all = out(output) + &err(output);
    let code = output.status.code();
    assert!(matches!(code, Some(0..=2)), "{what}: {code:?}: {all}");
    for word in
        ["panicked", "RUST_BACKTRACE", "overflowed its stack", "unwrap()", "\x1b", "\u{202e}"]
    {
        assert!(!all.contains(word), "{what}: {all}");
    }
}

/// The one line of standard error that a run ends with.
fn line(dock: &Dock, code: i32, args: &[&str]) -> String {
    line_of(&dock.run(args), code, args)
}

/// The same of a run that has ended.
fn line_of(output: &Output, code: i32, args: &[&str]) -> String {
    decent(output, &args.join(" "));
    let text = err(output);
    assert_eq!(output.status.code(), Some(code), "{args:?}: {text}{}", out(output));
    let mut lines: Vec<&str> = text.lines().collect();
    if code == 2 {
        assert_eq!(lines.pop(), Some("For help, try `acinus help`."), "{args:?}: {text}");
    }
    assert_eq!(lines.len(), 1, "{args:?}: one line: {text}");
    lines[0].to_owned()
}

/// What a run says, whole, where it must fail so.
fn told(dock: &Dock, code: i32, args: &[&str], words: &[&str]) {
    let line = line(dock, code, args);
    assert!(line.starts_with("acinus: "), "{args:?}: {line}");
    for word in words {
        assert!(line.contains(word), "{args:?} must say {word:?}: {line}");
    }
}

const NO_CUT: &str = "is cut off (no end mark): copy it from the camera again";
const NOT_ONE: &str = "cannot be decoded as a JPEG, PNG or TIFF picture (its first bytes are of none of these): copy it from the camera again, or save it as JPEG";
const RAW: &str =
    "is a camera raw file: develop it to JPEG or 8/16-bit TIFF first, or let the camera save JPEG";
const HEIC: &str =
    "is a HEIC file: set the phone's camera to \"Most compatible\" (JPEG), or export it as JPEG";

/// Files that are no photograph that can be read, each with what is said of it after its name.
fn not_read() -> Vec<(&'static str, Vec<u8>, &'static str)> {
    let good = jpeg();
    let cut = |at: usize| good[..at].to_vec();
    let half = |bytes: Vec<u8>| bytes[..bytes.len() / 2].to_vec();
    let rgb = DynamicImage::ImageRgb8(picture());
    let sof = good.windows(2).position(|w| w == [0xff, 0xc0]).unwrap();
    let mut giant = good.clone();
    giant[sof + 5..sof + 9].fill(0xff);
    let ftyp = |brand: &str| [b"\0\0\0\x18ftyp", brand.as_bytes(), &[0; 60]].concat();
    let raw_tiff = ifd(&[(0x00fe, 4, 1, 1), (0x0100, 4, 1, 160)], 0);
    let dng = ifd(&[(0xc612, 1, 4, 0x0000_0401)], 0);
    let one = |format| saved(&DynamicImage::ImageRgb8(RgbImage::new(1, 1)), format);
    let small =
        "has 1 x 1 pixels (0.00 megapixels): photographs of 0.05 to 100 megapixels can be measured";
    let bomb = png((20_000, 20_000), 1, 0, &[(b"IDAT", packed(&vec![0u8; 20_000 * 2_501]))]);
    assert!(bomb.len() < 60_000, "{} bytes for 400 megapixels", bomb.len());
    let gif = b"GIF89a\x01\0\x01\0\0\0\0!\xff\x0bNETSCAPE2.0\x03\x01\0\0\0;".to_vec();
    vec![
        ("empty.jpg", vec![], "is empty: copy it from the camera again"),
        ("zero-byte.jpg", vec![0], NOT_ONE),
        ("zeros.jpg", vec![0; 4096], NOT_ONE),
        ("ff.jpg", vec![0xff; 4096], NOT_ONE),
        ("words.jpg", b"hello there".to_vec(), NOT_ONE),
        ("head.jpg", cut(3), NO_CUT),
        ("head-only.jpg", cut(20), NO_CUT),
        ("before-the-scan.jpg", cut(sof + 19), NO_CUT),
        ("half.jpg", cut(good.len() / 2), NO_CUT),
        ("no-end.jpg", cut(good.len() - 2), NO_CUT),
        ("almost.jpg", cut(good.len() - 1), NO_CUT),
        ("one.jpg", one(ImageFormat::Jpeg), small),
        ("one-png.png", one(ImageFormat::Png), small),
        (
            "giant.jpg",
            giant,
            "has 65535 x 65535 pixels (4294.84 megapixels): photographs of 0.05 to 100",
        ),
        (
            "bomb.png",
            bomb,
            "has 20000 x 20000 pixels (400.00 megapixels): photographs of 0.05 to 100",
        ),
        (
            "deep.png",
            png((10_000, 10_000), 16, 6, &[(b"IDAT", packed(b"nothing"))]),
            "would take 1.5 GB of memory to open, more than the 1.4 allowed: save it with 8 bits a channel, or smaller",
        ),
        ("half-png.png", half(saved(&rgb, ImageFormat::Png)), "cannot be decoded"),
        ("half-tif.tif", half(saved(&rgb, ImageFormat::Tiff)), "cannot be decoded"),
        ("loop.tif", ifd(&[(0x0100, 4, 1, 300)], 8), "cannot be decoded"),
        (
            "cmyk.jpg",
            include_bytes!("data/cmyk.jpg").to_vec(),
            "is a CMYK JPEG (made for print) file: save it as an RGB JPEG, or use the camera's original file",
        ),
        ("iphone.heic.jpg", ftyp("heic"), HEIC),
        ("burst.jpg", ftyp("msf1"), HEIC),
        ("heif.jpg", ftyp("mif1"), HEIC),
        ("still.avif.jpg", ftyp("avif"), "is a AVIF file: export it as JPEG"),
        (
            "film.jpg",
            ftyp("isom"),
            "is a film (or other media) file: take a still photograph and use its JPEG",
        ),
        ("a.cr3.jpg", ftyp("crx "), RAW),
        ("a.cr2.jpg", b"II*\0\x10\0\0\0CR\x02\0".to_vec(), RAW),
        ("a.raf.jpg", b"FUJIFILMCCD-RAW 0201FF383501".to_vec(), RAW),
        ("a.orf.jpg", b"IIRO\x08\0\0\0".to_vec(), RAW),
        ("a.rw2.jpg", b"IIU\0\x18\0\0\0".to_vec(), RAW),
        ("a.dng.tif", dng, RAW),
        ("a.nef.tif", raw_tiff.clone(), RAW),
        ("a.arw.tif", raw_tiff, RAW),
        ("moving.jpg", gif, "is a GIF file: take the camera's own JPEG"),
        (
            "moving-webp.jpg",
            b"RIFF\0\0\0\0WEBPVP8X\x0a\0\0\0\x02\0\0\0ANIM".to_vec(),
            "is a WebP file: export it as JPEG",
        ),
        (
            "a.bmp.jpg",
            b"BM\x36\0\0\0\0\0\0\0\x36\0\0\0".to_vec(),
            "is a BMP file: save it as PNG or JPEG",
        ),
        ("a.jxl.jpg", b"\xff\x0a\0\0".to_vec(), "is a JPEG XL file: export it as JPEG"),
        (
            "a.pdf.jpg",
            b"%PDF-1.7\n".to_vec(),
            "is a PDF file: give the photograph itself, as JPEG, PNG or TIFF",
        ),
        (
            "a.zip.jpg",
            b"PK\x03\x04\x14\0".to_vec(),
            "is a ZIP file: unpack it and give the photographs in it",
        ),
        (
            "page.jpg",
            b"\n<!DOCTYPE html><script>alert(1)</script>".to_vec(),
            "is a web page (HTML) file: save the photograph itself, not the page that shows it",
        ),
        (
            "ledger.jpg",
            b"SQLite format 3\0".to_vec(),
            "is a SQLite file: a ledger is named with --ledger",
        ),
    ]
}

#[test]
fn what_is_no_photograph_is_told_in_a_line_each_and_in_little_time() {
    let dock = Dock::new();
    let cases = not_read();
    let mut args = vec!["assess"];
    for (name, bytes, _) in &cases {
        fs::write(dock.path(name), bytes).unwrap();
        args.push(name);
    }
    fs::File::create(dock.path("endless.jpg")).unwrap().set_len(900_000_001).unwrap();
    args.extend(["endless.jpg", "missing.jpg", "empty.jpg/x.png"]);
    let long = format!("{}.jpg", "n".repeat(300));
    args.extend([long.as_str(), "--out", "out", "--write", "csv"]);
    let output = dock.run(&args);
    decent(&output, "assess");
    assert_eq!(output.status.code(), Some(1));
    let text = err(&output);
    let lines: Vec<&str> = text.lines().collect();
    let beside = [
        ("endless.jpg", "cannot be read: it has more than 900 MB, too much for a photograph"),
        ("missing.jpg", "cannot be read: there is no such file: check its name"),
        ("empty.jpg/x.png", "cannot be read: a part of its path is a file, not a folder"),
        (&long, "cannot be read: its name is too long: check it"),
    ];
    let all: Vec<(&str, &str)> = cases.iter().map(|(n, _, w)| (*n, *w)).chain(beside).collect();
    assert_eq!(lines.len(), all.len(), "{text}");
    for (line, (name, words)) in lines.iter().zip(&all) {
        assert!(line.starts_with(&format!("acinus: {name}: {words}")), "{name}: {line}");
    }
    assert_eq!(fs::read_dir(dock.path("out")).unwrap().count(), 0);
}

/// Files that look odd and are photographs all the same: they are read, and refused for what they
/// show, which is no tray.
/// A photograph is opened within the memory that was worked out before, whatever its form: the limit
/// (RLIMIT_DATA: all that a process may write to, its threads' stacks too) ends the program where it
/// asks for more.
#[cfg(target_os = "linux")]
#[test]
fn photographs_are_opened_within_the_memory_that_was_worked_out() {
    let dock = Dock::new();
    let (width, height) = (4000, 2500);
    let colour = RgbImage::from_fn(width, height, |x, y| {
        let noise = (x * 31 + y * 17) % 23;
        image::Rgb([(x / 16 + noise) as u8, (y / 10 + noise) as u8, (90 + noise) as u8])
    });
    let colour = DynamicImage::ImageRgb8(colour);
    let files = [
        ("a.jpg", saved(&colour, ImageFormat::Jpeg), 3),
        ("a.png", saved(&colour, ImageFormat::Png), 3),
        ("deep.png", saved(&colour.to_rgba16().into(), ImageFormat::Png), 8),
        ("deep.tif", saved(&colour.to_rgb16().into(), ImageFormat::Tiff), 6),
    ];
    for (name, bytes, sample_bytes) in files {
        let pixels = u64::from(width * height);
        let most = acinus::photo::opening_bytes(bytes.len() as u64, pixels, sample_bytes);
        fs::write(dock.path(name), &bytes).unwrap();
        let within = |bytes: u64| {
            std::process::Command::new("sh")
                .args(["-c", "ulimit -d \"$1\"; shift; exec \"$@\"", "sh"])
                .arg((bytes / 1024).to_string())
                .args([env!("CARGO_BIN_EXE_acinus"), "check", name])
                .current_dir(dock.dir())
                .output()
                .unwrap()
        };
        let output = within(most);
        decent(&output, name);
        assert_eq!(output.status.code(), Some(1), "{name}: {}{}", out(&output), err(&output));
        let said = out(&output);
        assert!(said.contains("0 of the four tiles") && !said.contains("memory"), "{name}: {said}");
        // The limit is one: the samples alone take more than this.
        let less = within(pixels * 3);
        assert_ne!(out(&less), said, "{name}: {}", err(&less));
    }
}

#[test]
fn odd_photographs_are_read() {
    let dock = Dock::new();
    let rgb = DynamicImage::ImageRgb8(picture());
    let orientation = |value: u32| with_exif(&ifd(&[(0x0112, 3, 1, value)], 0));
    let mut two_pages = saved(&rgb, ImageFormat::Tiff);
    let first = u32::from_le_bytes(two_pages[4..8].try_into().unwrap()) as usize;
    let count = u16::from_le_bytes(two_pages[first..first + 2].try_into().unwrap()) as usize;
    let next = first + 2 + 12 * count;
    // A second directory like the first, at the end; directories begin at even places.
    two_pages.resize(two_pages.len().next_multiple_of(2), 0);
    let second = (two_pages.len() as u32).to_le_bytes();
    two_pages.extend_from_within(first..next + 4);
    two_pages[next..next + 4].copy_from_slice(&second);
    let palette = {
        let rows = [&[0u8][..], &[0, 1, 2].repeat(100)].concat().repeat(200);
        let colours = vec![200, 10, 10, 10, 200, 10, 10, 10, 200];
        png((300, 200), 8, 3, &[(b"PLTE", colours), (b"IDAT", packed(&rows))])
    };
    let moving = {
        let rows = [&[0u8][..], &[77; 300]].concat().repeat(200);
        let control = vec![0, 0, 0, 2, 0, 0, 0, 0];
        png((300, 200), 8, 0, &[(b"acTL", control), (b"IDAT", packed(&rows))])
    };
    let icc = |icc: &[u8]| with_segment(&jpeg(), 0xe2, &[b"ICC_PROFILE\0\x01\x01", icc].concat());
    let mut icc_png = Vec::new();
    let mut encoder = image::codecs::png::PngEncoder::new(&mut icc_png);
    encoder.set_icc_profile(vec![7; 400]).unwrap();
    encoder.write_image(&picture(), 300, 200, ExtendedColorType::Rgb8).unwrap();
    let cases: Vec<(&str, Vec<u8>)> = vec![
        ("progressive.jpg", include_bytes!("data/progressive_restart.jpg").to_vec()),
        ("orientation-0.jpg", orientation(0)),
        ("orientation-9.jpg", orientation(9)),
        ("orientation-255.jpg", orientation(255)),
        ("orientation-words.jpg", with_exif(&ifd(&[(0x0112, 2, 4, 0x6162_6364)], 0))),
        ("exif-garbage.jpg", with_exif(&[0xa5; 300])),
        ("exif-cut.jpg", with_exif(b"II*\0\x08\0\0\0\xff\xff")),
        ("exif-loop.jpg", with_exif(&ifd(&[(0x8769, 4, 1, 8), (0x8825, 4, 1, 8)], 8))),
        ("exif-giant.jpg", with_exif(&ifd(&[(0x9286, 7, 0xffff_fff0, 8)], 0))),
        ("exif-nowhere.jpg", with_exif(&ifd(&[(0x8769, 4, 1, 0xffff_fff0)], 0xffff_ffff))),
        ("icc-broken.jpg", icc(&[7; 200])),
        ("icc-empty.jpg", icc(&[])),
        ("icc-broken.png", icc_png),
        ("grey.png", saved(&DynamicImage::ImageLuma8(rgb.to_luma8()), ImageFormat::Png)),
        (
            "grey-alpha.png",
            saved(&DynamicImage::ImageLumaA8(rgb.to_luma_alpha8()), ImageFormat::Png),
        ),
        ("sixteen.png", saved(&DynamicImage::ImageRgb16(rgb.to_rgb16()), ImageFormat::Png)),
        ("sixteen-alpha.png", saved(&DynamicImage::ImageRgba16(rgb.to_rgba16()), ImageFormat::Png)),
        ("alpha.png", saved(&DynamicImage::ImageRgba8(rgb.to_rgba8()), ImageFormat::Png)),
        ("sixteen.tif", saved(&DynamicImage::ImageRgb16(rgb.to_rgb16()), ImageFormat::Tiff)),
        ("palette.png", palette),
        ("moving.apng.png", moving),
        ("pages.tif", two_pages),
        ("thumbnail-end.jpg", [&jpeg()[..], b"after the end"].concat()),
        // Whatever its name says.
        ("a-jpeg.png", jpeg()),
    ];
    let mut args = vec!["check", "--format", "json"];
    for (name, bytes) in &cases {
        fs::write(dock.path(name), bytes).unwrap();
        args.push(name);
    }
    let output = dock.run(&args);
    decent(&output, "check");
    assert_eq!(output.status.code(), Some(1), "{}", err(&output));
    let found: serde_json::Value = serde_json::from_str(&out(&output)).unwrap();
    assert_eq!(found.as_array().unwrap().len(), cases.len());
    for (one, (name, _)) in found.as_array().unwrap().iter().zip(&cases) {
        let said = one.to_string();
        assert_eq!(one["file"], *name);
        assert_eq!(one["usable"], false, "{said}");
        assert!(!said.contains("failed: ") && !said.contains("decoded"), "{said}");
        assert!(!said.contains("fault of this program"), "{said}");
    }
}

/// Names that would break a line, move a terminal's cursor or turn the reading direction.
#[cfg(unix)]
#[test]
fn names_stay_in_their_line() {
    use std::os::unix::ffi::OsStringExt as _;
    let dock = Dock::new();
    let odd: [&[u8]; 9] = [
        b"a\nacinus: forged: all is well.jpg",
        b"b\x1b[2J\x1b[31m.jpg",
        b"c\r.jpg",
        b"d\tb.jpg",
        b"e\x07\x08.jpg",
        "f\u{202e}gpj.jpg".as_bytes(),
        b"g\xff\xfe.jpg",
        b"h \"quoted\" 'twice' `$(id)`.jpg",
        b"i=1+1,;|.jpg",
    ];
    let names: Vec<std::ffi::OsString> =
        odd.iter().map(|n| std::ffi::OsString::from_vec(n.to_vec())).collect();
    for name in &names {
        fs::write(dock.dir().join(name), b"no picture").unwrap();
    }
    for command in [&["assess", "--out", "out"][..], &["check"]] {
        let output = dock.command(command).args(&names).output().unwrap();
        decent(&output, "odd names");
        assert_eq!(output.status.code(), Some(1));
        let text = err(&output) + &out(&output);
        let lines = text.lines().filter(|l| l.contains("first bytes")).count();
        let wanted = if command[0] == "assess" { 2 * names.len() } else { names.len() };
        assert_eq!(lines, wanted, "{text}");
        assert!(!text.lines().any(|l| l.starts_with("acinus: forged")), "{text}");
        for c in text.chars() {
            assert!(!c.is_control() || c == '\n', "{c:?} in {text}");
        }
    }
    // On the page they are text.
    fs::write(dock.path("<img src=x onerror=alert(1)>.jpg"), b"no picture").unwrap();
    dock.run(&["assess", "<img src=x onerror=alert(1)>.jpg", "--out", "out"]);
    let page = fs::read_to_string(dock.path("out/report.html")).unwrap();
    assert!(page.contains("&lt;img src=x") && !page.contains("<img src=x"));
}

/// A photograph that is well, under a name that is not.
#[cfg(unix)]
#[test]
fn a_good_photograph_may_have_any_name() {
    let dock = Dock::new();
    let photo = sample("black-waste-1.jpg");
    let name = "=cmd|'\n<b>.jpg";
    fs::copy(&photo, dock.path(name)).unwrap();
    // Outputs are named after it, and a name may have 255 bytes.
    let long = format!("{}.jpg", "n".repeat(250));
    fs::copy(&photo, dock.path(&long)).unwrap();
    let output = dock.run(&["assess", name, &long, "--out", "out", "--write", "csv,json,report"]);
    decent(&output, name);
    assert_eq!(output.status.code(), Some(1), "{}", err(&output));
    assert!(dock.path("out/=cmd|'\n<b>.objects.csv").is_file());
    let text = err(&output);
    assert_eq!(text.lines().count(), 1, "{text}");
    assert!(text.starts_with(&format!("acinus: {long}: cannot write out/")), "{text}");
    assert!(text.contains("the name is too long"), "{text}");
    let page = fs::read_to_string(dock.path("out/report.html")).unwrap();
    assert!(page.contains("=cmd|") && !page.contains("\n<b>"), "the name is no markup");
}

#[cfg(unix)]
#[test]
fn pipes_devices_links_and_folders() {
    use std::os::unix::fs::symlink;
    let dock = Dock::new();
    symlink("b.jpg", dock.path("a.jpg")).unwrap();
    symlink("a.jpg", dock.path("b.jpg")).unwrap();
    symlink("nowhere.jpg", dock.path("dangling.jpg")).unwrap();
    symlink("/dev/zero", dock.path("zero.jpg")).unwrap();
    let made = std::process::Command::new("mkfifo").arg(dock.path("pipe.jpg")).status().unwrap();
    assert!(made.success());
    fs::create_dir(dock.path("folder.jpg")).unwrap();
    let leads = "it is a link that leads to no file: name the file itself";
    let pipe = "it is a pipe or a device, not a file: copy what it holds into a file first";
    let since = Instant::now();
    for (name, words) in
        [("a.jpg", leads), ("dangling.jpg", leads), ("zero.jpg", pipe), ("pipe.jpg", pipe)]
    {
        let line = line(&dock, 1, &["assess", name, "--out", "out", "--write", "csv"]);
        assert_eq!(line, format!("acinus: {name}: cannot be read: {words}"));
        for args in [
            &["terms", "check", name][..],
            &["check", "x.jpg", "--profile", name],
            &["check", "x.jpg", "--patches", name],
            &["validate", name],
            &["ledger", "receipt", name],
        ] {
            told(&dock, 2, args, &[name, words]);
        }
    }
    // None of them was waited for.
    assert!(since.elapsed() < Duration::from_secs(120));
    told(
        &dock,
        2,
        &["assess", "folder.jpg", "--out", "out"],
        &["folder.jpg: the folder holds no photograph"],
    );
    told(&dock, 2, &["terms", "check", "folder.jpg"], &["it is a folder: name a file in it"]);
    told(&dock, 1, &["load", "list", "--ledger", "pipe.jpg"], &["this is no ledger"]);
    told(&dock, 1, &["load", "list", "--ledger", "folder.jpg"], &["this is no ledger"]);
}

/// The program as somebody who may not do everything: where the tests run as root, as another user.
/// `program` is a copy of it that anybody may run.
#[cfg(unix)]
fn run_as_nobody(dock: &Dock, program: &Path, args: &[&str]) -> Output {
    use std::os::unix::fs::MetadataExt as _;
    use std::os::unix::process::CommandExt as _;
    const NOBODY: u32 = 65_534;
    let mut command = std::process::Command::new(program);
    command.args(args).current_dir(dock.dir()).env("HOME", dock.dir()).env("USER", "lab");
    // The folder is this process's own.
    if fs::metadata(dock.dir()).unwrap().uid() == 0 {
        command.uid(NOBODY).gid(NOBODY);
    }
    loop {
        match command.output() {
            // Another test that started a program just now still holds the copy open for writing.
            Err(e) if e.kind() == std::io::ErrorKind::ExecutableFileBusy => {
                std::thread::sleep(Duration::from_millis(5));
            }
            ended => return ended.unwrap(),
        }
    }
}

#[cfg(unix)]
#[test]
fn whoever_may_not_read_or_write_is_told_so() {
    use std::os::unix::fs::PermissionsExt as _;
    let dock = Dock::new();
    let mode = |name: &str, mode: u32| {
        fs::set_permissions(dock.path(name), fs::Permissions::from_mode(mode)).unwrap();
    };
    fs::copy(env!("CARGO_BIN_EXE_acinus"), dock.path("program")).unwrap();
    fs::copy(sample("black-waste-1.jpg"), dock.path("tray.jpg")).unwrap();
    mode("tray.jpg", 0o444);
    for name in ["locked.jpg", "locked.toml", "locked.json"] {
        fs::write(dock.path(name), jpeg()).unwrap();
        mode(name, 0o000);
    }
    open_load(&dock, "L-1", &["--ledger", "closed.sqlite"]);
    open_load(&dock, "L-1", &["--ledger", "own.sqlite"]);
    dock.must(&["ledger", "verify", "--ledger", "own.sqlite"]);
    mode("closed.sqlite", 0o000);
    mode("own.sqlite", 0o444);
    for (folder, bits) in [("open", 0o777), ("shelf", 0o555), ("dark", 0o000)] {
        fs::create_dir(dock.path(folder)).unwrap();
        mode(folder, bits);
    }
    mode("", 0o755);
    let program = dock.path("program");
    let told = |code: i32, args: &[&str], words: &[&str]| {
        let line = line_of(&run_as_nobody(&dock, &program, args), code, args);
        for word in words {
            assert!(line.contains(word), "{args:?} must say {word:?}: {line}");
        }
    };
    let locked = "you may not read it: ask its owner for permission, or for a copy";
    told(
        1,
        &["assess", "locked.jpg", "--out", "open", "--write", "csv"],
        &["locked.jpg: ", locked],
    );
    told(
        1,
        &["assess", "dark/a.jpg", "--out", "open", "--write", "csv"],
        &["dark/a.jpg: ", locked],
    );
    told(2, &["assess", "dark", "--out", "open"], &["dark"]);
    told(2, &["terms", "check", "locked.toml"], &["locked.toml: ", locked]);
    told(2, &["check", "tray.jpg", "--profile", "locked.json"], &["locked.json", locked]);
    let may_not = "you may not write there";
    told(
        1,
        &["assess", "tray.jpg", "--out", "shelf", "--write", "csv"],
        &["cannot write shelf/tray.objects.csv: ", may_not, "choose another folder with --out"],
    );
    told(
        2,
        &["assess", "tray.jpg", "--out", "shelf/new"],
        &["--out shelf/new: the folder cannot be made: ", may_not],
    );
    told(
        1,
        &["marks", "--tray", "330x250", "--out", "shelf/marks.pdf"],
        &["cannot write shelf/marks.pdf: ", may_not],
    );
    told(1, &["man", "shelf"], &["cannot write to shelf: ", may_not]);
    let begin = ["load", "new", "L-2", "--grower", "Hill", "--ledger"];
    told(1, &[&begin[..], &["shelf/c.sqlite"]].concat(), &["shelf/c.sqlite"]);
    told(1, &["load", "list", "--ledger", "closed.sqlite"], &["closed.sqlite"]);
    told(1, &[&begin[..], &["own.sqlite"]].concat(), &["own.sqlite"]);
    // The same doors open for whoever may: it was not something else that failed.
    mode("locked.jpg", 0o444);
    let args = ["assess", "tray.jpg", "--out", "open", "--write", "csv"];
    let read = run_as_nobody(&dock, &program, &args);
    assert_eq!(read.status.code(), Some(0), "{}", err(&read));
    assert!(dock.path("open/tray.objects.csv").exists());
    // So that the folder can be cleared away by whoever made it.
    mode("dark", 0o755);
}

#[cfg(target_os = "linux")]
#[test]
fn outputs_that_cannot_be_written_are_told() {
    let dock = Dock::new();
    fs::write(dock.path("file"), b"").unwrap();
    let photo = sample("black-waste-1.jpg");
    told(
        &dock,
        2,
        &["assess", "x.jpg", "--out", "file"],
        &["--out file: the folder cannot be made: a file of that name is in the way"],
    );
    told(&dock, 2, &["assess", "x.jpg", "--out", "file/below"], &["a part of its path is a file"]);
    told(
        &dock,
        2,
        &["assess", "x.jpg", "--out", "/proc/acinus"],
        &["--out /proc/acinus: the folder cannot be made: there is no such folder"],
    );
    // A folder that takes no file, even from whoever may do everything.
    told(
        &dock,
        1,
        &["assess", &photo, "--out", "/proc/self", "--write", "csv"],
        &[
            "black-waste-1.jpg: cannot write /proc/self/black-waste-1.objects.csv",
            "choose another folder with --out",
        ],
    );
    told(
        &dock,
        1,
        &["marks", "--tray", "330x250", "--out", "missing/marks.pdf"],
        &["cannot write missing/marks.pdf: there is no such folder"],
    );
    fs::create_dir(dock.path("taken.pdf")).unwrap();
    told(
        &dock,
        1,
        &["marks", "--tray", "330x250", "--out", "taken.pdf"],
        &["cannot write taken.pdf: a folder of that name is in the way"],
    );
    // The full disk, as a device.
    let full = fs::OpenOptions::new().write(true).open("/dev/full").unwrap();
    let output = dock.command(&["completions", "bash"]).stdout(full).output().unwrap();
    decent(&output, "full");
    assert_eq!(output.status.code(), Some(1));
    assert_eq!(err(&output), "acinus: cannot print: the disk is full\n");
    assert!(
        !fs::read_dir(dock.dir())
            .unwrap()
            .any(|e| { e.unwrap().file_name().to_string_lossy().ends_with(".part") })
    );
}

#[test]
fn numbers_that_are_none() {
    let dock = Dock::new();
    for (flag, wrong, words) in [
        ("--px-per-mm", "0", "give a number from 0.5 to 200"),
        ("--px-per-mm", "-7", "give a number from 0.5 to 200"),
        ("--px-per-mm", "NaN", "give a number from 0.5 to 200"),
        ("--px-per-mm", "inf", "give a number from 0.5 to 200"),
        ("--px-per-mm", "1e300", "give a number from 0.5 to 200"),
        ("--px-per-mm", "7,8", "give a number from 0.5 to 200"),
        ("--camera-height", "0", "give a number from 50 to 5000"),
        ("--camera-height", "-600", "give a number from 50 to 5000"),
        ("--camera-height", "NaN", "give a number from 50 to 5000"),
        ("--camera-height", "inf", "give a number from 50 to 5000"),
        ("--camera-height", "1e300", "give a number from 50 to 5000"),
        ("--tray", "0x250", "0 mm is not a tray's side (50 to 2000 mm)"),
        ("--tray", "1e300x250", "1e300 mm is not a tray's side (50 to 2000 mm)"),
        ("--tray", "NaNx250", "NaN mm is not a tray's side"),
        ("--threads", "0", "0 is not in 1..=256"),
        ("--threads", "999999999999", "999999999999 is not in 1..=256"),
        ("--threads", "-1", "-1 is not in 1..=256"),
    ] {
        let output = dock.run(&["check", "x.jpg", &format!("{flag}={wrong}")]);
        decent(&output, wrong);
        assert_eq!(output.status.code(), Some(2), "{flag}={wrong}");
        let text = err(&output);
        let first = text.lines().next().unwrap();
        assert!(first.contains(words) && first.contains(flag), "{flag}={wrong}: {first}");
    }
}

/// A contract that can be used, to be made worse.
const RULE: &str =
    "[[rule]]\nname = \"r\"\nof = [\"rejects\"]\nfree_percent = 2\ndeduct_per_point = \"1.5\"\n";

#[test]
fn contracts_that_cannot_be_used() {
    let dock = Dock::new();
    let start = "version = 1\nname = \"x\"\n";
    let with = |more: &str| format!("{start}{more}\n{RULE}").into_bytes();
    let cases: Vec<(&str, Vec<u8>, &str)> = vec![
        ("empty.toml", vec![], "missing field `version`"),
        (
            "version.toml",
            format!("version = 9\nname = \"x\"\n{RULE}").into(),
            "version is 9; this program reads version 1",
        ),
        ("key.toml", with("discount = 3"), "line 3: unknown field `discount`"),
        ("twice.toml", with("name = \"y\""), "line 3: duplicate key"),
        ("rules.toml", with(RULE), "two rules are named \"r\"; give each its own name"),
        (
            "negative.toml",
            with("currency = \"USD\"\nprice_per_tonne = -4"),
            "price_per_tonne is -4; it must be 0 or more",
        ),
        (
            "nan.toml",
            with("price_per_tonne = nan"),
            "is no decimal number with at most nine places",
        ),
        (
            "infinite.toml",
            with("price_per_tonne = inf"),
            "is no decimal number with at most nine places",
        ),
        ("e400.toml", with("price_per_tonne = 1e400"), "line 3: floating-point number overflowed"),
        (
            "e30.toml",
            with("price_per_tonne = \"1e30\""),
            "is no decimal number with at most nine places",
        ),
        (
            "places.toml",
            with("price_per_tonne = \"1.0123456789012\""),
            "is no decimal number with at most nine places",
        ),
        (
            "giant.toml",
            vec![b'#'; 1_000_001],
            "cannot be read: it has more than 1 MB, too much for a contract",
        ),
        (
            "latin.toml",
            b"version = 1\nname = \"\xe9\"\n".to_vec(),
            "cannot be read: it is no UTF-8 text (byte 21): save it as UTF-8",
        ),
        ("utf16.toml", b"\xff\xfev\0e\0".to_vec(), "cannot be read: it is no UTF-8 text (byte 1)"),
        ("deep.toml", with(&format!("x = {}", "[".repeat(100_000))), "recurs"),
        ("dotted.toml", with(&format!("[{}b]", "a.".repeat(100_000))), "recurs"),
        ("nul.toml", b"version = 1\0".to_vec(), "line 1"),
        ("json.toml", b"{\"version\": 1}".to_vec(), "line 1"),
        ("binary.toml", vec![0x7f; 500], "line 1"),
        ("sheet.toml", b"=cmd|' /C calc'!A0".to_vec(), "line 1"),
    ];
    for (name, bytes, words) in &cases {
        fs::write(dock.path(name), bytes).unwrap();
        let code = if words.starts_with("cannot be read") { 2 } else { 1 };
        let line = line(&dock, code, &["terms", "check", name]);
        assert!(line.starts_with(&format!("acinus: {name}: ")), "{name}: {line}");
        assert!(line.contains(words) && line.len() < 400, "{name}: {line}");
    }
    // A byte order mark is what some editors write; no fault.
    fs::write(dock.path("bom.toml"), [b"\xef\xbb\xbf", &with("")[..]].concat()).unwrap();
    dock.must(&["terms", "check", "bom.toml"]);
    // Two faults, two lines.
    fs::write(dock.path("two.toml"), "version = 9\nname = \"x\"\n").unwrap();
    let output = dock.run(&["terms", "check", "two.toml"]);
    assert!(err(&output).lines().all(|l| l.starts_with("acinus: two.toml: ")), "{}", err(&output));
    assert_eq!(err(&output).lines().count(), 2);
    // A name that would clear the screen.
    fs::write(dock.path("esc.toml"), format!("version = 1\nname = \"a\\u001b[2Jb\"\n{RULE}"))
        .unwrap();
    decent(&dock.run(&["terms", "check", "esc.toml"]), "esc.toml");
}

#[test]
fn profiles_patches_and_tables_that_cannot_be_used() {
    let dock = Dock::new();
    let good = include_str!("../src/assets/profile.json");
    let profile = |from: &str, to: &str| {
        assert!(good.contains(from), "{from}");
        good.replacen(from, to, 1).into_bytes()
    };
    let deep = "[".repeat(1_000_000);
    let head = "tray,variety,sound_percent,shriveled_percent,underripe_percent,debris_percent,sound_g,shriveled_g,underripe_g,debris_g\n";
    let cases: Vec<(&str, Vec<u8>, &[&str], &str)> = vec![
        ("empty.json", vec![], &["check", "x.jpg", "--profile"], "make one with `acinus train`"),
        (
            "cut.json",
            good.as_bytes()[..good.len() / 2].to_vec(),
            &["check", "x.jpg", "--profile"],
            "EOF while parsing",
        ),
        (
            "form.json",
            profile("acinus-profile/1", "acinus-profile/9"),
            &["check", "x.jpg", "--profile"],
            "it is of form \"acinus-profile/9\"",
        ),
        (
            "nan.json",
            profile("[", "[NaN,"),
            &["check", "x.jpg", "--profile"],
            "make one with `acinus train`",
        ),
        (
            "null.json",
            b"null".to_vec(),
            &["check", "x.jpg", "--profile"],
            "make one with `acinus train`",
        ),
        (
            "deep.json",
            deep.clone().into(),
            &["check", "x.jpg", "--profile"],
            "make one with `acinus train`",
        ),
        (
            "deeper.json",
            [b"{\"segment\":", deep.as_bytes()].concat(),
            &["check", "x.jpg", "--profile"],
            "make one with `acinus train`",
        ),
        (
            "latin.json",
            b"\xe9".to_vec(),
            &["check", "x.jpg", "--profile"],
            "it is no UTF-8 text (byte 1)",
        ),
        (
            "patches.toml",
            b"[patches]\n122 = [nan, 0, 0]".to_vec(),
            &["check", "x.jpg", "--patches"],
            "not the CIELAB colour of a grey patch",
        ),
        (
            "deep.toml",
            deep.clone().into(),
            &["check", "x.jpg", "--patches"],
            "write one line for each measured patch",
        ),
        ("empty.csv", vec![], &["validate"], "it has no trays"),
        (
            "columns.csv",
            b"tray,variety\n1,BP\n".to_vec(),
            &["validate"],
            "missing field `sound_percent`",
        ),
        (
            "nan.csv",
            format!("{head}1,BP,NaN,1,1,1,1,1,1,1\n").into(),
            &["validate"],
            "\"NaN\" is no decimal number",
        ),
        ("short.csv", format!("{head}1,BP,1\n").into(), &["validate"], "line: 2"),
        (
            "latin.csv",
            [head.as_bytes(), b"1,\xe9,1,1,1,1,1,1,1,1\n"].concat(),
            &["validate"],
            "invalid UTF-8",
        ),
        (
            "answers.csv",
            b"draw,tray\n1,1\n".to_vec(),
            &["load", "review", "L", "UNSORTED", "--answers"],
            "missing field",
        ),
        (
            "answers.json",
            deep.into(),
            &["load", "review", "L", "UNSORTED", "--answers"],
            "answers.json: ",
        ),
        (
            "class.csv",
            b"draw,tray,object,human\n1,1,1,=HYPERLINK(1)\n".to_vec(),
            &["load", "review", "L", "UNSORTED", "--answers"],
            "row 2: \"=HYPERLINK(1)\" is no answer; write sound",
        ),
    ];
    for (name, bytes, command, words) in &cases {
        fs::write(dock.path(name), bytes).unwrap();
        told(&dock, 2, &[*command, &[*name]].concat(), &[name, words]);
    }
    // Taught from what has no truth beside it.
    fs::write(dock.path("a.jpg"), jpeg()).unwrap();
    told(&dock, 1, &["train", "a.jpg", "--out", "p.json"], &["a.json: "]);
    assert!(!dock.path("p.json").exists());
}

fn open_load(dock: &Dock, load: &str, more: &[&str]) {
    dock.must(&[&["load", "new", load, "--grower", "Hill Vineyard"][..], more].concat());
}

#[test]
fn ledgers_that_are_none_or_damaged() {
    let dock = Dock::new();
    open_load(&dock, "L-1", &["--ledger", "good.sqlite"]);
    let good = fs::read(dock.path("good.sqlite")).unwrap();
    let newer = {
        let mut bytes = good.clone();
        // The database's user version (SQLite's file format, 1.3, offset 60).
        bytes[60..64].copy_from_slice(&999u32.to_be_bytes());
        bytes
    };
    let mut mixed = good.clone();
    for at in (4096..mixed.len()).step_by(7) {
        mixed[at] ^= 0x5a;
    }
    for (name, bytes, words) in [
        (
            "words.sqlite",
            b"not a ledger at all".repeat(100),
            "this is no ledger; name one with --ledger FILE",
        ),
        ("other.sqlite", good[..100].to_vec(), ""),
        ("cut.sqlite", good[..5000].to_vec(), "it is damaged"),
        ("mixed.sqlite", mixed, ""),
        (
            "newer.sqlite",
            newer,
            "a newer program wrote it (version 999 of its tables); use that one",
        ),
    ] {
        fs::write(dock.path(name), bytes).unwrap();
        for command in [&["load", "list"][..], &["ledger", "verify"], &["season"]] {
            let output = dock.run(&[command, &["--ledger", name]].concat());
            decent(&output, name);
            let all = err(&output) + &out(&output);
            assert_eq!(output.status.code(), Some(1), "{name}: {command:?}: {all}");
            assert!(all.contains(words) && all.contains(name), "{name}: {command:?}: {all}");
        }
    }
    told(
        &dock,
        1,
        &["load", "list", "--ledger", "missing.sqlite"],
        &["missing.sqlite: there is no ledger", "`acinus load new` begins one"],
    );
    // The write-ahead log of another ledger beside it, or garbage: SQLite tells them apart by salt
    // and checksum, and what was committed is there.
    fs::write(dock.path("good.sqlite-wal"), vec![0x37; 9000]).unwrap();
    assert!(dock.must(&["load", "list", "--ledger", "good.sqlite"]).contains("L-1"));
    assert!(
        dock.must(&["ledger", "verify", "--ledger", "good.sqlite"]).contains("nothing was changed")
    );
}

#[test]
fn exports_that_cannot_be_taken_over() {
    let dock = Dock::new();
    open_load(&dock, "L-1", &["--who", "=cmd|' /C calc'!A0", "--why", "+1\n\"x\""]);
    dock.must(&[
        "load",
        "lot",
        "L-1",
        "UNSORTED",
        "--sampling-point",
        "bin",
        "--who=-2+3",
        "--why",
        "@SUM(A1)",
    ]);
    dock.must(&["ledger", "export", "--out", "all.json"]);
    dock.must(&["ledger", "export", "--out", "all.csv"]);
    // No cell is a formula, and the words come back whole.
    let csv = fs::read(dock.path("all.csv")).unwrap();
    for row in csv::ReaderBuilder::new().has_headers(false).from_reader(&csv[..]).records() {
        for cell in &row.unwrap() {
            assert!(!cell.starts_with(['=', '+', '-', '@', '\t', '\r']), "{cell}");
        }
    }
    dock.must(&["ledger", "import", "all.csv", "--ledger", "copy.sqlite"]);
    dock.must(&["ledger", "export", "--ledger", "copy.sqlite", "--out", "copy.json"]);
    let all = fs::read_to_string(dock.path("all.json")).unwrap();
    assert_eq!(all, fs::read_to_string(dock.path("copy.json")).unwrap());

    let change = |from: &str, to: &str| {
        assert!(all.contains(from), "{from}");
        all.replacen(from, to, 1).into_bytes()
    };
    let cases: Vec<(&str, Vec<u8>, &str)> = vec![
        ("empty.json", vec![], "this is no exported ledger"),
        ("null.json", b"null".to_vec(), "this is no exported ledger"),
        ("cut.json", all.as_bytes()[..all.len() / 2].to_vec(), "this is no exported ledger"),
        ("deep.json", b"[".repeat(1_000_000), "this is no exported ledger"),
        (
            "deep-body.json",
            change("\"body\":{", &format!("\"body\":{{\"x\":{}", "[".repeat(1_000_000))),
            "this is no exported ledger",
        ),
        (
            "form.json",
            change("acinus-ledger/1", "acinus-ledger/9"),
            "it is of form \"acinus-ledger/9\"",
        ),
        ("more.json", change("\"seq\":1", "\"evil\":1,\"seq\":1"), "unknown field `evil`"),
        ("who.json", change("/C calc", "/C clac"), "entry "),
        ("grower.json", change("Hill Vineyard", "Dale Vineyard"), "entry "),
        ("negative.json", change("\"seq\":1", "\"seq\":-1"), "this is no exported ledger"),
        ("giant.json", change("\"seq\":1", "\"seq\":1e400"), "this is no exported ledger"),
        ("empty.csv", b"seq,form\n".to_vec(), "it has no entries"),
        ("latin.csv", b"seq,form\n\xe9,1\n".to_vec(), "invalid utf-8"),
        ("seq.csv", b"seq,form\n=1+1,1\n".to_vec(), "row 2: no entry number"),
    ];
    for (name, bytes, words) in &cases {
        fs::write(dock.path(name), bytes).unwrap();
        told(&dock, 1, &["ledger", "import", name, "--ledger", "new.sqlite"], &[words]);
    }
    fs::write(dock.path("all.xml"), b"<!DOCTYPE x>").unwrap();
    told(&dock, 2, &["ledger", "import", "all.xml"], &["all.xml: it must end in .json or .csv"]);
    // Words that no entry may hold are refused when they are said.
    for (flag, words) in
        [("--grower", "a\nb"), ("--grower", ""), ("--variety", "\u{1b}[2J"), ("--who", " x")]
    {
        let args = ["load", "new", "L-2", "--grower", "G", flag, words];
        let args =
            if flag == "--grower" { [&args[..3], &args[5..]].concat() } else { args.to_vec() };
        told(&dock, 1, &args, &["write 1 to 80 characters without line ends"]);
    }
}

/// Words that are a formula to a spreadsheet, markup to a page and code to a typesetter are words in
/// every output.
#[test]
fn words_are_neither_formula_nor_markup_nor_code() {
    let dock = Dock::new();
    let grower = "=1+1 #eval(\"2\") *s* <b>&amp;</b> $x$";
    dock.must(&["load", "new", "L-1", "--grower", grower, "--variety=-2+3", "--block", "@SUM(A1)"]);
    dock.must(&["sheet", "L-1", "--out", "sheet.pdf"]);
    let pdf = dock.path("sheet.pdf");
    let text =
        debian::debian("pdftotext", "poppler-utils", &["-layout", pdf.to_str().unwrap(), "-"]);
    let text = String::from_utf8(text).unwrap();
    let words = text.split_whitespace().collect::<Vec<_>>().join(" ");
    // Signs of minus and quotation are set as such.
    assert!(words.contains("=1+1 #eval("), "{words}");
    assert!(words.contains("*s* <b>&amp;</b> $x$"), "{words}");
    dock.must(&["season", "--out", "season"]);
    let table = fs::read(dock.path("season/loads.csv")).unwrap();
    let mut rows = csv::Reader::from_reader(&table[..]);
    let header = rows.headers().unwrap().clone();
    let row = rows.records().next().unwrap().unwrap();
    let cell = |name: &str| &row[header.iter().position(|h| h == name).unwrap()];
    assert_eq!(cell("grower"), format!("'{grower}"));
    assert_eq!((cell("variety"), cell("block")), ("'-2+3", "'@SUM(A1)"));
    let mut files = Vec::new();
    files_below(&dock.path("season"), &mut files);
    let pages: Vec<_> = files
        .iter()
        .filter(|p| p.extension().is_some_and(|e| e == "html" || e == "svg"))
        .map(|p| fs::read_to_string(p).unwrap())
        .collect();
    assert!(!pages.is_empty(), "{files:?}");
    assert!(pages.iter().all(|p| !p.contains("<b>&amp;</b>")));
}

/// Streams of a PDF that is somebody else's.
fn pdf(streams: &[Vec<u8>]) -> Vec<u8> {
    let mut bytes = b"%PDF-1.7\n".to_vec();
    for stream in streams {
        bytes.extend(b"1 0 obj\n<</Filter/FlateDecode>>\nstream\n");
        bytes.extend(stream);
        bytes.extend(b"\nendstream\nendobj\n");
    }
    bytes
}

#[test]
fn sheets_and_receipts_that_cannot_be_checked() {
    let dock = Dock::new();
    open_load(&dock, "L-1", &[]);
    dock.must(&["load", "lot", "L-1", "UNSORTED", "--sampling-point", "bin"]);
    let no = "this is no agreement sheet that can be checked";
    let figures = |photo: &str| {
        let text = format!(
            r#"{{"schema":"acinus-sheet/1","program":"acinus 0.0.1","load":"L-1\nNothing that was checked fails.","closed":false,"ledger":{{"entries":1,"head":"x","at":"x"}},"photographs":[{photo}]}}"#
        );
        packed(text.as_bytes())
    };
    let zeros = packed(&vec![0u8; 101_000_000]);
    let nest = |open: &str| {
        [
            b"%PDF-1.7\n1 0 obj\n",
            open.repeat(500_000).as_bytes(),
            b"\nendobj\ntrailer <</Root 1 0 R>>\n",
        ]
        .concat()
    };
    let noise: Vec<u8> =
        (0..200_000u32).map(|i| (i.wrapping_mul(2_654_435_761) >> 13) as u8).collect();
    let cases: Vec<(&str, Vec<u8>, &str)> = vec![
        ("empty.pdf", vec![], "it is no PDF"),
        ("words.pdf", b"hello".to_vec(), "it is no PDF"),
        ("head.pdf", b"%PDF-1.7\n".to_vec(), "it has no acinus-sheet.json attached"),
        ("noise.pdf", [b"%PDF-1.7\n", &noise[..]].concat(), "it has no acinus-sheet.json attached"),
        ("arrays.pdf", nest("["), "it has no acinus-sheet.json attached"),
        ("dicts.pdf", nest("<</A "), "it has no acinus-sheet.json attached"),
        (
            "streams.pdf",
            [b"%PDF-1.7\n", &b"stream\n".repeat(200_000)[..]].concat(),
            "it has no acinus-sheet.json attached",
        ),
        (
            "encrypted.pdf",
            [b"%PDF-1.7\ntrailer <</Encrypt 5 0 R>>\n", &pdf(std::slice::from_ref(&noise))[9..]]
                .concat(),
            "it has no acinus-sheet.json attached",
        ),
        (
            "bomb.pdf",
            pdf(&[zeros.clone(), zeros]),
            "what is packed into it comes to more than 200 MB",
        ),
        (
            "deep.pdf",
            pdf(&[packed(
                &[br#"{"schema":"acinus-sheet/1","x":"#, &b"[".repeat(1_000_000)[..]].concat(),
            )]),
            "it has no acinus-sheet.json attached",
        ),
        (
            "version.pdf",
            pdf(&[packed(br#"{"schema":"acinus-sheet/9"}"#)]),
            "damaged or of another version",
        ),
        ("fields.pdf", pdf(&[figures("")]), "damaged or of another version"),
    ];
    for (name, bytes, words) in &cases {
        fs::write(dock.path(name), bytes).unwrap();
        told(&dock, 1, &["sheet", "verify", name], &[name, no, words]);
    }
    fs::File::create(dock.path("long.pdf")).unwrap().set_len(50_000_001).unwrap();
    told(
        &dock,
        1,
        &["sheet", "verify", "long.pdf"],
        &["long.pdf: cannot be read: it has more than 50 MB, too much for a sheet"],
    );

    let receipts: Vec<(&str, Vec<u8>, &str)> = vec![
        ("empty.json", vec![], "it is no receipt of this program"),
        ("null.json", b"null".to_vec(), "it is no receipt of this program"),
        ("deep.json", b"[".repeat(1_000_000), "it is no receipt of this program"),
        ("binary.json", vec![0xff; 100], "it is no receipt of this program"),
    ];
    for (name, bytes, words) in &receipts {
        fs::write(dock.path(name), bytes).unwrap();
        told(&dock, 1, &["ledger", "receipt", name], &[name, words]);
    }
    // A true one, and the same with a word of it changed.
    open_load(&dock, "HV-0417", &[]);
    dock.must(&["load", "add", &sample("black-waste-1.jpg")]);
    dock.must(&["load", "close", "HV-0417"]);
    let ledger = acinus::ledger::Ledger::open(&dock.path("acinus/ledger.sqlite")).unwrap();
    let receipt = acinus::receipt::of_load(&ledger, "HV-0417").unwrap().unwrap();
    let receipt = serde_json::to_string(&receipt).unwrap();
    fs::write(dock.path("true.json"), &receipt).unwrap();
    assert!(
        dock.must(&["ledger", "receipt", "true.json"])
            .contains("The receipt of load HV-0417 holds.")
    );
    let changes = [
        ("Hill Vineyard", "Dale Vineyard"),
        ("\"who\":\"lab\"", "\"who\":\"bal\""),
        ("WASTE", "SORTED"),
    ];
    for (from, to) in changes {
        let changed = receipt.replacen(from, to, 1);
        assert_ne!(changed, receipt, "{from}");
        fs::write(dock.path("changed.json"), changed).unwrap();
        let output = dock.run(&["ledger", "receipt", "changed.json"]);
        decent(&output, from);
        assert_eq!(output.status.code(), Some(1), "{from}");
        let text = out(&output);
        assert!(text.contains("FAULT") && text.contains("DOES NOT HOLD"), "{from}: {text}");
    }
    fs::File::create(dock.path("long.json")).unwrap().set_len(20_000_001).unwrap();
    told(
        &dock,
        2,
        &["ledger", "receipt", "long.json"],
        &["it has more than 20 MB, too much for a receipt"],
    );
}

/// A JPEG segment with a position (Exif 2.32, 4.6.6: the GPS directory), and words to be found by.
fn with_position(jpeg: &[u8], words: &str) -> Vec<u8> {
    // The main directory has 1 entry and ends at 26; the position's has 5 and ends at 26 + 66.
    let (gps, values) = (26u32, 26 + 2 + 5 * 12 + 4u32);
    let mut tiff = ifd(&[(0x8825, 4, 1, gps)], 0);
    let area = values + 48;
    tiff.extend(
        &ifd(
            &[
                (1, 2, 2, u32::from(b'N')),
                (2, 5, 3, values),
                (3, 2, 2, u32::from(b'E')),
                (4, 5, 3, values + 24),
                (28, 7, words.len() as u32, area),
            ],
            0,
        )[8..],
    );
    for part in [48u32, 1, 17, 1, 4242, 100, 16, 1, 21, 1, 2424, 100] {
        tiff.extend(part.to_le_bytes());
    }
    tiff.extend(words.as_bytes());
    with_segment(jpeg, 0xe1, &[b"Exif\0\0", &tiff[..]].concat())
}

fn files_below(folder: &Path, found: &mut Vec<std::path::PathBuf>) {
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() { files_below(&path, found) } else { found.push(path) }
    }
}

/// Where a photograph was taken stays in the photograph: its kept file is the very file, and nothing
/// else that the program writes has the position.
#[test]
fn the_position_stays_in_the_photograph() {
    let dock = Dock::new();
    let words = "VINEYARD-POSITION-7F3A";
    let photo = with_position(&fs::read(sample("black-unsorted-1.jpg")).unwrap(), words);
    let position = [48u32, 1, 17, 1, 4242, 100].map(u32::to_le_bytes).concat();
    fs::write(dock.path("tray.jpg"), &photo).unwrap();
    open_load(
        &dock,
        "HV-0417",
        &["--terms", "house.toml", "--sampling-point", "bin", "--bins", "8"],
    );
    dock.must(&["assess", "tray.jpg", "--out", "out", "--labels"]);
    dock.must(&["load", "add", "tray.jpg"]);
    dock.must(&["load", "delivery", "HV-0417", "--net-kg", "11450"]);
    dock.must(&["load", "close", "HV-0417"]);
    dock.must(&["load", "receipt", "HV-0417", "--out", "receipt.json"]);
    dock.must(&["sheet", "HV-0417", "--out", "sheet.pdf"]);
    let export = dock.run(&["ledger", "export", "--out", "all.json"]);
    assert!(err(&export).contains("photographs are not in it"), "{}", err(&export));
    dock.must(&["ledger", "export", "--out", "all.csv"]);
    dock.must(&["ledger", "export", "--load", "HV-0417", "--out", "objects.csv"]);
    dock.must(&["season", "--out", "season"]);
    let mut files = Vec::new();
    files_below(dock.dir(), &mut files);
    let has = |path: &Path| {
        let bytes = fs::read(path).unwrap();
        let holds = |part: &[u8]| bytes.windows(part.len()).any(|w| w == part);
        holds(words.as_bytes()) || holds(&position)
    };
    let with: Vec<String> = files
        .iter()
        .filter(|p| has(p))
        .map(|p| p.strip_prefix(dock.dir()).unwrap().display().to_string())
        .collect();
    assert!(files.len() > 12, "{files:?}");
    assert_eq!(with.len(), 2, "{with:?}");
    assert!(with.contains(&"tray.jpg".to_owned()), "{with:?}");
    assert!(with.iter().any(|p| p.contains("archive")), "{with:?}");
    // The same photograph twice in one call, and again: recorded once.
    let again = dock.run(&["load", "add", "tray.jpg", "tray.jpg"]);
    decent(&again, "twice");
    assert_eq!(
        out(&again).matches("recorded already").count(),
        2,
        "{}{}",
        out(&again),
        err(&again)
    );
}

#[test]
fn names_on_slips_and_files_of_the_same_name() {
    let dock = Dock::new();
    for (load, lot, words) in [
        ("A;B", "UNSORTED", "only A to Z (upper case), 0 to 9 and - are allowed"),
        ("=1+1", "UNSORTED", "only A to Z (upper case), 0 to 9 and - are allowed"),
        ("<b>", "UNSORTED", "only A to Z (upper case), 0 to 9 and - are allowed"),
        ("A\nB", "UNSORTED", "only A to Z (upper case), 0 to 9 and - are allowed"),
        ("A", "", "only A to Z (upper case), 0 to 9 and - are allowed"),
        (&"A".repeat(90), "B", "28 fit into a slip's symbol: shorten one"),
    ] {
        told(&dock, 2, &["slip", load, lot, "--trays", "1"], &[words]);
    }
    told(
        &dock,
        2,
        &["assess", "x/a.jpg", "y/a.jpg", "--out", "out"],
        &["x/a.jpg and y/a.jpg have the same name"],
    );
    told(
        &dock,
        2,
        &["assess", "a.jpg", "a.jpg", "--out", "out"],
        &["a.jpg and a.jpg have the same name"],
    );
    // Two folders, one name: a check writes nothing and takes both.
    for folder in ["x", "y"] {
        fs::create_dir(dock.path(folder)).unwrap();
        fs::write(dock.path(&format!("{folder}/a.jpg")), b"words").unwrap();
    }
    let both = dock.run(&["check", "x", "y"]);
    assert!(out(&both).contains("x/a.jpg") && out(&both).contains("y/a.jpg"), "{}", out(&both));
}
