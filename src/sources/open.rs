//! Opening files: only plain local ones, only listed drivers, read only, and GDAL's own talk caught.

use std::cell::RefCell;
use std::io::Read;
use std::path::Path;
use std::sync::Once;

use gdal::config::{set_config_option, set_error_handler, set_thread_local_config_option};
use gdal::errors::CplErrType;
use gdal::vector::{Layer, LayerAccess};
use gdal::{Dataset, DatasetOptions, DriverManager, GdalOpenFlags};

use super::errors::{Names, SourceError};
use super::plain::{check_path, why_no_table, with_ending};
use super::{counts, notes, sql, terrain, tracks};
use crate::project::{LayerSource, is_shapefile};

/// Drivers that may open a file: plain local vector formats that follow no link to other places.
pub const DRIVERS: [&str; 6] = [
    "GPKG",
    "ESRI Shapefile",
    "GeoJSON",
    "GeoJSONSeq",
    "FlatGeobuf",
    "MapInfo File",
];

/// Drivers that only outputs need, or others inside.
const WRITTEN: [&str; 3] = ["DXF", "MEM", "Memory"];

/// What GDAL may keep of the blocks of rasters.
const RASTER_CACHE_MB: &str = "64";

/// What no environment and no configuration file may set: plug-ins, code in files, and ways out of the files named.
const OPTIONS: [(&str, &str); 9] = [
    ("GDAL_DRIVER_PATH", "disable"),
    ("GDAL_VRT_ENABLE_PYTHON", "NO"),
    ("GDAL_VRT_ENABLE_RAWRASTERBAND", "NO"),
    ("OGR_SQLITE_LOAD_EXTENSIONS", ""),
    ("OGR_SQLITE_ALLOW_EXTERNAL_ACCESS", "NO"),
    ("ALLOW_OGR_SQL_FUNCTIONS_FROM_TRIGGER_AND_VIEW", "NO"),
    // Neither of these is the address of anything.
    ("CPL_VSIL_CURL_ALLOWED_FILENAME", "none"),
    ("CPL_VSIL_CURL_ALLOWED_EXTENSIONS", ".none"),
    // Cells are kept by the slopes made of them, and else GDAL keeps a share of all memory.
    ("GDAL_CACHEMAX", RASTER_CACHE_MB),
];

/// Takes away all drivers that are on no list of ours, in the whole process: a file beside a raster is opened by any that
/// there is.
pub fn only_listed_drivers() {
    quiet_gdal();
    let lists = [
        &DRIVERS[..],
        &tracks::DRIVERS,
        &notes::DRIVERS,
        &terrain::DRIVERS,
        &WRITTEN,
    ];
    gdal_calls::drivers::keep_only(&lists.concat());
}

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
        let set = || {
            for (key, value) in OPTIONS {
                let _ = set_config_option(key, value);
            }
        };
        // Drivers are looked for with these, and then a configuration file may have set others.
        set();
        let _ = DriverManager::count();
        set();
        gdal_calls::drivers::fetch_no_address();
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

/// Options for a GeoPackage; None for any other file, whose driver would complain.
///
/// Its views may call no function that reaches out of it. And as long as nobody writes to it, it is read as a file that
/// does not change, for else a package in write-ahead mode gets two more files beside it.
pub(super) fn package_options(path: &Path) -> Option<&'static [&'static str]> {
    const TRUST: &str = "PRELUDE_STATEMENTS=PRAGMA trusted_schema=OFF";
    let mut head = [0; 16];
    let read = std::fs::File::open(path).and_then(|mut file| file.read_exact(&mut head));
    if read.is_err() || head != *b"SQLite format 3\0" {
        return None;
    }
    let is_open = journals(path).iter().any(|(_, bytes)| *bytes > 0);
    Some(if is_open {
        &[TRUST]
    } else {
        &[TRUST, "IMMUTABLE=YES"]
    })
}

/// Endings and lengths of the files in which SQLite keeps changes that are not yet in the file itself.
pub(super) fn journals(path: &Path) -> Vec<(&'static str, u64)> {
    ["-wal", "-journal"]
        .into_iter()
        .filter_map(|ending| {
            let found = std::fs::metadata(with_ending(path, ending)).ok()?;
            Some((ending, found.len()))
        })
        .collect()
}

/// Opens a file read-only with the drivers of the list.
pub(super) fn open(source: &LayerSource) -> Result<Dataset, SourceError> {
    check_path(source)?;
    let forbidden = |why: String| SourceError::Forbidden {
        file: source.source.clone(),
        role: source.kind.key(),
        why,
    };
    if let Some(why) = why_no_table(&source.path) {
        return Err(forbidden(why.to_owned()));
    }
    if let Some(part) = counts::missing_index(&source.path) {
        return Err(SourceError::MissingPart {
            file: source.source.clone(),
            role: source.kind.key(),
            part,
        });
    }
    let encoding = encoding(source)?;
    let encoding: Option<Vec<&str>> = encoding.as_deref().map(|option| vec![option]);
    forget_failures();
    let options = DatasetOptions {
        open_flags: GdalOpenFlags::GDAL_OF_READONLY
            | GdalOpenFlags::GDAL_OF_VECTOR
            | GdalOpenFlags::GDAL_OF_VERBOSE_ERROR,
        allowed_drivers: Some(&DRIVERS),
        open_options: package_options(&source.path).or(encoding.as_deref()),
        ..DatasetOptions::default()
    };
    let dataset = Dataset::open_ex(&source.path, options).map_err(|error| {
        let (file, role) = (source.source.clone(), source.kind.key());
        match too_many_open(&source.path) {
            true => SourceError::TooManyFiles { file, role },
            false => SourceError::Unreadable {
                file,
                role,
                message: last_failure_in(source).unwrap_or_else(|| error.to_string()),
            },
        }
    })?;
    match sql::why_no_views(&dataset) {
        Some(why) => Err(forbidden(why)),
        None => Ok(dataset),
    }
}

/// The option that names the code page of a Shapefile's table.
fn encoding(source: &LayerSource) -> Result<Option<String>, SourceError> {
    let given = source.encoding.as_ref();
    let Some(name) = given.filter(|_| is_shapefile(&source.source)) else {
        return Ok(None);
    };
    if !gdal_calls::drivers::reads_encoding(name) {
        return Err(SourceError::BadEncoding {
            layer: source.source.clone(),
            role: source.kind.key(),
            encoding: name.clone(),
        });
    }
    Ok(Some(format!("ENCODING={name}")))
}

/// Whether a file could not be opened because this program, or the whole system, has as many open as it may: a driver
/// says something else of it.
pub(super) fn too_many_open(path: &Path) -> bool {
    std::fs::File::open(path).is_err_and(|error| is_too_many(&error))
}

/// As [`too_many_open`], of an error at hand.
pub(super) fn is_too_many(error: &std::io::Error) -> bool {
    // EMFILE and ENFILE of POSIX systems.
    cfg!(unix) && matches!(error.raw_os_error(), Some(23 | 24))
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
