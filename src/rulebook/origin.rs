//! Where a requirement is written, and the one place where a row is made of it.

use super::{Citation, Cited, ReadStatus, RuleLine};
use crate::model::{ComplianceRow, Named, Verdict};

/// A line of the rulebook, or words of our own for what no rulebook states.
#[derive(Clone, Debug)]
pub struct Origin {
    pub text: String,
    /// File and line of the rule; empty for words of our own, and then it has no status.
    pub line: String,
    pub status: Option<ReadStatus>,
}

impl Origin {
    fn cited(citation: &Citation, line: &str) -> Origin {
        Origin {
            text: citation.text.clone(),
            line: line.to_owned(),
            status: Some(citation.status),
        }
    }

    /// Of a line's management share, which may be written elsewhere than its widths.
    pub fn of_share(line: &RuleLine) -> Origin {
        Origin::cited(line.share_source(), &line.origin)
    }

    /// The rule, if there is one; else words of ours.
    pub fn of_rule_or(rule: Option<&Cited<f64>>, words: &str) -> Origin {
        rule.map_or_else(|| words.into(), Origin::from)
    }

    /// The rule, where the value in force is its own; else words of ours.
    pub fn of_rule_in_force(rule: Option<&Cited<f64>>, in_force: f64, words: &str) -> Origin {
        Origin::of_rule_or(rule.filter(|rule| rule.value == in_force), words)
    }

    pub fn is_from_memory(&self) -> bool {
        self.status == Some(ReadStatus::FromMemory)
    }

    /// A row of what is asked there.
    pub fn row(
        self,
        named: Named,
        (required, measured): (Option<f64>, Option<f64>),
        status: Verdict,
    ) -> ComplianceRow {
        ComplianceRow {
            rule_id: named.id,
            title: named.title,
            required,
            measured,
            with_map_error: None,
            unit: named.unit,
            status,
            source: self.text,
            origin: self.line,
            source_status: self.status.map_or("", ReadStatus::key),
        }
    }
}

impl From<&str> for Origin {
    fn from(text: &str) -> Origin {
        Origin {
            text: text.to_owned(),
            line: String::new(),
            status: None,
        }
    }
}

impl From<&RuleLine> for Origin {
    fn from(line: &RuleLine) -> Origin {
        Origin::cited(&line.citation, &line.origin)
    }
}

impl<T> From<&Cited<T>> for Origin {
    fn from(cited: &Cited<T>) -> Origin {
        Origin::cited(&cited.citation, &cited.origin)
    }
}
