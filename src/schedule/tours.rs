//! Tours: where each machine goes one after the other, and what ends each of its stays.

use super::decode::Ground;
use super::problem::{Plan, Problem, Task, What};
use super::queue::Progress;
use super::time::{Second, Stretch, around};

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

/// How a stay keeps its place on a tour.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Hold {
    /// One that comes soon after it is taken before it, where that suits the light better.
    Free,
    /// It is taken in its turn.
    InTurn,
    /// It is taken in its turn and lasts from a moment to another, whatever is left or done by then. Who comes later than that stays
    /// as if it had none.
    Within(Stretch),
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Stay {
    pub block: usize,
    pub until: Until,
    pub hold: Hold,
}

impl Stay {
    /// A stay that may change places with its neighbours.
    pub fn free(block: usize, until: Until) -> Stay {
        Stay {
            block,
            until,
            hold: Hold::Free,
        }
    }
}

/// By machine.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Tours {
    pub stays: Vec<Vec<Stay>>,
}

/// The tours that a plan has from a moment on, with the times at which machines go on from block to block: decoded, they are
/// that plan again. What ends a stay besides is what ended it there, for when the tours change.
pub fn of_plan(problem: &Problem, ground: &Ground, plan: &Plan, from: Second) -> Tours {
    let mut tasks: Vec<&Task> = plan.tasks.iter().collect();
    tasks.sort_by_key(|task| (task.span, task.machine));
    let mut left: Vec<i64> = ground
        .queues
        .iter()
        .map(|queue| queue.left(&Progress::default()).iter().sum())
        .collect();
    let mut stays: Vec<Vec<Stay>> = vec![vec![]; problem.machines.len()];
    // Whether it has cut anything in its last stay: who goes ahead and waits has not begun another.
    let mut has_cut = vec![false; problem.machines.len()];
    for task in tasks {
        if let What::Cut { done, .. } = task.what {
            left[task.block] -= done;
        }
        if task.span.to <= from {
            continue;
        }
        let until = match (
            task.what,
            around(&problem.blocks[task.block].light, task.span.to),
        ) {
            _ if left[task.block] <= 0 => Until::Done,
            (What::Move, _) => Until::Stuck,
            (_, Some(light)) if light.from == task.span.to => Until::Daybreak,
            (_, Some(_)) => Until::DayWorkDone,
            (_, None) => Until::Stuck,
        };
        let windows = &problem.machines[task.machine].windows;
        let stood = |since: Second| {
            let first = windows.partition_point(|window| window.span.to <= since);
            let next = windows.get(first);
            since < task.span.from && next.is_some_and(|next| next.span.from < task.span.from)
        };
        let own = &mut stays[task.machine];
        if let Some(last) = own.last_mut()
            && let Hold::Within(span) = &mut last.hold
            && last.block == task.block
            && (!has_cut[task.machine] || !stood(span.to))
        {
            last.until = until;
            span.to = task.span.to;
            has_cut[task.machine] |= task.what != What::Move;
            continue;
        }
        has_cut[task.machine] = task.what != What::Move;
        own.push(Stay {
            block: task.block,
            until,
            hold: Hold::Within(task.span),
        });
    }
    Tours { stays }
}

/// The same without times: one stay for all that follow each other in a block, any of which may be taken before those before it.
pub fn loosened(mut tours: Tours) -> Tours {
    for own in &mut tours.stays {
        own.dedup_by(|next, last| {
            let is_same = next.block == last.block;
            if is_same {
                last.until = next.until;
            }
            is_same
        });
        for stay in own {
            stay.hold = Hold::Free;
        }
    }
    tours
}

/// Tours through territories in batches of so many blocks: by day what needs light in all of a batch, one block after the
/// other, back through them by night, and at daybreak what is left.
pub fn in_batches(territories: &[Vec<usize>], size: usize) -> Tours {
    let stays = territories.iter().map(|blocks| {
        let mut stays = Vec::new();
        let stay = |until| move |&block: &usize| Stay::free(block, until);
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
                stay.hold = Hold::Free;
            }
        }
    }
    tours
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::{SectionKey, ShiftClass, StripKind};
    use crate::schedule::decode::{self, Rounds};
    use crate::schedule::problem::{Block, Machine, Moves, Unit, Window};
    use crate::schedule::search::beginnings;

    const H: i64 = 3600;

    /// Blocks of some sections of either class and kind, some near another, some that open late or close early.
    fn any_problem(below: &mut dyn FnMut(i64) -> i64) -> Problem {
        let days = 2 + below(5);
        let spans = |from: i64, long: i64| -> Vec<Stretch> {
            let starts = (0..days).map(|day| day * 24 * H + from);
            starts.map(|from| Stretch::new(from, from + long)).collect()
        };
        let count = 1 + below(6) as usize;
        let mut blocks: Vec<Block> = Vec::new();
        for at in 0..count {
            let mut units = Vec::new();
            for order in 1..=(1 + below(6) as u32) {
                let is_prework = order == 1 && below(2) == 0;
                for section_no in 1..=(1 + below(3) as u32) {
                    units.push(Unit {
                        key: SectionKey {
                            part: 1,
                            strip_no: if is_prework { 0 } else { order },
                            piece: order,
                            section_no,
                        },
                        kind: match is_prework {
                            true => StripKind::BoundaryPass,
                            false => StripKind::Interior,
                        },
                        class: match below(2) {
                            0 => ShiftClass::DayOnly,
                            _ => ShiftClass::NightSafe,
                        },
                        order,
                        work: 100_000 * (1 + below(120)),
                        slope: None,
                        window: None,
                    });
                }
            }
            let open = Stretch::new(below(2) * 24 * H, (days - below(2)) * 24 * H);
            blocks.push(Block {
                id: at.to_string(),
                place: [below(8000) as f64, below(8000) as f64],
                light: spans(8 * H + at as i64 * 60, 8 * H),
                open,
                priority: below(2),
                units,
                windows: vec![],
                near: vec![],
                only: Default::default(),
                needs: Default::default(),
            });
        }
        if count > 2 && below(2) == 0 {
            (blocks[0].near, blocks[1].near) = (vec![1], vec![0]);
        }
        let machines = (0..1 + below(3)).map(|at| {
            let spans = spans(below(24) * H, (4 + below(20)) * H);
            let windows = (0..).zip(spans).map(|(shift, span)| Window {
                span,
                shift,
                pace: 1000 + at * 90,
            });
            Machine {
                name: at.to_string(),
                kinds: vec![StripKind::BoundaryPass, StripKind::Interior],
                max_slope: 1.0,
                able: Default::default(),
                night: at != 1,
                windows: windows.collect(),
                upkeep: Default::default(),
                start: None,
            }
        });
        let machines = machines.collect();
        Problem {
            period: Stretch::new(0, days * 24 * H),
            blocks,
            machines,
            moves: Moves {
                detour: 1.2,
                walk_up_to_m: 2000.0,
                walk_m_per_s: 0.7,
                haul_m_per_s: 11.0,
                haul_fixed_s: 3600,
            },
            wood: Default::default(),
        }
    }

    /// Whatever habits a plan was made by: as tours it is as good, and nearly always the same.
    #[test]
    fn tours_of_a_plan_give_that_plan_again() {
        let mut seed = 99u64;
        let mut below = |bound: i64| {
            seed = seed
                .wrapping_mul(6364136223846793005)
                .wrapping_add(1442695040888963407);
            (seed >> 33) as i64 % bound
        };
        let (mut seen, mut same) = (0, 0);
        for case in 0..60 {
            let problem = any_problem(&mut below);
            let ground = Ground::new(&problem, None);
            let wishes = beginnings(&problem, &ground);
            let order = crate::schedule::territories::tours(&problem, &ground);
            let rounds = Rounds {
                order,
                habit: Default::default(),
            };
            let by_habit = wishes.iter().step_by(5);
            let plans = by_habit.map(|own| decode::plan(&problem, &ground, own, None));
            let round = decode::round_plan(&problem, &ground, &wishes[0], &rounds);
            for plan in plans.chain([round]) {
                let tours = of_plan(&problem, &ground, &plan, Second::MIN);
                let again = decode::plan(&problem, &ground, &wishes[0], Some(&tours));
                assert!(again.undone <= plan.undone, "case {case}: more is left");
                if plan.undone == 0 {
                    assert!(again.finish <= plan.finish, "case {case}: later");
                    assert!(again.moving_s <= plan.moving_s, "case {case}: more moves");
                    seen += 1;
                    same += usize::from(again == plan);
                }
            }
        }
        // Where two machines wait for the same block, the other may be the first of them.
        assert!(seen > 500 && same * 10 > seen * 8, "{same} of {seen}");
    }
}
