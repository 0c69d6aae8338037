//! What a sorter would do to a measured lot by a rule, and what its mechanics add.
//!
//! Plain data in, plain data out. Everything here is a planning estimate: check it with a tray from
//! the waste stream. Lock out the machine before reaching in; the maker's manual and local safety
//! rules govern.

mod mechanics;
mod money;
mod rule;
mod stream;
#[cfg(test)]
mod sweep;

pub use mechanics::{
    Delay, Drop, FULL_COVER, Machine, MachineError, MachineFigures, SPEEDS_FACTOR,
    STANDARD_GRAVITY, figures,
};
pub use money::{Money, money};
pub use rule::{
    Blown, BlownOut, CurvePoint, Limit, Rule, RuleFigures, SortLot, SortObject, apply, curve, short,
};
pub use stream::{NeighbourLimit, Simulated, SimulationSettings, neighbour_limit, simulate};

/// Said with every figure of this module.
pub const CAUTIONS: [&str; 2] = [
    "Planning estimates: check them with a tray from the waste stream before anything is decided.",
    "Lock out the machine before reaching in; the maker's manual and local safety rules govern.",
];

use serde::Serialize;

use crate::terms::Terms;

/// How neighbours blown out with the picked fruit are counted.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Neighbours {
    /// By Poisson's formula alone: at once.
    Poisson,
    /// By a simulated stream, which also gives the throughput at the limit.
    Simulated(SimulationSettings),
}

/// A point of the trade, with and without what the mechanics add.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct TradePoint {
    /// What the rule picks there.
    #[serde(flatten)]
    pub rule: CurvePoint,
    /// Share of the rejects' mass removed in all.
    pub rejects_removed_in_all: f64,
    /// Share of the sound mass lost in all.
    pub sound_lost_in_all: f64,
}

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
    /// The simulated stream; none where it was not asked for, where nothing is picked, or where
    /// the belt is too full to lay it out.
    pub simulated: Option<Simulated>,
    /// Share of fruit that goes as neighbours: simulated where there is a simulation, else Poisson.
    pub co_ejected: f64,
    /// Where that share reaches the machine's limit.
    pub limit: NeighbourLimit,
    /// Share of the rejects' mass removed in all: what is picked and caught, and neighbours.
    pub rejects_removed: f64,
    /// Share of the sound mass lost in all.
    pub sound_lost: f64,
    /// The limit that the curve turns.
    pub turned: Limit,
    /// The trade as that limit is turned and the rule's others stay; the rule's own point is on it.
    /// Neighbours along it: Poisson, times what the simulation found at the rule's point.
    pub curve: Vec<TradePoint>,
    /// Money for a tonne; none without terms.
    pub money: Option<Money>,
    /// Why there is no money, where there are terms.
    pub no_money: Option<String>,
    /// What to beware of.
    pub cautions: Vec<String>,
}

/// Works out what a rule and a machine would do.
///
/// # Errors
/// [`MachineError`] when the machine cannot be or nothing was measured.
pub fn what_if(
    rule: &Rule,
    machine: &Machine,
    lot: &SortLot,
    terms: Option<&Terms>,
    neighbours: Neighbours,
) -> Result<WhatIf, MachineError> {
    let picks = apply(rule, lot)
        .ok_or_else(|| MachineError("no object with a mass was measured".into()))?;
    let objects = &lot.objects;
    let diameters: Vec<f64> = objects
        .iter()
        .map(|o| o.item.equivalent_diameter_mm)
        .filter(|d| d.is_finite() && *d > 0.0)
        .collect();
    let mean_mass = objects.iter().map(|o| o.item.mass_g).sum::<f64>() / objects.len() as f64;
    let picked = picks.picked as f64 / picks.objects as f64;
    let mechanics = figures(machine, &diameters, mean_mass, picked)?;
    let full = mechanics.cover > FULL_COVER;
    let mut simulated = None;
    let mut limit = match mechanics.limit_t_h {
        None => NeighbourLimit::NothingPicked,
        Some(t_h) if t_h < mechanics.full_t_h => NeighbourLimit::At { t_h },
        Some(_) => NeighbourLimit::BeyondOneLayer,
    };
    if let Neighbours::Simulated(settings) = neighbours
        && !full
    {
        simulated = simulate(machine, &mechanics, &diameters, picked, &settings);
        let quick = SimulationSettings { berries: settings.berries / 4, ..settings };
        limit = neighbour_limit(machine, &mechanics, &diameters, picked, &quick);
    }
    let co_ejected = simulated.as_ref().map_or(mechanics.co_ejected, |s| s.co_ejected);
    let caught = mechanics.caught;
    let in_all = |share: f64, co: f64| 1.0 - (1.0 - caught * share) * (1.0 - co);
    let turned = rule.turned();
    let ratio = simulated.as_ref().map_or(1.0, |s| 1.0 + s.departure);
    let curve = curve(rule, turned, lot)
        .into_iter()
        .map(|rule| {
            let co = -(-rule.picked * mechanics.neighbours).exp_m1();
            let co = if rule.picked == picked { co_ejected } else { (co * ratio).min(1.0) };
            TradePoint {
                rule,
                rejects_removed_in_all: in_all(rule.rejects_removed, co),
                sound_lost_in_all: in_all(rule.sound_lost, co),
            }
        })
        .collect();
    let (money, no_money) = match terms.map(|t| money(t, &picks, caught, co_ejected)) {
        None => (None, None),
        Some(Ok(money)) => (Some(money), None),
        Some(Err(why)) => (None, Some(why)),
    };
    Ok(WhatIf {
        rule: *rule,
        machine: machine.clone(),
        rejects_removed: in_all(picks.rejects_removed, co_ejected),
        sound_lost: in_all(picks.sound_lost, co_ejected),
        cautions: cautions(machine, &mechanics),
        picks,
        mechanics,
        simulated,
        co_ejected,
        limit,
        turned,
        curve,
        money,
        no_money,
    })
}

fn cautions(machine: &Machine, mechanics: &MachineFigures) -> Vec<String> {
    let mut cautions: Vec<String> = CAUTIONS.iter().map(|c| (*c).to_owned()).collect();
    if mechanics.cover > FULL_COVER {
        cautions.push(format!(
            "Fruit would cover {:.0} % of the belt: it would not lie in one layer. Slow the feed or \
             speed up the belt.",
            100.0 * mechanics.cover
        ));
    }
    if machine.open_ms < mechanics.least_open_ms {
        cautions.push(format!(
            "The jets are open for {:.1} ms; to catch a berry's whole length with this scatter takes \
             {:.1} ms. The middle of {:.1} % of the picked fruit passes while its jet is open: that \
             is taken as caught, the rest as missed.",
            machine.open_ms,
            mechanics.least_open_ms,
            100.0 * mechanics.caught
        ));
    }
    cautions
}

#[cfg(test)]
pub(crate) mod tests {
    use super::rule::tests::{lot, object};
    use super::*;
    use crate::stats::SplitMix64;

    pub(crate) fn many(n: usize) -> SortLot {
        let mut random = SplitMix64::new(3);
        let objects = (0..n).map(|i| {
            let reject = i % 12 == 0;
            let p = if reject { 0.1 } else { 0.97 } + 0.1 * (random.uniform() - 0.7);
            object(p.clamp(0.0, 1.0), if reject { 0.6 } else { 1.4 }, 11.0 + 4.0 * random.uniform())
        });
        lot(objects.collect())
    }

    fn rule() -> Rule {
        Rule { reject_probability: Some(0.5), ..Rule::default() }
    }

    #[test]
    fn the_point_lies_on_the_curve_and_cautions_always_stand() {
        let lot = many(600);
        let quick = SimulationSettings { berries: 40_000, ..SimulationSettings::default() };
        for neighbours in [Neighbours::Poisson, Neighbours::Simulated(quick)] {
            let found = what_if(&rule(), &Machine::default(), &lot, None, neighbours).unwrap();
            let own = found.curve.iter().find(|p| p.rule.threshold == 0.5).unwrap();
            assert_eq!(own.rejects_removed_in_all, found.rejects_removed);
            assert_eq!(own.sound_lost_in_all, found.sound_lost);
            assert!(found.sound_lost > found.picks.sound_lost);
            assert_eq!(found.cautions[..2], CAUTIONS.map(str::to_owned));
            assert_eq!(found.simulated.is_some(), neighbours != Neighbours::Poisson);
            assert_eq!(found.picks.blown_out.len(), 50);
        }
    }

    /// At the throughput said to reach the limit, a fresh simulation finds the limit.
    #[test]
    fn the_limits_throughput_holds_when_simulated_there() {
        let lot = many(600);
        let settings = SimulationSettings { berries: 400_000, ..SimulationSettings::default() };
        let machine =
            Machine { open_ms: 25.0, jet_pitch_mm: 12.0, clump: 1.2, ..Machine::default() };
        let at = |machine: &Machine, seed| {
            let settings = SimulationSettings { seed, ..settings };
            what_if(&rule(), machine, &lot, None, Neighbours::Simulated(settings)).unwrap()
        };
        let found = at(&Machine { neighbour_limit: 0.09, ..machine.clone() }, 5);
        let NeighbourLimit::At { t_h } = found.limit else { panic!("{:?}", found.limit) };
        let there = at(&Machine { throughput_t_h: t_h, ..machine }, 6);
        assert!((there.co_ejected / 0.09 - 1.0).abs() < 0.04, "{t_h}: {}", there.co_ejected);
        // What hangs together goes together at any throughput; a wide limit is never reached.
        let limit = |neighbour_limit| at(&Machine { neighbour_limit, ..machine.clone() }, 5).limit;
        assert_eq!(limit(0.01), NeighbourLimit::Always);
        assert_eq!(limit(0.95), NeighbourLimit::BeyondOneLayer);
        let none = what_if(&Rule::default(), &machine, &lot, None, Neighbours::Poisson).unwrap();
        assert_eq!(none.limit, NeighbourLimit::NothingPicked);
    }

    /// Printed, not asserted: how long an answer takes.
    #[test]
    #[ignore = "prints times; run alone: cargo test --release long_what_if -- --ignored --nocapture"]
    fn long_what_if_times() {
        let lot = many(2000);
        let plain = SimulationSettings::default();
        for (name, neighbours) in [
            ("Poisson", Neighbours::Poisson),
            (
                "40,000 berries",
                Neighbours::Simulated(SimulationSettings { berries: 40_000, ..plain }),
            ),
            ("400,000 berries", Neighbours::Simulated(plain)),
        ] {
            let start = std::time::Instant::now();
            let n = 10;
            for _ in 0..n {
                what_if(&rule(), &Machine::default(), &lot, None, neighbours).unwrap();
            }
            eprintln!("{name}: {:.2} ms", 1000.0 * start.elapsed().as_secs_f64() / f64::from(n));
        }
    }
}
