//! Wood that somebody wants at the roadside by a date: how much a plan brings by then, and what it weighs to be short.

use std::collections::BTreeMap;

use super::problem::{Plan, Problem, What, Work};
use super::queue::Queue;
use super::skidding::Skidding;
use super::time::{Second, Stretch};

/// Litres in all that are wanted by a moment, counted from the beginning of the period.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Wanted {
    pub by: Second,
    pub litres: i64,
}

/// What is known of wood for [`short_s`].
#[derive(Clone, Debug, Default)]
pub struct Wood {
    /// By time, their litres never falling.
    pub wanted: Vec<Wanted>,
    /// Of each block and unit.
    pub litres: Vec<Vec<i64>>,
    /// Least seconds between felling and the roadside.
    pub lead_s: i64,
}

/// What a cubic metre weighs that is not felled in time, seconds of a machine: a tenth of an hour. A machine fells some tens of cubic
/// metres in an hour, so a date is worth several times the hours that it takes. Own judgement.
const SHORT_S_PER_M3: i64 = 360;

/// A stretch of cutting: block, chain, work of the chain before, work done, and when.
pub type Cut = (usize, usize, Work, Work, Stretch);

/// What it weighs that less is felled by the dates than is wanted, in seconds of a machine.
pub fn short_s(wood: &Wood, queues: &[Queue], cuts: impl Iterator<Item = Cut>) -> i64 {
    let Some(last) = wood.wanted.last() else {
        return 0;
    };
    let mut felled = vec![0; wood.wanted.len()];
    for (block, chain, before, done, span) in cuts {
        if span.from + wood.lead_s >= last.by {
            continue;
        }
        let units = &queues[block].chains[chain].units;
        let mut begin = match units.partition_point(|unit| unit.1 <= before) {
            0 => 0,
            first => units[first - 1].1,
        };
        let first = units.partition_point(|unit| unit.1 <= before);
        let mut litres = 0.0;
        for &(unit, end) in &units[first..] {
            let part = end.min(before + done) - begin.max(before);
            if part <= 0 {
                break;
            }
            litres += wood.litres[block][unit] as f64 * part as f64 / (end - begin).max(1) as f64;
            begin = end;
        }
        for (sum, wanted) in felled.iter_mut().zip(&wood.wanted) {
            let in_time = wanted.by - wood.lead_s - span.from;
            let share = in_time as f64 / span.seconds().max(1) as f64;
            *sum += (litres * share.clamp(0.0, 1.0)) as i64;
        }
    }
    let short = wood.wanted.iter().zip(felled);
    let short = short.map(|(wanted, felled)| (wanted.litres - felled).max(0));
    short.sum::<i64>() * SHORT_S_PER_M3 / 1000
}

/// Litres that have come to the roadside by each of some moments: of sections that are skidded whole by then. Without skidders
/// that are felled whole by then.
pub fn brought(
    problem: &Problem,
    plan: &Plan,
    skidding: Option<&Skidding>,
    litres: &dyn Fn(usize, usize) -> i64,
    by: &[Second],
) -> Vec<i64> {
    let mut ends: BTreeMap<(usize, usize), (Second, Work)> = BTreeMap::new();
    for task in &plan.tasks {
        if let What::Cut { unit, done } = task.what {
            let own = ends.entry((task.block, unit)).or_insert((Second::MIN, 0));
            *own = (own.0.max(task.span.to), own.1 + done);
        }
    }
    let whole = |ground: &(usize, usize)| problem.blocks[ground.0].units[ground.1].work;
    ends.retain(|ground, own| own.1 >= whole(ground));
    if let Some(skidding) = skidding {
        ends.clear();
        for task in &skidding.tasks {
            if let Some(unit) = task.unit {
                let own = ends.entry((task.block, unit)).or_insert((Second::MIN, 0));
                own.0 = own.0.max(task.span.to);
            }
        }
        for ground in &skidding.begun {
            ends.remove(ground);
        }
    }
    let until = |by: &Second| {
        let own = ends.iter().filter(|(_, end)| end.0 <= *by);
        own.map(|(ground, _)| litres(ground.0, ground.1)).sum()
    };
    by.iter().map(until).collect()
}
