//! The rows of `layout --compare`, as a table for people and as one object for programs.

use serde_json::{Map, Value, json};

use crate::batch::Compared;
use crate::project::Choice;
use crate::units::Percent;

const COLUMNS: [&str; 16] = [
    "blocks",
    "settings",
    "strips",
    "pass km",
    "empty km",
    "retention",
    "day h",
    "night h",
    "window h",
    "skid m",
    "skid h",
    "cost",
    "cost/m3",
    "windward km",
    "fails",
    "set aside",
];

/// One line for each combination; what is not known is a hyphen.
pub fn table(choices: &[Choice], rows: &[Compared]) -> String {
    let keys = choices.first().map_or(&[][..], |choice| &choice.values);
    let mut lines: Vec<Vec<String>> = vec![
        keys.iter()
            .map(|(key, _)| key.clone())
            .chain(COLUMNS.map(str::to_owned))
            .collect(),
    ];
    let kilometres = |metres: f64| format!("{:.1}", metres / 1000.0);
    let number = |value: Option<f64>| value.map_or("-".to_owned(), |value| format!("{value:.1}"));
    for (choice, row) in choices.iter().zip(rows) {
        let values = choice
            .values
            .iter()
            .map(|(_, value)| plain(value).to_owned());
        let share = row.retention_share.map(|share| Percent(share).to_string());
        lines.push(
            values
                .chain([
                    row.blocks.to_string(),
                    row.settings.to_string(),
                    row.strips.to_string(),
                    kilometres(row.pass_m),
                    kilometres(row.travel_m),
                    share.unwrap_or("-".to_owned()),
                    number(row.day_hours),
                    number(row.night_hours),
                    number(row.window_hours),
                    number(row.skid_m),
                    number(row.skid_hours),
                    row.cost.map_or("-".to_owned(), |cost| format!("{cost:.0}")),
                    row.cost_per_m3
                        .map_or("-".to_owned(), |cost| format!("{cost:.2}")),
                    row.windward_m.map_or("-".to_owned(), kilometres),
                    row.fails.to_string(),
                    row.set_aside.to_string(),
                ])
                .collect(),
        );
    }
    let widths: Vec<usize> = (0..keys.len() + COLUMNS.len())
        .map(|at| {
            lines
                .iter()
                .map(|line| line[at].chars().count())
                .max()
                .unwrap_or(0)
        })
        .collect();
    let mut text = String::new();
    for line in &lines {
        let cells = line
            .iter()
            .zip(&widths)
            .map(|(cell, width)| format!("{cell:>width$}"));
        text += &cells.collect::<Vec<_>>().join("  ");
        text.push('\n');
    }
    text
}

/// A value without the quotes that TOML wants.
fn plain(value: &str) -> &str {
    value.trim_matches(|c| c == '"' || c == '\'')
}

pub fn json(choices: &[Choice], rows: &[Compared]) -> Value {
    let rows = choices.iter().zip(rows).map(|(choice, row)| {
        let values = choice.values.iter();
        let values: Map<String, Value> = values
            .map(|(key, value)| (key.clone(), json!(plain(value))))
            .collect();
        json!({ "values": values, "result": row })
    });
    json!({ "version": 1, "command": "layout --compare", "rows": rows.collect::<Vec<_>>() })
}
