//! GEOS through GDAL, as an overlay engine.

use gdal::vector::Geometry as GdalGeometry;
use geo::{MultiLineString, MultiPolygon, Polygon};

use crate::geometry::overlay_engine::{Op, Overlay};
use crate::geometry::wkb;

/// GEOS, called through GDAL.
pub struct GeosOverlay;

impl Overlay for GeosOverlay {
    fn name(&self) -> &'static str {
        "geos"
    }

    fn areas(&self, subject: &MultiPolygon, clip: &[Polygon], op: Op) -> Option<MultiPolygon> {
        let clip = united(clip)?;
        let made = match (united(&subject.0)?, clip) {
            (None, clip) => match op {
                Op::Union => clip,
                Op::Intersection | Op::Difference => None,
            },
            (subject, None) => match op {
                Op::Union | Op::Difference => subject,
                Op::Intersection => None,
            },
            (Some(subject), Some(clip)) => Some(match op {
                Op::Union => subject.union(&clip)?,
                Op::Intersection => subject.intersection(&clip)?,
                Op::Difference => subject.difference(&clip)?,
            }),
        };
        match made {
            Some(made) => Some(MultiPolygon(wkb::read(&made.wkb().ok()?).ok()?.polygons)),
            None => Some(MultiPolygon(vec![])),
        }
    }

    fn lines(
        &self,
        lines: &MultiLineString,
        polygons: &[Polygon],
        inside: bool,
    ) -> Option<MultiLineString> {
        let Some(polygons) = united(polygons)? else {
            return Some(if inside {
                MultiLineString(vec![])
            } else {
                lines.clone()
            });
        };
        let lines = GdalGeometry::from_wkb(&wkb::write_multi_line(lines, [0.0; 2])).ok()?;
        let made = if inside {
            lines.intersection(&polygons)?
        } else {
            lines.difference(&polygons)?
        };
        Some(MultiLineString(wkb::read(&made.wkb().ok()?).ok()?.lines))
    }
}

/// One sound geometry of polygons that may overlap: neighbours in pairs, then pairs of pairs. The inner None: of nothing.
fn united(polygons: &[Polygon]) -> Option<Option<GdalGeometry>> {
    let sound = |polygon: &Polygon| {
        let geometry = GdalGeometry::from_wkb(&wkb::write_polygon(polygon, [0.0; 2])).ok()?;
        if geometry.is_valid() {
            Some(geometry)
        } else {
            // Rings that touch themselves on another engine's grid.
            geometry.buffer(0.0, 1).ok()
        }
    };
    let mut level: Vec<GdalGeometry> = polygons.iter().map(sound).collect::<Option<_>>()?;
    while level.len() > 1 {
        let pairs = level.chunks(2).map(|pair| match pair {
            [a, b] => a.union(b),
            other => other.first().cloned(),
        });
        level = pairs.collect::<Option<_>>()?;
    }
    Some(level.pop())
}
