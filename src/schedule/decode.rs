//! From wishes or tours to a plan: machines take their next stint one after the other, the earliest free one first (list
//! scheduling). Every plan made here keeps the rules; how good it is depends on what it is made from.

mod rounds;

use super::Stretch;
use super::former::Former;
use super::problem::{Plan, Problem, Task, What, Window, Work, seconds_for, work_in};
use super::queue::{Next, Progress, Queue};
use super::time::{Second, around, intersect, next_edge};
use super::tours::{Hold, Stay, Tours, Until};
pub use rounds::{Habit, Rounds, round_plan, score_rounds};

/// The habits from which a plan is made where no tours say where machines go.
#[derive(Clone, Debug, PartialEq)]
pub struct Wishes {
    /// Per block, in seconds of moving: the smallest sum of wish and move is taken next.
    pub rank: Vec<i64>,
    /// Per block: the machine that should take it.
    pub machine: Vec<Option<usize>>,
    /// Per block: whoever works there stays while there is anything to do.
    pub stay: Vec<bool>,
    /// No other machine takes a block for which one is wished.
    pub strict: bool,
    /// By day, leave a block that has only night-safe work left for one with day-only work.
    pub roam_by_day: bool,
    /// In the dark, leave a block for which light is needed for one with night-safe work.
    pub roam_by_night: bool,
    /// Light that comes here before another block is reached is waited for.
    pub patient: bool,
    /// An unfinished block is left only for so many times the work that a move there costs.
    pub gain: i64,
    /// And for no less than this, seconds.
    pub least_stay_s: i64,
    /// Until then machines do what the former plan has, where they can.
    pub keep_until: Second,
}

/// Queues of all blocks, made once.
pub struct Ground {
    pub queues: Vec<Queue>,
    /// Of all blocks.
    pub work: Work,
    /// Every start and end of light of any block, and when blocks open; sorted.
    edges: Vec<Second>,
    /// Seconds of moving between blocks, row by row.
    ways: Vec<i64>,
    /// The plan before this one.
    former: Option<Former>,
}

impl Ground {
    /// Seconds of moving from a block to another.
    pub fn way(&self, from: usize, to: usize) -> i64 {
        self.ways[from * self.queues.len() + to]
    }

    /// Whether a plan's score comes from sums of its machines alone.
    pub fn is_judged_by_sums(&self, problem: &Problem) -> bool {
        self.former.is_none() && problem.wood.wanted.is_empty()
    }

    pub fn new(problem: &Problem, former: Option<&Former>) -> Ground {
        let mut edges: Vec<Second> = problem
            .blocks
            .iter()
            .flat_map(|block| {
                let light = block.light.iter().flat_map(|s| [s.from, s.to]);
                let windows = block.windows.iter().flatten();
                let windows = windows.flat_map(|s| [s.from, s.to]);
                light.chain([block.open.from, block.open.to]).chain(windows)
            })
            .collect();
        edges.sort_unstable();
        edges.dedup();
        let places = || problem.blocks.iter().map(|block| block.place);
        let ways =
            places().flat_map(|from| places().map(move |to| problem.moves.seconds(from, to)));
        let units = problem.blocks.iter().flat_map(|block| &block.units);
        Ground {
            work: units.map(|unit| unit.work).sum(),
            ways: ways.collect(),
            queues: problem.blocks.iter().map(Queue::new).collect(),
            edges,
            former: former.cloned(),
        }
    }
}

/// Idle machines look again at the latest after this many seconds.
const LOOK_AGAIN_S: i64 = 7200;

struct State<'p> {
    problem: &'p Problem,
    ground: &'p Ground,
    wishes: &'p Wishes,
    /// Where each machine goes one after the other; None: as the wishes have it, or rounds.
    tours: Option<&'p Tours>,
    rounds: Option<&'p Rounds>,
    /// Of each machine's round, how many blocks at its beginning are done.
    rounded: Vec<usize>,
    /// How far in it the last block lies that it came to.
    reached: Vec<usize>,
    legs: Vec<Leg>,
    /// Of each block the stays that are still to come.
    to_come: Vec<u32>,
    /// Blocks with work of which no stay is to come, and who had the last one.
    left_over: Vec<(usize, Option<usize>)>,
    progress: Vec<Progress>,
    open: Vec<usize>,
    taken_until: Vec<Second>,
    free_at: Vec<Second>,
    window: Vec<usize>,
    at_block: Vec<Option<usize>>,
    /// Where each machine last worked, and how long it has moved since.
    left: Vec<Option<[f64; 2]>>,
    on_the_way_s: Vec<i64>,
    tasks: Vec<Vec<Stint>>,
    /// Whether tasks are kept; else only what they come to.
    keeps: bool,
    ends: Vec<Option<Second>>,
    /// Of all work, times the seconds from the beginning until it was done.
    flow: f64,
    finish: Option<Second>,
    moving_s: i64,
    /// How often a block was left with work in it.
    left_unfinished: i64,
    /// The next stint of each machine in the former plan.
    next_former: Vec<usize>,
}

/// How far a machine is on its tour.
#[derive(Clone, Debug, Default)]
struct Leg {
    /// The first stay that is still to come, and those after it that are over.
    next: usize,
    over: Vec<bool>,
    /// The stay it is in.
    current: Option<usize>,
    /// Whether it has cut anything in the stay it is in, and by night.
    worked: bool,
    worked_in_dark: bool,
    /// Whether it was on this stay before the moment at which that ends.
    is_held: bool,
    /// Where it goes when its tour is over.
    beyond: Option<usize>,
    /// Of each stay of the tour, whether anything was cut in it.
    used: Vec<bool>,
}

/// What ends a stretch of work before the window, the light or the work does.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Ends {
    Never,
    /// By day, that only night-safe work is left.
    WithDayWork,
    At(Second),
    /// A moment of the former plan; little that is left then is finished.
    Former(Second),
}

/// A stretch of a machine's time before sections are told apart.
struct Stint {
    block: usize,
    shift: usize,
    span: Stretch,
    /// Chain, work of the chain before, work done, pace; None: a move.
    cut: Option<(usize, Work, Work, i64)>,
}

/// What makes a block the next: tier, priority, wished for another machine, seconds of wish and move, index.
type Key = (i64, i64, bool, i64, usize);

/// How a plan ended, without its tasks.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Score {
    /// Whether anything is left though all might be done; not asked where more than time counts, for then some minutes would be
    /// worth any number of changes.
    pub is_left: bool,
    /// Seconds of all machines until the finish, and what moves, blocks that are left unfinished and work that is left weigh.
    pub cost_s: i64,
    pub undone: Work,
    pub finish: Second,
    pub moving_s: i64,
}

/// What it weighs to leave a block in which work is left, seconds of a machine: whoever comes back finds his way anew.
const LEAVING_S: i64 = 1800;

/// What an hour of moving weighs beside an hour of a machine: the machine's own, and a lowbed's with its driver.
const MOVING_WEIGHT: i64 = 2;

/// So many stays that come are looked at when a machine goes on.
const LOOK_AHEAD: usize = 6;

/// A machine does not begin for so little, seconds.
const LEAST_CUT_S: i64 = 300;

/// A block is not left for so little, seconds.
const LITTLE_S: i64 = 900;

/// What it weighs to change a shift of which people know already, seconds of a machine.
const CHANGE_S: i64 = 7200;

/// What an hour that is left undone weighs beside an hour of a machine. Were it any number, a plan would have any number of moves
/// for some minutes.
const UNDONE_WEIGHT: i64 = 5;

/// What a block weighs that is begun and not finished when the period ends, seconds of a machine: another is brought there for what
/// is left, however little it is.
const UNFINISHED_S: i64 = 8 * 3600;

/// Makes a plan and says how good it is.
pub fn score(problem: &Problem, ground: &Ground, wishes: &Wishes) -> Score {
    run(problem, ground, wishes, None, false).score()
}

/// How a machine fares on its tour.
#[derive(Clone, Debug)]
pub struct Fared {
    /// When it cuts last; the beginning of the period if it cuts nothing.
    pub end: Second,
    moving_s: i64,
    left_unfinished: i64,
    /// Of all work that it did, times the seconds from the beginning until it was done.
    flow: f64,
    /// Of each stay, whether anything was cut in it.
    pub used: Vec<bool>,
}

/// What came of tours.
#[derive(Clone, Debug)]
pub struct Toured {
    pub score: Score,
    /// Seconds until the work was done, in the mean over all of it.
    pub mean_s: f64,
    pub machines: Vec<Fared>,
    /// Whether each machine's part of it is known by itself.
    pub apart: bool,
}

/// Makes a plan from tours and says how good it is; the wishes say how long a former plan is kept.
pub fn score_tours(problem: &Problem, ground: &Ground, wishes: &Wishes, tours: &Tours) -> Toured {
    run(problem, ground, wishes, Some(tours), false).toured()
}

/// The same where machines have nothing to do with each other: those whose tours are as they were fare as before. None where
/// one leaves work that others might do.
pub fn score_apart(
    problem: &Problem,
    ground: &Ground,
    wishes: &Wishes,
    tours: &Tours,
    mut before: Vec<Option<Fared>>,
) -> Option<Toured> {
    for (machine, fared) in before.iter_mut().enumerate() {
        if fared.is_some() {
            continue;
        }
        let mut state = State::new(problem, ground, wishes, Some(tours), false);
        state.run_alone(machine);
        let left = |stay: &Stay| -> Work {
            let queue = &ground.queues[stay.block];
            queue.left(&state.progress[stay.block]).iter().sum()
        };
        if tours.stays[machine].iter().any(|stay| left(stay) > 0) {
            return None;
        }
        let (moving_s, left_unfinished, flow) = (state.moving_s, state.left_unfinished, state.flow);
        *fared = Some(Fared {
            moving_s,
            left_unfinished,
            flow,
            ..state.fared(machine)
        });
    }
    let machines: Vec<Fared> = before.into_iter().flatten().collect();
    let from = problem.period.from;
    let finish = machines.iter().map(|its| its.end).max().unwrap_or(from);
    let moving_s = machines.iter().map(|its| its.moving_s).sum();
    let left_unfinished = machines.iter().map(|its| its.left_unfinished).sum();
    Some(Toured {
        score: Score {
            is_left: false,
            cost_s: cost_s(problem, finish, moving_s, left_unfinished),
            undone: 0,
            finish,
            moving_s,
        },
        mean_s: machines.iter().map(|its| its.flow).sum::<f64>() / ground.work.max(1) as f64,
        machines,
        apart: true,
    })
}

fn cost_s(problem: &Problem, finish: Second, moving_s: i64, left_unfinished: i64) -> i64 {
    (finish - problem.period.from) * problem.machines.len() as i64
        + MOVING_WEIGHT * moving_s
        + LEAVING_S * left_unfinished
}

/// Makes a plan.
pub fn plan(problem: &Problem, ground: &Ground, wishes: &Wishes, tours: Option<&Tours>) -> Plan {
    run(problem, ground, wishes, tours, true).plan()
}

fn run<'p>(
    problem: &'p Problem,
    ground: &'p Ground,
    wishes: &'p Wishes,
    tours: Option<&'p Tours>,
    keeps: bool,
) -> State<'p> {
    let mut state = State::new(problem, ground, wishes, tours, keeps);
    state.run();
    state
}

impl State<'_> {
    fn run(&mut self) {
        let machines = self.problem.machines.len();
        while !self.open.is_empty() {
            let earliest = (0..machines)
                .filter(|&m| self.window[m] < self.problem.machines[m].windows.len())
                .min_by_key(|&m| (self.free_at[m], m));
            match earliest {
                Some(machine) => self.step(machine),
                None => break,
            }
        }
    }
}

impl<'p> State<'p> {
    fn new(
        problem: &'p Problem,
        ground: &'p Ground,
        wishes: &'p Wishes,
        tours: Option<&'p Tours>,
        keeps: bool,
    ) -> State<'p> {
        // A former plan is compared task by task, and wood is counted so.
        let keeps = keeps || !ground.is_judged_by_sums(problem);
        let mut to_come = vec![0; problem.blocks.len()];
        let stays = tours.iter().flat_map(|tours| tours.stays.iter().flatten());
        for stay in stays {
            to_come[stay.block] += 1;
        }
        let legs = tours.iter().flat_map(|tours| &tours.stays);
        let legs = legs.map(|stays| Leg {
            used: vec![false; stays.len()],
            over: vec![false; stays.len()],
            ..Leg::default()
        });
        let machines = problem.machines.len();
        let blocks = problem.blocks.len();
        State {
            problem,
            ground,
            wishes,
            tours,
            rounds: None,
            rounded: vec![0; machines],
            reached: vec![0; machines],
            legs: legs.collect(),
            left_over: match tours {
                None => vec![],
                Some(_) => (0..blocks)
                    .filter(|&block| to_come[block] == 0 && !problem.blocks[block].units.is_empty())
                    .map(|block| (block, None))
                    .collect(),
            },
            to_come,
            progress: vec![Progress::default(); blocks],
            open: (0..blocks)
                .filter(|&block| !problem.blocks[block].units.is_empty())
                .collect(),
            taken_until: vec![problem.period.from; blocks],
            free_at: vec![problem.period.from; machines],
            window: vec![0; machines],
            at_block: vec![None; machines],
            left: problem.machines.iter().map(|its| its.start).collect(),
            on_the_way_s: vec![0; machines],
            tasks: (0..machines).map(|_| Vec::new()).collect(),
            keeps,
            ends: vec![None; machines],
            flow: 0.0,
            finish: None,
            moving_s: 0,
            left_unfinished: 0,
            next_former: vec![0; machines],
        }
    }
}

impl State<'_> {
    fn toured(mut self) -> Toured {
        let score = self.score();
        // What is left is done after the period.
        let flow = self.flow + score.undone as f64 * self.problem.period.seconds() as f64;
        let machines = (0..self.problem.machines.len()).map(|machine| self.fared(machine));
        Toured {
            machines: machines.collect(),
            mean_s: flow / self.ground.work.max(1) as f64,
            score,
            apart: false,
        }
    }

    fn plan(self) -> Plan {
        Plan {
            undone: self.undone(),
            finish: self.finish,
            moving_s: self.moving_s,
            tasks: self.sections(),
        }
    }

    /// Lets one machine go through its tour as if there were no other.
    fn run_alone(&mut self, machine: usize) {
        let tour = self.tours.map_or(0, |tours| tours.stays[machine].len());
        while self.window[machine] < self.problem.machines[machine].windows.len()
            && (self.legs[machine].next < tour || self.is_something_left())
        {
            self.step(machine);
        }
    }

    fn is_something_left(&self) -> bool {
        let mut left = self.left_over.iter();
        left.any(|&(block, last)| {
            last.is_some() && !self.ground.queues[block].is_done(&self.progress[block])
        })
    }

    fn fared(&mut self, machine: usize) -> Fared {
        Fared {
            end: self.end(machine).unwrap_or(self.problem.period.from),
            moving_s: 0,
            left_unfinished: 0,
            flow: 0.0,
            used: (self.legs.get_mut(machine)).map_or(vec![], |leg| std::mem::take(&mut leg.used)),
        }
    }

    fn score(&self) -> Score {
        let problem = self.problem;
        let finish = self.finish.unwrap_or(problem.period.from);
        let undone = self.undone();
        let mut cost_s = cost_s(problem, finish, self.moving_s, self.left_unfinished);
        if undone > 0 {
            // Whoever comes back for it ends no sooner than the period.
            cost_s += (problem.period.to - finish) * problem.machines.len() as i64
                + UNDONE_WEIGHT * (undone / 1000)
                + UNFINISHED_S * self.begun();
        }
        if let Some(former) = &self.ground.former {
            cost_s += CHANGE_S * self.changed(former);
        }
        if !problem.wood.wanted.is_empty() {
            let stints = self.tasks.iter().flatten();
            let cuts = stints.filter_map(|stint| {
                let (chain, before, done, _) = stint.cut?;
                Some((stint.block, chain, before, done, stint.span))
            });
            cost_s += super::wood::short_s(&problem.wood, &self.ground.queues, cuts);
        }
        Score {
            is_left: undone > 0 && self.ground.is_judged_by_sums(problem),
            cost_s,
            undone,
            finish,
            moving_s: self.moving_s,
        }
    }

    /// When a machine cuts last.
    fn end(&self, machine: usize) -> Option<Second> {
        self.ends[machine]
    }

    /// Blocks that are begun and not finished.
    fn begun(&self) -> i64 {
        let begun = |block: &&usize| self.progress[**block].done.iter().any(|done| *done > 0);
        self.open.iter().filter(begun).count() as i64
    }

    fn undone(&self) -> Work {
        let left = self.open.iter().map(|&block| {
            let left = self.ground.queues[block].left(&self.progress[block]);
            left[0] + left[1]
        });
        left.sum()
    }

    /// The window a machine runs in now or next, its time brought into it.
    fn now(&mut self, machine: usize) -> Option<Window> {
        let windows = &self.problem.machines[machine].windows;
        while let Some(window) = windows.get(self.window[machine]) {
            if window.span.to > self.free_at[machine] {
                self.free_at[machine] = self.free_at[machine].max(window.span.from);
                return Some(*window);
            }
            self.window[machine] += 1;
        }
        None
    }

    fn step(&mut self, machine: usize) {
        let before = self.free_at[machine];
        if self.now(machine).is_none() || self.free_at[machine] > before {
            // Others may come first now.
            return;
        }
        let at = before;
        if self.follow_former(machine, at) {
            return;
        }
        if let Some(tours) = self.tours {
            self.stay(tours, machine, at);
            return;
        }
        if let Some(rounds) = self.rounds {
            self.round(rounds, machine, at);
            return;
        }
        if let Some(block) = self.choose(machine, at, false) {
            self.go(machine, block);
            self.work(machine, block, Ends::Never);
            return;
        }
        let waits_here = self.at_block[machine].is_some_and(|block| {
            let left = self.ground.queues[block].left(&self.progress[block]);
            left[0] > 0
                && self.problem.blocks[block].open.contains(at)
                && self.has_open_work(machine, block, at)
        });
        if !waits_here
            && let Some(block) = self.choose(machine, at, true)
            && self.at_block[machine] != Some(block)
        {
            self.go(machine, block);
            return;
        }
        self.wait(machine, at);
    }

    /// Stands until something may have changed.
    fn wait(&mut self, machine: usize, at: Second) {
        let edges = &self.ground.edges;
        let mut next = at + LOOK_AGAIN_S;
        if let Some(&edge) = edges.get(edges.partition_point(|edge| *edge <= at)) {
            next = next.min(edge);
        }
        for &block in &self.open {
            let until = self.taken_until[block];
            if until > at {
                next = next.min(until);
            }
        }
        self.free_at[machine] = next;
    }

    /// Goes on with the stay it is in, or to the next of its tour.
    fn stay(&mut self, tours: &Tours, machine: usize, at: Second) {
        let current = self.legs[machine].current;
        let current = current.or_else(|| self.next_stay(tours, machine, at));
        self.legs[machine].current = current;
        let leg = &self.legs[machine];
        let of_tour = current.map(|current| tours.stays[machine][current]);
        let beyond = || leg.beyond.map(|block| Stay::free(block, Until::Done));
        let Some(stay) = of_tour.or_else(beyond) else {
            let block = self.left_over(machine, at);
            self.legs[machine].beyond = block;
            if block.is_none() {
                self.free_at[machine] = at + LOOK_AGAIN_S;
            }
            return;
        };
        let block = stay.block;
        let problem = self.problem;
        let ground = &problem.blocks[block];
        let its = &problem.machines[machine];
        let queue = &self.ground.queues[block];
        let till = match stay.hold {
            Hold::Within(span) if at < span.from => {
                self.free_at[machine] = span.from;
                return;
            }
            Hold::Within(span) if at < span.to => Some(span.to),
            Hold::Within(_) if leg.is_held => {
                self.end_stay(machine, true, block);
                return;
            }
            _ => None,
        };
        self.legs[machine].is_held = till.is_some();
        if till.is_none() && (queue.is_done(&self.progress[block]) || at >= ground.open.to) {
            self.end_stay(machine, of_tour.is_some(), block);
            return;
        }
        if self.at_block[machine] != Some(block) {
            let way = self.way(machine, block);
            if self.arrival(machine, at, way).is_none() {
                self.free_at[machine] = problem.period.to;
                self.window[machine] = its.windows.len();
                return;
            }
            self.go(machine, block);
            return;
        }
        let no_later = |at: Second| till.map_or(at, |till| at.min(till));
        let until = self.taken_until(block);
        if until > at {
            self.free_at[machine] = no_later(until);
            return;
        }
        if at < ground.open.from {
            self.free_at[machine] = no_later(ground.open.from);
            return;
        }
        let light = around(&ground.light, at).is_some();
        let next = queue.next(&self.progress[block], light, its, at);
        let next = next.filter(|_| ground.open.contains(at));
        let leg = &self.legs[machine];
        let by_night = next.filter(|next| !next.needs_light);
        let (works, leaves) = match (stay.until, next) {
            _ if till.is_some() => (next.is_some(), false),
            (Until::Done, Some(_)) => (true, false),
            (Until::Done, None) => (false, false),
            (Until::Stuck, Some(_)) => (true, false),
            (Until::Stuck, None) => (false, leg.worked),
            (Until::DayWorkDone, Some(_)) if light && by_night.is_some() => (false, true),
            (Until::DayWorkDone, Some(_)) => (true, false),
            (Until::DayWorkDone, None) => (false, leg.worked),
            (Until::Daybreak, _) if light && leg.worked_in_dark => (false, true),
            (Until::Daybreak, Some(_)) => (true, false),
            (Until::Daybreak, None) => (false, leg.worked),
            (Until::Dusk, _) if !light => (false, leg.worked),
            (Until::Dusk, Some(_)) if by_night.is_none() => (true, false),
            (Until::Dusk, _) => (false, true),
        };
        if works {
            let kind = matches!(stay.until, Until::DayWorkDone | Until::Dusk);
            let ends = match till {
                Some(till) => Ends::At(till),
                None if kind => Ends::WithDayWork,
                None => Ends::Never,
            };
            let leg = &mut self.legs[machine];
            leg.worked = true;
            leg.worked_in_dark |= !light;
            if let Some(current) = leg.current {
                leg.used[current] = true;
            }
            self.work(machine, block, ends);
            return;
        }
        // By day and on open ground nothing keeps it but work that others must do first.
        let edge = |spans: &[super::Stretch]| next_edge(spans, at);
        let opens = ground.windows.iter().filter_map(|own| edge(own)).min();
        let wakes = edge(&ground.light).into_iter().chain(opens).min();
        if let Some(till) = till {
            self.free_at[machine] = no_later(wakes.unwrap_or(till));
            return;
        }
        match wakes.filter(|_| !leaves) {
            Some(wakes) if !light || opens.is_some() => self.free_at[machine] = wakes,
            _ => self.end_stay(machine, of_tour.is_some(), block),
        }
    }

    /// The stay that is next: of the few that come, the first in which it works as the light is when it gets there; else the
    /// first in which it works at all; else the first.
    fn next_stay(&self, tours: &Tours, machine: usize, at: Second) -> Option<usize> {
        let leg = &self.legs[machine];
        let stays = &tours.stays[machine];
        let its = &self.problem.machines[machine];
        let to_come = (leg.next..stays.len()).filter(|&index| !leg.over[index]);
        let mut best: Option<(u8, usize)> = None;
        for index in to_come.take(LOOK_AHEAD) {
            let stay = stays[index];
            if stay.hold != Hold::Free {
                // What comes after it does not come before it.
                let first = best.filter(|(rank, _)| *rank < 2);
                return Some(first.map_or(index, |(_, first)| first));
            }
            let ground = &self.problem.blocks[stay.block];
            let queue = &self.ground.queues[stay.block];
            let progress = &self.progress[stay.block];
            if queue.is_done(progress) || at >= ground.open.to {
                return Some(index);
            }
            let arrival = self.arrival(machine, at, self.way(machine, stay.block));
            let works = arrival.and_then(|arrival| {
                let light = around(&ground.light, arrival).is_some();
                let is_free = self.taken_until(stay.block) <= arrival;
                let next = queue.next(progress, light, its, arrival);
                let next = next.filter(|_| is_free && ground.open.contains(arrival))?;
                Some((light, next.needs_light))
            });
            let rank = match (works, stay.until) {
                (Some((light, needs_light)), _) if light == needs_light => 0,
                (Some(_), Until::DayWorkDone | Until::Dusk) | (None, _) => 2,
                (Some(_), _) => 1,
            };
            if rank == 0 {
                return Some(index);
            }
            best = best.map_or(Some((rank, index)), |least| Some(least.min((rank, index))));
        }
        best.map(|(_, index)| index)
    }

    fn end_stay(&mut self, machine: usize, of_tour: bool, block: usize) {
        let leg = &mut self.legs[machine];
        leg.worked = false;
        leg.worked_in_dark = false;
        leg.is_held = false;
        if of_tour {
            if let Some(current) = leg.current.take() {
                leg.over[current] = true;
            }
            while leg.over.get(leg.next) == Some(&true) {
                leg.next += 1;
            }
            self.to_come[block] -= 1;
            if self.to_come[block] == 0 && !self.ground.queues[block].is_done(&self.progress[block])
            {
                self.left_over.push((block, Some(machine)));
            }
        } else {
            leg.beyond = None;
            // Whoever found nothing to do looks elsewhere, later.
            self.free_at[machine] += 60;
        }
    }

    /// The nearest block with work that its own tour left over, or whoever had it last may not do.
    fn left_over(&self, machine: usize, at: Second) -> Option<usize> {
        let is_next_for = |other: usize, block: usize| {
            let its = &self.problem.machines[other];
            let from = self.problem.blocks[block].open.from;
            let queue = &self.ground.queues[block];
            queue
                .next(&self.progress[block], true, its, at.max(from))
                .is_some()
        };
        let own = self.left_over.iter().filter(|&&(block, last)| {
            !self.ground.queues[block].is_done(&self.progress[block])
                && (self.legs.iter()).all(|leg| leg.beyond != Some(block))
                && at < self.problem.blocks[block].open.to
                && last.is_none_or(|last| last == machine || !is_next_for(last, block))
                && is_next_for(machine, block)
                && self.comes_to_work(machine, block, at)
        });
        let own = own.map(|&(block, _)| block);
        own.min_by_key(|&block| (self.way(machine, block), block))
    }

    /// Whether a machine that goes to a block now finds a time there in which it can cut what is next.
    fn comes_to_work(&self, machine: usize, block: usize, at: Second) -> bool {
        let Some(arrival) = self.arrival(machine, at, self.way(machine, block)) else {
            return false;
        };
        let its = &self.problem.machines[machine];
        let ground = &self.problem.blocks[block];
        let queue = &self.ground.queues[block];
        let from = arrival.max(ground.open.from);
        its.windows[self.window[machine]..].iter().any(|window| {
            let span = Stretch::new(
                window.span.from.max(from),
                window.span.to.min(ground.open.to),
            );
            let next = |light: bool, at: Second| queue.next(&self.progress[block], light, its, at);
            let lit = intersect(&[span], &ground.light);
            let opens = ground.windows.iter().flatten().map(|own| own.from);
            let moments = opens.filter(|at| span.contains(*at));
            let moments: Vec<Second> = moments
                .chain([span.from])
                .chain(lit.iter().map(|lit| lit.from))
                .collect();
            span.seconds() > 0
                && moments
                    .into_iter()
                    .any(|at| next(lit.iter().any(|lit| lit.contains(at)), at).is_some())
        })
    }

    /// Until when somebody works in a block, or in one near it: whoever does has it to itself until it stops.
    fn taken_until(&self, block: usize) -> Second {
        let near = self.problem.blocks[block].near.iter();
        let near = near.map(|&other| self.taken_until[other]);
        near.fold(self.taken_until[block], Second::max)
    }

    /// How many shifts are not as in the former plan.
    fn changed(&self, former: &Former) -> i64 {
        let cuts = |machine: usize| -> Vec<(usize, Stretch)> {
            let own = self.tasks[machine].iter();
            own.filter(|stint| stint.cut.is_some())
                .map(|stint| (stint.block, stint.span))
                .collect()
        };
        super::former::changed(self.problem, former, &cuts) as i64
    }

    /// Does what the former plan has for a machine now; false: it has nothing, or that cannot be done any more.
    fn follow_former(&mut self, machine: usize, at: Second) -> bool {
        let Some(former) = self
            .ground
            .former
            .as_ref()
            .filter(|_| at < self.wishes.keep_until)
        else {
            return false;
        };
        let own = &former.stints[machine];
        let next = &mut self.next_former[machine];
        while own.get(*next).is_some_and(|stint| {
            let queue = &self.ground.queues[stint.block];
            stint.span.to <= at || queue.is_done(&self.progress[stint.block])
        }) {
            *next += 1;
        }
        let stint = own
            .get(*next)
            .filter(|stint| stint.span.from < self.wishes.keep_until);
        let Some(&stint) = stint else {
            return false;
        };
        if stint.span.from > at {
            // It was idle then. What is finished sooner leaves time for what comes next.
            let before = next.checked_sub(1).map(|last| own[last]);
            let ended_early = before.is_some_and(|last| last.span.to > at);
            if !(ended_early && stint.is_move) {
                self.free_at[machine] = stint.span.from;
                return true;
            }
        }
        let is_there = self.at_block[machine] == Some(stint.block);
        if stint.is_move && is_there {
            *next += 1;
            return true;
        }
        let until = self.taken_until(stint.block);
        if until > at {
            self.free_at[machine] = until.min(stint.span.to);
            return true;
        }
        if !is_there {
            self.go(machine, stint.block);
            return true;
        }
        self.work(machine, stint.block, Ends::Former(stint.span.to));
        self.free_at[machine] > at
    }

    /// The block that a machine takes next. With `ahead` it is the one to go to in the dark, so as to be there at
    /// first light.
    fn choose(&self, machine: usize, at: Second, ahead: bool) -> Option<usize> {
        let here = self.at_block[machine];
        let problem = self.problem;
        let its = &problem.machines[machine];
        let unfinished_here = here.is_some_and(|here| self.has_open_work(machine, here, at));
        let patient = self.wishes.patient && !ahead;
        let light_here = here.filter(|_| patient).and_then(|here| {
            let ground = &problem.blocks[here];
            let edge = next_edge(&ground.light, at)?;
            let next = self.ground.queues[here].next(&self.progress[here], true, its, edge);
            let waits = around(&ground.light, at).is_none()
                && self.taken_until[here] <= edge
                && ground.open.contains(edge)
                && next.is_some_and(|next| next.needs_light);
            waits.then_some(edge)
        });
        let mut best: Option<(Key, usize)> = None;
        for &block in &self.open {
            let stays = here == Some(block);
            let wished = self.wishes.machine[block];
            let others_wish = wished.is_some_and(|wished| wished != machine);
            if self.taken_until(block) > at || others_wish && self.wishes.strict {
                continue;
            }
            let ground = &problem.blocks[block];
            let way = self.way(machine, block);
            let Some(arrival) = self.arrival(machine, at, way) else {
                continue;
            };
            if !stays && light_here.is_some_and(|edge| edge <= arrival) {
                continue;
            }
            let (moment, light) = if ahead {
                let edge = next_edge(&ground.light, at);
                let Some(edge) = edge.filter(|_| around(&ground.light, at).is_none()) else {
                    continue;
                };
                let moment = edge.max(arrival);
                let light_ends = next_edge(&ground.light, edge).unwrap_or(edge);
                let works_then =
                    |window: &Window| window.span.from.max(moment) < window.span.to.min(light_ends);
                if !its.windows[self.window[machine]..].iter().any(works_then) {
                    continue;
                }
                (moment, true)
            } else {
                (arrival, around(&ground.light, arrival).is_some())
            };
            if !ground.open.contains(moment) {
                continue;
            }
            let queue = &self.ground.queues[block];
            let progress = &self.progress[block];
            let Some(next) = queue.next(progress, light, its, moment) else {
                continue;
            };
            let needs_light = next.needs_light;
            if ahead && !needs_light {
                continue;
            }
            let mut tier = match (light, stays, needs_light) {
                (true, true, true) => 0,
                (true, true, false) => {
                    if self.wishes.stay[block] {
                        0
                    } else if self.wishes.roam_by_day {
                        30
                    } else {
                        10
                    }
                }
                (true, false, true) => {
                    if unfinished_here && self.wishes.gain > 0 {
                        let lasts = around(&ground.light, arrival).map_or(0, |s| s.to - arrival);
                        let least_s = (way * self.wishes.gain).max(self.wishes.least_stay_s);
                        let enough = work_in(least_s, 1000);
                        if lasts < least_s
                            || queue.ready(progress, true, its, (moment, enough)) < enough
                        {
                            continue;
                        }
                    }
                    20
                }
                (true, false, false) if unfinished_here => 60,
                (true, false, false) => 40,
                (false, true, _) => 0,
                (false, false, _) => {
                    let least_s = match unfinished_here {
                        true => (way * self.wishes.gain).max(self.wishes.least_stay_s),
                        false => way.max(1),
                    };
                    let enough = work_in(least_s, 1000);
                    if unfinished_here && !self.wishes.roam_by_night
                        || queue.ready(progress, false, its, (moment, enough)) < enough
                    {
                        continue;
                    }
                    20
                }
            };
            let others = || {
                (0..self.at_block.len())
                    .any(|other| other != machine && self.at_block[other] == Some(block))
            };
            if !stays && others() {
                tier += 5;
            }
            let key = (
                tier,
                ground.priority,
                others_wish,
                way + self.wishes.rank[block],
                block,
            );
            if best.is_none_or(|(least, _)| key < least) {
                best = Some((key, block));
            }
        }
        best.map(|(_, block)| block)
    }

    /// Whether there is anything left in a block for a machine, by daylight, on ground that is open.
    fn has_open_work(&self, machine: usize, block: usize, at: Second) -> bool {
        let its = &self.problem.machines[machine];
        let queue = &self.ground.queues[block];
        let progress = &self.progress[block];
        !queue.is_done(progress)
            && (self.problem.blocks[block].windows.is_empty()
                || queue.next(progress, true, its, at).is_some())
    }

    /// Seconds of moving to a block. Who has moved ahead and goes elsewhere after all is no sooner there than straight from
    /// where it worked: two short walks are no way round a haul.
    fn way(&self, machine: usize, block: usize) -> i64 {
        let to = self.problem.blocks[block].place;
        let seconds = |from| self.problem.moves.seconds(from, to);
        let way = match self.at_block[machine] {
            Some(here) if here == block => return 0,
            Some(here) => self.ground.way(here, block),
            None => self.problem.machines[machine].start.map_or(0, seconds),
        };
        match self.on_the_way_s[machine] {
            0 => way,
            moved => way.max(self.left[machine].map_or(0, seconds) - moved),
        }
    }

    /// When a move that begins now ends; moves stand still outside the machine's windows.
    fn arrival(&self, machine: usize, at: Second, mut way: i64) -> Option<Second> {
        if way == 0 {
            return Some(at);
        }
        for window in &self.problem.machines[machine].windows[self.window[machine]..] {
            let from = at.max(window.span.from);
            let room = (window.span.to - from).max(0);
            if way <= room {
                return Some(from + way);
            }
            way -= room;
        }
        None
    }

    fn go(&mut self, machine: usize, block: usize) {
        let mut way = self.way(machine, block);
        let here = self.at_block[machine].filter(|here| *here != block);
        let left = here.is_some_and(|here| !self.ground.queues[here].is_done(&self.progress[here]));
        self.left_unfinished += i64::from(left);
        self.moving_s += way;
        self.on_the_way_s[machine] += way;
        while way > 0 {
            let Some(window) = self.now(machine) else {
                break;
            };
            let from = self.free_at[machine];
            let to = window.span.to.min(from + way);
            way -= to - from;
            if self.keeps {
                self.tasks[machine].push(Stint {
                    block,
                    shift: window.shift,
                    span: Stretch::new(from, to),
                    cut: None,
                });
            }
            self.free_at[machine] = to;
        }
        self.at_block[machine] = Some(block);
        self.taken_until[block] = self.taken_until[block].max(self.free_at[machine]);
    }

    /// Works on until the window, the light or the work ends, or sooner.
    fn work(&mut self, machine: usize, block: usize, ends: Ends) {
        let Some(window) = self.now(machine) else {
            return;
        };
        let ground = &self.problem.blocks[block];
        let its = &self.problem.machines[machine];
        let queue = &self.ground.queues[block];
        let mut at = self.free_at[machine];
        if !ground.open.contains(at) {
            return;
        }
        let light = around(&ground.light, at).is_some();
        let mut until = window.span.to.min(ground.open.to);
        if let Some(edge) = next_edge(&ground.light, at) {
            until = until.min(edge);
        }
        match ends {
            Ends::Former(end) => {
                let left: Work = queue.left(&self.progress[block]).iter().sum();
                let rest_s = seconds_for(left, window.pace) - (end - at);
                until = match rest_s <= LITTLE_S {
                    true => until.min(end + LITTLE_S),
                    false => until.min(end),
                };
            }
            Ends::At(end) => until = until.min(end),
            Ends::Never | Ends::WithDayWork => {}
        }
        let goes_on = !matches!(ends, Ends::Former(_));
        let mut worked_by_day = None;
        while at < until {
            let Some(next) = queue.next(&self.progress[block], light, its, at) else {
                break;
            };
            let Next {
                chain,
                needs_light,
                amount,
                ..
            } = next;
            let until = next.until.map_or(until, |closes| closes.min(until));
            // Once only night-safe work is left by day, look around for day-only work elsewhere.
            if light && ends == Ends::WithDayWork && !needs_light {
                break;
            }
            if light
                && goes_on
                && self.tours.is_none()
                && self.wishes.roam_by_day
                && !self.wishes.stay[block]
                && worked_by_day == Some(true)
                && !needs_light
            {
                break;
            }
            let begins = worked_by_day.is_none();
            worked_by_day = Some(needs_light);
            let room = work_in(until - at, window.pace);
            let done = amount.min(room);
            // Nobody begins for some minutes what the light or the shift ends.
            let is_short = goes_on && done < amount && until - at < LEAST_CUT_S;
            if done == 0 || begins && is_short {
                at = until;
                break;
            }
            let long = seconds_for(done, window.pace).min(until - at);
            self.left[machine] = Some(ground.place);
            self.on_the_way_s[machine] = 0;
            if self.keeps {
                self.tasks[machine].push(Stint {
                    block,
                    shift: window.shift,
                    span: Stretch::new(at, at + long),
                    cut: Some((chain, self.progress[block].done[chain], done, window.pace)),
                });
            }
            self.flow += done as f64 * (at + long - self.problem.period.from) as f64;
            queue.advance(&mut self.progress[block], chain, done);
            at += long;
            if done == room {
                at = until;
            }
            self.finish = self.finish.max(Some(at));
            self.ends[machine] = self.ends[machine].max(Some(at));
        }
        self.free_at[machine] = at;
        self.taken_until[block] = at;
        if queue.is_done(&self.progress[block]) {
            self.open.retain(|&other| other != block);
        }
    }

    /// Stints told apart by section.
    fn sections(self) -> Vec<Task> {
        let mut tasks = Vec::new();
        for (machine, stints) in self.tasks.iter().enumerate() {
            for stint in stints {
                let task = |what, span| Task {
                    machine,
                    shift: stint.shift,
                    block: stint.block,
                    what,
                    span,
                };
                let Some((chain, before, done, pace)) = stint.cut else {
                    tasks.push(task(What::Move, stint.span));
                    continue;
                };
                let units = &self.ground.queues[stint.block].chains[chain].units;
                let first = units.partition_point(|unit| unit.1 <= before);
                let mut at = before;
                for &(unit, end) in &units[first..] {
                    if at >= before + done {
                        break;
                    }
                    let to = end.min(before + done);
                    let moment = |work: Work| {
                        (stint.span.from + seconds_for(work - before, pace)).min(stint.span.to)
                    };
                    let what = What::Cut {
                        unit,
                        done: to - at,
                    };
                    tasks.push(task(what, Stretch::new(moment(at), moment(to))));
                    at = to;
                }
            }
        }
        tasks
    }
}
