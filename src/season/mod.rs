//! All loads of a ledger side by side: shares by group and week with intervals, the trend, what the
//! sorter did, what trays bought in precision, and loads that lie apart from the rest.

pub mod parquet;
pub mod table;

use std::collections::BTreeMap;

use serde::Serialize;

use crate::dossier::{self, DELIVERED, Dossier, LotDossier};
use crate::ledger::clock;
use crate::ledger::record::LoadRecord;
use crate::ledger::{Ledger, LedgerError};
use crate::load::{Scope, Share};
use crate::stats::{FEWEST_FOR_OUTLIERS, Interval, Level, Line, line, outliers, weighted_sum};
use crate::streams::{self, Estimate, StreamSettings};

/// What loads are put together by.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum By {
    /// Grower.
    #[default]
    Grower,
    /// Grower and block.
    Block,
    /// Variety.
    Variety,
    /// ISO week.
    Week,
}

/// Settings.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SeasonSettings {
    /// What loads are put together by.
    pub by: By,
    /// Confidence level of trends and of groups.
    pub level: Level,
    /// Two-sided probability of calling a load outlying although none of its variety is.
    pub alpha: f64,
}

impl Default for SeasonSettings {
    fn default() -> Self {
        SeasonSettings { by: By::Grower, level: Level::P95, alpha: 0.05 }
    }
}

/// Names of the shares, in order.
pub const NAMES: [&str; 5] = ["sound", "shriveled", "underripe", "debris", "rejects"];
/// Place of all rejects in [`NAMES`].
pub const REJECTS: usize = 4;
/// Stands where something is not recorded.
pub const UNKNOWN: &str = "not recorded";

/// A load among others. Shares are of its delivered lot, or of its only one.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SeasonLoad {
    /// The load.
    pub load: String,
    /// Grower.
    pub grower: String,
    /// Block.
    pub block: Option<String>,
    /// Variety.
    pub variety: Option<String>,
    /// Day of its delivery (received, else sampled, else picked, else opened), `2026-09-18`.
    pub day: String,
    /// ISO 8601 week of that day, `2026-W38`.
    pub week: String,
    /// Whether it is closed.
    pub closed: bool,
    /// Verdict of the terms.
    pub outcome: Option<String>,
    /// Net mass, kg.
    pub net_kg: Option<f64>,
    /// Bins.
    pub bins: Option<u32>,
    /// Lot that the shares are of.
    pub lot: Option<String>,
    /// Trays of it that count.
    pub trays: usize,
    /// Trays that its plan asks for.
    pub planned: Option<usize>,
    /// Planned trays that are not in.
    pub missing: usize,
    /// Retaken trays.
    pub retaken: usize,
    /// Refused photographs of the load.
    pub refused: usize,
    /// Objects on the trays.
    pub objects: usize,
    /// Their mass, g.
    pub mass_g: Option<f64>,
    /// Shares by mass in the order of [`NAMES`], with all that is known applied; empty without figures.
    pub by_mass: Vec<Estimate>,
    /// Shares by count likewise, as the trays show them.
    pub by_count: Vec<Estimate>,
    /// Whether the intervals speak of the load (from three bins, or two trays of unknown bins, on).
    pub whole_load: bool,
    /// Half-width that the plan wanted for the rejects by count.
    pub half_width_wanted: Option<f64>,
    /// Half the width of the rejects' interval by count.
    pub half_width_by_count: Option<f64>,
    /// Half the width of the rejects' interval by mass.
    pub half_width_by_mass: Option<f64>,
    /// What the sorter did, where the lots before and after it allow to tell.
    pub sorter: Option<Sorter>,
    /// Why there are no figures.
    pub no_figures: Option<String>,
}

/// What the sorter did to a load.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Sorter {
    /// Share of the mass that went on.
    pub yield_by_mass: Estimate,
    /// Share of the feed's rejects that went to the waste.
    pub rejects_removed: Estimate,
    /// Share of the feed's sound fruit that went to the waste.
    pub sound_lost: Estimate,
    /// Whether the lots can belong together; else the figures must not be used.
    pub belong_together: bool,
}

/// Loads put together.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Group {
    /// The grower, block, variety or week.
    pub name: String,
    /// Loads with figures.
    pub loads: usize,
    /// Trays.
    pub trays: usize,
    /// Objects.
    pub objects: usize,
    /// Net mass of all of them, kg; none where that of a load is not recorded: then all weigh alike.
    pub net_kg: Option<f64>,
    /// Shares by mass in the order of [`NAMES`]: each load by its net mass.
    pub by_mass: Vec<Estimate>,
    /// Least and greatest share of rejects by mass among its loads.
    pub rejects_range: [f64; 2],
    /// Loads whose intervals speak of their trays alone.
    pub few_bins: usize,
}

/// A load that lies apart.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Outlying {
    /// The load.
    pub load: String,
    /// Its variety.
    pub variety: String,
    /// Its share of rejects by mass.
    pub rejects: f64,
    /// Distance from the mean of those left, in their standard deviations, on the logit scale.
    pub distance: f64,
    /// Critical distance.
    pub critical: f64,
}

/// A test for outlying loads of one variety.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct OutlierTest {
    /// The variety.
    pub variety: String,
    /// Loads with figures.
    pub loads: usize,
    /// Whether there were enough of them to test.
    pub tested: bool,
}

/// The season.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Season {
    /// What groups are put together by.
    pub by: By,
    /// Loads by day, then name.
    pub loads: Vec<SeasonLoad>,
    /// Groups by name.
    pub groups: Vec<Group>,
    /// Weeks in order.
    pub weeks: Vec<Group>,
    /// Share of rejects by mass over weeks since the first load, one point a load.
    pub trend: Option<Line>,
    /// Why there is no trend.
    pub no_trend: Option<String>,
    /// Loads apart from the others of their variety.
    pub outlying: Vec<Outlying>,
    /// Which varieties were tested.
    pub tests: Vec<OutlierTest>,
    /// What to beware of, in words.
    pub cautions: Vec<String>,
}

/// Reads all loads of a ledger and puts them side by side.
///
/// # Errors
/// [`LedgerError`] when the ledger cannot be read.
pub fn of_ledger(ledger: &Ledger, settings: &SeasonSettings) -> Result<Season, LedgerError> {
    let mut loads = Vec::new();
    for summary in ledger.loads()? {
        let record = ledger.load(&summary.load)?;
        let dossier = dossier::of_load(ledger, &summary.load)?;
        let sorter = sorter(ledger, &summary.load)?;
        loads.push(season_load(&record, &dossier, sorter));
    }
    Ok(season(loads, settings))
}

fn sorter(ledger: &Ledger, load: &str) -> Result<Option<Sorter>, LedgerError> {
    let lots = dossier::streams_of(ledger, load)?;
    if lots.len() < 2 {
        return Ok(None);
    }
    let Ok(found) = streams::balance(&lots, &StreamSettings::default()) else { return Ok(None) };
    let Some(split) = found.split else { return Ok(None) };
    let removed = |name: &str| split.performance.iter().find(|p| p.name == name).map(|p| p.removed);
    let (Some(rejects), Some(sound)) = (removed("rejects"), removed("sound")) else {
        return Ok(None);
    };
    Ok(Some(Sorter {
        yield_by_mass: split.yield_by_mass,
        rejects_removed: rejects,
        sound_lost: sound,
        belong_together: found.belong_together,
    }))
}

/// The lot that stands for the load: the delivered one, or the only one.
fn delivered(dossier: &Dossier) -> Option<&LotDossier> {
    match &dossier.lots[..] {
        [only] => Some(only),
        lots => lots.iter().find(|l| l.lot == DELIVERED),
    }
}

fn season_load(record: &LoadRecord, dossier: &Dossier, sorter: Option<Sorter>) -> SeasonLoad {
    let d = &record.delivery;
    let at = [&d.received, &d.sampled, &d.picked].into_iter().flatten().next();
    let day = at.unwrap_or(&record.opened.at).get(..10).unwrap_or_default().to_owned();
    let lot = delivered(dossier);
    let figures = lot.and_then(|l| l.figures.as_ref());
    let plain = |s: &Share| Estimate { estimate: s.estimate, interval: s.interval };
    let (mut by_mass, mut by_count) = (Vec::new(), Vec::new());
    if let (Some(lot), Some(figures)) = (lot, figures) {
        for (place, name) in NAMES.into_iter().enumerate() {
            let group = figures.row(place);
            let settled = lot.settled.iter().find(|s| s.name == name);
            by_mass.push(match settled {
                Some(s) => Estimate { estimate: s.estimate, interval: s.interval },
                None => plain(&group.by_mass),
            });
            by_count.push(plain(&group.by_count));
        }
    }
    let half = |all: &[Estimate]| all.get(REJECTS).map(|e| e.interval.width() / 2.0);
    let plan =
        lot.and_then(|l| record.lots.iter().find(|r| r.lot == l.lot)).and_then(|r| r.plan.as_ref());
    SeasonLoad {
        load: record.load.clone(),
        grower: record.grower.clone(),
        block: record.block.clone(),
        variety: record.variety.clone(),
        week: iso_week(&day).unwrap_or_else(|| UNKNOWN.to_owned()),
        day,
        closed: record.closed.is_some(),
        outcome: dossier.outcome(),
        net_kg: d.net_kg.map(|kg| kg.to_f64()),
        bins: record.bins,
        lot: lot.map(|l| l.lot.clone()),
        trays: lot.map_or(0, |l| l.taken.len()),
        planned: lot.and_then(|l| l.planned.as_ref()).map(Vec::len),
        missing: lot.map_or(0, |l| l.missing.len()),
        retaken: lot.map_or(0, |l| l.retaken.len()),
        refused: record.refused.len(),
        objects: figures.map_or(0, |f| f.objects),
        mass_g: figures.map(|f| f.mass_g),
        half_width_by_count: half(&by_count),
        half_width_by_mass: half(&by_mass),
        by_mass,
        by_count,
        whole_load: figures.is_some_and(|f| f.rejects.by_mass.scope == Scope::Load),
        half_width_wanted: plan.map(|(p, _)| p.half_width.to_f64()),
        sorter,
        no_figures: match (figures, lot) {
            (Some(_), _) => None,
            (None, Some(lot)) => lot.no_figures.clone(),
            (None, None) => Some("no tray of the delivered fruit is in".to_owned()),
        },
    }
}

/// Puts loads side by side.
pub fn season(mut loads: Vec<SeasonLoad>, settings: &SeasonSettings) -> Season {
    loads.sort_by(|a, b| (&a.day, &a.load).cmp(&(&b.day, &b.load)));
    let groups = grouped(&loads, settings.by, settings.level);
    let weeks = grouped(&loads, By::Week, settings.level);
    let points = trend_points(&loads);
    let (trend, no_trend) = match line(&points, settings.level) {
        Ok(found) => (Some(found), None),
        Err(_) => {
            (None, Some("a trend needs three loads with figures, on more than one day".to_owned()))
        }
    };
    let (outlying, tests) = outlying(&loads, settings);
    let mut cautions = Vec::new();
    for l in loads.iter().filter(|l| l.by_mass.is_empty()) {
        let why = l.no_figures.as_deref().unwrap_or("no figures");
        cautions.push(format!("{}: left out of all shares: {why}", l.load));
    }
    let few = loads.iter().filter(|l| !l.by_mass.is_empty() && !l.whole_load).count();
    if few > 0 {
        cautions.push(format!(
            "the intervals of {few} loads speak of their trays alone (fewer than three bins): \
             groups that hold them are known less well than their intervals say"
        ));
    }
    let open = loads.iter().filter(|l| !l.closed).count();
    if open > 0 {
        cautions.push(format!("{open} loads are still open: their figures may change"));
    }
    cautions.push(
        "loads that came are all that is spoken of: a group's interval is the doubt in sampling its \
         loads, not what its next load will be"
            .to_owned(),
    );
    Season { by: settings.by, groups, weeks, trend, no_trend, outlying, tests, cautions, loads }
}

/// Name of the group that a load belongs to.
fn group_of(load: &SeasonLoad, by: By) -> String {
    match by {
        By::Grower => load.grower.clone(),
        By::Block => {
            format!("{}, {}", load.grower, load.block.as_deref().unwrap_or(UNKNOWN))
        }
        By::Variety => load.variety.clone().unwrap_or_else(|| UNKNOWN.to_owned()),
        By::Week => load.week.clone(),
    }
}

fn grouped(loads: &[SeasonLoad], by: By, level: Level) -> Vec<Group> {
    let mut groups: BTreeMap<String, Vec<&SeasonLoad>> = BTreeMap::new();
    for load in loads.iter().filter(|l| !l.by_mass.is_empty()) {
        groups.entry(group_of(load, by)).or_default().push(load);
    }
    groups.into_iter().map(|(name, own)| group(name, &own, level)).collect()
}

fn group(name: String, own: &[&SeasonLoad], level: Level) -> Group {
    let net: Option<Vec<f64>> = own.iter().map(|l| l.net_kg.filter(|kg| *kg > 0.0)).collect();
    let net_kg = net.as_ref().map(|all| all.iter().sum::<f64>());
    let weight = |i: usize| match (&net, net_kg) {
        (Some(all), Some(sum)) => all[i] / sum,
        _ => 1.0 / own.len() as f64,
    };
    let by_mass = (0..NAMES.len())
        .map(|k| {
            let parts: Vec<(f64, f64, Interval)> = own
                .iter()
                .enumerate()
                .map(|(i, l)| (weight(i), l.by_mass[k].estimate, l.by_mass[k].interval))
                .collect();
            let (estimate, interval) = weighted_sum(&parts, level);
            let interval = Interval {
                low: interval.low.clamp(0.0, 1.0),
                high: interval.high.clamp(0.0, 1.0),
                level,
            };
            Estimate { estimate, interval }
        })
        .collect();
    let rejects = || own.iter().map(|l| l.by_mass[REJECTS].estimate);
    Group {
        name,
        loads: own.len(),
        trays: own.iter().map(|l| l.trays).sum(),
        objects: own.iter().map(|l| l.objects).sum(),
        net_kg,
        by_mass,
        rejects_range: [rejects().fold(1.0, f64::min), rejects().fold(0.0, f64::max)],
        few_bins: own.iter().filter(|l| !l.whole_load).count(),
    }
}

/// Weeks since the first load, and share of rejects by mass.
pub fn trend_points(loads: &[SeasonLoad]) -> Vec<(f64, f64)> {
    let own = loads.iter().filter(|l| !l.by_mass.is_empty());
    let days: Vec<(i64, f64)> =
        own.filter_map(|l| Some((days_of(&l.day)?, l.by_mass[REJECTS].estimate))).collect();
    let first = days.iter().map(|d| d.0).min().unwrap_or(0);
    days.into_iter().map(|(day, share)| ((day - first) as f64 / 7.0, share)).collect()
}

fn outlying(loads: &[SeasonLoad], settings: &SeasonSettings) -> (Vec<Outlying>, Vec<OutlierTest>) {
    let mut varieties: BTreeMap<String, Vec<&SeasonLoad>> = BTreeMap::new();
    for load in loads.iter().filter(|l| !l.by_mass.is_empty()) {
        varieties.entry(group_of(load, By::Variety)).or_default().push(load);
    }
    let (mut found, mut tests) = (Vec::new(), Vec::new());
    for (variety, own) in varieties {
        let logits: Vec<f64> = own.iter().map(|l| logit(l)).collect();
        let (steps, count) = outliers(&logits, (own.len() / 10).max(1), settings.alpha);
        found.extend(steps.iter().take(count).map(|s| Outlying {
            load: own[s.index].load.clone(),
            variety: variety.clone(),
            rejects: own[s.index].by_mass[REJECTS].estimate,
            distance: s.distance,
            critical: s.critical,
        }));
        let tested = own.len() >= FEWEST_FOR_OUTLIERS;
        tests.push(OutlierTest { variety, loads: own.len(), tested });
    }
    (found, tests)
}

/// The rejects' share on the scale on which shares of like loads are about normal; kept half an object
/// away from none and all.
fn logit(load: &SeasonLoad) -> f64 {
    let edge = 0.5 / (load.objects.max(1) as f64);
    let p = load.by_mass[REJECTS].estimate.clamp(edge, 1.0 - edge);
    (p / (1.0 - p)).ln()
}

/// Days since 1970 of a day, `2026-09-18`. By Howard Hinnant's days_from_civil
/// (<https://howardhinnant.github.io/date_algorithms.html>, public domain).
pub fn days_of(day: &str) -> Option<i64> {
    let mut parts = day.get(..10)?.split('-').map(|p| p.parse::<i64>().ok());
    let (year, month, date) = (parts.next()??, parts.next()??, parts.next()??);
    if !(1..=12).contains(&month) || !(1..=31).contains(&date) {
        return None;
    }
    let year = if month <= 2 { year - 1 } else { year };
    let era = year.div_euclid(400);
    let of_era = year - era * 400;
    let of_year = (153 * ((month + 9) % 12) + 2) / 5 + date - 1;
    Some(era * 146_097 + of_era * 365 + of_era / 4 - of_era / 100 + of_year - 719_468)
}

/// The day of a number of days since 1970, `2026-09-18`.
pub fn day_of(days: i64) -> String {
    let seconds = u64::try_from(days).unwrap_or(0) * 86_400;
    clock::written(seconds).get(..10).unwrap_or_default().to_owned()
}

/// ISO 8601 week of a day, `2026-W38`: the week belongs to the year that its Thursday is in.
pub fn iso_week(day: &str) -> Option<String> {
    let days = days_of(day)?;
    // 1970-01-01 was a Thursday; Monday is 0.
    let weekday = (days + 3).rem_euclid(7);
    let thursday = day_of(days - weekday + 3);
    let year: i64 = thursday.get(..4)?.parse().ok()?;
    let first = days_of(&format!("{year}-01-01"))?;
    Some(format!("{year}-W{:02}", (days_of(&thursday)? - first) / 7 + 1))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::testdata::close;

    /// A load with a share of rejects from 95 % Wilson-like ends; for groups only.
    pub fn load(name: &str, day: &str, rejects: f64, net_kg: Option<f64>) -> SeasonLoad {
        let of = |e: f64| Estimate {
            estimate: e,
            interval: Interval { low: e * 0.8, high: e * 1.3, level: Level::P95 },
        };
        let by_mass: Vec<Estimate> =
            [1.0 - rejects, rejects / 2.0, rejects / 4.0, rejects / 4.0, rejects].map(of).into();
        SeasonLoad {
            load: name.to_owned(),
            grower: "Hill Vineyard".to_owned(),
            block: None,
            variety: Some("Blue Portugal".to_owned()),
            day: day.to_owned(),
            week: iso_week(day).unwrap(),
            closed: true,
            outcome: None,
            net_kg,
            bins: None,
            lot: Some("UNSORTED".to_owned()),
            trays: 3,
            planned: Some(4),
            missing: 1,
            retaken: 0,
            refused: 0,
            objects: 500,
            mass_g: Some(450.0),
            by_count: by_mass.clone(),
            half_width_wanted: None,
            half_width_by_count: None,
            half_width_by_mass: None,
            by_mass,
            whole_load: true,
            sorter: None,
            no_figures: None,
        }
    }

    /// Weeks by Python's datetime.date.isocalendar.
    #[test]
    fn iso_weeks() {
        for (day, week) in [
            ("2026-09-18", "2026-W38"),
            ("2026-01-01", "2026-W01"),
            ("2027-01-01", "2026-W53"),
            ("2027-01-03", "2026-W53"),
            ("2027-01-04", "2027-W01"),
            ("2024-12-30", "2025-W01"),
            ("2024-02-29", "2024-W09"),
        ] {
            assert_eq!(iso_week(day).as_deref(), Some(week), "{day}");
            assert_eq!(day_of(days_of(day).unwrap()), day);
        }
        assert_eq!(iso_week("noon"), None);
        assert_eq!(days_of("1970-01-01"), Some(0));
    }

    #[test]
    fn loads_weigh_by_their_net_mass_where_all_have_one() {
        let heavy = |kg: Option<f64>| {
            season(
                vec![
                    load("A", "2026-09-14", 0.04, Some(9000.0)),
                    load("B", "2026-09-15", 0.08, kg),
                ],
                &SeasonSettings::default(),
            )
        };
        let found = heavy(Some(1000.0));
        close(found.groups[0].by_mass[REJECTS].estimate, 0.9 * 0.04 + 0.1 * 0.08, 1e-12, "mean");
        let below = f64::hypot(0.9 * 0.04 * 0.2, 0.1 * 0.08 * 0.2);
        close(found.groups[0].by_mass[REJECTS].interval.low, 0.044 - below, 1e-12, "low");
        assert_eq!(found.groups[0].net_kg, Some(10_000.0));
        let found = heavy(None);
        close(found.groups[0].by_mass[REJECTS].estimate, 0.06, 1e-12, "each alike");
        assert_eq!((found.groups[0].net_kg, found.groups[0].rejects_range), (None, [0.04, 0.08]));
        assert!(found.trend.is_none() && found.no_trend.is_some());
    }

    #[test]
    fn a_trend_and_a_load_apart_are_found() {
        let mut loads: Vec<SeasonLoad> = (0..20)
            .map(|i| {
                let day = day_of(20_700 + i);
                load(&format!("L{i:02}"), &day, 0.04 + 0.0007 * i as f64, Some(1000.0))
            })
            .collect();
        let found = season(loads.clone(), &SeasonSettings::default());
        let trend = found.trend.unwrap();
        close(trend.slope, 0.0049, 1e-12, "a week");
        assert!(trend.p < 1e-6 && found.outlying.is_empty());
        assert_eq!(found.weeks.iter().map(|w| w.loads).sum::<usize>(), 20);
        loads[7].by_mass[REJECTS].estimate = 0.4;
        let found = season(loads.clone(), &SeasonSettings::default());
        assert_eq!(found.outlying.len(), 1);
        assert_eq!(found.outlying[0].load, "L07");
        assert!(found.tests[0].tested);
        loads.truncate(14);
        let found = season(loads, &SeasonSettings::default());
        assert!(!found.tests[0].tested && found.outlying.is_empty());
    }

    proptest::proptest! {
        /// In any order, and with net masses in any unit, loads give the same groups and the same trend; a
        /// group's share lies between its loads' and in its interval; a constant season has no trend.
        #[test]
        fn a_season_knows_no_order_and_no_unit(
            rows in proptest::collection::vec((0i64..120, 0.01f64..0.3, 100.0f64..9000.0), 3..25),
            unit in 0.01f64..100.0,
        ) {
            let loads = |unit: f64, flat: bool| -> Vec<SeasonLoad> {
                rows.iter()
                    .enumerate()
                    .map(|(i, (day, share, kg))| {
                        let share = if flat { 0.05 } else { *share };
                        load(&format!("L{i:02}"), &day_of(20_700 + day), share, Some(unit * kg))
                    })
                    .collect()
            };
            let settings = SeasonSettings::default();
            let found = season(loads(1.0, false), &settings);
            let mut back = loads(unit, false);
            back.reverse();
            let back = season(back, &settings);
            proptest::prop_assert_eq!(found.groups.len(), back.groups.len());
            let same = found.groups.iter().chain(&found.weeks).zip(back.groups.iter().chain(&back.weeks));
            for (one, other) in same {
                let (a, b) = (one.by_mass[REJECTS], other.by_mass[REJECTS]);
                proptest::prop_assert!((a.estimate - b.estimate).abs() < 1e-9);
                proptest::prop_assert!((a.interval.low - b.interval.low).abs() < 1e-9);
                proptest::prop_assert!(a.interval.contains(a.estimate));
                let [least, most] = one.rejects_range;
                proptest::prop_assert!(least - 1e-12 <= a.estimate && a.estimate <= most + 1e-12);
            }
            let slope = |s: &Season| s.trend.map(|t| t.slope);
            match (slope(&found), slope(&back)) {
                (Some(a), Some(b)) => proptest::prop_assert!((a - b).abs() < 1e-9),
                (a, b) => proptest::prop_assert_eq!(a, b),
            }
            if let Some(trend) = season(loads(1.0, true), &settings).trend {
                proptest::prop_assert!(trend.slope.abs() < 1e-12);
            }
        }
    }
}
