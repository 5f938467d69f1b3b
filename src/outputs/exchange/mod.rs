//! Exchange files: what goes into a receiver, a phone, a machine or a drafting office.
//!
//! GPX and KML come one file a block, since receivers and phones load block by block and hold only so much; GeoJSON,
//! Shapefile and DXF come one set a batch and are written as blocks arrive, so memory does not grow with the batch.
//! Everything is on WGS 84 but the DXF, which drafting offices want in metres: it stays in the work CRS.

mod dxf;
mod geojson;
mod gpx;
mod kml;
mod kmz;
mod meridian;
mod rows;
mod shapefile;
mod words;

use std::fs;
use std::path::{Path, PathBuf};

use gdal::spatial_ref::{AxisMappingStrategy, SpatialRef};

use super::OutputError;
use crate::model::{BlockPlan, ExchangeFormat, OutputSettings};
use crate::sources::crs::{self, Transform};

/// Writes the formats that were asked for.
pub(super) struct Exchange {
    dir: PathBuf,
    to_wgs84: Transform,
    title: String,
    words: &'static words::Words,
    gpx: bool,
    kml: Option<kml::Overview>,
    kmz: Option<kmz::Files>,
    geojson: Option<geojson::Files>,
    shapefile: Option<shapefile::Files>,
    dxf: Option<dxf::Drawing>,
}

impl Exchange {
    /// Opens the files in folder `dir`, which is created. `title` names the batch.
    ///
    /// # Errors
    /// A folder or file that cannot be created; a driver that this GDAL lacks.
    pub fn create(
        dir: &Path,
        srs: &SpatialRef,
        title: &str,
        outputs: &OutputSettings,
    ) -> Result<Exchange, OutputError> {
        let wants = |format| outputs.exchange.contains(&format);
        let words = words::of(outputs.language);
        make_folder(dir)?;
        let gpx = wants(ExchangeFormat::Gpx);
        if gpx {
            make_folder(&dir.join("gpx"))?;
        }
        Ok(Exchange {
            to_wgs84: to_wgs84(srs)?,
            title: title.to_owned(),
            words,
            gpx,
            kml: wants(ExchangeFormat::Kml)
                .then(|| {
                    make_folder(&dir.join("kml"))?;
                    kml::Overview::create(&dir.join("blocks.kml"), title, words)
                })
                .transpose()?,
            kmz: wants(ExchangeFormat::Kmz)
                .then(|| kmz::Files::create(dir, title, words))
                .transpose()?,
            geojson: wants(ExchangeFormat::Geojson)
                .then(|| geojson::Files::create(dir))
                .transpose()?,
            shapefile: wants(ExchangeFormat::Shapefile)
                .then(|| shapefile::Files::create(&dir.join("shapefile")))
                .transpose()?,
            dxf: wants(ExchangeFormat::Dxf)
                .then(|| dxf::Drawing::create(&dir.join("layout.dxf"), srs))
                .transpose()?,
            dir: dir.to_owned(),
        })
    }

    /// Adds one block, whose own files have the name `stem`.
    ///
    /// # Errors
    /// A file that cannot be written, or a place that has no longitude and latitude.
    pub fn block(&mut self, plan: &BlockPlan, stem: &str) -> Result<(), OutputError> {
        let rows = rows::located(plan, &self.to_wgs84).ok_or_else(|| OutputError::NoPlace {
            block: plan.id.clone(),
        })?;
        let write = |folder: &str, ending: &str, text: String| {
            let path = self.dir.join(folder).join(format!("{stem}.{ending}"));
            fs::write(&path, text).map_err(OutputError::file(&path, "write the file"))
        };
        if self.gpx {
            write("gpx", "gpx", gpx::document(plan, &rows, self.words))?;
        }
        let document = (self.kml.is_some() || self.kmz.is_some())
            .then(|| kml::document(plan, &rows, &self.title, self.words));
        if let (Some(files), Some(document)) = (&mut self.kmz, &document) {
            files.block(stem, document, plan, &rows)?;
        }
        if let (Some(overview), Some(document)) = (&mut self.kml, document) {
            write("kml", "kml", document)?;
            overview.block(plan, &rows)?;
        }
        if let Some(files) = &mut self.geojson {
            files.rows(plan, &rows)?;
        }
        if let Some(files) = &mut self.shapefile {
            files.rows(plan, &rows)?;
        }
        if let Some(drawing) = &mut self.dxf {
            drawing.block(plan)?;
        }
        Ok(())
    }

    /// Ends and closes all files.
    ///
    /// # Errors
    /// A file that cannot be written.
    pub fn close(self) -> Result<(), OutputError> {
        if let Some(overview) = self.kml {
            overview.close()?;
        }
        if let Some(files) = self.kmz {
            files.close()?;
        }
        if let Some(files) = self.geojson {
            files.close()?;
        }
        if let Some(files) = self.shapefile {
            files.close()?;
        }
        if let Some(drawing) = self.dxf {
            drawing.close()?;
        }
        Ok(())
    }
}

fn make_folder(path: &Path) -> Result<(), OutputError> {
    fs::create_dir_all(path).map_err(OutputError::file(path, "create the folder"))
}

/// From the work CRS to longitude and latitude on WGS 84, in this order.
fn to_wgs84(srs: &SpatialRef) -> Result<Transform, OutputError> {
    let no_way = |message: String| OutputError::NoWgs84 { message };
    let mut from = srs.clone();
    from.set_axis_mapping_strategy(AxisMappingStrategy::TraditionalGisOrder);
    let to = crs::wgs84().map_err(|error| no_way(error.to_string()))?;
    Transform::new(&from, &to).map_err(no_way)
}
