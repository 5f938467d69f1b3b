//! Ground that only hangs together by necks too narrow for the machine is parted there: nothing gets from one side to the
//! other.

use geo::{MultiPolygon, Polygon};

use super::Context;
use crate::geometry::area::polygon_area;
use crate::geometry::buffer::Source;
use crate::geometry::distance::{SegmentIndex, polygon_segments};
use crate::geometry::overlay::{difference, intersection, oriented, union};

/// Outlines this near to one another touch.
const TOUCH_M: f64 = 0.01;

/// The pieces of `part` between which the machine cannot pass; together they are the part. Bulges behind a neck that are
/// smaller than the least part stay with what they hang on.
pub fn divide(context: Context<'_>, part: Polygon) -> Vec<Polygon> {
    let (engines, settings) = (context.engines, context.settings);
    let half_m = settings.machine.half_width_m;
    let least_m2 = settings.layout.least_part_m2;
    if half_m <= 0.0 || polygon_area(&part) < 2.0 * least_m2 {
        return vec![part];
    }
    let whole = MultiPolygon(vec![part.clone()]);
    let middle_ground = oriented(engines.plain(&Source::Polygons(whole.clone()), -half_m));
    let mut cores: Vec<Polygon> = middle_ground.0;
    cores.retain(|core| polygon_area(core) >= least_m2);
    if cores.len() < 2 {
        return vec![part];
    }
    cores.sort_by(|a, b| polygon_area(b).total_cmp(&polygon_area(a)));
    let mut rest = whole;
    let mut pieces: Vec<Polygon> = Vec::new();
    for core in &cores {
        let grown = engines.plain(&Source::Polygons(MultiPolygon(vec![core.clone()])), half_m);
        let grown = oriented(grown);
        let mut own = intersection(&rest, &grown.0).0;
        own.sort_by(|a, b| polygon_area(b).total_cmp(&polygon_area(a)));
        rest = difference(&rest, &grown.0);
        let mut own = own.into_iter();
        pieces.extend(own.next());
        rest.0.extend(own);
    }
    // Corners that the machine's width rounds off, and the necks themselves.
    let mut left = rest.0;
    while !left.is_empty() {
        let (joined, apart): (Vec<_>, Vec<_>) = left
            .into_iter()
            .map(|shape| (touched(&shape, &pieces), shape))
            .partition(|(touched, _)| touched.is_some());
        if joined.is_empty() {
            pieces.extend(apart.into_iter().map(|(_, shape)| shape));
            break;
        }
        for (at, shape) in joined {
            if let Some(at) = at {
                let mut both = union(&[pieces[at].clone(), shape]).0.into_iter();
                if let Some(first) = both.next() {
                    pieces[at] = first;
                }
                pieces.extend(both);
            }
        }
        left = apart.into_iter().map(|(_, shape)| shape).collect();
    }
    pieces
}

/// The piece that a shape lies longest against, and over how many metres; the first of equals.
pub fn longest_against<'p>(
    shape: &Polygon,
    pieces: impl Iterator<Item = &'p Polygon>,
) -> Option<(usize, f64)> {
    let edge = SegmentIndex::new(polygon_segments(shape).collect());
    let against = |piece: &Polygon| -> f64 {
        let beside = polygon_segments(piece).filter(|s| {
            let middle = (s.a + s.b) / 2.0;
            edge.distance(middle, TOUCH_M).is_some()
        });
        beside.map(|s| (s.b.x - s.a.x).hypot(s.b.y - s.a.y)).sum()
    };
    let lengths = pieces.map(against).enumerate();
    lengths.reduce(|a, b| if b.1 > a.1 { b } else { a })
}

fn touched(shape: &Polygon, pieces: &[Polygon]) -> Option<usize> {
    let longest = longest_against(shape, pieces.iter());
    longest.filter(|(_, m)| *m > 0.0).map(|(at, _)| at)
}
