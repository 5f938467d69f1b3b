//! Tours: where each machine goes one after the other, and what ends each of its stays.

use super::decode::Ground;
use super::problem::{Plan, Problem, What};
use super::queue::Progress;
use super::time::{Second, around};

/// What ends a stay, beside that all is cut.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Until {
    /// Nothing: it waits for light.
    Done,
    /// Nothing can be cut as things stand.
    Stuck,
    /// By day only night-safe work is left, or nothing can be cut.
    DayWorkDone,
    /// The light comes.
    Daybreak,
    /// The light goes, or only night-safe work is left.
    Dusk,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Stay {
    pub block: usize,
    pub until: Until,
}

/// By machine.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Tours {
    pub stays: Vec<Vec<Stay>>,
}

/// The tours that a plan has from a moment on.
pub fn of_plan(problem: &Problem, ground: &Ground, plan: &Plan, from: Second) -> Tours {
    let cuts = plan.tasks.iter().filter_map(|task| match task.what {
        What::Cut { done, .. } => Some((task, done)),
        What::Move => None,
    });
    let mut cuts: Vec<_> = cuts.collect();
    cuts.sort_by_key(|(task, _)| (task.span, task.machine));
    let mut left: Vec<i64> = ground
        .queues
        .iter()
        .map(|queue| queue.left(&Progress::default()).iter().sum())
        .collect();
    let mut stays: Vec<Vec<Stay>> = vec![vec![]; problem.machines.len()];
    for (task, done) in cuts {
        left[task.block] -= done;
        if task.span.to <= from {
            continue;
        }
        let own = &mut stays[task.machine];
        let until = match around(&problem.blocks[task.block].light, task.span.to) {
            _ if left[task.block] <= 0 => Until::Done,
            Some(light) if light.from == task.span.to => Until::Daybreak,
            Some(_) => Until::DayWorkDone,
            None => Until::Stuck,
        };
        match own.last_mut() {
            Some(last) if last.block == task.block => last.until = until,
            _ => own.push(Stay {
                block: task.block,
                until,
            }),
        }
    }
    Tours { stays }
}

/// Tours through territories in batches of so many blocks: by day what needs light in all of a batch, one block after the
/// other, back through them by night, and at daybreak what is left.
pub fn in_batches(territories: &[Vec<usize>], size: usize) -> Tours {
    let stays = territories.iter().map(|blocks| {
        let mut stays = Vec::new();
        let stay = |until| move |&block: &usize| Stay { block, until };
        for batch in blocks.chunks(size) {
            if let [only] = batch {
                stays.push(stay(Until::Done)(only));
                continue;
            }
            let (last, before) = batch.split_last().expect("a chunk is not empty");
            stays.extend(before.iter().map(stay(Until::DayWorkDone)));
            stays.push(stay(Until::Stuck)(last));
            stays.extend(before.iter().skip(1).rev().map(stay(Until::Stuck)));
            stays.push(stay(Until::Done)(&before[0]));
            stays.extend(batch.iter().skip(1).map(stay(Until::Done)));
        }
        stays
    });
    Tours {
        stays: stays.collect(),
    }
}

/// The same with each block on the tour alone that has most of its stays, the last of which goes on until it is done.
pub fn untangled(mut tours: Tours) -> Tours {
    let stays = tours.stays.iter().flatten();
    let blocks = stays.map(|stay| stay.block + 1).max().unwrap_or(0);
    let mut counts = vec![vec![0usize; blocks]; tours.stays.len()];
    for (own, stays) in counts.iter_mut().zip(&tours.stays) {
        for stay in stays {
            own[stay.block] += 1;
        }
    }
    let most = |block: usize| {
        let machines = 0..counts.len();
        machines.max_by_key(|&machine| (counts[machine][block], std::cmp::Reverse(machine)))
    };
    for (machine, stays) in tours.stays.iter_mut().enumerate() {
        stays.retain(|stay| most(stay.block) == Some(machine));
        let mut seen = vec![false; blocks];
        for stay in stays.iter_mut().rev() {
            if !std::mem::replace(&mut seen[stay.block], true) {
                stay.until = Until::Done;
            }
        }
    }
    tours
}
