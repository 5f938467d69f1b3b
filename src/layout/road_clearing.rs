//! Road clearing inside a block: everything is cut, driven along the road's centre line and beside it where it is wide.

use geo::{LineString, MultiLineString, MultiPolygon, Polygon};

use super::Context;
use super::cover::{near_edge_m, reach_rest};
use super::ground::Ground;
use crate::geometry::area::area;
use crate::geometry::buffer::Source;
use crate::geometry::overlay::{clip_lines, joined, oriented};
use crate::landbase::NearFeature;

pub struct Clearing {
    pub shape: MultiPolygon,
    pub lines: Vec<LineString>,
    /// Roads beside and in the block, as far as its parts front on them: ways between strips that need no cutting.
    pub ways: Vec<LineString>,
    pub beyond_reach: Vec<Polygon>,
}

pub fn lay(context: Context<'_>, ground: &Ground, near: &[NearFeature]) -> Clearing {
    let (engines, machine) = (context.engines, &context.settings.machine);
    let centre_lines = near
        .iter()
        .filter(|near| near.takes_machines())
        .flat_map(|near| {
            let Source::Lines(lines) = &near.source else {
                return vec![];
            };
            lines.0.clone()
        });
    let centre_lines = MultiLineString(centre_lines.collect());
    let off_limits: Vec<Polygon> = ground.zones.off_limits().cloned().collect();
    let fronting = clip_lines(&centre_lines, &ground.zones.beside_roads, true);
    let ways = joined(clip_lines(&fronting, &off_limits, false));
    if ground.clearing.0.is_empty() {
        return Clearing {
            shape: MultiPolygon(vec![]),
            lines: vec![],
            ways,
            beyond_reach: vec![],
        };
    }
    // The machine may stand on the road just outside the block, but not where no machine may drive.
    let around = engines.plain(
        &Source::Polygons(ground.clearing.clone()),
        machine.half_strip_m(),
    );
    let on_road = clip_lines(&centre_lines, &oriented(around).0, true);
    let mut lines = joined(clip_lines(&on_road, &off_limits, false));
    let shape = &ground.clearing;
    let exclusion = &ground.zones.exclusion;
    let mut reach = |levels_m: &[f64]| {
        reach_rest(
            engines, machine, shape, exclusion, shape, &mut lines, levels_m,
        )
    };
    let mut reached = reach(&near_edge_m(machine));
    if area(&reached.beyond) > context.settings.layout.sliver_m2 {
        // A wide clearing is driven in rings from its edge to its middle.
        let rings_m: Vec<f64> = (0..8)
            .map(|k| f64::from(2 * k + 1) * machine.half_strip_m())
            .collect();
        reached = reach(&rings_m);
    }
    Clearing {
        shape: reached.within,
        lines,
        ways,
        beyond_reach: reached.beyond.0,
    }
}
