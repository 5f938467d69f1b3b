//! Rules that stand for a whole block or a season of blocks.

use serde::Serialize;

use super::Cited;

/// What a share is a share of.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum ShareOf {
    /// The block without its reserves.
    #[default]
    Net,
    /// The block as approved.
    Gross,
}

/// Retention by influence area: ground near enough to standing trees.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Influence {
    /// Share of the block that must lie within one tree height of retained trees.
    pub share: Cited<f64>,
    /// Whether the share itself is still too little.
    pub more_than: bool,
    pub tree_height_m: f64,
    /// Whether the forest outside the block is taken to stand and counts.
    pub forest_outside: bool,
}

/// Whose width counts as the trail's.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum TrailWidth {
    /// What the machine drives over: twice `machine.half_width`.
    #[default]
    Track,
    /// The whole strip.
    Strip,
}

/// How much of the ground trails may take.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Occupancy {
    /// Share of the net area.
    pub most: Cited<f64>,
    /// Whether the share itself is already too much.
    pub less_than: bool,
    pub trail: TrailWidth,
}

/// Rules for whole blocks. None: the rulebook has none.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct BlockRules {
    /// Share of the sum of the blocks' gross areas, over all blocks of a portfolio (a season).
    pub portfolio_share: Option<Cited<f64>>,
    pub influence: Option<Influence>,
    pub occupancy: Option<Occupancy>,
    /// Square metres of the largest piece of ground felled in one, reserves taken out.
    pub largest_opening_m2: Option<Cited<f64>>,
    /// Square metres that a connected piece of standing trees must exceed to count towards the retention share.
    pub least_patch_m2: Option<Cited<f64>>,
    /// Share of the road frontage of a block that decks along it may take.
    pub deck_share: Option<Cited<f64>>,
    /// Greatest depth of a deck, from the toe of the road's bank.
    pub deck_depth_m: Option<Cited<f64>>,
    pub corridor_min_m: Option<Cited<f64>>,
    pub corridor_max_m: Option<Cited<f64>>,
    /// Least width of a corridor, in mean distances from tree to tree.
    pub corridor_spacings: Option<Cited<f64>>,
    /// No retention nearer than this to a road's edge: a warning inside it.
    pub road_band_m: Option<Cited<f64>>,
    /// Retention nearer than this is a failure.
    pub road_band_fail_m: Option<Cited<f64>>,
}
