//! How the classes of a layer's features were found, for people who wonder why a zone is as wide as it is.

use std::collections::BTreeMap;

use serde::Serialize;

use crate::model::{Facts, LayerKind};
use crate::rulebook::{Match, Rulebook};

/// How the rule of a feature was found.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum ClassFound {
    /// The feature names the class, or the rule stands for every class.
    Given,
    /// By the facts and the class's definition.
    Derived,
    /// Neither: the widest rule that is still possible stands in.
    Assumed,
    /// No rule stands for this kind.
    NoRule,
}

impl ClassFound {
    pub fn key(self) -> &'static str {
        match self {
            ClassFound::Given => "given",
            ClassFound::Derived => "derived",
            ClassFound::Assumed => "assumed",
            ClassFound::NoRule => "no rule",
        }
    }
}

/// Features of one layer that have the same rule, found in the same way.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct ClassReport {
    /// Class of the rule; `-` without a rule.
    pub class: String,
    pub rule_id: String,
    pub found: ClassFound,
    pub features: u64,
    /// Facts by which the class could have been told, and of how many of the features they are not known. Empty unless
    /// the class was assumed.
    pub missing: BTreeMap<String, u64>,
}

/// Counts in the order of the rulebook's lines.
#[derive(Debug, Default)]
pub(super) struct ClassTally(BTreeMap<(usize, ClassFound), ClassReport>);

impl ClassTally {
    pub(super) fn add(
        &mut self,
        rules: &Rulebook,
        kind: LayerKind,
        found: Match<'_>,
        facts: &Facts,
    ) {
        let (line, how) = match found {
            Match::Line(line) => (Some(line), ClassFound::Given),
            Match::Derived(line) => (Some(line), ClassFound::Derived),
            Match::Assumed(line) => (Some(line), ClassFound::Assumed),
            Match::None => (None, ClassFound::NoRule),
        };
        let at = line.and_then(|line| rules.lines.iter().position(|own| own.id == line.id));
        let report = self.0.entry((at.unwrap_or(usize::MAX), how));
        let report = report.or_insert_with(|| ClassReport {
            class: line.map_or_else(|| "-".to_owned(), |line| line.class.clone()),
            rule_id: line.map_or_else(|| "-".to_owned(), |line| line.id.clone()),
            found: how,
            features: 0,
            missing: BTreeMap::new(),
        });
        report.features += 1;
        if how == ClassFound::Assumed {
            for name in missing(rules, kind, facts) {
                *report.missing.entry(name).or_default() += 1;
            }
        }
    }

    pub(super) fn reports(self) -> Vec<ClassReport> {
        self.0.into_values().collect()
    }
}

/// Facts that define classes of the kind and are not known of a feature.
pub(super) fn missing(rules: &Rulebook, kind: LayerKind, facts: &Facts) -> Vec<String> {
    let asked = rules.facts_of(kind).into_iter();
    asked
        .filter(|(name, _)| facts.get(name).is_none())
        .map(|(name, _)| name.to_owned())
        .collect()
}
