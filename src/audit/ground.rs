//! Ground as a set of polygons that may touch or overlap, and the exact nearest approach of an edge to it.

use geo::{Coord, MultiPolygon, Polygon};

use crate::geometry::area::{Bounds, rings};
use crate::geometry::distance::{Segment, SegmentIndex, segment_segment, share_along};
use crate::geometry::overlay::oriented;

/// The nearest approach of an edge to some ground.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Contact {
    /// 0 where the edge reaches into the ground.
    pub distance_m: f64,
    /// The point of the ground that lies nearest.
    pub at: Coord,
}

pub struct Ground {
    pub shape: MultiPolygon,
    edges: SegmentIndex,
    bounds: Bounds,
}

impl Ground {
    pub fn new(polygons: impl IntoIterator<Item = Polygon>) -> Ground {
        let shape = oriented(MultiPolygon(polygons.into_iter().collect()));
        let segments = (0u32..).zip(&shape.0).flat_map(|(owner, polygon)| {
            let edges = rings(polygon).flat_map(|ring| ring.0.windows(2));
            edges.map(move |w| Segment {
                a: w[0],
                b: w[1],
                owner,
            })
        });
        Ground {
            edges: SegmentIndex::new(segments.collect()),
            bounds: Bounds::of_polygons(&shape),
            shape,
        }
    }

    pub fn is_empty(&self) -> bool {
        self.shape.0.is_empty()
    }

    pub fn bounds(&self) -> Bounds {
        self.bounds
    }

    /// Edges of all polygons.
    pub fn edges(&self) -> &SegmentIndex {
        &self.edges
    }

    /// Whether a point lies inside any polygon, by its winding number; on an edge either answer may come.
    pub fn holds(&self, p: Coord) -> bool {
        let within = p.x >= self.bounds.min.x
            && p.x <= self.bounds.max.x
            && p.y >= self.bounds.min.y
            && p.y <= self.bounds.max.y;
        if !within {
            return false;
        }
        let far = Coord {
            x: self.bounds.max.x,
            y: p.y,
        };
        let mut turns = 0i32;
        for edge in self.edges.near(p, far, 0.0) {
            let (a, b) = (edge.a, edge.b);
            if (a.y > p.y) != (b.y > p.y) && p.x < a.x + (p.y - a.y) / (b.y - a.y) * (b.x - a.x) {
                turns += if b.y > a.y { 1 } else { -1 };
            }
        }
        turns != 0
    }

    /// The nearest approach of the edge `a`-`b` to this ground, if nearer than `within_m`.
    pub fn approach(&self, a: Coord, b: Coord, within_m: f64) -> Option<Contact> {
        let edge = Bounds::of([&a, &b]).grown(within_m.max(0.0));
        if self.is_empty() || !edge.meets(&self.bounds) {
            return None;
        }
        if within_m > 0.0 && self.holds(a) {
            return Some(Contact {
                distance_m: 0.0,
                at: a,
            });
        }
        let mut best: Option<(f64, Segment)> = None;
        for own in self.edges.near(a, b, within_m) {
            let distance_m = segment_segment(a, b, own.a, own.b);
            let order = |s: &Segment| [s.a.x, s.a.y, s.b.x, s.b.y];
            let nearer = best.as_ref().is_none_or(|(least_m, held)| {
                // A tree hands its edges over in no order to rely on.
                distance_m < *least_m || (distance_m == *least_m && order(own) < order(held))
            });
            if distance_m < within_m && nearer {
                best = Some((distance_m, *own));
            }
        }
        best.map(|(distance_m, own)| Contact {
            distance_m,
            at: nearest_point(own.a, own.b, a, b),
        })
    }
}

/// The point of the segment `a`-`b` that lies nearest to the segment `c`-`d`.
pub fn nearest_point(a: Coord, b: Coord, c: Coord, d: Coord) -> Coord {
    let (u, v, w) = (b - a, d - c, c - a);
    let across = u.x * v.y - u.y * v.x;
    if across != 0.0 {
        let t = (w.x * v.y - w.y * v.x) / across;
        let s = (w.x * u.y - w.y * u.x) / across;
        if (0.0..=1.0).contains(&t) && (0.0..=1.0).contains(&s) {
            return a + u * t;
        }
    }
    let candidates = [a, b, onto(c, a, b), onto(d, a, b)];
    let away = |p: &Coord| {
        let foot = onto(*p, c, d);
        (p.x - foot.x).hypot(p.y - foot.y)
    };
    candidates
        .into_iter()
        .min_by(|p, q| away(p).total_cmp(&away(q)))
        .unwrap_or(a)
}

/// The point of the segment `a`-`b` nearest to `p`.
pub fn onto(p: Coord, a: Coord, b: Coord) -> Coord {
    a + (b - a) * share_along(p, a, b)
}

#[cfg(test)]
mod tests {
    use super::*;
    use geo::LineString;

    fn square(low: f64, high: f64) -> Polygon {
        let ring = vec![
            (low, low),
            (high, low),
            (high, high),
            (low, high),
            (low, low),
        ];
        Polygon::new(LineString::from(ring), vec![])
    }

    fn c(x: f64, y: f64) -> Coord {
        Coord { x, y }
    }

    #[test]
    fn overlapping_and_touching_polygons_are_one_ground() {
        let ground = Ground::new([square(0.0, 10.0), square(5.0, 15.0), square(15.0, 20.0)]);
        for (p, inside) in [
            (c(1., 1.), true),
            (c(7., 7.), true),
            (c(14., 14.), true),
            (c(17., 17.), true),
            (c(12., 2.), false),
            (c(30., 7.), false),
        ] {
            assert_eq!(ground.holds(p), inside, "{p:?}");
        }
    }

    #[test]
    fn an_edge_inside_has_no_distance_and_one_beside_has_its_own() {
        let ground = Ground::new([square(0.0, 100.0)]);
        // Far from every edge of the ground, but in it.
        let inside = ground.approach(c(50., 50.), c(51., 50.), 3.0).unwrap();
        assert_eq!((inside.distance_m, inside.at), (0.0, c(50., 50.)));
        let beside = ground.approach(c(104., 20.), c(103., 40.), 5.0).unwrap();
        assert_eq!((beside.distance_m, beside.at), (3.0, c(100., 40.)));
        assert_eq!(ground.approach(c(104., 20.), c(103., 40.), 3.0), None);
        let across = ground.approach(c(110., 30.), c(90., 30.), 5.0).unwrap();
        assert_eq!((across.distance_m, across.at), (0.0, c(100., 30.)));
    }

    #[test]
    fn the_nearest_point_is_the_crossing_or_else_the_foot_of_an_end() {
        let off_m = |found: Coord, at: Coord| (found.x - at.x).hypot(found.y - at.y);
        // y = 2x and y = 12 - x meet at (4, 8); the ends of both lie well off it.
        let at = nearest_point(c(1., 2.), c(6., 12.), c(2., 10.), c(10., 2.));
        assert!(off_m(at, c(4., 8.)) < 1e-12, "{at:?}");
        // Their lines meet, but beyond the second's end.
        let at = nearest_point(c(0., 0.), c(10., 0.), c(3., 4.), c(8., 9.));
        assert!(off_m(at, c(3., 0.)) < 1e-12, "{at:?}");
        // Beyond the first's own end: that end.
        let at = nearest_point(c(0., 0.), c(10., 0.), c(14., 3.), c(15., 20.));
        assert!(off_m(at, c(10., 0.)) < 1e-12, "{at:?}");
    }
}
