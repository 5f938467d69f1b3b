//! Sections that take longer than a shift, divided square to the line driven into parts of equal length.

use geo::{Coord, Geometry, LineString, MultiPolygon, Polygon};

use super::hours::ADVANCE_M;
use super::whole_sections::slices;
use crate::geometry::area::{area, length};
use crate::geometry::distance::{SegmentIndex, line_segments, polygon_segments};
use crate::geometry::overlay::{inside_and_outside, union};
use crate::model::{Finding, Section, Settings, Verdict};

/// A part of a section with the machine's ways in it.
pub struct Share {
    pub shape: MultiPolygon,
    pub driven: Vec<LineString>,
}

/// Less ground than this is the overlay's dust.
const DUST_M2: f64 = 0.01;

/// Divides a section into `count` parts, in the direction of travel: each ends after whole advances of the machine, and
/// none right before or behind an end of a line. Ground goes with the stretch that is driven beside it. None: what is driven
/// is too short for that.
pub fn divide(
    shape: &MultiPolygon,
    driven: &[LineString],
    count: u32,
    (reach_m, least_m): (f64, f64),
) -> Option<Vec<Share>> {
    let stretches = stretches(driven, count, least_m);
    if stretches.len() < 2 {
        return None;
    }
    let mut rest = shape.clone();
    let mut shares: Vec<Share> = Vec::with_capacity(stretches.len());
    for driven in stretches {
        let beside: Vec<Polygon> = driven
            .iter()
            .flat_map(|line| slices(line, reach_m))
            .collect();
        let [shape, left] = inside_and_outside(&rest, &beside);
        rest = left;
        shares.push(Share { shape, driven });
    }
    // What no step lies beside, at ends and in corners, goes with the nearest way.
    let numbered = (0u32..).zip(&shares);
    let ways = numbered.flat_map(|(owner, share)| line_segments(&share.driven, owner));
    let ways = SegmentIndex::new(ways.collect());
    let mut more: Vec<Vec<Polygon>> = vec![vec![]; shares.len()];
    for polygon in rest.0 {
        let edges = polygon_segments(&polygon);
        let near = edges.filter_map(|s| ways.approach(s.a, s.b, FAR_M));
        let nearest = near.reduce(|a, b| if b.distance < a.distance { b } else { a });
        more[nearest.map_or(0, |found| found.owner as usize)].push(polygon);
    }
    for (share, more) in shares.iter_mut().zip(more) {
        if !more.is_empty() {
            share.shape = union(&share.shape.0.drain(..).chain(more).collect::<Vec<_>>());
        }
    }
    let empty = shares.iter().any(|share| area(&share.shape) < DUST_M2);
    (!empty).then_some(shares)
}

/// Farther than any ground of a section from its ways.
const FAR_M: f64 = 1e6;

/// The ways in `count` parts of about the same length. Those that would end within `least_m` of an end of a line end there.
fn stretches(driven: &[LineString], count: u32, least_m: f64) -> Vec<Vec<LineString>> {
    let all_m: f64 = driven.iter().map(length).sum();
    let wanted: Vec<f64> = (1..count)
        .map(|k| all_m * f64::from(k) / f64::from(count))
        .collect();
    let mut wanted = wanted.into_iter().peekable();
    let mut stretches: Vec<Vec<LineString>> = vec![vec![]];
    let mut before_m = 0.0;
    for line in driven {
        let line_m = length(line);
        let mut from_m = 0.0;
        while let Some(at_m) = wanted.next_if(|at| *at < before_m + line_m + least_m) {
            let own_m = ((at_m - before_m) / ADVANCE_M).round() * ADVANCE_M;
            let to_m = match own_m {
                own_m if own_m < least_m => 0.0,
                own_m if own_m > line_m - least_m => line_m,
                own_m => own_m,
            };
            if to_m > from_m {
                push(&mut stretches, between(line, from_m, to_m));
                from_m = to_m;
            }
            if stretches.last().is_some_and(|last| !last.is_empty()) {
                stretches.push(vec![]);
            }
        }
        if from_m < line_m {
            push(&mut stretches, between(line, from_m, line_m));
        }
        before_m += line_m;
    }
    stretches.retain(|stretch| !stretch.is_empty());
    stretches
}

fn push(stretches: &mut [Vec<LineString>], line: LineString) {
    if let Some(last) = stretches.last_mut() {
        last.push(line);
    }
}

/// A line from one station to another.
pub fn between(line: &LineString, from_m: f64, to_m: f64) -> LineString {
    let mut along_m = 0.0;
    let mut corners: Vec<Coord> = Vec::new();
    for w in line.0.windows(2) {
        let step = w[1] - w[0];
        let step_m = step.x.hypot(step.y);
        let share = |m: f64| ((m - along_m) / step_m.max(1e-12)).clamp(0.0, 1.0);
        if along_m + step_m > from_m && along_m < to_m {
            let (from, to) = (share(from_m), share(to_m));
            corners.extend([w[0] + step * from, w[0] + step * to]);
        }
        along_m += step_m;
    }
    corners.dedup();
    LineString(corners)
}

/// Sections that take longer than a shift and could not be divided.
pub fn beyond(settings: &Settings, sections: &[Section]) -> Option<Finding> {
    let most_h = settings.layout.shift_hours?;
    let used = settings.production.used();
    let timed = sections
        .iter()
        .filter_map(|section| Some((used.scheduled(section.hours)?, section)));
    let long: Vec<(f64, &Section)> = timed.filter(|(h, _)| *h > most_h * (1.0 + 1e-9)).collect();
    let (most, section) = long
        .iter()
        .copied()
        .reduce(|a, b| if b.0 > a.0 { b } else { a })?;
    Some(Finding {
        rule_id: "shift-hours".to_owned(),
        verdict: Verdict::Warn,
        measured: Some(most),
        required: Some(most_h),
        unit: "h",
        message: format!(
            "sections that take more than {most_h} scheduled hours: {}, the longest {most:.1} h; too little is driven in them to \
             divide them",
            long.len()
        ),
        source: "layout.shift_hours of the project file".to_owned(),
        shape: Some(Geometry::MultiPolygon(section.shape.clone())),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::area::Bounds;

    fn rectangle(x0: f64, y0: f64, x1: f64, y1: f64) -> MultiPolygon {
        let ring = vec![(x0, y0), (x1, y0), (x1, y1), (x0, y1), (x0, y0)];
        MultiPolygon(vec![Polygon::new(LineString::from(ring), vec![])])
    }

    fn line(points: &[(f64, f64)]) -> LineString {
        LineString::from(points.to_vec())
    }

    #[test]
    fn a_strip_is_divided_after_whole_advances() {
        let strip = rectangle(0., 0., 16., 300.);
        let parts = divide(&strip, &[line(&[(8., 4.), (8., 296.)])], 3, (8.7, 20.0)).unwrap();
        assert_eq!(parts.len(), 3);
        let mut top = 0.0;
        for (part, driven_m) in parts.iter().zip([64.0, 64.0]) {
            let bounds = Bounds::of_polygons(&part.shape);
            assert!((bounds.min.y - top).abs() < 1e-5);
            top = bounds.max.y;
            let advances = length(&part.driven[0]) / ADVANCE_M;
            assert_eq!(part.driven.len(), 1);
            assert!((advances - driven_m).abs() < 1e-6, "{advances}");
        }
        let all: f64 = parts.iter().map(|part| area(&part.shape)).sum();
        assert!((all - 16.0 * 300.0).abs() < 1e-3);
    }

    #[test]
    fn no_part_ends_right_before_or_behind_the_end_of_a_line() {
        // Half of 300 m lies 10 m behind the end of the first line.
        let lines = [
            line(&[(8., 0.), (8., 140.)]),
            line(&[(24., 0.), (24., 160.)]),
        ];
        let ground = rectangle(0., 0., 32., 160.);
        let parts = divide(&ground, &lines, 2, (8.7, 20.0)).unwrap();
        let driven: Vec<Vec<LineString>> = parts.into_iter().map(|part| part.driven).collect();
        assert_eq!(driven, [vec![lines[0].clone()], vec![lines[1].clone()]]);
        let short = line(&[(8., 0.), (8., 30.)]);
        assert!(divide(&rectangle(0., 0., 16., 30.), &[short], 2, (8.7, 20.0)).is_none());
    }
}
