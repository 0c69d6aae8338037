//! What is kept open in memory, bounded: photographs, outlines, pictures.

use std::collections::BTreeMap;
use std::io::Cursor;
use std::sync::{Arc, Mutex};

use axum::body::Bytes;
use image::{ImageReader, RgbImage};
use rayon::prelude::*;

use super::fault::Fault;
use super::lock;
use crate::ledger::archive::Archive;
use crate::ledger::record::OneTray;
use crate::photo::{self, Photo};
use crate::pipeline::{self, Opened, Settings};
use crate::report::canvas::shrink;
use crate::report::jpeg;
use crate::report::outline::outlines;
use crate::retouch::{self, Measured};
use crate::segment::{Bounds, LabelMap, Prepared};

/// Bytes of opened photographs that are kept, about five of 12 megapixels ready for editing.
const PHOTOS: usize = 400 << 20;
/// Bytes of label pictures with their outlines.
const VIEWS: usize = 200 << 20;
/// Bytes of encoded pictures.
const PICTURES: usize = 96 << 20;

/// What was used last stays; what was not for longest goes first.
struct Lately<K, V> {
    limit: usize,
    items: Vec<(K, V, usize)>,
}

impl<K: PartialEq, V: Clone> Lately<K, V> {
    fn new(limit: usize) -> Self {
        Lately { limit, items: Vec::new() }
    }

    fn get(&mut self, key: &K) -> Option<V> {
        let place = self.items.iter().position(|i| i.0 == *key)?;
        let item = self.items.remove(place);
        let value = item.1.clone();
        self.items.push(item);
        Some(value)
    }

    fn put(&mut self, key: K, value: V, bytes: usize) {
        self.items.retain(|i| i.0 != key);
        self.items.push((key, value, bytes));
        while self.items.len() > 1 && self.items.iter().map(|i| i.2).sum::<usize>() > self.limit {
            self.items.remove(0);
        }
    }
}

/// A photograph ready to be measured again.
pub struct Ready {
    /// With its marks and light.
    pub opened: Opened,
    /// Reduced, with the floor.
    pub prepared: Prepared,
}

/// A photograph in memory.
#[derive(Clone)]
pub enum Kept {
    /// Decoded.
    Photo(Arc<Photo>),
    /// Ready to be measured again.
    Ready(Arc<Ready>),
}

impl Kept {
    /// Its pixels.
    pub fn rgb(&self) -> &RgbImage {
        match self {
            Kept::Photo(photo) => &photo.rgb,
            Kept::Ready(ready) => &ready.opened.photo.rgb,
        }
    }
}

/// An object's outline.
#[derive(Debug, Clone, PartialEq)]
pub struct Shape {
    /// Where its pixels lie.
    pub bounds: Bounds,
    /// Closed outlines, x, y, x, y …
    pub loops: Vec<Vec<f32>>,
}

/// A tray's objects on its photograph, as of its last change.
pub struct View {
    /// The last entry that changed its objects.
    pub changed: Option<u64>,
    /// Labels: each object's own number.
    pub labels: Arc<LabelMap>,
    /// Labels as the photograph was read.
    base: Arc<LabelMap>,
    /// Outlines by number.
    pub shapes: BTreeMap<u32, Shape>,
}

/// The shelf.
pub struct Shelf {
    photos: Mutex<Lately<String, Kept>>,
    views: Mutex<Lately<u64, Arc<View>>>,
    measured: Mutex<Lately<u64, Arc<Vec<Measured>>>>,
    pictures: Mutex<Lately<(String, u32), Bytes>>,
    opening: Mutex<()>,
}

impl Shelf {
    /// An empty one.
    pub fn new() -> Shelf {
        Shelf {
            photos: Mutex::new(Lately::new(PHOTOS)),
            views: Mutex::new(Lately::new(VIEWS)),
            measured: Mutex::new(Lately::new(16 << 20)),
            pictures: Mutex::new(Lately::new(PICTURES)),
            opening: Mutex::new(()),
        }
    }

    /// Keeps what was just read.
    pub fn put_read(&self, entry: u64, photo: Photo, labels: LabelMap) {
        let key = photo.sha256.clone();
        let bytes = photo.rgb.as_raw().len();
        lock(&self.photos).put(key, Kept::Photo(Arc::new(photo)), bytes);
        let labels = Arc::new(labels);
        self.put_view(entry, Arc::new(View::of(Arc::clone(&labels), labels, None)));
    }

    /// A photograph's pixels, decoded if need be.
    pub fn photo(&self, archive: &Archive, sha256: &str) -> Result<Kept, Fault> {
        if let Some(kept) = lock(&self.photos).get(&sha256.to_owned()) {
            return Ok(kept);
        }
        // One at a time: two requests for the same photograph decode it once.
        let _one = lock(&self.opening);
        if let Some(kept) = lock(&self.photos).get(&sha256.to_owned()) {
            return Ok(kept);
        }
        let photo = photo::decode(&archive.read(sha256)?).map_err(Fault::failed)?;
        let bytes = photo.rgb.as_raw().len();
        let kept = Kept::Photo(Arc::new(photo));
        lock(&self.photos).put(sha256.to_owned(), kept.clone(), bytes);
        Ok(kept)
    }

    /// A photograph ready to be measured again.
    pub fn ready(
        &self,
        archive: &Archive,
        sha256: &str,
        settings: &Settings,
    ) -> Result<Arc<Ready>, Fault> {
        let kept = self.photo(archive, sha256)?;
        let _one = lock(&self.opening);
        let kept = match lock(&self.photos).get(&sha256.to_owned()).unwrap_or(kept) {
            Kept::Ready(ready) => return Ok(ready),
            Kept::Photo(photo) => photo,
        };
        let photo = Arc::try_unwrap(kept).unwrap_or_else(|shared| (*shared).clone());
        let opened = pipeline::open(photo, settings).map_err(|e| {
            let todo = "start the workbench with the flags that the photograph was read with";
            Fault::cannot(format!("the photograph cannot be measured again: {e}"), todo)
        })?;
        let prepared = pipeline::prepare(&opened, settings);
        // The reduced picture: three planes of four bytes, and as much again for the floor.
        let bytes = opened.photo.rgb.as_raw().len() + 32 * prepared.allowed.len();
        let ready = Arc::new(Ready { opened, prepared });
        lock(&self.photos).put(sha256.to_owned(), Kept::Ready(Arc::clone(&ready)), bytes);
        Ok(ready)
    }

    /// A tray's outlines as they stand.
    pub fn view(&self, archive: &Archive, tray: &OneTray) -> Result<Arc<View>, Fault> {
        let known = lock(&self.views).get(&tray.entry);
        let base = match known {
            Some(view) if view.changed == tray.changed => return Ok(view),
            Some(view) => Arc::clone(&view.base),
            None => {
                let sha256 = tray.labels.as_ref().ok_or_else(|| {
                    Fault::missing("this tray was recorded without outlines to show")
                })?;
                Arc::new(decode_labels(&archive.read(sha256)?)?)
            }
        };
        if tray.changed.is_none() {
            let view = Arc::new(View::of(Arc::clone(&base), base, None));
            self.put_view(tray.entry, Arc::clone(&view));
            return Ok(view);
        }
        let mut labels = (*base).clone();
        retouch::erase(&mut labels, &tray.gone);
        for outline in &tray.outlines {
            if let Ok(label) = u16::try_from(outline.object) {
                retouch::paint(&mut labels, &outline.runs, label);
            }
        }
        labels.count = tray.highest as usize;
        let view = Arc::new(View::of(Arc::new(labels), base, tray.changed));
        self.put_view(tray.entry, Arc::clone(&view));
        Ok(view)
    }

    /// Keeps a tray's outlines.
    pub fn put_view(&self, entry: u64, view: Arc<View>) {
        let bytes = 4 * view.labels.labels.len();
        lock(&self.views).put(entry, view, bytes);
    }

    /// Measures of all objects of a tray. An object's pixels never change under its number, so what
    /// was measured once holds as long as the tray is kept here.
    pub fn measured(&self, tray: &OneTray, ready: &Ready, view: &View) -> Vec<Measured> {
        let known = lock(&self.measured).get(&tray.entry).unwrap_or_default();
        let of = |number: u32| known.iter().find(|m| m.0 == number).cloned();
        let own: Option<Vec<Measured>> = tray.objects.iter().map(|o| of(o.read.object)).collect();
        own.unwrap_or_else(|| {
            let all = retouch::measure_all(&ready.opened, &ready.prepared, &view.labels);
            self.add_measured(tray.entry, all.clone());
            all
        })
    }

    /// Keeps measures of a tray's objects beside those that are kept.
    pub fn add_measured(&self, entry: u64, objects: Vec<Measured>) {
        let mut measured = lock(&self.measured);
        let mut all = measured.get(&entry).map_or_else(Vec::new, |m| (*m).clone());
        all.retain(|m| !objects.iter().any(|o| o.0 == m.0));
        all.extend(objects);
        all.sort_by_key(|m| m.0);
        let bytes = all.len() * std::mem::size_of::<Measured>();
        measured.put(entry, Arc::new(all), bytes);
    }

    /// A photograph as JPEG, at a width.
    pub fn picture(&self, archive: &Archive, sha256: &str, width: u32) -> Result<Bytes, Fault> {
        let key = (sha256.to_owned(), width);
        if let Some(bytes) = lock(&self.pictures).get(&key) {
            return Ok(bytes);
        }
        let kept = self.photo(archive, sha256)?;
        let rgb = kept.rgb();
        let encoded = match width >= rgb.width() {
            true => jpeg::encode(rgb, 88),
            false => jpeg::encode(&shrink(rgb, width), 85),
        };
        let bytes = Bytes::from(encoded.map_err(Fault::failed)?);
        lock(&self.pictures).put(key, bytes.clone(), bytes.len());
        Ok(bytes)
    }
}

fn decode_labels(bytes: &[u8]) -> Result<LabelMap, Fault> {
    let mut reader = ImageReader::with_format(Cursor::new(bytes), image::ImageFormat::Png);
    let mut limits = image::Limits::default();
    limits.max_alloc = Some(2 * photo::MAX_PIXELS + (16 << 20));
    reader.limits(limits);
    let picture = reader.decode().map_err(Fault::failed)?.into_luma16();
    let (width, height) = (picture.width() as usize, picture.height() as usize);
    let labels = picture.into_raw();
    let count = labels.par_iter().copied().max().unwrap_or(0);
    Ok(LabelMap { width, height, labels, count: usize::from(count) })
}

impl View {
    /// Outlines of all labels.
    fn of(labels: Arc<LabelMap>, base: Arc<LabelMap>, changed: Option<u64>) -> View {
        let all: Vec<(u32, Bounds)> = labels
            .bounds()
            .into_iter()
            .enumerate()
            .filter_map(|(i, b)| Some((i as u32 + 1, b?)))
            .collect();
        let shapes =
            all.par_iter().map(|(number, b)| (*number, shape(&labels, *number, *b))).collect();
        View { changed, labels, base, shapes }
    }

    /// The same with some objects gone and others come (number and mask).
    pub fn changed(
        &self,
        gone: &[u32],
        come: &[(u32, retouch::Runs)],
        labels: LabelMap,
        changed: u64,
    ) -> View {
        let mut shapes = self.shapes.clone();
        gone.iter().for_each(|g| {
            shapes.remove(g);
        });
        for (number, runs) in come {
            if let Some(bounds) = bounds_of(runs) {
                shapes.insert(*number, shape(&labels, *number, bounds));
            }
        }
        let base = Arc::clone(&self.base);
        View { changed: Some(changed), labels: Arc::new(labels), base, shapes }
    }
}

fn bounds_of(runs: &[u32]) -> Option<Bounds> {
    let rows = runs.chunks_exact(3);
    let row = rows.clone().map(|r| r[0]).min()? as usize;
    let row_end = rows.clone().map(|r| r[0] + 1).max()? as usize;
    let col = rows.clone().map(|r| r[1]).min()? as usize;
    let col_end = rows.map(|r| r[1] + r[2]).max()? as usize;
    Some(Bounds { row, col, row_end, col_end })
}

/// How far a drawn outline may lie from the pixels' own, px.
const TOLERANCE_PX: f32 = 0.75;

fn shape(labels: &LabelMap, number: u32, bounds: Bounds) -> Shape {
    let label = u16::try_from(number).unwrap_or(0);
    let loops = outlines(labels, label, bounds)
        .iter()
        .map(|line| simplified(line).into_iter().flatten().collect())
        .collect();
    Shape { bounds, loops }
}

/// A closed line with fewer points, nowhere farther from the given one than the tolerance (Ramer
/// 1972, Douglas and Peucker 1973), from its first point and the one farthest from it.
fn simplified(line: &[[f32; 2]]) -> Vec<[f32; 2]> {
    if line.len() < 5 {
        return line.to_vec();
    }
    let far = |from: [f32; 2], p: [f32; 2]| (p[0] - from[0]).powi(2) + (p[1] - from[1]).powi(2);
    let middle = (1..line.len())
        .max_by(|a, b| far(line[0], line[*a]).total_cmp(&far(line[0], line[*b])))
        .unwrap_or(line.len() / 2);
    let mut keep = vec![false; line.len() + 1];
    keep[0] = true;
    keep[middle] = true;
    let at = |i: usize| line[i % line.len()];
    let mut open = vec![(0, middle), (middle, line.len())];
    while let Some((a, b)) = open.pop() {
        let (p, q) = (at(a), at(b));
        let along = [q[0] - p[0], q[1] - p[1]];
        let length = along[0].hypot(along[1]);
        let off = |i: usize| {
            let to = [at(i)[0] - p[0], at(i)[1] - p[1]];
            if length < 1e-6 {
                to[0].hypot(to[1])
            } else {
                (to[0] * along[1] - to[1] * along[0]).abs() / length
            }
        };
        let worst = (a + 1..b).map(|i| (i, off(i))).max_by(|x, y| x.1.total_cmp(&y.1));
        if let Some((i, distance)) = worst
            && distance > TOLERANCE_PX
        {
            keep[i] = true;
            open.extend([(a, i), (i, b)]);
        }
    }
    (0..line.len()).filter(|i| keep[*i]).map(at).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_longest_unused_goes_first() {
        let mut lately = Lately::new(10);
        lately.put("a", 1, 4);
        lately.put("b", 2, 4);
        assert_eq!(lately.get(&"a"), Some(1));
        lately.put("c", 3, 4);
        assert_eq!(
            (lately.get(&"a"), lately.get(&"b"), lately.get(&"c")),
            (Some(1), None, Some(3))
        );
        // One that is larger than all is kept alone.
        lately.put("d", 4, 99);
        assert_eq!((lately.get(&"c"), lately.get(&"d")), (None, Some(4)));
    }

    #[test]
    fn a_simplified_disc_lies_on_the_disc() {
        let (w, r) = (120usize, 50.0f64);
        let inside = |i: usize| {
            let (x, y) = ((i % w) as f64 - 60.0, (i / w) as f64 - 60.0);
            u16::from(x * x + y * y <= r * r)
        };
        let labels = (0..w * w).map(inside).collect();
        let map = Arc::new(LabelMap { width: w, height: w, labels, count: 1 });
        let view = View::of(Arc::clone(&map), map, None);
        let line = &view.shapes[&1].loops[0];
        assert!(line.len() < 80, "{}", line.len());
        for p in line.chunks_exact(2) {
            let d = f64::from(p[0] - 60.0).hypot(f64::from(p[1] - 60.0));
            assert!((d - r).abs() < 1.5, "{d}");
        }
    }
}
