//! What a sorter would do to a measured lot by a rule, and what its mechanics add.
//!
//! Plain data in, plain data out. Everything here is a planning estimate: check it with a tray from
//! the waste stream. Lock out the machine before reaching in; the maker's manual and local safety
//! rules govern.

mod mechanics;
mod rule;
mod stream;

pub use mechanics::{
    Delay, Drop, Machine, MachineError, MachineFigures, SPEEDS_FACTOR, STANDARD_GRAVITY, figures,
};
pub use rule::{Blown, CurvePoint, Rule, RuleFigures, SortObject, apply};
pub use stream::{Simulated, StreamSettings, simulate};

/// Said with every figure of this module.
pub const CAUTIONS: [&str; 2] = [
    "Planning estimates: check them with a tray from the waste stream before anything is decided.",
    "Lock out the machine before reaching in; the maker's manual and local safety rules govern.",
];
