//! The calls into GDAL's C functions that the `gdal` package does not wrap, or wraps too dearly for millions of rows.
//!
//! The only unsafe code of the project stands here, so this is the one place to review for memory safety. The rules:
//!
//! - No handle of GDAL leaves the crate, and none is kept from one call to the next: each function takes an object of
//!   the `gdal` package, which owns its handle, by reference, and asks GDAL anew for what hangs on it.
//! - What GDAL hands out to be freed is owned by a guard from the line on that receives it.
//! - Concrete types instead of `gdal`'s traits: anyone may implement those, with any handle, and without writing
//!   `unsafe`.
//! - Each unsafe block says why it holds, and a function that takes a handle is itself unsafe and private.
//!
//! Beside GDAL's there is [`memory`]: an allocator that tells when nothing is left.

pub mod crs;
pub mod drivers;
pub mod features;
pub mod layers;
pub mod measure;
pub mod memory;
pub mod polygons;
pub mod rasters;
pub mod rows;

use std::ffi::{CStr, CString, c_char};
use std::fmt;
use std::marker::PhantomData;

use gdal::errors::GdalError;
use gdal_sys::OGRGeometryH;

/// What GDAL said when it could not do something.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Complaint(pub String);

impl fmt::Display for Complaint {
    fn fmt(&self, formatter: &mut fmt::Formatter<'_>) -> fmt::Result {
        formatter.write_str(&self.0)
    }
}

impl std::error::Error for Complaint {}

impl Complaint {
    /// GDAL's last complaint on this thread.
    fn last() -> Complaint {
        // SAFETY: returns null or a NUL-terminated string of this thread, copied before any other call could change it.
        let message = unsafe { text(gdal_sys::CPLGetLastErrorMsg()) };
        Complaint::of(message.unwrap_or_default())
    }

    fn of(message: String) -> Complaint {
        if message.is_empty() {
            Complaint("no reason given".to_owned())
        } else {
            Complaint(message)
        }
    }
}

impl From<GdalError> for Complaint {
    /// The bare message, which the package takes from GDAL and wraps into the name of a function.
    fn from(error: GdalError) -> Complaint {
        match error {
            GdalError::CplError { msg, .. } | GdalError::NullPointer { msg, .. } => {
                Complaint::of(msg)
            }
            GdalError::OgrError { .. } => Complaint::last(),
            other => Complaint(other.to_string()),
        }
    }
}

/// While it lives, GDAL prints nothing on this thread; earlier complaints are forgotten.
struct Quiet {
    /// Handlers stand on a stack of the thread, so it must not move to another.
    _stays: PhantomData<*const ()>,
}

impl Quiet {
    fn new() -> Quiet {
        // SAFETY: the handler is GDAL's own function and lives as long as the program.
        unsafe { gdal_sys::CPLPushErrorHandler(Some(gdal_sys::CPLQuietErrorHandler)) };
        // SAFETY: only changes this thread's error state.
        unsafe { gdal_sys::CPLErrorReset() };
        Quiet {
            _stays: PhantomData,
        }
    }

    /// GDAL's last complaint, if the last thing it said on this thread since [`Quiet::new`] was one.
    fn checked(&self) -> Result<(), Complaint> {
        // SAFETY: only reads this thread's error state.
        let last = unsafe { gdal_sys::CPLGetLastErrorType() };
        if last >= gdal_sys::CPLErr::CE_Failure {
            Err(Complaint::last())
        } else {
            Ok(())
        }
    }
}

impl Quiet {
    /// Whether GDAL neither complained nor warned on this thread since [`Quiet::new`].
    fn said_nothing(&self) -> bool {
        // SAFETY: only reads this thread's error state.
        let last = unsafe { gdal_sys::CPLGetLastErrorType() };
        last == gdal_sys::CPLErr::CE_None
    }
}

impl Drop for Quiet {
    fn drop(&mut self) {
        // SAFETY: takes off what `new` put on this very thread; on an empty stack it does nothing.
        unsafe { gdal_sys::CPLPopErrorHandler() };
    }
}

/// A copy of GDAL's text; None for null. Bytes that are no UTF-8 become the replacement character.
///
/// # Safety
/// `from` is null, or points at a NUL-terminated string that nobody changes meanwhile.
unsafe fn text(from: *const c_char) -> Option<String> {
    if from.is_null() {
        return None;
    }
    // SAFETY: not null, and the caller promises the rest; copied at once.
    let text = unsafe { CStr::from_ptr(from) };
    Some(text.to_string_lossy().into_owned())
}

/// A geometry that is ours to free; never null.
struct OwnedGeometry(OGRGeometryH);

impl OwnedGeometry {
    /// None for null.
    ///
    /// # Safety
    /// GDAL has just made `geometry` for its caller, or it is null.
    unsafe fn new(geometry: OGRGeometryH) -> Option<OwnedGeometry> {
        (!geometry.is_null()).then_some(OwnedGeometry(geometry))
    }

    /// To hand over to somebody who frees it.
    fn into_handle(self) -> OGRGeometryH {
        std::mem::ManuallyDrop::new(self).0
    }
}

impl Drop for OwnedGeometry {
    fn drop(&mut self) {
        // SAFETY: ours alone since `new`, and freed once.
        unsafe { gdal_sys::OGR_G_DestroyGeometry(self.0) }
    }
}

/// Text for GDAL. It ends text at the first NUL byte; such bytes are dropped instead of what follows them.
fn c_text(from: &str) -> CString {
    let mut bytes = Vec::with_capacity(from.len() + 1);
    fill_c_text(from, &mut bytes);
    CString::from_vec_with_nul(bytes).unwrap_or_default()
}

/// As [`c_text`], into a buffer that is used again and again: no NUL byte but one at the end.
fn fill_c_text(from: &str, buffer: &mut Vec<u8>) {
    buffer.clear();
    buffer.extend(from.bytes().filter(|byte| *byte != 0));
    buffer.push(0);
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn text_for_gdal_has_one_nul_at_its_end() {
        for (from, to) in [("", &b"\0"[..]), ("a", b"a\0"), ("\0a\0b\0", b"ab\0")] {
            assert_eq!(c_text(from).as_bytes_with_nul(), to);
        }
        let there = c_text("h\u{e9}");
        // SAFETY: NUL-terminated and alive; null.
        let (copied, none) = unsafe { (text(there.as_ptr()), text(std::ptr::null())) };
        assert_eq!((copied.as_deref(), none), (Some("h\u{e9}"), None));
    }

    #[test]
    fn complaints_are_the_bare_message() {
        let _quiet = Quiet::new();
        let driver = gdal::DriverManager::get_driver_by_name("GPKG").unwrap();
        let error = driver.create_vector_only("/no such folder/a.gpkg");
        let complaint = Complaint::from(error.unwrap_err());
        assert!(complaint.0.contains("a.gpkg"), "{complaint}");
        assert!(!complaint.0.contains("GDALCreate"), "{complaint}");
        assert_eq!(Complaint::of(String::new()).to_string(), "no reason given");
    }
}
