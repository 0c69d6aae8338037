//! Fall, delay, puff and neighbours.
//!
//! Fruit leaves the belt's edge level, at the belt's speed, and falls freely: after t seconds it is
//! g·t²/2 below and v·t before the edge. Air is left out: it delays a 14 mm berry by 0.1 % over
//! 0.3 m.

use serde::{Deserialize, Serialize};

use crate::stats::normal_cdf;

/// Standard acceleration of free fall, m/s² (CGPM 1901).
pub const STANDARD_GRAVITY: f64 = 9.80665;

/// Share of the belt above which berries no longer lie in one layer, as they must to be seen one by
/// one: laid at random without overlap, discs of one size fill 0.547 at most (Feder 1980, J Theor
/// Biol 87:237-254, from memory); below 0.35 every berry finds its place.
pub const FULL_COVER: f64 = 0.35;

/// The delay table's speeds as parts of the belt's.
pub const SPEEDS_FACTOR: [f64; 5] = [0.8, 0.9, 1.0, 1.1, 1.2];

/// A sorter with its settings. Every number is the user's: the defaults are an invented machine.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Machine {
    /// Belt speed, m/s.
    pub belt_m_s: f64,
    /// Throughput, t/h.
    pub throughput_t_h: f64,
    /// Width of the belt that fruit lies on, m.
    pub belt_width_m: f64,
    /// Fall from the belt's edge to the camera's line, m.
    pub camera_fall_m: f64,
    /// Fall from the belt's edge to the jets' line, m; more than the camera's.
    pub jet_fall_m: f64,
    /// Distance between neighbouring jets, mm.
    pub jet_pitch_mm: f64,
    /// How long a jet stays open, ms.
    pub open_ms: f64,
    /// Scatter of the fruit's speed as it leaves the belt, along the belt and upwards, m/s (one
    /// standard deviation).
    pub speed_sd_m_s: f64,
    /// Share of sound fruit that may be blown out as neighbours, 0 to 1.
    pub neighbour_limit: f64,
    /// Mean number of berries that lie together; 1 is no clumping.
    pub clump: f64,
}

impl Default for Machine {
    fn default() -> Self {
        // Common practice, no source: the order of size of optical sorters for destemmed fruit.
        Machine {
            belt_m_s: 3.0,
            throughput_t_h: 4.0,
            belt_width_m: 1.0,
            camera_fall_m: 0.05,
            jet_fall_m: 0.20,
            jet_pitch_mm: 5.0,
            open_ms: 10.0,
            speed_sd_m_s: 0.05,
            neighbour_limit: 0.02,
            clump: 1.0,
        }
    }
}

/// A machine that cannot be.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[error("{0}")]
pub struct MachineError(pub String);

impl Machine {
    /// Checks that the machine can be.
    ///
    /// # Errors
    /// [`MachineError`] names the first number that cannot be.
    pub fn check(&self) -> Result<(), MachineError> {
        for (name, value) in [
            ("belt speed (m/s)", self.belt_m_s),
            ("throughput (t/h)", self.throughput_t_h),
            ("belt width (m)", self.belt_width_m),
            ("fall to the jets (m)", self.jet_fall_m),
            ("jet pitch (mm)", self.jet_pitch_mm),
            ("open time (ms)", self.open_ms),
        ] {
            if !(value > 0.0 && value.is_finite()) {
                return Err(MachineError(format!("{name} is {value}; give a number above 0")));
            }
        }
        if !(self.camera_fall_m >= 0.0 && self.camera_fall_m < self.jet_fall_m) {
            return Err(MachineError(format!(
                "the camera looks {} m below the belt and the jets blow {} m below: the camera \
                 must come first",
                self.camera_fall_m, self.jet_fall_m
            )));
        }
        if !(self.clump >= 1.0 && self.clump <= 20.0) {
            return Err(MachineError(format!("clumps of {}; give 1 to 20", self.clump)));
        }
        if !(self.neighbour_limit > 0.0 && self.neighbour_limit < 1.0) {
            return Err(MachineError("the neighbours' limit must lie between 0 and 1".into()));
        }
        if !(self.speed_sd_m_s >= 0.0 && self.speed_sd_m_s < self.belt_m_s) {
            return Err(MachineError("the speed's scatter must be less than the speed".into()));
        }
        Ok(())
    }
}

/// Free fall from a moving belt.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Drop {
    /// Time since the edge, s.
    pub seconds: f64,
    /// Distance before the edge, m.
    pub ahead_m: f64,
    /// Downward speed, m/s.
    pub down_m_s: f64,
    /// Speed, m/s.
    pub speed_m_s: f64,
    /// Angle below the horizontal, degrees.
    pub angle_deg: f64,
}

impl Drop {
    /// After a fall of `fall_m`, from `level_m_s` along and `down_m_s` downwards at the edge (below
    /// 0: thrown up).
    pub fn after(fall_m: f64, level_m_s: f64, down_m_s: f64) -> Drop {
        let down = (down_m_s * down_m_s + 2.0 * STANDARD_GRAVITY * fall_m).sqrt();
        let seconds = (down - down_m_s) / STANDARD_GRAVITY;
        Drop {
            seconds,
            ahead_m: level_m_s * seconds,
            down_m_s: down,
            speed_m_s: down.hypot(level_m_s),
            angle_deg: down.atan2(level_m_s).to_degrees(),
        }
    }
}

/// A row of the delay table.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Delay {
    /// Belt speed, m/s.
    pub belt_m_s: f64,
    /// From the camera's line to the jets', ms. Both lines are heights: the belt's speed moves
    /// fruit away from the edge and not sooner down.
    pub delay_ms: f64,
    /// Where the fruit crosses the jets' line, mm before the belt's edge.
    pub ahead_mm: f64,
    /// Its speed there, m/s.
    pub speed_m_s: f64,
    /// Its angle there, degrees below the horizontal.
    pub angle_deg: f64,
}

/// What the mechanics say.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct MachineFigures {
    /// At the camera's line.
    pub at_camera: Drop,
    /// At the jets' line.
    pub at_jets: Drop,
    /// For a range of belt speeds.
    pub delays: Vec<Delay>,
    /// Standard deviation of the delay from the speed's scatter and from size, ms.
    pub timing_sd_ms: f64,
    /// Of it, from size alone: a big berry's middle starts higher, ms.
    pub timing_sd_size_ms: f64,
    /// Standard deviation of the place where fruit crosses the jets' line, mm along the belt.
    pub place_sd_mm: f64,
    /// Least open time that catches a berry's whole length at ±2 standard deviations, ms.
    pub least_open_ms: f64,
    /// Share of picked fruit whose middle passes the jets while its puff is open, the timing error
    /// taken as normal: 2·Φ(open/(2·sd)) − 1.
    pub caught: f64,
    /// Berries a second.
    pub berries_per_s: f64,
    /// Berries on a square metre of belt.
    pub per_m2: f64,
    /// Share of the belt's area that fruit covers.
    pub cover: f64,
    /// Throughput at which fruit no longer lies in one layer ([`FULL_COVER`]), t/h.
    pub full_t_h: f64,
    /// Footprint of a puff: across the belt, mm.
    pub puff_width_mm: f64,
    /// And along it, mm of belt.
    pub puff_length_mm: f64,
    /// Expected number of other berries inside a puff, if they lay at random.
    pub neighbours: f64,
    /// Share of good berries inside some puff, Poisson: 1 − exp(−density of picked × area).
    pub co_ejected: f64,
    /// Throughput at which that share reaches the limit, t/h, by Poisson; none when nothing is
    /// picked.
    pub limit_t_h: Option<f64>,
}

/// Works the mechanics out for fruit of the given diameters (mm) and mean mass (g), of which
/// `picked` (0 to 1, by count) is blown out.
///
/// # Errors
/// [`MachineError`] when the machine or the fruit cannot be.
pub fn figures(
    machine: &Machine,
    diameters_mm: &[f64],
    mean_mass_g: f64,
    picked: f64,
) -> Result<MachineFigures, MachineError> {
    machine.check()?;
    if diameters_mm.is_empty() || !(mean_mass_g > 0.0 && mean_mass_g.is_finite()) {
        return Err(MachineError("no fruit with a size and a mass was measured".into()));
    }
    let v = machine.belt_m_s;
    let (h1, h2) = (machine.camera_fall_m, machine.jet_fall_m);
    let (at_camera, at_jets) = (Drop::after(h1, v, 0.0), Drop::after(h2, v, 0.0));
    let delay = |radius_m: f64, up: f64| {
        Drop::after(h2 + radius_m, v, up).seconds - Drop::after(h1 + radius_m, v, up).seconds
    };
    let n = diameters_mm.len() as f64;
    let mean_d = diameters_mm.iter().sum::<f64>() / n;
    let delays_of =
        |up: f64| -> Vec<f64> { diameters_mm.iter().map(|d| delay(0.0005 * d, up)).collect() };
    let by_size = delays_of(0.0);
    let sd = |values: &[f64]| {
        let mean = values.iter().sum::<f64>() / values.len() as f64;
        (values.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / values.len() as f64).sqrt()
    };
    let size = sd(&by_size);
    // Three-point Gauss-Hermite rule for the scatter upwards and downwards: exact to fifth order.
    let reach = 3.0_f64.sqrt() * machine.speed_sd_m_s;
    let middle = 0.0005 * mean_d;
    let (low, mid, high) = (delay(middle, -reach), delay(middle, 0.0), delay(middle, reach));
    let mean = (low + 4.0 * mid + high) / 6.0;
    let by_speed =
        (((low - mean).powi(2) + 4.0 * (mid - mean).powi(2) + (high - mean).powi(2)) / 6.0).sqrt();
    let timing = size.hypot(by_speed);
    let berries_per_s = machine.throughput_t_h * 1e6 / 3600.0 / mean_mass_g;
    let per_m2 = berries_per_s / v / machine.belt_width_m;
    let area = diameters_mm.iter().map(|d| std::f64::consts::PI / 4.0 * d * d).sum::<f64>() / n;
    // A berry of diameter d lies before d/p + 1 jets on average; each blows a strip of its pitch.
    let puff_width_mm = mean_d + machine.jet_pitch_mm;
    let cover = per_m2 * area * 1e-6;
    let puff_length_mm = v * machine.open_ms;
    let footprint_m2 = puff_width_mm * puff_length_mm * 1e-6;
    let neighbours = per_m2 * footprint_m2;
    let co_ejected = -(-picked * neighbours).exp_m1();
    let limit_t_h = (picked > 0.0).then(|| {
        -(-machine.neighbour_limit).ln_1p() / (picked * neighbours) * machine.throughput_t_h
    });
    Ok(MachineFigures {
        at_camera,
        at_jets,
        delays: SPEEDS_FACTOR
            .iter()
            .map(|k| {
                let at = Drop::after(h2, k * v, 0.0);
                Delay {
                    belt_m_s: k * v,
                    delay_ms: 1000.0 * (at.seconds - Drop::after(h1, k * v, 0.0).seconds),
                    ahead_mm: 1000.0 * at.ahead_m,
                    speed_m_s: at.speed_m_s,
                    angle_deg: at.angle_deg,
                }
            })
            .collect(),
        timing_sd_ms: 1000.0 * timing,
        timing_sd_size_ms: 1000.0 * size,
        place_sd_mm: 1000.0 * machine.speed_sd_m_s * at_jets.seconds,
        least_open_ms: mean_d / at_jets.down_m_s + 4.0 * 1000.0 * timing,
        caught: match timing > 0.0 {
            true => 2.0 * normal_cdf(machine.open_ms / (2.0 * 1000.0 * timing)) - 1.0,
            false => 1.0,
        },
        berries_per_s,
        per_m2,
        cover,
        full_t_h: FULL_COVER / cover * machine.throughput_t_h,
        puff_width_mm,
        puff_length_mm,
        neighbours,
        co_ejected,
        limit_t_h,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::testdata::close;

    /// check-values.md section 9: t = √(2h/g), v = √(2gh), x = v·t at 2.5 m/s, with the standard g.
    #[test]
    fn free_fall() {
        for (h, t, vy, x, speed, angle) in [
            (0.05, 0.10098100, 0.99028531, 0.252452, 2.688990, 21.60922),
            (0.10, 0.14280870, 1.40047492, 0.357022, 2.865542, 29.25711),
            (0.20, 0.20196200, 1.98057062, 0.504905, 3.189461, 38.38726),
            (0.30, 0.24735192, 2.42569372, 0.618380, 3.483388, 44.13573),
            (0.50, 0.31932996, 3.13155712, 0.798325, 4.007075, 51.39876),
            (1.00, 0.45160076, 4.42869055, 1.129002, 5.085597, 60.55523),
        ] {
            let found = Drop::after(h, 2.5, 0.0);
            close(found.seconds, t, 5e-9, "t");
            close(found.down_m_s, vy, 5e-9, "vy");
            close(found.ahead_m, x, 5e-7, "x");
            close(found.speed_m_s, speed, 5e-7, "speed");
            close(found.angle_deg, angle, 5e-6, "angle");
        }
        close(Drop::after(0.3, 2.5, 0.5).seconds, 0.2015662150, 5e-11, "thrown down");
        let found = figures(&Machine::default(), &[14.0], 1.5, 0.03).unwrap();
        close(found.delays[2].delay_ms, 100.9809989, 5e-8, "0.05 to 0.20 m");
    }

    /// check-values.md section 9, belt example: 4 t/h of 1.5 g berries, 1 m wide, 3 m/s; a footprint
    /// of 0.002 m²; 3 % picked.
    #[test]
    fn belt_example() {
        // 15 + 5 mm across and 100 mm along: 0.002 m².
        let machine = Machine { open_ms: 100.0 / 3.0, ..Machine::default() };
        let found = figures(&machine, &[15.0; 10], 1.5, 0.03).unwrap();
        close(found.berries_per_s, 740.740741, 1e-6, "a second");
        close(found.per_m2, 246.913580, 1e-6, "a square metre");
        close(found.neighbours, 0.493827, 5e-7, "neighbours");
        close(found.co_ejected, 0.0147056154, 5e-11, "co-ejected");
        // At the limit's throughput the share is the limit.
        let at = Machine { throughput_t_h: found.limit_t_h.unwrap(), ..machine };
        close(figures(&at, &[15.0; 10], 1.5, 0.03).unwrap().co_ejected, 0.02, 1e-12, "limit");
        close(found.timing_sd_size_ms, 0.0, 1e-12, "one size");
        assert!(found.timing_sd_ms > 0.0);
        // Twice the throughput covers twice the belt.
        close(found.full_t_h * found.cover / 4.0, FULL_COVER, 1e-12, "full");
    }

    /// Size and speed each scatter the delay. By hand, at first order: a middle that starts r higher
    /// falls r further, so the delay shortens by r·(1/v1 − 1/v2); upwards speed u only counts at
    /// second order, u²/2·(1/v1 − 1/v2)/g, since it lengthens both falls alike.
    #[test]
    fn timing_scatters_with_size_and_speed() {
        let machine = Machine { speed_sd_m_s: 0.0, ..Machine::default() };
        let sizes = [10.0, 18.0];
        let found = figures(&machine, &sizes, 1.5, 0.03).unwrap();
        let (v1, v2) = (found.at_camera.down_m_s, found.at_jets.down_m_s);
        let by_hand = 1000.0 * 0.002 * (1.0 / v1 - 1.0 / v2);
        // Radii of 5 and 9 mm against falls of 50 and 200 mm: a tenth of second order.
        close(found.timing_sd_size_ms, by_hand, 0.2 * by_hand, "size");
        close(found.timing_sd_ms, found.timing_sd_size_ms, 1e-12, "size alone");
        let fast = Machine { speed_sd_m_s: 0.3, ..machine.clone() };
        let one = figures(&fast, &[14.0; 2], 1.5, 0.03).unwrap();
        let g = STANDARD_GRAVITY;
        // u² of a normal has standard deviation √2·sd².
        let by_hand = 1000.0 * 2.0_f64.sqrt() * 0.09 / 2.0 / g * (1.0 / v1 - 1.0 / v2);
        close(one.timing_sd_ms, by_hand, 0.2 * by_hand, "speed");
        // A puff of two standard deviations each way catches 95.45 % (normal table).
        let tight = Machine { open_ms: 4.0 * found.timing_sd_ms, ..machine };
        close(figures(&tight, &sizes, 1.5, 0.03).unwrap().caught, 0.954_499_7, 1e-7, "caught");
    }

    #[test]
    fn impossible_machines_are_refused() {
        for machine in [
            Machine { belt_m_s: 0.0, ..Machine::default() },
            Machine { camera_fall_m: 0.3, ..Machine::default() },
            Machine { clump: 0.5, ..Machine::default() },
            Machine { open_ms: f64::NAN, ..Machine::default() },
            Machine { neighbour_limit: 1.0, ..Machine::default() },
            Machine { speed_sd_m_s: 9.0, ..Machine::default() },
        ] {
            assert!(figures(&machine, &[14.0], 1.5, 0.03).is_err());
        }
        assert!(figures(&Machine::default(), &[], 1.5, 0.03).is_err());
    }

    proptest::proptest! {
        /// Free fall keeps energy; a faster belt leaves the delay as it is; more throughput means more
        /// neighbours in proportion; a longer puff catches no less and blows out no fewer good berries; shares
        /// lie within 0 and 1.
        #[test]
        fn mechanics_are_ordered(
            t_h in 0.5f64..12.0, belt in 1.0f64..6.0, open in 1.0f64..40.0, picked in 0.001f64..0.3,
            sd in 0.0f64..0.5, more in 1.0f64..3.0,
            diameters in proptest::collection::vec(6.0f64..20.0, 1..30),
        ) {
            let machine = Machine {
                throughput_t_h: t_h,
                belt_m_s: belt,
                open_ms: open,
                speed_sd_m_s: sd,
                ..Machine::default()
            };
            let of = |machine: &Machine| figures(machine, &diameters, 1.4, picked).unwrap();
            let found = of(&machine);
            let drop = found.at_jets;
            let energy = belt * belt + 2.0 * STANDARD_GRAVITY * machine.jet_fall_m;
            close(drop.speed_m_s.powi(2), energy, 1e-9 * energy, "energy");
            for share in [found.caught, found.co_ejected] {
                proptest::prop_assert!((0.0..=1.0).contains(&share), "{found:?}");
            }
            let delays: Vec<f64> = found.delays.iter().map(|d| d.delay_ms).collect();
            proptest::prop_assert!(delays.iter().all(|d| (d - delays[0]).abs() < 1e-9));
            let faster = of(&Machine { throughput_t_h: more * t_h, ..machine.clone() });
            close(faster.neighbours, more * found.neighbours, 1e-9 * faster.neighbours, "neighbours");
            proptest::prop_assert!(faster.co_ejected >= found.co_ejected - 1e-12);
            let (own, other) = (found.limit_t_h.unwrap(), faster.limit_t_h.unwrap());
            close(own, other, 1e-9 * own, "the limit is the machine's");
            let longer = of(&Machine { open_ms: more * open, ..machine.clone() });
            proptest::prop_assert!(longer.caught >= found.caught - 1e-12);
            proptest::prop_assert!(longer.co_ejected >= found.co_ejected - 1e-12);
            let mut back = diameters.clone();
            back.reverse();
            let back = figures(&machine, &back, 1.4, picked).unwrap();
            close(back.timing_sd_ms, found.timing_sd_ms, 1e-9, "order");
        }
    }
}
