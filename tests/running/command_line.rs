//! The command line as scripts and people rely on it: exit codes, what goes where, and outputs whole or not at all.

use crate::run_binary;

use std::path::Path;
use std::time::{Duration, Instant};

use run_binary::*;
use serde_json::Value;
use tempfile::tempdir;

const OUTPUTS: [&str; 8] = [
    "SHA256SUMS",
    "blocks.csv",
    "compliance.csv",
    "compliance.json",
    "layout.gpkg",
    "run.json",
    "set_aside.csv",
    "set_aside.gpkg",
];

fn one_object(ended: &Ended) -> Value {
    let value: Value = serde_json::from_str(&ended.stdout)
        .unwrap_or_else(|error| panic!("{error}: {}", ended.stdout));
    assert_eq!(value["version"], 1, "{value}");
    value
}

fn layout(folder: &Path, more: &[&str]) -> Ended {
    let mut arguments = vec!["layout", "project.toml"];
    arguments.extend(more);
    run(folder, &arguments)
}

#[test]
fn a_clean_run_ends_with_0_and_whole_outputs() {
    let folder = tempdir().unwrap();
    small_project(folder.path());
    let ended = layout(folder.path(), &["--out", "out"]);
    assert_eq!(ended.code, 0, "{}", ended.stderr);
    assert!(
        ended.stdout.contains("2 blocks laid out"),
        "{}",
        ended.stdout
    );
    assert!(ended.stderr.contains("reading layers"));
    assert!(!ended.stderr.contains('\u{1b}') && !ended.stdout.contains('\u{1b}'));
    let written = files(&folder.path().join("out"));
    for name in OUTPUTS {
        assert!(written.contains_key(name), "{name}");
    }
    assert_eq!(
        written.keys().filter(|name| name.ends_with(".svg")).count(),
        2
    );
    let report = |name: &&String| name.starts_with("report/");
    for name in [
        "index.html",
        "data/overview.js",
        "data/blocks/A-1.js",
        "data/blocks/A-2.js",
    ] {
        assert!(written.contains_key(&format!("report/{name}")), "{name}");
    }
    let others: Vec<&String> = written.keys().filter(|name| !report(name)).collect();
    // Two maps, three sheets, a style for each of twenty layers, and of exchange files two GPX, three KML, fifteen GeoJSON.
    let more = 2 + 3 + 20 + 2 + 3 + 15;
    assert_eq!(others.len(), OUTPUTS.len() + more, "{others:?}");
}

#[test]
fn files_of_a_block_are_called_as_it_is_or_so_that_people_know_it() {
    let folder = tempdir().unwrap();
    small_project(folder.path());
    let path = folder.path().join("blocks.geojson");
    let blocks = std::fs::read_to_string(&path).unwrap();
    let blocks = blocks.replace("A-1", "WS 2").replace("A-2", "ws_2");
    std::fs::write(&path, blocks).unwrap();
    assert_eq!(layout(folder.path(), &["--out", "out"]).code, 0);
    let written = files(&folder.path().join("out"));
    // The id that is a name keeps it; the beginning of the other's SHA-256 tells them apart where case does not count.
    for (stem, id) in [("WS_2_x9301a9e7", "WS 2"), ("ws_2", "ws_2")] {
        for name in [
            format!("maps/{stem}.svg"),
            format!("sheets/{stem}.pdf"),
            format!("exchange/gpx/{stem}.gpx"),
            format!("exchange/kml/{stem}.kml"),
            format!("report/data/blocks/{stem}.js"),
        ] {
            assert!(written.contains_key(&name), "{name}: {:?}", written.keys());
        }
        let overview = std::str::from_utf8(&written["report/data/overview.js"]).unwrap();
        assert!(overview.contains(&format!("[\"{id}\",\"{stem}\",")), "{id}");
    }
}

#[test]
fn quiet_says_nothing_at_all_when_all_is_well() {
    let folder = tempdir().unwrap();
    small_project(folder.path());
    for arguments in [
        &["layout", "project.toml", "--out", "out", "--quiet"][..],
        &["-q", "layout", "project.toml", "--out", "out"],
        &["inspect", "project.toml", "--quiet"],
    ] {
        let ended = run(folder.path(), arguments);
        assert_eq!(
            (ended.code, ended.stdout.as_str(), ended.stderr.as_str()),
            (0, "", ""),
            "{arguments:?}"
        );
    }
    let failed = run(
        folder.path(),
        &["layout", "none.toml", "--out", "out", "--quiet"],
    );
    assert_eq!(failed.code, 2);
    assert!(
        failed.stderr.contains("none.toml"),
        "errors are told even then"
    );
}

#[test]
fn something_set_aside_ends_with_3_and_complete_outputs() {
    let folder = tempdir().unwrap();
    small_project(folder.path());
    let blocks = [
        feature(r#"{"BLOCK": "A-1"}"#, &rectangle(0.0, 0.0, 300.0, 200.0)),
        feature(r#"{"BLOCK": "A-2"}"#, "null"),
    ];
    write(folder.path(), "blocks.geojson", &collection(UTM, &blocks));
    let ended = layout(folder.path(), &["--out", "out", "--json"]);
    assert_eq!(ended.code, 3, "{}", ended.stderr);
    let told = one_object(&ended);
    assert_eq!(told["counts"]["blocks_laid_out"], 1);
    assert_eq!(told["clean"], false);
    assert_eq!(told["problems"][0]["reason"], "null-geometry");
    let written = files(&folder.path().join("out"));
    assert!(OUTPUTS.iter().all(|name| written.contains_key(*name)));
    assert_eq!(run(folder.path(), &["inspect", "project.toml"]).code, 3);
}

#[test]
fn a_rule_that_is_not_met_ends_with_3() {
    let folder = tempdir().unwrap();
    small_project(folder.path());
    let text = std::fs::read_to_string(folder.path().join("project.toml")).unwrap();
    write(folder.path(), "project.toml", &text.replace("10 %", "90 %"));
    let ended = layout(folder.path(), &["--out", "out"]);
    assert_eq!(ended.code, 3, "{}", ended.stderr);
    let table = std::fs::read_to_string(folder.path().join("out/compliance.csv")).unwrap();
    let row = table
        .lines()
        .find(|row| row.starts_with("A-1,retention-share"))
        .unwrap();
    assert!(row.contains(",fail,"), "{row}");
    let said = ended.stdout + &ended.stderr;
    assert!(
        said.contains("falling short of a rule: A-1, A-2\n"),
        "{said}"
    );
}

#[test]
fn mistyped_commands_and_options_end_with_2_and_say_what_was_meant() {
    let folder = tempdir().unwrap();
    small_project(folder.path());
    for (arguments, meant) in [
        (&["layuot", "project.toml"][..], "'layout'"),
        (&["layout", "project.toml", "--owt", "out"], "'--out'"),
        (
            &["layout", "project.toml", "--out", "out", "--jobs", "none"],
            "--jobs",
        ),
        (
            &["layout", "project.toml", "--out", "out", "--jobs", "0"],
            "--jobs",
        ),
        (&["layout", "project.toml"], "--out"),
        (&["rules", "shwo"], "'show'"),
        (&["rules", "show", "bc-fpr"], "bc-fppr"),
        (&["demo", "--blocks", "0", "--out", "out"], "1 to 100000"),
        (&["completions", "bahs"], "bash"),
        (
            &[
                "layout",
                "project.toml",
                "--out",
                "out",
                "--only",
                "A-1,,A-2",
            ],
            "an id is missing",
        ),
        // A number below zero is a wrong number, no option.
        (
            &["demo", "--out", "out", "--blocks", "-4"],
            "invalid value '-4'",
        ),
        (
            &[
                "audit",
                "project.toml",
                "--plan",
                "p.gpkg",
                "--out",
                "out",
                "--faulty-share",
                "-3",
            ],
            "a share above 0 and below 1 is needed",
        ),
        // An option that has gone says what took its place.
        (
            &[
                "audit",
                "project.toml",
                "--plan",
                "p.gpkg",
                "--out",
                "out",
                "--sample",
                "20",
            ],
            "--field-check draws places",
        ),
        (&[], "Usage"),
    ] {
        let ended = run(folder.path(), arguments);
        assert_eq!(ended.code, 2, "{arguments:?}");
        assert!(
            ended.stderr.contains(meant),
            "{arguments:?}: {}",
            ended.stderr
        );
        assert_eq!(ended.stdout, "", "{arguments:?}");
    }
    assert!(!folder.path().join("out").exists());
}

#[test]
fn an_unknown_block_is_refused_with_the_nearest_one_and_writes_nothing() {
    let folder = tempdir().unwrap();
    small_project(folder.path());
    let ended = layout(folder.path(), &["--out", "out", "--only", " A-2, A_1 "]);
    assert_eq!(ended.code, 2);
    assert!(
        ended
            .stderr
            .contains("no block has the id `A_1`; did you mean `A-1`?"),
        "{}",
        ended.stderr
    );
    assert!(!folder.path().join("out").exists());
}

#[test]
fn a_block_that_cannot_be_worked_with_is_no_unknown_one() {
    let folder = tempdir().unwrap();
    small_project(folder.path());
    let path = folder.path().join("blocks.geojson");
    let blocks = std::fs::read_to_string(&path).unwrap();
    // As drawn in centimetres: west of where the zone is made for.
    std::fs::write(&path, blocks.replace("500600,", "50060000,")).unwrap();
    let ended = layout(folder.path(), &["--out", "out", "--only", "A-2"]);
    assert_eq!(ended.code, 2);
    for meant in [
        "`--only`",
        "set aside[out-of-range]",
        "feature A-2",
        "EPSG:32616",
    ] {
        assert!(ended.stderr.contains(meant), "{meant}: {}", ended.stderr);
    }
    assert!(!folder.path().join("out").exists());
}

#[test]
fn a_folder_of_somebody_elses_is_left_as_it_is() {
    let folder = tempdir().unwrap();
    small_project(folder.path());
    let foreign = folder.path().join("holiday");
    std::fs::create_dir(&foreign).unwrap();
    write(&foreign, "notes.txt", "not ours");
    write(&foreign, "run.json", "{\"also\": \"not ours\"}");
    let before = files(folder.path());
    for out in ["holiday", "project.toml"] {
        let ended = layout(folder.path(), &["--out", out]);
        assert_eq!(ended.code, 1, "{}", ended.stderr);
        assert!(
            ended.stderr.contains(out) && ended.stderr.contains("--out"),
            "{}",
            ended.stderr
        );
        assert!(before == files(folder.path()), "{out} was touched");
    }
    let told = one_object(&layout(folder.path(), &["--out", "holiday", "--json"]));
    assert_eq!(told["exit_code"], 1);
}

#[test]
fn an_earlier_run_is_replaced_as_a_whole() {
    let folder = tempdir().unwrap();
    small_project(folder.path());
    assert_eq!(layout(folder.path(), &["--out", "out"]).code, 0);
    let first = files(&folder.path().join("out"));
    assert_eq!(
        layout(folder.path(), &["--out", "out", "--only", "A-2"]).code,
        0
    );
    let second = files(&folder.path().join("out"));
    assert_eq!(
        second.keys().filter(|name| name.ends_with(".svg")).count(),
        1
    );
    assert!(!second.contains_key("report/data/blocks/A-1.js"));
    // A map, a page of the report, a sheet, a GPX and a KML are gone with the block.
    assert_eq!(second.len(), first.len() - 5);
    let table = String::from_utf8(second["blocks.csv"].clone()).unwrap();
    assert!(table.contains("A-2,") && !table.contains("A-1,"), "{table}");
}

#[test]
fn a_failed_run_leaves_the_earlier_outputs_and_nothing_partial() {
    let folder = tempdir().unwrap();
    small_project(folder.path());
    assert_eq!(layout(folder.path(), &["--out", "out"]).code, 0);
    let before = files(&folder.path().join("out"));
    write(folder.path(), "blocks.geojson", "{\"type\": \"FeatureColl");
    assert_eq!(layout(folder.path(), &["--out", "out"]).code, 2);
    std::fs::remove_file(folder.path().join("blocks.geojson")).unwrap();
    for out in ["out", "fresh"] {
        let ended = layout(folder.path(), &["--out", out]);
        assert_eq!(ended.code, 2);
        assert!(ended.stderr.contains("blocks.geojson"), "{}", ended.stderr);
    }
    assert!(before == files(&folder.path().join("out")));
    assert!(!folder.path().join("fresh").exists());
}

#[test]
fn a_killed_run_leaves_no_outputs_and_the_next_one_clears_up() {
    let folder = tempdir().unwrap();
    let options = blockwright::demo::DemoOptions {
        blocks: 60,
        seed: 7,
    };
    blockwright::demo::write(folder.path(), &options).unwrap();
    let mut child = command(
        folder.path(),
        &["layout", "project.toml", "--out", "out", "--quiet"],
    )
    .spawn()
    .unwrap();
    let out = folder.path().join("out");
    let started = Instant::now();
    // Journals come and go meanwhile, so nothing is listed yet.
    while !out.join(".blockwright-partial/new/layout.gpkg").exists() {
        assert!(
            child.try_wait().unwrap().is_none(),
            "ended before it could be killed"
        );
        assert!(started.elapsed() < Duration::from_secs(60));
        std::thread::sleep(Duration::from_millis(2));
    }
    child.kill().unwrap();
    child.wait().unwrap();
    let left = files(&out);
    assert!(!left.is_empty(), "killed before anything was written");
    for name in left.keys() {
        assert!(
            name.starts_with(".blockwright-partial"),
            "{name} looks like a result"
        );
    }
    // 3: the demo holds broken features.
    let next = layout(
        folder.path(),
        &["--out", "out", "--only", "D07-0002", "--quiet"],
    );
    assert_eq!((next.code, next.stderr.as_str()), (3, ""));
    let written = files(&out);
    assert!(OUTPUTS.iter().all(|name| written.contains_key(*name)));
    assert!(!out.join(".blockwright-partial").exists());
}

#[test]
fn combinations_are_compared_without_writing_anything() {
    let folder = tempdir().unwrap();
    small_project(folder.path());
    let plain = std::fs::read_to_string(folder.path().join("project.toml")).unwrap();
    let lists = "\n[machine]\nreach = [\"8 m\", \"9 m\"]\n[layout]\nazimuth = [\"auto\", 90.0]\n";
    write(folder.path(), "project.toml", &format!("{plain}{lists}"));
    let before = files(folder.path());
    let ended = layout(folder.path(), &["--compare"]);
    assert_eq!(ended.code, 0, "{}", ended.stderr);
    let lines: Vec<&str> = ended.stdout.lines().collect();
    assert_eq!(lines.len(), 5, "{}", ended.stdout);
    assert!(lines[0].contains("machine.reach") && lines[0].contains("skid m"));
    let told = one_object(&layout(folder.path(), &["--compare", "--json"]));
    let rows = told["rows"].as_array().unwrap();
    assert_eq!(rows.len(), 4);
    assert_eq!(rows[1]["values"]["machine.reach"], "8 m");
    assert_eq!(rows[1]["values"]["layout.azimuth"], "90.0");
    for column in ["settings", "pass km", "empty km"] {
        assert!(lines[0].contains(column), "{column}: {}", lines[0]);
    }
    let strips = |row: &Value| row["result"]["strips"].as_u64().unwrap();
    assert!(strips(&rows[0]) > strips(&rows[2]), "{told}");
    assert!(rows.iter().all(|row| row["result"]["blocks"] == 2));
    assert!(before == files(folder.path()), "something was written");

    // A row says what the layout of that combination says.
    let one = "\n[machine]\nreach = \"9 m\"\n[layout]\nazimuth = 90.0\n";
    write(folder.path(), "one.toml", &format!("{plain}{one}"));
    let ended = run(folder.path(), &["layout", "one.toml", "--out", "out"]);
    assert_eq!(ended.code, 0, "{}", ended.stderr);
    let mut table = csv::Reader::from_path(folder.path().join("out/blocks.csv")).unwrap();
    let headings = table.headers().unwrap().clone();
    let at = |name: &str| headings.iter().position(|own| own == name).unwrap();
    let (mut hours, mut count) = (0.0, 0);
    for row in table.records() {
        let row = row.unwrap();
        hours += row[at("day_hours")].parse::<f64>().unwrap();
        count += row[at("strips")].parse::<u64>().unwrap();
    }
    assert_eq!(strips(&rows[3]), count);
    let compared = rows[3]["result"]["day_hours"].as_f64().unwrap();
    assert!((compared - hours).abs() < 0.01, "{compared} {hours}");

    let refused = layout(folder.path(), &["--out", "out2"]);
    assert_eq!(refused.code, 2);
    assert!(
        refused.stderr.contains("error[list-of-values]") && refused.stderr.contains("--compare")
    );
    let both = layout(folder.path(), &["--compare", "--out", "out2"]);
    assert_eq!(both.code, 2);
    assert!(!folder.path().join("out2").exists());
}

#[test]
fn json_is_one_object_with_a_version_on_every_command() {
    let folder = tempdir().unwrap();
    small_project(folder.path());
    write(
        folder.path(),
        "rules.toml",
        include_str!("../../src/rulebook/presets/bare.toml"),
    );
    for (arguments, code) in [
        (&["layout", "project.toml", "--out", "out", "--json"][..], 0),
        (&["inspect", "project.toml", "--json"], 0),
        (&["rules", "--json"], 0),
        (&["rules", "list", "--json"], 0),
        (&["rules", "show", "bc-fppr", "--json"], 0),
        (&["rules", "check", "rules.toml", "--json"], 0),
        (&["rules", "check", "project.toml", "--json"], 2),
        (&["schema", "--json"], 0),
        (&["layuot", "none.toml", "--json"], 2),
        (&["demo", "--out", "demo", "--blocks", "2", "--json"], 3),
        (&["layout", "none.toml", "--out", "out", "--json"], 2),
    ] {
        let ended = run(folder.path(), arguments);
        assert_eq!(ended.code, code, "{arguments:?}: {}", ended.stderr);
        let told = one_object(&ended);
        if arguments[1] == "check" {
            assert_eq!(told["sound"], code == 0);
        } else if code == 2 {
            assert_eq!(told["exit_code"], 2);
            let word = if arguments[0] == "layuot" {
                "'layout'"
            } else {
                "none.toml"
            };
            assert!(told["error"].as_str().unwrap().contains(word), "{told}");
        }
    }
    let quiet = layout(folder.path(), &["--out", "out", "--json", "--quiet"]);
    assert_eq!(quiet.stderr, "");
    assert_eq!(one_object(&quiet)["command"], "layout");
}

#[test]
fn help_names_every_command_with_an_example_and_the_exit_codes() {
    let folder = tempdir().unwrap();
    let help = run(folder.path(), &["--help"]);
    assert_eq!((help.code, help.stderr.as_str()), (0, ""));
    for code in ["  0  ", "  1  ", "  2  ", "  3  "] {
        assert!(help.stdout.contains(code), "{}", help.stdout);
    }
    let commands = help
        .stdout
        .split("Commands:\n")
        .nth(1)
        .unwrap()
        .split("\n\n")
        .next()
        .unwrap();
    let commands: Vec<&str> = commands
        .lines()
        .filter_map(|line| line.split_whitespace().next())
        .filter(|name| *name != "help")
        .collect();
    assert!(commands.len() >= 6, "{commands:?}");
    for name in commands {
        let help = run(folder.path(), &[name, "--help"]);
        assert_eq!(help.code, 0);
        let example = help.stdout.split("Example:\n  ").nth(1);
        let example = example.unwrap_or_else(|| panic!("{name} has no example"));
        assert!(
            example.starts_with(&format!("blockwright {name}")),
            "{example}"
        );
    }
    let version = run(folder.path(), &["--version"]);
    assert_eq!(
        version.stdout.trim(),
        format!("blockwright {}", env!("CARGO_PKG_VERSION"))
    );
}

#[test]
fn rules_are_listed_shown_and_checked() {
    let folder = tempdir().unwrap();
    let list = run(folder.path(), &["rules", "list"]);
    assert_eq!(list.code, 0);
    assert_eq!(list.stdout, run(folder.path(), &["rules"]).stdout);
    for line in list.stdout.lines().step_by(2) {
        let preset = line.split_whitespace().next().unwrap();
        let shown = run(folder.path(), &["rules", "show", preset]);
        assert_eq!(shown.code, 0, "{}", shown.stderr);
        assert!(shown.stdout.contains("\nSOURCES\n"), "{}", shown.stdout);
    }
    assert!(list.stdout.lines().count() >= 4);
    assert!(list.stdout.contains("7 from memory"), "{}", list.stdout);

    let bare = include_str!("../../src/rulebook/presets/bare.toml");
    write(folder.path(), "own.toml", bare);
    let checked = run(folder.path(), &["rules", "check", "own.toml"]);
    assert_eq!((checked.code, checked.stderr.as_str()), (0, ""));
    assert!(
        checked.stdout.ends_with(
            "own.toml: 4 lines (0 from memory), can be used; 0 errors, 0 warnings, 4 hints\n"
        ),
        "{}",
        checked.stdout
    );
    write(
        folder.path(),
        "own.toml",
        &bare.replacen("reserve = \"0 m\"", "reserv = \"0 m\"", 1),
    );
    let refused = run(folder.path(), &["rules", "check", "own.toml"]);
    assert_eq!((refused.code, refused.stderr.as_str()), (2, ""));
    for word in [
        "error[unknown-key]: own.toml",
        "line ",
        "`reserv`",
        "`reserve`",
        "1 error,",
    ] {
        assert!(refused.stdout.contains(word), "{word}: {}", refused.stdout);
    }
    let shown = run(folder.path(), &["rules", "show", "own.toml"]);
    assert_eq!((shown.code, shown.stdout.as_str()), (2, ""));
    assert!(shown.stderr.contains("`reserv`"), "{}", shown.stderr);
    write(folder.path(), "own.toml", bare);
    let shown = run(folder.path(), &["rules", "show", "own.toml"]);
    assert!(
        shown.stdout.starts_with("own.toml: No code"),
        "{}",
        shown.stdout
    );
    let text = run(folder.path(), &["rules", "show", "bare", "--toml"]);
    assert_eq!(text.stdout, bare);
    let quiet = run(folder.path(), &["rules", "check", "own.toml", "--quiet"]);
    assert_eq!((quiet.code, quiet.stdout.as_str()), (0, ""));
    assert_eq!(run(folder.path(), &["rules", "check", "none.toml"]).code, 2);
}

#[test]
fn completions_and_the_manual_come_from_the_same_commands() {
    let folder = tempdir().unwrap();
    for shell in ["bash", "zsh", "fish"] {
        let script = run(folder.path(), &["completions", shell]);
        assert_eq!((script.code, script.stderr.as_str()), (0, ""));
        for word in ["blockwright", "layout", "inspect", "jobs"] {
            assert!(script.stdout.contains(word), "{shell}: {word}");
        }
    }
    let manual = run(folder.path(), &["man"]);
    assert_eq!((manual.code, manual.stderr.as_str()), (0, ""));
    assert!(
        manual.stdout.contains(".TH blockwright 1"),
        "{}",
        manual.stdout
    );
    assert!(manual.stdout.contains("layout"));
    let own = run(folder.path(), &["man", "layout"]);
    assert_eq!((own.code, own.stderr.as_str()), (0, ""));
    assert!(
        own.stdout.contains(".TH blockwright-layout 1"),
        "{}",
        own.stdout
    );
    assert!(own.stdout.contains("\\-\\-resume"), "{}", own.stdout);
    let none = run(folder.path(), &["man", "lay"]);
    assert_ne!(none.code, 0);
    assert!(
        none.stderr.contains("there is no command `lay`"),
        "{}",
        none.stderr
    );
}

#[test]
fn the_demo_writes_a_project_that_can_be_laid_out_again() {
    let folder = tempdir().unwrap();
    let ended = run(
        folder.path(),
        &["demo", "--out", "d", "--blocks", "3", "--seed", "5"],
    );
    assert_eq!(ended.code, 3, "{}", ended.stderr);
    let again = run(
        folder.path(),
        &["layout", "d/project.toml", "--out", "again", "--jobs", "1"],
    );
    assert_eq!(again.code, 3, "{}", again.stderr);
    let (mut first, mut second) = (
        files(&folder.path().join("d/layout")),
        files(&folder.path().join("again")),
    );
    for name in ["run.json", "SHA256SUMS"] {
        first.remove(name).unwrap();
        second.remove(name).unwrap();
    }
    assert!(first == second);
}

#[test]
fn threads_beyond_use_are_not_started_and_one_is_told() {
    let folder = tempdir().unwrap();
    small_project(folder.path());
    let layout = ["layout", "project.toml", "--out", "out", "--jobs", "4096"];
    let ended = run(folder.path(), &layout);
    let most = blockwright::batch::most_threads();
    let told = format!("note: {most} threads work, not 4096");
    assert!(ended.stderr.contains(&told), "{}", ended.stderr);
    let report = std::fs::read(folder.path().join("out/run.json")).unwrap();
    let report: Value = serde_json::from_slice(&report).unwrap();
    assert_eq!(report["threads"], most);
    let few = run(folder.path(), &[&layout[..5], &["2"]].concat());
    assert!(!few.stderr.contains("threads"), "{}", few.stderr);
}

/// An elevation raster as text: a plane that rises to the north-east.
#[test]
fn inspect_says_how_far_the_elevations_reach() {
    let folder = tempdir().unwrap();
    small_project(folder.path());
    let mut text =
        "ncols 60\nnrows 50\nxllcorner 499900\nyllcorner 5399900\ncellsize 10\n".to_owned();
    for row in 0..50 {
        let line: Vec<String> = (0..60)
            .map(|column| (500 + column - 2 * row).to_string())
            .collect();
        text += &(line.join(" ") + "\n");
    }
    write(folder.path(), "dem.asc", &text);
    let project = std::fs::read_to_string(folder.path().join("project.toml")).unwrap();
    let terrain = "\n[layers.terrain]\nsource = \"dem.asc\"\ncrs = \"EPSG:32616\"\n";
    write(folder.path(), "project.toml", &(project + terrain));
    let ended = run(folder.path(), &["inspect", "project.toml"]);
    assert_eq!(ended.code, 0, "{}", ended.stderr);
    // Block A-2 reaches beyond the raster, to x = 500 600; slopes end at 500 490.
    let said = "dem.asc (AAIGrid, EPSG:32616): 60 by 50 cells of 10 by 10, heights in m; slopes of cells of 10 m, as they \
                are; 1 of 2 blocks covered, 72.50 % of their ground";
    assert!(ended.stdout.contains(said), "{}", ended.stdout);
    assert!(
        ended
            .stdout
            .contains("note[unknown-slope]: dem.asc, feature A-2"),
        "{}",
        ended.stdout
    );
    let told = one_object(&run(folder.path(), &["inspect", "project.toml", "--json"]));
    assert_eq!(told["terrain"]["cell_m"], 10.0);
    assert_eq!(told["terrain_coverage"]["share"], 0.725);
    let inputs = told["inputs"].as_array().unwrap();
    assert_eq!(inputs[inputs.len() - 1]["source"], "dem.asc");
}

#[test]
fn inspect_says_how_roads_and_crossings_may_be_used_and_what_is_assumed() {
    let folder = tempdir().unwrap();
    small_project(folder.path());
    let line = |y: u32| {
        format!(r#"{{"type": "LineString", "coordinates": [[499900, {y}], [500700, {y}]]}}"#)
    };
    let roads = [
        feature(
            r#"{"ROAD": "R-1", "DECKS": "no", "CLEARED": "yes"}"#,
            &line(5_399_997),
        ),
        feature(r#"{"ROAD": "R-2", "DECKS": "yes"}"#, &line(5_400_400)),
        feature(r#"{"ROAD": "R-3"}"#, &line(5_400_500)),
    ];
    write(folder.path(), "roads.geojson", &collection(UTM, &roads));
    let crossings = [
        feature(
            r#"{"X": "C-1", "KIND": "bridge", "W": 6}"#,
            &line(5_400_300),
        ),
        feature(r#"{"X": "C-2", "KIND": "temporary"}"#, &line(5_400_310)),
        feature(r#"{"X": "C-3"}"#, &line(5_400_320)),
    ];
    write(
        folder.path(),
        "crossings.geojson",
        &collection(UTM, &crossings),
    );
    let plain = std::fs::read_to_string(folder.path().join("project.toml")).unwrap();
    let more = "facts = { decking = \"DECKS\", cleared = \"CLEARED\" }\n\n[layers.crossings]\nsource = \"crossings.geojson\"\n\
                id = \"X\"\nclass = \"KIND\"\nwidth = \"W\"\n";
    write(folder.path(), "project.toml", &format!("{plain}{more}"));
    let ended = run(folder.path(), &["inspect", "project.toml"]);
    for said in [
        "decking: 1 no, 1 yes; 1 not said, taken as: wood may be decked along them",
        "machines: 3 not said, taken as: machines may run on them and cross them",
        "cleared: 1 yes; 2 not said, taken as: still to be cleared",
        "class: 1 bridge, 1 temporary; 1 without",
        "width: 1 stated; 2 not said, taken as: ",
    ] {
        assert!(ended.stdout.contains(said), "{said}: {}", ended.stdout);
    }
    let told = one_object(&run(folder.path(), &["inspect", "project.toml", "--json"]));
    let layers = told["layers"].as_array().unwrap();
    let roads = layers
        .iter()
        .find(|layer| layer["role"] == "roads")
        .unwrap();
    assert_eq!(roads["uses"][0]["what"], "decking");
    assert_eq!(roads["uses"][0]["said"]["no"], 1);
    assert_eq!(roads["uses"][1]["assumed"], 3);
    let blocks = layers
        .iter()
        .find(|layer| layer["role"] == "blocks")
        .unwrap();
    // Of blocks it is told how many say how well they are mapped, and nothing else.
    let uses = blocks["uses"].as_array().unwrap();
    let uses: Vec<&serde_json::Value> = uses.iter().map(|own| &own["what"]).collect();
    assert_eq!(uses, ["accuracy"]);
}
