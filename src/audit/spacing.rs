//! How far trees stand apart in a block, worked out anew from its stands.

use geo::MultiPolygon;

use super::scene::Scene;
use crate::geometry::area::area;
use crate::geometry::buffer::Source;
use crate::geometry::overlay::{difference, intersection};
use crate::model::LayerKind;
use crate::units::hectares;

/// Ground of which nobody says how many trees stand on it, up to this share of a block, counts like the rest.
const UNKNOWN_SHARE: f64 = 0.01;

impl Scene<'_> {
    /// Mean distance from tree to tree, m: the side of the square that each of the trees has which a machine would cut. None:
    /// corridors need not be some trees wide, or nobody says how many stand.
    pub(super) fn spacing_m(&self) -> Option<f64> {
        let is_asked = self.context.settings.layout.corridor_spacings > 0.0;
        *self.spacing_m.get_or_init(|| {
            let stems_per_ha = is_asked.then(|| self.stems_per_ha()).flatten()?;
            (stems_per_ha > 0.0).then(|| 100.0 / stems_per_ha.sqrt())
        })
    }

    fn stems_per_ha(&self) -> Option<f64> {
        let shape = &self.shape.shape;
        let of_stands = self.stems_of_stands(shape);
        let rasters = self.context.landbase.stand_rasters();
        let stems = rasters.and_then(|rasters| {
            let means = rasters.of_block(&self.block.frame).means(shape);
            means.stems
        });
        let Some(stems) = stems else {
            return of_stands;
        };
        let unknown = 1.0 - stems.known;
        match of_stands {
            Some(of_stands) => Some(stems.per_ha * stems.known + of_stands * unknown),
            None => (unknown <= UNKNOWN_SHARE).then_some(stems.per_ha),
        }
    }

    /// Of what stands or the project say; where stands overlap the first counts.
    fn stems_of_stands(&self, shape: &MultiPolygon) -> Option<f64> {
        let settings = self.context.settings;
        let (mut stems, mut known_m2) = (0.0, 0.0);
        let mut rest = shape.clone();
        let mut add = |ground_m2: f64, per_ha: Option<f64>| {
            if let Some(per_ha) = per_ha {
                stems += per_ha * hectares(ground_m2);
                known_m2 += ground_m2;
            }
        };
        for near in self
            .near
            .iter()
            .filter(|n| n.feature.kind == LayerKind::Stands)
        {
            let feature = near.feature;
            let (Source::Polygons(polygons), true) = (
                &near.source,
                feature.stems_per_ha.is_some() || feature.tree_m3.is_some(),
            ) else {
                continue;
            };
            let of_table = (feature.trees.as_ref())
                .map(|table| table.treated(0.0, &settings.machine).cut.stems);
            let per_ha = of_table
                .or(feature.stems_per_ha)
                .or(settings.production.stems_per_ha);
            add(area(&intersection(&rest, &polygons.0)), per_ha);
            rest = difference(&rest, &polygons.0);
        }
        add(area(&rest), settings.production.stems_per_ha);
        let all_m2 = area(shape);
        let is_known = all_m2 - known_m2 <= UNKNOWN_SHARE * all_m2;
        (is_known && known_m2 > 0.0).then(|| stems / hectares(known_m2))
    }
}
