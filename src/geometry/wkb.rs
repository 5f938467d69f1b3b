//! Well-known binary, read and written without GDAL: Z and M are dropped on reading, an offset is added on writing.

use geo::{Coord, Geometry, LineString, MultiLineString, MultiPoint, MultiPolygon, Point, Polygon};

#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum WkbError {
    #[error("the geometry's bytes end too early")]
    Truncated,
    #[error(
        "geometry type {0} is not supported (curves, surfaces and TINs must be made straight first)"
    )]
    UnsupportedType(u32),
    #[error("byte order mark {0} is neither 0 nor 1")]
    BadByteOrder(u8),
    #[error("geometries are nested deeper than {MAX_DEPTH} levels")]
    TooDeep,
}

const MAX_DEPTH: usize = 32;

/// Points, lines and polygons of any geometry, collections flattened.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Parts {
    pub points: Vec<Point>,
    pub lines: Vec<LineString>,
    pub polygons: Vec<Polygon>,
    /// Rings whose last point was not their first; they were closed on reading.
    pub unclosed_rings: usize,
}

struct Reader<'a> {
    bytes: &'a [u8],
    little: bool,
}

impl Reader<'_> {
    fn take<const N: usize>(&mut self) -> Result<[u8; N], WkbError> {
        let (head, rest) = self
            .bytes
            .split_first_chunk::<N>()
            .ok_or(WkbError::Truncated)?;
        self.bytes = rest;
        Ok(*head)
    }

    fn u32(&mut self) -> Result<u32, WkbError> {
        let bytes = self.take::<4>()?;
        Ok(if self.little {
            u32::from_le_bytes(bytes)
        } else {
            u32::from_be_bytes(bytes)
        })
    }

    fn f64(&mut self) -> Result<f64, WkbError> {
        let bytes = self.take::<8>()?;
        Ok(if self.little {
            f64::from_le_bytes(bytes)
        } else {
            f64::from_be_bytes(bytes)
        })
    }

    fn coord(&mut self, dimensions: usize) -> Result<Coord, WkbError> {
        let (x, y) = (self.f64()?, self.f64()?);
        for _ in 2..dimensions {
            self.f64()?;
        }
        Ok(Coord { x, y })
    }

    fn coords(&mut self, dimensions: usize) -> Result<LineString, WkbError> {
        let count = self.u32()? as usize;
        if self.bytes.len() < count.saturating_mul(8 * dimensions) {
            return Err(WkbError::Truncated);
        }
        (0..count)
            .map(|_| self.coord(dimensions))
            .collect::<Result<Vec<_>, _>>()
            .map(LineString)
    }

    fn geometry(&mut self, parts: &mut Parts, depth: usize) -> Result<(), WkbError> {
        if depth > MAX_DEPTH {
            return Err(WkbError::TooDeep);
        }
        self.little = match self.take::<1>()?[0] {
            0 => false,
            1 => true,
            other => return Err(WkbError::BadByteOrder(other)),
        };
        let code = self.u32()?;
        let (mut dimensions, mut kind) = (2, code & 0x0fff_ffff);
        if code & 0x8000_0000 != 0 {
            dimensions += 1;
        }
        if code & 0x4000_0000 != 0 {
            dimensions += 1;
        }
        if code & 0x2000_0000 != 0 {
            self.u32()?;
        }
        match kind / 1000 {
            1 | 2 => dimensions += 1,
            3 => dimensions += 2,
            _ => {}
        }
        kind %= 1000;
        match kind {
            1 => parts.points.push(Point(self.coord(dimensions)?)),
            2 => parts.lines.push(self.coords(dimensions)?),
            3 => {
                let rings = self.u32()?;
                if rings == 0 {
                    return Ok(());
                }
                let exterior = self.coords(dimensions)?;
                let interiors = (1..rings)
                    .map(|_| self.coords(dimensions))
                    .collect::<Result<Vec<_>, _>>()?;
                parts.unclosed_rings += std::iter::once(&exterior)
                    .chain(&interiors)
                    .filter(|ring| !ring.is_closed())
                    .count();
                parts.polygons.push(Polygon::new(exterior, interiors));
            }
            4..=7 => {
                for _ in 0..self.u32()? {
                    self.geometry(parts, depth + 1)?;
                }
            }
            other => return Err(WkbError::UnsupportedType(other)),
        }
        Ok(())
    }
}

/// Reads ISO or extended WKB of any dimension; empty geometries give no parts. NaN coordinates are kept.
///
/// # Errors
/// Truncated bytes, curve types, nesting deeper than 32 levels.
pub fn read(bytes: &[u8]) -> Result<Parts, WkbError> {
    let mut parts = Parts::default();
    Reader {
        bytes,
        little: true,
    }
    .geometry(&mut parts, 0)?;
    Ok(parts)
}

struct Writer {
    bytes: Vec<u8>,
    offset: [f64; 2],
}

impl Writer {
    fn header(&mut self, kind: u32) {
        self.bytes.push(1);
        self.bytes.extend(kind.to_le_bytes());
    }

    fn count(&mut self, count: usize) {
        self.bytes.extend((count as u32).to_le_bytes());
    }

    fn coord(&mut self, coord: Coord) {
        self.bytes.extend((coord.x + self.offset[0]).to_le_bytes());
        self.bytes.extend((coord.y + self.offset[1]).to_le_bytes());
    }

    fn ring(&mut self, ring: &LineString) {
        self.count(ring.0.len());
        for &coord in &ring.0 {
            self.coord(coord);
        }
    }

    fn line(&mut self, line: &LineString) {
        self.header(2);
        self.ring(line);
    }

    fn polygon(&mut self, polygon: &Polygon) {
        self.header(3);
        if polygon.exterior().0.is_empty() {
            return self.count(0);
        }
        self.count(1 + polygon.interiors().len());
        self.ring(polygon.exterior());
        for hole in polygon.interiors() {
            self.ring(hole);
        }
    }

    fn geometry(&mut self, geometry: &Geometry) {
        match geometry {
            Geometry::Point(point) => {
                self.header(1);
                self.coord(point.0);
            }
            Geometry::MultiPoint(MultiPoint(points)) => {
                self.header(4);
                self.count(points.len());
                for point in points {
                    self.header(1);
                    self.coord(point.0);
                }
            }
            Geometry::Line(line) => self.line(&LineString(vec![line.start, line.end])),
            Geometry::LineString(line) => self.line(line),
            Geometry::MultiLineString(MultiLineString(lines)) => {
                self.header(5);
                self.count(lines.len());
                for line in lines {
                    self.line(line);
                }
            }
            Geometry::Polygon(polygon) => self.polygon(polygon),
            Geometry::MultiPolygon(MultiPolygon(polygons)) => {
                self.header(6);
                self.count(polygons.len());
                for polygon in polygons {
                    self.polygon(polygon);
                }
            }
            Geometry::Rect(rect) => self.polygon(&rect.to_polygon()),
            Geometry::Triangle(triangle) => self.polygon(&triangle.to_polygon()),
            Geometry::GeometryCollection(collection) => {
                self.header(7);
                self.count(collection.0.len());
                for member in &collection.0 {
                    self.geometry(member);
                }
            }
        }
    }
}

/// Writes little-endian two-dimensional WKB with `offset` added to every coordinate.
pub fn write(geometry: &Geometry, offset: [f64; 2]) -> Vec<u8> {
    let mut writer = Writer {
        bytes: Vec::new(),
        offset,
    };
    writer.geometry(geometry);
    writer.bytes
}

/// As [`write()`], for a polygon, without a copy.
pub fn write_polygon(polygon: &Polygon, offset: [f64; 2]) -> Vec<u8> {
    let mut writer = Writer {
        bytes: Vec::new(),
        offset,
    };
    writer.polygon(polygon);
    writer.bytes
}

/// As [`write()`], for a multipolygon, without a copy.
pub fn write_multi_polygon(polygons: &MultiPolygon, offset: [f64; 2]) -> Vec<u8> {
    let mut writer = Writer {
        bytes: Vec::new(),
        offset,
    };
    writer.header(6);
    writer.count(polygons.0.len());
    for polygon in &polygons.0 {
        writer.polygon(polygon);
    }
    writer.bytes
}

/// As [`write()`], for a line, without a copy.
pub fn write_line(line: &LineString, offset: [f64; 2]) -> Vec<u8> {
    let mut writer = Writer {
        bytes: Vec::new(),
        offset,
    };
    writer.line(line);
    writer.bytes
}

/// As [`write()`], for a multiline, without a copy.
pub fn write_multi_line(lines: &MultiLineString, offset: [f64; 2]) -> Vec<u8> {
    let mut writer = Writer {
        bytes: Vec::new(),
        offset,
    };
    writer.header(5);
    writer.count(lines.0.len());
    for line in &lines.0 {
        writer.line(line);
    }
    writer.bytes
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_polygon_survives_the_round_trip_and_the_offset_is_added() {
        let square = Polygon::new(
            LineString::from(vec![(0., 0.), (4., 0.), (4., 4.), (0., 4.), (0., 0.)]),
            vec![],
        );
        let parts = read(&write(&square.clone().into(), [0.0, 0.0])).unwrap();
        assert_eq!(parts.polygons, vec![square.clone()]);
        let moved = read(&write_multi_polygon(
            &MultiPolygon(vec![square]),
            [10.0, 20.0],
        ))
        .unwrap();
        assert_eq!(
            moved.polygons[0].exterior().0[2],
            Coord { x: 14.0, y: 24.0 }
        );
    }

    #[test]
    fn z_and_m_are_dropped_and_lies_about_the_length_are_caught() {
        let mut bytes = vec![1];
        bytes.extend(3002u32.to_le_bytes());
        bytes.extend(2u32.to_le_bytes());
        for value in [1.0f64, 2.0, 9.0, 8.0, 3.0, 4.0, 9.0, 8.0] {
            bytes.extend(value.to_le_bytes());
        }
        assert_eq!(
            read(&bytes).unwrap().lines,
            vec![LineString::from(vec![(1., 2.), (3., 4.)])]
        );
        bytes[5] = 255;
        assert_eq!(read(&bytes), Err(WkbError::Truncated));
    }

    /// ISO WKB counts in thousands; extended WKB has bits for Z, M and a number of the CRS.
    #[test]
    fn z_and_m_are_told_by_thousands_and_by_bits() {
        const LINE: u32 = 2;
        let (z, m, crs) = (0x8000_0000u32, 0x4000_0000, 0x2000_0000);
        for (code, more) in [
            (LINE, 0),
            (1000 + LINE, 1),
            (2000 + LINE, 1),
            (3000 + LINE, 2),
            (LINE | z, 1),
            (LINE | m, 1),
            (LINE | z | m, 2),
            (LINE | crs, 0),
            (LINE | z | crs, 1),
        ] {
            let mut bytes = vec![1];
            bytes.extend(code.to_le_bytes());
            if code & crs != 0 {
                bytes.extend(32616u32.to_le_bytes());
            }
            bytes.extend(2u32.to_le_bytes());
            for [x, y] in [[1.0f64, 2.0], [3.0, 4.0]] {
                let rest = std::iter::repeat_n(9.0, more);
                let values = [x, y].into_iter().chain(rest);
                bytes.extend(values.flat_map(f64::to_le_bytes));
            }
            let line = LineString::from(vec![(1., 2.), (3., 4.)]);
            assert_eq!(read(&bytes).unwrap().lines, vec![line], "{code:x}");
        }
    }
}
