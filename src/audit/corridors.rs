//! What stands between strips: how wide corridors are.

use geo::{Coord, MinimumRotatedRect, MultiPolygon, Polygon};

use super::farthest::half_width;
use super::row::{Judged, Measure, Named, Origin, ROUNDING_M, measured};
use super::scene::Scene;
use crate::geometry::area::{Bounds, polygon_area};
use crate::geometry::frame::{Frame, azimuth_deg};
use crate::model::{RuleId, SPACINGS_WISH, Verdict};

/// How exactly the width of a standing piece is found where no plan gives its direction, and how exactly where it comes
/// near a limit.
pub(super) const COARSE_M: f64 = 0.25;
const WIDTH_PRECISION_M: f64 = 0.02;

/// A standing piece so many times as long as wide shows which way corridors run, and one that runs within so many degrees
/// of another runs like it.
const LONG_TIMES: f64 = 4.0;
const ALIKE_DEG: f64 = 15.0;

/// Azimuth of the longer side of the smallest rectangle around a polygon, and how many times as long as the other it is.
fn long_side(polygon: &Polygon) -> Option<(f64, f64)> {
    let rectangle = polygon.minimum_rotated_rect()?;
    let corners = &rectangle.exterior().0;
    let side = |at: usize| {
        let along = corners.get(at + 1).copied()? - corners.get(at).copied()?;
        Some((along.x.hypot(along.y), along))
    };
    let (a, b) = (side(0)?, side(1)?);
    let (long, short) = if a.0 >= b.0 { (a, b) } else { (b, a) };
    Some((azimuth_deg(long.1), long.0 / short.0.max(1e-9)))
}

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
        let standing = match of_plan {
            true => vec![],
            false => self.standing_widths(),
        };
        let widths = match &self.given.corridors {
            Some(corridors) => corridors
                .iter()
                .filter_map(|corridor| {
                    let azimuth_deg = self.azimuth_of(corridor.part)?;
                    let shape = self.local(&corridor.shape);
                    Some((across_m(&shape, azimuth_deg), shape))
                })
                .collect(),
            None => self.told_from_others(standing.clone(), layout.corridor_min_m),
        };
        let spaced = self.corridor_spacings(&widths, standing);
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
                    leeway: self.context.certainty.of_width(widths.len(), 1.0),
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
        let origin = Origin::of_rule_in_force(
            rules.corridor_min_m.as_ref(),
            least_m,
            "layout.corridor_min of the project file",
        );
        let mut rows = vec![judge(
            RuleId::CorridorWidth.named(),
            least_m,
            narrowest,
            least_m - narrowest.0,
            origin,
        )];
        if of_plan {
            let most_m = layout.corridor_max_m;
            let origin = Origin::of_rule_in_force(
                rules.corridor_max_m.as_ref(),
                most_m,
                "layout.corridor_max of the project file",
            );
            rows.push(judge(
                RuleId::CorridorWidthMost.named(),
                most_m,
                widest,
                widest.0 - most_m,
                origin,
            ));
        }
        rows.extend(spaced);
        rows
    }

    /// The narrowest corridor in distances from tree to tree. What the project wishes is a warning at most.
    fn corridor_spacings(
        &self,
        of_corridors: &[(f64, Polygon)],
        standing: Vec<(f64, Polygon)>,
    ) -> Option<Judged> {
        let asked = self.context.settings.layout.corridor_spacings;
        let spacing_m = self.spacing_m()?;
        let rule = self.context.rules.block.corridor_spacings.as_ref();
        let of_plan = self.given.corridors.is_some();
        let widths = match of_plan {
            true => of_corridors.to_vec(),
            false => self.told_from_others(standing, asked * spacing_m),
        };
        let (narrowest_m, shape) = widths.iter().min_by(|a, b| a.0.total_cmp(&b.0))?;
        let rounding_m = match of_plan {
            true => ROUNDING_M,
            false => WIDTH_PRECISION_M,
        };
        let named = RuleId::CorridorSpacings.named();
        let measure = Measure {
            short: asked - narrowest_m / spacing_m,
            rounding: rounding_m / spacing_m,
            leeway: self.context.certainty.of_width(widths.len(), spacing_m),
            doubt: None,
            doubt_may_save: false,
        };
        let origin = Origin::of_rule_in_force(rule, asked, SPACINGS_WISH);
        let is_wish = origin.status.is_none();
        let mut judged = measured(named, (asked, narrowest_m / spacing_m), measure, origin);
        if judged.status() <= Verdict::NotApplicable {
            return Some(judged);
        }
        if is_wish {
            judged.row.row.status = Verdict::Warn;
        }
        let layout = &self.context.settings.layout;
        let why = layout.why_narrow(spacing_m, *narrowest_m);
        let shape = MultiPolygon(vec![shape.clone()]);
        let at = Some(Bounds::of_polygons(&shape).middle());
        Some(judged.at(at).over(shape).saying(&why))
    }

    /// Standing pieces that are corridors as far as can be told without a plan. A narrow one is, where it has the form of one
    /// and runs like the others; else it is the end of a band, ground out of reach, or a scrap.
    fn told_from_others(&self, pieces: Vec<(f64, Polygon)>, least_m: f64) -> Vec<(f64, Polygon)> {
        let is_wide = |width_m: f64| width_m >= least_m - WIDTH_PRECISION_M;
        let (mut wide, narrow): (Vec<_>, Vec<_>) = pieces
            .into_iter()
            .partition(|(width_m, _)| is_wide(*width_m));
        let narrow = narrow
            .into_iter()
            .filter(|(_, piece)| self.is_corridor(piece));
        let mut narrow: Vec<(f64, Polygon)> = narrow.collect();
        if !narrow.is_empty() {
            let directions: Vec<f64> = (wide.iter())
                .filter_map(|(_, piece)| {
                    let (azimuth_deg, times) = long_side(piece)?;
                    (times >= LONG_TIMES && self.is_corridor(piece)).then_some(azimuth_deg)
                })
                .collect();
            narrow.retain(|(_, piece)| {
                let own = long_side(piece);
                let alike = |other: &f64| {
                    own.is_none_or(|(own, _)| {
                        let off = (own - other).rem_euclid(180.0);
                        off.min(180.0 - off) <= ALIKE_DEG
                    })
                };
                directions.is_empty() || directions.iter().any(alike)
            });
        }
        wide.extend(narrow);
        wide
    }

    /// Standing pieces and how wide each is at its widest place: where that is too narrow, all of it is.
    pub(super) fn standing_widths(&self) -> Vec<(f64, Polygon)> {
        let standing = self.standing();
        let layout = &self.context.settings.layout;
        let (asked, spacing_m) = (layout.corridor_spacings, self.spacing_m());
        let least_m2 = layout.sliver_m2;
        let pieces = standing.shape.0.iter();
        pieces
            .filter(|piece| polygon_area(piece) >= least_m2)
            .map(|piece| {
                let of_trees_m = asked * spacing_m.unwrap_or(0.0);
                let asked_m = if self.context.rules.block.largest_opening_m2.is_some() {
                    layout.corridor_max_m
                } else {
                    layout.corridor_min_m.max(of_trees_m)
                };
                let enough_m = (asked_m + COARSE_M) / 2.0;
                let coarse_m = half_width(piece, COARSE_M / 2.0, enough_m);
                let near = |limit_m: f64| (2.0 * coarse_m - limit_m).abs() <= 1.5 * COARSE_M;
                let half_m = if near(layout.corridor_min_m) || near(of_trees_m) || near(asked_m) {
                    half_width(piece, WIDTH_PRECISION_M / 2.0, enough_m)
                } else {
                    coarse_m
                };
                (2.0 * half_m, piece.clone())
            })
            .collect()
    }
}
