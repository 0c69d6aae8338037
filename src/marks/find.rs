//! Coarse search: where QR symbols may be, from their finder patterns (ISO/IEC 18004: dark and
//! light runs of 1:1:3:1:1 modules along any line through the centre), on a reduced grey picture.

use image::RgbImage;
use rayon::prelude::*;

use crate::frame::Px;

/// A grey picture.
#[derive(Debug, Clone)]
pub struct Grey {
    /// Width, px.
    pub width: usize,
    /// Height, px.
    pub height: usize,
    /// Row-major luma.
    pub data: Vec<u8>,
}

/// Mean of the green channel over blocks of `factor` x `factor` pixels (ink and paper are neutral,
/// and green carries most of the light); incomplete blocks at the right and lower edges are left
/// out.
pub fn reduce(rgb: &RgbImage, factor: usize) -> Grey {
    let (w, h) = (rgb.width() as usize, rgb.height() as usize);
    let (ow, oh) = (w / factor, h / factor);
    let raw = rgb.as_raw();
    let mut data = vec![0u8; ow * oh];
    let work = |oy: usize, out: &mut [u8], sums: &mut Vec<u32>| {
        let rows =
            (oy * factor..(oy + 1) * factor).map(|y| &raw[y * w * 3..(y * w + ow * factor) * 3]);
        sums.clear();
        sums.resize(ow, 0);
        for row in rows {
            match factor {
                1 => add_blocks::<3>(row, sums),
                2 => add_blocks::<6>(row, sums),
                3 => add_blocks::<9>(row, sums),
                4 => add_blocks::<12>(row, sums),
                _ => {
                    for (s, block) in sums.iter_mut().zip(row.chunks_exact(3 * factor)) {
                        *s += block.iter().skip(1).step_by(3).map(|v| u32::from(*v)).sum::<u32>();
                    }
                }
            }
        }
        // Floats divide in vectors, and come to the same whole numbers: a quotient below a whole number
        // lies below it by at least 1/n, far more than they round.
        let n = (factor * factor) as f32;
        for (o, s) in out.iter_mut().zip(sums.iter()) {
            *o = (*s as i32 as f32 / n) as i32 as u8;
        }
    };
    data.par_chunks_mut(ow.max(1))
        .enumerate()
        .for_each_init(Vec::new, |sums, (oy, out)| work(oy, out, sums));
    Grey { width: ow, height: oh, data }
}

/// Adds the green samples of each block of `BYTES` bytes.
fn add_blocks<const BYTES: usize>(row: &[u8], sums: &mut [u32]) {
    let (blocks, _) = row.as_chunks::<BYTES>();
    for (s, block) in sums.iter_mut().zip(blocks) {
        let mut k = 1;
        while k < BYTES {
            *s += u32::from(block[k]);
            k += 3;
        }
    }
}

/// Grey minus the local threshold (local mean), times 16; negative is dark.
struct Signed {
    width: usize,
    height: usize,
    data: Vec<i16>,
}

/// Subtracts the mean over a window of `2 radius + 1` pixels. `bias` in grey levels keeps flat
/// regions light.
fn against_local_mean(grey: &Grey, radius: usize, bias: i32) -> Signed {
    let (w, h) = (grey.width, grey.height);
    let stride = w + 1;
    let mut integral = vec![0u32; stride * (h + 1)];
    let rows = integral[stride..].par_chunks_mut(stride).zip(grey.data.par_chunks(w));
    rows.for_each(|(sums, row)| {
        let mut run = 0u32;
        for (s, g) in sums[1..].iter_mut().zip(row) {
            run += u32::from(*g);
            *s = run;
        }
    });
    let mut lines = integral.chunks_exact_mut(stride);
    let mut above = lines.next().unwrap_or_default();
    for sums in lines {
        sums.iter_mut().zip(&*above).for_each(|(s, a)| *s = s.wrapping_add(*a));
        above = sums;
    }
    let mut data = vec![0i16; w * h];
    data.par_chunks_mut(w).enumerate().for_each(|(y, out)| {
        let (y0, y1) = (y.saturating_sub(radius), (y + radius + 1).min(h));
        let top = &integral[y0 * stride..(y0 + 1) * stride];
        let bottom = &integral[y1 * stride..(y1 + 1) * stride];
        let row = &grey.data[y * w..(y + 1) * w];
        let signed = |x: usize, scale: f32, sum: u32| {
            (i32::from(row[x]) * 16 + bias * 16 - (sum as i32 as f32 * scale) as i32) as i16
        };
        let scale = |n: usize| 16.0 / n as f32;
        // Windows that are cut on neither side all have as many pixels.
        let inner = radius.min(w)..w.saturating_sub(radius).max(radius.min(w));
        for x in (0..inner.start).chain(inner.end..w) {
            let (x0, x1) = (x.saturating_sub(radius), (x + radius + 1).min(w));
            let sum =
                bottom[x1].wrapping_sub(bottom[x0]).wrapping_sub(top[x1]).wrapping_add(top[x0]);
            out[x] = signed(x, scale((x1 - x0) * (y1 - y0)), sum);
        }
        let (side, scale) = (2 * radius + 1, scale((2 * radius + 1) * (y1 - y0)));
        let n = inner.len();
        if n > 0 {
            let [top0, bottom0] = [top, bottom].map(|line| &line[..n]);
            let [top1, bottom1] = [top, bottom].map(|line| &line[side..side + n]);
            let out = &mut out[inner.clone()];
            for k in 0..n {
                let sum =
                    bottom1[k].wrapping_sub(bottom0[k]).wrapping_sub(top1[k]).wrapping_add(top0[k]);
                out[k] = signed(inner.start + k, scale, sum);
            }
        }
    });
    Signed { width: w, height: h, data }
}

/// A finder pattern in the reduced picture.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Finder {
    /// Centre, reduced px.
    pub at: Px,
    /// Module length along x and along y, reduced px (longer than the module when turned).
    pub module: [f64; 2],
    /// How many scan lines found it.
    pub hits: u32,
}

/// True when five runs look like 1:1:3:1:1.
fn is_finder(runs: &[f64; 5], slack: f64) -> Option<f64> {
    let total: f64 = runs.iter().sum();
    let m = total / 7.0;
    if m < 1.2 {
        return None;
    }
    let tol = slack * m + 0.3;
    let ok = [0, 1, 3, 4].iter().all(|&k| (runs[k] - m).abs() < tol)
        && (runs[2] - 3.0 * m).abs() < 2.0 * tol
        // The two sides of a ring are the same ink.
        && (runs[0] - runs[4]).abs() < tol + 0.3 * m
        && (runs[1] - runs[3]).abs() < tol + 0.3 * m;
    ok.then_some(m)
}

impl Signed {
    fn at(&self, x: i64, y: i64) -> Option<i16> {
        if x < 0 || y < 0 || x >= self.width as i64 || y >= self.height as i64 {
            return None;
        }
        Some(self.data[y as usize * self.width + x as usize])
    }

    /// The five runs through a dark point along a direction of whole-pixel steps: distances of
    /// the six crossings from the point, in steps, negative first.
    fn cross(&self, x: i64, y: i64, dx: i64, dy: i64, limit: i64) -> Option<[f64; 6]> {
        let mut out = [0.0; 6];
        for (side, sign) in [(0usize, -1i64), (1, 1)] {
            let mut want_dark = true;
            let mut found = 0;
            let mut before = self.at(x, y)?;
            if before >= 0 {
                return None;
            }
            for k in 1..=limit {
                let v = self.at(x + sign * k * dx, y + sign * k * dy)?;
                if (v < 0) != want_dark {
                    let t = f64::from(before) / (f64::from(before) - f64::from(v));
                    let d = (k - 1) as f64 + t;
                    let slot = if side == 0 { 2 - found } else { 3 + found };
                    out[slot] = sign as f64 * d;
                    found += 1;
                    want_dark = !want_dark;
                    if found == 3 {
                        break;
                    }
                }
                before = v;
            }
            if found < 3 {
                return None;
            }
        }
        Some(out)
    }
}

fn runs_of(c: &[f64; 6]) -> [f64; 5] {
    std::array::from_fn(|k| c[k + 1] - c[k])
}

/// Centre of a pattern from its six crossings: the middle of the three dark-light pairs.
fn middle(c: &[f64; 6]) -> f64 {
    (c[0] + c[1] + c[2] + c[3] + c[4] + c[5]) / 6.0
}

/// Finds finder patterns. `radius` is the window of the local threshold.
pub fn finders(grey: &Grey, radius: usize) -> Vec<Finder> {
    let signed = against_local_mean(grey, radius, 3);
    let w = grey.width;
    let hits: Vec<Finder> = (0..grey.height)
        .into_par_iter()
        .fold(Vec::new, |mut acc, y| {
            let row = &signed.data[y * w..(y + 1) * w];
            // The last six crossings; the newest ends a dark run when `dark_end` holds.
            let mut ring = [0.0f64; 6];
            let mut seen = 0usize;
            for x in 1..w {
                let (a, b) = (row[x - 1], row[x]);
                if (a < 0) == (b < 0) {
                    continue;
                }
                let t = f64::from(a) / (f64::from(a) - f64::from(b));
                ring.rotate_left(1);
                ring[5] = (x - 1) as f64 + t;
                seen += 1;
                if seen < 6 || b < 0 {
                    continue;
                }
                if is_finder(&runs_of(&ring), 0.5).is_some()
                    && let Some(f) = verify(&signed, middle(&ring), y as f64)
                {
                    acc.push(f);
                }
            }
            acc
        })
        .reduce(Vec::new, |mut a, mut b| {
            a.append(&mut b);
            a
        });
    merge(hits)
}

/// Checks a horizontal hit along the vertical, the horizontal again and both diagonals.
fn verify(signed: &Signed, x: f64, y: f64) -> Option<Finder> {
    let limit = (signed.width.max(signed.height) / 6) as i64;
    let (xi, yi) = (x.round() as i64, y as i64);
    let v = signed.cross(xi, yi, 0, 1, limit)?;
    let mv = is_finder(&runs_of(&v), 0.55)?;
    let cy = yi as f64 + middle(&v);
    let h = signed.cross(xi, cy.round() as i64, 1, 0, limit)?;
    let mh = is_finder(&runs_of(&h), 0.55)?;
    let cx = xi as f64 + middle(&h);
    if mv / mh > 1.6 || mh / mv > 1.6 {
        return None;
    }
    let (xi, yi) = (cx.round() as i64, cy.round() as i64);
    let mut diagonals = 0;
    for dy in [1, -1] {
        if let Some(d) = signed.cross(xi, yi, 1, dy, limit)
            && is_finder(&runs_of(&d), 0.7).is_some()
        {
            diagonals += 1;
        }
    }
    (diagonals >= 1).then_some(Finder { at: [cx, cy], module: [mh, mv], hits: 1 })
}

/// Joins hits on the same pattern.
fn merge(mut hits: Vec<Finder>) -> Vec<Finder> {
    hits.sort_by(|a, b| a.at[1].total_cmp(&b.at[1]).then(a.at[0].total_cmp(&b.at[0])));
    let mut out: Vec<Finder> = Vec::new();
    for f in hits {
        let near = out.iter_mut().find(|o| {
            (o.at[0] - f.at[0]).hypot(o.at[1] - f.at[1]) < 2.0 * o.module[0].max(o.module[1])
        });
        match near {
            Some(o) => {
                let n = f64::from(o.hits);
                for k in 0..2 {
                    o.at[k] = (o.at[k] * n + f.at[k]) / (n + 1.0);
                    o.module[k] = (o.module[k] * n + f.module[k]) / (n + 1.0);
                }
                o.hits += 1;
            }
            None => out.push(f),
        }
    }
    out
}

/// Three finder patterns that may belong to one symbol.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Triple {
    /// Indices of the top-left, top-right and bottom-left patterns.
    pub finders: [usize; 3],
    /// Modules along a side.
    pub size: usize,
    /// How badly it fits; smaller is better.
    pub misfit: f64,
}

/// Every plausible triple, best first, at most `limit`.
pub fn triples(finders: &[Finder], limit: usize) -> Vec<Triple> {
    let mut out = Vec::new();
    let n = finders.len();
    for i in 0..n {
        for j in 0..n {
            if j == i {
                continue;
            }
            let a = sub(finders[j].at, finders[i].at);
            let la = a[0].hypot(a[1]);
            let lean = (a[0].abs() / la).max(a[1].abs() / la);
            let m = (finders[i].module[0] + finders[j].module[0]) / 2.0 * lean;
            if la / m < 11.0 || la / m > 32.0 {
                continue;
            }
            for k in 0..n {
                if k == i || k == j {
                    continue;
                }
                let b = sub(finders[k].at, finders[i].at);
                let lb = b[0].hypot(b[1]);
                let ratio = la / lb;
                if !(0.7..1.43).contains(&ratio) {
                    continue;
                }
                // Top-left, top-right, bottom-left turn clockwise on the page.
                let cross = (a[0] * b[1] - a[1] * b[0]) / (la * lb);
                if cross < 0.85 {
                    continue;
                }
                let all = [finders[i], finders[j], finders[k]];
                let size = |f: &Finder| (f.module[0] * f.module[1]).sqrt() * lean;
                let (lo, hi) = all
                    .iter()
                    .map(size)
                    .fold((f64::INFINITY, 0.0f64), |(l, h), s| (l.min(s), h.max(s)));
                if hi / lo > 1.5 {
                    continue;
                }
                let m = all.iter().map(size).sum::<f64>() / 3.0;
                let legs = (la + lb) / 2.0 / m;
                // Versions 1 to 5: 21 to 37 modules, centres 14 to 30 apart.
                let version = ((legs - 10.0) / 4.0).round().clamp(1.0, 5.0);
                let want = 10.0 + 4.0 * version;
                let off = (legs - want).abs() / want;
                if off > 0.16 {
                    continue;
                }
                let misfit = off
                    + (ratio.ln()).abs()
                    + (1.0 - cross)
                    + (hi / lo - 1.0)
                    + 0.3 / f64::from(all.iter().map(|f| f.hits).min().unwrap_or(1));
                out.push(Triple { finders: [i, j, k], size: 17 + 4 * version as usize, misfit });
            }
        }
    }
    out.sort_by(|a, b| a.misfit.total_cmp(&b.misfit).then(a.finders.cmp(&b.finders)));
    out.truncate(limit);
    out
}

fn sub(a: Px, b: Px) -> Px {
    [a[0] - b[0], a[1] - b[1]]
}
