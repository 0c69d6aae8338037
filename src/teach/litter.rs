//! Pieces of debris cut out of the photographs and strewn among the fruit of another: a handful of
//! photographs shows few stalks, and fewer still in every way that a berry can lie on one.

use super::floors::{light_of, lighter};
use super::{Lesson, Target};
use crate::network::Random;
use crate::segment::distance::squared_distance;

/// The shade around a piece is taken along this far, mm, fading.
const SHADE_MM: f32 = 2.5;
/// Pieces of photographs whose scale differs by more than this are not exchanged: no pixel is
/// resampled, for its grain would change.
const SAME_SCALE: f64 = 1.3;
/// Pieces smaller than this are too little to learn from, work pixels.
const LEAST_PX: usize = 24;
/// Tries to find a place for a piece.
const TRIES: usize = 40;
/// Share of the pieces that lie on top of what is there; the others lie under it.
const ON_TOP: f64 = 0.2;
/// Share of the pieces below that are put where an object lies, so that it crosses them.
const CROSSED: f64 = 0.6;

/// A piece of debris and the shade around it.
pub struct Cutting {
    width: usize,
    height: usize,
    /// Share of each pixel that shows the piece.
    share: Vec<f32>,
    /// Its light, times its share.
    rgb: Vec<[f32; 3]>,
    /// What is left of the light on the floor around it.
    shade: Vec<f32>,
    px_per_mm: f64,
}

impl Cutting {
    /// Column and row of pixel `i` after a turn by quarters and a flip.
    fn turned(&self, turn: usize, i: usize) -> [usize; 2] {
        let (w, h) = (self.width, self.height);
        let x = if turn & 1 == 0 { i % w } else { w - 1 - i % w };
        let y = if turn & 2 == 0 { i / w } else { h - 1 - i / w };
        if turn & 4 == 0 { [x, y] } else { [y, x] }
    }
}

/// All debris of a photograph.
pub fn cuttings(lesson: &Lesson) -> Vec<Cutting> {
    lesson.debris.iter().filter_map(|label| cut(lesson, *label)).collect()
}

fn cut(lesson: &Lesson, own: u16) -> Option<Cutting> {
    let Lesson { prepared, target, .. } = lesson;
    let (w, h) = (prepared.work.width(), prepared.work.height());
    let ppm = prepared.work.px_per_mm;
    let margin = (f64::from(SHADE_MM) * ppm).ceil() as usize + 1;
    let mut bounds = [usize::MAX, usize::MAX, 0, 0];
    let mut size = 0;
    for (i, _) in target.label.iter().enumerate().filter(|(_, l)| **l == own) {
        let (x, y) = (i % w, i / w);
        bounds = [bounds[0].min(x), bounds[1].min(y), bounds[2].max(x), bounds[3].max(y)];
        size += 1;
    }
    if size < LEAST_PX {
        return None;
    }
    let (x0, y0) = (bounds[0].saturating_sub(margin), bounds[1].saturating_sub(margin));
    let (x1, y1) = ((bounds[2] + margin + 1).min(w), (bounds[3] + margin + 1).min(h));
    let (width, height) = (x1 - x0, y1 - y0);
    let global = |i: usize| (y0 + i / width) * w + x0 + i % width;
    let elsewhere: Vec<bool> =
        (0..width * height).map(|i| target.label[global(i)] != own).collect();
    let away = squared_distance(&elsewhere, width);
    let mut out = Cutting {
        width,
        height,
        share: vec![0.0; width * height],
        rgb: vec![[0.0; 3]; width * height],
        shade: vec![1.0; width * height],
        px_per_mm: ppm,
    };
    for i in 0..width * height {
        let g = global(i);
        let lab = [&prepared.work.l, &prepared.work.a, &prepared.work.b].map(|p| p.data[g]);
        let light = light_of(lab);
        let f = prepared.floor.at(g % w, g / w);
        let floor = light_of([f[0], f[1], f[2]]);
        let edge = target.label[g] == 0 && away[i] <= 2.0 && target.object[g] > 0.0;
        if target.label[g] == own || edge {
            let share = target.object[g];
            out.share[i] = share;
            // Mixed pixels lose the floor's part.
            out.rgb[i] = std::array::from_fn(|c| (light[c] - (1.0 - share) * floor[c]).max(0.0));
        } else if target.object[g] == 0.0 && prepared.allowed[g] {
            let fade = 1.0 - away[i].sqrt() / (SHADE_MM * ppm as f32);
            let dark = 1.0 - lighter(light, floor).clamp(0.2, 1.0);
            out.shade[i] = 1.0 - dark * fade.clamp(0.0, 1.0);
        }
    }
    Some(out)
}

/// A picture in the making.
pub struct Ground<'a> {
    /// Light of every pixel.
    pub rgb: Vec<[f32; 3]>,
    /// Light of the floor there, whether or not anything lies on it.
    pub floor: Vec<[f32; 3]>,
    /// Shade of the objects on that floor.
    pub shade: &'a [f32],
    /// Where objects can lie.
    pub allowed: &'a [bool],
    /// Width, px.
    pub width: usize,
    /// Scale.
    pub px_per_mm: f64,
}

/// Strews `count` pieces, drawn from all, over the picture; returns its new truth.
pub fn strew(
    ground: &mut Ground,
    target: &Target,
    cuttings: &[&Cutting],
    count: usize,
    draw: &mut Random,
) -> Target {
    let fitting: Vec<&&Cutting> = cuttings
        .iter()
        .filter(|c| (c.px_per_mm / ground.px_per_mm).ln().abs() < SAME_SCALE.ln())
        .collect();
    let (mut object, mut label) = (target.object.clone(), target.label.clone());
    let first = label.iter().copied().max().unwrap_or(0);
    for k in 0..count.min((u16::MAX - first) as usize) {
        if fitting.is_empty() {
            break;
        }
        let piece = fitting[draw.below(fitting.len())];
        let turn = draw.below(8);
        let on_top = draw.uniform() < ON_TOP;
        let crossed = !on_top && draw.uniform() < CROSSED;
        for _ in 0..TRIES {
            let at = draw.below(label.len());
            let at =
                if crossed { start_under(ground, piece, turn, at, &label, draw) } else { Some(at) };
            if let Some(places) = at.and_then(|at| places(ground, piece, turn, at)) {
                let name = first + 1 + k as u16;
                put(ground, piece, &places, name, on_top, &mut object, &mut label);
                break;
            }
        }
    }
    Target::of(object, label, ground.width)
}

/// The first pixel of a piece some part of which comes to lie under the object at `at`; none where
/// there is no object, or it would lie outside the picture.
fn start_under(
    ground: &Ground,
    piece: &Cutting,
    turn: usize,
    at: usize,
    label: &[u16],
    draw: &mut Random,
) -> Option<usize> {
    if label[at] == 0 {
        return None;
    }
    let part = (0..TRIES).map(|_| draw.below(piece.share.len())).find(|k| piece.share[*k] > 0.5)?;
    let [x, y] = piece.turned(turn, part);
    let (x0, y0) = ((at % ground.width).checked_sub(x)?, (at / ground.width).checked_sub(y)?);
    Some(y0 * ground.width + x0)
}

/// Where each pixel of the piece goes when its first pixel comes to lie at `at`, after a turn by
/// quarters and a flip; none when it does not lie wholly on the tray.
fn places(ground: &Ground, piece: &Cutting, turn: usize, at: usize) -> Option<Vec<usize>> {
    let (w, h) = (ground.width, ground.rgb.len() / ground.width);
    let (x0, y0) = (at % w, at / w);
    let (pw, ph) = (piece.width, piece.height);
    let (across, down) = if turn & 4 == 0 { (pw, ph) } else { (ph, pw) };
    if x0 + across > w || y0 + down > h {
        return None;
    }
    let out: Vec<usize> = (0..pw * ph)
        .map(|i| {
            let [x, y] = piece.turned(turn, i);
            (y0 + y) * w + x0 + x
        })
        .collect();
    out.iter().zip(&piece.share).all(|(i, s)| *s == 0.0 || ground.allowed[*i]).then_some(out)
}

fn put(
    ground: &mut Ground,
    piece: &Cutting,
    places: &[usize],
    name: u16,
    on_top: bool,
    object: &mut [f32],
    label: &mut [u16],
) {
    for (k, &i) in places.iter().enumerate() {
        let (share, dark) = (piece.share[k], piece.shade[k]);
        if share == 0.0 && dark == 1.0 {
            continue;
        }
        let bare = 1.0 - object[i];
        let (pixel, floor) = (&mut ground.rgb[i], &mut ground.floor[i]);
        for c in 0..3 {
            let shaded = floor[c] * dark;
            let seen = if on_top {
                (pixel[c] + bare * (shaded - floor[c])) * (1.0 - share) + piece.rgb[k][c]
            } else {
                let under = shaded * (1.0 - share) + piece.rgb[k][c] * ground.shade[i];
                pixel[c] + bare * (under - floor[c])
            };
            pixel[c] = seen.max(0.0);
            floor[c] = shaded;
        }
        let before = object[i];
        let gained = if on_top { share } else { bare * share };
        object[i] = if on_top { before * (1.0 - share) + share } else { before + gained };
        let wins = if on_top { share >= 0.5 } else { gained > before || label[i] == 0 };
        if share > 0.0 && wins && object[i] >= 0.5 {
            label[i] = name;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::segment::floor::Floor;
    use crate::segment::work::{self, Work};
    use crate::segment::{Plane, Prepared};

    const SIZE: usize = 60;
    const FLOOR: [f32; 3] = [0.5; 3];
    const WOOD: [f32; 3] = [0.2, 0.15, 0.1];

    fn planes(rgb: impl Fn(usize) -> [f32; 3], n: usize) -> [Plane; 5] {
        std::array::from_fn(|c| Plane {
            width: n,
            height: n,
            data: (0..n * n).map(|i| work::values(rgb(i))[c]).collect(),
        })
    }

    /// A bar of wood on a grey floor, with a little shade below it.
    fn lesson() -> Lesson {
        let on = |i: usize| (20..40).contains(&(i % SIZE)) && (28..34).contains(&(i / SIZE));
        let shaded = |i: usize| (20..40).contains(&(i % SIZE)) && i / SIZE == 34;
        let colour = |i: usize| match (on(i), shaded(i)) {
            (true, _) => WOOD,
            (false, true) => FLOOR.map(|v| 0.5 * v),
            (false, false) => FLOOR,
        };
        let [l, a, b, rg, bg] = planes(colour, SIZE);
        let work = Work { scale: 1.0, origin: [0.0; 2], l, a, b, rg, bg, px_per_mm: 4.0 };
        let floor = Floor::new(4, 15, vec![true; 15 * 15], planes(|_| FLOOR, SIZE / 8 + 1));
        let object = (0..SIZE * SIZE).map(|i| f32::from(on(i))).collect();
        let label = (0..SIZE * SIZE).map(|i| 7 * u16::from(on(i))).collect();
        let target = Target::of(object, label, SIZE);
        let prepared = Prepared { work, allowed: vec![true; SIZE * SIZE], floor };
        Lesson { prepared, target, debris: vec![7] }
    }

    fn near(a: [f32; 3], b: [f32; 3]) -> bool {
        (0..3).all(|c| (a[c] - b[c]).abs() < 0.01)
    }

    #[test]
    fn a_piece_goes_under_a_berry_and_keeps_its_colour() {
        let cuttings = cuttings(&lesson());
        let [piece] = &cuttings[..] else { panic!("one piece of debris") };
        let covered = piece.share.iter().filter(|s| **s == 1.0).count();
        assert_eq!(covered, 20 * 6);
        // A berry in the middle of a lighter floor.
        let berry = |i: usize| (i % SIZE).abs_diff(30).pow(2) + (i / SIZE).abs_diff(30).pow(2) < 64;
        let (skin, white) = ([0.05, 0.04, 0.1], [0.8; 3]);
        let shade = vec![1.0; SIZE * SIZE];
        let allowed = vec![true; SIZE * SIZE];
        let mut ground = Ground {
            rgb: (0..SIZE * SIZE).map(|i| if berry(i) { skin } else { white }).collect(),
            floor: vec![white; SIZE * SIZE],
            shade: &shade,
            allowed: &allowed,
            width: SIZE,
            px_per_mm: 4.0,
        };
        let mut object: Vec<f32> = (0..SIZE * SIZE).map(|i| f32::from(berry(i))).collect();
        let mut label: Vec<u16> = (0..SIZE * SIZE).map(|i| u16::from(berry(i))).collect();
        let spots = places(&ground, piece, 0, 9 * SIZE + 9).unwrap();
        put(&mut ground, piece, &spots, 2, false, &mut object, &mut label);
        let mut shaded = 0;
        for (i, name) in label.iter().enumerate() {
            match name {
                1 => assert!(berry(i) && near(ground.rgb[i], skin)),
                2 => assert!(!berry(i) && near(ground.rgb[i], WOOD) && object[i] == 1.0),
                _ => shaded += usize::from(!near(ground.rgb[i], white)),
            }
        }
        let wood = label.iter().filter(|l| **l == 2).count();
        assert!(wood > 0 && wood < 20 * 6, "{wood} pixels of wood beside the berry");
        assert!(shaded > 0, "its shade comes along");
        // On top, all of it is seen.
        put(&mut ground, piece, &spots, 3, true, &mut object, &mut label);
        assert_eq!(label.iter().filter(|l| **l == 3).count(), 20 * 6);
    }

    #[test]
    fn turns_keep_a_piece_whole_and_inside() {
        let cuttings = cuttings(&lesson());
        let piece = &cuttings[0];
        for turn in 0..8 {
            let mut seen: Vec<usize> = (0..piece.share.len())
                .map(|i| {
                    let [x, y] = piece.turned(turn, i);
                    y * 1000 + x
                })
                .collect();
            seen.sort_unstable();
            seen.dedup();
            assert_eq!(seen.len(), piece.share.len());
        }
    }
}
