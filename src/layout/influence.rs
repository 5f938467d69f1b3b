//! Where a rule asks that ground lies within a tree height of trees that stay: what is still beyond them.

use geo::{MultiPolygon, Polygon};

use super::ground::Ground;
use crate::geometry::area::{Bounds, area};
use crate::geometry::buffer::Source;
use crate::geometry::overlay::{difference, intersection, oriented, union};
use crate::geometry::within;
use crate::landbase::NearFeature;
use crate::model::LayerKind;
use crate::rulebook::Influence;

/// More than this of the block is asked for beyond the share: overlays and arcs differ by as much.
const SPARE: f64 = 1e-5;

/// The rule, and what does not depend on the layout.
pub struct Reach<'r> {
    rule: &'r Influence,
    block: &'r MultiPolygon,
    /// Roads and open water: no trees.
    treeless: Vec<Polygon>,
    /// Forest around the block, where that counts.
    around: MultiPolygon,
}

impl<'r> Reach<'r> {
    pub fn new(
        rule: &'r Influence,
        block: &'r MultiPolygon,
        near: &[NearFeature<'_>],
        clearing: &[Polygon],
    ) -> Reach<'r> {
        let mut treeless = clearing.to_vec();
        let water = |kind| matches!(kind, LayerKind::Lakes | LayerKind::Streams);
        for near in near.iter().filter(|near| water(near.feature.kind)) {
            if let Source::Polygons(polygons) = &near.source {
                treeless.extend(oriented(polygons.clone()).0);
            }
        }
        let around = match rule.forest_outside {
            false => MultiPolygon(vec![]),
            true => {
                let window = Bounds::of_polygons(block).grown(rule.tree_height_m + 1.0);
                difference(&MultiPolygon(vec![window.to_polygon()]), &block.0)
            }
        };
        Reach {
            rule,
            block,
            treeless,
            around,
        }
    }

    pub fn height_m(&self) -> f64 {
        self.rule.tree_height_m
    }

    /// Ground beyond a tree height of `corridors`, of bands and patches, of reserves and of the forest around.
    pub fn bare(&self, ground: &Ground, corridors: Vec<Polygon>) -> MultiPolygon {
        let mut standing = corridors;
        standing.extend(ground.retained_bands.0.iter().cloned());
        standing.extend(intersection(self.block, &ground.zones.uncut()).0);
        standing.extend(self.around.0.iter().cloned());
        let trees = difference(&union(&standing), &self.treeless);
        within::beyond(self.block, &trees, self.rule.tree_height_m)
    }

    /// How much of the bare ground has to come within reach yet, m2; 0 or less: none.
    pub fn short_m2(&self, bare: &MultiPolygon) -> f64 {
        let share = self.rule.share.value + SPARE;
        area(bare) - (1.0 - share) * area(self.block)
    }
}
