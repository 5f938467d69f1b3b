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
        self.reach_by(&STEPS, sources)
    }

    fn reach_by(&self, steps: &[(i32, i32)], sources: &[usize]) -> Reached {
        let count = self.cost.len();
        let mut reached = Reached {
            cost: vec![CLOSED; count],
            length_m: vec![0.0; count],
            from: (0..count as u32).collect(),
        };
        let steps = self.steps(steps);
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
            let (column, row) = self.place(at);
            let is_inside = self.is_inside(column, row, 2);
            for &Ahead {
                dx,
                dy,
                ahead,
                step_m,
            } in &steps
            {
                let to = match is_inside {
                    true => at.wrapping_add_signed(ahead),
                    false => match self.at(column + dx, row + dy) {
                        Some(to) => to,
                        None => continue,
                    },
                };
                if self.cost[to] == CLOSED || !self.passes(column, row, dx, dy) {
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
        reached
    }

    fn steps(&self, steps: &[(i32, i32)]) -> Vec<Ahead> {
        let ahead = |&(dx, dy): &(i32, i32)| Ahead {
            dx,
            dy,
            ahead: (dy * self.columns as i32 + dx) as isize,
            step_m: self.cell_m * f64::from(dx * dx + dy * dy).sqrt(),
        };
        steps.iter().map(ahead).collect()
    }

    fn place(&self, cell: usize) -> (i32, i32) {
        ((cell % self.columns) as i32, (cell / self.columns) as i32)
    }

    /// Whether all cells so many columns and rows around are on the grid.
    fn is_inside(&self, column: i32, row: i32, around: i32) -> bool {
        (around..self.columns as i32 - around).contains(&column)
            && (around..self.rows as i32 - around).contains(&row)
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

/// A step, as cells further on and in metres.
struct Ahead {
    dx: i32,
    dy: i32,
    ahead: isize,
    step_m: f64,
}

/// A search for what it costs to come to some cells from the nearest of several sources, by steps to the eight neighbours and
/// between closed corners too: cells of unknown cost are no wall. It goes as far as it is asked to, and further when asked again.
#[derive(Clone, Debug)]
pub struct CostSearch {
    cost: Vec<f64>,
    /// What costs nothing, until the search begins.
    sources: Vec<u32>,
    queue: CellQueue,
    /// Cells that are still asked for, and how many; None: all are.
    asked: Option<(Vec<bool>, usize)>,
    most: f64,
}

impl CostSearch {
    /// Only what it costs to come to the `wanted` cells is found; none wanted: all.
    pub fn new(grid: &CostGrid, sources: &[usize], wanted: &[usize]) -> CostSearch {
        let mut cost = vec![CLOSED; grid.cost.len()];
        let mut begun = Vec::new();
        for &source in sources {
            if grid.cost[source] < CLOSED && cost[source] > 0.0 {
                cost[source] = 0.0;
                begun.push(source as u32);
            }
        }
        let mut asked = (!wanted.is_empty()).then(|| (vec![false; cost.len()], 0));
        if let Some((asked, left)) = &mut asked {
            for &cell in wanted {
                if grid.cost[cell] < CLOSED && !std::mem::replace(&mut asked[cell], true) {
                    *left += 1;
                }
            }
        }
        CostSearch {
            cost,
            sources: begun,
            queue: CellQueue::default(),
            asked,
            most: f64::NEG_INFINITY,
        }
    }

    /// Goes on, over the same grid, until what costs no more than `most`, which is no less than 0, is found.
    pub fn go_on(&mut self, grid: &CostGrid, most: f64) {
        self.most = self.most.max(most);
        let steps = grid.steps(&STEPS[..NEIGHBOURS]);
        // Nothing is cheaper than a source, so that these need no order.
        for source in std::mem::take(&mut self.sources) {
            self.go_from(grid, &steps, 0.0, source as usize);
        }
        while self.asked.as_ref().is_none_or(|&(_, left)| left > 0)
            && let Some((so_far, at)) = self.queue.pop()
        {
            if so_far > most {
                self.queue.push(so_far, at);
                break;
            }
            if so_far <= self.cost[at as usize] {
                self.go_from(grid, &steps, so_far, at as usize);
            }
        }
    }

    fn go_from(&mut self, grid: &CostGrid, steps: &[Ahead], so_far: f64, at: usize) {
        if let Some((asked, left)) = &mut self.asked
            && std::mem::take(&mut asked[at])
        {
            *left -= 1;
        }
        let (column, row) = grid.place(at);
        let is_inside = grid.is_inside(column, row, 1);
        for step in steps {
            let to = match is_inside {
                true => at.wrapping_add_signed(step.ahead),
                false => match grid.at(column + step.dx, row + step.dy) {
                    Some(to) => to,
                    None => continue,
                },
            };
            // Steps cost no less than nothing.
            if self.cost[to] <= so_far || grid.cost[to] == CLOSED {
                continue;
            }
            let total = so_far + step.step_m * (grid.cost[at] + grid.cost[to]) / 2.0;
            if total < self.cost[to] {
                self.cost[to] = total;
                self.queue.push(total, to as u32);
            }
        }
    }

    /// The least cost from any source to a wanted cell; [`CLOSED`] where no way leads, or none that costs so little.
    pub fn cost(&self, cell: usize) -> f64 {
        match self.cost[cell] {
            cost if cost <= self.most => cost,
            _ => CLOSED,
        }
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
        let search = |wanted: &[usize], mosts: &[f64]| {
            let mut search = CostSearch::new(&grid, &sources, wanted);
            mosts.iter().for_each(|&most| search.go_on(&grid, most));
            search
        };
        let all = search(&[], &[CLOSED]);
        let wanted: Vec<usize> = (0..20).chain(40..60).collect();
        let some = search(&wanted, &[CLOSED]);
        for &cell in &wanted {
            assert_eq!(some.cost(cell), all.cost(cell), "{cell}");
        }
        let reached = |found: &CostSearch| found.cost.iter().filter(|cost| **cost < CLOSED).count();
        assert!(reached(&some) < reached(&all) / 2);
        let near = search(&[], &[40.0]);
        assert!(reached(&near) > 3 && reached(&near) < reached(&all));
        let farther = search(&[], &[3.0, 40.0, 7.0]);
        for cell in 0..1600 {
            let known = all.cost(cell);
            let known = if known <= 40.0 { known } else { CLOSED };
            assert_eq!(near.cost(cell), known);
            assert_eq!(farther.cost(cell), known);
        }
    }

    /// Where nothing is closed, ways by steps to all neighbours cost what a search over larger ones does that uses those only.
    #[test]
    fn a_search_by_neighbours_costs_what_its_steps_do() {
        let grid = open(30);
        let mut search = CostSearch::new(&grid, &[0], &[]);
        search.go_on(&grid, CLOSED);
        for cell in 0..900 {
            let (x, y) = ((cell % 30) as f64, (cell / 30) as f64);
            // By hand: over corners as far as can be, then straight on.
            let by_hand = x.min(y) * 2f64.sqrt() + (x - y).abs();
            assert!((search.cost(cell) - by_hand).abs() < 1e-9, "{cell}");
        }
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
