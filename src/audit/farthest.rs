//! The point of some ground that lies farthest from a set of edges: how deep a lake is cut into, how far the cut strays
//! from the block, how wide a piece of standing ground is. Found by halving squares, since it need be no corner.

use std::cmp::Ordering;
use std::collections::BinaryHeap;
use std::rc::Rc;

use geo::{ConvexHull, Coord, MultiPolygon, Polygon};

use super::ground::Ground;
use crate::geometry::area::{length, polygon_area, rings};
use crate::geometry::distance::{Segment, SegmentIndex, point_segment};

/// Squares looked at before the best so far is taken; a lake of 1 km takes some 200 000.
const MOST_SQUARES: usize = 600_000;
/// So few edges are asked one by one without looking for fewer.
const FEW_EDGES: usize = 6;
/// Chords looked at before the search of a width begins.
const SEEDS: usize = 6;
/// Pieces narrower than this on the average are seams of an overlay; their corners tell their depth.
const SEAM_M: f64 = 0.001;

struct Square {
    middle: Coord,
    half_m: f64,
    /// No point of it lies farther off.
    bound_m: f64,
    /// The edges that may be the nearest to any point of it.
    edges: Rc<[Segment]>,
}

impl Square {
    fn radius_m(half_m: f64) -> f64 {
        half_m * std::f64::consts::SQRT_2
    }
}

impl PartialEq for Square {
    fn eq(&self, other: &Square) -> bool {
        self.cmp(other) == Ordering::Equal
    }
}

impl Eq for Square {}

impl PartialOrd for Square {
    fn partial_cmp(&self, other: &Square) -> Option<Ordering> {
        Some(self.cmp(other))
    }
}

impl Ord for Square {
    fn cmp(&self, other: &Square) -> Ordering {
        // Equal bounds in a fixed order, so that the same place is found in every run.
        self.bound_m
            .total_cmp(&other.bound_m)
            .then(self.middle.x.total_cmp(&other.middle.x))
            .then(self.middle.y.total_cmp(&other.middle.y))
            .then(self.half_m.total_cmp(&other.half_m))
    }
}

/// How far a search goes.
#[derive(Clone, Copy, Debug)]
struct Search {
    precision_m: f64,
    /// No point can lie farther off, as is known from elsewhere.
    most_m: f64,
    /// Farther than this need not be told apart.
    enough_m: f64,
}

/// The greatest distance of any point of `region` from the edges of `from`, and where; never more than the true one and
/// at most `precision_m` less. None for no region or no edges.
pub fn farthest(
    region: &MultiPolygon,
    from: &SegmentIndex,
    precision_m: f64,
) -> Option<(f64, Coord)> {
    let search = Search {
        precision_m,
        most_m: f64::INFINITY,
        enough_m: f64::INFINITY,
    };
    searched(region, from, &[], search)
}

/// Half the width of a piece of ground at its widest place, as [`farthest`] finds it from the piece's own edges; once it
/// is known to be more than `enough_m`, any such value will do.
pub fn half_width(piece: &Polygon, precision_m: f64, enough_m: f64) -> f64 {
    let around_m: f64 = rings(piece).map(length).sum();
    // No shape is narrower at its widest place than twice its area over its outline, nor wider than its hull is across.
    let mean_m = polygon_area(piece) / around_m;
    if around_m <= 0.0 || mean_m > enough_m {
        return mean_m.max(0.0);
    }
    let most_m = across(piece) / 2.0;
    if most_m - mean_m <= precision_m {
        return mean_m;
    }
    let shape = MultiPolygon(vec![piece.clone()]);
    let edges = SegmentIndex::of_boundary(&shape);
    let search = Search {
        precision_m,
        most_m,
        enough_m,
    };
    let found = searched(&shape, &edges, &chord_middles(piece), search);
    found.map_or(mean_m, |(half_m, _)| half_m.max(mean_m))
}

/// The least width of a polygon's hull between two parallel lines.
fn across(polygon: &Polygon) -> f64 {
    let hull = polygon.convex_hull();
    let corners = &hull.exterior().0;
    let widths = corners.windows(2).filter_map(|w| {
        let d = w[1] - w[0];
        let long_m = d.x.hypot(d.y);
        let off = |c: &Coord| ((c.x - w[0].x) * d.y - (c.y - w[0].y) * d.x).abs() / long_m;
        (long_m > 0.0).then(|| corners.iter().map(off).fold(0.0, f64::max))
    });
    widths.fold(f64::INFINITY, f64::min)
}

/// Middles of the chords square to the longest edges: in a straight corridor they are as far in as any point.
fn chord_middles(polygon: &Polygon) -> Vec<Coord> {
    let mut edges: Vec<(f64, Coord, Coord)> = rings(polygon)
        .flat_map(|ring| ring.0.windows(2))
        .map(|w| ((w[1].x - w[0].x).hypot(w[1].y - w[0].y), w[0], w[1]))
        .collect();
    edges.sort_by(|a, b| b.0.total_cmp(&a.0));
    let longest = edges.iter().take(SEEDS).filter(|edge| edge.0 > 0.0);
    let middle = |&(long_m, a, b): &(f64, Coord, Coord)| {
        let from = (a + b) / 2.0;
        let along = (b - a) / long_m;
        // To the left: rings run counter-clockwise, holes clockwise.
        let across = Coord {
            x: -along.y,
            y: along.x,
        };
        let crossing = |&(_, c, d): &(f64, Coord, Coord)| {
            let (v, w) = (d - c, c - from);
            let turn = across.x * v.y - across.y * v.x;
            let t = (w.x * v.y - w.y * v.x) / turn;
            let s = (w.x * across.y - w.y * across.x) / turn;
            (turn != 0.0 && t > 1e-9 && (0.0..=1.0).contains(&s)).then_some(t)
        };
        let reach_m = edges.iter().filter_map(crossing).min_by(f64::total_cmp)?;
        Some(from + across * (reach_m / 2.0))
    };
    longest.filter_map(middle).collect()
}

fn searched(
    region: &MultiPolygon,
    from: &SegmentIndex,
    seeds: &[Coord],
    search: Search,
) -> Option<(f64, Coord)> {
    if from.is_empty() {
        return None;
    }
    let away = |p: Coord| from.distance(p, f64::MAX / 4.0).unwrap_or(0.0);
    let mut best: Option<(f64, Coord)> = None;
    let mut offer = |p: Coord, distance_m: f64| {
        if best.is_none_or(|(most_m, _)| distance_m > most_m) {
            best = Some((distance_m, p));
        }
        best.map_or(0.0, |(most_m, _)| most_m)
    };
    let mut most_m = 0.0;
    let mut wide = Vec::new();
    for polygon in &region.0 {
        for &corner in rings(polygon).flat_map(|ring| &ring.0) {
            most_m = offer(corner, away(corner));
        }
        let around_m: f64 = rings(polygon).map(length).sum();
        if 2.0 * polygon_area(polygon) > SEAM_M * around_m {
            wide.push(polygon.clone());
        }
    }
    let ground = Ground::new(wide);
    if ground.is_empty() {
        return best;
    }
    for &seed in seeds.iter().filter(|&&seed| ground.holds(seed)) {
        most_m = offer(seed, away(seed));
    }
    let done =
        |most_m: f64| most_m > search.enough_m || most_m + search.precision_m >= search.most_m;
    if done(most_m) {
        return best;
    }
    let bounds = ground.bounds();
    let (width_m, height_m) = (bounds.max.x - bounds.min.x, bounds.max.y - bounds.min.y);
    let side_m = width_m.min(height_m).max(width_m.max(height_m) / 64.0);
    let mut heap = BinaryHeap::new();
    let mut looked_at = 0;
    let nearest = |p: Coord, edges: &[Segment]| {
        let off = edges.iter().map(|edge| point_segment(p, edge.a, edge.b));
        off.fold(f64::INFINITY, f64::min)
    };
    let mut look = |middle: Coord,
                    half_m: f64,
                    among: Option<&Rc<[Segment]>>,
                    heap: &mut BinaryHeap<Square>,
                    most_m: &mut f64| {
        let radius_m = Square::radius_m(half_m);
        let own_m = among.map_or_else(|| away(middle), |edges| nearest(middle, edges));
        if own_m + radius_m <= *most_m + search.precision_m {
            return;
        }
        // The edge nearest to a point of the square lies no farther from its middle than this, and a hair for rounding.
        let within_m = (own_m + 2.0 * radius_m) * (1.0 + 1e-9) + 1e-9;
        let reaches = |edge: &&Segment| point_segment(middle, edge.a, edge.b) <= within_m;
        let edges: Rc<[Segment]> = match among {
            Some(few) if few.len() <= FEW_EDGES => Rc::clone(few),
            Some(edges) => edges.iter().filter(reaches).copied().collect(),
            None => from
                .near(middle, middle, within_m)
                .filter(reaches)
                .copied()
                .collect(),
        };
        if ground.holds(middle) {
            *most_m = offer(middle, own_m);
        } else {
            match ground.approach(middle, middle, radius_m) {
                Some(contact) => *most_m = offer(contact.at, nearest(contact.at, &edges)),
                None => return,
            }
        }
        heap.push(Square {
            middle,
            half_m,
            bound_m: own_m + radius_m,
            edges,
        });
    };
    let columns = (width_m / side_m).ceil().max(1.0) as u32;
    let rows = (height_m / side_m).ceil().max(1.0) as u32;
    for column in 0..columns {
        for row in 0..rows {
            let offset = Coord {
                x: (f64::from(column) + 0.5) * side_m,
                y: (f64::from(row) + 0.5) * side_m,
            };
            let middle = bounds.min + offset;
            look(middle, side_m / 2.0, None, &mut heap, &mut most_m);
        }
    }
    while let Some(square) = heap.pop() {
        let spent = looked_at > MOST_SQUARES;
        if square.bound_m <= most_m + search.precision_m || spent || done(most_m) {
            break;
        }
        looked_at += 1;
        let half_m = square.half_m / 2.0;
        for (x, y) in [(-1.0, -1.0), (1.0, -1.0), (-1.0, 1.0), (1.0, 1.0)] {
            let middle = square.middle
                + Coord {
                    x: x * half_m,
                    y: y * half_m,
                };
            look(middle, half_m, Some(&square.edges), &mut heap, &mut most_m);
        }
    }
    best
}

#[cfg(test)]
mod tests {
    use super::*;
    use geo::LineString;

    fn rectangle(x0: f64, y0: f64, x1: f64, y1: f64) -> Polygon {
        let ring = vec![(x0, y0), (x1, y0), (x1, y1), (x0, y1), (x0, y0)];
        Polygon::new(LineString::from(ring), vec![])
    }

    #[test]
    fn the_deepest_point_need_be_no_corner() {
        // A lake of 40 m by 100 m cut over as a whole: 20 m deep along its middle.
        let lake = MultiPolygon(vec![rectangle(0.0, 0.0, 40.0, 100.0)]);
        let shore = SegmentIndex::of_boundary(&lake);
        let (depth_m, at) = farthest(&lake, &shore, 0.005).unwrap();
        assert!((19.995..=20.0).contains(&depth_m), "{depth_m}");
        assert!((at.x - 20.0).abs() < 0.01 && (19.9..=80.1).contains(&at.y));
        // A bite of 3 m across its whole width: as deep as its inner edge.
        let bite = MultiPolygon(vec![rectangle(0.0, 0.0, 40.0, 3.0)]);
        let (depth_m, _) = farthest(&bite, &shore, 0.005).unwrap();
        assert!((2.995..=3.0).contains(&depth_m), "{depth_m}");
    }

    #[test]
    fn a_seam_is_as_deep_as_its_corners() {
        let block = MultiPolygon(vec![rectangle(0.0, 0.0, 100.0, 100.0)]);
        let seam = MultiPolygon(vec![rectangle(100.0, 0.0, 100.000_002, 100.0)]);
        let (depth_m, _) = farthest(&seam, &SegmentIndex::of_boundary(&block), 0.005).unwrap();
        assert!(depth_m > 0.0 && depth_m < 1e-5, "{depth_m}");
        assert!(
            farthest(
                &MultiPolygon(vec![]),
                &SegmentIndex::of_boundary(&block),
                0.1
            )
            .is_none()
        );
    }

    #[test]
    fn widths_are_those_of_the_closed_forms() {
        let turned = |polygon: &Polygon, azimuth_deg: f64| {
            let frame = crate::geometry::frame::Frame::new(azimuth_deg);
            let shape = frame.leave_polygons(&MultiPolygon(vec![polygon.clone()]));
            shape.0.into_iter().next().unwrap()
        };
        let bent = Polygon::new(
            LineString::from(vec![
                (0., 0.),
                (300., 0.),
                (300., 3.),
                (3., 3.),
                (3., 200.),
                (0., 200.),
                (0., 0.),
            ]),
            vec![],
        );
        // At the bend, a circle that touches both outer edges and the inner corner.
        let bent_m = 3.0 * (2.0 - std::f64::consts::SQRT_2);
        for azimuth_deg in [0.0, 31.4, 77.7] {
            for (shape, half_m) in [
                (rectangle(0., 0., 300., 2.5), 1.25),
                (rectangle(0., 0., 40., 30.), 15.0),
                (bent.clone(), bent_m),
            ] {
                let shape = turned(&shape, azimuth_deg);
                for precision_m in [0.125, 0.01, 0.001] {
                    let found_m = half_width(&shape, precision_m, f64::INFINITY);
                    assert!(
                        (half_m - precision_m..=half_m + 1e-9).contains(&found_m),
                        "{found_m} {half_m} {precision_m}"
                    );
                }
                assert!(half_width(&shape, 0.01, 1.0) > 1.0);
            }
        }
    }
}
