//! A time before which no plan can finish: each bound leaves rules away until what is left can be solved exactly.

use super::forest::Forest;
use super::problem::{Machine, Problem, STANDARD_PACE, Unit, Work, seconds_for};
use super::queue::Queue;
use super::skidding::Skidder;
use super::time::{Second, Stretch, intersect, subtract, union};
use crate::model::{ShiftClass, StripKind};

/// The best of the bounds, and which it is.
#[derive(Clone, Debug, PartialEq)]
pub struct Bound {
    /// No plan finishes earlier; None: not within the period.
    pub finish: Option<Second>,
    /// In words, for `schedule.json`.
    pub because: String,
    /// What each thing that may run short allows by itself, the latest first.
    pub limits: Vec<Limit>,
}

/// What a plan is held up by, taken by itself.
#[derive(Clone, Debug, PartialEq)]
pub struct Limit {
    pub what: Scarce,
    /// No plan finishes earlier; None: not within the period.
    pub finish: Option<Second>,
    pub because: String,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Scarce {
    Light,
    Machines,
    Hauls,
    /// One block, where one machine works at a time.
    Block,
    /// Days on which ground is open.
    Windows,
    Skidders,
}

impl Scarce {
    pub fn key(self) -> &'static str {
        match self {
            Scarce::Light => "light",
            Scarce::Machines => "machines",
            Scarce::Hauls => "hauls",
            Scarce::Block => "one_block",
            Scarce::Windows => "windows",
            Scarce::Skidders => "skidders",
        }
    }

    pub fn words(self) -> &'static str {
        match self {
            Scarce::Light => "light",
            Scarce::Machines => "machine hours",
            Scarce::Hauls => "moves",
            Scarce::Block => "one block",
            Scarce::Windows => "days on which ground is open",
            Scarce::Skidders => "skidders",
        }
    }
}

fn is_later(new: Option<Second>, old: Option<Second>) -> bool {
    match (new, old) {
        (_, None) => false,
        (None, Some(_)) => true,
        (Some(new), Some(old)) => new > old,
    }
}

impl Bound {
    /// Counts one thing more; where `binds`, it holds for the felling.
    pub fn add(&mut self, limit: Limit, binds: bool) {
        if binds && is_later(limit.finish, self.finish) {
            (self.finish, self.because) = (limit.finish, limit.because.clone());
        }
        match self.limits.iter_mut().find(|own| own.what == limit.what) {
            Some(own) if is_later(limit.finish, own.finish) => *own = limit,
            Some(_) => {}
            None => self.limits.push(limit),
        }
        let late = |own: &Limit| own.finish.unwrap_or(Second::MAX);
        self.limits
            .sort_by_key(|own| (std::cmp::Reverse(late(own)), own.what));
    }
}

/// When skidders could have brought so many seconds of wood at the soonest, were all of it felled at once.
pub fn skidding_bound(skidders: &[Skidder], seconds: i64) -> Option<Second> {
    let room = |its: &Skidder| Room {
        spans: (its.windows.iter())
            .map(|window| (window.span, window.pace))
            .collect(),
    };
    let rooms: Vec<Room> = skidders.iter().map(room).collect();
    earliest(&rooms, seconds * 1000)
}

/// Machine time that can be had: the windows of one machine, or what is left of them, and its pace.
struct Room {
    spans: Vec<(Stretch, i64)>,
}

/// The largest of:
/// - all work, and the least moving that joins the blocks, against all hours of all machines;
/// - day-only work against their hours of daylight; both also for the work that only some machines may do;
/// - what comes under a window of a block, on its open days;
/// - day-only work and the moves between blocks that fall into daylight, since a machine comes to only one block of a day
///   in the dark before it, and twice to blocks that need light before and after the dark: each from the nearest block, and
///   as the shortest forest;
/// - each block by itself: prework by day, then the rest, one machine at a time.
pub fn lower_bound(problem: &Problem) -> Bound {
    let mut best = Bound {
        finish: Some(problem.period.from),
        because: "there is no work".to_owned(),
        limits: vec![],
    };
    let mut raise = |what: Scarce, finish: Option<Second>, because: String| {
        let limit = Limit {
            what,
            finish,
            because,
        };
        best.add(limit, true);
    };
    for able in ability_sets(problem) {
        let names: Vec<&str> = (able.iter())
            .map(|&m| problem.machines[m].name.as_str())
            .collect();
        let names = names.join(", ");
        for (what, day_only) in [(Scarce::Light, true), (Scarce::Machines, false)] {
            let (finish, work) = shared(problem, &able, day_only, false);
            let day = |word| if day_only { word } else { "" };
            if work > 0 {
                let because = format!(
                    "{:.1} {}hours against the {}hours of {names}",
                    work as f64 / 3.6e6,
                    day("day-only "),
                    day("daylight "),
                );
                raise(what, finish, because);
            }
        }
        let (finish, work) = shared(problem, &able, false, true);
        if work > 0 {
            let because = format!(
                "{:.1} hours, and the shortest moves that join the blocks, against the hours of {names}",
                work as f64 / 3.6e6
            );
            raise(Scarce::Hauls, finish, because);
        }
    }
    let stops = stops_by_light(problem);
    let nearest = |stretches: usize| -> i64 {
        let kept = stops.len().saturating_sub(stretches);
        stops[..kept].iter().sum()
    };
    let (mut finish, mut stretches) = by_daylight(problem, &nearest);
    // Prices that are made for more stretches than it comes to are good for these, too, only less so.
    for _ in 0..2 {
        let forest = Forest::new(problem, stretches);
        let joined = |stretches: usize| forest.seconds(stretches);
        let (later, more) = by_daylight(problem, &joined);
        if is_later(later, finish) {
            (finish, stretches) = (later, more);
        }
    }
    let because = "day-only hours, and the shortest moves by day between blocks, twice to those that need light before and after their \
                   night-safe work, against the daylight hours of all machines";
    raise(Scarce::Hauls, finish, because.to_owned());
    for (index, block) in problem.blocks.iter().enumerate() {
        if block.units.is_empty() {
            continue;
        }
        let because = format!("block {} by itself, one machine at a time", block.id);
        raise(Scarce::Block, alone(problem, index), because);
        for window in 0..block.windows.len() {
            if let Some((finish, work)) = in_window(problem, index, window) {
                let because = format!(
                    "{:.1} hours of block {} on its open days, one machine at a time",
                    work as f64 / 3.6e6,
                    block.id
                );
                raise(Scarce::Windows, finish, because);
            }
        }
    }
    best
}

/// What comes under one window of a block, whichever machine is fastest cutting it at every moment; None: nothing does.
fn in_window(problem: &Problem, index: usize, window: usize) -> Option<(Option<Second>, Work)> {
    let block = &problem.blocks[index];
    let own = || {
        block
            .units
            .iter()
            .filter(|unit| unit.window == Some(window))
    };
    let work: Work = own().map(|unit| unit.work).sum();
    if work == 0 {
        return None;
    }
    let able = (problem.machines.iter()).filter(|machine| own().any(|unit| machine.may_cut(unit)));
    let spans: Vec<(Stretch, i64)> = able
        .flat_map(|machine| room(machine, &block.light, false, block.open.from).spans)
        .flat_map(|(span, pace)| {
            let open = intersect(&[span], &block.windows[window]);
            open.into_iter().map(move |span| (span, pace))
        })
        .collect();
    let room = Room {
        spans: one_at_a_time(&spans),
    };
    Some((earliest(&[room], work), work))
}

/// Each different set of machines that may cut some section, smallest index first, and all machines.
fn ability_sets(problem: &Problem) -> Vec<Vec<usize>> {
    let mut sets: Vec<Vec<usize>> = vec![(0..problem.machines.len()).collect()];
    for block in &problem.blocks {
        let mut last: Option<(StripKind, Option<f64>)> = None;
        for unit in &block.units {
            if last == Some((unit.kind, unit.slope)) {
                continue;
            }
            last = Some((unit.kind, unit.slope));
            let able = able(problem, unit);
            if !sets.contains(&able) {
                sets.push(able);
            }
        }
    }
    sets
}

fn able(problem: &Problem, unit: &Unit) -> Vec<usize> {
    let may = |machine: &usize| problem.machines[*machine].may_cut(unit);
    (0..problem.machines.len()).filter(may).collect()
}

/// Work that only machines of a set may do, against their time.
fn shared(
    problem: &Problem,
    able_set: &[usize],
    day_only: bool,
    with_moves: bool,
) -> (Option<Second>, Work) {
    let mut work: Work = 0;
    let mut light = Vec::new();
    let mut opens = Second::MAX;
    let mut whole = true;
    for block in &problem.blocks {
        let mut counts = false;
        for unit in &block.units {
            let only_theirs = able(problem, unit).iter().all(|m| able_set.contains(m));
            if only_theirs && (!day_only || unit.needs_light()) {
                work += unit.work;
                counts = true;
            } else {
                whole = false;
            }
        }
        if counts {
            light.extend(block.light.iter().copied());
            opens = opens.min(block.open.from);
        }
    }
    if work == 0 {
        return (Some(problem.period.from), 0);
    }
    let light = union(light);
    let rooms: Vec<Room> = able_set
        .iter()
        .map(|&m| room(&problem.machines[m], &light, day_only, opens))
        .collect();
    // Against daylight they do not count: a machine may move in the dark before it.
    let extra = if with_moves && whole && able_set.len() == problem.machines.len() {
        moving(problem)
    } else {
        0
    };
    (earliest(&rooms, work + extra), work)
}

fn room(machine: &Machine, light: &[Stretch], day_only: bool, opens: Second) -> Room {
    let mut spans = Vec::new();
    for window in &machine.windows {
        let mut parts = vec![window.span];
        if day_only || !machine.night {
            parts = intersect(&parts, light);
        }
        for part in parts {
            let from = part.from.max(opens);
            if from < part.to {
                spans.push((Stretch::new(from, part.to), window.pace));
            }
        }
    }
    Room { spans }
}

/// Least work that could have been done in the time that any plan moves: the shortest tree that joins the blocks,
/// without as many of its longest moves as there are machines more than one, at the slowest pace.
fn moving(problem: &Problem) -> Work {
    // Machines that may not work at night may yet move then, in time that is not counted.
    if problem.machines.iter().any(|machine| !machine.night) {
        return 0;
    }
    let moves = tree(problem);
    let kept = (moves.len() + 1).saturating_sub(problem.machines.len());
    let seconds: i64 = moves[..kept.min(moves.len())].iter().sum();
    super::problem::work_in(seconds, slowest(problem))
}

fn slowest(problem: &Problem) -> i64 {
    let windows = problem.machines.iter().flat_map(|machine| &machine.windows);
    windows.map(|window| window.pace).max().unwrap_or(1000)
}

/// Moves of the shortest tree that joins the blocks with work (Prim 1957), shortest first, in seconds.
fn tree(problem: &Problem) -> Vec<i64> {
    let blocks: Vec<[f64; 2]> = problem
        .blocks
        .iter()
        .filter(|block| !block.units.is_empty())
        .map(|block| block.place)
        .collect();
    let mut moves = Vec::new();
    let Some(&first) = blocks.first() else {
        return moves;
    };
    let mut near: Vec<i64> = blocks
        .iter()
        .map(|&place| problem.moves.seconds(first, place))
        .collect();
    let mut joined = vec![false; blocks.len()];
    joined[0] = true;
    while let Some(next) = (0..blocks.len())
        .filter(|&b| !joined[b])
        .min_by_key(|&b| near[b])
    {
        joined[next] = true;
        moves.push(near[next]);
        for b in 0..blocks.len() {
            near[b] = near[b].min(problem.moves.seconds(blocks[next], blocks[b]));
        }
    }
    moves.sort_unstable();
    moves
}

/// What it takes of light, at least, to come to each block for its work by light, in seconds, shortest first. A block that also
/// needs light after night-safe work is come to twice, or that night-safe work is done by light too. Wherever a machine
/// comes from, it takes no less than from the nearest block.
fn stops_by_light(problem: &Problem) -> Vec<i64> {
    let worked = || {
        problem
            .blocks
            .iter()
            .filter(|block| !block.units.is_empty())
    };
    let windows = problem.machines.iter().flat_map(|machine| &machine.windows);
    let fastest = windows
        .map(|window| window.pace)
        .min()
        .unwrap_or(STANDARD_PACE);
    let mut stops = Vec::new();
    for (at, block) in worked().enumerate() {
        if !block.units.iter().any(Unit::needs_light) {
            continue;
        }
        let others = worked().enumerate().filter(|(other, _)| *other != at);
        let ways = others.map(|(_, other)| problem.moves.seconds(other.place, block.place));
        let way = ways.min().unwrap_or(0);
        let between = seconds_for(Queue::new(block).between_lights(), fastest);
        stops.extend([way, way.min(between)]);
    }
    stops.sort_unstable();
    stops
}

/// Day-only work is done in stretches, one for each machine and day of light. Within one, going on to another block takes time
/// of that light: `moving` says how many seconds at the least, in so many stretches. To the first block of a stretch a machine may have
/// come in the dark before it; where it does not run in the dark, the stretch goes on with the one before. The finish,
/// and how many stretches have begun by then.
fn by_daylight(problem: &Problem, moving: &dyn Fn(usize) -> i64) -> (Option<Second>, usize) {
    let units = problem.blocks.iter().flat_map(|block| &block.units);
    let work: Work = units
        .filter(|unit| unit.needs_light())
        .map(|unit| unit.work)
        .sum();
    if work == 0 {
        return (Some(problem.period.from), 0);
    }
    let light = problem.light();
    let opens = problem.blocks.iter().map(|block| block.open.from).min();
    let opens = opens.unwrap_or(problem.period.from);
    let rooms: Vec<Room> = (problem.machines.iter())
        .map(|machine| room(machine, &light, true, opens))
        .collect();
    // When each stretch begins.
    let mut begins: Vec<Second> = Vec::new();
    for (room, machine) in rooms.iter().zip(&problem.machines) {
        let dark = subtract(&machine.spans(), &light);
        let mut before: Option<Second> = None;
        for day in &light {
            let mut own = room
                .spans
                .iter()
                .filter(|(span, _)| day.contains(span.from));
            let Some((first, _)) = own.next() else {
                continue;
            };
            let runs = |from: Second| {
                let mut dark = dark.iter();
                dark.any(|span| span.to > from && span.from < first.from)
            };
            if before.is_none_or(runs) {
                begins.push(first.from);
            }
            before = Some(own.next_back().map_or(first.to, |(last, _)| last.to));
        }
    }
    begins.sort_unstable();
    let slowest = slowest(problem);
    for (index, &from) in begins.iter().enumerate() {
        let needed = work + super::problem::work_in(moving(index + 1), slowest);
        let until = begins.get(index + 1).copied().unwrap_or(Second::MAX);
        if let Some(finish) = earliest(&rooms, needed)
            && finish < until
        {
            return (Some(finish.max(from)), index + 1);
        }
    }
    (None, begins.len())
}

/// When rooms together have held so much work; rounded down.
fn earliest(rooms: &[Room], work: Work) -> Option<Second> {
    let mut edges: Vec<(Second, f64)> = Vec::new();
    for room in rooms {
        for (span, pace) in &room.spans {
            let rate = 1e6 / *pace as f64;
            edges.push((span.from, rate));
            edges.push((span.to, -rate));
        }
    }
    edges.sort_by(|a, b| a.0.cmp(&b.0).then(a.1.total_cmp(&b.1)));
    let (mut rate, mut done, mut at) = (0.0f64, 0.0f64, None);
    for (edge, change) in edges {
        if let Some(last) = at {
            let more = rate * (edge - last) as f64;
            // A hair of work is given away, for rates are rounded.
            if rate > 1e-9 && done + more >= work as f64 * (1.0 - 1e-9) {
                return Some(last + ((work as f64 - done).max(0.0) / rate).floor() as i64);
            }
            done += more;
        }
        at = Some(edge);
        rate += change;
    }
    None
}

/// A block by itself: whichever machine is fastest cuts it at every moment, without moves.
fn alone(problem: &Problem, index: usize) -> Option<Second> {
    let block = &problem.blocks[index];
    let sum = |wanted: &dyn Fn(&Unit) -> bool| -> Work {
        let units = block.units.iter().filter(|unit| wanted(unit));
        units.map(|unit| unit.work).sum()
    };
    let prework = sum(&|unit| unit.kind != StripKind::Interior);
    let day = sum(&|unit| unit.kind == StripKind::Interior && unit.class == ShiftClass::DayOnly);
    let all = sum(&|unit| unit.kind == StripKind::Interior);
    let fits = |machine: &&Machine| block.units.iter().any(|unit| machine.may_cut(unit));
    let able: Vec<&Machine> = problem.machines.iter().filter(fits).collect();
    let fastest = |by_day: bool, from: Second| -> Room {
        let spans: Vec<(Stretch, i64)> = able
            .iter()
            .flat_map(|machine| room(machine, &block.light, by_day, from).spans)
            .collect();
        Room {
            spans: one_at_a_time(&spans),
        }
    };
    let from = block.open.from;
    let begun = if prework > 0 {
        earliest(&[fastest(true, from)], prework)?
    } else {
        from
    };
    let mut finish = begun;
    for (by_day, work) in [(true, day), (false, all)] {
        if work > 0 {
            finish = finish.max(earliest(&[fastest(by_day, begun)], work)?);
        }
    }
    (finish <= block.open.to).then_some(finish)
}

/// At each moment the fastest of overlapping spans.
fn one_at_a_time(spans: &[(Stretch, i64)]) -> Vec<(Stretch, i64)> {
    let mut edges: Vec<Second> = spans.iter().flat_map(|(s, _)| [s.from, s.to]).collect();
    edges.sort_unstable();
    edges.dedup();
    let mut sorted = spans.to_vec();
    sorted.sort();
    let mut found: Vec<(Stretch, i64)> = Vec::new();
    let (mut next, mut live): (usize, Vec<(Stretch, i64)>) = (0, Vec::new());
    for pair in edges.windows(2) {
        let piece = Stretch::new(pair[0], pair[1]);
        live.retain(|(span, _)| span.to > piece.from);
        while sorted
            .get(next)
            .is_some_and(|(span, _)| span.from <= piece.from)
        {
            live.push(sorted[next]);
            next += 1;
        }
        if let Some(pace) = live.iter().map(|(_, pace)| *pace).min() {
            found.push((piece, pace));
        }
    }
    found
}
