//! The registry of what is written of one object: CSV columns, JSON fields and the glossary all
//! come from [`COLUMNS`], so a measure has one name, one unit and one definition everywhere.

use std::fmt::Write as _;

use serde::ser::{Serialize, SerializeMap, Serializer};

use super::palette;
use crate::classify::ObjectReading;

/// One value of one object.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Value {
    /// A number, written with the column's decimals; empty (JSON: null) when not finite.
    Number(f64),
    /// A whole number.
    Count(u32),
    /// A word.
    Word(&'static str),
    /// Yes or no, written `true` and `false`.
    Flag(bool),
}

/// One column.
pub struct Column {
    /// Name in files.
    pub name: &'static str,
    /// Unit, empty for pure numbers and words.
    pub unit: &'static str,
    /// Digits after the decimal point.
    pub decimals: usize,
    /// What it means, one sentence.
    pub meaning: &'static str,
    /// Takes the value from an object.
    pub value: fn(&ObjectReading) -> Value,
}

use Value::{Count, Flag, Number, Word};

/// All columns in the order of the file.
pub const COLUMNS: &[Column] = &[
    Column {
        name: "object",
        unit: "",
        decimals: 0,
        meaning: "Number of the object, as in the overlay and the label picture; numbered from the top of the photograph.",
        value: |o| Count(o.measures.object),
    },
    Column {
        name: "class",
        unit: "",
        decimals: 0,
        meaning: "sound, shriveled, underripe, debris, or unassigned (unlike anything taught).",
        value: |o| Word(palette::name(o.class)),
    },
    Column {
        name: "confidence",
        unit: "",
        decimals: 5,
        meaning: "The greatest of the four probabilities.",
        value: |o| Number(o.confidence()),
    },
    Column {
        name: "p_sound",
        unit: "",
        decimals: 5,
        meaning: "Probability of sound; the four sum to 1.",
        value: |o| Number(o.probabilities[0]),
    },
    Column {
        name: "p_shriveled",
        unit: "",
        decimals: 5,
        meaning: "Probability of shriveled (raisined).",
        value: |o| Number(o.probabilities[1]),
    },
    Column {
        name: "p_underripe",
        unit: "",
        decimals: 5,
        meaning: "Probability of underripe.",
        value: |o| Number(o.probabilities[2]),
    },
    Column {
        name: "p_debris",
        unit: "",
        decimals: 5,
        meaning: "Probability of debris: stems, leaves, insects, stones.",
        value: |o| Number(o.probabilities[3]),
    },
    Column {
        name: "row",
        unit: "px",
        decimals: 2,
        meaning: "Row of the outline's centroid; the first pixel's centre is 0.",
        value: |o| Number(o.measures.row),
    },
    Column {
        name: "col",
        unit: "px",
        decimals: 2,
        meaning: "Column of the outline's centroid; the first pixel's centre is 0.",
        value: |o| Number(o.measures.col),
    },
    Column {
        name: "x_mm",
        unit: "mm",
        decimals: 3,
        meaning: "Tray-floor point under the object's centre, to the right of the floor's top-left inner corner.",
        value: |o| Number(o.measures.x_mm),
    },
    Column {
        name: "y_mm",
        unit: "mm",
        decimals: 3,
        meaning: "The same point, downwards from that corner.",
        value: |o| Number(o.measures.y_mm),
    },
    Column {
        name: "area_px",
        unit: "px",
        decimals: 0,
        meaning: "Pixels inside the outline.",
        value: |o| Count(o.measures.area_px),
    },
    Column {
        name: "area_mm2",
        unit: "mm²",
        decimals: 3,
        meaning: "Area of the outline, corrected for parallax.",
        value: |o| Number(o.measures.area_mm2),
    },
    Column {
        name: "equivalent_diameter_mm",
        unit: "mm",
        decimals: 4,
        meaning: "Diameter of the ball of the same estimated volume.",
        value: |o| Number(o.equivalent_diameter_mm),
    },
    Column {
        name: "length_mm",
        unit: "mm",
        decimals: 4,
        meaning: "Long axis of the ellipse with the same second moments, corrected for parallax.",
        value: |o| Number(o.measures.length_mm),
    },
    Column {
        name: "width_mm",
        unit: "mm",
        decimals: 4,
        meaning: "Short axis of the same ellipse.",
        value: |o| Number(o.measures.width_mm),
    },
    Column {
        name: "mass_g",
        unit: "g",
        decimals: 5,
        meaning: "Mass estimated from outline and class; not weighed.",
        value: |o| Number(o.mass_g),
    },
    Column {
        name: "lightness",
        unit: "",
        decimals: 3,
        meaning: "Mean CIELAB lightness L* (D65), 0 black to 100 white.",
        value: |o| Number(o.measures.lightness),
    },
    Column {
        name: "a",
        unit: "",
        decimals: 3,
        meaning: "Mean CIELAB a*: green is negative, red positive.",
        value: |o| Number(o.measures.a),
    },
    Column {
        name: "b",
        unit: "",
        decimals: 3,
        meaning: "Mean CIELAB b*: blue is negative, yellow positive.",
        value: |o| Number(o.measures.b),
    },
    Column {
        name: "chroma",
        unit: "",
        decimals: 3,
        meaning: "Chroma of the mean colour, √(a² + b²).",
        value: |o| Number(o.measures.chroma),
    },
    Column {
        name: "hue_deg",
        unit: "°",
        decimals: 2,
        meaning: "Hue angle of the mean colour: 0 red, 90 yellow, 180 green, 270 blue.",
        value: |o| Number(o.measures.hue_deg),
    },
    Column {
        name: "circle_diameter_mm",
        unit: "mm",
        decimals: 4,
        meaning: "Diameter of the circle of the same corrected area; not the same as equivalent_diameter_mm.",
        value: |o| Number(o.measures.circle_diameter_mm),
    },
    Column {
        name: "circularity",
        unit: "",
        decimals: 4,
        meaning: "4π·area/perimeter²: 1 for a circle.",
        value: |o| Number(o.measures.circularity),
    },
    Column {
        name: "solidity",
        unit: "",
        decimals: 4,
        meaning: "Area over the area of the convex hull.",
        value: |o| Number(o.measures.solidity),
    },
    Column {
        name: "green_share",
        unit: "",
        decimals: 4,
        meaning: "Share of the object's pixels that are green, 0 to 1.",
        value: |o| Number(o.measures.green_share),
    },
    Column {
        name: "red_share",
        unit: "",
        decimals: 4,
        meaning: "Share of the object's pixels that are red, 0 to 1.",
        value: |o| Number(o.measures.red_share),
    },
    Column {
        name: "brown_share",
        unit: "",
        decimals: 4,
        meaning: "Share of the object's pixels that are brown, 0 to 1.",
        value: |o| Number(o.measures.brown_share),
    },
    Column {
        name: "wrinkle",
        unit: "%",
        decimals: 4,
        meaning: "Wrinkle texture at berry scale: how much darker than around it, in percent of L* + 10.",
        value: |o| Number(o.measures.wrinkle),
    },
    Column {
        name: "touches_edge",
        unit: "",
        decimals: 0,
        meaning: "true when the object touches the photograph's edge or the tray floor's.",
        value: |o| Flag(o.measures.touches_edge),
    },
];

/// A number with a fixed count of decimals, never `-0.00`; empty when not finite.
pub fn fixed(value: f64, decimals: usize) -> String {
    if !value.is_finite() {
        return String::new();
    }
    let text = format!("{value:.decimals$}");
    match text.strip_prefix('-') {
        Some(rest) if rest.bytes().all(|b| b == b'0' || b == b'.') => rest.to_owned(),
        _ => text,
    }
}

/// The same number as [`fixed`] would print, for JSON; not finite stays so and becomes null.
pub fn rounded(value: f64, decimals: usize) -> f64 {
    fixed(value, decimals).parse().unwrap_or(f64::NAN)
}

impl Column {
    /// The value as text for CSV.
    pub fn text(&self, object: &ObjectReading) -> String {
        match (self.value)(object) {
            Number(v) => fixed(v, self.decimals),
            Count(n) => n.to_string(),
            Word(w) => w.to_owned(),
            Flag(f) => f.to_string(),
        }
    }
}

/// An object as a JSON map, fields in column order.
pub struct ObjectJson<'a>(pub &'a ObjectReading);

impl Serialize for ObjectJson<'_> {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut map = serializer.serialize_map(Some(COLUMNS.len()))?;
        for column in COLUMNS {
            match (column.value)(self.0) {
                Number(v) => map.serialize_entry(column.name, &rounded(v, column.decimals))?,
                Count(n) => map.serialize_entry(column.name, &n)?,
                Word(w) => map.serialize_entry(column.name, w)?,
                Flag(f) => map.serialize_entry(column.name, &f)?,
            }
        }
        map.end()
    }
}

/// The glossary as a Markdown table: name, unit, meaning.
pub fn glossary_markdown() -> String {
    let mut text = String::from("| column | unit | meaning |\n|---|---|---|\n");
    for c in COLUMNS {
        // Writing to a String cannot fail.
        let _ = writeln!(text, "| `{}` | {} | {} |", c.name, c.unit, c.meaning);
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    // The order is fixed by the project's first acceptance text.
    #[test]
    fn the_first_columns_are_the_agreed_ones_in_order() {
        let agreed = "object, class, confidence, p_sound, p_shriveled, p_underripe, p_debris, row, \
                      col, x_mm, y_mm, area_px, area_mm2, equivalent_diameter_mm, length_mm, \
                      width_mm, mass_g, lightness, a, b, chroma, hue_deg";
        let names: Vec<&str> = COLUMNS.iter().map(|c| c.name).collect();
        let agreed: Vec<&str> = agreed.split(", ").collect();
        assert_eq!(names[..agreed.len()], agreed[..]);
    }

    #[test]
    fn negative_zero_and_non_finite_numbers() {
        assert_eq!(fixed(-0.0004, 3), "0.000");
        assert_eq!(fixed(-0.0006, 3), "-0.001");
        assert_eq!(fixed(-0.0, 0), "0");
        assert_eq!(fixed(f64::NAN, 2), "");
        assert_eq!(fixed(f64::INFINITY, 2), "");
        assert!(rounded(f64::NAN, 2).is_nan());
    }

    #[test]
    fn the_glossary_in_docs_is_this_registry() {
        let docs = include_str!("../../docs/outputs.md");
        assert!(
            docs.contains(&glossary_markdown()),
            "docs/outputs.md must contain this table:\n{}",
            glossary_markdown()
        );
    }

    proptest! {
        #[test]
        fn rounding_is_idempotent_and_near(v in -1e6f64..1e6, decimals in 0usize..6) {
            let once = rounded(v, decimals);
            prop_assert_eq!(once, rounded(once, decimals));
            prop_assert!((once - v).abs() <= 0.5000001 * 10f64.powi(-(decimals as i32)) + 1e-9);
        }
    }
}
