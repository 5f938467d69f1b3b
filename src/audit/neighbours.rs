//! All blocks of a project in an R-tree: whose ground is it that was cut?

use geo::{Coord, MultiPolygon};
use rstar::RTree;
use rstar::primitives::{GeomWithData, Rectangle};

use crate::geometry::area::Bounds;
use crate::geometry::frame::map_polygons;
use crate::geometry::overlay::shared_area;
use crate::model::SourceBlock;

type Boxed = GeomWithData<Rectangle<[f64; 2]>, usize>;

/// Ground shared by less than this is a common border.
const BORDER_M2: f64 = 0.5;

pub struct Neighbours {
    tree: RTree<Boxed>,
    /// Ids and shapes in the order of the blocks.
    blocks: Vec<(String, MultiPolygon)>,
}

impl Neighbours {
    pub fn new(blocks: &[SourceBlock]) -> Neighbours {
        let boxed = blocks.iter().enumerate().map(|(index, block)| {
            let b = Bounds::of_polygons(&block.shape);
            let rectangle = Rectangle::from_corners([b.min.x, b.min.y], [b.max.x, b.max.y]);
            GeomWithData::new(rectangle, index)
        });
        Neighbours {
            tree: RTree::bulk_load(boxed.collect()),
            blocks: blocks
                .iter()
                .map(|block| (block.id.clone(), block.shape.clone()))
                .collect(),
        }
    }

    /// Blocks whose box meets a box in work-CRS coordinates, in their order.
    pub fn near(&self, bounds: &Bounds) -> Vec<usize> {
        let found = self.tree.locate_in_envelope_intersecting(bounds.envelope());
        let mut found: Vec<usize> = found.map(|boxed| boxed.data).collect();
        found.sort_unstable();
        found
    }

    /// The area of some ground, in work-CRS coordinates, that lies in each block, where it is more than a border.
    pub fn shares(&self, ground: &MultiPolygon) -> Vec<(usize, f64)> {
        let bounds = Bounds::of_polygons(ground);
        // Overlays are exact near the origin.
        let origin = bounds.middle();
        let local = |c: Coord| c - origin;
        let ground = map_polygons(ground, local);
        let near = self.near(&bounds).into_iter();
        near.filter_map(|index| {
            let own = map_polygons(&self.blocks[index].1, local);
            let area_m2 = shared_area(&ground, &own.0);
            (area_m2 > BORDER_M2).then_some((index, area_m2))
        })
        .collect()
    }

    pub fn id(&self, index: usize) -> &str {
        &self.blocks[index].0
    }

    pub fn shape(&self, index: usize) -> &MultiPolygon {
        &self.blocks[index].1
    }
}
