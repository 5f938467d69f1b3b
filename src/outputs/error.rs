//! What can go wrong on the way out, with the file and what to do.

use std::path::PathBuf;

#[derive(Debug, thiserror::Error)]
pub enum OutputError {
    #[error(
        "{} is not empty and holds no {marker} of blockwright, so nothing in it is overwritten; \
         name an empty or new folder with --out",
        dir.display()
    )]
    ForeignFolder { dir: PathBuf, marker: &'static str },
    #[error(
        "{} holds the results of a layout, which an audit would replace; name another folder with --out",
        dir.display()
    )]
    LayoutFolder { dir: PathBuf },
    #[error("{} is a file, not a folder; name a folder with --out", path.display())]
    NotAFolder { path: PathBuf },
    #[error(
        "{}: another run is writing into this folder (process {process}); wait for it, or name another folder with --out",
        dir.display()
    )]
    InUse { dir: PathBuf, process: String },
    #[error(
        "{} is no folder of ours, and outputs are not written behind a link; remove it, or name another folder with --out",
        path.display()
    )]
    NotOurStaging { path: PathBuf },
    #[error(
        "{} is an input of this run, and its outputs would replace it; name another folder with --out, or move the input",
        path.display()
    )]
    InputAmongOutputs { path: PathBuf },
    #[error(
        "the sums of the evidence cannot be signed with {}: {why}; name an OpenSSH key that can sign, or leave --sign-key out and sign later \
         with `ssh-keygen -Y sign`", key.display()
    )]
    Unsigned { key: PathBuf, why: String },
    #[error(
        "{} was filled, and a new evidence pack would replace it; copy it to a place of its own and name it with --actions",
        path.display()
    )]
    FilledActions { path: PathBuf },
    #[error("{} is not valid UTF-8, which GeoPackage needs of its path; name another folder with --out", path.display())]
    PathNotText { path: PathBuf },
    #[error("{}: cannot {action}; check free space and write permission", path.display())]
    File {
        path: PathBuf,
        action: &'static str,
        source: std::io::Error,
    },
    #[error("the new outputs in {} are in place, but what is left of the earlier ones could not be cleared away", dir.display())]
    InPlace {
        dir: PathBuf,
        source: Box<OutputError>,
    },
    #[error("{}: the table cannot be written; check free space", path.display())]
    Table { path: PathBuf, source: csv::Error },
    #[error("{}: cannot be written as JSON", path.display())]
    Json {
        path: PathBuf,
        source: serde_json::Error,
    },
    #[error(
        "there is no way from the work CRS to WGS 84: {message}; exchange files need one: set `exchange = []` in [outputs]"
    )]
    NoWgs84 { message: String },
    #[error(
        "block {block}: a corner has no longitude and latitude; check the work CRS and the block's place"
    )]
    NoPlace { block: String },
    #[error("work CRS: GDAL does not understand its definition")]
    Crs { source: gdal::errors::GdalError },
    #[error("the GeoPackage driver is missing from this GDAL; install one built with SQLite")]
    NoDriver { source: gdal::errors::GdalError },
    #[error("{}, {place}: GDAL says: {message}; check free space", path.display())]
    GeoPackage {
        path: PathBuf,
        /// Layer and feature, or the step.
        place: String,
        message: String,
    },
}

impl OutputError {
    /// For `map_err` on file operations.
    pub(super) fn file(
        path: &std::path::Path,
        action: &'static str,
    ) -> impl FnOnce(std::io::Error) -> OutputError {
        let path = path.to_owned();
        move |source| OutputError::File {
            path,
            action,
            source,
        }
    }
}
