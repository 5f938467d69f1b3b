//! What is told of dangerous trees: how far nobody works, and what that rests on.

use super::zones::{Outline, Touch};
use crate::geometry::area::area;
use crate::geometry::within::within;
use crate::landbase::NearFeature;
use crate::model::*;
use crate::rulebook::{DANGER_TREE_RULE, DANGER_TREE_SOURCE};
use crate::units::hectares;

/// Less ground of a block is the overlay's dust.
const DUST_M2: f64 = 1.0;

/// Tells of a dangerous tree whose ground reaches into a block.
pub(super) fn say(findings: &mut Vec<Finding>, near: &NearFeature, outline: &Outline) {
    let Some(tree) = near.demand.danger_tree else {
        return;
    };
    let half_m = near.demand.half_m;
    let radius_m = half_m + tree.reserve_m(half_m);
    let ground_m2 = area(&within(outline.block, &near.source, radius_m));
    if ground_m2 <= DUST_M2 {
        return;
    }
    let feature = near.feature;
    let class = feature.class.as_deref().unwrap_or_default();
    let mut add = |verdict, text: String, source: &str| {
        findings.push(Finding {
            rule_id: DANGER_TREE_RULE.to_owned(),
            verdict,
            measured: Some(hectares(ground_m2)),
            required: Some(radius_m),
            unit: "m",
            message: format!("{} ({class}): {text}", feature.id),
            source: source.to_owned(),
            shape: outline.touch(&near.source).map(Touch::shape),
        });
    };
    if let Some(source) = near.judged_source() {
        let text = format!(
            "nobody works within {radius_m:.1} m of it, as judged ({source}); {:.2} ha of the block stand",
            hectares(ground_m2)
        );
        add(Verdict::NotApplicable, text, source);
        return;
    }
    let whose = match tree.own_height {
        true => "its own length",
        false => "the tallest trees",
    };
    let text = format!(
        "nobody works within {radius_m:.1} m of it (two lengths of {whose}, {:.1} m) until it is down; {:.2} ha of the block stand",
        tree.trees_m,
        hectares(ground_m2)
    );
    add(Verdict::NotApplicable, text, DANGER_TREE_SOURCE);
    if tree.is_unknown() {
        let text = format!(
            "nobody says how tall it is, nor the trees of the block; {:.0} m stand in: give it or the stands a `tree_height`",
            tree.trees_m
        );
        add(Verdict::Unknown, text, DANGER_TREE_SOURCE);
    }
    if let Some(width_m) = feature.width_m.filter(|m| m / 2.0 < radius_m) {
        let text = format!(
            "its width, {width_m} m, names no source and is not used; whoever judged it is to be named as `width_source`"
        );
        add(Verdict::Warn, text, DANGER_TREE_SOURCE);
    }
}

/// What to say where a dangerous tree is mapped as a plain hazard: people would work beside it by day.
pub(super) fn among_hazards(near: &NearFeature, outline: &Outline) -> Option<Finding> {
    let class = near.feature.class.as_deref();
    let class = class.filter(|class| names_danger_tree(class))?;
    Some(Finding {
        rule_id: "danger-tree-role".to_owned(),
        verdict: Verdict::Unknown,
        measured: None,
        required: None,
        unit: "m",
        message: format!(
            "{}, feature {}: a hazard of class `{class}` gets daylight and no ground on which nobody works; give it to role `retain`",
            near.feature.source_layer, near.feature.id
        ),
        source: DANGER_TREE_SOURCE.to_owned(),
        shape: outline.touch(&near.source).map(Touch::shape),
    })
}
