//! The evidence pack of the block of `audit_by_hand`: distances as on paper, sums and signature by the tools that anybody has.

use std::path::Path;
use std::process::{Command, Stdio};

use crate::audit_by_hand::{MAPPED, STATED, audit, project};
use crate::run_binary::Ended;

fn evidence(folder: &Path, out: &str, how: &[&str]) -> Ended {
    let how = [&["--quiet", "--evidence"], &STATED[..], how].concat();
    audit(folder, out, &how)
}

fn read(path: &Path) -> String {
    std::fs::read_to_string(path).unwrap_or_else(|error| panic!("{}: {error}", path.display()))
}

/// The code of the finding of a rule.
fn code(table: &str, rule_id: &str) -> String {
    let row = table.lines().find(|line| line.contains(rule_id)).unwrap();
    row.split(',').next().unwrap().to_owned()
}

#[test]
fn distances_are_drawn_and_the_worst_comes_first() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    project(folder, MAPPED);
    let ended = evidence(folder, "a", &[]);
    assert!(matches!(ended.code, 0 | 3), "{}", ended.stderr);
    let page = read(&folder.join("a/evidence/evidence.html"));
    assert!(!page.contains("<script") && page.contains("default-src 'none'"));
    // On paper: 4 m outside the block, 3 m in the lake, each on the ground.
    assert!(page.contains(">4.00 m</text>"), "{page}");
    assert!(page.contains(">3.00 m</text>"));
    // Of a requirement of 0 m all that is missing counts: 4 m before 3 m.
    let at = |words: &str| {
        page.find(words)
            .unwrap_or_else(|| panic!("{words}: {page}"))
    };
    let outside = at("1. Block A: Nothing cut outside the block");
    assert!(outside < at("2. Block A: Nothing cut or driven within the reserve"));
    assert!(page.contains("beyond doubt at 95 %"));
    // The share cannot be told, and is no failure.
    assert!(at("<h2>What cannot be told") > outside);
    // Whoever reads it sees what was read.
    for name in ["blocks.geojson", "lakes.geojson", "cut.geojson"] {
        let line = read(&folder.join("a/evidence/sources.csv"));
        let line = line
            .lines()
            .find(|line| line.starts_with(name))
            .unwrap()
            .to_owned();
        let sum = Command::new("sha256sum")
            .arg(folder.join(name))
            .output()
            .unwrap();
        let sum = String::from_utf8(sum.stdout).unwrap();
        assert!(line.ends_with(&sum[..64]), "{line} {sum}");
        assert!(page.contains(&sum[..64]));
    }
    let check = Command::new("sha256sum")
        .args(["--check", "--strict", "--quiet", "SHA256SUMS"])
        .current_dir(folder.join("a/evidence"))
        .status()
        .unwrap();
    assert!(check.success());
    // The same again gives the same bytes, without evidence it goes.
    let before = read(&folder.join("a/evidence/SHA256SUMS"));
    evidence(folder, "a", &["--jobs", "1"]);
    assert_eq!(read(&folder.join("a/evidence/SHA256SUMS")), before);
    let ended = audit(folder, "a", &["--quiet"]);
    assert!(matches!(ended.code, 0 | 3), "{}", ended.stderr);
    assert!(!folder.join("a/evidence").exists());
}

#[test]
fn pages_speak_the_language_of_the_project() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    project(folder, MAPPED);
    let text = read(&folder.join("project.toml"));
    std::fs::write(
        folder.join("project.toml"),
        format!("{text}\n[outputs]\nlanguage = \"fr\"\n"),
    )
    .unwrap();
    let ended = evidence(folder, "a", &[]);
    assert!(matches!(ended.code, 0 | 3), "{}", ended.stderr);
    let page = read(&folder.join("a/report/index.html"));
    assert!(
        page.contains("lang=\"fr\"") && page.contains("✕ Non respectée"),
        "{page}"
    );
    assert!(!page.contains("Worst verdict") && !page.contains("✕ Falls short"));
    let page = read(&folder.join("a/evidence/evidence.html"));
    assert!(page.contains("Dossier de preuves") && page.contains("✕ Non respectée"));
}

#[test]
fn actions_are_handed_back_and_none_is_lost() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    project(folder, MAPPED);
    evidence(folder, "a", &[]);
    let table = read(&folder.join("a/evidence/actions.csv"));
    let lake = code(&table, "reserve:");
    let filled = format!(
        "code;block_id;title;action;responsible;due;state;note\r\n{lake};A;lake;plant <two> rows;ranger;2031-05-01;Under way;\r\n\
         0000-0000;Z;gone by now;fence;;;done;\r\n"
    );
    std::fs::write(folder.join("filled.csv"), &filled).unwrap();
    let ended = evidence(folder, "b", &["--actions", "filled.csv"]);
    assert!(matches!(ended.code, 0 | 3), "{}", ended.stderr);
    let page = read(&folder.join("b/evidence/evidence.html"));
    assert!(page.contains("plant &lt;two&gt; rows") && page.contains("under way"));
    assert!(page.contains("0000-0000, block Z, gone by now: done"));
    let table = read(&folder.join("b/evidence/actions.csv"));
    assert!(table.contains("plant <two> rows,ranger,2031-05-01,under way"));
    assert!(table.contains("0000-0000,Z,,gone by now,gone,,,,,fence,,,done"));

    // A table that somebody filled where it lay is not written over, nor read from there.
    let path = folder.join("b/evidence/actions.csv");
    let touched = table.replace("plant", "sow");
    std::fs::write(&path, &touched).unwrap();
    let ended = evidence(folder, "b", &[]);
    assert_eq!(ended.code, 1);
    assert!(ended.stderr.contains("was filled") && ended.stderr.contains("--actions"));
    let ended = evidence(folder, "b", &["--actions", "b/evidence/actions.csv"]);
    assert_eq!(ended.code, 1, "{}", ended.stderr);
    assert_eq!(read(&path), touched);

    for (cell, said) in [
        ("finished", "`finished` is no state of an action"),
        ("", "`12` is no code of a finding"),
    ] {
        let code = if cell.is_empty() { "12" } else { &lake };
        let filled = format!("code,action,state\n{code},x,{cell}\n");
        std::fs::write(folder.join("wrong.csv"), filled).unwrap();
        let ended = evidence(folder, "c", &["--actions", "wrong.csv"]);
        assert_eq!(ended.code, 2);
        assert!(
            ended.stderr.contains(said) && ended.stderr.contains("line 2"),
            "{}",
            ended.stderr
        );
    }
}

#[test]
fn anybody_can_check_a_signature_without_this_program() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    project(folder, MAPPED);
    let made = Command::new("ssh-keygen")
        .args(["-q", "-t", "ed25519", "-N", "", "-f", "key"])
        .current_dir(folder)
        .status();
    assert!(
        made.is_ok_and(|made| made.success()),
        "ssh-keygen is in scripts/apt-packages.txt"
    );
    let ended = evidence(folder, "a", &["--sign-key", "key"]);
    assert!(matches!(ended.code, 0 | 3), "{}", ended.stderr);
    let public = read(&folder.join("key.pub"));
    std::fs::write(
        folder.join("signers"),
        format!("auditor@example.com {public}"),
    )
    .unwrap();
    let verified = || {
        let sums = std::fs::File::open(folder.join("a/evidence/SHA256SUMS")).unwrap();
        let verify = Command::new("ssh-keygen")
            .args(["-Y", "verify", "-f", "signers", "-I", "auditor@example.com"])
            .args([
                "-n",
                "blockwright-evidence",
                "-s",
                "a/evidence/SHA256SUMS.sig",
            ])
            .current_dir(folder)
            .stdin(Stdio::from(sums))
            .output();
        verify.unwrap().status.success()
    };
    assert!(verified());
    let sums = folder.join("a/evidence/SHA256SUMS");
    std::fs::write(&sums, read(&sums).replace('0', "1")).unwrap();
    assert!(!verified());
    // A key that is none: the words of the tool, and nothing is written.
    let ended = evidence(folder, "b", &["--sign-key", "project.toml"]);
    assert_eq!(ended.code, 1, "{}", ended.stderr);
    assert!(
        ended.stderr.contains("cannot be signed with project.toml"),
        "{}",
        ended.stderr
    );
    assert!(!folder.join("b/run.json").exists());
}
