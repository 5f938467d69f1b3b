//! Each preset as `rules show` prints it. `INSTA_UPDATE=always cargo test --test documents rules_show` writes the snapshots anew.

use std::path::Path;
use std::process::Command;

use blockwright::rulebook;

fn shown(folder: &Path, rulebook: &str) -> String {
    let ended = Command::new(env!("CARGO_BIN_EXE_blockwright"))
        .args(["rules", "show", rulebook])
        .current_dir(folder)
        .output()
        .unwrap();
    assert!(
        ended.status.success() && ended.stderr.is_empty(),
        "{rulebook}"
    );
    let page = String::from_utf8(ended.stdout).unwrap();
    let fits = |row: &str| row.chars().count() <= 120;
    assert!(page.lines().all(fits), "{rulebook}");
    page
}

fn snapshot(name: &str, page: &str) {
    insta::with_settings!({ omit_expression => true, prepend_module_to_snapshot => false }, {
        insta::assert_snapshot!(format!("rules_show_{name}"), page)
    });
}

#[test]
fn every_preset_is_shown_on_pages_of_120_columns() {
    for name in rulebook::preset_names() {
        snapshot(name, &shown(Path::new("."), name));
    }
}

/// It has everything that a rulebook can say: slope classes, a formula, shares with sources of their own.
#[test]
fn the_example_of_the_document_is_shown_from_a_file() {
    let text = std::fs::read_to_string("docs/rulebook.md").unwrap();
    let example = text.split("```toml\n").nth(1).unwrap();
    let example = example.split("\n```").next().unwrap();
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("brook.toml"), example).unwrap();
    snapshot("example", &shown(folder.path(), "brook.toml"));
}
