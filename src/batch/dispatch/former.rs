//! The plan before this one, read back from its folder: what is done of it, where machines stand, and what a new plan changes.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

use chrono::NaiveDateTime;
use serde::Deserialize;

use super::done::take;
use super::{DispatchError, DispatchOptions, Left};
use crate::model::SectionKey;
use crate::outputs::dispatch::{
    CALENDAR, CALENDAR_TAKEN_BACK, CalendarBefore, Change, DoneBefore, Moved,
};
use crate::project::Crew;
use crate::schedule::calendar::{self, OneShift};
use crate::schedule::former::{Former, Stint};
use crate::schedule::outlook::Warning;
use crate::schedule::skidding::Skidding;
use crate::schedule::{Plan, Problem, Second, Stretch, What};
use crate::sources::limits::REPORT_FILE_BYTES;
use crate::sources::{self, FinishedLayout};

/// Why a folder holds no plan that a new one could keep to.
#[derive(Debug, thiserror::Error)]
#[error("error[former-plan]: {}\n  {why}\n  hint: name the folder that `blockwright dispatch ... --out DIR` wrote for this layout", path.display())]
pub struct FormerError {
    pub path: PathBuf,
    pub why: String,
}

#[derive(Deserialize)]
struct Written {
    program: Program,
    tasks: Vec<Task>,
}

#[derive(Deserialize)]
struct Program {
    name: String,
}

#[derive(Clone, Deserialize)]
pub(super) struct Task {
    pub machine: String,
    pub task: String,
    pub block_id: String,
    pub section: Option<SectionKey>,
    pub from: Second,
    pub to: Second,
    pub layout_hours: Option<f64>,
    /// Of its section; None: the plan has all tasks of it.
    #[serde(skip)]
    pub share: Option<f64>,
}

/// A section that the plan before has felled and not skidded by `--done-until`.
pub(super) struct LeftLying {
    pub block: usize,
    /// Of the layout's block.
    pub section: usize,
    pub felled: Second,
    /// Of the time of its skidding.
    pub share_left: f64,
}

/// A plan as it was written.
pub(super) struct FormerPlan {
    tasks: Vec<Task>,
    /// What of it counts as done; None: nothing.
    until: Option<Second>,
    /// Its calendar files, empty where they are not there any more.
    calendar: String,
    taken_back: String,
}

/// Local time as people write it on a command line: a date is its first second.
fn second_of(crew: &Crew, at: NaiveDateTime) -> Second {
    calendar::second_of(crew.zone, at.date(), at.time())
}

/// Reads the plan that `--keep-plan` names.
///
/// # Errors
/// The folder holds no `schedule.json` of this program.
pub(super) fn read(
    crew: &Crew,
    options: &DispatchOptions,
) -> Result<Option<FormerPlan>, DispatchError> {
    let Some(folder) = options.keep_plan.as_deref() else {
        return Ok(None);
    };
    let path = folder.join("schedule.json");
    let wrong = |why: String| FormerError {
        path: path.clone(),
        why,
    };
    let text =
        sources::read_plain(&path, REPORT_FILE_BYTES).map_err(|error| wrong(error.to_string()))?;
    let written: Written =
        serde_json::from_slice(&text).map_err(|error| wrong(error.to_string()))?;
    if written.program.name != env!("CARGO_PKG_NAME") {
        return Err(wrong("it is no plan of this program".to_owned()).into());
    }
    let sound = |task: &Task| {
        let hours = task
            .layout_hours
            .is_none_or(|hours| hours.is_finite() && hours >= 0.0);
        task.from <= task.to && hours
    };
    if let Some(task) = written.tasks.iter().find(|task| !sound(task)) {
        let why = format!(
            "a task of `{}` ends before it begins, or has no sound hours",
            task.machine
        );
        return Err(wrong(why).into());
    }
    let mut tasks = written.tasks;
    tasks.sort_by_key(|task| (task.from, task.to));
    Ok(Some(FormerPlan {
        tasks,
        until: options.done_until.map(|at| second_of(crew, at)),
        calendar: calendar_text(&folder.join(CALENDAR))?,
        taken_back: calendar_text(&folder.join(CALENDAR_TAKEN_BACK))?,
    }))
}

/// A calendar file, empty where there is none.
fn calendar_text(path: &Path) -> Result<String, FormerError> {
    let wrong = |why: String| FormerError {
        path: path.to_owned(),
        why,
    };
    match sources::read_plain(path, REPORT_FILE_BYTES) {
        Ok(bytes) => String::from_utf8(bytes).map_err(|error| wrong(error.to_string())),
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => Ok(String::new()),
        Err(error) => Err(wrong(error.to_string())),
    }
}

impl FormerPlan {
    /// Tasks that are done, all of them.
    pub(super) fn done(mut tasks: Vec<Task>) -> FormerPlan {
        tasks.sort_by_key(|task| (task.from, task.to));
        FormerPlan {
            tasks,
            until: Some(Second::MAX),
            calendar: String::new(),
            taken_back: String::new(),
        }
    }

    pub(super) fn calendar(&self) -> CalendarBefore<'_> {
        CalendarBefore {
            events: &self.calendar,
            taken_back: &self.taken_back,
            over: self.until,
        }
    }

    /// Takes off what was to be done before `--done-until`.
    pub(super) fn take_done(
        &self,
        layout: &FinishedLayout,
        left: &mut Left,
    ) -> (DoneBefore, Vec<Warning>, Vec<LeftLying>) {
        let mut sum = DoneBefore::default();
        let Some(until) = self.until else {
            return (sum, vec![], vec![]);
        };
        let mut places: BTreeMap<(&str, SectionKey), (usize, usize)> = BTreeMap::new();
        for (b, block) in layout.blocks.iter().enumerate() {
            for (s, own) in block.sections.iter().enumerate() {
                places.insert((&block.id, own.key()), (b, s));
            }
        }
        let mut elsewhere = BTreeSet::new();
        let mut felled: BTreeMap<(usize, usize), Second> = BTreeMap::new();
        let mut skidded: BTreeMap<(usize, usize), [f64; 2]> = BTreeMap::new();
        for task in &self.tasks {
            let Some(section) = task.section else {
                continue;
            };
            let key = (task.block_id.as_str(), section);
            let Some(&(block, at)) = places.get(&key) else {
                if task.from < until {
                    elsewhere.insert(key);
                }
                continue;
            };
            let before_s = (until.min(task.to) - task.from).max(0);
            if task.task == "skid" {
                let [done, all] = skidded.entry((block, at)).or_default();
                match task.share {
                    Some(share) => (*done, *all) = (*done + share, 1.0),
                    None => {
                        *done += before_s as f64;
                        *all += (task.to - task.from) as f64;
                    }
                }
            }
            let Some(hours) = task.layout_hours.filter(|_| task.task == "cut") else {
                continue;
            };
            if task.from >= until {
                continue;
            }
            let share = match task.to - task.from {
                _ if task.to <= until => 1.0,
                0 => 1.0,
                long => before_s as f64 / long as f64,
            };
            if let Some(left) = &mut left[block][at] {
                take(left, hours * share, &mut sum);
                if *left == 0.0 {
                    felled.insert((block, at), task.to);
                }
            }
        }
        sum.rows_elsewhere = elsewhere.len();
        let mut told = vec![];
        if !elsewhere.is_empty() {
            told.push(Warning {
                what: format!(
                    "{} section(s) that the plan before has done by then are of none that this layout has",
                    elsewhere.len()
                ),
                help: "name a plan of this layout, or say what is done with --done and --done-of".to_owned(),
            });
        }
        let lying = felled.into_iter().filter_map(|((block, section), felled)| {
            // What no skidder came to is left whole.
            let held = skidded.get(&(block, section)).copied();
            let [done, all] = held.unwrap_or([0.0, 1.0]);
            let share_left = 1.0 - done / if all > 0.0 { all } else { 1.0 };
            (share_left > LEAST_SHARE).then_some(LeftLying {
                block,
                section,
                felled,
                share_left,
            })
        });
        let lying = lying.collect();
        (sum, told, lying)
    }

    /// Litres that it has skidded since a moment, of what counts as done.
    pub(super) fn brought(&self, layout: &FinishedLayout, since: Second) -> i64 {
        let Some(until) = self.until else {
            return 0;
        };
        // Of each section its last second, the share that is brought, and the time of all of it.
        let mut found: BTreeMap<(&str, SectionKey), (Second, f64, f64)> = BTreeMap::new();
        for task in self.tasks.iter().filter(|task| task.task == "skid") {
            let Some(section) = task.section else {
                continue;
            };
            let own = found.entry((&task.block_id, section)).or_default();
            let long = (task.to - task.from) as f64;
            let is_over = task.to <= until;
            match task.share {
                Some(share) => (own.1, own.2) = (own.1 + share, 1.0),
                None => (own.1, own.2) = (own.1 + if is_over { long } else { 0.0 }, own.2 + long),
            }
            if is_over {
                own.0 = own.0.max(task.to);
            }
        }
        let mut sum = 0;
        for block in &layout.blocks {
            for own in &block.sections {
                let held = found.get(&(block.id.as_str(), own.key()));
                let whole = |held: &&(Second, f64, f64)| {
                    held.0 > since && held.1 >= (1.0 - LEAST_SHARE) * held.2
                };
                if held.filter(whole).is_some() {
                    sum += (own.volume_m3.unwrap_or(0.0) * 1000.0).round() as i64;
                }
            }
        }
        sum
    }

    /// Where a machine stands when the plan begins: the block of its last work before; None: it had none.
    pub(super) fn stands_at(&self, machine: &str) -> Option<&str> {
        let until = self.until?;
        let own = self.tasks.iter().rev();
        let mut own = own.filter(|task| task.machine == machine && !task.block_id.is_empty());
        let last =
            own.find(|task| task.from < until && (task.task != "move" || task.to <= until))?;
        Some(&last.block_id)
    }

    /// The block where it has a machine at a moment, moves there included.
    pub(super) fn block_at(&self, machine: &str, at: Second) -> Option<&str> {
        let first = self.tasks.partition_point(|task| task.from <= at);
        // Backwards: no task is longer than a few shifts, and the last that begins before is the one.
        let own = self.tasks[..first].iter().rev().take(LOOK_BACK);
        let mut own = own.filter(|task| task.machine == machine && at < task.to);
        own.next().map(|task| task.block_id.as_str())
    }

    /// What a new plan keeps to.
    pub(super) fn former(
        &self,
        crew: &Crew,
        options: &DispatchOptions,
        problem: &Problem,
    ) -> Former {
        let blocks: BTreeMap<&str, usize> = (problem.blocks.iter().enumerate())
            .map(|(at, block)| (block.id.as_str(), at))
            .collect();
        let of_machine = |name: &str| {
            let own = self.tasks.iter().filter(|task| {
                let kind = matches!(task.task.as_str(), "cut" | "move");
                task.machine == name && kind && task.to > self.until.unwrap_or(Second::MIN)
            });
            own.filter_map(|task| {
                Some(Stint {
                    block: *blocks.get(task.block_id.as_str())?,
                    span: Stretch::new(task.from, task.to),
                    is_move: task.task == "move",
                })
            })
            .collect()
        };
        let stints = problem.machines.iter().map(|its| of_machine(&its.name));
        let days = chrono::Days::new(u64::from(options.keep_days));
        let frozen = options.from.checked_add_days(days).unwrap_or(options.from);
        let frozen_until = calendar::second_of(crew.zone, frozen, chrono::NaiveTime::MIN);
        Former::new(stints.collect(), frozen_until)
    }
}

/// What new and former plan have in the shifts of one machine.
struct Compared<'c> {
    name: &'c str,
    shifts: &'c [OneShift],
    /// Block of each stretch of work, by time.
    now: Vec<(&'c str, Stretch)>,
}

/// Every shift that is not as it was, and why; and how many are.
pub(super) fn changes(
    former: &FormerPlan,
    crew: &Crew,
    problem: &Problem,
    plan: &Plan,
    skidding: &Skidding,
    shifts: &[Vec<OneShift>],
    frozen_until: Second,
) -> Moved {
    let mut moved = Moved::default();
    let id = |block: usize| problem.blocks[block].id.as_str();
    let names = crew.machines.iter().map(|its| its.name.get_ref());
    let names = names.chain(crew.skidders.iter().map(|its| its.name.get_ref()));
    let felling = problem.machines.len();
    let known: BTreeSet<&str> = former
        .tasks
        .iter()
        .map(|task| task.machine.as_str())
        .collect();
    let planned: BTreeSet<&str> = former
        .tasks
        .iter()
        .map(|task| task.block_id.as_str())
        .collect();
    let mut earlier = false;
    let mut all: Vec<(Second, usize, Change)> = Vec::new();
    for (index, (name, shifts)) in names.zip(shifts).enumerate() {
        let own = Compared {
            name,
            shifts,
            now: match index.checked_sub(felling) {
                None => {
                    let own = plan.tasks.iter();
                    own.filter(|task| {
                        task.machine == index && matches!(task.what, What::Cut { .. })
                    })
                    .map(|task| (id(task.block), task.span))
                    .collect()
                }
                Some(skidder) => {
                    let own = skidding.tasks.iter();
                    own.filter(|task| task.skidder == skidder && task.unit.is_some())
                        .map(|task| (id(task.block), task.span))
                        .collect()
                }
            },
        };
        for (date, shift, before, after) in own.differing(former, &mut moved) {
            let change = Change {
                date: date.date,
                shift: crew.shifts[date.shift].name.clone(),
                machine: name.clone(),
                before,
                after,
                why: String::new(),
            };
            all.push((shift, index, change));
        }
    }
    all.sort_by_key(|(at, index, _)| (*at, *index));
    let lost = |id: &str| {
        let block = problem.blocks.iter().find(|block| block.id == id);
        block.is_none_or(|block| block.units.is_empty())
    };
    for (at, index, mut change) in all {
        let is_skidder = index >= felling;
        let span = shifts[index].iter().find(|one| one.span.from == at);
        let span = span.map_or(Stretch::new(at, at + 1), |one| one.span);
        let stopped = crew.stops.iter().find(|stop| {
            let own = stop
                .machine
                .as_ref()
                .is_none_or(|its| *its.get_ref() == change.machine);
            let block = stop.block.as_ref().is_none_or(|its| {
                change.before.contains(its.get_ref()) || change.after.contains(its.get_ref())
            });
            own && block && stop.span.from < span.to && span.from < stop.span.to
        });
        let new_block = change
            .after
            .iter()
            .find(|id| !planned.contains(id.as_str()));
        let gone = change.before.iter().find(|id| lost(id));
        change.why = if let Some(stop) = stopped {
            stop.why.clone()
        } else if !known.contains(change.machine.as_str()) {
            "the machine was not in the plan before".to_owned()
        } else if let Some(id) = gone {
            format!("nothing is left to be done in {id}")
        } else if let Some(id) = new_block {
            format!("{id} was not in the plan before")
        } else if is_skidder {
            "it follows the felling".to_owned()
        } else if earlier {
            "it follows from the changes before it".to_owned()
        } else if at < frozen_until {
            "work there cannot go on as planned: what comes before it is not done, or it is taken, dark or closed".to_owned()
        } else {
            "a better plan was found, by more than the change weighs".to_owned()
        };
        earlier |= !is_skidder;
        moved.changes.push(change);
    }
    moved
}

impl Compared<'_> {
    /// Shifts whose blocks differ; counts all.
    fn differing(
        &self,
        former: &FormerPlan,
        moved: &mut Moved,
    ) -> Vec<(OneShift, Second, Vec<String>, Vec<String>)> {
        let then: Vec<(&str, Stretch)> = (former.tasks.iter())
            .filter(|task| {
                task.machine == self.name && matches!(task.task.as_str(), "cut" | "skid")
            })
            .map(|task| (task.block_id.as_str(), Stretch::new(task.from, task.to)))
            .collect();
        let mut found = vec![];
        for one in self.shifts {
            if former.until.is_some_and(|until| one.span.to <= until) {
                continue;
            }
            let since = former.until.unwrap_or(Second::MIN).max(one.span.from);
            let span = Stretch::new(since, one.span.to);
            let (before, after) = (visited(&then, span), visited(&self.now, span));
            if before.is_empty() && after.is_empty() {
                continue;
            }
            moved.compared += 1;
            if before == after {
                moved.kept += 1;
            } else {
                found.push((one.clone(), one.span.from, before, after));
            }
        }
        found
    }
}

/// Less of a section's wood is rounding: a table has shares to a thousandth of a hundredth.
const LEAST_SHARE: f64 = 1e-4;

/// Tasks of all machines among which the one that goes on is looked for.
const LOOK_BACK: usize = 2000;

/// Less is no work that people would speak of.
const LEAST_S: i64 = 60;

/// Blocks in the order in which they are worked within a time.
fn visited(work: &[(&str, Stretch)], within: Stretch) -> Vec<String> {
    let mut found: Vec<(&str, i64)> = vec![];
    for &(block, span) in work {
        let long = span.to.min(within.to) - span.from.max(within.from);
        if long <= 0 {
            continue;
        }
        match found.last_mut() {
            Some((last, sum)) if *last == block => *sum += long,
            _ => found.push((block, long)),
        }
    }
    let long = found.into_iter().filter(|(_, long)| *long >= LEAST_S);
    let mut ids: Vec<String> = long.map(|(id, _)| id.to_owned()).collect();
    ids.dedup();
    ids
}

/// Whether outputs into `dir` would replace the plan that is kept to.
pub(super) fn is_same(out: &Path, folder: &Path) -> bool {
    let whole = |path: &Path| path.canonicalize().unwrap_or_else(|_| path.to_owned());
    whole(out) == whole(folder)
}
