//! Everything that is wrong with a file, not the first thing only: the file is read again without what was found wrong, until
//! nothing more is found.

use std::collections::BTreeSet;

use super::{ProjectError, Reason, Whose};
use crate::rulebook::TomlFault;
use crate::rulebook::left_out::{LeftOut, left_out};

/// A file with more faults than these is another file.
const MOST_FAULTS: usize = 50;

/// What a reader reads in the next round: the text without what was wrong, and where files are missing, which was told.
#[derive(Clone, Debug)]
pub(super) struct Round {
    pub text: String,
    /// Bytes at which missing files are named.
    pub excused: BTreeSet<usize>,
}

/// Reads a text. What comes back as an error holds every fault in the order of the file; faults that only follow from
/// another are not told.
pub(super) fn read_all<T>(
    text: &str,
    mut read: impl FnMut(&Round) -> Result<T, ProjectError>,
) -> Result<T, ProjectError> {
    let mut round = Round {
        text: text.to_owned(),
        excused: BTreeSet::new(),
    };
    let first = match read(&round) {
        Ok(value) => return Ok(value),
        Err(error) => error,
    };
    let own = first.path.clone();
    let mut found = vec![first.clone()];
    let mut seen = Seen::default();
    let mut last = first;
    // Each round tells a fault or takes something away.
    for _ in 0..4 * MOST_FAULTS {
        let Some(offset) = last
            .place
            .as_ref()
            .filter(|_| last.path == own)
            .and_then(|place| place.offset(text))
        else {
            // What is wrong in a rulebook, or with the whole, leaves nothing to take away here.
            break;
        };
        if names_a_missing_layer(&last) && round.excused.insert(offset) {
            // A name that leads nowhere is no reason to read no further.
        } else if let Some((left, what)) = left_out(&round.text, offset) {
            seen.tables |= what == LeftOut::Table;
            seen.entries |= what == LeftOut::Entry;
            seen.rules |= stands_for_rules(&last);
            round.text = filled(left, text, offset);
        } else {
            break;
        }
        last = match read(&round) {
            Ok(_) => break,
            Err(error) => error,
        };
        let is_told = found
            .iter()
            .any(|one| one.place == last.place && one.reason == last.reason);
        if !is_told && !seen.explains(&last.reason) {
            found.push(last.clone());
            if found.len() == MOST_FAULTS {
                break;
            }
        }
    }
    found.sort_by_key(|one| {
        one.place
            .as_ref()
            .map_or((usize::MAX, 0), |place| (place.line, place.column))
    });
    let mut all = found.into_iter();
    match all.next() {
        Some(mut error) => {
            error.also = all.collect();
            Err(error)
        }
        // There was one.
        None => Err(last),
    }
}

/// Keys whose values are names that other tables give.
const NAMING: [&str; 5] = ["window", "shifts", "machine", "machines", "block"];

/// What was left out so far.
#[derive(Default)]
struct Seen {
    entries: bool,
    tables: bool,
    rules: bool,
}

impl Seen {
    /// Whether a fault may be there only because something was left out.
    fn explains(&self, reason: &Reason) -> bool {
        match reason {
            Reason::Toml(TomlFault::MissingKey { .. })
            | Reason::Toml(TomlFault::Syntax(_))
            | Reason::NoRules
            | Reason::NoBlocks
            | Reason::NoSource { .. }
            | Reason::Contradiction { .. } => self.entries || self.tables,
            // Names that a table gives.
            Reason::UnknownChoice { key, .. } => self.tables && NAMING.contains(&key.as_str()),
            Reason::UnknownClass { .. } => self.rules || self.tables,
            _ => false,
        }
    }
}

fn names_a_missing_layer(error: &ProjectError) -> bool {
    matches!(
        *error.reason,
        Reason::MissingFile {
            whose: Whose::Layer(_),
            ..
        }
    )
}

fn stands_for_rules(error: &ProjectError) -> bool {
    match &*error.reason {
        Reason::UnknownPreset { .. } | Reason::Preset(_) => true,
        Reason::MissingFile { whose, .. } | Reason::NotAPlainFile { whose, .. } => {
            *whose == Whose::Rulebook
        }
        _ => false,
    }
}

/// What stands in for a value that a file cannot be read without: a frame of rules, a clock.
const FILLERS: [(&str, &str); 3] = [
    ("preset", "preset=\"bare\""),
    ("rulebook", "preset=\"bare\""),
    ("time_zone", "time_zone=\"UTC\""),
];

/// The text with a filler where the entry of the byte `offset` was left out, if it has one and there is room.
fn filled(left: String, text: &str, offset: usize) -> String {
    let line_start = text[..offset].rfind('\n').map_or(0, |at| at + 1);
    let line = text[line_start..].lines().next().unwrap_or_default();
    let key = line.split('=').next().unwrap_or_default().trim();
    let Some((_, filler)) = FILLERS.iter().find(|(own, _)| *own == key) else {
        return left;
    };
    let end = line_start + filler.len();
    let is_free = |room: &str| room.chars().all(|sign| sign == ' ');
    match left.get(line_start..end).is_some_and(is_free) {
        true => format!("{}{filler}{}", &left[..line_start], &left[end..]),
        false => left,
    }
}
