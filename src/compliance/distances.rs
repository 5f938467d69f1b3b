//! Distances from what is cut, driven or kept to the features themselves.

use geo::{Coord, Geometry, LineString, Point, Polygon};

use super::map_error::Doubted;
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
pub(super) const LOOK_BEYOND_M: f64 = 20.0;

/// An approach of something to a feature: distance from the feature's edge (negative: inside it), what is required
/// there, and the place.
#[derive(Clone, Copy, Debug)]
pub(super) struct Nearest {
    pub distance_m: f64,
    pub required_m: f64,
    pub place: Coord,
}

impl Nearest {
    pub fn spare_m(&self) -> f64 {
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
pub(super) fn nearer(a: Option<Nearest>, b: Option<Nearest>) -> Option<Nearest> {
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
pub(super) struct Edge {
    a: Coord,
    b: Coord,
    required_m: f64,
}

/// The whole edge of a source with one requirement.
pub(super) fn edges(source: &Source, required_m: f64) -> Vec<Edge> {
    let segments = source.segments(0).into_iter();
    let edge = |s: Segment| Edge {
        a: s.a,
        b: s.b,
        required_m,
    };
    segments.map(edge).collect()
}

/// Things measured from: their edges in an index, and their corners to look for inside other things.
pub(super) struct Measured<'m> {
    pub index: SegmentIndex,
    polygons: Vec<&'m Polygon>,
    lines: Vec<&'m LineString>,
}

impl<'m> Measured<'m> {
    pub fn polygons(polygons: Vec<&'m Polygon>) -> Measured<'m> {
        let segments = polygons
            .iter()
            .flat_map(|polygon| polygon_segments(polygon));
        let segments: Vec<Segment> = segments.collect();
        Measured {
            index: SegmentIndex::new(segments),
            polygons,
            lines: vec![],
        }
    }

    pub fn lines(lines: Vec<&'m LineString>) -> Measured<'m> {
        let segments = lines
            .iter()
            .flat_map(|line| line_segments(std::slice::from_ref(*line), 0));
        Measured {
            index: SegmentIndex::new(segments.collect()),
            polygons: vec![],
            lines,
        }
    }

    /// Approach with the least to spare to a feature drawn as `edges`, whose own edge lies `half_m` from them, if it has
    /// less than `within_m` to spare.
    pub fn approach(&self, edges: &[Edge], half_m: f64, within_m: f64) -> Option<Nearest> {
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
    pub fn intrusion(&self, source: &Source, edges: &[Edge]) -> Option<Nearest> {
        let Source::Polygons(polygons) = source else {
            return None;
        };
        let bounds = source.bounds();
        let edge = SegmentIndex::of_boundary(polygons);
        let corners = self
            .polygons
            .iter()
            .flat_map(|polygon| &polygon.exterior().0)
            .chain(self.lines.iter().flat_map(|line| &line.0));
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

/// What rules keep off their features, and what it is measured of.
struct KeptOff<'m> {
    rule: RuleId,
    width: fn(Widths) -> f64,
    /// Whether features that are kept are so whatever their width.
    itself: bool,
    given_out: &'m [Measured<'m>],
}

/// To a tenth of a millimetre: what lies below is the overlay's grid.
pub(super) fn shown(distance_m: f64) -> f64 {
    (distance_m * 1e4).round() / 1e4 + 0.0
}

pub(super) fn point(place: Option<Nearest>) -> Option<Geometry> {
    place.map(|nearest| Geometry::Point(Point(nearest.place)))
}

impl Judge<'_> {
    /// Everything that is driven: strip lines and the ways between them.
    pub(super) fn driven(&self) -> Measured<'_> {
        let lines = self.plan.lines.iter().map(|line| &line.shape);
        Measured::lines(lines.chain(&self.ways).collect())
    }

    /// Everything that is cut.
    pub(super) fn cut(&self) -> Measured<'_> {
        Measured::polygons(self.plan.strips.iter().map(|strip| &strip.shape).collect())
    }

    /// The edge of a feature with what its rule requires of each part. Where that follows the slope, the edge is walked
    /// anew: the stretches that the zones were drawn around, merged and rounded, are not asked.
    fn required(
        &self,
        near: &NearFeature,
        rule: &RuleLine,
        width: impl Fn(Widths) -> f64,
    ) -> Vec<Edge> {
        if !rule.follows_slope() {
            return edges(&near.source, width(near.demand.own(rule.widest())));
        }
        let segments = near.source.segments(0).into_iter();
        segments
            .flat_map(|s| self.slopes.along(s.a, s.b))
            .map(|run| Edge {
                a: run.a,
                b: run.b,
                required_m: width(near.demand.own(run.slope.widths(rule))),
            })
            .collect()
    }

    /// One row per rule of a feature that what is cut or driven comes near.
    pub(super) fn reserves(&self) -> Vec<Judged> {
        self.by_rule(KeptOff {
            rule: RuleId::Reserve,
            width: |widths| widths.reserve_m,
            itself: true,
            given_out: &[self.cut(), self.driven()],
        })
    }

    /// The same of machine exclusions and what is driven.
    pub(super) fn machine_exclusions(&self) -> Vec<Judged> {
        self.by_rule(KeptOff {
            rule: RuleId::MachineExclusion,
            width: |widths| widths.machine_exclusion_m,
            itself: false,
            given_out: &[self.driven()],
        })
    }

    fn by_rule(&self, off: KeptOff) -> Vec<Judged> {
        let asks = |near: &&NearFeature| {
            // Power lines have rows of their own.
            if near.feature.kind == LayerKind::PowerLines {
                return false;
            }
            let asks = near.demand.rule.is_some() && (off.width)(near.demand.widest()) > 0.0;
            let hazard = near.feature.kind == LayerKind::Hazards;
            (off.itself && near.keeps_out()) || ((near.keeps_out() || hazard) && asks)
        };
        let mut rules: Vec<&str> = Vec::new();
        for near in self.near.iter().filter(asks) {
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
            let mut why = "";
            let mut line = None;
            let mut doubted = Doubted::default();
            for near in self.near.iter().filter(asks) {
                let Some(rule) = near.demand.rule.filter(|rule| rule.id == id) else {
                    continue;
                };
                let half_m = near.demand.half_m;
                let mut edges = self.required(near, rule, off.width);
                if !(off.itself && near.keeps_out()) {
                    // A hazard is no reserve of itself, and ground is excluded where that is asked.
                    edges.retain(|edge| edge.required_m > 0.0);
                }
                let mut here: Option<Nearest> = None;
                for measured in off.given_out {
                    here = nearer(here, measured.approach(&edges, half_m, LOOK_BEYOND_M));
                    if near.keeps_out() && !edges.is_empty() {
                        here = nearer(here, measured.intrusion(&near.source, &edges));
                    }
                }
                if here.is_some() {
                    line = Some(rule);
                    doubt |= near.demand.assumed || near.demand.half_at_least;
                    if near.demand.danger_tree.is_some_and(|tree| tree.is_unknown()) {
                        doubt = true;
                        why = "nobody says how tall a dangerous tree is: give it or the stands a `tree_height`";
                    }
                }
                if let Some(here) = here {
                    doubted.add(near, here);
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
                (off.rule.named().of(&rule.id)).about(&format!(", {}", rule.title)),
                Some(found.required_m),
                Some(shown(found.distance_m)),
                status,
                rule,
            );
            judged.place = point(nearest);
            if status == Verdict::Unknown {
                judged.why = why.to_owned();
            }
            doubted.tell(&mut judged);
            Some(judged)
        });
        judged.collect()
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
            RuleId::InsideBlock.named(),
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
