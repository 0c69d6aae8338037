//! A small random generator whose draws never change, for draws that two parties must be able to
//! repeat years later.
//!
//! SplitMix64 (Steele, Lea and Flood 2014, OOPSLA; Vigna's public-domain C code): 64 bits of
//! state, one multiplication chain a draw. Written here because a library's "standard" generator
//! may change with its version, and a recorded seed must not.

/// SplitMix64. Equal seeds give equal draws for ever.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SplitMix64 {
    state: u64,
}

impl SplitMix64 {
    /// A generator from a recorded seed.
    pub fn new(seed: u64) -> Self {
        SplitMix64 { state: seed }
    }

    /// The next 64 bits.
    pub fn next_u64(&mut self) -> u64 {
        self.state = self.state.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.state;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    /// A number from 0 up to, not including, 1: the upper 53 bits.
    pub fn uniform(&mut self) -> f64 {
        (self.next_u64() >> 11) as f64 * (1.0 / (1u64 << 53) as f64)
    }

    /// A whole number below `limit`, every one equally likely (draws that would favour some are
    /// thrown away). 0 when `limit` is 0.
    pub fn below(&mut self, limit: u64) -> u64 {
        if limit == 0 {
            return 0;
        }
        let whole = u64::MAX - u64::MAX % limit;
        loop {
            let draw = self.next_u64();
            if draw < whole {
                return draw % limit;
            }
        }
    }

    /// `count` different places out of 0..`length` in the order drawn (Fisher-Yates); all of them,
    /// in random order, when `count` exceeds `length`. The first k of a longer draw are the draw
    /// of k: a plan may be extended without redrawing.
    pub fn choose(&mut self, length: usize, count: usize) -> Vec<usize> {
        let mut places: Vec<usize> = (0..length).collect();
        let count = count.min(length);
        for i in 0..count {
            let j = i + self.below((length - i) as u64) as usize;
            places.swap(i, j);
        }
        places.truncate(count);
        places
    }
}

#[cfg(test)]
impl SplitMix64 {
    /// Standard normal, Box and Muller. For simulations in tests.
    pub(crate) fn normal(&mut self) -> f64 {
        let r = (-2.0 * (1.0 - self.uniform()).ln()).sqrt();
        r * (2.0 * std::f64::consts::PI * self.uniform()).cos()
    }

    /// Gamma with unit scale, Marsaglia and Tsang 2000.
    pub(crate) fn gamma(&mut self, shape: f64) -> f64 {
        if shape < 1.0 {
            return self.gamma(shape + 1.0) * (1.0 - self.uniform()).powf(1.0 / shape);
        }
        let d = shape - 1.0 / 3.0;
        let c = 1.0 / (9.0 * d).sqrt();
        loop {
            let x = self.normal();
            let v = (1.0 + c * x).powi(3);
            if v > 0.0 && (1.0 - self.uniform()).ln() < 0.5 * x * x + d - d * v + d * v.ln() {
                return d * v;
            }
        }
    }

    /// Beta as a ratio of gammas.
    pub(crate) fn beta(&mut self, a: f64, b: f64) -> f64 {
        let (x, y) = (self.gamma(a), self.gamma(b));
        x / (x + y)
    }

    /// Binomial, by the gaps between successes: exact, and quick for a rare class.
    pub(crate) fn binomial(&mut self, n: u32, p: f64) -> u32 {
        if p <= 0.0 {
            return 0;
        }
        if p > 0.5 {
            return n - self.binomial(n, 1.0 - p);
        }
        let scale = (-p).ln_1p();
        let (mut successes, mut place) = (0, 0.0);
        loop {
            place += ((1.0 - self.uniform()).ln() / scale).floor() + 1.0;
            if place > f64::from(n) {
                return successes;
            }
            successes += 1;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// First outputs for seed 1234567, as printed in several public test suites of SplitMix64
    /// (from memory; they equal what the reference C code gives).
    #[test]
    fn reference_outputs() {
        let mut random = SplitMix64::new(1234567);
        let found: Vec<u64> = (0..5).map(|_| random.next_u64()).collect();
        assert_eq!(
            found,
            [
                6457827717110365317,
                3203168211198807973,
                9817491932198370423,
                4593380528125082431,
                16408922859458223821
            ]
        );
    }

    #[test]
    fn choices_are_different_places_and_extend_each_other() {
        let five = SplitMix64::new(9).choose(12, 5);
        let nine = SplitMix64::new(9).choose(12, 9);
        assert_eq!(five, nine[..5]);
        let mut sorted = SplitMix64::new(9).choose(12, 40);
        sorted.sort_unstable();
        assert_eq!(sorted, (0..12).collect::<Vec<_>>());
        assert_eq!(SplitMix64::new(1).below(0), 0);
    }

    /// Each of 10 places must come first about 1000 times in 10000 draws: χ² with 9 degrees of
    /// freedom below its 99.9 % point 27.88 (any printed table).
    #[test]
    fn every_place_is_equally_likely() {
        let mut counts = [0_f64; 10];
        let mut random = SplitMix64::new(20);
        for _ in 0..10_000 {
            counts[random.choose(10, 3)[0]] += 1.0;
        }
        let chi: f64 = counts.iter().map(|c| (c - 1000.0).powi(2) / 1000.0).sum();
        assert!(chi < 27.88, "{chi}");
    }

    #[test]
    fn simulated_distributions_have_their_moments() {
        let mut random = SplitMix64::new(3);
        let n = 200_000;
        let moments = |draw: &mut dyn FnMut() -> f64| {
            let values: Vec<f64> = (0..n).map(|_| draw()).collect();
            let mean = values.iter().sum::<f64>() / n as f64;
            (mean, values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / n as f64)
        };
        let (mean, variance) = moments(&mut || random.beta(0.5, 49.5));
        assert!((mean - 0.01).abs() < 2e-4 && (variance / (0.0099 / 51.0) - 1.0).abs() < 0.05);
        let (mean, variance) = moments(&mut || f64::from(random.binomial(170, 0.03)));
        assert!((mean - 5.1).abs() < 0.03 && (variance / 4.947 - 1.0).abs() < 0.02);
    }
}
