//! Runs the binary in a folder of its own, on small layers written there.
#![allow(dead_code, reason = "each test file uses its own share")]

use std::collections::BTreeMap;
use std::path::Path;
use std::process::Command;

use serde_json::Value;

pub struct Ended {
    pub code: i32,
    pub stdout: String,
    pub stderr: String,
}

pub fn command(folder: &Path, arguments: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_blockwright"));
    command
        .current_dir(folder)
        .args(arguments)
        .env_remove("RUST_BACKTRACE");
    command
}

pub fn run(folder: &Path, arguments: &[&str]) -> Ended {
    let output = command(folder, arguments)
        .output()
        .expect("the binary starts");
    Ended {
        code: output.status.code().expect("ended by itself"),
        stdout: String::from_utf8(output.stdout).expect("UTF-8"),
        stderr: String::from_utf8(output.stderr).expect("UTF-8"),
    }
}

pub const UTM: &str =
    r#""crs": {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::32616"}}, "#;

/// A feature of a GeoJSON file; properties and geometry as JSON.
pub fn feature(properties: &str, geometry: &str) -> String {
    format!(r#"{{"type": "Feature", "properties": {properties}, "geometry": {geometry}}}"#)
}

pub fn collection(crs: &str, features: &[String]) -> String {
    format!(
        "{{\"type\": \"FeatureCollection\", {crs}\"features\": [\n{}\n]}}\n",
        features.join(",\n")
    )
}

/// A polygon whose corners are metres from a place in the middle of zone 16.
pub fn polygon(corners: &[(f64, f64)]) -> String {
    let corners: Vec<String> = corners
        .iter()
        .map(|(x, y)| format!("[{}, {}]", 500_000.0 + x, 5_400_000.0 + y))
        .collect();
    format!(
        r#"{{"type": "Polygon", "coordinates": [[{}]]}}"#,
        corners.join(", ")
    )
}

pub fn rectangle(x0: f64, y0: f64, x1: f64, y1: f64) -> String {
    polygon(&[(x0, y0), (x1, y0), (x1, y1), (x0, y1), (x0, y0)])
}

pub fn write(folder: &Path, name: &str, text: &str) {
    std::fs::write(folder.join(name), text).expect("a file in a folder of our own");
}

pub const PROJECT: &str = r#"[project]
name = "small"
crs = "EPSG:32616"

[layers.blocks]
source = "blocks.geojson"
id = "BLOCK"

[rules]
preset = "bare"
retention_share = { value = "10 %", source = "test" }

[production]
stems_per_ha = 500
"#;

/// Two sound blocks and a project; nothing falls short.
pub fn small_project(folder: &Path) {
    let blocks = [
        feature(r#"{"BLOCK": "A-1"}"#, &rectangle(0.0, 0.0, 300.0, 200.0)),
        feature(r#"{"BLOCK": "A-2"}"#, &rectangle(400.0, 0.0, 600.0, 300.0)),
    ];
    write(folder, "blocks.geojson", &collection(UTM, &blocks));
    // A road along the south, so that every block has a frontage.
    let road = r#"{"type": "LineString", "coordinates": [[499900, 5399997], [500700, 5399997]]}"#;
    write(
        folder,
        "roads.geojson",
        &collection(UTM, &[feature(r#"{"ROAD": "R-1"}"#, road)]),
    );
    let roads = "\n[layers.roads]\nsource = \"roads.geojson\"\nid = \"ROAD\"\n";
    write(folder, "project.toml", &format!("{PROJECT}{roads}"));
}

/// Copies all files below a folder to another, which is made anew.
pub fn copy(from: &Path, to: &Path) {
    let _ = std::fs::remove_dir_all(to);
    for (name, bytes) in files(from) {
        let path = to.join(name);
        std::fs::create_dir_all(path.parent().expect("below")).expect("a folder of our own");
        std::fs::write(path, bytes).expect("a file in a folder of our own");
    }
}

/// Every file below a folder with its bytes.
pub fn files(folder: &Path) -> BTreeMap<String, Vec<u8>> {
    let mut found = BTreeMap::new();
    let mut folders = vec![folder.to_owned()];
    while let Some(inner) = folders.pop() {
        for entry in std::fs::read_dir(&inner).expect("a folder that can be listed") {
            let path = entry.expect("an entry").path();
            if path.is_dir() {
                folders.push(path);
            } else {
                let name = path
                    .strip_prefix(folder)
                    .expect("below")
                    .display()
                    .to_string();
                found.insert(name, std::fs::read(&path).expect("a file that can be read"));
            }
        }
    }
    found
}

/// Rows of a table with a line of names, each by name.
pub fn table(path: &Path) -> Vec<BTreeMap<String, String>> {
    let mut reader = csv::Reader::from_path(path).unwrap();
    let heads = reader.headers().unwrap().clone();
    let rows = reader.records().map(|row| {
        let row = row.unwrap();
        heads
            .iter()
            .map(str::to_owned)
            .zip(row.iter().map(str::to_owned))
            .collect()
    });
    rows.collect()
}

/// The same with the volume of its trees.
pub fn small_project_with_volumes(folder: &Path) {
    small_project(folder);
    let project = std::fs::read_to_string(folder.join("project.toml")).unwrap();
    assert!(!project.contains("tree_m3"));
    let project = project.replace("[production]\n", "[production]\ntree_m3 = 0.4\n");
    write(folder, "project.toml", &project);
}

/// What `dispatch` wrote of its plan into a folder.
pub fn schedule_of(folder: &Path, out: &str) -> Value {
    let text = std::fs::read_to_string(folder.join(out).join("schedule.json")).unwrap();
    serde_json::from_str(&text).unwrap()
}

/// Tasks of a kind, in their order.
pub fn tasks<'s>(schedule: &'s Value, kind: &str) -> Vec<&'s Value> {
    let all = schedule["tasks"].as_array().unwrap().iter();
    all.filter(|task| task["task"] == kind).collect()
}
