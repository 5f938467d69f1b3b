//! Rasters of change as what was cut, made by hand; all figures were worked out on paper, and those in other CRS by rasterio and
//! Shapely (`scripts/reference/change_raster.py`).
//!
//! Cells of 10 m, 30 by 20 from 50 m west and 150 m north of the corner of block A, which is 200 m by 100 m:
//!
//! - a strip over all of the block, 200 m by 20 m, in which one cell still stands: 3 900 m²
//! - a piece of 70 m by 20 m that lies 20 m outside with its end: 1 000 m² in the block, 400 m² beside it
//! - a single cell, 100 m²: smaller than 500 m²
//! - a piece of 70 m by 60 m that has two cells in the block, 200 m²: the rest is anybody's
//! - two cells without a value in the block: 1 % of it
//!
//! 3 900 + 1 000 + 200 = 5 100 m² are cut in the block, of 20 000.

use std::path::Path;

use crate::run_binary::{Ended, UTM, collection, feature, rectangle, run, write};
use gdal::DriverManager;
use gdal::raster::Buffer;
use gdal::spatial_ref::{AxisMappingStrategy, SpatialRef};
use serde_json::Value;

/// Grid metres to ground metres.
const K: f64 = 1.0 / 0.9996;
const SIZE: (usize, usize) = (30, 20);
const HERE: [f64; 6] = [499_950.0, 10.0, 0.0, 5_400_150.0, 0.0, -10.0];
const NO_VALUE: f64 = 255.0;

/// 1 where it is cut.
fn cells() -> Vec<f64> {
    let mut cells = vec![0.0; SIZE.0 * SIZE.1];
    for (row, column, high, wide) in [(11, 5, 2, 20), (7, 20, 2, 7), (6, 7, 1, 1), (14, 23, 6, 7)] {
        for at in 0..high * wide {
            cells[(row + at / wide) * SIZE.0 + column + at % wide] = 1.0;
        }
    }
    cells[12 * SIZE.0 + 15] = 0.0;
    cells[5 * SIZE.0 + 15] = NO_VALUE;
    cells[5 * SIZE.0 + 16] = NO_VALUE;
    cells
}

fn raster(folder: &Path, name: &str, (crs, affine): (u32, [f64; 6]), cells: Vec<f64>, rows: usize) {
    let driver = DriverManager::get_driver_by_name("GTiff").unwrap();
    let mut dataset = driver
        .create_with_band_type::<f32, _>(folder.join(name), SIZE.0, rows, 1)
        .unwrap();
    dataset.set_geo_transform(&affine).unwrap();
    let mut crs = SpatialRef::from_epsg(crs).unwrap();
    crs.set_axis_mapping_strategy(AxisMappingStrategy::TraditionalGisOrder);
    dataset.set_spatial_ref(&crs).unwrap();
    let mut band = dataset.rasterband(1).unwrap();
    band.set_no_data_value(Some(NO_VALUE)).unwrap();
    let cells = cells[..SIZE.0 * rows].iter().map(|v| *v as f32).collect();
    let mut cells = Buffer::new((SIZE.0, rows), cells);
    band.write((0, 0), (SIZE.0, rows), &mut cells).unwrap();
}

fn project(folder: &Path) {
    // B lies beside the raster.
    let blocks = [("A", 0.0), ("B", 2_000.0)].map(|(id, x)| {
        feature(
            &format!(r#"{{"BLOCK": "{id}"}}"#),
            &rectangle(x, 0.0, x + 200.0, 100.0),
        )
    });
    write(folder, "blocks.geojson", &collection(UTM, &blocks));
    let text = "[project]\nname = \"by hand\"\ncrs = \"EPSG:32616\"\n\n[layers.blocks]\nsource = \"blocks.geojson\"\nid = \"BLOCK\"\n\
         accuracy = { value = \"0 m\" }\naccuracy_confidence = \"95 %\"\naccuracy_source = \"the approved map (invented)\"\n\n\
         [rules]\npreset = \"bare\"\nretention_share = { value = \"70 %\", source = \"permit (invented)\" }\n";
    write(folder, "project.toml", text);
}

fn audit(folder: &Path, file: &str, how: &[&str]) -> Ended {
    let start = ["audit", "project.toml", "--as-cut", file, "--out", "out"];
    run(folder, &[&start[..], how].concat())
}

fn read(folder: &Path, name: &str) -> Value {
    let text = std::fs::read_to_string(folder.join("out").join(name)).unwrap();
    serde_json::from_str(&text).unwrap()
}

fn rows(folder: &Path) -> Vec<Value> {
    read(folder, "compliance.json")["rows"]
        .as_array()
        .unwrap()
        .clone()
}

fn row<'r>(rows: &'r [Value], block: &str, id: &str) -> &'r Value {
    let found = rows
        .iter()
        .find(|row| row["rule_id"] == id && row["block_id"] == block);
    found.unwrap_or_else(|| panic!("{id} of {block} among {rows:#?}"))
}

#[track_caller]
fn near(row: &Value, key: &str, wanted: f64, within: f64) {
    let found = row[key]
        .as_f64()
        .unwrap_or_else(|| panic!("{key} of {row:#}"));
    assert!(
        (found - wanted).abs() <= within,
        "{key}: {found}, on paper {wanted}"
    );
}

/// What block A has, whatever says which cells are cut.
fn on_paper(folder: &Path) {
    let rows = rows(folder);
    let share = row(&rows, "A", "retention-share");
    near(share, "measured", 1.0 - 5_100.0 / 20_000.0, 1e-6);
    assert_eq!(share["status"], "unknown");
    assert_eq!(
        share["message"],
        "cannot be told: a raster of change is a screening, in which nothing is seen that falls short"
    );
    let outside = row(&rows, "A", "inside-block");
    near(outside, "measured", 20.0 * K, 0.001);
    // By the cell alone, of one corner: 1.96 x 10 m over the root of 12. Several corners may be the worst.
    let error = outside["error"].as_f64().unwrap();
    assert!((5.658..9.0).contains(&error), "{error}");
    assert_eq!(outside["status"], "fail");
    let said = outside["message"].as_str().unwrap();
    assert!(
        said.contains("beyond doubt at 95 %") && said.contains("to be looked at in the field"),
        "{said}"
    );
    let own = row(&rows, "A", "change-raster");
    near(own, "measured", 0.99, 1e-6);
    assert_eq!(own["status"], "unknown");
    let said = own["message"].as_str().unwrap();
    assert!(
        said.starts_with("cannot be told: 1.00 % of the block"),
        "{said}"
    );
    assert!(
        said.contains("changes smaller than 500 m² left out: 1"),
        "{said}"
    );
    // 4 200 m² less 200, on the ground.
    assert!(said.contains("0.4003 ha of change beside it"), "{said}");
    assert!(
        own["source"]
            .as_str()
            .unwrap()
            .contains("94 % of cuts found")
    );
    let beside = row(&rows, "B", "change-raster");
    assert_eq!(
        (&beside["status"], &beside["measured"]),
        (&"unknown".into(), &0.0.into())
    );
    assert_eq!(row(&rows, "B", "cut")["status"], "unknown");
    assert!(rows.iter().all(|row| row["status"] != "pass"), "{rows:#?}");
    let run = read(folder, "run.json");
    let change = &run["change"];
    near(change, "cell_m", 10.0 * K, 1e-3);
    assert_eq!(change["blocks_not_all_known"], 2);
    assert_eq!(run["accuracy"]["stated"]["position"], "cell of 10.004 m");
}

#[test]
fn classes_have_the_figures_worked_out_on_paper() {
    let temp = tempfile::tempdir().unwrap();
    let folder = temp.path();
    project(folder);
    raster(folder, "change.tif", (32616, HERE), cells(), SIZE.1);
    let ended = audit(folder, "change.tif", &[]);
    assert_eq!(ended.code, 3, "{}", ended.stderr);
    assert!(
        ended.stdout.contains("nothing passes by it"),
        "{}",
        ended.stdout
    );
    on_paper(folder);

    // The same with years as classes: which of them mean cut must be said.
    let years: Vec<f64> = cells()
        .iter()
        .map(|v| if *v == 1.0 { 23.0 } else { *v })
        .collect();
    raster(folder, "years.tif", (32616, HERE), years, SIZE.1);
    let ended = audit(folder, "years.tif", &["--quiet"]);
    assert_eq!(ended.code, 2, "{}", ended.stderr);
    assert!(
        ended.stderr.contains("it has the values 23"),
        "{}",
        ended.stderr
    );
    let ended = audit(folder, "years.tif", &["--cut-class", "22,23", "--quiet"]);
    assert_eq!(ended.code, 3, "{}", ended.stderr);
    on_paper(folder);

    // All of it however small, and only what is larger than the strip.
    for (least, cut_m2) in [("0", 5_200.0), ("0.4 ha", 200.0)] {
        let ended = audit(folder, "change.tif", &["--least-change", least, "--quiet"]);
        assert!(matches!(ended.code, 0 | 3), "{}", ended.stderr);
        let rows = rows(folder);
        let share = row(&rows, "A", "retention-share");
        near(share, "measured", 1.0 - cut_m2 / 20_000.0, 1e-6);
    }
}

#[test]
fn heights_before_and_after_say_the_same() {
    let temp = tempfile::tempdir().unwrap();
    let folder = temp.path();
    project(folder);
    // 18 m of trees; 2 m where they were cut, and 9 m less where a storm broke their tops.
    let unless = |v: f64, cut: f64, else_: f64| match v {
        NO_VALUE => NO_VALUE,
        1.0 => cut,
        _ => else_,
    };
    let before = cells().iter().map(|v| unless(*v, 18.0, 18.0)).collect();
    let mut after: Vec<f64> = cells().iter().map(|v| unless(*v, 2.0, 18.0)).collect();
    after[9 * SIZE.0 + 8] = 9.0;
    raster(folder, "before.tif", (32616, HERE), before, SIZE.1);
    raster(folder, "after.tif", (32616, HERE), after.clone(), SIZE.1);
    let how = ["--before", "before.tif", "--height-loss", "10 m", "--quiet"];
    let ended = audit(folder, "after.tif", &how);
    assert_eq!(ended.code, 3, "{}", ended.stderr);
    on_paper(folder);
    // The storm counts as soon as it is said to.
    let how = [
        "--before",
        "before.tif",
        "--height-loss",
        "9",
        "--least-change",
        "100",
        "--quiet",
    ];
    assert_eq!(audit(folder, "after.tif", &how).code, 3);
    let found = rows(folder);
    near(
        row(&found, "A", "retention-share"),
        "measured",
        1.0 - 5_300.0 / 20_000.0,
        1e-6,
    );

    let mut moved = HERE;
    moved[0] += 4.0;
    raster(folder, "moved.tif", (32616, moved), after.clone(), SIZE.1);
    raster(folder, "short.tif", (32616, HERE), after, 10);
    for (file, said) in [
        ("moved.tif", "their cells lie 0.40 of a cell apart"),
        (
            "short.tif",
            "the first has 30 by 20 cells, the second 30 by 10",
        ),
    ] {
        let how = ["--before", "before.tif", "--height-loss", "10 m", "--quiet"];
        let ended = audit(folder, file, &how);
        assert_eq!(ended.code, 2);
        assert!(ended.stderr.contains(said), "{}", ended.stderr);
    }
}

#[test]
fn a_raster_in_another_crs_is_cut_as_others_cut_it() {
    let temp = tempfile::tempdir().unwrap();
    let folder = temp.path();
    project(folder);
    let kept = std::fs::read_to_string("fixtures/audit/change_raster.json").unwrap();
    let kept: Value = serde_json::from_str(&kept).unwrap();
    for crs in [32616u32, 4326, 3857] {
        let own = &kept[format!("EPSG:{crs}")];
        let affine = own["affine"].as_array().map_or(HERE, |affine| {
            std::array::from_fn(|at| affine[at].as_f64().unwrap())
        });
        raster(folder, "change.tif", (crs, affine), cells(), SIZE.1);
        let ended = audit(folder, "change.tif", &["--quiet"]);
        assert_eq!(ended.code, 3, "{}", ended.stderr);
        let rows = rows(folder);
        let figure = |key: &str| own[key].as_f64().unwrap();
        let share = 1.0 - figure("cut_ha") / 2.0;
        near(row(&rows, "A", "retention-share"), "measured", share, 1e-5);
        near(
            row(&rows, "A", "inside-block"),
            "measured",
            figure("outside_m") * K,
            0.01,
        );
        near(
            row(&rows, "A", "change-raster"),
            "measured",
            figure("known"),
            1e-4,
        );
    }
}

#[test]
fn options_that_do_not_go_together_are_told() {
    let temp = tempfile::tempdir().unwrap();
    let folder = temp.path();
    project(folder);
    raster(folder, "change.tif", (32616, HERE), cells(), SIZE.1);
    write(folder, "no.tif", "no raster");
    for (file, how, said) in [
        (
            "change.tif",
            &["--layer", "cut"][..],
            "--layer does not go with a raster of change",
        ),
        (
            "blocks.geojson",
            &["--cut-class", "1"],
            "--cut-class does not go with a file that is no raster",
        ),
        ("change.tif", &["--height-loss", "10 m"], "--before"),
        ("change.tif", &["--least-change", "much"], "it is no area"),
        ("no.tif", &[], "no.tif"),
    ] {
        let ended = audit(folder, file, &[how, &["--quiet"]].concat());
        assert_eq!(ended.code, 2, "{}", ended.stderr);
        assert!(ended.stderr.contains(said), "{said}: {}", ended.stderr);
    }
}
