//! Shapefiles: shapes, their index and their table are three files, each with a count of its own (ESRI Shapefile Technical
//! Description, 1998).

use std::fs::File;
use std::io::{BufReader, Read, Seek, SeekFrom};
use std::path::Path;

use super::table;
use super::{Fault, Known, be_u32, has_ending, le_u32, name, open, part, plural};

/// Of both files of shapes.
const HEAD: u64 = 100;
/// Number and length of a shape, before its content.
const RECORD_HEAD: u64 = 8;

/// The name of the index that a file of shapes lacks, if that is so.
pub(in crate::sources) fn missing_index(path: &Path) -> Option<String> {
    let lacks = has_ending(path, "shp") && part(path, "shx").is_none();
    lacks.then(|| name(&path.with_extension("shx")))
}

/// # Errors
/// Shapes, index and table do not have the same number of records.
pub(super) fn known(path: &Path) -> Result<Known, Fault> {
    let dbf = part(path, "dbf");
    // A file of its own says the code page.
    let texts = part(path, "cpg").is_none();
    let table = dbf.as_deref().map(|dbf| table::read(dbf, texts));
    let table = table.transpose()?;
    let (Some(shp), Some(shx)) = (part(path, "shp"), part(path, "shx")) else {
        return Ok(table.map_or_else(Known::default, table::Table::known));
    };
    let shapes = shapes(&shp, &shx)?;
    match (table, dbf) {
        (Some(table), Some(dbf)) if table.rows != shapes => Err(Fault::Differ(format!(
            "{} holds {}, and its table {} has {}",
            name(&shp),
            plural(shapes, "shape"),
            name(&dbf),
            plural(table.rows, "row")
        ))),
        (Some(table), _) => Ok(table.known()),
        (None, _) => Ok(Known::of(shapes)),
    }
}

/// Where a shape begins, and the bytes of its content.
struct Entry {
    at: u64,
    length: u64,
}

fn head(file: &mut BufReader<File>, path: &Path) -> Result<[u8; HEAD as usize], Fault> {
    let mut head = [0; HEAD as usize];
    file.read_exact(&mut head)
        .map_err(|error| Fault::Unreadable(format!("{}: {error}", name(path))))?;
    Ok(head)
}

fn entries(shx: &Path) -> Result<(BufReader<File>, u64), Fault> {
    let (mut file, length) = open(shx)?;
    let head = head(&mut file, shx)?;
    let words = u64::from(be_u32(&head, 24).unwrap_or(0));
    let said = (2 * words).saturating_sub(HEAD) / 8;
    let there = length.saturating_sub(HEAD) / 8;
    if said != there {
        return Err(Fault::Differ(format!(
            "the head of {} says {}, and {there} are in it",
            name(shx),
            plural(said, "shape")
        )));
    }
    Ok((file, there))
}

/// The number of shapes, the same in both files.
fn shapes(shp: &Path, shx: &Path) -> Result<u64, Fault> {
    let (mut index, count) = entries(shx)?;
    let (file, length) = open(shp)?;
    let mut shapes = Shapes {
        file,
        at: 0,
        length,
        kind: 0,
    };
    let first = head(&mut shapes.file, shp)?;
    shapes.at = HEAD;
    shapes.kind = le_u32(&first, 32).unwrap_or(0);
    let mut end = HEAD;
    for number in 1..=count {
        let mut entry = [0; 8];
        index.read_exact(&mut entry)?;
        let entry = Entry {
            at: 2 * u64::from(be_u32(&entry, 0).unwrap_or(0)),
            length: 2 * u64::from(be_u32(&entry, 4).unwrap_or(0)),
        };
        let own_end = entry.at + RECORD_HEAD + entry.length;
        if own_end > length {
            return Err(Fault::Differ(format!(
                "its index {} names {}, and {} ends before number {number} does",
                name(shx),
                plural(count, "shape"),
                name(shp)
            )));
        }
        let found = shapes.record(entry.at)?;
        // Some writers count from 0, and some keep the room of a shape that became smaller: one of both must agree.
        let agrees = found
            .is_some_and(|found| u64::from(found.number) == number || found.length == entry.length);
        if !agrees {
            return Err(Fault::Differ(format!(
                "its index {} names {}, and number {number} does not begin where it says in {}: they are of two saves",
                name(shx),
                plural(count, "shape"),
                name(shp)
            )));
        }
        end = end.max(own_end);
    }
    let beyond = shapes.beyond(end)?;
    if beyond > 0 {
        return Err(Fault::Differ(format!(
            "{} holds {}, and its index {} names {count}",
            name(shp),
            plural(count + beyond, "shape"),
            name(shx)
        )));
    }
    Ok(count)
}

struct Record {
    number: u32,
    /// Bytes of the content.
    length: u64,
    kind: u32,
}

struct Shapes {
    file: BufReader<File>,
    at: u64,
    length: u64,
    /// Of all shapes but empty ones.
    kind: u32,
}

impl Shapes {
    fn record(&mut self, at: u64) -> Result<Option<Record>, Fault> {
        if at < HEAD || at + RECORD_HEAD + 4 > self.length {
            return Ok(None);
        }
        match i64::try_from(at).ok().zip(i64::try_from(self.at).ok()) {
            Some((to, from)) => self.file.seek_relative(to - from)?,
            None => self.file.seek(SeekFrom::Start(at)).map(drop)?,
        }
        let mut head = [0; 12];
        self.file.read_exact(&mut head)?;
        self.at = at + 12;
        Ok(Some(Record {
            number: be_u32(&head, 0).unwrap_or(0),
            length: 2 * u64::from(be_u32(&head, 4).unwrap_or(0)),
            kind: le_u32(&head, 8).unwrap_or(u32::MAX),
        }))
    }

    /// Shapes behind the last that the index names, the last of them perhaps cut short. Bytes that are none may be left
    /// of a shape that became smaller.
    fn beyond(&mut self, end: u64) -> Result<u64, Fault> {
        let mut at = end;
        let mut count = 0;
        while let Some(record) = self.record(at)? {
            if record.length < 4 || ![0, self.kind].contains(&record.kind) {
                break;
            }
            count += 1;
            at += RECORD_HEAD + record.length;
        }
        Ok(count)
    }
}
