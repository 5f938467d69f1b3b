//! What was measured in the field: the table of the field sheet with its empty columns filled, or waypoints of GPX 1.1.

use std::path::{Path, PathBuf};

use gdal::vector::LayerAccess;
use gdal::{Dataset, DatasetOptions, GdalOpenFlags};

use super::InputFile;
use super::features::{RawGeometry, raw_geometry};
use super::filled;
use super::hash;
use super::limits::TABLE_FILE_BYTES;
use super::open::{forget_failures, last_failure, quiet_gdal};
use super::plain::{check_plain, open as open_plain};
use crate::model::FieldMeasure;

/// What is wrong with a row, or the whole file.
#[derive(Debug, thiserror::Error)]
#[error("error[measured-file]: {}{}\n  {why}\n  hint: {hint}", path.display(), place.as_ref().map(|place| format!(", {place}")).unwrap_or_default())]
pub struct FieldFileError {
    pub path: PathBuf,
    /// A line, or a waypoint.
    pub place: Option<String>,
    pub why: String,
    pub hint: &'static str,
}

const WHOLE: &str = "give field_check.csv of the audit with the column `measured` filled, or a GPX file with waypoints that have \
                     the codes of the places for names";

/// Filled rows, and how many waypoints have names that are no codes.
#[derive(Debug, Default, PartialEq)]
pub struct FieldRead {
    pub rows: Vec<FieldMeasure>,
    pub other_waypoints: u64,
    /// What was read.
    pub input: Option<InputFile>,
}

/// Reads filled rows; those in which nothing is filled are passed over.
///
/// # Errors
/// The file cannot be read, a column is missing, a cell is no number, a place is given twice.
pub fn read(path: &Path) -> Result<FieldRead, FieldFileError> {
    let gpx = path
        .extension()
        .is_some_and(|ending| ending.eq_ignore_ascii_case("gpx"));
    let mut found = if gpx { waypoints(path)? } else { table(path)? };
    let stamp = hash::named(path, "measured").map_err(|error| FieldFileError {
        path: path.to_owned(),
        place: None,
        why: error.to_string(),
        hint: WHOLE,
    })?;
    found.input = Some(stamp.input);
    let mut seen = std::collections::BTreeMap::new();
    for row in &found.rows {
        if let Some(before) = seen.insert(&row.code, &row.place) {
            return Err(FieldFileError {
                path: path.to_owned(),
                place: Some(row.place.clone()),
                why: format!("place {} is given twice; the other is {before}", row.code),
                hint: "keep the one that counts",
            });
        }
    }
    Ok(found)
}

/// A code as people write it: without regard to case, O for 0, I and L for 1. None: it is no code.
pub(super) fn code(text: &str) -> Option<String> {
    let signs: String = text
        .trim()
        .to_ascii_uppercase()
        .chars()
        .filter(|sign| *sign != '-')
        .map(|sign| match sign {
            'O' => '0',
            'I' | 'L' => '1',
            sign => sign,
        })
        .collect();
    let is_code = signs.len() == 8
        && (signs.bytes()).all(|sign| sign.is_ascii_alphanumeric() && sign != b'U');
    is_code.then(|| format!("{}-{}", &signs[..4], &signs[4..]))
}

/// With a point or a comma.
fn number(text: &str) -> Option<f64> {
    let value: f64 = text.trim().replace(',', ".").parse().ok()?;
    value.is_finite().then_some(value)
}

fn table(path: &Path) -> Result<FieldRead, FieldFileError> {
    let fault = |line: Option<u64>, why: String, hint: &'static str| FieldFileError {
        path: path.to_owned(),
        place: line.map(|line| format!("line {line}")),
        why,
        hint,
    };
    let reach = "check the path and who may read the file";
    let filled = filled::read(path).map_err(|(line, why)| {
        let hint = if line.is_some() { WHOLE } else { reach };
        fault(line, why, hint)
    })?;
    let needed = |name: &str| {
        let found = filled.needed(name);
        found.map_err(|(line, why)| fault(line, why, WHOLE))
    };
    let (code_at, measured_at) = (needed("code")?, needed("measured")?);
    let others =
        ["error", "measured_on", "measured_by", "photo", "note"].map(|name| filled.column(name));
    let mut rows = Vec::new();
    for (line, record) in &filled.rows {
        let line = *line;
        let cell = |index: usize| record.get(index).unwrap_or_default();
        let other = |which: usize| others[which].map_or("", cell).to_owned();
        let (measured, error) = (cell(measured_at), other(0));
        let [on, by, photo, note] = [1, 2, 3, 4].map(other);
        if [measured, &error, &on, &by, &photo, &note]
            .iter()
            .all(|cell| cell.is_empty())
        {
            continue;
        }
        let figure = |name: &str, text: &str, least: f64| match number(text) {
            _ if text.is_empty() => Ok(None),
            Some(value) if value >= least => Ok(Some(value)),
            _ => Err(fault(
                line,
                format!("`{text}` in column `{name}` is no figure that can be measured"),
                "write the figure alone, in metres; leave the cell empty where nothing could be measured, and say why under note",
            )),
        };
        let Some(code) = code(cell(code_at)) else {
            return Err(fault(
                line,
                format!("`{}` is no code of a place", cell(code_at)),
                "codes stand in the column `code` of field_check.csv: leave it as it was",
            ));
        };
        rows.push(FieldMeasure {
            code,
            measured: figure("measured", measured, f64::NEG_INFINITY)?,
            error: figure("error", &error, 0.0)?,
            on,
            by,
            photo,
            note,
            place: line.map_or_else(String::new, |line| format!("line {line}")),
            taken_at: None,
        });
    }
    Ok(FieldRead {
        rows,
        other_waypoints: 0,
        input: None,
    })
}

/// Words of a waypoint's comment: the figure first, then `± error`, `photo NUMBER`, and anything else as a note.
fn comment(text: &str, into: &mut FieldMeasure) -> Result<(), String> {
    let spaced = text.replace("+/-", " ± ").replace('±', " ± ");
    let mut words = spaced.split_whitespace().peekable();
    let begins = ["measured", "mesuré", "mesure"];
    if let Some(word) = words.peek()
        && begins.contains(&word.trim_end_matches(':').to_lowercase().as_str())
    {
        words.next();
    }
    if let Some(value) = words
        .peek()
        .and_then(|word| number(word.trim_end_matches('m')))
    {
        into.measured = Some(value);
        words.next();
    }
    let mut note: Vec<&str> = Vec::new();
    while let Some(word) = words.next() {
        match word {
            "m" if note.is_empty() => {}
            "±" => {
                let error = words
                    .next()
                    .and_then(|word| number(word.trim_end_matches('m')));
                let error = error.filter(|error| *error >= 0.0);
                into.error = Some(error.ok_or("after ± no figure stands")?);
            }
            word if word.eq_ignore_ascii_case("photo") => {
                into.photo = words.next().unwrap_or_default().to_owned();
            }
            word => note.push(word),
        }
    }
    into.note = note.join(" ");
    Ok(())
}

fn waypoints(path: &Path) -> Result<FieldRead, FieldFileError> {
    let fault = |place: Option<String>, why: String, hint: &'static str| FieldFileError {
        path: path.to_owned(),
        place,
        why,
        hint,
    };
    quiet_gdal();
    let file = path.display().to_string();
    open_plain(path, TABLE_FILE_BYTES).map_err(|error| fault(None, error.to_string(), WHOLE))?;
    check_plain(path, &file, "measured").map_err(|error| fault(None, error.to_string(), WHOLE))?;
    forget_failures();
    let unread = |error: String| {
        let why = last_failure().unwrap_or(error);
        fault(None, format!("the file cannot be read: {why}"), WHOLE)
    };
    let options = DatasetOptions {
        open_flags: GdalOpenFlags::GDAL_OF_READONLY
            | GdalOpenFlags::GDAL_OF_VECTOR
            | GdalOpenFlags::GDAL_OF_VERBOSE_ERROR,
        allowed_drivers: Some(&["GPX"]),
        ..DatasetOptions::default()
    };
    let dataset = Dataset::open_ex(path, options).map_err(|error| unread(error.to_string()))?;
    let mut layer = dataset
        .layer_by_name("waypoints")
        .map_err(|error| unread(error.to_string()))?;
    let names: Vec<String> = layer.defn().fields().map(|field| field.name()).collect();
    let at =
        ["name", "cmt", "desc", "time"].map(|wanted| names.iter().position(|name| name == wanted));
    let mut read = FieldRead::default();
    let mut buffer = Vec::new();
    for feature in layer.features() {
        let text = |which: usize| {
            let value = at[which].and_then(|field| feature.field_as_string(field).ok().flatten());
            value.unwrap_or_default()
        };
        let name = text(0);
        let Some(code) = code(&name) else {
            read.other_waypoints += 1;
            continue;
        };
        let place = format!("waypoint {name}");
        let mut row = FieldMeasure {
            code,
            measured: None,
            error: None,
            on: text(3),
            by: String::new(),
            photo: String::new(),
            note: String::new(),
            place: place.clone(),
            taken_at: match raw_geometry(&feature, &mut buffer) {
                RawGeometry::Parts { parts, .. } => parts.points.first().map(|at| [at.x(), at.y()]),
                _ => None,
            },
        };
        // `desc` of our own waypoints says what to measure.
        let (cmt, desc) = (text(1), text(2));
        let measured = desc.to_lowercase();
        let filled = if !cmt.trim().is_empty() {
            cmt
        } else if measured.starts_with("measured") || measured.starts_with("mesur") {
            desc
        } else {
            continue;
        };
        comment(&filled, &mut row).map_err(|why| {
            fault(
                Some(place),
                format!("its comment `{filled}`: {why}"),
                "write for instance `18.4 ± 0.3 photo 31`",
            )
        })?;
        read.rows.push(row);
    }
    if let Some(why) = last_failure() {
        return Err(unread(why));
    }
    Ok(read)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn written(name: &str, text: &str) -> Result<FieldRead, String> {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join(name);
        std::fs::write(&path, text).unwrap();
        read(&path).map_err(|error| error.to_string())
    }

    #[test]
    fn a_table_is_read_as_spreadsheets_save_it() {
        let plain = "code,measured,error,note\n7KQM-2XPD,18.4,0.3,\n1111-2222,,,\n";
        let rows = written("a.csv", plain).unwrap().rows;
        assert_eq!(rows.len(), 1);
        assert_eq!(rows[0].code, "7KQM-2XPD");
        assert_eq!((rows[0].measured, rows[0].error), (Some(18.4), Some(0.3)));
        // With a decimal comma; a letter that is mistaken for a digit; nothing but a note.
        let french = "\u{feff}code;measured;note\r\n7kqm2xpd;18,4;\r\nOIL1-2222;;pas d’accès\r\n";
        let rows = written("b.csv", french).unwrap().rows;
        assert_eq!(rows[0].code, "7KQM-2XPD");
        assert_eq!(rows[0].measured, Some(18.4));
        assert_eq!(
            (rows[1].code.as_str(), rows[1].measured),
            ("0111-2222", None)
        );
        for (bad, says) in [
            ("code,measured\n7KQM-2XPD,about 18\n", "line 2"),
            ("code,measured\r\n7KQM-2XPD,NaN\r\n", "line 2"),
            ("code,measured,error\n7KQM-2XPD,1,-1\n", "column `error`"),
            ("code,measured\n7KQM,1\n", "is no code"),
            ("code\n", "no column `measured`"),
            ("code,measured\n7KQM-2XPD,1\n7kqm2xpd,2\n", "given twice"),
        ] {
            let told = written("c.csv", bad).unwrap_err();
            assert!(told.contains(says) && told.contains("hint"), "{told}");
        }
    }

    #[test]
    fn waypoints_are_read_by_their_names_and_comments() {
        let gpx = |inner: &str| {
            format!(
                "<?xml version=\"1.0\"?><gpx version=\"1.1\" creator=\"t\" xmlns=\"http://www.topografix.com/GPX/1/1\">{inner}</gpx>"
            )
        };
        let points = gpx(
            "<wpt lat=\"54.5\" lon=\"-124.25\"><time>2031-07-03T15:00:00Z</time><name>7KQM-2XPD</name><cmt>18.4m ±0.3 photo 31 \
             wet bank</cmt></wpt><wpt lat=\"54\" lon=\"-124\"><name>1111-2222</name><desc>Measure the width</desc></wpt>\
             <wpt lat=\"54\" lon=\"-124\"><name>TRUCK</name></wpt>",
        );
        let read = written("a.gpx", &points).unwrap();
        assert_eq!((read.rows.len(), read.other_waypoints), (1, 1));
        let row = &read.rows[0];
        assert_eq!((row.measured, row.error), (Some(18.4), Some(0.3)));
        assert_eq!((row.photo.as_str(), row.note.as_str()), ("31", "wet bank"));
        assert!(row.on.starts_with("2031"), "{}", row.on);
        assert_eq!(row.taken_at, Some([-124.25, 54.5]));
        let bad =
            gpx("<wpt lat=\"54\" lon=\"-124\"><name>7KQM-2XPD</name><cmt>18 ± some</cmt></wpt>");
        assert!(written("b.gpx", &bad).unwrap_err().contains("7KQM-2XPD"));
        assert!(
            written("c.gpx", "no xml")
                .unwrap_err()
                .contains("cannot be read")
        );
    }
}
