//! Clumps and single trees that stand on ground that a file has as cut: figures worked out on paper.

use std::sync::Arc;

use crate::audited;
use crate::in_memory;
use crate::run_binary::{UTM, collection, feature, polygon, rectangle, run, write};
use blockwright::audit::{BlockCut, Stem};
use blockwright::model::*;
use blockwright::rulebook::{ReadStatus, TreeCount, TreeUnit};
use geo::{Coord, MultiPolygon};
use serde_json::Value;

/// Grid metres to ground metres.
const K: f64 = 1.0 / 0.9996;

fn point(properties: &str, x: f64, y: f64) -> String {
    let (x, y) = (500_000.0 + x, 5_400_000.0 + y);
    feature(
        properties,
        &format!(r#"{{"type": "Point", "coordinates": [{x}, {y}]}}"#),
    )
}

/// Block A, 200 m by 100 m, is cut as a whole in the file. A clump of 40 m by 50 m stands in its corner, half of another one, 20 m by 10 m,
/// beside it and half outside, and at (150, 50) one tree and five more. One tree stands in the clump, one outside the block.
#[test]
fn clumps_are_standing_ground_and_single_trees_are_counted() {
    let temp = tempfile::tempdir().unwrap();
    let folder = temp.path();
    let block = [feature(
        r#"{"BLOCK": "A"}"#,
        &rectangle(0.0, 0.0, 200.0, 100.0),
    )];
    write(folder, "blocks.geojson", &collection(UTM, &block));
    let cut = [feature(
        r#"{"block_id": "A"}"#,
        &rectangle(0.0, 0.0, 200.0, 100.0),
    )];
    write(folder, "cut.geojson", &collection(UTM, &cut));
    let over = [
        (190.0, 90.0),
        (210.0, 90.0),
        (210.0, 100.0),
        (190.0, 100.0),
        (190.0, 90.0),
    ];
    let stands = [
        feature("{}", &rectangle(0.0, 0.0, 40.0, 50.0)),
        feature("{}", &polygon(&over)),
        point("{}", 150.0, 50.0),
        point(r#"{"TREES": 5}"#, 150.0, 50.0),
        point("{}", 20.0, 20.0),
        point("{}", 150.0, 150.0),
    ];
    write(folder, "stands.geojson", &collection(UTM, &stands));
    write(
        folder,
        "project.toml",
        "[project]\nname = \"by hand\"\ncrs = \"EPSG:32616\"\n\n[layers.blocks]\nsource = \"blocks.geojson\"\nid = \"BLOCK\"\n\n[rules]\npreset = \"bare\"\n\
         retention_share = { value = \"12 %\", source = \"permit (invented)\" }\n\
         influence_share = { value = \"50 %\", tree_height = \"25 m\", source = \"permit (invented)\" }\n",
    );
    let audit = |how: &[&str]| {
        let start = [
            "audit",
            "project.toml",
            "--as-cut",
            "cut.geojson",
            "--tolerance",
            "0",
            "--out",
            "out",
            "--quiet",
        ];
        let ended = run(folder, &[&start[..], how].concat());
        assert_eq!(ended.code, 3, "{}", ended.stderr);
        let text = std::fs::read_to_string(folder.join("out/compliance.json")).unwrap();
        let read: Value = serde_json::from_str(&text).unwrap();
        read["rows"].as_array().unwrap().clone()
    };
    let rows = audit(&["--standing", "stands.geojson"]);
    let row = |id: &str| rows.iter().find(|row| row["rule_id"] == id).unwrap();
    let near = |id: &str, wanted: f64, within: f64| {
        let found = row(id)["measured"].as_f64().unwrap();
        assert!(
            (found - wanted).abs() <= within,
            "{id}: {found}, on paper {wanted}"
        );
    };
    // 2 000 m² and 100 m² of 20 000.
    near("retention-share", 2_100.0 / 20_000.0, 1e-6);
    near("standing-trees", 6.0, 0.0);
    assert_eq!(
        row("standing-trees")["message"],
        "for information: 3.3 trees for each hectare cut"
    );
    // Within 25 m of the clump, a corner of its band rounded; of the half clump in the block's corner the same; and around the single trees.
    let quarter = std::f64::consts::PI / 4.0 * 25.0 * 25.0;
    let corner =
        |wide: f64, high: f64| (wide * K + 25.0) * (high * K + 25.0) - 25.0 * 25.0 + quarter;
    let all = corner(40.0, 50.0) + corner(10.0, 10.0) + 4.0 * quarter;
    near("influence-area", all / (20_000.0 * K * K), 2e-3);

    // Nobody looked: nothing stands.
    let rows = audit(&[]);
    let share = rows
        .iter()
        .find(|row| row["rule_id"] == "retention-share")
        .unwrap();
    assert_eq!(share["measured"], 0.0);
    assert!(rows.iter().all(|row| row["rule_id"] != "standing-trees"));
}

/// 100 stems a hectare on 2 hectares, cut as a whole: 200 stems, of which 30 were found standing. Of those of some diameter nothing is
/// known, and where only patches count no tree that stands alone does.
#[test]
fn single_trees_count_where_a_rule_counts_stems() {
    let shape = in_memory::rectangle(0.0, 0.0, 200.0, 100.0);
    let block = in_memory::block(MultiPolygon(vec![shape.clone()]));
    let ground = Shape::Polygons(MultiPolygon(vec![in_memory::rectangle(
        -50.0, -50.0, 250.0, 150.0,
    )]));
    let mut stand = in_memory::feature(LayerKind::Stands, None, None, ground);
    let table = StandTable(vec![TreeClass {
        species: "spruce".to_owned(),
        from_m: 0.2,
        to_m: 0.3,
        stems_per_ha: 100.0,
        tree_m3: 0.4,
    }]);
    stand.stems_per_ha = Some(100.0);
    stand.trees = Some(Arc::new(table));
    let cut = BlockCut {
        stems: Some(vec![
            Stem {
                at: Coord { x: 50.0, y: 50.0 },
                trees: 10.0,
            },
            Stem {
                at: Coord { x: 90.0, y: 20.0 },
                trees: 20.0,
            },
            // Beside the block.
            Stem {
                at: Coord { x: 210.0, y: 50.0 },
                trees: 40.0,
            },
        ]),
        ..BlockCut::of_polygons(vec![shape])
    };
    for (unit, least_m, wanted) in [
        (TreeUnit::Stems, 0.0, 0.15),
        (TreeUnit::Stems, 0.2, 0.0),
        (TreeUnit::Volume, 0.0, 0.0),
    ] {
        let mut rules = in_memory::rules(0.12);
        rules.retention_share.citation.status = ReadStatus::Project;
        rules.share_trees = Some(TreeCount { unit, least_m });
        let settings = Settings::default();
        let found = audited::audit(&settings, &rules, &[stand.clone()], None, &block, &cut, 0.0);
        let row = found
            .rows
            .iter()
            .find(|own| own.row.row.rule_id == "retention-share");
        let row = &row.unwrap().row;
        assert!((row.row.measured.unwrap() - wanted).abs() < 1e-6, "{row:?}");
        let status = if wanted > 0.12 {
            Verdict::Pass
        } else {
            Verdict::Fail
        };
        assert_eq!(row.row.status, status, "{row:?}");
    }
}
