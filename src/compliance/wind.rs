//! What of retention stands open to the wind that throws trees: measured on the pieces as written.

use geo::{Geometry, MultiPoint, MultiPolygon, Polygon};

use super::{Judge, Judged};
use crate::geometry::overlay::union;
use crate::geometry::windward::{CutGround, Facing, across_and_deep_m, open_edge_m, sharp_corners};
use crate::model::*;

/// A piece is open on a side where so much of what it extends across the wind lies beside cut ground.
const OPEN_SHARE: f64 = 0.5;
/// So many pieces are named in a finding; its geometry has all.
const MOST_NAMED: usize = 8;

impl Judge<'_> {
    /// Measures of every piece, and rows with edges, narrow pieces and sharp corners; None where the project names no wind.
    pub(super) fn wind(&self) -> Option<(BlockWind, Vec<Judged>)> {
        let wind = self.context.settings.wind.as_ref()?;
        let facing = Facing {
            from_deg: wind.from_deg,
            within_deg: wind.within_deg(),
        };
        let cut = CutGround::new(self.plan.strips.iter().map(|strip| &strip.shape));
        let retained = self.plan.retained_pieces();
        let mut corners = Vec::new();
        let pieces = retained.iter().map(|piece| {
            let windward_m = open_edge_m(piece.shape, &cut, facing);
            let [across_m, deep_m] = across_and_deep_m(piece.shape, wind.from_deg);
            let is_long = deep_m < wind.narrow_m && across_m >= wind.long_times * deep_m;
            let open_m = OPEN_SHARE * across_m;
            // Before deep forest an edge has its own row; a narrow piece gives way as a whole.
            let is_narrow = is_long
                && windward_m >= open_m
                && open_edge_m(piece.shape, &cut, facing.turned()) >= open_m;
            let sharp = sharp_corners(piece.shape, &cut, facing, wind.sharp_corner_deg);
            let sharp_corners = sharp.len() as u32;
            corners.extend(sharp);
            PieceWind {
                id: piece.id.clone(),
                windward_m,
                across_m,
                deep_m,
                sharp_corners,
                is_narrow,
            }
        });
        let pieces: Vec<PieceWind> = pieces.collect();
        let reserves = (self.plan.zones.iter())
            .filter(|zone| zone.kind == ZoneKind::Reserve && zone.kept.is_none());
        let reserves: Vec<Polygon> = reserves
            .flat_map(|zone| zone.shape.0.iter().cloned())
            .collect();
        let reserves = union(&reserves);
        let block = BlockWind {
            reserves_m: reserves
                .0
                .iter()
                .map(|shape| open_edge_m(shape, &cut, facing))
                .fold(0.0, |sum, m| sum + m),
            pieces,
        };
        let source = wind.source.as_str();
        let edge = self.row(
            RuleId::WindEdge.named(),
            None,
            Some(block.windward_m()),
            Verdict::Pass,
            source,
        );
        let count = |named: Named, count: usize| {
            let status = match count {
                0 => Verdict::Pass,
                _ => Verdict::Warn,
            };
            self.row(named, Some(0.0), Some(count as f64), status, source)
        };
        let narrow: Vec<&PieceWind> = block.narrow().collect();
        let mut pieces = count(
            RuleId::WindNarrow.named().titled(
                "Retained pieces long across the wind, shallow along it and open on both sides: none",
            ),
            narrow.len(),
        );
        if let Some(worst) = narrow.iter().min_by(|a, b| a.deep_m.total_cmp(&b.deep_m)) {
            let ids = narrow
                .iter()
                .take(MOST_NAMED)
                .map(|piece| piece.id.as_str());
            let more = match narrow.len().saturating_sub(MOST_NAMED) {
                0 => String::new(),
                more => format!(" and {more} more"),
            };
            pieces.why = format!(
                "{}{more}; {} is {:.0} m long across the wind and {:.1} m deep along it, where less than {:.0} m is narrow; fewer and \
                 wider corridors, strips along the wind (`azimuth`, `seconds_per_m` of [wind]) or patches stand better; nothing is known \
                 of soil, roots and the lie of the land",
                ids.collect::<Vec<_>>().join(", "),
                worst.id,
                worst.across_m,
                worst.deep_m,
                wind.narrow_m,
            );
            let shapes = retained.iter().zip(&block.pieces);
            let shapes = shapes.filter(|(_, piece)| piece.is_narrow);
            pieces.place = Some(Geometry::MultiPolygon(MultiPolygon(
                shapes.map(|(piece, _)| piece.shape.clone()).collect(),
            )));
        }
        let mut sharp = count(RuleId::WindCorner.named(), corners.len());
        if !corners.is_empty() {
            let of = block.pieces.iter().filter(|piece| piece.sharp_corners > 0);
            let ids: Vec<&str> = of.map(|piece| piece.id.as_str()).take(MOST_NAMED).collect();
            sharp.why = format!(
                "of {}, below {:.0} degrees; guidance read for British Columbia asks for smooth edges without them",
                ids.join(", "),
                wind.sharp_corner_deg
            );
            let places = corners.into_iter().map(geo::Point).collect();
            sharp.place = Some(Geometry::MultiPoint(MultiPoint(places)));
        }
        Some((block, vec![edge, pieces, sharp]))
    }
}
