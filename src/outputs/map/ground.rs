//! The ground: zones, strips, sections, corridors, from the lowest to the topmost.

use std::collections::BTreeMap;

use geo::Polygon;

use super::svg::PathData;
use super::view::View;
use crate::model::{BlockPlan, Heading, PieceId, ShiftClass, StripKind, ZoneKind};
use crate::outputs::layers;
use crate::outputs::style::{self, Ground};
use crate::outputs::text::Words;

/// Something drawn, which the legend then explains.
#[derive(Clone, Copy)]
pub struct Drawn {
    pub ground: Ground,
    pub word: &'static str,
    /// True: the legend shows the ground on top of a strip.
    pub on_strip: bool,
}

/// Draws a layer of ground as one path per fill, hatch and outline. Nothing is said of what does not show.
fn layer<'a>(
    svg: &mut String,
    legend: &mut Vec<Drawn>,
    view: &View,
    ground: Ground,
    word: &'static str,
    shapes: impl Iterator<Item = &'a Polygon>,
) {
    let mut path = PathData::default();
    for shape in shapes {
        view.polygon(&mut path, shape);
    }
    if path.is_empty() {
        return;
    }
    let d = &path.0;
    let fill = if ground.fill.is_empty() {
        r#"fill="none""#
    } else {
        ground.fill
    };
    match (ground.hatch, ground.fill, ground.outline) {
        ("", _, outline) => svg.push_str(&format!("<path {fill} {outline} d=\"{d}\"/>\n")),
        (hatch, "", outline) => svg.push_str(&format!(
            "<path fill=\"url(#{hatch})\" {outline} d=\"{d}\"/>\n"
        )),
        (hatch, fill, outline) => svg.push_str(&format!(
            "<path {fill} d=\"{d}\"/>\n<path fill=\"url(#{hatch})\" {outline} d=\"{d}\"/>\n"
        )),
    }
    legend.push(Drawn {
        ground,
        word,
        on_strip: false,
    });
}

fn thinned(view: &View, ground: Ground) -> Ground {
    Ground {
        outline: if view.is_crowded() {
            ""
        } else {
            ground.outline
        },
        ..ground
    }
}

/// Draws all ground of the plan and returns what was drawn, in order.
pub fn draw(svg: &mut String, view: &View, plan: &BlockPlan, words: &Words) -> Vec<Drawn> {
    let mut legend = Vec::new();
    layer(
        svg,
        &mut legend,
        view,
        style::NET_AREA,
        words.legend_net,
        plan.parts.iter().flat_map(|part| &part.shape.0),
    );
    let zone = |svg: &mut String, legend: &mut Vec<Drawn>, kind, ground, word| {
        let shapes = layers::zones(plan)
            .filter(|(_, found, _)| *found == kind)
            .flat_map(|(shape, _, _)| shape);
        layer(svg, legend, view, ground, word, shapes);
    };
    for (kind, ground, word) in [
        (
            ZoneKind::Management,
            style::MANAGEMENT,
            words.legend_management,
        ),
        (ZoneKind::Reserve, style::RESERVE, words.legend_reserve),
        (
            ZoneKind::RoadClearing,
            style::ROAD_CLEARING,
            words.legend_road_clearing,
        ),
    ] {
        zone(svg, &mut legend, kind, ground, word);
    }
    strips(svg, &mut legend, view, plan, words);
    let before = legend.len();
    layer(
        svg,
        &mut legend,
        view,
        style::DAY_ONLY,
        words.legend_day_only,
        of_class(plan, ShiftClass::DayOnly),
    );
    if legend.len() > before {
        legend[before].on_strip = true;
    }
    if of_class(plan, ShiftClass::NightSafe).next().is_some() {
        legend.push(Drawn {
            ground: Ground {
                fill: "",
                hatch: "",
                outline: "",
            },
            word: words.legend_night_safe,
            on_strip: true,
        });
    }
    zone(
        svg,
        &mut legend,
        ZoneKind::RetainedBand,
        style::RETAINED_BAND,
        words.legend_retained_band,
    );
    layer(
        svg,
        &mut legend,
        view,
        thinned(view, style::CORRIDOR),
        words.legend_corridor,
        plan.corridors.iter().map(|corridor| &corridor.shape),
    );
    for (kind, ground, word) in [
        (
            ZoneKind::MachineExclusion,
            style::MACHINE_EXCLUSION,
            words.legend_machine_exclusion,
        ),
        (ZoneKind::MayBeWet, style::MAY_BE_WET, words.legend_wet),
        (ZoneKind::Hazard, style::HAZARD, words.legend_hazard),
        (
            ZoneKind::LimitOfApproach,
            style::LIMIT_OF_APPROACH,
            words.legend_limit,
        ),
        (ZoneKind::Crossing, style::CROSSING, words.legend_crossing),
    ] {
        zone(svg, &mut legend, kind, ground, word);
    }
    layer(
        svg,
        &mut legend,
        view,
        style::UNWORKED,
        words.legend_unworked,
        plan.left_unworked(false),
    );
    layer(
        svg,
        &mut legend,
        view,
        style::FELLED,
        words.legend_felled,
        plan.left_unworked(true),
    );
    zone(
        svg,
        &mut legend,
        ZoneKind::RoadBand,
        style::ROAD_BAND,
        words.legend_road_band,
    );
    layer(
        svg,
        &mut legend,
        view,
        style::BLOCK,
        words.legend_block,
        plan.shape.iter(),
    );
    legend
}

fn of_class(plan: &BlockPlan, class: ShiftClass) -> impl Iterator<Item = &Polygon> {
    plan.sections
        .iter()
        .filter(move |section| section.shift_class == class)
        .flat_map(|section| &section.shape)
}

fn strips(svg: &mut String, legend: &mut Vec<Drawn>, view: &View, plan: &BlockPlan, words: &Words) {
    let headings: &BTreeMap<PieceId, Heading> = &plan
        .lines
        .iter()
        .map(|line| (line.id, line.heading))
        .collect();
    let interior = |outward: bool| {
        plan.strips.iter().filter(move |strip| {
            strip.kind == StripKind::Interior && outward == goes_out(strip.id, headings)
        })
    };
    let of_kind = |kind| plan.strips.iter().filter(move |strip| strip.kind == kind);
    layer(
        svg,
        legend,
        view,
        style::ROAD_CLEARING,
        words.legend_road_clearing,
        of_kind(StripKind::RoadClearing).map(|strip| &strip.shape),
    );
    layer(
        svg,
        legend,
        view,
        style::BOUNDARY_PASS,
        words.legend_boundary_pass,
        of_kind(StripKind::BoundaryPass).map(|strip| &strip.shape),
    );
    layer(
        svg,
        legend,
        view,
        thinned(view, style::STRIP_IN),
        words.legend_strip_in,
        interior(false).map(|strip| &strip.shape),
    );
    layer(
        svg,
        legend,
        view,
        thinned(view, style::STRIP_OUT),
        words.legend_strip_out,
        interior(true).map(|strip| &strip.shape),
    );
}

fn goes_out(id: PieceId, headings: &BTreeMap<PieceId, Heading>) -> bool {
    match headings.get(&id) {
        Some(heading) => *heading == Heading::Out,
        // Without a line: the first strip goes in, the next comes out.
        None => id.strip_no.is_multiple_of(2),
    }
}
