//! A load's streams, a comparison and a what-if as tables to read; the streams as a page.

use std::fmt::Write as _;

use super::text::{DISCLAIMER, percent, plural};
use super::{Error, escape};
use crate::load::Basis;
use crate::sorter::WhatIf;
use crate::streams::{Comparison, Estimate, Streams};

const CSS: &str = include_str!("../assets/page.css");

fn share(e: &Estimate) -> String {
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
        writeln!(out, "  {:<11}{:<12}balanced (95 % interval)", "by mass", "as measured")?;
        for row in &s.shares {
            let raw = row.raw.map_or("-".to_owned(), |r| format!("{} %", percent(r, r)));
            let fitted = row.reconciled.as_ref().map_or("-".to_owned(), share);
            let kg = row.kg.as_ref().map_or(String::new(), |k| amount(k, " kg"));
            writeln!(out, "{}", format!("  {:<11}{raw:<12}{fitted:<26}{kg}", row.name).trim_end())?;
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
            writeln!(out, "  {:<11}{:<26}{:<26}", "", "to the waste", "went on")?;
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
                writeln!(
                    out,
                    "  balance: chi-squared {:.2} with {} degrees of freedom, p = {:.3}; greatest \
                     imbalance: {} ({:+.1} standard deviations)",
                    c.chi_squared,
                    c.degrees_of_freedom,
                    c.p,
                    c.worst_class.name(),
                    c.worst_z
                )?;
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
        "<!doctype html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n\
         <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n\
         <meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; img-src data:; \
         style-src 'unsafe-inline'\">\n<title>Streams</title>\n<style>\n{CSS}</style>\n</head>\n<body>\n\
         <header class=\"top\"><h1>Before and after the sorter</h1>\n\
         <div class=\"notice\"><p>{DISCLAIMER}</p></div></header>\n<main>\n"
    )?;
    for alarm in &found.alarms {
        writeln!(out, "<div class=\"caution\">{}</div>", escape(alarm))?;
    }
    for (name, svg) in plots {
        let title = match *name {
            "composition" => "What each stream is made of, by mass",
            "flow" => "Where the mass goes",
            _ => "Diameters of the berries",
        };
        writeln!(out, "<section class=\"lot\"><h2>{title}</h2>\n{svg}\n</section>")?;
    }
    writeln!(
        out,
        "<section class=\"lot\"><h2>Figures</h2>\n<pre style=\"overflow-x:auto\">{}</pre></section>\n\
         </main>\n<footer><p>Made with Acinus {}.</p></footer>\n</body>\n</html>",
        escape(&streams(found)),
        env!("CARGO_PKG_VERSION")
    )?;
    Ok(out.into_bytes())
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
            _ => format!("{:.4}", d.p_adjusted),
        };
        let _ = writeln!(
            out,
            "  {:<11}{:>6.2} %{:>6.2} %   {difference:<30}{:>8.4}  {adjusted}",
            d.name,
            100.0 * d.first.estimate,
            100.0 * d.second.estimate,
            d.p
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
    let (picks, m) = (&found.picks, &found.mechanics);
    let p = |v: f64| format!("{:.1} %", 100.0 * v);
    writeln!(
        out,
        "The rule picks {} of {} objects, {} of the mass",
        picks.picked,
        picks.objects,
        p(picks.picked_mass_share)
    )?;
    for c in &picks.classes {
        let share = c.share.map_or("-".to_owned(), p);
        writeln!(out, "  {:<11}{share:>8} of its expected mass", c.class.name())?;
    }
    writeln!(
        out,
        "  rejects removed {}, sound fruit lost {}",
        p(picks.rejects_removed),
        p(picks.sound_lost)
    )?;
    writeln!(out, "Threshold on the probability of being no sound berry:")?;
    for point in picks.curve.iter().filter(|c| {
        let tenth = (100.0 * c.reject_probability).round() as u32;
        tenth.is_multiple_of(10)
    }) {
        writeln!(
            out,
            "  {:.1}  rejects removed {:>7}  sound fruit lost {:>7}",
            point.reject_probability,
            p(point.rejects_removed),
            p(point.sound_lost)
        )?;
    }
    writeln!(out, "Mechanics")?;
    writeln!(
        out,
        "  {:.0} berries a second, {:.0} on a square metre, {} of the belt covered",
        m.berries_per_s,
        m.per_m2,
        p(m.cover)
    )?;
    writeln!(
        out,
        "  {:>9} {:>9} {:>14} {:>11} {:>8}",
        "belt m/s", "delay ms", "before edge mm", "speed m/s", "angle"
    )?;
    for d in &m.delays {
        writeln!(
            out,
            "  {:>9.2} {:>9.1} {:>14.0} {:>11.2} {:>7.1}\u{b0}",
            d.belt_m_s, d.delay_ms, d.ahead_mm, d.speed_m_s, d.angle_deg
        )?;
    }
    writeln!(
        out,
        "  timing scatter {:.2} ms (of it size {:.2}), place scatter {:.0} mm; jets open at least {:.1} ms",
        m.timing_sd_ms, m.timing_sd_size_ms, m.place_sd_mm, m.least_open_ms
    )?;
    writeln!(
        out,
        "  a puff reaches {:.0} mm across and {:.0} mm of belt: {:.2} neighbours",
        m.puff_width_mm, m.puff_length_mm, m.neighbours
    )?;
    let pct = |v: f64| format!("{:.2} %", 100.0 * v);
    writeln!(out, "  good fruit blown out as neighbours: {} by Poisson", pct(m.co_ejected))?;
    if let Some(s) = &found.simulated {
        writeln!(
            out,
            "  simulated stream: {} (standard error {:.3}), {:+.1} % against Poisson{}",
            pct(s.co_ejected),
            100.0 * s.standard_error,
            100.0 * s.departure,
            if s.poisson_fails {
                ": Poisson departs by more than 2 %, the simulation counts"
            } else {
                ": Poisson holds within 2 % or the simulation's error"
            }
        )?;
    }
    let limit = found.simulated.as_ref().map_or(m.limit_t_h, |s| s.limit_t_h);
    if let Some(t) = limit {
        writeln!(
            out,
            "  neighbours reach {} at {t:.1} t/h (now {:.1} t/h)",
            pct(found.machine.neighbour_limit),
            found.machine.throughput_t_h
        )?;
    }
    writeln!(
        out,
        "In all: rejects removed {}, sound fruit lost {}",
        p(found.rejects_removed),
        p(found.sound_lost)
    )?;
    if let Some(money) = &found.money {
        let currency = money.currency.as_deref().unwrap_or("");
        writeln!(
            out,
            "A tonne of feed: {} {currency} unsorted ({} % deducted); {} {currency} sorted ({:.0} kg, {} % \
             deducted)",
            money.unsorted,
            money.deduction_percent[0],
            money.sorted,
            money.sorted_kg,
            money.deduction_percent[1]
        )?;
        let pays = if money.gain.is_negative() { "does not pay" } else { "pays if it costs less" };
        writeln!(out, "  sorting {pays}: {} {currency} a tonne before its own cost", money.gain)?;
    }
    if let Some(why) = &found.no_money {
        writeln!(out, "No money: {why}")?;
    }
    for c in &found.cautions {
        writeln!(out, "caution: {c}")?;
    }
    Ok(())
}
