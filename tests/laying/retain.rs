//! What layer `retain` has stays for certain: nothing is cut or driven on its ground, it counts where it is said to, it has an id
//! of its own, and what was cut of it is found. Patches with a score are taken first. Places are invented.

use crate::run_binary;

use std::collections::BTreeMap;
use std::path::Path;

use gdal::Dataset;
use gdal::vector::{Geometry, LayerAccess};
use geo::{Distance, Euclidean};
use run_binary::*;

/// A tree whose no-work zone is 24 m across, a den that machines keep 15 m off, a grave mound as a line, a patch that counts and
/// one that does not.
fn kept() -> Vec<String> {
    let point = |x: f64, y: f64| {
        format!(
            r#"{{"type": "Point", "coordinates": [{}, {}]}}"#,
            500_000.0 + x,
            5_400_000.0 + y
        )
    };
    let mound = format!(
        r#"{{"type": "LineString", "coordinates": [[{}, {}], [{}, {}]]}}"#,
        500_450.0, 5_400_200.0, 500_460.0, 5_400_215.0
    );
    vec![
        feature(
            r#"{"KEEP": "T-1", "KIND": "tree", "ACROSS": 24}"#,
            &point(150.0, 120.0),
        ),
        feature(r#"{"KEEP": "D-1", "KIND": "den"}"#, &point(230.0, 90.0)),
        feature(r#"{"KEEP": "M-1", "KIND": "culture"}"#, &mound),
        feature(
            r#"{"KEEP": "P-1", "KIND": "patch", "COUNTS": "yes"}"#,
            &rectangle(40.0, 100.0, 80.0, 140.0),
        ),
        feature(
            r#"{"KEEP": "P-2", "KIND": "patch", "COUNTS": "no"}"#,
            &rectangle(500.0, 150.0, 530.0, 180.0),
        ),
    ]
}

const RETAIN: &str = r#"
[layers.retain]
source = "retain.geojson"
id = "KEEP"
class = "KIND"
FACTS

[[rules.line]]
kind = "retain"
class = "den"
reserve = "2 m"
machine_exclusion = "15 m"
source = "test"
"#;

fn project(folder: &Path, facts: &str, features: &[String]) {
    small_project(folder);
    write(folder, "retain.geojson", &collection(UTM, features));
    let plain = std::fs::read_to_string(folder.join("project.toml")).unwrap();
    write(
        folder,
        "project.toml",
        &format!("{plain}{}", RETAIN.replace("FACTS", facts)),
    );
}

struct Row {
    texts: BTreeMap<String, String>,
    shape: Geometry,
}

const AUDIT_OF_PLAN: [&str; 6] = [
    "audit",
    "project.toml",
    "--plan",
    "out/layout.gpkg",
    "--out",
    "audited",
];

fn rows(folder: &Path, package: &str, layer: &str) -> Vec<Row> {
    let dataset = Dataset::open(folder.join(package)).unwrap();
    let mut layer = dataset.layer_by_name(layer).unwrap();
    let names: Vec<String> = layer.defn().fields().map(|field| field.name()).collect();
    let features = layer.features().map(|feature| {
        let texts = names.iter().enumerate().map(|(at, name)| {
            let text = feature.field_as_string(at).unwrap().unwrap_or_default();
            (name.clone(), text)
        });
        Row {
            texts: texts.collect(),
            shape: feature.geometry().unwrap().clone(),
        }
    });
    features.collect()
}

fn at(x: f64, y: f64) -> Geometry {
    Geometry::from_wkt(&format!("POINT ({} {})", 500_000.0 + x, 5_400_000.0 + y)).unwrap()
}

fn compliance(folder: &Path, out: &str) -> Vec<BTreeMap<String, String>> {
    table(&folder.join(out).join("compliance.csv"))
}

#[test]
fn what_stays_is_neither_cut_nor_driven_over_and_has_an_id() {
    let temp = tempfile::tempdir().unwrap();
    let folder = temp.path();
    project(
        folder,
        "width = \"ACROSS\"\nfacts = { counts = \"COUNTS\" }",
        &kept(),
    );
    let ended = run(folder, &["layout", "project.toml", "--out", "out"]);
    assert!(ended.code == 0 || ended.code == 3, "{}", ended.stderr);
    let patch = |x0: f64, y0: f64, x1: f64, y1: f64| {
        let (x0, x1, y0, y1) = (x0 + 5e5, x1 + 5e5, y0 + 54e5, y1 + 54e5);
        let wkt = format!("POLYGON (({x0} {y0}, {x1} {y0}, {x1} {y1}, {x0} {y1}, {x0} {y0}))");
        Geometry::from_wkt(&wkt).unwrap()
    };
    let mound = Geometry::from_wkt("LINESTRING (500450 5400200, 500460 5400215)").unwrap();
    // Metres of the grid are 0.04 % shorter than those on the ground.
    let off = |cut: f64, driven: f64| [cut * 0.999, driven * 0.999];
    let kept = [
        (at(150.0, 120.0), off(12.0, 12.0)),
        (at(230.0, 90.0), off(3.0, 16.0)),
        (mound, off(1.0, 1.0)),
        (patch(40.0, 100.0, 80.0, 140.0), off(0.0, 0.0)),
        (patch(500.0, 150.0, 530.0, 180.0), off(0.0, 0.0)),
    ];
    let strips = rows(folder, "out/layout.gpkg", "strips");
    let lines = rows(folder, "out/layout.gpkg", "strip_lines");
    assert!(strips.len() > 10 && lines.len() > 10);
    for (thing, [cut_m, driven_m]) in &kept {
        for (row, least_m) in
            (strips.iter().map(|row| (row, cut_m))).chain(lines.iter().map(|row| (row, driven_m)))
        {
            let found_m =
                Euclidean.distance(&row.shape.to_geo().unwrap(), &thing.to_geo().unwrap());
            assert!(found_m >= *least_m - 1e-3, "{:?}: {found_m}", row.texts);
            let shared = row.shape.intersection(thing);
            assert!(
                shared.is_none_or(|shared| shared.area() < 0.01),
                "{:?}",
                row.texts
            );
        }
    }
    let retained = rows(folder, "out/layout.gpkg", "retained");
    let of_layer: Vec<(&str, &str, &str)> = (retained.iter())
        .filter(|row| row.texts["kind"] == "kept")
        .map(|row| {
            let text = |name: &str| row.texts[name].as_str();
            (text("piece_id"), text("source_id"), text("class"))
        })
        .collect();
    assert_eq!(
        of_layer,
        [
            ("K1", "T-1", "tree"),
            ("K2", "D-1", "den"),
            ("K3", "P-1", "patch"),
            ("K1", "M-1", "culture"),
            ("K2", "P-2", "patch"),
        ]
    );
    // Of the patch 40 m square all counts, 0.08 % more on the ground.
    let blocks = table(&folder.join("out/blocks.csv"));
    let counted_ha: Vec<f64> = blocks
        .iter()
        .map(|row| row["counted_ha"].parse().unwrap())
        .collect();
    assert!(
        (counted_ha[0] - 0.16 * 1.0008).abs() < 2e-5,
        "{counted_ha:?}"
    );
    assert_eq!(counted_ha[1], 0.0);
    for row in &blocks {
        let number = |name: &str| row[name].parse::<f64>().unwrap();
        let share = (number("retained_ha") + number("counted_ha"))
            / (number("net_ha") + number("counted_ha"));
        assert!((share - number("retention_share")).abs() < 1e-5, "{row:?}");
        assert!((0.1..0.12).contains(&share), "{row:?}");
    }
    let judged = compliance(folder, "out");
    let of = |rule: &str| -> Vec<&str> {
        let of_rule = judged.iter().filter(|row| row["rule_id"] == rule);
        of_rule.map(|row| row["status"].as_str()).collect()
    };
    assert_eq!(of("reserve:retain-any"), ["pass", "pass"]);
    assert_eq!(of("reserve:project-retain-den"), ["pass"]);
    assert_eq!(of("machine-exclusion:project-retain-den"), ["pass"]);
    assert_eq!(of("retention-share"), ["pass", "pass"]);

    // The plan is proved again, and a cut over the tree's ground is found.
    let ended = run(folder, &AUDIT_OF_PLAN);
    assert!(ended.code == 0, "{}{}", ended.stdout, ended.stderr);
    let audited = compliance(folder, "audited");
    let share = |rows: &[BTreeMap<String, String>]| -> Vec<f64> {
        let of_rule = rows
            .iter()
            .filter(|row| row["rule_id"] == "retention-share");
        of_rule
            .map(|row| row["measured"].parse().unwrap())
            .collect()
    };
    for (planned, proved) in share(&judged).iter().zip(share(&audited)) {
        assert!((planned - proved).abs() < 1e-4, "{planned} {proved}");
    }
    let cut = [feature(
        r#"{"block_id": "A-1"}"#,
        &rectangle(100.0, 60.0, 160.0, 150.0),
    )];
    write(folder, "cut.geojson", &collection(UTM, &cut));
    let arguments = [
        "audit",
        "project.toml",
        "--as-cut",
        "cut.geojson",
        "--out",
        "as_cut",
    ];
    let ended = run(folder, &arguments);
    assert_eq!(ended.code, 3, "{}", ended.stderr);
    let found = compliance(folder, "as_cut");
    let failed = found
        .iter()
        .any(|row| row["rule_id"] == "reserve:retain-any" && row["status"] == "fail");
    assert!(failed, "{found:?}");
}

/// A den near the block's edge, so that the pass along that goes around both, and its path lies where machines keep off.
#[test]
fn nobody_drives_over_ground_that_is_left_beside_a_den() {
    let temp = tempfile::tempdir().unwrap();
    let folder = temp.path();
    let den = |id: &str, x: f64, y: f64| {
        let at = format!(
            r#"{{"type": "Point", "coordinates": [{}, {}]}}"#,
            500_000.0 + x,
            5_400_000.0 + y
        );
        let facts = format!(r#"{{"KEEP": "{id}", "KIND": "den", "ACROSS": 6}}"#);
        feature(&facts, &at)
    };
    let dens = [den("D-1", 150.0, 175.0), den("D-2", 500.0, 272.0)];
    project(folder, "width = \"ACROSS\"", &dens);
    let ended = run(folder, &["layout", "project.toml", "--out", "out"]);
    assert!(ended.code == 0 || ended.code == 3, "{}", ended.stderr);
    let layer = |name: &str| rows(folder, "out/layout.gpkg", name);
    let (lines, travel, left) = (layer("strip_lines"), layer("travel"), layer("unworked"));
    assert!(!left.is_empty() && !travel.is_empty());
    for way in lines.iter().chain(&travel) {
        for ground in &left {
            let over = way.shape.intersection(&ground.shape);
            let over_m = over.map_or(0.0, |over| over.length());
            assert!(
                over_m < 0.1,
                "{:?}: {over_m} m, {:?}",
                way.texts,
                ground.texts
            );
        }
    }
}

#[test]
fn drawn_patches_are_taken_by_their_score() {
    let temp = tempfile::tempdir().unwrap();
    let folder = temp.path();
    // Each holds more than a tenth of block A-2, which is 200 m by 300 m.
    let drawn = |id: &str, score: f64, y: f64| {
        feature(
            &format!(r#"{{"KEEP": "{id}", "KIND": "patch", "SCORE": {score}}}"#),
            &rectangle(430.0, y, 560.0, y + 52.0),
        )
    };
    for (scores, y) in [([1.0, 3.0, 2.0], 150.0), ([1.0, 2.0, 3.0], 215.0)] {
        let [a, b, c] = scores;
        let features = [
            drawn("a", a, 85.0),
            drawn("b", b, 150.0),
            drawn("c", c, 215.0),
        ];
        project(folder, "facts = { score = \"SCORE\" }", &features);
        let plain = std::fs::read_to_string(folder.join("project.toml")).unwrap();
        write(
            folder,
            "project.toml",
            &format!("{plain}\n[layout]\npattern = \"patches\"\n"),
        );
        let ended = run(folder, &["layout", "project.toml", "--out", "out"]);
        assert!(ended.code == 0 || ended.code == 3, "{}", ended.stderr);
        let patches = rows(folder, "out/layout.gpkg", "retained");
        let patches: Vec<&Row> = (patches.iter())
            .filter(|row| row.texts["block_id"] == "A-2" && row.texts["kind"] == "patch")
            .collect();
        assert_eq!(patches.len(), 1);
        let centre = at(495.0, y + 26.0);
        assert!(patches[0].shape.contains(&centre), "{scores:?}");
        let wanted = 130.0 * 52.0;
        assert!((patches[0].shape.area() / wanted - 1.0).abs() < 1e-3);
        let kept = compliance(folder, "out");
        let failed = kept
            .iter()
            .any(|row| row["rule_id"] == "retention-share" && row["status"] == "fail");
        assert!(!failed);
    }
}

/// Two dens of one class: one has a radius of its own in feet, the other keeps that of its class. The permit asks for 15 m.
#[test]
fn a_radius_of_its_own_goes_before_that_of_the_class() {
    let temp = tempfile::tempdir().unwrap();
    let folder = temp.path();
    let den = |id: &str, radius: &str, x: f64, y: f64| {
        let (x, y) = (500_000.0 + x, 5_400_000.0 + y);
        feature(
            &format!(r#"{{"KEEP": "{id}", "KIND": "den", "RADIUS": {radius}}}"#),
            &format!(r#"{{"type": "Point", "coordinates": [{x}, {y}]}}"#),
        )
    };
    let features = [
        den("D-1", r#""80 ft""#, 230.0, 90.0),
        den("D-2", "null", 100.0, 150.0),
        den("D-3", "0", 190.0, 140.0),
        den("D-4", r#""wide""#, 480.0, 200.0),
    ];
    project(folder, "machine_free = \"RADIUS\"", &features);
    let ended = run(folder, &["layout", "project.toml", "--out", "out"]);
    assert!(ended.code == 0 || ended.code == 3, "{}", ended.stderr);
    let lines = rows(folder, "out/layout.gpkg", "strip_lines");
    let travel = rows(folder, "out/layout.gpkg", "travel");
    // A point takes 1 m to each side, and what it says begins there.
    for (place, least_m, most_m) in [
        (at(230.0, 90.0), 1.0 + 24.384, 1.0 + 24.384 + 9.0),
        (at(100.0, 150.0), 16.0, 25.0),
        (at(190.0, 140.0), 3.0, 12.0),
        (at(480.0, 200.0), 16.0, 25.0),
    ] {
        let driven = lines.iter().chain(&travel);
        let nearest_m = driven
            .map(|row| Euclidean.distance(&row.shape.to_geo().unwrap(), &place.to_geo().unwrap()))
            .fold(f64::INFINITY, f64::min);
        assert!(
            nearest_m >= least_m * 0.999 && nearest_m < most_m,
            "{nearest_m}, {least_m} to {most_m}"
        );
    }
    let set_aside = std::fs::read_to_string(folder.join("out/set_aside.csv")).unwrap();
    assert!(
        set_aside.contains("D-4") && set_aside.contains("machine_free"),
        "{set_aside}"
    );
    let judged = compliance(folder, "out");
    let of = |rows: &[BTreeMap<String, String>]| -> Vec<(String, String)> {
        let of_rule =
            (rows.iter()).filter(|row| row["rule_id"] == "machine-exclusion:project-retain-den");
        of_rule
            .map(|row| (row["status"].clone(), row["required"].clone()))
            .collect()
    };
    let passes = |rows: &[(String, String)]| rows.iter().all(|(status, _)| status == "pass");
    let own = of(&judged);
    assert!(own.len() == 2 && passes(&own), "{own:?}");
    let ended = run(folder, &AUDIT_OF_PLAN);
    assert!(ended.code == 0, "{}{}", ended.stdout, ended.stderr);
    assert!(passes(&of(&compliance(folder, "audited"))));
    // The same plan under a larger radius of that one den is told by the audit.
    let mut wider = features.to_vec();
    wider[0] = den("D-1", "40", 230.0, 90.0);
    write(folder, "retain.geojson", &collection(UTM, &wider));
    let ended = run(folder, &AUDIT_OF_PLAN);
    assert_eq!(ended.code, 3, "{}", ended.stderr);
    let found = of(&compliance(folder, "audited"));
    let failed = |row: &&(String, String)| row.0 == "fail" && row.1.starts_with("40");
    assert_eq!(found.iter().filter(failed).count(), 1, "{found:?}");
}

/// 0.16 ha of block A-1 count in the share of a portfolio, by layout and audit.
#[test]
fn counted_ground_counts_in_portfolios() {
    let temp = tempfile::tempdir().unwrap();
    let folder = temp.path();
    let facts = "width = \"ACROSS\"\nfacts = { counts = \"COUNTS\" }";
    let share_of = |out: &str, rule: &str| -> Vec<f64> {
        let rows = compliance(folder, out);
        let rows = rows.iter().filter(|row| row["rule_id"] == rule);
        rows.map(|row| row["measured"].parse().unwrap()).collect()
    };
    let lay_out = |more: &str| {
        project(folder, facts, &kept());
        let plain = std::fs::read_to_string(folder.join("project.toml")).unwrap();
        let ruled = plain.replacen("[rules]", &format!("[rules]\n{more}"), 1);
        write(folder, "project.toml", &ruled);
        let ended = run(folder, &["layout", "project.toml", "--out", "out"]);
        assert!(ended.code == 0 || ended.code == 3, "{}", ended.stderr);
        let ended = run(folder, &AUDIT_OF_PLAN);
        assert!(
            ended.code == 0 || ended.code == 3,
            "{}{}",
            ended.stdout,
            ended.stderr
        );
        table(&folder.join("out/blocks.csv"))
    };
    let number = |row: &BTreeMap<String, String>, name: &str| row[name].parse::<f64>().unwrap();
    let blocks = lay_out("portfolio_share = { value = \"10 %\", source = \"test\" }");
    let sum = |name: &str| blocks.iter().map(|row| number(row, name)).sum::<f64>();
    let wanted = (sum("retained_ha") + sum("counted_ha")) / sum("gross_ha");
    assert!(sum("counted_ha") > 0.15);
    for out in ["out", "audited"] {
        let found = share_of(out, "portfolio-share");
        assert_eq!(found.len(), 1);
        assert!(
            (found[0] - wanted).abs() < 1e-4,
            "{out}: {found:?} {wanted}"
        );
    }
}

/// A plan made without the dangerous tree is audited with it: two lengths of 20 m are asked, and the strips there are found.
#[test]
fn an_audit_finds_work_near_a_dangerous_tree() {
    let temp = tempfile::tempdir().unwrap();
    let folder = temp.path();
    let tree = |kind: &str| {
        let facts = format!(r#"{{"KEEP": "T-1", "KIND": "{kind}"}}"#);
        let at = r#"{"type": "Point", "coordinates": [500150, 5400100]}"#;
        [feature(&facts, at)]
    };
    for (planned, ends, status) in [("tree", 3, "fail"), ("danger tree", 0, "pass")] {
        project(folder, "tree_height = { value = \"20 m\" }", &tree(planned));
        let ended = run(folder, &["layout", "project.toml", "--out", "out"]);
        assert!(matches!(ended.code, 0 | 3), "{}", ended.stderr);
        project(
            folder,
            "tree_height = { value = \"20 m\" }",
            &tree("danger tree"),
        );
        let ended = run(folder, &AUDIT_OF_PLAN);
        assert_eq!(ended.code, ends, "{}{}", ended.stdout, ended.stderr);
        let found = compliance(folder, "audited");
        let row = found
            .iter()
            .find(|row| row["rule_id"] == "reserve:danger-tree")
            .unwrap();
        assert_eq!(row["status"], status, "{row:?}");
        // The metre that a point takes itself belongs to the two lengths.
        let required: f64 = row["required"].parse().unwrap();
        assert!((required - 39.0).abs() < 1e-6, "{row:?}");
        // Beside the round ground of the tree 0.3 m² of a strip are out of reach: told, and no failure.
        let reach = found.iter().find(|row| row["rule_id"] == "reach").unwrap();
        assert_ne!(reach["status"], "fail", "{reach:?}");
    }
}
