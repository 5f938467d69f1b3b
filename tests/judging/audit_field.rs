//! To the field and back: places are drawn, sheets filled, and the audit judges anew.

use std::collections::BTreeMap;
use std::path::Path;

use serde_json::Value;

use crate::once;
use crate::run_binary::{Ended, copy, run};

const FILL: [&str; 6] = [
    "measured",
    "error",
    "measured_on",
    "measured_by",
    "photo",
    "note",
];

/// Rows of a table by the names of their columns.
fn table(path: &Path) -> Vec<BTreeMap<String, String>> {
    let mut table =
        csv::Reader::from_path(path).unwrap_or_else(|e| panic!("{}: {e}", path.display()));
    table.deserialize().map(|row| row.unwrap()).collect()
}

/// `field_check.csv` with what `figure` gives for each row.
fn fill(from: &Path, to: &Path, figure: &dyn Fn(&BTreeMap<String, String>) -> String) {
    let rows = table(from);
    let mut filled = csv::Writer::from_path(to).unwrap();
    filled.write_record(["code"].iter().chain(&FILL)).unwrap();
    for row in rows {
        let measured = figure(&row);
        let cells = [&row["code"], &measured, "0.2", "2031-07-03", "A", "31", ""];
        filled.write_record(cells).unwrap();
    }
    filled.flush().unwrap();
}

/// The figure that a row asks for, if a single one decides.
fn asked(row: &BTreeMap<String, String>) -> Option<f64> {
    row["asked"].split_whitespace().rev().nth(1)?.parse().ok()
}

fn sound(row: &BTreeMap<String, String>) -> String {
    match asked(row) {
        Some(asked) if row["asked"].contains("at least") => (asked + 1.0).to_string(),
        Some(asked) => asked.to_string(),
        None => String::new(),
    }
}

fn audit(root: &Path, more: &[&str]) -> (Ended, Value) {
    let mut arguments = vec![
        "audit",
        "d/project.toml",
        "--plan",
        "d/layout/layout.gpkg",
        "--seed",
        "5",
        "--json",
        "--quiet",
    ];
    arguments.extend(more);
    let ended = run(root, &arguments);
    let summary = serde_json::from_str(&ended.stdout).unwrap_or(Value::Null);
    (ended, summary)
}

#[test]
fn places_go_to_the_field_and_figures_come_back() {
    let folder = tempfile::tempdir().unwrap();
    let root = folder.path();
    copy(once::demo(12), &root.join("d"));
    let (ended, drawn) = audit(root, &["--field-check", "--out", "a"]);
    assert!(matches!(ended.code, 0 | 3), "{}", ended.stderr);
    let check = &drawn["field_check"];
    assert!(check["worst_risk"].as_f64().unwrap() <= 0.05, "{check}");
    let places = table(&root.join("a/field_check.csv"));
    assert_eq!(check["places"], places.len());
    assert!(places.len() > 20, "{}", places.len());
    // Whoever measures is not told what the layers say.
    assert!(
        places
            .iter()
            .all(|row| FILL.iter().all(|name| row[*name].is_empty()))
    );
    assert!(!places[0].contains_key("status"));
    // Probabilities are those of the strata.
    for own in check["strata"].as_array().unwrap() {
        let (all, drawn) = (
            own["places"].as_f64().unwrap(),
            own["drawn"].as_f64().unwrap(),
        );
        let rows = || {
            places
                .iter()
                .filter(|row| row["stratum"] == own["stratum"].as_str().unwrap())
        };
        assert_eq!(rows().count() as f64, drawn);
        for row in rows() {
            let told: f64 = row["probability"].parse().unwrap();
            assert!((told - drawn / all).abs() < 1e-6, "{row:?}");
        }
    }
    // The way: from where the road is left, so far on that bearing, is the place. A degree is 111.2 km to 0.5 % here.
    for row in &places {
        let at = |name: &str| row[name].parse::<f64>().unwrap();
        let (lat, lon) = (at("latitude"), at("longitude"));
        let figures: Vec<f64> = (row["way"].split([' ', ',', '°', ':']))
            .filter_map(|word| word.parse().ok())
            .collect();
        let [from_lat, from_lon, metres, bearing] = figures[..] else {
            panic!("{}", row["way"]);
        };
        let north = (lat - from_lat) * 111_200.0;
        let east = (lon - from_lon) * 111_200.0 * lat.to_radians().cos();
        let (sin, cos) = bearing.to_radians().sin_cos();
        assert!(
            (north - metres * cos).hypot(east - metres * sin) < 1.0 + 0.02 * metres,
            "{row:?}"
        );
    }

    // All of the sample holds: accepted.
    fill(
        &root.join("a/field_check.csv"),
        &root.join("sound.csv"),
        &sound,
    );
    let (ended, back) = audit(root, &["--measured", "sound.csv", "--out", "b"]);
    assert!(matches!(ended.code, 0 | 3), "{}", ended.stderr);
    let result = &back["field_check"]["result"];
    assert_eq!(result["none_found"], true, "{result}");
    assert_eq!(result["estimate"]["faulty"], 0.0);
    assert_eq!(result["estimate"]["from"], 0.0);

    // One reserve that holds by the layers does not in the field: it fails, and both figures are kept.
    let bad = places
        .iter()
        .find(|row| {
            row["rule_id"].starts_with("reserve:")
                && row["stratum"] != "fails"
                && asked(row) > Some(5.0)
        })
        .expect("a reserve is drawn");
    let short = |row: &BTreeMap<String, String>| match row["code"] == bad["code"] {
        true => (asked(row).unwrap() - 4.0).to_string(),
        false => sound(row),
    };
    fill(
        &root.join("a/field_check.csv"),
        &root.join("short.csv"),
        &short,
    );
    let (ended, back) = audit(
        root,
        &["--measured", "short.csv", "--out", "c", "--against", "a"],
    );
    assert_eq!(ended.code, 3, "{}", ended.stderr);
    let result = &back["field_check"]["result"];
    assert_eq!(result["none_found"], false);
    assert!(result["estimate"]["faulty"].as_f64().unwrap() >= 1.0);
    let judged = table(&root.join("c/compliance.csv"));
    let row = judged
        .iter()
        .find(|row| row["field_code"] == bad["code"])
        .expect("the row of the place");
    assert_eq!(row["status"], "fail");
    assert_ne!(row["status_by_layers"], "fail");
    assert_eq!(row["field_short"].parse::<f64>().unwrap(), 4.0);
    assert_eq!(
        (row["photo"].as_str(), row["measured_by"].as_str()),
        ("31", "A")
    );
    let before = table(&root.join("a/compliance.csv"));
    let before = before
        .iter()
        .find(|own| own["block_id"] == row["block_id"] && own["rule_id"] == row["rule_id"])
        .unwrap();
    assert_eq!(before["measured"], row["measured"]);
    let worse = table(&root.join("c/differences.csv"));
    assert!(
        worse
            .iter()
            .any(|own| own["turn"] == "worse" && own["rule_id"] == row["rule_id"])
    );
    let page = std::fs::read_to_string(root.join("c/report/index.html")).unwrap();
    assert!(page.contains("not accepted"), "the page says so");

    // The same by waypoints; a place that nobody reached is not taken for sound.
    let gpx = std::fs::read_to_string(root.join("a/field_check.gpx")).unwrap();
    let mut waypoints = String::new();
    for line in gpx.lines() {
        let row = places
            .iter()
            .find(|row| line.contains(&format!("<name>{}<", row["code"])));
        let filled = row
            .filter(|row| row["no"] != "1")
            .map(sound)
            .unwrap_or_default();
        waypoints += &line.replace("</name>", &format!("</name><cmt>{filled} ± 0.2</cmt>"));
        waypoints.push('\n');
    }
    let waypoints = waypoints.replace("<cmt> ± 0.2</cmt>", "");
    std::fs::write(root.join("back.gpx"), waypoints).unwrap();
    let (ended, back) = audit(root, &["--measured", "back.gpx", "--out", "e"]);
    assert!(matches!(ended.code, 0 | 3), "{}", ended.stderr);
    let result = &back["field_check"]["result"];
    assert_eq!(result["not_measured"], serde_json::json!([1]), "{result}");
    assert_eq!(result["none_found"], false);

    // Filled sheets of another audit, or in the folder that they would be written over in, are refused.
    std::fs::write(root.join("other.csv"), "code,measured\n0000-0000,12\n").unwrap();
    let (ended, _) = audit(root, &["--measured", "other.csv", "--out", "f"]);
    assert_eq!(ended.code, 2);
    assert!(
        ended.stderr.contains("line 2") && ended.stderr.contains("0000-0000"),
        "{}",
        ended.stderr
    );
    let (ended, _) = audit(root, &["--measured", "a/field_check.csv", "--out", "a"]);
    assert_ne!(ended.code, 0);
    assert!(ended.stderr.contains("field_check.csv"), "{}", ended.stderr);
    assert!(!root.join("f").exists());
}

#[test]
fn sheets_speak_the_language_of_the_project() {
    let folder = tempfile::tempdir().unwrap();
    let root = folder.path();
    copy(once::demo(12), &root.join("d"));
    let path = root.join("d/project.toml");
    let text = std::fs::read_to_string(&path).unwrap();
    assert!(!text.contains("[outputs]"));
    std::fs::write(&path, text + "\n[outputs]\nlanguage = \"fr\"\n").unwrap();
    let (ended, _) = audit(root, &["--field-check", "--out", "a"]);
    assert!(matches!(ended.code, 0 | 3), "{}", ended.stderr);
    let sheet = std::fs::read_to_string(root.join("a/field_check.html")).unwrap();
    assert!(sheet.contains("<html lang=\"fr\">") && sheet.contains("Contrôle sur le terrain"));
    assert!(sheet.contains("default-src 'none'") && !sheet.contains("<script"));
    for english in [
        "Measure",
        "Place",
        "as the crow flies",
        "asked for",
        "Photo no.",
    ] {
        assert!(!sheet.contains(english), "{english}");
    }
    let rows = table(&root.join("a/field_check.csv"));
    assert!(rows.iter().any(|row| row["asked"].starts_with("exigé")));
}
