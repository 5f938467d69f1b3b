//! `shifts.csv` and `set_aside.csv`.

use std::path::Path;

use super::rows::{ShiftPlan, section_list};
use super::{Moved, Roster, SetAside};
use crate::model::SectionKey;
use crate::outputs::OutputError;
use crate::outputs::cells;

const HEADER: [&str; 20] = [
    "date",
    "shift",
    "machine",
    "operator",
    "task",
    "block_id",
    "first_section",
    "last_section",
    "sections",
    "shift_class",
    "from",
    "to",
    "hours",
    "daylight_from",
    "daylight_to",
    "sheet",
    "settings",
    "section_list",
    "dark_from",
    "dark_to",
];

pub(super) fn write(
    roster: &Roster<'_>,
    shifts: &[ShiftPlan],
    path: &Path,
) -> Result<(), OutputError> {
    let failed = |source: csv::Error| OutputError::Table {
        path: path.to_owned(),
        source,
    };
    let mut table = csv::Writer::from_path(path).map_err(failed)?;
    table.write_record(HEADER).map_err(failed)?;
    for shift in shifts {
        for row in &shift.rows {
            let section =
                |key: &Option<SectionKey>| key.map_or(String::new(), |key| key.to_string());
            let settings: Vec<String> = row.settings(roster).iter().map(u32::to_string).collect();
            let (light_from, light_to) = row.light.clone().unwrap_or_default();
            let units = row
                .block
                .map_or(&[][..], |at| &roster.problem.blocks[at].units);
            let list = section_list(row, units);
            let (dark_from, dark_to) = row.dark.clone().unwrap_or_default();
            let count = if row.units.is_empty() {
                String::new()
            } else {
                row.units.len().to_string()
            };
            table
                .write_record([
                    shift.date.to_string().as_str(),
                    &cells::text(&shift.shift),
                    &cells::text(&shift.name),
                    &cells::text(shift.operator.as_deref().unwrap_or_default()),
                    row.job.key(),
                    &cells::text(&row.block_id),
                    &section(&row.first),
                    &section(&row.last),
                    &count,
                    row.job.class_key(),
                    &row.from,
                    &row.to,
                    &cells::number(Some(row.hours()), 4),
                    &light_from,
                    &light_to,
                    &format!("sheets/{}.html", shift.stem),
                    &settings.join(";"),
                    &list,
                    &dark_from,
                    &dark_to,
                ])
                .map_err(failed)?;
        }
    }
    table
        .flush()
        .map_err(OutputError::file(path, "write the table"))
}

/// The blocks that are not planned.
pub(super) fn write_set_aside(blocks: &[SetAside], path: &Path) -> Result<(), OutputError> {
    let failed = |source: csv::Error| OutputError::Table {
        path: path.to_owned(),
        source,
    };
    let mut table = csv::Writer::from_path(path).map_err(failed)?;
    table
        .write_record(["block_id", "code", "why"])
        .map_err(failed)?;
    for block in blocks {
        let (id, why) = (cells::text(&block.block_id), cells::text(&block.why));
        table
            .write_record([&*id, block.code, &*why])
            .map_err(failed)?;
    }
    table
        .flush()
        .map_err(OutputError::file(path, "write the table"))
}

/// The shifts that are not as they were.
pub(super) fn write_changes(moved: &Moved, path: &Path) -> Result<(), OutputError> {
    let failed = |source: csv::Error| OutputError::Table {
        path: path.to_owned(),
        source,
    };
    let mut table = csv::Writer::from_path(path).map_err(failed)?;
    table
        .write_record(["date", "shift", "machine", "before", "after", "why"])
        .map_err(failed)?;
    for change in &moved.changes {
        let blocks = |ids: &[String]| cells::text(&ids.join("; ")).into_owned();
        table
            .write_record([
                change.date.to_string().as_str(),
                &cells::text(&change.shift),
                &cells::text(&change.machine),
                &blocks(&change.before),
                &blocks(&change.after),
                &cells::text(&change.why),
            ])
            .map_err(failed)?;
    }
    table
        .flush()
        .map_err(OutputError::file(path, "write the table"))
}
