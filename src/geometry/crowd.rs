//! Buffers of sources whose edges crowd within the distance. An engine outlines every edge and then looks for all places
//! where the outlines cross: where each of n edges lies within the distance of all others these are n², and the time that
//! engines take grows with n³. Of such a source, edges that lie together and are short beside the distance are taken as their
//! convex hull, which is more by a hair and never less; what lies within the distance of each hull is drawn, and all are united by
//! halves. The outline of what lies within a distance of n of them has O(n) pieces (Kedem, Livne, Pach & Sharir 1986), so
//! that every union has few crossings, and all together take n log n.

use std::collections::BTreeMap;
use std::f64::consts::TAU;

use geo::{Coord, LineString, MultiLineString, MultiPolygon, Polygon};

use super::area::{Bounds, rings};
use super::buffer::{Engine, Source};
use super::overlay::{difference, union};

/// Bends within one distance of one another that an engine does not mind.
const FEW: u64 = 16;
/// The cubes of their numbers, of all places where there are more, that it minds: about 10 ms of its time (GEOS 3.11 to 3.14).
const MANY: u64 = 100_000;
/// By how much of the distance a vertex stands off where it is a bend: GEOS straightens less by itself.
const BEND_SHARE: f64 = 0.004;
/// Zones united at once.
const AT_ONCE: usize = 8;

/// As the engine draws it; where edges crowd, run by run, with arcs inscribed as engines do, and wider by at most
/// `more_share` of the distance.
pub fn buffer(
    engine: &dyn Engine,
    source: &Source,
    distance_m: f64,
    quarter_segments: u32,
    more_share: f64,
) -> Option<MultiPolygon> {
    let crowds = |source: &Source| is_crowded(source, distance_m.abs());
    if !crowds(source) {
        return engine.buffer(source, distance_m, quarter_segments);
    }
    let radius_m = distance_m.abs();
    let mut hulls: Vec<Hull> = Vec::new();
    // Where two corners of a hull stand this far apart its zone is wider than theirs by a square over eight distances.
    let wide_m = (8.0 * more_share).sqrt() * radius_m;
    let mut add = |line: &[Coord]| hulls.extend(runs(line, wide_m));
    match source {
        Source::Points(points) => points.iter().for_each(|p| add(&[*p])),
        Source::Polygons(polygons) => {
            let rings = polygons.0.iter().flat_map(rings);
            rings.for_each(|ring| add(&ring.0));
        }
        Source::Lines(lines) => {
            // Lines in crumbs may do no more than overlap at their ends.
            let whole = Source::Lines(MultiLineString(chained(lines)));
            if !crowds(&whole) {
                return engine.buffer(&whole, distance_m, quarter_segments);
            }
            let Source::Lines(whole) = whole else {
                return None;
            };
            whole.0.iter().for_each(|line| add(&line.0));
        }
    }
    let round = disc(radius_m, 4 * quarter_segments);
    let near = united_by_halves(gathered(hulls, wide_m), &|hull: &Vec<Coord>| {
        grown(hull, &round)
    });
    Some(match source {
        Source::Polygons(polygons) if distance_m < 0.0 => difference(polygons, &near.0),
        Source::Polygons(polygons) => {
            union(&polygons.0.iter().cloned().chain(near.0).collect::<Vec<_>>())
        }
        Source::Lines(_) | Source::Points(_) => near,
    })
}

/// Corners of a convex hull, counter-clockwise from the lowest; one or two where it is a point or a line. With its box.
type Hull = (Bounds, Vec<Coord>);

/// Hulls of the runs of a line that are nowhere wider than `wide_m`, and of its longer edges. Each run begins where the one
/// before ends.
fn runs(line: &[Coord], wide_m: f64) -> Vec<Hull> {
    let mut found = Vec::new();
    let mut run: Vec<Coord> = Vec::new();
    let mut around = Bounds::EMPTY;
    for &p in line {
        let mut wider = around;
        wider.add(p);
        let size = wider.max - wider.min;
        if run.len() > 1 && size.x.hypot(size.y) > wide_m {
            let last = run[run.len() - 1];
            found.push(hull(std::mem::replace(&mut run, vec![last])));
            wider = Bounds::of(&[last, p]);
        }
        run.push(p);
        around = wider;
    }
    // The last vertex of a line of several belongs to a run already where it stands alone.
    if run.len() > 1 || (found.is_empty() && !run.is_empty()) {
        found.push(hull(run));
    }
    found
}

/// Hulls of those that are no wider than half of `wide_m` and lie together in squares, none wider than `wide_m`, and the
/// others as they are.
fn gathered(hulls: Vec<Hull>, wide_m: f64) -> Vec<Hull> {
    // Middles in one square differ by its diagonal, and corners stand off theirs by a quarter of the width.
    let side_m = 0.35 * wide_m;
    let mut squares: BTreeMap<[i64; 2], Vec<Coord>> = BTreeMap::new();
    let mut found = Vec::new();
    for (bounds, corners) in hulls {
        let size = bounds.max - bounds.min;
        if size.x.hypot(size.y) > wide_m / 2.0 {
            found.push((bounds, corners));
            continue;
        }
        let middle = bounds.middle();
        let square = [middle.x, middle.y].map(|at| (at / side_m).floor() as i64);
        squares.entry(square).or_default().extend(corners);
    }
    found.extend(squares.into_values().map(hull));
    found
}

/// Corners in a monotone chain (Andrew 1979).
fn hull(mut points: Vec<Coord>) -> Hull {
    let bounds = Bounds::of(&points);
    points.sort_by(|a, b| a.y.total_cmp(&b.y).then(a.x.total_cmp(&b.x)));
    points.dedup();
    if points.len() < 3 {
        return (bounds, points);
    }
    let half = |points: &mut dyn Iterator<Item = &Coord>| {
        let mut chain: Vec<Coord> = Vec::new();
        for &p in points {
            while let [.., a, b] = chain[..]
                && cross(b - a, p - b) <= 0.0
            {
                chain.pop();
            }
            chain.push(p);
        }
        chain.pop();
        chain
    };
    let mut corners = half(&mut points.iter());
    corners.extend(half(&mut points.iter().rev()));
    (bounds, corners)
}

/// Corners on a circle around the origin, counter-clockwise from the lowest: the same for every hull, so that zones of
/// runs that meet share their arcs.
fn disc(radius_m: f64, corners: u32) -> Vec<Coord> {
    let step = TAU / f64::from(corners);
    (0..corners)
        .map(|k| {
            // Half a step on, so that no two are equally low.
            let (sin, cos) = (step * (f64::from(k) + 0.5) - TAU / 4.0).sin_cos();
            Coord {
                x: radius_m * cos,
                y: radius_m * sin,
            }
        })
        .collect()
}

/// The Minkowski sum of a hull and a disc: their edges in the order of their directions.
fn grown(hull: &[Coord], round: &[Coord]) -> Polygon {
    let turns = |corners: &[Coord]| if corners.len() < 2 { 0 } else { corners.len() };
    let edge = |corners: &[Coord], at: usize| {
        corners[(at + 1) % corners.len()] - corners[at % corners.len()]
    };
    let (of_hull, of_round) = (turns(hull), turns(round));
    let (mut i, mut j) = (0, 0);
    let mut ring = Vec::with_capacity(of_hull + of_round + 1);
    while i < of_hull || j < of_round {
        ring.push(hull[i % hull.len()] + round[j % round.len()]);
        let turn = cross(edge(hull, i), edge(round, j));
        let next = if i == of_hull {
            -1.0
        } else if j == of_round {
            1.0
        } else {
            turn
        };
        i += usize::from(next >= 0.0);
        j += usize::from(next <= 0.0);
    }
    let mut ring = LineString(ring);
    ring.close();
    Polygon::new(ring, vec![])
}

/// Whether so many bends lie within `near_m` of one another that an engine would take long over them.
fn is_crowded(source: &Source, near_m: f64) -> bool {
    if near_m <= 0.0 || (source.vertices() as u64) <= FEW {
        return false;
    }
    let off_m = BEND_SHARE * near_m;
    let mut places: Vec<[i64; 2]> = Vec::new();
    let mut add = |p: Coord| places.push([p.x, p.y].map(|at| (at / near_m).floor() as i64));
    match source {
        Source::Points(points) => points.iter().copied().for_each(&mut add),
        Source::Lines(lines) => lines.0.iter().for_each(|line| bends(line, off_m, &mut add)),
        Source::Polygons(polygons) => {
            let rings = polygons.0.iter().flat_map(rings);
            rings.for_each(|ring| bends(ring, off_m, &mut add));
        }
    }
    places.sort_unstable();
    let here = places
        .chunk_by(|a, b| a == b)
        .map(|same| same.len() as u64)
        .filter(|&count| count > FEW);
    here.fold(0u64, |sum, count| {
        sum.saturating_add(count.saturating_pow(3))
    }) > MANY
}

/// Vertices at which a line leaves the straight way from the one before by more than `off_m`, with its ends, in one pass:
/// each vertex narrows the directions in which the straight way may run (Williams 1978).
fn bends(line: &LineString, off_m: f64, add: &mut impl FnMut(Coord)) {
    let Some(&first) = line.0.first() else {
        return;
    };
    add(first);
    let mut from = first;
    // Between these two directions, the second to the left of the first; None: any.
    let mut open: Option<[Coord; 2]> = None;
    let mut farthest_m = 0.0f64;
    for w in line.0.windows(2) {
        let (before, p) = (w[0], w[1]);
        let away_m = |from: Coord| (p - from).x.hypot((p - from).y);
        let turns_back = away_m(from) < farthest_m - off_m;
        if turns_back || !within(open, p - from) {
            add(before);
            (from, open, farthest_m) = (before, None, 0.0);
        }
        open = narrowed(open, p - from, off_m);
        farthest_m = farthest_m.max(away_m(from));
    }
    if let Some(&last) = line.0.last() {
        add(last);
    }
}

fn cross(a: Coord, b: Coord) -> f64 {
    a.x * b.y - a.y * b.x
}

fn within(open: Option<[Coord; 2]>, to: Coord) -> bool {
    open.is_none_or(|[right, left]| {
        let ahead = (right.x + left.x) * to.x + (right.y + left.y) * to.y >= 0.0;
        ahead && cross(right, to) >= 0.0 && cross(to, left) >= 0.0
    })
}

/// Directions that pass a place by at most `off_m`, of those that were open.
fn narrowed(open: Option<[Coord; 2]>, to: Coord, off_m: f64) -> Option<[Coord; 2]> {
    let away_m = to.x.hypot(to.y);
    if away_m <= off_m {
        return open;
    }
    let sin = off_m / away_m;
    let cos = (1.0 - sin * sin).sqrt();
    let unit = to / away_m;
    let turned = |sin: f64| Coord {
        x: unit.x * cos - unit.y * sin,
        y: unit.x * sin + unit.y * cos,
    };
    let (right, left) = (turned(-sin), turned(sin));
    Some(match open {
        None => [right, left],
        Some([old_right, old_left]) => [
            if cross(old_right, right) > 0.0 {
                right
            } else {
                old_right
            },
            if cross(old_left, left) < 0.0 {
                left
            } else {
                old_left
            },
        ],
    })
}

/// Lines that go on where the one before ends, as one.
fn chained(lines: &MultiLineString) -> Vec<LineString> {
    let mut out: Vec<LineString> = Vec::new();
    for line in &lines.0 {
        match out.last_mut() {
            Some(before) if before.0.last() == line.0.first() && line.0.len() > 1 => {
                before.0.extend_from_slice(&line.0[1..]);
            }
            _ => out.push(line.clone()),
        }
    }
    out
}

/// The union of a great many polygons that lie over one another, two by two; of a few at once.
pub fn united(polygons: Vec<Polygon>) -> MultiPolygon {
    if polygons.len() <= AT_ONCE {
        return union(&polygons);
    }
    let boxed = polygons.into_iter();
    let boxed = boxed.map(|polygon| (Bounds::of(&polygon.exterior().0), polygon));
    united_by_halves(boxed.collect(), &Polygon::clone)
}

fn united_by_halves<T>(mut items: Vec<(Bounds, T)>, draw: &impl Fn(&T) -> Polygon) -> MultiPolygon {
    if items.len() <= AT_ONCE {
        let drawn = items.iter().map(|(_, item)| draw(item));
        return union(&drawn.collect::<Vec<_>>());
    }
    let rest = halved(&mut items);
    let [mut one, other] = [united_by_halves(items, draw), united_by_halves(rest, draw)];
    one.0.extend(other.0);
    union(&one.0)
}

/// Takes the farther half of pieces away, across the longer side of the box around them, and returns it.
pub(super) fn halved<T>(pieces: &mut Vec<(Bounds, T)>) -> Vec<(Bounds, T)> {
    let mut all = Bounds::EMPTY;
    for (bounds, _) in pieces.iter() {
        all.add(bounds.min);
        all.add(bounds.max);
    }
    let wide = all.max.x - all.min.x > all.max.y - all.min.y;
    let at = |bounds: &Bounds| {
        let middle = bounds.middle();
        if wide { middle.x } else { middle.y }
    };
    pieces.sort_by(|(one, _), (other, _)| at(one).total_cmp(&at(other)));
    pieces.split_off(pieces.len() / 2)
}

#[cfg(test)]
mod tests {
    use std::cell::Cell;

    use super::super::area::area;
    use super::super::buffer::{Engines, GeoEngine, QUARTER_SEGMENTS, certified, circumscribed};
    use super::super::grid_overlay::GridOverlay;
    use super::super::overlay_engine::{Op, Overlay, with};
    use super::*;

    thread_local! {
        static CORNERS: Cell<usize> = const { Cell::new(0) };
        static DRAWN: Cell<usize> = const { Cell::new(0) };
    }

    /// Counts the corners that it overlays.
    struct CountedOverlay;

    impl Overlay for CountedOverlay {
        fn name(&self) -> &'static str {
            "counted"
        }

        fn areas(&self, subject: &MultiPolygon, clip: &[Polygon], op: Op) -> Option<MultiPolygon> {
            let corners = super::super::window::corners;
            CORNERS.set(CORNERS.get() + corners(&subject.0) + corners(clip));
            GridOverlay.areas(subject, clip, op)
        }

        fn lines(&self, _: &MultiLineString, _: &[Polygon], _: bool) -> Option<MultiLineString> {
            None
        }
    }

    /// Counts the vertices around which it draws.
    struct CountedEngine;

    impl Engine for CountedEngine {
        fn name(&self) -> &'static str {
            "counted"
        }

        fn buffer(&self, source: &Source, distance_m: f64, quarter: u32) -> Option<MultiPolygon> {
            DRAWN.set(DRAWN.get() + source.vertices());
            GeoEngine.buffer(source, distance_m, quarter)
        }
    }

    /// What is drawn, the vertices that an engine was asked for, and the corners overlaid.
    fn counted(source: &Source, distance_m: f64) -> (MultiPolygon, usize, usize) {
        CORNERS.set(0);
        DRAWN.set(0);
        let draw = || buffer(&CountedEngine, source, distance_m, 8, 0.000_2);
        (
            with(&CountedOverlay, draw).unwrap(),
            DRAWN.get(),
            CORNERS.get(),
        )
    }

    /// A stream of many short bends, as digitizers leave them: to and fro in 300 m.
    fn zigzag(vertices: usize, wide_m: f64) -> LineString {
        let step = 300.0 / vertices as f64;
        (0..vertices)
            .map(|k| (k as f64 * step, wide_m * (k % 2) as f64))
            .collect()
    }

    fn of_lines(lines: Vec<LineString>) -> Source {
        Source::Lines(MultiLineString(lines))
    }

    /// Twice the vertices are not more than twice the work, and of short bends no more work at all.
    #[test]
    fn work_grows_no_faster_than_vertices() {
        for (wide_m, most) in [(0.5, 2_000), (4.0, 130)] {
            let work = |vertices: usize| {
                let (drawn, by_engine, corners) =
                    counted(&of_lines(vec![zigzag(vertices, wide_m)]), 30.0);
                assert_eq!((drawn.0.len(), by_engine), (1, 0));
                corners
            };
            let [few, many] = [800, 3_200].map(work);
            assert!(many as f64 <= 4.2 * few as f64, "{wide_m}: {few}, {many}");
            assert!(few <= most * 800, "{wide_m}: {few} corners");
        }
    }

    /// GE-05 (stadium): 2rL + pi r2 about the lower tips, and no more than half a metre more at the upper ones.
    #[test]
    fn a_crowd_has_the_zone_of_its_lines() {
        let source = of_lines(vec![zigzag(800, 0.5)]);
        let zone = certified(Engines::pure(), &source, 30.0).unwrap().shape;
        let stadium = |r: f64| 2.0 * r * 299.625 + std::f64::consts::PI * r * r;
        let found = area(&zone);
        assert!(
            found > stadium(30.2) && found < stadium(30.0) + 0.5 * 370.0,
            "{found}"
        );
        let radius_m = circumscribed(30.0, QUARTER_SEGMENTS);
        let at_once = GeoEngine
            .buffer(&source, radius_m, QUARTER_SEGMENTS)
            .unwrap();
        let more = area(&zone) / area(&at_once) - 1.0;
        assert!(more.abs() < 0.000_2, "{more}");
    }

    #[test]
    fn crumbs_of_a_plain_line_are_drawn_as_the_line() {
        let line: LineString = (0..1_000).map(|k| (f64::from(k) * 0.3, 0.0)).collect();
        let crumbs = line.0.windows(2).map(|w| LineString(w.to_vec())).collect();
        let (drawn, by_engine, _) = counted(&of_lines(crumbs), 30.0);
        assert_eq!(by_engine, 1_000);
        let whole = GeoEngine.buffer(&of_lines(vec![line]), 30.0, 8).unwrap();
        assert!((area(&drawn) - area(&whole)).abs() < 1e-6);
    }

    /// A jagged block, outwards and inwards, against the engine at once.
    #[test]
    fn polygons_crowd_to_both_sides() {
        let ring: LineString = (0..2_400)
            .map(|k| {
                let turn = TAU * f64::from(k) / 2_400.0;
                let r = 100.0 + 4.0 * f64::from(k % 2);
                (r * turn.cos(), r * turn.sin())
            })
            .collect();
        let jagged = MultiPolygon(vec![Polygon::new(ring, vec![])]);
        let source = Source::Polygons(jagged.clone());
        for distance_m in [40.0, -40.0] {
            let (drawn, by_engine, _) = counted(&source, distance_m);
            assert_eq!(by_engine, 0);
            let at_once = GeoEngine.buffer(&source, distance_m, 8).unwrap();
            let off = area(&drawn) - area(&at_once);
            assert!(off.abs() < 0.002 * area(&jagged), "{distance_m}: {off}");
            assert_eq!(drawn.0.len(), at_once.0.len());
        }
    }

    #[test]
    fn points_crowd_too() {
        let points = (0..900).map(|k| Coord {
            x: f64::from(k % 30),
            y: f64::from(k / 30),
        });
        let (drawn, by_engine, _) = counted(&Source::Points(points.collect()), 200.0);
        assert_eq!((drawn.0.len(), by_engine), (1, 0));
        // A square of 29 m with its corners rounded by 200 m, from inscribed arcs (Steiner).
        let exact = 29.0 * 29.0 + 4.0 * 29.0 * 200.0 + std::f64::consts::PI * 200.0 * 200.0;
        assert!((area(&drawn) / exact - 1.0).abs() < 0.01);
    }

    /// Steiner's formula: area and perimeter of the hull, and the disc.
    #[test]
    fn a_hull_grows_by_its_perimeter_and_a_disc() {
        let round = disc(10.0, 4_000);
        let disc_m2 = std::f64::consts::PI * 100.0;
        let cases: [(&[(f64, f64)], f64); 4] = [
            (&[(3., 4.)], 0.0),
            (&[(3., 4.), (6., 8.)], 2.0 * 5.0 * 10.0),
            (&[(0., 0.), (8., 0.), (4., 0.)], 2.0 * 8.0 * 10.0),
            (
                &[(0., 0.), (3., 4.), (1., 1.), (3., 0.), (0., 0.)],
                6.0 + 12.0 * 10.0,
            ),
        ];
        for (points, more) in cases {
            let (_, corners) = hull(points.iter().map(|&p| p.into()).collect());
            let grown = area(&MultiPolygon(vec![grown(&corners, &round)]));
            assert!(
                (grown - disc_m2 - more).abs() < 0.001,
                "{points:?}: {grown}"
            );
        }
    }

    #[test]
    fn runs_hold_every_edge_and_are_narrow() {
        let line = zigzag(50, 3.0);
        let found = runs(&line.0, 10.0);
        for (bounds, _) in &found {
            let size = bounds.max - bounds.min;
            assert!(size.x.hypot(size.y) <= 10.0);
        }
        for w in line.0.windows(2) {
            let own = Bounds::of(w);
            assert!(found.iter().any(|(bounds, _)| bounds.holds(&own)));
        }
        assert_eq!(runs(&line.0, 1.0).len(), 49);
        assert_eq!(runs(&line.0[..1], 1.0).len(), 1);
    }

    #[test]
    fn what_is_gathered_is_narrow_and_holds_all() {
        let crumbs = (0..2_000).map(|k| {
            let (x, y) = (f64::from(k * 37 % 100), f64::from(k * 71 % 90));
            let long = if k % 50 == 0 { 8.0 } else { 0.5 };
            hull(vec![(x, y).into(), (x + long, y + 0.3).into()])
        });
        let crumbs: Vec<Hull> = crumbs.collect();
        let found = gathered(crumbs.clone(), 10.0);
        assert!(found.len() < 1_000, "{}", found.len());
        for (bounds, _) in &found {
            let size = bounds.max - bounds.min;
            assert!(size.x.hypot(size.y) <= 10.0);
        }
        for (own, _) in &crumbs {
            assert!(found.iter().any(|(bounds, _)| bounds.holds(own)));
        }
    }

    #[test]
    fn smooth_and_straight_lines_do_not_crowd_however_many_vertices_they_have() {
        let circle: LineString = (0..=20_000)
            .map(|k| {
                let turn = TAU * f64::from(k) / 20_000.0;
                (300.0 * turn.cos(), 300.0 * turn.sin())
            })
            .collect();
        assert!(!is_crowded(&of_lines(vec![circle]), 30.0));
        let straight: LineString = (0..20_000).map(|k| (f64::from(k) * 0.01, 0.0)).collect();
        assert!(!is_crowded(&of_lines(vec![straight]), 30.0));
        assert!(is_crowded(&of_lines(vec![zigzag(800, 0.5)]), 30.0));
        // Far wider apart than the distance.
        assert!(!is_crowded(&of_lines(vec![zigzag(800, 0.5)]), 0.2));
    }
}
