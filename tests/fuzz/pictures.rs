//! Pictures for the targets that read photographs.

use std::io::Cursor;

use acinus::stats::SplitMix64;
use image::{DynamicImage, ImageFormat, Rgb, RgbImage};

/// Just above the fewest pixels that count as a photograph.
const SIZE: [u32; 2] = [260, 200];

fn encoded(picture: &DynamicImage, format: ImageFormat) -> Vec<u8> {
    let mut out = Cursor::new(Vec::new());
    picture.write_to(&mut out, format).unwrap();
    out.into_inner()
}

fn soft() -> RgbImage {
    RgbImage::from_fn(SIZE[0], SIZE[1], |x, y| Rgb([x as u8, y as u8, (x / 2 + y / 3) as u8]))
}

/// Small files of every kind that is read.
pub fn files() -> Vec<Vec<u8>> {
    let rgb = DynamicImage::ImageRgb8(soft());
    let mut all: Vec<Vec<u8>> = [ImageFormat::Jpeg, ImageFormat::Png]
        .iter()
        .flat_map(|f| [encoded(&rgb, *f), encoded(&rgb.to_luma8().into(), *f)])
        .collect();
    let flat = DynamicImage::ImageRgb8(RgbImage::new(SIZE[0], SIZE[1]));
    all.push(encoded(&flat.to_rgba16().into(), ImageFormat::Png));
    all.push(encoded(&flat.to_luma_alpha8().into(), ImageFormat::Png));
    all.push(encoded(&flat.to_luma8().into(), ImageFormat::Tiff));
    all.push(include_bytes!("../data/progressive_restart.jpg").to_vec());
    all.push(include_bytes!("../data/cmyk.jpg").to_vec());
    all
}

/// Little-endian EXIF: focal length, orientation, and when.
const EXIF: &[u8] = b"II*\0\x08\0\0\0\x03\0\
    \x12\x01\x03\0\x01\0\0\0\x06\0\0\0\
    \x05\xa4\x03\0\x01\0\0\0\x1a\0\0\0\
    \x32\x01\x02\0\x14\0\0\0\x32\0\0\0\
    \0\0\0\x002026:09:18 07:42:10\0";

/// Blocks for [`with_block`].
pub fn blocks() -> Vec<Vec<u8>> {
    let mut icc = vec![0u8; 132];
    icc[3] = 132;
    icc[8] = 4;
    icc[12..24].copy_from_slice(b"mntrRGB XYZ ");
    icc[36..40].copy_from_slice(b"acsp");
    let srgb = moxcms_srgb();
    [(0, EXIF), (1, &icc), (1, &srgb), (2, EXIF), (3, EXIF)]
        .iter()
        .map(|(place, block)| [&[*place], *block].concat())
        .collect()
}

/// A colour profile as cameras write it, made by hand: three primaries and one curve for all.
fn moxcms_srgb() -> Vec<u8> {
    let tags: [(&[u8; 4], Vec<u8>); 5] = [
        (b"wtpt", xyz([0x0000_f6d6, 0x0001_0000, 0x0000_d32d])),
        (b"rXYZ", xyz([0x0000_6fa2, 0x0000_38f5, 0x0000_0390])),
        (b"gXYZ", xyz([0x0000_6299, 0x0000_b785, 0x0000_18da])),
        (b"bXYZ", xyz([0x0000_24a0, 0x0000_0f84, 0x0000_b6cf])),
        (b"rTRC", b"curv\0\0\0\0\0\0\0\x01\x02\x33\0\0".to_vec()),
    ];
    let mut head = vec![0u8; 128];
    head[8..12].copy_from_slice(&[2, 0x40, 0, 0]);
    head[12..24].copy_from_slice(b"mntrRGB XYZ ");
    head[36..40].copy_from_slice(b"acsp");
    head[68..80].copy_from_slice(&[0, 0, 0xf6, 0xd6, 0, 1, 0, 0, 0, 0, 0xd3, 0x2d]);
    let (mut table, mut data) = (7u32.to_be_bytes().to_vec(), Vec::new());
    let start = 128 + 4 + 7 * 12;
    for (name, body) in &tags {
        let at = (start + data.len()) as u32;
        let names: &[&[u8; 4]] =
            if *name == b"rTRC" { &[b"rTRC", b"gTRC", b"bTRC"] } else { &[name] };
        for name in names {
            table.extend_from_slice(*name);
            table.extend_from_slice(&at.to_be_bytes());
            table.extend_from_slice(&(body.len() as u32).to_be_bytes());
        }
        data.extend_from_slice(body);
    }
    let mut all = [head, table, data].concat();
    let length = (all.len() as u32).to_be_bytes();
    all[..4].copy_from_slice(&length);
    all
}

fn xyz(values: [u32; 3]) -> Vec<u8> {
    let numbers = values.iter().flat_map(|v| v.to_be_bytes());
    b"XYZ \0\0\0\0".iter().copied().chain(numbers).collect()
}

/// A small photograph with a block in it: 0 EXIF in a JPEG, 1 a colour profile in a JPEG, 2 EXIF in a PNG, 3 the
/// head of a TIFF file.
pub fn with_block(place: u8, block: &[u8]) -> Vec<u8> {
    static FLAT: std::sync::OnceLock<[Vec<u8>; 2]> = std::sync::OnceLock::new();
    let [jpeg, png] = FLAT.get_or_init(|| {
        let flat = DynamicImage::ImageRgb8(RgbImage::from_pixel(SIZE[0], SIZE[1], Rgb([9, 80, 7])));
        [encoded(&flat, ImageFormat::Jpeg), encoded(&flat, ImageFormat::Png)]
    });
    let jpeg_with = |marker: u8, name: &[u8]| {
        let length = (2 + name.len() + block.len()) as u16;
        let head = [&[0xff, 0xd8, 0xff, marker], &length.to_be_bytes()[..], name, block].concat();
        [head, jpeg[2..].to_vec()].concat()
    };
    match place % 4 {
        0 => jpeg_with(0xe1, b"Exif\0\0"),
        1 => jpeg_with(0xe2, b"ICC_PROFILE\0\x01\x01"),
        2 => {
            // After the header chunk, which ends at 33. The checksum is that of nothing.
            let length = (block.len() as u32).to_be_bytes();
            let name_and_block = [b"eXIf", block].concat();
            let sum = crc32(&name_and_block).to_be_bytes();
            [&png[..33], &length, &name_and_block, &sum, &png[33..]].concat()
        }
        _ => block.to_vec(),
    }
}

/// CRC-32 of PNG (ISO/IEC 15948, annex D).
fn crc32(bytes: &[u8]) -> u32 {
    let step = |c: u32| if c & 1 == 1 { 0xedb8_8320 ^ (c >> 1) } else { c >> 1 };
    !bytes.iter().fold(!0u32, |crc, b| (0..8).fold(crc ^ u32::from(*b), |c, _| step(c)))
}

/// The largest size that the file's head names, as far as a glance tells.
pub fn pixels_named(bytes: &[u8]) -> u64 {
    let two =
        |at: usize| bytes.get(at..at + 2).map(|b| u64::from(u16::from_be_bytes([b[0], b[1]])));
    let four = |at: usize| {
        bytes.get(at..at + 4).map(|b| u64::from(u32::from_be_bytes([b[0], b[1], b[2], b[3]])))
    };
    if bytes.starts_with(b"\x89PNG") {
        return four(16).unwrap_or(0).saturating_mul(four(20).unwrap_or(0));
    }
    if bytes.starts_with(&[0xff, 0xd8]) {
        let frames = (2..bytes.len()).filter(|at| bytes[*at] == 0xff);
        return frames
            .filter(|at| bytes.get(at + 1).is_some_and(|m| (0xc0..=0xcf).contains(m)))
            .filter_map(|at| Some(two(at + 5)? * two(at + 7)?))
            .max()
            .unwrap_or(0);
    }
    tiff_pixels(bytes).unwrap_or(0)
}

/// Width and height in the first directory of a TIFF file (TIFF 6.0, section 2).
fn tiff_pixels(bytes: &[u8]) -> Option<u64> {
    let big = bytes.starts_with(b"MM");
    let number = |at: usize, length: usize| {
        let own = bytes.get(at..at + length)?;
        let add = |sum: u64, b: &u8| sum << 8 | u64::from(*b);
        Some(if big { own.iter().fold(0, add) } else { own.iter().rev().fold(0, add) })
    };
    let at = number(4, 4)? as usize;
    let mut sides = [1u64; 2];
    for i in 0..number(at, 2)?.min(200) as usize {
        let entry = at.checked_add(2 + 12 * i)?;
        let tag = number(entry, 2)?;
        if tag == 256 || tag == 257 {
            let length = if number(entry + 2, 2)? == 3 { 2 } else { 4 };
            sides[tag as usize - 256] = number(entry + 8, length)?;
        }
    }
    Some(sides[0].saturating_mul(sides[1]))
}

/// What a drawing begins with: the floor's colour, grain, then seven bytes a berry.
pub fn drawings() -> Vec<Vec<u8>> {
    let mut random = SplitMix64::new(7);
    let mut drawing = |floor: [u8; 3], berry: [u8; 3], count: usize| {
        let mut out = [floor.to_vec(), vec![6]].concat();
        for _ in 0..count {
            let mut byte = |below: u64| random.below(below) as u8;
            let (place, size) = ([byte(255), byte(255)], [60 + byte(60), 60 + byte(60)]);
            out.extend([place, size].concat());
            out.extend(berry.map(|c| c.saturating_add(byte(30))));
        }
        out
    };
    vec![
        drawing([235, 234, 230], [40, 25, 60], 12),
        drawing([30, 31, 33], [120, 160, 60], 20),
        drawing([235, 234, 230], [160, 190, 90], 3),
        drawing([128, 128, 128], [128, 128, 128], 1),
        drawing([235, 234, 230], [40, 25, 60], 0),
    ]
}

/// Draws a picture as the bytes say, as a TIFF file. Each berry: x, y, two radii, red, green, blue.
pub fn drawn(bytes: &[u8]) -> Vec<u8> {
    let (head, berries) = bytes.split_at(bytes.len().min(4));
    let byte = |i: usize| head.get(i).copied().unwrap_or(200);
    let (width, height) = (320u32, 240u32);
    let mut random = SplitMix64::new(1);
    let grain = u64::from(byte(3) % 32) + 1;
    let mut picture = RgbImage::from_pixel(width, height, Rgb([byte(0), byte(1), byte(2)]));
    for b in berries.chunks_exact(7).take(60) {
        let (cx, cy) = (i64::from(b[0]) * 320 / 255, i64::from(b[1]) * 240 / 255);
        let (rx, ry) = (1 + i64::from(b[2]) / 3, 1 + i64::from(b[3]) / 3);
        for y in (cy - ry).max(0)..(cy + ry + 1).min(240) {
            for x in (cx - rx).max(0)..(cx + rx + 1).min(320) {
                let (dx, dy) = (x - cx, y - cy);
                if dx * dx * ry * ry + dy * dy * rx * rx <= rx * rx * ry * ry {
                    picture.put_pixel(x as u32, y as u32, Rgb([b[4], b[5], b[6]]));
                }
            }
        }
    }
    for pixel in picture.pixels_mut() {
        let noise = random.below(grain) as u8;
        pixel.0 = pixel.0.map(|v| v.saturating_add(noise));
    }
    encoded(&DynamicImage::ImageRgb8(picture), ImageFormat::Tiff)
}
