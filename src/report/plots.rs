//! Plots as SVG text, to be put inside a page.
//!
//! Ink is `currentColor`, so a plot follows the page's light or dark text. Classes differ by
//! marker and place as well as by colour, so a plot survives a grey printer.

use std::sync::OnceLock;

use plotters::coord::Shift;
use plotters::prelude::*;
use plotters::style::{FontStyle, register_font};

use super::Error;
use super::lettering::FONT_BYTES;
use super::palette::{self, Look, Marker};
use crate::classify::{ObjectReading, Outcome};

/// Stands for the page's text colour until [`finish`] puts `currentColor` in its place.
pub(super) const INK: RGBColor = RGBColor(1, 2, 3);
const INK_HEX: &str = "#010203";
pub(super) const FONT: &str = "sans-serif";
const TEXT_PX: f64 = 24.0;
/// Width of a plot, px of its own; the page scales it.
const WIDTH: u32 = 760;
/// Width of a histogram bar, mm.
const BIN_MM: f64 = 1.0;
/// Diameters beyond this fall into the last bar: leaves would squeeze the berries together.
const MAX_MM: f64 = 30.0;

pub(super) type Area<'a> = DrawingArea<SVGBackend<'a>, Shift>;

/// Plotters measures text with a font of ours; the browser then sets it in its own.
pub(super) fn ready() -> Result<(), Error> {
    static FONT_READ: OnceLock<bool> = OnceLock::new();
    match FONT_READ.get_or_init(|| register_font(FONT, FontStyle::Normal, FONT_BYTES).is_ok()) {
        true => Ok(()),
        false => Err(fail("the bundled font cannot be read")),
    }
}

pub(super) fn fail(why: impl std::fmt::Display) -> Error {
    Error::Encode { what: "a plot", why: why.to_string() }
}

/// Histogram of equivalent diameters, one row a class, each with its own scale of counts. None
/// when no object has a diameter.
pub fn diameter_histogram(objects: &[ObjectReading], title: &str) -> Result<Option<String>, Error> {
    ready()?;
    let rows: Vec<(Outcome, Vec<usize>)> = palette::OUTCOMES
        .into_iter()
        .map(|outcome| (outcome, bins(objects, outcome)))
        .filter(|(_, counts)| !counts.is_empty())
        .collect();
    if rows.is_empty() {
        return Ok(None);
    }
    let (row_height, foot) = (100, 66);
    let size = (WIDTH, row_height * rows.len() as u32 + foot);
    let mut svg = String::new();
    {
        let area = SVGBackend::with_string(&mut svg, size).into_drawing_area();
        let bars = rows.iter().map(|(_, c)| c.len()).max().unwrap_or(1).max(20);
        for (i, (outcome, counts)) in rows.iter().enumerate() {
            let last = i + 1 == rows.len();
            let top = (row_height * i as u32) as i32;
            let height = row_height + if last { foot } else { 0 };
            let strip = area.clone().shrink((0, top), (size.0, height));
            histogram_row(&strip, palette::look(*outcome), counts, bars, last).map_err(fail)?;
        }
        area.present().map_err(fail)?;
    }
    Ok(Some(finish(&svg, size, title)))
}

/// Counts per millimetre of the objects of one outcome; empty when there are none.
fn bins(objects: &[ObjectReading], outcome: Outcome) -> Vec<usize> {
    let own = objects.iter().filter(|o| o.class == outcome);
    counts_a_mm(own.map(|o| o.equivalent_diameter_mm))
}

/// Counts of diameters a millimetre; those of 30 mm and more are in the last one.
pub(crate) fn counts_a_mm(diameters_mm: impl Iterator<Item = f64>) -> Vec<usize> {
    let mut counts = Vec::new();
    for d in diameters_mm {
        if !d.is_finite() || d < 0.0 {
            continue;
        }
        let bin = (d.min(MAX_MM) / BIN_MM) as usize;
        if counts.len() <= bin {
            counts.resize(bin + 1, 0);
        }
        counts[bin] += 1;
    }
    counts
}

pub(super) type DrawError = DrawingAreaErrorKind<std::io::Error>;

fn histogram_row(
    area: &Area,
    look: Look,
    counts: &[usize],
    bars: usize,
    last: bool,
) -> Result<(), DrawError> {
    let most = counts.iter().copied().max().unwrap_or(1) as f64;
    let total: usize = counts.iter().sum();
    let mut chart = ChartBuilder::on(area)
        .margin_right(20)
        .margin_top(12)
        .set_label_area_size(LabelAreaPosition::Left, 70)
        .set_label_area_size(LabelAreaPosition::Bottom, if last { 66 } else { 4 })
        .build_cartesian_2d(0.0..bars as f64 * BIN_MM, 0.0..most * 1.25)?;
    let text = (FONT, TEXT_PX).into_font().color(&INK);
    let millimetres = |v: &f64| if last { format!("{v:.0}") } else { String::new() };
    let whole = |v: &f64| if v.fract() == 0.0 { format!("{v:.0}") } else { String::new() };
    let mut mesh = chart.configure_mesh();
    mesh.disable_mesh()
        .axis_style(INK.mix(0.6))
        .label_style(text.clone())
        .x_labels(if last { bars / 5 + 1 } else { 0 })
        .x_label_formatter(&millimetres)
        .y_labels(3)
        .y_label_formatter(&whole);
    if last {
        mesh.x_desc("diameter of the ball of the same estimated volume, mm (bars of 1 mm)");
    }
    mesh.draw()?;
    let colour = rgb(look.colour);
    for (bin, &count) in counts.iter().enumerate().filter(|(_, n)| **n > 0) {
        let corners =
            [(bin as f64 * BIN_MM + 0.06, 0.0), ((bin + 1) as f64 * BIN_MM - 0.06, count as f64)];
        chart.draw_series([
            Rectangle::new(corners, colour.filled()),
            Rectangle::new(corners, INK.mix(0.7).stroke_width(1)),
        ])?;
    }
    let words = format!("{}: {total}", look.name);
    let right = bars as f64 * BIN_MM * 0.985;
    let style = text.pos(plotters::style::text_anchor::Pos::new(
        plotters::style::text_anchor::HPos::Right,
        plotters::style::text_anchor::VPos::Top,
    ));
    chart.draw_series(std::iter::once(Text::new(words, (right, most * 1.2), style)))?;
    Ok(())
}

/// Two views of the objects' mean colours: b* over a*, and lightness over chroma. None when no
/// object has a colour.
pub fn colour_plot(objects: &[ObjectReading], title: &str) -> Result<Option<String>, Error> {
    ready()?;
    let points: Vec<Point> = palette::OUTCOMES
        .into_iter()
        .flat_map(|outcome| objects.iter().filter(move |o| o.class == outcome))
        .filter_map(Point::of)
        .collect();
    if points.is_empty() {
        return Ok(None);
    }
    let size = (WIDTH, 430);
    let mut svg = String::new();
    {
        let area = SVGBackend::with_string(&mut svg, size).into_drawing_area();
        let (left, right) = area.split_horizontally(WIDTH / 2);
        let reach = |f: fn(&Point) -> f64| range(points.iter().map(f));
        let (a, b) = square(reach(|p| p.a), reach(|p| p.b));
        let axes = Axes { x: a, y: b, x_name: "a*: green to red", y_name: "b*: blue to yellow" };
        scatter(&left, &axes, &points, |p| (p.a, p.b)).map_err(fail)?;
        let axes = Axes {
            x: (0.0, reach(|p| p.chroma).1.max(10.0)),
            y: (0.0, reach(|p| p.lightness).1.max(10.0)),
            x_name: "chroma: grey to vivid",
            y_name: "lightness L*",
        };
        scatter(&right, &axes, &points, |p| (p.chroma, p.lightness)).map_err(fail)?;
        area.present().map_err(fail)?;
    }
    Ok(Some(finish(&svg, size, title)))
}

struct Point {
    look: Look,
    a: f64,
    b: f64,
    chroma: f64,
    lightness: f64,
}

impl Point {
    fn of(object: &ObjectReading) -> Option<Point> {
        let m = &object.measures;
        let known = [m.a, m.b, m.chroma, m.lightness].iter().all(|v| v.is_finite());
        known.then(|| Point {
            look: palette::look(object.class),
            a: m.a,
            b: m.b,
            chroma: m.chroma,
            lightness: m.lightness,
        })
    }
}

struct Axes {
    x: (f64, f64),
    y: (f64, f64),
    x_name: &'static str,
    y_name: &'static str,
}

/// Least and greatest value, widened to whole tens.
fn range(values: impl Iterator<Item = f64>) -> (f64, f64) {
    let (low, high) = values.fold((f64::MAX, f64::MIN), |(l, h), v| (l.min(v), h.max(v)));
    (((low - 1.0) / 10.0).floor() * 10.0, ((high + 1.0) / 10.0).ceil() * 10.0)
}

/// Two ranges of equal length around the same middles: a* and b* have the same unit.
fn square(x: (f64, f64), y: (f64, f64)) -> ((f64, f64), (f64, f64)) {
    let half = ((x.1 - x.0).max(y.1 - y.0)) / 2.0;
    let around = |r: (f64, f64)| {
        let middle = (r.0 + r.1) / 2.0;
        (middle - half, middle + half)
    };
    (around(x), around(y))
}

fn scatter(
    area: &Area,
    axes: &Axes,
    points: &[Point],
    at: fn(&Point) -> (f64, f64),
) -> Result<(), DrawError> {
    let mut chart = ChartBuilder::on(area)
        .margin(8)
        .margin_right(20)
        .set_label_area_size(LabelAreaPosition::Left, 74)
        .set_label_area_size(LabelAreaPosition::Bottom, 66)
        .build_cartesian_2d(axes.x.0..axes.x.1, axes.y.0..axes.y.1)?;
    chart
        .configure_mesh()
        .disable_mesh()
        .axis_style(INK.mix(0.6))
        .label_style((FONT, TEXT_PX).into_font().color(&INK))
        .x_labels(5)
        .y_labels(6)
        .x_label_formatter(&|v| format!("{v:.0}"))
        .y_label_formatter(&|v| format!("{v:.0}"))
        .x_desc(axes.x_name)
        .y_desc(axes.y_name)
        .draw()?;
    let zero = INK.mix(0.25);
    let lines = [[(0.0, axes.y.0), (0.0, axes.y.1)], [(axes.x.0, 0.0), (axes.x.1, 0.0)]];
    chart.draw_series(lines.into_iter().map(|l| PathElement::new(l, zero)))?;
    let area = chart.plotting_area();
    for point in points {
        let place = area.map_coordinate(&at(point));
        marker(&area.strip_coord_spec(), place, point.look)?;
    }
    Ok(())
}

/// Draws one marker about a point given in pixels of the whole picture.
fn marker(area: &Area, (x, y): (i32, i32), look: Look) -> Result<(), DrawError> {
    let base = area.get_base_pixel();
    let (x, y) = (x - base.0, y - base.1);
    let (fill, edge) = (rgb(look.colour).filled(), INK.mix(0.75).stroke_width(1));
    let thick = rgb(look.colour).stroke_width(4);
    let thin = INK.mix(0.9).stroke_width(1);
    let shape = |points: &[(i32, i32)]| -> Vec<(i32, i32)> {
        points.iter().map(|p| (x + p.0, y + p.1)).collect()
    };
    let solid = |points: &[(i32, i32)]| -> Result<(), DrawError> {
        let mut outline = shape(points);
        area.draw(&Polygon::new(outline.clone(), fill))?;
        outline.extend(shape(&points[..1]));
        area.draw(&PathElement::new(outline, edge))
    };
    let lines = |pairs: [[(i32, i32); 2]; 2]| -> Result<(), DrawError> {
        for style in [thick, thin] {
            for pair in &pairs {
                area.draw(&PathElement::new(shape(pair), style))?;
            }
        }
        Ok(())
    };
    match look.marker {
        Marker::Circle => {
            area.draw(&Circle::new((x, y), 5, rgb(look.colour).mix(0.6).filled()))?;
            area.draw(&Circle::new((x, y), 5, INK.mix(0.45).stroke_width(1)))
        }
        Marker::Triangle => solid(&[(-7, 6), (7, 6), (0, -7)]),
        Marker::Square => solid(&[(-5, -5), (5, -5), (5, 5), (-5, 5)]),
        Marker::Cross => lines([[(-6, -6), (6, 6)], [(-6, 6), (6, -6)]]),
        Marker::Plus => lines([[(-7, 0), (7, 0)], [(0, -7), (0, 7)]]),
    }
}

pub(super) fn rgb(colour: palette::Srgb) -> RGBColor {
    RGBColor(colour[0], colour[1], colour[2])
}

/// Makes a plot scale with the page, follow its ink, and speak to a screen reader.
pub(super) fn finish(svg: &str, size: (u32, u32), title: &str) -> String {
    let fixed = format!("<svg width=\"{}\" height=\"{}\" ", size.0, size.1);
    let named =
        format!("<svg class=\"plot\" role=\"img\" aria-label=\"{}\" ", super::escape(title));
    svg.replacen(&fixed, &named, 1).replace(INK_HEX, "currentColor")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::classify::Class;
    use crate::report::samples;

    #[test]
    fn a_histogram_counts_every_object_once() {
        let (_, reading) = samples::tray();
        let counted: usize =
            palette::OUTCOMES.iter().flat_map(|&o| bins(&reading.objects, o)).sum();
        assert_eq!(counted, reading.objects.len());
        let svg = diameter_histogram(&reading.objects, "t").expect("plot").expect("some");
        for words in ["sound: 5", "shriveled: 1", "underripe: 1", "debris: 1", "unassigned: 1"] {
            assert!(svg.contains(words), "{words}");
        }
    }

    #[test]
    fn odd_diameters_do_no_harm() {
        let (_, mut reading) = samples::tray();
        for (object, d) in reading.objects.iter_mut().zip([f64::NAN, -1.0, f64::INFINITY, 1e9, 0.0])
        {
            object.equivalent_diameter_mm = d;
            object.class = Some(Class::Sound);
        }
        let counts = bins(&reading.objects[..5], Some(Class::Sound));
        assert_eq!(counts.iter().sum::<usize>(), 2);
        assert_eq!(counts.len(), (MAX_MM / BIN_MM) as usize + 1);
    }

    #[test]
    fn no_objects_no_plot_and_no_colour_no_plot() {
        assert!(diameter_histogram(&[], "t").expect("plot").is_none());
        assert!(colour_plot(&[], "t").expect("plot").is_none());
        let (_, mut reading) = samples::tray();
        reading.objects.iter_mut().for_each(|o| o.measures.a = f64::NAN);
        assert!(colour_plot(&reading.objects, "t").expect("plot").is_none());
    }

    #[test]
    fn plots_are_named_scalable_and_follow_the_page() {
        let (_, reading) = samples::tray();
        let svg =
            colour_plot(&reading.objects, "Colours of \"x\" <y>").expect("plot").expect("some");
        assert!(svg.starts_with("<svg class=\"plot\" role=\"img\" aria-label=\"Colours of &quot;x&quot; &lt;y&gt;\" viewBox="));
        assert!(!svg.contains(INK_HEX) && svg.contains("currentColor"));
        for words in ["a*: green to red", "lightness L*", "chroma"] {
            assert!(svg.contains(words), "{words}");
        }
    }
}
