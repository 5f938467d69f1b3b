//! Every file in fixtures/rulebooks/invalid is a test: what `rules check` finds in it is the snapshot beside it.
//! `INSTA_UPDATE=always cargo test --test documents rules_check` writes the snapshots anew.

use std::path::{Path, PathBuf};

use blockwright::rulebook::{self, Checked, Severity};

fn files(folder: &str, extension: &str) -> Vec<PathBuf> {
    let entries = std::fs::read_dir(folder).unwrap();
    let mut files: Vec<PathBuf> = entries.map(|entry| entry.unwrap().path()).collect();
    files.retain(|path| path.extension().is_some_and(|found| found == extension));
    files.sort();
    files
}

fn check(path: &Path) -> Checked {
    let text = std::fs::read_to_string(path).unwrap();
    rulebook::check(&text, path.file_name().unwrap().to_str().unwrap())
}

fn shown(checked: &Checked) -> String {
    let mut out = String::new();
    for finding in &checked.findings {
        out += &format!("{finding}\n\n");
    }
    out + &checked.summary()
}

#[test]
fn wrong_rulebooks_are_told_what_is_wrong_and_where() {
    let folder = "fixtures/rulebooks/invalid";
    for path in files(folder, "toml") {
        let checked = check(&path);
        assert!(!checked.findings.is_empty(), "{}", path.display());
        let text = std::fs::read_to_string(&path).unwrap();
        let refused = rulebook::parse(&text, "x").is_err();
        assert!(!refused || !checked.is_sound(), "{}", path.display());
        let mut last = 0;
        for finding in &checked.findings {
            assert!(finding.place.line >= last, "{}", path.display());
            last = finding.place.line;
            assert!(!finding.remedy.is_empty());
        }
        let name = path.file_stem().unwrap().to_str().unwrap();
        insta::with_settings!({
            snapshot_path => format!("../../{folder}"),
            prepend_module_to_snapshot => false,
            omit_expression => true,
        }, { insta::assert_snapshot!(name, shown(&checked)) });
    }
    let stems = |extension| -> Vec<PathBuf> {
        let files = files(folder, extension).into_iter();
        files.map(|path| path.with_extension("")).collect()
    };
    assert_eq!(stems("toml"), stems("snap"));
}

/// But for `many...`, a file is wrong in one way only; a second finding would be an echo of the first.
#[test]
fn one_fault_is_told_once() {
    for path in files("fixtures/rulebooks/invalid", "toml") {
        let name = path.file_stem().unwrap().to_str().unwrap();
        let checked = check(&path);
        let told = checked
            .findings
            .iter()
            .filter(|own| own.code != "not-looked-for");
        match name.starts_with("many") {
            true => assert!(told.count() >= 4, "{name}"),
            false => assert_eq!(told.count(), 1, "{}", shown(&checked)),
        }
    }
}

#[test]
fn sound_rulebooks_have_nothing_to_tell() {
    for path in files("fixtures/rulebooks/valid", "toml") {
        let checked = check(&path);
        assert_eq!(checked.findings, [], "{}", shown(&checked));
        assert!(checked.rules.is_some());
    }
}

#[test]
fn no_preset_has_errors() {
    for name in rulebook::preset_names() {
        let checked = rulebook::check(rulebook::preset_text(name).unwrap(), name);
        assert_eq!(checked.count(Severity::Error), 0, "{}", shown(&checked));
    }
}

/// The example of the document is a rulebook without a fault, and the words around it name every key.
#[test]
fn the_example_of_the_document_is_sound() {
    let text = std::fs::read_to_string("docs/rulebook.md").unwrap();
    let examples: Vec<&str> = text
        .split("```toml\n")
        .skip(1)
        .map(|rest| rest.split("\n```").next().unwrap())
        .collect();
    let checked = rulebook::check(examples[0], "example.toml");
    assert_eq!(checked.findings, [], "{}", shown(&checked));
    for name in [
        "when",
        "slope",
        "per_percent",
        "influence_share",
        "stand_edge",
    ] {
        assert!(examples[0].contains(name), "{name}");
    }
}

#[test]
fn every_key_of_a_rulebook_is_described() {
    let text = std::fs::read_to_string("docs/rulebook.md").unwrap();
    let described = |key: &str| {
        let mut rows = text.lines().filter(|line| line.starts_with("| "));
        rows.any(|row| {
            let cell = row.trim_start_matches("| ").split(" | ").next().unwrap();
            cell.split('`').any(|part| part == key)
        })
    };
    let schema = rulebook::rulebook_schema();
    let defs = schema["$defs"].as_object().unwrap();
    let tables = defs.values().chain(std::iter::once(&schema));
    let mut checked = 0;
    for table in tables.filter_map(|table| table["properties"].as_object()) {
        for key in table.keys() {
            assert!(described(key), "{key}");
            checked += 1;
        }
    }
    assert!(checked > 40, "{checked}");
}
