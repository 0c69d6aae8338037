//! `NAME.labels.png`: 16-bit, the upright photograph's pixel grid, 0 = background, k = object k.

use image::codecs::png::{CompressionType, FilterType, PngEncoder};
use image::{ExtendedColorType, ImageEncoder};

use super::Error;
use crate::segment::LabelMap;

/// The label map as PNG bytes.
pub fn labels_png(map: &LabelMap) -> Result<Vec<u8>, Error> {
    let mut bytes = Vec::new();
    // The encoder takes 16-bit samples in the machine's byte order and stores them big-endian.
    let samples: Vec<u8> = map.labels.iter().flat_map(|l| l.to_ne_bytes()).collect();
    // Labels are constant along columns of a blob: the difference to the row above is mostly 0.
    PngEncoder::new_with_quality(&mut bytes, CompressionType::Fast, FilterType::Up)
        .write_image(&samples, map.width as u32, map.height as u32, ExtendedColorType::L16)
        .map_err(|e| Error::Encode { what: "the label picture (PNG)", why: e.to_string() })?;
    Ok(bytes)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn labels_survive_the_round_trip() {
        let labels: Vec<u16> = vec![0, 1, 1, 0, 258, 65535];
        let map = LabelMap { width: 3, height: 2, labels: labels.clone(), count: 3 };
        let png = labels_png(&map).expect("png");
        let back = image::load_from_memory(&png).expect("decode");
        assert_eq!(back.color(), image::ColorType::L16);
        let back = back.into_luma16();
        assert_eq!((back.width(), back.height()), (3, 2));
        assert_eq!(back.into_raw(), labels);
    }
}
