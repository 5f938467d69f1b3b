//! A copy of `shifts.csv` as the table of what is done: the rows that a dispatcher left in it.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use chrono::DateTime;

use super::former::Task;
use crate::batch::done_file::{DoneError, DoneRow, column_of, open, reader};
use crate::model::SectionKey;
use crate::outputs;
use crate::project::{Crew, Turn};
use crate::schedule::{HOUR, STANDARD_PACE, Second, Work, seconds_for};
use crate::sources::limits::TABLE_FILE_BYTES;
use crate::sources::{self, FinishedBlock, FinishedLayout};

/// What tells it from a table written by hand, and what is read of it.
const COLUMNS: [&str; 10] = [
    "shift",
    "machine",
    "task",
    "block_id",
    "first_section",
    "last_section",
    "from",
    "to",
    "hours",
    "section_list",
];
/// None of these stands in a table written by hand.
const OWN: [&str; 4] = ["machine", "task", "first_section", "last_section"];
/// A row is shorter than its sections take from here on, s: times stand in the table to the minute.
const SHORTER_S: i64 = 180;

/// What the rows of a table say.
#[derive(Default)]
pub(super) struct Copied {
    /// By block and section of the layout that it names.
    pub rows: Vec<DoneRow>,
    /// The same as a plan has them.
    pub tasks: Vec<Task>,
    /// Rows that fit no section.
    pub elsewhere: Vec<DoneError>,
    /// Rows that somebody made shorter than what they list takes.
    pub shortened: usize,
}

/// Whether a table is a copy of `shifts.csv`, by its header. What cannot be read is none: whoever reads it next says why.
pub(super) fn is_copy(path: &Path) -> bool {
    let Ok(file) = sources::open_plain(path, TABLE_FILE_BYTES) else {
        return false;
    };
    let mut table = reader(file);
    let heads = table.headers().cloned().unwrap_or_default();
    OWN.iter().all(|name| column_of(&heads, name).is_some())
}

/// A section of a row and the share of it that is done there.
type Part = (SectionKey, f64);

struct Reader<'l> {
    path: &'l Path,
    crew: &'l Crew,
    layout: &'l FinishedLayout,
    blocks: BTreeMap<String, usize>,
    places: BTreeMap<(usize, SectionKey), usize>,
    found: Copied,
    seen: BTreeSet<[String; 4]>,
}

/// Reads the rows; each is done, from its first section to its last.
///
/// # Errors
/// A missing column, a time that is none, or a list of sections that cannot be read.
pub(super) fn read(path: &Path, layout: &FinishedLayout, crew: &Crew) -> Result<Copied, DoneError> {
    let fault = |line: Option<u64>, why: String, hint: &'static str| DoneError {
        path: path.to_owned(),
        line,
        why,
        hint,
    };
    let as_written = "copy shifts.csv as dispatch wrote it: take rows out, and leave its columns";
    let (mut table, heads) = open(path, as_written)?;
    let mut at = [0; COLUMNS.len()];
    for (slot, name) in at.iter_mut().zip(COLUMNS) {
        *slot = column_of(&heads, name).ok_or_else(|| {
            let why = format!("it is a copy of shifts.csv without the column `{name}`");
            fault(Some(1), why, as_written)
        })?;
    }
    let mut reader = Reader {
        path,
        crew,
        layout,
        blocks: BTreeMap::new(),
        places: BTreeMap::new(),
        found: Copied::default(),
        seen: BTreeSet::new(),
    };
    for (b, block) in layout.blocks.iter().enumerate() {
        reader.blocks.insert(block.id.clone(), b);
        let written = outputs::cell_text(&block.id).into_owned();
        reader.blocks.entry(written).or_insert(b);
        for (s, own) in block.sections.iter().enumerate() {
            reader.places.insert((b, own.key()), s);
        }
    }
    for record in table.records() {
        let record = record.map_err(|error| {
            let line = error.position().map(csv::Position::line);
            fault(line, error.to_string(), as_written)
        })?;
        let line = record.position().map(csv::Position::line);
        let cells = at.map(|at| record.get(at).unwrap_or_default().to_owned());
        if cells.iter().all(String::is_empty) {
            continue;
        }
        if let Err((why, hint)) = reader.row(line, cells) {
            return Err(fault(line, why, hint));
        }
    }
    Ok(reader.found)
}

/// What is wrong with a row, and what to do.
type Wrong = (String, &'static str);

impl Reader<'_> {
    fn row(&mut self, line: Option<u64>, cells: [String; COLUMNS.len()]) -> Result<(), Wrong> {
        let [shift, machine, task, id, first, last, from, to, hours, list] = cells;
        let elsewhere = |own: &mut Self, why: String| {
            own.found.elsewhere.push(DoneError {
                path: own.path.to_owned(),
                line,
                why,
                hint: "ids and sections must be those of this layout; was it made anew since?",
            });
            Ok(())
        };
        let known = ["cut", "skid", "move", "service", "fuel"];
        if !known.contains(&&*task) {
            return elsewhere(
                self,
                format!("`{task}` is no task: cut, skid, move, service or fuel"),
            );
        }
        // These say nothing of the ground.
        if matches!(&*task, "service" | "fuel") {
            return Ok(());
        }
        let begins = moment("from", &from)?;
        let ends = moment("to", &to)?;
        if ends < begins {
            let hint = "write a `to` that is no earlier than `from`";
            return Err((format!("it ends ({to}) before it begins ({from})"), hint));
        }
        if !self
            .seen
            .insert([machine.clone(), task.clone(), id.clone(), from.clone()])
        {
            return elsewhere(
                self,
                format!("`{machine}` begins the same at {from} in a row before"),
            );
        }
        let plain = |id: &str| self.blocks.get(id).copied();
        let Some(block) = plain(&id).or_else(|| plain(id.strip_prefix('\'')?)) else {
            let mut set_aside = self.layout.set_aside.iter();
            let is_own = |own: &str| own == id || outputs::cell_text(own) == id;
            if set_aside.any(|block| is_own(&block.id)) {
                return Ok(());
            }
            return elsewhere(self, format!("the layout has no block `{id}`"));
        };
        let layout = self.layout;
        let ground = &layout.blocks[block];
        let mut work = Task {
            machine,
            task,
            block_id: ground.id.clone(),
            section: None,
            from: begins,
            to: ends,
            layout_hours: None,
            share: None,
        };
        if work.task == "move" {
            self.found.tasks.push(work);
            return Ok(());
        }
        let parts = match parts(&list, &first, &last) {
            Ok(parts) => parts,
            Err(why) => return elsewhere(self, why),
        };
        let mut found = Vec::new();
        for (section, share) in parts {
            match self.places.get(&(block, section)) {
                Some(&at) => found.push((section, at, share)),
                None => elsewhere(
                    self,
                    format!(
                        "the layout has no section {section} in block `{}`",
                        ground.id
                    ),
                )?,
            }
        }
        let is_cut = work.task == "cut";
        let pace = self.pace(&work.machine, &shift);
        let mut at = begins;
        let budget_s = budget(ends - begins, &hours)?;
        let needed_s: i64 = found
            .iter()
            .map(|own| long_s(ground, is_cut, own, pace))
            .sum();
        let is_short = pace.is_some() && needed_s > budget_s + SHORTER_S;
        self.found.shortened += usize::from(is_short);
        let mut left_s = budget_s;
        for (section, place, share) in found {
            let needed_s = long_s(ground, is_cut, &(section, place, share), pace);
            let share = match is_short && needed_s > left_s {
                true if left_s <= 0 => break,
                true => share * left_s as f64 / needed_s as f64,
                false => share,
            };
            left_s -= needed_s;
            let hours = ground.sections[place].hours;
            work.section = Some(section);
            work.from = at.min(ends);
            work.to = (at + needed_s).min(ends);
            at = work.to;
            work.share = Some(share);
            work.layout_hours = hours.filter(|_| is_cut).map(|hours| hours * share);
            self.found.tasks.push(work.clone());
            if is_cut {
                self.found.rows.push(DoneRow {
                    block,
                    section: place,
                    hours: work.layout_hours,
                    productive_taken: None,
                    scheduled_taken: None,
                });
            }
        }
        Ok(())
    }

    /// Milliseconds that a machine of the crew needs in a shift for a second of the layout; None: the crew has no such machine
    /// or shift any more.
    fn pace(&self, machine: &str, shift: &str) -> Option<i64> {
        let same = |name: &str, cell: &str| name == cell || outputs::cell_text(name) == cell;
        let of = |turns: &[Turn]| {
            let mut turns = turns.iter();
            let own = turns.find(|turn| same(&self.crew.shifts[turn.shift].name, shift));
            own.map(|turn| turn.pace)
        };
        let mut machines = self.crew.machines.iter();
        let own = machines.find(|own| same(own.name.get_ref(), machine));
        let mut skidders = self.crew.skidders.iter();
        let other = skidders.find(|own| same(own.name.get_ref(), machine));
        own.map_or_else(|| of(&other?.turns), |own| of(&own.turns))
    }
}

/// Seconds that a share of a section takes.
fn long_s(
    ground: &FinishedBlock,
    is_cut: bool,
    (_, place, share): &(SectionKey, usize, f64),
    pace: Option<i64>,
) -> i64 {
    let section = &ground.sections[*place];
    let hours = match is_cut {
        true => section.hours,
        false => section.skid_hours,
    };
    let work = hours.unwrap_or(0.0) * share * HOUR as f64;
    seconds_for(work.round() as Work, pace.unwrap_or(STANDARD_PACE))
}

/// The time of a row: from its times of day or its hours, whichever somebody made less.
fn budget(between_s: i64, hours: &str) -> Result<i64, Wrong> {
    if hours.is_empty() {
        return Ok(between_s);
    }
    let number = hours.parse::<f64>().ok();
    let number = number.filter(|hours| hours.is_finite() && *hours >= 0.0);
    let Some(number) = number else {
        let why = format!("`{hours}` in column `hours` is no number of hours");
        return Err((why, "write hours such as 4.25, or nothing"));
    };
    Ok(between_s.min((number * 3600.0).round() as i64))
}

/// Local time with its offset, as the table has it.
fn moment(column: &str, text: &str) -> Result<Second, Wrong> {
    let found = DateTime::parse_from_str(text, "%Y-%m-%dT%H:%M%:z").ok();
    let found = found.or_else(|| DateTime::parse_from_rfc3339(text).ok());
    found.map(|at| at.timestamp()).ok_or_else(|| {
        let why =
            format!("`{text}` in column `{column}` is no time such as 2026-12-01T06:00-06:00");
        (
            why,
            "leave times as shifts.csv has them; a spreadsheet may have changed them",
        )
    })
}

/// The sections of a row: those of its list from the first to the last that the row names.
fn parts(list: &str, first: &str, last: &str) -> Result<Vec<Part>, String> {
    let of = |column: &str, text: &str| {
        text.parse::<SectionKey>()
            .map_err(|_| format!("`{text}` in column `{column}` is no section such as 1-12.1/2"))
    };
    let (first, last) = (of("first_section", first)?, of("last_section", last)?);
    let mut all: Vec<Part> = Vec::new();
    if list.is_empty() {
        // A row written by hand.
        let same =
            (first.part, first.strip_no, first.piece) == (last.part, last.strip_no, last.piece);
        if !same || first.section_no > last.section_no {
            return Err("its column `section_list` is empty, and its first and last section are not of one piece of a strip".to_owned());
        }
        all.extend(run(first, last.section_no));
        return Ok(all);
    }
    for part in list
        .split(';')
        .map(str::trim)
        .filter(|part| !part.is_empty())
    {
        let wrong = || {
            format!(
                "`{part}` in column `section_list` is no section such as 1-12.1/2, 1-12.1/2-5 or 1-12.1/2 40 %"
            )
        };
        let share = part.strip_suffix('%').map(str::trim_end);
        let (text, share) = match share.map(|text| text.rsplit_once(' ')) {
            None => (part, 1.0),
            Some(None) => return Err(wrong()),
            Some(Some((text, share))) => {
                let share = share.parse::<f64>().ok().map(|share| share / 100.0);
                let share = share.filter(|share| (0.0..=1.0).contains(share));
                (text.trim_end(), share.ok_or_else(wrong)?)
            }
        };
        let (text, to) = match text.rsplit_once('-') {
            Some((text, to)) if text.contains('/') => {
                (text, Some(to.parse::<u32>().map_err(|_| wrong())?))
            }
            _ => (text, None),
        };
        let from = text.parse::<SectionKey>().map_err(|_| wrong())?;
        let to = to.unwrap_or(from.section_no);
        if to < from.section_no || to - from.section_no > MOST_RUN {
            return Err(wrong());
        }
        all.extend(run(from, to).map(|(section, _)| (section, share)));
    }
    let at = |section: SectionKey| all.iter().position(|own| own.0 == section);
    let (Some(from), Some(to)) = (at(first), all.iter().rposition(|own| own.0 == last)) else {
        let lost = if at(first).is_none() { first } else { last };
        return Err(format!("{lost} is not in its column `section_list`"));
    };
    if from > to {
        return Err(format!(
            "{first} comes after {last} in its column `section_list`"
        ));
    }
    Ok(all[from..=to].to_vec())
}

/// No piece has so many sections.
const MOST_RUN: u32 = 100_000;

fn run(from: SectionKey, to: u32) -> impl Iterator<Item = Part> {
    (from.section_no..=to).map(move |section_no| (SectionKey { section_no, ..from }, 1.0))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn numbers(list: &str, first: &str, last: &str) -> Result<Vec<(u32, u32, f64)>, String> {
        let found = parts(list, first, last)?;
        let shown = found.into_iter();
        Ok(shown
            .map(|(own, share)| (own.strip_no, own.section_no, share))
            .collect())
    }

    #[test]
    fn lists_are_read_from_the_first_to_the_last_that_the_row_names() {
        let list = "1-3.1/4 62.5 %; 1-3.1/5-6; 1-4.2/1";
        let all = [(3, 4, 0.625), (3, 5, 1.0), (3, 6, 1.0), (4, 1, 1.0)];
        assert_eq!(numbers(list, "1-3.1/4", "1-4.2/1").unwrap(), all);
        assert_eq!(numbers(list, "1-3.1/5", "1-3.1/6").unwrap(), all[1..3]);
        let by_hand = numbers("", "2-7.1/2", "2-7.1/3").unwrap();
        assert_eq!(by_hand, [(7, 2, 1.0), (7, 3, 1.0)]);
        for (list, first, last) in [
            (list, "1-3.1/4", "1-9.1/1"),
            (list, "1-4.2/1", "1-3.1/4"),
            ("", "1-3.1/1", "1-4.1/1"),
            ("1-3.1/4 162 %", "1-3.1/4", "1-3.1/4"),
            ("1-3.1/5-4", "1-3.1/5", "1-3.1/5"),
            ("strip 3", "1-3.1/4", "1-3.1/4"),
            (list, "strip 3", "1-3.1/4"),
        ] {
            assert!(numbers(list, first, last).is_err(), "{list} {first} {last}");
        }
    }
}
