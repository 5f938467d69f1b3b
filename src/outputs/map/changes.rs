//! A sheet of ground that changed: the block, its strip lines, and each kind of change with its area.

use geo::MultiPolygon;

use super::svg::{self, PathData, px};
use super::view::View;
use super::{HEAD, HEIGHT, MAP, SIDE, WIDTH, defs};
use super::{marks, panel};
use crate::model::BlockPlan;
use crate::outputs::style::{self, Kind, Look};
use crate::outputs::text::Words;

/// One kind of change.
pub struct ChangeDrawn<'c> {
    pub look: Look,
    pub word: String,
    pub figure: String,
    pub shape: &'c MultiPolygon,
}

/// The sheet as a stand-alone SVG document.
pub fn changes_sheet(
    plan: &BlockPlan,
    title: &str,
    heading: &str,
    drawn: &[ChangeDrawn<'_>],
    words: &Words,
) -> String {
    let view = View::fit(plan, MAP);
    let frame = format!(
        "x=\"{}\" y=\"{}\" width=\"{}\" height=\"{}\"",
        px(MAP.x),
        px(MAP.y),
        px(MAP.width),
        px(MAP.height)
    );
    let mut out = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {WIDTH} {HEIGHT}\" width=\"{WIDTH}\" height=\"{HEIGHT}\" \
         role=\"img\" aria-labelledby=\"sheet-title\">\n<title id=\"sheet-title\">{}: {}</title>\n",
        svg::escape(title),
        svg::escape(heading)
    );
    out += &defs(plan, &frame);
    out += &format!(
        "<rect width=\"{WIDTH}\" height=\"{HEIGHT}\" fill=\"{}\"/>\n<rect {frame} fill=\"{}\"/>\n<g clip-path=\"url(#frame)\">\n",
        style::WHITE,
        style::GREY_PALE
    );
    let mut block = PathData::default();
    for polygon in &plan.shape {
        view.polygon(&mut block, polygon);
    }
    out += &format!("<path fill=\"{}\" d=\"{}\"/>\n", style::WHITE, block.0);
    for change in drawn {
        let mut path = PathData::default();
        for polygon in change.shape {
            view.polygon(&mut path, polygon);
        }
        out += &svg::painted(&change.look, &path.0);
    }
    let mut lines = PathData::default();
    for line in &plan.lines {
        view.line(&mut lines, &line.shape);
    }
    if !lines.is_empty() {
        out += &format!("<path class=\"l f\" d=\"{}\"/>\n", lines.0);
    }
    out += &svg::stroked(&Kind::Block.look(), &block);
    marks::furniture(&mut out, &view, words);
    out += &format!(
        "</g>\n<rect {frame} fill=\"none\" stroke=\"{}\"/>\n",
        style::GREY_MIDDLE
    );
    out += &format!(
        "<text style=\"font-size:22px;font-weight:700\" x=\"{x}\" y=\"{}\">{}</text>\n<text x=\"{x}\" y=\"{}\">{}</text>\n",
        px(HEAD.y + 22.0),
        svg::escape(heading),
        px(HEAD.y + 40.0),
        svg::escape(&svg::shorten(title, 110)),
        x = px(HEAD.x),
    );
    panel::changes(&mut out, heading, drawn, SIDE);
    out.push_str("</svg>\n");
    out
}
