//! Trees by class: a block counted by hand, the tables that the program writes, and rows that are wrong.

use crate::in_memory;
use crate::run_binary;

use std::collections::BTreeMap;
use std::path::Path;
use std::sync::Arc;

use blockwright::engines::ENGINES;
use blockwright::geometry::area::{area, length};
use blockwright::model::*;
use geo::MultiPolygon;
use in_memory::*;
use run_binary::{Ended, UTM, collection, run, small_project, table, write};

fn near(found: f64, wanted: f64, within: f64) {
    assert!((found - wanted).abs() <= within, "{found} {wanted}");
}

/// By hand, on 12 ha without retention: 240 trees with 121.2 m3. Of the path's share 16 of 20 trees are cut and 4 lost, beside it
/// 7.5 are cut and 12.5 stay; 1.5 of those cut are larger than the head takes at once and count three times.
#[test]
fn a_block_of_twenty_trees_to_the_hectare_comes_out_as_counted_by_hand() {
    let mut settings = Settings::default();
    settings.layout.boundary_pass = false;
    settings.layout.azimuth = Azimuth::SquareToRoad;
    settings.machine.least_in_path_m = Some(0.15);
    settings.machine.ideal_at_reach_m = Some(0.3);
    settings.machine.head_most_m = Some(0.5);
    settings.machine.head_most_factor = 3.0;
    let shape = line(&[(-5000.0, -3.0), (5000.0, -3.0)]);
    let road = feature(LayerKind::Roads, None, Some(6.0), shape);
    let ground = Shape::Polygons(MultiPolygon(vec![rectangle(-50.0, -50.0, 450.0, 350.0)]));
    let mut stand = feature(LayerKind::Stands, None, None, ground);
    let table = twenty();
    stand.stems_per_ha = Some(table.all().stems);
    stand.tree_m3 = table.tree_m3();
    stand.trees = Some(Arc::new(table));
    let block = block(MultiPolygon(vec![rectangle(0.0, 0.0, 400.0, 300.0)]));
    let features = [road, stand];
    let lay =
        |settings: &Settings| lay_out(ENGINES, settings, &rules(0.0), &features, &block).unwrap();
    let plan = lay(&settings);
    let ha = plan.sections.iter().map(|s| area(&s.shape)).sum::<f64>() / 10_000.0;
    let driven: f64 = plan.lines.iter().map(|line| length(&line.shape)).sum();
    let path_ha = driven * 2.0 * settings.machine.half_width_m / 10_000.0;
    let beside_ha = ha - path_ha;
    assert!(path_ha > 1.0 && beside_ha > path_ha);
    let treated = plan.treated().unwrap();
    near(treated.lost.stems, 4.0 * path_ha, 0.05);
    near(treated.stays.stems, 12.5 * beside_ha, 0.05);
    near(treated.cut.stems, 16.0 * path_ha + 7.5 * beside_ha, 0.05);
    near(
        treated.cut.volume_m3,
        9.7 * path_ha + 7.05 * beside_ha,
        0.05,
    );
    near(treated.large.stems, 1.5 * ha, 0.05);
    let all = treated.cut + treated.lost + treated.stays;
    near(all.stems, 240.0, 0.1);
    near(all.volume_m3, 121.2, 0.1);
    let trees: f64 = plan.sections.iter().map(|s| s.trees.unwrap()).sum();
    near(trees, treated.cut.stems, 1e-6);
    near(plan.volume_m3().unwrap(), treated.cut.volume_m3, 1e-6);
    // 18 s a tree and 4.7 s a m3, those too large for one cut three times, with 1.6 m3 each.
    let large = 2.0 * 1.5 * ha;
    let felling_s = (trees + large) * 18.0 + (treated.cut.volume_m3 + 1.6 * large) * 4.7;
    near(plan.time_parts.unwrap().trees_s, felling_s, 1.0);
    let told: Vec<&Finding> = plan
        .findings
        .iter()
        .filter(|f| f.rule_id == "large-trees")
        .collect();
    assert_eq!(told.len(), 1);
    near(told[0].measured.unwrap(), 1.5 * ha, 0.05);
    assert!(
        !plan
            .sections
            .iter()
            .any(|s| s.reasons.contains(&DayReason::LargeTrees))
    );
    settings.layout.large_trees_day_only = true;
    let plan = lay(&settings);
    assert!(
        plan.sections
            .iter()
            .all(|s| s.reasons.contains(&DayReason::LargeTrees))
    );
    assert!(
        plan.sections
            .iter()
            .all(|s| s.shift_class == ShiftClass::DayOnly)
    );

    // Without a table nobody knows what the limits would do: all is taken to be cut, and told.
    let mut features = features;
    features[1].trees = None;
    let plan = lay_out(ENGINES, &settings, &rules(0.0), &features, &block).unwrap();
    near(
        plan.sections.iter().map(|s| s.trees.unwrap()).sum(),
        240.0,
        0.1,
    );
    assert!(plan.treated().is_none());
    assert!(plan.findings.iter().any(|f| f.rule_id == "no-stand-table"));
}

const TABLE: &str = "stand,species,dbh_from_cm,dbh_to_cm,stems_per_ha,tree_m3\n";

/// The small project with two stands over its blocks, and a stand table.
fn project(folder: &Path, rows: &str, more: &str) -> Ended {
    small_project(folder);
    let stand = |id: &str, x0, x1| {
        let properties = format!(r#"{{"STAND": "{id}", "STEMS": 500, "M3": 0.4}}"#);
        run_binary::feature(&properties, &run_binary::rectangle(x0, -50.0, x1, 400.0))
    };
    let stands = [stand("W", -50.0, 350.0), stand("E", 350.0, 700.0)];
    write(folder, "stands.geojson", &collection(UTM, &stands));
    write(folder, "trees.csv", &format!("{TABLE}{rows}"));
    let plain = std::fs::read_to_string(folder.join("project.toml")).unwrap();
    let layer = "\n[layers.stands]\nsource = \"stands.geojson\"\nid = \"STAND\"\nstems_per_ha = \"STEMS\"\ntree_m3 = \"M3\"\n";
    let table = "\n[stand_table]\nsource = \"trees.csv\"\n";
    write(
        folder,
        "project.toml",
        &format!("{plain}{layer}{table}{more}"),
    );
    run(folder, &["layout", "project.toml", "--out", "out"])
}

#[test]
fn what_is_cut_stays_and_is_lost_adds_up_by_strip_and_block() {
    let temp = tempfile::tempdir().unwrap();
    let folder = temp.path();
    let rows = "W,spruce,8,16,300,0.08\nW,spruce,16,30,200,0.5\nW,birch,8,20,100,0.1\nE,spruce,10,40,400,0.3\n";
    let more = "\n[machine]\nleast_in_path = \"12 cm\"\nideal_at_reach = \"16 cm\"\n";
    let ended = project(folder, rows, more);
    assert!(ended.code == 0 || ended.code == 3, "{}", ended.stderr);
    let stems = table(&folder.join("out/stems.csv"));
    let blocks = table(&folder.join("out/blocks.csv"));
    let number = |row: &BTreeMap<String, String>, name: &str| row[name].parse::<f64>().unwrap();
    for block in &blocks {
        let own = |strips: bool, account: &str| -> f64 {
            let rows = stems
                .iter()
                .filter(|row| row["block_id"] == block["block_id"]);
            let rows = rows
                .filter(|row| row["account"] == account && row["strip_no"].is_empty() != strips);
            rows.map(|row| number(row, "trees")).sum()
        };
        for account in ["cut", "stays", "lost"] {
            near(own(true, account), own(false, account), 0.05);
        }
        near(own(false, "stays"), number(block, "stays_trees"), 0.01);
        near(own(false, "lost"), number(block, "lost_trees"), 0.01);
        // 600 trees to the hectare in the west, 400 in the east.
        let per_ha = if block["block_id"] == "A-1" {
            600.0
        } else {
            400.0
        };
        let all = own(false, "cut") + own(false, "stays") + own(false, "lost");
        near(all, per_ha * number(block, "cut_ha"), 0.002 * all);
        assert!(own(false, "stays") > own(false, "lost") && own(false, "lost") > 0.0);
    }
    let inspected = run(folder, &["inspect", "project.toml"]);
    assert!(
        inspected
            .stdout
            .contains("4 rows, 2 stands with classes, 0 without; species: birch, spruce"),
        "{}",
        inspected.stdout
    );
    // The table of an earlier run goes where there is none any more.
    small_project(folder);
    let ended = run(folder, &["layout", "project.toml", "--out", "out"]);
    assert_eq!(ended.code, 0, "{}", ended.stderr);
    assert!(!folder.join("out/stems.csv").exists());
}

#[test]
fn rows_that_are_wrong_are_told_with_what_is_taken_instead() {
    let cases = [
        (
            "W,spruce,8,16,300,0.08\nW,spruce,15,30,200,0.5\n",
            "8 to 16 cm and 15 to 30 cm overlap",
        ),
        (
            "W,spruce,8,16,-3,0.08\n",
            "`stems_per_ha` is -3, below zero",
        ),
        (
            "W,spruce,8,16,many,0.08\n",
            "`stems_per_ha` is `many`, which is no number",
        ),
        (
            "W,spruce,16,16,300,0.08\n",
            "the class from 16 to 16 cm is empty",
        ),
        ("W,spruce,8,16,300,0\n", "trees without a volume"),
        (
            "W,spruce,8,16,300,0.4\nW,spruce,20,30,200,0.4\n",
            "leave a gap: taken for no trees",
        ),
        ("W,,8,16,500,0.4\n", "a species that nobody knows"),
        (
            "W,spruce,8,16,300,0.4\n",
            "the layer says 500 stems per hectare, the table 300",
        ),
        (
            "W,spruce,8,16,500,0.2\n",
            "the layer says 0.400 m3 a tree, the table 0.200",
        ),
        (
            "N,spruce,8,16,500,0.4\n",
            "no stand of the layer has this id",
        ),
        (
            "W,spruce,8,16,500,0.4\n",
            "the table has no rows for it, 1 stand(s)",
        ),
    ];
    for (rows, words) in cases {
        let temp = tempfile::tempdir().unwrap();
        let ended = project(temp.path(), rows, "");
        assert!(ended.code == 0 || ended.code == 3, "{}", ended.stderr);
        let told = std::fs::read_to_string(temp.path().join("out/set_aside.csv")).unwrap();
        let line = told.lines().find(|line| line.contains(words));
        let line = line.unwrap_or_else(|| panic!("{words}: {told}"));
        assert!(
            line.contains("stand-table") && line.contains("trees.csv"),
            "{line}"
        );
        // Hours are there all the same: with the layer's figures where the rows cannot be used.
        let blocks = table(&temp.path().join("out/blocks.csv"));
        assert!(
            blocks.iter().all(|block| !block["day_hours"].is_empty()),
            "{words}"
        );
    }
    let temp = tempfile::tempdir().unwrap();
    small_project(temp.path());
    let ended = {
        project(temp.path(), "", "");
        write(temp.path(), "trees.csv", "stand,species,dbh\nW,spruce,12\n");
        run(temp.path(), &["layout", "project.toml", "--out", "out"])
    };
    assert_eq!(ended.code, 2);
    assert!(
        ended.stderr.contains("it has no column `dbh_from_cm`"),
        "{}",
        ended.stderr
    );
}

/// The same rows as a table without shapes in a GeoPackage: every output is the same but for the name of the file.
#[test]
fn a_table_of_a_geopackage_does_as_well_as_csv() {
    use gdal::vector::{FieldValue, LayerAccess, LayerOptions, OGRFieldType};
    let temp = tempfile::tempdir().unwrap();
    let folder = temp.path();
    let rows = "W,spruce,8,16,300,0.08\nW,spruce,16,30,200,0.5\nE,birch,10,40,400,0.3\n";
    let ended = project(folder, rows, "");
    assert!(ended.code == 0 || ended.code == 3, "{}", ended.stderr);
    let driver = gdal::DriverManager::get_driver_by_name("GPKG").unwrap();
    let mut dataset = driver
        .create_vector_only(folder.join("trees.gpkg"))
        .unwrap();
    for name in ["other", "trees"] {
        let options = LayerOptions {
            name,
            ty: gdal::vector::OGRwkbGeometryType::wkbNone,
            ..LayerOptions::default()
        };
        let layer = dataset.create_layer(options).unwrap();
        let (text, number) = (OGRFieldType::OFTString, OGRFieldType::OFTReal);
        let fields = [
            ("STAND", text),
            ("species", text),
            ("dbh_from_cm", number),
            ("dbh_to_cm", number),
            ("stems_per_ha", number),
            ("tree_m3", number),
        ];
        for (field, kind) in fields {
            gdal::vector::FieldDefn::new(field, kind)
                .unwrap()
                .add_to_layer(&layer)
                .unwrap();
        }
        for row in rows.lines() {
            let mut feature = gdal::vector::Feature::new(layer.defn()).unwrap();
            for (at, cell) in row.split(',').enumerate() {
                let value = match at < 2 {
                    true => FieldValue::StringValue(cell.to_owned()),
                    false => FieldValue::RealValue(cell.parse().unwrap()),
                };
                feature.set_field(at, &value).unwrap();
            }
            feature.create(&layer).unwrap();
        }
    }
    dataset.close().unwrap();
    let plain = std::fs::read_to_string(folder.join("project.toml")).unwrap();
    let by_layer = plain.replace("\"trees.csv\"", "\"trees.gpkg\"\nlayer = \"trees\"");
    write(folder, "by_layer.toml", &by_layer);
    let ended = run(folder, &["layout", "by_layer.toml", "--out", "by_layer"]);
    assert!(ended.code == 0 || ended.code == 3, "{}", ended.stderr);
    for name in ["stems.csv", "blocks.csv", "compliance.csv"] {
        let text = |out: &str| std::fs::read_to_string(folder.join(out).join(name)).unwrap();
        assert_eq!(text("out"), text("by_layer"), "{name}");
    }
    // Of several layers one has to be named.
    let unnamed = plain.replace("\"trees.csv\"", "\"trees.gpkg\"");
    write(folder, "unnamed.toml", &unnamed);
    let ended = run(folder, &["layout", "unnamed.toml", "--out", "unnamed"]);
    assert_eq!(ended.code, 2);
    assert!(ended.stderr.contains("trees.gpkg"), "{}", ended.stderr);
}

/// Spruce of heavy limbs in the west, pine of light ones in the east: a bunch holds 2.8 m3 there and 4 m3 here, of trees of
/// 0.4 m3 seven and ten.
#[test]
fn bunches_are_smaller_where_trees_of_many_limbs_stand() {
    let temp = tempfile::tempdir().unwrap();
    let folder = temp.path();
    let rows = "W,spruce,20,30,500,0.4\nE,Pine,20,30,500,0.4\n";
    let limbs = "\n[production]\nstems_per_ha = 500\nlimbiness_by_species = { spruce = \"heavy\", pine = \"light\" }\n";
    let ended = project(folder, rows, "");
    assert!(ended.code == 0 || ended.code == 3, "{}", ended.stderr);
    let plain = std::fs::read_to_string(folder.join("project.toml")).unwrap();
    let text = plain.replace("\n[production]\nstems_per_ha = 500\n", limbs);
    write(folder, "project.toml", &text);
    let ended = run(folder, &["layout", "project.toml", "--out", "out"]);
    assert!(ended.code == 0 || ended.code == 3, "{}", ended.stderr);
    use gdal::vector::LayerAccess;
    let dataset = gdal::Dataset::open(folder.join("out/layout.gpkg")).unwrap();
    let mut layer = dataset.layer_by_name("bunches").unwrap();
    let mut most: BTreeMap<String, f64> = BTreeMap::new();
    for bunch in layer.features() {
        let at = |name: &str| bunch.field_index(name).unwrap();
        let block = bunch.field_as_string(at("block_id")).unwrap().unwrap();
        let trees = bunch.field_as_double(at("trees")).unwrap().unwrap();
        let held = most.entry(block).or_insert(0.0);
        *held = held.max(trees);
    }
    // The first block lies in the west, the second in the east; the last bunch of a drive may take in a rest of less than a tree.
    assert!((7.0..8.0).contains(&most["A-1"]), "{most:?}");
    assert!((10.0..11.0).contains(&most["A-2"]), "{most:?}");
}
