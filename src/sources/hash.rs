//! Size and SHA-256 of every file that is read, sidecars included, each once.

use std::collections::BTreeSet;
use std::fs::File;
use std::io::Read;
use std::path::{Path, PathBuf};
use std::time::SystemTime;

use sha2::{Digest, Sha256};

use super::InputFile;
use super::errors::SourceError;
use super::open;
use super::plain::{check_length, check_path, with_ending};
use crate::model::LayerKind;
use crate::project::{LayerSource, TableSource, TerrainFile};

/// Files that belong to a file of the given extension and are read with it.
fn sidecars(extension: &str) -> &'static [&'static str] {
    match extension {
        "shp" => &["shx", "dbf", "prj", "cpg"],
        "tab" => &["dat", "map", "id", "ind"],
        "mif" => &["mid"],
        _ => &[],
    }
}

/// A file as it was when it was read, to see later whether it still is the same.
#[derive(Clone, Debug)]
pub(super) struct Stamp {
    path: PathBuf,
    modified: Option<SystemTime>,
    pub input: InputFile,
}

impl Stamp {
    /// Whether the file is another by now. Its content is looked at only where size or time are others.
    pub fn is_outdated(&self) -> bool {
        let same = std::fs::metadata(&self.path).is_ok_and(|found| {
            found.len() == self.input.bytes && found.modified().ok() == self.modified
        });
        let InputFile { source, sha256, .. } = &self.input;
        !same
            && !digest(&self.path, source.clone(), source, "")
                .is_ok_and(|now| now.input.sha256 == *sha256)
    }
}

/// All input files in the order of their first mention.
pub(super) fn inputs(sources: &[&LayerSource]) -> Result<Vec<Stamp>, SourceError> {
    let mut seen: BTreeSet<PathBuf> = BTreeSet::new();
    let mut inputs = Vec::new();
    for source in sources {
        check_path(source)?;
        for (path, name) in files_of(&source.path, &source.source) {
            if seen.insert(path.clone()) {
                inputs.push(digest(&path, name, &source.source, source.kind.key())?);
            }
        }
    }
    Ok(inputs)
}

/// Names of the files that only layers of one kind are read from.
pub fn only_of(sources: &[LayerSource], kind: LayerKind) -> BTreeSet<String> {
    let names = |own: bool| -> BTreeSet<String> {
        let sources = sources.iter().filter(|source| (source.kind == kind) == own);
        let files = sources.flat_map(|source| files_of(&source.path, &source.source));
        files.map(|(_, name)| name).collect()
    };
    names(true).difference(&names(false)).cloned().collect()
}

/// The files of a terrain, sidecars and parts of virtual rasters included.
pub(super) fn terrain(files: &[TerrainFile]) -> Result<Vec<Stamp>, SourceError> {
    let one = |file: &TerrainFile| digest(&file.path, file.source.clone(), &file.source, "terrain");
    files.iter().map(one).collect()
}

/// A file that is named on the command line.
pub(super) fn named(path: &Path, role: &'static str) -> Result<Stamp, SourceError> {
    let name = path.file_name().map(|name| name.to_string_lossy());
    let name = name.map_or_else(String::new, |name| name.into_owned());
    digest(path, name.clone(), &name, role)
}

/// A table beside the layers.
pub(super) fn table(table: &TableSource, role: &'static str) -> Result<Stamp, SourceError> {
    digest(&table.path, table.source.clone(), &table.source, role)
}

fn files_of(path: &Path, name: &str) -> Vec<(PathBuf, String)> {
    let mut files = vec![(path.to_owned(), name.to_owned())];
    for (ending, bytes) in open::journals(path) {
        if bytes > 0 {
            files.push((with_ending(path, ending), format!("{name}{ending}")));
        }
    }
    let Some(extension) = path.extension().and_then(|e| e.to_str()) else {
        return files;
    };
    let upper = extension.chars().all(|c| c.is_ascii_uppercase());
    for sidecar in sidecars(&extension.to_ascii_lowercase()) {
        let sidecar = if upper {
            sidecar.to_ascii_uppercase()
        } else {
            (*sidecar).to_owned()
        };
        let beside = path.with_extension(&sidecar);
        if beside.is_file() {
            let stem = name.strip_suffix(extension).unwrap_or(name);
            files.push((beside, format!("{stem}{sidecar}")));
        }
    }
    files
}

fn digest(
    path: &Path,
    name: String,
    source: &str,
    role: &'static str,
) -> Result<Stamp, SourceError> {
    let unreadable = |error: std::io::Error| {
        let file = source.to_owned();
        match open::is_too_many(&error) {
            true => SourceError::TooManyFiles { file, role },
            false => SourceError::Unreadable {
                file,
                role,
                message: error.to_string(),
            },
        }
    };
    let mut file = File::open(path).map_err(unreadable)?;
    // Taken before the first byte is read, so that no later change can hide behind it.
    let found = file.metadata().map_err(unreadable)?;
    check_length(found.len(), &name, role)?;
    let modified = found.modified().ok();
    let mut hasher = Sha256::new();
    let mut buffer = vec![0u8; 1 << 16];
    let mut bytes = 0u64;
    loop {
        let count = file.read(&mut buffer).map_err(unreadable)?;
        if count == 0 {
            break;
        }
        hasher.update(&buffer[..count]);
        bytes += count as u64;
    }
    Ok(Stamp {
        path: path.to_owned(),
        modified,
        input: InputFile {
            source: name,
            bytes,
            sha256: format!("{:x}", hasher.finalize()),
        },
    })
}
