//! Which sections may be worked on which days: those that ground, outlets, crossings and the block itself leave.

use std::collections::BTreeMap;

use geo::{InteriorPoint, MultiPolygon, Polygon};

use super::Context;
use crate::geometry::area::{Bounds, area};
use crate::geometry::buffer::Source;
use crate::geometry::overlay::{intersection, oriented, shared_area, union};
use crate::geometry::sound::{sound_all, sound_geometry};
use crate::landbase::NearFeature;
use crate::model::*;

/// Less ground is the overlay's dust.
const DUST_M2: f64 = 1.0;
/// A crossing that ends this near to a setting's ground leads onto it.
const LEADS_ONTO_M: f64 = 5.0;

/// Tells the plan when each of its sections is open, and what never is.
pub(super) fn tell(context: Context<'_>, block: &SourceBlock, plan: &mut BlockPlan) {
    let named = &context.settings.windows;
    let bounds = Bounds::of_polygons(&plan.shape);
    let mut notes = Vec::new();
    for window in named.of(&block.windows) {
        let own = Owner {
            source_layer: &block.source_layer,
            id: &block.id,
            role: LayerKind::Blocks.key(),
            class: String::new(),
        };
        let all = (0..plan.sections.len()).collect();
        let whole = plan.shape.clone();
        notes.extend(own.note(plan, window, UnderWindow::Block, (all, whole)));
    }
    let found = context.landbase.windows(&plan.frame, &bounds, named);
    let outlets = Outlets::of(plan, &found);
    for (near, windows) in &found {
        for window in windows {
            notes.extend(of_feature(context, plan, &outlets, near, window));
        }
    }
    if notes.is_empty() {
        return;
    }
    for (number, (note, sections)) in notes.into_iter().enumerate() {
        for index in sections {
            plan.sections[index].open.and(&note.days);
            plan.sections[index].windows.push(number);
        }
        plan.windows.push(note);
    }
    let told = findings(plan);
    plan.findings.extend(told);
}

/// Whose window it is.
struct Owner<'a> {
    source_layer: &'a str,
    id: &'a str,
    role: &'static str,
    class: String,
}

impl Owner<'_> {
    /// The note, and the places of its sections in the plan; None where no section comes under the window.
    fn note(
        &self,
        plan: &BlockPlan,
        window: WorkWindow,
        under: UnderWindow,
        (sections, shape): (Vec<usize>, MultiPolygon),
    ) -> Option<(WindowNote, Vec<usize>)> {
        if sections.is_empty() {
            return None;
        }
        let own = || sections.iter().map(|&index| &plan.sections[index]);
        let hours = |class: ShiftClass| {
            let own = own().filter(|section| section.shift_class == class);
            own.map(|section| section.hours)
                .try_fold(0.0, |sum, hours| Some(sum + hours?))
        };
        let note = WindowNote {
            name: window.name,
            source_layer: self.source_layer.to_owned(),
            id: self.id.to_owned(),
            role: self.role,
            class: self.class.clone(),
            under,
            days: window.days,
            within_m: window.within_m,
            source: window.source,
            sections: own().map(|own| (own.id, own.section_no)).collect(),
            day_hours: hours(ShiftClass::DayOnly),
            night_hours: hours(ShiftClass::NightSafe),
            cut_m2: own().map(|section| area(&section.shape)).sum(),
            shape: sound_all(shape, &plan.frame),
        };
        Some((note, sections))
    }
}

/// Which settings' wood goes to which outlet, whatever crossings lie between.
struct Outlets(BTreeMap<u32, Vec<(OutletKind, String)>>);

impl Outlets {
    /// A setting whose wood crosses onto the ground of another goes where that one's goes, too.
    fn of(plan: &BlockPlan, found: &[(NearFeature, Vec<WorkWindow>)]) -> Outlets {
        let own = |part: &PartNote| part.outlet.clone();
        let mut to: BTreeMap<u32, Vec<(OutletKind, String)>> = BTreeMap::new();
        if found.is_empty() {
            return Outlets(to);
        }
        for part in &plan.parts {
            let mut outlets: Vec<(OutletKind, String)> = Vec::new();
            let mut next = own(part);
            while let Some(outlet) = next.take() {
                let key = (outlet.kind, outlet.name.clone());
                if outlets.contains(&key) {
                    break;
                }
                outlets.push(key);
                if outlet.kind == OutletKind::Crossing {
                    next = leads_to(plan, part.part, &outlet).and_then(own);
                }
            }
            to.insert(part.part, outlets);
        }
        Outlets(to)
    }

    fn goes_to(&self, part: u32, kinds: &[OutletKind], id: &str) -> bool {
        let is_among = |name: &str| name.split(';').any(|own| own == id.trim());
        let outlets = self.0.get(&part).into_iter().flatten();
        let mut outlets = outlets.filter(|(kind, _)| kinds.contains(kind));
        outlets.any(|(_, name)| is_among(name))
    }
}

/// The setting that a crossing leads onto; None where it leads to a road.
fn leads_to<'p>(plan: &'p BlockPlan, from: u32, outlet: &OutletNote) -> Option<&'p PartNote> {
    let zones = plan.zones.iter();
    let zones = zones.filter(|z| z.kind == ZoneKind::Crossing && z.source_id == outlet.name);
    let shape: Vec<Polygon> = zones.flat_map(|zone| zone.shape.0.clone()).collect();
    let edges = crate::geometry::distance::SegmentIndex::of_boundary(&union(&shape));
    let mut others = plan.parts.iter().filter(|part| part.part != from);
    others.find(|part| {
        let mut own = crate::geometry::distance::boundary_segments(&part.shape, 0);
        own.any(|s| edges.approach(s.a, s.b, LEADS_ONTO_M).is_some())
            || shared_area(&part.shape, &shape) > DUST_M2
    })
}

/// The sections that come under a feature's window.
fn of_feature(
    context: Context<'_>,
    plan: &BlockPlan,
    outlets: &Outlets,
    near: &NearFeature,
    window: &WorkWindow,
) -> Option<(WindowNote, Vec<usize>)> {
    let feature = near.feature;
    let owner = Owner {
        source_layer: &feature.source_layer,
        id: &feature.id,
        role: feature.kind.key(),
        class: feature.class.clone().unwrap_or_default(),
    };
    let (under, kinds): (UnderWindow, &[OutletKind]) = match feature.kind {
        LayerKind::Roads => (UnderWindow::Outlet, &[OutletKind::Road, OutletKind::Access]),
        LayerKind::Landings => (
            UnderWindow::Outlet,
            &[OutletKind::Landing, OutletKind::Access],
        ),
        LayerKind::Crossings => (UnderWindow::Crossing, &[OutletKind::Crossing]),
        _ => (UnderWindow::Ground, &[]),
    };
    let ground = ground(context, &plan.zones, near, window.within_m);
    let bounds = Bounds::of_polygons(&ground);
    let lies_there = |section: &Section| {
        !ground.0.is_empty()
            && Bounds::of_polygons(&section.shape).meets(&bounds)
            && shared_area(&section.shape, &ground.0) > DUST_M2
    };
    let sections = plan.sections.iter().enumerate().filter(|(_, section)| {
        outlets.goes_to(section.id.part, kinds, &feature.id) || lies_there(section)
    });
    let sections: Vec<usize> = sections.map(|(index, _)| index).collect();
    let mut shape = intersection(&plan.shape, &ground.0);
    let goes_there = |part: &&PartNote| outlets.goes_to(part.part, kinds, &feature.id);
    let whole = plan.parts.iter().filter(goes_there);
    let whole: Vec<Polygon> = whole.flat_map(|part| part.shape.0.clone()).collect();
    if !whole.is_empty() {
        shape = union(&whole.into_iter().chain(shape.0).collect::<Vec<_>>());
    }
    owner.note(plan, window.clone(), under, (sections, shape))
}

/// Ground of a block on which windows hold, whatever is laid on it.
pub(super) fn grounds(
    context: Context<'_>,
    block: &SourceBlock,
    zones: &[Zone],
) -> Vec<Vec<Polygon>> {
    let bounds = Bounds::of_polygons(&block.frame.enter_polygons(&block.shape));
    let named = &context.settings.windows;
    let found = context.landbase.windows(&block.frame, &bounds, named);
    let each = found.iter().flat_map(|(near, windows)| {
        let all = windows.iter();
        all.map(move |window| ground(context, zones, near, window.within_m).0)
    });
    each.filter(|ground| !ground.is_empty()).collect()
}

/// The ground on which a feature's window holds. A crossing has none; a road has what is cleared for it.
fn ground(context: Context<'_>, zones: &[Zone], near: &NearFeature, within_m: f64) -> MultiPolygon {
    if near.feature.kind == LayerKind::Roads {
        let own =
            |zone: &&Zone| zone.kind == ZoneKind::RoadClearing && zone.source_id == near.feature.id;
        let cleared = zones.iter().filter(own);
        let cleared: Vec<Polygon> = cleared.flat_map(|zone| zone.shape.0.clone()).collect();
        if within_m == 0.0 {
            return union(&cleared);
        }
    }
    let reach_m = near.demand.half_m + within_m;
    match &near.source {
        Source::Polygons(polygons) if reach_m == 0.0 => polygons.clone(),
        _ if reach_m == 0.0 || (near.feature.kind == LayerKind::Crossings && within_m == 0.0) => {
            MultiPolygon(vec![])
        }
        source => oriented(context.engines.no_less(source, reach_m)),
    }
}

/// What the windows of a block ask of whoever plans its work.
fn findings(plan: &BlockPlan) -> Vec<Finding> {
    let mut told: Vec<Finding> = plan.windows.iter().map(finding).collect();
    let shut = |unknown: bool| -> Vec<&Section> {
        let own = plan.sections.iter();
        own.filter(|section| section.open.is_never() && section.open.is_unknown() == unknown)
            .collect()
    };
    for (unknown, rule_id, verdict) in [
        (false, "window-never", Verdict::Fail),
        (true, "window-unknown", Verdict::Unknown),
    ] {
        let sections = shut(unknown);
        let Some(first) = sections.first() else {
            continue;
        };
        let ground: Vec<Polygon> = sections.iter().flat_map(|s| s.shape.0.clone()).collect();
        let cut_m2: f64 = sections.iter().map(|section| area(&section.shape)).sum();
        let why = match unknown {
            false => format!(
                "no day opens them: their windows leave none together, as in {} ({})",
                name(first),
                first.open.spoken()
            ),
            true => format!(
                "nobody knows yet when they are open, as {} ({}): no day is planned there until it is known",
                name(first),
                first.open.spoken()
            ),
        };
        told.push(Finding {
            rule_id: rule_id.to_owned(),
            verdict,
            measured: Some(crate::units::hectares(cut_m2)),
            required: None,
            unit: "ha",
            message: format!("{} sections: {why}", sections.len()),
            source: "windows of the project and its layers".to_owned(),
            shape: sound_geometry(geo::Geometry::MultiPolygon(union(&ground)), &plan.frame),
        });
    }
    told
}

fn name(section: &Section) -> SectionKey {
    SectionKey::of(section.id, section.section_no)
}

fn finding(note: &WindowNote) -> Finding {
    let hours = match (note.day_hours, note.night_hours) {
        (Some(day), Some(night)) => format!("{day:.1} h by day and {night:.1} h night-safe"),
        _ => "hours that are not known".to_owned(),
    };
    let class = match note.class.is_empty() {
        true => String::new(),
        false => format!(", {}", note.class),
    };
    let why = match note.under {
        UnderWindow::Block => "the whole block".to_owned(),
        UnderWindow::Ground if note.within_m > 0.0 => {
            format!(
                "within {:.0} m of {} {}{class}",
                note.within_m, note.role, note.id
            )
        }
        UnderWindow::Ground => format!("on {} {}{class}", note.role, note.id),
        UnderWindow::Outlet => format!("wood goes to {} {}{class}", note.role, note.id),
        UnderWindow::Crossing => format!("reached over {} {}{class}", note.role, note.id),
    };
    let name = match note.name.is_empty() {
        true => String::new(),
        false => format!("{}: ", note.name),
    };
    Finding {
        rule_id: "window".to_owned(),
        verdict: match note.days.is_unknown() {
            true => Verdict::Unknown,
            false => Verdict::NotApplicable,
        },
        measured: Some(crate::units::hectares(note.cut_m2)),
        required: None,
        unit: "ha",
        message: format!(
            "{name}{}: {why}, {} sections, {:.2} ha, {hours}",
            note.days.spoken(),
            note.sections.len(),
            crate::units::hectares(note.cut_m2)
        ),
        source: note.source.clone(),
        // A place: maps draw the ground itself in its own way.
        shape: note.shape.interior_point().map(geo::Geometry::Point),
    }
}
