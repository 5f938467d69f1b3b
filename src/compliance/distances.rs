//! Distances from what is cut, driven or kept to the features themselves.

use geo::{Coord, Geometry, Point, Polygon};

use super::{Judge, Judged};
use crate::geometry::area::rings;
use crate::geometry::buffer::Source;
use crate::geometry::distance::{Segment, SegmentIndex, boundary_segments, inside, line_segments};
use crate::landbase::NearFeature;
use crate::model::*;
use crate::rulebook::{ReadStatus, RuleLine};

/// A legal distance may be missed by rounding only.
pub const DISTANCE_TOLERANCE_M: f64 = 0.001;
/// Approaches farther beyond the requirement than this are not of interest.
const LOOK_BEYOND_M: f64 = 20.0;

/// The nearest approach of something to a feature: distance from the feature's edge (negative: inside it) and place.
#[derive(Clone, Copy, Debug)]
struct Nearest {
    distance_m: f64,
    place: Coord,
}

fn nearer(a: Option<Nearest>, b: Option<Nearest>) -> Option<Nearest> {
    match (a, b) {
        (Some(a), Some(b)) => Some(if b.distance_m < a.distance_m { b } else { a }),
        (a, b) => a.or(b),
    }
}

/// Things measured from: their edges in an index, and their polygons to look inside.
struct Measured<'m> {
    index: SegmentIndex,
    polygons: Vec<&'m Polygon>,
}

impl<'m> Measured<'m> {
    fn polygons(polygons: Vec<&'m Polygon>) -> Measured<'m> {
        let segments: Vec<Segment> = polygons
            .iter()
            .flat_map(|polygon| rings(polygon))
            .flat_map(|ring| {
                ring.0.windows(2).map(|w| Segment {
                    a: w[0],
                    b: w[1],
                    owner: 0,
                })
            })
            .collect();
        Measured {
            index: SegmentIndex::new(segments),
            polygons,
        }
    }

    /// Nearest approach to a feature drawn as `source`, whose edge lies `half_m` from it, if below `within_m`.
    fn approach(&self, source: &Source, half_m: f64, within_m: f64) -> Option<Nearest> {
        let mut best: Option<Nearest> = None;
        for segment in source.segments(0) {
            let limit = best.map_or(within_m, |best| best.distance_m) + half_m;
            if let Some(approach) = self.index.approach(segment.a, segment.b, limit) {
                let place = (segment.a + segment.b) / 2.0;
                best = nearer(
                    best,
                    Some(Nearest {
                        distance_m: approach.distance - half_m,
                        place,
                    }),
                );
            }
        }
        nearer(best, self.intrusion(source))
    }

    /// How deep any measured corner lies inside a polygon feature.
    fn intrusion(&self, source: &Source) -> Option<Nearest> {
        let Source::Polygons(polygons) = source else {
            return None;
        };
        let bounds = source.bounds();
        let edge = SegmentIndex::of_boundary(polygons);
        let corners = self
            .polygons
            .iter()
            .flat_map(|polygon| &polygon.exterior().0);
        let near = corners.filter(|c| {
            c.x >= bounds.min.x && c.x <= bounds.max.x && c.y >= bounds.min.y && c.y <= bounds.max.y
        });
        let deep = near.filter(|&&c| inside(c, polygons)).map(|&c| {
            let depth_m = edge.distance(c, f64::MAX / 4.0).unwrap_or(0.0);
            Nearest {
                distance_m: -depth_m,
                place: c,
            }
        });
        deep.min_by(|a, b| a.distance_m.total_cmp(&b.distance_m))
    }
}

/// To a tenth of a millimetre: what lies below is the overlay's grid.
fn shown(distance_m: f64) -> f64 {
    (distance_m * 1e4).round() / 1e4 + 0.0
}

fn point(place: Option<Nearest>) -> Option<Geometry> {
    place.map(|nearest| Geometry::Point(Point(nearest.place)))
}

impl Judge<'_> {
    fn keep_out_kind(kind: LayerKind) -> bool {
        matches!(
            kind,
            LayerKind::Streams | LayerKind::Lakes | LayerKind::Wetlands | LayerKind::Protected
        )
    }

    /// One row per rule of a feature that what is cut comes near.
    pub(super) fn reserves(&self) -> Vec<Judged> {
        let cut = Measured::polygons(self.plan.strips.iter().map(|strip| &strip.shape).collect());
        let lines = Measured {
            index: SegmentIndex::new(
                self.plan
                    .lines
                    .iter()
                    .flat_map(|line| line_segments(std::slice::from_ref(&line.shape), 0))
                    .collect(),
            ),
            polygons: vec![],
        };
        let mut rules: Vec<&str> = Vec::new();
        let ruled = |near: &&NearFeature| Self::keep_out_kind(near.feature.kind);
        for near in self.near.iter().filter(ruled) {
            if let Some(rule) = near.demand.rule
                && !rules.contains(&rule.id.as_str())
            {
                rules.push(&rule.id);
            }
        }
        rules.sort_unstable();
        let judged = rules.into_iter().filter_map(|id| {
            let mut nearest: Option<Nearest> = None;
            let mut doubt = false;
            let mut line = None;
            for near in self.near.iter().filter(ruled) {
                let Some(rule) = near.demand.rule.filter(|rule| rule.id == id) else {
                    continue;
                };
                let half_m = near.demand.half_m;
                let within_m = rule.widest().reserve_m + LOOK_BEYOND_M;
                let cutting = cut.approach(&near.source, half_m, within_m);
                let driving = lines.approach(&near.source, half_m, within_m);
                let here = nearer(cutting, driving);
                if here.is_some() {
                    line = Some(rule);
                    doubt |= near.demand.assumed || (near.demand.half_assumed && half_m == 0.0);
                }
                nearest = nearer(nearest, here);
            }
            let (rule, found) = (line?, nearest?);
            let status = if found.distance_m < rule.widest().reserve_m - DISTANCE_TOLERANCE_M {
                Verdict::Fail
            } else if doubt {
                Verdict::Unknown
            } else if rule.citation.status == ReadStatus::FromMemory {
                Verdict::Warn
            } else {
                Verdict::Pass
            };
            let mut judged = self.row(
                &format!("reserve:{}", rule.id),
                &format!("Nothing cut or driven within the reserve, {}", rule.title),
                "m",
                Some(rule.widest().reserve_m),
                Some(shown(found.distance_m)),
                status,
                rule,
            );
            judged.place = point(nearest);
            Some(judged)
        });
        judged.collect()
    }

    pub(super) fn machine_exclusion(&self) -> Option<Judged> {
        let lines: Vec<Segment> = self
            .plan
            .lines
            .iter()
            .flat_map(|line| line_segments(std::slice::from_ref(&line.shape), 0))
            .collect();
        let driven = Measured {
            index: SegmentIndex::new(lines),
            polygons: vec![],
        };
        let mut worst: Option<(f64, Nearest, &RuleLine)> = None;
        for near in self.near {
            let excludes =
                Self::keep_out_kind(near.feature.kind) || near.feature.kind == LayerKind::Hazards;
            let Some(rule) = near
                .demand
                .rule
                .filter(|rule| excludes && rule.widest().machine_exclusion_m > 0.0)
            else {
                continue;
            };
            let required_m = rule.widest().machine_exclusion_m;
            if let Some(found) =
                driven.approach(&near.source, near.demand.half_m, required_m + LOOK_BEYOND_M)
            {
                let spare_m = found.distance_m - required_m;
                if worst.is_none_or(|(least_m, _, _)| spare_m < least_m) {
                    worst = Some((spare_m, found, rule));
                }
            }
        }
        let (spare_m, found, source) = worst?;
        // Ways are clipped by an overlay on a grid of about a micrometre.
        let status = if spare_m < -DISTANCE_TOLERANCE_M {
            Verdict::Fail
        } else {
            Verdict::Pass
        };
        let mut judged = self.row(
            "machine-exclusion",
            "No machine on excluded ground",
            "m",
            Some(found.distance_m - spare_m),
            Some(found.distance_m),
            status,
            source,
        );
        judged.place = point(Some(found));
        Some(judged)
    }

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
        let roads = self
            .near
            .iter()
            .filter(|near| near.feature.kind == LayerKind::Roads);
        let mut nearest: Option<Nearest> = None;
        let mut any = false;
        for road in roads {
            any = true;
            let within_m = layout.road_band_m + LOOK_BEYOND_M;
            nearest = nearer(
                nearest,
                standing.approach(&road.source, road.demand.half_m, within_m),
            );
        }
        let measured = nearest.map(|nearest| nearest.distance_m);
        let status = match measured {
            _ if !any || standing.index.is_empty() => Verdict::NotApplicable,
            Some(distance_m) if distance_m < layout.road_band_fail_m - DISTANCE_TOLERANCE_M => {
                Verdict::Fail
            }
            Some(distance_m) if distance_m < layout.road_band_m - DISTANCE_TOLERANCE_M => {
                Verdict::Warn
            }
            _ => Verdict::Pass,
        };
        let mut judged = self.row(
            "road-band",
            "No retention in the road band",
            "m",
            Some(layout.road_band_m),
            measured,
            status,
            self.road_band_source(),
        );
        judged.place = point(nearest);
        Some(judged)
    }

    /// Nothing is cut outside the block.
    pub(super) fn inside_block(&self) -> Judged {
        let outline = SegmentIndex::new(boundary_segments(&self.plan.shape, 0).collect());
        let corners = self
            .plan
            .strips
            .iter()
            .flat_map(|strip| &strip.shape.exterior().0);
        let mut worst = Nearest {
            distance_m: 0.0,
            place: Coord { x: 0.0, y: 0.0 },
        };
        for &corner in corners {
            if outline.distance(corner, DISTANCE_TOLERANCE_M).is_none()
                && !inside(corner, &self.plan.shape)
            {
                let out_m = outline
                    .distance(corner, f64::MAX / 4.0)
                    .unwrap_or(f64::INFINITY);
                if out_m > worst.distance_m {
                    worst = Nearest {
                        distance_m: out_m,
                        place: corner,
                    };
                }
            }
        }
        let status = if worst.distance_m > DISTANCE_TOLERANCE_M {
            Verdict::Fail
        } else {
            Verdict::Pass
        };
        let mut judged = self.row(
            "inside-block",
            "Nothing cut outside the block",
            "m",
            Some(0.0),
            Some(worst.distance_m),
            status,
            "the block as approved",
        );
        judged.place = (status == Verdict::Fail)
            .then_some(())
            .and(point(Some(worst)));
        judged
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use geo::{LineString, MultiPolygon};

    fn square(low: f64, high: f64) -> Polygon {
        let ring = vec![
            (low, low),
            (high, low),
            (high, high),
            (low, high),
            (low, low),
        ];
        Polygon::new(LineString::from(ring), vec![])
    }

    #[test]
    fn an_approach_counts_from_the_bank_and_an_intrusion_is_negative() {
        let strip = square(0.0, 50.0);
        let cut = Measured::polygons(vec![&strip]);
        let stream = Source::Lines(geo::MultiLineString(vec![LineString::from(vec![
            (70., -9.),
            (70., 90.),
        ])]));
        // STANDARDS BC-10: the distance runs from the bank, so half a 10 m channel is taken off.
        assert!((cut.approach(&stream, 5.0, 40.0).unwrap().distance_m - 15.0).abs() < 1e-12);
        assert!(cut.approach(&stream, 5.0, 10.0).is_none());
        let lake = Source::Polygons(MultiPolygon(vec![square(40.0, 90.0)]));
        assert!((cut.approach(&lake, 0.0, 5.0).unwrap().distance_m + 10.0).abs() < 1e-12);
    }
}
