//! Each rule checked on the finished plan: distances to the features themselves and areas of the pieces as written,
//! never the zones the layout drew.

mod areas;
mod distances;
mod reach;

use crate::geometry::area::Bounds;
use crate::landbase::{NearFeature, Slopes};
use crate::layout::{Context, local_origin};
use crate::model::*;

/// Measures the plan of `block` anew, fills in its compliance rows and findings, and sets its status.
pub fn judge(context: Context<'_>, block: &SourceBlock, plan: &mut BlockPlan) {
    let origin = local_origin(block);
    let near = context
        .landbase
        .near(&Bounds::of_polygons(&block.shape), origin);
    let slopes = context.landbase.slopes(context.terrain, &near, origin);
    let judge = Judge {
        context,
        plan,
        near: &near,
        slopes: &slopes,
    };
    let mut verdicts = Vec::new();
    verdicts.extend(judge.retention_share());
    verdicts.extend(judge.management_shares());
    verdicts.extend(judge.road_band());
    verdicts.extend(judge.reserves());
    verdicts.extend(judge.machine_exclusion());
    verdicts.push(judge.inside_block());
    verdicts.extend(judge.strip_width());
    verdicts.extend(judge.reach());
    verdicts.extend(judge.corridor_width());
    verdicts.push(judge.balance());
    for verdict in verdicts {
        if verdict.row.status >= Verdict::Warn {
            plan.findings.push(verdict.finding());
        }
        plan.compliance.push(verdict.row);
    }
    plan.status = status(plan);
}

fn status(plan: &BlockPlan) -> BlockStatus {
    let worst = |verdict: Verdict| match verdict {
        Verdict::Fail => BlockStatus::Fail,
        Verdict::Warn | Verdict::Unknown => BlockStatus::Warn,
        Verdict::Pass | Verdict::NotApplicable => BlockStatus::Ok,
    };
    let rows = plan.compliance.iter().map(|row| worst(row.status));
    let findings = plan.findings.iter().map(|finding| worst(finding.verdict));
    rows.chain(findings).max().unwrap_or(BlockStatus::Ok)
}

/// What the checks look at.
struct Judge<'j> {
    context: Context<'j>,
    plan: &'j BlockPlan,
    near: &'j [NearFeature<'j>],
    slopes: &'j Slopes<'j>,
}

/// One row, with the place that decided it.
struct Judged {
    row: ComplianceRow,
    place: Option<geo::Geometry>,
}

impl Judged {
    fn finding(&self) -> Finding {
        Finding {
            rule_id: self.row.rule_id.clone(),
            verdict: self.row.status,
            measured: self.row.measured,
            required: self.row.required,
            unit: self.row.unit,
            message: format!(
                "{}: {}",
                self.row.title,
                self.row.status.key().replace('_', " ")
            ),
            source: self.row.source.clone(),
            shape: self.place.clone(),
        }
    }
}

impl Judge<'_> {
    /// A row without a place.
    #[allow(clippy::too_many_arguments)]
    fn row(
        &self,
        rule_id: &str,
        title: &str,
        unit: &'static str,
        required: Option<f64>,
        measured: Option<f64>,
        status: Verdict,
        source: &str,
    ) -> Judged {
        let row = ComplianceRow {
            rule_id: rule_id.to_owned(),
            title: title.to_owned(),
            required,
            measured,
            unit,
            status,
            source: source.to_owned(),
        };
        Judged { row, place: None }
    }
}
