//! How to get to the places of a field check, and what is odd about the filled rows that came back.

use std::path::{Path, PathBuf};

use geo::Coord;

use crate::audit::Neighbours;
use crate::audit::field::{FieldCheck, FieldResults, NotMeasurable};
use crate::model::{Feature, FieldMeasure, LayerKind, Shape};
use crate::outputs::{Approach, FromRoad};
use crate::sources::crs::WorkCrs;
use crate::sources::field::{FieldFileError, FieldRead};

/// A road farther off is no help.
const ROAD_WITHIN_M: f64 = 5_000.0;
/// A waypoint taken farther from its place is told: a receiver under trees is off by less.
const FAR_M: f64 = 30.0;
const EARTH_M: f64 = 6_371_000.0;

/// Where each place is, and the straight way from the nearest mapped road.
pub(super) fn approaches(
    check: &FieldCheck,
    features: &[Feature],
    neighbours: &Neighbours,
    work: &WorkCrs,
) -> Vec<Approach> {
    let roads: Vec<&Feature> = (features.iter())
        .filter(|feature| feature.kind == LayerKind::Roads)
        .collect();
    let of = |at: Coord| {
        let near = nearest_road(&roads, at, neighbours);
        let degrees = |at: Coord| work.degrees(at).map(|at| [at.x, at.y]);
        let place = degrees(at);
        let road = near.and_then(|(road, point)| {
            let metres = neighbours.metres(at, point);
            let leave_at = degrees(point)?;
            (metres <= ROAD_WITHIN_M).then_some(())?;
            Some(FromRoad {
                id: road.id.clone(),
                leave_at,
                metres,
                bearing_deg: bearing_deg(leave_at, place?),
            })
        });
        Approach { place, road }
    };
    check.places.iter().map(|place| of(place.plane)).collect()
}

/// The nearest point of any road, in the plane. Steps of the plane are weighed as long as they are on the ground here.
fn nearest_road<'f>(
    roads: &[&'f Feature],
    at: Coord,
    neighbours: &Neighbours,
) -> Option<(&'f Feature, Coord)> {
    let step = |d: Coord| neighbours.metres(at, at + d);
    let (wide, high) = (
        step(Coord { x: 1.0, y: 0.0 }),
        step(Coord { x: 0.0, y: 1.0 }),
    );
    let scaled = |c: Coord| Coord {
        x: (c.x - at.x) * wide,
        y: (c.y - at.y) * high,
    };
    let mut best: Option<(f64, &Feature, Coord)> = None;
    for road in roads {
        let mut line = |points: &[Coord]| {
            for w in points.windows(2) {
                let (a, b) = (scaled(w[0]), scaled(w[1]));
                let d = b - a;
                let long = d.x * d.x + d.y * d.y;
                let along = if long > 0.0 {
                    (-(a.x * d.x + a.y * d.y) / long).clamp(0.0, 1.0)
                } else {
                    0.0
                };
                let foot = a + d * along;
                let metres = foot.x.hypot(foot.y);
                if best.is_none_or(|(held, ..)| metres < held) {
                    best = Some((metres, road, w[0] + (w[1] - w[0]) * along));
                }
            }
        };
        match &road.shape {
            Shape::Lines(lines) => lines.0.iter().for_each(|own| line(&own.0)),
            Shape::Polygons(polygons) => {
                let rings = polygons.0.iter().flat_map(crate::geometry::area::rings);
                rings.for_each(|ring| line(&ring.0));
            }
            Shape::Points(_) => {}
        }
    }
    best.map(|(_, road, at)| (road, at))
}

/// Over a few kilometres the earth is a plane whose meridians draw together.
fn offset([lon, lat]: [f64; 2], to: [f64; 2]) -> (f64, f64) {
    let middle = f64::midpoint(lat, to[1]).to_radians();
    let east = (to[0] - lon + 540.0).rem_euclid(360.0) - 180.0;
    (east * middle.cos(), to[1] - lat)
}

/// Clockwise from true north.
fn bearing_deg(from: [f64; 2], to: [f64; 2]) -> f64 {
    let (east, north) = offset(from, to);
    east.atan2(north).to_degrees().rem_euclid(360.0)
}

fn metres(from: [f64; 2], to: [f64; 2]) -> f64 {
    let (east, north) = offset(from, to);
    east.hypot(north).to_radians() * EARTH_M
}

/// What whoever reads the filled rows should know of them, a sentence each.
pub(super) fn remarks(read: &FieldRead, check: &FieldCheck, ways: &[Approach]) -> Vec<String> {
    let mut said = Vec::new();
    if read.other_waypoints > 0 {
        said.push(format!(
            "{} waypoint(s) whose names are no codes of places were passed over",
            read.other_waypoints
        ));
    }
    let no_error = |row: &&FieldMeasure| row.measured.is_some() && row.error.is_none();
    let count = read.rows.iter().filter(no_error).count();
    if count > 0 {
        said.push(format!(
            "of {count} figure(s) nobody told the error; it was taken for none"
        ));
    }
    for row in &read.rows {
        let at = check.places.iter().position(|place| place.code == row.code);
        let place = at.and_then(|at| ways.get(at)?.place);
        if let (Some(taken), Some(place)) = (row.taken_at, place) {
            let off_m = metres(taken, place);
            if off_m > FAR_M {
                said.push(format!(
                    "{} was taken {off_m:.0} m from its place",
                    row.place
                ));
            }
        }
    }
    said
}

/// A row whose code no place of this audit has.
pub(super) fn unknown_code(path: &Path, results: &FieldResults) -> Option<FieldFileError> {
    let row = results.unknown().next()?;
    Some(FieldFileError {
        path: path.to_owned(),
        place: Some(row.place.clone()),
        why: format!("no row of this audit has the code {}", row.code),
        hint: "give the --seed that the places were drawn with, and audit what was audited then: the same project, blocks, plan and cut",
    })
}

pub(super) fn not_measurable(path: PathBuf, found: NotMeasurable) -> FieldFileError {
    FieldFileError {
        path,
        place: Some(found.place),
        why: format!(
            "place {} has a figure, but none decides there: {}",
            found.code, found.title
        ),
        hint: "leave the figure empty and write down under note what was seen",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A degree of latitude is 111.2 km on a sphere of 6371 km; at 60° one of longitude is half of that.
    #[test]
    fn bearings_and_distances_are_those_of_the_sphere() {
        let from = [-124.0, 60.0];
        for (to, bearing, far) in [
            ([-124.0, 60.01], 0.0, 1112.0),
            ([-123.98, 60.0], 90.0, 1112.0),
            ([-124.0, 59.99], 180.0, 1112.0),
            ([-124.02, 60.0], 270.0, 1112.0),
        ] {
            assert!((bearing_deg(from, to) - bearing).abs() < 0.01);
            assert!((metres(from, to) - far).abs() < 1.0);
        }
        // Over the 180th meridian.
        assert!((bearing_deg([179.99, 0.0], [-179.99, 0.0]) - 90.0).abs() < 1e-9);
    }
}
