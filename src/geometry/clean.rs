//! Cleaning of rings and lines before anything else touches them: what no engine can digest is refused or dropped,
//! and every change is listed. Coordinates in metres.

use std::fmt;

use geo::{Coord, LineString, MultiLineString};

/// Larger coordinates are no metres of any map on Earth.
pub const MAX_COORDINATE_M: f64 = 1e8;
/// Neighbouring points nearer than this on both axes are one point: a thousandth of what any survey resolves, and still
/// above the rounding of coordinates of 1e8 m.
pub const REPEAT_M: f64 = 1e-6;
/// Two edges that fold back within this distance are a spike.
pub const SPIKE_M: f64 = 1e-3;
/// Rings of a smaller mean width, 2 x area / perimeter, are dropped: they make overlay engines run for ever.
pub const MIN_MEAN_WIDTH_M: f64 = 1e-3;

/// Why a geometry cannot be used at all.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum CleanError {
    #[error("point {index} has a coordinate that is no number")]
    NotFinite {
        /// Position in its ring or line, from 0.
        index: usize,
        /// The last sound point before it, or else the first one after it.
        near: Option<[f64; 2]>,
    },
    #[error("point {index} lies at ({x:.0}, {y:.0}), beyond {MAX_COORDINATE_M:e} m")]
    TooFar { index: usize, x: f64, y: f64 },
    #[error(
        "nothing of it is left after repeated points, spikes and parts thinner than 1 mm are taken away"
    )]
    Degenerate { near: Option<[f64; 2]> },
    #[error(
        "its rings cross: of {area_m2:.1} m2 it is in doubt whether {moved_m2:.1} m2 lie inside, and at most \
         {tolerance_m2:.1} m2 are repaired without asking"
    )]
    MovesTooMuch {
        moved_m2: f64,
        area_m2: f64,
        tolerance_m2: f64,
        place: Option<[f64; 2]>,
    },
    #[error("its rings cross, and did so still after every attempt to redraw them")]
    Unsound { place: Option<[f64; 2]> },
}

impl CleanError {
    /// Where to look, if that can be said.
    pub fn place(&self) -> Option<[f64; 2]> {
        match self {
            CleanError::NotFinite { near, .. } | CleanError::Degenerate { near } => *near,
            CleanError::TooFar { x, y, .. } => Some([*x, *y]),
            CleanError::MovesTooMuch { place, .. } | CleanError::Unsound { place } => *place,
        }
    }
}

/// One kind of change made to a geometry. Repeated points and ring direction move nothing and are not listed.
#[derive(Clone, Debug, PartialEq)]
pub enum Change {
    /// Rings whose last point was not their first.
    ClosedRings(usize),
    Spikes {
        count: usize,
        area_m2: f64,
    },
    /// Rings with fewer than three different points or thinner than 1 mm.
    DroppedRings {
        count: usize,
        area_m2: f64,
    },
    /// Lines of a multi-line without length.
    DroppedLines(usize),
    /// Rings that cross or touch themselves or each other where they may not.
    Crossings {
        place: Option<[f64; 2]>,
        moved_m2: f64,
    },
    /// Polygons of one feature that overlapped or shared an edge and are now one.
    JoinedParts {
        place: Option<[f64; 2]>,
        overlap_m2: f64,
    },
}

impl fmt::Display for Change {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Change::ClosedRings(count) => write!(f, "{count} unclosed ring(s) closed"),
            Change::Spikes { count, area_m2 } => {
                write!(f, "{count} spike(s) of {area_m2:.3} m2 removed")
            }
            Change::DroppedRings { count, area_m2 } => write!(
                f,
                "{count} ring(s) thinner than 1 mm, {area_m2:.3} m2, dropped"
            ),
            Change::DroppedLines(count) => write!(f, "{count} line(s) without length dropped"),
            Change::Crossings { moved_m2, .. } if *moved_m2 < 0.05 => {
                f.write_str("touching rings redrawn, no ground in doubt")
            }
            Change::Crossings { moved_m2, .. } => {
                write!(
                    f,
                    "crossing rings redrawn, {moved_m2:.1} m2 in doubt decided"
                )
            }
            Change::JoinedParts { overlap_m2, .. } => write!(
                f,
                "overlapping parts joined, {overlap_m2:.1} m2 counted once"
            ),
        }
    }
}

/// Lines with a length, and what was done to get there.
#[derive(Clone, Debug, PartialEq)]
pub struct CleanLines {
    pub shape: MultiLineString,
    pub changes: Vec<Change>,
}

/// Refuses NaN, infinity and coordinates beyond [`MAX_COORDINATE_M`]; nothing is dropped silently.
///
/// # Errors
/// [`CleanError::NotFinite`], [`CleanError::TooFar`].
pub fn check_coordinates(points: &[Coord]) -> Result<(), CleanError> {
    for (index, point) in points.iter().enumerate() {
        if !(point.x.is_finite() && point.y.is_finite()) {
            let sound = |p: &&Coord| p.x.is_finite() && p.y.is_finite();
            let near = points[..index].iter().rev().find(sound);
            let near = near.or_else(|| points[index..].iter().find(sound));
            return Err(CleanError::NotFinite {
                index,
                near: near.map(|p| [p.x, p.y]),
            });
        }
        if point.x.abs() > MAX_COORDINATE_M || point.y.abs() > MAX_COORDINATE_M {
            return Err(CleanError::TooFar {
                index,
                x: point.x,
                y: point.y,
            });
        }
    }
    Ok(())
}

/// Drops repeated points; lines left without length are dropped and listed.
///
/// # Errors
/// Bad coordinates, and [`CleanError::Degenerate`] when no line has a length.
pub fn clean_lines(lines: Vec<LineString>) -> Result<CleanLines, CleanError> {
    let near = lines.iter().flat_map(|line| line.0.first()).next();
    let near = near.map(|p| [p.x, p.y]);
    let given = lines.len();
    let mut kept = Vec::with_capacity(given);
    for mut line in lines {
        check_coordinates(&line.0)?;
        line.0.dedup_by(|b, a| same_point(*a, *b));
        if line.0.len() >= 2 {
            kept.push(line);
        }
    }
    if kept.is_empty() {
        return Err(CleanError::Degenerate { near });
    }
    let dropped = given - kept.len();
    let changes = if dropped > 0 {
        vec![Change::DroppedLines(dropped)]
    } else {
        Vec::new()
    };
    Ok(CleanLines {
        shape: MultiLineString(kept),
        changes,
    })
}

/// Counts of what [`clean_ring`] took away.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Tally {
    pub unclosed: usize,
    pub spikes: usize,
    pub spikes_m2: f64,
    pub dropped: usize,
    pub dropped_m2: f64,
}

impl Tally {
    pub(super) fn changes(&self) -> Vec<Change> {
        let mut changes = Vec::new();
        if self.unclosed > 0 {
            changes.push(Change::ClosedRings(self.unclosed));
        }
        if self.spikes > 0 {
            changes.push(Change::Spikes {
                count: self.spikes,
                area_m2: self.spikes_m2,
            });
        }
        if self.dropped > 0 {
            changes.push(Change::DroppedRings {
                count: self.dropped,
                area_m2: self.dropped_m2,
            });
        }
        changes
    }
}

/// Closes a ring, drops repeated points and fold-back spikes; None when nothing as wide as 1 mm is left. The direction
/// stays, and so does every other vertex to the last bit.
pub(super) fn clean_ring(
    ring: &LineString,
    tally: &mut Tally,
) -> Result<Option<LineString>, CleanError> {
    check_coordinates(&ring.0)?;
    let before_m2 = signed_area(&ring.0).abs();
    let mut points = ring.0.clone();
    if points.len() > 1 && points.first() == points.last() {
        points.pop();
    } else if points.len() > 1 {
        tally.unclosed += 1;
    }
    let mut spikes = Tally::default();
    while remove_repeats(&mut points) | remove_spikes(&mut points, &mut spikes) {}
    let mut rest_m2 = 0.0;
    if points.len() >= 3 {
        points.push(points[0]);
        let area = signed_area(&points).abs();
        let perimeter: f64 = points.windows(2).map(|e| length(e[0], e[1])).sum();
        if 2.0 * area >= MIN_MEAN_WIDTH_M * perimeter || crosses_over(&points) {
            tally.spikes += spikes.spikes;
            tally.spikes_m2 += spikes.spikes_m2;
            return Ok(Some(LineString(points)));
        }
        rest_m2 = area;
    }
    // Its spikes go with it.
    tally.dropped += 1;
    tally.dropped_m2 += before_m2.max(spikes.spikes_m2 + rest_m2);
    Ok(None)
}

/// A bow-tie of two equal halves has no signed area, and yet it is not thin: some point lies well off its longest
/// edge. Such a ring is left to the overlay, which sees both halves.
fn crosses_over(points: &[Coord]) -> bool {
    let longest = points
        .windows(2)
        .max_by(|a, b| length(a[0], a[1]).total_cmp(&length(b[0], b[1])));
    longest.is_some_and(|edge| {
        points
            .iter()
            .any(|&p| distance_to_segment(p, edge[0], edge[1]) > 10.0 * MIN_MEAN_WIDTH_M)
    })
}

fn remove_repeats(points: &mut Vec<Coord>) -> bool {
    let before = points.len();
    points.dedup_by(|b, a| same_point(*a, *b));
    while points.len() > 1 && same_point(points[0], points[points.len() - 1]) {
        points.pop();
    }
    points.len() < before
}

/// One pass over an open ring. A removed tip may uncover another one: the caller repeats until nothing changes.
fn remove_spikes(points: &mut Vec<Coord>, tally: &mut Tally) -> bool {
    let before = points.len();
    let mut kept: Vec<Coord> = Vec::with_capacity(before);
    for &point in points.iter() {
        kept.push(point);
        while let [.., a, b, c] = kept[..]
            && is_spike(a, b, c)
        {
            tally.spikes += 1;
            tally.spikes_m2 += triangle_m2(a, b, c);
            kept.pop();
            kept.pop();
            kept.push(c);
        }
    }
    while kept.len() >= 3 {
        let n = kept.len();
        let tip = if is_spike(kept[n - 2], kept[n - 1], kept[0]) {
            n - 1
        } else if is_spike(kept[n - 1], kept[0], kept[1]) {
            0
        } else {
            break;
        };
        tally.spikes += 1;
        tally.spikes_m2 += triangle_m2(kept[(tip + n - 1) % n], kept[tip], kept[(tip + 1) % n]);
        kept.remove(tip);
    }
    *points = kept;
    points.len() < before
}

/// Whether the edges a-b and b-c fold back on each other: the end of the shorter lies within [`SPIKE_M`] of the longer.
fn is_spike(a: Coord, b: Coord, c: Coord) -> bool {
    let (to_a, to_c) = (a - b, c - b);
    if to_a.x * to_c.x + to_a.y * to_c.y <= 0.0 {
        return false;
    }
    if length(a, b) <= length(b, c) {
        distance_to_segment(a, b, c) <= SPIKE_M
    } else {
        distance_to_segment(c, b, a) <= SPIKE_M
    }
}

fn same_point(a: Coord, b: Coord) -> bool {
    (a.x - b.x).abs() <= REPEAT_M && (a.y - b.y).abs() <= REPEAT_M
}

fn length(a: Coord, b: Coord) -> f64 {
    (b.x - a.x).hypot(b.y - a.y)
}

fn triangle_m2(a: Coord, b: Coord, c: Coord) -> f64 {
    let (u, v) = (a - b, c - b);
    0.5 * (u.x * v.y - u.y * v.x).abs()
}

fn distance_to_segment(p: Coord, a: Coord, b: Coord) -> f64 {
    let (edge, to_p) = (b - a, p - a);
    let squared = edge.x * edge.x + edge.y * edge.y;
    let t = if squared > 0.0 {
        ((to_p.x * edge.x + to_p.y * edge.y) / squared).clamp(0.0, 1.0)
    } else {
        0.0
    };
    length(p, a + edge * t)
}

/// Area of a closed ring, positive when counter-clockwise; summed from the first point so that large northings cost
/// no digits.
pub(super) fn signed_area(ring: &[Coord]) -> f64 {
    let Some(&origin) = ring.first() else {
        return 0.0;
    };
    0.5 * ring
        .windows(2)
        .map(|e| {
            let (a, b) = (e[0] - origin, e[1] - origin);
            a.x * b.y - b.x * a.y
        })
        .sum::<f64>()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ring(points: &[(f64, f64)]) -> LineString {
        LineString::from(points.to_vec())
    }

    #[test]
    fn a_sound_ring_comes_back_bit_for_bit() {
        let square = ring(&[
            (5e5, 6.1e6),
            (5e5 + 0.1, 6.1e6),
            (5e5 + 0.1, 6.1e6 + 0.3),
            (5e5, 6.1e6),
        ]);
        let mut tally = Tally::default();
        assert_eq!(clean_ring(&square, &mut tally).unwrap(), Some(square));
        assert_eq!(tally, Tally::default());
    }

    #[test]
    fn spikes_go_wherever_the_ring_starts() {
        let points = [
            (0., 0.),
            (10., 0.),
            (30., 0.0004),
            (10., 0.0002),
            (10., 10.),
            (0., 10.),
        ];
        for start in 0..points.len() {
            let mut turned = points.to_vec();
            turned.rotate_left(start);
            turned.push(turned[0]);
            let mut tally = Tally::default();
            let cleaned = clean_ring(&ring(&turned), &mut tally).unwrap().unwrap();
            assert!(
                cleaned.0.iter().all(|p| p.x <= 10.0),
                "start {start}: {cleaned:?}"
            );
            assert!(
                (signed_area(&cleaned.0) - 100.0).abs() < 0.01,
                "start {start}"
            );
            assert!(tally.spikes >= 1);
        }
    }

    /// By hand: 300 m by 0.8 mm, as a triangle and as a rectangle.
    #[test]
    fn what_a_dropped_ring_held_is_counted_once() {
        let triangle = ring(&[(0., 0.), (300., 0.0008), (300., 0.), (0., 0.)]);
        let rectangle = ring(&[(0., 0.), (300., 0.), (300., 0.0008), (0., 0.0008), (0., 0.)]);
        for (needle, m2) in [(triangle, 0.12), (rectangle, 0.24)] {
            let mut tally = Tally::default();
            assert_eq!(clean_ring(&needle, &mut tally).unwrap(), None);
            assert_eq!((tally.dropped, tally.spikes), (1, 0));
            assert!((tally.dropped_m2 - m2).abs() < 1e-9, "{tally:?}");
        }
    }

    /// A square of 20 m with a spike of 10 m at a corner, of which one side is a part of the square's own.
    #[test]
    fn spikes_of_unequal_sides_go_either_way_round() {
        let corners = [(0., 0.), (30., 0.), (20., 0.0002), (20., 20.), (0., 20.)];
        let mut points = corners.map(|(x, y)| (x + 7., y + 11.)).to_vec();
        for _ in 0..2 {
            points.reverse();
            for _ in 0..points.len() {
                points.rotate_left(1);
                let mut closed = points.clone();
                closed.push(closed[0]);
                let mut tally = Tally::default();
                let cleaned = clean_ring(&ring(&closed), &mut tally).unwrap().unwrap();
                assert!(cleaned.0.iter().all(|p| p.x <= 27.0), "{cleaned:?}");
                assert!((signed_area(&cleaned.0).abs() - 400.0).abs() < 0.01);
                // A triangle on the whole edge of 30 m, 0.2 mm high.
                assert!((tally.spikes_m2 - 0.003).abs() < 1e-9, "{tally:?}");
                let said = tally.changes();
                assert!(
                    matches!(said[..], [Change::Spikes { count: 1, .. }]),
                    "{said:?}"
                );
            }
        }
    }

    #[test]
    fn numbers_that_are_none_are_refused_and_thin_rings_dropped() {
        let mut tally = Tally::default();
        let bad = ring(&[(0., 0.), (1., f64::NAN), (1., 1.), (0., 0.)]);
        assert_eq!(
            clean_ring(&bad, &mut tally),
            Err(CleanError::NotFinite {
                index: 1,
                near: Some([0., 0.])
            })
        );
        let far = ring(&[(0., 0.), (2e8, 0.), (1., 1.), (0., 0.)]);
        assert!(matches!(
            clean_ring(&far, &mut tally),
            Err(CleanError::TooFar { index: 1, .. })
        ));
        let thin = ring(&[(0., 0.), (100., 0.), (100., 0.0001), (0., 0.0001), (0., 0.)]);
        assert_eq!(clean_ring(&thin, &mut tally).unwrap(), None);
        assert_eq!(tally.dropped, 1);
    }

    #[test]
    fn an_even_bow_tie_is_not_taken_for_a_thin_ring() {
        let tie = ring(&[(0., 0.), (10., 10.), (10., 0.), (0., 10.), (0., 0.)]);
        assert!(clean_ring(&tie, &mut Tally::default()).unwrap().is_some());
    }

    #[test]
    fn lines_lose_repeated_points_and_those_without_length() {
        let lines = vec![
            ring(&[(0., 0.), (0., 0.), (5., 0.)]),
            ring(&[(1., 1.), (1., 1.)]),
        ];
        let cleaned = clean_lines(lines).unwrap();
        assert_eq!(cleaned.shape.0, vec![ring(&[(0., 0.), (5., 0.)])]);
        assert_eq!(cleaned.changes, vec![Change::DroppedLines(1)]);
        assert_eq!(
            clean_lines(vec![ring(&[(1., 1.)])]),
            Err(CleanError::Degenerate {
                near: Some([1., 1.])
            })
        );
    }
}
