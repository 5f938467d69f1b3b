//! Which ground of a block can be reached, and what its wood may be brought to.

use std::cell::LazyCell;

use geo::{Coord, LineString, MultiPolygon, Polygon};

use super::Context;
use super::cut_off;
use super::ground::Ground;
use super::outlets::{Outlet, Roads};
use crate::geometry::area::polygon_area;
use crate::geometry::distance::{
    Segment, SegmentIndex, inside_polygon, point_segment, polygon_segments, share_along,
};
use crate::landbase::{Crossing, NearFeature};
use crate::model::{OutletKind, SourceBlock, Unworked, UnworkedReason};

/// A crossing that ends this near to ground leads onto it.
const ONTO_M: f64 = 2.0;

/// Sets aside what is too small to be worked, and what no machine gets to. Gives the outlets of each part that is left,
/// in their order: ground behind a crossing comes after what leads there.
pub fn open_up(
    context: Context<'_>,
    source: &SourceBlock,
    ground: &mut Ground,
    block: &MultiPolygon,
    near: &[NearFeature],
    roads: &Roads,
) -> Vec<Vec<Outlet>> {
    let parts = std::mem::take(&mut ground.parts);
    let least_m2 = context.settings.layout.least_part_m2;
    let (parts, small): (Vec<Polygon>, Vec<Polygon>) = parts
        .into_iter()
        .partition(|part| polygon_area(part) >= least_m2);
    let mut open: Vec<(Polygon, Vec<Outlet>)> = Vec::new();
    let mut shut: Vec<Polygon> = Vec::new();
    let out = LazyCell::new(|| cut_off::WaysOut::new(ground, near));
    for part in parts {
        let outlets = roads.outlets(context, ground, &part);
        if !outlets.is_empty() {
            open.push((part, outlets));
            continue;
        }
        match cut_off::access(context, source, &out, &part) {
            Ok(access) => open.push((part, access.into_iter().collect())),
            Err(cut_off::CutOff) => shut.push(part),
        }
    }
    cross(context, ground, near, &mut open, &mut shut);
    let reachable: Vec<&Polygon> = open.iter().map(|(part, _)| part).collect();
    let told = (shut.as_slice(), reachable.as_slice());
    let findings = cut_off::findings(context, ground, (source, block), near, told);
    ground.zones.findings.extend(findings);
    let unworked = |reason| {
        move |shape| Unworked {
            part: 0,
            reason,
            shape,
        }
    };
    let small = small.into_iter().map(unworked(UnworkedReason::SmallPart));
    ground.unworked.extend(small);
    let shut = shut.into_iter().map(unworked(UnworkedReason::CutOff));
    ground.unworked.extend(shut);
    let (parts, outlets) = open.into_iter().unzip();
    ground.parts = parts;
    outlets
}

/// Opens ground by crossings, from one part to the next.
fn cross(
    context: Context<'_>,
    ground: &Ground,
    near: &[NearFeature],
    open: &mut Vec<(Polygon, Vec<Outlet>)>,
    shut: &mut Vec<Polygon>,
) {
    if ground.crossings.is_empty() || shut.is_empty() {
        return;
    }
    let open_roads = near.iter().filter(|near| near.takes_wood());
    let roads: Vec<Segment> = open_roads
        .flat_map(|near| near.source.segments(0))
        .collect();
    let roads = SegmentIndex::new(roads);
    let beside_m =
        context.settings.layout.frontage_distance_m + context.settings.layout.road_width_m;
    // From a crossing's far end to where wood is decked.
    let onward = |end: Coord, open: &[(Polygon, Vec<Outlet>)]| -> Option<LineString> {
        let to_road = roads.near(end, end, beside_m).map(|s| {
            let at = s.a + (s.b - s.a) * share_along(end, s.a, s.b);
            LineString(vec![end, at])
        });
        let over = open.iter().filter(|(part, _)| leads_onto(end, part));
        let over = over.flat_map(|(_, outlets)| outlets).filter_map(|outlet| {
            let mut way = vec![end, outlet.nearest(end)?];
            way.extend(
                outlet
                    .beyond
                    .iter()
                    .flat_map(|beyond| beyond.0.iter().skip(1)),
            );
            Some(LineString(way))
        });
        let ways = to_road.chain(over);
        let length = |way: &LineString| crate::geometry::area::length(way);
        ways.reduce(|a, b| if length(&b) < length(&a) { b } else { a })
    };
    loop {
        let mut opened: Vec<(usize, Outlet)> = Vec::new();
        for (at, part) in shut.iter().enumerate() {
            let over = ground.crossings.iter().flat_map(ends);
            let over =
                over.filter(|(_, line)| line.0.first().is_some_and(|&end| leads_onto(end, part)));
            let outlets = over.filter_map(|(crossing, line)| {
                let far = *line.0.last()?;
                let mut way = line.0.clone();
                way.extend(onward(far, open)?.0.into_iter().skip(1));
                Some(Outlet {
                    beyond: Some(LineString(way)),
                    ..Outlet::place(OutletKind::Crossing, crossing.id.clone(), line.0[0])
                })
            });
            opened.extend(outlets.map(|outlet| (at, outlet)));
        }
        if opened.is_empty() {
            return;
        }
        let mut left = Vec::new();
        for (at, part) in std::mem::take(shut).into_iter().enumerate() {
            let own = opened.iter().filter(|(of, _)| *of == at);
            let outlets: Vec<Outlet> = own.map(|(_, outlet)| outlet.clone()).collect();
            if outlets.is_empty() {
                left.push(part);
            } else {
                open.push((part, outlets));
            }
        }
        *shut = left;
    }
}

/// A crossing from either end.
fn ends(crossing: &Crossing) -> [(&Crossing, LineString); 2] {
    let mut back = crossing.line.clone();
    back.0.reverse();
    [(crossing, crossing.line.clone()), (crossing, back)]
}

fn leads_onto(end: Coord, part: &Polygon) -> bool {
    let beside = || polygon_segments(part).any(|s| point_segment(end, s.a, s.b) <= ONTO_M);
    inside_polygon(end, part) || beside()
}
