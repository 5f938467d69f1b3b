//! Whether what a plan cuts lies within reach of the lines that it drives, whatever those lines were laid for.

use geo::{Coord, MultiPolygon, Polygon};

use super::cut::CutInput;
use super::farthest::farthest;
use super::reached::Reached;
use super::row::{Judged, Measure, Named, ROUNDING_M, measured};
use super::scene::Scene;
use super::split::outside_of;
use crate::geometry::area::rings;
use crate::geometry::distance::{SegmentIndex, line_segments, places_along};
use crate::model::StripKind;

/// Outlines are asked this often.
const STEP_M: f64 = 1.0;
const PRECISION_M: f64 = 0.004;

impl Scene<'_> {
    /// The place of what a plan cuts that lies farthest from any line driven. None: the plan has no lines, or nobody planned.
    pub(super) fn reach(&self) -> Option<Judged> {
        if self.given.input != CutInput::Plan || self.lines.is_empty() || self.cut.is_empty() {
            return None;
        }
        let reach_m = self.context.settings.machine.reach_m;
        let driven = SegmentIndex::new(line_segments(&self.lines, 0).collect());
        let off = |at: Coord| {
            let within = driven.distance(at, reach_m + ROUNDING_M);
            within
                .or_else(|| driven.distance(at, f64::MAX / 4.0))
                .unwrap_or(f64::INFINITY)
        };
        let outlines = self.cut.shape.0.iter().flat_map(rings);
        let places = outlines
            .flat_map(|ring| ring.0.windows(2))
            .flat_map(|w| places_along(w[0], w[1], STEP_M));
        let on_outline = places.map(|at| (off(at), at));
        let (beyond, inside) = self.out_of_reach(&driven, reach_m);
        let (most_m, at) = on_outline
            .chain(inside)
            .max_by(|a, b| a.0.total_cmp(&b.0))?;
        let judged = measured(
            Named {
                id: "reach",
                title: "Everything cut lies within the machine's reach of a line it drives"
                    .to_owned(),
                unit: "m",
            },
            (reach_m, most_m),
            Measure {
                short: most_m - reach_m,
                rounding: ROUNDING_M,
                leeway: self.context.certainty.of_distance(1, Ok(0.0)),
                doubt: None,
                doubt_may_save: false,
            },
            "machine.reach of the project file".into(),
        );
        Some(match most_m > reach_m + ROUNDING_M {
            true => judged.at(Some(at)).over(beyond),
            false => judged,
        })
    }

    /// Ground of pieces that several lines cut, and so may have their middle farther off than their outline; and its farthest
    /// place. One line cuts an interior strip: no place in it is farther off than all of its outline.
    fn out_of_reach(
        &self,
        driven: &SegmentIndex,
        reach_m: f64,
    ) -> (MultiPolygon, Option<(f64, Coord)>) {
        let mut reached = Reached::default();
        for line in &self.lines {
            reached.line(&line.0, reach_m);
        }
        let pieces = self.given.pieces.iter().zip(&self.cut.shape.0);
        let strays = |polygon: &Polygon| {
            let mut corners = rings(polygon).flat_map(|ring| &ring.0);
            corners.any(|&at| driven.distance(at, reach_m + ROUNDING_M).is_none())
        };
        let asked = pieces
            .filter(|(piece, polygon)| piece.kind != Some(StripKind::Interior) || strays(polygon));
        let mut beyond: Vec<Polygon> = vec![];
        for (_, polygon) in asked {
            let piece = MultiPolygon(vec![polygon.clone()]);
            beyond.extend(outside_of(&piece, &reached.0).0);
        }
        let beyond = MultiPolygon(beyond);
        let found = farthest(&beyond, driven, PRECISION_M);
        (beyond, found)
    }
}
