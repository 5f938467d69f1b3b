//! Cuts a feature down to what is near a block: whole segments of lines, polygons clipped to a window.

use geo::{Coord, LineString, MultiLineString, MultiPolygon};

use super::slope::Slopes;
use super::stretches::{self, Stretch};
use super::{Demand, Entry};
use crate::geometry::area::Bounds;
use crate::geometry::buffer::Source;
use crate::geometry::distance::share_along;
use crate::geometry::overlay;
use crate::geometry::window::Half;
use crate::model::{Feature, GroundFrame, LayerKind, Shape};
use crate::rulebook::{RuleLine, Widths};

/// Segments and polygons that reach farther beyond what is near are cut off: overlays round to a share of all coordinates.
const FAR_M: f64 = 10_000.0;

/// A feature as one block sees it, in the block's local frame.
#[derive(Clone)]
pub struct NearFeature<'a> {
    pub feature: &'a Feature,
    pub demand: Demand<'a>,
    /// What of it is near; long lines and large polygons are cut off beyond the widest rule.
    pub source: Source,
    /// Where its distances follow the slope: stretches of its edge, each with what it asks for. Empty: the widest
    /// distances all along.
    pub stretches: Vec<Stretch>,
    /// What of its edge lies on ground whose slope is not known, though its distances follow the slope.
    pub slope_unknown: Option<Source>,
}

impl NearFeature<'_> {
    /// Whether the ground within its rule's distances is kept: water, protected ground, and roads whose rule asks for
    /// something to be left beside them.
    pub fn keeps_out(&self) -> bool {
        match self.feature.kind {
            LayerKind::Streams
            | LayerKind::Lakes
            | LayerKind::Wetlands
            | LayerKind::Protected
            | LayerKind::PowerLines => true,
            LayerKind::Roads => self.demand.asks_for_something(),
            LayerKind::Retain => self.feature.stays(),
            _ => false,
        }
    }

    /// Where it is kept off whatever its rule asks, and how far, if anywhere farther than the rule does: a stream drawn as
    /// a line that is known too little of. Crossings, once they are mapped, are to be taken out of the line here.
    pub fn barrier(&self) -> Option<(&Source, f64)> {
        let least_m = self.demand.rule.map_or(0.0, RuleLine::least_reserve_m);
        let barrier_m = self.demand.barrier_beyond(least_m)?;
        Some((&self.source, barrier_m))
    }

    /// Of a power line: whether anybody says that its owner agreed, with a source or without.
    pub fn said_agreed(&self) -> bool {
        super::power_lines::said_agreed(&self.feature.facts)
    }

    /// Whether wood may come to it and nothing may stand beside it: a road, unless its own rule asks otherwise.
    pub fn is_open_road(&self) -> bool {
        self.feature.kind == LayerKind::Roads && !self.demand.asks_for_something()
    }

    /// Whether wood may be decked along it: an open road, unless it is said that none may.
    pub fn takes_wood(&self) -> bool {
        self.feature.kind == LayerKind::Roads && self.demand.takes_wood()
    }

    /// Whether machines may run on it and cross it: an open road, unless it is said that they may not.
    pub fn takes_machines(&self) -> bool {
        self.is_open_road() && self.demand.road_use.machines != Some(false)
    }

    /// Whether trees on its cleared width are still to be felled by the machine.
    pub fn is_to_be_cleared(&self) -> bool {
        self.takes_machines() && self.demand.road_use.cleared != Some(true)
    }

    /// Cuts its edge into stretches where its rule follows the slope.
    pub fn follow(&mut self, slopes: &Slopes) {
        if let Some(rule) = self.demand.rule.filter(|rule| rule.follows_slope()) {
            let cut = stretches::cut(&self.source, rule, slopes);
            self.stretches = cut.stretches;
            self.slope_unknown = cut.unknown;
        }
    }

    /// Every stretch with its distances; at least one.
    pub fn stretches(&self) -> impl Iterator<Item = (&Source, Widths)> {
        let whole = self
            .stretches
            .is_empty()
            .then(|| (&self.source, self.demand.widest()));
        let parts = self
            .stretches
            .iter()
            .map(|stretch| (&stretch.source, self.demand.own(stretch.widths)));
        whole.into_iter().chain(parts)
    }
}

pub(super) fn cut_down(
    feature: &Feature,
    run: &[Entry],
    frame: &GroundFrame,
    window: &Bounds,
) -> Option<Source> {
    let there = &window.leaving(frame);
    let source = match &feature.shape {
        Shape::Points(points) => {
            let near = run.iter().map(|entry| points.0[entry.member as usize].0);
            Source::Points(
                near.filter(|p| there.meets(&Bounds::of([p])))
                    .map(|c| frame.enter(c))
                    .collect(),
            )
        }
        Shape::Lines(lines) => {
            let mut near: Vec<LineString> = Vec::new();
            let mut current: Vec<Coord> = Vec::new();
            let mut expected = None;
            let far = window.grown(FAR_M).leaving(frame);
            for entry in run {
                let coords = &lines.0[entry.member as usize].0;
                if expected != Some((entry.member, entry.from)) {
                    flush(frame, &mut current, &mut near);
                }
                for w in coords[entry.from as usize..=entry.to as usize].windows(2) {
                    if !Bounds::of(w).meets(there) {
                        flush(frame, &mut current, &mut near);
                    } else if !far.holds(&Bounds::of(w)) {
                        flush(frame, &mut current, &mut near);
                        let kept = clipped([w[0], w[1]], &far);
                        near.extend(kept.map(|ends| frame.enter_line(&LineString(ends.to_vec()))));
                    } else {
                        if current.is_empty() {
                            current.push(w[0]);
                        }
                        current.push(w[1]);
                    }
                }
                expected = Some((entry.member, entry.to));
            }
            flush(frame, &mut current, &mut near);
            Source::Lines(MultiLineString(near))
        }
        Shape::Polygons(polygons) => {
            let near = run
                .iter()
                .map(|entry| frame.enter_polygon(&polygons.0[entry.member as usize]))
                .collect();
            Source::Polygons(within(MultiPolygon(near), window))
        }
    };
    (!source.is_empty()).then_some(source)
}

/// What of polygons lies in a box.
fn within(polygons: MultiPolygon, window: &Bounds) -> MultiPolygon {
    let bounds = Bounds::of_polygons(&polygons);
    if window.holds(&bounds) {
        return polygons;
    }
    let far = window.grown(FAR_M);
    let polygons = if far.holds(&bounds) {
        polygons
    } else {
        let sides = [
            Half::LeftOf(far.max.x),
            Half::RightOf(far.min.x),
            Half::Below(far.max.y),
            Half::Above(far.min.y),
        ];
        let cut = sides.iter().fold(polygons.0, |rest, side| side.of(&rest));
        MultiPolygon(cut)
    };
    overlay::intersection(&polygons, &[window.to_polygon()])
}

/// What of a segment lies in a box (Liang & Barsky 1984).
fn clipped([a, b]: [Coord; 2], within: &Bounds) -> Option<[Coord; 2]> {
    let d = b - a;
    let (mut from, mut to) = (0.0f64, 1.0f64);
    for (along, room) in [
        (-d.x, a.x - within.min.x),
        (d.x, within.max.x - a.x),
        (-d.y, a.y - within.min.y),
        (d.y, within.max.y - a.y),
    ] {
        if along < 0.0 {
            from = from.max(room / along);
        } else if along > 0.0 {
            to = to.min(room / along);
        } else if room < 0.0 {
            return None;
        }
    }
    let at = |share: f64| match share {
        0.0 => a,
        1.0 => b,
        _ => a + d * share,
    };
    (from < to).then(|| [at(from), at(to)])
}

fn flush(frame: &GroundFrame, current: &mut Vec<Coord>, near: &mut Vec<LineString>) {
    if !current.is_empty() {
        near.push(frame.enter_line(&LineString(std::mem::take(current))));
    }
}

/// The point of an indexed stretch nearest to `from`, and its distance, both in the frame; polygons count by their
/// outline.
pub(super) fn nearest_point(
    feature: &Feature,
    entry: &Entry,
    frame: &GroundFrame,
    from: Coord,
) -> (Coord, f64) {
    let member = entry.member as usize;
    let coords: &[Coord] = match &feature.shape {
        Shape::Points(points) => std::slice::from_ref(&points.0[member].0),
        Shape::Lines(lines) => &lines.0[member].0[entry.from as usize..=entry.to as usize],
        Shape::Polygons(polygons) => &polygons.0[member].exterior().0,
    };
    let coords = frame.enter_line(&LineString(coords.to_vec())).0;
    let mut best = (coords[0], f64::INFINITY);
    let single = [coords[0], coords[0]];
    let pairs = if coords.len() == 1 {
        single.windows(2)
    } else {
        coords.windows(2)
    };
    for w in pairs {
        let point = w[0] + (w[1] - w[0]) * share_along(from, w[0], w[1]);
        let distance = (from.x - point.x).hypot(from.y - point.y);
        if distance < best.1 {
            best = (point, distance);
        }
    }
    best
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::area::area;
    use geo::Polygon;

    /// By hand: below the line y = 0.75 x + 100.0371 lie 475,037.1 m2 of a square of 1 km.
    #[test]
    fn a_corner_far_away_does_not_move_the_edge_that_leads_there() {
        let on_line = |x: f64| (x, 0.75 * x + 100.0371);
        let far = LineString::from(vec![
            on_line(-1000.013),
            (-1000.013, -1e7),
            (4e7, -1e7),
            on_line(4e7),
            on_line(-1000.013),
        ]);
        let polygon = Polygon::new(far, vec![]);
        let window = Bounds::of(&[(0.0, 0.0).into(), (1e3, 1e3).into()]);
        let near = within(MultiPolygon(vec![polygon]), &window);
        let off_m2 = area(&near) - 475_037.1;
        assert!(off_m2.abs() < 0.05, "{off_m2}");
    }

    #[test]
    fn segments_are_cut_off_at_the_box() {
        let within = Bounds::of(&[Coord { x: 0.0, y: 0.0 }, Coord { x: 10.0, y: 10.0 }]);
        let cut = |a: (f64, f64), b: (f64, f64)| clipped([a.into(), b.into()], &within);
        let ends = |a: (f64, f64), b: (f64, f64)| Some([a.into(), b.into()]);
        assert_eq!(cut((2., 3.), (4., 5.)), ends((2., 3.), (4., 5.)));
        assert_eq!(cut((-10., 5.), (30., 5.)), ends((0., 5.), (10., 5.)));
        assert_eq!(cut((5., 5.), (5., 1e9)), ends((5., 5.), (5., 10.)));
        assert_eq!(cut((-5., 0.), (5., 10.)), ends((0., 5.), (5., 10.)));
        assert_eq!(cut((-5., 6.), (5., 16.)), None);
        assert_eq!(cut((-5., 11.), (50., 11.)), None);
    }
}
