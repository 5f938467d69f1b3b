//! Opening files: only plain local ones, only listed drivers, read only, and GDAL's own talk caught.

use std::cell::RefCell;
use std::path::Path;
use std::sync::Once;

use gdal::config::{set_config_option, set_error_handler, set_thread_local_config_option};
use gdal::errors::CplErrType;
use gdal::vector::{Layer, LayerAccess};
use gdal::{Dataset, DatasetOptions, GdalOpenFlags};

use super::errors::{Names, SourceError};
use crate::project::LayerSource;

/// Drivers that may open a file: plain local vector formats that follow no link to other places.
pub const DRIVERS: [&str; 6] = [
    "GPKG",
    "ESRI Shapefile",
    "GeoJSON",
    "GeoJSONSeq",
    "FlatGeobuf",
    "MapInfo File",
];

const ARCHIVES: [&str; 7] = ["zip", "shz", "gz", "tar", "tgz", "kmz", "7z"];

/// What GDAL may keep of the blocks of rasters.
const RASTER_CACHE_MB: &str = "64";

thread_local! {
    static FAILURES: RefCell<Vec<String>> = const { RefCell::new(Vec::new()) };
}

/// Keeps GDAL from printing: its errors are kept per thread for our own messages, its warnings are dropped. Also shuts
/// what GDAL or PROJ might fetch by itself (a GeoJSON file may name its CRS by a link) off from the network.
pub(super) fn quiet_gdal() {
    static ONCE: Once = Once::new();
    ONCE.call_once(|| {
        set_error_handler(|class, _, message| {
            if matches!(class, CplErrType::Failure | CplErrType::Fatal) {
                FAILURES.with_borrow_mut(|failures| failures.push(message.trim().to_owned()));
            }
        });
        // Cells are kept by the slopes made of them, and else GDAL keeps a share of all memory.
        let _ = set_config_option("GDAL_CACHEMAX", RASTER_CACHE_MB);
        gdal_calls::crs::keep_proj_offline();
    });
    // A proxy that nobody listens at. Setting an option only fails on a NUL byte.
    for (key, value) in [
        ("GDAL_HTTP_PROXY", "127.0.0.1:1"),
        ("GDAL_HTTPS_PROXY", "127.0.0.1:1"),
        ("GDAL_HTTP_CONNECTTIMEOUT", "1"),
        ("GDAL_HTTP_TIMEOUT", "1"),
        ("GDAL_HTTP_MAX_RETRY", "0"),
    ] {
        let _ = set_thread_local_config_option(key, value);
    }
}

/// Forgets what GDAL complained about on this thread so far.
pub(super) fn forget_failures() {
    FAILURES.with_borrow_mut(Vec::clear);
}

/// GDAL's last complaint on this thread since [`forget_failures`].
pub(super) fn last_failure() -> Option<String> {
    FAILURES.with_borrow(|failures| failures.last().cloned())
}

/// As [`last_failure`], with the path shown as the project file writes it.
pub(super) fn last_failure_in(source: &LayerSource) -> Option<String> {
    let path = source.path.display().to_string();
    last_failure().map(|message| message.replace(&path, &source.source))
}

/// Refuses what is no plain local file.
pub(super) fn check_path(source: &LayerSource) -> Result<(), SourceError> {
    check_plain(&source.path, &source.source, source.kind.key())
}

/// As [`check_path`], for a file of any role.
pub(super) fn check_plain(
    path: &Path,
    source: &str,
    role: &'static str,
) -> Result<(), SourceError> {
    let file = source.to_owned();
    let forbidden = |why| SourceError::Forbidden {
        file: source.to_owned(),
        role,
        why,
    };
    if path.to_string_lossy().starts_with("/vsi") || source.starts_with("/vsi") {
        return Err(forbidden("GDAL's virtual file systems are not read"));
    }
    if source.contains("://") {
        return Err(forbidden("nothing is read from the network"));
    }
    let extension = path.extension().map(|e| e.to_ascii_lowercase());
    if extension.is_some_and(|e| ARCHIVES.iter().any(|archive| e == *archive)) {
        return Err(forbidden("archives are not read"));
    }
    match std::fs::metadata(path) {
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => {
            Err(SourceError::MissingFile { file, role })
        }
        Err(error) => Err(SourceError::Unreadable {
            file,
            role,
            message: error.to_string(),
        }),
        Ok(found) if found.is_dir() => Err(forbidden("a folder is no data file")),
        Ok(found) if !found.is_file() => Err(forbidden("it is no plain file")),
        Ok(_) => Ok(()),
    }
}

/// Opens a file read-only with the drivers of the list.
pub(super) fn open(source: &LayerSource) -> Result<Dataset, SourceError> {
    check_path(source)?;
    forget_failures();
    let options = DatasetOptions {
        open_flags: GdalOpenFlags::GDAL_OF_READONLY
            | GdalOpenFlags::GDAL_OF_VECTOR
            | GdalOpenFlags::GDAL_OF_VERBOSE_ERROR,
        allowed_drivers: Some(&DRIVERS),
        ..DatasetOptions::default()
    };
    Dataset::open_ex(&source.path, options).map_err(|error| SourceError::Unreadable {
        file: source.source.clone(),
        role: source.kind.key(),
        message: last_failure_in(source).unwrap_or_else(|| error.to_string()),
    })
}

/// The layer that the source names, or the only one there is.
pub(super) fn layer<'a>(
    dataset: &'a Dataset,
    source: &LayerSource,
) -> Result<Layer<'a>, SourceError> {
    let names: Vec<String> = dataset.layers().map(|layer| layer.name()).collect();
    let (file, role) = (source.source.clone(), source.kind.key());
    let unreadable = |error: gdal::errors::GdalError| SourceError::Unreadable {
        file: source.source.clone(),
        role,
        message: last_failure_in(source).unwrap_or_else(|| error.to_string()),
    };
    match &source.layer {
        Some(wanted) => match names.iter().position(|name| name == wanted) {
            Some(index) => dataset.layer(index).map_err(unreadable),
            None => Err(SourceError::MissingLayer {
                file,
                role,
                layer: wanted.clone(),
                names: Names::around(wanted, names),
            }),
        },
        None if names.len() == 1 => dataset.layer(0).map_err(unreadable),
        None if names.is_empty() => Err(SourceError::Unreadable {
            file,
            role,
            message: "it holds no layer".to_owned(),
        }),
        None => Err(SourceError::LayerNotNamed {
            file,
            role,
            available: names,
        }),
    }
}
