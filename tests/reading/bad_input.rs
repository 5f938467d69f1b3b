//! What a user of the program reads when something is wrong with the input: every message names file, layer, feature
//! where there is one, and what to do. `INSTA_UPDATE=always cargo test --test reading bad_input` writes the snapshots anew.

use crate::run_binary;

use std::path::Path;

use gdal::vector::LayerAccess;
use run_binary::*;
use tempfile::{TempDir, tempdir};

const STREAMS: &str = "\n[layers.streams]\nsource = \"streams.geojson\"\nid = \"STREAM\"\nclass = \"CLASS\"\nwidth = \"WIDTH\"\n";

fn sound() -> String {
    feature(r#"{"BLOCK": "A-1"}"#, &rectangle(0.0, 0.0, 300.0, 200.0))
}

/// A sound project whose layer of blocks holds these features.
fn with_blocks(crs: &str, features: &[String]) -> TempDir {
    let folder = tempdir().unwrap();
    small_project(folder.path());
    write(folder.path(), "blocks.geojson", &collection(crs, features));
    folder
}

fn with_project(edit: impl Fn(&str) -> String) -> TempDir {
    let folder = with_blocks(UTM, &[sound()]);
    edit_project(folder.path(), edit);
    folder
}

fn edit_project(folder: &Path, edit: impl Fn(&str) -> String) {
    let text = std::fs::read_to_string(folder.join("project.toml")).unwrap();
    let edited = edit(&text);
    assert_ne!(edited, text);
    write(folder, "project.toml", &edited);
}

/// Streams beside the sound block, with the properties given.
fn with_stream(properties: &str) -> TempDir {
    let folder = with_project(|text| text.replace("\"bare\"", "\"bc-fppr\"") + STREAMS);
    let line = r#"{"type": "LineString", "coordinates": [[500100, 5400150], [500400, 5400160]]}"#;
    write(
        folder.path(),
        "streams.geojson",
        &collection(UTM, &[feature(properties, line)]),
    );
    folder
}

/// What standard error says, progress left out, and how it ended. Every complaint must name its file and a remedy.
fn told(folder: &TempDir, code: i32, names: &[&str]) -> String {
    let ended = run(folder.path(), &["layout", "project.toml", "--out", "out"]);
    let words: Vec<&str> = ended
        .stderr
        .lines()
        .filter(|line| *line != "reading layers" && !line.starts_with("laid out "))
        .collect();
    let text = words.join("\n");
    for name in names.iter().chain(&["hint: "]) {
        assert!(text.contains(name), "{name} is not named:\n{text}");
    }
    assert_eq!(ended.code, code, "{text}");
    // Refused: nothing is written. Set aside: everything is, and the list says the same.
    assert_eq!(folder.path().join("out").exists(), code != 2);
    if code == 3 {
        let list = std::fs::read_to_string(folder.path().join("out/set_aside.csv")).unwrap();
        assert!(names[1..].iter().all(|name| list.contains(name)), "{list}");
    }
    text
}

fn set_aside(features: &[String], names: &[&str]) -> String {
    let all: Vec<&str> = ["blocks.geojson"].iter().chain(names).copied().collect();
    told(&with_blocks(UTM, features), 3, &all)
}

#[test]
fn empty_layer() {
    insta::assert_snapshot!(told(&with_blocks(UTM, &[]), 2, &["blocks.geojson"]));
}

#[test]
fn null_geometry() {
    let null = feature(r#"{"BLOCK": "A-2"}"#, "null");
    insta::assert_snapshot!(set_aside(&[sound(), null], &["null-geometry", "A-2"]));
}

#[test]
fn bow_tie() {
    let corners = [
        (400.0, 0.0),
        (600.0, 200.0),
        (600.0, 0.0),
        (400.0, 200.0),
        (400.0, 0.0),
    ];
    let bow_tie = feature(r#"{"BLOCK": "A-2"}"#, &polygon(&corners));
    insta::assert_snapshot!(set_aside(&[sound(), bow_tie], &["A-2"]));
}

#[test]
fn unclosed_ring() {
    let corners = [(400.0, 0.0), (600.0, 0.0), (600.0, 200.0), (400.0, 200.0)];
    let unclosed = feature(r#"{"BLOCK": "A-2"}"#, &polygon(&corners));
    insta::assert_snapshot!(told(
        &with_blocks(UTM, &[sound(), unclosed]),
        0,
        &["blocks.geojson", "A-2"]
    ));
}

#[test]
fn duplicate_id() {
    let twin = feature(r#"{"BLOCK": "A-1"}"#, &rectangle(400.0, 0.0, 600.0, 200.0));
    insta::assert_snapshot!(set_aside(&[sound(), twin], &["duplicate-id", "A-1"]));
}

#[test]
fn missing_attribute() {
    let folder = with_project(|text| text.replace("\"BLOCK\"", "\"BLOK\""));
    insta::assert_snapshot!(told(&folder, 2, &["blocks.geojson", "BLOK", "BLOCK"]));
}

#[test]
fn unknown_class() {
    let folder = with_stream(r#"{"STREAM": "S-1", "CLASS": "S9", "WIDTH": 2.0}"#);
    insta::assert_snapshot!(told(&folder, 0, &["streams.geojson", "S-1", "S9"]));
}

#[test]
fn wrong_unit_in_a_layer() {
    let folder = with_stream(r#"{"STREAM": "S-1", "CLASS": "S3", "WIDTH": "2 chains"}"#);
    insta::assert_snapshot!(told(&folder, 0, &["streams.geojson", "S-1", "chains"]));
}

/// One block in degrees, and no .prj beside it.
fn shapefile_without_crs(path: &Path) {
    let driver = gdal::DriverManager::get_driver_by_name("ESRI Shapefile").unwrap();
    let mut dataset = driver.create_vector_only(path).unwrap();
    let layer = dataset
        .create_layer(gdal::vector::LayerOptions {
            name: "blocks",
            srs: None,
            ty: gdal::vector::OGRwkbGeometryType::wkbPolygon,
            options: None,
        })
        .unwrap();
    layer
        .create_defn_fields(&[("BLOCK", gdal::vector::OGRFieldType::OFTString)])
        .unwrap();
    let shape = "POLYGON ((-87 48.7, -86.99 48.7, -86.99 48.71, -87 48.71, -87 48.7))";
    let mut row = gdal::vector::Feature::new(layer.defn()).unwrap();
    row.set_geometry(gdal::vector::Geometry::from_wkt(shape).unwrap())
        .unwrap();
    row.set_field_string(0, "A-1").unwrap();
    row.create(&layer).unwrap();
}

#[test]
fn degrees_without_crs() {
    // GeoJSON without a `crs` is WGS 84 by its standard; a shapefile without .prj says nothing.
    let folder =
        with_project(|text| text.replace("source = \"blocks.geojson\"", "source = \"blocks.shp\""));
    shapefile_without_crs(&folder.path().join("blocks.shp"));
    insta::assert_snapshot!(told(&folder, 2, &["blocks.shp", "EPSG:4326"]));
}

#[test]
fn a_crs_without_datum() {
    let local = r#"'LOCAL_CS["a yard",UNIT["metre",1]]'"#;
    let folder = with_project(|text| text.replace(r#""EPSG:32616""#, local));
    insta::assert_snapshot!(told(&folder, 2, &["a yard", "no datum"]));
}

#[test]
fn missing_file() {
    let folder = with_project(|text| text.replace("blocks.geojson", "bloks.geojson"));
    insta::assert_snapshot!(told(&folder, 2, &["bloks.geojson", "project.toml"]));
}

#[test]
fn unreadable_file() {
    let folder = with_blocks(UTM, &[sound()]);
    write(folder.path(), "blocks.geojson", "this is no layer\n");
    let text = told(&folder, 2, &["blocks.geojson", "GeoJSON"]);
    // GDAL's own words change from version to version.
    let (ours, rest) = text.split_once("cannot be read: ").unwrap();
    let (_, hint) = rest.split_once('\n').unwrap();
    insta::assert_snapshot!(format!("{ours}cannot be read: ...\n{hint}"));
}

#[test]
fn unknown_key() {
    let folder = with_project(|text| {
        text.replace(
            "[production]",
            "[layout]\nroad_bnad = \"150 ft\"\n\n[production]",
        )
    });
    insta::assert_snapshot!(told(
        &folder,
        2,
        &["project.toml", "road_bnad", "road_band", "line "]
    ));
}

#[test]
fn wrong_unit() {
    let folder = with_project(|text| {
        text.replace(
            "[production]",
            "[machine]\nreach = \"8.7 yards\"\n\n[production]",
        )
    });
    insta::assert_snapshot!(told(&folder, 2, &["project.toml", "yards", "line "]));
}
