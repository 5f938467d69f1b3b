//! Each rule checked on the finished plan: distances to the features themselves and areas of the pieces as written,
//! never the zones the layout drew.

mod areas;
mod barrier;
mod block_rules;
mod certificate;
mod certified;
mod decks;
mod distances;
mod map_error;
mod night;
mod portfolio;
mod power_lines;
mod reach;
mod road_band;
mod slope;
mod slope_limits;
mod source;
mod trees;
mod why_short;
mod wind;

use geo::LineString;

use crate::geometry::area::Bounds;
use crate::geometry::sound::sound_geometry;
use crate::landbase::{NearFeature, Slopes, Stocking, crossings, off_crossings, settle_trees};
use crate::layout::Context;
use crate::model::*;
use crate::rulebook::{Origin, ReadStatus};

pub use certified::certified_plan;
pub use portfolio::{PortfolioShare, Season};

/// Measures the plan of `block` anew, fills in its compliance rows, findings and certificate, and sets its status.
pub fn judge(context: Context<'_>, block: &SourceBlock, plan: &mut BlockPlan) {
    let frame = &block.frame;
    let bounds = Bounds::of_polygons(&plan.shape);
    let mut near = context.landbase.near(frame, &bounds);
    settle_trees(&mut near, &plan.shape, context.settings);
    let slopes = context
        .landbase
        .slopes(context.terrain, frame, &bounds, &near);
    let travel = plan.lines.iter().filter_map(|line| line.travel.clone());
    let over = crossings(&near, context.settings.layout.crossing_width_m);
    let counts_trees = (context.rules.lines.iter())
        .any(|line| line.share_trees.is_some() || line.trees_per_length.is_some())
        || context.rules.share_trees.is_some();
    let stands = near.iter().filter(|_| counts_trees);
    let judge = Judge {
        context,
        block,
        plan,
        near: &near,
        stocking: Stocking::new(stands, &bounds),
        slopes: &slopes,
        ways: off_crossings(travel.collect(), &over),
    };
    let mut verdicts = Vec::new();
    verdicts.push(judge.retention_share());
    verdicts.extend(judge.management_shares());
    verdicts.extend(judge.trees_per_length());
    verdicts.extend(judge.influence());
    verdicts.extend(judge.occupancy());
    verdicts.extend(judge.largest_opening());
    verdicts.extend(judge.deck_share());
    verdicts.extend(judge.deck_depth());
    verdicts.extend(judge.road_band());
    verdicts.extend(judge.reserves());
    verdicts.extend(judge.stream_barrier());
    verdicts.extend(judge.machine_exclusions());
    verdicts.extend(judge.power_lines());
    verdicts.push(judge.inside_block());
    verdicts.extend(judge.block_edge());
    verdicts.extend(judge.strip_width());
    verdicts.extend(judge.reach());
    verdicts.extend(judge.corridor_widths());
    verdicts.extend(judge.max_slope());
    let (limits, in_states) = judge.slope_limits();
    verdicts.extend(limits);
    verdicts.extend(judge.night());
    verdicts.push(judge.balance());
    let wind = judge.wind();
    let room = judge.deck_room();
    let certificate = judge.certificate();
    plan.findings.extend(room);
    plan.findings.extend(in_states);
    plan.certificate = certificate;
    if let Some((measured, rows)) = wind {
        plan.wind = Some(measured);
        verdicts.extend(rows);
    }
    for mut verdict in verdicts {
        verdict.weigh();
        plan.findings.extend(map_error::finding(&verdict));
        if verdict.row.status >= Verdict::Warn || !verdict.why.is_empty() {
            let place = verdict.place;
            let place = place.and_then(|place| sound_geometry(place, frame));
            plan.findings
                .push(finding(&verdict.row, &verdict.why, place));
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
    block: &'j SourceBlock,
    plan: &'j BlockPlan,
    near: &'j [NearFeature<'j>],
    /// Empty where no rule counts trees.
    stocking: Stocking,
    slopes: &'j Slopes<'j>,
    /// Travel between lines, but for crossings.
    ways: Vec<LineString>,
}

/// One row, with the place that decided it.
struct Judged {
    row: ComplianceRow,
    place: Option<geo::Geometry>,
    /// What the row cannot say: why nobody can tell, and what would help.
    why: String,
    /// What its distance may be off by, where somebody says so.
    off: Option<map_error::Off>,
}

impl Judged {
    /// A figure that nobody has read decides nothing alone: what falls short of it is to be looked up, as what holds by it.
    fn weigh(&mut self) {
        if self.row.source_status != ReadStatus::FromMemory.key() {
            return;
        }
        match self.row.status {
            Verdict::Pass => self.row.status = Verdict::Warn,
            Verdict::Fail => {
                self.row.status = Verdict::Warn;
                let why = std::mem::take(&mut self.why);
                let parts = ["falls short of it", why.as_str()].into_iter();
                let told: Vec<&str> = parts.filter(|part| !part.is_empty()).collect();
                self.why = told.join("; ");
            }
            _ => {}
        }
    }
}

/// A row that is no pass, as a finding at its place.
fn finding(row: &ComplianceRow, why: &str, place: Option<geo::Geometry>) -> Finding {
    let mut message = format!("{}: {}", row.title, row.status.key().replace('_', " "));
    if !why.is_empty() {
        message = format!("{message}; {why}");
    }
    if row.source_status == ReadStatus::FromMemory.key() {
        message += "; the rule is known from memory only";
    }
    Finding {
        rule_id: row.rule_id.clone(),
        verdict: row.status,
        measured: row.measured,
        required: row.required,
        unit: row.unit,
        message,
        source: row.source.clone(),
        shape: place,
    }
}

impl Judge<'_> {
    /// A row without a place.
    fn row(
        &self,
        named: Named,
        required: Option<f64>,
        measured: Option<f64>,
        status: Verdict,
        source: impl Into<Origin>,
    ) -> Judged {
        Judged {
            row: source.into().row(named, (required, measured), status),
            place: None,
            why: String::new(),
            off: None,
        }
    }

    /// A row for a rule of the rulebook that holds or does not.
    fn ruled(
        &self,
        named: Named,
        (required, measured): (f64, f64),
        holds: bool,
        source: impl Into<Origin>,
    ) -> Judged {
        let status = if holds { Verdict::Pass } else { Verdict::Fail };
        self.row(named, Some(required), Some(measured), status, source)
    }
}
