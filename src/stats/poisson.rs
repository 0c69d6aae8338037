//! Counts of rare pieces: stones, insects, canes.

use super::{Interval, Level, chi_squared_quantile};

/// Garwood's exact interval (1936, Biometrika 28:437-442) of a Poisson mean from a count:
/// χ²(α/2; 2k)/2 to χ²(1−α/2; 2k+2)/2. Not a share: the limits are counts.
pub fn poisson_interval(count: u64, level: Level) -> Interval {
    poisson_interval_real(count as f64, level)
}

/// The same for an effective count that need not be whole, 0 or more.
pub(crate) fn poisson_interval_real(count: f64, level: Level) -> Interval {
    let tail = 0.5 * level.alpha();
    let low = if count > 0.0 { 0.5 * chi_squared_quantile(tail, 2.0 * count) } else { 0.0 };
    let high = 0.5 * chi_squared_quantile(1.0 - tail, 2.0 * count + 2.0);
    Interval { low, high, level }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::testdata::close;

    /// Printed tables of exact Poisson limits (e.g. Ulm 1990, Am J Epidemiol 131:373-375; from
    /// memory), to three decimals.
    #[test]
    fn printed_limits() {
        for (count, low, high) in
            [(0, 0.0, 3.689), (1, 0.025, 5.572), (5, 1.623, 11.668), (10, 4.795, 18.390)]
        {
            let found = poisson_interval(count, Level::P95);
            close(found.low, low, 5.1e-4, "low");
            close(found.high, high, 5.1e-4, "high");
        }
    }

    proptest::proptest! {
        /// The count lies inside, more is more, surer is wider, and each limit is where the tail is α/2.
        #[test]
        fn limits_are_ordered_and_exact(count in 0u64..2000, share in 0.5f64..0.999) {
            let level = Level::new(share).unwrap();
            let found = poisson_interval(count, level);
            proptest::prop_assert!(found.low >= 0.0 && found.contains(count as f64));
            let next = poisson_interval(count + 1, level);
            proptest::prop_assert!(next.low > found.low && next.high > found.high);
            let surer = poisson_interval(count, Level::new(0.5 + 0.5 * share).unwrap());
            proptest::prop_assert!(surer.low <= found.low && surer.high >= found.high);
            if count < 100 {
                // P(X ≤ k) of a mean, term by term.
                let upto = |k: u64, mean: f64| -> f64 {
                    let mut term = (-mean).exp();
                    (0..=k).map(|i| { let t = term; term *= mean / (i + 1) as f64; t }).sum()
                };
                let tail = 0.5 * level.alpha();
                proptest::prop_assert!((upto(count, found.high) - tail).abs() < 1e-9);
                if count > 0 {
                    proptest::prop_assert!((1.0 - upto(count - 1, found.low) - tail).abs() < 1e-9);
                }
            }
        }
    }
}
