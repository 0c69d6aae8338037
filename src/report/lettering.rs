//! Text on pictures, in the one bundled font.

use ab_glyph::{Font as _, FontRef, Glyph, PxScale, ScaleFont as _, point};

use super::Error;
use super::canvas::Mask;

/// DejaVu Sans Condensed Bold; licence beside the file.
pub const FONT_BYTES: &[u8] = include_bytes!("../assets/fonts/DejaVuSansCondensed-Bold.ttf");

/// Draws text of any size.
pub struct Lettering {
    font: FontRef<'static>,
}

impl Lettering {
    /// Reads the bundled font.
    pub fn new() -> Result<Self, Error> {
        let font = FontRef::try_from_slice(FONT_BYTES)
            .map_err(|e| Error::Encode { what: "the bundled font", why: e.to_string() })?;
        Ok(Lettering { font })
    }

    /// Width of a line of text, px, for letters whose ascent plus descent is `size` px.
    pub fn width(&self, text: &str, size: f32) -> f32 {
        self.layout(text, size).1
    }

    /// The text as a mask whose origin is the left end of its baseline.
    pub fn mask(&self, text: &str, size: f32) -> Mask {
        let (glyphs, _) = self.layout(text, size);
        let outlined: Vec<_> =
            glyphs.into_iter().filter_map(|g| self.font.outline_glyph(g)).collect();
        let mut mask = Mask::around(outlined.iter().map(|g| {
            let b = g.px_bounds();
            [b.min.x, b.min.y, b.max.x, b.max.y]
        }));
        for glyph in &outlined {
            let b = glyph.px_bounds();
            glyph.draw(|x, y, cover| {
                mask.raise(b.min.x as i32 + x as i32, b.min.y as i32 + y as i32, cover);
            });
        }
        mask
    }

    /// Height of a capital letter, px.
    pub fn capital_height(&self, size: f32) -> f32 {
        // DejaVu's capitals stand 1493 of 2048 units high; ascent plus descent is 2384 units.
        size * 1493.0 / 2384.0
    }

    fn layout(&self, text: &str, size: f32) -> (Vec<Glyph>, f32) {
        let scaled = self.font.as_scaled(PxScale::from(size));
        let mut glyphs: Vec<Glyph> = Vec::new();
        let mut x = 0.0;
        for c in text.chars() {
            let mut glyph = scaled.scaled_glyph(c);
            if let Some(last) = glyphs.last() {
                x += scaled.kern(last.id, glyph.id);
            }
            glyph.position = point(x, 0.0);
            x += scaled.h_advance(glyph.id);
            glyphs.push(glyph);
        }
        (glyphs, x)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_capital_letter_is_as_high_as_stated() {
        let lettering = Lettering::new().expect("font");
        let mask = lettering.mask("H", 100.0);
        let height = mask.height() as f32;
        assert!((height - lettering.capital_height(100.0)).abs() <= 2.0, "{height}");
    }

    #[test]
    fn text_is_as_wide_as_it_says() {
        let lettering = Lettering::new().expect("font");
        let mask = lettering.mask("underripe", 60.0);
        assert!((mask.width() as f32 - lettering.width("underripe", 60.0)).abs() < 12.0);
    }

    #[test]
    fn no_text_and_unknown_letters_do_no_harm() {
        let lettering = Lettering::new().expect("font");
        assert_eq!(lettering.mask("", 20.0).width(), 0);
        assert!(lettering.mask("\u{10FFFF}\n", 20.0).width() < 100);
    }
}
