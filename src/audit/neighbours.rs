//! All blocks of a project in an R-tree: whose ground is it that was cut?

use geo::{Coord, MultiPolygon, Polygon};
use rstar::RTree;
use rstar::primitives::{GeomWithData, Rectangle};

use crate::geometry::area::{Bounds, polygon_area};
use crate::geometry::overlaps::Overlaps;
use crate::geometry::overlay::shared_area;
use crate::model::{GroundFrame, SourceBlock};

type Boxed = GeomWithData<Rectangle<[f64; 2]>, usize>;

/// Ground shared by less than this is a common border.
const BORDER_M2: f64 = 0.5;

struct Block {
    id: String,
    /// In the plane of the work CRS.
    shape: MultiPolygon,
    frame: GroundFrame,
}

pub struct Neighbours {
    tree: RTree<Boxed>,
    /// The most plane metres that a metre on the ground is at any block.
    most_scale: f64,
    /// In their order.
    blocks: Vec<Block>,
    overlaps: Overlaps,
}

impl Neighbours {
    pub fn new(blocks: &[SourceBlock]) -> Neighbours {
        Neighbours::overlapping(blocks, Overlaps::new(blocks))
    }

    /// Of blocks whose overlaps are known.
    pub fn overlapping(blocks: &[SourceBlock], overlaps: Overlaps) -> Neighbours {
        let boxed = blocks.iter().enumerate().map(|(index, block)| {
            let b = Bounds::of_polygons(&block.shape);
            let rectangle = Rectangle::from_corners([b.min.x, b.min.y], [b.max.x, b.max.y]);
            GeomWithData::new(rectangle, index)
        });
        Neighbours {
            tree: RTree::bulk_load(boxed.collect()),
            most_scale: blocks
                .iter()
                .map(|block| block.frame.plane_per_metre())
                .fold(1.0, f64::max),
            blocks: blocks
                .iter()
                .map(|block| Block {
                    id: block.id.clone(),
                    shape: block.shape.clone(),
                    frame: block.frame.clone(),
                })
                .collect(),
            overlaps,
        }
    }

    /// Ground that two blocks have in common.
    pub fn overlaps(&self) -> &Overlaps {
        &self.overlaps
    }

    /// Blocks whose box comes within a distance of a box in the plane, in their order.
    pub fn near(&self, bounds: &Bounds, within_m: f64) -> Vec<usize> {
        let grown = bounds.grown(within_m * self.most_scale);
        let found = self.tree.locate_in_envelope_intersecting(grown.envelope());
        let mut found: Vec<usize> = found.map(|boxed| boxed.data).collect();
        found.sort_unstable();
        found
    }

    /// Metres on the ground between two places of the plane, as the block nearest to the first one sees them.
    pub fn metres(&self, from: Coord, to: Coord) -> f64 {
        let nearest = self.tree.nearest_neighbor([from.x, from.y]);
        let frame = nearest.map_or(&GroundFrame::SAME, |boxed| self.frame(boxed.data));
        let d = frame.enter(to) - frame.enter(from);
        d.x.hypot(d.y)
    }

    /// The area of some ground, in work-CRS coordinates, that lies in each block, where it is more than a border.
    pub fn shares(&self, ground: &MultiPolygon) -> Vec<(usize, f64)> {
        let bounds = Bounds::of_polygons(ground);
        let near = self.near(&bounds, 0.0).into_iter();
        near.filter_map(|index| {
            let Block { shape, frame, .. } = &self.blocks[index];
            let own = frame.enter_polygons(shape);
            let area_m2 = shared_area(&frame.enter_polygons(ground), &own.0);
            (area_m2 > BORDER_M2).then_some((index, area_m2))
        })
        .collect()
    }

    /// The area of polygons of the plane that do not overlap, as the block nearest to each sees them.
    pub fn area_m2(&self, polygons: &[Polygon]) -> f64 {
        let areas = polygons.iter().map(|polygon| {
            let middle = Bounds::of(&polygon.exterior().0).middle();
            let nearest = self.tree.nearest_neighbor([middle.x, middle.y]);
            let frame = nearest.map_or(&GroundFrame::SAME, |boxed| self.frame(boxed.data));
            polygon_area(&frame.enter_polygon(polygon))
        });
        areas.sum()
    }

    /// A place as written, in the plane.
    pub fn read(&self, written: Coord) -> Coord {
        let first = self.blocks.first();
        first.map_or(written, |block| block.frame.read(written))
    }

    pub fn id(&self, index: usize) -> &str {
        &self.blocks[index].id
    }

    pub fn shape(&self, index: usize) -> &MultiPolygon {
        &self.blocks[index].shape
    }

    pub fn frame(&self, index: usize) -> &GroundFrame {
        &self.blocks[index].frame
    }
}
