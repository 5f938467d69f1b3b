//! What runs out, said plainly, and what would help.

use std::collections::BTreeMap;

use chrono::NaiveDate;
use chrono_tz::Tz;

use super::bound::{Bound, lower_bound};
use super::calendar::date_of;
use super::problem::{HOUR, Machine, Plan, Problem, Unit, What, Work};
use super::time::{Second, Stretch, intersect, subtract, total, union};
use crate::model::ShiftClass;

/// The dark hours of one night's shifts of machines that may work then.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Night {
    /// The date of its evening.
    pub date: NaiveDate,
    pub shift_s: i64,
    /// Cutting or moving.
    pub used_s: i64,
    pub cut_s: i64,
}

/// Something that runs out, or does not fit.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Warning {
    pub what: String,
    pub help: String,
}

#[derive(Clone, Debug, Default, PartialEq)]
pub struct Outlook {
    /// Up to the finish.
    pub nights: Vec<Night>,
    pub warnings: Vec<Warning>,
    /// Night-safe work done by day, in seconds of machines.
    pub night_safe_by_day_s: i64,
}

impl Outlook {
    pub fn unused_night_s(&self) -> i64 {
        self.nights.iter().map(|n| n.shift_s - n.used_s).sum()
    }
}

/// A date for people.
pub fn shown(date: NaiveDate) -> String {
    date.format("%-d %b %Y").to_string()
}

/// Work left by shift class (day-only, night-safe) and block at a moment.
fn left_at(problem: &Problem, plan: &Plan, at: Second) -> Vec<[Work; 2]> {
    let of = |class: ShiftClass| usize::from(class == ShiftClass::NightSafe);
    let mut left: Vec<[Work; 2]> = problem
        .blocks
        .iter()
        .map(|block| {
            let mut sum = [0, 0];
            for unit in &block.units {
                sum[of(unit.class)] += unit.work;
            }
            sum
        })
        .collect();
    for task in plan.tasks.iter().filter(|task| task.span.to <= at) {
        if let What::Cut { unit, done } = task.what {
            let class = problem.blocks[task.block].units[unit].class;
            left[task.block][of(class)] -= done;
        }
    }
    left
}

fn sum(left: &[[Work; 2]]) -> [f64; 2] {
    let hours = |class: usize| left.iter().map(|l| l[class]).sum::<Work>() as f64 / HOUR as f64;
    [hours(0), hours(1)]
}

/// Looks over a plan.
pub fn outlook(problem: &Problem, plan: &Plan, bound: &Bound, zone: Tz) -> Outlook {
    let light = problem.light();
    let end = if plan.undone > 0 {
        problem.period.to
    } else {
        plan.finish.unwrap_or(problem.period.from)
    };
    let mut nights: BTreeMap<NaiveDate, Night> = BTreeMap::new();
    let mut add = |dark: &[Stretch], to: &dyn Fn(&mut Night) -> &mut i64| {
        for span in dark {
            let date = date_of(zone, span.from - 43_200);
            let night = nights.entry(date).or_insert(Night {
                date,
                shift_s: 0,
                used_s: 0,
                cut_s: 0,
            });
            *to(night) += span.seconds();
        }
    };
    // Noon to noon, so that a polar night of weeks still falls into dates.
    let pieces = |spans: &[Stretch]| -> Vec<Stretch> {
        let mut found = Vec::new();
        for span in spans {
            let mut from = span.from;
            while from < span.to {
                let date = date_of(zone, from - 43_200);
                let next = date.succ_opt().map_or(span.to, |next| {
                    super::calendar::second_of(
                        zone,
                        next,
                        chrono::NaiveTime::from_hms_opt(12, 0, 0).unwrap_or_default(),
                    )
                });
                let to = next.clamp(from + 1, span.to);
                found.push(Stretch::new(from, to));
                from = to;
            }
        }
        found
    };
    let until = [Stretch::new(problem.period.from, end)];
    for (index, machine) in problem.machines.iter().enumerate() {
        if !machine.night {
            continue;
        }
        let dark = subtract(&intersect(&machine.spans(), &until), &light);
        add(&pieces(&dark), &|night| &mut night.shift_s);
        for cut in [false, true] {
            let spans = plan
                .tasks
                .iter()
                .filter(|task| task.machine == index)
                .filter(|task| !cut || matches!(task.what, What::Cut { .. }))
                .map(|task| task.span);
            let busy = intersect(&union(spans.collect()), &dark);
            if cut {
                add(&pieces(&busy), &|night| &mut night.cut_s);
            } else {
                add(&pieces(&busy), &|night| &mut night.used_s);
            }
        }
    }
    let nights: Vec<Night> = nights.into_values().collect();
    let mut found = Outlook {
        night_safe_by_day_s: night_safe_by_day(problem, plan),
        nights,
        warnings: Vec::new(),
    };
    found
        .warnings
        .extend(empty_nights(problem, plan, &found.nights, zone, &light));
    found
        .warnings
        .extend(not_fitting(problem, plan, bound, zone));
    found
}

fn night_safe_by_day(problem: &Problem, plan: &Plan) -> i64 {
    let mut seconds = 0;
    for task in &plan.tasks {
        let block = &problem.blocks[task.block];
        if let What::Cut { unit, .. } = task.what
            && block.units[unit].class == ShiftClass::NightSafe
        {
            seconds += total(&intersect(&[task.span], &block.light));
        }
    }
    seconds
}

/// From which night on nothing is cut in the dark although there is work for the day.
fn empty_nights(
    problem: &Problem,
    plan: &Plan,
    nights: &[Night],
    zone: Tz,
    light: &[Stretch],
) -> Option<Warning> {
    let shifts: Vec<&Night> = nights.iter().filter(|night| night.shift_s > 0).collect();
    let first = shifts
        .iter()
        .rposition(|night| night.cut_s > 0)
        .map_or(0, |last| last + 1);
    let night = shifts.get(first)?;
    let dusk = super::calendar::second_of(
        zone,
        night.date,
        chrono::NaiveTime::from_hms_opt(12, 0, 0).unwrap_or_default(),
    );
    let dusk = super::time::around(light, dusk).map_or(dusk, |day| day.to);
    let left = left_at(problem, plan, dusk);
    let [day, locked] = sum(&left);
    if day < 0.05 {
        return None;
    }
    let idle: i64 = shifts[first..].iter().map(|n| n.shift_s - n.used_s).sum();
    // The dark of an early morning belongs to the night before.
    let begins = date_of(zone, problem.period.from);
    let from = shown(night.date.max(begins));
    let has_nights = has_night_shifts(problem, light);
    let mut what = match has_nights {
        true => format!(
            "from {from} night shifts have no night-safe work; {day:.1} day-only hours wait for light"
        ),
        false => format!(
            "from {from} the dark hours of shifts have no night-safe work; {day:.1} day-only hours wait for light"
        ),
    };
    if idle > 0 {
        what += &format!(", {:.1} night hours stay unused", idle as f64 / 3600.0);
    }
    let blocks = left.iter().filter(|l| l[1] > 0).count();
    let help = if !light_comes(problem, &left, dusk) {
        STAYS_DARK.to_owned()
    } else if locked >= 0.05 {
        format!(
            "{locked:.1} night-safe hours of {blocks} block(s) stand behind boundary passes or other day-only work: put a \
             machine more on these by day, or begin these blocks earlier; or add another block with night-safe work"
        )
    } else if has_nights {
        format!(
            "add another block with night-safe work, or take night shifts off from {from} and put the machines on day shifts"
        )
    } else {
        "add another block with night-safe work, or let shifts begin and end with the light"
            .to_owned()
    };
    Some(Warning { what, help })
}

/// Whether any shift of a machine that may work in the dark lies there for the most part.
fn has_night_shifts(problem: &Problem, light: &[Stretch]) -> bool {
    let machines = problem.machines.iter().filter(|machine| machine.night);
    machines.into_iter().any(|machine| {
        let shifts = machine.windows.chunk_by(|a, b| a.shift == b.shift);
        shifts.into_iter().any(|shift| {
            let spans: Vec<Stretch> = shift.iter().map(|window| window.span).collect();
            2 * total(&intersect(&spans, light)) < total(&spans)
        })
    })
}

const STAYS_DARK: &str = "it is dark at these blocks until the period ends, and no machine more helps: plan them for days with \
     light; `light = \"civil_twilight\"` counts twilight where local codes allow work in it";

/// Whether light comes after a moment to any block with day-only work left.
fn light_comes(problem: &Problem, left: &[[Work; 2]], after: Second) -> bool {
    let waiting = problem
        .blocks
        .iter()
        .zip(left)
        .filter(|(_, left)| left[0] > 0);
    let mut light = waiting.flat_map(|(block, _)| &block.light);
    light.any(|light| light.to > after && light.from < problem.period.to)
}

/// What of a block is left when its ground closes within the period and does not open again.
fn closing(problem: &Problem, plan: &Plan, index: usize) -> Option<Warning> {
    let block = &problem.blocks[index];
    let mut left: Vec<Work> = block.units.iter().map(|unit| unit.work).collect();
    for task in plan.tasks.iter().filter(|task| task.block == index) {
        if let What::Cut { unit, done } = task.what {
            left[unit] -= done;
        }
    }
    let shut = |unit: &Unit| {
        let last = block.window(unit).and_then(<[Stretch]>::last);
        last.is_some_and(|last| last.to < problem.period.to)
    };
    let units = block.units.iter().zip(left);
    let rest: Work = units
        .filter(|(unit, left)| *left > 0 && shut(unit))
        .map(|(_, left)| left)
        .sum();
    (rest > 0).then(|| Warning {
        what: format!(
            "block {}: {:.1} hours are left on ground that closes within the period, and what comes after them waits",
            block.id,
            rest as f64 / HOUR as f64
        ),
        help: "give the block a smaller `priority`, so that it is begun before its ground closes, or plan for days on which it \
               is open"
            .to_owned(),
    })
}

/// So many machines more are tried.
const MOST_MORE: usize = 8;

/// How many machines more the bound asks for, each as the one with the most hours.
fn more_machines(problem: &Problem) -> String {
    let hours = |machine: &Machine| total(&machine.spans());
    let Some(longest) = problem.machines.iter().max_by_key(|machine| hours(machine)) else {
        return "give the crew a machine".to_owned();
    };
    let mut more = problem.clone();
    for count in 1..=MOST_MORE {
        let mut another = longest.clone();
        another.name = format!("one more ({count})");
        another.start = None;
        more.machines.push(another);
        if lower_bound(&more).finish.is_some() {
            return format!(
                "give more days, or at least {count} machine(s) more with the shifts of {}: with fewer no plan could",
                longest.name
            );
        }
    }
    format!(
        "give more days: even {MOST_MORE} machines more with the shifts of {} could not do it",
        longest.name
    )
}

/// Machines that cut nothing in the last quarter of the period, of those that run then.
fn free_early(problem: &Problem, plan: &Plan) -> usize {
    let late = Stretch::new(
        problem.period.to - problem.period.seconds() / 4,
        problem.period.to,
    );
    let works = |machine: usize| {
        let own = plan.tasks.iter().filter(|task| task.machine == machine);
        let mut cuts = own.filter(|task| matches!(task.what, What::Cut { .. }));
        cuts.any(|task| task.span.to > late.from)
    };
    let runs = |machine: usize| !intersect(&problem.machines[machine].spans(), &[late]).is_empty();
    let machines = 0..problem.machines.len();
    machines
        .filter(|&machine| runs(machine) && !works(machine))
        .count()
}

fn not_fitting(problem: &Problem, plan: &Plan, bound: &Bound, zone: Tz) -> Vec<Warning> {
    let mut warnings = Vec::new();
    if plan.undone == 0 {
        return warnings;
    }
    let left = left_at(problem, plan, Second::MAX);
    let [day, night] = sum(&left);
    let blocks = left.iter().filter(|l| l[0] + l[1] > 0).count();
    let mut what = format!(
        "{:.1} hours of {blocks} block(s) do not fit into the period: {day:.1} day-only, {night:.1} night-safe",
        day + night
    );
    if bound.finish.is_none() {
        what += &format!("; no plan could: {}", bound.because);
    }
    let able = |block: usize| {
        let units = problem.blocks[block].units.iter();
        units
            .filter(|unit| {
                !problem.machines.iter().any(|machine| {
                    machine.may_cut(unit) && problem.blocks[block].only.takes(&machine.name)
                })
            })
            .map(|unit| unit.work)
            .sum::<Work>()
    };
    let lit = light_comes(problem, &left, problem.period.from);
    let free = free_early(problem, plan);
    let help = if day > night && !lit {
        STAYS_DARK.to_owned()
    } else if bound.finish.is_none() {
        more_machines(problem)
    } else if free > 0 {
        format!(
            "give more days: {free} machine(s) found nothing more to do long before the end, so another one would not help"
        )
    } else if day > night {
        "give more days, or more machines by day; day-only work needs daylight".to_owned()
    } else {
        "give more days, more shifts or another machine".to_owned()
    };
    warnings.push(Warning { what, help });
    for (index, block) in problem.blocks.iter().enumerate() {
        let rest = left[index][0] + left[index][1];
        if rest > 0 && block.open.to < problem.period.to {
            warnings.push(Warning {
                what: format!(
                    "block {}: {:.1} hours are left when it closes after {}",
                    block.id,
                    rest as f64 / HOUR as f64,
                    shown(date_of(zone, block.open.to - 1))
                ),
                help: "give it a smaller `priority`, move its `not_after`, or start earlier"
                    .to_owned(),
            });
        }
        warnings.extend(closing(problem, plan, index));
        let nobody = able(index);
        if nobody > 0 {
            warnings.push(Warning {
                what: format!(
                    "block {}: no machine of the crew may cut {:.1} hours: too steep, work of a kind that none does, or in a block that is kept to others or asks for more reach or another machine",
                    block.id,
                    nobody as f64 / HOUR as f64
                ),
                help: "look at `max_slope`, `kinds`, `reach` and `runs_on` of the machines, and at `machines`, `reach` and `runs_on` of the block; a section is as steep as the layout allows where \
                       its reasons say so"
                    .to_owned(),
            });
        }
    }
    warnings
}
