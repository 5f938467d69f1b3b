//! Ground within a distance of polygons, and the swath along lines, as simple pieces whose union it is: the shape
//! itself, a rectangle beside every edge, a sector at every corner. No buffer engine has a say, so nothing is
//! straightened or lost; how far an arc's chords stray from the arc is stated.

use std::f64::consts::{FRAC_PI_2, PI, TAU};

use geo::{Coord, LineString, MultiPolygon, Polygon};

use super::area::rings;

/// What the chords of one full circle leave out of it, or add to it, at most.
pub const CIRCLE_ERROR_M2: f64 = 0.005;

/// On which side of its arc a sector's outline runs.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Arcs {
    /// Nothing is counted that lies farther off.
    Inside,
    /// Nothing is left out that lies nearer.
    Outside,
}

/// Pieces that together are the ground within `distance_m` of `polygons`, themselves included; never more, and at most
/// [`CIRCLE_ERROR_M2`] less for every full circle turned at their corners. They overlap, and run counter-clockwise.
pub fn around(polygons: &MultiPolygon, distance_m: f64) -> Vec<Polygon> {
    let mut pieces = polygons.0.clone();
    if distance_m <= 0.0 {
        return pieces;
    }
    for ring in polygons.0.iter().flat_map(rings) {
        let corners = without_repeats(ring);
        let edges: Vec<Edge> = edges(&corners, distance_m);
        for (index, edge) in edges.iter().enumerate() {
            pieces.push(quadrilateral([
                edge.a,
                edge.a + edge.right,
                edge.b + edge.right,
                edge.b,
            ]));
            let next = edges[(index + 1) % edges.len()];
            let turn = edge.turn_to(&next);
            if turn > 0.0 {
                let sector = sector(edge.b, edge.right, next.right, turn, Arcs::Inside);
                pieces.push(sector);
            }
        }
    }
    pieces
}

/// Pieces that together are the ground within `half_m` beside lines, round at their bends and square at their ends;
/// never less, and at most [`CIRCLE_ERROR_M2`] more for every full circle turned. They overlap, and run
/// counter-clockwise.
pub fn swath<'l>(lines: impl IntoIterator<Item = &'l LineString>, half_m: f64) -> Vec<Polygon> {
    let mut pieces = Vec::new();
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
                pieces.push(sector(b, right, next.right, turn, Arcs::Outside));
            } else if turn < 0.0 {
                // The outer side of a bend to the right is the left one; from the next edge back it is
                // counter-clockwise.
                let left = |right: Coord| Coord {
                    x: -right.x,
                    y: -right.y,
                };
                let sector = sector(b, left(next.right), left(right), -turn, Arcs::Outside);
                pieces.push(sector);
            }
        }
    }
    pieces
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

/// The sector around `centre` from `from` to `to`, `turn` further counter-clockwise.
fn sector(centre: Coord, from: Coord, to: Coord, turn: f64, arcs: Arcs) -> Polygon {
    let radius = from.x.hypot(from.y);
    // n chords of a step d leave out r^2 (n d - n sin d) / 2, which is below pi r^2 d^2 / 6 for the whole circle. What
    // tangents add is twice that.
    let error_m2 = match arcs {
        Arcs::Inside => CIRCLE_ERROR_M2,
        Arcs::Outside => CIRCLE_ERROR_M2 / 2.5,
    };
    let step = (6.0 * error_m2 / (PI * radius * radius))
        .sqrt()
        .min(FRAC_PI_2 / 4.0);
    let steps = (turn / step).ceil().clamp(1.0, (TAU / step).ceil());
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
        for (distance_m, steiner_m2) in [(20.0, 127_256.637_061), (60.0, 189_309.733_553)] {
            let drawn_m2 = area(&union(&around(&rectangle, distance_m)));
            assert!(drawn_m2 <= steiner_m2 + 1e-3, "{drawn_m2}");
            assert!(
                drawn_m2 >= steiner_m2 - CIRCLE_ERROR_M2 - 1e-3,
                "{drawn_m2}"
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
        let pieces = around(&frame, 15.0);
        let inner = MultiPolygon(vec![Polygon::new(square(10.0, 90.0), vec![])]);
        let filled = super::super::overlay::shared_area(&inner, &pieces);
        assert!(
            (filled - (80.0f64.powi(2) - 50.0f64.powi(2))).abs() < 1e-3,
            "{filled}"
        );
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
        assert!((drawn_m2 - (160.0 + TAU)).abs() < 0.01, "{drawn_m2}");
    }
}
