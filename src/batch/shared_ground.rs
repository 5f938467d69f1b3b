//! Blocks that overlap: each of them says so, and what they share counts once in sums.

use geo::Geometry;

use crate::geometry::overlaps::{OverlapKind, Overlaps};
use crate::geometry::sound::sound_geometry;
use crate::model::*;
use crate::rulebook::Origin;
use crate::units::{Percent, hectares};

const SOURCE: &str = "the blocks as approved";

/// Adds a failing row and a finding for each block that has ground of this one too.
pub fn tell(overlaps: &Overlaps, plan: &mut BlockPlan) {
    for pair in overlaps.ground_of(&plan.id) {
        let Some((other, share)) = pair.beside(&plan.id) else {
            continue;
        };
        let area_ha = hectares(pair.area_m2);
        let title = match pair.kind {
            OverlapKind::Same => format!("Block {other} is the same ground under another id"),
            _ => format!(
                "Ground of this block that block {other} has too ({} of this block)",
                Percent(share)
            ),
        };
        let shape = plan.frame.enter_polygons(&pair.shape);
        let shape = sound_geometry(Geometry::MultiPolygon(shape), &plan.frame);
        let rule = RuleId::OverlappingBlocks;
        plan.findings.push(Finding {
            rule_id: rule.key().to_owned(),
            verdict: Verdict::Fail,
            measured: Some(area_ha),
            required: Some(0.0),
            unit: "ha",
            message: format!(
                "{title}: {area_ha:.2} ha are planned twice, and what one leaves standing the other may cut"
            ),
            source: SOURCE.to_owned(),
            shape,
        });
        let named = rule.named().titled(title);
        let figures = (Some(0.0), Some(area_ha));
        plan.compliance
            .push(Origin::from(SOURCE).row(named, figures, Verdict::Fail));
        plan.status = BlockStatus::Fail;
    }
}
