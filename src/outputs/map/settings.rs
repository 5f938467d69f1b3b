//! What belongs to settings: lines between them, outlets, main skid trails, decks.

use geo::LineString;

use super::marks::Marks;
use super::svg::{PathData, px};
use super::view::View;
use crate::model::BlockPlan;
use crate::outputs::{signs, style};

/// Side of a deck's square, px.
pub const DECK_PX: f64 = 7.0;
/// A landing or crossing is a place; a ring of this radius shows it, px.
pub const PLACE_PX: f64 = 5.0;

/// Draws all of it, lowest first.
pub fn draw(svg: &mut String, view: &View, plan: &BlockPlan, marks: &mut Marks) {
    for (trail, share) in signs::main_trails(plan) {
        let path = path(view, std::iter::once(&trail.shape));
        if !path.is_empty() {
            // Rim and dots; the later `style` wins over the attribute.
            let width = 1.1 + 1.5 * share.sqrt();
            svg.push_str(&format!(
                "<path fill=\"none\" stroke=\"{}\" stroke-width=\"{}\" stroke-linecap=\"round\" stroke-opacity=\".8\" d=\"{d}\"/>\
                 <path fill=\"none\" {} style=\"stroke-width:{}\" d=\"{d}\"/>\n",
                style::WHITE,
                px(width + 1.6),
                style::SKID_TRAIL.outline,
                px(width),
                d = path.0
            ));
            marks.trails = true;
        }
    }
    let dividing = path(view, &signs::dividing_lines(plan));
    if !dividing.is_empty() {
        svg.push_str(&format!(
            "<path fill=\"none\" {} d=\"{}\"/>\n",
            style::SETTING.outline,
            dividing.0
        ));
        marks.dividing = true;
    }
    let outlets = || plan.parts.iter().filter_map(|part| part.outlet.as_ref());
    let fronts = path(view, outlets().flat_map(|outlet| &outlet.front));
    for ground in [style::OUTLET_RIM, style::OUTLET] {
        if !fronts.is_empty() {
            svg.push_str(&format!(
                "<path fill=\"none\" {} d=\"{}\"/>\n",
                ground.outline, fronts.0
            ));
        }
    }
    marks.outlets = !fronts.is_empty();
    for place in outlets().filter_map(signs::outlet_place) {
        let (x, y) = view.place(place);
        svg.push_str(&outlet_sign(x, y));
        marks.outlets = true;
    }
    for deck in &plan.decks {
        let (x, y) = view.place(deck.place.into());
        svg.push_str(&deck_sign(x, y));
        marks.decks = true;
    }
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
        style::YELLOW,
        style::BLACK
    )
}

pub fn deck_sign(x: f64, y: f64) -> String {
    format!(
        "<rect x=\"{}\" y=\"{}\" width=\"{DECK_PX}\" height=\"{DECK_PX}\" {} {}/>\n",
        px(x - DECK_PX / 2.0),
        px(y - DECK_PX / 2.0),
        style::DECK.fill,
        style::DECK.outline
    )
}
