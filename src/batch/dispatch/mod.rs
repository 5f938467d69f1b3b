//! Sections of a finished layout into a crew's shifts: read, plan, check the plan, write.

mod apart;
mod copied;
mod decks;
mod done;
mod former;
mod people;
mod problem;
mod track;
mod wood;

use std::collections::BTreeMap;
use std::path::PathBuf;

use chrono::{NaiveDate, NaiveDateTime};

use super::done_file::DoneError;
use super::{Progress, keep_all};
use crate::daylight::DaylightError;
use crate::landbase::APART_SOURCE;
use crate::outputs::OutputError;
pub use crate::outputs::dispatch::SetAside;
pub use former::FormerError;

use crate::outputs::dispatch::{
    DoneBefore, HaulagePlan, Moved, Person, Roster, StockPlan, Used, WoodDue, most_stock,
    skidding_waits_s, used, would_replace, write,
};
use crate::project::{Crew, ProjectError, Reason, Turn};
use crate::rulebook::spanned::Spanned;
use crate::schedule::calendar::{self, OneShift};
use crate::schedule::idle;
use crate::schedule::outlook::{self, Outlook, Warning};
use crate::schedule::skidding::{self, Lying, Skidder, Skidding};
use crate::schedule::stock::{self, Limits};
use crate::schedule::{self, Able, Nearest, Problem, Solved};
use crate::sources::{FinishedBlock, FinishedError, FinishedLayout, SourceError, finished};

/// What is to be planned.
#[derive(Clone, Debug)]
pub struct DispatchOptions {
    /// Folder of the layout.
    pub layout: PathBuf,
    pub from: NaiveDate,
    /// Dates on which shifts may begin.
    pub days: u32,
    pub out: PathBuf,
    /// Tables of sections that are cut already, by hand or copies of `shifts.csv`.
    pub done: Vec<PathBuf>,
    /// Files with tracks of felling machines: what they drove along is cut.
    pub done_track: Vec<PathBuf>,
    /// Folder of the layout whose sections the tables name; None: the one to be planned.
    pub done_of: Option<PathBuf>,
    /// Folder of the plan before this one, which is kept to.
    pub keep_plan: Option<PathBuf>,
    /// Days from `from` on whose shifts stay as they were in it.
    pub keep_days: u32,
    /// What it has until then is done, by the clock of the crew's zone.
    pub done_until: Option<NaiveDateTime>,
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
    Track(#[from] SourceError),
    #[error(transparent)]
    Former(#[from] FormerError),
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
    pub done: DoneBefore,
    pub wood: Vec<WoodDue>,
    pub people: Vec<Person>,
    /// What it changes of the plan before; None: it keeps to none.
    pub moved: Option<Moved>,
    /// Whether the crew file says how long people may work.
    pub rest_said: bool,
    /// Most wood that lies felled and not skidded; None: no skidders, or nobody knows its volume.
    pub most_stock_m3: Option<f64>,
    /// Within shifts of felling machines.
    pub felling_waits_s: i64,
    /// Within shifts of skidders, for room on decks.
    pub skidding_waits_s: i64,
    /// What felling machines use light and time for.
    pub used: Used,
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
    let inputs = options
        .done
        .iter()
        .map(PathBuf::as_path)
        .chain([&*crew.path]);
    keep_all(inputs, |path| would_replace(&options.out, path))?;
    if let Some(folder) = options.keep_plan.as_deref()
        && former::is_same(&options.out, folder)
    {
        return Err(DispatchError::Former(FormerError {
            path: folder.to_owned(),
            why: "the new plan would replace the one that it keeps to".to_owned(),
        }));
    }
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
    let found = done::left_to_do(&layout, crew, options)?;
    let (mut left, mut done, mut lying) = (found.left, found.sum, found.lying);
    breaches.extend(found.lost);
    let before = former::read(crew, options)?;
    if let Some(before) = before.as_ref().filter(|_| options.done_until.is_some()) {
        let (sum, told, still) = before.take_done(&layout, &mut left);
        done.add(&sum);
        lying = still;
        breaches.extend(told);
    }
    done.begun = begun(&layout, &left);
    let stood = found.copied.as_ref().or(before.as_ref());
    let (people, duties) = people::people(crew, options)?;
    let mut short = Vec::new();
    let mut told = problem::Told {
        breaches: &mut breaches,
        warnings: &mut short,
    };
    let hours = problem::crew_hours(crew, &layout, options, &mut told)?;
    let (mut problem, sections) = problem::problem(
        crew,
        &layout,
        options,
        &left,
        hours,
        stood,
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
    let litres = litres_of(&layout, &sections);
    let (wanted, brought_before) = wood::wanted(crew, &layout, options, litres, stood)?;
    problem.wood = wanted;
    let units: usize = problem.blocks.iter().map(|block| block.units.len()).sum();
    options.progress.say(&format!(
        "planning {units} sections of {} blocks",
        problem.blocks.len()
    ));
    let kept_to = before
        .as_ref()
        .map(|own| own.former(crew, options, &problem));
    let mut solved = schedule::solve_after(&problem, kept_to.as_ref());
    // Wood from before is skidded, and never cut: units without work, after all others.
    let (skidded, with_lying, lying) =
        with_lying(crew, &layout, options, (&problem, &sections), &lying);
    let followers = skid(
        crew,
        &layout,
        options,
        (&skidded, &with_lying, &lying),
        &mut solved,
        (before.as_ref(), stood),
        &mut problem::Told {
            breaches: &mut breaches,
            warnings: &mut short,
        },
    )?;
    let mut rules = schedule::check(&problem, &solved.plan);
    let (problem, sections) = (skidded, with_lying);
    let litres = litres_of(&layout, &sections).filter(|_| !crew.wood.is_empty());
    let wood = litres.map_or(vec![], |litres| {
        let done = (&solved.plan, &followers.skidding);
        let due = wood::due(crew, options, &problem, done, &litres, brought_before);
        let said: Vec<(schedule::Second, i64)> =
            due.iter().map(|own| (own.end, own.brought)).collect();
        rules.extend(schedule::check_wood(
            &problem,
            &solved.plan,
            (!crew.skidders.is_empty()).then_some(&followers.skidding),
            &|block, unit| litres[block][unit],
            &said,
        ));
        due
    });
    breaches.extend(wood::short(&wood));
    let rest = crew.rest.as_ref();
    rules.extend(schedule::check_people(
        &duties,
        rest.and_then(|rest| rest.longest_work_s),
        rest.and_then(|rest| rest.least_rest_s),
    ));
    if !rules.is_empty() {
        return Err(DispatchError::Broken { rules });
    }
    let mut outlook = outlook::outlook(&problem, &solved.plan, &solved.bound, crew.zone);
    outlook.warnings.extend(found.told);
    outlook.warnings.extend(short);
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
    let moved = before
        .as_ref()
        .zip(kept_to.as_ref())
        .map(|(before, kept_to)| {
            former::changes(
                before,
                crew,
                &problem,
                &solved.plan,
                &followers.skidding,
                &shifts,
                kept_to.frozen_until,
            )
        });
    let skidded_by_day: Vec<Vec<bool>> = (layout.blocks.iter())
        .map(|block| problem::skidded_by_day(&block.sections))
        .collect();
    let spans: Vec<Vec<schedule::Stretch>> = (shifts.iter())
        .map(|own: &Vec<OneShift>| own.iter().map(|one| one.span).collect())
        .collect();
    let lying: Vec<_> = (followers.stock.lying.iter())
        .map(|own| (own.block, own.unit, own.felled))
        .collect();
    let all_litres = followers.stock.litres.as_deref().unwrap_or_default();
    let deck_litres = |block: usize, unit: usize| all_litres[block][unit];
    let known = idle::Known {
        shifts: &spans,
        waits: &followers.stock.waits,
        skidders: &followers.skidders,
        skidding: &followers.skidding,
        by_day: &|block, unit| skidded_by_day[block][sections[block][unit]],
        lying: &lying,
        decks: (followers.haulage.as_ref()).map(|own| (&own.decks, &deck_litres as _)),
    };
    let idle = idle::idle(&problem, &solved.plan, &known);
    outlook.warnings.extend(decks::waits(&idle));
    let roster = Roster {
        idle: &idle,
        layout: &layout,
        left: &left,
        skidded_by_day: &skidded_by_day,
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
        rest,
        people: &people,
        stock: &followers.stock,
        haulage: followers.haulage.as_ref(),
        wood: &wood,
        moved: moved.as_ref(),
        calendar_before: before.as_ref().map(former::FormerPlan::calendar),
    };
    options.progress.say("writing the sheets");
    let sheets = write(&roster, &options.out)?;
    let (most_stock_m3, felling_waits_s) = most_stock(&roster);
    let used = used(&roster);
    let skidding_waits_s = skidding_waits_s(&roster);
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
        done,
        wood,
        rest_said: crew.rest.is_some(),
        people,
        moved,
        most_stock_m3: most_stock_m3.filter(|_| !crew.skidders.is_empty()),
        felling_waits_s,
        skidding_waits_s,
        used,
    })
}

/// How many sections are begun, and the hours that are left of them.
fn begun(layout: &FinishedLayout, left: &Left) -> (usize, f64) {
    let sections = layout.blocks.iter().flat_map(|block| &block.sections);
    let all = sections.map(|own| own.hours).zip(left.iter().flatten());
    let some = all.filter_map(|(all, left)| {
        let (all, left) = all.zip(*left)?;
        (left > 0.0 && left < all).then_some(left)
    });
    some.fold((0, 0.0), |(count, sum), left| (count + 1, sum + left))
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
    stock: StockPlan,
    haulage: Option<HaulagePlan>,
}

/// Litres of a section's wood.
fn litres_of(layout: &FinishedLayout, sections: &[Vec<usize>]) -> Option<Vec<Vec<i64>>> {
    let of_block = |(block, units): (&FinishedBlock, &Vec<usize>)| {
        let litres = units.iter().map(|&at| {
            let volume_m3 = block.sections[at].volume_m3?;
            Some((volume_m3 * 1000.0).round() as i64)
        });
        litres.collect::<Option<Vec<i64>>>()
    };
    layout.blocks.iter().zip(sections).map(of_block).collect()
}

/// What `[stock]` says, where the layout's wood can be held against it.
fn stock_limits(
    crew: &Crew,
    problem: &Problem,
    litres: Option<&Vec<Vec<i64>>>,
) -> Result<Limits, DispatchError> {
    let Some(stock) = &crew.stock else {
        return Ok(Limits::default());
    };
    let refuse = |message: String, remedy: &str| {
        let reason = Reason::Contradiction {
            message,
            remedy: remedy.to_owned(),
        };
        DispatchError::Crew(crew.error(stock.at.clone(), reason))
    };
    let Some(litres) = litres else {
        return Err(refuse(
            "`[stock]` counts wood in m³, and the layout does not know the volume of all its sections"
                .to_owned(),
            "give `tree_m3` under [production], or stands with a volume, and lay out anew; or take `[stock]` out",
        ));
    };
    let whole = |m3: f64| (m3 * 1000.0).round() as i64;
    let most = stock.most_m3.map(whole);
    for (block, own) in problem.blocks.iter().zip(litres) {
        let largest = own.iter().max().copied().unwrap_or(0);
        if let Some(most) = most.filter(|most| largest > *most) {
            return Err(refuse(
                format!(
                    "a single section of block {} has {:.1} m³, more than the {:.1} m³ that may lie at most",
                    block.id,
                    largest as f64 / 1000.0,
                    most as f64 / 1000.0
                ),
                "let more lie, or lay out shorter sections",
            ));
        }
    }
    Ok(Limits {
        least: whole(stock.least_m3),
        most,
    })
}

/// Wood from before, and the share of its skidding that is left.
type LyingShare = (Lying, f64);

/// The problem with a unit without work for every section that lies from before, what sections of the layout all units are,
/// and which of them lie, with the share of their skidding that is left.
fn with_lying(
    crew: &Crew,
    layout: &FinishedLayout,
    options: &DispatchOptions,
    (problem, sections): (&Problem, &[Vec<usize>]),
    lying: &[former::LeftLying],
) -> (Problem, Vec<Vec<usize>>, Vec<LyingShare>) {
    let (mut problem, mut sections) = (problem.clone(), sections.to_vec());
    let mut found = Vec::new();
    for own in lying {
        let ground = &layout.blocks[own.block];
        let period = problem.period;
        let planned = &mut problem.blocks[own.block];
        let section = (ground, &ground.sections[own.section]);
        problem::add_lying(crew, layout, options, planned, section, period);
        sections[own.block].push(own.section);
        let lies = Lying {
            block: own.block,
            unit: planned.units.len() - 1,
            felled: own.felled,
        };
        found.push((lies, own.share_left));
    }
    (problem, sections, found)
}

fn skid(
    crew: &Crew,
    layout: &FinishedLayout,
    options: &DispatchOptions,
    (problem, sections, lying): (&Problem, &[Vec<usize>], &[LyingShare]),
    solved: &mut Solved,
    (before, stood): (Option<&former::FormerPlan>, Option<&former::FormerPlan>),
    told: &mut problem::Told<'_>,
) -> Result<Followers, DispatchError> {
    let mut skidders = Vec::new();
    let mut all = Vec::new();
    for skidder in &crew.skidders {
        let mine = shifts_of(crew, options, &skidder.turns);
        refuse_overlap(crew, &mine, &skidder.name)?;
        let lights = problem.blocks.iter().map(|block| block.light.as_slice());
        let lights: Vec<&[schedule::Stretch]> = lights.collect();
        let name = skidder.name.get_ref();
        let runs = problem::runs(crew, name, &mine, &skidder.care, &lights, told);
        skidders.push(Skidder {
            name: skidder.name.get_ref().clone(),
            night: skidder.night,
            max_slope: skidder.max_slope.or(layout.skidder_slope),
            able: Able {
                reach_m: None,
                runs_on: skidder.runs_on,
            },
            windows: runs.windows,
            upkeep: runs.upkeep,
            start: match stood.and_then(|own| own.stands_at(skidder.name.get_ref())) {
                Some(id) => problem::centre_of(layout, id),
                None => problem::start_of(crew, layout, skidder.start.as_ref())?,
            },
            min_lead_s: skidder.min_lead_s,
            max_lead_s: skidder.max_lead_s,
        });
        all.push(mine);
    }
    let litres = litres_of(layout, sections);
    let haulage = decks::known(crew, layout, options, sections, litres.as_ref())?;
    let seconds = |block: usize, unit: usize| {
        let section = &layout.blocks[block].sections[sections[block][unit]];
        let before = lying
            .iter()
            .find(|(own, _)| (own.block, own.unit) == (block, unit));
        let share = before.map_or(1.0, |(_, share_left)| *share_left);
        (section.skid_hours.unwrap_or(0.0) * share * 3600.0).round() as i64
    };
    let from_before: Vec<Lying> = lying.iter().map(|(own, _)| *own).collect();
    let keeps = solved.keeps().map(|(until, _)| until).zip(before);
    let kept_blocks: BTreeMap<&str, usize> = (problem.blocks.iter().enumerate())
        .map(|(at, block)| (block.id.as_str(), at))
        .collect();
    let kept = |skidder: usize, at: schedule::Second| {
        let (_, plan) = keeps.filter(|(until, _)| at < *until)?;
        let id = plan.block_at(crew.skidders[skidder].name.get_ref(), at)?;
        kept_blocks.get(id).copied()
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
        litres: &|block, unit| litres.as_ref().map_or(0, |own| own[block][unit]),
        lying: &from_before,
        kept: &kept,
        decks: haulage.as_ref().map(|own| &own.decks),
    };
    let limits = stock_limits(crew, problem, litres.as_ref())?;
    let followed = stock::follow_within(problem, solved, &skidders, wood, limits);
    let (skidding, waits) = (followed.skidding, followed.waits);
    solved.plan = followed.plan;
    let wood_s = (sections.iter().enumerate()).flat_map(|(block, units)| {
        let units = 0..units.len();
        units.map(move |unit| (block, unit))
    });
    let taken = wood_s.filter(|&(block, unit)| {
        let slope = steepest(block, unit);
        let ground = &problem.blocks[block];
        skidders.iter().any(|its| its.may_take(ground, slope))
    });
    let wood_s: i64 = taken.map(|(block, unit)| seconds(block, unit)).sum();
    if wood_s > 0 && !skidders.is_empty() {
        // Felling may be done before: this is when the wood is brought.
        let limit = schedule::Limit {
            what: schedule::Scarce::Skidders,
            finish: schedule::skidding_bound(&skidders, wood_s),
            because: format!(
                "{:.1} hours of skidding against the hours of all skidders, until the wood is brought",
                wood_s as f64 / 3600.0
            ),
        };
        solved.bound.add(limit, false);
    }
    let mut rules =
        schedule::check_skidding(problem, &skidding, &skidders, wood.by_day, wood.slope);
    let apart = |felled, skidded| near.apart(felled, skidded);
    let (too_near, nearest) =
        schedule::check_apart(problem, &solved.plan, &skidding, &skidders, &apart);
    rules.extend(too_near);
    let is_taken = |block: usize, unit: usize| {
        let slope = steepest(block, unit);
        let ground = &problem.blocks[block];
        seconds(block, unit) > 0 && skidders.iter().any(|its| its.may_take(ground, slope))
    };
    rules.extend(schedule::check_stock(
        problem,
        &solved.plan,
        &skidding,
        &schedule::StockRule {
            litres: wood.litres,
            is_taken: &is_taken,
            least: limits.least,
            most: limits.most,
            waits: &waits,
            before: &(from_before.iter())
                .map(|own| (own.block, own.unit, own.felled))
                .collect::<Vec<_>>(),
        },
    ));
    if let Some(own) = &haulage {
        let decks = own.decks.decks.iter();
        let (rooms, lies): (Vec<_>, Vec<_>) = decks.map(|deck| (deck.room, deck.lies)).unzip();
        rules.extend(schedule::check_decks(
            &skidding,
            &schedule::DeckRule {
                of: &|block, unit| own.decks.of[block][unit],
                litres: wood.litres,
                rooms: &rooms,
                lies: &lies,
                hauls: &own.hauls,
                loads: own.loads,
                load: own.decks.load,
            },
        ));
    }
    if !rules.is_empty() {
        return Err(DispatchError::Broken { rules });
    }
    if let Some((block, _, _)) = skidding.late.first() {
        let longest = skidding.late.iter().map(|late| late.2).max().unwrap_or(0);
        told.breaches.push(Warning {
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
        told.breaches.push(Warning {
            what: format!(
                "{} felled section(s) are not skidded within the period: {:.1} hours",
                skidding.left,
                skidding.left_s as f64 / 3600.0
            ),
            help: "add a skidder, a skidding shift or days; ground steeper than every skidder's `max_slope` waits for another machine, and wood for full decks waits for trucks".to_owned(),
        });
    }
    let counted = |(block, own): (usize, Vec<i64>)| {
        let own = own.into_iter().enumerate();
        own.map(|(unit, litres)| if is_taken(block, unit) { litres } else { 0 })
            .collect()
    };
    let litres = litres
        .clone()
        .map(|all| all.into_iter().enumerate().map(counted).collect());
    Ok(Followers {
        skidders,
        shifts: all,
        skidding,
        nearest,
        stock: StockPlan {
            litres,
            limits,
            waits,
            lying: from_before,
        },
        haulage,
    })
}
