//! Layouts handed to the audit as anybody's plan, without any file.
#![allow(dead_code, reason = "each test file uses its own share")]

pub mod brute;

use blockwright::audit::*;
use blockwright::demo::{self, DemoOptions};
use blockwright::engines::ENGINES;
use blockwright::geometry::frame::{map_line, map_polygon, map_polygons};
use blockwright::landbase::{Landbase, SlopeSource};
use blockwright::layout;
use blockwright::model::*;
use blockwright::project::{self, Project};
use blockwright::rulebook::Rulebook;
use blockwright::sources::{self, Batch};
use geo::{Coord, MultiPolygon};

/// What a plan says is cut, driven and left: its zones are not among it.
pub fn as_plan(plan: &BlockPlan) -> BlockCut {
    let world = |c: Coord| plan.frame.to_plane(c);
    let day = plan.sections.iter();
    let day = day.filter(|section| section.shift_class == ShiftClass::DayOnly);
    BlockCut {
        pieces: plan
            .strips
            .iter()
            .map(|strip| CutPiece {
                shape: map_polygon(&strip.shape, world),
                kind: Some(strip.kind),
                part: strip.id.part,
            })
            .collect(),
        lines: plan
            .lines
            .iter()
            .map(|line| DrivenLine {
                shape: map_line(&line.shape, world),
                part: line.id.part,
                interior: line.kind == StripKind::Interior,
            })
            .collect(),
        travel: (plan.lines.iter())
            .filter_map(|line| line.travel.as_ref())
            .map(|way| map_line(way, world))
            .collect(),
        corridors: Some(
            plan.corridors
                .iter()
                .map(|corridor| PlannedCorridor {
                    shape: map_polygon(&corridor.shape, world),
                    part: corridor.part,
                })
                .collect(),
        ),
        unworked: plan
            .unworked
            .iter()
            .map(|unworked| PlannedUnworked {
                shape: map_polygon(&unworked.shape, world),
                is_left: unworked.reason.is_left(),
            })
            .collect(),
        day_only: Some(MultiPolygon(
            day.flat_map(|section| map_polygons(&section.shape, world).0)
                .collect(),
        )),
        ..BlockCut::empty(CutInput::Plan)
    }
}

/// An invented district, with what its blocks are laid out, judged and audited with; `change` may change its project.
pub fn on_demo(
    options: &DemoOptions,
    change: impl FnOnce(&mut Project),
    look: impl FnOnce(&Batch, layout::Context<'_>, Context<'_>),
) {
    let folder = tempfile::tempdir().unwrap();
    let report = demo::write(folder.path(), options).unwrap();
    let mut project = project::load(&report.project).unwrap();
    change(&mut project);
    let batch = sources::read(&project).unwrap();
    let terrain = sources::terrain(&project, &batch.crs).unwrap();
    let terrain = terrain.as_ref().map(|terrain| terrain as &dyn SlopeSource);
    let settings = layout::effective(&project.settings, &project.rules);
    let landbase = Landbase::new(&batch.features, &project.rules, &settings.layout);
    let neighbours = Neighbours::new(&batch.blocks);
    let context = layout::Context {
        landbase: &landbase,
        settings: &settings,
        rules: &project.rules,
        engines: ENGINES,
        terrain,
    };
    let audit_context = Context {
        landbase: &landbase,
        settings: &settings,
        rules: &project.rules,
        terrain,
        neighbours: &neighbours,
        certainty: &Certainty::Tolerance(0.0),
    };
    look(&batch, context, audit_context);
}

/// A block audited.
pub fn audit(
    settings: &Settings,
    rules: &Rulebook,
    features: &[Feature],
    terrain: Option<&dyn SlopeSource>,
    block: &SourceBlock,
    cut: &BlockCut,
    tolerance_m: f64,
) -> BlockAudit {
    let alone = Neighbours::new(std::slice::from_ref(block));
    audit_among(
        &alone,
        settings,
        rules,
        features,
        terrain,
        block,
        cut,
        tolerance_m,
    )
}

/// A block audited among others.
#[allow(clippy::too_many_arguments, reason = "as `audit`, and the others")]
pub fn audit_among(
    neighbours: &Neighbours,
    settings: &Settings,
    rules: &Rulebook,
    features: &[Feature],
    terrain: Option<&dyn SlopeSource>,
    block: &SourceBlock,
    cut: &BlockCut,
    tolerance_m: f64,
) -> BlockAudit {
    let settings = layout::effective(settings, rules);
    let landbase = Landbase::new(features, rules, &settings.layout);
    let context = Context {
        landbase: &landbase,
        settings: &settings,
        rules,
        terrain,
        neighbours,
        certainty: &Certainty::Tolerance(tolerance_m),
    };
    judge(context, block, cut, None)
}

/// The row of a rule.
pub fn of<'a>(audit: &'a BlockAudit, rule_id: &str) -> &'a Judged {
    let found = audit.rows.iter().find(|row| row.row.row.rule_id == rule_id);
    found.unwrap_or_else(|| {
        let ids: Vec<&str> = audit
            .rows
            .iter()
            .map(|r| r.row.row.rule_id.as_str())
            .collect();
        panic!("no {rule_id} in {ids:?}")
    })
}

pub fn shown(audit: &BlockAudit) -> String {
    let line = |judged: &Judged| {
        let row = &judged.row.row;
        format!(
            "{} {:?} required {:?} measured {:?} short {:?} area {:?}: {}\n",
            row.rule_id,
            row.status,
            row.required,
            row.measured,
            judged.row.short,
            judged.row.area_m2,
            judged.row.message
        )
    };
    audit.rows.iter().map(line).collect()
}
