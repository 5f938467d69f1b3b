//! The fuzz targets' kept inputs, and those that once crashed, through the same functions without a fuzzer.

use crate::bodies;

use std::panic::catch_unwind;
use std::path::{Path, PathBuf};

fn inputs(set: &str, target: &str) -> Vec<PathBuf> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let folder = root.join("tests/fuzz").join(set).join(target);
    let Ok(entries) = std::fs::read_dir(folder) else {
        return vec![];
    };
    let mut inputs: Vec<PathBuf> = entries.map(|entry| entry.unwrap().path()).collect();
    inputs.sort();
    inputs
}

/// Every input, so that one failure does not hide the next.
fn replay(target: &str, body: fn(&[u8])) {
    let kept = inputs("corpus", target);
    assert!(!kept.is_empty(), "no corpus for {target}");
    let mut failed = Vec::new();
    for input in kept.into_iter().chain(inputs("found", target)) {
        let bytes = std::fs::read(&input).unwrap();
        if catch_unwind(|| body(&bytes)).is_err() {
            failed.push(input);
        }
    }
    assert!(failed.is_empty(), "{failed:#?}");
}

#[test]
fn geometry() {
    replay("geometry", bodies::geometry::run);
}

#[test]
fn geojson() {
    replay("geojson", bodies::geojson::run);
}

#[test]
fn project() {
    replay("project", bodies::project::run);
}

#[test]
fn rulebook() {
    replay("rulebook", bodies::rulebook::run);
}

#[test]
fn crew() {
    replay("crew", bodies::crew::run);
}

#[test]
fn gpx() {
    replay("gpx", bodies::gpx::run);
}
