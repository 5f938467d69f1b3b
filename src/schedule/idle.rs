//! Why machines stand still within their shifts.

use std::collections::BTreeMap;

use super::decks::Decks;
use super::problem::{Machine, Plan, Problem, Upkeep, What};
use super::queue::{Progress, Queue};
use super::skidding::{Skidder, Skidding};
use super::time::{Second, Stretch, around, intersect, next_edge, subtract, total, union};
use crate::model::StripKind;

#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Why {
    /// A stop of the crew file.
    Stopped,
    /// Its tank is empty, and it is dark.
    NoFuel,
    /// So much wood lies that felling waits for skidders.
    Skidders,
    /// What is left needs light, and it is dark there.
    Dark,
    /// Others are at work where there is something to do, or so near that trees could hurt them.
    Others,
    /// Ground is closed on that day, with what comes after it.
    Closed,
    /// What is left is too steep, of a kind that it does not do, or in blocks that are kept to others.
    Unable,
    /// There is work, but the move there, or the rest of the light or the shift, is not worth it by the plan.
    NoUse,
    /// Nothing is left.
    Finished,
    /// For a skidder: no wood lies that may be brought.
    NoWood,
    /// For a skidder: wood lies, and its deck has no room for it.
    DeckFull,
}

impl Why {
    pub const ALL: [Why; 11] = [
        Why::Stopped,
        Why::NoFuel,
        Why::Skidders,
        Why::Dark,
        Why::Others,
        Why::Closed,
        Why::Unable,
        Why::NoUse,
        Why::Finished,
        Why::NoWood,
        Why::DeckFull,
    ];

    pub fn key(self) -> &'static str {
        match self {
            Why::Stopped => "stopped",
            Why::NoFuel => "no_fuel",
            Why::Skidders => "waits_for_skidders",
            Why::Dark => "dark",
            Why::Others => "others_at_work",
            Why::Closed => "closed",
            Why::Unable => "not_its_work",
            Why::NoUse => "no_use",
            Why::Finished => "nothing_left",
            Why::NoWood => "no_wood",
            Why::DeckFull => "deck_full",
        }
    }
}

/// A time in which a machine stands still in its shift.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Idle {
    /// Felling machines first, then skidders.
    pub machine: usize,
    pub span: Stretch,
    pub why: Why,
}

/// It is looked anew at the latest after so many seconds.
const LOOK_S: i64 = 3600;

/// Of a block's unit.
pub type Litres<'a> = &'a dyn Fn(usize, usize) -> i64;

/// What is known beside the plan.
pub struct Known<'a> {
    /// Shifts of felling machines, then of skidders; sorted.
    pub shifts: &'a [Vec<Stretch>],
    /// When felling waits for skidders.
    pub waits: &'a [Stretch],
    pub skidders: &'a [Skidder],
    pub skidding: &'a Skidding,
    /// Whether the wood of a block's unit is brought by daylight only.
    pub by_day: &'a dyn Fn(usize, usize) -> bool,
    /// Wood from before, with when it was felled.
    pub lying: &'a [(usize, usize, Second)],
    /// Decks, and the litres of a block's unit; None: decks are not looked at.
    pub decks: Option<(&'a Decks, Litres<'a>)>,
}

/// Every idle time of every machine, by machine, then by time.
pub fn idle(problem: &Problem, plan: &Plan, known: &Known<'_>) -> Vec<Idle> {
    let mut found = Vec::new();
    let light = problem.light();
    let felling = Felling::new(problem, plan);
    for (machine, its) in problem.machines.iter().enumerate() {
        let busy: Vec<Stretch> = (plan.tasks.iter())
            .filter(|task| task.machine == machine)
            .map(|task| task.span)
            .collect();
        let times = Times::new(&known.shifts[machine], &its.spans(), &its.upkeep, busy);
        let mut own = times.still(machine);
        let mut put = |spans: &[Stretch], why: Why| {
            own.extend(spans.iter().map(|&span| Idle { machine, span, why }));
        };
        put(&intersect(&times.free, known.waits), Why::Skidders);
        for part in pieces(&subtract(&times.free, known.waits), &light) {
            put(&[part], felling.why(its, machine, part.from));
        }
        found.extend(joined(own));
    }
    let wood = wood(plan, known);
    for (index, skidder) in known.skidders.iter().enumerate() {
        let machine = problem.machines.len() + index;
        let busy: Vec<Stretch> = (known.skidding.tasks.iter())
            .filter(|task| task.skidder == index)
            .map(|task| task.span)
            .collect();
        let runs: Vec<Stretch> = skidder.windows.iter().map(|window| window.span).collect();
        let times = Times::new(&known.shifts[machine], &runs, &skidder.upkeep, busy);
        let mut own = times.still(machine);
        for span in pieces(&times.free, &light) {
            let why = why_no_wood(problem, &felling, known, skidder, &wood, span.from);
            own.push(Idle { machine, span, why });
        }
        found.extend(joined(own));
    }
    found
}

/// What of its shifts a machine does nothing in.
struct Times {
    /// It could run.
    free: Vec<Stretch>,
    /// It waits for light with an empty tank.
    dry: Vec<Stretch>,
    stopped: Vec<Stretch>,
}

impl Times {
    fn new(shifts: &[Stretch], runs: &[Stretch], upkeep: &Upkeep, mut busy: Vec<Stretch>) -> Times {
        let slots = upkeep.slots();
        let each = upkeep.service.iter().chain(&upkeep.fuel);
        let needed = each.filter(|slot| Upkeep::is_needed(**slot, &busy));
        let needed: Vec<Stretch> = needed.copied().collect();
        busy.extend(needed);
        let idle = subtract(shifts, &union(busy));
        let runs = union(runs.iter().copied().chain(slots).collect());
        let still = subtract(&idle, &runs);
        Times {
            free: intersect(&idle, &runs),
            dry: intersect(&still, &upkeep.dry),
            stopped: subtract(&still, &upkeep.dry),
        }
    }

    /// Times in which it could not run.
    fn still(&self, machine: usize) -> Vec<Idle> {
        let dry = self.dry.iter().map(|&span| (span, Why::NoFuel));
        let stopped = self.stopped.iter().map(|&span| (span, Why::Stopped));
        dry.chain(stopped)
            .map(|(span, why)| Idle { machine, span, why })
            .collect()
    }
}

/// Seconds by machine and reason.
pub fn sums(idle: &[Idle]) -> BTreeMap<(usize, Why), i64> {
    let mut sums = BTreeMap::new();
    for own in idle {
        *sums.entry((own.machine, own.why)).or_insert(0) += own.span.seconds();
    }
    sums
}

/// Parted where light comes or goes anywhere, and after so long.
fn pieces(spans: &[Stretch], light: &[Stretch]) -> Vec<Stretch> {
    let mut parts = Vec::new();
    for span in spans {
        let mut from = span.from;
        while from < span.to {
            let edge = next_edge(light, from).unwrap_or(Second::MAX);
            let to = span.to.min(edge).min(from + LOOK_S);
            parts.push(Stretch::new(from, to));
            from = to;
        }
    }
    parts
}

fn joined(mut own: Vec<Idle>) -> Vec<Idle> {
    own.sort_by_key(|idle| idle.span);
    let mut joined: Vec<Idle> = Vec::new();
    for next in own {
        match joined.last_mut() {
            Some(last) if last.why == next.why && last.span.to == next.span.from => {
                last.span.to = next.span.to;
            }
            _ => joined.push(next),
        }
    }
    joined
}

/// The plan told anew, to see at any moment what is left.
struct Felling<'p> {
    problem: &'p Problem,
    queues: Vec<Queue>,
    /// By block: chain of each unit.
    chains: Vec<Vec<usize>>,
    /// By block, sorted: when, which unit, how much, and who.
    cuts: Vec<Vec<(Stretch, usize, i64, usize)>>,
}

impl<'p> Felling<'p> {
    fn new(problem: &'p Problem, plan: &Plan) -> Felling<'p> {
        let queues: Vec<Queue> = problem.blocks.iter().map(Queue::new).collect();
        let chains = (problem.blocks.iter().zip(&queues))
            .map(|(block, queue)| {
                let mut of = vec![0; block.units.len()];
                for (number, chain) in queue.chains.iter().enumerate() {
                    for (unit, _) in &chain.units {
                        of[*unit] = number;
                    }
                }
                of
            })
            .collect();
        let mut cuts = vec![Vec::new(); problem.blocks.len()];
        for task in &plan.tasks {
            if let What::Cut { unit, done } = task.what {
                cuts[task.block].push((task.span, unit, done, task.machine));
            }
        }
        for own in &mut cuts {
            own.sort_unstable();
        }
        Felling {
            problem,
            queues,
            chains,
            cuts,
        }
    }

    /// What of a block is done or being done at a moment.
    fn progress(&self, block: usize, at: Second) -> Progress {
        let mut progress = Progress::default();
        let begun = self.cuts[block].iter().take_while(|cut| cut.0.from <= at);
        for (_, unit, done, _) in begun {
            self.queues[block].advance(&mut progress, self.chains[block][*unit], *done);
        }
        progress
    }

    /// Whether another machine cuts in a block at a moment.
    fn is_taken(&self, block: usize, machine: usize, at: Second) -> bool {
        let cuts = &self.cuts[block];
        let begun = cuts.partition_point(|cut| cut.0.from <= at);
        (cuts[..begun].last()).is_some_and(|cut| cut.0.contains(at) && cut.3 != machine)
    }

    fn why(&self, machine: &Machine, index: usize, at: Second) -> Why {
        let any = Machine {
            kinds: vec![
                StripKind::RoadClearing,
                StripKind::BoundaryPass,
                StripKind::Interior,
            ],
            max_slope: f64::INFINITY,
            able: Default::default(),
            night: true,
            ..machine.clone()
        };
        let mut seen = Vec::new();
        for (block, ground) in self.problem.blocks.iter().enumerate() {
            let (queue, progress) = (&self.queues[block], self.progress(block, at));
            if queue.is_done(&progress) {
                continue;
            }
            let lit = around(&ground.light, at).is_some();
            let now = |light: bool, machine: &Machine| {
                queue.next(&progress, light, machine, at).is_some()
            };
            seen.push(if !ground.only.takes(&machine.name) {
                Why::Unable
            } else if !ground.open.contains(at) {
                Why::Closed
            } else if now(lit, machine) {
                let near = ground.near.iter();
                let mut near = near.chain([&block]);
                match near.any(|other| self.is_taken(*other, index, at)) {
                    true => Why::Others,
                    false => Why::NoUse,
                }
            } else if now(true, machine) {
                Why::Dark
            } else if now(true, &any) {
                Why::Unable
            } else {
                Why::Closed
            });
        }
        // What it could do before what it could not.
        let order = [Why::NoUse, Why::Dark, Why::Others, Why::Closed, Why::Unable];
        let first = order.into_iter().find(|why| seen.contains(why));
        first.unwrap_or(Why::Finished)
    }
}

/// Block and unit, when it is felled, and when the first of it is brought.
type Wood = Vec<((usize, usize), Second, Second)>;

fn wood(plan: &Plan, known: &Known<'_>) -> Wood {
    let mut felled: BTreeMap<(usize, usize), Second> = known
        .lying
        .iter()
        .map(|own| ((own.0, own.1), own.2))
        .collect();
    for task in &plan.tasks {
        if let What::Cut { unit, .. } = task.what {
            let at = felled.entry((task.block, unit)).or_insert(task.span.to);
            *at = (*at).max(task.span.to);
        }
    }
    let mut brought: BTreeMap<(usize, usize), Second> = BTreeMap::new();
    for task in &known.skidding.tasks {
        if let Some(unit) = task.unit {
            let at = brought.entry((task.block, unit)).or_insert(task.span.from);
            *at = (*at).min(task.span.from);
        }
    }
    // What nobody ever brings does not lie ready for anybody.
    let room = |ground: (usize, usize)| {
        let (decks, _) = known.decks?;
        decks.decks[decks.of[ground.0][ground.1]].room
    };
    let both = felled.into_iter();
    both.filter_map(|(ground, at)| {
        let when = brought.get(&ground).copied();
        // But for what finds no room.
        let when = when.or_else(|| room(ground).map(|_| Second::MAX));
        Some((ground, at, when?))
    })
    .collect()
}

/// Litres that find room on each deck at a moment; None: no end of it.
fn rooms(known: &Known<'_>, wood: &Wood, at: Second) -> Vec<Option<i64>> {
    let Some((decks, litres)) = known.decks else {
        return vec![];
    };
    let mut taken: Vec<i64> = decks.decks.iter().map(|deck| deck.lies).collect();
    for (ground, _, brought) in wood {
        if *brought <= at {
            taken[decks.of[ground.0][ground.1]] += litres(ground.0, ground.1);
        }
    }
    for load in known.skidding.loads.iter().filter(|load| load.at <= at) {
        taken[load.deck] -= load.litres;
    }
    let left = decks.decks.iter().zip(taken);
    left.map(|(deck, taken)| Some(deck.room? - taken)).collect()
}

fn why_no_wood(
    problem: &Problem,
    felling: &Felling<'_>,
    known: &Known<'_>,
    skidder: &Skidder,
    wood: &Wood,
    at: Second,
) -> Why {
    let mut ready = wood
        .iter()
        .filter(|(_, felled, brought)| felled + skidder.min_lead_s <= at && at < *brought)
        .peekable();
    if ready.peek().is_none() {
        return Why::NoWood;
    }
    let waits_for_light = |block: usize, unit: usize| {
        let dark = around(&problem.blocks[block].light, at).is_none();
        dark && (!skidder.night || (known.by_day)(block, unit))
    };
    let waits = ready.filter(|((block, unit), ..)| !waits_for_light(*block, *unit));
    let mut waits = waits.peekable();
    if waits.peek().is_none() {
        return Why::Dark;
    }
    let rooms = rooms(known, wood, at);
    let is_full = |(block, unit): (usize, usize)| {
        let deck = known
            .decks
            .map(|(decks, litres)| (decks.of[block][unit], litres));
        deck.is_some_and(|(deck, litres)| {
            rooms[deck].is_some_and(|room| litres(block, unit) > room)
        })
    };
    let mut left = waits.filter(|(ground, ..)| !is_full(*ground)).peekable();
    if left.peek().is_none() {
        return Why::DeckFull;
    }
    let is_felled = |block: usize| {
        let near = problem.blocks[block].near.iter();
        near.chain([&block])
            .any(|other| felling.is_taken(*other, usize::MAX, at))
    };
    match left.all(|((block, _), ..)| is_felled(*block)) {
        true => Why::Others,
        false => Why::NoUse,
    }
}

/// Hours of light within the shifts of a machine, and those of them in which it works or moves.
pub fn light_used(problem: &Problem, plan: &Plan, within: Stretch) -> (i64, i64) {
    let light = intersect(&problem.light(), &[within]);
    let mut sums = (0, 0);
    for (machine, its) in problem.machines.iter().enumerate() {
        sums.0 += total(&intersect(&its.spans(), &light));
        let mut cuts: Vec<Stretch> = Vec::new();
        for task in plan.tasks.iter().filter(|task| task.machine == machine) {
            if matches!(task.what, What::Cut { .. }) {
                cuts.push(task.span);
            }
        }
        sums.1 += total(&intersect(&union(cuts), &light));
    }
    sums
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::{SectionKey, ShiftClass};
    use crate::schedule::{Block, HOUR, Moves, Task, Unit, Window};

    const H: i64 = 3600;

    fn unit(section_no: u32, class: ShiftClass, hours: i64) -> Unit {
        Unit {
            key: SectionKey {
                part: 1,
                strip_no: 1,
                piece: 1,
                section_no,
            },
            kind: StripKind::Interior,
            class,
            order: 1,
            work: hours * HOUR,
            slope: None,
            window: None,
        }
    }

    fn problem(units: Vec<Unit>, machines: usize) -> Problem {
        let machine = |index: usize| Machine {
            name: format!("m{index}"),
            kinds: vec![StripKind::Interior],
            max_slope: 1.0,
            able: Default::default(),
            night: true,
            windows: vec![Window {
                span: Stretch::new(0, 24 * H),
                shift: 0,
                pace: 1000,
            }],
            upkeep: Default::default(),
            start: None,
        };
        Problem {
            period: Stretch::new(0, 24 * H),
            blocks: vec![Block {
                id: "A".to_owned(),
                place: [0.0, 0.0],
                light: vec![Stretch::new(8 * H, 16 * H)],
                open: Stretch::new(0, 24 * H),
                priority: 0,
                units,
                windows: vec![],
                near: vec![],
                only: Default::default(),
                needs: Default::default(),
            }],
            machines: (0..machines).map(machine).collect(),
            wood: Default::default(),
            moves: Moves {
                detour: 1.0,
                walk_up_to_m: 1000.0,
                walk_m_per_s: 1.0,
                haul_m_per_s: 10.0,
                haul_fixed_s: H,
            },
        }
    }

    fn cut(machine: usize, unit: usize, from: i64, to: i64) -> Task {
        Task {
            machine,
            shift: 0,
            block: 0,
            what: What::Cut {
                unit,
                done: (to - from) * HOUR,
            },
            span: Stretch::new(from * H, to * H),
        }
    }

    fn told(problem: &Problem, tasks: Vec<Task>, waits: &[Stretch]) -> Vec<(usize, i64, i64, Why)> {
        let plan = Plan {
            tasks,
            ..Plan::default()
        };
        let shifts = vec![vec![Stretch::new(0, 24 * H)]; problem.machines.len()];
        let known = Known {
            shifts: &shifts,
            waits,
            skidders: &[],
            skidding: &Skidding::default(),
            by_day: &|_, _| false,
            lying: &[],
            decks: None,
        };
        let found = idle(problem, &plan, &known);
        let hours = |idle: Idle| (idle.machine, idle.span.from / H, idle.span.to / H, idle.why);
        found.into_iter().map(hours).collect()
    }

    /// By hand: dark until 8, day-only ground until 12, nothing after that.
    #[test]
    fn the_night_before_day_only_ground_is_dark_and_after_all_is_cut_nothing_is_left() {
        let problem = problem(vec![unit(1, ShiftClass::DayOnly, 4)], 1);
        assert_eq!(
            told(&problem, vec![cut(0, 0, 8, 12)], &[]),
            [(0, 0, 8, Why::Dark), (0, 12, 24, Why::Finished)]
        );
    }

    #[test]
    fn who_stands_beside_another_in_the_one_block_waits_for_him() {
        let problem = problem(
            vec![
                unit(1, ShiftClass::NightSafe, 6),
                unit(2, ShiftClass::NightSafe, 6),
            ],
            2,
        );
        let tasks = vec![cut(0, 0, 0, 6), cut(0, 1, 6, 12)];
        assert_eq!(
            told(&problem, tasks, &[]),
            [
                (0, 12, 24, Why::Finished),
                (1, 0, 6, Why::Others),
                (1, 6, 24, Why::Finished)
            ]
        );
    }

    #[test]
    fn stops_waits_and_closed_ground_are_told_apart() {
        let mut problem = problem(vec![unit(1, ShiftClass::NightSafe, 6)], 1);
        problem.machines[0].windows[0].span = Stretch::new(2 * H, 24 * H);
        problem.blocks[0].open = Stretch::new(6 * H, 24 * H);
        let waits = [Stretch::new(6 * H, 9 * H)];
        assert_eq!(
            told(&problem, vec![cut(0, 0, 9, 15)], &waits),
            [
                (0, 0, 2, Why::Stopped),
                (0, 2, 6, Why::Closed),
                (0, 6, 9, Why::Skidders),
                (0, 15, 24, Why::Finished)
            ]
        );
    }
}
