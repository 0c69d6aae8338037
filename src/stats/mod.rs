//! Statistics: intervals, quantiles, sample sizes, agreement and corrected prevalence.
//!
//! Shares are 0 to 1 everywhere, never per cent. This module knows nothing of berries, pixels or
//! files. Special functions come from `statrs`; the estimators are written here, each with its
//! source in its documentation and its check values in its tests.

mod acceptance;
mod agreement;
mod cluster;
mod combine;
mod difference;
mod overdispersed;
mod poisson;
mod prevalence;
mod proportion;
mod quantile;
mod random;
mod sample_size;

pub use acceptance::{binomial_acceptance, hypergeometric_acceptance, zero_defect_sample_size};
pub use agreement::{
    FisherExact, Kappa, KappaWeights, McNemar, cohens_kappa, fisher_exact, mcnemar,
    positive_agreement,
};
pub use cluster::{AnovaIcc, Ratio, anova_icc, cluster_ratio, element_ratio};
pub use combine::{FEWEST_FOR_OUTLIERS, Line, OutlierStep, line, outliers, weighted_sum};
pub use difference::{agresti_caffo, miettinen_nurminen, newcombe_difference};
pub use overdispersed::overdispersed_interval;
pub use poisson::poisson_interval;
pub(crate) use poisson::poisson_interval_real;
pub use prevalence::{CorrectedShare, lang_reiczigel, rogan_gladen};
pub(crate) use proportion::logit_interval;
pub use proportion::{
    Continuity, JeffreysEnds, clopper_pearson, clopper_pearson_real, clopper_pearson_upper,
    jeffreys, logit_t, mid_p, wilson,
};
pub use quantile::{
    beta_cdf, beta_quantile, chi_squared_cdf, chi_squared_quantile, normal_cdf, normal_quantile,
    t_cdf, t_quantile,
};
pub use random::SplitMix64;
pub use sample_size::{
    cochran_sample_size, design_effect, finite_population_sample_size, icc_from_design_effect,
};

/// Why a statistic could not be computed.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum StatsError {
    /// A number lies outside its range.
    #[error("{name} is {value}, but must be {range}")]
    Range {
        /// What the number is.
        name: &'static str,
        /// What it was.
        value: f64,
        /// What it may be, in words.
        range: &'static str,
    },
    /// A count exceeds the number it is taken from.
    #[error("{successes} of {trials} is not a share: the first may not exceed the second")]
    Counts {
        /// The count.
        successes: u64,
        /// What it was taken from.
        trials: u64,
    },
    /// Too little data.
    #[error("{what} needs at least {needed}, but there are {found}")]
    TooFew {
        /// What was asked for.
        what: &'static str,
        /// The least number.
        needed: usize,
        /// The number found.
        found: usize,
    },
    /// Tables or lists whose sizes do not fit together.
    #[error("{0}")]
    Shape(&'static str),
}

/// Two-sided confidence level, strictly between 0 and 1.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, serde::Serialize, serde::Deserialize)]
#[serde(try_from = "f64", into = "f64")]
pub struct Level(f64);

impl Level {
    /// 95 %, the level of every report unless asked otherwise.
    pub const P95: Level = Level(0.95);

    /// A level from a share such as 0.95.
    ///
    /// # Errors
    /// [`StatsError::Range`] unless 0 < `level` < 1.
    pub fn new(level: f64) -> Result<Self, StatsError> {
        if level > 0.0 && level < 1.0 {
            Ok(Level(level))
        } else {
            Err(StatsError::Range {
                name: "confidence level",
                value: level,
                range: "above 0 and below 1",
            })
        }
    }

    /// The level as a share, such as 0.95.
    pub fn share(self) -> f64 {
        self.0
    }

    /// What is left over on both sides together: 1 − level.
    pub fn alpha(self) -> f64 {
        1.0 - self.0
    }

    /// Standard normal quantile of the upper limit, 1.96 at 95 %.
    pub fn z(self) -> f64 {
        self.t(f64::INFINITY)
    }

    /// Student t quantile of the upper limit.
    pub fn t(self, degrees_of_freedom: f64) -> f64 {
        // Tables of a load ask for the same two quantiles again and again.
        thread_local! {
            static LATEST: std::cell::Cell<[(f64, f64, f64); 2]> =
                const { std::cell::Cell::new([(0.0, 0.0, 0.0); 2]) };
        }
        let slot = usize::from(degrees_of_freedom.is_infinite());
        LATEST.with(|latest| {
            let mut known = latest.get();
            let (level, degrees, t) = known[slot];
            if level == self.0 && degrees == degrees_of_freedom {
                return t;
            }
            let t = t_quantile(0.5 + 0.5 * self.0, degrees_of_freedom);
            known[slot] = (self.0, degrees_of_freedom, t);
            latest.set(known);
            t
        })
    }
}

impl Default for Level {
    fn default() -> Self {
        Level::P95
    }
}

impl TryFrom<f64> for Level {
    type Error = StatsError;
    fn try_from(level: f64) -> Result<Self, StatsError> {
        Level::new(level)
    }
}

impl From<Level> for f64 {
    fn from(level: Level) -> f64 {
        level.0
    }
}

/// A two-sided confidence interval. Shares are 0 to 1, differences −1 to 1.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Interval {
    /// Lower limit.
    pub low: f64,
    /// Upper limit.
    pub high: f64,
    /// Confidence level.
    pub level: Level,
}

impl Interval {
    /// Upper limit minus lower limit.
    pub fn width(&self) -> f64 {
        self.high - self.low
    }

    /// Whether the value lies inside, limits included.
    pub fn contains(&self, value: f64) -> bool {
        self.low <= value && value <= self.high
    }

    /// The smallest interval that holds both.
    pub fn envelope(&self, other: &Interval) -> Interval {
        Interval { low: self.low.min(other.low), high: self.high.max(other.high), ..*self }
    }

    /// The interval of 1 − x.
    pub fn complement(&self) -> Interval {
        Interval { low: 1.0 - self.high, high: 1.0 - self.low, ..*self }
    }
}

fn check_share(name: &'static str, value: f64) -> Result<f64, StatsError> {
    if (0.0..=1.0).contains(&value) {
        Ok(value)
    } else {
        Err(StatsError::Range { name, value, range: "from 0 to 1" })
    }
}

fn check_open_share(name: &'static str, value: f64) -> Result<f64, StatsError> {
    if value > 0.0 && value < 1.0 {
        Ok(value)
    } else {
        Err(StatsError::Range { name, value, range: "above 0 and below 1" })
    }
}

fn check_positive(name: &'static str, value: f64) -> Result<f64, StatsError> {
    if value > 0.0 && value.is_finite() {
        Ok(value)
    } else {
        Err(StatsError::Range { name, value, range: "above 0" })
    }
}

fn check_counts(successes: u64, trials: u64) -> Result<(f64, f64), StatsError> {
    if trials == 0 {
        return Err(StatsError::TooFew { what: "a share", needed: 1, found: 0 });
    }
    if successes > trials {
        return Err(StatsError::Counts { successes, trials });
    }
    Ok((successes as f64, trials as f64))
}

#[cfg(test)]
pub(crate) mod testdata {
    /// Rows of a CSV under tests/data/check-values as text cells, header line dropped.
    pub(crate) fn rows(text: &str) -> Vec<Vec<String>> {
        text.lines().skip(1).map(|l| l.split(',').map(str::to_owned).collect()).collect()
    }

    pub(crate) fn close(found: f64, wanted: f64, tolerance: f64, what: &str) {
        assert!(
            (found - wanted).abs() <= tolerance,
            "{what}: found {found}, wanted {wanted} within {tolerance}"
        );
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_level_outside_its_range_is_refused_with_the_number() {
        for bad in [0.0, 1.0, -0.1, 95.0, f64::NAN] {
            assert!(Level::new(bad).is_err());
        }
        assert_eq!(
            Level::new(95.0).unwrap_err().to_string(),
            "confidence level is 95, but must be above 0 and below 1"
        );
    }

    #[test]
    fn z_at_95_per_cent() {
        testdata::close(Level::P95.z(), 1.959963984540054, 1e-12, "z");
    }
}
