//! Coordinate reference systems: the work CRS and its checks, the CRS of a layer, transformation, scale and area.
//! Everywhere x is east or longitude and y north or latitude, whatever an authority says.

use gdal::spatial_ref::{AxisMappingStrategy, SpatialRef};
use gdal_calls::crs::Transformation;
use geo::{Coord, Destination, GeodesicArea, GeodesicMeasure, LineString, MultiPolygon, Point};

use super::errors::SourceError;
use super::open::{forget_failures, last_failure};
use crate::geometry::wkb::Parts;

/// Largest deviation of the point scale from 1.
pub const SCALE_LIMIT: f64 = 0.002;
/// Blocks farther than this beyond the CRS's area of use are taken for misplaced.
const AREA_OF_USE_MARGIN_DEG: f64 = 3.0;
/// Step of the numeric scale.
const SCALE_STEP_M: f64 = 50.0;

/// Reads a CRS as users write it: an authority code, a URN, WKT or a PROJ string. No files, no links.
///
/// # Errors
/// [`SourceError::BadCrs`], naming `whose` it is.
pub fn parse_crs(text: &str, whose: &str) -> Result<SpatialRef, SourceError> {
    let bad = |message: String| SourceError::BadCrs {
        whose: whose.to_owned(),
        crs: text.to_owned(),
        message,
    };
    let trimmed = text.trim();
    let code = trimmed.split_once(':').is_some_and(|(authority, code)| {
        !authority.is_empty()
            && authority.chars().all(|c| c.is_ascii_alphanumeric())
            && !code.is_empty()
            && code
                .chars()
                .all(|c| c.is_ascii_alphanumeric() || ":._-".contains(c))
    });
    let upper = trimmed.to_ascii_uppercase();
    let wkt = [
        "PROJC",
        "GEOGC",
        "GEODC",
        "BOUNDCRS",
        "COMPOUNDCRS",
        "COMPD_CS",
    ]
    .iter()
    .any(|word| upper.starts_with(word));
    let proj = trimmed.starts_with("+proj=") && !trimmed.contains("grids");
    if !(code || wkt || proj) {
        return Err(bad("it is neither an authority code nor WKT".to_owned()));
    }
    forget_failures();
    let found = SpatialRef::from_definition(trimmed);
    let mut crs = found.map_err(|error| {
        let message = last_failure().unwrap_or_else(|| error.to_string());
        // What every database has is looked up before a code of the user's is blamed.
        match code && SpatialRef::from_definition("EPSG:4326").is_err() {
            true => SourceError::NoCrsDatabase { message },
            false => bad(message),
        }
    })?;
    crs.set_axis_mapping_strategy(AxisMappingStrategy::TraditionalGisOrder);
    Ok(crs)
}

/// What PROJ calls a CRS that was given by its parameters alone.
const UNNAMED: &str = "unknown";

/// Authority code, or else the name; of a CRS without one its parameters.
pub fn label(crs: &SpatialRef) -> String {
    if let Ok(code) = crs.authority() {
        return code;
    }
    match crs.name() {
        Some(name) if !name.eq_ignore_ascii_case(UNNAMED) => name,
        _ => match crs.to_proj4() {
            Ok(parameters) if !parameters.trim().is_empty() => parameters.trim().to_owned(),
            _ => "a CRS without a name".to_owned(),
        },
    }
}

/// Whether a CRS only says that nobody knows. One of parameters without a name says enough.
pub fn says_nothing(crs: &SpatialRef) -> bool {
    let named = crs
        .name()
        .is_some_and(|name| !name.starts_with("Undefined"));
    crs.is_local() || !named || !(crs.is_projected() || crs.is_geographic())
}

/// Moves coordinates from a layer's CRS into the work CRS, or leaves them bit for bit where the two are the same.
pub struct Transform(Option<Transformation>);

impl Transform {
    /// # Errors
    /// GDAL's message when there is no way from one to the other.
    pub fn new(from: &SpatialRef, to: &SpatialRef) -> Result<Transform, String> {
        if from == to {
            return Ok(Transform(None));
        }
        forget_failures();
        Transformation::new(from, to)
            .map(|transform| Transform(Some(transform)))
            .map_err(|error| last_failure().unwrap_or_else(|| error.to_string()))
    }

    /// No change.
    pub fn same() -> Transform {
        Transform(None)
    }

    /// Transforms points in place; false, with the points in no defined state, when one lies where the CRS does not
    /// reach.
    pub fn points(&self, points: &mut [Coord]) -> bool {
        let Some(transform) = &self.0 else {
            return true;
        };
        if points.is_empty() {
            return true;
        }
        let mut x: Vec<f64> = points.iter().map(|p| p.x).collect();
        let mut y: Vec<f64> = points.iter().map(|p| p.y).collect();
        if transform.places(&mut x, &mut y).is_err() {
            return false;
        }
        for ((point, x), y) in points.iter_mut().zip(x).zip(y) {
            *point = Coord { x, y };
        }
        points.iter().all(|p| p.x.is_finite() && p.y.is_finite())
    }

    /// As [`Transform::points`], for all parts of a geometry.
    pub fn parts(&self, parts: &mut Parts) -> bool {
        if self.0.is_none() {
            return true;
        }
        let mut ok = true;
        for point in &mut parts.points {
            ok &= self.points(std::slice::from_mut(&mut point.0));
        }
        for line in &mut parts.lines {
            ok &= self.points(&mut line.0);
        }
        for polygon in &mut parts.polygons {
            polygon.exterior_mut(|ring| ok &= self.ring(ring));
            polygon.interiors_mut(|rings| {
                for ring in rings {
                    ok &= self.ring(ring);
                }
            });
        }
        ok
    }

    fn ring(&self, ring: &mut LineString) -> bool {
        let ok = self.points(&mut ring.0);
        // geo closes a ring that is changed: a last point transformed on its own must equal the first to the bit.
        if let [first, .., last] = &mut ring.0[..] {
            *last = *first;
        }
        ok
    }
}

/// Grid length over ground length along both axes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PointScale {
    pub east: f64,
    pub north: f64,
}

impl PointScale {
    /// Whichever is farther from 1.
    pub fn worst(self) -> f64 {
        if (self.east - 1.0).abs() > (self.north - 1.0).abs() {
            self.east
        } else {
            self.north
        }
    }

    /// One figure for both, exact where the CRS keeps angles.
    pub fn mean(self) -> f64 {
        (self.east * self.north).sqrt()
    }
}

/// The CRS in which everything is computed: projected, in metres.
pub struct WorkCrs {
    pub spatial_ref: SpatialRef,
    /// Authority code or name.
    pub label: String,
    pub wkt: String,
    /// To longitude and latitude on the CRS's own datum.
    geographic: Transform,
    grid: Transform,
    /// Degrees per unit of that geographic CRS.
    degrees: f64,
    equatorial_m: f64,
    flattening: f64,
    wgs84: Transform,
}

impl WorkCrs {
    /// # Errors
    /// When the CRS is not understood, in degrees, or not in metres.
    pub fn new(text: &str) -> Result<WorkCrs, SourceError> {
        let spatial_ref = parse_crs(text, "[project]")?;
        let label = label(&spatial_ref);
        if !spatial_ref.is_projected() {
            return Err(SourceError::NotProjected { crs: label });
        }
        let metres = spatial_ref.linear_units();
        if (metres - 1.0).abs() > 1e-12 {
            return Err(SourceError::NotMetres {
                crs: label,
                unit: spatial_ref.linear_units_name().unwrap_or_default(),
                metres,
            });
        }
        let bad = |message: String| SourceError::BadCrs {
            whose: "[project]".to_owned(),
            crs: text.to_owned(),
            message,
        };
        let mut own = spatial_ref.geog_cs().map_err(|e| bad(e.to_string()))?;
        own.set_axis_mapping_strategy(AxisMappingStrategy::TraditionalGisOrder);
        let equatorial_m = own.semi_major().map_err(|e| bad(e.to_string()))?;
        let polar_m = own.semi_minor().map_err(|e| bad(e.to_string()))?;
        Ok(WorkCrs {
            wkt: wkt2(&spatial_ref).map_err(|e| bad(e.to_string()))?,
            geographic: Transform::new(&spatial_ref, &own).map_err(bad)?,
            grid: Transform::new(&own, &spatial_ref).map_err(bad)?,
            degrees: own.angular_units().to_degrees(),
            equatorial_m,
            flattening: (equatorial_m - polar_m) / equatorial_m,
            wgs84: Transform::new(&spatial_ref, &wgs84()?).map_err(bad)?,
            spatial_ref,
            label,
        })
    }

    /// Point scale at a place, from two pairs of points 100 m apart on the CRS's own ellipsoid; None outside the CRS.
    pub fn point_scale(&self, at: Coord) -> Option<PointScale> {
        let mut centre = [at];
        if !self.geographic.points(&mut centre) {
            return None;
        }
        let centre = Point(centre[0] * self.degrees);
        // The model needs degrees; `GeodesicMeasure::new` takes the flattening itself.
        let ellipsoid = GeodesicMeasure::new(self.equatorial_m, self.flattening);
        let scale = |bearing: f64| {
            let mut ends = [bearing, bearing + 180.0]
                .map(|b| ellipsoid.destination(centre, b, SCALE_STEP_M).0 / self.degrees);
            self.grid.points(&mut ends).then(|| {
                let d = ends[1] - ends[0];
                d.x.hypot(d.y) / (2.0 * SCALE_STEP_M)
            })
        };
        Some(PointScale {
            east: scale(90.0)?,
            north: scale(0.0)?,
        })
    }

    /// Area on the WGS 84 ellipsoid, holes taken off, edges as geodesics between the vertices; None outside the CRS.
    /// Shells must run counter-clockwise and holes clockwise.
    pub fn geodesic_m2(&self, shape: &MultiPolygon) -> Option<f64> {
        let mut parts = Parts {
            polygons: shape.0.clone(),
            ..Parts::default()
        };
        let ok = self.wgs84.parts(&mut parts);
        let degrees = MultiPolygon(parts.polygons);
        ok.then(|| degrees.geodesic_area_signed())
    }

    /// Longitude and latitude on WGS 84, in degrees; None outside the CRS.
    pub fn degrees(&self, at: Coord) -> Option<Coord> {
        let mut place = [at];
        self.wgs84.points(&mut place).then_some(place[0])
    }

    /// Whether a place lies within the CRS's area of use, a few degrees of grace given.
    pub fn reaches(&self, at: Coord) -> bool {
        let mut place = [at];
        if !self.wgs84.points(&mut place) {
            return false;
        }
        let Some(area) = self.spatial_ref.area_of_use() else {
            return true;
        };
        let [place] = place;
        let margin = AREA_OF_USE_MARGIN_DEG;
        let (west, east) = (area.west_lon_degree, area.east_lon_degree);
        // Areas of use may run over the 180th meridian, or all the way round.
        let span = if east > west {
            east - west
        } else {
            east - west + 360.0
        };
        let off = (place.x - (west - margin)).rem_euclid(360.0);
        off <= span + 2.0 * margin
            && (area.south_lat_degree - margin..=area.north_lat_degree + margin).contains(&place.y)
    }
}

pub(super) fn wkt2(crs: &SpatialRef) -> gdal::errors::Result<String> {
    gdal_calls::crs::wkt2(crs)?.map_or_else(|| crs.to_wkt(), Ok)
}

/// Longitude and latitude on WGS 84.
pub fn wgs84() -> Result<SpatialRef, SourceError> {
    parse_crs("EPSG:4326", "WGS 84")
}

#[cfg(test)]
mod tests {
    use super::*;

    /// STANDARDS GE-12 and GE-16: Snyder's example on the Clarke 1866 ellipsoid and the same place on WGS 84.
    #[test]
    fn utm_gives_the_published_figures() {
        let clarke = "+proj=utm +zone=18 +ellps=clrk66 +units=m +no_defs";
        let geographic = "+proj=longlat +ellps=clrk66 +no_defs";
        let place = Coord { x: -73.5, y: 40.5 };
        let (from, to) = (
            parse_crs(geographic, "test").unwrap(),
            parse_crs(clarke, "test").unwrap(),
        );
        let mut moved = [place];
        assert!(Transform::new(&from, &to).unwrap().points(&mut moved));
        assert!((moved[0].x - 627_106.47).abs() < 0.01 && (moved[0].y - 4_484_124.43).abs() < 0.01);
        assert!(
            (moved[0].x - 627_106.467_4).abs() < 1e-4
                && (moved[0].y - 4_484_124.434_4).abs() < 1e-4
        );
        let scale = WorkCrs::new(clarke).unwrap().point_scale(moved[0]).unwrap();
        assert!((scale.east - 0.999_798_9).abs() < 1e-7, "{scale:?}");
        assert!((scale.north - 0.999_798_9).abs() < 1e-7, "{scale:?}");

        let to = parse_crs("EPSG:32618", "test").unwrap();
        let mut moved = [place];
        assert!(
            Transform::new(&wgs84().unwrap(), &to)
                .unwrap()
                .points(&mut moved)
        );
        assert!(
            (moved[0].x - 627_103.087_3).abs() < 1e-4
                && (moved[0].y - 4_484_335.401_7).abs() < 1e-4
        );
    }

    #[test]
    fn geodesic_area_takes_holes_off() {
        let crs = WorkCrs::new("EPSG:32633").unwrap();
        let square = |x: f64, y: f64, side: f64| {
            LineString::from(vec![
                (x, y),
                (x + side, y),
                (x + side, y + side),
                (x, y + side),
                (x, y),
            ])
        };
        let mut hole = square(500_100.0, 5_000_100.0, 100.0);
        hole.0.reverse();
        let shape = MultiPolygon(vec![geo::Polygon::new(
            square(500_000.0, 5_000_000.0, 1000.0),
            vec![hole],
        )]);
        // On the central meridian ground is grid over k0.
        let expected = 990_000.0 / (0.9996 * 0.9996);
        let got = crs.geodesic_m2(&shape).unwrap();
        assert!((got - expected).abs() < 1.0, "{got} {expected}");
    }

    #[test]
    fn links_and_files_are_no_crs() {
        for text in [
            "https://example.org/crs.txt",
            "/etc/passwd",
            "crs.prj",
            "+proj=utm +nadgrids=x",
        ] {
            assert!(
                matches!(parse_crs(text, "test"), Err(SourceError::BadCrs { .. })),
                "{text}"
            );
        }
        assert!(matches!(
            WorkCrs::new("EPSG:4326"),
            Err(SourceError::NotProjected { .. })
        ));
        assert!(matches!(
            WorkCrs::new("EPSG:2264"),
            Err(SourceError::NotMetres { .. })
        ));
    }
}
