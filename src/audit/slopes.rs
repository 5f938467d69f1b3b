//! How steep the ground under the machine was, by the way it headed.

use geo::{Coord, Simplify};

use super::cut::CutInput;
use super::row::{Judged, Named, row, shown};
use super::scene::Scene;
use crate::geometry::buffer::Source;
use crate::geometry::distance::SegmentIndex;
use crate::landbase::Grade;
use crate::model::{GroundState, LimitOf, RuleId, SlopeHeading, SlopeLimit, Verdict};
use crate::units::Percent;

/// Shorter stretches on a cell are the rounding of the line's end.
const SHORTEST_M: f64 = 0.01;
/// Steep stretches are asked this often whether they lie on a road.
const ROAD_STEP_M: f64 = 1.0;
/// A line on a road's edge is on the road.
const ON_ROAD_M: f64 = 0.01;
/// Slopes are read to so much.
const ROUNDING: f64 = 1e-9;

/// A stretch of one slope, off roads.
struct Stretch {
    grade: Grade,
    /// By so much the machine's heading may have been another, in radians.
    doubt: f64,
}

impl Stretch {
    fn length_m(&self) -> f64 {
        let d = self.grade.b - self.grade.a;
        d.x.hypot(d.y)
    }

    fn middle(&self) -> Coord {
        (self.grade.a + self.grade.b) / 2.0
    }

    fn heading(&self) -> Coord {
        (self.grade.b - self.grade.a) / self.length_m()
    }
}

/// What goes beyond one limit.
#[derive(Default)]
struct Beyond {
    over_m: f64,
    /// Whatever the fixes may be off.
    surely_m: f64,
    unknown_m: f64,
    steepest: Option<(f64, Coord)>,
    /// Where nobody knows it.
    unknown_at: Option<Coord>,
}

/// Of the slope at its steepest, what a machine feels that heads so; `turned`: the angle from its heading to straight up the slope,
/// 0 to π, `doubt`: by how much that may be less or more.
fn least_felt(heading: SlopeHeading, steepest: f64, turned: f64, doubt: f64) -> f64 {
    let from_straight = turned.min(std::f64::consts::PI - turned);
    let along = |angle: f64| steepest * (angle + doubt).min(std::f64::consts::PI).cos();
    match heading {
        SlopeHeading::Any => steepest,
        SlopeHeading::Across => steepest * (from_straight - doubt).max(0.0).sin(),
        SlopeHeading::Up => along(turned).max(0.0),
        SlopeHeading::Down => along(std::f64::consts::PI - turned).max(0.0),
    }
}

impl Scene<'_> {
    /// Rows by the largest slope of the machine and by each limit that holds in any state of the ground; none where nobody knows
    /// where the machine drove.
    pub(super) fn slope_limits(&self) -> Vec<Judged> {
        if !self.given.input.knows_the_way() || self.lines.is_empty() {
            return vec![];
        }
        let settings = self.context.settings;
        let own = self.stretches(false);
        let any = SlopeLimit {
            machine: LimitOf::Feller,
            heading: SlopeHeading::Any,
            state: GroundState::Any,
            most: settings.machine.max_slope,
            source: settings.machine.max_slope_source().to_owned(),
        };
        let mut rows = vec![self.slope_row(RuleId::MaxSlope.named(), &any, &own)];
        let limits = settings.slopes.in_any_state(LimitOf::Feller);
        if limits.is_empty() {
            return rows;
        }
        let all = self.stretches(true);
        for limit in limits {
            let way = limit.heading.on_ground();
            let named = RuleId::SlopeFeller.named().of(limit.heading.key());
            let named = named.about(&format!("{way} steeper than the feller may go"));
            rows.push(self.slope_row(named, &limit, &all));
        }
        rows
    }

    /// What was driven off roads; `with_ways`: and the ways on which nothing is cut, as a plan says.
    fn stretches(&self, with_ways: bool) -> Vec<Stretch> {
        let off_m = self.may_be_off_m();
        let roads = self.built_roads();
        let mut found = Vec::new();
        let ways = self.travel.iter().filter(|_| with_ways);
        for line in self.lines.iter().chain(ways) {
            // Steps from fix to fix head anywhere; what is straight but for the error of the fixes is one way.
            let straight;
            let line = match off_m > 0.0 {
                true => {
                    straight = line.simplify(off_m);
                    &straight
                }
                false => line,
            };
            for w in line.0.windows(2) {
                let d = w[1] - w[0];
                let length_m = d.x.hypot(d.y);
                let doubt = match length_m > 2.0 * off_m {
                    true => (2.0 * off_m / length_m).asin(),
                    false => std::f64::consts::FRAC_PI_2,
                };
                let grades = self.slopes.grades(w[0], w[1]).into_iter();
                let stretches = grades.map(|grade| Stretch { grade, doubt });
                let stretches = stretches.filter(|own| own.length_m() >= SHORTEST_M);
                found.extend(stretches.filter(|own| !on_road(&roads, &own.grade)));
            }
        }
        found
    }

    /// What the machine's place may be off: a plan's is where it is.
    fn may_be_off_m(&self) -> f64 {
        match self.given.input {
            CutInput::Tracks => self.context.limit_m(),
            CutInput::Plan | CutInput::Polygons => 0.0,
        }
    }

    /// Roads are built: the slope of the land says nothing of theirs.
    fn built_roads(&self) -> Vec<(SegmentIndex, f64, &Source)> {
        let open = self.near.iter().filter(|near| near.is_open_road());
        open.map(|near| {
            let index = SegmentIndex::new(near.source.segments(0));
            (index, near.demand.half_m + ON_ROAD_M, &near.source)
        })
        .collect()
    }

    fn slope_row(&self, named: Named, limit: &SlopeLimit, driven: &[Stretch]) -> Judged {
        let level = self.context.settings.layout.level_ground.as_deref();
        let found = self.beyond(limit, driven);
        let unknown = found.unknown_m >= SHORTEST_M && level.is_none();
        let (over_m, surely_m) = (found.over_m, found.surely_m);
        let verdict = if surely_m >= SHORTEST_M {
            let metres = format!("{surely_m:.0} m beyond {}", Percent(limit.most));
            (Verdict::Fail, metres)
        } else if unknown {
            let why = format!("nobody knows how steep {:.0} m are", found.unknown_m);
            (Verdict::Unknown, format!("cannot be told: {why}"))
        } else if over_m >= SHORTEST_M {
            let metres = format!(
                "{over_m:.0} m beyond {}, but the fixes may be off by so much that it was not",
                Percent(limit.most)
            );
            (Verdict::Warn, metres)
        } else {
            (Verdict::Pass, String::new())
        };
        let mut source = limit.source.clone();
        if let (Some(level), SlopeHeading::Any) = (level, limit.heading) {
            source += &format!("; ground without a slope is level by the project's word: {level}");
        }
        let status = verdict.0;
        let measured = found.steepest.map(|(slope, _)| slope);
        let origin = source.as_str().into();
        let mut judged = row(named, Some(limit.most), measured, None, verdict, origin);
        judged.row.short = measured.map(|slope| shown(slope - limit.most));
        let place = match status {
            Verdict::Unknown => found.unknown_at,
            _ => found.steepest.map(|(_, at)| at),
        };
        judged.at(place)
    }

    fn beyond(&self, limit: &SlopeLimit, driven: &[Stretch]) -> Beyond {
        let mut found = Beyond::default();
        for own in driven {
            let m = own.length_m();
            let Some(slope) = felt(&own.grade, limit) else {
                found.unknown_m += m;
                found.unknown_at = found.unknown_at.or(Some(own.middle()));
                continue;
            };
            if slope > limit.most + ROUNDING {
                found.over_m += m;
                if self.is_surely_over(own, limit) {
                    found.surely_m += m;
                }
            }
            if found.steepest.is_none_or(|(most, _)| slope > most) {
                found.steepest = Some((slope, own.middle()));
            }
        }
        found
    }

    /// Whether a stretch is beyond a limit wherever the machine really was and however it really headed.
    fn is_surely_over(&self, own: &Stretch, limit: &SlopeLimit) -> bool {
        let off_m = self.may_be_off_m();
        if off_m == 0.0 {
            return true;
        }
        let heading = own.heading();
        let over = |at: Coord| {
            let least = match self.slopes.gradient(at) {
                Some(gradient) => {
                    let up = Coord {
                        x: gradient.dz_dx,
                        y: gradient.dz_dy,
                    };
                    let steepest = up.x.hypot(up.y);
                    let along = (up.x * heading.x + up.y * heading.y) / steepest;
                    let turned = along.clamp(-1.0, 1.0).acos();
                    least_felt(limit.heading, steepest, turned, own.doubt)
                }
                // A class says how steep its steepest ground is, not this.
                None => 0.0,
            };
            least > limit.most + ROUNDING
        };
        let around = (0..8).map(|eighth| {
            let angle = f64::from(eighth) * std::f64::consts::FRAC_PI_4;
            own.middle()
                + Coord {
                    x: off_m * angle.cos(),
                    y: off_m * angle.sin(),
                }
        });
        std::iter::once(own.middle()).chain(around).all(over)
    }
}

/// The slope that counts; None where it is not known.
fn felt(grade: &Grade, limit: &SlopeLimit) -> Option<f64> {
    let Some([across, up]) = grade.ways else {
        // In no way steeper than at its steepest.
        let most = grade.steepest?;
        let holds = limit.heading == SlopeHeading::Any || most <= limit.most + ROUNDING;
        return holds.then_some(most);
    };
    Some(match limit.heading {
        SlopeHeading::Any => grade.steepest?,
        SlopeHeading::Across => across,
        SlopeHeading::Up => up.max(0.0),
        SlopeHeading::Down => (-up).max(0.0),
    })
}

fn on_road(roads: &[(SegmentIndex, f64, &Source)], grade: &Grade) -> bool {
    let d = grade.b - grade.a;
    let steps = (d.x.hypot(d.y) / ROAD_STEP_M).ceil().max(1.0) as u32;
    (0..steps).all(|step| {
        let at = grade.a + d * ((f64::from(step) + 0.5) / f64::from(steps));
        roads.iter().any(|(index, half_m, source)| {
            index.distance(at, *half_m).is_some() || source.contains(at)
        })
    })
}
