//! Distribution functions and their inverses.
//!
//! Inverses are found by safeguarded Newton steps on `statrs`'s distribution functions rather
//! than with its own inverses, so that every quantile here is as exact as the distribution
//! function is, small shape parameters included.

use statrs::function::{beta::beta_reg, beta::ln_beta, erf, gamma};

/// Standard normal distribution function, through the incomplete gamma function: `statrs`'s `erfc`
/// keeps ten digits only.
pub fn normal_cdf(z: f64) -> f64 {
    if z.is_nan() {
        return f64::NAN;
    }
    if z == 0.0 {
        return 0.5;
    }
    let tail = if z.is_infinite() { 0.0 } else { 0.5 * gamma::gamma_ur(0.5, 0.5 * z * z) };
    if z < 0.0 { tail } else { 1.0 - tail }
}

/// Standard normal quantile; −∞ at 0, +∞ at 1, NaN outside.
pub fn normal_quantile(p: f64) -> f64 {
    if !(0.0..=1.0).contains(&p) {
        return f64::NAN;
    }
    if p == 0.0 || p == 1.0 {
        return if p == 0.0 { f64::NEG_INFINITY } else { f64::INFINITY };
    }
    if p > 0.5 {
        return -normal_quantile(1.0 - p);
    }
    let mut z = -std::f64::consts::SQRT_2 * erf::erfc_inv(2.0 * p);
    for _ in 0..2 {
        let density = (-0.5 * z * z).exp() / (2.0 * std::f64::consts::PI).sqrt();
        z -= (normal_cdf(z) - p) / density;
    }
    z
}

/// Regularised incomplete beta function I_x(a, b), the distribution function of Beta(a, b).
/// NaN unless a, b > 0.
pub fn beta_cdf(x: f64, a: f64, b: f64) -> f64 {
    if !(a > 0.0 && b > 0.0) || x.is_nan() {
        f64::NAN
    } else if x <= 0.0 {
        0.0
    } else if x >= 1.0 {
        1.0
    } else {
        beta_reg(a, b, x)
    }
}

/// Quantile of Beta(a, b); NaN unless a, b > 0 and 0 ≤ p ≤ 1.
pub fn beta_quantile(p: f64, a: f64, b: f64) -> f64 {
    if !(a > 0.0 && b > 0.0 && (0.0..=1.0).contains(&p)) {
        return f64::NAN;
    }
    if p == 0.0 || p == 1.0 {
        return p;
    }
    // Work where the root is below one half of the mass scale: near 1 the reflected variable
    // keeps the digits.
    if a > b {
        return 1.0 - beta_quantile_low(1.0 - p, b, a);
    }
    beta_quantile_low(p, a, b)
}

/// Newton on u = ln x, safeguarded by bisection; the tail nearer to the root is matched.
fn beta_quantile_low(p: f64, a: f64, b: f64) -> f64 {
    let norm = ln_beta(a, b);
    // Leading term of the series, x ≈ (p·a·B(a,b))^(1/a), or the mean, whichever is smaller.
    let start = ((p * a).ln() + norm) / a;
    let mut low = start.min(-0.1) - 1.0;
    while beta_cdf(low.exp(), a, b) > p && low > -700.0 {
        low -= 2.0 * (1.0 + low.abs() * 0.1);
    }
    let mut high = 0.0_f64;
    let mut u = start.min((a / (a + b)).ln()).clamp(low, -1e-12);
    for _ in 0..200 {
        let x = u.exp();
        let error = beta_cdf(x, a, b) - p;
        if error > 0.0 {
            high = u;
        } else {
            low = u;
        }
        let slope = (a * u + (b - 1.0) * (-x).ln_1p() - norm).exp();
        let newton = u - error / slope;
        let next = if newton > low && newton < high { newton } else { 0.5 * (low + high) };
        if (next - u).abs() <= 1e-15 * u.abs().max(1e-3) {
            return next.exp();
        }
        u = next;
    }
    u.exp()
}

/// Student t distribution function; NaN unless `degrees_of_freedom` > 0.
pub fn t_cdf(t: f64, degrees_of_freedom: f64) -> f64 {
    if degrees_of_freedom.is_infinite() {
        return normal_cdf(t);
    }
    let nu = degrees_of_freedom;
    let tail = 0.5 * beta_cdf(nu / (nu + t * t), 0.5 * nu, 0.5);
    if t > 0.0 { 1.0 - tail } else { tail }
}

/// Student t quantile; infinite degrees of freedom give the normal quantile.
pub fn t_quantile(p: f64, degrees_of_freedom: f64) -> f64 {
    let nu = degrees_of_freedom;
    if nu.is_infinite() && nu > 0.0 {
        return normal_quantile(p);
    }
    if !(nu > 0.0 && (0.0..=1.0).contains(&p)) {
        return f64::NAN;
    }
    if p == 0.5 {
        return 0.0;
    }
    let tail = p.min(1.0 - p);
    let t = t_start(tail, nu).unwrap_or_else(|| t_by_beta(tail, nu));
    if p < 0.5 { -t } else { t }
}

/// Positive t with upper tail probability `tail`: the normal quantile's expansion in 1/ν
/// (Abramowitz and Stegun 26.7.5), then Newton steps on the distribution function. None where the
/// expansion is too far off to start from.
fn t_start(tail: f64, nu: f64) -> Option<f64> {
    let z = -normal_quantile(tail);
    if nu < 3.0 || z > 3.5 {
        return None;
    }
    let z2 = z * z;
    let mut t = z
        + z * (z2 + 1.0) / (4.0 * nu)
        + z * ((5.0 * z2 + 16.0) * z2 + 3.0) / (96.0 * nu * nu)
        + z * (((3.0 * z2 + 19.0) * z2 + 17.0) * z2 - 15.0) / (384.0 * nu.powi(3));
    let norm = ln_beta(0.5, 0.5 * nu) + 0.5 * nu.ln();
    for _ in 0..12 {
        let density = (-0.5 * (nu + 1.0) * (t * t / nu).ln_1p() - norm).exp();
        let step = ((1.0 - t_cdf(t, nu)) - tail) / density;
        t += step;
        if step.abs() <= 1e-13 * t.abs() {
            return Some(t);
        }
        if step.is_nan() || step.abs() > 2.0 * (1.0 + z) {
            return None;
        }
    }
    (t > 0.0).then_some(t)
}

/// The same through the quantile of t²/(ν + t²), which is Beta(1/2, ν/2).
fn t_by_beta(tail: f64, nu: f64) -> f64 {
    let x = beta_quantile(2.0 * tail, 0.5 * nu, 0.5);
    if x > 0.5 {
        // Near 1 the complement keeps the digits.
        let complement = beta_quantile(1.0 - 2.0 * tail, 0.5, 0.5 * nu);
        (nu * complement / (1.0 - complement)).sqrt()
    } else {
        (nu * (1.0 - x) / x).sqrt()
    }
}

/// χ² distribution function; NaN unless `degrees_of_freedom` > 0.
pub fn chi_squared_cdf(x: f64, degrees_of_freedom: f64) -> f64 {
    if degrees_of_freedom.is_nan() || degrees_of_freedom <= 0.0 {
        f64::NAN
    } else if x <= 0.0 {
        0.0
    } else {
        gamma::gamma_lr(0.5 * degrees_of_freedom, 0.5 * x)
    }
}

/// χ² quantile; NaN unless `degrees_of_freedom` > 0 and 0 ≤ p ≤ 1.
pub fn chi_squared_quantile(p: f64, degrees_of_freedom: f64) -> f64 {
    let nu = degrees_of_freedom;
    if !(nu > 0.0 && (0.0..=1.0).contains(&p)) {
        return f64::NAN;
    }
    if p == 0.0 {
        return 0.0;
    }
    if p == 1.0 {
        return f64::INFINITY;
    }
    // Wilson-Hilferty start, bisection in ln x, which is monotone and never overshoots.
    let (mut low, mut high) = (-700.0_f64, (nu + 20.0 + 40.0 * nu.sqrt()).ln());
    while chi_squared_cdf(high.exp(), nu) < p {
        high += 1.0;
    }
    for _ in 0..200 {
        let middle = 0.5 * (low + high);
        if chi_squared_cdf(middle.exp(), nu) < p {
            low = middle;
        } else {
            high = middle;
        }
        if high - low <= 1e-15 * high.abs().max(1e-3) {
            break;
        }
    }
    (0.5 * (low + high)).exp()
}

/// Root of a function that changes sign between `low` and `high`, by bisection to full precision.
pub(super) fn bisect(mut low: f64, mut high: f64, f: impl Fn(f64) -> f64) -> f64 {
    let low_is_positive = f(low) > 0.0;
    for _ in 0..200 {
        let middle = 0.5 * (low + high);
        if middle == low || middle == high {
            break;
        }
        if (f(middle) > 0.0) == low_is_positive {
            low = middle;
        } else {
            high = middle;
        }
    }
    0.5 * (low + high)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::testdata::close;

    // scipy 1.17.1: norm.ppf, t.ppf, chi2.ppf, beta.ppf. The normal ones also stand in the head of
    // check-values.md; t and chi-squared agree with every printed statistical table.
    #[test]
    fn quantiles_equal_scipys() {
        for (p, z) in [
            (0.975, 1.959963984540054),
            (0.95, 1.6448536269514722),
            (0.90, 1.2815515655446004),
            (0.995, 2.5758293035489004),
            (0.80, 0.8416212335729143),
            (1e-10, -6.361340902404056),
        ] {
            close(normal_quantile(p), z, 1e-11, "normal");
            close(normal_quantile(1.0 - p), -z, 1e-6, "normal, other tail");
        }
        for (p, nu, t) in [
            (0.975, 1.0, 12.706204736174694),
            (0.975, 2.0, 4.302652729749462),
            (0.975, 4.0, 2.7764451051977987),
            (0.975, 7.0, 2.3646242515927844),
            (0.975, 11.0, 2.200985160091639),
            (0.975, 169.0, 1.9741004473989765),
            (0.95, 3.5, 2.2224334936496004),
            (0.6, 5.0, 0.2671808657041464),
        ] {
            close(t_quantile(p, nu), t, 1e-9 * t.abs(), "t");
            close(t_cdf(t, nu), p, 1e-11, "t cdf");
            close(t_quantile(1.0 - p, nu), -t, 1e-9 * t.abs(), "t, other tail");
        }
        for (p, nu, x) in [
            (0.95, 1.0, 3.841458820694124),
            (0.95, 2.0, 5.991464547107979),
            (0.025, 4.0, 0.48441855708792986),
            (0.975, 100.0, 129.5611971858366),
        ] {
            close(chi_squared_quantile(p, nu), x, 1e-9 * x, "chi-squared");
        }
        for (p, a, b, x) in [
            (0.025, 0.3, 40.0, 8.03430537221109e-08),
            (0.975, 0.3, 40.0, 0.04679291237285145),
            (0.025, 1.0, 170.0, 0.00014891719299440877),
            (0.975, 3.0, 168.0, 0.04185009029183412),
            (0.5, 500.5, 29.5, 0.9448980069366247),
            (0.025, 4.5, 1.2, 0.4094573865724049),
            (0.975, 1.3, 166.7, 0.025406122898392444),
            (0.975, 2000.0, 3.0, 0.9996908662912417),
            (0.001, 0.05, 200.0, 2.9292699939501203e-63),
            (0.025, 50.0, 0.5, 0.9507638036157275),
        ] {
            close(beta_quantile(p, a, b), x, 1e-9 * x, "beta");
        }
    }

    #[test]
    fn nonsense_gives_nan_and_ends_give_ends() {
        assert!(beta_quantile(0.5, 0.0, 1.0).is_nan() && beta_quantile(1.5, 1.0, 1.0).is_nan());
        assert!(t_quantile(0.5, -1.0).is_nan() && chi_squared_quantile(0.5, 0.0).is_nan());
        assert!(normal_quantile(-0.1).is_nan());
        assert_eq!(beta_quantile(0.0, 2.0, 3.0), 0.0);
        assert_eq!(beta_quantile(1.0, 2.0, 3.0), 1.0);
        assert_eq!(normal_quantile(1.0), f64::INFINITY);
    }

    proptest::proptest! {
        #[test]
        fn beta_quantile_undoes_the_distribution(
            p in 0.0005f64..0.9995, a in 0.05f64..400.0, b in 0.05f64..400.0,
        ) {
            let x = beta_quantile(p, a, b);
            // Where the density is a spike at 1, the nearest doubles are further apart in p.
            if x > 1e-280 && x < 1.0 - 1e-12 {
                proptest::prop_assert!((beta_cdf(x, a, b) - p).abs() < 1e-8, "{x}");
            }
        }

        #[test]
        fn t_quantile_undoes_the_distribution(p in 0.0001f64..0.9999, nu in 0.5f64..2000.0) {
            proptest::prop_assert!((t_cdf(t_quantile(p, nu), nu) - p).abs() < 1e-9);
        }
    }
}
