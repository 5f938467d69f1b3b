//! Exact distances between segments, and an index of segments. Shares no code with buffers or overlay, since it is
//! what they are certified with.

use std::collections::BinaryHeap;

use geo::{Coord, LineString, MultiLineString, MultiPolygon, Polygon};

use super::area::{Bounds, rings};
use super::box_tree::BoxTree;
use super::nearest_first::Queued;

/// Where along the segment `a`-`b`, from 0 to 1, it comes nearest to `p`.
pub fn share_along(p: Coord, a: Coord, b: Coord) -> f64 {
    let (dx, dy) = (b.x - a.x, b.y - a.y);
    let length2 = dx * dx + dy * dy;
    if length2 > 0.0 {
        (((p.x - a.x) * dx + (p.y - a.y) * dy) / length2).clamp(0.0, 1.0)
    } else {
        0.0
    }
}

/// Places from `a` on towards `b`, evenly and at most `apart_m` apart; `b` is none of them.
pub fn places_along(a: Coord, b: Coord, apart_m: f64) -> impl Iterator<Item = Coord> {
    let d = b - a;
    let steps = (d.x.hypot(d.y) / apart_m).ceil().max(1.0) as u32;
    (0..steps).map(move |step| a + d * (f64::from(step) / f64::from(steps)))
}

/// Distance from `p` to the segment `a`-`b`.
pub fn point_segment(p: Coord, a: Coord, b: Coord) -> f64 {
    point_segment2(p, a, b).sqrt()
}

/// Squared, since the root is only wanted of the least of many.
fn point_segment2(p: Coord, a: Coord, b: Coord) -> f64 {
    let (dx, dy) = (b.x - a.x, b.y - a.y);
    let t = share_along(p, a, b);
    let (ex, ey) = (p.x - a.x - t * dx, p.y - a.y - t * dy);
    ex * ex + ey * ey
}

fn turn(p: Coord, q: Coord, r: Coord) -> f64 {
    (q.x - p.x) * (r.y - p.y) - (q.y - p.y) * (r.x - p.x)
}

/// Distance between two segments; 0 where they cross or touch.
pub fn segment_segment(a: Coord, b: Coord, c: Coord, d: Coord) -> f64 {
    let (c_side, d_side) = (turn(a, b, c), turn(a, b, d));
    let (a_side, b_side) = (turn(c, d, a), turn(c, d, b));
    if c_side * d_side < 0.0 && a_side * b_side < 0.0 {
        return 0.0;
    }
    point_segment2(a, c, d)
        .min(point_segment2(b, c, d))
        .min(point_segment2(c, a, b))
        .min(point_segment2(d, a, b))
        .sqrt()
}

/// One indexed segment and the number of the thing it belongs to.
#[derive(Clone, Copy, Debug)]
pub struct Segment {
    pub a: Coord,
    pub b: Coord,
    pub owner: u32,
}

impl Segment {
    fn bounds(&self) -> Bounds {
        Bounds {
            min: Coord {
                x: self.a.x.min(self.b.x),
                y: self.a.y.min(self.b.y),
            },
            max: Coord {
                x: self.a.x.max(self.b.x),
                y: self.a.y.max(self.b.y),
            },
        }
    }
}

/// The nearest approach of an edge to an index.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Approach {
    pub distance: f64,
    pub owner: u32,
}

/// Segments that follow one another, at most so many, share a box of the tree.
const RUN: usize = 8;

/// Segments by where they lie.
pub struct SegmentIndex {
    segments: Vec<Segment>,
    /// Where each run of segments begins; one more than there are runs.
    starts: Vec<u32>,
    tree: BoxTree,
}

impl SegmentIndex {
    pub fn new(segments: Vec<Segment>) -> SegmentIndex {
        let mut starts: Vec<u32> = Vec::with_capacity(segments.len() / RUN + 2);
        let mut boxes: Vec<Bounds> = Vec::with_capacity(segments.len() / RUN + 1);
        let mut left = 0;
        for (at, segment) in segments.iter().enumerate() {
            let own = segment.bounds();
            let goes_on = left > 0 && segments[at - 1].b == segment.a;
            match boxes.last_mut().filter(|_| goes_on) {
                Some(run) => {
                    run.add(own.min);
                    run.add(own.max);
                    left -= 1;
                }
                None => {
                    starts.push(at as u32);
                    boxes.push(own);
                    left = RUN - 1;
                }
            }
        }
        starts.push(segments.len() as u32);
        SegmentIndex {
            tree: BoxTree::new(&boxes),
            segments,
            starts,
        }
    }

    pub fn of_lines(lines: &MultiLineString) -> SegmentIndex {
        SegmentIndex::new(line_segments(&lines.0, 0).collect())
    }

    pub fn of_boundary(polygons: &MultiPolygon) -> SegmentIndex {
        SegmentIndex::new(boundary_segments(polygons, 0).collect())
    }

    pub fn is_empty(&self) -> bool {
        self.segments.is_empty()
    }

    fn run(&self, leaf: usize) -> &[Segment] {
        &self.segments[self.starts[leaf] as usize..self.starts[leaf + 1] as usize]
    }

    /// Segments whose box comes within `within` of the box of `a`-`b`, in no order to rely on.
    pub fn near(&self, a: Coord, b: Coord, within: f64) -> impl Iterator<Item = &Segment> {
        let wanted = Bounds {
            min: Coord {
                x: a.x.min(b.x) - within,
                y: a.y.min(b.y) - within,
            },
            max: Coord {
                x: a.x.max(b.x) + within,
                y: a.y.max(b.y) + within,
            },
        };
        let runs = self.tree.meeting(wanted).map(|leaf| self.run(leaf));
        runs.flatten()
            .filter(move |segment| segment.bounds().meets(&wanted))
    }

    /// Whether `p` lies inside the rings that the index was made of (crossing number; the boundary itself is undecided).
    pub fn holds(&self, p: Coord) -> bool {
        let right = self.tree.bounds().max.x;
        if right.is_nan() || right < p.x {
            return false;
        }
        /// A line of sight past so many looks for one that passes fewer.
        const MANY: usize = 64;
        let mut crossed = self.near(p, Coord { x: right, y: p.y }, 0.0);
        let first = crossed.by_ref().take(MANY);
        let odd = first.filter(|s| crosses_right(p, s.a, s.b)).count() % 2 == 1;
        match crossed.next() {
            None => odd,
            Some(_) => self.holds_by_any_side(p),
        }
    }

    /// As [`SegmentIndex::holds`], by lines of sight to all four sides at once: the one that passes fewest ends it.
    fn holds_by_any_side(&self, p: Coord) -> bool {
        let Bounds { min, max } = self.tree.bounds();
        let (left, low, right, high) = (min.x, min.y, max.x, max.y);
        // A quarter turn keeps distances and sides.
        let turned = |c: Coord| Coord { x: c.y, y: -c.x };
        type Turn<'t> = &'t dyn Fn(Coord) -> Coord;
        let sides: [(Coord, Turn<'_>); 4] = [
            (Coord { x: right, y: p.y }, &|c| c),
            (Coord { x: p.x, y: high }, &turned),
            (Coord { x: left, y: p.y }, &|c| turned(turned(c))),
            (Coord { x: p.x, y: low }, &|c| turned(turned(turned(c)))),
        ];
        let mut rays = sides.map(|(end, turn)| (self.near(p, end, 0.0), turn, false));
        loop {
            for (crossed, turn, odd) in &mut rays {
                match crossed.next() {
                    None => return *odd,
                    Some(s) => *odd ^= crosses_right(turn(p), turn(s.a), turn(s.b)),
                }
            }
        }
    }

    /// The nearest indexed segment to `a`-`b`, if nearer than `within`; of several as near the one of the lowest owner.
    pub fn approach(&self, a: Coord, b: Coord, within: f64) -> Option<Approach> {
        let edge = Segment { a, b, owner: 0 }.bounds();
        let mut best: Option<Approach> = None;
        let mut most2 = beyond(within * within);
        let nodes = self.tree.nodes();
        let mut at = 0;
        while let Some(node) = nodes.get(at) {
            if apart2(&edge, &node.bounds) > most2 {
                at = node.next as usize;
                continue;
            }
            at += 1;
            let Some(leaf) = node.leaf() else {
                continue;
            };
            for segment in self.run(leaf) {
                if apart2(&edge, &segment.bounds()) > most2 {
                    continue;
                }
                let distance = segment_segment(a, b, segment.a, segment.b);
                let better = best.is_none_or(|best| {
                    distance < best.distance
                        || (distance == best.distance && segment.owner < best.owner)
                });
                if distance < within && better {
                    let owner = segment.owner;
                    best = Some(Approach { distance, owner });
                    most2 = beyond(distance * distance);
                }
            }
        }
        best
    }

    /// All segments with their distance from a point, nearest first; of several as near the first that was given.
    pub fn from_nearest(&self, p: Coord) -> impl Iterator<Item = (&Segment, f64)> {
        let nodes = self.tree.nodes();
        // Nodes first, then segments, by number; a box counts as a hair nearer than what may lie at its edge.
        let mut queue = BinaryHeap::new();
        if !nodes.is_empty() {
            queue.push(Queued(0.0, 0));
        }
        std::iter::from_fn(move || {
            while let Some(Queued(distance2, at)) = queue.pop() {
                let Some(node) = nodes.get(at) else {
                    let segment = &self.segments[at - nodes.len()];
                    return Some((segment, distance2.sqrt()));
                };
                if let Some(leaf) = node.leaf() {
                    let from = self.starts[leaf] as usize;
                    for (segment, own) in self.run(leaf).iter().zip(from..) {
                        let own2 = point_segment2(p, segment.a, segment.b);
                        queue.push(Queued(own2, nodes.len() + own));
                    }
                    continue;
                }
                let mut child = at + 1;
                while child < node.next as usize {
                    let own2 = within2(apart2(&Bounds { min: p, max: p }, &nodes[child].bounds));
                    queue.push(Queued(own2, child));
                    child = nodes[child].next as usize;
                }
            }
            None
        })
    }

    /// Distance from a point to the index, if below `within`.
    pub fn distance(&self, p: Coord, within: f64) -> Option<f64> {
        let place = Bounds { min: p, max: p };
        let nodes = self.tree.nodes();
        let mut least2 = f64::INFINITY;
        let mut most2 = beyond(within * within);
        let look = |leaf: usize, least2: &mut f64, most2: &mut f64| {
            for segment in self.run(leaf) {
                let own2 = point_segment2(p, segment.a, segment.b);
                if own2 < *least2 {
                    *least2 = own2;
                    *most2 = most2.min(beyond(own2));
                }
            }
        };
        // Down to the nearest box first, so that most others are never looked into.
        let mut down = 0;
        while let Some(node) = nodes.get(down) {
            if apart2(&place, &node.bounds) > most2 {
                // The scan tells whether something else is near enough.
                break;
            }
            if let Some(leaf) = node.leaf() {
                look(leaf, &mut least2, &mut most2);
                break;
            }
            let (mut child, mut nearest2) = (down + 1, f64::INFINITY);
            down = child;
            while child < node.next as usize {
                let own2 = apart2(&place, &nodes[child].bounds);
                if own2 < nearest2 {
                    (down, nearest2) = (child, own2);
                }
                child = nodes[child].next as usize;
            }
        }
        let mut at = 0;
        while let Some(node) = nodes.get(at) {
            if apart2(&place, &node.bounds) > most2 {
                at = node.next as usize;
                continue;
            }
            at += 1;
            if let Some(leaf) = node.leaf() {
                look(leaf, &mut least2, &mut most2);
            }
        }
        let distance = least2.sqrt();
        (distance < within).then_some(distance)
    }
}

/// Squared distance of two boxes.
fn apart2(a: &Bounds, b: &Bounds) -> f64 {
    let x = (a.min.x - b.max.x).max(b.min.x - a.max.x).max(0.0);
    let y = (a.min.y - b.max.y).max(b.min.y - a.max.y).max(0.0);
    x * x + y * y
}

/// Of a box beyond this squared distance nothing is nearer than the distance, whatever either was rounded by.
fn beyond(distance2: f64) -> f64 {
    distance2 * (1.0 + 1e-9) + 1e-12
}

/// Nothing in a box is nearer than this squared distance, whatever its own was rounded by.
fn within2(apart2: f64) -> f64 {
    apart2 * (1.0 - 1e-9) - 1e-12
}

/// Segments of lines; a line of one point gives a segment of no length.
pub fn line_segments(lines: &[LineString], owner: u32) -> impl Iterator<Item = Segment> + '_ {
    lines.iter().flat_map(move |line| {
        let single = (line.0.len() == 1).then(|| Segment {
            a: line.0[0],
            b: line.0[0],
            owner,
        });
        line.0
            .windows(2)
            .map(move |w| Segment {
                a: w[0],
                b: w[1],
                owner,
            })
            .chain(single)
    })
}

/// Edges of all rings.
pub fn boundary_segments(
    polygons: &MultiPolygon,
    owner: u32,
) -> impl Iterator<Item = Segment> + '_ {
    let edges = polygons.0.iter().flat_map(polygon_segments);
    edges.map(move |segment| Segment { owner, ..segment })
}

/// Edges of all rings of one polygon, as owner 0.
pub fn polygon_segments(polygon: &Polygon) -> impl Iterator<Item = Segment> + '_ {
    let edges = rings(polygon).flat_map(|ring| ring.0.windows(2));
    edges.map(|w| Segment {
        a: w[0],
        b: w[1],
        owner: 0,
    })
}

/// Whether the segment `a`-`b` crosses the line from `p` to the right.
fn crosses_right(p: Coord, a: Coord, b: Coord) -> bool {
    (a.y > p.y) != (b.y > p.y) && p.x < a.x + (p.y - a.y) / (b.y - a.y) * (b.x - a.x)
}

/// Whether `p` lies inside (crossing number; the boundary itself is undecided).
pub fn inside(p: Coord, polygons: &MultiPolygon) -> bool {
    let each = polygons.0.iter().map(|polygon| inside_polygon(p, polygon));
    each.fold(false, |inside, here| inside ^ here)
}

/// As [`inside`], of one polygon.
pub fn inside_polygon(p: Coord, polygon: &Polygon) -> bool {
    rings(polygon).fold(false, |inside, ring| inside ^ inside_ring(p, ring))
}

/// As [`inside`], of what a ring encloses.
pub fn inside_ring(p: Coord, ring: &LineString) -> bool {
    let edges = ring.0.windows(2);
    edges.filter(|w| crosses_right(p, w[0], w[1])).count() % 2 == 1
}

#[cfg(test)]
mod tests {
    use super::*;

    fn c(x: f64, y: f64) -> Coord {
        Coord { x, y }
    }

    #[test]
    fn segments_cross_touch_and_pass_by() {
        assert_eq!(
            segment_segment(c(0., 0.), c(10., 10.), c(0., 10.), c(10., 0.)),
            0.0
        );
        assert_eq!(
            segment_segment(c(0., 0.), c(10., 0.), c(5., 0.), c(5., 9.)),
            0.0
        );
        assert_eq!(
            segment_segment(c(0., 0.), c(10., 0.), c(13., 4.), c(13., 9.)),
            5.0
        );
        assert_eq!(
            segment_segment(c(1., 1.), c(1., 1.), c(4., 5.), c(4., 5.)),
            5.0
        );
    }

    /// Corners of strips lie square to the ends of their lines, where the end is nearest to the last bit: there the tree's
    /// own `nearest_neighbor` leaves out the nearest line at some of these turns.
    #[test]
    fn the_nearest_of_many_lines_is_found_from_square_beside_their_ends() {
        let half_m = 8.3952;
        for case in 0..70u32 {
            let (sin, cos) = (0.001 * f64::from(case)).sin_cos();
            let at = |along: f64, aside: f64| Coord {
                x: 410.3 + along * cos - aside * sin,
                y: -305.7 + along * sin + aside * cos,
            };
            let ends: Vec<[f64; 3]> = (0..120 + case % 13)
                .map(|k| {
                    let (from, to) = (f64::from(k * 37 % 90), 120.0 + f64::from(k * 53 % 110));
                    [from, to, f64::from(k) * (2.0 * half_m + 4.1)]
                })
                .collect();
            let lines: Vec<Segment> = (ends.iter())
                .map(|&[from, to, aside]| Segment {
                    a: at(from, aside),
                    b: at(to, aside),
                    owner: 0,
                })
                .collect();
            let index = SegmentIndex::new(lines.clone());
            for [from, to, aside] in ends {
                for (along, off) in [(from, half_m), (from, -half_m), (to, half_m), (to, -half_m)] {
                    let corner = at(along, aside + off);
                    let all = lines.iter().map(|s| point_segment(corner, s.a, s.b));
                    let least = all.fold(f64::INFINITY, f64::min);
                    let found = index.distance(corner, f64::MAX / 4.0);
                    assert_eq!(found, Some(least), "turn {case}, {corner:?}");
                }
            }
        }
    }

    /// A comb of upright teeth, among which every line of sight to the right passes hundreds of edges.
    #[test]
    fn what_a_comb_holds_is_told_by_any_side() {
        let mut ring = Vec::new();
        for k in 0..400 {
            let x = f64::from(k);
            ring.extend([(x, 0.0), (x + 0.5, 0.0), (x + 0.5, 90.0), (x + 1.0, 90.0)]);
        }
        ring.extend([(400.0, 100.0), (0.0, 100.0), (0.0, 0.0)]);
        let comb = MultiPolygon(vec![Polygon::new(LineString::from(ring), vec![])]);
        let index = SegmentIndex::of_boundary(&comb);
        let (mut held, mut seen) = (0, 0);
        for k in 0..2_000 {
            let p = c(f64::from(k) * 0.2039 - 3.0, f64::from(k * 37 % 110) - 4.5);
            seen += usize::from(index.near(p, c(500.0, p.y), 0.0).count() > 64);
            assert_eq!(index.holds(p), inside(p, &comb), "{p:?}");
            assert_eq!(index.holds_by_any_side(p), inside(p, &comb), "{p:?}");
            held += usize::from(index.holds(p));
        }
        assert!(seen > 500 && held > 500 && held < 1_900, "{seen}, {held}");
    }

    #[test]
    fn the_index_finds_what_brute_force_finds() {
        let mut state = 7u64;
        let mut next = || {
            state = state
                .wrapping_mul(6364136223846793005)
                .wrapping_add(1442695040888963407);
            (state >> 33) as f64 / (1u64 << 31) as f64 * 100.0
        };
        let segments: Vec<Segment> = (0..300)
            .map(|owner| Segment {
                a: c(next(), next()),
                b: c(next(), next()),
                owner,
            })
            .collect();
        let index = SegmentIndex::new(segments.clone());
        for _ in 0..100 {
            let (a, b) = (c(next() * 2.0, next() * 2.0), c(next() * 2.0, next() * 2.0));
            let brute = segments
                .iter()
                .map(|s| segment_segment(a, b, s.a, s.b))
                .fold(f64::INFINITY, f64::min);
            let found = index.approach(a, b, 30.0).map(|approach| approach.distance);
            assert_eq!(found, (brute < 30.0).then_some(brute));
        }
    }

    /// A line that goes on from segment to segment, so that runs of them share boxes.
    #[test]
    fn the_index_of_a_line_finds_what_brute_force_finds() {
        let at = |k: i32| {
            let k = f64::from(k);
            c(
                40.0 * (k * 0.031).sin() + 0.2 * k,
                40.0 * (k * 0.047).cos() + 3.0 * (k * 0.9).sin(),
            )
        };
        let segments: Vec<Segment> = (0..700)
            .map(|k| Segment {
                a: at(k),
                b: at(k + 1),
                owner: 0,
            })
            .collect();
        let index = SegmentIndex::new(segments.clone());
        for k in 0..200 {
            let p = c(
                f64::from(k * 37 % 200) - 20.0,
                f64::from(k * 53 % 120) - 60.0,
            );
            let mut off: Vec<f64> = (segments.iter())
                .map(|s| point_segment(p, s.a, s.b))
                .collect();
            off.sort_by(f64::total_cmp);
            assert_eq!(index.distance(p, f64::MAX / 4.0), Some(off[0]));
            assert_eq!(index.distance(p, off[0]), None);
            assert_eq!(index.distance(p, off[0] * 1.01 + 1e-9), Some(off[0]));
            let found: Vec<f64> = index.from_nearest(p).map(|(_, m)| m).collect();
            assert_eq!(found, off);
            let q = p + c(3.0, -5.0);
            let brute = segments.iter().map(|s| segment_segment(p, q, s.a, s.b));
            let least = brute.fold(f64::INFINITY, f64::min);
            for within in [2.0, 500.0] {
                let found = index.approach(p, q, within).map(|found| found.distance);
                assert_eq!(found, (least < within).then_some(least));
            }
        }
    }
}
