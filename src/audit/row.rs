//! Rows of an audit, and the one place where a measure becomes a verdict.

use geo::{Coord, MultiPolygon};
use serde::Serialize;

use super::field::InField;
use crate::model::{ComplianceRow, Verdict};
use crate::rulebook::{Citation, Cited, ReadStatus, RuleLine};

/// What two measurements of the same geometry may differ by: the overlay's grid, and a margin.
pub const ROUNDING_M: f64 = 0.001;
/// The same for shares: arcs are drawn as chords.
pub const SHARE_ROUNDING: f64 = 1e-5;

/// One row: what a rule requires of a block and what was measured.
#[derive(Clone, Debug, Serialize)]
pub struct AuditRow {
    #[serde(flatten)]
    pub row: ComplianceRow,
    /// Measurement error allowed for, in the row's unit.
    pub tolerance: Option<f64>,
    /// What is missing to the requirement, or too much, in the row's unit; 0 or less: nothing.
    pub short: Option<f64>,
    /// Ground that falls short.
    pub area_m2: Option<f64>,
    /// Where it is worst, in the work CRS.
    pub x: Option<f64>,
    pub y: Option<f64>,
    /// Why the verdict is what it is, in words.
    pub message: String,
    /// What somebody measured there, which the verdict is by then; `measured` and `short` stay what the layers say.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub field: Option<InField>,
}

/// A row with its geometry, in the block's local frame.
#[derive(Clone, Debug)]
pub struct Judged {
    pub row: AuditRow,
    pub place: Option<Coord>,
    pub ground: Option<MultiPolygon>,
}

/// Where a requirement is written.
#[derive(Clone, Debug)]
pub struct Origin {
    pub text: String,
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

    pub fn of_share(line: &RuleLine) -> Origin {
        Origin::cited(line.share_source(), &line.origin)
    }

    /// The rule, where the value in force is its own; else words of ours.
    pub fn of_rule_or(rule: Option<&Cited<f64>>, in_force: f64, words: &str) -> Origin {
        match rule.filter(|rule| rule.value == in_force) {
            Some(rule) => Origin::from(rule),
            None => Origin::from(words),
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

/// A measure set against its requirement.
#[derive(Clone, Copy, Debug)]
pub struct Measure<'m> {
    /// What is missing, or too much; 0 or less: nothing.
    pub short: f64,
    pub rounding: f64,
    pub tolerance: f64,
    /// Why nobody can tell although nothing is measured short; None: it can be told.
    pub doubt: Option<&'m str>,
    /// True: with the doubt resolved in the block's favour it might still hold.
    pub doubt_may_save: bool,
}

impl Measure<'_> {
    /// Beyond the tolerance a failure, within it a warning; unknown where data to judge is missing.
    pub fn verdict(&self, status: Option<ReadStatus>) -> (Verdict, String) {
        let falls_short = self.short > self.rounding;
        let because = |why: &str| format!("cannot be told: {why}");
        match self.doubt {
            Some(why) if falls_short && self.doubt_may_save => (
                Verdict::Unknown,
                format!("{}; short of what is asked at most", because(why)),
            ),
            _ if self.short > self.tolerance + self.rounding => {
                (Verdict::Fail, "beyond tolerance".to_owned())
            }
            _ if falls_short => (Verdict::Warn, "short, but within tolerance".to_owned()),
            Some(why) => (Verdict::Unknown, because(why)),
            None if status == Some(ReadStatus::FromMemory) => (
                Verdict::Warn,
                "holds, but the rule is known from memory only".to_owned(),
            ),
            None => (Verdict::Pass, String::new()),
        }
    }
}

/// Names a row.
#[derive(Clone, Debug)]
pub struct Named<'n> {
    pub id: &'n str,
    pub title: String,
    pub unit: &'static str,
}

/// Title and figures of a row that was measured.
pub fn measured(
    named: Named,
    (required, measured): (f64, f64),
    measure: Measure,
    origin: Origin,
) -> Judged {
    let (status, message) = measure.verdict(origin.status);
    let mut judged = row(
        named,
        Some(required),
        Some(measured),
        Some(shown(measure.tolerance)),
        (status, message),
        origin,
    );
    judged.row.short = Some(shown(measure.short));
    judged
}

/// A row with a verdict of its own.
pub fn row(
    named: Named,
    required: Option<f64>,
    measured: Option<f64>,
    tolerance: Option<f64>,
    (status, message): (Verdict, String),
    origin: Origin,
) -> Judged {
    Judged {
        row: AuditRow {
            row: ComplianceRow {
                rule_id: named.id.to_owned(),
                title: named.title,
                required: required.map(shown),
                measured: measured.map(shown),
                with_map_error: None,
                unit: named.unit,
                status,
                source: origin.text,
                origin: origin.line,
                source_status: origin.status.map_or("", ReadStatus::key),
            },
            tolerance,
            short: None,
            area_m2: None,
            x: None,
            y: None,
            message,
            field: None,
        },
        place: None,
        ground: None,
    }
}

/// To a millionth: what lies below is the overlay's grid and must not show as a difference between two audits.
pub fn shown(value: f64) -> f64 {
    (value * 1e6).round() / 1e6 + 0.0
}

impl Judged {
    pub fn at(mut self, place: Option<Coord>) -> Judged {
        self.place = place;
        self
    }

    /// Adds the ground that falls short, with its area.
    pub fn over(mut self, ground: MultiPolygon) -> Judged {
        let area_m2 = crate::geometry::area::area(&ground);
        self.row.area_m2 = Some((area_m2 * 1e3).round() / 1e3 + 0.0);
        self.ground = Some(ground).filter(|ground| !ground.0.is_empty());
        self
    }

    /// Adds words to the message.
    pub fn saying(mut self, words: &str) -> Judged {
        if !self.row.message.is_empty() && !words.is_empty() {
            self.row.message += "; ";
        }
        self.row.message += words;
        self
    }

    pub fn status(&self) -> Verdict {
        self.row.row.status
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn beyond_tolerance_fails_within_it_warns_and_doubt_is_never_a_pass() {
        let measure = |short, doubt, doubt_may_save| Measure {
            short,
            rounding: ROUNDING_M,
            tolerance: 2.0,
            doubt,
            doubt_may_save,
        };
        let verdict = |m: Measure| m.verdict(None).0;
        assert_eq!(verdict(measure(-1.0, None, false)), Verdict::Pass);
        assert_eq!(verdict(measure(0.0005, None, false)), Verdict::Pass);
        assert_eq!(verdict(measure(0.1, None, false)), Verdict::Warn);
        assert!(
            measure(0.1, None, false)
                .verdict(None)
                .1
                .contains("within tolerance")
        );
        assert_eq!(verdict(measure(2.1, None, false)), Verdict::Fail);
        assert_eq!(
            verdict(measure(-1.0, Some("no class"), true)),
            Verdict::Unknown
        );
        assert_eq!(
            verdict(measure(2.1, Some("no class"), true)),
            Verdict::Unknown
        );
        // Whatever class it has: this is too near.
        assert_eq!(
            verdict(measure(2.1, Some("no class"), false)),
            Verdict::Fail
        );
        let memory = Some(ReadStatus::FromMemory);
        assert_eq!(measure(-1.0, None, false).verdict(memory).0, Verdict::Warn);
    }
}
