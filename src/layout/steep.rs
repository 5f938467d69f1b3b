//! Ground that is too steep for the machine, too steep for the night, or of unknown slope.

use geo::{Geometry, MultiPolygon};

use super::Context;
use crate::geometry::area::area;
use crate::geometry::overlay::difference;
use crate::landbase::Slopes;
use crate::model::{Finding, Unworked, UnworkedReason, Verdict};
use crate::units::{Percent, hectares};

/// Gaps in the terrain below this are dust of the overlay.
const LEAST_GAP_M2: f64 = 1.0;

/// What the slope says of the ground that is left to be worked.
pub struct Steep {
    /// To be worked.
    pub rest: MultiPolygon,
    /// Of the rest, steeper than the night limit.
    pub night: MultiPolygon,
    /// Of the rest, without a slope though a terrain is given.
    pub unknown: MultiPolygon,
    pub unworked: Vec<Unworked>,
    pub findings: Vec<Finding>,
}

/// Takes out of `ground` what is steeper than the machine may go, in whole cells and slope classes, however small: a
/// single steep cell can turn a machine over as well as a slope of many. Cleared road ground is not in `ground`: a road
/// is built, so the slope of the land around it says nothing of the road.
pub fn divide(context: Context<'_>, slopes: &Slopes, ground: MultiPolygon) -> Steep {
    let machine = &context.settings.machine;
    let mut steep = Steep {
        rest: ground,
        night: MultiPolygon(vec![]),
        unknown: MultiPolygon(vec![]),
        unworked: vec![],
        findings: vec![],
    };
    if !slopes.given() {
        return steep;
    }
    let out = slopes.steeper_than(machine.max_slope, &steep.rest);
    if !out.0.is_empty() {
        steep.rest = difference(&steep.rest, &out.0);
        steep.findings.push(Finding {
            rule_id: "max-slope".to_owned(),
            verdict: Verdict::Warn,
            measured: Some(slopes.steepest_in(&out)),
            required: Some(machine.max_slope),
            unit: "share",
            message: format!(
                "{:.2} ha are steeper than {} and left out; the machine maker's limit and local rules come first",
                hectares(area(&out)),
                Percent(machine.max_slope)
            ),
            source: machine.max_slope_source().to_owned(),
            shape: Some(Geometry::MultiPolygon(out.clone())),
        });
        steep.unworked = (out.0.into_iter())
            .map(|shape| Unworked {
                part: 0,
                reason: UnworkedReason::TooSteep,
                shape,
            })
            .collect();
    }
    steep.night = slopes.steeper_than(machine.night_slope, &steep.rest);
    if slopes.has_terrain {
        steep.unknown = slopes.unknown_in(&steep.rest);
        let gap_m2 = area(&steep.unknown);
        if gap_m2 >= LEAST_GAP_M2 {
            let fault = slopes.fault.as_ref();
            let why = fault.map_or_else(String::new, |fault| format!(" ({fault})"));
            steep.findings.push(Finding {
                rule_id: "max-slope".to_owned(),
                verdict: Verdict::Unknown,
                measured: Some(hectares(gap_m2)),
                required: Some(0.0),
                unit: "ha",
                message: format!(
                    "no slope is known on {:.2} ha{why}; they are worked by day only, after a look at the ground",
                    hectares(gap_m2)
                ),
                source: machine.max_slope_source().to_owned(),
                shape: Some(Geometry::MultiPolygon(steep.unknown.clone())),
            });
        }
    }
    steep
}
