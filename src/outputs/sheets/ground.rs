//! The ground on the sheet: zones, strips, sections, corridors, from the lowest to the topmost.

use std::collections::BTreeMap;

use geo::{BoundingRect, LineString, Polygon};

use super::canvas::{Canvas, Frame, PT_PER_PX};
use super::paper::Sheet;
use crate::model::{BlockPlan, Heading, PieceId, ShiftClass, Strip, StripKind, ZoneKind};
use crate::outputs::layers;
use crate::outputs::paint::{Paint, Rgb};
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

struct Painter<'s> {
    canvas: &'s mut Canvas,
    sheet: &'s Sheet,
    /// Way of the day-only hatch, degrees clockwise from grid north.
    hatch_deg: f64,
    legend: Vec<Drawn>,
}

/// Draws all ground of the plan and returns what was drawn, in order.
pub fn draw(canvas: &mut Canvas, sheet: &Sheet, plan: &BlockPlan, words: &Words) -> Vec<Drawn> {
    let mut painter = Painter {
        canvas,
        sheet,
        hatch_deg: hatch_deg(plan),
        legend: Vec::new(),
    };
    let p = &mut painter;
    p.layer(
        style::NET_AREA,
        words.legend_net,
        plan.parts.iter().flat_map(|part| &part.shape.0),
    );
    p.zone(
        plan,
        ZoneKind::Management,
        style::MANAGEMENT,
        words.legend_management,
    );
    p.zone(
        plan,
        ZoneKind::Reserve,
        style::RESERVE,
        words.legend_reserve,
    );
    p.zone(
        plan,
        ZoneKind::RoadClearing,
        style::ROAD_CLEARING,
        words.legend_road_clearing,
    );
    p.strips(plan, words);
    let before = p.legend.len();
    p.layer(
        style::DAY_ONLY,
        words.legend_day_only,
        of_class(plan, ShiftClass::DayOnly),
    );
    if p.legend.len() > before {
        p.legend[before].on_strip = true;
    }
    if of_class(plan, ShiftClass::NightSafe).next().is_some() {
        p.legend.push(Drawn {
            ground: style::NET_AREA,
            word: words.legend_night_safe,
            on_strip: true,
        });
    }
    p.zone(
        plan,
        ZoneKind::RetainedBand,
        style::RETAINED_BAND,
        words.legend_retained_band,
    );
    p.layer(
        style::CORRIDOR,
        words.legend_corridor,
        plan.corridors.iter().map(|corridor| &corridor.shape),
    );
    p.zone(
        plan,
        ZoneKind::MachineExclusion,
        style::MACHINE_EXCLUSION,
        words.legend_machine_exclusion,
    );
    p.zone(
        plan,
        ZoneKind::MayBeWet,
        style::MAY_BE_WET,
        words.legend_wet,
    );
    p.zone(plan, ZoneKind::Hazard, style::HAZARD, words.legend_hazard);
    p.zone(
        plan,
        ZoneKind::LimitOfApproach,
        style::LIMIT_OF_APPROACH,
        words.legend_limit,
    );
    p.zone(
        plan,
        ZoneKind::Crossing,
        style::CROSSING,
        words.legend_crossing,
    );
    p.layer(
        style::UNWORKED,
        words.legend_unworked,
        plan.left_unworked(false),
    );
    p.layer(style::FELLED, words.legend_felled, plan.left_unworked(true));
    p.zone(
        plan,
        ZoneKind::RoadBand,
        style::ROAD_BAND,
        words.legend_road_band,
    );
    p.layer(style::BLOCK, words.legend_block, plan.shape.iter());
    painter.legend
}

/// The day-only hatch crosses the strips at 45 degrees, so that no line of it passes for a strip.
fn hatch_deg(plan: &BlockPlan) -> f64 {
    plan.azimuth_deg.unwrap_or(0.0) + 45.0
}

fn of_class(plan: &BlockPlan, class: ShiftClass) -> impl Iterator<Item = &Polygon> {
    plan.sections
        .iter()
        .filter(move |section| section.shift_class == class)
        .flat_map(|section| &section.shape)
}

impl Painter<'_> {
    fn zone(&mut self, plan: &BlockPlan, kind: ZoneKind, ground: Ground, word: &'static str) {
        let shapes = layers::zones(plan)
            .filter(|(_, found, _)| *found == kind)
            .flat_map(|(shape, _, _)| shape);
        self.layer(ground, word, shapes);
    }

    fn strips(&mut self, plan: &BlockPlan, words: &Words) {
        let headings: BTreeMap<PieceId, Heading> = plan
            .lines
            .iter()
            .map(|line| (line.id, line.heading))
            .collect();
        let goes_out = |id: PieceId| match headings.get(&id) {
            Some(heading) => *heading == Heading::Out,
            // Without a line: the first strip goes in, the next comes out.
            None => id.strip_no.is_multiple_of(2),
        };
        let of = |wanted: &dyn Fn(&Strip) -> bool| -> Vec<&Polygon> {
            let strips = plan.strips.iter().filter(|strip| wanted(strip));
            strips.map(|strip| &strip.shape).collect()
        };
        let interior = |strip: &Strip| strip.kind == StripKind::Interior;
        for (ground, word, shapes) in [
            (
                style::ROAD_CLEARING,
                words.legend_road_clearing,
                of(&|strip| strip.kind == StripKind::RoadClearing),
            ),
            (
                style::BOUNDARY_PASS,
                words.legend_boundary_pass,
                of(&|strip| strip.kind == StripKind::BoundaryPass),
            ),
            (
                style::STRIP_IN,
                words.legend_strip_in,
                of(&|strip| interior(strip) && !goes_out(strip.id)),
            ),
            (
                style::STRIP_OUT,
                words.legend_strip_out,
                of(&|strip| interior(strip) && goes_out(strip.id)),
            ),
        ] {
            self.layer(ground, word, shapes.into_iter());
        }
    }

    /// Draws a layer of ground: its fill, its hatch, its outline. Nothing is said of what does not show.
    fn layer<'a>(
        &mut self,
        ground: Ground,
        word: &'static str,
        shapes: impl Iterator<Item = &'a Polygon>,
    ) {
        let shapes: Vec<&Polygon> = shapes.filter(|shape| shows(self.sheet, shape)).collect();
        let Some(bounds) = bounds(self.sheet, &shapes) else {
            return;
        };
        let sheet = self.sheet;
        paint(
            self.canvas,
            &Paint::of(&ground),
            &mut |canvas| {
                for shape in &shapes {
                    for ring in std::iter::once(shape.exterior()).chain(shape.interiors()) {
                        // The last point repeats the first: closing draws that edge.
                        let edges = ring.0.len().saturating_sub(1);
                        canvas.path(points(sheet, ring).take(edges), true);
                    }
                }
            },
            bounds,
            self.hatch_deg,
        );
        self.legend.push(Drawn {
            ground,
            word,
            on_strip: false,
        });
    }
}

pub fn points<'a>(sheet: &'a Sheet, line: &'a LineString) -> impl Iterator<Item = (f64, f64)> + 'a {
    line.0.iter().map(|coord| sheet.place(*coord))
}

/// Whether any of a polygon may lie in the map's frame.
fn shows(sheet: &Sheet, shape: &Polygon) -> bool {
    let [west, south, east, north] = sheet.ground();
    shape.bounding_rect().is_some_and(|rect| {
        rect.max().x >= west
            && rect.min().x <= east
            && rect.max().y >= south
            && rect.min().y <= north
    })
}

/// The part of the map's frame in which shapes lie.
fn bounds(sheet: &Sheet, shapes: &[&Polygon]) -> Option<Frame> {
    let rects = shapes.iter().filter_map(|shape| shape.bounding_rect());
    let places = rects.map(|rect| (sheet.place(rect.min()), sheet.place(rect.max())));
    let (low, high) = places.reduce(|(low, high), (min, max)| {
        (
            (low.0.min(min.0), low.1.min(min.1)),
            (high.0.max(max.0), high.1.max(max.1)),
        )
    })?;
    let map = &sheet.map;
    let (x, y) = (low.0.max(map.x), low.1.max(map.y));
    Some(Frame {
        x,
        y,
        width: (high.0.min(map.right()) - x).max(0.0),
        height: (high.1.min(map.top()) - y).max(0.0),
    })
}

/// Fills, hatches and outlines one path.
pub fn paint(
    canvas: &mut Canvas,
    paint: &Paint,
    path: &mut dyn FnMut(&mut Canvas),
    bounds: Frame,
    hatch_deg: f64,
) {
    if let Some(fill) = &paint.fill {
        canvas.apart(|canvas| {
            canvas.opacity(fill.opacity);
            canvas.fill_colour(fill.colour);
            path(canvas);
            canvas.fill();
        });
    }
    if !paint.hatch.is_empty() {
        canvas.apart(|canvas| {
            path(canvas);
            canvas.clip();
            hatch(canvas, paint.hatch, bounds, hatch_deg);
        });
    }
    if let Some(stroke) = &paint.stroke {
        canvas.apart(|canvas| {
            canvas.stroke_style(stroke);
            path(canvas);
            canvas.stroke();
        });
    }
}

/// Fills the clipped ground with the hatch of this id in [`style::DEFS`], drawn out: readers and printers draw lines
/// alike, but not patterns.
fn hatch(canvas: &mut Canvas, id: &str, bounds: Frame, hatch_deg: f64) {
    let colour = Rgb::parse;
    match id {
        "h-day" => {
            canvas.opacity(0.65);
            canvas.pen(colour(style::GREY_DARK), 0.9 * PT_PER_PX);
            lines(canvas, bounds, hatch_deg, 6.0 * PT_PER_PX);
        }
        "h-cross" => {
            canvas.pen(colour(style::VERMILLION), 0.9 * PT_PER_PX);
            lines(canvas, bounds, 45.0, 5.7 * PT_PER_PX);
            lines(canvas, bounds, 135.0, 5.7 * PT_PER_PX);
        }
        "h-level" => {
            canvas.pen(colour(style::PURPLE), 1.4 * PT_PER_PX);
            lines(canvas, bounds, 90.0, 5.0 * PT_PER_PX);
        }
        "h-wet" => {
            canvas.pen(colour(style::BLUE), 1.4 * PT_PER_PX);
            canvas.dash(&[6.0 * PT_PER_PX, 8.0 * PT_PER_PX]);
            lines(canvas, bounds, 90.0, 4.5 * PT_PER_PX);
        }
        "h-dots" => {
            canvas.pen(colour(style::BLUE), 1.8 * PT_PER_PX);
            canvas.round_caps();
            // A line of no length with round ends is a dot.
            canvas.dash(&[0.0, 7.0]);
            lines(canvas, bounds, 90.0, 3.5 * PT_PER_PX);
        }
        "h-trees" => {
            canvas.fill_colour(colour(style::GREEN));
            let size = PT_PER_PX;
            each_cell(bounds, 10.0 * PT_PER_PX, |x, y, _| {
                let corners = [(5.0, 8.5), (7.8, 3.0), (2.2, 3.0)];
                let moved = corners.map(|(dx, dy)| (x + dx * size, y + dy * size));
                canvas.path(moved.into_iter(), true);
            });
            canvas.fill();
        }
        "h-check" => {
            canvas.opacity(0.75);
            canvas.fill_colour(colour(style::VERMILLION));
            let side = 4.0 * PT_PER_PX;
            each_cell(bounds, side, |x, y, odd| {
                if odd {
                    canvas.rect(Frame {
                        x,
                        y,
                        width: side,
                        height: side,
                    });
                }
            });
            canvas.fill();
        }
        _ => {}
    }
}

/// Parallel lines over a frame, `spacing` points apart and counted from the page's corner, so that neighbours match.
pub fn lines(canvas: &mut Canvas, bounds: Frame, azimuth_deg: f64, spacing: f64) {
    let (sin, cos) = azimuth_deg.to_radians().sin_cos();
    // Along a line, and across it.
    let corners = [
        (bounds.x, bounds.y),
        (bounds.right(), bounds.y),
        (bounds.x, bounds.top()),
        (bounds.right(), bounds.top()),
    ];
    let range = |dx: f64, dy: f64| {
        let along = corners.map(|(x, y)| x * dx + y * dy);
        (
            along.into_iter().fold(f64::INFINITY, f64::min),
            along.into_iter().fold(f64::NEG_INFINITY, f64::max),
        )
    };
    let (from, to) = range(sin, cos);
    let (first, last) = range(cos, -sin);
    let (mut step, last) = (
        (first / spacing).floor() as i64,
        (last / spacing).ceil() as i64,
    );
    while step <= last {
        let across = step as f64 * spacing;
        let end = |along: f64| (along * sin + across * cos, along * cos - across * sin);
        canvas.path([end(from), end(to)].into_iter(), false);
        step += 1;
    }
    canvas.stroke();
}

/// Cells of a grid over a frame, with whether row and column sum to an odd number.
pub fn each_cell(bounds: Frame, side: f64, mut draw: impl FnMut(f64, f64, bool)) {
    let cell = |value: f64| (value / side).floor() as i64;
    for row in cell(bounds.y)..=cell(bounds.top()) {
        for column in cell(bounds.x)..=cell(bounds.right()) {
            let odd = (row + column).rem_euclid(2) == 1;
            draw(column as f64 * side, row as f64 * side, odd);
        }
    }
}
