//! Travel that cuts nothing: a graph of what the machine may drive between the ends of its legs, and shortest ways in it.

use std::cell::OnceCell;
use std::collections::BinaryHeap;

use geo::{Coord, LineString, MultiPolygon};

use super::on_line::{LineIndex, OnLine};
use super::open_ground::{Needs, OpenGround};
use crate::geometry::area::Bounds;
use crate::geometry::distance::{SegmentIndex, segment_segment};
use crate::geometry::nearest_first::Queued;

/// How far off a driven line a leg may end and still turn onto it, in strip widths.
const ATTACH_STRIPS: f64 = 3.0;
/// A way may lead this far onto the ground that its goal is yet to cut, in strip widths: over a strip and a half slantwise
/// from the end of a gap.
const ONTO_GOAL_STRIPS: f64 = 1.5;
/// Nodes looked at for the next piece once one is found: what is farther than that is not next.
const MOST_SETTLED: usize = 400;
/// Places along a road that are this far apart are tried to come from it onto a pass.
const LAND_STEP_M: f64 = 4.0;
/// Ends this near to the edge of the open ground count as on it.
const ON_EDGE_M: f64 = 0.01;
/// Places of a way that are nearer to one another are one.
const SAME_PLACE_M: f64 = 1e-6;

/// A way from one place to another.
#[derive(Clone, Debug)]
pub struct Way {
    pub length_m: f64,
    pub path: LineString,
}

pub(super) struct Edge {
    pub(super) to: usize,
    pub(super) length_m: f64,
    /// Vertices between the two nodes, in order.
    between: Vec<Coord>,
    pub(super) over: Over,
    /// Leads along or onto a strip: not counted on before it is known what is cut.
    late: bool,
}

/// What an edge of the network leads over.
pub(super) enum Over {
    /// A road, or nothing at all.
    Road,
    /// The line of a leg, once that is cut.
    Leg(usize),
    /// Straight over ground: legs that must be cut before, found when first asked.
    Ground(OnceCell<Needs>),
}

impl Over {
    fn ground() -> Over {
        Over::Ground(OnceCell::new())
    }
}

/// Two ends of one leg: a strip's drive, or a drive along the edge or a road.
#[derive(Clone, Debug)]
pub struct Leg {
    pub line: LineString,
    pub kind: LegKind,
}

/// When others may travel along a leg.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum LegKind {
    /// Always.
    Road,
    /// Once it is cut, which it is before all strips: boundary pass and road clearing.
    Pass,
    /// Once it is cut.
    Strip,
}

impl Leg {
    pub fn start(&self) -> Coord {
        self.line.0.first().copied().unwrap_or_default()
    }
    pub fn end(&self) -> Coord {
        self.line.0.last().copied().unwrap_or_default()
    }
}

/// What may be driven: open ground, and legs that join.
pub struct Network<'g> {
    ground: &'g OpenGround,
    kinds: Vec<LegKind>,
    /// Nodes where others join each leg.
    stops: Vec<Vec<usize>>,
    nodes: Vec<Coord>,
    edges: Vec<Vec<Edge>>,
    /// Start and end node of each leg.
    ends: Vec<[usize; 2]>,
    lengths_m: Vec<f64>,
    lines: Vec<LineString>,
    /// Which connected piece of the network each node is in; legs that are still to be cut join nothing.
    piece: Vec<u32>,
    /// The leg and its end that each node is, if it is one.
    leg_at: Vec<Option<(usize, usize)>>,
    /// Other legs over whose ground each runs, with metres, found when first asked.
    over: Vec<OnceCell<Vec<(usize, f64)>>>,
    /// The farthest that a way leads onto ground of its goal.
    onto_goal_m: f64,
    /// Strips that end at standing trees: none leads on to a pass.
    dead_ends: Vec<bool>,
}

/// Straight lines on ground that will be cut and may be driven.
struct Open {
    outline: SegmentIndex,
    standing: SegmentIndex,
    pass_m: f64,
}

impl Open {
    fn straight(&self, from: Coord, to: Coord) -> Option<f64> {
        let direct = (to.x - from.x).hypot(to.y - from.y);
        if direct < ON_EDGE_M {
            return Some(direct);
        }
        let middle = (from + to) / 2.0;
        // Ends may lie on the edge itself, so the line is shortened before it is asked to cross nothing.
        let short = |p: Coord| p + (middle - p) * (ON_EDGE_M.min(direct / 4.0) / direct * 2.0);
        let (a, b) = (short(from), short(to));
        let crossed = self
            .outline
            .near(a, b, 0.0)
            .any(|s| segment_segment(a, b, s.a, s.b) == 0.0);
        let free = !crossed
            && self.standing.approach(a, b, self.pass_m).is_none()
            && self.outline.holds(middle)
            && !self.standing.holds(middle);
        free.then_some(direct)
    }
}

impl<'g> Network<'g> {
    /// Joins legs over `ground`, which may be driven but for the trees `standing` on it; these are passed at `pass_m`.
    pub fn new(
        legs: &[Leg],
        ground: &'g OpenGround,
        (standing, pass_m): (&MultiPolygon, f64),
        strip_m: f64,
    ) -> Network<'g> {
        let open = Open {
            outline: SegmentIndex::of_boundary(&ground.whole),
            standing: SegmentIndex::of_boundary(standing),
            pass_m,
        };
        let mut net = Network {
            ground,
            kinds: legs.iter().map(|leg| leg.kind).collect(),
            stops: vec![vec![]; legs.len()],
            nodes: vec![],
            edges: vec![],
            ends: vec![],
            lengths_m: vec![],
            lines: legs.iter().map(|leg| leg.line.clone()).collect(),
            piece: vec![],
            leg_at: vec![],
            over: legs.iter().map(|_| OnceCell::new()).collect(),
            onto_goal_m: ONTO_GOAL_STRIPS * strip_m,
            dead_ends: vec![false; legs.len()],
        };
        for leg in legs {
            let start = net.node(leg.start());
            let end = net.node(leg.end());
            net.ends.push([start, end]);
            net.lengths_m.push(crate::geometry::area::length(&leg.line));
        }
        let attach_m = ATTACH_STRIPS * strip_m;
        let ends = net.nodes.iter().enumerate();
        let ends = ends.map(|(node, p)| rstar::primitives::GeomWithData::new([p.x, p.y], node));
        let ends = rstar::RTree::bulk_load(ends.collect());
        // Where others touch an open leg.
        let mut at_ways: Vec<Vec<(OnLine, usize)>> = legs.iter().map(|_| vec![]).collect();
        for (way, leg) in legs.iter().enumerate() {
            // Strips are joined sideways by their neighbours only.
            let attach_m = match leg.kind {
                LegKind::Strip => 1.5 * strip_m,
                _ => attach_m,
            };
            let around = Bounds::of(&leg.line.0).grown(attach_m);
            let index = LineIndex::new(&leg.line);
            let mut stops: Vec<(OnLine, usize)> = Vec::new();
            let near = ends.locate_in_envelope(around.envelope());
            let near = near.map(|end| end.data);
            let mut near: Vec<usize> = near.filter(|end| !net.ends[way].contains(end)).collect();
            near.sort_unstable();
            for end in near {
                if let Some((on, off_m)) = net.onto(legs, &open, &index, attach_m, (end, way)) {
                    let stop = net.node(on.at);
                    net.join(
                        end,
                        stop,
                        off_m,
                        vec![],
                        Over::ground,
                        leg.kind == LegKind::Strip,
                    );
                    stops.push((on, stop));
                }
            }
            at_ways[way] = stops;
        }
        net.cross(legs, &open, attach_m, &mut at_ways);
        net.land(legs, &open, attach_m, &mut at_ways);
        for (way, stops) in at_ways.into_iter().enumerate() {
            net.stops[way] = stops.iter().map(|(_, stop)| *stop).collect();
            net.thread(way, &legs[way].line, stops);
        }
        net.join_neighbours(legs, &open, attach_m);
        net.piece = net.pieces();
        net.leg_at = vec![None; net.nodes.len()];
        for (leg, ends) in net.ends.iter().enumerate() {
            for (end, &node) in ends.iter().enumerate() {
                net.leg_at[node] = Some((leg, end));
            }
        }
        net
    }

    fn pieces(&self) -> Vec<u32> {
        let mut piece = vec![u32::MAX; self.nodes.len()];
        let mut number = 0;
        for start in 0..self.nodes.len() {
            if piece[start] != u32::MAX {
                continue;
            }
            let mut open = vec![start];
            piece[start] = number;
            while let Some(at) = open.pop() {
                let joined = self.fixed(at).map(|edge| edge.to);
                for next in joined {
                    if piece[next] == u32::MAX {
                        piece[next] = number;
                        open.push(next);
                    }
                }
            }
            number += 1;
        }
        piece
    }

    /// Whether a way leads from a leg just driven to an end of another.
    pub fn may_reach(&self, from: usize, (to, end): (usize, usize)) -> bool {
        let there = self.piece[self.ends[to][end]];
        self.ends[from].iter().any(|&own| self.piece[own] == there)
    }

    /// A leg's line begun where it comes nearest to a node: a ring once round, any other to its nearer end, back, and on to
    /// the other, which is given too.
    pub fn line_from(&self, leg: usize, node: usize) -> Option<(LineString, usize)> {
        let line = &self.lines[leg];
        let at = self.nodes[node];
        let on = LineIndex::new(line).nearest(at, f64::INFINITY)?;
        let (before, after) = line.0.split_at(on.segment + 1);
        let mut path = vec![on.at];
        let end = if line.0.first() == line.0.last() {
            path.extend_from_slice(after);
            path.extend_from_slice(&before[1..]);
            path.push(on.at);
            node
        } else {
            let back = before.iter().rev().copied();
            let first_m = on.along_m;
            if first_m <= self.lengths_m[leg] - first_m {
                path.extend(back);
                path.extend_from_slice(&before[1..]);
                path.push(on.at);
                path.extend_from_slice(after);
                self.ends[leg][1]
            } else {
                path.extend_from_slice(after);
                path.extend(after.iter().rev().skip(1));
                path.push(on.at);
                path.extend(back);
                self.ends[leg][0]
            }
        };
        path.dedup();
        Some((LineString(path), end))
    }

    fn node(&mut self, at: Coord) -> usize {
        self.nodes.push(at);
        self.edges.push(vec![]);
        self.nodes.len() - 1
    }

    /// `late` edges lead along or onto strips, so the order of strips must not count on them.
    fn join(
        &mut self,
        a: usize,
        b: usize,
        length_m: f64,
        between: Vec<Coord>,
        over: impl Fn() -> Over,
        late: bool,
    ) {
        let back = between.iter().rev().copied().collect();
        self.edges[a].push(Edge {
            to: b,
            length_m,
            between,
            over: over(),
            late,
        });
        self.edges[b].push(Edge {
            to: a,
            length_m,
            between: back,
            over: over(),
            late,
        });
    }

    /// Edges that do not wait for strips.
    pub(super) fn fixed(&self, at: usize) -> impl Iterator<Item = &Edge> {
        self.edges[at].iter().filter(|edge| !edge.late)
    }

    /// Whether an edge may be driven now; an edge that comes to `goal` may lead onto the goal's own ground.
    fn usable(&self, from: usize, edge: &Edge, cut: &[bool], goal: Option<usize>) -> bool {
        match &edge.over {
            Over::Road => true,
            Over::Leg(leg) => cut[*leg],
            Over::Ground(needs) => {
                let ask = || self.ground.needs(self.nodes[from], self.nodes[edge.to]);
                let needs = needs.get_or_init(ask).as_ref();
                needs.is_some_and(|legs| {
                    legs.iter()
                        .all(|&(leg, over_m)| cut[leg] || self.is_onto(leg, over_m, goal))
                })
            }
        }
    }

    /// Legs that must be cut before an edge from a node may be driven, with metres over the ground of each; None: it never may.
    pub(super) fn needs_of<'n>(&self, from: usize, edge: &'n Edge) -> Option<&'n [(usize, f64)]> {
        let Over::Ground(needs) = &edge.over else {
            return Some(&[]);
        };
        let ask = || self.ground.needs(self.nodes[from], self.nodes[edge.to]);
        needs.get_or_init(ask).as_deref()
    }

    /// Whether an edge leads over no ground of strips but those at whose ends it begins or ends.
    fn is_beside_strips(&self, from: usize, edge: &Edge) -> bool {
        let own = |leg: usize| self.ends[leg].contains(&from) || self.ends[leg].contains(&edge.to);
        self.needs_of(from, edge).is_some_and(|legs| {
            legs.iter()
                .all(|&(leg, _)| self.kinds[leg] != LegKind::Strip || own(leg))
        })
    }

    /// Whether ground is the goal's own and no more than is felled from where the machine stands before it drives on.
    pub(super) fn is_onto(&self, leg: usize, over_m: f64, goal: Option<usize>) -> bool {
        Some(leg) == goal && over_m <= self.onto_goal_m
    }

    /// The place at which the end of a leg is joined to another, and metres to it: the nearest, or the next beside it where that
    /// lies behind the corner of a strip or of ground that stays.
    fn onto(
        &self,
        legs: &[Leg],
        open: &Open,
        index: &LineIndex,
        attach_m: f64,
        (end, way): (usize, usize),
    ) -> Option<(OnLine, f64)> {
        let from = self.nodes[end];
        let nearest = index.nearest(from, attach_m)?;
        let straight_m = open.straight(from, nearest.at);
        let direct = straight_m.map(|off_m| (nearest, off_m));
        let is_clear = |at: Coord| {
            let needs = self.ground.needs(from, at);
            let own = |leg: usize| leg == way || self.ends[leg].contains(&end);
            needs.is_some_and(|needs| {
                needs
                    .iter()
                    .all(|&(leg, _)| legs[leg].kind != LegKind::Strip || own(leg))
            })
        };
        if direct.is_some_and(|(on, _)| is_clear(on.at)) {
            return direct;
        }
        let steps = (1..=(attach_m / LAND_STEP_M) as i32).flat_map(|k| [k, -k]);
        let beside = steps
            .filter_map(|k| index.along(nearest.along_m + f64::from(k) * LAND_STEP_M))
            .filter_map(|on| Some((on, open.straight(from, on.at)?)))
            .filter(|(on, off_m)| *off_m <= attach_m && is_clear(on.at));
        beside
            .reduce(|a, b| if b.1 < a.1 { b } else { a })
            .or(direct)
    }

    /// Joins open legs to one another wherever they come nearest.
    fn cross(
        &mut self,
        legs: &[Leg],
        open: &Open,
        attach_m: f64,
        at_ways: &mut [Vec<(OnLine, usize)>],
    ) {
        let open_legs: Vec<(usize, Bounds, LineIndex)> = legs
            .iter()
            .enumerate()
            .filter(|(_, leg)| leg.kind != LegKind::Strip)
            .map(|(at, leg)| (at, Bounds::of(&leg.line.0), LineIndex::new(&leg.line)))
            .collect();
        let boxes = open_legs.iter().enumerate().map(|(place, (_, bounds, _))| {
            let rectangle = rstar::primitives::Rectangle::from_aabb(bounds.envelope());
            rstar::primitives::GeomWithData::new(rectangle, place)
        });
        let tree = rstar::RTree::bulk_load(boxes.collect());
        for (a, around_a, line_a) in &open_legs {
            let around = around_a.grown(attach_m).envelope();
            let near = tree.locate_in_envelope_intersecting(around);
            let mut near: Vec<usize> = near.map(|found| found.data).collect();
            near.sort_unstable();
            for (b, _, line_b) in near.into_iter().map(|place| &open_legs[place]) {
                let (a, b) = (*a, *b);
                if a == b {
                    continue;
                }
                for (p, on_b) in line_a.nearest_places(line_b, attach_m) {
                    let Some((on_a, off_m)) = line_a
                        .nearest(p, f64::INFINITY)
                        .zip(open.straight(p, on_b.at))
                    else {
                        continue;
                    };
                    let (from, to) = (self.node(on_a.at), self.node(on_b.at));
                    self.join(from, to, off_m, vec![], Over::ground, false);
                    at_ways[a].push((on_a, from));
                    at_ways[b].push((on_b, to));
                }
            }
        }
    }

    /// Joins the ends of passes to roads where that leads over nothing but the pass's own ground: the nearest place on a road
    /// may lie behind the corner of a strip.
    fn land(
        &mut self,
        legs: &[Leg],
        open: &Open,
        attach_m: f64,
        at_ways: &mut [Vec<(OnLine, usize)>],
    ) {
        let of = |kind: LegKind| (0..legs.len()).filter(move |&leg| legs[leg].kind == kind);
        let roads: Vec<(usize, Bounds, LineIndex)> = of(LegKind::Road)
            .map(|leg| {
                (
                    leg,
                    Bounds::of(&legs[leg].line.0),
                    LineIndex::new(&legs[leg].line),
                )
            })
            .collect();
        for pass in of(LegKind::Pass) {
            for end in self.ends[pass] {
                let from = self.nodes[end];
                for (road, bounds, index) in &roads {
                    if !bounds.grown(attach_m).holds(&Bounds::of(&[from])) {
                        continue;
                    }
                    let Some(nearest) = index.nearest(from, attach_m) else {
                        continue;
                    };
                    let steps = (1..=(attach_m / LAND_STEP_M) as i32).flat_map(|k| [k, -k]);
                    let along = std::iter::once(0)
                        .chain(steps)
                        .filter_map(|k| index.along(nearest.along_m + f64::from(k) * LAND_STEP_M));
                    let reached = along.filter_map(|on| {
                        let off_m = open.straight(from, on.at)?;
                        let needs = self.ground.needs(from, on.at)?;
                        let own = |&(leg, over_m): &(usize, f64)| {
                            leg == pass && over_m <= self.onto_goal_m
                        };
                        needs.iter().all(own).then_some((off_m, on))
                    });
                    let Some((off_m, on)) = reached.reduce(|a, b| if b.0 < a.0 { b } else { a })
                    else {
                        continue;
                    };
                    let stop = self.node(on.at);
                    self.join(end, stop, off_m, vec![], Over::ground, false);
                    at_ways[*road].push((on, stop));
                }
            }
        }
    }

    /// Joins the stops along an open leg, and its two ends.
    fn thread(&mut self, way: usize, line: &LineString, mut stops: Vec<(OnLine, usize)>) {
        let last = line.0.len().saturating_sub(2);
        let at = |segment, along_m, at| OnLine {
            segment,
            along_m,
            at,
            off_m: 0.0,
        };
        let [start, end] = self.ends[way];
        stops.push((at(0, 0.0, self.nodes[start]), start));
        stops.push((at(last, self.lengths_m[way], self.nodes[end]), end));
        stops.sort_by(|(a, x), (b, y)| a.along_m.total_cmp(&b.along_m).then(x.cmp(y)));
        for pair in stops.windows(2) {
            let [(a, from), (b, to)] = [pair[0], pair[1]];
            let between = if b.segment > a.segment {
                line.0[a.segment + 1..=b.segment].to_vec()
            } else {
                vec![]
            };
            let kind = self.kinds[way];
            let over = move || match kind {
                LegKind::Road => Over::Road,
                _ => Over::Leg(way),
            };
            self.join(
                from,
                to,
                b.along_m - a.along_m,
                between,
                over,
                kind == LegKind::Strip,
            );
        }
        if line.0.first() == line.0.last() {
            self.join(start, end, 0.0, vec![], || Over::Road, false);
        }
    }

    /// Ends of closed legs that lie side by side.
    fn join_neighbours(&mut self, legs: &[Leg], open: &Open, attach_m: f64) {
        let tips: Vec<(usize, usize)> = self
            .ends
            .iter()
            .enumerate()
            .filter(|(leg, _)| legs[*leg].kind == LegKind::Strip)
            .flat_map(|(leg, ends)| ends.map(|end| (leg, end)))
            .collect();
        let tree = rstar::RTree::bulk_load(
            tips.iter()
                .map(|&(leg, end)| {
                    let p = self.nodes[end];
                    rstar::primitives::GeomWithData::new([p.x, p.y], (leg, end))
                })
                .collect(),
        );
        for &(leg, end) in &tips {
            let p = self.nodes[end];
            let mut near: Vec<(usize, usize)> = tree
                .locate_within_distance([p.x, p.y], attach_m * attach_m)
                .map(|found| found.data)
                .filter(|&(other, to)| other != leg && to > end)
                .collect();
            near.sort_unstable();
            for (_, to) in near {
                if let Some(direct_m) = open.straight(p, self.nodes[to]) {
                    self.join(end, to, direct_m, vec![], Over::ground, false);
                }
            }
        }
    }

    /// The shortest way from one node to another, where a leg is to be begun, along roads and over what is `cut` by now.
    pub fn way(
        &self,
        scratch: &mut Scratch,
        cut: &[bool],
        from: usize,
        (goal, leg): (usize, usize),
    ) -> Option<Way> {
        let found = self.leads(scratch, cut, &[from], (goal, leg));
        found.then(|| self.back(scratch, goal))
    }

    /// Whether a way leads from one of some nodes to another, as [`Network::way`].
    pub fn leads(
        &self,
        scratch: &mut Scratch,
        cut: &[bool],
        from: &[usize],
        (goal, leg): (usize, usize),
    ) -> bool {
        let there = self.nodes[goal];
        // No way is shorter than the straight line (A*: Hart, Nilsson & Raphael 1968).
        let straight_m = |node: usize| {
            let to = there - self.nodes[node];
            to.x.hypot(to.y)
        };
        scratch.begin(self.nodes.len());
        for &start in from {
            scratch.reach_towards(start, 0.0, straight_m(start), None);
        }
        while let Some(Queued(estimate, at)) = scratch.queue.pop() {
            if at == goal {
                return true;
            }
            let so_far = scratch.length_m[at];
            if estimate > so_far + straight_m(at) {
                continue;
            }
            for (index, edge) in self.edges[at].iter().enumerate() {
                let own = (edge.to == goal).then_some(leg);
                if !self.usable(at, edge, cut, own) {
                    continue;
                }
                let via = Some((at, Via(index)));
                let ahead_m = straight_m(edge.to);
                scratch.reach_towards(edge.to, so_far + edge.length_m, ahead_m, via);
            }
        }
        false
    }

    /// The way that a search found to the goal.
    fn back(&self, scratch: &Scratch, goal: usize) -> Way {
        let mut at = goal;
        let mut back = vec![self.nodes[at]];
        while let Some((before, Via(index))) = scratch.from[at] {
            let edge = &self.edges[before][index];
            back.extend(edge.between.iter().rev());
            back.push(self.nodes[before]);
            at = before;
        }
        back.reverse();
        // Ends of drives that meet by all but a rounding leave no way that could be drawn.
        back.dedup_by(|b, a| (b.x - a.x).hypot(b.y - a.y) < SAME_PLACE_M);
        if back.len() == 1 {
            back.push(back[0]);
        }
        let path = LineString(back);
        Way {
            length_m: crate::geometry::area::length(&path),
            path,
        }
    }

    /// Node at an end of a leg.
    pub fn end(&self, (leg, end): (usize, usize)) -> usize {
        self.ends[leg][end]
    }

    pub(super) fn nodes_count(&self) -> usize {
        self.nodes.len()
    }

    /// Whether a node is an end of a strip.
    pub(super) fn is_strip_end(&self, node: usize) -> bool {
        self.leg_at[node].is_some_and(|(leg, _)| self.kinds[leg] == LegKind::Strip)
    }

    /// Nodes from which the machine goes on that stands at one, with metres: that, and the other end of the leg that ends there,
    /// for it goes back along it.
    pub fn stands_at(&self, node: usize) -> Vec<(usize, f64)> {
        let mut nodes = vec![(node, 0.0)];
        nodes.extend(
            self.leg_at[node].map(|(leg, end)| (self.ends[leg][1 - end], self.lengths_m[leg])),
        );
        nodes
    }

    /// Metres between two nodes as the crow flies.
    pub fn straight_m(&self, a: usize, b: usize) -> f64 {
        let off = self.nodes[a] - self.nodes[b];
        off.x.hypot(off.y)
    }

    /// Nodes at which others join a leg.
    pub fn stops(&self, leg: usize) -> &[usize] {
        &self.stops[leg]
    }

    /// The end of a leg that a node is, if it is one.
    pub fn leg_end(&self, node: usize) -> Option<(usize, usize)> {
        self.leg_at[node]
    }

    /// Nodes of roads.
    pub fn road_nodes(&self) -> Vec<usize> {
        let roads = (0..self.kinds.len()).filter(|&leg| self.kinds[leg] == LegKind::Road);
        let nodes = roads.flat_map(|leg| self.stops[leg].iter().chain(&self.ends[leg]).copied());
        nodes.collect()
    }

    /// The nearest place, by what is cut, at which one of the `wanted` legs may be begun: an end, or anywhere that others
    /// join it where it is a ring. Gives the node, and the legs in order that have to be cut on the way.
    pub fn next(
        &self,
        scratch: &mut Scratch,
        cut: &[bool],
        from: &[usize],
        wanted: &[usize],
        how: How,
    ) -> Option<Next> {
        let mut begins: Vec<(usize, usize)> = Vec::new();
        for &leg in wanted {
            begins.extend(self.ends[leg].map(|node| (node, leg)));
            if how == How::Anywhere || self.lines[leg].0.first() == self.lines[leg].0.last() {
                begins.extend(self.stops[leg].iter().map(|&node| (node, leg)));
            }
        }
        begins.sort_unstable();
        let begun_at = |node: usize| {
            let at = begins.partition_point(|&(other, _)| other < node);
            begins
                .get(at)
                .filter(|&&(other, _)| other == node)
                .map(|&(_, leg)| leg)
        };
        scratch.begin(self.nodes.len());
        for &node in from {
            scratch.reach(node, 0.0);
        }
        while let Some(Queued(so_far, at)) = scratch.queue.pop() {
            if so_far > scratch.length_m[at] {
                continue;
            }
            if let Some(leg) = begun_at(at) {
                let mut over = vec![];
                let mut back = at;
                while let Some((before, Via(index))) = scratch.from[back] {
                    match &self.edges[before][index].over {
                        Over::Leg(leg) if !cut[*leg] => over.push(*leg),
                        Over::Ground(needs) => {
                            let needs = needs.get().and_then(Option::as_ref);
                            over.extend(
                                needs
                                    .into_iter()
                                    .flatten()
                                    .map(|&(over, _)| over)
                                    .filter(|&over| !cut[over] && over != leg),
                            );
                        }
                        _ => {}
                    }
                    back = before;
                }
                over.reverse();
                over.dedup();
                return Some(Next { node: at, over });
            }
            for (index, edge) in self.edges[at].iter().enumerate() {
                let own = begun_at(edge.to);
                let usable = self.usable(at, edge, cut, own)
                    || match how {
                        How::AsItIs | How::Anywhere => false,
                        How::Through => self.may_be(at, edge, cut, (own, &[])),
                        How::ThroughOnto => self.may_be(at, edge, cut, (own, wanted)),
                    };
                if usable {
                    let via = Some((at, Via(index)));
                    scratch.reach_towards(edge.to, so_far + edge.length_m, 0.0, via);
                }
            }
        }
        None
    }

    /// From here on a strip is no way to a pass before it is cut in its turn.
    pub fn end_at_trees(&mut self, leg: usize) {
        self.dead_ends[leg] = true;
    }

    /// Whether a leg runs over ground of another.
    pub fn runs_onto(&self, leg: usize, other: usize) -> bool {
        let over = self.over[leg].get_or_init(|| self.ground.runs_over(leg));
        over.iter().any(|&(over, _)| over == other)
    }

    /// The line of a leg from one end up to the ground of another that it leads to, and the rest of it.
    /// `is_shared`: ground of the one may be reached from the line of the other.
    pub fn parted_at(
        &self,
        leg: End,
        (other, is_shared): (usize, bool),
    ) -> Option<[LineString; 2]> {
        self.ground.parted_at(leg, (other, is_shared))
    }

    /// Whether an edge could be driven once strips are cut that run over no ground of others, but for what they lead to and
    /// cut from their own end.
    fn may_be(
        &self,
        from: usize,
        edge: &Edge,
        cut: &[bool],
        (goal, onto): (Option<usize>, &[usize]),
    ) -> bool {
        let may_be_cut = |leg: usize| {
            let over = self.over[leg].get_or_init(|| self.ground.runs_over(leg));
            let aimed_at = |other: usize, over_m: f64| {
                let leads = |end: usize| self.ground.parted_at((leg, end), (other, true)).is_some();
                onto == [other] && over_m <= self.onto_goal_m && (leads(0) || leads(1))
            };
            let clear = |&(other, over_m): &(usize, f64)| cut[other] || aimed_at(other, over_m);
            let leads = self.kinds[leg] == LegKind::Strip && !self.dead_ends[leg];
            cut[leg] || (leads && over.iter().all(clear))
        };
        match &edge.over {
            Over::Road => true,
            Over::Leg(leg) => may_be_cut(*leg),
            Over::Ground(needs) => {
                let ask = || self.ground.needs(self.nodes[from], self.nodes[edge.to]);
                let needs = needs.get_or_init(ask).as_ref();
                needs.is_some_and(|legs| {
                    legs.iter().all(|&(leg, over_m)| match Some(leg) == goal {
                        true => self.is_onto(leg, over_m, goal),
                        false => may_be_cut(leg),
                    })
                })
            }
        }
    }

    /// The ends of legs within [`MOST_SETTLED`] nodes of one, with metres, nearest first, and whether these are all that
    /// can be reached.
    pub fn around(&self, scratch: &mut Scratch, from: (usize, usize)) -> (Vec<(End, f64)>, bool) {
        let mut found = Vec::new();
        let mut settled = 0;
        let all = self.settle(scratch, from, |at, so_far| {
            settled += 1;
            if settled > MOST_SETTLED {
                return false;
            }
            found.extend(self.leg_at[at].map(|end| (end, so_far)));
            true
        });
        (found, all)
    }

    /// Up to `most` of the ends that are `wanted`, as (leg, end) with metres, nearest first. Where the search gets far
    /// without finding any, `left` says whether one can be reached at all.
    pub fn nearest(
        &self,
        scratch: &mut Scratch,
        from: (usize, usize),
        most: usize,
        wanted: impl Fn((usize, usize)) -> bool,
        left: impl Fn() -> bool,
    ) -> Vec<((usize, usize), f64)> {
        let mut found = Vec::new();
        let mut settled = 0;
        self.settle(scratch, from, |at, so_far| {
            settled += 1;
            let far = settled > MOST_SETTLED && !found.is_empty();
            if far || (settled == MOST_SETTLED && found.is_empty() && !left()) {
                return false;
            }
            found.extend(
                self.leg_at[at]
                    .filter(|&end| wanted(end))
                    .map(|end| (end, so_far)),
            );
            found.len() < most
        });
        found
    }

    /// Visits nodes nearest first, with metres from a leg's end, while `on` says so (Dijkstra 1959); whether it came to
    /// the last.
    fn settle(
        &self,
        scratch: &mut Scratch,
        (leg, end): (usize, usize),
        mut on: impl FnMut(usize, f64) -> bool,
    ) -> bool {
        scratch.begin(self.nodes.len());
        scratch.reach(self.ends[leg][end], 0.0);
        scratch.reach(self.ends[leg][1 - end], self.lengths_m[leg]);
        while let Some(Queued(so_far, at)) = scratch.queue.pop() {
            if so_far > scratch.length_m[at] {
                continue;
            }
            if !on(at, so_far) {
                return false;
            }
            for edge in self
                .fixed(at)
                .filter(|edge| self.is_beside_strips(at, edge))
            {
                scratch.reach(edge.to, so_far + edge.length_m);
            }
        }
        true
    }
}

/// A leg, and 0 for its line's first point or 1 for its last.
pub type End = (usize, usize);

/// Which of a node's edges a way follows.
#[derive(Clone, Copy)]
struct Via(usize);

/// How the next leg is looked for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum How {
    /// Over what is cut.
    AsItIs,
    /// To any place at which others join it, not to its ends alone.
    Anywhere,
    /// Over strips too that can be cut first.
    Through,
    /// Over such strips, also where they run over the ground that is looked for.
    ThroughOnto,
}

/// Where a machine goes next.
#[derive(Clone, Debug)]
pub struct Next {
    pub node: usize,
    /// Legs that have to be cut on the way there.
    pub over: Vec<usize>,
}

/// Room for searches, used again and again: only what a search touches is set up anew.
#[derive(Default)]
pub struct Scratch {
    length_m: Vec<f64>,
    /// The node before each on its way, and what leads on from there.
    from: Vec<Option<(usize, Via)>>,
    touched: Vec<usize>,
    queue: BinaryHeap<Queued<usize>>,
}

impl Scratch {
    fn begin(&mut self, nodes: usize) {
        self.queue.clear();
        for node in self.touched.drain(..) {
            self.length_m[node] = f64::INFINITY;
        }
        self.length_m.resize(nodes, f64::INFINITY);
        self.from.resize(nodes, None);
    }

    fn reach(&mut self, node: usize, length_m: f64) {
        self.reach_towards(node, length_m, 0.0, None);
    }

    /// `ahead_m` is the least that is still to go from there.
    fn reach_towards(
        &mut self,
        node: usize,
        length_m: f64,
        ahead_m: f64,
        from: Option<(usize, Via)>,
    ) {
        let known = &mut self.length_m[node];
        if length_m < *known {
            if known.is_infinite() {
                self.touched.push(node);
            }
            *known = length_m;
            self.from[node] = from;
            self.queue.push(Queued(length_m + ahead_m, node));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::layout::open_ground::Piece;
    use geo::Polygon;

    #[test]
    fn travel_goes_round_a_reserve_along_the_pass_and_back_along_the_own_leg() {
        let ring = |a: f64, b: f64| LineString::from(vec![(a, a), (b, a), (b, b), (a, b), (a, a)]);
        let mut hole = ring(40.0, 60.0);
        hole.0.reverse();
        let ground = MultiPolygon(vec![Polygon::new(ring(0.0, 100.0), vec![hole])]);
        let leg = |points: Vec<(f64, f64)>, kind| Leg {
            line: LineString::from(points),
            kind,
        };
        let around = ring(10.0, 90.0).0.iter().map(|c| (c.x, c.y)).collect();
        let legs = [
            leg(around, LegKind::Pass),
            leg(vec![(50., 20.), (50., 35.)], LegKind::Strip),
            leg(vec![(50., 65.), (50., 80.)], LegKind::Strip),
        ];
        let open = OpenGround::new(ground.clone(), vec![], &legs, ground);
        let net = Network::new(&legs, &open, (&MultiPolygon(vec![]), 0.0), 16.0);
        let mut scratch = Scratch::default();
        let from = net.end((1, 1));
        let cut = [true, true, false];
        let way = [0, 1].map(|end| net.way(&mut scratch, &cut, from, (net.end((2, end)), 2)));
        // Back down the own leg, off it to the pass, round by half its length, and up again.
        let to_top = way[1].as_ref().unwrap();
        assert!(
            (to_top.length_m - (15.0 + 10.0 + 160.0 + 10.0)).abs() < 1e-9,
            "{to_top:?}"
        );
        let drawn = crate::geometry::area::length(&to_top.path);
        assert!((drawn - to_top.length_m).abs() < 1e-9);
        // From the pass straight down to the nearer end.
        let to_bottom = way[0].as_ref().unwrap();
        assert!(
            (to_bottom.length_m - (15.0 + 10.0 + 160.0 + 25.0)).abs() < 1e-9,
            "{to_bottom:?}"
        );
    }

    #[test]
    fn ends_that_meet_but_for_a_rounding_leave_no_way_to_draw() {
        let square = vec![(0., 0.), (90., 0.), (90., 90.), (0., 90.), (0., 0.)];
        let ground = MultiPolygon(vec![Polygon::new(LineString::from(square), vec![])]);
        let leg = |points: [(f64, f64); 2]| Leg {
            line: LineString::from(points.to_vec()),
            kind: LegKind::Strip,
        };
        let legs = [
            leg([(50., 35.), (50., 20.)]),
            leg([(50., 20. + 3.5e-9), (70., 60.)]),
        ];
        let open = OpenGround::new(ground.clone(), vec![], &legs, ground);
        let net = Network::new(&legs, &open, (&MultiPolygon(vec![]), 0.0), 16.0);
        let (from, to) = (net.end((0, 1)), net.end((1, 0)));
        let way = net.way(&mut Scratch::default(), &[true, false], from, (to, 1));
        assert_eq!(way.unwrap().length_m, 0.0);
    }

    #[test]
    fn a_way_leads_over_no_more_of_its_goals_ground_than_a_strip_and_a_half() {
        let rectangle = |low: f64, high: f64| {
            let ring = vec![(0., low), (100., low), (100., high), (0., high), (0., low)];
            Polygon::new(LineString::from(ring), vec![])
        };
        let leg = |points: [(f64, f64); 2], kind| Leg {
            line: LineString::from(points.to_vec()),
            kind,
        };
        for (begins, found) in [(28.0, true), (32.0, false)] {
            let legs = [
                leg([(0., 0.), (100., 0.)], LegKind::Road),
                leg([(50., begins), (50., 90.)], LegKind::Strip),
            ];
            let own = Piece {
                shape: rectangle(5.0, 100.0),
                legs: vec![1],
            };
            let whole = MultiPolygon(vec![rectangle(-5.0, 100.0)]);
            let free = MultiPolygon(vec![rectangle(-5.0, 5.0)]);
            let open = OpenGround::new(whole, vec![own], &legs, free);
            let net = Network::new(&legs, &open, (&MultiPolygon(vec![]), 0.0), 16.0);
            let (from, to) = (net.end((0, 0)), net.end((1, 0)));
            let way = net.way(&mut Scratch::default(), &[true, false], from, (to, 1));
            assert_eq!(way.is_some(), found, "{way:?}");
        }
    }

    #[test]
    fn a_line_begun_in_its_middle_is_driven_to_the_nearer_end_and_back() {
        let square = vec![(0., -9.), (90., -9.), (90., 9.), (0., 9.), (0., -9.)];
        let ground = MultiPolygon(vec![Polygon::new(LineString::from(square), vec![])]);
        let leg = |points: &[(f64, f64)]| Leg {
            line: LineString::from(points.to_vec()),
            kind: LegKind::Pass,
        };
        let legs = [
            leg(&[(0., 0.), (10., 0.), (90., 0.)]),
            leg(&[(30., 5.), (30., 8.)]),
        ];
        let open = OpenGround::new(ground.clone(), vec![], &legs, ground);
        let net = Network::new(&legs, &open, (&MultiPolygon(vec![]), 0.0), 16.0);
        let how = |how| {
            let from = [net.end((1, 0))];
            net.next(&mut Scratch::default(), &[false, true], &from, &[0], how)
        };
        let next = how(How::Anywhere).unwrap();
        let (line, end) = net.line_from(0, next.node).unwrap();
        let wanted = [
            (30., 0.),
            (10., 0.),
            (0., 0.),
            (10., 0.),
            (30., 0.),
            (90., 0.),
        ];
        assert_eq!(line, LineString::from(wanted.to_vec()));
        assert_eq!(end, net.end((0, 1)));
    }
}
