//! Rules that count trees: stems, basal area or volume of what was left standing, from the stand tables.

use geo::{MultiPolygon, Polygon};

use super::areas::{SHARE_TOLERANCE, counted};
use super::block_rules::side_by_side;
use super::{Judge, Judged};
use crate::geometry::overlay::intersection;
use crate::landbase::{Counted, NO_STAND_TABLE};
use crate::layout::bank_within;
use crate::model::*;
use crate::rulebook::Origin;
use crate::rulebook::{RuleLine, TreeCount};

/// Two engines' arcs differ by a fraction of a per mille of the zone.
const ZONE_TOLERANCE: f64 = 0.002;

impl Judge<'_> {
    /// Unknown, with the reason and what would help.
    fn not_counted(&self, named: Named, required: f64, source: impl Into<Origin>) -> Judged {
        let unknown = Verdict::Unknown;
        let mut judged = self.row(named, Some(required), None, unknown, source);
        judged.why = NO_STAND_TABLE.to_owned();
        judged
    }

    /// The retention share where it is one of trees.
    pub(super) fn retention_in_trees(&self, trees: TreeCount) -> Judged {
        let rules = self.context.rules;
        let rule = &rules.retention_share;
        let least = rules.block.least_patch_m2.as_ref();
        let named = RuleId::RetentionShare.named();
        let named = named.titled(rules.share_title(Some(trees)));
        if rule.value <= 0.0 {
            let status = Verdict::NotApplicable;
            return self.row(named, Some(rule.value), None, status, rule);
        }
        let on = |ground: &MultiPolygon| self.stocking.on(ground, trees);
        let net = on(&MultiPolygon(self.net_pieces()));
        let mut all = match rules.reserves_count {
            true => on(&self.plan.shape),
            false => net,
        };
        if !all.is_known() {
            return self.not_counted(named, rule.value, rule);
        }
        // Reserves that count hold what layer `retain` has already.
        if !rules.reserves_count {
            all.amount += on(&counted(self.plan, rules)).amount;
        }
        let pieces: Vec<&Polygon> = self.standing_pieces().collect();
        let large: Vec<Polygon> = match least {
            None => pieces.into_iter().cloned().collect(),
            Some(least) => (side_by_side(&pieces).into_iter())
                .filter(|(area_m2, _)| *area_m2 > least.value)
                .flat_map(|(_, patch)| patch.into_iter().cloned())
                .collect(),
        };
        let kept = on(&MultiPolygon(large)).amount + all.amount - net.amount;
        // Where no such trees stand, none can be owed.
        let share = share(kept, all);
        let holds = share >= rule.value - SHARE_TOLERANCE;
        let mut judged = self.ruled(named, (rule.value, share), holds, rule);
        if !holds && self.plan.cuts_nothing() {
            // Nobody owes trees that stay where none is felled.
            judged.row.status = Verdict::NotApplicable;
            judged.row.title += " (nothing of the block is cut)";
        } else if !holds {
            let may = on(&self.may_stand(&self.plan.shape)).amount + all.amount - net.amount;
            let could = may / all.amount;
            judged.why = match could < rule.value {
                true => format!(
                    "no pattern meets it: {:.1} % of them stand where trees may stand as retention",
                    100.0 * could
                ),
                false => format!(
                    "{:.1} % of them stand where trees may stand as retention; patches that meet it would leave more of the block \
                     unworked than they keep, or fall below `least_patch`",
                    100.0 * could
                ),
            };
        }
        judged
    }

    /// The share of a management zone's trees; `zone` as drawn, with what lies outside the net area.
    pub(super) fn management_share_in_trees(
        &self,
        rule: &RuleLine,
        trees: TreeCount,
        zone: &MultiPolygon,
    ) -> Judged {
        let named = RuleId::ManagementShare.named().of(&rule.id);
        let named = named.titled(rule.share_title_in(trees));
        let source = Origin::of_share(rule);
        let all = self
            .stocking
            .on(&intersection(zone, &self.net_pieces()), trees);
        if !all.is_known() {
            return self.not_counted(named, rule.management_share, source);
        }
        let standing: Vec<Polygon> = self.standing_pieces().cloned().collect();
        let kept = self.stocking.on(&intersection(zone, &standing), trees);
        let share = share(kept.amount, all);
        let holds = share >= rule.management_share - ZONE_TOLERANCE;
        let figures = (rule.management_share, share);
        let mut judged = self.ruled(named, figures, holds, source);
        judged.place = (!holds).then(|| self.place_of(zone));
        judged
    }

    /// One row per rule that asks for trees by the length of the bank.
    pub(super) fn trees_per_length(&self) -> Vec<Judged> {
        let rules = self.context.rules.lines.iter();
        rules.filter_map(|rule| self.trees_beside(rule)).collect()
    }

    fn trees_beside(&self, rule: &RuleLine) -> Option<Judged> {
        let owed = rule.trees_per_length?;
        let zones = self.plan.zones.iter();
        let of_rule =
            zones.filter(|zone| zone.kind == ZoneKind::Management && zone.rule_id == rule.id);
        let zone = MultiPolygon(of_rule.flat_map(|zone| zone.shape.0.clone()).collect());
        let net = MultiPolygon(self.net_pieces());
        let zone_net = intersection(&zone, &net.0);
        let bank_m = bank_within(rule, &net, &self.plan.zones);
        if bank_m < 1.0 {
            return None;
        }
        let named = RuleId::ManagementTrees.named().of(&rule.id);
        let named = named.titled(format!("{}, {}", owed.words(), rule.title));
        let required = owed.per_100_m();
        let source = Origin::of_share(rule);
        let all = self.stocking.on(&zone_net, owed.count());
        if !all.is_known() {
            return Some(self.not_counted(named, required, source));
        }
        let standing: Vec<Polygon> = self.standing_pieces().cloned().collect();
        let kept = self
            .stocking
            .on(&intersection(&zone, &standing), owed.count());
        let per_100_m = kept.amount / bank_m * 100.0;
        let holds = per_100_m >= required * (1.0 - ZONE_TOLERANCE);
        let figures = (required, per_100_m);
        let mut judged = self.ruled(named, figures, holds, source);
        let all_stand = kept.amount >= all.amount * (1.0 - ZONE_TOLERANCE);
        if !holds && all_stand {
            // Nobody can leave more than there are; whether that is enough the code has to say.
            judged.row.status = Verdict::Warn;
            judged.why = "fewer than that stand there: all of them stay".to_owned();
        }
        judged.place = (!holds).then(|| self.place_of(&zone));
        Some(judged)
    }

    fn place_of(&self, zone: &MultiPolygon) -> geo::Geometry {
        geo::Geometry::MultiPolygon(intersection(&self.plan.shape, &zone.0))
    }
}

/// Where no such trees stand none is missing.
fn share(kept: f64, all: Counted) -> f64 {
    match all.amount > 0.0 {
        true => kept / all.amount,
        false => 1.0,
    }
}
