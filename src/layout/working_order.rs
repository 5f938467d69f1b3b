//! All drives of a block in the order in which they are worked, and the travel between them: over roads and ground that
//! is cut by then, never through standing timber.

use std::collections::{BTreeMap, BTreeSet};

use geo::{Coord, LineString, MultiPolygon, Polygon};

use super::Context;
use super::ground::Ground;
use super::open_ground::{OpenGround, Piece};
use super::order::{self, Unit};
use super::task_order::{self, MOST_TASKS, Task};
use super::task_ways::TaskWays;
use super::travel::{How, Leg, LegKind, Network, Scratch, Way};
use crate::geometry::area::length;
use crate::geometry::distance::{SegmentIndex, line_segments, point_segment};
use crate::geometry::overlay::{difference, union};
use crate::model::{Heading, PieceId, Strip, StripKind, StripLine};

/// Ends of lines that are nearer to one another are one.
const SAME_PLACE_M: f64 = 0.01;

/// A drive whose order is still open.
#[derive(Clone)]
pub struct Drive {
    pub id: PieceId,
    pub kind: StripKind,
    pub heading: Heading,
    pub line: LineString,
}

/// A drive through a strip, whose heading is still open too; its line runs from the outlet's side up.
#[derive(Clone)]
pub struct StripDrive {
    pub unit: Unit,
    pub drive: Drive,
}

/// What is to be put in order.
pub struct Work<'w> {
    /// Road clearing and boundary passes.
    pub passes: Vec<Drive>,
    pub strips: Vec<StripDrive>,
    /// Roads, as far as the block fronts on them.
    pub roads: &'w [LineString],
    pub pieces: &'w [Strip],
    pub corridors: MultiPolygon,
    /// Retained bands and patches.
    pub bands: MultiPolygon,
    /// Ground that was cut before this plan.
    pub felled: MultiPolygon,
    /// Slivers and what lies beyond reach: trees stand there, and no machine drives through.
    pub left: Vec<Polygon>,
    /// Where the machine stands, at an end of one of the roads; None: on any road.
    pub from: Option<Coord>,
    /// Numbers of the settings, in the order in which they are worked.
    pub settings: Vec<u32>,
    /// Settings over whose ground the wood of another comes: their strips are cut first.
    pub before: BTreeMap<u32, Vec<u32>>,
}

/// Lines in working order.
pub struct Ordered {
    pub lines: Vec<StripLine>,
    /// Pieces of strips that are cut to lead to a pass inside the ground, before the other strips.
    pub leading: Vec<PieceId>,
}

/// Everything is ordered: road clearing, then, of settings that hang together, all passes and, setting by setting, the strips:
/// so passes of settings side by side are one tour.
pub fn put(context: Context<'_>, ground: &Ground, mut work: Work<'_>) -> Ordered {
    work.passes.sort_by_key(|drive| (drive.id.part, drive.kind));
    let leg = |drive: &Drive, kind| Leg {
        line: drive.line.clone(),
        kind,
    };
    let mut legs: Vec<Leg> = work.passes.iter().map(|d| leg(d, LegKind::Pass)).collect();
    for (at, strip) in work.strips.iter_mut().enumerate() {
        strip.unit.leg = work.passes.len() + at;
    }
    legs.extend(work.strips.iter().map(|s| leg(&s.drive, LegKind::Strip)));
    let roads = work.roads.iter();
    let crossings = ground.crossings.iter().map(|crossing| &crossing.line);
    legs.extend(roads.chain(crossings).map(|line| Leg {
        line: line.clone(),
        kind: LegKind::Road,
    }));
    let open = open_ground(context, ground, &work, &legs);
    // The machine is wider than its track: standing trees are passed with half of its width between.
    let mut standing = work.bands.clone();
    standing.0.extend(work.corridors.0.iter().cloned());
    let machine = &context.settings.machine;
    let passed = (&standing, machine.half_width_m);
    let mut network = Network::new(&legs, &open, passed, machine.strip_width_m());
    for strip in work.strips.iter().filter(|strip| strip.unit.gap) {
        network.end_at_trees(strip.unit.leg);
    }
    let driven = work.passes.len() + work.strips.len()..legs.len();
    let ends = driven.flat_map(|leg| [(legs[leg].start(), (leg, 0)), (legs[leg].end(), (leg, 1))]);
    let at = work.from.and_then(|from| {
        let off_m = |place: Coord| (place - from).x.hypot((place - from).y);
        let mut ends = ends.filter(|&(place, _)| off_m(place) < SAME_PLACE_M);
        ends.next().map(|(_, end)| network.end(end))
    });
    let mut sequence = Sequence {
        network: &network,
        work: &work,
        cut: vec![false; legs.len()],
        at,
        scratch: Scratch::default(),
        roads: network.road_nodes(),
        lines: Vec::with_capacity(legs.len()),
        leading: vec![],
        rest: None,
        beside: passes_beside(&work, machine.strip_width_m()),
        ground,
    };
    sequence.work_through(&[0]);
    for group in sequence.groups() {
        sequence.work_through(&group);
    }
    Ordered {
        lines: sequence.lines,
        leading: sequence.leading,
    }
}

/// What may be driven in the end, and what opens it.
fn open_ground(context: Context<'_>, ground: &Ground, work: &Work, legs: &[Leg]) -> OpenGround {
    // What lies between a part and the road it fronts on is crossed too.
    let mut all: Vec<Polygon> = ground.parts.clone();
    all.extend(ground.zones.clearing.iter().cloned());
    all.extend(ground.zones.beside_roads.iter().cloned());
    let fronts = union(&ground.zones.beside_roads);
    let mut shut: Vec<Polygon> = ground.zones.off_limits().cloned().collect();
    if ground.slopes.given() {
        let beside = difference(&fronts, &ground.zones.clearing);
        let limit = context.settings.machine.max_slope;
        shut.extend(ground.slopes.steeper_than(limit, &beside).0);
    }
    let crossings: Vec<Polygon> = (ground.crossings.iter())
        .flat_map(|crossing| crossing.shape.iter().cloned())
        .collect();
    let with_crossings = |ground: MultiPolygon| {
        if crossings.is_empty() {
            return ground;
        }
        union(
            &ground
                .0
                .iter()
                .chain(&crossings)
                .cloned()
                .collect::<Vec<_>>(),
        )
    };
    let whole = with_crossings(difference(&union(&all), &shut));
    // Roads are open from the beginning, and what lies between them and the block; all else is timber until it is cut.
    let between = difference(&fronts, &ground.net.0);
    let mut open = ground.zones.clearing.clone();
    open.extend(between.0);
    open.extend(work.felled.0.iter().cloned());
    // What swept tracks left over is driven through.
    if work.felled.0.is_empty() {
        shut.extend(work.left.iter().cloned());
    }
    let free = with_crossings(difference(&union(&open), &shut));
    // Where several drives cut a piece of a pass, the nearest of them does.
    let mut legs_of: BTreeMap<(StripKind, PieceId), Vec<usize>> = BTreeMap::new();
    let strips = work.strips.iter().map(|strip| &strip.drive);
    for (leg, drive) in work.passes.iter().chain(strips).enumerate() {
        legs_of.entry((drive.kind, drive.id)).or_default().push(leg);
    }
    let pieces = work.pieces.iter().map(|piece| Piece {
        shape: piece.shape.clone(),
        legs: legs_of
            .get(&(piece.kind, piece.id))
            .cloned()
            .unwrap_or_default(),
    });
    OpenGround::new(whole, pieces.collect(), legs, free)
        .with_reach(context.settings.machine.reach_m)
}

/// The passes at which strips of each setting end, its own or those of the next: machines turn there.
fn passes_beside(work: &Work<'_>, near_m: f64) -> BTreeMap<u32, BTreeSet<usize>> {
    let passes = (0u32..).zip(&work.passes);
    let segments = passes
        .filter(|(_, pass)| pass.kind == StripKind::BoundaryPass)
        .flat_map(|(owner, pass)| line_segments(std::slice::from_ref(&pass.line), owner));
    let index = SegmentIndex::new(segments.collect());
    let mut beside: BTreeMap<u32, BTreeSet<usize>> = BTreeMap::new();
    for StripDrive { drive, .. } in &work.strips {
        for end in [drive.line.0.first(), drive.line.0.last()]
            .into_iter()
            .flatten()
        {
            let near = index.near(*end, *end, near_m);
            let near = near.filter(|s| point_segment(*end, s.a, s.b) < near_m);
            let own = beside.entry(drive.id.part).or_default();
            own.extend(near.map(|s| s.owner as usize));
        }
    }
    beside
}

/// Places at which a ring is begun, of those where others join it.
const MOST_BEGINS: usize = 8;

/// So much is added to a way that leads over what is not cut by then.
const NOT_YET_M: f64 = 1000.0;
/// And to a move by road, to where no open ground leads, beside the straight way there.
const BY_ROAD_M: f64 = 1000.0;

/// What is put in order among settings.
#[derive(Clone, Copy)]
enum Job {
    Pass(usize),
    /// All strips of a setting.
    Strips(u32),
}

struct Sequence<'s> {
    network: &'s Network<'s>,
    work: &'s Work<'s>,
    cut: Vec<bool>,
    /// Node at which the machine stands.
    at: Option<usize>,
    scratch: Scratch,
    roads: Vec<usize>,
    lines: Vec<StripLine>,
    leading: Vec<PieceId>,
    /// What of the last line is ground of the next, and is travelled.
    rest: Option<LineString>,
    /// By setting.
    beside: BTreeMap<u32, BTreeSet<usize>>,
    ground: &'s Ground<'s>,
}

impl Sequence<'_> {
    fn drive_of(&self, leg: usize) -> &Drive {
        let passes = self.work.passes.len();
        match leg < passes {
            true => &self.work.passes[leg],
            false => &self.work.strips[leg - passes].drive,
        }
    }

    /// Settings between which machines may travel, in the order of the first of each.
    fn groups(&self) -> Vec<Vec<u32>> {
        let mut groups: Vec<(Vec<u32>, Vec<usize>)> = Vec::new();
        for &part in &self.work.settings {
            let own = self.legs_of(part);
            let meets = |other: &[usize]| {
                let (Some(&a), Some(&b)) = (own.first(), other.first()) else {
                    return false;
                };
                self.network.may_reach(a, (b, 0)) || self.network.may_reach(a, (b, 1))
            };
            match groups.iter_mut().find(|(_, legs)| meets(legs)) {
                Some((parts, _)) => parts.push(part),
                None => groups.push((vec![part], own)),
            }
        }
        groups.into_iter().map(|(parts, _)| parts).collect()
    }

    /// Legs of a setting, passes first.
    fn legs_of(&self, part: u32) -> Vec<usize> {
        let all = 0..self.work.passes.len() + self.work.strips.len();
        all.filter(|&leg| self.drive_of(leg).id.part == part)
            .collect()
    }

    /// Works the passes and strips of settings: in the order that travels least if every pass were cut already, and where
    /// standing timber bars that, later.
    fn work_through(&mut self, settings: &[u32]) {
        let mut jobs: Vec<Job> = Vec::new();
        for (at, &part) in settings.iter().enumerate() {
            let passes =
                (0..self.work.passes.len()).filter(|&l| self.work.passes[l].id.part == part);
            jobs.extend(passes.map(Job::Pass));
            jobs.push(Job::Strips(part));
            if jobs.len() > MOST_TASKS / 2 || at + 1 == settings.len() {
                self.work_jobs(&std::mem::take(&mut jobs));
            }
        }
    }

    fn work_jobs(&mut self, jobs: &[Job]) {
        let mut left: Vec<usize> = Vec::new();
        for some in jobs.chunks(MOST_TASKS) {
            for (job, node) in self.sequence(some) {
                match job {
                    Job::Pass(leg) => left.push(leg),
                    Job::Strips(part) => {
                        // What nothing leads to is cut before the strips all the same.
                        let own = |leg: &usize| self.drive_of(*leg).id.part == part;
                        let (own, others): (Vec<usize>, Vec<usize>) =
                            left.iter().partition(|l| own(l));
                        for leg in own {
                            if !self.come_onto(leg, None) {
                                self.drive(leg, None);
                            }
                        }
                        left = others;
                        self.strips(part);
                    }
                }
                // One that is cut may lead to others.
                let mut before = usize::MAX;
                while left.len() < before {
                    before = left.len();
                    left.retain(|&leg| !self.enter(leg, node));
                }
            }
        }
        for leg in left {
            if !self.cut[leg] {
                self.drive(leg, None);
            }
        }
    }

    /// Jobs in order, with the node at which each is begun.
    fn sequence(&mut self, jobs: &[Job]) -> Vec<(Job, usize)> {
        let network = self.network;
        // All strips of a setting may have been cut to lead to passes meanwhile.
        let is_left = |job: &Job| match job {
            Job::Pass(_) => true,
            Job::Strips(part) => self.uncut(*part).next().is_some(),
        };
        let jobs: Vec<Job> = jobs.iter().copied().filter(is_left).collect();
        let mut places: Vec<(usize, usize)> = Vec::new();
        let mut tasks: Vec<Task> = Vec::new();
        let mut place = |node: usize, leg: usize| {
            places.push((node, leg));
            places.len() - 1
        };
        for &job in &jobs {
            let mut task = Task {
                ways: vec![],
                after: vec![],
            };
            match job {
                Job::Pass(leg) => {
                    let ends = [network.end((leg, 0)), network.end((leg, 1))];
                    let line = &self.drive_of(leg).line.0;
                    if line.first() == line.last() {
                        let stops = network.stops(leg);
                        let step = stops.len().div_ceil(MOST_BEGINS).max(1);
                        let begins = stops.iter().step_by(step).chain(&ends[..1]);
                        task.ways.extend(begins.map(|&node| [place(node, leg); 2]));
                    } else {
                        let [first, last] = ends.map(|node| place(node, leg));
                        task.ways.extend([[first, last], [last, first]]);
                    }
                }
                Job::Strips(part) => {
                    let ends = self.first_of(part).zip(self.last_of(part));
                    task.ways.extend(ends.map(|(first, last)| {
                        let first = place(network.end((first, 0)), first);
                        [first, place(network.end(last), last.0)]
                    }));
                    let beside = self.beside.get(&part);
                    let turns_on = |leg: &usize| {
                        self.drive_of(*leg).id.part == part
                            || beside.is_some_and(|beside| beside.contains(leg))
                    };
                    let before = self.work.before.get(&part);
                    let own = |other: &Job| match other {
                        Job::Pass(leg) => turns_on(leg),
                        Job::Strips(other) => before.is_some_and(|before| before.contains(other)),
                    };
                    task.after = (0..jobs.len()).filter(|&at| own(&jobs[at])).collect();
                }
            }
            tasks.push(task);
        }
        let nodes: Vec<usize> = places.iter().map(|&(node, _)| node).collect();
        let start = match self.at {
            Some(at) => network.stands_at(at),
            None => self.roads.iter().map(|&node| (node, 0.0)).collect(),
        };
        let stands: Vec<_> = nodes.iter().map(|&at| network.stands_at(at)).collect();
        let from = stands.iter().flatten().chain(&start).map(|&(node, _)| node);
        let job_of: BTreeMap<usize, usize> = (jobs.iter().enumerate())
            .flat_map(|(at, job)| match *job {
                Job::Pass(leg) => vec![(leg, at)],
                Job::Strips(part) => self.uncut(part).map(|s| (s.unit.leg, at)).collect(),
            })
            .collect();
        let opens = |leg: usize| job_of.get(&leg).copied();
        let from: Vec<usize> = from.collect();
        let mut ways = TaskWays::new(network, &places, &from, &self.cut, opens);
        let roads: Vec<(usize, f64)> = self.roads.iter().map(|&node| (node, 0.0)).collect();
        let mut then_m: BTreeMap<Option<usize>, Vec<f64>> = BTreeMap::new();
        let metres = |done: u128, at: Option<usize>| {
            let from = at.map_or(&start, |at| &stands[at]);
            let mut now_m = ways.metres(from, done);
            if now_m.iter().all(|m| m.is_finite()) {
                return now_m;
            }
            let by_road_m = ways.metres(&roads, done);
            let then_m = then_m
                .entry(at)
                .or_insert_with(|| ways.metres(from, u128::MAX));
            for (place, now_m) in now_m
                .iter_mut()
                .enumerate()
                .filter(|(_, m)| m.is_infinite())
            {
                let off_m = at.map_or(0.0, |at| network.straight_m(nodes[at], nodes[place]));
                let by_road_m = by_road_m[place] + off_m + BY_ROAD_M;
                *now_m = by_road_m.min(then_m[place] + NOT_YET_M);
            }
            now_m
        };
        let order = task_order::shortest(&tasks, metres).into_iter();
        order
            .map(|(at, way)| (jobs[at], nodes[tasks[at].ways[way][0]]))
            .collect()
    }

    /// Comes onto a pass and drives it, at the node wanted or where the way there is shortest; where it lies inside standing
    /// timber, strips of its setting that lead there are cut first. False: nothing leads there yet.
    fn enter(&mut self, leg: usize, wanted: usize) -> bool {
        if self.come_onto(leg, Some(wanted)) {
            return true;
        }
        let part = self.drive_of(leg).id.part;
        if self.lines.iter().any(|line| line.id.part == part) {
            return false;
        }
        // Another pass of the setting may lead here, and its turn comes.
        let passes = 0..self.work.passes.len();
        let others =
            passes.filter(|&other| !self.cut[other] && self.drive_of(other).id.part == part);
        let others: Vec<usize> = others.filter(|&other| other != leg).collect();
        if self.leads_to_any(&others) {
            return false;
        }
        // The machine comes to other ground by roads that are not in the layers.
        self.drive(leg, None);
        true
    }

    /// Whether a way over what is cut leads from where the machine stands to any of some passes.
    fn leads_to_any(&mut self, passes: &[usize]) -> bool {
        let Some(at) = self.at else {
            return false;
        };
        let (scratch, cut) = (&mut self.scratch, &self.cut);
        let next = (self.network).next(scratch, cut, &[at], passes, How::AsItIs);
        next.is_some()
    }

    fn come_onto(&mut self, leg: usize, wanted: Option<usize>) -> bool {
        if self.cut[leg] {
            return true;
        }
        let network = self.network;
        let wanted = wanted.filter(|wanted| {
            let ends = [0, 1].map(|end| network.end((leg, end)));
            ends.contains(wanted) || network.stops(leg).contains(wanted)
        });
        if let Some(wanted) = wanted
            && let Some(at) = self.at
            && network
                .way(&mut self.scratch, &self.cut, at, (wanted, leg))
                .is_some()
        {
            self.drive(leg, Some(wanted));
            return true;
        }
        let from = self.at.map_or_else(|| self.roads.clone(), |at| vec![at]);
        let (scratch, cut) = (&mut self.scratch, &self.cut);
        let mut next = network.next(scratch, cut, &from, &[leg], How::AsItIs);
        if next.is_none() {
            next = network.next(scratch, cut, &from, &[leg], How::Anywhere);
        }
        let mut leads = |from: &[usize]| {
            self.enter_through(leg, from, How::Through)
                || self.enter_through(leg, from, How::ThroughOnto)
        };
        if next.is_none() && leads(&from) {
            return true;
        }
        let (scratch, cut) = (&mut self.scratch, &self.cut);
        let is_by_road = next.is_none();
        if next.is_none() {
            next = network.next(scratch, cut, &self.roads, &[leg], How::AsItIs);
        }
        if let Some(next) = next {
            // Nothing is travelled before the first of all, and a move by road comes to either end.
            let (scratch, cut) = (&mut self.scratch, &self.cut);
            let is_first = self.at.is_none();
            let comes_to = |node: &usize| {
                is_first || (is_by_road && network.leads(scratch, cut, &self.roads, (*node, leg)))
            };
            let begins = wanted.filter(comes_to);
            self.drive(leg, Some(begins.unwrap_or(next.node)));
            return true;
        }
        let roads = self.roads.clone();
        self.enter_through(leg, &roads, How::Through)
            || self.enter_through(leg, &roads, How::ThroughOnto)
    }

    /// Cuts the strips of a pass's setting that lead to it, and drives it; false: none do.
    fn enter_through(&mut self, leg: usize, from: &[usize], how: How) -> bool {
        let network = self.network;
        let strips_from = self.work.passes.len();
        let part = self.drive_of(leg).id.part;
        let next = network.next(&mut self.scratch, &self.cut, from, &[leg], how);
        let leads = |leg: &usize| *leg >= strips_from && self.drive_of(*leg).id.part == part;
        let Some(next) = next.filter(|next| next.over.iter().all(leads)) else {
            return false;
        };
        let mut over: Vec<usize> = Vec::with_capacity(next.over.len());
        for leg in next.over {
            // A way may lead along the same strip twice.
            if !self.cut[leg] && !over.contains(&leg) {
                over.push(leg);
            }
        }
        // What runs over the goal's ground leads onto it, and to no other strip.
        let before = over.split_last().map_or(&over[..0], |(_, before)| before);
        if before.iter().any(|&strip| network.runs_onto(strip, leg)) {
            return false;
        }
        let Some(begins) = self.may_lead(&over, (next.node, leg)) else {
            return false;
        };
        // Up to the goal's ground: that is felled from there.
        let mut rest = None;
        if let Some((&strip, &end)) = over.last().zip(begins.last())
            && network.runs_onto(strip, leg)
        {
            let is_shared = self.drive_of(strip).id.part == self.drive_of(leg).id.part;
            let Some(parted) = network.parted_at((strip, end), (leg, is_shared)) else {
                return false;
            };
            rest = Some(parted);
        }
        for (&over, &end) in over.iter().zip(&begins) {
            self.leading.push(self.drive_of(over).id);
            self.drive(over, Some(network.end((over, end))));
        }
        if let Some(([own, rest], line)) = rest.zip(self.lines.last_mut()) {
            line.cross_slope = self.ground.slopes.mean_across(&own);
            line.shape = own;
            self.rest = Some(rest);
        }
        self.drive(leg, Some(next.node));
        self.finish_pieces(&over);
        true
    }

    /// Drives what is left of pieces of which some drives were cut to lead to a pass: the whole piece became part of it.
    fn finish_pieces(&mut self, begun: &[usize]) {
        let ids: Vec<PieceId> = begun.iter().map(|&leg| self.drive_of(leg).id).collect();
        let units = self
            .work
            .strips
            .iter()
            .filter(|s| ids.contains(&s.drive.id));
        let legs: Vec<usize> = units.map(|strip| strip.unit.leg).collect();
        for leg in legs {
            let at = self.at.filter(|_| !self.cut[leg]);
            let (scratch, cut) = (&mut self.scratch, &self.cut);
            let next = at.and_then(|at| {
                let network = self.network;
                network.next(scratch, cut, &[at], &[leg], How::AsItIs)
            });
            if let Some(next) = next {
                self.drive(leg, Some(next.node));
            }
        }
    }

    /// Whether the machine comes onto each of some strips in turn and to the goal at last: a way may cross a strip whose ends
    /// nothing leads to. Gives the end at which each is begun.
    fn may_lead(&mut self, over: &[usize], goal: (usize, usize)) -> Option<Vec<usize>> {
        let network = self.network;
        let mut cut = self.cut.clone();
        let mut at = self.at;
        let mut begins = Vec::with_capacity(over.len());
        for &leg in over {
            let ends = [0, 1].map(|end| network.end((leg, end)));
            if let Some(from) = at {
                let ways = ends
                    .map(|node| network.way(&mut self.scratch, &cut, from, (node, leg)))
                    .map(|way| way.map_or(f64::INFINITY, |way| way.length_m));
                if ways.iter().all(|way_m| way_m.is_infinite()) {
                    return None;
                }
                begins.push(usize::from(ways[1] < ways[0]));
            } else {
                begins.push(0);
            }
            at = begins.last().map(|&end| ends[1 - end]);
            cut[leg] = true;
        }
        let scratch = &mut self.scratch;
        at.is_none_or(|from| network.way(scratch, &cut, from, goal).is_some())
            .then_some(begins)
    }

    /// Strips of a setting that are not cut.
    fn uncut(&self, part: u32) -> impl Iterator<Item = &StripDrive> {
        let drives = self.work.strips.iter();
        drives.filter(move |strip| strip.drive.id.part == part && !self.cut[strip.unit.leg])
    }

    /// The first strip of a setting that is not cut.
    fn first_of(&self, part: u32) -> Option<usize> {
        let first = self
            .uncut(part)
            .min_by(|a, b| a.unit.left_to_right(&b.unit));
        first.map(|first| first.unit.leg)
    }

    /// The leg and its end at which the strips of a setting are left, if they go in and out by turns.
    fn last_of(&self, part: u32) -> Option<(usize, usize)> {
        let whole = self.uncut(part).filter(|strip| !strip.unit.gap);
        let last = whole.max_by(|a, b| a.unit.left_to_right(&b.unit));
        let last = last.or_else(|| self.uncut(part).last())?;
        Some((last.unit.leg, (last.unit.strip % 2) as usize))
    }

    fn strips(&mut self, part: u32) {
        let mut own: Vec<Unit> = self.uncut(part).map(|strip| strip.unit).collect();
        while let Some((turned, inward)) = self.in_turn(&own) {
            own.retain(|unit| !self.cut[unit.leg]);
            let next = own.iter_mut().find(|unit| unit.follows(&turned));
            if let Some(next) = next {
                next.begun = Some(!inward);
            }
        }
    }

    /// Drives units in their order; in the rest of a block stops behind one that had to be driven the other way, since timber or a
    /// corridor bars the way to where it was to begin, and gives it with its heading.
    fn in_turn(&mut self, own: &[Unit]) -> Option<(Unit, bool)> {
        let network = self.network;
        let from = self.at.and_then(|at| network.leg_end(at));
        let is_rest = !self.work.felled.0.is_empty();
        for step in order::order(network, own, from) {
            let unit = own[step.unit];
            let (begin, end) = step.ends();
            let [begin, end] = [begin, end].map(|end| network.end((unit.leg, end)));
            if is_rest && !self.comes_to(begin, unit.leg) && self.comes_to(end, unit.leg) {
                self.drive(unit.leg, Some(end));
                return Some((unit, !step.inward));
            }
            self.drive(unit.leg, Some(begin));
        }
        None
    }

    /// Whether what is cut leads from where the machine stands to a place where a leg is begun.
    fn comes_to(&mut self, node: usize, leg: usize) -> bool {
        let Some(at) = self.at else {
            return true;
        };
        let way = (self.network).way(&mut self.scratch, &self.cut, at, (node, leg));
        way.is_some()
    }

    /// Drives a leg from a node, or from whichever end is nearer.
    fn drive(&mut self, leg: usize, node: Option<usize>) {
        let network = self.network;
        let ends = [network.end((leg, 0)), network.end((leg, 1))];
        let mut way_to = |node: usize| -> Option<Way> {
            let at = self.at?;
            network.way(&mut self.scratch, &self.cut, at, (node, leg))
        };
        let (node, way) = match node {
            Some(node) => (node, way_to(node)),
            None => {
                let ways = ends.map(|node| (node, way_to(node)));
                let length_m =
                    |way: &Option<Way>| way.as_ref().map_or(f64::INFINITY, |w| w.length_m);
                let [first, last] = ways;
                if length_m(&last.1) < length_m(&first.1) {
                    last
                } else {
                    first
                }
            }
        };
        let mut drive = self.drive_of(leg).clone();
        if node == ends[1] && ends[0] != ends[1] && drive.line.0.first() != drive.line.0.last() {
            drive.line.0.reverse();
            if drive.kind == StripKind::Interior {
                drive.heading = Heading::Out;
            }
            self.at = Some(ends[0]);
        } else if node == ends[0] {
            self.at = Some(ends[1]);
        } else {
            let begun = network.line_from(leg, node);
            self.at = Some(begun.as_ref().map_or(node, |(_, end)| *end));
            if let Some((line, _)) = begun {
                drive.line = line;
            }
        }
        let rest = self.rest.take();
        if let Some((mut way, before)) = way.zip(self.lines.last_mut()) {
            if let Some(mut rest) = rest {
                way.length_m += length(&rest);
                rest.0.extend(way.path.0);
                rest.0.dedup();
                way.path = rest;
            }
            before.travel_to_next_m = Some(way.length_m);
            before.travel = Some(way.path);
        }
        self.cut[leg] = true;
        self.lines.push(StripLine {
            id: drive.id,
            kind: drive.kind,
            order: self.lines.len() as u32 + 1,
            heading: drive.heading,
            cross_slope: self.ground.slopes.mean_across(&drive.line),
            shape: drive.line,
            travel_to_next_m: None,
            travel: None,
        });
    }
}
