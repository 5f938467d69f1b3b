//! Corridor width and the comb's phase, solved so that the required share stands: measured on final geometry.

use geo::Polygon;

use super::Context;
use super::comb::{Comb, Tooth};
use super::ground::Ground;
use super::strips::{Part, Pieces, Row, cut, least_patch_m2};
use crate::geometry::area::{area, polygon_area};
use crate::geometry::frame::map_polygon;
use crate::geometry::overlay::union;
use crate::geometry::sweep::{Slab, clip_slabs, slab_areas, upright};
use crate::model::{Books, Unworked};
use crate::rulebook::{Rulebook, ShareOf};

/// Area that must be left standing inside the net area, by corridors and retained bands: what the block's own share
/// asks for, or the portfolio's share of this block if that is more. A block cannot know what the others of its
/// portfolio keep, so each aims at keeping its own part. `by_trees`: the block's own share is counted in trees, elsewhere.
pub fn target_m2(rules: &Rulebook, ground: &Ground, by_trees: bool) -> f64 {
    let (gross_m2, net_m2) = (ground.gross_m2, area(&ground.net));
    let of_block_m2 = match rules.share_of {
        _ if rules.reserves_count => gross_m2,
        ShareOf::Gross => gross_m2,
        ShareOf::Net => net_m2 + ground.kept_m2,
    };
    // What layer `retain` has and counts stands already; reserves that count hold it.
    let kept_m2 = match rules.reserves_count {
        true => 0.0,
        false => ground.kept_m2,
    };
    let own_m2 = match by_trees {
        true => 0.0,
        false => rules.retention_share.value * of_block_m2 - kept_m2,
    };
    let portfolio = rules.block.portfolio_share.as_ref();
    let of_portfolio_m2 = portfolio.map_or(0.0, |share| share.value * gross_m2 - kept_m2);
    let reserves_m2 = match rules.reserves_count {
        true => gross_m2 - net_m2,
        false => 0.0,
    };
    let left_m2 = match rules.left_counts {
        true => left_m2(&ground.unworked),
        false => 0.0,
    };
    own_m2.max(of_portfolio_m2) - reserves_m2 - left_m2
}

/// Ground left as too steep or too soft.
pub fn left_m2(unworked: &[Unworked]) -> f64 {
    let left = unworked.iter().filter(|own| own.reason.is_left());
    left.map(|own| polygon_area(&own.shape)).sum()
}

/// Share of the block left standing, as the rules count it.
pub fn share_left(rules: &Rulebook, books: &Books) -> f64 {
    share_with(rules, books, rules.left_counts)
}

/// The same with or without ground left as too steep or too soft.
pub fn share_with(rules: &Rulebook, books: &Books, left_counts: bool) -> f64 {
    let left_m2 = if left_counts { books.left_m2 } else { 0.0 };
    let kept_m2 = books.retained_m2 + left_m2;
    match rules.share_of {
        _ if rules.reserves_count => (kept_m2 + books.reserve_m2) / books.gross_m2,
        ShareOf::Gross => (kept_m2 + books.kept_m2) / books.gross_m2,
        ShareOf::Net => (kept_m2 + books.kept_m2) / (books.net_m2 + books.kept_m2),
    }
}

/// The pieces of every part, with corridors that give `target_m2` if they can.
pub struct Solved {
    pub combs: Vec<Comb>,
    pub pieces: Vec<Pieces>,
}

impl Solved {
    pub fn corridors_m2(&self) -> f64 {
        self.pieces.iter().map(Pieces::corridors_m2).sum()
    }
}

/// Asked for beyond what is owed.
pub const ROUNDING_M2: f64 = 0.25;

/// How wide corridors have to be.
#[derive(Clone, Copy, Debug)]
pub struct LeastWidth {
    /// As many trees wide as is asked.
    pub of_trees_m: f64,
    /// Whether narrower ones, down to `corridor_min`, may stand where those give too little.
    pub narrower: bool,
    /// No more strips between two corridors, whatever else is asked; None: as many as it takes.
    pub closer: Option<u32>,
}

/// What corridors of their least width leave with so many strips between them at most, m2.
pub fn closer_m2(context: Context<'_>, parts: &[Part], least: LeastWidth) -> f64 {
    let Some(every) = least.closer else {
        return 0.0;
    };
    let layout = &context.settings.layout;
    let strip_m = context.settings.machine.strip_width_m();
    let most_m = layout.corridor_max_m.min(strip_m);
    let width_m = match least.narrower {
        true => layout.corridor_min_m,
        false => least.of_trees_m.min(most_m).max(layout.corridor_min_m),
    };
    let combs: Vec<Comb> = (parts.iter()).map(|part| part.comb(strip_m)).collect();
    total_m2(parts, &combs, every, width_m)
}

/// Corridors that leave `target_m2` standing if any do, in all `parts` alike.
pub fn solve(context: Context<'_>, parts: &[Part], target_m2: f64, least: LeastWidth) -> Solved {
    let layout = &context.settings.layout;
    let strip_m = context.settings.machine.strip_width_m();
    let mut combs: Vec<Comb> = parts.iter().map(|part| part.comb(strip_m)).collect();
    // Rounding of sums over many pieces must not leave a block a hair short of its share.
    let target_m2 = if target_m2 > 0.0 {
        target_m2 + ROUNDING_M2
    } else {
        target_m2
    };
    let mut least_m = layout.corridor_min_m;
    if target_m2 > 0.0 {
        let bounds = |least_m: f64| Width {
            least_m,
            most_m: layout.corridor_max_m.min(strip_m),
        };
        let most = most_between(context, parts, strip_m).min(least.closer.unwrap_or(u32::MAX));
        let of_trees = bounds(least.of_trees_m.min(bounds(0.0).most_m).max(least_m));
        let wide = (of_trees.least_m > least_m)
            .then(|| as_wide(parts, &combs, of_trees, most, target_m2))
            .flatten();
        let is_met = wide
            .is_some_and(|every| settle(context, parts, &mut combs, every, of_trees, target_m2));
        if wide.is_some() && (is_met || !least.narrower) {
            least_m = of_trees.least_m;
        } else {
            let every = greatest_between(parts, &combs, bounds(least_m), most, target_m2);
            settle(
                context,
                parts,
                &mut combs,
                every,
                bounds(least_m),
                target_m2,
            );
        }
    } else {
        settle_phase(parts, &mut combs);
    }
    let mut pieces: Vec<Pieces> = parts
        .iter()
        .zip(&combs)
        .map(|(part, comb)| cut(context, part, comb, least_m))
        .collect();
    if target_m2 > 0.0 {
        give_back(context, parts, &combs, &mut pieces, target_m2);
    }
    Solved { combs, pieces }
}

/// Sets width and phase, with as many strips between corridors as leave the target; whether any number does.
fn settle(
    context: Context<'_>,
    parts: &[Part],
    combs: &mut [Comb],
    widest: u32,
    bounds: Width,
    target_m2: f64,
) -> bool {
    // What is too small to stand can leave wide corridors short of the share; narrower ones closer together lose less.
    (1..=widest).rev().any(|every| {
        set_width(parts, combs, every, bounds, target_m2);
        settle_phase(parts, combs);
        widen(context, parts, combs, every, bounds, target_m2)
    })
}

#[derive(Clone, Copy)]
struct Width {
    least_m: f64,
    most_m: f64,
}

/// Widens corridors until what is really cut leaves the target; whether it does.
fn widen(
    context: Context<'_>,
    parts: &[Part],
    combs: &mut [Comb],
    every: u32,
    bounds: Width,
    target_m2: f64,
) -> bool {
    // The phase moved the corridors, and slivers of them will not stand: solve again on what is left.
    let mut aim_m2 = target_m2;
    let mut more = 1.01;
    for _ in 0..12 {
        set_width(parts, combs, every, bounds, aim_m2);
        let each = parts.iter().zip(combs.iter());
        let kept_m2: f64 = each
            .map(|(part, comb)| cut(context, part, comb, bounds.least_m).corridors_m2())
            .sum();
        let short_m2 = target_m2 - kept_m2;
        if short_m2 <= 1e-6 {
            return true;
        }
        aim_m2 += short_m2 * more + 0.01;
        more *= 1.5;
    }
    false
}

fn total_m2(parts: &[Part], combs: &[Comb], every: u32, corridor_m: f64) -> f64 {
    let of_part = |(part, comb): (&Part, &Comb)| -> f64 {
        let comb = Comb {
            every,
            corridor_m,
            ..comb.clone()
        };
        slab_areas(&part.turned_may_stand, &comb.corridor_slabs(part.right))
            .iter()
            .sum()
    };
    parts.iter().zip(combs).map(of_part).sum()
}

/// Strips between two corridors at the most: what the project says, no more than there are, and no more than a rule on
/// the influence of trees allows, whose share of a wide field is a corridor and a tree's height to both sides of it.
pub fn most_between(context: Context<'_>, parts: &[Part], strip_m: f64) -> u32 {
    let layout = &context.settings.layout;
    let strips = parts.iter().filter(|part| part.has_interior());
    let most_strips = strips
        .map(|part| ((part.right - part.left) / strip_m).ceil() as u32)
        .max()
        .unwrap_or(1);
    let influence = context.rules.block.influence.as_ref();
    let by_influence = influence.map_or(u32::MAX, |influence| {
        let reached_m = layout.corridor_min_m + 2.0 * influence.tree_height_m;
        let pitch_m = reached_m / influence.share.value.max(1e-3);
        ((pitch_m - layout.corridor_min_m) / strip_m).floor() as u32
    });
    most_strips
        .min(layout.strips_between_corridors)
        .min(by_influence)
        .max(1)
}

/// The fewest strips between two corridors with which these, at their least width, leave no more than the target, so that
/// they are spread as evenly as that allows. None: however few corridors there are, they would leave more than is owed.
///
/// One strip less stands between them where that leaves hardly more, and one more where it makes an even number: a machine
/// that goes in and comes out by turns is then at the road where it has to pass a corridor, and not at the far end.
fn as_wide(parts: &[Part], combs: &[Comb], width: Width, most: u32, target_m2: f64) -> Option<u32> {
    let leaves = |every: u32| total_m2(parts, combs, every, width.least_m);
    let fewest = (1..=most).find(|&every| leaves(every) <= target_m2)?;
    let can = |every: u32| reachable(parts, combs, every, width, target_m2).is_some();
    let even = fewest + fewest % 2;
    Some(match () {
        // What they leave beyond the target is cut again.
        _ if fewest > 1 && leaves(fewest - 1) <= (1.0 + HARDLY) * target_m2 => fewest - 1,
        _ if even <= most && can(even) => even,
        _ if can(fewest) => fewest,
        _ => (fewest - 1).max(1),
    })
}

/// Corridors that leave more than the target by no more than this share are as good as those that leave it.
const HARDLY: f64 = 0.05;

/// As few corridors as can give the target at most `width.most_m` wide: each costs a gap in the road band, which is
/// driven in and back.
fn greatest_between(
    parts: &[Part],
    combs: &[Comb],
    width: Width,
    most: u32,
    target_m2: f64,
) -> u32 {
    let enough = |every: u32| reachable(parts, combs, every, width, target_m2).is_some();
    (1..=most).rev().find(|&every| enough(every)).unwrap_or(1)
}

/// The least width whose corridors give the target, or None.
fn reachable(
    parts: &[Part],
    combs: &[Comb],
    every: u32,
    width: Width,
    target_m2: f64,
) -> Option<f64> {
    const STEPS: u32 = 24;
    let at = |corridor_m: f64| total_m2(parts, combs, every, corridor_m);
    let mut low = width.least_m;
    if at(low) >= target_m2 {
        return Some(low);
    }
    for step in 1..=STEPS {
        let high =
            width.least_m + (width.most_m - width.least_m) * f64::from(step) / f64::from(STEPS);
        if at(high) >= target_m2 {
            let mut bracket = (low, high);
            for _ in 0..48 {
                let middle = (bracket.0 + bracket.1) / 2.0;
                if at(middle) >= target_m2 {
                    bracket.1 = middle;
                } else {
                    bracket.0 = middle;
                }
            }
            return Some(bracket.1);
        }
        low = high;
    }
    None
}

/// Sets the least sufficient width, or the one that gives most.
fn set_width(parts: &[Part], combs: &mut [Comb], every: u32, width: Width, target_m2: f64) {
    let best_effort = || {
        let candidates =
            (0..=24).map(|k| width.least_m + (width.most_m - width.least_m) * f64::from(k) / 24.0);
        candidates
            .max_by(|&a, &b| {
                let (a_m2, b_m2) = (
                    total_m2(parts, combs, every, a),
                    total_m2(parts, combs, every, b),
                );
                a_m2.total_cmp(&b_m2).then(b.total_cmp(&a))
            })
            .unwrap_or(width.least_m)
    };
    let corridor_m = reachable(parts, combs, every, width, target_m2).unwrap_or_else(best_effort);
    for comb in combs {
        comb.every = every;
        comb.corridor_m = corridor_m;
    }
}

/// Moves each comb left by a share of what its last strip has to spare, to where the machine drives least.
fn settle_phase(parts: &[Part], combs: &mut [Comb]) {
    const STEPS: u32 = 8;
    for (part, comb) in parts.iter().zip(combs) {
        if !part.has_interior() || !comb.given.is_empty() {
            continue;
        }
        let spare_m = comb.excess(part.right);
        let driven = |start: f64| -> f64 {
            let strips = Comb {
                start,
                ..comb.clone()
            };
            let strips = strips.strips(part.right);
            let chord = |tooth: &Tooth| -> f64 {
                upright(&part.turned_interior, tooth.slab.middle())
                    .iter()
                    .map(|[low, high]| high - low)
                    .sum()
            };
            strips.iter().map(chord).sum()
        };
        let starts = (0..=STEPS).map(|k| part.left - spare_m * f64::from(k) / f64::from(STEPS));
        let best = starts
            .map(|start| (driven(start), start))
            .reduce(|best, next| {
                // Half a metre is not worth leaving the flush start.
                if next.0 < best.0 - 0.5 { next } else { best }
            });
        if let Some((_, start)) = best {
            comb.start = start;
        }
    }
}

/// Where whole corridors give more than is asked, the smallest pieces and then the front of the largest are cut, which is driven
/// in and back with the gap before it.
fn give_back(
    context: Context<'_>,
    parts: &[Part],
    combs: &[Comb],
    pieces: &mut [Pieces],
    target_m2: f64,
) {
    let sliver_m2 = context.settings.layout.sliver_m2;
    let kept = |pieces: &[Pieces]| pieces.iter().map(Pieces::corridors_m2).sum::<f64>();
    loop {
        let spare_m2 = kept(pieces) - target_m2;
        let smallest = corridor_areas(pieces)
            .min_by(|a, b| a.0.total_cmp(&b.0).then((a.1, a.2).cmp(&(b.1, b.2))));
        let Some((area_m2, p, c)) = smallest else {
            return;
        };
        if area_m2 > spare_m2 {
            break;
        }
        let (strip, shape) = pieces[p].corridors.remove(c);
        cut_gap(context, &parts[p], &combs[p], &mut pieces[p], strip, shape);
    }
    // What is left of a corridor must still count, so more than one may have to give.
    let least_m2 = least_patch_m2(context);
    loop {
        let spare_m2 = kept(pieces) - target_m2;
        let largest = corridor_areas(pieces)
            .max_by(|a, b| a.0.total_cmp(&b.0).then((b.1, b.2).cmp(&(a.1, a.2))));
        let Some((largest_m2, p, c)) = largest else {
            return;
        };
        let front_m2 = match least_m2 > 0.0 {
            true => spare_m2.min(largest_m2 - least_m2 - ROUNDING_M2),
            false => spare_m2,
        };
        if front_m2 < sliver_m2.max(1.0) {
            return;
        }
        let (front, back) = split_front(&pieces[p].corridors[c].1, front_m2);
        if back.iter().any(|shape| polygon_area(shape) <= least_m2) {
            return;
        }
        let (strip, _) = pieces[p].corridors.remove(c);
        pieces[p]
            .corridors
            .extend(back.into_iter().map(|shape| (strip, shape)));
        pieces[p].corridors.sort_by_key(|(strip, _)| *strip);
        for shape in front {
            cut_gap(context, &parts[p], &combs[p], &mut pieces[p], strip, shape);
        }
        if least_m2 == 0.0 {
            return;
        }
    }
}

/// Every corridor piece as (area, part index, corridor index).
fn corridor_areas(pieces: &[Pieces]) -> impl Iterator<Item = (f64, usize, usize)> + '_ {
    pieces.iter().enumerate().flat_map(|(p, pieces)| {
        let corridors = pieces.corridors.iter().enumerate();
        corridors.map(move |(c, (_, shape))| (polygon_area(shape), p, c))
    })
}

fn cut_gap(
    context: Context<'_>,
    part: &Part,
    comb: &Comb,
    pieces: &mut Pieces,
    strip: u32,
    shape: Polygon,
) {
    let slab = comb
        .corridors(part.right)
        .into_iter()
        .find(|(left, _)| *left == strip)
        .map(|(_, slab)| slab);
    let Some(slab) = slab else {
        return;
    };
    // With what of the gap is cut beside it already: a machine cannot come onto a short piece from the side.
    let mut joined = vec![shape];
    let mut at = 0;
    while at < pieces.cut.len() {
        let piece = &pieces.cut[at];
        if piece.mouth && piece.strip == strip {
            let apart = joined.len() + piece.shape.0.len();
            let all: Vec<Polygon> = joined.iter().chain(&piece.shape.0).cloned().collect();
            let all = union(&all);
            if all.0.len() < apart {
                joined = all.0;
                pieces.cut.remove(at);
                continue;
            }
        }
        at += 1;
    }
    for shape in joined {
        pieces.add_cut(context, part, Row::gap(strip, slab), shape);
    }
}

/// Divides a polygon of the turned frame into what is nearest the road, of at most `front_m2`, and what lies behind it.
pub fn split_front(shape: &Polygon, front_m2: f64) -> (Vec<Polygon>, Vec<Polygon>) {
    let lying = lie_down(shape);
    let bounds = crate::geometry::area::Bounds::of(&lying.exterior().0);
    let lying = geo::MultiPolygon(vec![lying]);
    let (before, behind) = (bounds.min.x - 1.0, bounds.max.x + 1.0);
    let front_to = |high: f64| Slab { low: before, high };
    let (mut low, mut high) = (bounds.min.x, bounds.max.x);
    for _ in 0..48 {
        let middle = (low + high) / 2.0;
        let front: f64 = slab_areas(&lying, &[front_to(middle)]).iter().sum();
        if front > front_m2 {
            high = middle;
        } else {
            low = middle;
        }
    }
    let behind = Slab { low, high: behind };
    let (mut front, mut back) = (vec![], vec![]);
    for (index, piece) in clip_slabs(&lying, &[front_to(low), behind]) {
        let side = if index == 0 { &mut front } else { &mut back };
        side.push(stand_up(&piece));
    }
    (front, back)
}

/// Turns a shape of the turned frame so that its y runs along x, for cutting across.
pub fn lie_down(shape: &Polygon) -> Polygon {
    map_polygon(shape, |c| geo::Coord { x: c.y, y: -c.x })
}

/// Undoes [`lie_down`].
pub fn stand_up(shape: &Polygon) -> Polygon {
    map_polygon(shape, |c| geo::Coord { x: -c.y, y: c.x })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Of 10 ha 2 ha are reserve and 1 ha is retained.
    #[test]
    fn a_share_is_of_the_gross_or_the_net_area_with_or_without_reserves() {
        let books = Books {
            kept_m2: 0.0,
            gross_m2: 100_000.0,
            reserve_m2: 20_000.0,
            net_m2: 80_000.0,
            retained_m2: 10_000.0,
            cut_m2: 70_000.0,
            unworked_m2: 0.0,
            left_m2: 0.0,
        };
        let mut rules = crate::rulebook::preset("bc-fppr").unwrap();
        let mut left = |share_of, reserves_count| {
            rules.share_of = share_of;
            rules.reserves_count = reserves_count;
            share_left(&rules, &books)
        };
        assert_eq!(left(ShareOf::Net, false), 0.125);
        assert_eq!(left(ShareOf::Gross, false), 0.1);
        assert_eq!(left(ShareOf::Gross, true), 0.3);
        assert_eq!(left(ShareOf::Net, true), 0.3);
    }
}
