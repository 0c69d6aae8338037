//! Points in time as the ledger writes them: `2026-09-18T07:42:10Z`, universal time; and the times
//! that people type, which are kept as typed once they are known to be possible.

use std::time::{SystemTime, UNIX_EPOCH};

/// Where entries get their time from; tests give their own.
pub type Clock = fn() -> String;

/// The present, to the second. A clock set before 1970 gives 1970.
pub fn now() -> String {
    let seconds = SystemTime::now().duration_since(UNIX_EPOCH).map_or(0, |d| d.as_secs());
    written(seconds)
}

/// Seconds since 1970 as text. Days to a date by Howard Hinnant's civil_from_days
/// (<https://howardhinnant.github.io/date_algorithms.html>, public domain).
pub fn written(seconds: u64) -> String {
    let (days, rest) = (seconds / 86_400 + 719_468, seconds % 86_400);
    let (era, day_of_era) = (days / 146_097, days % 146_097);
    let year_of_era =
        (day_of_era - day_of_era / 1460 + day_of_era / 36_524 - day_of_era / 146_096) / 365;
    let day_of_year = day_of_era - (365 * year_of_era + year_of_era / 4 - year_of_era / 100);
    let shifted = (5 * day_of_year + 2) / 153;
    let day = day_of_year - (153 * shifted + 2) / 5 + 1;
    let month = if shifted < 10 { shifted + 3 } else { shifted - 9 };
    let year = year_of_era + era * 400 + u64::from(month <= 2);
    format!(
        "{year:04}-{month:02}-{day:02}T{:02}:{:02}:{:02}Z",
        rest / 3600,
        rest / 60 % 60,
        rest % 60
    )
}

/// A time as people type it, `2026-09-18T06:40` or with a blank for the T, seconds and an offset
/// (`Z`, `+02:00`) if wanted. Given back with a T.
///
/// # Errors
/// One line that says how to write it.
pub fn typed(text: &str) -> Result<String, String> {
    let how = || format!("\"{text}\" is no time; write it as 2026-09-18T06:40");
    let text = text.trim();
    let bytes = text.as_bytes();
    if !text.is_ascii() || bytes.len() < 16 || !matches!(bytes[10], b'T' | b't' | b' ') {
        return Err(how());
    }
    let number = |from: usize, to: usize| -> Result<u32, String> {
        match text.get(from..to) {
            Some(part) if part.bytes().all(|b| b.is_ascii_digit()) => {
                part.parse().map_err(|_| how())
            }
            _ => Err(how()),
        }
    };
    let separators = bytes[4] == b'-' && bytes[7] == b'-' && bytes[13] == b':';
    let (year, month, day) = (number(0, 4)?, number(5, 7)?, number(8, 10)?);
    let (hour, minute) = (number(11, 13)?, number(14, 16)?);
    let leap = year % 4 == 0 && (year % 100 != 0 || year % 400 == 0);
    let days = match month {
        4 | 6 | 9 | 11 => 30,
        2 if leap => 29,
        2 => 28,
        _ => 31,
    };
    let possible = separators
        && (1970..=2200).contains(&year)
        && (1..=12).contains(&month)
        && (1..=days).contains(&day)
        && hour < 24
        && minute < 60;
    let mut rest = &text[16..];
    if let Some(seconds) = rest.strip_prefix(':') {
        let two = seconds.get(..2).ok_or_else(how)?;
        if !two.bytes().all(|b| b.is_ascii_digit()) || two > "59" {
            return Err(how());
        }
        rest = &seconds[2..];
    }
    let offset = match rest.as_bytes() {
        [] | [b'Z'] => true,
        [b'+' | b'-', h1, h2, b':', m1, m2] => {
            [h1, h2, m1, m2].iter().all(|b| b.is_ascii_digit()) && *h1 <= b'1' && *m1 <= b'5'
        }
        _ => false,
    };
    if possible && offset { Ok(format!("{}T{}", &text[..10], &text[11..])) } else { Err(how()) }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Seconds from GNU date (`date -u -d 2024-02-29T23:59:59Z +%s` and so on).
    #[test]
    fn dates_of_known_seconds() {
        for (seconds, text) in [
            (0, "1970-01-01T00:00:00Z"),
            (951_782_400, "2000-02-29T00:00:00Z"),
            (1_709_251_199, "2024-02-29T23:59:59Z"),
            (1_789_717_330, "2026-09-18T07:42:10Z"),
            (4_102_444_800, "2100-01-01T00:00:00Z"),
        ] {
            assert_eq!(written(seconds), text);
        }
    }

    #[test]
    fn typed_times() {
        for (given, kept) in [
            ("2026-09-18T06:40", "2026-09-18T06:40"),
            ("2026-09-18 06:40:59", "2026-09-18T06:40:59"),
            ("2024-02-29T00:00Z", "2024-02-29T00:00Z"),
            ("2026-09-18T06:40+02:00", "2026-09-18T06:40+02:00"),
        ] {
            assert_eq!(typed(given).as_deref(), Ok(kept));
        }
        for wrong in [
            "",
            "2026-09-18",
            "2026-02-29T00:00",
            "2026-13-01T00:00",
            "2026-09-18T24:00",
            "2026-09-18T06:60",
            "2026-09-18T06:40x",
            "2026-09-18T06:40+2",
            "18.09.2026 06:40",
            "2026-09-18T06:4é",
            "2026-09-18T06:40:9",
        ] {
            assert!(typed(wrong).is_err(), "{wrong}");
        }
    }
}
