//! What every map of a block shows alike, in the block's frame: where work starts and its first steps, where numbers of
//! strips stand, lines between settings and their names, the main skid trails.

use std::collections::BTreeMap;

use geo::{Coord, Geometry, InteriorPoint, Intersects, LineString, MultiPolygon, Polygon, Rect};

use crate::geometry::area::{polygon_area, rings};
use crate::geometry::distance::point_segment;
use crate::geometry::shared_edge;
use crate::model::{
    BlockPlan, Heading, OutletNote, PlanNote, RetainedKind, SkidTrail, StripKind, StripLine,
};

/// Patches and single things that stay, by their ids, each with a place inside.
pub fn patch_places(plan: &BlockPlan) -> Vec<(String, Coord)> {
    let patches = plan.retained_pieces().into_iter();
    let patches =
        patches.filter(|piece| matches!(piece.kind, RetainedKind::Patch | RetainedKind::Kept));
    let places = patches.filter_map(|patch| Some((patch.id, patch.shape.interior_point()?.0)));
    places.collect()
}

/// A note's kind, as it stands beside its flag, at most so many letters.
const NOTE_LETTERS: usize = 18;

/// Kinds of the notes of the field, each with the place of its flag.
pub fn note_places(plan: &BlockPlan) -> Vec<(String, Coord)> {
    let places = plan.notes.iter().filter_map(|note| {
        let kind: String = note.kind.chars().take(NOTE_LETTERS).collect();
        Some((kind, note_place(note)?))
    });
    places.collect()
}

/// The place that stands for a note.
pub fn note_place(note: &PlanNote) -> Option<Coord> {
    match &note.shape {
        Geometry::MultiPoint(points) => points.0.first().map(|point| point.0),
        shape => shape.interior_point().map(|point| point.0),
    }
}

/// A place inside the largest of some polygons.
pub fn middle(shape: &MultiPolygon) -> Option<Coord> {
    let largest = |a: &&Polygon, b: &&Polygon| polygon_area(a).total_cmp(&polygon_area(b));
    let own = shape.0.iter().max_by(largest)?;
    own.interior_point().map(|point| point.0)
}

/// Lines and outlines of notes of the field.
pub fn note_lines(plan: &BlockPlan) -> Vec<&LineString> {
    let lines = plan.notes.iter().flat_map(|note| match &note.shape {
        Geometry::MultiLineString(lines) => lines.0.iter().collect::<Vec<_>>(),
        Geometry::MultiPolygon(polygons) => polygons.0.iter().flat_map(rings).collect(),
        _ => vec![],
    });
    lines.collect()
}

/// How many steps of the order are numbered: enough to see which way the work goes.
pub const FIRST_STEPS: usize = 5;
/// Settings that come this close lie side by side, m.
const TOUCH_M: f64 = 0.05;
/// A skid trail is a main one if this share of its setting's busiest one's loads pass.
const MAIN_SHARE: f64 = 0.25;

/// All lines as they are driven.
fn in_order(plan: &BlockPlan) -> Vec<&StripLine> {
    let mut lines: Vec<&StripLine> = plan.lines.iter().collect();
    lines.sort_by_key(|line| line.order);
    lines
}

/// Where order 1 begins.
pub fn start(plan: &BlockPlan) -> Option<Coord> {
    let first = plan.lines.iter().min_by_key(|line| line.order)?;
    first.shape.0.first().copied()
}

/// The first pieces of the first steps. A step is a strip, or what is driven of one pass or road clearing in one go.
pub fn first_steps(plan: &BlockPlan) -> Vec<&StripLine> {
    let mut steps: Vec<&StripLine> = Vec::new();
    let mut before = None;
    for line in in_order(plan) {
        let step = (line.kind, line.id.part, line.id.strip_no);
        if before == Some(step) {
            continue;
        }
        if steps.len() == FIRST_STEPS {
            break;
        }
        before = Some(step);
        steps.push(line);
    }
    steps
}

/// Of every strip, by setting and number: its line from the end that is nearest to the setting's outlet. Where nobody knows
/// the outlet, from the end at which the strip's first piece goes in.
pub fn strips_from_outlets(plan: &BlockPlan) -> BTreeMap<(u32, u32), Vec<Coord>> {
    let outlets: BTreeMap<u32, &OutletNote> = plan
        .parts
        .iter()
        .filter_map(|part| Some((part.part, part.outlet.as_ref()?)))
        .collect();
    let mut found: BTreeMap<(u32, u32), (f64, Vec<Coord>)> = BTreeMap::new();
    for line in &plan.lines {
        if line.kind != StripKind::Interior || line.shape.0.len() < 2 {
            continue;
        }
        let mut from_outlet = line.shape.0.clone();
        let off_m = match outlets.get(&line.id.part) {
            Some(outlet) => {
                let ends = (from_outlet[0], from_outlet[from_outlet.len() - 1]);
                let (begin_m, end_m) = (off_m(ends.0, outlet), off_m(ends.1, outlet));
                if end_m < begin_m {
                    from_outlet.reverse();
                }
                begin_m.min(end_m)
            }
            None => {
                if line.heading == Heading::Out {
                    from_outlet.reverse();
                }
                f64::from(line.id.piece)
            }
        };
        let strip = (line.id.part, line.id.strip_no);
        if found.get(&strip).is_none_or(|kept| off_m < kept.0) {
            found.insert(strip, (off_m, from_outlet));
        }
    }
    found
        .into_iter()
        .map(|(strip, (_, line))| (strip, line))
        .collect()
}

fn off_m(place: Coord, outlet: &OutletNote) -> f64 {
    let edges = outlet.front.iter().flat_map(|line| {
        let only = line.0.first().filter(|_| line.0.len() == 1);
        let single = only.map(|at| [*at, *at]);
        single
            .into_iter()
            .chain(line.0.windows(2).map(|w| [w[0], w[1]]))
    });
    edges
        .map(|[a, b]| point_segment(place, a, b))
        .fold(f64::INFINITY, f64::min)
}

/// Lines between settings that lie side by side.
pub fn dividing_lines(plan: &BlockPlan) -> Vec<LineString> {
    let mut lines = Vec::new();
    for (index, own) in plan.parts.iter().enumerate() {
        for other in &plan.parts[index + 1..] {
            for piece in &own.shape.0 {
                let others = other.shape.0.iter();
                lines.extend(others.flat_map(|other| shared_edge::along(piece, other, TOUCH_M)));
            }
        }
    }
    lines
}

/// Numbers of settings, and a place inside each; of a block of one setting none.
pub fn setting_places(plan: &BlockPlan) -> Vec<(u32, Coord)> {
    if plan.parts.len() < 2 {
        return vec![];
    }
    plan.parts
        .iter()
        .filter_map(|part| Some((part.part, part.shape.interior_point()?.0)))
        .collect()
}

/// Trails on which much of a setting's wood comes together, with their loads as a share of the block's busiest trail.
pub fn main_trails(plan: &BlockPlan) -> Vec<(&SkidTrail, f64)> {
    let mut busiest: BTreeMap<u32, f64> = BTreeMap::new();
    for trail in &plan.trails {
        let most = busiest.entry(trail.part).or_default();
        *most = most.max(trail.loads);
    }
    let most = busiest.values().copied().fold(0.0, f64::max);
    plan.trails
        .iter()
        .filter(|trail| {
            let own = busiest.get(&trail.part).copied().unwrap_or_default();
            trail.loads > 0.0 && trail.loads >= MAIN_SHARE * own
        })
        .map(|trail| (trail, trail.loads / most))
        .collect()
}

/// Where an outlet is that has no length: a landing, or the far side of a crossing.
pub fn outlet_place(outlet: &OutletNote) -> Option<Coord> {
    let first = outlet.front.iter().find_map(|line| line.0.first())?;
    let moves = outlet
        .front
        .iter()
        .flat_map(|line| &line.0)
        .any(|at| at != first);
    (!moves).then_some(*first)
}

/// Whether any of the block, or where its work starts, lies within west, south, east and north in its frame.
pub fn covers(plan: &BlockPlan, [west, south, east, north]: [f64; 4]) -> bool {
    let corners = (Coord { x: west, y: south }, Coord { x: east, y: north });
    let ground = Rect::new(corners.0, corners.1);
    let starts = start(plan).is_some_and(|at| ground.intersects(&at));
    starts || plan.shape.intersects(&ground)
}
