//! Areas and boxes of rings, by the shoelace formula from each ring's first point.

use geo::{Coord, LineString, MultiPolygon, Polygon};
use rstar::AABB;

use crate::model::GroundFrame;

/// What the edges of a box of some kilometres may bend between the places where that is looked at.
const BENT_M: f64 = 1.0;

/// Signed area of a closed ring: positive when counter-clockwise.
pub fn ring_area(ring: &LineString) -> f64 {
    let coords = &ring.0;
    if coords.len() < 4 {
        return 0.0;
    }
    let first = coords[0];
    let twice: f64 = coords
        .windows(2)
        .map(|w| (w[0].x - first.x) * (w[1].y - first.y) - (w[1].x - first.x) * (w[0].y - first.y))
        .sum();
    twice / 2.0
}

/// Area of a polygon without its holes, whichever way its rings turn.
///
/// ```
/// use blockwright::geometry::area::polygon_area;
/// use geo::{LineString, Polygon};
///
/// let square = |low: f64, high: f64| {
///     LineString::from(vec![(low, low), (high, low), (high, high), (low, high), (low, low)])
/// };
/// assert_eq!(polygon_area(&Polygon::new(square(0.0, 100.0), vec![square(40.0, 60.0)])), 9600.0);
/// ```
pub fn polygon_area(polygon: &Polygon) -> f64 {
    ring_area(polygon.exterior()).abs()
        - polygon
            .interiors()
            .iter()
            .map(|hole| ring_area(hole).abs())
            .sum::<f64>()
}

pub fn area(polygons: &MultiPolygon) -> f64 {
    // The empty sum of floats is -0.0.
    polygons.0.iter().map(polygon_area).sum::<f64>() + 0.0
}

/// Length of a line.
pub fn length(line: &LineString) -> f64 {
    line.0
        .windows(2)
        .map(|w| (w[1].x - w[0].x).hypot(w[1].y - w[0].y))
        .sum()
}

/// All rings of a polygon, the exterior first.
pub fn rings(polygon: &Polygon) -> impl Iterator<Item = &LineString> {
    std::iter::once(polygon.exterior()).chain(polygon.interiors())
}

/// An axis-parallel box.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Bounds {
    pub min: Coord,
    pub max: Coord,
}

impl Bounds {
    pub const EMPTY: Bounds = Bounds {
        min: Coord {
            x: f64::INFINITY,
            y: f64::INFINITY,
        },
        max: Coord {
            x: f64::NEG_INFINITY,
            y: f64::NEG_INFINITY,
        },
    };

    pub fn middle(&self) -> Coord {
        (self.min + self.max) / 2.0
    }

    pub fn add(&mut self, coord: Coord) {
        self.min.x = self.min.x.min(coord.x);
        self.min.y = self.min.y.min(coord.y);
        self.max.x = self.max.x.max(coord.x);
        self.max.y = self.max.y.max(coord.y);
    }

    pub fn of<'a>(coords: impl IntoIterator<Item = &'a Coord>) -> Bounds {
        let mut bounds = Bounds::EMPTY;
        coords.into_iter().for_each(|&coord| bounds.add(coord));
        bounds
    }

    pub fn of_polygons(polygons: &MultiPolygon) -> Bounds {
        Bounds::of(polygons.0.iter().flat_map(|polygon| &polygon.exterior().0))
    }

    pub fn grown(self, by: f64) -> Bounds {
        Bounds {
            min: Coord {
                x: self.min.x - by,
                y: self.min.y - by,
            },
            max: Coord {
                x: self.max.x + by,
                y: self.max.y + by,
            },
        }
    }

    /// The box in the plane around one in a frame.
    pub fn leaving(&self, frame: &GroundFrame) -> Bounds {
        if frame.degree() == 0 {
            return self.moved(|c| frame.to_plane(c));
        }
        self.through(|c| frame.to_plane(c)).grown(BENT_M)
    }

    /// The box in a frame around one in the plane.
    pub fn entering(&self, frame: &GroundFrame) -> Bounds {
        if frame.degree() == 0 {
            return self.moved(|c| frame.enter(c));
        }
        self.through(|c| frame.enter(c)).grown(BENT_M)
    }

    fn moved(&self, f: impl Fn(Coord) -> Coord) -> Bounds {
        if self.is_empty() {
            return *self;
        }
        Bounds {
            min: f(self.min),
            max: f(self.max),
        }
    }

    /// Around what the corners and the edges between them become; between those an edge may bend a little.
    fn through(&self, f: impl Fn(Coord) -> Coord) -> Bounds {
        if self.is_empty() {
            return *self;
        }
        const STEPS: u32 = 4;
        let mut bounds = Bounds::EMPTY;
        for step in 0..=STEPS {
            let part = f64::from(step) / f64::from(STEPS);
            let at = self.min + (self.max - self.min) * part;
            for place in [
                Coord {
                    x: at.x,
                    ..self.min
                },
                Coord {
                    x: at.x,
                    ..self.max
                },
                Coord {
                    y: at.y,
                    ..self.min
                },
                Coord {
                    y: at.y,
                    ..self.max
                },
            ] {
                bounds.add(f(place));
            }
        }
        bounds
    }

    pub fn meets(&self, other: &Bounds) -> bool {
        self.min.x <= other.max.x
            && other.min.x <= self.max.x
            && self.min.y <= other.max.y
            && other.min.y <= self.max.y
    }

    pub fn holds(&self, other: &Bounds) -> bool {
        self.min.x <= other.min.x
            && other.max.x <= self.max.x
            && self.min.y <= other.min.y
            && other.max.y <= self.max.y
    }

    /// How far `p` lies outside; 0 inside.
    pub fn distance(&self, p: Coord) -> f64 {
        let x = (self.min.x - p.x).max(p.x - self.max.x).max(0.0);
        let y = (self.min.y - p.y).max(p.y - self.max.y).max(0.0);
        (x * x + y * y).sqrt()
    }

    pub fn is_empty(&self) -> bool {
        self.min.x > self.max.x
    }

    /// The same box for an R-tree.
    pub fn envelope(&self) -> AABB<[f64; 2]> {
        AABB::from_corners([self.min.x, self.min.y], [self.max.x, self.max.y])
    }

    pub fn to_polygon(self) -> Polygon {
        let (a, b) = (self.min, self.max);
        Polygon::new(
            LineString::from(vec![
                (a.x, a.y),
                (b.x, a.y),
                (b.x, b.y),
                (a.x, b.y),
                (a.x, a.y),
            ]),
            vec![],
        )
    }
}
