//! Data as scripts.

use std::borrow::Cow;

use crate::model::shown;

/// JSON text that stays data wherever a script may stand: no `<`, so that no text ends a script element or begins a
/// comment, no line ends that older engines take for their own, and nothing that steers whoever looks at the file.
pub fn safe(json: &str) -> Cow<'_, str> {
    let json = shown::json(json);
    if !json.contains('<') {
        return json;
    }
    // It stands in strings only, where JSON takes escapes.
    Cow::Owned(json.replace('<', "\\u003c"))
}

/// Rounded to so many decimals, which keeps data files small; None for what is not finite.
pub fn rounded(value: f64, decimals: i32) -> Option<f64> {
    let scale = 10f64.powi(decimals);
    let rounded = (value * scale).round() / scale;
    // A zero without sign: `-0` would be a byte that says nothing.
    rounded.is_finite().then_some(rounded + 0.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_in_a_text_ends_a_script() {
        let hostile = "</script><!--\u{2028}'\"\\";
        let json = serde_json::to_string(hostile).unwrap();
        let safe = safe(&json);
        assert!(!safe.contains(['<', '\u{2028}']));
        assert_eq!(serde_json::from_str::<String>(&safe).unwrap(), hostile);
    }

    #[test]
    fn numbers_are_rounded() {
        assert_eq!(rounded(1.23456, 2), Some(1.23));
        assert_eq!(rounded(f64::NAN, 2), None);
        assert_eq!(serde_json::to_string(&rounded(-0.0001, 2)).unwrap(), "0.0");
    }
}
