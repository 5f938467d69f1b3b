//! What a feature holds: its geometry as well-known binary, dates, a style.

use std::ffi::c_int;

use gdal::vector::{Feature, geometry_type_to_name};
use gdal_sys::{OGRErr, OGRFeatureH, OGRGeometryH, OGRwkbByteOrder};

use crate::{OwnedGeometry, c_text};

/// The first geometry of a feature, as [`iso_wkb`] finds it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Geometry {
    /// The feature has none.
    Null,
    /// It has no points.
    Empty,
    /// A type without straight form, or without binary form; why.
    Unreadable(String),
    /// Its bytes are in the buffer; GDAL's name of its type.
    Read(String),
}

/// The feature's handle, to be used while the borrow lasts.
fn handle(feature: &Feature<'_>) -> OGRFeatureH {
    // SAFETY: only read off; every caller uses it within its own borrow of the feature.
    unsafe { feature.c_feature() }
}

/// The feature's own first geometry, or null; valid while the feature is borrowed and not changed.
fn geometry_of(feature: &Feature<'_>) -> OGRGeometryH {
    // SAFETY: a valid feature; what comes back belongs to it.
    unsafe { gdal_sys::OGR_F_GetGeometryRef(handle(feature)) }
}

/// Whether a feature has a geometry, be it an empty one.
pub fn has_geometry(feature: &Feature<'_>) -> bool {
    !geometry_of(feature).is_null()
}

/// Writes the first geometry into `buffer` as ISO well-known binary, little endian. Curves become lines with a vertex
/// every `step_deg` degrees of arc.
pub fn iso_wkb(feature: &Feature<'_>, step_deg: f64, buffer: &mut Vec<u8>) -> Geometry {
    let mut geometry = geometry_of(feature);
    if geometry.is_null() {
        return Geometry::Null;
    }
    // SAFETY: not null, and alive with the feature.
    if unsafe { gdal_sys::OGR_G_IsEmpty(geometry) } != 0 {
        return Geometry::Empty;
    }
    // SAFETY: as above.
    let type_name = geometry_type_to_name(unsafe { gdal_sys::OGR_G_GetGeometryType(geometry) });
    let straight;
    // SAFETY: as above.
    if unsafe { gdal_sys::OGR_G_HasCurveGeometry(geometry, 1) } != 0 {
        // SAFETY: as above; no options; gives a new geometry for its caller to free, or null.
        let made = unsafe {
            let none = std::ptr::null_mut();
            OwnedGeometry::new(gdal_sys::OGR_G_GetLinearGeometry(geometry, step_deg, none))
        };
        let Some(made) = made else {
            return Geometry::Unreadable(format!("{type_name} cannot be made straight"));
        };
        straight = made;
        geometry = straight.0;
    }
    // SAFETY: the feature's own, or the straight one, which lives until the end.
    if unsafe { write_iso_wkb(geometry, buffer) } {
        Geometry::Read(type_name)
    } else {
        Geometry::Unreadable(format!("{type_name} has no binary form"))
    }
}

/// False where it has no binary form, or none that there is room for.
///
/// # Safety
/// `geometry` is valid, not null, and has no curves left.
pub(crate) unsafe fn write_iso_wkb(geometry: OGRGeometryH, buffer: &mut Vec<u8>) -> bool {
    // SAFETY: a valid geometry. The form with `Ex` has no upper limit; the other one says 0 for more than 2 GiB.
    let size = unsafe { gdal_sys::OGR_G_WkbSizeEx(geometry) };
    buffer.clear();
    // Nothing may be written where there is no room.
    if size == 0 || buffer.try_reserve_exact(size).is_err() {
        return false;
    }
    buffer.resize(size, 0);
    // SAFETY: a valid geometry, and a buffer of the very size that GDAL says it needs for it; ISO and older form differ
    // in the type codes only, which are four bytes in both.
    let done = unsafe {
        gdal_sys::OGR_G_ExportToIsoWkb(geometry, OGRwkbByteOrder::wkbNDR, buffer.as_mut_ptr())
    };
    done == OGRErr::OGRERR_NONE
}

/// The index for GDAL, where the feature has such a field: not every function of GDAL looks itself.
fn field_index(feature: &Feature<'_>, field: usize) -> Option<c_int> {
    let index = c_int::try_from(field).ok()?;
    // SAFETY: a valid feature.
    let count = unsafe { gdal_sys::OGR_F_GetFieldCount(handle(feature)) };
    (index < count).then_some(index)
}

/// Whether field number `field` holds a value; false where there is no such field.
pub fn has_value(feature: &Feature<'_>, field: usize) -> bool {
    let Some(index) = field_index(feature, field) else {
        return false;
    };
    // SAFETY: a valid feature and an index of one of its fields.
    unsafe { gdal_sys::OGR_F_IsFieldSetAndNotNull(handle(feature), index) != 0 }
}

/// Date and time as a field says them.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Clock {
    /// As the calendar counts them, months and days from 1.
    pub date: [i32; 3],
    /// From 0 to 23.
    pub hour: i32,
    /// From 0 to 59.
    pub minute: i32,
    /// With its fraction.
    pub second: f32,
    /// 0 unknown, 1 local time, 100 UTC, and a quarter of an hour for each step from there.
    pub zone: i32,
}

/// Date and time of field number `field`; None where there is no such field, or no date in it.
pub fn clock(feature: &Feature<'_>, field: usize) -> Option<Clock> {
    let index = field_index(feature, field)?;
    let mut clock = Clock::default();
    let [year, month, day] = &mut clock.date;
    // SAFETY: a valid feature and an index of one of its fields; every pointer is to a part of a local.
    let read = unsafe {
        gdal_sys::OGR_F_GetFieldAsDateTimeEx(
            handle(feature),
            index,
            year,
            month,
            day,
            &mut clock.hour,
            &mut clock.minute,
            &mut clock.second,
            &mut clock.zone,
        )
    };
    (read != 0).then_some(clock)
}

/// Gives a feature a style in GDAL's style language. NUL bytes are dropped.
pub fn set_style(feature: &mut Feature<'_>, style: &str) {
    let style = c_text(style);
    // SAFETY: a valid feature, borrowed exclusively, and a NUL-terminated string, which GDAL copies.
    unsafe { gdal_sys::OGR_F_SetStyleString(handle(feature), style.as_ptr()) };
}

#[cfg(test)]
mod tests {
    use super::*;
    use gdal::DriverManager;
    use gdal::vector::{
        Defn, FieldValue, LayerAccess, LayerOptions, OGRFieldType, OGRwkbGeometryType,
    };

    fn with_feature(of: impl FnOnce(&mut Feature<'_>)) {
        let folder = tempfile::tempdir().unwrap();
        let driver = DriverManager::get_driver_by_name("GPKG").unwrap();
        let mut dataset = driver
            .create_vector_only(folder.path().join("a.gpkg"))
            .unwrap();
        let layer = dataset
            .create_layer(LayerOptions {
                name: "any",
                srs: None,
                ty: OGRwkbGeometryType::wkbUnknown,
                options: None,
            })
            .unwrap();
        let fields = [
            ("when", OGRFieldType::OFTDateTime),
            ("text", OGRFieldType::OFTString),
        ];
        layer.create_defn_fields(&fields).unwrap();
        let definition = Defn::from_layer(&layer);
        of(&mut Feature::new(&definition).unwrap());
    }

    fn put(feature: &mut Feature<'_>, wkt: &str) {
        let geometry = gdal::vector::Geometry::from_wkt(wkt).unwrap();
        feature.set_geometry(geometry).unwrap();
    }

    #[test]
    fn geometries_come_as_little_endian_binary() {
        with_feature(|feature| {
            let mut buffer = vec![7; 3];
            assert!(!has_geometry(feature));
            assert_eq!(iso_wkb(feature, 1.0, &mut buffer), Geometry::Null);
            put(feature, "POLYGON EMPTY");
            assert!(has_geometry(feature));
            assert_eq!(iso_wkb(feature, 1.0, &mut buffer), Geometry::Empty);
            put(feature, "POINT (1 2)");
            let name = Geometry::Read("Point".to_owned());
            assert_eq!(iso_wkb(feature, 1.0, &mut buffer), name);
            let mut expected = vec![1, 1, 0, 0, 0];
            expected.extend(1f64.to_le_bytes());
            expected.extend(2f64.to_le_bytes());
            assert_eq!(buffer, expected);
            // ISO's code of a point with height, not the one of older drafts.
            put(feature, "POINT Z (1 2 3)");
            iso_wkb(feature, 1.0, &mut buffer);
            assert_eq!((&buffer[..5], buffer.len()), (&[1, 0xe9, 3, 0, 0][..], 29));
        });
    }

    #[test]
    fn curves_become_lines() {
        with_feature(|feature| {
            let mut buffer = Vec::new();
            put(feature, "CIRCULARSTRING (-1 0, 0 1, 1 0)");
            let name = Geometry::Read("Circular String".to_owned());
            assert_eq!(iso_wkb(feature, 1.0, &mut buffer), name);
            // A half circle in steps of one degree, of which GDAL may make one more.
            assert_eq!(&buffer[..5], [1, 2, 0, 0, 0]);
            let count = (buffer.len() - 9) / 16;
            assert!((181..=182).contains(&count), "{count}");
            assert_eq!(buffer[5..9], (count as u32).to_le_bytes());
            put(feature, "TIN Z (((0 0 0, 0 1 0, 1 0 0, 0 0 0)))");
            assert!(matches!(
                iso_wkb(feature, 1.0, &mut buffer),
                Geometry::Read(_)
            ));
        });
    }

    #[test]
    fn fields_that_are_none_hold_nothing() {
        with_feature(|feature| {
            for field in [0, 1, 2, 1_000_000, usize::MAX] {
                assert!(!has_value(feature, field), "{field}");
                assert_eq!(clock(feature, field), None, "{field}");
            }
            let at = "2026-02-03T06:07:08.5+02:00".parse().unwrap();
            feature
                .set_field(0, &FieldValue::DateTimeValue(at))
                .unwrap();
            feature.set_field_string(1, "no date").unwrap();
            assert!(has_value(feature, 0) && has_value(feature, 1));
            let read = clock(feature, 0).unwrap();
            assert_eq!((read.date, read.hour, read.minute), ([2026, 2, 3], 6, 7));
            assert_eq!(read.zone, 108);
            assert_eq!(clock(feature, 1), None);
        });
    }

    #[test]
    fn styles_may_hold_any_byte() {
        with_feature(|feature| {
            for style in ["", "PEN(c:#000000)", "\0PEN(c:\0#000000)\0", "\u{202e}\"("] {
                set_style(feature, style);
            }
            assert_eq!(feature.field_count(), 2);
        });
    }
}
