//! Decimal numbers for money and contract figures: nine decimal places, exact addition, every
//! rounding stated.

use std::fmt;
use std::str::FromStr;

/// Places after the point.
const PLACES: u32 = 9;
const ONE: i128 = 1_000_000_000;

/// A decimal number with nine places. Addition and subtraction are exact; products and quotients
/// are rounded half-even in the ninth place, far below any step that a contract states.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Default, Hash)]
pub struct Decimal(i128);

/// How a figure is rounded to a step.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Rounding {
    /// To the nearest step; a half goes away from zero. What most contracts mean by rounding.
    #[default]
    HalfUp,
    /// To the nearest step; a half goes to the even step.
    HalfEven,
    /// Towards zero.
    Down,
    /// Away from zero.
    Up,
}

impl Rounding {
    /// The rule in words.
    pub fn describe(self) -> &'static str {
        match self {
            Rounding::HalfUp => "to the nearest, halves up",
            Rounding::HalfEven => "to the nearest, halves to even",
            Rounding::Down => "down",
            Rounding::Up => "up",
        }
    }
}

/// Why a text is no decimal number.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("\"{0}\" is no decimal number with at most nine places, such as 12.50")]
pub struct DecimalError(String);

impl Decimal {
    /// Zero.
    pub const ZERO: Decimal = Decimal(0);
    /// One.
    pub const ONE: Decimal = Decimal(ONE);
    /// One hundred.
    pub const HUNDRED: Decimal = Decimal(100 * ONE);
    /// One thousand.
    pub const THOUSAND: Decimal = Decimal(1000 * ONE);

    /// From a measured number, rounded half-even in the ninth place. None for what is not finite or
    /// exceeds 10¹⁸.
    pub fn from_measured(value: f64) -> Option<Self> {
        if !value.is_finite() || value.abs() > 1e18 {
            return None;
        }
        // The number's own exact decimal expansion, so that no product is rounded first.
        format!("{value:.9}").parse().ok()
    }

    /// As a measured number.
    pub fn to_f64(self) -> f64 {
        self.0 as f64 / ONE as f64
    }

    /// Whether it is below zero.
    pub fn is_negative(self) -> bool {
        self.0 < 0
    }

    /// Sum, exact; saturates at the ends of the range.
    pub fn plus(self, other: Decimal) -> Decimal {
        Decimal(self.0.saturating_add(other.0))
    }

    /// Difference, exact; saturates at the ends of the range.
    pub fn minus(self, other: Decimal) -> Decimal {
        Decimal(self.0.saturating_sub(other.0))
    }

    /// Product, half-even in the ninth place; saturates at the ends of the range.
    pub fn times(self, other: Decimal) -> Decimal {
        match self.0.checked_mul(other.0) {
            Some(product) => Decimal(divide(product, ONE, Rounding::HalfEven)),
            None if (self.0 < 0) == (other.0 < 0) => Decimal(i128::MAX),
            None => Decimal(i128::MIN),
        }
    }

    /// Hundredth part, half-even in the ninth place.
    pub fn hundredth(self) -> Decimal {
        Decimal(divide(self.0, 100, Rounding::HalfEven))
    }

    /// Thousandth part, half-even in the ninth place.
    pub fn thousandth(self) -> Decimal {
        Decimal(divide(self.0, 1000, Rounding::HalfEven))
    }

    /// Rounded to whole multiples of `step`; unchanged when the step is not above zero.
    pub fn to_step(self, step: Decimal, rounding: Rounding) -> Decimal {
        if step.0 <= 0 {
            return self;
        }
        Decimal(divide(self.0, step.0, rounding).saturating_mul(step.0))
    }

    /// With exactly `places` decimals, at most nine; digits beyond are not shown.
    pub fn with_places(self, places: u32) -> String {
        let places = places.min(PLACES);
        let scale = 10_i128.pow(PLACES - places);
        let cut = self.0 / scale;
        let unit = 10_i128.pow(places);
        let sign = if cut < 0 { "-" } else { "" };
        let (whole, part) = (cut.unsigned_abs() / unit as u128, cut.unsigned_abs() % unit as u128);
        if places == 0 {
            format!("{sign}{whole}")
        } else {
            format!("{sign}{whole}.{part:0width$}", width = places as usize)
        }
    }
}

/// Whole quotient by a positive divisor, rounded.
fn divide(value: i128, divisor: i128, rounding: Rounding) -> i128 {
    let (quotient, rest) = (value / divisor, (value % divisor).abs());
    let away = if value < 0 { -1 } else { 1 };
    // Compare with the other part instead of doubling, which could overflow.
    let other = divisor - rest;
    let up = match rounding {
        Rounding::HalfUp => rest >= other,
        Rounding::HalfEven => rest > other || (rest == other && quotient % 2 != 0),
        Rounding::Down => false,
        Rounding::Up => rest > 0,
    };
    if up { quotient + away } else { quotient }
}

impl FromStr for Decimal {
    type Err = DecimalError;

    fn from_str(text: &str) -> Result<Self, DecimalError> {
        let fault = || DecimalError(text.to_owned());
        let (negative, digits) = match text.strip_prefix('-') {
            Some(rest) => (true, rest),
            None => (false, text),
        };
        let (whole, part) = digits.split_once('.').unwrap_or((digits, ""));
        let all_digits = |s: &str| s.bytes().all(|b| b.is_ascii_digit());
        if whole.is_empty()
            || whole.len() > 20
            || part.len() > PLACES as usize
            || !all_digits(whole)
            || !all_digits(part)
            || digits.ends_with('.')
        {
            return Err(fault());
        }
        let number = |s: &str| s.parse::<i128>().map_err(|_| fault());
        let places = if part.is_empty() {
            0
        } else {
            number(part)? * 10_i128.pow(PLACES - part.len() as u32)
        };
        let value = number(whole)? * ONE + places;
        Ok(Decimal(if negative { -value } else { value }))
    }
}

impl fmt::Display for Decimal {
    /// Without trailing zeros.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let text = self.with_places(PLACES);
        f.write_str(text.trim_end_matches('0').trim_end_matches('.'))
    }
}

impl fmt::Debug for Decimal {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(self, f)
    }
}

impl serde::Serialize for Decimal {
    /// As text, so that no reader makes a binary fraction of it.
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

impl<'de> serde::Deserialize<'de> for Decimal {
    /// From text, a whole number, or a fraction as it was written (its shortest form).
    fn deserialize<D: serde::Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct Visitor;
        impl serde::de::Visitor<'_> for Visitor {
            type Value = Decimal;
            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("a decimal number such as 12.50")
            }
            fn visit_str<E: serde::de::Error>(self, text: &str) -> Result<Decimal, E> {
                text.parse().map_err(E::custom)
            }
            fn visit_i64<E: serde::de::Error>(self, value: i64) -> Result<Decimal, E> {
                Ok(Decimal(i128::from(value) * ONE))
            }
            fn visit_u64<E: serde::de::Error>(self, value: u64) -> Result<Decimal, E> {
                Ok(Decimal(i128::from(value) * ONE))
            }
            fn visit_f64<E: serde::de::Error>(self, value: f64) -> Result<Decimal, E> {
                value.to_string().parse().map_err(E::custom)
            }
        }
        deserializer.deserialize_any(Visitor)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn d(text: &str) -> Decimal {
        text.parse().unwrap()
    }

    #[test]
    fn reading_and_writing() {
        for text in ["0", "12.5", "-0.05", "1850", "0.000000001", "-3"] {
            assert_eq!(d(text).to_string(), text);
        }
        assert_eq!(d("12.50").to_string(), "12.5");
        assert_eq!(d("-0.05").with_places(1), "0.0");
        assert_eq!(d("12.5").with_places(2), "12.50");
        assert_eq!(d("-7.125").with_places(2), "-7.12");
        assert_eq!(d("7").with_places(0), "7");
        for bad in ["", "-", ".5", "5.", "1e3", "1,5", "NaN", "0.0000000001", "--1", "1 "] {
            assert!(bad.parse::<Decimal>().is_err(), "{bad}");
        }
    }

    /// Rounding halves, by hand.
    #[test]
    fn rounding_rules() {
        let cent = d("0.01");
        for (value, half_up, half_even, down, up) in [
            ("2.345", "2.35", "2.34", "2.34", "2.35"),
            ("2.355", "2.36", "2.36", "2.35", "2.36"),
            ("-2.345", "-2.35", "-2.34", "-2.34", "-2.35"),
            ("2.344999999", "2.34", "2.34", "2.34", "2.35"),
            ("2.34", "2.34", "2.34", "2.34", "2.34"),
        ] {
            let rounded = |r| d(value).to_step(cent, r);
            assert_eq!(rounded(Rounding::HalfUp), d(half_up));
            assert_eq!(rounded(Rounding::HalfEven), d(half_even));
            assert_eq!(rounded(Rounding::Down), d(down));
            assert_eq!(rounded(Rounding::Up), d(up));
        }
        // Steps that are no power of ten: nickels and quarters of a point.
        assert_eq!(d("1.02").to_step(d("0.05"), Rounding::HalfUp), d("1"));
        assert_eq!(d("3.375").to_step(d("0.25"), Rounding::HalfUp), d("3.5"));
        assert_eq!(d("3.3").to_step(Decimal::ZERO, Rounding::Up), d("3.3"));
    }

    #[test]
    fn arithmetic_is_decimal() {
        assert_eq!(d("0.1").plus(d("0.2")), d("0.3"));
        assert_eq!(d("0.1").times(d("0.1")), d("0.01"));
        assert_eq!(d("1.005").times(Decimal::HUNDRED), d("100.5"));
        assert_eq!(d("7").hundredth(), d("0.07"));
        assert_eq!(d("1").minus(d("1.5")), d("-0.5"));
        let huge = Decimal(i128::MAX);
        assert_eq!(huge.times(huge), huge);
        assert_eq!(huge.times(d("-2")), Decimal(i128::MIN));
    }

    #[test]
    fn measured_numbers_are_rounded_once() {
        assert_eq!(Decimal::from_measured(3.472).unwrap(), d("3.472"));
        assert_eq!(Decimal::from_measured(0.1 + 0.2).unwrap(), d("0.3"));
        assert!(Decimal::from_measured(f64::NAN).is_none());
        assert!(Decimal::from_measured(1e30).is_none());
    }

    proptest::proptest! {
        #[test]
        fn text_round_trips(value in -1_000_000_000_000_000_i64..1_000_000_000_000_000) {
            let decimal = Decimal(i128::from(value));
            proptest::prop_assert_eq!(d(&decimal.to_string()), decimal);
        }

        #[test]
        fn a_step_moves_by_less_than_a_step(value in -10_000_000_i64..10_000_000, step in 1_i64..5000) {
            let (value, step) = (Decimal(i128::from(value)), Decimal(i128::from(step)));
            for rule in [Rounding::HalfUp, Rounding::HalfEven, Rounding::Down, Rounding::Up] {
                let rounded = value.to_step(step, rule);
                proptest::prop_assert!((rounded.0 - value.0).abs() < step.0);
                proptest::prop_assert_eq!(rounded.0 % step.0, 0);
            }
        }
    }
}
