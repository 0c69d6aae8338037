//! How a class looks: colour, line, letter and marker, the same in every picture.
//!
//! Colours are from Okabe M., Ito K., "Color Universal Design (CUD): How to make figures and
//! presentations that are friendly to colorblind people" (2002, revised 2008), which also asks that
//! colour never be the only sign. So every class has its own line style, letter and marker too.

use crate::classify::{Class, Outcome};

/// Eight-bit sRGB.
pub type Srgb = [u8; 3];

/// Okabe and Ito's sky blue.
pub const SKY_BLUE: Srgb = [86, 180, 233];
/// Okabe and Ito's orange.
pub const ORANGE: Srgb = [230, 159, 0];
/// Okabe and Ito's bluish green.
pub const BLUISH_GREEN: Srgb = [0, 158, 115];
/// Okabe and Ito's reddish purple.
pub const REDDISH_PURPLE: Srgb = [204, 121, 167];
/// Okabe and Ito's yellow.
pub const YELLOW: Srgb = [240, 228, 66];

/// How an outline is drawn.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum LineStyle {
    /// One unbroken line.
    Solid,
    /// Long dashes.
    Dashed,
    /// Round dots.
    Dotted,
    /// Two thin unbroken lines.
    Double,
    /// A dash and a dot in turn.
    DashDot,
}

/// The sign of one object in a plot.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Marker {
    /// Circle.
    Circle,
    /// Triangle, point up.
    Triangle,
    /// Square.
    Square,
    /// Diagonal cross.
    Cross,
    /// Upright cross.
    Plus,
}

/// Everything that tells one class from another in a picture.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Look {
    /// Name in tables and legends.
    pub name: &'static str,
    /// One letter, written on the object.
    pub letter: char,
    /// Line and marker colour.
    pub colour: Srgb,
    /// Outline style.
    pub line: LineStyle,
    /// Plot marker.
    pub marker: Marker,
}

/// Every outcome in table order, `unassigned` last.
pub const OUTCOMES: [Outcome; 5] =
    [Some(Class::Sound), Some(Class::Shriveled), Some(Class::Underripe), Some(Class::Debris), None];

/// The look of an outcome.
pub fn look(outcome: Outcome) -> Look {
    // The letters of sound and shriveled would both be S; W stands for wrinkled.
    let (letter, colour, line, marker) = match outcome {
        Some(Class::Sound) => ('S', SKY_BLUE, LineStyle::Solid, Marker::Circle),
        Some(Class::Shriveled) => ('W', ORANGE, LineStyle::Dashed, Marker::Triangle),
        Some(Class::Underripe) => ('U', BLUISH_GREEN, LineStyle::Dotted, Marker::Square),
        Some(Class::Debris) => ('D', REDDISH_PURPLE, LineStyle::Double, Marker::Cross),
        None => ('?', YELLOW, LineStyle::DashDot, Marker::Plus),
    };
    Look { name: name(outcome), letter, colour, line, marker }
}

/// The outcome's name in tables and files.
pub fn name(outcome: Outcome) -> &'static str {
    outcome.map_or("unassigned", Class::name)
}

/// `#rrggbb`, for SVG and CSS.
pub fn hex(colour: Srgb) -> String {
    format!("#{:02x}{:02x}{:02x}", colour[0], colour[1], colour[2])
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_two_outcomes_share_a_sign() {
        for (i, &a) in OUTCOMES.iter().enumerate() {
            for &b in &OUTCOMES[i + 1..] {
                let (a, b) = (look(a), look(b));
                assert_ne!(a.letter, b.letter);
                assert_ne!(a.line, b.line);
                assert_ne!(a.marker, b.marker);
                assert_ne!(a.colour, b.colour);
            }
        }
    }

    // Source: the palette's table of 8-bit sRGB codes in Okabe and Ito (2008).
    #[test]
    fn colours_are_the_published_ones() {
        assert_eq!(hex(ORANGE), "#e69f00");
        assert_eq!(hex(SKY_BLUE), "#56b4e9");
        assert_eq!(hex(BLUISH_GREEN), "#009e73");
        assert_eq!(hex(YELLOW), "#f0e442");
        assert_eq!(hex(REDDISH_PURPLE), "#cc79a7");
    }
}
