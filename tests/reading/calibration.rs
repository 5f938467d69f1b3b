//! A factor on the hours of a time model from sections that were finished: fitted, shown, and used only where a project says so.

use crate::run_binary;

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

/// Lines of the strips in the order of work, with their sections' time: places in the work CRS.
fn lines(folder: &Path, out: &str) -> Vec<Vec<[f64; 2]>> {
    let dataset = Dataset::open(folder.join(out).join("layout.gpkg")).unwrap();
    let mut layer = dataset.layer_by_name("strip_lines").unwrap();
    let mut found = Vec::new();
    for feature in layer.features() {
        let at = |name: &str| feature.field_index(name).unwrap();
        let block = feature.field_as_string(at("block_id")).unwrap().unwrap();
        let order = feature.field_as_integer(at("order")).unwrap().unwrap();
        let mut shape = feature.geometry().unwrap().clone();
        if shape.geometry_count() > 0 {
            shape = shape.get_geometry(0).clone();
        }
        let mut places = Vec::new();
        shape.get_points(&mut places);
        let places: Vec<[f64; 2]> = places.into_iter().map(|(x, y, _)| [x, y]).collect();
        found.push(((block, order), places));
    }
    found.sort_by(|a, b| a.0.cmp(&b.0));
    found.into_iter().map(|(_, places)| places).collect()
}

/// A receiver that writes every ten seconds, in a machine that always drives as fast.
struct Receiver {
    now: chrono::DateTime<chrono::Utc>,
    fixes: Vec<String>,
}

const SPEED_M_S: f64 = 0.1;

impl Receiver {
    fn write(&mut self, [x, y]: [f64; 2]) {
        let time = self.now.to_rfc3339_opts(chrono::SecondsFormat::Secs, true);
        self.fixes.push(feature(
            &format!(r#"{{"time": "{time}"}}"#),
            &format!(r#"{{"type": "Point", "coordinates": [{x}, {y}]}}"#),
        ));
    }

    /// The seconds that it takes, in whole tens.
    fn drive(&mut self, line: &[[f64; 2]]) -> f64 {
        let mut steps = 0;
        for ends in line.windows(2) {
            let [dx, dy] = [ends[1][0] - ends[0][0], ends[1][1] - ends[0][1]];
            let count = (dx.hypot(dy) / (10.0 * SPEED_M_S)).ceil() as u32;
            for k in 0..count {
                let part = f64::from(k) / f64::from(count);
                self.write([ends[0][0] + part * dx, ends[0][1] + part * dy]);
                self.wait(10);
            }
            steps += count;
        }
        self.write(line[line.len() - 1]);
        // Until the next line it is not heard of.
        self.wait(3600);
        f64::from(steps) * 10.0
    }

    fn stand(&mut self, at: [f64; 2], minutes: i64) {
        for _ in 0..minutes * 6 {
            self.write(at);
            self.wait(10);
        }
    }

    fn wait(&mut self, seconds: i64) {
        self.now += chrono::Duration::seconds(seconds);
    }
}

#[test]
fn tracks_tell_the_hours_of_sections_without_gaps_and_service() {
    let temp = tempfile::tempdir().unwrap();
    let folder = temp.path();
    first_season(folder);
    let model: f64 = sections(folder, "first")
        .iter()
        .map(|(_, hours)| hours)
        .sum();
    let mut receiver = Receiver {
        now: "2031-06-10T12:00:00Z".parse().unwrap(),
        fixes: vec![],
    };
    let mut driven_s = 0.0;
    for (at, line) in lines(folder, "first").iter().enumerate() {
        if at == 1 {
            // Half an hour of repairs, and ten minutes of talk that count.
            receiver.stand(line[0], 30);
            receiver.drive(&[[line[0][0], line[0][1]], [line[0][0] + 0.01, line[0][1]]]);
            driven_s += 10.0;
            receiver.stand(line[0], 10);
            driven_s += 600.0;
        }
        driven_s += receiver.drive(line);
    }
    // Far from every block.
    receiver.drive(&[[503_000.0, 5_400_000.0], [503_500.0, 5_400_000.0]]);
    write(folder, "tracks.geojson", &collection(UTM, &receiver.fixes));
    let line = "calibration = { layout = \"first\", tracks = \"tracks.geojson\", apply = true }";
    with(folder, "tracks.toml", line);
    let ended = run(folder, &["layout", "tracks.toml", "--out", "tracked"]);
    assert!(ended.code == 0 || ended.code == 3, "{}", ended.stderr);
    let found = calibration(folder, "tracked");
    let number = |key: &str| found[key].as_f64().unwrap();
    let of_tracks = |key: &str| found["tracks"][key].as_f64().unwrap();
    let all = of_tracks("counted") + of_tracks("passed_over");
    assert!(
        (all - driven_s / 3600.0).abs() < 0.01 * all,
        "driven {} h: {found}",
        driven_s / 3600.0
    );
    assert!((of_tracks("stopped") - 0.5).abs() < 0.01, "{found}");
    assert!(
        (of_tracks("elsewhere") - 5000.0 / 3600.0).abs() < 0.01,
        "{found}"
    );
    assert!(of_tracks("gaps") > 1.0, "{found}");
    assert_eq!(of_tracks("longest_stop_min"), 15.0);
    assert!(of_tracks("passed_over") < 0.05 * all, "{found}");
    assert_eq!(number("hours_taken"), of_tracks("counted"));
    assert!(number("model_hours") > 0.9 * model && number("model_hours") <= model + 1e-6);
    let wanted = driven_s / 3600.0 / model;
    assert!(
        (number("factor") / wanted - 1.0).abs() < 0.05,
        "{wanted}: {found}"
    );
    assert_eq!(found["blocks"], 2);
    let inputs = std::fs::read_to_string(folder.join("tracked/run.json")).unwrap();
    assert!(inputs.contains("tracks.geojson"));
    let ended = run(folder, &["inspect", "tracks.toml"]);
    assert!(ended.stdout.contains("0.5 h standing"), "{}", ended.stdout);

    // A longer stop that counts as work, where the project says so.
    let line = "calibration = { layout = \"first\", tracks = [\"tracks.geojson\"], longest_stop_min = 40.0 }";
    with(folder, "longer.toml", line);
    let ended = run(folder, &["inspect", "longer.toml", "--json"]);
    let json: serde_json::Value = serde_json::from_str(&ended.stdout).unwrap();
    let stopped = json["calibration"]["tracks"]["stopped"].as_f64().unwrap();
    assert_eq!(stopped, 0.0);
    assert_eq!(json["calibration"]["applied"], false);

    // Of half of the tracks only the sections that these work through count.
    let half = &receiver.fixes[..receiver.fixes.len() / 2];
    write(folder, "tracks.geojson", &collection(UTM, half));
    let ended = run(folder, &["inspect", "tracks.toml", "--json"]);
    let json: serde_json::Value = serde_json::from_str(&ended.stdout).unwrap();
    let part = &json["calibration"];
    assert!(
        part["sections"].as_u64() < found["sections"].as_u64(),
        "{part}"
    );
    let factor = part["factor"].as_f64().unwrap();
    assert!((factor / wanted - 1.0).abs() < 0.15, "{wanted}: {part}");
}

#[test]
fn tracks_without_times_and_calibrations_of_two_minds_are_refused() {
    let temp = tempfile::tempdir().unwrap();
    let folder = temp.path();
    first_season(folder);
    let points: Vec<String> = (0..30)
        .map(|x| {
            let at = format!(
                r#"{{"type": "Point", "coordinates": [{}, 5400100]}}"#,
                500_010 + 5 * x
            );
            feature("{}", &at)
        })
        .collect();
    write(folder, "tracks.geojson", &collection(UTM, &points));
    write(folder, "finished.csv", &format!("{KEYS}\n"));
    for (rest, words) in [
        ("tracks = \"tracks.geojson\"", "fixes have times"),
        (
            "tracks = \"tracks.geojson\", finished = \"finished.csv\"",
            "both `finished` and `tracks`",
        ),
        ("apply = true", "names no hours"),
        ("tracks = []", "`tracks`"),
        (
            "finished = \"finished.csv\", time = \"T\"",
            "`time` speaks of tracks",
        ),
        (
            "tracks = \"tracks.geojson\", longest_stop_min = 0.5",
            "longest_stop_min",
        ),
        ("tracks = \"none.gpx\"", "none.gpx"),
    ] {
        let line = format!("calibration = {{ layout = \"first\", {rest} }}");
        with(folder, "wrong.toml", &line);
        let ended = run(folder, &["layout", "wrong.toml", "--out", "wrong"]);
        assert_eq!(ended.code, 2, "{words}: {}", ended.stderr);
        assert!(ended.stderr.contains(words), "{words}: {}", ended.stderr);
        assert!(!folder.join("wrong").exists());
    }
}
