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
        let mut system = "<< /Type /PROJCS".to_owned();
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

    /// The page's viewports: one, the map. `ground` is west, south, east, north in the work CRS; `system` names the
    /// object that holds the coordinate system. None where a corner has no longitude and latitude.
    pub fn viewport(&self, map: Frame, ground: [f64; 4], system: i32) -> Option<String> {
        let [west, south, east, north] = ground;
        let mut corners = String::new();
        for (x, y) in [(west, south), (west, north), (east, north), (east, south)] {
            let place = self.lon_lat(Coord { x, y })?;
            let _ = write!(corners, "{:.10} {:.10} ", place.y, place.x);
        }
        Some(format!(
            "[ << /Type /Viewport /Name (Map) /BBox [ {:.2} {:.2} {:.2} {:.2} ] /Measure << /Type /Measure /Subtype /GEO \
             /Bounds [ 0 0 0 1 1 1 1 0 ] /GPTS [ {corners}] /LPTS [ 0 0 0 1 1 1 1 0 ] /GCS {system} 0 R >> >> ]",
            map.x,
            map.y,
            map.right(),
            map.top(),
        ))
    }

    /// The way of true north at a place, in degrees clockwise from grid north.
    pub fn true_north_deg(&self, at: Coord, srs: &SpatialRef) -> Option<f64> {
        const STEP_DEG: f64 = 0.001;
        let mut from = srs.geog_cs().ok()?;
        from.set_axis_mapping_strategy(AxisMappingStrategy::TraditionalGisOrder);
        let mut to = srs.clone();
        to.set_axis_mapping_strategy(AxisMappingStrategy::TraditionalGisOrder);
        let back = Transform::new(&from, &to).ok()?;
        let place = self.lon_lat(at)? / self.degrees;
        let step = Coord {
            x: 0.0,
            y: STEP_DEG / self.degrees,
        };
        let mut ends = [place - step, place + step];
        back.points(&mut ends).then(|| {
            let way = ends[1] - ends[0];
            way.x.atan2(way.y).to_degrees()
        })
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
