//! One share with its interval: from one tray, from several as clusters, or in two stages from
//! bins and the trays taken from them.

use crate::stats::{
    Continuity, Interval, Level, StatsError, clopper_pearson_real, logit_interval,
    overdispersed_interval, wilson,
};

/// Number, sum and sum of squares of the weights of some objects. All that an interval needs to
/// know of them.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Tally {
    /// Objects.
    pub count: usize,
    /// Sum of their weights: 1 each by count, mm² by area, g by mass.
    pub sum: f64,
    /// Sum of the weights' squares.
    pub squares: f64,
}

impl Tally {
    /// `count` objects of weight 1.
    pub fn of_count(count: usize) -> Self {
        Tally { count, sum: count as f64, squares: count as f64 }
    }

    fn add(&mut self, other: &Tally, scale: f64) {
        self.count += other.count;
        self.sum += other.sum * scale;
        self.squares += other.squares * scale * scale;
    }

    /// Kish's effective number, (Σm)²/Σm².
    fn effective(&self) -> f64 {
        if self.squares > 0.0 { self.sum * self.sum / self.squares } else { 0.0 }
    }
}

/// The objects of one tray, those of the class and the others.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct TrayTally {
    /// Objects of the class.
    pub inside: Tally,
    /// All others.
    pub outside: Tally,
}

impl TrayTally {
    fn is_empty(&self) -> bool {
        self.inside.count + self.outside.count == 0
    }

    fn add(&mut self, other: &TrayTally, scale: f64) {
        self.inside.add(&other.inside, scale);
        self.outside.add(&other.outside, scale);
    }

    /// Σ m(y−r).
    fn residual(&self, r: f64) -> f64 {
        self.inside.sum * (1.0 - r) - self.outside.sum * r
    }

    /// Σ m²(y−r)².
    fn squared_residuals(&self, r: f64) -> f64 {
        self.inside.squares * (1.0 - r).powi(2) + self.outside.squares * r * r
    }
}

impl FromIterator<(bool, f64)> for TrayTally {
    /// From (in the class, weight ≥ 0) of every object.
    fn from_iter<I: IntoIterator<Item = (bool, f64)>>(elements: I) -> Self {
        let mut tally = TrayTally::default();
        for (inside, m) in elements {
            let side = if inside { &mut tally.inside } else { &mut tally.outside };
            side.add(&Tally { count: 1, sum: m, squares: m * m }, 1.0);
        }
        tally
    }
}

/// What was taken from one bin, or one tray whose bin is not known.
#[derive(Debug, Clone, PartialEq)]
pub struct Cluster {
    /// What the cluster's weights are multiplied by: bin mass over sampled mass where bins are
    /// weighed, one over sampled mass where bins count alike, 1 where bins are not known.
    pub scale: f64,
    /// Its trays.
    pub trays: Vec<TrayTally>,
}

impl Cluster {
    /// One tray that stands for itself.
    pub fn of_tray(tray: TrayTally) -> Self {
        Cluster { scale: 1.0, trays: vec![tray] }
    }

    fn total(&self) -> TrayTally {
        let mut total = TrayTally::default();
        self.trays.iter().for_each(|t| total.add(t, self.scale));
        total
    }
}

/// What the clusters are.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Stage {
    /// Trays whose bins are not recorded: every tray is a cluster of its own.
    Trays,
    /// Bins. Below three of them there is no interval for the load.
    Bins {
        /// How many bins the load has, when known: gives the finite population correction.
        in_load: Option<u32>,
    },
}

/// What an interval speaks of.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Scope {
    /// The fruit that one tray was taken from.
    OneTray,
    /// The fruit these trays were taken from: too few bins for a word on the load.
    TheseTraysOnly,
    /// The lot or load.
    Load,
}

/// How an interval was found.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Method {
    /// By count, one tray: Wilson.
    Wilson,
    /// By area or mass, or several trays of too few bins: t on the logit scale around the ratio.
    LogitT,
    /// The same with fewer than five objects (or four effective ones) in or outside the class.
    FewObjects,
    /// Trays or bins as clusters.
    Clusters,
    /// The same with few objects in or outside the class.
    FewObjectsClusters,
}

impl Method {
    /// One line for a report.
    pub fn describe(self) -> &'static str {
        match self {
            Method::Wilson => "by count: Wilson's score interval",
            Method::LogitT => "by area or mass: t interval on the logit scale",
            Method::FewObjects => {
                "fewer than 5 objects: the wider of exact (Clopper-Pearson on the effective \
                 number) and t on the logit scale"
            }
            Method::Clusters => "trays as clusters: t interval on the logit scale",
            Method::FewObjectsClusters => {
                "trays as clusters, fewer than 5 objects: the wider of exact (Clopper-Pearson on \
                 the effective number) and t on the logit scale"
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
    /// What the interval speaks of.
    pub scope: Scope,
    /// How the interval was found.
    pub method: Method,
    /// Number of objects in the class.
    pub objects: usize,
    /// Standard error that the interval rests on; 0 where no object, or no other, was seen.
    pub standard_error: f64,
    /// Measured design effect: variance of the estimate over the variance that objects drawn one
    /// by one would give. None for one tray, and where nothing, or everything, is of the class.
    pub design_effect: Option<f64>,
    /// The parts of the variance, for several clusters.
    pub parts: Option<VarianceParts>,
}

/// Parts of the variance of a share from several clusters.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct VarianceParts {
    /// Clusters (bins, or trays where bins are not known).
    pub clusters: usize,
    /// Clusters in the load, when known.
    pub clusters_in_load: Option<u32>,
    /// Between clusters: n/(n−1)·Σ(y−Rx)²/(Σx)².
    pub between: f64,
    /// Of trays within their bins, on the same scale.
    pub within: f64,
    /// Of objects drawn one by one: the floor.
    pub objects: f64,
    /// Degrees of freedom of the whole.
    pub degrees_of_freedom: f64,
}

impl VarianceParts {
    /// v = (1−f1)·between + f1·within, never below the objects' own.
    pub fn total(&self) -> f64 {
        let f1 = self.fraction(self.clusters as f64);
        ((1.0 - f1) * self.between + f1 * self.within).max(self.objects)
    }

    fn fraction(&self, clusters: f64) -> f64 {
        self.clusters_in_load.map_or(0.0, |all| (clusters / f64::from(all.max(1))).min(1.0))
    }
}

/// Below this many objects in the class (or outside it) the logit-t interval is not trusted alone.
const FEW_OBJECTS: usize = 5;
/// And below this many effective objects, (Σm)²/Σm² within the class: five stalks of which one is
/// a whole cane count as little more than one.
const FEW_EFFECTIVE: f64 = 4.0;
/// Fewer bins than this say nothing of the load.
const LEAST_BINS: usize = 3;

/// Share of the class, R = Σ y·m/Σ m over scaled elements, with its interval.
///
/// * One tray, all weights 1: Wilson.
/// * One tray, weights: v = n/(n−1)·Σ m²(y−R)²/(Σm)², t interval with n−1 degrees of freedom
///   on the logit scale. The same for several trays of fewer than three bins, which speak for
///   themselves only.
/// * Several clusters: linearised variance between them,
///   v = (1−f1)·n/(n−1)·Σ(y−Rx)²/(Σx)² + f1·v_within, f1 the share of all bins that was drawn (0
///   when not known); never below the variance that the pooled objects give (trays can look too
///   alike by chance). v_within comes from trays of the same bin where there are any, else trays
///   of a bin are taken to differ by chance only. Interval: [`overdispersed_interval`] with
///   n − 1 degrees of freedom (Satterthwaite's where the within part has its own).
/// * Few objects in the class, or outside it (fewer than 5, or fewer than 4 effective): the wider
///   of the above and Clopper-Pearson limits on effective numbers. v says as how many objects
///   drawn one by one the sample counts: n* = R(1−R)/v, of which x* = n*·R were in the class
///   (Korn and Graubard 1998). For a rare class x* is about Kish's effective number
///   (Σm)²/Σm² over the class's own objects, so unequal pieces count for fewer. Over clusters v is
///   then taken as at least `assumed_design_effect` times the objects' own: so few objects cannot
///   show how clustered they lie. The simulations in this module's tests show the coverage.
/// * No object in the class (or none outside): 0 to the Clopper-Pearson limit at 0 of Kish's
///   effective number n* = (Σm)²/Σm² over all objects, over clusters divided by
///   `assumed_design_effect`. The unseen piece is taken to weigh what the tray's objects weigh,
///   which is more than most debris and shriveled berries do. Never zero width.
///
/// # Errors
/// When there is no element or the weights sum to nothing.
pub fn share_of_clusters(
    clusters: &[Cluster],
    stage: Stage,
    unit_weights: bool,
    assumed_design_effect: f64,
    level: Level,
) -> Result<Share, StatsError> {
    let filled: Vec<&Cluster> =
        clusters.iter().filter(|c| c.trays.iter().any(|t| !t.is_empty())).collect();
    let trays = filled.iter().flat_map(|c| &c.trays).filter(|t| !t.is_empty()).count();
    if trays == 0 {
        return Err(StatsError::TooFew { what: "a share", needed: 1, found: 0 });
    }
    let scope = match stage {
        _ if trays == 1 => Scope::OneTray,
        Stage::Bins { .. } if filled.len() < LEAST_BINS => Scope::TheseTraysOnly,
        _ => Scope::Load,
    };
    let pooled = Pooled::of(&filled)?;
    let mut share = match scope {
        Scope::Load => {
            let in_load = match stage {
                Stage::Trays => None,
                Stage::Bins { in_load } => in_load,
            };
            let parts = variance_parts(&filled, &pooled, in_load);
            pooled.over_clusters(parts, assumed_design_effect, level)?
        }
        Scope::OneTray if unit_weights => pooled.wilson(level)?,
        Scope::OneTray | Scope::TheseTraysOnly => pooled.by_objects(level)?,
    };
    share.scope = scope;
    Ok(share)
}

/// What all elements together say.
struct Pooled {
    total: f64,
    squares: f64,
    estimate: f64,
    inside: Tally,
    outside: Tally,
    /// Variance of the ratio if its objects had been drawn one by one.
    variance: f64,
}

impl Pooled {
    fn of(clusters: &[&Cluster]) -> Result<Self, StatsError> {
        let mut all = TrayTally::default();
        clusters.iter().for_each(|c| all.add(&c.total(), 1.0));
        let TrayTally { inside, outside } = all;
        let total = inside.sum + outside.sum;
        if total.is_nan() || total <= 0.0 {
            return Err(StatsError::Range {
                name: "sum of weights",
                value: total,
                range: "above 0",
            });
        }
        let estimate = inside.sum / total;
        let n = (inside.count + outside.count) as f64;
        let variance = n / (n - 1.0).max(1.0) * all.squared_residuals(estimate) / (total * total);
        let squares = inside.squares + outside.squares;
        Ok(Pooled { total, squares, estimate, inside, outside, variance })
    }

    fn count(&self) -> usize {
        self.inside.count + self.outside.count
    }

    fn is_one_sided(&self) -> bool {
        self.inside.sum == 0.0 || self.outside.sum == 0.0
    }

    fn has_few(&self) -> bool {
        self.inside.count.min(self.outside.count) < FEW_OBJECTS
            || self.inside.effective().min(self.outside.effective()) < FEW_EFFECTIVE
    }

    fn share(&self, interval: Interval, method: Method, variance: f64) -> Share {
        Share {
            estimate: self.estimate,
            interval,
            scope: Scope::OneTray,
            method,
            objects: self.inside.count,
            standard_error: variance.sqrt(),
            design_effect: None,
            parts: None,
        }
    }

    fn wilson(&self, level: Level) -> Result<Share, StatsError> {
        let interval =
            wilson(self.inside.count as u64, self.count() as u64, level, Continuity::Uncorrected)?;
        Ok(self.share(interval, Method::Wilson, self.variance))
    }

    /// Clopper-Pearson where nothing, or everything, is of the class.
    fn one_sided(&self, design_effect: f64, level: Level) -> Result<Interval, StatsError> {
        let effective = self.total * self.total / self.squares / design_effect.max(1.0);
        let successes = if self.inside.sum == 0.0 { 0.0 } else { effective };
        clopper_pearson_real(successes, effective, level)
    }

    /// Clopper-Pearson on the numbers that a variance stands for.
    fn effective(&self, variance: f64, level: Level) -> Result<Interval, StatsError> {
        let effective = self.estimate * (1.0 - self.estimate) / variance;
        clopper_pearson_real(self.estimate * effective, effective, level)
    }

    fn by_objects(&self, level: Level) -> Result<Share, StatsError> {
        if self.is_one_sided() {
            return Ok(self.share(self.one_sided(1.0, level)?, Method::FewObjects, 0.0));
        }
        let t = level.t(self.count() as f64 - 1.0);
        let logit = logit_interval(self.estimate, self.variance.sqrt(), t, level);
        if self.has_few() {
            let interval = logit.envelope(&self.effective(self.variance, level)?);
            return Ok(self.share(interval, Method::FewObjects, self.variance));
        }
        Ok(self.share(logit, Method::LogitT, self.variance))
    }

    fn over_clusters(
        &self,
        parts: VarianceParts,
        assumed_design_effect: f64,
        level: Level,
    ) -> Result<Share, StatsError> {
        if self.is_one_sided() {
            let interval = self.one_sided(assumed_design_effect, level)?;
            return Ok(Share {
                parts: Some(parts),
                ..self.share(interval, Method::FewObjectsClusters, 0.0)
            });
        }
        // The unfloored variance: the interval needs to know how far below the floor it lies.
        let f1 = parts.fraction(parts.clusters as f64);
        let measured = (1.0 - f1) * parts.between + f1 * parts.within;
        let mut interval = overdispersed_interval(
            self.estimate,
            self.variance,
            measured,
            parts.degrees_of_freedom,
            level,
        )?;
        let mut method = Method::Clusters;
        if self.has_few() {
            let variance = measured.max(self.variance * assumed_design_effect.max(1.0));
            interval = interval.envelope(&self.effective(variance, level)?);
            method = Method::FewObjectsClusters;
        }
        Ok(Share {
            design_effect: Some(measured / self.variance),
            parts: Some(parts),
            ..self.share(interval, method, measured.max(self.variance))
        })
    }
}

/// Variance between clusters and of trays within them.
fn variance_parts(
    clusters: &[&Cluster],
    pooled: &Pooled,
    clusters_in_load: Option<u32>,
) -> VarianceParts {
    let r = pooled.estimate;
    let n = clusters.len() as f64;
    let square_total = pooled.total * pooled.total;
    // Residual y − Rx of every tray, cluster by cluster.
    let residuals: Vec<Vec<f64>> = clusters
        .iter()
        .map(|c| {
            c.trays.iter().filter(|t| !t.is_empty()).map(|t| t.residual(r) * c.scale).collect()
        })
        .collect();
    let between = residuals.iter().map(|trays| trays.iter().sum::<f64>().powi(2)).sum::<f64>() * n
        / (n - 1.0)
        / square_total;
    // Trays of the same bin against what their objects would give: one ratio for all bins, so that
    // bins with a single tray share what the others show.
    let (mut trays_apart, mut objects_apart, mut degrees_within) = (0.0, 0.0, 0.0);
    for (cluster, trays) in clusters.iter().zip(&residuals).filter(|(_, t)| t.len() > 1) {
        let m = trays.len() as f64;
        let mean = trays.iter().sum::<f64>() / m;
        trays_apart += m / (m - 1.0) * trays.iter().map(|e| (e - mean).powi(2)).sum::<f64>();
        objects_apart += cluster.total().squared_residuals(r);
        degrees_within += m - 1.0;
    }
    let within = if objects_apart > 0.0 {
        // The objects' variance without its n/(n−1), as the trays' own deviations carry theirs.
        let n = pooled.count() as f64;
        trays_apart / objects_apart * pooled.variance * (n - 1.0) / n
    } else {
        pooled.variance
    };
    let f1 = clusters_in_load.map_or(0.0, |all| (n / f64::from(all.max(1))).min(1.0));
    let (a, b) = ((1.0 - f1) * between, f1 * within);
    let b_degrees = if objects_apart > 0.0 { degrees_within } else { f64::INFINITY };
    let spread = a * a / (n - 1.0) + b * b / b_degrees;
    // All bins drawn and no bin with two trays: what is left is the objects' own variance, known
    // from all of them.
    let degrees_of_freedom =
        if spread > 0.0 { ((a + b).powi(2) / spread).max(n - 1.0) } else { f64::INFINITY };
    VarianceParts {
        clusters: clusters.len(),
        clusters_in_load,
        between,
        within,
        objects: pooled.variance,
        degrees_of_freedom,
    }
}

/// What further clusters would do to an interval.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct Narrowing {
    /// Clusters (bins, or trays where bins are not known) in all.
    pub clusters: usize,
    /// Expected interval, the estimate and the design effect staying what they are.
    pub interval: Interval,
}

/// The interval to expect from one, two, … `further` more clusters like those taken, share and
/// design effect unchanged. Empty where the share has no load interval, where nothing (or
/// everything) was of the class, and beyond the last bin of the load.
pub fn narrowing(share: &Share, further: usize, level: Level) -> Vec<Narrowing> {
    let Some(parts) = share.parts.filter(|_| share.design_effect.is_some()) else {
        return Vec::new();
    };
    let n = parts.clusters as f64;
    let most = parts.clusters_in_load.map_or(usize::MAX, |all| all as usize);
    (1..=further)
        .map(|more| parts.clusters + more)
        .take_while(|&clusters| clusters <= most)
        .filter_map(|clusters| {
            let after = clusters as f64;
            let f1 = parts.fraction(after);
            let cluster_variance = ((1.0 - f1) * parts.between + f1 * parts.within) * n / after;
            overdispersed_interval(
                share.estimate,
                parts.objects * n / after,
                cluster_variance,
                parts.degrees_of_freedom + after - n,
                level,
            )
            .ok()
            .map(|interval| Narrowing { clusters, interval })
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::testdata::close;

    /// Trays as clusters, or one tray; zero counts with the default assumption.
    fn of(clusters: &[Cluster], unit_weights: bool) -> Share {
        share_of_clusters(clusters, Stage::Trays, unit_weights, 4.0, Level::P95).unwrap()
    }

    fn one(elements: Vec<(bool, f64)>) -> Vec<Cluster> {
        vec![Cluster::of_tray(elements.into_iter().collect())]
    }

    /// Six objects worked by hand: masses 1.0 1.2 0.8 (class) 1.5 1.1 1.4 (not).
    /// Σm = 7.0, R = 3/7; Σm²(y−R)² = (16/49)(1+1.44+0.64) + (9/49)(2.25+1.21+1.96)
    /// = (49.28 + 48.78)/49 = 98.06/49; v = 6/5·(98.06/49)/49.
    #[test]
    fn ratio_worked_by_hand() {
        let elements =
            vec![(true, 1.0), (true, 1.2), (true, 0.8), (false, 1.5), (false, 1.1), (false, 1.4)];
        let share = of(&one(elements), false);
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
        let share = of(&one(elements), true);
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
            .map(|&(x, n)| Cluster::of_tray((0..n).map(|i| (i < x, 1.0)).collect()))
            .collect();
        let share = of(&clusters, true);
        close(share.estimate, 0.093975903614, 5e-13, "share");
        close(share.standard_error, 0.014103979683, 5e-13, "se");
        close(share.design_effect.unwrap(), 1.936785921, 5e-10, "design effect, M-1");
        // R's limits, widened by the stated 1.05 on the logit scale because the design effect is
        // far enough above 1 on both sides.
        for (found, outside) in
            [(share.interval.low, 0.0655146560), (share.interval.high, 0.1330411627)]
        {
            let logit = |p: f64| (p / (1.0 - p)).ln();
            let (found, outside) = (logit(found), logit(outside));
            let centre = logit(78.0 / 830.0);
            close((found - centre) / (outside - centre), 1.05, 1e-8, "half-width against R's");
        }
    }

    #[test]
    fn nothing_seen_is_never_zero_width() {
        let elements: Vec<(bool, f64)> = (0..100).map(|_| (false, 1.2)).collect();
        let share = of(&one(elements.clone()), false);
        assert_eq!((share.estimate, share.interval.low), (0.0, 0.0));
        // Rule of three's two-sided cousin: 1 − 0.025^(1/100), by hand.
        close(share.interval.high, 1.0 - 0.025_f64.powf(0.01), 1e-10, "high");
        let all = elements.iter().map(|e| (true, e.1)).collect();
        let share = of(&one(all), false);
        assert_eq!((share.estimate, share.interval.high), (1.0, 1.0));
        close(share.interval.low, 0.025_f64.powf(0.01), 1e-10, "low");
    }

    #[test]
    fn trays_that_look_too_alike_keep_the_within_tray_variance() {
        let tray = || Cluster::of_tray((0..100).map(|i| (i < 10, 1.0)).collect());
        let share = of(&[tray(), tray(), tray()], true);
        close(share.standard_error.powi(2), 0.1 * 0.9 / 299.0, 1e-12, "floor");
        assert!(share.design_effect.is_some_and(|d| d < 1e-20));
    }

    /// Two stages by hand, v = (1−f1)·s_b²/n + f1·s_w²/(n·m): three bins of six, two trays each of
    /// 100 equal objects: 10 14 | 4 6 | 9 5 of the class. Bin shares 0.12 0.05 0.07, R = 0.08,
    /// s_b² = (0.0016 + 0.0009 + 0.0001)/2 = 0.0013; s_w² = (0.0008 + 0.0002 + 0.0008)/3 = 0.0006;
    /// v = 0.5·0.0013/3 + 0.5·0.0006/6.
    #[test]
    fn two_stages_worked_by_hand() {
        let tray = |hits: usize| TrayTally {
            inside: Tally::of_count(hits),
            outside: Tally::of_count(100 - hits),
        };
        let bins = |scale: [f64; 3]| -> Vec<Cluster> {
            [(10, 14), (4, 6), (9, 5)]
                .iter()
                .zip(scale)
                .map(|(&(a, b), scale)| Cluster { scale, trays: vec![tray(a), tray(b)] })
                .collect()
        };
        let stage = Stage::Bins { in_load: Some(6) };
        let of = |c: &[Cluster]| share_of_clusters(c, stage, true, 4.0, Level::P95).unwrap();
        let share = of(&bins([0.005; 3]));
        close(share.estimate, 0.08, 1e-15, "R");
        close(share.standard_error.powi(2), 0.5 * 0.0013 / 3.0 + 0.5 * 0.0006 / 6.0, 1e-15, "v");
        assert_eq!(share.scope, Scope::Load);
        // Bins of 600, 450 and 520 kg: R = (600·0.12 + 450·0.05 + 520·0.07)/1570.
        let weighed = of(&bins([600.0 / 200.0, 450.0 / 200.0, 520.0 / 200.0]));
        close(weighed.estimate, 130.9 / 1570.0, 1e-15, "weighed R");
        // Two bins say nothing of the load; one tray of each is still more than one tray.
        let two = of(&bins([0.005; 3])[..2]);
        assert_eq!((two.scope, two.method), (Scope::TheseTraysOnly, Method::LogitT));
        // A further bin narrows, the sixth is the last, and its interval still has a width.
        let further = narrowing(&share, 9, Level::P95);
        assert_eq!(further.iter().map(|f| f.clusters).collect::<Vec<_>>(), [4, 5, 6]);
        assert!(further[0].interval.width() < share.interval.width());
        assert!(further.windows(2).all(|w| w[1].interval.width() < w[0].interval.width()));
        assert!(further[2].interval.width() > 0.0);
    }

    #[test]
    fn nothing_to_share_is_refused() {
        let of = |c: &[Cluster]| share_of_clusters(c, Stage::Trays, false, 4.0, Level::P95);
        assert!(of(&[]).is_err());
        assert!(of(&one(vec![(true, 0.0)])).is_err());
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
                let side = |&(y, m): &(bool, f64)| (y != flip, if unit { 1.0 } else { m });
                trays.iter().map(|t| Cluster::of_tray(t.iter().map(side).collect())).collect()
            };
            let share = of(&build(false), unit);
            let other = of(&build(true), unit).interval;
            proptest::prop_assert!(share.interval.width() > 0.0);
            proptest::prop_assert!(share.interval.low >= 0.0 && share.interval.high <= 1.0);
            proptest::prop_assert!(share.interval.contains(share.estimate));
            proptest::prop_assert!((share.interval.low - (1.0 - other.high)).abs() < 1e-8);
            proptest::prop_assert!((share.interval.high - (1.0 - other.low)).abs() < 1e-8);
        }

        /// Order of trays and objects and the unit of mass do not matter; the estimate is the plain ratio; a
        /// surer level is no narrower.
        #[test]
        fn shares_know_no_order_and_no_unit(
            trays in proptest::collection::vec(
                proptest::collection::vec((proptest::bool::weighted(0.2), 0.01f64..3.0), 2..60),
                1..6,
            ),
            unit in 0.01f64..1000.0,
        ) {
            let build = |back: bool, unit: f64| -> Vec<Cluster> {
                let tray = |t: &Vec<(bool, f64)>| {
                    let mut own: Vec<_> = t.iter().map(|(y, m)| (*y, unit * m)).collect();
                    if back {
                        own.reverse();
                    }
                    Cluster::of_tray(own.into_iter().collect())
                };
                let mut all: Vec<Cluster> = trays.iter().map(tray).collect();
                if back {
                    all.reverse();
                }
                all
            };
            let at = |clusters: &[Cluster], level| {
                share_of_clusters(clusters, Stage::Trays, false, 4.0, level).unwrap()
            };
            let found = at(&build(false, 1.0), Level::P95);
            let other = at(&build(true, unit), Level::P95);
            proptest::prop_assert_eq!(found.method, other.method);
            proptest::prop_assert!((found.estimate - other.estimate).abs() < 1e-9);
            proptest::prop_assert!((found.interval.low - other.interval.low).abs() < 1e-8);
            proptest::prop_assert!((found.interval.high - other.interval.high).abs() < 1e-8);
            let all = || trays.iter().flatten();
            let plain = all().filter(|e| e.0).map(|e| e.1).sum::<f64>() / all().map(|e| e.1).sum::<f64>();
            proptest::prop_assert!((found.estimate - plain).abs() < 1e-9);
            let surer = at(&build(false, 1.0), Level::new(0.99).unwrap()).interval;
            proptest::prop_assert!(surer.low <= found.interval.low + 1e-9);
            proptest::prop_assert!(surer.high >= found.interval.high - 1e-9);
        }
    }
}
