//! File names for ids.

use std::fmt::Write as _;

use sha2::{Digest, Sha256};

/// Names that some systems keep for devices, whatever the extension.
const RESERVED: [&str; 22] = [
    "CON", "PRN", "AUX", "NUL", "COM1", "COM2", "COM3", "COM4", "COM5", "COM6", "COM7", "COM8",
    "COM9", "LPT1", "LPT2", "LPT3", "LPT4", "LPT5", "LPT6", "LPT7", "LPT8", "LPT9",
];
const LONGEST: usize = 100;
const KEPT_OF_LONG: usize = 60;

/// A file name without extension for an id: at most 100 characters of `A-Z a-z 0-9 - + _`, different for different ids
/// even where the file system ignores case, and never a reserved name.
///
/// Digits, capitals and inner hyphens stand for themselves, so that `B-12` stays `B-12`. A `+` switches to small letters
/// and back (`Block` becomes `B+lock`); any other byte of the UTF-8 text is `_` and two hexadecimal digits. What is too
/// long keeps its beginning and ends in `_x` and half of its SHA-256.
pub fn file_stem(id: &str) -> String {
    let mut stem = String::with_capacity(id.len());
    let mut small = false;
    for (index, byte) in id.bytes().enumerate() {
        if byte.is_ascii_alphabetic() && byte.is_ascii_lowercase() != small {
            small = !small;
            stem.push('+');
        }
        if byte.is_ascii_alphanumeric() || (byte == b'-' && index > 0) {
            stem.push(char::from(byte));
        } else {
            push_escape(&mut stem, byte);
        }
    }
    if stem.is_empty() {
        return "_".to_owned();
    }
    if RESERVED.contains(&stem.as_str()) {
        let first = stem.remove(0);
        let mut escaped = String::new();
        push_escape(&mut escaped, first as u8);
        return escaped + &stem;
    }
    if stem.len() > LONGEST {
        stem.truncate(KEPT_OF_LONG);
        stem.push_str("_x");
        for byte in &Sha256::digest(id.as_bytes())[..16] {
            let _ = write!(stem, "{byte:02x}");
        }
    }
    stem
}

fn push_escape(stem: &mut String, byte: u8) {
    // Writing to a String cannot fail.
    let _ = write!(stem, "_{byte:02x}");
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeMap;

    use proptest::prelude::*;

    use super::*;

    fn is_safe(stem: &str) -> bool {
        !stem.is_empty()
            && stem.len() <= LONGEST
            && !stem.starts_with('-')
            && !RESERVED.contains(&stem.to_ascii_uppercase().as_str())
            && stem
                .bytes()
                .all(|byte| byte.is_ascii_alphanumeric() || b"-+_".contains(&byte))
    }

    #[test]
    fn usual_ids_stay_readable_and_hostile_ones_stay_in_their_folder() {
        assert_eq!(file_stem("B-12"), "B-12");
        assert_eq!(file_stem("Block 7"), "B+lock_207");
        assert_eq!(file_stem("../../etc"), "_2e_2e_2f_2e_2e_2f+etc");
        assert_eq!(file_stem("CON"), "_43ON");
        assert_eq!(file_stem(""), "_");
        for id in ["nul", "Aux", "-rf", "a\0b", "é", "a/b", "a\\b", "."] {
            assert!(is_safe(&file_stem(id)), "{id:?}: {}", file_stem(id));
        }
        assert!(is_safe(&file_stem(&"x".repeat(5000))));
    }

    proptest! {
        #[test]
        fn stems_are_safe_and_unique_without_regard_to_case(
            ids in prop::collection::btree_set("[aAbBcC01 _+xX/.-]{0,6}|\\PC{0,8}|[aA]{95,130}", 1..60)
        ) {
            let mut seen = BTreeMap::new();
            for id in &ids {
                let stem = file_stem(id);
                prop_assert!(is_safe(&stem), "{:?} -> {}", id, stem);
                if let Some(other) = seen.insert(stem.to_ascii_lowercase(), id) {
                    prop_assert!(false, "{:?} and {:?} share {}", other, id, stem);
                }
            }
        }
    }
}
