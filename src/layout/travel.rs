//! Travel that cuts nothing: a graph of what the machine may drive between the ends of its legs, and shortest ways in it.

use std::cmp::Ordering;
use std::collections::BinaryHeap;

use geo::{Coord, LineString, MultiPolygon};

use super::on_line::{LineIndex, OnLine};
use crate::geometry::area::Bounds;
use crate::geometry::distance::{SegmentIndex, segment_segment};

/// How far off a driven line a leg may end and still turn onto it, in strip widths.
const ATTACH_STRIPS: f64 = 3.0;
/// Nodes looked at for the next piece once one is found: what is farther than that is not next.
const MOST_SETTLED: usize = 400;
/// Ends this near to the edge of the open ground count as on it.
const ON_EDGE_M: f64 = 0.01;

/// A way from one place to another.
#[derive(Clone, Debug)]
pub struct Way {
    pub length_m: f64,
    pub path: LineString,
}

struct Edge {
    to: usize,
    length_m: f64,
    /// Vertices between the two nodes, in order.
    between: Vec<Coord>,
}

/// Two ends of one leg: a strip's drive, or a drive along the edge or a road.
#[derive(Clone, Debug)]
pub struct Leg {
    pub line: LineString,
    /// Whether others may travel along it: the boundary pass and the road clearing are cut before all strips.
    pub open: bool,
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
pub struct Network {
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

impl Network {
    /// Joins legs over `ground`, which may be driven but for the trees `standing` on it; these are passed at `pass_m`.
    pub fn new(
        legs: &[Leg],
        ground: &MultiPolygon,
        (standing, pass_m): (&MultiPolygon, f64),
        strip_m: f64,
    ) -> Network {
        let open = Open {
            outline: SegmentIndex::of_boundary(ground),
            standing: SegmentIndex::of_boundary(standing),
            pass_m,
        };
        let mut net = Network {
            nodes: vec![],
            edges: vec![],
            ends: vec![],
            lengths_m: vec![],
            lines: legs.iter().map(|leg| leg.line.clone()).collect(),
            piece: vec![],
            leg_at: vec![],
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
        for (way, leg) in legs.iter().enumerate().filter(|(_, leg)| leg.open) {
            let around = Bounds::of(&leg.line.0).grown(attach_m);
            let index = LineIndex::new(&leg.line);
            let mut stops: Vec<(OnLine, usize)> = Vec::new();
            let near = ends.locate_in_envelope(around.envelope());
            let near = near.map(|end| end.data);
            let mut near: Vec<usize> = near.filter(|end| !net.ends[way].contains(end)).collect();
            near.sort_unstable();
            for end in near {
                let p = net.nodes[end];
                if let Some(on) = index.nearest(p, attach_m)
                    && let Some(off_m) = open.straight(p, on.at)
                {
                    let stop = net.node(on.at);
                    net.join(end, stop, off_m, vec![]);
                    stops.push((on, stop));
                }
            }
            at_ways[way] = stops;
        }
        net.cross(legs, &open, attach_m, &mut at_ways);
        for (way, stops) in at_ways.into_iter().enumerate() {
            if legs[way].open {
                net.thread(way, &legs[way].line, stops);
            }
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
                let joined = self.edges[at].iter().map(|edge| edge.to);
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

    /// Where on the leg's line another end would join it, as a ring that begins there; None where the leg is no ring.
    pub fn ring_from(&self, leg: usize, (from, end): (usize, usize)) -> Option<LineString> {
        let line = &self.lines[leg];
        let at = self.nodes[self.ends[from][end]];
        let on = LineIndex::new(line).nearest(at, f64::INFINITY)?;
        let closed = line.0.first() == line.0.last();
        closed.then(|| {
            let corners = &line.0[..line.0.len() - 1];
            let mut ring = vec![on.at];
            ring.extend_from_slice(&corners[on.segment + 1..]);
            ring.extend_from_slice(&corners[..=on.segment]);
            ring.push(on.at);
            ring.dedup();
            LineString(ring)
        })
    }

    fn node(&mut self, at: Coord) -> usize {
        self.nodes.push(at);
        self.edges.push(vec![]);
        self.nodes.len() - 1
    }

    fn join(&mut self, a: usize, b: usize, length_m: f64, between: Vec<Coord>) {
        let back = between.iter().rev().copied().collect();
        self.edges[a].push(Edge {
            to: b,
            length_m,
            between,
        });
        self.edges[b].push(Edge {
            to: a,
            length_m,
            between: back,
        });
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
            .filter(|(_, leg)| leg.open)
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
                    self.join(from, to, off_m, vec![]);
                    at_ways[a].push((on_a, from));
                    at_ways[b].push((on_b, to));
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
            self.join(from, to, b.along_m - a.along_m, between);
        }
        if line.0.first() == line.0.last() {
            self.join(start, end, 0.0, vec![]);
        }
    }

    /// Ends of closed legs that lie side by side.
    fn join_neighbours(&mut self, legs: &[Leg], open: &Open, attach_m: f64) {
        let tips: Vec<(usize, usize)> = self
            .ends
            .iter()
            .enumerate()
            .filter(|(leg, _)| !legs[*leg].open)
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
                    self.join(end, to, direct_m, vec![]);
                }
            }
        }
    }

    /// The shortest way from one end of a leg that was just driven to an end of another, along open legs and those that
    /// are `cut` by now, of which the leg itself is one. Ends are 0 for a line's first point and 1 for its last.
    pub fn way(
        &self,
        scratch: &mut Scratch,
        cut: &[bool],
        from: (usize, usize),
        to: (usize, usize),
    ) -> Option<Way> {
        let goal = self.ends[to.0][to.1];
        let there = self.nodes[goal];
        // No way is shorter than the straight line (A*: Hart, Nilsson & Raphael 1968).
        let straight_m = |node: usize| {
            let to = there - self.nodes[node];
            to.x.hypot(to.y)
        };
        scratch.begin(self.nodes.len());
        let start = self.ends[from.0][from.1];
        scratch.reach_towards(start, 0.0, straight_m(start), None);
        while let Some(Queued(estimate, at)) = scratch.queue.pop() {
            if at == goal {
                return Some(self.back(scratch, goal));
            }
            let so_far = scratch.length_m[at];
            if estimate > so_far + straight_m(at) {
                continue;
            }
            for (index, edge) in self.edges[at].iter().enumerate() {
                let via = Some((at, Via::Edge(index)));
                let ahead_m = straight_m(edge.to);
                scratch.reach_towards(edge.to, so_far + edge.length_m, ahead_m, via);
            }
            if let Some((leg, end)) = self.leg_at[at].filter(|&(leg, _)| cut[leg]) {
                let other = self.ends[leg][1 - end];
                let via = Some((at, Via::Leg { leg, end }));
                let total_m = so_far + self.lengths_m[leg];
                scratch.reach_towards(other, total_m, straight_m(other), via);
            }
        }
        None
    }

    /// The way that a search found to the goal.
    fn back(&self, scratch: &Scratch, goal: usize) -> Way {
        let mut at = goal;
        let mut back = vec![self.nodes[at]];
        while let Some((before, via)) = scratch.from[at] {
            match via {
                Via::Edge(index) => back.extend(self.edges[before][index].between.iter().rev()),
                Via::Leg { leg, end: 0 } => back.extend(self.lines[leg].0.iter().rev().skip(1)),
                Via::Leg { leg, .. } => back.extend(self.lines[leg].0.iter().skip(1)),
            }
            back.push(self.nodes[before]);
            at = before;
        }
        back.reverse();
        back.dedup();
        if back.len() == 1 {
            back.push(back[0]);
        }
        Way {
            length_m: scratch.length_m[goal],
            path: LineString(back),
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
            for edge in &self.edges[at] {
                scratch.reach(edge.to, so_far + edge.length_m);
            }
        }
        true
    }
}

/// A leg, and 0 for its line's first point or 1 for its last.
pub type End = (usize, usize);

/// What a way follows from one node to the next.
#[derive(Clone, Copy)]
enum Via {
    /// Which of the node's edges.
    Edge(usize),
    /// A leg that is cut, from one of its ends.
    Leg { leg: usize, end: usize },
}

/// Room for searches, used again and again: only what a search touches is set up anew.
#[derive(Default)]
pub struct Scratch {
    length_m: Vec<f64>,
    /// The node before each on its way, and what leads on from there.
    from: Vec<Option<(usize, Via)>>,
    touched: Vec<usize>,
    queue: BinaryHeap<Queued>,
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

/// Nearest first; among equals the lower node, so that ways do not depend on chance.
struct Queued(f64, usize);

impl PartialEq for Queued {
    fn eq(&self, other: &Queued) -> bool {
        self.cmp(other) == Ordering::Equal
    }
}
impl Eq for Queued {}
impl PartialOrd for Queued {
    fn partial_cmp(&self, other: &Queued) -> Option<Ordering> {
        Some(self.cmp(other))
    }
}
impl Ord for Queued {
    fn cmp(&self, other: &Queued) -> Ordering {
        other.0.total_cmp(&self.0).then(other.1.cmp(&self.1))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use geo::Polygon;

    #[test]
    fn travel_goes_round_a_reserve_along_the_pass_and_back_along_the_own_leg() {
        let ring = |a: f64, b: f64| LineString::from(vec![(a, a), (b, a), (b, b), (a, b), (a, a)]);
        let mut hole = ring(40.0, 60.0);
        hole.0.reverse();
        let ground = MultiPolygon(vec![Polygon::new(ring(0.0, 100.0), vec![hole])]);
        let leg = |points: Vec<(f64, f64)>, open| Leg {
            line: LineString::from(points),
            open,
        };
        let pass = leg(
            ring(10.0, 90.0).0.iter().map(|c| (c.x, c.y)).collect(),
            true,
        );
        let below = leg(vec![(50., 20.), (50., 35.)], false);
        let above = leg(vec![(50., 65.), (50., 80.)], false);
        let net = Network::new(
            &[pass, below, above],
            &ground,
            (&MultiPolygon(vec![]), 0.0),
            16.0,
        );
        let mut scratch = Scratch::default();
        let way = [0, 1].map(|end| net.way(&mut scratch, &[true, true, false], (1, 1), (2, end)));
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
}
