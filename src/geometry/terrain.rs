//! Local slope from elevations: Horn's method on a north-up grid of square cells.
//!
//! Horn, B. K. P. 1981, Hill shading and the reflectance map, Proceedings of the IEEE 69 (1).

use geo::{Coord, Polygon};

use super::area::Bounds;

/// Rise over run to the right (x) and up (y); no unit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Gradient {
    pub dz_dx: f64,
    pub dz_dy: f64,
}

impl Gradient {
    /// Steepest rise over run, 0 or more.
    pub fn slope(self) -> f64 {
        self.dz_dx.hypot(self.dz_dy)
    }

    /// Rise over run of a track that heads this way: positive uphill. `azimuth_deg` clockwise from grid north.
    pub fn along(self, azimuth_deg: f64) -> f64 {
        let (sin, cos) = azimuth_deg.to_radians().sin_cos();
        self.dz_dx * sin + self.dz_dy * cos
    }

    /// Cross-slope of such a track: positive where the ground rises to the right.
    pub fn across(self, azimuth_deg: f64) -> f64 {
        self.along(azimuth_deg + 90.0)
    }
}

/// Where the cells of a grid lie: columns run to the right, rows down.
///
/// Column and row numbers count from the raster's corner, not from the window's, so that a cell has the same edges, to
/// the bit, in whatever window it is read.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Cells {
    /// Upper-left corner of the raster, metres.
    pub corner: Coord,
    /// Side of a cell, metres.
    pub cell_m: f64,
    /// Number of the first column and row held.
    pub first_column: i64,
    pub first_row: i64,
    pub columns: usize,
    pub rows: usize,
}

impl Cells {
    /// Left edge of the column that is `index` places from the first one held.
    pub(super) fn x(&self, index: i64) -> f64 {
        self.corner.x + (self.first_column + index) as f64 * self.cell_m
    }

    /// Upper edge of a row.
    pub(super) fn y(&self, index: i64) -> f64 {
        self.corner.y - (self.first_row + index) as f64 * self.cell_m
    }

    /// Column that holds `x`, its left edge included, and row that holds `y`, its upper edge included; both may lie
    /// outside the grid.
    pub(super) fn place(&self, c: Coord) -> (i64, i64) {
        // Far off the grid the number only has to be far off too.
        let guess = |off: f64| (off / self.cell_m).floor().clamp(-1e15, 1e15) as i64;
        let mut column = guess(c.x - self.corner.x) - self.first_column;
        // The division may round over an edge; the edges themselves decide.
        if c.x < self.x(column) {
            column -= 1;
        } else if c.x >= self.x(column + 1) {
            column += 1;
        }
        let mut row = guess(self.corner.y - c.y) - self.first_row;
        if c.y > self.y(row) {
            row -= 1;
        } else if c.y <= self.y(row + 1) {
            row += 1;
        }
        (column, row)
    }

    /// Place in row-by-row values of a column and row; None off the grid.
    pub(super) fn index(&self, column: i64, row: i64) -> Option<usize> {
        let column = usize::try_from(column).ok().filter(|c| *c < self.columns)?;
        let row = usize::try_from(row).ok().filter(|r| *r < self.rows)?;
        Some(row * self.columns + column)
    }

    pub fn count(&self) -> usize {
        self.columns * self.rows
    }

    /// The middle of a cell, by its place in row-by-row values.
    pub fn middle(&self, index: usize) -> Coord {
        let (column, row) = ((index % self.columns) as i64, (index / self.columns) as i64);
        Coord {
            x: (self.x(column) + self.x(column + 1)) / 2.0,
            y: (self.y(row) + self.y(row + 1)) / 2.0,
        }
    }

    /// The box of all cells.
    pub fn extent(&self) -> Bounds {
        self.bounds(0..self.columns, 0..self.rows)
    }

    /// The columns and rows that meet `window`.
    fn clipped(&self, window: &Bounds) -> Option<(std::ops::Range<usize>, std::ops::Range<usize>)> {
        if window.is_empty() || !self.extent().meets(window) {
            return None;
        }
        let (left, top) = self.place(Coord {
            x: window.min.x,
            y: window.max.y,
        });
        let (right, bottom) = self.place(Coord {
            x: window.max.x,
            y: window.min.y,
        });
        let clip = |index: i64, count: usize| index.clamp(0, count as i64) as usize;
        Some((
            clip(left, self.columns)..clip(right + 1, self.columns),
            clip(top, self.rows)..clip(bottom + 1, self.rows),
        ))
    }

    /// Those of the cells that meet `window`, and the place here of each of theirs; None where none does.
    pub fn cut(&self, window: &Bounds) -> Option<(Cells, impl Fn(usize) -> usize + use<>)> {
        let (columns, rows) = self.clipped(window)?;
        let held = Cells {
            first_column: self.first_column + columns.start as i64,
            first_row: self.first_row + rows.start as i64,
            columns: columns.len(),
            rows: rows.len(),
            ..*self
        };
        let (wide, all) = (columns.len(), self.columns);
        let from = move |at: usize| (rows.start + at / wide) * all + columns.start + at % wide;
        (held.count() > 0).then_some((held, from))
    }

    /// The cells that meet `window` and that `choose` picks by their place in row-by-row values, merged into rectangles
    /// that do not overlap: cells of a row first, then equal runs of rows below one another. Sorted by upper edge, then
    /// left edge.
    pub fn rectangles(&self, window: &Bounds, choose: impl Fn(usize) -> bool) -> Vec<Polygon> {
        let Some((columns, rows)) = self.clipped(window) else {
            return Vec::new();
        };
        let mut done: Vec<(std::ops::Range<usize>, std::ops::Range<usize>)> = Vec::new();
        let mut open: Vec<(std::ops::Range<usize>, std::ops::Range<usize>)> = Vec::new();
        for row in rows {
            let mut runs = Vec::new();
            let mut start = None;
            for column in columns.clone().chain([columns.end]) {
                let chosen = column < columns.end && choose(row * self.columns + column);
                match (start, chosen) {
                    (None, true) => start = Some(column),
                    (Some(from), false) => {
                        runs.push(from..column);
                        start = None;
                    }
                    _ => {}
                }
            }
            let mut next = Vec::with_capacity(runs.len());
            for run in runs {
                match open.iter().position(|(above, _)| *above == run) {
                    Some(index) => {
                        let (_, held) = open.swap_remove(index);
                        next.push((run, held.start..row + 1));
                    }
                    None => next.push((run, row..row + 1)),
                }
            }
            done.append(&mut open);
            open = next;
        }
        done.append(&mut open);
        done.sort_by_key(|(columns, rows)| (rows.start, columns.start));
        done.into_iter()
            .map(|(columns, rows)| self.bounds(columns, rows).to_polygon())
            .collect()
    }

    /// Box of the cells in these columns and rows, ends excluded.
    fn bounds(&self, columns: std::ops::Range<usize>, rows: std::ops::Range<usize>) -> Bounds {
        Bounds {
            min: Coord {
                x: self.x(columns.start as i64),
                y: self.y(rows.end as i64),
            },
            max: Coord {
                x: self.x(columns.end as i64),
                y: self.y(rows.start as i64),
            },
        }
    }
}

/// Elevations in metres, row by row from the upper left; NaN where unknown.
#[derive(Clone, Debug, PartialEq)]
pub struct ElevationGrid {
    pub cells: Cells,
    /// One value per cell, at its centre.
    pub values: Vec<f64>,
}

/// The gradient of each cell; NaN where unknown.
#[derive(Clone, Debug, PartialEq)]
pub struct SlopeGrid {
    cells: Cells,
    dz_dx: Vec<f32>,
    dz_dy: Vec<f32>,
}

/// A source of slopes that is read window by window.
pub trait Terrain: Sync {
    /// Slopes of the cells that meet `bounds` (work CRS), and of one more on every side. A cell has the same values, to
    /// the bit, from whatever window and thread. None when the box lies off the raster.
    ///
    /// # Errors
    /// When the raster cannot be read; the text names the file.
    fn window(&self, bounds: &Bounds) -> Result<Option<SlopeGrid>, String>;

    /// The elevations themselves, of those cells at least. None when the box lies off the raster, or nobody knows elevations.
    ///
    /// # Errors
    /// As [`Terrain::window`].
    fn elevations(&self, _bounds: &Bounds) -> Result<Option<ElevationGrid>, String> {
        Ok(None)
    }
}

impl SlopeGrid {
    /// Slopes of all cells of a grid. A cell is unknown when it or any of its eight neighbours is; the outermost cells
    /// have no neighbours on one side and are unknown as well.
    pub fn from_elevation(elevations: &ElevationGrid) -> SlopeGrid {
        SlopeGrid::horn(elevations, 0)
    }

    /// As [`SlopeGrid::from_elevation`], without the outermost cells, for elevations read with a margin of one cell.
    pub fn from_elevation_with_margin(elevations: &ElevationGrid) -> SlopeGrid {
        SlopeGrid::horn(elevations, 1)
    }

    fn horn(elevations: &ElevationGrid, margin: usize) -> SlopeGrid {
        let wide = elevations.cells;
        let cells = Cells {
            first_column: wide.first_column + margin as i64,
            first_row: wide.first_row + margin as i64,
            columns: wide.columns.saturating_sub(2 * margin),
            rows: wide.rows.saturating_sub(2 * margin),
            ..wide
        };
        let at = |column: i64, row: i64| {
            let index = wide.index(column, row);
            index.and_then(|index| elevations.values.get(index).copied())
        };
        let at_row = |row: i64, column: usize| {
            let from = wide.index(column as i64 - 1, row)?;
            elevations.values.get(from..from + 3)?.try_into().ok()
        };
        let run = 8.0 * wide.cell_m;
        let mut dz_dx = Vec::with_capacity(cells.columns * cells.rows);
        let mut dz_dy = Vec::with_capacity(cells.columns * cells.rows);
        for row in 0..cells.rows {
            for column in 0..cells.columns {
                let (c, r) = ((column + margin) as i64, (row + margin) as i64);
                let around = [-1, 0, 1].map(|dr| {
                    // Most cells have all their neighbours.
                    let row = (c > 0 && c + 1 < wide.columns as i64)
                        .then(|| at_row(r + dr, c as usize))
                        .flatten();
                    row.unwrap_or_else(|| {
                        [-1, 0, 1].map(|dc| at(c + dc, r + dr).unwrap_or(f64::NAN))
                    })
                });
                let z = |dc: i64, dr: i64| around[(dr + 1) as usize][(dc + 1) as usize];
                let right = z(1, -1) + 2.0 * z(1, 0) + z(1, 1);
                let left = z(-1, -1) + 2.0 * z(-1, 0) + z(-1, 1);
                let up = z(-1, -1) + 2.0 * z(0, -1) + z(1, -1);
                let down = z(-1, 1) + 2.0 * z(0, 1) + z(1, 1);
                // The centre has no weight, but a cell without elevation shall have no slope.
                let known = z(0, 0).is_finite();
                let (dx, dy) = ((right - left) / run, (up - down) / run);
                let known = known && dx.is_finite() && dy.is_finite();
                dz_dx.push(if known { dx as f32 } else { f32::NAN });
                dz_dy.push(if known { dy as f32 } else { f32::NAN });
            }
        }
        SlopeGrid {
            cells,
            dz_dx,
            dz_dy,
        }
    }

    pub fn layout(&self) -> &Cells {
        &self.cells
    }

    /// The box of all cells.
    pub fn bounds(&self) -> Bounds {
        self.cells.extent()
    }

    /// The same slopes seen from another origin: `origin` becomes (0, 0).
    pub fn moved(mut self, origin: Coord) -> SlopeGrid {
        self.cells.corner = self.cells.corner - origin;
        self
    }

    /// Takes each known gradient to other axes, as `turn` has it: two rows of two figures for a place. It is asked once for
    /// so many cells each way, which are the same cells in whatever window.
    pub fn turn(&mut self, turn: impl Fn(Coord) -> [f64; 4]) {
        const CELLS: i64 = 16;
        let cells = self.cells;
        for row in 0..cells.rows {
            let tile_row = (cells.first_row + row as i64).div_euclid(CELLS);
            let mut at: Option<(i64, [f64; 4])> = None;
            for column in 0..cells.columns {
                let tile = (cells.first_column + column as i64).div_euclid(CELLS);
                let [a, b, c, d] = match at {
                    Some((known, figures)) if known == tile => figures,
                    _ => {
                        let middle = |tile: i64| (tile * CELLS + CELLS / 2) as f64 * cells.cell_m;
                        let figures = turn(Coord {
                            x: cells.corner.x + middle(tile),
                            y: cells.corner.y - middle(tile_row),
                        });
                        at = Some((tile, figures));
                        figures
                    }
                };
                let index = row * cells.columns + column;
                let (x, y) = (f64::from(self.dz_dx[index]), f64::from(self.dz_dy[index]));
                self.dz_dx[index] = (a * x + b * y) as f32;
                self.dz_dy[index] = (c * x + d * y) as f32;
            }
        }
    }

    /// Gradient of the cell that holds `c`; left and upper edges belong to a cell. None where unknown or off the grid.
    pub fn at(&self, c: Coord) -> Option<Gradient> {
        if !(c.x.is_finite() && c.y.is_finite()) {
            return None;
        }
        let (column, row) = self.cells.place(c);
        self.of(column, row)
    }

    pub(super) fn of(&self, column: i64, row: i64) -> Option<Gradient> {
        let index = self.cells.index(column, row)?;
        let gradient = Gradient {
            dz_dx: f64::from(self.dz_dx[index]),
            dz_dy: f64::from(self.dz_dy[index]),
        };
        gradient.dz_dx.is_finite().then_some(gradient)
    }

    /// Box and gradient of every cell, row by row from the upper left; None where unknown.
    pub fn cells(&self) -> impl Iterator<Item = (Bounds, Option<Gradient>)> + '_ {
        let columns = self.cells.columns;
        (0..columns * self.cells.rows).map(move |index| {
            let (column, row) = (index % columns, index / columns);
            (
                self.cells.bounds(column..column + 1, row..row + 1),
                self.of(column as i64, row as i64),
            )
        })
    }

    /// Ground steeper than `limit` (rise over run), as rectangles of whole cells that meet `window`. Ground of unknown
    /// slope is not in it; [`SlopeGrid::rectangles`] gives it.
    pub fn steeper_than(&self, limit: f64, window: &Bounds) -> Vec<Polygon> {
        self.rectangles(window, |gradient| {
            gradient.is_some_and(|gradient| gradient.slope() > limit)
        })
    }

    /// As [`Cells::rectangles`], of the cells whose gradient `choose` picks.
    pub fn rectangles(
        &self,
        window: &Bounds,
        choose: impl Fn(Option<Gradient>) -> bool,
    ) -> Vec<Polygon> {
        let columns = self.cells.columns;
        self.cells.rectangles(window, |index| {
            choose(self.of((index % columns) as i64, (index / columns) as i64))
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    pub(crate) fn grid(cell_m: f64, columns: usize, values: Vec<f64>) -> ElevationGrid {
        ElevationGrid {
            cells: Cells {
                corner: Coord { x: 0.0, y: 0.0 },
                cell_m,
                first_column: 0,
                first_row: 0,
                columns,
                rows: values.len() / columns,
            },
            values,
        }
    }

    fn middle(values: [f64; 9], cell_m: f64) -> Gradient {
        let slopes = SlopeGrid::from_elevation(&grid(cell_m, 3, values.to_vec()));
        assert_eq!(slopes.cells().filter(|(_, g)| g.is_some()).count(), 1);
        slopes.of(1, 1).unwrap()
    }

    /// STANDARDS GE-09: Horn's slope, worked example of Esri's help on how slope works (read in a secondary document).
    /// There y runs down, here up.
    #[test]
    fn slope_gives_the_published_figures() {
        let z = [50., 45., 50., 30., 30., 30., 8., 10., 10.];
        let gradient = middle(z, 5.0);
        assert!((gradient.dz_dx - 0.05).abs() < 1e-7, "{gradient:?}");
        assert!((gradient.dz_dy - 3.8).abs() < 1e-6, "{gradient:?}");
        assert!((gradient.slope() - 3.800_328_9).abs() < 1e-6);
        assert!((gradient.slope().atan().to_degrees() - 75.257_62).abs() < 5e-5);
    }

    /// STANDARDS GE-10: aspect, worked example of Esri's help on how aspect works, in sums over 8 with y running down.
    /// Aspect is where the ground falls to, so along it the rise is the steepest fall.
    #[test]
    fn aspect_gives_the_published_figures() {
        let z = [101., 92., 85., 101., 92., 85., 101., 91., 84.];
        let gradient = middle(z, 1.0);
        assert!((gradient.dz_dx + 8.125).abs() < 1e-6, "{gradient:?}");
        assert!((gradient.dz_dy - 0.375).abs() < 1e-6, "{gradient:?}");
        let downhill = Coord {
            x: -gradient.dz_dx,
            y: -gradient.dz_dy,
        };
        let aspect = super::super::frame::azimuth_deg(downhill);
        assert!((aspect - 92.64).abs() < 0.01, "{aspect}");
        assert!((gradient.along(aspect) + gradient.slope()).abs() < 1e-12);
        assert!(gradient.across(aspect).abs() < 1e-12);
        // Heading north here, the ground falls to the right.
        assert!((gradient.across(0.0) + 8.125).abs() < 1e-6);
    }

    #[test]
    fn a_plane_has_its_own_slope_whatever_its_azimuth() {
        for azimuth in (0..360).step_by(7) {
            let (sin, cos) = f64::from(azimuth).to_radians().sin_cos();
            for slope in [0.0, 0.05, 0.4, 1.7] {
                let values = (0..25).map(|i| {
                    let (x, y) = (f64::from(i % 5) * 10.0, -f64::from(i / 5) * 10.0);
                    250.0 + slope * (x * sin + y * cos)
                });
                let slopes = SlopeGrid::from_elevation(&grid(10.0, 5, values.collect()));
                for (_, gradient) in slopes.cells().filter(|(_, g)| g.is_some()) {
                    let gradient = gradient.unwrap();
                    assert!((gradient.slope() - slope).abs() < 1e-6);
                    assert!((gradient.along(f64::from(azimuth)) - slope).abs() < 1e-6);
                    assert!(gradient.across(f64::from(azimuth)).abs() < 1e-6);
                }
                assert_eq!(slopes.cells().filter(|(_, g)| g.is_some()).count(), 9);
            }
        }
    }

    #[test]
    fn a_hole_in_the_elevations_makes_its_neighbours_unknown() {
        let mut elevations = grid(1.0, 7, vec![5.0; 49]);
        elevations.values[3 * 7 + 3] = f64::NAN;
        let slopes = SlopeGrid::from_elevation(&elevations);
        let known = slopes.cells().filter(|(_, g)| g.is_some()).count();
        assert_eq!(known, 25 - 9);
        let inner = SlopeGrid::from_elevation_with_margin(&elevations);
        assert_eq!((inner.cells.columns, inner.cells.rows), (5, 5));
        assert_eq!(inner.cells().filter(|(_, g)| g.is_some()).count(), 25 - 9);
        for (bounds, gradient) in inner.cells() {
            let centre = (bounds.min + bounds.max) / 2.0;
            assert_eq!(slopes.at(centre), gradient);
        }
    }

    #[test]
    fn edges_belong_to_the_cell_on_their_right_and_below() {
        let values = (0..25).map(|i| f64::from(i * i % 7));
        let slopes = SlopeGrid::from_elevation(&grid(0.1, 5, values.collect()))
            .moved(Coord { x: 3.3, y: -7.7 });
        for (bounds, gradient) in slopes.cells() {
            let corner = Coord {
                x: bounds.min.x,
                y: bounds.max.y,
            };
            assert_eq!(slopes.at(corner), gradient);
            assert_eq!(slopes.at((bounds.min + bounds.max) / 2.0), gradient);
        }
        assert_eq!(
            slopes.at(Coord {
                x: f64::NAN,
                y: 0.0
            }),
            None
        );
        assert_eq!(slopes.at(Coord { x: 1e300, y: 0.0 }), None);
    }

    #[test]
    fn steep_ground_is_merged_into_rectangles() {
        // Flat, then a bank across the middle columns, then flat.
        let values = (0..60).map(|i| f64::from((i % 10).clamp(4, 6)) * 5.0);
        let slopes = SlopeGrid::from_elevation(&grid(10.0, 10, values.collect()));
        let steep = slopes.steeper_than(0.2, &slopes.bounds());
        assert_eq!(steep.len(), 1, "{steep:?}");
        let bounds = Bounds::of(&steep[0].exterior().0);
        assert_eq!((bounds.min.x, bounds.max.x), (40.0, 70.0));
        assert_eq!((bounds.min.y, bounds.max.y), (-50.0, -10.0));
        // A limit that is just met is not exceeded.
        assert_eq!(slopes.steeper_than(0.5, &slopes.bounds()), vec![]);
        let window = Bounds {
            min: Coord { x: 41.0, y: -25.0 },
            max: Coord { x: 49.0, y: -21.0 },
        };
        let steep = slopes.steeper_than(0.2, &window);
        let bounds = Bounds::of(&steep[0].exterior().0);
        assert_eq!((bounds.min.x, bounds.max.x), (40.0, 50.0));
        assert_eq!((bounds.min.y, bounds.max.y), (-30.0, -20.0));
        let unknown = slopes.rectangles(&slopes.bounds(), |gradient| gradient.is_none());
        let area: f64 = unknown
            .iter()
            .map(|p| super::super::area::ring_area(p.exterior()))
            .sum();
        assert_eq!(area, (60.0 - 32.0) * 100.0);
    }
}
