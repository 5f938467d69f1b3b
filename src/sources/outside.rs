//! Settings and strip lines drawn by a planner that have to do with no block: most likely a wrong layer, or a block that is
//! not there.

use geo::{BoundingRect, Geometry, Intersects};

use crate::model::{Feature, LayerKind, Problem, ProblemCode, Shape, SourceBlock};

/// One note for each setting or strip line none of which lies in any block.
pub(super) fn problems(blocks: &[SourceBlock], features: &[Feature]) -> Vec<Problem> {
    let boxes: Vec<_> = blocks
        .iter()
        .map(|block| block.shape.bounding_rect())
        .collect();
    let meets_any = |shape: &Geometry| {
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
    let outside = |feature: &Feature, what: &str, shape: Geometry, place: Option<geo::Coord>| {
        (!meets_any(&shape)).then(|| Problem {
            code: ProblemCode::OutsideBlocks,
            layer: feature.source_layer.clone(),
            feature_id: feature.id.clone(),
            place: place.map(|place| [place.x, place.y]),
            message: format!("the {what} lies outside every block"),
            remedy:
                "look whether the layer is the right one, and whether its block was set aside or left out"
                    .to_owned(),
            shape: Some(feature.shape.clone()),
            set_aside: false,
        })
    };
    let drawn = features
        .iter()
        .filter_map(|feature| match (feature.kind, &feature.shape) {
            (LayerKind::Settings, Shape::Polygons(shape)) => {
                let place = shape.0.iter().find_map(|p| p.exterior().0.first()).copied();
                outside(
                    feature,
                    "setting",
                    Geometry::MultiPolygon(shape.clone()),
                    place,
                )
            }
            (LayerKind::StripLines, Shape::Lines(shape)) => {
                let place = shape.0.iter().find_map(|line| line.0.first()).copied();
                outside(
                    feature,
                    "strip line",
                    Geometry::MultiLineString(shape.clone()),
                    place,
                )
            }
            _ => None,
        });
    drawn.collect()
}
