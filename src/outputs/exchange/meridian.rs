//! The 180th meridian: shapes that cross it are cut in two (RFC 7946, section 3.1.9), since positions on its two sides are
//! 360 degrees apart.

use std::borrow::Cow;

use geo::{BoundingRect, Coord, Geometry, LineString, MapCoords, MultiLineString, Polygon, coord};

use crate::geometry::overlay::{intersection, oriented};

/// Wider than this a shape of one block crosses the meridian: no block spans half of the globe.
const HALF_DEG: f64 = 180.0;

/// A shape in longitude and latitude, cut where it crosses the meridian.
pub fn cut(shape: &Geometry) -> Cow<'_, Geometry> {
    let crosses = shape
        .bounding_rect()
        .is_some_and(|rect| rect.width() > HALF_DEG);
    if !crosses {
        return Cow::Borrowed(shape);
    }
    let eastwards = |c: Coord| Coord {
        x: if c.x < 0.0 { c.x + 360.0 } else { c.x },
        ..c
    };
    match shape.map_coords(eastwards) {
        Geometry::LineString(line) => Cow::Owned(Geometry::MultiLineString(lines(&line))),
        Geometry::Polygon(polygon) => Cow::Owned(polygons(&geo::MultiPolygon(vec![polygon]))),
        Geometry::MultiPolygon(all) => Cow::Owned(polygons(&all)),
        _ => Cow::Borrowed(shape),
    }
}

fn back(c: Coord) -> Coord {
    Coord {
        x: (c.x - 360.0).max(-HALF_DEG),
        ..c
    }
}

/// Shells counter-clockwise, holes clockwise, those west of the meridian first.
fn polygons(whole: &geo::MultiPolygon) -> Geometry {
    let half = |west: f64| {
        let window = geo::Rect::new(
            coord! { x: west, y: -90.0 },
            coord! { x: west + HALF_DEG, y: 90.0 },
        );
        oriented(intersection(whole, &[Polygon::from(window)]))
    };
    let (west, east) = (half(0.0), half(HALF_DEG));
    // A clip lies on a grid of its own, which may stand a hair off the meridian.
    let west = west.map_coords(|c| Coord {
        x: c.x.min(HALF_DEG),
        ..c
    });
    let east = east.map_coords(back);
    Geometry::MultiPolygon(west.into_iter().chain(east).collect())
}

fn lines(line: &LineString) -> MultiLineString {
    let east = |c: Coord| c.x > HALF_DEG;
    let mut cut: Vec<Vec<Coord>> = vec![vec![]];
    for pair in line.0.windows(2) {
        let [a, b] = [pair[0], pair[1]];
        let last = cut.len() - 1;
        if cut[last].is_empty() {
            cut[last].push(a);
        }
        if east(a) == east(b) {
            cut[last].push(b);
        } else {
            let t = (HALF_DEG - a.x) / (b.x - a.x);
            let on = coord! { x: HALF_DEG, y: a.y + t * (b.y - a.y) };
            cut[last].push(on);
            cut.push(vec![on, b]);
        }
    }
    let pieces = cut.into_iter().map(|mut piece| {
        piece.dedup();
        let is_east = piece.iter().any(|&c| east(c));
        LineString(if is_east {
            piece.into_iter().map(back).collect()
        } else {
            piece
        })
    });
    MultiLineString(pieces.filter(|piece| piece.0.len() >= 2).collect())
}

#[cfg(test)]
mod tests {
    use super::*;
    use geo::{Area, line_string, polygon};

    #[test]
    fn shapes_across_the_meridian_are_cut_and_others_are_left() {
        let near = Geometry::LineString(line_string![(x: 179.0, y: 1.0), (x: 179.5, y: 2.0)]);
        assert!(matches!(cut(&near), Cow::Borrowed(_)));

        let across = line_string![(x: 179.9, y: 1.0), (x: -179.9, y: 2.0), (x: -179.8, y: 2.0)];
        let Geometry::MultiLineString(pieces) = cut(&across.into()).into_owned() else {
            panic!("a line in pieces");
        };
        let west = line_string![(x: 179.9, y: 1.0), (x: 180.0, y: 1.5)];
        let east = line_string![(x: -180.0, y: 1.5), (x: -179.9, y: 2.0), (x: -179.8, y: 2.0)];
        for (found, wanted) in pieces.iter().zip([west, east]) {
            for (a, b) in found.0.iter().zip(&wanted.0) {
                assert!((a.x - b.x).abs() < 1e-9 && (a.y - b.y).abs() < 1e-9);
            }
        }

        let across = polygon![(x: 179.9, y: 1.0), (x: -179.7, y: 1.0), (x: -179.7, y: 1.2), (x: 179.9, y: 1.2)];
        let Geometry::MultiPolygon(pieces) = cut(&across.into()).into_owned() else {
            panic!("polygons");
        };
        let areas: Vec<f64> = pieces.iter().map(Area::signed_area).collect();
        assert_eq!(areas.len(), 2);
        assert!(
            (areas[0] - 0.02).abs() < 1e-7 && (areas[1] - 0.06).abs() < 1e-7,
            "{areas:?}"
        );
        let all = pieces.iter().flat_map(|p| p.exterior().0.clone());
        assert!(all.into_iter().all(|c| (-180.0..=180.0).contains(&c.x)));
    }
}
