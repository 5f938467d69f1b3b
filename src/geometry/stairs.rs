//! Outlines of raster cells made even: steps filled, so that a machine can follow the edge.

use geo::{Coord, LineString, MultiPolygon, Polygon};

use super::area::rings;

/// A line over a stair may run this many cells far; own judgement.
const LONGEST_CELLS: f64 = 6.0;
/// Of a cell, against roundings.
const HAIR: f64 = 1e-6;

/// Triangles which fill the steps in the outlines of a shape of raster cells: corners that turn into the shape are passed
/// by, where no corner is left farther than a cell from the line past it. The shape with them holds all of the shape;
/// triangles may overlap each other and other parts of it.
pub fn steps(shape: &MultiPolygon, cell_m: f64) -> Vec<Polygon> {
    let outlines = shape.0.iter().flat_map(rings);
    outlines.flat_map(|ring| of_ring(ring, cell_m)).collect()
}

/// A corner that is kept, and those passed by on the way to the next.
struct Corner {
    at: Coord,
    passed: Vec<Coord>,
}

fn of_ring(ring: &LineString, cell_m: f64) -> Vec<Polygon> {
    let open = &ring.0[..ring.0.len().saturating_sub(1)];
    let mut corners: Vec<Corner> = (open.iter())
        .map(|&at| Corner { at, passed: vec![] })
        .collect();
    let mut filled = vec![];
    let mut at = 0;
    // So many corners in a row that could not be passed by: once round is enough.
    let mut kept = 0;
    while corners.len() > 3 && kept < corners.len() {
        let count = corners.len();
        let (before, after) = ((at + count - 1) % count, (at + 1) % count);
        let (a, b, c) = (corners[before].at, corners[at].at, corners[after].at);
        let between = (corners[before].passed.iter())
            .chain([&b])
            .chain(&corners[at].passed);
        if !may_pass(a, c, between, cell_m) {
            kept += 1;
            at = after;
            continue;
        }
        filled.push(Polygon::new(LineString(vec![a, b, c, a]), vec![]));
        let gone = corners.remove(at);
        let before = if at == 0 { count - 2 } else { at - 1 };
        corners[before].passed.push(gone.at);
        corners[before].passed.extend(gone.passed);
        // What lies before it may be passed by now.
        at = before;
        kept = 0;
    }
    filled
}

/// The shape lies on the left of its outline: what is passed by has to lie on that side of the line, or on it.
fn may_pass<'a>(a: Coord, c: Coord, between: impl Iterator<Item = &'a Coord>, cell_m: f64) -> bool {
    let way = c - a;
    let way_m = way.x.hypot(way.y);
    if way_m > LONGEST_CELLS * cell_m || way_m < HAIR * cell_m {
        return false;
    }
    let mut deepest_m = 0.0_f64;
    for p in between {
        let off = *p - a;
        let left_m = (way.x * off.y - way.y * off.x) / way_m;
        let along_m = (way.x * off.x + way.y * off.y) / way_m;
        let beside = along_m > -HAIR * cell_m && along_m < way_m + HAIR * cell_m;
        if left_m < -HAIR * cell_m || left_m > cell_m * (1.0 + HAIR) || !beside {
            return false;
        }
        deepest_m = deepest_m.max(left_m);
    }
    deepest_m > HAIR * cell_m
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::area::area;
    use crate::geometry::overlay::{difference, union};

    const CELL_M: f64 = 10.0;

    fn cells(places: &[(i32, i32)]) -> MultiPolygon {
        let cell = |&(column, row): &(i32, i32)| {
            let (x, y) = (f64::from(column) * CELL_M, f64::from(row) * CELL_M);
            let corners = [(0., 0.), (1., 0.), (1., 1.), (0., 1.), (0., 0.)];
            let ring = corners.map(|(dx, dy)| (x + dx * CELL_M, y + dy * CELL_M));
            Polygon::new(LineString::from(ring.to_vec()), vec![])
        };
        union(&places.iter().map(cell).collect::<Vec<_>>())
    }

    fn even(shape: &MultiPolygon) -> MultiPolygon {
        let all = shape.0.iter().cloned().chain(steps(shape, CELL_M));
        union(&all.collect::<Vec<_>>())
    }

    fn corners(shape: &MultiPolygon) -> usize {
        let turns = |ring: &LineString| {
            let open = &ring.0[..ring.0.len() - 1];
            let count = open.len();
            (0..count)
                .filter(|&k| {
                    let (a, b, c) = (
                        open[(k + count - 1) % count],
                        open[k],
                        open[(k + 1) % count],
                    );
                    let (u, v) = (b - a, c - b);
                    (u.x * v.y - u.y * v.x).abs() > 1e-6
                })
                .count()
        };
        shape.0.iter().flat_map(rings).map(turns).sum()
    }

    #[test]
    fn a_stair_of_cells_becomes_a_line() {
        // Ten columns, each a cell lower than the one before it.
        let stair: Vec<(i32, i32)> = (0..10)
            .flat_map(|column| (0..10 - column).map(move |row| (column, row)))
            .collect();
        let before = cells(&stair);
        let after = even(&before);
        assert_eq!(corners(&before), 22);
        // Half a cell at each of nine steps.
        assert!((area(&after) - area(&before) - 9.0 * 50.0).abs() < 1e-3);
        assert_eq!(corners(&after), 5);
        assert!(area(&difference(&before, &after.0)) < 1e-6);
    }

    #[test]
    fn flat_and_steep_stairs_and_notches_are_filled_and_a_square_corner_stays() {
        // Steps three cells long, one high.
        let flat: Vec<(i32, i32)> = (0..12)
            .flat_map(|column| (0..5 - column / 3).map(move |row| (column, row)))
            .collect();
        let after = even(&cells(&flat));
        assert!((area(&after) - area(&cells(&flat)) - 3.0 * 150.0).abs() < 1e-3);
        // A notch of one cell in an edge.
        let notch: Vec<(i32, i32)> = (0..5)
            .flat_map(|column| (0..3 - i32::from(column == 2)).map(move |row| (column, row)))
            .collect();
        assert_eq!(corners(&even(&cells(&notch))), 4);
        // An L of broad arms keeps its corner but for what a line past it takes.
        let corner: Vec<(i32, i32)> = (0..10)
            .flat_map(|column| (0..if column < 5 { 10 } else { 5 }).map(move |row| (column, row)))
            .collect();
        assert!((area(&even(&cells(&corner))) - area(&cells(&corner))).abs() < 1e-6);
    }

    #[test]
    fn whatever_the_cells_all_of_them_stay_and_little_is_added() {
        let mut seed = 7_u64;
        for _ in 0..50 {
            let mut places = vec![];
            for column in 0..12 {
                for row in 0..12 {
                    seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
                    if seed >> 63 == 1 {
                        places.push((column, row));
                    }
                }
            }
            let before = cells(&places);
            let after = even(&before);
            assert!(area(&difference(&before, &after.0)) < 1e-6);
            let edge_m: f64 = before
                .0
                .iter()
                .flat_map(rings)
                .map(crate::geometry::area::length)
                .sum();
            assert!(area(&after) - area(&before) <= edge_m * CELL_M / 2.0);
        }
    }
}
