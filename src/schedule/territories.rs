//! Plans as people make them: each machine has the blocks of one neighbourhood and goes through them on a tour, one block after
//! the other.

use super::decode::{Ground, Wishes};
use super::problem::Problem;
use super::search::LEAST_STAY_S;
use super::time::{Second, total};

/// Wishes for tours through territories, with and without leaving blocks for light or for night work.
pub fn wishes(problem: &Problem, ground: &Ground) -> Vec<Wishes> {
    let blocks = problem.blocks.len();
    let mut machine = vec![None; blocks];
    let mut rank = vec![0; blocks];
    let step_s = longest_way(problem) + 1;
    for (number, tour) in tours(problem, ground).into_iter().enumerate() {
        for (at, block) in (0i64..).zip(tour) {
            machine[block] = Some(number);
            rank[block] = at * step_s;
        }
    }
    let mut all = Vec::new();
    for turn in 0..128 {
        all.push(Wishes {
            rank: rank.clone(),
            machine: machine.clone(),
            stay: vec![turn & 1 > 0; blocks],
            strict: turn & 2 > 0,
            roam_by_day: turn & 32 > 0,
            roam_by_night: turn & 4 > 0,
            patient: turn & 8 > 0,
            gain: if turn & 16 > 0 { 3 } else { 1 },
            least_stay_s: if turn & 64 > 0 { LEAST_STAY_S } else { 0 },
            keep_until: Second::MIN,
        });
    }
    all
}

fn longest_way(problem: &Problem) -> i64 {
    let blocks = problem.blocks.iter();
    let ways = blocks.flat_map(|a| {
        let others = problem.blocks.iter();
        others.map(|b| problem.moves.seconds(a.place, b.place))
    });
    ways.max().unwrap_or(0)
}

/// For each machine its blocks with work, in the order of its tour.
pub(super) fn tours(problem: &Problem, ground: &Ground) -> Vec<Vec<usize>> {
    let work = |block: usize| {
        let left = ground.queues[block].left(&Default::default());
        left[0] + left[1]
    };
    let with_work: Vec<usize> = (0..problem.blocks.len())
        .filter(|&block| work(block) > 0)
        .collect();
    // A machine has as much of the work as it has of all machines' time.
    let shares: Vec<f64> = (problem.machines.iter())
        .map(|machine| total(&machine.spans()) as f64)
        .collect();
    let mut territories = vec![vec![]; shares.len()];
    let machines: Vec<usize> = (0..shares.len()).collect();
    let work_h = |block: usize| work(block) as f64;
    part(
        problem,
        &work_h,
        &shares,
        machines,
        with_work,
        &mut territories,
    );
    (territories.into_iter().enumerate())
        .map(|(machine, blocks)| tour(problem, problem.machines[machine].start, blocks))
        .collect()
}

/// Parts blocks among machines by lines square to where they spread most (recursive coordinate bisection, Berger and Bokhari
/// 1987), each side with work in the proportion of its machines' time. Machines that stand somewhere get the side they stand on.
fn part(
    problem: &Problem,
    work: &dyn Fn(usize) -> f64,
    shares: &[f64],
    mut machines: Vec<usize>,
    mut blocks: Vec<usize>,
    territories: &mut [Vec<usize>],
) {
    if let [only] = machines[..] {
        territories[only] = blocks;
        return;
    }
    if machines.is_empty() {
        return;
    }
    let place = |block: usize| problem.blocks[block].place;
    let spread = |axis: usize| {
        let ends = blocks.iter().map(|&block| place(block)[axis]);
        let (low, high) = ends.fold((f64::MAX, f64::MIN), |(low, high), at| {
            (low.min(at), high.max(at))
        });
        high - low
    };
    let axis = usize::from(spread(1) > spread(0));
    blocks.sort_by(|&a, &b| place(a)[axis].total_cmp(&place(b)[axis]).then(a.cmp(&b)));
    let middle = blocks
        .get(blocks.len() / 2)
        .map_or(0.0, |&block| place(block)[axis]);
    let stands = |machine: usize| {
        problem.machines[machine]
            .start
            .map_or(middle, |at| at[axis])
    };
    machines.sort_by(|&a, &b| stands(a).total_cmp(&stands(b)).then(a.cmp(&b)));
    let others = machines.split_off(machines.len() / 2);
    let sum = |of: &[usize]| of.iter().map(|&machine| shares[machine]).sum::<f64>();
    let share = sum(&machines) / (sum(&machines) + sum(&others)).max(1.0);
    let wanted = share * blocks.iter().map(|&block| work(block)).sum::<f64>();
    let mut done = 0.0;
    let at = blocks.iter().position(|&block| {
        let own = work(block);
        done += own;
        done - own / 2.0 > wanted
    });
    let rest = blocks.split_off(at.unwrap_or(blocks.len()));
    part(problem, work, shares, machines, blocks, territories);
    part(problem, work, shares, others, rest, territories);
}

/// A short tour from where the machine stands: nearest first, then stretches of it turned round for as long as that helps.
/// Smaller priorities go first, whatever the way.
fn tour(problem: &Problem, start: Option<[f64; 2]>, blocks: Vec<usize>) -> Vec<usize> {
    let mut priorities: Vec<i64> = blocks.iter().map(|&b| problem.blocks[b].priority).collect();
    priorities.sort_unstable();
    priorities.dedup();
    let mut tour: Vec<usize> = Vec::new();
    let mut from = start;
    for priority in priorities {
        let own = blocks.iter().copied();
        let own = own.filter(|&block| problem.blocks[block].priority == priority);
        let leg = short_way(problem, from, own.collect());
        from = leg
            .last()
            .map(|&block| problem.blocks[block].place)
            .or(from);
        tour.extend(leg);
    }
    tour
}

fn short_way(problem: &Problem, start: Option<[f64; 2]>, mut left: Vec<usize>) -> Vec<usize> {
    let place = |block: usize| problem.blocks[block].place;
    let way = |from: Option<[f64; 2]>, to: usize| {
        from.map_or(0, |from| problem.moves.seconds(from, place(to)))
    };
    let mut tour: Vec<usize> = Vec::new();
    let mut at = start;
    while let Some(next) = (0..left.len()).min_by_key(|&k| (way(at, left[k]), left[k])) {
        let block = left.swap_remove(next);
        at = Some(place(block));
        tour.push(block);
        left.sort_unstable();
    }
    let before = |tour: &[usize], k: usize| match k {
        0 => start,
        _ => Some(place(tour[k - 1])),
    };
    // Each turn makes the tour shorter, so this ends; the bound keeps it quick.
    for _ in 0..tour.len() * 4 {
        let mut best: Option<(i64, usize, usize)> = None;
        for a in 0..tour.len() {
            for b in a + 1..tour.len() {
                let after = tour.get(b + 1);
                let out = |to: usize| after.map_or(0, |&next| way(Some(place(to)), next));
                let now = way(before(&tour, a), tour[a]) + out(tour[b]);
                let turned = way(before(&tour, a), tour[b]) + out(tour[a]);
                let gain = now - turned;
                if gain > 0 && best.is_none_or(|(most, ..)| gain > most) {
                    best = Some((gain, a, b));
                }
            }
        }
        let Some((_, a, b)) = best else { break };
        tour[a..=b].reverse();
    }
    tour
}
