//! Parts of one object that another lies across.
//!
//! A stalk on which a berry lies shows two ends that touch nowhere; a stalk that bends, or changes
//! colour, is cut where its parts meet. Two parts are one object when their ends point at each
//! other, are equally thick and coloured, and nothing but an object lies between them. A small
//! learned judge weighs these.

use std::f64::consts::PI;

use rayon::prelude::*;

use super::split::Region;
use super::work::Work;
use crate::network::Network;

/// Parts farther apart than this are not compared, mm: a large berry's diameter.
const FARTHEST_MM: f64 = 20.0;
/// What counts as a part's end: its pixels within this of the point nearest to the other part, mm.
const END_MM: f64 = 4.0;
/// From this fullness, aspect and area (mm²) a region is a whole berry, and no part of anything.
const WHOLE: [f64; 3] = [0.97, 0.75, 20.0];
/// One of two parts must be thinner than this (aspect), ragged (fullness) or small (mm²).
const THIN: [f64; 3] = [0.6, 0.9, 15.0];

/// Number of measures of two parts.
pub const LINK_FEATURES: usize = 28;

/// Sums over pixels: area, moments and colour.
#[derive(Debug, Clone, Copy, Default)]
struct Sums {
    n: f64,
    x: f64,
    y: f64,
    xx: f64,
    xy: f64,
    yy: f64,
    lab: [f64; 3],
}

impl Sums {
    fn add_pixel(&mut self, work: &Work, x: u32, y: u32) {
        let i = y as usize * work.width() + x as usize;
        let (fx, fy) = (f64::from(x), f64::from(y));
        self.n += 1.0;
        self.x += fx;
        self.y += fy;
        self.xx += fx * fx;
        self.xy += fx * fy;
        self.yy += fy * fy;
        let planes = [&work.l, &work.a, &work.b];
        self.lab.iter_mut().zip(planes).for_each(|(s, p)| *s += f64::from(p.data[i]));
    }

    fn plus(mut self, o: &Sums) -> Sums {
        self.n += o.n;
        self.x += o.x;
        self.y += o.y;
        self.xx += o.xx;
        self.xy += o.xy;
        self.yy += o.yy;
        self.lab.iter_mut().zip(o.lab).for_each(|(s, v)| *s += v);
        self
    }

    fn centre(&self) -> [f64; 2] {
        [self.x / self.n, self.y / self.n]
    }

    fn colour(&self) -> [f64; 3] {
        self.lab.map(|v| v / self.n)
    }

    /// Variances along the major and the minor axis, and the major axis.
    fn axes(&self) -> (f64, f64, [f64; 2]) {
        let [mx, my] = self.centre();
        let a = self.xx / self.n - mx * mx + 1.0 / 12.0;
        let b = self.xy / self.n - mx * my;
        let c = self.yy / self.n - my * my + 1.0 / 12.0;
        let (mid, d) = ((a + c) / 2.0, ((a - c) / 2.0).hypot(b));
        let angle = 0.5 * (2.0 * b).atan2(a - c);
        (mid + d, (mid - d).max(1.0 / 12.0), [angle.cos(), angle.sin()])
    }

    fn aspect(&self) -> f64 {
        let (major, minor, _) = self.axes();
        (minor / major).sqrt()
    }

    /// Area over that of the ellipse with the same moments.
    fn fullness(&self) -> f64 {
        let (major, minor, _) = self.axes();
        self.n / (4.0 * PI * (major * minor).sqrt())
    }
}

/// A region made ready for comparing.
struct Part<'a> {
    region: &'a Region,
    sums: Sums,
    /// First and last column, first and last row.
    bounds: [f64; 4],
    /// Ends of its runs.
    rim: Vec<[f64; 2]>,
}

impl<'a> Part<'a> {
    fn new(region: &'a Region, work: &Work) -> Part<'a> {
        let mut sums = Sums::default();
        let mut bounds = [f64::INFINITY, f64::NEG_INFINITY, f64::INFINITY, f64::NEG_INFINITY];
        let mut rim = Vec::with_capacity(2 * region.runs.len());
        for &(y, a, b) in &region.runs {
            (a..b).for_each(|x| sums.add_pixel(work, x, y));
            let (y, a, b) = (f64::from(y), f64::from(a), f64::from(b) - 1.0);
            bounds = [bounds[0].min(a), bounds[1].max(b), bounds[2].min(y), bounds[3].max(y)];
            rim.push([a, y]);
            if b > a {
                rim.push([b, y]);
            }
        }
        Part { region, sums, bounds, rim }
    }

    fn mm2(&self, px_per_mm: f64) -> f64 {
        self.sums.n / (px_per_mm * px_per_mm)
    }

    fn is_whole(&self, px_per_mm: f64) -> bool {
        self.sums.fullness() > WHOLE[0]
            && self.sums.aspect() > WHOLE[1]
            && self.mm2(px_per_mm) > WHOLE[2]
    }

    fn is_thin(&self, px_per_mm: f64) -> bool {
        self.sums.aspect() < THIN[0]
            || self.sums.fullness() < THIN[1]
            || self.mm2(px_per_mm) < THIN[2]
    }

    /// Sums over the pixels within `reach` of a point.
    fn end(&self, at: [f64; 2], reach: f64, work: &Work) -> Sums {
        let mut sums = Sums::default();
        for &(y, a, b) in &self.region.runs {
            let dy = f64::from(y) - at[1];
            if dy.abs() > reach {
                continue;
            }
            let dx = (reach * reach - dy * dy).sqrt();
            let first = (at[0] - dx).ceil().max(f64::from(a)) as u32;
            let last = (at[0] + dx).floor().min(f64::from(b) - 1.0);
            if last >= f64::from(first) {
                (first..=last as u32).for_each(|x| sums.add_pixel(work, x, y));
            }
        }
        sums
    }
}

/// Two regions that may be parts of one object.
#[derive(Debug, Clone)]
pub struct Candidate {
    /// Index of one region.
    pub first: usize,
    /// Index of the other.
    pub second: usize,
    /// What is measured of the two.
    pub features: [f32; LINK_FEATURES],
}

/// All pairs of regions that are worth asking about. `owners` is as of [`super::split::owners`].
pub fn candidates(regions: &[Region], work: &Work, owners: &[u32]) -> Vec<Candidate> {
    let parts: Vec<Part> = regions.par_iter().map(|r| Part::new(r, work)).collect();
    let ppm = work.px_per_mm;
    let open: Vec<usize> = (0..parts.len()).filter(|i| !parts[*i].is_whole(ppm)).collect();
    let thin: Vec<bool> = parts.iter().map(|p| p.is_thin(ppm)).collect();
    let far = FARTHEST_MM * ppm;
    open.par_iter()
        .enumerate()
        .flat_map_iter(|(k, &i)| {
            let (parts, thin) = (&parts, &thin);
            open[k + 1..].iter().filter_map(move |&j| {
                let (p, q) = (&parts[i], &parts[j]);
                let apart = |low: usize| {
                    (p.bounds[low] - q.bounds[low + 1]).max(q.bounds[low] - p.bounds[low + 1])
                };
                if !(thin[i] || thin[j]) || apart(0) > far || apart(2) > far {
                    return None;
                }
                let features = compare(p, q, work, owners)?;
                Some(Candidate { first: i, second: j, features })
            })
        })
        .collect()
}

fn compare(p: &Part, q: &Part, work: &Work, owners: &[u32]) -> Option<[f32; LINK_FEATURES]> {
    let ppm = work.px_per_mm;
    let (s, l) = if p.sums.n < q.sums.n { (p, q) } else { (q, p) };
    let mut nearest = (f64::INFINITY, [0.0; 2], [0.0; 2]);
    let mut contact = 0.0;
    for a in &s.rim {
        let mut least = f64::INFINITY;
        for b in &l.rim {
            let d = (a[0] - b[0]).powi(2) + (a[1] - b[1]).powi(2);
            if d < least {
                least = d;
                if d < nearest.0 {
                    nearest = (d, *a, *b);
                }
            }
        }
        contact += f64::from(u8::from(least <= 4.0));
    }
    let (gap, a, b) = (nearest.0.sqrt(), nearest.1, nearest.2);
    if gap > FARTHEST_MM * ppm {
        return None;
    }
    let own = |part: &Part| {
        part.region.runs.first().map_or(0, |r| owners[r.0 as usize * work.width() + r.1 as usize])
    };
    let ours = [own(s), own(l)];
    let (mut bare, mut covered) = (0.0, 0.0);
    let steps = gap.ceil().max(1.0);
    for k in 1..steps as usize {
        let t = k as f64 / steps;
        let at = |c: usize| (a[c] + (b[c] - a[c]) * t).round().max(0.0) as usize;
        let owner = owners.get(at(1) * work.width() + at(0)).copied().unwrap_or(0);
        bare += f64::from(u8::from(owner == 0)) / steps;
        covered += f64::from(u8::from(owner != 0 && !ours.contains(&owner))) / steps;
    }
    let reach = END_MM * ppm;
    let (es, el) = (s.end(a, reach, work), l.end(b, reach, work));
    let ((s1, s2, sv), (l1, l2, lv)) = (es.axes(), el.axes());
    let (cs, cl) = (es.centre(), el.centre());
    let d = [cl[0] - cs[0], cl[1] - cs[1]];
    let length = d[0].hypot(d[1]).max(1e-6);
    let dot = |u: [f64; 2], v: [f64; 2]| (u[0] * v[0] + u[1] * v[1]).abs();
    // Thickness of a bar of the same variance across.
    let thick = [s2, l2].map(|v| (12.0 * v).sqrt() / ppm);
    let (colour_s, colour_l) = (es.colour(), el.colour());
    let both = s.sums.plus(&l.sums);
    let (whole_s, whole_l) = (s.sums.colour(), l.sums.colour());
    let features = [
        gap / ppm,
        bare,
        covered,
        contact / ppm,
        dot(sv, d) / length,
        dot(lv, d) / length,
        dot(sv, lv),
        (s2 / s1).sqrt(),
        (l2 / l1).sqrt(),
        thick[0],
        thick[1],
        (thick[0] / thick[1]).ln().abs(),
        (colour_s[0] - colour_l[0]).abs(),
        (colour_s[1] - colour_l[1]).hypot(colour_s[2] - colour_l[2]),
        s.mm2(ppm).ln(),
        l.mm2(ppm).ln(),
        s.sums.aspect(),
        l.sums.aspect(),
        s.sums.fullness(),
        l.sums.fullness(),
        both.fullness(),
        both.aspect(),
        whole_s[0],
        whole_s[1],
        whole_s[2],
        whole_l[0],
        whole_l[1],
        whole_l[2],
    ];
    Some(features.map(|v| v as f32))
}

/// Makes one region of each set of regions that are parts of one object, surest first; a region
/// that would be joined to two is joined to both.
pub fn link(
    regions: Vec<Region>,
    candidates: &[Candidate],
    judge: &Network,
    bar: f32,
) -> Vec<Region> {
    let mut parent: Vec<usize> = (0..regions.len()).collect();
    let root = |parent: &[usize], mut i: usize| {
        while parent[i] != i {
            i = parent[i];
        }
        i
    };
    for c in candidates {
        if judge.eval(&c.features)[0] >= bar {
            let (p, q) = (root(&parent, c.first), root(&parent, c.second));
            parent[p.max(q)] = p.min(q);
        }
    }
    let mut out: Vec<Option<Region>> = regions.into_iter().map(Some).collect();
    for i in (0..out.len()).rev() {
        let p = root(&parent, i);
        if p != i
            && let Some(part) = out[i].take()
            && let Some(whole) = &mut out[p]
        {
            whole.area += part.area;
            whole.runs.extend(part.runs);
            whole.runs.sort_unstable();
        }
    }
    out.into_iter().flatten().collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::network::{Output, Samples, Training};
    use crate::segment::Plane;
    use crate::segment::split::owners;

    const SIZE: usize = 120;

    /// A plain picture at four pixels a millimetre.
    fn work() -> Work {
        let plane = |v: f32| Plane::filled(SIZE, SIZE, v);
        Work {
            scale: 1.0,
            origin: [0.0; 2],
            l: plane(50.0),
            a: plane(0.0),
            b: plane(20.0),
            rg: plane(0.0),
            bg: plane(0.0),
            px_per_mm: 4.0,
        }
    }

    fn region(on: impl Fn(f64, f64) -> bool) -> Region {
        let mut runs = Vec::new();
        for y in 0..SIZE {
            let hits: Vec<usize> = (0..SIZE).filter(|x| on(*x as f64, y as f64)).collect();
            if let (Some(a), Some(b)) = (hits.first(), hits.last()) {
                runs.push((y as u32, *a as u32, *b as u32 + 1));
            }
        }
        let area = runs.iter().map(|r| (r.2 - r.1) as usize).sum();
        Region { runs, area }
    }

    /// A stalk with a berry across its middle, and a bar elsewhere that points at neither.
    fn scene() -> Vec<Region> {
        vec![
            region(|x, y| (5.0..35.0).contains(&x) && (56.0..64.0).contains(&y)),
            region(|x, y| (x - 60.0).hypot(y - 60.0) < 25.0),
            region(|x, y| (85.0..115.0).contains(&x) && (56.0..64.0).contains(&y)),
            region(|x, y| (85.0..93.0).contains(&x) && (5.0..35.0).contains(&y)),
        ]
    }

    #[test]
    fn ends_under_a_berry_point_at_each_other() {
        let (regions, work) = (scene(), work());
        let found = candidates(&regions, &work, &owners(&regions, &work));
        assert!(found.iter().all(|c| c.first != 1 && c.second != 1), "a whole berry is no part");
        let of = |a: usize, b: usize| {
            found.iter().find(|c| (c.first, c.second) == (a, b)).map(|c| c.features)
        };
        let ends = of(0, 2).unwrap();
        // From the last pixel of one end to the first of the other: 51 px.
        assert!((ends[0] - 51.0 / 4.0).abs() < 1e-4, "{ends:?}");
        assert!(ends[1] < 0.05 && ends[2] > 0.9, "the berry covers what lies between: {ends:?}");
        assert!(ends[4..7].iter().all(|v| *v > 0.99), "all in one line: {ends:?}");
        // Eight pixels thick, but for the end's round cut.
        assert!((ends[9] - 2.0).abs() < 0.02 && ends[11] < 1e-4, "{ends:?}");
        let beside = of(2, 3).unwrap();
        assert!(beside[1] > 0.9 && beside[6] < 0.01, "{beside:?}");
    }

    /// A judge that says the same of everything: its weights decay, its bias does not.
    fn always(answer: f32) -> Network {
        let samples = Samples {
            inputs: (0..4 * LINK_FEATURES).map(|k| (k % 7) as f32).collect(),
            targets: vec![answer; 4],
            weights: vec![1.0; 4],
        };
        let how = Training {
            epochs: 400,
            rate: 0.05,
            batch: 4,
            decay: 1.0,
            seed: 1,
            output: Output::Logistic,
            ranks: true,
        };
        Network::train(&samples, LINK_FEATURES, &[2], how, |_, _| {})
    }

    #[test]
    fn linked_parts_are_one_region_in_raster_order() {
        let (regions, work) = (scene(), work());
        let all = candidates(&regions, &work, &owners(&regions, &work));
        let ends: Vec<Candidate> =
            all.iter().filter(|c| (c.first, c.second) == (0, 2)).cloned().collect();
        let apart = link(scene(), &ends, &always(0.0), 0.5);
        assert_eq!(apart.len(), 4);
        let linked = link(scene(), &ends, &always(1.0), 0.5);
        assert_eq!(linked.len(), 3);
        assert_eq!(linked[0].area, regions[0].area + regions[2].area);
        assert!(linked[0].runs.is_sorted());
        assert_eq!(linked[1].runs, regions[1].runs);
        assert_eq!(linked[2].runs, regions[3].runs);
    }
}
