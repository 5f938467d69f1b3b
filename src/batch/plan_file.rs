//! Files of plans, of which shares and journals are made: what they were laid out from, then one record a block. Each part
//! has its length and a checksum, so that a file that was cut off is known for what it is.

use std::fs::{File, OpenOptions};
use std::io::{self, BufReader, Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};

use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};

use crate::model::{BlockPlan, Problem, Settings};
use crate::outputs::Program;
use crate::project::{LayerSource, Project};
use crate::sources::{Batch, InputFile, open_plain};

/// Bytes of a checksum.
const SUM: usize = 8;
/// No plan is larger; a length beyond it is damage.
const MOST_BYTES: u64 = 1 << 32;

#[derive(Debug, thiserror::Error)]
pub enum PlanFileError {
    #[error("{}: cannot {doing}: {source}\n  hint: check what stands there, free space and permissions", path.display())]
    File {
        path: PathBuf,
        doing: &'static str,
        source: io::Error,
    },
    #[error("{}: this is no whole file of plans: {why}\n  hint: lay its blocks out again", path.display())]
    Damaged { path: PathBuf, why: &'static str },
}

/// For `map_err` on file operations.
pub fn file(path: &Path, doing: &'static str) -> impl FnOnce(io::Error) -> PlanFileError {
    let path = path.to_owned();
    move |source| PlanFileError::File {
        path,
        doing,
        source,
    }
}

/// What plans were laid out from. Plans of the same basis are the same plans.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Basis {
    program: String,
    /// SHA-256 of the settings and rules in force.
    settings: String,
    inputs: Vec<InputFile>,
    blocks: u64,
}

impl Basis {
    pub fn new(project: &Project, settings: &Settings, batch: &Batch) -> Basis {
        let program = Program::default();
        // Debug text shows every field, and floats so that no two are written alike.
        // How layers are read as well, but for where they lie on this machine and how many features they must have: that
        // was looked at when they were read.
        let layers: Vec<LayerSource> = (project.layers.iter())
            .map(|layer| LayerSource {
                path: PathBuf::new(),
                features: None,
                ..layer.clone()
            })
            .collect();
        // What an earlier plan did not know changes blocks; else it changes nothing of a plan.
        let later = batch
            .blocks
            .iter()
            .filter(|block| !block.came_later.notes.is_empty());
        let later: Vec<_> = later
            .map(|block| (&block.id, &block.came_later.notes))
            .collect();
        let in_force = format!(
            "{}\n{settings:?}\n{:?}\n{layers:?}\n{:?}\n{later:?}",
            project.name, project.rules, project.notes.rules
        );
        Basis {
            program: format!("{} {}", program.name, program.version),
            settings: format!("{:x}", Sha256::digest(in_force)),
            inputs: batch.inputs.clone(),
            blocks: batch.blocks.len() as u64,
        }
    }

    /// What of `self` is another than in `wanted`, in words.
    pub fn differs(&self, wanted: &Basis) -> Option<String> {
        if self.program != wanted.program {
            return Some(format!("{}, not by {}", self.program, wanted.program));
        }
        let other = |input: &&InputFile| !wanted.inputs.contains(input);
        if let Some(input) = self.inputs.iter().find(other) {
            return Some(format!("another {}", input.source));
        }
        if self.inputs.len() != wanted.inputs.len() || self.blocks != wanted.blocks {
            return Some("other layers".to_owned());
        }
        (self.settings != wanted.settings).then(|| "another project file or rulebook".to_owned())
    }
}

/// The plan of a block, or why it has none.
pub type Made = Result<BlockPlan, Box<Problem>>;

/// What became of a block, as it is written and as it is read.
#[derive(Serialize)]
enum Written<'m> {
    Plan(&'m BlockPlan),
    Refused(&'m Problem),
}

#[derive(Deserialize)]
enum Stored {
    Plan(Box<BlockPlan>),
    Refused(Box<Problem>),
}

/// Where a record stands in its file.
#[derive(Clone, Copy, Debug)]
pub struct Place {
    at: u64,
    length: u64,
}

fn sum(bytes: &[u8]) -> [u8; SUM] {
    let mut sum = [0; SUM];
    sum.copy_from_slice(&Sha256::digest(bytes)[..SUM]);
    sum
}

/// A part as it stands in a file; None where it has no written form.
fn part(part: &impl Serialize) -> Option<Vec<u8>> {
    let bytes = postcard::to_stdvec(part).ok()?;
    let mut framed = Vec::with_capacity(8 + SUM + bytes.len());
    framed.extend((bytes.len() as u64).to_le_bytes());
    framed.extend(sum(&bytes));
    framed.extend(bytes);
    Some(framed)
}

/// The record of a block, to be given to [`PlanWriter::write`]; None where it has no written form.
pub fn record(id: &str, made: &Made) -> Option<Vec<u8>> {
    match made {
        Ok(plan) => part(&(id, Written::Plan(plan))),
        Err(problem) => part(&(id, Written::Refused(problem))),
    }
}

/// A file of plans that grows.
pub struct PlanWriter {
    path: PathBuf,
    file: File,
}

impl PlanWriter {
    /// Begins a new file; `magic` says what kind it is.
    ///
    /// # Errors
    /// The file cannot be written.
    pub fn create(
        path: &Path,
        magic: &[u8],
        header: &impl Serialize,
    ) -> Result<PlanWriter, PlanFileError> {
        // What stands there may be a link, behind which nothing of ours is written.
        match std::fs::remove_file(path) {
            Err(error) if error.kind() != io::ErrorKind::NotFound => {
                return Err(file(path, "replace the file")(error));
            }
            _ => {}
        }
        let made = OpenOptions::new().write(true).create_new(true).open(path);
        let made = made.map_err(file(path, "create the file"))?;
        let mut writer = PlanWriter {
            path: path.to_owned(),
            file: made,
        };
        writer.write(Some(magic.to_vec()))?;
        writer.write(part(header))?;
        Ok(writer)
    }

    /// Goes on with a file of `length` sound bytes; what follows them is cut off.
    ///
    /// # Errors
    /// The file cannot be written.
    pub fn resume(path: &Path, length: u64) -> Result<PlanWriter, PlanFileError> {
        let opened = OpenOptions::new().append(true).open(path);
        let opened = opened.map_err(file(path, "open the file"))?;
        let cut = opened.set_len(length);
        cut.map_err(file(path, "cut off what is damaged"))?;
        Ok(PlanWriter {
            path: path.to_owned(),
            file: opened,
        })
    }

    /// Adds a [`record`], whole where the system writes it in one go.
    ///
    /// # Errors
    /// The file cannot be written.
    pub fn write(&mut self, bytes: Option<Vec<u8>>) -> Result<(), PlanFileError> {
        let bytes = bytes.ok_or_else(|| PlanFileError::Damaged {
            path: self.path.clone(),
            why: "a plan has no written form",
        })?;
        let written = self.file.write_all(&bytes);
        written.map_err(file(&self.path, "write the file"))
    }

    /// Marks the file as whole.
    ///
    /// # Errors
    /// The file cannot be written.
    pub fn end(mut self) -> Result<(), PlanFileError> {
        self.write(part(&()))?;
        self.sync()
    }

    /// Waits until what was written outlasts a loss of power.
    ///
    /// # Errors
    /// The file cannot be written.
    pub fn sync(&self) -> Result<(), PlanFileError> {
        let synced = self.file.sync_data();
        synced.map_err(file(&self.path, "write the file"))
    }
}

/// A file of plans that is read here and there.
pub struct PlanFile {
    path: PathBuf,
    file: Mutex<File>,
}

impl PlanFile {
    /// # Errors
    /// The file cannot be opened.
    pub fn open(path: &Path) -> Result<PlanFile, PlanFileError> {
        let opened = open_plain(path, u64::MAX).map_err(file(path, "open the file"))?;
        Ok(PlanFile {
            path: path.to_owned(),
            file: Mutex::new(opened),
        })
    }

    /// # Errors
    /// The file cannot be read any more.
    pub fn made(&self, place: Place) -> Result<Made, PlanFileError> {
        let mut bytes = vec![0; place.length as usize];
        {
            let mut opened = self.file.lock().unwrap_or_else(PoisonError::into_inner);
            let read = opened
                .seek(SeekFrom::Start(place.at))
                .and_then(|_| opened.read_exact(&mut bytes));
            read.map_err(file(&self.path, "read the file"))?;
        }
        let (_, stored): (String, Stored) = decoded(&self.path, &bytes)?;
        Ok(match stored {
            Stored::Plan(plan) => Ok(*plan),
            Stored::Refused(problem) => Err(problem),
        })
    }
}

fn decoded<T: DeserializeOwned>(path: &Path, bytes: &[u8]) -> Result<T, PlanFileError> {
    postcard::from_bytes(bytes).map_err(|_| PlanFileError::Damaged {
        path: path.to_owned(),
        why: "a part of it cannot be understood",
    })
}

/// Reads a file of plans from its beginning, and looks at every checksum.
pub struct PlanReader<'r> {
    path: &'r Path,
    from: BufReader<File>,
    at: u64,
    length: u64,
}

impl<'r> PlanReader<'r> {
    /// # Errors
    /// The file cannot be opened.
    pub fn open(path: &'r Path) -> Result<PlanReader<'r>, PlanFileError> {
        let opened = open_plain(path, u64::MAX).map_err(file(path, "open the file"))?;
        let found = opened.metadata();
        let length = found.map_err(file(path, "look at the file"))?.len();
        Ok(PlanReader {
            path,
            from: BufReader::with_capacity(1 << 20, opened),
            at: 0,
            length,
        })
    }

    /// How many bytes were read, of which all are sound.
    pub fn at(&self) -> u64 {
        self.at
    }

    fn damaged(&self, why: &'static str) -> PlanFileError {
        PlanFileError::Damaged {
            path: self.path.to_owned(),
            why,
        }
    }

    fn take(&mut self, count: u64) -> Result<Vec<u8>, PlanFileError> {
        if count > MOST_BYTES || self.at + count > self.length {
            return Err(self.damaged("it ends too early"));
        }
        let mut bytes = vec![0; count as usize];
        let read = self.from.read_exact(&mut bytes);
        read.map_err(file(self.path, "read the file"))?;
        self.at += count;
        Ok(bytes)
    }

    /// The bytes of the next part, which stand at `self.at` less their number.
    fn part(&mut self) -> Result<Vec<u8>, PlanFileError> {
        let length = self.take(8)?;
        let length = length.try_into().map_or(u64::MAX, u64::from_le_bytes);
        let wanted = self.take(SUM as u64)?;
        let bytes = self.take(length)?;
        if sum(&bytes)[..] != wanted[..] {
            return Err(self.damaged("a checksum does not fit"));
        }
        Ok(bytes)
    }

    /// # Errors
    /// The file is of another kind or damaged.
    pub fn header<H: DeserializeOwned>(&mut self, magic: &[u8]) -> Result<H, PlanFileError> {
        let begins = (magic.len() as u64).min(self.length);
        if self.take(begins)? != magic {
            return Err(self.damaged("it does not begin as one of this version"));
        }
        let bytes = self.part()?;
        decoded(self.path, &bytes)
    }

    /// Id and place of the next record; None at the end.
    ///
    /// # Errors
    /// The file is damaged, or ends without saying so.
    pub fn record(&mut self) -> Result<Option<(String, Place)>, PlanFileError> {
        let bytes = self.part()?;
        let length = bytes.len() as u64;
        if length == 0 {
            return Ok(None);
        }
        let (id, _) = postcard::take_from_bytes::<String>(&bytes)
            .map_err(|_| self.damaged("a part of it cannot be understood"))?;
        let at = self.at - length;
        Ok(Some((id, Place { at, length })))
    }
}
