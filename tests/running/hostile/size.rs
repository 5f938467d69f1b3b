//! Files made to exhaust memory, time or the stack.

use std::fs::{self, File};
use std::path::Path;

use super::drivers::blocks_as_package;
use super::paths::{blocks_from, terrain_from};
use super::run_binary::{UTM, collection, feature, rectangle, small_project, write};
use super::{AS_CUT, Row, check_all};

/// A file of that many bytes, none of which is on the disk.
fn hollow(folder: &Path, name: &str, bytes: u64) {
    File::create(folder.join(name))
        .unwrap()
        .set_len(bytes)
        .unwrap();
}

fn sound() -> String {
    feature(r#"{"BLOCK": "A-1"}"#, &rectangle(0.0, 0.0, 300.0, 200.0))
}

fn beside_a_sound_block(folder: &Path, other: String) {
    small_project(folder);
    write(
        folder,
        "blocks.geojson",
        &collection(UTM, &[sound(), other]),
    );
}

const ROWS: &[Row] = &[
    Row::refused(
        "a project file of more than 4 MiB",
        "exit 2: longer than is read",
        |folder| hollow(folder, "project.toml", (4 << 20) + 1),
        &["it is longer than 4194304 bytes"],
    ),
    Row::refused(
        "a rulebook of more than 4 MiB",
        "exit 2: longer than is read",
        |folder| {
            small_project(folder);
            let text = fs::read_to_string(folder.join("project.toml")).unwrap();
            write(folder, "project.toml", &text.replace("preset = \"bare\"", "rulebook = \"rules.toml\""));
            hollow(folder, "rules.toml", (4 << 20) + 1);
        },
        &["rules.toml", "it is longer than 4194304 bytes"],
    ),
    Row::refused(
        "a project file with lists nested 100,000 deep",
        "exit 2: not understood, with its line",
        |folder| {
            small_project(folder);
            let text = fs::read_to_string(folder.join("project.toml")).unwrap();
            write(folder, "project.toml", &format!("{text}x = {}\n", "[".repeat(100_000)));
        },
        &["project.toml, line "],
    ),
    Row::refused(
        "a layer of more than 64 GiB",
        "exit 2 at once: more than is read",
        |folder| {
            blocks_from(folder, "\"blocks.gpkg\"");
            hollow(folder, "blocks.gpkg", (64 << 30) + 1);
        },
        &["blocks.gpkg (blocks): it has more than 64 GiB"],
    ),
    Row::refused(
        "a shapefile whose table has more than 64 GiB",
        "exit 2: more than is read",
        |folder| {
            claims_shapes(folder, 1);
            hollow(folder, "blocks.dbf", (64 << 30) + 1);
        },
        &["blocks.dbf (blocks): it has more than 64 GiB"],
    ),
    Row::refused(
        "a raster of more than 1 TiB",
        "exit 2 at once: more than is read",
        |folder| {
            terrain_from(folder, "dem.tif");
            hollow(folder, "dem.tif", (1 << 40) + 1);
        },
        &["dem.tif (terrain): it has more than 1024 GiB"],
    ),
    Row::refused(
        "tracks of more than 4 GiB",
        "exit 2 at once: more than is read",
        |folder| {
            small_project(folder);
            hollow(folder, "cut.gpx", (4 << 30) + 1);
        },
        &["cut.gpx", "it has more than 4 GiB"],
    )
    .by(AS_CUT),
    Row::refused(
        "tracks with XML entities that multiply",
        "exit 2: cannot be read",
        |folder| {
            small_project(folder);
            let mut text = "<?xml version=\"1.0\"?><!DOCTYPE gpx [<!ENTITY a0 \"aaaaaaaaaa\">".to_owned();
            for level in 1..12 {
                let inner = format!("&a{};", level - 1).repeat(10);
                text += &format!("<!ENTITY a{level} \"{inner}\">");
            }
            text += "]><gpx version=\"1.1\" xmlns=\"http://www.topografix.com/GPX/1/1\"><trk><name>&a11;</name><trkseg>\
                     <trkpt lat=\"48.7\" lon=\"-87\"/></trkseg></trk></gpx>";
            write(folder, "cut.gpx", &text);
        },
        &["cut.gpx"],
    )
    .by(AS_CUT),
    Row::refused(
        "a shapefile whose index claims 30 million shapes",
        "exit 2: more features than are read",
        |folder| claims_shapes(folder, 30_000_000),
        &["blocks.shp:blocks (blocks): it has 30000000 features"],
    ),
    Row::harmless(
        "a block of more than 4 million vertices",
        "exit 3: set aside with the count, the others are laid out",
        |folder| {
            let corners = (0..1_000_100).map(|i| format!("{} 5400000, {} 5399000", 600_000 + i, 600_000 + i));
            let ring: Vec<String> = corners.collect();
            let first = "600000 5400000";
            // Twice the same corners: there and back.
            let polygon = format!("POLYGON (({}, {}, {first}))", ring.join(", "), ring.join(", "));
            blocks_as_package(folder, "blocks", &[]);
            add_block(folder, &polygon);
        },
        |folder, _| {
            let list = fs::read_to_string(folder.join("out/set_aside.csv")).unwrap();
            assert!(list.contains("A-3,too-large,the geometry has 4000401 vertices"), "{list}");
        },
    )
    .ends(3),
    Row::refused(
        "a GeoJSON geometry with lists nested 100,000 deep",
        "exit 2",
        |folder| {
            let geometry = format!(
                "{{\"type\": \"Polygon\", \"coordinates\": {}{}}}",
                "[".repeat(100_000),
                "]".repeat(100_000)
            );
            beside_a_sound_block(folder, feature(r#"{"BLOCK": "A-2"}"#, &geometry));
        },
        &["blocks.geojson"],
    ),
    Row::refused(
        "a GeoJSON geometry with collections nested 1,000 deep",
        "exit 2: cannot be read",
        |folder| beside_a_sound_block(folder, nested(1_000)),
        &["blocks.geojson", "the file cannot be read"],
    ),
    Row::harmless(
        "a GeoJSON geometry with collections nested 4 deep",
        "read as the polygon it is",
        |folder| beside_a_sound_block(folder, nested(4)),
        |folder, _| assert!(folder.join("out/maps/A-2.svg").is_file()),
    ),
    Row::harmless(
        "a block of 600 by 800 km",
        "exit 3: set aside with its width, the others are laid out",
        |folder| {
            let wide = rectangle(-300_000.0, -400_000.0, 300_000.0, 400_000.0);
            beside_a_sound_block(folder, feature(r#"{"BLOCK": "A-2"}"#, &wide));
        },
        |folder, _| {
            let list = fs::read_to_string(folder.join("out/set_aside.csv")).unwrap();
            assert!(list.contains("A-2,too-large,\"the block is 1000 km wide"), "{list}");
        },
    )
    .ends(3),
    Row::harmless(
        "coordinates beyond what a number holds (`1e400`)",
        "exit 3: set aside, the others are laid out",
        |folder| {
            let far = rectangle(400.0, 0.0, 600.0, 200.0).replace("500600", "1e400");
            beside_a_sound_block(folder, feature(r#"{"BLOCK": "A-2"}"#, &far));
        },
        |folder, _| {
            let list = fs::read_to_string(folder.join("out/set_aside.csv")).unwrap();
            assert!(list.contains("A-2"), "{list}");
        },
    )
    .ends(3),
    Row::harmless(
        "an id of 5 million characters",
        "a note; the block is called by its number in the file",
        |folder| {
            let long = format!("{{\"BLOCK\": \"{}\"}}", "x".repeat(5_000_000));
            beside_a_sound_block(folder, feature(&long, &rectangle(400.0, 0.0, 600.0, 200.0)));
        },
        |folder, ended| {
            assert!(ended.stderr.contains("`id` has 5000000 characters"), "{}", ended.stderr);
            let all: u64 = super::run_binary::files(&folder.join("out"))
                .values()
                .map(|bytes| bytes.len() as u64)
                .sum();
            assert!(all < 5_000_000, "{all}");
        },
    ),
];

/// A block in so many collections.
fn nested(deep: usize) -> String {
    let geometry = format!(
        "{}{}{}",
        "{\"type\": \"GeometryCollection\", \"geometries\": [".repeat(deep),
        rectangle(400.0, 0.0, 600.0, 200.0),
        "]}".repeat(deep)
    );
    feature(r#"{"BLOCK": "A-2"}"#, &geometry)
}

/// Headers of a shapefile of polygons whose index claims that many.
fn claims_shapes(folder: &Path, count: u64) {
    blocks_from(folder, "\"blocks.shp\"");
    let header = |bytes: u64| {
        let mut header = vec![0; 100];
        header[..4].copy_from_slice(&9994i32.to_be_bytes());
        header[24..28].copy_from_slice(&((bytes / 2) as i32).to_be_bytes());
        header[28..32].copy_from_slice(&1000i32.to_le_bytes());
        header[32..36].copy_from_slice(&5i32.to_le_bytes());
        header
    };
    fs::write(folder.join("blocks.shp"), header(100)).unwrap();
    let index = 100 + 8 * count;
    fs::write(folder.join("blocks.shx"), header(index)).unwrap();
    let opened = File::options().write(true).open(folder.join("blocks.shx"));
    opened.unwrap().set_len(index).unwrap();
}

/// Adds a block to the package.
fn add_block(folder: &Path, wkt: &str) {
    use gdal::vector::{Feature, Geometry, LayerAccess};
    let options = gdal::DatasetOptions {
        open_flags: gdal::GdalOpenFlags::GDAL_OF_UPDATE | gdal::GdalOpenFlags::GDAL_OF_VECTOR,
        ..gdal::DatasetOptions::default()
    };
    let package = gdal::Dataset::open_ex(folder.join("blocks.gpkg"), options).unwrap();
    let layer = package.layer(0).unwrap();
    let mut row = Feature::new(layer.defn()).unwrap();
    row.set_geometry(Geometry::from_wkt(wkt).unwrap()).unwrap();
    row.set_field_string(0, "A-3").unwrap();
    row.create(&layer).unwrap();
    drop(row);
    package.close().unwrap();
}

pub fn rows() -> &'static [Row] {
    ROWS
}

#[test]
fn size() {
    check_all(ROWS);
}
