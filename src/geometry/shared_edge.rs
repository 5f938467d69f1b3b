//! Where two outlines run along one another.

use geo::{Coord, LineString, Polygon};

use super::distance::{Segment, SegmentIndex, point_segment, polygon_segments, share_along};

/// Stretches shorter than this are a corner, not an edge, m.
const LEAST_M: f64 = 1.0;

/// The stretches of `own`'s edges that lie along an edge of `other`, nowhere farther off than `touch_m`. Neither outline need
/// have a vertex where the other has one.
pub fn along(own: &Polygon, other: &Polygon, touch_m: f64) -> Vec<LineString> {
    let edges = SegmentIndex::new(polygon_segments(other).collect());
    let mut found: Vec<LineString> = Vec::new();
    for edge in polygon_segments(own) {
        for (from, to) in stretches(&edge, &edges, touch_m) {
            match found.last_mut() {
                Some(line) if line.0.last() == Some(&from) => line.0.push(to),
                _ => found.push(LineString(vec![from, to])),
            }
        }
    }
    join_round_the_start(&mut found);
    found.retain(|line| length_m(line) >= LEAST_M);
    found
}

fn length_m(line: &LineString) -> f64 {
    line.0
        .windows(2)
        .map(|w| (w[1].x - w[0].x).hypot(w[1].y - w[0].y))
        .sum()
}

/// Of one edge, in its direction; what meets is one stretch.
fn stretches(edge: &Segment, edges: &SegmentIndex, touch_m: f64) -> Vec<(Coord, Coord)> {
    let (a, b) = (edge.a, edge.b);
    let at = |share: f64| match share {
        0.0 => a,
        1.0 => b,
        _ => a + (b - a) * share,
    };
    let length_m = (b.x - a.x).hypot(b.y - a.y);
    let mut shares: Vec<(f64, f64)> = edges
        .near(a, b, touch_m)
        .filter_map(|other| {
            let (from, to) = (share_along(other.a, a, b), share_along(other.b, a, b));
            let (from, to) = (from.min(to), from.max(to));
            let lies = |share| point_segment(at(share), other.a, other.b) <= touch_m;
            // An edge that only crosses or meets this one goes along with it for no length to speak of.
            ((to - from) * length_m > touch_m && lies(from) && lies(to)).then_some((from, to))
        })
        .collect();
    shares.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut merged: Vec<(f64, f64)> = Vec::new();
    for (from, to) in shares {
        match merged.last_mut() {
            Some(last) if (from - last.1) * length_m <= touch_m => last.1 = last.1.max(to),
            _ => merged.push((from, to)),
        }
    }
    merged.into_iter().map(|(f, t)| (at(f), at(t))).collect()
}

/// A stretch that runs past the vertex at which the ring begins is one.
fn join_round_the_start(found: &mut Vec<LineString>) {
    let wraps = match (found.first(), found.last()) {
        (Some(first), Some(last)) => found.len() > 1 && last.0.last() == first.0.first(),
        _ => false,
    };
    if wraps && let Some(mut last) = found.pop() {
        last.0.extend(found[0].0.iter().skip(1).copied());
        found[0] = last;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ring(points: &[(f64, f64)]) -> Polygon {
        Polygon::new(LineString::from(points.to_vec()), vec![])
    }

    #[test]
    fn neighbours_share_their_edge_whatever_vertices_they_have() {
        let west = ring(&[(0.0, 0.0), (10.0, 0.0), (10.0, 20.0), (0.0, 20.0)]);
        let east = ring(&[
            (10.0, 5.0),
            (20.0, 5.0),
            (20.0, 30.0),
            (10.0, 30.0),
            (10.0, 12.0),
        ]);
        let shared = along(&west, &east, 0.01);
        assert_eq!(shared, [LineString::from(vec![(10.0, 5.0), (10.0, 20.0)])]);
        let back = along(&east, &west, 0.01);
        assert_eq!(
            back,
            [LineString::from(vec![
                (10.0, 20.0),
                (10.0, 12.0),
                (10.0, 5.0)
            ])]
        );
    }

    #[test]
    fn ground_that_only_meets_or_lies_apart_shares_nothing() {
        let own = ring(&[(0.0, 0.0), (10.0, 0.0), (10.0, 20.0), (0.0, 20.0)]);
        for other in [
            ring(&[(10.0, 20.0), (20.0, 20.0), (20.0, 30.0)]),
            ring(&[(10.2, 0.0), (20.0, 0.0), (20.0, 20.0), (10.2, 20.0)]),
        ] {
            assert!(along(&own, &other, 0.05).is_empty());
        }
    }
}
