//! What `inspect` takes for likely wrong, and that it tells one fault of many features once.

use crate::run_binary;

use std::fs;
use std::path::Path;

use run_binary::*;
use serde_json::Value;
use tempfile::tempdir;

fn with_streams(folder: &Path, widths: &[&str]) {
    let streams: Vec<String> = widths
        .iter()
        .enumerate()
        .map(|(n, width)| {
            let y = 5_402_000 + 10 * n;
            let line = format!(
                r#"{{"type": "LineString", "coordinates": [[500000, {y}], [500500, {y}]]}}"#
            );
            feature(&format!(r#"{{"ID": "S{n}", "W": {width}}}"#), &line)
        })
        .collect();
    write(folder, "streams.geojson", &collection(UTM, &streams));
    let path = folder.join("project.toml");
    let text = fs::read_to_string(&path).unwrap();
    let layer = "\n[layers.streams]\nsource = \"streams.geojson\"\nid = \"ID\"\nwidth = \"W\"\n";
    fs::write(path, text + layer).unwrap();
}

fn doubts(folder: &Path) -> Vec<String> {
    let ended = run(folder, &["inspect", "project.toml", "--json", "-q"]);
    let told: Value =
        serde_json::from_str(&ended.stdout).unwrap_or_else(|_| panic!("{}", ended.stderr));
    let doubts = told["doubts"].as_array().unwrap().iter();
    doubts
        .map(|doubt| doubt.as_str().unwrap().to_owned())
        .collect()
}

#[test]
fn a_sound_project_raises_no_doubt_and_each_slip_its_own() {
    let folder = tempdir().unwrap();
    let at = folder.path();
    small_project(at);
    with_streams(at, &["2", "3", "2.5", "4", "1.5"]);
    assert_eq!(doubts(at), Vec::<String>::new());
    let sound = fs::read_to_string(at.join("project.toml")).unwrap();

    // Blocks at 87° W, 48.7° N: no one's Montana.
    let other = sound.replace("preset = \"bare\"", "preset = \"mt-smz\"");
    fs::write(at.join("project.toml"), &other).unwrap();
    let told = doubts(at);
    assert_eq!(told.len(), 1, "{told:?}");
    assert!(
        told[0].contains("is of Montana") && told[0].contains("A-1 with 1 more"),
        "{told:?}"
    );

    let (before, _) = sound.split_once("[layers.roads]").unwrap();
    fs::write(at.join("project.toml"), before).unwrap();
    with_streams(at, &["20", "30", "25", "40", "15"]);
    let large = [feature(
        r#"{"BLOCK": "A-1"}"#,
        &rectangle(0.0, 0.0, 3000.0, 1000.0),
    )];
    write(at, "blocks.geojson", &collection(UTM, &large));
    let told = doubts(at);
    assert_eq!(told.len(), 3, "{told:?}");
    assert!(
        told[0].contains("1 of 1 blocks are larger than 200 ha") && told[0].contains("300 ha"),
        "{told:?}"
    );
    assert!(told[1].contains("no road and no landing"), "{told:?}");
    assert!(told[2].contains("are they in feet?"), "{told:?}");
}

#[test]
fn a_hundred_widths_that_are_no_numbers_are_one_cause_with_one_remedy() {
    let folder = tempdir().unwrap();
    small_project(folder.path());
    with_streams(folder.path(), &[r#""wide""#; 100]);
    let ended = run(folder.path(), &["inspect", "project.toml", "-q", "--json"]);
    let told: Value = serde_json::from_str(&ended.stdout).unwrap();
    let causes = told["causes"].as_array().unwrap();
    let numbers: Vec<&Value> = causes
        .iter()
        .filter(|cause| cause["code"] == "bad-number")
        .collect();
    assert_eq!(numbers.len(), 1, "{causes:?}");
    assert_eq!(
        (
            numbers[0]["count"].as_u64(),
            numbers[0]["features"].as_array().map(Vec::len)
        ),
        (Some(100), Some(100))
    );
    let words = run(folder.path(), &["inspect", "project.toml"]).stdout;
    assert_eq!(words.matches("note[bad-number]").count(), 1, "{words}");
    assert!(
        words.contains("99 more of the kind: S1, S2, S3, S4, S5, ..."),
        "{words}"
    );
}
