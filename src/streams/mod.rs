//! Before and after the sorter: from the unsorted, sorted and waste lots to the split, what was
//! removed, what slipped through and what good fruit was lost.
//!
//! Plain data in, plain data out; this module knows nothing of pixels or files. All shares are by
//! mass: by count the same lots give another split, and a yield by mass goes only with shares by
//! mass. Shares are of objects with a class; unassigned ones are left out, and that is said.

pub mod compare;
mod model;
mod reconcile;
#[cfg(test)]
mod simulation;

pub use compare::{Comparison, Difference, compare};
pub use model::{
    ClusterSums, Effects, LotSums, effects, grain, measured_effect, object_covariance,
};
pub use reconcile::{
    Composition, Fit, FitError, Measured, Shares, reconcile, two_product_recovery,
    two_product_yield,
};

use reconcile::State;
use serde::Serialize;

use crate::classify::{Class, Fruit};
use crate::load::{DiameterSpread, LoadError, Lot, LotSettings, Share, assess_lot};
use crate::stats::{Interval, Level, beta_cdf, chi_squared_cdf};

/// Which of the three streams.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Stream {
    /// Before the sorter: the feed.
    Unsorted,
    /// What went on.
    Sorted,
    /// What was thrown out.
    Waste,
}

impl Stream {
    /// All of them, in table order.
    pub const ALL: [Stream; 3] = [Stream::Unsorted, Stream::Sorted, Stream::Waste];

    /// Its name in tables and files.
    pub fn name(self) -> &'static str {
        match self {
            Stream::Unsorted => "unsorted",
            Stream::Sorted => "sorted",
            Stream::Waste => "waste",
        }
    }

    /// The stream that a lot's name means, in any case of letters; none when it means none.
    pub fn named(lot: &str) -> Option<Stream> {
        Stream::ALL.into_iter().find(|s| s.name().eq_ignore_ascii_case(lot.trim()))
    }
}

/// Trays of one stream.
#[derive(Debug, Clone, PartialEq)]
pub struct StreamLot {
    /// Which stream.
    pub stream: Stream,
    /// Its trays.
    pub lot: Lot,
    /// Skin colour of the fruit as read, tray by tray in the lot's order; none where it was not.
    pub fruits: Vec<Option<Fruit>>,
}

/// Weighed totals, kg.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize)]
pub struct Weighed {
    /// The feed.
    pub unsorted_kg: Option<f64>,
    /// What went on.
    pub sorted_kg: Option<f64>,
    /// What was thrown out.
    pub waste_kg: Option<f64>,
    /// Juice that ran off on the way, when it was weighed alone.
    pub juice_kg: Option<f64>,
}

/// Settings of [`balance`].
#[derive(Debug, Clone, PartialEq)]
pub struct StreamSettings {
    /// Confidence level of every interval.
    pub level: Level,
    /// Weighed totals.
    pub weighed: Weighed,
    /// Relative standard deviation of a weighed total, above 0. Common practice, no source: half
    /// a percent, scale and spillage together.
    pub weighing_sd: f64,
    /// Price of a tonne, if the figures are wanted in money. Above 0.
    pub price_per_tonne: Option<f64>,
    /// Design effect taken where no lot has two trays. As in the load's statistics.
    pub assumed_design_effect: f64,
    /// Below this probability the lots are said not to belong together.
    pub flag_below: f64,
}

impl Default for StreamSettings {
    fn default() -> Self {
        StreamSettings {
            level: Level::P95,
            weighed: Weighed::default(),
            weighing_sd: 0.005,
            price_per_tonne: None,
            assumed_design_effect: LotSettings::default().assumed_design_effect,
            flag_below: 0.01,
        }
    }
}

/// A figure with its interval.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Estimate {
    /// The figure.
    pub estimate: f64,
    /// Its interval.
    pub interval: Interval,
}

impl Estimate {
    fn times(&self, by: f64) -> Estimate {
        let interval = Interval {
            low: self.interval.low * by,
            high: self.interval.high * by,
            ..self.interval
        };
        Estimate { estimate: self.estimate * by, interval }
    }
}

/// One share of a stream.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct StreamShare {
    /// The class, or `rejects`.
    pub name: &'static str,
    /// As the trays show it, of objects with a class; none where the stream has no tray.
    pub raw: Option<f64>,
    /// After reconciliation; none where there is no split.
    pub reconciled: Option<Estimate>,
    /// The lot's own share with its own interval, as `assess` gives it; none without trays.
    pub own: Option<Share>,
    /// Mass in the stream, kg, when any total was weighed.
    pub kg: Option<Estimate>,
}

/// One stream.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct StreamFigures {
    /// Which.
    pub stream: Stream,
    /// The lot's name; none where the stream follows from the two others.
    pub lot: Option<String>,
    /// Trays.
    pub trays: usize,
    /// Objects with a class.
    pub objects: usize,
    /// Unassigned objects, left out.
    pub unassigned: usize,
    /// Design effect of its trays that the fit used.
    pub design_effect: Option<f64>,
    /// Classes in table order, then rejects.
    pub shares: Vec<StreamShare>,
    /// Diameter of its berries.
    pub berry_diameter: Option<DiameterSpread>,
    /// Total mass, kg, when it was weighed or follows.
    pub kg: Option<f64>,
}

/// What the sorter did with one class. All are shares of the class's mass in the feed.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Performance {
    /// The class, or `rejects`.
    pub name: &'static str,
    /// What went to the waste: (1 − Y)·w/f. For sound fruit this is the loss, a share of the feed's
    /// sound fruit, not the sound share of the waste.
    pub removed: Estimate,
    /// What slipped through: 1 − removed.
    pub kept: Estimate,
    /// Mass removed, kg, when any total was weighed.
    pub removed_kg: Option<Estimate>,
    /// The same at the price of a tonne.
    pub removed_value: Option<Estimate>,
}

/// Whether the lots belong together.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Consistency {
    /// χ² of the balance.
    pub chi_squared: f64,
    /// 2 with the yield unknown, 3 with it weighed.
    pub degrees_of_freedom: u32,
    /// Probability of such a χ² or greater if the lots belong together and their covariances were
    /// known.
    pub chi_squared_p: f64,
    /// The same with the design effect's own uncertainty: the one that counts.
    pub p: f64,
    /// Class whose imbalance is greatest for its own uncertainty.
    pub worst_class: Class,
    /// That imbalance, in standard deviations.
    pub worst_z: f64,
}

/// The split and what follows from it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Split {
    /// Sorted mass over sorted and waste mass.
    pub yield_by_mass: Estimate,
    /// The weighed yield and its standard deviation, where totals were weighed.
    pub weighed_yield: Option<(f64, f64)>,
    /// Per class, then rejects.
    pub performance: Vec<Performance>,
    /// None where nothing was over to test.
    pub consistency: Option<Consistency>,
    /// Juice: feed less sorted less waste, kg, where all were weighed or it was given.
    pub juice_kg: Option<f64>,
}

/// Everything about a load's streams.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Streams {
    /// Streams in table order.
    pub streams: Vec<StreamFigures>,
    /// The split; none where two lots without weights do not give it.
    pub split: Option<Split>,
    /// Why there is no split.
    pub no_split: Option<String>,
    /// Whether the lots can belong together: false with an alarm of any kind.
    pub belong_together: bool,
    /// Alarms: why the figures of the split must not be used.
    pub alarms: Vec<String>,
    /// What was assumed, in words.
    pub assumptions: Vec<String>,
    /// What to beware of, in words.
    pub cautions: Vec<String>,
}

/// Why there are no figures at all.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum StreamError {
    /// Fewer than two lots, or one stream twice.
    #[error("{0}")]
    Lots(String),
    /// A weight or setting that cannot be.
    #[error("{0}")]
    Setting(String),
    /// A lot has no figures.
    #[error(transparent)]
    Load(#[from] LoadError),
}

/// A group of classes by its place: one of the four, or rejects.
const GROUPS: [(&str, [bool; 4]); 5] = [
    ("sound", [true, false, false, false]),
    ("shriveled", [false, true, false, false]),
    ("underripe", [false, false, true, false]),
    ("debris", [false, false, false, true]),
    ("rejects", [false, true, true, true]),
];

fn group(shares: &Shares, of: &[bool; 4]) -> f64 {
    (0..4).filter(|&k| of[k]).map(|k| shares[k]).sum()
}

/// Works out the streams of one load.
///
/// Raw shares are reconciled under f = Y·s + (1 − Y)·w by weighted least squares. The covariances
/// are those of objects drawn one by one from the fitted shares, widened by the trays' design
/// effects ([`effects`]); fit and covariance are repeated until they agree. Intervals: delta method
/// on the logit scale, which keeps them in 0..1; an end where no object of the class was seen is
/// opened to 0 or 1.
///
/// # Errors
/// [`StreamError`] when fewer than two lots are given, one twice, or a weight cannot be. Two lots
/// without weights are no error: they are described and compared, without a split.
pub fn balance(lots: &[StreamLot], settings: &StreamSettings) -> Result<Streams, StreamError> {
    let (weighed_yield, juice_kg) = check(lots, settings)?;
    let of = |stream: Stream| lots.iter().find(|l| l.stream == stream);
    let present: Vec<&StreamLot> = Stream::ALL.into_iter().filter_map(of).collect();
    let sums: Vec<LotSums> = present.iter().map(|l| LotSums::of(&l.lot)).collect();
    for (lot, sums) in present.iter().zip(&sums) {
        if sums.clusters.is_empty() {
            return Err(LoadError::Empty { lot: lot.lot.name.clone() }.into());
        }
    }
    let borrowed: Vec<&LotSums> = sums.iter().collect();
    let model = Model::of(&borrowed, settings);
    let place = |stream: Stream| present.iter().position(|l| l.stream == stream);
    let places = Stream::ALL.map(place);
    let fit = model.fit(&places, weighed_yield);
    let mut alarms = strangers(&present);
    let ruler = Ruler { settings, model: &model, places, juice_kg };
    let split = fit.as_ref().ok().map(|fit| ruler.split(fit, weighed_yield, &mut alarms));
    let streams = ruler.streams(&present, fit.as_ref().ok())?;
    let (assumptions, cautions) = ruler.words(&present, weighed_yield);
    Ok(Streams {
        streams,
        split,
        no_split: fit.err().map(|e| e.to_string()),
        belong_together: alarms.is_empty(),
        alarms,
        assumptions,
        cautions,
    })
}

type Yield = Option<(f64, f64)>;

/// Checks what was given; gives the weighed yield and the juice.
fn check(
    lots: &[StreamLot],
    settings: &StreamSettings,
) -> Result<(Yield, Option<f64>), StreamError> {
    for stream in Stream::ALL {
        let twice: Vec<&str> =
            lots.iter().filter(|l| l.stream == stream).map(|l| l.lot.name.as_str()).collect();
        if twice.len() > 1 {
            return Err(StreamError::Lots(format!(
                "two lots are given as {} ({}); give the trays of one load",
                stream.name(),
                twice.join(", ")
            )));
        }
    }
    if lots.len() < 2 {
        return Err(StreamError::Lots(
            "trays of at least two of unsorted, sorted and waste are needed".into(),
        ));
    }
    let w = &settings.weighed;
    for (name, kg) in [("unsorted", w.unsorted_kg), ("sorted", w.sorted_kg), ("waste", w.waste_kg)]
    {
        if let Some(kg) = kg
            && !(kg > 0.0 && kg.is_finite())
        {
            return Err(StreamError::Setting(format!("{name} weighs {kg} kg; give kg above 0")));
        }
    }
    let juice = w.juice_kg.unwrap_or(0.0);
    if !(juice >= 0.0 && juice.is_finite()) {
        return Err(StreamError::Setting(format!("juice weighs {juice} kg; give kg, 0 or more")));
    }
    let rel = settings.weighing_sd;
    if !(rel > 0.0 && rel < 1.0) {
        return Err(StreamError::Setting(format!(
            "a weighed total's relative standard deviation is {rel}; give it above 0 and below 1"
        )));
    }
    if let Some(price) = settings.price_per_tonne
        && !(price > 0.0 && price.is_finite())
    {
        return Err(StreamError::Setting(format!("a tonne costs {price}; give a price above 0")));
    }
    let solid = |f: f64| f - juice;
    // (yield, d/d ln of each weighed total squared and summed)
    let found = match (w.unsorted_kg, w.sorted_kg, w.waste_kg) {
        (_, Some(s), Some(t)) => {
            let y = s / (s + t);
            Some((y, y * (1.0 - y) * 2.0_f64.sqrt()))
        }
        (Some(f), Some(s), None) => {
            let y = s / solid(f);
            Some((y, y * 1.0_f64.hypot(f / solid(f))))
        }
        (Some(f), None, Some(t)) => {
            let out = t / solid(f);
            Some((1.0 - out, out * 1.0_f64.hypot(f / solid(f))))
        }
        _ => None,
    };
    if let Some((y, _)) = found
        && !(y > 0.0 && y < 1.0)
    {
        return Err(StreamError::Setting(format!(
            "the weights make {:.1} % of the feed go on; a part cannot weigh more than the whole: \
             check the totals",
            100.0 * y
        )));
    }
    let juice_kg = match (w.unsorted_kg, w.sorted_kg, w.waste_kg) {
        (Some(f), Some(s), Some(t)) => {
            let left = f - s - t;
            if left < -3.0 * rel * f.hypot(s).hypot(t) {
                return Err(StreamError::Setting(format!(
                    "sorted and waste together weigh {:.0} kg more than the feed: check the totals",
                    -left
                )));
            }
            Some(left)
        }
        _ => w.juice_kg,
    };
    Ok((found.map(|(y, slope)| (y, slope * rel)), juice_kg))
}

/// What trays and slips say against lots of one load: two skin colours, two loads' names.
fn strangers(lots: &[&StreamLot]) -> Vec<String> {
    let of = |l: &StreamLot, t: usize| format!("{} ({})", l.stream.name(), l.lot.trays[t].name);
    let trays = || lots.iter().flat_map(|l| (0..l.lot.trays.len()).map(move |t| (*l, t)));
    let fruits = trays().filter_map(|(l, t)| Some((of(l, t), (*l.fruits.get(t)?)?.name())));
    let loads = trays().filter_map(|(l, t)| Some((of(l, t), l.lot.trays[t].load.as_deref()?)));
    let mut alarms = Vec::new();
    if let Some((a, b)) = two(fruits) {
        alarms.push(format!(
            "{} was read as {} fruit and {} as {} fruit: they are not streams of one load; look at \
             the trays, and give --fruit if a colour was misread",
            a.0, a.1, b.0, b.1
        ));
    }
    if let Some((a, b)) = two(loads) {
        alarms.push(format!(
            "the slips name two loads, {} on {} and {} on {}: streams of one load carry its name",
            a.1, a.0, b.1, b.0
        ));
    }
    alarms
}

/// The first of all and the first that says something else than it.
fn two<T, W: PartialEq>(mut said: impl Iterator<Item = (T, W)>) -> Option<((T, W), (T, W))> {
    let first = said.next()?;
    let other = said.find(|s| s.1 != first.1)?;
    Some((first, other))
}

/// Sums, covariances' form and design effects of the lots.
pub(crate) struct Model<'a> {
    lots: &'a [&'a LotSums],
    grain: Shares,
    effects: Effects,
}

impl<'a> Model<'a> {
    pub(crate) fn of(lots: &'a [&'a LotSums], settings: &StreamSettings) -> Self {
        let grain = grain(lots);
        let effects = effects(lots, &grain, settings.assumed_design_effect);
        Model { lots, grain, effects }
    }

    /// Fit and covariance in turn, until the fit stays.
    pub(crate) fn fit(&self, places: &[Option<usize>; 3], weighed: Yield) -> Result<Fit, FitError> {
        let raw = |k: usize| places[k].map(|i| self.lots[i].shares());
        let mut at = [raw(0), raw(1), raw(2)];
        let mut fit = self.fit_at(places, &at, weighed)?;
        for _ in 0..20 {
            at = fit.shares.map(Some);
            let next = self.fit_at(places, &at, weighed)?;
            let moved = (next.yield_by_mass - fit.yield_by_mass).abs();
            fit = next;
            if moved < 1e-7 {
                break;
            }
        }
        Ok(fit)
    }

    fn fit_at(
        &self,
        places: &[Option<usize>; 3],
        at: &[Option<Shares>; 3],
        weighed_yield: Yield,
    ) -> Result<Fit, FitError> {
        let of = |k: usize| {
            let i = places[k]?;
            let lot = self.lots[i];
            let shares = at[k].unwrap_or_else(|| lot.shares());
            Some(model::composition(lot, &shares, &self.grain, self.effects.lots[i]))
        };
        reconcile(&Measured { unsorted: of(0), sorted: of(1), waste: of(2), weighed_yield })
    }

    /// Half-width of an interval on its scale, in standard deviations.
    pub(crate) fn quantile(&self, level: Level) -> f64 {
        widening(&self.effects, level)
    }
}

/// Normal where trays differ no more than chance makes them (the floor then holds, and it is no
/// estimate), else Student's t with the degrees of freedom that the design effects come from over 1.8:
/// the three classes' design effects are not one number. A passage between a design effect of 1.1
/// and 1.6. Our own choice, held to the simulations in this module's tests.
fn widening(effects: &Effects, level: Level) -> f64 {
    let share = estimated(effects);
    let t = level.t((effects.degrees_of_freedom / 1.8).max(2.0));
    level.z() + share * (t - level.z())
}

/// How far the design effect is an estimate and not the floor, 0 to 1.
fn estimated(effects: &Effects) -> f64 {
    effects.pooled.map_or(0.0, |pooled| ((pooled - 1.1) / 0.5).clamp(0.0, 1.0))
}

/// Probability of a χ² so great when the lots belong together. Where the design effect is an
/// estimate, χ²/k is held against F with its degrees of freedom (half the nominal ones, as for
/// intervals) and not against χ², which would cry wolf (Rao and Scott 1981 do the same).
fn p_of(effects: &Effects, chi_squared: f64, k: f64) -> f64 {
    let plain = 1.0 - chi_squared_cdf(chi_squared, k);
    let d = effects.degrees_of_freedom / 2.0;
    let share = estimated(effects);
    if share == 0.0 || d <= 0.0 {
        return plain;
    }
    let f = beta_cdf(d / (d + chi_squared), 0.5 * d, 0.5 * k);
    plain + share * (f - plain)
}

struct Ruler<'a> {
    settings: &'a StreamSettings,
    model: &'a Model<'a>,
    places: [Option<usize>; 3],
    juice_kg: Option<f64>,
}

impl Ruler<'_> {
    /// Objects of a group seen in a stream; none where the stream has no trays.
    fn seen(&self, k: usize, of: &[bool; 4]) -> Option<usize> {
        let counts = self.places[k].map(|i| self.model.lots[i].counts)?;
        Some((0..4).filter(|&c| of[c]).map(|c| counts[c]).sum())
    }

    /// Whether a stream's trays do not bound a group from below: nothing of it was seen, or the
    /// balance leaves less than half an object of it.
    fn unseen(&self, fit: &Fit, k: usize, of: &[bool; 4]) -> bool {
        let Some(i) = self.places[k] else { return false };
        let half = 0.5 * self.object_share(i, of);
        self.seen(k, of) == Some(0) || group(&fit.shares[k], of) < half
    }

    /// Share by mass that one object of a group is, in a lot, its design effect counted in.
    fn object_share(&self, i: usize, of: &[bool; 4]) -> f64 {
        let grain = (0..4).filter(|&c| of[c]).map(|c| self.model.grain[c]).fold(0.0, f64::max);
        grain * self.model.effects.lots[i] * self.model.lots[i].thinness()
    }

    /// Upper limit of a share of which no object was seen: −ln(α/2) objects, the exact Poisson
    /// limit at 0.
    fn at_most(&self, k: usize, of: &[bool; 4]) -> f64 {
        let objects = -(0.5 * self.settings.level.alpha()).ln();
        self.places[k].map_or(1.0, |i| (objects * self.object_share(i, of)).min(1.0))
    }

    /// A share of the state with its interval on the logit scale. `open_low` and `open_high` say
    /// where an end has to reach 0 or 1 because no object was seen that would bound it.
    fn estimate(
        &self,
        fit: &Fit,
        of: impl Fn(&State) -> f64,
        open_low: bool,
        open_high: bool,
    ) -> Estimate {
        let level = self.settings.level;
        let z = self.model.quantile(level);
        let found = of(&fit.state());
        let at = found.clamp(1e-9, 1.0 - 1e-9);
        let half = z * fit.variance(&of).sqrt() / (at * (1.0 - at));
        let logit = (at / (1.0 - at)).ln();
        let back = |x: f64| 1.0 / (1.0 + (-x).exp());
        let mut interval = Interval { low: back(logit - half), high: back(logit + half), level };
        if open_low {
            interval.low = 0.0;
        }
        if open_high {
            interval.high = 1.0;
        }
        Estimate { estimate: found.clamp(0.0, 1.0), interval }
    }

    /// A reconciled share; where nothing bounds it from below, from 0 to the limit at 0 objects.
    fn share(&self, fit: &Fit, k: usize, of: &[bool; 4], at: impl Fn(&State) -> f64) -> Estimate {
        let mut found = self.estimate(fit, at, false, false);
        if self.unseen(fit, k, of) {
            found.interval.low = 0.0;
            found.interval.high = self.at_most(k, of).max(found.estimate);
        }
        found
    }

    fn split(&self, fit: &Fit, weighed_yield: Yield, alarms: &mut Vec<String>) -> Split {
        let y = self.estimate(fit, |s| s.y, false, false);
        let feed_kg = self.kg(fit)[0];
        let performance = GROUPS
            .iter()
            .map(|(name, of)| {
                let removed = |s: &State| {
                    let out = (1.0 - s.y) * group(&s.w, of);
                    out / (out + s.y * group(&s.s, of))
                };
                let none = |k| self.unseen(fit, k, of);
                let mut removed = self.estimate(fit, removed, none(2), none(1));
                let (y, s, w) = (fit.yield_by_mass, &fit.shares[1], &fit.shares[2]);
                let part = |w: f64, s: f64| {
                    let out = (1.0 - y) * w.max(0.0);
                    out / (out + y * s.max(0.0)).max(1e-12)
                };
                if none(1) {
                    removed.interval.low = part(group(w, of), self.at_most(1, of));
                }
                if none(2) {
                    removed.interval.high = part(self.at_most(2, of), group(s, of));
                }
                let kept = Estimate {
                    estimate: 1.0 - removed.estimate,
                    interval: removed.interval.complement(),
                };
                let out = |s: &State| (1.0 - s.y) * group(&s.w, of);
                let removed_kg =
                    feed_kg.map(|kg| self.estimate(fit, out, none(2), false).times(kg));
                let price = self.settings.price_per_tonne;
                let removed_value = removed_kg.zip(price).map(|(m, p)| m.times(p / 1000.0));
                Performance { name, removed, kept, removed_kg, removed_value }
            })
            .collect();
        let consistency = fit.p.zip(fit.imbalance).map(|(chi_squared_p, imbalance)| {
            let k = f64::from(fit.degrees_of_freedom);
            let p = p_of(&self.model.effects, fit.chi_squared, k);
            let worst = (0..4)
                .max_by(|&a, &b| imbalance[a].abs().total_cmp(&imbalance[b].abs()))
                .unwrap_or(0);
            Consistency {
                chi_squared: fit.chi_squared,
                degrees_of_freedom: fit.degrees_of_freedom,
                chi_squared_p,
                p,
                worst_class: Class::ALL[worst],
                worst_z: imbalance[worst],
            }
        });
        if let Some(c) = consistency.as_ref().filter(|c| c.p < self.settings.flag_below) {
            alarms.push(format!(
                "the lots do not belong together (p = {:.2e}): {} disagrees most: the feed has {} \
                 of it than sorted and waste make together",
                c.p,
                c.worst_class.name(),
                if c.worst_z > 0.0 { "more" } else { "less" },
            ));
        }
        self.impossible(fit, alarms);
        Split { yield_by_mass: y, weighed_yield, performance, consistency, juice_kg: self.juice_kg }
    }

    /// What a fit cannot mean.
    fn impossible(&self, fit: &Fit, alarms: &mut Vec<String>) {
        let y = fit.yield_by_mass;
        if !(0.005..=0.995).contains(&y) {
            alarms.push(format!(
                "the balance puts {} of the feed into the sorted lot: the {} lot is nothing like a \
                 part of this feed",
                if y < 0.5 { "nothing" } else { "everything" },
                if y < 0.5 { "sorted" } else { "waste" }
            ));
        }
        for (k, stream) in Stream::ALL.into_iter().enumerate() {
            for class in Class::ALL {
                let c = class.index();
                let share = fit.shares[k][c];
                let sd = fit.variance(|s| s.stream(k)[c]).sqrt();
                if share < -2.0 * sd.max(1e-9) {
                    alarms.push(format!(
                        "the balance would need {:.1} % {} in the {} lot: these lots do not belong \
                         together",
                        100.0 * share,
                        class.name(),
                        stream.name()
                    ));
                }
            }
        }
    }

    /// Masses of the three streams, kg.
    fn kg(&self, fit: &Fit) -> [Option<f64>; 3] {
        let w = &self.settings.weighed;
        let y = fit.yield_by_mass;
        let solid = match (w.unsorted_kg, w.sorted_kg, w.waste_kg) {
            (_, Some(s), Some(t)) => s + t,
            (Some(f), _, _) => f - w.juice_kg.unwrap_or(0.0),
            (None, Some(s), None) => s / y,
            (None, None, Some(t)) => t / (1.0 - y),
            (None, None, None) => return [None; 3],
        };
        [Some(solid), Some(solid * y), Some(solid * (1.0 - y))]
    }

    fn streams(
        &self,
        present: &[&StreamLot],
        fit: Option<&Fit>,
    ) -> Result<Vec<StreamFigures>, StreamError> {
        let kg = fit.map_or([None; 3], |fit| self.kg(fit));
        let mut all = Vec::new();
        for (k, stream) in Stream::ALL.into_iter().enumerate() {
            if self.places[k].is_none() && fit.is_none() {
                continue;
            }
            let lot = self.places[k].map(|i| (i, present[i], self.model.lots[i]));
            let own = match lot {
                Some((_, lot, _)) => Some(assess_lot(
                    &lot.lot,
                    &LotSettings { level: self.settings.level, ..LotSettings::default() },
                )?),
                None => None,
            };
            let shares = GROUPS
                .iter()
                .enumerate()
                .map(|(g, (name, of))| {
                    let at = move |s: &State| group(&s.stream(k), of);
                    let reconciled = fit.map(|fit| self.share(fit, k, of, at));
                    StreamShare {
                        name,
                        raw: lot.map(|(_, _, sums)| group(&sums.shares(), of)),
                        reconciled,
                        own: own.as_ref().map(|o| o.row(g).by_mass),
                        kg: fit.zip(kg[0]).map(|(fit, feed)| {
                            // Of the feed's mass: the split's uncertainty is in it.
                            let part = |s: &State| at(s) * [1.0, s.y, 1.0 - s.y][k];
                            self.estimate(fit, part, self.unseen(fit, k, of), false).times(feed)
                        }),
                    }
                })
                .collect();
            all.push(StreamFigures {
                stream,
                lot: lot.map(|(_, l, _)| l.lot.name.clone()),
                trays: lot.map_or(0, |(_, l, _)| l.lot.trays.len()),
                objects: lot.map_or(0, |(_, _, s)| s.counts.iter().sum()),
                unassigned: lot.map_or(0, |(_, _, s)| s.unassigned),
                design_effect: lot.map(|(i, _, _)| self.model.effects.lots[i]),
                shares,
                berry_diameter: own.and_then(|o| o.berry_diameter),
                kg: kg[k],
            });
        }
        Ok(all)
    }

    fn words(&self, present: &[&StreamLot], weighed: Yield) -> (Vec<String>, Vec<String>) {
        let mut assumptions = vec![
            "All shares and the yield are by mass, of objects with a class on the trays; by count \
             the same lots would give another split."
                .to_owned(),
            "Trays are taken as drawn at random from their stream over the same time.".to_owned(),
        ];
        let mut cautions = Vec::new();
        match self.model.effects.pooled {
            None => {
                assumptions.push(format!(
                    "No lot has two trays: a design effect of {} between trays is assumed.",
                    self.settings.assumed_design_effect
                ));
                cautions.push(
                    "One tray a lot: how much trays differ is not known; take three of each."
                        .to_owned(),
                );
            }
            Some(pooled) => assumptions.push(format!(
                "Trays of a lot differ {pooled:.2} times as much as chance alone makes them (design \
                 effect, by variance); it is never taken below 1."
            )),
        }
        if weighed.is_some() {
            assumptions.push(format!(
                "Weighed totals are good to {} % (one standard deviation); juice is taken to run \
                 off from all classes alike.",
                100.0 * self.settings.weighing_sd
            ));
        }
        let unassigned: usize = self.model.lots.iter().map(|l| l.unassigned).sum();
        if unassigned > 0 {
            cautions.push(format!(
                "{unassigned} objects are unlike anything taught and are left out of the balance."
            ));
        }
        for lot in present {
            let named = |t: &&crate::load::Tray| {
                let named = t.lot.as_deref().and_then(Stream::named);
                named.is_some_and(|named| named != lot.stream)
            };
            if let Some(tray) = lot.lot.trays.iter().find(named) {
                cautions.push(format!(
                    "{} is taken as {}, and its slip says {}.",
                    tray.name,
                    lot.stream.name(),
                    tray.lot.as_deref().unwrap_or_default()
                ));
            }
        }
        for lot in present.iter().filter(|l| l.lot.trays.len() == 1) {
            if self.model.effects.pooled.is_some() {
                cautions.push(format!(
                    "{}: one tray only; the other lots say how much trays differ.",
                    lot.lot.name
                ));
            }
        }
        (assumptions, cautions)
    }
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;
    use crate::load::{Item, Tray};
    use crate::stats::testdata::close;

    pub(crate) fn lot(name: &str, trays: &[[usize; 4]]) -> Lot {
        let masses = [1.4, 0.6, 0.8, 0.3];
        let tray = |(i, counts): (usize, &[usize; 4])| Tray {
            name: format!("{name}-{}", i + 1),
            objects: Class::ALL
                .into_iter()
                .flat_map(|class| {
                    let mut probabilities = [0.0; 4];
                    probabilities[class.index()] = 1.0;
                    let item = Item {
                        class: Some(class),
                        probabilities,
                        area_mm2: 100.0,
                        mass_g: masses[class.index()],
                        equivalent_diameter_mm: 13.0,
                    };
                    std::iter::repeat_n(item, counts[class.index()])
                })
                .collect(),
            ..Tray::default()
        };
        Lot { name: name.into(), trays: trays.iter().enumerate().map(tray).collect() }
    }

    fn stream(stream: Stream, trays: &[[usize; 4]]) -> StreamLot {
        StreamLot {
            stream,
            lot: lot(stream.name(), trays),
            fruits: vec![Some(Fruit::Black); trays.len()],
        }
    }

    pub(crate) fn three() -> Vec<StreamLot> {
        vec![
            stream(Stream::Unsorted, &[[150, 12, 8, 6], [148, 14, 9, 5], [152, 11, 7, 7]]),
            stream(Stream::Sorted, &[[165, 5, 3, 2], [168, 4, 4, 2]]),
            stream(Stream::Waste, &[[40, 50, 40, 30], [44, 46, 42, 29]]),
        ]
    }

    #[test]
    fn definitions_hold_on_the_reconciled_figures() {
        let settings = StreamSettings {
            weighed: Weighed { unsorted_kg: Some(10_000.0), ..Weighed::default() },
            price_per_tonne: Some(1000.0),
            ..StreamSettings::default()
        };
        let found = balance(&three(), &settings).unwrap();
        assert!(found.belong_together, "{:?}", found.alarms);
        let split = found.split.unwrap();
        let y = split.yield_by_mass.estimate;
        let share = |k: usize, c: usize| found.streams[k].shares[c].reconciled.unwrap().estimate;
        for c in 0..5 {
            close(share(0, c), y * share(1, c) + (1.0 - y) * share(2, c), 1e-9, "balance");
            let p = &split.performance[c];
            close(p.removed.estimate, (1.0 - y) * share(2, c) / share(0, c), 1e-9, "removed");
            close(p.removed.estimate + p.kept.estimate, 1.0, 1e-12, "kept");
            let kg = p.removed_kg.unwrap().estimate;
            close(kg, 10_000.0 * share(0, c) * p.removed.estimate, 1e-5, "kg");
            close(p.removed_value.unwrap().estimate, kg, 1e-9, "money at 1000 a tonne");
            assert!(p.removed.interval.contains(p.removed.estimate));
            assert!(p.removed.interval.low > 0.0 && p.removed.interval.high < 1.0);
        }
        // Sound fruit lost is a share of the feed's sound fruit, far from the waste's sound share.
        assert!(split.performance[0].removed.estimate < 0.1 && share(2, 0) > 0.3);
        assert_eq!(split.consistency.unwrap().degrees_of_freedom, 2);
    }

    #[test]
    fn weights_sharpen_the_yield_and_give_juice() {
        let settings = |w| StreamSettings { weighed: w, ..StreamSettings::default() };
        let all = Weighed {
            unsorted_kg: Some(1000.0),
            sorted_kg: Some(890.0),
            waste_kg: Some(90.0),
            juice_kg: None,
        };
        let found = balance(&three(), &settings(all)).unwrap().split.unwrap();
        close(found.juice_kg.unwrap(), 20.0, 1e-9, "juice");
        let (y, sd) = found.weighed_yield.unwrap();
        close(y, 890.0 / 980.0, 1e-12, "weighed yield");
        close(sd, y * (1.0 - y) * 2.0_f64.sqrt() * 0.005, 1e-12, "its sd");
        assert_eq!(found.consistency.unwrap().degrees_of_freedom, 3);
        let free = balance(&three(), &StreamSettings::default()).unwrap().split.unwrap();
        assert!(found.yield_by_mass.interval.width() < 0.2 * free.yield_by_mass.interval.width());
        // check-values.md section 8, consistent triple: 1000 = 880 + 120, 0.08/0.02/0.52.
        let wrong = Weighed { sorted_kg: Some(1100.0), waste_kg: None, ..all };
        assert!(matches!(balance(&three(), &settings(wrong)), Err(StreamError::Setting(_))));
    }

    #[test]
    fn two_lots_alone_are_described_and_told_why_there_is_no_split() {
        let two = &three()[..2];
        let found = balance(two, &StreamSettings::default()).unwrap();
        assert!(found.split.is_none() && found.streams.len() == 2);
        assert!(found.no_split.unwrap().contains("weighed totals"));
        let weighed =
            Weighed { unsorted_kg: Some(1000.0), sorted_kg: Some(900.0), ..Weighed::default() };
        let settings = StreamSettings { weighed, ..StreamSettings::default() };
        let found = balance(two, &settings).unwrap();
        assert_eq!((found.streams.len(), found.streams[2].trays), (3, 0));
        assert!(found.split.unwrap().consistency.is_none());
        assert!(balance(&three()[..1], &StreamSettings::default()).is_err());
    }

    #[test]
    fn wrong_fruit_and_wrong_shares_are_flagged() {
        let mut lots = three();
        let found = balance(&lots, &StreamSettings::default()).unwrap();
        assert!(found.belong_together && found.cautions.is_empty());
        // One white tray is enough, in whichever lot; an unread one says nothing.
        lots[2].fruits = vec![None, Some(Fruit::White)];
        let found = balance(&lots, &StreamSettings::default()).unwrap();
        assert!(!found.belong_together);
        let words = "unsorted (unsorted-1) was read as black fruit and waste (waste-2) as white";
        assert!(found.alarms[0].starts_with(words), "{:?}", found.alarms);
        lots[2].fruits = vec![None, Some(Fruit::Black)];
        for lot in &mut lots {
            lot.lot.trays.iter_mut().for_each(|t| t.load = Some("HV-0417".into()));
        }
        assert!(balance(&lots, &StreamSettings::default()).unwrap().belong_together);
        lots[1].lot.trays[1].load = Some("WV-0102".into());
        let found = balance(&lots, &StreamSettings::default()).unwrap();
        assert!(!found.belong_together && found.alarms[0].contains("WV-0102 on sorted (sorted-2)"));
        // A slip that names another stream than the trays are given as.
        lots[1].lot.trays[1].load = Some("HV-0417".into());
        lots[1].lot.trays[0].lot = Some("Waste".into());
        let found = balance(&lots, &StreamSettings::default()).unwrap();
        assert!(found.belong_together);
        assert_eq!(found.cautions, ["sorted-1 is taken as sorted, and its slip says Waste."]);
        let mut lots = three();
        // A waste of another load: hardly any of what the sorted lot is short of.
        lots[2] = stream(Stream::Waste, &[[40, 2, 110, 2], [44, 3, 118, 1]]);
        let found = balance(&lots, &StreamSettings::default()).unwrap();
        assert!(!found.belong_together, "{:?}", found.split);
    }

    #[test]
    fn a_class_never_seen_opens_the_interval() {
        let mut lots = three();
        lots[1] = stream(Stream::Sorted, &[[170, 3, 3, 0], [171, 4, 2, 0]]);
        let found = balance(&lots, &StreamSettings::default()).unwrap().split.unwrap();
        let debris = &found.performance[3];
        assert_eq!(debris.removed.interval.high, 1.0);
        assert!(debris.removed.interval.low > 0.3 && debris.removed.interval.low < 1.0);
    }
}
