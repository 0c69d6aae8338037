//! Outlines at full resolution.

use rayon::prelude::*;

use super::evidence::Evidence;
use super::split::Region;
use super::work::Work;
use super::{LabelMap, Plane};

/// Paints the regions into a full-size label map: a photograph pixel belongs to the nearest
/// region where the interpolated object evidence says 'object'. Objects are numbered in raster
/// order of their first pixel.
pub fn paint(
    regions: &[Region],
    work: &Work,
    evidence: &Evidence,
    size: [usize; 2],
    threshold: f32,
) -> LabelMap {
    let (w, h) = (work.width(), work.height());
    let mut coarse = vec![0u16; w * h];
    for (k, region) in regions.iter().enumerate() {
        for &(y, a, b) in &region.runs {
            let row = y as usize * w;
            coarse[row + a as usize..row + b as usize].fill((k + 1).min(65_535) as u16);
        }
    }
    let grown = grow(&coarse, w);
    // Filled holes keep their label even where evidence is low.
    let mut object = evidence.object.clone();
    for (v, c) in object.data.iter_mut().zip(&coarse) {
        if *c != 0 && *v < threshold {
            *v = 1.0;
        }
    }
    let clear: Vec<Option<bool>> = (0..w * h)
        .into_par_iter()
        .with_min_len(w)
        .map(|i| if grown[i] == 0 { None } else { clearly(&object, i % w, i / w, threshold) })
        .collect();
    let [width, height] = size;
    let mut labels = vec![0u16; width * height];
    let f = work.factor;
    labels
        .par_chunks_mut(width)
        .enumerate()
        .filter(|(y, _)| *y >= work.origin[1] && (*y - work.origin[1]) / f < h)
        .for_each(|(y, row)| {
            let wy = (y - work.origin[1]) / f;
            let fy = work.from_photo(0.0, y as f64)[1] as f32;
            for wx in 0..w {
                let k = grown[wy * w + wx];
                if k == 0 {
                    continue;
                }
                let cols = work.origin[0] + wx * f..(work.origin[0] + (wx + 1) * f).min(width);
                match clear[wy * w + wx] {
                    Some(true) => {
                        row[cols].fill(k);
                        continue;
                    }
                    Some(false) => continue,
                    None => {}
                }
                for x in cols {
                    let fx = work.from_photo(x as f64, 0.0)[0] as f32;
                    if object.bilinear(fx, fy) >= threshold {
                        row[x] = k;
                    }
                }
            }
        });
    let count = renumber(&mut labels, regions.len());
    LabelMap { width, height, labels, count }
}

/// Whether everything interpolated within a work pixel lies on one side of the threshold, which
/// its neighbours tell; none where they do not.
#[inline]
fn clearly(object: &Plane, x: usize, y: usize, threshold: f32) -> Option<bool> {
    // Interpolation rounds by far less than this.
    const ROUNDING: f32 = 1e-4;
    let (mut low, mut high) = (f32::MAX, f32::MIN);
    for v in y.saturating_sub(1)..=(y + 1).min(object.height - 1) {
        for u in x.saturating_sub(1)..=(x + 1).min(object.width - 1) {
            let value = object.data[v * object.width + u];
            (low, high) = (low.min(value), high.max(value));
        }
    }
    if low >= threshold + ROUNDING {
        Some(true)
    } else if high < threshold - ROUNDING {
        Some(false)
    } else {
        None
    }
}

/// Lends each background pixel the label of a neighbour (sides first), so that outlines may
/// fall anywhere inside the bordering work pixels.
fn grow(labels: &[u16], width: usize) -> Vec<u16> {
    let height = labels.len() / width;
    let at = |x: isize, y: isize| {
        if x < 0 || y < 0 || x >= width as isize || y >= height as isize {
            0
        } else {
            labels[y as usize * width + x as usize]
        }
    };
    let mut out = labels.to_vec();
    out.par_chunks_mut(width).enumerate().for_each(|(y, row)| {
        for (x, l) in row.iter_mut().enumerate().filter(|(_, l)| **l == 0) {
            let (x, y) = (x as isize, y as isize);
            const AROUND: [(isize, isize); 8] =
                [(-1, 0), (1, 0), (0, -1), (0, 1), (-1, -1), (1, -1), (-1, 1), (1, 1)];
            *l = AROUND.iter().map(|(dx, dy)| at(x + dx, y + dy)).find(|k| *k != 0).unwrap_or(0);
        }
    });
    out
}

/// Numbers labels 1, 2, … in raster order of first appearance; returns how many there are.
pub fn renumber(labels: &mut [u16], most: usize) -> usize {
    const PART: usize = 1 << 18;
    let firsts: Vec<Vec<u16>> = labels
        .par_chunks(PART)
        .map(|part| {
            let mut seen = vec![false; most + 1];
            let mut order = Vec::new();
            for run in part.chunk_by(|a, b| a == b) {
                let l = run[0];
                if l != 0 && !std::mem::replace(&mut seen[l as usize], true) {
                    order.push(l);
                }
            }
            order
        })
        .collect();
    let mut name = vec![0u16; most + 1];
    let mut count = 0u16;
    for l in firsts.into_iter().flatten() {
        if name[l as usize] == 0 {
            count += 1;
            name[l as usize] = count;
        }
    }
    labels.par_chunks_mut(PART).for_each(|part| {
        for l in part.iter_mut().filter(|l| **l != 0) {
            *l = name[*l as usize];
        }
    });
    count as usize
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_follow_the_first_appearance_across_all_parts() {
        // More than one part of the picture, with names that come back in a later one.
        let mut labels = vec![0u16; 700_000];
        for (at, name) in [(5, 7), (6, 7), (300_000, 2), (300_001, 7), (600_000, 9), (600_002, 2)] {
            labels[at] = name;
        }
        assert_eq!(renumber(&mut labels, 9), 3);
        let found: Vec<u16> = labels.into_iter().filter(|l| *l != 0).collect();
        assert_eq!(found, [1, 1, 2, 1, 3, 2]);
    }
}
