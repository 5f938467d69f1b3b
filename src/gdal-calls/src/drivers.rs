//! What GDAL may do in this process at all: which formats it knows, and that it fetches nothing.

use std::ffi::{c_char, c_int, c_void};

use gdal::DriverManager;

use crate::{Quiet, c_text};

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

/// Whether texts in a code page of this name can be brought to UTF-8.
pub fn reads_encoding(name: &str) -> bool {
    let quiet = Quiet::new();
    let from = c_text(name);
    // A sign that is another one in most code pages, so that the name is looked up.
    // SAFETY: three NUL-terminated strings, copied from.
    let recoded =
        unsafe { gdal_sys::CPLRecode(c"a\xe9".as_ptr(), from.as_ptr(), c"UTF-8".as_ptr()) };
    // SAFETY: given to its caller to free, or null, which is accepted.
    unsafe { gdal_sys::VSIFree(recoded.cast()) };
    quiet.said_nothing()
}

/// The beginning of `CPLHTTPResult`, which GDAL frees after use, and room for more than any version has after it.
#[repr(C)]
struct Answer {
    /// Other than 0: it failed.
    status: c_int,
    content_type: *mut c_char,
    complaint: *mut c_char,
    /// Length, data, headers and parts: all zero, none.
    rest: [u64; 29],
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

/// Says that nothing came. Null would make GDAL ask by itself after all.
unsafe extern "C" fn fetch_nothing(
    _url: *const c_char,
    _options: *const *const c_char,
    _progress: Progress,
    _progress_data: *mut c_void,
    _write: Write,
    _write_data: *mut c_void,
    _data: *mut c_void,
) -> *mut Answer {
    // SAFETY: gives zeroed memory of that size for the caller to free, or ends the process.
    let answer: *mut Answer = unsafe { gdal_sys::CPLCalloc(1, size_of::<Answer>()) }.cast();
    // SAFETY: copies a NUL-terminated text into memory of its own, which is freed with the answer.
    let complaint = unsafe { gdal_sys::CPLStrdup(c"nothing is fetched from a network".as_ptr()) };
    // SAFETY: not null, aligned for any type, zeroed, of the size of an answer, and nobody else's yet.
    let fields = unsafe { &mut *answer };
    fields.status = 1;
    fields.complaint = complaint;
    answer
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
    fn encodings_that_iconv_knows_are_read() {
        for name in ["UTF-8", "ISO-8859-1", "ISO-8859-15", "CP1252", "CP850"] {
            assert!(reads_encoding(name), "{name}");
        }
        for name in ["", "CP125", "no such page", "UTF-99"] {
            assert!(!reads_encoding(name), "{name}");
        }
    }

    #[test]
    fn an_address_is_answered_without_being_asked() {
        let listener = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
        listener.set_nonblocking(true).unwrap();
        let port = listener.local_addr().unwrap().port();
        fetch_no_address();
        let url = format!("http://127.0.0.1:{port}/crs");
        assert!(gdal::spatial_ref::SpatialRef::from_definition(&url).is_err());
        assert!(listener.accept().is_err());
    }
}
