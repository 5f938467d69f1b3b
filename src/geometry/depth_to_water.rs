//! How high ground lies over the nearest water, told by the least slope that adds up on a way to it: low where the water
//! table may be near. Pure arithmetic on a grid; what counts as too low is for others to say.
//!
//! Each cell costs its own slope (Horn's), a step the mean of its two cells' times its length, over the eight neighbours.

use super::cost_grid::{CLOSED, CostGrid, CostSearch};
use super::flow::Flow;
use super::terrain::{Cells, ElevationGrid, SlopeGrid};

/// Where water is on a grid, and where it may be.
#[derive(Clone, Debug)]
pub struct Waters {
    /// Slope of each cell; closed where it has none.
    grid: CostGrid,
    water: Vec<usize>,
    beyond: Vec<usize>,
    /// How many cells of mapped water have a slope, and how many have none.
    pub mapped: [usize; 2],
    /// How many cells count as water because enough ground drains through them, hollows that stand full among them.
    pub channels: usize,
}

impl Waters {
    /// `mapped`: the cells of mapped water, by their place, each once. `channel_cells`: so many cells that drain through one
    /// make it water too, with the hollow it fills; None: only mapped water counts.
    pub fn of(elevations: &ElevationGrid, mapped: &[usize], channel_cells: Option<f64>) -> Waters {
        let cells = elevations.cells;
        let slopes = SlopeGrid::from_elevation(elevations);
        let cost: Vec<f64> = (slopes.cells())
            .map(|(_, gradient)| gradient.map_or(CLOSED, |gradient| gradient.slope()))
            .collect();
        let is_known = |at: usize| cost[at] < CLOSED;
        let mut beyond: Vec<usize> = (0..cells.count())
            .filter(|&at| is_known(at) && !has_known_around(&cells, &cost, at))
            .collect();
        let known = mapped.iter().filter(|&&at| is_known(at)).count();
        let mut water = mapped.to_vec();
        let mut channels = 0;
        if let Some(least) = channel_cells {
            let flow = Flow::over(elevations);
            let runs = |at: usize| flow.cells[at] >= least;
            let certain = (0..cells.count()).filter(|&at| runs(at)).collect();
            let certain = with_hollows(elevations, &flow, certain);
            channels = certain.iter().filter(|&&at| is_known(at)).count();
            water.extend(certain);
            let may = (0..cells.count()).filter(|&at| flow.at_least[at] && !runs(at));
            beyond.extend(with_hollows(elevations, &flow, may.collect()));
        }
        Waters {
            grid: CostGrid::of(cells.cell_m, cells.columns, cost),
            water,
            beyond,
            mapped: [known, mapped.len() - known],
            channels,
        }
    }

    /// Whether a cell has a slope; of others nothing is known.
    pub fn is_known(&self, cell: usize) -> bool {
        self.grid.cost[cell] < CLOSED
    }

    /// Depths to the water that is on the grid: the true one is this or less. Infinite where no way leads to any, and of cells
    /// that are not `wanted`; none: all are.
    pub fn depths(&self, wanted: &[usize]) -> Depths {
        Depths(CostSearch::new(&self.grid, &self.water, wanted))
    }

    /// The same to where water may be that nobody sees here: the grid's edge, ground of no elevation, and ways down from
    /// either. A depth that is no more than this is the true one.
    pub fn beyond(&self, wanted: &[usize]) -> Depths {
        Depths(CostSearch::new(&self.grid, &self.beyond, wanted))
    }
}

/// Depths as far as they were asked for.
#[derive(Clone, Debug)]
pub struct Depths(CostSearch);

impl Depths {
    /// Finds all that are no more than `most_m`.
    pub fn up_to(mut self, waters: &Waters, most_m: f64) -> Depths {
        self.0.go_on(&waters.grid, most_m);
        self
    }

    /// Metres; infinite where it is more than was asked for.
    pub fn m(&self, cell: usize) -> f64 {
        self.0.cost(cell)
    }
}

/// Whether all eight neighbours are on the grid and have a cost.
fn has_known_around(cells: &Cells, cost: &[f64], at: usize) -> bool {
    let column = at % cells.columns;
    let is_inside = 0 < column && column + 1 < cells.columns && cells.columns <= at;
    let rows = [at.wrapping_sub(cells.columns), at, at + cells.columns];
    is_inside
        && rows.into_iter().all(|middle| {
            let three = cost.get(middle - 1..=middle + 1);
            three.is_some_and(|three| three.iter().all(|&cost| cost < CLOSED))
        })
}

/// The eight neighbours; None off the grid.
fn around(cells: &Cells, at: usize) -> [Option<usize>; 8] {
    let (column, row) = ((at % cells.columns) as i64, (at / cells.columns) as i64);
    super::flow::AROUND.map(|(dx, dy)| cells.index(column + dx, row + dy))
}

/// Adds to cells the hollows that water stands in before it runs on from them.
fn with_hollows(elevations: &ElevationGrid, flow: &Flow, cells: Vec<usize>) -> Vec<usize> {
    let mut found = cells;
    let mut is_in = vec![false; elevations.cells.count()];
    for &at in &found {
        is_in[at] = true;
    }
    let mut next = 0;
    while next < found.len() {
        let at = found[next];
        next += 1;
        if flow.ponded_m(elevations, at) <= 0.0 {
            continue;
        }
        for to in around(&elevations.cells, at).into_iter().flatten() {
            let same = flow.filled[to] == flow.filled[at];
            if same && !is_in[to] && flow.ponded_m(elevations, to) > 0.0 {
                is_in[to] = true;
                found.push(to);
            }
        }
    }
    found
}

#[cfg(test)]
mod tests {
    use geo::Coord;

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

    /// What is known of each cell: the depth, or that it is at least so much.
    #[derive(Clone, Copy, Debug, PartialEq)]
    enum Depth {
        Known(f64),
        AtLeast(f64),
    }

    struct Found {
        waters: Waters,
        depth_m: Vec<f64>,
        beyond_m: Vec<f64>,
    }

    impl Found {
        fn of(grid: &ElevationGrid, water: &[usize], channel_cells: Option<f64>) -> Found {
            let waters = Waters::of(grid, water, channel_cells);
            let all = |depths: Depths| -> Vec<f64> {
                let depths = depths.up_to(&waters, CLOSED);
                (0..grid.cells.count()).map(|at| depths.m(at)).collect()
            };
            Found {
                depth_m: all(waters.depths(&[])),
                beyond_m: all(waters.beyond(&[])),
                waters,
            }
        }

        fn at(&self, at: usize) -> Depth {
            match self.waters.is_known(at) {
                true if self.depth_m[at] <= self.beyond_m[at] => Depth::Known(self.depth_m[at]),
                true => Depth::AtLeast(self.depth_m[at].min(self.beyond_m[at])),
                false => Depth::AtLeast(0.0),
            }
        }
    }

    fn place(columns: usize, column: usize, row: usize) -> usize {
        row * columns + column
    }

    /// By hand: on an even slope the depth is the height over the water, and never less than what the edge leaves open.
    #[test]
    fn on_an_even_slope_it_is_the_height_over_the_water() {
        // 10 % up to the east, water in column 3, of 21 columns and 15 rows.
        let plane = grid(21, (0..315).map(|at| f64::from(at % 21)).collect());
        let water: Vec<usize> = (0..15).map(|row| place(21, 3, row)).collect();
        let found = Found::of(&plane, &water, None);
        assert_eq!(found.waters.mapped, [13, 2]);
        for column in 1..20usize {
            let at = place(21, column, 7);
            let up_m = (column as f64 - 3.0).abs();
            assert!((found.depth_m[at] - up_m).abs() < 1e-5, "{column}");
            // Nearest of the rim: the first and last column and row that have a slope.
            let off = [column - 1, 19 - column, 6].into_iter().min().unwrap() as f64;
            assert!((found.beyond_m[at] - off).abs() < 1e-5, "{column}");
            let known = up_m <= off;
            assert_eq!(matches!(found.at(at), Depth::Known(_)), known, "{column}");
        }
        assert_eq!(found.at(0), Depth::AtLeast(0.0));
    }

    /// By hand: level ground beside water is as low as the water, however far.
    #[test]
    fn level_ground_is_as_low_as_the_water() {
        let flat = grid(9, vec![3.0; 81]);
        let found = Found::of(&flat, &[40], None);
        assert_eq!(found.at(place(9, 7, 7)), Depth::Known(0.0));
        let none = Found::of(&flat, &[], None);
        assert_eq!(none.at(40), Depth::AtLeast(0.0));
    }

    /// By hand: a wall of ground without elevation is no wall for water, and what lies beside it is not known.
    #[test]
    fn beside_ground_without_elevation_nothing_is_known() {
        let mut values: Vec<f64> = (0..1681).map(|at| f64::from(at % 41)).collect();
        values[place(41, 30, 20)] = f64::NAN;
        let found = Found::of(&grid(41, values), &[place(41, 5, 20)], None);
        // Two cells from the hole: beside cells whose slope it took.
        assert_eq!(found.at(place(41, 28, 20)), Depth::AtLeast(0.0));
        assert!(matches!(found.at(place(41, 6, 20)), Depth::Known(_)));
    }

    /// By hand: a hollow on a hill. The ground that drains into it is seen whole, so it stands full, and its pond is water.
    #[test]
    fn a_hollow_that_enough_ground_drains_into_is_water() {
        let height = |at: i32| {
            let (x, y) = (at % 41 - 20, at / 41 - 20);
            let cone = 40.0 - 2.0 * f64::from(x * x + y * y).sqrt();
            // A trough that leads down the eastern side into a bowl around (10, 0).
            let trough = if y.abs() <= 1 && (2..=9).contains(&x) {
                2.5
            } else {
                0.0
            };
            let bowl = if (x - 11).abs() <= 1 && y.abs() <= 1 {
                8.0
            } else {
                0.0
            };
            cone - trough - bowl
        };
        let hill = grid(41, (0..1681).map(height).collect());
        let bowl = place(41, 31, 20);
        let without = Found::of(&hill, &[], None);
        assert!(!matches!(without.at(bowl), Depth::Known(_)));
        let with = Found::of(&hill, &[], Some(12.0));
        assert_eq!(with.at(bowl), Depth::Known(0.0));
        assert!(with.waters.channels >= 9, "{}", with.waters.channels);
        // More than drains through any cell of the hill: nothing is water, and nobody says that it is dry either.
        let none = Found::of(&hill, &[], Some(1e4));
        assert_eq!(none.waters.channels, 0);
        assert!(!matches!(none.at(bowl), Depth::Known(_)));
    }
}
