//! Shapes out of bytes, so that small changes of the bytes are small changes of the shape: steps, returns to earlier
//! points and to the middles of earlier edges, and points a few micrometres beside them. And what is asked of any shape.

use blockwright::geometry::area::rings;
use blockwright::geometry::wkb;
use gdal::vector::Geometry;
use geo::{Coord, LineString, MultiPolygon, Polygon};

/// Bytes read from the front; zeros after the end.
pub struct Bytes<'a>(pub &'a [u8]);

impl Bytes<'_> {
    pub fn next(&mut self) -> u8 {
        let Some((first, rest)) = self.0.split_first() else {
            return 0;
        };
        self.0 = rest;
        *first
    }

    pub fn pick<T: Copy>(&mut self, among: &[T]) -> T {
        among[usize::from(self.next()) % among.len()]
    }

    /// From -128 to nearly 128, in steps of 1/256.
    fn number(&mut self) -> f64 {
        f64::from(i16::from_be_bytes([self.next(), self.next()])) / 256.0
    }

    fn step(&mut self, scale_m: f64) -> Coord {
        let mut axis = || f64::from(self.next() as i8) * scale_m;
        Coord {
            x: axis(),
            y: axis(),
        }
    }

    /// Up to `most` points within some hundred metres.
    fn points(&mut self, most: u8) -> Vec<Coord> {
        let count = self.next() % (most + 1);
        let scale_m = self.pick(&[0.001, 0.05, 0.5, 1.0, 2.0, 4.0]);
        let mut at = Coord {
            x: 4.0 * self.number(),
            y: 4.0 * self.number(),
        };
        let mut points = vec![at];
        for _ in 1..count {
            let earlier = |byte: u8| points[usize::from(byte) % points.len()];
            at = match self.next() {
                0..=191 => at + self.step(scale_m),
                192..=211 => earlier(self.next()),
                212..=225 => (earlier(self.next()) + earlier(self.next())) / 2.0,
                226..=239 => {
                    let tiny_m = self.pick(&[1e-9, 1e-7, 1e-6, 1e-4, 1e-3]);
                    earlier(self.next()) + self.step(tiny_m)
                }
                240..=255 => Coord {
                    x: 4.0 * self.number(),
                    y: 4.0 * self.number(),
                },
            };
            points.push(at);
        }
        points
    }

    pub fn line(&mut self) -> LineString {
        LineString(self.points(24))
    }

    pub fn polygon(&mut self) -> Polygon {
        let holes = self.pick(&[0, 0, 0, 1, 2]);
        let exterior = LineString(self.points(40));
        let holes = (0..holes).map(|_| LineString(self.points(12)));
        Polygon::new(exterior, holes.collect())
    }

    pub fn polygons(&mut self) -> Vec<Polygon> {
        let count = self.pick(&[1, 1, 2, 3]);
        (0..count).map(|_| self.polygon()).collect()
    }
}

pub fn coords(polygons: &MultiPolygon) -> impl Iterator<Item = &Coord> {
    polygons.0.iter().flat_map(rings).flat_map(|ring| &ring.0)
}

pub fn is_finite<'c>(coords: impl IntoIterator<Item = &'c Coord>) -> bool {
    coords
        .into_iter()
        .all(|c| c.x.is_finite() && c.y.is_finite())
}

/// The same for GEOS.
pub fn geos(polygons: &MultiPolygon) -> Geometry {
    Geometry::from_wkb(&wkb::write_multi_polygon(polygons, [0.0; 2])).expect("WKB that GDAL reads")
}

/// Square metres by GEOS of what of `a` lies outside `b`.
pub fn outside_m2(a: &Geometry, b: &Geometry) -> f64 {
    let rest = a.difference(b).expect("a difference by GEOS");
    match rest.geometry_name().as_str() {
        "POLYGON" | "MULTIPOLYGON" | "GEOMETRYCOLLECTION" => rest.area(),
        _ => 0.0,
    }
}
