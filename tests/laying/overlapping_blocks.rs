//! Blocks that overlap: every command says so of each pair, and ground of two blocks counts once. The figures are those of
//! rectangles, by hand, on the ground: on the meridian of a UTM zone 1 ha of grid is 1 / 0.9996² ha.

use crate::measured;
use crate::run_binary;

use std::path::Path;

use run_binary::*;
use serde_json::Value;

/// Ground to grid.
const HA: f64 = 1.0 / (0.9996 * 0.9996);

/// Two blocks of 300 m by 240 m that share 200 m by 240 m, cut square to one another; one that touches them; and one drawn
/// twice. The first two lie in one portfolio, the pair drawn twice in two.
fn district(folder: &Path) {
    let block = |id: &str, azimuth: u32, season: &str, shape: String| {
        let properties = format!(r#"{{"BLOCK": "{id}", "AZ": {azimuth}, "SEASON": "{season}"}}"#);
        feature(&properties, &shape)
    };
    let blocks = [
        block("B0", 0, "winter", rectangle(0.0, 0.0, 300.0, 240.0)),
        block("B1", 90, "winter", rectangle(100.0, 0.0, 400.0, 240.0)),
        block("beside", 0, "winter", rectangle(400.0, 0.0, 500.0, 240.0)),
        block("S1", 0, "one", rectangle(1000.0, 0.0, 1200.0, 200.0)),
        block("S2", 0, "other", rectangle(1000.0, 0.0, 1200.0, 200.0)),
        // 4 cm over the border of S1 and S2 at one end, and beside it at the other.
        block(
            "hair",
            0,
            "hair",
            polygon(&[
                (1199.96, 0.0),
                (1400.0, 0.0),
                (1400.0, 200.0),
                (1200.04, 200.0),
                (1199.96, 0.0),
            ]),
        ),
    ];
    write(folder, "blocks.geojson", &collection(UTM, &blocks));
    let project = PROJECT.replace(
        "id = \"BLOCK\"",
        "id = \"BLOCK\"\nazimuth = \"AZ\"\nportfolio = \"SEASON\"",
    );
    let portfolio = "portfolio_share = { value = \"5 %\", source = \"test\" }\n\n[production]";
    let project = project.replace("\n[production]", portfolio);
    write(
        folder,
        "project.toml",
        &format!("{project}\n[outputs]\nmaps = false\nsheets = false\nexchange = []\n"),
    );
}

/// Rows of `overlapping-blocks`: block, status, hectares.
fn rows(out: &Path) -> Vec<(String, String, f64)> {
    let text = std::fs::read_to_string(out.join("compliance.json")).unwrap();
    let value: Value = serde_json::from_str(&text).unwrap();
    let rows = value["rows"].as_array().unwrap().iter();
    let rows = rows.filter(|row| row["rule_id"] == "overlapping-blocks");
    let text = |row: &Value, key: &str| row[key].as_str().unwrap().to_owned();
    rows.map(|row| {
        (
            text(row, "block_id"),
            text(row, "status"),
            row["measured"].as_f64().unwrap(),
        )
    })
    .collect()
}

fn all_four(out: &Path) {
    let found = rows(out);
    let wanted = [("B0", 4.8), ("B1", 4.8), ("S1", 4.0), ("S2", 4.0)];
    assert_eq!(found.len(), wanted.len(), "{found:?}");
    for ((block, status, area_ha), (wanted, wanted_ha)) in found.iter().zip(wanted) {
        assert_eq!((block.as_str(), status.as_str()), (wanted, "fail"));
        assert!(
            (area_ha - wanted_ha * HA).abs() < 1e-5,
            "{block}: {area_ha}"
        );
    }
}

fn run_json(out: &Path) -> Value {
    serde_json::from_str(&std::fs::read_to_string(out.join("run.json")).unwrap()).unwrap()
}

#[test]
fn inspect_names_pairs_duplicates_and_hairs_and_ends_with_3() {
    let folder = tempfile::tempdir().unwrap();
    district(folder.path());
    let ended = run(folder.path(), &["inspect", "project.toml"]);
    assert_eq!(ended.code, 3, "{}{}", ended.stdout, ended.stderr);
    let said = ended.stdout;
    assert_eq!(
        said.matches("fail[overlapping-blocks]").count(),
        2,
        "{said}"
    );
    assert!(
        said.contains("block `B1` has 4.8038 ha of it too (66.67 % of this block"),
        "{said}"
    );
    assert!(
        said.contains("block `S2` is the same ground, 4.0032 ha, under another id"),
        "{said}"
    );
    // With each of the two blocks that are the same.
    assert_eq!(said.matches("note[overlap-of-hairs]").count(), 1, "{said}");
    assert!(said.contains("1 more of the kind: S2"), "{said}");
    let json = run(folder.path(), &["inspect", "project.toml", "--json"]);
    let value: Value = serde_json::from_str(&json.stdout).unwrap();
    let problems = value["problems"].as_array().unwrap();
    let pairs = problems
        .iter()
        .filter(|p| p["reason"] == "overlapping-blocks");
    assert_eq!(pairs.count(), 2);

    // A border drawn twice by a hair is no failure.
    let blocks = [
        feature(r#"{"BLOCK": "A"}"#, &rectangle(0.0, 0.0, 300.0, 200.0)),
        feature(r#"{"BLOCK": "B"}"#, &rectangle(299.95, 0.0, 600.0, 200.0)),
    ];
    write(folder.path(), "blocks.geojson", &collection(UTM, &blocks));
    write(folder.path(), "project.toml", PROJECT);
    let ended = run(folder.path(), &["inspect", "project.toml"]);
    assert_eq!(ended.code, 0, "{}{}", ended.stdout, ended.stderr);
    assert!(
        ended.stdout.contains("note[overlap-of-hairs]"),
        "{}",
        ended.stdout
    );
}

#[test]
fn layout_audit_and_shares_fail_both_blocks_of_a_pair_with_its_shape() {
    let folder = tempfile::tempdir().unwrap();
    let root = folder.path();
    district(root);
    let laid = run(root, &["layout", "project.toml", "--out", "out", "-q"]);
    assert_eq!(laid.code, 3, "{}", laid.stderr);
    all_four(&root.join("out"));
    let layers = measured::read(&root.join("out/layout.gpkg"));
    let findings = layers["findings"].iter();
    let findings: Vec<_> = findings
        .filter(|row| row.text("rule_id") == "overlapping-blocks")
        .collect();
    assert_eq!(findings.len(), 4);
    for (row, wanted_m2) in findings
        .iter()
        .zip([48_000.0, 48_000.0, 40_000.0, 40_000.0])
    {
        assert!((row.geometry().area() - wanted_m2 * HA).abs() < 0.05);
    }
    for row in &layers["blocks"] {
        let overlaps = ["B0", "B1", "S1", "S2"].contains(&row.text("block_id"));
        assert_eq!(row.text("status") == "fail", overlaps, "{row:?}");
    }

    // A block alone still overlaps one that is not laid out.
    let alone = run(
        root,
        &[
            "layout",
            "project.toml",
            "--out",
            "alone",
            "--only",
            "B1",
            "-q",
        ],
    );
    assert_eq!(alone.code, 3, "{}", alone.stderr);
    assert_eq!(rows(&root.join("alone")).len(), 1);

    // Each block of a pair in another share.
    let mut words = vec!["gather".to_owned()];
    for number in 1..=6 {
        let (share, out) = (format!("{number}/6"), format!("share{number}"));
        let done = run(
            root,
            &[
                "layout",
                "project.toml",
                "--share",
                &share,
                "--out",
                &out,
                "-q",
            ],
        );
        assert_eq!(done.code, 0, "{}", done.stderr);
        words.push(out);
    }
    words.extend(["--out", "joined", "-q"].map(str::to_owned));
    let words: Vec<&str> = words.iter().map(String::as_str).collect();
    assert_eq!(run(root, &words).code, 3);
    all_four(&root.join("joined"));
    assert_eq!(
        run_json(&root.join("joined"))["counts"],
        run_json(&root.join("out"))["counts"]
    );

    for (given, out) in [("--plan", "audited"), ("--as-cut", "as-cut")] {
        let audited = run(
            root,
            &[
                "audit",
                "project.toml",
                given,
                "out/layout.gpkg",
                "--out",
                out,
                "-q",
            ],
        );
        assert_eq!(audited.code, 3, "{}", audited.stderr);
        all_four(&root.join(out));
        let intrusions = measured::read(&root.join(out).join("audit.gpkg"))
            .remove("intrusions")
            .unwrap();
        let own = intrusions
            .iter()
            .filter(|row| row.text("rule_id") == "overlapping-blocks");
        assert_eq!(own.count(), 4);
    }
}

/// In hectares: 7.2 + 7.2 + 2.4 + 4 + 4 + 4 less 4.8 and 4, and in the winter portfolio what stands in both blocks.
#[test]
fn ground_of_two_blocks_counts_once() {
    let folder = tempfile::tempdir().unwrap();
    let root = folder.path();
    district(root);
    let laid = run(
        root,
        &["layout", "project.toml", "--out", "out", "--json", "-q"],
    );
    let summary: Value = serde_json::from_str(&laid.stdout).unwrap();
    let counts = &summary["counts"];
    let ha = |value: &Value| value.as_f64().unwrap();
    assert!(
        (ha(&counts["gross_ha"]) - (7.2 + 7.2 + 2.4 + 3.0 * 4.0 - 8.8) * HA).abs() < 1e-3,
        "{counts}"
    );
    assert!(
        (ha(&counts["overlap_ha"]) - 8.8 * HA).abs() < 1e-3,
        "{counts}"
    );
    assert_eq!(counts["gross_ha"], counts["net_ha"]);

    let layers = measured::read(&root.join("out/layout.gpkg"));
    let of = |layer: &str, block: &str| {
        let rows = layers[layer]
            .iter()
            .filter(|row| row.text("block_id") == block);
        rows.map(measured::Row::geometry).collect::<Vec<_>>()
    };
    let stands = |block: &str| measured::union(&of("corridors", block));
    // By GEOS: what stands in either and is not cut by the other.
    let shape = |block: &str| of("blocks", block).remove(0);
    let once = |own: &str, other: &str| {
        let away = measured::difference(&stands(own), &shape(other));
        measured::area_m2(&away)
    };
    let both = measured::shared_m2(&stands("B0"), &stands("B1"));
    let beside = measured::area_m2(&stands("beside"));
    let kept_ha = (once("B0", "B1") + once("B1", "B0") + both + beside) / 10_000.0;
    let portfolios = summary["portfolios"].as_array().unwrap();
    let named = |name: &str| portfolios.iter().find(|p| p["portfolio"] == name).unwrap();
    let winter = named("winter");
    assert!(
        (ha(&winter["gross_ha"]) - 12.0 * HA).abs() < 1e-4,
        "{winter}"
    );
    assert!(
        (ha(&winter["kept_ha"]) - kept_ha).abs() < 1e-4,
        "{kept_ha}: {winter}"
    );
    // Each of two portfolios has the ground, cut alike in both.
    for name in ["one", "other"] {
        assert!((ha(&named(name)["gross_ha"]) - 4.0 * HA).abs() < 1e-4);
        let own_ha = measured::area_m2(&stands("S1")) / 10_000.0;
        assert!((ha(&named(name)["kept_ha"]) - own_ha).abs() < 1e-4);
    }

    let audited = run(
        root,
        &[
            "audit",
            "project.toml",
            "--plan",
            "out/layout.gpkg",
            "--out",
            "audit",
            "-q",
        ],
    );
    assert_eq!(audited.code, 3, "{}", audited.stderr);
    let text = std::fs::read_to_string(root.join("audit/compliance.json")).unwrap();
    let value: Value = serde_json::from_str(&text).unwrap();
    let rows = value["rows"].as_array().unwrap();
    let winter = rows
        .iter()
        .find(|row| row["rule_id"] == "portfolio-share:winter")
        .unwrap();
    assert!(
        (ha(&winter["measured"]) - kept_ha / (12.0 * HA)).abs() < 1e-5,
        "{winter}"
    );
    assert!(
        winter["message"].as_str().unwrap().contains("of 12.01 ha"),
        "{winter}"
    );
}

#[test]
fn a_comparison_of_settings_counts_the_failures() {
    let folder = tempfile::tempdir().unwrap();
    let root = folder.path();
    district(root);
    let project = std::fs::read_to_string(root.join("project.toml")).unwrap();
    write(
        root,
        "project.toml",
        &format!("{project}\n[machine]\nreach = [\"8 m\", \"8.7 m\"]\n"),
    );
    let compared = run(
        root,
        &["layout", "project.toml", "--compare", "--json", "-q"],
    );
    let value: Value = serde_json::from_str(&compared.stdout).expect("JSON");
    let rows = value["rows"].as_array().unwrap();
    assert_eq!(rows.len(), 2, "{value}");
    assert!(
        rows.iter().all(|row| row["result"]["fails"] == 4),
        "{value}"
    );
}
