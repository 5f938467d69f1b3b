//! Rings that do not cross, sorted into shells and the holes that lie in them.

use std::collections::{HashMap, HashSet};

use geo::{Coord, InteriorPoint, LineString, MultiPolygon, Polygon};

use super::area::{Bounds, ring_area, rings};
use super::distance::inside_ring;

/// What a ring encloses.
pub fn alone(ring: LineString) -> Polygon {
    Polygon::new(ring, Vec::new())
}

/// A place well inside a ring; a ring without one is rounding.
fn middle(ring: &LineString) -> Option<Coord> {
    alone(ring.clone()).interior_point().map(|middle| middle.0)
}

/// Edges looked at hole by hole; with more of them it is quicker to look first whether any rings touch.
const FEW_EDGES: usize = 100_000;

/// Polygons whose holes lie in their shells, of those that an overlay has made. Where rings touch in a point, i_overlay 9.1.0
/// now and then gives a hole to a shell that it lies outside of.
pub fn in_own_shells(polygons: MultiPolygon) -> MultiPolygon {
    let edges = |p: &Polygon| p.interiors().len() * p.exterior().0.len();
    let few = polygons.0.iter().map(edges).sum::<usize>() <= FEW_EDGES;
    if !few && !touches(&polygons.0) || polygons.0.iter().all(holds_its_holes) {
        return polygons;
    }
    nested(polygons.0.iter().flat_map(rings))
}

/// Whether every hole seems to lie in the shell, by one place of its edge.
fn holds_its_holes(polygon: &Polygon) -> bool {
    let shell = polygon.exterior();
    let place = |hole: &LineString| (hole.0[0] + hole.0[1]) / 2.0;
    let mut places = polygon.interiors().iter().map(place);
    places.all(|place| inside_ring(place, shell))
}

/// Polygons of rings that do not cross: a ring is a shell where an even number of others is around it, else a hole of the
/// closest one around it. Rings keep the way they run.
pub fn nested<'r>(rings: impl Iterator<Item = &'r LineString>) -> MultiPolygon {
    let mut found: Vec<(Coord, Bounds, &LineString)> = rings
        .filter_map(|ring| Some((middle(ring)?, Bounds::of(&ring.0), ring)))
        .collect();
    found.sort_by(|(.., one), (.., other)| {
        let m2 = |ring| ring_area(ring).abs();
        m2(other).total_cmp(&m2(one))
    });
    let mut shells: Vec<(usize, Polygon)> = Vec::new();
    for (n, (place, bounds, ring)) in found.iter().enumerate() {
        let around: Vec<usize> = (0..n)
            .filter(|&k| found[k].1.meets(bounds) && inside_ring(*place, found[k].2))
            .collect();
        let closest = around.last();
        match shells.iter_mut().find(|(k, _)| Some(k) == closest) {
            Some((_, shell)) if around.len() % 2 == 1 => {
                shell.interiors_push((*ring).clone());
            }
            _ => shells.push((n, alone((*ring).clone()))),
        }
    }
    MultiPolygon(shells.into_iter().map(|(_, shell)| shell).collect())
}

/// Zeros of either sign are one place.
fn key(c: Coord) -> [u64; 2] {
    [(c.x + 0.0).to_bits(), (c.y + 0.0).to_bits()]
}

/// Whether rings share a corner, or one comes back to a corner.
pub fn touches(polygons: &[Polygon]) -> bool {
    let all = || polygons.iter().flat_map(rings);
    let count = all().map(|ring| ring.0.len()).sum();
    let mut seen: HashSet<[u64; 2]> = HashSet::with_capacity(count);
    let mut corners = all().flat_map(|ring| ring.0.iter().skip(1));
    corners.any(|&corner| !seen.insert(key(corner)))
}

/// The loops of a ring that comes back to corners it has been at; None: it does not.
pub fn loops(ring: &LineString) -> Option<Vec<LineString>> {
    let corners = &ring.0[..ring.0.len().saturating_sub(1)];
    let mut seen: HashMap<[u64; 2], usize> = HashMap::with_capacity(corners.len());
    let mut open: Vec<Coord> = Vec::with_capacity(corners.len());
    let mut found = Vec::new();
    for &corner in corners {
        if let Some(&from) = seen.get(&key(corner)) {
            let mut done: Vec<Coord> = open.drain(from..).collect();
            for gone in &done[1..] {
                seen.remove(&key(*gone));
            }
            done.push(corner);
            found.push(LineString(done));
        }
        seen.insert(key(corner), open.len());
        open.push(corner);
    }
    if found.is_empty() {
        return None;
    }
    open.extend(open.first().copied());
    found.push(LineString(open));
    found.retain(|done| done.0.len() > 3);
    Some(found)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::area::area;
    use geo::wkt;

    /// By hand: two squares that meet in a corner, the larger with a hole, given as one polygon with two holes.
    #[test]
    fn a_shell_that_an_overlay_gives_as_a_hole_is_a_shell_again() {
        let wrong = wkt!(POLYGON((0. 0.,100. 0.,100. 100.,0. 100.,0. 0.),
            (100. 100.,150. 100.,150. 150.,100. 150.,100. 100.),(20. 20.,20. 40.,40. 40.,40. 20.,20. 20.)));
        assert!(!holds_its_holes(&wrong) && touches(std::slice::from_ref(&wrong)));
        let right = in_own_shells(MultiPolygon(vec![wrong.clone()]));
        assert!(right.0.iter().all(holds_its_holes));
        assert_eq!(right.0.len(), 2);
        let m2 = area(&right);
        assert!((m2 - (10_000.0 - 400.0 + 2_500.0)).abs() < 1e-9, "{m2}");
        // An island in a lake in an island.
        let island = wkt!(POLYGON((25. 25.,35. 25.,35. 35.,25. 35.,25. 25.)));
        let right = nested(rings(&island).chain(rings(&wrong)));
        assert_eq!(right.0.len(), 3);
        let m2 = area(&right);
        assert!(
            (m2 - (10_000.0 - 400.0 + 2_500.0 + 100.0)).abs() < 1e-9,
            "{m2}"
        );
    }

    /// As i_overlay 9.1.0 gave it: two holes of 0.48 m2 each that touch one another, given to a triangle far from them.
    #[test]
    fn holes_that_an_overlay_gives_to_another_part_come_back() {
        let other = wkt!(POLYGON((0. 52.7,0. 25.6,2.5 50.7,0. 52.7),(0.1 160.8,0.1 161.8,0.9 161.5,0.1 160.8),
            (0.9 161.5,1.8 162.1,1.9 161.1,0.9 161.5)));
        let own = wkt!(POLYGON((-10. 150.,20. 150.,20. 170.,-10. 170.,-10. 150.)));
        let given = MultiPolygon(vec![other, own]);
        let m2 = area(&given);
        let right = in_own_shells(given);
        let holes: Vec<usize> = right.0.iter().map(|p| p.interiors().len()).collect();
        assert_eq!(holes, [2, 0]);
        assert!((area(&right) - m2).abs() < 1e-12);
    }

    /// By hand: a square of 10 m with a smaller one at its corner, in one ring; and one with a triangle cut out from its edge.
    #[test]
    fn a_ring_that_touches_itself_falls_into_loops() {
        let pair =
            wkt!(POLYGON((0. 0.,10. 0.,10. 10.,12. 10.,12. 12.,10. 12.,10. 10.,0. 10.,0. 0.)));
        let found = nested(loops(pair.exterior()).unwrap().iter());
        assert_eq!(found.0.len(), 2);
        assert!((area(&found) - 104.0).abs() < 1e-12);
        let bitten = wkt!(POLYGON((0. 0.,10. 0.,10. 10.,5. 10.,4. 6.,6. 6.,5. 10.,0. 10.,0. 0.)));
        let found = nested(loops(bitten.exterior()).unwrap().iter());
        assert_eq!((found.0.len(), found.0[0].interiors().len()), (1, 1));
        let square = wkt!(POLYGON((0. 0.,10. 0.,10. 10.,0. 10.,0. 0.)));
        assert!(loops(square.exterior()).is_none() && !touches(&[square]));
    }
}
