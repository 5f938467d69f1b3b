//! A pass as few continuous drives: what is short is reached from a longer one and back, instead of a drive of its own.

use geo::{Coord, LineString, MultiPolygon};

use super::on_line::{LineIndex, OnLine};
use crate::geometry::area::length;
use crate::geometry::distance::{SegmentIndex, segment_segment};

/// Shorter drives are spurs of longer ones where these are near enough; own judgement.
pub const SPUR_M: f64 = 100.0;
/// Ends this near to the edge of the ground count as on it.
const ON_EDGE_M: f64 = 0.01;

/// Joins short drives to longer ones, over `ground` and nothing else; second are those that are near to none. `near_m` is
/// how far off a longer drive may be.
pub fn with_spurs(
    lines: Vec<LineString>,
    ground: &MultiPolygon,
    near_m: f64,
) -> (Vec<LineString>, Vec<LineString>) {
    let (mut long, mut short): (Vec<LineString>, Vec<LineString>) =
        lines.into_iter().partition(|line| length(line) >= SPUR_M);
    // The longest first, so that what hangs on a spur finds it.
    short.sort_by(|a, b| length(b).total_cmp(&length(a)));
    if long.is_empty() && !short.is_empty() {
        long.push(short.remove(0));
    }
    if short.is_empty() {
        return (long, short);
    }
    let edge = SegmentIndex::of_boundary(ground);
    let free = |a: Coord, b: Coord| {
        let off = b - a;
        let off_m = off.x.hypot(off.y);
        if off_m < ON_EDGE_M {
            return true;
        }
        let middle = (a + b) / 2.0;
        let shorter = |p: Coord| p + (middle - p) * (ON_EDGE_M.min(off_m / 4.0) / off_m * 2.0);
        let (a, b) = (shorter(a), shorter(b));
        !edge
            .near(a, b, 0.0)
            .any(|s| segment_segment(a, b, s.a, s.b) == 0.0)
            && edge.holds(middle)
    };
    // Again while there is news, for some hang on shorter ones.
    let mut before = usize::MAX;
    while short.len() < before {
        before = short.len();
        for spur in std::mem::take(&mut short) {
            let mut best: Option<(f64, usize, OnLine, bool)> = None;
            for (index, line) in long.iter().enumerate() {
                let on_line = LineIndex::new(line);
                for (end, backwards) in [(spur.0.first(), false), (spur.0.last(), true)] {
                    let Some(on) = end.and_then(|&end| on_line.nearest(end, near_m)) else {
                        continue;
                    };
                    let nearer = best.is_none_or(|(off_m, ..)| on.off_m < off_m);
                    if nearer && end.is_some_and(|&end| free(end, on.at)) {
                        best = Some((on.off_m, index, on, backwards));
                    }
                }
            }
            match best {
                Some((_, index, on, backwards)) => {
                    insert(&mut long[index], on, spur, backwards, free);
                }
                None => short.push(spur),
            }
        }
    }
    (long, short)
}

/// Drives out along a spur from a place on the line and back to it, straight where the ground lets it.
fn insert(
    line: &mut LineString,
    on: OnLine,
    mut spur: LineString,
    backwards: bool,
    free: impl Fn(Coord, Coord) -> bool,
) {
    if backwards {
        spur.0.reverse();
    }
    let mut there_and_back = vec![on.at];
    there_and_back.extend(&spur.0);
    let end = spur.0.last().copied().unwrap_or(on.at);
    if !free(end, on.at) {
        there_and_back.extend(spur.0.iter().rev().skip(1));
    }
    there_and_back.push(on.at);
    let after = on.segment + 1;
    line.0.splice(after..after, there_and_back);
    line.0.dedup();
}

#[cfg(test)]
mod tests {
    use super::*;
    use geo::Polygon;

    fn line(points: &[(f64, f64)]) -> LineString {
        LineString::from(points.to_vec())
    }

    #[test]
    fn a_short_drive_becomes_a_spur_of_the_long_one_beside_it() {
        let ground = Polygon::new(
            line(&[(-1., -1.), (201., -1.), (201., 40.), (-1., 40.), (-1., -1.)]),
            vec![],
        );
        let lines = vec![
            line(&[(0., 0.), (200., 0.)]),
            line(&[(100., 20.), (100., 5.)]),
        ];
        let (tour, apart) = with_spurs(lines.clone(), &MultiPolygon(vec![ground.clone()]), 30.0);
        assert_eq!((tour.len(), apart.len()), (1, 0));
        let wanted = [
            (0., 0.),
            (100., 0.),
            (100., 5.),
            (100., 20.),
            (100., 0.),
            (200., 0.),
        ];
        assert_eq!(tour[0], line(&wanted));
        // A spur of a spur, whichever of them is longer.
        let more = [lines.clone(), vec![line(&[(100., 22.), (60., 30.)])]].concat();
        let (tour, apart) = with_spurs(more, &MultiPolygon(vec![ground.clone()]), 30.0);
        assert_eq!((tour.len(), apart.len()), (1, 0));
        assert_eq!(tour[0].0[0], lines[0].0[0]);
        // Where all are short the longest of them goes on.
        let short = vec![line(&[(0., 0.), (20., 0.)]), line(&[(25., 0.), (60., 0.)])];
        let (tour, apart) = with_spurs(short, &MultiPolygon(vec![ground]), 30.0);
        assert_eq!((tour.len(), apart.len()), (1, 0));
        // Not over ground that is no part of it.
        let cut = |low: f64, high: f64| {
            Polygon::new(
                line(&[
                    (-1., low),
                    (201., low),
                    (201., high),
                    (-1., high),
                    (-1., low),
                ]),
                vec![],
            )
        };
        assert_eq!(
            with_spurs(
                lines.clone(),
                &MultiPolygon(vec![cut(-1., 2.), cut(4., 40.)]),
                30.0
            ),
            (lines[..1].to_vec(), vec![line(&[(100., 20.), (100., 5.)])])
        );
    }
}
