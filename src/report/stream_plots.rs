//! Plots of a load's streams, as SVG text.

use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, Pos, VPos};

use super::Error;
use super::palette::{self, Look};
use super::plots::{Area, DrawError, FONT, INK, fail, finish, ready, rgb};
use crate::classify::Class;
use crate::load::Lot;
use crate::sorter::WhatIf;
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

fn block(area: &Area, corners: [(i32, i32); 2], look: Look) -> Result<(), DrawError> {
    area.draw(&Rectangle::new(corners, rgb(look.colour).filled()))?;
    area.draw(&Rectangle::new(corners, INK.mix(0.7).stroke_width(1)))
}

/// Stacked bars of the streams' shares by mass, reconciled where there is a split.
pub fn composition(found: &Streams) -> Result<String, Error> {
    let n = found.streams.len() as i32;
    let height = (56 * n + 96) as u32;
    draw(height, "Composition of the streams by mass", |area| {
        let (left, right) = (110, 740);
        for (i, s) in found.streams.iter().enumerate() {
            let top = 12 + 56 * i as i32;
            area.draw(&Text::new(s.stream.name(), (left - 10, top + 20), text(HPos::Right)))?;
            let mut x = f64::from(left);
            for (c, look) in looks().iter().enumerate() {
                let share = s.shares[c].reconciled.map(|r| r.estimate).or(s.shares[c].raw);
                let to = x + share.unwrap_or(0.0).clamp(0.0, 1.0) * f64::from(right - left);
                block(area, [(x.round() as i32, top), (to.round() as i32, top + 40)], *look)?;
                if to - x > 60.0 {
                    let words = format!("{:.1} %", 100.0 * share.unwrap_or(0.0));
                    let at = ((0.5 * (x + to)) as i32, top + 20);
                    let style = (FONT, TEXT_PX)
                        .into_font()
                        .color(&BLACK)
                        .pos(Pos::new(HPos::Center, VPos::Center));
                    area.draw(&Text::new(words, at, style))?;
                }
                x = to;
            }
        }
        let base = 12 + 56 * n;
        for k in 0..=5 {
            let x = left + (right - left) * k / 5;
            area.draw(&PathElement::new(vec![(x, base - 12), (x, base - 6)], INK))?;
            let anchor = if k == 5 { HPos::Right } else { HPos::Center };
            area.draw(&Text::new(format!("{} %", 20 * k), (x, base + 8), text(anchor)))?;
        }
        legend(area, base + 52)
    })
}

/// Masses from the feed to sorted and waste, one band a class; a band's thickness is its mass. Bands
/// thinner than a hair are drawn one pixel thick.
pub fn flow(found: &Streams) -> Result<String, Error> {
    let split = found.split.as_ref();
    let y = split.map_or(0.5, |s| s.yield_by_mass.estimate);
    draw(430, "Flow of masses from unsorted to sorted and waste", |area| {
        let (top, full) = (40.0, 260.0);
        let share = |k: usize, c: usize| {
            let s = found.streams.get(k).and_then(|s| s.shares[c].reconciled);
            s.map_or(0.0, |r| r.estimate.max(0.0))
        };
        let words = |k: usize, part: f64| {
            let s = &found.streams[k];
            match s.kg {
                Some(kg) => format!("{} {kg:.0} kg", s.stream.name()),
                None => format!("{} {:.1} %", s.stream.name(), 100.0 * part),
            }
        };
        let (x0, x1, x2, x3) = (20.0, 60.0, 520.0, 560.0);
        let mut from = top;
        let (mut sorted, mut waste) = (top, top + full * y + 50.0);
        let mut ends = Vec::new();
        for (c, look) in looks().iter().enumerate() {
            for (k, at, part) in [(1, &mut sorted, y), (2, &mut waste, 1.0 - y)] {
                let thick = part * share(k, c) * full;
                let band = ribbon((x1, from), (x2, *at), thick.max(1.0));
                area.draw(&Polygon::new(band, rgb(look.colour).mix(0.55).filled()))?;
                for (a, b, h) in [(x0, x1, from), (x2, x3, *at)] {
                    let corners = [
                        (a as i32, h.round() as i32),
                        (b as i32, (h + thick.max(1.0)).round() as i32),
                    ];
                    area.draw(&Rectangle::new(corners, rgb(look.colour).filled()))?;
                }
                from += thick;
                *at += thick;
            }
            ends.push(look);
        }
        area.draw(&Text::new(words(0, 1.0), (x0 as i32, 20), text(HPos::Left)))?;
        let middle = |from: f64, to: f64| (0.5 * (from + to)) as i32;
        area.draw(&Text::new(words(1, y), (572, middle(top, sorted)), text(HPos::Left)))?;
        let at = middle(top + full * y + 50.0, waste);
        area.draw(&Text::new(words(2, 1.0 - y), (572, at), text(HPos::Left)))?;
        legend(area, 405)
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

/// The trade of a rule: rejects removed over sound fruit lost, with the user's point with and
/// without neighbours.
///
/// # Errors
/// [`Error::Encode`] when it cannot be drawn.
pub fn trade(found: &WhatIf) -> Result<String, Error> {
    let picks = &found.picks;
    let reach = (1.3 * 100.0 * found.sound_lost).clamp(5.0, 100.0);
    draw(430, "Rejects removed over sound fruit lost", |area| {
        let mut chart = ChartBuilder::on(area)
            .margin(12)
            .margin_right(24)
            .set_label_area_size(LabelAreaPosition::Left, 90)
            .set_label_area_size(LabelAreaPosition::Bottom, 64)
            .build_cartesian_2d(0.0..reach, 0.0..100.0)?;
        chart
            .configure_mesh()
            .light_line_style(INK.mix(0.06))
            .bold_line_style(INK.mix(0.15))
            .axis_style(INK.mix(0.6))
            .label_style((FONT, TEXT_PX).into_font().color(&INK))
            .x_labels(6)
            .y_labels(6)
            .x_label_formatter(&|v| format!("{v:.0} %"))
            .y_label_formatter(&|v| format!("{v:.0} %"))
            .x_desc("sound mass lost")
            .y_desc("rejects' mass removed")
            .draw()?;
        let line = picks.curve.iter().map(|p| (100.0 * p.sound_lost, 100.0 * p.rejects_removed));
        let line: Vec<(f64, f64)> = line.filter(|p| p.0 <= reach).collect();
        chart.draw_series([PathElement::new(line, rgb(palette::BLUISH_GREEN).stroke_width(3))])?;
        let points = [
            (picks.sound_lost, picks.rejects_removed, palette::SKY_BLUE, "the rule"),
            (found.sound_lost, found.rejects_removed, palette::ORANGE, "with neighbours"),
        ];
        for (i, (x, y, colour, name)) in points.into_iter().enumerate() {
            let at = (100.0 * x, 100.0 * y);
            chart.draw_series([Circle::new(at, 7, rgb(colour).filled())])?;
            chart.draw_series([Circle::new(at, 7, INK.stroke_width(2))])?;
            let by = if at.1 > 20.0 { -24 - 24 * i as i32 } else { 24 + 24 * i as i32 };
            let words = format!("{name}: {:.1} % removed, {:.1} % lost", at.1, at.0);
            let (px, py) = chart.plotting_area().map_coordinate(&at);
            let anchor = if px > 380 { HPos::Right } else { HPos::Left };
            let shift = if px > 380 { -12 } else { 12 };
            area.draw(&Text::new(words, (px + shift, py - by), text(anchor)))?;
        }
        Ok(())
    })
}
