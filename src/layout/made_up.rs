//! Retention that was cut by mistake, made up elsewhere: strips that nobody has begun end sooner, and what lies behind stays as
//! patches.

use std::collections::BTreeMap;

use geo::{MultiPolygon, Polygon};

use super::Context;
use super::attempt::MET_M2;
use super::ground::Ground;
use super::retention::{ROUNDING_M2, split_front};
use super::strips::{Part, least_patch_m2};
use crate::geometry::area::{Bounds, polygon_area};
use crate::geometry::overlay::{difference, intersection};
use crate::model::{BlockPlan, Finding, PieceId, StripKind, Zone};

/// Less of a strip is not gone into before the trees, in metres of its length: own judgement.
const LEAST_FRONT_M: f64 = 15.0;
/// How many choices of ground are tried, if one bars the way to other ground.
const TRIES: usize = 4;
/// What is lost may lack the share by this much more.
const WITH_SCRAPS: f64 = 1.2;
/// Asked for beyond what is lost: edges of patches lie on those of strips.
const EDGES_M2: f64 = 2.0;

/// How much of what was to stay is cut or came to be reserve, and what of it the share lacks.
#[derive(Clone, Copy)]
pub struct Lost {
    want_m2: f64,
}

impl Lost {
    /// None where the share is met as it is, or falls short for another reason alone.
    pub fn of(plan: &BlockPlan, target_m2: f64) -> Option<Lost> {
        let of_lost = |found: &&Finding| {
            found.rule_id == "retention-cut" || found.rule_id == "retention-reserved"
        };
        let lost = plan.findings.iter().filter(of_lost);
        let lost_m2: f64 = lost.filter_map(|found| found.measured).sum();
        let short_m2 = target_m2 - plan.books.retained_m2;
        // Scraps beside what was lost lack as well.
        let want_m2 = short_m2.min(WITH_SCRAPS * lost_m2);
        (want_m2 > MET_M2).then_some(Lost {
            want_m2: want_m2 + EDGES_M2,
        })
    }
}

/// The plan with patches in the place of what is lost, where there is ground for them that bars no way; else as it is.
pub fn write(
    context: Context<'_>,
    (ground, parts): (&Ground, &[Part]),
    lost: Option<Lost>,
    plan: BlockPlan,
    write: impl Fn(&Ground) -> BlockPlan,
) -> BlockPlan {
    let Some(lost) = lost else {
        return plan;
    };
    let barred = |plan: &BlockPlan| {
        let found = plan.findings.iter();
        found.filter(|found| found.rule_id == "reachable").count()
    };
    let mut best: Option<BlockPlan> = None;
    for skip in 0..TRIES {
        let patches = choose(context, parts, &plan, lost.want_m2, skip);
        if patches.is_empty() {
            break;
        }
        let mut with = ground.clone();
        let first = 1 + with
            .zones
            .list
            .iter()
            .filter(|zone| zone.is_patch())
            .count() as u32;
        for (number, patch) in (first..).zip(&patches) {
            let shape = MultiPolygon(vec![patch.clone()]);
            with.zones.list.push(Zone::patch(number, shape));
        }
        with.retained_bands.0.extend(patches.iter().cloned());
        with.made_up = MultiPolygon(patches);
        let other = write(&with);
        if barred(&other) <= barred(&plan) {
            return other;
        }
        best.get_or_insert(other);
    }
    // A piece that no way leads to is told; a share that is missed is a breach.
    best.unwrap_or(plan)
}

/// The far ends of strips, last in the order of work first.
fn choose(
    context: Context<'_>,
    parts: &[Part],
    plan: &BlockPlan,
    want_m2: f64,
    skip: usize,
) -> Vec<Polygon> {
    let layout = &context.settings.layout;
    let least_m2 = layout.least_patch_m2.max(least_patch_m2(context)) + ROUNDING_M2;
    let mut last: BTreeMap<PieceId, u32> = BTreeMap::new();
    for line in &plan.lines {
        last.insert(line.id, line.order);
    }
    let strips = plan.strips.iter();
    let mut strips: Vec<_> = strips
        .filter(|strip| strip.kind == StripKind::Interior && !strip.gap)
        .filter_map(|strip| Some((*last.get(&strip.id)?, strip)))
        .collect();
    strips.sort_by_key(|(order, _)| std::cmp::Reverse(*order));
    let mut found: Vec<Polygon> = Vec::new();
    let mut left_m2 = want_m2;
    for (_, strip) in strips.into_iter().skip(skip) {
        if left_m2 <= 0.0 {
            break;
        }
        let Some(part) = parts.iter().find(|part| part.number == strip.id.part) else {
            continue;
        };
        let own = MultiPolygon(vec![strip.shape.clone()]);
        let own = part.frame.enter_polygons(&own);
        let may_stand = intersection(&part.turned_may_stand, &own.0).0.into_iter();
        let largest = may_stand.max_by(|a, b| polygon_area(a).total_cmp(&polygon_area(b)));
        let Some(largest) = largest else {
            continue;
        };
        let bounds = Bounds::of(&largest.exterior().0);
        let all_m2 = polygon_area(&largest);
        if all_m2 <= least_m2 || bounds.max.x - bounds.min.x < layout.corridor_min_m {
            continue;
        }
        let take_m2 = left_m2.max(least_m2);
        let least_front_m2 = LEAST_FRONT_M * (bounds.max.x - bounds.min.x);
        let behind = match all_m2 - take_m2 > least_front_m2 {
            true => split_front(&largest, all_m2 - take_m2).1,
            false => vec![largest],
        };
        for piece in behind {
            let area_m2 = polygon_area(&piece);
            if area_m2 < least_m2 - ROUNDING_M2 {
                continue;
            }
            found.push(part.frame.leave_polygon(&piece));
            // Its setting stays one piece of ground.
            let rest = difference(&MultiPolygon(vec![part.shape.clone()]), &found);
            match rest.0.len() {
                1 => left_m2 -= area_m2,
                _ => drop(found.pop()),
            }
        }
    }
    found
}
