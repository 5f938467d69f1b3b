//! Where a requirement is written.

use super::Judge;
use crate::layout::decided_by;
use crate::model::LayoutSettings;
use crate::rulebook::{Citation, Cited, ReadStatus, RuleLine};

/// A line of the rulebook, or words of our own for what no rulebook states.
#[derive(Clone, Copy)]
pub(super) struct Source<'s> {
    pub text: &'s str,
    /// File and line of the rule.
    pub origin: &'s str,
    pub status: Option<ReadStatus>,
}

impl<'s> Source<'s> {
    fn of(citation: &'s Citation, origin: &'s str) -> Source<'s> {
        Source {
            text: &citation.text,
            origin,
            status: Some(citation.status),
        }
    }

    /// Of a line's management share, which may be written elsewhere than its widths.
    pub fn of_share(line: &'s RuleLine) -> Source<'s> {
        Source::of(line.share_source(), &line.origin)
    }

    /// The rule, if it is what decided; else words of our own.
    pub fn of_rule_or(rule: Option<&'s Cited<f64>>, words: &'s str) -> Source<'s> {
        rule.map_or_else(|| words.into(), Source::from)
    }

    pub fn is_from_memory(&self) -> bool {
        self.status == Some(ReadStatus::FromMemory)
    }
}

impl Judge<'_> {
    /// Where the road band in force is written.
    pub(super) fn road_band_source(&self) -> Source<'_> {
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
        Source::of_rule_or(rule, words)
    }
}

impl<'s> From<&'s str> for Source<'s> {
    fn from(text: &'s str) -> Source<'s> {
        Source {
            text,
            origin: "",
            status: None,
        }
    }
}

impl<'s> From<&'s RuleLine> for Source<'s> {
    fn from(line: &'s RuleLine) -> Source<'s> {
        Source::of(&line.citation, &line.origin)
    }
}

impl<'s, T> From<&'s Cited<T>> for Source<'s> {
    fn from(cited: &'s Cited<T>) -> Source<'s> {
        Source::of(&cited.citation, &cited.origin)
    }
}
