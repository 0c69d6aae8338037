//! The load slip's grey patches: they show how far middle and dark tones are from neutral when the
//! paper is, balance them, and check the outcome.
//!
//! A camera sets white balance before its tone curve, and the curve bends towards white. A wrong
//! balance therefore shows less in white paper than in the tones below it, and dividing by the
//! paper's colour takes out a part only. One number for red and one for blue, fitted to all six
//! patches, take out the rest; what the patches are still off by is the check.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use serde::Deserialize;
use thiserror::Error;

use super::{Lab, Light, PAPER_REFLECTANCE, delta_e2000, lab_from_linear, linear, linear_from_lab};
use crate::frame::Px;
use crate::given::{Kind, read_text};
use crate::marks::layout::SLIP_PATCH_CODES;
use crate::photo::Photo;
use crate::segment::raster;

/// Corrected tones from this on are balanced by the paper alone: it stands for them.
const WHITE: f64 = PAPER_REFLECTANCE;
/// Corrected tones below this lie under the bend of the tone curve and are off by the same factor
/// (found on renderings; no source).
const BELOW_BEND: f64 = 0.38;
/// The patches may not ask for a larger factor than this, either way: a stronger cast in the tones
/// alone is a stained or badly printed slip, not a camera's balance (common practice, no source).
pub const MAX_GAIN: f64 = 1.25;

/// Factors for tones below the paper's white, red, green and blue; 1 changes nothing.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Tone {
    /// Factor below the tone curve's bend; green is the measure of the others and stays at 1.
    pub gain: [f64; 3],
}

impl Default for Tone {
    fn default() -> Self {
        Tone { gain: [1.0; 3] }
    }
}

/// How much of the factor a corrected tone gets: 0 at the paper's white, 1 below the bend.
#[inline(always)]
fn part(value: f32) -> f32 {
    ((WHITE as f32 - value) * (1.0 / (WHITE - BELOW_BEND) as f32)).clamp(0.0, 1.0)
}

impl Tone {
    /// Balances linear RGB whose light is divided out.
    #[inline]
    pub fn apply(&self, rgb: [f32; 3]) -> [f32; 3] {
        std::array::from_fn(|c| self.apply_to(c, rgb[c]))
    }

    /// Balances one channel: 0 red, 1 green, 2 blue.
    #[inline(always)]
    pub fn apply_to(&self, channel: usize, value: f32) -> f32 {
        value * (1.0 + part(value) * (self.gain[channel] as f32 - 1.0))
    }

    /// Whether anything is changed.
    pub fn is_none(&self) -> bool {
        *self == Tone::default()
    }
}

/// A grey patch as seen in the photograph.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SeenPatch {
    /// The sRGB code that it is printed at.
    pub code: u8,
    /// Mean linear RGB with the light divided out.
    pub rgb: [f64; 3],
}

/// Takes the patches' colours. Patches: code and quadrilateral in the photograph; those outside
/// the picture are left out.
pub fn see(photo: &Photo, light: &Light, patches: &[(u8, [Px; 4])]) -> Vec<SeenPatch> {
    let (w, h) = (photo.rgb.width() as usize, photo.rgb.height() as usize);
    patches
        .iter()
        .filter_map(|(code, quad)| {
            let mut sum = [0.0f64; 3];
            let mut n = 0.0;
            raster::fill_polygon(quad, w, h, |y, a, b| {
                for x in a..b {
                    let px = photo.rgb.get_pixel(x as u32, y as u32);
                    let lit = light.at(x as f64, y as f64);
                    for c in 0..3 {
                        sum[c] += f64::from(linear(px.0[c])) / lit[c];
                    }
                    n += 1.0;
                }
            });
            (n > 0.0).then(|| SeenPatch { code: *code, rgb: sum.map(|s| s / n) })
        })
        .collect()
}

/// What the patches on the slip really look like, for those who have measured them.
#[derive(Debug, Clone, PartialEq)]
pub struct MeasuredPatches {
    lab: BTreeMap<u8, Lab>,
}

/// Why a file of measured patches cannot be used.
#[derive(Debug, Error)]
pub enum PatchesError {
    /// It could not be read.
    #[error("patches {}: {source}", path.display())]
    Read {
        /// The file.
        path: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
    /// It says something else.
    #[error(
        "patches {path}: {why}; write one line for each measured patch under [patches], its printed code and CIELAB (D65), as in 122 = [51.2, 0.1, -0.4]"
    )]
    Form {
        /// The file.
        path: String,
        /// What is wrong.
        why: String,
    },
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct PatchesFile {
    patches: BTreeMap<String, Lab>,
}

impl MeasuredPatches {
    /// Reads a TOML file: under `[patches]` the printed code of each measured patch and its L*,
    /// a*, b* (D65). Patches that are not named are not used.
    pub fn read(path: &Path) -> Result<MeasuredPatches, PatchesError> {
        let text = read_text(path, Kind::Patches)
            .map_err(|source| PatchesError::Read { path: path.to_path_buf(), source })?;
        MeasuredPatches::from_text(&path.display().to_string(), &text)
    }

    /// The same from the file's text; `path` is what errors call it.
    ///
    /// # Errors
    /// [`PatchesError::Form`] when it says something else.
    pub fn from_text(path: &str, text: &str) -> Result<MeasuredPatches, PatchesError> {
        let form = |why: String| PatchesError::Form { path: path.to_string(), why };
        let one_line = |e: toml::de::Error| form(e.message().replace('\n', " "));
        let file: PatchesFile = toml::from_str(text).map_err(one_line)?;
        let mut lab = BTreeMap::new();
        for (name, value) in file.patches {
            let code = name.parse().ok().filter(|c| SLIP_PATCH_CODES.contains(c));
            let code = code.ok_or_else(|| {
                form(format!("no patch is printed at {name}: they are {SLIP_PATCH_CODES:?}"))
            })?;
            let [l, a, b] = value;
            // A patch that is no grey at all is a slip of the pen.
            if !((1.0..=100.0).contains(&l) && a.abs() <= 30.0 && b.abs() <= 30.0) {
                return Err(form(format!("{value:?} is not the CIELAB colour of a grey patch")));
            }
            lab.insert(code, value);
        }
        if lab.is_empty() {
            return Err(form("it names no patch".into()));
        }
        Ok(MeasuredPatches { lab })
    }
}

/// The patches to be used, each with what it should look like: its own lightness apart, which
/// depends on exposure and tone curve, neutral or as measured.
fn targets<'a>(
    seen: &'a [SeenPatch],
    measured: Option<&'a MeasuredPatches>,
) -> impl Iterator<Item = (&'a SeenPatch, Option<Lab>)> {
    seen.iter().filter_map(move |patch| match measured {
        None => Some((patch, None)),
        Some(m) => m.lab.get(&patch.code).map(|lab| (patch, Some(*lab))),
    })
}

/// The factors that bring the patches nearest to what they should be (least squares of the
/// logarithms); none without patches.
pub fn balance(seen: &[SeenPatch], measured: Option<&MeasuredPatches>) -> Tone {
    let mut tone = Tone::default();
    for c in [0, 2] {
        let (mut top, mut bottom) = (0.0, 0.0);
        for (patch, target) in targets(seen, measured) {
            let wanted = target.map_or([1.0; 3], |lab| linear_from_lab(lab).map(|v| v.max(1e-3)));
            let [value, green] = [c, 1].map(|k| patch.rgb[k].max(1e-3));
            let off = (value / green * wanted[1] / wanted[c]).ln();
            let weight = f64::from(part(value as f32));
            top += weight * off;
            bottom += weight * weight;
        }
        if bottom > 0.0 {
            tone.gain[c] = (-top / bottom).exp().clamp(1.0 / MAX_GAIN, MAX_GAIN);
        }
    }
    tone
}

/// Greatest CIEDE2000 distance of a patch from the neutral of its own lightness, or from the a*,
/// b* measured, after balancing; none without patches.
pub fn error(seen: &[SeenPatch], tone: &Tone, measured: Option<&MeasuredPatches>) -> Option<f64> {
    targets(seen, measured)
        .map(|(patch, target)| {
            let rgb = tone.apply(patch.rgb.map(|v| v as f32)).map(f64::from);
            let lab = lab_from_linear(rgb);
            let [_, a, b] = target.unwrap_or_default();
            delta_e2000(lab, [lab[0], a, b])
        })
        .reduce(f64::max)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::colour::decode_srgb;

    /// Patches behind a camera with a curve that bends towards white, whose balance before the
    /// curve is off by `cast`; the light divided out as the paper asks.
    fn seen(cast: [f64; 3]) -> Vec<SeenPatch> {
        let curve = |x: f64| 1.6 * x / (1.0 + 0.9 * x * x);
        let paper = cast.map(|c| curve(PAPER_REFLECTANCE * c));
        SLIP_PATCH_CODES
            .iter()
            .map(|code| {
                let x = PAPER_REFLECTANCE * decode_srgb(f64::from(*code) / 255.0);
                let rgb =
                    std::array::from_fn(|c| PAPER_REFLECTANCE * curve(x * cast[c]) / paper[c]);
                SeenPatch { code: *code, rgb }
            })
            .collect()
    }

    #[test]
    fn a_cast_before_the_tone_curve_is_taken_out() {
        for cast in [[1.1, 1.0, 0.85], [0.9, 1.0, 1.1], [1.05, 1.0, 0.95]] {
            let patches = seen(cast);
            let before = error(&patches, &Tone::default(), None).expect("patches");
            let tone = balance(&patches, None);
            let after = error(&patches, &tone, None).expect("patches");
            assert!(before > 1.5 && after < 0.4 * before, "{cast:?}: {before} to {after}");
            assert_eq!(tone.gain[1], 1.0);
            assert!((tone.gain[0] < 1.0) == (cast[0] > 1.0), "{tone:?}");
        }
    }

    #[test]
    fn neutral_patches_change_nothing_and_white_is_never_changed() {
        let tone = balance(&seen([1.0; 3]), None);
        assert!(tone.gain.iter().all(|g| (g - 1.0).abs() < 1e-12), "{tone:?}");
        assert!(balance(&[], None).is_none());
        assert_eq!(error(&[], &tone, None), None);
        let strong = Tone { gain: [1.2, 1.0, 0.8] };
        assert_eq!(strong.apply([0.86, 0.9, 1.3]), [0.86, 0.9, 1.3]);
        let dark = strong.apply([0.2, 0.2, 0.2]);
        assert!((dark[0] - 0.24).abs() < 1e-6 && (dark[2] - 0.16).abs() < 1e-6, "{dark:?}");
    }

    #[test]
    fn a_stained_slip_cannot_pull_the_colours_far() {
        let mut patches = seen([1.0; 3]);
        patches.iter_mut().for_each(|p| p.rgb[2] *= 0.4);
        let tone = balance(&patches, None);
        assert_eq!(tone.gain[2], MAX_GAIN);
        assert!(error(&patches, &tone, None).is_some_and(|e| e > 3.0));
    }

    #[test]
    fn measured_patches_are_the_measure() {
        // A printer whose greys are bluish: b* = -5 throughout.
        let text: String = std::iter::once("[patches]\n".to_owned())
            .chain(
                SLIP_PATCH_CODES
                    .iter()
                    .zip([95.0, 80.0, 66.0, 51.0, 36.0, 22.0])
                    .map(|(code, l)| format!("{code} = [{l:.1}, 0.0, -5.0]\n")),
            )
            .collect();
        let measured = MeasuredPatches::from_text("p.toml", &text).expect("six patches");
        let patches: Vec<SeenPatch> = measured
            .lab
            .iter()
            .map(|(code, lab)| SeenPatch { code: *code, rgb: linear_from_lab(*lab) })
            .collect();
        // Seen as they are: nothing to balance, though they are not neutral.
        let tone = balance(&patches, Some(&measured));
        assert!(tone.gain.iter().all(|g| (g - 1.0).abs() < 1e-9), "{tone:?}");
        assert!(error(&patches, &tone, Some(&measured)).is_some_and(|e| e < 0.05));
        assert!(error(&patches, &tone, None).is_some_and(|e| e > 3.0));
        assert!(balance(&patches, None).gain[2] < 0.97);
    }

    #[test]
    fn files_that_say_something_else_are_told() {
        let parse = |text: &str| MeasuredPatches::from_text("p.toml", text);
        assert!(parse("[patches]\n122 = [51.2, 0.1, -0.4]\n").is_ok());
        for (text, why) in [
            ("", "missing field"),
            ("[patches]\n", "names no patch"),
            ("[patches]\n123 = [51.2, 0.1, -0.4]\n", "no patch is printed at 123"),
            ("[patches]\n122 = [51.2, 0.1]\n", "122 = [51.2"),
            ("[patches]\n122 = [151.2, 0.1, 0.0]\n", "not the CIELAB colour"),
            ("[patches]\n122 = [nan, 0.1, 0.0]\n", "not the CIELAB colour"),
            ("[patches]\n122 = [51.2, 45.0, 0.0]\n", "not the CIELAB colour"),
            ("[patches]\n122 = [51.2, 0.1, -0.4]\n[other]\n", "unknown field"),
            ("122", "p.toml"),
        ] {
            let error = parse(text).expect_err(text).to_string();
            assert!(error.contains(why) && !error.contains('\n'), "{error}");
            assert!(error.starts_with("patches p.toml: "), "{error}");
        }
    }
}
