//! Thousands of simulated loads: are reconciled shares nearer to the truth, do the intervals hold
//! it as often as they say, and are lots of different loads told apart? Fixed seeds.
//! `ACINUS_COVERAGE=1 cargo test --release streams -- --nocapture` prints the tables.

use rayon::prelude::*;

use super::*;
use crate::stats::SplitMix64;

const MASSES: Shares = [1.45, 0.55, 0.80, 0.30];
const CV: Shares = [0.25, 0.30, 0.30, 0.60];

/// One setting of the simulation.
#[derive(Clone, Copy)]
struct World {
    trays: [usize; 3],
    /// Design effect of the trays' true shares by count.
    effect: f64,
    weighed: bool,
}

/// A load's truth by mass: yield, sorted, waste.
struct Truth {
    y: f64,
    shares: [Shares; 3],
}

fn simplex(random: &mut SplitMix64, mean: &Shares, precision: f64) -> Shares {
    let g = mean.map(|m| random.gamma((m * precision).max(1e-3)));
    let sum: f64 = g.iter().sum();
    g.map(|v| v / sum)
}

fn truth(random: &mut SplitMix64) -> Truth {
    let y = 0.78 + 0.16 * random.uniform();
    let mut reject = |low: f64, high: f64| low + (high - low) * random.uniform();
    let s = [0.0, reject(0.008, 0.03), reject(0.005, 0.025), reject(0.002, 0.008)];
    let w = [0.0, reject(0.15, 0.30), reject(0.10, 0.25), reject(0.02, 0.08)];
    let fill = |v: Shares| [1.0 - v[1] - v[2] - v[3], v[1], v[2], v[3]];
    let (s, w) = (fill(s), fill(w));
    let f = std::array::from_fn(|k| y * s[k] + (1.0 - y) * w[k]);
    Truth { y, shares: [f, s, w] }
}

fn sums(random: &mut SplitMix64, by_mass: &Shares, trays: usize, effect: f64) -> LotSums {
    let counts: Shares = std::array::from_fn(|k| by_mass[k] / MASSES[k]);
    let total: f64 = counts.iter().sum();
    let counts = counts.map(|v| v / total);
    let mut lot = LotSums::default();
    for _ in 0..trays {
        let n = 140 + random.below(81) as u32;
        let p = match effect > 1.0 {
            true => simplex(random, &counts, 179.0 / (effect - 1.0) - 1.0),
            false => counts,
        };
        let mut cluster = ClusterSums { scale: 1.0, ..ClusterSums::default() };
        let (mut left, mut rest) = (n, 1.0);
        for k in (0..4).rev() {
            let hits = if k == 0 { left } else { random.binomial(left, (p[k] / rest).min(1.0)) };
            left -= hits;
            rest = (rest - p[k]).max(1e-12);
            lot.counts[k] += hits as usize;
            let s2 = (1.0 + CV[k] * CV[k]).ln();
            for _ in 0..hits {
                let m = MASSES[k] * (s2.sqrt() * random.normal() - 0.5 * s2).exp();
                cluster.mass[k] += m;
                cluster.squares[k] += m * m;
            }
        }
        lot.clusters.push(cluster);
    }
    lot
}

/// What came of one load.
struct Outcome {
    raw: f64,
    reconciled: f64,
    inside: Vec<bool>,
    flagged: bool,
}

fn once(seed: u64, world: World, wrong: bool) -> Option<Outcome> {
    let mut random = SplitMix64::new(seed);
    random = SplitMix64::new(random.next_u64());
    let truth = truth(&mut random);
    let mut lots: Vec<LotSums> =
        (0..3).map(|k| sums(&mut random, &truth.shares[k], world.trays[k], world.effect)).collect();
    if wrong {
        // The waste of a white load: much underripe fruit, hardly a raisin, leaves.
        let other = [0.40, 0.02, 0.48, 0.10];
        lots[2] = sums(&mut random, &other, world.trays[2], world.effect);
    }
    let settings = StreamSettings::default();
    let borrowed: Vec<&LotSums> = lots.iter().collect();
    let model = Model::of(&borrowed, &settings);
    let places = [Some(0), Some(1), Some(2)];
    let weighed = world.weighed.then(|| {
        let sd = 0.005 * truth.y * (1.0 - truth.y) * 2.0_f64.sqrt();
        (truth.y + sd * random.normal(), sd)
    });
    let fit = model.fit(&places, weighed).ok()?;
    let error = |shares: &[Shares; 3]| -> f64 {
        (0..3)
            .flat_map(|k| (0..4).map(move |c| (k, c)))
            .map(|(k, c)| (shares[k][c] - truth.shares[k][c]).powi(2))
            .sum()
    };
    let raw = [lots[0].shares(), lots[1].shares(), lots[2].shares()];
    let ruler = Ruler { settings: &settings, model: &model, places, juice_kg: None };
    let mut alarms = Vec::new();
    let split = ruler.split(&fit, weighed, &mut alarms);
    let mut inside = vec![split.yield_by_mass.interval.contains(truth.y)];
    for (g, (_, of)) in GROUPS.iter().enumerate() {
        let removed = (1.0 - truth.y) * group(&truth.shares[2], of) / group(&truth.shares[0], of);
        inside.push(split.performance[g].removed.interval.contains(removed));
    }
    for k in 0..3 {
        for (_, of) in &GROUPS {
            let at = |s: &State| group(&[[s.f(0), s.f(1), s.f(2), s.f(3)], s.s, s.w][k], of);
            let found = ruler.share(&fit, k, of, at);
            inside.push(found.interval.contains(group(&truth.shares[k], of)));
        }
    }
    Some(Outcome {
        raw: error(&raw),
        reconciled: error(&fit.shares),
        inside,
        flagged: !alarms.is_empty(),
    })
}

/// Names of what is covered, in the order of [`Outcome::inside`].
fn names() -> Vec<String> {
    let groups = || GROUPS.iter().map(|g| g.0);
    std::iter::once("yield".to_owned())
        .chain(groups().map(|g| format!("{g} removed")))
        .chain(Stream::ALL.into_iter().flat_map(|s| {
            groups().map(move |g| format!("{g} in {}", s.name())).collect::<Vec<_>>()
        }))
        .collect()
}

/// Tallies of many loads: covered, errors before and after, flagged.
struct Tally {
    covered: Vec<f64>,
    ratio: f64,
    flagged: f64,
}

fn run(world: World, loads: u64, seed: u64, wrong: bool) -> Tally {
    let all: Vec<Outcome> = (0..loads)
        .into_par_iter()
        .map(|i| once(seed.wrapping_mul(1_000_003).wrapping_add(i), world, wrong).expect("a fit"))
        .collect();
    let n = all.len() as f64;
    let covered =
        (0..names().len()).map(|q| all.iter().filter(|o| o.inside[q]).count() as f64 / n).collect();
    let sum = |f: fn(&Outcome) -> f64| all.iter().map(f).sum::<f64>();
    Tally {
        covered,
        ratio: sum(|o| o.reconciled) / sum(|o| o.raw),
        flagged: all.iter().filter(|o| o.flagged).count() as f64 / n,
    }
}

fn loud() -> bool {
    std::env::var_os("ACINUS_COVERAGE").is_some()
}

#[test]
fn reconciled_is_nearer_and_intervals_hold() {
    for (trays, weighed) in [([3, 2, 2], false), ([5, 4, 4], false), ([5, 4, 4], true)] {
        for effect in [1.0, 2.0, 4.0] {
            let world = World { trays, effect, weighed };
            let found = run(world, 4000, 41, false);
            let mean = found.covered.iter().sum::<f64>() / found.covered.len() as f64;
            if loud() {
                eprintln!(
                    "trays {trays:?} weighed {weighed} effect {effect}: error {:.3}, flagged {:.4}, \
                     mean coverage {mean:.4}",
                    found.ratio, found.flagged
                );
                for (name, c) in names().iter().zip(&found.covered) {
                    eprint!("  {name} {:.1}", 100.0 * c);
                }
                eprintln!();
            }
            assert!(found.ratio < 0.97, "{}", found.ratio);
            assert!((0.935..=0.965).contains(&mean), "{trays:?} {effect}: {mean}");
            // Yield; removed; shares of unsorted, sorted, waste. How much trays differ is hardly known
            // from seven of them: intervals that hold at an effect of 2 are a little wide at 1.
            for group in [0..1, 1..6, 6..11, 11..16, 16..21] {
                let of = &found.covered[group.clone()];
                let mean = of.iter().sum::<f64>() / of.len() as f64;
                let most = if trays[0] < 5 { 0.968 } else { 0.966 };
                assert!((0.935..=most).contains(&mean), "{trays:?} {effect} {group:?}: {mean}");
            }
            // Lots of one load are hardly ever said not to belong together.
            assert!(found.flagged < 0.04, "{trays:?} {effect}: {}", found.flagged);
            for (name, c) in names().iter().zip(&found.covered) {
                assert!((0.935..=0.975).contains(c), "{trays:?} {effect} {name}: {c}");
            }
        }
    }
}

/// How often a waste of another load is flagged by its shares alone (its skin colour is another,
/// surer sign). Held against the false alarms of the same trays: few trays cannot show much, and
/// docs/streams.md says how little.
#[test]
fn lots_of_other_loads_are_flagged() {
    for (trays, weighed, times) in
        [([3, 2, 2], false, 5.0), ([5, 4, 4], false, 10.0), ([5, 4, 4], true, 20.0)]
    {
        let world = World { trays, effect: 2.0, weighed };
        let (wrong, right) = (run(world, 2000, 77, true), run(world, 2000, 77, false));
        if loud() {
            eprintln!(
                "wrong waste, trays {trays:?} weighed {weighed}: flagged {:.4}, right {:.4}",
                wrong.flagged, right.flagged
            );
        }
        assert!(wrong.flagged > times * right.flagged, "{trays:?} {}", wrong.flagged);
    }
}
