//! What a direction of the strips costs: machine and skidding hours of one part, from the chords its strips would have.

use geo::{Coord, MultiPolygon};

use super::hours::ADVANCE_M;
use crate::geometry::area::{area, rings};
use crate::geometry::distance::SegmentIndex;
use crate::geometry::frame::Frame;
use crate::model::{Costs, LimitOf, Production, SlopeHeading, SlopeRules, Wind};

/// Where skidded wood goes: the nearest of these.
pub struct Access {
    roads: SegmentIndex,
    landings: Vec<Coord>,
}

/// Farther than this no road counts; wood that finds none is taken to come this far.
const FARTHEST_M: f64 = 3000.0;

impl Access {
    pub fn new(roads: SegmentIndex, landings: Vec<Coord>) -> Access {
        Access { roads, landings }
    }

    /// Distance to the nearest road, up to `within_m`.
    pub fn road_m(&self, from: Coord, within_m: f64) -> f64 {
        self.roads.distance(from, within_m).unwrap_or(within_m)
    }

    /// Straight to the nearest landing, or to the nearest road where there is no landing, in metres; as far as any road
    /// counts where there is neither.
    pub fn distance_m(&self, from: Coord) -> f64 {
        self.way_m(from).unwrap_or(FARTHEST_M)
    }

    /// As [`Access::distance_m`]; None where there is neither.
    pub fn way_m(&self, from: Coord) -> Option<f64> {
        let landing = self
            .landings
            .iter()
            .map(|l| (l.x - from.x).hypot(l.y - from.y))
            .min_by(f64::total_cmp);
        landing.or_else(|| self.roads.distance(from, FARTHEST_M))
    }
}

/// Slope of the ground at a place, as its gradient (rise over run along x and y), where it is known.
pub type Gradient<'a> = &'a (dyn Fn(Coord) -> Option<(f64, f64)> + Sync);

/// Everything but the direction.
pub struct Model<'a> {
    pub ground: &'a MultiPolygon,
    pub access: &'a Access,
    pub gradient: Option<Gradient<'a>>,
    pub production: &'a Production,
    /// Strip plus corridor, in metres.
    pub pitch_m: f64,
    /// Longer strips are divided, and turned at where they are.
    pub max_strip_m: Option<f64>,
    /// Standing trees per square metre.
    pub stems_per_m2: f64,
    pub tree_m3: f64,
    /// None: edges in the wind weigh nothing.
    pub wind: Option<&'a Wind>,
    /// None: no limit by heading is stated.
    pub headings: Option<Headings>,
}

/// How steep ground the felling machine may cross, and go along on, rise over run; strips go up and down alike.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Headings {
    pub across: f64,
    pub along: f64,
}

impl Headings {
    /// Of limits that hold in any state of the ground; None: there are none.
    pub fn of(rules: &SlopeRules) -> Option<Headings> {
        let limits = rules.in_any_state(LimitOf::Feller);
        let least = |headings: &[SlopeHeading]| {
            let own = limits.iter().filter(|own| headings.contains(&own.heading));
            own.map(|own| own.most).fold(f64::INFINITY, f64::min)
        };
        (!limits.is_empty()).then(|| Headings {
            across: least(&[SlopeHeading::Across]),
            along: least(&[SlopeHeading::Up, SlopeHeading::Down]),
        })
    }
}

/// What a metre of a strip beyond a stated limit weighs, s: more than any other reason for a direction; own judgement.
const BEYOND_S_PER_M: f64 = 60.0;

/// Step along a strip at which the slope across it is looked up.
const SLOPE_STEP_M: f64 = 20.0;

impl Model<'_> {
    /// Costs of strips that run in at `azimuth_deg`.
    pub fn costs(&self, azimuth_deg: f64) -> Costs {
        let frame = Frame::new(azimuth_deg);
        let chords = self.chords(&frame);
        let production = self.production;
        let (mut driven_m, mut turns, mut empty_m, mut skid_s, mut cross_s) =
            (0.0, 0.0, 0.0, 0.0, 0.0);
        let mut beyond_m = 0.0;
        let mut covered_m2 = 0.0;
        let mut last: Option<(f64, f64)> = None;
        let mut going_in = true;
        for Strip {
            x,
            width_m,
            chords: strip,
        } in &chords
        {
            let Some((bottom, top)) = strip.first().zip(strip.last()).map(|(a, b)| (a[0], b[1]))
            else {
                continue;
            };
            // Corridors are made wider or narrower until strips come out even, so a narrow last strip counts in part:
            // in whole, directions a little askew would seem to save it.
            let share = width_m / self.pitch_m;
            // Out of the last strip at one end, into this one at the same end.
            if let Some((end_bottom, end_top)) = last {
                let along_m = if going_in {
                    bottom - end_bottom
                } else {
                    top - end_top
                };
                empty_m += share * self.pitch_m.hypot(along_m);
            }
            turns += share;
            for pair in strip.windows(2) {
                // Round what lies between two pieces of one strip, or past it in a later cell: about its length.
                empty_m += share * (pair[1][0] - pair[0][1]);
                turns += share;
            }
            for [low, high] in strip {
                let length_m = high - low;
                driven_m += share * length_m;
                if let Some(most_m) = self.max_strip_m {
                    turns += share * ((length_m / most_m).ceil() - 1.0).max(0.0);
                }
                let entry = frame.leave(Coord { x: *x, y: *low });
                let way_m = length_m / 2.0 + self.access.distance_m(entry);
                covered_m2 += length_m * width_m;
                let stems = length_m * width_m * self.stems_per_m2;
                let volume_m3 = stems * self.tree_m3;
                skid_s += production.loads(stems, volume_m3) * production.skid_seconds(way_m);
                if let Some(gradient) = self.gradient {
                    // Of ground that is not known there is none across.
                    let (mut across, mut over) = (0.0, 0);
                    for [own, along] in slopes_of_steps(gradient, &frame, *x, [*low, *high]) {
                        across += own;
                        over += u32::from(self.headings.is_some_and(|headings| {
                            own > headings.across || along > headings.along
                        }));
                    }
                    let steps = f64::from(steps_of(length_m));
                    cross_s += production.cross_slope_s(stems, volume_m3, across / steps);
                    if self.headings.is_some() {
                        beyond_m += share * (length_m / steps) * f64::from(over);
                    }
                }
            }
            last = Some((bottom, top));
            going_in = !going_in;
        }
        // A chord stands for its strip only roughly: the wood itself is the same whichever way the strips run.
        let whole = if covered_m2 > 0.0 {
            area(self.ground) / covered_m2
        } else {
            0.0
        };
        Costs {
            driving_h: driven_m / ADVANCE_M * production.time.seconds_per_advance / 3600.0,
            turning_h: turns * production.seconds_per_turn / 3600.0,
            moving_h: empty_m / production.travel_m_per_min / 60.0,
            skidding_h: skid_s * whole / 3600.0,
            cross_slope_h: cross_s * whole / 3600.0,
            wind_h: self.wind_s(azimuth_deg, driven_m) / 3600.0,
            beyond_h: beyond_m * BEYOND_S_PER_M / 3600.0,
        }
    }

    /// Of strips that are `driven_m` long together, as if a corridor stood beside each: its edge counts by how much of it lies
    /// across the wind, beyond the sector that this comes from.
    fn wind_s(&self, azimuth_deg: f64, driven_m: f64) -> f64 {
        let Some(wind) = self.wind else {
            return 0.0;
        };
        let off = (azimuth_deg - wind.from_deg).rem_euclid(180.0);
        // How far the edge's own direction out is off the wind's.
        let off = (90.0 - off.min(180.0 - off) - wind.sector_deg / 2.0).max(0.0);
        wind.seconds_per_m * driven_m * off.to_radians().cos()
    }

    /// The stretches of each strip's middle line that lie on the ground, from left to right, in the turned frame.
    fn chords(&self, frame: &Frame) -> Vec<Strip> {
        let turned: Vec<Vec<Coord>> = self
            .ground
            .0
            .iter()
            .flat_map(rings)
            .map(|ring| ring.0.iter().map(|&c| frame.enter(c)).collect())
            .collect();
        let all = || turned.iter().flatten().map(|c| c.x);
        let (left, right) = (
            all().fold(f64::INFINITY, f64::min),
            all().fold(f64::NEG_INFINITY, f64::max),
        );
        if left >= right {
            return vec![];
        }
        let count = ((right - left) / self.pitch_m).ceil().max(1.0) as usize;
        let width_m = |k: usize| self.pitch_m.min(right - left - k as f64 * self.pitch_m);
        let middle = |k: usize| left + k as f64 * self.pitch_m + width_m(k) / 2.0;
        // Which strip's middle line is crossed, and where.
        let mut crossings: Vec<(u32, f64)> = Vec::with_capacity(4 * count);
        for w in turned.iter().flat_map(|ring| ring.windows(2)) {
            let (a, b) = if w[0].x <= w[1].x {
                (w[0], w[1])
            } else {
                (w[1], w[0])
            };
            let first = (((a.x - left) / self.pitch_m) as usize).saturating_sub(1);
            for k in first..count {
                let x = middle(k);
                if x >= b.x {
                    break;
                }
                if x >= a.x {
                    let y = a.y + (b.y - a.y) * ((x - a.x) / (b.x - a.x));
                    crossings.push((k as u32, y));
                }
            }
        }
        crossings.sort_unstable_by(|a, b| a.0.cmp(&b.0).then(a.1.total_cmp(&b.1)));
        let mut rest = &crossings[..];
        let strips = (0..count).map(|k| {
            let own = rest.partition_point(|&(strip, _)| strip as usize <= k);
            let (here, later) = rest.split_at(own);
            rest = later;
            let chords = here.chunks_exact(2).map(|pair| [pair[0].1, pair[1].1]);
            Strip {
                x: middle(k),
                width_m: width_m(k),
                chords: chords.collect(),
            }
        });
        strips.collect()
    }
}

/// A strip's middle line in the turned frame.
struct Strip {
    x: f64,
    width_m: f64,
    /// From the road side up.
    chords: Vec<[f64; 2]>,
}

/// At how many places of a stretch slopes are looked up.
fn steps_of(length_m: f64) -> u32 {
    (length_m / SLOPE_STEP_M).ceil().max(1.0) as u32
}

/// Slopes across and along at each step of known slope, never negative.
fn slopes_of_steps<'g>(
    gradient: Gradient<'g>,
    frame: &'g Frame,
    x: f64,
    [low, high]: [f64; 2],
) -> impl Iterator<Item = [f64; 2]> + 'g {
    let steps = steps_of(high - low);
    let step_m = (high - low) / f64::from(steps);
    let right = frame.leave(Coord { x: 1.0, y: 0.0 }) - frame.leave(Coord { x: 0.0, y: 0.0 });
    (0..steps).filter_map(move |k| {
        let y = low + (f64::from(k) + 0.5) * step_m;
        let (dx, dy) = gradient(frame.leave(Coord { x, y }))?;
        Some([
            (dx * right.x + dy * right.y).abs(),
            (dy * right.x - dx * right.y).abs(),
        ])
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::overlay::oriented;
    use crate::model::{TimeKind, TimeModel};
    use geo::{LineString, MultiLineString, Polygon};

    /// Elements, so that driving has its own time.
    fn production() -> Production {
        let time = TimeModel {
            kind: TimeKind::Elements,
            seconds_per_advance: 4.0,
            ..TimeModel::default()
        };
        Production {
            time,
            ..Production::default()
        }
    }

    /// Costs of strips 20 m wide, to the north from a road along y = 0, at 500 trees of 0.3 m3 per hectare.
    fn costs(pieces: &[[f64; 4]], gradient: Option<Gradient>, azimuth_deg: f64) -> Costs {
        let piece = |&[x0, y0, x1, y1]: &[f64; 4]| {
            let ring = vec![(x0, y0), (x1, y0), (x1, y1), (x0, y1), (x0, y0)];
            Polygon::new(LineString::from(ring), vec![])
        };
        let road = LineString::from(vec![(-500., 0.), (1000., 0.)]);
        let roads = SegmentIndex::of_lines(&MultiLineString(vec![road]));
        let model = Model {
            ground: &oriented(MultiPolygon(pieces.iter().map(piece).collect())),
            access: &Access::new(roads, vec![]),
            gradient,
            production: &production(),
            pitch_m: 20.0,
            max_strip_m: None,
            stems_per_m2: 0.05,
            tree_m3: 0.3,
            wind: None,
            headings: None,
        };
        model.costs(azimuth_deg)
    }

    fn near(found: f64, wanted: f64) {
        assert!(
            (found - wanted).abs() < 1e-9 * wanted.abs(),
            "{found} {wanted}"
        );
    }

    fn skid_h(m2: f64, way_m: f64) -> f64 {
        let production = production();
        // 3.4 m3 are eleven whole trees of 0.3 m3.
        m2 * 0.05 / 11.0 * production.skid_seconds(way_m) / 3600.0
    }

    fn hours(driven_m: f64, turns: f64, empty_m: f64) -> [f64; 3] {
        let production = production();
        [
            driven_m / ADVANCE_M * production.time.seconds_per_advance / 3600.0,
            turns * production.seconds_per_turn / 3600.0,
            empty_m / production.travel_m_per_min / 60.0,
        ]
    }

    fn machine(costs: &Costs) -> [f64; 3] {
        [costs.driving_h, costs.turning_h, costs.moving_h]
    }

    #[test]
    fn a_rectangle_costs_what_its_strips_add_up_to() {
        // Ten strips and a half one.
        let found = costs(&[[0., 0., 210., 300.]], None, 0.0);
        let wanted = hours(10.5 * 300.0, 10.5, 9.5 * 20.0);
        machine(&found)
            .iter()
            .zip(wanted)
            .for_each(|(&f, w)| near(f, w));
        near(found.skidding_h, skid_h(210.0 * 300.0, 150.0));
        assert_eq!(found.cross_slope_h, 0.0);
    }

    #[test]
    fn between_strips_the_machine_drives_as_far_as_their_ends_lie_apart() {
        // In, and out from an end 60 m farther up, and in from one 30 m farther down.
        let pieces = [
            [0., 0., 20., 100.],
            [20., 0., 40., 160.],
            [40., -30., 60., 160.],
        ];
        let found = costs(&pieces, None, 0.0);
        let empty_m = 20f64.hypot(60.0) + 20f64.hypot(30.0);
        let wanted = hours(100.0 + 160.0 + 190.0, 3.0, empty_m);
        machine(&found)
            .iter()
            .zip(wanted)
            .for_each(|(&f, w)| near(f, w));
    }

    #[test]
    fn a_gap_in_a_strip_is_driven_round_and_turned_at() {
        let pieces = [[0., 0., 20., 100.], [0., 150., 20., 300.]];
        let found = costs(&pieces, None, 0.0);
        let wanted = hours(250.0, 2.0, 50.0);
        machine(&found)
            .iter()
            .zip(wanted)
            .for_each(|(&f, w)| near(f, w));
        near(
            found.skidding_h,
            skid_h(2000.0, 50.0) + skid_h(3000.0, 75.0 + 150.0),
        );
    }

    #[test]
    fn only_the_slope_across_the_strips_costs() {
        let slope = |_: Coord| Some((0.2, 0.1));
        let production = production();
        let trees = 200.0 * 100.0 * 0.05;
        let more_h = |across: f64| {
            // 18 s and 4.7 s a m3 for trees of 0.3 m3.
            trees * (18.0 + 4.7 * 0.3) * production.cross_slope_factor * across / 3600.0
        };
        let north = costs(&[[0., 0., 200., 100.]], Some(&slope), 0.0);
        near(north.cross_slope_h, more_h(0.2));
        let east = costs(&[[0., 0., 200., 100.]], Some(&slope), 90.0);
        near(east.cross_slope_h, more_h(0.1));
    }
}
