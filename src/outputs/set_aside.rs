//! `set_aside.csv` and `set_aside.gpkg`: what could not be used, or only with a doubt.

use std::path::Path;

use gdal::spatial_ref::SpatialRef;
use geo::{CoordsIter, Geometry, MultiLineString, MultiPoint, MultiPolygon};

use super::OutputError;
use super::cells;
use super::gpkg::{GeoPackage, GeometryKind, Kind, LayerDef, Value};
use super::tables::Table;
use crate::geometry::wkb;
use crate::model::{Problem, Shape};
use crate::sources::crs::plane_of;

const COLUMNS: [&str; 8] = [
    "layer",
    "feature_id",
    "reason",
    "what_is_wrong",
    "what_to_do",
    "set_aside",
    "x",
    "y",
];

const LAYERS: &[LayerDef] = &[LayerDef {
    name: "set_aside",
    geometry: GeometryKind::Any,
    description: "Features set aside or doubted, as far as their geometry could be kept",
    fields: &[
        ("layer", Kind::Text),
        ("feature_id", Kind::Text),
        ("reason", Kind::Text),
        ("what_is_wrong", Kind::Text),
        ("what_to_do", Kind::Text),
        ("set_aside", Kind::Text),
    ],
}];

fn yes_or_no(problem: &Problem) -> &'static str {
    if problem.set_aside { "yes" } else { "no" }
}

/// Both files, in the order given.
pub(super) fn write(
    csv_path: &Path,
    gpkg_path: &Path,
    srs: &SpatialRef,
    problems: &[Problem],
) -> Result<(), OutputError> {
    let mut table = Table::create(csv_path, COLUMNS)?;
    let mut package = GeoPackage::create(gpkg_path, srs, LAYERS)?.with_shapes_as_given();
    let (plane, decimals) = (plane_of(srs), cells::place_decimals(srs));
    for problem in problems {
        let [x, y] = problem
            .place
            .map_or([None, None], |[x, y]| [Some(x), Some(y)]);
        table.row([
            cells::text(&problem.layer).as_ref(),
            cells::text(&problem.feature_id).as_ref(),
            problem.code.key(),
            cells::text(&problem.message).as_ref(),
            cells::text(&problem.remedy).as_ref(),
            yes_or_no(problem),
            &cells::number(x, decimals),
            &cells::number(y, decimals),
        ])?;
        if let Some(shape) = problem.shape.as_ref().and_then(kept) {
            package.row(
                0,
                Some(&wkb::write(&plane.leave_shape(&shape), [0.0; 2])),
                &[
                    Value::Text(&problem.layer),
                    Value::Text(&problem.feature_id),
                    Value::Text(problem.code.key()),
                    Value::Text(&problem.message),
                    Value::Text(&problem.remedy),
                    Value::Text(yes_or_no(problem)),
                ],
            )?;
        }
    }
    package.close()?;
    table.close()
}

/// The parts of a shape that a spatial index can hold: those with finite coordinates only.
fn kept(shape: &Shape) -> Option<Geometry> {
    fn finite(part: &impl CoordsIter<Scalar = f64>) -> bool {
        part.coords_iter()
            .all(|coord| coord.x.is_finite() && coord.y.is_finite())
    }
    let geometry: Geometry = match shape {
        Shape::Points(points) => MultiPoint(points.iter().copied().filter(finite).collect()).into(),
        Shape::Lines(lines) => {
            MultiLineString(lines.iter().filter(|line| finite(*line)).cloned().collect()).into()
        }
        Shape::Polygons(polygons) => MultiPolygon(
            polygons
                .iter()
                .filter(|part| finite(*part))
                .cloned()
                .collect(),
        )
        .into(),
    };
    (geometry.coords_count() > 0).then_some(geometry)
}
