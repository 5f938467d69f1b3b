//! File names for ids: readable, and different for different ids.

use std::collections::{BTreeMap, BTreeSet};

use sha2::{Digest, Sha256};

/// Names that some systems keep for devices, whatever follows after a point.
const DEVICES: [&str; 22] = [
    "con", "prn", "aux", "nul", "com1", "com2", "com3", "com4", "com5", "com6", "com7", "com8",
    "com9", "lpt1", "lpt2", "lpt3", "lpt4", "lpt5", "lpt6", "lpt7", "lpt8", "lpt9",
];
/// Names of files that stand for all blocks.
const OF_ALL: [&str; 1] = ["all"];
const LONGEST: usize = 100;
const KEPT_OF_LONG: usize = 60;

/// File names without their ending, for the ids of one run: letters without accents, digits, `.`, `-` and `_`, at most 100
/// signs, and different for different ids even where the file system ignores case.
///
/// An id that is such a name already is kept as it is (`B-12`, `Block_7`). In others accents go and letters of other scripts
/// are spelt, and any run of other signs becomes one `_`: `WS 2` gives `WS_2`. Where the name belongs to another id, or some
/// of a long one had to go, `_x` and the beginning of the id's SHA-256 follow.
#[derive(Clone, Debug, Default)]
pub struct FileNames {
    given: BTreeMap<String, String>,
    /// Without regard to case.
    taken: BTreeSet<String>,
}

impl FileNames {
    /// Names for these ids, in their order: those that are names already come first.
    pub fn of<'i>(ids: impl IntoIterator<Item = &'i str>) -> FileNames {
        let mut names = FileNames::default();
        let (kept, others): (Vec<&str>, Vec<&str>) =
            ids.into_iter().partition(|id| readable(id) == **id);
        for id in kept.into_iter().chain(others) {
            names.stem(id);
        }
        names
    }

    /// The name for an id; one that was not known before gets its own now.
    pub fn stem(&mut self, id: &str) -> String {
        if let Some(stem) = self.given.get(id) {
            return stem.clone();
        }
        let readable = readable(id);
        let sum = format!("{:x}", Sha256::digest(id.as_bytes()));
        let begins = &readable[..readable.len().min(KEPT_OF_LONG)];
        let marked = [8, 32, sum.len()].map(|digits| format!("{begins}_x{}", &sum[..digits]));
        let whole = readable.len() <= LONGEST && !readable.is_empty();
        let mut candidates = whole.then(|| readable.clone()).into_iter().chain(marked);
        // The last is of all of the sum: nobody has two ids of one sum.
        let is_free = |stem: &String| !self.taken.contains(&stem.to_ascii_lowercase());
        let stem = candidates.find(is_free).unwrap_or(sum);
        self.taken.insert(stem.to_ascii_lowercase());
        self.given.insert(id.to_owned(), stem.clone());
        stem
    }
}

/// The name for an id that no other one competes with.
pub fn file_stem(id: &str) -> String {
    FileNames::default().stem(id)
}

/// An id as letters, digits, `.`, `-` and `_`; empty where nothing of it can be read, and too long where it is long.
fn readable(id: &str) -> String {
    let mut stem = String::with_capacity(id.len());
    let mut gap = false;
    for letter in id.chars() {
        let spelt = if letter.is_ascii() {
            None
        } else {
            deunicode::deunicode_char(letter)
        };
        let mut buffer = [0; 4];
        let signs = spelt.unwrap_or_else(|| letter.encode_utf8(&mut buffer));
        for sign in signs.chars() {
            let plain = sign.is_ascii_alphanumeric() || matches!(sign, '-' | '_' | '.');
            // Hyphens and points neither begin a name nor, points, stand two together: options and folders do.
            let leads = matches!(sign, '-' | '.') && (stem.is_empty() || stem.ends_with('.'));
            if !plain || leads {
                gap = true;
                continue;
            }
            if gap && !stem.is_empty() {
                stem.push('_');
            }
            gap = false;
            stem.push(sign);
        }
    }
    stem.truncate(stem.trim_end_matches('.').len());
    let first = stem
        .split('.')
        .next()
        .unwrap_or_default()
        .to_ascii_lowercase();
    if DEVICES.contains(&first.as_str()) || OF_ALL.contains(&stem.to_ascii_lowercase().as_str()) {
        stem.insert(0, '_');
    }
    stem
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn is_safe(stem: &str) -> bool {
        let first = stem.split('.').next().unwrap().to_ascii_lowercase();
        !stem.is_empty()
            && stem.len() <= LONGEST
            && !stem.starts_with(['-', '.'])
            && !stem.ends_with('.')
            && !stem.contains("..")
            && !DEVICES.contains(&first.as_str())
            && !stem.eq_ignore_ascii_case("all")
            && stem
                .bytes()
                .all(|byte| byte.is_ascii_alphanumeric() || b"-_.".contains(&byte))
    }

    #[test]
    fn usual_ids_stay_as_they_are_and_others_can_be_read() {
        for id in ["B-12", "Block_7", "b-7", "12.3", "D07-0012", "WS2"] {
            assert_eq!(file_stem(id), id);
        }
        for (id, stem) in [
            ("WS 2", "WS_2"),
            ("Block 7 / north", "Block_7_north"),
            ("Forêt n° 3", "Foret_ndeg_3"),
            ("../../etc", "etc"),
            ("CON", "_CON"),
            ("com1.txt", "_com1.txt"),
            ("All", "_All"),
            ("-rf", "rf"),
            ("B.", "B"),
            ("a..b", "a._b"),
        ] {
            assert_eq!(file_stem(id), stem);
        }
        for id in ["", "///", ".", "nul", "a\0b", "é", "a\\b", "林班七"] {
            assert!(is_safe(&file_stem(id)), "{id:?}: {}", file_stem(id));
        }
        assert!(is_safe(&file_stem(&"x".repeat(5000))));
    }

    #[test]
    fn a_name_is_kept_for_the_id_that_is_that_name() {
        let mut names = FileNames::of(["WS 2", "ws-1", "WS-1", "WS_2"]);
        assert_eq!(names.stem("WS_2"), "WS_2");
        assert_eq!(names.stem("ws-1"), "ws-1");
        // SHA-256 of `WS 2` and `WS-1` as coreutils' sha256sum gives it.
        assert_eq!(names.stem("WS 2"), "WS_2_x9301a9e7");
        assert_eq!(names.stem("WS-1"), "WS-1_x8bdb671a");
    }

    proptest! {
        #[test]
        fn stems_are_safe_and_unique_without_regard_to_case(
            ids in prop::collection::btree_set("[aAbBcC01 _+xX/.-]{0,6}|\\PC{0,8}|[aA]{95,130}", 1..60),
            known in 0..60usize,
        ) {
            let mut names = FileNames::of(ids.iter().take(known).map(String::as_str));
            let mut seen = BTreeMap::new();
            for id in &ids {
                let stem = names.stem(id);
                prop_assert!(is_safe(&stem), "{:?} -> {}", id, stem);
                prop_assert_eq!(&stem, &names.stem(id));
                if let Some(other) = seen.insert(stem.to_ascii_lowercase(), id) {
                    prop_assert!(false, "{:?} and {:?} share {}", other, id, stem);
                }
            }
        }
    }
}
