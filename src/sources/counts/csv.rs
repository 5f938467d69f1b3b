//! Tables of track points as text: a file that was cut short ends in a row with fewer cells than the head names.

use std::io::BufRead;
use std::path::Path;

use super::{Fault, Known, open, plural};

/// What may stand between cells.
const BETWEEN: [u8; 4] = [b',', b';', b'\t', b'|'];

/// # Errors
/// The last row is not whole.
pub(super) fn known(path: &Path) -> Result<Known, Fault> {
    let (mut file, _) = open(path)?;
    let head = file.fill_buf()?;
    let head = head.split(|byte| *byte == b'\n').next().unwrap_or_default();
    let count = |between: &u8| head.iter().filter(|byte| *byte == between).count();
    // The first of those that stand there most often.
    let delimiter = BETWEEN
        .into_iter()
        .rev()
        .max_by_key(|between| count(between));
    let mut table = csv::ReaderBuilder::new()
        .delimiter(delimiter.unwrap_or(b','))
        .flexible(true)
        .from_reader(file);
    let unreadable = |error: csv::Error| Fault::Unreadable(error.to_string());
    let columns = table.byte_headers().map_err(unreadable)?.len();
    let mut row = csv::ByteRecord::new();
    let (mut rows, mut cells) = (0u64, columns);
    while table.read_byte_record(&mut row).map_err(unreadable)? {
        rows += 1;
        cells = row.len();
    }
    if cells < columns {
        return Err(Fault::Differ(format!(
            "its head names {}, and the last of {} has {cells}",
            plural(columns as u64, "column"),
            plural(rows, "row")
        )));
    }
    Ok(Known::default())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_last_row_must_be_whole() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a.csv");
        let whole = "lon;lat;time\n-87.1,5;48.1,5;\"a;b\"\n-87;48;\n";
        for (text, sound) in [
            (whole, true),
            (whole.trim_end(), true),
            (&whole[..whole.len() - 3], false),
            (&whole[..whole.len() - 6], false),
            ("lon\tlat\n1\t2\n", true),
            ("lon,lat\n1\n", false),
            ("lon,lat\n", true),
            ("", true),
        ] {
            std::fs::write(&path, text).unwrap();
            assert_eq!(known(&path).is_ok(), sound, "{text:?}");
        }
    }
}
