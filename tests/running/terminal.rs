//! Results and messages that cannot be written: a reader that has gone, and a disk that is full.
#![cfg(target_os = "linux")]

use crate::run_binary;

use std::fs::File;
use std::path::Path;
use std::process::{ExitStatus, Stdio};

use run_binary::*;
use tempfile::tempdir;

const LAYOUT: [&str; 4] = ["layout", "project.toml", "--out", "out"];

/// A device on which every write finds the disk full.
fn full() -> Stdio {
    let device = File::options().write(true).open("/dev/full");
    device.expect("a Linux device").into()
}

/// A pipe whose reader has gone.
fn gone() -> Stdio {
    let (reader, writer) = std::io::pipe().expect("a pipe");
    drop(reader);
    writer.into()
}

struct Told {
    status: ExitStatus,
    stdout: String,
    stderr: String,
}

/// Runs with these ways out; what goes elsewhere is caught.
fn run_into(folder: &Path, arguments: &[&str], out: Option<Stdio>, err: Option<Stdio>) -> Told {
    let mut command = command(folder, arguments);
    command.stdout(out.unwrap_or_else(Stdio::piped));
    command.stderr(err.unwrap_or_else(Stdio::piped));
    let ended = command.output().expect("the binary starts");
    Told {
        status: ended.status,
        stdout: String::from_utf8(ended.stdout).expect("UTF-8"),
        stderr: String::from_utf8(ended.stderr).expect("UTF-8"),
    }
}

fn is_whole(folder: &Path) {
    let verified = run(folder, &["verify", "out"]);
    assert_eq!(verified.code, 0, "{}{}", verified.stdout, verified.stderr);
}

#[test]
fn a_layout_whose_messages_nobody_can_write_goes_on_and_says_so_once() {
    let temp = tempdir().unwrap();
    let folder = temp.path();
    small_project(folder);
    let told = run_into(folder, &LAYOUT, None, Some(full()));
    assert_eq!(told.status.code(), Some(0), "{}", told.stdout);
    assert!(told.stdout.contains("2 blocks laid out"), "{}", told.stdout);
    let notes = told.stdout.matches("standard error").count();
    assert_eq!(notes, 1, "{}", told.stdout);
    is_whole(folder);

    // A single object stays one, and who is gone wants to know of nothing.
    let json = [&LAYOUT[..], &["--json"]].concat();
    let told = run_into(folder, &json, None, Some(full()));
    assert_eq!(told.status.code(), Some(0));
    let object: serde_json::Value = serde_json::from_str(&told.stdout).unwrap();
    assert_eq!(object["command"], "layout");
    let told = run_into(folder, &LAYOUT, None, Some(gone()));
    assert_eq!(told.status.code(), Some(0));
    assert!(!told.stdout.contains("standard error"), "{}", told.stdout);
    let told = run_into(folder, &LAYOUT, Some(gone()), Some(gone()));
    assert_eq!(told.status.code(), Some(0));
    is_whole(folder);
}

#[test]
fn mistakes_keep_their_exit_code_where_nobody_can_be_told_of_them() {
    let temp = tempdir().unwrap();
    for arguments in [&["layuot"][..], &["inspect", "none.toml"]] {
        let told = run_into(temp.path(), arguments, None, Some(full()));
        assert_eq!(told.status.code(), Some(2), "{arguments:?}");
        assert!(told.stdout.contains("standard error"), "{}", told.stdout);
        let told = run_into(temp.path(), arguments, Some(full()), Some(full()));
        assert_eq!(told.status.code(), Some(2), "{arguments:?}");
    }
}

const RESULTS: [&[&str]; 10] = [
    &["--help"],
    &["--version"],
    &["layout", "--help"],
    &["rules"],
    &["rules", "list", "--json"],
    &["rules", "show", "bc-fppr"],
    &["schema"],
    &["completions", "bash"],
    &["man"],
    &["inspect", "project.toml"],
];

#[test]
fn results_that_find_the_disk_full_are_an_error() {
    let temp = tempdir().unwrap();
    small_project(temp.path());
    for arguments in RESULTS {
        let told = run_into(temp.path(), arguments, Some(full()), None);
        assert_eq!(
            told.status.code(),
            Some(1),
            "{arguments:?}: {}",
            told.stderr
        );
        let said = told
            .stderr
            .trim_end()
            .lines()
            .next_back()
            .unwrap_or_default();
        assert!(
            said.starts_with("error: cannot write to standard output") && said.contains("space"),
            "{arguments:?}: {}",
            told.stderr
        );
        assert!(!told.stderr.contains("untouched"), "{}", told.stderr);
    }
}

#[test]
fn a_reader_that_has_gone_ends_nothing_with_a_complaint() {
    let temp = tempdir().unwrap();
    small_project(temp.path());
    for arguments in RESULTS {
        let told = run_into(temp.path(), arguments, Some(gone()), None);
        assert_eq!(
            (told.status.code(), told.stderr.as_str()),
            (Some(0), ""),
            "{arguments:?}"
        );
    }
}

#[test]
fn outputs_that_are_in_place_are_said_to_be_where_the_summary_cannot_be_told() {
    let temp = tempdir().unwrap();
    let folder = temp.path();
    small_project(folder);
    let audit = [
        "audit",
        "project.toml",
        "--plan",
        "out/layout.gpkg",
        "--out",
        "audit",
    ];
    let share = [
        "layout",
        "project.toml",
        "--share",
        "1/1",
        "--out",
        "shares",
    ];
    let gather = ["gather", "shares", "--out", "out"];
    let demo = ["demo", "--blocks", "1"];
    for (arguments, dir) in [
        (&LAYOUT[..], "out"),
        (&audit, "audit"),
        (&share, "shares"),
        (&gather, "out"),
        (&demo, "demo-out/layout"),
    ] {
        let told = run_into(folder, arguments, Some(full()), None);
        assert_eq!(
            told.status.code(),
            Some(1),
            "{arguments:?}: {}",
            told.stderr
        );
        let said = format!("the results in {dir} are whole");
        assert!(
            told.stderr.contains(&said),
            "{arguments:?}: {}",
            told.stderr
        );
    }
    is_whole(folder);
}
