//! Rules for a whole block that look at where things lie: ground near what stands, ground taken by trails.

use geo::{Coord, MultiPolygon, Polygon};

use super::certainty::EdgeSpread;
use super::reached::Reached;
use super::row::{Judged, Measure, Origin, measured, row};
use super::scene::Scene;
use super::split::{inside_of, split};
use crate::geometry::area::{area, rings};
use crate::geometry::buffer::Source as Shape;
use crate::model::{LayerKind, RuleId, Verdict};
use crate::rulebook::TrailWidth;

/// What two overlays of the same ground may differ by: arcs are drawn as chords.
const ROUNDING: f64 = 1e-4;
/// Its arcs stray by 0.06 % of a tree's height on either side.
const INFLUENCE_ROUNDING: f64 = 1e-3;
const UNSOUND: &str = "the overlay of cut and block does not add up; simplify the cut's outlines";

impl Scene<'_> {
    /// Share of the block within one tree height of what stands, of reserves inside, and of the forest around if that counts;
    /// roads and open water have no trees.
    pub(super) fn influence(&self) -> Option<Judged> {
        let rule = self.context.rules.block.influence.as_ref()?;
        let (block, height_m) = (&self.shape.shape, rule.tree_height_m);
        let mut treeless = self.cleared(&self.shape.bounds().grown(height_m));
        for near in self.near {
            if let (LayerKind::Lakes | LayerKind::Streams, Shape::Polygons(water)) =
                (near.feature.kind, &near.source)
            {
                treeless.extend(crate::geometry::overlay::oriented(water.clone()).0);
            }
        }
        let mut standing = self.standing().shape.clone();
        standing.0.extend(inside_of(block, self.reserve()).0);
        if rule.forest_outside {
            let window = self.shape.bounds().grown(height_m + 1.0).to_polygon();
            let around = split(&MultiPolygon(vec![window]), &block.0);
            standing.0.extend(around.outside.0);
        }
        let mut near = Reached::default();
        let mut edges = EdgeSpread::default();
        for tree in &standing.0 {
            let tree = split(&MultiPolygon(vec![tree.clone()]), &treeless).outside;
            for ring in tree.0.iter().flat_map(rings) {
                near.line(&ring.0, height_m);
            }
            edges += self.edges_of(&tree);
            near.0.extend(tree.0);
        }
        for (at, _) in self.stems() {
            near.line(&[at], height_m);
        }
        let within = split(block, &near.0);
        let block_m2 = area(block);
        let share = area(&within.inside) / block_m2;
        let judged = measured(
            RuleId::InfluenceArea.named().titled(format!(
                "Share of the block within one tree height ({height_m} m) of what stands"
            )),
            (rule.share.value, share),
            Measure {
                short: rule.share.value - share,
                rounding: match rule.more_than {
                    true => -ROUNDING,
                    false => INFLUENCE_ROUNDING,
                },
                leeway: self.context.certainty.of_area(&edges, block_m2),
                doubt: match within.sound {
                    true => self.overlay_doubt(),
                    false => Some(UNSOUND),
                },
                doubt_may_save: true,
            },
            (&rule.share).into(),
        );
        Some(if judged.status() <= Verdict::NotApplicable {
            judged
        } else {
            let bare = within.outside.0.first().map(|bare| bare.exterior().0[0]);
            judged.at(bare).over(within.outside)
        })
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
        let (trails, what, edges) = match rule.trail {
            TrailWidth::Strip => (
                self.cut.shape.0.clone(),
                "all that is cut".to_owned(),
                self.areas().kept_edges,
            ),
            // Where a track may be off to the side it is as wide as it is.
            TrailWidth::Track => {
                let mut reached = Reached::default();
                for line in &self.lines {
                    reached.swath(&line.0, half_m);
                }
                let what = format!("{} m wide along the lines driven", 2.0 * half_m);
                (reached.0, what, EdgeSpread::default())
            }
        };
        let named = RuleId::TrailOccupancy.named();
        let named = named.about(&format!(" ({what}): {words}"));
        if rule.trail == TrailWidth::Track && !self.knows_the_way() {
            let why = "cannot be told: no track says where the machine drove";
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
        let sound = closed.sound && taken.sound;
        let judged = measured(
            named,
            (rule.most.value, share),
            Measure {
                short: share - rule.most.value,
                // Where the share itself does not do, what all but equals it does not either.
                rounding: if rule.less_than { 0.0 } else { ROUNDING },
                leeway: self.context.certainty.of_area(&edges, net_m2),
                doubt: (!sound).then_some(UNSOUND),
                doubt_may_save: true,
            },
            (&rule.most).into(),
        );
        let place: Option<Coord> = Some(self.shape.bounds().middle());
        Some(if judged.status() <= Verdict::NotApplicable {
            judged
        } else {
            judged.at(place)
        })
    }
}
