//! Layers in, through GDAL: open, filter, map attributes, transform, clean and repair, set aside.

use crate::model::{Feature, Problem, SourceBlock};

/// Everything read for a batch, in the work CRS.
#[derive(Clone, Debug, Default)]
pub struct Batch {
    /// Authority code or WKT of the work CRS.
    pub crs: String,
    /// WKT2 (or WKT1 where GDAL knows no better) of the work CRS.
    pub crs_wkt: String,
    /// In file order.
    pub blocks: Vec<SourceBlock>,
    /// In the order of roles, then file order.
    pub features: Vec<Feature>,
    pub problems: Vec<Problem>,
    pub inputs: Vec<InputFile>,
    pub layers: Vec<LayerReport>,
}

/// One file that was read.
#[derive(Clone, Debug, PartialEq, serde::Serialize)]
pub struct InputFile {
    /// As written in the project file.
    pub source: String,
    pub bytes: u64,
    pub sha256: String,
}

/// What was found in one layer.
#[derive(Clone, Debug, PartialEq, serde::Serialize)]
pub struct LayerReport {
    pub role: &'static str,
    pub source_layer: String,
    pub driver: String,
    pub crs: String,
    /// Features that passed the filter.
    pub read: u64,
    pub used: u64,
    pub repaired: u64,
    pub set_aside: u64,
}
