//! Libraries that may panic on odd input, kept from taking the program down; and the last net under
//! the program itself.
//!
//! What panics prints nothing while it is [`guarded`]. In the program itself nothing ever prints a
//! panic, on no thread, a library's own workers among them: [`caught`] tells it in one line.

use std::cell::Cell;
use std::panic::{self, AssertUnwindSafe, PanicHookInfo};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Mutex, Once, PoisonError};

use crate::given::{one_line, short};

thread_local! {
    static MUTED: Cell<bool> = const { Cell::new(false) };
}

/// Whether the whole process prints no panic.
static ALL_MUTED: AtomicBool = AtomicBool::new(false);

/// Where the last panic was and what it said.
static LAST: Mutex<Option<String>> = Mutex::new(None);

/// A fault of the program, or of a library, that nothing was made for.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("a fault of this program ({0}): keep the file that it was given, and report this line")]
pub struct Fault(String);

/// Runs something that may panic inside a library; a panic gives none and prints nothing.
pub(crate) fn guarded<T>(work: impl FnOnce() -> T) -> Option<T> {
    hook();
    let before = MUTED.with(|m| m.replace(true));
    let result = panic::catch_unwind(AssertUnwindSafe(work));
    MUTED.with(|m| m.set(before));
    result.ok()
}

/// Runs something; a panic becomes a [`Fault`].
///
/// # Errors
/// The fault, with where it was.
pub fn caught<T>(work: impl FnOnce() -> T) -> Result<T, Fault> {
    guarded(work).ok_or_else(|| Fault(last_panic()))
}

/// From here on no thread of the process prints a panic.
pub fn mute_all() {
    hook();
    ALL_MUTED.store(true, Ordering::Relaxed);
}

/// Where the last panic of the process was, in one line.
pub(crate) fn last_panic() -> String {
    let last = LAST.lock().unwrap_or_else(PoisonError::into_inner);
    last.clone().unwrap_or_else(|| "of unknown place".to_owned())
}

fn hook() {
    static HOOK: Once = Once::new();
    HOOK.call_once(|| {
        let previous = panic::take_hook();
        panic::set_hook(Box::new(move |info| {
            note(info);
            if !MUTED.with(Cell::get) && !ALL_MUTED.load(Ordering::Relaxed) {
                previous(info);
            }
        }));
    });
}

fn note(info: &PanicHookInfo<'_>) {
    let what = info.payload_as_str().unwrap_or("no words");
    // A library's path on the machine that built it says nothing more to the reader.
    let place = info.location().map_or("?".to_owned(), |l| {
        let file = l.file();
        let file = file.rsplit_once("/registry/src/").map_or(file, |(_, rest)| rest);
        format!("{file}:{}", l.line())
    });
    let words = format!("{place}: {}", short(&one_line(what), 200));
    *LAST.lock().unwrap_or_else(PoisonError::into_inner) = Some(words);
}

#[cfg(test)]
mod tests {
    use super::{caught, guarded};

    #[test]
    fn a_panic_inside_becomes_none() {
        assert_eq!(guarded(|| 7), Some(7));
        let empty: Vec<i32> = Vec::new();
        assert_eq!(guarded(|| empty[std::hint::black_box(3)]), None);
        assert_eq!(guarded(|| 8), Some(8));
    }

    /// A panic of a worker in the pool comes out where the work was begun.
    #[test]
    fn a_panic_of_a_worker_is_caught_too() {
        use rayon::prelude::*;
        let odd = |n: i32| if n == 77 { panic!("seventy-seven\nand a line") } else { n };
        let fault = caught(|| (0..100).into_par_iter().map(odd).sum::<i32>()).unwrap_err();
        let words = fault.to_string();
        assert!(words.starts_with("a fault of this program (") && !words.contains('\n'), "{words}");
        assert_eq!(caught(|| 8), Ok(8));
    }
}
