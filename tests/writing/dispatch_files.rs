//! `dispatch` from end to end: outputs, calendar, exit codes, planning anew, hostile ids.

use crate::dispatch_runs::{self, day_and_night, lay_out};
use crate::run_binary;

use std::path::Path;

use icalendar::{Calendar, CalendarComponent, Component, DatePerhapsTime};
use run_binary::*;
use serde_json::Value;

const CREW: &str = day_and_night!(
    r#"[[machines]]
name = "feller 1"
service = { takes = "30 min", every = "day" }

[[machines]]
name = "feller 2"
shifts = ["day"]
"#
);

fn laid_out(folder: &Path) {
    small_project(folder);
    write(folder, "crew.toml", CREW);
    lay_out(folder, "out");
}

fn dispatch(folder: &Path, out: &str, more: &[&str]) -> Ended {
    let crew = std::fs::read_to_string(folder.join("crew.toml")).unwrap();
    let all = [&["--days", "6", "--out", out], more].concat();
    dispatch_runs::dispatch(folder, &crew, &all)
}

/// Section -> hours planned.
fn planned(schedule: &Value) -> std::collections::BTreeMap<String, f64> {
    let mut sums = std::collections::BTreeMap::new();
    for task in schedule["tasks"].as_array().unwrap() {
        if task["task"] == "cut" {
            let section = format!("{} {}", task["block_id"], task["section"]);
            *sums.entry(section).or_insert(0.0) += task["layout_hours"].as_f64().unwrap();
        }
    }
    sums
}

fn events(text: &str) -> Vec<icalendar::Event> {
    let calendar: Calendar = text.parse().expect("a calendar");
    let events = calendar
        .components
        .into_iter()
        .map(|component| match component {
            CalendarComponent::Event(event) => event,
            other => panic!("{other:?}"),
        });
    events.collect()
}

fn utc(moment: Option<DatePerhapsTime>) -> chrono::DateTime<chrono::Utc> {
    match moment {
        Some(DatePerhapsTime::DateTime(icalendar::CalendarDateTime::Utc(at))) => at,
        other => panic!("{other:?}"),
    }
}

#[test]
fn a_layout_becomes_shifts_and_the_same_input_gives_the_same_bytes() {
    let temp = tempfile::tempdir().unwrap();
    let folder = temp.path();
    laid_out(folder);
    let ended = dispatch(folder, "shifts", &["--json"]);
    assert_eq!(ended.code, 0, "{}{}", ended.stdout, ended.stderr);
    let said: Value = serde_json::from_str(&ended.stdout).unwrap();
    let found = schedule_of(folder, "shifts");
    assert_eq!(said["makespan_hours"], found["makespan_hours"]);
    let (bound, makespan) = (&found["lower_bound_hours"], &found["makespan_hours"]);
    assert!(bound.as_f64().unwrap() > 0.0);
    assert!(bound.as_f64() <= makespan.as_f64());
    assert_eq!(found["hours_left"], 0.0);
    // Every scheduled hour of the layout is planned.
    let table = std::fs::read_to_string(folder.join("out/blocks.csv")).unwrap();
    let mut rows = csv::Reader::from_reader(table.as_bytes());
    let header = rows.headers().unwrap().clone();
    let column = |name| header.iter().position(|head| head == name).unwrap();
    let day = column("scheduled_day_hours");
    let night = column("scheduled_night_hours");
    let hours: f64 = rows
        .records()
        .map(|row| {
            let row = row.unwrap();
            row[day].parse::<f64>().unwrap() + row[night].parse::<f64>().unwrap()
        })
        .sum();
    let all: f64 = planned(&found).values().sum();
    assert!((all - hours).abs() < 0.02, "{all} {hours}");
    // The table says the same hours, and every sheet it names is there.
    let mut rows = csv::Reader::from_path(folder.join("shifts/shifts.csv")).unwrap();
    let mut count = 0;
    for row in rows.records() {
        let row = row.unwrap();
        assert!(
            folder.join("shifts").join(&row[15]).is_file(),
            "{}",
            &row[15]
        );
        assert!(!row[10].is_empty() && row[10] <= row[11]);
        // Every row that cuts or skids names the settings of its sections, and its sheet where their wood goes.
        let sheet = std::fs::read_to_string(folder.join("shifts").join(&row[15])).unwrap();
        match &row[4] {
            "cut" | "skid" => {
                let first = match row[6].strip_prefix('R') {
                    Some(_) => "0",
                    None => row[6].split('-').next().unwrap(),
                };
                assert!(
                    row[16].split(';').any(|setting| setting == first),
                    "{row:?}"
                );
                for setting in row[16].split(';').filter(|setting| *setting != "0") {
                    let named = format!("{setting}: wood to road R-1");
                    assert!(sheet.contains(&named), "{named}: {sheet}");
                }
            }
            _ => assert!(row[16].is_empty(), "{row:?}"),
        }
        count += 1;
    }
    assert!(count > 4);
    let picture = std::fs::read_to_string(folder.join("shifts/shifts.svg")).unwrap();
    roxmltree::Document::parse(&picture).unwrap();
    dispatch(folder, "again", &["--quiet"]);
    assert_eq!(files(&folder.join("shifts")), files(&folder.join("again")));
    // A second run into the same folder replaces the first; a layout's folder is never written into.
    assert_eq!(dispatch(folder, "again", &["--quiet"]).code, 0);
    let before = files(&folder.join("out"));
    let refused = dispatch(folder, "out", &[]);
    assert_eq!(refused.code, 1);
    assert!(
        refused.stderr.contains("schedule.json"),
        "{}",
        refused.stderr
    );
    assert_eq!(files(&folder.join("out")), before);
}

#[test]
fn shift_sheets_of_a_french_layout_are_french() {
    let temp = tempfile::tempdir().unwrap();
    let folder = temp.path();
    small_project(folder);
    write(folder, "crew.toml", CREW);
    let project = std::fs::read_to_string(folder.join("project.toml")).unwrap();
    assert!(!project.contains("[outputs]"));
    write(
        folder,
        "project.toml",
        &format!("{project}\n[outputs]\nlanguage = \"fr\"\n"),
    );
    lay_out(folder, "out");
    dispatch(folder, "shifts", &[]);
    let mut seen = 0;
    for entry in std::fs::read_dir(folder.join("shifts/sheets")).unwrap() {
        let path = entry.unwrap().path();
        if path.extension().is_none_or(|ending| ending != "html") {
            continue;
        }
        let sheet = std::fs::read_to_string(path).unwrap();
        assert!(sheet.contains("<html lang=\"fr\">"));
        // Where nothing is cut or brought no wood goes anywhere.
        if !sheet.contains("bois vers chemin R-1") {
            assert!(!sheet.contains("abattre,"), "{sheet}");
            continue;
        }
        // The project says nothing of who uses its road.
        assert!(
            sheet.contains("à fermer ou surveiller : R-1 (chemin")
                && sheet.contains("nul ne dit si du public y passe"),
            "{sheet}"
        );
        for word in [
            "wood to",
            "watch",
            "falling",
            "nobody",
            "hazard",
            "machine drives",
            "Daylight",
            "Work",
        ] {
            assert!(!sheet.contains(word), "{word}: {sheet}");
        }
        seen += 1;
    }
    assert!(seen > 0);
}

/// Distances of sections by GEOS, from the layout's own file: whenever something is felled and skidded at once, it is two
/// lengths of 20 m apart (SF-05, SF-07).
#[test]
fn skidders_stay_away_from_falling_trees_by_geos() {
    use gdal::vector::LayerAccess;
    let temp = tempfile::tempdir().unwrap();
    let folder = temp.path();
    small_project(folder);
    let project = std::fs::read_to_string(folder.join("project.toml")).unwrap();
    assert!(!project.contains("[layout]"));
    let trees = "\n[layout]\ntree_height = \"20 m\"\ntree_height_source = \"invented\"\n";
    write(
        folder,
        "project.toml",
        &project.replace(
            "[production]\n",
            &format!("{trees}\n[production]\ntree_m3 = 0.4\n"),
        ),
    );
    let skidder = "\n[[skidders]]\nname = \"skidder 1\"\n";
    write(folder, "crew.toml", &format!("{CREW}{skidder}"));
    lay_out(folder, "out");
    let ended = dispatch(folder, "shifts", &[]);
    assert!(matches!(ended.code, 0 | 3), "{}", ended.stderr);
    let found = schedule_of(folder, "shifts");
    let dataset = gdal::Dataset::open(folder.join("out/layout.gpkg")).unwrap();
    let mut layer = dataset.layer_by_name("sections").unwrap();
    let mut shapes = std::collections::BTreeMap::new();
    for feature in layer.features() {
        let index = |name| feature.field_index(name).unwrap();
        let text = |name| feature.field_as_string(index(name)).unwrap().unwrap();
        let key = format!(
            "{} {}-{}.{}/{}",
            text("block_id"),
            text("part"),
            text("strip_no"),
            text("piece"),
            text("section_no")
        );
        let shape = feature.geometry().unwrap().clone();
        shapes.entry(key).or_insert_with(Vec::new).push(shape);
    }
    let tasks = found["tasks"].as_array().unwrap();
    let of = |word: &str| {
        tasks
            .iter()
            .filter(|task| task["task"] == word)
            .collect::<Vec<_>>()
    };
    let key = |task: &Value, section: u64| {
        let own = &task["section"];
        format!(
            "{} {}-{}.{}/{section}",
            task["block_id"].as_str().unwrap(),
            own["part"],
            own["strip_no"],
            own["piece"]
        )
    };
    let (cuts, skids) = (of("cut"), of("skid"));
    assert!(!skids.is_empty());
    let mut least_m = f64::INFINITY;
    for cut in &cuts {
        for skid in &skids {
            let time = |task: &Value, name: &str| task[name].as_i64().unwrap();
            if time(cut, "from") >= time(skid, "to") || time(skid, "from") >= time(cut, "to") {
                continue;
            }
            let number = |task: &Value| task["section"]["section_no"].as_u64().unwrap();
            let pass = skid["section"]["strip_no"] == 0;
            // The wood of a strip comes through the sections before it.
            let first = if pass { number(skid) } else { 1 };
            for section in first..=number(skid) {
                for a in &shapes[&key(cut, number(cut))] {
                    for b in shapes.get(&key(skid, section)).into_iter().flatten() {
                        least_m = least_m.min(gdal_calls::measure::distance(a, b).unwrap());
                    }
                }
            }
        }
    }
    assert!((40.0 - 0.01..300.0).contains(&least_m), "{least_m}");
    let told = &found["skidding_apart"]["nearest"];
    assert_eq!(told["required_m"], 40.0);
    assert!(
        (told["distance_m"].as_f64().unwrap() - least_m).abs() < 0.05,
        "{told} {least_m}"
    );
}

#[test]
fn the_calendar_is_read_by_a_parser_that_is_not_ours() {
    let temp = tempfile::tempdir().unwrap();
    let folder = temp.path();
    laid_out(folder);
    dispatch(folder, "shifts", &["--quiet"]);
    let text = std::fs::read_to_string(folder.join("shifts/shifts.ics")).unwrap();
    assert!(
        text.split("\r\n")
            .all(|line| line.len() <= 75 && !line.contains('\n'))
    );
    let events = events(&text);
    let found = schedule_of(folder, "shifts");
    assert_eq!(events.len(), found["shifts"].as_array().unwrap().len());
    let mut ids = std::collections::BTreeSet::new();
    for event in &events {
        assert!(ids.insert(event.get_uid().unwrap().to_owned()));
        let (from, to) = (utc(event.get_start()), utc(event.get_end()));
        let hours = (to - from).num_minutes() as f64 / 60.0;
        assert!(hours == 10.0, "{hours}");
        assert!(event.get_summary().unwrap().contains("feller"));
        // 06:00 and 16:00 in Winnipeg in December.
        let clock = from.format("%H:%M").to_string();
        assert!(clock == "12:00" || clock == "22:00", "{clock}");
    }
}

#[test]
fn what_is_done_is_kept_and_the_rest_is_planned() {
    let temp = tempfile::tempdir().unwrap();
    let folder = temp.path();
    laid_out(folder);
    dispatch(folder, "first", &["--quiet"]);
    let first = planned(&schedule_of(folder, "first"));
    let of = |task: &Value| {
        let section = &task["section"];
        format!(
            "{},{},{},{},{}",
            task["block_id"].as_str().unwrap(),
            section["part"],
            section["strip_no"],
            section["piece"],
            section["section_no"]
        )
    };
    let plan = schedule_of(folder, "first");
    let cuts: Vec<&Value> = plan["tasks"]
        .as_array()
        .unwrap()
        .iter()
        .filter(|task| task["task"] == "cut")
        .collect();
    let whole = cuts[0];
    let part = cuts
        .iter()
        .find(|cut| cut["section"] != whole["section"])
        .unwrap();
    let table = format!(
        "block_id,part,strip_no,piece,section_no,hours_done\n{},\n{},0.05\n",
        of(whole),
        of(part)
    );
    write(folder, "done.csv", &table);
    let ended = dispatch(folder, "second", &["--done", "done.csv", "--quiet"]);
    assert_eq!(ended.code, 0, "{}", ended.stderr);
    let second = schedule_of(folder, "second");
    let name = |task: &Value| format!("{} {}", task["block_id"], task["section"]);
    let rest = planned(&second);
    assert!(!rest.contains_key(&name(whole)));
    let left = first[&name(part)] - 0.05;
    assert!((rest[&name(part)] - left).abs() < 1e-3);
    assert_eq!(rest.len(), first.len() - 1);
    assert_eq!(second["done_before"]["sections"], 1);
    write(
        folder,
        "wrong.csv",
        "block_id,part,strip_no,piece,section_no\nA-1,1,999,1,1\n",
    );
    let wrong = dispatch(folder, "third", &["--done", "wrong.csv"]);
    assert_eq!(wrong.code, 3);
    assert!(
        wrong
            .stdout
            .contains("(line 2): the layout has no section 1 of strip 999"),
        "{}",
        wrong.stdout
    );
    assert_eq!(
        schedule_of(folder, "third")["done_before"]["rows_elsewhere"],
        1
    );
    // A table that was filled in where an earlier plan stands would be lost.
    for written in std::fs::read_dir(folder.join("second")).unwrap() {
        let written = written.unwrap().path();
        let over = dispatch(folder, "second", &["--done", written.to_str().unwrap()]);
        assert_eq!(over.code, 1, "{}", written.display());
        assert!(
            over.stderr.contains("its outputs would replace it"),
            "{}",
            over.stderr
        );
    }
}

/// Ids whose controls our own tables write out come back from a table that was filled in from them.
#[test]
fn ids_as_our_tables_write_them_are_known_in_the_table_of_what_is_done() {
    let temp = tempfile::tempdir().unwrap();
    let folder = temp.path();
    laid_out(folder);
    let blocks = std::fs::read_to_string(folder.join("blocks.geojson")).unwrap();
    let blocks = blocks.replace("A-1", "=A\\t1").replace("A-2", "B\\n2");
    write(folder, "blocks.geojson", &blocks);
    let again = ["layout", "project.toml", "--out", "out", "--quiet"];
    assert_eq!(run(folder, &again).code, 0);
    assert_eq!(dispatch(folder, "first", &["--quiet"]).code, 0);
    let rows = std::fs::read_to_string(folder.join("first/shifts.csv")).unwrap();
    let cells = ["'=A\\u{9}1", "B\\u{a}2"];
    let first = schedule_of(folder, "first");
    let mut table = "block_id,part,strip_no,piece,section_no\n".to_owned();
    for (cell, id) in cells.into_iter().zip(["=A\t1", "B\n2"]) {
        assert!(rows.contains(&format!(",{cell},")), "{rows}");
        let task = first["tasks"].as_array().unwrap().iter();
        let mut task = task.filter(|task| task["block_id"] == id && task["task"] == "cut");
        let section = &task.next_back().unwrap()["section"];
        let numbers =
            ["part", "strip_no", "piece", "section_no"].map(|key| section[key].to_string());
        table += &format!("{cell},{}\n", numbers.join(","));
    }
    write(folder, "done.csv", &table);
    let ended = dispatch(folder, "second", &["--done", "done.csv", "--quiet"]);
    assert_eq!(ended.code, 0, "{}", ended.stderr);
    assert_eq!(schedule_of(folder, "second")["done_before"]["sections"], 2);
}

#[test]
fn what_does_not_fit_ends_with_three_and_what_is_wrong_with_two() {
    let temp = tempfile::tempdir().unwrap();
    let folder = temp.path();
    laid_out(folder);
    let closed = "\n[[blocks]]\nid = \"A-1\"\nnot_after = \"2026-12-01\"\n\n[[blocks]]\nid = \"A-2\"\nnot_before = \"2026-12-20\"\n";
    write(folder, "crew.toml", &format!("{CREW}{closed}"));
    let ended = dispatch(folder, "late", &[]);
    assert_eq!(ended.code, 3, "{}{}", ended.stdout, ended.stderr);
    assert!(ended.stdout.contains("do not fit"), "{}", ended.stdout);
    assert!(ended.stdout.contains("what helps"), "{}", ended.stdout);
    assert!(folder.join("late/schedule.json").is_file());
    let unknown = "\n[[blocks]]\nid = \"A-3\"\npriority = 1\n";
    write(folder, "crew.toml", &format!("{CREW}{unknown}"));
    let ended = dispatch(folder, "none", &[]);
    assert_eq!(ended.code, 2);
    assert!(ended.stderr.contains("crew.toml, line"), "{}", ended.stderr);
    assert!(ended.stderr.contains("A-1"), "{}", ended.stderr);
    let short = CREW.replace(
        "name = \"feller 2\"",
        "name = \"feller 2\"\nreach = \"5 m\"",
    );
    write(folder, "crew.toml", &short);
    assert_eq!(dispatch(folder, "none", &[]).code, 2);
    let overlapping = CREW.replace("to = \"16:00\"", "to = \"17:00\"");
    write(folder, "crew.toml", &overlapping);
    let ended = dispatch(folder, "none", &[]);
    assert_eq!(ended.code, 2);
    assert!(ended.stderr.contains("overlap"), "{}", ended.stderr);
    write(folder, "crew.toml", CREW);
    let bad_date = run(
        folder,
        &[
            "dispatch",
            "out",
            "--crew",
            "crew.toml",
            "--from",
            "1 Dec",
            "--days",
            "6",
            "--out",
            "none",
        ],
    );
    assert_eq!(bad_date.code, 2);
    let no_layout = run(
        folder,
        &[
            "dispatch",
            ".",
            "--crew",
            "crew.toml",
            "--from",
            "2026-12-01",
            "--days",
            "6",
            "--out",
            "none",
        ],
    );
    assert_eq!(no_layout.code, 2);
    assert!(
        no_layout.stderr.contains("run.json"),
        "{}",
        no_layout.stderr
    );
    assert!(!folder.join("none").exists());
}

#[test]
fn hostile_ids_run_nowhere() {
    let temp = tempfile::tempdir().unwrap();
    let folder = temp.path();
    small_project(folder);
    let ids = [
        r#"<script>alert(1)</script>"#,
        r#"=1+1,\"x\";\nBEGIN:VEVENT"#,
        "../../up & away",
    ];
    let blocks: Vec<String> = (0..)
        .zip(ids)
        .map(|(at, id)| {
            let x = f64::from(at) * 250.0;
            feature(
                &format!("{{\"BLOCK\": \"{id}\"}}"),
                &rectangle(x, 0.0, x + 200.0, 150.0),
            )
        })
        .collect();
    write(folder, "blocks.geojson", &collection(UTM, &blocks));
    lay_out(folder, "out");
    let crew = CREW.replace("feller 1", "<b>f</b>, \\\"1\\\"");
    write(folder, "crew.toml", &crew);
    let ended = dispatch(folder, "shifts", &["--quiet"]);
    assert_eq!(ended.code, 0, "{}", ended.stderr);
    let found = files(&folder.join("shifts"));
    assert!(found.len() > 5);
    for (name, bytes) in &found {
        assert!(!name.contains(".."), "{name}");
        if name.ends_with("pdf") {
            // Its text is packed, and runs nowhere.
            assert!(bytes.starts_with(b"%PDF-1.7"), "{name}");
            continue;
        }
        let text = String::from_utf8(bytes.clone()).unwrap();
        if name.ends_with("html") || name.ends_with("svg") {
            assert!(!text.contains("<script"), "{name}");
            assert!(!text.contains("<b>f"), "{name}");
        }
        if name.ends_with("csv") {
            assert!(!text.contains(",=1"), "{name}");
            assert!(!text.contains("\"=1"), "{name}");
        }
        if name.ends_with("svg") {
            roxmltree::Document::parse(&text).unwrap();
        }
        if name.ends_with("ics") {
            let count = text.matches("\r\nBEGIN:VEVENT\r\n").count();
            assert_eq!(events(&text).len(), count);
            assert!(count > 3);
        }
    }
}

/// A row of one block that does not hold together costs that block its place in the plan, and no other block.
#[test]
fn one_bad_block_is_set_aside_and_named_and_the_season_goes_on() {
    let temp = tempfile::tempdir().unwrap();
    let folder = temp.path();
    laid_out(folder);
    let package = folder.join("out/layout.gpkg");
    let whole = std::fs::read(&package).unwrap();
    let spoil = |statement: &str| {
        std::fs::write(&package, &whole).unwrap();
        let options = gdal::DatasetOptions {
            open_flags: gdal::GdalOpenFlags::GDAL_OF_UPDATE | gdal::GdalOpenFlags::GDAL_OF_VECTOR,
            ..gdal::DatasetOptions::default()
        };
        let mut dataset = gdal::Dataset::open_ex(&package, options).unwrap();
        let dialect = gdal::vector::sql::Dialect::DEFAULT;
        drop(dataset.execute_sql(statement, None, dialect).unwrap());
        dataset.flush_cache().unwrap();
        dataset.close().unwrap();
    };
    let all = dispatch(folder, "all", &["--json"]);
    assert_eq!(all.code, 0, "{}", all.stderr);
    let (all, sections): (Value, usize) = (
        serde_json::from_str(&all.stdout).unwrap(),
        planned(&schedule_of(folder, "all")).len(),
    );
    assert_eq!(
        (&all["blocks"], &all["set_aside"]),
        (&2.into(), &Value::Array(vec![]))
    );
    for (statement, why) in [
        (
            "DELETE FROM strip_lines WHERE block_id = 'A-1' AND strip_no = 1",
            "no strip line leads through part 1, strip 1",
        ),
        (
            "UPDATE sections SET shift_class = 'dusk' WHERE block_id = 'A-1'",
            "`dusk` is no shift class",
        ),
        (
            "UPDATE strip_lines SET kind = 'spur' WHERE block_id = 'A-1'",
            "`spur` is no kind of strip",
        ),
        (
            "UPDATE blocks SET geom = NULL WHERE block_id = 'A-1'",
            "it has no shape",
        ),
        (
            "UPDATE blocks SET block_id = 'A-1b' WHERE block_id = 'A-1'",
            "the block is not in layer blocks",
        ),
    ] {
        spoil(statement);
        let ended = dispatch(folder, "rest", &[]);
        assert_eq!(
            ended.code, 3,
            "{statement}: {}{}",
            ended.stdout, ended.stderr
        );
        assert!(
            ended.stdout.contains("block A-1 is set aside"),
            "{}",
            ended.stdout
        );
        assert!(ended.stdout.contains(why), "{statement}: {}", ended.stdout);
        let found = schedule_of(folder, "rest");
        assert_eq!(found["set_aside"][0]["block_id"], "A-1");
        let rest = planned(&found);
        assert!(rest.keys().all(|key| key.contains("A-2")) && !rest.is_empty());
        assert!(rest.len() < sections);
        let table = std::fs::read_to_string(folder.join("rest/set_aside.csv")).unwrap();
        let second = table.lines().nth(1).unwrap();
        assert!(second.starts_with("A-1,unreadable-layout,"), "{table}");
        // What the crew file and the table of finished sections say of that block is no mistake of theirs.
        write(
            folder,
            "crew.toml",
            &format!("{CREW}\n[[blocks]]\nid = \"A-1\"\npriority = 2\n"),
        );
        write(
            folder,
            "done.csv",
            "block_id,part,strip_no,piece,section_no\nA-1,1,1,1,1\n",
        );
        let ended = dispatch(folder, "again", &["--done", "done.csv", "--quiet"]);
        assert_eq!(ended.code, 3, "{statement}: {}", ended.stderr);
        write(folder, "crew.toml", CREW);
    }
    // With every block like that there is nothing to plan.
    spoil("UPDATE strip_lines SET kind = 'spur'");
    let ended = dispatch(folder, "none", &[]);
    assert_eq!(ended.code, 2, "{}", ended.stderr);
    assert!(
        ended.stderr.contains("no block can be planned; block A-1"),
        "{}",
        ended.stderr
    );
    assert!(!folder.join("none").exists());
}
