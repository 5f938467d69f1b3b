//! The project file: which layers play which role, and the settings in force.

use std::collections::BTreeMap;
use std::path::PathBuf;

use crate::model::{LayerKind, Settings};
use crate::rulebook::Rulebook;
use crate::units::LengthUnit;

/// A project file, read and checked; every path is resolved against the file's own folder.
#[derive(Clone, Debug)]
pub struct Project {
    pub path: PathBuf,
    pub name: String,
    /// As written, for example `EPSG:32616`; None: the UTM zone of the batch.
    pub crs: Option<String>,
    pub unit: LengthUnit,
    /// In the order of `LayerKind`, then as written; a role may have several sources.
    pub layers: Vec<LayerSource>,
    pub settings: Settings,
    pub rules: Rulebook,
    /// Things that work but deserve a word, for example a role that this version reads but does not use.
    pub warnings: Vec<String>,
}

/// One source of one role.
#[derive(Clone, Debug, PartialEq)]
pub struct LayerSource {
    pub kind: LayerKind,
    pub path: PathBuf,
    /// Path as written in the project file, for messages.
    pub source: String,
    /// Name of the layer where the file holds several.
    pub layer: Option<String>,
    /// OGR attribute filter, handed to the driver as it is.
    pub filter: Option<String>,
    /// CRS for a source that names none, or a wrong one.
    pub crs: Option<String>,
    pub id: Attribute,
    pub class: Attribute,
    /// Class as read -> class as the rulebook knows it.
    pub class_map: BTreeMap<String, String>,
    pub width: Attribute,
    pub azimuth: Attribute,
    pub stems_per_ha: Attribute,
    pub tree_m3: Attribute,
}

/// Where a value comes from: the first of these that is not null. Empty: not given.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Attribute(pub Vec<AttributeSource>);

#[derive(Clone, Debug, PartialEq)]
pub enum AttributeSource {
    Field(String),
    Constant(String),
}
