//! A segment cut at the cells' edges: which slope holds on which stretch. Exact, not sampled.

use geo::Coord;

use super::terrain::{Cells, Gradient, SlopeGrid};

/// A stretch along or within this distance of an edge lies on it.
const ON_EDGE_M: f64 = 1e-6;

/// A stretch of a segment and the gradient that holds on it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Run {
    /// Beginning and end as parts of the segment, 0 to 1.
    pub t0: f64,
    pub t1: f64,
    /// None: unknown, or off the grid.
    pub gradient: Option<Gradient>,
}

impl Run {
    /// Rise over run; None where unknown.
    pub fn slope(&self) -> Option<f64> {
        self.gradient.map(Gradient::slope)
    }
}

/// One axis of the traversal: where the segment begins, and the edges it crosses one after another.
struct Axis {
    /// Column or row in which the segment begins, seen the way it runs.
    start: i64,
    /// Columns or rows to add per edge crossed: 1 or -1.
    step: i64,
    /// Parts of the segment at which edges are crossed, rising.
    crossings: Vec<f64>,
    /// The segment runs along the edge before `start`, so that both sides count.
    on_edge: bool,
}

/// `edge` gives edge `i` of `count + 1`; `sign` is 1 where edges rise with their number and -1 where they fall.
fn axis(from: f64, to: f64, count: usize, sign: f64, edge: impl Fn(i64) -> f64) -> Axis {
    let count = count as i64;
    // In numbers that rise with the edges.
    let (a, b) = (sign * from, sign * to);
    let edge = |i: i64| sign * edge(i);
    // Number of edges at or before a place, by bisection: the edges themselves decide, and there may be many.
    let passed = |place: f64| {
        let (mut low, mut high) = (0, count + 1);
        while low < high {
            let middle = (low + high) / 2;
            if edge(middle) <= place {
                low = middle + 1;
            } else {
                high = middle;
            }
        }
        low
    };
    let nearest = {
        let after = passed(a);
        [after - 1, after]
            .into_iter()
            .filter(|i| (0..=count).contains(i))
            .find(|i| (edge(*i) - a).abs() <= ON_EDGE_M && (edge(*i) - b).abs() <= ON_EDGE_M)
    };
    if let Some(index) = nearest {
        return Axis {
            start: index,
            step: 0,
            crossings: Vec::new(),
            on_edge: true,
        };
    }
    let part = |i: i64| ((edge(i) - a) / (b - a)).clamp(0.0, 1.0);
    let (before_a, before_b) = (passed(a), passed(b));
    if a <= b {
        // An edge on which the segment begins is behind it.
        Axis {
            start: before_a - 1,
            step: 1,
            crossings: (before_a..before_b).map(part).collect(),
            on_edge: false,
        }
    } else {
        // Running back, it is ahead of it; one on which the segment ends is crossed at the very end, to no effect.
        Axis {
            start: before_a - 1,
            step: -1,
            crossings: (before_b..before_a).rev().map(part).collect(),
            on_edge: false,
        }
    }
}

fn axes(cells: &Cells, a: Coord, b: Coord) -> (Axis, Axis) {
    (
        axis(a.x, b.x, cells.columns, 1.0, |i| cells.x(i)),
        axis(a.y, b.y, cells.rows, -1.0, |i| cells.y(i)),
    )
}

impl SlopeGrid {
    /// The cells that the segment from `a` to `b` passes, one stretch each, without gaps from 0 to 1.
    ///
    /// A stretch along an edge takes the steeper of the cells on both sides, and is unknown if either is. Passing
    /// through a corner makes no stretch of its own. What lies off the grid is unknown.
    pub fn along(&self, a: Coord, b: Coord) -> Vec<Run> {
        let whole = |gradient| {
            vec![Run {
                t0: 0.0,
                t1: 1.0,
                gradient,
            }]
        };
        if ![a.x, a.y, b.x, b.y].iter().all(|v| v.is_finite()) {
            return whole(None);
        }
        let length = (b - a).x.hypot((b - a).y);
        let (x, y) = axes(self.layout(), a, b);
        let (mut column, mut row) = (x.start, y.start);
        let mut runs: Vec<Run> = Vec::with_capacity(x.crossings.len() + y.crossings.len() + 1);
        let (mut next_x, mut next_y) = (0, 0);
        let mut t0 = 0.0;
        loop {
            let tx = x.crossings.get(next_x).copied();
            let ty = y.crossings.get(next_y).copied();
            let t1 = match (tx, ty) {
                (None, None) => 1.0,
                (Some(t), None) | (None, Some(t)) => t,
                (Some(tx), Some(ty)) => tx.min(ty),
            };
            if (t1 - t0) * length > ON_EDGE_M {
                let gradient = self.steepest(&x, &y, column, row);
                runs.push(Run { t0, t1, gradient });
                t0 = t1;
            }
            if tx == Some(t1) {
                column += x.step;
                next_x += 1;
            } else if ty == Some(t1) {
                row += y.step;
                next_y += 1;
            } else {
                break;
            }
        }
        match runs.last_mut() {
            Some(last) => last.t1 = 1.0,
            None => return whole(self.steepest(&x, &y, x.start, y.start)),
        }
        runs
    }

    fn steepest(&self, x: &Axis, y: &Axis, column: i64, row: i64) -> Option<Gradient> {
        let columns = if x.on_edge {
            column - 1..=column
        } else {
            column..=column
        };
        let mut steepest: Option<Gradient> = None;
        for column in columns {
            let rows = if y.on_edge { row - 1..=row } else { row..=row };
            for row in rows {
                let gradient = self.of(column, row)?;
                if steepest.is_none_or(|held| gradient.slope() > held.slope()) {
                    steepest = Some(gradient);
                }
            }
        }
        steepest
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::terrain::ElevationGrid;
    use proptest::prelude::*;

    const SIDE: usize = 9;

    fn c(x: f64, y: f64) -> Coord {
        Coord { x, y }
    }

    fn slopes(values: &[f64], corner: Coord, cell_m: f64) -> SlopeGrid {
        SlopeGrid::from_elevation(&ElevationGrid {
            cells: Cells {
                corner,
                cell_m,
                first_column: 0,
                first_row: 0,
                columns: SIDE,
                rows: SIDE,
            },
            values: values.to_vec(),
        })
    }

    fn rough() -> SlopeGrid {
        let values: Vec<f64> = (0..SIDE * SIDE)
            .map(|i| ((i * i * 7 + i * 5) % 23) as f64)
            .collect();
        slopes(&values, c(0.0, 90.0), 10.0)
    }

    fn covers(runs: &[Run]) {
        assert_eq!(runs[0].t0, 0.0);
        assert_eq!(runs[runs.len() - 1].t1, 1.0);
        for pair in runs.windows(2) {
            assert_eq!(pair[0].t1, pair[1].t0);
        }
        assert!(runs.iter().all(|run| run.t0 <= run.t1), "{runs:?}");
    }

    #[test]
    fn a_stretch_along_an_edge_takes_the_steeper_side() {
        let grid = rough();
        for (a, b) in [
            (c(40.0, 21.0), c(40.0, 29.0)),
            (c(40.0, 29.0), c(40.0, 21.0)),
        ] {
            let runs = grid.along(a, b);
            let sides = [c(39.0, 25.0), c(41.0, 25.0)].map(|p| grid.at(p).unwrap().slope());
            assert_eq!(runs.len(), 1, "{runs:?}");
            assert_eq!(runs[0].slope(), Some(sides[0].max(sides[1])));
            assert_ne!(sides[0], sides[1]);
        }
        let runs = grid.along(c(31.0, 40.0), c(39.0, 40.0));
        let sides = [c(35.0, 39.0), c(35.0, 41.0)].map(|p| grid.at(p).unwrap().slope());
        assert_eq!(runs[0].slope(), Some(sides[0].max(sides[1])));
        // Between a known cell and one off the known ground.
        assert_eq!(grid.along(c(10.0, 21.0), c(10.0, 29.0))[0].slope(), None);
        // A point in a corner of four cells.
        let runs = grid.along(c(40.0, 40.0), c(40.0, 40.0));
        let around = [c(39.0, 39.0), c(41.0, 39.0), c(39.0, 41.0), c(41.0, 41.0)];
        let steepest = around
            .map(|p| grid.at(p).unwrap().slope())
            .into_iter()
            .fold(0.0, f64::max);
        assert_eq!((runs.len(), runs[0].slope()), (1, Some(steepest)));
    }

    #[test]
    fn a_diagonal_through_corners_visits_only_the_cells_on_it() {
        let grid = rough();
        for (a, b) in [(c(0.0, 0.0), c(90.0, 90.0)), (c(90.0, 0.0), c(0.0, 90.0))] {
            for (a, b) in [(a, b), (b, a)] {
                let runs = grid.along(a, b);
                covers(&runs);
                assert_eq!(runs.len(), SIDE, "{runs:?}");
                for run in &runs {
                    assert_eq!(
                        run.gradient,
                        grid.at(a + (b - a) * ((run.t0 + run.t1) / 2.0))
                    );
                }
            }
        }
    }

    #[test]
    fn what_lies_off_the_grid_is_unknown() {
        let grid = rough();
        for (a, b) in [
            (c(-500.0, 33.0), c(700.0, 47.0)),
            (c(700.0, 47.0), c(-500.0, 33.0)),
        ] {
            let runs = grid.along(a, b);
            covers(&runs);
            assert_eq!(runs.first().unwrap().slope(), None);
            assert_eq!(runs.last().unwrap().slope(), None);
            let known = runs.iter().filter(|run| run.gradient.is_some());
            let length: f64 = known.map(|run| (run.t1 - run.t0) * (b - a).x.abs()).sum();
            assert!((length - 70.0).abs() < 1e-9, "{length}");
        }
        let far = grid.along(c(1000.0, 0.0), c(1000.0, 900.0));
        covers(&far);
        assert!(far.iter().all(|run| run.gradient.is_none()));
        assert_eq!(grid.along(c(f64::NAN, 0.0), c(1.0, 1.0)).len(), 1);
    }

    /// Places in and around the grid, many of them on edges and in corners.
    fn place() -> impl Strategy<Value = f64> {
        prop_oneof![
            -20.0..110.0f64,
            (-2..=11i32).prop_map(|i| f64::from(i) * 10.0)
        ]
    }

    proptest! {
        #[test]
        fn runs_cover_the_segment_and_hold_their_cells_slope(
            values in prop::collection::vec(0.0..60.0f64, SIDE * SIDE),
            (ax, ay, bx, by) in (place(), place(), place(), place()),
            origin in (-1e5..1e5f64, -1e6..1e6f64),
        ) {
            let plain = slopes(&values, c(0.0, 90.0), 10.0);
            let origin = c(origin.0, origin.1);
            for (grid, shift) in [(plain.clone(), c(0.0, 0.0)), (plain.moved(origin), origin)] {
                let (a, b) = (c(ax, ay) - shift, c(bx, by) - shift);
                let runs = grid.along(a, b);
                covers(&runs);
                let length = (b - a).x.hypot((b - a).y);
                for run in &runs {
                    let middle = a + (b - a) * ((run.t0 + run.t1) / 2.0);
                    let around = [-1e-5, 1e-5].map(|d| [-1e-5, 1e-5].map(|e| grid.at(middle + c(d, e))));
                    let around = around.as_flattened();
                    if around.iter().all(|g| *g == around[0]) {
                        prop_assert_eq!(run.gradient, around[0]);
                    } else if around.contains(&None) {
                        prop_assert!(around.contains(&run.gradient));
                    } else {
                        let steepest = around.iter().flatten().map(|g| g.slope()).fold(0.0, f64::max);
                        // A long way past an edge within a hair of it, or on the edge.
                        prop_assert!(around.contains(&run.gradient) || run.slope() == Some(steepest));
                    }
                    prop_assert!(runs.len() == 1 || (run.t1 - run.t0) * length > 1e-7);
                }
            }
        }
    }
}
