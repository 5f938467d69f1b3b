//! What tracks leave open: ground between two fixes that nobody recorded, and ground ahead of the last one.

use geo::{Coord, MultiPolygon};

use super::cut::BlockCut;
use super::farthest::farthest;
use super::ground::Ground;
use super::row::{Judged, ROUNDING_M, row, shown};
use super::scene::Scene;
use super::split::outside_of;
use super::tracks::End;
use crate::geometry::overlay::union;
use crate::model::{RuleId, Verdict};

/// An end no farther than this, and the tolerance, from the end of a planned line is where the plan ends it.
const AS_PLANNED_M: f64 = 1.0;
const PRECISION_M: f64 = 0.05;

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
            RuleId::TrackGaps.named(),
            Some(0.0),
            Some(untracked.gaps.len() as f64),
            None,
            (Verdict::Warn, words.join("; ")),
            "the tracks given; docs/audit.md, Tracks".into(),
        );
        Some(judged.at(longest.map(|(_, at)| self.block.frame.enter(at))))
    }

    /// Of tracks whose ends leave it open whether something was cut that must stand: half the cutting width ahead of the
    /// last place recorded the machine may have cut or not. Nothing is said of ends where the plan ends its lines, nor of
    /// ground that was cut from elsewhere.
    pub(super) fn track_ends(&self, plan: Option<&BlockCut>) -> Option<Judged> {
        let open = self.given.untracked.ends.iter();
        let open: Vec<&End> = open.filter(|end| !self.is_planned_end(end, plan)).collect();
        if open.is_empty() {
            return None;
        }
        let shapes: Vec<_> = open.iter().map(|end| self.local(&end.shape)).collect();
        let ahead = outside_of(&union(&shapes), &self.cut.shape.0);
        let mut found: Vec<(f64, Coord, String)> = vec![];
        let outside = outside_of(&ahead, &self.shape.shape.0);
        if let Some((out_m, at)) = farthest(&outside, self.shape.edges(), PRECISION_M) {
            found.push((out_m, at, format!("up to {out_m:.1} m outside the block")));
        }
        for (rule_id, short_m, at) in self.least_spares(&Ground::new(ahead.0.iter().cloned())) {
            found.push((
                short_m,
                at,
                format!("up to {short_m:.1} m too near by {rule_id}"),
            ));
        }
        found.retain(|(short_m, ..)| *short_m > self.context.limit_m() + ROUNDING_M);
        let (most_m, at) = found
            .iter()
            .map(|(short_m, at, _)| (*short_m, *at))
            .max_by(|a, b| a.0.total_cmp(&b.0))?;
        let words: Vec<String> = found.into_iter().map(|(.., words)| words).collect();
        let mut judged = row(
            RuleId::TrackEnds.named(),
            Some(0.0),
            Some(most_m),
            Some(self.context.limit_m()),
            (
                Verdict::Unknown,
                format!(
                    "cannot be told: from the last place recorded the machine still reaches ground {}; whether it was cut \
                     there the tracks do not say",
                    words.join(", ")
                ),
            ),
            "the tracks given; docs/audit.md, Tracks".into(),
        );
        judged.row.short = Some(shown(most_m));
        let beyond: Vec<_> = outside.0;
        Some(judged.at(Some(at)).over(MultiPolygon(beyond)))
    }

    fn is_planned_end(&self, end: &End, plan: Option<&BlockCut>) -> bool {
        let within_m = AS_PLANNED_M + self.context.limit_m();
        let lines = plan.into_iter().flat_map(|plan| &plan.lines);
        let mut ends = lines.flat_map(|line| {
            let ends = line.shape.0.first().into_iter();
            ends.chain(line.shape.0.last())
        });
        let frame = &self.block.frame;
        let at = frame.enter(end.at);
        ends.any(|&planned| {
            let off = frame.enter(planned) - at;
            off.x.hypot(off.y) <= within_m
        })
    }
}
