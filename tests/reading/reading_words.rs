//! What is said of a layer or raster that cannot be believed as it is: an assumed place, a code page nobody named, damaged
//! elevations, a filter of two statements, and what is the machine's fault and not the file's.

use crate::run_binary;
use crate::sources_support;
use crate::stream_files;

use std::path::Path;

use blockwright::model::LayerKind;
use blockwright::sources;
use gdal::DriverManager;
use gdal::raster::{Buffer, RasterCreationOptions};
use gdal::spatial_ref::SpatialRef;
use gdal::vector::{
    Feature, Geometry, LayerAccess, LayerOptions, OGRFieldType, OGRwkbGeometryType,
};
use run_binary::{UTM, collection, command, feature, rectangle, run, write};
use sources_support::{fields, project, source};
use stream_files::*;
use tempfile::{TempDir, tempdir};

/// Elevations in tiles of 64 by 64 cells of 10 m, the tile under block Z damaged.
fn damaged_raster(path: &Path) {
    let driver = DriverManager::get_driver_by_name("GTiff").unwrap();
    let options = RasterCreationOptions::from_iter([
        "TILED=YES",
        "BLOCKXSIZE=64",
        "BLOCKYSIZE=64",
        "COMPRESS=DEFLATE",
    ]);
    let (columns, rows) = (2_176, 64);
    let mut dataset = driver
        .create_with_band_type_with_options::<f32, _>(path, columns, rows, 1, &options)
        .unwrap();
    dataset
        .set_geo_transform(&[499_700.0, 10.0, 0.0, 5_400_400.0, 0.0, -10.0])
        .unwrap();
    dataset.set_spatial_ref(&srs()).unwrap();
    let noise = |index: usize| ((index * 7_919) % 1_013) as f32 / 500.0;
    let values = (0..columns * rows).map(noise).collect();
    let mut band = dataset.rasterband(1).unwrap();
    band.write(
        (0, 0),
        (columns, rows),
        &mut Buffer::new((columns, rows), values),
    )
    .unwrap();
    dataset.close().unwrap();
    let dataset = gdal::Dataset::open(path).unwrap();
    let tile = (500_000 + 20_100 - 499_700) / 10 / 64;
    use gdal::Metadata;
    let item = |name: &str| -> usize {
        let found = dataset
            .rasterband(1)
            .unwrap()
            .metadata_item(&format!("{name}_{tile}_0"), "TIFF");
        found.unwrap().parse().unwrap()
    };
    let (at, size) = (item("BLOCK_OFFSET"), item("BLOCK_SIZE"));
    dataset.close().unwrap();
    patch(path, |bytes| bytes[at + size / 4..at + size / 2].fill(0x55));
}

#[test]
fn a_damaged_raster_is_damaged_for_every_command() {
    let folder = tempdir().unwrap();
    write(folder.path(), "s.json", &collection(UTM, &[json_stream(1)]));
    project_with(folder.path(), "s.json", CRS);
    let text = std::fs::read_to_string(folder.path().join("p.toml")).unwrap();
    let terrain = "[layers.terrain]\nsource = \"e.tif\"\n[rules]";
    write(folder.path(), "p.toml", &text.replace("[rules]", terrain));
    damaged_raster(&folder.path().join("e.tif"));
    // Block A lies nowhere near the damage.
    refused(
        folder.path(),
        &["e.tif (terrain): reading stopped", "the file is damaged"],
    );
    let cut = collection(
        UTM,
        &[feature(
            r#"{"ID": "A"}"#,
            &rectangle(200.0, 20.0, 220.0, 120.0),
        )],
    );
    write(folder.path(), "c.json", &cut);
    for arguments in [
        &["audit", "p.toml", "--as-cut", "c.json", "--out", "out"][..],
        &["layout", "p.toml", "--out", "out", "--share", "1/2"],
        &["layout", "p.toml", "--compare"],
    ] {
        let ended = run(folder.path(), arguments);
        assert_eq!(ended.code, 2, "{arguments:?}\n{}", ended.stderr);
        assert!(
            ended.stderr.contains("e.tif (terrain): reading stopped"),
            "{}",
            ended.stderr
        );
    }
}

#[test]
fn a_shapefile_whose_place_nobody_has_said_spoils_every_block() {
    let folder = folder_with("ESRI Shapefile", "s.shp", &[]);
    project_with(folder.path(), "s.shp", "");
    assert_eq!(layout(folder.path(), &[]).code, 0);
    std::fs::remove_file(folder.path().join("s.prj")).unwrap();
    assert_eq!(run(folder.path(), &["inspect", "p.toml"]).code, 3);
    let ended = run(folder.path(), &["layout", "p.toml", "--out", "out"]);
    assert_eq!(ended.code, 3, "{}", ended.stderr);
    let table = std::fs::read_to_string(folder.path().join("out/compliance.csv")).unwrap();
    for block in ["A", "Z"] {
        let own = format!("{block},assumed-crs,");
        let row = table.lines().find(|line| line.starts_with(&own)).unwrap();
        assert!(
            row.contains("s.shp:s") && row.contains(",unknown,"),
            "{row}"
        );
    }
    let findings = gdal::Dataset::open(folder.path().join("out/layout.gpkg")).unwrap();
    let mut findings = findings.layer_by_name("findings").unwrap();
    findings
        .set_attribute_filter("rule_id = 'assumed-crs'")
        .unwrap();
    assert_eq!(findings.feature_count(), 2);
    // What was cut, too.
    project_with(folder.path(), "s.shp", CRS);
    for ending in ["shp", "shx", "dbf"] {
        let to = folder.path().join(format!("t.{ending}"));
        std::fs::copy(folder.path().join(format!("s.{ending}")), to).unwrap();
    }
    assert_eq!(layout(folder.path(), &[]).code, 0);
    let cut = folder_with_polygons();
    for ending in ["shp", "shx", "dbf"] {
        let to = folder.path().join(format!("c.{ending}"));
        std::fs::copy(cut.path().join(format!("c.{ending}")), to).unwrap();
    }
    let ended = run(
        folder.path(),
        &["audit", "p.toml", "--as-cut", "c.shp", "--out", "audit"],
    );
    assert_eq!(ended.code, 3, "{}", ended.stderr);
    let table = std::fs::read_to_string(folder.path().join("audit/compliance.csv")).unwrap();
    assert_eq!(table.matches(",assumed-crs,").count(), 2, "{table}");
}

fn folder_with_polygons() -> TempDir {
    let folder = tempdir().unwrap();
    let driver = DriverManager::get_driver_by_name("ESRI Shapefile").unwrap();
    let mut dataset = driver
        .create_vector_only(folder.path().join("c.shp"))
        .unwrap();
    let layer = dataset
        .create_layer(LayerOptions {
            name: "c",
            srs: None,
            ty: OGRwkbGeometryType::wkbPolygon,
            options: None,
        })
        .unwrap();
    layer
        .create_defn_fields(&[("ID", OGRFieldType::OFTString)])
        .unwrap();
    let mut feature = Feature::new(layer.defn()).unwrap();
    feature.set_field_string(0, "A").unwrap();
    let wkt = "POLYGON ((500290 5400020, 500310 5400020, 500310 5400120, 500290 5400120, 500290 5400020))";
    feature
        .set_geometry(Geometry::from_wkt(wkt).unwrap())
        .unwrap();
    feature.create(&layer).unwrap();
    drop(feature);
    dataset.close().unwrap();
    folder
}

#[test]
fn a_crs_of_parameters_is_a_crs() {
    let text = "+proj=tmerc +lat_0=0 +lon_0=-87.5 +k=0.9999 +x_0=500000 +y_0=0 +ellps=GRS80 +units=m +no_defs";
    let folder = tempdir().unwrap();
    let path = folder.path().join("s.gpkg");
    let driver = DriverManager::get_driver_by_name("GPKG").unwrap();
    let mut dataset = driver.create_vector_only(&path).unwrap();
    let crs = SpatialRef::from_definition(text).unwrap();
    let mut layer = dataset
        .create_layer(LayerOptions {
            name: "s",
            srs: Some(&crs),
            ty: OGRwkbGeometryType::wkbLineString,
            options: None,
        })
        .unwrap();
    layer
        .create_defn_fields(&[("ID", OGRFieldType::OFTString)])
        .unwrap();
    layer
        .create_feature(Geometry::from_wkt(&line(1)).unwrap())
        .unwrap();
    dataset.close().unwrap();
    project_with(folder.path(), "s.gpkg", "");
    let ended = run(folder.path(), &["inspect", "p.toml"]);
    let all = ended.stdout + &ended.stderr;
    assert_eq!(ended.code, 0, "{all}");
    assert!(
        !all.contains("assumed-crs") && all.contains("+proj=tmerc"),
        "{all}"
    );
    // The same as the work CRS.
    let project = std::fs::read_to_string(folder.path().join("p.toml")).unwrap();
    write(
        folder.path(),
        "p.toml",
        &project.replacen("EPSG:32616", text, 1),
    );
    let ended = run(folder.path(), &["inspect", "p.toml"]);
    assert_eq!(ended.code, 0, "{}{}", ended.stdout, ended.stderr);
}

#[test]
fn a_code_page_that_is_not_said_is_asked_for() {
    let folder = tempdir().unwrap();
    streams(
        "ESRI Shapefile",
        &folder.path().join("s.shp"),
        &["ENCODING="],
    );
    let _ = std::fs::remove_file(folder.path().join("s.cpg"));
    project_with(folder.path(), "s.shp", CRS);
    let inspect = || {
        let ended = run(folder.path(), &["inspect", "p.toml"]);
        (ended.code, ended.stdout + &ended.stderr)
    };
    // Plain ASCII may be in any.
    let (code, all) = inspect();
    assert!(code == 0 && !all.contains("unknown-encoding"), "{all}");
    patch(&folder.path().join("s.dbf"), |bytes| {
        let at = bytes.windows(2).position(|two| two == b"s3").unwrap();
        bytes[at] = 0x8e;
        bytes[29] = 0;
    });
    let (code, all) = inspect();
    assert!(
        code == 0 && all.contains("unknown-encoding") && all.contains("fid 3"),
        "{all}"
    );
    assert!(all.contains("`ID`") && all.contains("encoding = "), "{all}");
    for (name, id) in [("CP1252", "\u{17d}3"), ("CP850", "\u{c4}3")] {
        project_with(
            folder.path(),
            "s.shp",
            &format!("{CRS}\nencoding = \"{name}\""),
        );
        let (code, all) = inspect();
        assert!(code == 0 && !all.contains("unknown-encoding"), "{all}");
        let mut layer = source(LayerKind::Streams, folder.path(), "s.shp");
        layer.id = fields(&["ID"]);
        layer.encoding = Some(name.to_owned());
        let batch =
            sources::read(&project(folder.path(), Some("EPSG:32616"), vec![layer])).unwrap();
        assert_eq!(batch.features[3].id, id);
    }
    project_with(
        folder.path(),
        "s.shp",
        &format!("{CRS}\nencoding = \"CP9999\""),
    );
    refused(
        folder.path(),
        &["s.shp (streams)", "`CP9999`", "correct `encoding`"],
    );
}

#[test]
fn a_filter_of_two_statements_is_refused_in_its_line() {
    let folder = folder_with("GPKG", "s.gpkg", &[]);
    let filter = "where = \"ID = 's1'; ID = 's2'\"";
    project_with(folder.path(), "s.gpkg", &format!("{CRS}\n{filter}"));
    refused(
        folder.path(),
        &["p.toml", "line 9", "`;` ends the first", "AND or OR"],
    );
    project_with(
        folder.path(),
        "s.gpkg",
        &format!("{CRS}\nwhere = \"ID <> 'a;b'\""),
    );
    assert_eq!(layout(folder.path(), &[]).code, 0);
}

#[test]
fn a_database_of_crs_that_is_missing_is_no_fault_of_the_project() {
    let folder = folder_with("GPKG", "s.gpkg", &[]);
    let nothing = tempdir().unwrap();
    for arguments in [
        &["inspect", "p.toml"][..],
        &["layout", "p.toml", "--out", "out"],
    ] {
        let output = command(folder.path(), arguments)
            .env("PROJ_DATA", nothing.path())
            .env("PROJ_LIB", nothing.path())
            .output()
            .unwrap();
        let text = String::from_utf8(output.stderr).unwrap();
        assert_eq!(output.status.code(), Some(1), "{text}");
        assert!(
            text.contains("PROJ_DATA") && text.contains("proj.db"),
            "{text}"
        );
        assert!(!text.contains("write an authority code"), "{text}");
    }
}

#[cfg(unix)]
#[test]
fn too_many_open_files_are_called_so() {
    let folder = tempdir().unwrap();
    write(folder.path(), "s.json", &collection(UTM, &[json_stream(1)]));
    project_with(folder.path(), "s.json", CRS);
    let driver = DriverManager::get_driver_by_name("GTiff").unwrap();
    let names: Vec<String> = (0..60).map(|k| format!("e{k}.tif")).collect();
    for (k, name) in names.iter().enumerate() {
        let path = folder.path().join(name);
        let mut dataset = driver
            .create_with_band_type::<f32, _>(&path, 8, 8, 1)
            .unwrap();
        let left = 500_000.0 + 80.0 * k as f64;
        dataset
            .set_geo_transform(&[left, 10.0, 0.0, 5_400_080.0, 0.0, -10.0])
            .unwrap();
        dataset.set_spatial_ref(&srs()).unwrap();
        dataset.close().unwrap();
    }
    let list: Vec<String> = names.iter().map(|name| format!("{name:?}")).collect();
    let text = std::fs::read_to_string(folder.path().join("p.toml")).unwrap();
    let terrain = format!("[layers.terrain]\nsource = [{}]\n[rules]", list.join(", "));
    write(folder.path(), "p.toml", &text.replace("[rules]", &terrain));
    let inspect = |limit: u32| {
        let script = format!("ulimit -n {limit}; exec \"$0\" inspect p.toml");
        let output = std::process::Command::new("sh")
            .current_dir(folder.path())
            .args(["-c", &script, env!("CARGO_BIN_EXE_blockwright")])
            .output()
            .unwrap();
        (
            output.status.code(),
            String::from_utf8(output.stderr).unwrap(),
        )
    };
    let (code, text) = inspect(200);
    assert_eq!(code, Some(0), "{text}");
    let (code, text) = inspect(40);
    assert_eq!(code, Some(1), "{text}");
    assert!(
        text.contains("too many files are open") && text.contains("ulimit"),
        "{text}"
    );
}
