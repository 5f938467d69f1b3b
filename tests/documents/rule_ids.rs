//! The table of rules: each has an id of its own, is described where its rows are, and nobody writes an id by hand.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

use blockwright::model::{Judges, RuleId};

fn read(path: impl AsRef<Path>) -> String {
    std::fs::read_to_string(path).unwrap()
}

/// The rows of tables that begin with a rule's id.
fn described(document: &str) -> Vec<(String, String)> {
    let rows = document.lines().filter(|line| line.starts_with("| `"));
    rows.map(|row| {
        let mut cells = row.split(" | ");
        let ids = cells.next().unwrap_or_default().to_owned();
        (ids, cells.collect::<Vec<_>>().join(" | "))
    })
    .collect()
}

fn is_described(rule: RuleId, rows: &[(String, String)]) -> bool {
    let [alone, with_more] = [format!("`{}`", rule.key()), format!("`{}:", rule.key())];
    let mut own = rows
        .iter()
        .filter(|(ids, _)| ids.contains(&alone) || ids.contains(&with_more));
    own.any(|(_, words)| words.split_whitespace().count() >= 4)
}

#[test]
fn every_rule_is_described_where_its_rows_are() {
    let layout = described(&read("docs/algorithms.md"));
    let audit = described(&read("docs/audit.md"));
    let schema = read("docs/schema.md");
    let ids = schema.split("### Rule ids").nth(1).unwrap();
    let mut missing = vec![];
    for &rule in RuleId::ALL {
        let named = [format!("`{}`", rule.key()), format!("`{}:", rule.key())];
        if !named.iter().any(|named| ids.contains(named)) {
            missing.push(format!("{} in docs/schema.md, Rule ids", rule.key()));
        }
        let of_layout = rule.judges() != Judges::Audit;
        let of_audit = rule.judges() != Judges::Layout;
        if of_layout && !is_described(rule, &layout) {
            missing.push(format!("{} in docs/algorithms.md", rule.key()));
        }
        if of_audit && !is_described(rule, &audit) {
            missing.push(format!("{} in docs/audit.md", rule.key()));
        }
    }
    assert_eq!(missing, Vec::<String>::new());
}

#[test]
fn ids_are_told_apart_and_found_again() {
    let keys: BTreeSet<&str> = RuleId::ALL.iter().map(|rule| rule.key()).collect();
    assert_eq!(keys.len(), RuleId::ALL.len());
    for &rule in RuleId::ALL {
        let named = rule.named();
        assert!(rule.is(&named.id) && rule.is(&rule.named().of("stream-s3").id));
        assert_eq!(RuleId::of(&named.id), Some(rule));
    }
    assert_eq!(RuleId::of("stream-s3"), None);
    let named = RuleId::Reserve.named().of("stream-s3").about(", S3");
    assert_eq!(named.id, "reserve:stream-s3");
    assert_eq!(named.title, "Nothing cut or driven within the reserve, S3");
}

fn rust_files(folder: &Path, found: &mut Vec<PathBuf>) {
    let mut entries: Vec<PathBuf> = (std::fs::read_dir(folder).unwrap())
        .map(|entry| entry.unwrap().path())
        .collect();
    entries.sort();
    for path in entries {
        if path.is_dir() {
            rust_files(&path, found);
        } else if path.extension().is_some_and(|found| found == "rs") {
            found.push(path);
        }
    }
}

/// Where both judges stand, an id or title in quotes is one that the table has: written by hand the two may come apart.
#[test]
fn judges_take_ids_and_titles_from_the_table() {
    let mut files = vec![];
    rust_files(Path::new("src/audit"), &mut files);
    rust_files(Path::new("src/compliance"), &mut files);
    let mut by_hand = vec![];
    for path in &files {
        let text = read(path);
        let code = text.split("#[cfg(test)]").next().unwrap();
        for &rule in RuleId::ALL {
            let key = rule.key();
            // Words of everyday code.
            if ["reach", "cut", "audit", "reserve"].contains(&key) {
                continue;
            }
            let quoted = [format!("\"{key}\""), format!("\"{key}:")];
            if quoted.iter().any(|quoted| code.contains(quoted)) {
                by_hand.push(format!("{}: {key}", path.display()));
            }
            if rule.title().len() > 20 && code.contains(rule.title()) {
                by_hand.push(format!("{}: {}", path.display(), rule.title()));
            }
        }
    }
    assert_eq!(by_hand, Vec::<String>::new());
    assert!(files.len() > 50, "{}", files.len());
}
