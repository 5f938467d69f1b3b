//! What is cut outside the block, and whose ground that is.

use geo::{Coord, MultiPolygon};

use super::certainty::feature_error_m;
use super::cut::CutInput;
use super::farthest::farthest;
use super::ground::Ground;
use super::row::{Judged, Measure, ROUNDING_M, Toward, measured, row};
use super::scene::Scene;
use super::split::outside_of;
use crate::geometry::distance::{Segment, boundary_segments};
use crate::geometry::overlaps::OverlapKind;
use crate::geometry::overlay::oriented;
use crate::model::{GroundFrame, RuleId, StripKind, Verdict};
use crate::units::{Percent, hectares};

const PRECISION_M: f64 = 0.004;
/// Why it cannot be told what a machine cut to its sides.
pub(super) const REACH_UNKNOWN: &str =
    "a track does not say how far to its sides the machine cut; name the plan with --plan beside";

impl Scene<'_> {
    /// Nothing is cut outside the block: how far the cut strays, over which ground, and in which other block.
    pub(super) fn inside_block(&self) -> Judged {
        if self.given.input == CutInput::Tracks {
            return self.tracks_inside_block();
        }
        let outside = outside_of(&self.cut.shape, &self.shape.shape.0);
        let found = farthest(&outside, self.shape.edges(), PRECISION_M);
        // A piece that the overlay invented lies in the block.
        let found = found.filter(|(_, at)| !self.shape.holds(*at));
        let rings = self.cut.shape.0.iter().map(|polygon| polygon.exterior());
        let corners = rings.flat_map(|ring| &ring.0);
        let out = corners
            .filter(|&&corner| !self.shape.holds(corner))
            .map(|&corner| {
                let edges = self.shape.edges();
                (
                    edges.distance(corner, f64::MAX / 4.0).unwrap_or(0.0),
                    corner,
                )
            });
        let (out_m, at) = out
            .chain(found)
            .max_by(|a, b| a.0.total_cmp(&b.0))
            .unwrap_or((0.0, Coord { x: 0.0, y: 0.0 }));
        self.outside_row(outside, out_m, at, None)
    }

    /// The same of tracks. A road outside the block bears no trees, so driving on it cuts none. Where nobody says how far to
    /// its sides the machine cut, only where it stood is certain.
    fn tracks_inside_block(&self) -> Judged {
        let mut allowed = self.shape.shape.0.clone();
        allowed.extend(self.cleared(&self.cut.bounds()));
        let allowed = oriented(MultiPolygon(allowed));
        let ground = Ground::new(allowed.0.iter().cloned());
        let outside = outside_of(&self.cut.shape, &allowed.0);
        let (out_m, at) = farthest(&outside, self.shape.edges(), PRECISION_M)
            .filter(|(_, at)| !ground.holds(*at))
            .unwrap_or((0.0, Coord { x: 0.0, y: 0.0 }));
        let stood = self.lines.iter().flat_map(|line| {
            let middles = line.0.windows(2).map(|w| (w[0] + w[1]) / 2.0);
            line.0.iter().copied().chain(middles)
        });
        let stood_out_m = stood
            .filter(|&place| !ground.holds(place))
            .filter_map(|place| self.shape.edges().distance(place, f64::MAX / 4.0))
            .fold(0.0, f64::max);
        let tolerance_m = self.context.limit_m() + ROUNDING_M;
        let unsure = self.reach_unknown && stood_out_m <= tolerance_m && out_m > tolerance_m;
        self.outside_row(outside, out_m, at, unsure.then_some(REACH_UNKNOWN))
    }

    fn outside_row(
        &self,
        outside: MultiPolygon,
        out_m: f64,
        at: Coord,
        doubt: Option<&str>,
    ) -> Judged {
        let beyond = |at: Coord| {
            let off_m = self.shape.edges().distance(at, f64::MAX / 4.0)?;
            Some(if self.shape.holds(at) { -off_m } else { off_m })
        };
        let outline = feature_error_m(&self.block.accuracy, || format!("block {}", self.block.id));
        let depth = match out_m > ROUNDING_M {
            true => self.depth(out_m, beyond, outline),
            // Nothing says how much is to spare.
            false => self.depth(out_m, |_| None, outline),
        };
        let out_m = depth.short_m.max(0.0);
        let judged = measured(
            RuleId::InsideBlock.named(),
            (0.0, out_m),
            Measure {
                short: out_m,
                rounding: ROUNDING_M,
                leeway: depth.leeway.clone(),
                doubt,
                doubt_may_save: true,
            },
            "the block as approved".into(),
        );
        if out_m <= ROUNDING_M {
            return judged;
        }
        let world = self.block.frame.polygons_to_plane(&outside);
        let others: Vec<String> = self
            .context
            .neighbours
            .shares(&world)
            .into_iter()
            .map(|(index, area_m2)| (self.context.neighbours.id(index), area_m2))
            .filter(|(id, _)| *id != self.block.id)
            .map(|(id, area_m2)| format!("{:.4} ha of it in block {id}", hectares(area_m2)))
            .collect();
        let outline: Vec<Segment> = boundary_segments(&self.shape.shape, 0).collect();
        let toward = Toward::of(&outline, at, 0.0);
        let judged = judged
            .at(Some(at))
            .toward(toward)
            .saying(&others.join(", "));
        let judged = depth.onto(judged, 1.0);
        judged.over(outside)
    }

    /// Each other block that has ground of this one too.
    pub(super) fn overlapping_blocks(&self) -> Vec<Judged> {
        let pairs = self.context.neighbours.overlaps().ground_of(&self.block.id);
        let rows = pairs.filter_map(|pair| {
            let (other, share) = pair.beside(&self.block.id)?;
            let (title, message) = match pair.kind {
                OverlapKind::Same => (
                    format!("Block {other} is the same ground under another id"),
                    "all of it counts once in sums".to_owned(),
                ),
                _ => (
                    format!("Ground of this block that block {other} has too"),
                    format!("{} of this block; it counts once in sums", Percent(share)),
                ),
            };
            let judged = row(
                RuleId::OverlappingBlocks.named().titled(title),
                Some(0.0),
                Some(hectares(pair.area_m2)),
                None,
                (Verdict::Fail, message),
                "the blocks as approved".into(),
            );
            let ground = self.block.frame.enter_polygons(&pair.shape);
            let place = ground.0.first().map(|polygon| polygon.exterior().0[0]);
            Some(judged.at(place).over(ground))
        });
        rows.collect()
    }

    /// A block of which nothing is cut owes nothing yet.
    pub(super) fn nothing_cut(&self) -> Judged {
        row(
            RuleId::Cut.named(),
            None,
            Some(0.0),
            None,
            (
                Verdict::NotApplicable,
                "nothing of this block is cut in the file given".to_owned(),
            ),
            "the file given".into(),
        )
    }

    /// Features of the cut that could not be read: what they cover is not judged.
    pub(super) fn unusable(&self) -> Option<Judged> {
        let count = self.given.unusable;
        (count > 0).then(|| {
            row(
                RuleId::SetAsideCut.named(),
                Some(0.0),
                Some(count as f64),
                None,
                (
                    Verdict::Unknown,
                    "cannot be told: what they cover was not judged; see set_aside.csv".to_owned(),
                ),
                "the file given".into(),
            )
        })
    }

    /// The widest planned strip against what the machine reaches: across the direction driven in its part.
    pub(super) fn strip_width(&self) -> Option<Judged> {
        let machine = &self.context.settings.machine;
        let interior = self.given.pieces.iter().zip(&self.cut.shape.0);
        let interior = interior.filter(|(piece, _)| piece.kind == Some(StripKind::Interior));
        let widest = interior
            .filter_map(|(piece, shape)| {
                let azimuth_deg = self.azimuth_of(piece.part)?;
                Some((super::corridors::across_m(shape, azimuth_deg), shape))
            })
            .max_by(|a, b| a.0.total_cmp(&b.0));
        let (width_m, shape) = widest?;
        let required_m = machine.strip_width_m();
        let judged = measured(
            RuleId::StripWidth.named(),
            (required_m, width_m),
            Measure {
                short: width_m - required_m,
                rounding: ROUNDING_M,
                leeway: self
                    .context
                    .certainty
                    .of_width(self.given.pieces.len(), 1.0),
                doubt: None,
                doubt_may_save: false,
            },
            "common practice: full reach to both sides less 1 ft each side".into(),
        );
        if judged.status() <= Verdict::Pass {
            return Some(judged);
        }
        let shape = MultiPolygon(vec![shape.clone()]);
        let middle = crate::geometry::area::Bounds::of_polygons(&shape).middle();
        Some(judged.at(Some(middle)).over(shape))
    }
}

/// Ground cut in or near no block at all, in the plane, which `plane` leaves.
pub fn stray_row(area_m2: f64, ground: MultiPolygon, plane: &GroundFrame) -> Judged {
    let place = ground.0.first().map(|polygon| polygon.exterior().0[0]);
    let mut judged = row(
        RuleId::CutInNoBlock.named(),
        Some(0.0),
        Some(hectares(area_m2)),
        None,
        (
            Verdict::Fail,
            format!("{} pieces lie in no block", ground.0.len()),
        ),
        "the blocks as approved".into(),
    );
    judged.row.x = place.map(|c| plane.told(c).x);
    judged.row.y = place.map(|c| plane.told(c).y);
    judged.at(place).over(ground)
}

/// Track away from every block: a way, or a cut where none is allowed.
pub fn stray_track_row(metres: f64, at: Coord, plane: &GroundFrame) -> Judged {
    let why = "cannot be told: away from every block a track does not say whether the machine cut or only walked";
    let mut judged = row(
        RuleId::CutInNoBlock.named().in_unit("m"),
        Some(0.0),
        Some(metres),
        None,
        (Verdict::Unknown, why.to_owned()),
        "the blocks as approved".into(),
    );
    judged.row.x = Some(plane.told(at).x);
    judged.row.y = Some(plane.told(at).y);
    judged.at(Some(at))
}

/// Features whose block id the project does not know.
pub fn unknown_ids_row(count: u64, ids: &[&str]) -> Judged {
    row(
        RuleId::UnknownBlock.named(),
        Some(0.0),
        Some(count as f64),
        None,
        (
            Verdict::Unknown,
            format!("cannot be told: no block is called {}", ids.join(", ")),
        ),
        "the file given".into(),
    )
}

/// A layer that lies where nobody has said.
pub fn assumed_crs_row(layer: &str, message: &str) -> Judged {
    row(
        RuleId::AssumedCrs
            .named()
            .titled(format!("The place of {layer} is known")),
        None,
        None,
        None,
        (Verdict::Unknown, format!("cannot be told: {message}")),
        "set_aside.csv".into(),
    )
}

/// A block whose measuring crashed.
pub(super) fn crashed_row(why: &str) -> Judged {
    row(
        RuleId::Audit.named(),
        None,
        None,
        None,
        (
            Verdict::Unknown,
            format!(
                "cannot be told: measuring this block crashed ({why}); simplify its outline or the cut's"
            ),
        ),
        "docs/audit.md".into(),
    )
}
