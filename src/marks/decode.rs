//! From modules to words.

use super::SlipText;
use super::refine::Modules;
use crate::guard::guarded;

/// The text of a symbol, and whether it had to be mirrored to be read.
pub fn text(modules: &Modules) -> Option<(String, bool)> {
    let n = modules.size;
    guarded(|| {
        for mirrored in [false, true] {
            let grid = rqrr::SimpleGrid::from_func(n, |x, y| {
                if mirrored { modules.dark[x * n + y] } else { modules.dark[y * n + x] }
            });
            if let Ok((_, text)) = rqrr::Grid::new(grid).decode() {
                return Some((text, mirrored));
            }
        }
        None
    })
    .flatten()
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
    let word = |w: &str| {
        !w.is_empty()
            && w.bytes().all(|b| b.is_ascii_uppercase() || b.is_ascii_digit() || b == b'-')
    };
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
        ["LOAD1", load, lot, tray] if word(load) && word(lot) => {
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
