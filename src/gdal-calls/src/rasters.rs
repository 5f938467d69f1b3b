//! Rasters: the files of one, tiles to disk, the unit of a band.

use std::ffi::{CString, c_char};
use std::path::PathBuf;

use gdal::Dataset;
use gdal::errors::{GdalError, Result};
use gdal::raster::RasterBand;
use gdal_sys::CPLErr;

use crate::{c_text, text};

/// A list of texts that is ours to free.
struct List(*mut *mut c_char);

impl Drop for List {
    fn drop(&mut self) {
        // SAFETY: made by GDAL for its caller in `files`, or null, which is accepted; freed once.
        unsafe { gdal_sys::CSLDestroy(self.0) }
    }
}

/// All files that GDAL counts to a dataset: itself, world files, headers, descriptions.
pub fn files(dataset: &Dataset) -> Vec<PathBuf> {
    // SAFETY: a living dataset; the list is its caller's to free.
    let list = List(unsafe { gdal_sys::GDALGetFileList(dataset.c_dataset()) });
    let mut paths = Vec::new();
    if list.0.is_null() {
        return paths;
    }
    // SAFETY: a list of NUL-terminated texts that ends with a null pointer, beyond which `paths` never counts.
    while let Some(path) = unsafe { text(*list.0.add(paths.len())) } {
        paths.push(PathBuf::from(path));
    }
    paths
}

/// Sends what GDAL still holds of a band to its file, so that tiles reach it in the order in which they were written.
///
/// # Errors
/// GDAL could not write.
pub fn flush(band: &mut RasterBand<'_>) -> Result<()> {
    // SAFETY: the band lives as long as the borrow, its dataset longer.
    let class = unsafe { gdal_sys::GDALFlushRasterCache(band.c_rasterband()) };
    if class == CPLErr::CE_None {
        return Ok(());
    }
    Err(GdalError::CplError {
        class,
        number: 0,
        msg: "the band could not be written".to_owned(),
    })
}

/// Names the unit of a band's values. NUL bytes are dropped.
pub fn set_unit(band: &mut RasterBand<'_>, unit: &str) {
    let unit: CString = c_text(unit);
    // SAFETY: the band lives as long as the borrow; GDAL copies the NUL-terminated text.
    unsafe { gdal_sys::GDALSetRasterUnitType(band.c_rasterband(), unit.as_ptr()) };
}

#[cfg(test)]
mod tests {
    use super::*;
    use gdal::DriverManager;
    use gdal::raster::Buffer;

    #[test]
    fn files_units_and_tiles() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a.tif");
        let driver = DriverManager::get_driver_by_name("GTiff").unwrap();
        let dataset = driver
            .create_with_band_type::<f32, _>(&path, 4, 4, 1)
            .unwrap();
        let mut band = dataset.rasterband(1).unwrap();
        set_unit(&mut band, "f\0t");
        assert_eq!(band.unit(), "ft");
        let mut values = Buffer::new((4, 4), vec![1.5f32; 16]);
        band.write((0, 0), (4, 4), &mut values).unwrap();
        flush(&mut band).unwrap();
        std::fs::write(folder.path().join("a.tfw"), "1\n0\n0\n-1\n0\n0\n").unwrap();
        assert_eq!(files(&dataset), [path]);
        let memory = DriverManager::get_driver_by_name("MEM").unwrap();
        let without = memory.create("", 4, 4, 1).unwrap();
        assert_eq!(files(&without), Vec::<PathBuf>::new());
    }
}
