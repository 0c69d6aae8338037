//! Connected object pixels are cut into objects.
//!
//! Flooding the distance map from its peaks (watershed by union-find, peaks taken in falling
//! order; ties by place) gives pieces; two pieces that meet high compared with the lower of
//! their peaks are one at once. Pieces that touch are then judged pair by pair, best first: shape
//! (how well an ellipse fits both together against each alone), the seam between them, and their
//! colours.

use serde::{Deserialize, Serialize};

use super::Plane;
use super::distance::squared_distance;
use super::evidence::Evidence;
use super::work::Work;
use crate::network::Network;

/// Settings of the splitting.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct SplitSettings {
    /// Object evidence from which a pixel belongs to an object.
    pub object: f32,
    /// Two peaks are one when the pass between them is higher than this share of the lower peak.
    pub pass: f32,
    /// How strongly seam evidence shortens distances (0: not at all).
    pub seam: f32,
    /// Pieces smaller than this are joined or dropped, mm².
    pub smallest_mm2: f32,
    /// Pair probability from which two pieces are joined.
    pub join: f32,
    /// Probability from which a finished region is kept as an object.
    pub keep: f32,
    /// Probability from which two regions are taken as parts of one object.
    pub link: f32,
}

impl Default for SplitSettings {
    fn default() -> Self {
        SplitSettings {
            object: 0.5,
            pass: 0.93,
            seam: 0.5,
            smallest_mm2: 0.8,
            join: 0.5,
            keep: 0.5,
            link: 0.5,
        }
    }
}

/// Sums over a piece, enough for its moments and mean colour.
#[derive(Debug, Clone, Copy, Default)]
struct Piece {
    n: f64,
    x: f64,
    y: f64,
    xx: f64,
    xy: f64,
    yy: f64,
    lab: [f64; 3],
    lab2: [f64; 3],
    peak: f64,
}

impl Piece {
    /// Adds a pixel.
    #[inline(always)]
    fn add_pixel(&mut self, x: f64, y: f64, lab: [f64; 3]) {
        self.n += 1.0;
        self.x += x;
        self.y += y;
        self.xx += x * x;
        self.xy += x * y;
        self.yy += y * y;
        for (c, v) in lab.into_iter().enumerate() {
            self.lab[c] += v;
            self.lab2[c] += v * v;
        }
    }

    fn add(&mut self, o: &Piece) {
        self.n += o.n;
        self.x += o.x;
        self.y += o.y;
        self.xx += o.xx;
        self.xy += o.xy;
        self.yy += o.yy;
        for c in 0..3 {
            self.lab[c] += o.lab[c];
            self.lab2[c] += o.lab2[c];
        }
        self.peak = self.peak.max(o.peak);
    }

    /// Central second moments with the pixel's own 1/12.
    fn moments(&self) -> [f64; 3] {
        let (mx, my) = (self.x / self.n, self.y / self.n);
        [
            self.xx / self.n - mx * mx + 1.0 / 12.0,
            self.xy / self.n - mx * my,
            self.yy / self.n - my * my + 1.0 / 12.0,
        ]
    }

    /// Area over the area of the ellipse with the same second moments: 1 for a filled ellipse,
    /// less for anything else.
    fn fullness(&self) -> f64 {
        let [a, b, c] = self.moments();
        self.n / (4.0 * std::f64::consts::PI * (a * c - b * b).max(1e-9).sqrt())
    }

    /// Minor over major axis.
    fn aspect(&self) -> f64 {
        let [a, b, c] = self.moments();
        let mid = (a + c) / 2.0;
        let d = ((a - c) / 2.0).hypot(b);
        ((mid - d).max(1e-9) / (mid + d)).sqrt()
    }

    fn mean(&self) -> [f64; 3] {
        self.lab.map(|v| v / self.n)
    }

    fn roughness(&self) -> f64 {
        let m = self.lab[0] / self.n;
        (self.lab2[0] / self.n - m * m).max(0.0).sqrt()
    }
}

/// The line along which two pieces meet.
#[derive(Debug, Clone, Copy, Default)]
struct Contact {
    length: f64,
    seam: f64,
    seam_max: f64,
    pass: f64,
    object: f64,
    /// Colours a little inside either piece (lower index first), summed.
    low: [f64; 3],
    high: [f64; 3],
}

impl Contact {
    /// The same contact with the pieces named the other way round.
    fn swapped(mut self) -> Contact {
        std::mem::swap(&mut self.low, &mut self.high);
        self
    }

    fn add(&mut self, o: &Contact) {
        self.length += o.length;
        self.seam += o.seam;
        self.object += o.object;
        for c in 0..3 {
            self.low[c] += o.low[c];
            self.high[c] += o.high[c];
        }
        self.seam_max = self.seam_max.max(o.seam_max);
        self.pass = self.pass.max(o.pass);
    }
}

/// Number of measures of a pair of pieces.
pub const PAIR_FEATURES: usize = 29;

fn pair_features(p: &Piece, q: &Piece, c: &Contact, px_per_mm: f64) -> [f32; PAIR_FEATURES] {
    let (s, l) = if p.n < q.n { (p, q) } else { (q, p) };
    let mut both = *s;
    both.add(l);
    let mm2 = 1.0 / (px_per_mm * px_per_mm);
    let (ms, ml) = (s.mean(), l.mean());
    let fs = s.fullness();
    let fl = l.fullness();
    let fb = both.fullness();
    let centre = ((s.x / s.n - l.x / l.n).hypot(s.y / s.n - l.y / l.n)).max(0.1);
    let radii = (s.n / std::f64::consts::PI).sqrt() + (l.n / std::f64::consts::PI).sqrt();
    let features = [
        c.pass / s.peak.max(0.5),
        c.pass / l.peak.max(0.5),
        c.length / s.n.sqrt(),
        c.length / px_per_mm,
        c.seam / c.length,
        c.seam_max,
        c.object / c.length,
        fs,
        fl,
        fb,
        fb - (fs * s.n + fl * l.n) / both.n,
        s.aspect(),
        l.aspect(),
        both.aspect(),
        (s.n * mm2).ln(),
        (l.n * mm2).ln(),
        ms[0] - ml[0],
        ((ms[1] - ml[1]).powi(2) + (ms[2] - ml[2]).powi(2)).sqrt(),
        centre / radii,
        s.roughness(),
        l.roughness(),
        (s.peak / px_per_mm).min(20.0),
        (c.low[0] - c.high[0]).abs() / c.length,
        ((c.low[1] - c.high[1]).powi(2) + (c.low[2] - c.high[2]).powi(2)).sqrt() / c.length,
        (c.low[0] + c.high[0]) / (2.0 * c.length) - both.mean()[0],
        // Wood and leaf are cut at their joints and veins: their colour speaks for joining.
        ms[1],
        ms[2],
        ml[1],
        ml[2],
    ];
    features.map(|v| v as f32)
}

/// How much of the height map is the distance to seams as well as to the background; the rest is
/// the distance to the background alone, which bridges seams that are seen in part only.
const SEAM_SHARE: f32 = 0.8;

/// A crop of the work picture around one connected component.
struct Patch {
    x0: usize,
    y0: usize,
    width: usize,
    /// Piece of each pixel, 0 outside the component.
    piece: Vec<u32>,
    pieces: Vec<Piece>,
    /// Neighbouring pieces (lower index first) and their contact.
    contacts: std::collections::BTreeMap<(u32, u32), Contact>,
}

/// A finished object: its pixels in the work picture as runs (row, first, end).
#[derive(Debug, Clone)]
pub struct Region {
    /// Runs: row, first column, end column.
    pub runs: Vec<(u32, u32, u32)>,
    /// Pixel count.
    pub area: usize,
}

/// Number of measures of a finished region, for telling objects from shade, stains and glare.
pub const REGION_FEATURES: usize = 16;

/// Measures of a region: evidence, contrast with the floor, sharpness of its outline, shape.
pub fn region_features(
    region: &Region,
    work: &Work,
    evidence: &Evidence,
    floor: &super::floor::Floor,
    owners: &[u32],
) -> [f32; REGION_FEATURES] {
    let (w, h) = (work.width(), work.height());
    let mut p = Piece::default();
    let (mut object, mut strong, mut away) = (0.0f64, 0.0f64, [0.0f64; 4]);
    let own = region.runs.first().map_or(0, |r| owners[r.0 as usize * w + r.1 as usize]);
    let (mut rim, mut open, mut slope, mut step) = (0.0f64, 0.0f64, 0.0f64, [0.0f64; 2]);
    let (mut line, mut under): (_, [Vec<f32>; 5]) = Default::default();
    for &(y, a, b) in &region.runs {
        let (y, a, b) = (y as usize, a as usize, b as usize);
        under.iter_mut().for_each(|v| v.resize(b - a, 0.0));
        floor.row(y, a..b, &mut line, under.each_mut().map(Vec::as_mut_slice));
        let span = y * w + a..y * w + b;
        let seen = [&work.l, &work.a, &work.b, &work.rg, &work.bg].map(|p| &p.data[span.clone()]);
        let fy = y as f64;
        for (k, e) in evidence.object.data[span].iter().enumerate() {
            let lab = [0, 1, 2].map(|c| f64::from(seen[c][k]));
            p.add_pixel((a + k) as f64, fy, lab);
            (0..3).for_each(|c| away[c] += lab[c] - f64::from(under[c][k]));
            object += f64::from(*e);
            strong += f64::from(u8::from(*e > 0.9));
            let [rg, bg] = [3, 4].map(|c| seen[c][k] - under[c][k]);
            away[3] += f64::from((rg * rg + bg * bg).sqrt());
        }
        for x in a..b {
            let i = y * w + x;
            let inside = x > 0 && y > 0 && x + 1 < w && y + 1 < h;
            if inside && [i - 1, i + 1, i - w, i + w].iter().all(|j| owners[*j] == own) {
                continue;
            }
            let (xi, yi) = (x as isize, y as isize);
            for (dx, dy) in [(-1isize, 0isize), (1, 0), (0, -1), (0, 1)] {
                let (u, v) = (xi + dx, yi + dy);
                if u < 0 || v < 0 || u >= w as isize || v >= h as isize {
                    continue;
                }
                let j = v as usize * w + u as usize;
                if owners[j] == own {
                    continue;
                }
                rim += 1.0;
                if owners[j] != 0 {
                    continue;
                }
                open += 1.0;
                // Across the outline, a pixel and a half to either side.
                let at = |k: isize| {
                    let (x, y) = (xi + dx * k, yi + dy * k);
                    [work.l.at(x, y), work.a.at(x, y), work.b.at(x, y)]
                };
                let (inner, outer) = (at(-1), at(2));
                step[0] += f64::from((inner[0] - outer[0]).abs());
                step[1] += f64::from((inner[1] - outer[1]).hypot(inner[2] - outer[2]));
                slope += f64::from(
                    evidence.object.at(xi - dx, yi - dy) - evidence.object.at(u + dx, v + dy),
                );
            }
        }
    }
    let mm2 = p.n / (work.px_per_mm * work.px_per_mm);
    let centre = floor.at((p.x / p.n) as usize, (p.y / p.n) as usize);
    let features = [
        mm2.ln(),
        object / p.n,
        strong / p.n,
        away[0] / p.n,
        away[1] / p.n,
        away[2] / p.n,
        away[3] / p.n,
        (away[1] / p.n).hypot(away[2] / p.n),
        f64::from(centre[0]),
        p.fullness(),
        p.aspect(),
        p.roughness(),
        open / rim.max(1.0),
        slope / open.max(1.0),
        step[0] / open.max(1.0),
        step[1] / open.max(1.0),
    ];
    features.map(|v| v as f32)
}

/// For each work pixel the region that covers it, from 1; 0 for none.
pub fn owners(regions: &[Region], work: &Work) -> Vec<u32> {
    let w = work.width();
    let mut owner = vec![0; w * work.height()];
    for (region, name) in regions.iter().zip(1..) {
        for &(y, a, b) in &region.runs {
            owner[y as usize * w + a as usize..y as usize * w + b as usize].fill(name);
        }
    }
    owner
}

/// The piece that piece `i` has become part of (union-find with path halving).
fn root(parent: &mut [u32], mut i: u32) -> u32 {
    while parent[i as usize] != i {
        parent[i as usize] = parent[parent[i as usize] as usize];
        i = parent[i as usize];
    }
    i
}

/// Runs of one component.
type Runs = Vec<(u32, u32, u32)>;

/// Connected components (8-way) of the pixels that are `kind`, of a row-major picture of `width` (at
/// least one) pixels a row; as runs, in raster order of their first pixel.
pub fn components<T: Copy + PartialEq>(pixels: &[T], width: usize, kind: T) -> Vec<Runs> {
    let mut runs: Vec<(u32, u32, u32)> = Vec::new();
    let mut parent: Vec<u32> = Vec::new();
    let mut above = 0..0;
    for (y, line) in pixels.chunks_exact(width).enumerate() {
        let first = runs.len();
        for (_, cols) in super::runs(line).filter(|(k, _)| *k == kind) {
            parent.push(runs.len() as u32);
            runs.push((y as u32, cols.start as u32, cols.end as u32));
        }
        let mut j = above.start;
        for i in first..runs.len() {
            let (_, a, b) = runs[i];
            while j < above.end && runs[j].2 < a {
                j += 1;
            }
            let mut k = j;
            while k < above.end && runs[k].1 <= b {
                let (p, q) = (root(&mut parent, i as u32), root(&mut parent, k as u32));
                parent[p.max(q) as usize] = p.min(q);
                k += 1;
            }
        }
        above = first..runs.len();
    }
    let mut place = vec![u32::MAX; runs.len()];
    let mut out: Vec<Runs> = Vec::new();
    for i in 0..runs.len() {
        let r = root(&mut parent, i as u32) as usize;
        if place[r] == u32::MAX {
            place[r] = out.len() as u32;
            out.push(Vec::new());
        }
        out[place[r] as usize].push(runs[i]);
    }
    out
}

/// Connected components of what the evidence says is an object.
fn seen_components(evidence: &Evidence, settings: &SplitSettings) -> Vec<Runs> {
    let seen: Vec<bool> = evidence.object.data.iter().map(|v| *v >= settings.object).collect();
    components(&seen, evidence.object.width, true)
}

fn patch(runs: &Runs, work: &Work, evidence: &Evidence, settings: &SplitSettings) -> Patch {
    let x0 = runs.iter().map(|r| r.1).min().unwrap_or(0) as usize;
    let x1 = runs.iter().map(|r| r.2).max().unwrap_or(0) as usize;
    let y0 = runs.first().map_or(0, |r| r.0) as usize;
    let y1 = runs.last().map_or(0, |r| r.0) as usize + 1;
    let (width, height) = (x1 - x0, y1 - y0);
    let w = work.width();
    let mut mask = vec![false; width * height];
    for &(y, a, b) in runs {
        let row = (y as usize - y0) * width;
        mask[row + a as usize - x0..row + b as usize - x0].fill(true);
    }
    fill_small_holes(&mut mask, width, (0.6 * work.px_per_mm * work.px_per_mm) as usize);
    // Seams act as background that is the weaker the less sure they are.
    let mut solid = mask.clone();
    let mut seamless = true;
    for (y, solid) in solid.chunks_exact_mut(width).enumerate() {
        let start = (y + y0) * w + x0;
        for (m, seam) in solid.iter_mut().zip(&evidence.seam.data[start..start + width]) {
            let seen = *m && *seam >= settings.seam;
            seamless &= !seen;
            *m &= !seen;
        }
    }
    let mut height_map = squared_distance(&mask, width);
    if seamless {
        height_map.iter_mut().for_each(|f| *f = f.sqrt());
    } else {
        let cut = squared_distance(&solid, width);
        for (f, c) in height_map.iter_mut().zip(&cut) {
            *f = (1.0 - SEAM_SHARE) * f.sqrt() + SEAM_SHARE * c.sqrt();
        }
    }
    smooth3(&mut height_map, width);
    let (piece, count) = flood(&mask, &height_map, width, settings.pass);
    let mut patch = Patch {
        x0,
        y0,
        width,
        piece,
        pieces: vec![Piece::default(); count + 1],
        contacts: Default::default(),
    };
    sum_up(&mut patch, &height_map, work);
    if count > 1 {
        meet(&mut patch, &height_map, work, evidence);
    }
    patch
}

/// Sums over each piece of a patch.
fn sum_up(patch: &mut Patch, height_map: &[f32], work: &Work) {
    let Patch { x0, y0, width, .. } = *patch;
    let rows = patch.piece.chunks_exact(width).zip(height_map.chunks_exact(width));
    for (y, (piece, height)) in rows.enumerate() {
        let start = (y + y0) * work.width() + x0;
        let [l, a, b] = [&work.l, &work.a, &work.b].map(|p| &p.data[start..start + width]);
        let fy = y as f64;
        for x in (0..width).filter(|x| piece[*x] != 0) {
            let p = &mut patch.pieces[piece[x] as usize];
            p.add_pixel(x as f64, fy, [l[x], a[x], b[x]].map(f64::from));
            p.peak = p.peak.max(f64::from(height[x]));
        }
    }
}

/// Finds where the pieces of a patch meet.
fn meet(patch: &mut Patch, height_map: &[f32], work: &Work, evidence: &Evidence) {
    let Patch { x0, y0, width, piece, contacts, .. } = patch;
    let (x0, y0, width) = (*x0, *y0, *width);
    let global = |i: usize| (i / width + y0) * work.width() + i % width + x0;
    let inner = (0.8 * work.px_per_mm).round() as usize;
    let rows = piece.len() / width;
    for i in 0..piece.len() {
        let k = piece[i];
        let other = |j: usize| piece.get(j).is_some_and(|m| *m != k && *m != 0);
        // Nearly everywhere there is one piece all around, or none.
        if k == 0 || !(other(i + 1) || other(i + width)) {
            continue;
        }
        let (col, row) = (i % width, i / width);
        let right = (col + 1 < width).then_some((i + 1, 1, col, width));
        let below = (row + 1 < rows).then_some((i + width, width, row, rows));
        for (j, step, along, end) in [right, below].into_iter().flatten() {
            let m = piece[j];
            if m == 0 || m == k {
                continue;
            }
            let (g, gj) = (global(i), global(j));
            // A little inside each piece: the last of its pixels up to `inner` away.
            let inside = |own: u32, away: bool| {
                let mut at = if away { j } else { i };
                for s in 1..=inner {
                    let room = if away { along + 1 + s < end } else { along >= s };
                    if !room {
                        break;
                    }
                    let next = if away { j + s * step } else { i - s * step };
                    if piece[next] != own {
                        break;
                    }
                    at = next;
                }
                let g = global(at);
                [work.l.data[g], work.a.data[g], work.b.data[g]].map(f64::from)
            };
            let (own, other) = (inside(k, false), inside(m, true));
            let pair = |p: &Plane| f64::from(p.data[g].max(p.data[gj]));
            let c = Contact {
                length: 1.0,
                seam: pair(&evidence.seam),
                seam_max: pair(&evidence.seam),
                pass: f64::from(height_map[i].min(height_map[j])),
                object: f64::from(evidence.object.data[g].min(evidence.object.data[gj])),
                low: if k < m { own } else { other },
                high: if k < m { other } else { own },
            };
            contacts.entry((k.min(m), k.max(m))).or_default().add(&c);
        }
    }
}

/// Fills background islands of at most `most` pixels (highlights, scars).
fn fill_small_holes(mask: &mut [bool], width: usize, most: usize) {
    let height = mask.len() / width;
    let holes = components(mask, width, false);
    for runs in holes {
        let border = runs
            .iter()
            .any(|&(y, a, b)| y == 0 || y as usize + 1 == height || a == 0 || b as usize == width);
        let area: usize = runs.iter().map(|r| (r.2 - r.1) as usize).sum();
        if !border && area <= most {
            for (y, a, b) in runs {
                mask[y as usize * width + a as usize..y as usize * width + b as usize].fill(true);
            }
        }
    }
}

/// Smooths by the weights 1, 2, 1 along both axes; what is nought stays so.
fn smooth3(data: &mut [f32], width: usize) {
    let nothing = vec![0.0f32; width];
    let mut before = nothing.clone();
    let mut own = nothing.clone();
    for y in 0..data.len() / width {
        let (now, later) = data[y * width..].split_at_mut(width);
        std::mem::swap(&mut before, &mut own);
        own.copy_from_slice(now);
        let below = later.get(..width).unwrap_or(&nothing);
        for x in 0..width {
            if own[x] == 0.0 {
                continue;
            }
            let (left, right) = (x.checked_sub(1), (x + 1 < width).then_some(x + 1));
            let get = |row: &[f32], x: Option<usize>| x.map_or(0.0, |x| row[x]);
            let side = get(&own, left) + get(&own, right) + before[x] + below[x];
            let corner =
                get(&before, left) + get(&before, right) + get(below, left) + get(below, right);
            now[x] = own[x] * 0.25 + side * 0.125 + corner * 0.0625;
        }
    }
}

/// Watershed by union-find: pixels in falling height join the neighbouring piece that was there
/// first; pieces meeting higher than `pass` times the lower peak become one.
fn flood(mask: &[bool], height: &[f32], width: usize, pass: f32) -> (Vec<u32>, usize) {
    let rows = mask.len() / width;
    // With nothing all around, so that every pixel has eight neighbours.
    let stride = width + 2;
    let mut high = vec![0.0f32; stride * (rows + 2)];
    // Heights are not below nought: their bits rise as they do. One number holds height and place.
    let mut order: Vec<u64> = Vec::with_capacity(mask.len());
    for (y, (mask, height)) in mask.chunks(width).zip(height.chunks(width)).enumerate() {
        let start = (y + 1) * stride + 1;
        high[start..start + width].copy_from_slice(height);
        let on = (0..width).filter(|x| mask[*x]);
        order.extend(on.map(|x| u64::from(!height[x].to_bits()) << 32 | (start + x) as u64));
    }
    order.sort_unstable();
    let height = &high;
    let mut label = vec![0u32; height.len()];
    let mut parent: Vec<u32> = vec![0];
    let mut peak: Vec<f32> = vec![0.0];
    for &i in &order {
        let i = i as u32 as usize;
        // Beside it, then across its corners.
        let places = [
            i - 1,
            i + 1,
            i - stride,
            i + stride,
            i - stride - 1,
            i - stride + 1,
            i + stride - 1,
            i + stride + 1,
        ];
        let near = places.map(|j| label[j]);
        let one = near.into_iter().fold(0, u32::max);
        if one == 0 {
            let id = parent.len() as u32;
            parent.push(id);
            peak.push(height[i]);
            label[i] = id;
            continue;
        }
        // Nearly everywhere there is one piece around.
        if near.iter().all(|l| *l == 0 || *l == one) {
            label[i] = root(&mut parent, one);
            continue;
        }
        let (mut highest, mut r) = (f32::MIN, one);
        let mut around = [0u32; 8];
        let mut n = 0;
        for (k, (j, l)) in places.into_iter().zip(near).enumerate().filter(|(_, (_, l))| *l != 0) {
            let own = root(&mut parent, l);
            if !around[..n].contains(&own) {
                around[n] = own;
                n += 1;
            }
            // Steepest ascent: the neighbour that stands highest.
            let steep = if k < 4 {
                height[j]
            } else {
                height[i] + (height[j] - height[i]) * std::f32::consts::FRAC_1_SQRT_2
            };
            if steep > highest {
                (highest, r) = (steep, own);
            }
        }
        label[i] = r;
        for &other in &around[..n] {
            let (p, q) = (root(&mut parent, r), root(&mut parent, other));
            if p == q {
                continue;
            }
            let low = peak[p as usize].min(peak[q as usize]);
            if height[i] >= pass * low || low - height[i] < 0.35 {
                let (keep, gone) = (p.min(q), p.max(q));
                peak[keep as usize] = peak[p as usize].max(peak[q as usize]);
                parent[gone as usize] = keep;
            }
        }
    }
    let mut name = vec![0u32; parent.len()];
    let mut count = 0u32;
    for l in &mut label {
        if *l != 0 {
            let r = root(&mut parent, *l) as usize;
            if name[r] == 0 {
                count += 1;
                name[r] = count;
            }
            *l = name[r];
        }
    }
    let inner = label.chunks_exact(stride).skip(1).take(rows).flat_map(|l| &l[1..=width]);
    (inner.copied().collect(), count as usize)
}

/// Piece `b` has become part of `a`: its contact `c`, known by `key`, becomes one of `a`.
fn move_contact(
    contacts: &mut std::collections::BTreeMap<(u32, u32), Contact>,
    key: (u32, u32),
    a: u32,
    b: u32,
    c: Contact,
) {
    let (other, b_low) = if key.0 == b { (key.1, true) } else { (key.0, false) };
    let a_low = a < other;
    let c = if a_low == b_low { c } else { c.swapped() };
    contacts.entry((a.min(other), a.max(other))).or_default().add(&c);
}

/// Joins pieces, surest pair first. `judge` gives the probability that two pieces are one object.
fn join_pieces(
    patch: &mut Patch,
    settings: &SplitSettings,
    px_per_mm: f64,
    network: Option<&Network>,
) -> Vec<u32> {
    let count = patch.pieces.len();
    let mut parent: Vec<u32> = (0..count as u32).collect();
    let mut contacts = patch.contacts.clone();
    let judge = |p: &Piece, q: &Piece, c: &Contact| -> f32 {
        let f = pair_features(p, q, c, px_per_mm);
        if two_whole_berries(&f) {
            return 0.0;
        }
        match network {
            Some(net) => net.eval(&f)[0],
            None => rule(&f),
        }
    };
    let mut scores: std::collections::BTreeMap<(u32, u32), f32> = contacts
        .iter()
        .map(|(&(a, b), c)| {
            ((a, b), judge(&patch.pieces[a as usize], &patch.pieces[b as usize], c))
        })
        .collect();
    loop {
        let best = scores.iter().fold(None::<((u32, u32), f32)>, |best, (k, s)| {
            if best.is_none_or(|(_, t)| *s > t) { Some((*k, *s)) } else { best }
        });
        let Some(((a, b), score)) = best else { break };
        if score < settings.join {
            break;
        }
        let gone = patch.pieces[b as usize];
        patch.pieces[a as usize].add(&gone);
        parent[b as usize] = a;
        scores.remove(&(a, b));
        contacts.remove(&(a, b));
        let moved: Vec<(u32, u32)> =
            contacts.keys().filter(|(p, q)| *p == b || *q == b).copied().collect();
        for key in moved {
            if let Some(c) = contacts.remove(&key) {
                scores.remove(&key);
                move_contact(&mut contacts, key, a, b, c);
            }
        }
        for (&(p, q), c) in contacts.iter().filter(|((p, q), _)| *p == a || *q == a) {
            scores.insert((p, q), judge(&patch.pieces[p as usize], &patch.pieces[q as usize], c));
        }
    }
    (0..count as u32).map(|i| root(&mut parent, i)).collect()
}

/// Two pieces that are each a filled ellipse of a berry's size, and no ellipse together, are two
/// berries whatever their seam looks like: one wrong join must not swallow a whole clump.
fn two_whole_berries(f: &[f32; PAIR_FEATURES]) -> bool {
    let (small, large, both, small_ln_mm2) = (f[7], f[8], f[9], f[14]);
    let berry_ln_mm2 = 3.2;
    small > 0.965 && large > 0.965 && both < 0.95 && small_ln_mm2 > berry_ln_mm2
}

/// Without a learned judge (pictures that are not trays): pieces are one when they meet high or
/// fit one ellipse about as well together as apart.
fn rule(f: &[f32; PAIR_FEATURES]) -> f32 {
    let pass = f[0];
    let fit = f[10];
    if pass > 0.9 || (pass > 0.75 && fit > -0.02) || f[14] < 0.0 { 0.9 } else { 0.1 }
}

/// Cuts the evidence into objects, in raster order of the components they come from.
pub fn split(
    work: &Work,
    evidence: &Evidence,
    settings: &SplitSettings,
    network: Option<&Network>,
) -> Vec<Region> {
    use rayon::prelude::*;
    let smallest = f64::from(settings.smallest_mm2) * work.px_per_mm * work.px_per_mm;
    let area = |runs: &Runs| runs.iter().map(|r| (r.2 - r.1) as usize).sum::<usize>();
    let mut parts: Vec<(usize, usize, Runs)> = seen_components(evidence, settings)
        .into_iter()
        .enumerate()
        .map(|(place, runs)| (area(&runs), place, runs))
        .filter(|(area, ..)| *area as f64 >= smallest)
        .collect();
    // The largest first, so that no core is left with a heap of touching berries at the end.
    parts.sort_unstable_by_key(|(area, ..)| std::cmp::Reverse(*area));
    let mut cut: Vec<(usize, Vec<Region>)> = parts
        .par_iter()
        .with_max_len(1)
        .map(|(_, place, runs)| {
            let mut patch = patch(runs, work, evidence, settings);
            let name = join_pieces(&mut patch, settings, work.px_per_mm, network);
            fill_own_holes(&mut patch, &name);
            (*place, regions(&patch, &name, smallest))
        })
        .collect();
    cut.sort_unstable_by_key(|(place, _)| *place);
    cut.into_iter().flat_map(|(_, regions)| regions).collect()
}

/// Gives each background island that lies wholly inside one object to that object, unless it is
/// large beside it (a tendril's loop shows floor).
fn fill_own_holes(patch: &mut Patch, name: &[u32]) {
    let width = patch.width;
    let height = patch.piece.len() / width;
    let mut area = vec![0usize; name.len()];
    for k in &patch.piece {
        area[name[*k as usize] as usize] += 1;
    }
    for runs in components(&patch.piece, width, 0) {
        let mut owner = None;
        let mut own = true;
        let mut size = 0;
        for &(y, a, b) in &runs {
            let (y, a, b) = (y as usize, a as usize, b as usize);
            size += b - a;
            if y == 0 || y + 1 == height || a == 0 || b == width {
                own = false;
                break;
            }
            let row = y * width;
            let sides = [row + a - 1, row + b].into_iter();
            let caps = (row + a..row + b).flat_map(|i| [i - width, i + width]);
            for i in sides.chain(caps) {
                let k = name[patch.piece[i] as usize];
                if k != 0 && *owner.get_or_insert(k) != k {
                    own = false;
                }
            }
        }
        if let Some(k) = owner
            && own
            && size * 4 < area[k as usize]
        {
            for (y, a, b) in runs {
                let row = y as usize * width;
                patch.piece[row + a as usize..row + b as usize].fill(k);
            }
        }
    }
}

fn regions(patch: &Patch, name: &[u32], smallest: f64) -> Vec<Region> {
    let mut by_name: std::collections::BTreeMap<u32, Region> = std::collections::BTreeMap::new();
    for (y, row) in patch.piece.chunks_exact(patch.width).enumerate() {
        let mut x = 0;
        while x < row.len() {
            let k = name[row[x] as usize];
            let start = x;
            while x < row.len() && name[row[x] as usize] == k {
                x += 1;
            }
            if k != 0 {
                let r = by_name.entry(k).or_insert(Region { runs: Vec::new(), area: 0 });
                r.runs.push((
                    (y + patch.y0) as u32,
                    (start + patch.x0) as u32,
                    (x + patch.x0) as u32,
                ));
                r.area += x - start;
            }
        }
    }
    by_name.into_values().filter(|r| r.area as f64 >= smallest).collect()
}

/// Pairs of touching pieces of a picture with truth: their measures, and whether both are the
/// same true object (target NaN where a piece is mostly no object).
pub fn training_pairs(
    work: &Work,
    evidence: &Evidence,
    settings: &SplitSettings,
    truth: impl Fn(usize, usize) -> u16 + Sync,
) -> Vec<([f32; PAIR_FEATURES], bool, f32)> {
    let mut out = Vec::new();
    for runs in seen_components(evidence, settings) {
        let mut patch = patch(&runs, work, evidence, settings);
        let count = patch.pieces.len();
        let mut votes: Vec<std::collections::BTreeMap<u16, usize>> =
            vec![Default::default(); count];
        for (i, k) in patch.piece.iter().enumerate() {
            if *k != 0 {
                let t = truth(i % patch.width + patch.x0, i / patch.width + patch.y0);
                *votes[*k as usize].entry(t).or_default() += 1;
            }
        }
        let owner: Vec<u16> = votes
            .iter()
            .map(|v| v.iter().max_by_key(|(_, n)| **n).map_or(0, |(t, _)| *t))
            .collect();
        // Right joins are carried out in random-like order (by index), so that the judge also
        // learns from pieces that are partly joined.
        for round in 0..3 {
            let keys: Vec<(u32, u32)> = patch.contacts.keys().copied().collect();
            for key in &keys {
                let (a, b) = (key.0 as usize, key.1 as usize);
                let same = owner[a] == owner[b];
                let (p, q) = (&patch.pieces[a], &patch.pieces[b]);
                if owner[a] == 0 && owner[b] == 0 {
                    continue;
                }
                let f = pair_features(p, q, &patch.contacts[key], work.px_per_mm);
                // A tendril is an object as much as a berry is; but to join two berries loses both.
                let mm2 = p.n.min(q.n) / (work.px_per_mm * work.px_per_mm);
                let weight = if same { 1.0 } else { (mm2 / 6.0).clamp(1.0, 5.0).sqrt() };
                out.push((f, same, weight as f32));
            }
            if round == 2 {
                break;
            }
            let mut pick = 0;
            for key in keys {
                let (a, b) = (key.0, key.1);
                if owner[a as usize] != owner[b as usize] || !patch.contacts.contains_key(&key) {
                    continue;
                }
                pick += 1;
                if (pick + round) % 2 == 0 {
                    continue;
                }
                let gone = patch.pieces[b as usize];
                patch.pieces[a as usize].add(&gone);
                patch.contacts.remove(&key);
                let moved: Vec<(u32, u32)> =
                    patch.contacts.keys().filter(|(p, q)| *p == b || *q == b).copied().collect();
                for key in moved {
                    if let Some(c) = patch.contacts.remove(&key) {
                        move_contact(&mut patch.contacts, key, a, b, c);
                    }
                }
            }
        }
    }
    out
}
