//! Which features say when ground may be worked.

use super::{Landbase, NearFeature};
use crate::geometry::area::Bounds;
use crate::model::{Feature, GroundFrame, LayerKind, WindowWords, WorkWindow, WorkWindows};
use crate::rulebook::RuleLine;

/// What a feature, or the rule for its class, says of the days on which ground may be worked.
pub(super) fn speaks_of_days(feature: &Feature, rule: Option<&RuleLine>) -> bool {
    let ruled = rule.is_some_and(|rule| !rule.days.is_always());
    feature.kind.takes_windows() && (ruled || !WindowWords::of(&feature.facts).is_empty())
}

impl<'a> Landbase<'a> {
    /// As [`Landbase::near`], the features that say when ground may be worked and reach the box with that, each with its
    /// windows.
    pub fn windows(
        &self,
        frame: &GroundFrame,
        block: &Bounds,
        named: &WorkWindows,
    ) -> Vec<(NearFeature<'a>, Vec<WorkWindow>)> {
        let of_lines = self.with_days.iter().map(|(_, most_m)| *most_m);
        let of_names = named.0.iter().map(|window| window.within_m);
        let most_m = of_lines.chain(of_names).fold(0.0, f64::max);
        let speaks = |kind: &LayerKind| self.with_days.iter().any(|(own, _)| own == kind);
        let trees = self.trees.iter().filter(|(kind, _, _)| speaks(kind));
        let trees = trees.map(|(_, widest_m, tree)| (tree, widest_m + most_m));
        let found = self.collect(trees, frame, block, |_, demand| demand.half_m + most_m);
        let with_windows = |near: NearFeature<'a>| {
            let windows = windows_of(&near, named);
            (!windows.is_empty()).then_some((near, windows))
        };
        found.into_iter().filter_map(with_windows).collect()
    }
}

fn windows_of(near: &NearFeature, named: &WorkWindows) -> Vec<WorkWindow> {
    if !speaks_of_days(near.feature, near.demand.rule) {
        return vec![];
    }
    let mut windows = named.of(&WindowWords::of(&near.feature.facts));
    let rule = near.demand.rule.filter(|rule| !rule.days.is_always());
    windows.extend(rule.map(|rule| WorkWindow {
        name: rule.title.clone(),
        days: rule.days.clone(),
        within_m: rule.window_within_m,
        source: rule.citation.text.clone(),
    }));
    windows
}
