//! Text for a terminal: what an id or a file name holds must not steer it.

use std::borrow::Cow;

/// Controls, and marks that turn the direction of reading around; the line feed and the tab of our own words stay.
fn steers(letter: char) -> bool {
    match letter {
        '\n' | '\t' => false,
        '\u{61c}'
        | '\u{200e}'
        | '\u{200f}'
        | '\u{2028}'..='\u{202e}'
        | '\u{2066}'..='\u{2069}'
        | '\u{feff}' => true,
        _ => letter.is_control(),
    }
}

/// Text in which such signs are written out, `\u{1b}`.
pub fn words(text: &str) -> Cow<'_, str> {
    escaped(text, |letter| letter.escape_unicode().to_string())
}

/// JSON text of the same meaning in which they are escapes; they stand in its strings only.
pub fn json(text: &str) -> Cow<'_, str> {
    escaped(text, |letter| format!("\\u{:04x}", u32::from(letter)))
}

fn escaped(text: &str, escape: impl Fn(char) -> String) -> Cow<'_, str> {
    if !text.contains(steers) {
        return Cow::Borrowed(text);
    }
    let mut shown = String::with_capacity(text.len() + 16);
    for letter in text.chars() {
        if steers(letter) {
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
