//! Table cells: fixed decimals, and text that no spreadsheet takes for a formula.

use std::borrow::Cow;

/// Text as a cell. Text that a spreadsheet would run as a formula gets a leading apostrophe.
pub(super) fn text(text: &str) -> Cow<'_, str> {
    match text.chars().next() {
        Some('=' | '+' | '-' | '@' | '\t' | '\r' | '\n' | '＝' | '＋' | '－' | '＠') => {
            Cow::Owned(format!("'{text}"))
        }
        _ => Cow::Borrowed(text),
    }
}

/// A number with fixed decimals; empty when there is none or it is not finite; never `-0`.
pub(super) fn number(value: Option<f64>, decimals: usize) -> String {
    let Some(value) = value.filter(|value| value.is_finite()) else {
        return String::new();
    };
    let shown = format!("{value:.decimals$}");
    match shown.strip_prefix('-') {
        Some(zero) if zero.bytes().all(|byte| matches!(byte, b'0' | b'.')) => zero.to_owned(),
        _ => shown,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn formulas_are_defused_and_numbers_are_not() {
        for formula in ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1", "＝1"] {
            assert_eq!(text(formula), format!("'{formula}"));
        }
        for plain in ["B-12", "", "1=1", "'x", "Übung"] {
            assert_eq!(text(plain), plain);
        }
        assert_eq!(number(Some(-2.71239), 3), "-2.712");
        assert_eq!(number(Some(-0.0001), 2), "0.00");
        assert_eq!(number(Some(f64::NAN), 2), "");
        assert_eq!(number(None, 2), "");
    }
}
