//! Stretches of strips with one shift class, and why.

use geo::MultiPolygon;

use super::Context;
use super::day_ground::DayGround;
use super::retention::{lie_down, stand_up};
use super::strips::Piece;
use crate::geometry::area::Bounds;
use crate::geometry::sweep::{Slab, clip_slabs};
use crate::model::{DayReason, ShiftClass};

/// A stretch of one piece.
#[derive(Clone, Debug, PartialEq)]
pub struct Stretch {
    pub low: f64,
    pub high: f64,
    pub class: ShiftClass,
    pub reasons: Vec<DayReason>,
    /// Which grounds under a window it meets, by their place in [`DayGround`].
    pub windows: Vec<usize>,
}

/// Stretches under each window, grown so that neither they nor what is left between and beside them is shorter than
/// `least_m`: what is too short to be worked by itself keeps the days of what it lies beside.
fn under_windows(
    low: f64,
    high: f64,
    found: &[(f64, f64, usize)],
    least_m: f64,
) -> Vec<(f64, f64, usize)> {
    let mut grown: Vec<(f64, f64, usize)> = Vec::new();
    let mut sorted = found.to_vec();
    sorted.sort_by(|a, b| (a.2.cmp(&b.2)).then(a.0.total_cmp(&b.0)));
    for (from, to, window) in sorted {
        let more = ((least_m - (to - from)) / 2.0).max(0.0);
        let (mut from, mut to) = (from - more, to + more);
        if from < low + least_m {
            from = low;
        }
        if to > high - least_m {
            to = high;
        }
        match grown.last_mut() {
            Some((_, last, own)) if *own == window && from < *last + least_m => {
                *last = last.max(to);
            }
            _ => grown.push((from, to, window)),
        }
    }
    grown
}

/// Divides `low..high` by day-only stretches and by stretches under windows; a night-safe rest shorter than `least_m` joins its
/// day-only neighbour.
pub fn divide(
    (low, high): (f64, f64),
    day: &[(f64, f64, DayReason)],
    windows: &[(f64, f64, usize)],
    least_m: f64,
) -> Vec<Stretch> {
    let mut cuts = vec![low, high];
    let windows = under_windows(low, high, windows, least_m);
    cuts.extend(
        day.iter()
            .flat_map(|&(a, b, _)| [a, b])
            .chain(windows.iter().flat_map(|&(a, b, _)| [a, b]))
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
                windows: {
                    let here = windows
                        .iter()
                        .filter(|&&(a, b, _)| a <= middle && middle <= b);
                    let mut own: Vec<usize> = here.map(|own| own.2).collect();
                    own.dedup();
                    own
                },
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
        Some(last) if last.class == next.class && last.windows == next.windows => {
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

/// Divides one piece; `ground` in the piece's frame.
pub fn of_piece(context: Context<'_>, ground: &DayGround, piece: &Piece) -> Vec<PieceSection> {
    let bounds = Bounds::of_polygons(&piece.shape);
    let day = ground.stretches(&piece.shape);
    let windows = ground.under_windows(&piece.shape);
    let stretches = divide(
        (bounds.min.y, bounds.max.y),
        &day,
        &windows,
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
    let sections = sections.filter(|section| !section.shape.0.is_empty());
    let mut sections: Vec<PieceSection> = sections.collect();
    // Of a piece in several polygons a stretch may hold less ground than it is long.
    let least_m = context.settings.layout.section_min_m;
    let is_day = |section: &PieceSection| section.stretch.class == ShiftClass::DayOnly;
    if sections.iter().any(is_day) {
        for section in &mut sections {
            let held = Bounds::of_polygons(&section.shape);
            if !is_day(section) && held.max.y - held.min.y < least_m - 1e-6 {
                section.stretch.class = ShiftClass::DayOnly;
                section.stretch.reasons.push(DayReason::ShortStretch);
            }
        }
    }
    sections
}

/// A day-only section of which nothing but its ground is known, for tests.
#[cfg(test)]
pub fn untimed(shape: geo::Polygon) -> crate::model::Section {
    let id = crate::model::PieceId {
        part: 1,
        strip_no: 1,
        piece: 1,
    };
    crate::model::Section::untimed(
        id,
        1,
        (ShiftClass::DayOnly, vec![]),
        MultiPolygon(vec![shape]),
    )
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
            divide((0.0, 200.0), &day, &[], least_m)
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
        let joined = divide((0.0, 200.0), &day, &[], 20.0);
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
    fn ground_under_a_window_is_a_section_of_its_own() {
        let of = |found: &[(f64, f64, usize)]| -> Vec<(f64, f64, Vec<usize>)> {
            let stretches = divide((0.0, 200.0), &[], found, 20.0).into_iter();
            stretches
                .map(|own| (own.low, own.high, own.windows))
                .collect()
        };
        assert_eq!(
            of(&[(60.0, 90.0, 0)]),
            [(0., 60., vec![]), (60., 90., vec![0]), (90., 200., vec![])]
        );
        // A short one grows; what would be left at an end, or between two, is too short for itself.
        assert_eq!(
            of(&[(98.0, 102.0, 1)]),
            [
                (0., 90., vec![]),
                (90., 110., vec![1]),
                (110., 200., vec![])
            ]
        );
        assert_eq!(
            of(&[(12.0, 90.0, 0)]),
            [(0., 90., vec![0]), (90., 200., vec![])]
        );
        assert_eq!(
            of(&[(60.0, 90.0, 0), (100.0, 130.0, 0)]),
            [
                (0., 60., vec![]),
                (60., 130., vec![0]),
                (130., 200., vec![])
            ]
        );
        assert_eq!(
            of(&[(60.0, 130.0, 0), (90.0, 160.0, 1)]),
            [
                (0., 60., vec![]),
                (60., 90., vec![0]),
                (90., 130., vec![0, 1]),
                (130., 160., vec![1]),
                (160., 200., vec![])
            ]
        );
    }

    #[test]
    fn without_day_only_ground_the_whole_piece_is_night_safe() {
        let whole = divide((0.0, 8.0), &[], &[], 20.0);
        assert_eq!(whole.len(), 1);
        assert_eq!(whole[0].class, NightSafe);
    }
}
