//! Tables of ours that people fill and give back, as spreadsheets save them.

use std::path::Path;

use super::limits::TABLE_FILE_BYTES;

/// The rows of a table, cells without blanks around them.
pub struct Filled {
    header: csv::StringRecord,
    /// With the line each begins on.
    pub rows: Vec<(Option<u64>, csv::StringRecord)>,
}

/// What is wrong with a file, and on which line.
pub type Fault = (Option<u64>, String);

/// Reads a table. Where the decimal sign is a comma, spreadsheets part cells by semicolons; lines end as on any system.
///
/// # Errors
/// The file cannot be read, or is no table.
pub fn read(path: &Path) -> Result<Filled, Fault> {
    let bytes =
        super::plain::read(path, TABLE_FILE_BYTES).map_err(|error| (None, error.to_string()))?;
    let bytes = unix_lines(bytes);
    let first = bytes
        .split(|byte| *byte == b'\n')
        .next()
        .unwrap_or_default();
    let count = |sign: u8| first.iter().filter(|byte| **byte == sign).count();
    let delimiter = if count(b';') > count(b',') {
        b';'
    } else {
        b','
    };
    let mut table = csv::ReaderBuilder::new()
        .flexible(true)
        .delimiter(delimiter)
        .trim(csv::Trim::All)
        .from_reader(&bytes[..]);
    let header = table
        .headers()
        .map_err(|error| (Some(1), error.to_string()))?
        .clone();
    let row = |record: Result<csv::StringRecord, csv::Error>| match record {
        Ok(record) => Ok((record.position().map(csv::Position::line), record)),
        Err(error) => Err((error.position().map(csv::Position::line), error.to_string())),
    };
    let rows = table.records().map(row).collect::<Result<_, Fault>>()?;
    Ok(Filled { header, rows })
}

impl Filled {
    pub fn column(&self, name: &str) -> Option<usize> {
        let mut heads = self.header.iter();
        heads.position(|head| head.trim_start_matches('\u{feff}') == name)
    }

    /// # Errors
    /// There is no such column.
    pub fn needed(&self, name: &str) -> Result<usize, Fault> {
        let fault = || (Some(1), format!("there is no column `{name}`"));
        self.column(name).ok_or_else(fault)
    }
}

/// The reader counts a line that ends with two signs to the one after it.
fn unix_lines(mut bytes: Vec<u8>) -> Vec<u8> {
    let mut before = 0;
    bytes.retain(|byte| {
        let keep = *byte != b'\n' || before != b'\r';
        before = *byte;
        keep
    });
    bytes
        .iter_mut()
        .filter(|byte| **byte == b'\r')
        .for_each(|byte| *byte = b'\n');
    bytes
}
