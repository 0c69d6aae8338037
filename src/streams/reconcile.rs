//! Weighted least squares under the mass balance f = Y·s + (1 − Y)·w, one equation a class.
//!
//! Narasimhan and Jordache (2000), Data Reconciliation and Gross Error Detection, ch. 3 and 7: for
//! a given yield the constraints are linear and the fit is closed, x = y − V·A'·(A·V·A')⁻¹·A·y with
//! J = (A·y)'·(A·V·A')⁻¹·(A·y); the yield is the one unknown left and is found by a search of J. Four
//! shares sum to one, so the sound one is dropped and comes back by subtraction.

use nalgebra::{Matrix3, SMatrix, SVector, Vector3};

use crate::stats::chi_squared_cdf;

/// Shares of the four classes, in the order of [`Class::ALL`](crate::classify::Class::ALL).
pub type Shares = [f64; 4];

/// Parameters of a fit: three shares of the sorted stream, three of the waste, the yield.
pub(super) const PARAMETERS: usize = 7;

/// Shares of one stream by mass with their covariance.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Composition {
    /// The shares; they sum to 1.
    pub shares: Shares,
    /// Covariance of the last three: shriveled, underripe, debris. Must be invertible.
    pub covariance: [[f64; 3]; 3],
}

impl Composition {
    fn rest(&self) -> Vector3<f64> {
        Vector3::new(self.shares[1], self.shares[2], self.shares[3])
    }

    fn matrix(&self) -> Matrix3<f64> {
        Matrix3::from_fn(|i, j| self.covariance[i][j])
    }
}

/// What was measured: any two streams at least.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Measured {
    /// The feed, f.
    pub unsorted: Option<Composition>,
    /// What went on, s.
    pub sorted: Option<Composition>,
    /// What was thrown out, w.
    pub waste: Option<Composition>,
    /// Yield by mass from the scale, and its standard deviation.
    pub weighed_yield: Option<(f64, f64)>,
}

/// A reconciled set of streams.
#[derive(Debug, Clone, PartialEq)]
pub struct Fit {
    /// Mass of the sorted stream over that of sorted and waste, 0 to 1.
    pub yield_by_mass: f64,
    /// Shares of feed, sorted and waste that fit the balance exactly. A share that the balance
    /// pushes below 0 is left there: the caller must not hide it.
    pub shares: [Shares; 3],
    /// Covariance of the parameters.
    pub(super) covariance: SMatrix<f64, PARAMETERS, PARAMETERS>,
    /// Weighted sum of squared changes.
    pub chi_squared: f64,
    /// What it has to be held against: 2 with the yield unknown, 3 with it weighed, 0 when nothing
    /// is over.
    pub degrees_of_freedom: u32,
    /// Probability of such a χ² or a greater one when the lots belong together; none without
    /// degrees of freedom.
    pub p: Option<f64>,
    /// Imbalance of each class over its own standard deviation; none without degrees of freedom.
    pub imbalance: Option<Shares>,
}

/// Why there is no fit.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum FitError {
    /// Fewer than two streams, or two without a weighed yield.
    #[error(
        "the split needs trays of all three streams, or of two and their weighed totals; give the \
         missing lot or the weights"
    )]
    TooFew,
    /// The lots are alike, so that no yield follows from them.
    #[error(
        "the lots are too alike to tell the yield from: weigh two of the streams and give the totals"
    )]
    Alike,
}

const ENDS: (f64, f64) = (1e-6, 1.0 - 1e-6);

/// Reconciles.
///
/// # Errors
/// [`FitError`] when too little was measured.
pub fn reconcile(measured: &Measured) -> Result<Fit, FitError> {
    let three =
        measured.unsorted.is_some() && measured.sorted.is_some() && measured.waste.is_some();
    let lots = [measured.unsorted, measured.sorted, measured.waste].iter().flatten().count();
    if lots < 2 || (!three && measured.weighed_yield.is_none()) {
        return Err(FitError::TooFew);
    }
    let (y, shares, chi_squared, imbalance) =
        match (measured.unsorted, measured.sorted, measured.waste) {
            (Some(f), Some(s), Some(w)) => three_streams(&f, &s, &w, measured.weighed_yield)?,
            _ => two_streams(measured),
        };
    let covariance = covariance(measured, y, &shares).ok_or(FitError::Alike)?;
    let degrees_of_freedom = match (three, measured.weighed_yield) {
        (false, _) => 0,
        (true, None) => 2,
        (true, Some(_)) => 3,
    };
    let p = three.then(|| 1.0 - chi_squared_cdf(chi_squared, f64::from(degrees_of_freedom)));
    Ok(Fit { yield_by_mass: y, shares, covariance, chi_squared, degrees_of_freedom, p, imbalance })
}

fn whole(rest: Vector3<f64>) -> Shares {
    [1.0 - rest.sum(), rest[0], rest[1], rest[2]]
}

type Found = (f64, [Shares; 3], f64, Option<Shares>);

fn three_streams(
    f: &Composition,
    s: &Composition,
    w: &Composition,
    weighed: Option<(f64, f64)>,
) -> Result<Found, FitError> {
    let spread = |y: f64| f.matrix() + s.matrix() * (y * y) + w.matrix() * ((1.0 - y) * (1.0 - y));
    let residual = |y: f64| f.rest() - s.rest() * y - w.rest() * (1.0 - y);
    let cost = |y: f64| {
        let r = residual(y);
        let own = weighed.map_or(0.0, |(m, sd)| ((y - m) / sd).powi(2));
        spread(y).cholesky().map_or(f64::INFINITY, |c| r.dot(&c.solve(&r)) + own)
    };
    let y = least(cost, weighed);
    let chi_squared = cost(y);
    let (r, total) = (residual(y), spread(y));
    let inverse = total.try_inverse().ok_or(FitError::Alike)?;
    let pull = inverse * r;
    let shares = [
        whole(f.rest() - f.matrix() * pull),
        whole(s.rest() + s.matrix() * pull * y),
        whole(w.rest() + w.matrix() * pull * (1.0 - y)),
    ];
    // An estimated yield takes one direction of the imbalance away.
    let slope = s.rest() - w.rest();
    let known = slope.dot(&(inverse * slope)) + weighed.map_or(0.0, |(_, sd)| sd.powi(-2));
    let left = total - slope * slope.transpose() / known;
    let mut imbalance = [0.0; 4];
    for i in 0..3 {
        imbalance[i + 1] = r[i] / left[(i, i)].max(1e-300).sqrt();
    }
    imbalance[0] = -r.sum() / left.sum().max(1e-300).sqrt();
    Ok((y, shares, chi_squared, Some(imbalance)))
}

/// The yield of least cost: a grid, for the cost may have more than one dip, then golden sections.
fn least(cost: impl Fn(f64) -> f64, weighed: Option<(f64, f64)>) -> f64 {
    let steps = 200;
    let mut grid: Vec<f64> =
        (0..=steps).map(|i| ENDS.0 + (ENDS.1 - ENDS.0) * f64::from(i) / f64::from(steps)).collect();
    if let Some((m, sd)) = weighed {
        grid.extend((-8..=8).map(|k| (m + f64::from(k) * sd).clamp(ENDS.0, ENDS.1)));
        grid.sort_by(f64::total_cmp);
    }
    let best =
        (0..grid.len()).min_by(|&a, &b| cost(grid[a]).total_cmp(&cost(grid[b]))).unwrap_or(0);
    let (mut low, mut high) = (grid[best.saturating_sub(1)], grid[(best + 1).min(grid.len() - 1)]);
    let golden = (5.0_f64.sqrt() - 1.0) / 2.0;
    for _ in 0..60 {
        let (a, b) = (high - golden * (high - low), low + golden * (high - low));
        if cost(a) < cost(b) { high = b } else { low = a }
    }
    0.5 * (low + high)
}

/// Two streams and a weighed yield: the third follows, and nothing is left to test.
fn two_streams(measured: &Measured) -> Found {
    let y = measured.weighed_yield.map_or(0.5, |w| w.0).clamp(ENDS.0, ENDS.1);
    let rest = |c: Option<Composition>| c.map_or(Vector3::zeros(), |c| c.rest());
    let (mut f, mut s, mut w) =
        (rest(measured.unsorted), rest(measured.sorted), rest(measured.waste));
    match (measured.unsorted, measured.sorted) {
        (None, _) => f = s * y + w * (1.0 - y),
        (_, None) => s = (f - w * (1.0 - y)) / y,
        _ => w = (f - s * y) / (1.0 - y),
    }
    (y, [whole(f), whole(s), whole(w)], 0.0, None)
}

/// Inverse of the information of everything measured about (s, w, Y).
fn covariance(
    measured: &Measured,
    y: f64,
    shares: &[Shares; 3],
) -> Option<SMatrix<f64, PARAMETERS, PARAMETERS>> {
    let mut information = SMatrix::<f64, PARAMETERS, PARAMETERS>::zeros();
    let slopes: [[f64; 2]; 3] = [[y, 1.0 - y], [1.0, 0.0], [0.0, 1.0]];
    let streams = [measured.unsorted, measured.sorted, measured.waste];
    for (k, stream) in streams.iter().enumerate() {
        let Some(stream) = stream else { continue };
        let mut g = SMatrix::<f64, 3, PARAMETERS>::zeros();
        for i in 0..3 {
            g[(i, i)] = slopes[k][0];
            g[(i, i + 3)] = slopes[k][1];
            if k == 0 {
                g[(i, 6)] = shares[1][i + 1] - shares[2][i + 1];
            }
        }
        information += g.transpose() * stream.matrix().try_inverse()? * g;
    }
    if let Some((_, sd)) = measured.weighed_yield {
        information[(6, 6)] += sd.powi(-2);
    }
    let found = information.try_inverse()?;
    let whole = (0..PARAMETERS).all(|i| found[(i, i)] > 0.0 && found[(i, i)].is_finite());
    whole.then_some(found)
}

/// What figures are made of: the parameters as yield and shares.
#[derive(Debug, Clone, Copy)]
pub(super) struct State {
    pub y: f64,
    pub s: Shares,
    pub w: Shares,
}

impl State {
    /// The feed's share, by the balance.
    pub fn f(&self, class: usize) -> f64 {
        self.y * self.s[class] + (1.0 - self.y) * self.w[class]
    }

    /// Shares of a stream by its place: feed, sorted, waste.
    pub fn stream(&self, place: usize) -> Shares {
        match place {
            0 => std::array::from_fn(|class| self.f(class)),
            1 => self.s,
            _ => self.w,
        }
    }
}

impl Fit {
    pub(super) fn state(&self) -> State {
        State { y: self.yield_by_mass, s: self.shares[1], w: self.shares[2] }
    }

    /// Variance of a smooth function of the state, by its gradient.
    pub(super) fn variance(&self, of: impl Fn(&State) -> f64) -> f64 {
        let at = self.state();
        let mut gradient = SVector::<f64, PARAMETERS>::zeros();
        for i in 0..PARAMETERS {
            let step = 1e-4 * self.covariance[(i, i)].sqrt();
            let moved = |by: f64| {
                let mut to = at;
                match i {
                    0..3 => {
                        to.s[i + 1] += by;
                        to.s[0] -= by;
                    }
                    3..6 => {
                        to.w[i - 2] += by;
                        to.w[0] -= by;
                    }
                    _ => to.y += by,
                }
                of(&to)
            };
            gradient[i] = (moved(step) - moved(-step)) / (2.0 * step);
        }
        gradient.dot(&(self.covariance * gradient))
    }
}

/// Two-product formula: yield of the first product, (f − t)/(c − t), from the share of one class in
/// feed, first and second product (Wills' Mineral Processing Technology, metallurgical accounting).
/// None where both products are alike.
pub fn two_product_yield(feed: f64, first: f64, second: f64) -> Option<f64> {
    let found = (feed - second) / (first - second);
    found.is_finite().then_some(found)
}

/// Share of the class's mass in the feed that goes into the first product, c(f − t)/(f(c − t)).
pub fn two_product_recovery(feed: f64, first: f64, second: f64) -> Option<f64> {
    let found = two_product_yield(feed, first, second)? * first / feed;
    found.is_finite().then_some(found)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::testdata::{close, rows};

    /// check-values.md section 8: a PUBLISHED exam example (f 10 %, c 30 %, t 1 %: recovery
    /// 93.103 %), Wills' tin example (from memory of the handbook, recomputed), and the sorting
    /// example computed there.
    #[test]
    fn two_product_formula() {
        close(two_product_recovery(0.10, 0.30, 0.01).unwrap(), 27.0 / 29.0, 1e-15, "exam");
        close(two_product_yield(0.10, 0.30, 0.01).unwrap(), 0.3103448276, 5e-11, "exam C/F");
        close(two_product_yield(2.0, 40.0, 0.3).unwrap(), 0.0428211587, 5e-11, "Wills C/F");
        close(two_product_recovery(2.0, 40.0, 0.3).unwrap(), 0.8564231738, 5e-11, "Wills R");
        close(two_product_yield(0.0925, 0.03, 0.5).unwrap(), 0.8670212766, 5e-11, "sorting");
        close(two_product_recovery(0.0925, 0.03, 0.5).unwrap(), 0.2811960897, 5e-11, "left in");
        assert_eq!(two_product_yield(0.1, 0.2, 0.2), None);
    }

    fn multinomial(shares: [f64; 3], n: f64, effect: f64) -> Composition {
        let covariance = std::array::from_fn(|i| {
            std::array::from_fn(|j| {
                let own = if i == j { shares[i] } else { 0.0 };
                effect * (own - shares[i] * shares[j]) / n
            })
        });
        let [a, b, c] = shares;
        Composition { shares: [1.0 - a - b - c, a, b, c], covariance }
    }

    fn example() -> Measured {
        Measured {
            unsorted: Some(multinomial([0.045, 0.030, 0.012], 480.0, 1.5)),
            sorted: Some(multinomial([0.018, 0.013, 0.005], 420.0, 1.0)),
            waste: Some(multinomial([0.24, 0.20, 0.055], 300.0, 2.2)),
            weighed_yield: None,
        }
    }

    /// tests/data/streams_scipy.csv: scipy 1.17.1, `least_squares` on the nine shares and the
    /// yield, an independent way to the same minimum.
    #[test]
    fn equals_scipys_least_squares() {
        let table = rows(include_str!("../../tests/data/streams_scipy.csv"));
        assert_eq!(table.len(), 3);
        for row in table {
            let cell = |i: usize| row[i].parse::<f64>();
            let weighed = cell(0).ok().zip(cell(1).ok());
            let fit = reconcile(&Measured { weighed_yield: weighed, ..example() }).unwrap();
            let n = |i: usize| cell(i).unwrap();
            close(fit.yield_by_mass, n(2), 1e-6, "yield");
            close(fit.covariance[(6, 6)].sqrt(), n(3), 1e-6, "yield's se");
            close(fit.chi_squared, n(4), 1e-9, "chi-squared");
            close(fit.p.unwrap(), n(5), 1e-9, "p");
            for k in 0..3 {
                for i in 0..3 {
                    close(fit.shares[k][i + 1], n(6 + 3 * k + i), 1e-7, "share");
                }
            }
            for i in 0..6 {
                close(fit.covariance[(i, i)].sqrt(), n(15 + i), 1e-7, "share's se");
            }
        }
    }

    /// check-values.md section 8, consistent triple (COMPUTED there): 1000 = 880 + 120 kg with
    /// 8 %, 2 %, 52 % of one class: removal 0.78, loss of the rest 57.6/920. The classes that the
    /// triple lacks are the same in all streams and say nothing of the yield.
    #[test]
    fn a_consistent_triple_comes_back() {
        let rare = |a: f64| multinomial([a, 1e-4, 1e-4], 500.0, 1.0);
        let fit = reconcile(&Measured {
            unsorted: Some(rare(0.08)),
            sorted: Some(rare(0.02)),
            waste: Some(rare(0.52)),
            weighed_yield: None,
        })
        .unwrap();
        close(fit.yield_by_mass, 0.88, 1e-7, "yield");
        let (f, w) = (fit.shares[0][1], fit.shares[2][1]);
        close((1.0 - fit.yield_by_mass) * w / f, 0.78, 1e-6, "removal");
        let lost = (1.0 - fit.yield_by_mass) * (1.0 - w) / (1.0 - f);
        close(lost, 0.062_608_695_7, 1e-6, "lost");
        close(fit.chi_squared, 0.0, 1e-9, "nothing to adjust");
    }

    /// check-values.md section 8, redundant assays (COMPUTED): four classes weighted alike give the
    /// yield Σab/Σa² = 0.9027896270, whichever class is dropped: shares that sum to one and scatter
    /// alike have the covariance I − 1/4 in any three of them.
    #[test]
    fn redundant_assays_weighted_alike() {
        let alike = |shares: Shares, scale: f64| Composition {
            shares,
            covariance: std::array::from_fn(|i| {
                std::array::from_fn(|j| scale * (f64::from(u8::from(i == j)) - 0.25))
            }),
        };
        let (f, s, w) = (
            [0.900, 0.040, 0.035, 0.025],
            [0.970, 0.015, 0.011, 0.004],
            [0.250, 0.270, 0.240, 0.240],
        );
        for turn in 0..4 {
            let turned = |mut shares: Shares| {
                shares.rotate_left(turn);
                shares
            };
            let fit = reconcile(&Measured {
                unsorted: Some(alike(turned(f), 1e-4)),
                sorted: Some(alike(turned(s), 1e-13)),
                waste: Some(alike(turned(w), 1e-13)),
                weighed_yield: None,
            })
            .unwrap();
            close(fit.yield_by_mass, 0.902_789_627_0, 5e-8, "yield");
        }
    }

    #[test]
    fn two_streams_and_a_weight_give_the_third() {
        let balance = |fit: &Fit| {
            for c in 0..4 {
                close(fit.state().f(c), fit.shares[0][c], 1e-12, "balance");
            }
        };
        let full = example();
        for missing in 0..3 {
            let mut two = Measured { weighed_yield: Some((0.88, 0.01)), ..full };
            match missing {
                0 => two.unsorted = None,
                1 => two.sorted = None,
                _ => two.waste = None,
            }
            let fit = reconcile(&two).unwrap();
            assert_eq!((fit.degrees_of_freedom, fit.p), (0, None));
            balance(&fit);
            two.weighed_yield = None;
            assert_eq!(reconcile(&two), Err(FitError::TooFew));
        }
        balance(&reconcile(&full).unwrap());
    }

    proptest::proptest! {
        /// Lots that fit the balance exactly come back as they are, whatever class is asked of.
        #[test]
        fn exact_lots_are_left_alone(
            y in 0.1f64..0.95, a in 0.005f64..0.1, b in 0.005f64..0.1, c in 0.001f64..0.05,
            more in 2.0f64..6.0,
        ) {
            let s = [a, b, c];
            let w = s.map(|v| v * more * 0.8);
            let f: [f64; 3] = std::array::from_fn(|i| y * s[i] + (1.0 - y) * w[i]);
            let fit = reconcile(&Measured {
                unsorted: Some(multinomial(f, 500.0, 1.0)),
                sorted: Some(multinomial(s, 400.0, 1.0)),
                waste: Some(multinomial(w, 300.0, 1.0)),
                weighed_yield: None,
            }).unwrap();
            proptest::prop_assert!((fit.yield_by_mass - y).abs() < 1e-5);
            proptest::prop_assert!(fit.chi_squared < 1e-8);
        }
    }
}
