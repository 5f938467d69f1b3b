//! A TOML text without one of its entries, so that a reader who stopped there can go on. Blanks stand for what is left out:
//! every other byte keeps its place.

use std::ops::Range;

use toml::de::{DeTable, DeValue};

/// What was left out.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum LeftOut {
    /// One key with its value.
    Entry,
    /// A table with its header.
    Table,
}

/// Ranges of all entries that stand on lines of their own, from the begin of the line to the end of the value.
fn entries(table: &DeTable<'_>, text: &str, found: &mut Vec<Range<usize>>) {
    let is_inline = |span: Range<usize>| text[span.start..].starts_with('{');
    for (key, value) in table {
        let value_span = value.span();
        match value.get_ref() {
            DeValue::Table(inner) if !is_inline(value_span.clone()) => entries(inner, text, found),
            DeValue::Array(items)
                if items.iter().next().is_some_and(|item| {
                    matches!(item.get_ref(), DeValue::Table(_)) && !is_inline(item.span())
                }) =>
            {
                for item in items.iter() {
                    if let DeValue::Table(inner) = item.get_ref() {
                        entries(inner, text, found);
                    }
                }
            }
            _ => {
                let key = key.span().start;
                let line = text[..key].rfind('\n').map_or(0, |at| at + 1);
                found.push(line..value_span.end);
            }
        }
    }
}

/// The text without the entry that holds the byte `at`, or without the table whose header does. None: there is neither, or
/// the text is no TOML.
pub(crate) fn left_out(text: &str, at: usize) -> Option<(String, LeftOut)> {
    let document = DeTable::parse(text).ok()?;
    let mut found = Vec::new();
    entries(document.get_ref(), text, &mut found);
    if let Some(entry) = found.iter().find(|entry| entry.contains(&at)) {
        return Some((blanked(text, entry.clone()), LeftOut::Entry));
    }
    let mut offset = 0;
    let mut headers = Vec::new();
    for line in text.split_inclusive('\n') {
        let inside = found.iter().any(|entry| entry.contains(&offset));
        if line.trim_start().starts_with('[') && !inside {
            headers.push(offset);
        }
        offset += line.len();
    }
    let header = headers.iter().rposition(|header| *header <= at)?;
    let end = headers.get(header + 1).copied().unwrap_or(text.len());
    // Only a fault at the header itself is one of the whole table.
    let line = text[headers[header]..]
        .find('\n')
        .map_or(text.len(), |length| headers[header] + length);
    (at <= line).then(|| (blanked(text, headers[header]..end), LeftOut::Table))
}

fn blanked(text: &str, range: Range<usize>) -> String {
    let mut bytes = text.as_bytes().to_vec();
    for byte in &mut bytes[range] {
        if *byte != b'\n' {
            *byte = b' ';
        }
    }
    // Whole characters became blanks.
    String::from_utf8(bytes).unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;

    const TEXT: &str = "a.b = 1\n[t]\nx = { y = 1, z = 2 } # é\nlist = [\n  [1],\n  2,\n]\n[[u]]\nv = \"é\"\n[[u]]\nw = 3\n";

    fn without(word: &str) -> (String, LeftOut) {
        let (text, what) = left_out(TEXT, TEXT.find(word).unwrap()).unwrap();
        assert_eq!(text.len(), TEXT.len());
        assert!(toml::from_str::<toml::Table>(&text).is_ok(), "{text}");
        let lines: Vec<&str> = text
            .lines()
            .map(str::trim)
            .filter(|line| !line.is_empty())
            .collect();
        (lines.join("|"), what)
    }

    #[test]
    fn entries_and_tables_go_whole() {
        for (word, left, what) in [
            (
                "b = 1",
                "[t]|x = { y = 1, z = 2 } # é|list = [|[1],|2,|]|[[u]]|v = \"é\"|[[u]]|w = 3",
                LeftOut::Entry,
            ),
            (
                "z = 2",
                "a.b = 1|[t]|# é|list = [|[1],|2,|]|[[u]]|v = \"é\"|[[u]]|w = 3",
                LeftOut::Entry,
            ),
            (
                "[1]",
                "a.b = 1|[t]|x = { y = 1, z = 2 } # é|[[u]]|v = \"é\"|[[u]]|w = 3",
                LeftOut::Entry,
            ),
            (
                "\"é\"",
                "a.b = 1|[t]|x = { y = 1, z = 2 } # é|list = [|[1],|2,|]|[[u]]|[[u]]|w = 3",
                LeftOut::Entry,
            ),
            ("t]", "a.b = 1|[[u]]|v = \"é\"|[[u]]|w = 3", LeftOut::Table),
            (
                "[[u]]",
                "a.b = 1|[t]|x = { y = 1, z = 2 } # é|list = [|[1],|2,|]|[[u]]|w = 3",
                LeftOut::Table,
            ),
        ] {
            assert_eq!(without(word), (left.to_owned(), what), "{word}");
        }
        assert_eq!(left_out("a = ", 0), None);
        assert_eq!(left_out("a = 1\n", 6), None);
    }

    proptest::proptest! {
        #[test]
        fn no_text_and_no_place_stops_it(text in "[ab=\\[\\]{}\"'\né#., 1]{0,60}", at in 0..70usize) {
            if let Some((left, _)) = left_out(&text, at) {
                proptest::prop_assert_eq!(left.len(), text.len());
            }
        }
    }
}
