//! Rules that count trees: what of the ground must stand so that enough of them do. Trees that the machine leaves in its
//! strips, because they are too small to be reached for, never count: nobody has chosen them.

use geo::{MultiPolygon, Polygon};

use super::Context;
use super::ground::{self, Ground};
use super::retention::{self, LeastWidth, Solved};
use super::strips::{Part, Pieces};
use crate::geometry::area::{Bounds, area};
use crate::geometry::overlay::{intersection, shared_area};
use crate::landbase::{Counted, Stocking, bank_m};
use crate::model::{BlockPlan, Zone, ZoneKind};
use crate::rulebook::{RuleLine, TreeCount};

/// More than this beyond what is owed is worth another try.
const SPARE: f64 = 0.002;
const TRIES: usize = 10;
const PATCH_TRIES: usize = 5;
/// Wide corridors that leave more than this beyond what is owed are worth a comparison with narrower ones.
const ROOM: f64 = 0.01;

/// The trees of which a block owes a share.
pub struct BlockTrees {
    stocking: Stocking,
    trees: TreeCount,
    /// All that the share is one of.
    all: f64,
    /// In reserves, where the rule counts them, and on ground of layer `retain` that counts.
    reserved: f64,
    /// In bands of management zones, and in patches.
    banded: f64,
    share: f64,
    /// Of the ground that the share is one of.
    per_m2: f64,
}

/// None where the share is one of ground, or nobody knows the trees.
pub fn of_block(context: Context<'_>, ground: &Ground, shape: &MultiPolygon) -> Option<BlockTrees> {
    let rules = context.rules;
    let trees = rules.share_trees?;
    let stands = ground.zones.stands.iter().copied();
    let stocking = Stocking::new(stands, &Bounds::of_polygons(shape));
    let net = stocking.on(&ground.net, trees);
    let all = match rules.reserves_count {
        true => stocking.on(shape, trees),
        false => net,
    };
    if !all.is_known() || all.amount <= 0.0 {
        return None;
    }
    // Reserves that count hold it already.
    let counted = match rules.reserves_count {
        true => 0.0,
        false => {
            let counted = ground::counted(context, shape, &ground.zones);
            stocking.on(&counted, trees).amount
        }
    };
    let banded = stocking.on(&ground.retained_bands, trees).amount;
    Some(BlockTrees {
        trees,
        all: all.amount + counted,
        reserved: all.amount - net.amount + counted,
        banded,
        share: rules.retention_share.value,
        per_m2: all.amount / all.all_m2,
        stocking,
    })
}

impl BlockTrees {
    /// Corridors with as many trees as are owed beyond reserves and bands, and at least `least_m2` of ground, as other rules
    /// ask. Where trees stand unevenly, few wide corridors can only leave many too many: then narrower ones are tried.
    pub fn solve(
        &self,
        context: Context<'_>,
        parts: &[Part],
        least_m2: f64,
        width: LeastWidth,
    ) -> Solved {
        let owed = self.owed();
        let (kept, solved) = self.nearest(context, parts, least_m2, width);
        let fits = |kept: f64| kept >= owed && kept <= owed.max(0.0) * (1.0 + ROOM);
        if fits(kept) || owed <= 0.0 || width.of_trees_m <= 0.0 {
            return solved;
        }
        let of_any = LeastWidth {
            of_trees_m: 0.0,
            ..width
        };
        let (other, narrower) = self.nearest(context, parts, least_m2, of_any);
        let is_better = match kept >= owed {
            true => other >= owed && other < kept,
            false => other > kept,
        };
        if is_better { narrower } else { solved }
    }

    /// What corridors owe and what they fall short by, as ground on which trees stand evenly; m2.
    pub fn owed_and_short_m2(&self, parts: &[Part], pieces: &[Pieces]) -> [f64; 2] {
        let owed = self.owed();
        let short = owed - self.kept(parts, pieces);
        [owed, short].map(|trees| trees / self.per_m2)
    }

    /// Patches that hold as many trees as `want_m2` does where they stand evenly; `choose` gives patches of an area.
    pub fn worth(&self, want_m2: f64, choose: impl Fn(f64) -> Vec<Polygon>) -> Vec<Polygon> {
        let want = want_m2 * self.per_m2;
        let mut aim_m2 = want_m2;
        let mut best: Option<(f64, Vec<Polygon>)> = None;
        for _ in 0..PATCH_TRIES {
            let patches = choose(aim_m2);
            let ground = MultiPolygon(patches.clone());
            let has = self.stocking.on(&ground, self.trees).amount;
            let better = match &best {
                None => true,
                Some((held, _)) if *held >= want => has >= want && has < *held,
                Some((held, _)) => has > *held,
            };
            if better {
                best = Some((has, patches));
            }
            if want <= 0.0 || (has >= want && has <= want * (1.0 + ROOM)) {
                break;
            }
            // Where next to no trees stand the next patch takes more ground, and looks elsewhere.
            aim_m2 *= (want / has.max(want / 4.0)) * (1.0 + SPARE / 4.0);
        }
        best.map_or_else(Vec::new, |(_, patches)| patches)
    }

    fn owed(&self) -> f64 {
        let owed = self.share * self.all - self.reserved - self.banded;
        if owed > 0.0 {
            owed * (1.0 + 1e-6)
        } else {
            owed
        }
    }

    /// What comes nearest to the trees owed, with the trees that it leaves.
    fn nearest(
        &self,
        context: Context<'_>,
        parts: &[Part],
        least_m2: f64,
        width: LeastWidth,
    ) -> (f64, Solved) {
        let owed = self.owed();
        let may_stand_m2: f64 = parts.iter().map(|part| area(&part.turned_may_stand)).sum();
        if owed <= 0.0 || may_stand_m2 <= 0.0 {
            let solved = retention::solve(context, parts, least_m2, width);
            return (self.kept(parts, &solved.pieces), solved);
        }
        let standing: f64 = (parts.iter())
            .map(|part| {
                let ground = part.frame.leave_polygons(&part.turned_may_stand);
                self.stocking.on(&ground, self.trees).amount
            })
            .sum();
        // As if trees stood evenly; what then stands shows how far that is off.
        let mut aim_m2 = may_stand_m2 * (owed / standing.max(owed));
        let (mut low_m2, mut high_m2) = (0.0, f64::INFINITY);
        let mut best: Option<(f64, Solved)> = None;
        for _ in 0..TRIES {
            let solved = retention::solve(context, parts, aim_m2.max(least_m2), width);
            let kept = self.kept(parts, &solved.pieces);
            let enough = kept >= owed;
            match enough {
                true => high_m2 = aim_m2,
                false => low_m2 = aim_m2,
            }
            let better = match &best {
                None => true,
                Some((held, _)) if *held >= owed => enough && kept < *held,
                Some((held, _)) => kept > *held,
            };
            if better {
                best = Some((kept, solved));
            }
            let all_stands = !enough && aim_m2 >= may_stand_m2;
            let near_enough = enough && (kept - owed <= SPARE * owed || aim_m2 <= least_m2);
            if all_stands || near_enough {
                break;
            }
            let next_m2 = aim_m2 * owed * (1.0 + SPARE / 4.0) / kept.max(owed * 1e-3);
            aim_m2 = match next_m2 > low_m2 && next_m2 < high_m2 {
                true => next_m2.min(may_stand_m2),
                false if high_m2.is_finite() => (low_m2 + high_m2) / 2.0,
                false => may_stand_m2,
            };
        }
        best.unwrap_or_else(|| {
            let solved = retention::solve(context, parts, least_m2, width);
            (self.kept(parts, &solved.pieces), solved)
        })
    }

    fn kept(&self, parts: &[Part], pieces: &[Pieces]) -> f64 {
        let of_part = |(part, pieces): (&Part, &Pieces)| -> f64 {
            let shapes = pieces.corridors.iter();
            let shapes = MultiPolygon(shapes.map(|(_, shape)| shape.clone()).collect());
            let ground = part.frame.leave_polygons(&shapes);
            self.stocking.on(&ground, self.trees).amount
        };
        parts.iter().zip(pieces).map(of_part).sum()
    }

    /// Trees left standing and all that the share is one of, of the finished plan.
    pub fn left(&self, plan: &BlockPlan) -> [f64; 2] {
        let corridors = plan.corridors.iter();
        let ground = MultiPolygon(corridors.map(|c| c.shape.clone()).collect());
        let corridors = self.stocking.on(&ground, self.trees).amount;
        [self.reserved + self.banded + corridors, self.all]
    }
}

/// One thing that the management zones of a rule owe.
pub struct Need {
    trees: Option<TreeCount>,
    /// m2 of ground, or trees.
    amount: f64,
    /// Of it, one of the figure that the rule states.
    per: f64,
    pub unit: &'static str,
    pub required: f64,
}

impl Need {
    /// What of it stands on `ground` and on `already`, in the unit of the rule.
    pub fn measured(&self, stocking: &Stocking, grounds: [&MultiPolygon; 2]) -> f64 {
        self.standing(stocking, grounds) / self.per
    }

    pub fn is_met(&self, stocking: &Stocking, grounds: [&MultiPolygon; 2]) -> bool {
        self.standing(stocking, grounds) >= self.amount
    }

    /// By more than the rounding of overlays.
    pub fn falls_short(&self, stocking: &Stocking, grounds: [&MultiPolygon; 2]) -> bool {
        self.standing(stocking, grounds) < self.amount - 1e-6
    }

    fn standing(&self, stocking: &Stocking, grounds: [&MultiPolygon; 2]) -> f64 {
        let amount = |ground: &MultiPolygon| match self.trees {
            None => area(ground),
            Some(trees) => stocking.on(ground, trees).amount,
        };
        grounds.into_iter().map(amount).sum()
    }
}

/// What the zones of a rule owe on `zone`, which is theirs inside the net area. Where nobody knows the trees, the same share of
/// the ground stands in, and all of it where the rule states none.
pub fn of_zone(
    rule: &RuleLine,
    zone: &MultiPolygon,
    zones: &[Zone],
    stocking: &Stocking,
) -> Vec<Need> {
    let zone_m2 = area(zone);
    let ground = |share: f64| Need {
        trees: None,
        amount: share * zone_m2,
        per: zone_m2,
        unit: "share",
        required: share,
    };
    let known = |trees: TreeCount| -> Option<Counted> {
        let all = stocking.on(zone, trees);
        (all.is_known() && all.amount > 0.0).then_some(all)
    };
    let mut needs = Vec::new();
    let share = rule.management_share;
    if share > 0.0 {
        let trees = rule
            .share_trees
            .and_then(|trees| Some((trees, known(trees)?)));
        needs.push(match trees {
            None => ground(share),
            Some((trees, all)) => Need {
                trees: Some(trees),
                amount: share * all.amount,
                per: all.amount,
                unit: "share",
                required: share,
            },
        });
    }
    let Some(owed) = rule.trees_per_length else {
        return needs;
    };
    match known(owed.count()) {
        Some(all) => {
            let bank_m = bank_within(rule, zone, zones);
            // More than there are nobody can leave.
            let amount = (owed.trees / owed.per_m * bank_m).min(all.amount);
            needs.push(Need {
                trees: Some(owed.count()),
                amount: amount * (1.0 - 1e-9),
                per: (bank_m / 100.0).max(f64::MIN_POSITIVE),
                unit: "trees/100 m",
                required: owed.per_100_m(),
            });
        }
        None if share > 0.0 => {}
        None => needs.push(ground(1.0)),
    }
    needs
}

/// Metres of bank beside the zones of a rule, as far as they lie on `ground`.
pub fn bank_within(rule: &RuleLine, ground: &MultiPolygon, zones: &[Zone]) -> f64 {
    let of_rule = zones
        .iter()
        .filter(|zone| zone.kind == ZoneKind::Management && zone.rule_id == rule.id);
    let here: Vec<(f64, MultiPolygon)> = of_rule
        .map(|zone| (zone.width_m, intersection(ground, &zone.shape.0)))
        .collect();
    bank_m(&here)
}

/// What of `zone` stands already, in bands of other rules.
pub fn already(zone: &MultiPolygon, bands: &MultiPolygon) -> MultiPolygon {
    match shared_area(zone, &bands.0) > 0.0 {
        true => intersection(zone, &bands.0),
        false => MultiPolygon(vec![]),
    }
}
