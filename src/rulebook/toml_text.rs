//! Where in a TOML text something is wrong, and what the reader of the message meant instead.

use std::fmt;
use std::ops::Range;

use serde::de::DeserializeOwned;

/// A place in a text file with the line it stands on, shown with a row of carets below.
#[derive(Clone, Debug, PartialEq, Eq, serde::Serialize)]
pub struct Place {
    /// Counted from 1.
    pub line: usize,
    /// In characters, counted from 1.
    pub column: usize,
    excerpt: String,
    #[serde(skip)]
    before: usize,
    #[serde(skip)]
    marked: usize,
}

/// Longest part of a source line that a message repeats, in characters.
const EXCERPT_CHARS: usize = 100;

impl Place {
    /// The place of a byte range; a range past the end points at the end.
    pub fn of(text: &str, span: Range<usize>) -> Place {
        let start = floor_char_boundary(text, span.start);
        let end = floor_char_boundary(text, span.end).max(start);
        let line_start = text[..start].rfind('\n').map_or(0, |at| at + 1);
        let line_end = text[start..].find('\n').map_or(text.len(), |at| start + at);
        let content = text[line_start..line_end].trim_end_matches('\r');
        let column = text[line_start..start].chars().count();
        let marked = text[start..end.min(line_end)].chars().count().max(1);
        // A long line is shown from a little before the fault on.
        let skipped = if column >= EXCERPT_CHARS {
            column - EXCERPT_CHARS / 4
        } else {
            0
        };
        let excerpt: String = content
            .chars()
            .skip(skipped)
            .take(EXCERPT_CHARS)
            // Tabs would shift the carets, other control characters could play tricks on a terminal.
            .map(|c| if c.is_control() { ' ' } else { c })
            .collect();
        let before = column - skipped;
        let room = excerpt.chars().count().saturating_sub(before).max(1);
        Place {
            line: text[..line_start].matches('\n').count() + 1,
            column: column + 1,
            excerpt: excerpt.trim_end().to_owned(),
            before,
            marked: marked.min(room),
        }
    }
}

impl Place {
    /// The byte of a text at this place; None where it has no such line.
    pub(crate) fn offset(&self, text: &str) -> Option<usize> {
        let line = text.split_inclusive('\n').nth(self.line - 1);
        let before: usize = text
            .split_inclusive('\n')
            .take(self.line - 1)
            .map(str::len)
            .sum();
        let line = line.unwrap_or_default();
        let within = line
            .char_indices()
            .nth(self.column - 1)
            .map_or(line.len(), |(at, _)| at);
        (before <= text.len()).then_some(before + within)
    }
}

impl fmt::Display for Place {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let number = self.line.to_string();
        let gutter = " ".repeat(number.len());
        let indent = " ".repeat(self.before);
        let carets = "^".repeat(self.marked);
        writeln!(f, "{gutter} |")?;
        writeln!(f, "{number} | {}", self.excerpt)?;
        write!(f, "{gutter} | {indent}{carets}")
    }
}

fn floor_char_boundary(text: &str, at: usize) -> usize {
    let mut at = at.min(text.len());
    while !text.is_char_boundary(at) {
        at -= 1;
    }
    at
}

/// What the TOML reader found, before anything is known about the meaning of the keys.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum TomlFault {
    #[error("{0}")]
    Syntax(String),
    #[error("unknown key `{key}`")]
    UnknownKey { key: String, valid: Vec<String> },
    #[error("key `{key}` is missing here")]
    MissingKey { key: String },
    #[error("{0}")]
    WrongType(String),
}

impl TomlFault {
    pub fn code(&self) -> &'static str {
        match self {
            TomlFault::Syntax(_) => "syntax",
            TomlFault::UnknownKey { .. } => "unknown-key",
            TomlFault::MissingKey { .. } => "missing-key",
            TomlFault::WrongType(_) => "wrong-type",
        }
    }

    pub fn hint(&self) -> String {
        match self {
            TomlFault::Syntax(_) => "the file must be TOML 1.0, see https://toml.io".to_owned(),
            TomlFault::UnknownKey { key, valid } => did_you_mean(key, valid),
            TomlFault::MissingKey { key } => format!("add `{key} = ...` to this table"),
            TomlFault::WrongType(_) => "write the value in the form that is expected".to_owned(),
        }
    }
}

/// Reads `T`; on failure says what is wrong and at which bytes.
pub fn read<T: DeserializeOwned>(text: &str) -> Result<T, (TomlFault, Option<Range<usize>>)> {
    let document = toml::Deserializer::parse(text)
        .map_err(|error| (TomlFault::Syntax(error.message().to_owned()), error.span()))?;
    T::deserialize(document).map_err(|error| (classify(error.message()), error.span()))
}

/// serde hands on unknown and missing fields only as English sentences with names in backticks.
fn classify(message: &str) -> TomlFault {
    if let Some(rest) = message.strip_prefix("unknown field `") {
        // The key itself may hold backticks, the list of valid keys never does.
        let (key, list) = rest
            .rsplit_once("`, expected ")
            .or_else(|| rest.rsplit_once("`, there are no fields"))
            .unwrap_or((rest, ""));
        let valid = list.split('`').skip(1).step_by(2).map(str::to_owned);
        return TomlFault::UnknownKey {
            key: key.to_owned(),
            valid: valid.collect(),
        };
    }
    if let Some(key) = message.strip_prefix("missing field `") {
        return TomlFault::MissingKey {
            key: key.trim_end_matches('`').to_owned(),
        };
    }
    TomlFault::WrongType(message.to_owned())
}

/// The candidate most like `word`, if any is close enough to be meant.
pub fn nearest<'a, S: AsRef<str>>(word: &str, candidates: &'a [S]) -> Option<&'a str> {
    let word = word.to_lowercase();
    candidates
        .iter()
        .map(|candidate| candidate.as_ref())
        .map(|candidate| {
            let likeness = strsim::jaro_winkler(&word, &candidate.to_lowercase());
            (candidate, likeness)
        })
        .filter(|(_, likeness)| *likeness >= 0.75)
        // `max_by` keeps the last of equals; the first is wanted.
        .rev()
        .max_by(|a, b| a.1.total_cmp(&b.1))
        .map(|(candidate, _)| candidate)
}

/// `did you mean ...?` with everything that is valid.
pub fn did_you_mean<S: AsRef<str>>(word: &str, valid: &[S]) -> String {
    let list = valid
        .iter()
        .map(|name| format!("`{}`", name.as_ref()))
        .collect::<Vec<_>>()
        .join(", ");
    match nearest(word, valid) {
        Some(near) => format!("did you mean `{near}`? valid here: {list}"),
        None if valid.is_empty() => "nothing is valid here; remove it".to_owned(),
        None => format!("valid here: {list}"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn carets_stand_below_the_fault() {
        let text = "a = 1\nä = \"wörd\" # x\r\n";
        let start = text.find("wörd").unwrap();
        let place = Place::of(text, start..start + "wörd".len());
        assert_eq!((place.line, place.column), (2, 6));
        assert_eq!(
            place.to_string(),
            "  |\n2 | ä = \"wörd\" # x\n  |      ^^^^"
        );
    }

    #[test]
    fn places_at_and_past_the_end_are_shown() {
        assert_eq!(Place::of("", 0..0).to_string(), "  |\n1 | \n  | ^");
        assert_eq!(Place::of("a = ", 90..99).line, 1);
        let long = format!("k = \"{}\" x", "y".repeat(5000));
        let place = Place::of(&long, 5007..5008);
        assert_eq!(place.column, 5008);
        assert!(place.to_string().len() < 200);
    }

    #[test]
    fn control_characters_are_not_repeated() {
        let shown = Place::of("\u{1b}[31mred", 0..1).to_string();
        assert!(!shown.contains('\u{1b}'));
    }

    proptest::proptest! {
        #[test]
        fn every_range_of_every_text_has_a_place(text in "[ab=\\[\"é\t\r\n]{0,60}", start in 0..70usize, length in 0..30usize) {
            let place = Place::of(&text, start..start + length);
            let line = text.split('\n').nth(place.line - 1);
            proptest::prop_assert!(line.is_some_and(|line| place.column <= line.chars().count() + 1));
            proptest::prop_assert_eq!(place.to_string().lines().count(), 3);
        }
    }

    #[test]
    fn nearest_finds_a_slip_of_the_pen() {
        let keys = ["reserve", "management", "source"];
        assert_eq!(nearest("reserv", &keys), Some("reserve"));
        assert_eq!(nearest("Sourse", &keys), Some("source"));
        assert_eq!(nearest("zzz", &keys), None);
    }

    #[test]
    fn unknown_keys_are_told_from_other_faults() {
        #[derive(Debug, serde::Deserialize)]
        #[serde(deny_unknown_fields)]
        struct Table {
            #[allow(dead_code)]
            reach: f64,
        }
        let (fault, span) = read::<Table>("rea`ch = 1").unwrap_err();
        assert_eq!(fault.code(), "syntax", "{fault} {span:?}");
        let (fault, span) = read::<Table>("\"re`ch\" = 1").unwrap_err();
        assert!(
            matches!(&fault, TomlFault::UnknownKey { key, valid } if key == "re`ch" && valid == &["reach"])
        );
        assert_eq!(span, Some(0..7));
        assert_eq!(read::<Table>("").unwrap_err().0.code(), "missing-key");
        assert_eq!(
            read::<Table>("reach = true").unwrap_err().0.code(),
            "wrong-type"
        );
    }
}
