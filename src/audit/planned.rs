//! What was cut against what was planned: left uncut, and cut beyond the plan; and work in the dark.

use geo::{MultiPolygon, Polygon};

use super::cut::BlockCut;
use super::farthest::farthest;
use super::ground::Ground;
use super::row::{Judged, ROUNDING_M, row};
use super::scene::Scene;
use super::split::{split, union_of};
use crate::geometry::area::{area, polygon_area};
use crate::geometry::distance::SegmentIndex;
use crate::model::{RuleId, Verdict};
use crate::units::hectares;

const PRECISION_M: f64 = 0.01;

/// Pieces of a difference and how deep the worst of them is.
struct Deviation {
    /// Pieces deeper than the tolerance.
    beyond: Vec<Polygon>,
    within_m2: f64,
    deepest: Option<(f64, geo::Coord)>,
}

fn deviation(subject: &MultiPolygon, other: &MultiPolygon, tolerance_m: f64) -> Deviation {
    let edges = SegmentIndex::of_boundary(other);
    let mut found = Deviation {
        beyond: vec![],
        within_m2: 0.0,
        deepest: None,
    };
    for piece in split(subject, &other.0).outside.0 {
        let shape = MultiPolygon(vec![piece.clone()]);
        let (depth_m, at) = if edges.is_empty() {
            (f64::INFINITY, piece.exterior().0[0])
        } else {
            farthest(&shape, &edges, PRECISION_M).unwrap_or((0.0, piece.exterior().0[0]))
        };
        if depth_m > tolerance_m + PRECISION_M {
            found.beyond.push(piece);
        } else {
            found.within_m2 += polygon_area(&piece);
        }
        if found.deepest.is_none_or(|(most_m, _)| depth_m > most_m) {
            found.deepest = Some((depth_m, at));
        }
    }
    found
}

impl Scene<'_> {
    /// Two rows: planned but not cut, and cut but not planned.
    pub(super) fn planned(&self, plan: &BlockCut) -> Vec<Judged> {
        let planned = Ground::new(plan.pieces.iter().map(|piece| self.local(&piece.shape)));
        let planned = union_of(&planned.shape.0);
        let cut = union_of(&self.cut.shape.0);
        let tolerance_m = self.context.limit_m();
        let judge = |rule: RuleId, from: &MultiPolygon, other: &MultiPolygon, beyond| {
            let found = deviation(from, other, tolerance_m);
            let beyond_m2: f64 = found.beyond.iter().map(polygon_area).sum();
            let all_m2 = beyond_m2 + found.within_m2;
            let deep = found.deepest.filter(|(m, _)| *m > ROUNDING_M);
            let verdict = if !found.beyond.is_empty() {
                (beyond, "beyond tolerance".to_owned())
            } else if deep.is_some_and(|(m, _)| m > PRECISION_M) && found.within_m2 > 0.0 {
                let words = "the two differ, but within tolerance";
                (Verdict::Warn, words.to_owned())
            } else {
                (Verdict::Pass, String::new())
            };
            let passes = verdict.0 <= Verdict::NotApplicable;
            let named = rule.named();
            let figures = (Some(0.0), Some(hectares(all_m2)));
            let origin = "the plan given".into();
            let mut judged = row(named, figures.0, figures.1, None, verdict, origin);
            if passes {
                return judged;
            }
            if let Some((depth_m, at)) = deep {
                if depth_m.is_finite() {
                    judged = judged.saying(&format!("{depth_m:.2} m at its deepest"));
                }
                judged = judged.at(Some(at));
            }
            judged.over(MultiPolygon(found.beyond))
        };
        vec![
            judge(RuleId::CutBeyondPlan, &cut, &planned, Verdict::Fail),
            // Nothing is broken where trees still stand; somebody has to know.
            judge(RuleId::PlannedUncut, &planned, &cut, Verdict::Warn),
            self.area_row(area(&planned), area(&cut)),
        ]
    }

    fn area_row(&self, planned_m2: f64, cut_m2: f64) -> Judged {
        let named = RuleId::AreaCut.named();
        let verdict = (Verdict::NotApplicable, "for information".to_owned());
        let (planned, cut) = (hectares(planned_m2), hectares(cut_m2));
        row(
            named,
            Some(planned),
            Some(cut),
            None,
            verdict,
            "the plan given".into(),
        )
    }
}
