//! From wishes to a plan: machines take their next stint one after the other, the earliest free one first (list
//! scheduling). Every plan made here keeps the rules; how good it is depends on the wishes.

use super::Stretch;
use super::former::Former;
use super::problem::{Plan, Problem, Task, What, Window, Work, seconds_for, work_in};
use super::queue::{Next, Progress, Queue};
use super::time::{Second, around, next_edge};

/// What the search may turn.
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
    /// What needs light elsewhere goes before what needs it here, if it is wished sooner.
    pub free: bool,
    /// Take over where another machine stands without hesitation.
    pub share: bool,
    /// Until then machines do what the former plan has, where they can.
    pub keep_until: Second,
}

/// Queues of all blocks, made once.
pub struct Ground {
    pub queues: Vec<Queue>,
    /// Every start and end of light of any block, and when blocks open; sorted.
    edges: Vec<Second>,
    /// The plan before this one.
    former: Option<Former>,
}

impl Ground {
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
        Ground {
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
    finish: Option<Second>,
    moving_s: i64,
    /// How often a block was left with work in it.
    left_unfinished: i64,
    /// The next stint of each machine in the former plan.
    next_former: Vec<usize>,
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
    pub undone: Work,
    /// Seconds of all machines until the finish, and what moves and blocks that are left unfinished weigh.
    pub cost_s: i64,
    pub finish: Second,
    pub moving_s: i64,
    /// The machine that cuts last, and the one that is done first.
    pub ends: [usize; 2],
}

/// What it weighs to leave a block in which work is left, seconds of a machine: whoever comes back finds his way anew.
const LEAVING_S: i64 = 5400;

/// What an hour of moving weighs beside an hour of a machine: the machine's own, and a lowbed's with its driver.
const MOVING_WEIGHT: i64 = 2;

/// A block is not left for so little, seconds.
const LITTLE_S: i64 = 900;

/// What it weighs to change a shift of which people know already, seconds of a machine.
const CHANGE_S: i64 = 7200;

/// What an hour that is left undone weighs beside an hour of a machine, where a former plan is kept to.
const UNDONE_WEIGHT: i64 = 3;

/// Makes a plan and says how good it is.
pub fn score(problem: &Problem, ground: &Ground, wishes: &Wishes) -> Score {
    let state = run(problem, ground, wishes);
    let finish = state.finish.unwrap_or(problem.period.from);
    let machines = problem.machines.len() as i64;
    let mut undone = state.undone();
    let mut cost_s = (finish - problem.period.from) * machines
        + MOVING_WEIGHT * state.moving_s
        + LEAVING_S * state.left_unfinished;
    if let Some(former) = &ground.former {
        // Some seconds of work more would else be worth any number of changes.
        cost_s += UNDONE_WEIGHT * (undone / 1000) + CHANGE_S * state.changed(former);
        if undone > 0 {
            cost_s += (problem.period.to - finish) * machines;
        }
        undone = 0;
    }
    if !problem.wood.wanted.is_empty() {
        let stints = state.tasks.iter().flatten();
        let cuts = stints.filter_map(|stint| {
            let (chain, before, done, _) = stint.cut?;
            Some((stint.block, chain, before, done, stint.span))
        });
        cost_s += super::wood::short_s(&problem.wood, &ground.queues, cuts)
            + UNDONE_WEIGHT * (undone / 1000);
        undone = 0;
    }
    Score {
        undone,
        cost_s,
        finish,
        moving_s: state.moving_s,
        ends: state.ends(),
    }
}

/// Makes a plan.
pub fn plan(problem: &Problem, ground: &Ground, wishes: &Wishes) -> Plan {
    let state = run(problem, ground, wishes);
    Plan {
        undone: state.undone(),
        finish: state.finish,
        moving_s: state.moving_s,
        tasks: state.sections(),
    }
}

fn run<'p>(problem: &'p Problem, ground: &'p Ground, wishes: &'p Wishes) -> State<'p> {
    let machines = problem.machines.len();
    let blocks = problem.blocks.len();
    let mut state = State {
        problem,
        ground,
        wishes,
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
        finish: None,
        moving_s: 0,
        left_unfinished: 0,
        next_former: vec![0; machines],
    };
    while !state.open.is_empty() {
        let earliest = (0..machines)
            .filter(|&m| state.window[m] < problem.machines[m].windows.len())
            .min_by_key(|&m| (state.free_at[m], m));
        match earliest {
            Some(machine) => state.step(machine),
            None => break,
        }
    }
    state
}

impl State<'_> {
    /// The machine that cuts last, and the one that is done first.
    fn ends(&self) -> [usize; 2] {
        let end = |machine: &usize| {
            let cuts = self.tasks[*machine].iter().rev();
            let last = cuts
                .filter(|stint| stint.cut.is_some())
                .map(|stint| stint.span.to);
            (last.max().unwrap_or(Second::MIN), *machine)
        };
        let machines = 0..self.tasks.len();
        let (last, first) = (machines.clone().max_by_key(end), machines.min_by_key(end));
        [last.unwrap_or(0), first.unwrap_or(0)]
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
        if let Some(block) = self.choose(machine, at, false) {
            self.go(machine, block);
            self.work(machine, block, None);
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
        let near = &self.problem.blocks[stint.block].near;
        let taken = std::iter::once(&stint.block).chain(near);
        let taken = taken.map(|&other| self.taken_until[other]).max();
        if let Some(until) = taken.filter(|until| *until > at) {
            self.free_at[machine] = until.min(stint.span.to);
            return true;
        }
        if !is_there {
            self.go(machine, stint.block);
            return true;
        }
        self.work(machine, stint.block, Some(stint.span.to));
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
            if self.taken_until[block] > at || others_wish && self.wishes.strict {
                continue;
            }
            let ground = &problem.blocks[block];
            // Whoever works in a block near by has it to itself until it stops.
            if ground
                .near
                .iter()
                .any(|&other| self.taken_until[other] > at)
            {
                continue;
            }
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
                (true, true, true) if self.wishes.free => 20,
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
            if !stays && !self.wishes.share && others() {
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
        let from = match self.at_block[machine] {
            Some(here) if here == block => return 0,
            Some(here) => Some(self.problem.blocks[here].place),
            None => self.problem.machines[machine].start,
        };
        let seconds = |from| self.problem.moves.seconds(from, to);
        let way = from.map_or(0, seconds);
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
            self.tasks[machine].push(Stint {
                block,
                shift: window.shift,
                span: Stretch::new(from, to),
                cut: None,
            });
            self.free_at[machine] = to;
        }
        self.at_block[machine] = Some(block);
        self.taken_until[block] = self.free_at[machine];
    }

    /// Works on until the window, the light or the work ends, or a moment; little that is left then is finished.
    fn work(&mut self, machine: usize, block: usize, end: Option<Second>) {
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
        if let Some(end) = end {
            let left: Work = queue.left(&self.progress[block]).iter().sum();
            let rest_s = seconds_for(left, window.pace) - (end - at);
            until = match rest_s <= LITTLE_S {
                true => until.min(end + LITTLE_S),
                false => until.min(end),
            };
        }
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
            if light
                && end.is_none()
                && self.wishes.roam_by_day
                && !self.wishes.stay[block]
                && worked_by_day == Some(true)
                && !needs_light
            {
                break;
            }
            worked_by_day = Some(needs_light);
            let room = work_in(until - at, window.pace);
            let done = amount.min(room);
            if done == 0 {
                at = until;
                break;
            }
            let long = seconds_for(done, window.pace).min(until - at);
            self.left[machine] = Some(ground.place);
            self.on_the_way_s[machine] = 0;
            self.tasks[machine].push(Stint {
                block,
                shift: window.shift,
                span: Stretch::new(at, at + long),
                cut: Some((chain, self.progress[block].done[chain], done, window.pace)),
            });
            queue.advance(&mut self.progress[block], chain, done);
            at += long;
            if done == room {
                at = until;
            }
            self.finish = self.finish.max(Some(at));
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
