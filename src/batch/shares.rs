//! A batch in shares: plans made on several machines, each written to a file of its own, and joined later into the very
//! outputs that one run would have given.

use std::collections::BTreeMap;
use std::fs::{self, File};
use std::io::{self, BufReader, BufWriter, Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};
use std::str::FromStr;
use std::sync::{Mutex, PoisonError};

use geo::{BoundingRect, Coord};
use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};

use crate::model::{BlockPlan, Problem, Settings, SourceBlock};
use crate::outputs::Program;
use crate::project::Project;
use crate::sources::{Batch, InputFile};

/// First bytes of a file of plans; the number changes with the form of what follows.
const MAGIC: &[u8] = b"blockwright share 1\n";
/// Ending of the name.
const ENDING: &str = "plans";
/// Bytes of a checksum.
const SUM: usize = 8;
/// No plan is larger; a length beyond it is damage.
const MOST_BYTES: u64 = 1 << 32;

/// Which of how many shares.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct Share {
    /// From 1.
    pub number: u32,
    pub of: u32,
}

impl FromStr for Share {
    type Err = String;

    fn from_str(text: &str) -> Result<Share, String> {
        let parts = text.split_once('/');
        let numbers = parts.and_then(|(number, of)| Some((number.parse().ok()?, of.parse().ok()?)));
        match numbers {
            Some((number, of)) if (1..=of).contains(&number) => Ok(Share { number, of }),
            _ => Err("a share is written K/N, such as 2/4 for the second of four".to_owned()),
        }
    }
}

impl std::fmt::Display for Share {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{}/{}", self.number, self.of)
    }
}

#[derive(Debug, thiserror::Error)]
pub enum ShareError {
    #[error("{}: cannot {doing}: {source}", path.display())]
    File {
        path: PathBuf,
        doing: &'static str,
        source: io::Error,
    },
    #[error("{}: there is no share in this folder\n  hint: name folders that `layout --share` wrote", .0.display())]
    NoShare(PathBuf),
    #[error("{}: this is no whole share: {why}\n  hint: lay the share out again", path.display())]
    Damaged { path: PathBuf, why: &'static str },
    #[error(
        "{} and {}: both hold share {share}\n  hint: name each share once",
        one.display(),
        other.display()
    )]
    Twice {
        one: PathBuf,
        other: PathBuf,
        share: Share,
    },
    #[error(
        "of {of} shares these are missing: {numbers}\n  hint: lay them out with `layout --share`, or name their folders"
    )]
    Missing { of: u32, numbers: String },
    #[error(
        "{}: this share was laid out from {what}\n  hint: lay all shares out anew from the same files with the same program",
        path.display()
    )]
    Other { path: PathBuf, what: String },
    #[error("{}: it has no plan of block `{block}`, which is its to lay out", path.display())]
    NoPlan { path: PathBuf, block: String },
}

/// What all shares of one batch have in common.
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
        let in_force = format!("{}\n{settings:?}\n{:?}", project.name, project.rules);
        Basis {
            program: format!("{} {}", program.name, program.version),
            settings: hex(&Sha256::digest(in_force)),
            inputs: batch.inputs.clone(),
            blocks: batch.blocks.len() as u64,
        }
    }

    /// What of `self` is another than in `wanted`, in words.
    fn differs(&self, wanted: &Basis) -> Option<String> {
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

#[derive(Serialize, Deserialize)]
struct Header {
    share: Share,
    /// Path of the project file.
    project: PathBuf,
    basis: Basis,
}

/// What became of a block.
#[derive(Serialize, Deserialize)]
enum Record {
    Plan(Box<BlockPlan>),
    Refused(Box<Problem>),
}

fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}

fn sum(bytes: &[u8]) -> [u8; SUM] {
    let mut sum = [0; SUM];
    sum.copy_from_slice(&Sha256::digest(bytes)[..SUM]);
    sum
}

/// The blocks of a share, in input order: neighbours stay together, along a Hilbert curve (Hilbert 1891) through the
/// middles of their boxes.
pub fn of_share(blocks: &[SourceBlock], share: Share) -> Vec<&SourceBlock> {
    let middles: Vec<Coord> = blocks
        .iter()
        .map(|block| {
            block
                .shape
                .bounding_rect()
                .map(|rect| rect.center())
                .unwrap_or_default()
        })
        .collect();
    let bounds = crate::geometry::area::Bounds::of(&middles);
    let side = (bounds.max.x - bounds.min.x)
        .max(bounds.max.y - bounds.min.y)
        .max(1.0);
    let on_curve = |c: &Coord| {
        let step = |v: f64| (v / side * f64::from(u16::MAX)).clamp(0.0, f64::from(u16::MAX)) as u32;
        hilbert(step(c.x - bounds.min.x), step(c.y - bounds.min.y))
    };
    let mut order: Vec<usize> = (0..blocks.len()).collect();
    order.sort_by_key(|&index| (on_curve(&middles[index]), index));
    let cut = |part: u32| (blocks.len() as u64 * u64::from(part) / u64::from(share.of)) as usize;
    let mut own = order[cut(share.number - 1)..cut(share.number)].to_vec();
    own.sort_unstable();
    own.into_iter().map(|index| &blocks[index]).collect()
}

/// Place along the curve of order 16.
fn hilbert(mut x: u32, mut y: u32) -> u32 {
    let mut place = 0;
    let mut half = 1 << 15;
    while half > 0 {
        let (right, up) = (u32::from(x & half > 0), u32::from(y & half > 0));
        place += half * half * ((3 * right) ^ up);
        if up == 0 {
            if right == 1 {
                (x, y) = (u32::from(u16::MAX) - x, u32::from(u16::MAX) - y);
            }
            (x, y) = (y, x);
        }
        half /= 2;
    }
    place
}

/// Writes a share; it appears whole or not at all.
pub struct ShareWriter {
    path: PathBuf,
    unfinished: PathBuf,
    file: BufWriter<File>,
}

impl ShareWriter {
    /// # Errors
    /// The folder or file cannot be written.
    pub fn create(
        dir: &Path,
        share: Share,
        project: &Path,
        basis: Basis,
    ) -> Result<ShareWriter, ShareError> {
        fs::create_dir_all(dir).map_err(file(dir, "create the folder"))?;
        let path = dir.join(format!("share-{}-of-{}.{ENDING}", share.number, share.of));
        let unfinished = path.with_extension("unfinished");
        let made = File::create(&unfinished).map_err(file(&unfinished, "create the file"))?;
        let mut writer = ShareWriter {
            path,
            unfinished,
            file: BufWriter::with_capacity(1 << 20, made),
        };
        writer.bytes(MAGIC)?;
        let project = project
            .canonicalize()
            .unwrap_or_else(|_| project.to_owned());
        writer.part(&Header {
            share,
            project,
            basis,
        })?;
        Ok(writer)
    }

    fn bytes(&mut self, bytes: &[u8]) -> Result<(), ShareError> {
        self.file
            .write_all(bytes)
            .map_err(file(&self.unfinished, "write the file"))
    }

    fn part(&mut self, part: &impl Serialize) -> Result<(), ShareError> {
        let bytes = postcard::to_stdvec(part).map_err(|_| ShareError::Damaged {
            path: self.unfinished.clone(),
            why: "a plan has no written form",
        })?;
        self.bytes(&(bytes.len() as u64).to_le_bytes())?;
        self.bytes(&sum(&bytes))?;
        self.bytes(&bytes)
    }

    /// # Errors
    /// The file cannot be written.
    pub fn block(
        &mut self,
        id: &str,
        made: Result<BlockPlan, Box<Problem>>,
    ) -> Result<(), ShareError> {
        let record = match made {
            Ok(plan) => Record::Plan(Box::new(plan)),
            Err(problem) => Record::Refused(problem),
        };
        self.part(&(id, record))
    }

    /// # Errors
    /// The file cannot be written or moved into place.
    pub fn finish(mut self) -> Result<PathBuf, ShareError> {
        // An end of its own, so that a file that was cut off at a whole record is known.
        self.part(&())?;
        let ended = self
            .file
            .flush()
            .and_then(|()| self.file.get_ref().sync_all());
        ended.map_err(file(&self.unfinished, "write the file"))?;
        fs::rename(&self.unfinished, &self.path).map_err(file(&self.path, "move into place"))?;
        Ok(self.path)
    }
}

fn file(path: &Path, doing: &'static str) -> impl FnOnce(io::Error) -> ShareError {
    let path = path.to_owned();
    move |source| ShareError::File {
        path,
        doing,
        source,
    }
}

/// The shares of one batch, all of them and each once.
pub struct Shares {
    files: Vec<(PathBuf, Mutex<File>)>,
    /// File, offset and length of each block's record.
    places: BTreeMap<String, (usize, u64, u64)>,
    project: PathBuf,
    basis: Basis,
    first: PathBuf,
}

impl Shares {
    /// Looks through the shares in these folders, and at every checksum.
    ///
    /// # Errors
    /// A share that is missing, there twice, damaged, or of another batch than the first.
    pub fn open(dirs: &[PathBuf]) -> Result<Shares, ShareError> {
        let mut found: BTreeMap<u32, PathBuf> = BTreeMap::new();
        let mut shares: Option<Shares> = None;
        let mut of = 0;
        for path in paths(dirs)? {
            let opened = File::open(&path).map_err(file(&path, "open the file"))?;
            let length = opened
                .metadata()
                .map_err(file(&path, "look at the file"))?
                .len();
            let mut reader = Reader {
                path: &path,
                from: BufReader::with_capacity(1 << 20, &opened),
                at: 0,
                length,
            };
            let header = reader.header()?;
            let shares = shares.get_or_insert_with(|| Shares {
                files: vec![],
                places: BTreeMap::new(),
                project: header.project.clone(),
                basis: header.basis.clone(),
                first: path.clone(),
            });
            if of == 0 {
                of = header.share.of;
            }
            let other = |what| ShareError::Other {
                path: path.clone(),
                what,
            };
            if let Some(what) = header.basis.differs(&shares.basis) {
                return Err(other(format!("{what} than {}", shares.first.display())));
            }
            if header.share.of != of {
                return Err(other(format!(
                    "a batch in {} shares, not in {of}",
                    header.share.of
                )));
            }
            if let Some(one) = found.insert(header.share.number, path.clone()) {
                return Err(ShareError::Twice {
                    one,
                    other: path,
                    share: header.share,
                });
            }
            let number = shares.files.len();
            while let Some((id, at, length)) = reader.record()? {
                shares.places.insert(id, (number, at, length));
            }
            shares.files.push((path, Mutex::new(opened)));
        }
        let missing: Vec<String> = (1..=of)
            .filter(|number| !found.contains_key(number))
            .map(|number| number.to_string())
            .collect();
        match shares {
            Some(shares) if missing.is_empty() => Ok(shares),
            _ => Err(ShareError::Missing {
                of,
                numbers: missing.join(", "),
            }),
        }
    }

    /// The project file that the first share was laid out from.
    pub fn project(&self) -> &Path {
        &self.project
    }

    /// Whether these plans are of the batch as it is now, and of all of its blocks.
    ///
    /// # Errors
    /// What differs.
    pub fn check(&self, now: &Basis, blocks: &[&SourceBlock]) -> Result<(), ShareError> {
        if let Some(what) = self.basis.differs(now) {
            return Err(ShareError::Other {
                path: self.first.clone(),
                what: format!("{what} than the project now names"),
            });
        }
        let missing = blocks
            .iter()
            .find(|block| !self.places.contains_key(&block.id));
        missing.map_or(Ok(()), |block| {
            Err(ShareError::NoPlan {
                path: self.first.clone(),
                block: block.id.clone(),
            })
        })
    }

    /// The plan of a block, or why it has none.
    ///
    /// # Errors
    /// The file cannot be read any more.
    pub fn plan(&self, id: &str) -> Result<Result<BlockPlan, Box<Problem>>, ShareError> {
        let Some(&(number, at, length)) = self.places.get(id) else {
            return Err(ShareError::NoPlan {
                path: self.first.clone(),
                block: id.to_owned(),
            });
        };
        let (path, opened) = &self.files[number];
        let mut bytes = vec![0; length as usize];
        {
            let mut opened = opened.lock().unwrap_or_else(PoisonError::into_inner);
            let read = opened
                .seek(SeekFrom::Start(at))
                .and_then(|_| opened.read_exact(&mut bytes));
            read.map_err(file(path, "read the file"))?;
        }
        let (_, record): (String, Record) = decoded(path, &bytes)?;
        Ok(match record {
            Record::Plan(plan) => Ok(*plan),
            Record::Refused(problem) => Err(problem),
        })
    }
}

/// Every share in these folders, in their order and by name.
fn paths(dirs: &[PathBuf]) -> Result<Vec<PathBuf>, ShareError> {
    let mut found = Vec::new();
    for dir in dirs {
        let mut own = Vec::new();
        for entry in fs::read_dir(dir).map_err(file(dir, "look into the folder"))? {
            let path = entry.map_err(file(dir, "look into the folder"))?.path();
            if path.extension().is_some_and(|ending| ending == ENDING) {
                own.push(path);
            }
        }
        if own.is_empty() {
            return Err(ShareError::NoShare(dir.clone()));
        }
        own.sort();
        found.extend(own);
    }
    Ok(found)
}

fn decoded<T: DeserializeOwned>(path: &Path, bytes: &[u8]) -> Result<T, ShareError> {
    postcard::from_bytes(bytes).map_err(|_| ShareError::Damaged {
        path: path.to_owned(),
        why: "a part of it cannot be understood",
    })
}

struct Reader<'r> {
    path: &'r Path,
    from: BufReader<&'r File>,
    at: u64,
    length: u64,
}

impl Reader<'_> {
    fn damaged(&self, why: &'static str) -> ShareError {
        ShareError::Damaged {
            path: self.path.to_owned(),
            why,
        }
    }

    fn take(&mut self, count: u64) -> Result<Vec<u8>, ShareError> {
        if count > MOST_BYTES || self.at + count > self.length {
            return Err(self.damaged("it ends too early"));
        }
        let mut bytes = vec![0; count as usize];
        self.from
            .read_exact(&mut bytes)
            .map_err(file(self.path, "read the file"))?;
        self.at += count;
        Ok(bytes)
    }

    /// The bytes of the next part, which stand at `self.at` less their number.
    fn part(&mut self) -> Result<Vec<u8>, ShareError> {
        let length = self.take(8)?;
        let length = length
            .try_into()
            .map(u64::from_le_bytes)
            .unwrap_or(u64::MAX);
        let wanted = self.take(SUM as u64)?;
        let bytes = self.take(length)?;
        if sum(&bytes)[..] != wanted[..] {
            return Err(self.damaged("a checksum does not fit"));
        }
        Ok(bytes)
    }

    fn header(&mut self) -> Result<Header, ShareError> {
        let begins = (MAGIC.len() as u64).min(self.length);
        if self.take(begins)? != MAGIC {
            return Err(self.damaged("it does not begin as one of this version"));
        }
        let bytes = self.part()?;
        decoded(self.path, &bytes)
    }

    /// Id, offset and length of the next record; None at the end.
    fn record(&mut self) -> Result<Option<(String, u64, u64)>, ShareError> {
        let bytes = self.part()?;
        let length = bytes.len() as u64;
        if length == 0 {
            return Ok(None);
        }
        let (id, _) = postcard::take_from_bytes::<String>(&bytes)
            .map_err(|_| self.damaged("a part of it cannot be understood"))?;
        Ok(Some((id, self.at - length, length)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeSet;

    #[test]
    fn the_curve_passes_every_cell_and_steps_to_neighbours() {
        // The first 64 x 64 cells of the curve lie in one corner.
        let mut cells: Vec<(u32, u32, u32)> = (0..64)
            .flat_map(|x| (0..64).map(move |y| (hilbert(x, y), x, y)))
            .collect();
        cells.sort_unstable();
        let places: BTreeSet<u32> = cells.iter().map(|cell| cell.0).collect();
        assert_eq!(places.len(), 64 * 64);
        for pair in cells.windows(2) {
            let step = pair[0].1.abs_diff(pair[1].1) + pair[0].2.abs_diff(pair[1].2);
            assert!(step == 1 && pair[1].0 == pair[0].0 + 1, "{pair:?}");
        }
    }

    #[test]
    fn shares_are_written_as_parts_of_a_number() {
        assert_eq!("2/4".parse(), Ok(Share { number: 2, of: 4 }));
        for wrong in ["", "0/4", "5/4", "2", "2/", "a/b", "-1/2", "1/0"] {
            assert!(wrong.parse::<Share>().is_err(), "{wrong}");
        }
    }
}
