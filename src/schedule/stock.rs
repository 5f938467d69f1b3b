//! Wood that lies felled and not skidded: how much, and when felling has to wait because it is too much.

use std::collections::BTreeMap;

use super::Window;
use super::problem::{Plan, Problem, What};
use super::search::{Solved, again};
use super::skidding::{Least, Skidder, Skidding, WoodKnown, follow};
use super::time::{Second, Stretch, subtract, union};

/// What lies after a moment, litres.
type Levels = Vec<(Second, i64)>;

/// A plan whose felling waits for skidders, how they follow, and when it waits.
#[derive(Clone, Debug, PartialEq)]
pub struct Followed {
    pub plan: Plan,
    pub skidding: Skidding,
    pub waits: Vec<Stretch>,
}

/// What skidders wait for, and what felling does; litres.
#[derive(Clone, Copy, Debug, Default)]
pub struct Limits {
    pub least: i64,
    pub most: Option<i64>,
}

/// Felling that waited goes on when so much of the most lies, in hundredths: else it would start and stop with every section.
const RESUME_PERCENT: i64 = 75;
/// Nobody stops for less.
const LEAST_WAIT_S: i64 = 600;

/// Lets skidders follow a plan. Wherever more would lie than the most, all felling stands still until skidders have brought it
/// down to three quarters of that. Wood that no skidder may take is not counted: nothing would come of waiting for it.
pub fn follow_within(
    problem: &Problem,
    solved: &Solved,
    skidders: &[Skidder],
    wood: WoodKnown<'_>,
    limits: Limits,
) -> Followed {
    let is_taken = |block: usize, unit: usize| is_taken(skidders, wood, block, unit);
    let follow = |plan: &Plan, waits: &[Stretch]| {
        let least = Least {
            litres: limits.least,
            waits,
        };
        follow(problem, plan, skidders, &problem.moves, wood, least)
    };
    let mut found = Followed {
        skidding: follow(&solved.plan, &[]),
        plan: solved.plan.clone(),
        waits: vec![],
    };
    let Some(most) = limits.most else {
        return found;
    };
    let resume = most * RESUME_PERCENT / 100;
    loop {
        let lies = levels(&found.plan, &found.skidding, wood, &is_taken);
        // Nobody can wait before the period begins.
        let begun = |at: Second| at > problem.period.from;
        let over = lies.iter().find(|level| level.1 > most && begun(level.0));
        let Some(over) = over else {
            return found;
        };
        // Times of sections are whole seconds: one before, nothing of the section has been cut.
        let from = over.0 - 1;
        // The times at which felling waits only ever grow, so this comes to an end.
        let mut closed = found.waits.clone();
        closed.push(Stretch::new(from, problem.period.to));
        let still = with_waits(problem, solved, &union(closed.clone()));
        let down = follow(&still, &union(closed.clone()));
        let after = levels(&still, &down, wood, &is_taken);
        let mut falling = after
            .iter()
            .filter(|(at, lies)| *at > from && *lies <= resume);
        let until = falling.next().map_or(problem.period.to, |level| level.0);
        closed.pop();
        closed.push(Stretch::new(from, until.max(from + LEAST_WAIT_S)));
        let before = found.waits;
        found.waits = union(closed);
        found.plan = with_waits(problem, solved, &found.waits);
        found.skidding = follow(&found.plan, &found.waits);
        if until >= problem.period.to || found.waits == before {
            return found;
        }
    }
}

/// Whether some skidder of the crew may bring the wood of a section, and there is some.
fn is_taken(skidders: &[Skidder], wood: WoodKnown<'_>, block: usize, unit: usize) -> bool {
    let slope = (wood.slope)(block, unit);
    (wood.seconds)(block, unit) > 0 && skidders.iter().any(|its| its.may_climb(slope))
}

/// The plan with the same wishes, whose machines stand still for some times.
fn with_waits(problem: &Problem, solved: &Solved, waits: &[Stretch]) -> Plan {
    let mut other = problem.clone();
    for machine in &mut other.machines {
        let windows = std::mem::take(&mut machine.windows);
        for window in windows {
            let parts = subtract(&[window.span], waits);
            let parts = parts.into_iter();
            machine
                .windows
                .extend(parts.map(|span| Window { span, ..window }));
        }
    }
    again(&other, solved)
}

/// What lies after each moment at which it changes: a section's wood from the first of its felling until the last of its
/// skidding.
fn levels(
    plan: &Plan,
    skidding: &Skidding,
    wood: WoodKnown<'_>,
    is_taken: &dyn Fn(usize, usize) -> bool,
) -> Levels {
    let before = wood.lying.iter();
    let before = before.map(|own| ((own.block, own.unit), (own.felled, None)));
    let mut lies: BTreeMap<(usize, usize), (Second, Option<Second>)> = before.collect();
    for task in &plan.tasks {
        if let What::Cut { unit, .. } = task.what {
            let (from, _) = lies
                .entry((task.block, unit))
                .or_insert((task.span.from, None));
            *from = (*from).min(task.span.from);
        }
    }
    for task in &skidding.tasks {
        let own = task.unit.and_then(|unit| lies.get_mut(&(task.block, unit)));
        if let Some((_, to)) = own {
            *to = (*to).max(Some(task.span.to));
        }
    }
    let begun: std::collections::BTreeSet<(usize, usize)> =
        skidding.begun.iter().copied().collect();
    let mut changes: BTreeMap<Second, i64> = BTreeMap::new();
    for (ground, (from, to)) in lies {
        if !is_taken(ground.0, ground.1) {
            continue;
        }
        let wood = (wood.litres)(ground.0, ground.1);
        *changes.entry(from).or_default() += wood;
        if let Some(to) = to.filter(|_| !begun.contains(&ground)) {
            *changes.entry(to).or_default() -= wood;
        }
    }
    let mut level = 0;
    let summed = changes.into_iter().map(|(at, change)| {
        level += change;
        (at, level)
    });
    summed.collect()
}
