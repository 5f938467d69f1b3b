//! Where wood may lie: on cut ground, outside machine exclusions, and not on a way still to be driven.

use std::collections::BTreeMap;

use geo::{Coord, Polygon};
use rstar::{AABB, RTree, RTreeObject};

use super::felled::crossing;
use crate::geometry::area::{Bounds, rings};
use crate::geometry::distance::{
    Segment, SegmentIndex, line_segments, point_segment, segment_segment,
};
use crate::model::{PieceId, Strip, StripLine};

/// Stretches of a bunch shorter than this are not asked what they lie on: its ends may touch the edge of its ground.
const TOUCH_M: f64 = 0.001;

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

struct Ground<'s> {
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
        let (min, max) = (self.bounds.min, self.bounds.max);
        AABB::from_corners([min.x, min.y], [max.x, max.y])
    }
}

/// The ground of one block, for asking where a bunch may lie.
pub struct Places<'s> {
    grounds: Vec<Ground<'s>>,
    boxes: RTree<Boxed>,
    edges: SegmentIndex,
    tracks: SegmentIndex,
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
        let cut = strips.iter().map(|strip| Ground {
            shape: &strip.shape,
            bounds: Bounds::of(&strip.shape.exterior().0),
            id: strip.id,
            cut: last.get(&strip.id).copied(),
            excluded: false,
        });
        let excluded = exclusion.iter().map(|shape| Ground {
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
        let grounds: Vec<Ground> = cut.chain(excluded).collect();
        let edges = grounds.iter().zip(0u32..).flat_map(|(ground, owner)| {
            rings(ground.shape).flat_map(move |ring| {
                ring.0.windows(2).map(move |w| Segment {
                    a: w[0],
                    b: w[1],
                    owner,
                })
            })
        });
        let edges = SegmentIndex::new(edges.collect());
        let boxes = grounds.iter().enumerate().map(|(index, ground)| Boxed {
            bounds: ground.bounds,
            index,
        });
        Places {
            boxes: RTree::bulk_load(boxes.collect()),
            edges,
            tracks: SegmentIndex::new(tracks),
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
        !self.tracks.near(a, b, within_m).any(|track| {
            track.owner >= time.0
                && may_come_within(a, b, track, within_m)
                && segment_segment(a, b, track.a, track.b) < within_m
        })
    }

    fn is_on_cut_ground(&self, a: Coord, b: Coord, id: PieceId, time: Time) -> bool {
        let length_m = (b - a).x.hypot((b - a).y);
        let mut cuts = vec![0.0, 1.0];
        for edge in self.edges.near(a, b, 0.0) {
            if may_come_within(a, b, edge, TOUCH_M) && segment_segment(a, b, edge.a, edge.b) == 0.0
            {
                cuts.push(crossing(a, b, edge.a, edge.b));
            }
        }
        cuts.sort_by(f64::total_cmp);
        cuts.windows(2)
            .filter(|w| (w[1] - w[0]) * length_m > TOUCH_M)
            .all(|w| self.may_lie(a + (b - a) * ((w[0] + w[1]) / 2.0), id, time))
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

/// False where a segment lies wholly to one side of the straight line through `a` and `b`, farther off than asked: a
/// quick answer for most of what a box holds.
fn may_come_within(a: Coord, b: Coord, other: &Segment, within_m: f64) -> bool {
    let along = b - a;
    let most = within_m * along.x.hypot(along.y);
    let off = |p: Coord| along.x * (p.y - a.y) - along.y * (p.x - a.x);
    let (c, d) = (off(other.a), off(other.b));
    c.min(d) <= most && c.max(d) >= -most
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
