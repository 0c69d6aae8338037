//! JPEG on all cores.
//!
//! A picture is cut into bands of whole 16-row blocks; each band is encoded on its own and the
//! bands' scans are joined with restart markers (ITU-T T.81, B.1.1.3 and F.1.1.5.2: at a restart
//! the DC predictions start again, just as at the start of a scan). The encoder always writes the
//! standard's example Huffman tables, so every band has the same ones.

use image::RgbImage;
use jpeg_encoder::{ColorType, Encoder, SamplingFactor};
use rayon::prelude::*;

use super::Error;

/// Below this many pixels one band is as fast.
const SMALL_PX: u64 = 200_000;
/// Bands per picture. A fixed number, not the number of cores: the bytes must not depend on the
/// machine. At most 8, because restart markers count from 0 to 7.
const BANDS: u32 = 8;
/// Rows and columns of a block group: chroma is halved both ways, as phones do.
const BLOCK: u32 = 16;

/// Encodes a picture; quality 1 to 100.
pub fn encode(picture: &RgbImage, quality: u8) -> Result<Vec<u8>, Error> {
    let (width, height) = picture.dimensions();
    let rows = height.div_ceil(BLOCK).div_ceil(BANDS).max(1) * BLOCK;
    let interval = u64::from(width.div_ceil(BLOCK)) * u64::from(rows / BLOCK);
    if u64::from(width) * u64::from(height) < SMALL_PX || interval > u64::from(u16::MAX) {
        return encode_band(picture, width, height, quality);
    }
    let stride = 3 * width as usize;
    let bands = picture
        .par_chunks(stride * rows as usize)
        .map(|band| encode_band(band, width, (band.len() / stride) as u32, quality))
        .collect::<Result<Vec<_>, Error>>()?;
    join(&bands, height, interval as u16).ok_or_else(|| fail("its bands do not fit together"))
}

fn encode_band(band: &[u8], width: u32, rows: u32, quality: u8) -> Result<Vec<u8>, Error> {
    let side = |px: u32| u16::try_from(px).map_err(|_| fail("it is over 65535 px wide or high"));
    let mut bytes = Vec::new();
    let mut encoder = Encoder::new(&mut bytes, quality);
    encoder.set_sampling_factor(SamplingFactor::F_2_2);
    encoder.encode(band, side(width)?, side(rows)?, ColorType::Rgb).map_err(fail)?;
    Ok(bytes)
}

fn fail(why: impl std::fmt::Display) -> Error {
    Error::Encode { what: "a picture (JPEG)", why: why.to_string() }
}

/// Joins bands: the first one's headers with the whole height and a restart interval, then every
/// scan with a restart marker between.
fn join(bands: &[Vec<u8>], height: u32, interval: u16) -> Option<Vec<u8>> {
    const SOF0: u8 = 0xC0;
    const SOS: u8 = 0xDA;
    let first = bands.first()?;
    let mut out = Vec::with_capacity(bands.iter().map(Vec::len).sum());
    out.extend_from_slice(&[0xFF, 0xD8]);
    for segment in Segments::of(first) {
        let (marker, payload) = segment?;
        if marker == SOS {
            out.extend_from_slice(&[0xFF, 0xDD, 0, 4]);
            out.extend_from_slice(&interval.to_be_bytes());
        }
        out.extend_from_slice(&[0xFF, marker]);
        let at = out.len();
        out.extend_from_slice(payload);
        if marker == SOF0 {
            // Length (2), precision (1), then the height.
            let height = u16::try_from(height).ok()?.to_be_bytes();
            out.get_mut(at + 3..at + 5)?.copy_from_slice(&height);
        }
    }
    for (i, band) in bands.iter().enumerate() {
        if i > 0 {
            out.extend_from_slice(&[0xFF, 0xD0 + ((i - 1) % 8) as u8]);
        }
        out.extend_from_slice(scan(band)?);
    }
    out.extend_from_slice(&[0xFF, 0xD9]);
    Some(out)
}

/// The entropy-coded bytes of a one-scan JPEG.
fn scan(band: &[u8]) -> Option<&[u8]> {
    let headers: usize =
        Segments::of(band).map(|s| s.map(|(_, p)| p.len() + 2)).sum::<Option<_>>()?;
    band.get(2 + headers..band.len().checked_sub(2)?)
}

/// Walks the marker segments after SOI up to and including SOS.
struct Segments<'a> {
    rest: &'a [u8],
    done: bool,
}

impl<'a> Segments<'a> {
    fn of(file: &'a [u8]) -> Self {
        Segments { rest: file.get(2..).unwrap_or_default(), done: false }
    }
}

impl<'a> Iterator for Segments<'a> {
    /// Marker, and the segment's bytes with its length field; none in place of a broken segment.
    type Item = Option<(u8, &'a [u8])>;

    fn next(&mut self) -> Option<Self::Item> {
        if self.done {
            return None;
        }
        let [0xFF, marker, high, low, ..] = *self.rest else {
            self.done = true;
            return Some(None);
        };
        let length = usize::from(u16::from_be_bytes([high, low]));
        let Some(payload) = self.rest.get(2..2 + length) else {
            self.done = true;
            return Some(None);
        };
        self.done = marker == 0xDA;
        self.rest = &self.rest[2 + length..];
        Some(Some((marker, payload)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use image::Rgb;

    fn picture(width: u32, height: u32) -> RgbImage {
        RgbImage::from_fn(width, height, |x, y| {
            Rgb([(x * 7 % 256) as u8, (y * 3 % 256) as u8, ((x + y) / 4 % 256) as u8])
        })
    }

    // The bands must change nothing: a decoder sees exactly what it sees in one whole scan.
    #[test]
    fn banded_and_whole_pictures_decode_to_the_same_pixels() {
        for (w, h) in [(640, 480), (1001, 777), (503, 401), (3000, 70)] {
            let p = picture(w, h);
            let banded = encode(&p, 85).expect("banded");
            let whole = encode_band(&p, w, h, 85).expect("whole");
            assert!(banded != whole, "{w}x{h} should be cut into bands");
            let decode = |b: &[u8]| image::load_from_memory(b).expect("decode").into_rgb8();
            assert!(decode(&banded) == decode(&whole), "{w}x{h}");
        }
    }

    #[test]
    fn small_pictures_are_left_whole() {
        let p = picture(20, 9);
        let bytes = encode(&p, 85).expect("jpeg");
        assert_eq!(
            image::load_from_memory(&bytes).expect("decode").into_rgb8().dimensions(),
            (20, 9)
        );
    }

    #[test]
    fn broken_bands_are_refused() {
        assert!(join(&[vec![0xFF, 0xD8, 0xFF, 0xE0, 0, 99]], 8, 1).is_none());
        assert!(join(&[], 8, 1).is_none());
        assert!(scan(&[0xFF, 0xD8, 1, 2, 3, 4]).is_none());
    }
}
