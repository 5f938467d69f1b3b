//! The plan of a block beside the one that it takes the place of.

use std::collections::BTreeMap;

use geo::{MultiPolygon, Polygon};

use crate::geometry::area::{area, polygon_area, rings};
use crate::geometry::frame::map_polygons;
use crate::geometry::overlay::{difference, intersection};
use crate::model::*;
use crate::sources::{EARLIER_FIGURES, EarlierBlock, EarlierLayout};
use crate::units::hectares;

/// Pieces narrower than this in the mean are where rounding and overlays differ, not ground; own judgement.
const NARROW_M: f64 = 0.5;
/// Less ground is not told; own judgement.
const LEAST_M2: f64 = 50.0;
/// Figures as near as this are the same, in hectares, hours and shares.
const SAME: f64 = 5e-5;

/// What changed of a block; its sheet is told later.
pub fn of_block(earlier: &EarlierLayout, plan: &BlockPlan) -> BlockChange {
    let mut change = BlockChange {
        block_id: plan.id.clone(),
        was_planned: false,
        sheet: SheetNews::None,
        mark: None,
        ground: vec![],
        figures: vec![],
        findings_new: vec![],
        findings_gone: vec![],
        map: None,
    };
    let Some(before) = earlier.blocks.get(&plan.id) else {
        return change;
    };
    change.was_planned = true;
    change.ground = ground(before, plan);
    change.figures = figures(before, plan);
    (change.findings_new, change.findings_gone) = findings(before, plan);
    change
}

fn figures_of(plan: &BlockPlan) -> [Option<f64>; EARLIER_FIGURES.len()] {
    let ha = |m2: f64| Some(hectares(m2));
    let books = &plan.books;
    [
        ha(books.gross_m2),
        ha(books.reserve_m2),
        ha(books.retained_m2),
        ha(books.cut_m2),
        plan.share_left(),
        plan.day_hours,
        plan.night_hours,
        plan.skid_hours,
    ]
}

fn figures(before: &EarlierBlock, plan: &BlockPlan) -> Vec<FigureChange> {
    let pairs = before.figures.iter().zip(figures_of(plan));
    let changed = pairs
        .zip(EARLIER_FIGURES)
        .filter(|((a, b), _)| match (a, b) {
            (Some(a), Some(b)) => (a - b).abs() > SAME,
            (a, b) => a.is_some() != b.is_some(),
        });
    changed
        .map(|((before, after), figure)| FigureChange {
            figure,
            before: *before,
            after,
        })
        .collect()
}

fn findings(before: &EarlierBlock, plan: &BlockPlan) -> (Vec<FindingLine>, Vec<FindingLine>) {
    let line = |finding: &Finding| FindingLine {
        rule_id: finding.rule_id.clone(),
        status: finding.verdict.key().to_owned(),
        message: finding.message.clone(),
    };
    let mut counts: BTreeMap<FindingLine, i64> = BTreeMap::new();
    for own in plan.findings.iter().map(line) {
        *counts.entry(own).or_default() += 1;
    }
    for old in &before.findings {
        *counts.entry(old.clone()).or_default() -= 1;
    }
    let (mut new, mut gone) = (vec![], vec![]);
    for (line, count) in counts {
        let list = if count > 0 { &mut new } else { &mut gone };
        list.extend((0..count.abs()).map(|_| line.clone()));
    }
    (new, gone)
}

/// Ground by its use, in the block's frame.
type Uses = BTreeMap<GroundUse, Vec<Polygon>>;

fn ground(before: &EarlierBlock, plan: &BlockPlan) -> Vec<GroundChange> {
    let frame = &plan.frame;
    let entered = |shape: &Polygon| {
        let read = map_polygons(&MultiPolygon(vec![shape.clone()]), |c| frame.read(c));
        frame.enter_polygons(&read).0
    };
    // What is written alike is the same ground: most of it, where anything changed at all.
    let mut same: BTreeMap<(GroundUse, Vec<[i64; 2]>), u32> = BTreeMap::new();
    for (of, shape) in &before.ground {
        *same.entry((*of, corners(shape))).or_default() += 1;
    }
    let (mut old, mut new): (Uses, Uses) = Default::default();
    let mut kept: Vec<Polygon> = Vec::new();
    for (of, shape) in plan.ground_uses() {
        let key = (of, corners(&frame.leave_polygon(shape)));
        match same.get_mut(&key).filter(|count| **count > 0) {
            Some(count) => {
                *count -= 1;
                kept.push(shape.clone());
            }
            None => new.entry(of).or_default().push(shape.clone()),
        }
    }
    for (of, shape) in &before.ground {
        let count = same.get_mut(&(*of, corners(shape)));
        if let Some(count) = count.filter(|count| **count > 0) {
            *count -= 1;
            old.entry(*of).or_default().extend(entered(shape));
        }
    }
    let written = frame.leave_polygons(&plan.shape);
    let same_block = before.shape.0.len() == written.0.len()
        && (before.shape.0.iter().zip(&written.0)).all(|(a, b)| corners(a) == corners(b));
    if old.is_empty() && new.is_empty() && same_block {
        return vec![];
    }
    let was = frame.enter_polygons(&map_polygons(&before.shape, |c| frame.read(c)));
    for (uses, block) in [(&mut old, &was), (&mut new, &plan.shape)] {
        let named: Vec<Polygon> = uses.values().flatten().chain(&kept).cloned().collect();
        let rest = difference(block, &named).0;
        uses.entry(GroundUse::Reserve).or_default().extend(rest);
    }
    if !same_block {
        let gained = difference(&plan.shape, &was.0).0;
        let lost = difference(&was, &plan.shape.0).0;
        old.insert(GroundUse::Outside, gained);
        new.insert(GroundUse::Outside, lost);
    }
    let mut changes = Vec::new();
    for (&from, a) in &old {
        for (&to, b) in new.iter().filter(|(to, _)| **to != from) {
            let mut shared = intersection(&MultiPolygon(a.clone()), b);
            shared.0.retain(|piece| mean_width_m(piece) >= NARROW_M);
            let m2 = area(&shared);
            if m2 >= LEAST_M2 {
                changes.push(GroundChange {
                    from,
                    to,
                    area_ha: hectares(m2),
                    shape: shared,
                });
            }
        }
    }
    changes
}

/// The corners of a polygon to a tenth of a millimetre, or of degrees to what that is.
fn corners(shape: &Polygon) -> Vec<[i64; 2]> {
    let round = |value: f64| {
        // A place in degrees is never as large as one in metres or feet.
        let parts = if value.abs() <= 360.0 { 1e9 } else { 1e4 };
        (value * parts).round() as i64
    };
    let all = rings(shape).flat_map(|ring| &ring.0);
    all.map(|c| [round(c.x), round(c.y)]).collect()
}

fn mean_width_m(piece: &Polygon) -> f64 {
    let around_m: f64 = rings(piece).map(crate::geometry::area::length).sum();
    2.0 * polygon_area(piece) / around_m
}

/// Sums of what changed over all blocks, in their order.
pub fn sums(blocks: &[BlockChange]) -> (Vec<GroundChange>, Vec<FigureChange>) {
    let mut ground: BTreeMap<(GroundUse, GroundUse), f64> = BTreeMap::new();
    let mut figures: BTreeMap<usize, [Option<f64>; 2]> = BTreeMap::new();
    for block in blocks {
        for change in &block.ground {
            *ground.entry((change.from, change.to)).or_default() += change.area_ha;
        }
        for change in block
            .figures
            .iter()
            .filter(|c| c.figure != "retention_share")
        {
            let at = EARLIER_FIGURES.iter().position(|own| *own == change.figure);
            let sum = figures
                .entry(at.unwrap_or_default())
                .or_insert([Some(0.0); 2]);
            for (sum, own) in sum.iter_mut().zip([change.before, change.after]) {
                *sum = sum.zip(own).map(|(a, b)| a + b);
            }
        }
    }
    let ground = ground
        .into_iter()
        .map(|((from, to), area_ha)| GroundChange {
            from,
            to,
            area_ha,
            shape: MultiPolygon(vec![]),
        });
    let figures = figures
        .into_iter()
        .map(|(at, [before, after])| FigureChange {
            figure: EARLIER_FIGURES[at],
            before,
            after,
        });
    (ground.collect(), figures.collect())
}
