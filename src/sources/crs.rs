//! Coordinate reference systems: the work CRS and its checks, the CRS of a layer, transformation, scale and area.
//! Everywhere x is east or longitude and y north or latitude, whatever an authority says.

use gdal::spatial_ref::{AxisMappingStrategy, SpatialRef};
use gdal_calls::crs::Transformation;
use geo::{Coord, Densify, Euclidean, LineString, MultiPolygon};
use geographiclib_rs::{DirectGeodesic, Geodesic, PolygonArea, Winding};

use super::errors::SourceError;
use super::open::{forget_failures, last_failure};
use crate::geometry::area::rings;
use crate::geometry::wkb::Parts;
use crate::model::{BEND_M, GroundFrame};

/// Blocks farther than this beyond the CRS's area of use are taken for misplaced.
const AREA_OF_USE_MARGIN_DEG: f64 = 12.0;
/// Step of the numeric scale.
const SCALE_STEP_M: f64 = 50.0;
/// Shorter lines are straight in any CRS: in degrees at 75 degrees north, 30 m bend by less than 0.1 mm.
const NEVER_BENDS_M: f64 = 30.0;
const MOST_CORNERS: f64 = 10_000.0;
/// Of WGS 84.
const EQUATORIAL_M: f64 = 6_378_137.0;

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
        // Understood, so that it can be said why they will not do.
        "LOCAL_CS",
        "ENGCRS",
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

/// Moves coordinates from one CRS to another, or leaves them bit for bit where the two are the same.
pub struct Transform {
    way: Option<Transformation>,
    /// Before, and after: units of a plane, of which see [`GroundFrame`].
    before: f64,
    after: f64,
    /// Metres of a unit on either side, about.
    metres: [f64; 2],
}

impl Transform {
    /// # Errors
    /// GDAL's message when there is no way from one to the other.
    pub fn new(from: &SpatialRef, to: &SpatialRef) -> Result<Transform, String> {
        if from == to {
            return Ok(Transform::same());
        }
        forget_failures();
        Transformation::new(from, to)
            .map(|way| Transform {
                way: Some(way),
                metres: [from, to].map(unit_metres),
                ..Transform::same()
            })
            .map_err(|error| last_failure().unwrap_or_else(|| error.to_string()))
    }

    /// No change.
    pub fn same() -> Transform {
        Transform {
            way: None,
            before: 1.0,
            after: 1.0,
            metres: [1.0; 2],
        }
    }

    pub(super) fn in_units(self, before: f64, after: f64) -> Transform {
        let [from, to] = self.metres;
        Transform {
            before,
            after,
            metres: [from * before, to / after],
            ..self
        }
    }

    fn changes_nothing(&self) -> bool {
        self.way.is_none() && self.before == 1.0 && self.after == 1.0
    }

    /// Transforms points in place; false, with the points in no defined state, when one lies where the CRS does not
    /// reach.
    pub fn points(&self, points: &mut [Coord]) -> bool {
        if points.is_empty() || self.changes_nothing() {
            return true;
        }
        let mut x: Vec<f64> = points.iter().map(|p| p.x * self.before).collect();
        let mut y: Vec<f64> = points.iter().map(|p| p.y * self.before).collect();
        if let Some(way) = &self.way
            && way.places(&mut x, &mut y).is_err()
        {
            return false;
        }
        for ((point, x), y) in points.iter_mut().zip(x).zip(y) {
            *point = Coord { x, y } * self.after;
        }
        points.iter().all(|p| p.x.is_finite() && p.y.is_finite())
    }

    /// As [`Transform::points`], for all parts of a geometry. Lines are straight where they were drawn: one that the
    /// other CRS bends by more than [`BEND_M`] gets corners.
    pub fn parts(&self, parts: &mut Parts) -> bool {
        if self.changes_nothing() {
            return true;
        }
        let mut ok = true;
        for point in &mut parts.points {
            ok &= self.points(std::slice::from_mut(&mut point.0));
        }
        for line in &mut parts.lines {
            ok &= self.line(line);
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

    /// As [`Transform::parts`], for a line.
    fn line(&self, line: &mut LineString) -> bool {
        let drawn = self.way.is_some().then(|| line.clone());
        if !self.points(&mut line.0) {
            return false;
        }
        drawn.is_none_or(|drawn| self.bend(&drawn, line))
    }

    /// Puts corners into a transformed line where it was straight before and is no more.
    fn bend(&self, drawn: &LineString, line: &mut LineString) -> bool {
        let long = |w: &[Coord]| (w[1].x - w[0].x).hypot(w[1].y - w[0].y);
        let [from_m, to_m] = self.metres;
        let short = |from: &[Coord], to: &[Coord]| {
            (long(from) * from_m).max(long(to) * to_m) < NEVER_BENDS_M
        };
        let mut pairs = drawn.0.windows(2).zip(line.0.windows(2));
        if pairs.all(|(from, to)| short(from, to)) {
            return true;
        }
        let mut bent: Vec<Coord> = Vec::with_capacity(line.0.len());
        for (from, to) in drawn.0.windows(2).zip(line.0.windows(2)) {
            bent.push(to[0]);
            if short(from, to) || long(to) == 0.0 {
                continue;
            }
            let mut middle = [(from[0] + from[1]) / 2.0];
            if !self.points(&mut middle) {
                return false;
            }
            let (d, off) = (to[1] - to[0], middle[0] - to[0]);
            let bend_m = (off.x * d.y - off.y * d.x).abs() / long(to) * to_m;
            let pieces = (bend_m / BEND_M).sqrt().ceil().clamp(1.0, MOST_CORNERS) as u32;
            let corner = |k: u32| {
                let (a, b) = (f64::from(pieces - k), f64::from(k));
                (from[0] * a + from[1] * b) / f64::from(pieces)
            };
            let mut corners: Vec<Coord> = (1..pieces).map(corner).collect();
            if !self.points(&mut corners) {
                return false;
            }
            bent.extend(corners);
        }
        bent.extend(line.0.last());
        line.0 = bent;
        true
    }

    fn ring(&self, ring: &mut LineString) -> bool {
        let ok = self.line(ring);
        // geo closes a ring that is changed: a last point transformed on its own must equal the first to the bit.
        if let [first, .., last] = &mut ring.0[..] {
            *last = *first;
        }
        ok
    }
}

/// Metres in a unit of a CRS; of a degree those of latitude.
fn unit_metres(crs: &SpatialRef) -> f64 {
    if crs.is_geographic() {
        crs.angular_units() * crs.semi_major().unwrap_or(EQUATORIAL_M)
    } else {
        crs.linear_units()
    }
}

/// The plane of a CRS in which something is written.
pub fn plane_of(crs: &SpatialRef) -> GroundFrame {
    GroundFrame::plane(plane_unit(crs))
}

/// As good as a metre is one, to the last bit of the coordinates.
fn plane_unit(crs: &SpatialRef) -> f64 {
    let unit_m = unit_metres(crs);
    if (unit_m - 1.0).abs() < 1e-12 {
        1.0
    } else {
        unit_m
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

/// The CRS of the batch. Features are kept and looked up in its plane, and outputs are written in it; lengths and areas
/// are those of the ground, in the frames of the blocks.
pub struct WorkCrs {
    pub spatial_ref: SpatialRef,
    /// Authority code or name.
    pub label: String,
    pub wkt: String,
    /// The plane's metres in a unit of the CRS: 1 where that is a metre, about 111 km where it is a degree.
    pub unit_m: f64,
    /// From the plane to longitude and latitude on the CRS's own datum.
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
    /// When the CRS is not understood, or has no place on the globe.
    pub fn new(text: &str) -> Result<WorkCrs, SourceError> {
        let spatial_ref = parse_crs(text, "[project]")?;
        let label = label(&spatial_ref);
        let (projected, geographic) = (spatial_ref.is_projected(), spatial_ref.is_geographic());
        if spatial_ref.is_local() || !(projected || geographic) {
            return Err(SourceError::NoDatum { crs: label });
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
        let unit_m = plane_unit(&spatial_ref);
        if !(unit_m.is_finite() && unit_m > 0.0) {
            return Err(bad("its unit is no length".to_owned()));
        }
        let out = |to: &SpatialRef| {
            let way = Transform::new(&spatial_ref, to).map_err(bad);
            way.map(|way| way.in_units(1.0 / unit_m, 1.0))
        };
        Ok(WorkCrs {
            wkt: wkt2(&spatial_ref).map_err(|e| bad(e.to_string()))?,
            geographic: out(&own)?,
            grid: Transform::new(&own, &spatial_ref)
                .map_err(bad)?
                .in_units(1.0, unit_m),
            degrees: own.angular_units().to_degrees(),
            equatorial_m,
            flattening: (equatorial_m - polar_m) / equatorial_m,
            wgs84: out(&wgs84()?)?,
            spatial_ref,
            label,
            unit_m,
        })
    }

    /// From another CRS into the plane.
    ///
    /// # Errors
    /// GDAL's message when there is no way.
    pub fn way_from(&self, other: &SpatialRef) -> Result<Transform, String> {
        Transform::new(other, &self.spatial_ref).map(|way| way.in_units(1.0, self.unit_m))
    }

    /// From the plane into another CRS.
    ///
    /// # Errors
    /// GDAL's message when there is no way.
    pub fn way_to(&self, other: &SpatialRef) -> Result<Transform, String> {
        Transform::new(&self.spatial_ref, other).map(|way| way.in_units(1.0 / self.unit_m, 1.0))
    }

    /// The same plane, as a frame that writes in the unit of the CRS.
    pub fn plane(&self) -> GroundFrame {
        GroundFrame::plane(self.unit_m)
    }

    /// The CRS's own ellipsoid, with its geodesics by Karney (2013).
    pub(super) fn ellipsoid(&self) -> Geodesic {
        Geodesic::new(self.equatorial_m, self.flattening)
    }

    /// Longitude and latitude on the CRS's own datum, in degrees, of places of the plane; None where one lies outside.
    pub(super) fn own_degrees(&self, places: &[Coord]) -> Option<Vec<Coord>> {
        let mut places = places.to_vec();
        let ok = self.geographic.points(&mut places);
        let places = places.into_iter().map(|place| place * self.degrees);
        ok.then(|| places.collect())
    }

    /// Point scale at a place, from two pairs of points 100 m apart on the CRS's own ellipsoid; None outside the CRS.
    pub fn point_scale(&self, at: Coord) -> Option<PointScale> {
        let mut centre = [at];
        if !self.geographic.points(&mut centre) {
            return None;
        }
        let centre = centre[0] * self.degrees;
        let ellipsoid = self.ellipsoid();
        let scale = |bearing: f64| {
            let mut ends = [bearing, bearing + 180.0].map(|bearing| {
                let (y, x): (f64, f64) =
                    ellipsoid.direct(centre.y, centre.x, bearing, SCALE_STEP_M);
                Coord { x, y } / self.degrees
            });
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

    /// Area on the CRS's own ellipsoid, holes taken off, edges straight in the plane; None outside the CRS. Shells must run
    /// counter-clockwise and holes clockwise.
    pub fn geodesic_m2(&self, shape: &MultiPolygon) -> Option<f64> {
        const CORNER_EVERY_M: f64 = 100.0;
        let polygons = Euclidean.densify(shape, CORNER_EVERY_M).0;
        let mut parts = Parts {
            polygons,
            ..Parts::default()
        };
        if !self.geographic.parts(&mut parts) {
            return None;
        }
        let ellipsoid = self.ellipsoid();
        // Geodesics from corner to corner are no straight lines of the plane; between corners so near they are.
        let ring_m2 = |ring: &LineString| {
            let mut around = PolygonArea::new(&ellipsoid, Winding::CounterClockwise);
            for place in ring.0.iter().skip(1) {
                around.add_point(place.y * self.degrees, place.x * self.degrees);
            }
            let (_, area_m2, _) = around.compute(true);
            area_m2
        };
        let polygons = parts.polygons.iter();
        Some(polygons.flat_map(rings).map(ring_m2).sum())
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
        let local = "LOCAL_CS[\"a yard\",UNIT[\"metre\",1]]";
        for text in [local, "EPSG:4978"] {
            assert!(WorkCrs::new(text).is_err(), "{text}");
        }
        for text in ["EPSG:4326", "EPSG:2264", "EPSG:3857", "EPSG:3005"] {
            assert!(WorkCrs::new(text).is_ok(), "{text}");
        }
    }
}
