//! Travel between lines that cuts nothing: straight where that stays on drivable ground, else along the boundary pass.

use geo::{Coord, LineString, MultiPolygon};

use crate::geometry::area::Bounds;
use crate::geometry::distance::{SegmentIndex, inside, segment_segment};

/// How far off a pass its user may start and end: a strip ends within a strip's width of the pass it turns on.
const OFF_PASS_M: f64 = 100.0;

/// Ground the machine may cross, and the boundary pass it may follow.
pub struct Ways<'w> {
    drivable: &'w MultiPolygon,
    outline: SegmentIndex,
    passes: Vec<Pass<'w>>,
}

/// A way along the boundary, with its length up to each vertex.
struct Pass<'w> {
    line: &'w LineString,
    around: Bounds,
    run_m: Vec<f64>,
}

impl<'w> Pass<'w> {
    fn new(line: &'w LineString) -> Pass<'w> {
        let mut run_m = vec![0.0];
        let mut total_m = 0.0;
        for w in line.0.windows(2) {
            total_m += (w[1].x - w[0].x).hypot(w[1].y - w[0].y);
            run_m.push(total_m);
        }
        Pass {
            line,
            around: Bounds::of(&line.0).grown(OFF_PASS_M),
            run_m,
        }
    }

    /// The point nearest to `p`, and its distance along the pass.
    fn nearest(&self, p: Coord) -> Option<(Coord, f64)> {
        let mut best: Option<(f64, Coord, usize)> = None;
        for (index, w) in self.line.0.windows(2).enumerate() {
            let d = w[1] - w[0];
            let length2 = d.x * d.x + d.y * d.y;
            if length2 > 0.0 {
                let t = (((p.x - w[0].x) * d.x + (p.y - w[0].y) * d.y) / length2).clamp(0.0, 1.0);
                let q = w[0] + d * t;
                let distance2 = (p.x - q.x) * (p.x - q.x) + (p.y - q.y) * (p.y - q.y);
                if best.is_none_or(|(nearest, _, _)| distance2 < nearest) {
                    best = Some((distance2, q, index));
                }
            }
        }
        best.map(|(_, q, index)| {
            let from = self.line.0[index];
            (q, self.run_m[index] + (q.x - from.x).hypot(q.y - from.y))
        })
    }

    fn length_m(&self) -> f64 {
        self.run_m.last().copied().unwrap_or(0.0)
    }
}

impl<'w> Ways<'w> {
    pub fn new(drivable: &'w MultiPolygon, passes: &'w [LineString]) -> Ways<'w> {
        Ways {
            drivable,
            outline: SegmentIndex::of_boundary(drivable),
            passes: passes.iter().map(Pass::new).collect(),
        }
    }

    fn straight(&self, from: Coord, to: Coord) -> Option<f64> {
        const ON_EDGE_M: f64 = 0.01;
        let direct = (to.x - from.x).hypot(to.y - from.y);
        if direct < ON_EDGE_M {
            return Some(direct);
        }
        let middle = (from + to) / 2.0;
        // Ends may lie on the edge itself, so the line is shortened before it is asked to cross nothing.
        let short = |p: Coord| p + (middle - p) * (ON_EDGE_M / direct);
        let (a, b) = (short(from), short(to));
        let crossed = self
            .outline
            .near(a, b, 0.0)
            .any(|s| segment_segment(a, b, s.a, s.b) == 0.0);
        (!crossed && inside(middle, self.drivable)).then_some(direct)
    }

    /// Metres from one place to another without leaving drivable ground; None where no such way was found.
    pub fn travel_m(&self, from: Coord, to: Coord) -> Option<f64> {
        if let Some(direct) = self.straight(from, to) {
            return Some(direct);
        }
        let both = Bounds::of([&from, &to]);
        let along = |pass: &Pass| {
            let (enter, at_from) = pass.nearest(from)?;
            let (leave, at_to) = pass.nearest(to)?;
            let onto = self.straight(from, enter)?;
            let off = self.straight(leave, to)?;
            let direct = (at_to - at_from).abs();
            let closed = pass.line.0.first() == pass.line.0.last();
            let ride = if closed {
                direct.min(pass.length_m() - direct)
            } else {
                direct
            };
            Some(onto + ride + off)
        };
        let near = self.passes.iter().filter(|pass| pass.around.holds(&both));
        near.filter_map(along).min_by(f64::total_cmp)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use geo::Polygon;

    #[test]
    fn travel_goes_round_a_reserve_along_the_pass() {
        let ring = |a: f64, b: f64| LineString::from(vec![(a, a), (b, a), (b, b), (a, b), (a, a)]);
        let mut hole = ring(40.0, 60.0);
        hole.0.reverse();
        let drivable = MultiPolygon(vec![Polygon::new(ring(0.0, 100.0), vec![hole])]);
        let passes = [ring(10.0, 90.0)];
        let ways = Ways::new(&drivable, &passes);
        let c = |x: f64, y: f64| Coord { x, y };
        assert_eq!(ways.travel_m(c(20., 20.), c(80., 20.)), Some(60.0));
        let round = ways.travel_m(c(50., 30.), c(50., 70.)).unwrap();
        assert!((round - (20.0 + 160.0 + 20.0)).abs() < 1e-9, "{round}");
        assert_eq!(
            Ways::new(&drivable, &[]).travel_m(c(50., 30.), c(50., 70.)),
            None
        );
    }
}
