//! Where wood may lie: on cut ground, outside machine exclusions, and not on a way still to be driven.

use std::collections::BTreeMap;

use geo::{Coord, Polygon};
use rstar::{AABB, RTree, RTreeObject};

use super::felled::crossing;
use crate::geometry::area::{Bounds, rings};
use crate::geometry::distance::{
    Segment, SegmentIndex, line_segments, point_segment, segment_segment,
};
use crate::geometry::segment_grid::SegmentGrid;
use crate::model::{PieceId, Strip, StripLine};

/// Stretches of a bunch shorter than this are not asked what they lie on: its ends may touch the edge of its ground.
const TOUCH_M: f64 = 0.001;
/// Side of the squares by which edges and tracks are found: about a bunch's length.
const SQUARE_M: f64 = 12.0;

/// When a drive, or the travel after it, takes place.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Time(u32);

impl Time {
    pub fn of_line(order: u32) -> Time {
        Time(2 * order)
    }
    fn of_travel_after(order: u32) -> Time {
        Time(2 * order + 1)
    }
}

struct PieceGround<'s> {
    shape: &'s Polygon,
    bounds: Bounds,
    id: PieceId,
    /// When the last drive through the piece takes place; None where nothing drives.
    cut: Option<Time>,
    /// True for ground that no machine may enter.
    excluded: bool,
}

struct Boxed {
    bounds: Bounds,
    index: usize,
}

impl RTreeObject for Boxed {
    type Envelope = AABB<[f64; 2]>;
    fn envelope(&self) -> Self::Envelope {
        self.bounds.envelope()
    }
}

/// The ground of one block, for asking where a bunch may lie.
pub struct Places<'s> {
    grounds: Vec<PieceGround<'s>>,
    boxes: RTree<Boxed>,
    edges: SegmentGrid,
    tracks: SegmentGrid,
    half_width_m: f64,
}

impl<'s> Places<'s> {
    pub fn new(
        strips: &'s [Strip],
        lines: &[StripLine],
        exclusion: &'s [Polygon],
        half_width_m: f64,
    ) -> Places<'s> {
        let mut last: BTreeMap<PieceId, Time> = BTreeMap::new();
        let mut tracks = Vec::new();
        for line in lines {
            let time = Time::of_line(line.order);
            let latest = last.entry(line.id).or_insert(time);
            *latest = time.max(*latest);
            tracks.extend(line_segments(std::slice::from_ref(&line.shape), time.0));
            if let Some(travel) = &line.travel {
                let after = Time::of_travel_after(line.order).0;
                tracks.extend(line_segments(std::slice::from_ref(travel), after));
            }
        }
        let cut = strips.iter().map(|strip| PieceGround {
            shape: &strip.shape,
            bounds: Bounds::of(&strip.shape.exterior().0),
            id: strip.id,
            cut: last.get(&strip.id).copied(),
            excluded: false,
        });
        let excluded = exclusion.iter().map(|shape| PieceGround {
            shape,
            bounds: Bounds::of(&shape.exterior().0),
            id: PieceId {
                part: 0,
                strip_no: 0,
                piece: 0,
            },
            cut: None,
            excluded: true,
        });
        let grounds: Vec<PieceGround> = cut.chain(excluded).collect();
        let edges = grounds.iter().zip(0u32..).flat_map(|(ground, owner)| {
            rings(ground.shape).flat_map(move |ring| {
                ring.0.windows(2).map(move |w| Segment {
                    a: w[0],
                    b: w[1],
                    owner,
                })
            })
        });
        let edges = SegmentGrid::new(edges.collect(), SQUARE_M);
        let boxes = grounds.iter().enumerate().map(|(index, ground)| Boxed {
            bounds: ground.bounds,
            index,
        });
        Places {
            boxes: RTree::bulk_load(boxes.collect()),
            edges,
            tracks: SegmentGrid::new(tracks, SQUARE_M),
            half_width_m,
            grounds,
        }
    }

    /// Whether a bunch made during a drive of the piece `id` may lie from `a` to `b`.
    pub fn is_clear(&self, a: Coord, b: Coord, id: PieceId, time: Time) -> bool {
        self.is_out_of_the_way(a, b, time) && self.is_on_cut_ground(a, b, id, time)
    }

    fn is_out_of_the_way(&self, a: Coord, b: Coord, time: Time) -> bool {
        let within_m = self.half_width_m;
        let beam = Beam::new(a, b, within_m);
        !self.tracks.near(a, b, within_m).any(|track| {
            track.owner >= time.0
                && beam.may_meet(track)
                && segment_segment(a, b, track.a, track.b) < within_m
        })
    }

    fn is_on_cut_ground(&self, a: Coord, b: Coord, id: PieceId, time: Time) -> bool {
        let length_m = (b - a).x.hypot((b - a).y);
        let beam = Beam::new(a, b, TOUCH_M);
        // Most bunches cross no edge, and an empty list costs nothing.
        let mut cuts: Vec<f64> = Vec::new();
        for edge in self.edges.near(a, b, 0.0) {
            if beam.may_meet(edge) && segment_segment(a, b, edge.a, edge.b) == 0.0 {
                cuts.push(crossing(a, b, edge.a, edge.b));
            }
        }
        cuts.sort_unstable_by(f64::total_cmp);
        let mut from = 0.0;
        cuts.into_iter().chain([1.0]).all(|to| {
            let middle = (from + to) / 2.0;
            let short = (to - from) * length_m <= TOUCH_M;
            from = to;
            short || self.may_lie(a + (b - a) * middle, id, time)
        })
    }

    fn may_lie(&self, p: Coord, id: PieceId, time: Time) -> bool {
        let mut cut = false;
        let point = AABB::from_point([p.x, p.y]);
        for boxed in self.boxes.locate_in_envelope_intersecting(point) {
            let ground = &self.grounds[boxed.index];
            let counts = ground.excluded || ground.id == id || ground.cut.is_some_and(|t| t < time);
            if counts && is_inside(p, ground.shape) {
                if ground.excluded {
                    return false;
                }
                cut = true;
            }
        }
        cut
    }
}

/// The belt along the straight line through `a` and `b`: a quick answer for most of what lies near.
struct Beam {
    a: Coord,
    along: Coord,
    most: f64,
}

impl Beam {
    fn new(a: Coord, b: Coord, within_m: f64) -> Beam {
        let along = b - a;
        Beam {
            a,
            along,
            most: within_m * along.x.hypot(along.y),
        }
    }

    /// False where a segment lies wholly to one side of the belt.
    fn may_meet(&self, other: &Segment) -> bool {
        let off = |p: Coord| self.along.x * (p.y - self.a.y) - self.along.y * (p.x - self.a.x);
        let (c, d) = (off(other.a), off(other.b));
        c.min(d) <= self.most && c.max(d) >= -self.most
    }
}

fn is_inside(p: Coord, polygon: &Polygon) -> bool {
    let mut crossings = false;
    for ring in rings(polygon) {
        for w in ring.0.windows(2) {
            if (w[0].y > p.y) != (w[1].y > p.y)
                && p.x < w[0].x + (p.y - w[0].y) / (w[1].y - w[0].y) * (w[1].x - w[0].x)
            {
                crossings = !crossings;
            }
        }
    }
    crossings
}

/// Distance to the nearest of the edges, up to `within_m`.
pub fn distance_m(edges: &SegmentIndex, p: Coord, within_m: f64) -> f64 {
    edges
        .near(p, p, within_m)
        .map(|edge| point_segment(p, edge.a, edge.b))
        .fold(within_m, f64::min)
}
