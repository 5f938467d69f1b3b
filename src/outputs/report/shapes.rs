//! Shapes as whole numbers: the first place, then steps from place to place.

use geo::{Coord, Geometry, InteriorPoint, LineString, MultiPolygon, Polygon};
use serde::Serialize;

use crate::geometry::fewer;
use crate::model::GroundFrame;

/// What a line may be off after points were left out, m: less than shows at the largest zoom.
const OFF_M: f64 = 0.03;

/// A line or ring: x, y of the first place, then steps `dx, dy` to the next; centimetres or metres.
pub type Steps = Vec<i64>;

/// `unit` is the length of one step, m. Steps of no length are left out.
pub fn steps(line: &LineString, unit: f64) -> Steps {
    let all = every_step(&line.0, unit);
    let first = all.iter().take(2);
    let moves = all.chunks(2).skip(1).filter(|step| **step != [0, 0]);
    first.chain(moves.flatten()).copied().collect()
}

/// As [`steps`], with one step for each place after the first.
pub fn every_step(places: &[Coord], unit: f64) -> Steps {
    let mut before = [0i64; 2];
    let mut found = Vec::with_capacity(2 * places.len());
    for place in places {
        let here = [place.x, place.y].map(|value| (value / unit).round() as i64);
        found.extend([here[0] - before[0], here[1] - before[1]]);
        before = here;
    }
    found
}

fn centimetres(line: &LineString) -> Steps {
    steps(line, 0.01)
}

pub fn line(line: &LineString) -> Steps {
    centimetres(&fewer::line(line, OFF_M))
}

/// A way on which nothing is cut, where a hand's breadth does not matter.
pub fn way(line: &LineString) -> Steps {
    centimetres(&fewer::line(line, 0.2))
}

fn push_rings(rings: &mut Vec<Steps>, polygon: &Polygon) {
    let simple = fewer::polygon(polygon, OFF_M);
    // Where too little would be left, everything is.
    let kept = if simple.exterior().0.len() < 4 {
        polygon
    } else {
        &simple
    };
    rings.push(centimetres(kept.exterior()));
    rings.extend(kept.interiors().iter().map(centimetres));
}

/// Rings to be filled by the even-odd rule.
pub fn rings<'p>(polygons: impl IntoIterator<Item = &'p Polygon>) -> Vec<Steps> {
    let mut rings = Vec::new();
    for polygon in polygons {
        push_rings(&mut rings, polygon);
    }
    rings
}

/// Whole metres in the plane of the work CRS, simplified to `off_m`, for a map of many blocks. Holes are left out.
pub fn outline(shape: &MultiPolygon, frame: &GroundFrame, off_m: f64) -> Vec<Steps> {
    shape
        .iter()
        .map(|polygon| {
            let simple = fewer::line(polygon.exterior(), off_m);
            let kept = if simple.0.len() < 4 {
                polygon.exterior()
            } else {
                &simple
            };
            steps(&frame.line_to_plane(kept), 1.0)
        })
        .collect()
}

/// Where a finding is.
#[derive(Default, Serialize)]
pub struct Place {
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub points: Vec<Steps>,
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub lines: Vec<Steps>,
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub rings: Vec<Steps>,
    /// A place on the shape for its marker, m.
    pub at: Option<[f64; 2]>,
}

impl Place {
    pub fn of(shape: &Geometry) -> Place {
        let mut place = Place {
            at: shape
                .interior_point()
                .map(|point| [point.x(), point.y()].map(|value| (value * 100.0).round() / 100.0)),
            ..Place::default()
        };
        place.add(shape);
        place
    }

    fn add(&mut self, shape: &Geometry) {
        match shape {
            Geometry::Point(point) => self.point(point.0),
            Geometry::MultiPoint(points) => points.iter().for_each(|point| self.point(point.0)),
            Geometry::Line(ends) => self
                .lines
                .push(line(&LineString(vec![ends.start, ends.end]))),
            Geometry::LineString(shape) => self.lines.push(line(shape)),
            Geometry::MultiLineString(lines) => self.lines.extend(lines.iter().map(line)),
            Geometry::Polygon(polygon) => push_rings(&mut self.rings, polygon),
            Geometry::MultiPolygon(polygons) => polygons
                .iter()
                .for_each(|polygon| push_rings(&mut self.rings, polygon)),
            Geometry::Rect(rect) => push_rings(&mut self.rings, &rect.to_polygon()),
            Geometry::Triangle(triangle) => push_rings(&mut self.rings, &triangle.to_polygon()),
            Geometry::GeometryCollection(all) => all.iter().for_each(|shape| self.add(shape)),
        }
    }

    fn point(&mut self, place: Coord) {
        self.points.push(centimetres(&LineString(vec![place])));
    }
}

#[cfg(test)]
mod tests {
    use geo::polygon;

    use super::*;

    #[test]
    fn a_ring_comes_back_within_half_a_step() {
        let ring = LineString::from(vec![(1.234, -5.0), (20.0, -5.004), (20.0, 8.999)]);
        let steps = steps(&ring, 0.01);
        assert_eq!(steps, [123, -500, 1877, 0, 0, 1400]);
        let (mut x, mut y) = (0, 0);
        for (place, step) in ring.0.iter().zip(steps.chunks(2)) {
            x += step[0];
            y += step[1];
            assert!((place.x - x as f64 / 100.0).abs() <= 0.005_001);
            assert!((place.y - y as f64 / 100.0).abs() <= 0.005_001);
        }
    }

    #[test]
    fn holes_stay_and_small_shapes_do_not_vanish() {
        let ring = polygon!(
            exterior: [(x: 0.0, y: 0.0), (x: 9.0, y: 0.0), (x: 9.0, y: 9.0), (x: 0.0, y: 9.0)],
            interiors: [[(x: 3.0, y: 3.0), (x: 6.0, y: 3.0), (x: 6.0, y: 6.0)]],
        );
        assert_eq!(rings([&ring]).len(), 2);
        let frame = GroundFrame::around(Coord { x: 5e5, y: 0.0 });
        let outline = outline(&MultiPolygon(vec![ring]), &frame, 100.0);
        assert_eq!(outline, [[500_000, 0, 9, 0, 0, 9, -9, 0, 0, -9]]);
    }
}
