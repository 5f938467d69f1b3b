//! Two audits compared: what got worse and what was mended.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

/// A row of `compliance.json`, as far as it is compared.
#[derive(Clone, Debug, PartialEq, Deserialize)]
pub struct Row {
    pub block_id: String,
    pub rule_id: String,
    #[serde(default)]
    pub title: String,
    pub status: String,
    pub measured: Option<f64>,
    pub required: Option<f64>,
    #[serde(default)]
    pub short: Option<f64>,
    #[serde(default)]
    pub unit: String,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Turn {
    /// A worse verdict, or short by more.
    Worse,
    /// Not in the earlier audit, and no pass.
    New,
    /// A better verdict, or short by less.
    Mended,
    /// No pass in the earlier audit, and not in this one.
    Gone,
}

impl Turn {
    pub fn key(self) -> &'static str {
        match self {
            Turn::Worse => "worse",
            Turn::New => "new",
            Turn::Mended => "mended",
            Turn::Gone => "gone",
        }
    }
}

/// One difference.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Change {
    pub turn: Turn,
    pub block_id: String,
    pub rule_id: String,
    pub title: String,
    pub unit: String,
    pub status_before: Option<String>,
    pub status: Option<String>,
    pub measured_before: Option<f64>,
    pub measured: Option<f64>,
    pub required_before: Option<f64>,
    pub required: Option<f64>,
}

/// What is short by so much more or less, in the row's unit, is another measure; below it is rounding.
const SAME: f64 = 0.005;

fn rank(status: &str) -> u8 {
    match status {
        "fail" => 3,
        "warn" => 2,
        "unknown" => 1,
        _ => 0,
    }
}

/// Rows of one block and rule in their order, since a block may have several.
type Key = (String, String, usize);

fn keyed(rows: &[Row]) -> BTreeMap<Key, &Row> {
    let mut seen: BTreeMap<(&str, &str), usize> = BTreeMap::new();
    let mut keyed = BTreeMap::new();
    for row in rows {
        let count = seen.entry((&row.block_id, &row.rule_id)).or_default();
        keyed.insert((row.block_id.clone(), row.rule_id.clone(), *count), row);
        *count += 1;
    }
    keyed
}

/// The differences, by turn, block and rule.
pub fn compare(before: &[Row], after: &[Row]) -> Vec<Change> {
    let (before, after) = (keyed(before), keyed(after));
    let mut keys: Vec<&Key> = before.keys().chain(after.keys()).collect();
    keys.sort();
    keys.dedup();
    let mut changes: Vec<Change> = keys
        .into_iter()
        .filter_map(|key| {
            let (old, new) = (before.get(key).copied(), after.get(key).copied());
            let turn = match (old, new) {
                (Some(old), Some(new)) => turn(old, new)?,
                (None, Some(new)) if rank(&new.status) > 0 => Turn::New,
                (Some(old), None) if rank(&old.status) > 0 => Turn::Gone,
                _ => return None,
            };
            let shown = new.or(old)?;
            Some(Change {
                turn,
                block_id: shown.block_id.clone(),
                rule_id: shown.rule_id.clone(),
                title: shown.title.clone(),
                unit: shown.unit.clone(),
                status_before: old.map(|row| row.status.clone()),
                status: new.map(|row| row.status.clone()),
                measured_before: old.and_then(|row| row.measured),
                measured: new.and_then(|row| row.measured),
                required_before: old.and_then(|row| row.required),
                required: new.and_then(|row| row.required),
            })
        })
        .collect();
    changes.sort_by_key(|change| change.turn);
    changes
}

fn turn(old: &Row, new: &Row) -> Option<Turn> {
    match rank(&new.status).cmp(&rank(&old.status)) {
        std::cmp::Ordering::Greater => Some(Turn::Worse),
        std::cmp::Ordering::Less => Some(Turn::Mended),
        std::cmp::Ordering::Equal if rank(&new.status) == 0 => None,
        std::cmp::Ordering::Equal => {
            let more = new.short? - old.short?;
            let same = if new.unit == "share" {
                SAME / 100.0
            } else {
                SAME
            };
            let turn = if more > 0.0 {
                Turn::Worse
            } else {
                Turn::Mended
            };
            (more.abs() > same).then_some(turn)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn row(rule_id: &str, status: &str, short: f64) -> Row {
        Row {
            block_id: "A-1".to_owned(),
            rule_id: rule_id.to_owned(),
            title: String::new(),
            status: status.to_owned(),
            measured: Some(20.0 - short),
            required: Some(20.0),
            short: Some(short),
            unit: "m".to_owned(),
        }
    }

    #[test]
    fn what_got_worse_and_what_was_mended() {
        let before = [
            row("a", "pass", -3.0),
            row("b", "fail", 3.0),
            row("c", "fail", 3.0),
            row("d", "fail", 1.0),
            row("e", "pass", -1.0),
            row("gone", "warn", 1.0),
        ];
        let after = [
            row("a", "fail", 2.0),
            row("b", "pass", -1.0),
            row("c", "fail", 1.0),
            row("d", "fail", 1.001),
            row("e", "pass", -0.2),
            row("new", "unknown", 0.0),
        ];
        let turns: Vec<(Turn, String)> = compare(&before, &after)
            .into_iter()
            .map(|change| (change.turn, change.rule_id))
            .collect();
        let expected = [
            (Turn::Worse, "a"),
            (Turn::New, "new"),
            (Turn::Mended, "b"),
            (Turn::Mended, "c"),
            (Turn::Gone, "gone"),
        ];
        let expected: Vec<(Turn, String)> = expected
            .iter()
            .map(|(turn, id)| (*turn, (*id).to_owned()))
            .collect();
        assert_eq!(turns, expected);
        assert_eq!(compare(&before, &before), vec![]);
    }
}
