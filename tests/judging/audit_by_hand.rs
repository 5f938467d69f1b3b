//! One block whose every figure was worked out on paper, errors included.
//!
//! Block A is 200 m by 100 m, its outline known to 2.4477 m at 95 %: a standard error of 1 m along any one direction. In its north-east
//! corner lies a lake, 50 m by 42 m, which is the approved map's own: 0 m. 40 % of the net area must stand. Three strips were cut:
//!
//! ```text
//!   y 100 +------------------------+-------+
//!         |  S3  150 x 20          | lake  |
//!      80 +------------------------+-+     |
//!         |  P3  153 x 20            | 3 m in the lake
//!      60 +------------------------+-+     |   lake from y 58
//!         |  S2  200 x 10                  |
//!      50 +--------------------------------+--+
//!         |  P2  204 x 20                     | 4 m outside
//!      30 +--------------------------------+--+
//!         |  S1  200 x 10                  |
//!      20 +--------------------------------+
//!         |  P1  200 x 20                  |
//!       0 +--------------------------------+
//! ```
//!
//! Gross 20 000 m², lake 2 100, net 17 900. Cut of the net: 4 000 + 4 000 + 150 x 20 = 11 000, so 6 900 stand: 38.547 %, short
//! by 1.453 %. The cut was measured to 2.4477 m at 95 % too, 1 m; a figure is known to 1.95996 standard errors to both sides.
//!
//! Outside: 4 m, by the cut and the outline: 1.95996 x root of (1 + 1) = 2.7718 m. Fails.
//! Lake: 3 m deep, 1.95996 m. Fails.
//!
//! Share, all of the cut off by the same: edges of what stands that are the cut's face south with 200 m (S1), 200 m (S2) and 150 m
//! (S3) and north with 200 m (S1) and 150 m (S2). A shift by 1 m changes 200 m²: 1.1173 %, to both sides 2.1899 %. Cannot be told.
//!
//! Share, each corner off by itself: a quarter of the squared chord beside each corner on the cut's outline.
//! S1: 4 x (200² + 10²). S2: (0, 50) with 200² + 10², (200, 50) with 200² + 8², (150, 60) with 150² + 2², (0, 60) with
//! 150² + 10². S3: (0, 80) and (150, 80) with 150² + 20². Sum 160 400 + 125 268 + 45 800 = 331 468, a quarter 82 867, root
//! 287.87 m²: 1.6082 %, to both sides 3.1520 %.
//!
//! All lengths are those of the grid; on the ground they are longer by the grid's scale there, 0.9996.

use std::path::Path;

use crate::run_binary::{Ended, UTM, collection, feature, rectangle, run, write};
use serde_json::Value;

/// Grid metres to ground metres.
const K: f64 = 1.0 / 0.9996;
const WIDE: f64 = 1.959_964;

pub fn project(folder: &Path, lake: &str) {
    let block = [feature(
        r#"{"BLOCK": "A"}"#,
        &rectangle(0.0, 0.0, 200.0, 100.0),
    )];
    write(folder, "blocks.geojson", &collection(UTM, &block));
    let water = [feature(
        r#"{"LAKE": "L-1"}"#,
        &rectangle(150.0, 58.0, 200.0, 100.0),
    )];
    write(folder, "lakes.geojson", &collection(UTM, &water));
    let cut = [
        rectangle(0.0, 0.0, 200.0, 20.0),
        rectangle(0.0, 30.0, 204.0, 50.0),
        rectangle(0.0, 60.0, 153.0, 80.0),
    ];
    let cut = cut.map(|shape| feature(r#"{"block_id": "A"}"#, &shape));
    write(folder, "cut.geojson", &collection(UTM, &cut));
    let text = format!(
        "[project]\nname = \"by hand\"\ncrs = \"EPSG:32616\"\n\n[layers.blocks]\nsource = \"blocks.geojson\"\nid = \"BLOCK\"\n\
         accuracy = {{ value = \"2.4477 m\" }}\naccuracy_confidence = \"95 %\"\naccuracy_source = \"report (invented)\"\n\n\
         [layers.lakes]\nsource = \"lakes.geojson\"\nid = \"LAKE\"\n{lake}\n\n\
         [rules]\npreset = \"bare\"\nretention_share = {{ value = \"40 %\", source = \"permit (invented)\" }}\n"
    );
    write(folder, "project.toml", &text);
}

pub fn audit(folder: &Path, out: &str, how: &[&str]) -> Ended {
    let start = [
        "audit",
        "project.toml",
        "--as-cut",
        "cut.geojson",
        "--out",
        out,
    ];
    run(folder, &[&start[..], how].concat())
}

fn audited(folder: &Path, out: &str, how: &[&str]) -> Vec<Value> {
    let ended = audit(folder, out, &[&["--quiet"], how].concat());
    assert!(matches!(ended.code, 0 | 3), "{}", ended.stderr);
    let text = std::fs::read_to_string(folder.join(out).join("compliance.json")).unwrap();
    let read: Value = serde_json::from_str(&text).unwrap();
    read["rows"].as_array().unwrap().clone()
}

fn row<'r>(rows: &'r [Value], id: &str) -> &'r Value {
    let found = rows
        .iter()
        .find(|row| row["rule_id"].as_str().unwrap().starts_with(id));
    found.unwrap_or_else(|| panic!("{id} among {rows:#?}"))
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

pub const MAPPED: &str = "accuracy = { value = \"0 m\" }\naccuracy_confidence = \"95 %\"\naccuracy_source = \"the approved map (invented)\"";
pub const STATED: [&str; 4] = [
    "--accuracy",
    "2.4477 m",
    "--accuracy-source",
    "receiver's sheet (invented)",
];

#[test]
fn an_audit_has_the_figures_worked_out_on_paper() {
    let temp = tempfile::tempdir().unwrap();
    let folder = temp.path();
    project(folder, MAPPED);
    let shared = audited(
        folder,
        "shared",
        &[&STATED[..], &["--errors", "shared"]].concat(),
    );

    let outside = row(&shared, "inside-block");
    near(outside, "measured", 4.0 * K, 0.001);
    near(outside, "error", WIDE * 2f64.sqrt(), 1e-4);
    assert_eq!(outside["status"], "fail");
    assert_eq!(
        outside["message"].as_str().unwrap().split(';').next(),
        Some("short by 4.00 m ± 2.77 m, beyond doubt at 95 %")
    );

    let lake = row(&shared, "reserve:");
    near(lake, "short", 3.0 * K, 0.005);
    near(lake, "error", WIDE, 1e-4);
    assert_eq!(lake["status"], "fail");

    let share = row(&shared, "retention-share");
    near(share, "measured", 6.9 / 17.9, 1e-6);
    near(share, "short", 0.4 - 6.9 / 17.9, 1e-6);
    near(share, "error", WIDE * 200.0 / 17_900.0 / K, 1e-5);
    assert_eq!(share["status"], "unknown");
    assert_eq!(
        share["message"],
        "cannot be told at 95 %: short by 1.45 % ± 2.19 %"
    );
    assert_eq!(share["tolerance"], Value::Null);

    let independent = audited(
        folder,
        "independent",
        &[&STATED[..], &["--errors", "independent"]].concat(),
    );
    let share = row(&independent, "retention-share");
    near(share, "error", WIDE * 82_867f64.sqrt() / 17_900.0 / K, 1e-5);
    // The deepest of several corners that are each off by themselves is less certain than one.
    assert!(row(&independent, "reserve:")["error"].as_f64().unwrap() > WIDE);

    // 68.27 % are one standard error to both sides.
    let one = [
        &STATED[..],
        &["--errors", "shared", "--confidence", "68.26895%"],
    ]
    .concat();
    near(
        row(&audited(folder, "one", &one), "reserve:"),
        "error",
        1.0,
        1e-4,
    );
}

#[test]
fn what_nobody_states_is_never_beyond_doubt() {
    let temp = tempfile::tempdir().unwrap();
    let folder = temp.path();
    project(folder, "");
    let stated = audited(folder, "lake", &STATED);
    let lake = row(&stated, "reserve:");
    assert_eq!(lake["status"], "unknown");
    assert!(
        lake["message"]
            .as_str()
            .unwrap()
            .contains("feature L-1 may lie"),
        "{lake}"
    );
    assert_eq!(lake["error"], Value::Null);
    // The outline's own accuracy is stated.
    assert_eq!(row(&stated, "inside-block")["status"], "fail");

    for how in ["unknown", "survey"] {
        let unknown = audited(folder, how, &["--accuracy", how]);
        let failing: Vec<&Value> = unknown
            .iter()
            .filter(|row| row["status"] == "fail")
            .collect();
        assert!(failing.is_empty(), "{failing:#?}");
    }
    // A tolerance keeps its meaning: 2 m to the worse side along all edges of what stands.
    let tolerance = audited(folder, "tolerance", &["--tolerance", "2"]);
    let share = row(&tolerance, "retention-share");
    // S2 has the step at the lake.
    let around = 2.0 * (210.0 + 210.0 + 170.0);
    near(share, "tolerance", 2.0 * around / 17_900.0 / K, 1e-5);
    assert_eq!(share["status"], "warn");
    for bad in [
        &["--accuracy", "2 m", "--tolerance", "2"][..],
        &["--accuracy", "good"],
        &["--errors", "shared"],
    ] {
        assert_eq!(audit(folder, "bad", bad).code, 2, "{bad:?}");
    }
}
