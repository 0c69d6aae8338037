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
}
