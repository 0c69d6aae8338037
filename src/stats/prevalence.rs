//! Shares corrected for a judge's known mistakes, two classes.

use super::{Continuity, Interval, Level, StatsError, check_counts, check_share, wilson};

/// A corrected share.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CorrectedShare {
    /// Share before the correction.
    pub apparent: f64,
    /// (AP + Sp − 1)/(Se + Sp − 1), not clipped: below 0 or above 1 it says that the sensitivity
    /// or specificity cannot be right for this sample.
    pub estimate: f64,
    /// Standard error with sensitivity and specificity taken as known.
    pub known_standard_error: f64,
    /// Standard error that carries the uncertainty of sensitivity and specificity, when the sizes
    /// of the samples they came from are given.
    pub standard_error: Option<f64>,
    /// Wilson's limits of the apparent share, corrected and clipped to 0 to 1; sensitivity and
    /// specificity taken as known.
    pub interval: Interval,
}

/// Rogan and Gladen's correction (1978, Am J Epidemiol 107:71-76) of `positives` of `n` for a
/// judge of the given `sensitivity` and `specificity`; `reference_sizes` are the numbers of truly
/// positive and truly negative objects those two came from.
///
/// # Errors
/// When the counts are no share, a rate is outside 0 to 1, or Se + Sp ≤ 1 (a judge no better
/// than a coin cannot be corrected).
pub fn rogan_gladen(
    positives: u64,
    n: u64,
    sensitivity: f64,
    specificity: f64,
    reference_sizes: Option<(u64, u64)>,
    level: Level,
) -> Result<CorrectedShare, StatsError> {
    let (x, total) = check_counts(positives, n)?;
    let youden = youden(sensitivity, specificity)?;
    let apparent = x / total;
    let correct = |ap: f64| (ap + specificity - 1.0) / youden;
    let estimate = correct(apparent);
    let sampling = apparent * (1.0 - apparent) / total;
    let standard_error = match reference_sizes {
        None => None,
        Some((0, _) | (_, 0)) => {
            return Err(StatsError::TooFew {
                what: "sensitivity and specificity",
                needed: 1,
                found: 0,
            });
        }
        Some((n_se, n_sp)) => {
            let se = sensitivity * (1.0 - sensitivity) / n_se as f64;
            let sp = specificity * (1.0 - specificity) / n_sp as f64;
            let variance = sampling + estimate.powi(2) * se + (1.0 - estimate).powi(2) * sp;
            Some(variance.sqrt() / youden)
        }
    };
    let limits = wilson(positives, n, level, Continuity::Uncorrected)?;
    Ok(CorrectedShare {
        apparent,
        estimate,
        known_standard_error: sampling.sqrt() / youden,
        standard_error,
        interval: Interval {
            low: correct(limits.low).clamp(0.0, 1.0),
            high: correct(limits.high).clamp(0.0, 1.0),
            level,
        },
    })
}

/// Lang and Reiczigel's interval (2014, Prev Vet Med 113:13-22) of the true share when
/// sensitivity and specificity come from samples of the given sizes. The formula's (1−P′)² is
/// right; the paper's text has a sign misprint there.
///
/// # Errors
/// As [`rogan_gladen`].
pub fn lang_reiczigel(
    positives: u64,
    n: u64,
    sensitivity: (f64, u64),
    specificity: (f64, u64),
    level: Level,
) -> Result<Interval, StatsError> {
    let (x, total) = check_counts(positives, n)?;
    youden(sensitivity.0, specificity.0)?;
    let z = level.z();
    let z2 = z * z;
    let shrink = |(rate, size): (f64, u64)| {
        let size = size as f64;
        let rate = (size * rate + 1.0) / (size + 2.0);
        (rate, rate * (1.0 - rate) / (size + 2.0))
    };
    let ((se, v_se), (sp, v_sp)) = (shrink(sensitivity), shrink(specificity));
    let n1 = total + z2;
    let ap = (x + 0.5 * z2) / n1;
    let j = youden(se, sp)?;
    let p = (ap + sp - 1.0) / j;
    let shift = 2.0 * z2 * (p * v_se - (1.0 - p) * v_sp);
    let variance = (ap * (1.0 - ap) / n1 + p * p * v_se + (1.0 - p).powi(2) * v_sp) / (j * j);
    let half = z * variance.sqrt();
    Ok(Interval {
        low: (p + shift - half).clamp(0.0, 1.0),
        high: (p + shift + half).clamp(0.0, 1.0),
        level,
    })
}

fn youden(sensitivity: f64, specificity: f64) -> Result<f64, StatsError> {
    check_share("sensitivity", sensitivity)?;
    check_share("specificity", specificity)?;
    let youden = sensitivity + specificity - 1.0;
    if youden > 0.0 {
        Ok(youden)
    } else {
        Err(StatsError::Range {
            name: "sensitivity + specificity",
            value: sensitivity + specificity,
            range: "above 1, or the judge is no better than a coin",
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::testdata::close;

    /// PUBLISHED inputs of a public manual of an epidemiology package (23 of 150, Se 0.96,
    /// Sp 0.89); its answer "5.1, 0 to 13 per 100" is from memory; the digits are COMPUTED.
    #[test]
    fn rogan_and_gladens_example() {
        let found = rogan_gladen(23, 150, 0.96, 0.89, None, Level::P95).unwrap();
        close(found.apparent, 0.1533333333, 5e-11, "AP");
        close(found.estimate, 0.0509803922, 5e-11, "P");
        close(found.known_standard_error, 0.0346106666, 5e-11, "SE");
        assert_eq!(found.interval.low, 0.0);
        close(found.interval.high, 0.1289174491, 5e-11, "upper");
    }

    /// check-values.md section 7: formulas confirmed against a public implementation that cites
    /// the paper; values COMPUTED.
    #[test]
    fn lang_and_reiczigels_interval() {
        for (x, n, se, n_se, sp, n_sp, p, error, low, high) in [
            (23, 150, 0.96, 100, 0.89, 100, 0.0509803922, 0.0491900390, 0.0, 0.1456684576),
            (60, 600, 0.90, 100, 0.97, 200, 0.0804597701, 0.0191941819, 0.0390695927, 0.1180809582),
            (
                200,
                1000,
                0.70,
                100,
                0.98,
                100,
                0.2647058824,
                0.0298900156,
                0.1976117969,
                0.3226141014,
            ),
            (12, 400, 0.95, 60, 0.99, 300, 0.0212765957, 0.0108864185, 0.0, 0.0465509557),
        ] {
            let share = rogan_gladen(x, n, se, sp, Some((n_se, n_sp)), Level::P95).unwrap();
            close(share.estimate, p, 5e-11, "P");
            close(share.standard_error.unwrap(), error, 1e-10, "SE");
            let found = lang_reiczigel(x, n, (se, n_se), (sp, n_sp), Level::P95).unwrap();
            close(found.low, low, 6e-11, "low");
            close(found.high, high, 6e-11, "high");
        }
    }

    #[test]
    fn a_judge_no_better_than_a_coin_is_refused() {
        assert!(rogan_gladen(1, 10, 0.5, 0.5, None, Level::P95).is_err());
        assert!(rogan_gladen(1, 10, 0.9, 0.9, Some((0, 5)), Level::P95).is_err());
        assert!(lang_reiczigel(1, 10, (0.4, 10), (0.5, 10), Level::P95).is_err());
    }

    proptest::proptest! {
        /// A perfect judge needs no correction; positives and negatives may change places; what is put in
        /// by a judge's known mistakes comes out again.
        #[test]
        fn rogan_gladen_undoes_the_judge(
            n in 1u64..2000, u in 0.0f64..=1.0, se in 0.55f64..=1.0, sp in 0.55f64..=1.0,
        ) {
            let x = (n as f64 * u) as u64;
            let of = |x, se, sp| {
                rogan_gladen(x, n, se, sp, Some((200, 300)), Level::P95).unwrap()
            };
            let found = of(x, se, sp);
            let back = found.estimate * se + (1.0 - found.estimate) * (1.0 - sp);
            proptest::prop_assert!((back - found.apparent).abs() < 1e-9);
            proptest::prop_assert!((of(x, 1.0, 1.0).estimate - found.apparent).abs() < 1e-12);
            let other = rogan_gladen(n - x, n, sp, se, Some((300, 200)), Level::P95).unwrap();
            proptest::prop_assert!((other.estimate + found.estimate - 1.0).abs() < 1e-9);
            proptest::prop_assert!((other.interval.low + found.interval.high - 1.0).abs() < 1e-9);
            let (known, carried) = (found.known_standard_error, found.standard_error.unwrap());
            proptest::prop_assert!(carried >= known - 1e-12);
            proptest::prop_assert!(found.interval.low <= found.interval.high);
            proptest::prop_assert!(found.interval.low >= 0.0 && found.interval.high <= 1.0);
            proptest::prop_assert!(found.interval.contains(found.estimate.clamp(0.0, 1.0)));
            if x < n {
                proptest::prop_assert!(of(x + 1, se, sp).estimate > found.estimate);
            }
        }

        #[test]
        fn lang_and_reiczigels_limits_are_mirrored_and_narrow_with_knowledge(
            n in 10u64..2000, u in 0.0f64..=1.0, se in 0.6f64..=1.0, sp in 0.6f64..=1.0,
        ) {
            let x = (n as f64 * u) as u64;
            let of = |x, se, sp| lang_reiczigel(x, n, se, sp, Level::P95).unwrap();
            let found = of(x, (se, 150), (sp, 250));
            proptest::prop_assert!(0.0 <= found.low && found.low <= found.high && found.high <= 1.0);
            let other = of(n - x, (sp, 250), (se, 150)).complement();
            proptest::prop_assert!((other.low - found.low).abs() < 1e-9);
            proptest::prop_assert!((other.high - found.high).abs() < 1e-9);
            let surer = lang_reiczigel(x, n, (se, 150), (sp, 250), Level::new(0.99).unwrap()).unwrap();
            proptest::prop_assert!(surer.width() >= found.width() - 1e-9);
        }
    }
}
