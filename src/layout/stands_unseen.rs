//! Ground of which rasters of stands know nothing: told with its place, and what stands in there.

use geo::Geometry;

use super::growth::Growth;
use crate::geometry::area::area;
use crate::model::{Finding, Section, StandSource, Verdict};

/// Less of a block is the edge of a cell.
const LITTLE: f64 = 0.001;

/// One finding for a block, at the section of which most is unknown.
pub fn finding(
    growth: &Growth<'_>,
    rasters: Option<&dyn StandSource>,
    sections: &[Section],
) -> Option<Finding> {
    let rasters = rasters?;
    let (mut unknown_m2, mut all_m2) = (0.0, 0.0);
    let mut most: Option<(f64, &Section)> = None;
    for section in sections {
        let section_m2 = area(&section.shape);
        let own_m2 = (1.0 - growth.known_by_rasters(&section.shape)?) * section_m2;
        all_m2 += section_m2;
        unknown_m2 += own_m2;
        if own_m2 > most.map_or(0.0, |(m2, _)| m2) {
            most = Some((own_m2, section));
        }
    }
    let (_, at) = most.filter(|_| unknown_m2 > LITTLE * all_m2)?;
    let known = 1.0 - unknown_m2 / all_m2;
    Some(Finding {
        rule_id: "stand-raster".to_owned(),
        verdict: Verdict::Warn,
        measured: Some(known),
        required: Some(1.0),
        unit: "share",
        message: format!(
            "{} knows {:.1} % of the ground to be felled; on the rest the figures of stands and of [production] are taken",
            rasters.names(),
            known * 100.0
        ),
        source: "docs/algorithms.md, Rasters of stands".to_owned(),
        shape: Some(Geometry::MultiPolygon(at.shape.clone())),
    })
}
