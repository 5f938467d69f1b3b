//! One raster: opened by a listed driver, its elevations read window by window in metres.

use std::path::Path;

use gdal::raster::RasterBand;
use gdal::spatial_ref::{AxisMappingStrategy, SpatialRef};
use gdal::{Dataset, DatasetOptions, GdalOpenFlags, Metadata};
use geo::Coord;

use super::super::crs;
use super::super::errors::SourceError;
use super::super::limits::{self, RASTER_CELLS, RASTER_TILE_BYTES};
use super::super::open::{forget_failures, last_failure, too_many_open};
use super::super::plain::Folders;
use super::errors::TerrainError;
use super::{PLAIN_DRIVERS, ROLE, beside, vrt};
use crate::project::{TerrainFile, TerrainSource};
use crate::units::{FOOT_M, LengthUnit};

/// The foot of older United States surveys, exact by definition.
const SURVEY_FOOT_M: f64 = 1200.0 / 3937.0;
/// Beyond these a value is no elevation of ground but a mark for unknown that the raster does not declare.
const ELEVATIONS_M: std::ops::RangeInclusive<f64> = -1_000.0..=10_000.0;

/// From columns and rows, counted from the upper-left corner, to places.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(in crate::sources) struct Affine {
    pub origin: Coord,
    /// Step from one column, and one row, to the next.
    pub column: Coord,
    pub row: Coord,
}

impl Affine {
    fn determinant(&self) -> f64 {
        self.column.x * self.row.y - self.column.y * self.row.x
    }

    pub fn place(&self, column: f64, row: f64) -> Coord {
        self.origin + self.column * column + self.row * row
    }

    pub fn column_and_row(&self, place: Coord) -> (f64, f64) {
        let off = place - self.origin;
        let determinant = self.determinant();
        (
            (off.x * self.row.y - off.y * self.row.x) / determinant,
            (off.y * self.column.x - off.x * self.column.y) / determinant,
        )
    }

    pub fn column_step(&self) -> f64 {
        self.column.x.hypot(self.column.y)
    }

    pub fn row_step(&self) -> f64 {
        self.row.x.hypot(self.row.y)
    }
}

pub(in crate::sources) struct Raster {
    /// As written in the project file.
    pub file: String,
    pub driver: String,
    pub affine: Affine,
    pub columns: usize,
    pub rows: usize,
    /// Name of the unit of elevations.
    pub unit: String,
    /// Every file that was opened for it.
    pub files: Vec<TerrainFile>,
    dataset: Dataset,
    band: usize,
    /// Elevation in metres = value × scale + offset.
    scale: f64,
    offset: f64,
    /// What is not in it is a mark for unknown that the raster does not declare.
    pub believed: std::ops::RangeInclusive<f64>,
}

/// Opens a file that was found plain read-only with the given drivers.
///
/// # Errors
/// What lies beside it, or its size, is not what is read; or none of the drivers can read it.
pub(super) fn open_checked(file: &TerrainFile, drivers: &[&str]) -> Result<Dataset, SourceError> {
    beside::check(file)?;
    forget_failures();
    let options = DatasetOptions {
        open_flags: GdalOpenFlags::GDAL_OF_READONLY
            | GdalOpenFlags::GDAL_OF_RASTER
            | GdalOpenFlags::GDAL_OF_VERBOSE_ERROR,
        allowed_drivers: Some(drivers),
        ..DatasetOptions::default()
    };
    let dataset =
        Dataset::open_ex(&file.path, options).map_err(|error| match too_many_open(&file.path) {
            true => SourceError::TooManyFiles {
                file: file.source.clone(),
                role: ROLE,
            },
            false => unreadable(file, &error).into(),
        })?;
    // Either a file beside the raster says so, or the raster itself.
    if dataset
        .metadata_item("OVERVIEW_FILE", "OVERVIEWS")
        .is_some()
    {
        return Err(beside::refused(
            file,
            "its overviews are said to lie in another file",
        ));
    }
    check_size(file, &dataset)?;
    Ok(dataset)
}

/// A raster may say anything of its size, and be made to be read by tiles that no memory holds.
fn check_size(file: &TerrainFile, dataset: &Dataset) -> Result<(), SourceError> {
    let too_much = |found: String, most: String| SourceError::TooMuch {
        whose: file.source.clone(),
        role: ROLE,
        found,
        most,
    };
    let (columns, rows) = dataset.raster_size();
    if columns as u128 * rows as u128 > u128::from(RASTER_CELLS) {
        return Err(too_much(
            format!("{columns} by {rows} cells"),
            RASTER_CELLS.to_string(),
        ));
    }
    for number in 1..=dataset.raster_count() {
        let band = (dataset.rasterband(number)).map_err(|error| unreadable(file, &error))?;
        let (wide, high) = band.block_size();
        let bytes = wide as u128 * high as u128 * u128::from(band.band_type().bytes());
        if bytes > u128::from(RASTER_TILE_BYTES) {
            return Err(too_much(
                format!("tiles of {wide} by {high} cells"),
                limits::bytes(RASTER_TILE_BYTES),
            ));
        }
    }
    Ok(())
}

pub(super) fn unreadable(file: &TerrainFile, error: &gdal::errors::GdalError) -> TerrainError {
    let path = file.path.display().to_string();
    let message = last_failure().unwrap_or_else(|| error.to_string());
    TerrainError::Unreadable {
        file: file.source.clone(),
        message: message.replace(&path, &file.source),
    }
}

impl Raster {
    /// Opens a raster or a virtual one, and says in which CRS it lies. `folders` are those looked into so far.
    pub fn open(
        file: &TerrainFile,
        source: &TerrainSource,
        folders: &mut Folders,
    ) -> Result<(Raster, SpatialRef), SourceError> {
        folders.check(&file.path, &file.source, ROLE)?;
        let mut files = vec![file.clone()];
        let dataset = if vrt::is_virtual(&file.path) {
            files.extend(vrt::files_of(file)?);
            open_checked(file, &["VRT"])?
        } else {
            let dataset = open_checked(file, &PLAIN_DRIVERS)?;
            files.extend(sidecars(&dataset, file));
            dataset
        };
        let bands = dataset.raster_count();
        if source.band == 0 || source.band > bands {
            return Err(TerrainError::NoBand {
                file: file.source.clone(),
                band: source.band,
                bands,
            }
            .into());
        }
        let (columns, rows) = dataset.raster_size();
        let band = dataset
            .rasterband(source.band)
            .map_err(|error| unreadable(file, &error))?;
        let (unit, metres) = vertical_unit(file, source, &band)?;
        let scale = band.scale().unwrap_or(1.0) * metres;
        let offset = band.offset().unwrap_or(0.0) * metres;
        let affine = affine(file, &dataset)?;
        let crs = crs_of(file, source, &dataset)?;
        let raster = Raster {
            file: file.source.clone(),
            driver: dataset.driver().short_name(),
            affine,
            columns,
            rows,
            unit,
            files,
            band: source.band,
            scale,
            offset,
            believed: ELEVATIONS_M,
            dataset,
        };
        Ok((raster, crs))
    }

    /// Columns and rows that are read as one, and whether one cell of them is enough to read them all: those of a virtual
    /// raster may lie in several files.
    pub fn block(&self) -> Result<((usize, usize), bool), TerrainError> {
        let band = self.dataset.rasterband(self.band).map_err(|error| {
            TerrainError::ReadingStopped(format!("{} (terrain): {error}", self.file))
        })?;
        let (wide, high) = band.block_size();
        Ok(((wide.max(1), high.max(1)), self.driver != "VRT"))
    }

    /// Elevations of a window that lies within the raster, row by row; NaN where unknown.
    pub fn read(
        &self,
        (column, row): (usize, usize),
        (columns, rows): (usize, usize),
    ) -> Result<Vec<f64>, TerrainError> {
        forget_failures();
        let stopped = |error: gdal::errors::GdalError| {
            let message = last_failure().unwrap_or_else(|| error.to_string());
            TerrainError::ReadingStopped(format!(
                "{} (terrain): reading stopped at column {column}, row {row}: {message}",
                self.file
            ))
        };
        let band = self.dataset.rasterband(self.band).map_err(stopped)?;
        let corner = (column as isize, row as isize);
        let size = (columns, rows);
        let mut values = vec![0.0f64; columns * rows];
        band.read_into_slice(corner, size, size, &mut values, None)
            .map_err(stopped)?;
        if !band.mask_flags().map_err(stopped)?.is_all_valid() {
            let mut mask = vec![0u8; columns * rows];
            let known = band.open_mask_band().map_err(stopped)?;
            known
                .read_into_slice(corner, size, size, &mut mask, None)
                .map_err(stopped)?;
            for (value, known) in values.iter_mut().zip(mask) {
                if known == 0 {
                    *value = f64::NAN;
                }
            }
        }
        for value in &mut values {
            *value = *value * self.scale + self.offset;
            if !self.believed.contains(value) {
                *value = f64::NAN;
            }
        }
        Ok(values)
    }
}

pub(super) fn affine(file: &TerrainFile, dataset: &Dataset) -> Result<Affine, TerrainError> {
    let no_place = || TerrainError::NoPlace {
        file: file.source.clone(),
    };
    let [x, column_x, row_x, y, column_y, row_y] =
        dataset.geo_transform().map_err(|_| no_place())?;
    let affine = Affine {
        origin: Coord { x, y },
        column: Coord {
            x: column_x,
            y: column_y,
        },
        row: Coord { x: row_x, y: row_y },
    };
    let all = [x, y, column_x, column_y, row_x, row_y];
    let determinant = affine.determinant();
    if all.iter().all(|v| v.is_finite()) && determinant.is_normal() {
        Ok(affine)
    } else {
        Err(no_place())
    }
}

fn crs_of(
    file: &TerrainFile,
    source: &TerrainSource,
    dataset: &Dataset,
) -> Result<SpatialRef, SourceError> {
    if let Some(text) = &source.crs {
        return crs::parse_crs(text, &format!("{} ({ROLE})", file.source));
    }
    let found = dataset.spatial_ref().ok();
    let Some(mut crs) = found.filter(|crs| !crs::says_nothing(crs)) else {
        return Err(TerrainError::NoCrs {
            file: file.source.clone(),
        }
        .into());
    };
    // Heights are no matter of the plane; a vertical part would make the same plane look different. On a CRS without one
    // this does nothing.
    gdal_calls::crs::strip_vertical(&mut crs);
    crs.set_axis_mapping_strategy(AxisMappingStrategy::TraditionalGisOrder);
    Ok(crs)
}

fn vertical_unit(
    file: &TerrainFile,
    source: &TerrainSource,
    band: &RasterBand<'_>,
) -> Result<(String, f64), TerrainError> {
    match source.vertical_unit {
        Some(LengthUnit::Metre) => return Ok(("m".to_owned(), 1.0)),
        Some(LengthUnit::Foot) => return Ok(("ft".to_owned(), FOOT_M)),
        None => {}
    }
    let unit = band.unit();
    let known = match unit.trim().to_ascii_lowercase().as_str() {
        "" | "m" | "metre" | "metres" | "meter" | "meters" => Some(("m", 1.0)),
        "ft" | "foot" | "feet" | "international foot" => Some(("ft", FOOT_M)),
        "us-ft" | "ftus" | "us survey foot" | "u.s. survey foot" => Some(("us-ft", SURVEY_FOOT_M)),
        _ => None,
    };
    match known {
        Some((name, metres)) => Ok((name.to_owned(), metres)),
        None => Err(TerrainError::VerticalUnit {
            file: file.source.clone(),
            unit,
        }),
    }
}

/// The other files that GDAL counts to a dataset: world files, headers, descriptions.
pub(super) fn sidecars(dataset: &Dataset, file: &TerrainFile) -> Vec<TerrainFile> {
    let folder = Path::new(&file.source).parent().unwrap_or(Path::new(""));
    let mut found = Vec::new();
    for path in gdal_calls::rasters::files(dataset) {
        if path == file.path || !path.is_file() {
            continue;
        }
        if let Some(name) = path.file_name() {
            let source = folder.join(name).display().to_string();
            found.push(TerrainFile { path, source });
        }
    }
    found
}
