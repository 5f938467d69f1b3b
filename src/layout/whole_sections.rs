//! Sections of what is cut whole and not by a comb, road clearing and boundary pass: divided square to the line driven.

use geo::{ConvexHull, Coord, LineString, MultiLineString, MultiPoint, MultiPolygon, Polygon};

use crate::geometry::area::{Bounds, area, length, polygon_area};
use crate::geometry::distance::{SegmentIndex, inside_polygon, polygon_segments};
use crate::geometry::overlay::{
    clip_lines, difference, inside_and_outside, intersection, joined, shared_area,
};
use crate::model::DayReason;

/// Sections begin and end at steps of this length.
const STEP_M: f64 = 5.0;
/// Less ground than this is the overlay's dust.
const DUST_M2: f64 = 0.01;
/// Farther off than the overlay rounds.
const CLEAR_M: f64 = 0.001;

/// A stretch of a shape.
#[derive(Debug)]
pub struct WholeSection {
    pub shape: Polygon,
    /// The machine's ways in it.
    pub driven: Vec<LineString>,
    /// What is found in it; empty where nothing is.
    pub reasons: Vec<DayReason>,
}

/// A step along a line driven.
struct Step {
    middle: Coord,
    /// Ground beside the step, as far as the machine reaches.
    slice: Polygon,
}

/// Divides `shape` into stretches in which ground of `found` lies and stretches without any, in the direction of travel.
/// Stretches without, in which less than `least_m` is driven, go with their neighbours.
pub fn divide(
    shape: &Polygon,
    driven: &[LineString],
    found: &[(DayReason, MultiPolygon)],
    reach_m: f64,
    least_m: f64,
) -> Vec<WholeSection> {
    let whole = |reasons: Vec<DayReason>| {
        vec![WholeSection {
            shape: shape.clone(),
            driven: driven.to_vec(),
            reasons,
        }]
    };
    // Of a crumb even the overlay's dust is all there is.
    let everywhere =
        |(_, ground): &(DayReason, MultiPolygon)| polygon_area(shape) - area(ground) <= DUST_M2;
    let is_all = found.iter().any(everywhere);
    let found: Vec<&(DayReason, MultiPolygon)> = found
        .iter()
        .filter(|found| area(&found.1) > DUST_M2 || everywhere(found))
        .collect();
    if found.is_empty() {
        return whole(vec![]);
    }
    if driven.is_empty() || is_all {
        return whole(found.iter().map(|(reason, _)| *reason).collect());
    }
    let steps: Vec<Step> = driven
        .iter()
        .flat_map(|line| steps(line, reach_m))
        .collect();
    let ground: Vec<Polygon> = found
        .iter()
        .flat_map(|(_, ground)| ground.0.iter().cloned())
        .collect();
    let subject = MultiPolygon(vec![shape.clone()]);
    let mut taken = ground.clone();
    taken.extend(beside(&steps, &ground));
    let ways = MultiLineString(driven.to_vec());
    // What is not free comes from the same clip, so that no hairs lie between.
    let [held, free] = inside_and_outside(&subject, &taken);
    let (kept, short): (Vec<Polygon>, Vec<Polygon>) = free
        .0
        .into_iter()
        .partition(|free| driven_m(&ways, free) >= least_m);
    let rest = if kept.is_empty() {
        subject
    } else if short.is_empty() {
        held
    } else {
        difference(&subject, &kept)
    };
    let mut sections: Vec<WholeSection> = Vec::new();
    for shape in kept {
        sections.push(section(shape, &ways, vec![]));
    }
    for shape in rest.0 {
        let here = MultiPolygon(vec![shape.clone()]);
        let meets = |ground: &[Polygon]| shared_area(&here, ground) > DUST_M2;
        let mut reasons: Vec<DayReason> = found
            .iter()
            .filter(|(_, ground)| meets(&ground.0))
            .map(|(reason, _)| *reason)
            .collect();
        if reasons.is_empty() || (!short.is_empty() && meets(&short)) {
            reasons.push(DayReason::ShortStretch);
        }
        sections.push(section(shape, &ways, reasons));
    }
    // In the direction of travel: by the first step that lies in each.
    let first = |section: &WholeSection| {
        let bounds = Bounds::of(&section.shape.exterior().0);
        let here = |step: &Step| {
            bounds.meets(&Bounds::of([&step.middle])) && inside_polygon(step.middle, &section.shape)
        };
        steps.iter().position(here).unwrap_or(steps.len())
    };
    sections.sort_by_cached_key(first);
    sections
}

/// As [`divide`], of what is cut from the same lines in several polygons: each has the ways that run in it, and the first
/// those that run beside all.
pub fn divide_each(
    shapes: &[Polygon],
    driven: &[LineString],
    found: &[(DayReason, MultiPolygon)],
    reach_m: f64,
    least_m: f64,
) -> Vec<WholeSection> {
    if let [only] = shapes {
        return divide(only, driven, found, reach_m, least_m);
    }
    let ways = MultiLineString(driven.to_vec());
    let mut beside = joined(clip_lines(&ways, shapes, false));
    let mut sections = Vec::new();
    for shape in shapes {
        let alone = std::slice::from_ref(shape);
        let mut own = joined(clip_lines(&ways, alone, true));
        own.append(&mut beside);
        let here: Vec<(DayReason, MultiPolygon)> = found
            .iter()
            .map(|(reason, ground)| (*reason, intersection(ground, alone)))
            .collect();
        sections.extend(divide(shape, &own, &here, reach_m, least_m));
    }
    sections
}

fn section(shape: Polygon, ways: &MultiLineString, reasons: Vec<DayReason>) -> WholeSection {
    let driven = joined(clip_lines(ways, std::slice::from_ref(&shape), true));
    WholeSection {
        shape,
        driven,
        reasons,
    }
}

fn driven_m(ways: &MultiLineString, shape: &Polygon) -> f64 {
    let inside = clip_lines(ways, std::slice::from_ref(shape), true);
    inside.0.iter().map(length).sum()
}

/// Slices of the steps beside which any of `ground` lies.
fn beside<'s>(steps: &'s [Step], ground: &'s [Polygon]) -> impl Iterator<Item = Polygon> + 's {
    let bounded: Vec<(Bounds, SegmentIndex, &Polygon)> = (ground.iter())
        .map(|polygon| {
            let edges = SegmentIndex::new(polygon_segments(polygon).collect());
            (Bounds::of(&polygon.exterior().0), edges, polygon)
        })
        .collect();
    let touched = move |step: &&Step| {
        let bounds = Bounds::of(&step.slice.exterior().0);
        let slice = MultiPolygon(vec![step.slice.clone()]);
        let (low, high) = (bounds.min, bounds.max);
        (bounded.iter())
            .filter(|(own, ..)| own.meets(&bounds))
            .any(|(_, edges, polygon)| {
                // No edge is near: the slice lies in the ground as a whole, or beyond all of it.
                let is_clear = edges.near(low, high, CLEAR_M).next().is_none();
                if is_clear && polygon_area(&step.slice) > DUST_M2 {
                    return edges.holds(step.middle);
                }
                !intersection(&slice, std::slice::from_ref(*polygon))
                    .0
                    .is_empty()
            })
    };
    steps.iter().filter(touched).map(|step| step.slice.clone())
}

/// The ground beside a line, step by step, as far as the machine reaches.
pub fn slices(line: &LineString, reach_m: f64) -> impl Iterator<Item = Polygon> {
    steps(line, reach_m).into_iter().map(|step| step.slice)
}

/// The steps of a line, none longer than [`STEP_M`], none over a bend.
fn steps(line: &LineString, reach_m: f64) -> Vec<Step> {
    let mut corners = line.0.clone();
    corners.dedup();
    let edges: Vec<(Coord, Coord)> = corners.windows(2).map(|w| (w[0], w[1])).collect();
    let across = |(a, b): (Coord, Coord)| {
        let d = b - a;
        let length_m = d.x.hypot(d.y);
        Coord {
            x: d.y / length_m,
            y: -d.x / length_m,
        }
    };
    let mut found = Vec::new();
    for (index, &(a, b)) in edges.iter().enumerate() {
        let own = across((a, b));
        // At a bend both neighbours are cut along the same line.
        let bend = |other: Option<&(Coord, Coord)>| {
            let sum = other.map_or(own, |&other| own + across(other));
            let long = sum.x.hypot(sum.y);
            if long > 0.1 { sum / long } else { own }
        };
        let before = index.checked_sub(1).and_then(|index| edges.get(index));
        let (first, last) = (bend(before), bend(edges.get(index + 1)));
        let d = b - a;
        let count = (d.x.hypot(d.y) / STEP_M).ceil().max(1.0) as u32;
        for k in 0..count {
            let at = |k: u32| a + d * (f64::from(k) / f64::from(count));
            let (from, to) = (at(k), at(k + 1));
            let beside = |k: u32| match k {
                0 => first,
                k if k == count => last,
                _ => own,
            };
            let (left, right) = (beside(k) * reach_m, beside(k + 1) * reach_m);
            let points = [from - left, from + left, to + right, to - right];
            let hull = MultiPoint::from(points.to_vec()).convex_hull();
            found.push(Step {
                middle: (from + to) / 2.0,
                slice: hull,
            });
        }
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;

    fn rectangle(x0: f64, y0: f64, x1: f64, y1: f64) -> Polygon {
        let ring = vec![(x0, y0), (x1, y0), (x1, y1), (x0, y1), (x0, y0)];
        Polygon::new(LineString::from(ring), vec![])
    }

    fn on(reason: DayReason, ground: Polygon) -> (DayReason, MultiPolygon) {
        (reason, MultiPolygon(vec![ground]))
    }

    /// By hand: a road 8 m wide and 300 m long, brush on its south side from x = 101 to 118.
    #[test]
    fn a_road_is_divided_square_to_its_middle() {
        let road = rectangle(0., -4., 300., 4.);
        let middle = LineString::from(vec![(0., 0.), (300., 0.)]);
        let brush = on(DayReason::Brush, rectangle(101., -4., 118., -2.));
        let sections = divide(&road, &[middle], &[brush], 8.7, 20.0);
        let spans: Vec<(f64, f64, usize)> = sections
            .iter()
            .map(|section| {
                let bounds = Bounds::of(&section.shape.exterior().0);
                (
                    bounds.min.x.round(),
                    bounds.max.x.round(),
                    section.reasons.len(),
                )
            })
            .collect();
        assert_eq!(spans, vec![(0., 100., 0), (100., 120., 1), (120., 300., 0)]);
        let whole: f64 = sections.iter().map(|s| polygon_area(&s.shape)).sum();
        assert!((whole - 2400.0).abs() < 1e-6);
        for section in &sections {
            let driven_m: f64 = section.driven.iter().map(length).sum();
            assert!((driven_m * 8.0 - polygon_area(&section.shape)).abs() < 1e-3);
        }
    }

    #[test]
    fn a_short_free_stretch_goes_with_its_neighbours() {
        let road = rectangle(0., -4., 300., 4.);
        let middle = LineString::from(vec![(0., 0.), (300., 0.)]);
        let found = [
            on(DayReason::Hazard, rectangle(0., -4., 100., 4.)),
            on(DayReason::SoftGround, rectangle(115., -4., 200., 4.)),
        ];
        let lines = [middle];
        let sections = divide(&road, &lines, &found, 8.7, 20.0);
        assert_eq!(sections.len(), 2);
        assert_eq!(
            sections[0].reasons,
            vec![
                DayReason::Hazard,
                DayReason::SoftGround,
                DayReason::ShortStretch
            ]
        );
        assert!(sections[1].reasons.is_empty());
        assert!((polygon_area(&sections[0].shape) - 1600.0).abs() < 1e-6);
        assert_eq!(divide(&road, &lines, &found, 8.7, 10.0).len(), 4);
        assert_eq!(divide(&road, &lines, &[], 8.7, 20.0).len(), 1);
    }

    #[test]
    fn nothing_found_is_ever_in_a_free_section() {
        // A bend of 60 degrees, and brush in its elbow, out of the slices' middle.
        let middle = LineString::from(vec![(0., 0.), (100., 0.), (150., 86.6)]);
        let road = MultiPolygon(vec![rectangle(0., -5., 150., 90.)]);
        let brush = on(DayReason::Brush, rectangle(60., 40., 62., 42.));
        let sections = divide(
            &road.0[0],
            &[middle],
            std::slice::from_ref(&brush),
            8.7,
            20.0,
        );
        for free in sections.iter().filter(|s| s.reasons.is_empty()) {
            let here = MultiPolygon(vec![free.shape.clone()]);
            assert!(shared_area(&here, &brush.1.0) < 1e-6);
        }
        let whole: f64 = sections.iter().map(|s| polygon_area(&s.shape)).sum();
        assert!((whole - 150.0 * 95.0).abs() < 1e-3);
    }
}
