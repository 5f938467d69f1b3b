//! Polygons as they are read back. Brought to the work CRS, coordinates are rounded to what is written there, and
//! corners that lay less than that apart may fall on one another or over an edge. Polygons that would not be valid then are
//! drawn anew; all others keep their corners to the last bit.

use std::panic::{AssertUnwindSafe, catch_unwind};

use geo::{Coord, Geometry, LineString, MultiPolygon, Polygon};
use i_overlay::core::fill_rule::FillRule;

use super::area::{area, length, ring_area, rings};
use super::frame::map_polygon;
use super::grid_overlay::overlay;
use super::nesting::{loops, nested};
use super::overlay_engine::Op;
use super::repair_contacts::is_valid;
use crate::model::GroundFrame;

/// Rings below this area are rounding, not ground.
const CRUMB_M2: f64 = 1e-4;

/// Grids that are tried in order, in steps to the metre: from a micrometre to half a millimetre.
const STEPS_PER_M: [f64; 4] = [1_048_576.0, 131_072.0, 16_384.0, 2_048.0];

/// A polygon, or what stands for it where it would not be valid as written.
pub fn sound(polygon: Polygon, frame: &GroundFrame) -> Vec<Polygon> {
    match redrawn(std::slice::from_ref(&polygon), frame) {
        None => vec![polygon],
        Some(anew) => anew,
    }
}

/// Each polygon of a list by itself: they may overlap.
pub fn sound_each(polygons: Vec<Polygon>, frame: &GroundFrame) -> Vec<Polygon> {
    let polygons = polygons.into_iter();
    polygons.flat_map(|polygon| sound(polygon, frame)).collect()
}

/// A multipolygon, or what stands for it where it would not be valid as written.
pub fn sound_all(polygons: MultiPolygon, frame: &GroundFrame) -> MultiPolygon {
    match redrawn(&polygons.0, frame) {
        None => polygons,
        Some(anew) => MultiPolygon(anew),
    }
}

/// A geometry of any kind; None: nothing of it is left.
pub fn sound_geometry(geometry: Geometry, frame: &GroundFrame) -> Option<Geometry> {
    let polygons = match geometry {
        Geometry::Polygon(polygon) => MultiPolygon(sound(polygon, frame)),
        Geometry::MultiPolygon(polygons) => sound_all(polygons, frame),
        other => return Some(other),
    };
    match polygons.0.len() {
        0 => None,
        1 => polygons.0.into_iter().next().map(Geometry::Polygon),
        _ => Some(Geometry::MultiPolygon(polygons)),
    }
}

/// None: the polygons are valid as they will be read back.
fn redrawn(polygons: &[Polygon], frame: &GroundFrame) -> Option<Vec<Polygon>> {
    let rings_of = |polygons: &[Polygon]| polygons.iter().flat_map(rings).count();
    let written = as_written(polygons, frame);
    if is_valid(&written) && rings_of(&written) == rings_of(polygons) {
        return None;
    }
    let drawn_m2 = area(&MultiPolygon(polygons.to_vec()));
    let edges_m: f64 = polygons.iter().flat_map(rings).map(length).sum();
    let mut best: Option<(f64, Vec<Polygon>)> = None;
    for (steps_per_m, anew) in attempts(&in_places(polygons, |c| frame.as_written(c))) {
        // What has become no ring is left out of what is given.
        let anew = in_places(&anew, |c| c);
        let written = as_written(&anew, frame);
        if !is_valid(&written) || rings_of(&written) != rings_of(&anew) {
            continue;
        }
        let off_m2 = (area(&MultiPolygon(anew.clone())) - drawn_m2).abs();
        if off_m2 <= CRUMB_M2 + edges_m / steps_per_m {
            return Some(anew);
        }
        if best.as_ref().is_none_or(|(least_m2, _)| off_m2 < *least_m2) {
            best = Some((off_m2, anew));
        }
    }
    best.map(|(_, anew)| anew)
}

/// Polygons drawn anew, with the grid that each is drawn on: first by their loops alone, which moves no corner.
fn attempts(read: &[Polygon]) -> impl Iterator<Item = (f64, Vec<Polygon>)> {
    let united = |polygons: &[Polygon]| {
        let work = || overlay(polygons, &[], Op::Union, FillRule::NonZero);
        let made = catch_unwind(AssertUnwindSafe(work)).ok()?;
        Some(made.0.into_iter().filter_map(without_crumbs).collect())
    };
    let apart = move || {
        let simple = |ring: &LineString| loops(ring).unwrap_or_else(|| vec![ring.clone()]);
        let simple: Vec<LineString> = read.iter().flat_map(rings).flat_map(simple).collect();
        let large = simple.iter().filter(|ring| is_ground(ring));
        Some(nested(large).0)
    };
    let first = std::iter::once_with(apart).map(|made| (STEPS_PER_M[0], made));
    let fine = std::iter::once_with(move || (STEPS_PER_M[0], united(read)));
    let snapped = STEPS_PER_M.into_iter().map(move |steps_per_m| {
        let snap = |c: Coord| Coord {
            x: (c.x * steps_per_m).round() / steps_per_m,
            y: (c.y * steps_per_m).round() / steps_per_m,
        };
        let on_grid: Vec<Polygon> = read
            .iter()
            .map(|polygon| map_polygon(polygon, snap))
            .collect();
        (steps_per_m, united(&on_grid))
    });
    let all = first.chain(fine).chain(snapped);
    all.filter_map(|(steps_per_m, made)| Some((steps_per_m, made?)))
}

fn is_ground(ring: &LineString) -> bool {
    ring_area(ring).abs() >= CRUMB_M2
}

fn without_crumbs(polygon: Polygon) -> Option<Polygon> {
    let (shell, holes) = polygon.into_inner();
    let holes = holes.into_iter().filter(is_ground).collect();
    is_ground(&shell).then(|| Polygon::new(shell, holes))
}

/// Polygons as they stand in a file, in the work CRS.
fn as_written(polygons: &[Polygon], frame: &GroundFrame) -> Vec<Polygon> {
    let written = frame.leave_polygons(&MultiPolygon(polygons.to_vec()));
    in_places(&written.0, |c| c)
}

/// Polygons with each corner moved, without corners twice in a row and without rings that are none.
fn in_places(polygons: &[Polygon], place: impl Fn(Coord) -> Coord) -> Vec<Polygon> {
    let ring = |ring: &LineString| {
        let mut corners: Vec<Coord> = ring.0.iter().map(|&c| place(c)).collect();
        corners.dedup();
        (corners.len() > 3).then_some(LineString(corners))
    };
    let polygon = |polygon: &Polygon| {
        let shell = ring(polygon.exterior())?;
        Some(Polygon::new(
            shell,
            polygon.interiors().iter().filter_map(ring).collect(),
        ))
    };
    polygons.iter().filter_map(polygon).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::area::polygon_area;
    use crate::geometry::frame::Frame;
    use geo::wkt;
    use proptest::prelude::*;

    fn far() -> GroundFrame {
        GroundFrame::around(Coord {
            x: 500_123.0,
            y: 5_400_321.0,
        })
    }

    #[test]
    fn sound_polygons_stay_as_they_are() {
        let square =
            wkt!(POLYGON((0. 0.,10.1 0.,10.1 10.,0. 10.,0. 0.),(2. 2.,2. 4.,4. 4.,4. 2.,2. 2.)));
        assert_eq!(sound(square.clone(), &far()), [square]);
    }

    /// By hand: a notch whose tip lies 2e-11 m inside the far edge, which is no number 500 km to the east.
    #[test]
    fn what_falls_on_itself_when_it_is_written_is_parted() {
        let near = 2e-11;
        let notched = Polygon::new(
            vec![
                (0., 0.),
                (10., 0.),
                (10., 4.),
                (near, 5.),
                (10., 6.),
                (10., 10.),
                (0., 10.),
                (0., 5.),
                (0., 0.),
            ]
            .into(),
            vec![],
        );
        let made = sound(notched.clone(), &far());
        assert_eq!(made.len(), 2, "{made:?}");
        assert!(is_valid(&as_written(&made, &far())));
        let m2: f64 = made.iter().map(polygon_area).sum();
        assert!((m2 - polygon_area(&notched)).abs() < 1e-6);
    }

    proptest! {
        /// A block whose edge a hole or notch touches somewhere along it, turned by any angle and written far from the origin.
        #[test]
        fn rings_that_touch_an_edge_stay_sound_in_any_frame(
            turn in 0.0..360.0f64, along in 5.0..95.0f64, tip in 0usize..3, x in -900.0..900.0f64,
        ) {
            let shell = vec![(x, 0.), (x + 100., 0.), (x + 100., 60.), (x, 60.), (x, 0.)];
            let hole = match tip {
                0 => vec![(x + along, 0.), (x + 40., 20.), (x + 60., 20.), (x + along, 0.)],
                1 => vec![(x + 100., along / 2.), (x + 80., 30.), (x + 80., 35.), (x + 100., along / 2.)],
                _ => vec![(x + along, 60.), (x + 60., 40.), (x + 40., 40.), (x + along, 60.)],
            };
            let drawn = Polygon::new(shell.into(), vec![hole.into()]);
            let turned = Frame::new(turn).leave_polygon(&drawn);
            let made = sound(turned.clone(), &far());
            prop_assert!(is_valid(&as_written(&made, &far())), "{made:?}");
            let m2: f64 = made.iter().map(polygon_area).sum();
            prop_assert!((m2 - polygon_area(&turned)).abs() < 1e-3, "{m2}");
        }
    }
}
