//! Polygons to masks.

use crate::frame::Px;

/// Calls `span(y, x0, x1)` for each run of pixels (x0..x1) of row y whose centres lie inside the
/// polygon (even-odd rule), clipped to `width` × `height`.
pub fn fill_polygon(
    polygon: &[Px],
    width: usize,
    height: usize,
    mut span: impl FnMut(usize, usize, usize),
) {
    if polygon.len() < 3 {
        return;
    }
    let low = polygon.iter().map(|p| p[1]).fold(f64::INFINITY, f64::min).ceil().max(0.0) as usize;
    let high = polygon.iter().map(|p| p[1]).fold(f64::NEG_INFINITY, f64::max).floor();
    if high < 0.0 {
        return;
    }
    let mut cuts = Vec::new();
    for y in low..=(high as usize).min(height.saturating_sub(1)) {
        cuts.clear();
        let fy = y as f64;
        for (i, p) in polygon.iter().enumerate() {
            let q = polygon[(i + 1) % polygon.len()];
            if (p[1] <= fy) != (q[1] <= fy) {
                cuts.push(p[0] + (fy - p[1]) / (q[1] - p[1]) * (q[0] - p[0]));
            }
        }
        cuts.sort_by(f64::total_cmp);
        for pair in cuts.chunks_exact(2) {
            let x0 = pair[0].ceil().max(0.0) as usize;
            let x1 = (pair[1].floor() + 1.0).clamp(0.0, width as f64) as usize;
            if x0 < x1 {
                span(y, x0, x1);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn square_covers_the_pixels_whose_centres_lie_inside() {
        let mut cells = Vec::new();
        let square = [[0.5, 0.5], [3.5, 0.5], [3.5, 2.5], [0.5, 2.5]];
        fill_polygon(&square, 10, 10, |y, a, b| cells.extend((a..b).map(|x| (x, y))));
        assert_eq!(cells, [(1, 1), (2, 1), (3, 1), (1, 2), (2, 2), (3, 2)]);
    }

    #[test]
    fn outside_the_picture_nothing_is_drawn() {
        let far = [[-9.0, -9.0], [-5.0, -9.0], [-5.0, -5.0]];
        fill_polygon(&far, 4, 4, |_, _, _| panic!("outside"));
    }
}
