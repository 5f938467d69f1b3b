//! The ground within a radius of lines: a rectangle along each segment, a wedge on the outer side of each bend, and a
//! half circle at each end. Any place within the radius is nearest to a segment, a bend or an end. What is nearest to an end
//! is kept apart, since nobody recorded that the machine went on. Only arcs are drawn inexactly.

use std::f64::consts::PI;

use geo::{Coord, LineString, MultiPolygon, Polygon, Simplify};

use super::{ARC_ERROR_M, STRAIGHTEN_M};
use crate::geometry::area::Bounds;
use crate::geometry::overlay::union;

/// Segments whose pieces are joined at once.
const RUN: usize = 12;
/// Areas joined at once on the way up.
const FAN_IN: usize = 4;

/// Ground within `radius_m` of `lines`, beside them and not beyond their ends.
pub(super) fn swept<'a>(
    lines: impl Iterator<Item = &'a LineString>,
    radius_m: f64,
) -> MultiPolygon {
    let mut areas: Vec<MultiPolygon> = Vec::new();
    for line in lines {
        let points = straightened(line);
        let segments = points.len().saturating_sub(1);
        for first in (0..segments).step_by(RUN) {
            let last = (first + RUN).min(segments);
            areas.push(union(&pieces(&points, first..last, radius_m)));
        }
    }
    joined(areas, radius_m)
}

/// The union of areas, each about as large as a few times `radius_m`.
pub(super) fn joined(mut areas: Vec<MultiPolygon>, radius_m: f64) -> MultiPolygon {
    // Neighbours in space join early, so that areas that overlap are merged while they are small.
    areas.retain(|area| !area.0.is_empty());
    areas.sort_by(|a, b| {
        let (a, b) = (strip_key(a, radius_m), strip_key(b, radius_m));
        a.0.cmp(&b.0).then(a.1.total_cmp(&b.1))
    });
    while areas.len() > 1 {
        areas = (areas.chunks(FAN_IN))
            .map(|some| {
                let polygons: Vec<Polygon> = some.iter().flat_map(|a| a.0.clone()).collect();
                union(&polygons)
            })
            .collect();
    }
    areas.pop().unwrap_or(MultiPolygon(vec![]))
}

/// The ground within `radius_m` beyond the ends of `lines`, each with its end: a half circle, or all around a line that is
/// one place. A round trip has none.
pub(super) fn beyond_ends<'a>(
    lines: impl Iterator<Item = &'a LineString>,
    radius_m: f64,
) -> Vec<(Coord, Polygon)> {
    let mut found = Vec::new();
    for line in lines {
        let points = straightened(line);
        match points[..] {
            [] => {}
            [only] => found.push((only, disc(only, radius_m))),
            _ if is_round_trip(&points) => {}
            [first, second, ..] => {
                let (before, last) = (points[points.len() - 2], points[points.len() - 1]);
                for (inner, end) in [(second, first), (before, last)] {
                    let side = left_of(inner, end, radius_m);
                    let heading = (end.y - inner.y).atan2(end.x - inner.x);
                    let half = sector(end, heading - PI / 2.0, PI, -side, side, radius_m);
                    found.push((end, half));
                }
            }
        }
    }
    found
}

/// Whether a line ends where it began, and might go on there without turning back.
fn is_round_trip(points: &[Coord]) -> bool {
    let [first, second, .., before, last] = points else {
        return false;
    };
    let (arrived, left) = (*last - *before, *second - *first);
    let turn =
        (arrived.x * left.y - arrived.y * left.x).atan2(arrived.x * left.x + arrived.y * left.y);
    first == last && turn.abs() <= 0.75 * PI
}

/// Row of a coarse grid, then place along it.
fn strip_key(area: &MultiPolygon, radius_m: f64) -> (i64, f64) {
    let bounds = Bounds::of_polygons(area);
    let row_m = 16.0 * radius_m;
    ((bounds.min.y / row_m).floor() as i64, bounds.min.x)
}

/// The line without repeated points, and without those that stand within [`STRAIGHTEN_M`] of the line without them.
fn straightened(line: &LineString) -> Vec<Coord> {
    // In runs, since the method takes time with the square of the length on unlucky lines.
    const LONGEST: usize = 256;
    let mut points = line.0.clone();
    points.dedup();
    let mut kept: Vec<Coord> = Vec::with_capacity(points.len());
    let mut first = 0;
    while first + 1 < points.len() {
        let last = (first + LONGEST).min(points.len() - 1);
        let run = LineString(points[first..=last].to_vec()).simplify(STRAIGHTEN_M);
        kept.extend(run.0.iter().skip(usize::from(first > 0)));
        first = last;
    }
    kept.dedup();
    if kept.is_empty() {
        kept.extend(points.first());
    }
    kept
}

/// Rectangles of the segments and wedges of the bends at their starts; a round trip has a bend where it began.
fn pieces(points: &[Coord], segments: std::ops::Range<usize>, radius_m: f64) -> Vec<Polygon> {
    let mut pieces = Vec::with_capacity(2 * segments.len() + 2);
    for k in segments {
        let (a, b) = (points[k], points[k + 1]);
        let side = left_of(a, b, radius_m);
        pieces.push(ring(vec![a - side, b - side, b + side, a + side]));
        let before = match k {
            0 if is_round_trip(points) => Some(points[points.len() - 2]),
            0 => None,
            _ => Some(points[k - 1]),
        };
        pieces.extend(before.and_then(|before| wedge(before, a, b, radius_m)));
    }
    pieces
}

/// To the left of the way from `a` to `b`, by the radius.
fn left_of(a: Coord, b: Coord, radius_m: f64) -> Coord {
    let d = b - a;
    let length = d.x.hypot(d.y);
    Coord {
        x: -d.y / length * radius_m,
        y: d.x / length * radius_m,
    }
}

/// The outer side of the bend at `b`.
fn wedge(a: Coord, b: Coord, c: Coord, radius_m: f64) -> Option<Polygon> {
    let (before, after) = (left_of(a, b, radius_m), left_of(b, c, radius_m));
    let turn =
        (before.x * after.y - before.y * after.x).atan2(before.x * after.x + before.y * after.y);
    if turn == 0.0 {
        return None;
    }
    // On a turn to the left the outer side is the right one.
    let (from, to) = if turn > 0.0 {
        (-before, -after)
    } else {
        (after, before)
    };
    let start = from.y.atan2(from.x);
    Some(sector(b, start, turn.abs(), from, to, radius_m))
}

/// A slice of a circle, counter-clockwise by `angle` from the direction `start`; its ends are given, so that they fit
/// the rectangles beside it to the bit.
fn sector(centre: Coord, start: f64, angle: f64, from: Coord, to: Coord, radius_m: f64) -> Polygon {
    let steps = (angle / arc_step(radius_m)).ceil().max(1.0) as usize;
    let mut corners = Vec::with_capacity(steps + 3);
    corners.extend([centre, centre + from]);
    for k in 1..steps {
        corners.push(centre + at_angle(start + angle * k as f64 / steps as f64, radius_m));
    }
    corners.push(centre + to);
    ring(corners)
}

fn disc(centre: Coord, radius_m: f64) -> Polygon {
    let steps = (2.0 * PI / arc_step(radius_m)).ceil().max(3.0) as usize;
    let corner = |k| centre + at_angle(2.0 * PI * k as f64 / steps as f64, radius_m);
    ring((0..steps).map(corner).collect())
}

/// The longest step whose chord stays within [`ARC_ERROR_M`] of the circle.
fn arc_step(radius_m: f64) -> f64 {
    2.0 * (1.0 - ARC_ERROR_M / radius_m)
        .clamp(-1.0, 1.0)
        .acos()
        .min(PI / 4.0)
}

fn at_angle(angle: f64, radius_m: f64) -> Coord {
    let (sin, cos) = angle.sin_cos();
    Coord {
        x: radius_m * cos,
        y: radius_m * sin,
    }
}

fn ring(mut corners: Vec<Coord>) -> Polygon {
    corners.extend(corners.first().copied());
    Polygon::new(LineString(corners), vec![])
}
