//! What stands between strips: how wide corridors are, and whether anything stands where other machines need room.

use geo::{Coord, MultiPolygon, Polygon};

use super::asked;
use super::farthest::farthest;
use super::ground::Ground;
use super::reached::Reached;
use super::row::{Judged, Measure, Named, Origin, ROUNDING_M, measured, row};
use super::scene::Scene;
use super::split::split;
use crate::geometry::area::{Bounds, length, polygon_area, rings};
use crate::geometry::distance::SegmentIndex;
use crate::geometry::frame::{Frame, azimuth_deg};
use crate::model::{LayoutSettings, Verdict};

/// How exactly the width of a standing piece is found where no plan gives its direction, and how exactly where it comes
/// near a limit.
const COARSE_M: f64 = 0.25;
const WIDTH_PRECISION_M: f64 = 0.02;
/// Reserves are grown by this before it is asked what else stands in the road band: a hair of ground between a reserve
/// as planned, rounded up to the next half metre, and as drawn here is no retention.
const RESERVE_HAIR_M: f64 = 0.6;
/// Standing pieces in the road band narrower than this are seams.
const LEAST_WIDTH_M: f64 = 0.1;
/// Less than this in a road band is the end of a corridor, cut a hair too short.
const LEAST_AREA_M2: f64 = 1.0;

/// Widest extent of a polygon across an azimuth, in metres.
pub(super) fn across_m(polygon: &Polygon, azimuth_deg: f64) -> f64 {
    let frame = Frame::new(azimuth_deg);
    let bounds = Bounds::of_polygons(&frame.enter_polygons(&MultiPolygon(vec![polygon.clone()])));
    bounds.max.x - bounds.min.x
}

impl Scene<'_> {
    /// The direction driven in a part: of its longest straight stretch.
    pub(super) fn azimuth_of(&self, part: u32) -> Option<f64> {
        let of_part = self.given.lines.iter().zip(&self.lines);
        let of_part = of_part.filter(|(given, _)| given.part == part && given.interior);
        let stretches = of_part.flat_map(|(_, line)| line.0.windows(2));
        let long = |w: &[Coord]| (w[1].x - w[0].x).hypot(w[1].y - w[0].y);
        let longest = stretches.max_by(|a, b| long(a).total_cmp(&long(b)))?;
        Some(azimuth_deg(longest[1] - longest[0]))
    }

    /// The narrowest corridor against the least width, and, of a plan, the widest against the greatest.
    pub(super) fn corridor_widths(&self) -> Vec<Judged> {
        let layout = &self.context.settings.layout;
        let rules = &self.context.rules.block;
        let of_plan = self.given.corridors.is_some();
        let widths = match &self.given.corridors {
            Some(corridors) => corridors
                .iter()
                .filter_map(|corridor| {
                    let azimuth_deg = self.azimuth_of(corridor.part)?;
                    let shape = self.local(&corridor.shape);
                    Some((across_m(&shape, azimuth_deg), shape))
                })
                .collect(),
            None => self.standing_widths(),
        };
        let narrowest = widths.iter().min_by(|a, b| a.0.total_cmp(&b.0));
        let widest = widths.iter().max_by(|a, b| a.0.total_cmp(&b.0));
        let (Some(narrowest), Some(widest)) = (narrowest, widest) else {
            return vec![];
        };
        let judge =
            |named: Named, required_m: f64, (width_m, shape): &(f64, Polygon), short, origin| {
                let measure = Measure {
                    short,
                    rounding: if of_plan {
                        ROUNDING_M
                    } else {
                        WIDTH_PRECISION_M
                    },
                    // Both edges may be off.
                    tolerance: 2.0 * self.context.tolerance_m,
                    doubt: None,
                    doubt_may_save: false,
                };
                let judged = measured(named, (required_m, *width_m), measure, origin);
                if judged.status() <= Verdict::NotApplicable {
                    return judged;
                }
                let shape = MultiPolygon(vec![shape.clone()]);
                judged
                    .at(Some(Bounds::of_polygons(&shape).middle()))
                    .over(shape)
            };
        let least_m = layout.corridor_min_m;
        let origin = Origin::of_rule_or(
            rules.corridor_min_m.as_ref(),
            least_m,
            "layout.corridor_min of the project file",
        );
        let mut rows = vec![judge(
            Named {
                id: "corridor-width",
                title: "Corridors no narrower than set".to_owned(),
                unit: "m",
            },
            least_m,
            narrowest,
            least_m - narrowest.0,
            origin,
        )];
        if of_plan {
            let most_m = layout.corridor_max_m;
            let origin = Origin::of_rule_or(
                rules.corridor_max_m.as_ref(),
                most_m,
                "layout.corridor_max of the project file",
            );
            rows.push(judge(
                Named {
                    id: "corridor-width-most",
                    title: "Corridors no wider than set".to_owned(),
                    unit: "m",
                },
                most_m,
                widest,
                widest.0 - most_m,
                origin,
            ));
        }
        rows
    }

    /// Standing pieces and how wide each is at its widest place: where that is too narrow, all of it is.
    pub(super) fn standing_widths(&self) -> Vec<(f64, Polygon)> {
        let standing = self.standing();
        let layout = &self.context.settings.layout;
        let least_m2 = layout.sliver_m2;
        let pieces = standing.shape.0.iter();
        pieces
            .filter(|piece| polygon_area(piece) >= least_m2)
            .filter_map(|piece| {
                let shape = MultiPolygon(vec![piece.clone()]);
                // No shape is narrower at its widest place than twice its area over its outline.
                let around_m: f64 = rings(piece).map(length).sum();
                let mean_m = 2.0 * polygon_area(piece) / around_m;
                let asked_m = if self.context.rules.block.largest_opening_m2.is_some() {
                    layout.corridor_max_m
                } else {
                    layout.corridor_min_m
                };
                if mean_m > asked_m + COARSE_M {
                    return Some((mean_m, piece.clone()));
                }
                let edge = SegmentIndex::of_boundary(&shape);
                let (coarse_m, _) = farthest(&shape, &edge, COARSE_M / 2.0)?;
                let near = |limit_m: f64| (2.0 * coarse_m - limit_m).abs() <= 1.5 * COARSE_M;
                let half_m = if near(layout.corridor_min_m) || near(layout.corridor_max_m) {
                    farthest(&shape, &edge, WIDTH_PRECISION_M / 2.0)?.0
                } else {
                    coarse_m
                };
                Some((2.0 * half_m, piece.clone()))
            })
            .collect()
    }

    /// Standing ground that counts in the road band, and whether the overlay adds up.
    fn standing_near_roads(&self) -> (MultiPolygon, bool) {
        let layout = &self.context.settings.layout;
        let mut band = Reached::default();
        let window = self.shape.bounds();
        for near in self.near.iter().filter(|near| asked::is_cleared_road(near)) {
            let edges: Vec<asked::Edge> = near
                .source
                .segments(0)
                .into_iter()
                .map(|s| asked::Edge {
                    a: s.a,
                    b: s.b,
                    required_m: layout.road_band_m,
                    slope_unknown: false,
                })
                .collect();
            asked::reach(&mut band, near, &edges, 0.0, &window);
        }
        let near_roads = split(&self.shape.shape, &band.0);
        if near_roads.inside.0.is_empty() {
            return (near_roads.inside, near_roads.sound);
        }
        let mut gone = self.reserve_grown(RESERVE_HAIR_M + self.context.tolerance_m);
        gone.extend(self.gone().iter().cloned());
        let left = split(&near_roads.inside, &gone);
        // Where no plan books slivers as unworked, what is as small as one is taken for one.
        let least_m2 = if self.given.corridors.is_some() {
            LEAST_AREA_M2
        } else {
            layout.sliver_m2.max(LEAST_AREA_M2)
        };
        let counts = |piece: &Polygon| {
            let around_m: f64 = rings(piece).map(length).sum();
            let area_m2 = polygon_area(piece);
            area_m2 >= least_m2 && 2.0 * area_m2 > LEAST_WIDTH_M * around_m
        };
        let pieces = left.outside.0.into_iter().filter(counts).collect();
        (MultiPolygon(pieces), near_roads.sound && left.sound)
    }

    /// Retention near a road: below the lesser distance a failure, below the greater a warning.
    pub(super) fn road_band(&self) -> Option<Judged> {
        let layout = &self.context.settings.layout;
        let roads = || self.near.iter().filter(|near| asked::is_cleared_road(near));
        let any = roads().next().is_some();
        let origin = self.road_band_origin();
        let named = Named {
            id: "road-band",
            title: "No retention in the road band".to_owned(),
            unit: "m",
        };
        let required = Some(layout.road_band_m);
        if !any {
            let why = (Verdict::NotApplicable, "no road near".to_owned());
            return Some(row(named, required, None, None, why, origin));
        }
        if self.standing().shape.0.is_empty() {
            let why = (Verdict::NotApplicable, "nothing stands".to_owned());
            return Some(row(named, required, None, None, why, origin));
        }
        let tolerance_m = self.context.tolerance_m;
        let (pieces, sound) = self.standing_near_roads();
        let edge = SegmentIndex::of_boundary(&pieces);
        // What a cut edge off by the tolerance would have taken away is within it.
        let (solid, thin): (Vec<Polygon>, Vec<Polygon>) = pieces.0.into_iter().partition(|piece| {
            let shape = MultiPolygon(vec![piece.clone()]);
            tolerance_m <= 0.0
                || farthest(&shape, &edge, COARSE_M / 2.0)
                    .is_some_and(|(half_m, _)| half_m > tolerance_m)
        });
        let nearest = |pieces: &[Polygon]| -> Option<(f64, Coord)> {
            let ground = Ground::new(pieces.iter().cloned());
            let mut best: Option<(f64, Coord)> = None;
            for road in roads() {
                let half_m = road.demand.half_m;
                for s in road.source.segments(0) {
                    let within_m = best.map_or(layout.road_band_m, |(m, _)| m) + half_m;
                    if let Some(contact) = ground.approach(s.a, s.b, within_m) {
                        best = Some((contact.distance_m - half_m, contact.at));
                    }
                }
            }
            best
        };
        let (of_solid, of_thin) = (nearest(&solid), nearest(&thin));
        let measured_m = [of_solid, of_thin].into_iter().flatten();
        let found = measured_m.min_by(|a, b| a.0.total_cmp(&b.0));
        let short_of = |required_m: f64| of_solid.map_or(0.0, |(m, _)| required_m - m);
        let verdict = if !sound {
            let why = "cannot be told: the overlay of cut and road band does not add up";
            (Verdict::Unknown, why.to_owned())
        } else if short_of(layout.road_band_fail_m) > tolerance_m + ROUNDING_M {
            (Verdict::Fail, "beyond tolerance".to_owned())
        } else if short_of(layout.road_band_fail_m) > ROUNDING_M {
            let words = "short of the lesser distance, but within tolerance";
            (Verdict::Warn, words.to_owned())
        } else if short_of(layout.road_band_m) > ROUNDING_M {
            let words = "between the lesser and the greater distance";
            (Verdict::Warn, words.to_owned())
        } else if of_thin.is_some_and(|(m, _)| layout.road_band_m - m > ROUNDING_M) {
            let words = "short, but within tolerance: what stands there is no wider than the cut's edge may be off";
            (Verdict::Warn, words.to_owned())
        } else {
            (Verdict::Pass, String::new())
        };
        let passes = verdict.0 == Verdict::Pass;
        let figure = found.map(|(m, _)| m);
        let mut judged = row(named, required, figure, Some(tolerance_m), verdict, origin);
        judged.row.short = figure.map(|m| super::row::shown(layout.road_band_m - m));
        if passes {
            return Some(judged);
        }
        let worst = if of_solid.is_some() { of_solid } else { found };
        let pieces = MultiPolygon(solid.into_iter().chain(thin).collect());
        Some(judged.at(worst.map(|(_, at)| at)).over(pieces))
    }

    fn road_band_origin(&self) -> Origin {
        let in_force_m = self.context.settings.layout.road_band_m;
        let rules = &self.context.rules.block;
        let decides = [&rules.road_band_m, &rules.road_band_fail_m];
        let decides = decides.into_iter().flatten();
        let mut decides = decides.filter(|rule| rule.value == in_force_m);
        let words = if in_force_m == LayoutSettings::default().road_band_m {
            "common practice: 100 to 150 ft from the road's edge"
        } else {
            "layout.road_band of the project file"
        };
        Origin::of_rule_or(decides.next(), in_force_m, words)
    }
}
