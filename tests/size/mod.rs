//! How much the long tests look at: a part while one works, everything where a change is to go in.
#![allow(dead_code, reason = "each test file uses its own share")]

/// `.ci/run` sets `BLOCKWRIGHT_WHOLE_TESTS`.
pub fn is_whole() -> bool {
    std::env::var_os("BLOCKWRIGHT_WHOLE_TESTS").is_some()
}

/// How many of something a long test takes.
pub fn of(part: usize, whole: usize) -> usize {
    if is_whole() { whole } else { part }
}
