//! Holds a plan against the rules, from the tasks alone: shares nothing with what made the plan.

use std::collections::BTreeMap;

use super::problem::{
    Able, Block, Plan, Problem, Task, Unit, Upkeep, What, Window, Work, seconds_for,
};
use super::skidding::{Skidder, Skidding};
use super::time::{Second, Stretch, intersect, subtract};
use crate::model::{ShiftClass, StripKind};

/// Feet and metres are turned into each other.
const REACH_ROUNDING_M: f64 = 1e-6;

/// Times of sections are rounded to whole seconds, at both ends.
const ROUNDING_S: i64 = 1;

/// Every rule that a plan breaks, in words; none for a sound plan.
pub fn check(problem: &Problem, plan: &Plan) -> Vec<String> {
    let mut broken = Vec::new();
    for machine in 0..problem.machines.len() {
        machine_rules(problem, plan, machine, &mut broken);
    }
    for block in 0..problem.blocks.len() {
        block_rules(problem, plan, block, &mut broken);
    }
    near_blocks(problem, plan, &mut broken);
    amounts(problem, plan, &mut broken);
    broken
}

/// Every rule that skidders break, in words: they work inside their shifts, one thing at a time, by daylight where they have
/// no leave for the night or where the ground is a danger to any machine (`by_day`, of block and unit), and never on ground
/// too steep for them (`slope`).
pub fn check_skidding(
    problem: &Problem,
    skidding: &Skidding,
    skidders: &[Skidder],
    by_day: &dyn Fn(usize, usize) -> bool,
    slope: &dyn Fn(usize, usize) -> Option<f64>,
) -> Vec<String> {
    let mut broken = Vec::new();
    let mut free: Vec<Second> = vec![Second::MIN; skidders.len()];
    for task in &skidding.tasks {
        let its = &skidders[task.skidder];
        let (from, to) = (task.span.from, task.span.to);
        let mut told = |what: &str| broken.push(format!("{} {what} at {from}", its.name));
        if from < free[task.skidder] {
            told("does two things");
        }
        free[task.skidder] = to;
        let inside = |window: &Window| {
            window.shift == task.shift && window.span.from <= from && to <= window.span.to
        };
        if !its.windows.iter().any(inside) {
            told("works outside its shifts");
        }
        let too_steep = |unit: usize| match (slope(task.block, unit), its.max_slope) {
            (Some(slope), Some(most)) => slope > most,
            _ => false,
        };
        if task.unit.is_some_and(too_steep) {
            told("skids on ground too steep for it");
        }
        let block = &problem.blocks[task.block];
        if task.unit.is_some() && !block.only.takes_skidder(&its.name) {
            told("skids in a block that is kept to other machines");
        }
        if task.unit.is_some() && !runs_on(block, &its.able) {
            told("skids in a block that is not for what it runs on");
        }
        let is_closed = |unit: usize| {
            let open = block.units.get(unit).and_then(|unit| block.window(unit));
            open.is_some_and(|open| !subtract(&[task.span], open).is_empty())
        };
        if task.unit.is_some_and(is_closed) {
            told("skids on ground that is closed");
        }
        let needs_light = |unit: usize| !its.night || by_day(task.block, unit);
        let lit = |light: &Stretch| light.from <= from && to <= light.to;
        if task.unit.is_some_and(needs_light) && !block.light.iter().any(lit) {
            told("skids in the dark what must be skidded by day");
        }
    }
    for (index, its) in skidders.iter().enumerate() {
        let own = skidding.tasks.iter().filter(|task| task.skidder == index);
        let work: Vec<Stretch> = own.map(|task| task.span).collect();
        upkeep_rules(problem, &its.name, &its.upkeep, &work, &mut broken);
    }
    broken
}

/// How far two grounds lie apart, and how far they must where trees fall on the first; metres. Ground of the second is the way
/// of its wood, too.
pub type Apart<'a> = &'a dyn Fn((usize, usize), (usize, usize)) -> (f64, f64);

/// Distances are measured by other code than the plan's.
const APART_ROUNDING_M: f64 = 1e-3;

/// Where a skidder came nearest to felling, beside what it must keep.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Nearest {
    /// Block and unit.
    pub felled: (usize, usize),
    pub skidded: (usize, usize),
    /// When both were worked at once for the first time.
    pub at: Second,
    pub distance_m: f64,
    pub required_m: f64,
}

/// Every time that a skidder works within reach of falling trees, in words, and the nearest of all times at which something is
/// skidded and felled at once.
pub fn check_apart(
    problem: &Problem,
    plan: &Plan,
    skidding: &Skidding,
    skidders: &[Skidder],
    apart: Apart<'_>,
) -> (Vec<String>, Option<Nearest>) {
    let mut broken = Vec::new();
    let mut nearest: Option<Nearest> = None;
    for task in &skidding.tasks {
        let Some(unit) = task.unit else { continue };
        for cut in &plan.tasks {
            let What::Cut { unit: felled, .. } = cut.what else {
                continue;
            };
            let both = cut.span.from.max(task.span.from)..cut.span.to.min(task.span.to);
            if both.is_empty() {
                continue;
            }
            let grounds = ((cut.block, felled), (task.block, unit));
            let (distance_m, required_m) = apart(grounds.0, grounds.1);
            if distance_m < required_m - APART_ROUNDING_M {
                broken.push(format!(
                    "{} skids in block {} {distance_m:.1} m from where trees fall in block {} at {}, {required_m:.1} m are needed",
                    skidders[task.skidder].name,
                    problem.blocks[task.block].id,
                    problem.blocks[cut.block].id,
                    both.start
                ));
            }
            let spare_m = |own: &Nearest| own.distance_m - own.required_m;
            if nearest.is_none_or(|held| distance_m - required_m < spare_m(&held)) {
                nearest = Some(Nearest {
                    felled: grounds.0,
                    skidded: grounds.1,
                    at: both.start,
                    distance_m,
                    required_m,
                });
            }
        }
    }
    (broken, nearest)
}

/// A shift of a person.
#[derive(Clone, Debug, PartialEq)]
pub struct Duty {
    pub person: String,
    pub span: Stretch,
}

/// Every person who is in two places at once, works longer than `longest_s` within a day of 24 hours, or rests less than
/// `least_rest_s` between two shifts; None: nobody says how long.
pub fn check_people(
    duties: &[Duty],
    longest_s: Option<i64>,
    least_rest_s: Option<i64>,
) -> Vec<String> {
    let mut broken = Vec::new();
    for (index, duty) in duties.iter().enumerate() {
        let others = || {
            let all = duties.iter().enumerate();
            all.filter(move |(at, other)| *at != index && other.person == duty.person)
                .map(|(_, other)| other.span)
        };
        let (from, to) = (duty.span.from, duty.span.to);
        if others().any(|other| other.from < to && from < other.to) {
            broken.push(format!("{} is in two places at {from}", duty.person));
        }
        // The most within 24 hours is reached in a day that begins with a shift or ends with one.
        for begin in [from, to - 86_400] {
            let within =
                |span: Stretch| (span.to.min(begin + 86_400) - span.from.max(begin)).max(0);
            let works: i64 = others().map(within).sum::<i64>() + within(duty.span);
            if longest_s.is_some_and(|most| works > most) {
                broken.push(format!(
                    "{} works {works} s in the 24 hours from {begin}",
                    duty.person
                ));
            }
        }
        let rests = others()
            .filter(|other| other.from >= to)
            .map(|other| other.from - to);
        // A shift that follows at once is one with this.
        if let Some(rest) = rests.min().filter(|rest| *rest > 0)
            && least_rest_s.is_some_and(|least| rest < least)
        {
            broken.push(format!("{} rests {rest} s from {to}", duty.person));
        }
    }
    broken
}

/// What is known of wood for [`check_stock`]: litres by block and unit, and what lies at most, and in a block at least before a
/// skidder goes there.
pub struct StockRule<'a> {
    pub litres: &'a dyn Fn(usize, usize) -> i64,
    /// Whether any skidder of the crew brings it.
    pub is_taken: &'a dyn Fn(usize, usize) -> bool,
    pub least: i64,
    pub most: Option<i64>,
    /// When felling waits.
    pub waits: &'a [Stretch],
    /// Block, unit and end of felling of what lies from before.
    pub before: &'a [(usize, usize, Second)],
}

/// Every time that more wood lies than the most, that trees fall while felling waits, and that a skidder goes to a block too
/// soon.
pub fn check_stock(
    problem: &Problem,
    plan: &Plan,
    skidding: &Skidding,
    rule: &StockRule<'_>,
) -> Vec<String> {
    let mut broken = Vec::new();
    let cuts: Vec<(usize, usize, Stretch, Work)> = (plan.tasks.iter())
        .filter_map(|task| match task.what {
            What::Cut { unit, done } => Some((task.block, unit, task.span, done)),
            What::Move => None,
        })
        .collect();
    // When each section's wood begins to lie, lies whole, and is gone.
    let mut sections: BTreeMap<(usize, usize), (Second, Second, Work, Second)> = BTreeMap::new();
    for (block, unit, span, done) in &cuts {
        let own =
            sections
                .entry((*block, *unit))
                .or_insert((Second::MAX, Second::MIN, 0, Second::MIN));
        *own = (
            own.0.min(span.from),
            own.1.max(span.to),
            own.2 + done,
            own.3,
        );
    }
    for task in &skidding.tasks {
        if let Some(own) = task
            .unit
            .and_then(|unit| sections.get_mut(&(task.block, unit)))
        {
            own.3 = own.3.max(task.span.to);
        }
    }
    for ground in &skidding.begun {
        if let Some(own) = sections.get_mut(ground) {
            own.3 = Second::MIN;
        }
    }
    // What is begun already adds nothing, nor does what no skidder takes.
    for ((block, unit), own) in &sections {
        let waits = |wait: &Stretch| wait.from < own.0 && own.0 < wait.to;
        if (rule.is_taken)(*block, *unit) && rule.waits.iter().any(waits) {
            broken.push(format!(
                "block {} is felled at {} while felling waits for skidders",
                problem.blocks[*block].id, own.0
            ));
        }
    }
    let gone = |at: Second| if at == Second::MIN { Second::MAX } else { at };
    if let Some(most) = rule.most {
        let taken: Vec<_> = (sections.iter())
            .filter(|((block, unit), _)| (rule.is_taken)(*block, *unit))
            .map(|((block, unit), own)| (own.0, gone(own.3), (rule.litres)(*block, *unit)))
            .collect();
        let mut edges: Vec<(Second, i64)> = (taken.iter())
            .flat_map(|(from, to, wood)| [(*from, *wood), (*to, -*wood)])
            .collect();
        edges.sort_unstable();
        let (mut lies, mut told) = (0, false);
        for pair in edges.chunk_by(|a, b| a.0 == b.0) {
            lies += pair.iter().map(|edge| edge.1).sum::<i64>();
            let grows = pair.iter().any(|edge| edge.1 > 0) && pair[0].0 > problem.period.from;
            if lies > most && grows && !told {
                told = true;
                broken.push(format!(
                    "{lies} l of wood lie at {}, {most} l may",
                    pair[0].0
                ));
            }
        }
    }
    if rule.least == 0 {
        return broken;
    }
    let skidders = skidding.tasks.iter().map(|task| task.skidder).max();
    for skidder in 0..=skidders.unwrap_or(0) {
        let mut here = None;
        for task in skidding.tasks.iter().filter(|task| task.skidder == skidder) {
            let (block, at) = (task.block, task.span.from);
            if here.replace(block) == Some(block) {
                continue;
            }
            let lies: i64 = (sections.iter())
                .filter(|((own, unit), when)| {
                    let whole = when.2 >= problem.blocks[*own].units[*unit].work;
                    *own == block && whole && when.1 <= at && gone(when.3) > at
                })
                .map(|((own, unit), _)| (rule.litres)(*own, *unit))
                .sum();
            let goes_on = cuts.iter().any(|cut| cut.0 == block && cut.2.to > at);
            if goes_on && lies < rule.least && !rule.waits.iter().any(|wait| wait.contains(at)) {
                broken.push(format!(
                    "a skidder goes to block {} at {at} for {lies} l",
                    problem.blocks[block].id
                ));
            }
        }
    }
    broken
}

/// Every date for which a plan says other litres than its tasks bring to the roadside by then, in words. `said`: moment and litres;
/// without skidders what is felled counts.
pub fn check_wood(
    problem: &Problem,
    plan: &Plan,
    skidding: Option<&Skidding>,
    litres: &dyn Fn(usize, usize) -> i64,
    said: &[(Second, i64)],
) -> Vec<String> {
    let mut broken = Vec::new();
    // By ground: when the last of it is done, and how much.
    let mut all: Vec<((usize, usize), Second, Work)> = match skidding {
        None => (plan.tasks.iter())
            .filter_map(|task| match task.what {
                What::Cut { unit, done } => Some(((task.block, unit), task.span.to, done)),
                What::Move => None,
            })
            .collect(),
        Some(skidding) => (skidding.tasks.iter())
            .filter_map(|task| Some(((task.block, task.unit?), task.span.to, 0)))
            .filter(|own| !skidding.begun.contains(&own.0))
            .collect(),
    };
    all.sort_unstable();
    let sections: Vec<((usize, usize), Second)> = (all.chunk_by(|a, b| a.0 == b.0))
        .filter(|own| {
            let ((block, unit), ..) = own[0];
            let done: Work = own.iter().map(|task| task.2).sum();
            skidding.is_some() || done >= problem.blocks[block].units[unit].work
        })
        .map(|own| (own[0].0, own[own.len() - 1].1))
        .collect();
    for &(by, said) in said {
        let there = sections.iter().filter(|own| own.1 <= by);
        let sum: i64 = there.map(|own| litres(own.0.0, own.0.1)).sum();
        if sum != said {
            broken.push(format!(
                "{sum} l of wood are at the roadside by {by}, the plan says {said} l"
            ));
        }
    }
    broken
}

/// One thing at a time, inside its windows, nothing it may not do, moves long enough, service by day.
fn machine_rules(problem: &Problem, plan: &Plan, machine: usize, broken: &mut Vec<String>) {
    let its = &problem.machines[machine];
    let mut tasks: Vec<&Task> = plan
        .tasks
        .iter()
        .filter(|task| task.machine == machine)
        .collect();
    tasks.sort_by_key(|task| (task.span.from, task.span.to));
    for pair in tasks.windows(2) {
        if pair[1].span.from < pair[0].span.to {
            broken.push(format!(
                "{} does two things at {}",
                its.name, pair[1].span.from
            ));
        }
    }
    let mut at = its.start;
    let mut at_block = None;
    let mut moved = 0;
    for task in &tasks {
        let window = its.windows.iter().find(|window| {
            window.span.from <= task.span.from
                && task.span.to <= window.span.to
                && window.shift == task.shift
        });
        let Some(window) = window else {
            broken.push(format!(
                "{} works outside its shifts at {}",
                its.name, task.span.from
            ));
            continue;
        };
        let block = &problem.blocks[task.block];
        match task.what {
            What::Move => moved += task.span.seconds(),
            What::Cut { unit, done } => {
                if at_block != Some(task.block) {
                    let needed = at.map_or(0, |at| problem.moves.seconds(at, block.place));
                    if moved < needed {
                        broken.push(format!(
                            "{} moves {moved} s to block {}, {needed} s are needed",
                            its.name, block.id
                        ));
                    }
                    at_block = Some(task.block);
                    at = Some(block.place);
                }
                moved = 0;
                let Some(unit) = block.units.get(unit) else {
                    broken.push(format!("block {} has no unit {unit}", block.id));
                    continue;
                };
                if !its.kinds.contains(&unit.kind)
                    || unit.slope.is_some_and(|slope| slope > its.max_slope)
                {
                    broken.push(format!(
                        "{} may not cut {:?} of block {}",
                        its.name, unit.key, block.id
                    ));
                }
                if (task.span.seconds() - seconds_for(done, window.pace)).abs() > ROUNDING_S {
                    broken.push(format!(
                        "{} cuts {:?} of block {} at a wrong pace",
                        its.name, unit.key, block.id
                    ));
                }
                let dark = subtract(&[task.span], &block.light);
                if !dark.is_empty() && (unit.class == ShiftClass::DayOnly || !its.night) {
                    broken.push(format!(
                        "{} cuts {:?} of block {} in the dark",
                        its.name, unit.key, block.id
                    ));
                }
                let closed = block
                    .window(unit)
                    .is_some_and(|open| !subtract(&[task.span], open).is_empty());
                if closed {
                    broken.push(format!(
                        "{} cuts {:?} of block {} while its ground is closed",
                        its.name, unit.key, block.id
                    ));
                }
                if !block.only.takes(&its.name) {
                    broken.push(format!(
                        "{} works in block {}, which is kept to other machines",
                        its.name, block.id
                    ));
                }
                let asked_m = block.needs.reach_m.unwrap_or(0.0);
                if asked_m > 0.0 && its.able.reach_m.unwrap_or(0.0) + REACH_ROUNDING_M < asked_m {
                    broken.push(format!(
                        "{} does not reach as far as block {} asks for",
                        its.name, block.id
                    ));
                }
                if !runs_on(block, &its.able) {
                    broken.push(format!(
                        "{} runs on something else than block {} is for",
                        its.name, block.id
                    ));
                }
                if task.span.from < block.open.from || task.span.to > block.open.to {
                    broken.push(format!("block {} is worked while it is closed", block.id));
                }
            }
        }
    }
    let work: Vec<Stretch> = tasks.iter().map(|task| task.span).collect();
    upkeep_rules(problem, &its.name, &its.upkeep, &work, broken);
}

/// Whether what a machine runs on is one of those that a block is for.
fn runs_on(block: &Block, its: &Able) -> bool {
    match (&block.needs.runs_on, its.runs_on) {
        (None, _) => true,
        (Some(_), None) => false,
        (Some(kinds), Some(own)) => kinds.contains(&own),
    }
}

/// Service and fuelling by daylight, while the machine does nothing else, and never more work than a full tank lasts.
fn upkeep_rules(
    problem: &Problem,
    name: &str,
    upkeep: &Upkeep,
    work: &[Stretch],
    broken: &mut Vec<String>,
) {
    let both = |a: &Stretch, b: &Stretch| a.from < b.to && b.from < a.to;
    for (slots, word) in [(&upkeep.service, "serviced"), (&upkeep.fuel, "fuelled")] {
        for slot in slots {
            if work.iter().any(|task| both(task, slot)) {
                broken.push(format!("{name} works while it is {word} at {}", slot.from));
            }
            let no_light = problem.blocks.iter().any(|block| {
                let lit = intersect(&[*slot], &block.light);
                lit.iter().map(Stretch::seconds).sum::<i64>() < slot.seconds()
            });
            if no_light {
                broken.push(format!("{name} is {word} in the dark at {}", slot.from));
            }
        }
    }
    for service in &upkeep.service {
        if upkeep.fuel.iter().any(|fuel| both(fuel, service)) {
            broken.push(format!(
                "{name} is serviced and fuelled at once at {}",
                service.from
            ));
        }
    }
    let Some(tank_s) = upkeep.tank_s else { return };
    let fills = upkeep.fuel.iter().map(|fuel| fuel.from);
    let ends: Vec<Second> = fills.chain([Second::MAX]).collect();
    let mut from = Second::MIN;
    for to in ends {
        let within = |task: &Stretch| (task.to.min(to) - task.from.max(from)).max(0);
        let ran: i64 = work.iter().map(within).sum();
        if ran > tank_s {
            broken.push(format!(
                "{name} runs {ran} s before it is fuelled at {to}, its tank lasts {tank_s} s"
            ));
        }
        from = to;
    }
}

/// Never two machines at once in blocks within the falling trees of each other.
fn near_blocks(problem: &Problem, plan: &Plan, broken: &mut Vec<String>) {
    let mut cuts: Vec<Vec<Stretch>> = vec![Vec::new(); problem.blocks.len()];
    for task in &plan.tasks {
        if matches!(task.what, What::Cut { .. }) {
            cuts[task.block].push(task.span);
        }
    }
    for (index, block) in problem.blocks.iter().enumerate() {
        for &other in &block.near {
            let both = cuts.get(other).map_or(&[][..], |own| own);
            let at_once = cuts[index].iter().find(|own| {
                both.iter()
                    .any(|its| own.from < its.to && its.from < own.to)
            });
            if let Some(at_once) =
                at_once.filter(|_| other > index || !problem.blocks[other].near.contains(&index))
            {
                broken.push(format!(
                    "blocks {} and {}, within falling trees of each other, are cut at once at {}",
                    block.id, problem.blocks[other].id, at_once.from
                ));
            }
        }
    }
}

/// When a section is cut: first second, last second, all of it?
#[derive(Clone, Copy)]
struct When {
    from: i64,
    to: i64,
    whole: bool,
}

/// One machine at a time, and the order of [`super::queue`].
fn block_rules(problem: &Problem, plan: &Plan, index: usize, broken: &mut Vec<String>) {
    let block = &problem.blocks[index];
    let mut spans: Vec<(Stretch, usize)> = Vec::new();
    let mut found: BTreeMap<usize, (When, Work)> = BTreeMap::new();
    for task in plan.tasks.iter().filter(|task| task.block == index) {
        let What::Cut { unit, done } = task.what else {
            continue;
        };
        spans.push((task.span, task.machine));
        let (when, sum) = found.entry(unit).or_insert((
            When {
                from: task.span.from,
                to: task.span.to,
                whole: false,
            },
            0,
        ));
        when.from = when.from.min(task.span.from);
        when.to = when.to.max(task.span.to);
        *sum += done;
    }
    spans.sort();
    for pair in spans.windows(2) {
        if pair[1].0.from < pair[0].0.to {
            broken.push(format!(
                "two machines or sections at once in block {}",
                block.id
            ));
        }
    }
    let when: BTreeMap<usize, When> = found
        .into_iter()
        .map(|(unit, (when, sum))| {
            let whole = block.units.get(unit).is_some_and(|unit| sum >= unit.work);
            (unit, When { whole, ..when })
        })
        .collect();
    let mut before = |first: usize, second: usize, rule: &str| {
        let Some(later) = when.get(&second) else {
            return;
        };
        let kept = when
            .get(&first)
            .is_some_and(|earlier| earlier.whole && earlier.to <= later.from);
        if !kept {
            broken.push(format!(
                "block {}: {:?} before {:?}: {rule}",
                block.id, block.units[second].key, block.units[first].key
            ));
        }
    };
    let mut sorted: Vec<usize> = (0..block.units.len()).collect();
    sorted.sort_by_key(|&unit| (block.units[unit].order, block.units[unit].key));
    let is_prework = |unit: &Unit| unit.kind != StripKind::Interior;
    let prework: Vec<usize> = sorted
        .iter()
        .copied()
        .filter(|&unit| is_prework(&block.units[unit]))
        .collect();
    for pair in prework.windows(2) {
        before(pair[0], pair[1], "prework in order");
    }
    let mut pieces: Vec<Vec<usize>> = Vec::new();
    for &unit in sorted
        .iter()
        .filter(|&&unit| !is_prework(&block.units[unit]))
    {
        if let Some(&last) = prework.last() {
            before(last, unit, "prework comes first");
        }
        let key = block.units[unit].key.piece();
        match pieces.last_mut() {
            Some(piece) if block.units[piece[0]].key.piece() == key => piece.push(unit),
            _ => pieces.push(vec![unit]),
        }
    }
    let (mut last_head, mut last_body, mut last_tail) = (None, None, None);
    for piece in &pieces {
        let is_night = |unit: usize| block.units[unit].class == ShiftClass::NightSafe;
        let count = piece.iter().filter(|&&unit| is_night(unit)).count();
        let mut seen = 0;
        let mut own_head = None;
        for &unit in piece {
            seen += usize::from(is_night(unit));
            let in_head = seen == 0;
            let in_tail = !in_head && seen == count && !is_night(unit);
            let chain = if in_head {
                own_head = Some(unit);
                &mut last_head
            } else if in_tail {
                if let Some(body) = last_body {
                    before(body, unit, "a tail after its body");
                }
                &mut last_tail
            } else {
                if let Some(head) = own_head {
                    before(head, unit, "a body after its head");
                }
                &mut last_body
            };
            if let Some(earlier) = chain.replace(unit) {
                before(earlier, unit, "in the order of strips");
            }
        }
    }
    for task in plan.tasks.iter().filter(|task| task.block == index) {
        if let What::Cut { unit, .. } = task.what
            && block.units.get(unit).is_some_and(is_prework)
            && !subtract(&[task.span], &block.light).is_empty()
        {
            broken.push(format!("block {}: prework in the dark", block.id));
        }
    }
}

/// Every section once: no more than there is, and what is missing is owned up to.
fn amounts(problem: &Problem, plan: &Plan, broken: &mut Vec<String>) {
    let mut left: Vec<Vec<Work>> = problem
        .blocks
        .iter()
        .map(|block| block.units.iter().map(|unit| unit.work).collect())
        .collect();
    for task in &plan.tasks {
        if let What::Cut { unit, done } = task.what
            && let Some(left) = left[task.block].get_mut(unit)
        {
            *left -= done;
        }
    }
    let mut undone = 0;
    for (block, left) in problem.blocks.iter().zip(&left) {
        for (unit, left) in block.units.iter().zip(left) {
            if *left < 0 {
                broken.push(format!(
                    "block {}: {:?} is cut more than once",
                    block.id, unit.key
                ));
            }
            undone += left.max(&0);
        }
    }
    if undone != plan.undone {
        broken.push(format!(
            "{undone} of work are left, the plan says {}",
            plan.undone
        ));
    }
    let last = plan
        .tasks
        .iter()
        .filter(|task| matches!(task.what, What::Cut { .. }))
        .map(|task| task.span.to)
        .max();
    if last != plan.finish {
        broken.push("the plan names another finish than that of its tasks".to_owned());
    }
}
