//! A season as text to read, as a page, and as files.

use std::fmt::Write as _;

use super::html::page_head;
use super::season_plots::Drawn;
use super::streams::share;
use super::text::{DISCLAIMER, percent, plural};
use super::{Error, escape};
use crate::season::{By, Group, REJECTS, Season};
use crate::streams::Estimate;

fn word(by: By) -> &'static str {
    match by {
        By::Grower => "grower",
        By::Block => "block",
        By::Variety => "variety",
        By::Week => "week",
    }
}

/// The season as text.
pub fn text(season: &Season) -> String {
    let mut out = String::new();
    // Writing to a String cannot fail.
    let _ = write(&mut out, season);
    out
}

fn write(out: &mut String, season: &Season) -> std::fmt::Result {
    writeln!(out, "{}, by {}", plural(season.loads.len(), "load"), word(season.by))?;
    write_groups(out, &season.groups)?;
    if season.by != By::Week {
        writeln!(out, "\nby week")?;
        write_groups(out, &season.weeks)?;
    }
    writeln!(out)?;
    for line in words(season) {
        writeln!(out, "{line}")?;
    }
    let sorted = season.loads.iter().filter_map(|l| Some((l, l.sorter.as_ref()?)));
    for (load, s) in sorted {
        let doubt = match s.belong_together {
            true => "",
            false => "; THE LOTS CANNOT BELONG TOGETHER: not to be used",
        };
        writeln!(
            out,
            "sorter, {} of {}: rejects removed {}, sound fruit lost {}{doubt}",
            load.load,
            load.day,
            share(&s.rejects_removed),
            share(&s.sound_lost)
        )?;
    }
    for caution in &season.cautions {
        writeln!(out, "caution: {caution}")?;
    }
    writeln!(out, "{DISCLAIMER}")
}

fn write_groups(out: &mut String, groups: &[Group]) -> std::fmt::Result {
    writeln!(
        out,
        "  {:<28}{:>5}{:>7}{:>9}{:>12}  {:<24}least to greatest",
        "", "loads", "trays", "objects", "net kg", "rejects by mass (95 %)"
    )?;
    for g in groups {
        let net = g.net_kg.map_or("-".to_owned(), |kg| format!("{kg:.0}"));
        let [least, greatest] = g.rejects_range.map(|v| percent(v, v));
        let name: String = g.name.chars().take(27).collect();
        writeln!(
            out,
            "  {name:<28}{:>5}{:>7}{:>9}{net:>12}  {:<24}{least} to {greatest} %",
            g.loads,
            g.trays,
            g.objects,
            share(&g.by_mass[REJECTS])
        )?;
    }
    Ok(())
}

/// Trend, outlying loads and precision in sentences.
pub fn words(season: &Season) -> Vec<String> {
    let mut lines = Vec::new();
    match (&season.trend, &season.no_trend) {
        (Some(t), _) => lines.push(format!(
            "trend of rejects by mass: {:+.2} points a week ({:+.2} to {:+.2}), p = {:.3}, least squares \
             through {}",
            100.0 * t.slope,
            100.0 * t.slope_interval.low,
            100.0 * t.slope_interval.high,
            t.p,
            plural(t.points, "load")
        )),
        (None, Some(why)) => lines.push(format!("no trend: {why}")),
        (None, None) => {}
    }
    for test in season.tests.iter().filter(|t| !t.tested) {
        lines.push(format!(
            "outlying loads of {}: not tested, {} of {} loads that the test needs",
            test.variety,
            test.loads,
            crate::stats::FEWEST_FOR_OUTLIERS
        ));
    }
    for test in season.tests.iter().filter(|t| t.tested) {
        let found = season.outlying.iter().filter(|o| o.variety == test.variety).count();
        if found == 0 {
            lines.push(format!("outlying loads of {}: none of {}", test.variety, test.loads));
        }
    }
    lines.extend(season.outlying.iter().map(|o| {
        format!(
            "OUTLYING: {} ({}): rejects {} % by mass, {:.2} standard deviations from the others of its \
             variety (critical {:.2}); generalized ESD test, Rosner 1983: look at it, do not leave it out \
             for this",
            o.load,
            o.variety,
            percent(o.rejects, o.rejects),
            o.distance,
            o.critical
        )
    }));
    let reached = season
        .loads
        .iter()
        .filter_map(|l| Some((l.half_width_wanted?, l.half_width_by_count?)))
        .collect::<Vec<_>>();
    if !reached.is_empty() {
        let good = reached.iter().filter(|(wanted, got)| got <= wanted).count();
        lines.push(format!(
            "precision wanted by the plan reached in {good} of {} planned loads",
            reached.len()
        ));
    }
    lines
}

/// The season as one page that carries its plots inside.
///
/// # Errors
/// None beyond a formatter's.
pub fn page(season: &Season, plots: &[Drawn]) -> Result<Vec<u8>, Error> {
    let mut out = String::new();
    write!(
        out,
        "{}<header class=\"top\"><h1>The season</h1>\n<div class=\"notice\"><p>{DISCLAIMER}</p></div>\
         </header>\n<main>\n",
        page_head("Season")
    )?;
    for (title, groups) in
        [(format!("By {}", word(season.by)), &season.groups), ("By week".to_owned(), &season.weeks)]
    {
        if season.by == By::Week && title == "By week" && std::ptr::eq(groups, &season.groups) {
            continue;
        }
        write_table(&mut out, &title, groups)?;
    }
    for plot in plots {
        let title = escape(&plot.title);
        // The drawing bears its title itself, since it is also a file of its own.
        writeln!(out, "<section class=\"lot\" aria-label=\"{title}\">\n{}\n</section>", plot.svg)?;
    }
    writeln!(out, "<section class=\"lot\"><h2>In words</h2>")?;
    for line in words(season) {
        writeln!(out, "<p>{}</p>", escape(&line))?;
    }
    for caution in &season.cautions {
        writeln!(out, "<div class=\"caution\">{}</div>", escape(caution))?;
    }
    writeln!(
        out,
        "</section>\n</main>\n<footer><p>Made with Acinus {}.</p></footer>\n</body>\n</html>",
        env!("CARGO_PKG_VERSION")
    )?;
    Ok(out.into_bytes())
}

/// A share with its interval below it: nine columns side by side fit no screen.
fn share_cell(out: &mut String, e: &Estimate) -> std::fmt::Result {
    let words = share(e);
    let (value, interval) = words.split_once(" (").unwrap_or((&words, ""));
    write!(out, "<td>{value}<small>{}</small></td>", interval.trim_end_matches(')'))
}

fn write_table(out: &mut String, title: &str, groups: &[Group]) -> std::fmt::Result {
    writeln!(
        out,
        "<section class=\"lot\"><h2>{}</h2><div class=\"scroll\"><table><thead><tr><th></th><th>loads</th>\
         <th>trays</th><th>net kg</th><th>sound</th><th>shriveled</th><th>underripe</th><th>debris</th>\
         <th>rejects by mass (95 %)</th></tr></thead><tbody>",
        escape(title)
    )?;
    for g in groups {
        let net = g.net_kg.map_or("–".to_owned(), |kg| format!("{kg:.0}"));
        write!(
            out,
            "<tr><th>{}</th><td>{}</td><td>{}</td><td>{net}</td>",
            escape(&g.name),
            g.loads,
            g.trays
        )?;
        for e in &g.by_mass {
            share_cell(out, e)?;
        }
        writeln!(out, "</tr>")?;
    }
    writeln!(out, "</tbody></table></div></section>")
}
