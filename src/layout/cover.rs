//! Drives rings nearer and nearer to the edge until all ground is within reach, or as much as the machine can pass to.

use geo::{LineString, MultiLineString, MultiPolygon, Polygon};

use crate::geometry::area::length;
use crate::geometry::buffer::{Engines, Source};
use crate::geometry::overlay::{clip_lines, inside_and_outside, joined, oriented};
use crate::model::Machine;

/// Shorter drives are not worth a line.
pub const SHORTEST_M: f64 = 1.0;

/// Ground within reach of what is driven, and the rest.
pub struct Reached {
    pub within: MultiPolygon,
    pub beyond: MultiPolygon,
}

/// Divides `ground` by what lies within reach of `lines`.
pub fn divide(
    engines: Engines<'_>,
    ground: &MultiPolygon,
    lines: &[LineString],
    reach_m: f64,
) -> Reached {
    by_reach(ground, &reach_of(engines, lines, reach_m))
}

/// What lies within reach of lines.
pub fn reach_of(engines: Engines<'_>, lines: &[LineString], reach_m: f64) -> Vec<Polygon> {
    if lines.is_empty() {
        return vec![];
    }
    engines.within(&MultiLineString(lines.to_vec()), reach_m).0
}

/// Both sides come from one clip, so that no hairs are left where they meet the ground's own edge.
pub fn by_reach(ground: &MultiPolygon, reached: &[Polygon]) -> Reached {
    if reached.is_empty() || ground.0.is_empty() {
        return Reached {
            within: MultiPolygon(vec![]),
            beyond: ground.clone(),
        };
    }
    let [within, beyond] = inside_and_outside(ground, reached);
    Reached { within, beyond }
}

/// Levels that reach the corners and necks of ground whose main way is driven already.
pub fn near_edge_m(machine: &Machine) -> Vec<f64> {
    vec![machine.half_strip_m() / 2.0, machine.half_width_m]
}

/// Adds rings drawn inside `drivable` at each of `levels_m` from its edge, each only where ground was still out of
/// reach; returns the ground divided by reach.
#[allow(clippy::too_many_arguments)]
pub fn reach_rest(
    engines: Engines<'_>,
    machine: &Machine,
    drivable: &MultiPolygon,
    keep_off: &[Polygon],
    ground: &MultiPolygon,
    lines: &mut Vec<LineString>,
    levels_m: &[f64],
) -> Reached {
    let mut within_reach = reach_of(engines, lines, machine.reach_m);
    let mut reached = by_reach(ground, &within_reach);
    for &level_m in levels_m {
        if reached.beyond.0.is_empty() {
            break;
        }
        let inner = engines.plain(&Source::Polygons(drivable.clone()), -level_m);
        if inner.0.is_empty() {
            if levels_m.is_sorted() {
                // Farther in there is nothing either.
                break;
            }
            continue;
        }
        let ring_lines = MultiLineString(
            inner
                .0
                .iter()
                .flat_map(crate::geometry::area::rings)
                .cloned()
                .collect::<Vec<_>>(),
        );
        let near = oriented(engines.plain(
            &Source::Polygons(reached.beyond.clone()),
            machine.half_strip_m(),
        ));
        let stretches = clip_lines(&clip_lines(&ring_lines, &near.0, true), keep_off, false);
        let added: Vec<LineString> = joined(stretches)
            .into_iter()
            .filter(|line| length(line) >= SHORTEST_M)
            .collect();
        if !added.is_empty() {
            within_reach.extend(reach_of(engines, &added, machine.reach_m));
            lines.extend(added);
            reached = by_reach(ground, &within_reach);
        }
    }
    reached
}
