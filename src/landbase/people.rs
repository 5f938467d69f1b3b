//! Where other people are or pass: roads with traffic, trails, dwellings, work sites.

use geo::MultiPolygon;

use super::power_lines::{Stands, TreesFrom, UNKNOWN_TREE_M};
use super::{Landbase, NearFeature};
use crate::geometry::area::Bounds;
use crate::model::{Facts, Feature, GroundFrame, LayerKind, Settings, names_people};
use crate::rulebook::flag_of_fact;

/// Tree lengths between falling trees and people who have no part in the work.
pub const TREE_LENGTHS: f64 = 2.0;
/// Where that is written.
pub const FALLING_SOURCE: &str = "SF-05: B.C. Reg. 296/97 (OHS Regulation) Part 26, s.26.1, active falling area, two tree lengths around a faller or \
                                  mechanised falling equipment (read in the source text)";

/// Who works near mechanised felling keeps off as far.
pub const APART_SOURCE: &str = "SF-07: 29 CFR 1910.266(h)(1), two tree lengths from mechanical felling until the operator allows it (read in a secondary \
                                document); SF-05: B.C. Reg. 296/97 Part 26, s.26.1 (read in the source text)";

/// What is known of other people at a feature.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum People {
    Yes,
    /// Nobody says: taken for yes.
    Unknown,
}

/// Whether other people are or pass at a feature; None: somebody says that they do not, or it is no place for people.
pub fn people_at(feature: &Feature) -> Option<People> {
    let said = feature.facts.get(Facts::PEOPLE).map(flag_of_fact);
    match (feature.kind, said) {
        (LayerKind::Roads | LayerKind::Hazards, Some(Some(true))) => Some(People::Yes),
        (LayerKind::Roads | LayerKind::Hazards, Some(Some(false))) => None,
        // Said in words that are not understood.
        (LayerKind::Roads | LayerKind::Hazards, Some(None)) => Some(People::Unknown),
        (LayerKind::Roads, None) => Some(People::Unknown),
        (LayerKind::Hazards, None) => {
            let names = feature.class.as_deref().is_some_and(names_people);
            names.then_some(People::Yes)
        }
        _ => None,
    }
}

/// Height of the tallest trees of a block.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TreeLength {
    pub trees_m: f64,
    pub from: TreesFrom,
}

impl TreeLength {
    /// As far as a tree that falls is a danger to people.
    pub fn falling_m(self) -> f64 {
        TREE_LENGTHS * self.trees_m
    }
}

/// Of all ground of a block: the tallest of its stands, and the project's figure, or what stands in for it, where ground lies
/// in no stand of known height.
pub fn tree_length(near: &[NearFeature], block: &MultiPolygon, settings: &Settings) -> TreeLength {
    let stands = Stands::new(near, block);
    let stated = settings.layout.tree_height.as_ref();
    let stand_in_m = stated.map_or(UNKNOWN_TREE_M, |stated| stated.height_m);
    match (stands.tallest_m(), stands.unknown.0.is_empty()) {
        (Some(trees_m), true) => TreeLength {
            trees_m,
            from: TreesFrom::Stands,
        },
        (tallest, _) => TreeLength {
            trees_m: tallest.map_or(stand_in_m, |m| m.max(stand_in_m)),
            from: match stated {
                Some(_) => TreesFrom::Project,
                None => TreesFrom::Unknown,
            },
        },
    }
}

impl<'a> Landbase<'a> {
    /// As [`Landbase::near`], roads and hazards at which other people are or may be, within a distance of the box.
    pub fn people(
        &self,
        frame: &GroundFrame,
        block: &Bounds,
        within_m: f64,
    ) -> Vec<(NearFeature<'a>, People)> {
        let trees = self.trees.iter();
        let trees =
            trees.filter(|(kind, _, _)| matches!(kind, LayerKind::Roads | LayerKind::Hazards));
        let trees = trees.map(|(_, widest_m, tree)| (tree, widest_m + within_m));
        let found = self.collect(trees, frame, block, |_, demand| demand.half_m + within_m);
        let found = found.into_iter();
        found
            .filter_map(|near| people_at(near.feature).map(|people| (near, people)))
            .collect()
    }
}
