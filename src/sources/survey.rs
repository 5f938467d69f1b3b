//! What a file of layers or a raster shows of itself before anybody says what it is for: shapes, attributes and their
//! values, CRS and place.

use std::collections::{BTreeMap, HashSet};
use std::hash::{DefaultHasher, Hash, Hasher};
use std::path::{Path, PathBuf};

use gdal::spatial_ref::{AxisMappingStrategy, SpatialRef};
use gdal::vector::{Layer, LayerAccess};
use gdal_calls::layers;
use geo::{Area, Coord};

use super::attributes::{Value, field_value};
use super::crs::{self, Transform};
use super::errors::Bounds;
use super::features::{RawGeometry, raw_geometry};
use super::layer::widen;
use super::open;
use crate::model::LayerKind;
use crate::project::LayerSource;

/// Different values of an attribute that are kept with their counts; of one with more only how many there are.
const MOST_VALUES: usize = 60;
/// Numbers of an attribute from which its median is taken.
const MOST_NUMBERS: usize = 100_000;
/// Features up to which it is remembered which of them have which attribute.
const MOST_REMEMBERED: u64 = 1_000_000;
/// A degree of latitude, about.
const DEGREE_M: f64 = 111_320.0;

/// One layer of a file.
#[derive(Clone, Debug, PartialEq)]
pub struct SurveyedLayer {
    pub path: PathBuf,
    pub driver: String,
    pub name: String,
    /// Whether its file holds other layers too, so that it has to be named.
    pub is_one_of_several: bool,
    pub crs: Option<SurveyedCrs>,
    pub features: u64,
    pub shapes: ShapeCounts,
    /// Mean and largest area of its polygons, hectares; None without any, or where nobody knows the unit.
    pub area_ha: Option<(f64, f64)>,
    /// In its own CRS; None without a place.
    pub bounds: Option<Bounds>,
    /// West, south, east and north on WGS 84; None where the CRS is not known.
    pub degrees: Option<[f64; 4]>,
    pub columns: Vec<SurveyedColumn>,
}

/// How many features have which shape.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct ShapeCounts {
    pub points: u64,
    pub lines: u64,
    pub polygons: u64,
    /// Neither, or several at once.
    pub other: u64,
}

#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SurveyedCrs {
    /// Authority code or name.
    pub label: String,
    pub is_projected: bool,
    /// Whether its unit is a foot of some kind.
    pub is_in_feet: bool,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ColumnKind {
    Text,
    Whole,
    Number,
    Flag,
    /// Every feature is without a value.
    Empty,
}

/// One attribute of a layer.
#[derive(Clone, Debug, PartialEq)]
pub struct SurveyedColumn {
    pub name: String,
    pub kind: ColumnKind,
    /// Features with a value.
    pub filled: u64,
    /// Different values.
    pub distinct: u64,
    /// Values with their counts, the most frequent first; empty where there are too many.
    pub values: Vec<(String, u64)>,
    /// Of values that are numbers, also as text.
    pub numbers: Option<Numbers>,
    /// Which features have a value; empty in a very large layer.
    pub has_value: Vec<bool>,
}

#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Numbers {
    pub count: u64,
    pub lowest: f64,
    pub median: f64,
    pub highest: f64,
}

/// What was found in a raster.
#[derive(Clone, Debug, PartialEq)]
pub struct SurveyedRaster {
    pub path: PathBuf,
    pub driver: String,
    pub columns: usize,
    pub rows: usize,
    pub bands: usize,
    /// Whether its cells are bytes, as those of pictures are.
    pub is_bytes: bool,
    /// Authority code or name of its CRS, if it has one.
    pub crs: Option<String>,
    /// Size of a cell in units of that CRS.
    pub cell: f64,
    /// Step from its corner to that of another on the same grid would be a whole number of cells.
    pub corner: [f64; 2],
    /// What it calls its first band.
    pub title: String,
}

/// Roles whose features may have this shape: points, lines, polygons.
pub fn shapes_of(kind: LayerKind) -> [bool; 3] {
    super::features::shapes_of(kind)
}

/// Looks into every layer of a file. All features are read.
///
/// # Errors
/// Why the file is not read, as one line of words.
pub fn survey_layers(path: &Path) -> Result<Vec<SurveyedLayer>, String> {
    open::quiet_gdal();
    let shown = file_name(path);
    // Whatever it may be for; no word of the role comes out.
    let source = LayerSource::bare(LayerKind::Blocks, path, &shown, None);
    let role = format!(" ({})", LayerKind::Blocks.key());
    let dataset =
        open::open(&source).map_err(|error| one_line(&error.to_string().replace(&role, "")))?;
    let several = dataset.layer_count() > 1;
    let driver = dataset.driver().short_name();
    let mut found = Vec::new();
    for mut layer in dataset.layers() {
        let mut surveyed = look_into(&mut layer, path, &driver);
        surveyed.is_one_of_several = several;
        found.push(surveyed);
    }
    Ok(found)
}

/// Looks at a raster without reading its cells.
///
/// # Errors
/// Why the file is not read, as one line of words.
pub fn survey_raster(path: &Path) -> Result<SurveyedRaster, String> {
    open::quiet_gdal();
    super::terrain::survey(path, &file_name(path)).map_err(|error| one_line(&error.to_string()))
}

fn file_name(path: &Path) -> String {
    let name = path.file_name().unwrap_or(path.as_os_str());
    name.to_string_lossy().into_owned()
}

fn one_line(text: &str) -> String {
    text.lines().map(str::trim).collect::<Vec<_>>().join("; ")
}

/// Values of one attribute, as they come in.
#[derive(Default)]
struct Tally {
    filled: u64,
    seen: HashSet<u64>,
    counts: BTreeMap<String, u64>,
    too_many: bool,
    texts: u64,
    flags: u64,
    fractions: u64,
    numbers: Vec<f64>,
    numeric: u64,
    lowest: f64,
    highest: f64,
    has_value: Vec<bool>,
}

impl Tally {
    fn add(&mut self, value: Option<Value>, is_flag: bool, remember: bool) {
        if remember {
            self.has_value.push(value.is_some());
        }
        let Some(value) = value else {
            return;
        };
        self.filled += 1;
        match &value {
            Value::Text(_) => self.texts += 1,
            Value::Flag(_) => self.flags += 1,
            Value::Whole(_) if is_flag => self.flags += 1,
            Value::Number(_) => self.fractions += 1,
            Value::Whole(_) => {}
        }
        let text = value.text();
        let mut hasher = DefaultHasher::new();
        text.hash(&mut hasher);
        self.seen.insert(hasher.finish());
        if let Ok(number) = text.trim().parse::<f64>()
            && number.is_finite()
        {
            let first = self.numeric == 0;
            self.lowest = if first {
                number
            } else {
                self.lowest.min(number)
            };
            self.highest = if first {
                number
            } else {
                self.highest.max(number)
            };
            self.numeric += 1;
            if self.numbers.len() < MOST_NUMBERS {
                self.numbers.push(number);
            }
        }
        if !self.too_many {
            *self.counts.entry(text).or_default() += 1;
            if self.counts.len() > MOST_VALUES {
                self.too_many = true;
                self.counts.clear();
            }
        }
    }

    fn done(mut self, name: String) -> SurveyedColumn {
        self.numbers.sort_by(f64::total_cmp);
        let mut values: Vec<(String, u64)> = self.counts.into_iter().collect();
        values.sort_by(|(a, n), (b, m)| m.cmp(n).then_with(|| a.cmp(b)));
        let kind = match self.filled {
            0 => ColumnKind::Empty,
            filled if filled == self.flags => ColumnKind::Flag,
            _ if self.texts > 0 => ColumnKind::Text,
            _ if self.fractions > 0 => ColumnKind::Number,
            _ => ColumnKind::Whole,
        };
        SurveyedColumn {
            name,
            kind,
            filled: self.filled,
            distinct: self.seen.len() as u64,
            values,
            numbers: (self.numeric > 0).then(|| Numbers {
                count: self.numeric,
                lowest: self.lowest,
                median: self.numbers[self.numbers.len() / 2],
                highest: self.highest,
            }),
            has_value: self.has_value,
        }
    }
}

fn look_into(layer: &mut Layer<'_>, path: &Path, driver: &str) -> SurveyedLayer {
    let names: Vec<String> = layer.defn().fields().map(|field| field.name()).collect();
    let flags = layers::yes_no_fields(layer);
    let found = layer
        .spatial_ref()
        .filter(|found| !crs::says_nothing(found));
    let remember = layer
        .try_feature_count()
        .is_none_or(|count| count <= MOST_REMEMBERED);
    let mut tallies: Vec<Tally> = names.iter().map(|_| Tally::default()).collect();
    let mut shapes = ShapeCounts::default();
    let (mut features, mut area, mut largest) = (0u64, 0.0f64, 0.0f64);
    let mut bounds: Option<Bounds> = None;
    let mut buffer = Vec::new();
    for feature in layer.features() {
        features += 1;
        for (index, tally) in tallies.iter_mut().enumerate() {
            let is_flag = flags.get(index) == Some(&true);
            tally.add(field_value(&feature, index), is_flag, remember);
        }
        let geometry = raw_geometry(&feature, &mut buffer);
        geometry.coords().for_each(|c| widen(&mut bounds, c));
        match &geometry {
            RawGeometry::Parts { parts, .. } => {
                let held = (
                    !parts.points.is_empty(),
                    !parts.lines.is_empty(),
                    !parts.polygons.is_empty(),
                );
                match held {
                    (true, false, false) => shapes.points += 1,
                    (false, true, false) => shapes.lines += 1,
                    (false, false, true) => shapes.polygons += 1,
                    _ => shapes.other += 1,
                }
                let own: f64 = parts.polygons.iter().map(Area::unsigned_area).sum();
                area += own;
                largest = largest.max(own);
            }
            _ => shapes.other += 1,
        }
    }
    let degrees = found
        .as_ref()
        .zip(bounds)
        .and_then(|(from, b)| degrees(from, b));
    let hectare = found
        .as_ref()
        .and_then(|found| square_unit(found, bounds))
        .map(|m2| m2 / 1e4);
    let of_area = |hectare: f64| (area / shapes.polygons as f64 * hectare, largest * hectare);
    SurveyedLayer {
        path: path.to_owned(),
        driver: driver.to_owned(),
        name: layer.name(),
        is_one_of_several: false,
        crs: found.as_ref().map(|found| SurveyedCrs {
            label: crs::label(found),
            is_projected: found.is_projected(),
            is_in_feet: found.is_projected() && (0.3..0.31).contains(&found.linear_units()),
        }),
        features,
        shapes,
        area_ha: hectare.filter(|_| shapes.polygons > 0).map(of_area),
        bounds,
        degrees,
        columns: names
            .into_iter()
            .zip(tallies)
            .map(|(name, tally)| tally.done(name))
            .collect(),
    }
}

/// Square metres of a square unit, about.
fn square_unit(found: &SpatialRef, bounds: Option<Bounds>) -> Option<f64> {
    if found.is_projected() {
        return Some(found.linear_units().powi(2));
    }
    let bounds = bounds?;
    let middle = 0.5 * (bounds.min[1] + bounds.max[1]);
    found
        .is_geographic()
        .then(|| DEGREE_M.powi(2) * middle.to_radians().cos())
}

/// The box on WGS 84 around the corners of another.
fn degrees(from: &SpatialRef, bounds: Bounds) -> Option<[f64; 4]> {
    let mut from = from.clone();
    from.set_axis_mapping_strategy(AxisMappingStrategy::TraditionalGisOrder);
    let ([west, south], [east, north]) = (bounds.min, bounds.max);
    let corners = [(west, south), (west, north), (east, south), (east, north)];
    let mut corners = corners.map(|(x, y)| Coord { x, y });
    let way = Transform::new(&from, &crs::wgs84().ok()?).ok()?;
    if !way.points(&mut corners) {
        return None;
    }
    let mut around = None;
    corners.into_iter().for_each(|c| widen(&mut around, c));
    let Bounds { min, max } = around?;
    Some([min[0], min[1], max[0], max[1]])
}

/// Where a CRS is meant to be used, as its authority states it: west, south, east and north.
pub fn area_of_use(code: &str) -> Option<[f64; 4]> {
    open::quiet_gdal();
    let area = crs::parse_crs(code, code).ok()?.area_of_use()?;
    Some([
        area.west_lon_degree,
        area.south_lat_degree,
        area.east_lon_degree,
        area.north_lat_degree,
    ])
}
