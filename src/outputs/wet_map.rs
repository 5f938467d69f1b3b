//! The depth to water over a block as a GeoTIFF: the metres, and what is said of each cell.

use std::fs;
use std::path::Path;

use gdal::raster::{Buffer, RasterCreationOptions};
use gdal::spatial_ref::SpatialRef;
use gdal::{DriverManager, Metadata};

use super::OutputError;
use crate::model::WetMap;

/// Folder of the rasters, one a block.
pub(super) const FOLDER: &str = "depth_to_water";
/// Of both bands; no depth is negative.
const NO_DATA: f64 = -9_999.0;

/// Writes a block's raster. `unit_m`: the plane's metres in a unit of the work CRS. The same map gives the same bytes.
///
/// # Errors
/// A file that cannot be written.
pub(super) fn write(
    path: &Path,
    map: &WetMap,
    srs: &SpatialRef,
    unit_m: f64,
) -> Result<(), OutputError> {
    if let Some(folder) = path.parent() {
        fs::create_dir_all(folder).map_err(OutputError::file(folder, "create the folder"))?;
    }
    raster(path, map, srs, unit_m).map_err(|error| OutputError::GeoPackage {
        path: path.to_owned(),
        place: "depth to water".to_owned(),
        message: error.to_string(),
    })
}

fn raster(path: &Path, map: &WetMap, srs: &SpatialRef, unit_m: f64) -> gdal::errors::Result<()> {
    let size = (map.columns, map.rows);
    let options = RasterCreationOptions::from_iter(["COMPRESS=DEFLATE", "INTERLEAVE=BAND"]);
    let mut dataset = DriverManager::get_driver_by_name("GTiff")?
        .create_with_band_type_with_options::<f32, _>(path, size.0, size.1, 2, &options)?;
    dataset.set_spatial_ref(srs)?;
    let ([left, top], cell) = (map.upper_left().map(|v| v / unit_m), map.cell_m / unit_m);
    dataset.set_geo_transform(&[left, cell, 0.0, top, 0.0, -cell])?;
    let depth = map.depth_m.iter().map(|m| m.unwrap_or(NO_DATA as f32));
    let wet = map.wet.iter().map(|wet| f32::from(wet.code()));
    let bands: [(&str, &str, Vec<f32>); 2] = [
        ("depth to the water seen", "m", depth.collect()),
        (
            "0 deeper than asked, 1 may be wet, 2 not known",
            "",
            wet.collect(),
        ),
    ];
    for (number, (says, unit, values)) in (1..).zip(bands) {
        let mut band = dataset.rasterband(number)?;
        band.set_no_data_value(Some(NO_DATA))?;
        band.set_description(says)?;
        if !unit.is_empty() {
            gdal_calls::rasters::set_unit(&mut band, unit);
        }
        band.write((0, 0), size, &mut Buffer::new(size, values))?;
    }
    dataset.close()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::Wet;

    #[test]
    fn a_raster_says_what_the_map_does_and_has_the_same_bytes() {
        let map = WetMap {
            corner: [500_000.0, 5_400_000.0],
            cell_m: 10.0,
            first: [3, 4],
            columns: 3,
            rows: 2,
            depth_m: vec![Some(0.0), Some(0.5), Some(1.5), None, Some(2.5), None],
            wet: vec![
                Wet::MayBe,
                Wet::MayBe,
                Wet::Beyond,
                Wet::Unknown,
                Wet::Beyond,
                Wet::Beyond,
            ],
        };
        let temp = tempfile::tempdir().unwrap();
        let srs = SpatialRef::from_epsg(32616).unwrap();
        let paths = ["a", "b"].map(|name| temp.path().join("new").join(format!("{name}.tif")));
        for path in &paths {
            write(path, &map, &srs, 1.0).unwrap();
        }
        let [a, b] = paths.each_ref().map(|path| fs::read(path).unwrap());
        assert_eq!(a, b);
        let read = gdal::Dataset::open(&paths[0]).unwrap();
        let transform = read.geo_transform().unwrap();
        assert_eq!(transform, [500_030.0, 10.0, 0.0, 5_399_960.0, 0.0, -10.0]);
        let values = |band: usize| {
            let band = read.rasterband(band).unwrap();
            band.read_as::<f32>((0, 0), (3, 2), (3, 2), None)
                .unwrap()
                .data()
                .to_vec()
        };
        assert_eq!(values(1), [0.0, 0.5, 1.5, -9999.0, 2.5, -9999.0]);
        assert_eq!(values(2), [1.0, 1.0, 0.0, 2.0, 0.0, 0.0]);
        assert_eq!(read.rasterband(1).unwrap().unit(), "m");
        // Nothing lies beside them.
        assert_eq!(fs::read_dir(temp.path().join("new")).unwrap().count(), 2);
    }
}
