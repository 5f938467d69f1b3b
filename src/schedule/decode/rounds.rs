//! Rounds: each machine has blocks of its own in an order, and goes from one to the next as the light asks. By day it does what needs
//! light where it is, then where work was begun, then in the next of its blocks; in the dark it goes back to those for their
//! night-safe work; and before the light comes it is where light is needed first. So light is spent neither on night-safe work
//! nor on more moves than it takes, whatever the blocks are like.

use super::{Ends, LEAST_CUT_S};
use super::{Fared, Ground, Score, State, Toured, UNDONE_WEIGHT, UNFINISHED_S, Wishes, cost_s};
use crate::schedule::problem::{Plan, Problem, Work, work_in};
use crate::schedule::queue::Queue;
use crate::schedule::time::{Second, around, next_edge};

/// The blocks of each machine in the order in which it begins them. Each block has one machine at most.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Rounds {
    pub order: Vec<Vec<usize>>,
    pub habit: Habit,
}

/// What decides where a round might go on here or there.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Habit {
    /// By day, night-safe work that a block ends with is finished before it is left, if it is no more than this, seconds.
    pub finish_s: i64,
    /// A block is gone to for no less than so many times the move, in hundredths.
    pub gain_percent: i64,
    /// By day a block is begun only where so much of what needs light at first fits into the light that is left, in hundredths, or where
    /// it fills a light of `long_s`.
    pub fits_percent: i64,
    pub long_s: i64,
}

impl Default for Habit {
    fn default() -> Habit {
        Habit {
            finish_s: 1800,
            gain_percent: 100,
            fits_percent: 100,
            long_s: 3 * 3600,
        }
    }
}

/// Who waits looks again after so many seconds.
const LOOK_AGAIN_S: i64 = 7200;

/// So many blocks that are not begun are looked at.
const AHEAD: usize = 3;

/// Makes a plan.
pub fn round_plan(problem: &Problem, ground: &Ground, wishes: &Wishes, rounds: &Rounds) -> Plan {
    let mut state = State::new(problem, ground, wishes, None, true);
    state.rounds = Some(rounds);
    state.run();
    state.plan()
}

/// How good it is. Machines that are known from `before` fare as they did; with `apart` no machine has to do with another.
pub fn score_rounds(
    problem: &Problem,
    ground: &Ground,
    wishes: &Wishes,
    rounds: &Rounds,
    mut before: Vec<Option<Round>>,
    apart: bool,
) -> (Toured, Vec<Option<Round>>) {
    if !apart {
        let mut state = State::new(problem, ground, wishes, None, false);
        state.rounds = Some(rounds);
        state.run();
        return (state.toured(), vec![None; problem.machines.len()]);
    }
    for (machine, round) in before.iter_mut().enumerate() {
        if round.is_none() {
            let mut state = State::new(problem, ground, wishes, None, false);
            state.rounds = Some(rounds);
            *round = Some(state.round_alone(rounds, machine));
        }
    }
    let own = || before.iter().flatten();
    let finish = own().map(|its| its.fared.end).max();
    let finish = finish.unwrap_or(problem.period.from);
    let moving_s = own().map(|its| its.fared.moving_s).sum();
    let undone: Work = own().map(|its| its.undone).sum();
    let left_unfinished = own().map(|its| its.fared.left_unfinished).sum();
    let mut cost_s = cost_s(problem, finish, moving_s, left_unfinished);
    if undone > 0 {
        cost_s += (problem.period.to - finish) * problem.machines.len() as i64
            + UNDONE_WEIGHT * (undone / 1000)
            + UNFINISHED_S * own().map(|its| its.begun).sum::<i64>();
    }
    let flow: f64 = own().map(|its| its.fared.flow).sum();
    let flow = flow + undone as f64 * problem.period.seconds() as f64;
    let toured = Toured {
        score: Score {
            is_left: undone > 0,
            cost_s,
            undone,
            finish,
            moving_s,
        },
        mean_s: flow / ground.work.max(1) as f64,
        machines: own().map(|its| its.fared.clone()).collect(),
        apart: true,
    };
    (toured, before)
}

/// How one machine fares on its round by itself.
#[derive(Clone, Debug)]
pub struct Round {
    fared: Fared,
    undone: Work,
    /// Blocks that are begun and not finished.
    begun: i64,
}

/// What a machine does now.
enum Now {
    Work(usize, Ends),
    Go(usize),
    Wait,
}

/// Smallest first: what it is like, the move or the place in the order, the block.
type Key = (u8, i64, usize);

impl State<'_> {
    fn round_alone(&mut self, rounds: &Rounds, machine: usize) -> Round {
        while self.window[machine] < self.problem.machines[machine].windows.len() {
            self.step(machine);
        }
        let own = &rounds.order[machine];
        let left = own.iter().map(|&block| {
            let left: Work = self.ground.queues[block]
                .left(&self.progress[block])
                .iter()
                .sum();
            (left, self.is_begun(block))
        });
        let left: Vec<(Work, bool)> = left.filter(|(left, _)| *left > 0).collect();
        Round {
            undone: left.iter().map(|(left, _)| left).sum(),
            begun: left.iter().filter(|(_, begun)| *begun).count() as i64,
            fared: Fared {
                moving_s: self.moving_s,
                left_unfinished: self.left_unfinished,
                flow: self.flow,
                ..self.fared(machine)
            },
        }
    }

    fn is_begun(&self, block: usize) -> bool {
        self.progress[block].done.iter().any(|done| *done > 0)
    }

    /// Goes on with its round.
    pub(super) fn round(&mut self, rounds: &Rounds, machine: usize, at: Second) {
        let own = &rounds.order[machine];
        let first = &mut self.rounded[machine];
        while own
            .get(*first)
            .is_some_and(|&block| self.ground.queues[block].is_done(&self.progress[block]))
        {
            *first += 1;
        }
        let reached = &mut self.reached[machine];
        *reached = (*reached).max(*first);
        if let Some(here) = self.at_block[machine]
            && let Some(ahead) = own[*reached..].iter().position(|&block| block == here)
        {
            *reached += ahead + 1;
        }
        if *first == own.len() {
            self.window[machine] = self.problem.machines[machine].windows.len();
            return;
        }
        match self.now_on_round(rounds, machine, at) {
            Now::Work(block, ends) => {
                if self.at_block[machine] != Some(block) {
                    self.go(machine, block);
                }
                self.work(machine, block, ends);
                if self.free_at[machine] == at {
                    self.wait_on_round(rounds, machine, at);
                }
            }
            Now::Go(block) => self.go(machine, block),
            Now::Wait => self.wait_on_round(rounds, machine, at),
        }
    }

    /// Stands until something may have changed for it.
    fn wait_on_round(&mut self, rounds: &Rounds, machine: usize, at: Second) {
        let edges = &self.ground.edges;
        let edge = edges.get(edges.partition_point(|edge| *edge <= at));
        let own = &rounds.order[machine][self.rounded[machine]..];
        let taken = own.iter().map(|&block| self.taken_until(block));
        let moments = taken.chain(edge.copied()).filter(|moment| *moment > at);
        self.free_at[machine] = moments.fold(at + LOOK_AGAIN_S, Second::min);
    }

    fn now_on_round(&self, rounds: &Rounds, machine: usize, at: Second) -> Now {
        let own = &rounds.order[machine][self.rounded[machine]..];
        let reached = (self.reached[machine] - self.rounded[machine]) as i64;
        let habit = rounds.habit;
        let its = &self.problem.machines[machine];
        let here = self.at_block[machine];
        let lit_here =
            here.is_some_and(|here| around(&self.problem.blocks[here].light, at).is_some());
        let mut ahead = 0;
        // Where it goes, and where it goes so as to be there when the light comes.
        let mut best: Option<(Key, Ends)> = None;
        let mut dawn: Option<Key> = None;
        let mut take = |key: Key, ends: Ends| {
            if best.is_none_or(|(least, _)| key < least) {
                best = Some((key, ends));
            }
        };
        for (place, &block) in (0i64..).zip(own) {
            let queue = &self.ground.queues[block];
            let progress = &self.progress[block];
            if queue.is_done(progress) {
                continue;
            }
            let begun = self.is_begun(block);
            if !begun {
                if ahead == AHEAD {
                    if place >= reached {
                        break;
                    }
                    continue;
                }
                ahead += 1;
            }
            let ground = &self.problem.blocks[block];
            let stays = here == Some(block);
            let way = self.way(machine, block);
            let Some(arrival) = self.arrival(machine, at, way) else {
                continue;
            };
            if self.taken_until(block) > at || !ground.open.contains(arrival) {
                continue;
            }
            let near = if begun { way } else { place };
            let lit = around(&ground.light, arrival);
            let is_dark = around(&ground.light, at).is_none();
            let next = queue.next(progress, lit.is_some(), its, arrival);
            let gain =
                work_in(way * habit.gain_percent / 100, 1000).max(work_in(LEAST_CUT_S, 1000));
            match (lit, next) {
                // The light comes while it moves.
                (Some(_), _) if is_dark => {}
                (Some(light), Some(next)) if next.needs_light => {
                    let room = work_in(light.to - arrival, 1000);
                    let wanted = work_in(habit.long_s, 1000).max(gain);
                    let ready = || queue.ready(progress, true, its, (arrival, wanted));
                    if stays {
                        take((0, 0, block), Ends::WithDayWork);
                    } else if begun {
                        let is_worth = ready().min(room) >= gain;
                        take(
                            (if is_worth { 2 } else { 5 }, near, block),
                            Ends::WithDayWork,
                        );
                    } else {
                        let ready = ready();
                        let fits =
                            ready.min(work_in(habit.long_s, 1000)) * habit.fits_percent / 100;
                        let is_worth = ready.min(room) >= gain;
                        if room >= fits {
                            take(
                                (if is_worth { 3 } else { 6 }, near, block),
                                Ends::WithDayWork,
                            );
                        }
                    }
                }
                (Some(_), Some(_)) => {
                    let night = queue.left(progress)[1];
                    if stays {
                        let little = night <= work_in(habit.finish_s, 1000);
                        take((if little { 1 } else { 4 }, 0, block), Ends::Never);
                    } else if night >= gain {
                        take((if begun { 7 } else { 8 }, near, block), Ends::Never);
                    }
                }
                (None, Some(_)) => {
                    if stays {
                        take((0, 0, block), Ends::Never);
                    } else {
                        let edge = next_edge(&ground.light, arrival).unwrap_or(Second::MAX);
                        let room = work_in((edge - arrival).min(1 << 40), 1000);
                        let ready = queue.ready(progress, false, its, (arrival, gain.max(1)));
                        // While there is light, what is here goes before it.
                        let late = if lit_here { 8 } else { 0 };
                        if ready.min(room) >= gain {
                            take((late + if begun { 1 } else { 2 }, near, block), Ends::Never);
                        }
                    }
                }
                (_, None) => {}
            }
            if is_dark
                && let Some(key) = self.at_dawn(machine, block, (at, arrival), queue, begun, near)
                && dawn.is_none_or(|least| key < least)
            {
                dawn = Some(key);
            }
        }
        match (best, dawn) {
            (Some(((_, _, block), ends)), _) => Now::Work(block, ends),
            (None, Some((_, _, block))) if here != Some(block) => Now::Go(block),
            _ => Now::Wait,
        }
    }

    /// What a block is like as the one to wait in for the light; None: nothing needs that light there, or the machine does not run
    /// then.
    fn at_dawn(
        &self,
        machine: usize,
        block: usize,
        (at, arrival): (Second, Second),
        queue: &Queue,
        begun: bool,
        near: i64,
    ) -> Option<Key> {
        let ground = &self.problem.blocks[block];
        let its = &self.problem.machines[machine];
        let edge = next_edge(&ground.light, at)?.max(arrival);
        let light = around(&ground.light, edge)?;
        let mut windows = its.windows[self.window[machine]..].iter();
        let runs = windows.any(|window| window.span.from.max(edge) < window.span.to.min(light.to));
        let next = queue.next(&self.progress[block], true, its, edge)?;
        let is_wanted = runs && next.needs_light && ground.open.contains(edge);
        let stays = self.at_block[machine] == Some(block);
        let like = match (stays, begun) {
            (true, _) => 0,
            (_, true) => 1,
            (_, false) => 2,
        };
        is_wanted.then_some((like, near, block))
    }
}
