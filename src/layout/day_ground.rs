//! Ground that is worked by day only, by reason, whatever is laid on it.

use std::cell::LazyCell;

use geo::{Coord, LineString, MultiLineString, MultiPolygon, Polygon};

use super::Context;
use super::ground::Ground;
use super::steep::UnknownSlope;
use super::strips::Part;
use crate::geometry::area::Bounds;
use crate::geometry::buffer::Source;
use crate::geometry::distance::{SegmentIndex, point_segment, polygon_segments, share_along};
use crate::geometry::frame::Frame;
use crate::geometry::overlay::{boundary, clip_lines, intersection, oriented};
use crate::model::{DayReason, UnworkedReason};

/// Edges agree with the outlines they came from to this.
const SAME_LINE_M: f64 = 0.02;
/// A pass this near to an edge lies along it.
const BESIDE_M: f64 = 0.3;
/// A pass narrower than this, pinched between an edge and a road, keeps nobody off that edge.
const PINCHED_M: f64 = 2.0;
/// Edges at pinched passes are looked at in steps of this length.
const STEP_M: f64 = 0.5;

/// So many edges of ground that is left cost more to draw around than to look at.
const MANY_EDGES: usize = 500;
/// Of the distance to an edge: nothing is drawn around it so far off.
const BEYOND_SHARE: f64 = 1.1;

/// Day-only ground of a block or of one of its parts; the boundary pass, day-only throughout, is not in it.
#[derive(Default)]
pub struct DayGround {
    areas: Vec<DayArea>,
    /// Reasons that hold everywhere.
    everywhere: Vec<DayReason>,
    /// Ground under each window that holds on some ground only.
    windows: Vec<Bounded>,
}

struct DayArea {
    reason: DayReason,
    polygons: Bounded,
}

/// Polygons with their boxes.
struct Bounded(Vec<(Polygon, Bounds)>);

impl Bounded {
    fn new(polygons: Vec<Polygon>) -> Bounded {
        let bounded = |polygon: Polygon| {
            let bounds = Bounds::of(&polygon.exterior().0);
            (polygon, bounds)
        };
        Bounded(polygons.into_iter().map(bounded).collect())
    }

    fn meeting(&self, bounds: &Bounds) -> Vec<Polygon> {
        let near = self.0.iter().filter(|(_, own)| own.meets(bounds));
        near.map(|(polygon, _)| polygon.clone()).collect()
    }
}

impl DayArea {
    fn new(reason: DayReason, polygons: Vec<Polygon>) -> Option<DayArea> {
        (!polygons.is_empty()).then(|| DayArea {
            reason,
            polygons: Bounded::new(polygons),
        })
    }

    fn meeting(&self, bounds: &Bounds) -> Vec<Polygon> {
        self.polygons.meeting(bounds)
    }
}

/// Reasons that lie in the slope of the land, which say nothing of a built road.
fn of_slope(reason: DayReason) -> bool {
    matches!(reason, DayReason::Steep | DayReason::UnknownSlope)
}

impl DayGround {
    /// Of a whole block, in its frame.
    pub fn of(
        context: Context<'_>,
        ground: &Ground,
        parts: &[Part],
        block: &MultiPolygon,
    ) -> DayGround {
        let edge_m = context.settings.layout.edge_distance_m;
        let mut areas = Vec::new();
        if edge_m > 0.0 {
            for (reason, edges) in bare_edges(context, ground, parts, block) {
                let near = context.engines.no_less(&Source::Lines(edges), edge_m);
                areas.extend(DayArea::new(reason, oriented(near).0));
            }
        }
        let zones = &ground.zones;
        for (reason, polygons) in [
            (DayReason::Brush, &zones.brush),
            (DayReason::SoftGround, &zones.soft),
            (DayReason::MayBeWet, &zones.wet),
            (DayReason::Hazard, &zones.hazard),
            (DayReason::Steep, &ground.steep_by_night),
        ] {
            areas.extend(DayArea::new(reason, polygons.clone()));
        }
        if context.settings.layout.large_trees_day_only {
            areas.extend(DayArea::new(
                DayReason::LargeTrees,
                large_trees(context, ground),
            ));
        }
        let mut everywhere = vec![];
        match &ground.unknown_slope {
            UnknownSlope::Everywhere => everywhere.push(DayReason::UnknownSlope),
            UnknownSlope::On(polygons) => {
                areas.extend(DayArea::new(DayReason::UnknownSlope, polygons.clone()));
            }
        }
        DayGround {
            areas,
            everywhere,
            windows: vec![],
        }
    }

    /// The same with ground on which windows hold: it is parted from other ground, too.
    pub fn with_windows(mut self, grounds: Vec<Vec<Polygon>>) -> DayGround {
        self.windows = grounds.into_iter().map(Bounded::new).collect();
        self
    }

    /// Where ground under windows begins and ends along an upright piece of this part's frame.
    pub fn under_windows(&self, piece: &MultiPolygon) -> Vec<(f64, f64, usize)> {
        let bounds = Bounds::of_polygons(piece);
        let mut found = Vec::new();
        for (window, ground) in self.windows.iter().enumerate() {
            for part in intersection(piece, &ground.meeting(&bounds)).0 {
                let bounds = Bounds::of(&part.exterior().0);
                found.push((bounds.min.y, bounds.max.y, window));
            }
        }
        found
    }

    /// What of it lies in the interior of a part, in the part's turned frame.
    pub fn turned(&self, frame: &Frame, interior: &MultiPolygon) -> DayGround {
        let bounds = Bounds::of_polygons(interior);
        let within = |area: &DayArea| {
            let here = intersection(interior, &area.meeting(&bounds));
            DayArea::new(area.reason, frame.enter_polygons(&here).0)
        };
        DayGround {
            areas: self.areas.iter().filter_map(within).collect(),
            everywhere: self.everywhere.clone(),
            windows: (self.windows.iter())
                .map(|ground| {
                    let here = intersection(interior, &ground.meeting(&bounds));
                    Bounded::new(frame.enter_polygons(&here).0)
                })
                .collect(),
        }
    }

    /// The day-only ground of a shape, by the reasons that count there.
    fn within(
        &self,
        shape: &MultiPolygon,
        counts: impl Fn(DayReason) -> bool,
    ) -> Vec<(DayReason, MultiPolygon)> {
        let bounds = Bounds::of_polygons(shape);
        let areas = self.areas.iter().filter(|area| counts(area.reason));
        let met = areas.filter_map(|area| {
            let here = intersection(shape, &area.meeting(&bounds));
            (!here.0.is_empty()).then_some((area.reason, here))
        });
        met.collect()
    }

    /// Of cleared road ground: all but what the slope of the land makes day-only.
    pub fn on_road(&self, shape: &MultiPolygon) -> Vec<(DayReason, MultiPolygon)> {
        self.within(shape, |reason| !of_slope(reason))
    }

    /// Of a boundary pass: all but the edges, at which it lies by its nature.
    pub fn on_pass(&self, shape: &MultiPolygon) -> Vec<(DayReason, MultiPolygon)> {
        let mut found = self.within(shape, |reason| !of_edge(reason));
        let all = |&reason: &DayReason| (reason, shape.clone());
        found.extend(self.everywhere.iter().map(all));
        found
    }

    /// Stretches of a piece along y that lie beside day-only ground, in the turned frame.
    pub fn stretches(&self, piece: &MultiPolygon) -> Vec<(f64, f64, DayReason)> {
        let bounds = Bounds::of_polygons(piece);
        let (low, high) = (bounds.min.y, bounds.max.y);
        let mut found: Vec<(f64, f64, DayReason)> = Vec::new();
        for (reason, here) in self.within(piece, |_| true) {
            for part in here.0 {
                let bounds = Bounds::of(&part.exterior().0);
                found.push((bounds.min.y, bounds.max.y, reason));
            }
        }
        found.extend(self.everywhere.iter().map(|&reason| (low, high, reason)));
        found
    }
}

fn of_edge(reason: DayReason) -> bool {
    matches!(
        reason,
        DayReason::NearBoundary
            | DayReason::NearReserve
            | DayReason::NearTooSteep
            | DayReason::NearSoftGround
            | DayReason::NearRetainedBand
    )
}

/// What an edge lies on.
struct Outlines {
    on: Vec<(DayReason, SegmentIndex)>,
}

impl Outlines {
    fn new(ground: &Ground, block: &MultiPolygon) -> Outlines {
        let left = |reasons: &[UnworkedReason]| -> MultiPolygon {
            let left = (ground.unworked.iter()).filter(|u| reasons.contains(&u.reason));
            MultiPolygon(left.map(|u| u.shape.clone()).collect())
        };
        let on = [
            (DayReason::NearBoundary, block.clone()),
            (
                DayReason::NearReserve,
                MultiPolygon(ground.zones.uncut().into_owned()),
            ),
            (
                DayReason::NearTooSteep,
                left(&[UnworkedReason::TooSteep, UnworkedReason::SteepEdge]),
            ),
            (
                DayReason::NearSoftGround,
                left(&[UnworkedReason::SoftGround]),
            ),
            (DayReason::NearRetainedBand, ground.retained_bands.clone()),
        ];
        let on = on.into_iter().filter(|(_, shape)| !shape.0.is_empty());
        Outlines {
            on: on
                .map(|(reason, shape)| (reason, SegmentIndex::of_boundary(&shape)))
                .collect(),
        }
    }

    /// The edge in pieces, each beside one thing: an edge may run on where what lies beyond it ends.
    fn pieces(&self, a: Coord, b: Coord) -> Vec<[Coord; 2]> {
        let length_m = (b - a).x.hypot((b - a).y);
        let mut cuts_m: Vec<f64> = (self.on.iter())
            .flat_map(|(_, index)| index.near(a, b, SAME_LINE_M))
            .flat_map(|beyond| [beyond.a, beyond.b])
            .filter(|&corner| point_segment(corner, a, b) <= SAME_LINE_M)
            .map(|corner| share_along(corner, a, b) * length_m)
            .collect();
        cuts_m.sort_by(f64::total_cmp);
        let mut at_m = vec![0.0];
        for cut_m in cuts_m {
            if cut_m - at_m[at_m.len() - 1] > SAME_LINE_M && length_m - cut_m > SAME_LINE_M {
                at_m.push(cut_m);
            }
        }
        let mut places: Vec<Coord> = (at_m.iter())
            .map(|m| a + (b - a) * (m / length_m.max(f64::MIN_POSITIVE)))
            .collect();
        places[0] = a;
        places.push(b);
        places.windows(2).map(|w| [w[0], w[1]]).collect()
    }

    /// None of an edge that ground to be worked lies on both sides of: a strip beside cleared road ground.
    fn reason(&self, [a, b]: [Coord; 2]) -> Option<DayReason> {
        let middle = (a + b) / 2.0;
        let on = |(_, index): &&(DayReason, SegmentIndex)| {
            index.approach(middle, middle, SAME_LINE_M).is_some()
        };
        self.on.iter().find(on).map(|(reason, _)| *reason)
    }
}

/// Edges of the ground to be worked, by what lies beyond, that no boundary pass as wide as `edge_distance` lies along.
fn bare_edges(
    context: Context<'_>,
    ground: &Ground,
    parts: &[Part],
    block: &MultiPolygon,
) -> Vec<(DayReason, MultiLineString)> {
    let settings = context.settings;
    let wide = settings.machine.strip_width_m() >= settings.layout.edge_distance_m;
    let mut rims: Vec<MultiLineString> = vec![boundary(&ground.clearing)];
    let others = LazyCell::new(|| {
        let strips = parts.iter().flat_map(|part| &part.pass.interior.0);
        let others = strips.chain(&ground.clearing.0).flat_map(polygon_segments);
        SegmentIndex::new(others.collect())
    });
    for part in parts {
        // Lines to other settings lie on no outline, and count for nothing below.
        let rim = boundary(&MultiPolygon(vec![part.shape.clone()]));
        // Without a boundary pass there is no way through it.
        let has_pass = part.pass.skeleton.is_some();
        if has_pass && wide {
            // Along roads, and where the pass leaves crumbs to the strips, these come to the edge.
            let band = Source::Polygons(part.pass.band.clone());
            let beside = oriented(context.engines.plain(&band, BESIDE_M));
            rims.push(clip_lines(&rim, &beside.0, false));
            rims.push(pinched(&clip_lines(&rim, &beside.0, true), &others));
        } else {
            rims.push(rim);
        }
    }
    let slivers = ground.unworked.iter();
    // Ground that is not worked has edges as well, and no pass along them.
    let slivers = slivers.filter(|unworked| {
        matches!(
            unworked.reason,
            UnworkedReason::Sliver
                | UnworkedReason::SmallPart
                | UnworkedReason::CutOff
                | UnworkedReason::Road
        )
    });
    let slivers = slivers.map(|unworked| unworked.shape.clone());
    let mut left = boundary(&MultiPolygon(slivers.collect()));
    if left.0.iter().map(|ring| ring.0.len()).sum::<usize>() > MANY_EDGES {
        // Beside most of them nobody works.
        let edge_m = BEYOND_SHARE * settings.layout.edge_distance_m;
        let is_near =
            |w: &&[Coord]| others.approach(w[0], w[1], edge_m).is_some() || others.holds(w[0]);
        let near = left
            .0
            .iter()
            .flat_map(|ring| ring.0.windows(2))
            .filter(is_near);
        let mut kept = Vec::new();
        near.for_each(|w| push_edge(&mut kept, LineString(w.to_vec())));
        left = MultiLineString(kept);
    }
    rims.push(left);
    // No pass was laid along what came later, nor around what is left instead of retention that was cut.
    rims.push(boundary(&ground.came_later.gone));
    rims.push(boundary(&ground.made_up));
    let outlines = Outlines::new(ground, block);
    let mut found: Vec<(DayReason, MultiLineString)> = Vec::new();
    for w in rims
        .iter()
        .flat_map(|rim| &rim.0)
        .flat_map(|line| line.0.windows(2))
        .flat_map(|w| outlines.pieces(w[0], w[1]))
    {
        let Some(reason) = outlines.reason(w) else {
            continue;
        };
        let edge = LineString(w.to_vec());
        match found.iter_mut().find(|(own, _)| *own == reason) {
            Some((_, lines)) => push_edge(&mut lines.0, edge),
            None => found.push((reason, MultiLineString(vec![edge]))),
        }
    }
    found.sort_by_key(|(reason, _)| *reason);
    found
}

/// Stands with trees beyond the head's capacity.
fn large_trees(context: Context<'_>, ground: &Ground) -> Vec<Polygon> {
    let Some(most_m) = context.settings.machine.head_most_m else {
        return vec![];
    };
    let stands = ground.zones.stands.iter().filter(|near| {
        let table = near.feature.trees.as_ref();
        table.is_some_and(|table| table.from(most_m).stems > 0.0)
    });
    let shapes = stands.filter_map(|near| match &near.source {
        Source::Polygons(polygons) => Some(polygons.iter().cloned()),
        _ => None,
    });
    shapes.flatten().collect()
}

/// What of edges beside a pass is so near to other ground that hardly any of the pass lies between.
fn pinched(edges: &MultiLineString, others: &SegmentIndex) -> MultiLineString {
    let near = |w: &&[Coord]| others.approach(w[0], w[1], PINCHED_M).is_some();
    let mut found = Vec::new();
    for w in edges
        .0
        .iter()
        .flat_map(|line| line.0.windows(2))
        .filter(near)
    {
        let d = w[1] - w[0];
        let steps = (d.x.hypot(d.y) / STEP_M).ceil().max(1.0) as u32;
        let at = |step: u32| w[0] + d * (f64::from(step) / f64::from(steps));
        for (a, b) in (0..steps).map(|step| (at(step), at(step + 1))) {
            if others.approach(a, b, PINCHED_M).is_some() {
                push_edge(&mut found, LineString(vec![a, b]));
            }
        }
    }
    MultiLineString(found)
}

/// Adds an edge, to the last one where it goes on from there.
fn push_edge(lines: &mut Vec<LineString>, edge: LineString) {
    match lines.last_mut() {
        Some(last) if last.0.last() == edge.0.first() => last.0.extend(edge.0.into_iter().skip(1)),
        _ => lines.push(edge),
    }
}

#[cfg(test)]
mod tests {
    use geo::{Euclidean, Length, polygon};

    use super::*;

    #[test]
    fn an_edge_that_runs_on_past_steep_ground_counts_only_beside_it() {
        let steep = MultiPolygon(vec![
            polygon![(x: 0.0, y: 0.0), (x: 10.0, y: 0.0), (x: 10.0, y: -5.0), (x: 0.0, y: -5.0)],
        ]);
        let outlines = Outlines {
            on: vec![(DayReason::NearTooSteep, SegmentIndex::of_boundary(&steep))],
        };
        let [a, b] = [Coord { x: 0.0, y: 0.0 }, Coord { x: 16.0, y: 0.0 }];
        let beside = |[a, b]: [Coord; 2]| {
            let reason = outlines.reason([a, b])?;
            (reason == DayReason::NearTooSteep).then(|| Euclidean.length(&geo::Line::new(a, b)))
        };
        let pieces = outlines.pieces(a, b);
        assert_eq!((pieces[0][0], pieces[pieces.len() - 1][1]), (a, b));
        let beside_m: f64 = pieces.into_iter().filter_map(beside).sum();
        assert!((beside_m - 10.0).abs() < 1e-9, "{beside_m}");
        assert_eq!(beside([a, b]), Some(16.0));
    }
}
