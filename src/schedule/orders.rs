//! Makes the orders of rounds better by small changes (simulated annealing, as in [`super::anneal`]): a few blocks elsewhere, a stretch
//! turned round, two blocks or the ends of two rounds exchanged. What is judged is the plan that comes of them.

use super::anneal::{Annealing, Chance, weight};
use super::decode::{self, Ground, Habit, Rounds, Score, Toured};
use super::problem::Problem;
use super::time::total;

/// What a change may weigh more at first, and at last, seconds of a machine.
const HOT_S: f64 = 3000.0;
const COLD_S: f64 = 200.0;

/// One of so many changes is another habit.
const NEW_HABIT: u64 = 60;

/// The best rounds found.
pub struct Found {
    pub score: Score,
    pub rounds: Rounds,
    pub tried: usize,
}

/// Rounds from orders to begin with, by some habits, made better by so many changes.
pub fn find(
    annealing: &Annealing,
    order: Vec<Vec<usize>>,
    tries: usize,
    chance: &mut Chance,
) -> Found {
    let Annealing {
        problem,
        ground,
        wishes,
        near,
    } = annealing;
    let able = able(problem);
    let order = at_home(problem, &able, order);
    let order = shortened(problem, ground, near, &able, order, chance);
    let machines = problem.machines.len();
    let score = |rounds: &Rounds| {
        let apart = is_apart(problem, ground, &rounds.order);
        decode::score_rounds(problem, ground, wishes, rounds, vec![None; machines], apart)
    };
    let mut found: Option<(f64, Found)> = None;
    let mut tried = 0;
    let mut by_habit = |order: &[Vec<usize>], found: &mut Option<(f64, Found)>| {
        for habit in habits() {
            let rounds = Rounds {
                order: order.to_vec(),
                habit,
            };
            let (toured, _) = score(&rounds);
            tried += 1;
            let weighs = weight(problem, &toured);
            if found.as_ref().is_none_or(|(least, _)| weighs < *least) {
                let score = toured.score;
                *found = Some((
                    weighs,
                    Found {
                        score,
                        rounds,
                        tried: 0,
                    },
                ));
            }
        }
    };
    by_habit(&order, &mut found);
    let mut best = found.expect("there are habits");
    let mut now = best.1.rounds.clone();
    let (first, mut known) = score(&now);
    let mut weighs = weight(problem, &first);
    let cooling = (COLD_S / HOT_S).powf(1.0 / tries.max(1) as f64);
    let mut heat = HOT_S;
    for _ in 0..tries {
        heat *= cooling;
        let mut other = now.clone();
        let touched = match chance.below(NEW_HABIT) {
            0 => {
                let habits = habits();
                other.habit = habits[chance.below(habits.len() as u64) as usize];
                Some((0..machines).collect())
            }
            _ => change(near, &mut other.order, chance),
        };
        let Some(touched) = touched else {
            continue;
        };
        if !fits(problem, &able, &other.order, &touched) {
            continue;
        }
        let apart = is_apart(problem, ground, &other.order);
        let mut before = known.clone();
        for &machine in &touched {
            before[machine] = None;
        }
        let (toured, after): (Toured, _) =
            decode::score_rounds(problem, ground, wishes, &other, before, apart);
        best.1.tried += 1;
        let trial = weight(problem, &toured);
        let luck = (chance.below(1 << 20) as f64 + 1.0) / f64::from(1 << 20);
        if trial > weighs - heat * luck.ln() {
            continue;
        }
        (now, weighs, known) = (other, trial, after);
        if weighs < best.0 {
            let tried = best.1.tried;
            let (rounds, score) = (now.clone(), toured.score);
            best = (
                weighs,
                Found {
                    score,
                    rounds,
                    tried,
                },
            );
        }
    }
    let tried_so_far = best.1.tried;
    let order = best.1.rounds.order.clone();
    let mut found = Some(best);
    by_habit(&order, &mut found);
    let (_, best) = found.expect("it was found before");
    Found {
        tried: tried_so_far + tried,
        ..best
    }
}

/// Whether machines may work in the blocks of their rounds, and smaller priorities come first.
fn fits(problem: &Problem, able: &[Vec<bool>], order: &[Vec<usize>], touched: &[usize]) -> bool {
    touched.iter().all(|&machine| {
        let own = &order[machine];
        let priorities = own.iter().map(|&block| problem.blocks[block].priority);
        own.iter().all(|&block| able[block][machine]) && priorities.is_sorted()
    })
}

/// Changes for each block by which orders are made short before plans are made of them.
const SHORT_TRIES: usize = 2000;

/// Orders with short moves from block to block, and machines that are done about together.
fn shortened(
    problem: &Problem,
    ground: &Ground,
    near: &[Vec<usize>],
    able: &[Vec<bool>],
    order: Vec<Vec<usize>>,
    chance: &mut Chance,
) -> Vec<Vec<usize>> {
    let time: Vec<f64> = (problem.machines.iter())
        .map(|machine| total(&machine.spans()).max(1) as f64)
        .collect();
    let sum: f64 = time.iter().sum();
    // Seconds of moving, and of a machine's share of all time.
    let of = |order: &[Vec<usize>], machine: usize| -> (i64, f64) {
        let own = &order[machine];
        let ways: i64 = own.windows(2).map(|two| ground.way(two[0], two[1])).sum();
        let first = problem.machines[machine].start.zip(own.first());
        let first = first.map_or(0, |(from, &to)| {
            problem.moves.seconds(from, problem.blocks[to].place)
        });
        let work: i64 = own.iter().map(|&block| ground.queues[block].total()).sum();
        // Each way is gone about three times: for the first work, by night, and for the last.
        let taken = work as f64 / 1000.0 + 3.0 * (ways + first) as f64;
        (
            ways + first,
            taken * sum / time[machine] / time.len() as f64,
        )
    };
    let weighs = |parts: &[(i64, f64)]| {
        let ways: i64 = parts.iter().map(|part| part.0).sum();
        let longest = parts.iter().map(|part| part.1).fold(0.0, f64::max);
        3.0 * ways as f64 + longest * parts.len() as f64
    };
    let mut now = order;
    let mut parts: Vec<(i64, f64)> = (0..now.len()).map(|machine| of(&now, machine)).collect();
    let mut best = (weighs(&parts), now.clone());
    let mut weight = best.0;
    let blocks: usize = now.iter().map(Vec::len).sum();
    let tries = (blocks * SHORT_TRIES).min(1_000_000);
    let cooling = (COLD_S / HOT_S).powf(1.0 / tries.max(1) as f64);
    let mut heat = HOT_S;
    for _ in 0..tries {
        heat *= cooling;
        let mut other = now.clone();
        let Some(touched) = change(near, &mut other, chance) else {
            continue;
        };
        if !fits(problem, able, &other, &touched) {
            continue;
        }
        let mut others = parts.clone();
        for &machine in &touched {
            others[machine] = of(&other, machine);
        }
        let trial = weighs(&others);
        let luck = (chance.below(1 << 20) as f64 + 1.0) / f64::from(1 << 20);
        if trial <= weight - heat * luck.ln() {
            (now, parts, weight) = (other, others, trial);
            if weight < best.0 {
                best = (weight, now.clone());
            }
        }
    }
    best.1
}

fn habits() -> Vec<Habit> {
    let mut all = Vec::new();
    for finish_s in [0, 1800, 5400] {
        for gain_percent in [25, 60, 120] {
            for fits_percent in [50, 100] {
                for long_s in [3600, 3 * 3600] {
                    all.push(Habit {
                        finish_s,
                        gain_percent,
                        fits_percent,
                        long_s,
                    });
                }
            }
        }
    }
    all
}

/// Of each block which machines may cut all of it; where none may, those that may cut some of it.
fn able(problem: &Problem) -> Vec<Vec<bool>> {
    let of = |block: &super::problem::Block| {
        let may = |all: bool| -> Vec<bool> {
            let machines = problem.machines.iter();
            machines
                .map(|machine| {
                    let mut units = block.units.iter();
                    block.only.takes(&machine.name)
                        && match all {
                            true => units.all(|unit| machine.may_cut(unit)),
                            false => units.any(|unit| machine.may_cut(unit)),
                        }
                })
                .collect()
        };
        let whole = may(true);
        match whole.contains(&true) {
            true => whole,
            false => may(false),
        }
    };
    problem.blocks.iter().map(of).collect()
}

/// The same orders with each block on the round of a machine that may work there, which is the one with the shortest round.
fn at_home(problem: &Problem, able: &[Vec<bool>], mut order: Vec<Vec<usize>>) -> Vec<Vec<usize>> {
    let mut strangers = Vec::new();
    for (machine, own) in order.iter_mut().enumerate() {
        strangers.extend(own.extract_if(.., |block| !able[*block][machine]));
    }
    for block in strangers {
        let may = (0..order.len()).filter(|&machine| able[block][machine]);
        if let Some(home) = may.min_by_key(|&machine| (order[machine].len(), machine)) {
            let own = &mut order[home];
            let priority = |block: usize| problem.blocks[block].priority;
            let place = own.partition_point(|&other| priority(other) <= priority(block));
            own.insert(place, block);
        }
    }
    order
}

/// Whether no machine has to do with another: no block is near one on another round.
fn is_apart(problem: &Problem, ground: &Ground, order: &[Vec<usize>]) -> bool {
    if !ground.is_judged_by_sums(problem) {
        return false;
    }
    let mut owner = vec![usize::MAX; problem.blocks.len()];
    for (machine, own) in order.iter().enumerate() {
        for &block in own {
            owner[block] = machine;
        }
    }
    let alone = |block: usize| {
        let mut near = problem.blocks[block].near.iter();
        near.all(|&other| owner[other] == owner[block] || owner[other] == usize::MAX)
    };
    order.iter().flatten().all(|&block| alone(block))
}

/// Changes orders a little; which rounds are others, None: none.
fn change(
    near: &[Vec<usize>],
    order: &mut [Vec<usize>],
    chance: &mut Chance,
) -> Option<Vec<usize>> {
    let mut place = |below: usize| chance.below(below as u64) as usize;
    let sum: usize = order.iter().map(Vec::len).sum();
    if sum < 2 {
        return None;
    }
    let find = |order: &[Vec<usize>], block: usize| {
        let mut rounds = order.iter().enumerate();
        rounds.find_map(|(machine, own)| {
            let at = own.iter().position(|&other| other == block)?;
            Some((machine, at))
        })
    };
    let mut nth = place(sum);
    let mut machine = 0;
    while nth >= order[machine].len() {
        nth -= order[machine].len();
        machine += 1;
    }
    let (at, block) = (nth, order[machine][nth]);
    let list = &near[block];
    let beside = match list.len() {
        0 => None,
        many => find(order, list[place(many)]),
    };
    let kind = place(12);
    let (other, there) = match beside {
        Some(beside) if kind != 11 => beside,
        _ => {
            let other = place(order.len());
            (other, place(order[other].len() + 1))
        }
    };
    match kind {
        0..=5 | 11 => {
            let long = [1, 1, 1, 2, 3, 6][place(6)].min(order[machine].len() - at);
            let mut piece: Vec<usize> = order[machine].drain(at..at + long).collect();
            if place(2) == 0 {
                piece.reverse();
            }
            // Where it was taken out before it, the place has moved up.
            let there = match other == machine && there > at {
                true => there.saturating_sub(long).max(at),
                false => there,
            };
            let there = (there + place(2)).min(order[other].len());
            order[other].splice(there..there, piece);
        }
        6 | 7 if other == machine => {
            let (low, high) = (at.min(there), at.max(there));
            let high = high.min(order[machine].len() - 1);
            order[machine][low..=high].reverse();
        }
        8 | 9 if there < order[other].len() => {
            let theirs = order[other][there];
            order[machine][at] = theirs;
            order[other][there] = block;
        }
        _ if other != machine => {
            let mine = order[machine].split_off(at);
            let theirs = order[other].split_off(there);
            order[machine].extend(theirs);
            order[other].extend(mine);
        }
        _ => return None,
    }
    Some(match other == machine {
        true => vec![machine],
        false => vec![machine, other],
    })
}
