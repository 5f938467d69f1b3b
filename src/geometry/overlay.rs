//! Overlay of polygons under the non-zero rule, so that overlapping clip polygons need no union first.

use geo::algorithm::bool_ops::{BooleanOps, FillRule, OpType};
use geo::orient::{Direction, Orient};
use geo::{LineString, MultiLineString, MultiPolygon, Polygon};

use super::area::{area, polygon_area, ring_area, rings};

/// Pieces below this area are grid dust of the overlay engine and are dropped.
pub const DUST_M2: f64 = 1e-4;

/// Counter-clockwise exteriors, clockwise holes; leaves correctly oriented input as it is.
pub fn oriented(polygons: MultiPolygon) -> MultiPolygon {
    let right = polygons.0.iter().all(|polygon| {
        ring_area(polygon.exterior()) >= 0.0
            && polygon
                .interiors()
                .iter()
                .all(|hole| ring_area(hole) <= 0.0)
    });
    if right {
        polygons
    } else {
        polygons.orient(Direction::Default)
    }
}

fn tidy(result: MultiPolygon) -> MultiPolygon {
    let keep_ring = |ring: &LineString| ring_area(ring).abs() >= DUST_M2;
    let polygons = result
        .0
        .into_iter()
        .filter(|polygon| polygon_area(polygon) >= DUST_M2)
        .map(|polygon| {
            if polygon.interiors().iter().all(keep_ring) {
                return polygon;
            }
            let (exterior, holes) = polygon.into_inner();
            Polygon::new(exterior, holes.into_iter().filter(keep_ring).collect())
        });
    oriented(MultiPolygon(polygons.collect()))
}

fn overlay(subject: &MultiPolygon, clip: &[Polygon], op: OpType) -> MultiPolygon {
    // The trait is implemented for MultiPolygon, not for slices: borrowing a slice as one needs a copy of the rings.
    tidy(subject.boolean_op_with_fill_rule(&MultiPolygon(clip.to_vec()), op, FillRule::NonZero))
}

/// `subject` less everything in `clip`; the clip polygons may overlap one another.
pub fn difference(subject: &MultiPolygon, clip: &[Polygon]) -> MultiPolygon {
    if clip.is_empty() || subject.0.is_empty() {
        return subject.clone();
    }
    overlay(subject, clip, OpType::Difference)
}

/// What of `subject` lies in any polygon of `clip`.
pub fn intersection(subject: &MultiPolygon, clip: &[Polygon]) -> MultiPolygon {
    if clip.is_empty() || subject.0.is_empty() {
        return MultiPolygon(vec![]);
    }
    overlay(subject, clip, OpType::Intersection)
}

/// Union of polygons that may overlap.
pub fn union(polygons: &[Polygon]) -> MultiPolygon {
    match polygons {
        [] => MultiPolygon(vec![]),
        [single] => MultiPolygon(vec![single.clone()]),
        _ => overlay(&MultiPolygon(vec![]), polygons, OpType::Union),
    }
}

/// The stretches of `lines` inside (`inside` true) or outside `polygons`, which may overlap.
pub fn clip_lines(lines: &MultiLineString, polygons: &[Polygon], inside: bool) -> MultiLineString {
    if lines.0.is_empty() || polygons.is_empty() {
        return if inside {
            MultiLineString(vec![])
        } else {
            lines.clone()
        };
    }
    MultiPolygon(polygons.to_vec()).clip_with_fill_rule(lines, !inside, FillRule::NonZero)
}

/// Joins lines that end where another begins; directions are kept.
pub fn joined(lines: MultiLineString) -> Vec<LineString> {
    let mut out: Vec<LineString> = Vec::new();
    for line in lines.0 {
        if line.0.len() < 2 {
            continue;
        }
        let (first, last) = (line.0[0], line.0[line.0.len() - 1]);
        if let Some(before) = out
            .iter_mut()
            .find(|other| other.0.last() == Some(&first) && other.0[0] != first)
        {
            before.0.extend(line.0.into_iter().skip(1));
        } else if let Some(after) = out
            .iter_mut()
            .find(|other| other.0[0] == last && other.0.last() != Some(&last))
        {
            let mut coords = line.0;
            coords.extend(after.0.iter().skip(1).copied());
            after.0 = coords;
        } else {
            out.push(line);
        }
    }
    out
}

/// Area of the parts of `subject` inside `clip`.
pub fn shared_area(subject: &MultiPolygon, clip: &[Polygon]) -> f64 {
    area(&intersection(subject, clip))
}

/// Every ring of `polygons` as a closed line.
pub fn boundary(polygons: &MultiPolygon) -> MultiLineString {
    MultiLineString(polygons.0.iter().flat_map(rings).cloned().collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn square(x: f64, y: f64, side: f64) -> Polygon {
        let corners = vec![
            (x, y),
            (x + side, y),
            (x + side, y + side),
            (x, y + side),
            (x, y),
        ];
        Polygon::new(LineString::from(corners), vec![])
    }

    #[test]
    fn overlapping_clips_count_once_and_results_are_oriented() {
        let block = MultiPolygon(vec![square(0.0, 0.0, 100.0)]);
        let clips = [square(10.0, 10.0, 20.0), square(20.0, 10.0, 20.0)];
        let left = difference(&block, &clips);
        assert!((area(&left) - (10_000.0 - 600.0)).abs() < 1e-3);
        assert!((shared_area(&block, &clips) - 600.0).abs() < 1e-3);
        assert!(ring_area(left.0[0].exterior()) > 0.0);
        assert!(ring_area(&left.0[0].interiors()[0]) < 0.0);
        assert!((area(&union(&clips)) - 600.0).abs() < 1e-3);
    }

    #[test]
    fn lines_are_clipped_inside_and_outside() {
        let lines = MultiLineString(vec![LineString::from(vec![(-10., 5.), (40., 5.)])]);
        let clip = [square(0.0, 0.0, 10.0)];
        let total =
            |lines: MultiLineString| lines.0.iter().map(super::super::area::length).sum::<f64>();
        assert!((total(clip_lines(&lines, &clip, true)) - 10.0).abs() < 1e-5);
        assert!((total(clip_lines(&lines, &clip, false)) - 40.0).abs() < 1e-5);
    }
}
