//! Only plain files are read: no network, no archives, no connection strings of drivers.

use std::path::Path;

/// Why a source may not be opened, judged by its text alone; None for a plain path.
pub fn why_not_plain(source: &str) -> Option<&'static str> {
    if source.trim().is_empty() {
        return Some("it is empty");
    }
    if source.starts_with("\\\\") || source.starts_with("//") {
        return Some("it is a network path");
    }
    why_not_for_drivers(source)
}

/// Why a driver might take a path for something else than a file; None where none would.
pub fn why_not_for_drivers(source: &str) -> Option<&'static str> {
    if source.chars().any(char::is_control) {
        return Some("it holds control characters");
    }
    if source.contains("://") {
        return Some("it is a network address");
    }
    let slashes = source.replace('\\', "/").to_ascii_lowercase();
    if slashes.starts_with("/vsi") {
        return Some("it is a virtual path (archive, memory or network)");
    }
    if source.starts_with(['{', '[', '<']) {
        return Some("it is data, not a path");
    }
    // `PG:dbname=...`, `GPKG:file:layer`; but `C:\layers` is a Windows drive.
    let first = slashes.split('/').next().unwrap_or_default();
    match first.find(':') {
        Some(1) if first.as_bytes()[0].is_ascii_alphabetic() => None,
        Some(_) => Some("it begins with the prefix of a driver"),
        None => None,
    }
}

/// What stands at a path.
#[derive(Debug, PartialEq, Eq)]
pub enum Found {
    File,
    Nothing,
    /// A folder, a device or a pipe.
    NoFile,
}

/// A file geodatabase is a folder that stands for a file.
pub fn look(path: &Path) -> Found {
    let geodatabase = || {
        let extension = path.extension();
        extension.is_some_and(|extension| extension.eq_ignore_ascii_case("gdb"))
    };
    match std::fs::metadata(path) {
        Ok(found) if found.is_file() || (found.is_dir() && geodatabase()) => Found::File,
        Ok(_) => Found::NoFile,
        Err(_) => Found::Nothing,
    }
}

/// Of a project file, a rulebook or a crew file; a longer one is something else.
pub const TEXT_FILE_BYTES: u64 = 4 * 1024 * 1024;

/// The text of a plain file in UTF-8; in words why there is none.
pub fn text(path: &Path) -> Result<String, String> {
    let wording = |error: std::io::Error| match error.kind() {
        std::io::ErrorKind::NotFound => "there is no such file".to_owned(),
        std::io::ErrorKind::PermissionDenied => "it may not be read".to_owned(),
        _ => error.to_string(),
    };
    let found = std::fs::metadata(path).map_err(wording)?;
    if !found.is_file() {
        return Err("it is no plain file".to_owned());
    }
    if found.len() > TEXT_FILE_BYTES {
        return Err(format!("it is longer than {TEXT_FILE_BYTES} bytes"));
    }
    let bytes = std::fs::read(path).map_err(wording)?;
    String::from_utf8(bytes).map_err(|error| {
        let sound = error.utf8_error().valid_up_to();
        let before = error.as_bytes()[..sound].iter();
        let line = before.filter(|byte| **byte == b'\n').count() + 1;
        format!("line {line} is not UTF-8 text")
    })
}

/// Names of the files beside `path`, sorted.
pub fn beside(path: &Path) -> Vec<String> {
    let folder = match path.parent() {
        Some(folder) if folder.as_os_str().is_empty() => Path::new("."),
        Some(folder) => folder,
        None => return Vec::new(),
    };
    let Ok(entries) = std::fs::read_dir(folder) else {
        return Vec::new();
    };
    let mut names: Vec<String> = entries
        .filter_map(|entry| entry.ok()?.file_name().into_string().ok())
        .collect();
    names.sort();
    names
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn paths_of_files_are_plain() {
        for source in [
            "layers.gpkg",
            "../data/a b/roads.shp",
            "/srv/maps/blocks.geojson",
            "C:\\maps\\blocks.shp",
            "c:/maps/blocks.shp",
            "sub/12:30.gpkg",
        ] {
            assert_eq!(why_not_plain(source), None, "{source}");
        }
    }

    #[test]
    fn everything_else_is_refused() {
        for source in [
            "",
            "https://example.org/a.geojson",
            "/vsicurl/https:/example.org/a",
            "/vsizip/a.zip/a.shp",
            "\\vsizip\\a.zip",
            "/VSIMEM/x",
            "PG:dbname=maps",
            "GPKG:a.gpkg:blocks",
            "WFS:http:/example.org",
            "NETCDF:a.nc:x",
            "x-y:z",
            "//server/share/a.shp",
            "\\\\server\\share\\a.shp",
            "{\"type\":\"FeatureCollection\",\"features\":[]}",
            "<OGRVRTDataSource/>",
            "a\u{0}b.gpkg",
        ] {
            assert!(why_not_plain(source).is_some(), "{source}");
        }
    }
}
