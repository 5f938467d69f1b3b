//! Overlay of polygons under the non-zero rule, so that overlapping clip polygons need no union first.

use std::collections::{BTreeMap, BTreeSet, VecDeque};

use geo::orient::{Direction, Orient};
use geo::{Coord, LineString, MultiLineString, MultiPolygon, Polygon};

use super::area::{area, ring_area, rings};
use super::distance::point_segment;
use super::nesting::{alone, loops, nested, touches};
use super::overlay_engine::{self, Op};
use super::repair_contacts::{Contact, contacts};
use super::window::{Half, bounds, common, corners};

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
    let shorn = result.0.into_iter().flat_map(shorn);
    oriented(MultiPolygon(shorn.flat_map(parted).collect()))
}

fn is_ground(ring: &LineString) -> bool {
    ring_area(ring).abs() >= DUST_M2
}

/// A polygon without dust and hairs.
fn shorn(polygon: Polygon) -> Vec<Polygon> {
    let mut hairy = false;
    let bald = mapped(polygon, |ring| {
        let corners = ring.0.len();
        let bald = without_hairs(Some(ring).filter(is_ground)?);
        hairy |= bald.0.len() < corners;
        Some(bald).filter(is_ground)
    });
    let Some(bald) = bald else {
        return vec![];
    };
    let all: Vec<&LineString> = rings(&bald).collect();
    if !hairy || !matches!(contacts(&all), Contact::Cross(_)) {
        return vec![bald];
    }
    // An edge that has lost a hair lies elsewhere by the width of it, and may run over another there. What is drawn anew
    // keeps the hairs it needs.
    let (shell, holes) = bald.into_inner();
    let holes = oriented(MultiPolygon(holes.into_iter().map(alone).collect()));
    let shell = oriented(MultiPolygon(vec![alone(shell)]));
    let anew = overlay_engine::areas(&shell, &holes.0, Op::Difference).0;
    let large = |polygon| mapped(polygon, |ring| Some(ring).filter(is_ground));
    anew.into_iter().filter_map(large).collect()
}

/// A polygon of what its rings become; None: its shell becomes nothing.
fn mapped(
    polygon: Polygon,
    mut kept: impl FnMut(LineString) -> Option<LineString>,
) -> Option<Polygon> {
    let (shell, holes) = polygon.into_inner();
    let shell = kept(shell)?;
    Some(Polygon::new(
        shell,
        holes.into_iter().filter_map(kept).collect(),
    ))
}

/// A polygon, or what it falls into where its rings touch: engines give parts that meet in a corner as one ring.
fn parted(polygon: Polygon) -> Vec<Polygon> {
    if !touches(std::slice::from_ref(&polygon)) {
        return vec![polygon];
    }
    let simple = |ring: &LineString| loops(ring).unwrap_or_else(|| vec![ring.clone()]);
    let simple: Vec<LineString> = rings(&polygon).flat_map(simple).collect();
    let large = simple.iter().filter(|ring| is_ground(ring));
    nested(large).0
}

/// Edges that fold back on each other within this distance are a hair: operands whose common edges differ by the
/// engine's grid leave such hairs along them, of any length and no area.
const HAIR_M: f64 = 1e-4;

fn without_hairs(ring: LineString) -> LineString {
    let count = ring.0.len();
    let folds = |w: &[Coord]| is_hair(w[0], w[1], w[2]);
    if count < 4
        || !(ring.0.windows(3).any(folds) || is_hair(ring.0[count - 2], ring.0[0], ring.0[1]))
    {
        return ring;
    }
    let mut kept: Vec<Coord> = Vec::with_capacity(count);
    for &point in &ring.0[..count - 1] {
        push_unfolded(&mut kept, point);
    }
    // The ring's start may stand on a hair itself.
    let mut start = 0;
    while kept.len() - start >= 3 {
        let (last, first) = (kept.len() - 1, start);
        if same_place(kept[last], kept[first]) || is_hair(kept[last - 1], kept[last], kept[first]) {
            kept.pop();
        } else if is_hair(kept[last], kept[first], kept[first + 1]) {
            start += 1;
        } else {
            break;
        }
    }
    kept.drain(..start);
    if let Some(&first) = kept.first() {
        kept.push(first);
    }
    LineString(kept)
}

fn push_unfolded(kept: &mut Vec<Coord>, point: Coord) {
    while let [.., before, tip] = kept[..]
        && is_hair(before, tip, point)
    {
        kept.pop();
    }
    if !kept.last().is_some_and(|&last| same_place(last, point)) {
        kept.push(point);
    }
}

fn same_place(a: Coord, b: Coord) -> bool {
    (a.x - b.x).hypot(a.y - b.y) < HAIR_M
}

fn is_hair(a: Coord, b: Coord, c: Coord) -> bool {
    let (ba, bc) = (a - b, c - b);
    if ba.x * bc.x + ba.y * bc.y <= 0.0 {
        return false;
    }
    let shorter_in = ba.x.hypot(ba.y) < bc.x.hypot(bc.y);
    let (end, longer) = if shorter_in { (a, c) } else { (c, a) };
    point_segment(end, b, longer) < HAIR_M
}

fn overlay(subject: &MultiPolygon, clip: &[Polygon], op: Op) -> MultiPolygon {
    tidy(overlay_engine::areas(subject, clip, op))
}

/// `subject` less everything in `clip`; the clip polygons may overlap one another.
pub fn difference(subject: &MultiPolygon, clip: &[Polygon]) -> MultiPolygon {
    if clip.is_empty() || subject.0.is_empty() {
        return subject.clone();
    }
    overlay(subject, clip, Op::Difference)
}

/// What of `subject` lies in any polygon of `clip`.
pub fn intersection(subject: &MultiPolygon, clip: &[Polygon]) -> MultiPolygon {
    if clip.is_empty() || subject.0.is_empty() {
        return MultiPolygon(vec![]);
    }
    overlay(subject, clip, Op::Intersection)
}

/// [`intersection`] and [`difference`] at once: both sides come from the same clip.
pub fn inside_and_outside(subject: &MultiPolygon, clip: &[Polygon]) -> [MultiPolygon; 2] {
    if clip.is_empty() || subject.0.is_empty() {
        return [MultiPolygon(vec![]), subject.clone()];
    }
    overlay_engine::inside_and_outside(subject, clip).map(tidy)
}

/// Union of polygons that may overlap.
pub fn union(polygons: &[Polygon]) -> MultiPolygon {
    match polygons {
        [] => MultiPolygon(vec![]),
        [single] => MultiPolygon(vec![single.clone()]),
        _ => overlay(&MultiPolygon(vec![]), polygons, Op::Union),
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
    overlay_engine::lines(lines, polygons, inside)
}

/// Joins lines that end where another begins, with the first of several; directions are kept.
pub fn joined(lines: MultiLineString) -> Vec<LineString> {
    let mut out: Vec<VecDeque<Coord>> = Vec::new();
    // Where open lines begin and end.
    let (mut starts, mut ends) = (Places::default(), Places::default());
    for line in lines.0 {
        let [first, .., last] = line.0[..] else {
            continue;
        };
        let at = if let Some(before) = ends.first_at(first) {
            ends.remove(first, before);
            starts.remove(out[before][0], before);
            out[before].extend(&line.0[1..]);
            before
        } else if let Some(after) = starts.first_at(last) {
            starts.remove(last, after);
            ends.remove(out[after][out[after].len() - 1], after);
            for &corner in line.0.iter().rev().skip(1) {
                out[after].push_front(corner);
            }
            after
        } else {
            out.push(line.0.into());
            out.len() - 1
        };
        let (start, end) = (out[at][0], out[at][out[at].len() - 1]);
        if start != end {
            starts.add(start, at);
            ends.add(end, at);
        }
    }
    out.into_iter()
        .map(|line| LineString(line.into()))
        .collect()
}

/// Lines by a place of theirs.
#[derive(Default)]
struct Places(BTreeMap<[u64; 2], BTreeSet<usize>>);

impl Places {
    /// Zero has two signs.
    fn key(p: Coord) -> [u64; 2] {
        [p.x, p.y].map(|v| (v + 0.0).to_bits())
    }

    fn add(&mut self, p: Coord, line: usize) {
        self.0.entry(Self::key(p)).or_default().insert(line);
    }

    fn remove(&mut self, p: Coord, line: usize) {
        if let Some(lines) = self.0.get_mut(&Self::key(p)) {
            lines.remove(&line);
        }
    }

    fn first_at(&self, p: Coord) -> Option<usize> {
        self.0.get(&Self::key(p))?.first().copied()
    }
}

/// Corners in one overlay of areas: with many more the engine takes far longer than twice as long for twice as many.
const MOST_CORNERS: usize = 8_000;
/// Halvings: beyond these the corners lie in one place.
const MOST_HALVINGS: u32 = 12;

/// Area of the parts of `subject` inside `clip`; polygons of either may overlap one another.
pub fn shared_area(subject: &MultiPolygon, clip: &[Polygon]) -> f64 {
    shared_area_in(&subject.0, clip, MOST_HALVINGS)
}

fn shared_area_in(subject: &[Polygon], clip: &[Polygon], halvings: u32) -> f64 {
    if corners(subject) + corners(clip) <= MOST_CORNERS || halvings == 0 {
        return area(&intersection(&MultiPolygon(subject.to_vec()), clip));
    }
    let within = common(&bounds(subject), &bounds(clip));
    if within.is_empty() {
        return 0.0;
    }
    let halves = Half::both(&within);
    let of = |half: Half| shared_area_in(&half.of(subject), &half.of(clip), halvings - 1);
    halves.map(of).iter().sum()
}

/// Every ring of `polygons` as a closed line.
pub fn boundary(polygons: &MultiPolygon) -> MultiLineString {
    MultiLineString(polygons.0.iter().flat_map(rings).cloned().collect())
}

#[cfg(test)]
mod tests {
    use super::*;
    use geo::Validation;

    /// Crumbs of lines that meet, part and close, against a look at each line made so far.
    #[test]
    fn lines_are_joined_as_by_a_look_at_each() {
        let slow = |lines: &MultiLineString| {
            let mut out: Vec<LineString> = Vec::new();
            for line in &lines.0 {
                let (first, last) = (line.0[0], line.0[line.0.len() - 1]);
                let open = |other: &LineString| other.0.first() != other.0.last();
                let before = |other: &LineString| other.0.last() == Some(&first) && open(other);
                let after = |other: &LineString| other.0[0] == last && open(other);
                if let Some(at) = out.iter().position(before) {
                    out[at].0.extend(&line.0[1..]);
                } else if let Some(at) = out.iter().position(after) {
                    let joined = line.0.iter().chain(&out[at].0[1..]).copied().collect();
                    out[at] = LineString(joined);
                } else {
                    out.push(line.clone());
                }
            }
            out
        };
        let mut state = 3u64;
        let mut place = || {
            state = state
                .wrapping_mul(6364136223846793005)
                .wrapping_add(1442695040888963407);
            Coord {
                x: ((state >> 40) % 5) as f64,
                y: -0.0,
            }
        };
        for _ in 0..200 {
            let lines = (0..30).map(|_| LineString(vec![place(), place(), place()]));
            let lines = MultiLineString(lines.collect());
            assert_eq!(joined(lines.clone()), slow(&lines));
        }
    }

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
    fn a_shared_area_of_many_corners_is_that_of_its_halves() {
        // Two combs across one another: each of 3 000 teeth of one meets each tooth beside it of the other.
        let strip = |at: f64, width: f64| {
            let corners = vec![
                (at, 0.0),
                (at + width, 0.0),
                (at + width + 40.0, 500.0),
                (at + 40.0, 500.0),
                (at, 0.0),
            ];
            Polygon::new(LineString::from(corners), vec![])
        };
        let strips: Vec<Polygon> = (0..3_000).map(|n| strip(f64::from(n), 0.5)).collect();
        let band = MultiPolygon(vec![
            square(100.0, 100.0, 250.0),
            square(300.0, 100.0, 250.0),
        ]);
        // The squares overlap by 50 m; half of the ground is strips.
        let by_hand = 0.5 * 450.0 * 250.0;
        let shared = shared_area(&band, &strips);
        assert!((shared - by_hand).abs() < 0.01, "{shared}");
    }

    /// By hand: a square that two others take away but for two corners, which meet in a point.
    #[test]
    fn parts_that_meet_in_a_corner_are_parts() {
        let block = MultiPolygon(vec![square(0.0, 0.0, 20.0)]);
        let left = difference(&block, &[square(0.0, 0.0, 10.0), square(10.0, 10.0, 10.0)]);
        assert_eq!(left.0.len(), 2, "{left:?}");
        assert!((area(&left) - 200.0).abs() < 1e-6);
    }

    #[test]
    fn hairs_go_wherever_the_ring_starts() {
        let with_hair = [
            (0., 0.),
            (10., 0.),
            (10., 5.),
            (30., 5.),
            (40., 6.),
            (30., 5.000_01),
            (10., 5.000_01),
            (10., 10.),
            (0., 10.),
        ];
        for start in 0..with_hair.len() {
            let mut ring: Vec<(f64, f64)> = with_hair[start..].to_vec();
            ring.extend(&with_hair[..start]);
            ring.push(ring[0]);
            let clean = without_hairs(LineString::from(ring));
            assert!(clean.0.iter().all(|c| c.x <= 10.0), "{clean:?}");
            assert!((ring_area(&clean) - 100.0).abs() < 1e-3, "{clean:?}");
            assert_eq!(clean.0.first(), clean.0.last());
        }
    }

    /// By hand: without its hair at the top right the right-hand side lies 0.03 mm to the left at y = 30, where a hole has a
    /// corner.
    #[test]
    fn a_ring_without_its_hair_runs_over_no_other() {
        let shell = vec![
            (0., 0.),
            (100., 0.),
            (100.000_05, 100.),
            (99.999_95, 50.),
            (90., 60.),
            (0., 60.),
            (0., 0.),
        ];
        let hole = vec![(80., 20.), (80., 40.), (99.999_98, 30.), (80., 20.)];
        let drawn = Polygon::new(shell.into(), vec![hole.into()]);
        let by_hand = 6_000.0 - 50.0 - 200.0;
        let tidied = tidy(MultiPolygon(vec![drawn]));
        assert!((area(&tidied) - by_hand).abs() < 0.01, "{tidied:?}");
        assert!(tidied.is_valid(), "{tidied:?}");
        let right = tidied.0.iter().flat_map(|part| &part.exterior().0);
        assert!(right.clone().all(|c| c.y < 61.0), "{tidied:?}");
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
