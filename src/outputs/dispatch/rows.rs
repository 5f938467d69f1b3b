//! Tasks as people read them: by shift, neighbouring sections of one class in one row.

use chrono::{NaiveDate, TimeZone};
use chrono_tz::Tz;

use super::Roster;
use crate::model::{SectionKey, ShiftClass};
use crate::outputs::FileNames;
use crate::schedule::calendar::{OneShift, date_of, second_of};
use crate::schedule::{HOUR, STANDARD_PACE, Second, Stretch, Unit, Upkeep, What};
use crate::sources::FinishedSection;

/// One shift of one machine with what it does in it.
pub struct ShiftPlan {
    /// Felling machines first, then skidders.
    pub machine: usize,
    pub name: String,
    pub date: NaiveDate,
    pub shift: String,
    pub operator: Option<String>,
    pub span: Stretch,
    pub rows: Vec<Row>,
    /// File name without ending.
    pub stem: String,
    /// Of all sheets of its machine, on light ground and on dark.
    pub machine_stems: [String; 2],
}

impl ShiftPlan {
    /// Whether nothing is done in it but service and fuelling.
    pub fn is_service_alone(&self) -> bool {
        self.rows.iter().all(|row| row.job.is_upkeep())
    }
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Job {
    Cut(ShiftClass),
    Move,
    Service,
    Fuel,
    Skid,
}

impl Job {
    pub fn is_upkeep(self) -> bool {
        matches!(self, Job::Service | Job::Fuel)
    }

    pub fn key(self) -> &'static str {
        match self {
            Job::Cut(_) => "cut",
            Job::Move => "move",
            Job::Service => "service",
            Job::Fuel => "fuel",
            Job::Skid => "skid",
        }
    }

    /// Empty for what cuts nothing.
    pub fn class_key(self) -> &'static str {
        match self {
            Job::Cut(class) => class.key(),
            _ => "",
        }
    }

    pub fn words(self) -> &'static str {
        match self {
            Job::Cut(ShiftClass::DayOnly) => "cut, day only",
            Job::Cut(ShiftClass::NightSafe) => "cut, night-safe",
            Job::Move => "move to",
            Job::Service => "service",
            Job::Fuel => "fuel",
            Job::Skid => "skid",
        }
    }
}

pub struct Row {
    pub job: Job,
    pub span: Stretch,
    /// Index into the problem's blocks; None for service and fuelling.
    pub block: Option<usize>,
    pub block_id: String,
    /// Units of the block, in the order of work, each once.
    pub units: Vec<usize>,
    /// Of each of them the share that is cut or skidded in it, 0 to 1.
    pub shares: Vec<f64>,
    pub first: Option<SectionKey>,
    pub last: Option<SectionKey>,
    /// The block's light in which it falls; in the dark, that of its shift's date, else the next within a day.
    pub light: Option<(String, String)>,
    /// Of a row that lies in the dark: when the light went before it, and when it comes after it; empty where none did.
    pub dark: Option<(String, String)>,
    pub from: String,
    pub to: String,
}

impl Row {
    /// Numbers of the settings in which it works, in the order of work; 0 is road clearing.
    pub fn settings(&self, roster: &Roster<'_>) -> Vec<u32> {
        let Some(block) = self.block else {
            return vec![];
        };
        let units = &roster.problem.blocks[block].units;
        let mut settings: Vec<u32> = Vec::new();
        for unit in &self.units {
            let part = units[*unit].key.part;
            if !settings.contains(&part) {
                settings.push(part);
            }
        }
        settings
    }

    pub fn hours(&self) -> f64 {
        self.span.seconds() as f64 / 3600.0
    }
}

/// Local time to the minute with its offset, such as `2026-12-01T06:00-05:00`.
pub fn local(zone: Tz, at: Second) -> String {
    let there = zone.timestamp_opt(at, 0).earliest();
    there.map_or(String::new(), |there| {
        there.format("%Y-%m-%dT%H:%M%:z").to_string()
    })
}

/// Local time of day.
pub fn clock(zone: Tz, at: Second) -> String {
    let there = zone.timestamp_opt(at, 0).earliest();
    there.map_or(String::new(), |there| there.format("%H:%M").to_string())
}

/// `1-12.1/2-5; 1-13.1/1 62.5 %`: all sections of a row, neighbours of one piece together, and how much of each where that is
/// not all.
pub fn section_list(row: &Row, units: &[Unit]) -> String {
    let mut parts: Vec<(SectionKey, u32, bool)> = Vec::new();
    let mut words: Vec<String> = Vec::new();
    for (&unit, &share) in row.units.iter().zip(&row.shares) {
        let key = units[unit].key;
        let whole = share >= WHOLE;
        if let (Some((first, last, true)), true) = (parts.last_mut(), whole)
            && first.piece() == key.piece()
            && *last + 1 == key.section_no
        {
            *last = key.section_no;
            let from = *first;
            words.pop();
            words.push(format!("{from}-{}", key.section_no));
            continue;
        }
        parts.push((key, key.section_no, whole));
        words.push(match whole {
            true => key.to_string(),
            false => format!("{key} {:.3} %", share * 100.0),
        });
    }
    words.join("; ")
}

/// More of a section is all of it: shares are written to a thousandth of a hundredth.
const WHOLE: f64 = 0.999_99;

fn section_of<'r>(roster: &Roster<'r>, block: usize, unit: usize) -> &'r FinishedSection {
    &roster.layout.blocks[block].sections[roster.sections[block][unit]]
}

fn share(done: f64, all: Option<f64>) -> f64 {
    let all = all.filter(|all| *all > 0.0);
    all.map_or(1.0, |all| (done / all).min(1.0))
}

/// Every shift in which something is done, by time, then machine.
pub fn shifts(roster: &Roster<'_>) -> Vec<ShiftPlan> {
    let felling = roster.problem.machines.len();
    let mut names = FileNames::default();
    let mut plans = Vec::new();
    for (machine, shifts) in roster.shifts.iter().enumerate() {
        let mut rows: Vec<Vec<Row>> = shifts.iter().map(|_| Vec::new()).collect();
        if machine < felling {
            for task in roster
                .solved
                .plan
                .tasks
                .iter()
                .filter(|t| t.machine == machine)
            {
                let (job, unit) = match task.what {
                    What::Move => (Job::Move, None),
                    What::Cut { unit, done } => {
                        let class = roster.problem.blocks[task.block].units[unit].class;
                        let all = section_of(roster, task.block, unit).hours;
                        let share = share(done as f64 / HOUR as f64, all);
                        (Job::Cut(class), Some((unit, share)))
                    }
                };
                add(
                    roster,
                    &mut rows[task.shift],
                    job,
                    task.block,
                    unit,
                    task.span,
                );
            }
        } else {
            for task in &roster.skidding.tasks {
                if task.skidder + felling == machine {
                    let job = if task.unit.is_some() {
                        Job::Skid
                    } else {
                        Job::Move
                    };
                    let unit = task.unit.map(|unit| {
                        let windows = &roster.skidders[task.skidder].windows;
                        let own = windows.iter().find(|own| own.span.contains(task.span.from));
                        let pace = own.map_or(STANDARD_PACE, |own| own.pace);
                        let hours = task.span.seconds() as f64 * 1000.0 / pace as f64 / 3600.0;
                        let all = section_of(roster, task.block, unit).skid_hours;
                        (unit, share(hours, all))
                    });
                    add(
                        roster,
                        &mut rows[task.shift],
                        job,
                        task.block,
                        unit,
                        task.span,
                    );
                }
            }
        }
        for (job, slot) in upkeep(roster, machine) {
            // Outside of all shifts it belongs to the one of its date.
            let date = date_of(roster.zone, slot.from);
            let within = |one: &OneShift| one.span.from < slot.to && slot.from < one.span.to;
            let shift = (shifts.iter().position(within))
                .or_else(|| shifts.iter().position(|one| one.date == date))
                .or_else(|| shifts.iter().position(|one| one.span.from >= slot.from))
                .or_else(|| shifts.len().checked_sub(1));
            if let Some(shift) = shift {
                rows[shift].push(Row {
                    job,
                    span: slot,
                    block: None,
                    block_id: String::new(),
                    units: vec![],
                    shares: vec![],
                    first: None,
                    last: None,
                    light: None,
                    dark: None,
                    from: local(roster.zone, slot.from),
                    to: local(roster.zone, slot.to),
                });
            }
        }
        let machine_stems =
            ["", "\0dark"].map(|more| names.stem(&format!("{}{more}", roster.machine(machine))));
        for (index, (one, mut rows)) in shifts.iter().zip(rows).enumerate() {
            if rows.is_empty() {
                continue;
            }
            rows.sort_by_key(|row| (row.span.from, row.span.to));
            for row in &mut rows {
                row.light = light_of(roster, row, one.date);
                row.dark = dark_of(roster, row);
            }
            let shift = roster.shift_names[one.shift].clone();
            let name = roster.machine(machine).to_owned();
            plans.push(ShiftPlan {
                machine,
                date: one.date,
                operator: roster.operators[machine].get(index).cloned().flatten(),
                span: one.span,
                machine_stems: machine_stems.clone(),
                stem: names.stem(&format!("{}\0{shift}\0{name}", one.date)),
                name,
                shift,
                rows,
            });
        }
    }
    plans.sort_by_key(|plan| (plan.span.from, plan.machine, plan.span.to));
    plans
}

/// Service and fuelling of a machine from its first work to its last: before and afterwards it stands.
pub fn upkeep(roster: &Roster<'_>, machine: usize) -> Vec<(Job, Stretch)> {
    let felling = roster.problem.machines.len();
    let (its, work): (_, Vec<Stretch>) = match roster.problem.machines.get(machine) {
        Some(its) => {
            let own = roster.solved.plan.tasks.iter();
            let own = own.filter(|task| task.machine == machine);
            (&its.upkeep, own.map(|task| task.span).collect())
        }
        None => {
            let own = roster.skidding.tasks.iter();
            let own = own.filter(|task| task.skidder + felling == machine);
            let work = own.map(|task| task.span).collect();
            (&roster.skidders[machine - felling].upkeep, work)
        }
    };
    let service = its.service.iter().map(|slot| (Job::Service, *slot));
    let fuel = its.fuel.iter().map(|slot| (Job::Fuel, *slot));
    let mut all: Vec<(Job, Stretch)> = service
        .chain(fuel)
        .filter(|(_, slot)| Upkeep::is_needed(*slot, &work))
        .collect();
    all.sort_by_key(|own| own.1);
    all
}

/// Those of one job alone.
pub fn slots(roster: &Roster<'_>, machine: usize, job: Job) -> Vec<Stretch> {
    let own = upkeep(roster, machine).into_iter();
    own.filter(|own| own.0 == job).map(|own| own.1).collect()
}

/// The dark in which a row lies, where no light falls on it.
fn dark_of(roster: &Roster<'_>, row: &Row) -> Option<(String, String)> {
    let light = &roster.problem.blocks[row.block?].light;
    let is_lit = |light: &Stretch| light.to > row.span.from && light.from < row.span.to;
    if light.iter().any(is_lit) {
        return None;
    }
    let shown = |at: Option<Second>| at.map_or(String::new(), |at| local(roster.zone, at));
    let went = light.iter().rev().find(|light| light.to <= row.span.from);
    let comes = light.iter().find(|light| light.from >= row.span.to);
    Some((shown(went.map(|l| l.to)), shown(comes.map(|l| l.from))))
}

/// What people call the daylight of a row.
fn light_of(roster: &Roster<'_>, row: &Row, date: NaiveDate) -> Option<(String, String)> {
    let light = &roster.problem.blocks[row.block?].light;
    let within = light
        .iter()
        .find(|light| light.to > row.span.from && light.from < row.span.to);
    let of_date = || {
        let day = second_of(roster.zone, date, chrono::NaiveTime::MIN);
        let ends = day + 86_400;
        // That of the evening: where light lasts over midnight, two fall on a date.
        light
            .iter()
            .rfind(|light| light.to > day && light.from < ends)
    };
    let next = || {
        let soon = row.span.from + 86_400;
        light
            .iter()
            .find(|light| light.to > row.span.from && light.from < soon)
    };
    let found = within.or_else(of_date).or_else(next)?;
    Some((local(roster.zone, found.from), local(roster.zone, found.to)))
}

fn add(
    roster: &Roster<'_>,
    rows: &mut Vec<Row>,
    job: Job,
    block: usize,
    unit: Option<(usize, f64)>,
    span: Stretch,
) {
    let ground = &roster.problem.blocks[block];
    let key = unit.map(|(unit, _)| ground.units[unit].key);
    if let Some(last) = rows.last_mut()
        && last.job == job
        && last.block == Some(block)
        && last.span.to == span.from
    {
        last.span.to = span.to;
        last.to = local(roster.zone, span.to);
        last.last = key.or(last.last);
        match unit {
            Some((unit, share)) if last.units.last() == Some(&unit) => {
                if let Some(held) = last.shares.last_mut() {
                    *held += share;
                }
            }
            Some((unit, share)) => {
                last.units.push(unit);
                last.shares.push(share);
            }
            None => {}
        }
        return;
    }
    rows.push(Row {
        job,
        span,
        block: Some(block),
        block_id: ground.id.clone(),
        units: unit.iter().map(|own| own.0).collect(),
        shares: unit.iter().map(|own| own.1).collect(),
        first: key,
        last: key,
        light: None,
        dark: None,
        from: local(roster.zone, span.from),
        to: local(roster.zone, span.to),
    });
}
