//! Rasters of stems and volume beside the polygons of stands: summed exactly over sections, in their own CRS or another, and told
//! where they know nothing.

use crate::run_binary;

use std::path::Path;

use gdal::raster::Buffer;
use gdal::spatial_ref::SpatialRef;
use gdal::vector::LayerAccess;
use gdal::{Dataset, DriverManager};
use run_binary::*;

/// A raster of squares of `cell` metres from a corner in the north-west of the small project's ground.
fn raster(
    path: &Path,
    (columns, rows): (usize, usize),
    cell: f64,
    value: impl Fn(f64, f64) -> Option<f64>,
) {
    let driver = DriverManager::get_driver_by_name("GTiff").unwrap();
    let mut dataset = driver
        .create_with_band_type::<f64, _>(path, columns, rows, 1)
        .unwrap();
    let (left, top) = (499_900.0, 5_400_400.0);
    dataset
        .set_geo_transform(&[left, cell, 0.0, top, 0.0, -cell])
        .unwrap();
    dataset
        .set_spatial_ref(&SpatialRef::from_epsg(32616).unwrap())
        .unwrap();
    let mut band = dataset.rasterband(1).unwrap();
    band.set_no_data_value(Some(-1.0)).unwrap();
    let mut values = Vec::with_capacity(columns * rows);
    for row in 0..rows {
        for column in 0..columns {
            let x = left + (column as f64 + 0.5) * cell - 500_000.0;
            let y = top - (row as f64 + 0.5) * cell - 5_400_000.0;
            values.push(value(x, y).unwrap_or(-1.0));
        }
    }
    let mut buffer = Buffer::new((columns, rows), values);
    band.write((0, 0), (columns, rows), &mut buffer).unwrap();
}

fn project(folder: &Path, lines: &str) {
    small_project(folder);
    let plain = std::fs::read_to_string(folder.join("project.toml")).unwrap();
    write(folder, "project.toml", &format!("{plain}\n{lines}\n"));
}

struct Section {
    trees: Option<f64>,
    volume_m3: Option<f64>,
    shape: gdal::vector::Geometry,
}

fn sections(folder: &Path) -> Vec<Section> {
    let dataset = Dataset::open(folder.join("out/layout.gpkg")).unwrap();
    let mut layer = dataset.layer_by_name("sections").unwrap();
    let number = |feature: &gdal::vector::Feature, name: &str| {
        let at = feature.field_index(name).unwrap();
        feature.field_as_double(at).unwrap()
    };
    layer
        .features()
        .map(|feature| Section {
            trees: number(&feature, "trees"),
            volume_m3: number(&feature, "volume_m3"),
            shape: feature.geometry().unwrap().clone(),
        })
        .collect()
}

fn rectangle_of(x0: f64, y0: f64, x1: f64, y1: f64) -> gdal::vector::Geometry {
    let (x0, x1, y0, y1) = (x0 + 5e5, x1 + 5e5, y0 + 54e5, y1 + 54e5);
    let wkt = format!("POLYGON (({x0} {y0}, {x1} {y0}, {x1} {y1}, {x0} {y1}, {x0} {y0}))");
    gdal::vector::Geometry::from_wkt(&wkt).unwrap()
}

/// 400 m3 to the hectare west of x = 130, 100 east of it, in cells of 20 m of which one column is cut by the blocks' edges.
/// Expected by GEOS: each section's share on either side.
#[test]
fn volume_and_stems_of_sections_are_those_of_their_cells() {
    let temp = tempfile::tempdir().unwrap();
    let folder = temp.path();
    let lines = "[stand_rasters]\nvolume_m3_per_ha = \"volume.tif\"\nstems_per_ha = \"stems.tif\"";
    project(folder, lines);
    let by_side =
        |west: f64, east: f64| move |x: f64, _: f64| Some(if x < 120.0 { west } else { east });
    raster(
        &folder.join("volume.tif"),
        (50, 30),
        20.0,
        by_side(400.0, 100.0),
    );
    raster(
        &folder.join("stems.tif"),
        (50, 30),
        20.0,
        by_side(800.0, 250.0),
    );
    let ended = run(folder, &["layout", "project.toml", "--out", "out"]);
    assert!(ended.code == 0 || ended.code == 3, "{}", ended.stderr);
    let west = rectangle_of(-100.0, -200.0, 120.0, 400.0);
    let found = sections(folder);
    assert!(found.len() > 6);
    for section in &found {
        let all_ha = section.shape.area() / 1e4;
        let west_ha = section
            .shape
            .intersection(&west)
            .map_or(0.0, |own| own.area())
            / 1e4;
        // The grid's hectares are 0.08 % smaller than those on the ground.
        for (found, wanted) in [
            (
                section.volume_m3,
                400.0 * west_ha + 100.0 * (all_ha - west_ha),
            ),
            (section.trees, 800.0 * west_ha + 250.0 * (all_ha - west_ha)),
        ] {
            let found = found.unwrap();
            assert!((found / wanted - 1.0).abs() < 0.0015, "{found} {wanted}");
        }
    }
    let findings = std::fs::read_to_string(folder.join("out/run.json")).unwrap();
    assert!(
        findings.contains("\"volume_m3_per_ha\""),
        "run.json names the rasters"
    );
    let ended = run(folder, &["inspect", "project.toml"]);
    assert!(
        ended
            .stdout
            .contains("knows 100.00 % of the ground of the blocks"),
        "{}",
        ended.stdout
    );
}

#[test]
fn ground_that_a_raster_does_not_know_takes_the_figures_of_stands_and_is_told() {
    let temp = tempfile::tempdir().unwrap();
    let folder = temp.path();
    project(folder, "[stand_rasters]\nstems_per_ha = \"stems.tif\"");
    // Nothing is known east of x = 500, which is half of block A-2.
    raster(&folder.join("stems.tif"), (50, 30), 20.0, |x, _| {
        (x < 500.0).then_some(900.0)
    });
    let ended = run(folder, &["layout", "project.toml", "--out", "out"]);
    assert!(ended.code == 0 || ended.code == 3, "{}", ended.stderr);
    let known = rectangle_of(-100.0, -200.0, 500.0, 400.0);
    for section in sections(folder) {
        let all_ha = section.shape.area() / 1e4;
        let known_ha = section
            .shape
            .intersection(&known)
            .map_or(0.0, |own| own.area())
            / 1e4;
        // 500 to the hectare by the project.
        let wanted = 900.0 * known_ha + 500.0 * (all_ha - known_ha);
        let found = section.trees.unwrap();
        assert!((found / wanted - 1.0).abs() < 0.0015, "{found} {wanted}");
    }
    let dataset = Dataset::open(folder.join("out/layout.gpkg")).unwrap();
    let mut layer = dataset.layer_by_name("findings").unwrap();
    let told: Vec<(String, String)> = layer
        .features()
        .filter_map(|feature| {
            let text = |name: &str| {
                let at = feature.field_index(name).unwrap();
                feature.field_as_string(at).unwrap().unwrap_or_default()
            };
            (text("rule_id") == "stand-raster").then(|| (text("block_id"), text("message")))
        })
        .collect();
    assert_eq!(told.len(), 1, "{told:?}");
    assert_eq!(told[0].0, "A-2");
    assert!(
        told[0].1.contains("stems.tif knows") && told[0].1.contains("are taken"),
        "{told:?}"
    );
    let ended = run(folder, &["inspect", "project.toml"]);
    assert!(
        ended.stdout.contains("not all of block A-2"),
        "{}",
        ended.stdout
    );
}

#[test]
fn what_is_no_raster_of_stands_is_refused_with_its_name() {
    let temp = tempfile::tempdir().unwrap();
    let folder = temp.path();
    project(folder, "[stand_rasters]\nvolume_m3_per_ha = \"volume.tif\"");
    let ended = run(folder, &["layout", "project.toml", "--out", "out"]);
    assert_eq!(ended.code, 2);
    assert!(ended.stderr.contains("volume.tif"), "{}", ended.stderr);
    write(folder, "volume.tif", "no raster");
    let ended = run(folder, &["layout", "project.toml", "--out", "out"]);
    assert_eq!(ended.code, 2, "{}", ended.stderr);
    assert!(
        ended.stderr.contains("volume.tif (stand_rasters)"),
        "{}",
        ended.stderr
    );
    assert!(
        !ended.stderr.contains("[layers.terrain] to"),
        "{}",
        ended.stderr
    );
}

/// Trees of 12 m west of x = 120 and of 25 m east of it; of nothing known beyond x = 500, where bunches are as long as the project says.
#[test]
fn bunches_are_as_long_as_the_trees_of_their_section_are_high() {
    let temp = tempfile::tempdir().unwrap();
    let folder = temp.path();
    small_project(folder);
    let plain = std::fs::read_to_string(folder.join("project.toml")).unwrap();
    let plain = plain.replace(
        "stems_per_ha = 500\n",
        "stems_per_ha = 500\ntree_m3 = 0.4\n",
    );
    let lines = "[stand_rasters]\nheight_m = \"height.tif\"";
    write(folder, "project.toml", &format!("{plain}\n{lines}\n"));
    raster(&folder.join("height.tif"), (50, 30), 20.0, |x, _| {
        (x < 500.0).then_some(if x < 120.0 { 12.0 } else { 25.0 })
    });
    let ended = run(folder, &["layout", "project.toml", "--out", "out"]);
    assert!(ended.code == 0 || ended.code == 3, "{}", ended.stderr);
    let dataset = Dataset::open(folder.join("out/layout.gpkg")).unwrap();
    let whole = |feature: &gdal::vector::Feature, name: &str| {
        let at = feature.field_index(name).unwrap();
        feature.field_as_integer(at).unwrap().unwrap()
    };
    let key = |feature: &gdal::vector::Feature| {
        let id = feature.field_as_string(feature.field_index("block_id").unwrap());
        let numbers = ["part", "strip_no", "piece"].map(|name| whole(feature, name));
        (id.unwrap().unwrap(), numbers)
    };
    let west = rectangle_of(-100.0, -200.0, 120.0, 400.0);
    let middle = rectangle_of(120.0, -200.0, 500.0, 400.0);
    let mut by_piece: std::collections::BTreeMap<_, Vec<f64>> = Default::default();
    let mut layer = dataset.layer_by_name("sections").unwrap();
    for feature in layer.features() {
        let at = feature.field_index("tree_height_m").unwrap();
        let found = feature.field_as_double(at).unwrap().unwrap();
        let shape = feature.geometry().unwrap();
        let share = |of: &gdal::vector::Geometry| {
            shape.intersection(of).map_or(0.0, |own| own.area()) / shape.area()
        };
        let (west, middle) = (share(&west), share(&middle));
        let wanted = 12.0 * west + 25.0 * middle + 18.0 * (1.0 - west - middle);
        assert!((found - wanted).abs() < 0.02, "{found} {wanted}");
        by_piece.entry(key(&feature)).or_default().push(found);
    }
    let mut full = 0;
    let mut layer = dataset.layer_by_name("bunches").unwrap();
    for feature in layer.features() {
        let shape = feature.geometry().unwrap();
        let ends = [
            shape.get_point(0),
            shape.get_point(shape.point_count() as i32 - 1),
        ];
        let long_m = (ends[0].0 - ends[1].0).hypot(ends[0].1 - ends[1].1);
        let heights = &by_piece[&key(&feature)];
        // Whole, or a stated share of it where there is no room; drawn along the line, which may bend.
        let drawn = heights.iter().any(|height| {
            [1.0, 0.75, 0.5, 0.25]
                .iter()
                .any(|share| (long_m / (height * share) - 1.0).abs() < 0.02)
        });
        assert!(drawn, "{long_m} m in {heights:?}");
        full += usize::from(
            heights
                .iter()
                .any(|height| (long_m / height - 1.0).abs() < 0.02),
        );
    }
    assert!(full > 20, "{full}");
    let findings = dataset
        .layer_by_name("findings")
        .unwrap()
        .features()
        .count();
    assert!(findings > 0);
    let ended = run(folder, &["inspect", "project.toml"]);
    assert!(ended.stdout.contains("height_m"), "{}", ended.stdout);
}
