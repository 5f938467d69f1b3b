//! A shapefile a layer, through GDAL. Attribute names have ten characters at most: see `docs/exchange.md`.

use std::path::{Path, PathBuf};

use gdal::vector::{Defn, Feature, Geometry, LayerOptions, OGRFieldType};
use gdal::vector::{FieldDefn, OGRwkbGeometryType};
use gdal::{Dataset, DriverManager};

use super::rows::{LAYERS, Located, Shapes};
use crate::geometry::wkb;
use crate::model::{BlockPlan, shown};
use crate::outputs::OutputError;
use crate::outputs::gpkg::{Kind, Value};
use crate::sources::crs;

/// Bytes of a text; longer ones are cut at a letter's end by GDAL.
const TEXT_WIDTH: i32 = 80;
/// Signs of a number, and how many of them are decimals.
const NUMBER_WIDTH: (i32, i32) = (16, 4);

pub struct Files {
    path: PathBuf,
    dataset: Dataset,
}

impl Files {
    /// # Errors
    /// What GDAL says.
    pub fn create(path: &Path) -> Result<Files, OutputError> {
        let failed = |source: gdal::errors::GdalError| gdal_error(path, "create", &source);
        let driver = DriverManager::get_driver_by_name("ESRI Shapefile").map_err(failed)?;
        super::make_folder(path)?;
        let mut dataset = driver.create_vector_only(path).map_err(failed)?;
        let wgs84 = crs::wgs84().map_err(|error| OutputError::NoWgs84 {
            message: error.to_string(),
        })?;
        for layer in &LAYERS {
            let failed = |source: gdal::errors::GdalError| gdal_error(path, layer.name, &source);
            let made = dataset
                .create_layer(LayerOptions {
                    name: layer.name,
                    srs: Some(&wgs84),
                    ty: match layer.shapes {
                        Shapes::Grounds => OGRwkbGeometryType::wkbPolygon,
                        Shapes::Lines => OGRwkbGeometryType::wkbLineString,
                        Shapes::Places => OGRwkbGeometryType::wkbPoint,
                    },
                    // A fixed date, so that the same input gives the same bytes.
                    options: Some(&["ENCODING=UTF-8", "DBF_DATE_LAST_UPDATE=1970-01-01"]),
                })
                .map_err(failed)?;
            for attribute in layer.attributes {
                let code = match attribute.kind {
                    Kind::Text => OGRFieldType::OFTString,
                    Kind::Whole => OGRFieldType::OFTInteger,
                    Kind::Number => OGRFieldType::OFTReal,
                };
                let field = FieldDefn::new(attribute.short, code).map_err(failed)?;
                match attribute.kind {
                    Kind::Text => field.set_width(TEXT_WIDTH),
                    Kind::Whole => field.set_width(9),
                    Kind::Number => {
                        field.set_width(NUMBER_WIDTH.0);
                        field.set_precision(NUMBER_WIDTH.1);
                    }
                }
                field.add_to_layer(&made).map_err(failed)?;
            }
        }
        Ok(Files {
            path: path.to_owned(),
            dataset,
        })
    }

    pub fn rows(&mut self, plan: &BlockPlan, rows: &[Located<'_>]) -> Result<(), OutputError> {
        let mut reasons = String::new();
        for row in rows {
            let layer = &LAYERS[row.layer()];
            let failed =
                |source: gdal::errors::GdalError| gdal_error(&self.path, layer.name, &source);
            let into = self.dataset.layer(row.layer()).map_err(failed)?;
            let definition = Defn::from_layer(&into);
            let mut feature = Feature::new(&definition).map_err(failed)?;
            let bytes = wkb::write(&row.shape, [0.0; 2]);
            feature
                .set_geometry(Geometry::from_wkb(&bytes).map_err(failed)?)
                .map_err(failed)?;
            for (index, value) in row.values(plan, &mut reasons).into_iter().enumerate() {
                match value {
                    Value::Text(text) => feature.set_field_string(index, &shown::line(text)),
                    Value::Whole(value) => {
                        feature.set_field_integer(index, i32::try_from(value).unwrap_or(i32::MAX))
                    }
                    Value::Number(value) | Value::Maybe(Some(value)) if value.is_finite() => {
                        feature.set_field_double(index, value)
                    }
                    Value::Number(_) | Value::Maybe(_) => feature.set_field_null(index),
                }
                .map_err(failed)?;
            }
            feature.create(&into).map_err(failed)?;
        }
        Ok(())
    }

    pub fn close(self) -> Result<(), OutputError> {
        self.dataset
            .close()
            .map_err(|source| gdal_error(&self.path, "close", &source))
    }
}

pub fn gdal_error(path: &Path, place: &str, source: &gdal::errors::GdalError) -> OutputError {
    OutputError::GeoPackage {
        path: path.to_owned(),
        place: place.to_owned(),
        message: source.to_string(),
    }
}
