//! Outlines of labelled objects as closed polylines, for drawing only: sizes come from pixels and
//! moments, never from these (a contour through pixel edges is not the object's measured shape).

use crate::segment::{Bounds, LabelMap};

/// A closed line around one piece of an object. Points are (x, y) in pixels, first pixel's
/// centre = (0, 0); the object lies to the right of the way they run.
pub type Loop = Vec<[f32; 2]>;

/// The outer outlines of one label, one a piece, as runs of pixel-edge midpoints. Holes are left
/// out. Pixels that meet at a corner belong together.
pub fn outlines(map: &LabelMap, label: u16, bounds: Bounds) -> Vec<Loop> {
    let inside = |row: i64, col: i64| {
        row >= bounds.row as i64
            && col >= bounds.col as i64
            && row < bounds.row_end as i64
            && col < bounds.col_end as i64
            && map.labels[row as usize * map.width + col as usize] == label
    };
    let width = bounds.col_end - bounds.col;
    let mut seen = vec![false; width * (bounds.row_end - bounds.row)];
    let mut found = Vec::new();
    let across = |row: usize| &map.labels[row * map.width..][bounds.col..bounds.col_end];
    let nothing = vec![0; width];
    for row in bounds.row..bounds.row_end {
        let above = if row == bounds.row { &nothing[..] } else { across(row - 1) };
        for (k, (own, above)) in across(row).iter().zip(above).enumerate() {
            if *own != label || *above == label || seen[(row - bounds.row) * width + k] {
                continue;
            }
            let (r, c) = (row as i64, (bounds.col + k) as i64);
            let line = follow(r, c, inside, |row, col| {
                seen[(row as usize - bounds.row) * width + col as usize - bounds.col] = true;
            });
            if signed_area(&line) > 0.0 {
                found.push(line);
            }
        }
    }
    found
}

/// Follows pixel edges from the top edge of pixel (row, col) until back there. `top_edge` is told
/// of each pixel whose top edge was passed.
fn follow(
    row: i64,
    col: i64,
    inside: impl Fn(i64, i64) -> bool,
    mut top_edge: impl FnMut(i64, i64),
) -> Loop {
    // Directions: right, down, left, up; a vertex (x, y) is the top-left corner of pixel (y, x).
    const STEP: [(i64, i64); 4] = [(1, 0), (0, 1), (-1, 0), (0, -1)];
    // The two pixels ahead of a vertex: (row, col) offsets on the left and right of each direction.
    const LEFT: [(i64, i64); 4] = [(-1, 0), (0, 0), (0, -1), (-1, -1)];
    const RIGHT: [(i64, i64); 4] = [(0, 0), (0, -1), (-1, -1), (-1, 0)];
    let (mut x, mut y, mut dir) = (col, row, 0);
    let mut line = Vec::new();
    loop {
        let (dx, dy) = STEP[dir];
        if dir == 0 {
            top_edge(y, x);
        }
        line.push([x as f32 - 0.5 + dx as f32 / 2.0, y as f32 - 0.5 + dy as f32 / 2.0]);
        (x, y) = (x + dx, y + dy);
        let at = |(dr, dc): (i64, i64)| inside(y + dr, x + dc);
        dir = if at(LEFT[dir]) {
            (dir + 3) % 4
        } else if at(RIGHT[dir]) {
            dir
        } else {
            (dir + 1) % 4
        };
        if (x, y, dir) == (col, row, 0) {
            return line;
        }
    }
}

/// Area inside a loop (shoelace formula), px²; positive for an outer line, negative for a hole.
fn signed_area(line: &[[f32; 2]]) -> f64 {
    let pairs = line.iter().zip(line.iter().cycle().skip(1));
    pairs
        .map(|(a, b)| f64::from(a[0]) * f64::from(b[1]) - f64::from(b[0]) * f64::from(a[1]))
        .sum::<f64>()
        / 2.0
}

/// Smooths a loop by the mean over `2·reach + 1` neighbouring points: takes the stairs out of
/// pixel edges.
pub fn smooth(line: &[[f32; 2]], reach: usize) -> Loop {
    let n = line.len();
    if n < 4 * reach + 2 {
        return line.to_vec();
    }
    let span = 2 * reach + 1;
    // Once more around at both ends.
    let round: Loop = [&line[n - reach..], line, &line[..reach]].concat();
    round
        .windows(span)
        .map(|near| {
            let sum = near.iter().fold([0.0, 0.0], |s, p| [s[0] + p[0], s[1] + p[1]]);
            sum.map(|v| v / span as f32)
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn map(width: usize, labels: &[u16]) -> LabelMap {
        let count = labels.iter().copied().max().unwrap_or(0).into();
        LabelMap { width, height: labels.len() / width.max(1), labels: labels.to_vec(), count }
    }

    fn all_outlines(map: &LabelMap) -> Vec<Vec<Loop>> {
        map.bounds()
            .iter()
            .enumerate()
            .map(|(i, b)| b.map(|b| outlines(map, i as u16 + 1, b)).unwrap_or_default())
            .collect()
    }

    #[test]
    fn one_pixel_has_four_edges() {
        let m = map(3, &[0, 0, 0, 0, 1, 0, 0, 0, 0]);
        let lines = all_outlines(&m);
        assert_eq!(lines[0], vec![vec![[1.0, 0.5], [1.5, 1.0], [1.0, 1.5], [0.5, 1.0]]]);
    }

    #[test]
    fn an_object_over_the_whole_frame() {
        let lines = all_outlines(&map(2, &[1, 1, 1, 1]));
        assert_eq!(lines[0].len(), 1);
        assert_eq!(lines[0][0].len(), 8);
    }

    #[test]
    fn holes_are_left_out_and_pieces_are_kept() {
        #[rustfmt::skip]
        let m = map(7, &[
            1, 1, 1, 0, 0, 0, 1,
            1, 0, 1, 0, 0, 0, 1,
            1, 1, 1, 0, 0, 0, 0,
        ]);
        let lines = all_outlines(&m);
        assert_eq!(lines[0].iter().map(Vec::len).collect::<Vec<_>>(), vec![12, 6]);
    }

    #[test]
    fn pixels_that_meet_at_a_corner_are_one_piece() {
        let lines = all_outlines(&map(2, &[1, 0, 0, 1]));
        assert_eq!(lines[0].len(), 1);
        assert_eq!(lines[0][0].len(), 8);
    }

    // Each pixel edge between inside and outside belongs to exactly one loop, so the outer loops
    // can never be longer than the count of such edges, and equal it where there is no hole.
    fn edge_count(m: &LabelMap) -> usize {
        let at = |r: i64, c: i64| {
            r >= 0
                && c >= 0
                && r < m.height as i64
                && c < m.width as i64
                && m.labels[r as usize * m.width + c as usize] == 1
        };
        let mut n = 0;
        for r in 0..m.height as i64 {
            for c in 0..m.width as i64 {
                if at(r, c) {
                    n += [(r - 1, c), (r + 1, c), (r, c - 1), (r, c + 1)]
                        .iter()
                        .filter(|&&(r, c)| !at(r, c))
                        .count();
                }
            }
        }
        n
    }

    proptest! {
        #[test]
        fn loops_cover_each_outer_edge_once(cells in prop::collection::vec(0u16..2, 42)) {
            let m = map(7, &cells);
            let lines = all_outlines(&m);
            let total: usize = lines.iter().flatten().map(Vec::len).sum();
            prop_assert!(total <= edge_count(&m));
            let area: f64 = lines.iter().flatten().map(|l| signed_area(l)).sum();
            prop_assert!(lines.iter().flatten().all(|l| l.len() >= 4));
            prop_assert!(area >= 0.0);
        }
    }
}
