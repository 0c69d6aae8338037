//! The photograph with every object's outline, number and class, a title and a legend.

use image::{Rgb, RgbImage};
use rayon::prelude::*;

use super::Error;
use super::canvas::{self, Layer, Placing, Stroke};
use super::lettering::Lettering;
use super::outline::{self, Loop};
use super::palette::{self, LineStyle, Srgb};
use crate::classify::{Class, ObjectReading, Outcome};
use crate::pipeline::TrayReading;
use crate::segment::{Bounds, LabelMap};

/// How the overlay is drawn.
#[derive(Debug, Clone, PartialEq)]
pub struct OverlaySettings {
    /// The picture is shrunk to this width when wider, px.
    pub max_width_px: u32,
    /// JPEG quality, 1 to 100.
    pub jpeg_quality: u8,
}

impl Default for OverlaySettings {
    fn default() -> Self {
        OverlaySettings { max_width_px: 3000, jpeg_quality: 85 }
    }
}

const STRIP: Rgb<u8> = Rgb([27, 28, 32]);
const WHITE: Srgb = [255, 255, 255];
const PALE: Srgb = [190, 192, 200];
/// Said on every picture, because pictures get passed on alone.
const BLOWN_OUT: &str = "Planning estimate: check with a tray from the waste. Lock out before reaching in; maker's manual and local rules govern.";
/// Said on every picture, because pictures get passed on alone.
const DISCLAIMER: &str = "Estimate from a photograph; not an official inspection";

/// Draws the overlay; `bounds` are those of the reading's labels.
pub fn overlay(
    photo: &RgbImage,
    reading: &TrayReading,
    bounds: &[Option<Bounds>],
    settings: &OverlaySettings,
) -> Result<RgbImage, Error> {
    let lettering = Lettering::new()?;
    let frame = Frame::new(photo, settings);
    let (placing, line_unit) = (frame.placing, frame.line_unit);
    let mut picture = frame.picture();
    let mut layers: Vec<Layer> = reading
        .objects
        .par_iter()
        .flat_map_iter(|object| {
            let loops = loops_of(&reading.labels, bounds, object.measures.object, placing);
            let look = palette::look(object.class);
            Stroke::new(&loops, look.line, 1.45 * line_unit).layers(look.colour)
        })
        .collect();
    // Words come last, so that no neighbour's outline crosses them.
    let words = reading
        .objects
        .par_iter()
        .flat_map_iter(|object| words(&lettering, object, placing, line_unit));
    layers.par_extend(words);
    canvas::paint(&mut picture, &layers);

    let strip = Strip { lettering: &lettering, unit: frame.unit, width: frame.width as f32 };
    strip.title(&mut picture, reading, frame.title as f32);
    let legend_top = (frame.title + frame.height) as f32;
    strip.legend(&mut picture, reading, placing.scale, legend_top, frame.legend as f32);
    Ok(picture)
}

/// Draws what a sorter's rule would blow out: a ring around each object that `picked` names, a thin
/// outline around the rest. The cautions stand on the picture.
///
/// # Errors
/// [`Error`] when the letters or the picture cannot be made.
pub fn blown_out(
    photo: &RgbImage,
    reading: &TrayReading,
    picked: impl Fn(&ObjectReading) -> bool + Sync,
    settings: &OverlaySettings,
) -> Result<RgbImage, Error> {
    let frame = Frame::new(photo, settings);
    let lettering = Lettering::new()?;
    let mut picture = frame.picture();
    let bounds = reading.labels.bounds();
    let (out, on): (Vec<_>, Vec<_>) = reading.objects.iter().partition(|o| picked(o));
    let strokes = |objects: &[&ObjectReading], line, width, colour| -> Vec<Layer> {
        objects
            .par_iter()
            .flat_map_iter(|o| {
                let loops = loops_of(&reading.labels, &bounds, o.measures.object, frame.placing);
                Stroke::new(&loops, line, width).layers(colour)
            })
            .collect()
    };
    let mut layers = strokes(&on, LineStyle::Solid, 0.6 * frame.line_unit, PALE);
    let rings = out.par_iter().flat_map_iter(|o| {
        let m = &o.measures;
        let centre = frame.placing.place([m.col as f32, m.row as f32]);
        let reach = (m.area_px as f32 / std::f32::consts::PI).sqrt() * frame.placing.scale;
        let ring = circle(centre, [1.25 * reach + 5.0 * frame.line_unit; 2]);
        let number = m.object.to_string();
        let size = 10.0 * frame.line_unit;
        let x = centre[0] - lettering.width(&number, size) / 2.0;
        let y = centre[1] + lettering.capital_height(size) / 2.0;
        let mask = lettering.mask(&number, size).moved(x.round() as i32, y.round() as i32);
        let stroke = Stroke::new(&[ring], LineStyle::Solid, 2.4 * frame.line_unit);
        let words = Layer::cased(mask, 0.8 * frame.line_unit, WHITE);
        stroke.layers(palette::ORANGE).into_iter().chain(words)
    });
    layers.par_extend(rings);
    canvas::paint(&mut picture, &layers);
    let strip = Strip { lettering: &lettering, unit: frame.unit, width: frame.width as f32 };
    strip.title(&mut picture, reading, frame.title as f32);
    let middle = (frame.title + frame.height) as f32 + frame.legend as f32 / 2.0;
    let words =
        format!("ringed: blown out by the rule, {} of {}", out.len(), reading.objects.len());
    let left = 12.0 * frame.unit;
    let end = strip.write(&mut picture, &words, 14.0 * frame.unit, left, middle, WHITE);
    // As large as the rest of the strip allows.
    let natural = lettering.width(BLOWN_OUT, 14.0 * frame.unit);
    let room = frame.width as f32 - end - 34.0 * frame.unit;
    let size = 14.0 * frame.unit * (room / natural).clamp(0.3, 1.0);
    strip.write(&mut picture, BLOWN_OUT, size, end + 22.0 * frame.unit, middle, PALE);
    Ok(picture)
}

/// A photograph shrunk to its place between two strips.
struct Frame<'a> {
    photo: &'a RgbImage,
    /// Of the photograph in its place, px.
    width: u32,
    height: u32,
    unit: f32,
    /// Strips scale with the picture; lines and letters stay visible on small ones.
    line_unit: f32,
    /// Rows of the strips.
    title: u32,
    legend: u32,
    placing: Placing,
}

impl Frame<'_> {
    fn new<'a>(photo: &'a RgbImage, settings: &OverlaySettings) -> Frame<'a> {
        let [width, height] = canvas::shrunk_size(photo, settings.max_width_px.max(1));
        let unit = width as f32 / 1000.0;
        let (title, legend) = ((30.0 * unit) as u32, (42.0 * unit) as u32);
        Frame {
            photo,
            width,
            height,
            unit,
            line_unit: unit.max(1.2),
            title,
            legend,
            placing: Placing {
                scale: width as f32 / photo.width() as f32,
                origin: [0.0, title as f32],
            },
        }
    }

    /// The photograph with empty strips.
    fn picture(&self) -> RgbImage {
        canvas::shrink_framed(self.photo, self.width, [self.title, self.legend], STRIP)
    }
}

/// An ellipse as a closed line.
fn circle(centre: [f32; 2], radii: [f32; 2]) -> Loop {
    (0..120)
        .map(|i| {
            let t = i as f32 / 120.0 * std::f32::consts::TAU;
            [centre[0] + radii[0] * t.cos(), centre[1] + radii[1] * t.sin()]
        })
        .collect()
}

/// The smoothed outlines of one object in canvas pixels.
pub(crate) fn loops_of(
    labels: &LabelMap,
    bounds: &[Option<Bounds>],
    object: u32,
    placing: Placing,
) -> Vec<Loop> {
    let found = usize::try_from(object).ok().and_then(|n| n.checked_sub(1));
    let (Some(Some(bounds)), Ok(label)) =
        (found.and_then(|i| bounds.get(i)), u16::try_from(object))
    else {
        return Vec::new();
    };
    outline::outlines(labels, label, *bounds)
        .iter()
        .map(|line| outline::smooth(line, 3).iter().map(|&p| placing.place(p)).collect())
        .collect()
}

/// The letter (none on sound berries: they are the many) and the number of an object.
fn words(lettering: &Lettering, object: &ObjectReading, placing: Placing, unit: f32) -> Vec<Layer> {
    let look = palette::look(object.class);
    let centre = placing.place([object.measures.col as f32, object.measures.row as f32]);
    let number = object.measures.object.to_string();
    let mut words = Vec::with_capacity(4);
    let mut put = |text: &str, size: f32, middle_y: f32, colour| {
        let x = centre[0] - lettering.width(text, size) / 2.0;
        let y = middle_y + lettering.capital_height(size) / 2.0;
        let mask = lettering.mask(text, size).moved(x.round() as i32, y.round() as i32);
        words.extend(Layer::cased(mask, 0.7 * unit, colour));
    };
    let across =
        2.0 * (object.measures.area_px as f32 / std::f32::consts::PI).sqrt() * placing.scale;
    if object.class == Some(Class::Sound) {
        put(&number, 9.0 * unit, centre[1], PALE);
    } else if across < 24.0 * unit {
        // No room for two lines.
        put(&format!("{}{number}", look.letter), 9.0 * unit, centre[1], WHITE);
    } else {
        put(&look.letter.to_string(), 13.0 * unit, centre[1] - 4.2 * unit, WHITE);
        put(&number, 9.0 * unit, centre[1] + 6.0 * unit, PALE);
    }
    words
}

/// Draws the strips above and below the photograph.
struct Strip<'a> {
    lettering: &'a Lettering,
    unit: f32,
    width: f32,
}

impl Strip<'_> {
    /// Writes a line of text with its middle at `middle_y`; gives the x of its end.
    fn write(
        &self,
        picture: &mut RgbImage,
        text: &str,
        size: f32,
        x: f32,
        middle_y: f32,
        colour: Srgb,
    ) -> f32 {
        let y = middle_y + self.lettering.capital_height(size) / 2.0;
        let mask = self.lettering.mask(text, size).moved(x.round() as i32, y.round() as i32);
        canvas::paint(picture, &[Layer::ink(mask, colour)]);
        x + self.lettering.width(text, size)
    }

    fn title(&self, picture: &mut RgbImage, reading: &TrayReading, height: f32) {
        let margin = 12.0 * self.unit;
        let middle = height / 2.0;
        let facts = match &reading.marks.slip {
            Some(slip) => {
                let t = &slip.text;
                format!("load {}, lot {}, tray {}", t.load, t.lot, t.tray)
            }
            None => "no load slip".to_owned(),
        };
        let right = if reading.forced { "REFUSED, measured by force" } else { DISCLAIMER };
        // Long names get smaller letters rather than running into each other.
        let natural = |size: f32| {
            self.lettering.width(&reading.name, size)
                + self.lettering.width(&facts, 0.8 * size)
                + self.lettering.width(right, 0.7 * size)
        };
        let room = self.width - 2.0 * margin - 50.0 * self.unit;
        let size = (16.0 * self.unit) * (room / natural(16.0 * self.unit)).min(1.0);
        let end = self.write(picture, &reading.name, size, margin, middle, WHITE);
        self.write(picture, &facts, 0.8 * size, end + 18.0 * self.unit, middle, PALE);
        let x = self.width - margin - self.lettering.width(right, 0.7 * size);
        let colour = if reading.forced { palette::ORANGE } else { PALE };
        self.write(picture, right, 0.7 * size, x, middle, colour);
    }

    fn legend(
        &self,
        picture: &mut RgbImage,
        reading: &TrayReading,
        scale: f32,
        top: f32,
        height: f32,
    ) {
        let middle = top + height / 2.0;
        let unit = self.unit;
        let mut x = 12.0 * unit;
        for outcome in palette::OUTCOMES {
            let count = reading.objects.iter().filter(|o| o.class == outcome).count();
            if outcome.is_none() && count == 0 {
                continue;
            }
            x = self.entry(picture, outcome, count, x, middle) + 22.0 * unit;
        }
        self.scale_bar(picture, reading.marks.frame.px_per_mm as f32 * scale, middle);
    }

    /// One legend entry: a small outline with its letter, the name and the count.
    fn entry(
        &self,
        picture: &mut RgbImage,
        outcome: Outcome,
        count: usize,
        x: f32,
        middle: f32,
    ) -> f32 {
        let unit = self.unit;
        let look = palette::look(outcome);
        let (rx, ry) = (19.0 * unit, 13.0 * unit);
        let centre = [x + rx, middle];
        let shape = circle(centre, [rx, ry]);
        let stroke = Stroke::new(&[shape], look.line, 1.3 * unit);
        canvas::paint(picture, &stroke.layers(look.colour));
        if look.line != LineStyle::Solid {
            let letter = look.letter.to_string();
            let left = centre[0] - self.lettering.width(&letter, 13.0 * unit) / 2.0;
            self.write(picture, &letter, 13.0 * unit, left, middle, WHITE);
        }
        let text = format!("{} {}", look.name, count);
        self.write(picture, &text, 14.0 * unit, x + 2.0 * rx + 7.0 * unit, middle, WHITE)
    }

    /// A bar of 20 mm as it is at the tray's centre.
    fn scale_bar(&self, picture: &mut RgbImage, px_per_mm: f32, middle: f32) {
        const BAR_MM: f32 = 20.0;
        let unit = self.unit;
        let length = BAR_MM * px_per_mm;
        let text = "20 mm";
        let end = self.width - 12.0 * unit;
        let start = end - length;
        let text_x = start - 8.0 * unit - self.lettering.width(text, 12.0 * unit);
        // A wrong scale could make the bar wider than the picture; then it says nothing.
        if text_x < 0.7 * self.width {
            return;
        }
        self.write(picture, text, 12.0 * unit, text_x, middle, PALE);
        for (x0, x1, half) in [
            (start, end, 1.0 * unit),
            (start, start + 1.5 * unit, 6.0 * unit),
            (end - 1.5 * unit, end, 6.0 * unit),
        ] {
            let mut bar =
                canvas::Mask::around(std::iter::once([x0, middle - half, x1, middle + half]));
            bar.fill();
            canvas::paint(picture, &[Layer::ink(bar, PALE)]);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::samples;

    #[test]
    fn each_outline_has_its_class_colour_and_touching_objects_keep_both() {
        let (photo, reading) = samples::tray();
        let picture =
            overlay(&photo, &reading, &reading.labels.bounds(), &OverlaySettings::default())
                .expect("overlay");
        let title = (30.0 * photo.width() as f32 / 1000.0) as u32;
        for object in &reading.objects {
            let colour = palette::look(object.class).colour;
            let m = &object.measures;
            let reach = (m.area_px as f64).sqrt() as i64;
            let close = |p: &Rgb<u8>| p.0.iter().zip(colour).all(|(a, b)| a.abs_diff(b) < 40);
            let near = (-reach..=reach).flat_map(|dy| (-reach..=reach).map(move |dx| (dx, dy)));
            let found = near
                .map(|(dx, dy)| (m.col as i64 + dx, m.row as i64 + dy + i64::from(title)))
                .filter(|&(x, y)| x >= 0 && y >= 0)
                .filter(|&(x, y)| (x as u32) < picture.width() && (y as u32) < picture.height())
                .filter(|&(x, y)| close(picture.get_pixel(x as u32, y as u32)))
                .count();
            assert!(found > 20, "object {} shows {found} pixels of its colour", m.object);
        }
    }

    /// Ring colour lies around picked objects alone.
    #[test]
    fn what_is_blown_out_is_ringed() {
        let (photo, reading) = samples::tray();
        let picked = |o: &ObjectReading| o.measures.object.is_multiple_of(2);
        let picture = blown_out(&photo, &reading, picked, &Default::default()).expect("picture");
        let title = (30.0 * photo.width() as f32 / 1000.0) as u32;
        for object in &reading.objects {
            let m = &object.measures;
            // The ring's line lies just inside it: 1.2 px units, 2.4 wide, 0.8 of that inwards.
            let reach = 1.25 * (f64::from(m.area_px) / std::f64::consts::PI).sqrt() + 6.0 - 2.3;
            let ringed = (0..360).filter(|d| {
                let (s, c) = f64::from(*d).to_radians().sin_cos();
                let (x, y) = ((m.col + reach * c) as u32, (m.row + reach * s) as u32 + title);
                let p =
                    picture.get_pixel(x.min(picture.width() - 1), y.min(picture.height() - 1)).0;
                p.iter().zip(palette::ORANGE).all(|(a, b)| a.abs_diff(b) < 60)
            });
            let share = ringed.count() as f64 / 360.0;
            let wanted = m.object.is_multiple_of(2);
            assert!((share > 0.7) == wanted, "object {} {share}", m.object);
        }
    }

    #[test]
    fn a_wide_photograph_is_shrunk_and_a_tiny_one_is_not_harmed() {
        let (photo, reading) = samples::tray();
        let settings = OverlaySettings { max_width_px: 200, ..Default::default() };
        assert_eq!(
            overlay(&photo, &reading, &reading.labels.bounds(), &settings)
                .expect("overlay")
                .width(),
            200
        );
        let settings = OverlaySettings { max_width_px: 1, ..Default::default() };
        assert_eq!(
            overlay(&photo, &reading, &reading.labels.bounds(), &settings)
                .expect("overlay")
                .width(),
            1
        );
    }

    #[test]
    fn the_same_reading_gives_the_same_picture() {
        let (photo, reading) = samples::tray();
        let draw = || {
            overlay(&photo, &reading, &reading.labels.bounds(), &OverlaySettings::default())
                .expect("overlay")
        };
        assert!(draw() == draw());
    }
}
