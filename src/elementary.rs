//! Whole number, exponential and logarithm of single-precision numbers, the same bits on every machine,
//! and many at once where a loop over them can use vectors (the compiler's own conversion saturates and
//! the C library's functions differ from version to version; both are done one by one).

/// Adding it leaves the nearest whole number in the last bits.
const ROUND: f32 = 12_582_912.0;

/// The nearest whole number (of two, the even one) of a number within ±4,194,303; what is given for
/// others has no meaning. Many at once, which the compiler's own saturating conversion is not.
#[inline(always)]
pub fn nearest(v: f32) -> i32 {
    (v + ROUND).to_bits().wrapping_sub(ROUND.to_bits()) as i32
}

/// The last bits of [`nearest`] of many: their last byte is that of a whole number from 0 to 255.
#[inline(always)]
pub fn nearest_bits<S: pulp::Simd>(simd: S, v: S::f32s) -> S::u32s {
    simd.transmute_u32s_f32s(simd.add_f32s(v, simd.splat_f32s(ROUND)))
}

/// eᵛ, to 2.5·10⁻⁷ of itself: 2ⁿ·eʳ with r at most ln 2 / 2, eʳ by its Taylor polynomial. Beyond ±87
/// it grows and falls no further.
#[inline(always)]
pub fn exp(v: f32) -> f32 {
    // ln 2 in two parts, the first with trailing noughts.
    const LN2: [f32; 2] = [0.693_359_4, -2.121_944_4e-4];
    let v = v.clamp(-87.0, 87.0);
    let n = v * std::f32::consts::LOG2_E + ROUND;
    let whole = n - ROUND;
    let r = v - whole * LN2[0] - whole * LN2[1];
    let mut e = 1.0 / 5040.0;
    for c in [1.0 / 720.0, 1.0 / 120.0, 1.0 / 24.0, 1.0 / 6.0, 0.5, 1.0, 1.0] {
        e = e * r + c;
    }
    e * f32::from_bits(n.to_bits().wrapping_add(127) << 23)
}

/// ln v of a normal number above nought, to 3·10⁻⁷ (of itself or at all, whichever is more):
/// n·ln 2 + ln m with m from √½ to √2, ln m = 2 artanh((m − 1)/(m + 1)) by its series.
#[inline(always)]
pub fn ln(v: f32) -> f32 {
    const LN2: [f32; 2] = [0.693_359_4, -2.121_944_4e-4];
    // The bits of √½: what lies above them counts towards the exponent.
    const HALF_ROOT: u32 = 0x3f35_04f3;
    let above = v.to_bits().wrapping_sub(HALF_ROOT);
    let n = (above as i32 >> 23) as f32;
    let m = f32::from_bits((above & 0x7f_ffff) + HALF_ROOT);
    let s = (m - 1.0) / (m + 1.0);
    let q = s * s;
    let mut series = 2.0 / 9.0;
    for c in [2.0 / 7.0, 2.0 / 5.0, 2.0 / 3.0, 2.0] {
        series = series * q + c;
    }
    n * LN2[0] + (n * LN2[1] + s * series)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn whole_numbers_are_the_nearest() {
        for i in -40_000..=40_000i32 {
            for v in [i as f32 / 8.0, i as f32 * 104.75, i as f32 * 1e-6] {
                assert_eq!(nearest(v), v.round_ties_even() as i32, "{v}");
            }
        }
        assert_eq!([nearest(4_194_303.0), nearest(-4_194_303.0)], [4_194_303, -4_194_303]);
    }

    #[test]
    fn exponentials_are_those_of_double_precision() {
        for i in -87_000..=87_000i32 {
            let v = i as f32 / 1000.0;
            let exact = f64::from(v).exp();
            assert!((f64::from(exp(v)) / exact - 1.0).abs() < 2.5e-7, "{v}");
        }
        assert!(exp(-1e9) < 2e-38 && exp(1e9) > 6e37 && exp(f32::NAN).is_nan());
    }

    #[test]
    fn logarithms_are_those_of_double_precision() {
        let mut v = f32::MIN_POSITIVE;
        while v < f32::MAX / 1.001 {
            let exact = f64::from(v).ln();
            let off = (f64::from(ln(v)) - exact).abs();
            assert!(off < 3e-7 * exact.abs().max(1.0), "{v}");
            v *= 1.000_7;
        }
        assert_eq!(ln(1.0), 0.0);
    }
}
