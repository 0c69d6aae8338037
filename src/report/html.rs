//! `report.html`: one page that carries everything inside it, needs no script and no network,
//! reads in light and dark, and prints.

use std::fmt::{self, Write as _};

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD as BASE64;

use super::palette::{self, LineStyle};
use super::run::{LotResult, Run};
use super::sheet::{Doubtful, Sheet};
use super::text::{self, DISCLAIMER, percent, plural};
use super::{Error, columns, escape, plots};
use crate::classify::{Class, Outcome};
use crate::finding::{ColourSource, PatchColours, Severity};
use crate::frame::{CameraSource, FrameSource};
use crate::load::{Basis, ClassFigures, DiameterSpread, GroupFigures, LossTerm, LotFigures, Share};

const CSS: &str = include_str!("../assets/page.css");

/// The page as bytes.
///
/// # Errors
/// [`Error::Encode`] when a plot cannot be drawn.
pub fn page(run: &Run) -> Result<Vec<u8>, Error> {
    let mut out = String::with_capacity(1 << 20);
    write_page(&mut out, run)?;
    Ok(out.into_bytes())
}

fn write_page(out: &mut String, run: &Run) -> Result<(), Error> {
    head(out, run)?;
    for (i, lot) in run.lots.iter().enumerate() {
        lot_section(out, lot, i, run)?;
    }
    left_out(out, run)?;
    for (i, sheet) in run.sheets().enumerate() {
        photo_section(out, sheet, i)?;
    }
    reading_guide(out, run)?;
    writeln!(
        out,
        "</main>\n<footer><p>{DISCLAIMER}</p><p>Made with Acinus {}.</p></footer>\n</body>\n</html>",
        env!("CARGO_PKG_VERSION")
    )?;
    Ok(())
}

impl From<fmt::Error> for Error {
    fn from(error: fmt::Error) -> Self {
        Error::Encode { what: "the page", why: error.to_string() }
    }
}

fn head(out: &mut String, run: &Run) -> fmt::Result {
    let names: Vec<&str> = run.lots.iter().map(|l| l.name.as_str()).collect();
    let photos = run.sheets().count();
    let title = if names.is_empty() { "no figures".to_owned() } else { names.join(", ") };
    write!(
        out,
        "{}<header class=\"top\">\n<h1>Tray report</h1>\n\
         <p class=\"soft\">{} from {}</p>\n\
         <div class=\"notice\"><p>{DISCLAIMER}</p><p>Rot, mould, split and sunburnt fruit are not \
         measured. Shares are of what lies visible on the tray.</p></div>\n",
        page_head(&format!("Tray report: {title}")),
        plural(run.lots.len(), "lot"),
        plural(photos, "photograph"),
    )?;
    if run.lots.len() + photos > 2 {
        out.push_str("<nav aria-label=\"On this page\"><ul>\n");
        for (i, lot) in run.lots.iter().enumerate() {
            writeln!(out, "<li><a href=\"#lot-{}\">{}</a></li>", i + 1, escape(&lot.name))?;
        }
        for (i, sheet) in run.sheets().enumerate() {
            writeln!(out, "<li><a href=\"#photo-{}\">{}</a></li>", i + 1, escape(&sheet.name))?;
        }
        out.push_str("<li><a href=\"#reading\">How to read this page</a></li>\n</ul></nav>\n");
    }
    out.push_str("</header>\n<main>\n");
    Ok(())
}

fn lot_section(out: &mut String, lot: &LotResult, index: usize, run: &Run) -> Result<(), Error> {
    let sheets: Vec<&Sheet> = run.sheets().filter(|s| lot.photos.contains(&s.name)).collect();
    writeln!(
        out,
        "<section class=\"lot\" id=\"lot-{}\">\n<h2>{}</h2>",
        index + 1,
        escape(&lot.name)
    )?;
    match &lot.figures {
        Err(error) => {
            writeln!(
                out,
                "<div class=\"caution\">No figures: {}</div>",
                escape(&error.to_string())
            )?;
        }
        Ok(figures) => {
            lot_figures(out, figures, &sheets)?;
            if run.lots.len() > 1 && figures.loss.is_some() {
                out.push_str(
                    "<p class=\"soft\">The load's mass was given once and taken for every lot.</p>\n",
                );
            }
            notes(out, "Assumptions", &figures.assumptions, "notes")?;
        }
    }
    out.push_str(
        "<div class=\"sums\"><span>For the grower</span><span>For the winery</span>\
         <span>Date</span></div>\n</section>\n",
    );
    Ok(())
}

fn lot_figures(out: &mut String, figures: &LotFigures, sheets: &[&Sheet]) -> Result<(), Error> {
    writeln!(
        out,
        "<p class=\"soft\">{}, {}, about {:.0} g</p>",
        plural(figures.trays, "tray"),
        plural(figures.objects, "object"),
        figures.mass_g
    )?;
    let rejects = &figures.rejects.by_mass;
    let sound = figures.classes.iter().find(|c| c.class == Class::Sound);
    out.push_str("<div class=\"headline\">\n");
    headline(out, "rejects by mass", rejects)?;
    if let Some(sound) = sound {
        headline(out, "sound fruit by mass", &sound.figures.by_mass)?;
    }
    if let Some(loss) = &figures.loss {
        writeln!(
            out,
            "<div><span class=\"soft\">sorting loss of {} t</span><b>{:.0} kg</b>\
             <span class=\"soft\">{:.0} to {:.0} kg</span></div>",
            loss.load_tonnes, loss.total.kg, loss.total.low_kg, loss.total.high_kg
        )?;
    }
    out.push_str("</div>\n");
    let mut cautions = figures.cautions.clone();
    let forced = sheets.iter().filter(|s| s.forced);
    cautions.extend(
        forced.map(|s| format!("{}: this photograph was refused and measured by force.", s.name)),
    );
    cautions_box(out, &cautions)?;
    share_table(out, figures)?;
    loss_table(out, figures)?;
    Ok(())
}

fn headline(out: &mut String, what: &str, share: &Share) -> fmt::Result {
    let p = |v: f64| percent(v, share.estimate);
    writeln!(
        out,
        "<div><span class=\"soft\">{what}</span><b>{}&nbsp;%</b><span class=\"soft\">{} to {}&nbsp;% \
         at {:.0}&nbsp;% confidence</span></div>",
        p(share.estimate),
        p(share.interval.low),
        p(share.interval.high),
        100.0 * f64::from(share.interval.level)
    )
}

fn share_table(out: &mut String, figures: &LotFigures) -> fmt::Result {
    // One scale for all rows but the sound one, which would squeeze the others to nothing.
    let small = figures.classes.iter().filter(|c| c.class != Class::Sound).map(|c| &c.figures);
    let top = small
        .chain(std::iter::once(&figures.rejects))
        .map(|g| g.by_mass.interval.high)
        .fold(0.0, f64::max);
    let scale = (20.0 * top).ceil().max(1.0) / 20.0;
    write!(
        out,
        "<div class=\"scroll\"><table>\n<thead><tr><th>class</th><th>objects</th><th>by count</th>\
         <th>by area</th><th>by mass</th><th>by mass, 0 to {:.0}&nbsp;%</th>\
         <th>diameter, mm</th></tr></thead>\n<tbody>\n",
        100.0 * scale
    )?;
    for class in &figures.classes {
        class_row(out, class, scale)?;
    }
    out.push_str("<tr class=\"sum\"><th>rejects</th>");
    share_cells(out, &figures.rejects)?;
    writeln!(out, "<td>{}</td><td></td></tr>", range_strip(&figures.rejects.by_mass, scale))?;
    let u = &figures.unassigned;
    if u.count > 0 {
        writeln!(
            out,
            "<tr><th>{}unassigned</th><td>{}</td><td>{}&nbsp;%</td><td></td><td>{}&nbsp;%</td>\
             <td></td><td></td></tr>",
            sign(None),
            u.count,
            percent(u.share_by_count, u.share_by_count),
            percent(u.share_by_mass, u.share_by_mass)
        )?;
    }
    out.push_str("</tbody></table></div>\n");
    let berries = match &figures.berry_diameter {
        Some(d) => format!(" All berries: {} mm.", spread(d)),
        None => String::new(),
    };
    writeln!(
        out,
        "<p class=\"soft\">Rejects are shriveled, underripe and debris together. Under each share \
         stands its 95&nbsp;% interval. Contracts usually speak of mass.{berries}</p>"
    )
}

fn class_row(out: &mut String, class: &ClassFigures, scale: f64) -> fmt::Result {
    write!(out, "<tr><th>{}{}</th>", sign(Some(class.class)), class.class.name())?;
    share_cells(out, &class.figures)?;
    let strip = match class.class {
        Class::Sound => String::new(),
        _ => range_strip(&class.figures.by_mass, scale),
    };
    let diameter = class.diameter.as_ref().map(spread).unwrap_or_default();
    writeln!(out, "<td>{strip}</td><td>{diameter}</td></tr>")
}

fn share_cells(out: &mut String, group: &GroupFigures) -> fmt::Result {
    write!(out, "<td>{}</td>", group.count)?;
    for basis in Basis::ALL {
        let s = group.share(basis);
        let p = |v: f64| percent(v, s.estimate);
        write!(
            out,
            "<td>{}&nbsp;%<small>{} to {}</small></td>",
            p(s.estimate),
            p(s.interval.low),
            p(s.interval.high)
        )?;
    }
    Ok(())
}

/// `12.9 ± 1.4`: mean and standard deviation.
fn spread(d: &DiameterSpread) -> String {
    match d.sd_mm {
        Some(sd) => format!("{:.1} ± {sd:.1}", d.mean_mm),
        None => format!("{:.1}", d.mean_mm),
    }
}

/// A share's interval as a line with its estimate as a dot, from 0 to `scale`.
fn range_strip(share: &Share, scale: f64) -> String {
    let x = |v: f64| columns::fixed((v / scale).clamp(0.0, 1.0) * 150.0 + 5.0, 1);
    format!(
        "<svg class=\"strip\" width=\"160\" height=\"20\" viewBox=\"0 0 160 20\" role=\"img\" aria-label=\"{}\">\
         <path d=\"M5 3v14M155 3v14M5 10h150\" stroke=\"currentColor\" stroke-opacity=\".3\" fill=\"none\"/>\
         <path d=\"M{low} 10H{high}M{low} 5v10M{high} 5v10\" stroke=\"currentColor\" stroke-width=\"2\" fill=\"none\"/>\
         <circle cx=\"{}\" cy=\"10\" r=\"4.5\" fill=\"currentColor\"/></svg>",
        text::share(share),
        x(share.estimate),
        low = x(share.interval.low),
        high = x(share.interval.high)
    )
}

fn loss_table(out: &mut String, figures: &LotFigures) -> fmt::Result {
    let Some(loss) = &figures.loss else { return Ok(()) };
    let row = |out: &mut String, name: &str, how: &str, t: &LossTerm, class: &str| {
        writeln!(
            out,
            "<tr{class}><th>{name}</th><td class=\"words\">{how}</td><td>{:.0} kg\
             <small>{:.0} to {:.0}</small></td></tr>",
            t.kg, t.low_kg, t.high_kg
        )
    };
    writeln!(
        out,
        "<h3>Sorting loss of {} t</h3>\n<div class=\"scroll\"><table>\n<tbody>",
        loss.load_tonnes
    )?;
    let removal = format!(
        "1000 kg/t × {} t × removal rate {} × share of rejects by mass",
        loss.load_tonnes, loss.rates.removal_rate
    );
    row(out, "rejects taken out", &removal, &loss.rejects, "")?;
    let lost = format!(
        "1000 kg/t × {} t × false-reject rate {} × share of sound fruit by mass",
        loss.load_tonnes, loss.rates.false_reject_rate
    );
    row(out, "sound fruit lost", &lost, &loss.sound, "")?;
    row(out, "together", "both rates taken as known", &loss.total, " class=\"sum\"")?;
    out.push_str("</tbody></table></div>\n");
    Ok(())
}

fn left_out(out: &mut String, run: &Run) -> fmt::Result {
    if run.left_out().next().is_none() {
        return Ok(());
    }
    out.push_str(
        "<section id=\"left-out\">\n<h2>Photographs not used</h2>\n<div class=\"scroll\"><table>\n\
         <thead><tr><th>file</th><th style=\"text-align:left\">why, and what to do</th></tr></thead>\n<tbody>\n",
    );
    for left in run.left_out() {
        writeln!(
            out,
            "<tr><th>{}</th><td class=\"words\">{}</td></tr>",
            escape(&left.file),
            escape(&left.message)
        )?;
    }
    out.push_str("</tbody></table></div>\n</section>\n");
    Ok(())
}

fn photo_section(out: &mut String, sheet: &Sheet, index: usize) -> Result<(), Error> {
    let name = escape(&sheet.name);
    writeln!(out, "<section class=\"photo\" id=\"photo-{}\">\n<h2>{name}</h2>", index + 1)?;
    let mut cautions = Vec::new();
    if sheet.forced {
        cautions.push("This photograph was refused and measured by force.".to_owned());
    }
    cautions.extend(
        sheet.findings.iter().filter(|f| f.severity != Severity::Fine).map(|f| f.message.clone()),
    );
    cautions.extend(sheet.cautions.iter().cloned());
    cautions_box(out, &cautions)?;
    if let Some(jpeg) = &sheet.overlay_jpeg {
        writeln!(
            out,
            "<figure><img class=\"tray\" alt=\"The tray with every object outlined, numbered and \
             marked with its class\" src=\"data:image/jpeg;base64,{}\"></figure>",
            BASE64.encode(jpeg)
        )?;
    }
    key(out, sheet)?;
    out.push_str("<div class=\"plots\">\n");
    let histogram = plots::diameter_histogram(
        &sheet.objects,
        &format!("Histogram of diameters on {}, by class", sheet.name),
    )?;
    let colours = plots::colour_plot(
        &sheet.objects,
        &format!("Mean colours of the objects on {}, by class", sheet.name),
    )?;
    if let Some(svg) = histogram {
        writeln!(
            out,
            "<figure>{svg}<figcaption>Diameters: number of objects a millimetre. Each row has its \
             own scale.</figcaption></figure>"
        )?;
    }
    if let Some(svg) = colours {
        writeln!(
            out,
            "<figure>{svg}<figcaption>Mean colour of each object (CIELAB, D65), after correction \
             for the light.</figcaption></figure>"
        )?;
    }
    out.push_str("</div>\n");
    crops(out, sheet)?;
    facts(out, sheet)?;
    notes(out, "Assumptions", &sheet.assumptions, "notes")?;
    out.push_str("</section>\n");
    Ok(())
}

/// The classes' signs with names and counts.
fn key(out: &mut String, sheet: &Sheet) -> fmt::Result {
    out.push_str("<ul class=\"key\">\n");
    for outcome in palette::OUTCOMES {
        let count = sheet.objects.iter().filter(|o| o.class == outcome).count();
        if outcome.is_none() && count == 0 {
            continue;
        }
        writeln!(out, "<li>{}{} {count}</li>", sign(outcome), palette::name(outcome))?;
    }
    out.push_str("</ul>\n");
    Ok(())
}

/// The sign of a class: its outline style and letter as in the overlay, beside its plot marker.
fn sign(outcome: Outcome) -> String {
    let look = palette::look(outcome);
    let colour = palette::hex(look.colour);
    let ellipse = |rx: f64, ry: f64, width: f64, dash: &str| {
        format!(
            "<ellipse cx=\"17\" cy=\"12\" rx=\"{rx}\" ry=\"{ry}\" fill=\"none\" stroke=\"{colour}\" \
             stroke-width=\"{width}\"{dash}/>"
        )
    };
    let outline = match look.line {
        LineStyle::Solid => ellipse(14.0, 9.5, 2.4, ""),
        LineStyle::Dashed => ellipse(14.0, 9.5, 2.6, " stroke-dasharray=\"7 4\""),
        LineStyle::Dotted => {
            ellipse(14.0, 9.5, 3.4, " stroke-dasharray=\"0 5.7\" stroke-linecap=\"round\"")
        }
        LineStyle::Double => ellipse(15.6, 11.0, 1.3, "") + &ellipse(12.4, 8.0, 1.3, ""),
        LineStyle::DashDot => {
            ellipse(14.0, 9.5, 2.6, " stroke-dasharray=\"8 4 0.1 4\" stroke-linecap=\"round\"")
        }
    };
    let letter = match look.line {
        LineStyle::Solid => String::new(),
        _ => format!(
            "<text x=\"17\" y=\"16.5\" text-anchor=\"middle\" font-size=\"12.5\" font-weight=\"700\" \
             fill=\"#fff\">{}</text>",
            look.letter
        ),
    };
    let marker = match look.marker {
        palette::Marker::Circle => format!(
            "<circle cx=\"48\" cy=\"12\" r=\"5\" fill=\"{colour}\" stroke=\"currentColor\" stroke-opacity=\".6\"/>"
        ),
        palette::Marker::Triangle => marker_path("M41 18h14l-7-13z", &colour),
        palette::Marker::Square => marker_path("M43 7h10v10h-10z", &colour),
        palette::Marker::Cross => marker_lines("M42 6l12 12M42 18l12-12", &colour),
        palette::Marker::Plus => marker_lines("M41 12h14M48 5v14", &colour),
    };
    format!(
        "<svg class=\"sign\" width=\"58\" height=\"24\" viewBox=\"0 0 58 24\" aria-hidden=\"true\">\
         <rect width=\"34\" height=\"24\" rx=\"3\" fill=\"#1b1c20\"/>{outline}{letter}{marker}</svg>"
    )
}

fn marker_path(d: &str, colour: &str) -> String {
    format!("<path d=\"{d}\" fill=\"{colour}\" stroke=\"currentColor\" stroke-opacity=\".75\"/>")
}

fn marker_lines(d: &str, colour: &str) -> String {
    format!(
        "<path d=\"{d}\" stroke=\"{colour}\" stroke-width=\"4\"/>\
         <path d=\"{d}\" stroke=\"currentColor\" stroke-width=\"1\"/>"
    )
}

fn crops(out: &mut String, sheet: &Sheet) -> fmt::Result {
    if sheet.doubtful_count == 0 {
        return Ok(());
    }
    let shown = if sheet.doubtful.len() < sheet.doubtful_count {
        format!(", the least sure {} shown", sheet.doubtful.len())
    } else {
        String::new()
    };
    writeln!(
        out,
        "<h3>Unsure of {}{shown}</h3>\n<p class=\"soft\">Unassigned, or less than {:.0}&nbsp;% sure \
         of the class. Please look at them.</p>\n<ul class=\"crops\">",
        plural(sheet.doubtful_count, "object"),
        100.0 * sheet.doubtful_below
    )?;
    for doubtful in &sheet.doubtful {
        crop(out, doubtful)?;
    }
    out.push_str("</ul>\n");
    Ok(())
}

fn crop(out: &mut String, doubtful: &Doubtful) -> fmt::Result {
    let mut ranked: Vec<(Class, f64)> =
        Class::ALL.into_iter().zip(doubtful.probabilities).collect();
    ranked.sort_by(|a, b| b.1.total_cmp(&a.1));
    let guesses: Vec<String> = ranked
        .iter()
        .take(2)
        .filter(|(_, p)| p.is_finite())
        .map(|(class, p)| format!("{} {:.0}&nbsp;%", class.name(), 100.0 * p))
        .collect();
    writeln!(
        out,
        "<li><img alt=\"Object {}\" src=\"data:image/jpeg;base64,{}\"><b>{}: {}</b><br>{}</li>",
        doubtful.object,
        BASE64.encode(&doubtful.jpeg),
        doubtful.object,
        palette::name(doubtful.class),
        guesses.join(", ")
    )
}

fn facts(out: &mut String, sheet: &Sheet) -> fmt::Result {
    let frame = &sheet.marks.frame;
    let mut rows = vec![
        ("file", escape(&sheet.file)),
        ("SHA-256", format!("<span class=\"mono\">{}</span>", escape(&sheet.sha256))),
        ("size", format!("{} × {} px", sheet.size_px[0], sheet.size_px[1])),
    ];
    if let Some(taken) = &sheet.taken {
        // EXIF writes 2026:09:18 07:42:10.
        rows.push(("taken (as the file says)", escape(&taken.replacen(':', "-", 2))));
    }
    rows.push((
        "load slip",
        sheet.slip().map_or_else(
            || "none".to_owned(),
            |s| escape(&format!("{}, {}, tray {}", s.load, s.lot, s.tray)),
        ),
    ));
    let tray =
        frame.tray_mm.map_or_else(String::new, |t| format!(", tray {:.0} × {:.0} mm", t[0], t[1]));
    rows.push((
        "scale",
        format!("{}, {:.2} px/mm{tray}", frame_words(frame.source), frame.px_per_mm),
    ));
    if let Some(rms) = frame.reprojection_rms_px {
        rows.push(("tiles' corners fit within", format!("{rms:.2} px (root mean square)")));
    }
    rows.push((
        "camera",
        format!(
            "{:.0} mm above the floor, {}",
            frame.camera_mm[2],
            camera_words(frame.camera_source)
        ),
    ));
    if let Some(colour) = &sheet.colour {
        let held = match colour.patches {
            PatchColours::Nominal => "of neutral",
            PatchColours::Measured => "of what was measured",
        };
        let patches = colour
            .grey_patches_delta_e00
            .map_or_else(String::new, |d| format!("; grey patches within {d:.1} ΔE00 {held}"));
        let words = if colour.grey {
            "a grey picture: measured, not classified"
        } else {
            colour_words(colour.source)
        };
        rows.push(("colour", format!("{words}{patches}")));
    }
    rows.push(("judged as", format!("{}-skinned fruit", sheet.fruit.name())));
    rows.push(("profile", escape(&sheet.profile)));
    if !sheet.timings.is_empty() {
        let total: f64 = sheet.timings.iter().map(|t| t.1).sum();
        rows.push(("time taken", format!("{:.0} ms", 1000.0 * total)));
    }
    let mut body = String::new();
    for (name, value) in rows {
        writeln!(body, "<tr><th>{name}</th><td>{value}</td></tr>")?;
    }
    writeln!(
        out,
        "<h3>How it was read</h3>\n<table class=\"facts\"><tbody>\n{body}</tbody></table>"
    )
}

fn frame_words(source: FrameSource) -> &'static str {
    match source {
        FrameSource::FourTiles => "from all four tiles",
        FrameSource::ThreeTiles => "from three tiles",
        FrameSource::TwoTiles => "from two tiles only",
        FrameSource::TrayFloor => "from the tray floor's edges and its given size",
        FrameSource::GivenScale => "given by hand, tilt not corrected",
    }
}

fn camera_words(source: CameraSource) -> &'static str {
    match source {
        CameraSource::FocalLength => "from the tiles and the file's focal length",
        CameraSource::Given => "as given",
        CameraSource::Default => "assumed: the file tells no focal length",
    }
}

fn colour_words(source: ColourSource) -> &'static str {
    match source {
        ColourSource::Paper => "corrected by the white paper of tiles and slip",
        ColourSource::Floor => "corrected by the tray floor alone",
        ColourSource::None => "not corrected",
    }
}

/// Escaped text in which no per cent sign stands alone on the next line.
fn prose(text: &str) -> String {
    escape(text).replace(" %", "&nbsp;%")
}

fn cautions_box(out: &mut String, cautions: &[String]) -> fmt::Result {
    if cautions.is_empty() {
        return Ok(());
    }
    out.push_str("<div class=\"caution\"><b>Beware</b>\n<ul>\n");
    for caution in cautions {
        writeln!(out, "<li>{}</li>", prose(caution))?;
    }
    out.push_str("</ul></div>\n");
    Ok(())
}

fn notes(out: &mut String, title: &str, lines: &[String], class: &str) -> fmt::Result {
    if lines.is_empty() {
        return Ok(());
    }
    writeln!(out, "<h3>{title}</h3>\n<ul class=\"{class}\">")?;
    for line in lines {
        writeln!(out, "<li>{}</li>", prose(line))?;
    }
    out.push_str("</ul>\n");
    Ok(())
}

fn reading_guide(out: &mut String, run: &Run) -> fmt::Result {
    let mut methods: Vec<&'static str> = Vec::new();
    for figures in run.lots.iter().filter_map(|l| l.figures.as_ref().ok()) {
        let groups = figures.classes.iter().map(|c| &c.figures).chain([&figures.rejects]);
        for method in groups.flat_map(|g| Basis::ALL.map(|b| g.share(b).method.describe())) {
            if !methods.contains(&method) {
                methods.push(method);
            }
        }
    }
    out.push_str(
        "<section id=\"reading\">\n<h2>How to read this page</h2>\n<dl>\n\
         <dt>By count, by area, by mass</dt><dd>Three different shares. Count takes every object as \
         one. Area takes the silhouette seen from above. Mass is estimated from outline and class, \
         not weighed.</dd>\n\
         <dt>Interval</dt><dd>Chance in drawing the sample; at 95&nbsp;% it is met in 19 of 20 \
         samples. It does not cover a sample badly drawn from the load.",
    );
    for method in methods {
        write!(out, " {}.", escape(method))?;
    }
    out.push_str(
        "</dd>\n<dt>Sound, shriveled, underripe, debris</dt><dd>What an object most looks like, \
         among what the profile was taught. Shriveled means raisined; debris is everything that \
         is not a grape.</dd>\n\
         <dt>Unassigned</dt><dd>Unlike anything taught. In every total, in no class.</dd>\n\
         <dt>Diameter</dt><dd>Of the ball of the same estimated volume; mean ± standard \
         deviation.</dd>\n\
         <dt>Signs</dt><dd>Each class has its own colour, outline, letter and plot marker. Colours \
         after Okabe and Ito (2008), who chose them to be told apart with any colour vision.</dd>\n\
         <dt>Machinery</dt><dd>Before reaching into a sorter, lock it out; the maker's manual and \
         local safety rules govern.</dd>\n</dl>\n</section>\n",
    );
    Ok(())
}

/// The beginning of a page up to its body. The policy lets the page load nothing: whatever a
/// photograph's name says, nothing runs.
pub(super) fn page_head(title: &str) -> String {
    format!(
        "<!doctype html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n\
         <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n\
         <meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; img-src data:; \
         style-src 'unsafe-inline'\">\n<title>{}</title>\n<style>\n{CSS}</style>\n</head>\n<body>\n",
        escape(title)
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::samples;

    fn text(run: &Run) -> String {
        String::from_utf8(page(run).expect("page")).expect("utf-8")
    }

    #[test]
    fn the_page_stands_alone() {
        let page = text(&samples::run(Some(12.5)));
        for outside in ["http://", "https://", "<script", "<link", "url(", "@import"] {
            // The SVG namespace is a name, not an address to load from.
            let page = page.replace("http://www.w3.org/2000/svg", "");
            assert!(!page.contains(outside), "{outside}");
        }
        assert!(page.starts_with("<!doctype html>") && page.trim_end().ends_with("</html>"));
    }

    #[test]
    fn every_tag_is_closed() {
        let page = text(&samples::run(Some(12.5)));
        let mut open: Vec<&str> = Vec::new();
        for piece in page.split('<').skip(1) {
            let tag = piece.split(['>', ' ', '\n', '/']).next().unwrap_or_default();
            if let Some(closed) = piece.strip_prefix('/') {
                let name = closed.split('>').next().unwrap_or_default();
                assert_eq!(open.pop(), Some(name), "near </{name}>");
            } else if !["meta", "!doctype", "img", "br"].contains(&tag)
                && !piece.split('>').next().unwrap_or_default().ends_with('/')
            {
                open.push(tag);
            }
        }
        assert_eq!(open, Vec::<&str>::new());
    }

    #[test]
    fn words_from_outside_are_escaped() {
        let page = text(&samples::run_of_bad_photographs());
        assert!(page.contains("photos/&lt;dark&gt;.jpg") && !page.contains("<dark>"));
    }

    #[test]
    fn figures_disclaimers_and_signs_are_there() {
        let page = text(&samples::run(Some(12.5)));
        for words in [
            DISCLAIMER,
            "Rot, mould, split and sunburnt",
            "DT-0001 UNSORTED",
            "removal rate 0.8",
            "Photographs not used",
            "For the grower",
            "Unsure of 2 objects",
            "lock it out",
        ] {
            assert!(page.contains(words), "{words}");
        }
        assert!(!text(&samples::run(None)).contains("Sorting loss"));
    }

    #[test]
    fn the_same_run_gives_the_same_page() {
        assert!(text(&samples::run(None)) == text(&samples::run(None)));
    }
}
