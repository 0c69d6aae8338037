//! QR symbols of version 2, level M (ISO/IEC 18004).

use qrcode::{Color, EcLevel, QrCode, Version};
use serde::Serialize;

use super::PrintError;

/// Alphanumeric characters that a symbol of version 2, level M holds (ISO/IEC 18004, table 7).
pub const CAPACITY: usize = 38;

/// A symbol's modules, without quiet zone.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Symbol {
    /// Modules along a side.
    pub size: usize,
    /// Dark modules as runs along rows, in raster order: x, y, length.
    pub runs: Vec<[usize; 3]>,
}

impl Symbol {
    /// Encodes a text of upper-case letters, digits, spaces and `$%*+-./:`, at most [`CAPACITY`].
    pub fn encode(text: &str) -> Result<Symbol, PrintError> {
        QrCode::with_version(text, Version::Normal(2), EcLevel::M)
            .map(|code| Symbol::of(&code))
            .map_err(|_| PrintError::Symbol { text: text.to_owned() })
    }

    /// Encodes any text in the smallest version, level M.
    pub fn encode_any(text: &str) -> Result<Symbol, PrintError> {
        QrCode::with_error_correction_level(text, EcLevel::M)
            .map(|code| Symbol::of(&code))
            .map_err(|_| PrintError::Symbol { text: text.to_owned() })
    }

    fn of(code: &QrCode) -> Symbol {
        let size = code.width();
        let dark: Vec<bool> = code.to_colors().iter().map(|c| *c == Color::Dark).collect();
        Symbol { size, runs: runs(&dark, size) }
    }
}

fn runs(dark: &[bool], size: usize) -> Vec<[usize; 3]> {
    let mut out = Vec::new();
    for (y, row) in dark.chunks(size).enumerate() {
        let mut x = 0;
        for run in row.chunk_by(|a, b| a == b) {
            if run[0] {
                out.push([x, y, run.len()]);
            }
            x += run.len();
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::marks::decode::format_bits;

    fn matrix(symbol: &Symbol) -> Vec<bool> {
        let mut dark = vec![false; symbol.size * symbol.size];
        for [x, y, length] in &symbol.runs {
            dark[y * symbol.size + x..][..*length].fill(true);
        }
        dark
    }

    /// The mask that the format bits beside the top-left finder pattern name, for level M (0).
    fn mask_of(dark: &[bool], size: usize) -> u8 {
        let bits = (0..15).fold(0u16, |bits, i| {
            let (x, y) = match i {
                0..=5 => (8, i),
                6 => (8, 7),
                7 => (8, 8),
                8 => (7, 8),
                _ => (14 - i, 8),
            };
            bits | u16::from(dark[y * size + x]) << i
        });
        (0..8).find(|m| format_bits(0, *m) == bits).map(|m| m as u8).expect("level M")
    }

    #[test]
    fn an_independent_encoder_gives_the_same_modules() {
        // qrcodegen: ISO/IEC 18004 by another author. Which mask is best is weighed by a penalty,
        // so the mask is taken from the symbol; all else must agree.
        for text in [
            "TRAY1 A 18.0 18.0 24.0",
            "TRAY1 C 982.0 982.0 24.0",
            "LOAD1 HV-0417 UNSORTED T5",
            "LOAD1 A B T1",
            "LOAD1 ABCDEFGHIJKLMNOPQRST UNSORTE T9999",
        ]
        .map(|t| &t[..t.len().min(CAPACITY)])
        {
            let symbol = Symbol::encode(text).expect("fits");
            assert_eq!(symbol.size, 25);
            let dark = matrix(&symbol);
            let other = qrcodegen::QrCode::encode_segments_advanced(
                &qrcodegen::QrSegment::make_segments(text),
                qrcodegen::QrCodeEcc::Medium,
                qrcodegen::Version::new(2),
                qrcodegen::Version::new(2),
                Some(qrcodegen::Mask::new(mask_of(&dark, 25))),
                false,
            )
            .expect("fits");
            let theirs: Vec<bool> =
                (0..25 * 25).map(|k| other.get_module(k % 25, k / 25)).collect();
            assert!(dark == theirs, "{text}");
        }
    }

    #[test]
    fn the_standards_own_example() {
        // ISO/IEC 18004, Annex I: 01234567 in version 1-M, mask 2. Its 16 data and 10 check
        // codewords, read back from the matrix of the encoder that we use.
        let code = QrCode::with_version("01234567", Version::Normal(1), EcLevel::M).expect("fits");
        let n = code.width();
        let dark: Vec<bool> = code.to_colors().iter().map(|c| *c == Color::Dark).collect();
        assert_eq!(mask_of(&dark, n), 2);
        // All but finder patterns with their separators and format bits, and the timing lines.
        let data = |x: usize, y: usize| {
            let (left, top) = (x < 9, y < 9);
            let finder = (top && (left || x >= 13)) || (left && y >= 13);
            !finder && x != 6 && y != 6
        };
        let mut bits = Vec::new();
        let columns = [20, 18, 16, 14, 12, 10, 8, 5, 3, 1];
        for (k, right) in columns.into_iter().enumerate() {
            for i in 0..n {
                let y = if k % 2 == 0 { n - 1 - i } else { i };
                for x in [right, right - 1] {
                    if data(x, y) {
                        // Mask 2: every third column is turned over.
                        bits.push(dark[y * n + x] != (x % 3 == 0));
                    }
                }
            }
        }
        let bytes: Vec<u8> = bits
            .chunks_exact(8)
            .map(|c| c.iter().fold(0, |b, bit| b << 1 | u8::from(*bit)))
            .collect();
        let published = [
            0b0001_0000,
            0b0010_0000,
            0b0000_1100,
            0b0101_0110,
            0b0110_0001,
            0b1000_0000,
            0b1110_1100,
            0b0001_0001,
            0b1110_1100,
            0b0001_0001,
            0b1110_1100,
            0b0001_0001,
            0b1110_1100,
            0b0001_0001,
            0b1110_1100,
            0b0001_0001,
            0b1010_0101,
            0b0010_0100,
            0b1101_0100,
            0b1100_0001,
            0b1110_1101,
            0b0011_0110,
            0b1100_0111,
            0b1000_0111,
            0b0010_1100,
            0b0101_0101,
        ];
        assert_eq!(bytes, published);
    }

    #[test]
    fn what_does_not_fit_is_told() {
        let text = "A".repeat(CAPACITY);
        assert!(Symbol::encode(&text).is_ok());
        let error = Symbol::encode(&format!("{text}A")).expect_err("39 characters");
        assert!(matches!(error, PrintError::Symbol { .. }));
    }

    #[test]
    fn runs_cover_what_is_dark() {
        let dark = [true, true, false, false, true, true, true, false, true];
        assert_eq!(runs(&dark, 3), [[0, 0, 2], [1, 1, 2], [0, 2, 1], [2, 2, 1]]);
    }
}
