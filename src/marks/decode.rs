//! From modules to words.

use super::SlipText;
use super::refine::Modules;
use crate::guard::guarded;

/// The 15 format bits as ISO/IEC 18004 (8.9) gives them: error correction level and mask with
/// their BCH (15, 5) check bits, masked.
pub fn format_bits(level: u16, mask: u16) -> u16 {
    let data = (level & 3) << 3 | (mask & 7);
    let mut rest = data << 10;
    for k in (10..15).rev() {
        if rest >> k & 1 == 1 {
            rest ^= 0x537 << (k - 10);
        }
    }
    (data << 10 | rest) ^ 0x5412
}

/// The format bits beside the top-left finder pattern, as they stand.
fn read_format(modules: &Modules) -> u16 {
    let n = modules.size;
    let at = |x: usize, y: usize| u16::from(modules.dark[y * n + x]);
    let mut bits = 0;
    for i in 0..15 {
        let bit = match i {
            0..=5 => at(8, i),
            6 => at(8, 7),
            7 => at(8, 8),
            8 => at(7, 8),
            _ => at(14 - i, 8),
        };
        bits |= bit << i;
    }
    bits
}

/// The text of a symbol, and whether it stands mirrored.
pub fn text(modules: &Modules) -> Option<(String, bool)> {
    // Blur makes lone modules look like their neighbours; take some of it back.
    [0.0, 0.35, 0.8].iter().find_map(|strength| {
        if *strength == 0.0 { plain(modules) } else { plain(&modules.unblurred(*strength)) }
    })
}

fn plain(modules: &Modules) -> Option<(String, bool)> {
    let n = modules.size;
    // The library reads mirrored symbols as well, and does not say so; the format bits do:
    // mirroring reverses their order.
    let grid = rqrr::SimpleGrid::from_func(n, |x, y| modules.dark[y * n + x]);
    let (meta, text) = guarded(|| rqrr::Grid::new(grid).decode().ok()).flatten()?;
    let want = format_bits(meta.ecc_level, meta.mask);
    let seen = read_format(modules);
    let reversed = seen.reverse_bits() >> 1;
    let mirrored = (reversed ^ want).count_ones() < (seen ^ want).count_ones();
    Some((text, mirrored))
}

/// What a symbol's text means to us.
#[derive(Debug, Clone, PartialEq)]
pub enum Words {
    /// A tile: name, centre in the tray frame (mm), side of the symbol (mm).
    Tile {
        /// A to D.
        name: char,
        /// Centre, mm.
        centre_mm: [f64; 2],
        /// Side, mm.
        side_mm: f64,
    },
    /// A load slip.
    Slip(SlipText),
    /// Somebody else's symbol, or one of ours that is not well formed.
    Other(String),
}

/// Reads `TRAY1 A 18.0 18.0 24.0` and `LOAD1 LOAD LOT T1`.
pub fn words(text: &str) -> Words {
    let parts: Vec<&str> = text.split_whitespace().collect();
    match parts.as_slice() {
        ["TRAY1", name, x, y, side] => {
            let name = match *name {
                "A" => 'A',
                "B" => 'B',
                "C" => 'C',
                "D" => 'D',
                _ => return Words::Other(text.to_owned()),
            };
            let number = |s: &str| s.parse::<f64>().ok().filter(|v| v.is_finite());
            match (number(x), number(y), number(side)) {
                (Some(x), Some(y), Some(s))
                    if x.abs() < 1e4 && y.abs() < 1e4 && s > 1.0 && s < 1e3 =>
                {
                    Words::Tile { name, centre_mm: [x, y], side_mm: s }
                }
                _ => Words::Other(text.to_owned()),
            }
        }
        ["LOAD1", load, lot, tray] if SlipText::is_word(load) && SlipText::is_word(lot) => {
            match tray.strip_prefix('T').and_then(|n| n.parse::<u32>().ok()) {
                Some(tray) => {
                    Words::Slip(SlipText { load: (*load).into(), lot: (*lot).into(), tray })
                }
                None => Words::Other(text.to_owned()),
            }
        }
        _ => Words::Other(text.to_owned()),
    }
}
