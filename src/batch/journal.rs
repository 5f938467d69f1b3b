//! What a run has laid out so far, kept as it goes, so that a run that was stopped can be gone on with.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError, TryLockError};

use super::plan_file::{
    Basis, Made, Place, PlanFile, PlanFileError, PlanReader, PlanWriter, record,
};
use crate::model::{Problem, SourceBlock};

/// First bytes of a journal; the number changes with the form of what follows.
const MAGIC: &[u8] = b"blockwright journal 1\n";

#[derive(Debug, thiserror::Error)]
pub enum JournalError {
    #[error(transparent)]
    File(#[from] PlanFileError),
    #[error(
        "{}: the run that was stopped had laid out {what} than the project now names\n  hint: without --resume all is laid out anew",
        path.display()
    )]
    Other { path: PathBuf, what: String },
}

/// How many blocks a run has kept so far, for whoever ends the process.
#[derive(Clone, Debug, Default)]
pub struct Kept(Arc<Mutex<Option<Count>>>);

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Count {
    pub kept: u64,
    pub of: u64,
}

impl Kept {
    /// As [`Kept::so_far`]; None where it is held just now.
    pub fn try_so_far(&self) -> Option<MutexGuard<'_, Option<Count>>> {
        match self.0.try_lock() {
            Ok(count) => Some(count),
            Err(TryLockError::Poisoned(count)) => Some(count.into_inner()),
            Err(TryLockError::WouldBlock) => None,
        }
    }

    /// None when nothing is kept. While the answer is held, nothing is added.
    pub fn so_far(&self) -> MutexGuard<'_, Option<Count>> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// The journal of one run. There is no file before the first block is kept.
pub struct Journal {
    path: PathBuf,
    basis: Basis,
    /// What the run that is gone on with had laid out.
    earlier: Option<PlanFile>,
    places: BTreeMap<String, Place>,
    writer: Mutex<Result<Option<PlanWriter>, PlanFileError>>,
    kept: Kept,
}

impl Journal {
    /// Begins a journal at `path` for a run over `blocks` blocks, or goes on with the one that is there when it is to
    /// `resume`.
    ///
    /// # Errors
    /// The file cannot be written, or the journal to go on with is of other input.
    pub fn open(
        path: &Path,
        basis: Basis,
        blocks: u64,
        resume: bool,
        kept: &Kept,
    ) -> Result<Journal, JournalError> {
        let mut places = BTreeMap::new();
        let sound = if resume && path.exists() {
            look_through(path, &basis, &mut places)?
        } else {
            None
        };
        let (earlier, writer) = match sound {
            Some(length) => (
                Some(PlanFile::open(path)?),
                Some(PlanWriter::resume(path, length)?),
            ),
            None => (None, None),
        };
        *kept.so_far() = Some(Count {
            kept: places.len() as u64,
            of: blocks,
        });
        Ok(Journal {
            path: path.to_owned(),
            basis,
            earlier,
            places,
            writer: Mutex::new(Ok(writer)),
            kept: kept.clone(),
        })
    }

    /// How many blocks need not be laid out again.
    pub fn found(&self) -> usize {
        self.places.len()
    }

    /// What became of a block: from the journal, or made now and kept.
    pub fn made(&self, block: &SourceBlock, make: impl FnOnce() -> Made) -> Made {
        let earlier = self.earlier.as_ref().zip(self.places.get(&block.id));
        if let Some(Ok(made)) = earlier.map(|(file, &place)| file.made(place)) {
            return made;
        }
        let made = make();
        self.keep(record(&block.id, &made));
        made
    }

    /// Keeps for good that a block is set aside; false where that cannot be done.
    pub fn keep_refused(&self, block: &SourceBlock, problem: Problem) -> bool {
        self.keep(record(&block.id, &Err(Box::new(problem))));
        self.sync()
    }

    fn keep(&self, bytes: Option<Vec<u8>>) {
        let mut kept = self.kept.so_far();
        let mut writer = self.writer();
        if let Ok(open) = &mut *writer {
            match self.write(open, bytes) {
                Ok(()) => {
                    if let Some(count) = kept.as_mut() {
                        count.kept += 1;
                    }
                }
                Err(error) => *writer = Err(error),
            }
        }
    }

    fn write(
        &self,
        writer: &mut Option<PlanWriter>,
        bytes: Option<Vec<u8>>,
    ) -> Result<(), PlanFileError> {
        let open = match writer {
            Some(open) => open,
            None => writer.insert(PlanWriter::create(&self.path, MAGIC, &self.basis)?),
        };
        open.write(bytes)
    }

    fn writer(&self) -> MutexGuard<'_, Result<Option<PlanWriter>, PlanFileError>> {
        self.writer.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Makes what was kept so far outlast a loss of power; whether the journal still can be written.
    pub fn sync(&self) -> bool {
        let mut writer = self.writer();
        if let Ok(Some(open)) = &*writer
            && let Err(error) = open.sync()
        {
            *writer = Err(error);
        }
        writer.is_ok()
    }

    /// Closes the journal, which stays until the outputs are in place.
    ///
    /// # Errors
    /// What went wrong with it meanwhile.
    pub fn close(&self) -> Result<(), PlanFileError> {
        let closed = PlanFileError::Damaged {
            path: self.path.clone(),
            why: "it is closed",
        };
        std::mem::replace(&mut *self.writer(), Err(closed)).map(drop)
    }
}

impl Drop for Journal {
    fn drop(&mut self) {
        *self.kept.so_far() = None;
    }
}

/// Finds the records of a journal and how many of its bytes are sound; None where not even its beginning is.
fn look_through(
    path: &Path,
    basis: &Basis,
    places: &mut BTreeMap<String, Place>,
) -> Result<Option<u64>, JournalError> {
    let mut reader = PlanReader::open(path)?;
    let Ok(own) = reader.header::<Basis>(MAGIC) else {
        return Ok(None);
    };
    if let Some(what) = own.differs(basis) {
        return Err(JournalError::Other {
            path: path.to_owned(),
            what,
        });
    }
    let mut sound = reader.at();
    // A run that was stopped may have been writing a record: what cannot be read is laid out again.
    while let Ok(Some((id, place))) = reader.record() {
        places.insert(id, place);
        sound = reader.at();
    }
    Ok(Some(sound))
}
