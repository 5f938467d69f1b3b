//! Machine hours of a section: time per tree and per 5 ft advance. A first, plain model.

use geo::Coord;

use crate::geometry::area::Bounds;
use crate::geometry::buffer::Source;
use crate::landbase::NearFeature;
use crate::model::{Feature, Production};
use crate::units::{FOOT_M, hectares};

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

    /// Hours to cut `area_m2` at `place` while driving `driven_m`; None where no density is known.
    pub fn hours(&self, place: Option<Coord>, area_m2: f64, driven_m: f64) -> Option<f64> {
        let stems = self.trees(place?).0? * hectares(area_m2);
        let seconds = stems * self.production.seconds_per_tree
            + driven_m / ADVANCE_M * self.production.seconds_per_advance;
        Some(seconds / 3600.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// STANDARDS PR-03: 97 m3 per machine hour at 0.53 m3 a tree are 183.0 trees per hour.
    #[test]
    fn a_hectare_at_the_published_rate_takes_the_published_time() {
        let production = Production {
            stems_per_ha: Some(183.0),
            ..Production::default()
        };
        let stands = Stands::new(&[], &production);
        let hours = stands
            .hours(Some(Coord { x: 0.0, y: 0.0 }), 10_000.0, 0.0)
            .unwrap();
        assert!((hours - 1.0).abs() < 1e-3, "{hours}");
        let unknown = Production::default();
        assert_eq!(
            Stands::new(&[], &unknown).hours(Some(Coord { x: 0.0, y: 0.0 }), 10_000.0, 0.0),
            None
        );
    }
}
