//! A rulebook as a table to read.

use std::fmt::Write as _;

use super::{ReadStatus, RuleLine, Rulebook};
use crate::units::Percent;

impl ReadStatus {
    /// The words of outputs, the same as in rulebook files.
    pub fn key(self) -> &'static str {
        match self {
            ReadStatus::ReadInSource => "read in source",
            ReadStatus::Secondary => "secondary",
            ReadStatus::FromMemory => "from memory",
            ReadStatus::CommonPractice => "common practice",
            ReadStatus::Project => "project",
        }
    }
}

const HEADINGS: [&str; 9] = [
    "rule",
    "layer",
    "class",
    "reserve m",
    "management m",
    "share kept",
    "no machine m",
    "channel to m",
    "status",
];

/// All lines with their widths in metres, each followed by what it stands for and where it is written.
pub fn show(rules: &Rulebook) -> String {
    let rows: Vec<[String; 9]> = rules.lines.iter().map(cells).collect();
    let widths: [usize; 9] = std::array::from_fn(|column| {
        let longest = rows.iter().map(|row| row[column].chars().count()).max();
        longest.unwrap_or(0).max(HEADINGS[column].len())
    });
    let mut out = format!("{}: {}\n", rules.preset, rules.title);
    let share = &rules.retention_share;
    let of = if rules.reserves_count {
        "of the gross area, reserves count"
    } else {
        "of the net area, reserves do not count"
    };
    let _ = writeln!(
        out,
        "retention share: {} {of} [{}]\n    {}\n",
        Percent(share.value),
        share.citation.status.key(),
        share.citation.text
    );
    push_row(&mut out, &HEADINGS.map(str::to_owned), &widths);
    for (row, line) in rows.iter().zip(&rules.lines) {
        push_row(&mut out, row, &widths);
        let _ = writeln!(out, "    {}: {}", line.title, line.definition);
        let _ = writeln!(out, "    {}", line.citation.text);
    }
    out.push_str(
        "\nWidths run from the bank or the edge of the feature. An aid: local codes, permits and licensed practice decide.\n",
    );
    out
}

fn cells(line: &RuleLine) -> [String; 9] {
    let metres = |value: f64| format!("{value:.2}");
    [
        line.id.clone(),
        line.kind.key().to_owned(),
        line.class.clone(),
        metres(line.reserve.widest()),
        metres(line.management.widest()),
        Percent(line.management_share).to_string(),
        metres(line.machine_exclusion.widest()),
        line.channel_up_to_m.map_or_else(|| "-".to_owned(), metres),
        line.citation.status.key().to_owned(),
    ]
}

/// Words to the left, figures to the right.
fn push_row(out: &mut String, row: &[String; 9], widths: &[usize; 9]) {
    for (column, (cell, width)) in row.iter().zip(widths).enumerate() {
        let _ = match column {
            0..=2 => write!(out, "{cell:<width$}  "),
            3..=7 => write!(out, "{cell:>width$}  "),
            _ => write!(out, "{cell}"),
        };
    }
    out.push('\n');
}

#[cfg(test)]
mod tests {
    use super::super::preset;
    use super::*;

    #[test]
    fn every_line_shows_its_widths_source_and_status() {
        let rules = preset("bc-fppr").unwrap();
        let shown = show(&rules);
        for line in &rules.lines {
            let row = shown
                .lines()
                .find(|row| row.starts_with(&format!("{} ", line.id)))
                .unwrap();
            assert!(row.contains(&format!("{:.2}", line.reserve.widest())));
            assert!(row.ends_with(line.citation.status.key()));
            assert!(shown.contains(&line.citation.text));
        }
        assert!(shown.contains("retention share: 3.50 %"));
    }
}
