//! Makes tours better by small changes, worse ones taken at first and ever more seldom (simulated annealing, Kirkpatrick, Gelatt
//! and Vecchi 1983). The number of changes depends on the size of the problem alone.

use super::decode::{self, Fared, Ground, Score, Toured, Wishes};
use super::problem::Problem;
use super::tours::{Hold, Stay, Tours, Until};

/// Blocks that count as near another.
const NEAR: usize = 10;

/// What a change may weigh more at first, and at last, seconds of a machine.
const HOT_S: f64 = 3000.0;
const COLD_S: f64 = 100.0;

/// What work that is left weighs on top of its cost, so that a plan is found in which nothing is, where there is one.
const LEFT_WEIGHT: f64 = 15.0;

pub struct Annealed {
    pub score: Score,
    pub tours: Tours,
    pub tried: usize,
}

/// What the search makes small: the cost; how long each machine is at it, so that it counts too what one does that is not the
/// last to end; and how early the work is done, so that a change pays that saves time long before the end.
pub(super) fn weight(problem: &Problem, toured: &Toured) -> f64 {
    let ends = toured.machines.iter();
    let sum: i64 = ends.map(|its| its.end - problem.period.from).sum();
    let machines = problem.machines.len() as f64;
    toured.score.cost_s as f64
        + sum as f64 / 2.0
        + 2.0 * machines * toured.mean_s
        + LEFT_WEIGHT * toured.score.undone as f64 / 1000.0
}

impl Annealed {
    /// Takes tours that are better.
    fn offer(&mut self, score: Score, tours: &Tours) {
        if score < self.score {
            self.score = score;
            self.tours = tours.clone();
        }
    }
}

/// What does not change while tours do.
pub struct Annealing<'p> {
    pub problem: &'p Problem,
    pub ground: &'p Ground,
    /// How long a former plan is kept.
    pub wishes: &'p Wishes,
    /// For each block those near it.
    pub near: Vec<Vec<usize>>,
}

impl<'p> Annealing<'p> {
    pub fn new(problem: &'p Problem, ground: &'p Ground, wishes: &'p Wishes) -> Annealing<'p> {
        Annealing {
            problem,
            ground,
            wishes,
            near: near_blocks(problem, ground),
        }
    }

    pub fn score(&self, tours: &Tours) -> Toured {
        decode::score_tours(self.problem, self.ground, self.wishes, tours)
    }

    /// Makes tours better by so many changes.
    pub fn anneal(&self, start: Tours, tries: usize, chance: &mut Chance) -> Annealed {
        let (problem, ground) = (self.problem, self.ground);
        let mut tours = start;
        let mut first = self.score(&tours);
        let mut known: Vec<Option<Fared>> = vec![None; problem.machines.len()];
        if trim(&mut tours, &first, &mut known) {
            first = self.score(&tours);
        }
        let mut now = weight(problem, &first);
        let mut best = Annealed {
            score: first.score,
            tours: tours.clone(),
            tried: 1,
        };
        let may_be_apart = ground.is_judged_by_sums(problem);
        let cooling = (COLD_S / HOT_S).powf(1.0 / tries.max(1) as f64);
        let mut heat = HOT_S;
        let mut is_apart = may_be_apart && are_apart(problem, &tours);
        for _ in 0..tries {
            heat *= cooling;
            let mut other = tours.clone();
            if !change(problem, &self.near, &mut other, chance) {
                continue;
            }
            let stays_apart = may_be_apart && are_apart(problem, &other);
            // Tours that cross are dear to judge and seldom better.
            if is_apart && !stays_apart && chance.below(1 + problem.blocks.len() as u64 * 2) > 0 {
                continue;
            }
            let apart = stays_apart.then(|| {
                let pairs = tours.stays.iter().zip(&other.stays).zip(&known);
                let before =
                    pairs.map(|((own, other), known)| known.clone().filter(|_| own == other));
                decode::score_apart(problem, ground, self.wishes, &other, before.collect())
            });
            let mut found = apart.flatten().unwrap_or_else(|| self.score(&other));
            best.tried += 1;
            best.offer(found.score, &other);
            let luck = (chance.below(1 << 20) as f64 + 1.0) / f64::from(1 << 20);
            if weight(problem, &found) > now - heat * luck.ln() {
                continue;
            }
            if trim(&mut other, &found, &mut known) {
                found = self.score(&other);
                best.offer(found.score, &other);
            }
            now = weight(problem, &found);
            tours = other;
            is_apart = may_be_apart && are_apart(problem, &tours);
        }
        best
    }
}

/// Whether no machine has to do with another: no block is on two tours, none near one on another tour, and each on some tour.
fn are_apart(problem: &Problem, tours: &Tours) -> bool {
    let mut owner = vec![usize::MAX; problem.blocks.len()];
    for (machine, stays) in tours.stays.iter().enumerate() {
        for stay in stays {
            let its = &mut owner[stay.block];
            if *its != usize::MAX && *its != machine {
                return false;
            }
            *its = machine;
        }
    }
    problem.blocks.iter().zip(&owner).all(|(block, own)| {
        block.units.is_empty()
            || *own != usize::MAX
                && block
                    .near
                    .iter()
                    .all(|&other| owner[other] == *own || owner[other] == usize::MAX)
    })
}

/// Leaves out stays in which nothing was cut, and says how machines fare whose tours stay as they are. Whether there were any.
fn trim(tours: &mut Tours, toured: &Toured, known: &mut Vec<Option<Fared>>) -> bool {
    known.clear();
    let mut trimmed = false;
    for (stays, fared) in tours.stays.iter_mut().zip(&toured.machines) {
        let mut used = fared.used.iter();
        let many = stays.len();
        stays.retain(|_| *used.next().unwrap_or(&true));
        trimmed |= stays.len() < many;
        let holds = toured.apart && stays.len() == many;
        known.push(holds.then(|| fared.clone()));
    }
    trimmed
}

/// For each block those with work that are nearest, nearest first.
fn near_blocks(problem: &Problem, ground: &Ground) -> Vec<Vec<usize>> {
    let blocks = 0..problem.blocks.len();
    let with_work = || {
        blocks
            .clone()
            .filter(|&block| !problem.blocks[block].units.is_empty())
    };
    let of = |block: usize| {
        let mut others: Vec<usize> = with_work().filter(|&other| other != block).collect();
        others.sort_by_key(|&other| (ground.way(block, other), other));
        others.truncate(NEAR);
        others
    };
    blocks.clone().map(of).collect()
}

const ALL: [Until; 5] = [
    Until::Done,
    Until::Stuck,
    Until::DayWorkDone,
    Until::Daybreak,
    Until::Dusk,
];

/// A stay without its times: elsewhere they mean nothing.
fn loose(stay: Stay) -> Stay {
    let hold = match stay.hold {
        Hold::Within(_) => Hold::InTurn,
        hold => hold,
    };
    Stay { hold, ..stay }
}

/// A place on a tour.
type At = (usize, usize);

/// Changes a little; false: there was nothing to change.
fn change(problem: &Problem, near: &[Vec<usize>], tours: &mut Tours, chance: &mut Chance) -> bool {
    let machines = problem.machines.len();
    let any = |tours: &Tours, chance: &mut Chance| -> Option<At> {
        let sum: usize = tours.stays.iter().map(Vec::len).sum();
        if sum == 0 {
            return None;
        }
        let mut at = chance.below(sum as u64) as usize;
        for (machine, own) in tours.stays.iter().enumerate() {
            if at < own.len() {
                return Some((machine, at));
            }
            at -= own.len();
        }
        None
    };
    // Beside a stay in a block near by, or in the same one, else anywhere.
    let beside = |tours: &Tours, block: usize, chance: &mut Chance| -> At {
        let list = &near[block];
        let wanted = match chance.below(8) {
            0 => Some(block),
            1 => None,
            _ if list.is_empty() => None,
            _ => Some(list[(chance.below(list.len() as u64)) as usize]),
        };
        if let Some(wanted) = wanted {
            let stays = tours.stays.iter().enumerate();
            let mut places: Vec<At> = stays
                .flat_map(|(machine, own)| {
                    let own = own.iter().enumerate();
                    own.filter(|(_, stay)| stay.block == wanted)
                        .map(move |(at, _)| (machine, at))
                })
                .collect();
            if !places.is_empty() {
                let (machine, at) = places.swap_remove(chance.below(places.len() as u64) as usize);
                return (machine, at + chance.below(2) as usize);
            }
        }
        let machine = chance.below(machines as u64) as usize;
        (
            machine,
            chance.below(tours.stays[machine].len() as u64 + 1) as usize,
        )
    };
    let Some((machine, at)) = any(tours, chance) else {
        return false;
    };
    let stay = tours.stays[machine][at];
    if matches!(stay.hold, Hold::Within(_)) && chance.below(4) == 0 {
        let long = [1, 4, 16, usize::MAX][chance.below(4) as usize];
        for stay in tours.stays[machine][at..].iter_mut().take(long) {
            *stay = loose(*stay);
        }
        return true;
    }
    if chance.below(3) == 0 {
        return join(near, tours, stay.block, chance);
    }
    match chance.below(20) {
        // Elsewhere.
        0..=5 => {
            tours.stays[machine].remove(at);
            let (to, place) = beside(tours, stay.block, chance);
            tours.stays[to].insert(place, loose(stay));
        }
        // A stretch of the tour, perhaps turned round.
        6..=8 => {
            let long = (1 + chance.below(8) as usize).min(tours.stays[machine].len() - at);
            let piece = tours.stays[machine].drain(at..at + long);
            let mut piece: Vec<Stay> = piece.map(loose).collect();
            if chance.below(3) == 0 {
                piece.reverse();
            }
            let (to, place) = beside(tours, stay.block, chance);
            tours.stays[to].splice(place..place, piece);
        }
        9 => {
            let long = (2 + chance.below(10) as usize).min(tours.stays[machine].len() - at);
            let piece = &mut tours.stays[machine][at..at + long];
            piece.reverse();
            for stay in piece {
                *stay = loose(*stay);
            }
        }
        10 => {
            let Some((other, there)) = any(tours, chance) else {
                return false;
            };
            let theirs = tours.stays[other][there];
            tours.stays[other][there] = loose(stay);
            tours.stays[machine][at] = loose(theirs);
        }
        11..=14 => {
            let stay = &mut tours.stays[machine][at];
            if chance.below(3) == 0 {
                stay.hold = match stay.hold {
                    Hold::Free => Hold::InTurn,
                    _ => Hold::Free,
                };
            } else {
                *stay = loose(*stay);
                stay.until = ALL[chance.below(5) as usize];
            }
        }
        // One stay more in the same block.
        15..=17 => {
            let first = &mut tours.stays[machine][at];
            *first = loose(*first);
            first.until = ALL[1 + chance.below(4) as usize];
            let (to, place) = match chance.below(2) {
                0 => beside(tours, stay.block, chance),
                _ => {
                    let after = (at + 1 + chance.below(8) as usize).min(tours.stays[machine].len());
                    (machine, after)
                }
            };
            let until = ALL[chance.below(5) as usize];
            tours.stays[to].insert(place, Stay::free(stay.block, until));
        }
        18 => {
            tours.stays[machine].remove(at);
        }
        _ => {
            let other = chance.below(machines as u64) as usize;
            if other == machine {
                return false;
            }
            let (_, there) = beside(tours, stay.block, chance);
            let there = there.min(tours.stays[other].len());
            let mine = tours.stays[machine].split_off(at);
            let theirs = tours.stays[other].split_off(there);
            tours.stays[machine].extend(theirs);
            tours.stays[other].extend(mine);
        }
    }
    true
}

/// Lets a block be worked as one near it: with each of its stays, before or after it.
fn join(near: &[Vec<usize>], tours: &mut Tours, block: usize, chance: &mut Chance) -> bool {
    let list = &near[block];
    if list.is_empty() {
        return false;
    }
    let model = list[chance.below(list.len() as u64) as usize];
    if !tours.stays.iter().flatten().any(|stay| stay.block == model) {
        return false;
    }
    let after = chance.below(2) == 1;
    for stays in &mut tours.stays {
        stays.retain(|stay| stay.block != block);
        let mut at = 0;
        while at < stays.len() {
            if stays[at].block == model {
                let Stay { until, hold, .. } = loose(stays[at]);
                stays.insert(at + usize::from(after), Stay { block, until, hold });
                at += 1;
            }
            at += 1;
        }
    }
    true
}

/// A small generator of our own (xorshift, Marsaglia 2003): the same numbers everywhere.
pub struct Chance(pub u64);

impl Chance {
    pub(super) fn below(&mut self, bound: u64) -> u64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        if bound == 0 {
            0
        } else {
            (self.0 >> 11) % bound
        }
    }
}
