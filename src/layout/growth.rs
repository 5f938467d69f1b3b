//! Trees and volume felled on a piece of ground: stands weighted by the area they share with it.

use std::sync::Arc;

use geo::MultiPolygon;

use crate::geometry::area::{Bounds, area};
use crate::geometry::buffer::Source;
use crate::geometry::overlay::{difference, intersection};
use crate::landbase::NearFeature;
use crate::model::{
    GroundFrame, Lot, Machine, Production, RasterMean, StandGround, StandMeans, StandSource,
    StandTable, Treatment,
};
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
    /// Share of the payload that a bunch may hold, by volume over the species of tables and the project's for the rest; None: no
    /// table tells species.
    pub bunch_share: Option<f64>,
}

/// What grows in a block.
pub struct Growth<'a> {
    stands: Vec<Stand>,
    production: &'a Production,
    machine: &'a Machine,
    /// None: the project names none.
    rasters: Option<Box<dyn StandGround + 'a>>,
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
            rasters: None,
        }
    }

    /// With rasters, whose figures go before those of stands.
    pub fn with_rasters(
        mut self,
        source: Option<&'a dyn StandSource>,
        frame: &'a GroundFrame,
    ) -> Growth<'a> {
        self.rasters = source.map(|source| source.of_block(frame));
        self
    }

    /// Share of a piece of ground of which every raster knows the trees; None where there is no raster.
    pub fn known_by_rasters(&self, shape: &MultiPolygon) -> Option<f64> {
        let rasters = self.rasters.as_ref()?;
        Some(rasters.means(shape).known())
    }

    /// Mean height of the trees on a piece of ground by the raster of heights, m; `unknown_m` where it knows nothing. None without
    /// such a raster.
    pub fn tree_height_m(&self, shape: &MultiPolygon, unknown_m: f64) -> Option<f64> {
        let mean = self.rasters.as_ref()?.means(shape).height_m?;
        Some(mean.known * mean.per_ha + (1.0 - mean.known) * unknown_m)
    }

    /// Where stands overlap the first counts; what a stand does not say, and ground outside stands, takes the project's
    /// figure. None where more than a hundredth of the ground is of unknown density. `path` is the share of the ground that is
    /// the machine's own way.
    pub fn felled(&self, shape: &MultiPolygon, path: f64) -> Option<Felled> {
        let of_stands = self.of_stands(shape, path);
        let means = self.rasters.as_ref().map(|rasters| rasters.means(shape));
        match means.filter(|means| means.stems.is_some() || means.volume_m3.is_some()) {
            None => of_stands,
            Some(means) => of_rasters(
                of_stands,
                means,
                hectares(area(shape)),
                self.production.tree_m3,
            ),
        }
    }

    fn of_stands(&self, shape: &MultiPolygon, path: f64) -> Option<Felled> {
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
                if !self.production.limbiness_by_species.is_empty() {
                    let share = |species: &str| self.production.bunch_share_of(species);
                    let per_ha = table.cut_weighted(path, self.machine, share);
                    sums.weighed_m3 += hectares(here_m2) * per_ha;
                    sums.of_species_m3 +=
                        hectares(here_m2) * table.cut_weighted(path, self.machine, |_| 1.0);
                }
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
        let felled = sums.felled()?;
        let bunch_share = (sums.of_species_m3 > 0.0).then(|| {
            let rest_m3 = (sums.volume_m3 - sums.of_species_m3).max(0.0);
            let of_rest = self.production.limbiness.bunch_share();
            (sums.weighed_m3 + rest_m3 * of_rest) / (sums.of_species_m3 + rest_m3)
        });
        Some(Felled {
            bunch_share,
            ..felled
        })
    }
}

/// What rasters tell in the place of stands, as far as they know it; the rest is the stands'. Where a table sorts the trees, its
/// shares stand, of as many stems and as much wood as the rasters have; of a raster of one kind alone, the other follows
/// the table's sizes. Without a table the other is the stands' own, or follows the mean tree of the project.
fn of_rasters(
    stands: Option<Felled>,
    means: StandMeans,
    area_ha: f64,
    tree_m3: Option<f64>,
) -> Option<Felled> {
    let standing = stands.map(|felled| {
        let all = felled.treated.map(|t| t.cut + t.stays + t.lost);
        match all {
            Some(all) => (all.stems, Some(all.volume_m3)),
            None => (felled.trees, felled.volume_m3),
        }
    });
    // All that stands there, as far as a raster tells, and else as the stands have it.
    let all = |mean: Option<RasterMean>, of_stands: Option<f64>| -> Option<f64> {
        let mean = mean?;
        let unknown = 1.0 - mean.known;
        let rest = match of_stands {
            Some(of_stands) => of_stands * unknown,
            None if unknown > UNKNOWN_SHARE => return None,
            None => mean.per_ha * area_ha * unknown,
        };
        Some(mean.per_ha * area_ha * mean.known + rest)
    };
    let stems = all(means.stems, standing.map(|(stems, _)| stems));
    let volume_m3 = all(means.volume_m3, standing.and_then(|(_, m3)| m3));
    if let Some((felled, treated)) = stands.and_then(|felled| Some((felled, felled.treated?))) {
        let (all_stems, all_m3) = standing.map(|(stems, m3)| (stems, m3.unwrap_or(0.0)))?;
        let by =
            |wanted: Option<f64>, of: f64| wanted.filter(|_| of > 0.0).map(|wanted| wanted / of);
        let (by_stems, by_volume) = (by(stems, all_stems), by(volume_m3, all_m3));
        let by_stems = by_stems.or(by_volume).unwrap_or(1.0);
        let by_volume = by_volume.unwrap_or(by_stems);
        let scaled = |lot: Lot| Lot {
            stems: lot.stems * by_stems,
            volume_m3: lot.volume_m3 * by_volume,
            basal_m2: lot.basal_m2 * by_stems,
        };
        let treated = Treatment {
            cut: scaled(treated.cut),
            stays: scaled(treated.stays),
            lost: scaled(treated.lost),
            large: scaled(treated.large),
        };
        return Some(Felled {
            trees: treated.cut.stems,
            volume_m3: Some(treated.cut.volume_m3),
            treated: Some(treated),
            large: [felled.large[0] * by_stems, felled.large[1] * by_volume],
            bunch_share: felled.bunch_share,
        });
    }
    let size_m3 = standing
        .and_then(|(stems, m3)| m3.filter(|_| stems > 0.0).map(|m3| m3 / stems))
        .or(tree_m3);
    let of_stands = standing.map(|(stems, _)| stems);
    let from_volume = || Some(volume_m3? / size_m3.filter(|m3| *m3 > 0.0)?);
    let trees = stems.or(of_stands).or_else(from_volume)?;
    let volume_m3 = volume_m3.or(size_m3.map(|m3| trees * m3));
    Some(Felled {
        trees,
        volume_m3,
        treated: None,
        large: [0.0; 2],
        bunch_share: stands.and_then(|felled| felled.bunch_share),
    })
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
    /// Of tables, where species count: volume cut, and that times its species' share.
    of_species_m3: f64,
    weighed_m3: f64,
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
            bunch_share: None,
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
            rasters: None,
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
        let production = Production::default();
        let stands = || vec![stand(0.0, 50.0, 600.0, None)];
        let growth = Growth {
            stands: stands(),
            production: &production,
            machine: &Machine::default(),
            rasters: None,
        };
        assert_eq!(growth.felled(&square(0.0, 100.0), 0.0), None);
        let inside = growth.felled(&square(10.0, 50.0), 0.0).unwrap();
        assert!((inside.trees - 240.0).abs() < 0.1);
        assert_eq!(inside.volume_m3, None);
        // A hair over the edge of the stand.
        assert!(growth.felled(&square(10.0, 50.2), 0.0).is_some());
        let production = Production {
            stems_per_ha: Some(200.0),
            tree_m3: Some(0.4),
            ..Production::default()
        };
        let growth = Growth {
            stands: stands(),
            production: &production,
            machine: &Machine::default(),
            rasters: None,
        };
        let felled = growth.felled(&square(0.0, 100.0), 0.0).unwrap();
        assert!((felled.trees - 400.0).abs() < 0.1);
        assert!((felled.volume_m3.unwrap() - 160.0).abs() < 0.1);
    }

    /// Half of a hectare is known to the raster, of 400 m3 and 800 stems; the stands have 100 m3 in 500 stems on all of it.
    #[test]
    fn rasters_go_before_stands_as_far_as_they_know() {
        let stands = Felled {
            trees: 500.0,
            volume_m3: Some(100.0),
            treated: None,
            large: [0.0; 2],
            bunch_share: None,
        };
        let mean = |per_ha| Some(RasterMean { per_ha, known: 0.5 });
        let both = StandMeans {
            stems: mean(800.0),
            volume_m3: mean(400.0),
            height_m: None,
        };
        let found = of_rasters(Some(stands), both, 1.0, None).unwrap();
        assert_eq!((found.trees, found.volume_m3), (650.0, Some(250.0)));
        // Stems alone: of the stands' mean tree of 0.2 m3. Volume alone: the stands' own stems.
        let stems = StandMeans {
            volume_m3: None,
            ..both
        };
        let found = of_rasters(Some(stands), stems, 1.0, None).unwrap();
        assert_eq!((found.trees, found.volume_m3), (650.0, Some(130.0)));
        let volume = StandMeans {
            stems: None,
            ..both
        };
        let found = of_rasters(Some(stands), volume, 1.0, None).unwrap();
        assert_eq!((found.trees, found.volume_m3), (500.0, Some(250.0)));
        // Nobody knows the rest: nor does anybody know the sum.
        assert_eq!(of_rasters(None, both, 1.0, Some(0.5)), None);
        // All is known, and a tree is of 0.5 m3.
        let all = StandMeans {
            stems: None,
            volume_m3: Some(RasterMean {
                per_ha: 400.0,
                known: 1.0,
            }),
            height_m: None,
        };
        let found = of_rasters(None, all, 2.0, Some(0.5)).unwrap();
        assert_eq!((found.trees, found.volume_m3), (1600.0, Some(800.0)));
    }

    #[test]
    fn a_table_keeps_its_shares_of_what_rasters_have() {
        let lot = |stems: f64| Lot {
            stems,
            volume_m3: stems * 0.5,
            basal_m2: stems * 0.1,
        };
        let stands = Felled {
            trees: 60.0,
            volume_m3: Some(30.0),
            treated: Some(Treatment {
                cut: lot(60.0),
                stays: lot(30.0),
                lost: lot(10.0),
                large: lot(5.0),
            }),
            large: [5.0, 2.5],
            bunch_share: None,
        };
        let all = |per_ha| Some(RasterMean { per_ha, known: 1.0 });
        // 100 stems with 50 m3 by the table, 100 m3 by the raster: twice as many of each size.
        let means = StandMeans {
            stems: None,
            volume_m3: all(100.0),
            height_m: None,
        };
        let found = of_rasters(Some(stands), means, 1.0, None).unwrap();
        assert_eq!((found.trees, found.volume_m3), (120.0, Some(60.0)));
        assert_eq!(found.treated.unwrap().stays, lot(60.0));
        assert_eq!(found.large, [10.0, 5.0]);
    }
}
