//! From a file's bytes to upright sRGB pixels and the few facts of its EXIF block that we use.
//!
//! This module knows nothing of trays.

use std::io::Cursor;
use std::path::Path;

use image::{ColorType, DynamicImage, ImageDecoder, ImageFormat, ImageReader, Limits, RgbImage};
use rayon::prelude::*;
use sha2::{Digest, Sha256};
use thiserror::Error;

use crate::given;
use crate::guard::guarded;

/// Fewest pixels that are taken for a photograph.
pub const MIN_PIXELS: u64 = 50_000;
/// Most pixels that are decoded.
pub const MAX_PIXELS: u64 = 100_000_000;
/// Most memory that opening one photograph may take, bytes.
pub const MAX_OPENING_BYTES: u64 = 1_400_000_000;

/// The memory that opening a photograph takes at most, bytes: the file; for each pixel the decoder's
/// samples, and six bytes that are at one time its coefficients (16 bits, three channels, in a
/// progressive JPEG), at another the RGB pixels and the same turned upright; and 64 MiB for tables and
/// colour profiles. (The EXIF reader's copy of a TIFF file is gone by then.) Worked out from the
/// header, before any pixel has its place.
pub fn opening_bytes(file_bytes: u64, pixels: u64, sample_bytes_per_pixel: u64) -> u64 {
    const BESIDE_BYTES_PER_PIXEL: u64 = 6;
    const CONSTANT_BYTES: u64 = 64 << 20;
    let pixel_bytes = pixels.saturating_mul(sample_bytes_per_pixel + BESIDE_BYTES_PER_PIXEL);
    file_bytes.saturating_add(pixel_bytes).saturating_add(CONSTANT_BYTES)
}

/// A decoded photograph: upright, 8-bit sRGB.
#[derive(Debug, Clone)]
pub struct Photo {
    /// Upright pixels, sRGB.
    pub rgb: RgbImage,
    /// True when the file carries no colour (one channel, or three equal ones).
    pub grey: bool,
    /// Facts from the EXIF block.
    pub exif: ExifFacts,
    /// SHA-256 of the file's bytes, lower-case hex.
    pub sha256: String,
    /// What was assumed or converted on the way, in words for the report.
    pub notes: Vec<String>,
}

/// The facts of the EXIF block that we use.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct ExifFacts {
    /// 35 mm-equivalent focal length, mm (of the film frame's diagonal; see
    /// [`crate::frame::focal_px`]).
    pub focal_35mm: Option<f64>,
    /// Date and time of the photograph as the file gives it.
    pub taken: Option<String>,
}

/// Why a file could not become a [`Photo`].
#[derive(Debug, Error)]
pub enum PhotoError {
    /// The file could not be read.
    #[error("cannot be read: {0}")]
    Read(#[from] std::io::Error),
    /// The file holds nothing.
    #[error("is empty: copy it from the camera again")]
    Empty,
    /// The file is not a picture that we can decode.
    #[error(
        "cannot be decoded as a JPEG, PNG or TIFF picture ({0}): copy it from the camera again, or save it as JPEG"
    )]
    Decode(String),
    /// The file ends too early.
    #[error("is cut off (no end mark): copy it from the camera again")]
    CutOff,
    /// A format that is known but not read.
    #[error("is a {format} file: {advice}")]
    Unsupported {
        /// What it is.
        format: &'static str,
        /// What to do.
        advice: &'static str,
    },
    /// It would take too much memory.
    #[error(
        "would take {:.1} GB of memory to open, more than the {:.1} allowed: save it with 8 bits a channel, or smaller",
        *bytes as f64 / 1e9,
        MAX_OPENING_BYTES as f64 / 1e9
    )]
    Memory {
        /// What it would take, bytes.
        bytes: u64,
    },
    /// Too small or too large.
    #[error(
        "has {width} x {height} pixels ({megapixels:.2} megapixels): photographs of 0.05 to 100 megapixels can be measured"
    )]
    Size {
        /// Width, px.
        width: u32,
        /// Height, px.
        height: u32,
        /// Width times height, millions.
        megapixels: f64,
    },
}

/// Reads and decodes a photograph.
pub fn read(path: &Path) -> Result<Photo, PhotoError> {
    decode(&given::read(path, given::Kind::Photograph)?)
}

/// Decodes a photograph from the bytes of its file.
pub fn decode(bytes: &[u8]) -> Result<Photo, PhotoError> {
    let format = sniff(bytes)?;
    let mut notes = Vec::new();
    if format == ImageFormat::Jpeg {
        let head = JpegHead::scan(bytes)?;
        if head.components == 4 {
            return Err(PhotoError::Unsupported {
                format: "CMYK JPEG (made for print)",
                advice: "save it as an RGB JPEG, or use the camera's original file",
            });
        }
        if head.progressive && head.restart_interval > 0 {
            notes.push(
                "progressive JPEG with restart markers, a kind that some picture libraries decode wrongly: compare the overlay with the photograph".into(),
            );
        }
    }
    if let Some(what) = several_pictures(bytes, format) {
        notes.push(format!("{what} holds several pictures: the first one was read"));
    }
    let exif =
        guarded(|| exif::Reader::new().read_from_container(&mut Cursor::new(bytes)).ok()).flatten();
    if format == ImageFormat::Tiff && exif.as_ref().is_some_and(is_raw) {
        return Err(RAW);
    }
    let facts = exif.as_ref().map(facts_of).unwrap_or_default();
    // It may be a copy of the whole file.
    drop(exif);

    let (picture, sha256) = rayon::join(
        || guarded(|| open(bytes, format)).unwrap_or_else(|| Err(decode_error("damaged data"))),
        || Sha256::digest(bytes).iter().map(|b| format!("{b:02x}")).collect::<String>(),
    );
    let Opened { image, icc, orientation } = picture?;

    let one_channel = matches!(
        image,
        DynamicImage::ImageLuma8(_)
            | DynamicImage::ImageLumaA8(_)
            | DynamicImage::ImageLuma16(_)
            | DynamicImage::ImageLumaA16(_)
    );
    if has_holes(&image) {
        notes.push("transparent parts were laid on white".into());
    }
    let mut rgb = flatten(image)?;
    let grey = one_channel || is_grey(&rgb);
    if let Some(icc) = icc {
        match to_srgb(&mut rgb, &icc, one_channel) {
            Ok(Some(name)) => notes.push(format!("colours converted from {name} to sRGB")),
            Ok(None) => {}
            Err(()) => notes.push(
                "the embedded colour profile could not be used: colours taken to be sRGB".into(),
            ),
        }
    }
    let mut upright = DynamicImage::ImageRgb8(rgb);
    upright.apply_orientation(orientation);
    let rgb = upright.into_rgb8();
    Ok(Photo { rgb, grey, exif: facts, sha256, notes })
}

fn decode_error(why: impl ToString) -> PhotoError {
    PhotoError::Decode(why.to_string())
}

const RAW: PhotoError = PhotoError::Unsupported {
    format: "camera raw",
    advice: "develop it to JPEG or 8/16-bit TIFF first, or let the camera save JPEG",
};

/// What else is sent by mistake, by first bytes.
const OTHERS: [(&[u8], &str, &str); 8] = [
    (b"GIF8", "GIF", "take the camera's own JPEG"),
    (b"BM", "BMP", "save it as PNG or JPEG"),
    (b"\0\0\0\x0cJXL ", "JPEG XL", "export it as JPEG"),
    (b"\xff\x0a", "JPEG XL", "export it as JPEG"),
    (b"\0\0\0\x0cjP  ", "JPEG 2000", "export it as JPEG"),
    (b"PK\x03\x04", "ZIP", "unpack it and give the photographs in it"),
    (b"\x1f\x8b", "gzip", "unpack it and give the photographs in it"),
    (b"SQLite format 3\0", "SQLite", "a ledger is named with --ledger; give a photograph here"),
];

/// What a file with several pictures is called; none where it has one. Only the first is read, and a
/// user may have meant another.
fn several_pictures(bytes: &[u8], format: ImageFormat) -> Option<&'static str> {
    match format {
        // The animation's control chunk stands before the first picture data (PNG, third edition,
        // 11.3.6.1); chunks are looked at up to that place.
        ImageFormat::Png => {
            let mut at = 8;
            loop {
                let head = bytes.get(at..at + 8)?;
                match &head[4..] {
                    b"acTL" => return Some("an animated PNG file"),
                    b"IDAT" => return None,
                    _ => {}
                }
                let length = u32::from_be_bytes([head[0], head[1], head[2], head[3]]) as usize;
                at = at.checked_add(length)?.checked_add(12)?;
            }
        }
        // The first directory names the next (TIFF 6.0, section 2).
        ImageFormat::Tiff => {
            let small = bytes.starts_with(b"II");
            let word = |at: usize, n: usize| -> Option<usize> {
                let part = bytes.get(at..at.checked_add(n)?)?;
                let join = |sum: usize, b: &u8| sum << 8 | usize::from(*b);
                Some(if small {
                    part.iter().rev().fold(0, join)
                } else {
                    part.iter().fold(0, join)
                })
            };
            // Directories of more than 4 GB files are not followed: those are not read at all.
            if word(2, 2)? != 42 {
                return None;
            }
            let first = word(4, 4)?;
            let next = word(first.checked_add(2)?.checked_add(12 * word(first, 2)?)?, 4)?;
            (next != 0).then_some("this TIFF file")
        }
        _ => None,
    }
}

/// Tells the format by the file's first bytes.
fn sniff(bytes: &[u8]) -> Result<ImageFormat, PhotoError> {
    if bytes.is_empty() {
        return Err(PhotoError::Empty);
    }
    let starts = |magic: &[u8]| bytes.starts_with(magic);
    if starts(&[0xff, 0xd8, 0xff]) {
        return Ok(ImageFormat::Jpeg);
    }
    if starts(b"\x89PNG\r\n\x1a\n") {
        return Ok(ImageFormat::Png);
    }
    if starts(b"FUJIFILMCCD-RAW")
        || starts(b"IIU\0")
        || starts(b"IIRO")
        || starts(b"IIRS")
        || starts(b"MMOR")
        || bytes.get(4..12) == Some(b"ftypcrx ")
        || (starts(b"II*\0") && bytes.get(8..10) == Some(b"CR"))
    {
        return Err(RAW);
    }
    if starts(b"II*\0") || starts(b"MM\0*") || starts(b"II+\0") || starts(b"MM\0+") {
        return Ok(ImageFormat::Tiff);
    }
    if bytes.get(4..8) == Some(b"ftyp") {
        let brand = bytes.get(8..12).unwrap_or_default();
        return Err(match brand {
            b"heic" | b"heix" | b"hevc" | b"heim" | b"heis" | b"mif1" | b"msf1" => {
                PhotoError::Unsupported {
                    format: "HEIC",
                    advice: "set the phone's camera to \"Most compatible\" (JPEG), or export it as JPEG",
                }
            }
            b"avif" | b"avis" => {
                PhotoError::Unsupported { format: "AVIF", advice: "export it as JPEG" }
            }
            _ => PhotoError::Unsupported {
                format: "film (or other media)",
                advice: "take a still photograph and use its JPEG",
            },
        });
    }
    if starts(b"RIFF") && bytes.get(8..12) == Some(b"WEBP") {
        return Err(PhotoError::Unsupported { format: "WebP", advice: "export it as JPEG" });
    }
    for (magic, format, advice) in OTHERS {
        if starts(magic) {
            return Err(PhotoError::Unsupported { format, advice });
        }
    }
    let head = String::from_utf8_lossy(&bytes[..bytes.len().min(256)]).trim_start().to_lowercase();
    if head.starts_with("<!doctype html") || head.starts_with("<html") {
        return Err(PhotoError::Unsupported {
            format: "web page (HTML)",
            advice: "save the photograph itself, not the page that shows it",
        });
    }
    if starts(b"%PDF") {
        return Err(PhotoError::Unsupported {
            format: "PDF",
            advice: "give the photograph itself, as JPEG, PNG or TIFF",
        });
    }
    Err(decode_error("its first bytes are of none of these"))
}

/// What the markers before the first scan say (ITU-T T.81, annex B).
#[derive(Debug, Default, PartialEq, Eq)]
struct JpegHead {
    components: u8,
    progressive: bool,
    restart_interval: u16,
}

impl JpegHead {
    fn scan(bytes: &[u8]) -> Result<JpegHead, PhotoError> {
        let mut head = JpegHead::default();
        let mut at = 2;
        while at + 4 <= bytes.len() {
            if bytes[at] != 0xff {
                return Err(decode_error("damaged JPEG header"));
            }
            let marker = bytes[at + 1];
            if marker == 0xff {
                at += 1;
                continue;
            }
            if marker == 0x01 || (0xd0..=0xd8).contains(&marker) {
                at += 2;
                continue;
            }
            let length = usize::from(u16::from_be_bytes([bytes[at + 2], bytes[at + 3]]));
            let body = bytes.get(at + 4..at + 2 + length.max(2)).ok_or(PhotoError::CutOff)?;
            match marker {
                // Start of frame of any process; c4, c8 and cc are other things.
                0xc0..=0xcf if ![0xc4, 0xc8, 0xcc].contains(&marker) => {
                    head.progressive = matches!(marker, 0xc2 | 0xc6 | 0xca | 0xce);
                    head.components = body.get(5).copied().unwrap_or(0);
                }
                0xdd if body.len() >= 2 => {
                    head.restart_interval = u16::from_be_bytes([body[0], body[1]]);
                }
                0xda => {
                    // Inside a scan ff is followed by 00 or a restart marker, so the first end of
                    // image after it is the picture's own, not the thumbnail's.
                    let rest = &bytes[at + 2 + length.max(2)..];
                    let ended = rest.windows(2).rev().any(|w| w == [0xff, 0xd9]);
                    return if ended { Ok(head) } else { Err(PhotoError::CutOff) };
                }
                _ => {}
            }
            at += 2 + length.max(2);
        }
        Err(PhotoError::CutOff)
    }
}

/// True for raw files in a TIFF container: a DNG version tag, or a first directory that says that
/// it holds a reduced-resolution picture.
fn is_raw(exif: &exif::Exif) -> bool {
    let dng = exif::Tag(exif::Context::Tiff, 0xc612);
    let new_subfile_type = exif::Tag(exif::Context::Tiff, 0x00fe);
    exif.get_field(dng, exif::In::PRIMARY).is_some()
        || exif
            .get_field(new_subfile_type, exif::In::PRIMARY)
            .and_then(|f| f.value.get_uint(0))
            .is_some_and(|v| v & 1 == 1)
}

fn facts_of(exif: &exif::Exif) -> ExifFacts {
    let field = |tag| exif.get_field(tag, exif::In::PRIMARY);
    // Zero means unknown (Exif 2.32, FocalLengthIn35mmFilm).
    let focal_35mm = field(exif::Tag::FocalLengthIn35mmFilm)
        .and_then(|f| f.value.get_uint(0))
        .filter(|v| (1..=2000).contains(v))
        .map(f64::from);
    let text = |tag| {
        field(tag).and_then(|f| match &f.value {
            exif::Value::Ascii(parts) => {
                let s = String::from_utf8_lossy(parts.first()?).trim().to_owned();
                let blank = s.chars().all(|c| c == ' ' || c == ':' || c == '0');
                let tame = s.len() <= 64 && !s.chars().any(char::is_control);
                (!blank && tame).then_some(s)
            }
            _ => None,
        })
    };
    let taken = text(exif::Tag::DateTimeOriginal)
        .or_else(|| text(exif::Tag::DateTimeDigitized))
        .or_else(|| text(exif::Tag::DateTime));
    ExifFacts { focal_35mm, taken }
}

/// A decoded picture with what its container says about showing it.
struct Opened {
    image: DynamicImage,
    icc: Option<Vec<u8>>,
    orientation: image::metadata::Orientation,
}

/// Checks the size in the header, then decodes.
fn open(bytes: &[u8], format: ImageFormat) -> Result<Opened, PhotoError> {
    let mut decoder = ImageReader::with_format(Cursor::new(bytes), format)
        .into_decoder()
        .map_err(decode_error)?;
    let (width, height) = decoder.dimensions();
    let pixels = u64::from(width) * u64::from(height);
    if !(MIN_PIXELS..=MAX_PIXELS).contains(&pixels) {
        return Err(PhotoError::Size { width, height, megapixels: pixels as f64 / 1e6 });
    }
    use image::ExtendedColorType as Colour;
    match decoder.original_color_type() {
        Colour::Cmyk8 | Colour::Cmyk16 => {
            return Err(PhotoError::Unsupported {
                format: "CMYK TIFF (made for print)",
                advice: "save it as RGB, or use the camera's original file",
            });
        }
        Colour::Rgb32F | Colour::Rgba32F => {
            return Err(PhotoError::Unsupported {
                format: "floating-point TIFF",
                advice: "save it with 8 or 16 bits a channel",
            });
        }
        _ => {}
    }
    let samples = u64::from(decoder.color_type().bytes_per_pixel());
    let memory = opening_bytes(bytes.len() as u64, pixels, samples);
    if memory > MAX_OPENING_BYTES {
        return Err(PhotoError::Memory { bytes: memory });
    }
    let mut limits = Limits::default();
    limits.max_alloc = Some(MAX_OPENING_BYTES);
    decoder.set_limits(limits).map_err(decode_error)?;
    let icc = decoder.icc_profile().ok().flatten();
    let orientation = decoder.orientation().unwrap_or(image::metadata::Orientation::NoTransforms);
    let image = if decoder.color_type() == ColorType::Rgb8 {
        let mut data = vec![0u8; decoder.total_bytes() as usize];
        touch(&mut data);
        decoder.read_image(&mut data).map_err(decode_error)?;
        let rgb = RgbImage::from_raw(width, height, data);
        rgb.ok_or_else(|| decode_error("wrong amount of pixel data"))?.into()
    } else {
        DynamicImage::from_decoder(decoder).map_err(decode_error)?
    };
    Ok(Opened { image, icc, orientation })
}

/// Has the system hand out memory on all cores: the decoder, which would be the first to use it, uses
/// one.
fn touch(data: &mut [u8]) {
    const PAGE: usize = 4096;
    data.par_chunks_mut(256 * PAGE)
        .for_each(|some| some.iter_mut().step_by(PAGE).for_each(|first| *first = 1));
}

/// True when any pixel is not opaque.
fn has_holes(image: &DynamicImage) -> bool {
    match image {
        DynamicImage::ImageLumaA8(i) => i.as_raw().par_chunks(2).any(|p| p[1] < 255),
        DynamicImage::ImageRgba8(i) => i.as_raw().par_chunks(4).any(|p| p[3] < 255),
        DynamicImage::ImageLumaA16(i) => i.as_raw().par_chunks(2).any(|p| p[1] < u16::MAX),
        DynamicImage::ImageRgba16(i) => i.as_raw().par_chunks(4).any(|p| p[3] < u16::MAX),
        _ => false,
    }
}

/// Any picture to 8-bit RGB: 16 bits rounded, grey spread over three channels, transparency laid
/// on white.
fn flatten(image: DynamicImage) -> Result<RgbImage, PhotoError> {
    let (w, h) = (image.width(), image.height());
    let data: Vec<u8> = match image {
        DynamicImage::ImageRgb8(rgb) => return Ok(rgb),
        DynamicImage::ImageLuma8(i) => spread::<u8, 1>(i.as_raw(), byte),
        DynamicImage::ImageLumaA8(i) => spread::<u8, 2>(i.as_raw(), byte),
        DynamicImage::ImageRgba8(i) => spread::<u8, 4>(i.as_raw(), byte),
        DynamicImage::ImageLuma16(i) => spread::<u16, 1>(i.as_raw(), word),
        DynamicImage::ImageLumaA16(i) => spread::<u16, 2>(i.as_raw(), word),
        DynamicImage::ImageRgb16(i) => spread::<u16, 3>(i.as_raw(), word),
        DynamicImage::ImageRgba16(i) => spread::<u16, 4>(i.as_raw(), word),
        _ => {
            return Err(PhotoError::Unsupported {
                format: "floating-point picture",
                advice: "save it with 8 or 16 bits a channel",
            });
        }
    };
    RgbImage::from_raw(w, h, data).ok_or_else(|| decode_error("wrong amount of pixel data"))
}

fn byte(v: u8) -> f32 {
    f32::from(v)
}

fn word(v: u16) -> f32 {
    f32::from(v) / 257.0
}

/// Interleaved samples (grey, grey + alpha, RGB, RGB + alpha) to RGB bytes; `scale` brings a
/// sample to 0..255.
fn spread<T: Copy + Sync, const N: usize>(raw: &[T], scale: fn(T) -> f32) -> Vec<u8> {
    const BLOCK: usize = 1 << 14;
    let mut out = vec![0u8; raw.len() / N * 3];
    out.par_chunks_mut(BLOCK * 3).zip(raw.par_chunks(BLOCK * N)).for_each(|(out, raw)| {
        for (o, p) in out.chunks_exact_mut(3).zip(raw.chunks_exact(N)) {
            let colour =
                if N >= 3 { [scale(p[0]), scale(p[1]), scale(p[2])] } else { [scale(p[0]); 3] };
            let alpha = if N == 2 || N == 4 { scale(p[N - 1]) / 255.0 } else { 1.0 };
            for (o, c) in o.iter_mut().zip(colour) {
                *o = (c * alpha + 255.0 * (1.0 - alpha) + 0.5) as u8;
            }
        }
    });
    out
}

/// True when the three channels are equal (within rounding) all over.
fn is_grey(rgb: &RgbImage) -> bool {
    let stride = rgb.width() as usize * 3;
    let coloured = |row: &[u8]| {
        row.chunks_exact(3).any(|p| {
            let lo = p[0].min(p[1]).min(p[2]);
            let hi = p[0].max(p[1]).max(p[2]);
            hi - lo > 3
        })
    };
    // Most photographs show colour in the first rows looked at.
    !rgb.as_raw().par_chunks(stride).any(coloured)
}

/// Converts to sRGB in place. Gives the profile's name when anything changed, none when the
/// profile is sRGB already (to within one code on a palette), an error when it cannot be used.
fn to_srgb(rgb: &mut RgbImage, icc: &[u8], one_channel: bool) -> Result<Option<String>, ()> {
    use moxcms::{ColorProfile, DataColorSpace, Layout, TransformOptions};
    let work = || {
        let profile = ColorProfile::new_from_slice(icc).map_err(|_| ())?;
        let name = profile_name(icc);
        let target = ColorProfile::new_srgb();
        let options = TransformOptions::default();
        // A grey profile on one channel; the three channels that we spread it over are equal.
        let grey = profile.color_space == DataColorSpace::Gray;
        if grey != one_channel {
            return Err(());
        }
        let from = if grey { Layout::Gray } else { Layout::Rgb };
        let transform =
            profile.create_transform_8bit(from, &target, Layout::Rgb, options).map_err(|_| ())?;
        let apply = |pixels: &mut [u8], scratch: &mut Vec<u8>| {
            scratch.clear();
            if grey {
                scratch.extend(pixels.iter().step_by(3));
            } else {
                scratch.extend_from_slice(pixels);
            }
            transform.transform(scratch, pixels).map_err(|_| ())
        };
        let mut palette: Vec<u8> = Vec::new();
        for r in (0..=255).step_by(51) {
            for g in (0..=255).step_by(51) {
                for b in (0..=255).step_by(51) {
                    palette.extend(if grey { [r, r, r] } else { [r, g, b] }.map(|v| v as u8));
                }
            }
        }
        let mut changed = palette.clone();
        apply(&mut changed, &mut Vec::new())?;
        if palette.iter().zip(&changed).all(|(a, b)| a.abs_diff(*b) <= 1) {
            return Ok(None);
        }
        rgb.as_mut()
            .par_chunks_mut(3 << 12)
            .map_init(Vec::new, |scratch, pixels| apply(pixels, scratch))
            .collect::<Result<(), ()>>()?;
        Ok(Some(name))
    };
    guarded(work).unwrap_or(Err(()))
}

/// The profile's description, for the report (ICC.1:2022, 9.2.41: the `desc` tag, as `desc` in
/// version 2 or `mluc` in version 4).
fn profile_name(icc: &[u8]) -> String {
    let word = |at: usize| -> Option<usize> {
        Some(u32::from_be_bytes(icc.get(at..at + 4)?.try_into().ok()?) as usize)
    };
    let find = || -> Option<String> {
        let count = word(128)?.min(200);
        for k in 0..count {
            let entry = 132 + 12 * k;
            if icc.get(entry..entry + 4)? != b"desc" {
                continue;
            }
            let (at, size) = (word(entry + 4)?, word(entry + 8)?);
            let data = icc.get(at..at.checked_add(size)?)?;
            let name = match data.get(..4)? {
                b"desc" => {
                    let n = u32::from_be_bytes(data.get(8..12)?.try_into().ok()?) as usize;
                    String::from_utf8_lossy(data.get(12..12usize.checked_add(n)?)?).into_owned()
                }
                b"mluc" => {
                    let field = |a: usize| -> Option<usize> {
                        Some(u32::from_be_bytes(data.get(a..a + 4)?.try_into().ok()?) as usize)
                    };
                    let (n, offset) = (field(20)?, field(24)?);
                    let units: Vec<u16> = data
                        .get(offset..offset.checked_add(n)?)?
                        .chunks_exact(2)
                        .map(|c| u16::from_be_bytes([c[0], c[1]]))
                        .collect();
                    String::from_utf16_lossy(&units)
                }
                _ => return None,
            };
            let name: String = name
                .chars()
                .filter(|c| !c.is_control())
                .take(60)
                .collect::<String>()
                .trim()
                .to_owned();
            return (!name.is_empty()).then_some(name);
        }
        None
    };
    find().unwrap_or_else(|| "an unnamed colour profile".into())
}

/// A picture of noise, the same for the same seed, for tests.
#[cfg(test)]
pub(crate) fn noise(width: u32, height: u32, seed: u32) -> RgbImage {
    RgbImage::from_fn(width, height, |x, y| {
        let v = (seed ^ (x * 7919 + y * 104_729)).wrapping_mul(2_654_435_761);
        image::Rgb([(v >> 24) as u8, (v >> 16) as u8, (v >> 8) as u8])
    })
}

#[cfg(test)]
mod tests;
