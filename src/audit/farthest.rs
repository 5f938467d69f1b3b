//! The point of some ground that lies farthest from a set of edges: how deep a lake is cut into, how far the cut strays
//! from the block, how wide a piece of standing ground is. Found by halving squares, since it need be no corner.

use std::cmp::Ordering;
use std::collections::BinaryHeap;

use geo::{Coord, MultiPolygon};

use super::ground::Ground;
use crate::geometry::area::{length, polygon_area, rings};
use crate::geometry::distance::SegmentIndex;

/// Squares looked at before the best so far is taken; a lake of 1 km takes some 200 000.
const MOST_SQUARES: usize = 600_000;
/// Pieces narrower than this on the average are seams of an overlay; their corners tell their depth.
const SEAM_M: f64 = 0.001;

struct Square {
    middle: Coord,
    half_m: f64,
    /// No point of it lies farther off.
    bound_m: f64,
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

/// The greatest distance of any point of `region` from the edges of `from`, and where; never more than the true one and
/// at most `precision_m` less. None for no region or no edges.
pub fn farthest(
    region: &MultiPolygon,
    from: &SegmentIndex,
    precision_m: f64,
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
    let bounds = ground.bounds();
    let (width_m, height_m) = (bounds.max.x - bounds.min.x, bounds.max.y - bounds.min.y);
    let side_m = width_m.min(height_m).max(width_m.max(height_m) / 64.0);
    let mut heap = BinaryHeap::new();
    let mut looked_at = 0;
    let mut look = |middle: Coord, half_m: f64, heap: &mut BinaryHeap<Square>, most_m: &mut f64| {
        let radius_m = Square::radius_m(half_m);
        let own_m = away(middle);
        if own_m + radius_m <= *most_m + precision_m {
            return;
        }
        if ground.holds(middle) {
            *most_m = offer(middle, own_m);
        } else {
            match ground.approach(middle, middle, radius_m) {
                Some(contact) => *most_m = offer(contact.at, away(contact.at)),
                None => return,
            }
        }
        heap.push(Square {
            middle,
            half_m,
            bound_m: own_m + radius_m,
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
            look(bounds.min + offset, side_m / 2.0, &mut heap, &mut most_m);
        }
    }
    while let Some(square) = heap.pop() {
        if square.bound_m <= most_m + precision_m || looked_at > MOST_SQUARES {
            break;
        }
        looked_at += 1;
        let half_m = square.half_m / 2.0;
        for (x, y) in [(-1.0, -1.0), (1.0, -1.0), (-1.0, 1.0), (1.0, 1.0)] {
            let offset = Coord {
                x: x * half_m,
                y: y * half_m,
            };
            look(square.middle + offset, half_m, &mut heap, &mut most_m);
        }
    }
    best
}

#[cfg(test)]
mod tests {
    use super::*;
    use geo::{LineString, Polygon};

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
}
