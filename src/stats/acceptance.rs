//! Probability of accepting a lot by counting, for plans "at most c among n".

use super::{StatsError, beta_cdf, check_open_share, check_share};
use statrs::function::factorial::ln_binomial;

/// P(X ≤ c) for n draws from an endless stream with share p: binomial.
///
/// # Errors
/// Unless 0 ≤ `share` ≤ 1.
pub fn binomial_acceptance(n: u64, acceptance: u64, share: f64) -> Result<f64, StatsError> {
    check_share("share", share)?;
    if acceptance >= n {
        return Ok(1.0);
    }
    let (n, c) = (n as f64, acceptance as f64);
    Ok(beta_cdf(1.0 - share, n - c, c + 1.0))
}

/// P(X ≤ c) for n drawn without replacement from `lot` pieces of which `defective` are of the
/// class: hypergeometric.
///
/// # Errors
/// When more are drawn or defective than there are.
pub fn hypergeometric_acceptance(
    lot: u64,
    defective: u64,
    n: u64,
    acceptance: u64,
) -> Result<f64, StatsError> {
    if defective > lot {
        return Err(StatsError::Counts { successes: defective, trials: lot });
    }
    if n > lot {
        return Err(StatsError::Counts { successes: n, trials: lot });
    }
    let least = n.saturating_sub(lot - defective);
    let most = acceptance.min(n).min(defective);
    let all = ln_binomial(lot, n);
    let sum: f64 = (least..=most)
        .map(|x| (ln_binomial(defective, x) + ln_binomial(lot - defective, n - x) - all).exp())
        .sum();
    Ok(sum.min(1.0))
}

/// How many must be looked at, all clean, to claim with `confidence` that the share is below
/// `share`: ⌈ln(1−C)/ln(1−p)⌉.
///
/// # Errors
/// Unless both lie strictly between 0 and 1.
pub fn zero_defect_sample_size(share: f64, confidence: f64) -> Result<u64, StatsError> {
    check_open_share("share", share)?;
    check_open_share("confidence", confidence)?;
    Ok(((-confidence).ln_1p() / (-share).ln_1p()).ceil() as u64)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::testdata::{close, rows};

    /// tests/data/check-values/acceptance_oc.csv: COMPUTED (binomial) for 13 plans whose n and
    /// acceptance number are those of MIL-STD-105E (1989), Tables I and II-A.
    #[test]
    fn operating_characteristics() {
        let cells = rows(include_str!("../../tests/data/check-values/acceptance_oc.csv"));
        assert_eq!(cells.len(), 13);
        for row in cells {
            let n: u64 = row[1].parse().unwrap();
            let c: u64 = row[3].parse().unwrap();
            let number = |i: usize| row[i].parse::<f64>().unwrap();
            for (column, p) in [
                (5, number(2) / 100.0),
                (6, 0.01),
                (7, 0.02),
                (8, 0.03),
                (9, 0.05),
                (10, 0.08),
                (11, 0.10),
            ] {
                close(binomial_acceptance(n, c, p).unwrap(), number(column), 6e-9, "Pa");
            }
        }
    }

    /// The same plans stand in the published table: letter, n and Ac.
    #[test]
    fn plans_are_those_of_the_standard() {
        let plans = rows(include_str!("../../tests/data/check-values/acceptance_plans.csv"));
        let levels = ["0.65", "1.0", "1.5", "2.5", "4.0", "6.5", "10", "15"];
        for row in rows(include_str!("../../tests/data/check-values/acceptance_oc.csv")) {
            let plan = plans.iter().find(|p| p[2] == row[0]).unwrap();
            let column = 4 + levels.iter().position(|l| *l == row[2]).unwrap();
            assert_eq!((&plan[3], &plan[column]), (&row[1], &row[3]));
        }
    }

    /// check-values.md section 5, COMPUTED; and the textbook curve n = 89, c = 2 (Montgomery,
    /// Introduction to Statistical Quality Control, ch. 15; from memory, recomputed).
    #[test]
    fn hypergeometric_and_textbook() {
        for (lot, d, n, c, wanted) in [
            (1000, 20, 80, 2, 0.7892471363),
            (500, 10, 50, 0, 0.3451621748),
            (100, 5, 20, 1, 0.7394534446),
            (10000, 300, 200, 5, 0.4416292937),
            (50, 3, 10, 0, 0.5040816327),
        ] {
            close(hypergeometric_acceptance(lot, d, n, c).unwrap(), wanted, 1e-10, "hyper");
        }
        for (p, wanted) in [
            (0.005, 0.9897),
            (0.01, 0.9397),
            (0.02, 0.7366),
            (0.03, 0.4985),
            (0.04, 0.3042),
            (0.05, 0.1721),
            (0.06, 0.0919),
            (0.07, 0.0468),
            (0.08, 0.0230),
            (0.09, 0.0109),
        ] {
            close(binomial_acceptance(89, 2, p).unwrap(), wanted, 5.1e-5, "89, 2");
        }
        assert_eq!(hypergeometric_acceptance(10, 10, 5, 4).unwrap(), 0.0);
        assert_eq!(hypergeometric_acceptance(10, 0, 5, 0).unwrap(), 1.0);
        assert!(hypergeometric_acceptance(10, 11, 5, 0).is_err());
        assert!(hypergeometric_acceptance(10, 1, 11, 0).is_err());
        assert_eq!(binomial_acceptance(5, 5, 0.9).unwrap(), 1.0);
    }

    /// check-values.md section 4.
    #[test]
    fn clean_samples() {
        for (p, sizes) in [
            (0.01, [230, 299, 459]),
            (0.02, [114, 149, 228]),
            (0.005, [460, 598, 919]),
            (0.05, [45, 59, 90]),
        ] {
            for (confidence, n) in [0.90, 0.95, 0.99].iter().zip(sizes) {
                assert_eq!(zero_defect_sample_size(p, *confidence).unwrap(), n);
            }
        }
    }

    /// P(X ≤ c) summed term by term, small n: the slow, obvious way.
    fn binomial_by_terms(n: u64, c: u64, p: f64) -> f64 {
        let choose = |k: u64| (0..k).fold(1.0, |v, i| v * (n - i) as f64 / (i + 1) as f64);
        (0..=c.min(n)).map(|k| choose(k) * p.powi(k as i32) * (1.0 - p).powi((n - k) as i32)).sum()
    }

    proptest::proptest! {
        #[test]
        fn acceptance_is_the_sum_of_its_terms(n in 1u64..60, c in 0u64..60, p in 0.0f64..=1.0) {
            let found = binomial_acceptance(n, c, p).unwrap();
            proptest::prop_assert!((found - binomial_by_terms(n, c, p)).abs() < 1e-9, "{found}");
        }

        /// More defects pass less, a larger acceptance number passes more, and at most c defects among n
        /// is the same as at least n − c sound ones.
        #[test]
        fn acceptance_is_ordered_and_mirrored(
            n in 1u64..300, c in 0u64..300, p in 0.0f64..=1.0, more in 0.0f64..=1.0,
        ) {
            let of = |c: u64, p: f64| binomial_acceptance(n, c, p).unwrap();
            let found = of(c, p);
            proptest::prop_assert!((0.0..=1.0).contains(&found));
            proptest::prop_assert!(of(c, p + more * (1.0 - p)) <= found + 1e-12);
            proptest::prop_assert!(of(c + 1, p) >= found - 1e-12);
            if c < n {
                proptest::prop_assert!((found + of(n - c - 1, 1.0 - p) - 1.0).abs() < 1e-9);
            }
        }

        /// A lot without end is binomial; drawing and being defective change places; everything drawn
        /// leaves no doubt.
        #[test]
        fn drawing_without_replacement(
            lot in 1u64..400, u in 0.0f64..=1.0, v in 0.0f64..=1.0, c in 0u64..40,
        ) {
            let (d, n) = ((lot as f64 * u) as u64, (lot as f64 * v) as u64);
            let found = hypergeometric_acceptance(lot, d, n, c).unwrap();
            let swapped = hypergeometric_acceptance(lot, n, d, c).unwrap();
            proptest::prop_assert!((found - swapped).abs() < 1e-9);
            let all = hypergeometric_acceptance(lot, d, lot, c).unwrap();
            proptest::prop_assert!((all - f64::from(u8::from(d <= c))).abs() < 1e-9);
            let (n, p) = (n.min(40), 0.25 * u);
            let many = 100_000_000u64;
            let endless =
                hypergeometric_acceptance(many, (many as f64 * p) as u64, n, c).unwrap();
            proptest::prop_assert!((endless - binomial_acceptance(n, c, p).unwrap()).abs() < 1e-5);
        }

        /// The size is the least that does.
        #[test]
        fn the_clean_sample_is_just_large_enough(
            share in 0.001f64..0.9, confidence in 0.5f64..0.999,
        ) {
            let n = zero_defect_sample_size(share, confidence).unwrap();
            let doubt = |n: u64| binomial_acceptance(n, 0, share).unwrap();
            proptest::prop_assert!(doubt(n) <= 1.0 - confidence + 1e-9);
            proptest::prop_assert!(n == 1 || doubt(n - 1) > 1.0 - confidence - 1e-9);
        }
    }
}
