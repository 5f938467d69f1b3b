//! How much of each cell of a grid ground covers: exact, by the areas beside its edges.

use geo::{Coord, MultiPolygon};

use super::area::{Bounds, rings};

/// Shares of cells, row by row.
#[derive(Clone, Debug, PartialEq)]
pub struct CellShares {
    pub first_column: i64,
    pub first_row: i64,
    pub columns: usize,
    pub rows: usize,
    /// From 0 to 1.
    pub shares: Vec<f64>,
}

impl CellShares {
    /// Of polygons given by columns and rows of the grid: cell (c, r) reaches from c to c + 1 and from r to r + 1. Shells and
    /// holes run opposite ways, and polygons do not overlap. None for no ground, or more than `most` cells.
    pub fn of(ground: &MultiPolygon, most: usize) -> Option<CellShares> {
        if ground.0.is_empty() {
            return None;
        }
        let bounds = Bounds::of_polygons(ground);
        let all = [bounds.min.x, bounds.min.y, bounds.max.x, bounds.max.y];
        if all
            .iter()
            .any(|value| !value.is_finite() || value.abs() >= 1e15)
        {
            return None;
        }
        let (first_column, first_row) = (bounds.min.x.floor() as i64, bounds.min.y.floor() as i64);
        let columns = (bounds.max.x.ceil() as i64 - first_column).max(1) as usize;
        let rows = (bounds.max.y.ceil() as i64 - first_row).max(1) as usize;
        if columns.checked_mul(rows)? > most {
            return None;
        }
        // To the right of an edge all of a row's cells gain its height; two more columns take what lies beyond the last, and
        // beyond an edge along its right side.
        let wide = columns + 2;
        let mut gains = vec![0.0; wide * rows];
        let corner = Coord {
            x: first_column as f64,
            y: first_row as f64,
        };
        for ring in ground.0.iter().flat_map(rings) {
            for edge in ring.0.windows(2) {
                add_edge(&mut gains, wide, edge[0] - corner, edge[1] - corner);
            }
        }
        let mut shares = Vec::with_capacity(columns * rows);
        for row in gains.chunks_exact(wide) {
            let mut sum = 0.0;
            shares.extend(row[..columns].iter().map(|gain| {
                sum += gain;
                f64::abs(sum).min(1.0)
            }));
        }
        Some(CellShares {
            first_column,
            first_row,
            columns,
            rows,
            shares,
        })
    }
}

/// Cuts an edge where rows and columns begin, and books each stretch in its own cell and the one beyond.
fn add_edge(gains: &mut [f64], wide: usize, from: Coord, to: Coord) {
    let step = to - from;
    if step.y == 0.0 {
        return;
    }
    let mut at: Vec<f64> = vec![0.0, 1.0];
    for (start, length) in [(from.x, step.x), (from.y, step.y)] {
        if length == 0.0 {
            continue;
        }
        let (low, high) = (start.min(start + length), start.max(start + length));
        let mut line = low.floor() + 1.0;
        while line < high {
            at.push(((line - start) / length).clamp(0.0, 1.0));
            line += 1.0;
        }
    }
    at.sort_by(f64::total_cmp);
    for pair in at.windows(2) {
        let middle = from + step * ((pair[0] + pair[1]) / 2.0);
        let height = step.y * (pair[1] - pair[0]);
        let (column, row) = (middle.x.floor().max(0.0), middle.y.floor().max(0.0));
        let cell = row as usize * wide + (column as usize).min(wide - 2);
        let Some(own) = gains.get_mut(cell..cell + 2) else {
            continue;
        };
        // What of the cell lies to the right of the stretch; the next cell is right of it as a whole.
        let beside = (column + 1.0 - middle.x) * height;
        own[0] += beside;
        own[1] += height - beside;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use geo::{LineString, Polygon};

    fn polygon(shell: &[(f64, f64)], holes: &[&[(f64, f64)]]) -> MultiPolygon {
        let ring = |points: &[(f64, f64)]| {
            let mut ring = LineString::from(points.to_vec());
            ring.close();
            ring
        };
        let holes = holes.iter().map(|hole| ring(hole)).collect();
        MultiPolygon(vec![Polygon::new(ring(shell), holes)])
    }

    fn assert_shares(found: &CellShares, wanted: &[f64]) {
        assert_eq!(found.shares.len(), wanted.len());
        for (found, wanted) in found.shares.iter().zip(wanted) {
            assert!((found - wanted).abs() < 1e-12, "{found} {wanted}");
        }
    }

    #[test]
    fn a_rectangle_covers_parts_of_cells() {
        let ground = polygon(&[(0.5, 1.25), (2.0, 1.25), (2.0, 3.0), (0.5, 3.0)], &[]);
        let found = CellShares::of(&ground, 100).unwrap();
        assert_eq!((found.first_column, found.first_row), (0, 1));
        assert_eq!((found.columns, found.rows), (2, 2));
        assert_shares(&found, &[0.375, 0.75, 0.5, 1.0]);
    }

    #[test]
    fn a_triangle_with_a_hole_among_cells_below_nothing() {
        // Half of four cells below the diagonal, less a quarter of a cell.
        let hole: &[(f64, f64)] = &[
            (-0.75, -1.75),
            (-0.75, -1.25),
            (-0.25, -1.25),
            (-0.25, -1.75),
        ];
        let ground = polygon(&[(-2.0, -2.0), (0.0, -2.0), (0.0, 0.0)], &[hole]);
        let found = CellShares::of(&ground, 100).unwrap();
        assert_eq!((found.first_column, found.first_row), (-2, -2));
        assert_shares(&found, &[0.5, 0.75, 0.0, 0.5]);
        assert_eq!(CellShares::of(&ground, 3), None);
    }
}
