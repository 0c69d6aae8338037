//! Plots of a load's streams, as SVG text.

use plotters::element::DashedPathElement;
use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, Pos, VPos};

use super::Error;
use super::palette::{self, LineStyle, Look};
use super::plots::{Area, DrawError, FONT, INK, fail, finish, ready, rgb};
use crate::classify::Class;
use crate::load::Lot;
use crate::sorter::{CAUTIONS, WhatIf, short};
use crate::streams::{StreamLot, Streams};

const WIDTH: u32 = 760;
const TEXT_PX: f64 = 20.0;

fn text(anchor: HPos) -> TextStyle<'static> {
    (FONT, TEXT_PX).into_font().color(&INK).pos(Pos::new(anchor, VPos::Center))
}

/// Draws on a fresh picture and makes it a plot of a page.
fn draw(
    height: u32,
    title: &str,
    with: impl FnOnce(&Area) -> Result<(), DrawError>,
) -> Result<String, Error> {
    ready()?;
    let mut svg = String::new();
    {
        let area = SVGBackend::with_string(&mut svg, (WIDTH, height)).into_drawing_area();
        with(&area).map_err(fail)?;
        area.present().map_err(fail)?;
    }
    Ok(finish(&svg, (WIDTH, height), title))
}

/// A plot of a page as a file of its own: black ink on white.
pub fn file(svg: &str) -> String {
    let svg = svg.replace("currentColor", "#1a1a1a");
    match svg.find('>') {
        Some(end) => format!(
            "{}>\n<rect width=\"100%\" height=\"100%\" fill=\"#ffffff\"/>{}",
            &svg[..end],
            &svg[end + 1..]
        ),
        None => svg,
    }
}

/// All plots of a load's streams by file stem: composition, flow (with a split), diameters.
///
/// # Errors
/// [`Error::Encode`] when one cannot be drawn.
pub fn plots(found: &Streams, lots: &[StreamLot]) -> Result<Vec<(&'static str, String)>, Error> {
    let mut all = vec![("composition", composition(found)?)];
    if found.split.is_some() {
        all.push(("flow", flow(found)?));
    }
    all.push(("diameters", diameters(lots)?));
    Ok(all)
}

fn looks() -> [Look; 4] {
    Class::ALL.map(|c| palette::look(Some(c)))
}

fn legend(area: &Area, y: i32) -> Result<(), DrawError> {
    for (i, look) in looks().iter().enumerate() {
        let x = 110 + 160 * i as i32;
        block(area, [(x, y - 8), (x + 16, y + 8)], *look)?;
        area.draw(&Text::new(look.name, (x + 24, y), text(HPos::Left)))?;
    }
    Ok(())
}

/// A filled block with the hatching that tells its class on a grey printer.
fn block(area: &Area, corners: [(i32, i32); 2], look: Look) -> Result<(), DrawError> {
    area.draw(&Rectangle::new(corners, rgb(look.colour).filled()))?;
    hatch(area, corners, look)?;
    area.draw(&Rectangle::new(corners, INK.mix(0.7).stroke_width(1)))
}

/// Hatching of a class by its outline's style: unbroken none, dashed rising lines, dotted dots, double
/// crossed lines.
fn hatch(area: &Area, corners: [(i32, i32); 2], look: Look) -> Result<(), DrawError> {
    const STEP: i32 = 8;
    let [(x0, y0), (x1, y1)] = corners;
    let ink = BLACK.mix(0.75);
    let line = |rising: bool| -> Result<(), DrawError> {
        // Lines x + y = k (or x − y = k), cut to the block.
        let (first, last) = if rising { (x0 + y0, x1 + y1) } else { (x0 - y1, x1 - y0) };
        for k in (first.div_euclid(STEP)..=last.div_euclid(STEP)).map(|k| k * STEP) {
            let (a, b) = match rising {
                true => ((k - y1).max(x0), (k - y0).min(x1)),
                false => ((k + y0).max(x0), (k + y1).min(x1)),
            };
            if a >= b {
                continue;
            }
            let y = |x: i32| if rising { k - x } else { x - k };
            area.draw(&PathElement::new(vec![(a, y(a)), (b, y(b))], ink.stroke_width(1)))?;
        }
        Ok(())
    };
    match look.line {
        LineStyle::Solid | LineStyle::DashDot => {}
        LineStyle::Dashed => line(true)?,
        LineStyle::Double => {
            line(true)?;
            line(false)?;
        }
        LineStyle::Dotted => {
            for y in (y0 + 4..y1 - 2).step_by(STEP as usize) {
                for x in (x0 + 4..x1 - 2).step_by(STEP as usize) {
                    area.draw(&Circle::new((x, y), 2, ink.filled()))?;
                }
            }
        }
    }
    Ok(())
}

fn percents(share: f64) -> String {
    format!("{} %", super::text::percent(share, share))
}

/// Stacked bars of the streams' shares by mass, reconciled where there is a split; each bar's shares
/// are written out above it, since the rare ones are too thin to see.
///
/// # Errors
/// [`Error::Encode`] when it cannot be drawn.
pub fn composition(found: &Streams) -> Result<String, Error> {
    const ROW: i32 = 78;
    let n = found.streams.len() as i32;
    let height = (ROW * n + 84) as u32;
    draw(height, "Composition of the streams by mass", |area| {
        let (left, right) = (110, 740);
        for (i, s) in found.streams.iter().enumerate() {
            let top = 30 + ROW * i as i32;
            area.draw(&Text::new(s.stream.name(), (left - 10, top + 20), text(HPos::Right)))?;
            let mut x = f64::from(left);
            let mut words = Vec::new();
            for (c, look) in looks().iter().enumerate() {
                let share = s.shares[c].reconciled.map(|r| r.estimate).or(s.shares[c].raw);
                let share = share.unwrap_or(0.0).clamp(0.0, 1.0);
                words.push(format!("{} {}", look.name, percents(share)));
                let to = x + share * f64::from(right - left);
                block(area, [(x.round() as i32, top), (to.round() as i32, top + 40)], *look)?;
                x = to;
            }
            area.draw(&Text::new(words.join(", "), (left, top - 13), small(HPos::Left)))?;
        }
        let base = 30 + ROW * n - 26;
        for k in 0..=5 {
            let x = left + (right - left) * k / 5;
            area.draw(&PathElement::new(vec![(x, base - 12), (x, base - 6)], INK))?;
            let anchor = if k == 5 { HPos::Right } else { HPos::Center };
            area.draw(&Text::new(format!("{} %", 20 * k), (x, base + 8), text(anchor)))?;
        }
        legend(area, base + 56)
    })
}

fn small(anchor: HPos) -> TextStyle<'static> {
    (FONT, 16.0).into_font().color(&INK).pos(Pos::new(anchor, VPos::Center))
}

/// Masses from the feed to sorted and waste, one band a class; a band's thickness is its mass. Bands
/// thinner than a hair are drawn one pixel thick, and every mass is written out.
///
/// # Errors
/// [`Error::Encode`] when it cannot be drawn.
pub fn flow(found: &Streams) -> Result<String, Error> {
    let split = found.split.as_ref();
    let y = split.map_or(0.5, |s| s.yield_by_mass.estimate);
    draw(440, "Flow of masses from unsorted to sorted and waste", |area| {
        let (top, full) = (50.0, 260.0);
        let share = |k: usize, c: usize| {
            let s = found.streams.get(k).and_then(|s| s.shares[c].reconciled);
            s.map_or(0.0, |r| r.estimate.max(0.0))
        };
        let parts = [1.0, y, 1.0 - y];
        let amount = |part: f64| match found.streams[0].kg {
            Some(kg) => format!("{:.0} kg", kg * part),
            None => percents(part),
        };
        let (x0, x1, x2, x3) = (20, 60, 480, 520);
        let (mut sorted, mut waste) = (top, top + full * y + 50.0);
        let waste_top = waste;
        let mut from = top;
        for (c, look) in looks().iter().enumerate() {
            let start = from;
            for (k, at) in [(1, &mut sorted), (2, &mut waste)] {
                let thick = parts[k] * share(k, c) * full;
                let band = ribbon((f64::from(x1), from), (f64::from(x2), *at), thick.max(1.0));
                area.draw(&Polygon::new(band, rgb(look.colour).mix(0.55).filled()))?;
                let end = (*at + thick.max(1.0)).round() as i32;
                block(area, [(x2, at.round() as i32), (x3, end)], *look)?;
                from += thick;
                *at += thick;
            }
            let end = from.max(start + 1.0).round() as i32;
            block(area, [(x0, start.round() as i32), (x1, end)], *look)?;
        }
        let heading = format!("unsorted {}", amount(1.0));
        area.draw(&Text::new(heading, (x0, 24), text(HPos::Left)))?;
        for (k, at) in [(1, top + 8.0), (2, waste_top.min(440.0 - 180.0))] {
            let stream = found.streams[k].stream.name();
            let heading = format!("{stream} {}", amount(parts[k]));
            area.draw(&Text::new(heading, (x3 + 14, at as i32), text(HPos::Left)))?;
            for (c, look) in looks().iter().enumerate() {
                let words = format!("{} {}", look.name, amount(parts[k] * share(k, c)));
                let y = at as i32 + 24 + 20 * c as i32;
                area.draw(&Text::new(words, (x3 + 14, y), small(HPos::Left)))?;
            }
        }
        legend(area, 415)
    })
}

/// Outline of a band of constant thickness that swings from one point to another.
fn ribbon(from: (f64, f64), to: (f64, f64), thick: f64) -> Vec<(i32, i32)> {
    let steps = 40;
    let at = |i: i32| {
        let t = f64::from(i) / f64::from(steps);
        let s = t * t * (3.0 - 2.0 * t);
        (from.0 + t * (to.0 - from.0), from.1 + s * (to.1 - from.1))
    };
    let upper = (0..=steps).map(at).map(|(x, y)| (x.round() as i32, y.round() as i32));
    let lower =
        (0..=steps).rev().map(at).map(|(x, y)| (x.round() as i32, (y + thick).round() as i32));
    upper.chain(lower).collect()
}

/// Diameters of each lot's berries (debris and unassigned left out), as shares of its berries a
/// millimetre, one row a lot.
pub fn diameters(lots: &[StreamLot]) -> Result<String, Error> {
    let rows: Vec<(&'static str, Vec<f64>)> =
        lots.iter().map(|l| (l.stream.name(), shares_a_mm(&l.lot))).collect();
    let most = rows.iter().flat_map(|r| r.1.iter().copied()).fold(0.01, f64::max);
    let bars = rows.iter().map(|r| r.1.len()).max().unwrap_or(1).max(20);
    let (row, foot) = (120, 60);
    let height = row * rows.len() as u32 + foot;
    draw(height, "Diameters of the lots' berries", |area| {
        for (i, (name, shares)) in rows.iter().enumerate() {
            let last = i + 1 == rows.len();
            let strip = area
                .clone()
                .shrink((0, (row * i as u32) as i32), (WIDTH, row + if last { foot } else { 0 }));
            let mut chart = ChartBuilder::on(&strip)
                .margin_right(20)
                .margin_top(10)
                .set_label_area_size(LabelAreaPosition::Left, 80)
                .set_label_area_size(LabelAreaPosition::Bottom, if last { 60 } else { 4 })
                .build_cartesian_2d(0.0..bars as f64, 0.0..100.0 * most * 1.15)?;
            let style = (FONT, TEXT_PX).into_font().color(&INK);
            let millimetres = |v: &f64| if last { format!("{v:.0}") } else { String::new() };
            let mut mesh = chart.configure_mesh();
            mesh.disable_mesh()
                .axis_style(INK.mix(0.6))
                .label_style(style)
                .x_labels(if last { bars / 5 + 1 } else { 0 })
                .x_label_formatter(&millimetres)
                .y_labels(3)
                .y_label_formatter(&|v| format!("{v:.0} %"));
            if last {
                mesh.x_desc(
                    "diameter of the ball of the same volume, mm (share of the lot's berries)",
                );
            }
            mesh.draw()?;
            for (bin, share) in shares.iter().enumerate().filter(|(_, s)| **s > 0.0) {
                let corners = [(bin as f64 + 0.06, 0.0), (bin as f64 + 0.94, 100.0 * share)];
                chart.draw_series([
                    Rectangle::new(corners, rgb(palette::SKY_BLUE).filled()),
                    Rectangle::new(corners, INK.mix(0.7).stroke_width(1)),
                ])?;
            }
            let at = (bars as f64 * 0.985, 100.0 * most);
            chart.draw_series([Text::new(*name, at, text(HPos::Right))])?;
        }
        Ok(())
    })
}

fn shares_a_mm(lot: &Lot) -> Vec<f64> {
    let mut counts: Vec<f64> = Vec::new();
    let berries = lot.trays.iter().flat_map(|t| &t.objects);
    let berries = berries.filter(|i| !matches!(i.class, None | Some(Class::Debris)));
    for item in berries {
        let d = item.equivalent_diameter_mm;
        if !d.is_finite() || d < 0.0 {
            continue;
        }
        let bin = d.min(30.0) as usize;
        if counts.len() <= bin {
            counts.resize(bin + 1, 0.0);
        }
        counts[bin] += 1.0;
    }
    let all: f64 = counts.iter().sum();
    counts.iter_mut().for_each(|c| *c /= all.max(1.0));
    counts
}

/// The trade of a rule: rejects removed over sound fruit lost, by the rule alone and with
/// neighbours, with the user's point on each. The cautions stand below: pictures get passed on alone.
///
/// # Errors
/// [`Error::Encode`] when it cannot be drawn.
pub fn trade(found: &WhatIf) -> Result<String, Error> {
    let picks = &found.picks;
    let reach = (1.3 * 100.0 * found.sound_lost).clamp(2.0, 100.0);
    let seen = found.curve.iter().filter(|p| 100.0 * p.rule.sound_lost <= reach);
    let least = seen.map(|p| 100.0 * p.rule.rejects_removed).fold(100.0, f64::min);
    let least = (((least - 5.0) / 10.0).floor() * 10.0).clamp(0.0, 90.0);
    let above_all = 100.0 + 0.04 * (100.0 - least);
    let (plot, height) = (400, 530);
    draw(height, "Rejects removed over sound fruit lost", |area| {
        let (above, below) = area.split_vertically(plot);
        let mut chart = ChartBuilder::on(&above)
            .margin(12)
            .margin_right(24)
            .set_label_area_size(LabelAreaPosition::Left, 90)
            .set_label_area_size(LabelAreaPosition::Bottom, 64)
            .build_cartesian_2d(0.0..reach, least..above_all)?;
        chart
            .configure_mesh()
            .max_light_lines(1)
            .light_line_style(INK.mix(0.06))
            .bold_line_style(INK.mix(0.15))
            .axis_style(INK.mix(0.6))
            .label_style((FONT, TEXT_PX).into_font().color(&INK))
            .x_labels(6)
            .y_labels(6)
            .x_label_formatter(&|v| format!("{} %", short(*v)))
            .y_label_formatter(&|v| format!("{v:.0} %"))
            .x_desc("sound fruit lost, by mass")
            .y_desc("rejects removed, by mass")
            .draw()?;
        let alone = found.curve.iter().map(|p| (p.rule.sound_lost, p.rule.rejects_removed));
        let in_all = found.curve.iter().map(|p| (p.sound_lost_in_all, p.rejects_removed_in_all));
        let kinds = [
            (
                alone.collect::<Vec<_>>(),
                (picks.sound_lost, picks.rejects_removed),
                palette::SKY_BLUE,
            ),
            (in_all.collect(), (found.sound_lost, found.rejects_removed), palette::ORANGE),
        ];
        for (i, (line, point, colour)) in kinds.into_iter().enumerate() {
            let line = line.into_iter().map(|p| (100.0 * p.0, 100.0 * p.1));
            let line: Vec<(f64, f64)> = line.filter(|p| p.0 <= reach).collect();
            if i == 0 {
                chart.draw_series([PathElement::new(line, INK.stroke_width(2))])?;
            } else {
                let dashes = DashedPathElement::new(line, 7, 5, INK.stroke_width(2));
                chart.draw_series([dashes])?;
            }
            let at = (100.0 * point.0, 100.0 * point.1);
            if i == 0 {
                chart.draw_series([Circle::new(at, 9, INK.filled())])?;
                chart.draw_series([Circle::new(at, 7, rgb(colour).filled())])?;
            } else {
                chart.draw_series([TriangleMarker::new(at, 13, INK.filled())])?;
                chart.draw_series([TriangleMarker::new(at, 9, rgb(colour).filled())])?;
            }
        }
        let line = |i: i32, words: &str| {
            below.draw(&Text::new(words.to_owned(), (60, 12 + 27 * i), text(HPos::Left)))
        };
        let words = |name: &str, removed: f64, lost: f64| {
            format!("{name}: {:.1} % removed, {:.1} % lost", 100.0 * removed, 100.0 * lost)
        };
        line(0, &words("by the rule alone", picks.rejects_removed, picks.sound_lost))?;
        line(1, &words("neighbours and misses counted", found.rejects_removed, found.sound_lost))?;
        for (i, (y, colour)) in
            [(12, palette::SKY_BLUE), (39, palette::ORANGE)].into_iter().enumerate()
        {
            let ends = vec![(8, y), (48, y)];
            if i == 0 {
                below.draw(&PathElement::new(ends, INK.stroke_width(2)))?;
            } else {
                below.draw(&DashedPathElement::new(ends, 7, 5, INK.stroke_width(2)))?;
            }
            if i == 0 {
                below.draw(&Circle::new((28, y), 9, INK.filled()))?;
                below.draw(&Circle::new((28, y), 7, rgb(colour).filled()))?;
            } else {
                below.draw(&TriangleMarker::new((28, y), 13, INK.filled()))?;
                below.draw(&TriangleMarker::new((28, y), 9, rgb(colour).filled()))?;
            }
        }
        for (i, words) in CAUTIONS.iter().enumerate() {
            below.draw(&Text::new(*words, (8, 80 + 24 * i as i32), small(HPos::Left)))?;
        }
        Ok(())
    })
}
