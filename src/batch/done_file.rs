//! The table of sections that are cut already.

use std::borrow::Cow;
use std::collections::BTreeMap;
use std::fs::File;
use std::path::{Path, PathBuf};

use crate::outputs;
use crate::sources::limits::TABLE_FILE_BYTES;
use crate::sources::{self, FinishedBlock, FinishedLayout};

/// What is wrong with a row, or the whole table.
#[derive(Debug, thiserror::Error)]
#[error("error[done-file]: {}{}\n  {why}\n  hint: {hint}", path.display(), line.map(|line| format!(", line {line}")).unwrap_or_default())]
pub struct DoneError {
    pub path: PathBuf,
    pub line: Option<u64>,
    pub why: String,
    pub hint: &'static str,
}

/// A section, by its places in the layout, and the hours of the layout that are done; None: all.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct DoneRow {
    pub block: usize,
    pub section: usize,
    pub hours: Option<f64>,
    /// What it really took: productive hours of the felling machine, and scheduled ones. None: nobody says.
    pub productive_taken: Option<f64>,
    pub scheduled_taken: Option<f64>,
}

const KEYS: [&str; 5] = ["block_id", "part", "strip_no", "piece", "section_no"];
const HOURS: &str = "hours_done";
const TAKEN: [&str; 2] = ["productive_hours_taken", "scheduled_hours_taken"];

/// Reads `block_id, part, strip_no, piece, section_no` and, where some of a section is left, `hours_done`; where somebody
/// booked what it took, `productive_hours_taken` or `scheduled_hours_taken`. Other columns are passed over. A row that
/// names a block and no section is a block that is finished.
///
/// # Errors
/// A missing column, a cell that is no number, or a section that the layout does not have.
pub fn read(path: &Path, layout: &FinishedLayout) -> Result<Vec<DoneRow>, DoneError> {
    let (rows, elsewhere) = read_known(path, layout)?;
    elsewhere.into_iter().next().map_or(Ok(rows), Err)
}

/// A table and its head; `hint` is what to do where the head cannot be read.
pub(super) fn open(
    path: &Path,
    hint: &'static str,
) -> Result<(csv::Reader<File>, csv::StringRecord), DoneError> {
    let file = sources::open_plain(path, TABLE_FILE_BYTES).map_err(|error| DoneError {
        path: path.to_owned(),
        line: None,
        why: error.to_string(),
        hint: "check the path and who may read the file",
    })?;
    let mut table = reader(file);
    let head = table.headers().map_err(|error| DoneError {
        path: path.to_owned(),
        line: Some(1),
        why: error.to_string(),
        hint,
    })?;
    let head = head.clone();
    Ok((table, head))
}

pub(super) fn reader<R: std::io::Read>(file: R) -> csv::Reader<R> {
    csv::ReaderBuilder::new()
        .flexible(true)
        .trim(csv::Trim::All)
        .from_reader(file)
}

/// Where a column stands, whatever mark of its encoding the file begins with.
pub(super) fn column_of(head: &csv::StringRecord, name: &str) -> Option<usize> {
    let mut heads = head.iter();
    heads.position(|own| own.trim_start_matches('\u{feff}') == name)
}

/// As [`read`]; what is wrong with rows of sections that the layout does not have is handed back beside the others.
///
/// # Errors
/// A missing column, or a cell that is no number.
pub fn read_known(
    path: &Path,
    layout: &FinishedLayout,
) -> Result<(Vec<DoneRow>, Vec<DoneError>), DoneError> {
    let fault = |line: Option<u64>, why: String, hint: &'static str| DoneError {
        path: path.to_owned(),
        line,
        why,
        hint,
    };
    let whole = "the table needs the column block_id for finished blocks, or block_id, part, strip_no, piece, section_no for sections, and may have hours_done";
    let (mut table, header) = open(path, whole)?;
    let column = |name: &str| {
        column_of(&header, name)
            .ok_or_else(|| fault(Some(1), format!("there is no column `{name}`"), whole))
    };
    let id_at = column(KEYS[0])?;
    // A table of finished blocks alone names no section.
    let names_sections = KEYS[1..].iter().any(|key| column(key).is_ok());
    let mut at = [None; 4];
    if names_sections {
        for (slot, key) in at.iter_mut().zip(&KEYS[1..]) {
            *slot = Some(column(key)?);
        }
    }
    let hours_at = column(HOURS).ok();
    let taken_at = TAKEN.map(|name| column(name).ok());
    // As they stand in the layout, and as our own tables write them.
    let mut places: BTreeMap<(Cow<'_, str>, [u32; 4]), (usize, usize)> = BTreeMap::new();
    for (b, block) in layout.blocks.iter().enumerate() {
        for (s, section) in block.sections.iter().enumerate() {
            let key = [
                section.part,
                section.strip_no,
                section.piece,
                section.section_no,
            ];
            places.insert((outputs::cell_text(&block.id), key), (b, s));
            places.insert((Cow::Borrowed(&block.id), key), (b, s));
        }
    }
    let mut rows = Vec::new();
    let mut elsewhere = Vec::new();
    for record in table.records() {
        let record = record.map_err(|error| {
            let line = error.position().map(csv::Position::line);
            fault(line, error.to_string(), whole)
        })?;
        let line = record.position().map(csv::Position::line);
        let cell = |index: usize| record.get(index).unwrap_or_default();
        let id = cell(id_at);
        let number_cells = at.map(|index| index.map_or("", cell));
        if number_cells.iter().all(|text| text.is_empty()) {
            let own = |block: &&FinishedBlock| {
                let written = outputs::cell_text(&block.id);
                block.id == id || written == id || id.strip_prefix('\'') == Some(&*block.id)
            };
            let mut blocks = layout.blocks.iter().enumerate();
            match blocks.find(|(_, block)| own(block)) {
                Some((block, ground)) => {
                    let all = 0..ground.sections.len();
                    rows.extend(all.map(|section| DoneRow {
                        block,
                        section,
                        hours: None,
                        productive_taken: None,
                        scheduled_taken: None,
                    }));
                }
                None if layout.set_aside.iter().any(|block| block.id == id) => {}
                None => elsewhere.push(fault(
                    line,
                    format!("the layout has no block `{id}`"),
                    "ids must be those of this layout; was it made anew since?",
                )),
            }
            continue;
        }
        let mut key = [0; 4];
        for (slot, (name, text)) in key.iter_mut().zip(KEYS[1..].iter().zip(number_cells)) {
            *slot = text.parse().map_err(|_| {
                let why = format!("`{text}` in column `{name}` is no whole number");
                fault(line, why, "write the number as layer sections has it")
            })?;
        }
        // An apostrophe in front may be the one that keeps spreadsheets from running a formula.
        let found = places
            .get(&(Cow::Borrowed(id), key))
            .or_else(|| places.get(&(Cow::Borrowed(id.strip_prefix('\'')?), key)));
        let is_set_aside = |id: &str| {
            let mut blocks = layout.set_aside.iter();
            blocks.any(|block| block.id == id || outputs::cell_text(&block.id) == id)
        };
        if is_set_aside(id) || id.strip_prefix('\'').is_some_and(is_set_aside) {
            continue;
        }
        let Some(&(block, section)) = found else {
            let why = format!(
                "the layout has no section {} of strip {} piece {} in part {} of block `{id}`",
                key[3], key[1], key[2], key[0]
            );
            elsewhere.push(fault(
                line,
                why,
                "ids and numbers must be those of this layout; was it made anew since?",
            ));
            continue;
        };
        let hours = |at: Option<usize>, column: &str, hint: &'static str| {
            let Some(text) = at.map(cell).filter(|text| !text.is_empty()) else {
                return Ok(None);
            };
            let hours = text.parse::<f64>().ok();
            let hours = hours.filter(|hours| hours.is_finite() && *hours >= 0.0);
            hours.map(Some).ok_or_else(|| {
                let why = format!("`{text}` in column `{column}` is no number of hours");
                fault(line, why, hint)
            })
        };
        let of_the_layout = "write hours of the layout, or nothing for all of them";
        let booked = "write the hours it took, or nothing where nobody knows them";
        rows.push(DoneRow {
            block,
            section,
            hours: hours(hours_at, HOURS, of_the_layout)?,
            productive_taken: hours(taken_at[0], TAKEN[0], booked)?,
            scheduled_taken: hours(taken_at[1], TAKEN[1], booked)?,
        });
    }
    Ok((rows, elsewhere))
}
