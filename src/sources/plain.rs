//! Only plain local files are opened, and nothing beside them that a driver might open in their stead: a pipe would wait
//! for ever, a table of other tables would read what nobody named.

use std::collections::BTreeMap;
use std::fs::File;
use std::io::{self, Read};
use std::path::{Path, PathBuf};

use super::errors::SourceError;
use super::limits;
use crate::project::{LayerSource, why_not_for_drivers};

const ARCHIVES: [&str; 12] = [
    "zip", "shz", "gz", "tar", "tgz", "kmz", "7z", "rar", "bz2", "xz", "zst", "gdbz",
];

/// Opens a file that is one of ours or of the user's, no device and no pipe, of at most so many bytes.
///
/// # Errors
/// It is missing, none, longer, or may not be read.
pub fn open(path: &Path, most_bytes: u64) -> io::Result<File> {
    let found = std::fs::metadata(path)?;
    if !found.is_file() {
        return Err(io::Error::other("it is no plain file"));
    }
    if found.len() > most_bytes {
        let most = limits::bytes(most_bytes);
        return Err(io::Error::other(format!("it is longer than {most}")));
    }
    File::open(path)
}

/// As [`open`], its bytes.
///
/// # Errors
/// As [`open`].
pub fn read(path: &Path, most_bytes: u64) -> io::Result<Vec<u8>> {
    let mut bytes = Vec::new();
    // It may have grown since.
    open(path, most_bytes)?
        .take(most_bytes)
        .read_to_end(&mut bytes)?;
    Ok(bytes)
}

/// The file beside `path` whose name is the same and an ending more.
pub(super) fn with_ending(path: &Path, ending: &str) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(ending);
    name.into()
}

/// What lies in the folders looked into so far and is neither file nor folder.
#[derive(Debug, Default)]
pub(super) struct Folders(BTreeMap<PathBuf, Vec<String>>);

impl Folders {
    /// A name beside `path` that a driver may open with it, and that is no plain file. Of rasters some read whatever
    /// metadata lies in the folder.
    fn pipe_beside(&mut self, path: &Path, any_name: bool) -> Option<String> {
        let folder = match path.parent() {
            Some(folder) if folder.as_os_str().is_empty() => Path::new("."),
            Some(folder) => folder,
            None => return None,
        };
        if !self.0.contains_key(folder) {
            self.0.insert(folder.to_owned(), pipes_in(folder));
        }
        let stem = path.file_stem()?.to_string_lossy().to_lowercase();
        let beside = |name: &&String| {
            let name = name.to_lowercase();
            let rest = name.strip_prefix(&stem);
            any_name || rest.is_some_and(|rest| rest.starts_with(['.', '-', '_']))
        };
        self.0.get(folder)?.iter().find(beside).cloned()
    }

    /// As [`check_plain`].
    pub fn check(
        &mut self,
        path: &Path,
        source: &str,
        role: &'static str,
    ) -> Result<(), SourceError> {
        let file = source.to_owned();
        let forbidden = |why: &str| SourceError::Forbidden {
            file: source.to_owned(),
            role,
            why: why.to_owned(),
        };
        for text in [&path.to_string_lossy(), source] {
            if let Some(why) = why_not_for_drivers(text) {
                return Err(forbidden(why));
            }
        }
        let extension = path.extension().map(|e| e.to_ascii_lowercase());
        if extension.is_some_and(|e| ARCHIVES.iter().any(|archive| e == *archive)) {
            return Err(forbidden("archives are not read"));
        }
        let found = match std::fs::metadata(path) {
            Err(error) if error.kind() == io::ErrorKind::NotFound => {
                return Err(SourceError::MissingFile { file, role });
            }
            Err(error) => {
                return Err(SourceError::Unreadable {
                    file,
                    role,
                    message: error.to_string(),
                });
            }
            Ok(found) => found,
        };
        if found.is_dir() {
            return Err(forbidden("a folder is no data file"));
        }
        if !found.is_file() {
            return Err(forbidden("it is no plain file"));
        }
        check_length(found.len(), source, role)?;
        match self.pipe_beside(path, role == "terrain") {
            Some(name) => Err(forbidden(&format!(
                "`{name}` beside it, which would be opened with it, is no plain file"
            ))),
            None => Ok(()),
        }
    }
}

fn pipes_in(folder: &Path) -> Vec<String> {
    let Ok(entries) = std::fs::read_dir(folder) else {
        return Vec::new();
    };
    let mut found: Vec<String> = entries
        .flatten()
        .filter(|entry| {
            let plain = |kind: std::fs::FileType| kind.is_file() || kind.is_dir();
            match entry.file_type() {
                Ok(kind) if kind.is_symlink() => {
                    // A link that leads nowhere cannot be opened either.
                    std::fs::metadata(entry.path()).is_ok_and(|found| !plain(found.file_type()))
                }
                Ok(kind) => !plain(kind),
                Err(_) => false,
            }
        })
        .map(|entry| entry.file_name().to_string_lossy().into_owned())
        .collect();
    found.sort();
    found
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
    Folders::default().check(path, source, role)
}

/// # Errors
/// More than are read of a file of this role.
pub(super) fn check_length(
    found: u64,
    source: &str,
    role: &'static str,
) -> Result<(), SourceError> {
    let most = limits::file_bytes(role);
    if found <= most {
        return Ok(());
    }
    Err(SourceError::TooMuch {
        whose: source.to_owned(),
        role,
        found: format!("more than {}", limits::bytes(most)),
        most: limits::bytes(most),
    })
}

/// Why a MapInfo table is not opened: some are made of others, which may lie anywhere.
pub(super) fn why_no_table(path: &Path) -> Option<&'static str> {
    let is_table = path
        .extension()
        .is_some_and(|extension| extension.eq_ignore_ascii_case("tab"));
    if !is_table {
        return None;
    }
    let Ok(bytes) = read(path, limits::DESCRIPTION_BYTES) else {
        return Some("it is too long for the description of a table");
    };
    let text = String::from_utf8_lossy(&bytes).to_ascii_lowercase();
    let of_others = text
        .lines()
        .map(str::trim_start)
        .any(|line| line.starts_with("create view") || line.starts_with("\"\\isseamless\""));
    of_others.then_some("it is a table made of other tables")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn tables_of_tables_are_known_by_their_description() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a.tab");
        for (text, plain) in [
            (
                "!table\n!version 300\nDefinition Table\n  Type NATIVE Charset \"Neutral\"\n",
                true,
            ),
            (
                "!table\nOpen Table \"b\" Hide\nCreate View a As Select * From b\n",
                false,
            ),
            (
                "!table\nbegin_metadata\n\"\\IsSeamless\" = \"TRUE\"\nend_metadata\n",
                false,
            ),
        ] {
            std::fs::write(&path, text).unwrap();
            assert_eq!(why_no_table(&path).is_none(), plain, "{text}");
        }
    }

    #[test]
    fn files_are_opened_up_to_their_limit() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a.json");
        std::fs::write(&path, "{}").unwrap();
        assert_eq!(read(&path, 2).unwrap(), b"{}");
        assert!(read(&path, 1).is_err());
        assert!(open(folder.path(), 10).is_err());
    }
}
