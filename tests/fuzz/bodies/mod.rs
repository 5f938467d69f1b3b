//! What each fuzz target does with its bytes. The same functions run under libFuzzer and, on the inputs that are kept,
//! in `tests/reading/fuzz_corpus.rs`. A body panics where an answer is wrong, never where the input is.
#![allow(dead_code, reason = "each fuzz target uses its own share")]

pub mod crew;
pub mod geojson;
pub mod geometry;
pub mod gpx;
mod plan;
pub mod project;
pub mod rulebook;
mod scratch;
mod shapes;

#[path = "../../in_memory/mod.rs"]
pub mod in_memory;

/// Says where a panic arose. libFuzzer's own hook ends the process even where a panic of an engine is caught and answered
/// by another engine; without it only those count that nobody catches.
pub fn report_panics() {
    std::panic::set_hook(Box::new(|panic| eprintln!("{panic}")));
}
