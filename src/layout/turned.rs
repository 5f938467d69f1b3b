//! Strips worked the other way round: beside a bent road, or behind a hole, some of a setting end nearer to its outlet than they
//! begin.

use geo::Coord;

use super::order::Unit;
use super::outlets::Outlet;
use super::working_order::StripDrive;
use crate::geometry::distance::point_segment;

/// Ends whose distances differ by no more than this are as near.
const HAIR_M: f64 = 0.01;
/// Above all numbers of strips: what is turned round is no neighbour of what is not.
const BEYOND_ALL: u32 = 1 << 30;

/// Turns drives of one setting round whose upper end lies nearer to the outlet than the lower one, which does not lie within
/// `at_outlet_m` of it. Their strips then follow one another from the left as seen from there, so from right to left of the
/// others. A gap goes with the strip to its right, or to its left where there is none.
pub fn turn_round(units: &mut [StripDrive], outlet: &Outlet, at_outlet_m: f64) {
    let is_away: Vec<bool> = (units.iter())
        .map(|strip| leads_away(&strip.drive.line.0, outlet, at_outlet_m))
        .collect();
    if !is_away.contains(&true) {
        return;
    }
    let beside = |gap: &StripDrive, strip: u32| -> Option<bool> {
        let units = units.iter().zip(&is_away);
        let mut own = units.filter(|(other, _)| {
            let unit = &other.unit;
            !unit.gap && unit.strip == strip && unit.overlaps(&gap.unit)
        });
        own.next().map(|(_, &away)| away)
    };
    let is_mirrored: Vec<bool> = (units.iter().zip(&is_away))
        .map(|(strip, &away)| {
            let number = strip.unit.strip;
            match strip.unit.gap {
                true => {
                    let right = beside(strip, number + 1);
                    right.or_else(|| beside(strip, number)).unwrap_or(away)
                }
                false => away,
            }
        })
        .collect();
    for (strip, (away, mirrored)) in units.iter_mut().zip(is_away.into_iter().zip(is_mirrored)) {
        if away {
            strip.drive.line.0.reverse();
        }
        if mirrored {
            let unit = &mut strip.unit;
            // The gap to the left of a strip, seen from its other end, is that to its right.
            unit.strip = BEYOND_ALL - unit.strip - u32::from(unit.gap);
            (unit.low, unit.high) = (-unit.high, -unit.low);
        }
    }
}

/// Whether a line that runs from the outlet's side ends nearer to the outlet than it begins.
pub fn leads_away(line: &[Coord], outlet: &Outlet, at_outlet_m: f64) -> bool {
    let (Some(&low), Some(&high)) = (line.first(), line.last()) else {
        return false;
    };
    let off_m = |at: Coord| {
        let front = outlet.front.0.iter().flat_map(|line| line.0.windows(2));
        front.fold(f64::INFINITY, |least, w| {
            least.min(point_segment(at, w[0], w[1]))
        })
    };
    let low_m = off_m(low);
    low_m > at_outlet_m && low_m > off_m(high) + HAIR_M
}

/// From where to where a unit lies in the frame of its setting.
pub fn as_drawn(unit: &Unit) -> [f64; 2] {
    match unit.strip > BEYOND_ALL / 2 {
        true => [-unit.high, -unit.low],
        false => [unit.low, unit.high],
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::layout::working_order::Drive;
    use crate::model::{Heading, OutletKind, PieceId, StripKind};
    use geo::{LineString, MultiLineString};

    fn strip(number: u32, gap: bool, low: f64, high: f64) -> StripDrive {
        let x = f64::from(number) * 16.0 + if gap { 8.0 } else { 0.0 };
        StripDrive {
            unit: Unit {
                leg: 0,
                strip: number,
                gap,
                low,
                high,
                begun: None,
                first: false,
            },
            drive: Drive {
                id: PieceId {
                    part: 1,
                    strip_no: number,
                    piece: 1,
                },
                kind: StripKind::Interior,
                heading: Heading::In,
                line: LineString::from(vec![(x, low), (x, high)]),
            },
        }
    }

    /// The road comes along the lower ends of strips 1 to 3, and round to the upper ends of strips 4 to 6.
    fn bent() -> Outlet {
        let front = [[(0.0, -5.0), (55.0, -5.0)], [(60.0, 150.0), (110.0, 150.0)]];
        let front = front.map(|line| LineString::from(line.to_vec()));
        Outlet {
            kind: OutletKind::Road,
            name: "R".to_owned(),
            front: MultiLineString(front.to_vec()),
            beyond: None,
            flank_of: None,
            capacity_m3: None,
        }
    }

    #[test]
    fn strips_that_end_nearer_to_the_outlet_are_worked_from_there() {
        let mut units: Vec<StripDrive> = (1..=3).map(|n| strip(n, false, 0.0, 100.0)).collect();
        units.extend((4..=6).map(|n| strip(n, false, 60.0, 140.0)));
        units.extend([
            strip(2, true, 0.0, 40.0),
            strip(4, true, 60.0, 100.0),
            strip(5, true, 60.0, 100.0),
        ]);
        let before = units.clone();
        turn_round(&mut units, &bent(), 15.0);
        for (own, was) in units.iter().zip(&before) {
            let is_turned = was.unit.strip >= 4;
            let [from, to] = [own.drive.line.0[0].y, own.drive.line.0[1].y];
            assert_eq!(from > to, is_turned, "{:?}", was.unit);
            assert_eq!(as_drawn(&own.unit), [was.unit.low, was.unit.high]);
        }
        // From right to left, each gap between the same strips as ever, and none of them beside what is not turned.
        let strip_of = |number: u32, gap: bool| {
            let mut own = units.iter().zip(&before);
            let found = own.find(|(_, was)| was.unit.strip == number && was.unit.gap == gap);
            found.map(|(own, _)| own.unit.strip).unwrap()
        };
        assert_eq!(strip_of(5, false), strip_of(6, false) + 1);
        assert_eq!(strip_of(5, true), strip_of(6, false));
        assert_eq!(strip_of(4, true), strip_of(5, false));
        assert_eq!(strip_of(3, false), 3);
        assert!(units.iter().all(|own| {
            let turned = own.unit.strip > BEYOND_ALL / 2;
            units.iter().all(|other| {
                turned == (other.unit.strip > BEYOND_ALL / 2) || !own.unit.follows(&other.unit)
            })
        }));
    }

    #[test]
    fn what_begins_at_the_outlet_is_not_turned() {
        // Along the road from one end to the other, somewhat nearer at the far end.
        let line = [Coord { x: 0.0, y: 6.0 }, Coord { x: 55.0, y: -2.0 }];
        assert!(!leads_away(&line, &bent(), 15.0));
        assert!(leads_away(&line, &bent(), 5.0));
    }
}
