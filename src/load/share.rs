//! One share with its interval, from one tray or from several as clusters.

use crate::stats::{
    Continuity, Interval, Level, StatsError, clopper_pearson_real, cluster_ratio, logit_interval,
    wilson,
};

/// The elements of one cluster (a tray): whether each is in the class, and its weight.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Cluster {
    /// (in the class, weight ≥ 0); weight 1 by count, mm² by area, g by mass.
    pub elements: Vec<(bool, f64)>,
}

/// How an interval was found.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Method {
    /// One tray, by count.
    Wilson,
    /// One tray, by area or mass: t on the logit scale around the ratio.
    LogitT,
    /// One tray, by area or mass, fewer than five objects (or four effective ones) in or outside
    /// the class.
    FewObjects,
    /// Several trays as clusters: t on the logit scale.
    Clusters,
    /// Several trays, few objects in or outside the class.
    FewObjectsClusters,
}

impl Method {
    /// One line for a report.
    pub fn describe(self) -> &'static str {
        match self {
            Method::Wilson => "one tray, by count: Wilson's score interval",
            Method::LogitT => "one tray, by area or mass: t interval on the logit scale",
            Method::FewObjects => {
                "one tray, fewer than 5 objects: the wider of exact (Clopper-Pearson on the \
                 effective number) and t on the logit scale"
            }
            Method::Clusters => "trays as clusters: t interval on the logit scale",
            Method::FewObjectsClusters => {
                "trays as clusters, few objects: the wider of exact (Clopper-Pearson on the \
                 effective number) and t on the logit scale"
            }
        }
    }
}

/// A share with its interval.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct Share {
    /// The estimate, 0 to 1.
    pub estimate: f64,
    /// Its interval.
    pub interval: Interval,
    /// How the interval was found.
    pub method: Method,
    /// Number of objects in the class.
    pub objects: usize,
    /// Standard error that the interval rests on.
    pub standard_error: f64,
    /// Measured design effect: variance between trays over the variance that objects drawn one by
    /// one would give. None for one tray, or when either is 0.
    pub design_effect: Option<f64>,
}

/// Below this many objects in the class (or outside it) the logit-t interval is not trusted alone.
const FEW_OBJECTS: usize = 5;
/// And below this many effective objects, (Σm)²/Σm² within the class: five stalks of which one is
/// a whole cane count as little more than one.
const FEW_EFFECTIVE: f64 = 4.0;

/// Share of the class over the elements of all clusters, R = Σ y·m/Σ m.
///
/// * One cluster, all weights 1: Wilson.
/// * One cluster, weights: v = n/(n−1)·Σ m²(y−R)²/(Σm)², t interval with n−1 degrees of freedom
///   on the logit scale.
/// * Several clusters: linearised variance between them, never below the variance v that their
///   pooled objects give (trays can look too alike by chance), t with clusters − 1 degrees of
///   freedom on the logit scale.
/// * Few objects in the class, or outside it (fewer than 5, or fewer than 4 effective): the wider
///   of the above and Clopper-Pearson limits on effective numbers. v says as how many objects
///   drawn one by one the sample counts: n* = R(1−R)/v, of which x* = n*·R were in the class
///   (Korn and Graubard 1998). For a rare class x* is about Kish's effective number
///   (Σm)²/Σm² over the class's own objects, so unequal pieces count for fewer. The simulation in
///   this module's tests shows the coverage.
/// * No object in the class (or none outside): 0 to the Clopper-Pearson limit at 0 of Kish's
///   effective number n* = (Σm)²/Σm² over all objects: the unseen piece is taken to weigh what the
///   tray's objects weigh, which is more than most debris and shriveled berries do. Never zero
///   width.
///
/// # Errors
/// When there is no element or the weights sum to nothing.
pub fn share_of_clusters(
    clusters: &[Cluster],
    unit_weights: bool,
    level: Level,
) -> Result<Share, StatsError> {
    let elements: Vec<(bool, f64)> =
        clusters.iter().flat_map(|c| c.elements.iter().copied()).collect();
    let n = elements.len();
    if n == 0 {
        return Err(StatsError::TooFew { what: "a share", needed: 1, found: 0 });
    }
    let total: f64 = elements.iter().map(|e| e.1).sum();
    if total.is_nan() || total <= 0.0 {
        return Err(StatsError::Range { name: "sum of weights", value: total, range: "above 0" });
    }
    let inside = tally(&elements, true);
    let outside = tally(&elements, false);
    let estimate = inside.sum / total;
    let filled = clusters.iter().filter(|c| !c.elements.is_empty()).count();
    let variance = ObjectVariance::of(&elements, estimate, total);

    if filled <= 1 && unit_weights {
        let interval = wilson(inside.count as u64, n as u64, level, Continuity::Uncorrected)?;
        return Ok(Share {
            estimate,
            interval,
            method: Method::Wilson,
            objects: inside.count,
            standard_error: variance.0.sqrt(),
            design_effect: None,
        });
    }

    if inside.sum == 0.0 || outside.sum == 0.0 {
        let squares: f64 = elements.iter().map(|e| e.1 * e.1).sum();
        let effective = total * total / squares;
        let successes = if inside.sum == 0.0 { 0.0 } else { effective };
        return Ok(Share {
            estimate,
            interval: clopper_pearson_real(successes, effective, level)?,
            method: if filled <= 1 { Method::FewObjects } else { Method::FewObjectsClusters },
            objects: inside.count,
            standard_error: 0.0,
            design_effect: None,
        });
    }

    let (used, freedom, design_effect) = if filled <= 1 {
        (variance.0, n as f64 - 1.0, None)
    } else {
        let sums: Vec<(f64, f64)> = clusters
            .iter()
            .filter(|c| !c.elements.is_empty())
            .map(|c| (tally(&c.elements, true).sum, c.elements.iter().map(|e| e.1).sum()))
            .collect();
        let between = cluster_ratio(&sums, 0.0)?.variance;
        (between.max(variance.0), filled as f64 - 1.0, Some(between / variance.0))
    };
    let standard_error = used.sqrt();
    let logit = logit_interval(estimate, standard_error, level.t(freedom), level);
    let few = inside.count.min(outside.count) < FEW_OBJECTS
        || inside.effective().min(outside.effective()) < FEW_EFFECTIVE;
    let interval = if few {
        let effective = estimate * (1.0 - estimate) / used;
        logit.envelope(&clopper_pearson_real(estimate * effective, effective, level)?)
    } else {
        logit
    };
    let method = match (filled <= 1, few) {
        (true, false) => Method::LogitT,
        (true, true) => Method::FewObjects,
        (false, false) => Method::Clusters,
        (false, true) => Method::FewObjectsClusters,
    };
    Ok(Share { estimate, interval, method, objects: inside.count, standard_error, design_effect })
}

/// Number, sum and sum of squares of the weights on one side of the class.
struct Tally {
    count: usize,
    sum: f64,
    squares: f64,
}

impl Tally {
    /// Kish's effective number, (Σm)²/Σm².
    fn effective(&self) -> f64 {
        self.sum * self.sum / self.squares
    }
}

fn tally(elements: &[(bool, f64)], side: bool) -> Tally {
    let mut tally = Tally { count: 0, sum: 0.0, squares: 0.0 };
    for &(_, m) in elements.iter().filter(|e| e.0 == side) {
        tally.count += 1;
        tally.sum += m;
        tally.squares += m * m;
    }
    tally
}

/// Variance of the ratio if its objects had been drawn one by one.
struct ObjectVariance(f64);

impl ObjectVariance {
    fn of(elements: &[(bool, f64)], estimate: f64, total: f64) -> Self {
        let n = elements.len() as f64;
        let squares: f64 = elements
            .iter()
            .map(|&(inside, m)| (m * (f64::from(u8::from(inside)) - estimate)).powi(2))
            .sum();
        ObjectVariance(n / (n - 1.0).max(1.0) * squares / (total * total))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::testdata::close;

    fn one(elements: Vec<(bool, f64)>) -> Vec<Cluster> {
        vec![Cluster { elements }]
    }

    /// Six objects worked by hand: masses 1.0 1.2 0.8 (class) 1.5 1.1 1.4 (not).
    /// Σm = 7.0, R = 3/7; Σm²(y−R)² = (16/49)(1+1.44+0.64) + (9/49)(2.25+1.21+1.96)
    /// = (49.28 + 48.78)/49 = 98.06/49; v = 6/5·(98.06/49)/49.
    #[test]
    fn ratio_worked_by_hand() {
        let elements =
            vec![(true, 1.0), (true, 1.2), (true, 0.8), (false, 1.5), (false, 1.1), (false, 1.4)];
        let share = share_of_clusters(&one(elements), false, Level::P95).unwrap();
        close(share.estimate, 3.0 / 7.0, 1e-15, "R");
        let v: f64 = 1.2 * 98.06 / 49.0 / 49.0;
        close(share.standard_error, v.sqrt(), 1e-15, "se");
        assert_eq!(share.method, Method::FewObjects);
        assert_eq!(share.objects, 3);
        // The logit-t interval alone, t with 5 degrees of freedom = 2.570582 (any printed table).
        let half: f64 = 2.5705818 * v.sqrt() / (12.0 / 49.0);
        let ends = [-1.0, 1.0].map(|s: f64| 1.0 / (1.0 + ((4.0_f64 / 3.0).ln() - s * half).exp()));
        assert!(share.interval.low <= ends[0] + 1e-9 && share.interval.high >= ends[1] - 1e-9);
    }

    /// Reports' share by count of one tray is Wilson's: 15/148 of Newcombe 1998, Table I.
    #[test]
    fn one_tray_by_count_is_wilson() {
        let elements = (0..148).map(|i| (i < 15, 1.0)).collect();
        let share = share_of_clusters(&one(elements), true, Level::P95).unwrap();
        assert_eq!(share.method, Method::Wilson);
        close(share.interval.low, 0.06238640, 6e-9, "low");
        close(share.interval.high, 0.16048724, 6e-9, "high");
    }

    /// check-values.md section 4, own example of eight subsamples: logit-t interval with 7 degrees
    /// of freedom, COMPUTED with R survey 4.1.1.
    #[test]
    fn eight_trays_as_clusters() {
        let counts =
            [(9, 104), (4, 97), (15, 112), (5, 88), (18, 121), (6, 95), (8, 103), (13, 110)];
        let clusters: Vec<Cluster> = counts
            .iter()
            .map(|&(x, n)| Cluster { elements: (0..n).map(|i| (i < x, 1.0)).collect() })
            .collect();
        let share = share_of_clusters(&clusters, true, Level::P95).unwrap();
        close(share.estimate, 0.093975903614, 5e-13, "share");
        close(share.standard_error, 0.014103979683, 5e-13, "se");
        close(share.design_effect.unwrap(), 1.936785921, 5e-10, "design effect, M-1");
        close(share.interval.low, 0.0655146560, 5e-11, "low");
        close(share.interval.high, 0.1330411627, 5e-11, "high");
    }

    #[test]
    fn nothing_seen_is_never_zero_width() {
        let elements: Vec<(bool, f64)> = (0..100).map(|_| (false, 1.2)).collect();
        let share = share_of_clusters(&one(elements.clone()), false, Level::P95).unwrap();
        assert_eq!((share.estimate, share.interval.low), (0.0, 0.0));
        // Rule of three's two-sided cousin: 1 − 0.025^(1/100), by hand.
        close(share.interval.high, 1.0 - 0.025_f64.powf(0.01), 1e-10, "high");
        let all = elements.iter().map(|e| (true, e.1)).collect();
        let share = share_of_clusters(&one(all), false, Level::P95).unwrap();
        assert_eq!((share.estimate, share.interval.high), (1.0, 1.0));
        close(share.interval.low, 0.025_f64.powf(0.01), 1e-10, "low");
    }

    #[test]
    fn trays_that_look_too_alike_keep_the_within_tray_variance() {
        let tray = || Cluster { elements: (0..100).map(|i| (i < 10, 1.0)).collect() };
        let share = share_of_clusters(&[tray(), tray(), tray()], true, Level::P95).unwrap();
        close(share.standard_error.powi(2), 0.1 * 0.9 / 299.0, 1e-12, "floor");
        assert_eq!(share.design_effect, Some(0.0));
    }

    #[test]
    fn nothing_to_share_is_refused() {
        assert!(share_of_clusters(&[], true, Level::P95).is_err());
        assert!(share_of_clusters(&one(vec![(true, 0.0)]), false, Level::P95).is_err());
    }

    proptest::proptest! {
        #[test]
        fn complement_mirrors_and_width_is_never_zero(
            trays in proptest::collection::vec(
                proptest::collection::vec((proptest::bool::weighted(0.1), 0.01f64..3.0), 2..60),
                1..6,
            ),
            unit in proptest::bool::ANY,
        ) {
            let build = |flip: bool| -> Vec<Cluster> {
                trays.iter().map(|t| Cluster {
                    elements: t.iter().map(|&(y, m)| (y != flip, if unit { 1.0 } else { m })).collect(),
                }).collect()
            };
            let share = share_of_clusters(&build(false), unit, Level::P95).unwrap();
            let other = share_of_clusters(&build(true), unit, Level::P95).unwrap().interval;
            proptest::prop_assert!(share.interval.width() > 0.0);
            proptest::prop_assert!(share.interval.low >= 0.0 && share.interval.high <= 1.0);
            proptest::prop_assert!(share.interval.contains(share.estimate));
            proptest::prop_assert!((share.interval.low - (1.0 - other.high)).abs() < 1e-8);
            proptest::prop_assert!((share.interval.high - (1.0 - other.low)).abs() < 1e-8);
        }
    }
}
