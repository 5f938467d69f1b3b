//! Where a requirement that projects may set is written.

use super::Judge;
use crate::layout::decided_by;
use crate::model::LayoutSettings;
use crate::rulebook::Origin;

impl Judge<'_> {
    /// Where the road band in force is written.
    pub(super) fn road_band_source(&self) -> Origin {
        let in_force_m = self.context.settings.layout.road_band_m;
        let words = if in_force_m == LayoutSettings::default().road_band_m {
            "common practice: 100 to 150 ft from the road's edge"
        } else {
            "layout.road_band of the project file"
        };
        let rules = &self.context.rules.block;
        // A rule on what fails may widen the whole band.
        let rule = decided_by(&rules.road_band_m, in_force_m)
            .or_else(|| decided_by(&rules.road_band_fail_m, in_force_m));
        Origin::of_rule_or(rule, words)
    }
}
