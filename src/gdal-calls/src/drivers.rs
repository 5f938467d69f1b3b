//! What GDAL may do in this process at all: which formats it knows, and that it fetches nothing.

use std::ffi::{c_char, c_int, c_void};

use gdal::DriverManager;

/// Takes away all drivers but those with these names. A driver may hand a file on to any other that is there: a mask or
/// an overview beside a raster, for example, is opened without asking which drivers are wanted.
pub fn keep_only(names: &[&str]) {
    for index in (0..DriverManager::count()).rev() {
        let Ok(driver) = DriverManager::get_driver(index) else {
            continue;
        };
        if !names.contains(&driver.short_name().as_str()) {
            // SAFETY: a driver that is registered; GDAL only takes it off its list, behind a lock, and does not free it.
            unsafe { gdal_sys::GDALDeregisterDriver(driver.c_driver()) };
        }
    }
}

/// GDAL's answer to a request, which only GDAL makes and frees.
#[repr(C)]
struct Answer {
    _opaque: [u8; 0],
}

type Progress = Option<unsafe extern "C" fn(f64, *const c_char, *mut c_void) -> c_int>;
type Write = Option<unsafe extern "C" fn(*mut c_void, usize, usize, *mut c_void) -> usize>;
type Fetch = unsafe extern "C" fn(
    url: *const c_char,
    options: *const *const c_char,
    progress: Progress,
    progress_data: *mut c_void,
    write: Write,
    write_data: *mut c_void,
    data: *mut c_void,
) -> *mut Answer;

unsafe extern "C" {
    /// Of `cpl_http.h`, since GDAL 3.2; the bindings leave that header out.
    fn CPLHTTPSetFetchCallback(fetch: Option<Fetch>, data: *mut c_void);
}

/// Null is GDAL's own answer where a request could not even be made.
unsafe extern "C" fn fetch_nothing(
    _url: *const c_char,
    _options: *const *const c_char,
    _progress: Progress,
    _progress_data: *mut c_void,
    _write: Write,
    _write_data: *mut c_void,
    _data: *mut c_void,
) -> *mut Answer {
    std::ptr::null_mut()
}

/// From now on nothing that GDAL would fetch from an address is fetched, on any thread. Virtual file systems on the
/// network have ways of their own.
pub fn fetch_no_address() {
    // SAFETY: a function of the very type that the header declares, which lives as long as the program and looks at none
    // of its arguments.
    unsafe { CPLHTTPSetFetchCallback(Some(fetch_nothing), std::ptr::null_mut()) };
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_drivers_of_the_list_stay() {
        fetch_no_address();
        assert!(DriverManager::get_driver_by_name("GML").is_ok());
        // Other tests of this process need these.
        let kept = ["GPKG", "GTiff", "MEM", "no such driver"];
        keep_only(&kept);
        assert_eq!(DriverManager::count(), 3);
        assert!(DriverManager::get_driver_by_name("GPKG").is_ok());
        assert!(DriverManager::get_driver_by_name("GML").is_err());
    }
}
