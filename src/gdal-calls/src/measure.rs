//! Measures by GEOS, and GDAL's own XML reader: what tests hold our results against.

use gdal::vector::{Geometry, OGRwkbGeometryType};
use gdal_sys::OGRGeometryH;

use crate::{OwnedGeometry, c_text, features};

/// The geometry's handle, to be used while the borrow lasts; None for one that stands for a missing geometry.
fn handle(geometry: &Geometry) -> Option<OGRGeometryH> {
    if !geometry.has_gdal_ptr() {
        return None;
    }
    // SAFETY: only read off; every caller uses it within its own borrow of the geometry.
    let handle = unsafe { geometry.c_geometry() };
    (!handle.is_null()).then_some(handle)
}

/// Least distance between two geometries in units of their coordinates, 0 where they meet; None where GEOS cannot tell.
pub fn distance(a: &Geometry, b: &Geometry) -> Option<f64> {
    let (a, b) = (handle(a)?, handle(b)?);
    // SAFETY: both are valid and not null; neither is kept.
    let measured = unsafe { gdal_sys::OGR_G_Distance(a, b) };
    (measured >= 0.0).then_some(measured)
}

/// Centroid, as x and y; None where GEOS finds none.
pub fn centroid(of: &Geometry) -> Option<(f64, f64)> {
    let mut point = Geometry::empty(OGRwkbGeometryType::wkbPoint).ok()?;
    point.add_point_2d((0.0, 0.0));
    let (of, at) = (handle(of)?, handle(&point)?);
    // SAFETY: both are valid and not null, and the second is a point of our own, which the call fills in.
    if unsafe { gdal_sys::OGR_G_Centroid(of, at) } != 0 {
        return None;
    }
    let (x, y, _) = point.get_point(0);
    Some((x, y))
}

/// Union of the polygons of a multipolygon; None where GEOS finds none.
pub fn union(of: &Geometry) -> Option<Geometry> {
    let of = handle(of)?;
    // SAFETY: valid and not null; gives a new geometry for its caller to free, or null.
    let united = unsafe { OwnedGeometry::new(gdal_sys::OGR_G_UnionCascaded(of)) }?;
    let mut wkb = Vec::new();
    // SAFETY: valid until the end, and GEOS makes no curves.
    let written = unsafe { features::write_iso_wkb(united.0, &mut wkb) };
    written.then(|| Geometry::from_wkb(&wkb).ok()).flatten()
}

/// Whether GDAL's XML reader takes the text: it refuses unbalanced tags and broken attributes.
pub fn is_xml(of: &str) -> bool {
    let of = c_text(of);
    // SAFETY: a NUL-terminated text, which is only read; gives a tree for its caller to free, or null.
    let tree = unsafe { gdal_sys::CPLParseXMLString(of.as_ptr()) };
    if tree.is_null() {
        return false;
    }
    // SAFETY: the tree just made; freed once.
    unsafe { gdal_sys::CPLDestroyXMLNode(tree) };
    true
}

#[cfg(test)]
mod tests {
    use super::*;

    fn shape(wkt: &str) -> Geometry {
        Geometry::from_wkt(wkt).unwrap()
    }

    #[test]
    fn measures_of_plain_shapes() {
        let square = shape("POLYGON ((0 0, 0 2, 2 2, 2 0, 0 0))");
        assert_eq!(distance(&square, &shape("POINT (5 6)")), Some(5.0));
        assert_eq!(distance(&square, &shape("POINT (1 1)")), Some(0.0));
        assert_eq!(centroid(&square), Some((1.0, 1.0)));
        let two = "MULTIPOLYGON (((0 0, 0 2, 2 2, 2 0, 0 0)), ((1 0, 1 2, 3 2, 3 0, 1 0)))";
        assert_eq!(union(&shape(two)).unwrap().area(), 6.0);
        assert!(union(&square).is_none());
    }

    #[test]
    fn a_missing_geometry_has_no_measures() {
        // SAFETY: it holds no handle at all.
        let missing = unsafe { Geometry::lazy_feature_geometry() };
        let point = shape("POINT (5 6)");
        assert_eq!(distance(&missing, &point), None);
        assert_eq!(centroid(&missing), None);
        assert!(union(&missing).is_none());
        // SAFETY: null is what a feature without a geometry gives.
        unsafe { missing.set_c_geometry(std::ptr::null_mut()) };
        assert_eq!(distance(&point, &missing), None);
    }

    #[test]
    fn broken_xml_is_refused() {
        assert!(is_xml("<a b=\"c\"><d/></a>"));
        for text in ["<a>", "<a></b>", "<a b=\"c/>"] {
            let _quiet = crate::Quiet::new();
            assert!(!is_xml(text), "{text}");
        }
    }
}
