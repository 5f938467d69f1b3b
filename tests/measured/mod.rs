//! Reads GeoPackages back and measures what they hold with GEOS through GDAL.
#![allow(dead_code, reason = "each test file uses its own share")]

use std::collections::BTreeMap;
use std::path::Path;

use gdal::Dataset;
use gdal::vector::{FieldValue, Geometry, LayerAccess, OGRwkbGeometryType};
use gdal_calls::features::has_geometry;
use gdal_calls::measure;
use rstar::primitives::{GeomWithData, Rectangle};
use rstar::{AABB, RTree};

/// One feature. Numbers of any type are kept as f64; null fields are left out.
#[derive(Clone, Debug)]
pub struct Row {
    pub texts: BTreeMap<String, String>,
    pub numbers: BTreeMap<String, f64>,
    pub wkb: Option<Vec<u8>>,
}

impl Row {
    pub fn text(&self, field: &str) -> &str {
        self.texts.get(field).map_or("", String::as_str)
    }

    pub fn number(&self, field: &str) -> Option<f64> {
        self.numbers.get(field).copied()
    }

    pub fn whole(&self, field: &str) -> i64 {
        self.number(field)
            .unwrap_or_else(|| panic!("no number in {field}: {self:?}")) as i64
    }

    pub fn geometry(&self) -> Geometry {
        let wkb = self.wkb.as_ref().expect("a row without geometry");
        Geometry::from_wkb(wkb).expect("readable WKB")
    }
}

pub type Layers = BTreeMap<String, Vec<Row>>;

/// Point scale of the districts' CRS, to half a millionth all over them: metres of the grid in one on the ground.
pub const GRID: f64 = 0.999_600_2;

/// Divides every coordinate of little-endian WKB by [`GRID`], so that what is measured is ground.
fn on_ground(wkb: &mut [u8], at: &mut usize) {
    let whole = |wkb: &[u8], at: &mut usize| {
        let bytes = wkb[*at..*at + 4].try_into().expect("four bytes");
        *at += 4;
        u32::from_le_bytes(bytes)
    };
    assert_eq!(wkb[*at], 1, "little-endian");
    *at += 1;
    let kind = whole(wkb, at);
    let axes = [2, 3, 3, 4][(kind / 1000) as usize];
    let places = |wkb: &mut [u8], at: &mut usize, count: u32| {
        for _ in 0..count {
            for axis in 0..axes {
                let bytes: &mut [u8] = &mut wkb[*at..*at + 8];
                let value = f64::from_le_bytes((&*bytes).try_into().expect("eight bytes"));
                if axis < 2 {
                    bytes.copy_from_slice(&(value / GRID).to_le_bytes());
                }
                *at += 8;
            }
        }
    };
    match kind % 1000 {
        1 => places(wkb, at, 1),
        2 => {
            let count = whole(wkb, at);
            places(wkb, at, count);
        }
        3 => {
            for _ in 0..whole(wkb, at) {
                let count = whole(wkb, at);
                places(wkb, at, count);
            }
        }
        _ => {
            for _ in 0..whole(wkb, at) {
                on_ground(wkb, at);
            }
        }
    }
}

/// Every layer of a vector file of the demo, in metres on the ground, features in file order.
pub fn read(path: &Path) -> Layers {
    let mut layers = read_as_written(path);
    for row in layers.values_mut().flatten() {
        if let Some(wkb) = &mut row.wkb {
            on_ground(wkb, &mut 0);
        }
    }
    layers
}

/// The same in the coordinates of the file.
pub fn read_as_written(path: &Path) -> Layers {
    let dataset = Dataset::open(path).unwrap_or_else(|e| panic!("{}: {e}", path.display()));
    let mut layers = Layers::new();
    // Looks are no ground.
    let layers_of_ground = (dataset.layers()).filter(|layer| layer.name() != "layer_styles");
    for mut layer in layers_of_ground {
        let rows = layer.features().map(|feature| {
            let (mut texts, mut numbers) = (BTreeMap::new(), BTreeMap::new());
            for (name, value) in feature.fields() {
                match value {
                    Some(FieldValue::StringValue(text)) => drop(texts.insert(name, text)),
                    Some(FieldValue::RealValue(number)) => drop(numbers.insert(name, number)),
                    Some(FieldValue::IntegerValue(number)) => {
                        numbers.insert(name, f64::from(number));
                    }
                    Some(FieldValue::Integer64Value(number)) => {
                        numbers.insert(name, number as f64);
                    }
                    Some(other) => panic!("{name}: unexpected {other:?}"),
                    None => {}
                }
            }
            Row {
                texts,
                numbers,
                wkb: has_geometry(&feature)
                    .then(|| feature.geometry())
                    .flatten()
                    .map(|geometry| geometry.wkb().expect("WKB of a feature")),
            }
        });
        let rows = rows.collect();
        layers.insert(layer.name(), rows);
    }
    layers
}

/// Least distance between two geometries, in metres; 0 where they touch or overlap.
pub fn distance(a: &Geometry, b: &Geometry) -> f64 {
    measure::distance(a, b).expect("GEOS distance")
}

pub fn intersection(a: &Geometry, b: &Geometry) -> Geometry {
    a.intersection(b).expect("GEOS intersection")
}

pub fn difference(a: &Geometry, b: &Geometry) -> Geometry {
    a.difference(b).expect("GEOS difference")
}

/// Square metres of what has any; lines and points that an overlay leaves have none.
pub fn area_m2(geometry: &Geometry) -> f64 {
    match geometry.geometry_name().as_str() {
        "POLYGON" | "MULTIPOLYGON" | "GEOMETRYCOLLECTION" => geometry.area(),
        _ => 0.0,
    }
}

/// Shared ground in square metres.
pub fn shared_m2(a: &Geometry, b: &Geometry) -> f64 {
    if boxes_meet(a, b) {
        area_m2(&intersection(a, b))
    } else {
        0.0
    }
}

pub fn buffer(of: &Geometry, radius_m: f64, quarter_segments: u32) -> Geometry {
    of.buffer(radius_m, quarter_segments).expect("GEOS buffer")
}

/// The union of polygons, or a collection of lines as one geometry.
pub fn union(parts: &[Geometry]) -> Geometry {
    let polygonal = parts
        .iter()
        .all(|part| matches!(part.geometry_name().as_str(), "POLYGON" | "MULTIPOLYGON"));
    let kind = if polygonal {
        OGRwkbGeometryType::wkbMultiPolygon
    } else {
        OGRwkbGeometryType::wkbMultiLineString
    };
    let mut all = Geometry::empty(kind).expect("an empty collection");
    for part in parts {
        match part.geometry_count() {
            count if part.geometry_name().starts_with("MULTI") => {
                for at in 0..count {
                    all.add_geometry(part.get_geometry(at).clone())
                        .expect("a member of the same kind");
                }
            }
            _ => all
                .add_geometry(part.clone())
                .expect("a member of the same kind"),
        }
    }
    if polygonal && !parts.is_empty() {
        return measure::union(&all).expect("GEOS union");
    }
    all
}

fn rectangle(geometry: &Geometry, grown_m: f64) -> ([f64; 2], [f64; 2]) {
    let e = geometry.envelope();
    (
        [e.MinX - grown_m, e.MinY - grown_m],
        [e.MaxX + grown_m, e.MaxY + grown_m],
    )
}

pub fn boxes_meet(a: &Geometry, b: &Geometry) -> bool {
    let (a, b) = (a.envelope(), b.envelope());
    a.MinX <= b.MaxX && b.MinX <= a.MaxX && a.MinY <= b.MaxY && b.MinY <= a.MaxY
}

/// Geometries by their boxes, so that only neighbours are measured against one another.
pub struct Boxes(RTree<GeomWithData<Rectangle<[f64; 2]>, usize>>);

impl Boxes {
    pub fn of<'g>(geometries: impl IntoIterator<Item = &'g Geometry>) -> Boxes {
        let entries = geometries.into_iter().enumerate().map(|(at, geometry)| {
            let (low, high) = rectangle(geometry, 0.0);
            GeomWithData::new(Rectangle::from_corners(low, high), at)
        });
        Boxes(RTree::bulk_load(entries.collect()))
    }

    /// Indices of those whose box comes within `reach_m` of the box of `geometry`, in order.
    pub fn near(&self, geometry: &Geometry, reach_m: f64) -> Vec<usize> {
        let (low, high) = rectangle(geometry, reach_m);
        let mut found: Vec<usize> = self
            .0
            .locate_in_envelope_intersecting(AABB::from_corners(low, high))
            .map(|entry| entry.data)
            .collect();
        found.sort_unstable();
        found
    }
}

/// Leaves out what nobody reads back here: maps, sheets, report and exchange files.
pub fn lean(outputs: &mut blockwright::model::OutputSettings) {
    (outputs.maps, outputs.report, outputs.sheets) = (false, false, false);
    outputs.exchange.clear();
}
