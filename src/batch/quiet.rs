//! Crashes that are caught and told in our own words are not printed as well, over the progress bar.

use std::cell::Cell;
use std::sync::Once;

thread_local! {
    static IS_QUIET: Cell<bool> = const { Cell::new(false) };
}

/// Works without a word of a crash on this thread. Other threads of the process keep theirs: of two layouts at the same
/// time, or beside a test that fails, neither silences the other.
pub(super) fn quietly<T>(work: impl FnOnce() -> T) -> T {
    static ONCE: Once = Once::new();
    ONCE.call_once(|| {
        let aloud = std::panic::take_hook();
        std::panic::set_hook(Box::new(move |crash| {
            if !IS_QUIET.get() {
                aloud(crash);
            }
        }));
    });
    let _before = Before(IS_QUIET.replace(true));
    work()
}

/// What held before, and holds again at the end, come as it may.
struct Before(bool);

impl Drop for Before {
    fn drop(&mut self) {
        IS_QUIET.set(self.0);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_thread_is_quiet_as_long_as_it_works_so_and_no_other_is() {
        let crash = std::panic::catch_unwind(|| {
            quietly(|| {
                quietly(|| assert!(IS_QUIET.get()));
                assert!(IS_QUIET.get(), "still, after one within");
                let other = std::thread::spawn(|| IS_QUIET.get());
                assert!(!other.join().unwrap());
                panic!("on purpose");
            })
        });
        let words = crash.unwrap_err();
        assert_eq!(words.downcast_ref::<&str>(), Some(&"on purpose"));
        assert!(!IS_QUIET.get(), "aloud again after a crash");
    }
}
