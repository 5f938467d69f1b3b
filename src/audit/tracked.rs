//! What tracks leave open: ground between two fixes that nobody recorded.

use super::row::{Judged, Named, row};
use super::scene::Scene;
use crate::model::Verdict;

impl Scene<'_> {
    /// Of tracks with interruptions in or near the block: what was cut in between is not known.
    pub(super) fn track_gaps(&self) -> Option<Judged> {
        let untracked = &self.given.untracked;
        let by_length = |gap: &&super::tracks::Gap| gap.distance_m;
        let longest = (untracked.gaps.iter())
            .max_by(|a, b| by_length(a).total_cmp(&by_length(b)))
            .map(|gap| (gap.distance_m, gap.from.at));
        if longest.is_none() && untracked.outliers == 0 {
            return None;
        }
        let mut words = Vec::new();
        if let Some((longest_m, _)) = longest {
            words.push(format!(
                "across gaps nothing is taken for cut; the longest is {longest_m:.0} m, and what was cut there is not \
                 known"
            ));
        }
        if untracked.outliers > 0 {
            words.push(format!(
                "{} fixes dropped that the machine cannot have driven to",
                untracked.outliers
            ));
        }
        let judged = row(
            Named {
                id: "track-gaps",
                title: "Interruptions of the tracks".to_owned(),
                unit: "gaps",
            },
            Some(0.0),
            Some(untracked.gaps.len() as f64),
            None,
            (Verdict::Warn, words.join("; ")),
            "the tracks given; docs/audit.md, Tracks".into(),
        );
        Some(judged.at(longest.map(|(_, at)| self.block.frame.enter(at))))
    }
}
