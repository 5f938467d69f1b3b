//! Polygons cut at a line across or along the axes, ring by ring, in time linear in their corners.

use geo::{Coord, LineString, Polygon};

use super::area::Bounds;

/// A half of the plane.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Half {
    LeftOf(f64),
    RightOf(f64),
    Below(f64),
    Above(f64),
}

impl Half {
    /// The two halves of a box, cut across its longer side.
    pub fn both(bounds: &Bounds) -> [Half; 2] {
        let (middle, size) = (bounds.middle(), bounds.max - bounds.min);
        if size.x > size.y {
            [Half::LeftOf(middle.x), Half::RightOf(middle.x)]
        } else {
            [Half::Below(middle.y), Half::Above(middle.y)]
        }
    }

    /// How far inside a place lies; negative outside.
    fn depth(self, p: Coord) -> f64 {
        match self {
            Half::LeftOf(x) => x - p.x,
            Half::RightOf(x) => p.x - x,
            Half::Below(y) => y - p.y,
            Half::Above(y) => p.y - y,
        }
    }

    /// The place on the line itself, between one inside and one outside.
    fn cross(self, a: Coord, b: Coord) -> Coord {
        let (inside, outside) = (self.depth(a), self.depth(b));
        let at = a + (b - a) * (inside / (inside - outside));
        match self {
            Half::LeftOf(x) | Half::RightOf(x) => Coord { x, y: at.y },
            Half::Below(y) | Half::Above(y) => Coord { x: at.x, y },
        }
    }

    fn ring(self, ring: &LineString) -> LineString {
        let mut kept: Vec<Coord> = Vec::new();
        for w in ring.0.windows(2) {
            let (a, b) = (self.depth(w[0]) >= 0.0, self.depth(w[1]) >= 0.0);
            if a {
                kept.push(w[0]);
            }
            if a != b {
                // From the same end whichever way the ring runs, so that a shared edge is cut at one place.
                kept.push(if a {
                    self.cross(w[0], w[1])
                } else {
                    self.cross(w[1], w[0])
                });
            }
        }
        if let Some(&first) = kept.first() {
            kept.push(first);
        }
        LineString(kept)
    }

    /// What of the polygons lies in this half (Sutherland & Hodgman 1974, one edge). Where a ring is cut into several,
    /// they stay joined by edges along the line that enclose nothing: good for areas and for the overlay's non-zero
    /// rule, not for output.
    pub fn of(self, polygons: &[Polygon]) -> Vec<Polygon> {
        let kept = polygons.iter().filter_map(|polygon| {
            let exterior = self.ring(polygon.exterior());
            let holes = polygon.interiors().iter().map(|hole| self.ring(hole));
            (exterior.0.len() > 3)
                .then(|| Polygon::new(exterior, holes.filter(|hole| hole.0.len() > 3).collect()))
        });
        kept.collect()
    }
}

/// Corners of all rings.
pub fn corners(polygons: &[Polygon]) -> usize {
    let rings = polygons.iter().flat_map(super::area::rings);
    rings.map(|ring| ring.0.len()).sum()
}

/// The box of polygons.
pub fn bounds(polygons: &[Polygon]) -> Bounds {
    Bounds::of(polygons.iter().flat_map(|polygon| &polygon.exterior().0))
}

/// The box both lie in; empty where they do not meet.
pub fn common(a: &Bounds, b: &Bounds) -> Bounds {
    Bounds {
        min: Coord {
            x: a.min.x.max(b.min.x),
            y: a.min.y.max(b.min.y),
        },
        max: Coord {
            x: a.max.x.min(b.max.x),
            y: a.max.y.min(b.max.y),
        },
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::area::area;
    use geo::MultiPolygon;

    #[test]
    fn halves_of_a_comb_with_a_hole_add_up() {
        let comb = vec![
            (0., 0.),
            (100., 0.),
            (100., 80.),
            (70., 80.),
            (60., 20.),
            (50., 80.),
            (30., 80.),
            (20., 20.),
            (10., 80.),
            (0., 80.),
            (0., 0.),
        ];
        let hole = vec![(70., 30.), (75., 60.), (90., 60.), (90., 30.), (70., 30.)];
        let whole = Polygon::new(LineString::from(comb), vec![LineString::from(hole)]);
        let whole = [whole];
        let total = area(&MultiPolygon(whole.to_vec()));
        for [a, b] in [
            [Half::LeftOf(72.5), Half::RightOf(72.5)],
            [Half::Below(40.0), Half::Above(40.0)],
            Half::both(&bounds(&whole)),
        ] {
            let parts = [a, b].map(|half| area(&MultiPolygon(half.of(&whole))));
            assert!((parts[0] + parts[1] - total).abs() < 1e-9, "{parts:?}");
            assert!(parts.iter().all(|part| *part > 100.0));
        }
        let box_ = Bounds {
            min: Coord { x: 65.0, y: 35.0 },
            max: Coord { x: 80.0, y: 50.0 },
        };
        let sides = [
            Half::RightOf(box_.min.x),
            Half::LeftOf(box_.max.x),
            Half::Above(box_.min.y),
            Half::Below(box_.max.y),
        ];
        let within = sides
            .iter()
            .fold(whole.to_vec(), |kept, half| half.of(&kept));
        let inside = area(&MultiPolygon(within));
        // The hole's left edge runs from 70 at y = 30 to 75 at y = 60; the comb's own edges stay left of the box.
        let left = |y: f64| 70.0 + (y - 30.0) / 6.0;
        let hole_m2 = (80.0 - (left(35.0) + left(50.0)) / 2.0) * 15.0;
        assert!((inside - (225.0 - hole_m2)).abs() < 1e-9, "{inside}");
    }
}
