//! Problems by their cause: one remedy for all features that have the same fault.

use std::collections::BTreeMap;

use serde_json::{Value, json};

use crate::model::Problem;

/// Ids that are named beside the first.
const NAMED: usize = 5;

/// Problems of one kind in one layer that are solved in the same way, in the order in which they were found.
pub struct Cause<'a>(Vec<&'a Problem>);

/// In the order of the first problem of each.
pub fn causes(problems: &[Problem]) -> Vec<Cause<'_>> {
    let mut found: Vec<Cause<'_>> = Vec::new();
    let mut places = BTreeMap::new();
    for problem in problems {
        // What breaks a rule is told for each, since each names another block.
        if problem.fails() {
            found.push(Cause(vec![problem]));
            continue;
        }
        let key = (
            problem.code,
            &problem.layer,
            problem.set_aside,
            &problem.remedy,
        );
        let at = *places.entry(key).or_insert_with(|| {
            found.push(Cause(Vec::new()));
            found.len() - 1
        });
        found[at].0.push(problem);
    }
    found
}

impl Cause<'_> {
    pub fn count(&self) -> usize {
        self.0.len()
    }

    pub fn json(&self) -> Value {
        let first = self.0[0];
        json!({
            "code": first.code.key(),
            "layer": first.layer,
            "set_aside": first.set_aside,
            "count": self.count(),
            "features": self.0.iter().map(|problem| &problem.feature_id).collect::<Vec<_>>(),
            "first_message": first.message,
            "remedy": first.remedy,
        })
    }

    /// As the first problem is told, with how many others there are and the ids of some.
    pub fn words(&self) -> String {
        let text = self.0[0].to_string();
        let others = &self.0[1..];
        if others.is_empty() {
            return text;
        }
        let named: Vec<&str> = others
            .iter()
            .take(NAMED)
            .map(|problem| problem.feature_id.as_str())
            .collect();
        let dots = if others.len() > NAMED { ", ..." } else { "" };
        let more = format!(
            "\n  {} more of the kind: {}{dots}",
            others.len(),
            named.join(", ")
        );
        match text.rfind("\n  hint:") {
            Some(at) => format!("{}{more}{}", &text[..at], &text[at..]),
            None => text + &more,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::ProblemCode;

    fn problem(id: &str, layer: &str, remedy: &str) -> Problem {
        Problem {
            code: ProblemCode::BadNumber,
            layer: layer.to_owned(),
            feature_id: id.to_owned(),
            place: None,
            message: format!("the width of {id} is no number"),
            remedy: remedy.to_owned(),
            shape: None,
            set_aside: false,
        }
    }

    #[test]
    fn a_thousand_of_a_kind_are_one_cause_and_none_is_lost() {
        let mut problems: Vec<Problem> = (0..1000)
            .map(|n| problem(&format!("S{n}"), "a:streams", "write a number"))
            .collect();
        problems.insert(500, problem("R1", "a:roads", "write a number"));
        problems.insert(700, problem("S1000", "a:streams", "write metres"));
        let found = causes(&problems);
        let counts: Vec<usize> = found.iter().map(Cause::count).collect();
        assert_eq!(counts, [1000, 1, 1]);
        let words = found[0].words();
        assert_eq!(words.lines().count(), 4, "{words}");
        assert!(
            words.contains("999 more of the kind: S1, S2, S3, S4, S5, ..."),
            "{words}"
        );
        assert!(words.ends_with("hint: write a number"), "{words}");
        assert_eq!(found[1].words(), problems[500].to_string());
        assert_eq!(
            found[0].json()["features"].as_array().map(Vec::len),
            Some(1000)
        );
    }
}
