//! Stretches of strips with one shift class, and why.

use geo::{MultiLineString, MultiPolygon, Polygon};

use super::Context;
use super::ground::Ground;
use super::retention::{lie_down, stand_up};
use super::strips::{Part, Piece};
use crate::geometry::area::Bounds;
use crate::geometry::buffer::Source;
use crate::geometry::distance::SegmentIndex;
use crate::geometry::overlay::{intersection, oriented};
use crate::geometry::sweep::{Slab, clip_slabs};
use crate::model::{DayReason, ShiftClass};

/// Day-only ground of one part, in the turned frame, by reason.
pub struct DayGround {
    areas: Vec<(DayReason, Vec<Polygon>, Bounds)>,
}

impl DayGround {
    pub fn of(
        context: Context<'_>,
        ground: &Ground,
        part: &Part,
        block: &MultiPolygon,
    ) -> DayGround {
        let settings = context.settings;
        let mut areas = Vec::new();
        let mut push = |reason: DayReason, polygons: &[Polygon]| {
            if !polygons.is_empty() {
                let turned = part.frame.enter_polygons(&MultiPolygon(polygons.to_vec()));
                let bounds = Bounds::of_polygons(&turned);
                areas.push((reason, turned.0, bounds));
            }
        };
        let edge_m = settings.layout.edge_distance_m;
        let passed_m = if settings.layout.boundary_pass {
            settings.machine.strip_width_m()
        } else {
            0.0
        };
        // The boundary pass already lies between the strips and anything nearer than its own width.
        if edge_m > passed_m {
            let (boundary, reserve) = split_edges(&part.pass.edges, block);
            for (reason, edges) in [
                (DayReason::NearBoundary, boundary),
                (DayReason::NearReserve, reserve),
            ] {
                let near = context.engines.plain(&Source::Lines(edges), edge_m);
                push(reason, &oriented(near).0);
            }
        }
        push(DayReason::Brush, &ground.zones.brush);
        push(DayReason::SoftGround, &ground.zones.soft);
        push(DayReason::Hazard, &ground.zones.hazard);
        push(DayReason::Steep, &ground.steep_by_night);
        DayGround { areas }
    }

    /// Stretches of a piece along y that lie beside day-only ground.
    fn stretches(&self, piece: &MultiPolygon) -> Vec<(f64, f64, DayReason)> {
        let bounds = Bounds::of_polygons(piece);
        let mut found = Vec::new();
        for (reason, polygons, area) in &self.areas {
            if !area.meets(&bounds) {
                continue;
            }
            for part in intersection(piece, polygons).0 {
                let bounds = Bounds::of(&part.exterior().0);
                found.push((bounds.min.y, bounds.max.y, *reason));
            }
        }
        found
    }
}

/// The part's edges along the block's own boundary, and the rest, which are reserve edges.
fn split_edges(
    edges: &MultiLineString,
    block: &MultiPolygon,
) -> (MultiLineString, MultiLineString) {
    const SAME_LINE_M: f64 = 0.02;
    let outline = SegmentIndex::of_boundary(block);
    let (mut boundary, mut reserve) = (vec![], vec![]);
    for w in edges.0.iter().flat_map(|line| line.0.windows(2)) {
        let middle = (w[0] + w[1]) / 2.0;
        let on_boundary = outline.distance(middle, SAME_LINE_M).is_some();
        let list = if on_boundary {
            &mut boundary
        } else {
            &mut reserve
        };
        list.push(geo::LineString(w.to_vec()));
    }
    (MultiLineString(boundary), MultiLineString(reserve))
}

/// A stretch of one piece.
#[derive(Clone, Debug, PartialEq)]
pub struct Stretch {
    pub low: f64,
    pub high: f64,
    pub class: ShiftClass,
    pub reasons: Vec<DayReason>,
}

/// Divides `low..high` by day-only stretches; a night-safe rest shorter than `least_m` joins its day-only neighbour.
pub fn divide(low: f64, high: f64, day: &[(f64, f64, DayReason)], least_m: f64) -> Vec<Stretch> {
    let mut cuts = vec![low, high];
    cuts.extend(
        day.iter()
            .flat_map(|&(a, b, _)| [a, b])
            .filter(|&y| y > low + 1e-6 && y < high - 1e-6),
    );
    cuts.sort_by(f64::total_cmp);
    cuts.dedup_by(|a, b| (*a - *b).abs() < 1e-6);
    let mut stretches: Vec<Stretch> = Vec::new();
    for w in cuts.windows(2) {
        let middle = (w[0] + w[1]) / 2.0;
        let mut reasons: Vec<DayReason> = day
            .iter()
            .filter(|&&(a, b, _)| a <= middle && middle <= b)
            .map(|&(_, _, reason)| reason)
            .collect();
        reasons.sort();
        reasons.dedup();
        let class = if reasons.is_empty() {
            ShiftClass::NightSafe
        } else {
            ShiftClass::DayOnly
        };
        push_stretch(
            &mut stretches,
            Stretch {
                low: w[0],
                high: w[1],
                class,
                reasons,
            },
        );
    }
    if stretches
        .iter()
        .any(|stretch| stretch.class == ShiftClass::DayOnly)
    {
        for stretch in &mut stretches {
            if stretch.class == ShiftClass::NightSafe && stretch.high - stretch.low < least_m {
                stretch.class = ShiftClass::DayOnly;
                stretch.reasons.push(DayReason::ShortStretch);
            }
        }
    }
    let mut joined = Vec::new();
    for stretch in stretches {
        push_stretch(&mut joined, stretch);
    }
    joined
}

fn push_stretch(stretches: &mut Vec<Stretch>, next: Stretch) {
    match stretches.last_mut() {
        Some(last) if last.class == next.class => {
            last.high = next.high;
            last.reasons.extend(next.reasons);
            last.reasons.sort();
            last.reasons.dedup();
        }
        _ => stretches.push(next),
    }
}

/// A section of a piece, in the turned frame.
pub struct PieceSection {
    pub stretch: Stretch,
    pub shape: MultiPolygon,
}

/// Divides one piece. With the boundary pass off, nothing but `edge_distance` keeps night work off the boundary.
pub fn of_piece(context: Context<'_>, ground: &DayGround, piece: &Piece) -> Vec<PieceSection> {
    let bounds = Bounds::of_polygons(&piece.shape);
    let day = ground.stretches(&piece.shape);
    let stretches = divide(
        bounds.min.y,
        bounds.max.y,
        &day,
        context.settings.layout.section_min_m,
    );
    if stretches.len() == 1 {
        let shape = piece.shape.clone();
        return stretches
            .into_iter()
            .map(|stretch| PieceSection {
                stretch,
                shape: shape.clone(),
            })
            .collect();
    }
    let lying = MultiPolygon(piece.shape.0.iter().map(lie_down).collect());
    let last = stretches.len() - 1;
    let slabs: Vec<Slab> = stretches
        .iter()
        .enumerate()
        .map(|(k, s)| Slab {
            low: s.low,
            high: if k == last { s.high + 1.0 } else { s.high },
        })
        .collect();
    let mut shapes: Vec<MultiPolygon> = stretches.iter().map(|_| MultiPolygon(vec![])).collect();
    for (index, shape) in clip_slabs(&lying, &slabs) {
        shapes[index].0.push(stand_up(&shape));
    }
    let sections = stretches
        .into_iter()
        .zip(shapes)
        .map(|(stretch, shape)| PieceSection { stretch, shape });
    sections
        .filter(|section| !section.shape.0.is_empty())
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use ShiftClass::{DayOnly, NightSafe};

    #[test]
    fn a_short_night_stretch_joins_its_day_neighbour() {
        let day = [
            (0.0, 30.0, DayReason::Brush),
            (40.0, 60.0, DayReason::SoftGround),
        ];
        let classes = |least_m: f64| -> Vec<(f64, f64, ShiftClass)> {
            divide(0.0, 200.0, &day, least_m)
                .iter()
                .map(|s| (s.low, s.high, s.class))
                .collect()
        };
        assert_eq!(
            classes(5.0),
            vec![
                (0., 30., DayOnly),
                (30., 40., NightSafe),
                (40., 60., DayOnly),
                (60., 200., NightSafe)
            ]
        );
        assert_eq!(
            classes(20.0),
            vec![(0., 60., DayOnly), (60., 200., NightSafe)]
        );
        let joined = divide(0.0, 200.0, &day, 20.0);
        assert_eq!(
            joined[0].reasons,
            vec![
                DayReason::Brush,
                DayReason::SoftGround,
                DayReason::ShortStretch
            ]
        );
    }

    #[test]
    fn without_day_only_ground_the_whole_piece_is_night_safe() {
        let whole = divide(0.0, 8.0, &[], 20.0);
        assert_eq!(whole.len(), 1);
        assert_eq!(whole[0].class, NightSafe);
    }
}
