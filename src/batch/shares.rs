//! A batch in shares: plans made on several machines, each written to a file of its own, and joined later into the very
//! outputs that one run would have given.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::str::FromStr;

use geo::{BoundingRect, Coord};
use serde::{Deserialize, Serialize};

use super::plan_file::{
    Basis, Made, Place, PlanFile, PlanFileError, PlanReader, PlanWriter, file, record,
};
use crate::model::SourceBlock;
use crate::outputs;

/// First bytes of a file of plans; the number changes with the form of what follows.
const MAGIC: &[u8] = b"blockwright share 1\n";
/// Ending of the name.
const ENDING: &str = "plans";
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
    #[error(transparent)]
    PlanFile(#[from] PlanFileError),
    #[error("{}: there is no share, or no such folder\n  hint: name folders that `layout --share` wrote", .0.display())]
    NoShare(PathBuf),
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

#[derive(Serialize, Deserialize)]
struct Header {
    share: Share,
    /// Path of the project file.
    project: PathBuf,
    basis: Basis,
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
    writer: PlanWriter,
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
        let header = Header {
            share,
            project: project
                .canonicalize()
                .unwrap_or_else(|_| project.to_owned()),
            basis,
        };
        Ok(ShareWriter {
            writer: PlanWriter::create(&unfinished, MAGIC, &header)?,
            path,
            unfinished,
        })
    }

    /// # Errors
    /// The file cannot be written.
    pub fn block(&mut self, id: &str, made: &Made) -> Result<(), ShareError> {
        Ok(self.writer.write(record(id, made))?)
    }

    /// # Errors
    /// The file cannot be written or moved into place.
    pub fn finish(self) -> Result<PathBuf, ShareError> {
        // An end of its own, so that a file that was cut off at a whole record is known.
        self.writer.end()?;
        let mut moved = outputs::no_moves();
        fs::rename(&self.unfinished, &self.path).map_err(file(&self.path, "move into place"))?;
        *moved = true;
        Ok(self.path)
    }
}

/// The shares of one batch, all of them and each once.
pub struct Shares {
    files: Vec<PlanFile>,
    /// File of each block's record, and where it stands there.
    places: BTreeMap<String, (usize, Place)>,
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
            let mut reader = PlanReader::open(&path)?;
            let header: Header = reader.header(MAGIC)?;
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
            while let Some((id, place)) = reader.record()? {
                shares.places.insert(id, (number, place));
            }
            shares.files.push(PlanFile::open(&path)?);
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
    pub fn plan(&self, id: &str) -> Result<Made, ShareError> {
        let Some(&(number, place)) = self.places.get(id) else {
            return Err(ShareError::NoPlan {
                path: self.first.clone(),
                block: id.to_owned(),
            });
        };
        Ok(self.files[number].made(place)?)
    }
}

/// Every share in these folders, in their order and by name.
fn paths(dirs: &[PathBuf]) -> Result<Vec<PathBuf>, ShareError> {
    let mut found = Vec::new();
    for dir in dirs {
        if !dir.is_dir() {
            return Err(ShareError::NoShare(dir.clone()));
        }
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
