//! Shares and books, from the areas of the pieces as written.

use geo::{MultiPolygon, Polygon};

use super::block_rules::side_by_side;
use super::{Judge, Judged};
use crate::geometry::area::{area, polygon_area};
use crate::geometry::overlay::{difference, intersection, shared_area};
use crate::layout::left_m2;
use crate::model::*;
use crate::rulebook::Origin;
use crate::rulebook::{Rulebook, ShareOf};

/// Measured shares may lie below the requirement by rounding only.
pub(super) const SHARE_TOLERANCE: f64 = 1e-9;
/// Areas must balance to this.
pub const BALANCE_M2: f64 = 1.0;

/// Ground of layer `retain` that counts, that no other reserve has and that is not cleared for a road; only pieces that count where the rules ask for patches.
pub(super) fn counted(plan: &BlockPlan, rules: &Rulebook) -> MultiPolygon {
    let zones = |of: &dyn Fn(&Zone) -> bool| -> Vec<Polygon> {
        let zones = plan.zones.iter().filter(|zone| of(zone));
        zones
            .flat_map(|zone| zone.shape.0.iter().cloned())
            .collect()
    };
    let counted = zones(&|zone| zone.kept == Some(true));
    if counted.is_empty() {
        return MultiPolygon(vec![]);
    }
    let others = zones(&|zone| {
        let reserve = zone.kind == ZoneKind::Reserve && zone.kept != Some(true);
        reserve || zone.kind == ZoneKind::RoadClearing
    });
    let alone = difference(&intersection(&plan.shape, &counted), &others);
    let least = rules.block.least_patch_m2.as_ref();
    let is_enough = |piece: &Polygon| least.is_none_or(|least| polygon_area(piece) > least.value);
    MultiPolygon(alone.0.into_iter().filter(is_enough).collect())
}

impl Judge<'_> {
    pub(super) fn cut_m2(&self) -> f64 {
        self.plan
            .strips
            .iter()
            .map(|strip| polygon_area(&strip.shape))
            .sum()
    }

    fn retained_m2(&self) -> f64 {
        let corridors: f64 = self
            .plan
            .corridors
            .iter()
            .map(|corridor| polygon_area(&corridor.shape))
            .sum();
        corridors + area(&self.plan.retained_bands)
    }

    fn unworked_m2(&self) -> f64 {
        self.plan
            .unworked
            .iter()
            .map(|unworked| polygon_area(&unworked.shape))
            .sum()
    }

    pub(super) fn retention_share(&self) -> Judged {
        let rules = self.context.rules;
        let rule = &rules.retention_share;
        let standing_m2 = self.retained_m2();
        // The net area is what was cut, kept or left, not what the layout said it was.
        let net_m2 = self.cut_m2() + standing_m2 + self.unworked_m2();
        if let Some(trees) = rules.share_trees {
            return self.retention_in_trees(trees);
        }
        let least = rules.block.least_patch_m2.as_ref();
        let retained_m2 = least.map_or(standing_m2, |least| {
            let pieces: Vec<&Polygon> = self.standing_pieces().collect();
            let patches = side_by_side(&pieces).into_iter();
            let patches = patches.map(|(area_m2, _)| area_m2);
            patches.filter(|&area_m2| area_m2 > least.value).sum()
        });
        let retained_m2 = match rules.left_counts {
            true => retained_m2 + left_m2(&self.plan.unworked),
            false => retained_m2,
        };
        let gross_m2 = area(&self.plan.shape);
        let counted_m2 = area(&counted(self.plan, rules));
        let retained_m2 = retained_m2 + counted_m2;
        let share = match rules.share_of {
            _ if rules.reserves_count => (retained_m2 - counted_m2 + gross_m2 - net_m2) / gross_m2,
            ShareOf::Gross => retained_m2 / gross_m2,
            ShareOf::Net => retained_m2 / (net_m2 + counted_m2),
        };
        let holds = share >= rule.value - SHARE_TOLERANCE;
        let figures = (rule.value, share);
        let named = RuleId::RetentionShare.named();
        let named = named.titled(rules.share_title(None));
        let mut judged = self.ruled(named, figures, holds, rule);
        if rule.value <= 0.0 {
            judged.row.status = Verdict::NotApplicable;
        } else if !holds && self.plan.cuts_nothing() {
            // Nobody owes trees that stay where none is felled.
            judged.row.status = Verdict::NotApplicable;
            judged.row.title += " (nothing of the block is cut)";
        } else if !holds {
            judged.why = self.why_short(net_m2, retained_m2);
        }
        judged
    }

    /// One row per rule whose management zone owes a share.
    pub(super) fn management_shares(&self) -> Vec<Judged> {
        let rules = self
            .context
            .rules
            .lines
            .iter()
            .filter(|rule| rule.management_share > 0.0);
        let standing: Vec<Polygon> = self.standing_pieces().cloned().collect();
        let net = self.net_pieces();
        let judged = rules.filter_map(|rule| {
            let zones: Vec<Polygon> = self
                .plan
                .zones
                .iter()
                .filter(|zone| zone.kind == ZoneKind::Management && zone.rule_id == rule.id)
                .flat_map(|zone| zone.shape.0.iter().cloned())
                .collect();
            let zone = MultiPolygon(zones);
            let zone_m2 = shared_area(&zone, &net);
            if zone_m2 < 1.0 {
                return None;
            }
            if let Some(trees) = rule.share_trees {
                return Some(self.management_share_in_trees(rule, trees, &zone));
            }
            let share = shared_area(&zone, &standing) / zone_m2;
            // Two engines' arcs differ by a fraction of a per mille of the zone.
            let holds = share >= rule.management_share - 0.002;
            let named = RuleId::ManagementShare.named().of(&rule.id);
            let named = named.about(&format!(", {}", rule.title));
            let figures = (rule.management_share, share);
            let source = Origin::of_share(rule);
            let mut judged = self.ruled(named, figures, holds, source);
            judged.place = (!holds)
                .then(|| geo::Geometry::MultiPolygon(intersection(&self.plan.shape, &zone.0)));
            Some(judged)
        });
        judged.collect()
    }

    /// What is left of the books.
    pub(super) fn rest_m2(&self) -> f64 {
        let gross_m2 = area(&self.plan.shape);
        let reserves = self
            .plan
            .zones
            .iter()
            .filter(|zone| zone.kind == ZoneKind::Reserve);
        let reserves: Vec<Polygon> = reserves
            .flat_map(|zone| zone.shape.0.iter().cloned())
            .collect();
        let reserve_m2 = shared_area(&self.plan.shape, &reserves);
        gross_m2 - reserve_m2 - self.cut_m2() - self.retained_m2() - self.unworked_m2()
    }

    pub(super) fn balance(&self) -> Judged {
        let rest = self.rest_m2();
        let status = if rest.abs() <= BALANCE_M2 {
            Verdict::Pass
        } else {
            Verdict::Fail
        };
        self.row(
            RuleId::AreasBalance.named(),
            Some(BALANCE_M2),
            Some(rest.abs()),
            status,
            "docs/algorithms.md, Books",
        )
    }
}

/// Widest extent of a polygon across an azimuth, in metres.
pub(super) fn across_m(polygon: &Polygon, azimuth_deg: f64) -> f64 {
    let frame = crate::geometry::frame::Frame::new(azimuth_deg);
    let turned = frame.enter_polygons(&MultiPolygon(vec![polygon.clone()]));
    let bounds = crate::geometry::area::Bounds::of_polygons(&turned);
    bounds.max.x - bounds.min.x
}
