//! A falling stream of berries of many sizes that cannot overlap and that may come in clumps,
//! simulated to see how far the Poisson formula can be believed.
//!
//! Discs are laid down one after another at random where there is room (random sequential
//! addition) on a belt whose edges are joined, so that there is no rim. A clump's berries are laid
//! against one of its own. The picked ones are drawn by lot; every puff is a rectangle about a
//! picked berry, and a good berry is blown out when its middle lies inside one.

use rayon::prelude::*;
use serde::Serialize;

use super::mechanics::{Machine, MachineFigures};
use crate::stats::SplitMix64;

/// Settings of [`simulate`].
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SimulationSettings {
    /// Seed.
    pub seed: u64,
    /// Berries laid down in all, over all pieces of belt.
    pub berries: usize,
    /// Relative departure from Poisson that is told, 0 to 1.
    pub tell_above: f64,
}

impl Default for SimulationSettings {
    fn default() -> Self {
        SimulationSettings { seed: 20_260_917, berries: 400_000, tell_above: 0.02 }
    }
}

/// What the simulated stream says.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Simulated {
    /// Share of good berries blown out as neighbours.
    pub co_ejected: f64,
    /// Its standard error, from the pieces of belt.
    pub standard_error: f64,
    /// What Poisson says at the density that was really laid down.
    pub poisson: f64,
    /// Simulated over Poisson, less 1.
    pub departure: f64,
    /// Whether that is more than the settings' limit, and more than two standard errors.
    pub poisson_fails: bool,
    /// Berries for which there was no room, a share of all: above 0 the belt is too full.
    pub no_room: f64,
}

/// Pieces of belt that are laid down one by one: they give the standard error.
const PIECES: u64 = 40;
/// Attempts to find room for a berry.
const ATTEMPTS: u32 = 200;

/// Simulates the stream for berries of the given diameters, mm. None when nothing is picked.
pub fn simulate(
    machine: &Machine,
    figures: &MachineFigures,
    diameters_mm: &[f64],
    picked: f64,
    settings: &SimulationSettings,
) -> Option<Simulated> {
    if picked <= 0.0 || diameters_mm.is_empty() || figures.neighbours <= 0.0 {
        return None;
    }
    let wanted = settings.berries / PIECES as usize;
    let area_mm2 = wanted as f64 / figures.per_m2 * 1e6;
    let side = area_mm2.sqrt();
    let puff = [figures.puff_width_mm, figures.puff_length_mm];
    if puff[0] > side || puff[1] > side {
        return None;
    }
    let pieces: Vec<Piece> = (0..PIECES)
        .into_par_iter()
        .map(|i| {
            let mut random = SplitMix64::new(settings.seed ^ i.wrapping_mul(0x9E37_79B9_7F4A_7C15));
            Belt::lay(&mut random, side, wanted, diameters_mm, machine.clump).blow(
                &mut random,
                picked,
                puff,
            )
        })
        .collect();
    let good: f64 = pieces.iter().map(|p| p.good).sum();
    let blown: f64 = pieces.iter().map(|p| p.blown).sum();
    let laid: f64 = pieces.iter().map(|p| p.laid).sum();
    let share = blown / good;
    let n = PIECES as f64;
    let squares: f64 = pieces.iter().map(|p| (p.blown - share * p.good).powi(2)).sum();
    let standard_error = (n / (n - 1.0) * squares).sqrt() / good;
    let density = laid / (n * area_mm2);
    let poisson = -(-picked * density * puff[0] * puff[1]).exp_m1();
    let departure = share / poisson - 1.0;
    let told = settings.tell_above.max(2.0 * standard_error / poisson);
    Some(Simulated {
        co_ejected: share,
        standard_error,
        poisson,
        departure,
        poisson_fails: departure.abs() > told,
        no_room: 1.0 - laid / (n * wanted as f64),
    })
}

/// Where neighbours reach the machine's limit.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
#[serde(tag = "kind", rename_all = "snake_case")]
pub enum NeighbourLimit {
    /// Nothing is picked, so nothing goes with it.
    NothingPicked,
    /// At this throughput.
    At {
        /// Throughput, t/h.
        t_h: f64,
    },
    /// Not before fruit no longer lies in one layer ([`MachineFigures::full_t_h`]).
    BeyondOneLayer,
    /// At any throughput: berries that hang together go together.
    Always,
}

/// Where the simulated share reaches the machine's limit. −ln(1 − share) is a line over throughput
/// where berries lie alone or in clumps (what a clump brings, plus density times area), so the
/// throughput is sought along lines through simulated points, each step simulated anew.
pub fn neighbour_limit(
    machine: &Machine,
    figures: &MachineFigures,
    diameters_mm: &[f64],
    picked: f64,
    settings: &SimulationSettings,
) -> NeighbourLimit {
    if picked <= 0.0 {
        return NeighbourLimit::NothingPicked;
    }
    let load = |t_h: f64| -> Option<f64> {
        let denser = MachineFigures {
            per_m2: figures.per_m2 * t_h / machine.throughput_t_h,
            ..figures.clone()
        };
        let found = simulate(machine, &denser, diameters_mm, picked, settings)?;
        Some(-(-found.co_ejected).ln_1p())
    };
    let wanted = -(-machine.neighbour_limit).ln_1p();
    let full = figures.full_t_h;
    let (mut low, mut high) = (0.02 * full, full);
    // A piece of belt too small for the puff cannot be laid out: then nothing is told.
    let (Some(mut at_low), Some(mut at_high)) = (load(low), load(high)) else {
        return NeighbourLimit::BeyondOneLayer;
    };
    if at_low >= wanted {
        return NeighbourLimit::Always;
    }
    if at_high <= wanted {
        return NeighbourLimit::BeyondOneLayer;
    }
    let mut t_h = high;
    for _ in 0..4 {
        let next = low + (wanted - at_low) / (at_high - at_low) * (high - low);
        let still = (next / t_h - 1.0).abs() < 0.01;
        t_h = next;
        if still {
            break;
        }
        match load(t_h) {
            Some(y) if y < wanted => (low, at_low) = (t_h, y),
            Some(y) => (high, at_high) = (t_h, y),
            None => break,
        }
    }
    NeighbourLimit::At { t_h }
}

struct Piece {
    good: f64,
    blown: f64,
    laid: f64,
}

/// A piece of belt with joined edges and a grid to find neighbours by.
struct Belt {
    side: f64,
    cell: f64,
    cells: usize,
    grid: Vec<Vec<u32>>,
    /// x across, y along, radius; mm.
    discs: Vec<[f64; 3]>,
}

impl Belt {
    fn lay(
        random: &mut SplitMix64,
        side: f64,
        wanted: usize,
        diameters_mm: &[f64],
        clump: f64,
    ) -> Belt {
        let greatest = diameters_mm.iter().copied().fold(1.0, f64::max);
        let cells = ((side / greatest).floor() as usize).clamp(1, 2000);
        let grid = vec![Vec::new(); cells * cells];
        let mut belt = Belt {
            side,
            cell: side / cells as f64,
            cells,
            grid,
            discs: Vec::with_capacity(wanted),
        };
        let radius = |random: &mut SplitMix64| {
            0.5 * diameters_mm[random.below(diameters_mm.len() as u64) as usize].max(0.5)
        };
        let mut tried = 0;
        while tried < wanted {
            let first = belt.discs.len();
            let r = radius(random);
            tried += 1;
            belt.place(random, r, first..first);
            // A clump goes on with probability 1 − 1/mean: geometric sizes of that mean.
            while tried < wanted && belt.discs.len() > first && random.uniform() > 1.0 / clump {
                let r = radius(random);
                tried += 1;
                belt.place(random, r, first..belt.discs.len());
            }
        }
        belt
    }

    /// Lays a disc at random, or against one of a clump.
    fn place(&mut self, random: &mut SplitMix64, r: f64, clump: std::ops::Range<usize>) {
        for _ in 0..ATTEMPTS {
            let at = if clump.is_empty() {
                [random.uniform() * self.side, random.uniform() * self.side]
            } else {
                let k = clump.start + random.below(clump.len() as u64) as usize;
                let [x, y, other] = self.discs[k];
                let turn = std::f64::consts::TAU * random.uniform();
                let d = (other + r) * (1.0 + 1e-9);
                [
                    (x + d * turn.cos()).rem_euclid(self.side),
                    (y + d * turn.sin()).rem_euclid(self.side),
                ]
            };
            if self.has_room(at, r) {
                let cell = self.cell_of(at);
                self.grid[cell].push(self.discs.len() as u32);
                self.discs.push([at[0], at[1], r]);
                return;
            }
        }
    }

    fn cell_of(&self, at: [f64; 2]) -> usize {
        let along = |v: f64| ((v / self.cell) as usize).min(self.cells - 1);
        along(at[1]) * self.cells + along(at[0])
    }

    fn apart(&self, a: f64, b: f64) -> f64 {
        let d = (a - b).abs();
        d.min(self.side - d)
    }

    /// Discs in the cells within reach of a point.
    fn near(&self, at: [f64; 2], reach: [f64; 2], mut each: impl FnMut(u32) -> bool) -> bool {
        let span = |v: f64, r: f64| {
            let whole = self.cells as i64;
            let (a, b) =
                (((v - r) / self.cell).floor() as i64, ((v + r) / self.cell).floor() as i64);
            let b = b.min(a + whole - 1);
            (a..=b).map(move |c| c.rem_euclid(whole) as usize)
        };
        for row in span(at[1], reach[1]) {
            for col in span(at[0], reach[0]) {
                for &k in &self.grid[row * self.cells + col] {
                    if each(k) {
                        return true;
                    }
                }
            }
        }
        false
    }

    fn has_room(&self, at: [f64; 2], r: f64) -> bool {
        let reach = r + 0.5 * self.cell * 1.0001;
        let reach = reach.max(r + self.cell * 0.5);
        !self.near(at, [reach, reach], |k| {
            let [x, y, other] = self.discs[k as usize];
            let (dx, dy) = (self.apart(x, at[0]), self.apart(y, at[1]));
            dx * dx + dy * dy < (r + other) * (r + other)
        })
    }

    fn blow(&self, random: &mut SplitMix64, picked: f64, puff: [f64; 2]) -> Piece {
        let picked: Vec<bool> = self.discs.iter().map(|_| random.uniform() < picked).collect();
        let mut hit = vec![false; self.discs.len()];
        let half = [0.5 * puff[0], 0.5 * puff[1]];
        for (k, disc) in self.discs.iter().enumerate().filter(|(k, _)| picked[*k]) {
            let at = [disc[0], disc[1]];
            self.near(at, half, |other| {
                let [x, y, _] = self.discs[other as usize];
                if other as usize != k
                    && self.apart(x, at[0]) <= half[0]
                    && self.apart(y, at[1]) <= half[1]
                {
                    hit[other as usize] = true;
                }
                false
            });
        }
        let good = picked.iter().filter(|p| !**p).count() as f64;
        let blown = (0..hit.len()).filter(|&k| hit[k] && !picked[k]).count() as f64;
        Piece { good, blown, laid: self.discs.len() as f64 }
    }
}

#[cfg(test)]
mod tests {
    use super::super::mechanics::figures;
    use super::*;

    fn of(machine: &Machine, diameter: f64, berries: usize) -> Simulated {
        let diameters = [diameter; 4];
        let figures = figures(machine, &diameters, 1.5, 0.03).unwrap();
        let settings = SimulationSettings { berries, ..SimulationSettings::default() };
        simulate(machine, &figures, &diameters, 0.03, &settings).unwrap()
    }

    /// Points without size lie as Poisson's do: the simulation must give the formula back.
    #[test]
    fn without_size_the_stream_is_poissons() {
        let machine = Machine { open_ms: 30.0, jet_pitch_mm: 20.0, ..Machine::default() };
        let found = of(&machine, 1.0, 400_000);
        assert!((found.co_ejected - found.poisson).abs() < 4.0 * found.standard_error, "{found:?}");
        assert!(found.departure.abs() < 0.05, "{found:?}");
        assert!(found.no_room < 1e-6);
    }

    /// Berries that cannot overlap keep neighbours out: by hand, a disc of twice the radius about
    /// the picked berry is empty, so at low density the share is smaller by its area over the
    /// puff's, π·14²/(19·100) with berries of 14 mm (cut by the puff's sides: strip of 19 mm).
    #[test]
    fn size_keeps_neighbours_out_and_clumps_bring_them() {
        let machine = Machine { open_ms: 100.0 / 3.0, throughput_t_h: 1.0, ..Machine::default() };
        let found = of(&machine, 14.0, 1_500_000);
        // Area of a disc of radius R inside a strip of half-width a: 2(a√(R²−a²) + R² asin(a/R)).
        let (r, a) = (14.0_f64, 9.5_f64);
        let empty = 2.0 * (a * (r * r - a * a).sqrt() + r * r * (a / r).asin());
        let wanted = -empty / (19.0 * 100.0);
        // Second order in the density: neighbours of neighbours, below two hundredths here.
        let slack = 0.02 + 3.0 * found.standard_error / found.poisson;
        assert!((found.departure - wanted).abs() < slack, "{found:?} wanted {wanted}");
        assert!(found.poisson_fails);
        let clumped = of(&Machine { clump: 3.0, ..machine }, 14.0, 400_000);
        assert!(clumped.departure > 0.5, "{clumped:?}");
    }

    #[test]
    fn discs_never_overlap_and_seeds_repeat() {
        let belt = |clump| {
            let mut random = SplitMix64::new(7);
            Belt::lay(&mut random, 300.0, 150, &[8.0, 12.0, 16.0], clump)
        };
        for clump in [1.0, 4.0] {
            let belt = belt(clump);
            assert!(belt.discs.len() > 140);
            for (i, a) in belt.discs.iter().enumerate() {
                for b in &belt.discs[..i] {
                    let d = belt.apart(a[0], b[0]).hypot(belt.apart(a[1], b[1]));
                    assert!(d >= a[2] + b[2] - 1e-6);
                }
            }
        }
        assert_eq!(belt(4.0).discs, belt(4.0).discs);
    }
}
