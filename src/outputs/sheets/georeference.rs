//! Where a sheet lies on the globe: the dictionaries of ISO 32000-2, 12.10, for a viewport with a geospatial measure.

use std::fmt::Write as _;

use gdal::spatial_ref::{AxisMappingStrategy, SpatialRef};
use geo::Coord;

use super::canvas::Frame;
use crate::outputs::OutputError;
use crate::sources::crs::Transform;

/// Turns places of the work CRS into longitude and latitude on that CRS's own datum, as the measure wants them.
pub struct Georeference {
    to_own: Transform,
    /// Degrees per unit of the geographic CRS.
    degrees: f64,
    /// The dictionary of the coordinate system.
    pub system: String,
}

impl Georeference {
    /// # Errors
    /// A CRS without a geographic one below.
    pub fn new(srs: &SpatialRef) -> Result<Georeference, OutputError> {
        let failed = |source| OutputError::Crs { source };
        let mut from = srs.clone();
        from.set_axis_mapping_strategy(AxisMappingStrategy::TraditionalGisOrder);
        let mut own = srs.geog_cs().map_err(failed)?;
        own.set_axis_mapping_strategy(AxisMappingStrategy::TraditionalGisOrder);
        let to_own =
            Transform::new(&from, &own).map_err(|message| OutputError::NoWgs84 { message })?;
        let epsg = srs
            .authority()
            .ok()
            .and_then(|authority| authority.strip_prefix("EPSG:")?.parse::<u32>().ok());
        let kind = if srs.is_geographic() {
            "GEOGCS"
        } else {
            "PROJCS"
        };
        let mut system = format!("<< /Type /{kind}");
        // Writing to a String cannot fail.
        if let Some(code) = epsg {
            let _ = write!(system, " /EPSG {code}");
        }
        if let Ok(wkt) = srs.to_wkt() {
            let _ = write!(system, " /WKT ({})", literal(&wkt));
        }
        system.push_str(" >>");
        Ok(Georeference {
            degrees: own.angular_units().to_degrees(),
            to_own,
            system,
        })
    }

    fn lon_lat(&self, place: Coord) -> Option<Coord> {
        let mut places = [place];
        self.to_own
            .points(&mut places)
            .then(|| places[0] * self.degrees)
    }

    /// The page's viewports: one, the map. `corners` are those of the map in the work CRS, from south-west round by west
    /// and north; `system` names the object that holds the coordinate system. None where a corner has no longitude and
    /// latitude.
    pub fn viewport(&self, map: Frame, corners: [Coord; 4], system: i32) -> Option<String> {
        let mut places = String::new();
        for corner in corners {
            let place = self.lon_lat(corner)?;
            let _ = write!(places, "{:.10} {:.10} ", place.y, place.x);
        }
        Some(format!(
            "[ << /Type /Viewport /Name (Map) /BBox [ {:.2} {:.2} {:.2} {:.2} ] /Measure << /Type /Measure /Subtype /GEO \
             /Bounds [ 0 0 0 1 1 1 1 0 ] /GPTS [ {places}] /LPTS [ 0 0 0 1 1 1 1 0 ] /GCS {system} 0 R >> >> ]",
            map.x,
            map.y,
            map.right(),
            map.top(),
        ))
    }
}

/// Text inside the brackets of a PDF string.
fn literal(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for letter in text.chars() {
        match letter {
            '(' | ')' | '\\' => {
                out.push('\\');
                out.push(letter);
            }
            '\n' | '\r' => out.push(' '),
            _ if letter.is_ascii() => out.push(letter),
            _ => out.push('?'),
        }
    }
    out
}
