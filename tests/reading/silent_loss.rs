//! A file that was cut short, or a part of it from another save, is refused with both counts; no feature of it ever
//! vanishes without a word. `--only` says what a whole run says.

use crate::run_binary;
use crate::sources_support;
use crate::stream_files;

use std::path::{Path, PathBuf};

use blockwright::model::LayerKind;
use blockwright::sources::{self, SourceError};
use gdal::DriverManager;
use gdal::vector::{
    Feature, Geometry, LayerAccess, LayerOptions, OGRFieldType, OGRwkbGeometryType,
};
use run_binary::{UTM, collection, feature, run, write};
use sources_support::{fields, project, shared, source};
use stream_files::*;
use tempfile::{TempDir, tempdir};

#[test]
fn records_of_a_sequence_that_were_cut_short() {
    let lines: Vec<String> = (0..STREAMS).map(json_stream).collect();
    for cut in [2, 5] {
        let folder = tempdir().unwrap();
        let mut lines = lines.clone();
        let half = lines[cut].find("\"coordinates\"").unwrap();
        lines[cut].truncate(half);
        write(folder.path(), "s.geojsonl", &(lines.join("\n") + "\n"));
        project_with(folder.path(), "s.geojsonl", CRS);
        refused(
            folder.path(),
            &["s.geojsonl:s (streams)", "6 records", "5 of them"],
        );
        // Whatever the filter lets through.
        project_with(
            folder.path(),
            "s.geojsonl",
            &format!("{CRS}\nwhere = \"ID = 's0'\""),
        );
        refused(folder.path(), &["6 records", "5 of them"]);
    }
}

#[test]
fn members_of_a_collection_that_are_no_features() {
    let folder = tempdir().unwrap();
    let point = r#"{"type": "Point", "coordinates": [500000, 5400000]}"#;
    let nested = collection("", &[json_stream(3), json_stream(4)]);
    let members = [
        json_stream(0),
        "null".to_owned(),
        point.to_owned(),
        nested,
        json_stream(5),
    ];
    write(folder.path(), "s.json", &collection("", &members));
    project_with(folder.path(), "s.json", CRS);
    refused(
        folder.path(),
        &["s.json", "5 members", "2 of them", "number 2 is none"],
    );
}

#[test]
fn parts_of_a_shapefile_that_count_otherwise() {
    let fresh = || folder_with("ESRI Shapefile", "s.shp", &[]);
    let folder = fresh();
    assert_eq!(layout(folder.path(), &[]).code, 0);
    // A table whose head says fewer, one of another save, an index that is shorter, shapes without the last ones.
    patch(&folder.path().join("s.dbf"), |bytes| bytes[4] = 3);
    refused(folder.path(), &["s.shp holds 6 shapes", "s.dbf has 3 rows"]);
    let folder = fresh();
    patch(&folder.path().join("s.shx"), |bytes| {
        bytes.truncate(100 + 3 * 8);
        let words: i32 = (100 + 3 * 8) / 2;
        bytes[24..28].copy_from_slice(&words.to_be_bytes());
    });
    refused(folder.path(), &["s.shp holds 6 shapes", "s.shx names 3"]);
    let folder = fresh();
    patch(&folder.path().join("s.shp"), |bytes| {
        bytes.truncate(100 + 4 * 88 + 30)
    });
    refused(
        folder.path(),
        &["s.shx names 6 shapes", "s.shp ends before number 5"],
    );
    // Index and shapes of two saves: shapes of other lengths, as many.
    let folder = fresh();
    let other = tempdir().unwrap();
    streams(
        "ESRI Shapefile",
        &other.path().join("s.shp"),
        &["SHPT=ARCZ"],
    );
    std::fs::copy(other.path().join("s.shx"), folder.path().join("s.shx")).unwrap();
    let ended = layout(folder.path(), &[]);
    assert_eq!(ended.code, 2, "{}", ended.stderr);
    // No index at all.
    let folder = fresh();
    std::fs::remove_file(folder.path().join("s.shx")).unwrap();
    refused(folder.path(), &["`s.shx`, without which", "copy all files"]);
}

#[test]
fn a_wrong_box_hides_no_shape_from_a_run_of_one_block() {
    let folder = folder_with("ESRI Shapefile", "s.shp", &[]);
    // Of the third shape.
    patch(&folder.path().join("s.shp"), |bytes| {
        let at = 100 + 2 * 88 + 12;
        for (k, end) in [0.0f64, 0.0, 1.0, 1.0].iter().enumerate() {
            bytes[at + 8 * k..at + 8 * k + 8].copy_from_slice(&end.to_le_bytes());
        }
    });
    same_alone(folder.path());
    let folder = folder_with("GPKG", "s.gpkg", &[]);
    sql(
        &folder.path().join("s.gpkg"),
        "UPDATE rtree_s_geom SET minx = 0, maxx = 0, miny = 0, maxy = 0",
    );
    same_alone(folder.path());
}

/// A run of block A alone says what a whole one says, and lays A out the same.
fn same_alone(folder: &Path) {
    let whole = run(folder, &["layout", "p.toml", "--out", "whole"]);
    let alone = run(
        folder,
        &["layout", "p.toml", "--out", "alone", "--only", "A"],
    );
    assert!([0, 3].contains(&whole.code), "{}", whole.stderr);
    assert_eq!(whole.code, alone.code, "{}", alone.stderr);
    let table =
        |out: &str, name: &str| std::fs::read_to_string(folder.join(out).join(name)).unwrap();
    assert_eq!(
        table("whole", "set_aside.csv"),
        table("alone", "set_aside.csv")
    );
    let row = |out: &str| -> String {
        let text = table(out, "blocks.csv");
        text.lines()
            .find(|line| line.starts_with("A,"))
            .unwrap()
            .to_owned()
    };
    assert_eq!(row("whole"), row("alone"));
    let reserves = |out: &str| table(out, "compliance.csv").matches("reserve").count();
    assert!(reserves("alone") > 0);
}

#[test]
fn one_block_alone_is_told_all_that_is_wrong_with_its_layers() {
    let folder = tempdir().unwrap();
    let text =
        r#"{"type": "LineString", "coordinates": [["500250", "5399900"], ["500250", "5400300"]]}"#;
    let members = [
        json_stream(0),
        feature(r#"{"ID": "null"}"#, "null"),
        feature(r#"{"ID": "text"}"#, text),
        feature(
            r#"{"ID": "empty"}"#,
            r#"{"type": "LineString", "coordinates": []}"#,
        ),
        json_stream(5),
    ];
    write(folder.path(), "s.json", &collection(UTM, &members));
    project_with(folder.path(), "s.json", CRS);
    same_alone(folder.path());
    let list = std::fs::read_to_string(folder.path().join("alone/set_aside.csv")).unwrap();
    for id in ["null", "text", "empty"] {
        assert!(list.contains(&format!(",{id},")), "{list}");
    }
    assert_eq!(layout(folder.path(), &["--only", "A"]).code, 3);
    // The same of a geometry that its head calls empty though it is not.
    let folder = folder_with("GPKG", "s.gpkg", &[]);
    let flagged = "UPDATE s SET geom = CAST(substr(geom, 1, 3) || X'13' || substr(geom, 5) AS BLOB) WHERE fid = 3";
    sql(&folder.path().join("s.gpkg"), flagged);
    same_alone(folder.path());
}

/// Changes a GeoPackage as a program would that keeps no counts: without its triggers.
fn sql(path: &Path, statement: &str) {
    let options = gdal::DatasetOptions {
        open_flags: gdal::GdalOpenFlags::GDAL_OF_UPDATE | gdal::GdalOpenFlags::GDAL_OF_VECTOR,
        ..Default::default()
    };
    let dataset = gdal::Dataset::open_ex(path, options).unwrap();
    let ask = |statement: &str| {
        dataset
            .execute_sql(statement, None, gdal::vector::sql::Dialect::DEFAULT)
            .map(drop)
    };
    let triggers: Vec<String> = {
        let mut rows = dataset
            .execute_sql(
                "SELECT name FROM sqlite_master WHERE type = 'trigger'",
                None,
                gdal::vector::sql::Dialect::DEFAULT,
            )
            .unwrap()
            .unwrap();
        rows.features()
            .filter_map(|row| row.field_as_string(0).unwrap())
            .collect()
    };
    for trigger in triggers {
        let _ = ask(&format!("DROP TRIGGER \"{trigger}\""));
    }
    let _ = ask(statement);
    dataset.close().unwrap();
}

#[test]
fn a_package_with_rows_that_its_counts_do_not_know() {
    let folder = folder_with("GPKG", "s.gpkg", &[]);
    assert_eq!(layout(folder.path(), &[]).code, 0);
    sql(
        &folder.path().join("s.gpkg"),
        "UPDATE gpkg_ogr_contents SET feature_count = 9",
    );
    refused(
        folder.path(),
        &[
            "s.gpkg:s",
            "`gpkg_ogr_contents` says 9 features",
            "6 are in the table",
        ],
    );
    let folder = folder_with("GPKG", "s.gpkg", &[]);
    sql(
        &folder.path().join("s.gpkg"),
        "DELETE FROM rtree_s_geom WHERE id > 4",
    );
    refused(
        folder.path(),
        &["spatial index names 4 shapes", "6 are in the table"],
    );
}

#[test]
fn features_that_a_flatgeobuf_says_it_has() {
    for index in ["SPATIAL_INDEX=YES", "SPATIAL_INDEX=NO"] {
        let folder = folder_with("FlatGeobuf", "s.fgb", &[index]);
        assert_eq!(layout(folder.path(), &[]).code, 0);
        cut_features(&folder.path().join("s.fgb"), index.ends_with("YES"), 3);
        refused(
            folder.path(),
            &["s.fgb:s (streams)", "head says 6 features", "3 whole ones"],
        );
    }
}

#[test]
fn objects_and_rows_of_mapinfo() {
    let fresh = |file: &str| {
        let folder = folder_with("MapInfo File", file, &[]);
        assert_eq!(layout(folder.path(), &[]).code, 0);
        folder
    };
    let edit = |folder: &TempDir, file: &str, change: &dyn Fn(&str) -> String| {
        let path = folder.path().join(file);
        let text = std::fs::read_to_string(&path).unwrap();
        let edited = change(&text);
        assert_ne!(text, edited);
        std::fs::write(&path, edited).unwrap();
    };
    let folder = fresh("s.mif");
    edit(&folder, "s.mif", &|text| {
        text.replace("Line 500250", "Pl1ne 500250")
    });
    refused(
        folder.path(),
        &["s.mif holds 5 objects", "s.mid has 6 rows", "`Pl1ne`"],
    );
    let folder = fresh("s.mif");
    edit(&folder, "s.mif", &|text| {
        text[..text.find("Line 500350").unwrap()].to_owned()
    });
    refused(
        folder.path(),
        &["s.mif holds 3 objects", "s.mid has 6 rows"],
    );
    let folder = fresh("s.mif");
    edit(&folder, "s.mid", &|text| {
        text[..text.find("\"s3\"").unwrap()].to_owned()
    });
    refused(
        folder.path(),
        &["s.mif holds 6 objects", "s.mid has 3 rows"],
    );
    let folder = fresh("s.tab");
    patch(&folder.path().join("s.id"), |bytes| bytes.truncate(3 * 4));
    refused(folder.path(), &["s.dat has 6 rows", "s.id names 3 objects"]);
    let folder = fresh("s.tab");
    patch(&folder.path().join("s.dat"), |bytes| bytes[4] = 3);
    refused(folder.path(), &["s.dat has 3 rows", "s.id names 6 objects"]);
}

/// Wherever a file is cut, it is refused, or a feature is set aside, or all are read.
#[test]
fn no_cut_takes_features_unseen() {
    let write_json = |path: &Path| {
        let members: Vec<String> = (0..STREAMS).map(json_stream).collect();
        std::fs::write(path, collection(UTM, &members)).unwrap();
    };
    let write_sequence = |path: &Path| {
        let lines: Vec<String> = (0..STREAMS).map(json_stream).collect();
        std::fs::write(path, lines.join("\n") + "\n").unwrap();
    };
    let formats: [(&str, &str, &[&str], &[&str]); 8] = [
        ("GeoJSON", "s.json", &["s.json"], &[]),
        ("GeoJSONSeq", "s.geojsonl", &["s.geojsonl"], &[]),
        ("ESRI Shapefile", "s.shp", &["s.shp", "s.shx", "s.dbf"], &[]),
        ("FlatGeobuf", "s.fgb", &["s.fgb"], &["SPATIAL_INDEX=YES"]),
        ("FlatGeobuf", "n.fgb", &["n.fgb"], &["SPATIAL_INDEX=NO"]),
        ("MapInfo File", "s.tab", &["s.dat", "s.id", "s.map"], &[]),
        ("MapInfo File", "s.mif", &["s.mif", "s.mid"], &[]),
        ("GPKG", "s.gpkg", &["s.gpkg"], &[]),
    ];
    let mut told = Vec::new();
    for (driver, file, parts, options) in formats {
        let folder = tempdir().unwrap();
        let path = folder.path().join(file);
        match driver {
            "GeoJSON" => write_json(&path),
            "GeoJSONSeq" => write_sequence(&path),
            _ => streams(driver, &path, options),
        }
        let read = || {
            let mut layer = source(LayerKind::Streams, folder.path(), file);
            layer.id = fields(&["ID"]);
            layer.crs = Some("EPSG:32616".to_owned());
            sources::read(&project(folder.path(), Some("EPSG:32616"), vec![layer]))
        };
        assert_eq!(read().unwrap().features.len(), STREAMS, "{file}");
        for part in parts {
            let part = folder.path().join(part);
            let whole = std::fs::read(&part).unwrap();
            let steps = 150.min(whole.len());
            for step in 0..steps {
                let kept = whole.len() * step / steps;
                std::fs::write(&part, &whole[..kept]).unwrap();
                let Ok(batch) = read() else {
                    continue;
                };
                let aside = batch.problems.iter().any(|problem| problem.set_aside);
                // A line that ends before its line feed does is whole.
                if batch.features.len() != STREAMS && !aside {
                    told.push(format!(
                        "{}: {kept} of {} bytes: {} read",
                        part.display(),
                        whole.len(),
                        batch.features.len()
                    ));
                }
            }
            std::fs::write(&part, &whole).unwrap();
        }
    }
    // A sequence that ends with a whole line looks whole, and only `features` can tell.
    told.retain(|line| !line.contains("s.geojsonl"));
    assert!(told.is_empty(), "{told:#?}");
}

#[test]
fn a_stated_count_is_held_to() {
    let folder = tempdir().unwrap();
    let lines: Vec<String> = (0..STREAMS).map(json_stream).collect();
    write(folder.path(), "s.geojsonl", &(lines.join("\n") + "\n"));
    project_with(folder.path(), "s.geojsonl", CRS);
    let inspected = run(folder.path(), &["inspect", "p.toml"]);
    let pasted = inspected
        .stdout
        .lines()
        .find(|line| line.contains("features = 6"))
        .unwrap()
        .to_owned();
    assert!(pasted.contains("[layers.streams]"), "{pasted}");
    project_with(folder.path(), "s.geojsonl", &format!("{CRS}\n{pasted}"));
    assert_eq!(layout(folder.path(), &[]).code, 0);
    // Cut at the end of a line: well formed.
    write(folder.path(), "s.geojsonl", &(lines[..4].join("\n") + "\n"));
    refused(
        folder.path(),
        &[
            "s.geojsonl:s (streams)",
            "says 6 features, and 4 are in it",
            "features = 4",
        ],
    );
    project_with(folder.path(), "s.geojsonl", &format!("{CRS}\nfeatures = 4"));
    assert_eq!(layout(folder.path(), &["--only", "A"]).code, 0);
    project_with(
        folder.path(),
        "s.geojsonl",
        &format!("{CRS}\nfeatures = 3\nwhere = \"ID <> 's0'\""),
    );
    assert_eq!(layout(folder.path(), &[]).code, 0);
    project_with(
        folder.path(),
        "s.geojsonl",
        &format!("{CRS}\nfeatures = 4\nwhere = \"ID <> 's0'\""),
    );
    refused(folder.path(), &["says 4 features, and 3 pass the filter"]);
}

#[test]
fn shares_know_how_layers_were_read() {
    let folder = folder_with("GPKG", "s.gpkg", &[]);
    // As many lines as below: rules say in which line they stand.
    project_with(folder.path(), "s.gpkg", &format!("{CRS}\n# nothing more"));
    for share in ["1/2", "2/2"] {
        let out = format!("share-{}", &share[..1]);
        let ended = run(
            folder.path(),
            &["layout", "p.toml", "--out", &out, "--share", share],
        );
        assert_eq!(ended.code, 0, "{}", ended.stderr);
    }
    let gather = || {
        let arguments = [
            "gather",
            "share-1",
            "share-2",
            "--project",
            "p.toml",
            "--out",
            "all",
        ];
        run(folder.path(), &arguments)
    };
    // The count was looked at when the layer was read, and changes no plan.
    project_with(folder.path(), "s.gpkg", &format!("{CRS}\nfeatures = 6"));
    assert_eq!(gather().code, 0, "{}", gather().stderr);
    project_with(
        folder.path(),
        "s.gpkg",
        &format!("{CRS}\nwhere = \"ID <> 's1'\""),
    );
    let ended = gather();
    assert_eq!(ended.code, 2, "{}", ended.stderr);
    assert!(
        ended.stderr.contains("another project file"),
        "{}",
        ended.stderr
    );
}

#[test]
fn what_is_audited_is_counted_too() {
    let folder = tempdir().unwrap();
    write(folder.path(), "s.json", &collection(UTM, &[json_stream(1)]));
    project_with(folder.path(), "s.json", CRS);
    let path = folder.path().join("c.fgb");
    let driver = DriverManager::get_driver_by_name("FlatGeobuf").unwrap();
    let mut dataset = driver.create_vector_only(&path).unwrap();
    let layer = dataset
        .create_layer(LayerOptions {
            name: "c",
            srs: Some(&srs()),
            ty: OGRwkbGeometryType::wkbPolygon,
            options: Some(&["SPATIAL_INDEX=NO"]),
        })
        .unwrap();
    layer
        .create_defn_fields(&[("ID", OGRFieldType::OFTString)])
        .unwrap();
    for x in [500_200, 500_300, 500_140] {
        let mut feature = Feature::new(layer.defn()).unwrap();
        feature.set_field_string(0, "A").unwrap();
        let (right, low, high) = (x + 20, 5_400_020, 5_400_120);
        let wkt =
            format!("POLYGON (({x} {low}, {right} {low}, {right} {high}, {x} {high}, {x} {low}))");
        feature
            .set_geometry(Geometry::from_wkt(&wkt).unwrap())
            .unwrap();
        feature.create(&layer).unwrap();
    }
    dataset.close().unwrap();
    let audit = |file: &str| {
        run(
            folder.path(),
            &["audit", "p.toml", "--as-cut", file, "--out", "audit"],
        )
    };
    assert_eq!(audit("c.fgb").code, 3);
    std::fs::copy(&path, folder.path().join("c2.fgb")).unwrap();
    cut_features(&folder.path().join("c2.fgb"), false, 2);
    let ended = audit("c2.fgb");
    assert_eq!(ended.code, 2, "{}", ended.stderr);
    assert!(
        ended
            .stderr
            .contains("head says 3 features, and 2 whole ones"),
        "{}",
        ended.stderr
    );
    assert!(
        ended.stderr.contains("hint: it was cut short"),
        "{}",
        ended.stderr
    );
    // Tracks likewise.
    let track = folder_with("FlatGeobuf", "t.fgb", &["SPATIAL_INDEX=NO"]);
    std::fs::copy(track.path().join("t.fgb"), folder.path().join("t.fgb")).unwrap();
    assert_ne!(audit("t.fgb").code, 2, "{}", audit("t.fgb").stderr);
    cut_features(&folder.path().join("t.fgb"), false, 3);
    let ended = audit("t.fgb");
    assert_eq!(ended.code, 2, "{}", ended.stderr);
    assert!(
        ended
            .stderr
            .contains("(tracks): its head says 6 features, and 3"),
        "{}",
        ended.stderr
    );
}

/// Every case kept outside the project; of those whose name ends in `o` only a run of one block was wrong.
#[test]
fn cases_that_were_found() {
    let Some(found) = shared("data/found/silent-loss") else {
        return;
    };
    let mut cases: Vec<PathBuf> = std::fs::read_dir(found)
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .collect();
    cases.sort();
    // As many shapes as there should be, which only the driver's index or boxes hide.
    let sound = ["22o", "30o"];
    for case in cases {
        let name = case.file_name().unwrap().to_string_lossy().into_owned();
        let folder = copied(&case);
        let runs = [
            layout(folder.path(), &[]),
            layout(folder.path(), &["--only", "A"]),
        ];
        if sound.contains(&name.as_str()) {
            assert_eq!(runs.map(|ended| ended.code), [0, 0], "{name}");
            same_alone(folder.path());
            continue;
        }
        for ended in runs {
            assert_eq!(ended.code, 2, "{name}: {}", ended.stderr);
            assert!(
                ended.stderr.contains(" (streams): "),
                "{name}: {}",
                ended.stderr
            );
            let digits = ended.stderr.split(|c: char| !c.is_ascii_digit());
            assert!(
                digits.filter(|part| !part.is_empty()).count() >= 2,
                "{name}: {}",
                ended.stderr
            );
        }
    }
}

#[test]
fn an_audit_and_a_raster_that_were_found() {
    if let Some(found) = shared("data/found/audit-truncated") {
        let folder = copied(&found);
        let ended = |file: &str| {
            run(
                folder.path(),
                &["audit", "p.toml", "--as-cut", file, "--out", "audit"],
            )
        };
        assert_eq!(ended("c.fgb").code, 3);
        assert_eq!(ended("c2.fgb").code, 2);
    }
    if let Some(found) = shared("data/found/only-hides-damage") {
        let folder = copied(&found);
        let inspected = run(folder.path(), &["inspect", "project.toml"]);
        let only = [
            "layout",
            "project.toml",
            "--out",
            "out",
            "--only",
            "D07-0001",
        ];
        for ended in [run(folder.path(), &only), run(folder.path(), &only[..4])] {
            assert_eq!(ended.code, 2, "{}", ended.stderr);
            let last = |text: &str| {
                text.lines()
                    .find(|line| line.contains("(terrain)"))
                    .map(str::to_owned)
            };
            assert_eq!(last(&ended.stderr), last(&inspected.stderr));
        }
    }
}

#[test]
fn codes_of_refusals_are_stable() {
    let folder = folder_with("FlatGeobuf", "s.fgb", &["SPATIAL_INDEX=NO"]);
    cut_features(&folder.path().join("s.fgb"), false, 2);
    let layer = source(LayerKind::Streams, folder.path(), "s.fgb");
    let told = sources::read(&project(
        folder.path(),
        Some("EPSG:32616"),
        vec![layer.clone()],
    ))
    .unwrap_err();
    assert!(matches!(told, SourceError::CountsDiffer { .. }) && told.code() == "counts-differ");
    streams("FlatGeobuf", &folder.path().join("t.fgb"), &[]);
    let mut layer = source(LayerKind::Streams, folder.path(), "t.fgb");
    layer.features = Some(5);
    let told = sources::read(&project(folder.path(), Some("EPSG:32616"), vec![layer])).unwrap_err();
    assert!(matches!(told, SourceError::OtherCount { .. }) && told.code() == "other-count");
}
