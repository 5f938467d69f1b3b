//! Travel between lines that cuts nothing: straight where that stays on drivable ground, else along the boundary pass.

use geo::{Coord, LineString, MultiPolygon};

use crate::geometry::area::length;
use crate::geometry::distance::{SegmentIndex, inside, segment_segment};

/// Ground the machine may cross, and the boundary pass it may follow.
pub struct Ways<'w> {
    drivable: &'w MultiPolygon,
    outline: SegmentIndex,
    passes: &'w [LineString],
}

impl<'w> Ways<'w> {
    pub fn new(drivable: &'w MultiPolygon, passes: &'w [LineString]) -> Ways<'w> {
        Ways {
            drivable,
            outline: SegmentIndex::of_boundary(drivable),
            passes,
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
        let along = |line: &LineString| {
            let (enter, at_from) = nearest_on(line, from)?;
            let (leave, at_to) = nearest_on(line, to)?;
            let onto = self.straight(from, enter)?;
            let off = self.straight(leave, to)?;
            let direct = (at_to - at_from).abs();
            let closed = line.0.first() == line.0.last();
            let ride = if closed {
                direct.min(length(line) - direct)
            } else {
                direct
            };
            Some(onto + ride + off)
        };
        self.passes.iter().filter_map(along).min_by(f64::total_cmp)
    }
}

/// The point of a line nearest to `p`, and its distance along the line.
fn nearest_on(line: &LineString, p: Coord) -> Option<(Coord, f64)> {
    let mut best: Option<(f64, Coord, f64)> = None;
    let mut run = 0.0;
    for w in line.0.windows(2) {
        let d = w[1] - w[0];
        let length = d.x.hypot(d.y);
        if length > 0.0 {
            let t =
                (((p.x - w[0].x) * d.x + (p.y - w[0].y) * d.y) / (length * length)).clamp(0.0, 1.0);
            let q = w[0] + d * t;
            let distance = (p.x - q.x).hypot(p.y - q.y);
            if best.is_none_or(|(nearest, _, _)| distance < nearest) {
                best = Some((distance, q, run + t * length));
            }
        }
        run += length;
    }
    best.map(|(_, q, at)| (q, at))
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
