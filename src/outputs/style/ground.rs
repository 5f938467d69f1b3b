//! The ground of a plan in the order of painting.

use std::collections::{BTreeMap, BTreeSet};

use geo::Polygon;

use super::{Hatch, Kind, Look};
use crate::model::{BlockPlan, PieceId, ShiftClass, StripKind};
use crate::outputs::layers;

/// Ground of one kind.
pub struct PaintedGround<'p> {
    pub kind: Kind,
    pub look: Look,
    pub shapes: Vec<&'p Polygon>,
}

/// All ground that a plan has, lowest first. A section is drawn as the strip that it is of; a strip without sections as
/// nothing but an outline, since nobody says when it may be cut.
pub fn grounds(plan: &BlockPlan) -> Vec<PaintedGround<'_>> {
    let strips: BTreeMap<PieceId, StripKind> = (plan.strips.iter())
        .map(|strip| (strip.id, strip.kind))
        .collect();
    let mut found: BTreeMap<Kind, Vec<&Polygon>> = BTreeMap::new();
    let mut by_day = Vec::new();
    for part in &plan.parts {
        found.entry(Kind::NetArea).or_default().extend(&part.shape);
    }
    for (shape, kind, _) in layers::zones(plan) {
        found.entry(kind.into()).or_default().extend(shape);
    }
    let mut told = BTreeSet::new();
    for section in &plan.sections {
        told.insert(section.id);
        let kind = match strips.get(&section.id) {
            Some(StripKind::Interior) | None => section.shift_class.into(),
            Some(other) => Kind::from(*other),
        };
        if kind == Kind::RoadClearing && section.shift_class == ShiftClass::DayOnly {
            by_day.extend(&section.shape);
        }
        found.entry(kind).or_default().extend(&section.shape);
    }
    for strip in plan.strips.iter().filter(|strip| !told.contains(&strip.id)) {
        found
            .entry(strip.kind.into())
            .or_default()
            .push(&strip.shape);
    }
    let corridors = plan.corridors.iter().map(|corridor| &corridor.shape);
    found.entry(Kind::Corridor).or_default().extend(corridors);
    for piece in &plan.unworked {
        found
            .entry(piece.reason.into())
            .or_default()
            .push(&piece.shape);
    }
    found.entry(Kind::Block).or_default().extend(&plan.shape);
    let mut grounds: Vec<PaintedGround<'_>> = (found.into_iter())
        .map(|(kind, shapes)| PaintedGround {
            kind,
            look: kind.look(),
            shapes,
        })
        .collect();
    // A clearing that needs daylight says so above its own look.
    let above = grounds
        .iter()
        .position(|ground| ground.kind > Kind::DayOnly);
    let day = PaintedGround {
        kind: Kind::DayOnly,
        look: Look {
            hatch: Some(Hatch::Day),
            ..Look::NONE
        },
        shapes: by_day,
    };
    grounds.insert(above.unwrap_or(grounds.len()), day);
    grounds.retain(|ground| !ground.shapes.is_empty());
    grounds
}
