//! What the layout plans is what everybody after it can use: every section has its line, the demo's crew gets its shifts,
//! and who cuts or drives exactly as planned is told that nothing is wrong.

use crate::measured;
use crate::run_binary;
use crate::size;
use crate::sources_support;

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use measured::{Layers, Row, read, read_as_written};
use run_binary::{files, run};
use serde_json::{Value, json};
use sources_support::shared;

/// Blocks of the default demo and of other seeds of the same size whose passes and clearings fall into several pieces.
const IN_PIECES: [(u32, &[&str]); 4] = [
    (1, &["D07-0035", "D07-0046"]),
    (2, &["D07-0025", "D07-0055", "D07-0056"]),
    (3, &["D07-0011", "D07-0049"]),
    (11, &["D07-0053"]),
];

/// A district of 60 blocks, laid out as far as `only` says, without what nobody reads here.
fn district(folder: &Path, seed: u32, only: &[&str], more: &str) {
    let seed = seed.to_string();
    let demo = ["demo", "--out", ".", "--blocks", "60", "--seed", &seed];
    let ended = run(
        folder,
        &[&demo[..], &["--district-only", "--quiet"]].concat(),
    );
    assert_eq!(ended.code, 0, "{}", ended.stderr);
    let path = folder.join("project.toml");
    let text = std::fs::read_to_string(&path).unwrap();
    let lean = "\n[outputs]\nmaps = false\nreport = false\nsheets = false\nexchange = []\n";
    std::fs::write(&path, text + lean + more).unwrap();
    let only = only.join(",");
    let mut arguments = vec!["layout", "project.toml", "--out", "plan", "--quiet"];
    if !only.is_empty() {
        arguments.extend(["--only", &only]);
    }
    let ended = run(folder, &arguments);
    assert!(matches!(ended.code, 0 | 3), "{}", ended.stderr);
}

fn piece(row: &Row) -> (String, [i64; 3]) {
    let number = |key: &str| row.whole(key);
    let id = [number("part"), number("strip_no"), number("piece")];
    (row.text("block_id").to_owned(), id)
}

fn json_of(path: &Path) -> Value {
    serde_json::from_str(&std::fs::read_to_string(path).unwrap()).unwrap()
}

/// Plans all of a layout with the demo's crew: nothing is set aside and every hour is there.
fn every_section_is_planned(folder: &Path, layers: &Layers) {
    let lines: BTreeSet<_> = layers["strip_lines"].iter().map(piece).collect();
    for layer in ["sections", "strips"] {
        let lineless: Vec<_> = layers[layer]
            .iter()
            .map(piece)
            .filter(|id| !lines.contains(id))
            .collect();
        assert_eq!(lineless, [], "{layer}");
    }
    // In winter, when frozen ground is open and nothing nests.
    let crew = ["--crew", "crew.toml", "--from", "2026-11-16"];
    let (days, out) = (["--days", "120"], ["--out", "shifts"]);
    let ended = run(
        folder,
        &[&["dispatch", "plan"], &crew[..], &days, &out].concat(),
    );
    assert!(
        matches!(ended.code, 0 | 3),
        "{}{}",
        ended.stdout,
        ended.stderr
    );
    let schedule = json_of(&folder.join("shifts/schedule.json"));
    assert_eq!(schedule["set_aside"], json!([]), "{}", ended.stdout);
    let mut planned: BTreeMap<(String, [i64; 3]), f64> = BTreeMap::new();
    for task in schedule["tasks"].as_array().unwrap() {
        if task["task"] == "cut" {
            let number = |key: &str| task["section"][key].as_i64().unwrap();
            let id = [number("part"), number("strip_no"), number("piece")];
            let block = task["block_id"].as_str().unwrap().to_owned();
            *planned.entry((block, id)).or_default() += task["layout_hours"].as_f64().unwrap();
        }
    }
    let mut wanted: BTreeMap<(String, [i64; 3]), f64> = BTreeMap::new();
    for row in &layers["sections"] {
        *wanted.entry(piece(row)).or_default() += row.number("scheduled_hours").unwrap();
    }
    assert_eq!(schedule["hours_left"], 0.0, "{}", ended.stdout);
    for (id, hours) in wanted {
        let found = planned.get(&id).copied().unwrap_or(0.0);
        assert!(
            (found - hours).abs() < 0.01 + 1e-3 * hours,
            "{id:?} {found} {hours}"
        );
    }
}

#[test]
fn the_default_demo_is_dispatched_by_its_own_crew() {
    let temp = tempfile::tempdir().unwrap();
    let some: Vec<String> = (1..=6).map(|block| format!("D07-{block:04}")).collect();
    let some: Vec<&str> = some.iter().map(String::as_str).collect();
    let only = if size::is_whole() { &[][..] } else { &some };
    district(temp.path(), 7, only, "bunches = false\n");
    every_section_is_planned(temp.path(), &read(&temp.path().join("plan/layout.gpkg")));
}

#[test]
fn passes_and_clearings_in_pieces_are_dispatched() {
    for (seed, blocks) in IN_PIECES.into_iter().take(size::of(1, IN_PIECES.len())) {
        let temp = tempfile::tempdir().unwrap();
        district(temp.path(), seed, blocks, "bunches = false\n");
        every_section_is_planned(temp.path(), &read(&temp.path().join("plan/layout.gpkg")));
    }
}

/// Blocks with corridors that end in a wedge, narrow scraps at brinks, near-edge passes and roads along and through them.
const AS_PLANNED: [&str; 6] = [
    "D07-0037", "D07-0050", "D07-0053", "D07-0059", "D07-0017", "D07-0034",
];

fn geojson(features: &[(String, String)]) -> String {
    let features: Vec<String> = (features.iter())
        .map(|(properties, geometry)| run_binary::feature(properties, geometry))
        .collect();
    run_binary::collection(run_binary::UTM, &features)
}

/// A line as a track without times: a place at least every 5 m.
fn driven(row: &Row) -> Vec<[f64; 2]> {
    let line = row.geometry();
    let places: Vec<(f64, f64, f64)> = (0..line.point_count() as i32)
        .map(|at| line.get_point(at))
        .collect();
    let mut fixes = vec![];
    for w in places.windows(2) {
        let (x, y) = (w[1].0 - w[0].0, w[1].1 - w[0].1);
        let steps = (x.hypot(y) / 5.0).ceil().max(1.0) as u32;
        fixes.extend((0..steps).map(|step| {
            let share = f64::from(step) / f64::from(steps);
            [w[0].0 + share * x, w[0].1 + share * y]
        }));
    }
    let last = places[places.len() - 1];
    fixes.push([last.0, last.1]);
    fixes
}

fn tracks(lines: &[Vec<[f64; 2]>]) -> String {
    let lines: Vec<(String, String)> = (1..)
        .zip(lines)
        .map(|(number, line): (u32, _)| {
            let geometry = json!({ "type": "LineString", "coordinates": line });
            (format!("{{\"track\": {number}}}"), geometry.to_string())
        })
        .collect();
    geojson(&lines)
}

struct Audited {
    rows: Vec<Value>,
}

impl Audited {
    fn of(folder: &Path, name: &str, more: &[&str]) -> Audited {
        let arguments = ["audit", "project.toml", "--out", name, "--quiet"];
        let ended = run(folder, &[&arguments[..], more].concat());
        assert!(matches!(ended.code, 0 | 3), "{name} {}", ended.stderr);
        let report = json_of(&folder.join(name).join("compliance.json"));
        Audited {
            rows: report["rows"].as_array().unwrap().clone(),
        }
    }

    /// Rows of a rule, or of all rules of a kind as `reserve:`.
    fn of_rule<'a>(&'a self, rule: &'a str) -> impl Iterator<Item = &'a Value> {
        let is = move |row: &&Value| {
            let id = row["rule_id"].as_str().unwrap();
            id == rule || (rule.ends_with(':') && id.starts_with(rule))
        };
        self.rows.iter().filter(is)
    }

    fn all_pass(&self, name: &str, rule: &str) {
        let bad: Vec<&Value> = self
            .of_rule(rule)
            .filter(|row| row["status"] != "pass")
            .collect();
        assert_eq!(bad, [] as [&Value; 0], "{name} {rule}");
        assert!(self.of_rule(rule).count() > 0, "{name} {rule}");
    }
}

#[test]
fn who_cuts_and_drives_exactly_as_planned_is_told_so() {
    let temp = tempfile::tempdir().unwrap();
    let folder = temp.path();
    district(folder, 7, &AS_PLANNED, "bunches = false\n");
    let layers = read_as_written(&folder.join("plan/layout.gpkg"));
    let only = AS_PLANNED.join(",");
    let only = ["--only", &only];
    let plan = ["--plan", "plan/layout.gpkg"];

    // What of the plan itself is wrong stays wrong: one block owes more in a management zone than it can keep.
    let planned = Audited::of(folder, "planned", &[&plan[..], &only].concat());
    let failing = |audited: &Audited| -> BTreeSet<(String, String)> {
        let rows = audited.rows.iter().filter(|row| row["status"] == "fail");
        rows.map(|row| (row["block_id"].to_string(), row["rule_id"].to_string()))
            .collect()
    };
    let cut: Vec<(String, String)> = (layers["strips"].iter())
        .map(|row| {
            let block = json!({ "block_id": row.text("block_id") });
            (block.to_string(), row.geometry().json().unwrap())
        })
        .collect();
    std::fs::write(folder.join("cut.geojson"), geojson(&cut)).unwrap();
    let exactly = ["--tolerance", "0", "--as-cut", "cut.geojson"];
    let polygons = Audited::of(folder, "polygons", &[&exactly[..], &only].concat());
    polygons.all_pass("polygons", "corridor-width");
    polygons.all_pass("polygons", "inside-block");
    assert_eq!(failing(&polygons), failing(&planned));

    let lines: Vec<Vec<[f64; 2]>> = layers["strip_lines"].iter().map(driven).collect();
    std::fs::write(folder.join("driven.geojson"), tracks(&lines)).unwrap();
    let exactly = ["--tolerance", "0.05", "--as-cut", "driven.geojson"];
    let by_plan = Audited::of(folder, "by_plan", &[&exactly[..], &only, &plan].concat());
    for rule in ["inside-block", "cut-beyond-plan", "reserve:"] {
        let bad = by_plan.of_rule(rule).filter(|row| {
            !matches!(row["status"].as_str(), Some("pass" | "warn"))
                || row["short"].as_f64() > Some(0.001)
        });
        assert_eq!(bad.collect::<Vec<_>>(), [] as [&Value; 0], "{rule}");
    }
    by_plan.all_pass("by_plan", "inside-block");
    by_plan.all_pass("by_plan", "cut-beyond-plan");
    assert_eq!(by_plan.of_rule("track-ends").count(), 0);
    assert_eq!(failing(&by_plan), failing(&planned));

    // Nor with fixes that may each be off by metres: those on planned lines stay where they are.
    let stated = [
        "--accuracy",
        "5 m",
        "--errors",
        "independent",
        "--as-cut",
        "driven.geojson",
    ];
    let stated = Audited::of(folder, "stated", &[&stated[..], &only, &plan].concat());
    assert_eq!(failing(&stated).difference(&failing(&planned)).count(), 0);
    for rule in ["inside-block", "reserve:"] {
        let bad = stated
            .of_rule(rule)
            .filter(|row| row["short"].as_f64() > Some(0.05));
        assert_eq!(bad.collect::<Vec<_>>(), [] as [&Value; 0], "{rule}");
    }

    // Without the plan nobody knows what was cut to the sides and ahead: that is said, and is no failure.
    let exactly = ["--tolerance", "2", "--as-cut", "driven.geojson"];
    let alone = Audited::of(folder, "alone", &[&exactly[..], &only].concat());
    for rule in ["inside-block", "reserve:"] {
        let failing = alone.of_rule(rule).filter(|row| row["status"] == "fail");
        assert_eq!(failing.collect::<Vec<_>>(), [] as [&Value; 0], "{rule}");
    }
    assert!(
        alone
            .of_rule("inside-block")
            .any(|row| row["status"] == "unknown")
    );
    assert!(
        alone
            .of_rule("track-ends")
            .all(|row| row["status"] == "unknown")
    );
    assert!(alone.of_rule("track-ends").count() > 0);

    // A machine that goes 12 m beyond the end of a line of its plan is found, plan or no plan.
    let outline = &layers["blocks"]
        .iter()
        .find(|row| row.text("block_id") == AS_PLANNED[0])
        .unwrap()
        .geometry();
    let (mut astray, deepest_m) = (lines.clone(), 12.0);
    let place = layers["strip_lines"]
        .iter()
        .zip(&lines)
        .filter(|(row, _)| {
            row.text("block_id") == AS_PLANNED[0] && row.text("kind") == "boundary_pass"
        })
        .find_map(|(_, line)| {
            let [a, b] = [line[0], line[1]];
            let (x, y) = (b[0] - a[0], b[1] - a[1]);
            let long_m = x.hypot(y);
            // Square to the pass, out over the edge that runs half a strip beside it.
            [1.0, -1.0].into_iter().find_map(|side| {
                let at = |off_m: f64| {
                    [
                        a[0] - side * y / long_m * off_m,
                        a[1] + side * x / long_m * off_m,
                    ]
                };
                let out = at(8.3952 + deepest_m);
                let mut point =
                    gdal::vector::Geometry::empty(gdal::vector::OGRwkbGeometryType::wkbPoint)
                        .unwrap();
                point.add_point_2d((out[0], out[1]));
                let off_m = measured::distance(outline, &point);
                ((off_m - deepest_m).abs() < 0.5).then(|| {
                    (0..=20)
                        .map(|k| at(f64::from(k) * (8.3952 + deepest_m) / 20.0))
                        .collect::<Vec<_>>()
                })
            })
        });
    astray.push(place.expect("a straight pass along an edge"));
    std::fs::write(folder.join("astray.geojson"), tracks(&astray)).unwrap();
    let exactly = [
        "--tolerance",
        "2",
        "--as-cut",
        "astray.geojson",
        "--only",
        AS_PLANNED[0],
    ];
    for more in [&[][..], &plan] {
        let astray = Audited::of(folder, "astray", &[&exactly[..], more].concat());
        let row = astray.of_rule("inside-block").next().unwrap();
        assert_eq!(row["status"], "fail", "{more:?} {row}");
        let short = row["short"].as_f64().unwrap();
        assert!((short - deepest_m).abs() < 0.6, "{more:?} {row}");
    }
}

/// The last segment of a line is not lost among others (a real wood and the roads around it; not ours to copy).
#[test]
fn a_layout_of_a_real_place_keeps_its_own_reach() {
    let Some(project) = shared("data/found/reach/reach_repro.toml") else {
        return;
    };
    let temp = tempfile::tempdir().unwrap();
    let project = project.canonicalize().unwrap();
    let project = project.to_str().unwrap();
    let ended = run(
        temp.path(),
        &["layout", project, "--out", "plan", "--quiet"],
    );
    assert!(matches!(ended.code, 0 | 3), "{}", ended.stderr);
    let report = json_of(&temp.path().join("plan/compliance.json"));
    let rows = report["rows"].as_array().unwrap();
    let reach: Vec<&Value> = rows
        .iter()
        .filter(|row| row["rule_id"] == "reach")
        .collect();
    assert!(!reach.is_empty());
    for row in reach {
        assert_eq!(row["status"], "pass", "{row}");
    }
    assert!(files(&temp.path().join("plan")).contains_key("layout.gpkg"));
}
