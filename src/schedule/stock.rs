//! Wood that lies felled and not skidded: how much, and when felling has to wait because it is too much.

use std::collections::{BTreeMap, BTreeSet};

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

/// Lets skidders follow a plan. Wherever more would lie than the most, felling that would add to it stands still until skidders
/// have brought it down to three quarters of that. Wood that no skidder may take is not counted: nothing would come of waiting
/// for it, and its felling goes on; and so does that of sections that are begun, whose wood is counted from the first tree on.
pub fn follow_within(
    problem: &Problem,
    solved: &Solved,
    skidders: &[Skidder],
    wood: WoodKnown<'_>,
    limits: Limits,
) -> Followed {
    let waiting = |turns| waiting(problem, solved, skidders, wood, limits, turns);
    let some = match limits.most {
        None => vec![waiting(Some(0))],
        Some(_) => vec![waiting(Some(MOST_TURNS)), waiting(Some(0))],
    };
    let found = some.into_iter().flatten();
    let found = found.min_by_key(|own| (own.plan.undone, own.plan.finish));
    found.or_else(|| waiting(None)).unwrap_or_else(|| Followed {
        skidding: Skidding::default(),
        plan: solved.plan.clone(),
        waits: vec![],
    })
}

/// A time at which felling waits, and the sections that were begun before it.
#[derive(Clone)]
struct Wait {
    span: Stretch,
    begun: BTreeSet<(usize, usize)>,
}

/// Plans that are tried before all felling is stopped instead.
const MOST_WAITS: usize = 500;

/// Times that a plan may turn with what was begun before its waits; from then on less and less goes on within them, so that it comes
/// to an end.
const MOST_TURNS: usize = 8;

/// With `turns` only what would add waits; None: that does not keep the most.
fn waiting(
    problem: &Problem,
    solved: &Solved,
    skidders: &[Skidder],
    wood: WoodKnown<'_>,
    limits: Limits,
    turns: Option<usize>,
) -> Option<Followed> {
    let some = turns.is_some();
    let is_taken = |block: usize, unit: usize| is_taken(problem, skidders, wood, block, unit);
    let follow = |plan: &Plan, waits: &[Wait]| {
        let spans = union(waits.iter().map(|wait| wait.span).collect());
        let least = Least {
            litres: limits.least,
            waits: &spans,
        };
        follow(problem, plan, skidders, &problem.moves, wood, least)
    };
    let again = |waits: &[Wait]| match some {
        true => with_some_waits(problem, solved, waits, &is_taken),
        false => with_waits(problem, solved, waits),
    };
    let (mut plan, mut waits) = (solved.plan.clone(), Vec::<Wait>::new());
    let mut skidding = follow(&plan, &[]);
    let (mut rounds, mut settled) = (0, 0);
    loop {
        rounds += 1;
        if some && rounds > MOST_WAITS {
            return None;
        }
        // Where a plan takes another turn before a wait, what was begun before it may be begun within it: then it waits, too.
        settled += 1;
        if some && hold_back(&plan, &mut waits, &is_taken, Some(settled) < turns) {
            plan = again(&waits);
            skidding = follow(&plan, &waits);
            continue;
        }
        settled = 0;
        let over = limits.most.and_then(|most| {
            let lies = levels(&plan, &skidding, wood, &is_taken);
            // Nobody can wait before the period begins.
            let mut over = lies.into_iter();
            over.find(|level| level.1 > most && level.0 > problem.period.from)
        });
        let (Some(over), Some(most)) = (over, limits.most) else {
            return Some(Followed {
                plan,
                skidding,
                waits: union(waits.iter().map(|wait| wait.span).collect()),
            });
        };
        // Times of sections are whole seconds: one before, nothing of the section has been cut.
        let from = over.0 - 1;
        let held = waits
            .iter()
            .any(|wait| wait.span.from <= from && from < wait.span.to);
        if some && held {
            return None;
        }
        let mut trial = waits.clone();
        trial.push(Wait {
            span: Stretch::new(from, problem.period.to),
            begun: begun_before(&plan, over.0),
        });
        let still = again(&trial);
        let down = follow(&still, &trial);
        let resume = most * RESUME_PERCENT / 100;
        let after = levels(&still, &down, wood, &is_taken);
        let mut falling = after
            .iter()
            .filter(|(at, lies)| *at > from && *lies <= resume);
        let until = falling.next().map_or(problem.period.to, |level| level.0);
        if let Some(last) = trial.last_mut() {
            last.span.to = until.max(from + LEAST_WAIT_S);
        }
        let spans = |all: &[Wait]| union(all.iter().map(|wait| wait.span).collect());
        let same = spans(&trial) == spans(&waits);
        waits = trial;
        plan = again(&waits);
        skidding = follow(&plan, &waits);
        if !some && (until >= problem.period.to || same) {
            return Some(Followed {
                plan,
                skidding,
                waits: spans(&waits),
            });
        }
    }
}

/// Lets sections wait that are begun within a wait, and with `may_add` lets those go on that are begun before it; whether that
/// changes anything.
fn hold_back(
    plan: &Plan,
    waits: &mut [Wait],
    is_taken: &dyn Fn(usize, usize) -> bool,
    may_add: bool,
) -> bool {
    let mut begins: BTreeMap<(usize, usize), Second> = BTreeMap::new();
    for task in &plan.tasks {
        if let What::Cut { unit, .. } = task.what {
            let at = begins.entry((task.block, unit)).or_insert(task.span.from);
            *at = (*at).min(task.span.from);
        }
    }
    let mut changed = false;
    for wait in waits {
        for (ground, &at) in &begins {
            let within = wait.span.from < at && at < wait.span.to;
            if within && is_taken(ground.0, ground.1) {
                changed |= wait.begun.remove(ground);
            } else if at <= wait.span.from && may_add {
                changed |= wait.begun.insert(*ground);
            }
        }
    }
    changed
}

fn begun_before(plan: &Plan, moment: Second) -> BTreeSet<(usize, usize)> {
    let cuts = plan.tasks.iter().filter(|task| task.span.from < moment);
    cuts.filter_map(|task| match task.what {
        What::Cut { unit, .. } => Some((task.block, unit)),
        What::Move => None,
    })
    .collect()
}

/// Whether some skidder of the crew may bring the wood of a section, and there is some.
fn is_taken(
    problem: &Problem,
    skidders: &[Skidder],
    wood: WoodKnown<'_>,
    block: usize,
    unit: usize,
) -> bool {
    let ground = &problem.blocks[block];
    let slope = (wood.slope)(block, unit);
    (wood.seconds)(block, unit) > 0 && skidders.iter().any(|its| its.may_take(ground, slope))
}

/// The plan with the same wishes, whose machines stand still for some times.
fn with_waits(problem: &Problem, solved: &Solved, waits: &[Wait]) -> Plan {
    let waits = union(waits.iter().map(|wait| wait.span).collect());
    let mut other = problem.clone();
    for machine in &mut other.machines {
        let windows = std::mem::take(&mut machine.windows);
        for window in windows {
            let parts = subtract(&[window.span], &waits);
            let parts = parts.into_iter();
            machine
                .windows
                .extend(parts.map(|span| Window { span, ..window }));
        }
    }
    again(&other, solved)
}

/// The plan with the same wishes in which no section is begun at some times whose wood would add to what lies.
fn with_some_waits(
    problem: &Problem,
    solved: &Solved,
    waits: &[Wait],
    is_taken: &dyn Fn(usize, usize) -> bool,
) -> Plan {
    let mut other = problem.clone();
    for (index, block) in other.blocks.iter_mut().enumerate() {
        // Of a window and the waits that hold: the window that is left.
        let mut made: BTreeMap<(Option<usize>, Vec<usize>), usize> = BTreeMap::new();
        for (at, unit) in block.units.iter_mut().enumerate() {
            let holds = |wait: &usize| !waits[*wait].begun.contains(&(index, at));
            let own: Vec<usize> = (0..waits.len()).filter(holds).collect();
            if own.is_empty() || !is_taken(index, at) {
                continue;
            }
            let windows = &mut block.windows;
            let window = *made
                .entry((unit.window, own))
                .or_insert_with_key(|(open, own)| {
                    let closed = union(own.iter().map(|&wait| waits[wait].span).collect());
                    let open = match open.and_then(|open| windows.get(open)) {
                        Some(open) => open.clone(),
                        None => vec![problem.period],
                    };
                    windows.push(subtract(&open, &closed));
                    windows.len() - 1
                });
            unit.window = Some(window);
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
