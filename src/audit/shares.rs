//! Shares of ground left standing: areas by overlay of the cut itself and of distances drawn anew.

use geo::{MultiPolygon, Polygon};

use super::asked;
use super::certainty::EdgeSpread;
use super::reached::Reached;
use super::row::{Judged, Measure, Origin, SHARE_ROUNDING, measured};
use super::scene::Scene;
use super::split::{inside_of, split};
use crate::geometry::area::{area, length, polygon_area, rings};
use crate::model::{RuleId, Verdict};
use crate::rulebook::{RuleLine, ShareOf};

/// Smaller zones inside a block are the end of an arc.
const LEAST_ZONE_M2: f64 = 1.0;
/// Chords stray from arcs by 0.06 % of the radius: what a share of a narrow zone may differ by.
const ZONE_ROUNDING: f64 = 0.001;

impl Scene<'_> {
    /// The share of the block's net area, or of the whole of it, that stands.
    pub(super) fn retention_share(&self) -> Judged {
        let rules = self.context.rules;
        let rule = &rules.retention_share;
        if let Some(trees) = rules.share_trees {
            return self.retention_in_trees(trees);
        }
        let mut areas = self.areas();
        let least = rules.block.least_patch_m2.as_ref();
        let mut may_count_m2 = 0.0;
        if let Some(least) = least {
            let tolerance_m = self.context.limit_m();
            (areas.kept_m2, areas.kept_edges) = (0.0, EdgeSpread::default());
            for patch in &self.standing().shape.0 {
                let (area_m2, edge_m) =
                    (polygon_area(patch), rings(patch).map(length).sum::<f64>());
                if area_m2 > least.value {
                    areas.kept_m2 += area_m2;
                    areas.kept_edges += self.edges_of(&MultiPolygon(vec![patch.clone()]));
                } else if area_m2 + tolerance_m * edge_m > least.value {
                    may_count_m2 += area_m2 + tolerance_m * edge_m;
                }
            }
        }
        if rules.left_counts {
            areas.kept_m2 += areas.left_m2;
        }
        let net_m2 = areas.gross_m2 - areas.reserve_m2;
        let counted_m2 = areas.counted_m2;
        let (kept_m2, of_m2) = match rules.share_of {
            _ if rules.reserves_count => (areas.kept_m2 + areas.reserve_m2, areas.gross_m2),
            ShareOf::Gross => (areas.kept_m2 + counted_m2, areas.gross_m2),
            ShareOf::Net => (areas.kept_m2 + counted_m2, net_m2 + counted_m2),
        };
        let share = if of_m2 > 0.0 { kept_m2 / of_m2 } else { 1.0 };
        let leeway = self.context.certainty.of_area(&areas.kept_edges, of_m2);
        let may_count = if of_m2 > 0.0 {
            may_count_m2 / of_m2
        } else {
            0.0
        };
        let mut judged = measured(
            RuleId::RetentionShare
                .named()
                .titled(rules.share_title(None)),
            (rule.value, share),
            Measure {
                short: rule.value - share,
                rounding: SHARE_ROUNDING,
                leeway: leeway.plus(may_count),
                doubt: self.overlay_doubt(),
                doubt_may_save: true,
            },
            rule.into(),
        );
        if rule.value <= 0.0 {
            judged.row.row.status = Verdict::NotApplicable;
            judged.row.message.clear();
        }
        // Other than the kept ground nothing hangs on what the head did.
        let others_m2 = kept_m2 - areas.kept_m2;
        judged = self.unless_by_the_head(judged, rule.value, |gone| {
            let gone: Vec<Polygon> = gone.iter().chain(self.reserve()).cloned().collect();
            let stands = split(&self.shape.shape, &gone).outside.0.into_iter();
            let counts = |piece: &f64| least.is_none_or(|least| *piece > least.value);
            let stands_m2: f64 = stands
                .map(|piece| polygon_area(&piece))
                .filter(counts)
                .sum();
            (stands_m2 + others_m2) / of_m2.max(f64::MIN_POSITIVE)
        });
        if judged.status() >= Verdict::Warn {
            let place = self.shape.bounds().middle();
            judged = judged.at(Some(place)).over(MultiPolygon(vec![]));
            judged.row.area_m2 = Some(((rule.value - share) * of_m2 * 1e3).round() / 1e3);
        }
        judged
    }

    /// One row per rule whose management zone owes a share.
    pub(super) fn management_shares(&self) -> Vec<Judged> {
        let rules = self.context.rules.lines.iter();
        rules
            .filter(|rule| rule.management_share > 0.0)
            .filter_map(|rule| match rule.share_trees {
                Some(trees) => self.management_share_in_trees(rule, trees),
                None => self.management_share(rule),
            })
            .collect()
    }

    fn management_share(&self, rule: &RuleLine) -> Option<Judged> {
        let zone = self.managed_zone(rule)?;
        let (zone_m2, stands) = (area(&zone.net), &zone.stands);
        let share = area(stands) / zone_m2;
        let judged = measured(
            RuleId::ManagementShare
                .named()
                .of(&rule.id)
                .about(&format!(", {}", rule.title)),
            (rule.management_share, share),
            Measure {
                short: rule.management_share - share,
                rounding: ZONE_ROUNDING,
                leeway: (self.context.certainty).of_area(&self.edges_of(stands), zone_m2),
                doubt: zone.doubt.as_deref(),
                doubt_may_save: true,
            },
            Origin::of_share(rule),
        );
        let judged = self.unless_by_the_head(judged, rule.management_share, |gone| {
            area(&split(&zone.net, gone).outside) / zone_m2
        });
        Some(self.with_ground(judged, &zone))
    }

    /// Where a zone falls short: what is cut of it.
    pub(super) fn with_ground(&self, judged: Judged, zone: &ManagedZone) -> Judged {
        if judged.status() <= Verdict::NotApplicable {
            return judged;
        }
        let cut = inside_of(&zone.net, self.gone());
        let place = cut.0.first().map(|polygon| polygon.exterior().0[0]);
        judged.at(place).over(cut)
    }

    /// The ground within the management distances of everything under a rule; None where there is none in the block.
    pub(super) fn managed_zone(&self, rule: &RuleLine) -> Option<ManagedZone> {
        let mut reached = Reached::default();
        let mut doubt: Option<String> = None;
        let mut by_width: Vec<(f64, Reached)> = Vec::new();
        let window = self.shape.bounds();
        let of_rule = |near: &&crate::landbase::NearFeature| {
            (asked::is_kept(near) || asked::owes_a_reserve(near))
                && near.demand.rule.is_some_and(|own| own.id == rule.id)
        };
        for near in self.near.iter().filter(of_rule) {
            let mut edges = asked::edges(near, rule, self.slopes, |w| {
                if w.management_m > 0.0 {
                    w.reserve_m + w.management_m
                } else {
                    -1.0
                }
            });
            edges.retain(|edge| edge.required_m >= 0.0);
            let before = reached.0.len();
            asked::reach(&mut reached, near, &edges, 0.0, &window);
            if rule.trees_per_length.is_some() {
                self.reach_by_width(&mut by_width, near, rule);
            }
            let unsure = near.demand.assumed || edges.iter().any(|edge| edge.slope_unknown);
            if unsure && reached.0.len() > before && doubt.is_none() {
                let (layer, id) = (&near.feature.source_layer, &near.feature.id);
                doubt = Some(format!(
                    "class or slope of {layer}, feature {id} is not known"
                ));
            }
        }
        if reached.0.is_empty() {
            return None;
        }
        let zone = split(&self.shape.shape, &reached.0);
        let net = split(&zone.inside, self.reserve());
        let zone_net = net.outside;
        let zone_m2 = area(&zone_net);
        if zone_m2 < LEAST_ZONE_M2 {
            return None;
        }
        // From the zone itself: what an overlay leaves may have walls too thin for the next one.
        let gone: Vec<Polygon> = self.gone().iter().chain(self.reserve()).cloned().collect();
        let parts = split(&zone.inside, &gone);
        if !(zone.sound && net.sound && parts.sound) && doubt.is_none() {
            doubt = Some("the overlay of zone and cut does not add up".to_owned());
        }
        let zones = by_width.into_iter().map(|(width_m, reached)| {
            let inside = split(&self.shape.shape, &reached.0).inside;
            (width_m, split(&inside, self.reserve()).outside)
        });
        Some(ManagedZone {
            by_width: zones.collect(),
            net: zone_net,
            stands: parts.outside,
            doubt,
        })
    }

    /// Adds what of the zone has each width.
    fn reach_by_width(
        &self,
        into: &mut Vec<(f64, Reached)>,
        near: &crate::landbase::NearFeature,
        rule: &RuleLine,
    ) {
        let widths = std::cell::RefCell::new(Vec::new());
        asked::edges(near, rule, self.slopes, |w| {
            widths.borrow_mut().push(w.management_m);
            0.0
        });
        let mut widths = widths.into_inner();
        widths.retain(|&width_m| width_m > 0.0);
        widths.sort_by(f64::total_cmp);
        widths.dedup();
        for width_m in widths {
            let mut edges = asked::edges(near, rule, self.slopes, |w| {
                if w.management_m == width_m {
                    w.reserve_m + w.management_m
                } else {
                    -1.0
                }
            });
            edges.retain(|edge| edge.required_m >= 0.0);
            let at = into.iter().position(|(held_m, _)| *held_m == width_m);
            let at = at.unwrap_or_else(|| {
                into.push((width_m, Reached::default()));
                into.len() - 1
            });
            asked::reach(&mut into[at].1, near, &edges, 0.0, &self.shape.bounds());
        }
    }
}

/// The management zones of a rule inside a block.
pub(super) struct ManagedZone {
    /// Reserves taken off.
    pub net: MultiPolygon,
    /// What of it stands.
    pub stands: MultiPolygon,
    /// The zone by its width in metres, where the rule counts by the length of the bank.
    pub by_width: Vec<(f64, MultiPolygon)>,
    /// Why nobody can tell, if so.
    pub doubt: Option<String>,
}
