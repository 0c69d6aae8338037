//! Where Poisson's formula departs from the simulated stream: the table of docs/streams.md.
//! `cargo test --release long_sweep -- --ignored --nocapture` prints it.

use super::mechanics::figures;
use super::{Machine, Simulated, SimulationSettings, simulate};
use crate::stats::SplitMix64;

/// Berries of many sizes: 13 mm on average, standard deviation 2 mm, 6 to 20 mm.
fn diameters() -> Vec<f64> {
    let mut random = SplitMix64::new(11);
    (0..500).map(|_| (13.0 + 2.0 * random.normal()).clamp(6.0, 20.0)).collect()
}

/// A puff of the given size (across, along; mm) at 1.4 g a berry and 3 % picked.
fn cell(puff: [f64; 2], throughput_t_h: f64, clump: f64, berries: usize) -> Simulated {
    let machine = Machine { throughput_t_h, clump, ..Machine::default() };
    let diameters = diameters();
    let mut figures = figures(&machine, &diameters, 1.4, 0.03).unwrap();
    figures.neighbours *= puff[0] * puff[1] / (figures.puff_width_mm * figures.puff_length_mm);
    [figures.puff_width_mm, figures.puff_length_mm] = puff;
    let settings = SimulationSettings { berries, ..SimulationSettings::default() };
    simulate(&machine, &figures, &diameters, 0.03, &settings).unwrap()
}

const PUFFS: [[f64; 2]; 5] =
    [[18.0, 15.0], [18.0, 30.0], [18.0, 100.0], [40.0, 100.0], [60.0, 300.0]];
const THROUGHPUTS: [f64; 3] = [1.0, 4.0, 10.0];
const CLUMPS: [f64; 3] = [1.0, 2.0, 4.0];

#[test]
#[ignore = "prints the table of docs/streams.md: cargo test --release long_sweep -- --ignored --nocapture"]
fn long_sweep_where_poisson_departs() {
    eprint!("| puff, mm |");
    THROUGHPUTS.iter().for_each(|t| CLUMPS.iter().for_each(|c| eprint!(" {t} t/h, {c} |")));
    eprintln!("\n|---|{}", "---|".repeat(9));
    for puff in PUFFS {
        eprint!("| {} x {} |", puff[0], puff[1]);
        for t_h in THROUGHPUTS {
            for clump in CLUMPS {
                let found = cell(puff, t_h, clump, 2_000_000);
                let error = 100.0 * found.standard_error / found.poisson;
                let mark = if found.poisson_fails { "" } else { " holds" };
                eprint!(" {:+.0} ± {error:.1}{mark} |", 100.0 * found.departure);
            }
        }
        eprintln!();
    }
}

/// Three of the table's cells again with fewer berries and within four standard errors, so that the
/// table cannot go stale unseen: few neighbours in a small puff, more in clumps, Poisson's own in a
/// long wide one.
#[test]
fn the_tables_cells_hold() {
    for (puff, t_h, clump, wanted, table_error) in CELLS {
        let found = cell(puff, t_h, clump, 400_000);
        let error = found.standard_error / found.poisson;
        let slack = 4.0 * error.hypot(table_error);
        assert!((found.departure - wanted).abs() < slack, "{puff:?} {t_h} {clump}: {found:?}");
    }
}

/// Puff, throughput, clump; the table's departure and its standard error.
const CELLS: [([f64; 2], f64, f64, f64, f64); 3] = [
    ([18.0, 30.0], 4.0, 1.0, -0.79, 0.006),
    ([18.0, 30.0], 4.0, 2.0, 2.87, 0.032),
    ([60.0, 300.0], 4.0, 1.0, -0.03, 0.004),
];
