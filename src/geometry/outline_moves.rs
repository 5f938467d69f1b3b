//! Outlines that somebody on the ground corrects: a corner that lies elsewhere, a line beyond which nothing belongs to them.

use geo::{Coord, LineString, MultiLineString, MultiPolygon, Polygon};

use super::area::{area, polygon_area};
use super::distance::{point_segment, polygon_segments, segment_segment};
use super::overlay::{difference, union};

/// A turn of the outline by less is no corner that anybody would mark; own judgement.
const LEAST_TURN_DEG: f64 = 30.0;
/// How far along the outline the turn is measured to either side, so that short edges of a digitised line do not hide it.
const LOOK_M: f64 = 10.0;
/// Corners nearer to one another are one.
const ONE_CORNER_M: f64 = 2.0;
/// Half of the width of the cut that parts an outline.
const KNIFE_M: f64 = 0.01;
/// Smaller pieces are what rounding leaves of a line along the edge.
const SCRAP_M2: f64 = 1.0;
/// A line that leaves less than this on one side does not say which side is meant.
const MOST_BEYOND: f64 = 1.0 / 3.0;

/// A corner of an outline.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Corner {
    polygon: usize,
    /// 0: the shell; from 1: holes.
    ring: usize,
    vertex: usize,
    pub at: Coord,
}

fn ring_of(polygon: &Polygon, ring: usize) -> &LineString {
    match ring {
        0 => polygon.exterior(),
        hole => &polygon.interiors()[hole - 1],
    }
}

/// All corners of the shells, where the outline turns by 30 degrees or more within 10 m; of those closer than 2 m the sharpest.
pub fn corners(polygons: &MultiPolygon) -> Vec<Corner> {
    let mut found = Vec::new();
    for (polygon, shape) in polygons.0.iter().enumerate() {
        let ring = &shape.exterior().0;
        let count = ring.len().saturating_sub(1);
        if count < 3 {
            continue;
        }
        let turned = |vertex: usize| {
            let before = look(ring, count, vertex, false);
            let after = look(ring, count, vertex, true);
            let (to, on) = (ring[vertex] - before, after - ring[vertex]);
            let cross = to.x * on.y - to.y * on.x;
            let dot = to.x * on.x + to.y * on.y;
            cross.atan2(dot).to_degrees().abs()
        };
        let turns: Vec<f64> = (0..count).map(turned).collect();
        for vertex in 0..count {
            let at = ring[vertex];
            let sharper = (0..count).any(|other| {
                let d = ring[other] - at;
                let near = other != vertex && d.x.hypot(d.y) < ONE_CORNER_M;
                near && (turns[other], vertex) > (turns[vertex], other)
            });
            if turns[vertex] >= LEAST_TURN_DEG && !sharper {
                let ring = 0;
                found.push(Corner {
                    polygon,
                    ring,
                    vertex,
                    at,
                });
            }
        }
    }
    found
}

/// The place [`LOOK_M`] along a closed ring from a vertex, or half-way round where the ring is shorter.
fn look(ring: &[Coord], count: usize, vertex: usize, ahead: bool) -> Coord {
    let next = |at: usize| match ahead {
        true => (at + 1) % count,
        false => (at + count - 1) % count,
    };
    let (mut at, mut left) = (vertex, LOOK_M);
    for _ in 0..count / 2 {
        let step = ring[next(at)] - ring[at];
        let long = step.x.hypot(step.y);
        if long >= left {
            return ring[at] + step * (left / long);
        }
        left -= long;
        at = next(at);
    }
    ring[at]
}

/// Why a corner cannot be moved.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum NoMove {
    /// An edge at the corner is shorter than the way, in metres: the move would leave a spike.
    ShortEdge { edge_m: f64, way_m: f64 },
    /// The outline would cross itself.
    Crosses,
}

/// The outline with a corner at another place.
///
/// # Errors
/// [`NoMove`].
pub fn move_corner(
    polygons: &MultiPolygon,
    corner: Corner,
    to: Coord,
) -> Result<MultiPolygon, NoMove> {
    let mut moved = polygons.clone();
    let polygon = &polygons.0[corner.polygon];
    let ring = &ring_of(polygon, corner.ring).0;
    let count = ring.len() - 1;
    let before = ring[(corner.vertex + count - 1) % count];
    let after = ring[(corner.vertex + 1) % count];
    let long = |d: Coord| d.x.hypot(d.y);
    let way_m = long(to - corner.at);
    for end in [before, after] {
        let edge_m = long(end - corner.at);
        if edge_m < way_m {
            return Err(NoMove::ShortEdge { edge_m, way_m });
        }
    }
    for own in polygon_segments(polygon) {
        let at_corner = own.a == corner.at || own.b == corner.at;
        for (from, other) in [(before, after), (after, before)] {
            let joined = own.a == from || own.b == from;
            if at_corner {
                continue;
            }
            let touches = segment_segment(from, to, own.a, own.b) == 0.0;
            // The neighbour along the outline meets the edge in their common end and must do so there only.
            let folds = joined && {
                let far = if own.a == from { own.b } else { own.a };
                point_segment(far, from, to) == 0.0 || point_segment(to, own.a, own.b) == 0.0
            };
            if (touches && !joined) || folds || other == to {
                return Err(NoMove::Crosses);
            }
        }
    }
    let mut places = ring.clone();
    places[corner.vertex] = to;
    if corner.vertex == 0 {
        places[count] = to;
    }
    let shell = LineString(places);
    moved.0[corner.polygon] = Polygon::new(shell, polygon.interiors().to_vec());
    let others = moved.0.iter().enumerate();
    for (_, other) in others.filter(|(at, _)| *at != corner.polygon) {
        let meets = polygon_segments(other).any(|own| {
            segment_segment(before, to, own.a, own.b) == 0.0
                || segment_segment(after, to, own.a, own.b) == 0.0
        });
        if meets {
            return Err(NoMove::Crosses);
        }
    }
    Ok(moved)
}

/// An outline that a line has parted.
#[derive(Clone, Debug)]
pub struct Parted {
    pub left: MultiPolygon,
    /// Of each polygon all but its largest piece, with the line itself.
    pub beyond: MultiPolygon,
    pub beyond_m2: f64,
}

/// Why a line does not part an outline.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum NoParting {
    /// It leaves the outline whole.
    Apart,
    /// It ends inside, so many metres from the edge.
    EndsInside { from_edge_m: f64 },
    /// So great a share lies beyond that nobody can tell which side is meant.
    WhichSide { share: f64 },
}

/// Parts an outline by lines; an end inside goes on to the nearest place of the edge, if that is within `reach_m`. What lies
/// beyond is the smaller side.
///
/// # Errors
/// [`NoParting`].
pub fn part(
    polygons: &MultiPolygon,
    lines: &MultiLineString,
    reach_m: f64,
) -> Result<Parted, NoParting> {
    let knife = union(&knife(polygons, lines, reach_m)?).0;
    let (mut left, mut beyond) = (Vec::new(), Vec::new());
    for polygon in &polygons.0 {
        let mut pieces = difference(&MultiPolygon(vec![polygon.clone()]), &knife).0;
        pieces.retain(|piece| polygon_area(piece) >= SCRAP_M2);
        // Stable, so that of two equal pieces the first stays.
        pieces.sort_by(|a, b| polygon_area(b).total_cmp(&polygon_area(a)));
        if pieces.len() < 2 {
            left.push(polygon.clone());
            continue;
        }
        left.push(pieces.remove(0));
        beyond.extend(pieces);
    }
    if beyond.is_empty() {
        return Err(NoParting::Apart);
    }
    let beyond_m2: f64 = beyond.iter().map(polygon_area).sum();
    let share = beyond_m2 / area(polygons);
    if share > MOST_BEYOND {
        return Err(NoParting::WhichSide { share });
    }
    Ok(Parted {
        left: MultiPolygon(left),
        beyond: MultiPolygon(beyond),
        beyond_m2,
    })
}

/// Thin quads along the lines, their ends led on to the edge.
fn knife(
    polygons: &MultiPolygon,
    lines: &MultiLineString,
    reach_m: f64,
) -> Result<Vec<Polygon>, NoParting> {
    let mut quads = Vec::new();
    for line in lines {
        let mut places = line.0.clone();
        places.dedup();
        if places.len() < 2 {
            continue;
        }
        for _ in 0..2 {
            places.reverse();
            if let Some(on) = led_on(polygons, places[places.len() - 1], reach_m)? {
                places.push(on);
            }
        }
        quads.extend(places.windows(2).map(|w| quad(w[0], w[1])));
    }
    Ok(quads)
}

/// Where a line that ends inside goes on to: just beyond the nearest place of the edge. None: it ends outside.
fn led_on(polygons: &MultiPolygon, end: Coord, reach_m: f64) -> Result<Option<Coord>, NoParting> {
    if !super::distance::inside(end, polygons) {
        return Ok(None);
    }
    let edges = polygons.0.iter().flat_map(polygon_segments);
    let nearest = edges
        .map(|edge| {
            let along = edge.b - edge.a;
            let share = super::distance::share_along(end, edge.a, edge.b);
            let at = edge.a + along * share;
            ((at - end).x.hypot((at - end).y), at)
        })
        .min_by(|a, b| a.0.total_cmp(&b.0));
    let Some((from_edge_m, at)) = nearest else {
        return Ok(None);
    };
    if from_edge_m > reach_m {
        return Err(NoParting::EndsInside { from_edge_m });
    }
    let on = at - end;
    let beyond = match from_edge_m > 1e-9 {
        true => on * (10.0 * KNIFE_M / from_edge_m),
        false => Coord { x: 0.0, y: 0.0 },
    };
    Ok(Some(at + beyond).filter(|at| *at != end))
}

/// The ground within a centimetre of a segment, its ends that much longer.
fn quad(a: Coord, b: Coord) -> Polygon {
    let d = b - a;
    let d = d * (KNIFE_M / d.x.hypot(d.y));
    let aside = Coord { x: -d.y, y: d.x };
    let ring = [a - d - aside, b + d - aside, b + d + aside, a - d + aside];
    Polygon::new(LineString::from(ring.to_vec()), vec![])
}

#[cfg(test)]
mod tests {
    use geo::polygon;

    use super::*;

    fn square() -> MultiPolygon {
        MultiPolygon(vec![
            polygon![(x: 0.0, y: 0.0), (x: 200.0, y: 0.0), (x: 200.0, y: 200.0), (x: 100.0, y: 200.5), (x: 0.0, y: 200.0)],
        ])
    }

    fn lines(places: &[(f64, f64)]) -> MultiLineString {
        MultiLineString(vec![LineString::from(places.to_vec())])
    }

    #[test]
    fn a_bend_of_a_degree_is_no_corner() {
        let found = corners(&square());
        let places: Vec<(f64, f64)> = found.iter().map(|c| c.at.into()).collect();
        assert_eq!(
            places,
            [(0.0, 0.0), (200.0, 0.0), (200.0, 200.0), (0.0, 200.0)]
        );
    }

    #[test]
    fn a_corner_cut_off_by_a_short_edge_is_one_corner() {
        let shape = polygon![(x: 0.0, y: 0.0), (x: 100.0, y: 0.0), (x: 100.0, y: 99.0), (x: 99.0, y: 100.0), (x: 0.0, y: 100.0)];
        assert_eq!(corners(&MultiPolygon(vec![shape])).len(), 4);
    }

    #[test]
    fn the_first_corner_moves_with_the_end_of_its_ring() {
        let corner = corners(&square())[0];
        let to = Coord { x: 10.0, y: 10.0 };
        let moved = move_corner(&square(), corner, to).unwrap();
        let ring = &moved.0[0].exterior().0;
        assert_eq!((ring[0], ring[ring.len() - 1]), (to, to));
        // Two triangles of 200 m by 10 m.
        assert!((area(&square()) - area(&moved) - 2000.0).abs() < 1e-6);
    }

    #[test]
    fn a_corner_does_not_go_where_the_outline_would_cross_itself() {
        let notch = polygon![(x: 0.0, y: 0.0), (x: 100.0, y: 0.0), (x: 100.0, y: 100.0), (x: 50.0, y: 20.0), (x: 0.0, y: 100.0)];
        let shape = MultiPolygon(vec![notch]);
        let corner = *corners(&shape)
            .iter()
            .find(|c| c.at.x == 100.0 && c.at.y == 0.0)
            .unwrap();
        let over = Coord { x: 40.0, y: 50.0 };
        assert_eq!(move_corner(&shape, corner, over), Err(NoMove::Crosses));
        let far = Coord { x: 300.0, y: 0.0 };
        assert!(matches!(
            move_corner(&shape, corner, far),
            Err(NoMove::ShortEdge { .. })
        ));
    }

    #[test]
    fn a_line_parts_the_smaller_side_off_and_is_led_on_to_the_edge() {
        let line = lines(&[(-5.0, 150.0), (100.0, 150.0), (190.0, 150.0)]);
        let parted = part(&square(), &line, 30.0).unwrap();
        assert!(
            (parted.beyond_m2 - 10_050.0).abs() < 5.0,
            "{}",
            parted.beyond_m2
        );
        assert!((area(&parted.left) - 30_000.0).abs() < 5.0);
        assert_eq!(
            part(&square(), &line, 5.0).unwrap_err(),
            NoParting::EndsInside { from_edge_m: 10.0 }
        );
    }

    #[test]
    fn a_line_through_the_middle_or_beside_says_nothing() {
        let middle = lines(&[(-5.0, 100.0), (205.0, 100.0)]);
        assert!(matches!(
            part(&square(), &middle, 30.0),
            Err(NoParting::WhichSide { .. })
        ));
        let beside = lines(&[(-5.0, -20.0), (205.0, -20.0)]);
        assert_eq!(
            part(&square(), &beside, 30.0).unwrap_err(),
            NoParting::Apart
        );
    }
}
