//! Elevation rasters in, slopes out, window by window: a province is never held in memory.

mod beside;
mod coverage;
mod errors;
mod mosaic;
mod probe;
mod raster;
mod resample;
mod survey;
mod vrt;

use std::sync::Mutex;

use geo::Coord;

use super::crs::{self, WorkCrs};
use super::errors::SourceError;
use super::open::quiet_gdal;
use super::plain::Folders;
use crate::geometry::area::Bounds;
use crate::geometry::terrain::{Cells, ElevationGrid, SlopeGrid, Terrain};
use crate::project::{TerrainFile, TerrainSource};
pub(super) use mosaic::Mosaic;
pub(super) use raster::{Affine, Raster};
pub(super) use resample::Way;

pub(super) use coverage::off_raster;
pub use coverage::{Coverage, unclassed};
pub use errors::TerrainError;
pub(super) use survey::survey;

/// Drivers that may open an elevation raster: plain local grids that follow no link to other places, and virtual rasters
/// of such after a check of their own.
pub const DRIVERS: [&str; 7] = [
    "GTiff", "AAIGrid", "EHdr", "SRTMHGT", "USGSDEM", "DTED", "VRT",
];
const PLAIN_DRIVERS: [&str; 6] = ["GTiff", "AAIGrid", "EHdr", "SRTMHGT", "USGSDEM", "DTED"];
const ROLE: &str = "terrain";

/// Cells of one window; more is no block but a province.
const MOST_CELLS: usize = 25_000_000;
/// Cells averaged into one, along one axis.
const MOST_AVERAGED: usize = 2_000;
/// Rows and columns of a raster may drift by this part of a cell over its whole extent and still count as square and
/// upright.
const OFF_SQUARE: f64 = 0.01;
/// A degree of latitude, about, for the size of cells in degrees.
const DEGREE_M: f64 = 111_320.0;

/// What was found, and what is done with it.
#[derive(Clone, Debug, PartialEq, serde::Serialize)]
pub struct TerrainReport {
    /// As written in the project file.
    pub sources: Vec<String>,
    /// Of the first raster.
    pub driver: String,
    pub crs: String,
    /// Of all tiles together.
    pub columns: u64,
    pub rows: u64,
    /// Width and height of a cell in units of the raster's CRS.
    pub native_cell: [f64; 2],
    /// Columns and rows averaged into one.
    pub averaged: [usize; 2],
    /// True: another CRS, or cells that are turned or not square: brought to the work CRS by bilinear interpolation.
    pub resampled: bool,
    /// Cell for which slopes are computed, metres.
    pub cell_m: f64,
    /// Unit of the elevations.
    pub vertical_unit: String,
}

enum Grid {
    /// The raster's own, or whole cells of it averaged.
    Own { corner: Coord, cell_m: f64 },
    /// Whole multiples of the cell in the work CRS.
    Work { cell_m: f64, way: Way },
}

/// Slopes from one elevation raster or from tiles of one, in the work CRS. The files stay open; many threads may ask.
pub struct RasterTerrain {
    mosaic: Mutex<Mosaic>,
    /// Columns and rows of averaged cells.
    size: (i64, i64),
    affine: Affine,
    grid: Grid,
    files: Vec<TerrainFile>,
    /// What went wrong in the first window that could not be read.
    stopped: Mutex<Option<TerrainError>>,
    pub report: TerrainReport,
}

impl RasterTerrain {
    /// Opens the rasters; reads no elevation yet.
    ///
    /// # Errors
    /// When a file is missing, no raster of a listed format, has no such band, no place or no CRS, when the unit of its
    /// elevations is not understood, or when tiles do not lie on one grid in one CRS.
    pub fn open(source: &TerrainSource, work: &WorkCrs) -> Result<RasterTerrain, SourceError> {
        quiet_gdal();
        let mut rasters = Vec::with_capacity(source.files.len());
        let mut files: Vec<TerrainFile> = Vec::new();
        let mut found = None;
        let mut folders = Folders::default();
        for file in &source.files {
            let (raster, crs) = Raster::open(file, source, &mut folders)?;
            for part in &raster.files {
                if !files.iter().any(|known| known.path == part.path) {
                    files.push(part.clone());
                }
            }
            let (first, first_crs) =
                found.get_or_insert_with(|| (raster.file.clone(), crs.clone()));
            if *first_crs != crs {
                return Err(TerrainError::TilesDiffer {
                    first: first.clone(),
                    second: raster.file,
                    what: format!(
                        "the first is in {}, the second in {}",
                        crs::label(first_crs),
                        crs::label(&crs)
                    ),
                }
                .into());
            }
            rasters.push(raster);
        }
        let no_file = || TerrainError::NoPlace {
            file: "no raster".to_owned(),
        };
        let (file, crs) = found.ok_or_else(no_file)?;
        let first = rasters.first().ok_or_else(no_file)?;
        let (driver, vertical_unit) = (first.driver.clone(), first.unit.clone());
        let mut mosaic = Mosaic::new(rasters)?;
        let native = mosaic.affine();
        let longest = mosaic.columns.max(mosaic.rows) as f64;
        let upright = native.column.x > 0.0
            && native.row.y < 0.0
            && [
                native.column.y,
                native.row.x,
                native.column.x + native.row.y,
            ]
            .iter()
            .all(|off| off.abs() * longest < OFF_SQUARE * native.column.x);
        let own = upright && crs == work.spatial_ref && work.unit_m == 1.0;
        let (width_m, height_m) = if own {
            // Square, so that both take the same count whatever the last bits say.
            (native.column.x, native.column.x)
        } else {
            cell_metres(&mosaic, &crs)
        };
        let times = |native_m: f64| {
            let times = (source.cell_m / native_m).round().max(1.0);
            if times.is_finite() && times <= MOST_AVERAGED as f64 {
                return Ok(times as usize);
            }
            Err(TerrainError::CellTooSmall {
                file: file.clone(),
                native_m,
                cell_m: source.cell_m,
                most: MOST_AVERAGED,
            })
        };
        let averaged = [times(width_m)?, times(height_m)?];
        mosaic.average(averaged[0], averaged[1]);
        let affine = mosaic.affine();
        let grid = if own {
            Grid::Own {
                corner: affine.origin,
                cell_m: affine.column.x,
            }
        } else {
            let mean_m = (width_m * averaged[0] as f64 * height_m * averaged[1] as f64).sqrt();
            let to = crs::wkt2(&crs).unwrap_or_default();
            Grid::Work {
                cell_m: source.cell_m.max((mean_m * 10.0).round() / 10.0)
                    * stretch(
                        work,
                        &crs,
                        affine.place(mosaic.size().0 as f64 / 2.0, mosaic.size().1 as f64 / 2.0),
                    ),
                way: Way::new(work, &to, &file, &crs::label(&crs))?,
            }
        };
        let cell_m = match &grid {
            Grid::Own { cell_m, .. } | Grid::Work { cell_m, .. } => *cell_m,
        };
        let report = TerrainReport {
            sources: source.files.iter().map(|f| f.source.clone()).collect(),
            driver,
            crs: crs::label(&crs),
            columns: mosaic.columns.unsigned_abs(),
            rows: mosaic.rows.unsigned_abs(),
            native_cell: [native.column_step(), native.row_step()],
            averaged,
            resampled: !own,
            cell_m,
            vertical_unit,
        };
        Ok(RasterTerrain {
            size: mosaic.size(),
            mosaic: Mutex::new(mosaic),
            affine,
            grid,
            files,
            stopped: Mutex::new(None),
            report,
        })
    }

    /// Every file that was opened, each once, those of virtual rasters and sidecars included.
    pub(super) fn files(&self) -> &[TerrainFile] {
        &self.files
    }

    /// The cells that meet a box and one more on every side, were there no end to the raster.
    fn cells(&self, bounds: &Bounds) -> Result<Cells, String> {
        let (corner, cell_m) = match &self.grid {
            Grid::Own { corner, cell_m } => (*corner, *cell_m),
            Grid::Work { cell_m, .. } => (Coord { x: 0.0, y: 0.0 }, *cell_m),
        };
        let index = |off: f64| (off / cell_m).floor();
        let (left, right) = (
            index(bounds.min.x - corner.x) - 1.0,
            index(bounds.max.x - corner.x) + 2.0,
        );
        let (top, bottom) = (
            index(corner.y - bounds.max.y) - 1.0,
            index(corner.y - bounds.min.y) + 2.0,
        );
        let (left, right, top, bottom) = match &self.grid {
            Grid::Work { .. } => (left, right, top, bottom),
            Grid::Own { .. } => {
                let (columns, rows) = (self.size.0 as f64, self.size.1 as f64);
                (
                    left.clamp(0.0, columns),
                    right.clamp(0.0, columns),
                    top.clamp(0.0, rows),
                    bottom.clamp(0.0, rows),
                )
            }
        };
        let (columns, rows) = (right - left, bottom - top);
        if !(columns * rows <= MOST_CELLS as f64 && left.abs() < 1e15 && top.abs() < 1e15) {
            return Err(too_large(columns as usize, rows as usize));
        }
        Ok(Cells {
            corner,
            cell_m,
            first_column: left as i64,
            first_row: top as i64,
            columns: columns as usize,
            rows: rows as usize,
        })
    }

    /// Whether a box meets the raster's, as far as its corners and edges tell.
    pub fn reaches(&self, bounds: &Bounds) -> bool {
        let (columns, rows) = (self.size.0 as f64, self.size.1 as f64);
        let outline: Vec<Coord> = (0..=8)
            .flat_map(|i| (0..=8).map(move |j| (f64::from(i) / 8.0, f64::from(j) / 8.0)))
            .map(|(i, j)| Coord {
                x: bounds.min.x + (bounds.max.x - bounds.min.x) * i,
                y: bounds.min.y + (bounds.max.y - bounds.min.y) * j,
            })
            .collect();
        let places = match &self.grid {
            Grid::Own { .. } => outline
                .iter()
                .map(|place| self.affine.column_and_row(*place))
                .collect(),
            Grid::Work { way, .. } => match way.to_raster(self.affine, &outline) {
                Ok(places) => places,
                Err(_) => return false,
            },
        };
        let low = |f: fn(&(f64, f64)) -> f64| places.iter().map(f).fold(f64::INFINITY, f64::min);
        let high =
            |f: fn(&(f64, f64)) -> f64| places.iter().map(f).fold(f64::NEG_INFINITY, f64::max);
        low(|p| p.0) <= columns
            && high(|p| p.0) >= 0.0
            && low(|p| p.1) <= rows
            && high(|p| p.1) >= 0.0
    }
}

impl RasterTerrain {
    /// Elevations of the cells that meet a box, of one more on every side, and of one more for their neighbours.
    fn wide(&self, bounds: &Bounds) -> Result<Option<ElevationGrid>, String> {
        quiet_gdal();
        let ends = [bounds.min.x, bounds.min.y, bounds.max.x, bounds.max.y];
        if bounds.is_empty() || ends.iter().any(|end| !end.is_finite()) {
            return Ok(None);
        }
        if matches!(self.grid, Grid::Own { .. }) && !self.reaches(bounds) {
            return Ok(None);
        }
        let cells = self.cells(bounds)?;
        let wide = Cells {
            first_column: cells.first_column - 1,
            first_row: cells.first_row - 1,
            columns: cells.columns + 2,
            rows: cells.rows + 2,
            ..cells
        };
        let read = |corner, size| {
            // A crash of another thread while it read leaves nothing half done here.
            let mosaic = self.mosaic.lock().unwrap_or_else(|held| held.into_inner());
            mosaic.read(corner, size).map_err(|error| {
                let text = error.to_string();
                let mut stopped = self.stopped.lock().unwrap_or_else(|held| held.into_inner());
                stopped.get_or_insert(error);
                text
            })
        };
        let values = match &self.grid {
            Grid::Own { .. } => Some(read(
                (wide.first_column, wide.first_row),
                (wide.columns, wide.rows),
            )?),
            Grid::Work { way, .. } => {
                resample::elevations(way, &wide, self.affine, self.size, read)?
            }
        };
        Ok(values.map(|values| ElevationGrid {
            cells: wide,
            values,
        }))
    }
}

impl Terrain for RasterTerrain {
    fn window(&self, bounds: &Bounds) -> Result<Option<SlopeGrid>, String> {
        let wide = self.wide(bounds)?;
        Ok(wide.map(|wide| SlopeGrid::from_elevation_with_margin(&wide)))
    }

    fn elevations(&self, bounds: &Bounds) -> Result<Option<ElevationGrid>, String> {
        self.wide(bounds)
    }
}

/// How much longer than the ground the plane is at a place of a raster, where that is enough to matter: cells are to be
/// of their size on the ground.
fn stretch(work: &WorkCrs, crs: &gdal::spatial_ref::SpatialRef, at: Coord) -> f64 {
    let mut place = [at];
    let there = work.way_from(crs).ok().filter(|way| way.points(&mut place));
    let scale = there.and_then(|_| work.point_scale(place[0]));
    let stretch = scale.map_or(1.0, |scale| scale.mean());
    if stretch.is_finite() && (stretch - 1.0).abs() > 0.01 {
        stretch
    } else {
        1.0
    }
}

fn too_large(columns: usize, rows: usize) -> String {
    format!(
        "terrain: {columns} by {rows} cells would have to be read at once, {MOST_CELLS} are allowed\n  hint: set a larger \
         `cell` under [layers.terrain], or look whether a block is far too large"
    )
}

/// Width and height of a cell in metres, about, in the middle of the raster.
fn cell_metres(mosaic: &Mosaic, crs: &gdal::spatial_ref::SpatialRef) -> (f64, f64) {
    let affine = mosaic.affine();
    if !crs.is_geographic() {
        let unit = crs.linear_units();
        return (affine.column_step() * unit, affine.row_step() * unit);
    }
    let middle = affine.place(mosaic.columns as f64 / 2.0, mosaic.rows as f64 / 2.0);
    let radians = crs.angular_units();
    let degree_m = DEGREE_M * radians.to_degrees();
    let narrowing = (middle.y * radians).cos().abs().max(0.01);
    let metres = |step: Coord| (step.x * narrowing).hypot(step.y) * degree_m;
    (metres(affine.column), metres(affine.row))
}
