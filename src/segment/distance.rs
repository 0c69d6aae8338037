//! Exact squared Euclidean distance transform (Felzenszwalb and Huttenlocher 2012).

use std::ops::Range;

/// Squared distance of each `true` pixel to the nearest `false` one; beyond the border counts as
/// `false`. Row-major, `width` pixels a row.
pub fn squared_distance(mask: &[bool], width: usize) -> Vec<f32> {
    if width == 0 || mask.is_empty() {
        return Vec::new();
    }
    let mut out = vec![0.0f32; mask.len()];
    // Down and up each column: distance to the nearest background pixel of the column.
    let mut run = vec![0.0f32; width];
    for (out, mask) in out.chunks_exact_mut(width).zip(mask.chunks_exact(width)) {
        for ((o, m), r) in out.iter_mut().zip(mask).zip(&mut run) {
            *r = if *m { *r + 1.0 } else { 0.0 };
            *o = *r;
        }
    }
    run.fill(0.0);
    for out in out.chunks_exact_mut(width).rev() {
        for (o, r) in out.iter_mut().zip(&mut run) {
            *r = if *o > 0.0 { *r + 1.0 } else { 0.0 };
            let d = o.min(*r);
            *o = d * d;
        }
    }
    // Along each row: what lies between two background pixels has nothing nearer beyond them.
    let mut envelope = Envelope::default();
    for row in out.chunks_exact_mut(width) {
        let mut x = 0;
        while x < width {
            let from = x;
            while x < width && row[x] > 0.0 {
                x += 1;
            }
            if x > from {
                envelope.lower(&mut row[from..x]);
            }
            x += 1;
        }
    }
    out
}

/// Farthest distance that [`Signed`] tells apart, px.
const MOST_REACH: usize = 127;

/// Distances of pixels to the nearest one of the other kind, worked out where they are asked for.
#[derive(Debug, Clone)]
pub struct Signed {
    width: usize,
    mask: Vec<bool>,
    reach: usize,
    /// To the nearest pixel of the other kind in the same column.
    along: Vec<u8>,
}

impl Signed {
    /// Of a row-major mask, `width` pixels a row. Distances beyond `reach` (px; at most 127) are not
    /// told apart. Beyond the border counts as the other kind.
    pub fn new(mask: Vec<bool>, width: usize, reach: usize) -> Signed {
        let reach = reach.clamp(1, MOST_REACH);
        let most = reach as u8;
        let mut along = vec![most; mask.len()];
        let mut run = vec![0u8; width];
        let mut before: &[bool] = &[];
        let lines = mask.chunks_exact(width.max(1));
        for (out, own) in along.chunks_exact_mut(width.max(1)).zip(lines.clone()) {
            count_on(before, own, &mut run, out, most);
            before = own;
        }
        run.fill(0);
        before = &[];
        for (out, own) in along.chunks_exact_mut(width.max(1)).zip(lines).rev() {
            count_on(before, own, &mut run, out, most);
            before = own;
        }
        Signed { width, mask, reach, along }
    }

    /// The squares of the distances of the pixels `cols` of row `y`, px²: above nought for `true`
    /// pixels, below for the others, and never more than the reach's. `room` is room to work in.
    #[inline(always)]
    pub fn row(&self, y: usize, cols: Range<usize>, room: &mut Room, out: &mut [i16]) {
        let Signed { width, reach, .. } = *self;
        // Columns that can be nearest, those beyond the border being of either other kind.
        let from = cols.start as isize - reach as isize;
        let (first, end) = (from.max(0) as usize, (cols.end + reach).min(width));
        let blocks = cols.len().div_ceil(LANES);
        let at = (first as isize - from) as usize..;
        let seen = y * width + first..y * width + end;
        for (kind, own) in [true, false].into_iter().zip(&mut room.0) {
            own.clear();
            own.resize(blocks * LANES + 2 * reach, 0);
            let line = self.mask[seen.clone()].iter().zip(&self.along[seen.clone()]);
            for (o, (m, d)) in own[at.clone()].iter_mut().zip(line) {
                *o = if *m == kind { i16::from(*d) * i16::from(*d) } else { 0 };
            }
        }
        for (k, out) in out.chunks_mut(LANES).enumerate() {
            let [inside, outside] = [&room.0[0], &room.0[1]];
            let inside = least_square(&inside[k * LANES..], reach);
            let outside = least_square(&outside[k * LANES..], reach);
            // A pixel is of one kind, and at no distance from itself for the other.
            for (x, o) in out.iter_mut().enumerate() {
                *o = inside[x] - outside[x];
            }
        }
    }
}

/// Room for [`Signed::row`]: squares along the columns of one kind and the other, and what lies as far
/// as the reach to either side.
#[derive(Debug, Clone, Default)]
pub struct Room([Vec<i16>; 2]);

/// Pixels that are looked at together.
const LANES: usize = 16;

/// The least of squares along columns and the squares of how far these are away, of the pixels from
/// `reach` on.
#[inline(always)]
fn least_square(squares: &[i16], reach: usize) -> [i16; LANES] {
    let mut least = [(reach * reach) as i16; LANES];
    for away in 0..=reach {
        let square = (away * away) as i16;
        // Farther off there is nothing nearer.
        if !least.iter().fold(false, |any, l| any | (*l > square)) {
            break;
        }
        for from in [reach - away, reach + away] {
            let side = &squares[from..from + LANES];
            for x in 0..LANES {
                least[x] = least[x].min(side[x] + square);
            }
        }
    }
    least
}

/// Counts on along columns: how far each pixel of a row lies from the last of the other kind.
fn count_on(before: &[bool], own: &[bool], run: &mut [u8], out: &mut [u8], most: u8) {
    if before.is_empty() {
        run.fill(1);
    } else {
        for ((r, a), b) in run.iter_mut().zip(before).zip(own) {
            *r = if a == b { (*r + 1).min(most) } else { 1 };
        }
    }
    for (o, r) in out.iter_mut().zip(run) {
        *o = (*o).min(*r);
    }
}

/// Lower envelope of parabolas, one above each pixel.
#[derive(Default)]
struct Envelope {
    f: Vec<f32>,
    site: Vec<usize>,
    edge: Vec<f32>,
    /// One half divided by each whole number.
    halves: Vec<f32>,
}

impl Envelope {
    /// Replaces a run by its envelope, with background just outside both ends.
    fn lower(&mut self, run: &mut [f32]) {
        let n = run.len() + 2;
        self.f.clear();
        self.f.push(0.0);
        self.f.extend_from_slice(run);
        self.f.push(0.0);
        self.site.resize(n.max(self.site.len()), 0);
        self.edge.resize((n + 1).max(self.edge.len()), 0.0);
        // Sites and heights are whole numbers, and so where parabolas cross is far enough from the
        // next pixel, or on it, that the rounding of products does not matter.
        self.halves.extend((self.halves.len()..n).map(|k| 0.5 / k as f32));
        let (f, site, edge) = (&self.f[..n], &mut self.site[..n], &mut self.edge[..n + 1]);
        let halves = &self.halves[..n];
        let mut k = 0;
        site[0] = 0;
        edge[0] = f32::NEG_INFINITY;
        edge[1] = f32::INFINITY;
        for q in 1..n {
            let qf = q as f32;
            let cut = loop {
                let v = site[k] as f32;
                let s = ((f[q] + qf * qf) - (f[site[k]] + v * v)) * halves[q - site[k]];
                if s > edge[k] || k == 0 {
                    break s;
                }
                k -= 1;
            };
            k += 1;
            site[k] = q;
            edge[k] = cut;
            edge[k + 1] = f32::INFINITY;
        }
        let mut k = 0;
        for (x, v) in run.iter_mut().enumerate() {
            let q = (x + 1) as f32;
            while edge[k + 1] < q {
                k += 1;
            }
            let d = q - site[k] as f32;
            *v = d * d + f[site[k]];
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn slow(mask: &[bool], width: usize) -> Vec<f32> {
        let height = mask.len() / width;
        let on = |x: isize, y: isize| {
            (0..width as isize).contains(&x)
                && (0..height as isize).contains(&y)
                && mask[y as usize * width + x as usize]
        };
        let mut out = Vec::new();
        for y in 0..height as isize {
            for x in 0..width as isize {
                let mut best = f32::INFINITY;
                for v in -1..=height as isize {
                    for u in -1..=width as isize {
                        if !on(u, v) {
                            best = best.min(((x - u).pow(2) + (y - v).pow(2)) as f32);
                        }
                    }
                }
                out.push(if on(x, y) { best } else { 0.0 });
            }
        }
        out
    }

    proptest! {
        #[test]
        fn both_kinds_at_once_agree_with_each_alone(
            width in 1usize..40, reach in 1usize..9, mask in proptest::collection::vec(any::<bool>(), 240), flip in 0usize..240
        ) {
            // Large patches too, so that the reach is met.
            let mask: Vec<bool> = mask.iter().enumerate().map(|(i, m)| *m && i > flip).collect();
            let mask = &mask[..mask.len() / width * width];
            let off: Vec<bool> = mask.iter().map(|m| !m).collect();
            let most = (reach * reach) as f32;
            let (inside, outside) = (slow(mask, width), slow(&off, width));
            let plain: Vec<i16> = inside.iter().zip(&outside).map(|(i, o)| (i.min(most) - o.min(most)) as i16).collect();
            let signed = Signed::new(mask.to_vec(), width, reach);
            let from = flip % width;
            let mut room = Room::default();
            for (y, plain) in plain.chunks_exact(width).enumerate() {
                for cols in [0..width, from..width, 0..from] {
                    let mut out = vec![0; cols.len()];
                    signed.row(y, cols.clone(), &mut room, &mut out);
                    prop_assert_eq!(out, plain[cols].to_vec());
                }
            }
        }

        #[test]
        fn agrees_with_brute_force(width in 1usize..9, rows in proptest::collection::vec(any::<[bool; 9]>(), 1..9)) {
            let mask: Vec<bool> = rows.iter().flat_map(|r| r[..width].to_vec()).collect();
            prop_assert_eq!(squared_distance(&mask, width), slow(&mask, width));
        }
    }
}
