//! The published check values, as copied into the fixtures, and a book of which of them a test has used.
#![allow(dead_code, reason = "not every test binary needs all of it")]

use std::cell::RefCell;
use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

use blockwright::model::{Fact, Facts, LayerKind};
use blockwright::rulebook::{self, Channel, Citation, Match, ReadStatus, RuleLine, Rulebook};

pub const FOOT_M: f64 = 0.3048;

#[derive(Clone, Debug, PartialEq)]
pub struct Row {
    pub inputs: String,
    pub expected: String,
    pub source: String,
    pub section: String,
    pub status: String,
    /// The whole row, to compare with another copy.
    pub cells: Vec<String>,
}

pub struct Rows {
    pub by_id: BTreeMap<String, Row>,
    used: RefCell<BTreeSet<String>>,
}

pub fn rows_of(path: &Path) -> BTreeMap<String, Row> {
    let mut reader = csv::Reader::from_path(path).unwrap();
    let headings: Vec<String> = reader
        .headers()
        .unwrap()
        .iter()
        .map(str::to_owned)
        .collect();
    let rows = reader.records().map(|record| {
        let record = record.unwrap();
        let cell = |name: &str| {
            let at = headings.iter().position(|heading| heading == name);
            record[at.unwrap()].to_owned()
        };
        let row = Row {
            inputs: cell("inputs"),
            expected: cell("expected"),
            source: cell("source"),
            section: cell("section"),
            status: cell("status"),
            cells: record.iter().map(str::to_owned).collect(),
        };
        (cell("id"), row)
    });
    rows.collect()
}

pub fn shared(file: &str) -> Option<PathBuf> {
    let shared = std::env::var_os("BLOCKWRIGHT_SHARED").map(PathBuf::from);
    let shared =
        shared.unwrap_or_else(|| PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("../shared"));
    let path = shared.join(file);
    if !path.is_file() {
        println!("skipped: no shared data");
        return None;
    }
    Some(path)
}

/// The full list, where it is at hand.
pub fn shared_rows() -> Option<BTreeMap<String, Row>> {
    shared("data/standards_checks.csv").map(|path| rows_of(&path))
}

/// Clauses of the codes that were read since, with their figures and conditions.
pub fn shared_codes() -> Option<Vec<(String, String)>> {
    let path = shared("data/codes_read.csv")?;
    let mut reader = csv::Reader::from_path(path).unwrap();
    let rows = reader.records().map(|record| {
        let record = record.unwrap();
        (
            record[1].to_owned(),
            format!("{} {}", &record[3], &record[5]),
        )
    });
    Some(rows.collect())
}

/// Numbers of a text in their order; those glued to a unit's name (`ft2`) are none.
pub fn numbers_of(text: &str) -> Vec<f64> {
    let mut numbers = Vec::new();
    let mut word = String::new();
    for c in text.chars().chain(" ".chars()) {
        if c.is_ascii_alphanumeric() || c == '.' {
            word.push(c);
            continue;
        }
        let digits = word.trim_end_matches(|c: char| c.is_ascii_alphabetic() || c == '.');
        if word.starts_with(|c: char| c.is_ascii_digit()) {
            numbers.extend(digits.parse::<f64>());
        }
        word.clear();
    }
    numbers
}

impl Rows {
    pub fn new() -> Rows {
        Rows {
            by_id: {
                let mut rows = rows_of(Path::new("fixtures/standards/rules.csv"));
                for more in ["codes", "clauses"] {
                    let path = format!("fixtures/standards/{more}.csv");
                    rows.extend(rows_of(Path::new(&path)));
                }
                rows
            },
            used: RefCell::default(),
        }
    }

    pub fn row(&self, id: &str) -> &Row {
        self.used.borrow_mut().insert(id.to_owned());
        &self.by_id[id]
    }

    /// Numbers of what the row expects, in their order.
    pub fn numbers(&self, id: &str) -> Vec<f64> {
        numbers_of(&self.row(id).expected)
    }

    pub fn used(&self) -> BTreeSet<String> {
        self.used.borrow().clone()
    }

    /// Whether the citation names these rows, their document and section, and the weakest of their reading statuses.
    pub fn assert_cited(&self, citation: &Citation, ids: &[&str]) {
        let (named, text) = citation.text.split_once(": ").expect("ids, then words");
        let named: Vec<&str> = named.split(" and ").collect();
        for id in ids {
            assert!(named.contains(id), "{id} in `{}`", citation.text);
        }
        let rank = |status: ReadStatus| match status {
            ReadStatus::ReadInSource => 0,
            ReadStatus::Secondary => 1,
            ReadStatus::FromMemory => 2,
            other => panic!("{other:?} cites {named:?}"),
        };
        let mut weakest = 0;
        for id in &named {
            let row = self.by_id.get(*id).unwrap_or_else(|| panic!("no row {id}"));
            weakest = weakest.max(match row.status.as_str() {
                "read in the source text" => 0,
                "read in a secondary document" => 1,
                "from memory, unverified" => 2,
                other => panic!("{id}: `{other}` is no source for a rule"),
            });
            assert_names_document(id, row, text);
        }
        assert_eq!(rank(citation.status), weakest, "{}", citation.text);
    }
}

/// Most words of the row's document, and its section if it has a number, stand in the citation.
fn assert_names_document(id: &str, row: &Row, text: &str) {
    if row.source.starts_with("formula US-02") {
        return; // The same hand-out, named by the rows beside it.
    }
    let words = |text: &str| -> Vec<String> {
        text.split(|c: char| !(c.is_alphanumeric() || "-/.".contains(c)))
            .map(|word| word.trim_matches('.').to_lowercase())
            .filter(|word| word.len() > 2)
            .collect()
    };
    let cited = words(text);
    let source = words(&row.source);
    let found = source.iter().filter(|word| cited.contains(word)).count();
    assert!(
        found * 2 >= source.len(),
        "{id}: `{text}` does not name `{}`",
        row.source
    );
    for word in row
        .section
        .split([' ', ','])
        .filter(|word| word.starts_with("s."))
    {
        assert!(text.contains(word), "{id}: `{text}` does not name {word}");
    }
}

pub fn fixture(name: &str) -> Rulebook {
    let path = format!("fixtures/standards/{name}.toml");
    let text = std::fs::read_to_string(&path).unwrap();
    rulebook::parse(&text, &path).unwrap()
}

pub const FIXTURES: [&str; 10] = [
    "british-columbia-coast",
    "british-columbia-north",
    "minnesota-rmz",
    "ontario",
    "quebec-advance-growth",
    "scotland",
    "tasmania",
    "united-kingdom",
    "united-states",
    "washington-west",
];

pub fn facts(known: &[(&str, Fact)]) -> Facts {
    let known = known.iter();
    Facts(
        known
            .map(|(name, fact)| ((*name).to_owned(), fact.clone()))
            .collect(),
    )
}

pub fn flag(up: bool) -> Fact {
    Fact::Flag(up)
}

pub fn number(value: f64) -> Fact {
    Fact::Number(value)
}

pub fn word(text: &str) -> Fact {
    Fact::Text(text.to_owned())
}

/// The line of a class named by the feature.
pub fn named<'a>(book: &'a Rulebook, kind: LayerKind, class: &str) -> &'a RuleLine {
    match book.find(kind, Some(class), &Facts::default(), Channel::None) {
        Match::Line(line) => line,
        other => panic!("{class}: {other:?}"),
    }
}

/// The line that the facts tell.
pub fn told<'a>(book: &'a Rulebook, kind: LayerKind, known: &[(&str, Fact)]) -> &'a RuleLine {
    match book.find(kind, None, &facts(known), Channel::None) {
        Match::Derived(line) => line,
        other => panic!("{known:?}: {other:?}"),
    }
}

/// Classes just below a limit of a fact, at it, and just above it; None: no class is told.
pub fn assert_sides(
    book: &Rulebook,
    kind: LayerKind,
    known: &[(&str, Fact)],
    (fact, limit): (&str, f64),
    classes: [Option<&str>; 3],
) {
    for (value, class) in [limit.next_down(), limit, limit.next_up()]
        .into_iter()
        .zip(classes)
    {
        let mut known = facts(known);
        known.0.push((fact.to_owned(), number(value)));
        let found = match book.find(kind, None, &known, Channel::None) {
            Match::Derived(line) => Some(line.class.as_str()),
            _ => None,
        };
        assert_eq!(found, class, "{}: {known:?}", book.preset);
    }
}

/// Reserves just below a limit of slope, at it, and just above it, in metres along the rule's own measure.
pub fn assert_steps(line: &RuleLine, limit: f64, reserves_m: [f64; 3]) {
    let slopes = [limit.next_down(), limit, limit.next_up()];
    let found = slopes.map(|slope| line.reserve.at(Some(slope)));
    for (found, wanted) in found.into_iter().zip(reserves_m) {
        assert_near(found, wanted, 1e-9, &line.id);
    }
}

pub fn assert_near(found: f64, wanted: f64, tolerance: f64, what: &str) {
    assert!(
        (found - wanted).abs() <= tolerance,
        "{what}: {found} instead of {wanted}"
    );
}
