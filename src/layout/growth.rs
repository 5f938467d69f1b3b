//! Trees and volume felled on a piece of ground: stands weighted by the area they share with it.

use std::sync::Arc;

use geo::MultiPolygon;

use crate::geometry::area::{Bounds, area};
use crate::geometry::buffer::Source;
use crate::geometry::overlay::{difference, intersection};
use crate::landbase::NearFeature;
use crate::model::{Machine, Production, StandTable, Treatment};
use crate::units::hectares;

/// What is felled; the volume is None where nobody says how large the trees are.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Felled {
    pub trees: f64,
    pub volume_m3: Option<f64>,
    /// What becomes of all that stands there; None where some of the ground has no stand table.
    pub treated: Option<Treatment>,
    /// Of the trees, those beyond the head's capacity, and their volume, as far as tables tell.
    pub large: [f64; 2],
}

/// What grows in a block.
pub struct Growth<'a> {
    stands: Vec<Stand>,
    production: &'a Production,
    machine: &'a Machine,
}

struct Stand {
    shape: MultiPolygon,
    bounds: Bounds,
    stems_per_ha: Option<f64>,
    tree_m3: Option<f64>,
    trees: Option<Arc<StandTable>>,
}

/// Ground of unknown density, or trees of unknown size, up to this share count like the rest.
const UNKNOWN_SHARE: f64 = 0.01;
/// The overlay engine's rounding.
const ROUNDING_M2: f64 = 0.01;

impl<'a> Growth<'a> {
    /// Stands are cut down to `window`, once, so that large ones cost no more than small ones.
    pub fn new(
        stands: &[&NearFeature<'_>],
        window: &Bounds,
        production: &'a Production,
        machine: &'a Machine,
    ) -> Growth<'a> {
        let stands = stands.iter().filter_map(|near| {
            let Source::Polygons(polygons) = &near.source else {
                return None;
            };
            let (stems_per_ha, tree_m3) = (near.feature.stems_per_ha, near.feature.tree_m3);
            if stems_per_ha.is_none() && tree_m3.is_none() {
                return None;
            }
            let shape = intersection(polygons, &[window.to_polygon()]);
            let bounds = Bounds::of_polygons(&shape);
            (!shape.0.is_empty()).then_some(Stand {
                shape,
                bounds,
                stems_per_ha,
                tree_m3,
                trees: near.feature.trees.clone(),
            })
        });
        Growth {
            stands: stands.collect(),
            production,
            machine,
        }
    }

    /// Where stands overlap the first counts; what a stand does not say, and ground outside stands, takes the project's
    /// figure. None where more than a hundredth of the ground is of unknown density. `path` is the share of the ground that is
    /// the machine's own way.
    pub fn felled(&self, shape: &MultiPolygon, path: f64) -> Option<Felled> {
        let bounds = Bounds::of_polygons(shape);
        let mut sums = Sums::default();
        let mut rest = shape.clone();
        let mut rest_m2 = area(shape);
        for stand in self.stands.iter().filter(|s| s.bounds.meets(&bounds)) {
            let here_m2 = area(&intersection(&rest, &stand.shape.0));
            if here_m2 <= 0.0 {
                continue;
            }
            if let Some(table) = &stand.trees {
                sums.treat(here_m2, table.treated(path, self.machine));
            } else {
                let stems = stand.stems_per_ha.or(self.production.stems_per_ha);
                sums.add(here_m2, stems, stand.tree_m3.or(self.production.tree_m3));
            }
            if here_m2 >= rest_m2 - ROUNDING_M2 {
                rest_m2 = 0.0;
                break;
            }
            rest = difference(&rest, &stand.shape.0);
            rest_m2 = area(&rest);
        }
        sums.add(
            rest_m2,
            self.production.stems_per_ha,
            self.production.tree_m3,
        );
        sums.felled()
    }
}

#[derive(Default)]
struct Sums {
    known_m2: f64,
    unknown_m2: f64,
    trees: f64,
    trees_of_unknown_size: f64,
    volume_m3: f64,
    treated_m2: f64,
    treated: Treatment,
}

impl Sums {
    /// Ground whose trees are known by class.
    fn treat(&mut self, area_m2: f64, per_ha: Treatment) {
        let treated = per_ha * hectares(area_m2);
        self.known_m2 += area_m2;
        self.treated_m2 += area_m2;
        self.trees += treated.cut.stems;
        self.volume_m3 += treated.cut.volume_m3;
        self.treated += treated;
    }

    fn add(&mut self, area_m2: f64, stems_per_ha: Option<f64>, tree_m3: Option<f64>) {
        let Some(stems_per_ha) = stems_per_ha else {
            self.unknown_m2 += area_m2;
            return;
        };
        let trees = stems_per_ha * hectares(area_m2);
        self.known_m2 += area_m2;
        self.trees += trees;
        match tree_m3 {
            Some(tree_m3) => self.volume_m3 += trees * tree_m3,
            None => self.trees_of_unknown_size += trees,
        }
    }

    fn felled(&self) -> Option<Felled> {
        let trees = spread(self.trees, self.known_m2, self.unknown_m2)?;
        let sized = self.trees - self.trees_of_unknown_size;
        let volume_m3 = spread(self.volume_m3, sized, self.trees_of_unknown_size);
        // No trees have no volume, whatever their size would be.
        let volume_m3 = if self.trees > 0.0 {
            volume_m3.map(|volume_m3| volume_m3 * trees / self.trees)
        } else {
            Some(0.0)
        };
        // As the trees: spread over the little of which nobody says what stands there.
        let all_m2 = self.known_m2 + self.unknown_m2;
        let by_class = self.treated_m2 > 0.0 && all_m2 - self.treated_m2 <= UNKNOWN_SHARE * all_m2;
        let treated = by_class.then(|| self.treated * (all_m2 / self.treated_m2));
        let large = self.treated.large;
        Some(Felled {
            trees,
            volume_m3,
            treated,
            large: [large.stems, large.volume_m3],
        })
    }
}

/// `sum` over what is known, spread over the little that is not; None where that is too much.
fn spread(sum: f64, known: f64, unknown: f64) -> Option<f64> {
    let all = known + unknown;
    if unknown > UNKNOWN_SHARE * all {
        None
    } else if known > 0.0 {
        Some(sum * all / known)
    } else {
        Some(0.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use geo::{LineString, Polygon};

    fn square(x0: f64, x1: f64) -> MultiPolygon {
        let ring = vec![(x0, 0.0), (x1, 0.0), (x1, 100.0), (x0, 100.0), (x0, 0.0)];
        MultiPolygon(vec![Polygon::new(LineString::from(ring), vec![])])
    }

    fn stand(x0: f64, x1: f64, stems_per_ha: f64, tree_m3: Option<f64>) -> Stand {
        let shape = square(x0, x1);
        Stand {
            bounds: Bounds::of_polygons(&shape),
            shape,
            stems_per_ha: Some(stems_per_ha),
            tree_m3,
            trees: None,
        }
    }

    #[test]
    fn stands_are_weighted_by_the_area_they_share() {
        let production = Production::default();
        let growth = Growth {
            // A quarter of the hectare, then three quarters less what the first has already taken.
            stands: vec![
                stand(0.0, 25.0, 400.0, Some(0.5)),
                stand(10.0, 100.0, 800.0, Some(0.25)),
            ],
            production: &production,
            machine: &Machine::default(),
        };
        let felled = growth.felled(&square(0.0, 100.0), 0.0).unwrap();
        assert!((felled.trees - 700.0).abs() < 0.1, "{felled:?}");
        assert!(
            (felled.volume_m3.unwrap() - 200.0).abs() < 0.1,
            "{felled:?}"
        );
    }

    #[test]
    fn ground_of_unknown_density_makes_the_count_unknown() {
        let mut production = Production::default();
        let stands = || vec![stand(0.0, 50.0, 600.0, None)];
        let growth = Growth {
            stands: stands(),
            production: &production,
            machine: &Machine::default(),
        };
        assert_eq!(growth.felled(&square(0.0, 100.0), 0.0), None);
        let inside = growth.felled(&square(10.0, 50.0), 0.0).unwrap();
        assert!((inside.trees - 240.0).abs() < 0.1);
        assert_eq!(inside.volume_m3, None);
        // A hair over the edge of the stand.
        assert!(growth.felled(&square(10.0, 50.2), 0.0).is_some());
        production.stems_per_ha = Some(200.0);
        production.tree_m3 = Some(0.4);
        let growth = Growth {
            stands: stands(),
            production: &production,
            machine: &Machine::default(),
        };
        let felled = growth.felled(&square(0.0, 100.0), 0.0).unwrap();
        assert!((felled.trees - 400.0).abs() < 0.1);
        assert!((felled.volume_m3.unwrap() - 160.0).abs() < 0.1);
    }
}
