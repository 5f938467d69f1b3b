//! Ground that is too steep for the machine, too steep for the night, or of unknown slope.

use geo::{Geometry, MultiPolygon, Polygon};

use super::Context;
use crate::geometry::area::area;
use crate::geometry::overlay::{difference, intersection, union};
use crate::geometry::stairs;
use crate::landbase::Slopes;
use crate::model::{Finding, Machine, RuleId, Unworked, UnworkedReason, Verdict};
use crate::units::{Percent, hectares};

/// Gaps in the terrain below this are dust of the overlay.
const LEAST_GAP_M2: f64 = 1.0;

/// What the slope says of the ground that is left to be worked.
pub struct Steep {
    /// To be worked.
    pub rest: MultiPolygon,
    /// Of the rest, steeper than the night limit.
    pub night: MultiPolygon,
    pub unknown: UnknownSlope,
    pub unworked: Vec<Unworked>,
    pub findings: Vec<Finding>,
}

/// Where nobody says how steep the ground is.
#[derive(Clone, Debug, PartialEq)]
pub enum UnknownSlope {
    /// No layer gives a slope anywhere in the block.
    Everywhere,
    /// Of the ground to be worked.
    On(Vec<Polygon>),
}

/// Takes out of `ground` what is steeper than the machine may go, in whole cells and slope classes, however small: a
/// single steep cell can turn a machine over as well as a slope of many. Cleared road ground is not in `ground`: a road
/// is built, so the slope of the land around it says nothing of the road.
pub fn divide(context: Context<'_>, slopes: &Slopes, ground: MultiPolygon) -> Steep {
    let machine = &context.settings.machine;
    let mut steep = Steep {
        rest: ground,
        night: MultiPolygon(vec![]),
        unknown: UnknownSlope::On(vec![]),
        unworked: vec![],
        findings: vec![],
    };
    if slopes.given() {
        steep.leave_out(machine, slopes);
        steep.night = slopes.steeper_than(machine.night_slope, &steep.rest);
    }
    if context.settings.layout.level_ground.is_none() {
        steep.ask_unknown(machine, slopes);
    }
    steep
}

impl Steep {
    fn leave_out(&mut self, machine: &Machine, slopes: &Slopes) {
        let out = slopes.steeper_than(machine.max_slope, &self.rest);
        if out.0.is_empty() {
            return;
        }
        self.rest = difference(&self.rest, &out.0);
        let edge = (slopes.cell_m(&out))
            .map(|cell_m| intersection(&self.rest, &union(&stairs::steps(&out, cell_m)).0))
            .unwrap_or(MultiPolygon(vec![]));
        self.rest = difference(&self.rest, &edge.0);
        let beside = match area(&edge) {
            edge_m2 if edge_m2 < LEAST_GAP_M2 => String::new(),
            edge_m2 => format!(
                ", and {:.2} ha beside them, so that a machine can follow the edge",
                hectares(edge_m2)
            ),
        };
        self.findings.push(Finding {
            rule_id: RuleId::MaxSlope.key().to_owned(),
            verdict: Verdict::Warn,
            measured: Some(slopes.steepest_in(&out)),
            required: Some(machine.max_slope),
            unit: "share",
            message: format!(
                "{:.2} ha are steeper than {} and left out{beside}; the machine maker's limit and local rules come first",
                hectares(area(&out)),
                Percent(machine.max_slope)
            ),
            source: machine.max_slope_source().to_owned(),
            shape: Some(Geometry::MultiPolygon(out.clone())),
        });
        let left = |shapes: MultiPolygon, reason: UnworkedReason| {
            let part = 0;
            (shapes.0.into_iter()).map(move |shape| Unworked {
                part,
                reason,
                shape,
            })
        };
        self.unworked = left(out, UnworkedReason::TooSteep)
            .chain(left(edge, UnworkedReason::SteepEdge))
            .collect();
    }

    /// What nobody knows the slope of, said once for the block.
    fn ask_unknown(&mut self, machine: &Machine, slopes: &Slopes) {
        let unknown = if slopes.given() {
            slopes.unknown_in(&self.rest)
        } else {
            self.rest.clone()
        };
        let gap_m2 = area(&unknown);
        if gap_m2 >= LEAST_GAP_M2 {
            let why = match (&slopes.fault, slopes.given()) {
                (Some(fault), _) => format!(" ({fault})"),
                (None, true) => String::new(),
                (None, false) => ", since no elevation and no slope class lies there".to_owned(),
            };
            self.findings.push(Finding {
                rule_id: RuleId::MaxSlope.key().to_owned(),
                verdict: Verdict::Unknown,
                measured: Some(hectares(gap_m2)),
                required: Some(0.0),
                unit: "ha",
                message: format!(
                    "no slope is known on {:.2} ha{why}; they are worked by day only, after a look at the ground",
                    hectares(gap_m2)
                ),
                source: machine.max_slope_source().to_owned(),
                shape: Some(Geometry::MultiPolygon(unknown.clone())),
            });
        }
        self.unknown = if slopes.given() {
            UnknownSlope::On(unknown.0)
        } else {
            UnknownSlope::Everywhere
        };
    }
}
