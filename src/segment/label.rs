//! Outlines at full resolution.

use super::LabelMap;
use super::evidence::Evidence;
use super::split::Region;
use super::work::Work;

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
    use rayon::prelude::*;
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
                for x in work.origin[0] + wx * f..(work.origin[0] + (wx + 1) * f).min(width) {
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
    for y in 0..height {
        for x in 0..width {
            let i = y * width + x;
            if labels[i] == 0 {
                let (x, y) = (x as isize, y as isize);
                const AROUND: [(isize, isize); 8] =
                    [(-1, 0), (1, 0), (0, -1), (0, 1), (-1, -1), (1, -1), (-1, 1), (1, 1)];
                out[i] =
                    AROUND.iter().map(|(dx, dy)| at(x + dx, y + dy)).find(|k| *k != 0).unwrap_or(0);
            }
        }
    }
    out
}

/// Numbers labels 1, 2, … in raster order of first appearance; returns how many there are.
pub fn renumber(labels: &mut [u16], most: usize) -> usize {
    let mut name = vec![0u16; most + 1];
    let mut count = 0u16;
    for l in labels.iter_mut() {
        if *l != 0 {
            if name[*l as usize] == 0 {
                count += 1;
                name[*l as usize] = count;
            }
            *l = name[*l as usize];
        }
    }
    count as usize
}
