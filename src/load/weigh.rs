//! Weigh-back: what the scale says of the mass model.
//!
//! A technician types the tray's weight (one scale factor for the tray), and optionally each
//! class's (the class's own coefficient). Coefficients multiply the built-in mass; they are
//! re-fitted with shrinkage to 1, so that one tray does not overturn the model and twenty can.

use super::LoadError;
use crate::classify::Class;

/// One weighed tray.
#[derive(Debug, Clone, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct WeighedTray {
    /// The tray's name.
    pub tray: String,
    /// Mass by the built-in model, class by class in the order of [`Class::ALL`], g.
    pub modelled_g: [f64; 4],
    /// Mass of the unassigned objects by the model, g.
    pub modelled_unassigned_g: f64,
    /// The whole tray's fruit on the scale, g.
    pub weighed_g: Option<f64>,
    /// Each class on the scale, g; 0.01 g for debris.
    pub weighed_class_g: [Option<f64>; 4],
}

impl WeighedTray {
    /// Scale factor of the tray: weighed over modelled mass. None when it was not weighed.
    pub fn scale_factor(&self) -> Option<f64> {
        let modelled = self.modelled_g.iter().sum::<f64>() + self.modelled_unassigned_g;
        self.weighed_g.filter(|_| modelled > 0.0).map(|w| w / modelled)
    }
}

/// How strongly coefficients are held to the built-in ones.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct WeighSettings {
    /// Standard deviation of a true coefficient around 1, class by class. Common practice, no
    /// source: the model is trusted to a tenth for berries, a quarter for debris, whose kinds
    /// vary most.
    pub prior_sd: [f64; 4],
    /// Standard deviation of one tray's ratio around the coefficient, where fewer than three trays
    /// cannot show it, for a class of thirty pieces a tray. Common practice, no source.
    pub tray_sd: [f64; 4],
    /// Resolution of the scale, g: a rectangular error of one step on every reading.
    pub resolution_g: f64,
}

impl Default for WeighSettings {
    fn default() -> Self {
        WeighSettings {
            prior_sd: [0.10, 0.10, 0.10, 0.25],
            tray_sd: [0.03, 0.08, 0.08, 0.20],
            resolution_g: 0.01,
        }
    }
}

/// One class's coefficient after re-fitting.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Coefficient {
    /// The class.
    pub class: Class,
    /// Trays on which it was weighed.
    pub trays: usize,
    /// Ratio of sums, weighed over modelled; none when it was not weighed.
    pub raw: Option<f64>,
    /// Standard error of the ratio.
    pub raw_standard_error: Option<f64>,
    /// The coefficient to use: precision-weighted mean of the ratio and 1.
    pub coefficient: f64,
    /// Standard deviation of the coefficient after the data.
    pub standard_deviation: f64,
}

/// One re-fitting in a profile's history; appended, never overwritten.
#[derive(Debug, Clone, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct MassFit {
    /// When, as the caller writes times.
    pub when: String,
    /// Who.
    pub who: String,
    /// Names of the trays used.
    pub trays: Vec<String>,
    /// Coefficients in the order of [`Class::ALL`].
    pub coefficients: [Coefficient; 4],
}

/// Mass coefficients of a profile with their history.
#[derive(Debug, Clone, Default, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct MassHistory {
    /// Re-fittings, oldest first.
    pub fits: Vec<MassFit>,
}

impl MassHistory {
    /// Coefficients in force: those of the latest fit, or all 1.
    pub fn in_force(&self) -> [f64; 4] {
        self.fits.last().map_or([1.0; 4], |fit| fit.coefficients.map(|c| c.coefficient))
    }
}

/// Re-fits the coefficients from weighed trays; debris is pooled over trays as every class is, by
/// the ratio of sums.
///
/// The ratio's standard error is the linearised one between trays, k = Σw/Σm,
/// √(n/(n−1)·Σ(w−km)²)/Σm, from three trays on; below that the settings' own. The scale's
/// resolution is added. The coefficient is (1/τ² + k/se²)/(1/τ² + 1/se²), τ the prior standard
/// deviation (normal prior and normal likelihood, e.g. Gelman et al., Bayesian Data Analysis,
/// sec. 2.5).
///
/// # Errors
/// When a mass is below 0, or a class was weighed of which the model saw nothing.
pub fn fit_mass(
    trays: &[WeighedTray],
    settings: &WeighSettings,
) -> Result<[Coefficient; 4], LoadError> {
    for tray in trays {
        check(tray)?;
    }
    let mut coefficients = Class::ALL.map(|class| Coefficient {
        class,
        trays: 0,
        raw: None,
        raw_standard_error: None,
        coefficient: 1.0,
        standard_deviation: 0.0,
    });
    for (k, coefficient) in coefficients.iter_mut().enumerate() {
        let prior = settings.prior_sd[k];
        coefficient.standard_deviation = prior;
        let pairs: Vec<(f64, f64)> = trays
            .iter()
            .filter_map(|t| t.weighed_class_g[k].map(|w| (w, t.modelled_g[k])))
            .filter(|p| p.1 > 0.0)
            .collect();
        if pairs.is_empty() {
            continue;
        }
        let n = pairs.len() as f64;
        let (weighed, modelled) = pairs.iter().fold((0.0, 0.0), |s, p| (s.0 + p.0, s.1 + p.1));
        let raw = weighed / modelled;
        let between = if pairs.len() >= 3 {
            let squares: f64 = pairs.iter().map(|(w, m)| (w - raw * m).powi(2)).sum();
            (n / (n - 1.0) * squares).sqrt() / modelled
        } else {
            settings.tray_sd[k] / n.sqrt()
        };
        let reading = settings.resolution_g / 12.0_f64.sqrt() * n.sqrt() / modelled;
        let se = between.hypot(reading).max(1e-9);
        let (prior_weight, weight) = (prior.powi(-2), se.powi(-2));
        coefficient.trays = pairs.len();
        coefficient.raw = Some(raw);
        coefficient.raw_standard_error = Some(se);
        coefficient.coefficient = (prior_weight + raw * weight) / (prior_weight + weight);
        coefficient.standard_deviation = (prior_weight + weight).powf(-0.5);
    }
    Ok(coefficients)
}

fn check(tray: &WeighedTray) -> Result<(), LoadError> {
    let fault = |what: String| {
        Err(LoadError::Setting(format!("{}: {what}; weigh again or correct it", tray.tray)))
    };
    for (k, class) in Class::ALL.into_iter().enumerate() {
        let modelled = tray.modelled_g[k];
        if !(modelled >= 0.0 && modelled.is_finite()) {
            return fault(format!("modelled mass of {} is {modelled} g", class.name()));
        }
        if let Some(weighed) = tray.weighed_class_g[k] {
            if !(weighed >= 0.0 && weighed.is_finite()) {
                return fault(format!("{} weighed {weighed} g", class.name()));
            }
            if modelled == 0.0 && weighed > 0.0 {
                return fault(format!(
                    "{weighed} g of {} on the scale, but none was read on the photograph",
                    class.name()
                ));
            }
        }
    }
    match tray.weighed_g {
        Some(w) if !(w > 0.0 && w.is_finite()) => fault(format!("the tray weighed {w} g")),
        _ => Ok(()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::testdata::close;

    fn tray(name: &str, modelled: [f64; 4], weighed: [Option<f64>; 4]) -> WeighedTray {
        let weighed_g = weighed.iter().flatten().sum::<f64>();
        WeighedTray {
            tray: name.into(),
            modelled_g: modelled,
            modelled_unassigned_g: 0.0,
            weighed_g: (weighed_g > 0.0).then_some(weighed_g),
            weighed_class_g: weighed,
        }
    }

    #[test]
    fn scale_factor_of_a_tray() {
        let t = tray("a", [180.0, 4.0, 5.0, 1.0], [Some(190.0), Some(4.0), Some(4.5), Some(1.0)]);
        close(t.scale_factor().unwrap(), 199.5 / 190.0, 1e-15, "factor");
        assert_eq!(tray("b", [1.0; 4], [None; 4]).scale_factor(), None);
    }

    /// By hand: sound 104/100 on one tray, se 0.03 against a prior of 0.10:
    /// (100 + 1.04/0.0009)/(100 + 1/0.0009) = 1.03670 (the scale's share of the error is 1e-5).
    #[test]
    fn one_tray_is_held_to_the_model() {
        let one = [tray("a", [100.0, 2.0, 3.0, 0.5], [Some(104.0), None, None, Some(0.9)])];
        let found = fit_mass(&one, &WeighSettings::default()).unwrap();
        close(found[0].coefficient, 1.03670, 1e-5, "sound");
        assert_eq!((found[1].coefficient, found[1].raw), (1.0, None));
        // Debris: raw 1.8, se 0.2 against prior 0.25: (16 + 1.8·25)/41.
        close(found[3].coefficient, 61.0 / 41.0, 1e-3, "debris");
        assert!(found[0].standard_deviation < found[0].raw_standard_error.unwrap());
    }

    #[test]
    fn many_trays_overrule_the_model() {
        let trays: Vec<WeighedTray> = (0..20)
            .map(|i| {
                let wobble = if i % 2 == 0 { 1.002 } else { 0.998 };
                tray(
                    &format!("t{i}"),
                    [150.0, 3.0, 4.0, 0.6],
                    [Some(150.0 * 0.9 * wobble), Some(3.3), Some(4.0), Some(0.48)],
                )
            })
            .collect();
        let found = fit_mass(&trays, &WeighSettings::default()).unwrap();
        close(found[0].coefficient, 0.9, 1e-3, "sound");
        close(found[1].coefficient, 1.1, 1e-3, "shriveled");
        close(found[3].coefficient, 0.8, 2e-3, "debris, pooled");
        let history = MassHistory {
            fits: vec![MassFit {
                when: "2026-09-17".into(),
                who: "lab".into(),
                trays: trays.iter().map(|t| t.tray.clone()).collect(),
                coefficients: found,
            }],
        };
        close(history.in_force()[0], 0.9, 1e-3, "in force");
        assert_eq!(MassHistory::default().in_force(), [1.0; 4]);
    }

    #[test]
    fn masses_that_cannot_be_are_refused() {
        let settings = WeighSettings::default();
        let none_read = [tray("a", [1.0, 0.0, 0.0, 0.0], [None, Some(2.0), None, None])];
        let refused = fit_mass(&none_read, &settings).unwrap_err().to_string();
        assert!(refused.starts_with("a: 2 g of shriveled on the scale"), "{refused}");
        assert!(
            fit_mass(&[tray("a", [1.0; 4], [Some(-1.0), None, None, None])], &settings).is_err()
        );
        assert!(fit_mass(&[tray("a", [f64::NAN; 4], [None; 4])], &settings).is_err());
    }

    fn weighed(rows: &[(f64, f64)], unit: f64) -> Vec<WeighedTray> {
        rows.iter()
            .enumerate()
            .map(|(i, (m, k))| {
                let g = unit * m;
                tray(&format!("t{i}"), [g; 4], [Some(g * k), None, None, Some(g * k)])
            })
            .collect()
    }

    proptest::proptest! {
        /// Order and the unit of mass do not matter; a coefficient lies between the model's 1 and what was
        /// weighed, and nearer to the latter with more trays; heavier is more; doubt only shrinks.
        #[test]
        fn coefficients_lie_between_model_and_scale(
            rows in proptest::collection::vec((5.0f64..300.0, 0.5f64..2.0), 1..12),
            unit in 0.1f64..100.0, class in 0usize..2, up in 1.01f64..1.5,
        ) {
            let class = 3 * class;
            let of = |rows: &[(f64, f64)], unit: f64| {
                let s = WeighSettings::default();
                let s = WeighSettings { resolution_g: unit * s.resolution_g, ..s };
                fit_mass(&weighed(rows, unit), &s).unwrap()[class]
            };
            let found = of(&rows, 1.0);
            let raw = found.raw.unwrap();
            proptest::prop_assert!(found.coefficient >= raw.min(1.0) - 1e-9);
            proptest::prop_assert!(found.coefficient <= raw.max(1.0) + 1e-9);
            let prior = WeighSettings::default().prior_sd[class];
            proptest::prop_assert!(found.standard_deviation <= prior);
            let mut back = rows.clone();
            back.reverse();
            for other in [of(&back, 1.0), of(&rows, unit)] {
                proptest::prop_assert!((other.coefficient - found.coefficient).abs() < 1e-9);
                proptest::prop_assert!((other.standard_deviation - found.standard_deviation).abs() < 1e-9);
            }
            let heavier: Vec<_> = rows.iter().map(|r| (r.0, up * r.1)).collect();
            proptest::prop_assert!((of(&heavier, 1.0).raw.unwrap() - up * raw).abs() < 1e-9);
            if rows.len() >= 3 {
                let twice = of(&[rows.clone(), rows].concat(), 1.0);
                proptest::prop_assert!(twice.standard_deviation <= found.standard_deviation + 1e-12);
                proptest::prop_assert!(
                    (twice.coefficient - raw).abs() <= (found.coefficient - raw).abs() + 1e-9);
            }
        }
    }
}
