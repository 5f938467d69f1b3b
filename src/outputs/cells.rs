//! Table cells: fixed decimals, and text that no spreadsheet takes for a formula, no terminal for an order, and no line tool
//! for two lines.

use std::borrow::Cow;

use gdal::spatial_ref::SpatialRef;

use crate::model::shown;

const STARTS: [char; 8] = ['=', '+', '-', '@', '＝', '＋', '－', '＠'];
/// What some spreadsheets take for the end of a cell, quoted or not, where their list separator is another.
const END: char = ';';

/// Text as a cell. Controls and line ends are written out, `\u{1b}`. Where a spreadsheet would run it as a formula it gets an
/// apostrophe: at its beginning, and after each sign that may end a cell.
pub fn text(text: &str) -> Cow<'_, str> {
    match shown::line(text) {
        Cow::Borrowed(text) => defused(text),
        Cow::Owned(text) => Cow::Owned(defused(&text).into_owned()),
    }
}

fn defused(text: &str) -> Cow<'_, str> {
    let runs = |before: Option<char>, letter: char| {
        STARTS.contains(&letter) && before.is_none_or(|before| before == END)
    };
    let befores = std::iter::once(None).chain(text.chars().map(Some));
    if !befores.clone().zip(text.chars()).any(|(b, l)| runs(b, l)) {
        return Cow::Borrowed(text);
    }
    let mut defused = String::with_capacity(text.len() + 4);
    for (before, letter) in befores.zip(text.chars()) {
        if runs(before, letter) {
            defused.push('\'');
        }
        defused.push(letter);
    }
    Cow::Owned(defused)
}

/// Decimals of coordinates: a millimetre, or about that in degrees.
pub(super) fn place_decimals(srs: &SpatialRef) -> usize {
    if srs.is_geographic() { 8 } else { 3 }
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
        for formula in ["=1+1", "+1", "-1", "@SUM(A1)", "＝1"] {
            assert!(text(formula).starts_with('\''), "{formula}");
        }
        assert_eq!(text("A;=1+1;@x"), "A;'=1+1;'@x");
        for plain in ["B-12", "", "1=1", "'x", "Übung", "a; -5"] {
            assert_eq!(text(plain), plain);
        }
        assert_eq!(text("\t=1"), "\\u{9}=1");
        assert_eq!(
            text("=1\r\nB\u{1b}[2J\u{202e}\u{85}"),
            "'=1\\u{d}\\u{a}B\\u{1b}[2J\\u{202e}\\u{85}"
        );
        assert_eq!(number(Some(-2.71239), 3), "-2.712");
        assert_eq!(number(Some(-0.0001), 2), "0.00");
        assert_eq!(number(Some(f64::NAN), 2), "");
        assert_eq!(number(None, 2), "");
    }
}
