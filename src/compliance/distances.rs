//! Distances from what is cut, driven or kept to the features themselves.

use geo::{Coord, Geometry, Point, Polygon};

use super::{Judge, Judged};
use crate::geometry::buffer::Source;
use crate::geometry::distance::{
    Segment, SegmentIndex, boundary_segments, inside, line_segments, point_segment,
    polygon_segments,
};
use crate::landbase::NearFeature;
use crate::model::*;
use crate::rulebook::{ReadStatus, RuleLine, Widths};

/// A legal distance may be missed by rounding only.
pub const DISTANCE_TOLERANCE_M: f64 = 0.001;
/// Approaches farther beyond the requirement than this are not of interest.
const LOOK_BEYOND_M: f64 = 20.0;

/// An approach of something to a feature: distance from the feature's edge (negative: inside it), what is required
/// there, and the place.
#[derive(Clone, Copy, Debug)]
struct Nearest {
    distance_m: f64,
    required_m: f64,
    place: Coord,
}

impl Nearest {
    fn spare_m(&self) -> f64 {
        self.distance_m - self.required_m
    }

    /// The distance beyond which an approach to an edge with this requirement has more to spare.
    fn limit_m(&self, required_m: f64) -> f64 {
        // Not by way of the spare, which would cost the last bits where all requirements are the same.
        if required_m == self.required_m {
            self.distance_m
        } else {
            self.spare_m() + required_m
        }
    }
}

/// The approach with the least to spare; of equals the first.
fn nearer(a: Option<Nearest>, b: Option<Nearest>) -> Option<Nearest> {
    match (a, b) {
        (Some(a), Some(b)) => Some(if b.distance_m < a.limit_m(b.required_m) {
            b
        } else {
            a
        }),
        (a, b) => a.or(b),
    }
}

/// A part of a feature's edge as drawn, with one requirement.
#[derive(Clone, Copy, Debug)]
struct Edge {
    a: Coord,
    b: Coord,
    required_m: f64,
}

/// The whole edge of a source with one requirement.
fn edges(source: &Source, required_m: f64) -> Vec<Edge> {
    let segments = source.segments(0).into_iter();
    let edge = |s: Segment| Edge {
        a: s.a,
        b: s.b,
        required_m,
    };
    segments.map(edge).collect()
}

/// Things measured from: their edges in an index, and their polygons to look inside.
struct Measured<'m> {
    index: SegmentIndex,
    polygons: Vec<&'m Polygon>,
}

impl<'m> Measured<'m> {
    fn polygons(polygons: Vec<&'m Polygon>) -> Measured<'m> {
        let segments = polygons
            .iter()
            .flat_map(|polygon| polygon_segments(polygon));
        let segments: Vec<Segment> = segments.collect();
        Measured {
            index: SegmentIndex::new(segments),
            polygons,
        }
    }

    /// Approach with the least to spare to a feature drawn as `edges`, whose own edge lies `half_m` from them, if it has
    /// less than `within_m` to spare.
    fn approach(&self, edges: &[Edge], half_m: f64, within_m: f64) -> Option<Nearest> {
        let mut best: Option<Nearest> = None;
        for edge in edges {
            let limit = best.map_or(edge.required_m + within_m, |best| {
                best.limit_m(edge.required_m)
            }) + half_m;
            if let Some(approach) = self.index.approach(edge.a, edge.b, limit) {
                let found = Nearest {
                    distance_m: approach.distance - half_m,
                    required_m: edge.required_m,
                    place: (edge.a + edge.b) / 2.0,
                };
                best = nearer(best, Some(found));
            }
        }
        best
    }

    /// How deep any measured corner lies inside a polygon feature; the requirement is that of its nearest edge.
    fn intrusion(&self, source: &Source, edges: &[Edge]) -> Option<Nearest> {
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
            (-depth_m, c)
        });
        let (distance_m, place) = deep.min_by(|a, b| a.0.total_cmp(&b.0))?;
        let away = |edge: &&Edge| point_segment(place, edge.a, edge.b);
        let nearest = edges
            .iter()
            .min_by(|a, b| away(a).total_cmp(&away(b)))
            .map_or(0.0, |edge| edge.required_m);
        Some(Nearest {
            distance_m,
            required_m: nearest,
            place,
        })
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
    /// The edge of a feature with what its rule requires of each part. Where that follows the slope, the edge is walked
    /// anew: the stretches that the zones were drawn around, merged and rounded, are not asked.
    fn required(
        &self,
        near: &NearFeature,
        rule: &RuleLine,
        width: impl Fn(Widths) -> f64,
    ) -> Vec<Edge> {
        if !rule.follows_slope() {
            return edges(&near.source, width(rule.widest()));
        }
        let segments = near.source.segments(0).into_iter();
        segments
            .flat_map(|s| self.slopes.along(s.a, s.b))
            .map(|run| Edge {
                a: run.a,
                b: run.b,
                required_m: width(run.slope.widths(rule)),
            })
            .collect()
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
        let ruled = |near: &&NearFeature| {
            let hazard = || {
                let reserve = |rule: &RuleLine| rule.widest().reserve_m > 0.0;
                near.feature.kind == LayerKind::Hazards && near.demand.rule.is_some_and(reserve)
            };
            near.keeps_out() || hazard()
        };
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
                let mut edges = self.required(near, rule, |widths| widths.reserve_m);
                if near.feature.kind == LayerKind::Hazards {
                    // A hazard is no reserve of itself.
                    edges.retain(|edge| edge.required_m > 0.0);
                }
                let mut cutting = cut.approach(&edges, half_m, LOOK_BEYOND_M);
                if near.keeps_out() {
                    cutting = nearer(cutting, cut.intrusion(&near.source, &edges));
                }
                let driving = lines.approach(&edges, half_m, LOOK_BEYOND_M);
                let here = nearer(cutting, driving);
                if here.is_some() {
                    line = Some(rule);
                    doubt |= near.demand.assumed || (near.demand.half_assumed && half_m == 0.0);
                }
                nearest = nearer(nearest, here);
            }
            let (rule, found) = (line?, nearest?);
            let status = if found.distance_m < found.required_m - DISTANCE_TOLERANCE_M {
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
                Some(found.required_m),
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
            let excludes = near.keeps_out() || near.feature.kind == LayerKind::Hazards;
            let Some(rule) = near
                .demand
                .rule
                .filter(|rule| excludes && rule.widest().machine_exclusion_m > 0.0)
            else {
                continue;
            };
            let mut edges = self.required(near, rule, |widths| widths.machine_exclusion_m);
            edges.retain(|edge| edge.required_m > 0.0);
            if let Some(found) = driven.approach(&edges, near.demand.half_m, LOOK_BEYOND_M) {
                let spare_m = found.spare_m();
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
        let roads = self.near.iter().filter(|near| near.is_open_road());
        let mut nearest: Option<Nearest> = None;
        let mut any = false;
        for road in roads {
            any = true;
            let edges = edges(&road.source, layout.road_band_m);
            let half_m = road.demand.half_m;
            nearest = nearer(nearest, standing.approach(&edges, half_m, LOOK_BEYOND_M));
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
            required_m: 0.0,
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
                        required_m: 0.0,
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
        let approach = |source: &Source, half_m, required_m| {
            let edges = edges(source, required_m);
            let found = cut.approach(&edges, half_m, 5.0);
            nearer(found, cut.intrusion(source, &edges)).map(|nearest| nearest.distance_m)
        };
        assert!((approach(&stream, 5.0, 35.0).unwrap() - 15.0).abs() < 1e-12);
        assert!(approach(&stream, 5.0, 5.0).is_none());
        let lake = Source::Polygons(MultiPolygon(vec![square(40.0, 90.0)]));
        assert!((approach(&lake, 0.0, 0.0).unwrap() + 10.0).abs() < 1e-12);
    }
}
