//! Fits the map of a block's frame: polynomials through Chebyshev's points, as low a power as the bound allows.
//!
//! A smooth map over a few kilometres is met by its first Chebyshev terms almost as well as by any polynomial of that
//! power (Trefethen 2013, chapter 16; from memory), and no system of equations has to be solved.

use geo::Coord;

use crate::model::{GroundFrame, GroundMap};

/// Points along one axis; powers up to one less.
pub const POINTS: usize = 10;
/// Highest power of a map.
pub const MOST_POWER: u8 = 8;

/// What is to be fitted: a box of the plane, in half its width and height around the origin.
#[derive(Clone, Debug)]
pub struct Fit {
    origin: Coord,
    half: Coord,
    /// Chebyshev coefficients, power of v by power of u.
    x: [[f64; POINTS]; POINTS],
    y: [[f64; POINTS]; POINTS],
}

/// The points of an axis, in -1..1.
fn points() -> [f64; POINTS] {
    std::array::from_fn(|k| {
        let angle = std::f64::consts::PI * (k as f64 + 0.5) / POINTS as f64;
        angle.cos()
    })
}

/// The places of the plane at which the map must be known, row by row.
pub fn places(origin: Coord, half: Coord) -> Vec<Coord> {
    let points = points();
    let row = |v: f64| {
        points.map(|u| Coord {
            x: origin.x + u * half.x,
            y: origin.y + v * half.y,
        })
    };
    points.iter().flat_map(|&v| row(v)).collect()
}

impl Fit {
    /// `known`: what the map makes of [`places`], in their order; None where there are too few.
    pub fn of(origin: Coord, half: Coord, known: &[Coord]) -> Option<Fit> {
        if known.len() != POINTS * POINTS {
            return None;
        }
        let part = |of: fn(&Coord) -> f64| {
            // The sums along u first, then along v.
            let sums = |values: [f64; POINTS]| -> [f64; POINTS] {
                std::array::from_fn(|i| {
                    let weight = if i == 0 { 1.0 } else { 2.0 } / POINTS as f64;
                    let terms = values.iter().enumerate().map(|(k, value)| {
                        let angle = std::f64::consts::PI * (k as f64 + 0.5) / POINTS as f64;
                        value * (angle * i as f64).cos()
                    });
                    weight * terms.sum::<f64>()
                })
            };
            let rows: [[f64; POINTS]; POINTS] = std::array::from_fn(|row| {
                sums(std::array::from_fn(|k| of(&known[row * POINTS + k])))
            });
            let columns: [[f64; POINTS]; POINTS] =
                std::array::from_fn(|i| sums(std::array::from_fn(|row| rows[row][i])));
            // By power of v, then of u.
            std::array::from_fn(|j| std::array::from_fn(|i| columns[i][j]))
        };
        Some(Fit {
            origin,
            half,
            x: part(|c| c.x),
            y: part(|c| c.y),
        })
    }

    /// The frame whose map goes up to a power, 1 to [`MOST_POWER`]; None where it has no way back.
    pub fn frame(&self, power: u8, unit_m: f64) -> Option<GroundFrame> {
        let power = power.clamp(1, MOST_POWER);
        let (x, y) = (plain(&self.x, power), plain(&self.y, power));
        let map = GroundMap::new(self.half, power, x, y)?;
        Some(GroundFrame::mapped(self.origin, unit_m, map))
    }
}

/// The terms up to a power, as coefficients of plain powers in the order of [`GroundMap::new`].
fn plain(of: &[[f64; POINTS]; POINTS], power: u8) -> Vec<f64> {
    let most = usize::from(power);
    // Chebyshev polynomials in plain powers: T(n+1) = 2 x T(n) - T(n-1).
    let mut t = [[0.0f64; POINTS]; POINTS];
    t[0][0] = 1.0;
    t[1][1] = 1.0;
    for n in 2..=most {
        for k in 0..=n {
            let below = if k > 0 { 2.0 * t[n - 1][k - 1] } else { 0.0 };
            t[n][k] = below - t[n - 2][k];
        }
    }
    let mut plain = Vec::new();
    for j in 0..=most {
        for i in 0..=most - j {
            let mut sum = 0.0;
            for n in i..=most {
                for m in j..=most - n {
                    sum += of[m][n] * t[n][i] * t[m][j];
                }
            }
            plain.push(sum);
        }
    }
    plain
}

#[cfg(test)]
mod tests {
    use super::*;

    const ORIGIN: Coord = Coord { x: 5e5, y: 6e6 };
    const HALF: Coord = Coord { x: 4e3, y: 3e3 };

    /// A plane turned by a degree and stretched, more so to the east, as conformal maps are.
    fn map(c: Coord) -> Coord {
        let p = (c - ORIGIN) / 6.4e6;
        let (x, y) = (p.x + 0.03 * (p.x * p.x - p.y * p.y), p.y + 0.06 * p.x * p.y);
        let cubic = (p.x * p.x * p.x - 3.0 * p.x * p.y * p.y) / 6.0;
        let (sin, cos) = 1f64.to_radians().sin_cos();
        Coord {
            x: ((x + cubic) * cos - y * sin) * 6.4e6,
            y: ((x + cubic) * sin + y * cos) * 6.4e6,
        }
    }

    fn fitted(power: u8) -> GroundFrame {
        let known: Vec<Coord> = places(ORIGIN, HALF).into_iter().map(map).collect();
        let fit = Fit::of(ORIGIN, HALF, &known).unwrap();
        fit.frame(power, 1.0).unwrap()
    }

    fn worst(frame: &GroundFrame) -> f64 {
        let mut worst = 0.0f64;
        for i in -20..=20 {
            for j in -20..=20 {
                let (u, v) = (f64::from(i) / 20.0, f64::from(j) / 20.0);
                let place = ORIGIN
                    + Coord {
                        x: u * HALF.x,
                        y: v * HALF.y,
                    };
                let off = frame.enter(place) - map(place);
                worst = worst.max(off.x.hypot(off.y));
            }
        }
        worst
    }

    #[test]
    fn each_power_comes_nearer_and_the_last_is_there() {
        let worst: Vec<f64> = (1..=4).map(|power| worst(&fitted(power))).collect();
        assert!(worst[0] > 0.01 && worst[0] < 0.3, "{worst:?}");
        assert!(worst[1] < 1e-3 && worst[1] > 1e-5, "{worst:?}");
        assert!(worst[2] < 1e-8 && worst[3] < 1e-8, "{worst:?}");
    }

    #[test]
    fn the_way_back_ends_where_it_began_far_off_too() {
        for power in 1..=4 {
            let frame = fitted(power);
            for (x, y) in [
                (0.0, 0.0),
                (3_999.0, -2_999.0),
                (-8_000.0, 40.0),
                (90_000.0, 60_000.0),
            ] {
                let place = ORIGIN + Coord { x, y };
                let back = frame.to_plane(frame.enter(place));
                let off = (back.x - place.x).hypot(back.y - place.y);
                assert!(off < 1e-8, "{power} {x} {y}: {off}");
            }
        }
    }

    #[test]
    fn what_has_few_decimals_is_written_as_it_was_read() {
        let frame = fitted(3);
        for (x, y) in [
            (500_123.456_7, 6_001_234.5),
            (498_765.432_1, 5_998_000.123_456_78),
        ] {
            let place = Coord { x, y };
            assert_eq!(frame.leave(frame.enter(place)), place);
        }
    }

    /// A line of 6 km gets corners on both ways, and none of its middles is off by more than the bend allowed.
    #[test]
    fn long_lines_get_corners_where_they_bend() {
        use crate::model::BEND_M;
        use geo::LineString;
        let frame = fitted(3);
        let ends = [(-3_000.0, -2_000.0), (2_500.0, 2_500.0)];
        let drawn = LineString(ends.map(|(x, y)| ORIGIN + Coord { x, y }).to_vec());
        let entered = frame.enter_line(&drawn);
        assert!((4..60).contains(&entered.0.len()), "{}", entered.0.len());
        for w in entered.0.windows(2) {
            let chord = (w[0] + w[1]) / 2.0;
            let there = frame.to_plane(chord);
            let d = drawn.0[1] - drawn.0[0];
            let off = there - drawn.0[0];
            let across = (off.x * d.y - off.y * d.x).abs() / d.x.hypot(d.y);
            assert!(across <= BEND_M, "{across}");
        }
        let straight = LineString(ends.map(|(x, y)| Coord { x, y }).to_vec());
        let left = frame.leave_line(&straight);
        assert!((4..60).contains(&left.0.len()));
        for w in left.0.windows(2) {
            let there = frame.enter((w[0] + w[1]) / 2.0);
            let d = straight.0[1] - straight.0[0];
            let off = there - straight.0[0];
            let across = (off.x * d.y - off.y * d.x).abs() / d.x.hypot(d.y);
            assert!(across <= BEND_M, "{across}");
        }
        // A power of 1 bends nothing.
        assert_eq!(fitted(1).leave_line(&straight).0.len(), 2);
    }

    /// A hole whose corner lies on a long edge of its shell goes on touching it.
    #[test]
    fn rings_that_touch_go_on_touching() {
        let frame = fitted(3);
        let (a, b) = (
            Coord {
                x: -2_000.0,
                y: -1_500.0,
            },
            Coord {
                x: 2_000.0,
                y: 1_000.0,
            },
        );
        let on = a + (b - a) * 0.37;
        let shell = vec![
            a,
            b,
            Coord {
                x: -2_000.0,
                y: 2_000.0,
            },
            a,
        ];
        let hole = vec![
            on,
            on + Coord { x: -30.0, y: 60.0 },
            on + Coord { x: -50.0, y: 60.0 },
            on,
        ];
        let polygon = geo::Polygon::new(shell.into(), vec![hole.into()]);
        let left = frame.leave_polygon(&polygon);
        assert!(left.exterior().0.contains(&left.interiors()[0].0[0]));
    }

    /// A plane of rise 1 in 10 to the frame's north-east is the same slope whatever the plane makes of it.
    #[test]
    fn gradients_are_those_of_the_ground() {
        let frame = fitted(3);
        let place = ORIGIN
            + Coord {
                x: 900.0,
                y: -700.0,
            };
        let rise = |c: Coord| {
            let at = frame.enter(c);
            0.06 * at.x + 0.08 * at.y
        };
        let step = 0.5;
        let (east, north) = (Coord { x: step, y: 0.0 }, Coord { x: 0.0, y: step });
        let along = Coord {
            x: (rise(place + east) - rise(place - east)) / (2.0 * step),
            y: (rise(place + north) - rise(place - north)) / (2.0 * step),
        };
        let [a, b, c, d] = frame.turn(place);
        let there = Coord {
            x: a * along.x + b * along.y,
            y: c * along.x + d * along.y,
        };
        assert!(
            (there.x - 0.06).abs() < 1e-7 && (there.y - 0.08).abs() < 1e-7,
            "{there:?}"
        );
    }
}
