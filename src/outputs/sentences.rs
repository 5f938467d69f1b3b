//! Sentences said in one language, in another: matched as templates, with what stands in their gaps kept or, where it is such a
//! sentence itself, translated in its turn.

use super::text::fill;

/// A sentence and its translation; `{}` is anything, in the same order in both.
pub type Pair = (&'static str, &'static str);

/// How deep a sentence may stand in another.
const DEEPEST: u32 = 4;

/// The translation by the first pair that fits, `plain` being what becomes of a gap that is no sentence. None: no pair fits.
pub fn translated(pairs: &[Pair], sentence: &str, plain: fn(&str) -> String) -> Option<String> {
    deep(pairs, sentence, plain, 0)
}

fn deep(pairs: &[Pair], sentence: &str, plain: fn(&str) -> String, depth: u32) -> Option<String> {
    pairs.iter().find_map(|(from, to)| {
        let gaps = gaps(sentence, from)?;
        let told: Vec<String> = gaps
            .iter()
            .map(|gap| {
                let inner = (depth < DEEPEST).then(|| deep(pairs, gap, plain, depth + 1));
                inner.flatten().unwrap_or_else(|| plain(gap))
            })
            .collect();
        let told: Vec<&str> = told.iter().map(String::as_str).collect();
        Some(fill(to, &told))
    })
}

/// What stands in the gaps of a template; None where the sentence is none of it. Each gap is as short as it can be, the last as
/// long.
fn gaps<'s>(sentence: &'s str, template: &str) -> Option<Vec<&'s str>> {
    let mut pieces = template.split("{}");
    let mut rest = sentence.strip_prefix(pieces.next()?)?;
    let pieces: Vec<&str> = pieces.collect();
    let mut found = Vec::new();
    for (index, piece) in pieces.iter().enumerate() {
        let last = index + 1 == pieces.len();
        let at = match (last, piece.is_empty()) {
            (true, true) => rest.len(),
            (true, false) => rest.len().checked_sub(piece.len())?,
            (false, _) => rest.find(piece)?,
        };
        let after = rest.get(at..)?.strip_prefix(piece)?;
        found.push(&rest[..at]);
        rest = after;
    }
    rest.is_empty().then_some(found)
}

/// Source text as the program has its sentences: lines of long strings joined, quotes plain.
#[cfg(test)]
pub fn joined(source: &str) -> String {
    let mut plain = String::new();
    let mut rest = source;
    while let Some((before, after)) = rest.split_once("\\\n") {
        plain += before;
        rest = after.trim_start();
    }
    (plain + rest).replace("\\\"", "\"")
}

/// Pairs have as many gaps on both sides, and apostrophes as they are printed.
#[cfg(test)]
pub fn hold_gaps(pairs: &[Pair]) {
    for (from, to) in pairs {
        let gaps = |text: &str| text.matches("{}").count();
        assert_eq!(gaps(from), gaps(to), "{from}");
        assert!(!to.contains('\''), "{to}");
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_gap_may_be_anything_but_a_template_is_whole() {
        assert_eq!(gaps("a 1 b 2", "a {} b {}"), Some(vec!["1", "2"]));
        assert_eq!(gaps("a 1 b 2 c", "a {} b {}"), Some(vec!["1", "2 c"]));
        assert_eq!(gaps("x a 1", "a {}"), None);
        assert_eq!(gaps("abc", "abc"), Some(vec![]));
        assert_eq!(gaps("abcd", "abc"), None);
    }
}
