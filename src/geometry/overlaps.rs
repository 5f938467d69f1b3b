//! Ground that lies in two blocks: each pair is found through an R-tree of the blocks' boxes.

use std::collections::BTreeMap;
use std::panic::{AssertUnwindSafe, catch_unwind};

use geo::{MultiPolygon, Polygon};
use rstar::RTree;
use rstar::primitives::{GeomWithData, Rectangle};

use super::area::{Bounds, area, length, polygon_area, rings};
use super::frame::Frame;
use super::overlay::intersection;
use super::window::{Half, bounds, common};
use crate::model::SourceBlock;

/// Narrower ground, on the average, is a hair between two drawings of one border.
pub const HAIR_M: f64 = 0.1;

/// What two blocks differ by is no ground: by this much all along their edges they are drawn alike.
const SAME_LINE_M: f64 = 0.001;

/// Turns of the frame that are tried in order, in degrees: the overlay engine crashes now and then on edges that all but
/// coincide.
const TURNS: [f64; 4] = [0.0, 17.3, 40.9, 71.7];

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum OverlapKind {
    /// Both blocks are the same ground.
    Same,
    Ground,
    /// Nowhere as wide as [`HAIR_M`].
    Hairs,
}

/// What two blocks have in common.
#[derive(Clone, Debug, PartialEq)]
pub struct Overlap {
    /// The one read first first.
    pub ids: [String; 2],
    pub kind: OverlapKind,
    /// In the plane of the work CRS; hairs only where there is nothing else.
    pub shape: MultiPolygon,
    pub area_m2: f64,
    /// Share of each block.
    pub shares: [f64; 2],
    /// The largest mean width of a piece, m.
    pub width_m: f64,
}

impl Overlap {
    /// Whether ground would be planned twice.
    pub fn is_ground(&self) -> bool {
        self.kind != OverlapKind::Hairs
    }

    /// The other block, and the share of `id` that lies in it; None: the pair is of two others.
    pub fn beside(&self, id: &str) -> Option<(&str, f64)> {
        match &self.ids {
            [own, other] if own == id => Some((other, self.shares[0])),
            [other, own] if own == id => Some((other, self.shares[1])),
            _ => None,
        }
    }
}

/// All pairs of blocks that overlap.
#[derive(Clone, Debug, Default)]
pub struct Overlaps {
    pairs: Vec<Overlap>,
    /// Places of its pairs by block.
    of: BTreeMap<String, Vec<usize>>,
}

impl Overlaps {
    pub fn new(blocks: &[SourceBlock]) -> Overlaps {
        let bounds: Vec<Bounds> = blocks
            .iter()
            .map(|block| Bounds::of_polygons(&block.shape))
            .collect();
        let boxed = bounds.iter().enumerate().map(|(index, b)| {
            let rectangle = Rectangle::from_corners([b.min.x, b.min.y], [b.max.x, b.max.y]);
            GeomWithData::new(rectangle, index)
        });
        let tree = RTree::bulk_load(boxed.collect());
        let mut found = Overlaps::default();
        for (first, block) in blocks.iter().enumerate() {
            let near = tree.locate_in_envelope_intersecting(bounds[first].envelope());
            let mut later: Vec<usize> = near
                .map(|boxed| boxed.data)
                .filter(|&other| other > first)
                .collect();
            later.sort_unstable();
            for other in later {
                if let Some(pair) = overlap(block, &blocks[other]) {
                    found.add(pair);
                }
            }
        }
        found
    }

    fn add(&mut self, pair: Overlap) {
        for id in &pair.ids {
            let of = self.of.entry(id.clone()).or_default();
            of.push(self.pairs.len());
        }
        self.pairs.push(pair);
    }

    /// In the order of their blocks.
    pub fn all(&self) -> &[Overlap] {
        &self.pairs
    }

    /// What a block has in common with others, hairs left out.
    pub fn ground_of(&self, id: &str) -> impl Iterator<Item = &Overlap> {
        let places = self.of.get(id).into_iter().flatten();
        places
            .map(|&place| &self.pairs[place])
            .filter(|pair| pair.is_ground())
    }
}

fn mean_width_m(polygon: &Polygon) -> f64 {
    2.0 * polygon_area(polygon) / rings(polygon).map(length).sum::<f64>()
}

fn overlap(one: &SourceBlock, other: &SourceBlock) -> Option<Overlap> {
    // On the ground of the first, where overlays are exact and areas true.
    let frame = &one.frame;
    let shapes = [one, other].map(|block| frame.enter_polygons(&block.shape));
    let window = common(&bounds(&shapes[0].0), &bounds(&shapes[1].0));
    if window.is_empty() {
        return None;
    }
    let window = window.grown(1.0);
    // Quick where there is little to look at.
    let sides = [
        Half::RightOf(window.min.x),
        Half::LeftOf(window.max.x),
        Half::Above(window.min.y),
        Half::Below(window.max.y),
    ];
    let near = |shape: &MultiPolygon| {
        let whole = shape.0.clone();
        sides.iter().fold(whole, |kept, half| half.of(&kept))
    };
    let (a, b) = (near(&shapes[0]), near(&shapes[1]));
    if a.is_empty() || b.is_empty() {
        return None;
    }
    // Where no turn helps, nobody can tell, and that is no reason to say that there is nothing.
    let all = in_some_frame(&a, &b).unwrap_or(MultiPolygon(a));
    let width_m = all.0.iter().map(mean_width_m).reduce(f64::max)?;
    let is_ground = |polygon: &Polygon| mean_width_m(polygon) >= HAIR_M;
    let shape = if width_m < HAIR_M {
        all
    } else {
        MultiPolygon(all.0.into_iter().filter(is_ground).collect())
    };
    let area_m2 = area(&shape);
    let areas_m2 = shapes.each_ref().map(area);
    let edges = shapes.iter().flat_map(|shape| &shape.0).flat_map(rings);
    let edges_m: f64 = edges.map(length).sum();
    let apart_m2 = areas_m2[0] + areas_m2[1] - 2.0 * area_m2;
    Some(Overlap {
        ids: [one.id.clone(), other.id.clone()],
        kind: match () {
            _ if width_m < HAIR_M => OverlapKind::Hairs,
            _ if apart_m2 <= SAME_LINE_M * edges_m => OverlapKind::Same,
            _ => OverlapKind::Ground,
        },
        shape: frame.polygons_to_plane(&shape),
        area_m2,
        shares: areas_m2.map(|whole_m2| (area_m2 / whole_m2).min(1.0)),
        width_m,
    })
}

fn in_some_frame(a: &[Polygon], b: &[Polygon]) -> Option<MultiPolygon> {
    TURNS.into_iter().find_map(|turn| {
        let overlay = || {
            if turn == 0.0 {
                return intersection(&MultiPolygon(a.to_vec()), b);
            }
            let frame = Frame::new(turn);
            let turned =
                |polygons: &[Polygon]| frame.enter_polygons(&MultiPolygon(polygons.to_vec()));
            frame.leave_polygons(&intersection(&turned(a), &turned(b).0))
        };
        catch_unwind(AssertUnwindSafe(overlay)).ok()
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::GroundFrame;
    use geo::{Coord, LineString};

    /// Where blocks lie: overlaps must not depend on it.
    const FAR: Coord = Coord {
        x: 500_000.0,
        y: 5_400_000.0,
    };

    fn block(id: &str, corners: &[(f64, f64)]) -> SourceBlock {
        let ring: Vec<Coord> = corners.iter().map(|&(x, y)| FAR + Coord { x, y }).collect();
        SourceBlock {
            id: id.to_owned(),
            source_layer: "blocks".to_owned(),
            shape: MultiPolygon(vec![Polygon::new(LineString(ring), vec![])]),
            azimuth_deg: None,
            pattern: None,
            portfolio: None,
            outlets: vec![],
            windows: Default::default(),
            accuracy: Default::default(),
            emergency: Default::default(),
            place: None,
            repaired_m2: 0.0,
            scale: 1.0,
            geodesic_m2: 0.0,
            outlines: vec![],
            came_later: Default::default(),
            frame: GroundFrame::around(FAR),
        }
    }

    fn rectangle(id: &str, x: f64, y: f64, width: f64, height: f64) -> SourceBlock {
        let corners = [
            (0., 0.),
            (width, 0.),
            (width, height),
            (0., height),
            (0., 0.),
        ];
        block(id, &corners.map(|(dx, dy)| (x + dx, y + dy)))
    }

    /// By hand: 300 m by 240 m twice, 100 m apart, share 200 m by 240 m.
    #[test]
    fn two_blocks_share_what_lies_in_both_and_neighbours_share_nothing() {
        let blocks = [
            rectangle("B0", 0.0, 0.0, 300.0, 240.0),
            rectangle("B1", 100.0, 0.0, 300.0, 240.0),
            rectangle("beside", 400.0, 0.0, 50.0, 240.0),
            rectangle("far", 900.0, 0.0, 50.0, 50.0),
        ];
        let found = Overlaps::new(&blocks);
        assert_eq!(found.all().len(), 1, "{found:?}");
        let pair = &found.all()[0];
        assert_eq!(pair.ids, ["B0", "B1"]);
        assert_eq!(pair.kind, OverlapKind::Ground);
        assert!((pair.area_m2 - 48_000.0).abs() < 0.01, "{pair:?}");
        assert!((pair.shares[0] - 2.0 / 3.0).abs() < 1e-6);
        let bounds = Bounds::of_polygons(&pair.shape);
        assert!((bounds.min.x - FAR.x - 100.0).abs() < 1e-5, "{bounds:?}");
        assert_eq!(pair.beside("B1").map(|(other, _)| other), Some("B0"));
        assert_eq!(found.ground_of("B1").count(), 1);
        assert_eq!(found.ground_of("beside").count(), 0);
    }

    #[test]
    fn the_same_ground_drawn_twice_is_called_the_same_wherever_the_ring_starts() {
        let one = rectangle("one", 0.0, 0.0, 300.0, 240.0);
        let other = block(
            "other",
            &[
                (300., 240.),
                (0., 240.),
                (0., 0.),
                (150., 0.),
                (300., 0.),
                (300., 240.),
            ],
        );
        let found = Overlaps::new(&[one, other]);
        assert_eq!(found.all()[0].kind, OverlapKind::Same);
    }

    /// By hand: borders that cross one another 5 cm apart at most, and 20 cm.
    #[test]
    fn hairs_are_hairs_and_what_is_wider_is_ground() {
        let beside = |id: &str, over_m: f64| {
            let edge = [
                (300. - over_m, 0.),
                (500., 0.),
                (500., 240.),
                (300. + over_m, 240.),
            ];
            let mut ring = edge.to_vec();
            ring.push(edge[0]);
            block(id, &ring)
        };
        let one = rectangle("one", 0.0, 0.0, 300.0, 240.0);
        for (over_m, kind) in [(0.05, OverlapKind::Hairs), (0.5, OverlapKind::Ground)] {
            let found = Overlaps::new(&[one.clone(), beside("other", over_m)]);
            let pair = &found.all()[0];
            assert_eq!(pair.kind, kind, "{pair:?}");
            // A triangle over half of the border.
            assert!(
                (pair.area_m2 - over_m * 120.0 / 2.0).abs() < 0.01,
                "{pair:?}"
            );
            assert_eq!(found.ground_of("one").count(), usize::from(over_m > 0.1));
        }
    }
}
