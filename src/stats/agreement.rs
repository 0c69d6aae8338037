//! Agreement and 2×2 tests: Cohen's kappa, McNemar, Fisher's exact test.

use super::{
    Continuity, Interval, Level, StatsError, binomial_acceptance, chi_squared_cdf, wilson,
};
use statrs::function::factorial::ln_binomial;

/// How far a disagreement counts.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum KappaWeights {
    /// Every disagreement alike.
    Unweighted,
    /// In proportion to the distance of the categories.
    Linear,
    /// In proportion to its square.
    Quadratic,
}

/// Cohen's kappa.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Kappa {
    /// Observed (weighted) agreement.
    pub observed: f64,
    /// Agreement expected by chance.
    pub expected: f64,
    /// (observed − expected)/(1 − expected).
    pub kappa: f64,
    /// Standard error for an interval around kappa.
    pub standard_error: f64,
    /// Standard error under no agreement beyond chance, for a test against 0.
    pub null_standard_error: f64,
}

/// Cohen's kappa (1960, Educ Psychol Meas 20:37-46) of a square table of counts, with the standard
/// errors of Fleiss, Cohen and Everitt (1969, Psychological Bulletin 72:323-327).
///
/// # Errors
/// Unless the table is square with at least two rows, holds a count, and chance agreement is
/// below 1.
pub fn cohens_kappa(table: &[Vec<u64>], weights: KappaWeights) -> Result<Kappa, StatsError> {
    let k = table.len();
    if k < 2 || table.iter().any(|row| row.len() != k) {
        return Err(StatsError::Shape("an agreement table must be square, two by two or larger"));
    }
    let n: u64 = table.iter().flatten().sum();
    if n == 0 {
        return Err(StatsError::TooFew { what: "an agreement table", needed: 1, found: 0 });
    }
    let n = n as f64;
    let p = |i: usize, j: usize| table[i][j] as f64 / n;
    let row: Vec<f64> = (0..k).map(|i| (0..k).map(|j| p(i, j)).sum()).collect();
    let column: Vec<f64> = (0..k).map(|j| (0..k).map(|i| p(i, j)).sum()).collect();
    let weight = |i: usize, j: usize| {
        let distance = i.abs_diff(j) as f64 / (k - 1) as f64;
        match weights {
            KappaWeights::Unweighted => f64::from(u8::from(i == j)),
            KappaWeights::Linear => 1.0 - distance,
            KappaWeights::Quadratic => 1.0 - distance * distance,
        }
    };
    let cells = || (0..k).flat_map(move |i| (0..k).map(move |j| (i, j)));
    let observed: f64 = cells().map(|(i, j)| weight(i, j) * p(i, j)).sum();
    let expected: f64 = cells().map(|(i, j)| weight(i, j) * row[i] * column[j]).sum();
    if 1.0 - expected <= 1e-12 {
        return Err(StatsError::Shape(
            "kappa has no value: both raters put everything into one category",
        ));
    }
    let kappa = (observed - expected) / (1.0 - expected);
    let row_weight: Vec<f64> =
        (0..k).map(|i| (0..k).map(|j| weight(i, j) * column[j]).sum()).collect();
    let column_weight: Vec<f64> =
        (0..k).map(|j| (0..k).map(|i| weight(i, j) * row[i]).sum()).collect();
    let spread = |i: usize, j: usize| row_weight[i] + column_weight[j];
    let mean_square: f64 =
        cells().map(|(i, j)| p(i, j) * (weight(i, j) - spread(i, j) * (1.0 - kappa)).powi(2)).sum();
    let variance =
        (mean_square - (kappa - expected * (1.0 - kappa)).powi(2)) / (n * (1.0 - expected).powi(2));
    let null_square: f64 =
        cells().map(|(i, j)| row[i] * column[j] * (weight(i, j) - spread(i, j)).powi(2)).sum();
    let null_variance = (null_square - expected * expected) / (n * (1.0 - expected).powi(2));
    Ok(Kappa {
        observed,
        expected,
        kappa,
        standard_error: variance.max(0.0).sqrt(),
        null_standard_error: null_variance.max(0.0).sqrt(),
    })
}

impl Kappa {
    /// Wald interval, within −1 to 1.
    pub fn interval(&self, level: Level) -> Interval {
        let half = level.z() * self.standard_error;
        let (low, high) = ((self.kappa - half).max(-1.0), (self.kappa + half).min(1.0));
        Interval { low, high, level }
    }
}

/// Positive agreement of two raters on one category, 2a/(2a + b + c), with its interval: `both` (a)
/// said it, only the one (b), only the other (c). Cicchetti and Feinstein (1990, J Clin Epidemiol
/// 43:551-558); the same as Dice's coefficient (1945).
///
/// The interval is that of q = a/(a + b + c), the share of objects that both named of those that
/// either named (Wilson's), carried over by 2q/(1 + q), which rises with q.
///
/// # Errors
/// When neither said it of any object.
pub fn positive_agreement(
    both: u64,
    only_one: u64,
    only_other: u64,
    level: Level,
) -> Result<(f64, Interval), StatsError> {
    let named = both + only_one + only_other;
    if named == 0 {
        let what = "positive agreement";
        return Err(StatsError::TooFew { what, needed: 1, found: 0 });
    }
    let q = wilson(both, named, level, Continuity::Uncorrected)?;
    let carried = |q: f64| 2.0 * q / (1.0 + q);
    let (low, high) = (carried(q.low), carried(q.high));
    Ok((carried(both as f64 / named as f64), Interval { low, high, level }))
}

/// McNemar's test of two discordant counts.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct McNemar {
    /// χ² = (b−c)²/(b+c), 1 degree of freedom.
    pub chi_squared: f64,
    /// Its p value.
    pub p: f64,
    /// χ² with the continuity correction (|b−c|−1)²/(b+c).
    pub corrected_chi_squared: f64,
    /// Its p value.
    pub corrected_p: f64,
    /// Exact two-sided binomial p value.
    pub exact_p: f64,
    /// Exact with half the probability of the observed split.
    pub mid_p: f64,
}

/// McNemar's test (1947, Psychometrika 12:153-157) that two paired judgements differ alike in both
/// directions: `b` and `c` are the pairs that changed one way and the other.
///
/// # Errors
/// When no pair changed.
pub fn mcnemar(b: u64, c: u64) -> Result<McNemar, StatsError> {
    let n = b + c;
    if n == 0 {
        return Err(StatsError::TooFew {
            what: "McNemar's test on changed pairs",
            needed: 1,
            found: 0,
        });
    }
    let gap = b.abs_diff(c) as f64;
    let chi_squared = gap * gap / n as f64;
    let corrected_chi_squared = (gap - 1.0).max(0.0).powi(2) / n as f64;
    let less = b.min(c);
    let tail = binomial_acceptance(n, less, 0.5)?;
    let point = (ln_binomial(n, less) - n as f64 * std::f64::consts::LN_2).exp();
    let (exact_p, mid_p) = if b == c {
        (1.0, (1.0 - point).max(0.0) + 0.5 * point)
    } else {
        ((2.0 * tail).min(1.0), 2.0 * tail - point)
    };
    Ok(McNemar {
        chi_squared,
        p: 1.0 - chi_squared_cdf(chi_squared, 1.0),
        corrected_chi_squared,
        corrected_p: 1.0 - chi_squared_cdf(corrected_chi_squared, 1.0),
        exact_p,
        mid_p,
    })
}

/// Fisher's exact test of a 2×2 table.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FisherExact {
    /// P of a first cell at most the observed one.
    pub less: f64,
    /// P of a first cell at least the observed one.
    pub greater: f64,
    /// P of all tables no more likely than the observed one.
    pub two_sided: f64,
}

/// Fisher's exact test (1935) of the table `[[a, b], [c, d]]`, both margins fixed.
///
/// # Errors
/// When the table is empty.
pub fn fisher_exact(table: [[u64; 2]; 2]) -> Result<FisherExact, StatsError> {
    let [[a, b], [c, d]] = table;
    let (row, column, n) = (a + b, a + c, a + b + c + d);
    if n == 0 {
        return Err(StatsError::TooFew { what: "a two by two table", needed: 1, found: 0 });
    }
    let least = column.saturating_sub(n - row);
    let most = row.min(column);
    let all = ln_binomial(n, column);
    let point = |x: u64| (ln_binomial(row, x) + ln_binomial(n - row, column - x) - all).exp();
    let observed = point(a);
    // Tables as likely as the observed one count; rounding must not drop them.
    let limit = observed * (1.0 + 1e-7);
    let sum = |keep: &dyn Fn(u64, f64) -> bool| {
        (least..=most)
            .map(|x| (x, point(x)))
            .filter(|&(x, p)| keep(x, p))
            .map(|(_, p)| p)
            .sum::<f64>()
            .min(1.0)
    };
    Ok(FisherExact {
        less: sum(&|x, _| x <= a),
        greater: sum(&|x, _| x >= a),
        two_sided: sum(&|_, p| p <= limit),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::testdata::close;

    fn table(rows: &[&[u64]]) -> Vec<Vec<u64>> {
        rows.iter().map(|r| r.to_vec()).collect()
    }

    /// check-values.md section 6: COMPUTED (statsmodels and the Fleiss-Cohen-Everitt formulas); the
    /// first three tables are the well-known textbook ones (from memory).
    #[test]
    fn kappas() {
        let cases = [
            (table(&[&[20, 5], &[10, 15]]), 0.70, 0.50, 0.4, 0.1269960629, 0.1385640646),
            (table(&[&[45, 15], &[25, 15]]), 0.60, 0.54, 0.1304347826, 0.0986615376, 0.0976084536),
            (table(&[&[25, 35], &[5, 35]]), 0.60, 0.46, 0.2592592593, 0.0771597317, 0.0831479419),
            (
                table(&[&[88, 14, 18], &[10, 40, 10], &[2, 6, 12]]),
                0.70,
                0.41,
                0.4915254237,
                0.0510018156,
                0.0519789364,
            ),
            (
                table(&[&[53, 5, 2], &[11, 14, 5], &[1, 6, 3]]),
                0.70,
                0.475,
                0.4285714286,
                0.0759588315,
                0.0785064666,
            ),
        ];
        for (counts, observed, expected, kappa, se, null) in &cases {
            let found = cohens_kappa(counts, KappaWeights::Unweighted).unwrap();
            close(found.observed, *observed, 1e-12, "po");
            close(found.expected, *expected, 1e-12, "pe");
            close(found.kappa, *kappa, 6e-11, "kappa");
            close(found.standard_error, *se, 6e-11, "se");
            close(found.null_standard_error, *null, 6e-11, "null se");
        }
        for (i, linear, quadratic) in
            [(3, 0.4736842105, 0.4545454545), (4, 0.4923076923, 0.5666666667)]
        {
            let of = |w| cohens_kappa(&cases[i].0, w).unwrap().kappa;
            close(of(KappaWeights::Linear), linear, 6e-11, "linear");
            close(of(KappaWeights::Quadratic), quadratic, 6e-11, "quadratic");
        }
    }

    /// By hand: 2·20/(2·20 + 5 + 10); Wilson's interval (checked in `proportion`) of 20 of 35 carried
    /// over. Full agreement ends at 1, none begins at 0.
    #[test]
    fn positive_agreements() {
        let (share, interval) = positive_agreement(20, 5, 10, Level::P95).unwrap();
        close(share, 40.0 / 55.0, 1e-12, "share");
        let q = wilson(20, 35, Level::P95, Continuity::Uncorrected).unwrap();
        close(interval.low, 2.0 * q.low / (1.0 + q.low), 1e-12, "low");
        assert!(interval.low < share && share < interval.high);
        assert_eq!(positive_agreement(9, 0, 0, Level::P95).unwrap().1.high, 1.0);
        assert_eq!(positive_agreement(0, 2, 1, Level::P95).unwrap().1.low, 0.0);
        assert!(positive_agreement(0, 0, 0, Level::P95).is_err());
    }

    /// check-values.md section 6: the presidential-approval table (Agresti; R's own example) and
    /// three more, COMPUTED with R 4.2.2 and statsmodels.
    #[test]
    fn mcnemars() {
        let found = mcnemar(150, 86).unwrap();
        close(found.corrected_chi_squared, 16.817797, 5e-7, "corrected");
        close(found.corrected_p, 4.1145623e-05, 5e-13, "p");
        close(found.chi_squared, 17.355932, 5e-7, "plain");
        close(found.p, 3.0992934e-05, 5e-13, "p");
        close(found.exact_p, 3.7159361e-05, 5e-13, "exact");
        close(found.mid_p, 2.8933895e-05, 5e-13, "mid-p");
        let found = mcnemar(121, 59).unwrap();
        close(found.chi_squared, 21.355556, 5e-7, "plain");
        close(found.exact_p, 4.4344493e-06, 5e-13, "exact");
        let found = mcnemar(10, 2).unwrap();
        close(found.p, 0.0209213353, 5e-11, "p");
        close(found.corrected_p, 0.0433081428, 5e-11, "corrected");
        close(found.exact_p, 0.0385742188, 5e-11, "exact");
        let found = mcnemar(6, 16).unwrap();
        close(found.exact_p, 0.0524787903, 5e-11, "exact");
        close(found.mid_p, 0.0346896648, 5e-11, "mid-p");
        assert!(mcnemar(0, 0).is_err());
        assert_eq!(mcnemar(4, 4).unwrap().exact_p, 1.0);
    }

    /// Fisher's tea tasting (1935): 17/70, 34/70, 1/70; two more COMPUTED with R.
    #[test]
    fn fishers() {
        let tea = fisher_exact([[3, 1], [1, 3]]).unwrap();
        close(tea.greater, 17.0 / 70.0, 1e-12, "one-sided");
        close(tea.two_sided, 34.0 / 70.0, 1e-12, "two-sided");
        let all = fisher_exact([[4, 0], [0, 4]]).unwrap();
        close(all.greater, 1.0 / 70.0, 1e-12, "all right");
        close(all.two_sided, 2.0 / 70.0, 1e-12, "all right, two-sided");
        close(fisher_exact([[8, 2], [1, 5]]).unwrap().two_sided, 0.0349650350, 5e-11, "8 2 1 5");
        close(
            fisher_exact([[7, 27], [1, 33]]).unwrap().two_sided,
            0.0544001305,
            5e-11,
            "7 27 1 33",
        );
        assert!(fisher_exact([[0, 0], [0, 0]]).is_err());
    }

    #[test]
    fn tables_that_say_nothing_are_refused() {
        assert!(cohens_kappa(&table(&[&[1]]), KappaWeights::Unweighted).is_err());
        assert!(cohens_kappa(&table(&[&[1, 2], &[3]]), KappaWeights::Unweighted).is_err());
        assert!(cohens_kappa(&table(&[&[5, 0], &[0, 0]]), KappaWeights::Unweighted).is_err());
    }

    fn transposed(t: &[Vec<u64>]) -> Vec<Vec<u64>> {
        (0..t.len()).map(|j| t.iter().map(|row| row[j]).collect()).collect()
    }

    fn tables() -> impl proptest::strategy::Strategy<Value = Vec<Vec<u64>>> {
        proptest::collection::vec(proptest::collection::vec(0u64..60, 4), 4)
    }

    proptest::proptest! {
        /// The raters may change places, the table may be counted ten times over, and without weights the
        /// categories may be renamed.
        #[test]
        fn kappa_knows_no_first_rater_and_no_unit(t in tables()) {
            for weights in [KappaWeights::Unweighted, KappaWeights::Linear, KappaWeights::Quadratic] {
                let Ok(found) = cohens_kappa(&t, weights) else { return Ok(()) };
                proptest::prop_assert!(found.kappa <= 1.0 + 1e-12 && found.observed <= 1.0 + 1e-12);
                let other = cohens_kappa(&transposed(&t), weights).unwrap();
                proptest::prop_assert!((found.kappa - other.kappa).abs() < 1e-9);
                proptest::prop_assert!((found.standard_error - other.standard_error).abs() < 1e-7);
                let tenfold: Vec<Vec<u64>> =
                    t.iter().map(|r| r.iter().map(|c| 10 * c).collect()).collect();
                let tenfold = cohens_kappa(&tenfold, weights).unwrap();
                proptest::prop_assert!((found.kappa - tenfold.kappa).abs() < 1e-9);
                let shrunk = tenfold.standard_error * 10.0_f64.sqrt();
                proptest::prop_assert!((found.standard_error - shrunk).abs() < 1e-7);
                let (narrow, wide) =
                    (found.interval(Level::new(0.8).unwrap()), found.interval(Level::P95));
                proptest::prop_assert!(wide.low <= narrow.low && wide.high >= narrow.high);
                proptest::prop_assert!(wide.low >= -1.0 && wide.high <= 1.0);
            }
            let order = [2, 0, 3, 1];
            let renamed: Vec<Vec<u64>> =
                order.iter().map(|&i| order.iter().map(|&j| t[i][j]).collect()).collect();
            let one = cohens_kappa(&t, KappaWeights::Unweighted).unwrap().kappa;
            let other = cohens_kappa(&renamed, KappaWeights::Unweighted).unwrap().kappa;
            proptest::prop_assert!((one - other).abs() < 1e-9);
        }

        #[test]
        fn positive_agreement_lies_in_its_interval(a in 0u64..300, b in 0u64..300, c in 1u64..300) {
            let (found, interval) = positive_agreement(a, b, c, Level::P95).unwrap();
            let plain = 2.0 * a as f64 / (2 * a + b + c) as f64;
            proptest::prop_assert!((found - plain).abs() < 1e-12);
            proptest::prop_assert!(interval.low >= 0.0 && interval.high <= 1.0);
            proptest::prop_assert!(interval.low <= found + 1e-12 && found <= interval.high + 1e-12);
            proptest::prop_assert_eq!(
                (found, interval), positive_agreement(a, c, b, Level::P95).unwrap());
            let (_, narrow) = positive_agreement(10 * a, 10 * b, 10 * c, Level::P95).unwrap();
            proptest::prop_assert!(narrow.width() <= interval.width() + 1e-12);
        }

        /// Both directions alike; a wider gap at the same number of changes is less likely by chance.
        #[test]
        fn mcnemar_is_symmetric_and_ordered(b in 0u64..200, c in 1u64..200) {
            let found = mcnemar(b, c).unwrap();
            proptest::prop_assert_eq!(found, mcnemar(c, b).unwrap());
            for p in [found.p, found.corrected_p, found.exact_p, found.mid_p] {
                proptest::prop_assert!((-1e-12..=1.0 + 1e-12).contains(&p), "{found:?}");
            }
            proptest::prop_assert!(found.mid_p <= found.exact_p + 1e-12);
            proptest::prop_assert!(found.corrected_chi_squared <= found.chi_squared);
            if b > c {
                let wider = mcnemar(b + 1, c - 1).unwrap();
                proptest::prop_assert!(wider.exact_p <= found.exact_p + 1e-9);
                proptest::prop_assert!(wider.p <= found.p + 1e-12);
            }
        }

        /// Rows and columns may change places; swapping a row with the other turns less into greater.
        #[test]
        fn fishers_table_may_be_turned(a in 0u64..60, b in 0u64..60, c in 0u64..60, d in 1u64..60) {
            let found = fisher_exact([[a, b], [c, d]]).unwrap();
            let turned = fisher_exact([[a, c], [b, d]]).unwrap();
            let swapped = fisher_exact([[c, d], [a, b]]).unwrap();
            for (one, other) in [
                (found.less, turned.less),
                (found.greater, turned.greater),
                (found.two_sided, turned.two_sided),
                (found.less, swapped.greater),
                (found.greater, swapped.less),
                (found.two_sided, swapped.two_sided),
            ] {
                proptest::prop_assert!((one - other).abs() < 1e-9);
            }
            proptest::prop_assert!(found.two_sided <= 1.0 && found.less + found.greater >= 1.0 - 1e-9);
            proptest::prop_assert!(found.two_sided >= found.less.min(found.greater) - 1e-9);
        }
    }
}
