//! Overlay by `i_overlay`: corners are rounded to an integer grid of 2^30 steps or so over what both operands span, where
//! crossings are found without doubt.

use geo::{Coord, LineString, MultiLineString, MultiPolygon, Polygon};
use i_overlay::core::fill_rule::FillRule;
use i_overlay::core::overlay_rule::OverlayRule;
use i_overlay::float::clip::FloatClip;
use i_overlay::float::overlay::{FloatOverlay, OverlayOptions};
use i_overlay::string::clip::ClipRule;

use super::area::rings;
use super::nesting::in_own_shells;
use super::overlay_engine::{Op, Overlay};

type Path = Vec<[f64; 2]>;

pub struct GridOverlay;

impl Overlay for GridOverlay {
    fn name(&self) -> &'static str {
        "i_overlay"
    }

    fn areas(&self, subject: &MultiPolygon, clip: &[Polygon], op: Op) -> Option<MultiPolygon> {
        Some(overlay(&subject.0, clip, op, FillRule::NonZero))
    }

    fn lines(
        &self,
        lines: &MultiLineString,
        polygons: &[Polygon],
        inside: bool,
    ) -> Option<MultiLineString> {
        let rule = ClipRule {
            invert: !inside,
            boundary_included: true,
        };
        let open: Vec<Path> = lines.0.iter().map(|line| path(&line.0)).collect();
        let clipped = open.clip_by(&paths(polygons), FillRule::NonZero, rule);
        Some(MultiLineString(clipped.into_iter().map(line).collect()))
    }
}

/// Overlay of polygons whose rings may cross, read by `rule`. Shells of the result run counter-clockwise and holes clockwise.
pub(super) fn overlay(
    subject: &[Polygon],
    clip: &[Polygon],
    op: Op,
    rule: FillRule,
) -> MultiPolygon {
    let op = match op {
        Op::Union => OverlayRule::Union,
        Op::Intersection => OverlayRule::Intersect,
        Op::Difference => OverlayRule::Difference,
    };
    let (subject, clip) = (paths(subject), paths(clip));
    let options = OverlayOptions::ogc();
    let mut engine =
        FloatOverlay::with_subj_and_clip_custom(&subject, &clip, options, Default::default());
    let shapes = engine.overlay(op, rule);
    in_own_shells(MultiPolygon(
        shapes.into_iter().filter_map(polygon).collect(),
    ))
}

fn path(corners: &[Coord]) -> Path {
    corners.iter().map(|c| [c.x, c.y]).collect()
}

/// Rings without the corner that closes them.
fn paths(polygons: &[Polygon]) -> Vec<Path> {
    let open = |ring: &LineString| path(&ring.0[..ring.0.len().saturating_sub(1)]);
    polygons.iter().flat_map(rings).map(open).collect()
}

fn line(path: Path) -> LineString {
    LineString(path.into_iter().map(|[x, y]| Coord { x, y }).collect())
}

fn polygon(shape: Vec<Path>) -> Option<Polygon> {
    let mut rings = shape.into_iter().map(line);
    // The rings are closed by the polygon.
    Some(Polygon::new(rings.next()?, rings.collect()))
}

#[cfg(test)]
mod tests {
    use super::super::area::{area, polygon_area};
    use super::super::overlay::{difference, union};
    use super::*;
    use geo::Validation;
    use proptest::prelude::*;

    /// Quadrilaterals of a lattice whose corners are shaken, some of them taken: they share edges and corners, nothing else.
    fn quadrilaterals(shaken: &[(f64, f64)], taken: &[bool]) -> Vec<Polygon> {
        let corner = |column: usize, row: usize| {
            let (dx, dy) = shaken[column * 9 + row];
            let (x, y) = (column as f64 * 7.3 + dx, row as f64 * 7.3 + dy);
            Coord { x, y }
        };
        let cells = (0..64).filter(|&cell| taken[cell]).map(|cell| {
            let (column, row) = (cell / 8, cell % 8);
            let corners = [(0, 0), (1, 0), (1, 1), (0, 1)];
            let ring = corners.map(|(right, up)| corner(column + right, row + up));
            Polygon::new(LineString(ring.to_vec()), vec![])
        });
        cells.collect()
    }

    proptest! {
        #[test]
        fn what_only_touches_adds_up(
            shaken in prop::collection::vec((-1.5..1.5f64, -1.5..1.5f64), 81),
            straight: bool,
            taken in prop::collection::vec(prop::bool::weighted(0.6), 64),
        ) {
            let shaken = if straight { vec![(0.0, 0.0); 81] } else { shaken };
            let cells = quadrilaterals(&shaken, &taken);
            let all = quadrilaterals(&shaken, &[true; 64]);
            let sum: f64 = cells.iter().map(polygon_area).sum();
            let whole: f64 = all.iter().map(polygon_area).sum();
            let joined = union(&cells);
            prop_assert!((area(&joined) - sum).abs() < 1e-3, "{} {sum}", area(&joined));
            prop_assert!(joined.is_valid(), "{joined:?}");
            let rest = difference(&union(&all), &cells);
            prop_assert!((area(&rest) - (whole - sum)).abs() < 1e-3, "{} {}", area(&rest), whole - sum);
            prop_assert!(rest.is_valid(), "{rest:?}");
        }
    }
}
