//! Single trees that were found standing on ground that was cut.

use geo::Coord;

use super::row::{Judged, row};
use super::scene::Scene;
use crate::geometry::area::Bounds;
use crate::model::{RuleId, TreeUnit, Verdict};
use crate::rulebook::TreeCount;
use crate::units::hectares;

/// So many trees at one place, in the plane of the work CRS.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Stem {
    pub at: Coord,
    pub trees: f64,
}

impl Scene<'_> {
    /// Those on ground that is cut in the block, in its frame: others stand with all that stands there.
    pub(super) fn stems(&self) -> Vec<(Coord, f64)> {
        let all = self.given.stems.iter().flatten();
        let placed = all.map(|own| (self.block.frame.enter(own.at), own.trees));
        placed.filter(|(at, _)| self.cut.holds(*at)).collect()
    }

    /// Trees of a count that stand alone on some ground; of diameters and volumes nothing is known of them.
    pub(super) fn stems_counted(&self, count: TreeCount, holds: impl Fn(Coord) -> bool) -> f64 {
        if count.unit != TreeUnit::Stems || count.least_m > 0.0 {
            return 0.0;
        }
        let own = self.stems().into_iter().filter(|(at, _)| holds(*at));
        own.map(|(_, trees)| trees).sum()
    }

    /// What was found, for information; None: nobody looked.
    pub(super) fn standing_trees(&self) -> Option<Judged> {
        self.given.stems.as_ref()?;
        let stems = self.stems();
        let trees: f64 = stems.iter().map(|(_, trees)| trees).sum();
        let cut_ha = hectares(self.areas().cut_m2);
        let per_ha = if cut_ha > 0.0 { trees / cut_ha } else { 0.0 };
        let words = format!("for information: {per_ha:.1} trees for each hectare cut");
        let judged = row(
            RuleId::StandingTrees.named(),
            None,
            Some(trees),
            None,
            (Verdict::NotApplicable, words),
            "the file of what stands".into(),
        );
        let middle = Bounds::of(stems.iter().map(|(at, _)| at));
        Some(judged.at((!middle.is_empty()).then(|| middle.middle())))
    }
}
