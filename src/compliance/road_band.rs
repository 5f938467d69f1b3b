//! How near to a road retention stands, however far that is.

use geo::Polygon;

use super::distances::{DISTANCE_TOLERANCE_M, Measured, Nearest, edges, nearer, point};
use super::{Judge, Judged};
use crate::geometry::area::Bounds;
use crate::landbase::{NearFeature, SHOWN_BEYOND_M};
use crate::model::*;

/// A road farther from the block than this has nothing to do with it.
const ROADS_WITHIN_M: f64 = 1_000.0;
/// A first search goes as far beyond the band as this, the next ones twice as far each.
const FIRST_BEYOND_M: f64 = 20.0;

/// The approach of retention to the nearest of some open roads.
fn nearest(standing: &Measured, roads: &[&NearFeature], band_m: f64) -> Option<Nearest> {
    if standing.index.is_empty() || roads.is_empty() {
        return None;
    }
    let mut beyond_m = FIRST_BEYOND_M;
    loop {
        let mut best: Option<Nearest> = None;
        for road in roads {
            let edges = edges(&road.source, band_m);
            let here = standing.approach(&edges, road.demand.half_m, beyond_m);
            best = nearer(best, here);
        }
        // Beyond every size of the work CRS nothing is left to look for.
        if best.is_some() || beyond_m > 1e8 {
            return best;
        }
        beyond_m *= 2.0;
    }
}

impl Judge<'_> {
    /// Retention near a road: below the lesser distance a failure, below the greater a warning.
    pub(super) fn road_band(&self) -> Option<Judged> {
        let layout = &self.context.settings.layout;
        let mut standing: Vec<&Polygon> = self
            .plan
            .corridors
            .iter()
            .map(|corridor| &corridor.shape)
            .collect();
        standing.extend(&self.plan.retained_bands.0);
        let standing = Measured::polygons(standing);
        let near: Vec<&NearFeature> = (self.near.iter())
            .filter(|near| near.is_open_road())
            .collect();
        let mut found = nearest(&standing, &near, layout.road_band_m);
        // What is near the block was cut off this far from it, so beyond that another road may be nearer.
        let known_m = layout.road_band_m + SHOWN_BEYOND_M;
        if !standing.index.is_empty() && found.is_none_or(|found| found.distance_m > known_m) {
            found = self.nearest_of_all(&standing, found.map(|found| found.distance_m));
        }
        let measured = found.map(|found| found.distance_m);
        let status = match measured {
            None => Verdict::NotApplicable,
            Some(distance_m) if distance_m < layout.road_band_fail_m - DISTANCE_TOLERANCE_M => {
                Verdict::Fail
            }
            Some(distance_m) if distance_m < layout.road_band_m - DISTANCE_TOLERANCE_M => {
                Verdict::Warn
            }
            Some(_) => Verdict::Pass,
        };
        let why_not = if standing.index.is_empty() {
            " (nothing stands as retention)".to_owned()
        } else if found.is_none() {
            format!(" (no road within {ROADS_WITHIN_M} m of the block)")
        } else {
            String::new()
        };
        let mut judged = self.row(
            RuleId::RoadBand.named().about(&why_not),
            Some(layout.road_band_m),
            measured,
            status,
            self.road_band_source(),
        );
        judged.place = point(found);
        Some(judged)
    }

    /// The same of all roads, however far: `at_most_m` is what is known already.
    fn nearest_of_all(&self, standing: &Measured, at_most_m: Option<f64>) -> Option<Nearest> {
        let (frame, block) = (&self.plan.frame, Bounds::of_polygons(&self.plan.shape));
        let landbase = self.context.landbase;
        let band_m = self.context.settings.layout.road_band_m;
        let within = |within_m: f64| {
            let roads = landbase.open_roads(frame, &block, within_m);
            let roads: Vec<&NearFeature> = roads.iter().collect();
            nearest(standing, &roads, band_m)
        };
        let within_m = at_most_m.unwrap_or(0.0).max(ROADS_WITHIN_M);
        let found = within(within_m)?;
        if found.distance_m <= within_m {
            return Some(found);
        }
        // Of a block longer than that the nearest road may lie beyond.
        within(found.distance_m)
    }
}
