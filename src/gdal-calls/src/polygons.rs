//! From cells to polygons: small pieces taken out, and the outlines of what is left.

use gdal::raster::RasterBand;
use gdal::vector::{Layer, LayerAccess};
use gdal_sys::CPLErr;

use crate::{Complaint, Quiet};

/// Cells that share an edge are of one piece; those that share a corner are not.
const CONNECTED_BY_EDGES: i32 = 4;

/// Gives pieces of one value with fewer than `least_cells` cells the value of their largest neighbour.
///
/// # Errors
/// GDAL could not read or write the band.
pub fn sieve(band: &mut RasterBand<'_>, least_cells: i32) -> Result<(), Complaint> {
    let quiet = Quiet::new();
    // SAFETY: only read off for the next call; the band lives as long as the borrow, its dataset longer.
    let handle = unsafe { band.c_rasterband() };
    // SAFETY: a valid band, borrowed alone, that GDAL may read from and write to in one; no mask, no options, and no function
    // that tells of progress, all of which may be null.
    let class = unsafe {
        gdal_sys::GDALSieveFilter(
            handle,
            std::ptr::null_mut(),
            handle,
            least_cells,
            CONNECTED_BY_EDGES,
            std::ptr::null_mut(),
            None,
            std::ptr::null_mut(),
        )
    };
    done(class, &quiet)
}

/// Adds a polygon to `layer` for each piece of a band whose cells are not 0: in the places of the band's dataset, or columns and
/// rows from its upper-left corner where it has none.
///
/// # Errors
/// GDAL could not read the band, or could not write to the layer.
pub fn outlines(band: &RasterBand<'_>, layer: &mut Layer<'_>) -> Result<(), Complaint> {
    let quiet = Quiet::new();
    // SAFETY: as in `sieve`.
    let handle = unsafe { band.c_rasterband() };
    // SAFETY: only read off for the next call; the layer lives as long as the borrow.
    let into = unsafe { layer.c_layer() };
    // SAFETY: a valid band that is only read, as values and as mask, and a valid layer, borrowed alone; no field takes the value
    // (-1); no options, and no function that tells of progress, which may be null.
    let class = unsafe {
        gdal_sys::GDALPolygonize(
            handle,
            handle,
            into,
            -1,
            std::ptr::null_mut(),
            None,
            std::ptr::null_mut(),
        )
    };
    done(class, &quiet)
}

fn done(class: CPLErr::Type, quiet: &Quiet) -> Result<(), Complaint> {
    if class == CPLErr::CE_None {
        return Ok(());
    }
    quiet.checked()?;
    Err(Complaint::last())
}

#[cfg(test)]
mod tests {
    use super::*;
    use gdal::raster::Buffer;
    use gdal::vector::{LayerOptions, OGRwkbGeometryType};
    use gdal::{Dataset, DriverManager};

    /// Seven columns, five rows: a block of six cells with one of its corners touched by a single cell, and a ring with a hole.
    const CELLS: [u8; 35] = [
        1, 1, 0, 0, 0, 0, 0, //
        1, 1, 0, 1, 1, 1, 0, //
        1, 1, 0, 1, 0, 1, 0, //
        0, 0, 1, 1, 1, 1, 0, //
        0, 0, 0, 0, 0, 0, 1,
    ];

    fn in_memory() -> Dataset {
        let driver = DriverManager::get_driver_by_name("MEM").unwrap();
        let dataset = driver.create("", 7, 5, 1).unwrap();
        let mut band = dataset.rasterband(1).unwrap();
        let mut cells = Buffer::new((7, 5), CELLS.to_vec());
        band.write((0, 0), (7, 5), &mut cells).unwrap();
        dataset
    }

    fn areas(dataset: &Dataset) -> Vec<f64> {
        let drivers = ["Memory", "MEM"];
        let mut drivers = drivers.into_iter().map(DriverManager::get_driver_by_name);
        let driver = drivers.find_map(Result::ok).unwrap();
        let mut found = driver.create_vector_only("").unwrap();
        let mut layer = found
            .create_layer(LayerOptions {
                name: "pieces",
                srs: None,
                ty: OGRwkbGeometryType::wkbPolygon,
                options: None,
            })
            .unwrap();
        outlines(&dataset.rasterband(1).unwrap(), &mut layer).unwrap();
        let pieces = layer.features();
        let mut areas: Vec<f64> = pieces.map(|own| own.geometry().unwrap().area()).collect();
        areas.sort_by(f64::total_cmp);
        areas
    }

    #[test]
    fn pieces_are_those_that_share_edges_and_small_ones_go() {
        let dataset = in_memory();
        // The block of six; the ring of eight and one beside it; the cell in the corner.
        assert_eq!(areas(&dataset), [1.0, 6.0, 9.0]);
        sieve(&mut dataset.rasterband(1).unwrap(), 3).unwrap();
        // The single cell is gone, and the hole is filled.
        assert_eq!(areas(&dataset), [6.0, 10.0]);
    }
}
