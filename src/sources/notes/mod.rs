//! Notes taken in the field: waypoints, points, lines and polygons, each of a kind that says what becomes of it.

mod edges;
mod ground;
mod read;

pub(super) use edges::apply as move_edges;
pub(super) use ground::add_features;
pub(super) use read::{NotesRead, read};

use super::errors::SourceError;
use crate::model::{FieldNote, NoteFate, Problem, ProblemCode, Shape};

/// As it stands in messages and in the report of layers.
pub(super) const ROLE: &str = "notes";

/// Drivers that may open a file of notes: those of any layer, and two more plain local formats.
pub const DRIVERS: [&str; 8] = [
    "GPX",
    "KML",
    "GPKG",
    "ESRI Shapefile",
    "GeoJSON",
    "GeoJSONSeq",
    "FlatGeobuf",
    "MapInfo File",
];

fn fault(file: &str, why: String, hint: &str) -> SourceError {
    SourceError::Notes {
        file: file.to_owned(),
        why,
        hint: hint.to_owned(),
    }
}

/// One row for each note that nothing follows from though somebody meant something by it.
pub(super) fn problems(notes: &[FieldNote], unit_m: f64) -> Vec<Problem> {
    let told = notes.iter().filter_map(|note| {
        let (code, remedy) = match note.fate {
            NoteFate::Used | NoteFate::Listed => return None,
            NoteFate::Unknown => (
                ProblemCode::UnknownNote,
                "add the kind to [notes.kinds], with layer = \"none\" if nothing is to follow from it",
            ),
            NoteFate::Refused => (
                ProblemCode::RefusedNote,
                "look at the place again, or draw what is meant in a layer of its own",
            ),
        };
        Some(Problem {
            code,
            layer: note.source_layer.clone(),
            feature_id: note.id.clone(),
            place: first(&note.shape).map(|[x, y]| [x / unit_m, y / unit_m]),
            message: note.message.clone(),
            remedy: remedy.to_owned(),
            shape: Some(note.shape.clone()),
            set_aside: true,
        })
    });
    told.collect()
}

fn first(shape: &Shape) -> Option<[f64; 2]> {
    let place = match shape {
        Shape::Points(points) => points.0.first().map(|point| point.0),
        Shape::Lines(lines) => lines.0.iter().find_map(|line| line.0.first()).copied(),
        Shape::Polygons(polygons) => {
            let mut shells = polygons.0.iter().map(|polygon| polygon.exterior());
            shells.find_map(|ring| ring.0.first()).copied()
        }
    };
    place.map(Into::into)
}
