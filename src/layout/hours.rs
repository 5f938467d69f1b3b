//! What stands at a place, and the steps in which the machine moves.

use geo::Coord;

use crate::geometry::area::Bounds;
use crate::geometry::buffer::Source;
use crate::landbase::NearFeature;
use crate::model::{Feature, Production};
use crate::units::FOOT_M;

/// The machine moves in steps of 5 ft (common practice).
pub const ADVANCE_M: f64 = 5.0 * FOOT_M;

/// Looks up the trees that stand at a place.
pub struct Stands<'a> {
    stands: Vec<(&'a NearFeature<'a>, Bounds)>,
    production: &'a Production,
}

impl<'a> Stands<'a> {
    pub fn new(stands: &[&'a NearFeature<'a>], production: &'a Production) -> Stands<'a> {
        let stands = stands
            .iter()
            .map(|near| (*near, near.source.bounds()))
            .collect();
        Stands { stands, production }
    }

    /// Stems per hectare and mean tree volume at a place, as far as they are known.
    pub fn trees(&self, place: Coord) -> (Option<f64>, Option<f64>) {
        let point = Bounds {
            min: place,
            max: place,
        };
        let here = |known: fn(&Feature) -> Option<f64>| {
            self.stands
                .iter()
                .filter(|(near, bounds)| {
                    known(near.feature).is_some()
                        && matches!(near.source, Source::Polygons(_))
                        && bounds.meets(&point)
                })
                .find(|(near, _)| near.source.contains(place))
                .and_then(|(near, _)| known(near.feature))
        };
        (
            here(|stand| stand.stems_per_ha).or(self.production.stems_per_ha),
            here(|stand| stand.tree_m3).or(self.production.tree_m3),
        )
    }
}
