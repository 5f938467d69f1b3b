//! What a raster shows of itself before anybody says that it holds elevations.

use std::path::Path;

use gdal::Metadata;
use gdal::raster::GdalDataType;

use super::super::crs;
use super::super::errors::SourceError;
use super::super::plain::Folders;
use super::super::survey::SurveyedRaster;
use super::raster::{affine, open_checked, unreadable};
use super::{PLAIN_DRIVERS, ROLE, vrt};
use crate::project::TerrainFile;

/// # Errors
/// When the file is no raster of a listed format, or has no place.
pub(in crate::sources) fn survey(path: &Path, shown: &str) -> Result<SurveyedRaster, SourceError> {
    let file = TerrainFile {
        path: path.to_owned(),
        source: shown.to_owned(),
    };
    Folders::default().check(path, shown, ROLE)?;
    let dataset = if vrt::is_virtual(path) {
        vrt::files_of(&file)?;
        open_checked(&file, &["VRT"])?
    } else {
        open_checked(&file, &PLAIN_DRIVERS)?
    };
    let (columns, rows) = dataset.raster_size();
    let band = dataset
        .rasterband(1)
        .map_err(|error| SourceError::from(unreadable(&file, &error)))?;
    let affine = affine(&file, &dataset)?;
    let found = dataset.spatial_ref().ok();
    let found = found.filter(|found| !crs::says_nothing(found));
    Ok(SurveyedRaster {
        path: path.to_owned(),
        driver: dataset.driver().short_name(),
        columns,
        rows,
        bands: dataset.raster_count(),
        is_bytes: band.band_type() == GdalDataType::UInt8,
        crs: found.map(|mut found| {
            gdal_calls::crs::strip_vertical(&mut found);
            crs::label(&found)
        }),
        cell: affine.column_step(),
        corner: [affine.origin.x, affine.origin.y],
        title: band.description().unwrap_or_default(),
    })
}
