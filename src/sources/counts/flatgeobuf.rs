//! FlatGeobuf: a head with the number of features, perhaps an index, then each feature with its length
//! (<https://flatgeobuf.org>, version 3).

use std::io::{Read, Seek, SeekFrom};
use std::path::Path;

use super::{Fault, Known, le_u16, le_u32, le_u64, open, plural};

const MAGIC: [u8; 7] = *b"fgb\x03fgb";
const MAGIC_BYTES: u64 = 8;
/// Of the table that is the head.
const FEATURES_COUNT: usize = 8;
const INDEX_NODE_SIZE: usize = 9;
/// Where the head does not say.
const DEFAULT_NODE_SIZE: u16 = 16;
const NODE_BYTES: u64 = 40;
/// Longer heads are none.
const MOST_HEAD: u32 = 64 << 20;

/// # Errors
/// More or fewer features than the head says, or one that is not whole.
pub(super) fn known(path: &Path) -> Result<Known, Fault> {
    let (mut file, length) = open(path)?;
    let mut start = [0; 12];
    file.read_exact(&mut start)?;
    let head_bytes = le_u32(&start, 8).unwrap_or(0);
    if start[..7] != MAGIC || head_bytes > MOST_HEAD {
        return Ok(Known::default());
    }
    let mut head = vec![0; head_bytes as usize];
    file.read_exact(&mut head)?;
    let said = field(&head, FEATURES_COUNT)
        .and_then(|at| le_u64(&head, at))
        .unwrap_or(0);
    let node_size = field(&head, INDEX_NODE_SIZE)
        .and_then(|at| le_u16(&head, at))
        .unwrap_or(DEFAULT_NODE_SIZE);
    let short = |there: u64| {
        Fault::Differ(format!(
            "its head says {}, and {there} whole ones are in it",
            plural(said, "feature")
        ))
    };
    let index = index_bytes(said, node_size);
    let mut at = MAGIC_BYTES + 4 + u64::from(head_bytes);
    let Some(first) = index.and_then(|index| at.checked_add(index)) else {
        return Err(short(0));
    };
    if first > length {
        return Err(short(0));
    }
    at = first;
    file.seek(SeekFrom::Start(at))?;
    let mut there = 0u64;
    while at < length {
        let mut size = [0; 4];
        if length - at < 4 {
            break;
        }
        file.read_exact(&mut size)?;
        let size = u64::from(u32::from_le_bytes(size));
        if length - at - 4 < size {
            break;
        }
        file.seek_relative(i64::from(u32::try_from(size).unwrap_or(u32::MAX)))?;
        at += 4 + size;
        there += 1;
    }
    // A head without a count was written before the features were known.
    if said == 0 && at < length {
        return Err(Fault::Differ(format!(
            "{there} whole features are in it, and the next one is cut short"
        )));
    }
    if (said > 0 && there != said) || at < length {
        return Err(short(there));
    }
    Ok(Known::of(there))
}

/// Where a field of the root table lies; None where the table has none of it.
fn field(buffer: &[u8], number: usize) -> Option<usize> {
    let table = le_u32(buffer, 0)? as usize;
    let back = le_u32(buffer, table)?.cast_signed();
    let list = usize::try_from(i64::try_from(table).ok()? - i64::from(back)).ok()?;
    let entry = 4 + 2 * number;
    if entry + 2 > usize::from(le_u16(buffer, list)?) {
        return None;
    }
    match le_u16(buffer, list + entry)? {
        0 => None,
        offset => table.checked_add(usize::from(offset)),
    }
}

/// None: more than any file has.
fn index_bytes(features: u64, node_size: u16) -> Option<u64> {
    if features == 0 || node_size == 0 {
        return Some(0);
    }
    let node_size = u64::from(node_size.max(2));
    let mut level = features;
    let mut nodes = features;
    loop {
        level = level.div_ceil(node_size);
        nodes = nodes.checked_add(level)?;
        if level == 1 {
            return nodes.checked_mul(NODE_BYTES);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_index_has_a_root_above_its_leaves() {
        assert_eq!(index_bytes(0, 16), Some(0));
        assert_eq!(index_bytes(6, 0), Some(0));
        assert_eq!(index_bytes(6, 16), Some(7 * 40));
        assert_eq!(index_bytes(17, 16), Some((17 + 2 + 1) * 40));
        assert_eq!(index_bytes(1, 16), Some(2 * 40));
        assert_eq!(index_bytes(u64::MAX, 16), None);
    }

    #[test]
    fn heads_that_are_none_have_no_fields() {
        for bytes in [
            &[][..],
            &[0; 3],
            &[255; 64],
            &[4, 0, 0, 0, 255, 255, 255, 255],
        ] {
            assert_eq!(field(bytes, FEATURES_COUNT), None, "{bytes:?}");
        }
    }
}
