//! What a sorter would do to a measured lot by a rule, and what its mechanics add.
//!
//! Plain data in, plain data out. Everything here is a planning estimate: check it with a tray from
//! the waste stream. Lock out the machine before reaching in; the maker's manual and local safety
//! rules govern.

mod mechanics;
mod money;
mod rule;
mod stream;

pub use mechanics::{
    Delay, Drop, Machine, MachineError, MachineFigures, SPEEDS_FACTOR, STANDARD_GRAVITY, figures,
};
pub use money::{Money, money};
pub use rule::{Blown, CurvePoint, Rule, RuleFigures, SortObject, apply};
pub use stream::{Simulated, StreamSettings, simulate};

/// Said with every figure of this module.
pub const CAUTIONS: [&str; 2] = [
    "Planning estimates: check them with a tray from the waste stream before anything is decided.",
    "Lock out the machine before reaching in; the maker's manual and local safety rules govern.",
];

use serde::Serialize;

use crate::terms::Terms;

/// Everything a rule and a machine would do to a lot.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct WhatIf {
    /// The rule.
    pub rule: Rule,
    /// The machine.
    pub machine: Machine,
    /// What the rule picks.
    pub picks: RuleFigures,
    /// What the mechanics say.
    pub mechanics: MachineFigures,
    /// The simulated stream; none where nothing is picked or the belt is too full to lay out.
    pub simulated: Option<Simulated>,
    /// Share of fruit that goes as neighbours: simulated where there is a simulation, else Poisson.
    pub co_ejected: f64,
    /// Share of the rejects' mass removed in all, neighbours included.
    pub rejects_removed: f64,
    /// Share of the sound mass lost in all, neighbours included.
    pub sound_lost: f64,
    /// Money for a tonne; none without terms.
    pub money: Option<Money>,
    /// Why there is no money, where there are terms.
    pub no_money: Option<String>,
    /// What to beware of.
    pub cautions: Vec<String>,
}

/// Share of the belt above which berries no longer lie in one layer, as they must to be seen one by
/// one: laid at random without overlap, discs of one size fill 0.547 at most (Feder 1980, J Theor
/// Biol 87:237-254, from memory); below 0.35 every berry finds its place.
const FULL: f64 = 0.35;

/// Works out what a rule and a machine would do.
///
/// # Errors
/// [`MachineError`] when the machine cannot be or nothing was measured.
pub fn what_if(
    rule: &Rule,
    machine: &Machine,
    objects: &[SortObject],
    terms: Option<&Terms>,
) -> Result<WhatIf, MachineError> {
    let picks = apply(rule, objects)
        .ok_or_else(|| MachineError("no object with a mass was measured".into()))?;
    let diameters: Vec<f64> = objects
        .iter()
        .map(|o| o.item.equivalent_diameter_mm)
        .filter(|d| d.is_finite() && *d > 0.0)
        .collect();
    let mean_mass = objects.iter().map(|o| o.item.mass_g).sum::<f64>() / objects.len() as f64;
    let picked = picks.picked as f64 / picks.objects as f64;
    let mechanics = figures(machine, &diameters, mean_mass, picked)?;
    let mut cautions: Vec<String> = CAUTIONS.iter().map(|c| (*c).to_owned()).collect();
    let full = mechanics.cover > FULL;
    let simulated = match full {
        true => None,
        false => simulate(machine, &mechanics, &diameters, picked, &StreamSettings::default()),
    };
    if full {
        cautions.push(format!(
            "Fruit would cover {:.0} % of the belt: it would not lie in one layer. Slow the feed or \
             speed up the belt.",
            100.0 * mechanics.cover
        ));
    }
    if machine.open_ms < mechanics.least_open_ms {
        cautions.push(format!(
            "The jets are open for {:.1} ms; to catch a berry's whole length with this scatter takes \
             {:.1} ms: part of the picked fruit would be missed, which is not counted here.",
            machine.open_ms, mechanics.least_open_ms
        ));
    }
    let co_ejected = simulated.as_ref().map_or(mechanics.co_ejected, |s| s.co_ejected);
    let with = |picked: f64| 1.0 - (1.0 - picked) * (1.0 - co_ejected);
    let (money, no_money) = match terms.map(|t| money(t, &picks, co_ejected)) {
        None => (None, None),
        Some(Ok(money)) => (Some(money), None),
        Some(Err(why)) => (None, Some(why)),
    };
    Ok(WhatIf {
        rule: *rule,
        machine: machine.clone(),
        rejects_removed: with(picks.rejects_removed),
        sound_lost: with(picks.sound_lost),
        picks,
        mechanics,
        simulated,
        co_ejected,
        money,
        no_money,
        cautions,
    })
}
