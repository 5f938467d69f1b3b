//! The drivable path at a distance inside a polygon: mitred by the straight skeleton where that is small and sound,
//! otherwise drawn by the buffer engine.

use geo::{Coord, LineString, MultiPolygon, Polygon};

use super::area::{area, rings};
use super::buffer::{Engines, Source};
use super::distance::{SegmentIndex, inside};
use super::fewer;

/// The skeleton is asked only for rings of at most this many vertices (it is cubic, and less sure on more).
pub const SKELETON_VERTICES: usize = 100;
/// Generalisation tried before the skeleton, in metres.
const GENERALISE_M: [f64; 2] = [0.1, 0.2];

#[derive(Clone, Debug)]
pub struct Inset {
    pub rings: Vec<LineString>,
    /// True: the straight skeleton's mitred path, verified; false: the buffer engine's.
    pub skeleton: bool,
}

/// Closed paths that run `distance_m` inside the edge of `polygon`. A mitred path keeps its distance from every edge
/// to within the generalisation used, at most 0.2 m.
pub fn inset_path(engines: Engines<'_>, polygon: &Polygon, distance_m: f64) -> Inset {
    let whole = MultiPolygon(vec![polygon.clone()]);
    let rounded = engines.plain(&Source::Polygons(whole.clone()), -distance_m);
    if let Some(mitred) = skeleton_path(&whole, &rounded, distance_m) {
        return Inset {
            rings: mitred.0.iter().flat_map(rings).cloned().collect(),
            skeleton: true,
        };
    }
    Inset {
        rings: rounded.0.iter().flat_map(rings).cloned().collect(),
        skeleton: false,
    }
}

fn skeleton_path(
    whole: &MultiPolygon,
    rounded: &MultiPolygon,
    distance_m: f64,
) -> Option<MultiPolygon> {
    let polygon = &whole.0[0];
    for tolerance_m in GENERALISE_M {
        let general = fewer::polygon(polygon, tolerance_m);
        if rings(&general).map(|ring| ring.0.len()).sum::<usize>() > SKELETON_VERTICES {
            continue;
        }
        // The library may panic on input it cannot order; the rounded path stands in then.
        let drawn =
            std::panic::catch_unwind(|| geo_buffer::buffer_polygon(&general, -distance_m)).ok()?;
        return keeps_distance(&drawn, whole, rounded, distance_m, tolerance_m).then_some(drawn);
    }
    None
}

/// Another engine's area and exact distances to the true edge must bear the path out.
fn keeps_distance(
    drawn: &MultiPolygon,
    whole: &MultiPolygon,
    rounded: &MultiPolygon,
    distance_m: f64,
    tolerance_m: f64,
) -> bool {
    let (mitred_m2, rounded_m2) = (area(drawn), area(rounded));
    // Mitres stand off farther at reflex corners only; the areas agree but for those and the generalisation.
    let perimeter: f64 = whole
        .0
        .iter()
        .flat_map(rings)
        .map(super::area::length)
        .sum();
    if (mitred_m2 - rounded_m2).abs() > tolerance_m * perimeter + 0.02 * rounded_m2 {
        return false;
    }
    let edge = SegmentIndex::of_boundary(whole);
    let least_m = distance_m - tolerance_m - 0.01;
    drawn.0.iter().flat_map(rings).all(|ring| {
        ring.0
            .iter()
            .all(|corner| corner.x.is_finite() && corner.y.is_finite() && inside(*corner, whole))
            && ring
                .0
                .windows(2)
                .all(|w: &[Coord]| edge.approach(w[0], w[1], least_m).is_none())
    })
}

#[cfg(test)]
mod tests {
    use super::super::area::{Bounds, length};
    use super::*;

    #[test]
    fn a_rectangle_gets_its_mitred_path() {
        let ring = LineString::from(vec![(0., 0.), (100., 0.), (100., 60.), (0., 60.), (0., 0.)]);
        let path = inset_path(Engines::pure(), &Polygon::new(ring, vec![]), 10.0);
        assert!(path.skeleton);
        assert!((path.rings.iter().map(length).sum::<f64>() - 2.0 * (80.0 + 40.0)).abs() < 1e-6);
    }

    /// At the reflex corner the mitre stands off farther than an arc: by (1 - pi/4) d² = 193 m².
    #[test]
    fn an_l_gets_its_mitred_path_too() {
        let corners = [
            (0., 0.),
            (400., 0.),
            (400., 200.),
            (200., 200.),
            (200., 400.),
            (0., 400.),
            (0., 0.),
        ];
        let ring = LineString::from(corners.to_vec());
        let path = inset_path(Engines::pure(), &Polygon::new(ring, vec![]), 30.0);
        assert!(path.skeleton);
        // 340 + 140 + 200 + 200 + 140 + 340.
        assert!((path.rings.iter().map(length).sum::<f64>() - 1360.0).abs() < 1e-6);
    }

    #[test]
    fn a_drawn_path_that_is_off_is_refused() {
        let square = |low: f64, high: f64| {
            let bounds = Bounds::of(&[(low, low).into(), (high, high).into()]);
            MultiPolygon(vec![bounds.to_polygon()])
        };
        let (whole, true_path) = (square(0., 100.), square(10., 90.));
        let kept = |drawn: &MultiPolygon| keeps_distance(drawn, &whole, &true_path, 10.0, 0.0);
        assert!(kept(&true_path));
        // Too near; outside; half of it gone; twenty metres in.
        for drawn in [
            square(9.9, 90.1),
            square(-10., 110.),
            square(10., 66.6),
            square(20., 80.),
        ] {
            assert!(!kept(&drawn), "{drawn:?}");
        }
    }

    #[test]
    fn a_ring_with_too_many_vertices_falls_back() {
        let ring: Vec<Coord> = (0..=400)
            .map(|k| {
                let (sin, cos) = (std::f64::consts::TAU * f64::from(k % 400) / 400.0).sin_cos();
                let r = 200.0 + 4.0 * f64::from(k % 2);
                Coord {
                    x: r * cos,
                    y: r * sin,
                }
            })
            .collect();
        let path = inset_path(
            Engines::pure(),
            &Polygon::new(LineString(ring), vec![]),
            10.0,
        );
        assert!(!path.skeleton && path.rings.len() == 1);
    }
}
