//! How sure a figure is: from what each source says of its positions to the ± of a verdict.
//!
//! Positions are off by normal errors, alike along all directions. Of distances those of both sides count; of areas those of
//! corners (Chrisman & Yandell 1988, *Effects of point error on area calculations: a statistical model*), or, where a source is
//! off as one, what its shift takes away.

use geo::{Coord, MultiPolygon, Simplify};
use serde::Serialize;
use statrs::distribution::{ContinuousCDF, Normal};

use super::row::Leeway;
use crate::geometry::area::{length, rings};
use crate::geometry::distance::SegmentIndex;
use crate::landbase::NearFeature;
use crate::model::{Accuracy, Position};

/// An edge of standing ground no farther from the cut's outline than this is the cut's.
const ON_CUT_M: f64 = 0.05;
/// Corners of an outline nearer than this to the straight line without them do not make two sides of one.
const SIDE_M: f64 = 0.5;
/// Spacing of the places of an edge that are asked whether they are the cut's.
const STEP_M: f64 = 5.0;
/// Of positions that are normal along both directions, so much of the radial error at a confidence: root of -2 ln(1 - c).
fn radial(confidence: f64) -> f64 {
    (-2.0 * (1.0 - confidence).ln()).sqrt()
}

/// Which errors go together.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Together {
    /// Each corner or fix is off by itself.
    Independent,
    /// All of a source, or all of a track, is off by the same.
    Shared,
    /// Nobody says: of the two whichever leaves a figure less certain.
    Unstated,
}

/// What is said of the cut: where it was measured, and how sure a verdict must be.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Stated {
    pub position: Position,
    pub together: Together,
    /// 0 to 1.
    pub confidence: f64,
    /// Where the figure is written.
    pub source: String,
}

/// By what figures that fall short are judged.
#[derive(Clone, Debug, PartialEq)]
pub enum Certainty {
    /// As if every edge were off by so much to the worse side, m.
    Tolerance(f64),
    /// Nobody says; distances are given so much, m, and areas what sides of outlines that are each off by it come to.
    Assumed(f64),
    Stated(Stated),
}

/// Edges of standing ground that may lie elsewhere.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct EdgeSpread {
    /// All edges, m.
    pub length_m: f64,
    /// By how much area changes, as a standard error, for each metre that corners are off by themselves: squared.
    pub corners_m2: f64,
    /// The same for the ends of straight sides.
    pub sides_m2: f64,
    /// By how much it changes for each metre that the whole cut lies east or north of where it was drawn.
    pub pull_m: [f64; 2],
}

impl std::ops::AddAssign for EdgeSpread {
    fn add_assign(&mut self, other: EdgeSpread) {
        self.length_m += other.length_m;
        self.corners_m2 += other.corners_m2;
        self.sides_m2 += other.sides_m2;
        for (own, more) in self.pull_m.iter_mut().zip(other.pull_m) {
            *own += more;
        }
    }
}

/// A quarter of the squared chords beside each corner that is the cut's: area's variance for each m² of a corner's.
fn corners(ring: &geo::LineString, is_cut: &dyn Fn(Coord) -> bool) -> f64 {
    let open = &ring.0[..ring.0.len().saturating_sub(1)];
    let count = open.len();
    (0..count)
        .filter(|&k| is_cut(open[k]))
        .map(|k| {
            let chord = open[(k + 1) % count] - open[(k + count - 1) % count];
            (chord.x * chord.x + chord.y * chord.y) / 4.0
        })
        .sum()
}

impl EdgeSpread {
    /// Of standing ground: how long its edges are.
    pub fn long(ground: &MultiPolygon) -> EdgeSpread {
        EdgeSpread {
            length_m: ground.0.iter().flat_map(rings).map(length).sum(),
            ..EdgeSpread::default()
        }
    }

    /// The same, and how its area hangs on a cut with this outline.
    pub fn of(ground: &MultiPolygon, cut: &SegmentIndex) -> EdgeSpread {
        let is_cut = |at: Coord| cut.distance(at, ON_CUT_M).is_some();
        let mut found = EdgeSpread::default();
        for ring in ground.0.iter().flat_map(rings) {
            found.length_m += length(ring);
            found.corners_m2 += corners(ring, &is_cut);
            found.sides_m2 += corners(&ring.simplify(SIDE_M), &is_cut);
            for w in ring.0.windows(2) {
                // An edge may follow the cut on a part of its way.
                let along = w[1] - w[0];
                let steps = (along.x.hypot(along.y) / STEP_M).ceil().max(1.0) as u32;
                let step = along / f64::from(steps);
                for k in 0..steps {
                    if is_cut(w[0] + step * (f64::from(k) + 0.5)) {
                        found.pull_m[0] += step.y;
                        found.pull_m[1] -= step.x;
                    }
                }
            }
        }
        found
    }

    fn pulled_m2(&self) -> f64 {
        self.pull_m.iter().map(|m| m * m).sum()
    }
}

/// How many standard errors to both sides hold a figure with a confidence.
pub fn errors_wide(confidence: f64) -> f64 {
    Normal::standard().inverse_cdf((1.0 + confidence) / 2.0)
}

/// The same for the worst of several that are off independently of one another (Šidák 1967).
fn errors_wide_of(several: usize, confidence: f64) -> f64 {
    let each = f64::powf((1.0 + confidence) / 2.0, 1.0 / several.max(1) as f64);
    Normal::standard().inverse_cdf(each)
}

/// What a feature may be off along one direction, m; or why nobody knows.
pub fn feature_error_m(accuracy: &Accuracy, named: impl Fn() -> String) -> Result<f64, String> {
    match (accuracy.off_m, accuracy.confidence) {
        (Some(off_m), _) if off_m <= 0.0 => Ok(0.0),
        (Some(off_m), Some(confidence)) if confidence > 0.0 && confidence < 1.0 => {
            Ok(off_m / radial(confidence))
        }
        (Some(_), _) => Err(format!(
            "at what confidence {} lies where it is mapped nobody says",
            named()
        )),
        (None, _) => Err(format!(
            "how far {} may lie from where it is mapped nobody says",
            named()
        )),
    }
}

/// The same of a feature near a block.
pub fn near_error_m(near: &NearFeature) -> Result<f64, String> {
    let feature = &near.feature;
    feature_error_m(&Accuracy::of(&feature.facts), || {
        format!("{}, feature {}", feature.source_layer, feature.id)
    })
}

impl Certainty {
    /// How far an edge may lie elsewhere, m: the tolerance, or at the confidence; 0 where nobody knows.
    pub fn limit_m(&self) -> f64 {
        match self {
            Certainty::Tolerance(m) | Certainty::Assumed(m) => *m,
            Certainty::Stated(stated) => {
                errors_wide(stated.confidence) * stated.position.error_m().unwrap_or(0.0)
            }
        }
    }

    /// Standard errors, m, of what is off by itself and of what is off as one; None where nobody states any.
    pub fn stated(&self) -> Option<&Stated> {
        match self {
            Certainty::Stated(stated) => Some(stated),
            Certainty::Tolerance(_) | Certainty::Assumed(_) => None,
        }
    }

    /// The same for tracks of which each fix is off by itself.
    pub fn fix_error_m(&self) -> Option<f64> {
        let stated = self
            .stated()
            .filter(|own| own.together != Together::Shared)?;
        stated.position.error_m().filter(|&m| m > 0.0)
    }

    /// Of a distance from what was cut to something that may be off by `other`, m along one direction; the worst of `several`
    /// places of the cut.
    pub fn of_distance(&self, several: usize, other: Result<f64, String>) -> Leeway {
        let stated = match self {
            Certainty::Tolerance(m) | Certainty::Assumed(m) => return Leeway::Tolerance(*m),
            Certainty::Stated(stated) => stated,
        };
        let several = match stated.together {
            Together::Shared => 1,
            Together::Independent | Together::Unstated => several,
        };
        let wide = errors_wide(stated.confidence);
        let own = errors_wide_of(several, stated.confidence);
        stated.leeway(other, |own_m, other_m| (own * own_m).hypot(wide * other_m))
    }

    /// Of a distance that was told from smoothed tracks: `error` m along one direction for what is off by itself.
    pub fn of_smoothed(&self, error_m: f64, other: Result<f64, String>) -> Leeway {
        let Certainty::Stated(stated) = self else {
            return Leeway::Tolerance(self.limit_m());
        };
        let wide = errors_wide(stated.confidence);
        stated.leeway(other, |own_m, other_m| {
            let shared_m = match stated.together {
                Together::Independent => 0.0,
                Together::Shared | Together::Unstated => own_m,
            };
            // Whichever is less certain: all of it each fix's own, or all of it shared.
            wide * error_m.max(shared_m).hypot(other_m)
        })
    }

    /// Of the width of the narrowest or widest of `several` pieces between two edges, `of` of which are one of the row's units.
    pub fn of_width(&self, several: usize, unit_m: f64) -> Leeway {
        match self {
            Certainty::Tolerance(m) | Certainty::Assumed(m) => Leeway::Tolerance(2.0 * m / unit_m),
            Certainty::Stated(stated) => {
                let own = errors_wide_of(several, stated.confidence);
                stated.leeway(Ok(0.0), |own_m, _| match stated.together {
                    // Both edges move alike.
                    Together::Shared => 0.0,
                    _ => own * own_m * std::f64::consts::SQRT_2 / unit_m,
                })
            }
        }
    }

    /// Of an area beside these edges, m², of which `unit_m2` are one of the row's units.
    pub fn of_area(&self, edges: &EdgeSpread, unit_m2: f64) -> Leeway {
        if unit_m2 <= 0.0 {
            return Leeway::Tolerance(0.0);
        }
        match self {
            Certainty::Tolerance(m) => Leeway::Tolerance(m * edges.length_m / unit_m2),
            Certainty::Assumed(m) => {
                let worse_m = edges.sides_m2.max(edges.pulled_m2()).sqrt();
                Leeway::Tolerance(m * worse_m / unit_m2)
            }
            Certainty::Stated(stated) => {
                let metres = match stated.together {
                    Together::Independent => edges.corners_m2.sqrt(),
                    Together::Shared => edges.pulled_m2().sqrt(),
                    Together::Unstated => edges.sides_m2.max(edges.pulled_m2()).sqrt(),
                };
                let wide = errors_wide(stated.confidence);
                stated.leeway(Ok(0.0), |own_m, _| wide * own_m * metres / unit_m2)
            }
        }
    }
}

impl Stated {
    fn leeway(&self, other: Result<f64, String>, half: impl Fn(f64, f64) -> f64) -> Leeway {
        let own_m = self.position.error_m();
        let (half, unknown) = match (own_m, other) {
            (Some(own_m), Ok(other_m)) => (Some(half(own_m, other_m)), String::new()),
            (None, _) => (
                None,
                "how far what was cut may lie from where it was measured nobody says".to_owned(),
            ),
            (Some(_), Err(why)) => (None, why),
        };
        Leeway::Error {
            half,
            confidence: self.confidence,
            unknown,
        }
    }

    /// What an auditor must know of it, in words.
    pub fn words(&self) -> String {
        let together = match self.together {
            Together::Independent => "each corner or fix off by itself",
            Together::Shared => "all of a track or file off by the same",
            Together::Unstated => {
                "nobody says whether each corner is off by itself or all by the same, so that figures have whichever is less certain"
            }
        };
        let from = match (self.source.is_empty(), self.position.published()) {
            (false, _) => format!(" ({})", self.source),
            (true, "") => " (where that is written nobody says)".to_owned(),
            (true, published) => format!(" ({published})"),
        };
        match self.position.error_m() {
            Some(error_m) => format!(
                "What was cut is off by {:.2} m at 95 %, {:.2} m along any one direction as a standard error: {}{from}; {together}.",
                error_m * crate::model::RADIAL_95,
                error_m,
                self.position,
            ),
            None => format!(
                "How far what was cut may lie from where it was measured nobody says ({}): what falls short cannot be told.",
                self.position
            ),
        }
    }
}
