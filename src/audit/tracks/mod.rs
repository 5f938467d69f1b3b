//! From the tracks of a felling machine to the ground it may have cut: the machine's cutting width, swept along every
//! stretch that was really recorded.
//!
//! Nothing is assumed cut across a gap. A fix that nothing could have driven to is dropped. Both are listed, so that
//! a verdict can say what it rests on.

mod beside_plan;
pub mod deepest;
mod driven;
pub mod dwell;
mod order;
pub mod smooth;
mod sweeping;

use chrono::{DateTime, Utc};
use geo::{Coord, LineString, MultiPolygon, Polygon};

pub use beside_plan::{ON_LINE_M, Planned};

pub use crate::model::{Fix, Track};
use driven::Driven;

/// The swept area is nowhere farther than this from the true one for its arcs, and as much again for the fixes that
/// were left out of straight runs. Both are inwards or outwards by less than a receiver can tell.
pub const ARC_ERROR_M: f64 = 0.005;
pub const STRAIGHTEN_M: f64 = 0.005;

/// How tracks are read.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sweep {
    /// Full width that the machine cuts, half to each side of the fix.
    pub width_m: f64,
    /// No cutting is assumed between fixes farther apart than this.
    pub max_gap_m: f64,
    /// Nor between fixes longer apart than this.
    pub max_gap_s: f64,
    /// What the machine cannot drive faster than.
    pub max_speed_m_s: f64,
    /// What fixes may be off by: a jump no longer than this is never an outlier, whatever its speed.
    pub noise_m: f64,
}

impl Sweep {
    /// A tracked felling machine that walks at up to 3 m/s, with a receiver that writes at least every two minutes.
    pub fn of_width(width_m: f64) -> Sweep {
        Sweep {
            width_m,
            max_gap_m: 30.0,
            max_gap_s: 120.0,
            max_speed_m_s: 3.0,
            noise_m: 5.0,
        }
    }
}

/// A stretch driven without a gap.
#[derive(Clone, Debug, PartialEq)]
pub struct Leg {
    pub track: String,
    /// Every fix of it, in the order driven; a single fix stands twice.
    pub shape: LineString,
    /// One for each position of `shape`.
    pub times: Vec<Option<DateTime<Utc>>>,
    /// Earliest and latest time known.
    pub from: Option<DateTime<Utc>>,
    pub to: Option<DateTime<Utc>>,
    /// Where `shape` is not as recorded.
    pub smoothing: Option<Smoothing>,
}

/// What was made of fixes that are each off by themselves.
#[derive(Clone, Debug, PartialEq)]
pub struct Smoothing {
    /// One for each position.
    pub recorded: Vec<Coord>,
    /// In metres.
    pub way: smooth::Smoothed,
}

impl Smoothing {
    /// From one fix to another, both with it.
    pub fn part(&self, from: usize, to: usize) -> Smoothing {
        Smoothing {
            recorded: self.recorded[from..=to].to_vec(),
            way: self.way.part(from, to),
        }
    }
}

/// Why two fixes are not joined.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum GapReason {
    /// Farther apart than `max_gap_m`.
    Distance,
    /// Longer apart than `max_gap_s`.
    Time,
    /// The machine cannot have driven there, but the track goes on from there.
    Jump,
}

/// Two fixes between which nothing is assumed cut.
#[derive(Clone, Debug, PartialEq)]
pub struct Gap {
    pub track: String,
    pub from: Fix,
    pub to: Fix,
    pub distance_m: f64,
    pub seconds: Option<f64>,
    pub reason: GapReason,
}

/// A fix that was dropped: the machine cannot have been there, going by the fixes before and after.
#[derive(Clone, Debug, PartialEq)]
pub struct Outlier {
    pub track: String,
    pub fix: Fix,
    /// From the last fix that was kept.
    pub distance_m: f64,
    /// None without times, or where none passed.
    pub speed_m_s: Option<f64>,
}

/// What was read, and what was made of it.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Tally {
    pub fixes: usize,
    /// Without a position.
    pub no_place: usize,
    /// Same place and time as the one before.
    pub repeated: usize,
    /// Tracks whose fixes were brought into the order of their times.
    pub tracks_sorted: usize,
    /// Times before that of an earlier fix, in tracks where not every fix has one: the fix is kept, its time is not.
    pub times_dropped: usize,
    /// Fixes in use without a time.
    pub without_time: usize,
}

/// Where the machine was, and what is not known of it.
#[derive(Clone, Debug, PartialEq)]
pub struct Way {
    pub legs: Vec<Leg>,
    pub gaps: Vec<Gap>,
    pub outliers: Vec<Outlier>,
    pub tally: Tally,
}

/// The ground that may have been cut.
#[derive(Clone, Debug, PartialEq)]
pub struct Swept {
    /// Beside the ways driven.
    pub area: MultiPolygon,
    /// Beyond their ends.
    pub ends: Vec<End>,
    pub way: Way,
}

/// Ground that the machine reaches from the end of a stretch driven: whether it went on cutting there nobody recorded.
#[derive(Clone, Debug, PartialEq)]
pub struct End {
    pub at: Coord,
    /// Half a disc ahead; a whole one around a place that nothing leads to or from.
    pub shape: Polygon,
}

#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum SweepError {
    #[error("the {what} of a track is {value}; it must be a number above 0")]
    NotPositive { what: &'static str, value: f64 },
}

/// The area swept by `tracks`, each track on its own: nothing is cut between the end of one and the start of the next.
///
/// The area and the ends together are the ground within half the width of each leg, to [`ARC_ERROR_M`] + [`STRAIGHTEN_M`].
///
/// # Errors
/// When a width or limit is not above 0.
pub fn sweep(tracks: &[Track], how: &Sweep) -> Result<Swept, SweepError> {
    let way = follow(tracks, how)?;
    let lines = || way.legs.iter().map(|leg| &leg.shape);
    Ok(Swept {
        area: swept_area(lines(), how.width_m),
        ends: ends(lines(), how.width_m),
        way,
    })
}

/// The ground within half of `width_m` beside lines, as [`sweep`] has it.
pub fn swept_area<'a>(lines: impl Iterator<Item = &'a LineString>, width_m: f64) -> MultiPolygon {
    sweeping::swept(lines, width_m / 2.0)
}

/// The ground within half of `width_m` beyond the ends of lines, as [`sweep`] has it.
pub fn ends<'a>(lines: impl Iterator<Item = &'a LineString>, width_m: f64) -> Vec<End> {
    let found = sweeping::beyond_ends(lines, width_m / 2.0).into_iter();
    found.map(|(at, shape)| End { at, shape }).collect()
}

/// What can have been driven of `tracks`, without the area.
///
/// # Errors
/// When a width or limit is not above 0.
pub fn follow(tracks: &[Track], how: &Sweep) -> Result<Way, SweepError> {
    follow_by(tracks, how, &distance)
}

/// As [`follow`], for places of a plane that is not true: `metres` tells how far apart two of them are.
///
/// # Errors
/// As [`follow`].
pub fn follow_by(
    tracks: &[Track],
    how: &Sweep,
    metres: &dyn Fn(Coord, Coord) -> f64,
) -> Result<Way, SweepError> {
    for (what, value) in [
        ("cutting width", how.width_m),
        ("largest gap in metres", how.max_gap_m),
        ("largest gap in seconds", how.max_gap_s),
        ("largest speed", how.max_speed_m_s),
        ("noise", how.noise_m),
    ] {
        if value.is_nan() || value <= 0.0 || (what == "cutting width" && value.is_infinite()) {
            return Err(SweepError::NotPositive { what, value });
        }
    }
    let mut tally = Tally::default();
    let (mut legs, mut gaps, mut outliers) = (vec![], vec![], vec![]);
    for track in tracks {
        let fixes = order::in_order(&track.fixes, &mut tally);
        let driven = Driven::of(&track.id, &fixes, how, metres);
        gaps.extend(driven.gaps);
        outliers.extend(driven.outliers);
        legs.extend(driven.legs.into_iter().map(|leg| as_leg(&track.id, leg)));
    }
    tally.without_time = (legs.iter())
        .map(|leg| {
            let times = leg.times.iter().filter(|time| time.is_none()).count();
            // A single fix stands twice.
            times.min(leg.shape.0.len() - usize::from(is_single(leg)))
        })
        .sum();
    Ok(Way {
        legs,
        gaps,
        outliers,
        tally,
    })
}

fn is_single(leg: &Leg) -> bool {
    leg.shape.0.len() == 2 && leg.shape.0[0] == leg.shape.0[1] && leg.times[0] == leg.times[1]
}

fn as_leg(track: &str, mut fixes: Vec<Fix>) -> Leg {
    if let [only] = fixes[..] {
        fixes.push(only);
    }
    let times: Vec<Option<DateTime<Utc>>> = fixes.iter().map(|fix| fix.time).collect();
    Leg {
        track: track.to_owned(),
        shape: LineString(fixes.iter().map(|fix| fix.at).collect()),
        from: times.iter().flatten().min().copied(),
        to: times.iter().flatten().max().copied(),
        times,
        smoothing: None,
    }
}

/// Fixes without times are taken to be so many seconds apart.
const UNTIMED_S: f64 = 10.0;

/// Seconds of each fix since the first.
fn clock(leg: &Leg) -> Vec<f64> {
    let first = leg.times.first().copied().flatten();
    let timed = leg.times.iter().all(Option::is_some);
    let own = |(k, time): (usize, &Option<DateTime<Utc>>)| match (timed, first, time) {
        (true, Some(first), Some(time)) => (*time - first).as_seconds_f64(),
        _ => UNTIMED_S * k as f64,
    };
    leg.times.iter().enumerate().map(own).collect()
}

impl Way {
    /// Smooths each leg of fixes that are each off by `error_m` along any direction, a standard error. `metres` as in
    /// [`follow_by`]; where `is_planned` says that two fixes on end lie on a line of the plan, they stay where they are. Says how
    /// restless the machines were, the least and the most, m²/s³; None: nothing was smoothed.
    pub fn smooth(
        &mut self,
        error_m: f64,
        metres: &dyn Fn(Coord, Coord) -> f64,
        is_planned: &dyn Fn(Coord) -> bool,
    ) -> Option<(f64, f64)> {
        let mut all: Option<(f64, f64)> = None;
        let legs = std::mem::take(&mut self.legs);
        let mut legs: Vec<Leg> = legs;
        for own in legs.chunk_by_mut(|a, b| a.track == b.track) {
            let ways: Vec<(Vec<Coord>, Vec<f64>)> = (own.iter())
                .map(|leg| (in_metres(leg, metres).0, clock(leg)))
                .collect();
            let restless = smooth::restlessness(&ways, error_m);
            let (least, most) = all.unwrap_or((restless, restless));
            all = Some((least.min(restless), most.max(restless)));
            for (leg, (_, clock)) in own.iter_mut().zip(&ways) {
                smooth_leg(leg, clock, (error_m, restless), metres, is_planned);
            }
        }
        self.legs = legs;
        all
    }

    /// The legs from fix to fix: each stretch with the times at its own two ends.
    pub fn stretches(&self) -> impl Iterator<Item = Leg> + '_ {
        self.legs.iter().flat_map(|leg| {
            let ends = leg.shape.0.windows(2).zip(leg.times.windows(2));
            ends.map(|(ends, times)| Leg {
                track: leg.track.clone(),
                shape: LineString(ends.to_vec()),
                times: times.to_vec(),
                from: times[0],
                to: times[1],
                smoothing: None,
            })
        })
    }

    /// What a reader of the verdict must know of the tracks, a sentence each; nothing where nothing was done to them.
    pub fn remarks(&self) -> Vec<String> {
        let count = |reason| self.gaps.iter().filter(|gap| gap.reason == reason).count();
        let tally = &self.tally;
        let lines = [
            (
                count(GapReason::Distance),
                "gaps in distance, across which no cutting is assumed",
            ),
            (
                count(GapReason::Time),
                "gaps in time, across which no cutting is assumed",
            ),
            (
                count(GapReason::Jump),
                "jumps that the machine cannot have driven, across which no cutting is assumed",
            ),
            (self.outliers.len(), "fixes dropped as outliers"),
            (tally.no_place, "fixes dropped for want of a position"),
            (tally.repeated, "fixes dropped that repeat the one before"),
            (
                tally.tracks_sorted,
                "tracks brought into the order of their times",
            ),
            (tally.times_dropped, "times dropped that go backwards"),
            (tally.without_time, "fixes without a time"),
        ];
        (lines.into_iter())
            .filter(|(count, _)| *count > 0)
            .map(|(count, what)| format!("{what}: {count}"))
            .collect()
    }
}

/// Fixes from the first of the leg on, in metres, and how many units of the plane a metre is there.
fn in_metres(leg: &Leg, metres: &dyn Fn(Coord, Coord) -> f64) -> (Vec<Coord>, f64) {
    let fixes = &leg.shape.0;
    let first = fixes.first().copied().unwrap_or_default();
    let off = |at: Coord| (at.x - first.x).hypot(at.y - first.y);
    let far = (fixes.iter().copied()).max_by(|a, b| off(*a).total_cmp(&off(*b)));
    let far = far.filter(|far| off(*far) > 0.0);
    let unit = far.map_or(1.0, |far| off(far) / metres(first, far));
    let own = |&at: &Coord| (at - first) / unit;
    (fixes.iter().map(own).collect(), unit)
}

fn smooth_leg(
    leg: &mut Leg,
    clock: &[f64],
    (error_m, restless): (f64, f64),
    metres: &dyn Fn(Coord, Coord) -> f64,
    is_planned: &dyn Fn(Coord) -> bool,
) {
    let (places, unit) = in_metres(leg, metres);
    let recorded = leg.shape.0.clone();
    let Some(&first) = recorded.first() else {
        return;
    };
    let mut way = smooth::smoothed(&places, clock, error_m, restless);
    let planned: Vec<bool> = recorded.iter().map(|&at| is_planned(at)).collect();
    for (k, &place) in places.iter().enumerate() {
        let beside = [k.checked_sub(1), Some(k + 1)].into_iter().flatten();
        let mut beside = beside.filter_map(|other| planned.get(other));
        if planned[k] && beside.any(|&other| other) {
            way.pin(k, place);
        }
    }
    leg.shape = way.places.iter().map(|&at| first + at * unit).collect();
    leg.smoothing = Some(Smoothing { recorded, way });
}

fn distance(a: Coord, b: Coord) -> f64 {
    (a.x - b.x).hypot(a.y - b.y)
}

/// Seconds from one fix to the next, where both have a time.
fn seconds(a: &Fix, b: &Fix) -> Option<f64> {
    Some((b.time? - a.time?).as_seconds_f64())
}
