//! Drives rings nearer and nearer to the edge until all ground is within reach, or as much as the machine can pass to.

use geo::{LineString, MultiLineString, MultiPolygon, Polygon};

use crate::geometry::area::length;
use crate::geometry::buffer::{Engines, Source};
use crate::geometry::overlay::{clip_lines, difference, joined, oriented};
use crate::model::Machine;

/// Shorter drives are not worth a line.
const SHORTEST_M: f64 = 1.0;

/// What of `ground` is out of reach of `lines`.
pub fn out_of_reach(
    engines: Engines<'_>,
    ground: &MultiPolygon,
    lines: &[LineString],
    reach_m: f64,
) -> MultiPolygon {
    if lines.is_empty() || ground.0.is_empty() {
        return ground.clone();
    }
    let reached = engines.plain(&Source::Lines(MultiLineString(lines.to_vec())), reach_m);
    difference(ground, &oriented(reached).0)
}

/// Adds rings drawn inside `drivable` at half a half-strip and at the machine's own half width, each only where ground
/// was still out of reach; returns what stays out of reach.
pub fn reach_rest(
    engines: Engines<'_>,
    machine: &Machine,
    drivable: &MultiPolygon,
    keep_off: &[Polygon],
    ground: &MultiPolygon,
    lines: &mut Vec<LineString>,
) -> MultiPolygon {
    let mut rest = out_of_reach(engines, ground, lines, machine.reach_m);
    for level_m in [machine.half_strip_m() / 2.0, machine.half_width_m] {
        if rest.0.is_empty() {
            break;
        }
        let inner = engines.plain(&Source::Polygons(drivable.clone()), -level_m);
        let ring_lines = MultiLineString(
            inner
                .0
                .iter()
                .flat_map(crate::geometry::area::rings)
                .cloned()
                .collect::<Vec<_>>(),
        );
        let near = oriented(engines.plain(&Source::Polygons(rest.clone()), machine.half_strip_m()));
        let stretches = clip_lines(&clip_lines(&ring_lines, &near.0, true), keep_off, false);
        let added: Vec<LineString> = joined(stretches)
            .into_iter()
            .filter(|line| length(line) >= SHORTEST_M)
            .collect();
        rest = out_of_reach(engines, &rest, &added, machine.reach_m);
        lines.extend(added);
    }
    rest
}
