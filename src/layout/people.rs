//! Where other people are or pass so near to what is cut that a tree could hurt them: which stretches, and for how many hours.

use std::collections::BTreeMap;

use geo::{Geometry, MultiPoint, MultiPolygon, Point, Polygon};

use super::Context;
use crate::geometry::area::{Bounds, area, length};
use crate::geometry::buffer::Source;
use crate::geometry::distance::{Segment, SegmentIndex};
use crate::geometry::overlay::{clip_lines, intersection, oriented, union};
use crate::landbase::{
    APART_SOURCE, FALLING_SOURCE, NearFeature, POWER_LINES_SOURCE, People, TreesFrom, tree_length,
};
use crate::model::*;
use crate::units::hectares;

/// Less ground is the overlay's dust.
const DUST_M2: f64 = 1.0;
/// Farther off than buffers and overlays stray.
const SPARE_M: f64 = 1.0;

/// Tells the plan how far its falling trees reach, and who is within.
pub(super) fn tell(context: Context<'_>, near: &[NearFeature], plan: &mut BlockPlan) {
    let trees = tree_length(near, &plan.shape, context.settings);
    let radius_m = trees.falling_m();
    let stated = context.settings.layout.tree_height.as_ref();
    plan.falling = FallingArea {
        trees_m: trees.trees_m,
        trees_from: trees.from.key(),
        trees_source: match (trees.from, stated) {
            (TreesFrom::Stands, _) => "tree_height of layer stands".to_owned(),
            (TreesFrom::Project, Some(stated)) => stated.source.clone(),
            _ => POWER_LINES_SOURCE.to_owned(),
        },
        radius_m,
        radius_source: APART_SOURCE.to_owned(),
    };
    let cut: Vec<Polygon> = plan
        .strips
        .iter()
        .map(|strip| strip.shape.clone())
        .collect();
    if cut.is_empty() {
        return;
    }
    let cut = union(&oriented(MultiPolygon(cut)).0);
    let bounds = Bounds::of_polygons(&cut);
    let found = context.landbase.people(&plan.frame, &bounds, radius_m);
    let edge = SegmentIndex::of_boundary(&cut);
    let mut around = Around::default();
    let notes = found
        .into_iter()
        .filter(|(own, _)| comes_near(own, (&cut, &edge), own.demand.half_m + radius_m))
        .filter_map(|(own, people)| note(context, plan, &cut, (&own, people), &mut around));
    plan.people = notes.collect();
    let told: Vec<Finding> = plan
        .people
        .iter()
        .filter(|note| note.said)
        .map(|note| finding(plan, note))
        .collect();
    plan.findings.extend(told);
    plan.findings.extend(doubt(plan));
}

/// Whether anything of a feature lies in ground or within about `reach_m` of its edge.
fn comes_near(
    own: &NearFeature,
    (ground, edge): (&MultiPolygon, &SegmentIndex),
    reach_m: f64,
) -> bool {
    let beside =
        |s: &Segment| edge.approach(s.a, s.b, reach_m + SPARE_M).is_some() || edge.holds(s.a);
    let holds_it = || {
        let first = ground
            .0
            .iter()
            .flat_map(|polygon| polygon.exterior().0.first());
        first.copied().any(|corner| own.source.contains(corner))
    };
    own.source.segments(0).iter().any(beside) || holds_it()
}

fn note(
    context: Context<'_>,
    plan: &BlockPlan,
    cut: &MultiPolygon,
    (own, people): (&NearFeature, People),
    around: &mut Around,
) -> Option<PeopleNote> {
    let radius_m = plan.falling.radius_m;
    let around_it = oriented(
        context
            .engines
            .plain(&own.source, own.demand.half_m + radius_m),
    );
    let ground = intersection(cut, &around_it.0);
    let cut_m2 = area(&ground);
    if cut_m2 <= DUST_M2 {
        return None;
    }
    let bounds = Bounds::of_polygons(&ground);
    let edge = SegmentIndex::of_boundary(&ground);
    let mut sections = Vec::new();
    for section in &plan.sections {
        let whole_m2 = area(&section.shape);
        let own = Bounds::of_polygons(&section.shape);
        if whole_m2 <= 0.0 || !own.meets(&bounds) {
            continue;
        }
        // None of it near the edge: it lies in the ground as a whole, or beyond all of it.
        let is_clear = edge.near(own.min, own.max, SPARE_M).next().is_none();
        if is_clear && !edge.holds(own.middle()) {
            continue;
        }
        let near_m2 = crate::geometry::overlay::shared_area(&section.shape, &ground.0);
        if near_m2 > DUST_M2 {
            sections.push(NearPeople {
                id: section.id,
                section_no: section.section_no,
                shift_class: section.shift_class,
                hours: section
                    .hours
                    .map(|hours| hours * (near_m2 / whole_m2).min(1.0)),
            });
        }
    }
    let hours = |class: ShiftClass| {
        let own = sections.iter().filter(|own| own.shift_class == class);
        own.map(|own| own.hours)
            .try_fold(0.0, |sum, hours| Some(sum + hours?))
    };
    let shape = stretch(context, cut, own, (radius_m, around));
    let length_m = match &shape {
        Geometry::MultiLineString(lines) => lines.0.iter().map(length).sum(),
        _ => 0.0,
    };
    Some(PeopleNote {
        source_layer: own.feature.source_layer.clone(),
        id: own.feature.id.clone(),
        role: own.feature.kind.key(),
        class: own.feature.class.clone().unwrap_or_default(),
        said: people == People::Yes,
        length_m,
        cut_m2,
        day_hours: hours(ShiftClass::DayOnly),
        night_hours: hours(ShiftClass::NightSafe),
        sections,
        shape,
    })
}

/// Ground within a distance of what is cut, by the bits of the distance: drawn once, however many roads ask for it.
#[derive(Default)]
struct Around(BTreeMap<u64, Vec<Polygon>>);

impl Around {
    fn of(&mut self, context: Context<'_>, cut: &MultiPolygon, reach_m: f64) -> &[Polygon] {
        self.0.entry(reach_m.to_bits()).or_insert_with(|| {
            let cut = Source::Polygons(cut.clone());
            oriented(context.engines.no_less(&cut, reach_m)).0
        })
    }
}

/// What of a line lies within the distance of what is cut; of points and areas what is near of them as it is.
fn stretch(
    context: Context<'_>,
    cut: &MultiPolygon,
    own: &NearFeature,
    (radius_m, around): (f64, &mut Around),
) -> Geometry {
    let reach_m = own.demand.half_m + radius_m;
    match &own.source {
        Source::Lines(lines) => {
            let near = clip_lines(lines, around.of(context, cut, reach_m), true);
            Geometry::MultiLineString(near)
        }
        Source::Points(points) => {
            Geometry::MultiPoint(MultiPoint(points.iter().map(|&at| Point(at)).collect()))
        }
        Source::Polygons(polygons) => Geometry::MultiPolygon(polygons.clone()),
    }
}

fn finding(plan: &BlockPlan, note: &PeopleNote) -> Finding {
    let kind = match note.class.is_empty() {
        true => note.role.trim_end_matches('s').to_owned(),
        false => format!("{}, {}", note.role.trim_end_matches('s'), note.class),
    };
    let told = |at: geo::Coord| {
        let at = plan.frame.told(at);
        format!("({:.0}, {:.0})", at.x, at.y)
    };
    let ends: Vec<String> = (note.stretches().iter())
        .map(|[from, to]| format!("from {} to {}", told(*from), told(*to)))
        .collect();
    let (long, where_to) = match ends.is_empty() {
        true => (String::new(), String::new()),
        false => (
            format!(" {:.0} m", note.length_m),
            format!("; {}", ends.join(" and ")),
        ),
    };
    let hours = match (note.day_hours, note.night_hours) {
        (Some(day), Some(night)) => format!("{day:.1} h by day and {night:.1} h night-safe"),
        _ => "hours that are not known".to_owned(),
    };
    Finding {
        rule_id: "people-near".to_owned(),
        verdict: Verdict::NotApplicable,
        measured: Some(hectares(note.cut_m2)),
        required: None,
        unit: "ha",
        message: format!(
            "{} ({kind}): close or watch{long} for {hours} of felling within {:.0} m (two lengths of the tallest trees, {:.0} m), {:.2} ha{where_to}",
            note.id,
            plan.falling.radius_m,
            plan.falling.trees_m,
            hectares(note.cut_m2)
        ),
        source: FALLING_SOURCE.to_owned(),
        shape: Some(note.shape.clone()),
    }
}

/// People near trees of which nobody says how tall they are.
fn doubt(plan: &BlockPlan) -> Option<Finding> {
    let said = plan.people.iter().any(|note| note.said);
    (said && plan.falling.trees_from == TreesFrom::Unknown.key()).then(|| Finding {
        rule_id: "falling-area".to_owned(),
        verdict: Verdict::Unknown,
        measured: None,
        required: Some(plan.falling.radius_m),
        unit: "m",
        message: format!(
            "nobody says how tall the trees are; {:.0} m stands in for the distance that other people keep: give stands a `tree_height`, or state it \
             under [layout]",
            plan.falling.radius_m
        ),
        source: FALLING_SOURCE.to_owned(),
        shape: None,
    })
}
