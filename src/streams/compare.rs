//! Any two lots: differences of their shares, with intervals and tests, and a sentence a class.

use serde::Serialize;

use super::Stream;
use crate::load::{Basis, LoadError, Lot, LotSettings, Scope, Share, assess_lot};
use crate::stats::{Interval, Level, fisher_exact, newcombe_difference, normal_cdf};

/// How a difference was worked out.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum DifferenceMethod {
    /// By count, one tray each: Newcombe's hybrid score interval; Fisher's exact test.
    Newcombe,
    /// Otherwise: the same way of joining two intervals, from each lot's own; p from the
    /// same interval.
    Joined,
}

/// The difference of one share.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Difference {
    /// The class, or `rejects`.
    pub name: &'static str,
    /// Share in the first lot.
    pub first: Share,
    /// Share in the second lot.
    pub second: Share,
    /// Second less first.
    pub difference: f64,
    /// Its interval, for this class alone.
    pub interval: Interval,
    /// Two-sided p value of no difference.
    pub p: f64,
    /// The same after Holm's correction over the four classes; rejects are not among them.
    pub p_adjusted: f64,
    /// How.
    pub method: DifferenceMethod,
    /// In words.
    pub sentence: String,
}

/// Two lots held against each other.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Comparison {
    /// The first lot.
    pub first: String,
    /// The second lot.
    pub second: String,
    /// What shares are shares of.
    pub basis: Basis,
    /// The four classes, then rejects.
    pub differences: Vec<Difference>,
    /// What to beware of.
    pub cautions: Vec<String>,
}

/// Holm's step-down adjustment (1979, Scand J Statist 6:65-70): sorted p values times what is left
/// to test, never falling, never above 1; in the order given.
pub fn holm(p: &[f64]) -> Vec<f64> {
    let mut order: Vec<usize> = (0..p.len()).collect();
    order.sort_by(|&a, &b| p[a].total_cmp(&p[b]));
    let mut adjusted = vec![0.0; p.len()];
    let mut most: f64 = 0.0;
    for (rank, &i) in order.iter().enumerate() {
        most = most.max(((p.len() - rank) as f64 * p[i]).min(1.0));
        adjusted[i] = most;
    }
    adjusted
}

/// Newcombe's way of joining two intervals (square-and-add; Newcombe 1998, Stat Med 17:873-890, and
/// for any two intervals Zou and Donner 2008, Stat Med 27:1693-1702) into that of second − first.
pub fn square_and_add(first: (f64, &Interval), second: (f64, &Interval)) -> Interval {
    let (a, ia, b, ib) = (first.0, first.1, second.0, second.1);
    let difference = b - a;
    Interval {
        low: difference - (b - ib.low).hypot(ia.high - a),
        high: difference + (ib.high - b).hypot(a - ia.low),
        level: ia.level,
    }
}

/// Holds two lots against each other. Clusters (trays, or bins) carry each lot's interval where it
/// has several; a single tray by count uses Newcombe's interval and Fisher's exact test.
///
/// # Errors
/// [`LoadError`] when a lot has no figures.
pub fn compare(
    first: &Lot,
    second: &Lot,
    basis: Basis,
    level: Level,
) -> Result<Comparison, LoadError> {
    let settings = LotSettings { level, ..LotSettings::default() };
    let (a, b) = (assess_lot(first, &settings)?, assess_lot(second, &settings)?);
    let mut differences = Vec::new();
    for (g, (name, _)) in super::GROUPS.iter().enumerate() {
        let [s1, s2] = [&a, &b].map(|figures| *figures.row(g).share(basis));
        let single = s1.scope == Scope::OneTray && s2.scope == Scope::OneTray;
        let (interval, p, method) = if basis == Basis::Count && single {
            by_count(&first.name, (s1.objects, a.objects), (s2.objects, b.objects), level)?
        } else {
            let interval = square_and_add((s1.estimate, &s1.interval), (s2.estimate, &s2.interval));
            let p = p_value(s2.estimate - s1.estimate, &interval);
            (interval, p, DifferenceMethod::Joined)
        };
        differences.push(Difference {
            name,
            first: s1,
            second: s2,
            difference: s2.estimate - s1.estimate,
            interval,
            p,
            p_adjusted: p,
            method,
            sentence: String::new(),
        });
    }
    let adjusted = holm(&differences[..4].iter().map(|d| d.p).collect::<Vec<_>>());
    for (d, p) in differences.iter_mut().zip(adjusted) {
        d.p_adjusted = p;
    }
    let names = spoken(first, second);
    for d in &mut differences {
        d.sentence = sentence(d, &names[0], &names[1]);
    }
    let mut cautions = Vec::new();
    for (lot, figures) in [(first, &a), (second, &b)] {
        match figures.rejects.by_mass.scope {
            Scope::Load => {}
            Scope::OneTray => cautions.push(format!(
                "{}: one tray only; how much trays of the lot differ is not in the interval.",
                lot.name
            )),
            Scope::TheseTraysOnly => cautions.push(format!(
                "{}: fewer than three bins; the interval speaks of these trays alone.",
                lot.name
            )),
        }
    }
    Ok(Comparison {
        first: first.name.clone(),
        second: second.name.clone(),
        basis,
        differences,
        cautions,
    })
}

fn by_count(
    lot: &str,
    first: (usize, usize),
    second: (usize, usize),
    level: Level,
) -> Result<(Interval, f64, DifferenceMethod), LoadError> {
    let fault = |source| LoadError::Stats { lot: lot.to_owned(), source };
    let pair = |(x, n): (usize, usize)| (x as u64, n as u64);
    let (a, b) = (pair(first), pair(second));
    let interval = newcombe_difference(b, a, level).map_err(fault)?;
    let p = fisher_exact([[a.0, a.1 - a.0], [b.0, b.1 - b.0]]).map_err(fault)?.two_sided;
    Ok((interval, p, DifferenceMethod::Newcombe))
}

/// Two-sided p value that goes with an interval: the interval's reach towards no difference is taken
/// as its quantile's multiple, so p lies below 1 − level exactly where the interval leaves 0 out.
fn p_value(difference: f64, interval: &Interval) -> f64 {
    let reach =
        if difference > 0.0 { difference - interval.low } else { interval.high - difference };
    if difference == 0.0 || reach <= 0.0 {
        return 1.0;
    }
    2.0 * normal_cdf(-interval.level.z() * difference.abs() / reach)
}

/// How two lots are called in a sentence: "the sorted lot" where their names mean two streams,
/// else their names, and "the first lot" and "the second lot" where these are the same.
fn spoken(first: &Lot, second: &Lot) -> [String; 2] {
    let stream = |lot: &Lot| {
        let mut named = lot.trays.iter().map(|t| t.lot.as_deref().and_then(Stream::named));
        let stream = named.next()??;
        named.all(|s| s == Some(stream)).then(|| format!("the {} lot", stream.name()))
    };
    match (stream(first), stream(second)) {
        (Some(a), Some(b)) if a != b => [a, b],
        _ if first.name != second.name => [first.name.clone(), second.name.clone()],
        _ => ["the first lot".to_owned(), "the second lot".to_owned()],
    }
}

fn sentence(d: &Difference, first: &str, second: &str) -> String {
    let what = match d.name {
        "sound" => "sound fruit",
        "shriveled" => "shriveled berries",
        "underripe" => "underripe berries",
        name => name,
    };
    let points = |v: f64| format!("{:.1}", 100.0 * v);
    let percent = 100.0 * d.interval.level.share();
    if d.interval.contains(0.0) {
        return format!(
            "{second} and {first} cannot be told apart in {what}: {} points, {percent:.0} % interval {} \
             to {}",
            points(d.difference),
            points(d.interval.low),
            points(d.interval.high)
        );
    }
    let (word, low, high) = if d.difference < 0.0 {
        ("fewer", -d.interval.high, -d.interval.low)
    } else {
        ("more", d.interval.low, d.interval.high)
    };
    let word = if word == "fewer" && !what.ends_with("berries") && what != "rejects" {
        "less"
    } else {
        word
    };
    let open = if d.p_adjusted > d.interval.level.alpha() {
        "; of four classes looked at, one may differ so by chance"
    } else {
        ""
    };
    format!(
        "{second} has {} points {word} {what}, {percent:.0} % interval {} to {}{open}",
        points(d.difference.abs()),
        points(low),
        points(high)
    )
}

#[cfg(test)]
mod tests {
    use super::super::tests::lot;
    use super::*;
    use crate::stats::testdata::close;

    /// R's p.adjust(c(0.01, 0.04, 0.03, 0.005), "holm") gives 0.03 0.06 0.06 0.02 (statsmodels
    /// 0.15.0 multipletests the same).
    #[test]
    fn holm_as_r_does_it() {
        let found = holm(&[0.01, 0.04, 0.03, 0.005]);
        for (f, w) in found.iter().zip([0.03, 0.06, 0.06, 0.02]) {
            close(*f, w, 1e-15, "holm");
        }
        assert_eq!(holm(&[0.6, 0.7]), vec![1.0, 1.0]);
    }

    /// Newcombe 1998, Table II, 56/70 − 48/80: 0.0524 to 0.3339 (method 10), through whole lots; the
    /// joined way from two Wilson intervals is the same thing.
    #[test]
    fn single_trays_by_count_are_newcombes() {
        let first = lot("a", &[[32, 48, 0, 0]]);
        let second = lot("b", &[[14, 56, 0, 0]]);
        let found = compare(&first, &second, Basis::Count, Level::P95).unwrap();
        let d = &found.differences[1];
        assert_eq!(d.method, DifferenceMethod::Newcombe);
        close(d.interval.low, 0.0524, 5e-5, "low");
        close(d.interval.high, 0.3339, 5e-5, "high");
        let joined = square_and_add(
            (d.first.estimate, &d.first.interval),
            (d.second.estimate, &d.second.interval),
        );
        close(joined.low, d.interval.low, 1e-12, "joined low");
        close(joined.high, d.interval.high, 1e-12, "joined high");
    }

    /// Fisher's tea tasting, 3 1 / 1 3: 34/70 two-sided (Fisher 1935).
    #[test]
    fn single_trays_are_tested_by_fisher() {
        let found = compare(
            &lot("a", &[[1, 3, 0, 0]]),
            &lot("b", &[[3, 1, 0, 0]]),
            Basis::Count,
            Level::P95,
        )
        .unwrap();
        close(found.differences[1].p, 34.0 / 70.0, 1e-12, "p");
        // Nothing of underripe and debris: p = 1; Holm over four.
        close(found.differences[1].p_adjusted, 1.0, 1e-12, "Holm");
    }

    #[test]
    fn lots_are_called_by_their_streams_where_they_can_be() {
        let mut lots = [lot("HV-1 UNSORTED", &[[9, 1, 1, 1]]), lot("HV-1 SORTED", &[[9, 1, 1, 1]])];
        assert_eq!(spoken(&lots[0], &lots[1]), ["HV-1 UNSORTED", "HV-1 SORTED"]);
        for (lot, name) in lots.iter_mut().zip(["UNSORTED", "SORTED"]) {
            lot.trays[0].lot = Some(name.into());
        }
        assert_eq!(spoken(&lots[0], &lots[1]), ["the unsorted lot", "the sorted lot"]);
        assert_eq!(spoken(&lots[0], &lots[0]), ["the first lot", "the second lot"]);
    }

    #[test]
    fn a_plain_sentence() {
        let unsorted =
            lot("the unsorted lot", &[[150, 12, 8, 6], [148, 14, 9, 5], [152, 11, 7, 7]]);
        let sorted = lot("the sorted lot", &[[165, 5, 3, 2], [168, 4, 4, 2], [166, 5, 3, 2]]);
        let found = compare(&unsorted, &sorted, Basis::Count, Level::P95).unwrap();
        let words = &found.differences[1].sentence;
        assert!(
            words.starts_with(
                "the sorted lot has 4.3 points fewer shriveled berries, 95 % interval "
            ),
            "{words}"
        );
        assert!(found.differences[1].p_adjusted < 0.05);
        let same = compare(&unsorted, &unsorted, Basis::Mass, Level::P95).unwrap();
        assert!(same.differences.iter().all(|d| d.sentence.contains("cannot be told apart")));
    }

    proptest::proptest! {
        /// Holm's values keep the order, are never below the plain ones nor above Bonferroni's, and know no
        /// order of the tests.
        #[test]
        fn holm_lies_between_plain_and_bonferroni(p in proptest::collection::vec(0.0f64..=1.0, 1..8)) {
            let found = holm(&p);
            let n = p.len() as f64;
            for (i, a) in found.iter().enumerate() {
                proptest::prop_assert!(*a >= p[i] && *a <= (n * p[i]).min(1.0) + 1e-12);
                for (j, b) in found.iter().enumerate() {
                    proptest::prop_assert!(p[i] > p[j] || a <= b, "{i} {j}");
                }
            }
            let mut back = p.clone();
            back.reverse();
            let mut other = holm(&back);
            other.reverse();
            proptest::prop_assert_eq!(other, found);
        }

        /// Changing places mirrors; shares of 1 − x mirror; the difference lies inside; p goes with the
        /// interval.
        #[test]
        fn joined_differences_are_mirrored(
            (a, b) in (0.0f64..=1.0, 0.0f64..=1.0), w in proptest::array::uniform4(0.001f64..0.2),
        ) {
            let around = |e: f64, down: f64, up: f64| {
                Interval { low: e - down, high: e + up, level: Level::P95 }
            };
            let (ia, ib) = (around(a, w[0], w[1]), around(b, w[2], w[3]));
            let found = square_and_add((a, &ia), (b, &ib));
            proptest::prop_assert!(found.contains(b - a));
            let back = square_and_add((b, &ib), (a, &ia));
            close(back.low, -found.high, 1e-12, "changed places, low");
            close(back.high, -found.low, 1e-12, "changed places, high");
            let other = square_and_add((1.0 - a, &ia.complement()), (1.0 - b, &ib.complement()));
            close(other.low, -found.high, 1e-12, "other class, low");
            let p = p_value(b - a, &found);
            proptest::prop_assert!((0.0..=1.0).contains(&p));
            if (p - 0.05).abs() > 1e-9 {
                proptest::prop_assert_eq!(p < 0.05, !found.contains(0.0));
            }
            close(p_value(a - b, &back), p, 1e-9, "p of changed places");
        }
    }
}
