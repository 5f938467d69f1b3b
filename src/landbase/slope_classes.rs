//! Slope-class polygons: which of them the ground under a segment is in.

use geo::{Coord, MultiPolygon, Polygon};

use super::slope::SlopeRun;
use crate::geometry::area::Bounds;
use crate::geometry::distance::{Segment, SegmentIndex, boundary_segments, point_segment};
use crate::geometry::overlay::oriented;
use crate::model::GroundFrame;

/// Ground within this distance of a border lies on it, and in the classes on both sides.
const ON_BORDER_M: f64 = 1e-6;

/// What of the slope classes is near one block, in its local frame.
pub struct SlopeClasses {
    classes: Vec<Class>,
    /// Borders inside the window; the owner is the class.
    borders: SegmentIndex,
}

struct Class {
    slope: f64,
    bounds: Bounds,
    shape: MultiPolygon,
    /// Edges that a ray to the right, from anywhere in the window, may cross.
    edges: Vec<Segment>,
}

impl SlopeClasses {
    /// `polygons` with their steepest slopes, in work-CRS coordinates; questions may be asked within `window` only, which
    /// is in the local frame.
    pub(super) fn new<'p>(
        polygons: impl Iterator<Item = (f64, &'p MultiPolygon)>,
        window: &Bounds,
        frame: &GroundFrame,
    ) -> SlopeClasses {
        let window = window.grown(1.0);
        let mut classes = Vec::new();
        let mut borders = Vec::new();
        for (slope, shape) in polygons {
            let shape = frame.enter_polygons(shape);
            let bounds = Bounds::of_polygons(&shape);
            if !slope.is_finite() || !bounds.meets(&window) {
                continue;
            }
            let owner = classes.len() as u32;
            let edges: Vec<Segment> = boundary_segments(&shape, owner)
                .filter(|edge| {
                    let box_of = Bounds::of([&edge.a, &edge.b]);
                    box_of.min.y <= window.max.y
                        && box_of.max.y >= window.min.y
                        && box_of.max.x >= window.min.x
                })
                .collect();
            let here = |edge: &&Segment| Bounds::of([&edge.a, &edge.b]).meets(&window);
            borders.extend(edges.iter().filter(here).copied());
            classes.push(Class {
                slope,
                bounds,
                shape: oriented(shape),
                edges,
            });
        }
        SlopeClasses {
            classes,
            borders: SegmentIndex::new(borders),
        }
    }

    pub(super) fn is_empty(&self) -> bool {
        self.classes.is_empty()
    }

    /// The classes whose steepest slope `choose` picks; they may overlap.
    pub(super) fn polygons(&self, choose: impl Fn(f64) -> bool) -> Vec<Polygon> {
        let chosen = self.classes.iter().filter(|class| choose(class.slope));
        chosen.flat_map(|class| class.shape.0.clone()).collect()
    }

    /// The steepest slope of the classes that `choose` picks.
    pub(super) fn steepest(&self, choose: impl Fn(&MultiPolygon) -> bool) -> Option<f64> {
        let chosen = self.classes.iter().filter(|class| choose(&class.shape));
        chosen.map(|class| class.slope).reduce(f64::max)
    }

    /// The steepest class that a point is in or on the border of.
    fn at(&self, p: Coord) -> Option<f64> {
        let point = Bounds::of([&p]);
        let within = self
            .classes
            .iter()
            .filter(|class| class.bounds.meets(&point) && class.holds(p))
            .map(|class| class.slope);
        let on_border = self
            .borders
            .near(p, p, ON_BORDER_M)
            .filter(|edge| point_segment(p, edge.a, edge.b) <= ON_BORDER_M)
            .map(|edge| self.classes[edge.owner as usize].slope);
        within.chain(on_border).reduce(f64::max)
    }

    /// The segment cut at every border it crosses, meets or leaves.
    pub(super) fn along(&self, a: Coord, b: Coord) -> Vec<SlopeRun> {
        let whole = |slope| {
            vec![SlopeRun {
                from: 0.0,
                to: 1.0,
                slope,
            }]
        };
        if self.classes.is_empty() {
            return whole(None);
        }
        let d = b - a;
        let length2 = d.x * d.x + d.y * d.y;
        if length2.sqrt() <= 2.0 * ON_BORDER_M {
            return whole(self.at(a));
        }
        let shortest = ON_BORDER_M / length2.sqrt();
        let mut cuts = vec![0.0, 1.0];
        for edge in self.borders.near(a, b, ON_BORDER_M) {
            let (e, to_edge) = (edge.b - edge.a, edge.a - a);
            let across = cross(d, e);
            if across != 0.0 {
                let (t, u) = (cross(to_edge, e) / across, cross(to_edge, d) / across);
                if (-1e-9..=1.0 + 1e-9).contains(&u) {
                    cuts.push(t);
                }
            }
            // Where the two run along one another, the border's own ends divide.
            for end in [edge.a, edge.b] {
                if point_segment(end, a, b) <= ON_BORDER_M {
                    cuts.push(((end.x - a.x) * d.x + (end.y - a.y) * d.y) / length2);
                }
            }
        }
        cuts.retain(|t| (0.0..=1.0).contains(t));
        cuts.sort_by(f64::total_cmp);
        let mut runs: Vec<SlopeRun> = Vec::new();
        let mut from = 0.0;
        for &to in &cuts[1..] {
            if to - from <= shortest {
                continue;
            }
            let slope = self.at(a + d * ((from + to) / 2.0));
            match runs.last_mut() {
                Some(last) if last.slope == slope => last.to = to,
                _ => runs.push(SlopeRun { from, to, slope }),
            }
            from = to;
        }
        match runs.last_mut() {
            Some(last) => last.to = 1.0,
            None => return whole(self.at(a)),
        }
        runs
    }
}

impl Class {
    /// Crossing number; the border itself is undecided.
    fn holds(&self, p: Coord) -> bool {
        let crossed = |edge: &&Segment| {
            let (a, b) = (edge.a, edge.b);
            (a.y > p.y) != (b.y > p.y) && p.x < a.x + (p.y - a.y) / (b.y - a.y) * (b.x - a.x)
        };
        self.edges.iter().filter(crossed).count() % 2 == 1
    }
}

fn cross(a: Coord, b: Coord) -> f64 {
    a.x * b.y - a.y * b.x
}

#[cfg(test)]
mod tests {
    use super::*;
    use geo::{LineString, Polygon};

    fn c(x: f64, y: f64) -> Coord {
        Coord { x, y }
    }

    fn square(low: Coord, side: f64) -> MultiPolygon {
        let high = low + c(side, side);
        let ring = vec![low, c(high.x, low.y), high, c(low.x, high.y), low];
        MultiPolygon(vec![Polygon::new(LineString(ring), vec![])])
    }

    /// 10 % from (0, 0) to (100, 100), 40 % from (50, 0) to (150, 100), seen from an origin far off.
    fn classes() -> SlopeClasses {
        let far = c(500_000.0, 5_000_000.0);
        let shapes = [
            (0.1, square(far, 100.0)),
            (0.4, square(far + c(50.0, 0.0), 100.0)),
        ];
        let window = Bounds {
            min: c(-200.0, -200.0),
            max: c(400.0, 400.0),
        };
        let shapes = shapes.iter().map(|(slope, shape)| (*slope, shape));
        SlopeClasses::new(shapes, &window, &GroundFrame::around(far))
    }

    fn runs(a: Coord, b: Coord) -> Vec<(f64, f64, Option<f64>)> {
        let runs = classes().along(a, b);
        runs.iter()
            .map(|run| (run.from, run.to, run.slope))
            .collect()
    }

    #[test]
    fn a_segment_is_cut_at_the_borders_and_the_steeper_class_wins() {
        let expected = vec![
            (0.0, 0.25, None),
            (0.25, 0.375, Some(0.1)),
            (0.375, 0.625, Some(0.4)),
            (0.625, 1.0, None),
        ];
        assert_eq!(runs(c(-100., 50.), c(300., 50.)), expected);
        let back = expected
            .iter()
            .rev()
            .map(|&(from, to, slope)| (1.0 - to, 1.0 - from, slope))
            .collect::<Vec<_>>();
        assert_eq!(runs(c(300., 50.), c(-100., 50.)), back);
    }

    #[test]
    fn a_border_belongs_to_the_classes_on_both_sides() {
        // Along the steeper square's left border, and on beyond it.
        assert_eq!(
            runs(c(50., -100.), c(50., 300.)),
            vec![(0.0, 0.25, None), (0.25, 0.5, Some(0.4)), (0.5, 1.0, None)]
        );
        // Along the common lower border: the gentle class alone, then both, then the steeper alone.
        assert_eq!(
            runs(c(0., 0.), c(200., 0.)),
            vec![
                (0.0, 0.25, Some(0.1)),
                (0.25, 0.75, Some(0.4)),
                (0.75, 1.0, None)
            ]
        );
        for (point, slope) in [
            (c(50., 100.), Some(0.4)),
            (c(0., 0.), Some(0.1)),
            (c(-1., 0.), None),
        ] {
            assert_eq!(runs(point, point), vec![(0.0, 1.0, slope)]);
        }
    }
}
