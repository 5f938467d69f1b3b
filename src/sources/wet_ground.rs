//! What is amiss in the layers that ground which may be wet is found from.

use std::collections::BTreeMap;

use super::RasterTerrain;
use crate::geometry::area::Bounds;
use crate::model::{Feature, LayerKind, Problem, ProblemCode, Shape, WATER, WetGround};

/// One note for each thing: no water mapped, water off the elevation raster, soils that nobody ranked.
pub(super) fn problems(
    wanted: &WetGround,
    features: &[Feature],
    terrain: &RasterTerrain,
) -> Vec<Problem> {
    let mut problems = Vec::new();
    let is_water = |feature: &&Feature| WATER.contains(&feature.kind);
    let water: Vec<&Feature> = features.iter().filter(is_water).collect();
    let off = |feature: &&&Feature| !terrain.reaches(&bounds(&feature.shape));
    let channels = match wanted.channels_m2 {
        Some(_) => "only channels that enough ground drains through count as water",
        None => "nobody knows how high ground lies over it, and all of it is worked by day only",
    };
    if water.is_empty() {
        problems.push(note(
            ProblemCode::UnknownWater,
            terrain.report.sources.join(", "),
            "-",
            format!("[wet_ground] asks for water, and no streams, lakes or wetlands are mapped: {channels}"),
            "name the layers of mapped water, or set `channels_from` under [wet_ground]",
        ));
    } else if let Some(first) = water.iter().find(off) {
        problems.push(note(
            ProblemCode::UnknownWater,
            first.source_layer.clone(),
            &first.id,
            format!(
                "{} of {} features of mapped water, from this one on, lie off the elevation raster: ground near them is not known to \
                 lie higher than they",
                water.iter().filter(off).count(),
                water.len()
            ),
            "name a raster that covers them, or further tiles, as `source` under [layers.terrain]",
        ));
    }
    // By class as read; the first that has it, and how many.
    let mut unranked: BTreeMap<&str, (&Feature, usize)> = BTreeMap::new();
    let soils = features.iter().filter(|f| f.kind == LayerKind::Soils);
    for feature in soils.filter(|_| !wanted.by_soil.is_empty()) {
        let soil = feature.class.as_deref().unwrap_or_default();
        if !wanted.ranks(soil) {
            unranked.entry(soil).or_insert((feature, 0)).1 += 1;
        }
    }
    for (soil, (first, count)) in unranked {
        let what = match soil {
            "" => "the class is missing".to_owned(),
            soil => format!("`by_soil` has no figure for soil `{soil}`"),
        };
        problems.push(note(
            ProblemCode::UnknownClass,
            first.source_layer.clone(),
            &first.id,
            format!(
                "{what}, {count} feature(s) from this one on: the widest figure, {} m, stands in",
                wanted.widest_m()
            ),
            "add it to `by_soil` under [wet_ground], or correct the class",
        ));
    }
    problems
}

fn note(
    code: ProblemCode,
    layer: String,
    feature_id: &str,
    message: String,
    remedy: &str,
) -> Problem {
    Problem {
        code,
        layer,
        feature_id: feature_id.to_owned(),
        place: None,
        message,
        remedy: remedy.to_owned(),
        shape: None,
        set_aside: false,
    }
}

fn bounds(shape: &Shape) -> Bounds {
    match shape {
        Shape::Points(points) => Bounds::of(points.0.iter().map(|point| &point.0)),
        Shape::Lines(lines) => Bounds::of(lines.0.iter().flat_map(|line| &line.0)),
        Shape::Polygons(polygons) => Bounds::of_polygons(polygons),
    }
}
