//! Whether what a plan cuts lies within reach of the lines that it drives for it.

use std::collections::BTreeMap;

use geo::{Coord, LineString, MultiPolygon, Polygon};

use super::cut::CutInput;
use super::farthest::farthest;
use super::reached::Reached;
use super::row::{Judged, Measure, ROUNDING_M, measured, row};
use super::scene::Scene;
use super::split::outside_of;
use crate::geometry::area::{area, rings};
use crate::geometry::distance::{SegmentIndex, line_segments, places_along};
use crate::model::{RuleId, StripKind, Verdict};
use crate::rulebook::Origin;

/// Outlines are asked this often.
const STEP_M: f64 = 1.0;
const PRECISION_M: f64 = 0.004;
/// On less ground, all of it together, no stem stands (own judgement).
const STEM_M2: f64 = 0.5;

impl Scene<'_> {
    /// The place of what a plan cuts that lies farthest from the lines driven for it: those of its setting, along strips or not.
    /// None: the plan has no lines, or nobody planned.
    pub(super) fn reach(&self) -> Option<Judged> {
        if self.given.input != CutInput::Plan || self.lines.is_empty() || self.cut.is_empty() {
            return None;
        }
        let reach_m = self.context.settings.machine.reach_m;
        let mut groups: BTreeMap<(u32, bool), Vec<&Polygon>> = BTreeMap::new();
        for (piece, shape) in self.given.pieces.iter().zip(&self.cut.shape.0) {
            let interior = piece.kind == Some(StripKind::Interior);
            groups
                .entry((piece.part, interior))
                .or_default()
                .push(shape);
        }
        let mut beyond: Vec<Polygon> = vec![];
        let mut worst: Option<(f64, Coord)> = None;
        for ((part, interior), pieces) in groups {
            let own = self.given.lines.iter().zip(&self.lines);
            let own = own.filter(|(line, _)| line.part == part && line.interior == interior);
            let mut lines: Vec<LineString> = own.map(|(_, line)| line.clone()).collect();
            if lines.is_empty() {
                lines.clone_from(&self.lines);
            }
            let driven = Driven::new(&lines, reach_m);
            for piece in pieces {
                let (out, found) = driven.of(piece, interior);
                beyond.extend(out.0);
                worst = [worst, found]
                    .into_iter()
                    .flatten()
                    .max_by(|a, b| a.0.total_cmp(&b.0));
            }
        }
        let (most_m, at) = worst?;
        let named = RuleId::Reach.named();
        let origin: Origin = "machine.reach of the project file".into();
        let beyond = MultiPolygon(beyond);
        let beyond_m2 = area(&beyond);
        if most_m > reach_m + ROUNDING_M && beyond_m2 < STEM_M2 {
            let said = format!("{beyond_m2:.2} m² in all lie out of reach, too little for a stem");
            let verdict = (Verdict::Warn, said);
            let judged = row(named, Some(reach_m), Some(most_m), None, verdict, origin);
            return Some(judged.at(Some(at)).over(beyond));
        }
        let judged = measured(
            named,
            (reach_m, most_m),
            Measure {
                short: most_m - reach_m,
                rounding: ROUNDING_M,
                leeway: self.context.certainty.of_distance(1, Ok(0.0)),
                doubt: None,
                doubt_may_save: false,
            },
            origin,
        );
        Some(match most_m > reach_m + ROUNDING_M {
            true => judged.at(Some(at)).over(beyond),
            false => judged,
        })
    }
}

/// Lines, and the ground within reach of them.
struct Driven {
    lines: SegmentIndex,
    reach_m: f64,
    reached: Vec<Polygon>,
}

impl Driven {
    fn new(lines: &[LineString], reach_m: f64) -> Driven {
        let mut reached = Reached::default();
        for line in lines {
            reached.line(&line.0, reach_m);
        }
        Driven {
            lines: SegmentIndex::new(line_segments(lines, 0).collect()),
            reach_m,
            reached: reached.0,
        }
    }

    fn off_m(&self, at: Coord) -> f64 {
        let within = self.lines.distance(at, self.reach_m + ROUNDING_M);
        within
            .or_else(|| self.lines.distance(at, f64::MAX / 4.0))
            .unwrap_or(f64::INFINITY)
    }

    /// What of a piece is out of reach, and its farthest place. One line cuts an interior strip, and no place in it is farther off
    /// than all of its outline; in what several cut the middle may be.
    fn of(&self, piece: &Polygon, interior: bool) -> (MultiPolygon, Option<(f64, Coord)>) {
        let outline = rings(piece).flat_map(|ring| ring.0.windows(2));
        let places = outline.flat_map(|w| places_along(w[0], w[1], STEP_M));
        let on_outline = places
            .map(|at| (self.off_m(at), at))
            .max_by(|a, b| a.0.total_cmp(&b.0));
        let strays = on_outline.is_some_and(|(m, _)| m > self.reach_m + ROUNDING_M);
        if interior && !strays {
            return (MultiPolygon(vec![]), on_outline);
        }
        let beyond = outside_of(&MultiPolygon(vec![piece.clone()]), &self.reached);
        let within = farthest(&beyond, &self.lines, PRECISION_M);
        let found = [on_outline, within].into_iter().flatten();
        (beyond, found.max_by(|a, b| a.0.total_cmp(&b.0)))
    }
}
