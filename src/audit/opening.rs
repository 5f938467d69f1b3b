//! The largest piece of ground felled in one. Corridors in it do not divide it; reserves and wider patches do.

use geo::{MultiPolygon, Polygon};

use super::row::{Judged, Measure, measured};
use super::scene::Scene;
use super::split::union_of;
use crate::geometry::area::{area, polygon_area};
use crate::geometry::distance::{Segment, SegmentIndex, segment_segment};
use crate::geometry::groups::Groups;
use crate::model::{RuleId, Verdict};
use crate::units::hectares;

/// Pieces nearer to one another than this lie side by side.
const SIDE_BY_SIDE_M: f64 = 0.001;
/// Shares of an area below this are the overlay's grid.
const AREA_ROUNDING: f64 = 1e-6;

impl Scene<'_> {
    pub(super) fn largest_opening(&self) -> Option<Judged> {
        let rule = self.context.rules.block.largest_opening_m2.as_ref()?;
        let mut pieces: Vec<Polygon> = self.cut.shape.0.clone();
        pieces.extend(self.unworked.iter().cloned());
        match &self.given.corridors {
            Some(corridors) => {
                pieces.extend(corridors.iter().map(|corridor| self.local(&corridor.shape)));
            }
            None => {
                let most_m = self.context.settings.layout.corridor_max_m;
                let narrow = self.standing_widths().into_iter();
                pieces.extend(narrow.filter(|(m, _)| *m <= most_m).map(|(_, shape)| shape));
            }
        }
        let openings = joined(union_of(&pieces));
        let largest = openings
            .into_iter()
            .max_by(|a, b| area(a).total_cmp(&area(b)))
            .unwrap_or(MultiPolygon(vec![]));
        let largest_m2 = area(&largest);
        let judged = measured(
            RuleId::LargestOpening.named(),
            (hectares(rule.value), hectares(largest_m2)),
            Measure {
                short: hectares(largest_m2 - rule.value),
                rounding: hectares(rule.value * AREA_ROUNDING),
                leeway: (self.context.certainty).of_area(&self.edges_of(&largest), 1e4),
                doubt: None,
                doubt_may_save: false,
            },
            rule.into(),
        );
        if judged.status() <= Verdict::NotApplicable {
            return Some(judged);
        }
        let middle = crate::geometry::area::Bounds::of_polygons(&largest).middle();
        Some(judged.at(Some(middle)).over(largest))
    }
}

/// Polygons by the groups that lie side by side, in the order of their first members.
fn joined(polygons: MultiPolygon) -> Vec<MultiPolygon> {
    let segments: Vec<Segment> = (0u32..)
        .zip(&polygons.0)
        .flat_map(|(owner, polygon)| {
            crate::geometry::distance::boundary_segments(
                &MultiPolygon(vec![polygon.clone()]),
                owner,
            )
            .collect::<Vec<_>>()
        })
        .collect();
    let index = SegmentIndex::new(segments.clone());
    let mut group = Groups::new(polygons.0.len());
    for own in &segments {
        for other in index.near(own.a, own.b, SIDE_BY_SIDE_M) {
            if other.owner <= own.owner
                || segment_segment(own.a, own.b, other.a, other.b) > SIDE_BY_SIDE_M
            {
                continue;
            }
            group.join(own.owner as usize, other.owner as usize);
        }
    }
    let mut groups: std::collections::BTreeMap<usize, Vec<Polygon>> = Default::default();
    for (at, polygon) in polygons.0.into_iter().enumerate() {
        groups.entry(group.first(at)).or_default().push(polygon);
    }
    debug_assert!(groups.values().flatten().all(|p| polygon_area(p) >= 0.0));
    groups.into_values().map(MultiPolygon).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::overlay::union;
    use geo::LineString;

    fn rectangle(x0: f64, y0: f64, x1: f64, y1: f64) -> Polygon {
        let ring = vec![(x0, y0), (x1, y0), (x1, y1), (x0, y1), (x0, y0)];
        Polygon::new(LineString::from(ring), vec![])
    }

    #[test]
    fn what_lies_a_hair_apart_is_one_opening_and_a_band_divides() {
        let pieces = [
            rectangle(0., 0., 10., 50.),
            rectangle(10.000_5, 20., 30., 40.),
            rectangle(35., 0., 75., 15.),
        ];
        let groups = joined(union(&pieces));
        let mut areas: Vec<f64> = groups.iter().map(area).collect();
        areas.sort_by(f64::total_cmp);
        assert_eq!(areas.len(), 2);
        assert!(
            (areas[0] - 600.0).abs() < 1e-3 && (areas[1] - 899.99).abs() < 1e-2,
            "{areas:?}"
        );
    }
}
