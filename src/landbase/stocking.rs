//! The trees on a piece of ground, from the stand tables of the stands it lies in.

use std::sync::Arc;

use geo::MultiPolygon;

use super::NearFeature;
use crate::geometry::area::{Bounds, area};
use crate::geometry::buffer::Source;
use crate::geometry::overlay::{difference, intersection};
use crate::model::{LayerKind, StandTable};
use crate::rulebook::TreeCount;
use crate::units::hectares;

/// Ground without a stand table, up to this share, leaves a count standing.
const UNKNOWN_SHARE: f64 = 0.01;
/// Overlays of nothing leave this much.
const ROUNDING_M2: f64 = 0.01;

/// Why trees could not be counted, and what would help.
pub const NO_STAND_TABLE: &str = "no stand table says what trees stand there; give `[stand_table]` with the classes of \
                                  every stand of the block";

/// Stands with their trees by class, none over another.
pub struct Stocking {
    stands: Vec<(MultiPolygon, Bounds, Arc<StandTable>)>,
}

/// What was counted on a piece of ground.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Counted {
    /// Stems, m2 of basal area or m3.
    pub amount: f64,
    /// Ground with a stand table, and all of it, m2.
    pub known_m2: f64,
    pub all_m2: f64,
}

impl Counted {
    /// Whether stand tables tell what stands on as good as all of it.
    pub fn is_known(&self) -> bool {
        self.all_m2 - self.known_m2 <= UNKNOWN_SHARE * self.all_m2 + ROUNDING_M2
    }
}

impl Stocking {
    /// Stands of `near`, cut down to `window`. Where stands overlap the first counts, as it does for hours and wood.
    pub fn new<'n>(near: impl Iterator<Item = &'n NearFeature<'n>>, window: &Bounds) -> Stocking {
        let mut taken = MultiPolygon(vec![]);
        let mut stands = Vec::new();
        for near in near.filter(|near| near.feature.kind == LayerKind::Stands) {
            let Source::Polygons(polygons) = &near.source else {
                continue;
            };
            let feature = near.feature;
            if feature.stems_per_ha.is_none()
                && feature.tree_m3.is_none()
                && feature.trees.is_none()
            {
                continue;
            }
            let here = intersection(polygons, &[window.to_polygon()]);
            let bounds = Bounds::of_polygons(&here);
            let over = (taken.0.iter())
                .any(|other: &geo::Polygon| Bounds::of(&other.exterior().0).meets(&bounds));
            let own = if over {
                difference(&here, &taken.0)
            } else {
                here
            };
            taken.0.extend(own.0.iter().cloned());
            if let Some(table) = feature.trees.as_ref().filter(|_| !own.0.is_empty()) {
                let bounds = Bounds::of_polygons(&own);
                stands.push((own, bounds, table.clone()));
            }
        }
        Stocking { stands }
    }

    /// The trees on a piece of ground.
    pub fn on(&self, ground: &MultiPolygon, trees: TreeCount) -> Counted {
        let bounds = Bounds::of_polygons(ground);
        let mut counted = Counted {
            all_m2: area(ground),
            ..Counted::default()
        };
        for (shape, of, table) in &self.stands {
            if !of.meets(&bounds) {
                continue;
            }
            let here_m2 = area(&intersection(ground, &shape.0));
            counted.known_m2 += here_m2;
            counted.amount += hectares(here_m2) * trees.of(table.from(trees.least_m));
        }
        counted
    }
}

/// Metres of bank beside the zones of a rule: the area of a zone over its width, so that a bank counts once for each of its sides, and
/// of each metre as much as the zone beside it lies on this ground. Of zones of several widths the narrower counts where
/// both lie.
pub fn bank_m(zones: &[(f64, MultiPolygon)]) -> f64 {
    let mut zones: Vec<&(f64, MultiPolygon)> = zones.iter().filter(|(m, _)| *m > 0.0).collect();
    zones.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut taken = MultiPolygon(vec![]);
    let mut bank_m = 0.0;
    for of_width in zones.chunk_by(|a, b| a.0 == b.0) {
        let polygons: Vec<geo::Polygon> = (of_width.iter())
            .flat_map(|(_, shape)| shape.0.iter().cloned())
            .collect();
        let whole = crate::geometry::overlay::union(&polygons);
        let own = difference(&whole, &taken.0);
        bank_m += area(&own) / of_width[0].0;
        taken.0.extend(own.0);
    }
    bank_m
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::rulebook::TreeUnit;
    use geo::{LineString, Polygon};

    fn rectangle(x0: f64, x1: f64, y1: f64) -> MultiPolygon {
        let ring = vec![(x0, 0.0), (x1, 0.0), (x1, y1), (x0, y1), (x0, 0.0)];
        MultiPolygon(vec![Polygon::new(LineString::from(ring), vec![])])
    }

    fn table(stems_per_ha: f64) -> Arc<StandTable> {
        Arc::new(StandTable(vec![crate::model::TreeClass {
            species: "spruce".to_owned(),
            from_m: 0.1,
            to_m: 0.3,
            stems_per_ha,
            tree_m3: 0.5,
        }]))
    }

    #[test]
    fn trees_are_counted_where_tables_tell_and_said_to_be_unknown_elsewhere() {
        let stand = |x0, x1, stems| {
            let shape = rectangle(x0, x1, 100.0);
            (shape.clone(), Bounds::of_polygons(&shape), table(stems))
        };
        let stocking = Stocking {
            stands: vec![stand(0.0, 60.0, 400.0), stand(60.0, 100.0, 100.0)],
        };
        let large = TreeCount {
            unit: TreeUnit::Stems,
            least_m: 0.2,
        };
        let counted = stocking.on(&rectangle(0.0, 100.0, 100.0), large);
        assert!(counted.is_known());
        // Half of the trees are of 20 cm and more: 0.6 ha of 200 and 0.4 ha of 50.
        assert!((counted.amount - 140.0).abs() < 0.1, "{counted:?}");
        assert!(!stocking.on(&rectangle(0.0, 102.0, 100.0), large).is_known());
    }

    #[test]
    fn a_bank_is_as_long_as_the_zones_beside_it() {
        // 100 m with 20 m beside them, then 60 m with 10 m; the wider lies over 40 m of the narrower.
        let zones = [
            (20.0, rectangle(0.0, 100.0, 20.0)),
            (10.0, rectangle(60.0, 160.0, 10.0)),
            (20.0, rectangle(50.0, 100.0, 20.0)),
        ];
        let found_m = bank_m(&zones);
        assert!((found_m - (100.0 + 80.0)).abs() < 0.01, "{found_m}");
    }
}
