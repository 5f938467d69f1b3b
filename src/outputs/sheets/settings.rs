//! What belongs to settings: lines between them, outlets, main skid trails, decks.

use geo::LineString;

use super::canvas::{Canvas, Frame, PT_PER_PX};
use super::ground::{self, points};
use super::paper::Sheet;
use crate::model::BlockPlan;
use crate::outputs::map::marks::Marks;
use crate::outputs::style::{Ink, Kind, Line};
use crate::outputs::{map, signs};

/// Draws all of it, lowest first.
pub fn draw(canvas: &mut Canvas, sheet: &Sheet, plan: &BlockPlan, marks: &mut Marks) {
    for (trail, share) in signs::main_trails(plan) {
        trail_line(canvas, share, &mut |canvas| {
            canvas.path(points(sheet, &trail.shape), false);
        });
        marks.note(true, Kind::SkidTrail);
    }
    let lines = |canvas: &mut Canvas, kind: Kind, lines: &[&LineString]| {
        outline(canvas, kind, &mut |canvas| {
            for line in lines {
                canvas.path(points(sheet, line), false);
            }
        });
    };
    let dividing = signs::dividing_lines(plan);
    marks.note(!dividing.is_empty(), Kind::Setting);
    lines(canvas, Kind::Setting, &dividing.iter().collect::<Vec<_>>());
    let outlets: Vec<_> = plan
        .parts
        .iter()
        .filter_map(|part| part.outlet.as_ref())
        .collect();
    let fronts: Vec<&LineString> = outlets.iter().flat_map(|outlet| &outlet.front).collect();
    marks.note(!fronts.is_empty(), Kind::Outlet);
    for kind in [Kind::OutletRim, Kind::Outlet] {
        lines(canvas, kind, &fronts);
    }
    for (x, y) in outlets
        .iter()
        .filter_map(|outlet| signs::outlet_place(outlet))
        .map(|at| sheet.place(at))
    {
        landing_sign(canvas, map::PLACE_PX * PT_PER_PX, x, y);
    }
    marks.note(!plan.decks.is_empty(), Kind::Deck);
    for deck in &plan.decks {
        let (x, y) = sheet.place(deck.place.into());
        deck_sign(canvas, map::DECK_PX * PT_PER_PX, x, y);
    }
}

/// Strokes a path as a kind of ground is outlined.
pub fn outline(canvas: &mut Canvas, kind: Kind, path: &mut dyn FnMut(&mut Canvas)) {
    if let Some(line) = &kind.look().line {
        canvas.apart(|canvas| {
            canvas.line_style(line);
            path(canvas);
            canvas.stroke();
        });
    }
}

/// Dots on a pale rim, wider where more of the block's loads pass.
pub fn trail_line(canvas: &mut Canvas, share: f64, path: &mut dyn FnMut(&mut Canvas)) {
    let Some(line) = Kind::SkidTrail.look().line else {
        return;
    };
    let width = 1.1 + 1.5 * share.sqrt();
    let rim = Line {
        ink: Ink::Paper,
        width: width + 1.6,
        dash: &[],
        ..line
    };
    for line in [rim, Line { width, ..line }] {
        canvas.apart(|canvas| {
            canvas.line_style(&line);
            path(canvas);
            canvas.stroke();
        });
    }
}

/// Of a radius in points.
pub fn landing_sign(canvas: &mut Canvas, radius: f64, x: f64, y: f64) {
    canvas.apart(|canvas| {
        canvas.fill_with(Ink::Paper);
        canvas.pen(Ink::Words, 1.0);
        canvas.circle(x, y, radius);
        canvas.fill_and_stroke();
    });
}

/// Of a side in points.
pub fn deck_sign(canvas: &mut Canvas, side: f64, x: f64, y: f64) {
    let frame = Frame {
        x: x - side / 2.0,
        y: y - side / 2.0,
        width: side,
        height: side,
    };
    let look = Kind::Deck.look();
    ground::paint(canvas, &look, &mut |canvas| canvas.rect(frame), frame, 0.0);
}
