//! Work on many photographs at once, with a progress bar on a terminal and silence elsewhere.

use std::path::PathBuf;
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};

use indicatif::{ProgressBar, ProgressStyle};

/// Applies `work` to every photograph and gives the results in the order given.
///
/// Photographs go to as many threads as there are workers in rayon's pool, each taking the next
/// one when it is done; the stages themselves use the pool. (Handing the photographs to the pool
/// too would let a waiting stage start yet another photograph, and memory would grow with luck.)
pub fn over_photos<T: Send>(photos: &[PathBuf], work: impl Fn(&PathBuf) -> T + Sync) -> Vec<T> {
    let bar = bar(photos.len());
    let next = AtomicUsize::new(0);
    let results: Mutex<Vec<(usize, T)>> = Mutex::new(Vec::with_capacity(photos.len()));
    let threads = rayon::current_num_threads().min(photos.len());
    std::thread::scope(|scope| {
        for _ in 0..threads {
            scope.spawn(|| {
                while let Some((i, photo)) = take(&next, photos) {
                    let result = work(photo);
                    bar.inc(1);
                    // A panic in another thread ends the scope anyway; its results are still whole.
                    results.lock().unwrap_or_else(|e| e.into_inner()).push((i, result));
                }
            });
        }
    });
    bar.finish_and_clear();
    let mut results = results.into_inner().unwrap_or_else(|e| e.into_inner());
    results.sort_by_key(|(i, _)| *i);
    results.into_iter().map(|(_, result)| result).collect()
}

fn take<'a>(next: &AtomicUsize, photos: &'a [PathBuf]) -> Option<(usize, &'a PathBuf)> {
    let i = next.fetch_add(1, Ordering::Relaxed);
    photos.get(i).map(|photo| (i, photo))
}

/// A bar on a terminal when there is something to wait for.
fn bar(photos: usize) -> ProgressBar {
    if photos < 2 {
        return ProgressBar::hidden();
    }
    let bar = ProgressBar::new(photos as u64);
    if let Ok(style) = ProgressStyle::with_template("{bar:30} {pos} of {len} photographs") {
        bar.set_style(style);
    }
    bar
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn results_come_in_the_order_given() {
        let photos: Vec<PathBuf> = (0..50).map(|i| PathBuf::from(i.to_string())).collect();
        let names = over_photos(&photos, |p| p.display().to_string());
        let wanted: Vec<String> = (0..50).map(|i| i.to_string()).collect();
        assert_eq!(names, wanted);
        assert!(over_photos(&[], |p| p.clone()).is_empty());
    }
}
