//! Tiles as one grid, averaged to cells of about the size asked for.

use std::collections::BTreeSet;

use super::errors::TerrainError;
use super::raster::{Affine, Raster};

/// Tiles may be off their common grid by this part of a cell: rounding of the files' own figures.
const OFF_GRID: f64 = 0.01;
/// Source cells read at a time.
const CHUNK_CELLS: usize = 1 << 20;

struct Tile {
    raster: Raster,
    /// Place of its upper-left cell in the mosaic.
    column: i64,
    row: i64,
}

/// First and last column and row.
pub(super) type Window = ((i64, i64), (i64, i64));

/// Of one tile, in the pieces in which it is read.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct Piece {
    tile: usize,
    row: usize,
    column: usize,
}

pub(in crate::sources) struct Mosaic {
    tiles: Vec<Tile>,
    /// Of the rasters' own cells.
    pub columns: i64,
    pub rows: i64,
    /// Cells averaged into one, along columns and rows.
    factor: (usize, usize),
    native: Affine,
}

impl Mosaic {
    /// Puts tiles together; the first with a value counts. The list is not empty.
    ///
    /// # Errors
    /// When the tiles do not lie on one grid.
    pub fn new(rasters: Vec<Raster>) -> Result<Mosaic, TerrainError> {
        let Some(first) = rasters.first() else {
            return Err(TerrainError::NoPlace {
                file: "no raster".to_owned(),
            });
        };
        let (base, first_file) = (first.affine, first.file.clone());
        let mut tiles = Vec::with_capacity(rasters.len());
        let mut low = (0i64, 0i64);
        let mut high = (0i64, 0i64);
        for raster in rasters {
            let differ = |what: String| TerrainError::TilesDiffer {
                first: first_file.clone(),
                second: raster.file.clone(),
                what,
            };
            let affine = raster.affine;
            let cells = raster.columns.max(raster.rows) as f64;
            let step = base.column_step().min(base.row_step());
            for (own, other) in [(affine.column, base.column), (affine.row, base.row)] {
                let off = own - other;
                if off.x.hypot(off.y) * cells > OFF_GRID * step {
                    return Err(differ(format!(
                        "their cells are {} by {} and {} by {}",
                        base.column_step(),
                        base.row_step(),
                        affine.column_step(),
                        affine.row_step()
                    )));
                }
            }
            let (column, row) = base.column_and_row(affine.origin);
            if (column - column.round()).abs() > OFF_GRID || (row - row.round()).abs() > OFF_GRID {
                return Err(differ(format!(
                    "the corner of the second lies at column {column:.3}, row {row:.3} of the first, not on its grid"
                )));
            }
            let (column, row) = (column.round() as i64, row.round() as i64);
            let ends = (
                column.saturating_add(raster.columns as i64),
                row.saturating_add(raster.rows as i64),
            );
            low = (low.0.min(column), low.1.min(row));
            high = (high.0.max(ends.0), high.1.max(ends.1));
            tiles.push(Tile {
                raster,
                column,
                row,
            });
        }
        for tile in &mut tiles {
            tile.column -= low.0;
            tile.row -= low.1;
        }
        Ok(Mosaic {
            tiles,
            columns: high.0 - low.0,
            rows: high.1 - low.1,
            factor: (1, 1),
            native: Affine {
                origin: base.place(low.0 as f64, low.1 as f64),
                ..base
            },
        })
    }

    /// Averages so many columns and rows into one from now on.
    pub fn average(&mut self, columns: usize, rows: usize) {
        self.factor = (columns.max(1), rows.max(1));
    }

    /// Of the averaged cells.
    pub fn affine(&self) -> Affine {
        Affine {
            column: self.native.column * self.factor.0 as f64,
            row: self.native.row * self.factor.1 as f64,
            ..self.native
        }
    }

    /// Columns and rows of averaged cells.
    pub fn size(&self) -> (i64, i64) {
        let ceil = |count: i64, by: usize| (count + by as i64 - 1).div_euclid(by as i64);
        (
            ceil(self.columns, self.factor.0),
            ceil(self.rows, self.factor.1),
        )
    }

    /// Elevations of a window of averaged cells, in metres, row by row; NaN where unknown or outside.
    ///
    /// A cell is the mean of the cells in it that are known, and unknown when fewer than half of them are.
    pub fn read(
        &self,
        (column, row): (i64, i64),
        (columns, rows): (usize, usize),
    ) -> Result<Vec<f64>, TerrainError> {
        let (by_columns, by_rows) = self.factor;
        let wide = columns * by_columns;
        let at_once = (CHUNK_CELLS / (wide * by_rows).max(1)).clamp(1, rows.max(1));
        let mut out = Vec::with_capacity(columns * rows);
        let mut done = 0;
        while done < rows {
            let now = at_once.min(rows - done);
            let corner = (
                column * by_columns as i64,
                (row + done as i64) * by_rows as i64,
            );
            let values = self.native(corner, (wide, now * by_rows))?;
            if self.factor == (1, 1) {
                out.extend(values);
            } else {
                for block in values.chunks_exact(wide * by_rows) {
                    out.extend((0..columns).map(|c| mean(block, wide, c * by_columns, by_columns)));
                }
            }
            done += now;
        }
        Ok(out)
    }

    /// The pieces in which the rasters are read that meet windows of averaged cells, given by first and last column and row.
    pub(super) fn pieces(&self, windows: &[Window]) -> Result<BTreeSet<Piece>, TerrainError> {
        let mut pieces = BTreeSet::new();
        for (tile, held) in self.tiles.iter().enumerate() {
            let ((wide, high), _) = held.raster.block()?;
            let range = |first: i64, last: i64, by: usize, from: i64, count: usize, size: usize| {
                let by = by as i64;
                let first = first.saturating_mul(by).saturating_sub(from).max(0);
                let last = last
                    .saturating_add(1)
                    .saturating_mul(by)
                    .saturating_sub(from);
                let last = last.min(count as i64);
                (first < last).then(|| (first as usize / size)..=((last as usize - 1) / size))
            };
            for ((left, top), (right, bottom)) in windows {
                let (columns, rows) = (held.raster.columns, held.raster.rows);
                let across = range(*left, *right, self.factor.0, held.column, columns, wide);
                let down = range(*top, *bottom, self.factor.1, held.row, rows, high);
                let (Some(across), Some(down)) = (across, down) else {
                    continue;
                };
                for row in down {
                    pieces.extend(across.clone().map(|column| Piece { tile, row, column }));
                }
            }
        }
        Ok(pieces)
    }

    /// Reads pieces and forgets them.
    ///
    /// # Errors
    /// The first that cannot be read.
    pub(super) fn try_read(&self, pieces: &BTreeSet<Piece>) -> Result<(), TerrainError> {
        for piece in pieces {
            let raster = &self.tiles[piece.tile].raster;
            let ((wide, high), one_is_enough) = raster.block()?;
            let corner = (piece.column * wide, piece.row * high);
            let size = match one_is_enough {
                true => (1, 1),
                false => (
                    wide.min(raster.columns - corner.0),
                    high.min(raster.rows - corner.1),
                ),
            };
            raster.read(corner, size)?;
        }
        Ok(())
    }

    /// As [`Mosaic::read`], of the rasters' own cells.
    fn native(
        &self,
        (column, row): (i64, i64),
        (columns, rows): (usize, usize),
    ) -> Result<Vec<f64>, TerrainError> {
        let mut out = vec![f64::NAN; columns * rows];
        for tile in &self.tiles {
            let left = column.max(tile.column);
            let right = (column + columns as i64).min(tile.column + tile.raster.columns as i64);
            let top = row.max(tile.row);
            let bottom = (row + rows as i64).min(tile.row + tile.raster.rows as i64);
            if left >= right || top >= bottom {
                continue;
            }
            let size = ((right - left) as usize, (bottom - top) as usize);
            let corner = ((left - tile.column) as usize, (top - tile.row) as usize);
            let values = tile.raster.read(corner, size)?;
            for (index, line) in values.chunks_exact(size.0).enumerate() {
                let start = ((top - row) as usize + index) * columns + (left - column) as usize;
                for (held, value) in out[start..start + size.0].iter_mut().zip(line) {
                    if held.is_nan() {
                        *held = *value;
                    }
                }
            }
        }
        Ok(out)
    }
}

/// Mean of a square of a block of rows.
fn mean(block: &[f64], wide: usize, from: usize, count: usize) -> f64 {
    let (mut sum, mut known, mut all) = (0.0, 0usize, 0usize);
    for line in block.chunks_exact(wide) {
        for value in &line[from..from + count] {
            all += 1;
            if !value.is_nan() {
                known += 1;
                sum += value;
            }
        }
    }
    if known * 2 >= all && known > 0 {
        sum / known as f64
    } else {
        f64::NAN
    }
}
