//! Places on lines of many vertices, found without looking at every vertex.

use geo::{Coord, LineString};

use crate::geometry::area::Bounds;
use crate::geometry::distance::share_along;

/// A place on a line: which segment, how far along the line, and where.
#[derive(Clone, Copy)]
pub struct OnLine {
    pub segment: usize,
    pub along_m: f64,
    pub at: Coord,
    pub off_m: f64,
}

/// Segments that share a box.
const RUN: usize = 48;

struct Run {
    bounds: Bounds,
    first: usize,
    /// Length of the line before it.
    along_m: f64,
}

/// A line in runs of segments, each in its box.
pub struct LineIndex<'l> {
    pub line: &'l LineString,
    runs: Vec<Run>,
}

impl<'l> LineIndex<'l> {
    pub fn new(line: &'l LineString) -> LineIndex<'l> {
        let last = line.0.len().saturating_sub(1);
        let mut along_m = 0.0;
        let runs = (0..last).step_by(RUN).map(|first| {
            let corners = &line.0[first..=(first + RUN).min(last)];
            let run = Run {
                bounds: Bounds::of(corners),
                first,
                along_m,
            };
            for w in corners.windows(2) {
                let d = w[1] - w[0];
                along_m += (d.x * d.x + d.y * d.y).sqrt();
            }
            run
        });
        LineIndex {
            runs: runs.collect(),
            line,
        }
    }

    /// The place nearest to `p`, if within `within_m`; of places equally near the first along the line.
    pub fn nearest(&self, p: Coord, within_m: f64) -> Option<OnLine> {
        let mut best: Option<OnLine> = None;
        for run in &self.runs {
            let most_m = best.map_or(within_m, |best| best.off_m);
            // Both lengths are rounded: a run is left out only where it is farther beyond doubt.
            if run.bounds.distance(p) * (1.0 - 1e-9) > most_m {
                continue;
            }
            let end = (run.first + RUN + 1).min(self.line.0.len());
            let mut along_m = run.along_m;
            for (at, w) in self.line.0[run.first..end].windows(2).enumerate() {
                let d = w[1] - w[0];
                let length2 = d.x * d.x + d.y * d.y;
                let length_m = length2.sqrt();
                if length2 > 0.0 {
                    let t = share_along(p, w[0], w[1]);
                    let at_line = w[0] + d * t;
                    let off_m = (p.x - at_line.x).hypot(p.y - at_line.y);
                    let nearer = best.map_or(off_m <= within_m, |best| off_m < best.off_m);
                    if nearer {
                        best = Some(OnLine {
                            segment: run.first + at,
                            along_m: along_m + t * length_m,
                            at: at_line,
                            off_m,
                        });
                    }
                }
                along_m += length_m;
            }
        }
        best
    }

    /// Vertices of this line nearest to `other` in each run of vertices that come within `within_m`.
    pub fn nearest_places(&self, other: &LineIndex, within_m: f64) -> Vec<(Coord, OnLine)> {
        let around = Bounds::of(&other.line.0).grown(within_m);
        let mut places: Vec<(Coord, OnLine)> = Vec::new();
        let mut best: Option<(Coord, OnLine)> = None;
        for &p in &self.line.0 {
            let here = around.holds(&Bounds::of([&p]));
            match here.then(|| other.nearest(p, within_m)).flatten() {
                Some(on) if best.is_none_or(|(_, best)| on.off_m < best.off_m) => {
                    best = Some((p, on));
                }
                Some(_) => {}
                None => places.extend(best.take()),
            }
        }
        places.extend(best);
        places
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_place_found_is_that_of_a_look_at_every_segment() {
        let line: LineString = (0..500)
            .map(|k| {
                let k = f64::from(k);
                Coord {
                    x: 3.0 * k + 7.0 * (k * 0.9).sin(),
                    y: 40.0 * (k * 0.05).sin() + 5.0 * (k * 1.7).cos(),
                }
            })
            .collect();
        let index = LineIndex::new(&line);
        for k in 0..300 {
            let k = f64::from(k);
            let p = Coord {
                x: 5.3 * k - 40.0,
                y: 60.0 * (k * 0.31).sin(),
            };
            let off_m = |w: &[Coord]| crate::geometry::distance::point_segment(p, w[0], w[1]);
            let least_m = line.0.windows(2).map(off_m).fold(f64::INFINITY, f64::min);
            let on = index.nearest(p, f64::INFINITY).unwrap();
            assert!((on.off_m - least_m).abs() < 1e-9);
            let before = LineString(line.0[..=on.segment].to_vec());
            let rest_m = (on.at - line.0[on.segment])
                .x
                .hypot((on.at - line.0[on.segment]).y);
            let along_m = crate::geometry::area::length(&before) + rest_m;
            assert!((on.along_m - along_m).abs() < 1e-7);
            assert_eq!(index.nearest(p, least_m * 0.99).is_some(), least_m == 0.0);
        }
    }
}
