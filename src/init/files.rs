//! Finds what may be layers, rasters and tables in folders.

use std::path::{Path, PathBuf};

use super::InitError;

const LAYERS: [&str; 10] = [
    "gpkg",
    "shp",
    "geojson",
    "json",
    "geojsonl",
    "geojsons",
    "fgb",
    "tab",
    "mif",
    "geojsonseq",
];
const RASTERS: [&str; 13] = [
    "tif", "tiff", "asc", "bil", "flt", "hgt", "dem", "dt0", "dt1", "dt2", "vrt", "bip", "bsq",
];
/// Folders below folders.
const MOST_LEVELS: usize = 5;
/// Files that are looked at.
const MOST_FILES: usize = 2_000;

/// Files by what they may be, each list in order of path.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(super) struct Files {
    pub layers: Vec<PathBuf>,
    pub rasters: Vec<PathBuf>,
    pub tables: Vec<PathBuf>,
    /// Folders that were passed over, and why.
    pub passed_over: Vec<(PathBuf, &'static str)>,
}

impl Files {
    fn add(&mut self, path: PathBuf) -> bool {
        let ending = path
            .extension()
            .unwrap_or_default()
            .to_string_lossy()
            .to_ascii_lowercase();
        let ending = ending.as_str();
        match () {
            () if LAYERS.contains(&ending) => self.layers.push(path),
            () if RASTERS.contains(&ending) => self.rasters.push(path),
            () if ending == "csv" => self.tables.push(path),
            () => return false,
        }
        true
    }

    fn count(&self) -> usize {
        self.layers.len() + self.rasters.len() + self.tables.len()
    }
}

/// Looks through folders and takes files that are named.
///
/// # Errors
/// A path that is not there or cannot be read, a named file of no format that is read, too many files, or none.
pub(super) fn find(inputs: &[PathBuf]) -> Result<Files, InitError> {
    let mut files = Files::default();
    for input in inputs {
        let found =
            std::fs::metadata(input).map_err(|error| InitError::unreadable(input, &error))?;
        if found.is_dir() {
            look_through(input, 0, &mut files)?;
        } else if !files.add(input.clone()) {
            return Err(InitError::OtherFormat(input.clone()));
        }
    }
    for list in [&mut files.layers, &mut files.rasters, &mut files.tables] {
        list.sort();
        list.dedup();
    }
    if files.layers.is_empty() && files.rasters.is_empty() {
        return Err(InitError::NothingThere(inputs.to_vec()));
    }
    Ok(files)
}

fn look_through(folder: &Path, level: usize, files: &mut Files) -> Result<(), InitError> {
    let entries =
        std::fs::read_dir(folder).map_err(|error| InitError::unreadable(folder, &error))?;
    let mut paths = Vec::new();
    for entry in entries {
        let entry = entry.map_err(|error| InitError::unreadable(folder, &error))?;
        // Links to folders may lead in a circle.
        let is_link = entry.file_type().is_ok_and(|kind| kind.is_symlink());
        paths.push((entry.path(), is_link));
    }
    paths.sort();
    for (path, is_link) in paths {
        let name = path
            .file_name()
            .unwrap_or_default()
            .to_string_lossy()
            .into_owned();
        if name.starts_with('.') {
            continue;
        }
        let Ok(found) = std::fs::metadata(&path) else {
            continue;
        };
        if found.is_file() {
            files.add(path);
        } else if found.is_dir() && !is_link {
            if path.join("run.json").is_file() || path.join("SHA256SUMS").is_file() {
                files.passed_over.push((path, "results of a run"));
            } else if level + 1 >= MOST_LEVELS {
                files.passed_over.push((path, "too far down"));
            } else {
                look_through(&path, level + 1, files)?;
            }
        }
        if files.count() > MOST_FILES {
            return Err(InitError::TooMany {
                folder: folder.to_owned(),
                most: MOST_FILES,
            });
        }
    }
    Ok(())
}
