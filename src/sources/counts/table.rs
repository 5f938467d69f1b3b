//! Tables of attributes in the form of dBASE III, which Shapefiles and MapInfo tables share.

use std::io::Read;
use std::path::Path;

use super::{Fault, Known, le_u16, le_u32, name, open, plural};

const HEAD: usize = 32;
/// Ends the list of fields.
const END_OF_FIELDS: u8 = 0x0d;
const DELETED: u8 = b'*';
/// Marks of a code page that say nothing: none at all, and that of the machine it was written on.
const UNSAID: [u8; 2] = [0, 0x57];

/// Texts beyond ASCII in a table that does not say its code page.
#[derive(Clone, Debug, PartialEq)]
pub(in crate::sources) struct UnsaidTexts {
    pub texts: u64,
    /// Of the first: number of the row, from 0, and field.
    pub row: u64,
    pub field: String,
}

/// What a table holds.
#[derive(Debug, Default)]
pub(super) struct Table {
    pub rows: u64,
    pub deleted: u64,
    /// Where the table's head names no code page.
    pub unsaid: Option<UnsaidTexts>,
}

impl Table {
    pub fn known(self) -> Known {
        Known {
            records: Some(self.rows),
            deleted: self.deleted,
            unsaid: self.unsaid,
        }
    }
}

struct Field {
    name: String,
    from: usize,
    to: usize,
}

/// Counts the rows; `texts`: looks into them as well.
///
/// # Errors
/// Fewer rows than the head says.
pub(super) fn read(path: &Path, texts: bool) -> Result<Table, Fault> {
    let (mut file, length) = open(path)?;
    let mut head = [0; HEAD];
    file.read_exact(&mut head)?;
    let said = u64::from(le_u32(&head, 4).unwrap_or(0));
    let begin = u64::from(le_u16(&head, 8).unwrap_or(0));
    let wide = usize::from(le_u16(&head, 10).unwrap_or(0));
    if wide == 0 || begin < HEAD as u64 {
        return Ok(Table::default());
    }
    let there = length.saturating_sub(begin) / wide as u64;
    if there < said {
        return Err(Fault::Differ(format!(
            "the head of {} says {}, and {there} are in it",
            name(path),
            plural(said, "row")
        )));
    }
    let mut fields = vec![0; begin as usize - HEAD];
    file.read_exact(&mut fields)?;
    let looked_at = texts && UNSAID.contains(&head[29]);
    let fields = if looked_at {
        text_fields(&fields, wide)
    } else {
        vec![]
    };
    let mut table = Table {
        rows: said,
        ..Table::default()
    };
    let mut row = vec![0; wide];
    for number in 0..said {
        file.read_exact(&mut row)?;
        table.deleted += u64::from(row[0] == DELETED);
        if row.is_ascii() {
            continue;
        }
        for field in &fields {
            if row[field.from..field.to].is_ascii() {
                continue;
            }
            let first = || UnsaidTexts {
                texts: 0,
                row: number,
                field: field.name.clone(),
            };
            table.unsaid.get_or_insert_with(first).texts += 1;
        }
    }
    Ok(table)
}

fn text_fields(list: &[u8], wide: usize) -> Vec<Field> {
    let mut fields = Vec::new();
    // A row begins with the mark of deleted ones.
    let mut from = 1usize;
    for field in list.chunks_exact(32) {
        if field[0] == END_OF_FIELDS {
            break;
        }
        let text = field[11] == b'C';
        // Of a text the places behind the point are the length's higher part.
        let higher = if text { usize::from(field[17]) << 8 } else { 0 };
        let to = from + usize::from(field[16]) + higher;
        if text && to <= wide {
            let name = field[..11].split(|byte| *byte == 0).next();
            let name = String::from_utf8_lossy(name.unwrap_or_default());
            fields.push(Field {
                name: name.trim().to_owned(),
                from,
                to,
            });
        }
        from = to;
    }
    fields
}
