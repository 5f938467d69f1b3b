//! Six streams in any format, two blocks beside them, and ways to run the program on them.
#![allow(dead_code, reason = "each test file uses its own share")]

use std::path::Path;

use gdal::DriverManager;
use gdal::spatial_ref::SpatialRef;
use gdal::vector::{
    Feature, Geometry, LayerAccess, LayerOptions, OGRFieldType, OGRwkbGeometryType,
};
use tempfile::{TempDir, tempdir};

use crate::run_binary::{Ended, UTM, collection, feature, rectangle, run, write};

pub const STREAMS: usize = 6;

pub fn line(k: usize) -> String {
    let x = 500_050 + 100 * k;
    format!("LINESTRING ({x} 5399900, {x} 5400300)")
}

pub fn srs() -> SpatialRef {
    SpatialRef::from_epsg(32616).unwrap()
}

/// Six parallel streams, each with its id, by a driver of GDAL.
pub fn streams(driver: &str, path: &Path, options: &[&str]) {
    let driver = DriverManager::get_driver_by_name(driver).unwrap();
    let mut dataset = driver.create_vector_only(path).unwrap();
    let layer = dataset
        .create_layer(LayerOptions {
            name: "s",
            srs: Some(&srs()),
            ty: OGRwkbGeometryType::wkbLineString,
            options: Some(options),
        })
        .unwrap();
    layer
        .create_defn_fields(&[("ID", OGRFieldType::OFTString)])
        .unwrap();
    for k in 0..STREAMS {
        let mut feature = Feature::new(layer.defn()).unwrap();
        feature.set_field_string(0, &format!("s{k}")).unwrap();
        feature
            .set_geometry(Geometry::from_wkt(&line(k)).unwrap())
            .unwrap();
        feature.create(&layer).unwrap();
    }
    dataset.close().unwrap();
}

pub fn json_stream(k: usize) -> String {
    let x = 500_050 + 100 * k;
    feature(
        &format!(r#"{{"ID": "s{k}"}}"#),
        &format!(r#"{{"type": "LineString", "coordinates": [[{x}, 5399900], [{x}, 5400300]]}}"#),
    )
}

/// Two blocks, the second of them far beyond the first, and a project with streams of this file.
pub fn project_with(folder: &Path, file: &str, more: &str) {
    let blocks = [
        feature(r#"{"ID": "A"}"#, &rectangle(0.0, 0.0, 600.0, 200.0)),
        feature(r#"{"ID": "Z"}"#, &rectangle(20_000.0, 0.0, 20_300.0, 200.0)),
    ];
    write(folder, "b.json", &collection(UTM, &blocks));
    let text = format!(
        "[project]\ncrs = \"EPSG:32616\"\n[layers.blocks]\nsource = \"b.json\"\nid = \"ID\"\n[layers.streams]\nsource = \"{file}\"\n\
         {more}\nid = \"ID\"\nwidth = {{ value = \"2 m\" }}\n[rules]\npreset = \"bare\"\nsource = \"test\"\n[[rules.line]]\n\
         kind = \"streams\"\nclass = \"*\"\nreserve = \"20 m\"\n[outputs]\nmaps = false\nreport = false\nsheets = false\n\
         exchange = []\n"
    );
    write(folder, "p.toml", &text);
}

pub const CRS: &str = "crs = \"EPSG:32616\"";

/// A folder with a project and streams in a format.
pub fn folder_with(driver: &str, file: &str, options: &[&str]) -> TempDir {
    let folder = tempdir().unwrap();
    streams(driver, &folder.path().join(file), options);
    project_with(folder.path(), file, CRS);
    folder
}

pub fn layout(folder: &Path, more: &[&str]) -> Ended {
    let arguments = ["layout", "p.toml", "--out", "out"];
    let ended = run(folder, &[&arguments[..], more].concat());
    let _ = std::fs::remove_dir_all(folder.join("out-before"));
    if folder.join("out").exists() {
        std::fs::rename(folder.join("out"), folder.join("out-before")).unwrap();
    }
    ended
}

/// Inspect, layout of all and of one, all refuse with these words and write nothing.
pub fn refused(folder: &Path, words: &[&str]) {
    let ends = [
        run(folder, &["inspect", "p.toml"]),
        layout(folder, &[]),
        layout(folder, &["--only", "A"]),
    ];
    for ended in ends {
        let text = &ended.stderr;
        assert_eq!(ended.code, 2, "{text}{}", ended.stdout);
        for word in words.iter().chain(&["hint: "]) {
            assert!(text.contains(word), "{word} is not said:\n{text}");
        }
        assert!(!folder.join("out-before").exists());
    }
}

pub fn patch(path: &Path, change: impl Fn(&mut Vec<u8>)) {
    let mut bytes = std::fs::read(path).unwrap();
    change(&mut bytes);
    std::fs::write(path, bytes).unwrap();
}

/// Cuts a FlatGeobuf behind so many features.
pub fn cut_features(path: &Path, has_index: bool, kept: usize) {
    patch(path, |bytes| {
        let size = |at: usize| u32::from_le_bytes(bytes[at..at + 4].try_into().unwrap()) as usize;
        let mut at = 12 + size(8);
        // A root and six leaves of 40 bytes.
        if has_index {
            at += 7 * 40;
        }
        for _ in 0..kept {
            at += 4 + size(at);
        }
        bytes.truncate(at);
    });
}

pub fn copied(from: &Path) -> TempDir {
    let folder = tempdir().unwrap();
    for entry in std::fs::read_dir(from).unwrap() {
        let path = entry.unwrap().path();
        let to = folder.path().join(path.file_name().unwrap());
        std::fs::write(to, std::fs::read(&path).unwrap()).unwrap();
    }
    folder
}
