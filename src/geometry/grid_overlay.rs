//! Overlay by `i_overlay`: corners are rounded to an integer grid of 2^30 steps or so over what both operands span, where
//! crossings are found without doubt.

use geo::{Coord, LineString, MultiLineString, MultiPolygon, Polygon};
use i_overlay::core::fill_rule::FillRule;
use i_overlay::core::overlay::ShapeType;
use i_overlay::core::overlay_rule::OverlayRule;
use i_overlay::core::solver::Solver;
use i_overlay::float::clip::FloatClip;
use i_overlay::float::overlay::{FloatOverlay, OverlayOptions};
use i_overlay::i_float::adapter::FloatPointAdapter;
use i_overlay::i_float::float::rect::FloatRect;
use i_overlay::string::clip::ClipRule;

use super::area::{Bounds, rings};
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

    fn inside_and_outside(
        &self,
        subject: &MultiPolygon,
        clip: &[Polygon],
    ) -> Option<[MultiPolygon; 2]> {
        let operands = Operands::of(&subject.0, clip);
        let all: Vec<&Polygon> = subject.0.iter().collect();
        let mut engine = operands.engine(&all, &operands.clip_at_subject());
        let Some(graph) = engine.build_graph_view(FillRule::NonZero) else {
            return Some([MultiPolygon(vec![]), MultiPolygon(vec![])]);
        };
        let mut buffer = Default::default();
        let rules = [OverlayRule::Intersect, OverlayRule::Difference];
        Some(rules.map(|rule| polygons(graph.extract_shapes(rule, &mut buffer))))
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
    let operands = Operands::of(subject, clip);
    let all = || subject.iter().collect::<Vec<_>>();
    let (subject, clip) = match op {
        Op::Union => (all(), clip.iter().collect()),
        Op::Difference => (all(), operands.clip_at_subject()),
        Op::Intersection => (operands.subject_at_clip(), operands.clip_at_subject()),
    };
    let mut engine = operands.engine(&subject, &clip);
    let op = match op {
        Op::Union => OverlayRule::Union,
        Op::Intersection => OverlayRule::Intersect,
        Op::Difference => OverlayRule::Difference,
    };
    polygons(engine.overlay(op, rule))
}

/// Polygons, each with its box.
type Boxed<'p> = Vec<(Bounds, &'p Polygon)>;

/// What is overlaid.
struct Operands<'p> {
    subject: Boxed<'p>,
    clip: Boxed<'p>,
}

impl<'p> Operands<'p> {
    fn of(subject: &'p [Polygon], clip: &'p [Polygon]) -> Operands<'p> {
        let around = |polygon: &Polygon| Bounds::of(rings(polygon).flat_map(|ring| &ring.0));
        let boxed = |own: &'p [Polygon]| own.iter().map(|own| (around(own), own)).collect();
        Operands {
            subject: boxed(subject),
            clip: boxed(clip),
        }
    }

    /// Clip polygons that may come to the subject: others take nothing from it and have nothing in common with it.
    fn clip_at_subject(&self) -> Vec<&'p Polygon> {
        self.at(&self.clip, &self.subject)
    }

    /// Subject polygons that may have something in common with the clip.
    fn subject_at_clip(&self) -> Vec<&'p Polygon> {
        self.at(&self.subject, &self.clip)
    }

    fn at(&self, own: &Boxed<'p>, other: &Boxed<'p>) -> Vec<&'p Polygon> {
        let all = self.bounds();
        let size = all.max - all.min;
        let other = around_all(other.iter()).grown(BESIDE * size.x.max(size.y));
        let near = own.iter().filter(|(own, _)| own.meets(&other));
        near.map(|(_, own)| *own).collect()
    }

    fn bounds(&self) -> Bounds {
        around_all(self.subject.iter().chain(&self.clip))
    }

    /// With the grid that spans all of both operands, whatever is left out of them.
    fn engine(&self, subject: &[&Polygon], clip: &[&Polygon]) -> FloatOverlay<[f64; 2]> {
        let all = self.bounds();
        let Bounds { min, max } = all;
        let rect = match all.is_empty() {
            true => FloatRect::zero(),
            false => FloatRect {
                min_x: min.x,
                max_x: max.x,
                min_y: min.y,
                max_y: max.y,
            },
        };
        let corners = |polygon: &Polygon| rings(polygon).map(|ring| ring.0.len()).sum::<usize>();
        let count = subject.iter().chain(clip).copied().map(corners).sum();
        let adapter = FloatPointAdapter::new_conservative(rect);
        let options = OverlayOptions::ogc();
        // Edges of layouts are short beside the whole: a look along their list stays the quicker way when crossings part them.
        let solver = match count < FEW {
            true => Solver::LIST,
            false => Solver::AUTO,
        };
        let mut engine = FloatOverlay::new_custom(adapter, options, solver, count);
        let mut ring_path: Path = Vec::new();
        let subject = subject.iter().map(|&own| (own, ShapeType::Subject));
        let clip = clip.iter().map(|&own| (own, ShapeType::Clip));
        for (polygon, of) in subject.chain(clip) {
            for ring in rings(polygon) {
                // Without the corner that closes it.
                let open = &ring.0[..ring.0.len().saturating_sub(1)];
                ring_path.clear();
                ring_path.extend(open.iter().map(|c| [c.x, c.y]));
                engine = engine.unsafe_add_contour(&ring_path, of);
            }
        }
        engine
    }
}

/// The box around all that are not empty.
fn around_all<'b>(boxed: impl Iterator<Item = &'b (Bounds, &'b Polygon)>) -> Bounds {
    let boxes = boxed.map(|(own, _)| own).filter(|own| !own.is_empty());
    boxes.fold(Bounds::EMPTY, |mut all, own| {
        all.add(own.min);
        all.add(own.max);
        all
    })
}

/// Corners of operands whose edges are held against one another along a list.
const FEW: usize = 2_000;

/// What lies beside by more than this share of all is beside on the grid too.
const BESIDE: f64 = 1e-7;

fn polygons(shapes: Vec<Vec<Path>>) -> MultiPolygon {
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
    use super::super::overlay::{difference, inside_and_outside, intersection, union};
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
            let [held, apart] = inside_and_outside(&union(&all), &cells);
            let rest = difference(&union(&all), &cells);
            prop_assert_eq!(&apart, &rest);
            prop_assert_eq!(&held, &intersection(&union(&all), &cells));
            prop_assert!((area(&rest) - (whole - sum)).abs() < 1e-3, "{} {}", area(&rest), whole - sum);
            prop_assert!(rest.is_valid(), "{rest:?}");
        }
    }
}
