//! Where water runs over an elevation grid: hollows filled, a way down from each cell, and the ground that drains through it.
//!
//! Filling by Barnes, Lehman and Mulla 2014, Priority-flood, Computers & Geosciences 62; the way down is to the steepest of
//! the eight neighbours of the filled surface (O'Callaghan and Mark 1984, Computer Vision, Graphics, and Image Processing
//! 28), and over level ground towards where it was flooded from.

use std::collections::BinaryHeap;

use super::nearest_first::Queued;
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
        let cells = &elevations.cells;
        let z = &elevations.values;
        let count = cells.count();
        let known = |at: usize| z[at].is_finite();
        let around = |at: usize| {
            let (column, row) = ((at % cells.columns) as i64, (at / cells.columns) as i64);
            AROUND.map(|(dx, dy)| cells.index(column + dx, row + dy))
        };
        let is_rim = |at: usize| {
            let beyond = |to: Option<usize>| !to.is_some_and(known);
            known(at) && around(at).into_iter().any(beyond)
        };
        let mut flow = Flow {
            filled: z.clone(),
            to: (0..count as u32).collect(),
            cells: vec![0.0; count],
            at_least: vec![false; count],
        };
        let mut queue = BinaryHeap::new();
        let mut seen = vec![false; count];
        for at in (0..count).filter(|&at| is_rim(at)) {
            seen[at] = true;
            flow.at_least[at] = true;
            queue.push(Queued(z[at], at as u32));
        }
        // As they were flooded: each drains to one before it.
        let mut order: Vec<u32> = Vec::with_capacity(count);
        while let Some(Queued(level, at)) = queue.pop() {
            order.push(at);
            for to in around(at as usize).into_iter().flatten() {
                if known(to) && !seen[to] {
                    seen[to] = true;
                    flow.filled[to] = z[to].max(level);
                    flow.to[to] = at;
                    queue.push(Queued(flow.filled[to], to as u32));
                }
            }
        }
        for &at in &order {
            let at = at as usize;
            let mut steepest = 0.0;
            for ((dx, dy), to) in AROUND.iter().zip(around(at)) {
                let Some(to) = to.filter(|&to| known(to)) else {
                    continue;
                };
                let run = ((dx * dx + dy * dy) as f64).sqrt();
                let fall = (flow.filled[at] - flow.filled[to]) / run;
                if fall > steepest {
                    steepest = fall;
                    flow.to[at] = to as u32;
                }
            }
        }
        for &at in order.iter().rev() {
            let (at, to) = (at as usize, flow.to[at as usize] as usize);
            flow.cells[at] += 1.0;
            if to != at {
                flow.cells[to] += flow.cells[at];
                flow.at_least[to] |= flow.at_least[at];
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
