//! Ground within a distance of polygons, and the swath along lines, put together from simple pieces: the shape itself,
//! a rectangle beside every edge, a sector at every corner. No buffer engine has a say, so nothing is
//! straightened or lost; how far an arc's chords stray from the arc is stated.

use std::f64::consts::PI;

use geo::{Coord, LineString, MultiPolygon, Polygon};

use super::area::rings;
use super::buffer::Source;
use super::distance::SegmentIndex;
use super::overlay::{difference, intersection, oriented};

/// What the chords of one full circle leave out of it, or add to it, at most.
pub const CIRCLE_ERROR_M2: f64 = 0.005;

/// Step of arcs that are only to show what they leave bare.
const COARSE_STEP: f64 = PI / 16.0;

/// On which side of its arc a sector's outline runs.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Arcs {
    /// Nothing is counted that lies farther off.
    Inside,
    /// Nothing is left out that lies nearer.
    Outside,
}

/// Ground of `subject` farther than `distance_m` from `polygons`, which count as near themselves. Never less than that
/// (but for the overlay's grid), and at most [`CIRCLE_ERROR_M2`] more for every full circle turned at their corners.
pub fn beyond(subject: &MultiPolygon, polygons: &MultiPolygon, distance_m: f64) -> MultiPolygon {
    let mut near = polygons.0.clone();
    if distance_m <= 0.0 {
        return difference(subject, &near);
    }
    let mut corners = Vec::new();
    for ring in polygons.0.iter().flat_map(rings) {
        let edges: Vec<Edge> = edges(&without_repeats(ring), distance_m);
        for (index, edge) in edges.iter().enumerate() {
            let (a, b, right) = (edge.a, edge.b, edge.right);
            near.push(quadrilateral([a, a + right, b + right, b]));
            let next = edges[(index + 1) % edges.len()];
            let turn = edge.turn_to(&next);
            if turn > 0.0 {
                corners.push((b, right, next.right, turn));
            }
        }
    }
    // Most arcs lie within reach of something else: coarse ones tell which are worth drawing finely.
    let drawn = |corner: &(Coord, Coord, Coord, f64), step: f64| {
        sector(corner.0, corner.1, corner.2, corner.3, step, Arcs::Inside)
    };
    near.extend(corners.iter().map(|corner| drawn(corner, COARSE_STEP)));
    let rest = difference(subject, &near);
    let edge = SegmentIndex::of_boundary(&rest);
    let bare = corners
        .iter()
        .filter(|corner| edge.distance(corner.0, 1.001 * distance_m).is_some());
    let step = step(distance_m, CIRCLE_ERROR_M2);
    let fine: Vec<Polygon> = bare.map(|corner| drawn(corner, step)).collect();
    difference(&rest, &fine)
}

/// Pieces that together are the ground within `half_m` beside lines, round at their bends and square at their ends;
/// never less, and at most [`CIRCLE_ERROR_M2`] more for every full circle turned. They overlap, and run
/// counter-clockwise.
pub fn swath<'l>(lines: impl IntoIterator<Item = &'l LineString>, half_m: f64) -> Vec<Polygon> {
    let mut pieces = Vec::new();
    // What tangents add to a circle is twice what chords leave out.
    let step = step(half_m, CIRCLE_ERROR_M2 / 2.5);
    for line in lines {
        let corners = without_repeats(line);
        let edges = edges(&corners, half_m);
        let closed = corners.len() > 2 && corners.first() == corners.last();
        for (index, edge) in edges.iter().enumerate() {
            let (a, b, right) = (edge.a, edge.b, edge.right);
            pieces.push(quadrilateral([a + right, b + right, b - right, a - right]));
            let next = match edges.get(index + 1) {
                Some(next) => next,
                None if closed => &edges[0],
                None => continue,
            };
            let turn = edge.turn_to(next);
            if turn > 0.0 {
                pieces.push(sector(b, right, next.right, turn, step, Arcs::Outside));
            } else if turn < 0.0 {
                // The outer side of a bend to the right is the left one; from the next edge back it is
                // counter-clockwise.
                let left = |right: Coord| Coord {
                    x: -right.x,
                    y: -right.y,
                };
                let sector = sector(b, left(next.right), left(right), -turn, step, Arcs::Outside);
                pieces.push(sector);
            }
        }
    }
    pieces
}

/// What of some ground lies within a distance of a source as drawn, with round ends; never less, and at most
/// [`CIRCLE_ERROR_M2`] more for every full circle turned.
pub fn within(ground: &MultiPolygon, source: &Source, distance_m: f64) -> MultiPolygon {
    // Out and back: a swath is round where it turns.
    let turned = |line: &LineString| {
        let back = line.0.iter().rev().skip(1).copied();
        LineString(line.0.iter().copied().chain(back).collect())
    };
    let point = |at: Coord| {
        let aside = at + Coord { x: 1e-3, y: 0.0 };
        LineString(vec![at, aside, at])
    };
    let mut near = Vec::new();
    let lines: Vec<LineString> = match source {
        Source::Points(points) => points.iter().map(|&at| point(at)).collect(),
        Source::Lines(lines) => lines.0.iter().map(turned).collect(),
        Source::Polygons(polygons) => {
            near.extend(oriented(polygons.clone()).0);
            polygons.0.iter().flat_map(rings).cloned().collect()
        }
    };
    near.extend(swath(&lines, distance_m));
    intersection(ground, &near)
}

#[derive(Clone, Copy)]
struct Edge {
    a: Coord,
    b: Coord,
    /// From the edge squarely to its right, as long as the distance asked for.
    right: Coord,
}

impl Edge {
    /// Angle from this edge's direction to the next one's; to the left is positive, a fold is a half turn left.
    fn turn_to(&self, next: &Edge) -> f64 {
        let cross = self.right.x * next.right.y - self.right.y * next.right.x;
        let dot = self.right.x * next.right.x + self.right.y * next.right.y;
        let turn = cross.atan2(dot);
        if turn <= -PI + 1e-9 { PI } else { turn }
    }
}

fn without_repeats(line: &LineString) -> Vec<Coord> {
    let mut corners = line.0.clone();
    corners.dedup();
    corners
}

fn edges(corners: &[Coord], distance_m: f64) -> Vec<Edge> {
    let edge = |w: &[Coord]| {
        let along = w[1] - w[0];
        let length = along.x.hypot(along.y);
        let right = Coord {
            x: along.y / length * distance_m,
            y: -along.x / length * distance_m,
        };
        Edge {
            a: w[0],
            b: w[1],
            right,
        }
    };
    corners.windows(2).map(edge).collect()
}

fn quadrilateral(corners: [Coord; 4]) -> Polygon {
    let mut ring = corners.to_vec();
    ring.push(corners[0]);
    Polygon::new(LineString(ring), vec![])
}

/// The step at which the chords of a whole circle leave out `error_m2`: n chords of a step d leave out
/// r^2 (n d - n sin d) / 2, which is below pi r^2 d^2 / 6.
fn step(radius_m: f64, error_m2: f64) -> f64 {
    let fine = (6.0 * error_m2 / (PI * radius_m * radius_m)).sqrt();
    fine.min(COARSE_STEP)
}

/// The sector around `centre` from `from` to `to`, `turn` further counter-clockwise, in steps of at most `step`.
fn sector(centre: Coord, from: Coord, to: Coord, turn: f64, step: f64, arcs: Arcs) -> Polygon {
    let steps = (turn / step).ceil().max(1.0);
    let step = turn / steps;
    let mut ring = vec![centre, centre + from];
    let (offset, stretch) = match arcs {
        Arcs::Inside => (0.0, 1.0),
        Arcs::Outside => (0.5, 1.0 / (step / 2.0).cos()),
    };
    let first = if arcs == Arcs::Inside { 1 } else { 0 };
    for k in first..steps as u32 {
        let (sin, cos) = ((f64::from(k) + offset) * step).sin_cos();
        ring.push(Coord {
            x: centre.x + stretch * (from.x * cos - from.y * sin),
            y: centre.y + stretch * (from.x * sin + from.y * cos),
        });
    }
    ring.push(centre + to);
    ring.push(centre);
    Polygon::new(LineString(ring), vec![])
}

#[cfg(test)]
mod tests {
    use super::super::area::area;
    use super::super::overlay::union;
    use super::*;

    fn line(points: &[(f64, f64)]) -> LineString {
        LineString::from(points.to_vec())
    }

    #[test]
    fn ground_around_a_ring_follows_steiners_formula_and_never_exceeds_it() {
        let outline = [(0., 0.), (400., 0.), (400., 250.), (0., 250.), (0., 0.)];
        let rectangle = MultiPolygon(vec![Polygon::new(line(&outline), vec![])]);
        let ground = MultiPolygon(vec![
            super::super::area::Bounds::of_polygons(&rectangle)
                .grown(100.0)
                .to_polygon(),
        ]);
        for (distance_m, steiner_m2) in [(20.0, 127_256.637_061), (60.0, 189_309.733_553)] {
            let within_m2 = area(&ground) - area(&beyond(&ground, &rectangle, distance_m));
            assert!(within_m2 <= steiner_m2 + 1e-3, "{within_m2}");
            assert!(
                within_m2 >= steiner_m2 - CIRCLE_ERROR_M2 - 1e-3,
                "{within_m2}"
            );
        }
    }

    #[test]
    fn a_hole_is_filled_from_its_edge_and_its_corners_stay_sharp() {
        let square = |low: f64, high: f64| {
            line(&[
                (low, low),
                (high, low),
                (high, high),
                (low, high),
                (low, low),
            ])
        };
        let mut hole = square(10.0, 90.0);
        hole.0.reverse();
        let frame = MultiPolygon(vec![Polygon::new(square(0.0, 100.0), vec![hole])]);
        let inner = MultiPolygon(vec![Polygon::new(square(10.0, 90.0), vec![])]);
        let left_m2 = area(&beyond(&inner, &frame, 15.0));
        assert!((left_m2 - 50.0f64.powi(2)).abs() < 1e-3, "{left_m2}");
        assert!(beyond(&inner, &frame, 45.0).0.is_empty());
    }

    #[test]
    fn every_corner_of_many_shapes_is_drawn_as_finely_as_one_alone() {
        // Scattered patches: what lies beyond by exact distance, on a grid, is what was drawn.
        let patch = |x: f64, y: f64| {
            Polygon::new(
                line(&[
                    (x, y),
                    (x + 7., y + 2.),
                    (x + 5., y + 9.),
                    (x - 3., y + 6.),
                    (x, y),
                ]),
                vec![],
            )
        };
        let patches = MultiPolygon(
            (0..12)
                .map(|k| patch(f64::from(k * 53 % 200), f64::from(k * 89 % 170)))
                .collect(),
        );
        let ground = super::super::area::Bounds::of_polygons(&patches).grown(30.0);
        let drawn = beyond(&MultiPolygon(vec![ground.to_polygon()]), &patches, 25.0);
        let edge = SegmentIndex::of_boundary(&patches);
        let mut checked = 0;
        for i in 0..260 {
            for j in 0..230 {
                let place = ground.min
                    + Coord {
                        x: f64::from(i) + 0.37,
                        y: f64::from(j) + 0.61,
                    };
                let distance_m = match super::super::distance::inside(place, &patches) {
                    true => 0.0,
                    false => edge.distance(place, 1e6).unwrap(),
                };
                // Chords lie within r d^2 / 8 of their arc.
                if (distance_m - 25.0).abs() > 1e-4 {
                    checked += 1;
                    let found = super::super::distance::inside(place, &drawn);
                    let on_ground = place.x < ground.max.x && place.y < ground.max.y;
                    assert_eq!(
                        found,
                        on_ground && distance_m > 25.0,
                        "{place:?} {distance_m}"
                    );
                }
            }
        }
        assert!(checked > 50_000, "{checked}");
    }

    #[test]
    fn a_swath_counts_crossings_once_and_rounds_its_bends() {
        let cross = [
            line(&[(-50., 0.), (50., 0.)]),
            line(&[(0., -50.), (0., 50.)]),
        ];
        let crossing_m2 = area(&union(&swath(&cross, 2.0)));
        assert!(
            (crossing_m2 - (2.0 * 400.0 - 16.0)).abs() < 1e-3,
            "{crossing_m2}"
        );
        // To the left and to the right alike: two legs, a quarter circle outside, less what both legs share.
        for side in [1.0, -1.0] {
            let bend = [line(&[(0., 0.), (30., 0.), (30., 30.0 * side)])];
            let expected = 2.0 * 30.0 * 4.0 + PI - 4.0;
            let drawn_m2 = area(&union(&swath(&bend, 2.0)));
            assert!(drawn_m2 >= expected - 1e-3, "{drawn_m2}");
            assert!(drawn_m2 <= expected + CIRCLE_ERROR_M2 + 1e-3, "{drawn_m2}");
        }
    }

    #[test]
    fn a_closed_line_is_rounded_where_it_closes_and_a_fold_has_a_round_end() {
        let ring = [line(&[
            (0., 0.),
            (40., 0.),
            (40., 40.),
            (0., 40.),
            (0., 0.),
        ])];
        let drawn_m2 = area(&union(&swath(&ring, 2.0)));
        let expected = 40.0f64.powi(2) + 160.0 * 2.0 + PI * 4.0 - 36.0f64.powi(2);
        assert!((drawn_m2 - expected).abs() < 0.01, "{drawn_m2} {expected}");
        let fold = [line(&[(0., 0.), (40., 0.), (10., 0.)])];
        let drawn_m2 = area(&union(&swath(&fold, 2.0)));
        assert!((drawn_m2 - (160.0 + 2.0 * PI)).abs() < 0.01, "{drawn_m2}");
    }

    /// A line of 100 m and a point, with 10 m around them: a stadium, and a disc.
    #[test]
    fn ends_are_round() {
        let c = |x: f64, y: f64| Coord { x, y };
        let ring = vec![
            c(-500., -500.),
            c(500., -500.),
            c(500., 500.),
            c(-500., 500.),
            c(-500., -500.),
        ];
        let ground = MultiPolygon(vec![Polygon::new(LineString(ring), vec![])]);
        let disc_m2 = std::f64::consts::PI * 100.0;
        let line = LineString(vec![c(0., 0.), c(60., 0.), c(60., 40.)]);
        let bend_m2 = 2000.0 - 100.0 + disc_m2 / 4.0;
        let found_m2 = area(&within(
            &ground,
            &Source::Lines(geo::MultiLineString(vec![line])),
            10.0,
        ));
        assert!((found_m2 - disc_m2 - bend_m2).abs() < 0.1, "{found_m2}");
        let found_m2 = area(&within(&ground, &Source::Points(vec![c(3., 3.)]), 10.0));
        assert!((found_m2 - disc_m2).abs() < 0.1, "{found_m2}");
    }
}
