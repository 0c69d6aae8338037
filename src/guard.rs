//! Libraries that may panic on odd input, kept from taking the program down.

use std::cell::Cell;
use std::panic::{self, AssertUnwindSafe};
use std::sync::Once;

thread_local! {
    static MUTED: Cell<bool> = const { Cell::new(false) };
}

/// Runs something that may panic inside a library; a panic gives none and prints nothing.
pub(crate) fn guarded<T>(work: impl FnOnce() -> T) -> Option<T> {
    static HOOK: Once = Once::new();
    HOOK.call_once(|| {
        let previous = panic::take_hook();
        panic::set_hook(Box::new(move |info| {
            if !MUTED.with(Cell::get) {
                previous(info);
            }
        }));
    });
    let before = MUTED.with(|m| m.replace(true));
    let result = panic::catch_unwind(AssertUnwindSafe(work));
    MUTED.with(|m| m.set(before));
    result.ok()
}

#[cfg(test)]
mod tests {
    use super::guarded;

    #[test]
    fn a_panic_inside_becomes_none() {
        assert_eq!(guarded(|| 7), Some(7));
        let empty: Vec<i32> = Vec::new();
        assert_eq!(guarded(|| empty[std::hint::black_box(3)]), None);
        assert_eq!(guarded(|| 8), Some(8));
    }
}
