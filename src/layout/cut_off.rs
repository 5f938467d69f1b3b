//! Ground that no road or landing can be reached from: what it holds, and which crossing would open it.

use geo::{Coord, Geometry, LineString, MultiPolygon, Polygon};

use super::Context;
use super::ground::Ground;
use super::growth::Growth;
use super::outlets::Outlet;
use crate::geometry::area::{Bounds, polygon_area};
use crate::geometry::distance::{
    Segment, SegmentIndex, inside_polygon, polygon_segments, segment_segment, share_along,
};
use crate::landbase::NearFeature;
use crate::model::{Finding, OutletKind, SourceBlock, Verdict};
use crate::units::hectares;

/// Step along the edge of the ground at which the nearest way out is looked for.
const STEP_M: f64 = 5.0;

/// What ways out of a block lead to and what bars them.
pub struct WaysOut<'g> {
    roads: SegmentIndex,
    /// Edges of ground that no machine may drive on, each with the number of its polygon.
    edges: SegmentIndex,
    off_limits: Vec<(Bounds, &'g Polygon)>,
}

/// Where the engine's arithmetic calls two edges one, their boxes lie no farther apart.
const ROUNDING_M: f64 = 1e-6;

impl<'g> WaysOut<'g> {
    pub fn new(ground: &'g Ground, near: &[NearFeature]) -> WaysOut<'g> {
        let bounded = |polygon: &'g Polygon| (Bounds::of(&polygon.exterior().0), polygon);
        let off_limits: Vec<(Bounds, &Polygon)> = ground.zones.off_limits().map(bounded).collect();
        let edges = (0u32..).zip(&off_limits).flat_map(|(owner, (_, polygon))| {
            polygon_segments(polygon).map(move |s| Segment { owner, ..s })
        });
        WaysOut {
            roads: SegmentIndex::new(road_segments(near)),
            edges: SegmentIndex::new(edges.collect()),
            off_limits,
        }
    }

    /// Whether a straight way between two places crosses ground that no machine may drive on.
    fn is_barred(&self, from: Coord, to: Coord) -> bool {
        let way = Bounds::of(&[from, to]);
        let middle = (from + to) / 2.0;
        let meets = |s: &&Segment| self.off_limits[s.owner as usize].0.meets(&way);
        let crosses = |s: &Segment| segment_segment(from, to, s.a, s.b) == 0.0;
        let around = Bounds::of(&[middle]);
        let mut holding = (self.off_limits.iter())
            .filter(|(bounds, _)| bounds.meets(&way) && bounds.grown(ROUNDING_M).meets(&around));
        (self.edges.near(from, to, ROUNDING_M).filter(meets)).any(crosses)
            || holding.any(|(_, polygon)| inside_polygon(middle, polygon))
    }
}

fn road_segments(near: &[NearFeature]) -> Vec<Segment> {
    let roads = near.iter().filter(|near| near.takes_wood());
    roads.flat_map(|near| near.source.segments(0)).collect()
}

/// Ground that lies nearer is joined already, by a neck.
const NECK_M: f64 = 0.5;
/// Ways that are tried before ground counts as cut off.
const TRIED: usize = 200;
/// Pieces of ground that are cut off are told one by one, the largest first, up to so many; the rest together.
const TOLD: usize = 5;

/// The ground lies behind something that no machine may drive on.
pub struct CutOff;

/// Where wood of ground that touches no road and no landing is brought over other ground: the shortest straight way that
/// no machine exclusion or reserve bars. None where no road or landing is in reach at all.
pub fn access(
    context: Context<'_>,
    block: &SourceBlock,
    out: &WaysOut<'_>,
    part: &Polygon,
) -> Result<Option<Outlet>, CutOff> {
    let search_m = context.settings.layout.access_search_m;
    let place = |at: Coord| Some(Outlet::place(OutletKind::Access, String::new(), at));
    let mut ways: Vec<(f64, Coord, Coord)> = edge_places(part)
        .filter_map(|from| {
            let (off_m, at) = nearest_place(&out.roads, from)?;
            (off_m <= search_m).then_some((off_m, from, at))
        })
        .collect();
    ways.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut tried = ways.iter().take(TRIED);
    if let Some(&(_, _, at)) = tried.find(|(_, from, at)| !out.is_barred(*from, *at)) {
        return Ok(place(at));
    }
    // A landing, or a road farther off.
    let middle = Bounds::of(&part.exterior().0).middle();
    let Some((at, _)) = (context.landbase).nearest_access(&block.frame, middle, search_m) else {
        return if ways.is_empty() {
            Ok(None)
        } else {
            Err(CutOff)
        };
    };
    let edge = SegmentIndex::new(polygon_segments(part).collect());
    let from = nearest_place(&edge, at).map_or(at, |(_, from)| from);
    if out.is_barred(from, at) {
        Err(CutOff)
    } else {
        Ok(place(at))
    }
}

/// Places along the edge of a shape.
fn edge_places(shape: &Polygon) -> impl Iterator<Item = Coord> + '_ {
    polygon_segments(shape).flat_map(|s| {
        let step = s.b - s.a;
        let count = (step.x.hypot(step.y) / STEP_M).ceil().max(1.0) as u32;
        (0..count).map(move |k| s.a + step * (f64::from(k) / f64::from(count)))
    })
}

/// The place on any of the segments that is nearest, and how far off.
fn nearest_place(segments: &SegmentIndex, from: Coord) -> Option<(f64, Coord)> {
    let (s, _) = segments.from_nearest(from).next()?;
    let at = s.a + (s.b - s.a) * share_along(from, s.a, s.b);
    Some(((at.x - from.x).hypot(at.y - from.y), at))
}

/// What is said of pieces of ground that are cut off: how much each holds, and the shortest crossing to ground or a road that can be
/// reached.
pub fn findings(
    context: Context<'_>,
    ground: &Ground,
    (source, block): (&SourceBlock, &MultiPolygon),
    near: &[NearFeature],
    (shut, reachable): (&[Polygon], &[&Polygon]),
) -> Vec<Finding> {
    if shut.is_empty() {
        return vec![];
    }
    let mut goals = road_segments(near);
    goals.extend(reachable.iter().flat_map(|part| polygon_segments(part)));
    let goals = SegmentIndex::new(goals);
    let growth = Growth::new(
        &ground.zones.stands,
        &Bounds::of_polygons(block),
        &context.settings.production,
        &context.settings.machine,
    )
    .with_rasters(context.landbase.stand_rasters(), &source.frame);
    let mut pieces: Vec<&Polygon> = shut.iter().collect();
    // Of equal ones the first.
    pieces.sort_by(|a, b| polygon_area(b).total_cmp(&polygon_area(a)));
    // One more would take as many words as the rest together.
    let told = match pieces.len() {
        count if count <= TOLD + 1 => count,
        _ => TOLD,
    };
    let (large, small) = pieces.split_at(told);
    let each = large.iter().map(|shape| finding(shape, &goals, &growth));
    each.chain(of_the_small(small, &growth)).collect()
}

/// Wood on ground in words: ` with 12 m3`; nothing where nobody knows.
fn with_wood(growth: &Growth<'_>, shapes: MultiPolygon) -> String {
    let volume = growth.felled(&shapes, 0.0).and_then(|own| own.volume_m3);
    volume.map_or_else(String::new, |m3| format!(" with {m3:.0} m3"))
}

/// All smaller pieces in one: what they come to, and how much the largest of them is worth a crossing.
fn of_the_small(pieces: &[&Polygon], growth: &Growth<'_>) -> Option<Finding> {
    let largest = pieces.first()?;
    let shapes = MultiPolygon(pieces.iter().map(|&piece| piece.clone()).collect());
    let area_ha: f64 = pieces.iter().map(|own| hectares(polygon_area(own))).sum();
    Some(Finding {
        rule_id: "cut-off".to_owned(),
        verdict: Verdict::Warn,
        measured: Some(area_ha),
        required: Some(0.0),
        unit: "ha",
        message: format!(
            "{} smaller pieces of ground are cut off in the same way, together {area_ha:.2} ha{}; none is larger than {:.2} ha",
            pieces.len(),
            with_wood(growth, shapes.clone()),
            hectares(polygon_area(largest))
        ),
        source: "docs/algorithms.md, Settings".to_owned(),
        shape: Some(Geometry::MultiPolygon(shapes)),
    })
}

fn finding(shape: &Polygon, goals: &SegmentIndex, growth: &Growth<'_>) -> Finding {
    let ways = edge_places(shape).filter_map(|from| {
        let (off_m, to) = nearest_place(goals, from)?;
        Some((off_m, LineString(vec![from, to])))
    });
    let shortest = ways.min_by(|a, b| a.0.total_cmp(&b.0));
    let volume = with_wood(growth, MultiPolygon(vec![shape.clone()]));
    let area_ha = hectares(polygon_area(shape));
    let remedy = match &shortest {
        Some((length_m, _)) if *length_m < NECK_M => {
            "; only a neck narrower than the machine leads there".to_owned()
        }
        Some((length_m, _)) => format!("; a crossing of {length_m:.0} m, as drawn, would open it"),
        None => "; no road or landing is near".to_owned(),
    };
    Finding {
        rule_id: "cut-off".to_owned(),
        verdict: Verdict::Warn,
        measured: Some(area_ha),
        required: Some(0.0),
        unit: "ha",
        message: format!(
            "{area_ha:.2} ha{volume} are cut off from every road and landing by ground that no machine may drive on, and left \
             unworked{remedy}"
        ),
        source: "docs/algorithms.md, Settings".to_owned(),
        shape: match shortest {
            Some((length_m, line)) if length_m >= NECK_M => Some(Geometry::LineString(line)),
            _ => Some(Geometry::Polygon(shape.clone())),
        },
    }
}
