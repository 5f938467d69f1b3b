//! Sections of a finished layout into a crew's shifts: read, plan, check the plan, write.

mod apart;
mod done;
mod problem;

use std::path::PathBuf;

use chrono::NaiveDate;

use super::done_file::DoneError;
use super::{Progress, keep_all};
use crate::daylight::DaylightError;
use crate::landbase::APART_SOURCE;
use crate::outputs::OutputError;
pub use crate::outputs::dispatch::SetAside;
use crate::outputs::dispatch::{Roster, would_replace, write};
use crate::project::{Crew, ProjectError, Reason, Turn};
use crate::rulebook::spanned::Spanned;
use crate::schedule::calendar::{self, OneShift};
use crate::schedule::outlook::{self, Outlook, Warning};
use crate::schedule::skidding::{self, Skidder, Skidding};
use crate::schedule::{self, Nearest, Problem, Solved};
use crate::sources::{FinishedError, FinishedLayout, finished};

/// What is to be planned.
#[derive(Clone, Debug)]
pub struct DispatchOptions {
    /// Folder of the layout.
    pub layout: PathBuf,
    pub from: NaiveDate,
    /// Dates on which shifts may begin.
    pub days: u32,
    pub out: PathBuf,
    /// Table of sections that are cut already.
    pub done: Option<PathBuf>,
    /// Folder of the layout whose sections the table names; None: the one to be planned.
    pub done_of: Option<PathBuf>,
    pub progress: Progress,
}

#[derive(Debug, thiserror::Error)]
pub enum DispatchError {
    #[error(transparent)]
    Layout(#[from] FinishedError),
    #[error(transparent)]
    Crew(#[from] ProjectError),
    #[error(transparent)]
    Done(#[from] DoneError),
    #[error(transparent)]
    Output(#[from] OutputError),
    #[error("block {block}: {source}")]
    Daylight {
        block: String,
        source: DaylightError,
    },
    #[error(
        "{}: no block has hours to plan\n  hint: give `stems_per_ha` under [production], or a layer of stands, and lay out anew",
        layout.display()
    )]
    NoHours { layout: PathBuf },
    #[error(
        "{}: no block can be planned; block {id}: {why}\n  hint: lay out the blocks anew",
        layout.display()
    )]
    AllSetAside {
        layout: PathBuf,
        id: String,
        why: String,
    },
    #[error(
        "the plan that was found breaks rules, so nothing was written; please report this: {}",
        rules.join("; ")
    )]
    Broken { rules: Vec<String> },
}

/// What came out.
#[derive(Clone, Debug)]
pub struct Dispatched {
    pub project: String,
    pub blocks: usize,
    pub sections: usize,
    pub solved: Solved,
    /// First second of any shift.
    pub begins: schedule::Second,
    pub outlook: Outlook,
    /// Rules that are not kept, and blocks that are not planned.
    pub breaches: Vec<Warning>,
    pub set_aside: Vec<SetAside>,
    pub sheets: usize,
}

impl Dispatched {
    /// Whether all work of all blocks fits and every rule is kept.
    pub fn is_clean(&self) -> bool {
        self.solved.plan.undone == 0 && self.breaches.is_empty()
    }
}

/// Plans the shifts of a crew over a layout and writes the outputs.
///
/// # Errors
/// When the layout, the crew file's names or the table of finished sections do not hold together, or the outputs cannot be
/// written. Work that does not fit is no error; it is told in the outcome.
pub fn dispatch(crew: &Crew, options: &DispatchOptions) -> Result<Dispatched, DispatchError> {
    let inputs = options.done.as_deref().into_iter().chain([&*crew.path]);
    keep_all(inputs, |path| would_replace(&options.out, path))?;
    options.progress.say("reading the layout");
    let layout = finished(&options.layout)?;
    if let ([], Some(first)) = (&layout.blocks[..], layout.set_aside.first()) {
        return Err(DispatchError::AllSetAside {
            layout: options.layout.clone(),
            id: first.id.clone(),
            why: first.why.clone(),
        });
    }
    let (mut breaches, mut set_aside) = (Vec::new(), Vec::new());
    let (left, done, told) = done::left_to_do(&layout, options)?;
    breaches.extend(told);
    let hours = problem::crew_hours(crew, &layout, options, &mut breaches)?;
    let (problem, sections) = problem::problem(
        crew,
        &layout,
        options,
        &left,
        hours,
        &mut breaches,
        &mut set_aside,
    )?;
    let closed = set_aside.iter().any(|own| own.code == "closed");
    let nothing = problem.blocks.iter().all(|block| block.units.is_empty());
    if nothing && done.sections == 0 && !closed {
        return Err(DispatchError::NoHours {
            layout: options.layout.clone(),
        });
    }
    let units: usize = problem.blocks.iter().map(|block| block.units.len()).sum();
    options.progress.say(&format!(
        "planning {units} sections of {} blocks",
        problem.blocks.len()
    ));
    let solved = schedule::solve(&problem);
    let rules = schedule::check(&problem, &solved.plan);
    if !rules.is_empty() {
        return Err(DispatchError::Broken { rules });
    }
    let followers = skid(
        crew,
        &layout,
        options,
        &problem,
        &sections,
        &solved,
        &mut breaches,
    )?;
    let outlook = outlook::outlook(&problem, &solved.plan, &solved.bound, crew.zone);
    let mut shifts = Vec::new();
    let mut operators = Vec::new();
    for machine in &crew.machines {
        let mine = shifts_of(crew, options, &machine.turns);
        operators.push(drivers(&mine, &machine.turns));
        shifts.push(mine);
    }
    for (mine, skidder) in followers.shifts.into_iter().zip(&crew.skidders) {
        operators.push(drivers(&mine, &skidder.turns));
        shifts.push(mine);
    }
    let roster = Roster {
        layout: &layout,
        zone: crew.zone,
        from: options.from,
        days: options.days,
        margin_min: crew.light_margin.num_minutes(),
        shift_names: crew.shifts.iter().map(|shift| shift.name.clone()).collect(),
        problem: &problem,
        sections: &sections,
        solved: &solved,
        shifts: &shifts,
        operators: &operators,
        skidders: &followers.skidders,
        skidding: &followers.skidding,
        nearest: followers.nearest,
        apart_source: APART_SOURCE,
        outlook: &outlook,
        breaches: &breaches,
        set_aside: &set_aside,
        done,
    };
    options.progress.say("writing the sheets");
    let sheets = write(&roster, &options.out)?;
    let begins = problem.machines.iter().flat_map(|machine| &machine.windows);
    Ok(Dispatched {
        project: layout.project.clone(),
        blocks: problem
            .blocks
            .iter()
            .filter(|b| !b.units.is_empty())
            .count(),
        sections: units,
        begins: begins
            .map(|window| window.span.from)
            .min()
            .unwrap_or(problem.period.from),
        solved,
        outlook,
        breaches,
        set_aside,
        sheets,
    })
}

/// Hours left of each section, by block; None where no hours are known.
type Left = Vec<Vec<Option<f64>>>;

fn shifts_of(crew: &Crew, options: &DispatchOptions, turns: &[Turn]) -> Vec<OneShift> {
    let mine: Vec<(usize, i64)> = turns.iter().map(|turn| (turn.shift, turn.pace)).collect();
    calendar::shifts(
        crew.zone,
        options.from,
        options.days,
        &crew.shifts,
        &mine,
        &crew.days_off,
    )
}

fn drivers(shifts: &[OneShift], turns: &[Turn]) -> Vec<Option<String>> {
    let of = |one: &OneShift| turns.iter().find(|turn| turn.shift == one.shift);
    shifts
        .iter()
        .map(|one| of(one).and_then(|turn| turn.operator.clone()))
        .collect()
}

fn refuse_overlap(
    crew: &Crew,
    shifts: &[OneShift],
    name: &Spanned<String>,
) -> Result<(), DispatchError> {
    let Some((first, second)) = calendar::overlap(shifts) else {
        return Ok(());
    };
    let shift = |one: &OneShift| &crew.shifts[one.shift].name;
    Err(DispatchError::Crew(crew.error(
        name.span(),
        Reason::Contradiction {
            message: format!(
                "the shifts `{}` and `{}` of `{}` overlap on {}",
                shift(first),
                shift(second),
                name.get_ref(),
                second.date
            ),
            remedy:
                "change their hours, or name the shifts of each machine with `shifts`".to_owned(),
        },
    )))
}

/// Skidders with their shifts, and what they do.
struct Followers {
    skidders: Vec<Skidder>,
    shifts: Vec<Vec<OneShift>>,
    skidding: Skidding,
    nearest: Option<Nearest>,
}

fn skid(
    crew: &Crew,
    layout: &FinishedLayout,
    options: &DispatchOptions,
    problem: &Problem,
    sections: &[Vec<usize>],
    solved: &Solved,
    breaches: &mut Vec<Warning>,
) -> Result<Followers, DispatchError> {
    let mut skidders = Vec::new();
    let mut all = Vec::new();
    for skidder in &crew.skidders {
        let mine = shifts_of(crew, options, &skidder.turns);
        refuse_overlap(crew, &mine, &skidder.name)?;
        skidders.push(Skidder {
            name: skidder.name.get_ref().clone(),
            night: skidder.night,
            max_slope: skidder.max_slope.or(layout.skidder_slope),
            windows: calendar::hours(crew.zone, &mine, None, &[]).windows,
            start: problem::start_of(crew, layout, skidder.start.as_ref())?,
            min_lead_s: skidder.min_lead_s,
            max_lead_s: skidder.max_lead_s,
        });
        all.push(mine);
    }
    let seconds = |block: usize, unit: usize| {
        let section = &layout.blocks[block].sections[sections[block][unit]];
        (section.skid_hours.unwrap_or(0.0) * 3600.0).round() as i64
    };
    let by_day: Vec<Vec<bool>> = (layout.blocks.iter().zip(sections))
        .map(|(block, units)| {
            let of_block = problem::skidded_by_day(&block.sections);
            units.iter().map(|&section| of_block[section]).collect()
        })
        .collect();
    let near = apart::Sections::new(layout, sections);
    let steepest = |block: usize, unit: usize| {
        let ground = &layout.blocks[block];
        let way = apart::way_out(ground, sections[block][unit]);
        let slopes = way.map(|at| problem::slope_of(layout, ground, &ground.sections[at]));
        slopes.flatten().reduce(f64::max)
    };
    let wood = skidding::WoodKnown {
        seconds: &seconds,
        by_day: &|block, unit| by_day[block][unit],
        slope: &steepest,
        too_near: &|felled, skidded| near.too_near(felled, skidded),
    };
    let skidding = skidding::follow(problem, &solved.plan, &skidders, &problem.moves, wood);
    let mut rules =
        schedule::check_skidding(problem, &skidding, &skidders, wood.by_day, wood.slope);
    let apart = |felled, skidded| near.apart(felled, skidded);
    let (too_near, nearest) =
        schedule::check_apart(problem, &solved.plan, &skidding, &skidders, &apart);
    rules.extend(too_near);
    if !rules.is_empty() {
        return Err(DispatchError::Broken { rules });
    }
    if let Some((block, _, _)) = skidding.late.first() {
        let longest = skidding.late.iter().map(|late| late.2).max().unwrap_or(0);
        breaches.push(Warning {
            what: format!(
                "{} section(s) wait longer for a skidder than `max_lead` allows, up to {:.1} h longer, first in block {}",
                skidding.late.len(),
                longest as f64 / 3600.0,
                problem.blocks[*block].id
            ),
            help: "add a skidder or a skidding shift, or let `max_lead` be longer".to_owned(),
        });
    }
    if skidding.left > 0 {
        breaches.push(Warning {
            what: format!(
                "{} felled section(s) are not skidded within the period: {:.1} hours",
                skidding.left,
                skidding.left_s as f64 / 3600.0
            ),
            help: "add a skidder, a skidding shift or days; ground steeper than every skidder's `max_slope` waits for another machine".to_owned(),
        });
    }
    Ok(Followers {
        skidders,
        shifts: all,
        skidding,
        nearest,
    })
}
