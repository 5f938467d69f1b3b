//! Where a machine was, from fixes that are off: a Kalman filter forwards and the smoother of Rauch, Tung & Striebel (1965)
//! backwards, for a machine whose speed changes at random (white noise acceleration: Bar-Shalom, Li & Kirubarajan 2001).
//! East and north are followed alike and apart. How restless the machine is comes from the fixes themselves:
//! the value that makes them likeliest.

use geo::Coord;

/// Restlessness tried, as powers of ten of m²/s³, from still to a machine that turns on the spot.
const RESTLESS: std::ops::RangeInclusive<i32> = -12..=4;
/// Steps of each power of ten.
const PER_DECADE: i32 = 2;
/// A machine's speed before its first fix may be anything like this, m/s.
const FIRST_SPEED_M_S: f64 = 1.5;
/// Place and speed along one axis, with what they may be off.
#[derive(Clone, Copy, Debug, Default)]
struct State {
    at: f64,
    speed: f64,
    /// Variances of place and speed, and their covariance.
    pp: f64,
    pv: f64,
    vv: f64,
}

/// A 2 by 2 matrix, by rows.
type Square = [[f64; 2]; 2];

/// A way as smoothed.
#[derive(Clone, Debug, PartialEq)]
pub struct Smoothed {
    pub places: Vec<Coord>,
    /// What each place may be off along any direction, m: a standard error.
    pub off_m: Vec<f64>,
}

/// How restless the machine of some ways is, m²/s³: the likeliest of a fixed row of values. `ways` are places with seconds;
/// `off_m` is what a fix may be off along any direction, as a standard error that is another at every fix.
pub fn restlessness(ways: &[(Vec<Coord>, Vec<f64>)], off_m: f64) -> f64 {
    let tried = (*RESTLESS.start()..=*RESTLESS.end()).map(|step| {
        let restless = 10f64.powf(f64::from(step) / f64::from(PER_DECADE));
        let likely: f64 = (ways.iter())
            .map(|(places, seconds)| forwards(places, seconds, off_m, restless).likelihood)
            .sum();
        (likely, restless)
    });
    let best = tried.max_by(|a, b| a.0.total_cmp(&b.0));
    best.map_or(1.0, |(_, restless)| restless)
}

struct Forwards {
    /// After each fix, east and north; the spreads of both are the same.
    after: Vec<[State; 2]>,
    /// Before it.
    before: Vec<[State; 2]>,
    /// Logarithm of how likely the fixes are.
    likelihood: f64,
}

/// Where a machine is after some seconds.
fn ahead(own: State, seconds: f64, restless: f64) -> State {
    let t = seconds;
    State {
        at: own.at + t * own.speed,
        speed: own.speed,
        pp: own.pp + 2.0 * t * own.pv + t * t * own.vv + restless * t.powi(3) / 3.0,
        pv: own.pv + t * own.vv + restless * t * t / 2.0,
        vv: own.vv + restless * t,
    }
}

fn forwards(places: &[Coord], seconds: &[f64], off_m: f64, restless: f64) -> Forwards {
    let var = off_m * off_m;
    let mut done = Forwards {
        after: Vec::with_capacity(places.len()),
        before: Vec::with_capacity(places.len()),
        likelihood: 0.0,
    };
    for (k, place) in places.iter().enumerate() {
        let own = [place.x, place.y];
        let Some(&last) = done.after.last() else {
            let first = own.map(|at| State {
                at,
                pp: var,
                vv: FIRST_SPEED_M_S * FIRST_SPEED_M_S,
                ..State::default()
            });
            done.before.push(first);
            done.after.push(first);
            continue;
        };
        let long = seconds[k] - seconds[k - 1];
        let before = last.map(|state| ahead(state, long, restless));
        let mut after = before;
        for (state, at) in after.iter_mut().zip(own) {
            let spread = state.pp + var;
            let off = at - state.at;
            let (gain, gain_speed) = (state.pp / spread, state.pv / spread);
            *state = State {
                at: state.at + gain * off,
                speed: state.speed + gain_speed * off,
                pp: state.pp - gain * state.pp,
                pv: state.pv - gain * state.pv,
                vv: state.vv - gain_speed * state.pv,
            };
            done.likelihood -= 0.5 * ((std::f64::consts::TAU * spread).ln() + off * off / spread);
        }
        done.before.push(before);
        done.after.push(after);
    }
    done
}

/// A way of which each fix may be off by `off_m` along any direction, a standard error, independently of the others. `seconds`
/// never go backwards.
pub fn smoothed(places: &[Coord], seconds: &[f64], off_m: f64, restless: f64) -> Smoothed {
    let run = forwards(places, seconds, off_m, restless);
    let count = places.len();
    let mut found = run.after.clone();
    for k in (0..count.saturating_sub(1)).rev() {
        let long = seconds[k + 1] - seconds[k];
        let (own, next) = (run.after[k][0], run.before[k + 1][0]);
        let gain = gain_of(own, next, long);
        let later = found[k + 1];
        for (axis, own) in found[k].iter_mut().enumerate() {
            let (after, before, later) = (run.after[k][axis], run.before[k + 1][axis], later[axis]);
            let (at, speed) = (later.at - before.at, later.speed - before.speed);
            let d = [
                later.pp - before.pp,
                later.pv - before.pv,
                later.vv - before.vv,
            ];
            let spread = |row: &[f64; 2], other: &[f64; 2]| {
                row[0] * (d[0] * other[0] + d[1] * other[1])
                    + row[1] * (d[1] * other[0] + d[2] * other[1])
            };
            *own = State {
                at: after.at + gain[0][0] * at + gain[0][1] * speed,
                speed: after.speed + gain[1][0] * at + gain[1][1] * speed,
                pp: after.pp + spread(&gain[0], &gain[0]),
                pv: after.pv + spread(&gain[0], &gain[1]),
                vv: after.vv + spread(&gain[1], &gain[1]),
            };
        }
    }
    Smoothed {
        places: (found.iter())
            .map(|[east, north]| Coord {
                x: east.at,
                y: north.at,
            })
            .collect(),
        off_m: found.iter().map(|own| own[0].pp.max(0.0).sqrt()).collect(),
    }
}

/// What a later correction says of an earlier state.
fn gain_of(own: State, next: State, seconds: f64) -> Square {
    // P F' (P before)^-1, with F = (1 t; 0 1).
    let carried = [
        [own.pp + seconds * own.pv, own.pv],
        [own.pv + seconds * own.vv, own.vv],
    ];
    let whole = next.pp * next.vv - next.pv * next.pv;
    if whole <= f64::MIN_POSITIVE {
        return [[0.0; 2]; 2];
    }
    carried.map(|[a, b]| {
        [
            (a * next.vv - b * next.pv) / whole,
            (b * next.pp - a * next.pv) / whole,
        ]
    })
}

impl Smoothed {
    /// Fixes that are known to lie where they are.
    pub fn pin(&mut self, fix: usize, at: Coord) {
        self.places[fix] = at;
        self.off_m[fix] = 0.0;
    }

    /// The part from one fix to another, both with it.
    pub fn part(&self, from: usize, to: usize) -> Smoothed {
        Smoothed {
            places: self.places[from..=to].to_vec(),
            off_m: self.off_m[from..=to].to_vec(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde::Deserialize;

    #[derive(Deserialize)]
    struct Case {
        off_m: f64,
        restless: f64,
        seconds: Vec<f64>,
        places: Vec<[f64; 2]>,
        smoothed: Vec<[f64; 2]>,
        errors_m: Vec<f64>,
        likelihood: f64,
    }

    fn coords(places: &[[f64; 2]]) -> Vec<Coord> {
        places.iter().map(|&[x, y]| Coord { x, y }).collect()
    }

    /// `scripts/reference/smoother.py` conditions all states on all fixes at once, without any recursion.
    #[test]
    fn a_way_is_smoothed_as_by_conditioning_all_of_it_at_once() {
        let cases = include_str!("../../../fixtures/audit/smoothed.json");
        let cases: Vec<Case> = serde_json::from_str(cases).unwrap();
        assert_eq!(cases.len(), 2);
        for case in cases {
            let places = coords(&case.places);
            let found = smoothed(&places, &case.seconds, case.off_m, case.restless);
            for (own, wanted) in found.places.iter().zip(coords(&case.smoothed)) {
                let off = *own - wanted;
                assert!(off.x.hypot(off.y) < 1e-6, "{own:?} {wanted:?}");
            }
            for (own, wanted) in found.off_m.iter().zip(&case.errors_m) {
                assert!((own - wanted).abs() < 1e-6, "{own} {wanted}");
            }
            let run = forwards(&places, &case.seconds, case.off_m, case.restless);
            assert!((run.likelihood - case.likelihood).abs() < 1e-6);
        }
    }

    #[test]
    fn the_restlessness_is_that_of_the_way() {
        // A straight way at an even speed is no restless one; one that turns square at each fix is.
        let seconds: Vec<f64> = (0..40).map(|k| 5.0 * f64::from(k)).collect();
        let jitter = |k: i32| f64::from((k * 7919) % 1000) / 500.0 - 1.0;
        let even = |k: i32| Coord {
            x: 4.0 * f64::from(k) + jitter(k),
            y: jitter(k + 13),
        };
        let square = |k: i32| Coord {
            x: 15.0 * f64::from((k + 1) / 2) + jitter(k),
            y: 15.0 * f64::from(k / 2) + jitter(k + 13),
        };
        let of = |way: &dyn Fn(i32) -> Coord| {
            restlessness(&[((0..40).map(way).collect(), seconds.clone())], 0.6)
        };
        assert!(
            of(&even) < 1e-3 && of(&square) > 0.1,
            "{} {}",
            of(&even),
            of(&square)
        );
    }
}
