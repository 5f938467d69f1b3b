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

fn length_m(a: Coord, b: Coord) -> f64 {
    let d = b - a;
    (d.x * d.x + d.y * d.y).sqrt()
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
                along_m += length_m(w[0], w[1]);
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
        let mut best: Option<(&Run, usize, Coord)> = None;
        let mut least2 = within_m * within_m;
        for run in &self.runs {
            // Both lengths are rounded: a run is left out only where it is farther beyond doubt.
            let box_m = run.bounds.distance(p) * (1.0 - 1e-9);
            if box_m * box_m > least2 {
                continue;
            }
            for (at, w) in self.segments(run).enumerate() {
                let on = w[0] + (w[1] - w[0]) * share_along(p, w[0], w[1]);
                let off = p - on;
                let off2 = off.x * off.x + off.y * off.y;
                let nearer = off2 < least2 || (best.is_none() && off2 <= least2);
                if nearer && w[0] != w[1] {
                    (best, least2) = (Some((run, at, on)), off2);
                }
            }
        }
        let (run, at, on) = best?;
        let mut along_m = run.along_m;
        for w in self.segments(run).take(at) {
            along_m += length_m(w[0], w[1]);
        }
        let segment = run.first + at;
        Some(OnLine {
            segment,
            along_m: along_m + length_m(self.line.0[segment], on),
            at: on,
            off_m: length_m(p, on),
        })
    }

    /// The place so many metres along the line; None beyond its ends.
    pub fn along(&self, along_m: f64) -> Option<OnLine> {
        let run = (self.runs.iter().rev()).find(|run| run.along_m <= along_m)?;
        let mut left_m = along_m - run.along_m;
        for (at, w) in self.segments(run).enumerate() {
            let own_m = length_m(w[0], w[1]);
            if left_m <= own_m && own_m > 0.0 {
                return Some(OnLine {
                    segment: run.first + at,
                    along_m,
                    at: w[0] + (w[1] - w[0]) * (left_m / own_m),
                    off_m: 0.0,
                });
            }
            left_m -= own_m;
        }
        None
    }

    fn segments(&self, run: &Run) -> std::slice::Windows<'_, Coord> {
        let end = (run.first + RUN + 1).min(self.line.0.len());
        self.line.0[run.first..end].windows(2)
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
