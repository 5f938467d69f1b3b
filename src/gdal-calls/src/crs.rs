//! Coordinate reference systems: WKT 2, without heights, and transformations that may move to another thread.

use gdal::cpl::CslStringList;
use gdal::errors::Result;
use gdal::spatial_ref::{CoordTransform, SpatialRef};

use crate::text;

/// Keeps PROJ off the network, on all threads.
pub fn keep_proj_offline() {
    // SAFETY: a switch without pointers, which GDAL guards with a lock of its own.
    unsafe { gdal_sys::OSRSetPROJEnableNetwork(0) };
}

/// The CRS as WKT of ISO 19162:2019; None where it has no such form.
///
/// # Errors
/// None in practice: the one option has no NUL byte.
pub fn wkt2(crs: &SpatialRef) -> Result<Option<String>> {
    let mut options = CslStringList::new();
    options.add_string("FORMAT=WKT2_2019")?;
    let mut wkt = std::ptr::null_mut();
    // SAFETY: the handle is that of a living CRS; the list ends with null, outlives the call and is only read; `wkt` is
    // a local that GDAL sets to a string of its own, or leaves null.
    unsafe {
        gdal_sys::OSRExportToWktEx(
            crs.to_c_hsrs(),
            &mut wkt,
            options.as_ptr().cast_const().cast(),
        )
    };
    // SAFETY: null, or a NUL-terminated string that GDAL made for its caller.
    let copied = unsafe { text(wkt) };
    // SAFETY: the same, copied before; freed once, and null is accepted.
    unsafe { gdal_sys::VSIFree(wkt.cast()) };
    Ok(copied.filter(|wkt| !wkt.is_empty()))
}

/// Leaves of a compound CRS its plane; does nothing to one without heights.
pub fn strip_vertical(crs: &mut SpatialRef) {
    // SAFETY: the handle is that of a living CRS, borrowed exclusively.
    unsafe { gdal_sys::OSRStripVertical(crs.to_c_hsrs()) };
}

/// Moves coordinates from one CRS to another.
pub struct Transformation(CoordTransform);

// SAFETY: a transformation owns copies of both its CRS and a PROJ object, shares nothing with other objects, and has no
// tie to the thread that made it: GDAL gives the PROJ object the context of the calling thread at each use and at its
// end (OGRProjCT, `proj_assign_context`), and guards the cache into which it may go then with a lock. So it may move as
// long as one thread at a time uses it, which is what a type that is Send and not Sync allows.
unsafe impl Send for Transformation {}

impl Transformation {
    /// # Errors
    /// GDAL's, where there is no way from one to the other.
    pub fn new(from: &SpatialRef, to: &SpatialRef) -> Result<Transformation> {
        CoordTransform::new(from, to).map(Transformation)
    }

    /// Transforms in place.
    ///
    /// # Errors
    /// GDAL's, where a place lies beyond the reach of a CRS; places are then in no defined state.
    ///
    /// # Panics
    /// Where `x` and `y` differ in length.
    pub fn places(&self, x: &mut [f64], y: &mut [f64]) -> Result<()> {
        self.0.transform_coords(x, y, &mut [])
    }
}

/// How well the way from one CRS to another is known, in metres, as PROJ's database states it of the best that is at hand
/// for an area (west, south, east, north in degrees): 0 where both have the same datum; to a tenth of a metre, rounded up.
/// None where there is no way of a stated accuracy.
pub fn accuracy_m(from: &SpatialRef, to: &SpatialRef, area: Option<[f64; 4]>) -> Option<f64> {
    const MOST_TENTHS: u32 = 20_000;
    // To PROJ 0 means that any accuracy will do.
    const NOTHING_M: f64 = 1e-6;
    let _quiet = crate::Quiet::new();
    let known_within = |tenths: u32| {
        // SAFETY: options of our own, made here and freed once at the end; the handles are those of living CRS, which are
        // copied; a transformation that was made is ours to free, once.
        unsafe {
            let options = gdal_sys::OCTNewCoordinateTransformationOptions();
            if options.is_null() {
                return false;
            }
            gdal_sys::OCTCoordinateTransformationOptionsSetBallparkAllowed(options, 0);
            gdal_sys::OCTCoordinateTransformationOptionsSetDesiredAccuracy(
                options,
                (f64::from(tenths) / 10.0).max(NOTHING_M),
            );
            if let Some([west, south, east, north]) = area {
                gdal_sys::OCTCoordinateTransformationOptionsSetAreaOfInterest(
                    options, west, south, east, north,
                );
            }
            let way = gdal_sys::OCTNewCoordinateTransformationEx(
                from.to_c_hsrs(),
                to.to_c_hsrs(),
                options,
            );
            gdal_sys::OCTDestroyCoordinateTransformationOptions(options);
            if way.is_null() {
                return false;
            }
            gdal_sys::OCTDestroyCoordinateTransformation(way);
            true
        }
    };
    if known_within(0) {
        return Some(0.0);
    }
    if !known_within(MOST_TENTHS) {
        return None;
    }
    let (mut short, mut enough) = (0, MOST_TENTHS);
    while enough - short > 1 {
        let middle = short + (enough - short) / 2;
        if known_within(middle) {
            enough = middle;
        } else {
            short = middle;
        }
    }
    Some(f64::from(enough) / 10.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use gdal::spatial_ref::AxisMappingStrategy;

    #[test]
    fn a_shift_of_the_datum_has_the_accuracy_that_proj_states() {
        let within = |from: &str, to: &str| {
            accuracy_m(&crs(from), &crs(to), Some([-90.0, 45.0, -85.0, 48.0]))
        };
        assert_eq!(within("EPSG:4326", "EPSG:32616"), Some(0.0));
        assert_eq!(within("EPSG:26716", "EPSG:4267"), Some(0.0));
        let shifted = within("EPSG:26716", "EPSG:32616").unwrap();
        assert!((0.1..60.0).contains(&shifted), "{shifted}");
    }

    fn crs(text: &str) -> SpatialRef {
        let mut crs = SpatialRef::from_definition(text).unwrap();
        crs.set_axis_mapping_strategy(AxisMappingStrategy::TraditionalGisOrder);
        crs
    }

    fn there(transformation: &Transformation) -> (f64, f64) {
        let (mut x, mut y) = ([-87.0], [48.0]);
        transformation.places(&mut x, &mut y).unwrap();
        (x[0], y[0])
    }

    /// Made here, used there, dropped in a third place, many times and at once.
    #[test]
    fn transformations_move_between_threads() {
        let (from, to) = (crs("EPSG:4326"), crs("EPSG:32616"));
        let first = Transformation::new(&from, &to).unwrap();
        let here = there(&first);
        assert!((here.0 - 500_000.0).abs() < 1e-6, "{here:?}");
        let moved: Vec<Transformation> = std::thread::scope(|scope| {
            let running: Vec<_> = (0..16)
                .map(|_| {
                    let made = Transformation::new(&from, &to).unwrap();
                    scope.spawn(move || {
                        assert_eq!(there(&made), here);
                        made
                    })
                })
                .collect();
            running.into_iter().map(|one| one.join().unwrap()).collect()
        });
        for one in &moved {
            assert_eq!(there(one), here);
        }
        std::thread::spawn(move || drop(moved)).join().unwrap();
        assert_eq!(there(&first), here);
    }

    #[test]
    fn heights_go_and_planes_stay() {
        let mut compound = crs("EPSG:32616+5773");
        assert!(compound.is_compound());
        strip_vertical(&mut compound);
        assert!(!compound.is_compound());
        assert_eq!(compound.auth_code().unwrap(), 32616);
        strip_vertical(&mut compound);
        assert_eq!(compound.auth_code().unwrap(), 32616);
        let wkt = wkt2(&compound).unwrap().unwrap();
        assert!(wkt.starts_with("PROJCRS["), "{wkt}");
    }
}
