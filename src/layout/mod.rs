//! From one block and what lies near it to a layout: the stages in order, one file each, all in the block's local frame.

mod accuracy;
mod attempt;
mod boundary_pass;
mod bunch_place;
mod bunches;
mod by_hand;
mod comb;
mod cost;
mod cover;
mod cut_from;
mod cut_off;
mod danger_trees;
mod day_ground;
mod doubts;
mod drawn;
mod effective;
mod felled;
mod ground;
mod growth;
mod hours;
mod influence;
mod later;
mod made_up;
mod necks;
mod on_line;
mod open_ground;
mod opening;
mod order;
mod orientation;
mod outlets;
mod patch_cells;
mod patches;
mod people;
mod power_lines;
mod rest;
mod retention;
mod road_clearing;
mod sections;
mod setting;
mod shifts;
pub mod skidding;
mod sorted_trees;
mod spread;
mod stands_unseen;
mod steep;
mod strips;
mod taken_out;
mod task_order;
mod task_ways;
mod tiers;
mod time_range;
mod timing;
mod tours;
mod travel;
mod tree_share;
pub mod tree_spacing;
mod turned;
mod wet_ground;
mod whole_sections;
mod windows;
mod wood;
mod working_order;
mod write_up;
mod zones;

use geo::MultiPolygon;

use crate::geometry::area::{Bounds, area, rings};
use crate::geometry::buffer::{BufferError, Engines};
use crate::geometry::distance::SegmentIndex;
use crate::landbase::{
    Crossing, Landbase, NearFeature, SlopeSource, Slopes, crossings, settle_trees,
};
use crate::model::{
    BlockPlan, CutFault, LayerKind, PieceId, Section, Settings, SourceBlock, Strip, StripLine,
};
use crate::rulebook::Rulebook;
use crate::units::hectares;

pub use effective::{decided_by, effective};
pub use hours::ADVANCE_M;
pub use retention::{left_m2, share_left};
pub use tree_share::bank_within;

/// What every stage may look at.
#[derive(Clone, Copy)]
pub struct Context<'a> {
    pub landbase: &'a Landbase<'a>,
    /// As [`effective`] gives them.
    pub settings: &'a Settings,
    pub rules: &'a Rulebook,
    pub engines: Engines<'a>,
    /// Slopes of the ground; None: slope classes only.
    pub terrain: Option<&'a dyn SlopeSource>,
}

/// Why a block could not be laid out; it is set aside and the batch goes on.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum LayoutError {
    #[error("the zone around {layer}, feature {feature_id} could not be certified: {reason}")]
    Uncertified {
        layer: String,
        feature_id: String,
        reason: BufferError,
    },
    #[error("what is to be cut could not be certified: {fault}")]
    CutUncertified { fault: CutFault },
    #[error("no road and no landing lies within {within_m:.0} m: its wood has nowhere to go")]
    NoAccess { within_m: f64 },
    #[error("reserves leave nothing of the block ({gross_ha:.2} ha before)")]
    NothingLeft { gross_ha: f64 },
    #[error(
        "the block and what lies near it have {vertices} vertices; up to {MOST_VERTICES} are laid out"
    )]
    TooLarge { vertices: usize },
    #[error("the block has {area_ha:.0} ha; up to {MOST_HA} ha are laid out as one")]
    TooWide { area_ha: f64 },
}

/// Vertices of a block with all that lies near it. A block of 100,000 takes about half a minute, so this many take
/// minutes; more would hold up the whole batch.
pub const MOST_VERTICES: usize = 500_000;

/// Of a block; a single one of this size has as many strips as a season.
pub const MOST_HA: f64 = 20_000.0;

fn vertices(shape: &MultiPolygon, near: &[NearFeature]) -> usize {
    let near = near.iter().map(|near| near.source.vertices());
    let rings = shape.0.iter().flat_map(rings).map(|ring| ring.0.len());
    rings.chain(near).sum()
}

/// Roads and landings near a block; the nearest of either farther off where a block has none near.
fn access(
    context: Context<'_>,
    block: &SourceBlock,
    bounds: &Bounds,
    near: &[NearFeature],
) -> cost::Access {
    let mut segments = Vec::new();
    let mut landings = Vec::new();
    for near in near {
        match near.feature.kind {
            LayerKind::Roads if near.takes_wood() => segments.extend(near.source.segments(0)),
            LayerKind::Landings => landings.push(near.source.bounds().middle()),
            _ => {}
        }
    }
    if segments.is_empty() && landings.is_empty() {
        let search_m = context.settings.layout.access_search_m;
        let nearest = (context.landbase).nearest_access(&block.frame, bounds.middle(), search_m);
        landings.extend(nearest.map(|(place, _)| place));
    }
    cost::Access::new(SegmentIndex::new(segments), landings)
}

/// Lays out one block. The plan's compliance rows are still empty and its status open: see [`crate::compliance`].
///
/// # Errors
/// When a zone could not be certified, or when reserves leave nothing.
pub fn lay_out(context: Context<'_>, block: &SourceBlock) -> Result<BlockPlan, LayoutError> {
    let frame = &block.frame;
    let shape = frame.enter_polygons(&block.shape);
    let area_ha = hectares(area(&shape));
    if area_ha > MOST_HA {
        return Err(LayoutError::TooWide { area_ha });
    }
    // Strips are laid as if what came later were not there, an edge that was moved in as well.
    let bounds = match &block.came_later.shape {
        None => Bounds::of_polygons(&shape),
        Some(before) => Bounds::of_polygons(&frame.enter_polygons(before)),
    };
    let mut near = context.landbase.near(frame, &bounds);
    let vertices = vertices(&shape, &near);
    if vertices > MOST_VERTICES {
        return Err(LayoutError::TooLarge { vertices });
    }
    let slopes = context
        .landbase
        .slopes(context.terrain, frame, &bounds, &near);
    let mut before = later::Before::of(block, &shape, &near);
    let settle = |near: &mut Vec<NearFeature>, shape: &MultiPolygon| {
        settle_trees(near, shape, context.settings);
        for feature in near {
            feature.follow(&slopes);
        }
    };
    settle(&mut near, &shape);
    if let Some(before) = &mut before {
        settle(&mut before.near, &before.shape);
    }
    let mut zones = zones::draw(context, &shape, &near, &slopes)?;
    zones.keep_edge(context, block, &shape)?;
    let over = crossings(&near, context.settings.layout.crossing_width_m);
    let wet = wet_ground::find(context, block, &shape);
    if let Some(wet) = &wet {
        zones.may_be_wet(context, wet, frame, &shape);
    }
    zones.power_lines = power_lines::notes(context, &shape, &near, &over);
    let told = power_lines::findings(context, &near, &zones.power_lines, &over);
    zones.findings.extend(told);
    let (planned, planned_near) = match &before {
        None => (&shape, near.as_slice()),
        Some(before) => (&before.shape, before.near.as_slice()),
    };
    let trees = (context.landbase, context.settings);
    let spacing_m = tree_spacing::in_block(trees, block, planned, planned_near);
    let zones_before = match &before {
        None => None,
        Some(_) => {
            let mut zones = zones::draw(context, planned, planned_near, &slopes)?;
            zones.keep_edge(context, block, planned)?;
            if let Some(wet) = wet_ground::find(context, block, planned) {
                zones.may_be_wet(context, &wet, frame, planned);
            }
            Some(zones)
        }
    };
    let later = (zones_before.as_ref())
        .map(|before| later::Later::new(context, (&shape, &zones), (planned, before)));
    let around = Around {
        context,
        shape: planned,
        bounds: &bounds,
        zones: zones_before.as_ref().unwrap_or(&zones),
        slopes: &slopes,
        crossings: &over,
        spacing_m,
        later: later.as_ref(),
    };
    let mut plan = around.site(block, planned_near).lay_out()?;
    plan.wet = wet.and_then(|wet| wet.map);
    plan.keeps_names = later.is_some();
    plan.findings.extend(later::new_names(block, &shape, &near));
    rest::say_when(&near, &mut plan.findings);
    let fixed = by_hand::fixed(block, &plan);
    if !fixed.is_empty() {
        let drawn = |near: &&NearFeature| by_hand::KINDS.contains(&near.feature.kind);
        let near = planned_near.iter().filter(|near| !drawn(near));
        let near: Vec<NearFeature> = near.cloned().collect();
        let free = around.site(&by_hand::freed(block), &near).lay_out();
        plan.findings.push(by_hand::compared(&fixed, &plan, free));
    }
    plan.place = block.place;
    plan.emergency = block.emergency.or(&context.settings.emergency);
    plan.surveys = accuracy::surveys(block, &near, &plan.zones);
    people::tell(context, &near, &mut plan);
    windows::tell(context, block, &mut plan);
    Ok(plan)
}

/// What is the same of a block, whatever a planner fixed.
struct Around<'a> {
    context: Context<'a>,
    shape: &'a MultiPolygon,
    bounds: &'a Bounds,
    zones: &'a zones::Zones<'a>,
    slopes: &'a Slopes<'a>,
    crossings: &'a [Crossing],
    spacing_m: Option<f64>,
    later: Option<&'a later::Later<'a>>,
}

impl Around<'_> {
    fn site<'s>(
        &'s self,
        block: &'s SourceBlock,
        near: &'s [NearFeature<'s>],
    ) -> attempt::Site<'s> {
        let settings = self.context.settings;
        attempt::Site {
            context: self.context,
            block,
            shape: self.shape,
            near,
            zones: self.zones,
            later: self.later,
            slopes: self.slopes,
            crossings: self.crossings.to_vec(),
            access: access(self.context, block, self.bounds, near),
            roads: outlets::Roads::near(near),
            of_trees_m: tree_spacing::least_m(settings, self.spacing_m),
            reach: (self.context.rules.block.influence.as_ref())
                .map(|rule| influence::Reach::new(rule, self.shape, near, &self.zones.clearing)),
            passes: boundary_pass::Passes::default(),
        }
    }
}

/// The first section or strip that no line of the working order is named after. There must be none: whoever plans work
/// from a layout finds by the line when a section is cut.
pub fn lineless(sections: &[Section], strips: &[Strip], lines: &[StripLine]) -> Option<PieceId> {
    let driven: std::collections::BTreeSet<PieceId> = lines.iter().map(|line| line.id).collect();
    let sections = sections.iter().map(|section| section.id);
    let mut ids = sections.chain(strips.iter().map(|strip| strip.id));
    ids.find(|id| !driven.contains(id))
}
