//! Skidders follow the felling: a section is skidded no sooner than the least lead after it was cut, should be begun
//! no later than the greatest, and is left alone while trees fall near it.

use std::cell::RefCell;
use std::collections::BTreeMap;

use super::clear::{Felling, TooNear};
use super::decks::{Decks, Filling, Load};
use super::problem::{Able, Block, Moves, Plan, Problem, Upkeep, What, Window, seconds_for};
use super::time::{Second, Stretch, around, next_edge};

#[derive(Clone, Debug)]
pub struct Skidder {
    pub name: String,
    pub night: bool,
    /// Steepest ground it is sent to, rise over run; None: nobody says.
    pub max_slope: Option<f64>,
    pub able: Able,
    pub windows: Vec<Window>,
    pub upkeep: Upkeep,
    pub start: Option<[f64; 2]>,
    /// Seconds between the end of felling a section and its skidding.
    pub min_lead_s: i64,
    pub max_lead_s: i64,
}

/// A stretch of a skidder's time.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct SkidTask {
    pub skidder: usize,
    pub shift: usize,
    pub block: usize,
    /// None: a move to the block.
    pub unit: Option<usize>,
    pub span: Stretch,
}

#[derive(Clone, Debug, Default, PartialEq)]
pub struct Skidding {
    /// By skidder, then by time.
    pub tasks: Vec<SkidTask>,
    /// Block and unit of sections begun later than the greatest lead, and by how many seconds.
    pub late: Vec<(usize, usize, i64)>,
    /// Felled sections that no skidder reaches within the period, and their work in seconds.
    pub left: usize,
    pub left_s: i64,
    /// Block and unit of those among them of which some is skidded.
    pub begun: Vec<(usize, usize)>,
    /// What trucks take from decks, by time; none where nobody says what they hold.
    pub loads: Vec<Load>,
}

/// What is known of the wood of a section, by block and unit.
#[derive(Clone, Copy)]
pub struct WoodKnown<'w> {
    /// Seconds at the standard pace.
    pub seconds: &'w dyn Fn(usize, usize) -> i64,
    /// Whether no skidder may work there in the dark, whatever its own leave.
    pub by_day: &'w dyn Fn(usize, usize) -> bool,
    /// Steepest ground that it lies on or comes over on its strip, rise over run; None: not known, or stated to be level.
    pub slope: &'w dyn Fn(usize, usize) -> Option<f64>,
    /// Whether who brings it is within reach of trees that fall on other ground.
    pub too_near: TooNear<'w>,
    /// Litres of it.
    pub litres: &'w dyn Fn(usize, usize) -> i64,
    /// What was felled before the period and lies still.
    pub lying: &'w [Lying],
    /// The block where the plan before has a skidder at a moment.
    pub kept: &'w dyn Fn(usize, Second) -> Option<usize>,
    /// Where it is decked; None: decks are not looked at.
    pub decks: Option<&'w Decks>,
}

/// Wood that was felled before the period.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Lying {
    pub block: usize,
    pub unit: usize,
    pub felled: Second,
}

/// What a skidder waits for before it goes to a block.
#[derive(Clone, Copy, Debug, Default)]
pub struct Least<'w> {
    /// Litres that lie there, or all that is felled of it.
    pub litres: i64,
    /// When felling stands still for skidders: they go to whatever lies anywhere.
    pub waits: &'w [Stretch],
}

/// A skidder is not sent for less, s, but to end what is left.
const LEAST_STAY_S: i64 = 600;
/// A skidder goes to another block for so many times the way there, while felling goes on there and nobody says how much is to lie.
const WORTH_WAYS: i64 = 4;
/// And begins anew where it stands for so much, s: else it would go out for every section as it dries.
const WORTH_BEGINNING_S: i64 = 1800;
/// Wood that is wanted by a date is brought without waiting for more in the time before it, s.
const WANTED_SOON_S: i64 = 2 * 86_400;

struct Wood {
    block: usize,
    unit: usize,
    litres: i64,
    felled: Second,
    left: i64,
    begun: bool,
    by_day: bool,
    slope: Option<f64>,
}

impl Skidder {
    /// Whether it may go over ground of a slope.
    pub fn may_climb(&self, slope: Option<f64>) -> bool {
        let most = self.max_slope.zip(slope);
        most.is_none_or(|(most, slope)| slope <= most)
    }

    /// Whether it may bring wood of a block that lies on or comes over ground of a slope.
    pub fn may_take(&self, block: &Block, slope: Option<f64>) -> bool {
        block.only.takes_skidder(&self.name) && self.may_climb(slope)
    }
}

/// Fills the skidders' shifts with what has been felled: first where a skidder stands, then where wood lies longest.
/// What no machine may do in the dark waits for light.
pub fn follow(
    problem: &Problem,
    plan: &Plan,
    skidders: &[Skidder],
    moves: &Moves,
    work: WoodKnown<'_>,
    least: Least<'_>,
) -> Skidding {
    let mut skidding = Skidding::default();
    if skidders.is_empty() {
        return skidding;
    }
    let mut wood = felled(problem, plan, work);
    let ends = felling_ends(problem, plan);
    let felling = Felling::new(problem, plan, work.too_near);
    let mut filling = work.decks.map(Filling::new);
    let mut free: Vec<Second> = vec![problem.period.from; skidders.len()];
    let mut window = vec![0usize; skidders.len()];
    let mut here: Vec<Option<usize>> = vec![None; skidders.len()];
    let mut tasks: Vec<Vec<SkidTask>> = vec![Vec::new(); skidders.len()];
    while !wood.is_empty() {
        let next = (0..skidders.len())
            .filter(|&s| window[s] < skidders[s].windows.len())
            .min_by_key(|&s| (free[s], s));
        let Some(s) = next else { break };
        let its = &skidders[s];
        let now = its.windows[window[s]];
        if free[s] >= now.span.to {
            window[s] += 1;
            continue;
        }
        if free[s] < now.span.from {
            free[s] = now.span.from;
            continue;
        }
        let at = free[s];
        if let Some(filling) = &mut filling {
            filling.advance(at);
        }
        let in_dark = |wood: &Wood| its.night && !wood.by_day;
        let opening = |wood: &Wood| {
            let block = &problem.blocks[wood.block];
            block.window(&block.units[wood.unit])
        };
        let is_open =
            |wood: &Wood, at: Second| opening(wood).is_none_or(|open| around(open, at).is_some());
        // Sorted by their felling: what comes after these is not dry yet.
        let dried = wood.partition_point(|wood| wood.felled + its.min_lead_s <= at);
        let has_room = |wood: &Wood| {
            let filling = filling.as_ref().filter(|_| !wood.begun);
            filling.is_none_or(|own| own.has_room((wood.block, wood.unit), wood.litres))
        };
        let ways: Vec<i64> = (problem.blocks.iter().enumerate())
            .map(|(block, ground)| {
                let from = match here[s] {
                    Some(before) if before == block => None,
                    Some(before) => Some(problem.blocks[before].place),
                    None => its.start,
                };
                from.map_or(0, |from| moves.seconds(from, ground.place))
            })
            .collect();
        let way_to = |block: usize| ways[block];
        // As it is when it gets there: it goes in the dark, to be there with the light, and for no last minutes of it.
        let lit = |wood: &Wood, then: Second| {
            let least_s = match then > at {
                true => seconds_for(wood.left * 1000, now.pace).min(WORTH_BEGINNING_S),
                false => 0,
            };
            let light = around(&problem.blocks[wood.block].light, then);
            in_dark(wood) || light.is_some_and(|light| light.to - then >= least_s)
        };
        let ready = |wood: &Wood| {
            let then = at + way_to(wood.block);
            lit(wood, then)
                && is_open(wood, then)
                && its.may_take(&problem.blocks[wood.block], wood.slope)
                && has_room(wood)
        };
        let clear_from = |wood: &Wood, at: Second| {
            let least_s = seconds_for(wood.left * 1000, now.pace).clamp(1, LEAST_STAY_S);
            let ground = (wood.block, wood.unit);
            felling.first_clear(ground, at, least_s).from
        };
        // Where the plan before has it, before where it stands.
        let goes_on = (work.kept)(s, at).or(here[s]);
        let is_here = |w: &usize| goes_on == Some(wood[*w].block);
        let dry = || (0..dried).filter(|&w| ready(&wood[w]));
        let pressed = least.litres == 0 || around(least.waits, at).is_some();
        let mut lying = vec![0; if pressed { 0 } else { problem.blocks.len() }];
        if !pressed {
            for own in wood.iter().take_while(|own| own.felled <= at) {
                lying[own.block] += own.litres;
            }
        }
        let is_enough = |block: usize| pressed || ends[block] <= at || lying[block] >= least.litres;
        let mut of_block = vec![Vec::new(); problem.blocks.len()];
        for w in dry() {
            of_block[wood[w].block].push(w);
        }
        // Whether so much of a block may be brought as soon as the skidder is there; asked once of most blocks.
        let known = RefCell::new(BTreeMap::new());
        let lies_ready = |block: usize, least_s: i64| {
            *known
                .borrow_mut()
                .entry((block, least_s))
                .or_insert_with(|| {
                    let then = at + way_to(block);
                    let mut left_s = least_s;
                    for own in of_block[block].iter().map(|&w| &wood[w]) {
                        if clear_from(own, then) == then {
                            left_s -= seconds_for(own.left * 1000, now.pace);
                        }
                        if left_s <= 0 {
                            break;
                        }
                    }
                    left_s <= 0
                })
        };
        let wanted = problem.wood.wanted.iter();
        let presses = around(least.waits, at).is_some()
            || (wanted.into_iter()).any(|own| (own.by - WANTED_SOON_S..own.by).contains(&at));
        // However little it is: no more comes there, or it lies too long.
        let presses = |own: &Wood| {
            presses
                || ends[own.block] + its.min_lead_s <= at
                || own.felled + its.max_lead_s <= at + way_to(own.block)
        };
        // What lies there is shared with those who stand there.
        let others = |own: &Wood| {
            let there = (0..skidders.len()).filter(|&o| o != s && here[o] == Some(own.block));
            let may = |o: &usize| skidders[*o].may_take(&problem.blocks[own.block], own.slope);
            there.filter(may).count() as i64
        };
        let is_worth = |own: &Wood| {
            let others = others(own);
            least.litres > 0
                || others == 0 && presses(own)
                || lies_ready(own.block, (1 + others) * WORTH_WAYS * way_to(own.block))
        };
        let last = tasks[s].last();
        let keeps_on = last.is_some_and(|last| last.unit.is_some() && last.span.to == at);
        let begins = |own: &Wood| {
            keeps_on || own.begun || presses(own) || lies_ready(own.block, WORTH_BEGINNING_S)
        };
        // In the order in which it was felled.
        let (mut best, mut soon_here) = (None, None);
        // Also where the plan before has it go, it waits until enough lies.
        let may_begin = |w: &usize| match here[s] == Some(wood[*w].block) {
            true => begins(&wood[*w]),
            false => is_enough(wood[*w].block),
        };
        for w in dry().filter(is_here).filter(may_begin) {
            let way = way_to(wood[w].block);
            let clear = clear_from(&wood[w], at + way) - way;
            if clear == at {
                best = Some(w);
                break;
            }
            soon_here = Some(soon_here.map_or(clear, |soon: Second| soon.min(clear)));
        }
        let mut soon_there = None;
        if best.is_none() {
            let worth = |w: &usize| is_enough(wood[*w].block) && is_worth(&wood[*w]);
            for w in dry().filter(|w| !is_here(w) && worth(w)) {
                let way = way_to(wood[w].block);
                let clear = clear_from(&wood[w], at + way);
                if clear == at + way {
                    // Who would be back at work sooner here does not go.
                    let stays = soon_here.is_some_and(|soon| soon <= clear);
                    best = (!stays).then_some(w);
                    break;
                }
                let leave = clear - way;
                soon_there = Some(soon_there.map_or(leave, |soon: Second| soon.min(leave)));
            }
        }
        let Some(w) = best else {
            let waiting = wood[..dried].iter().map(|wood| {
                let light = &problem.blocks[wood.block].light;
                let is_dark = around(light, at).is_none();
                let light = next_edge(light, at).map(|edge| {
                    let leave = edge - way_to(wood.block);
                    if is_dark && leave > at { leave } else { edge }
                });
                let opens = opening(wood).and_then(|open| next_edge(open, at));
                let soon = [light, opens].into_iter().flatten().min();
                soon.unwrap_or(now.span.to)
            });
            let next_dry = wood.get(dried).map(|wood| wood.felled + its.min_lead_s);
            let waiting = waiting.chain(next_dry);
            let full = wood[..dried].iter().any(|wood| !has_room(wood));
            let truck = filling.as_ref().filter(|_| full);
            let truck = truck.and_then(|own| own.next_call(at));
            let pressed_at = next_edge(least.waits, at);
            let later = wood[..dried].iter().flat_map(|own| {
                let late = own.felled + its.max_lead_s - way_to(own.block);
                [ends[own.block] + its.min_lead_s, late]
                    .into_iter()
                    .filter(|then| *then > at)
            });
            let wanted = problem.wood.wanted.iter();
            let wanted = wanted
                .map(|own| own.by - WANTED_SOON_S)
                .filter(|then| *then > at);
            let pressed_at = pressed_at.into_iter().chain(later).chain(wanted).min();
            let soon = waiting.chain(soon_here).chain(soon_there);
            let soon = soon.chain(pressed_at).chain(truck).min();
            free[s] = soon.unwrap_or(now.span.to).clamp(at + 1, now.span.to);
            continue;
        };
        let (block, unit) = (wood[w].block, wood[w].unit);
        let mut way = way_to(block);
        if way > 0
            && let Some(later) = parted(&its.windows[window[s]..], at, way)
        {
            free[s] = later;
            continue;
        }
        here[s] = Some(block);
        while way > 0 && window[s] < its.windows.len() {
            let now = its.windows[window[s]];
            let from = free[s].max(now.span.from);
            let until = (from + way).min(now.span.to);
            if until > from {
                tasks[s].push(SkidTask {
                    skidder: s,
                    shift: now.shift,
                    block,
                    unit: None,
                    span: Stretch::new(from, until),
                });
                way -= until - from;
                free[s] = until;
            }
            if way > 0 {
                window[s] += 1;
            }
        }
        let Some(now) = its.windows.get(window[s]).copied() else {
            continue;
        };
        let at = free[s];
        let mut until = now.span.to;
        if !in_dark(&wood[w]) {
            match around(&problem.blocks[block].light, at) {
                Some(light) => until = until.min(light.to),
                None => continue,
            }
        }
        let own = &problem.blocks[block];
        if let Some(open) = own.window(&own.units[unit]) {
            match around(open, at) {
                Some(open) => until = until.min(open.to),
                None => continue,
            }
        }
        let near = felling.next_near((block, unit), Stretch::new(at, until.max(at)));
        if let Some(felled) = near {
            until = until.min(felled.from);
        }
        if at >= until {
            continue;
        }
        let ground = (block, unit);
        if !wood[w].begun {
            wood[w].begun = true;
            if let Some(filling) = &mut filling {
                filling.begin(ground, wood[w].litres);
            }
            let late = at - wood[w].felled - its.max_lead_s;
            if late > 0 {
                skidding.late.push((block, unit, late));
            }
        }
        let long = seconds_for(wood[w].left * 1000, now.pace).min(until - at);
        tasks[s].push(SkidTask {
            skidder: s,
            shift: now.shift,
            block,
            unit: Some(unit),
            span: Stretch::new(at, at + long),
        });
        wood[w].left -= super::problem::work_in(long, now.pace) / 1000;
        free[s] = at + long;
        if wood[w].left <= 0 || at + long < until {
            let done = wood.remove(w);
            if let Some(filling) = &mut filling {
                filling.end(ground, done.litres, at + long);
            }
        }
    }
    if let Some(mut filling) = filling {
        filling.advance(problem.period.to);
        skidding.loads = filling.loads;
    }
    skidding.left = wood.len();
    let begun = wood.iter().filter(|wood| wood.begun);
    skidding.begun = begun.map(|wood| (wood.block, wood.unit)).collect();
    skidding.left_s = wood.iter().map(|wood| wood.left).sum();
    skidding.tasks = tasks.into_iter().flatten().collect();
    skidding
}

/// A break for longer parts a move, s.
const BREAK_S: i64 = 3600;

/// When a move is better begun that a break would part if it began now: after that break, where it fits there.
fn parted(windows: &[Window], at: Second, way: i64) -> Option<Second> {
    let (mut from, mut left) = (at, way);
    for pair in windows.windows(2) {
        left -= pair[0].span.to - from.max(pair[0].span.from);
        if left <= 0 {
            return None;
        }
        from = pair[1].span.from;
        if from - pair[0].span.to > BREAK_S {
            return (way <= pair[1].span.seconds()).then_some(from);
        }
    }
    None
}

/// Finished sections with something to skid, in the order in which they were felled.
fn felled(problem: &Problem, plan: &Plan, work: WoodKnown<'_>) -> Vec<Wood> {
    let mut done: std::collections::BTreeMap<(usize, usize), (i64, Second)> = Default::default();
    for task in &plan.tasks {
        if let What::Cut { unit, done: more } = task.what {
            let (sum, end) = done.entry((task.block, unit)).or_default();
            *sum += more;
            *end = (*end).max(task.span.to);
        }
    }
    let mut wood: Vec<Wood> = done
        .into_iter()
        .filter(|((block, unit), (sum, _))| *sum >= problem.blocks[*block].units[*unit].work)
        .map(|((block, unit), (_, felled))| Wood {
            block,
            unit,
            litres: (work.litres)(block, unit),
            felled,
            left: (work.seconds)(block, unit),
            begun: false,
            by_day: (work.by_day)(block, unit),
            slope: (work.slope)(block, unit),
        })
        .collect();
    wood.extend(work.lying.iter().map(|own| Wood {
        block: own.block,
        unit: own.unit,
        litres: (work.litres)(own.block, own.unit),
        felled: own.felled,
        left: (work.seconds)(own.block, own.unit),
        begun: false,
        by_day: (work.by_day)(own.block, own.unit),
        slope: (work.slope)(own.block, own.unit),
    }));
    wood.retain(|wood| wood.left > 0);
    wood.sort_by_key(|wood| (wood.felled, wood.block, wood.unit));
    wood
}

/// When the last tree of each block falls.
fn felling_ends(problem: &Problem, plan: &Plan) -> Vec<Second> {
    let mut ends = vec![Second::MIN; problem.blocks.len()];
    for task in &plan.tasks {
        if matches!(task.what, What::Cut { .. }) {
            ends[task.block] = ends[task.block].max(task.span.to);
        }
    }
    ends
}
