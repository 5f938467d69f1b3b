//! Looks for a good plan: many beginnings by habit and by territory, rounds made better by annealing, then the tours of the best of
//! them annealed.
//! The number of tries depends on the size of the problem alone, so the same input gives the same plan.

use super::anneal::{self, Annealed, Annealing, Chance};
use super::bound::{self, Bound};
use super::decode::{self, Ground, Rounds, Score, Wishes};
use super::former::Former;
use super::orders;
use super::problem::{Plan, Problem};
use super::time::Second;
use super::tours::{self, Tours};

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
    /// What machines go by where the problem turns out a little different: what there is to do, not the clock.
    steady: Guide,
}

/// What says where machines go, beside the wishes.
#[derive(Clone, Debug)]
enum Guide {
    Habits,
    Rounds(Rounds),
    Tours(Tours),
}

impl Guide {
    fn plan(&self, problem: &Problem, ground: &Ground, wishes: &Wishes) -> Plan {
        match self {
            Guide::Habits => decode::plan(problem, ground, wishes, None),
            Guide::Rounds(rounds) => decode::round_plan(problem, ground, wishes, rounds),
            Guide::Tours(tours) => decode::plan(problem, ground, wishes, Some(tours)),
        }
    }
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
            solved.steady.plan(problem, &ground, wishes)
        }
    }
}

/// Changes of rounds for each block, and at least and at most.
const ROUNDS_A_BLOCK: usize = 200;
const LEAST_ROUNDS: usize = 2000;
const MOST_ROUNDS: usize = 20_000;
/// Tries for each stay, and at most.
const TRIES_A_STAY: usize = 150;
const LEAST_TRIES: usize = 12_000;
const MOST_TRIES: usize = 15_000;
/// So many beginnings are gone on with, and the best from them with all tries.
const LEGS: usize = 4;
/// Beginnings that weigh more than so many times the best are not gone on with.
const WORTH_GOING_ON: f64 = 1.25;
/// Blocks, times machines, times days: from there on only every second beginning is tried, and so on.
const LARGE: usize = 10_000;
/// Of more blocks than this each begins on one machine's tour alone: tours that do not cross are judged one by one.
const MANY: usize = 100;
/// Of the beginnings every so many is tried with a former plan kept longer.
const FEW: usize = 7;
/// Blocks of a batch, at most.
const MOST_IN_BATCH: usize = 8;

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
    let days = (problem.period.seconds() / 86_400).max(1) as usize;
    let size = problem.blocks.len() * problem.machines.len() * days;
    all = all.into_iter().step_by(1 + size / LARGE).collect();
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
    let Some((least, wishes)) = best else {
        return Solved {
            plan: Plan::default(),
            bound,
            tried,
            wishes: None,
            steady: Guide::Habits,
            former: None,
        };
    };
    let annealing = Annealing::new(problem, &ground, &wishes);
    let mut chance = Chance(0x9E37_79B9_7F4A_7C15);
    let order = super::territories::tours(problem, &ground);
    let blocks: usize = order.iter().map(Vec::len).sum();
    let tries = (blocks * ROUNDS_A_BLOCK).clamp(LEAST_ROUNDS, MOST_ROUNDS);
    let found = orders::find(&annealing, order, tries, &mut chance);
    tried += found.tried;
    let (steady, score) = match found.score < least {
        true => (Guide::Rounds(found.rounds), found.score),
        false => (Guide::Habits, least),
    };
    let plan = steady.plan(problem, &ground, &wishes);
    let of_plan = tours::of_plan(problem, &ground, &plan, wishes.keep_until);
    let toured = annealed(&annealing, of_plan, &mut chance);
    tried += toured.tried;
    let guide = match toured.score < score {
        true => Guide::Tours(toured.tours),
        false => steady.clone(),
    };
    Solved {
        plan: guide.plan(problem, &ground, &wishes),
        bound,
        tried,
        wishes: Some(wishes),
        steady,
        former: former.cloned(),
    }
}

/// The best tours from those of a plan and from batches: some are gone on with a little, and the best of these with all tries.
fn annealed(annealing: &Annealing, of_plan: Tours, chance: &mut Chance) -> Annealed {
    let (problem, ground) = (annealing.problem, annealing.ground);
    let territories = super::territories::tours(problem, ground);
    let batches = (1..=MOST_IN_BATCH).map(|size| tours::in_batches(&territories, size));
    let batches = batches.map(|tours| match problem.blocks.len() > MANY {
        true => tours::untangled(tours),
        false => tours,
    });
    let starts = [tours::loosened(of_plan.clone()), of_plan];
    let mut starts: Vec<(f64, Tours)> = (starts.into_iter().chain(batches))
        .map(|tours| (anneal::weight(problem, &annealing.score(&tours)), tours))
        .collect();
    starts.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut tried = starts.len();
    let stays: usize = starts[0].1.stays.iter().map(Vec::len).sum();
    let tries = (stays * TRIES_A_STAY).clamp(LEAST_TRIES, MOST_TRIES);
    let worth = starts[0].0 * WORTH_GOING_ON;
    let legs = starts.into_iter().take(LEGS);
    let legs = legs.filter(|(weighs, _)| *weighs <= worth);
    let mut legs: Vec<Annealed> = legs
        .map(|(_, start)| annealing.anneal(start, tries / 8, chance))
        .collect();
    legs.sort_by_key(|leg| leg.score);
    tried += legs.iter().map(|leg| leg.tried).sum::<usize>();
    let first = legs.swap_remove(0);
    let last = annealing.anneal(first.tours.clone(), tries / 2, chance);
    tried += last.tried;
    let best = if first.score < last.score {
        first
    } else {
        last
    };
    Annealed { tried, ..best }
}

/// A stay that people call one.
pub(super) const LEAST_STAY_S: i64 = 7200;

pub(super) fn beginnings(problem: &Problem, ground: &Ground) -> Vec<Wishes> {
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
                keep_until: Second::MIN,
            });
        }
    }
    all.extend(super::territories::wishes(problem, ground));
    all
}
