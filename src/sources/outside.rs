//! Drawn settings that have to do with no block: most likely a wrong layer, or a block that is not there.

use geo::{BoundingRect, Intersects};

use crate::model::{Feature, LayerKind, Problem, ProblemCode, Shape, SourceBlock};

/// One note for each setting none of which lies in any block.
pub(super) fn problems(blocks: &[SourceBlock], features: &[Feature]) -> Vec<Problem> {
    let boxes: Vec<_> = blocks
        .iter()
        .map(|block| block.shape.bounding_rect())
        .collect();
    let meets_any = |shape: &geo::MultiPolygon| {
        let own = shape.bounding_rect();
        let near = blocks
            .iter()
            .zip(&boxes)
            .filter(|(_, bounds)| match (own, bounds) {
                (Some(own), Some(bounds)) => own.intersects(bounds),
                _ => false,
            });
        near.into_iter()
            .any(|(block, _)| block.shape.intersects(shape))
    };
    let settings = features.iter().filter(|f| f.kind == LayerKind::Settings);
    settings
        .filter_map(|feature| match &feature.shape {
            Shape::Polygons(shape) if !meets_any(shape) => Some(Problem {
                code: ProblemCode::OutsideBlocks,
                layer: feature.source_layer.clone(),
                feature_id: feature.id.clone(),
                place: shape.0.iter().find_map(|p| p.exterior().0.first()).map(|c| [c.x, c.y]),
                message: "the setting lies outside every block".to_owned(),
                remedy: "look whether the layer is the right one, and whether its block was set aside or left out"
                    .to_owned(),
                shape: Some(feature.shape.clone()),
                set_aside: false,
            }),
            _ => None,
        })
        .collect()
}
