//! Where water runs over an elevation grid: hollows filled, a way down from each cell, and the ground that drains through it.
//!
//! Filling by Barnes, Lehman and Mulla 2014, Priority-flood, Computers & Geosciences 62; the way down is to the steepest of
//! the eight neighbours of the filled surface (O'Callaghan and Mark 1984, Computer Vision, Graphics, and Image Processing
//! 28), and over level ground towards where it was flooded from.

use super::nearest_first::CellQueue;
use super::terrain::ElevationGrid;

/// Columns and rows to the eight neighbours.
pub(super) const AROUND: [(i64, i64); 8] = [
    (1, 0),
    (0, 1),
    (-1, 0),
    (0, -1),
    (1, 1),
    (-1, 1),
    (-1, -1),
    (1, -1),
];

/// Row by row, as the elevations.
#[derive(Clone, Debug, PartialEq)]
pub struct Flow {
    /// Metres: no cell is lower than every way out of the grid; NaN where the elevation is.
    pub filled: Vec<f64>,
    /// The cell that each drains to; itself where the water leaves the grid, and where nothing is known.
    pub to: Vec<u32>,
    /// How many cells drain through each, itself among them; 0 where nothing is known.
    pub cells: Vec<f64>,
    /// Whether ground beyond the grid, or ground of no elevation, may drain through it as well: `cells` is the least then.
    pub at_least: Vec<bool>,
}

impl Flow {
    /// Water leaves over the grid's edge and into cells without elevation, which are flooded from there inwards.
    pub fn over(elevations: &ElevationGrid) -> Flow {
        let (columns, rows) = (elevations.cells.columns, elevations.cells.rows);
        // With a rim of cells without elevation, so that each has all its neighbours; in the same order.
        let wide = columns + 2;
        let inner = |row: usize| (row + 1) * wide + 1;
        let inside = |row: usize| inner(row)..inner(row) + columns;
        // Elevations, and once a cell is seen the level it is filled to.
        let mut filled = vec![f64::NAN; wide * (rows + 2)];
        for (row, values) in elevations.values.chunks_exact(columns.max(1)).enumerate() {
            for (own, &value) in filled[inner(row)..].iter_mut().zip(values) {
                if value.is_finite() {
                    *own = value;
                }
            }
        }
        let around = AROUND.map(|(dx, dy)| {
            let run = ((dx * dx + dy * dy) as f64).sqrt();
            (dx as isize + dy as isize * wide as isize, run)
        });
        let beside = |at: usize, ahead: isize| at.wrapping_add_signed(ahead);
        let mut to: Vec<u32> = (0..filled.len() as u32).collect();
        let mut at_least = vec![false; filled.len()];
        let mut seen: Vec<bool> = filled.iter().map(|z| z.is_nan()).collect();
        let mut queue = CellQueue::default();
        let known = (0..rows).flat_map(inside);
        for at in known.filter(|&at| !filled[at].is_nan()) {
            if around
                .iter()
                .any(|&(ahead, _)| filled[beside(at, ahead)].is_nan())
            {
                seen[at] = true;
                at_least[at] = true;
                queue.push(filled[at], at as u32);
            }
        }
        // As they were flooded: each drains to one before it.
        let mut order: Vec<u32> = Vec::with_capacity(filled.len());
        while let Some((level, at)) = queue.pop() {
            order.push(at);
            for (ahead, _) in around {
                let next = beside(at as usize, ahead);
                if !seen[next] {
                    seen[next] = true;
                    filled[next] = filled[next].max(level);
                    to[next] = at;
                    queue.push(filled[next], next as u32);
                }
            }
        }
        for at in (0..rows).flat_map(inside) {
            let mut steepest = 0.0;
            for (ahead, run) in around {
                let next = beside(at, ahead);
                // No number where nothing is known, and nothing is less steep than that. What falls by no more at once
                // falls by less over its run, which is no less than 1.
                let fall = filled[at] - filled[next];
                if fall > steepest && fall / run > steepest {
                    steepest = fall / run;
                    to[at] = next as u32;
                }
            }
        }
        let mut cells = vec![0.0; filled.len()];
        for &at in order.iter().rev() {
            let (at, next) = (at as usize, to[at as usize] as usize);
            cells[at] += 1.0;
            if next != at {
                cells[next] += cells[at];
                at_least[next] |= at_least[at];
            }
        }
        let mut flow = Flow {
            filled: elevations.values.clone(),
            to: Vec::with_capacity(columns * rows),
            cells: Vec::with_capacity(columns * rows),
            at_least: Vec::with_capacity(columns * rows),
        };
        for row in 0..rows {
            // Two cells of each row before are rim.
            let rim = (inner(row) - row * columns) as u32;
            flow.to.extend(inside(row).map(|at| {
                let ahead = to[at] as isize - at as isize;
                let rows_on = isize::from(ahead > 1) - isize::from(ahead < -1);
                to[at]
                    .wrapping_sub(rim)
                    .wrapping_add_signed(-2 * rows_on as i32)
            }));
            flow.cells.extend(&cells[inside(row)]);
            flow.at_least.extend(&at_least[inside(row)]);
            let own = flow.filled[row * columns..].iter_mut();
            for (own, &filled) in own.zip(&filled[inside(row)]) {
                if !filled.is_nan() {
                    *own = filled;
                }
            }
        }
        flow
    }

    /// How deep water would stand in a hollow, metres; 0 elsewhere.
    pub fn ponded_m(&self, elevations: &ElevationGrid, at: usize) -> f64 {
        let deep_m = self.filled[at] - elevations.values[at];
        if deep_m > 0.0 { deep_m } else { 0.0 }
    }
}

#[cfg(test)]
mod tests {
    use geo::Coord;

    use super::super::terrain::Cells;
    use super::*;

    fn grid(columns: usize, values: Vec<f64>) -> ElevationGrid {
        ElevationGrid {
            cells: Cells {
                corner: Coord { x: 0.0, y: 0.0 },
                cell_m: 10.0,
                first_column: 0,
                first_row: 0,
                columns,
                rows: values.len() / columns,
            },
            values,
        }
    }

    /// By hand: a bowl whose rim is lowest (6) in the east stands full to 6.
    #[test]
    fn a_hollow_fills_to_its_lowest_way_out() {
        #[rustfmt::skip]
        let bowl = grid(5, vec![
            9., 9., 9., 9., 9.,
            9., 5., 4., 7., 9.,
            9., 5., 3., 6., 6.,
            9., 8., 4., 7., 9.,
            9., 9., 9., 9., 9.,
        ]);
        let flow = Flow::over(&bowl);
        #[rustfmt::skip]
        let filled = vec![
            9., 9., 9., 9., 9.,
            9., 6., 6., 7., 9.,
            9., 6., 6., 6., 6.,
            9., 8., 6., 7., 9.,
            9., 9., 9., 9., 9.,
        ];
        assert_eq!(flow.filled, filled);
        assert_eq!(flow.ponded_m(&bowl, 12), 3.0);
        assert_eq!(flow.ponded_m(&bowl, 13), 0.0);
        // All nine inner cells leave by the way out, and the rim's own where they are lower inside than outside.
        assert_eq!(flow.to[14], 14);
        assert!(flow.cells[14] >= 10.0, "{:?}", flow.cells);
        assert!(flow.cells.iter().all(|&cells| cells >= 1.0));
        let leaving: f64 = (0..25)
            .filter(|&at| flow.to[at] as usize == at)
            .map(|at| flow.cells[at])
            .sum();
        assert_eq!(leaving, 25.0);
    }

    /// By hand: a plane that falls to the east drains each row by itself; what comes over the western edge is not known.
    #[test]
    fn a_plane_drains_row_by_row() {
        let plane = grid(6, (0..30).map(|at| 10.0 - f64::from(at % 6)).collect());
        let flow = Flow::over(&plane);
        assert_eq!(flow.cells[12..18], [1., 2., 3., 4., 5., 6.]);
        assert!(flow.at_least.iter().all(|&beyond| beyond));
    }

    /// By hand: on a cone nothing comes from beyond but at the rim.
    #[test]
    fn a_hill_knows_its_own_ground() {
        let height = |at: i32| -f64::from((at % 7 - 3).abs().max((at / 7 - 3).abs()));
        let flow = Flow::over(&grid(7, (0..49).map(height).collect()));
        for at in 0..49 {
            let rim = height(at) == -3.0;
            assert_eq!(flow.at_least[at as usize], rim, "{at}");
        }
    }

    /// Level ground drains all the same, and every way ends at the edge.
    #[test]
    fn level_ground_drains_without_rounds() {
        let mut values = vec![7.0; 15 * 11];
        values[80] = f64::NAN;
        let flow = Flow::over(&grid(15, values));
        for mut at in (0..15 * 11).filter(|&at| at != 80) {
            let mut steps = 0;
            while flow.to[at] as usize != at {
                at = flow.to[at] as usize;
                steps += 1;
                assert!(steps < 200);
            }
        }
        assert_eq!(flow.cells[80], 0.0);
        let leaving = (0..15 * 11).filter(|&at| flow.to[at] as usize == at);
        assert_eq!(leaving.map(|at| flow.cells[at]).sum::<f64>(), 164.0);
    }
}
