//! A factor on the hours of a time model from sections that were finished: fitted, shown, and used only where a project says so.

mod run_binary;

use std::collections::BTreeMap;
use std::path::Path;

use blockwright::model::fit;
use gdal::Dataset;
use gdal::vector::LayerAccess;
use run_binary::*;

const TREES: &str = "tree_m3 = 0.4\n";

/// The small project laid out in folder `first`.
fn first_season(folder: &Path) {
    small_project(folder);
    let plain = std::fs::read_to_string(folder.join("project.toml")).unwrap();
    let plain = plain.replace(
        "stems_per_ha = 500\n",
        &format!("stems_per_ha = 500\n{TREES}"),
    );
    write(folder, "project.toml", &plain);
    let ended = run(folder, &["layout", "project.toml", "--out", "first"]);
    assert!(ended.code == 0 || ended.code == 3, "{}", ended.stderr);
}

/// Key of the done table and productive hours, of every section.
fn sections(folder: &Path, out: &str) -> Vec<(String, f64)> {
    let dataset = Dataset::open(folder.join(out).join("layout.gpkg")).unwrap();
    let mut layer = dataset.layer_by_name("sections").unwrap();
    let mut found = BTreeMap::new();
    for feature in layer.features() {
        let whole = |name: &str| {
            let at = feature.field_index(name).unwrap();
            feature.field_as_integer(at).unwrap().unwrap()
        };
        let id = feature.field_as_string(feature.field_index("block_id").unwrap());
        let hours = feature.field_as_double(feature.field_index("hours").unwrap());
        let key = format!(
            "{},{},{},{},{}",
            id.unwrap().unwrap(),
            whole("part"),
            whole("strip_no"),
            whole("piece"),
            whole("section_no")
        );
        *found.entry(key).or_insert(0.0) += hours.unwrap().unwrap();
    }
    found.into_iter().collect()
}

const KEYS: &str = "block_id,part,strip_no,piece,section_no";

fn with(folder: &Path, name: &str, lines: &str) {
    let plain = std::fs::read_to_string(folder.join("project.toml")).unwrap();
    write(
        folder,
        name,
        &plain.replace(TREES, &format!("{TREES}{lines}\n")),
    );
}

fn calibration(folder: &Path, out: &str) -> serde_json::Value {
    let text = std::fs::read_to_string(folder.join(out).join("run.json")).unwrap();
    let run: serde_json::Value = serde_json::from_str(&text).unwrap();
    run["settings"]["production"]["calibration"].clone()
}

#[test]
fn hours_taken_fit_a_factor_that_is_shown_and_used_only_where_the_project_says_so() {
    let temp = tempfile::tempdir().unwrap();
    let folder = temp.path();
    first_season(folder);
    let sections_before = sections(folder, "first");
    assert!(sections_before.len() >= 6);
    // A fifth more than the model, a tenth up and down by turns.
    let taken = |at: usize, hours: f64| hours * if at.is_multiple_of(2) { 1.1 } else { 1.3 };
    let rows = sections_before.iter().enumerate();
    let rows: Vec<String> = rows
        .map(|(at, (key, hours))| format!("{key},{}", taken(at, *hours)))
        .collect();
    let table = format!("{KEYS},productive_hours_taken\n{}\n", rows.join("\n"));
    write(folder, "finished.csv", &table);
    let pairs: Vec<(f64, f64)> = (sections_before.iter().enumerate())
        .map(|(at, (_, hours))| (*hours, taken(at, *hours)))
        .collect();
    let wanted = fit(&pairs).unwrap();

    for (name, apply) in [("shown", false), ("used", true)] {
        let line = format!(
            "calibration = {{ layout = \"first\", finished = \"finished.csv\", apply = {apply} }}"
        );
        with(folder, &format!("{name}.toml"), &line);
        let ended = run(folder, &["layout", &format!("{name}.toml"), "--out", name]);
        assert!(ended.code == 0 || ended.code == 3, "{}", ended.stderr);
        let found = calibration(folder, name);
        let number = |key: &str| found[key].as_f64().unwrap();
        for (key, wanted) in [
            ("factor", wanted.factor),
            ("low", wanted.low),
            ("high", wanted.high),
        ] {
            assert!((number(key) - wanted).abs() < 1e-3, "{key} {found}");
        }
        assert!(number("low") < number("factor") && number("factor") < number("high"));
        assert_eq!(found["sections"], rows.len());
        assert_eq!(found["blocks"], 2);
        assert_eq!(found["applied"], apply);
        let by = if apply { number("factor") } else { 1.0 };
        let sections_now = sections(folder, name);
        for ((key, before), (now_key, now)) in sections_before.iter().zip(&sections_now) {
            assert_eq!(key, now_key, "a calibration never moves a strip");
            assert!((now / before - by).abs() < 1e-3, "{key}: {before} {now}");
        }
        let page = std::fs::read_to_string(folder.join(name).join("report/data/overview.js"));
        let page = page.unwrap_or_else(|_| {
            let all = files(&folder.join(name).join("report"));
            all.values()
                .map(|bytes| String::from_utf8_lossy(bytes).into_owned())
                .collect()
        });
        assert!(
            page.contains("\"calibration\":{\"factor\":"),
            "the report shows it"
        );

        let ended = run(folder, &["inspect", &format!("{name}.toml")]);
        let factor = format!("{:.3} (95 % interval", wanted.factor);
        assert!(ended.stdout.contains(&factor), "{}", ended.stdout);
        let word = if apply { "in force" } else { "not in force" };
        assert!(ended.stdout.contains(word), "{}", ended.stdout);
        let ended = run(folder, &["inspect", &format!("{name}.toml"), "--json"]);
        let json: serde_json::Value = serde_json::from_str(&ended.stdout).unwrap();
        assert_eq!(json["calibration"]["applied"], apply);
    }
    // A layout that was calibrated already gives the same factor on the same model.
    let line = "calibration = { layout = \"used\", finished = \"finished.csv\", apply = true }";
    with(folder, "again.toml", line);
    let ended = run(folder, &["layout", "again.toml", "--out", "again"]);
    assert!(ended.code == 0 || ended.code == 3, "{}", ended.stderr);
    let again = calibration(folder, "again")["factor"].as_f64().unwrap();
    assert!((again - wanted.factor).abs() < 1e-3, "{again}");
    // Scheduled hours are those of the machine's whole shift: 0.77 of them are productive.
    let rows: Vec<String> = (sections_before.iter().enumerate())
        .map(|(at, (key, hours))| format!("{key},{}", taken(at, *hours) / 0.77))
        .collect();
    let table = format!("{KEYS},scheduled_hours_taken\n{}\n", rows.join("\n"));
    write(folder, "finished.csv", &table);
    let ended = run(folder, &["layout", "used.toml", "--out", "scheduled"]);
    assert!(ended.code == 0 || ended.code == 3, "{}", ended.stderr);
    let scheduled = calibration(folder, "scheduled")["factor"].as_f64().unwrap();
    assert!((scheduled - wanted.factor).abs() < 1e-3, "{scheduled}");
}

#[test]
fn tables_that_tell_too_little_and_other_models_are_refused_with_the_remedy() {
    let temp = tempfile::tempdir().unwrap();
    let folder = temp.path();
    first_season(folder);
    let sections = sections(folder, "first");
    let head = format!("{KEYS},productive_hours_taken\n");
    let rows = |count: usize, by: f64| -> String {
        let rows = sections.iter().take(count);
        rows.map(|(key, hours)| format!("{key},{}\n", hours * by))
            .collect()
    };
    let line = "calibration = { layout = \"first\", finished = \"finished.csv\", apply = true }";
    for (table, production, words) in [
        (
            format!("{head}{}", rows(2, 1.1)),
            "",
            "a factor needs 3 or more",
        ),
        (format!("{head}{}", rows(5, 60.0)), "", "not minutes"),
        (
            format!("{KEYS}\n{}\n", sections[0].0),
            "",
            "productive_hours_taken",
        ),
        (
            format!("{head}{},many\n", sections[0].0),
            "",
            "`many` in column `productive_hours_taken`",
        ),
        (
            format!("{head}{}", rows(5, 1.1)),
            "\ntime_model = \"self-levelling-feller-buncher\"",
            "another time model",
        ),
        (
            format!("{head}{}", rows(5, 1.1)),
            "\nseconds_per_turn = 90.0",
            "its `seconds_per_turn` is not the project's",
        ),
    ] {
        write(folder, "finished.csv", &table);
        with(folder, "wrong.toml", &format!("{line}{production}"));
        let ended = run(folder, &["layout", "wrong.toml", "--out", "wrong"]);
        assert_eq!(ended.code, 2, "{words}: {}", ended.stderr);
        assert!(ended.stderr.contains(words), "{words}: {}", ended.stderr);
        assert!(!folder.join("wrong").exists());
    }
}
