//! Every shape written is valid and not empty, whatever the block: rings that touch themselves, zones of nothing.

use crate::measured;
use crate::run_binary;

use std::path::Path;

use run_binary::*;

/// Lays out a project and asks GEOS of every row of every layer; a finding may have no place.
fn unsound(folder: &Path) -> Vec<String> {
    let ended = run(folder, &["layout", "project.toml", "--out", "out", "-q"]);
    assert!([0, 3].contains(&ended.code), "{}", ended.stderr);
    let mut found = Vec::new();
    for (layer, rows) in measured::read(&folder.join("out/layout.gpkg")) {
        for (at, row) in rows.iter().enumerate() {
            if row.wkb.is_none() && layer == "findings" {
                continue;
            }
            let shape = row.geometry();
            if shape.is_empty() || !shape.is_valid() {
                found.push(format!("{layer} {at}: {:?}", row.texts));
            }
        }
    }
    found
}

fn project(folder: &Path, more_layers: &str, rules: &str, layout: &str) {
    let head = r#"[project]
name = "shapes"
crs = "EPSG:32616"

[layers.blocks]
source = "blocks.geojson"
id = "BLOCK"
"#;
    let text = format!(
        "{head}\n{more_layers}\n[rules]\npreset = \"bare\"\nsource = \"test\"\n{rules}\n[layout]\n{layout}\n[production]\n\
         stems_per_ha = 550\n[outputs]\nmaps = false\nreport = false\nsheets = false\nexchange = []\n"
    );
    write(folder, "project.toml", &text);
}

fn one_block(folder: &Path, corners: &[(f64, f64)]) {
    let block = feature(r#"{"BLOCK": "A-1"}"#, &polygon(corners));
    write(folder, "blocks.geojson", &collection(UTM, &[block]));
}

/// A side that is left for a bite into the block and met again at the bite's tip.
fn bitten(x: f64, y: f64, width: f64, height: f64, bite: (f64, f64)) -> Vec<(f64, f64)> {
    let (half, deep) = bite;
    let tip = (x + width / 2.0, y);
    vec![
        (x, y),
        tip,
        (tip.0 - half, y + deep),
        (tip.0 + half, y + deep),
        tip,
        (x + width, y),
        (x + width, y + height),
        (x, y + height),
        (x, y),
    ]
}

#[test]
fn a_ring_that_touches_itself_gives_sound_corridors_and_slivers() {
    let cases = [
        // What is wanted in retention is more than there is: corridors wherever they may stand.
        (
            "retention_share = \"100 %\"",
            "azimuth = \"auto\"\nsliver = 0\ncorridor_min = 3\ncorridor_max = 20",
            -34.311_422_127_25,
            132.461_202_173_5,
            101.653_244_532_88,
            (20.0, 25.413_311_133_5),
        ),
        (
            "retention_share = \"30 %\"",
            "azimuth = 33.3\nsliver = 2000\ncorridor_min = 3\ncorridor_max = 3",
            42.125_505_541_9,
            -161.866_786_618,
            487.026_754_713_3,
            (20.0, 121.756_688_678),
        ),
    ];
    for (rules, layout, x, y, size, bite) in cases {
        let folder = tempfile::tempdir().unwrap();
        one_block(folder.path(), &bitten(x, y, size, size, bite));
        let layout = format!("boundary_pass = false\nroad_band = 0\nroad_band_fail = 0\n{layout}");
        project(folder.path(), "", rules, &layout);
        let found = unsound(folder.path());
        assert!(found.is_empty(), "{rules}: {}", found.join("\n"));
    }
    // Bites of other forms, at every tenth degree of the strips.
    for (at, half) in [3.0, 11.0, 20.0, 37.0].into_iter().enumerate() {
        let folder = tempfile::tempdir().unwrap();
        let corners = bitten(0.1 * half, 0.3, 200.0 + half, 150.0, (half, 2.0 * half));
        one_block(folder.path(), &corners);
        let azimuth = format!("boundary_pass = false\nazimuth = {}", 10 * at + 7);
        project(folder.path(), "", "retention_share = \"20 %\"", &azimuth);
        let found = unsound(folder.path());
        assert!(found.is_empty(), "{half}: {}", found.join("\n"));
    }
}

/// By hand: a power line under a distance of 0 m, and a management zone that the road bands of two roads cover.
#[test]
fn what_has_no_ground_has_no_zone() {
    let line = |y: f64, class: &str| {
        let points = format!("[[499950, {0}], [500350, {0}]]", 5_400_000.0 + y);
        feature(
            &format!(r#"{{"ID": "{y}", "CL": "{class}", "W": 2.0}}"#),
            &format!(r#"{{"type": "LineString", "coordinates": {points}}}"#),
        )
    };
    let folder = tempfile::tempdir().unwrap();
    let root = folder.path();
    one_block(
        root,
        &[
            (0.0, 0.0),
            (300.0, 0.0),
            (300.0, 240.0),
            (0.0, 240.0),
            (0.0, 0.0),
        ],
    );
    write(
        root,
        "streams.geojson",
        &collection(UTM, &[line(120.0, "A")]),
    );
    write(
        root,
        "roads.geojson",
        &collection(UTM, &[line(90.0, ""), line(150.0, "")]),
    );
    write(
        root,
        "hazards.geojson",
        &collection(UTM, &[line(200.0, "")]),
    );
    let layer = |name: &str, more: &str| {
        format!("[layers.{name}]\nsource = \"{name}.geojson\"\nid = \"ID\"\n{more}\n")
    };
    let layers = layer("streams", "class = \"CL\"\nwidth = \"W\"")
        + &layer("roads", "width = \"W\"")
        + &layer("hazards", "");
    let rules = "retention_share = \"12 %\"\n[[rules.line]]\nkind = \"streams\"\nclass = \"A\"\nreserve = \"30 m\"\nmanagement = \"20 m\"\n\
                 management_share = \"20 %\"\nsource = \"test\"\n";
    project(
        root,
        &layers,
        rules,
        "road_band = 45\nroad_band_fail = 22.5\nhazard_distance = 0\n",
    );
    let found = unsound(root);
    assert!(found.is_empty(), "{}", found.join("\n"));
    let rows = measured::read(&root.join("out/layout.gpkg"))
        .remove("zones")
        .unwrap();
    let kinds: Vec<&str> = rows.iter().map(|row| row.text("kind")).collect();
    assert!(
        kinds.contains(&"management") && !kinds.contains(&"retained_band"),
        "{kinds:?}"
    );
    assert!(!kinds.contains(&"hazard"), "{kinds:?}");
}
