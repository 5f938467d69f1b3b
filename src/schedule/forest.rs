//! What moves between blocks take of the light at the least: the shortest forest that joins the stops, with prices on stops that many
//! of its moves meet, since a machine comes to a stop once and goes from it once (Held and Karp 1971).

use super::problem::{Moves, Problem, STANDARD_PACE, Unit, seconds_for};
use super::queue::Queue;

/// What so many stops take where machines come to them in so many stretches of light.
///
/// **What is counted.** A block that needs light is a stop. One that needs light before and after night-safe work is two: its first
/// work and its last. In one stretch of light of one machine, the stops that it comes to are a path. From a stop of one block to
/// a stop of another it moves by that light, and takes no less than [`least_s`], whatever other blocks it comes through. From a
/// block's first stop straight to its last it does by that light the night-safe work between. So a plan has as many paths as there are stretches at the
/// most, which together hold each stop once: a forest of all stops in which no stop has more than two of the branches.
///
/// **Why it is a bound.** Whatever prices (not negative) are put on stops and added to each branch that meets them, such a forest's
/// branches with prices are no more than without them and twice the sum of prices; and no less than those of the shortest forest
/// with prices, which is the shortest tree (Prim 1957) without its longest branches.
pub struct Forest {
    /// Of the shortest tree, with prices, shortest first, seconds.
    branches: Vec<i64>,
    /// Of all stops, twice.
    prices: i64,
}

/// No move between two places takes less, whatever places lie between: it is walked all the way, or some of it is a haul.
fn least_s(moves: &Moves, from: [f64; 2], to: [f64; 2]) -> i64 {
    let way = (from[0] - to[0]).hypot(from[1] - to[1]) * moves.detour;
    if way <= 0.0 {
        return 0;
    }
    let fastest = moves.haul_m_per_s.max(moves.walk_m_per_s);
    let walked = way / moves.walk_m_per_s;
    let hauled = moves.haul_fixed_s as f64 + way.max(moves.walk_up_to_m) / fastest;
    // Rounded down: a second less than a whole one is no wrong.
    walked.min(hauled).floor() as i64
}

impl Forest {
    /// With prices that are made for so many stretches of light.
    pub fn new(problem: &Problem, stretches: usize) -> Forest {
        let stops = Stops::new(problem);
        let many = stops.blocks.len();
        let mut prices = vec![0i64; many];
        let mut best = stops.forest(&prices).0;
        let mut step = best.branches.iter().sum::<i64>() as f64 / many.max(1) as f64 / 4.0;
        let mut before = vec![0i64; many];
        for _ in 0..(MOST_STEPS_WORK / (many * many).max(1)).clamp(LEAST_STEPS, MOST_STEPS) {
            let (_, joined) = stops.forest(&prices);
            let mut meets = vec![-2i64; many];
            for &(_, a, b) in &joined[..joined.len().saturating_sub(stretches.saturating_sub(1))] {
                meets[a] += 1;
                meets[b] += 1;
            }
            for stop in 0..many {
                let turn = 0.7 * meets[stop] as f64 + 0.3 * before[stop] as f64;
                prices[stop] = (prices[stop] + (step * turn) as i64).max(0);
            }
            before = meets;
            step *= 0.96;
            let (found, _) = stops.forest(&prices);
            if found.seconds(stretches) > best.seconds(stretches) {
                best = found;
            }
        }
        best
    }

    /// Seconds of light that machines move, or do night-safe work, in so many stretches of light.
    pub fn seconds(&self, stretches: usize) -> i64 {
        let kept = (self.branches.len() + 1).saturating_sub(stretches);
        let kept = kept.min(self.branches.len());
        (self.branches[..kept].iter().sum::<i64>() - self.prices).max(0)
    }
}

/// Squares of stops that are looked at in all, so that a large problem is not dear.
const MOST_STEPS_WORK: usize = 150_000_000;
const LEAST_STEPS: usize = 10;
const MOST_STEPS: usize = 120;

/// A branch of a tree: its length, and the stops it joins.
type Branch = (i64, usize, usize);

struct Stops {
    /// Of each stop its block, as a row of `ways`.
    blocks: Vec<usize>,
    /// Seconds between blocks, row by row; of a block and itself, of the night-safe work between its stops.
    ways: Vec<i64>,
    rows: usize,
}

impl Stops {
    fn new(problem: &Problem) -> Stops {
        let windows = problem.machines.iter().flat_map(|machine| &machine.windows);
        let fastest = windows.map(|window| window.pace).min();
        let fastest = fastest.unwrap_or(STANDARD_PACE);
        let all = problem.blocks.iter();
        let lit: Vec<_> = all
            .filter(|block| block.units.iter().any(Unit::needs_light))
            .collect();
        let mut stops = Stops {
            blocks: vec![],
            ways: Vec::with_capacity(lit.len() * lit.len()),
            rows: lit.len(),
        };
        for (row, block) in lit.iter().enumerate() {
            let between = seconds_for(Queue::new(block).between_lights(), fastest);
            stops.blocks.push(row);
            if between > 0 {
                stops.blocks.push(row);
            }
            for other in &lit {
                stops
                    .ways
                    .push(least_s(&problem.moves, block.place, other.place));
            }
            // Rounded up by `seconds_for`.
            stops.ways[row * lit.len() + row] = (between - 1).max(0);
        }
        stops
    }

    /// The shortest tree with prices, and its branches, shortest first.
    fn forest(&self, prices: &[i64]) -> (Forest, Vec<Branch>) {
        let many = self.blocks.len();
        let mut joined: Vec<Branch> = Vec::with_capacity(many);
        let mut left: Vec<usize> = (1..many).collect();
        let mut near = vec![(i64::MAX, 0); many];
        let mut last = 0;
        while !left.is_empty() {
            let row = &self.ways[self.blocks[last] * self.rows..][..self.rows];
            let (mut least, mut next) = (i64::MAX, 0);
            for (at, &stop) in left.iter().enumerate() {
                let long = row[self.blocks[stop]] + prices[last] + prices[stop];
                if long < near[stop].0 {
                    near[stop] = (long, last);
                }
                if near[stop].0 < least {
                    (least, next) = (near[stop].0, at);
                }
            }
            let stop = left.swap_remove(next);
            joined.push((least, near[stop].1, stop));
            last = stop;
        }
        joined.sort_unstable();
        let forest = Forest {
            branches: joined.iter().map(|branch| branch.0).collect(),
            prices: 2 * prices.iter().sum::<i64>(),
        };
        (forest, joined)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::{SectionKey, ShiftClass, StripKind};
    use crate::schedule::problem::{Block, Machine, Window};
    use crate::schedule::time::Stretch;

    fn block(place: [f64; 2], classes: &[ShiftClass]) -> Block {
        let units = (1..).zip(classes).map(|(section_no, &class)| Unit {
            key: SectionKey {
                part: 1,
                strip_no: 1,
                piece: 1,
                section_no,
            },
            kind: StripKind::Interior,
            class,
            order: 1,
            work: 1_500_000,
            slope: None,
            window: None,
        });
        Block {
            id: String::new(),
            place,
            light: vec![Stretch::new(0, 86_400)],
            open: Stretch::new(0, 86_400),
            priority: 0,
            units: units.collect(),
            windows: vec![],
            near: vec![],
            only: Default::default(),
            needs: Default::default(),
        }
    }

    /// The least that ways through all stops take, in so many parts at the most, by trying all of them: of each stop its block,
    /// in the order in which they are come to, and how many parts have begun.
    fn by_trying(
        way: &dyn Fn(usize, usize) -> i64,
        left: &mut Vec<usize>,
        last: usize,
        parts: usize,
    ) -> i64 {
        if left.is_empty() {
            return 0;
        }
        let mut least = i64::MAX / 2;
        for at in 0..left.len() {
            let stop = left.swap_remove(at);
            least = least.min(way(last, stop) + by_trying(way, left, stop, parts));
            if parts > 1 {
                least = least.min(by_trying(way, left, stop, parts - 1));
            }
            left.push(stop);
            let end = left.len() - 1;
            left.swap(at, end);
        }
        least
    }

    #[test]
    fn no_way_through_the_stops_takes_less() {
        let mut seed = 5u64;
        let mut below = |bound: u64| {
            seed = seed
                .wrapping_mul(6364136223846793005)
                .wrapping_add(1442695040888963407);
            (seed >> 33) % bound
        };
        let (mut sum, mut tried) = (0.0, 0);
        for _ in 0..60 {
            let count = 2 + below(3) as usize;
            let blocks: Vec<Block> = (0..count)
                .map(|_| {
                    let place = [below(9000) as f64, below(9000) as f64];
                    use ShiftClass::{DayOnly, NightSafe};
                    match below(2) {
                        0 => block(place, &[DayOnly, NightSafe, DayOnly]),
                        _ => block(place, &[DayOnly]),
                    }
                })
                .collect();
            let machine = Machine {
                name: String::new(),
                kinds: vec![StripKind::Interior],
                max_slope: 1.0,
                able: Default::default(),
                night: true,
                windows: vec![Window {
                    span: Stretch::new(0, 86_400),
                    shift: 0,
                    pace: 1000,
                }],
                upkeep: Default::default(),
                start: None,
            };
            let problem = Problem {
                period: Stretch::new(0, 86_400),
                moves: Moves {
                    detour: 1.3,
                    walk_up_to_m: 2500.0,
                    walk_m_per_s: 0.7,
                    haul_m_per_s: 11.0,
                    haul_fixed_s: 2000,
                },
                machines: vec![machine],
                wood: Default::default(),
                blocks,
            };
            let stops: Vec<usize> = (0..count)
                .flat_map(|at| vec![at; 1 + usize::from(problem.blocks[at].units.len() > 1)])
                .collect();
            let way = |from: usize, to: usize| match (stops[from], stops[to]) {
                // The night-safe section between.
                (a, b) if a == b => 1500,
                (a, b) => {
                    let place = |at: usize| problem.blocks[at].place;
                    problem.moves.seconds(place(a), place(b))
                }
            };
            for parts in 1..=3 {
                let least = (0..stops.len()).map(|first| {
                    let mut left: Vec<usize> =
                        (0..stops.len()).filter(|own| *own != first).collect();
                    by_trying(&way, &mut left, first, parts)
                });
                let least = least.min().unwrap_or(0);
                let bound = Forest::new(&problem, parts).seconds(parts);
                assert!(bound <= least, "{bound} {least}");
                if least > 0 {
                    sum += bound as f64 / least as f64;
                    tried += 1;
                }
            }
        }
        // It is not far from it either.
        assert!(sum > 0.9 * f64::from(tried), "{} of {tried}", sum);
    }
}
