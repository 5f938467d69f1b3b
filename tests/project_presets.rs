//! Each published width in a preset against the row that it cites, where the list of check values is at hand.

use std::path::PathBuf;

use blockwright::rulebook::{self, Citation, ReadStatus};

struct Row {
    expected: String,
    status: String,
}

fn rows() -> Option<std::collections::BTreeMap<String, Row>> {
    let shared = std::env::var_os("BLOCKWRIGHT_SHARED").map(PathBuf::from);
    let shared =
        shared.unwrap_or_else(|| PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("../shared"));
    let path = shared.join("data/standards_checks.csv");
    if !path.is_file() {
        println!("skipped: no shared data");
        return None;
    }
    let mut reader = csv::Reader::from_path(path).unwrap();
    let rows = reader.records().map(|record| {
        let record = record.unwrap();
        let row = Row {
            expected: record[3].to_owned(),
            status: record[8].to_owned(),
        };
        (record[0].to_owned(), row)
    });
    Some(rows.collect())
}

fn cited<'a>(citation: &Citation, rows: &'a std::collections::BTreeMap<String, Row>) -> &'a Row {
    let (id, _) = citation.text.split_once(": ").unwrap();
    let row = rows.get(id).unwrap_or_else(|| panic!("no row {id}"));
    let wanted = match citation.status {
        ReadStatus::ReadInSource => "read in the source text",
        ReadStatus::Secondary => "read in a secondary document",
        ReadStatus::FromMemory => "from memory, unverified",
        other => panic!("{other:?} cites {id}"),
    };
    assert_eq!(row.status, wanted, "{id}");
    row
}

/// `reserve 0 m; management 100 m; total 100 m`, `10 m / 40 m (total 50 m)`, `reserve 0; management 0 m` ...
fn widths(expected: &str) -> (f64, f64) {
    let mut numbers = expected
        .split(|c: char| !(c.is_ascii_digit() || c == '.'))
        .filter_map(|number| number.parse().ok());
    (numbers.next().unwrap(), numbers.next().unwrap())
}

#[test]
fn widths_and_reading_status_are_those_of_the_cited_rows() {
    let Some(rows) = rows() else { return };
    let rules = rulebook::preset("bc-fppr").unwrap();
    let mut checked = 0;
    for line in &rules.lines {
        if line.citation.status == ReadStatus::CommonPractice {
            assert_eq!(line.id, "protected-area");
            continue;
        }
        let row = cited(&line.citation, &rows);
        let found = (line.reserve.widest(), line.management.widest());
        assert_eq!(found, widths(&row.expected), "{}", line.id);
        checked += 1;
    }
    assert_eq!(checked, 17, "streams 7, wetlands 5, lakes 5");
    let row = cited(&rules.retention_share.citation, &rows);
    assert_eq!(row.expected, ">= 7 %");
    assert_eq!(rules.retention_share.value, 0.07);
}

/// The widest channel of a class, from the class definitions in the rows.
#[test]
fn channels_are_as_wide_as_the_class_allows() {
    let rules = rulebook::preset("bc-fppr").unwrap();
    let widest = |class: &str| {
        let line = rules.lines.iter().find(|line| line.class == class);
        line.unwrap().channel_up_to_m
    };
    assert_eq!(widest("S1-A"), None);
    assert_eq!(widest("S1-B"), None);
    assert_eq!(widest("S2"), Some(20.0));
    assert_eq!(widest("S3"), Some(5.0));
    assert_eq!(widest("S4"), Some(1.5));
    assert_eq!(widest("S5"), None);
    assert_eq!(widest("S6"), Some(3.0));
}
