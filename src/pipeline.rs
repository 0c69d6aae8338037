//! The only place that knows the order of the stages.

use std::time::Instant;

use crate::check::{self, CheckSettings, tray};
use crate::classify::{self, ClassifySettings, Fruit, ObjectReading};
use crate::colour::patches::{self, MeasuredPatches};
use crate::colour::{self, ColourSource, Light};
use crate::finding::{ColourFacts, Finding, PatchColours, Severity};
use crate::frame::{CameraSource, FrameSource};
use crate::guard::{self, caught};
use crate::marks::{self, Marks, MarksError, MarksSettings, SlipText};
use crate::measure::{self, Measures, Silhouette};
use crate::photo::{self, Photo, PhotoError};
use crate::profile::Profile;
use crate::segment::{self, LabelMap, Prepared, Scene, SegmentModel, SegmentSettings, TrayArea};

/// Everything read from one photograph.
#[derive(Debug, Clone)]
pub struct TrayReading {
    /// Stem of the file's name; names the outputs.
    pub name: String,
    /// SHA-256 of the file, lower-case hex.
    pub sha256: String,
    /// Size of the upright photograph, px.
    pub size_px: [u32; 2],
    /// When the photograph was taken, as the file says.
    pub taken: Option<String>,
    /// Marks and frame.
    pub marks: Marks,
    /// Objects in label order.
    pub objects: Vec<ObjectReading>,
    /// Label map.
    pub labels: LabelMap,
    /// How the colours came about; none when colour was not looked at.
    pub colour: Option<ColourFacts>,
    /// Skin colour the objects were judged by.
    pub fruit: Fruit,
    /// Name of the profile used.
    pub profile: String,
    /// Checks of the photograph, worst first.
    pub findings: Vec<Finding>,
    /// True when a refused photograph was measured all the same (`--force`).
    pub forced: bool,
    /// What was assumed, in words.
    pub assumptions: Vec<String>,
    /// What to beware of, in words.
    pub cautions: Vec<String>,
    /// Seconds a stage took, in order.
    pub timings: Vec<(&'static str, f64)>,
}

/// Settings of all stages.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Settings {
    /// Marks and frame.
    pub marks: MarksSettings,
    /// Finding and splitting.
    pub segment: SegmentSettings,
    /// Judging.
    pub classify: ClassifySettings,
    /// Limits of the checks.
    pub check: CheckSettings,
    /// Measured colours of the slip's grey patches; none takes them as neutral.
    pub patches: Option<MeasuredPatches>,
    /// Measure a photograph that the checks refuse.
    pub force: bool,
}

/// Why a photograph has no reading.
#[derive(Debug, thiserror::Error)]
pub enum Error {
    /// Not a usable picture file.
    #[error(transparent)]
    Photo(#[from] PhotoError),
    /// No tray frame.
    #[error(transparent)]
    Marks(#[from] MarksError),
    /// The checks refuse it.
    #[error("{}", refusal_in_words(findings, *measurable))]
    Refused {
        /// All findings, worst first; at least one is a refusal.
        findings: Vec<Finding>,
        /// Whether it could be measured all the same by force.
        measurable: bool,
        /// What its slip says, if it was read.
        slip: Option<SlipText>,
    },
    /// The program failed on it.
    #[error(transparent)]
    Fault(#[from] guard::Fault),
}

fn refusal_in_words(findings: &[Finding], measurable: bool) -> String {
    let refusals: Vec<&Finding> = refusals(findings).collect();
    let mut words = refusals.first().map_or_else(String::new, |f| f.message.clone());
    if refusals.len() > 1 {
        let others: Vec<&str> = refusals.iter().skip(1).map(|f| f.check).collect();
        words.push_str(&format!("; also: {}", others.join(", ")));
    }
    if !measurable {
        words.push_str(" (no scale was found either, so it cannot be measured by force)");
    }
    words
}

fn refusals(findings: &[Finding]) -> impl Iterator<Item = &Finding> {
    findings.iter().filter(|f| f.severity == Severity::Refusal)
}

/// A decoded photograph with its marks and its light.
#[derive(Debug, Clone)]
pub struct Opened {
    /// The photograph.
    pub photo: Photo,
    /// Its marks.
    pub marks: Marks,
    /// The light to be divided out.
    pub light: Light,
    /// How the colours came about.
    pub colour: ColourFacts,
}

/// Decodes, finds the marks, measures the light.
pub fn open(photo: Photo, settings: &Settings) -> Result<Opened, MarksError> {
    let marks = marks::read(&photo, &settings.marks)?;
    Ok(light_up(photo, marks, settings))
}

/// Like [`open`], with the checks; a missing scale is told by its cause where the checks know it
/// (a blurred picture has no readable tiles).
fn open_checked(photo: Photo, settings: &Settings) -> Result<(Opened, Vec<Finding>), Error> {
    match marks::read(&photo, &settings.marks) {
        Ok(marks) => {
            let mut findings = check::photograph(&photo, Some(&marks), &settings.check);
            let opened = light_up(photo, marks, settings);
            findings.extend(check::colour(&opened.colour, &settings.check));
            check::sort(&mut findings);
            Ok((opened, findings))
        }
        Err(error @ (MarksError::NoScale { .. } | MarksError::NoFloor { .. })) => {
            let findings = check::photograph(&photo, None, &settings.check);
            if refusals(&findings).next().is_some() {
                Err(Error::Refused { findings, measurable: false, slip: None })
            } else {
                Err(error.into())
            }
        }
        Err(error) => Err(error.into()),
    }
}

fn refuse_unless_forced(
    findings: &[Finding],
    marks: &Marks,
    settings: &Settings,
) -> Result<bool, Error> {
    let refused = refusals(findings).next().is_some();
    if refused && !settings.force {
        let slip = marks.slip.as_ref().map(|s| s.text.clone());
        return Err(Error::Refused { findings: findings.to_vec(), measurable: true, slip });
    }
    Ok(refused)
}

/// Measures the light.
fn light_up(photo: Photo, marks: Marks, settings: &Settings) -> Opened {
    let centres: Vec<[f64; 2]> = marks.tiles.iter().map(|t| t.centre_mm).collect();
    let samples = colour::paper_samples(
        &photo,
        &marks.frame,
        &centres,
        marks::layout::TILE_SYMBOL_MM / 2.0 + 0.5,
        marks::layout::TILE_PAPER_MM / 2.0 - 0.7,
    );
    let mut light = if photo.grey {
        Light::from_paper(&samples).unwrap_or_else(Light::none)
    } else {
        Light::from_paper(&samples).unwrap_or_else(|| floor_light(&photo, &marks, settings))
    };
    let seen = marks.slip.as_ref().map(|s| patches::see(&photo, &light, &s.patches));
    let seen = seen.unwrap_or_default();
    let measured = settings.patches.as_ref();
    let by_paper = patches::error(&seen, &light.tone, measured);
    // Only paper is known to be white all over; a floor that is taken as neutral may be off itself,
    // and a grey picture has no colour to balance.
    if light.source == ColourSource::Paper && !photo.grey {
        light.tone = patches::balance(&seen, measured);
    }
    let paper = samples.iter().flat_map(|(_, rgb)| *rgb).reduce(f64::max);
    let colour = ColourFacts {
        source: light.source,
        paper_code: paper.map(|v| 255.0 * colour::encode_srgb(v)),
        paper_evenness: evenness(&samples),
        grey_patches_delta_e00: patches::error(&seen, &light.tone, measured),
        grey_patches_by_paper_delta_e00: by_paper,
        patches: if measured.is_some() { PatchColours::Measured } else { PatchColours::Nominal },
        tone_gain: light.tone.gain,
        grey: photo.grey,
    };
    Opened { photo, marks, light, colour }
}

/// Luminance of the darkest paper as a part of the brightest's.
fn evenness(samples: &[([f64; 2], [f64; 3])]) -> Option<f64> {
    let light = samples.iter().map(|(_, rgb)| colour::xyz_from_linear(*rgb)[1]);
    let (least, most) =
        light.fold((f64::INFINITY, 0.0f64), |(low, high), y| (low.min(y), high.max(y)));
    (samples.len() > 1 && most > 0.0).then(|| least / most)
}

/// Without paper, the tray floor is the only thing that may be neutral.
fn floor_light(photo: &Photo, marks: &Marks, settings: &Settings) -> Light {
    let none = Light::none();
    let prepared = prepare_with(photo, marks, &none, settings);
    let f = &prepared.floor;
    let w = f.columns;
    let mut rgb: [Vec<f32>; 3] = Default::default();
    for (i, _) in f.bare.iter().enumerate().filter(|(_, b)| **b) {
        let x = prepared.work.middle(i % w * f.cell, 0).min(photo.rgb.width() as usize - 1);
        let y = prepared.work.middle(i / w * f.cell, 1).min(photo.rgb.height() as usize - 1);
        let px = photo.rgb.get_pixel(x as u32, y as u32);
        rgb.iter_mut().zip(px.0).for_each(|(v, c)| v.push(colour::linear(c)));
    }
    if rgb[0].is_empty() {
        return none;
    }
    Light::from_floor(rgb.map(|mut v| {
        let mid = v.len() / 2;
        f64::from(*v.select_nth_unstable_by(mid, f32::total_cmp).1)
    }))
}

fn scene<'a>(photo: &'a Photo, marks: &'a Marks, light: &'a Light) -> Scene<'a> {
    let tray = match (marks.frame.source, marks.frame.tray_mm) {
        (FrameSource::GivenScale, _) | (_, None) => TrayArea::Search,
        (_, Some(size)) => {
            TrayArea::Outline(segment::tray_outline(&marks.frame, size, TRAY_INSET_MM))
        }
    };
    Scene { photo, tray, paper_px: &marks.paper_px, light, px_per_mm: marks.frame.px_per_mm }
}

/// The crease between floor and wall is left out by this, mm.
const TRAY_INSET_MM: f64 = 0.5;

fn prepare_with(photo: &Photo, marks: &Marks, light: &Light, settings: &Settings) -> Prepared {
    segment::prepare(&scene(photo, marks, light), &settings.segment)
}

/// Reduces the photograph and finds the floor.
pub fn prepare(opened: &Opened, settings: &Settings) -> Prepared {
    prepare_with(&opened.photo, &opened.marks, &opened.light, settings)
}

/// Finds and splits the objects.
pub fn find_objects(
    opened: &Opened,
    prepared: &Prepared,
    profile: &Profile,
    settings: &Settings,
) -> LabelMap {
    label_with(opened, prepared, &profile.segment, settings)
}

/// Finds and splits the objects by the learned part alone.
pub fn label_with(
    opened: &Opened,
    prepared: &Prepared,
    model: &SegmentModel,
    settings: &Settings,
) -> LabelMap {
    let scene = scene(&opened.photo, &opened.marks, &opened.light);
    if opened.photo.grey {
        segment::segment_by_contrast(&scene, prepared, &settings.segment)
    } else {
        segment::segment(&scene, prepared, &settings.segment, model)
    }
}

/// Measures the objects.
pub fn measure_objects(
    opened: &Opened,
    prepared: &Prepared,
    labels: &LabelMap,
) -> Vec<(Measures, Silhouette)> {
    measure::measure(labels, &prepared.work, &opened.marks.frame)
}

/// Reads one photograph from the bytes of its file.
pub fn read_tray(
    name: &str,
    bytes: &[u8],
    profile: &Profile,
    settings: &Settings,
) -> Result<(Photo, TrayReading), Error> {
    caught(|| read_tray_telling(name, bytes, profile, settings, &mut |_, _| {}))
        .unwrap_or_else(|fault| Err(fault.into()))
}

/// The same, telling each stage when it is done, with the findings so far.
pub fn read_tray_telling(
    name: &str,
    bytes: &[u8],
    profile: &Profile,
    settings: &Settings,
    tell: &mut dyn FnMut(&'static str, &[Finding]),
) -> Result<(Photo, TrayReading), Error> {
    let mut clock = Clock::start();
    let photo = photo::decode(bytes)?;
    clock.lap("decode");
    tell("decode", &[]);
    let (opened, mut findings) = open_checked(photo, settings)?;
    clock.lap("marks, checks and light");
    tell("marks", &findings);
    refuse_unless_forced(&findings, &opened.marks, settings)?;
    let prepared = prepare(&opened, settings);
    clock.lap("floor");
    tell("floor", &findings);
    let labels = find_objects(&opened, &prepared, profile, settings);
    clock.lap("segment");
    tell("segment", &findings);
    // The checks use one core only; what is measured meanwhile is dropped if they refuse.
    let ((), measured) = rayon::join(
        || look_at_tray(&opened, &prepared, &labels, settings, &mut findings),
        || measure_objects(&opened, &prepared, &labels),
    );
    tell("checks", &findings);
    let forced = refuse_unless_forced(&findings, &opened.marks, settings)?;
    clock.lap("measure");
    tell("measure", &findings);
    let camera = opened.marks.frame.camera_mm;
    let mut judged = classify::classify(&measured, camera, &profile.classes, &settings.classify);
    if opened.photo.grey {
        for o in &mut judged.objects {
            o.class = None;
            o.probabilities = [0.25; 4];
        }
    }
    clock.lap("classify");
    tell("classify", &findings);
    let assumptions = assumptions(&opened, &judged, settings);
    let cautions = cautions(&opened, &judged);
    let reading = TrayReading {
        name: name.to_string(),
        sha256: opened.photo.sha256.clone(),
        size_px: [opened.photo.rgb.width(), opened.photo.rgb.height()],
        taken: opened.photo.exif.taken.clone(),
        marks: opened.marks,
        objects: judged.objects,
        labels,
        colour: Some(opened.colour),
        fruit: judged.fruit,
        profile: profile.name.clone(),
        findings,
        forced,
        assumptions,
        cautions,
        timings: clock.laps,
    };
    Ok((opened.photo, reading))
}

/// The checks that need floor and objects.
fn look_at_tray(
    opened: &Opened,
    prepared: &Prepared,
    labels: &LabelMap,
    settings: &Settings,
    findings: &mut Vec<Finding>,
) {
    let s = &settings.check;
    findings.push(check::fruit(labels.count, s));
    let shaded = tray::shaded_share(prepared, s.deep_shadow);
    findings.extend(shaded.map(|share| tray::shadow(share, s)));
    // Contrast alone takes the shade between berries for fruit.
    let cover = (!opened.photo.grey)
        .then(|| tray::densest_cover(labels, prepared, &opened.marks.frame, s.cover_window_mm))
        .flatten();
    findings.extend(cover.map(|cover| tray::crowding(cover, s)));
    check::sort(findings);
}

/// Looks at one photograph without measuring it: what would be said of it, worst first. With a
/// profile, objects are found as `read_tray` finds them; without, whether there is fruit is judged
/// by contrast with the floor, and how thick it lies is not.
///
/// A photograph that the checks refuse is no error here: its refusals are among the findings.
pub fn check(
    bytes: &[u8],
    profile: Option<&Profile>,
    settings: &Settings,
) -> Result<Vec<Finding>, Error> {
    caught(|| look(bytes, profile, settings)).unwrap_or_else(|fault| Err(fault.into()))
}

fn look(
    bytes: &[u8],
    profile: Option<&Profile>,
    settings: &Settings,
) -> Result<Vec<Finding>, Error> {
    let (opened, mut findings) = match open_checked(photo::decode(bytes)?, settings) {
        Ok(seen) => seen,
        Err(Error::Refused { findings, .. }) => return Ok(findings),
        Err(error) => return Err(error),
    };
    if refusals(&findings).next().is_none() {
        let prepared = prepare(&opened, settings);
        match profile {
            Some(profile) => {
                let labels = find_objects(&opened, &prepared, profile, settings);
                look_at_tray(&opened, &prepared, &labels, settings, &mut findings);
            }
            None => {
                let scene = scene(&opened.photo, &opened.marks, &opened.light);
                let labels = segment::segment_by_contrast(&scene, &prepared, &settings.segment);
                findings.push(check::fruit(labels.count, &settings.check));
                check::sort(&mut findings);
            }
        }
    }
    Ok(findings)
}

struct Clock {
    last: Instant,
    laps: Vec<(&'static str, f64)>,
}

impl Clock {
    fn start() -> Clock {
        Clock { last: Instant::now(), laps: Vec::new() }
    }

    fn lap(&mut self, name: &'static str) {
        let now = Instant::now();
        self.laps.push((name, (now - self.last).as_secs_f64()));
        self.last = now;
    }
}

fn assumptions(opened: &Opened, judged: &classify::Judged, settings: &Settings) -> Vec<String> {
    let mut out = opened.photo.notes.clone();
    out.extend(opened.marks.notes.iter().cloned());
    match opened.light.source {
        ColourSource::Paper => out.push(format!(
            "light and colour cast taken from the tiles' white paper, which is taken to reflect {:.2} evenly",
            colour::PAPER_REFLECTANCE
        )),
        ColourSource::Floor => {
            out.push("no paper in view: the tray floor is taken as neutral grey".into());
        }
        ColourSource::None => out.push(
            "no paper and no neutral floor in view: colours taken as the camera gives them".into(),
        ),
    }
    if !opened.light.tone.is_none() {
        let [red, _, blue] = opened.light.tone.gain;
        let held = match opened.colour.patches {
            PatchColours::Nominal => "taken as neutral",
            PatchColours::Measured => "as measured",
        };
        out.push(format!(
            "middle and dark tones balanced by the slip's grey patches, {held} (red x {red:.3}, blue x {blue:.3})"
        ));
    }
    if opened.marks.frame.camera_source == CameraSource::Default
        && !out.iter().any(|n| n.contains("height"))
    {
        out.push(format!(
            "camera taken to be {:.0} mm above the tray floor (no focal length in the file)",
            opened.marks.frame.camera_mm[2]
        ));
    }
    match settings.classify.fruit {
        Some(fruit) => out.push(format!("fruit given as {}-skinned", fruit.name())),
        None => out.push(format!("fruit taken as {}-skinned by its colour", judged.fruit.name())),
    }
    out
}

fn cautions(opened: &Opened, judged: &classify::Judged) -> Vec<String> {
    let mut out = Vec::new();
    if opened.marks.frame.source == FrameSource::GivenScale {
        out.push(
            "the tray's edge is not known, so that its rim and what lies beside it may count as debris: look at the overlay, or give the tray's inner size with --tray instead of the scale".into(),
        );
    }
    if opened.photo.grey {
        out.push("grey picture: measured, not classified".to_string());
        return out;
    }
    if (0.2..0.8).contains(&judged.white_vote) {
        out.push(
            "black and white fruit could not be told apart with confidence: give --fruit".into(),
        );
    }
    if judged.typical_distance.is_some_and(|d| d > 1.0) {
        out.push(
            "the typical berry of this tray is unlike the sound berries that the profile was taught: check the classes by eye, or teach a profile for this fruit".into(),
        );
    }
    let unassigned = judged.objects.iter().filter(|o| o.class.is_none()).count();
    if unassigned > 0 {
        out.push(format!(
            "{unassigned} objects are unlike anything taught and were left unassigned"
        ));
    }
    out
}
