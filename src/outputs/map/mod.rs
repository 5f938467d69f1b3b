//! A plain SVG map of one block: pure string building, the same bytes for the same plan.

mod changes;
mod ground;
pub(super) mod marks;
pub(super) mod panel;
mod settings;
pub(super) mod svg;
mod view;

use svg::{Area, px};
use view::View;

pub(super) use changes::{ChangeDrawn, changes_sheet};
pub(super) use settings::{DECK_PX, PLACE_PX};

use super::style::{self, Hatch, Ink, Theme};
use super::text;
use crate::model::{BlockPlan, Language};
use crate::units::hectares;

const WIDTH: f64 = 1000.0;
const HEIGHT: f64 = 800.0;
const HEAD: Area = Area {
    x: 16.0,
    y: 10.0,
    width: 968.0,
    height: 46.0,
};
const MAP: Area = Area {
    x: 16.0,
    y: 60.0,
    width: 700.0,
    height: 648.0,
};
const SIDE: Area = Area {
    x: 732.0,
    y: 60.0,
    width: 252.0,
    height: 648.0,
};
const CAUTIONS: Area = Area {
    x: 16.0,
    y: 718.0,
    width: 968.0,
    height: 70.0,
};

/// The map sheet of a block as a stand-alone SVG document of 1000 x 800 px. `title` is a line below the block's id, for
/// example the project's name. Shows the block and 60 m around it, grid north up.
pub fn render(plan: &BlockPlan, title: &str, language: Language) -> String {
    let words = text::of(language);
    let mut map = String::with_capacity(1 << 15);
    let view = View::fit(plan, MAP);
    let drawn = ground::draw(&mut map, &view, plan);
    let marks = marks::draw(&mut map, &view, plan, words);

    let frame = format!(
        "x=\"{}\" y=\"{}\" width=\"{}\" height=\"{}\"",
        px(MAP.x),
        px(MAP.y),
        px(MAP.width),
        px(MAP.height)
    );
    let mut out = String::with_capacity(map.len() + (1 << 14));
    out.push_str(&format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {WIDTH} {HEIGHT}\" width=\"{WIDTH}\" height=\"{HEIGHT}\" \
         role=\"img\" aria-labelledby=\"sheet-title sheet-desc\">\n\
         <title id=\"sheet-title\">{}</title>\n<desc id=\"sheet-desc\">{}</desc>\n",
        svg::escape(&text::fill(words.sheet, &[title, &plan.id])),
        svg::escape(&description(plan, words)),
    ));
    out.push_str(&defs(plan, &frame));
    out.push_str(&format!(
        "<rect width=\"{WIDTH}\" height=\"{HEIGHT}\" fill=\"{}\"/>\n<rect {frame} fill=\"{}\"/>\n\
         <g clip-path=\"url(#frame)\" fill-rule=\"nonzero\">\n",
        style::WHITE,
        style::GREY_PALE
    ));
    out.push_str(&map);
    out.push_str(&format!(
        "</g>\n<rect {frame} fill=\"none\" stroke=\"{}\"/>\n",
        style::GREY_MIDDLE
    ));
    panel::head(&mut out, plan, title, words, HEAD);
    panel::side(&mut out, plan, &drawn, &marks, words, SIDE);
    panel::cautions(&mut out, words, CAUTIONS);
    out.push_str("</svg>\n");
    out
}

/// Style sheet, patterns, and the map's frame as a clip path.
fn defs(plan: &BlockPlan, frame: &str) -> String {
    let ink = |ink: Ink| ink.colour(Theme::Light);
    format!(
        "<style>\n\
         text{{font-family:system-ui,\"Segoe UI\",\"Noto Sans\",\"DejaVu Sans\",Arial,sans-serif;fill:{words};font-size:11.5px}}\n\
         .h{{font-weight:700;font-size:12.5px}}.e{{text-anchor:end}}.c{{text-anchor:middle}}.s{{font-size:11px}}\n\
         .n{{font-size:11px;font-weight:700;text-anchor:middle;paint-order:stroke;stroke:{paper};stroke-width:2.5px;stroke-linejoin:round}}\n\
         .l{{fill:none;stroke:{words};stroke-width:.7}}.f{{stroke-width:.3}}.a{{stroke-dasharray:4 2}}.t{{fill:{words}}}\n\
         </style>\n<defs>\n{}<clipPath id=\"frame\"><rect {frame}/></clipPath>\n</defs>\n",
        Hatch::patterns(plan.azimuth_deg.unwrap_or(0.0), Theme::Light),
        words = ink(Ink::Words),
        paper = ink(Ink::Paper),
    )
}

fn description(plan: &BlockPlan, words: &text::Words) -> String {
    let ha = |area_m2| format!("{:.2}", hectares(area_m2));
    text::fill(
        words.description,
        &[
            &plan.id,
            style::status_word(plan.status, words),
            &ha(plan.books.gross_m2),
            &ha(plan.books.net_m2),
            &ha(plan.books.retained_m2),
            &ha(plan.books.cut_m2),
            &plan.strips_count.to_string(),
            &plan.findings.len().to_string(),
        ],
    )
}
