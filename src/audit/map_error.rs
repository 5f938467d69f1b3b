//! What is left of a distance if the map is off by as much as its layer says.

use super::reserves::Nearest;
use super::row::{Judged, ROUNDING_M, shown};
use crate::landbase::NearFeature;
use crate::model::Accuracy;

/// Over the features of one rule.
#[derive(Default)]
pub(super) struct MapError {
    /// What is left, what is asked there, and what the map may be off.
    worst: Option<(f64, f64, String)>,
    /// Of some feature nobody says how far it may be off.
    unknown: bool,
}

impl MapError {
    pub fn add(&mut self, near: &NearFeature, found: &Nearest) {
        let accuracy = Accuracy::of(&near.feature.facts);
        let (Some(off_m), Some(figures)) = (accuracy.off_m, accuracy.figures()) else {
            self.unknown = true;
            return;
        };
        let left_m = found.distance_m - off_m;
        let spare_m = left_m - found.required_m;
        let held = self
            .worst
            .as_ref()
            .map(|(left_m, asked_m, _)| left_m - asked_m);
        if held.is_none_or(|held| spare_m < held) {
            self.worst = Some((left_m, found.required_m, figures));
        }
    }

    /// Adds it to a row, and says so where it is less than is asked.
    pub fn onto(self, mut judged: Judged) -> Judged {
        let Some((left_m, required_m, figures)) = self.worst.filter(|_| !self.unknown) else {
            return judged;
        };
        judged.row.row.with_map_error = Some(shown(left_m));
        if left_m >= required_m - ROUNDING_M {
            return judged;
        }
        judged.saying(&format!(
            "as mapped; the map may be off by {figures}, which leaves {left_m:.1} m"
        ))
    }
}
