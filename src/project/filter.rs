//! What a filter may not hold, told from its text alone.

/// Where text in quotes of one of `quotes` was, a blank stands; the rest in small letters.
pub fn unquoted(sql: &str, quotes: &[char]) -> String {
    let mut open = None;
    let mut kept = String::with_capacity(sql.len());
    for letter in sql.chars() {
        match open {
            None if quotes.contains(&letter) => {
                open = Some(letter);
                kept.push(' ');
            }
            None => kept.push(letter.to_ascii_lowercase()),
            Some(quote) if letter == quote => open = None,
            Some(_) => {}
        }
    }
    kept
}

/// Why a filter is not one condition.
pub fn why_no_condition(filter: &str) -> Option<&'static str> {
    let words = unquoted(filter, &['\'', '"']);
    words
        .contains(';')
        .then_some("it is more than one condition: `;` ends the first")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_filter_is_one_condition() {
        for one in ["A = 1", "NAME = 'a; b'", "\"A;B\" > 2", ""] {
            assert_eq!(why_no_condition(one), None, "{one}");
        }
        for two in ["A = 1; B = 2", "A = 1;", "NAME = 'it''s'; B"] {
            assert!(why_no_condition(two).is_some(), "{two}");
        }
    }
}
