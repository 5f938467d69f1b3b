//! The ground on the sheet, and how ground is filled, hatched and outlined on paper.

use geo::{BoundingRect, LineString, Polygon, Rect};

use super::canvas::{Canvas, Frame, PT_PER_PX};
use super::paper::Sheet;
use crate::geometry::area::rings;
use crate::model::BlockPlan;
use crate::outputs::style::{DOTS, Hatch, Kind, Look, Motif, TREE, grounds};

/// Draws all ground of the plan and returns what was drawn, each kind once. Nothing is said of what does not show.
pub fn draw(canvas: &mut Canvas, sheet: &Sheet, plan: &BlockPlan) -> Vec<Kind> {
    let mut drawn = Vec::new();
    let azimuth_deg = plan.azimuth_deg.unwrap_or(0.0);
    for ground in grounds(plan) {
        let shapes = ground.shapes.into_iter();
        let shapes: Vec<&Polygon> = shapes.filter(|shape| shows(sheet, *shape)).collect();
        let Some(bounds) = bounds(sheet, &shapes) else {
            continue;
        };
        let mut path = |canvas: &mut Canvas| {
            for ring in shapes.iter().flat_map(|shape| rings(shape)) {
                // The last point repeats the first: closing draws that edge.
                let edges = ring.0.len().saturating_sub(1);
                canvas.path(points(sheet, ring).take(edges), true);
            }
        };
        paint(canvas, &ground.look, &mut path, bounds, azimuth_deg);
        if !drawn.contains(&ground.kind) {
            drawn.push(ground.kind);
        }
    }
    drawn
}

pub fn points<'a>(sheet: &'a Sheet, line: &'a LineString) -> impl Iterator<Item = (f64, f64)> + 'a {
    line.0.iter().map(|coord| sheet.place(*coord))
}

/// Whether any of a shape may lie in the map's frame.
pub fn shows<S: BoundingRect<f64>>(sheet: &Sheet, shape: &S) -> bool {
    let [west, south, east, north] = sheet.ground();
    let rect: Option<Rect> = shape.bounding_rect().into();
    rect.is_some_and(|rect| {
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

/// Fills, hatches and outlines one path, over strips of an azimuth in degrees clockwise from grid north.
pub fn paint(
    canvas: &mut Canvas,
    look: &Look,
    path: &mut dyn FnMut(&mut Canvas),
    bounds: Frame,
    azimuth_deg: f64,
) {
    if let Some((ink, cover)) = look.fill {
        canvas.apart(|canvas| {
            canvas.opacity(canvas.theme().cover(ink, cover));
            canvas.fill_with(ink);
            path(canvas);
            canvas.fill();
        });
    }
    if let Some(hatch) = look.hatch {
        canvas.apart(|canvas| {
            path(canvas);
            canvas.clip();
            hatched(canvas, hatch, bounds, azimuth_deg);
        });
    }
    if let Some(line) = &look.line {
        canvas.apart(|canvas| {
            canvas.line_style(line);
            path(canvas);
            canvas.stroke();
        });
    }
}

/// Fills the clipped ground with a hatch, drawn out: readers and printers draw lines alike, but not patterns.
fn hatched(canvas: &mut Canvas, hatch: Hatch, bounds: Frame, azimuth_deg: f64) {
    let pt = |px: f64| px * PT_PER_PX;
    let colour = hatch.ink();
    canvas.fill_with(colour);
    match hatch.motif() {
        Motif::Lines {
            apart,
            width,
            dash,
            beside,
            crossed,
            ..
        } => {
            canvas.pen(colour, pt(width));
            if let Some(dash) = dash {
                canvas.dash(&dash);
            }
            let way = hatch.way_deg(azimuth_deg);
            lines(canvas, bounds, way, pt(apart), 0.0);
            if let Some(beside) = beside {
                lines(canvas, bounds, way, pt(apart), pt(beside));
            }
            if crossed {
                lines(canvas, bounds, way + 90.0, pt(apart), 0.0);
            }
        }
        Motif::Dots { side, radius } => {
            // A dash of no length with round ends is a dot.
            canvas.pen(colour, pt(2.0 * radius));
            canvas.round_dots(side);
            let side = pt(side);
            let first = |value: f64| (value / side).floor() as i64;
            for row in first(bounds.y)..=first(bounds.top()) {
                for (dx, dy) in DOTS {
                    let y = (row as f64 + dy) * side;
                    let x = (first(bounds.x) as f64 + dx) * side;
                    canvas.path([(x, y), (bounds.right(), y)].into_iter(), false);
                }
            }
            canvas.stroke();
        }
        Motif::Trees { side } => {
            let side = pt(side);
            each_cell(bounds, side, |x, y, _| {
                let corners = TREE.map(|(dx, dy)| (x + dx * side, y + dy * side));
                canvas.path(corners.into_iter(), true);
            });
            canvas.fill();
        }
        Motif::Checks { side } => {
            let side = pt(side);
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
    }
}

/// Parallel lines over a frame, `spacing` points apart and counted from the page's corner and `aside`, so that neighbours
/// match.
fn lines(canvas: &mut Canvas, bounds: Frame, azimuth_deg: f64, spacing: f64, aside: f64) {
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
        let across = step as f64 * spacing + aside;
        let end = |along: f64| (along * sin + across * cos, along * cos - across * sin);
        canvas.path([end(from), end(to)].into_iter(), false);
        step += 1;
    }
    canvas.stroke();
}

/// Cells of a grid over a frame, with whether row and column sum to an odd number.
fn each_cell(bounds: Frame, side: f64, mut draw: impl FnMut(f64, f64, bool)) {
    let cell = |value: f64| (value / side).floor() as i64;
    for row in cell(bounds.y)..=cell(bounds.top()) {
        for column in cell(bounds.x)..=cell(bounds.right()) {
            let odd = (row + column).rem_euclid(2) == 1;
            draw(column as f64 * side, row as f64 * side, odd);
        }
    }
}
