//! The ground within a distance of a feature's edge, drawn anew for areas and for showing: a rectangle beside every
//! edge, a sector at every bend, half a disc at every end. Verdicts and depths come from exact distances instead.

use std::f64::consts::{PI, TAU};

use geo::{Coord, LineString, Polygon};

/// Chords in a full circle. Their corners lie so far out that a whole circle keeps its area: an arc strays from the true
/// one by at most 0.06 % of its radius.
const CHORDS: f64 = 72.0;

/// Some ground within a distance of a line, as polygons that overlap and run counter-clockwise.
#[derive(Default)]
pub struct Reached(pub Vec<Polygon>);

impl Reached {
    /// Adds the ground within `distance_m` of a line; a line of one point gives a disc.
    pub fn line(&mut self, line: &[Coord], distance_m: f64) {
        self.drawn(line, distance_m, true);
    }

    /// The same for the ground that a machine passes over: nothing beyond the ends of the line.
    pub fn swath(&mut self, line: &[Coord], distance_m: f64) {
        self.drawn(line, distance_m, false);
    }

    fn drawn(&mut self, line: &[Coord], distance_m: f64, round_ends: bool) {
        let mut corners = line.to_vec();
        corners.dedup();
        if distance_m <= 0.0 || corners.is_empty() {
            return;
        }
        let closed = corners.len() > 3 && corners.first() == corners.last();
        if corners.len() == 1 {
            self.sector(corners[0], 0.0, TAU, distance_m);
            return;
        }
        let headings: Vec<f64> = corners
            .windows(2)
            .map(|w| (w[1].y - w[0].y).atan2(w[1].x - w[0].x))
            .collect();
        for (w, heading) in corners.windows(2).zip(&headings) {
            let (sin, cos) = heading.sin_cos();
            let right = Coord {
                x: sin * distance_m,
                y: -cos * distance_m,
            };
            self.0.push(Polygon::new(
                LineString(vec![
                    w[0] + right,
                    w[1] + right,
                    w[1] - right,
                    w[0] - right,
                    w[0] + right,
                ]),
                vec![],
            ));
        }
        let count = headings.len();
        for index in 0..count {
            let next = match (index + 1 == count, closed) {
                (false, _) => headings[index + 1],
                (true, true) => headings[0],
                (true, false) => break,
            };
            let (corner, heading) = (corners[index + 1], headings[index]);
            let turn = (next - heading + PI).rem_euclid(TAU) - PI;
            if turn > 0.0 {
                // A bend to the left opens on the right.
                self.sector(corner, heading - PI / 2.0, turn, distance_m);
            } else if turn < 0.0 {
                self.sector(corner, next + PI / 2.0, -turn, distance_m);
            }
        }
        if !closed && round_ends {
            let (first, last) = (corners[0], corners[count]);
            self.sector(first, headings[0] + PI / 2.0, PI, distance_m);
            self.sector(last, headings[count - 1] - PI / 2.0, PI, distance_m);
        }
    }

    fn sector(&mut self, at: Coord, from: f64, turn: f64, radius_m: f64) {
        let chords = (turn / TAU * CHORDS).ceil().max(1.0);
        let step = turn / chords;
        let radius_m = radius_m * (step / step.sin()).sqrt();
        let corner = |chord: u32| {
            let (sin, cos) = (from + f64::from(chord) * step).sin_cos();
            Coord {
                x: at.x + radius_m * cos,
                y: at.y + radius_m * sin,
            }
        };
        let mut ring: Vec<Coord> = (0..=chords as u32).map(corner).collect();
        if turn < TAU {
            ring.insert(0, at);
        } else {
            ring.pop();
        }
        ring.push(ring[0]);
        self.0.push(Polygon::new(LineString(ring), vec![]));
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::area::{area, ring_area};
    use crate::geometry::overlay::union;

    fn measured(line: &[(f64, f64)], distance_m: f64) -> f64 {
        let mut reached = Reached::default();
        let line: Vec<Coord> = line.iter().map(|&(x, y)| Coord { x, y }).collect();
        reached.line(&line, distance_m);
        assert!(reached.0.iter().all(|p| ring_area(p.exterior()) > 0.0));
        area(&union(&reached.0))
    }

    #[test]
    fn areas_are_those_of_the_closed_forms() {
        let r = 20.0;
        let disc = PI * r * r;
        assert!((measured(&[(0., 0.)], r) - disc).abs() < 1e-3 * disc);
        let straight = measured(&[(0., 0.), (100., 0.)], r);
        assert!((straight - disc - 200.0 * r).abs() < 1e-3 * disc);
        // A square bend: two rectangles share a square on the inside; a quarter disc opens on the outside.
        let bent = measured(&[(0., 0.), (100., 0.), (100., 100.)], r);
        let expected = 2.0 * 200.0 * r + disc + 0.25 * disc - r * r;
        assert!((bent - expected).abs() < 1e-3 * disc, "{bent} {expected}");
        let other_way = measured(&[(100., 100.), (100., 0.), (0., 0.)], r);
        assert!((bent - other_way).abs() < 1e-3);
        // A fold: out and back again.
        let fold = measured(&[(0., 0.), (100., 0.), (50., 0.)], r);
        assert!((fold - straight).abs() < 1e-2 * disc);
        let ring = measured(
            &[(0., 0.), (100., 0.), (100., 100.), (0., 100.), (0., 0.)],
            r,
        );
        let expected = 4.0 * 100.0 * r + disc + (10_000.0 - 60.0 * 60.0);
        assert!((ring - expected).abs() < 1e-3 * disc, "{ring} {expected}");
    }
}
