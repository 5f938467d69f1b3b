//! MapInfo: objects and rows of attributes are files of their own, as text (MIF and MID) or as table (TAB).

use std::io::{BufRead, Read};
use std::path::Path;

use super::table;
use super::{Fault, Known, has_ending, name, open, part, plural};

/// # Errors
/// Objects and rows are not as many, or an object is cut short.
pub(super) fn known(path: &Path) -> Result<Known, Fault> {
    if has_ending(path, "tab") {
        return native(path);
    }
    let Some(mif) = part(path, "mif") else {
        return Ok(Known::default());
    };
    let objects = objects(&mif)?;
    if let Some(mid) = part(path, "mid") {
        let (filled, lines) = rows(&mid)?;
        if !(filled..=lines).contains(&objects.count) {
            let unknown = objects.unknown.map_or_else(String::new, |(line, word)| {
                format!("; its line {line} begins with `{word}`, which is no object")
            });
            return Err(Fault::Differ(format!(
                "{} has {}, and {} holds {}{unknown}",
                name(&mid),
                plural(filled, "row"),
                name(&mif),
                plural(objects.count, "object")
            )));
        }
    }
    if let Some(line) = objects.short {
        return Err(Fault::Differ(format!(
            "{} holds {}, of which the one from line {line} on has fewer vertices than it says",
            name(&mif),
            plural(objects.count, "object")
        )));
    }
    Ok(Known::of(objects.count))
}

/// A table: a file of rows, and one that says where the object of each row lies in a third.
fn native(path: &Path) -> Result<Known, Fault> {
    let Some(dat) = part(path, "dat") else {
        return Ok(Known::default());
    };
    let table = table::read(&dat, false)?;
    let Some(id) = part(path, "id") else {
        return Ok(table.known());
    };
    let (mut places, length) = open(&id)?;
    if length / 4 != table.rows {
        return Err(Fault::Differ(format!(
            "{} has {}, and {} names {}",
            name(&dat),
            plural(table.rows, "row"),
            name(&id),
            plural(length / 4, "object")
        )));
    }
    if let Some(map) = part(path, "map") {
        let (_, map_bytes) = open(&map)?;
        for number in 1..=table.rows {
            let mut place = [0; 4];
            places.read_exact(&mut place)?;
            if u64::from(u32::from_le_bytes(place)) >= map_bytes.max(1) {
                return Err(Fault::Differ(format!(
                    "{} names {}, and {} ends before number {number} does",
                    name(&id),
                    plural(table.rows, "object"),
                    name(&map)
                )));
            }
        }
    }
    // A driver hands over deleted rows that have an object.
    let sound = table.deleted == 0;
    Ok(if sound {
        table.known()
    } else {
        Known::default()
    })
}

/// Rows of attributes: those that are not blank, and all.
fn rows(mid: &Path) -> Result<(u64, u64), Fault> {
    let (mut file, _) = open(mid)?;
    let mut line = Vec::new();
    let (mut filled, mut lines) = (0, 0);
    while next(&mut file, &mut line)? {
        filled += u64::from(!line.trim_ascii().is_empty());
        lines += 1;
    }
    Ok((filled, lines))
}

fn next(file: &mut impl BufRead, line: &mut Vec<u8>) -> Result<bool, Fault> {
    line.clear();
    Ok(file.read_until(b'\n', line)? > 0)
}

/// What comes before an object's vertices.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Due {
    Nothing,
    /// Lines of one vertex each, and sections after them.
    Vertices {
        lines: u64,
        sections: u64,
    },
    /// Sections, each of which begins with its number of vertices.
    Sections(u64),
}

impl Due {
    fn vertices(lines: u64, sections: u64) -> Due {
        match (lines, sections) {
            (0, 0) => Due::Nothing,
            (0, sections) => Due::Sections(sections),
            (lines, sections) => Due::Vertices { lines, sections },
        }
    }
}

#[derive(Debug, Default)]
struct Objects {
    count: u64,
    /// Line of the first object that has fewer vertices, or parts, than it says.
    short: Option<u64>,
    /// Line and word where an object might begin and none does.
    unknown: Option<(u64, String)>,
}

/// Objects that are their own line, or that and one of angles or radii.
const PLAIN: [&str; 8] = [
    "NONE",
    "POINT",
    "LINE",
    "ARC",
    "TEXT",
    "RECT",
    "ROUNDRECT",
    "ELLIPSE",
];
/// How an object is drawn.
const CLAUSES: [&str; 10] = [
    "PEN", "BRUSH", "SYMBOL", "FONT", "SMOOTH", "CENTER", "SPACING", "JUSTIFY", "ANGLE", "LABEL",
];

fn objects(mif: &Path) -> Result<Objects, Fault> {
    let (mut file, _) = open(mif)?;
    let mut line = Vec::new();
    let mut number = 0;
    loop {
        if !next(&mut file, &mut line)? {
            return Ok(Objects::default());
        }
        number += 1;
        if line.trim_ascii().eq_ignore_ascii_case(b"data") {
            break;
        }
    }
    let mut found = Objects::default();
    let mut due = Due::Nothing;
    // Parts of a collection that are still to come, and where the object at work began.
    let (mut parts, mut began) = (0, 0);
    while next(&mut file, &mut line)? {
        number += 1;
        let text = String::from_utf8_lossy(&line);
        let mut words = text.split_ascii_whitespace();
        let Some(first) = words.next() else {
            continue;
        };
        if !first.starts_with(|letter: char| letter.is_ascii_alphabetic()) {
            due = match due {
                Due::Nothing => Due::Nothing,
                Due::Vertices { lines, sections } => Due::vertices(lines - 1, sections),
                Due::Sections(sections) => Due::vertices(first.parse().unwrap_or(0), sections - 1),
            };
            continue;
        }
        let word = first.split('(').next().unwrap_or_default();
        let word = word.to_ascii_uppercase();
        // The pen and the rest stand behind all vertices.
        if due != Due::Nothing {
            found.short.get_or_insert(began);
            due = Due::Nothing;
        }
        if CLAUSES.contains(&word.as_str()) {
            continue;
        }
        let count = |word: Option<&str>| word.and_then(|word| word.parse::<u64>().ok());
        let second = words.next();
        due = match word.as_str() {
            "PLINE" => match second {
                Some(word) if word.eq_ignore_ascii_case("MULTIPLE") => {
                    Due::vertices(0, count(words.next()).unwrap_or(0))
                }
                Some(word) => Due::vertices(count(Some(word)).unwrap_or(0), 0),
                None => Due::Sections(1),
            },
            "REGION" => Due::vertices(0, count(second).unwrap_or(0)),
            "MULTIPOINT" => Due::vertices(count(second).unwrap_or(0), 0),
            "COLLECTION" => Due::Nothing,
            plain if PLAIN.contains(&plain) => Due::Nothing,
            _ => {
                found.unknown.get_or_insert((number, first.to_owned()));
                continue;
            }
        };
        if parts > 0 && word != "COLLECTION" {
            parts -= 1;
            continue;
        }
        if parts > 0 {
            found.short.get_or_insert(began);
        }
        began = number;
        found.count += 1;
        parts = match word.as_str() {
            "COLLECTION" => count(second).unwrap_or(0),
            _ => 0,
        };
    }
    if due != Due::Nothing || parts > 0 {
        found.short.get_or_insert(began);
    }
    Ok(found)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn of(data: &str) -> (u64, Option<u64>, Option<String>) {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a.mif");
        std::fs::write(
            &path,
            format!("Version 300\nColumns 1\n  A Char(9)\nData\n\n{data}"),
        )
        .unwrap();
        let found = objects(&path).unwrap();
        (
            found.count,
            found.short,
            found.unknown.map(|(_, word)| word),
        )
    }

    #[test]
    fn objects_are_counted_whatever_they_are_made_of() {
        let all = "NONE\nPoint 1 2\n  Symbol (35,0,12)\nLine 1 2 3 4\n  Pen (1,2,0)\nPline 2\n1 2\n3 4\n  Pen (1,2,0)\n  Smooth\n\
            PLINE MULTIPLE 2\n2\n1 2\n3 4\n2\n-1 2\n.5 4\nRegion 2\n3\n1 2\n3 4\n5 6\n3\n1 2\n3 4\n5 6\n  Center 1 2\n\
            Multipoint 2\n1 2\n3 4\nText \"Pline 7\"\n1 2 3 4\n  Font (\"Arial\",0,0,0)\nArc 1 2 3 4\n0 90\nRoundrect 1 2 3 4\n5\n\
            Collection 2\nRegion 1\n3\n1 2\n3 4\n5 6\nMultipoint 1\n1 2\nEllipse 1 2 3 4\nPLINE\n2\n1 2\n3 4\n";
        assert_eq!(of(all), (13, None, None));
        assert_eq!(of(""), (0, None, None));
    }

    #[test]
    fn what_is_cut_short_or_misspelt_is_seen() {
        assert_eq!(of("Pline 3\n1 2\n3 4\n"), (1, Some(6), None));
        assert_eq!(
            of("Pline 3\n1 2\n3 4\n  Pen (1,2,0)\nNone\n"),
            (2, Some(6), None)
        );
        assert_eq!(of("Region 2\n3\n1 2\n3 4\n5 6\n"), (1, Some(6), None));
        assert_eq!(
            of("Collection 2\nRegion 1\n3\n1 2\n3 4\n5 6\n"),
            (1, Some(6), None)
        );
        assert_eq!(
            of("Pl1ne 1 2 3 4\nNone\n"),
            (1, None, Some("Pl1ne".to_owned()))
        );
    }
}
