//! Which part of a track belongs to which block, and the daylight there.

use std::collections::BTreeSet;

use chrono::{DateTime, Datelike, Duration, NaiveDate, Utc};
use geo::{Coord, MultiPolygon};
use rayon::prelude::*;

use super::audit_cut::{Assigned, NEAR_M};
use crate::audit::ground::Ground;
use crate::audit::tracks::{End, Leg, ON_LINE_M, Planned, Sweep, Way, ends, swept_area};
use crate::audit::{BlockCut, CutInput, DrivenLine, Neighbours};
use crate::daylight::{Edge, Place, Span, spans};
use crate::geometry::area::Bounds;
use crate::geometry::distance::{SegmentIndex, line_segments};
use crate::model::GroundFrame;
use crate::sources::crs::WorkCrs;

/// No track says more of the days than this; a clock that was set wrong may.
const MOST_DAYS: usize = 4000;

/// A stretch in its place.
enum Home {
    Block(usize),
    /// Away from every block.
    None,
}

/// Shapes of blocks in their frames, made when they are first asked for.
struct Shapes<'n> {
    neighbours: &'n Neighbours,
    made: Vec<Option<Ground>>,
}

impl Shapes<'_> {
    fn of(&mut self, block: usize) -> &Ground {
        self.made[block].get_or_insert_with(|| {
            let shape = self.neighbours.shape(block);
            Ground::new(self.neighbours.frame(block).enter_polygons(shape).0)
        })
    }

    /// The block that holds a place, or else the nearest within [`NEAR_M`].
    fn home(&mut self, at: Coord) -> Home {
        let mut nearest: Option<(f64, usize)> = None;
        for block in self.neighbours.near(&Bounds::of([&at]), NEAR_M) {
            let local = self.neighbours.frame(block).enter(at);
            let ground = self.of(block);
            if ground.holds(local) {
                return Home::Block(block);
            }
            let within_m = nearest.map_or(NEAR_M, |(m, _)| m);
            if let Some(distance_m) = ground.edges().distance(local, within_m) {
                nearest = Some((distance_m, block));
            }
        }
        nearest.map_or(Home::None, |(_, block)| Home::Block(block))
    }
}

/// Shares legs out to the blocks by where the middle of each stretch between two fixes lies, and sweeps them there. Of
/// what is swept beyond the block, what lies in another block is that block's cut; the rest stays this one's. Ends go to the
/// block that they lie in.
/// With a plan beside, what is cut to the sides is what the plan cuts there: see [`Planned`]; its tolerance is what a fix
/// may be off by.
pub fn assign(
    way: &Way,
    how: &Sweep,
    plan: Option<(&[BlockCut], f64)>,
    blocks: usize,
    neighbours: &Neighbours,
) -> Assigned {
    let mut assigned = Assigned::empty(CutInput::Tracks, blocks);
    let mut shapes = Shapes {
        neighbours,
        made: (0..blocks).map(|_| None).collect(),
    };
    for leg in &way.legs {
        let mut open: Option<(usize, Leg)> = None;
        let part = |from, to| leg.smoothing.as_ref().map(|own| own.part(from, to));
        let mut begun_at = 0;
        let steps = leg.shape.0.windows(2).zip(leg.times.windows(2));
        for (step, (ends, times)) in steps.enumerate() {
            let middle = (ends[0] + ends[1]) / 2.0;
            let home = match shapes.home(middle) {
                Home::Block(block) => block,
                Home::None => {
                    close(&mut assigned, open.take());
                    let long_m = neighbours.metres(ends[0], ends[1]);
                    let (metres, _) = assigned.astray.get_or_insert((0.0, ends[0]));
                    *metres += long_m;
                    continue;
                }
            };
            match &mut open {
                Some((block, running)) if *block == home => {
                    running.shape.0.push(ends[1]);
                    running.times.push(times[1]);
                    running.smoothing = part(begun_at, step + 1);
                }
                _ => {
                    close(&mut assigned, open.take());
                    let begun = Leg {
                        track: leg.track.clone(),
                        shape: geo::LineString(ends.to_vec()),
                        times: times.to_vec(),
                        from: None,
                        to: None,
                        smoothing: part(step, step + 1),
                    };
                    begun_at = step;
                    open = Some((home, begun));
                }
            }
        }
        close(&mut assigned, open.take());
    }
    assign_ends(&mut assigned, way, how, &mut shapes);
    for gap in way.gaps.iter().filter(|gap| gap.distance_m > how.noise_m) {
        let homes: BTreeSet<usize> = [gap.from.at, gap.to.at]
            .into_iter()
            .filter_map(|at| match shapes.home(at) {
                Home::Block(block) => Some(block),
                Home::None => None,
            })
            .collect();
        for block in homes {
            assigned.cuts[block].untracked.gaps.push(gap.clone());
        }
    }
    for outlier in &way.outliers {
        if let Home::Block(block) = shapes.home(outlier.fix.at) {
            assigned.cuts[block].untracked.outliers += 1;
        }
    }
    let areas: Vec<MultiPolygon> = assigned
        .cuts
        .par_iter()
        .enumerate()
        .map(|(block, cut)| {
            if cut.legs.is_empty() {
                return MultiPolygon(vec![]);
            }
            let frame = neighbours.frame(block);
            let lines: Vec<geo::LineString> = cut
                .legs
                .iter()
                .map(|leg| frame.enter_line(&leg.shape))
                .collect();
            let planned = plan.and_then(|plan| planned_near(plan, &lines, how, neighbours, frame));
            let area = match planned {
                Some(planned) => planned.swept(lines.iter(), how.width_m / 2.0),
                None => swept_area(lines.iter(), how.width_m),
            };
            frame.polygons_to_plane(&area)
        })
        .collect();
    for (block, area) in areas.into_iter().enumerate() {
        assigned.by_place(area.0, neighbours, Some(block));
    }
    assigned
}

/// Lines of a plan, to see which fixes lie on them.
pub struct PlannedLines {
    lines: SegmentIndex,
    /// What lies on a line, in units of the plane.
    within: f64,
}

impl PlannedLines {
    pub fn new(plan: &[BlockCut], metres: &dyn Fn(Coord, Coord) -> f64) -> PlannedLines {
        let lines: Vec<geo::LineString> = plan
            .iter()
            .flat_map(|cut| cut.lines.iter().map(|line| line.shape.clone()))
            .collect();
        let long = lines.iter().find_map(|line| {
            let (a, b) = (*line.0.first()?, *line.0.last()?);
            let plane = (b.x - a.x).hypot(b.y - a.y);
            (plane > 0.0).then(|| plane / metres(a, b))
        });
        PlannedLines {
            lines: SegmentIndex::new(line_segments(&lines, 0).collect()),
            within: ON_LINE_M * long.unwrap_or(1.0),
        }
    }

    pub fn hold(&self, at: Coord) -> bool {
        self.lines.distance(at, self.within).is_some()
    }
}

/// What is planned in the blocks that ground swept along `lines` may touch, in the frame of the lines.
fn planned_near(
    (plan, tolerance_m): (&[BlockCut], f64),
    lines: &[geo::LineString],
    how: &Sweep,
    neighbours: &Neighbours,
    frame: &GroundFrame,
) -> Option<Planned> {
    let bounds = Bounds::of(lines.iter().flat_map(|line| &line.0));
    let around = bounds.grown(NEAR_M + how.width_m).to_polygon();
    let around = frame.polygons_to_plane(&MultiPolygon(vec![around]));
    let near = neighbours.near(&Bounds::of_polygons(&around), 0.0);
    let near = || near.iter().map(|&block| &plan[block]);
    let lines: Vec<geo::LineString> = near()
        .flat_map(|cut| &cut.lines)
        .map(|line| frame.enter_line(&line.shape))
        .collect();
    let ground = near()
        .flat_map(|cut| &cut.pieces)
        .map(|piece| frame.enter_polygon(&piece.shape));
    Planned::new(&lines, ground.collect(), tolerance_m)
}

/// The ground beyond the ends of legs, to the blocks that the ends lie in or beside.
fn assign_ends(assigned: &mut Assigned, way: &Way, how: &Sweep, shapes: &mut Shapes<'_>) {
    for leg in &way.legs {
        let places = leg.shape.0.first().into_iter().chain(leg.shape.0.last());
        let homes: BTreeSet<usize> = places
            .filter_map(|&at| match shapes.home(at) {
                Home::Block(block) => Some(block),
                Home::None => None,
            })
            .collect();
        for block in homes {
            let frame = shapes.neighbours.frame(block);
            let line = frame.enter_line(&leg.shape);
            for end in ends(std::iter::once(&line), how.width_m) {
                let at = frame.to_plane(end.at);
                if matches!(shapes.home(at), Home::Block(home) if home == block) {
                    let shape = frame.polygons_to_plane(&MultiPolygon(vec![end.shape]));
                    let shape = shape.0.into_iter().next();
                    let ends = &mut assigned.cuts[block].untracked.ends;
                    ends.extend(shape.map(|shape| End { at, shape }));
                }
            }
        }
    }
}

fn close(assigned: &mut Assigned, leg: Option<(usize, Leg)>) {
    let Some((block, mut leg)) = leg else { return };
    leg.from = leg.times.iter().flatten().min().copied();
    leg.to = leg.times.iter().flatten().max().copied();
    let cut = &mut assigned.cuts[block];
    cut.lines.push(DrivenLine {
        interior: false,
        shape: leg.shape.clone(),
        part: 0,
    });
    cut.legs.push(leg);
}

/// Adds to every block with tracks the daylight on their days.
pub fn light(assigned: &mut Assigned, neighbours: &Neighbours, work: &WorkCrs, margin: Duration) {
    for (block, cut) in assigned.cuts.iter_mut().enumerate() {
        if cut.legs.is_empty() {
            continue;
        }
        let middle = Bounds::of_polygons(neighbours.shape(block)).middle();
        // The sun goes a degree of longitude in four minutes.
        let at = work.degrees(middle);
        cut.ahead = at.map(|at| Duration::seconds((at.x * 240.0).round() as i64));
        cut.light = at.and_then(|at| {
            let place = Place {
                latitude_deg: at.y,
                longitude_deg: at.x,
            };
            light_of(place, &cut.legs, margin)
        });
    }
}

/// Work light on the UTC dates of legs; None where it cannot be computed.
fn light_of(place: Place, legs: &[Leg], margin: Duration) -> Option<Vec<Span>> {
    let mut dates: BTreeSet<NaiveDate> = BTreeSet::new();
    let mut add = |time: DateTime<Utc>| {
        dates.insert(time.date_naive());
    };
    for leg in legs {
        leg.times.iter().flatten().for_each(|&time| add(time));
        // Between two fixes may lie whole days, when gaps in time are allowed to.
        for w in leg.times.windows(2) {
            let (Some(from), Some(to)) = (w[0], w[1]) else {
                continue;
            };
            let days = (to - from).num_days();
            (1..=days.clamp(0, MOST_DAYS as i64)).for_each(|day| add(from + Duration::days(day)));
        }
    }
    if dates.is_empty() || dates.len() > MOST_DAYS {
        return None;
    }
    let dates: Vec<NaiveDate> = dates.into_iter().collect();
    let mut found = Vec::new();
    for run in dates.chunk_by(|a, b| b.num_days_from_ce() - a.num_days_from_ce() == 1) {
        let lit = spans(
            place,
            chrono_tz::Tz::UTC,
            run[0],
            run.len() as u32,
            margin,
            Edge::Sun,
        );
        found.extend(lit.ok()?);
    }
    Some(found)
}

#[cfg(test)]
mod tests {
    use super::*;
    use chrono::TimeZone;

    #[test]
    fn light_is_that_of_the_days_driven_and_of_no_other() {
        let at = |month, day, hour| Utc.with_ymd_and_hms(2031, month, day, hour, 0, 0).unwrap();
        let times = [at(1, 12, 20), at(1, 13, 4), at(3, 1, 12)];
        let leg = Leg {
            track: "1".to_owned(),
            shape: geo::LineString::from(vec![(0., 0.), (1., 0.), (2., 0.)]),
            times: times.map(Some).to_vec(),
            from: None,
            to: None,
            smoothing: None,
        };
        let place = Place {
            latitude_deg: 54.0,
            longitude_deg: -124.0,
        };
        let single = |time| Leg {
            times: vec![Some(time), Some(time)],
            shape: geo::LineString::from(vec![(0., 0.), (0., 0.)]),
            ..leg.clone()
        };
        let legs = [single(times[0]), single(times[1]), single(times[2])];
        let found = light_of(place, &legs, Duration::minutes(30)).unwrap();
        assert!(found.windows(2).all(|w| w[0].to <= w[1].from));
        // 20 h UTC is noon there, 4 h is night, 12 h is before dawn.
        let lit = |time| found.iter().any(|span| span.contains(time));
        assert_eq!(times.map(lit), [true, false, false]);
        assert!(
            found
                .iter()
                .all(|span| span.from < at(1, 14, 1) || span.from >= at(3, 1, 0))
        );
        // Without times no light is asked for.
        let untimed = Leg {
            times: vec![None; 3],
            ..leg
        };
        assert_eq!(light_of(place, &[untimed], Duration::zero()), None);
    }
}
