//! Whether the machine reaches what it is to cut, and whether corridors keep their width.

use geo::Polygon;

use super::areas::across_m;
use super::distances::DISTANCE_TOLERANCE_M;
use super::{Judge, Judged};
use crate::geometry::area::rings;
use crate::geometry::distance::{SegmentIndex, line_segments, places_along};
use crate::layout::{decided_by, tree_spacing};
use crate::model::*;
use crate::rulebook::Origin;

/// Places along an edge are this far apart.
const STEP_M: f64 = 3.0;

impl Judge<'_> {
    fn azimuth_of(&self, part: u32) -> f64 {
        self.plan
            .parts
            .iter()
            .find(|note| note.part == part)
            .map_or(0.0, |note| note.azimuth_deg)
    }

    /// The widest interior strip against W = 2 x (reach - margin).
    pub(super) fn strip_width(&self) -> Option<Judged> {
        let machine = &self.context.settings.machine;
        let interior = self
            .plan
            .strips
            .iter()
            .filter(|strip| strip.kind == StripKind::Interior);
        let widths = interior.map(|strip| {
            (
                across_m(&strip.shape, self.azimuth_of(strip.id.part)),
                &strip.shape,
            )
        });
        let (widest_m, shape) = widths.max_by(|a, b| a.0.total_cmp(&b.0))?;
        let status = if widest_m <= machine.strip_width_m() + DISTANCE_TOLERANCE_M {
            Verdict::Pass
        } else {
            Verdict::Fail
        };
        let mut judged = self.row(
            RuleId::StripWidth.named(),
            Some(machine.strip_width_m()),
            Some(widest_m),
            status,
            "common practice: full reach to both sides less 1 ft each side",
        );
        judged.place = Some(geo::Geometry::Polygon(shape.clone()));
        Some(judged)
    }

    /// The farthest place of an edge of anything cut from the lines driven in its part: corners and middles of strips, and
    /// places 3 m apart of what several lines cut.
    pub(super) fn reach(&self) -> Option<Judged> {
        let reach_m = self.context.settings.machine.reach_m;
        let mut farthest: Option<(f64, &Polygon)> = None;
        for run in self
            .plan
            .strips
            .chunk_by(|a, b| a.id.part == b.id.part && a.kind == b.kind)
        {
            let (part, kind) = (run[0].id.part, run[0].kind);
            let of_run = self
                .plan
                .lines
                .iter()
                .filter(|line| line.id.part == part && line.kind == kind);
            let segments = of_run
                .flat_map(|line| line_segments(std::slice::from_ref(&line.shape), 0))
                .collect();
            let driven = SegmentIndex::new(segments);
            for strip in run {
                for ring in rings(&strip.shape) {
                    for w in ring.0.windows(2) {
                        let half_m = (w[1] - w[0]).x.hypot((w[1] - w[0]).y) / 2.0;
                        let apart_m = match kind {
                            // One line cuts it: no place of an edge is farther off than both of its ends.
                            StripKind::Interior => half_m,
                            _ => half_m.min(STEP_M),
                        };
                        for place in places_along(w[0], w[1], apart_m) {
                            let near = driven.distance(place, reach_m + DISTANCE_TOLERANCE_M);
                            let distance_m = near
                                .or_else(|| driven.distance(place, f64::MAX / 4.0))
                                .unwrap_or(f64::INFINITY);
                            if farthest.is_none_or(|(most_m, _)| distance_m > most_m) {
                                farthest = Some((distance_m, &strip.shape));
                            }
                        }
                    }
                }
            }
        }
        let (farthest_m, shape) = farthest?;
        let status = if farthest_m <= reach_m + DISTANCE_TOLERANCE_M {
            Verdict::Pass
        } else {
            Verdict::Fail
        };
        let mut judged = self.row(
            RuleId::Reach.named(),
            Some(reach_m),
            farthest_m.is_finite().then_some(farthest_m),
            status,
            "machine.reach of the project file",
        );
        judged.place = Some(geo::Geometry::Polygon(shape.clone()));
        Some(judged)
    }

    /// The narrowest corridor against the least width, and the widest against the greatest.
    pub(super) fn corridor_widths(&self) -> Vec<Judged> {
        let (layout, rules) = (&self.context.settings.layout, &self.context.rules.block);
        let widths: Vec<(f64, &Polygon)> = (self.plan.corridors.iter())
            .map(|corridor| {
                let azimuth_deg = self.azimuth_of(corridor.part);
                (across_m(&corridor.shape, azimuth_deg), &corridor.shape)
            })
            .collect();
        let narrowest = widths.iter().min_by(|a, b| a.0.total_cmp(&b.0));
        let widest = widths.iter().max_by(|a, b| a.0.total_cmp(&b.0));
        let (Some((narrowest_m, narrowest)), Some((widest_m, widest))) = (narrowest, widest) else {
            return vec![];
        };
        let least_m = layout.corridor_min_m;
        let source = Origin::of_rule_or(
            decided_by(&rules.corridor_min_m, least_m),
            "layout.corridor_min of the project file",
        );
        let mut least = self.ruled(
            RuleId::CorridorWidth.named(),
            (least_m, *narrowest_m),
            *narrowest_m >= least_m - DISTANCE_TOLERANCE_M,
            source,
        );
        least.place = Some(geo::Geometry::Polygon((*narrowest).clone()));
        let most_m = layout.corridor_max_m;
        let source = Origin::of_rule_or(
            decided_by(&rules.corridor_max_m, most_m),
            "layout.corridor_max of the project file",
        );
        let mut most = self.ruled(
            RuleId::CorridorWidthMost.named(),
            (most_m, *widest_m),
            *widest_m <= most_m + DISTANCE_TOLERANCE_M,
            source,
        );
        most.place = Some(geo::Geometry::Polygon((*widest).clone()));
        let mut rows = vec![least, most];
        rows.extend(self.corridor_spacings((*narrowest_m, narrowest)));
        rows
    }

    /// The narrowest corridor in distances from tree to tree, where it is known how many trees stand. What the project wishes is a
    /// warning at most.
    fn corridor_spacings(&self, (narrowest_m, shape): (f64, &Polygon)) -> Option<Judged> {
        let asked = self.context.settings.layout.corridor_spacings;
        let of = (self.context.landbase, self.context.settings);
        let spacing_m = (asked > 0.0)
            .then(|| tree_spacing::in_block(of, self.block, &self.plan.shape, self.near))
            .flatten()?;
        let rule = decided_by(&self.context.rules.block.corridor_spacings, asked);
        let mut judged = self.ruled(
            RuleId::CorridorSpacings.named(),
            (asked, narrowest_m / spacing_m),
            narrowest_m >= asked * spacing_m - DISTANCE_TOLERANCE_M,
            Origin::of_rule_or(rule, SPACINGS_WISH),
        );
        if judged.row.status == Verdict::Fail {
            if rule.is_none() {
                judged.row.status = Verdict::Warn;
            }
            let layout = &self.context.settings.layout;
            judged.why = layout.why_narrow(spacing_m, narrowest_m);
        }
        judged.place = Some(geo::Geometry::Polygon(shape.clone()));
        Some(judged)
    }
}
