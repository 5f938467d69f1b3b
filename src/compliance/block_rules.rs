//! Rules for a whole block that look at where things lie: influence area, trails, the largest opening.

use geo::{Geometry, MultiPolygon, Polygon};

use super::areas::SHARE_TOLERANCE;
use super::{Judge, Judged};
use crate::geometry::area::{Bounds, area, length, polygon_area, rings};
use crate::geometry::buffer::Source as Shape;
use crate::geometry::distance::{Segment, SegmentIndex};
use crate::geometry::fewer;
use crate::geometry::overlay::{difference, intersection, shared_area, union};
use crate::geometry::within::{beyond, swath};
use crate::model::*;
use crate::rulebook::{Influence, TrailWidth};
use crate::units::hectares;

/// Shares of what two overlays made agree to this; a limit is hit within it.
const OVERLAY_SHARE: f64 = 1e-7;
/// Standing pieces narrower than this on the average are seams of an overlay, not trees.
const SEAM_M: f64 = 0.1;
/// Pieces nearer to one another than this lie side by side.
const SIDE_BY_SIDE_M: f64 = 0.001;
/// Chords of arcs in the geometry of a finding are thinned to this.
const SHOWN_WITHIN_M: f64 = 0.05;

impl Judge<'_> {
    /// Everything of the net area as written: strips, corridors, retained bands and what was left unworked.
    pub(super) fn net_pieces(&self) -> Vec<Polygon> {
        let strips = self.plan.strips.iter().map(|strip| &strip.shape);
        let left = self.plan.unworked.iter().map(|unworked| &unworked.shape);
        let all = strips.chain(left).chain(self.standing_pieces());
        all.cloned().collect()
    }

    pub(super) fn standing_pieces(&self) -> impl Iterator<Item = &Polygon> {
        let corridors = self.plan.corridors.iter().map(|corridor| &corridor.shape);
        corridors.chain(&self.plan.retained_bands.0)
    }

    /// Trees that influence the block: corridors, bands, reserves inside, and the forest outside if that counts; no
    /// road and no open water.
    fn trees(&self, forest_outside: bool, tree_height_m: f64) -> MultiPolygon {
        let block = &self.plan.shape;
        let of_kind = |kind: ZoneKind| -> Vec<Polygon> {
            let zones = self.plan.zones.iter().filter(|zone| zone.kind == kind);
            zones
                .flat_map(|zone| zone.shape.0.iter().cloned())
                .collect()
        };
        let mut standing: Vec<Polygon> = self.standing_pieces().cloned().collect();
        standing.extend(intersection(block, &of_kind(ZoneKind::Reserve)).0);
        if forest_outside {
            let frame = Bounds::of_polygons(block).grown(tree_height_m + 1.0);
            standing.extend(difference(&MultiPolygon(vec![frame.to_polygon()]), &block.0).0);
        }
        let mut treeless = of_kind(ZoneKind::RoadClearing);
        let water = |kind| matches!(kind, LayerKind::Lakes | LayerKind::Streams);
        for near in self.near.iter().filter(|near| water(near.feature.kind)) {
            if let Shape::Polygons(polygons) = &near.source {
                treeless.extend(crate::geometry::overlay::oriented(polygons.clone()).0);
            }
        }
        let trees = difference(&union(&standing), &treeless);
        let wide = |polygon: &Polygon| {
            let around_m: f64 = rings(polygon).map(length).sum();
            2.0 * polygon_area(polygon) >= SEAM_M * around_m
        };
        MultiPolygon(trees.0.into_iter().filter(wide).collect())
    }

    /// Share of the block within one tree height of what is left standing.
    pub(super) fn influence(&self) -> Option<Judged> {
        let rule = self.context.rules.block.influence.as_ref()?;
        let block = &self.plan.shape;
        let trees = self.trees(rule.forest_outside, rule.tree_height_m);
        let beyond = beyond(block, &trees, rule.tree_height_m);
        let share = 1.0 - area(&beyond) / area(block);
        let required = rule.share.value;
        let holds = if rule.more_than {
            share > required + OVERLAY_SHARE
        } else {
            share >= required - OVERLAY_SHARE
        };
        let outside = if rule.forest_outside {
            "what stands in it, or of the forest around it"
        } else {
            "what stands in it"
        };
        let (words, height_m) = (more_or_least(rule.more_than), rule.tree_height_m);
        let title = format!(
            "Share of the block within one tree height ({height_m} m) of {outside}: {words}"
        );
        let mut judged = self.ruled(
            RuleId::InfluenceArea.named().titled(title),
            (required, share),
            holds,
            &rule.share,
        );
        if !holds {
            judged.place = Some(Geometry::MultiPolygon(fewer::polygons(
                &beyond,
                SHOWN_WITHIN_M,
            )));
            judged.why = self.why_bare(required, rule, trees);
        }
        Some(judged)
    }

    /// What would be near trees if all stood that may: less than asked no pattern can give.
    fn why_bare(&self, required: f64, rule: &Influence, trees: MultiPolygon) -> String {
        let block = &self.plan.shape;
        let mut most = trees.0;
        most.extend(self.may_stand(&self.plan.shape).0);
        let bare = beyond(block, &union(&most), rule.tree_height_m);
        let could = 1.0 - area(&bare) / area(block);
        match could < required {
            true => format!(
                "no pattern meets it: with trees on all ground where retention may stand it were {:.1} %",
                100.0 * could
            ),
            false => format!(
                "with trees on all ground where retention may stand it were {:.1} %; smaller patches (`least_patch`), corridors of \
                 fewer trees (`corridor_spacings`) or another `pattern` may meet it",
                100.0 * could
            ),
        }
    }

    /// Share of the net area that trails take.
    pub(super) fn occupancy(&self) -> Option<Judged> {
        let rule = self.context.rules.block.occupancy.as_ref()?;
        let net = self.net_pieces();
        let net_m2: f64 = net.iter().map(polygon_area).sum();
        let (trails_m2, what) = match rule.trail {
            TrailWidth::Track => {
                let half_m = self.context.settings.machine.half_width_m;
                let lines = self.plan.lines.iter().map(|line| &line.shape);
                let tracks = union(&swath(lines, half_m));
                let what = format!("{} m wide along the lines driven", 2.0 * half_m);
                (shared_area(&tracks, &net), what)
            }
            TrailWidth::Strip => (self.cut_m2(), "all that is cut".to_owned()),
        };
        let (share, most) = (trails_m2 / net_m2, rule.most.value);
        let holds = if rule.less_than {
            share < most - OVERLAY_SHARE
        } else {
            share <= most + OVERLAY_SHARE
        };
        let words = if rule.less_than {
            "less than"
        } else {
            "at most"
        };
        Some(
            self.ruled(
                RuleId::TrailOccupancy
                    .named()
                    .about(&format!(" ({what}): {words}")),
                (most, share),
                holds,
                &rule.most,
            ),
        )
    }

    /// The largest piece of ground felled in one. Corridors and unworked ground in it do not divide it; reserves and
    /// retained bands do.
    pub(super) fn largest_opening(&self) -> Option<Judged> {
        let rule = self.context.rules.block.largest_opening_m2.as_ref()?;
        let strips = self.plan.strips.iter().map(|strip| &strip.shape);
        let left = self.plan.unworked.iter().map(|unworked| &unworked.shape);
        let corridors = self.plan.corridors.iter().map(|corridor| &corridor.shape);
        let pieces: Vec<&Polygon> = strips.chain(left).chain(corridors).collect();
        let (largest_m2, members) = largest_group(&pieces);
        let holds = largest_m2 <= rule.value * (1.0 + SHARE_TOLERANCE);
        let mut judged = self.ruled(
            RuleId::LargestOpening.named(),
            (hectares(rule.value), hectares(largest_m2)),
            holds,
            rule,
        );
        if !holds {
            let members: Vec<Polygon> = members.into_iter().cloned().collect();
            judged.place = Some(Geometry::MultiPolygon(union(&members)));
        }
        Some(judged)
    }
}

fn more_or_least(more_than: bool) -> &'static str {
    if more_than { "more than" } else { "at least" }
}

/// The pieces that lie side by side and have the largest area together, and that area; of equals the first.
fn largest_group<'p>(pieces: &[&'p Polygon]) -> (f64, Vec<&'p Polygon>) {
    let groups = side_by_side(pieces).into_iter();
    groups
        .reduce(|best, next| if next.0 > best.0 { next } else { best })
        .unwrap_or((0.0, vec![]))
}

/// Pieces in groups that lie side by side, each with its area, in the order of their first members. Contact in a single
/// point joins.
pub(super) fn side_by_side<'p>(pieces: &[&'p Polygon]) -> Vec<(f64, Vec<&'p Polygon>)> {
    let segments = || {
        let owned = (0u32..).zip(pieces);
        owned.flat_map(|(owner, piece)| {
            let edges = rings(piece).flat_map(|ring| ring.0.windows(2));
            edges.map(move |w| Segment {
                a: w[0],
                b: w[1],
                owner,
            })
        })
    };
    let index = SegmentIndex::new(segments().collect());
    let mut leader: Vec<usize> = (0..pieces.len()).collect();
    fn lead(leader: &mut [usize], mut piece: usize) -> usize {
        while leader[piece] != piece {
            leader[piece] = leader[leader[piece]];
            piece = leader[piece];
        }
        piece
    }
    for own in segments() {
        for other in index.near(own.a, own.b, SIDE_BY_SIDE_M) {
            if other.owner <= own.owner {
                continue;
            }
            let (a, b) = (
                lead(&mut leader, own.owner as usize),
                lead(&mut leader, other.owner as usize),
            );
            let apart =
                || crate::geometry::distance::segment_segment(own.a, own.b, other.a, other.b);
            if a != b && apart() <= SIDE_BY_SIDE_M {
                leader[a.max(b)] = a.min(b);
            }
        }
    }
    let mut groups: Vec<(f64, Vec<&Polygon>)> = vec![(0.0, vec![]); pieces.len()];
    for (index, piece) in pieces.iter().enumerate() {
        let group = &mut groups[lead(&mut leader, index)];
        group.0 += polygon_area(piece);
        group.1.push(piece);
    }
    groups.retain(|(_, members)| !members.is_empty());
    groups
}

#[cfg(test)]
mod tests {
    use super::*;
    use geo::LineString;

    fn rectangle(x0: f64, y0: f64, x1: f64, y1: f64) -> Polygon {
        let ring = vec![(x0, y0), (x1, y0), (x1, y1), (x0, y1), (x0, y0)];
        Polygon::new(LineString::from(ring), vec![])
    }

    #[test]
    fn pieces_side_by_side_are_one_group_and_a_band_between_divides() {
        // The middle two share part of an edge only, a hair apart; the last stands 5 m off.
        let pieces = [
            rectangle(0., 0., 10., 50.),
            rectangle(10.000_001, 20., 30., 40.),
            rectangle(35., 0., 75., 15.),
        ];
        let pieces: Vec<&Polygon> = pieces.iter().collect();
        let (area_m2, members) = largest_group(&pieces);
        assert!((area_m2 - 900.0).abs() < 1e-3, "{area_m2}");
        assert_eq!(members.len(), 2);
        assert_eq!(largest_group(&[]).0, 0.0);
    }
}
