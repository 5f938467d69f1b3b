//! What is done, told by a copy of the shifts or by a machine's track.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use gdal::vector::LayerAccess;
use serde_json::Value;

use crate::dispatch_runs::{self, by_day, lay_out};
use crate::run_binary::*;

const CREW: &str = by_day!(
    r#"[[machines]]
name = "feller 1"

[[machines]]
name = "feller 2"
time_factor = 1.3

[[skidders]]
name = "skidder 1"
time_factor = 1.7
"#
);

fn laid_out(folder: &Path) {
    small_project_with_volumes(folder);
    lay_out(folder, "out");
}

fn dispatch(folder: &Path, from: &str, more: &[&str]) -> Ended {
    let all = [&["--from", from, "--days", "12"], more].concat();
    dispatch_runs::dispatch(folder, CREW, &all)
}

/// Rows of the first plan's table that a test keeps, and how it changes them.
fn copy_of(
    folder: &Path,
    name: &str,
    change: &dyn Fn(&mut BTreeMap<String, String>) -> bool,
) -> Vec<BTreeMap<String, String>> {
    let path = folder.join("first/shifts.csv");
    let heads = csv::Reader::from_path(&path)
        .unwrap()
        .headers()
        .unwrap()
        .clone();
    let mut rows = table(&path);
    rows.retain_mut(|row| change(row));
    let mut writer = csv::Writer::from_path(folder.join(name)).unwrap();
    writer.write_record(&heads).unwrap();
    for row in &rows {
        writer
            .write_record(heads.iter().map(|head| &row[head]))
            .unwrap();
    }
    rows
}

/// The rows of the first three days left in a copy are just what `--done-until` takes from the plan itself: the same is left, by the
/// same machines in the same seconds, and the same wood lies.
#[test]
fn rows_left_in_a_copy_of_the_shifts_are_done() {
    let temp = tempfile::tempdir().unwrap();
    let folder = temp.path();
    laid_out(folder);
    let ended = dispatch(folder, "2026-12-01", &["--out", "first"]);
    assert!(matches!(ended.code, 0 | 3), "{}", ended.stderr);
    let kept = copy_of(folder, "done.csv", &|row| {
        row["date"].as_str() <= "2026-12-03"
    });
    assert!(kept.iter().any(|row| row["section_list"].contains('%')));
    assert!(kept.iter().any(|row| row["task"] == "skid"));
    let keep = ["--keep-plan", "first"];
    let by_table = ["--done", "done.csv", "--out", "table"];
    let by_time = ["--done-until", "2026-12-04", "--out", "time"];
    let mut ends = vec![];
    for more in [&by_table[..], &by_time] {
        ends.push(dispatch(folder, "2026-12-04", &[&keep[..], more].concat()));
    }
    assert!(ends.iter().all(|ended| matches!(ended.code, 0 | 3)));
    assert_eq!(ends[0].code, ends[1].code, "{}", ends[0].stdout);
    let [table, time] = ["table", "time"].map(|out| schedule_of(folder, out));
    assert!(table["done_before"]["sections"].as_u64().unwrap() > 3);
    assert_eq!(table["done_before"]["rows_elsewhere"], 0);
    assert_eq!(
        table["done_before"]["sections"],
        time["done_before"]["sections"]
    );
    assert_eq!(table["plan_before"], time["plan_before"]);
    for kind in ["cut", "skid", "move"] {
        let [a, b] = [&table, &time].map(|own| tasks(own, kind));
        assert_eq!(a.len(), b.len(), "{kind}");
        for (a, b) in a.iter().zip(&b) {
            for key in ["machine", "block_id", "section"] {
                assert_eq!(a[key], b[key], "{a} {b}");
            }
            for key in ["from", "to"] {
                let of = |task: &Value| task[key].as_i64().unwrap();
                assert!((of(a) - of(b)).abs() <= 5, "{a} {b}");
            }
        }
    }
    // The calendar takes back nothing that was done.
    assert!(!folder.join("table/shifts-cancelled.ics").exists());
}

#[test]
fn a_copy_may_be_shortened_and_what_fits_nowhere_is_told() {
    let temp = tempfile::tempdir().unwrap();
    let folder = temp.path();
    laid_out(folder);
    dispatch(folder, "2026-12-01", &["--out", "first"]);
    let first = schedule_of(folder, "first");
    let all_h = |own: &Value| {
        own["day_only_hours"].as_f64().unwrap() + own["night_safe_hours"].as_f64().unwrap()
    };
    let is_first = |row: &BTreeMap<String, String>| {
        row["task"] == "cut" && row["machine"] == "feller 1" && row["sections"] != "1"
    };
    let one = std::cell::Cell::new(false);
    // Only the first cut of the first machine, as it was planned.
    let rows = copy_of(folder, "whole.csv", &|row| {
        is_first(row) && row["date"] == "2026-12-01" && !one.replace(true)
    });
    let row = &rows[0];
    let hours: f64 = row["hours"].parse().unwrap();
    let at = row["from"].clone();
    let done = |table: &str, code: &[i32]| {
        let ended = dispatch(folder, "2026-12-01", &["--done", table, "--out", "left"]);
        assert!(
            code.contains(&ended.code),
            "{}{}",
            ended.stdout,
            ended.stderr
        );
        (
            all_h(&first) - all_h(&schedule_of(folder, "left")),
            ended.stdout,
        )
    };
    let (whole, _) = done("whole.csv", &[0, 3]);
    assert!((whole - hours).abs() < 0.01, "{whole} {hours}");
    // Half the time: half of it is done, and that is told.
    copy_of(folder, "half.csv", &|row| {
        let own = is_first(row) && row["from"] == at;
        row.insert("hours".to_owned(), format!("{:.4}", hours / 2.0));
        own
    });
    let (half, told) = done("half.csv", &[0, 3]);
    assert!((half - hours / 2.0).abs() < 0.01, "{half} {hours}");
    assert!(told.contains("shorter than what they list takes"), "{told}");
    // Up to another section: no more than that one is done.
    copy_of(folder, "one.csv", &|row| {
        let own = is_first(row) && row["from"] == at;
        let first = row["first_section"].clone();
        row.insert("last_section".to_owned(), first);
        own
    });
    let (only, _) = done("one.csv", &[0, 3]);
    assert!(only > 0.0 && only < whole, "{only}");
    assert_eq!(schedule_of(folder, "left")["done_before"]["sections"], 1);
    // A block that is not there, a section that is not, and a list that nobody can read: the rest counts.
    let changes: [(&str, &str, &str); 4] = [
        ("block_id", "A-9", "no block `A-9`"),
        (
            "section_list",
            "1-99.1/1",
            "is not in its column `section_list`",
        ),
        ("section_list", "strip 7", "is no section such as"),
        ("task", "burn", "`burn` is no task"),
    ];
    for (column, cell, word) in changes {
        copy_of(folder, "lost.csv", &|row| {
            let own = is_first(row) && row["from"] == at;
            row.insert(column.to_owned(), cell.to_owned());
            own
        });
        let (none, told) = done("lost.csv", &[3]);
        assert!(none.abs() < 1e-9 && told.contains(word), "{none} {told}");
    }
    let beyond = "1-99.1/1-2";
    copy_of(folder, "beyond.csv", &|row| {
        let own = is_first(row) && row["from"] == at;
        row.insert("section_list".to_owned(), beyond.to_owned());
        row.insert("first_section".to_owned(), "1-99.1/1".to_owned());
        row.insert("last_section".to_owned(), "1-99.1/2".to_owned());
        own
    });
    let (_, told) = done("beyond.csv", &[3]);
    assert!(told.contains("no section 1-99.1/1 in block"), "{told}");
    // The same row twice is one.
    let twice = std::fs::read_to_string(folder.join("whole.csv")).unwrap();
    let last = twice.lines().last().unwrap();
    write(folder, "twice.csv", &format!("{twice}{last}\n"));
    let (twice, told) = done("twice.csv", &[3]);
    assert!(
        (twice - whole).abs() < 1e-9 && told.contains("begins the same"),
        "{told}"
    );
    // Two tables, one of them by hand.
    let id = &row["block_id"];
    write(folder, "block.csv", &format!("block_id\n{id}\n"));
    let both = [
        "--done",
        "whole.csv",
        "--done",
        "block.csv",
        "--out",
        "left",
    ];
    let ended = dispatch(folder, "2026-12-01", &both);
    assert!(matches!(ended.code, 0 | 3), "{}", ended.stderr);
    let left: BTreeSet<String> = tasks(&schedule_of(folder, "left"), "cut")
        .iter()
        .map(|task| task["block_id"].to_string())
        .collect();
    assert!(!left.is_empty() && !left.contains(&format!("\"{id}\"")));
    // A time that a spreadsheet has changed, and a column that somebody took out.
    copy_of(folder, "time.csv", &|row| {
        row.insert("from".to_owned(), "01.12.2026 06:00".to_owned());
        true
    });
    let ended = dispatch(
        folder,
        "2026-12-01",
        &["--done", "time.csv", "--out", "none"],
    );
    assert!(
        ended.code == 2
            && ended.stderr.contains("time.csv, line 2")
            && ended.stderr.contains("is no time such as"),
        "{}",
        ended.stderr
    );
    let cut = std::fs::read_to_string(folder.join("whole.csv"))
        .unwrap()
        .replace("section_list", "notes");
    write(folder, "cut.csv", &cut);
    let ended = dispatch(
        folder,
        "2026-12-01",
        &["--done", "cut.csv", "--out", "none"],
    );
    assert!(
        ended.code == 2 && ended.stderr.contains("without the column `section_list`"),
        "{}",
        ended.stderr
    );
}

/// A row of a layer of one block: numbers of its piece and section, hours, and its line.
struct Drawn {
    piece: [i64; 3],
    section_no: i64,
    hours: f64,
    line: Vec<[f64; 2]>,
}

fn drawn(folder: &Path, layer: &str, block: &str) -> Vec<Drawn> {
    let dataset = gdal::Dataset::open(folder.join("out/layout.gpkg")).unwrap();
    let mut layer = dataset.layer_by_name(layer).unwrap();
    let fields: Vec<String> = layer.defn().fields().map(|own| own.name()).collect();
    let at = |name: &str| fields.iter().position(|own| own == name);
    let mut found = vec![];
    for feature in layer.features() {
        let text = feature.field_as_string(at("block_id").unwrap()).unwrap();
        if text.unwrap() != block {
            continue;
        }
        let whole = |name: &str| feature.field_as_integer64(at(name)?).unwrap();
        let number = |name: &str| feature.field_as_double(at(name)?).unwrap();
        let geometry = feature.geometry().unwrap();
        let mut points = vec![];
        if geometry.geometry_count() == 0 {
            geometry.get_points(&mut points);
        }
        found.push(Drawn {
            piece: ["part", "strip_no", "piece"].map(|name| whole(name).unwrap()),
            section_no: whole("section_no").unwrap_or(0),
            hours: number("scheduled_hours").unwrap_or(0.0),
            line: points.into_iter().map(|(x, y, _)| [x, y]).collect(),
        });
    }
    found
}

/// A way of the machine 2 m beside straight lines, as a receiver has it, of `share` of each line's length.
fn track(folder: &Path, name: &str, lines: &[(&[[f64; 2]], f64)]) {
    let features: Vec<String> = lines
        .iter()
        .map(|(line, share)| {
            let [a, b] = [line[0], line[line.len() - 1]];
            let long = (b[0] - a[0]).hypot(b[1] - a[1]);
            let (dx, dy) = ((b[0] - a[0]) / long, (b[1] - a[1]) / long);
            let count = (long * share / 4.0).ceil() as usize;
            let fixes = (0..=count).map(|i| {
                let at = (4.0 * i as f64).min(long * share);
                format!(
                    "[{}, {}]",
                    a[0] + dx * at + 2.0 * dy,
                    a[1] + dy * at - 2.0 * dx
                )
            });
            let fixes: Vec<String> = fixes.collect();
            let line = format!(
                "{{\"type\": \"LineString\", \"coordinates\": [{}]}}",
                fixes.join(", ")
            );
            feature(r#"{"name": "a"}"#, &line)
        })
        .collect();
    write(folder, name, &collection(UTM, &features));
}

/// By hand: a machine that drove along two strips of A-1, 2 m beside their lines, has cut these; of a third it drove half, and
/// reaches as far again as its reach ahead: so much of that strip is cut, and no ground of the strips beside it.
#[test]
fn sections_along_a_track_are_done_and_half_done_ones_stay_open() {
    let temp = tempfile::tempdir().unwrap();
    let folder = temp.path();
    laid_out(folder);
    dispatch(folder, "2026-12-01", &["--out", "first"]);
    let lines = drawn(folder, "strip_lines", "A-1");
    let sections = drawn(folder, "sections", "A-1");
    let straight = lines.iter().filter(|own| {
        let strip = own.piece[1] > 0 && own.line.len() == 2;
        let [a, b] = [own.line[0], own.line[own.line.len() - 1]];
        strip && (b[0] - a[0]).hypot(b[1] - a[1]) > 60.0
    });
    let straight: Vec<&Drawn> = straight.collect();
    assert!(straight.len() > 5, "{}", straight.len());
    // Strips beside each other, so that the fixes of one lie near the next.
    let [one, two, half] = [straight[1], straight[2], straight[4]];
    track(
        folder,
        "way.geojson",
        &[(&one.line, 1.0), (&two.line, 1.0), (&half.line, 0.5)],
    );
    let ended = dispatch(
        folder,
        "2026-12-01",
        &["--done-track", "way.geojson", "--out", "left"],
    );
    assert!(
        matches!(ended.code, 0 | 3),
        "{}{}",
        ended.stdout,
        ended.stderr
    );
    let of = |own: &Drawn| {
        sections
            .iter()
            .filter(|section| section.piece == own.piece)
            .collect::<Vec<_>>()
    };
    let hours = |own: &Drawn| of(own).iter().map(|section| section.hours).sum::<f64>();
    let reach_m: f64 = {
        let run = std::fs::read_to_string(folder.join("out/run.json")).unwrap();
        let run: Value = serde_json::from_str(&run).unwrap();
        run["settings"]["machine"]["reach_m"].as_f64().unwrap()
    };
    let [a, b] = [half.line[0], half.line[1]];
    let long = (b[0] - a[0]).hypot(b[1] - a[1]);
    let left = schedule_of(folder, "left");
    let done = &left["done_before"];
    let expected = hours(one) + hours(two) + hours(half) * (0.5 + 0.8 * reach_m / long);
    let found = done["hours"].as_f64().unwrap();
    assert!(
        (found - expected).abs() < 0.12 * hours(half),
        "{found} {expected} {done}"
    );
    let names = |task: &Value| {
        let own = &task["section"];
        ["part", "strip_no", "piece", "section_no"].map(|key| own[key].as_i64().unwrap())
    };
    let cuts = tasks(&left, "cut");
    let still: BTreeSet<[i64; 4]> = cuts
        .iter()
        .filter(|task| task["block_id"] == "A-1")
        .map(|task| names(task))
        .collect();
    let mut all: BTreeSet<[i64; 4]> = BTreeSet::new();
    for own in &sections {
        let [part, strip, piece] = own.piece;
        all.insert([part, strip, piece, own.section_no]);
    }
    let gone: BTreeSet<[i64; 3]> = all
        .difference(&still)
        .map(|own| [own[0], own[1], own[2]])
        .collect();
    let expected: BTreeSet<[i64; 3]> = [one.piece, two.piece].into();
    assert!(gone.is_superset(&expected), "{gone:?}");
    assert!(
        gone.iter()
            .all(|own| expected.contains(own) || *own == half.piece),
        "{gone:?}"
    );
    assert_eq!(done["begun_sections"], 1, "{done}");
    for word in [
        "half done and stay open",
        "were driven in sections",
        "done before:",
    ] {
        assert!(ended.stdout.contains(word), "{word}: {}", ended.stdout);
    }
    // The same said by a table beside it is the same ground.
    let [part, strip, piece] = one.piece;
    let rows: Vec<String> = of(one)
        .iter()
        .map(|own| format!("A-1,{part},{strip},{piece},{}", own.section_no))
        .collect();
    write(
        folder,
        "table.csv",
        &format!(
            "block_id,part,strip_no,piece,section_no\n{}\n",
            rows.join("\n")
        ),
    );
    let both = [
        "--done-track",
        "way.geojson",
        "--done",
        "table.csv",
        "--out",
        "both",
    ];
    dispatch(folder, "2026-12-01", &both);
    assert_eq!(&schedule_of(folder, "both")["done_before"], done);
    // A track that lies elsewhere is told, and so is a file that holds none.
    let away: Vec<[f64; 2]> = half.line.iter().map(|[x, y]| [x + 5000.0, *y]).collect();
    track(folder, "away.geojson", &[(&away, 1.0)]);
    let ended = dispatch(
        folder,
        "2026-12-01",
        &["--done-track", "away.geojson", "--out", "left"],
    );
    assert!(
        ended.code == 3 && ended.stdout.contains("come into no section"),
        "{}",
        ended.stdout
    );
    let ended = dispatch(
        folder,
        "2026-12-01",
        &["--done-track", "blocks.geojson", "--out", "none"],
    );
    assert!(
        ended.code == 2 && ended.stderr.contains("blocks.geojson"),
        "{}",
        ended.stderr
    );
}
