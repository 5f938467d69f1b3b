//! Outputs appear whole or not at all: everything is written into a folder of its own and moved into place at the end.

use std::fs;
use std::io;
use std::path::{Path, PathBuf};

use super::OutputError;
use super::report;

/// Name of the staging folder inside the output folder.
const STAGING: &str = ".blockwright-partial";
/// What `commit` took out of the way, inside the staging folder.
const REPLACED: &str = "replaced";
/// The new outputs, inside the staging folder.
const FRESH: &str = "new";
pub(super) const RUN_FILE: &str = "run.json";
pub(super) const MAPS: &str = "maps";
/// Folders that a run may leave out, with the ending of our own files in them; one that an earlier run left goes, or its
/// sheets would be taken for those of this layout. Of exchange files all are ours.
const SOMETIMES: [(&str, Option<&str>); 2] = [("sheets", Some("pdf")), ("exchange", None)];

/// What is staged: the file that shows whose folder it is, moved last, and the folder of single sheets.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Outputs {
    pub marker: &'static str,
    pub sheets: &'static str,
    /// Ending of the sheets.
    pub ending: &'static str,
}

/// Of `layout`.
pub(super) const LAYOUT: Outputs = Outputs {
    marker: RUN_FILE,
    sheets: MAPS,
    ending: "svg",
};
pub(super) const REPORT: &str = "report";

/// A staging folder; dropped without `commit` it goes, and so does an output folder made for it.
pub(super) struct Staging {
    outputs: Outputs,
    target: PathBuf,
    made_target: bool,
    committed: bool,
}

impl Staging {
    fn sometimes(&self) -> &'static [(&'static str, Option<&'static str>)] {
        if self.outputs == LAYOUT {
            &SOMETIMES
        } else {
            &[]
        }
    }

    /// Opens a staging folder inside `target`, which is created if missing. What an earlier, killed run left is removed.
    ///
    /// # Errors
    /// `target` is a file, holds somebody else's files, or cannot be written to.
    pub fn create(target: &Path, outputs: Outputs) -> Result<Staging, OutputError> {
        let made_target = match fs::metadata(target) {
            Ok(found) if !found.is_dir() => {
                return Err(OutputError::NotAFolder {
                    path: target.to_owned(),
                });
            }
            Ok(_) => {
                refuse_foreign(target, outputs.marker)?;
                false
            }
            Err(error) if error.kind() == io::ErrorKind::NotFound => {
                fs::create_dir_all(target)
                    .map_err(OutputError::file(target, "create the folder"))?;
                true
            }
            Err(error) => return Err(OutputError::file(target, "look into the folder")(error)),
        };
        let staging = Staging {
            outputs,
            target: target.to_owned(),
            made_target,
            committed: false,
        };
        let root = staging.root();
        if root.exists() {
            fs::remove_dir_all(&root)
                .map_err(OutputError::file(&root, "remove what a killed run left"))?;
        }
        let maps = staging.path(outputs.sheets);
        fs::create_dir_all(&maps).map_err(OutputError::file(&maps, "create the folder"))?;
        Ok(staging)
    }

    fn root(&self) -> PathBuf {
        self.target.join(STAGING)
    }

    /// Where the output `name` is written before it is moved.
    pub fn path(&self, name: &str) -> PathBuf {
        self.root().join(FRESH).join(name)
    }

    /// Moves every new output into place, the marker last, taking away those of an earlier run. If one cannot be moved
    /// all is put back as it was.
    ///
    /// # Errors
    /// The file that could not be moved or removed.
    pub fn commit(mut self) -> Result<(), OutputError> {
        let fresh = self.root().join(FRESH);
        let replaced = self.root().join(REPLACED);
        fs::create_dir_all(&replaced).map_err(OutputError::file(&replaced, "create the folder"))?;
        let mut names = Vec::new();
        for entry in fs::read_dir(&fresh).map_err(OutputError::file(&fresh, "list the folder"))? {
            names.push(
                entry
                    .map_err(OutputError::file(&fresh, "list the folder"))?
                    .file_name(),
            );
        }
        // A layout may be written without maps and report too.
        let sometimes = self.sometimes().iter().map(|(folder, _)| *folder);
        let others = [MAPS, REPORT].into_iter();
        for folder in sometimes.chain(others.filter(|_| self.outputs == LAYOUT)) {
            if !fresh.join(folder).exists() && self.target.join(folder).is_dir() {
                names.push(folder.into());
            }
        }
        names.sort_by_key(|name| (name == self.outputs.marker, name.clone()));
        let mut moves: Vec<(PathBuf, PathBuf)> = Vec::new();
        for name in &names {
            let place = self.target.join(name);
            let mut wanted = Vec::new();
            if fs::symlink_metadata(&place).is_ok() {
                wanted.push((place.clone(), replaced.join(name)));
            }
            if fs::symlink_metadata(fresh.join(name)).is_ok() {
                wanted.push((fresh.join(name), place));
            }
            for (from, to) in wanted {
                if let Err(error) = fs::rename(&from, &to) {
                    for (from, to) in moves.iter().rev() {
                        // Best effort: the first error is the one to tell.
                        let _ = fs::rename(to, from);
                    }
                    return Err(OutputError::file(&to, "move the output into place")(error));
                }
                moves.push((from, to));
            }
        }
        self.committed = true;
        let Outputs { sheets, ending, .. } = self.outputs;
        keep_foreign(&replaced.join(sheets), &self.target.join(sheets), |path| {
            ends_in(path, ending)
        })?;
        keep_foreign(&replaced.join(REPORT), &self.target.join(REPORT), |path| {
            path.file_name()
                .is_some_and(|name| report::OWN.iter().any(|own| name == *own))
        })?;
        for &(folder, ending) in self.sometimes() {
            if let Some(ending) = ending {
                keep_foreign(&replaced.join(folder), &self.target.join(folder), |path| {
                    ends_in(path, ending)
                })?;
            }
        }
        let root = self.root();
        fs::remove_dir_all(&root).map_err(OutputError::file(
            &root,
            "remove the outputs of the earlier run",
        ))
    }
}

impl Drop for Staging {
    fn drop(&mut self) {
        if !self.committed {
            let _ = fs::remove_dir_all(self.root());
            if self.made_target {
                // Removes it only when empty.
                let _ = fs::remove_dir(&self.target);
            }
        }
    }
}

fn refuse_foreign(target: &Path, marker: &'static str) -> Result<(), OutputError> {
    let look = || OutputError::file(target, "look into the folder");
    let mut empty = true;
    for entry in fs::read_dir(target).map_err(look())? {
        if entry.map_err(look())?.file_name() == STAGING {
            return Ok(());
        }
        empty = false;
    }
    if empty || is_ours(&target.join(marker)) {
        return Ok(());
    }
    Err(OutputError::ForeignFolder {
        dir: target.to_owned(),
        marker,
    })
}

fn is_ours(marker: &Path) -> bool {
    let Ok(file) = fs::File::open(marker) else {
        return false;
    };
    serde_json::from_reader::<_, serde_json::Value>(io::BufReader::new(file))
        .is_ok_and(|run| run["program"]["name"] == env!("CARGO_PKG_NAME"))
}

fn ends_in(path: &Path, ending: &str) -> bool {
    path.extension().is_some_and(|own| own == ending)
}

/// What somebody put into a folder of ours goes back, when it is not of our own kind.
fn keep_foreign(
    old: &Path,
    new: &Path,
    is_ours: impl Fn(&Path) -> bool,
) -> Result<(), OutputError> {
    let Ok(entries) = fs::read_dir(old) else {
        return Ok(());
    };
    for entry in entries {
        let entry = entry.map_err(OutputError::file(old, "list the folder"))?;
        let path = entry.path();
        let back = new.join(entry.file_name());
        if !is_ours(&path) && !back.exists() {
            fs::create_dir_all(new).map_err(OutputError::file(new, "create the folder"))?;
            fs::rename(&path, &back).map_err(OutputError::file(&back, "keep the file"))?;
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_dropped_staging_folder_leaves_nothing() {
        let temp = tempfile::tempdir().unwrap();
        let target = temp.path().join("out");
        let staging = Staging::create(&target, LAYOUT).unwrap();
        fs::write(staging.path("blocks.csv"), "half").unwrap();
        drop(staging);
        assert!(!target.exists());
    }

    #[test]
    fn sheets_of_an_earlier_run_go_and_what_lay_beside_them_stays() {
        let temp = tempfile::tempdir().unwrap();
        let target = temp.path();
        let run = |sheets: bool| {
            let staging = Staging::create(target, LAYOUT).unwrap();
            if sheets {
                fs::create_dir(staging.path("sheets")).unwrap();
                fs::write(staging.path("sheets").join("A.pdf"), "old").unwrap();
                fs::create_dir(staging.path("exchange")).unwrap();
            }
            let json = format!(r#"{{"program":{{"name":"{}"}}}}"#, env!("CARGO_PKG_NAME"));
            fs::write(staging.path(RUN_FILE), json).unwrap();
            staging.commit().unwrap();
        };
        run(true);
        fs::write(target.join("sheets/note.txt"), "mine").unwrap();
        run(false);
        assert!(!target.join("sheets/A.pdf").exists());
        assert!(target.join("sheets/note.txt").exists());
        assert!(!target.join("exchange").exists());
    }

    #[test]
    fn foreign_files_are_never_touched() {
        let temp = tempfile::tempdir().unwrap();
        fs::write(temp.path().join("letter.txt"), "keep").unwrap();
        assert!(matches!(
            Staging::create(temp.path(), LAYOUT),
            Err(OutputError::ForeignFolder { .. })
        ));
        fs::write(
            temp.path().join(RUN_FILE),
            r#"{"program":{"name":"other"}}"#,
        )
        .unwrap();
        assert!(Staging::create(temp.path(), LAYOUT).is_err());
        assert!(matches!(
            Staging::create(&temp.path().join("letter.txt"), LAYOUT),
            Err(OutputError::NotAFolder { .. })
        ));
    }

    #[test]
    fn a_second_run_replaces_outputs_and_keeps_what_is_not_its_own() {
        let temp = tempfile::tempdir().unwrap();
        let target = temp.path();
        let run = |map: &str, text: &str| {
            let staging = Staging::create(target, LAYOUT).unwrap();
            fs::write(staging.path(MAPS).join(map), text).unwrap();
            let json = format!(r#"{{"program":{{"name":"{}"}}}}"#, env!("CARGO_PKG_NAME"));
            fs::write(staging.path(RUN_FILE), json).unwrap();
            staging.commit().unwrap();
        };
        run("A.svg", "old");
        fs::write(target.join("notes.txt"), "mine").unwrap();
        fs::write(target.join(MAPS).join("photo.png"), "mine").unwrap();
        run("B.svg", "new");
        let mut maps: Vec<_> = fs::read_dir(target.join(MAPS))
            .unwrap()
            .map(|entry| entry.unwrap().file_name().into_string().unwrap())
            .collect();
        maps.sort();
        assert_eq!(maps, ["B.svg", "photo.png"]);
        assert_eq!(
            fs::read_to_string(target.join("notes.txt")).unwrap(),
            "mine"
        );
        assert!(!target.join(STAGING).exists());
    }
}
