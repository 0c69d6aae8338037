//! Exact squared Euclidean distance transform (Felzenszwalb and Huttenlocher 2012).

use rayon::prelude::*;

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

/// Farthest distance that [`signed_squares`] tells apart, px.
const MOST_REACH: usize = 127;

/// Squared distance of each pixel to the nearest one of the other kind: above nought for `true`
/// pixels, below for the others, and never more than `reach`² (px; at most 127). Beyond the border
/// counts as the other kind.
pub fn signed_squares(mask: &[bool], width: usize, reach: usize) -> Vec<i16> {
    if width == 0 || mask.is_empty() {
        return Vec::new();
    }
    let reach = reach.clamp(1, MOST_REACH);
    let most = reach as u8;
    // To the nearest pixel of the other kind in the same column.
    let mut along = vec![most; mask.len()];
    let mut run = vec![0u8; width];
    let mut before: &[bool] = &[];
    for (out, own) in along.chunks_exact_mut(width).zip(mask.chunks_exact(width)) {
        count_on(before, own, &mut run, out, most);
        before = own;
    }
    run.fill(0);
    before = &[];
    for (out, own) in along.chunks_exact_mut(width).zip(mask.chunks_exact(width)).rev() {
        count_on(before, own, &mut run, out, most);
        before = own;
    }
    let mut out = vec![0i16; mask.len()];
    let rows = out.par_chunks_mut(width).zip(mask.par_chunks(width)).zip(along.par_chunks(width));
    rows.for_each_init(Padded::default, |room, ((out, mask), along)| {
        pulp::Arch::new().dispatch(Across { room, mask, along, reach, out });
    });
    out
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

/// Squares along the columns of one row, one kind and the other, with nought beyond its ends.
#[derive(Default)]
struct Padded {
    own: [Vec<i16>; 2],
    least: Vec<i16>,
}

struct Across<'a> {
    room: &'a mut Padded,
    mask: &'a [bool],
    along: &'a [u8],
    reach: usize,
    out: &'a mut [i16],
}

impl pulp::WithSimd for Across<'_> {
    type Output = ();
    #[inline(always)]
    fn with_simd<S: pulp::Simd>(self, _: S) {
        let Across { room, mask, along, reach, out } = self;
        let n = out.len();
        let most = (reach * reach) as i16;
        for (kind, sign) in [(true, 1i16), (false, -1)] {
            if !mask.contains(&kind) {
                continue;
            }
            let own = &mut room.own[usize::from(kind)];
            own.clear();
            own.resize(n + 2 * reach, 0);
            for ((o, m), d) in own[reach..].iter_mut().zip(mask).zip(along) {
                *o = if *m == kind { i16::from(*d) * i16::from(*d) } else { 0 };
            }
            room.least.clear();
            room.least.resize(n, most);
            for shift in 0..=2 * reach {
                let away = (shift.abs_diff(reach) * shift.abs_diff(reach)) as i16;
                for (l, o) in room.least.iter_mut().zip(&own[shift..shift + n]) {
                    *l = (*l).min(*o + away);
                }
            }
            for ((o, m), l) in out.iter_mut().zip(mask).zip(&room.least) {
                *o = if *m == kind { sign * *l } else { *o };
            }
        }
    }
}

/// Lower envelope of parabolas, one above each pixel.
#[derive(Default)]
struct Envelope {
    f: Vec<f32>,
    site: Vec<usize>,
    edge: Vec<f32>,
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
        let (f, site, edge) = (&self.f[..n], &mut self.site[..n], &mut self.edge[..n + 1]);
        let mut k = 0;
        site[0] = 0;
        edge[0] = f32::NEG_INFINITY;
        edge[1] = f32::INFINITY;
        for q in 1..n {
            let qf = q as f32;
            let cut = loop {
                let v = site[k] as f32;
                let s = ((f[q] + qf * qf) - (f[site[k]] + v * v)) / (2.0 * (qf - v));
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
            width in 1usize..14, reach in 1usize..9, mask in proptest::collection::vec(any::<bool>(), 140), flip in 0usize..140
        ) {
            // Large patches too, so that the reach is met.
            let mask: Vec<bool> = mask.iter().enumerate().map(|(i, m)| *m && i > flip).collect();
            let mask = &mask[..mask.len() / width * width];
            let off: Vec<bool> = mask.iter().map(|m| !m).collect();
            let most = (reach * reach) as f32;
            let (inside, outside) = (slow(mask, width), slow(&off, width));
            let plain: Vec<i16> = inside.iter().zip(&outside).map(|(i, o)| (i.min(most) - o.min(most)) as i16).collect();
            prop_assert_eq!(signed_squares(mask, width, reach), plain);
        }

        #[test]
        fn agrees_with_brute_force(width in 1usize..9, rows in proptest::collection::vec(any::<[bool; 9]>(), 1..9)) {
            let mask: Vec<bool> = rows.iter().flat_map(|r| r[..width].to_vec()).collect();
            prop_assert_eq!(squared_distance(&mask, width), slow(&mask, width));
        }
    }
}
