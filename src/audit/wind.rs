//! Edges of what stands that face the wind: looked at from the cut, step by step along its outline.

use geo::{Coord, MultiPolygon, Polygon};

use super::ground::Ground;
use super::row::{Judged, Origin, row};
use super::scene::Scene;
use super::split::inside_of;
use crate::geometry::area::{polygon_area, rings};
use crate::model::{RuleId, Verdict, Wind};

/// The outline is looked at this often, and ground so far beyond it.
const STEP_M: f64 = 0.5;
const BEYOND_M: f64 = 0.5;
/// A piece is open on a side where so much of what it extends across the wind lies beside the cut.
const OPEN_SHARE: f64 = 0.5;
/// So many pieces are named by their places.
const MOST_NAMED: usize = 3;

/// Metres of outline towards the wind and away from it that belong to each standing piece, reserves last.
struct Open {
    windward_m: Vec<f64>,
    lee_m: Vec<f64>,
}

impl Scene<'_> {
    pub(super) fn wind(&self) -> Vec<Judged> {
        let Some(wind) = self.context.settings.wind.as_ref() else {
            return vec![];
        };
        let pieces: Vec<&Polygon> = self.standing().shape.0.iter().collect();
        let open = self.open(wind, &pieces);
        let windward_m: f64 = open.windward_m.iter().sum();
        let doubt = self.overlay_doubt();
        let verdict = |found: usize| match (doubt, found) {
            (Some(why), _) => (Verdict::Unknown, format!("cannot be told: {why}")),
            (None, 0) => (Verdict::Pass, String::new()),
            (None, _) => (Verdict::Warn, String::new()),
        };
        let edge = row(
            RuleId::WindEdge.named(),
            None,
            Some(windward_m),
            None,
            verdict(0),
            Origin::from(wind.source.as_str()),
        );
        let narrow: Vec<Polygon> = (pieces.iter().enumerate())
            .filter(|(at, piece)| {
                let [across_m, deep_m] = extent(piece, wind.from_deg);
                let open_m = OPEN_SHARE * across_m;
                deep_m < wind.narrow_m
                    && across_m >= wind.long_times * deep_m
                    && polygon_area(piece) >= self.context.settings.layout.sliver_m2
                    && open.windward_m[*at] >= open_m
                    && open.lee_m[*at] >= open_m
            })
            .map(|(_, piece)| (*piece).clone())
            .collect();
        let mut pieces = row(
            RuleId::WindNarrow.named().titled(
                "Standing pieces long across the wind, shallow along it and open on both sides: none",
            ),
            Some(0.0),
            Some(narrow.len() as f64),
            None,
            verdict(narrow.len()),
            Origin::from(wind.source.as_str()),
        );
        if !narrow.is_empty() {
            let place = |piece: &Polygon| piece.exterior().0[0];
            let at: Vec<String> = narrow
                .iter()
                .take(MOST_NAMED)
                .map(|piece| {
                    let place = self.block.frame.told(place(piece));
                    format!("({:.0}, {:.0})", place.x, place.y)
                })
                .collect();
            let first = place(&narrow[0]);
            pieces = pieces
                .at(Some(first))
                .over(MultiPolygon(narrow))
                .saying(&format!("near {}", at.join(", ")));
        }
        vec![edge, pieces]
    }

    fn open(&self, wind: &Wind, pieces: &[&Polygon]) -> Open {
        let (sin, cos) = wind.from_deg.to_radians().sin_cos();
        let least = wind.within_deg().to_radians().cos() - 1e-9;
        let each: Vec<Ground> = (pieces.iter())
            .map(|piece| Ground::new([(*piece).clone()]))
            .collect();
        let reserves = Ground::new(inside_of(&self.shape.shape, self.reserve()).0);
        let mut open = Open {
            windward_m: vec![0.0; pieces.len() + 1],
            lee_m: vec![0.0; pieces.len() + 1],
        };
        for w in self.cut.shape.0.iter().flat_map(outward) {
            let along = w[1] - w[0];
            let length_m = along.x.hypot(along.y);
            if length_m <= 0.0 {
                continue;
            }
            // From the cut into what stands; the edge of that looks back.
            let into = Coord {
                x: along.y / length_m,
                y: -along.x / length_m,
            };
            let faced = -(into.x * sin + into.y * cos);
            if faced.abs() < least {
                continue;
            }
            let steps = (length_m / STEP_M).ceil();
            for k in 0..steps as u32 {
                let at = w[0] + along * ((f64::from(k) + 0.5) / steps) + into * BEYOND_M;
                // What was cut beside it is no forest; strips lie side by side.
                if self.cut.holds(at) {
                    continue;
                }
                let of = each.iter().position(|ground| ground.holds(at));
                let of = of.or_else(|| reserves.holds(at).then_some(pieces.len()));
                let Some(of) = of else { continue };
                let side = match faced > 0.0 {
                    true => &mut open.windward_m,
                    false => &mut open.lee_m,
                };
                side[of] += length_m / steps;
            }
        }
        open
    }
}

/// Edges of a polygon with its ground on their left.
fn outward(polygon: &Polygon) -> Vec<[Coord; 2]> {
    let oriented = crate::geometry::overlay::oriented(MultiPolygon(vec![polygon.clone()]));
    let edges = oriented.0.iter().flat_map(rings);
    edges
        .flat_map(|ring| ring.0.windows(2).map(|w| [w[0], w[1]]))
        .collect()
}

/// How far a polygon extends across a direction, and its mean depth along it; m.
fn extent(polygon: &Polygon, from_deg: f64) -> [f64; 2] {
    let (sin, cos) = from_deg.to_radians().sin_cos();
    let across = |c: &Coord| c.x * cos - c.y * sin;
    let corners = polygon.exterior().0.iter().map(across);
    let (low, high) = corners.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), x| {
        (low.min(x), high.max(x))
    });
    [high - low, polygon_area(polygon) / (high - low).max(1e-9)]
}
