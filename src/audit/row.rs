//! Rows of an audit, and the one place where a measure becomes a verdict.

use geo::{Coord, MultiPolygon};
use serde::Serialize;

use super::field::InField;
use super::ground::onto;
use crate::geometry::distance::{Segment, point_segment};
use crate::model::{ComplianceRow, Verdict};

pub use crate::model::Named;
pub use crate::rulebook::Origin;
use crate::rulebook::ReadStatus;

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
    /// How far the figure may be off, to both sides, in the row's unit, at `confidence`; None: a tolerance is given, or nobody
    /// knows.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub error: Option<f64>,
    /// 0 to 1; None: a tolerance is given.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub confidence: Option<f64>,
    /// Of tracks whose fixes are each off by themselves: the figure by the fixes as recorded, of which the worst is off the most.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub as_recorded: Option<f64>,
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
    /// Of a distance: what it is measured to.
    pub toward: Option<Toward>,
}

/// What a distance is measured to from the place where it is worst.
#[derive(Clone, Debug)]
pub struct Toward {
    /// Its nearest point: the edge of a line or point that has a width lies that much before it.
    pub at: Coord,
    /// Its edges, or its line, as drawn, around the place.
    pub edges: Vec<[Coord; 2]>,
}

/// Edges farther off a place than this are not shown with it.
const SHOWN_AROUND_M: f64 = 120.0;

impl Toward {
    /// None: there are no edges. `half_m` is from a line as drawn to its edge.
    pub fn of(segments: &[Segment], from: Coord, half_m: f64) -> Option<Toward> {
        let away = |s: &Segment| point_segment(from, s.a, s.b);
        let nearest = segments.iter().min_by(|a, b| away(a).total_cmp(&away(b)))?;
        let foot = onto(from, nearest.a, nearest.b);
        let long_m = (foot - from).x.hypot((foot - from).y);
        let share = match long_m > half_m && half_m > 0.0 {
            true => 1.0 - half_m / long_m,
            false => 1.0,
        };
        let around = segments
            .iter()
            .filter(|s| away(s) <= SHOWN_AROUND_M.max(long_m));
        Some(Toward {
            at: from + (foot - from) * share,
            edges: around.map(|s| [s.a, s.b]).collect(),
        })
    }
}

/// How far a figure may be off before it falls short beyond doubt.
#[derive(Clone, Debug, PartialEq)]
pub enum Leeway {
    /// Falling short by up to so much is a warning.
    Tolerance(f64),
    /// The figure is known to so much to both sides, at a confidence.
    Error {
        /// None: nobody knows.
        half: Option<f64>,
        confidence: f64,
        /// Why nobody knows.
        unknown: String,
    },
}

impl Leeway {
    /// What falls short by more does so beyond doubt.
    pub fn limit(&self) -> f64 {
        match self {
            Leeway::Tolerance(limit) => *limit,
            Leeway::Error { half, .. } => half.unwrap_or(f64::INFINITY),
        }
    }

    /// As much more.
    pub fn plus(self, more: f64) -> Leeway {
        match self {
            Leeway::Tolerance(limit) => Leeway::Tolerance(limit + more),
            Leeway::Error {
                half,
                confidence,
                unknown,
            } => Leeway::Error {
                half: half.map(|half| half + more),
                confidence,
                unknown,
            },
        }
    }

    /// The error as stated, for a row.
    fn told(&self) -> (Option<f64>, Option<f64>) {
        match self {
            Leeway::Tolerance(_) => (None, None),
            Leeway::Error {
                half, confidence, ..
            } => (half.map(shown), Some(*confidence)),
        }
    }
}

/// A measure set against its requirement.
#[derive(Clone, Debug)]
pub struct Measure<'m> {
    /// What is missing, or too much; 0 or less: nothing.
    pub short: f64,
    pub rounding: f64,
    pub leeway: Leeway,
    /// Why nobody can tell although nothing is measured short; None: it can be told.
    pub doubt: Option<&'m str>,
    /// True: with the doubt resolved in the block's favour it might still hold.
    pub doubt_may_save: bool,
}

/// `95 %`.
pub(super) fn sure_in_words(confidence: f64) -> String {
    format!("{} %", (confidence * 1e4).round() / 1e2)
}

/// A length or share in words.
fn figure(value: f64, unit: &str) -> String {
    match unit {
        "share" => format!("{:.2} %", 100.0 * value),
        "m" | "ha" => format!("{value:.2} {unit}"),
        _ => format!("{value:.3} {unit}"),
    }
}

impl Measure<'_> {
    /// Beyond the tolerance a failure, within it a warning; unknown where data to judge is missing. Where errors are stated what
    /// falls short fails beyond doubt only, and else cannot be told.
    pub fn verdict(&self, status: Option<ReadStatus>, unit: &str) -> (Verdict, String) {
        let falls_short = self.short > self.rounding;
        let because = |why: &str| format!("cannot be told: {why}");
        if let Some(why) = self.doubt.filter(|_| falls_short && self.doubt_may_save) {
            let words = format!("{}; short of what is asked at most", because(why));
            return (Verdict::Unknown, words);
        }
        let (beyond, within) = self.words(unit);
        if self.short > self.leeway.limit() + self.rounding {
            return (Verdict::Fail, beyond);
        }
        if falls_short {
            return match self.leeway {
                Leeway::Tolerance(_) => (Verdict::Warn, within),
                Leeway::Error { .. } => (Verdict::Unknown, within),
            };
        }
        match self.doubt {
            Some(why) => (Verdict::Unknown, because(why)),
            None if status == Some(ReadStatus::FromMemory) => (
                Verdict::Warn,
                "holds, but the rule is known from memory only".to_owned(),
            ),
            None => (Verdict::Pass, self.spare_in_words(unit)),
        }
    }

    /// What is said of a figure that falls short, beyond doubt and not.
    fn words(&self, unit: &str) -> (String, String) {
        let Leeway::Error {
            half,
            confidence,
            unknown,
        } = &self.leeway
        else {
            let beyond = "beyond tolerance".to_owned();
            return (beyond, "short, but within tolerance".to_owned());
        };
        let short = figure(self.short, unit);
        match half {
            Some(half) => {
                let known = format!("short by {short} ± {}", figure(*half, unit));
                let sure = sure_in_words(*confidence);
                (
                    format!("{known}, beyond doubt at {sure}"),
                    format!("cannot be told at {sure}: {known}"),
                )
            }
            None => (
                String::new(),
                format!("cannot be told: short by {short} as drawn, but {unknown}"),
            ),
        }
    }

    fn spare_in_words(&self, unit: &str) -> String {
        let Leeway::Error {
            half,
            confidence,
            unknown,
        } = &self.leeway
        else {
            return String::new();
        };
        let spare = figure(-self.short, unit);
        let sure = sure_in_words(*confidence);
        match half {
            Some(half) if -self.short >= *half => {
                format!(
                    "{spare} ± {} to spare, beyond doubt at {sure}",
                    figure(*half, unit)
                )
            }
            Some(half) => format!(
                "holds as measured, {spare} ± {} to spare: not beyond doubt at {sure}",
                figure(*half, unit)
            ),
            None => format!("holds as drawn, {spare} to spare; {unknown}"),
        }
    }
}

/// What a rule known from memory only decides: nothing alone. What falls short of it is to be looked up.
pub fn decided(verdict: (Verdict, String), status: Option<ReadStatus>) -> (Verdict, String) {
    match (verdict, status) {
        ((Verdict::Fail, why), Some(ReadStatus::FromMemory)) => {
            let memory = "the rule is known from memory only";
            let parts = [why.as_str(), memory].into_iter();
            let told: Vec<&str> = parts.filter(|part| !part.is_empty()).collect();
            (Verdict::Warn, told.join("; "))
        }
        (verdict, _) => verdict,
    }
}

/// Title and figures of a row that was measured.
pub fn measured(
    named: Named,
    (required, measured): (f64, f64),
    measure: Measure,
    origin: Origin,
) -> Judged {
    let (status, message) = measure.verdict(origin.status, named.unit);
    let tolerance = match measure.leeway {
        Leeway::Tolerance(tolerance) => Some(shown(tolerance)),
        Leeway::Error { .. } => None,
    };
    let mut judged = row(
        named,
        Some(required),
        Some(measured),
        tolerance,
        (status, message),
        origin,
    );
    (judged.row.error, judged.row.confidence) = measure.leeway.told();
    judged.row.short = Some(shown(measure.short));
    judged
}

/// A row with a verdict of its own.
pub fn row(
    named: Named,
    required: Option<f64>,
    measured: Option<f64>,
    tolerance: Option<f64>,
    verdict: (Verdict, String),
    origin: Origin,
) -> Judged {
    let (status, message) = decided(verdict, origin.status);
    Judged {
        row: AuditRow {
            row: origin.row(named, (required.map(shown), measured.map(shown)), status),
            tolerance,
            error: None,
            confidence: None,
            as_recorded: None,
            short: None,
            area_m2: None,
            x: None,
            y: None,
            message,
            field: None,
        },
        place: None,
        ground: None,
        toward: None,
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

    /// Adds what the distance is measured to.
    pub fn toward(mut self, toward: Option<Toward>) -> Judged {
        self.toward = toward;
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
            leeway: Leeway::Tolerance(2.0),
            doubt,
            doubt_may_save,
        };
        let verdict = |m: Measure| m.verdict(None, "m").0;
        assert_eq!(verdict(measure(-1.0, None, false)), Verdict::Pass);
        assert_eq!(verdict(measure(0.0005, None, false)), Verdict::Pass);
        assert_eq!(verdict(measure(0.1, None, false)), Verdict::Warn);
        assert!(
            measure(0.1, None, false)
                .verdict(None, "m")
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
        let holds = measure(-1.0, None, false).verdict(memory, "m");
        assert_eq!(decided(holds, memory).0, Verdict::Warn);
        // Falling short of a figure that nobody has read fails nothing alone either.
        let short = measure(2.1, None, false).verdict(memory, "m");
        let told = "beyond tolerance; the rule is known from memory only".to_owned();
        assert_eq!(decided(short.clone(), memory), (Verdict::Warn, told));
        assert_eq!(decided(short, None).0, Verdict::Fail);
    }

    #[test]
    fn with_errors_stated_a_verdict_says_how_sure_it_is() {
        let measure = |short, half: Option<f64>| Measure {
            short,
            rounding: ROUNDING_M,
            leeway: Leeway::Error {
                half,
                confidence: 0.95,
                unknown: "nobody says".to_owned(),
            },
            doubt: None,
            doubt_may_save: false,
        };
        let verdict = |short, half| measure(short, half).verdict(None, "m");
        let said = "short by 2.10 m ± 1.30 m, beyond doubt at 95 %";
        assert_eq!(verdict(2.1, Some(1.3)), (Verdict::Fail, said.to_owned()));
        let said = "cannot be told at 95 %: short by 1.10 m ± 1.30 m";
        assert_eq!(verdict(1.1, Some(1.3)), (Verdict::Unknown, said.to_owned()));
        let (status, said) = verdict(-0.4, Some(1.3));
        assert_eq!(status, Verdict::Pass);
        assert!(said.contains("not beyond doubt"), "{said}");
        let (status, said) = verdict(-1.4, Some(1.3));
        assert!(status == Verdict::Pass && said.contains("beyond doubt at 95 %"));
        // However much: nobody knows how far it may be off.
        assert_eq!(verdict(50.0, None).0, Verdict::Unknown);
        assert_eq!(
            measure(0.03, Some(0.01)).verdict(None, "share").1,
            "short by 3.00 % ± 1.00 %, beyond doubt at 95 %"
        );
    }
}
