//! `SHA256SUMS`: the sum of every output, in the form that `sha256sum --check` reads, and the check of a folder against it.

use std::collections::BTreeMap;
use std::fs::{self, File};
use std::io::{self, Read};
use std::path::{Component, Path, PathBuf};

use rayon::prelude::*;
use sha2::{Digest, Sha256};

use super::{Moves, STAGING};
use crate::outputs::OutputError;
use crate::sources::open_plain;

/// Name of the file.
pub const NAME: &str = "SHA256SUMS";
/// A list of sums is read whole; it has some hundred bytes a block.
const MOST_BYTES: u64 = 1 << 30;

/// What a folder of outputs looks like beside its sums.
#[derive(Clone, Debug, Default, PartialEq, Eq, serde::Serialize)]
pub struct Verified {
    /// Files listed.
    pub files: u64,
    /// Bytes read.
    pub bytes: u64,
    /// Files that are others than the run wrote, as paths in the folder.
    pub altered: Vec<String>,
    /// Files that are gone.
    pub missing: Vec<String>,
    /// Files that the run did not write.
    pub others: Vec<String>,
}

impl Verified {
    /// Whether all that the run wrote is there as it was.
    pub fn is_sound(&self) -> bool {
        self.altered.is_empty() && self.missing.is_empty()
    }
}

#[derive(Debug, thiserror::Error)]
pub enum VerifyError {
    #[error("{}: this is no folder\n  hint: name a folder that layout, gather, audit or dispatch wrote", .0.display())]
    NotAFolder(PathBuf),
    #[error("{}: there is no {NAME} in it\n  hint: name a folder that layout, gather, audit or dispatch wrote", .0.display())]
    NoSums(PathBuf),
    #[error(
        "{}: a run was stopped while it moved its outputs into place\n  hint: run the same command into this folder again, `layout` with --resume",
        .0.display()
    )]
    HalfPublished(PathBuf),
    #[error("{}, line {line}: {why}\n  hint: the list was altered; run the command anew", path.display())]
    Malformed {
        path: PathBuf,
        line: usize,
        why: &'static str,
    },
    #[error("{}: cannot {doing}: {source}\n  hint: check what stands there and who may read it", path.display())]
    File {
        path: PathBuf,
        doing: &'static str,
        source: io::Error,
    },
}

fn failed(path: &Path, doing: &'static str) -> impl FnOnce(io::Error) -> VerifyError {
    let path = path.to_owned();
    move |source| VerifyError::File {
        path,
        doing,
        source,
    }
}

/// Writes the sums of all files below `dir` into it.
///
/// # Errors
/// A file that cannot be read or written.
pub fn write(dir: &Path) -> Result<(), OutputError> {
    let files = below(dir).map_err(OutputError::file(dir, "list the folder"))?;
    let lines: Result<Vec<String>, OutputError> = (files.par_iter())
        .map(|name| {
            let path = dir.join(name);
            let (sum, _) = digest(&path).map_err(OutputError::file(&path, "read the file"))?;
            Ok(format!("{sum}  {name}\n"))
        })
        .collect();
    let path = dir.join(NAME);
    fs::write(&path, lines?.concat()).map_err(OutputError::file(&path, "write the file"))
}

/// Holds the files in `dir` against its sums.
///
/// # Errors
/// There are no sums in it, or they cannot be read.
pub fn verify(dir: &Path) -> Result<Verified, VerifyError> {
    if !dir.is_dir() {
        return Err(VerifyError::NotAFolder(dir.to_owned()));
    }
    if Moves::are_under_way(dir) {
        return Err(VerifyError::HalfPublished(dir.to_owned()));
    }
    let sums = read(dir)?;
    let mut verified = Verified {
        files: sums.len() as u64,
        ..Verified::default()
    };
    let found: Result<Vec<_>, VerifyError> = (sums.par_iter())
        .map(|(name, wanted)| {
            let path = dir.join(name);
            match digest(&path) {
                Ok((sum, bytes)) => Ok((name, Some((sum == *wanted, bytes)))),
                Err(error) if error.kind() == io::ErrorKind::NotFound => Ok((name, None)),
                // A folder or a link that leads nowhere stands where a file stood.
                Err(_) if !is_plain(&path) => Ok((name, Some((false, 0)))),
                Err(error) => Err(failed(&path, "read the file")(error)),
            }
        })
        .collect();
    for (name, found) in found? {
        match found {
            None => verified.missing.push(name.clone()),
            Some((same, bytes)) => {
                verified.bytes += bytes;
                if !same {
                    verified.altered.push(name.clone());
                }
            }
        }
    }
    let there = below(dir).map_err(failed(dir, "list the folder"))?;
    verified.others = there
        .into_iter()
        .filter(|name| name != NAME && !sums.contains_key(name))
        .collect();
    Ok(verified)
}

fn read(dir: &Path) -> Result<BTreeMap<String, String>, VerifyError> {
    let path = dir.join(NAME);
    let file = match open_plain(&path, MOST_BYTES) {
        Err(error) if error.kind() == io::ErrorKind::NotFound => {
            return Err(VerifyError::NoSums(dir.to_owned()));
        }
        opened => opened.map_err(failed(&path, "open the file"))?,
    };
    let mut text = String::new();
    let read = file.take(MOST_BYTES).read_to_string(&mut text);
    read.map_err(failed(&path, "read the file"))?;
    let mut sums = BTreeMap::new();
    for (index, line) in text.lines().enumerate() {
        let malformed = |why| VerifyError::Malformed {
            path: path.clone(),
            line: index + 1,
            why,
        };
        let (sum, name) = line
            .split_once("  ")
            .ok_or_else(|| malformed("a sum, two spaces and a path are expected"))?;
        if sum.len() != 64 || !sum.bytes().all(|byte| byte.is_ascii_hexdigit()) {
            return Err(malformed("a sum has 64 hexadecimal digits"));
        }
        let inside = Path::new(name)
            .components()
            .all(|part| matches!(part, Component::Normal(_)));
        if name.is_empty() || !inside {
            return Err(malformed("the path leads out of the folder"));
        }
        sums.insert(name.to_owned(), sum.to_ascii_lowercase());
    }
    Ok(sums)
}

/// Every file below `dir`, as paths in it with `/`, sorted. Links count as files and are not followed; the staging folder
/// is left out.
fn below(dir: &Path) -> io::Result<Vec<String>> {
    let mut found = Vec::new();
    let mut folders = vec![String::new()];
    while let Some(folder) = folders.pop() {
        for entry in fs::read_dir(dir.join(&folder))? {
            let entry = entry?;
            let name = entry.file_name().to_string_lossy().into_owned();
            if folder.is_empty() && name == STAGING {
                continue;
            }
            let name = format!("{folder}{name}");
            if entry.file_type()?.is_dir() {
                folders.push(name + "/");
            } else {
                found.push(name);
            }
        }
    }
    found.sort();
    Ok(found)
}

/// Whether `path` itself is a file, and no link to one.
fn is_plain(path: &Path) -> bool {
    fs::symlink_metadata(path).is_ok_and(|found| found.is_file())
}

/// SHA-256 of a file in hexadecimal digits, and its bytes.
fn digest(path: &Path) -> io::Result<(String, u64)> {
    fs::symlink_metadata(path)?;
    if !is_plain(path) {
        return Err(io::ErrorKind::InvalidInput.into());
    }
    let mut file = File::open(path)?;
    let mut hasher = Sha256::new();
    let mut buffer = vec![0; 1 << 18];
    let mut bytes = 0;
    loop {
        let count = file.read(&mut buffer)?;
        if count == 0 {
            return Ok((format!("{:x}", hasher.finalize()), bytes));
        }
        hasher.update(&buffer[..count]);
        bytes += count as u64;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn folder() -> tempfile::TempDir {
        let temp = tempfile::tempdir().unwrap();
        fs::create_dir(temp.path().join("maps")).unwrap();
        fs::write(temp.path().join("maps/A.svg"), "<svg/>").unwrap();
        // FIPS 180-2, appendix B.1.
        fs::write(temp.path().join("abc"), "abc").unwrap();
        write(temp.path()).unwrap();
        temp
    }

    #[test]
    fn sums_are_those_of_the_standard_in_the_form_of_coreutils() {
        let text = fs::read_to_string(folder().path().join(NAME)).unwrap();
        let abc = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad  abc\n";
        assert!(text.starts_with(abc), "{text}");
        assert!(text.ends_with("  maps/A.svg\n"), "{text}");
    }

    #[test]
    fn what_was_altered_removed_or_added_is_told() {
        let temp = folder();
        let dir = temp.path();
        assert_eq!(verify(dir).unwrap().others, Vec::<String>::new());
        assert!(verify(dir).unwrap().is_sound());
        fs::write(dir.join("abc"), "abd").unwrap();
        fs::remove_file(dir.join("maps/A.svg")).unwrap();
        fs::write(dir.join("maps/photo.png"), "mine").unwrap();
        let found = verify(dir).unwrap();
        assert!(!found.is_sound());
        assert_eq!(found.altered, ["abc"]);
        assert_eq!(found.missing, ["maps/A.svg"]);
        assert_eq!(found.others, ["maps/photo.png"]);
    }

    #[test]
    fn a_list_that_leads_out_of_the_folder_is_refused() {
        for (line, why) in [
            (format!("{}  ../secret\n", "0".repeat(64)), "leads out"),
            (format!("{}  /etc/passwd\n", "0".repeat(64)), "leads out"),
            ("00  abc\n".to_owned(), "64"),
            ("abc\n".to_owned(), "two spaces"),
        ] {
            let temp = folder();
            fs::write(temp.path().join(NAME), line).unwrap();
            let told = verify(temp.path()).unwrap_err().to_string();
            assert!(told.contains(why) && told.contains("line 1"), "{told}");
        }
    }

    #[cfg(unix)]
    #[test]
    fn a_link_in_the_place_of_a_file_is_an_altered_file() {
        let temp = folder();
        let place = temp.path().join("abc");
        let copy = temp.path().join("copy");
        fs::rename(&place, &copy).unwrap();
        std::os::unix::fs::symlink(&copy, &place).unwrap();
        assert_eq!(verify(temp.path()).unwrap().altered, ["abc"]);
    }
}
