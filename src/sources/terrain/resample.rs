//! A raster on another grid than the work CRS's: brought there cell by cell, between the four cells around each place.
//!
//! Each value depends on its own place only, never on the window that is read, as it would where an image is warped
//! piece by piece under an error tolerance.

use geo::Coord;

use super::super::crs::{Transform, WorkCrs, parse_crs};
use super::super::errors::SourceError;
use super::MOST_CELLS;
use super::errors::TerrainError;
use super::raster::Affine;
use crate::geometry::terrain::Cells;

/// The way from the work CRS to the raster's. Kept as text: GDAL's transformations stay on the thread that made them.
pub(in crate::sources) struct Way {
    from: String,
    to: String,
    /// Of the plane in a unit of the work CRS.
    unit_m: f64,
}

impl Way {
    /// # Errors
    /// When there is no way.
    pub fn new(work: &WorkCrs, to: &str, file: &str, label: &str) -> Result<Way, SourceError> {
        let way = Way {
            from: work.wkt.clone(),
            to: to.to_owned(),
            unit_m: work.unit_m,
        };
        way.transform()
            .map_err(|message| TerrainError::NoTransform {
                file: file.to_owned(),
                from: work.label.clone(),
                to: label.to_owned(),
                message,
            })?;
        Ok(way)
    }

    /// Made anew each time: it stays on the thread that asks.
    pub fn transform(&self) -> Result<Transform, String> {
        let parse = |text: &str| parse_crs(text, "terrain").map_err(|error| error.to_string());
        let way = Transform::new(&parse(&self.from)?, &parse(&self.to)?)?;
        Ok(way.in_units(1.0 / self.unit_m, 1.0))
    }

    /// Places of the plane as columns and rows of the raster, cell centres on whole numbers; NaN where there is no way.
    pub fn to_raster(&self, affine: Affine, places: &[Coord]) -> Result<Vec<(f64, f64)>, String> {
        let transform = self.transform()?;
        let mut moved = places.to_vec();
        if !transform.points(&mut moved) {
            for (moved, place) in moved.iter_mut().zip(places) {
                let mut one = [*place];
                let ok = transform.points(&mut one);
                *moved = if ok {
                    one[0]
                } else {
                    Coord {
                        x: f64::NAN,
                        y: f64::NAN,
                    }
                };
            }
        }
        let place = |c: &Coord| {
            let (column, row) = affine.column_and_row(*c);
            (column - 0.5, row - 0.5)
        };
        Ok(moved.iter().map(place).collect())
    }
}

/// Centres of all cells, row by row.
fn centres(cells: &Cells) -> Vec<Coord> {
    let mut centres = Vec::with_capacity(cells.columns * cells.rows);
    for row in 0..cells.rows {
        let y = cells.corner.y - ((cells.first_row + row as i64) as f64 + 0.5) * cells.cell_m;
        for column in 0..cells.columns {
            let x = (cells.first_column + column as i64) as f64 + 0.5;
            centres.push(Coord {
                x: cells.corner.x + x * cells.cell_m,
                y,
            });
        }
    }
    centres
}

/// Elevations at the centres of `cells`; None when all of them lie off the raster, which has `size` columns and rows.
/// `read` gives a window of it.
///
/// Between the four cells around a place the elevation is bilinear; where one that counts is unknown, so is the place.
pub(super) fn elevations(
    way: &Way,
    cells: &Cells,
    affine: Affine,
    (columns, rows): (i64, i64),
    read: impl FnOnce((i64, i64), (usize, usize)) -> Result<Vec<f64>, String>,
) -> Result<Option<Vec<f64>>, String> {
    let places = way.to_raster(affine, &centres(cells))?;
    let on_raster = |(column, row): &(f64, f64)| {
        (-0.5..=columns as f64 - 0.5).contains(column) && (-0.5..=rows as f64 - 0.5).contains(row)
    };
    let mut low = (i64::MAX, i64::MAX);
    let mut high = (i64::MIN, i64::MIN);
    for place in places.iter().filter(|place| on_raster(place)) {
        let (column, row) = (place.0.floor() as i64, place.1.floor() as i64);
        low = (low.0.min(column), low.1.min(row));
        high = (high.0.max(column + 1), high.1.max(row + 1));
    }
    if low.0 > high.0 {
        return Ok(None);
    }
    let size = ((high.0 - low.0 + 1) as usize, (high.1 - low.1 + 1) as usize);
    if size.0.saturating_mul(size.1) > MOST_CELLS {
        return Err(super::too_large(size.0, size.1));
    }
    let held = read(low, size)?;
    let at = |column: i64, row: i64| {
        let index = (row - low.1) as usize * size.0 + (column - low.0) as usize;
        held.get(index).copied().unwrap_or(f64::NAN)
    };
    let between = |place: &(f64, f64)| {
        if !on_raster(place) {
            return f64::NAN;
        }
        let (column, row) = (place.0.floor(), place.1.floor());
        let (right, down) = (place.0 - column, place.1 - row);
        let (column, row) = (column as i64, row as i64);
        let corners = [
            (column, row, (1.0 - right) * (1.0 - down)),
            (column + 1, row, right * (1.0 - down)),
            (column, row + 1, (1.0 - right) * down),
            (column + 1, row + 1, right * down),
        ];
        let counted = corners.iter().filter(|(_, _, weight)| *weight > 0.0);
        counted.map(|(c, r, weight)| at(*c, *r) * weight).sum()
    };
    Ok(Some(places.iter().map(between).collect()))
}
