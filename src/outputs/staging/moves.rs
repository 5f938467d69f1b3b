//! Moving new outputs into place, so that a run that is killed meanwhile can be made whole: what is to be moved is written
//! down first, and whoever comes next does the rest.

use std::fs::{self, File};
use std::io::{self, Write};
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use super::{COSTS, FRESH, Outputs, REPLACED, STAGING, STEMS, is_there};
use crate::outputs::OutputError;
use crate::sources::limits::REPORT_FILE_BYTES;
use crate::sources::read_plain;

/// Name of the list inside the staging folder.
pub const LIST: &str = "moves.json";

/// The moves of one run, in their order: the marker of the earlier outputs goes first, that of the new ones comes last, so
/// that a folder with a marker is whole.
#[derive(Debug, Serialize, Deserialize)]
pub struct Moves {
    version: u32,
    marker: String,
    moves: Vec<Move>,
}

#[derive(Debug, Serialize, Deserialize)]
struct Move {
    name: String,
    /// Whether there is a new one; else the old one is only taken away.
    fresh: bool,
}

/// A folder, or a file where we would write one; a link is none of ours.
fn is_ours(path: &Path, name: &str) -> bool {
    let is_file = || fs::symlink_metadata(path).is_ok_and(|found| found.is_file());
    path.is_dir() || ([COSTS, STEMS].contains(&name) && is_file())
}

impl Moves {
    /// Whether a run was stopped while it moved its outputs into `target`.
    pub fn are_under_way(target: &Path) -> bool {
        target.join(STAGING).join(LIST).is_file()
    }

    /// What is to be moved into `target`: all that is in the new folder, and what goes of an earlier run's.
    ///
    /// # Errors
    /// A folder that cannot be listed.
    pub fn plan(target: &Path, outputs: Outputs) -> Result<Moves, OutputError> {
        let fresh = target.join(STAGING).join(FRESH);
        let list = || OutputError::file(&fresh, "list the folder");
        let mut moves = Vec::new();
        for entry in fs::read_dir(&fresh).map_err(list())? {
            let name = entry.map_err(list())?.file_name();
            moves.push(Move {
                name: name.to_string_lossy().into_owned(),
                fresh: true,
            });
        }
        for name in outputs.may_be_missing() {
            if !fresh.join(name).exists() && is_ours(&target.join(name), name) {
                moves.push(Move {
                    name: name.to_owned(),
                    fresh: false,
                });
            }
        }
        moves.sort_by(|a, b| {
            (a.name == outputs.marker, &a.name).cmp(&(b.name == outputs.marker, &b.name))
        });
        Ok(Moves {
            version: 1,
            marker: outputs.marker.to_owned(),
            moves,
        })
    }

    /// The moves that a killed run wrote down, if there are any.
    ///
    /// # Errors
    /// A list that cannot be read, or is of other outputs.
    pub fn left(target: &Path, outputs: Outputs) -> Result<Option<Moves>, OutputError> {
        let path = target.join(STAGING).join(LIST);
        let bytes = match read_plain(&path, REPORT_FILE_BYTES) {
            Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(None),
            read => read.map_err(OutputError::file(&path, "read the file"))?,
        };
        let moves: Moves = serde_json::from_slice(&bytes).map_err(|source| OutputError::Json {
            path: path.clone(),
            source,
        })?;
        let plain = |one: &Move| {
            Path::new(&one.name)
                .file_name()
                .is_some_and(|own| own == one.name.as_str())
        };
        if moves.marker != outputs.marker || moves.version != 1 || !moves.moves.iter().all(plain) {
            return Err(OutputError::ForeignFolder {
                dir: target.to_owned(),
                marker: outputs.marker,
            });
        }
        Ok(Some(moves))
    }

    /// Writes the list down; from here on the new outputs win.
    ///
    /// # Errors
    /// It cannot be written.
    pub fn note(&self, target: &Path) -> Result<(), OutputError> {
        let root = target.join(STAGING);
        let path = root.join(LIST);
        let failed = || OutputError::file(&path, "write the file");
        let text = serde_json::to_vec(self).map_err(|source| OutputError::Json {
            path: path.clone(),
            source,
        })?;
        let unfinished = root.join("moves.unfinished");
        let mut file = File::create(&unfinished).map_err(failed())?;
        file.write_all(&text).map_err(failed())?;
        file.sync_all().map_err(failed())?;
        fs::rename(&unfinished, &path).map_err(failed())?;
        sync_folder(&root);
        Ok(())
    }

    /// Moves what is not yet moved. If one cannot be moved all that this call moved is put back, and the list goes.
    ///
    /// # Errors
    /// The file that could not be moved.
    pub fn make(&self, target: &Path) -> Result<(), OutputError> {
        let root = target.join(STAGING);
        let replaced = root.join(REPLACED);
        fs::create_dir_all(&replaced).map_err(OutputError::file(&replaced, "create the folder"))?;
        let mut done: Vec<(PathBuf, PathBuf)> = Vec::new();
        let mut rename = |from: PathBuf, to: PathBuf| {
            if let Err(error) = fs::rename(&from, &to) {
                // The first error is the one to tell. With the list left the next run moves on instead.
                let back = |(from, to): &(PathBuf, PathBuf)| fs::rename(to, from).is_ok();
                if done.iter().rev().all(back) {
                    let _ = fs::remove_file(root.join(LIST));
                }
                return Err(OutputError::file(&to, "move the output into place")(error));
            }
            done.push((from, to));
            Ok(())
        };
        for (from, to) in self.steps(target) {
            rename(from, to)?;
        }
        sync_folder(target);
        Ok(())
    }

    /// From where to where what is not yet moved goes, in order.
    fn steps(&self, target: &Path) -> Vec<(PathBuf, PathBuf)> {
        let root = target.join(STAGING);
        let (fresh, replaced) = (root.join(FRESH), root.join(REPLACED));
        let marker = self.moves.iter().filter(|one| one.name == self.marker);
        let others = self.moves.iter().filter(|one| one.name != self.marker);
        // What is new and not in the new folder any more was moved by the run that was killed.
        let waits = |one: &Move| !one.fresh || is_there(&fresh.join(&one.name));
        let away = marker
            .chain(others)
            .filter(|one| waits(one))
            .map(|one| (target.join(&one.name), replaced.join(&one.name)))
            .filter(|(place, old)| is_there(place) && !is_there(old));
        let into = self
            .moves
            .iter()
            .map(|one| (fresh.join(&one.name), target.join(&one.name)))
            .filter(|(from, _)| is_there(from));
        away.chain(into).collect()
    }

    /// Makes only the first `count` moves; whether that is all of them.
    #[cfg(test)]
    pub fn cut_short(&self, target: &Path, count: usize) -> bool {
        fs::create_dir_all(target.join(STAGING).join(REPLACED)).unwrap();
        let steps = self.steps(target);
        for (from, to) in steps.iter().take(count) {
            fs::rename(from, to).unwrap();
        }
        count >= steps.len()
    }
}

/// Makes the names in a folder outlast a loss of power, where the system can.
fn sync_folder(dir: &Path) {
    if let Ok(folder) = File::open(dir) {
        let _ = folder.sync_all();
    }
}
