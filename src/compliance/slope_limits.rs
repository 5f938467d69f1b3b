//! Slopes by machine and heading: every line driven, walked cell by cell the way it is driven.

use geo::{Coord, Geometry, LineString};

use super::slope::on_road;
use super::{Judge, Judged};
use crate::landbase::Grade;
use crate::model::*;
use crate::units::Percent;

/// Shorter stretches on a cell are the rounding of the line's end.
const SHORTEST_M: f64 = 0.01;
/// Slopes are read to so much.
const ROUNDING: f64 = 1e-9;

/// What is driven, for telling them apart.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Driven {
    Pass,
    Strip,
    Travel,
    Trail,
}

/// A stretch with its slopes, off roads.
struct Stretch {
    of: Driven,
    grade: Grade,
}

/// What goes beyond a limit.
#[derive(Default)]
struct Beyond {
    /// Of passes, strips, travel, trails.
    metres: [f64; 4],
    steepest: Option<(f64, LineString)>,
    /// Of ground of which the slope, or its direction, is not known.
    unknown_m: f64,
}

impl Beyond {
    fn over_m(&self) -> f64 {
        self.metres.iter().sum()
    }

    /// `124 m of boundary pass, 36 m of strips`.
    fn told(&self) -> String {
        let names = ["boundary pass", "strips", "travel", "skid trails"];
        let parts = self.metres.iter().zip(names);
        let parts = parts.filter(|(m, _)| **m >= 0.5);
        let parts: Vec<String> = parts
            .map(|(m, name)| format!("{m:.0} m of {name}"))
            .collect();
        parts.join(", ")
    }
}

impl Judge<'_> {
    /// A row for each limit that holds in any state, and a finding for each other one that is passed somewhere.
    pub(super) fn slope_limits(&self) -> (Vec<Judged>, Vec<Finding>) {
        let rules = &self.context.settings.slopes;
        let (mut rows, mut findings) = (Vec::new(), Vec::new());
        if rules.says_nothing() || self.plan.lines.is_empty() {
            return (rows, findings);
        }
        for machine in [LimitOf::Feller, LimitOf::Skidder] {
            let driven = self.driven_by(machine);
            for limit in rules.in_any_state(machine) {
                rows.push(self.slope_row(&limit, &beyond(&driven, &limit)));
            }
            let others = rules.limits.iter().filter(|own| own.machine == machine);
            for limit in others.filter(|own| own.state != GroundState::Any) {
                findings.extend(in_state(limit, &beyond(&driven, limit)));
            }
        }
        (rows, findings)
    }

    fn slope_row(&self, limit: &SlopeLimit, found: &Beyond) -> Judged {
        let (rule, worst) = match limit.machine {
            LimitOf::Feller => (RuleId::SlopeFeller, Verdict::Fail),
            // The wood may leave by another machine.
            LimitOf::Skidder => (RuleId::SlopeSkidder, Verdict::Warn),
        };
        let way = limit.heading.on_ground();
        let level = self.context.settings.layout.level_ground.is_some();
        let over_m = found.over_m();
        let status = match (
            over_m >= SHORTEST_M,
            found.unknown_m >= SHORTEST_M && !level,
        ) {
            (true, _) => worst,
            (false, true) => Verdict::Unknown,
            (false, false) => Verdict::Pass,
        };
        let named = rule.named().of(limit.heading.key());
        let words = format!("{way} steeper than the {} may go", limit.machine.key());
        let mut judged = self.row(
            named.about(&words),
            Some(limit.most),
            found.steepest.as_ref().map(|(slope, _)| *slope),
            status,
            limit.source.as_str(),
        );
        judged.place = (found.steepest.as_ref())
            .filter(|_| over_m >= SHORTEST_M)
            .map(|(_, place)| Geometry::LineString(place.clone()));
        if over_m >= SHORTEST_M {
            judged.why = format!("{} beyond {}", found.told(), Percent(limit.most));
        } else if status == Verdict::Unknown {
            judged.why = format!("nobody knows how steep {:.0} m are", found.unknown_m);
        }
        judged
    }

    /// What a machine drives, off the cleared ground of roads, in the way that it drives it.
    fn driven_by(&self, machine: LimitOf) -> Vec<Stretch> {
        let mut lines: Vec<(Driven, &LineString)> = Vec::new();
        for line in &self.plan.lines {
            let of = match line.kind {
                StripKind::BoundaryPass => Driven::Pass,
                StripKind::RoadClearing | StripKind::Interior => Driven::Strip,
            };
            lines.push((of, &line.shape));
        }
        match machine {
            LimitOf::Feller => lines.extend(self.ways.iter().map(|way| (Driven::Travel, way))),
            LimitOf::Skidder => {
                let trails = self.plan.trails.iter();
                lines.extend(trails.map(|trail| (Driven::Trail, &trail.shape)));
            }
        }
        let roads = self.roads();
        let mut found = Vec::new();
        for (of, line) in lines {
            for w in line.0.windows(2) {
                let grades = self.slopes.grades(w[0], w[1]).into_iter();
                let grades = grades.filter(|own| length_m(own.a, own.b) >= SHORTEST_M);
                let off = grades.filter(|own| !on_road(&roads, own.a, own.b));
                found.extend(off.map(|grade| Stretch { of, grade }));
            }
        }
        found
    }
}

fn length_m(a: Coord, b: Coord) -> f64 {
    (b - a).x.hypot((b - a).y)
}

/// What of a stretch a limit speaks of: the slope that counts; None where it is not known. A skidder drives every way both in
/// and out.
fn counted(grade: &Grade, limit: &SlopeLimit) -> Option<f64> {
    let both_ways = limit.machine == LimitOf::Skidder;
    match (limit.heading, grade.ways) {
        (SlopeHeading::Any, _) => grade.steepest,
        (SlopeHeading::Across, Some([across, _])) => Some(across),
        (SlopeHeading::Up | SlopeHeading::Down, Some([_, along])) if both_ways => Some(along.abs()),
        (SlopeHeading::Up, Some([_, along])) => Some(along.max(0.0)),
        (SlopeHeading::Down, Some([_, along])) => Some((-along).max(0.0)),
        // In no way steeper than it is at its steepest.
        (_, None) => grade.steepest.filter(|most| *most <= limit.most + ROUNDING),
    }
}

fn beyond(driven: &[Stretch], limit: &SlopeLimit) -> Beyond {
    let mut found = Beyond::default();
    for Stretch { of, grade } in driven {
        let m = length_m(grade.a, grade.b);
        let Some(slope) = counted(grade, limit) else {
            found.unknown_m += m;
            continue;
        };
        if slope > limit.most + ROUNDING {
            found.metres[*of as usize] += m;
        }
        let steepest = found.steepest.as_ref().map_or(-1.0, |(most, _)| *most);
        if slope > steepest {
            let place = LineString(vec![grade.a, grade.b]);
            found.steepest = Some((slope, place));
        }
    }
    found
}

/// Where a machine does not work while the ground is in some state.
fn in_state(limit: &SlopeLimit, found: &Beyond) -> Option<Finding> {
    if found.over_m() < 0.5 {
        return None;
    }
    let when = match limit.state {
        GroundState::Any => return None,
        GroundState::Frost => "on frozen ground",
        GroundState::Snow => "in snow",
        GroundState::Rain => "in rain",
    };
    let way = match limit.heading {
        SlopeHeading::Any => "on slopes",
        SlopeHeading::Across => "across slopes",
        SlopeHeading::Up => "up slopes",
        SlopeHeading::Down => "down slopes",
    };
    let unknown = match found.unknown_m >= 0.5 {
        true => format!("; of {:.0} m nobody knows it", found.unknown_m),
        false => String::new(),
    };
    Some(Finding {
        rule_id: "slope-state".to_owned(),
        verdict: Verdict::NotApplicable,
        measured: Some(found.over_m().round()),
        required: Some(limit.most),
        unit: "m",
        message: format!(
            "{when} the {} does not go {way} over {}: {}{unknown}",
            limit.machine.key(),
            Percent(limit.most),
            found.told()
        ),
        source: limit.source.clone(),
        shape: found
            .steepest
            .as_ref()
            .map(|(_, place)| Geometry::LineString(place.clone())),
    })
}
