//! How a sheet writes numbers, masses, temperatures and times: the same figure, in the reader's way.

use serde::{Deserialize, Serialize};

use crate::print::Paper;
use crate::terms::Decimal;

/// Units of masses and temperatures.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Units {
    /// Kilograms, grams, °C.
    #[default]
    Metric,
    /// Short tons, ounces, °F. What the contract's arithmetic is done in stays as the contract says.
    Us,
}

/// How fractions are written.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Numbers {
    /// `11 450.5`
    #[default]
    Point,
    /// `11 450,5`
    Comma,
}

/// How days are written.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Dates {
    /// `2026-11-25` (ISO 8601)
    #[default]
    Iso,
    /// `25.11.2026`
    DayFirst,
    /// `11/25/2026`
    MonthFirst,
}

/// How a sheet is written. None of it changes a figure.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Settings {
    /// Size of the pages.
    pub paper: Paper,
    /// Units.
    pub units: Units,
    /// Numbers.
    pub numbers: Numbers,
    /// Days.
    pub dates: Dates,
}

/// kg of a pound, exact (NIST Handbook 44, appendix C).
pub const POUND_KG: f64 = 0.453_592_37;
/// kg of a short ton of 2000 lb, exact: 907.184 74 (ibid.).
pub const SHORT_TON_KG: f64 = 2000.0 * POUND_KG;
/// g of an ounce avoirdupois, a sixteenth of a pound.
const OUNCE_G: f64 = 1000.0 * POUND_KG / 16.0;

/// A blank that does not break a line.
const BLANK: char = '\u{a0}';

impl Settings {
    /// A plain number, `-11450.5`, with thousands parted by a blank from five digits on (ISO 80000-1,
    /// 7.3) and the mark asked for.
    pub fn number(&self, plain: &str) -> String {
        let (sign, plain) = match plain.strip_prefix('-') {
            Some(rest) => ("\u{2212}", rest),
            None => ("", plain),
        };
        let (whole, fraction) = plain.split_once('.').unwrap_or((plain, ""));
        let mut out = sign.to_owned();
        for (i, digit) in whole.chars().enumerate() {
            if whole.len() > 4 && i > 0 && (whole.len() - i).is_multiple_of(3) {
                out.push(BLANK);
            }
            out.push(digit);
        }
        if !fraction.is_empty() {
            out.push(self.mark());
            out.push_str(fraction);
        }
        out
    }

    fn mark(&self) -> char {
        match self.numbers {
            Numbers::Point => '.',
            Numbers::Comma => ',',
        }
    }

    /// Words with plain numbers in them: every point between two digits becomes the mark asked for.
    pub fn digits(&self, words: &str) -> String {
        let all: Vec<char> = words.chars().collect();
        let digit = |i: Option<usize>| i.and_then(|i| all.get(i)).is_some_and(char::is_ascii_digit);
        let swap = |i: usize| all[i] == '.' && digit(i.checked_sub(1)) && digit(Some(i + 1));
        (0..all.len()).map(|i| if swap(i) { self.mark() } else { all[i] }).collect()
    }

    /// A mass of the weighbridge.
    pub fn kg(&self, kg: Decimal) -> String {
        match self.units {
            Units::Metric => format!("{}{BLANK}kg", self.number(&kg.to_string())),
            Units::Us => self.heavy(kg.to_f64()),
        }
    }

    /// An estimated mass of a part of a load, kg.
    pub fn about_kg(&self, kg: f64) -> String {
        match self.units {
            Units::Metric => format!("{}{BLANK}kg", self.number(&format!("{kg:.0}"))),
            Units::Us => format!("{}{BLANK}lb", self.number(&format!("{:.0}", kg / POUND_KG))),
        }
    }

    /// In short tons with their thousandths, 2 lb.
    pub fn heavy(&self, kg: f64) -> String {
        let tons = self.number(&format!("{:.3}", kg / SHORT_TON_KG));
        format!("{tons}{BLANK}short{BLANK}tons")
    }

    /// The mass of fruit on trays, g.
    pub fn grams(&self, g: f64) -> String {
        match self.units {
            Units::Metric => format!("{}{BLANK}g", self.number(&format!("{g:.0}"))),
            Units::Us => format!("{}{BLANK}oz", self.number(&format!("{:.1}", g / OUNCE_G))),
        }
    }

    /// A temperature, °C.
    pub fn celsius(&self, celsius: Decimal) -> String {
        match self.units {
            Units::Metric => format!("{}{BLANK}°C", self.number(&celsius.to_string())),
            Units::Us => {
                let f = celsius.to_f64() * 1.8 + 32.0;
                format!("{}{BLANK}°F", self.number(&format!("{f:.1}")))
            }
        }
    }

    /// A time as the ledger has it, its own or as typed: `2026-09-18T07:42:10Z`, `2026-09-18T06:40`,
    /// `2026-09-18T06:40+02:00`. What is not of this form stays as it is.
    pub fn time(&self, text: &str) -> String {
        let (Some(day), Some(hour)) = (text.get(..10), text.get(11..16)) else {
            return text.to_owned();
        };
        let parts: Vec<&str> = day.split('-').collect();
        let [year, month, date] = parts[..] else { return text.to_owned() };
        let day = match self.dates {
            Dates::Iso => day.to_owned(),
            Dates::DayFirst => format!("{date}.{month}.{year}"),
            Dates::MonthFirst => format!("{month}/{date}/{year}"),
        };
        let rest = text.get(16..).unwrap_or_default();
        let zone = rest.find(['Z', '+', '-']).map_or("", |i| &rest[i..]);
        let zone = if zone == "Z" { "UTC" } else { zone };
        format!("{day} {hour} {zone}").trim_end().to_owned()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn us() -> Settings {
        Settings { units: Units::Us, dates: Dates::MonthFirst, ..Settings::default() }
    }

    #[test]
    fn numbers_are_parted_and_marked() {
        let point = Settings::default();
        let comma = Settings { numbers: Numbers::Comma, ..point };
        for (plain, written) in [
            ("0", "0"),
            ("1450", "1450"),
            ("11450.5", "11\u{a0}450.5"),
            ("-1234567", "\u{2212}1\u{a0}234\u{a0}567"),
        ] {
            assert_eq!(point.number(plain), written);
        }
        assert_eq!(comma.number("20325.12"), "20\u{a0}325,12");
        let words = "tray 2.jpg: 4.7 % (3.6 to 6.1), a.b";
        assert_eq!(comma.digits(words), "tray 2.jpg: 4,7 % (3,6 to 6,1), a.b");
        assert_eq!(point.digits(words), words);
    }

    /// NIST Handbook 44 (2024), appendix C: 1 short ton = 907.184 74 kg, 1 lb = 0.453 592 37 kg,
    /// 1 oz = 28.349 523 125 g; degrees Fahrenheit by NIST SP 811, B.8.
    #[test]
    fn united_states_units() {
        assert!((SHORT_TON_KG - 907.184_74).abs() < 1e-9);
        assert!((OUNCE_G - 28.349_523_125).abs() < 1e-12);
        let d = |text: &str| -> Decimal { text.parse().unwrap() };
        assert_eq!(us().kg(d("907.18474")), "1.000\u{a0}short\u{a0}tons");
        assert_eq!(us().kg(d("11450")), "12.621\u{a0}short\u{a0}tons");
        assert_eq!(us().celsius(d("100")), "212.0\u{a0}°F");
        assert_eq!(us().celsius(d("-40")), "\u{2212}40.0\u{a0}°F");
        assert_eq!(us().grams(28.349523125), "1.0\u{a0}oz");
        assert_eq!(us().about_kg(0.45359237), "1\u{a0}lb");
    }

    #[test]
    fn times() {
        let iso = Settings::default();
        assert_eq!(iso.time("2026-09-18T07:42:10Z"), "2026-09-18 07:42 UTC");
        assert_eq!(iso.time("2026-09-18T06:40"), "2026-09-18 06:40");
        assert_eq!(us().time("2026-09-18T06:40+02:00"), "09/18/2026 06:40 +02:00");
        assert_eq!(us().time("2026-09-18T06:40:30-07:00"), "09/18/2026 06:40 -07:00");
        let day = Settings { dates: Dates::DayFirst, ..iso };
        assert_eq!(day.time("2026-09-18T06:40"), "18.09.2026 06:40");
        assert_eq!(iso.time("noon"), "noon");
    }
}
