//! Rules for a whole block that look at where things lie: ground near what stands, ground taken by trails.

use geo::{Coord, MultiPolygon, Polygon};

use super::reached::Reached;
use super::row::{Judged, Measure, Named, Origin, measured, row};
use super::scene::Scene;
use super::split::split;
use crate::geometry::area::{Bounds, area, length, polygon_area, rings};
use crate::geometry::buffer::Source;
use crate::geometry::overlay::oriented;
use crate::model::{LayerKind, Verdict};
use crate::rulebook::{Cited, TrailWidth};

/// What two overlays of the same ground may differ by: arcs are drawn as chords.
const ROUNDING: f64 = 1e-4;
/// Standing pieces narrower than this on the average are seams of an overlay, not trees.
const SEAM_M: f64 = 0.1;
const UNSOUND: &str = "the overlay of cut and block does not add up; simplify the cut's outlines";

impl Scene<'_> {
    /// Share of the block within one tree height of what stands: in it, reserves included, and, where the rule counts
    /// it, in the forest around it; not on roads and not in open water.
    pub(super) fn influence(&self) -> Option<Judged> {
        let rule = self.context.rules.block.influence.as_ref()?;
        let height_m = rule.tree_height_m;
        let frame = self.shape.bounds().grown(height_m + 1.0);
        let mut treeless = self.gone().to_vec();
        treeless.extend(oriented(MultiPolygon(self.cleared(&frame))).0);
        let water = |kind| matches!(kind, LayerKind::Lakes | LayerKind::Streams);
        for near in self.near.iter().filter(|near| water(near.feature.kind)) {
            if let Source::Polygons(polygons) = &near.source {
                treeless.extend(oriented(polygons.clone()).0);
            }
        }
        let around = if rule.forest_outside {
            MultiPolygon(vec![frame.to_polygon()])
        } else {
            self.shape.shape.clone()
        };
        let trees = split(&around, &treeless);
        let edge_m = |polygon: &Polygon| rings(polygon).map(length).sum::<f64>();
        let wide = |polygon: &&Polygon| 2.0 * polygon_area(polygon) >= SEAM_M * edge_m(polygon);
        let stands: Vec<Polygon> = trees.outside.0.iter().filter(wide).cloned().collect();
        let mut reached = Reached(stands.clone());
        for ring in stands.iter().flat_map(rings) {
            reached.line(&ring.0, height_m);
        }
        let influenced = split(&self.shape.shape, &reached.0);
        let gross_m2 = area(&self.shape.shape);
        let share = area(&influenced.inside) / gross_m2;
        let beyond_m: f64 = influenced.outside.0.iter().map(edge_m).sum();
        let outside = if rule.forest_outside {
            "what stands in it, or of the forest around it"
        } else {
            "what stands in it"
        };
        let words = if rule.more_than {
            "more than"
        } else {
            "at least"
        };
        let judged = self.share_row(
            "influence-area",
            format!(
                "Share of the block within one tree height ({height_m} m) of {outside}: {words}"
            ),
            (rule.share.value, share),
            (rule.share.value - share, rule.more_than),
            self.context.tolerance_m * beyond_m / gross_m2,
            trees.sound && influenced.sound,
            &rule.share,
        );
        if judged.status() <= Verdict::NotApplicable {
            return Some(judged);
        }
        let middle = Bounds::of_polygons(&influenced.outside).middle();
        let place = (!influenced.outside.0.is_empty()).then_some(middle);
        Some(judged.at(place).over(influenced.outside))
    }

    /// Share of the net area that trails take.
    pub(super) fn occupancy(&self) -> Option<Judged> {
        let rule = self.context.rules.block.occupancy.as_ref()?;
        let half_m = self.context.settings.machine.half_width_m;
        let words = if rule.less_than {
            "less than"
        } else {
            "at most"
        };
        let (trails, what, edge_m) = match rule.trail {
            TrailWidth::Strip => {
                let edge_m = self.areas().kept_edge_m;
                (
                    self.cut.shape.0.clone(),
                    "all that is cut".to_owned(),
                    edge_m,
                )
            }
            // Where a track may be off to the side it is as wide as it is.
            TrailWidth::Track => {
                let mut reached = Reached::default();
                for line in &self.lines {
                    reached.swath(&line.0, half_m);
                }
                let what = format!("{} m wide along the lines driven", 2.0 * half_m);
                (reached.0, what, 0.0)
            }
        };
        let title = format!("Share of the net area taken by trails ({what}): {words}");
        if rule.trail == TrailWidth::Track && !self.knows_the_way() {
            let why = "cannot be told: no track says where the machine drove";
            let named = Named {
                id: "trail-occupancy",
                title,
                unit: "share",
            };
            let verdict = (Verdict::Unknown, why.to_owned());
            let origin = Origin::from(&rule.most);
            return Some(row(
                named,
                Some(rule.most.value),
                None,
                None,
                verdict,
                origin,
            ));
        }
        // Both from the block itself: what an overlay leaves may have walls too thin for the next one.
        let closed = split(&self.shape.shape, self.reserve());
        let all: Vec<Polygon> = trails
            .into_iter()
            .chain(self.reserve().iter().cloned())
            .collect();
        let taken = split(&self.shape.shape, &all);
        let net_m2 = area(&closed.outside);
        let share = if net_m2 > 0.0 {
            (area(&taken.inside) - area(&closed.inside)).max(0.0) / net_m2
        } else {
            0.0
        };
        let judged = self.share_row(
            "trail-occupancy",
            title,
            (rule.most.value, share),
            (share - rule.most.value, rule.less_than),
            if net_m2 > 0.0 {
                self.context.tolerance_m * edge_m / net_m2
            } else {
                0.0
            },
            closed.sound && taken.sound,
            &rule.most,
        );
        let place: Option<Coord> = Some(self.shape.bounds().middle());
        Some(if judged.status() <= Verdict::NotApplicable {
            judged
        } else {
            judged.at(place)
        })
    }

    #[allow(clippy::too_many_arguments, reason = "one row, written in two places")]
    fn share_row(
        &self,
        id: &str,
        title: String,
        figures: (f64, f64),
        (short, strict): (f64, bool),
        tolerance: f64,
        sound: bool,
        rule: &Cited<f64>,
    ) -> Judged {
        measured(
            Named {
                id,
                title,
                unit: "share",
            },
            figures,
            Measure {
                short,
                // Where the share itself does not do, what all but equals it does not either.
                rounding: if strict { 0.0 } else { ROUNDING },
                tolerance,
                doubt: (!sound).then_some(UNSOUND),
                doubt_may_save: true,
            },
            rule.into(),
        )
    }
}
