//! A turned frame: x to the right of the strips' azimuth, y along it, so that strips are upright slabs.

use geo::{Coord, LineString, MultiLineString, MultiPolygon, Polygon};

use super::area::rings;

#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Frame {
    sin: f64,
    cos: f64,
}

impl Frame {
    /// `azimuth_deg` clockwise from grid north is the direction of y.
    pub fn new(azimuth_deg: f64) -> Frame {
        let (sin, cos) = azimuth_deg.to_radians().sin_cos();
        Frame { sin, cos }
    }

    pub fn enter(&self, p: Coord) -> Coord {
        Coord {
            x: p.x * self.cos - p.y * self.sin,
            y: p.x * self.sin + p.y * self.cos,
        }
    }

    pub fn leave(&self, q: Coord) -> Coord {
        Coord {
            x: q.x * self.cos + q.y * self.sin,
            y: -q.x * self.sin + q.y * self.cos,
        }
    }

    pub fn enter_polygons(&self, polygons: &MultiPolygon) -> MultiPolygon {
        MultiPolygon(
            polygons
                .0
                .iter()
                .map(|polygon| map_polygon(polygon, |c| self.enter(c)))
                .collect(),
        )
    }

    pub fn leave_polygon(&self, polygon: &Polygon) -> Polygon {
        map_polygon(polygon, |c| self.leave(c))
    }

    pub fn leave_polygons(&self, polygons: &MultiPolygon) -> MultiPolygon {
        MultiPolygon(
            polygons
                .0
                .iter()
                .map(|polygon| self.leave_polygon(polygon))
                .collect(),
        )
    }

    pub fn leave_line(&self, line: &LineString) -> LineString {
        map_line(line, |c| self.leave(c))
    }
}

pub fn map_line(line: &LineString, f: impl Fn(Coord) -> Coord) -> LineString {
    LineString(line.0.iter().map(|&c| f(c)).collect())
}

pub fn map_polygon(polygon: &Polygon, f: impl Fn(Coord) -> Coord) -> Polygon {
    let mut mapped = rings(polygon).map(|ring| map_line(ring, &f));
    let exterior = mapped.next().unwrap_or_else(|| LineString(vec![]));
    Polygon::new(exterior, mapped.collect())
}

pub fn map_polygons(polygons: &MultiPolygon, f: impl Fn(Coord) -> Coord) -> MultiPolygon {
    MultiPolygon(
        polygons
            .0
            .iter()
            .map(|polygon| map_polygon(polygon, &f))
            .collect(),
    )
}

pub fn map_lines(lines: &MultiLineString, f: impl Fn(Coord) -> Coord) -> MultiLineString {
    MultiLineString(lines.0.iter().map(|line| map_line(line, &f)).collect())
}

/// Azimuth in degrees clockwise from grid north, in 0..360.
pub fn azimuth_deg(direction: Coord) -> f64 {
    direction
        .x
        .atan2(direction.y)
        .to_degrees()
        .rem_euclid(360.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_frame_turns_its_azimuth_upright_and_back() {
        let frame = Frame::new(60.0);
        let along = Coord {
            x: 60f64.to_radians().sin(),
            y: 60f64.to_radians().cos(),
        };
        let turned = frame.enter(along);
        assert!(turned.x.abs() < 1e-15 && (turned.y - 1.0).abs() < 1e-15);
        let back = frame.leave(turned);
        assert!((back.x - along.x).abs() < 1e-15 && (back.y - along.y).abs() < 1e-15);
        // right of north is east
        assert!(Frame::new(0.0).enter(Coord { x: 1.0, y: 0.0 }).x > 0.99);
        assert!((azimuth_deg(Coord { x: -1.0, y: 0.0 }) - 270.0).abs() < 1e-12);
    }
}
