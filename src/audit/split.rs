//! Overlay that is checked: what lies inside and what outside must add up, or the frame is turned and all is done again.
//! Overlay engines now and then lose or invent a piece where edges all but coincide, and a share must not hang on that.

use geo::{MultiPolygon, Polygon};

use crate::geometry::area::{Bounds, area};
use crate::geometry::frame::Frame;
use crate::geometry::overlay::{difference, intersection};

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
        let (inside, outside) = if turn == 0.0 {
            (intersection(subject, clip), difference(subject, clip))
        } else {
            let subject = frame.enter_polygons(subject);
            let clip = frame.enter_polygons(&MultiPolygon(clip.to_vec())).0;
            let parts = (intersection(&subject, &clip), difference(&subject, &clip));
            (
                frame.leave_polygons(&parts.0),
                frame.leave_polygons(&parts.1),
            )
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
