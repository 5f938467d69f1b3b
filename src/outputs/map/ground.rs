//! The ground: zones, sections, corridors, from the lowest to the topmost.

use super::svg::{self, PathData};
use super::view::View;
use crate::model::BlockPlan;
use crate::outputs::style::{Kind, grounds};

/// Draws all ground of the plan and returns what was drawn, each kind once. Nothing is said of what does not show.
pub fn draw(out: &mut String, view: &View, plan: &BlockPlan) -> Vec<Kind> {
    let mut drawn = Vec::new();
    for ground in grounds(plan) {
        let mut path = PathData::default();
        for shape in &ground.shapes {
            view.polygon(&mut path, shape);
        }
        if path.is_empty() {
            continue;
        }
        // Outlines of narrow strips would hide their fill.
        let thin = view.is_crowded() && (Kind::Strip..=Kind::Corridor).contains(&ground.kind);
        let look = if thin {
            ground.look.bare()
        } else {
            ground.look
        };
        out.push_str(&svg::painted(&look, &path.0));
        if !drawn.contains(&ground.kind) {
            drawn.push(ground.kind);
        }
    }
    drawn
}
