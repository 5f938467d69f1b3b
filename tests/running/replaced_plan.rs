//! A plan in the place of another: what changed, which sheets hold, and what was done under the old names.

use crate::run_binary;

use std::collections::BTreeMap;
use std::io::Read;
use std::path::Path;

use gdal::vector::{Geometry, LayerAccess};
use geo::Coord;
use run_binary::{Ended, UTM, collection, feature, files, run, small_project, table, write};
use serde_json::Value;

fn lay_out(folder: &Path, out: &str, more: &[&str]) -> Ended {
    let arguments = [&["layout", "project.toml", "--out", out, "-q"][..], more].concat();
    let ended = run(folder, &arguments);
    assert!(matches!(ended.code, 0 | 3), "{out}: {}", ended.stderr);
    ended
}

/// One note, as a file of GeoJSON.
fn note(folder: &Path, kind: &str, x: f64, y: f64) {
    let at = Coord {
        x: 500_000.0 + x,
        y: 5_400_000.0 + y,
    };
    let point = format!(
        r#"{{"type": "Point", "coordinates": [{}, {}]}}"#,
        at.x, at.y
    );
    let note = feature(&format!(r#"{{"name": "{kind} 1"}}"#), &point);
    write(folder, "notes.geojson", &collection(UTM, &[note]));
}

fn json(folder: &Path, name: &str) -> Value {
    serde_json::from_slice(&std::fs::read(folder.join(name)).unwrap()).unwrap()
}

/// What a sheet's drawing holds, unpacked.
fn drawing(path: &Path) -> String {
    let bytes = std::fs::read(path).unwrap();
    let start = bytes.windows(8).position(|w| w == b"stream\n\x78").unwrap() + 7;
    let mut text = Vec::new();
    let _ = flate2::read::ZlibDecoder::new(&bytes[start..]).read_to_end(&mut text);
    let text: String = text.iter().map(|&byte| char::from(byte)).collect();
    // Strings with signs beyond ASCII are written in hexadecimal.
    let mut told = text.clone();
    for part in text.split('<').skip(1) {
        let digits = part.split('>').next().unwrap();
        let bytes = (0..digits.len() / 2)
            .filter_map(|at| u8::from_str_radix(digits.get(2 * at..2 * at + 2)?, 16).ok());
        told.extend(bytes.map(char::from));
        told.push('\n');
    }
    told
}

fn ids(list: &Value) -> Vec<&str> {
    let list = list.as_array().unwrap().iter();
    list.map(|row| row["block_id"].as_str().unwrap()).collect()
}

const FIRST: [&str; 4] = ["--plan-number", "1", "--plan-date", "2031-01-10"];
const SECOND: [&str; 8] = [
    "--plan-number",
    "2",
    "--plan-date",
    "2031-02-05",
    "--replaces",
    "one",
    "--notes",
    "notes.geojson",
];

#[test]
fn what_changed_is_told_and_sheets_of_blocks_without_news_hold() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    small_project(folder);
    note(folder, "Nest", 150.0, 100.0);
    lay_out(folder, "one", &FIRST);
    lay_out(folder, "two", &SECOND);
    let (one, two) = (files(&folder.join("one")), files(&folder.join("two")));
    assert!(one["sheets/A-2.pdf"] == two["sheets/A-2.pdf"]);
    assert!(one["sheets/A-1.pdf"] != two["sheets/A-1.pdf"]);
    let old = drawing(&folder.join("two/sheets/A-2.pdf"));
    assert!(old.contains("Plan 1 of 2031-01-10") && !old.contains("replaces"));
    let new = drawing(&folder.join("two/sheets/A-1.pdf"));
    assert!(new.contains("Plan 2 of 2031-02-05"));
    assert!(new.contains("replaces Plan 1 of 2031-01-10"));
    let changes = json(folder, "two/changes.json");
    assert_eq!(
        changes["sheets_to_print"],
        serde_json::json!(["sheets/A-1.pdf"])
    );
    assert_eq!(changes["sheets_replaced"][0]["plan"]["number"], 1);
    assert_eq!(ids(&changes["blocks"]), ["A-1"]);
    assert_eq!(changes["blocks_without_news"], 1);
    let block = &changes["blocks"][0];
    let rows = block["ground"].as_array().unwrap();
    let area = |of: &dyn Fn(&Value) -> bool| -> f64 {
        let own = rows.iter().filter(|row| of(row));
        own.map(|row| row["area_ha"].as_f64().unwrap()).sum()
    };
    // A circle of 60 m, wholly in the block, that was none of the reserve.
    let circle_ha = std::f64::consts::PI * 0.36;
    let kept_ha = area(&|row| row["to"] == "reserve");
    assert!(
        (kept_ha / circle_ha - 1.0).abs() < 0.01,
        "{kept_ha} {circle_ha}"
    );
    // What goes over to be cut, less what is cut no more, is what is cut more.
    let is_cut = |key: &Value| key.as_str().unwrap().starts_with("cut_by");
    let more_ha = area(&|row| is_cut(&row["to"]) && !is_cut(&row["from"]))
        - area(&|row| is_cut(&row["from"]) && !is_cut(&row["to"]));
    let figure = |name: &str| {
        let mut all = block["figures"].as_array().unwrap().iter();
        let row = all.find(|row| row["figure"] == name).unwrap();
        [&row["before"], &row["after"]].map(|value| value.as_f64().unwrap())
    };
    let [before, after] = figure("cut_ha");
    assert!(
        (after - before - more_ha).abs() < 0.03,
        "{before} {after} {more_ha}"
    );
    for (out, value) in [("one", before), ("two", after)] {
        let rows = table(&folder.join(out).join("blocks.csv"));
        let row = rows.iter().find(|row| row["block_id"] == "A-1").unwrap();
        assert!((row["cut_ha"].parse::<f64>().unwrap() - value).abs() < 1e-5);
    }
    let new: Vec<&str> = (block["findings_new"].as_array().unwrap().iter())
        .map(|row| row["rule_id"].as_str().unwrap())
        .collect();
    assert!(new.contains(&"field-note"), "{new:?}");
    let list = String::from_utf8(two["changes.md"].clone()).unwrap();
    for told in [
        "# What changed: plan 2 of 2031-02-05 in place of plan 1 of 2031-01-10",
        "- sheets/A-1.pdf replaces that of plan 1 of 2031-01-10",
        "Blocks with news: 1. Blocks without: 1",
        "| cut by day | reserve |",
    ] {
        assert!(list.contains(told), "{told}: {list}");
    }
    let map = String::from_utf8(two["changes/A-1.svg"].clone()).unwrap();
    roxmltree::Document::parse(&map).unwrap();
    assert!(map.contains("cut by day → reserve"));
    assert!(!two.contains_key("changes/A-2.svg"));
    assert_eq!(run(folder, &["verify", "two"]).code, 0);
}

#[test]
fn a_sheet_keeps_the_number_of_the_plan_that_last_changed_it() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    small_project(folder);
    note(folder, "Nest", 150.0, 100.0);
    // The first plan had no number.
    lay_out(folder, "one", &[]);
    lay_out(folder, "two", &SECOND);
    let third = [
        "--plan-number",
        "3",
        "--replaces",
        "two",
        "--notes",
        "notes.geojson",
    ];
    lay_out(folder, "three", &third);
    let [one, two, three] = ["one", "two", "three"].map(|out| files(&folder.join(out)));
    assert!(one["sheets/A-2.pdf"] == three["sheets/A-2.pdf"]);
    assert!(two["sheets/A-1.pdf"] == three["sheets/A-1.pdf"]);
    let changes = json(folder, "three/changes.json");
    assert_eq!(changes["blocks"], serde_json::json!([]));
    assert_eq!(changes["blocks_without_news"], 2);
    let list = String::from_utf8(three["changes.md"].clone()).unwrap();
    assert!(list.contains("No sheet has to be printed anew."), "{list}");
    let plans = json(folder, "three/plan.json");
    assert_eq!(plans["plan"]["number"], 3);
    assert_eq!(plans["sheets"]["A-1"]["plan"]["number"], 2);
    assert_eq!(plans["sheets"]["A-2"]["plan"], Value::Null);
    // A layer that is another file, but says the same of the block, makes no sheet another.
    let roads = std::fs::read_to_string(folder.join("roads.geojson")).unwrap();
    write(folder, "roads.geojson", &(roads + "\n"));
    lay_out(
        folder,
        "four",
        &[&third[..3], &["three"], &third[4..]].concat(),
    );
    assert!(files(&folder.join("four"))["sheets/A-1.pdf"] == two["sheets/A-1.pdf"]);
}

#[test]
fn blocks_come_and_go_and_edges_move() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    small_project(folder);
    lay_out(folder, "one", &FIRST);
    let blocks = std::fs::read_to_string(folder.join("blocks.geojson")).unwrap();
    write(folder, "blocks.geojson", &blocks.replace("A-2", "B-7"));
    note(folder, "Corner", 280.0, 190.0);
    lay_out(folder, "two", &SECOND);
    let changes = json(folder, "two/changes.json");
    assert_eq!(changes["blocks_gone"], serde_json::json!(["A-2"]));
    assert_eq!(ids(&changes["blocks"]), ["A-1", "B-7"]);
    assert_eq!(changes["blocks"][1]["was_planned"], false);
    assert_eq!(changes["blocks"][1]["sheet"], "new");
    let ground = changes["blocks"][0]["ground"].as_array().unwrap();
    let outside = ground.iter().filter(|row| row["to"] == "outside");
    let lost_ha: f64 = outside.map(|row| row["area_ha"].as_f64().unwrap()).sum();
    // By hand: (0, 0), (300, 0), (280, 190), (0, 200) is 5.65 ha.
    assert!((lost_ha - 0.35).abs() < 0.01, "{lost_ha}");
    lay_out(folder, "only", &[&SECOND[..], &["--only", "B-7"]].concat());
    let changes = json(folder, "only/changes.json");
    assert_eq!(changes["blocks_not_planned"], serde_json::json!(["A-1"]));
}

#[test]
fn the_list_is_french_where_sheets_are_and_numbers_may_stand_in_the_project() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    small_project(folder);
    note(folder, "Nid", 150.0, 100.0);
    let project = std::fs::read_to_string(folder.join("project.toml")).unwrap();
    let french = "\n[outputs]\nlanguage = \"fr\"\n";
    let project = project.replace(
        "[project]\n",
        "[project]\nplan_number = 7\nplan_date = \"2031-03-01\"\n",
    );
    write(folder, "project.toml", &format!("{project}{french}"));
    lay_out(folder, "one", &[]);
    lay_out(folder, "two", &SECOND);
    let list = std::fs::read_to_string(folder.join("two/changes.md")).unwrap();
    for told in [
        "# Ce qui a changé : plan 2 du 2031-02-05 au lieu de plan 7 du 2031-03-01",
        "remplace celle de plan 7 du 2031-03-01",
        "| coupé de jour | réserve |",
    ] {
        assert!(list.contains(told), "{told}: {list}");
    }
    let sheet = drawing(&folder.join("two/sheets/A-1.pdf"));
    assert!(sheet.contains("remplace Plan 7 du 2031-03-01"));
}

#[test]
fn what_cannot_be_set_beside_is_refused() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    small_project(folder);
    lay_out(folder, "one", &[]);
    let layout = ["layout", "project.toml", "-q", "--out"];
    let refused = |more: &[&str]| {
        let ended = run(folder, &[&layout[..], more].concat());
        assert!(matches!(ended.code, 1 | 2), "{more:?}: {}", ended.stderr);
        ended.stderr
    };
    assert!(refused(&["two", "--replaces", "none"]).contains("there is no such file"));
    assert!(refused(&["one", "--replaces", "one"]).contains("would replace it"));
    assert!(refused(&["two", "--plan-date", "2031-02-05"]).contains("--plan-number"));
    let project = std::fs::read_to_string(folder.join("project.toml")).unwrap();
    let with = |from: &str, to: &str| write(folder, "project.toml", &project.replace(from, to));
    with("EPSG:32616", "EPSG:32617");
    assert!(refused(&["two", "--replaces", "one"]).contains("another work CRS"));
    with("[project]", "[project]\nplan_date = \"2031-02-05\"");
    assert!(refused(&["two"]).contains("give `plan_number`, too"));
    with("[project]", "[project]\nplan_number = 0");
    assert!(refused(&["two"]).contains("must lie between 1 and"));
    assert!(!folder.join("two").exists());
}

const CREW: &str = r#"[crew]
time_zone = "America/Winnipeg"

[[shifts]]
name = "day"
from = "06:00"
to = "16:00"

[[shifts]]
name = "night"
from = "16:00"
to = "02:00"

[[machines]]
name = "feller 1"
"#;

#[test]
fn what_was_done_under_the_old_plan_is_done_on_its_ground() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    small_project(folder);
    write(folder, "crew.toml", CREW);
    lay_out(folder, "one", &[]);
    // A new reserve in the east: the block is laid out anew, and names may stand elsewhere.
    note(folder, "Nest", 240.0, 130.0);
    lay_out(folder, "two", &["--notes", "notes.geojson"]);
    let dispatch = |layout: &str, out: &str, more: &[&str]| {
        let all = [
            "dispatch",
            layout,
            "--crew",
            "crew.toml",
            "--from",
            "2031-02-10",
            "--days",
            "9",
            "--out",
            out,
        ];
        run(folder, &[&all[..], more].concat())
    };
    assert_eq!(dispatch("one", "first", &["-q"]).code, 0);
    let plan = json(folder, "first/schedule.json");
    let mut rows = "block_id,part,strip_no,piece,section_no\n".to_owned();
    for task in plan["tasks"].as_array().unwrap() {
        if task["task"] == "cut" && task["block_id"] == "A-1" {
            let of = &task["section"];
            rows += &format!(
                "A-1,{},{},{},{}\n",
                of["part"], of["strip_no"], of["piece"], of["section_no"]
            );
        }
    }
    write(folder, "done.csv", &rows);
    let ended = dispatch("two", "second", &["--done", "done.csv", "--done-of", "one"]);
    assert_eq!(ended.code, 0, "{}{}", ended.stdout, ended.stderr);
    let second = json(folder, "second/schedule.json");
    // All of the block that was to be cut is done; the new plan cuts nothing that the old one did not, but for corridors.
    let left_h: f64 = (second["tasks"].as_array().unwrap().iter())
        .filter(|task| task["task"] == "cut" && task["block_id"] == "A-1")
        .map(|task| task["layout_hours"].as_f64().unwrap())
        .sum();
    let all_h = table(&folder.join("two/blocks.csv"))
        .iter()
        .filter(|row| row["block_id"] == "A-1")
        .map(|row| {
            let hours = |key: &str| row[key].parse::<f64>().unwrap();
            hours("scheduled_day_hours") + hours("scheduled_night_hours")
        })
        .sum::<f64>();
    assert!(left_h < 0.2 * all_h, "{left_h} {all_h}");
    let done_h = second["done_before"]["hours"].as_f64().unwrap();
    assert!(
        (done_h + left_h - all_h).abs() < 0.02,
        "{done_h} {left_h} {all_h}"
    );
    // By name, rows of sections that are gone are told and counted, and the rest is planned.
    let rows = format!("{rows}A-1,1,99,1,1\nC-3,1,1,1,1\n");
    write(folder, "done.csv", &rows);
    let ended = dispatch("two", "third", &["--done", "done.csv"]);
    assert_eq!(ended.code, 3, "{}", ended.stderr);
    assert!(
        ended
            .stdout
            .contains("row(s) of finished sections are of none that this layout has"),
        "{}",
        ended.stdout
    );
    let elsewhere = json(folder, "third/schedule.json")["done_before"]["rows_elsewhere"].as_u64();
    assert!(elsewhere.unwrap() >= 2);
    // Its own ground, by name or by place, is the same.
    write(folder, "done.csv", &rows[..rows.find("A-1,1,99").unwrap()]);
    let [by_name, by_ground] = [
        &["--done", "done.csv", "-q"][..],
        &["--done", "done.csv", "--done-of", "one", "-q"],
    ]
    .map(|more| {
        let out = format!("own{}", more.len());
        assert_eq!(dispatch("one", &out, more).code, 0);
        json(folder, &format!("{out}/schedule.json"))
    });
    assert_eq!(
        by_name["done_before"]["sections"],
        by_ground["done_before"]["sections"]
    );
    assert_eq!(by_name["tasks"], by_ground["tasks"]);
}

/// By block and name, the ground of every strip.
fn strips(out: &Path) -> BTreeMap<(String, [i64; 3]), Vec<Geometry>> {
    let data = gdal::Dataset::open(out.join("layout.gpkg")).unwrap();
    let mut layer = data.layer_by_name("strips").unwrap();
    let defn = layer.defn();
    let [block, part, strip, piece] =
        ["block_id", "part", "strip_no", "piece"].map(|name| defn.field_index(name).unwrap());
    let mut found: BTreeMap<_, Vec<Geometry>> = BTreeMap::new();
    for row in layer.features() {
        let name = row.field_as_string(block).unwrap().unwrap();
        let id = [part, strip, piece].map(|at| row.field_as_integer64(at).unwrap().unwrap());
        let shape = row.geometry().unwrap().clone();
        found.entry((name, id)).or_default().push(shape);
    }
    found
}

/// The story of docs/after-the-plan.md: from plan to plan all that is left to be cut has the name and the place that it had in the
/// first one (GEOS measures), and a plan in shares is the same.
#[test]
fn strips_of_a_half_cut_block_keep_their_names_from_plan_to_plan() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    let story = Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/after_the_plan");
    for file in std::fs::read_dir(story).unwrap() {
        let from = file.unwrap().path();
        std::fs::copy(&from, folder.join(from.file_name().unwrap())).unwrap();
    }
    let cut = ["--cut", "cut.geojson"];
    let nest = [&cut[..], &["--notes", "nest.gpx"]].concat();
    let line = [&nest[..], &["--notes", "line.gpx"]].concat();
    lay_out(folder, "one", &[]);
    lay_out(folder, "two", &[&["--replaces", "one"], &cut[..]].concat());
    lay_out(
        folder,
        "three",
        &[&["--replaces", "two"], &nest[..]].concat(),
    );
    lay_out(
        folder,
        "four",
        &[&["--replaces", "three"], &line[..]].concat(),
    );
    let first = strips(&folder.join("one"));
    let moved = |out: &str| -> f64 {
        let now = strips(&folder.join(out));
        assert!(now.keys().any(|(block, _)| block == "N-1"), "{out}");
        let each = now.iter().flat_map(|(name, shapes)| {
            let before = first.get(name).map_or(&[][..], Vec::as_slice);
            shapes.iter().map(|shape| {
                let whole = before.iter().fold(shape.clone(), |rest, own| {
                    rest.difference(own).expect("GEOS")
                });
                whole.area()
            })
        });
        each.fold(0.0, f64::max)
    };
    for out in ["two", "three", "four"] {
        assert!(moved(out) < 0.01, "{out}: {} m2", moved(out));
    }
    // Without the earlier plan nobody knows what came first.
    lay_out(folder, "anew", &nest);
    assert!(moved("anew") > 100.0, "{}", moved("anew"));
    let told = |out: &str| {
        let data = gdal::Dataset::open(folder.join(out).join("layout.gpkg")).unwrap();
        let mut layer = data.layer_by_name("findings").unwrap();
        layer
            .set_attribute_filter("rule_id = 'came-later'")
            .unwrap();
        layer.feature_count()
    };
    assert_eq!(["three", "four", "anew"].map(told), [1, 1, 0]);
    for out in ["two", "three", "four"] {
        let rows = table(&folder.join(out).join("compliance.csv"));
        let failed: Vec<_> = rows.iter().filter(|row| row["status"] == "fail").collect();
        assert!(failed.is_empty(), "{out}: {failed:?}");
    }
    for (out, share) in [("half", "1/2"), ("rest", "2/2")] {
        lay_out(
            folder,
            out,
            &[&["--replaces", "three", "--share", share], &line[..]].concat(),
        );
    }
    let gather = [
        "gather",
        "half",
        "rest",
        "--out",
        "joined",
        "-q",
        "--replaces",
        "three",
    ];
    let ended = run(folder, &[&gather[..], &line[..]].concat());
    assert!(matches!(ended.code, 0 | 3), "{}", ended.stderr);
    let same = |name: &String| !["run.json", "SHA256SUMS"].contains(&&**name);
    let (whole, joined) = (files(&folder.join("four")), files(&folder.join("joined")));
    for (name, bytes) in whole.iter().filter(|(name, _)| same(name)) {
        assert!(joined[name] == *bytes, "{name}");
    }
    // Shares that were laid out without the earlier plan are other plans.
    for (out, share) in [("half", "1/2"), ("rest", "2/2")] {
        lay_out(folder, out, &[&["--share", share], &line[..]].concat());
    }
    let ended = run(folder, &[&gather[..], &line[..]].concat());
    assert_eq!(ended.code, 2, "{}", ended.stderr);
}
