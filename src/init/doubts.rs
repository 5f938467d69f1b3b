//! What is likely wrong in a project, though all of it can be read.

use super::place::{boxes_of, country_of, holds};
use crate::model::{Feature, LayerKind, Shape};
use crate::project::Project;
use crate::sources::Batch;

/// Larger felling blocks are rare, and a layer of something else is likelier. Own judgement.
const LARGE_BLOCK_HA: f64 = 200.0;
/// Half of the channels, and of the cleared widths, are seldom wider in metres. Own judgement.
const WIDE_M: [(LayerKind, f64); 2] = [(LayerKind::Streams, 15.0), (LayerKind::Roads, 35.0)];
/// Fewer widths have no middle to speak of.
const FEW_WIDTHS: usize = 5;

/// One sentence for each doubt, with what to do.
pub fn doubts(project: &Project, batch: &Batch) -> Vec<String> {
    let mut found = Vec::new();
    found.extend(other_country(project, batch));
    found.extend(large_blocks(batch));
    let is_there = |kind: LayerKind| batch.features.iter().any(|feature| feature.kind == kind);
    if !batch.blocks.is_empty() && !is_there(LayerKind::Roads) && !is_there(LayerKind::Landings) {
        found.push(
            "no road and no landing is there: blocks without access are set aside, unless `without_access` of [layout] says otherwise; name \
             their layer under [layers.roads]"
                .to_owned(),
        );
    }
    if !is_there(LayerKind::Streams)
        && !is_there(LayerKind::Lakes)
        && !is_there(LayerKind::Wetlands)
    {
        found.push("no water is there: nothing is kept beside water that no layer has".to_owned());
    }
    found.extend(
        WIDE_M
            .iter()
            .filter_map(|(kind, wide_m)| feet(batch, *kind, *wide_m)),
    );
    found
}

/// Blocks that lie outside the country of the preset.
fn other_country(project: &Project, batch: &Batch) -> Option<String> {
    let preset = project.rules.preset.as_str();
    let country = country_of(preset)?;
    let boxes = boxes_of(preset);
    // Without PROJ's database nobody knows.
    let outside = |at: geo::Coord| {
        !boxes.is_empty() && !boxes.iter().any(|(_, area)| holds(*area, at.x, at.y))
    };
    let mut blocks = batch.blocks.iter();
    let first = blocks.find(|block| block.place.is_some_and(outside))?;
    let others = blocks
        .filter(|block| block.place.is_some_and(outside))
        .count();
    let at = first.place?;
    Some(format!(
        "preset `{preset}` is of {country}, and block {}{} lies outside the box around it, at {:.2}, {:.2} (longitude, latitude): choose the \
         rules of the place under [rules]",
        first.id,
        match others {
            0 => String::new(),
            _ => format!(" with {others} more"),
        },
        at.x,
        at.y
    ))
}

fn large_blocks(batch: &Batch) -> Option<String> {
    let hectares = |m2: f64| m2 / 1e4;
    let large = batch
        .blocks
        .iter()
        .filter(|block| hectares(block.geodesic_m2) > LARGE_BLOCK_HA);
    let count = large.clone().count();
    let largest = large.max_by(|a, b| a.geodesic_m2.total_cmp(&b.geodesic_m2))?;
    Some(format!(
        "{count} of {} blocks are larger than {LARGE_BLOCK_HA} ha, the largest {} with {:.0} ha: are these blocks, or stands, tenures or \
         districts?",
        batch.blocks.len(),
        largest.id,
        hectares(largest.geodesic_m2)
    ))
}

/// Widths of lines that would be wide in metres and are common in feet.
fn feet(batch: &Batch, kind: LayerKind, wide_m: f64) -> Option<String> {
    let width = |feature: &Feature| match feature.shape {
        Shape::Lines(_) if feature.kind == kind => feature.width_m,
        _ => None,
    };
    let mut widths: Vec<f64> = batch.features.iter().filter_map(width).collect();
    widths.sort_by(f64::total_cmp);
    let median = *widths.get(widths.len() / 2)?;
    (widths.len() >= FEW_WIDTHS && median > wide_m).then(|| {
        format!(
            "half of the {} widths of {} are {median:.1} m or more: are they in feet? `unit` of [project] is that of bare numbers",
            widths.len(),
            kind.key()
        )
    })
}
