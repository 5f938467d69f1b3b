//! The frame of one block: metres on the ground around its middle, and the way there and back from the work CRS.
//!
//! Three kinds of coordinates meet here. The *plane* is the work CRS with its coordinates times a unit, so that they are
//! about metres; features are kept and looked up there. The *frame* is flat ground: x to the right of grid north at the
//! block's middle, y along it, in metres on the ellipsoid. What is *written* is in the work CRS itself, with as many
//! decimals as any survey has.
//!
//! What is straight in one is bent in the other by a hair; what would be off by more than [`BEND_M`] gets corners.

use geo::{
    Coord, Geometry, GeometryCollection, LineString, MultiLineString, MultiPoint, MultiPolygon,
    Point, Polygon,
};
use serde::{Deserialize, Serialize};

/// A straight line may be off by this much, in metres, where it is drawn straight on the other side too.
pub const BEND_M: f64 = 0.000_4;
/// And by this much where it is drawn straight in degrees, in the exchange files.
pub const DEGREES_BEND_M: f64 = 0.008;
const EARTH_M: f64 = 6_360_000.0;
/// Corners put into one straight line at most.
const MOST_CORNERS: f64 = 10_000.0;
/// A vertex this near an edge lies on it.
const ON_EDGE_M: f64 = 1e-8;
/// Corners are not put nearer to an edge's ends.
const AT_END_M: f64 = 1e-6;
/// Written coordinates are whole multiples of this part of a metre, or of a degree.
const STORED_METRES: f64 = 1e8;
const STORED_DEGREES: f64 = 1e13;

/// From places in the plane of the work CRS to places in the block's own frame, and back.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct GroundFrame {
    /// Where the frame's (0, 0) lies in the plane.
    origin: Coord,
    /// The plane's metres in a unit of the work CRS.
    unit_m: f64,
    /// Way of the frame's y, and so of grid north at the middle, in degrees clockwise from true north.
    north_deg: f64,
    /// What a line of 1 m bends in degrees at the most, per metre.
    degrees_bend: f64,
    /// None: the plane itself, moved.
    map: Option<GroundMap>,
}

impl Default for GroundFrame {
    fn default() -> GroundFrame {
        GroundFrame::SAME
    }
}

/// Polynomials in two variables that run from -1 to 1 over a box around the origin; beyond it they go on straight.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct GroundMap {
    /// Half of the box's width and height, in the plane.
    half: Coord,
    degree: u8,
    /// Of 1, u, u2 ..., v, uv ..., as far as the powers together are no more than the degree.
    x: Vec<f64>,
    y: Vec<f64>,
    /// From steps in the frame to steps in u and v at the middle, row by row.
    back: [f64; 4],
    /// Most that a line of the length 1 m bends, per metre: 1 / radius.
    bend: f64,
}

impl GroundMap {
    /// `x` and `y` are the coefficients of the frame's coordinates; None where they do not fit the degree, or where the
    /// map has no way back.
    pub fn new(half: Coord, degree: u8, x: Vec<f64>, y: Vec<f64>) -> Option<GroundMap> {
        let terms = (usize::from(degree) + 1) * (usize::from(degree) + 2) / 2;
        if degree == 0 || x.len() != terms || y.len() != terms || !(half.x > 0.0 && half.y > 0.0) {
            return None;
        }
        let mut map = GroundMap {
            half,
            degree,
            x,
            y,
            back: [0.0; 4],
            bend: 0.0,
        };
        let [u, v] = map.slopes(0.0, 0.0);
        let determinant = u.x * v.y - v.x * u.y;
        map.back = [v.y, -v.x, -u.y, u.x].map(|part| part / determinant);
        map.bend = map.most_bend();
        let finite = |values: &[f64]| values.iter().all(|value| value.is_finite());
        let sound = determinant > 0.0 && finite(&map.back) && finite(&map.x) && finite(&map.y);
        (sound && map.bend.is_finite()).then_some(map)
    }

    fn terms(&self, of: &[f64], u: f64, v: f64) -> f64 {
        let degree = usize::from(self.degree);
        let mut end = of.len();
        let mut sum = 0.0;
        // Of the highest power of v first.
        for power in (0..=degree).rev() {
            let begin = end - (degree - power + 1);
            let row = of[begin..end].iter().rev();
            sum = sum * v + row.fold(0.0, |row, term| row * u + term);
            end = begin;
        }
        sum
    }

    fn value(&self, u: f64, v: f64) -> Coord {
        Coord {
            x: self.terms(&self.x, u, v),
            y: self.terms(&self.y, u, v),
        }
    }

    /// Each term as its coefficient and the powers of u and v.
    fn powers(&self) -> impl Iterator<Item = (Coord, i32, i32)> + '_ {
        let degree = i32::from(self.degree);
        let powers = (0..=degree).flat_map(move |j| (0..=degree - j).map(move |i| (i, j)));
        let terms = self.x.iter().zip(&self.y).map(|(&x, &y)| Coord { x, y });
        terms.zip(powers).map(|(term, (i, j))| (term, i, j))
    }

    /// Steps in the frame for a step in u, and in v.
    fn slopes(&self, u: f64, v: f64) -> [Coord; 2] {
        let (mut by_u, mut by_v) = (Coord::default(), Coord::default());
        for (term, i, j) in self.powers() {
            if i > 0 {
                by_u = by_u + term * (f64::from(i) * u.powi(i - 1) * v.powi(j));
            }
            if j > 0 {
                by_v = by_v + term * (f64::from(j) * u.powi(i) * v.powi(j - 1));
            }
        }
        [by_u, by_v]
    }

    /// The greatest of places and directions all over the box, with a twentieth to spare.
    fn most_bend(&self) -> f64 {
        let mut most = 0.0f64;
        if self.degree == 1 {
            return most;
        }
        let steps = || (-2..=2).map(|step| f64::from(step) / 2.0);
        for (u, v) in steps().flat_map(|u| steps().map(move |v| (u, v))) {
            let mut second = [Coord::default(); 3];
            for (term, i, j) in self.powers() {
                let (fi, fj) = (f64::from(i), f64::from(j));
                if i > 1 {
                    second[0] = second[0] + term * (fi * (fi - 1.0) * u.powi(i - 2) * v.powi(j));
                }
                if i > 0 && j > 0 {
                    second[1] = second[1] + term * (fi * fj * u.powi(i - 1) * v.powi(j - 1));
                }
                if j > 1 {
                    second[2] = second[2] + term * (fj * (fj - 1.0) * u.powi(i) * v.powi(j - 2));
                }
            }
            let [by_u, by_v] = self.slopes(u, v);
            for way in 0..16 {
                let (sin, cos) = (f64::from(way) * std::f64::consts::PI / 16.0).sin_cos();
                let (du, dv) = (cos / self.half.x, sin / self.half.y);
                let step = by_u * du + by_v * dv;
                let off =
                    second[0] * (du * du) + second[1] * (2.0 * du * dv) + second[2] * (dv * dv);
                most = most.max(off.x.hypot(off.y) / (step.x * step.x + step.y * step.y));
            }
        }
        1.05 * most
    }

    fn forward(&self, p: Coord) -> Coord {
        let (u, v) = (p.x / self.half.x, p.y / self.half.y);
        if let ([x, xu, xv], [y, yu, yv]) = (&self.x[..], &self.y[..]) {
            return Coord {
                x: x + xu * u + xv * v,
                y: y + yu * u + yv * v,
            };
        }
        if u.abs() <= 1.0 && v.abs() <= 1.0 {
            return self.value(u, v);
        }
        let (near_u, near_v) = (u.clamp(-1.0, 1.0), v.clamp(-1.0, 1.0));
        let [by_u, by_v] = self.slopes(near_u, near_v);
        self.value(near_u, near_v) + by_u * (u - near_u) + by_v * (v - near_v)
    }

    fn backward(&self, q: Coord) -> Coord {
        let mut p = Coord::default();
        let mut off = q - self.forward(p);
        // The map differs little from what it is in the middle, so each step leaves a hundredth or less.
        for _ in 0..60 {
            let [a, b, c, d] = self.back;
            p.x += self.half.x * (a * off.x + b * off.y);
            p.y += self.half.y * (c * off.x + d * off.y);
            off = q - self.forward(p);
            if off.x.abs().max(off.y.abs()) <= 1e-10 {
                break;
            }
        }
        p
    }

    /// Steps in the frame for steps of 1 in the plane, east and north, at a place that is `p` off the origin.
    fn steps(&self, p: Coord) -> [Coord; 2] {
        let (u, v) = (p.x / self.half.x, p.y / self.half.y);
        let [by_u, by_v] = self.slopes(u.clamp(-1.0, 1.0), v.clamp(-1.0, 1.0));
        [by_u / self.half.x, by_v / self.half.y]
    }
}

impl GroundFrame {
    /// The plane itself: nothing moves.
    pub const SAME: GroundFrame = GroundFrame {
        origin: Coord { x: 0.0, y: 0.0 },
        unit_m: 1.0,
        north_deg: 0.0,
        degrees_bend: 0.0,
        map: None,
    };

    /// Moved by whole metres, so that the middle of a box lies near (0, 0); true where the plane is true.
    pub fn around(middle: Coord) -> GroundFrame {
        GroundFrame {
            origin: whole(middle),
            ..GroundFrame::SAME
        }
    }

    /// True on the ground by a map of the plane around `origin`.
    pub fn mapped(origin: Coord, unit_m: f64, map: GroundMap) -> GroundFrame {
        GroundFrame {
            origin,
            unit_m,
            north_deg: 0.0,
            degrees_bend: 0.0,
            map: Some(map),
        }
    }

    /// The plane of a work CRS with a unit of its own, which what leaves is written in.
    pub fn plane(unit_m: f64) -> GroundFrame {
        GroundFrame {
            unit_m,
            ..GroundFrame::SAME
        }
    }

    /// The frame of what is in the plane already, and leaves it as this one's places do.
    pub fn of_plane(&self) -> GroundFrame {
        GroundFrame::plane(self.unit_m)
    }

    /// Where the frame's (0, 0) lies in the plane.
    pub fn origin(&self) -> Coord {
        self.origin
    }

    /// The same ground drawn so much larger.
    pub fn times(mut self, factor: f64) -> Option<GroundFrame> {
        if let Some(map) = self.map.take() {
            let larger = |terms: Vec<f64>| terms.into_iter().map(|term| term * factor).collect();
            let (x, y) = (larger(map.x), larger(map.y));
            self.map = Some(GroundMap::new(map.half, map.degree, x, y)?);
        }
        Some(self)
    }

    /// With grid north pointing so many degrees clockwise from true north.
    pub fn pointing(self, north_deg: f64) -> GroundFrame {
        // Either way round, whichever is less.
        let north_deg = (north_deg + 180.0).rem_euclid(360.0) - 180.0;
        GroundFrame { north_deg, ..self }
    }

    /// Where parallels bend as they do at a latitude: along one, straight lines of degrees bend the most.
    pub fn at_latitude(self, latitude_deg: f64) -> GroundFrame {
        // A block lies on both sides of its middle.
        let degrees_bend = 1.1 * latitude_deg.to_radians().tan().abs() / EARTH_M;
        GroundFrame {
            degrees_bend,
            ..self
        }
    }

    /// Way of grid north at the middle, in degrees clockwise from true north, -180 to 180.
    pub fn grid_north_deg(&self) -> f64 {
        self.north_deg
    }

    /// Power up to which the map goes; 0 where nothing is mapped.
    pub fn degree(&self) -> u8 {
        self.map.as_ref().map_or(0, |map| map.degree)
    }

    /// The most of the plane that a metre on the ground takes at the middle, either way.
    pub fn plane_per_metre(&self) -> f64 {
        self.map.as_ref().map_or(1.0, |map| {
            let [east, north] = map.steps(Coord::default());
            let least = east.x.hypot(east.y).min(north.x.hypot(north.y));
            // Axes that are not square to one another draw out a little more.
            1.1 / least
        })
    }

    /// Units of the work CRS in a metre of the plane.
    pub fn unit_m(&self) -> f64 {
        self.unit_m
    }

    /// A place of the plane.
    pub fn enter(&self, c: Coord) -> Coord {
        let p = c - self.origin;
        self.map.as_ref().map_or(p, |map| map.forward(p))
    }

    /// A place of the frame, in the plane.
    pub fn to_plane(&self, c: Coord) -> Coord {
        let p = self.map.as_ref().map_or(c, |map| map.backward(c));
        p + self.origin
    }

    /// A place of the frame, as it is written.
    pub fn leave(&self, c: Coord) -> Coord {
        let place = self.to_plane(c);
        if self.map.is_none() && self.unit_m == 1.0 {
            return place;
        }
        let parts = if self.is_degrees() {
            STORED_DEGREES
        } else {
            STORED_METRES
        };
        let stored = |value: f64| (value / self.unit_m * parts).round() / parts + 0.0;
        Coord {
            x: stored(place.x),
            y: stored(place.y),
        }
    }

    /// Whether what leaves is in degrees.
    pub fn is_degrees(&self) -> bool {
        self.unit_m > 1_000.0
    }

    /// As it leaves, rounded to a millimetre: how places are told to people.
    pub fn told(&self, c: Coord) -> Coord {
        let place = self.leave(c);
        let parts = if self.is_degrees() { 1e8 } else { 1e3 };
        let told = |value: f64| (value * parts).round() / parts + 0.0;
        Coord {
            x: told(place.x),
            y: told(place.y),
        }
    }

    /// As it is written, and read again: what a measure of the outputs has before it.
    pub fn as_written(&self, c: Coord) -> Coord {
        self.enter(self.leave(c) * self.unit_m)
    }

    /// A place as written, in the plane.
    pub fn read(&self, written: Coord) -> Coord {
        written * self.unit_m
    }

    /// What takes a slope along the plane's axes (rise over the plane's metres), at a place of the plane, to one along the
    /// frame's: two rows of two figures, one after the other.
    pub fn turn(&self, at: Coord) -> [f64; 4] {
        let Some(map) = &self.map else {
            return [1.0, 0.0, 0.0, 1.0];
        };
        // Steps in the frame for steps in the plane, turned round and across.
        let [e, n] = map.steps(at - self.origin);
        let determinant = e.x * n.y - n.x * e.y;
        [n.y, -e.y, -n.x, e.x].map(|part| part / determinant)
    }

    /// Where a straight line gets corners, so that it bends by no more than [`BEND_M`] between them.
    fn corners(&self) -> Corners {
        let bend = self.map.as_ref().map_or(0.0, |map| map.bend);
        Corners((bend / (8.0 * BEND_M)).sqrt())
    }

    /// The same of what is written, so that exchange files may have the same corners.
    fn corners_written(&self) -> Corners {
        let in_degrees = (self.degrees_bend / (8.0 * DEGREES_BEND_M)).sqrt();
        Corners(self.corners().0.max(in_degrees))
    }

    /// A line with each place moved by `f`, and new corners where it bends; those of other rings that touch it too.
    fn moved(
        &self,
        line: &LineString,
        touching: Option<&Touching>,
        corners: Corners,
        f: impl Fn(Coord) -> Coord,
    ) -> LineString {
        let mut moved: Vec<Coord> = Vec::with_capacity(line.0.len());
        let mut last: Option<(Coord, Coord)> = None;
        for &c in &line.0 {
            let there = f(c);
            if let Some((from, begin)) = last {
                // Whichever of the two is the frame, the longer one is safe to count by.
                let long2 = |d: Coord| d.x * d.x + d.y * d.y;
                let pieces = corners.pieces(long2(c - from).max(long2(there - begin)));
                if pieces > 1 || touching.is_some() {
                    let part = |k: u32| f64::from(k) / f64::from(pieces);
                    let corner = |k| (part(k), between(from, c, k, pieces));
                    let mut new: Vec<(f64, Coord)> = (1..pieces).map(corner).collect();
                    if let Some(touching) = touching {
                        touching.beside(from, c, corners.off(long2(c - from)), &mut new);
                        new.sort_by(|a, b| a.0.total_cmp(&b.0));
                    }
                    moved.extend(new.into_iter().map(|(_, corner)| f(corner)));
                }
            }
            moved.push(there);
            last = Some((c, there));
        }
        LineString(moved)
    }

    fn moved_polygons(
        &self,
        polygons: &[Polygon],
        corners: Corners,
        f: impl Fn(Coord) -> Coord,
    ) -> Vec<Polygon> {
        let touching = self.touching(polygons);
        let ring = |ring: &LineString| self.moved(ring, touching.as_ref(), corners, &f);
        polygons.iter().map(|p| of_rings(p, ring)).collect()
    }

    fn moved_polygon(
        &self,
        polygon: &Polygon,
        corners: Corners,
        f: impl Fn(Coord) -> Coord,
    ) -> Polygon {
        let touching = self.touching(std::slice::from_ref(polygon));
        of_rings(polygon, |ring| {
            self.moved(ring, touching.as_ref(), corners, &f)
        })
    }

    /// Each place on its own, without new corners.
    pub fn enter_each(&self, line: &LineString) -> LineString {
        LineString(line.0.iter().map(|&c| self.enter(c)).collect())
    }

    pub fn enter_line(&self, line: &LineString) -> LineString {
        self.moved(line, None, self.corners(), |c| self.enter(c))
    }

    pub fn enter_lines(&self, lines: &MultiLineString) -> MultiLineString {
        MultiLineString(lines.0.iter().map(|line| self.enter_line(line)).collect())
    }

    pub fn enter_polygon(&self, polygon: &Polygon) -> Polygon {
        self.moved_polygon(polygon, self.corners(), |c| self.enter(c))
    }

    pub fn enter_polygons(&self, polygons: &MultiPolygon) -> MultiPolygon {
        MultiPolygon(self.moved_polygons(&polygons.0, self.corners(), |c| self.enter(c)))
    }

    pub fn line_to_plane(&self, line: &LineString) -> LineString {
        self.moved(line, None, self.corners(), |c| self.to_plane(c))
    }

    pub fn polygons_to_plane(&self, polygons: &MultiPolygon) -> MultiPolygon {
        MultiPolygon(self.moved_polygons(&polygons.0, self.corners(), |c| self.to_plane(c)))
    }

    pub fn leave_line(&self, line: &LineString) -> LineString {
        self.moved(line, None, self.corners_written(), |c| self.leave(c))
    }

    pub fn leave_lines(&self, lines: &MultiLineString) -> MultiLineString {
        MultiLineString(lines.0.iter().map(|line| self.leave_line(line)).collect())
    }

    pub fn leave_polygon(&self, polygon: &Polygon) -> Polygon {
        self.moved_polygon(polygon, self.corners_written(), |c| self.leave(c))
    }

    pub fn leave_polygons(&self, polygons: &MultiPolygon) -> MultiPolygon {
        MultiPolygon(self.moved_polygons(&polygons.0, self.corners_written(), |c| self.leave(c)))
    }

    pub fn leave_shape(&self, shape: &Geometry) -> Geometry {
        let point = |point: &Point| Point(self.leave(point.0));
        match shape {
            Geometry::Point(place) => Geometry::Point(point(place)),
            Geometry::MultiPoint(places) => {
                Geometry::MultiPoint(MultiPoint(places.iter().map(point).collect()))
            }
            Geometry::Line(line) => {
                Geometry::LineString(self.leave_line(&LineString(vec![line.start, line.end])))
            }
            Geometry::LineString(line) => Geometry::LineString(self.leave_line(line)),
            Geometry::MultiLineString(lines) => Geometry::MultiLineString(self.leave_lines(lines)),
            Geometry::Polygon(polygon) => Geometry::Polygon(self.leave_polygon(polygon)),
            Geometry::MultiPolygon(polygons) => {
                Geometry::MultiPolygon(self.leave_polygons(polygons))
            }
            Geometry::Rect(rect) => Geometry::Polygon(self.leave_polygon(&rect.to_polygon())),
            Geometry::Triangle(triangle) => {
                Geometry::Polygon(self.leave_polygon(&triangle.to_polygon()))
            }
            Geometry::GeometryCollection(all) => Geometry::GeometryCollection(GeometryCollection(
                all.iter().map(|shape| self.leave_shape(shape)).collect(),
            )),
        }
    }

    /// As written, and read again.
    pub fn polygon_as_written(&self, polygon: &Polygon) -> Polygon {
        of_rings(&self.leave_polygon(polygon), |ring| self.written(ring))
    }

    /// As written, and read again.
    pub fn line_as_written(&self, line: &LineString) -> LineString {
        self.written(&self.leave_line(line))
    }

    fn written(&self, line: &LineString) -> LineString {
        LineString(line.0.iter().map(|&c| self.enter(self.read(c))).collect())
    }

    /// Vertices that must stay on their side of edges, where these bend.
    fn touching(&self, polygons: &[Polygon]) -> Option<Touching> {
        let bends = self.map.as_ref().is_some_and(|map| map.bend > 0.0);
        bends.then(|| Touching::of(polygons))
    }
}

/// Vertices by their x. Where one lies beside an edge by less than that bends, or on it, the edge gets a corner at its
/// foot, so that both move alike: rings that touch go on touching, and those that part by a hair stay parted.
struct Touching(Vec<Coord>);

impl Touching {
    fn of(polygons: &[Polygon]) -> Touching {
        let rings = polygons
            .iter()
            .flat_map(|polygon| std::iter::once(polygon.exterior()).chain(polygon.interiors()));
        let mut all: Vec<Coord> = rings.flat_map(|ring| ring.0.iter().copied()).collect();
        all.sort_by(|a, b| a.x.total_cmp(&b.x).then(a.y.total_cmp(&b.y)));
        all.dedup();
        Touching(all)
    }

    /// Adds the feet of vertices within `off_m` of an edge, each with its part of the way.
    fn beside(&self, a: Coord, b: Coord, off_m: f64, found: &mut Vec<(f64, Coord)>) {
        let d = b - a;
        let long = d.x.hypot(d.y);
        if long <= 2.0 * AT_END_M {
            return;
        }
        let (low, high) = (a.x.min(b.x) - off_m, a.x.max(b.x) + off_m);
        let begin = self.0.partition_point(|c| c.x < low);
        for &c in self.0[begin..].iter().take_while(|c| c.x <= high) {
            let off = c - a;
            let along = (off.x * d.x + off.y * d.y) / long;
            let across = (off.x * d.y - off.y * d.x).abs() / long;
            if across <= off_m && along > AT_END_M && along < long - AT_END_M {
                let foot = if across <= ON_EDGE_M {
                    c
                } else {
                    a + d * (along / long)
                };
                found.push((along / long, foot));
            }
        }
    }
}

/// Pieces of a straight line for each metre of it.
#[derive(Clone, Copy)]
struct Corners(f64);

impl Corners {
    /// Of a line whose length squared is given.
    fn pieces(self, long2: f64) -> u32 {
        let pieces2 = long2 * self.0 * self.0;
        if pieces2 <= 1.0 {
            return 1;
        }
        pieces2.sqrt().ceil().clamp(1.0, MOST_CORNERS) as u32
    }

    /// How far from it a vertex must be to be of no matter.
    fn off(self, long2: f64) -> f64 {
        let bend_m = BEND_M * (long2 * self.0 * self.0).min(1.0);
        2.0 * bend_m + ON_EDGE_M
    }
}

fn whole(c: Coord) -> Coord {
    Coord {
        x: c.x.round(),
        y: c.y.round(),
    }
}

/// The same place, to the bit, from whichever end the line is seen.
fn between(a: Coord, b: Coord, step: u32, pieces: u32) -> Coord {
    let (from_a, from_b) = (f64::from(pieces - step), f64::from(step));
    (a * from_a + b * from_b) / f64::from(pieces)
}

fn of_rings(polygon: &Polygon, f: impl Fn(&LineString) -> LineString) -> Polygon {
    let holes = polygon.interiors().iter().map(&f).collect();
    Polygon::new(f(polygon.exterior()), holes)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_enters_leaves_to_the_last_bit() {
        let frame = GroundFrame::around(Coord {
            x: 512_345.678,
            y: 5_432_109.876,
        });
        let middle = Coord {
            x: 512_346.0,
            y: 5_432_110.0,
        };
        assert_eq!(frame.origin(), middle);
        let place = Coord {
            x: 512_001.123_456,
            y: 5_432_987.654_321,
        };
        assert_eq!(frame.leave(frame.enter(place)), place);
    }
}
