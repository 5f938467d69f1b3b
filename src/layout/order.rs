//! The order in which legs are driven: cells of whole strips, left to right, in and out by turns, with least travel
//! that cuts nothing (boustrophedon cellular decomposition: Choset & Pignon 1997).

use std::cmp::Ordering;

use super::travel::{Network, Scratch};

/// One drive through one piece, in the part's turned frame: up is away from the road.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Unit {
    /// Which leg of the network it is; the leg's line runs upwards.
    pub leg: usize,
    /// Strip from left to right, by its number.
    pub strip: u32,
    /// True: the gap to the right of that strip, cut because nothing may stand there.
    pub gap: bool,
    pub low: f64,
    pub high: f64,
    /// Way in which work on it, or before it, is to go on, if some of the ground is cut already: true in, false out.
    pub begun: Option<bool>,
    /// Whether it is to be driven as soon as can be.
    pub first: bool,
}

impl Unit {
    /// Strips before gaps, from left to right and from the outlet up.
    pub fn left_to_right(&self, other: &Unit) -> Ordering {
        let key = |unit: &Unit| (unit.gap, unit.strip);
        key(self)
            .cmp(&key(other))
            .then(self.low.total_cmp(&other.low))
    }

    /// Whether it is of the next strip, beside another.
    pub fn follows(&self, other: &Unit) -> bool {
        !self.gap && !other.gap && self.strip == other.strip + 1 && self.overlaps(other)
    }

    pub fn overlaps(&self, other: &Unit) -> bool {
        const LEAST_M: f64 = 0.5;
        self.high.min(other.high) - self.low.max(other.low) > LEAST_M
    }
}

/// A unit with the way it is driven.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Step {
    pub unit: usize,
    /// Upwards, away from the road.
    pub inward: bool,
}

impl Step {
    /// Ends of the leg where the step begins and stops, as [`Network`] counts them.
    pub fn ends(self) -> (usize, usize) {
        if self.inward { (0, 1) } else { (1, 0) }
    }
}

/// Travel between steps.
pub struct Travel<'t> {
    network: &'t Network<'t>,
    units: &'t [Unit],
    /// The unit that each leg is, if it is one.
    unit_of: Vec<Option<usize>>,
    /// What lies nearest to each end of a leg, once a sequence has come there: many come to the same one.
    nearby: Vec<[Option<Nearby>; 2]>,
    scratch: Scratch,
}

/// Steps that begin near an end of a leg.
struct Nearby {
    /// With metres, nearest first.
    steps: Vec<(f64, Step)>,
    /// Whether there are no others, however far.
    all: bool,
}

/// Stands in for travel where there is no way: it must lose against every real one.
const NO_WAY_M: f64 = 1e7;

impl<'t> Travel<'t> {
    pub fn new(network: &'t Network<'t>, units: &'t [Unit]) -> Travel<'t> {
        let legs = units.iter().map(|unit| unit.leg + 1).max().unwrap_or(0);
        let mut unit_of = vec![None; legs];
        for (index, unit) in units.iter().enumerate() {
            unit_of[unit.leg] = Some(index);
        }
        Travel {
            network,
            units,
            unit_of,
            nearby: vec![],
            scratch: Scratch::default(),
        }
    }

    /// The nearest allowed steps from a leg's end, with metres; where none is reached, the first few as out of reach.
    fn onward(&mut self, rules: &Rules, partial: &Partial) -> Vec<(f64, Step)> {
        let Some(from) = partial.at else {
            return rules.steps(partial).map(|step| (0.0, step)).collect();
        };
        self.look_round(from);
        let nearby = self.nearby[from.0][from.1].as_ref();
        if let Some(Nearby { steps, all }) = nearby {
            let allowed = steps
                .iter()
                .filter(|(_, step)| rules.allows(partial, *step));
            let near: Vec<(f64, Step)> = allowed.take(NEXT).copied().collect();
            if !near.is_empty() {
                return near;
            }
            if *all {
                return first_out_of_reach(rules, partial);
            }
        }
        let mut scratch = std::mem::take(&mut self.scratch);
        let wanted = |to| {
            let step = self.step_at(to);
            step.is_some_and(|step| rules.allows(partial, step))
        };
        let (network, units) = (self.network, self.units);
        let left = || {
            let mut steps = rules.steps(partial);
            steps.any(|step| network.may_reach(from.0, (units[step.unit].leg, step.ends().0)))
        };
        let near = network.nearest(&mut scratch, from, NEXT, wanted, left);
        self.scratch = scratch;
        if near.is_empty() {
            return first_out_of_reach(rules, partial);
        }
        let found = near.into_iter();
        found
            .filter_map(|(to, m)| Some((m, self.step_at(to)?)))
            .collect()
    }

    /// The step that begins at an end of a leg.
    fn step_at(&self, (leg, end): (usize, usize)) -> Option<Step> {
        let unit = *self.unit_of.get(leg)?;
        unit.map(|unit| Step {
            unit,
            inward: end == 0,
        })
    }

    fn look_round(&mut self, (leg, end): (usize, usize)) {
        if self.nearby.len() <= leg {
            self.nearby.resize_with(leg + 1, Default::default);
        }
        if self.nearby[leg][end].is_none() {
            let (ends, all) = self.network.around(&mut self.scratch, (leg, end));
            let steps = ends.into_iter();
            let steps = steps.filter_map(|(to, m)| Some((m, self.step_at(to)?)));
            let steps = steps.collect();
            self.nearby[leg][end] = Some(Nearby { steps, all });
        }
    }

    fn step_m(&mut self, from: (usize, usize), step: Step) -> f64 {
        let to = (self.units[step.unit].leg, step.ends().0);
        let network = self.network;
        let reached = || network.may_reach(from.0, to);
        if !reached() {
            return NO_WAY_M;
        }
        let found = network.nearest(&mut self.scratch, from, 1, |other| other == to, reached);
        found.first().map_or(NO_WAY_M, |&(_, m)| m)
    }

    fn between_m(&mut self, a: Step, b: Step) -> f64 {
        let from = (self.units[a.unit].leg, a.ends().1);
        self.step_m(from, b)
    }

    #[cfg(test)]
    /// All travel of a sequence, from a first place if there is one.
    pub fn total_m(&mut self, from: Option<(usize, usize)>, steps: &[Step]) -> f64 {
        let first = from
            .zip(steps.first())
            .map_or(0.0, |(from, &step)| self.step_m(from, step));
        first
            + steps
                .windows(2)
                .map(|w| self.between_m(w[0], w[1]))
                .sum::<f64>()
    }
}

fn first_out_of_reach(rules: &Rules, partial: &Partial) -> Vec<(f64, Step)> {
    let first = rules.steps(partial).take(NEXT);
    first.map(|step| (NO_WAY_M, step)).collect()
}

/// Strips that follow one another without a split or a join.
#[derive(Clone, Debug, Default)]
pub struct Cell {
    /// Units of whole strips, left to right.
    strips: Vec<usize>,
    /// Gaps beside them, left to right.
    gaps: Vec<usize>,
}

/// Divides units into cells.
pub fn cells(units: &[Unit]) -> Vec<Cell> {
    let strips: Vec<usize> = (0..units.len()).filter(|&u| !units[u].gap).collect();
    let beside = |u: usize, step: i64| -> Vec<usize> {
        let wanted = i64::from(units[u].strip) + step;
        strips
            .iter()
            .copied()
            .filter(|&v| i64::from(units[v].strip) == wanted && units[v].overlaps(&units[u]))
            .collect()
    };
    let mut cell_of = vec![usize::MAX; units.len()];
    let mut cells: Vec<Cell> = Vec::new();
    let mut sorted = strips.clone();
    sorted.sort_by(|&a, &b| {
        let (a, b) = (&units[a], &units[b]);
        a.strip.cmp(&b.strip).then(a.low.total_cmp(&b.low))
    });
    for &unit in &sorted {
        let left = beside(unit, -1);
        let joins = match left[..] {
            [only] => beside(only, 1).len() == 1,
            _ => false,
        };
        if joins {
            cell_of[unit] = cell_of[left[0]];
            cells[cell_of[unit]].strips.push(unit);
        } else {
            cell_of[unit] = cells.len();
            cells.push(Cell {
                strips: vec![unit],
                gaps: vec![],
            });
        }
    }
    let mut gaps: Vec<usize> = (0..units.len()).filter(|&u| units[u].gap).collect();
    gaps.sort_by(|&a, &b| {
        let (a, b) = (&units[a], &units[b]);
        a.strip.cmp(&b.strip).then(a.low.total_cmp(&b.low))
    });
    for gap in gaps {
        // The strip to its left that it lies longest against; else the one to its right; else a cell of its own.
        let against = |strip: u32| {
            let overlap =
                |v: usize| units[v].high.min(units[gap].high) - units[v].low.max(units[gap].low);
            sorted
                .iter()
                .copied()
                .filter(|&v| units[v].strip == strip && units[v].overlaps(&units[gap]))
                .max_by(|&a, &b| overlap(a).total_cmp(&overlap(b)).then(b.cmp(&a)))
        };
        let owner = against(units[gap].strip).or_else(|| against(units[gap].strip + 1));
        match owner {
            Some(owner) => cells[cell_of[owner]].gaps.push(gap),
            None => cells.push(Cell {
                strips: vec![gap],
                ..Cell::default()
            }),
        }
    }
    cells
}

/// A cell's units in order: strips by turns, the first inwards, and each gap once the strip to its left is cut and the
/// machine is low down by the road. A gap is driven from whichever end is nearer: the other may be a dead end.
fn sequence(units: &[Unit], cell: &Cell, travel: &mut Travel) -> Vec<Step> {
    let mut steps: Vec<Step> = Vec::with_capacity(cell.strips.len() + cell.gaps.len());
    let mut waiting = cell.gaps.iter().copied().peekable();
    let first = cell.strips.first();
    let mut inward = first.and_then(|&unit| units[unit].begun).unwrap_or(true);
    for (at, &unit) in cell.strips.iter().enumerate() {
        steps.push(Step { unit, inward });
        let out = !inward;
        inward = !inward;
        let last = at + 1 == cell.strips.len();
        if out || last {
            while let Some(gap) = waiting.next_if(|&g| last || units[g].strip <= units[unit].strip)
            {
                let mut way = |inward: bool| {
                    let step = Step { unit: gap, inward };
                    let to_m = steps
                        .last()
                        .map_or(0.0, |&before| travel.between_m(before, step));
                    (to_m, step)
                };
                let (inwards, outwards) = (way(true), way(false));
                steps.push(if outwards.0 < inwards.0 {
                    outwards.1
                } else {
                    inwards.1
                });
            }
        }
    }
    steps
}

/// Part sequences kept at each step where cells split and join.
const BEAM: usize = 64;
const LEAST_BEAM: usize = 4;
/// Sequences times units that are kept at most.
const BEAM_UNITS: usize = 8_000;
/// Nearest next units that each of them is continued by.
const NEXT: usize = 6;

/// Steps in order. `from` is where the machine stands before: a leg and its end.
///
/// Units that form one cell are driven strip by strip. Where cells split and join, sequences grow unit by unit and the
/// shortest are kept; units may not come before what lies to their left, nor strips of one cell out of turn.
pub fn order(network: &Network<'_>, units: &[Unit], from: Option<(usize, usize)>) -> Vec<Step> {
    let cells = cells(units);
    let mut travel = Travel::new(network, units);
    if let [cell] = &cells[..] {
        return sequence(units, cell, &mut travel);
    }
    let rules = Rules::new(units, &cells);
    // On very large parts fewer sequences are kept, so that time does not grow out of hand.
    let beam = (BEAM_UNITS / units.len().max(1)).clamp(LEAST_BEAM, BEAM);
    let mut steps: Vec<(usize, Step)> = Vec::new();
    let mut open = vec![Partial {
        done: vec![0; units.len().div_ceil(64)],
        turned: vec![0; cells.len().div_ceil(64)],
        mark: 0,
        at: from,
        travel_m: 0.0,
        begun: false,
        last: NOTHING_YET,
    }];
    let mut next: Vec<Longer> = Vec::new();
    for _ in units {
        next.clear();
        for (parent, partial) in open.iter().enumerate() {
            let mut onward = travel.onward(&rules, partial);
            onward.sort_by(|a, b| {
                let key = |step: &Step| (step.unit, !step.inward);
                a.0.total_cmp(&b.0).then(key(&a.1).cmp(&key(&b.1)))
            });
            next.extend(onward.into_iter().take(NEXT).map(|(to_m, step)| Longer {
                parent,
                step,
                mark: rules.mark_after(partial, step),
                at: (units[step.unit].leg, step.ends().1),
                travel_m: partial.travel_m + to_m,
            }));
        }
        // Of those that have done the same and stand at the same place only the shortest can win.
        let last = |longer: &Longer| open[longer.parent].last;
        next.sort_unstable_by(|a, b| {
            (a.mark, a.at)
                .cmp(&(b.mark, b.at))
                .then(a.travel_m.total_cmp(&b.travel_m))
                .then(last(a).cmp(&last(b)))
        });
        next.dedup_by_key(|longer| (longer.mark, longer.at));
        let made = |longer: &Longer| rules.taken(&open[longer.parent], longer);
        next.sort_unstable_by(|a, b| {
            a.travel_m.total_cmp(&b.travel_m).then_with(|| {
                let (x, y) = (made(a), made(b));
                (&x.done, x.at, &x.turned).cmp(&(&y.done, y.at, &y.turned))
            })
        });
        next.truncate(beam);
        open = next
            .iter()
            .map(|longer| {
                let mut partial = made(longer);
                steps.push((partial.last, longer.step));
                partial.last = steps.len() - 1;
                partial
            })
            .collect();
    }
    let mut found = Vec::with_capacity(units.len());
    let mut at = open.first().map_or(NOTHING_YET, |best| best.last);
    while let Some(&(before, step)) = steps.get(at) {
        found.push(step);
        at = before;
    }
    found.reverse();
    found
}

/// A sequence under way.
#[derive(Clone)]
struct Partial {
    /// A bit for each unit.
    done: Vec<u64>,
    /// A bit for each cell whose first strip was driven out.
    turned: Vec<u64>,
    /// Stands for both: equal where they are, and else all but surely not (Zobrist 1970).
    mark: u128,
    at: Option<(usize, usize)>,
    travel_m: f64,
    /// Whether any strip is driven yet; gaps are none.
    begun: bool,
    /// Index of its last step.
    last: usize,
}

/// A sequence under way with one step more, before it is known whether it is kept.
struct Longer {
    /// Index of the sequence.
    parent: usize,
    step: Step,
    mark: u128,
    at: (usize, usize),
    travel_m: f64,
}

/// A number of its own for each unit that may be done (`which` 0) and each cell that may be turned (1): the finalizer of
/// SplitMix64 (Steele, Lea & Flood 2014), twice.
fn mark_of(which: u64, index: usize) -> u128 {
    let mix = |seed: u64| {
        let z = seed.wrapping_mul(0x9E37_79B9_7F4A_7C15);
        let z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        let z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    };
    let seed = 4 * (index as u64 + 1) + 2 * which;
    u128::from(mix(seed)) << 64 | u128::from(mix(seed + 1))
}

/// The last step of a sequence that has none.
const NOTHING_YET: usize = usize::MAX;

fn bit(bits: &[u64], at: usize) -> bool {
    bits[at / 64] >> (at % 64) & 1 == 1
}

/// What may come when.
struct Rules {
    /// Cell and place in the cell, of each strip.
    place: Vec<Option<(usize, usize)>>,
    /// Units that must be done before each.
    before: Vec<Vec<usize>>,
    /// Gaps to the left of each strip: an inbound strip lays its wood over them.
    gaps_left: Vec<Vec<usize>>,
    /// Units of which everything before them may be done soon: looked at first to last.
    sorted: Vec<usize>,
    begun: Vec<Option<bool>>,
    /// What is asked for first, with all that has to come before it; empty: nothing is.
    first: Vec<usize>,
}

impl Rules {
    fn new(units: &[Unit], cells: &[Cell]) -> Rules {
        let mut place = vec![None; units.len()];
        for (number, cell) in cells.iter().enumerate() {
            for (at, &unit) in cell
                .strips
                .iter()
                .enumerate()
                .filter(|(_, u)| !units[**u].gap)
            {
                place[unit] = Some((number, at));
            }
        }
        let those = |wanted: &dyn Fn(&Unit) -> bool| -> Vec<usize> {
            (0..units.len()).filter(|&v| wanted(&units[v])).collect()
        };
        let before = units.iter().map(|own| {
            let strip = if own.gap {
                Some(own.strip)
            } else {
                own.strip.checked_sub(1)
            };
            those(&|other| !other.gap && Some(other.strip) == strip && other.overlaps(own))
        });
        let gaps_left = units.iter().map(|own| {
            let strip = own.strip.checked_sub(1);
            those(&|other| {
                !own.gap && other.gap && Some(other.strip) == strip && other.overlaps(own)
            })
        });
        let mut sorted: Vec<usize> = (0..units.len()).collect();
        sorted.sort_by_key(|&unit| (units[unit].strip, units[unit].gap, unit));
        let before: Vec<Vec<usize>> = before.collect();
        let gaps_left: Vec<Vec<usize>> = gaps_left.collect();
        let mut first: Vec<usize> = (0..units.len()).filter(|&u| units[u].first).collect();
        let mut at = 0;
        while let Some(&unit) = first.get(at) {
            for &needed in before[unit].iter().chain(&gaps_left[unit]) {
                if !first.contains(&needed) {
                    first.push(needed);
                }
            }
            at += 1;
        }
        Rules {
            first,
            before,
            gaps_left,
            place,
            sorted,
            begun: units.iter().map(|unit| unit.begun).collect(),
        }
    }

    fn allows(&self, partial: &Partial, step: Step) -> bool {
        let Step { unit, inward } = step;
        if bit(&partial.done, unit) || self.before[unit].iter().any(|&b| !bit(&partial.done, b)) {
            return false;
        }
        let waits = self.first.iter().any(|&asked| !bit(&partial.done, asked));
        if waits && !self.first.contains(&unit) {
            return false;
        }
        let in_turn = match self.place[unit] {
            None | Some((_, 0)) => self.begun[unit].is_none_or(|begun| begun == inward),
            Some((cell, at)) => inward == ((at % 2 == 0) != bit(&partial.turned, cell)),
        };
        let over_gap = inward && self.gaps_left[unit].iter().any(|&g| !bit(&partial.done, g));
        // The first strip of all goes in from the outlet.
        let begins = !partial.begun && self.place[unit].is_some();
        in_turn && !over_gap && (inward || !begins || self.begun[unit].is_some())
    }

    /// Steps that may come next, from left to right.
    fn steps<'r>(&'r self, partial: &'r Partial) -> impl Iterator<Item = Step> + 'r {
        let both = self
            .sorted
            .iter()
            .flat_map(|&unit| [true, false].map(|inward| Step { unit, inward }));
        both.filter(|&step| self.allows(partial, step))
    }

    /// The cell that a step turns, being its first strip and driven out.
    fn turned_by(&self, step: Step) -> Option<usize> {
        match self.place[step.unit] {
            Some((cell, 0)) if !step.inward => Some(cell),
            _ => None,
        }
    }

    fn mark_after(&self, partial: &Partial, step: Step) -> u128 {
        let turned = self.turned_by(step).map_or(0, |cell| mark_of(1, cell));
        partial.mark ^ mark_of(0, step.unit) ^ turned
    }

    fn taken(&self, partial: &Partial, longer: &Longer) -> Partial {
        let step = longer.step;
        let mut after = partial.clone();
        after.done[step.unit / 64] |= 1 << (step.unit % 64);
        if let Some(cell) = self.turned_by(step) {
            after.turned[cell / 64] |= 1 << (cell % 64);
        }
        after.begun |= self.place[step.unit].is_some();
        after.mark = longer.mark;
        after.at = Some(longer.at);
        after.travel_m = longer.travel_m;
        after
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeMap;

    use crate::geometry::sweep::upright;
    use crate::layout::open_ground::OpenGround;
    use crate::layout::travel::{Leg, LegKind};
    use geo::{Coord, LineString, MultiPolygon, Polygon};

    const STRIP_M: f64 = 16.0;

    struct Site {
        units: Vec<Unit>,
        network: Network<'static>,
    }

    fn ring(points: &[(f64, f64)]) -> LineString {
        let mut ring = LineString::from(points.to_vec());
        ring.close();
        ring
    }

    /// Strips across an outline with holes; the pass runs along every edge but the road's, which is the lowest.
    fn site(outline: &[(f64, f64)], holes: &[Vec<(f64, f64)>], gaps: bool) -> Site {
        let holes = holes.iter().map(|hole| ring(hole)).collect();
        let shape = Polygon::new(ring(outline), holes);
        let ground = MultiPolygon(vec![shape.clone()]);
        let mut legs: Vec<Leg> = crate::geometry::area::rings(&shape)
            .map(|ring| Leg {
                line: ring.clone(),
                kind: LegKind::Pass,
            })
            .collect();
        let mut units = Vec::new();
        let right = outline.iter().map(|p| p.0).fold(0.0, f64::max);
        for strip in 0..(right / STRIP_M) as u32 {
            let x = (f64::from(strip) + 0.5) * STRIP_M;
            for [low, high] in upright(&ground, x) {
                let mut add = |x: f64, low: f64, high: f64, gap: bool| {
                    units.push(Unit {
                        begun: None,
                        first: false,
                        leg: legs.len(),
                        strip,
                        gap,
                        low,
                        high,
                    });
                    legs.push(Leg {
                        line: LineString(vec![Coord { x, y: low }, Coord { x, y: high }]),
                        kind: LegKind::Strip,
                    });
                };
                if high - low > 20.0 {
                    add(x, low + 8.0, high - 8.0, false);
                    if gaps && low < 10.0 && x + STRIP_M < right {
                        add(x + STRIP_M / 2.0, low + 8.0, low + 30.0, true);
                    }
                }
            }
        }
        // All of it may be driven from the beginning: the order alone is asked for.
        let open = OpenGround::new(ground.clone(), vec![], &legs, ground);
        let open: &'static OpenGround = Box::leak(Box::new(open));
        let network = Network::new(&legs, open, (&MultiPolygon(vec![]), 0.0), STRIP_M);
        Site { units, network }
    }

    /// What must be done before a unit: strips that lie to its left and beside it; for a gap its own strip.
    fn before(units: &[Unit], unit: usize) -> u32 {
        let own = &units[unit];
        let is_before = |other: &Unit| {
            let left = !other.gap && own.strip == other.strip + 1 && !own.gap;
            let of_gap = own.gap && !other.gap && other.strip == own.strip;
            (left || of_gap) && other.overlaps(own)
        };
        let bits = units
            .iter()
            .enumerate()
            .filter(|(_, other)| is_before(other));
        bits.fold(0, |mask, (bit, _)| mask | 1 << bit)
    }

    /// Least travel over every order that cuts from left to right with strips of one cell in and out by turns, and over
    /// both ways of driving all else (dynamic programming over sets of units); the first goes in.
    fn exact_m(site: &Site) -> f64 {
        let units = &site.units;
        let count = units.len();
        let mut travel = Travel::new(&site.network, units);
        let needs: Vec<u32> = (0..count).map(|unit| before(units, unit)).collect();
        let gaps_left: Vec<u32> = (0..count)
            .map(|u| {
                let left = |other: &Unit| {
                    other.gap
                        && !units[u].gap
                        && units[u].strip == other.strip + 1
                        && other.overlaps(&units[u])
                };
                let bits = units.iter().enumerate().filter(|(_, other)| left(other));
                bits.fold(0, |mask, (bit, _)| mask | 1 << bit)
            })
            .collect();
        let cells = cells(units);
        let place = |unit: usize| {
            cells.iter().enumerate().find_map(|(number, cell)| {
                let at = cell.strips.iter().position(|&own| own == unit)?;
                (!units[unit].gap).then_some((number, at))
            })
        };
        // Sets grow, and a greater set is a greater number; the second number holds how each cell was begun.
        let mut best: BTreeMap<(u32, u32, usize, bool), f64> = BTreeMap::new();
        for unit in (0..count).filter(|&unit| needs[unit] == 0) {
            best.insert((1 << unit, 0, unit, true), 0.0);
        }
        let mut shortest = f64::INFINITY;
        while let Some(((done, turned, last, inward), so_far)) = best.pop_first() {
            if done.count_ones() as usize == count {
                shortest = shortest.min(so_far);
                continue;
            }
            for unit in (0..count).filter(|u| done & 1 << u == 0 && needs[*u] & !done == 0) {
                for way in [true, false] {
                    let mut begun = turned;
                    match place(unit) {
                        Some((cell, 0)) => begun |= u32::from(!way) << cell,
                        Some((cell, at)) if way != ((at % 2 == 0) != (turned >> cell & 1 == 1)) => {
                            continue;
                        }
                        _ => {}
                    }
                    if way && gaps_left[unit] & !done != 0 {
                        continue;
                    }
                    let step = Step { unit, inward: way };
                    let total = so_far + travel.between_m(Step { unit: last, inward }, step);
                    let key = (done | 1 << unit, begun, unit, way);
                    let slot = best.entry(key).or_insert(f64::INFINITY);
                    *slot = slot.min(total);
                }
            }
        }
        shortest
    }

    fn ours_m(site: &Site) -> (f64, Vec<Step>) {
        let steps = order(&site.network, &site.units, None);
        let total = Travel::new(&site.network, &site.units).total_m(None, &steps);
        (total, steps)
    }

    fn random(seed: u64) -> impl FnMut(f64, f64) -> f64 {
        let mut state = seed.wrapping_mul(0x9E37_79B9_7F4A_7C15).wrapping_add(1);
        move |low, high| {
            state ^= state << 13;
            state ^= state >> 7;
            state ^= state << 17;
            low + (high - low) * ((state >> 11) as f64 / (1u64 << 53) as f64)
        }
    }

    fn small_site(seed: u64) -> Site {
        let mut draw = random(seed);
        let width = STRIP_M * draw(4.0, 8.99).floor();
        let height = draw(120.0, 400.0);
        let outline = match seed % 3 {
            0 => vec![
                (0., 0.),
                (width, 0.),
                (width, height * draw(0.5, 1.0)),
                (0., height),
            ],
            1 => {
                let (u, v) = (width * draw(0.3, 0.7), height * draw(0.4, 0.7));
                vec![
                    (0., 0.),
                    (width, 0.),
                    (width, v),
                    (u, v),
                    (u, height),
                    (0., height),
                ]
            }
            _ => vec![(0., 0.), (width, 0.), (width, height), (0., height)],
        };
        let holes = if seed % 3 == 2 {
            let (x, y) = (width * draw(0.2, 0.4), height * draw(0.3, 0.45));
            let (w, h) = (width * draw(0.15, 0.3), height * draw(0.15, 0.3));
            vec![vec![(x, y), (x, y + h), (x + w, y + h), (x + w, y)]]
        } else {
            vec![]
        };
        site(&outline, &holes, seed.is_multiple_of(5))
    }

    #[test]
    fn travel_is_within_five_percent_of_the_exact_optimum_on_small_parts() {
        let (mut count, mut split) = (0, 0);
        for seed in 0..200 {
            let site = small_site(seed);
            if site.units.len() > 13 {
                continue;
            }
            let (ours, steps) = ours_m(&site);
            assert_eq!(steps.len(), site.units.len());
            let exact = exact_m(&site);
            assert!(exact < NO_WAY_M, "part {seed}: a piece cannot be reached");
            let gap = if exact > 0.0 { ours / exact - 1.0 } else { 0.0 };
            assert!(gap <= 0.05, "part {seed}: {ours} m against {exact} m");
            count += 1;
            split += u32::from(cells(&site.units).len() > 1);
        }
        assert!(
            count > 100 && split > 50,
            "{count} parts, {split} of several cells"
        );
    }

    #[test]
    fn strips_go_in_and_out_by_turns_from_left_to_right() {
        for seed in 0..60 {
            let site = small_site(seed);
            let (_, steps) = ours_m(&site);
            assert!(steps.first().is_none_or(|step| step.inward));
            for cell in cells(&site.units) {
                let own: Vec<&Step> = steps
                    .iter()
                    .filter(|step| cell.strips.contains(&step.unit))
                    .collect();
                assert!(own.windows(2).all(|w| w[0].inward != w[1].inward));
                let strip = |step: &Step| site.units[step.unit].strip;
                assert!(own.windows(2).all(|w| strip(w[0]) < strip(w[1])));
            }
            let place = |unit: usize| steps.iter().position(|step| step.unit == unit);
            for unit in 0..site.units.len() {
                let needs = before(&site.units, unit);
                for other in (0..site.units.len()).filter(|other| needs & 1 << other != 0) {
                    assert!(place(other) < place(unit), "part {seed}");
                }
            }
        }
    }

    #[test]
    fn a_hole_makes_four_cells_and_an_arm_of_its_own_makes_another() {
        let whole = vec![(0., 0.), (160., 0.), (160., 300.), (0., 300.)];
        let hole = vec![(60., 100.), (60., 200.), (100., 200.), (100., 100.)];
        assert_eq!(cells(&site(&whole, &[hole], false).units).len(), 4);
        assert_eq!(cells(&site(&whole, &[], false).units).len(), 1);
    }
}
