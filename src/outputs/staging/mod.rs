//! Outputs appear whole or not at all: everything is written into a folder of its own and moved into place at the end.

mod lock;
mod moves;
mod sums;

use std::fs;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::{Mutex, MutexGuard, PoisonError, TryLockError};

use serde::Serialize;

use super::OutputError;
use super::{changes, dispatch, evidence, field_check, report, wet_map};
use crate::model::MoreSheets;
use crate::sources::limits::REPORT_FILE_BYTES;
use crate::sources::{PLAN_FILE, open_plain};
use lock::Lock;
use moves::Moves;
use sums::NAME as SUMS;
pub use sums::{Verified, VerifyError, digest, verify};

/// Name of the staging folder inside the output folder.
const STAGING: &str = ".blockwright-partial";
/// What went out of the way, inside the staging folder.
const REPLACED: &str = "replaced";
/// The new outputs, inside the staging folder.
const FRESH: &str = "new";
/// What a run keeps inside the staging folder for the one that goes on with it.
const JOURNAL: &str = "journal";
pub(super) const RUN_FILE: &str = "run.json";
pub(super) const MAPS: &str = "maps";
/// Written where there are rates.
pub(super) const COSTS: &str = "costs.csv";
/// Written where there is a stand table.
pub(super) const STEMS: &str = "stems.csv";
/// Folders that a run may leave out, with the ending of our own files in them; one that an earlier run left goes, or its
/// sheets would be taken for those of this layout. Of exchange files all are ours.
const SOMETIMES: [(&str, Option<&str>); 7] = [
    ("sheets", Some("pdf")),
    (MoreSheets::Night.folder(), Some("pdf")),
    (MoreSheets::BlackAndWhite.folder(), Some("pdf")),
    ("exchange", None),
    (changes::MAPS, Some("svg")),
    (wet_map::FOLDER, Some("tif")),
    (evidence::FOLDER, None),
];

/// What a run may put into its folder, and so take away of an earlier one.
const OWN: [&str; 28] = [
    "layout.gpkg",
    "audit.gpkg",
    "blocks.csv",
    COSTS,
    STEMS,
    "compliance.csv",
    "compliance.json",
    "set_aside.csv",
    "set_aside.gpkg",
    RUN_FILE,
    "exchange",
    MAPS,
    REPORT,
    "sheets",
    MoreSheets::Night.folder(),
    MoreSheets::BlackAndWhite.folder(),
    "styles",
    "differences.csv",
    "differences.json",
    field_check::CSV,
    field_check::GPX,
    field_check::SHEET,
    PLAN_FILE,
    changes::JSON,
    changes::LIST,
    changes::MAPS,
    wet_map::FOLDER,
    evidence::FOLDER,
];

/// Reports of a run, of which its folder has one.
const MARKERS: [&str; 2] = [RUN_FILE, DISPATCH_FILE];
/// As [`RUN_FILE`], of dispatch.
pub(super) const DISPATCH_FILE: &str = "schedule.json";

/// Whether a run with this report may write a file of this name, a path with `/` in its folder: one that it did not write
/// may be taken for its own there.
fn is_place_of_ours(marker: &str, name: &str) -> bool {
    let dispatched = marker == DISPATCH_FILE;
    let Some((folder, inner)) = name.split_once('/') else {
        return if dispatched {
            dispatch::OWN.contains(&name)
        } else {
            OWN.contains(&name)
        };
    };
    let ends = |ending: &str| ends_in(Path::new(inner), ending);
    match folder {
        "sheets" => ends("pdf") || (dispatched && ends("html")),
        _ if dispatched => false,
        _ if MoreSheets::ALL.iter().any(|inks| inks.folder() == folder) => ends("pdf"),
        MAPS | changes::MAPS => ends("svg"),
        wet_map::FOLDER => ends("tif"),
        "styles" => ends("sld"),
        "exchange" => true,
        REPORT => inner
            .split('/')
            .next()
            .is_some_and(|first| report::OWN.contains(&first)),
        _ => false,
    }
}

/// Whether outputs of `layout` or `audit` into `target` would replace the file at `path`.
pub fn would_replace(target: &Path, path: &Path) -> bool {
    is_among(&OWN, target, path)
}

/// Whether the file at `path` lies in `target` under one of these names or one that staging itself uses, or in a folder of
/// such a name.
pub(super) fn is_among(own: &[&str], target: &Path, path: &Path) -> bool {
    let (Ok(target), Ok(path)) = (fs::canonicalize(target), fs::canonicalize(path)) else {
        return false;
    };
    let inside = path.strip_prefix(&target).ok();
    let first = inside.and_then(|inside| inside.components().next());
    // Without regard to case, as some file systems look at names.
    first.is_some_and(|first| {
        let first = first.as_os_str();
        let own = own.iter().chain(&[SUMS, STAGING]);
        own.into_iter().any(|own| first.eq_ignore_ascii_case(own))
    })
}

/// Held while outputs are moved into place; true once any are.
static MOVING: Mutex<bool> = Mutex::new(false);

/// Waits until no outputs are being moved into place, and keeps them from it: for whoever ends the process. True once this
/// process has put outputs into their place.
pub fn no_moves() -> MutexGuard<'static, bool> {
    MOVING.lock().unwrap_or_else(PoisonError::into_inner)
}

/// As [`no_moves`]; None where outputs are being moved just now.
pub fn try_no_moves() -> Option<MutexGuard<'static, bool>> {
    match MOVING.try_lock() {
        Ok(moves) => Some(moves),
        Err(TryLockError::Poisoned(moves)) => Some(moves.into_inner()),
        Err(TryLockError::WouldBlock) => None,
    }
}

/// The journal of a run into `target`.
pub fn journal(target: &Path) -> PathBuf {
    target.join(STAGING).join(JOURNAL)
}

/// What is staged: the file that shows whose folder it is, moved last, and the folder of single sheets.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Outputs {
    pub marker: &'static str,
    pub sheets: &'static str,
    /// Endings of the sheets.
    pub endings: &'static [&'static str],
}

/// Of `layout`.
pub(super) const LAYOUT: Outputs = Outputs {
    marker: RUN_FILE,
    sheets: MAPS,
    endings: &["svg"],
};
pub(super) const REPORT: &str = "report";

/// What becomes of the journal that an earlier run left.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Earlier {
    Forget,
    /// It is gone on with.
    Keep,
}

/// A staging folder, which no other run can open meanwhile. Dropped without `commit` it goes, but for a journal, and so does
/// an output folder made for it.
pub(super) struct Staging {
    outputs: Outputs,
    target: PathBuf,
    made_target: bool,
    committed: bool,
    _lock: Lock,
}

impl Outputs {
    fn sometimes(self) -> &'static [(&'static str, Option<&'static str>)] {
        if self == LAYOUT { &SOMETIMES } else { &[] }
    }

    /// What an earlier run may have written and a new one may not.
    fn may_be_missing(self) -> impl Iterator<Item = &'static str> {
        let others = [
            MAPS,
            REPORT,
            COSTS,
            STEMS,
            PLAN_FILE,
            changes::JSON,
            changes::LIST,
        ]
        .into_iter()
        .filter(move |_| self == LAYOUT);
        self.sometimes()
            .iter()
            .map(|(folder, _)| *folder)
            .chain(others)
    }
}

impl Staging {
    /// Opens a staging folder inside `target`, which is created if missing. Outputs that a killed run was moving into place
    /// are put there; what else it left is removed, but for its journal where that is wanted.
    ///
    /// # Errors
    /// `target` is a file, holds somebody else's files, is written to by another run, or cannot be written to.
    pub fn create(
        target: &Path,
        outputs: Outputs,
        earlier: Earlier,
    ) -> Result<Staging, OutputError> {
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
        let root = target.join(STAGING);
        if fs::symlink_metadata(&root).is_ok_and(|found| !found.is_dir()) {
            return Err(OutputError::NotOurStaging { path: root });
        }
        // A list of moves that somebody else put there must not move anything to or from another folder.
        for inner in [FRESH, REPLACED, moves::LIST].map(|name| root.join(name)) {
            if is_link(&inner) {
                return Err(OutputError::NotOurStaging { path: inner });
            }
        }
        let staging = Staging {
            outputs,
            target: target.to_owned(),
            made_target,
            committed: false,
            _lock: Lock::take(&root, target)?,
        };
        if let Some(moves) = Moves::left(target, outputs)? {
            moves.make(target)?;
            staging.keep_foreign()?;
        }
        let journal = root.join(JOURNAL);
        let is_file = fs::symlink_metadata(&journal).is_ok_and(|found| found.is_file());
        let keeps = is_file && earlier == Earlier::Keep;
        staging
            .clear(keeps)
            .map_err(OutputError::file(&root, "remove what a killed run left"))?;
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

    /// Removes all in the staging folder but the lock and, where it `keeps` one, the journal.
    fn clear(&self, keeps: bool) -> io::Result<()> {
        for entry in fs::read_dir(self.root())? {
            let entry = entry?;
            let name = entry.file_name();
            if name == lock::NAME || (keeps && name == JOURNAL) {
                continue;
            }
            if entry.file_type()?.is_dir() {
                fs::remove_dir_all(entry.path())?;
            } else {
                fs::remove_file(entry.path())?;
            }
        }
        Ok(())
    }

    /// Adds the report of the run, as the file that shows whose folder it is, and the sums of all new outputs, waits until they
    /// outlast a loss of power, and moves them into place, taking away those of an earlier run. If one cannot be moved all is
    /// put back as it was.
    ///
    /// # Errors
    /// The file that could not be written, moved or removed.
    pub fn commit(mut self, report: &impl Serialize) -> Result<(), OutputError> {
        let fresh = self.root().join(FRESH);
        sums::write(&fresh, self.outputs.marker, report)?;
        sync_all_below(&fresh)?;
        let moves = Moves::plan(&self.target, self.outputs)?;
        {
            let mut moved = no_moves();
            moves.note(&self.target)?;
            moves.make(&self.target)?;
            *moved = true;
            self.committed = true;
            self.keep_foreign().map_err(|error| self.in_place(error))?;
        }
        let root = self.root();
        let removed = fs::remove_dir_all(&root);
        let failed = OutputError::file(&root, "remove the outputs of the earlier run");
        removed
            .map_err(failed)
            .map_err(|error| self.in_place(error))
    }

    /// What goes wrong once the new outputs are where they belong.
    fn in_place(&self, source: OutputError) -> OutputError {
        OutputError::InPlace {
            dir: self.target.clone(),
            source: Box::new(source),
        }
    }

    /// What somebody put into our folders goes back into them.
    fn keep_foreign(&self) -> Result<(), OutputError> {
        let replaced = self.root().join(REPLACED);
        let Outputs {
            sheets, endings, ..
        } = self.outputs;
        let back = |folder: &str, is_ours: &dyn Fn(&Path) -> bool| {
            keep_foreign(&replaced.join(folder), &self.target.join(folder), is_ours)
        };
        back(sheets, &|path| {
            endings.iter().any(|ending| ends_in(path, ending))
        })?;
        back(REPORT, &|path| {
            path.file_name()
                .is_some_and(|name| report::OWN.iter().any(|own| name == *own))
        })?;
        for &(folder, ending) in self.outputs.sometimes() {
            if let Some(ending) = ending {
                back(folder, &|path| ends_in(path, ending))?;
            }
        }
        Ok(())
    }
}

impl Drop for Staging {
    fn drop(&mut self) {
        if self.committed {
            return;
        }
        let _ = self.clear(true);
        if !self.root().join(JOURNAL).exists() {
            let _ = fs::remove_dir_all(self.root());
        }
        if self.made_target {
            // Removes it only when empty.
            let _ = fs::remove_dir(&self.target);
        }
    }
}

fn is_link(path: &Path) -> bool {
    fs::symlink_metadata(path).is_ok_and(|found| found.is_symlink())
}

/// Whether anything has this name, a link that leads nowhere included.
fn is_there(path: &Path) -> bool {
    fs::symlink_metadata(path).is_ok()
}

/// Waits until everything below `dir` is on the disk: by one call for the whole file system where there is one, for files
/// may be many.
fn sync_all_below(dir: &Path) -> Result<(), OutputError> {
    let failed = || OutputError::file(dir, "write the outputs to the disk");
    let folder = fs::File::open(dir).map_err(failed())?;
    #[cfg(target_os = "linux")]
    {
        rustix::fs::syncfs(&folder).map_err(|error| failed()(error.into()))
    }
    #[cfg(not(target_os = "linux"))]
    {
        let mut folders = vec![dir.to_owned()];
        while let Some(inner) = folders.pop() {
            for entry in fs::read_dir(&inner).map_err(failed())? {
                let path = entry.map_err(failed())?.path();
                if path.is_dir() {
                    folders.push(path);
                } else {
                    let file = fs::File::open(&path).map_err(failed())?;
                    file.sync_all().map_err(failed())?;
                }
            }
        }
        drop(folder);
        Ok(())
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
    let Ok(file) = open_plain(marker, REPORT_FILE_BYTES) else {
        return false;
    };
    serde_json::from_reader::<_, serde_json::Value>(io::BufReader::new(file))
        .is_ok_and(|run| run["program"]["name"] == env!("CARGO_PKG_NAME"))
}

fn ends_in(path: &Path, ending: &str) -> bool {
    path.extension().is_some_and(|own| own == ending)
}

/// What somebody put into a folder of ours goes back, when it is not of our own kind. Behind a link nothing is ours to move.
fn keep_foreign(
    old: &Path,
    new: &Path,
    is_ours: &dyn Fn(&Path) -> bool,
) -> Result<(), OutputError> {
    if is_link(old) || is_link(new) {
        return Ok(());
    }
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

    fn own() -> serde_json::Value {
        serde_json::json!({ "program": { "name": env!("CARGO_PKG_NAME") } })
    }

    #[test]
    fn a_dropped_staging_folder_leaves_nothing() {
        let temp = tempfile::tempdir().unwrap();
        let target = temp.path().join("out");
        let staging = Staging::create(&target, LAYOUT, Earlier::Forget).unwrap();
        fs::write(staging.path("blocks.csv"), "half").unwrap();
        drop(staging);
        assert!(!target.exists());
    }

    #[test]
    fn sheets_of_an_earlier_run_go_and_what_lay_beside_them_stays() {
        let temp = tempfile::tempdir().unwrap();
        let target = temp.path();
        let run = |sheets: bool| {
            let staging = Staging::create(target, LAYOUT, Earlier::Forget).unwrap();
            if sheets {
                fs::create_dir(staging.path("sheets")).unwrap();
                fs::write(staging.path("sheets").join("A.pdf"), "old").unwrap();
                fs::create_dir(staging.path("exchange")).unwrap();
            }
            staging.commit(&own()).unwrap();
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
            Staging::create(temp.path(), LAYOUT, Earlier::Forget),
            Err(OutputError::ForeignFolder { .. })
        ));
        fs::write(
            temp.path().join(RUN_FILE),
            r#"{"program":{"name":"other"}}"#,
        )
        .unwrap();
        assert!(Staging::create(temp.path(), LAYOUT, Earlier::Forget).is_err());
        assert!(matches!(
            Staging::create(&temp.path().join("letter.txt"), LAYOUT, Earlier::Forget),
            Err(OutputError::NotAFolder { .. })
        ));
    }

    #[test]
    fn a_second_run_replaces_outputs_and_keeps_what_is_not_its_own() {
        let temp = tempfile::tempdir().unwrap();
        let target = temp.path();
        let run = |map: &str, text: &str| {
            let staging = Staging::create(target, LAYOUT, Earlier::Forget).unwrap();
            fs::write(staging.path(MAPS).join(map), text).unwrap();
            staging.commit(&own()).unwrap();
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

    /// Every state in which a run may be killed while it moves outputs, one after the other: the next run makes it whole.
    #[test]
    fn moves_that_were_cut_short_are_made_whole() {
        let temp = tempfile::tempdir().unwrap();
        let fill = |staging: &Staging, text: &str| {
            fs::write(staging.path(MAPS).join("A.svg"), text).unwrap();
            fs::write(staging.path("blocks.csv"), text).unwrap();
        };
        for cut in 0.. {
            let target = temp.path().join(cut.to_string());
            let first = Staging::create(&target, LAYOUT, Earlier::Forget).unwrap();
            fill(&first, "old");
            fs::create_dir(first.path("sheets")).unwrap();
            fs::write(first.path("sheets").join("A.pdf"), "old").unwrap();
            first.commit(&own()).unwrap();
            fs::write(target.join("maps/photo.png"), "mine").unwrap();

            let second = Staging::create(&target, LAYOUT, Earlier::Forget).unwrap();
            fill(&second, "new");
            let fresh = target.join(STAGING).join(FRESH);
            sums::write(&fresh, RUN_FILE, &own()).unwrap();
            let moves = Moves::plan(&target, LAYOUT).unwrap();
            moves.note(&target).unwrap();
            let all = moves.cut_short(&target, cut);
            // As if killed: nothing is cleared up.
            std::mem::forget(second);
            assert!(matches!(
                verify(&target),
                Err(VerifyError::HalfPublished(_))
            ));

            // A process that is gone holds no lock any more.
            fs::remove_file(target.join(STAGING).join(lock::NAME)).unwrap();
            let third = Staging::create(&target, LAYOUT, Earlier::Forget).unwrap();
            drop(third);
            let found = verify(&target).unwrap();
            assert!(found.is_sound(), "{cut}: {found:?}");
            assert_eq!(found.others, ["maps/photo.png"], "{cut}");
            let table = fs::read_to_string(target.join("blocks.csv")).unwrap();
            assert_eq!(table, "new", "{cut}");
            assert!(!target.join("sheets").exists(), "{cut}");
            if all {
                assert!(cut >= 6, "{cut}");
                break;
            }
        }
    }

    #[test]
    fn a_journal_outlives_what_is_dropped_and_goes_with_what_is_not_wanted() {
        let temp = tempfile::tempdir().unwrap();
        let target = temp.path().join("out");
        let first = Staging::create(&target, LAYOUT, Earlier::Forget).unwrap();
        fs::write(journal(&target), "plans").unwrap();
        fs::write(first.path("blocks.csv"), "half").unwrap();
        drop(first);
        assert!(!target.join(STAGING).join(FRESH).exists());
        let second = Staging::create(&target, LAYOUT, Earlier::Keep).unwrap();
        assert!(journal(&target).exists());
        drop(second);
        let third = Staging::create(&target, LAYOUT, Earlier::Forget).unwrap();
        assert!(!journal(&target).exists());
        drop(third);
        assert!(!target.join(STAGING).exists());
    }

    #[cfg(unix)]
    #[test]
    fn links_in_the_output_folder_are_not_followed() {
        use std::os::unix::fs::symlink;
        let temp = tempfile::tempdir().unwrap();
        let outside = temp.path().join("outside");
        fs::create_dir(&outside).unwrap();
        fs::write(outside.join("photo.png"), "mine").unwrap();
        let target = temp.path().join("out");
        let run = || {
            let staging = Staging::create(&target, LAYOUT, Earlier::Forget)?;
            fs::write(staging.path(MAPS).join("A.svg"), "new").unwrap();
            staging.commit(&own())
        };
        run().unwrap();
        fs::remove_dir_all(target.join(MAPS)).unwrap();
        symlink(&outside, target.join(MAPS)).unwrap();
        run().unwrap();
        assert!(
            !fs::symlink_metadata(target.join(MAPS))
                .unwrap()
                .is_symlink()
        );
        assert!(outside.join("photo.png").exists());
        assert!(!outside.join("A.svg").exists());
        for name in [FRESH, REPLACED, moves::LIST] {
            fs::create_dir(target.join(STAGING)).unwrap();
            symlink(&outside, target.join(STAGING).join(name)).unwrap();
            assert!(matches!(run(), Err(OutputError::NotOurStaging { .. })));
            fs::remove_dir_all(target.join(STAGING)).unwrap();
        }
        symlink(&outside, target.join(STAGING)).unwrap();
        assert!(matches!(run(), Err(OutputError::NotOurStaging { .. })));
        assert!(outside.join("photo.png").exists());
    }
}
