#![no_main]

#[path = "../bodies/mod.rs"]
mod bodies;

libfuzzer_sys::fuzz_target!(init: bodies::report_panics(), |data: &[u8]| bodies::project::run(data));
