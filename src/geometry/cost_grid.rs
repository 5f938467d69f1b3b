//! Least-cost ways over ground, on a grid of square cells.

use geo::{Coord, LineString, MultiPolygon, Polygon, Simplify};

use super::area::{Bounds, rings};
use super::nearest_first::CellQueue;

/// No way leads over a cell of this cost.
pub const CLOSED: f64 = f64::INFINITY;

/// Square cells over a box, with what a metre costs on each.
#[derive(Clone, Debug)]
pub struct CostGrid {
    min: Coord,
    cell_m: f64,
    columns: usize,
    rows: usize,
    /// Row by row from the south, each from the west; [`CLOSED`] where nothing may go.
    pub cost: Vec<f64>,
}

/// What it costs to come to each cell from the nearest of several sources.
#[derive(Clone, Debug)]
pub struct Reached {
    /// [`CLOSED`] where no way leads.
    pub cost: Vec<f64>,
    /// Of the cheapest way.
    pub length_m: Vec<f64>,
    /// The cell before each on its way; itself at a source and where no way leads.
    pub from: Vec<u32>,
}

impl Reached {
    /// Cells from one to its source.
    pub fn way(&self, cell: usize) -> Vec<usize> {
        let mut way = vec![cell];
        let mut at = cell;
        while self.from[at] as usize != at {
            at = self.from[at] as usize;
            way.push(at);
        }
        way
    }
}

/// Steps to neighbours: sides, corners, and the knight's moves between them, so that ways are at most 2.7 % longer than
/// straight ones.
const STEPS: [(i32, i32); 16] = [
    (1, 0),
    (0, 1),
    (-1, 0),
    (0, -1),
    (1, 1),
    (-1, 1),
    (-1, -1),
    (1, -1),
    (2, 1),
    (1, 2),
    (-1, 2),
    (-2, 1),
    (-2, -1),
    (-1, -2),
    (1, -2),
    (2, -1),
];

/// How many of [`STEPS`] lead to one of the eight neighbours.
const NEIGHBOURS: usize = 8;

impl CostGrid {
    /// A grid of known costs, row by row; what lies where is up to its maker.
    pub fn of(cell_m: f64, columns: usize, cost: Vec<f64>) -> CostGrid {
        CostGrid {
            min: Coord { x: 0.0, y: 0.0 },
            cell_m,
            columns,
            rows: cost.len() / columns.max(1),
            cost,
        }
    }

    /// Cells of `cell_m`, or larger where more than `most_cells` were needed; all closed.
    pub fn over(bounds: &Bounds, cell_m: f64, most_cells: usize) -> CostGrid {
        let (width, height) = (bounds.max.x - bounds.min.x, bounds.max.y - bounds.min.y);
        let least_m = (width * height / most_cells as f64).sqrt();
        let cell_m = cell_m.max(least_m).max(1e-6);
        let columns = (width / cell_m).ceil().max(1.0) as usize;
        let rows = (height / cell_m).ceil().max(1.0) as usize;
        CostGrid {
            min: bounds.min,
            cell_m,
            columns,
            rows,
            cost: vec![CLOSED; columns * rows],
        }
    }

    pub fn cell_m(&self) -> f64 {
        self.cell_m
    }

    /// Cells from one to the one north of it.
    pub fn columns(&self) -> usize {
        self.columns
    }

    pub fn middle(&self, cell: usize) -> Coord {
        let (column, row) = (cell % self.columns, cell / self.columns);
        Coord {
            x: self.min.x + (column as f64 + 0.5) * self.cell_m,
            y: self.min.y + (row as f64 + 0.5) * self.cell_m,
        }
    }

    /// The cell that holds a place, if any does.
    pub fn cell(&self, at: Coord) -> Option<usize> {
        let column = ((at.x - self.min.x) / self.cell_m).floor();
        let row = ((at.y - self.min.y) / self.cell_m).floor();
        let inside = |k: f64, count: usize| k >= 0.0 && k < count as f64;
        (inside(column, self.columns) && inside(row, self.rows))
            .then(|| row as usize * self.columns + column as usize)
    }

    /// The open cell nearest to a place, at most `within` cells away along either axis.
    pub fn open_near(&self, at: Coord, within: i32) -> Option<usize> {
        let column = ((at.x - self.min.x) / self.cell_m).floor() as i32;
        let row = ((at.y - self.min.y) / self.cell_m).floor() as i32;
        let mut best: Option<(f64, usize)> = None;
        for dy in -within..=within {
            for dx in -within..=within {
                let Some(cell) = self.at(column + dx, row + dy) else {
                    continue;
                };
                let off = self.middle(cell) - at;
                let off_m = off.x.hypot(off.y);
                if self.cost[cell] < CLOSED && best.is_none_or(|(least, _)| off_m < least) {
                    best = Some((off_m, cell));
                }
            }
        }
        best.map(|(_, cell)| cell)
    }

    fn at(&self, column: i32, row: i32) -> Option<usize> {
        let inside = |k: i32, count: usize| k >= 0 && (k as usize) < count;
        (inside(column, self.columns) && inside(row, self.rows))
            .then(|| row as usize * self.columns + column as usize)
    }

    /// Cells whose middle lies in the polygons (crossing number, so that polygons that overlap cancel out).
    pub fn covered(&self, polygons: &[Polygon]) -> Vec<usize> {
        let mut crossings: Vec<Vec<f64>> = vec![vec![]; self.rows];
        for w in polygons.iter().flat_map(rings).flat_map(|r| r.0.windows(2)) {
            let (low, high) = if w[0].y < w[1].y {
                (w[0], w[1])
            } else {
                (w[1], w[0])
            };
            let row_of = |y: f64| ((y - self.min.y) / self.cell_m - 0.5).ceil().max(0.0) as usize;
            for (row, crossed) in crossings
                .iter_mut()
                .enumerate()
                .take(row_of(high.y))
                .skip(row_of(low.y))
            {
                let y = self.min.y + (row as f64 + 0.5) * self.cell_m;
                crossed.push(low.x + (high.x - low.x) * ((y - low.y) / (high.y - low.y)));
            }
        }
        let mut cells = Vec::new();
        for (row, mut crossed) in crossings.into_iter().enumerate() {
            crossed.sort_by(f64::total_cmp);
            for pair in crossed.chunks_exact(2) {
                let column_of =
                    |x: f64| ((x - self.min.x) / self.cell_m - 0.5).ceil().max(0.0) as usize;
                let (first, end) = (column_of(pair[0]), column_of(pair[1]).min(self.columns));
                cells.extend((first..end).map(|column| row * self.columns + column));
            }
        }
        cells
    }

    /// The least cost from any of `sources` to every cell: metres times the mean of what they cost on the two cells of a
    /// step (Dijkstra 1959). A step between corners needs both cells beside it open.
    pub fn reach(&self, sources: &[usize]) -> Reached {
        self.reach_by(&STEPS, true, sources, (&[], CLOSED))
    }

    /// As [`CostGrid::reach`] with steps to the eight neighbours only, between closed corners too: cells of unknown cost are
    /// no wall. Only what it costs to come to the `wanted` cells is found, and of these that costs no more than `most`: others
    /// may be left unreached. None wanted: all.
    pub fn reach_by_neighbours(&self, sources: &[usize], wanted: &[usize], most: f64) -> Reached {
        self.reach_by(&STEPS[..NEIGHBOURS], false, sources, (wanted, most))
    }

    fn reach_by(
        &self,
        steps: &[(i32, i32)],
        walls: bool,
        sources: &[usize],
        (wanted, most): (&[usize], f64),
    ) -> Reached {
        let count = self.cost.len();
        let mut reached = Reached {
            cost: vec![CLOSED; count],
            length_m: vec![0.0; count],
            from: (0..count as u32).collect(),
        };
        // Cells that are still asked for, and which have their final cost; neither is kept where all are asked for.
        let ends = !wanted.is_empty() || most < CLOSED;
        let mut asked = vec![false; if ends { count } else { 0 }];
        let mut is_final = asked.clone();
        let mut left = 0;
        for &cell in wanted {
            if self.cost[cell] < CLOSED && !asked[cell] {
                asked[cell] = true;
                left += 1;
            }
        }
        let widest = (steps.iter()).map(|(dx, dy)| dx.abs().max(dy.abs())).max();
        let widest = widest.unwrap_or(0);
        let (columns, rows) = (self.columns as i32, self.rows as i32);
        let steps: Vec<(i32, i32, isize, f64)> = (steps.iter())
            .map(|&(dx, dy)| {
                let step_m = self.cell_m * f64::from(dx * dx + dy * dy).sqrt();
                (dx, dy, (dy * columns + dx) as isize, step_m)
            })
            .collect();
        let mut queue = CellQueue::default();
        for &source in sources {
            if self.cost[source] < CLOSED && reached.cost[source] > 0.0 {
                reached.cost[source] = 0.0;
                queue.push(0.0, source as u32);
            }
        }
        while let Some((so_far, at)) = queue.pop() {
            let at = at as usize;
            if so_far > reached.cost[at] {
                continue;
            }
            if so_far > most {
                break;
            }
            if let Some(is_final) = is_final.get_mut(at) {
                *is_final = true;
                if std::mem::take(&mut asked[at]) {
                    left -= 1;
                    if left == 0 {
                        break;
                    }
                }
            }
            let (column, row) = ((at % self.columns) as i32, (at / self.columns) as i32);
            let is_inside = (widest..columns - widest).contains(&column)
                && (widest..rows - widest).contains(&row);
            for &(dx, dy, ahead, step_m) in &steps {
                let to = match is_inside {
                    true => at.wrapping_add_signed(ahead),
                    false => match self.at(column + dx, row + dy) {
                        Some(to) => to,
                        None => continue,
                    },
                };
                if self.cost[to] == CLOSED || (walls && !self.passes(column, row, dx, dy)) {
                    continue;
                }
                let total = so_far + step_m * (self.cost[at] + self.cost[to]) / 2.0;
                if total < reached.cost[to] {
                    reached.cost[to] = total;
                    reached.length_m[to] = reached.length_m[at] + step_m;
                    reached.from[to] = at as u32;
                    queue.push(total, to as u32);
                }
            }
        }
        for (at, _) in is_final.iter().enumerate().filter(|(_, known)| !**known) {
            reached.cost[at] = CLOSED;
            reached.length_m[at] = 0.0;
            reached.from[at] = at as u32;
        }
        reached
    }

    fn passes(&self, column: i32, row: i32, dx: i32, dy: i32) -> bool {
        let open = |dx: i32, dy: i32| {
            let cell = self.at(column + dx, row + dy);
            cell.is_some_and(|cell| self.cost[cell] < CLOSED)
        };
        match (dx.abs(), dy.abs()) {
            (1, 1) => open(dx, 0) && open(0, dy),
            (2, 1) => open(dx / 2, 0) && open(dx / 2, dy),
            (1, 2) => open(0, dy / 2) && open(dx, dy / 2),
            _ => true,
        }
    }

    /// For every cell, the value of the nearest cell that has one (by steps between sides).
    pub fn spread(&self, mut values: Vec<Option<u32>>) -> Vec<Option<u32>> {
        let mut front: Vec<usize> = (0..values.len()).filter(|&c| values[c].is_some()).collect();
        while !front.is_empty() {
            let mut next = Vec::new();
            for at in front {
                let (column, row) = ((at % self.columns) as i32, (at / self.columns) as i32);
                for (dx, dy) in &STEPS[..4] {
                    if let Some(to) = self.at(column + dx, row + dy)
                        && values[to].is_none()
                    {
                        values[to] = values[at];
                        next.push(to);
                    }
                }
            }
            front = next;
        }
        values
    }

    /// The outline of the cells that are `inside`, its corners cut by at most `tolerance_m`.
    pub fn outline(&self, inside: &[bool], tolerance_m: f64) -> MultiPolygon {
        let rings = self.rings(inside);
        let rings = rings
            .into_iter()
            .map(|ring| simplified(&ring, tolerance_m))
            .filter(|ring| ring.0.len() >= 4);
        let rings: Vec<LineString> = rings.collect();
        super::nesting::nested(rings.iter())
    }

    /// Rings along the sides of cells, the inside to their left; at corners where only two cells meet they part.
    fn rings(&self, inside: &[bool]) -> Vec<LineString> {
        let (columns, rows) = (self.columns as i32, self.rows as i32);
        let is_in = |column: i32, row: i32| self.at(column, row).is_some_and(|cell| inside[cell]);
        // Directed sides by the corner they begin at: east, north, west, south.
        let corner = |x: i32, y: i32| (y * (columns + 1) + x) as usize;
        const ALONG: [(i32, i32); 4] = [(1, 0), (0, 1), (-1, 0), (0, -1)];
        let mut sides = vec![0u8; ((columns + 1) * (rows + 1)) as usize];
        for row in 0..rows {
            for column in (0..columns).filter(|&column| is_in(column, row)) {
                let mut side = |x: i32, y: i32, along: usize| sides[corner(x, y)] |= 1 << along;
                if !is_in(column, row - 1) {
                    side(column, row, 0);
                }
                if !is_in(column + 1, row) {
                    side(column + 1, row, 1);
                }
                if !is_in(column, row + 1) {
                    side(column + 1, row + 1, 2);
                }
                if !is_in(column - 1, row) {
                    side(column, row + 1, 3);
                }
            }
        }
        let place = |x: i32, y: i32| Coord {
            x: self.min.x + f64::from(x) * self.cell_m,
            y: self.min.y + f64::from(y) * self.cell_m,
        };
        let mut rings = Vec::new();
        for y in 0..=rows {
            for x in 0..=columns {
                while sides[corner(x, y)] != 0 {
                    let (mut at, mut along) =
                        ((x, y), sides[corner(x, y)].trailing_zeros() as usize);
                    let mut ring = vec![place(x, y)];
                    loop {
                        sides[corner(at.0, at.1)] &= !(1 << along);
                        at = (at.0 + ALONG[along].0, at.1 + ALONG[along].1);
                        ring.push(place(at.0, at.1));
                        if at == (x, y) {
                            break;
                        }
                        let open = sides[corner(at.0, at.1)];
                        // Left first, so that cells that touch in a corner only stay apart.
                        let turns = [along + 1, along, along + 3].map(|turn| turn % 4);
                        let Some(next) = turns.into_iter().find(|&next| open >> next & 1 == 1)
                        else {
                            break;
                        };
                        along = next;
                    }
                    rings.push(LineString(ring));
                }
            }
        }
        rings
    }
}

/// A ring with fewer corners, between two that stay: those farthest apart of its box.
fn simplified(ring: &LineString, tolerance_m: f64) -> LineString {
    let corners = &ring.0[..ring.0.len() - 1];
    let key = |c: &Coord| (c.x + c.y, c.x);
    let order = |a: &(usize, &Coord), b: &(usize, &Coord)| {
        let (a, b) = (key(a.1), key(b.1));
        a.0.total_cmp(&b.0).then(a.1.total_cmp(&b.1))
    };
    let low = corners.iter().enumerate().min_by(order);
    let high = corners.iter().enumerate().max_by(order);
    let (Some((low, _)), Some((high, _))) = (low, high) else {
        return LineString(vec![]);
    };
    let turned = |from: usize, to: usize| -> LineString {
        let count = (to + corners.len() - from) % corners.len();
        let line = (0..=count).map(|k| corners[(from + k) % corners.len()]);
        LineString(line.collect()).simplify(tolerance_m)
    };
    let mut there = turned(low, high).0;
    there.pop();
    there.extend(turned(high, low).0);
    LineString(there)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::area::area;

    fn c(x: f64, y: f64) -> Coord {
        Coord { x, y }
    }

    fn square(low: f64, high: f64) -> Polygon {
        let ring = vec![
            (low, low),
            (high, low),
            (high, high),
            (low, high),
            (low, low),
        ];
        Polygon::new(LineString::from(ring), vec![])
    }

    fn open(side: usize) -> CostGrid {
        let mut grid = CostGrid::over(
            &Bounds::of(&[c(0., 0.), c(side as f64, side as f64)]),
            1.0,
            1_000_000,
        );
        grid.cost.fill(1.0);
        grid
    }

    #[test]
    fn ways_over_open_ground_are_at_most_2_7_percent_longer_than_straight() {
        let grid = open(101);
        let source = grid.cell(c(50.5, 50.5)).unwrap();
        let reached = grid.reach(&[source]);
        for (cell, &cost) in reached.cost.iter().enumerate() {
            let off = grid.middle(cell) - grid.middle(source);
            let straight = off.x.hypot(off.y);
            assert!(
                cost >= straight - 1e-9 && cost <= 1.0275 * straight + 1e-9,
                "{off:?} {cost}"
            );
        }
    }

    /// Against the search that goes on to every cell.
    #[test]
    fn a_search_for_some_cells_finds_what_it_costs_to_come_to_them() {
        let mut grid = open(40);
        for (cell, cost) in grid.cost.iter_mut().enumerate() {
            *cost = match (cell * 7919) % 11 {
                0 => CLOSED,
                other => other as f64,
            };
        }
        let sources = [0, 5, 83];
        let all = grid.reach_by_neighbours(&sources, &[], CLOSED);
        let wanted: Vec<usize> = (0..20).chain(40..60).collect();
        let some = grid.reach_by_neighbours(&sources, &wanted, CLOSED);
        for &cell in &wanted {
            assert_eq!(some.cost[cell], all.cost[cell], "{cell}");
        }
        let reached = |found: &Reached| found.cost.iter().filter(|cost| **cost < CLOSED).count();
        assert!(reached(&some) < reached(&all) / 2);
        let near = grid.reach_by_neighbours(&sources, &[], 40.0);
        assert!(reached(&near) > 3 && reached(&near) < reached(&all));
        for (near, all) in near.cost.iter().zip(&all.cost) {
            assert_eq!(*near, if *all <= 40.0 { *all } else { CLOSED });
        }
        assert!(
            some.cost
                .iter()
                .zip(&all.cost)
                .all(|(some, all)| some == all || *some == CLOSED)
        );
    }

    #[test]
    fn no_way_squeezes_between_two_closed_corners() {
        let mut grid = open(3);
        for at in [c(1.5, 0.5), c(0.5, 1.5)] {
            let cell = grid.cell(at).unwrap();
            grid.cost[cell] = CLOSED;
        }
        let reached = grid.reach(&[0]);
        assert_eq!(
            reached.cost.iter().filter(|cost| cost.is_finite()).count(),
            1
        );
    }

    #[test]
    fn cells_are_covered_by_their_middles_and_outlined_again() {
        let grid = open(40);
        let mut hole = square(15.0, 25.0).exterior().clone();
        hole.0.reverse();
        let ring = Polygon::new(square(5.0, 35.0).exterior().clone(), vec![hole]);
        let cells = grid.covered(std::slice::from_ref(&ring));
        assert_eq!(cells.len(), 900 - 100);
        let mut inside = vec![false; grid.cost.len()];
        for cell in cells {
            inside[cell] = true;
        }
        let outline = grid.outline(&inside, 0.5);
        assert_eq!(area(&outline), 800.0);
        assert_eq!(outline.0.len(), 1);
        assert_eq!(outline.0[0].exterior().0.len(), 5);
    }

    #[test]
    fn cells_that_touch_in_a_corner_are_outlined_apart() {
        let grid = open(4);
        let mut inside = vec![false; 16];
        inside[0] = true;
        inside[5] = true;
        assert_eq!(grid.outline(&inside, 0.0).0.len(), 2);
    }
}
