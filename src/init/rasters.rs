//! Which rasters hold elevations.

use super::words::{Name, TERRAIN, heard};
use crate::sources::SurveyedRaster;

/// What is made of all rasters.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct Terrain {
    /// The raster, or the tiles of one, that is taken.
    pub taken: Vec<usize>,
    pub why: String,
    /// Others that could be meant.
    pub doubtful: Vec<(usize, String)>,
    /// No elevations.
    pub others: Vec<(usize, String)>,
}

/// Looks for elevations among rasters.
pub(super) fn terrain(rasters: &[SurveyedRaster]) -> Terrain {
    let mut found = Terrain::default();
    let mut named: Vec<(usize, String)> = Vec::new();
    for (at, raster) in rasters.iter().enumerate() {
        let stem = raster
            .path
            .file_stem()
            .unwrap_or_default()
            .to_string_lossy();
        let word =
            heard(&Name::new(&stem), TERRAIN).or_else(|| heard(&Name::new(&raster.title), TERRAIN));
        let elevation_format = ["SRTMHGT", "DTED", "USGSDEM"].contains(&raster.driver.as_str());
        match word {
            _ if raster.bands != 1 => found
                .others
                .push((at, format!("{} bands: a picture", raster.bands))),
            _ if raster.is_bytes => found
                .others
                .push((at, "cells of one byte hold no elevations".to_owned())),
            _ if raster.crs.is_none() => found.doubtful.push((at, "it names no CRS".to_owned())),
            Some(word) => named.push((
                at,
                format!("its name has `{}` ({})", word.word, word.language),
            )),
            None if elevation_format => named.push((at, "a format of elevations".to_owned())),
            None => found
                .doubtful
                .push((at, "its name does not say what its cells are".to_owned())),
        }
    }
    let Some(((first, why), rest)) = named
        .split_first()
        .map(|((at, why), rest)| ((*at, why.clone()), rest))
    else {
        return found;
    };
    let (a, tiles) = (
        &rasters[first],
        rest.iter()
            .all(|(at, _)| is_tile(&rasters[first], &rasters[*at])),
    );
    if tiles {
        found.taken = named.iter().map(|(at, _)| *at).collect();
        found.why = match rest.len() {
            0 => format!("{why}; one band, cells of {}", a.cell),
            _ => format!(
                "{why}; {} tiles on one grid, cells of {}",
                rest.len() + 1,
                a.cell
            ),
        };
    } else {
        let why = "several rasters may be meant, on different grids".to_owned();
        found
            .doubtful
            .extend(named.into_iter().map(|(at, _)| (at, why.clone())));
    }
    found
}

/// Whether two rasters lie on one grid, at different places.
fn is_tile(a: &SurveyedRaster, b: &SurveyedRaster) -> bool {
    // Corners are stored to so much of a cell.
    const OFF: f64 = 0.01;
    let off = |axis: usize| {
        let cells = (b.corner[axis] - a.corner[axis]) / a.cell;
        (cells - cells.round()).abs()
    };
    a.crs == b.crs
        && (a.cell / b.cell - 1.0).abs() < 1e-6
        && a.corner != b.corner
        && off(0) < OFF
        && off(1) < OFF
}

#[cfg(test)]
mod tests {
    use std::path::PathBuf;

    use super::*;

    fn raster(name: &str, x: f64, cell: f64) -> SurveyedRaster {
        SurveyedRaster {
            path: PathBuf::from(name),
            driver: "GTiff".to_owned(),
            columns: 100,
            rows: 100,
            bands: 1,
            is_bytes: false,
            crs: Some("EPSG:32610".to_owned()),
            cell,
            corner: [x, 0.0],
            title: String::new(),
        }
    }

    #[test]
    fn tiles_are_taken_together_and_two_grids_are_not() {
        let tiles = [
            raster("dem_1.tif", 0.0, 10.0),
            raster("dem_2.tif", 1000.0, 10.0),
        ];
        assert_eq!(terrain(&tiles).taken, [0, 1]);
        let grids = [raster("dem.tif", 0.0, 10.0), raster("mnt.tif", 0.0, 5.0)];
        let found = terrain(&grids);
        assert!(found.taken.is_empty());
        assert_eq!(found.doubtful.len(), 2);
    }

    #[test]
    fn pictures_and_rasters_without_a_telling_name_are_not_taken() {
        let mut picture = raster("dem_photo.tif", 0.0, 1.0);
        picture.bands = 3;
        let found = terrain(&[
            picture,
            raster("x17.tif", 0.0, 1.0),
            raster("Korkeusmalli.tif", 0.0, 2.0),
        ]);
        assert_eq!(found.taken, [2]);
        assert_eq!(found.doubtful.len(), 1);
        assert_eq!(found.others.len(), 1);
    }
}
