//! Looks for wishes that make a better plan: several beginnings, then small changes, each kept if it is no worse.
//! The number of tries depends on the size of the problem alone, so the same input gives the same plan.

use super::bound::{self, Bound};
use super::decode::{self, Ground, Score, Wishes};
use super::former::Former;
use super::problem::{Plan, Problem, Work};
use super::time::Second;

/// A plan and how near it is to the best there may be.
#[derive(Clone, Debug)]
pub struct Solved {
    pub plan: Plan,
    pub bound: Bound,
    /// Plans that were tried.
    pub tried: usize,
    /// What the plan was made from; None where there is nothing to plan.
    wishes: Option<Wishes>,
    former: Option<Former>,
}

impl Solved {
    /// Until when it keeps to the former plan, and that plan; None: there is none.
    pub fn keeps(&self) -> Option<(Second, &Former)> {
        let wishes = self.wishes.as_ref()?;
        Some((wishes.keep_until, self.former.as_ref()?))
    }
}

/// The plan with the same wishes for a problem that differs in the windows of its machines.
pub(super) fn again(problem: &Problem, solved: &Solved) -> Plan {
    match &solved.wishes {
        None => Plan::default(),
        Some(wishes) => {
            let ground = Ground::new(problem, solved.former.as_ref());
            decode::plan(problem, &ground, wishes)
        }
    }
}

/// Tries for small problems, and for large ones.
const MOST_TRIES: usize = 8000;
const LEAST_TRIES: usize = 80;
/// Of the beginnings every so many is tried with a former plan kept longer.
const FEW: usize = 7;

/// A plan that finishes as early as we find, with as little moving as we find.
pub fn solve(problem: &Problem) -> Solved {
    solve_after(problem, None)
}

/// The same after a former plan: what is frozen of it stays, and beyond that each shift that changes has its price.
pub fn solve_after(problem: &Problem, former: Option<&Former>) -> Solved {
    let ground = Ground::new(problem, former);
    let bound = bound::lower_bound(problem);
    let mut tried = 0;
    let mut best: Option<(Score, Wishes)> = None;
    let horizons = former.map_or(vec![Second::MIN], Former::horizons);
    let mut all = beginnings(problem, &ground);
    let several = horizons.iter().skip(1).flat_map(|&keep_until| {
        let few = all.iter().step_by(FEW);
        few.map(move |own| Wishes {
            keep_until,
            ..own.clone()
        })
    });
    let several: Vec<Wishes> = several.collect();
    for own in &mut all {
        own.keep_until = horizons[0];
    }
    for wishes in several.into_iter().chain(all) {
        let score = decode::score(problem, &ground, &wishes);
        tried += 1;
        if best.as_ref().is_none_or(|(least, _)| score < *least) {
            best = Some((score, wishes));
        }
    }
    let Some((mut score, mut wishes)) = best else {
        return Solved {
            plan: Plan::default(),
            bound,
            tried,
            wishes: None,
            former: None,
        };
    };
    let days = (problem.period.seconds() / 86_400).max(1) as usize;
    let size = problem.blocks.len().max(1) * problem.machines.len().max(1) * days;
    let tries = (4_000_000 / size).clamp(LEAST_TRIES, MOST_TRIES);
    let mut chance = Chance(0x9E37_79B9_7F4A_7C15);
    let scale = scale(problem);
    // Every so often the search sets out anew from another beginning.
    let legs = if tries > 1000 { 10 } else { 1 };
    let (mut least, mut kept) = (score, wishes.clone());
    for leg in 0..legs {
        if leg > 0 {
            let keep_until = kept.keep_until;
            wishes = scattered(problem, &mut chance, scale);
            wishes.keep_until = keep_until;
            score = decode::score(problem, &ground, &wishes);
        }
        for _ in 0..tries / legs {
            let other = changed(problem, (&wishes, score.ends), &mut chance, scale);
            let found = decode::score(problem, &ground, &other);
            tried += 1;
            if found <= score {
                (score, wishes) = (found, other);
            }
            if score < least {
                (least, kept) = (score, wishes.clone());
            }
        }
    }
    Solved {
        plan: decode::plan(problem, &ground, &kept),
        bound,
        tried,
        wishes: Some(kept),
        former: former.cloned(),
    }
}

/// Mean work of a block in seconds, the size of a change.
fn scale(problem: &Problem) -> i64 {
    let work: Work = problem
        .blocks
        .iter()
        .flat_map(|block| block.units.iter().map(|unit| unit.work))
        .sum();
    (work / 1000 / problem.blocks.len().max(1) as i64).max(60)
}

/// A stay that people call one.
pub(super) const LEAST_STAY_S: i64 = 7200;

fn beginnings(problem: &Problem, ground: &Ground) -> Vec<Wishes> {
    let blocks = problem.blocks.len();
    let left = |block: usize| ground.queues[block].left(&Default::default());
    // What stands nearest; what is soonest closed; the longest first; the one with most day-only work first.
    let nearest = vec![0; blocks];
    let closing = (0..blocks).map(|b| (problem.blocks[b].open.to - problem.period.to).min(0));
    let longest = (0..blocks).map(|b| -(left(b)[0] + left(b)[1]) / 1000);
    let darkest = (0..blocks).map(|b| -left(b)[0] / 1000);
    let mut ranks = vec![
        nearest,
        closing.collect(),
        longest.collect(),
        darkest.collect::<Vec<i64>>(),
    ];
    // Where no block closes early the first two are one.
    ranks.dedup();
    let mut all = Vec::new();
    for rank in ranks {
        for turn in 0..24 {
            all.push(Wishes {
                rank: rank.clone(),
                machine: vec![None; blocks],
                stay: vec![false; blocks],
                strict: false,
                roam_by_day: turn & 1 > 0,
                roam_by_night: turn & 2 > 0,
                patient: turn & 4 > 0,
                gain: [0, 1, 3][turn / 8],
                least_stay_s: [0, 0, LEAST_STAY_S][turn / 8],
                free: false,
                share: false,
                keep_until: Second::MIN,
            });
        }
    }
    all.extend(super::territories::wishes(problem, ground));
    all
}

fn scattered(problem: &Problem, chance: &mut Chance, scale: i64) -> Wishes {
    let blocks = problem.blocks.len();
    Wishes {
        rank: (0..blocks)
            .map(|_| chance.below(4 * scale as u64) as i64)
            .collect(),
        machine: (0..blocks)
            .map(|_| Some(chance.below(problem.machines.len() as u64) as usize))
            .collect(),
        stay: (0..blocks).map(|_| chance.below(3) == 0).collect(),
        strict: chance.below(2) == 1,
        roam_by_day: chance.below(2) == 1,
        roam_by_night: chance.below(2) == 1,
        patient: chance.below(2) == 1,
        gain: chance.below(4) as i64,
        least_stay_s: chance.below(2) as i64 * LEAST_STAY_S,
        free: chance.below(4) == 0,
        share: chance.below(2) == 1,
        keep_until: Second::MIN,
    }
}

fn changed(
    problem: &Problem,
    (wishes, [last, first]): (&Wishes, [usize; 2]),
    chance: &mut Chance,
    scale: i64,
) -> Wishes {
    let mut other = wishes.clone();
    let blocks = problem.blocks.len() as u64;
    let block = chance.below(blocks) as usize;
    if chance.below(3) == 0 && last != first {
        handed_over(problem, &mut other, (last, first), chance);
        return other;
    }
    match chance.below(28) {
        22..=27 => other.stay[block] = !other.stay[block],
        21 if chance.below(2) == 0 => other.free = !other.free,
        21 => other.patient = !other.patient,
        20 if chance.below(3) == 0 => other.least_stay_s = LEAST_STAY_S - other.least_stay_s,
        20 => other.gain = chance.below(5) as i64,
        0 => other.roam_by_day = !other.roam_by_day,
        1 => other.roam_by_night = !other.roam_by_night,
        2 if chance.below(2) == 0 => other.share = !other.share,
        2 => other.strict = !other.strict,
        3..=8 => {
            let second = chance.below(blocks) as usize;
            other.rank.swap(block, second);
            other.machine.swap(block, second);
        }
        9..=13 => other.rank[block] += chance.below(4 * scale as u64 + 1) as i64 - 2 * scale,
        _ => {
            let machine = chance.below(problem.machines.len() as u64 + 1) as usize;
            other.machine[block] = (machine < problem.machines.len()).then_some(machine);
        }
    }
    other
}

/// A block of the machine that cuts last goes to the one that is done first, or to any other, beside one of its blocks.
fn handed_over(
    problem: &Problem,
    wishes: &mut Wishes,
    (last, first): (usize, usize),
    chance: &mut Chance,
) {
    let of = |wishes: &Wishes, machine: usize| -> Vec<usize> {
        let blocks = 0..wishes.machine.len();
        blocks
            .filter(|&block| wishes.machine[block] == Some(machine))
            .collect()
    };
    let to = match chance.below(2) {
        0 => first,
        _ => chance.below(problem.machines.len() as u64) as usize,
    };
    let (own, theirs) = (of(wishes, last), of(wishes, to));
    if own.is_empty() || to == last {
        return;
    }
    let block = own[chance.below(own.len() as u64) as usize];
    wishes.machine[block] = Some(to);
    let place = problem.blocks[block].place;
    let way = |other: &usize| problem.moves.seconds(place, problem.blocks[*other].place);
    if let Some(&beside) = theirs.iter().min_by_key(|other| (way(other), **other)) {
        wishes.rank[block] = wishes.rank[beside];
    }
}

/// A small generator of our own (xorshift, Marsaglia 2003): the same numbers everywhere.
struct Chance(u64);

impl Chance {
    fn below(&mut self, bound: u64) -> u64 {
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
