#![allow(clippy::unwrap_used)]

use super::*;
use image::codecs::jpeg::JpegEncoder;
use image::codecs::png::PngEncoder;
use image::{ExtendedColorType, ImageEncoder, Rgb};

const W: u32 = 300;
const H: u32 = 200;

/// A picture whose quarters are red, green, blue and white (row by row).
fn quarters() -> RgbImage {
    RgbImage::from_fn(W, H, |x, y| match (x < W / 2, y < H / 2) {
        (true, true) => Rgb([220, 20, 20]),
        (false, true) => Rgb([20, 180, 20]),
        (true, false) => Rgb([20, 20, 220]),
        (false, false) => Rgb([240, 240, 240]),
    })
}

fn jpeg(picture: &RgbImage) -> Vec<u8> {
    let mut bytes = Vec::new();
    JpegEncoder::new_with_quality(&mut bytes, 95)
        .write_image(picture.as_raw(), picture.width(), picture.height(), ExtendedColorType::Rgb8)
        .unwrap();
    bytes
}

fn png(data: &[u8], w: u32, h: u32, colour: ExtendedColorType, icc: Option<Vec<u8>>) -> Vec<u8> {
    let mut bytes = Vec::new();
    let mut encoder = PngEncoder::new(&mut bytes);
    if let Some(icc) = icc {
        encoder.set_icc_profile(icc).unwrap();
    }
    encoder.write_image(data, w, h, colour).unwrap();
    bytes
}

/// An Exif block (TIFF 6.0 layout, little-endian) with orientation, focal length and date.
fn exif_block(orientation: u16, focal: u16, date: &str) -> Vec<u8> {
    let entry = |tag: u16, kind: u16, count: u32, value: u32| {
        let mut e = tag.to_le_bytes().to_vec();
        e.extend(kind.to_le_bytes());
        e.extend(count.to_le_bytes());
        e.extend(value.to_le_bytes());
        e
    };
    let (ifd0, sub) = (8u32, 8 + 2 + 2 * 12 + 4);
    let text = sub + 2 + 2 * 12 + 4;
    let mut t = b"II*\0".to_vec();
    t.extend(ifd0.to_le_bytes());
    t.extend(2u16.to_le_bytes());
    t.extend(entry(0x0112, 3, 1, u32::from(orientation)));
    t.extend(entry(0x8769, 4, 1, sub));
    t.extend(0u32.to_le_bytes());
    t.extend(2u16.to_le_bytes());
    t.extend(entry(0x9003, 2, date.len() as u32 + 1, text));
    t.extend(entry(0xa405, 3, 1, u32::from(focal)));
    t.extend(0u32.to_le_bytes());
    t.extend(date.as_bytes());
    t.push(0);
    t
}

fn with_exif(jpeg: &[u8], block: &[u8]) -> Vec<u8> {
    let mut out = jpeg[..2].to_vec();
    out.extend([0xff, 0xe1]);
    out.extend((block.len() as u16 + 8).to_be_bytes());
    out.extend(b"Exif\0\0");
    out.extend(block);
    out.extend(&jpeg[2..]);
    out
}

fn is_near(a: Rgb<u8>, b: [u8; 3], tol: u8) -> bool {
    a.0.iter().zip(b).all(|(a, b)| a.abs_diff(b) <= tol)
}

#[test]
fn all_eight_orientations_come_out_upright() {
    // Exif 2.32, tag 274: where the stored row 0 and column 0 belong. Below: which visual corner
    // (top-left, top-right, bottom-right, bottom-left) shows the stored picture's first pixel,
    // and which shows the end of its first row.
    let corners: [(usize, usize); 8] =
        [(0, 1), (1, 0), (2, 3), (3, 2), (0, 3), (1, 2), (2, 1), (3, 0)];
    let plain = jpeg(&quarters());
    for (k, (first, row_end)) in corners.iter().enumerate() {
        let orientation = k as u16 + 1;
        let bytes = with_exif(&plain, &exif_block(orientation, 26, "2026:09:18 07:42:10"));
        let photo = decode(&bytes).unwrap();
        let (w, h) = photo.rgb.dimensions();
        assert_eq!((w, h), if orientation < 5 { (W, H) } else { (H, W) });
        let at = [(5, 5), (w - 6, 5), (w - 6, h - 6), (5, h - 6)];
        let pixel = |c: usize| *photo.rgb.get_pixel(at[c].0, at[c].1);
        assert!(is_near(pixel(*first), [220, 20, 20], 8), "orientation {orientation}");
        assert!(is_near(pixel(*row_end), [20, 180, 20], 8), "orientation {orientation}");
        assert_eq!(photo.exif.focal_35mm, Some(26.0));
        assert_eq!(photo.exif.taken.as_deref(), Some("2026:09:18 07:42:10"));
    }
}

#[test]
fn facts_that_say_nothing_are_none() {
    let bytes = with_exif(&jpeg(&quarters()), &exif_block(1, 0, "0000:00:00 00:00:00"));
    assert_eq!(decode(&bytes).unwrap().exif, ExifFacts::default());
    assert_eq!(decode(&jpeg(&quarters())).unwrap().exif, ExifFacts::default());
}

#[test]
fn display_p3_is_converted() {
    // Linear Display P3 to linear sRGB as in CSS Color Module Level 4, section 18 (sample code);
    // both share the sRGB transfer function.
    let p3_to_srgb = [
        [1.224_940_176_3, -0.224_940_176_3, 0.0],
        [-0.042_056_954_7, 1.042_056_954_7, 0.0],
        [-0.019_637_554_6, -0.078_636_045_6, 1.098_273_600_1],
    ];
    let linear = |c: u8| {
        let v = f64::from(c) / 255.0;
        if v <= 0.04045 { v / 12.92 } else { ((v + 0.055) / 1.055).powf(2.4) }
    };
    let code = |v: f64| {
        let v = v.clamp(0.0, 1.0);
        let e = if v <= 0.003_130_8 { v * 12.92 } else { 1.055 * v.powf(1.0 / 2.4) - 0.055 };
        (e * 255.0).round() as u8
    };
    let colours = [[128u8, 64, 32], [90, 40, 55], [200, 210, 60], [30, 30, 30], [250, 250, 250]];
    let data: Vec<u8> =
        (0..W * H).flat_map(|i| colours[(i % W / 60) as usize % colours.len()]).collect();
    let icc = moxcms::ColorProfile::new_display_p3().encode().unwrap();
    let photo = decode(&png(&data, W, H, ExtendedColorType::Rgb8, Some(icc))).unwrap();
    for (k, c) in colours.iter().enumerate() {
        let lin = c.map(linear);
        let want: [u8; 3] =
            std::array::from_fn(|r| code((0..3).map(|j| p3_to_srgb[r][j] * lin[j]).sum()));
        let got = *photo.rgb.get_pixel(60 * k as u32 + 3, 10);
        assert!(is_near(got, want, 1), "{c:?}: {got:?}, not {want:?}");
    }
    assert_eq!(photo.notes.len(), 1);
    assert!(photo.notes[0].contains("to sRGB"), "{:?}", photo.notes);
    assert!(!photo.grey);
}

#[test]
fn an_srgb_profile_changes_nothing_and_a_broken_one_is_told() {
    let picture = quarters();
    let icc = moxcms::ColorProfile::new_srgb().encode().unwrap();
    let photo = decode(&png(&picture, W, H, ExtendedColorType::Rgb8, Some(icc))).unwrap();
    assert_eq!(photo.rgb, picture);
    assert!(photo.notes.is_empty());
    let photo = decode(&png(&picture, W, H, ExtendedColorType::Rgb8, Some(vec![7; 200]))).unwrap();
    assert_eq!(photo.rgb, picture);
    assert!(photo.notes[0].contains("could not be used"));
}

#[test]
fn grey_sixteen_bit_and_transparent_pictures() {
    let luma: Vec<u8> = (0..W * H).map(|i| (i % 256) as u8).collect();
    let photo = decode(&png(&luma, W, H, ExtendedColorType::L8, None)).unwrap();
    assert!(photo.grey);
    assert_eq!(photo.rgb.get_pixel(77, 0).0, [77; 3]);

    // 16-bit samples in the machine's byte order, as the encoder wants them.
    let deep: Vec<u8> = (0..W * H)
        .flat_map(|i| [(i % 256 * 257) as u16, 128 * 257 + 100, 0])
        .flat_map(u16::to_ne_bytes)
        .collect();
    let photo = decode(&png(&deep, W, H, ExtendedColorType::Rgb16, None)).unwrap();
    assert_eq!(photo.rgb.get_pixel(200, 0).0, [200, 128, 0]);
    assert!(!photo.grey);

    let clear: Vec<u8> = (0..W * H).flat_map(|_| [100, 0, 200, 51]).collect();
    let photo = decode(&png(&clear, W, H, ExtendedColorType::Rgba8, None)).unwrap();
    // 0.2 of the colour on 0.8 of white.
    assert_eq!(photo.rgb.get_pixel(9, 9).0, [224, 204, 244]);
    assert!(photo.notes[0].contains("on white"));
    let opaque: Vec<u8> = (0..W * H).flat_map(|_| [100, 0, 200, 255]).collect();
    let photo = decode(&png(&opaque, W, H, ExtendedColorType::Rgba8, None)).unwrap();
    assert_eq!(photo.rgb.get_pixel(9, 9).0, [100, 0, 200]);
    assert!(photo.notes.is_empty());
}

#[test]
fn tiff_of_both_depths() {
    let picture = quarters();
    let mut bytes = Vec::new();
    picture.write_to(&mut Cursor::new(&mut bytes), ImageFormat::Tiff).unwrap();
    let photo = decode(&bytes).unwrap();
    assert_eq!(photo.rgb, picture);

    let deep: Vec<u16> = (0..W * H).map(|i| (i % 256 * 257) as u16).collect();
    let deep = DynamicImage::ImageLuma16(image::ImageBuffer::from_raw(W, H, deep).unwrap());
    let mut bytes = Vec::new();
    deep.write_to(&mut Cursor::new(&mut bytes), ImageFormat::Tiff).unwrap();
    let photo = decode(&bytes).unwrap();
    assert!(photo.grey);
    assert_eq!(photo.rgb.get_pixel(77, 0).0, [77; 3]);
}

#[test]
fn the_digest_is_sha_256() {
    let bytes = jpeg(&quarters());
    let photo = decode(&bytes).unwrap();
    assert_eq!(photo.sha256.len(), 64);
    // FIPS 180-4 example: SHA-256 of "abc", through the same formatting.
    let abc: String = Sha256::digest(b"abc").iter().map(|b| format!("{b:02x}")).collect();
    assert_eq!(abc, "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad");
    let own: String = Sha256::digest(&bytes).iter().map(|b| format!("{b:02x}")).collect();
    assert_eq!(photo.sha256, own);
}

/// CRC-32 of PNG (ISO/IEC 15948, annex D).
fn crc32(data: &[u8]) -> u32 {
    !data.iter().fold(!0u32, |mut c, b| {
        c ^= u32::from(*b);
        for _ in 0..8 {
            c = if c & 1 == 1 { 0xedb8_8320 ^ (c >> 1) } else { c >> 1 };
        }
        c
    })
}

#[test]
fn sizes_are_checked_before_decoding() {
    // 20000 x 20000 pixels announced, none there.
    let mut bytes = b"\x89PNG\r\n\x1a\n".to_vec();
    let mut chunk = |kind: &[u8; 4], body: &[u8]| {
        bytes.extend((body.len() as u32).to_be_bytes());
        let mut checked = kind.to_vec();
        checked.extend(body);
        bytes.extend(&checked);
        bytes.extend(crc32(&checked).to_be_bytes());
    };
    let mut header = 20_000u32.to_be_bytes().to_vec();
    header.extend(20_000u32.to_be_bytes());
    header.extend([8, 2, 0, 0, 0]);
    chunk(b"IHDR", &header);
    chunk(b"IDAT", &[0x78, 0x9c]);
    let error = decode(&bytes).unwrap_err();
    assert!(matches!(error, PhotoError::Size { width: 20_000, .. }), "{error}");
    assert!(error.to_string().contains("400.00 megapixels"), "{error}");

    let small = jpeg(&RgbImage::new(249, 200));
    assert!(matches!(decode(&small), Err(PhotoError::Size { .. })));
    let just = jpeg(&RgbImage::new(250, 200));
    assert!(decode(&just).is_ok());
}

/// 12 megapixels of JPEG: 5 MB, 3 bytes of samples and 6 beside them, 64 MiB.
#[test]
fn what_opening_takes_is_known_before() {
    assert_eq!(opening_bytes(5_000_000, 12_000_000, 3), 5_000_000 + 108_000_000 + 67_108_864);
    assert_eq!(opening_bytes(u64::MAX, u64::MAX, 8), u64::MAX);
    // Whatever may be decoded fits with 8 bits a channel, if its file is no larger than its samples.
    assert!(opening_bytes(3 * MAX_PIXELS, MAX_PIXELS, 3) < MAX_OPENING_BYTES);
    assert!(opening_bytes(0, MAX_PIXELS, 8) > MAX_OPENING_BYTES);
}

#[test]
fn a_file_of_several_pictures_says_that_one_was_read() {
    let mut bytes = Vec::new();
    quarters().write_to(&mut Cursor::new(&mut bytes), ImageFormat::Tiff).unwrap();
    assert!(decode(&bytes).unwrap().notes.is_empty());
    let first = u32::from_le_bytes(bytes[4..8].try_into().unwrap()) as usize;
    let count = u16::from_le_bytes(bytes[first..first + 2].try_into().unwrap()) as usize;
    let next = first + 2 + 12 * count;
    bytes.resize(bytes.len().next_multiple_of(2), 0);
    let second = (bytes.len() as u32).to_le_bytes();
    bytes.extend_from_within(first..next + 4);
    bytes[next..next + 4].copy_from_slice(&second);
    let photo = decode(&bytes).unwrap();
    assert_eq!(photo.rgb, quarters());
    assert!(photo.notes[0].contains("several pictures: the first one was read"));
    // An animation's control chunk, straight after the header (8 + 25 bytes).
    let plain = png(&quarters(), W, H, ExtendedColorType::Rgb8, None);
    assert!(decode(&plain).unwrap().notes.is_empty());
    let body = [b"acTL", &[0u8, 0, 0, 2, 0, 0, 0, 0][..]].concat();
    let chunk = [&8u32.to_be_bytes()[..], &body, &crc32(&body).to_be_bytes()].concat();
    let moving = [&plain[..33], &chunk, &plain[33..]].concat();
    assert!(decode(&moving).unwrap().notes[0].contains("an animated PNG file holds several"));
}

#[test]
fn what_is_not_read_is_named() {
    let cases: [(&[u8], &str); 9] = [
        (b"", "is empty"),
        (b"hello there", "first bytes"),
        (b"\0\0\0\x18ftypheic\0\0\0\0", "HEIC"),
        (b"\0\0\0\x18ftypmif1\0\0\0\0", "HEIC"),
        (b"\0\0\0\x18ftypcrx \0\0\0\0", "camera raw"),
        (b"II*\0\x10\0\0\0CR\x02\0", "camera raw"),
        (b"FUJIFILMCCD-RAW 0201", "camera raw"),
        (b"RIFF\0\0\0\0WEBPVP8 ", "WebP"),
        (b"%PDF-1.7", "PDF"),
    ];
    for (bytes, word) in cases {
        let error = decode(bytes).unwrap_err().to_string();
        assert!(error.contains(word), "{error}");
        assert!(!error.contains('\n'));
    }
    // Written by Pillow (libjpeg).
    let cmyk = include_bytes!("../../tests/data/cmyk.jpg");
    assert!(decode(cmyk).unwrap_err().to_string().contains("CMYK"));
}

#[test]
fn a_dng_is_told_from_a_tiff() {
    let mut bytes = b"II*\0\x08\0\0\0\x01\0".to_vec();
    bytes.extend([0x12, 0xc6, 1, 0, 4, 0, 0, 0, 1, 4, 0, 0, 0, 0, 0, 0]);
    let error = decode(&bytes).unwrap_err().to_string();
    assert!(error.contains("camera raw"), "{error}");
}

#[test]
fn a_cut_off_jpeg_is_told() {
    let bytes = jpeg(&quarters());
    assert!(matches!(decode(&bytes[..bytes.len() / 2]), Err(PhotoError::CutOff)));
    assert!(matches!(decode(&bytes[..20]), Err(PhotoError::CutOff)));
    // The thumbnail inside the Exif block ends properly; the picture does not.
    let mut block = exif_block(1, 26, "2026:09:18 07:42:10");
    block.extend([0xff, 0xd9]);
    let with = with_exif(&bytes, &block);
    assert!(matches!(decode(&with[..with.len() - 40]), Err(PhotoError::CutOff)));
}

#[test]
fn progressive_with_restart_markers_is_warned_of_and_right() {
    // Written by Pillow (libjpeg-turbo), the PNG being libjpeg-turbo's own decoding of it.
    let bytes = include_bytes!("../../tests/data/progressive_restart.jpg");
    let want =
        image::load_from_memory(include_bytes!("../../tests/data/progressive_restart.libjpeg.png"))
            .unwrap()
            .into_rgb8();
    let photo = decode(bytes).unwrap();
    assert!(photo.notes.iter().any(|n| n.contains("restart markers")));
    let worst =
        photo.rgb.as_raw().iter().zip(want.as_raw()).map(|(a, b)| a.abs_diff(*b)).max().unwrap();
    assert!(worst <= 6, "{worst}");
}

proptest::proptest! {
    #![proptest_config(proptest::prelude::ProptestConfig::with_cases(64))]
    #[test]
    fn damaged_files_give_errors_not_panics(at in 0usize..4000, value: u8, cut in 0usize..4000) {
        let good = jpeg(&RgbImage::from_fn(250, 200, |x, y| Rgb([x as u8, y as u8, 90])));
        let mut bytes = good.clone();
        let at = at % bytes.len();
        bytes[at] = value;
        let _ = decode(&bytes);
        bytes.truncate(cut % good.len());
        let _ = decode(&bytes);
    }
}
