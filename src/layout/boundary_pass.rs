//! The first pass, along block and reserve edges but not along roads: a strip's width of ground and the path in it.

use std::cell::{OnceCell, RefCell};

use geo::{Coord, LineString, MultiLineString, MultiPolygon, Polygon};

use super::Context;
use super::cover::{self, near_edge_m, reach_rest};
use super::ground::Ground;
use super::tours;
use crate::geometry::area::{Bounds, area, length, polygon_area};
use crate::geometry::buffer::Source;
use crate::geometry::distance::{SegmentIndex, line_segments, polygon_segments};
use crate::geometry::inset::inset_path;
use crate::geometry::overlay::{
    boundary, clip_lines, difference, inside_and_outside, joined, oriented, shared_area, union,
};

/// A part divided by its boundary pass.
#[derive(Clone)]
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
    /// Whether some of the interior may lie along the setting's own edge.
    pub at_edge: bool,
    /// Whether the straight skeleton's path was taken; None without a pass.
    pub skeleton: Option<bool>,
}

/// Passes of one block laid so far. A block is laid out several times where corridors alone do not keep its share, mostly with the
/// same settings.
#[derive(Default)]
pub struct Passes(RefCell<Vec<Laid>>);

/// A pass and all that it was laid by.
struct Laid {
    setting: Polygon,
    before: Vec<Polygon>,
    small_kept: Vec<Bounds>,
    frontage: Vec<Polygon>,
    exclusion: Vec<Polygon>,
    pass: Pass,
}

impl Passes {
    /// As [`lay`].
    pub fn lay(
        &self,
        context: Context<'_>,
        ground: &Ground,
        before: &[&Polygon],
        setting: &Polygon,
    ) -> Pass {
        let small_kept = small_kept(ground, context.settings.machine.strip_width_m());
        let is_same = |laid: &&Laid| {
            laid.setting == *setting
                && laid.before.iter().eq(before.iter().copied())
                && laid.small_kept == small_kept
                && laid.frontage == ground.zones.frontage
                && laid.exclusion == ground.zones.exclusion
        };
        if let Some(laid) = self.0.borrow().iter().find(is_same) {
            return laid.pass.clone();
        }
        let pass = lay(context, ground, &small_kept, before, setting);
        self.0.borrow_mut().push(Laid {
            setting: setting.clone(),
            before: before.iter().copied().cloned().collect(),
            small_kept,
            frontage: ground.zones.frontage.clone(),
            exclusion: ground.zones.exclusion.clone(),
            pass: pass.clone(),
        });
        pass
    }
}

/// `before` are the settings that are worked earlier: where this one meets them their pass is there already.
fn lay(
    context: Context<'_>,
    ground: &Ground,
    small_kept: &[Bounds],
    before: &[&Polygon],
    setting: &Polygon,
) -> Pass {
    let (settings, engines) = (context.settings, context.engines);
    let machine = &settings.machine;
    let whole = MultiPolygon(vec![setting.clone()]);
    let (filled, holes) = without_small_kept(small_kept, setting, machine.strip_width_m());
    let rim = boundary(&MultiPolygon(vec![filled.clone()]));
    let own = not_beside(&rim, before);
    let edges = MultiLineString(joined(clip_lines(&own, &ground.zones.frontage, false)));
    let length_m = |lines: &MultiLineString| lines.0.iter().map(length).sum::<f64>();
    let all_round = length_m(&rim) - length_m(&edges) < ON_EDGE_M;
    if !settings.layout.boundary_pass || edges.0.is_empty() {
        let (band, interior) = (MultiPolygon(vec![]), whole);
        return Pass {
            band,
            interior,
            lines: vec![],
            beyond_reach: vec![],
            slivers: vec![],
            at_edge: true,
            skeleton: None,
        };
    }
    let width_m = machine.strip_width_m();
    // Both sides come from one clip: a difference with the other side would leave hairs along the road they share.
    let (inner, band) = if all_round {
        let filled = Source::Polygons(MultiPolygon(vec![filled.clone()]));
        let inner = oriented(engines.plain(&filled, -width_m));
        let inner = match holes.is_empty() {
            true => inner,
            false => difference(&inner, &holes),
        };
        let band = difference(&whole, &inner.0);
        (inner, band)
    } else {
        let along = oriented(engines.plain(&Source::Lines(edges.clone()), width_m));
        let [band, inner] = inside_and_outside(&whole, &along.0);
        (inner, band)
    };
    let (interior, mut slivers): (Vec<Polygon>, Vec<Polygon>) = inner
        .0
        .into_iter()
        .partition(|polygon| polygon_area(polygon) >= settings.layout.sliver_m2);
    let interior = MultiPolygon(interior);
    let path = inset_path(engines, &filled, machine.half_strip_m());
    let mut rings = MultiLineString(path.rings);
    if !all_round {
        // Mitred corners stand off 1.41 times as far; what lies beyond runs along the road or the next setting only.
        let along = engines.plain(&Source::Lines(edges.clone()), 1.45 * machine.half_strip_m());
        rings = clip_lines(&rings, &oriented(along).0, true);
    }
    let mut lines = joined(clip_lines(&rings, &ground.zones.exclusion, false));
    let exclusion = &ground.zones.exclusion;
    let levels_m = near_edge_m(machine);
    let reached = reach_rest(
        engines, machine, &whole, exclusion, &band, &mut lines, &levels_m,
    );
    // A pass is driven in few tours: its machine may go wherever it cuts, and nowhere else.
    let (mut band, mut interior) = (reached.within, interior);
    let known_reach = OnceCell::new();
    let mut beyond_reach = reached.beyond.0;
    let inner_edge = SegmentIndex::of_boundary(&interior);
    let standing = SegmentIndex::new(line_segments(&edges.0, 0).collect());
    let clear_m = (machine.half_width_m - HAIR_M).max(0.0);
    let near = |w: &[Coord]| {
        let approach = inner_edge.approach(w[0], w[1], machine.half_width_m);
        let at_edge = standing.approach(w[0], w[1], clear_m - HAIR_M);
        approach.is_some() || at_edge.is_some() || inner_edge.holds(w[0])
    };
    let strays = lines.iter().any(|line| line.0.windows(2).any(near));
    if strays || lines.iter().any(|line| length(line) < tours::SPUR_M) {
        // Corridors may stand along its inner edge, and trees that stay along its outer one.
        let beside = engines.plain(&Source::Polygons(interior.clone()), machine.half_width_m);
        let at_edge = engines.plain(&Source::Lines(edges.clone()), clear_m);
        let shut: Vec<Polygon> = (exclusion.iter().cloned())
            .chain(oriented(beside).0)
            .chain(oriented(at_edge).0)
            .collect();
        let may_drive = difference(&band, &shut);
        if strays {
            let kept = clip_lines(&MultiLineString(lines), &may_drive.0, true);
            lines = joined(kept);
            lines.retain(|line| length(line) >= cover::SHORTEST_M);
        }
        let large = |shape: &Polygon| polygon_area(shape) >= settings.layout.sliver_m2;
        let (tours, apart) = tours::with_spurs(lines, &may_drive, 2.0 * machine.strip_width_m());
        lines = tours;
        let mut reach = cover::reach_of(engines, &lines, machine.reach_m);
        let mut divided = cover::by_reach(&band, &reach);
        // The longest first; each is driven for ground alone that no other comes to.
        let mut lone: Vec<Polygon> = Vec::new();
        for own in apart {
            let pocket = may_drive.0.iter().find(|pocket| {
                let first = own.0.first();
                first.is_some_and(|&first| touches(pocket, &[first, first]))
            });
            if let Some(pocket) = pocket
                && polygon_area(pocket) < settings.layout.least_part_m2
                && !lines.iter().any(|line| touches(pocket, &line.0))
                && !polygon_segments(pocket).any(|s| {
                    let beside_m = machine.half_width_m + ON_EDGE_M;
                    inner_edge.approach(s.a, s.b, beside_m).is_some()
                })
                && shared_area(&MultiPolygon(vec![pocket.clone()]), &ground.zones.frontage)
                    < DUST_M2
            {
                lone.push(pocket.clone());
                continue;
            }
            let left = divided.beyond.0.iter().filter(|shape| large(shape));
            let left = SegmentIndex::new(left.flat_map(polygon_segments).collect());
            let reaches = |w: &[Coord]| left.approach(w[0], w[1], machine.reach_m).is_some();
            if !own.0.windows(2).any(reaches) {
                continue;
            }
            // What it alone reaches of the rest tells whether all lines have to be looked at together.
            let alone = std::slice::from_ref(&own);
            let gained = cover::divide(engines, &divided.beyond, alone, machine.reach_m).within;
            if area(&gained) < settings.layout.sliver_m2 / 2.0 - ROUNDING_M2 {
                continue;
            }
            let with: Vec<LineString> = lines.iter().cloned().chain([own]).collect();
            let farther = cover::reach_of(engines, &with, machine.reach_m);
            let now = cover::by_reach(&band, &farther);
            if area(&now.beyond) < area(&divided.beyond) - settings.layout.sliver_m2 / 2.0 {
                (lines, reach, divided) = (with, farther, now);
            }
        }
        let _ = known_reach.set(reach);
        // Strips take what no drive comes to.
        band = divided.within;
        let (rest, small): (Vec<Polygon>, Vec<Polygon>) =
            divided.beyond.0.into_iter().partition(large);
        slivers.extend(small);
        // What no machine gets to but through a neck that is too narrow for it stays.
        let (alone, rest): (Vec<Polygon>, Vec<Polygon>) = rest.into_iter().partition(|shape| {
            !lone.is_empty() && shared_area(&MultiPolygon(vec![shape.clone()]), &lone) > DUST_M2
        });
        beyond_reach.extend(alone);
        interior = union(&interior.0.into_iter().chain(rest).collect::<Vec<Polygon>>());
    }
    let at_edge = give_to_strips(
        &mut interior,
        [&mut beyond_reach, &mut slivers],
        settings.layout.sliver_m2,
    );
    let narrow = within_reach(context, &mut interior, (&lines, &known_reach));
    if !narrow.within.0.is_empty() {
        beyond_reach.extend(narrow.beyond.0);
        let all = band.0.into_iter().chain(narrow.within.0);
        band = union(&all.collect::<Vec<Polygon>>());
    }
    Pass {
        band,
        interior,
        lines,
        beyond_reach,
        slivers,
        at_edge,
        skeleton: Some(path.skeleton),
    }
}

/// Less ground than this is the overlay's dust.
const DUST_M2: f64 = 0.01;

/// Whether a line comes into a polygon or to its edge.
fn touches(polygon: &Polygon, line: &[Coord]) -> bool {
    let edges = SegmentIndex::new(polygon_segments(polygon).collect());
    line.first().is_some_and(|&at| edges.holds(at))
        || (line.windows(2)).any(|w| edges.approach(w[0], w[1], ON_EDGE_M).is_some())
}

/// What sums of areas differ by, where the same ground is cut in another way.
const ROUNDING_M2: f64 = 0.1;

/// A setting without the holes of trees and other small things that layer `retain` has, and these holes: strips go past them, and no pass
/// goes around. Where one lies near another edge, the pass along that goes around both.
fn without_small_kept(kept: &[Bounds], setting: &Polygon, strip_m: f64) -> (Polygon, Vec<Polygon>) {
    if kept.is_empty() {
        return (setting.clone(), vec![]);
    }
    let own = |ring: &LineString| {
        let b = Bounds::of(&ring.0);
        kept.iter()
            .any(|kept| kept.grown(ON_EDGE_M).holds(&b) && b.grown(ON_EDGE_M).holds(kept))
    };
    let (small, others): (Vec<LineString>, Vec<LineString>) =
        setting.interiors().iter().cloned().partition(own);
    let far = |at: usize| {
        let rings = (small.iter().enumerate())
            .filter(|(other, _)| *other != at)
            .map(|(_, ring)| ring);
        let rings = rings.chain(&others).chain([setting.exterior()]);
        let lines: Vec<LineString> = rings.cloned().collect();
        let edges = SegmentIndex::new(line_segments(&lines, 0).collect());
        small[at]
            .0
            .iter()
            .all(|&c| edges.distance(c, 2.0 * strip_m).is_none())
    };
    let apart: Vec<bool> = (0..small.len()).map(far).collect();
    let mut interiors = others.clone();
    let mut holes = Vec::new();
    for (ring, apart) in small.iter().zip(apart) {
        match apart {
            true => holes.push(Polygon::new(ring.clone(), vec![])),
            false => interiors.push(ring.clone()),
        }
    }
    let filled = Polygon::new(setting.exterior().clone(), interiors);
    (filled, oriented(MultiPolygon(holes)).0)
}

/// Boxes of trees and other small things that layer `retain` has.
fn small_kept(ground: &Ground, strip_m: f64) -> Vec<Bounds> {
    let kept = ground.zones.list.iter().filter(|zone| zone.kept.is_some());
    kept.flat_map(|zone| &zone.shape.0)
        .map(|polygon| Bounds::of(&polygon.exterior().0))
        .filter(|b| is_small(b, strip_m))
        .collect()
}

/// Whether a thing takes less ground across than a strip, so that a machine works past it.
pub fn is_small(bounds: &Bounds, strip_m: f64) -> bool {
    (bounds.max.x - bounds.min.x).max(bounds.max.y - bounds.min.y) < strip_m
}

/// Larger ground between passes has strips of its own, whatever the passes reach.
const NARROW_M2: f64 = 1_000.0;
/// What of such ground is left beyond reach at its corners is beyond reach of strips too.
const BEYOND_M2: f64 = 0.5;

/// Takes ground between passes that these reach altogether out of the interior: it is cut from them. `reach` is what lines
/// reach, if that is known already.
fn within_reach(
    context: Context<'_>,
    interior: &mut MultiPolygon,
    (lines, reach): (&[LineString], &OnceCell<Vec<Polygon>>),
) -> cover::Reached {
    let reach_m = context.settings.machine.reach_m;
    let mut narrow = cover::Reached {
        within: MultiPolygon(vec![]),
        beyond: MultiPolygon(vec![]),
    };
    interior.0.retain(|polygon| {
        if polygon_area(polygon) >= NARROW_M2 {
            return true;
        }
        let own = MultiPolygon(vec![polygon.clone()]);
        let reach = reach.get_or_init(|| cover::reach_of(context.engines, lines, reach_m));
        let divided = cover::by_reach(&own, reach);
        if area(&divided.beyond) >= BEYOND_M2 {
            return true;
        }
        narrow.within.0.extend(divided.within.0);
        narrow.beyond.0.extend(divided.beyond.0);
        false
    });
    narrow
}

/// What a pass leaves beside ground of strips is theirs, as far as they reach it: their machines come through it. Whether
/// there is any.
fn give_to_strips(
    interior: &mut MultiPolygon,
    left: [&mut Vec<Polygon>; 2],
    sliver_m2: f64,
) -> bool {
    if interior.0.is_empty() || left.iter().all(|left| left.is_empty()) {
        return false;
    }
    let edge = SegmentIndex::of_boundary(interior);
    let beside = |polygon: &Polygon| {
        polygon_segments(polygon).any(|s| edge.approach(s.a, s.b, ON_EDGE_M).is_some())
    };
    let [beyond_reach, slivers] = left;
    let mut given: Vec<Polygon> = Vec::new();
    for left in [beyond_reach, &mut *slivers] {
        let (own, others): (Vec<Polygon>, Vec<Polygon>) = left.drain(..).partition(beside);
        given.extend(own);
        *left = others;
    }
    if given.is_empty() {
        return false;
    }
    let all = union(&interior.0.drain(..).chain(given).collect::<Vec<Polygon>>());
    for polygon in all.0 {
        match polygon_area(&polygon) >= sliver_m2 {
            true => interior.0.push(polygon),
            false => slivers.push(polygon),
        }
    }
    true
}

/// What lines may come nearer to an edge by the roundings of their ways.
const HAIR_M: f64 = 0.01;

/// Edges this near to an outline lie on it.
const ON_EDGE_M: f64 = 0.02;

/// What of an outline lies along none of the others.
pub fn not_beside(rim: &MultiLineString, others: &[&Polygon]) -> MultiLineString {
    if others.is_empty() {
        return rim.clone();
    }
    let index = SegmentIndex::new(
        others
            .iter()
            .flat_map(|other| polygon_segments(other))
            .collect(),
    );
    let mut kept: Vec<LineString> = Vec::new();
    for w in rim.0.iter().flat_map(|line| line.0.windows(2)) {
        let middle = (w[0] + w[1]) / 2.0;
        if index.distance(middle, ON_EDGE_M).is_some() {
            continue;
        }
        match kept.last_mut() {
            Some(line) if line.0.last() == Some(&w[0]) => line.0.push(w[1]),
            _ => kept.push(LineString(w.to_vec())),
        }
    }
    MultiLineString(kept)
}
