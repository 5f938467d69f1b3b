//! GeoJSON by RFC 7946, one FeatureCollection a layer: WGS 84, right-hand rule, no `crs` member, eight decimals.

use std::fs::File;
use std::io::{BufWriter, Write};
use std::path::{Path, PathBuf};

use geo::{Coord, Geometry, Polygon};
use serde_json::{Map, Value as Json};

use super::meridian;
use super::rows::{LAYERS, Located, degrees};
use crate::model::{BlockPlan, shown};
use crate::outputs::OutputError;
use crate::outputs::gpkg::Value;

pub struct Files(Vec<Collection>);

struct Collection {
    path: PathBuf,
    file: BufWriter<File>,
    rows: u64,
}

impl Collection {
    fn write(&mut self, text: &str) -> Result<(), OutputError> {
        self.file
            .write_all(text.as_bytes())
            .map_err(OutputError::file(&self.path, "write the file"))
    }
}

impl Files {
    pub fn create(dir: &Path) -> Result<Files, OutputError> {
        let open = |name: &str| {
            let path = dir.join(format!("{name}.geojson"));
            let file = File::create(&path).map_err(OutputError::file(&path, "create the file"))?;
            let mut collection = Collection {
                path,
                file: BufWriter::with_capacity(1 << 16, file),
                rows: 0,
            };
            collection.write("{\"type\":\"FeatureCollection\",\"features\":[")?;
            Ok(collection)
        };
        let files: Result<_, OutputError> = LAYERS.iter().map(|layer| open(layer.name)).collect();
        Ok(Files(files?))
    }

    pub fn rows(&mut self, plan: &BlockPlan, rows: &[Located<'_>]) -> Result<(), OutputError> {
        let mut reasons = String::new();
        for row in rows {
            let properties = properties(row, plan, &mut reasons).to_string();
            let collection = &mut self.0[row.layer()];
            let comma = if collection.rows > 0 { "," } else { "" };
            collection.rows += 1;
            collection.write(&format!(
                "{comma}\n{{\"type\":\"Feature\",\"geometry\":{},\"properties\":{}}}",
                geometry(&meridian::cut(&row.shape)),
                shown::json(&properties)
            ))?;
        }
        Ok(())
    }

    pub fn close(self) -> Result<(), OutputError> {
        for mut collection in self.0 {
            collection.write("\n]}\n")?;
            collection
                .file
                .flush()
                .map_err(OutputError::file(&collection.path, "write the file"))?;
        }
        Ok(())
    }
}

fn properties(row: &Located<'_>, plan: &BlockPlan, reasons: &mut String) -> Json {
    let values = row.values(plan, reasons);
    let names = LAYERS[row.layer()].attributes.iter();
    let pairs = names.zip(values).map(|(attribute, value)| {
        let value = match value {
            Value::Text(text) => Json::from(text),
            Value::Whole(value) => Json::from(value),
            // A number that is not finite becomes null.
            Value::Number(value) => Json::from(rounded(value)),
            Value::Maybe(value) => Json::from(value.map(rounded)),
        };
        (attribute.name.to_owned(), value)
    });
    Json::Object(pairs.collect::<Map<_, _>>())
}

/// A millionth is enough of hectares, metres, shares and hours.
fn rounded(value: f64) -> f64 {
    (value * 1e6).round() / 1e6
}

fn geometry(shape: &Geometry) -> String {
    match shape {
        Geometry::LineString(line) => format!(
            "{{\"type\":\"LineString\",\"coordinates\":{}}}",
            positions(&line.0)
        ),
        Geometry::MultiLineString(lines) => {
            let all: Vec<String> = lines.iter().map(|line| positions(&line.0)).collect();
            format!(
                "{{\"type\":\"MultiLineString\",\"coordinates\":[{}]}}",
                all.join(",")
            )
        }
        Geometry::Polygon(polygon) => format!(
            "{{\"type\":\"Polygon\",\"coordinates\":{}}}",
            rings(polygon)
        ),
        Geometry::MultiPolygon(polygons) => {
            let all: Vec<String> = polygons.iter().map(rings).collect();
            format!(
                "{{\"type\":\"MultiPolygon\",\"coordinates\":[{}]}}",
                all.join(",")
            )
        }
        Geometry::Point(at) => format!("{{\"type\":\"Point\",\"coordinates\":{}}}", position(at.0)),
        // No row has another kind.
        _ => "null".to_owned(),
    }
}

fn rings(polygon: &Polygon) -> String {
    let all: Vec<String> = std::iter::once(polygon.exterior())
        .chain(polygon.interiors())
        .map(|ring| positions(&ring.0))
        .collect();
    format!("[{}]", all.join(","))
}

fn position(at: Coord) -> String {
    format!("[{},{}]", degrees(at.x), degrees(at.y))
}

fn positions(points: &[Coord]) -> String {
    let all: Vec<String> = points.iter().map(|&point| position(point)).collect();
    format!("[{}]", all.join(","))
}
