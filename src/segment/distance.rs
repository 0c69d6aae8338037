//! Exact squared Euclidean distance transform (Felzenszwalb and Huttenlocher 2012).

/// Squared distance of each `true` pixel to the nearest `false` one; beyond the border counts as
/// `false`. Row-major, `width` pixels a row.
pub fn squared_distance(mask: &[bool], width: usize) -> Vec<f32> {
    if width == 0 || mask.is_empty() {
        return Vec::new();
    }
    let height = mask.len() / width;
    let mut out = vec![0.0f32; mask.len()];
    // Down and up each column: distance to the nearest background pixel of the column.
    let mut run = vec![0u32; width];
    for y in 0..height {
        for x in 0..width {
            run[x] = if mask[y * width + x] { run[x] + 1 } else { 0 };
            out[y * width + x] = run[x] as f32;
        }
    }
    run.fill(0);
    for y in (0..height).rev() {
        for x in 0..width {
            run[x] = if mask[y * width + x] { run[x] + 1 } else { 0 };
            let d = out[y * width + x].min(run[x] as f32);
            out[y * width + x] = d * d;
        }
    }
    // Along each row: lower envelope of parabolas, with background just outside both ends.
    let n = width + 2;
    let mut f = vec![0.0f32; n];
    let mut site = vec![0usize; n];
    let mut edge = vec![0.0f32; n + 1];
    for row in out.chunks_exact_mut(width) {
        if row.iter().all(|v| *v == 0.0) {
            continue;
        }
        f[1..=width].copy_from_slice(row);
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
        for (x, v) in row.iter_mut().enumerate() {
            let q = (x + 1) as f32;
            while edge[k + 1] < q {
                k += 1;
            }
            let d = q - site[k] as f32;
            *v = d * d + f[site[k]];
        }
    }
    out
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
        fn agrees_with_brute_force(width in 1usize..9, rows in proptest::collection::vec(any::<[bool; 9]>(), 1..9)) {
            let mask: Vec<bool> = rows.iter().flat_map(|r| r[..width].to_vec()).collect();
            prop_assert_eq!(squared_distance(&mask, width), slow(&mask, width));
        }
    }
}
