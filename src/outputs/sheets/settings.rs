//! What belongs to settings: lines between them, outlets, main skid trails, decks.

use geo::LineString;

use super::canvas::{Canvas, Frame, PT_PER_PX};
use super::ground::points;
use super::marks::Marks;
use super::paper::Sheet;
use crate::model::BlockPlan;
use crate::outputs::paint::{Paint, Rgb};
use crate::outputs::style::{self, Ground};
use crate::outputs::{map, signs};

/// Draws all of it, lowest first.
pub fn draw(canvas: &mut Canvas, sheet: &Sheet, plan: &BlockPlan, marks: &mut Marks) {
    for (trail, share) in signs::main_trails(plan) {
        trail_line(canvas, share, &mut |canvas| {
            canvas.path(points(sheet, &trail.shape), false);
        });
        marks.trails = true;
    }
    let lines = |canvas: &mut Canvas, ground: &Ground, lines: &[&LineString]| {
        outline(canvas, ground, &mut |canvas| {
            for line in lines {
                canvas.path(points(sheet, line), false);
            }
        });
    };
    let dividing = signs::dividing_lines(plan);
    marks.dividing = !dividing.is_empty();
    lines(
        canvas,
        &style::SETTING,
        &dividing.iter().collect::<Vec<_>>(),
    );
    let outlets: Vec<_> = plan
        .parts
        .iter()
        .filter_map(|part| part.outlet.as_ref())
        .collect();
    let fronts: Vec<&LineString> = outlets.iter().flat_map(|outlet| &outlet.front).collect();
    marks.outlets = !fronts.is_empty();
    for ground in [style::OUTLET_RIM, style::OUTLET] {
        lines(canvas, &ground, &fronts);
    }
    for (x, y) in outlets
        .iter()
        .filter_map(|outlet| signs::outlet_place(outlet))
        .map(|at| sheet.place(at))
    {
        canvas.apart(|canvas| {
            canvas.fill_colour(Rgb::parse(style::YELLOW));
            canvas.pen(Rgb::parse(style::BLACK), 1.0);
            canvas.circle(x, y, map::PLACE_PX * PT_PER_PX);
            canvas.fill_and_stroke();
        });
    }
    marks.decks = !plan.decks.is_empty();
    for deck in &plan.decks {
        let (x, y) = sheet.place(deck.place.into());
        deck_sign(canvas, x, y);
    }
}

/// Strokes a path as a kind of ground is outlined.
pub fn outline(canvas: &mut Canvas, ground: &Ground, path: &mut dyn FnMut(&mut Canvas)) {
    if let Some(stroke) = &Paint::of(ground).stroke {
        canvas.apart(|canvas| {
            canvas.stroke_style(stroke);
            canvas.round_caps();
            path(canvas);
            canvas.stroke();
        });
    }
}

/// Dots on a white rim, wider where more of the block's loads pass.
pub fn trail_line(canvas: &mut Canvas, share: f64, path: &mut dyn FnMut(&mut Canvas)) {
    let Some(mut stroke) = Paint::of(&style::SKID_TRAIL).stroke else {
        return;
    };
    stroke.width_px = 1.1 + 1.5 * share.sqrt();
    canvas.apart(|canvas| {
        canvas.opacity(0.8);
        canvas.pen(
            Rgb::parse(style::WHITE),
            (stroke.width_px + 1.6) * PT_PER_PX,
        );
        path(canvas);
        canvas.stroke();
    });
    canvas.apart(|canvas| {
        canvas.stroke_style(&stroke);
        canvas.round_caps();
        path(canvas);
        canvas.stroke();
    });
}

pub fn deck_sign(canvas: &mut Canvas, x: f64, y: f64) {
    let side = map::DECK_PX * PT_PER_PX;
    let paint = Paint::of(&style::DECK);
    canvas.apart(|canvas| {
        if let (Some(fill), Some(stroke)) = (&paint.fill, &paint.stroke) {
            canvas.fill_colour(fill.colour);
            canvas.stroke_style(stroke);
            canvas.rect(Frame {
                x: x - side / 2.0,
                y: y - side / 2.0,
                width: side,
                height: side,
            });
            canvas.fill_and_stroke();
        }
    });
}
