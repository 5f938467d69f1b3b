//! What ground a machine may drive over, and when: roads at any time, the rest once it is cut.

use std::collections::BTreeMap;

use geo::{Coord, MultiPolygon, Polygon};
use rstar::RTree;
use rstar::primitives::{GeomWithData, Rectangle};

use super::travel::Leg;
use crate::geometry::area::{Bounds, rings};
use crate::geometry::distance::{SegmentIndex, inside_polygon, point_segment, polygon_segments};

/// Legs that must be cut before a straight way may be driven; None where it leads over ground that is never cut.
pub type Needs = Option<Box<[usize]>>;

/// A straight way is asked at places this far apart.
const STEP_M: f64 = 1.0;
/// What a line runs over for fewer metres is no more than touched.
const OVER_M: u32 = 1;

/// A piece of ground that is cut.
pub struct Piece {
    pub shape: Polygon,
    /// Legs that cut it.
    pub legs: Vec<usize>,
}

/// All ground that is or will be open, and what opens it.
pub struct OpenGround {
    /// Everything that may be driven in the end, standing trees aside.
    pub whole: MultiPolygon,
    pieces: Vec<Piece>,
    lines: Vec<geo::LineString>,
    /// Pieces by their boxes, and the outlines of those with many corners.
    tree: RTree<GeomWithData<Rectangle<[f64; 2]>, usize>>,
    outlines: Vec<Option<SegmentIndex>>,
    /// Ground that is open from the beginning.
    free: SegmentIndex,
    free_box: Bounds,
}

/// A straight way among what lies beside it.
struct Beside {
    /// Whether all of it is free; None where it may be here and there.
    is_free: Option<bool>,
    /// Pieces that hold some of it, by their numbers; Some(true): all of it.
    pieces: Vec<(usize, Option<bool>)>,
}

/// Outlines with more corners than this are indexed.
const MANY: usize = 40;

impl OpenGround {
    /// `free` ground is open from the beginning: roads, and what lies between them and the block.
    pub fn new(
        whole: MultiPolygon,
        pieces: Vec<Piece>,
        legs: &[Leg],
        free: MultiPolygon,
    ) -> OpenGround {
        let boxes = pieces.iter().enumerate().map(|(index, piece)| {
            let bounds = Bounds::of(&piece.shape.exterior().0);
            GeomWithData::new(Rectangle::from_aabb(bounds.envelope()), index)
        });
        let tree = RTree::bulk_load(boxes.collect());
        let many =
            |piece: &Piece| rings(&piece.shape).map(|ring| ring.0.len()).sum::<usize>() > MANY;
        let outline = |piece: &Piece| {
            many(piece).then(|| SegmentIndex::new(polygon_segments(&piece.shape).collect()))
        };
        OpenGround {
            whole,
            lines: legs.iter().map(|leg| leg.line.clone()).collect(),
            tree,
            outlines: pieces.iter().map(outline).collect(),
            pieces,
            free_box: Bounds::of_polygons(&free),
            free: SegmentIndex::of_boundary(&free),
        }
    }

    /// What can be said of a straight way as a whole: most run in the open, or past no edge.
    fn beside(&self, a: Coord, b: Coord) -> Beside {
        let bounds = Bounds::of(&[a, b]);
        let first = OpenGround::places(a, b).next().unwrap_or(a);
        let is_free = match self.free_box.meets(&bounds) {
            false => Some(false),
            // Without an edge beside it all of the way is in or all of it is out.
            true if self.free.near(a, b, 0.0).next().is_none() => Some(self.free.holds(first)),
            true => None,
        };
        let near = self.tree.locate_in_envelope_intersecting(bounds.envelope());
        let mut pieces: Vec<(usize, Option<bool>)> = near
            .map(|found| {
                let index = found.data;
                let is_beside = match &self.outlines[index] {
                    Some(outline) => outline.near(a, b, 0.0).next().is_some(),
                    None => polygon_segments(&self.pieces[index].shape)
                        .any(|s| Bounds::of(&[s.a, s.b]).meets(&bounds)),
                };
                (index, (!is_beside).then(|| self.holds(index, first)))
            })
            .filter(|(_, holds)| *holds != Some(false))
            .collect();
        pieces.sort_unstable();
        Beside { is_free, pieces }
    }

    fn holds(&self, piece: usize, at: Coord) -> bool {
        match &self.outlines[piece] {
            Some(outline) => outline.holds(at),
            None => inside_polygon(at, &self.pieces[piece].shape),
        }
    }

    /// The leg that opens a place on a way: None where nothing does, Some(None) where it is free.
    fn opener(&self, at: Coord, beside: &Beside) -> Option<Option<usize>> {
        let is_free = || self.free_box.meets(&Bounds::of(&[at])) && self.free.holds(at);
        if beside.is_free.unwrap_or_else(is_free) {
            return Some(None);
        }
        let holds =
            |&&(piece, all): &&(usize, Option<bool>)| all.unwrap_or_else(|| self.holds(piece, at));
        let (piece, _) = *beside.pieces.iter().find(holds)?;
        if let [only] = self.pieces[piece].legs[..] {
            return Some(Some(only));
        }
        let off_m = |leg: usize| {
            let each = self.lines[leg]
                .0
                .windows(2)
                .map(|w| point_segment(at, w[0], w[1]));
            each.fold(f64::INFINITY, f64::min)
        };
        let legs = self.pieces[piece].legs.iter().copied();
        let nearest = legs
            .map(|leg| (off_m(leg), leg))
            .min_by(|a, b| a.0.total_cmp(&b.0));
        nearest.map(|(_, leg)| Some(leg))
    }

    fn places(a: Coord, b: Coord) -> impl Iterator<Item = Coord> {
        let step = b - a;
        let count = (step.x.hypot(step.y) / STEP_M).ceil().max(1.0) as u32;
        (0..count).map(move |k| a + step * ((f64::from(k) + 0.5) / f64::from(count)))
    }

    /// Other legs over whose ground the line of a leg runs for more than [`OVER_M`].
    pub fn runs_over(&self, leg: usize) -> Vec<usize> {
        let mut metres: BTreeMap<usize, u32> = BTreeMap::new();
        for w in self.lines[leg].0.windows(2) {
            let beside = self.beside(w[0], w[1]);
            for at in OpenGround::places(w[0], w[1]) {
                if let Some(Some(other)) = self.opener(at, &beside) {
                    *metres.entry(other).or_default() += 1;
                }
            }
        }
        let over = |&(other, metres): &(usize, u32)| other != leg && metres > OVER_M;
        metres
            .into_iter()
            .filter(over)
            .map(|(leg, _)| leg)
            .collect()
    }

    pub fn needs(&self, a: Coord, b: Coord) -> Needs {
        let mut legs = Vec::new();
        let beside = self.beside(a, b);
        if beside.is_free == Some(true) {
            return Some(legs.into());
        }
        for at in OpenGround::places(a, b) {
            if let Some(leg) = self.opener(at, &beside)?
                && !legs.contains(&leg)
            {
                legs.push(leg);
            }
        }
        Some(legs.into())
    }
}
