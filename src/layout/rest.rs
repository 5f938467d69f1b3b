//! What is left of a plan where some of it is cut already. The whole block is planned as if nothing were cut, so that strips
//! keep their numbers; then everything that lies on cut ground is taken out.

use geo::{Coord, Euclidean, Geometry, Length, LineString, MultiLineString, MultiPolygon, Polygon};

use super::felled::{Track, nearest_on};
use super::shifts::between;
use crate::geometry::area::{area, polygon_area, rings};
use crate::geometry::distance::places_along;
use crate::geometry::overlay::{clip_lines, difference, intersection};
use crate::landbase::NearFeature;
use crate::model::{Facts, Finding, LayerKind, StripLine, Verdict};
use crate::units::hectares;

/// What is left beside cut ground in pieces of a smaller mean width than this is not gone back for, in metres: own
/// judgement, about what a swept track and a planned edge differ by.
pub const LEAST_LEFT_M: f64 = 1.0;
/// Wider than any hair that an overlay leaves, in metres.
pub const HAIR_M: f64 = 0.002;
/// Ground is looked at for the line it is cut from at places this far apart: the machine's advance.
const STEP_M: f64 = super::hours::ADVANCE_M;

/// A shape, less what is cut, and what of it is cut.
pub struct Divided {
    pub left: Vec<Polygon>,
    /// Left in pieces too small or too narrow to be gone back for.
    pub scraps: Vec<Polygon>,
    pub cut: Vec<Polygon>,
}

/// None where nothing of it is cut. `wider` gives ground a hair more all round ([`HAIR_M`]).
pub fn divide(
    wider: impl Fn(MultiPolygon) -> Vec<Polygon>,
    shape: &Polygon,
    felled: &[Polygon],
    sliver_m2: f64,
) -> Option<Divided> {
    let whole = MultiPolygon(vec![shape.clone()]);
    let cut = intersection(&whole, felled);
    if area(&cut) <= 0.0 {
        return None;
    }
    let mut left = difference(&whole, felled);
    let mut cut = cut;
    // Where both have an edge in common, a hair may run along it from one end to the other, as a rim about what is cut.
    let holes = |shape: &MultiPolygon| shape.iter().map(|own| own.interiors().len()).sum::<usize>();
    if holes(&left) > holes(&whole) {
        left = difference(&whole, &wider(cut));
        cut = difference(&whole, &left.0);
    }
    let (scraps, left) = (left.0.into_iter())
        .partition(|piece| polygon_area(piece) < sliver_m2 || mean_width_m(piece) < LEAST_LEFT_M);
    let cut = cut.0;
    Some(Divided { left, scraps, cut })
}

fn mean_width_m(piece: &Polygon) -> f64 {
    let edge_m: f64 = rings(piece)
        .flat_map(|ring| ring.0.windows(2))
        .map(|w| (w[1] - w[0]).x.hypot((w[1] - w[0]).y))
        .sum();
    2.0 * polygon_area(piece) / edge_m
}

/// Of each line the stretches, as stations in metres, from which the ground that is left is cut: each place of it from the
/// nearest station. Stations up to `apart_m` apart are one stretch. Not empty as a whole, unless lines or ground are.
pub fn still_driven(lines: &[&LineString], left: &[Polygon], apart_m: f64) -> Vec<Vec<[f64; 2]>> {
    let mut stations: Vec<Vec<f64>> = vec![vec![]; lines.len()];
    let outlines = left.iter().flat_map(rings);
    for w in outlines.flat_map(|ring| ring.0.windows(2)) {
        for place in places_along(w[0], w[1], STEP_M) {
            let nearest = (lines.iter().enumerate())
                .filter_map(|(at, line)| Some((nearest_on(line, place)?, at)))
                .reduce(|best, other| if other.0.0 < best.0.0 { other } else { best });
            if let Some(((_, station_m), at)) = nearest {
                stations[at].push(station_m);
            }
        }
    }
    let lengths = lines.iter().map(|line| Track::new(line).length_m());
    (stations.into_iter().zip(lengths))
        .map(|(mut stations, length_m)| {
            stations.sort_by(f64::total_cmp);
            let mut stretches: Vec<[f64; 2]> = vec![];
            for station_m in stations {
                match stretches.last_mut() {
                    Some(last) if station_m - last[1] <= apart_m => last[1] = station_m,
                    _ => stretches.push([station_m; 2]),
                }
            }
            for stretch in &mut stretches {
                // Where all of it is cut from one place, the machine comes to that place.
                if stretch[1] - stretch[0] < STEP_M {
                    let middle_m = (stretch[0] + stretch[1]) / 2.0;
                    let from_m = (middle_m - STEP_M / 2.0).min(length_m - STEP_M).max(0.0);
                    *stretch = [from_m, (from_m + STEP_M).min(length_m)];
                }
            }
            stretches
        })
        .collect()
}

/// Where work ended, if it went on in the planned order: the end on cut ground of the last line of which half is driven. Less
/// tells nothing: lines of strips begin and end on ground of passes.
pub fn ended_at(planned: &[StripLine], felled: &[Polygon]) -> Option<Coord> {
    planned.iter().rev().find_map(|line| {
        let whole = MultiLineString(vec![line.shape.clone()]);
        let driven = clip_lines(&whole, felled, true);
        let is_driven = Euclidean.length(&driven) > Euclidean.length(&line.shape) / 2.0;
        let last = driven.0.last().filter(|_| is_driven)?;
        last.0.last().copied()
    })
}

/// Lines cut down to stretches of them.
pub fn stretches_of(line: &LineString, stretches: &[[f64; 2]]) -> Vec<LineString> {
    let made = stretches
        .iter()
        .map(|&[from_m, to_m]| between(line, from_m, to_m));
    made.filter(|line| line.0.len() > 1).collect()
}

/// Less is what rounding leaves of a common edge.
pub const TOLD_M2: f64 = 0.5;

/// What is measured of a half-cut block.
pub fn finding(
    rule_id: &str,
    verdict: Verdict,
    (measured, unit): (f64, &'static str),
    message: String,
    shape: Option<Geometry>,
) -> Finding {
    Finding {
        rule_id: rule_id.to_owned(),
        verdict,
        measured: Some(measured),
        required: None,
        unit,
        message,
        source: "docs/algorithms.md, Rest of a block".to_owned(),
        shape,
    }
}

/// What stands in the place of retention that is lost, in words.
pub fn instead(made_up_m2: f64, otherwise: &str) -> String {
    match made_up_m2 > 0.0 {
        true => format!("{made_up_m2:.0} m2 are left in its place, as patches"),
        false => otherwise.to_owned(),
    }
}

/// What is said of ground that was cut before this plan.
/// `kept` was to stay and is cut, and so many m2 are left standing in its place.
pub fn findings(
    cut: &[Polygon],
    (kept, made_up_m2): (Vec<Polygon>, f64),
    reserved_m2: f64,
) -> Vec<Finding> {
    let cut_ha = hectares(cut.iter().map(polygon_area).sum());
    let mut found = vec![finding(
        "cut-before",
        Verdict::NotApplicable,
        (cut_ha, "ha"),
        format!(
            "{cut_ha:.2} ha were cut before this plan: strips keep their numbers, and lines, order, wood and hours are those of the rest"
        ),
        None,
    )];
    let kept_m2: f64 = kept.iter().map(polygon_area).sum();
    let instead = instead(made_up_m2, "shares are of what really stands");
    if kept_m2 >= TOLD_M2 {
        found.push(finding(
            "retention-cut",
            Verdict::Warn,
            (kept_m2, "m2"),
            format!(
                "{kept_m2:.0} m2 of corridors, patches and bands that were to stay are cut; {instead}"
            ),
            Some(Geometry::MultiPolygon(MultiPolygon(kept))),
        ));
    }
    if reserved_m2 >= TOLD_M2 {
        found.push(finding(
            "reserve-cut",
            Verdict::Warn,
            (reserved_m2, "m2"),
            format!(
                "{reserved_m2:.0} m2 of what was cut lie in reserves; `audit --as-cut` says where and how deep"
            ),
            None,
        ));
    }
    found
}

/// Adds to what is said of ground that was cut before from when to when it was, where that is known.
pub fn say_when(near: &[NearFeature], findings: &mut [Finding]) {
    let Some(told) = findings
        .iter_mut()
        .find(|found| found.rule_id == "cut-before")
    else {
        return;
    };
    for near in near
        .iter()
        .filter(|near| near.feature.kind == LayerKind::Felled)
    {
        if let Some(when) = near.feature.facts.text(Facts::RECORDED) {
            let file = &near.feature.source_layer;
            told.message += &format!("; {file} was recorded from {when}");
        }
    }
}

#[cfg(test)]
mod tests {
    use geo::polygon;

    use super::*;

    fn rectangle(low: f64, high: f64) -> Polygon {
        polygon![(x: -8.0, y: low), (x: 8.0, y: low), (x: 8.0, y: high), (x: -8.0, y: high)]
    }

    #[test]
    fn a_strip_in_progress_goes_on_from_where_it_ended() {
        let line = LineString::from(vec![(0.0, 0.0), (0.0, 200.0)]);
        let divided = divide(
            |cut| cut.0,
            &rectangle(0.0, 200.0),
            &[rectangle(-5.0, 80.0)],
            1.0,
        )
        .unwrap();
        assert_eq!((divided.left.len(), divided.scraps.len()), (1, 0));
        let stretches = still_driven(&[&line], &divided.left, 16.0);
        assert_eq!(stretches.len(), 1);
        assert_eq!(stretches[0].len(), 1);
        let [from_m, to_m] = stretches[0][0];
        assert!((from_m - 80.0).abs() < 1e-9 && (to_m - 200.0).abs() < 1e-9);
        let made = stretches_of(&line, &stretches[0]);
        assert_eq!(made[0].0[0], Coord { x: 0.0, y: 80.0 });
    }

    #[test]
    fn what_is_too_narrow_is_not_gone_back_for() {
        let cut =
            polygon![(x: -7.2, y: 0.0), (x: 8.0, y: 0.0), (x: 8.0, y: 200.0), (x: -7.2, y: 200.0)];
        let divided = divide(|cut| cut.0, &rectangle(0.0, 200.0), &[cut], 1.0).unwrap();
        assert!(divided.left.is_empty());
        let scraps_m2: f64 = divided.scraps.iter().map(polygon_area).sum();
        assert!((scraps_m2 - 160.0).abs() < 0.1, "{scraps_m2}");
        assert!(
            divide(
                |cut| cut.0,
                &rectangle(0.0, 200.0),
                &[rectangle(300.0, 310.0)],
                1.0
            )
            .is_none()
        );
    }
}
