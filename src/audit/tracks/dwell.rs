//! How long a machine worked where: the times between fixes, shared out to the ground that they lie on.

use geo::Coord;

use super::{Leg, Sweep, Way};

/// Where a place lies, by numbers that the caller gives.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Spot {
    /// On ground whose time is asked for: its unit (a block), and itself within all (a section).
    Ground {
        unit: usize,
        ground: usize,
    },
    /// In or beside a unit, on none of its grounds.
    Beside(usize),
    Away,
}

/// Seconds of all tracks, by where they were spent. Together they are all the time that the tracks tell of.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Dwell {
    /// By ground: on it, and on the way to it from elsewhere in its unit.
    pub ground_s: Vec<f64>,
    /// Where the machine stood for longer than a stop may be: refuelling, repairs, breaks.
    pub stopped_s: f64,
    /// Between fixes that are no stretch driven: gaps and jumps.
    pub gaps_s: f64,
    /// Away from all units, and beside one without going on to a ground of it.
    pub elsewhere_s: f64,
    /// Stretches of which one end has no time.
    pub untimed: usize,
}

/// Shares out the times of `way` to `grounds` grounds. The time of a stretch is spent where its middle lies. Time beside a
/// ground (turns on a road, the way past a corridor) goes to the ground of the same unit that the machine enters next in the
/// same leg, as a layout books turns and travel.
pub fn dwell(
    way: &Way,
    how: &Sweep,
    longest_stop_s: f64,
    grounds: usize,
    spot: &mut dyn FnMut(Coord) -> Spot,
    metres: &dyn Fn(Coord, Coord) -> f64,
) -> Dwell {
    let mut found = Dwell {
        ground_s: vec![0.0; grounds],
        gaps_s: way.gaps.iter().filter_map(|gap| gap.seconds).sum(),
        ..Dwell::default()
    };
    for leg in &way.legs {
        let stopped = stops(leg, how.noise_m, longest_stop_s, metres);
        // Unit and seconds on the way.
        let mut under_way: Option<(usize, f64)> = None;
        let stretches = leg.shape.0.windows(2).zip(leg.times.windows(2));
        for ((ends, times), stopped) in stretches.zip(stopped) {
            let (Some(from), Some(to)) = (times[0], times[1]) else {
                found.untimed += 1;
                continue;
            };
            let seconds = (to - from).as_seconds_f64();
            if stopped {
                found.stopped_s += seconds;
                continue;
            }
            let spot = spot((ends[0] + ends[1]) / 2.0);
            let unit = match spot {
                Spot::Ground { unit, .. } | Spot::Beside(unit) => Some(unit),
                Spot::Away => None,
            };
            if let Some((_, lost)) = under_way.take_if(|(held, _)| Some(*held) != unit) {
                found.elsewhere_s += lost;
            }
            match spot {
                Spot::Ground { ground, .. } => {
                    let led_here = under_way.take().map_or(0.0, |(_, seconds)| seconds);
                    found.ground_s[ground] += led_here + seconds;
                }
                Spot::Beside(unit) => under_way.get_or_insert((unit, 0.0)).1 += seconds,
                Spot::Away => found.elsewhere_s += seconds,
            }
        }
        found.elsewhere_s += under_way.map_or(0.0, |(_, seconds)| seconds);
    }
    found
}

/// For each stretch of a leg whether the machine stood there: all fixes for longer than `longest_s` within `noise_m` of one.
fn stops(
    leg: &Leg,
    noise_m: f64,
    longest_s: f64,
    metres: &dyn Fn(Coord, Coord) -> f64,
) -> Vec<bool> {
    let places = &leg.shape.0;
    let mut stopped = vec![false; places.len().saturating_sub(1)];
    let mut first = 0;
    while first < stopped.len() {
        let near = |at: &Coord| metres(places[first], *at) <= noise_m;
        let last = first + places[first + 1..].iter().take_while(|at| near(at)).count();
        let long = leg.times[first].zip(leg.times[last]);
        let long = long.is_some_and(|(from, to)| (to - from).as_seconds_f64() > longest_s);
        if long {
            stopped[first..last].fill(true);
            first = last;
        } else {
            first += 1;
        }
    }
    stopped
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::audit::tracks::{Fix, Track, follow};
    use chrono::{TimeZone, Utc};

    fn way(fixes: &[(f64, f64, i64)]) -> (Way, Sweep) {
        let how = Sweep::of_width(16.0);
        let fixes = fixes.iter().map(|&(x, y, s)| Fix {
            at: Coord { x, y },
            time: Utc.timestamp_opt(1_900_000_000 + s, 0).single(),
        });
        let track = Track {
            id: "m".to_owned(),
            fixes: fixes.collect(),
        };
        (follow(&[track], &how).unwrap(), how)
    }

    fn flat(a: Coord, b: Coord) -> f64 {
        (a.x - b.x).hypot(a.y - b.y)
    }

    /// Two sections of one block, 0 to 50 m and 60 to 100 m along x; beyond 200 m is away.
    fn spot(at: Coord) -> Spot {
        match at.x {
            x if x < 50.0 => Spot::Ground { unit: 0, ground: 0 },
            x if (60.0..100.0).contains(&x) => Spot::Ground { unit: 0, ground: 1 },
            x if x < 200.0 => Spot::Beside(0),
            _ => Spot::Away,
        }
    }

    #[test]
    fn time_goes_to_the_ground_it_is_spent_on_and_the_way_to_the_ground_it_leads_to() {
        let (way, how) = way(&[
            (0.0, 0.0, 0),
            (20.0, 0.0, 100),
            (40.0, 0.0, 200),
            (52.0, 0.0, 210), // middle 46: still the first
            (58.0, 0.0, 270), // beside: to the second
            (70.0, 0.0, 300), // middle 64
            (90.0, 0.0, 400),
            (115.0, 0.0, 420), // middle 102.5, leads nowhere
        ]);
        let found = dwell(&way, &how, 900.0, 2, &mut spot, &flat);
        assert_eq!(found.ground_s, [210.0, 60.0 + 30.0 + 100.0]);
        assert_eq!((found.stopped_s, found.elsewhere_s), (0.0, 20.0));
    }

    #[test]
    fn long_stops_and_gaps_are_no_work_and_short_stops_are() {
        let stand = |from: i64, to: i64| (from..=to).step_by(100).map(|s| (10.0, 0.0, s));
        let mut fixes = vec![(0.0, 0.0, 0)];
        fixes.extend(stand(100, 900)); // 800 s: a delay that counts
        fixes.push((20.0, 0.0, 1000));
        fixes.extend((1100..=2900).step_by(100).map(|s| (30.0, 0.0, s))); // 1800 s: service
        fixes.push((40.0, 0.0, 3000));
        fixes.push((41.0, 0.0, 3500)); // a gap of 500 s
        fixes.push((45.0, 0.0, 3550));
        let (way, how) = way(&fixes);
        let found = dwell(&way, &how, 900.0, 2, &mut spot, &flat);
        assert_eq!(found.stopped_s, 1800.0);
        assert_eq!(found.gaps_s, 500.0);
        assert_eq!(found.ground_s, [3550.0 - 1800.0 - 500.0, 0.0]);
    }

    #[test]
    fn a_move_between_blocks_is_nobodys_work() {
        let (way, how) = way(&[
            (150.0, 0.0, 0),
            (170.0, 0.0, 50),
            (190.0, 0.0, 60),
            (215.0, 0.0, 70), // middle 202: away, and what led there is lost
            (195.0, 0.0, 80), // away
            (170.0, 0.0, 90),
        ]);
        let found = dwell(&way, &how, 900.0, 2, &mut spot, &flat);
        assert_eq!(found.ground_s, [0.0, 0.0]);
        assert_eq!(found.elsewhere_s, 90.0);
    }
}
