//! Plots of a season, each as SVG for the page and as PNG for a letter: with title, units and
//! intervals; classes of points differ by marker as well as by colour.

use image::{ImageFormat, RgbImage};
use plotters::coord::Shift;
use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, Pos, VPos};

use super::Error;
use super::palette;
use super::plots::{FONT, INK, fail, finish, ready, rgb};
use crate::season::{self, By, Group, REJECTS, Season, SeasonLoad};
use crate::stats::Interval;
use crate::streams::Estimate;

const WIDTH: u32 = 760;
/// Pixels of the PNG for one of the SVG: 1520 px wide, 8 inches at 190 a printed inch.
const PNG_SCALE: u32 = 2;
const TEXT_PX: f64 = 19.0;

/// A plot in both forms.
#[derive(Debug, Clone, PartialEq)]
pub struct Drawn {
    /// File stem.
    pub name: &'static str,
    /// Title.
    pub title: String,
    /// SVG for a page.
    pub svg: String,
    /// PNG.
    pub png: Vec<u8>,
}

type DrawResult<DB> = Result<(), DrawingAreaErrorKind<<DB as DrawingBackend>::ErrorType>>;

/// Something that can be drawn on any ground; `k` is how many pixels one unit has.
trait Plot {
    fn title(&self) -> &str;
    fn height(&self) -> u32;
    fn draw<DB: DrawingBackend>(&self, area: &DrawingArea<DB, Shift>, k: f64) -> DrawResult<DB>;
}

fn both(name: &'static str, plot: &impl Plot) -> Result<Drawn, Error> {
    ready()?;
    let size = (WIDTH, plot.height());
    let mut svg = String::new();
    {
        let area = SVGBackend::with_string(&mut svg, size).into_drawing_area();
        plot.draw(&area, 1.0).map_err(fail)?;
        area.present().map_err(fail)?;
    }
    let (width, height) = (PNG_SCALE * size.0, PNG_SCALE * size.1);
    let mut pixels = vec![255u8; 3 * (width * height) as usize];
    {
        let area = BitMapBackend::with_buffer(&mut pixels, (width, height)).into_drawing_area();
        plot.draw(&area, f64::from(PNG_SCALE)).map_err(fail)?;
        area.present().map_err(fail)?;
    }
    let picture = RgbImage::from_raw(width, height, pixels)
        .ok_or_else(|| fail("the picture's size is wrong"))?;
    let mut png = std::io::Cursor::new(Vec::new());
    picture.write_to(&mut png, ImageFormat::Png).map_err(fail)?;
    let title = plot.title().to_owned();
    Ok(Drawn { name, svg: finish(&svg, size, &title), png: png.into_inner(), title })
}

fn style(k: f64, anchor: HPos) -> TextStyle<'static> {
    (FONT, TEXT_PX * k).into_font().color(&INK).pos(Pos::new(anchor, VPos::Center))
}

fn heading<DB: DrawingBackend>(
    area: &DrawingArea<DB, Shift>,
    title: &str,
    k: f64,
) -> DrawResult<DB> {
    let at = ((10.0 * k) as i32, (18.0 * k) as i32);
    let font = (FONT, 1.1 * TEXT_PX * k).into_font().color(&INK);
    area.draw(&Text::new(title.to_owned(), at, font.pos(Pos::new(HPos::Left, VPos::Center))))
}

/// All plots of a season that its loads allow.
///
/// # Errors
/// [`Error::Encode`] when one cannot be drawn.
pub fn plots(season: &Season) -> Result<Vec<Drawn>, Error> {
    let mut all = Vec::new();
    if !season.groups.is_empty() {
        all.push(both("groups", &Rows::of(season.by, &season.groups))?);
    }
    let days = |of: &dyn Fn(&SeasonLoad) -> Option<Estimate>| -> Vec<Point> {
        let own = season
            .loads
            .iter()
            .filter_map(|l| Some(Point::of(season::days_of(&l.day)? as f64, &of(l)?)));
        own.collect()
    };
    let rejects = days(&|l| l.by_mass.get(REJECTS).copied());
    if !rejects.is_empty() {
        let first = rejects.iter().map(|p| p.x).fold(f64::MAX, f64::min);
        let line = season.trend.as_ref().map(|t| {
            let at = |x: f64| (x, 100.0 * (t.intercept + t.slope * (x - first) / 7.0));
            let last = rejects.iter().map(|p| p.x).fold(f64::MIN, f64::max);
            [at(first), at(last)]
        });
        all.push(both(
            "trend",
            &Points {
                title: "Rejects by mass, load by load (95 % interval)".to_owned(),
                x_name: "day of delivery",
                y_name: "per cent of mass",
                days: true,
                series: vec![Series { name: "", look: 0, points: rejects }],
                line,
            },
        )?);
    }
    let removed = days(&|l| l.sorter.filter(|s| s.belong_together).map(|s| s.rejects_removed));
    let lost = days(&|l| l.sorter.filter(|s| s.belong_together).map(|s| s.sound_lost));
    if !removed.is_empty() {
        all.push(both(
            "sorter",
            &Points {
                title: "The sorter over time: what of the feed went to the waste".to_owned(),
                x_name: "day of delivery",
                y_name: "per cent of the feed's mass",
                days: true,
                series: vec![
                    Series { name: "rejects removed", look: 0, points: removed },
                    Series { name: "sound fruit lost", look: 1, points: lost },
                ],
                line: None,
            },
        )?);
    }
    let spent = |of: fn(&SeasonLoad) -> Option<f64>| -> Vec<Point> {
        let own = season.loads.iter().filter_map(|l| {
            let y = 100.0 * of(l)?;
            Some(Point { x: l.trays as f64, y, low: y, high: y })
        });
        own.collect()
    };
    let by_count = spent(|l| l.half_width_by_count);
    if !by_count.is_empty() {
        all.push(both(
            "precision",
            &Points {
                title: "Trays spent and precision reached: half the rejects' 95 % interval"
                    .to_owned(),
                x_name: "trays of the load that count",
                y_name: "percentage points",
                days: false,
                series: vec![
                    Series { name: "by count", look: 0, points: by_count },
                    Series { name: "by mass", look: 1, points: spent(|l| l.half_width_by_mass) },
                    Series {
                        name: "wanted by the plan (by count)",
                        look: 2,
                        points: spent(|l| l.half_width_wanted),
                    },
                ],
                line: None,
            },
        )?);
    }
    Ok(all)
}

/// Groups one under the other, rejects by mass with interval.
struct Rows {
    title: String,
    rows: Vec<(String, f64, Interval)>,
}

impl Rows {
    fn of(by: By, groups: &[Group]) -> Rows {
        let word = match by {
            By::Grower => "grower",
            By::Block => "block",
            By::Variety => "variety",
            By::Week => "week",
        };
        let rows = groups
            .iter()
            .map(|g| {
                let rejects = g.by_mass[REJECTS];
                let name: String = g.name.chars().take(26).collect();
                (format!("{name} ({})", g.loads), rejects.estimate, rejects.interval)
            })
            .collect();
        Rows { title: format!("Rejects by mass by {word} (95 % interval; number of loads)"), rows }
    }
}

impl Plot for Rows {
    fn title(&self) -> &str {
        &self.title
    }

    fn height(&self) -> u32 {
        110 + 34 * self.rows.len() as u32
    }

    fn draw<DB: DrawingBackend>(&self, area: &DrawingArea<DB, Shift>, k: f64) -> DrawResult<DB> {
        heading(area, &self.title, k)?;
        let px = |v: f64| (v * k) as i32;
        let most = self.rows.iter().map(|r| 100.0 * r.2.high).fold(1.0, f64::max);
        let step = super::text::step(most);
        let steps = (most / step).ceil().max(1.0);
        let (left, right, top) = (270.0, f64::from(WIDTH) - 30.0, 44.0);
        let x = |percent: f64| px(left + (right - left) * percent / (steps * step));
        let foot = top + 34.0 * self.rows.len() as f64;
        for i in 0..=steps as u32 {
            let at = f64::from(i) * step;
            let line = vec![(x(at), px(top)), (x(at), px(foot))];
            area.draw(&PathElement::new(line, INK.mix(0.2).stroke_width(k as u32)))?;
            let label = format!("{at} %");
            area.draw(&Text::new(label, (x(at), px(foot + 16.0)), style(k, HPos::Center)))?;
        }
        let middle = (x(steps * step / 2.0), px(foot + 44.0));
        area.draw(&Text::new("per cent of mass", middle, style(k, HPos::Center)))?;
        for (i, (name, estimate, interval)) in self.rows.iter().enumerate() {
            let y = top + 34.0 * i as f64 + 17.0;
            area.draw(&Text::new(name.clone(), (px(left - 10.0), px(y)), style(k, HPos::Right)))?;
            let (low, high) = (x(100.0 * interval.low), x(100.0 * interval.high));
            let thick = INK.stroke_width((2.0 * k) as u32);
            area.draw(&PathElement::new(vec![(low, px(y)), (high, px(y))], thick))?;
            for end in [low, high] {
                let tick = vec![(end, px(y - 6.0)), (end, px(y + 6.0))];
                area.draw(&PathElement::new(tick, thick))?;
            }
            let at = (x(100.0 * estimate), px(y));
            area.draw(&Circle::new(at, px(6.0), rgb(palette::ORANGE).filled()))?;
            area.draw(&Circle::new(at, px(6.0), INK.stroke_width(k as u32)))?;
        }
        Ok(())
    }
}

/// A point with an interval, per cent.
struct Point {
    x: f64,
    y: f64,
    low: f64,
    high: f64,
}

impl Point {
    fn of(x: f64, e: &Estimate) -> Point {
        Point {
            x,
            y: 100.0 * e.estimate,
            low: 100.0 * e.interval.low,
            high: 100.0 * e.interval.high,
        }
    }
}

struct Series {
    name: &'static str,
    look: usize,
    points: Vec<Point>,
}

/// Points over days or numbers, with whiskers, and a line if there is one.
struct Points {
    title: String,
    x_name: &'static str,
    y_name: &'static str,
    days: bool,
    series: Vec<Series>,
    line: Option<[(f64, f64); 2]>,
}

impl Plot for Points {
    fn title(&self) -> &str {
        &self.title
    }

    fn height(&self) -> u32 {
        430
    }

    fn draw<DB: DrawingBackend>(&self, area: &DrawingArea<DB, Shift>, k: f64) -> DrawResult<DB> {
        heading(area, &self.title, k)?;
        let px = |v: f64| (v * k) as i32;
        let named = self.series.iter().filter(|s| !s.name.is_empty() && !s.points.is_empty());
        let mut x = 90.0;
        let legend = named.clone().count() > 0;
        for s in named {
            marker(area, (px(x), px(46.0)), s.look, k)?;
            area.draw(&Text::new(s.name, (px(x + 14.0), px(46.0)), style(k, HPos::Left)))?;
            x += 44.0 + 9.6 * s.name.len() as f64;
        }
        let all = || self.series.iter().flat_map(|s| &s.points);
        let (mut first, mut last) =
            all().fold((f64::MAX, f64::MIN), |(a, b), p| (a.min(p.x), b.max(p.x)));
        let room = ((last - first) * 0.05).ceil().max(if self.days { 3.0 } else { 1.0 });
        first = first.floor() - room;
        last = last.ceil() + room;
        let most = all().map(|p| p.high).fold(1.0, f64::max);
        let step = super::text::step(most);
        let top = (most / step).ceil().max(1.0) * step;
        let mut chart = ChartBuilder::on(area)
            .margin(px(8.0))
            .margin_right(px(24.0))
            .margin_top(px(if legend { 64.0 } else { 40.0 }))
            .set_label_area_size(LabelAreaPosition::Left, px(82.0))
            .set_label_area_size(LabelAreaPosition::Bottom, px(62.0))
            .build_cartesian_2d(first..last, 0.0..top)?;
        let days = self.days;
        // There are no half days and no half trays.
        let on_x = |v: &f64| match (days, (v - v.round()).abs() < 1e-6) {
            (_, false) => String::new(),
            (true, true) => {
                season::day_of(v.round() as i64).get(5..).unwrap_or_default().to_owned()
            }
            (false, true) => format!("{v:.0}"),
        };
        let unit = if self.days { " %" } else { "" };
        let on_y = |v: &f64| format!("{v}{unit}");
        chart
            .configure_mesh()
            .light_line_style(INK.mix(0.0))
            .bold_line_style(INK.mix(0.18).stroke_width(k as u32))
            .axis_style(INK.mix(0.6).stroke_width(k as u32))
            .label_style((FONT, TEXT_PX * k).into_font().color(&INK))
            .x_labels(7)
            .y_labels((top / step) as usize + 1)
            .x_label_formatter(&on_x)
            .y_label_formatter(&on_y)
            .x_desc(self.x_name)
            .y_desc(self.y_name)
            .draw()?;
        if let Some([from, to]) = self.line {
            let dashes = 40;
            for i in (0..dashes).step_by(2) {
                let at = |i: u32| {
                    let t = f64::from(i) / f64::from(dashes);
                    (from.0 + t * (to.0 - from.0), from.1 + t * (to.1 - from.1))
                };
                let dash = vec![at(i), at(i + 1)];
                let stroke = INK.mix(0.8).stroke_width((2.0 * k) as u32);
                chart.draw_series([PathElement::new(dash, stroke)])?;
            }
        }
        let ground = chart.plotting_area().strip_coord_spec();
        let base = ground.get_base_pixel();
        for s in &self.series {
            for p in &s.points {
                let place = |y: f64| {
                    let (x, y) = chart.plotting_area().map_coordinate(&(p.x, y.min(top)));
                    (x - base.0, y - base.1)
                };
                if p.high > p.low {
                    let stroke = INK.mix(0.75).stroke_width((1.5 * k) as u32);
                    let (low, high) = (place(p.low), place(p.high));
                    ground.draw(&PathElement::new(vec![low, high], stroke))?;
                    for (x, y) in [low, high] {
                        let tick = vec![(x - px(4.0), y), (x + px(4.0), y)];
                        ground.draw(&PathElement::new(tick, stroke))?;
                    }
                }
                marker(&ground, place(p.y), s.look, k)?;
            }
        }
        Ok(())
    }
}

/// Marks that differ by shape and by lightness.
fn marker<DB: DrawingBackend>(
    area: &DrawingArea<DB, Shift>,
    (x, y): (i32, i32),
    look: usize,
    k: f64,
) -> DrawResult<DB> {
    let r = (6.0 * k) as i32;
    let edge = INK.stroke_width(k as u32);
    match look {
        0 => {
            area.draw(&Circle::new((x, y), r, rgb(palette::ORANGE).filled()))?;
            area.draw(&Circle::new((x, y), r, edge))
        }
        1 => {
            let corners = [(x - r, y - r), (x + r, y + r)];
            area.draw(&Rectangle::new(corners, rgb(palette::SKY_BLUE).filled()))?;
            area.draw(&Rectangle::new(corners, edge))
        }
        _ => {
            let thick = INK.stroke_width((2.0 * k) as u32);
            area.draw(&PathElement::new(vec![(x - r, y - r), (x + r, y + r)], thick))?;
            area.draw(&PathElement::new(vec![(x - r, y + r), (x + r, y - r)], thick))
        }
    }
}
