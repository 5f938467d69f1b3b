//! A block that comes to no end: set aside, while the others are laid out, in one and the same run.

use std::fmt::Write as _;
use std::fs;
use std::path::Path;
use std::process::{Command, Output};

/// A ring of so many corners as JSON.
fn ring(x: f64, y: f64, radius_m: f64, corners: u32) -> String {
    let corner = |k: u32| {
        let (sin, cos) =
            (std::f64::consts::TAU * f64::from(k % corners) / f64::from(corners)).sin_cos();
        format!(
            "[{},{}]",
            500_000.0 + x + radius_m * cos,
            5_400_000.0 + y + radius_m * sin
        )
    };
    let corners: Vec<String> = (0..=corners).map(corner).collect();
    format!("[{}]", corners.join(","))
}

fn layer(path: &Path, rings: &[(&str, String)]) {
    let mut text = r#"{"type":"FeatureCollection","crs":{"type":"name","properties":{"name":"urn:ogc:def:crs:EPSG::32610"}},"features":["#.to_owned();
    for (n, (id, ring)) in rings.iter().enumerate() {
        let comma = if n > 0 { "," } else { "" };
        write!(
            text,
            r#"{comma}{{"type":"Feature","properties":{{"id":"{id}","class":"L3"}},"geometry":{{"type":"Polygon","coordinates":[{ring}]}}}}"#
        )
        .unwrap();
    }
    fs::write(path, text + "]}").unwrap();
}

/// Three small blocks, and one so full of small lakes that a layout of it takes the better part of a minute.
fn district(folder: &Path) {
    let square = |x: f64, side: f64| ring(x, 600.0, side / 2f64.sqrt(), 4);
    let mut blocks: Vec<(&str, String)> = vec![("heavy", ring(600.0, 600.0, 700.0, 40))];
    blocks.extend([
        ("a", square(3_000.0, 200.0)),
        ("b", square(3_500.0, 200.0)),
        ("c", square(4_000.0, 200.0)),
    ]);
    layer(&folder.join("blocks.geojson"), &blocks);
    let lakes: Vec<(&str, String)> = (0..4_900)
        .map(|n| {
            (
                "lake",
                ring(
                    130.0 + 14.0 * f64::from(n % 70),
                    130.0 + 14.0 * f64::from(n / 70),
                    1.4,
                    8,
                ),
            )
        })
        .collect();
    layer(&folder.join("lakes.geojson"), &lakes);
    let project = r#"
[project]
name = "A block without end"
crs = "EPSG:32610"
[layers.blocks]
source = "blocks.geojson"
id = "id"
[layers.lakes]
source = "lakes.geojson"
id = "id"
class = "class"
[rules]
preset = "bc-fppr"
"#;
    fs::write(folder.join("project.toml"), project).unwrap();
}

fn layout(folder: &Path, more: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_blockwright"))
        .args(["layout", "project.toml", "--out", "out", "--jobs", "2"])
        .args(more)
        .current_dir(folder)
        .output()
        .unwrap()
}

#[test]
fn a_block_without_end_is_set_aside_and_the_others_are_laid_out() {
    let folder = tempfile::tempdir().unwrap();
    district(folder.path());
    // A tenth of a minute: long for the small ones on a busy machine, short for the heavy one on a fast one.
    let ended = layout(folder.path(), &["--block-limit", "0.1"]);
    let said = String::from_utf8_lossy(&ended.stderr);
    assert_eq!(ended.status.code(), Some(3), "{said}");
    assert!(
        said.contains("block heavy: laying out this block was not done after 0.1 minutes"),
        "{said}"
    );
    let out = folder.path().join("out");
    let read = |name: &str| fs::read_to_string(out.join(name)).unwrap();
    let aside = read("set_aside.csv");
    assert!(
        aside.lines().any(|row| row.contains(",heavy,no-end,")),
        "{aside}"
    );
    // With its shape, so that it can be looked at.
    let aside = gdal::Dataset::open(out.join("set_aside.gpkg")).unwrap();
    let layers: Vec<_> = aside.layers().collect();
    let shapes: u64 = layers
        .iter()
        .map(gdal::vector::LayerAccess::feature_count)
        .sum();
    assert!(shapes > 0);
    let laid_out = read("blocks.csv");
    let ids: Vec<&str> = laid_out
        .lines()
        .skip(1)
        .filter_map(|row| row.split(',').next())
        .collect();
    assert_eq!(ids, ["a", "b", "c"]);
    assert!(!out.join(".blockwright-partial").exists());
}

#[test]
fn no_time_at_all_is_refused() {
    let folder = tempfile::tempdir().unwrap();
    district(folder.path());
    for wrong in ["0", "-5", "soon", "nan"] {
        let ended = layout(folder.path(), &[&format!("--block-limit={wrong}")]);
        let said = String::from_utf8_lossy(&ended.stderr);
        assert_eq!(ended.status.code(), Some(2), "{wrong}: {said}");
        assert!(said.contains("block-limit"), "{said}");
    }
}
