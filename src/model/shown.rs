//! Text for people's eyes: what an id or a file name holds must neither steer a terminal nor break a line.

use std::borrow::Cow;

/// Controls, line ends, and marks that turn the direction of reading around.
pub fn steers(letter: char) -> bool {
    match letter {
        '\u{61c}'
        | '\u{200e}'
        | '\u{200f}'
        | '\u{2028}'..='\u{202e}'
        | '\u{2066}'..='\u{2069}'
        | '\u{feff}' => true,
        _ => letter.is_control(),
    }
}

/// The line feed and the tab of our own words stay.
fn steers_words(letter: char) -> bool {
    !matches!(letter, '\n' | '\t') && steers(letter)
}

/// Words of several lines in which such signs are written out, `\u{1b}`.
pub fn words(text: &str) -> Cow<'_, str> {
    escaped(text, steers_words, |letter| {
        letter.escape_unicode().to_string()
    })
}

/// One line: its own line ends and tabs are written out as well.
pub fn line(text: &str) -> Cow<'_, str> {
    escaped(text, steers, |letter| letter.escape_unicode().to_string())
}

/// JSON text of the same meaning in which they are escapes; they stand in its strings only.
pub fn json(text: &str) -> Cow<'_, str> {
    escaped(text, steers_words, |letter| {
        format!("\\u{:04x}", u32::from(letter))
    })
}

fn escaped(
    text: &str,
    is_wanted: impl Fn(char) -> bool,
    escape: impl Fn(char) -> String,
) -> Cow<'_, str> {
    if !text.contains(&is_wanted) {
        return Cow::Borrowed(text);
    }
    let mut shown = String::with_capacity(text.len() + 16);
    for letter in text.chars() {
        if is_wanted(letter) {
            shown.push_str(&escape(letter));
        } else {
            shown.push(letter);
        }
    }
    Cow::Owned(shown)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_steers_a_terminal_is_written_out() {
        assert_eq!(words("B-12\n\tplain"), "B-12\n\tplain");
        assert_eq!(line("B-12\n\tplain"), "B-12\\u{a}\\u{9}plain");
        assert_eq!(line("forêt, 林班七"), "forêt, 林班七");
        assert_eq!(
            words("\u{1b}[2J\u{9b}1m\r\u{202e}"),
            "\\u{1b}[2J\\u{9b}1m\\u{d}\\u{202e}"
        );
    }

    #[test]
    fn json_keeps_its_meaning() {
        let hostile = "\u{1b}[2J\u{9b}1m\u{7f}\u{202e}é";
        let text = serde_json::to_string(hostile).unwrap();
        let shown = json(&text);
        assert!(!shown.contains(steers));
        assert_eq!(serde_json::from_str::<String>(&shown).unwrap(), hostile);
    }
}
