//! Ground on which nobody works because a dangerous tree stands there.

use super::power_lines::TreesFrom;
use super::{NearFeature, TREE_LENGTHS};
use crate::model::{Facts, Feature, LayoutSettings, names_danger_tree};
use crate::rulebook::{DANGER_TREE_RULE, RuleLine};

/// How far nobody works from a dangerous tree of layer `retain`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct DangerTree {
    /// Its height, or that of the tallest trees of the block.
    pub trees_m: f64,
    pub trees: TreesFrom,
    /// Whether its own height is known.
    pub own_height: bool,
    /// Whether somebody said, with a source, how much ground it endangers: its `width`, or the polygon that is drawn.
    pub judged: bool,
}

impl DangerTree {
    /// None: no dangerous tree, or a line of the rulebook for its class says how far.
    pub(super) fn of(
        feature: &Feature,
        rule: Option<&RuleLine>,
        settings: &LayoutSettings,
        tallest_m: f64,
    ) -> Option<DangerTree> {
        rule.filter(|rule| rule.id == DANGER_TREE_RULE)?;
        let class = feature.class.as_deref()?;
        (feature.stays() && names_danger_tree(class)).then_some(())?;
        let own_m = feature.facts.number(Facts::TREE_HEIGHT);
        let sourced = judged_source(feature).is_some();
        let drawn = matches!(feature.shape, crate::model::Shape::Polygons(_));
        Some(DangerTree {
            trees_m: own_m.unwrap_or(tallest_m),
            trees: match (own_m, &settings.tree_height) {
                (Some(_), _) => TreesFrom::Stands,
                (None, Some(_)) => TreesFrom::Project,
                (None, None) => TreesFrom::Unknown,
            },
            own_height: own_m.is_some(),
            judged: sourced && (drawn || feature.width_m.is_some()),
        })
    }

    /// From the ground that it takes itself, whose edge lies `half_m` from what is drawn.
    pub fn reserve_m(&self, half_m: f64) -> f64 {
        match self.judged {
            true => 0.0,
            false => (TREE_LENGTHS * self.trees_m - half_m).max(0.0),
        }
    }

    /// Whether two lengths of a tree of which nobody says how tall it is stand in.
    pub fn is_unknown(&self) -> bool {
        !self.judged && self.trees == TreesFrom::Unknown
    }
}

/// Where it is written how much ground a dangerous tree endangers.
fn judged_source(feature: &Feature) -> Option<&str> {
    let said = feature.facts.text(Facts::WIDTH_SOURCE)?.trim();
    (!said.is_empty()).then_some(said)
}

impl NearFeature<'_> {
    /// Of a dangerous tree whose ground somebody judged: where that is written.
    pub fn judged_source(&self) -> Option<&str> {
        self.demand.danger_tree.filter(|tree| tree.judged)?;
        judged_source(self.feature)
    }
}
