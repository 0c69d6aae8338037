//! A load's streams, a comparison and a what-if as tables to read; the streams as a page.

use std::fmt::Write as _;

use super::html::page_head;
use super::text::{DISCLAIMER, percent, plural};
use super::{Error, escape};
use crate::load::Basis;
use crate::sorter::{NeighbourLimit, WhatIf, short};
use crate::streams::{Comparison, Consistency, Estimate, Streams};

/// `7.7 % (5.9 to 9.9)`; near none and near all with one more decimal.
pub(super) fn share(e: &Estimate) -> String {
    let like = e.estimate.min(1.0 - e.estimate).max(0.0);
    let p = |v: f64| percent(v, like.max(0.001));
    format!("{} % ({} to {})", p(e.estimate), p(e.interval.low), p(e.interval.high))
}

fn amount(e: &Estimate, unit: &str) -> String {
    format!("{:.0}{unit} ({:.0} to {:.0})", e.estimate, e.interval.low, e.interval.high)
}

/// The streams as a table to read.
pub fn streams(found: &Streams) -> String {
    let mut out = String::new();
    // Writing to a String cannot fail.
    let _ = write_streams(&mut out, found);
    out
}

fn write_streams(out: &mut String, found: &Streams) -> std::fmt::Result {
    for alarm in &found.alarms {
        writeln!(out, "ALARM: {alarm}")?;
    }
    if !found.alarms.is_empty() {
        writeln!(out, "The figures of the split must not be used.\n")?;
    }
    for s in &found.streams {
        match &s.lot {
            Some(lot) => writeln!(
                out,
                "{}: {lot}, {}, {}",
                s.stream.name().to_uppercase(),
                plural(s.trays, "tray"),
                plural(s.objects, "object")
            )?,
            None => writeln!(
                out,
                "{}: no tray; follows from the others",
                s.stream.name().to_uppercase()
            )?,
        }
        let kg = if s.kg.is_some() { "in the load" } else { "" };
        let head = format!(
            "  {:<11}{:<13}{:<25}{kg}",
            "by mass", "as measured", "balanced (95 % interval)"
        );
        writeln!(out, "{}", head.trim_end())?;
        for row in &s.shares {
            let raw = row.raw.map_or("-".to_owned(), |r| format!("{} %", percent(r, r)));
            let fitted = row.reconciled.as_ref().map_or("-".to_owned(), share);
            let kg = row.kg.as_ref().map_or(String::new(), |k| amount(k, " kg"));
            writeln!(out, "{}", format!("  {:<11}{raw:<13}{fitted:<25}{kg}", row.name).trim_end())?;
        }
        if let Some(d) = &s.berry_diameter {
            writeln!(out, "  berry diameter {:.1} mm on average", d.mean_mm)?;
        }
    }
    writeln!(out)?;
    match (&found.split, &found.no_split) {
        (Some(split), _) => {
            writeln!(
                out,
                "SPLIT: {} of the mass goes on (yield by mass)",
                share(&split.yield_by_mass)
            )?;
            if let Some((y, sd)) = split.weighed_yield {
                writeln!(
                    out,
                    "  weighed: {:.2} % (standard deviation {:.2})",
                    100.0 * y,
                    100.0 * sd
                )?;
            }
            if let Some(kg) = split.juice_kg {
                writeln!(out, "  juice: {kg:.0} kg")?;
            }
            writeln!(out, "  of the feed's mass of each class:")?;
            writeln!(out, "  {:<11}{:<26}went on", "", "to the waste")?;
            for p in &split.performance {
                let kg = p.removed_kg.as_ref().map_or(String::new(), |k| amount(k, " kg out"));
                let money = p
                    .removed_value
                    .as_ref()
                    .map_or(String::new(), |k| format!(", worth {}", amount(k, "")));
                let line = format!(
                    "  {:<11}{:<26}{:<26}{kg}{money}",
                    p.name,
                    share(&p.removed),
                    share(&p.kept)
                );
                writeln!(out, "{}", line.trim_end())?;
            }
            writeln!(
                out,
                "  sound fruit lost: {} of the feed's sound fruit (not the sound share of the waste)",
                share(&split.performance[0].removed)
            )?;
            if let Some(c) = &split.consistency {
                writeln!(out, "  do the lots fit together? {}", fit_words(found, c))?;
            }
        }
        (None, Some(why)) => writeln!(out, "No split: {why}")?,
        (None, None) => {}
    }
    for a in &found.assumptions {
        writeln!(out, "  {a}")?;
    }
    for c in &found.cautions {
        writeln!(out, "  caution: {c}")?;
    }
    writeln!(out, "{DISCLAIMER}")
}

/// The streams as one page that carries its plots inside.
///
/// # Errors
/// None beyond a formatter's.
pub fn page(found: &Streams, plots: &[(&'static str, String)]) -> Result<Vec<u8>, Error> {
    let mut out = String::new();
    write!(
        out,
        "{}<header class=\"top\"><h1>Before and after the sorter</h1>\n<div class=\"notice\"><p>{DISCLAIMER}</p></div>\
         </header>\n<main>\n",
        page_head("Streams")
    )?;
    if !found.alarms.is_empty() {
        out.push_str(
            "<div class=\"caution\"><b>The figures of the split must not be used.</b><ul>",
        );
        for alarm in &found.alarms {
            write!(out, "<li>{}</li>", escape(alarm))?;
        }
        out.push_str("</ul></div>\n");
    }
    write_split_section(&mut out, found)?;
    for (name, svg) in plots {
        let title = match *name {
            "composition" => "What each stream is made of, by mass",
            "flow" => "Where the mass goes",
            _ => "Diameters of the berries",
        };
        writeln!(out, "<section class=\"lot\"><h2>{title}</h2>\n{svg}\n</section>")?;
    }
    write_streams_section(&mut out, found)?;
    out.push_str("<section class=\"lot\"><h2>To know</h2><ul class=\"notes\">");
    for words in found.cautions.iter().chain(&found.assumptions) {
        write!(out, "<li>{}</li>", escape(words))?;
    }
    write!(
        out,
        "</ul></section>\n</main>\n<footer><p>Made with Acinus {}.</p></footer>\n</body>\n</html>\n",
        env!("CARGO_PKG_VERSION")
    )?;
    Ok(out.into_bytes())
}

/// The headline and what the sorter did with each class, or why there is no split.
fn write_split_section(out: &mut String, found: &Streams) -> std::fmt::Result {
    let Some(split) = &found.split else {
        let why = found.no_split.as_deref().unwrap_or_default();
        return writeln!(
            out,
            "<section class=\"lot\"><h2>No split</h2><p>{}</p></section>",
            escape(why)
        );
    };
    let sound = &split.performance[0];
    let rejects = &split.performance[4];
    out.push_str("<section class=\"lot\"><h2>What the sorter did</h2>\n<div class=\"headline\">");
    for (e, words) in [
        (&split.yield_by_mass, "of the mass went on"),
        (&rejects.removed, "of the rejects removed"),
        (&sound.removed, "of the feed\u{2019}s sound fruit lost"),
    ] {
        let like = e.estimate.min(1.0 - e.estimate).max(0.001);
        let p = |v: f64| percent(v, like);
        write!(
            out,
            "<div><b>{} %</b>{words}<br><span class=\"soft\">95 % interval {} to {} %</span></div>",
            p(e.estimate),
            p(e.interval.low),
            p(e.interval.high)
        )?;
    }
    let kg = split.performance.iter().any(|p| p.removed_kg.is_some());
    let money = split.performance.iter().any(|p| p.removed_value.is_some());
    write!(
        out,
        "</div>\n<div class=\"scroll\"><table><thead><tr><th>of the feed\u{2019}s mass of each class</th>\
         <th>to the waste</th><th>went on</th>{}{}</tr></thead><tbody>",
        if kg { "<th>to the waste, kg</th>" } else { "" },
        if money { "<th>worth</th>" } else { "" }
    )?;
    for p in &split.performance {
        let sum = if p.name == "rejects" { " class=\"sum\"" } else { "" };
        write!(out, "<tr{sum}><th>{}</th>", p.name)?;
        cell(out, share(&p.removed))?;
        cell(out, share(&p.kept))?;
        for e in [&p.removed_kg, &p.removed_value].into_iter().flatten() {
            cell(out, amount(e, ""))?;
        }
        out.push_str("</tr>");
    }
    out.push_str("</tbody></table></div>\n<p class=\"soft\">Sound fruit lost is a share of the feed\u{2019}s \
                  sound fruit, not the sound share of the waste.");
    if let Some((y, sd)) = split.weighed_yield {
        write!(
            out,
            " Weighed: {:.2} % went on (standard deviation {:.2}).",
            100.0 * y,
            100.0 * sd
        )?;
    }
    if let Some(juice) = split.juice_kg {
        write!(out, " Juice: {juice:.0} kg.")?;
    }
    if let Some(c) = &split.consistency {
        write!(out, " Do the lots fit together? {}.", escape(&fit_words(found, c)))?;
    }
    out.push_str("</p></section>\n");
    Ok(())
}

/// `7.7 % (5.9 to 9.9)` as a cell, the interval below.
fn cell(out: &mut String, words: String) -> std::fmt::Result {
    match words.split_once(" (") {
        Some((figure, interval)) => {
            write!(out, "<td>{figure}<small>{}</small></td>", interval.trim_end_matches(')'))
        }
        None => write!(out, "<td>{words}</td>"),
    }
}

/// Shares of every stream, as measured and balanced.
fn write_streams_section(out: &mut String, found: &Streams) -> std::fmt::Result {
    out.push_str("<section class=\"lot\"><h2>Shares by mass</h2>\n");
    for s in &found.streams {
        let what = match &s.lot {
            Some(lot) => format!(
                "{}: {}, {}",
                escape(lot),
                plural(s.trays, "tray"),
                plural(s.objects, "object")
            ),
            None => "no tray; follows from the others".to_owned(),
        };
        let kg = if s.kg.is_some() { "<th>kg in the load</th>" } else { "" };
        write!(
            out,
            "<h3>{}</h3><p class=\"soft\">{what}{}</p>\n<div class=\"scroll\"><table><thead><tr><th></th>\
             <th>as measured</th><th>balanced (95 % interval)</th>{kg}</tr></thead><tbody>",
            s.stream.name(),
            s.berry_diameter.as_ref().map_or(String::new(), |d| format!(
                "; berry diameter {:.1} mm on average",
                d.mean_mm
            ))
        )?;
        for row in &s.shares {
            let sum = if row.name == "rejects" { " class=\"sum\"" } else { "" };
            let raw = row.raw.map_or("-".to_owned(), |r| format!("{} %", percent(r, r)));
            write!(out, "<tr{sum}><th>{}</th><td>{raw}</td>", row.name)?;
            cell(out, row.reconciled.as_ref().map_or("-".to_owned(), share))?;
            if let Some(kg) = &row.kg {
                cell(out, amount(kg, ""))?;
            }
            out.push_str("</tr>");
        }
        out.push_str("</tbody></table></div>\n");
    }
    out.push_str("</section>\n");
    Ok(())
}

/// `p = 0.818 (chi-squared 0.40, 2 degrees of freedom); least well: underripe, +0.6 sd`.
fn fit_words(found: &Streams, c: &Consistency) -> String {
    let p = p_words(c.p);
    let equal = if p.starts_with('<') { "" } else { "= " };
    let answer = if found.belong_together { "they can" } else { "no, see the alarm" };
    format!(
        "{answer}: p {equal}{p} (chi-squared {:.2}, {} degrees of freedom); least well: {}, by {:+.1} standard \
         deviations",
        c.chi_squared,
        c.degrees_of_freedom,
        c.worst_class.name(),
        c.worst_z
    )
}

fn p_words(p: f64) -> String {
    if p < 0.0001 { "<0.0001".to_owned() } else { format!("{p:.4}") }
}

/// A comparison as a table and sentences.
pub fn comparison(found: &Comparison) -> String {
    let mut out = String::new();
    let by = match found.basis {
        Basis::Count => "count",
        Basis::Area => "silhouette area",
        Basis::Mass => "mass",
    };
    let _ = writeln!(out, "{} against {}, by {by}", found.second, found.first);
    let _ = writeln!(
        out,
        "  {:<11}{:>8}{:>8}   {:<30}{:>8}  over four classes",
        "", "first", "second", "difference, points (95 %)", "p"
    );
    for d in &found.differences {
        let points = |v: f64| format!("{:+.2}", 100.0 * v);
        let difference = format!(
            "{} ({} to {})",
            points(d.difference),
            points(d.interval.low),
            points(d.interval.high)
        );
        let adjusted = match d.name {
            "rejects" => "-".to_owned(),
            _ => p_words(d.p_adjusted),
        };
        let _ = writeln!(
            out,
            "  {:<11}{:>8}{:>8}   {difference:<30}{:>8}  {adjusted}",
            d.name,
            format!("{:.2} %", 100.0 * d.first.estimate),
            format!("{:.2} %", 100.0 * d.second.estimate),
            p_words(d.p)
        );
    }
    for d in &found.differences {
        let _ = writeln!(out, "{}.", d.sentence);
    }
    for c in &found.cautions {
        let _ = writeln!(out, "caution: {c}");
    }
    let _ = writeln!(out, "{DISCLAIMER}");
    out
}

/// A what-if as a table to read.
pub fn what_if(found: &WhatIf) -> String {
    let mut out = String::new();
    let _ = write_what_if(&mut out, found);
    out
}

fn write_what_if(out: &mut String, found: &WhatIf) -> std::fmt::Result {
    let picks = &found.picks;
    let p = |v: f64| format!("{:.1} %", 100.0 * v);
    writeln!(out, "RULE: blow out {}", rule_words(found))?;
    writeln!(
        out,
        "  It picks {} of {}, {} of their mass.",
        picks.picked,
        plural(picks.objects, "object"),
        p(picks.picked_mass_share)
    )?;
    for c in &picks.classes {
        let share = c.share.map_or("-".to_owned(), p);
        writeln!(out, "  {:<11}{share:>8} of its mass picked", c.class.name())?;
    }
    writeln!(out, "  {:<11}{:>8} of their mass picked", "rejects", p(picks.rejects_removed))?;
    write_picked(out, found)?;
    writeln!(
        out,
        "IN ALL, neighbours and misses counted: {} of the rejects removed, {} of the sound fruit lost",
        p(found.rejects_removed),
        p(found.sound_lost)
    )?;
    write_trade(out, found)?;
    write_mechanics(out, found)?;
    if let Some(money) = &found.money {
        let currency = money.currency.as_deref().unwrap_or("");
        writeln!(out, "MONEY for a tonne of feed, by the contract's deductions")?;
        for (name, kg, paid, deducted) in [
            ("unsorted", 1000.0, money.unsorted, money.deduction_percent[0]),
            ("sorted", money.sorted_kg, money.sorted, money.deduction_percent[1]),
        ] {
            writeln!(
                out,
                "  {name:<9} {kg:>5.0} kg delivered, {:.2} % deducted: {:.2} {currency}",
                deducted.to_f64(),
                paid.to_f64()
            )?;
        }
        let gain = money.gain.to_f64();
        if gain > 0.0 {
            writeln!(out, "  Sorting pays where it costs less than {gain:.2} {currency} a tonne.")?;
        } else {
            writeln!(
                out,
                "  Sorting does not pay: it brings {:.2} {currency} a tonne less, its own cost not counted.",
                -gain
            )?;
        }
    }
    if let Some(why) = &found.no_money {
        writeln!(out, "No money: {why}")?;
    }
    for c in &found.cautions {
        writeln!(out, "caution: {c}")?;
    }
    writeln!(out, "{DISCLAIMER}")
}

/// What the rule blows out, in words.
fn rule_words(found: &WhatIf) -> String {
    let limits: Vec<String> = found.rule.limits().map(|(l, t)| l.words(t)).collect();
    match limits.is_empty() {
        true => "nothing".to_owned(),
        false => format!("what has {}", limits.join(", or ")),
    }
}

/// The picked objects' numbers, tray by tray.
fn write_picked(out: &mut String, found: &WhatIf) -> std::fmt::Result {
    let mut trays: Vec<(&str, Vec<String>)> = Vec::new();
    for o in &found.picks.blown_out {
        match trays.last_mut() {
            Some((name, numbers)) if *name == o.tray => numbers.push(o.object.to_string()),
            _ => trays.push((&o.tray, vec![o.object.to_string()])),
        }
    }
    for (name, numbers) in trays {
        let mut line = format!("  {name}:");
        for number in numbers {
            if line.len() + number.len() > 98 {
                writeln!(out, "{line}")?;
                line = "   ".to_owned();
            }
            line.push(' ');
            line.push_str(&number);
        }
        writeln!(out, "{line}")?;
    }
    Ok(())
}

/// Ten rows of the trade and the rule's own.
fn write_trade(out: &mut String, found: &WhatIf) -> std::fmt::Result {
    let own = found.rule.threshold(found.turned);
    let n = found.curve.len();
    writeln!(out, "TRADE as the threshold is moved: {}", found.turned.name())?;
    writeln!(
        out,
        "  {:>9}   {:<26}   in all, neighbours counted",
        found.turned.word(),
        "by the rule"
    )?;
    writeln!(
        out,
        "  {:>9}   {:>12} {:>12}   {:>12} {:>12}",
        "", "removed", "sound lost", "removed", "sound lost"
    )?;
    let p = |v: f64| format!("{:.1} %", 100.0 * v);
    let mut last = None;
    for (i, point) in found.curve.iter().enumerate() {
        let mine = own == Some(point.rule.threshold);
        let tenth = (i + 1) * 10 / n.max(1);
        if !mine && last == Some(tenth) {
            continue;
        }
        last = Some(tenth);
        writeln!(
            out,
            "  {:>9}   {:>12} {:>12}   {:>12} {:>12}{}",
            short(point.rule.threshold),
            p(point.rule.rejects_removed),
            p(point.rule.sound_lost),
            p(point.rejects_removed_in_all),
            p(point.sound_lost_in_all),
            if mine { "   <- the rule" } else { "" }
        )?;
    }
    Ok(())
}

fn write_mechanics(out: &mut String, found: &WhatIf) -> std::fmt::Result {
    let (m, machine) = (&found.mechanics, &found.machine);
    let p = |v: f64| format!("{:.1} %", 100.0 * v);
    let pct = |v: f64| format!("{:.2} %", 100.0 * v);
    writeln!(
        out,
        "SORTER at {} m/s and {} t/h on a belt {} m wide",
        short(machine.belt_m_s),
        short(machine.throughput_t_h),
        short(machine.belt_width_m)
    )?;
    writeln!(
        out,
        "  {:.0} berries a second, {:.0} on a square metre, {} of the belt covered",
        m.berries_per_s,
        m.per_m2,
        p(m.cover)
    )?;
    writeln!(
        out,
        "  camera {:.0} mm and jets {:.0} mm below the belt's edge:",
        1000.0 * machine.camera_fall_m,
        1000.0 * machine.jet_fall_m
    )?;
    writeln!(
        out,
        "  {:>8}  {:>18}  {:>20}  {:>10}  {:>9}",
        "belt m/s", "camera to jets, ms", "before the edge, mm", "speed m/s", "downwards"
    )?;
    for d in &m.delays {
        writeln!(
            out,
            "  {:>8.2}  {:>18.1}  {:>20.0}  {:>10.2}  {:>8.1}\u{b0}",
            d.belt_m_s, d.delay_ms, d.ahead_mm, d.speed_m_s, d.angle_deg
        )?;
    }
    writeln!(
        out,
        "  (both are heights, so the time between them is the same at every belt speed)"
    )?;
    writeln!(
        out,
        "  timing scatters by {:.2} ms ({:.2} from size alone), place by {:.0} mm; jets open for {} ms \
         catch {}",
        m.timing_sd_ms,
        m.timing_sd_size_ms,
        m.place_sd_mm,
        short(machine.open_ms),
        p(m.caught)
    )?;
    writeln!(
        out,
        "  a puff reaches {:.0} mm across and {:.0} mm of belt",
        m.puff_width_mm, m.puff_length_mm
    )?;
    writeln!(
        out,
        "NEIGHBOURS blown out with what is picked: {} of the good fruit",
        pct(found.co_ejected)
    )?;
    match &found.simulated {
        Some(s) => writeln!(
            out,
            "  in a simulated stream (standard error {:.3}); Poisson's formula says {}, {}",
            100.0 * s.standard_error,
            pct(s.poisson),
            match s.poisson_fails {
                true => format!(
                    "{:.0} % {}",
                    100.0 * (1.0 / (1.0 + s.departure) - 1.0).abs(),
                    if s.departure < 0.0 { "too many" } else { "too few" }
                ),
                false => "which holds within 2 % or the simulation's error".to_owned(),
            }
        )?,
        None => writeln!(out, "  by Poisson's formula; no stream was simulated")?,
    }
    let most = format!("{} %", short(100.0 * machine.neighbour_limit));
    match found.limit {
        NeighbourLimit::NothingPicked => Ok(()),
        NeighbourLimit::At { t_h } => writeln!(
            out,
            "  they reach {most} at {t_h:.1} t/h (now {} t/h)",
            short(machine.throughput_t_h)
        ),
        NeighbourLimit::BeyondOneLayer => writeln!(
            out,
            "  they stay below {most} up to {:.1} t/h, where fruit no longer lies in one layer",
            m.full_t_h
        ),
        NeighbourLimit::Always => writeln!(
            out,
            "  they are above {most} at any throughput: berries that hang together go together"
        ),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sorter::tests::many;
    use crate::sorter::{
        CAUTIONS, Machine, Neighbours, Rule, SimulationSettings, what_if as work_out,
    };
    use crate::stats::Level;
    use crate::streams::tests::three;
    use crate::streams::{StreamSettings, Weighed, balance, compare};

    fn weighed() -> StreamSettings {
        StreamSettings {
            weighed: Weighed {
                unsorted_kg: Some(10_000.0),
                sorted_kg: Some(8_850.0),
                waste_kg: Some(1_050.0),
                juice_kg: None,
            },
            price_per_tonne: Some(1850.0),
            ..StreamSettings::default()
        }
    }

    #[test]
    fn streams_read_like_this() {
        insta::assert_snapshot!(streams(&balance(&three(), &weighed()).unwrap()));
    }

    #[test]
    fn lots_that_do_not_belong_together_read_like_this() {
        let mut lots = three();
        lots[2].fruits = vec![Some(crate::classify::Fruit::White); 2];
        let found = balance(&lots, &StreamSettings::default()).unwrap();
        let text = streams(&found);
        assert!(text.starts_with("ALARM: ") && text.contains("must not be used"), "{text}");
        let page = String::from_utf8(page(&found, &[]).unwrap()).unwrap();
        assert!(page.contains("must not be used") && page.contains("as white fruit"), "{page}");
        let two = streams(&balance(&three()[..2], &StreamSettings::default()).unwrap());
        assert!(two.contains("No split: the split needs trays of all three streams"), "{two}");
    }

    /// Every figure of the text stands on the page too.
    #[test]
    fn the_page_says_what_the_text_says() {
        let found = balance(&three(), &weighed()).unwrap();
        let page = String::from_utf8(page(&found, &[]).unwrap()).unwrap();
        let split = found.split.as_ref().unwrap();
        for p in &split.performance {
            let words = share(&p.removed);
            let (figure, interval) = words.split_once(" (").unwrap();
            let cell =
                format!("<td>{figure}<small>{}</small></td>", interval.trim_end_matches(')'));
            assert!(page.contains(&cell), "{cell}");
        }
        assert!(page.contains("Juice: 100 kg"));
        for words in &found.assumptions {
            assert!(page.contains(&escape(words)), "{words}");
        }
    }

    #[test]
    fn a_comparison_reads_like_this() {
        let mut lots = three();
        for lot in &mut lots {
            let name = lot.stream.name().to_uppercase();
            lot.lot.trays.iter_mut().for_each(|t| t.lot = Some(name.clone()));
        }
        let found = compare(&lots[0].lot, &lots[1].lot, Basis::Mass, Level::P95).unwrap();
        insta::assert_snapshot!(comparison(&found));
    }

    #[test]
    fn a_what_if_reads_like_this() {
        let text = "version = 1\nname = \"House\"\ncurrency = \"EUR\"\nprice_per_tonne = \"1850\"\n\
                    [[rule]]\nname = \"rejects\"\nof = [\"rejects\"]\nfree_percent = 2\n\
                    deduct_per_point = \"1.5\"\n";
        let terms = crate::terms::check(text).unwrap();
        let rule =
            Rule { reject_probability: Some(0.6), min_diameter_mm: Some(11.5), ..Rule::default() };
        let quick = SimulationSettings { berries: 40_000, ..SimulationSettings::default() };
        let of = |rule: &Rule, neighbours| {
            let machine = Machine::default();
            let found = work_out(rule, &machine, &many(240), Some(&terms), neighbours).unwrap();
            let svg = crate::report::stream_plots::trade(&found).unwrap();
            let text = what_if(&found);
            // On every output, whatever was asked.
            for caution in CAUTIONS {
                assert!(text.contains(caution) && found.cautions.iter().any(|c| c == caution));
                // Apostrophes are written in more than one way.
                let start = caution.split('\'').next().unwrap_or(caution);
                assert!(svg.contains(start), "{svg}");
            }
            text
        };
        insta::assert_snapshot!(of(&rule, Neighbours::Simulated(quick)));
        let plain = of(&rule, Neighbours::Poisson);
        assert!(plain.contains("by Poisson's formula; no stream was simulated"), "{plain}");
        assert!(of(&Rule::default(), Neighbours::Poisson).contains("RULE: blow out nothing"));
    }
}
