//! Sections of a finished layout into a crew's shifts: read, plan, check the plan, write.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use chrono::{NaiveDate, NaiveTime};

use super::Progress;
use super::done_file::{self, DoneError};
use crate::daylight::{self, DaylightError};
use crate::outputs::OutputError;
use crate::outputs::dispatch::{DoneBefore, Roster, write};
use crate::project::{Crew, ProjectError, Reason, Turn};
use crate::rulebook::spanned::Spanned;
use crate::schedule::calendar::{self, Hours, OneShift};
use crate::schedule::outlook::{self, Outlook, Warning};
use crate::schedule::skidding::{self, Skidder, Skidding};
use crate::schedule::time::{intersect, whole_seconds};
use crate::schedule::{
    self, Block, HOUR, Machine, Problem, SectionKey, Solved, Stretch, Unit, Work,
};
use crate::sources::{FinishedBlock, FinishedError, FinishedLayout, FinishedSection, finished};

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
    /// Rules that are not kept.
    pub breaches: Vec<Warning>,
    pub sheets: usize,
}

impl Dispatched {
    /// Whether all work fits and every rule is kept.
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
    options.progress.say("reading the layout");
    let layout = finished(&options.layout)?;
    let mut breaches = Vec::new();
    let (left, done) = left_to_do(&layout, options.done.as_deref())?;
    let hours = crew_hours(crew, &layout, options, &mut breaches)?;
    let (problem, sections) = problem(crew, &layout, options, &left, hours, &mut breaches)?;
    if problem.blocks.iter().all(|block| block.units.is_empty()) && done.sections == 0 {
        return Err(DispatchError::NoHours {
            layout: options.layout.clone(),
        });
    }
    let units: usize = problem.blocks.iter().map(|block| block.units.len()).sum();
    options
        .progress
        .say(&format!("planning {units} sections of {} blocks", problem.blocks.len()));
    let solved = schedule::solve(&problem);
    let rules = schedule::check(&problem, &solved.plan);
    if !rules.is_empty() {
        return Err(DispatchError::Broken { rules });
    }
    let (skidders, skid_shifts, skidding) =
        skid(crew, &layout, options, &problem, &sections, &solved, &mut breaches)?;
    let outlook = outlook::outlook(&problem, &solved.plan, &solved.bound, crew.zone);
    let mut shifts = Vec::new();
    let mut operators = Vec::new();
    for machine in &crew.machines {
        let mine = shifts_of(crew, options, &machine.turns);
        operators.push(drivers(&mine, &machine.turns));
        shifts.push(mine);
    }
    for (mine, skidder) in skid_shifts.into_iter().zip(&crew.skidders) {
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
        skidders: &skidders,
        skidding: &skidding,
        outlook: &outlook,
        breaches: &breaches,
        done,
    };
    options.progress.say("writing the sheets");
    let sheets = write(&roster, &options.out)?;
    let begins = problem.machines.iter().flat_map(|machine| &machine.windows);
    Ok(Dispatched {
        project: layout.project.clone(),
        blocks: problem.blocks.iter().filter(|b| !b.units.is_empty()).count(),
        sections: units,
        begins: begins
            .map(|window| window.span.from)
            .min()
            .unwrap_or(problem.period.from),
        solved,
        outlook,
        breaches,
        sheets,
    })
}

/// Hours left of each section, by block; None where no hours are known.
type Left = Vec<Vec<Option<f64>>>;

fn left_to_do(
    layout: &FinishedLayout,
    done: Option<&Path>,
) -> Result<(Left, DoneBefore), DispatchError> {
    let mut left: Left = layout
        .blocks
        .iter()
        .map(|block| block.sections.iter().map(|section| section.hours).collect())
        .collect();
    let mut sum = DoneBefore::default();
    if let Some(path) = done {
        for row in done_file::read(path, layout)? {
            let Some(hours) = &mut left[row.block][row.section] else {
                continue;
            };
            let more = row.hours.unwrap_or(*hours).min(*hours);
            sum.hours += more;
            *hours -= more;
            if *hours < 1.0 / 3600.0 {
                *hours = 0.0;
                sum.sections += 1;
            }
        }
    }
    Ok((left, sum))
}

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
            remedy: "change their hours, or name the shifts of each machine with `shifts`".to_owned(),
        },
    )))
}

fn lights(
    crew: &Crew,
    layout: &FinishedLayout,
    options: &DispatchOptions,
) -> Result<Vec<Vec<Stretch>>, DispatchError> {
    let one = |block: &FinishedBlock| {
        // One date more, for the night shift of the last.
        daylight::spans(
            block.place,
            crew.zone,
            options.from,
            options.days.saturating_add(1),
            crew.light_margin,
            crew.light,
        )
        .map(|spans| whole_seconds(&spans))
        .map_err(|source| DispatchError::Daylight {
            block: block.id.clone(),
            source,
        })
    };
    layout.blocks.iter().map(one).collect()
}

/// What machines have in common with the calendar.
struct CrewHours {
    machines: Vec<Hours>,
    light: Vec<Vec<Stretch>>,
}

fn crew_hours(
    crew: &Crew,
    layout: &FinishedLayout,
    options: &DispatchOptions,
    breaches: &mut Vec<Warning>,
) -> Result<CrewHours, DispatchError> {
    let light = lights(crew, layout, options)?;
    let mut common: Option<Vec<Stretch>> = None;
    for list in &light {
        common = Some(match common {
            None => list.clone(),
            Some(common) => intersect(&common, list),
        });
    }
    let common = common.unwrap_or_default();
    let mut machines = Vec::new();
    for machine in &crew.machines {
        let mine = shifts_of(crew, options, &machine.turns);
        refuse_overlap(crew, &mine, &machine.name)?;
        let hours = calendar::hours(crew.zone, &mine, machine.service, &common);
        if let Some(first) = hours.unserved.first() {
            breaches.push(Warning {
                what: format!(
                    "{}: no daylight for its service on {} date(s), first {}",
                    machine.name.get_ref(),
                    hours.unserved.len(),
                    outlook::shown(*first)
                ),
                help: "shorten `light_margin`, let `light` count civil twilight, or service it where there is light"
                    .to_owned(),
            });
        }
        machines.push(hours);
    }
    Ok(CrewHours { machines, light })
}

/// The index of a block that the crew file names.
fn block_named(
    crew: &Crew,
    layout: &FinishedLayout,
    key: &str,
    id: &Spanned<String>,
) -> Result<usize, ProjectError> {
    let found = layout.blocks.iter().position(|block| block.id == *id.get_ref());
    found.ok_or_else(|| {
        let near = |block: &&FinishedBlock| strsim::jaro_winkler(&block.id, id.get_ref()) > 0.8;
        let mut valid: Vec<String> = layout.blocks.iter().filter(near).map(|b| b.id.clone()).collect();
        valid.truncate(8);
        let reason = Reason::UnknownChoice {
            key: key.to_owned(),
            value: id.get_ref().clone(),
            valid,
        };
        crew.error(id.span(), reason)
    })
}

fn problem(
    crew: &Crew,
    layout: &FinishedLayout,
    options: &DispatchOptions,
    left: &Left,
    hours: CrewHours,
    breaches: &mut Vec<Warning>,
) -> Result<(Problem, Vec<Vec<usize>>), DispatchError> {
    let midnight = |date: NaiveDate| calendar::second_of(crew.zone, date, NaiveTime::MIN);
    let begin = midnight(options.from);
    let windows = hours.machines.iter().flat_map(|hours| &hours.windows);
    let last = windows.map(|window| window.span.to).max().unwrap_or(begin);
    let next = calendar::dates(options.from, options.days.saturating_add(1)).last();
    let period = Stretch::new(begin, last.max(next.map_or(begin, midnight)));
    let mut own: BTreeMap<usize, (Stretch, i64)> = BTreeMap::new();
    for block in &crew.blocks {
        let index = block_named(crew, layout, "id", &block.id)?;
        let from = block.not_before.map_or(period.from, midnight);
        let to = block.not_after.and_then(|date| date.succ_opt());
        let open = Stretch::new(from.max(period.from), to.map_or(period.to, midnight).min(period.to));
        own.insert(index, (open, block.priority));
    }
    let mut blocks = Vec::new();
    let mut sections = Vec::new();
    let mut without_hours = Vec::new();
    for (index, (block, light)) in layout.blocks.iter().zip(hours.light).enumerate() {
        let (open, priority) = own.get(&index).copied().unwrap_or((period, 0));
        let mut units = Vec::new();
        let mut of = Vec::new();
        let known = left[index].iter().all(Option::is_some);
        if !known {
            without_hours.push(block.id.as_str());
        }
        for (at, (section, hours)) in block.sections.iter().zip(&left[index]).enumerate() {
            let Some(hours) = hours.filter(|hours| known && *hours > 0.0) else {
                continue;
            };
            units.push(unit(layout, block, section, hours));
            of.push(at);
        }
        blocks.push(Block {
            id: block.id.clone(),
            place: block.centre,
            light,
            open,
            priority,
            units,
        });
        sections.push(of);
    }
    if let Some(first) = without_hours.first() {
        breaches.push(Warning {
            what: format!(
                "{} block(s) have sections without hours and are not planned, first {first}",
                without_hours.len()
            ),
            help: "give `stems_per_ha` under [production], or a layer of stands that covers them, and lay out anew"
                .to_owned(),
        });
    }
    let mut machines = Vec::new();
    for (machine, hours) in crew.machines.iter().zip(hours.machines) {
        if let Some(reach) = &machine.reach_m
            && *reach.get_ref() < layout.reach_m - 1e-6
        {
            let reason = Reason::Contradiction {
                message: format!(
                    "`{}` reaches {} m, the strips are laid out for {} m",
                    machine.name.get_ref(),
                    reach.get_ref(),
                    layout.reach_m
                ),
                remedy: "lay out with this machine's reach, or leave it out of this crew".to_owned(),
            };
            return Err(crew.error(reach.span(), reason).into());
        }
        let start = machine.start.as_ref();
        let start = start
            .map(|id| block_named(crew, layout, "start", id))
            .transpose()?;
        machines.push(Machine {
            name: machine.name.get_ref().clone(),
            kinds: machine.kinds.clone(),
            max_slope: machine.max_slope.unwrap_or(layout.max_slope),
            night: machine.night,
            windows: hours.windows,
            service: hours.service,
            start: start.map(|block| layout.blocks[block].centre),
        });
    }
    let problem = Problem {
        period,
        blocks,
        machines,
        moves: crew.moves,
    };
    Ok((problem, sections))
}

fn unit(
    layout: &FinishedLayout,
    block: &FinishedBlock,
    section: &FinishedSection,
    hours: f64,
) -> Unit {
    // What the layout knows of a section's slope is on which side of the night limit it lies.
    let steep = section.reasons.iter().any(|reason| reason == "steep");
    let slope = match (steep, block.slopes_known) {
        (true, _) => Some(layout.max_slope),
        (false, true) => Some(layout.night_slope.max(section.cross_slope.unwrap_or(0.0))),
        (false, false) => None,
    };
    Unit {
        key: SectionKey {
            part: section.part,
            strip_no: section.strip_no,
            piece: section.piece,
            section_no: section.section_no,
        },
        kind: section.kind,
        class: section.class,
        order: section.order,
        // A second at least, so that every section shows in the plan.
        work: ((hours * HOUR as f64).round() as Work).max(1000),
        slope,
    }
}

fn skid(
    crew: &Crew,
    layout: &FinishedLayout,
    options: &DispatchOptions,
    problem: &Problem,
    sections: &[Vec<usize>],
    solved: &Solved,
    breaches: &mut Vec<Warning>,
) -> Result<(Vec<Skidder>, Vec<Vec<OneShift>>, Skidding), DispatchError> {
    let mut skidders = Vec::new();
    let mut all = Vec::new();
    for skidder in &crew.skidders {
        let mine = shifts_of(crew, options, &skidder.turns);
        refuse_overlap(crew, &mine, &skidder.name)?;
        let start = skidder.start.as_ref();
        let start = start
            .map(|id| block_named(crew, layout, "start", id))
            .transpose()?;
        skidders.push(Skidder {
            name: skidder.name.get_ref().clone(),
            night: skidder.night,
            windows: calendar::hours(crew.zone, &mine, None, &[]).windows,
            start: start.map(|block| layout.blocks[block].centre),
            min_lead_s: skidder.min_lead_s,
            max_lead_s: skidder.max_lead_s,
        });
        all.push(mine);
    }
    let seconds = |block: usize, unit: usize| {
        let section = &layout.blocks[block].sections[sections[block][unit]];
        (section.skid_hours.unwrap_or(0.0) * 3600.0).round() as i64
    };
    let skidding = skidding::follow(problem, &solved.plan, &skidders, &problem.moves, seconds);
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
            help: "add a skidder, a skidding shift or days".to_owned(),
        });
    }
    Ok((skidders, all, skidding))
}
