//! What is said of blocks that overlap.

use std::collections::BTreeMap;

use crate::geometry::overlaps::{HAIR_M, Overlap, OverlapKind, Overlaps};
use crate::model::{Problem, ProblemCode, Shape, SourceBlock};
use crate::units::{Percent, hectares};

/// One for each pair, in the order of the blocks; all blocks are used as they are.
pub(super) fn problems(overlaps: &Overlaps, blocks: &[SourceBlock]) -> Vec<Problem> {
    let named: BTreeMap<&str, &SourceBlock> = blocks
        .iter()
        .map(|block| (block.id.as_str(), block))
        .collect();
    let pairs = overlaps.all().iter();
    pairs
        .filter_map(|pair| {
            let [one, other] = &pair.ids;
            let both = named.get(one.as_str()).zip(named.get(other.as_str()));
            both.map(|(one, other)| problem(pair, one, other))
        })
        .collect()
}

fn problem(pair: &Overlap, one: &SourceBlock, other: &SourceBlock) -> Problem {
    let mut named = format!("block `{}`", other.id);
    if one.source_layer != other.source_layer {
        named += &format!(" of {}", other.source_layer);
    }
    let shape = one.frame.of_plane().leave_polygons(&pair.shape);
    let area_ha = hectares(pair.area_m2);
    let (message, remedy) = match pair.kind {
        OverlapKind::Same => (
            format!("{named} is the same ground, {area_ha:.4} ha, under another id"),
            "keep one of the two",
        ),
        OverlapKind::Ground => (
            format!(
                "{named} has {area_ha:.4} ha of it too ({} of this block, {} of the other), which would be planned twice",
                Percent(pair.shares[0]),
                Percent(pair.shares[1])
            ),
            "draw one common border, or say which of the two blocks has the ground",
        ),
        OverlapKind::Hairs => (
            format!(
                "{named} overlaps it by hairs, up to {:.3} m wide on the average ({HAIR_M} m is ground)",
                pair.width_m
            ),
            "none needed; draw one common border where it matters",
        ),
    };
    let place = shape.0.first();
    let place = place.and_then(|polygon| polygon.exterior().0.first());
    Problem {
        code: match pair.kind {
            OverlapKind::Hairs => ProblemCode::OverlapOfHairs,
            OverlapKind::Same | OverlapKind::Ground => ProblemCode::OverlappingBlocks,
        },
        layer: one.source_layer.clone(),
        feature_id: one.id.clone(),
        place: place.map(|c| [c.x, c.y]),
        message,
        remedy: remedy.to_owned(),
        shape: Some(Shape::Polygons(shape)),
        set_aside: false,
    }
}
