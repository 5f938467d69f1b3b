//! Runs the commands of `docs/tutorial.md` as they are printed, in a folder that has the documents beside it, and holds what the
//! tutorial shows of their output, and of a finding, against what they say.
#![cfg(unix)]

use std::path::Path;
use std::process::Command;

/// Fenced blocks and quotes of a document, in their order.
#[derive(Debug, PartialEq)]
enum Part<'t> {
    Commands(&'t str),
    Shown(&'t str),
    /// A finding, quoted.
    Finding(&'t str),
}

fn parts(text: &str) -> Vec<Part<'_>> {
    let mut found = Vec::new();
    for (number, piece) in text.split("```").enumerate() {
        let fenced = piece.split_once('\n');
        match (number % 2, fenced) {
            (1, Some(("sh", commands))) => found.push(Part::Commands(commands)),
            (1, Some(("text", shown))) => found.push(Part::Shown(shown)),
            (1, _) => panic!("a block of another kind: {piece}"),
            _ => {
                let quoted = piece.lines().filter_map(|line| line.strip_prefix("> "));
                found.extend(quoted.map(Part::Finding));
            }
        }
    }
    found
}

/// The first shown line that does not stand in the output after the ones before it; `...` is anything.
fn missing<'s>(shown: &'s str, output: &str) -> Option<&'s str> {
    let mut lines = output.lines();
    let mut wanted = shown.lines().filter(|line| *line != "...");
    wanted.find(|line| !lines.any(|own| own == *line))
}

/// Runs commands as somebody types them; a command that fails ends the test, but for findings in a run that is whole.
fn typed(folder: &Path, commands: &str) -> String {
    let program = Path::new(env!("CARGO_BIN_EXE_blockwright"));
    let path = std::env::var("PATH").unwrap();
    let output = Command::new("sh")
        .args(["-e", "-c", commands])
        .current_dir(folder)
        .env(
            "PATH",
            format!("{}:{path}", program.parent().unwrap().display()),
        )
        .env_remove("RUST_BACKTRACE")
        .output()
        .unwrap();
    let said = [output.stderr, output.stdout].map(|text| String::from_utf8(text).unwrap());
    assert!(output.status.success(), "{commands}\n{}", said.concat());
    said.concat()
}

#[test]
fn the_tutorial_does_what_it_says() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let text = std::fs::read_to_string(root.join("docs/tutorial.md")).unwrap();
    let folder = tempfile::tempdir().unwrap();
    std::os::unix::fs::symlink(root.join("docs"), folder.path().join("docs")).unwrap();
    let parts = parts(&text);
    let mut output = String::new();
    let mut shown_lines = 0;
    for part in &parts {
        match part {
            Part::Commands(commands) => output = typed(folder.path(), commands),
            Part::Shown(shown) => {
                assert_eq!(missing(shown, &output), None, "in\n{output}");
                shown_lines += shown.lines().count();
            }
            Part::Finding(message) => {
                let layout = std::fs::read(folder.path().join("plan/layout.gpkg")).unwrap();
                let mut windows = layout.windows(message.len());
                assert!(windows.any(|own| own == message.as_bytes()), "{message}");
            }
        }
    }
    let of_commands = |part: &&Part| matches!(part, Part::Commands(_));
    assert!(parts.iter().filter(of_commands).count() >= 10);
    assert!(shown_lines >= 20, "{shown_lines}");
    for written in [
        "shifts/season.html",
        "shifts/shifts.ics",
        "proof/audit.gpkg",
    ] {
        assert!(folder.path().join(written).is_file(), "{written}");
    }
}

#[test]
fn what_is_shown_must_be_said_and_in_its_order() {
    let output = "one\ntwo\nthree\n";
    assert_eq!(missing("one\n...\nthree\n", output), None);
    assert_eq!(missing("two\none\n", output), Some("one"));
    assert_eq!(missing("four\n", output), Some("four"));
    let document = "a\n```sh\nls\n```\n> b\n```text\nc\n```\n";
    let wanted = [
        Part::Commands("ls\n"),
        Part::Finding("b"),
        Part::Shown("c\n"),
    ];
    assert_eq!(parts(document), wanted);
}
