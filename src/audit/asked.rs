//! What the rules ask around one feature: its edge, walked anew, with the distance asked for at every place.

use geo::Coord;

use super::reached::Reached;
use crate::geometry::area::Bounds;
use crate::geometry::buffer::Source;
use crate::landbase::{NearFeature, Slope, Slopes};
use crate::model::LayerKind;
use crate::rulebook::{RuleLine, Widths};

/// A part of a feature's edge as drawn, with one requirement.
#[derive(Clone, Copy, Debug)]
pub struct Edge {
    pub a: Coord,
    pub b: Coord,
    /// From the feature's own edge: its bank, or the side of the road.
    pub required_m: f64,
    /// True: the slope there is not known, and the widest distance stands in.
    pub slope_unknown: bool,
}

/// The edge of a feature with what its rule asks of each part.
pub fn edges(
    near: &NearFeature,
    rule: &RuleLine,
    slopes: &Slopes,
    width: impl Fn(Widths) -> f64,
) -> Vec<Edge> {
    let segments = near.source.segments(0).into_iter();
    if !rule.follows_slope() {
        let required_m = width(near.demand.own(rule.widest()));
        let edge = |s: crate::geometry::distance::Segment| Edge {
            a: s.a,
            b: s.b,
            required_m,
            slope_unknown: false,
        };
        return segments.map(edge).collect();
    }
    segments
        .flat_map(|s| slopes.along(s.a, s.b))
        .map(|run| Edge {
            a: run.a,
            b: run.b,
            required_m: width(near.demand.own(run.slope.widths(rule))),
            slope_unknown: run.slope == Slope::Unknown,
        })
        .collect()
}

/// Whether ground within the rule's distances is kept, so that the feature itself, if it is a polygon, is kept too.
pub fn is_kept(near: &NearFeature) -> bool {
    match near.feature.kind {
        LayerKind::Streams
        | LayerKind::Lakes
        | LayerKind::Wetlands
        | LayerKind::Protected
        | LayerKind::PowerLines => true,
        LayerKind::Roads => near.demand.asks_for_something(),
        LayerKind::Retain => near.feature.stays(),
        _ => false,
    }
}

/// A road that is cleared and beside which nothing is asked to stay.
pub fn is_cleared_road(near: &NearFeature) -> bool {
    near.feature.kind == LayerKind::Roads && !near.demand.asks_for_something()
}

/// Whether a feature owes a reserve: what is kept, and hazards whose rule asks for one.
pub fn owes_a_reserve(near: &NearFeature) -> bool {
    let reserve = |rule: &RuleLine| rule.widest().reserve_m > 0.0;
    is_kept(near)
        || (near.feature.kind == LayerKind::Hazards && near.demand.rule.is_some_and(reserve))
}

/// Whether a feature's rule keeps machines off ground beside it.
pub fn excludes_machines(near: &NearFeature) -> bool {
    (is_kept(near) || near.feature.kind == LayerKind::Hazards)
        && near.demand.rule.is_some()
        && near.demand.widest().machine_exclusion_m > 0.0
}

/// Adds the ground within the edges' own distances, `half_m` and `more_m` added, as far as it may touch `window`; with
/// the feature itself where it is a polygon that is kept.
pub fn reach(into: &mut Reached, near: &NearFeature, edges: &[Edge], more_m: f64, window: &Bounds) {
    let half_m = near.demand.half_m;
    if let (Source::Polygons(polygons), true) =
        (&near.source, is_kept(near) || is_cleared_road(near))
    {
        into.0
            .extend(crate::geometry::overlay::oriented(polygons.clone()).0);
    }
    // Edges that follow on one another and ask for the same are one line.
    let mut line: Vec<Coord> = Vec::new();
    let mut distance_m = 0.0;
    for edge in edges {
        let own_m = if edge.required_m > 0.0 || is_kept(near) || is_cleared_road(near) {
            (half_m + edge.required_m).max(near.demand.barrier_m) + more_m
        } else {
            0.0
        };
        let touches = Bounds::of([&edge.a, &edge.b]).grown(own_m).meets(window);
        let goes_on = line.last() == Some(&edge.a) && own_m == distance_m;
        if !(touches && goes_on) {
            into.line(&line, distance_m);
            line.clear();
        }
        if touches {
            if line.is_empty() {
                line.push(edge.a);
            }
            line.push(edge.b);
            distance_m = own_m;
        }
    }
    into.line(&line, distance_m);
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::area::area;
    use crate::geometry::overlay::union;
    use crate::landbase::Demand;
    use crate::model::{Feature, Shape};
    use geo::{LineString, MultiLineString};
    use std::f64::consts::PI;

    /// 200 m of a stream 4 m wide with 10 m asked for, and 100 m with 30 m: two bands with round ends, of which the wide
    /// one's end laps over the narrow one.
    #[test]
    fn each_part_of_an_edge_reaches_as_far_as_is_asked_there() {
        let lines = MultiLineString(vec![LineString::from(vec![(0., 0.), (300., 0.)])]);
        let feature = Feature {
            kind: LayerKind::Streams,
            source_layer: "streams".to_owned(),
            id: "1".to_owned(),
            class: None,
            width_m: Some(4.0),
            stems_per_ha: None,
            slope: None,
            fringe_m: None,
            facts: Default::default(),
            tree_m3: None,
            trees: None,
            shape: Shape::Lines(lines.clone()),
        };
        let near = NearFeature {
            feature: &feature,
            demand: Demand {
                rule: None,
                derived: false,
                assumed: false,
                contradicted_by: None,
                half_m: 2.0,
                half_assumed: false,
                half_at_least: false,
                barrier_m: 0.0,
                fringe_unknown: false,
                road_use: Default::default(),
                off_m: None,
                more_m: 0.0,
                keeps_itself: false,
                machine_free_m: None,
                power_line: None,
                danger_tree: None,
            },
            source: Source::Lines(lines),
            stretches: vec![],
            slope_unknown: None,
        };
        let at = |x: f64| Coord { x, y: 0.0 };
        let edge = |(from, to, required_m): (f64, f64, f64)| Edge {
            a: at(from),
            b: at(to),
            required_m,
            slope_unknown: false,
        };
        let edges = [(0., 100., 10.), (100., 200., 10.), (200., 300., 30.)].map(edge);
        let window = Bounds::of([&at(-1000.0), &at(1000.0)]).grown(1000.0);
        let mut reached = Reached::default();
        reach(&mut reached, &near, &edges, 0.0, &window);
        let found_m2 = area(&union(&reached.0));
        let (narrow_m, wide_m) = (12.0f64, 32.0f64);
        // What of the narrow band lies in the wide one's end: the part of a half disc between two chords.
        let chord_m = (wide_m * wide_m - narrow_m * narrow_m).sqrt();
        let lap_m2 = narrow_m * chord_m + wide_m * wide_m * (narrow_m / wide_m).asin();
        let wide_m2 = 2.0 * wide_m * 100.0 + PI * wide_m * wide_m;
        let narrow_m2 = 2.0 * narrow_m * 200.0 + PI / 2.0 * narrow_m * narrow_m;
        let wanted_m2 = wide_m2 + narrow_m2 - lap_m2;
        assert!((found_m2 - wanted_m2).abs() < 6.0, "{found_m2} {wanted_m2}");
    }
}
