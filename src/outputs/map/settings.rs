//! What belongs to settings: lines between them, outlets, main skid trails, decks.

use geo::LineString;

use super::marks::Marks;
use super::svg::{PathData, painted, px, stroked};
use super::view::View;
use crate::model::BlockPlan;
use crate::outputs::signs;
use crate::outputs::style::{Ink, Kind, Line, Look, Theme};

/// Side of a deck's square, px.
pub const DECK_PX: f64 = 7.0;
/// A landing or crossing is a place; a ring of this radius shows it, px.
pub const PLACE_PX: f64 = 5.0;

/// Draws all of it, lowest first.
pub fn draw(svg: &mut String, view: &View, plan: &BlockPlan, marks: &mut Marks) {
    for (trail, share) in signs::main_trails(plan) {
        let path = path(view, std::iter::once(&trail.shape));
        let width = 1.1 + 1.5 * share.sqrt();
        svg.push_str(&trail_line(&path, width));
        marks.note(!path.is_empty(), Kind::SkidTrail);
    }
    let dividing = path(view, &signs::dividing_lines(plan));
    svg.push_str(&stroked(&Kind::Setting.look(), &dividing));
    marks.note(!dividing.is_empty(), Kind::Setting);
    let outlets = || plan.parts.iter().filter_map(|part| part.outlet.as_ref());
    let fronts = path(view, outlets().flat_map(|outlet| &outlet.front));
    for kind in [Kind::OutletRim, Kind::Outlet] {
        svg.push_str(&stroked(&kind.look(), &fronts));
    }
    marks.note(!fronts.is_empty(), Kind::Outlet);
    for place in outlets().filter_map(signs::outlet_place) {
        let (x, y) = view.place(place);
        svg.push_str(&outlet_sign(x, y));
        marks.note(true, Kind::Outlet);
    }
    for deck in &plan.decks {
        let (x, y) = view.place(deck.place.into());
        svg.push_str(&deck_sign(x, y));
        marks.note(true, Kind::Deck);
    }
}

/// Dots on a white rim.
pub fn trail_line(path: &PathData, width: f64) -> String {
    let look = Kind::SkidTrail.look();
    let line = |ink, width, dash| Look {
        line: look.line.map(|line| Line {
            ink,
            width,
            dash,
            ..line
        }),
        ..look
    };
    let Some(Line { ink, dash, .. }) = look.line else {
        return String::new();
    };
    let tenths = |width: f64| (width * 10.0).round() / 10.0;
    stroked(&line(Ink::Paper, tenths(width + 1.6), &[]), path)
        + &stroked(&line(ink, tenths(width), dash), path)
}

fn path<'l>(view: &View, lines: impl IntoIterator<Item = &'l LineString>) -> PathData {
    let mut path = PathData::default();
    for line in lines {
        view.line(&mut path, line);
    }
    path
}

fn outlet_sign(x: f64, y: f64) -> String {
    format!(
        "<circle cx=\"{}\" cy=\"{}\" r=\"{PLACE_PX}\" fill=\"{}\" stroke=\"{}\" stroke-width=\"1.4\"/>\n",
        px(x),
        px(y),
        Ink::Paper.colour(Theme::Light),
        Ink::Words.colour(Theme::Light)
    )
}

pub fn deck_sign(x: f64, y: f64) -> String {
    let (left, top) = (px(x - DECK_PX / 2.0), px(y - DECK_PX / 2.0));
    painted(
        &Kind::Deck.look(),
        &format!("M{left} {top}h{DECK_PX}v{DECK_PX}h-{DECK_PX}z"),
    )
}
