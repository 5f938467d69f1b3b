//! GEOS through GDAL, as an engine for the geometry core, which knows no GDAL itself.

mod overlay;

use gdal::vector::Geometry as GdalGeometry;
use geo::{LineString, MultiLineString, MultiPolygon};

use crate::geometry::buffer::{Engine, Engines, GeoEngine, Source};
use crate::geometry::grid_overlay::GridOverlay;
use crate::geometry::overlay::oriented;
use crate::geometry::overlay_engine::Overlay;
use crate::geometry::wkb;

pub use overlay::GeosOverlay;

/// GEOS, called through GDAL.
pub struct GeosEngine;

/// GEOS first, `geo` as the other engine (why: docs/dependencies.md).
pub const ENGINES: Engines<'static> = Engines {
    first: &GeosEngine,
    other: &GeoEngine,
};

/// Overlay engines in the order in which they are tried.
pub const OVERLAYS: [&dyn Overlay; 2] = [&GridOverlay, &GeosOverlay];

impl Engine for GeosEngine {
    fn name(&self) -> &'static str {
        "geos"
    }

    fn buffer(
        &self,
        source: &Source,
        distance_m: f64,
        quarter_segments: u32,
    ) -> Option<MultiPolygon> {
        let bytes = match source {
            Source::Points(_) => return GeoEngine.buffer(source, distance_m, quarter_segments),
            Source::Lines(lines) => wkb::write_multi_line(&opened(lines), [0.0; 2]),
            Source::Polygons(polygons) => wkb::write_multi_polygon(polygons, [0.0; 2]),
        };
        let buffered = GdalGeometry::from_wkb(&bytes)
            .ok()?
            .buffer(distance_m, quarter_segments)
            .ok()?;
        let parts = wkb::read(&buffered.wkb().ok()?).ok()?;
        Some(oriented(MultiPolygon(parts.polygons)))
    }
}

/// GEOS before 3.12 draws false holes into buffers of closed lines (JTS issue 876): such lines are cut in two.
fn opened(lines: &MultiLineString) -> MultiLineString {
    let mut open = Vec::with_capacity(lines.0.len());
    for line in &lines.0 {
        let count = line.0.len();
        if count > 3 && line.0.first() == line.0.last() {
            open.push(LineString(line.0[..=count / 2].to_vec()));
            open.push(LineString(line.0[count / 2..].to_vec()));
        } else {
            open.push(line.clone());
        }
    }
    MultiLineString(open)
}
