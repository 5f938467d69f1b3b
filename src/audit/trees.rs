//! Rules that count trees: stems, basal area or volume of what stands, from the stand tables.

use geo::MultiPolygon;

use super::ground::Ground;
use super::row::{Judged, Leeway, Measure, Named, Origin, SHARE_ROUNDING, measured, row};
use super::scene::Scene;
use super::shares::ManagedZone;
use super::split::inside_of;
use crate::geometry::area::{length, polygon_area, rings};
use crate::landbase::{Counted, NO_STAND_TABLE, Stocking, bank_m};
use crate::model::{RuleId, Verdict};
use crate::rulebook::{RuleLine, TreeCount};

/// Chords stray from arcs by 0.06 % of the radius: what figures of a narrow zone may differ by.
const ZONE_ROUNDING: f64 = 0.002;

/// Where no such trees stand none is missing.
fn share(kept: f64, all: Counted) -> f64 {
    match all.amount > 0.0 {
        true => kept / all.amount,
        false => 1.0,
    }
}

/// How far an edge that lies elsewhere changes a share: as if trees stood evenly.
fn edge_share(scene: &Scene, stands: &MultiPolygon, all: Counted, unit: f64) -> Leeway {
    let edges = scene.edges_of(stands);
    let all_m2 = all.all_m2.max(1.0);
    scene
        .context
        .certainty
        .of_area(&edges, all_m2 / unit.max(f64::MIN_POSITIVE))
}

impl Scene<'_> {
    pub(super) fn stocking(&self) -> Stocking {
        Stocking::new(self.near.iter(), &self.shape.bounds())
    }

    fn not_counted(named: Named, required: f64, origin: Origin) -> Judged {
        let words = format!("cannot be told: {NO_STAND_TABLE}");
        row(
            named,
            Some(required),
            None,
            None,
            (Verdict::Unknown, words),
            origin,
        )
    }

    /// The retention share where it is one of trees.
    pub(super) fn retention_in_trees(&self, trees: TreeCount) -> Judged {
        let rules = self.context.rules;
        let rule = &rules.retention_share;
        let least = rules.block.least_patch_m2.as_ref();
        let named = RuleId::RetentionShare.named();
        let named = named.titled(rules.share_title(Some(trees)));
        if rule.value <= 0.0 {
            let verdict = (Verdict::NotApplicable, String::new());
            return row(named, Some(rule.value), None, None, verdict, rule.into());
        }
        let stocking = self.stocking();
        let reserved = inside_of(&self.shape.shape, self.reserve());
        let (gross, reserved) = (
            stocking.on(&self.shape.shape, trees),
            stocking.on(&reserved, trees),
        );
        let mut all = match rules.reserves_count {
            true => gross,
            false => Counted {
                amount: gross.amount - reserved.amount,
                known_m2: gross.known_m2 - reserved.known_m2,
                all_m2: gross.all_m2 - reserved.all_m2,
            },
        };
        if !all.is_known() {
            return Scene::not_counted(named, rule.value, rule.into());
        }
        let tolerance_m = self.context.limit_m();
        // Ground of patches that are large enough only if their edges lie elsewhere.
        let mut may_count_m2 = 0.0;
        let counted = self.standing().shape.0.iter().filter(|patch| {
            let Some(least) = least else {
                return true;
            };
            let grown_m2 =
                polygon_area(patch) + tolerance_m * rings(patch).map(length).sum::<f64>();
            let counts = polygon_area(patch) > least.value;
            if !counts && grown_m2 > least.value {
                may_count_m2 += grown_m2;
            }
            counts
        });
        let stands = MultiPolygon(counted.cloned().collect());
        let mut kept = stocking.on(&stands, trees).amount;
        // Where only patches count no tree that stands alone does.
        if least.is_none() {
            let reserve = Ground::new(self.reserve().iter().cloned());
            kept += self.stems_counted(trees, |at| self.shape.holds(at) && !reserve.holds(at));
        }
        if rules.reserves_count {
            kept += reserved.amount;
        } else {
            let counted = stocking.on(&self.counted(), trees).amount;
            kept += counted;
            all.amount += counted;
        }
        let share = share(kept, all);
        let leeway = edge_share(self, &stands, all, 1.0).plus(may_count_m2 / all.all_m2.max(1.0));
        let judged = measured(
            named,
            (rule.value, share),
            Measure {
                short: rule.value - share,
                rounding: SHARE_ROUNDING,
                leeway,
                doubt: self.overlay_doubt(),
                doubt_may_save: true,
            },
            rule.into(),
        );
        match judged.status() >= Verdict::Warn {
            true => judged.at(Some(self.shape.bounds().middle())),
            false => judged,
        }
    }

    /// The share of the trees of a rule's management zones.
    pub(super) fn management_share_in_trees(
        &self,
        rule: &RuleLine,
        trees: TreeCount,
    ) -> Option<Judged> {
        let zone = self.managed_zone(rule)?;
        let named = RuleId::ManagementShare.named().of(&rule.id);
        let named = named.titled(rule.share_title_in(trees));
        let stocking = self.stocking();
        let all = stocking.on(&zone.net, trees);
        let (required, origin) = (rule.management_share, Origin::of_share(rule));
        if !all.is_known() {
            return Some(Scene::not_counted(named, required, origin));
        }
        let own = Ground::new(zone.net.0.iter().cloned());
        let alone = self.stems_counted(trees, |at| own.holds(at));
        let share = share(stocking.on(&zone.stands, trees).amount + alone, all);
        let judged = measured(
            named,
            (required, share),
            Measure {
                short: required - share,
                rounding: ZONE_ROUNDING,
                leeway: edge_share(self, &zone.stands, all, 1.0),
                doubt: zone.doubt.as_deref(),
                doubt_may_save: true,
            },
            origin,
        );
        Some(self.with_ground(judged, &zone))
    }

    /// One row per rule that asks for trees by the length of the bank.
    pub(super) fn trees_per_length(&self) -> Vec<Judged> {
        let rules = self.context.rules.lines.iter();
        let owing = rules.filter(|rule| rule.trees_per_length.is_some());
        owing
            .filter_map(|rule| self.trees_beside(rule, &self.managed_zone(rule)?))
            .collect()
    }

    fn trees_beside(&self, rule: &RuleLine, zone: &ManagedZone) -> Option<Judged> {
        let owed = rule.trees_per_length?;
        let bank_m = bank_m(&zone.by_width);
        if bank_m < 1.0 {
            return None;
        }
        let named = RuleId::ManagementTrees.named().of(&rule.id);
        let named = named.titled(format!("{}, {}", owed.words(), rule.title));
        let stocking = self.stocking();
        let all = stocking.on(&zone.net, owed.count());
        let (required, origin) = (owed.per_100_m(), Origin::of_share(rule));
        if !all.is_known() {
            return Some(Scene::not_counted(named, required, origin));
        }
        let own = Ground::new(zone.net.0.iter().cloned());
        let alone = self.stems_counted(owed.count(), |at| own.holds(at));
        let kept = stocking.on(&zone.stands, owed.count()).amount + alone;
        let per_100_m = kept / bank_m * 100.0;
        let all_per_100_m = all.amount / bank_m * 100.0;
        let mut judged = measured(
            named,
            (required, per_100_m),
            Measure {
                short: required - per_100_m,
                rounding: ZONE_ROUNDING * required,
                leeway: edge_share(self, &zone.stands, all, all_per_100_m),
                doubt: zone.doubt.as_deref(),
                doubt_may_save: true,
            },
            origin,
        );
        let all_stand = kept >= all.amount * (1.0 - ZONE_ROUNDING);
        if judged.status() == Verdict::Fail && all_stand {
            judged.row.row.status = Verdict::Warn;
            judged.row.message = "fewer than that stand there: all of them stay".to_owned();
        }
        Some(self.with_ground(judged, zone))
    }
}
