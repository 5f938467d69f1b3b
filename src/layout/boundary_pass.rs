//! The first pass, along block and reserve edges but not along roads: a strip's width of ground and the path in it.

use geo::{LineString, MultiLineString, MultiPolygon, Polygon};

use super::Context;
use super::cover::{near_edge_m, reach_rest};
use super::ground::Ground;
use crate::geometry::area::polygon_area;
use crate::geometry::buffer::Source;
use crate::geometry::inset::inset_path;
use crate::geometry::overlay::{boundary, clip_lines, difference, intersection, joined, oriented};

/// A part divided by its boundary pass.
pub struct Pass {
    /// Cut by the pass.
    pub band: MultiPolygon,
    /// Left for strips and corridors.
    pub interior: MultiPolygon,
    /// The machine's ways through the band.
    pub lines: Vec<LineString>,
    /// Of the band, but out of reach.
    pub beyond_reach: Vec<Polygon>,
    /// Of the interior, but too small to be worked.
    pub slivers: Vec<Polygon>,
    /// The part's edge along roads.
    pub front: MultiLineString,
    /// The part's other edges.
    pub edges: MultiLineString,
    /// Whether the straight skeleton's path was taken; None without a pass.
    pub skeleton: Option<bool>,
}

pub fn lay(context: Context<'_>, ground: &Ground, part: &Polygon) -> Pass {
    let (settings, engines) = (context.settings, context.engines);
    let machine = &settings.machine;
    let whole = MultiPolygon(vec![part.clone()]);
    let rim = boundary(&whole);
    let edges = MultiLineString(joined(clip_lines(&rim, &ground.zones.frontage, false)));
    let front = MultiLineString(joined(clip_lines(&rim, &ground.zones.frontage, true)));
    if !settings.layout.boundary_pass || edges.0.is_empty() {
        let (band, interior) = (MultiPolygon(vec![]), whole);
        return Pass {
            band,
            interior,
            lines: vec![],
            beyond_reach: vec![],
            slivers: vec![],
            front,
            edges,
            skeleton: None,
        };
    }
    let width_m = machine.strip_width_m();
    // Both sides come from one clip: a difference with the other side would leave hairs along the road they share.
    let (inner, band) = if front.0.is_empty() {
        let inner = oriented(engines.plain(&Source::Polygons(whole.clone()), -width_m));
        let band = difference(&whole, &inner.0);
        (inner, band)
    } else {
        let along = oriented(engines.plain(&Source::Lines(edges.clone()), width_m));
        (difference(&whole, &along.0), intersection(&whole, &along.0))
    };
    let (interior, slivers): (Vec<Polygon>, Vec<Polygon>) = inner
        .0
        .into_iter()
        .partition(|polygon| polygon_area(polygon) >= settings.layout.sliver_m2);
    let interior = MultiPolygon(interior);
    let path = inset_path(engines, part, machine.half_strip_m());
    let mut rings = MultiLineString(path.rings);
    if !front.0.is_empty() {
        // Mitred corners stand off 1.41 times as far; what lies beyond runs along the road only.
        let along = engines.plain(&Source::Lines(edges.clone()), 1.45 * machine.half_strip_m());
        rings = clip_lines(&rings, &oriented(along).0, true);
    }
    let mut lines = joined(clip_lines(&rings, &ground.zones.exclusion, false));
    let exclusion = &ground.zones.exclusion;
    let levels_m = near_edge_m(machine);
    let reached = reach_rest(
        engines, machine, &whole, exclusion, &band, &mut lines, &levels_m,
    );
    Pass {
        band: reached.within,
        interior,
        lines,
        beyond_reach: reached.beyond.0,
        slivers,
        front,
        edges,
        skeleton: Some(path.skeleton),
    }
}
