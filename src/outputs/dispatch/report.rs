//! `schedule.json`: what was planned, how good it is, what runs out. It holds no time of day at which it was made.

use serde_json::{Value, json};

use super::rows::{Job, ShiftPlan, local, slots};
use super::{Change, Moved, Roster, decks, stock};
use crate::model::ShiftClass;
use crate::outputs::Program;
use crate::schedule::idle::light_used;
use crate::schedule::time::{intersect, total};
use crate::schedule::{HOUR, Limit, Second, Stretch, What, Work};
use crate::sources::FinishedPeople;

/// Hours to a thousandth, so that sums print the same everywhere.
pub(super) fn hours(seconds: i64) -> f64 {
    (seconds as f64 / 3.6).round() / 1000.0
}

fn work_hours(work: Work) -> f64 {
    (work as f64 / HOUR as f64 * 1000.0).round() / 1000.0
}

/// How good a plan is.
pub(super) struct Figures {
    /// First second of any shift.
    pub begins: Second,
    /// None: work is left, or there is none.
    pub finish: Option<Second>,
    pub bound: Option<Second>,
    /// Share of the bound's time.
    pub gap: Option<f64>,
}

pub(super) fn figures(roster: &Roster<'_>) -> Figures {
    let (plan, problem) = (&roster.solved.plan, roster.problem);
    let begins = problem
        .machines
        .iter()
        .flat_map(|machine| machine.windows.iter().map(|window| window.span.from))
        .min()
        .unwrap_or(problem.period.from);
    let finish = plan.finish.filter(|_| plan.undone == 0);
    let bound = roster.solved.bound.finish.map(|at| at.max(begins));
    let gap = finish.zip(bound).map(|(finish, bound)| {
        let share = (finish - bound) as f64 / ((bound - begins).max(1)) as f64;
        (share * 10_000.0).round() / 10_000.0
    });
    Figures {
        begins,
        finish,
        bound,
        gap,
    }
}

pub(super) fn report(roster: &Roster<'_>, shifts: &[ShiftPlan]) -> Value {
    let plan = &roster.solved.plan;
    let problem = roster.problem;
    let Figures {
        begins,
        finish,
        bound,
        gap,
    } = figures(roster);
    let since = |at: Option<Second>| at.map(|at| hours(at - begins));
    let (light_s, used_s) = light_used(
        problem,
        plan,
        Stretch::new(problem.period.from, finish.unwrap_or(problem.period.to)),
    );
    let machines: Vec<Value> = (0..roster.shifts.len())
        .map(|index| machine(roster, index))
        .collect();
    let idle: f64 = machines
        .iter()
        .filter_map(|machine| machine["idle_hours"].as_f64())
        .sum();
    let work = |class: ShiftClass| -> Work {
        let units = problem.blocks.iter().flat_map(|block| &block.units);
        units.filter(|u| u.class == class).map(|u| u.work).sum()
    };
    json!({
        "version": 1,
        "program": Program::default(),
        "project": roster.layout.project,
        "from": roster.from.to_string(),
        "days": roster.days,
        "time_zone": roster.zone.name(),
        "light_margin_min": roster.margin_min,
        "begins": local(roster.zone, begins),
        "finish": finish.map(|at| local(roster.zone, at)),
        "makespan_hours": since(finish),
        "lower_bound_hours": since(bound),
        "lower_bound_because": roster.solved.bound.because,
        "gap": gap,
        "limits": limits(roster, begins),
        "plans_tried": roster.solved.tried,
        "day_only_hours": work_hours(work(ShiftClass::DayOnly)),
        "night_safe_hours": work_hours(work(ShiftClass::NightSafe)),
        "hours_left": work_hours(plan.undone),
        "moving_hours": hours(plan.moving_s),
        "idle_hours": (idle * 1000.0).round() / 1000.0,
        "light_hours": hours(light_s),
        "light_used_hours": hours(used_s),
        "unused_night_hours": hours(roster.outlook.unused_night_s()),
        "night_safe_by_day_hours": hours(roster.outlook.night_safe_by_day_s),
        "done_before": {
            "sections": roster.done.sections,
            "rows_elsewhere": roster.done.rows_elsewhere,
            "hours": (roster.done.hours * 1000.0).round() / 1000.0,
            "begun_sections": roster.done.begun.0,
            "begun_hours_left": (roster.done.begun.1 * 1000.0).round() / 1000.0,
        },
        "warnings": warnings(&roster.outlook.warnings),
        "rules_not_kept": warnings(roster.breaches),
        "set_aside": roster.set_aside,
        "machines": machines,
        "nights": nights(roster),
        "blocks": blocks(roster),
        "skidding_apart": apart(roster),
        "rest": roster.rest.map(|rest| json!({
            "longest_work_hours": rest.longest_work_s.map(hours),
            "least_rest_hours": rest.least_rest_s.map(hours),
            "source": rest.source,
        })),
        "operators": roster.people.iter().map(|own| json!({
            "name": own.name,
            "shifts": own.shifts,
            "longest_hours_in_24": hours(own.longest_in_a_day_s),
            "least_rest_hours": own.least_rest_s.map(hours),
        })).collect::<Vec<_>>(),
        "stock": stock(roster),
        "haulage": haulage(roster),
        "wood": wood(roster),
        "plan_before": roster.moved.map(plan_before),
        "shifts": shift_rows(shifts),
        "tasks": tasks(roster),
    })
}

fn shift_rows(shifts: &[ShiftPlan]) -> Vec<Value> {
    let row = |shift: &ShiftPlan| {
        json!({
            "date": shift.date.to_string(),
            "shift": shift.shift,
            "machine": shift.name,
            "sheet": format!("sheets/{}.html", shift.stem),
        })
    };
    shifts.iter().map(row).collect()
}

fn nights(roster: &Roster<'_>) -> Vec<Value> {
    let nights = roster.outlook.nights.iter();
    let row = nights.map(|night| {
        json!({
            "date": night.date.to_string(),
            "shift_hours": hours(night.shift_s),
            "used_hours": hours(night.used_s),
        })
    });
    row.collect()
}

fn warnings(of: &[crate::schedule::outlook::Warning]) -> Vec<Value> {
    of.iter()
        .map(|warning| json!({ "what": warning.what, "help": warning.help }))
        .collect()
}

/// Seconds of a machine up to the finish of the felling; all of them where work is left.
pub(super) struct MachineHours {
    pub shifts: i64,
    pub work: i64,
    pub moves: i64,
    pub idle: i64,
    /// Until its last work.
    pub service: i64,
    pub fuel: i64,
}

pub(super) fn machine_hours(roster: &Roster<'_>, index: usize) -> MachineHours {
    let felling = roster.problem.machines.len();
    let plan = &roster.solved.plan;
    let end = match plan.finish {
        Some(finish) if plan.undone == 0 && index < felling => finish,
        _ => roster.problem.period.to,
    };
    let (windows, mut work, mut moves) = if index < felling {
        let mut sums = (0, 0);
        for task in plan.tasks.iter().filter(|task| task.machine == index) {
            match task.what {
                What::Move => sums.1 += task.span.seconds(),
                What::Cut { .. } => sums.0 += task.span.seconds(),
            }
        }
        (roster.problem.machines[index].spans(), sums.0, sums.1)
    } else {
        let windows = roster.skidders[index - felling].windows.iter();
        (windows.map(|window| window.span).collect(), 0, 0)
    };
    for task in &roster.skidding.tasks {
        if task.skidder + felling == index {
            if task.unit.is_some() {
                work += task.span.seconds();
            } else {
                moves += task.span.seconds();
            }
        }
    }
    let until = [Stretch::new(roster.problem.period.from, end)];
    let run = total(&intersect(&windows, &until));
    MachineHours {
        shifts: run,
        work,
        moves,
        idle: (run - work - moves).max(0),
        service: total(&slots(roster, index, Job::Service)),
        fuel: total(&slots(roster, index, Job::Fuel)),
    }
}

fn machine(roster: &Roster<'_>, index: usize) -> Value {
    let its = machine_hours(roster, index);
    let felling = roster.problem.machines.len();
    let idle = roster.idle.iter().filter(|own| own.machine == index);
    let span = |span: &Stretch| {
        json!({
            "from": local(roster.zone, span.from),
            "to": local(roster.zone, span.to),
        })
    };
    let all = |job: Job| -> Vec<Value> { slots(roster, index, job).iter().map(span).collect() };
    json!({
        "name": roster.machine(index),
        "work": if index < felling { "felling" } else { "skidding" },
        "shift_hours": hours(its.shifts),
        "work_hours": hours(its.work),
        "moving_hours": hours(its.moves),
        "idle_hours": hours(its.idle),
        "service_hours": hours(its.service),
        "services": all(Job::Service),
        "fuel_hours": hours(its.fuel),
        "fuelled": all(Job::Fuel),
        "idle": idle.map(|own| json!({
            "from": local(roster.zone, own.span.from),
            "to": local(roster.zone, own.span.to),
            "why": own.why.key(),
        })).collect::<Vec<_>>(),
    })
}

fn blocks(roster: &Roster<'_>) -> Vec<Value> {
    let mut ends: Vec<(Option<Second>, Option<Second>, Work)> = roster
        .problem
        .blocks
        .iter()
        .map(|block| (None, None, block.units.iter().map(|unit| unit.work).sum()))
        .collect();
    for task in &roster.solved.plan.tasks {
        if let What::Cut { done, .. } = task.what {
            let (from, to, left) = &mut ends[task.block];
            *from = Some(from.map_or(task.span.from, |from| from.min(task.span.from)));
            *to = (*to).max(Some(task.span.to));
            *left -= done;
        }
    }
    let shown = |at: Option<Second>| at.map(|at| local(roster.zone, at));
    let rows = roster
        .problem
        .blocks
        .iter()
        .zip(ends)
        .zip(&roster.layout.blocks);
    rows.map(|((block, (from, to, left)), ground)| {
        let near = block
            .near
            .iter()
            .map(|&other| roster.problem.blocks[other].id.as_str());
        json!({
            "falling_m": ground.falling_m,
            "near_blocks": near.collect::<Vec<_>>(),
            "people": ground.people.iter().map(people).collect::<Vec<_>>(),
            "block_id": block.id,
            "from": shown(from),
            "to": shown(to),
            "hours_left": work_hours(left),
        })
    })
    .collect()
}

fn people(own: &FinishedPeople) -> Value {
    json!({
        "id": own.id,
        "role": own.role,
        "class": own.class,
        "said": own.said,
        "distance_m": own.distance_m,
        "length_m": own.length_m,
        "day_hours": own.day_hours,
        "night_hours": own.night_hours,
        "sections": own.sections,
    })
}

/// How near skidding came to felling, beside the distance that it keeps.
fn apart(roster: &Roster<'_>) -> Value {
    let nearest = roster.nearest.map(|own| {
        let section = |(block, unit): (usize, usize)| {
            let ground = &roster.problem.blocks[block];
            json!({ "block_id": ground.id, "section": ground.units[unit].key.to_string() })
        };
        json!({
            "felled": section(own.felled),
            "skidded": section(own.skidded),
            "at": local(roster.zone, own.at),
            "distance_m": (own.distance_m * 1000.0).round() / 1000.0,
            "required_m": own.required_m,
        })
    });
    json!({ "source": roster.apart_source, "nearest": nearest })
}

/// What each thing that may run short allows by itself, hours from the first shift; null: not within the period.
fn limits(roster: &Roster<'_>, begins: Second) -> Vec<Value> {
    let limits = roster.solved.bound.limits.iter();
    let one = |own: &Limit| {
        json!({
            "what": own.what.key(),
            "hours": own.finish.map(|at| hours(at.max(begins) - begins)),
            "because": own.because,
        })
    };
    limits.map(one).collect()
}

/// Wood wanted by dates, litres as m³.
fn wood(roster: &Roster<'_>) -> Vec<Value> {
    let m3 = |litres: i64| litres as f64 / 1000.0;
    let dates = roster.wood.iter().map(|own| {
        json!({
            "by": own.by.to_string(),
            "wanted_m3": m3(own.wanted),
            "brought_m3": m3(own.brought),
            "felled_m3": m3(own.felled),
            "short_m3": m3((own.wanted - own.brought).max(0)),
            "before_m3": m3(own.before),
            "counts": if own.skidded { "roadside" } else { "felled" },
        })
    });
    dates.collect()
}

fn plan_before(moved: &Moved) -> Value {
    let change = |own: &Change| {
        json!({
            "date": own.date.to_string(),
            "shift": own.shift,
            "machine": own.machine,
            "before": own.before,
            "after": own.after,
            "why": own.why,
        })
    };
    json!({
        "shifts": moved.compared,
        "kept": moved.kept,
        "changes": moved.changes.iter().map(change).collect::<Vec<_>>(),
    })
}

/// Wood on the ground; null where nobody knows its volume.
fn stock(roster: &Roster<'_>) -> Value {
    let Some(days) = stock::days(roster) else {
        return Value::Null;
    };
    let m3 = |value: f64| (value * 10.0).round() / 10.0;
    let limits = roster.stock.limits;
    let most = days.iter().map(|day| day.most_m3).fold(0.0, f64::max);
    json!({
        "least_m3": (limits.least > 0).then(|| m3(limits.least as f64 / 1000.0)),
        "most_m3": limits.most.map(|most| m3(most as f64 / 1000.0)),
        "reached_m3": m3(most),
        "felling_waits_hours": hours(stock::waiting_s(roster, roster.problem.period)),
        "waits": roster.stock.waits.iter().map(|wait| json!({
            "from": local(roster.zone, wait.from),
            "to": local(roster.zone, wait.to),
        })).collect::<Vec<_>>(),
        "days": days.iter().map(|day| json!({
            "date": day.date.to_string(),
            "felled_m3": m3(day.felled_m3),
            "skidded_m3": m3(day.skidded_m3),
            "lies_m3": m3(day.lies_m3),
            "most_m3": m3(day.most_m3),
            "felling_waits_hours": hours(day.waits_s),
        })).collect::<Vec<_>>(),
    })
}

/// Decks by day, and every load; null where the crew file says nothing of haulage.
fn haulage(roster: &Roster<'_>) -> Value {
    let Some(own) = roster.haulage else {
        return Value::Null;
    };
    let m3 = |litres: i64| (litres as f64 / 100.0).round() / 10.0;
    let decks = own.names.iter().zip(&own.decks.decks);
    let days = decks::days(roster, own);
    let name = |deck: usize| {
        let name = &own.names[deck];
        json!({ "outlet": name.outlet, "block_id": name.block })
    };
    json!({
        "loads_a_day": own.loads,
        "load_m3": m3(own.decks.load),
        "source": own.source,
        "skidding_waits_hours": hours(decks::skidding_waits_s(roster)),
        "decks": decks.enumerate().map(|(at, (name, deck))| json!({
            "outlet": name.outlet,
            "block_id": name.block,
            "room_m3": deck.room.map(m3),
            "lay_m3": m3(deck.lies),
            "days": days.iter().filter(|day| day.deck == at).map(|day| json!({
                "date": day.date.to_string(),
                "brought_m3": m3(day.brought),
                "hauled_m3": m3(day.hauled),
                "lies_m3": m3(day.lies),
                "most_m3": m3(day.most),
            })).collect::<Vec<_>>(),
        })).collect::<Vec<_>>(),
        "loads": roster.skidding.loads.iter().map(|load| json!({
            "at": local(roster.zone, load.at),
            "deck": name(load.deck),
            "m3": m3(load.litres),
        })).collect::<Vec<_>>(),
    })
}

fn tasks(roster: &Roster<'_>) -> Vec<Value> {
    let felling = roster.problem.machines.len();
    let mut rows = Vec::new();
    let section = |block: usize, unit: usize| {
        let unit = &roster.problem.blocks[block].units[unit];
        json!({
            "part": unit.key.part,
            "strip_no": unit.key.strip_no,
            "piece": unit.key.piece,
            "section_no": unit.key.section_no,
            "shift_class": unit.class.key(),
        })
    };
    let mut push = |machine: usize,
                    task: &str,
                    block: usize,
                    unit: Option<usize>,
                    span: Stretch,
                    done: Option<Work>| {
        rows.push(json!({
            "machine": roster.machine(machine),
            "task": task,
            "block_id": roster.problem.blocks[block].id,
            "section": unit.map(|unit| section(block, unit)),
            "from": span.from,
            "to": span.to,
            "layout_hours": done.map(|done| done as f64 / HOUR as f64),
        }));
    };
    for task in &roster.solved.plan.tasks {
        match task.what {
            What::Move => push(task.machine, "move", task.block, None, task.span, None),
            What::Cut { unit, done } => {
                push(
                    task.machine,
                    "cut",
                    task.block,
                    Some(unit),
                    task.span,
                    Some(done),
                );
            }
        }
    }
    for task in &roster.skidding.tasks {
        let word = if task.unit.is_some() { "skid" } else { "move" };
        push(
            task.skidder + felling,
            word,
            task.block,
            task.unit,
            task.span,
            None,
        );
    }
    rows
}
