//! One object as the ledger keeps it: whole numbers in small units, so that no two machines can
//! disagree about a last digit.

use serde::{Deserialize, Deserializer, Serialize, Serializer};

use crate::classify::{Class, ObjectReading, Outcome};
use crate::colour;
use crate::load::Item;
use crate::measure::Measures;

/// Number of whole numbers kept of an object.
pub const FIELDS: usize = 32;

/// One kept number: its name with its unit, how many of its units make one of the reading's, and
/// where it comes from.
struct Field {
    name: &'static str,
    units: f64,
    of: fn(&ObjectReading) -> f64,
}

const fn field(name: &'static str, units: f64, of: fn(&ObjectReading) -> f64) -> Field {
    Field { name, units, of }
}

/// ppm: parts per million. um, um2: micrometres and their squares. ug: micrograms. mpx, milli,
/// permille of L*: thousandths.
const TABLE: [Field; FIELDS] = [
    field("p_sound_ppm", 1e6, |o| o.probabilities[0]),
    field("p_shriveled_ppm", 1e6, |o| o.probabilities[1]),
    field("p_underripe_ppm", 1e6, |o| o.probabilities[2]),
    field("p_debris_ppm", 1e6, |o| o.probabilities[3]),
    field("row_mpx", 1e3, |o| o.measures.row),
    field("col_mpx", 1e3, |o| o.measures.col),
    field("x_um", 1e3, |o| o.measures.x_mm),
    field("y_um", 1e3, |o| o.measures.y_mm),
    field("area_px", 1.0, |o| f64::from(o.measures.area_px)),
    field("seen_area_um2", 1e6, |o| o.measures.seen_area_mm2),
    field("area_um2", 1e6, |o| o.measures.area_mm2),
    field("circle_diameter_um", 1e3, |o| o.measures.circle_diameter_mm),
    field("equivalent_diameter_um", 1e3, |o| o.equivalent_diameter_mm),
    field("length_um", 1e3, |o| o.measures.length_mm),
    field("width_um", 1e3, |o| o.measures.width_mm),
    field("inner_width_um", 1e3, |o| o.measures.inner_width_mm),
    field("mass_ug", 1e6, |o| o.mass_g),
    field("circularity_ppm", 1e6, |o| o.measures.circularity),
    field("solidity_ppm", 1e6, |o| o.measures.solidity),
    field("fullness_ppm", 1e6, |o| o.measures.fullness),
    field("contact_ppm", 1e6, |o| o.measures.contact_share),
    field("lightness_milli", 1e3, |o| o.measures.lightness),
    field("a_milli", 1e3, |o| o.measures.a),
    field("b_milli", 1e3, |o| o.measures.b),
    field("lightness_sd_milli", 1e3, |o| o.measures.lightness_sd),
    field("colour_sd_milli", 1e3, |o| o.measures.colour_sd),
    field("green_ppm", 1e6, |o| o.measures.green_share),
    field("red_ppm", 1e6, |o| o.measures.red_share),
    field("brown_ppm", 1e6, |o| o.measures.brown_share),
    field("wrinkle_fine_milli", 1e3, |o| o.measures.wrinkle_fine),
    field("wrinkle_milli", 1e3, |o| o.measures.wrinkle),
    field("touches_edge", 1.0, |o| f64::from(u8::from(o.measures.touches_edge))),
];

/// Names of the numbers in order.
pub const FIELD_NAMES: [&str; FIELDS] = {
    let mut names = [""; FIELDS];
    let mut i = 0;
    while i < FIELDS {
        names[i] = TABLE[i].name;
        i += 1;
    }
    names
};

/// Place of a name, for the few that figures are made from.
const fn place(name: &str) -> usize {
    let mut i = 0;
    while i < FIELDS {
        let (a, b) = (FIELD_NAMES[i].as_bytes(), name.as_bytes());
        let mut same = a.len() == b.len();
        let mut k = 0;
        while same && k < a.len() {
            same = a[k] == b[k];
            k += 1;
        }
        if same {
            return i;
        }
        i += 1;
    }
    panic!("no such field")
}

const AREA: usize = place("area_um2");
const MASS: usize = place("mass_ug");
const DIAMETER: usize = place("equivalent_diameter_um");

/// Places of the numbers that figures are made from: the probabilities, area, mass, diameter.
pub(super) const FIGURES: [usize; 7] = [0, 1, 2, 3, AREA, MASS, DIAMETER];

/// One object.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RecordedObject {
    /// Its number on the tray, from 1.
    pub object: u32,
    /// Its class as read; none: unassigned.
    pub class: Outcome,
    /// The numbers in the order of [`FIELD_NAMES`]; none where the reading had no number.
    pub values: [Option<i64>; FIELDS],
}

impl From<&ObjectReading> for RecordedObject {
    fn from(reading: &ObjectReading) -> Self {
        let whole = |f: &Field| {
            let value = ((f.of)(reading) * f.units).round();
            // 2⁵³: beyond it a float is no whole number that can be told from its neighbours.
            (value.abs() <= 9_007_199_254_740_992.0).then_some(value as i64)
        };
        RecordedObject {
            object: reading.measures.object,
            class: reading.class,
            values: std::array::from_fn(|i| whole(&TABLE[i])),
        }
    }
}

impl RecordedObject {
    /// As the load's statistics take it. A number that is missing becomes no number, which they
    /// refuse with the object's name.
    pub fn item(&self) -> Item {
        item(
            self.class,
            std::array::from_fn(|i| self.values[i]),
            [self.values[AREA], self.values[MASS], self.values[DIAMETER]],
        )
    }
}

impl RecordedObject {
    /// The reading again, to the digits that are kept; a number that is missing becomes no number.
    pub fn reading(&self) -> ObjectReading {
        let real = |i: usize| self.values[i].map_or(f64::NAN, |v| v as f64 / TABLE[i].units);
        let of = |name: &str| FIELD_NAMES.iter().position(|n| *n == name).map_or(f64::NAN, real);
        let lab = [of("lightness_milli"), of("a_milli"), of("b_milli")];
        let measures = Measures {
            object: self.object,
            row: of("row_mpx"),
            col: of("col_mpx"),
            x_mm: of("x_um"),
            y_mm: of("y_um"),
            area_px: of("area_px") as u32,
            seen_area_mm2: of("seen_area_um2"),
            area_mm2: of("area_um2"),
            circle_diameter_mm: of("circle_diameter_um"),
            length_mm: of("length_um"),
            width_mm: of("width_um"),
            inner_width_mm: of("inner_width_um"),
            circularity: of("circularity_ppm"),
            solidity: of("solidity_ppm"),
            fullness: of("fullness_ppm"),
            contact_share: of("contact_ppm"),
            lightness: lab[0],
            a: lab[1],
            b: lab[2],
            chroma: colour::chroma(lab),
            hue_deg: colour::hue_deg(lab),
            lightness_sd: of("lightness_sd_milli"),
            colour_sd: of("colour_sd_milli"),
            green_share: of("green_ppm"),
            red_share: of("red_ppm"),
            brown_share: of("brown_ppm"),
            wrinkle_fine: of("wrinkle_fine_milli"),
            wrinkle: of("wrinkle_milli"),
            touches_edge: of("touches_edge") > 0.5,
        };
        ObjectReading {
            measures,
            class: self.class,
            probabilities: std::array::from_fn(real),
            equivalent_diameter_mm: real(DIAMETER),
            mass_g: real(MASS),
        }
    }
}

/// An item from kept numbers: probabilities in ppm; area, mass and diameter in µm², µg and µm.
pub(super) fn item(class: Outcome, ppm: [Option<i64>; 4], sizes: [Option<i64>; 3]) -> Item {
    let real = |value: Option<i64>, units: f64| value.map_or(f64::NAN, |v| v as f64 / units);
    Item {
        class,
        probabilities: ppm.map(|p| real(p, 1e6)),
        area_mm2: real(sizes[0], 1e6),
        mass_g: real(sizes[1], 1e6),
        equivalent_diameter_mm: real(sizes[2], 1e3),
    }
}

impl Serialize for RecordedObject {
    /// `[number, class, numbers…]`.
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        use serde::ser::SerializeSeq as _;
        let mut list = serializer.serialize_seq(Some(2 + FIELDS))?;
        list.serialize_element(&self.object)?;
        list.serialize_element(&self.class)?;
        for value in &self.values {
            list.serialize_element(value)?;
        }
        list.end()
    }
}

impl<'de> Deserialize<'de> for RecordedObject {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct Visitor;
        impl<'de> serde::de::Visitor<'de> for Visitor {
            type Value = RecordedObject;
            fn expecting(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
                write!(f, "an object's number, class and {FIELDS} whole numbers")
            }
            fn visit_seq<A: serde::de::SeqAccess<'de>>(
                self,
                mut list: A,
            ) -> Result<RecordedObject, A::Error> {
                use serde::de::Error as _;
                let short = |n| A::Error::invalid_length(n, &Visitor);
                let object = list.next_element()?.ok_or_else(|| short(0))?;
                let class: Option<Class> = list.next_element()?.ok_or_else(|| short(1))?;
                let mut values = [None; FIELDS];
                for (i, value) in values.iter_mut().enumerate() {
                    *value = list.next_element()?.ok_or_else(|| short(2 + i))?;
                }
                if list.next_element::<serde::de::IgnoredAny>()?.is_some() {
                    return Err(short(3 + FIELDS));
                }
                Ok(RecordedObject { object, class, values })
            }
        }
        deserializer.deserialize_seq(Visitor)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn reading() -> ObjectReading {
        ObjectReading {
            measures: Measures {
                object: 7,
                area_mm2: 98.7654321,
                x_mm: -0.0004,
                hue_deg: f64::NAN,
                touches_edge: true,
                ..Measures::default()
            },
            class: Some(Class::Debris),
            probabilities: [0.1, 0.2, 0.3, 0.4],
            equivalent_diameter_mm: 12.3456,
            mass_g: 1.2345678,
        }
    }

    #[test]
    fn whole_numbers_in_small_units() {
        let kept = RecordedObject::from(&reading());
        let value = |name| kept.values[place(name)];
        assert_eq!(value("p_underripe_ppm"), Some(300_000));
        assert_eq!(value("area_um2"), Some(98_765_432));
        assert_eq!(value("mass_ug"), Some(1_234_568));
        assert_eq!(value("x_um"), Some(0));
        assert_eq!(value("touches_edge"), Some(1));
        let item = kept.item();
        assert_eq!((item.mass_g, item.equivalent_diameter_mm), (1.234568, 12.346));
    }

    /// What is read back is kept again as the same numbers.
    #[test]
    fn a_reading_comes_back_to_the_digits_that_are_kept() {
        let mut kept = RecordedObject::from(&reading());
        for (i, value) in kept.values.iter_mut().enumerate().skip(4) {
            *value = Some(1 + i as i64 % 2 * 900 + i as i64);
        }
        kept.values[FIELDS - 1] = Some(1);
        assert_eq!(RecordedObject::from(&kept.reading()), kept);
    }

    #[test]
    fn the_written_form_round_trips_and_is_strict() {
        let mut kept = RecordedObject::from(&reading());
        kept.class = None;
        kept.values[MASS] = None;
        let text = serde_json::to_string(&kept).unwrap();
        assert!(text.starts_with("[7,null,100000,200000,"), "{text}");
        assert_eq!(serde_json::from_str::<RecordedObject>(&text).unwrap(), kept);
        assert!(kept.item().mass_g.is_nan());
        assert!(serde_json::from_str::<RecordedObject>("[7,null,1]").is_err());
        let long = format!("{},1]", text.trim_end_matches(']'));
        assert!(serde_json::from_str::<RecordedObject>(&long).is_err());
        assert!(serde_json::from_str::<RecordedObject>(&text.replace("100000", "0.1")).is_err());
    }
}
