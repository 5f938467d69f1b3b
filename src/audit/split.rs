//! Overlay that is checked: what lies inside and what outside must add up, or the frame is turned and all is done again.
//! Overlay engines now and then lose or invent a piece where edges all but coincide, and a share must not hang on that.

use std::panic::{AssertUnwindSafe, catch_unwind};

use geo::{MultiPolygon, Polygon};

use crate::geometry::area::{Bounds, area};
use crate::geometry::frame::Frame;
use crate::geometry::overlay::{difference, intersection, union};

/// Turns of the frame that are tried in order, in degrees.
const TURNS: [f64; 5] = [0.0, 17.3, 40.9, 71.7, 133.1];
/// Both parts must add up to this, or to the same part of the whole.
const BALANCE_M2: f64 = 0.02;
const BALANCE_SHARE: f64 = 1e-7;

pub struct Split {
    pub inside: MultiPolygon,
    pub outside: MultiPolygon,
    /// False: no turn of the frame made the two add up.
    pub sound: bool,
}

/// What of `subject`, whose polygons must not overlap, lies in any polygon of `clip`, and what in none. The polygons of
/// `clip` may overlap, and run counter-clockwise.
pub fn split(subject: &MultiPolygon, clip: &[Polygon]) -> Split {
    let whole_m2 = area(subject);
    let window = Bounds::of_polygons(subject);
    let near = |polygon: &&Polygon| Bounds::of(&polygon.exterior().0).meets(&window);
    let clip: Vec<Polygon> = clip.iter().filter(near).cloned().collect();
    let clip = clip.as_slice();
    let mut best: Option<(f64, Split)> = None;
    for turn in TURNS {
        let frame = Frame::new(turn);
        let both = |subject: &MultiPolygon, clip: &[Polygon]| {
            (intersection(subject, clip), difference(subject, clip))
        };
        let parts = attempt(|| {
            if turn == 0.0 {
                return both(subject, clip);
            }
            let (inside, outside) = both(&turned(&frame, subject), &turned_all(&frame, clip));
            (
                frame.leave_polygons(&inside),
                frame.leave_polygons(&outside),
            )
        });
        let Some((inside, outside)) = parts else {
            continue;
        };
        let off_m2 = (area(&inside) + area(&outside) - whole_m2).abs();
        let sound = off_m2 <= BALANCE_M2.max(BALANCE_SHARE * whole_m2);
        let split = Split {
            inside,
            outside,
            sound,
        };
        if sound {
            return split;
        }
        if best.as_ref().is_none_or(|(least_m2, _)| off_m2 < *least_m2) {
            best = Some((off_m2, split));
        }
    }
    best.map_or_else(
        || Split {
            inside: MultiPolygon(vec![]),
            outside: subject.clone(),
            sound: false,
        },
        |(_, split)| split,
    )
}

/// The result of an overlay; None where the engine crashed, as it does on some edges that all but coincide.
fn attempt<T>(overlay: impl FnOnce() -> T) -> Option<T> {
    catch_unwind(AssertUnwindSafe(overlay)).ok()
}

fn turned(frame: &Frame, polygons: &MultiPolygon) -> MultiPolygon {
    frame.enter_polygons(polygons)
}

fn turned_all(frame: &Frame, polygons: &[Polygon]) -> Vec<Polygon> {
    turned(frame, &MultiPolygon(polygons.to_vec())).0
}

/// An overlay of polygons that may overlap, in the first frame that it does not crash in; empty if in none.
fn in_some_frame(
    subject: &MultiPolygon,
    clip: &[Polygon],
    overlay: impl Fn(&MultiPolygon, &[Polygon]) -> MultiPolygon,
) -> MultiPolygon {
    let found = TURNS.into_iter().find_map(|turn| {
        let frame = Frame::new(turn);
        attempt(|| {
            if turn == 0.0 {
                return overlay(subject, clip);
            }
            frame.leave_polygons(&overlay(
                &turned(&frame, subject),
                &turned_all(&frame, clip),
            ))
        })
    });
    found.unwrap_or(MultiPolygon(vec![]))
}

/// What of `subject` lies in `clip`; the polygons of either may overlap. Not checked: no verdict may hang on it alone.
pub fn inside_of(subject: &MultiPolygon, clip: &[Polygon]) -> MultiPolygon {
    in_some_frame(subject, clip, intersection)
}

/// What of `subject` lies in none of `clip`, as [`inside_of`].
pub fn outside_of(subject: &MultiPolygon, clip: &[Polygon]) -> MultiPolygon {
    in_some_frame(subject, clip, difference)
}

/// The union of polygons that may overlap, as [`inside_of`].
pub fn union_of(polygons: &[Polygon]) -> MultiPolygon {
    in_some_frame(&MultiPolygon(vec![]), polygons, |_, polygons| {
        union(polygons)
    })
}
