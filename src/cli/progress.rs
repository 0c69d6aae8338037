//! Work on many photographs at once, with a progress bar on a terminal and silence elsewhere.

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};

use indicatif::{ProgressBar, ProgressStyle};

/// Applies `work` to every photograph and gives the results in the order given.
///
/// Photographs go to a few threads ([`at_once`]), each taking the next one when it is done; the stages
/// themselves use rayon's pool. (Handing the photographs to the pool too would let a waiting stage
/// start yet another photograph, and memory would grow with luck.)
pub fn over_photos<T: Send>(photos: &[PathBuf], work: impl Fn(&PathBuf) -> T + Sync) -> Vec<T> {
    let bar = bar(photos.len());
    let next = AtomicUsize::new(0);
    let results: Mutex<Vec<(usize, T)>> = Mutex::new(Vec::with_capacity(photos.len()));
    let threads = at_once(photos.len());
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

/// Applies `work` to every photograph on several threads, and `then` to the results on this one, in
/// the order given and as soon as each one's turn has come. The first failure of `then` ends it.
pub fn one_after_the_other<T: Send, E>(
    photos: &[PathBuf],
    work: impl Fn(usize, &PathBuf) -> T + Sync,
    mut then: impl FnMut(usize, T) -> Result<(), E>,
) -> Result<(), E> {
    let bar = bar(photos.len());
    let next = AtomicUsize::new(0);
    let threads = at_once(photos.len());
    let result = std::thread::scope(|scope| {
        let (sender, receiver) = std::sync::mpsc::channel();
        for _ in 0..threads {
            let sender = sender.clone();
            let (next, work) = (&next, &work);
            scope.spawn(move || {
                while let Some((i, photo)) = take(next, photos) {
                    // Nobody listens any more: the work is off.
                    if sender.send((i, work(i, photo))).is_err() {
                        break;
                    }
                }
            });
        }
        drop(sender);
        let mut waiting = BTreeMap::new();
        let mut turn = 0;
        for (i, result) in receiver {
            waiting.insert(i, result);
            while let Some(result) = waiting.remove(&turn) {
                then(turn, result)?;
                bar.inc(1);
                turn += 1;
            }
        }
        Ok(())
    });
    bar.finish_and_clear();
    result
}

/// How many photographs are worked on at once: one more than there are workers in rayon's pool, so that
/// a core is not idle while one is written to the disk or waits for a stage's last part (two cores were
/// busy for 92 % of a batch without, 96 % with it). Who asks for one worker gets one.
fn at_once(photos: usize) -> usize {
    let workers = rayon::current_num_threads();
    (workers + usize::from(workers > 1)).min(photos)
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

    #[test]
    fn turns_are_kept_and_a_failure_ends_the_work() {
        let photos: Vec<PathBuf> = (0..50).map(|i| PathBuf::from(i.to_string())).collect();
        let mut order = Vec::new();
        let done: Result<(), ()> = one_after_the_other(
            &photos,
            |i, _| std::thread::sleep(std::time::Duration::from_micros(100 * (i as u64 % 7))),
            |i, ()| {
                order.push(i);
                Ok(())
            },
        );
        assert_eq!((done, order), (Ok(()), (0..50).collect()));
        let ended = one_after_the_other(
            &photos,
            |i, _| i,
            |i, _| if i == 3 { Err("full") } else { Ok(()) },
        );
        assert_eq!(ended, Err("full"));
    }
}
