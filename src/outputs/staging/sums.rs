//! `SHA256SUMS`: the sum of every output, in the form that `sha256sum --check` reads, and the check of a folder against it.
//!
//! The list has a line for the run's report, and the report says what the list holds beside it: so neither can lose or gain
//! a line, or be emptied, without the other telling.

use std::collections::{BTreeMap, BTreeSet};
use std::fs::{self, File};
use std::io::{self, Read};
use std::path::{Component, Path, PathBuf};

use rayon::prelude::*;
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};

use super::{MARKERS, Moves, STAGING, is_ours, is_place_of_ours};
use crate::outputs::{OutputError, tables};
use crate::sources::limits::REPORT_FILE_BYTES;
use crate::sources::{open_plain, read_plain};

/// Name of the file.
pub const NAME: &str = "SHA256SUMS";
/// A list of sums is read whole; it has some hundred bytes a block.
const MOST_BYTES: u64 = 1 << 30;

/// Sums by the path of their file in the folder.
type Sums = BTreeMap<String, String>;

/// What a run wrote, as its report has it under `written`.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Written {
    /// All files but the report itself and the list of sums.
    pub files: u64,
    /// How many of these lie in or below each folder at the top; `.` is for those at the top themselves.
    pub folders: BTreeMap<String, u64>,
    /// SHA-256 of their lines in the list of sums, in its order.
    pub sums_sha256: String,
}

impl Written {
    fn of(sums: &Sums, report: &str) -> Written {
        let mut written = Written::default();
        let mut hasher = Sha256::new();
        for (name, sum) in sums.iter().filter(|(name, _)| *name != report) {
            let folder = name.split_once('/').map_or(".", |(folder, _)| folder);
            written.files += 1;
            *written.folders.entry(folder.to_owned()).or_default() += 1;
            hasher.update(line(name, sum));
        }
        written.sums_sha256 = format!("{:x}", hasher.finalize());
        written
    }

    /// In which way a list differs from what the run wrote.
    fn faults(&self, listed: &Written) -> Vec<String> {
        let mut faults = Vec::new();
        let folders = self.folders.keys().chain(listed.folders.keys());
        for folder in folders.collect::<BTreeSet<_>>() {
            let count = |of: &Written| of.folders.get(folder).copied().unwrap_or(0);
            let (then, now) = (count(self), count(listed));
            if then != now {
                faults.push(format!(
                    "in {folder} the run wrote {then} files, and {NAME} lists {now}"
                ));
            }
        }
        if faults.is_empty() && self.sums_sha256 != listed.sums_sha256 {
            faults.push(format!("lines of {NAME} are not those that the run wrote"));
        }
        faults
    }
}

fn line(name: &str, sum: &str) -> String {
    format!("{sum}  {name}\n")
}

/// What a folder of outputs looks like beside its sums.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize)]
pub struct Verified {
    /// Files listed.
    pub files: u64,
    /// Bytes read.
    pub bytes: u64,
    /// Files that are others than the run wrote, as paths in the folder.
    pub altered: Vec<String>,
    /// Files that are gone.
    pub missing: Vec<String>,
    /// Files that are in no list and lie where they may be taken for outputs of the run.
    pub unlisted: Vec<String>,
    /// Other files that the run did not write.
    pub others: Vec<String>,
    /// Why the list cannot be that of all that the run wrote, in sentences.
    pub list_faults: Vec<String>,
}

impl Verified {
    /// Whether all that the run wrote is there as it was, and nothing that passes for it.
    pub fn is_sound(&self) -> bool {
        let lists = [
            &self.altered,
            &self.missing,
            &self.unlisted,
            &self.list_faults,
        ];
        lists.iter().all(|list| list.is_empty())
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

/// A report with what its run wrote.
#[derive(Serialize)]
struct Reported<'r, R: Serialize> {
    #[serde(flatten)]
    report: &'r R,
    written: Written,
}

/// Writes the report of a run into `dir`, as the file `name`, and the sums of all files below it.
///
/// # Errors
/// A file that cannot be read or written.
pub fn write(dir: &Path, name: &str, report: &impl Serialize) -> Result<(), OutputError> {
    let files = below(dir).map_err(OutputError::file(dir, "list the folder"))?;
    let sum = |name: &String| {
        let path = dir.join(name);
        let (sum, _) = digest(&path).map_err(OutputError::file(&path, "read the file"))?;
        Ok((name.clone(), sum))
    };
    let mut sums = files
        .par_iter()
        .map(sum)
        .collect::<Result<Sums, OutputError>>()?;
    let written = Written::of(&sums, name);
    tables::write_json(&dir.join(name), &Reported { report, written })?;
    sums.extend([sum(&name.to_owned())?]);
    let text: String = sums.iter().map(|(name, sum)| line(name, sum)).collect();
    let path = dir.join(NAME);
    fs::write(&path, text).map_err(OutputError::file(&path, "write the file"))
}

/// Holds the files in `dir` against its sums, and these against what the run says that it wrote.
///
/// # Errors
/// There are neither sums nor a report of ours in it, or they cannot be read.
pub fn verify(dir: &Path) -> Result<Verified, VerifyError> {
    if !dir.is_dir() {
        return Err(VerifyError::NotAFolder(dir.to_owned()));
    }
    if Moves::are_under_way(dir) {
        return Err(VerifyError::HalfPublished(dir.to_owned()));
    }
    let mut verified = Verified::default();
    let sums = match read(dir) {
        Err(VerifyError::NoSums(_)) if MARKERS.iter().any(|name| is_ours(&dir.join(name))) => {
            verified.missing.push(NAME.to_owned());
            Sums::new()
        }
        read => read?,
    };
    verified.files = sums.len() as u64;
    let found: Result<Vec<_>, VerifyError> = (sums.par_iter())
        .map(|(name, wanted)| {
            let path = dir.join(name);
            match digest(&path) {
                Ok((sum, bytes)) => Ok((name, Some((sum == *wanted, bytes)))),
                Err(error) if is_gone(&error) => Ok((name, None)),
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
    let report =
        (MARKERS.into_iter()).find(|name| is_plain(&dir.join(name)) || sums.contains_key(*name));
    verified.list_faults = match report {
        Some(report) => list_faults(dir, report, &sums),
        None => vec![format!(
            "there is neither {} that would say which files the run wrote",
            MARKERS.join(" nor ")
        )],
    };
    let there = below(dir).map_err(failed(dir, "list the folder"))?;
    let unknown = there
        .into_iter()
        .filter(|name| name != NAME && !sums.contains_key(name));
    (verified.unlisted, verified.others) =
        unknown.partition(|name| report.is_some_and(|report| is_place_of_ours(report, name)));
    Ok(verified)
}

/// Why the list of sums cannot be that of all that the run wrote.
fn list_faults(dir: &Path, report: &str, sums: &Sums) -> Vec<String> {
    #[derive(Deserialize)]
    struct Report {
        written: Option<Written>,
    }
    let mut faults = Vec::new();
    if !sums.contains_key(report) {
        faults.push(format!("{NAME} has no line for {report}"));
    }
    let read = read_plain(&dir.join(report), REPORT_FILE_BYTES).map_err(|error| error.to_string());
    let read = read.and_then(|bytes| {
        serde_json::from_slice::<Report>(&bytes).map_err(|error| error.to_string())
    });
    match read {
        Err(why) => faults.push(format!(
            "{report} cannot be read, so nobody can tell which files the run wrote: {why}"
        )),
        Ok(Report { written: None }) => faults.push(format!(
            "{report} does not say which files the run wrote, as that of an earlier version of the program does not"
        )),
        Ok(Report { written: Some(written) }) => {
            faults.extend(written.faults(&Written::of(sums, report)));
        }
    }
    faults
}

/// A file of a list is gone too where a file stands in the place of its folder.
fn is_gone(error: &io::Error) -> bool {
    matches!(
        error.kind(),
        io::ErrorKind::NotFound | io::ErrorKind::NotADirectory
    )
}

fn read(dir: &Path) -> Result<Sums, VerifyError> {
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
    let mut sums = Sums::new();
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
pub fn digest(path: &Path) -> io::Result<(String, u64)> {
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

    const REPORT: &str = "run.json";

    fn folder() -> tempfile::TempDir {
        let temp = tempfile::tempdir().unwrap();
        for folder in ["maps", "sheets"] {
            fs::create_dir(temp.path().join(folder)).unwrap();
        }
        fs::write(temp.path().join("maps/A.svg"), "<svg/>").unwrap();
        fs::write(temp.path().join("maps/B.svg"), "<svg/>").unwrap();
        // FIPS 180-2, appendix B.1.
        fs::write(temp.path().join("abc"), "abc").unwrap();
        let report = serde_json::json!({ "program": { "name": env!("CARGO_PKG_NAME") } });
        write(temp.path(), REPORT, &report).unwrap();
        temp
    }

    /// The list without the lines of which `drop` says so.
    fn shorten(dir: &Path, drop: impl Fn(&str) -> bool) {
        let path = dir.join(NAME);
        let text = fs::read_to_string(&path).unwrap();
        let kept = text.lines().filter(|line| !drop(line));
        let kept: String = kept.map(|line| format!("{line}\n")).collect();
        assert_ne!(text, kept);
        fs::write(&path, kept).unwrap();
    }

    #[test]
    fn sums_are_those_of_the_standard_in_the_form_of_coreutils() {
        let temp = folder();
        let text = fs::read_to_string(temp.path().join(NAME)).unwrap();
        let abc = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad  abc\n";
        assert!(text.starts_with(abc), "{text}");
        assert!(text.ends_with("  run.json\n"), "{text}");
        let report = fs::read(temp.path().join(REPORT)).unwrap();
        let report: serde_json::Value = serde_json::from_slice(&report).unwrap();
        assert_eq!(report["program"]["name"], env!("CARGO_PKG_NAME"));
        assert_eq!(report["written"]["files"], 3);
        assert_eq!(
            report["written"]["folders"],
            serde_json::json!({ ".": 1, "maps": 2 })
        );
        let others: String = text
            .lines()
            .filter(|line| !line.ends_with(REPORT))
            .map(|line| format!("{line}\n"))
            .collect();
        assert_eq!(
            report["written"]["sums_sha256"],
            format!("{:x}", Sha256::digest(others))
        );
    }

    #[test]
    fn what_was_altered_removed_or_added_is_told() {
        let temp = folder();
        let dir = temp.path();
        let found = verify(dir).unwrap();
        assert!(found.is_sound(), "{found:?}");
        assert_eq!((found.files, found.others.len()), (4, 0));
        fs::write(dir.join("abc"), "abd").unwrap();
        fs::remove_file(dir.join("maps/A.svg")).unwrap();
        fs::write(dir.join("maps/photo.png"), "mine").unwrap();
        fs::write(dir.join("maps/C.svg"), "<svg/>").unwrap();
        let found = verify(dir).unwrap();
        assert!(!found.is_sound());
        assert_eq!(found.altered, ["abc"]);
        assert_eq!(found.missing, ["maps/A.svg"]);
        assert_eq!(found.unlisted, ["maps/C.svg"]);
        assert_eq!(found.others, ["maps/photo.png"]);
        assert_eq!(found.list_faults, Vec::<String>::new());
    }

    #[test]
    fn a_sheet_that_nobody_wrote_is_no_sound_folder_and_a_note_is() {
        for (name, sound) in [
            ("sheets/B.pdf", false),
            ("exchange/B.gpx", false),
            ("report/data/blocks/B.js", false),
            ("compliance.csv", false),
            ("styles/zones.sld", false),
            ("sheets/note.txt", true),
            ("notes.txt", true),
            ("report/letter.txt", true),
        ] {
            let temp = folder();
            let path = temp.path().join(name);
            fs::create_dir_all(path.parent().unwrap()).unwrap();
            fs::write(path, "planted").unwrap();
            let found = verify(temp.path()).unwrap();
            assert_eq!(found.is_sound(), sound, "{name}: {found:?}");
            let list = if sound {
                &found.others
            } else {
                &found.unlisted
            };
            assert_eq!(*list, [name]);
        }
    }

    #[test]
    fn a_list_that_lost_lines_is_not_that_of_the_run() {
        let told = |alter: &dyn Fn(&Path)| {
            let temp = folder();
            alter(temp.path());
            let found = verify(temp.path()).unwrap();
            assert!(!found.is_sound(), "{found:?}");
            found
        };
        // Of a file that is there, of one that is gone as well, of the report, of all.
        let found = told(&|dir| shorten(dir, |line| line.ends_with("A.svg")));
        assert_eq!(found.unlisted, ["maps/A.svg"]);
        assert_eq!(
            found.list_faults,
            ["in maps the run wrote 2 files, and SHA256SUMS lists 1"]
        );
        let found = told(&|dir| {
            shorten(dir, |line| line.ends_with("A.svg"));
            fs::remove_file(dir.join("maps/A.svg")).unwrap();
        });
        assert_eq!(
            found.list_faults,
            ["in maps the run wrote 2 files, and SHA256SUMS lists 1"]
        );
        let found = told(&|dir| shorten(dir, |line| line.ends_with(REPORT)));
        assert_eq!(found.list_faults, ["SHA256SUMS has no line for run.json"]);
        let found = told(&|dir| shorten(dir, |_| true));
        assert_eq!((found.files, found.list_faults.len()), (0, 3), "{found:?}");
        let found = told(&|dir| fs::remove_file(dir.join(NAME)).unwrap());
        assert_eq!(found.missing, [NAME]);
    }

    #[test]
    fn a_file_whose_line_was_altered_with_it_is_told_too() {
        let temp = folder();
        let dir = temp.path();
        fs::write(dir.join("abc"), "abd").unwrap();
        let (sum, _) = digest(&dir.join("abc")).unwrap();
        let path = dir.join(NAME);
        let text = fs::read_to_string(&path).unwrap();
        fs::write(&path, text.replace(&text[..64], &sum)).unwrap();
        let found = verify(dir).unwrap();
        assert_eq!(found.altered, Vec::<String>::new());
        assert_eq!(
            found.list_faults,
            ["lines of SHA256SUMS are not those that the run wrote"]
        );
    }

    #[test]
    fn a_folder_without_its_report_or_with_one_of_an_earlier_version_is_not_vouched_for() {
        let temp = folder();
        let report = temp.path().join(REPORT);
        fs::remove_file(&report).unwrap();
        let found = verify(temp.path()).unwrap();
        assert_eq!(
            (found.missing, found.list_faults.len()),
            (vec![REPORT.to_owned()], 1)
        );
        shorten(temp.path(), |line| line.ends_with(REPORT));
        assert!(!verify(temp.path()).unwrap().is_sound());
        fs::write(&report, "{}").unwrap();
        let found = verify(temp.path()).unwrap();
        assert!(
            found
                .list_faults
                .iter()
                .any(|fault| fault.contains("earlier version")),
            "{found:?}"
        );
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
