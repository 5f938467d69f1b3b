//! How far trees stand apart, which says how wide a corridor must be to be more than a row of them.

use geo::MultiPolygon;

use super::growth::Growth;
use super::strips::ASSUMED_STEMS_PER_HA;
use crate::geometry::area::{Bounds, area};
use crate::landbase::{Landbase, NearFeature};
use crate::model::{LayerKind, Settings, SourceBlock};
use crate::units::hectares;

/// Mean distance from tree to tree in a block, in metres: the side of the square that each of the trees has which a machine
/// would cut. None: nobody says how many stand on all of it, or none do.
pub fn in_block(
    (landbase, settings): (&Landbase<'_>, &Settings),
    block: &SourceBlock,
    shape: &MultiPolygon,
    near: &[NearFeature],
) -> Option<f64> {
    let stands: Vec<&NearFeature> = (near.iter())
        .filter(|near| near.feature.kind == LayerKind::Stands)
        .collect();
    let growth = Growth::new(
        &stands,
        &Bounds::of_polygons(shape),
        &settings.production,
        &settings.machine,
    )
    .with_rasters(landbase.stand_rasters(), &block.frame);
    let stems_per_ha = growth.felled(shape, 0.0)?.trees / hectares(area(shape));
    (stems_per_ha > 0.0).then(|| spacing_m(stems_per_ha))
}

/// 100 / sqrt(stems per hectare): trees in a square grid.
fn spacing_m(stems_per_ha: f64) -> f64 {
    100.0 / stems_per_ha.sqrt()
}

/// Least width of corridors of as many trees as asked, in metres: no less than `corridor_min`, and no more than corridors may be wide.
/// Where nobody knows the trees, those that are assumed for the choice of a direction.
pub fn least_m(settings: &Settings, spacing_m: Option<f64>) -> f64 {
    let layout = &settings.layout;
    let spacing_m = spacing_m.unwrap_or_else(|| self::spacing_m(ASSUMED_STEMS_PER_HA));
    let most_m = layout.corridor_max_m.min(settings.machine.strip_width_m());
    (layout.corridor_spacings * spacing_m)
        .min(most_m)
        .max(layout.corridor_min_m)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// By hand: 625 trees to a hectare have 16 m2 each, 4 m by 4 m, and three of them take 12 m.
    #[test]
    fn as_many_trees_as_asked_stand_side_by_side_across_a_corridor() {
        assert_eq!(spacing_m(625.0), 4.0);
        let mut settings = Settings::default();
        assert_eq!(least_m(&settings, Some(4.0)), 12.0);
        settings.layout.corridor_max_m = 10.0;
        assert_eq!(least_m(&settings, Some(4.0)), 10.0);
        settings.layout.corridor_spacings = 0.0;
        assert_eq!(least_m(&settings, Some(4.0)), 3.0);
    }
}
