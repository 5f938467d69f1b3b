//! What a file says of itself, held against what is in it. A file that was cut short, or one part of which is of another
//! save, is read without a word by the drivers; its own counts tell.

mod csv;
mod flatgeobuf;
mod geojson;
mod geopackage;
mod mapinfo;
mod shapefile;
mod table;

use std::fs::File;
use std::io::{self, BufReader};
use std::path::{Path, PathBuf};

use gdal::Dataset;
use gdal::vector::{Layer, LayerAccess};

use super::errors::SourceError;
use super::limits::LAYER_FILE_BYTES;
use super::plain;
pub(super) use shapefile::missing_index;
pub(super) use table::UnsaidTexts;

/// What a sound file says of itself.
#[derive(Debug, Default)]
pub(super) struct Known {
    /// Records in the file, whatever a filter lets through; None: nothing in it says how many there are.
    pub records: Option<u64>,
    /// Of these, marked as deleted: no driver hands them over.
    pub deleted: u64,
    /// Texts that can be read in more than one way.
    pub unsaid: Option<UnsaidTexts>,
}

impl Known {
    fn of(records: u64) -> Known {
        Known {
            records: Some(records),
            ..Known::default()
        }
    }

    /// Holds what a driver handed over of all records, no filter set, against what there is.
    pub fn check(&self, handed_over: u64) -> Result<(), Fault> {
        match self.records {
            Some(records) if handed_over != records - self.deleted.min(records) => {
                Err(Fault::Differ(format!(
                    "it holds {}, and {handed_over} of them can be read",
                    plural(records - self.deleted.min(records), "record")
                )))
            }
            _ => Ok(()),
        }
    }
}

/// Why a file is not what it says.
#[derive(Debug)]
pub(super) enum Fault {
    /// Both counts, in words.
    Differ(String),
    Unreadable(String),
}

impl From<io::Error> for Fault {
    fn from(error: io::Error) -> Fault {
        Fault::Unreadable(error.to_string())
    }
}

impl Fault {
    /// As the error of a layer, `label` its `file:layer`.
    pub fn of(self, label: &str, role: &'static str) -> SourceError {
        match self {
            Fault::Differ(what) => SourceError::CountsDiffer {
                layer: label.to_owned(),
                role,
                what,
            },
            Fault::Unreadable(message) => SourceError::Unreadable {
                file: label.to_owned(),
                role,
                message,
            },
        }
    }
}

/// Counts what is in the file that a layer is of.
///
/// # Errors
/// It has more or less than it says.
pub(super) fn known(
    dataset: &Dataset,
    layer: &Layer<'_>,
    path: &Path,
    encoding_given: bool,
) -> Result<Known, Fault> {
    let mut known = match dataset.driver().short_name().as_str() {
        "ESRI Shapefile" => shapefile::known(path),
        "FlatGeobuf" => flatgeobuf::known(path),
        "GeoJSON" => geojson::collection(path),
        "GeoJSONSeq" => geojson::sequence(path),
        "MapInfo File" => mapinfo::known(path),
        "GPKG" => geopackage::known(dataset, &layer.name()),
        "CSV" => csv::known(path),
        _ => Ok(Known::default()),
    }?;
    if encoding_given {
        known.unsaid = None;
    }
    Ok(known)
}

/// `1 record`, `2 records`.
fn plural(count: u64, what: &str) -> String {
    let end = if count == 1 { "" } else { "s" };
    format!("{count} {what}{end}")
}

/// The file beside `path` with another ending, in small letters or in capitals, as drivers look for it.
fn part(path: &Path, ending: &str) -> Option<PathBuf> {
    [ending.to_owned(), ending.to_ascii_uppercase()]
        .into_iter()
        .map(|ending| path.with_extension(ending))
        .find(|path| path.is_file())
}

fn name(path: &Path) -> String {
    let name = path.file_name().unwrap_or(path.as_os_str());
    name.to_string_lossy().into_owned()
}

fn has_ending(path: &Path, ending: &str) -> bool {
    path.extension()
        .is_some_and(|own| own.eq_ignore_ascii_case(ending))
}

/// A file and its length.
fn open(path: &Path) -> io::Result<(BufReader<File>, u64)> {
    let file = plain::open(path, LAYER_FILE_BYTES)?;
    let length = file.metadata()?.len();
    Ok((BufReader::with_capacity(1 << 16, file), length))
}

fn le_u16(bytes: &[u8], at: usize) -> Option<u16> {
    let bytes = bytes.get(at..at.checked_add(2)?)?;
    Some(u16::from_le_bytes(bytes.try_into().ok()?))
}

fn le_u32(bytes: &[u8], at: usize) -> Option<u32> {
    let bytes = bytes.get(at..at.checked_add(4)?)?;
    Some(u32::from_le_bytes(bytes.try_into().ok()?))
}

fn be_u32(bytes: &[u8], at: usize) -> Option<u32> {
    le_u32(bytes, at).map(u32::swap_bytes)
}

fn le_u64(bytes: &[u8], at: usize) -> Option<u64> {
    let bytes = bytes.get(at..at.checked_add(8)?)?;
    Some(u64::from_le_bytes(bytes.try_into().ok()?))
}
