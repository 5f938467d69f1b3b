//! The definitions of classes, told by what is known of a feature.

use serde::Serialize;

use super::range::Range;
use super::values::{Area, Written};
use crate::model::{Fact, Facts};
use crate::units::{HECTARE_M2, LengthUnit, parse_length};

/// The unit in which a limit is shown.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Unit {
    Metre,
    Hectare,
    Percent,
    None,
}

impl Unit {
    /// A fact as written, in metres, square metres or as a fraction; None when it is no finite number of this unit.
    pub fn read(self, text: &str) -> Option<f64> {
        let text = text.trim();
        let value = match (self, text.strip_suffix('%')) {
            (Unit::Percent | Unit::None, Some(percent)) => {
                percent.trim().parse::<f64>().ok()? / 100.0
            }
            (Unit::Metre, _) => parse_length(text, LengthUnit::Metre).ok()?,
            (Unit::Hectare, _) => Area(Written::Text(text.to_owned())).square_metres()?,
            (Unit::Percent | Unit::None, None) => text.parse().ok()?,
        };
        value.is_finite().then_some(value)
    }

    pub fn show(self, value: f64) -> String {
        // Limits are written with few digits; the last ones of a double would only confuse.
        let short = |value: f64| format!("{}", (value * 1e6).round() / 1e6);
        match self {
            Unit::Metre => format!("{} m", short(value)),
            Unit::Hectare => format!("{} ha", short(value / HECTARE_M2)),
            Unit::Percent => format!("{} %", short(value * 100.0)),
            Unit::None => short(value),
        }
    }
}

/// What a fact must be.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Test {
    Flag(bool),
    /// Any of these words, ASCII case ignored.
    OneOf(Vec<String>),
    Range {
        range: Range,
        unit: Unit,
    },
}

/// One part of a class's definition.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Condition {
    /// A fact's name, or several joined by ` or `: a flag that is up when any of theirs is.
    pub fact: String,
    pub test: Test,
}

impl Condition {
    /// Whether the fact is as asked; None when it is not known or cannot be compared.
    pub fn holds(&self, facts: &Facts) -> Option<bool> {
        let known = || self.facts().map(|fact| self.holds_for(facts.get(fact)?));
        // One flag that is up decides for all of them; for "none is up" it decides against.
        let decisive = self.test != Test::Flag(false);
        if known().any(|one| one == Some(decisive)) {
            Some(decisive)
        } else if known().any(|one| one.is_none()) {
            None
        } else {
            Some(!decisive)
        }
    }

    /// Names of the facts that it looks at.
    pub fn facts(&self) -> impl Iterator<Item = &str> {
        self.fact.split(" or ").map(str::trim)
    }

    fn holds_for(&self, fact: &Fact) -> Option<bool> {
        match (&self.test, fact) {
            (Test::Flag(asked), Fact::Flag(known)) => Some(asked == known),
            (Test::Flag(asked), Fact::Number(number)) => Some(*asked == (*number != 0.0)),
            (Test::Flag(asked), Fact::Text(text)) => {
                let known = flag_of(text)?;
                Some(*asked == known)
            }
            (Test::OneOf(words), Fact::Text(text)) => {
                Some(words.iter().any(|w| w.eq_ignore_ascii_case(text.trim())))
            }
            (Test::OneOf(words), Fact::Number(number)) => {
                let text = number.to_string();
                Some(words.contains(&text))
            }
            (Test::Range { range, .. }, Fact::Number(number)) => Some(range.contains(*number)),
            (Test::Range { range, unit }, Fact::Text(text)) => {
                Some(range.contains(unit.read(text)?))
            }
            (Test::OneOf(_) | Test::Range { .. }, Fact::Flag(_)) => None,
        }
    }

    /// `channel > 5 m and <= 20 m`, `fish = yes`.
    pub fn show(&self) -> String {
        match &self.test {
            Test::Flag(true) => format!("{} = yes", self.fact),
            Test::Flag(false) => format!("{} = no", self.fact),
            Test::OneOf(words) => format!("{} = {}", self.fact, words.join(" or ")),
            Test::Range { range, unit } => {
                format!("{} {}", self.fact, range.show(|value| unit.show(value)))
            }
        }
    }
}

/// Reads yes and no as layers write them.
pub fn flag_of(text: &str) -> Option<bool> {
    match text.trim().to_ascii_lowercase().as_str() {
        "yes" | "y" | "true" | "t" | "1" => Some(true),
        "no" | "n" | "false" | "f" | "0" => Some(false),
        _ => None,
    }
}

/// Reads yes and no of a fact, however it is written.
pub fn flag_of_fact(fact: &Fact) -> Option<bool> {
    match fact {
        Fact::Flag(flag) => Some(*flag),
        Fact::Text(text) => flag_of(text),
        Fact::Number(number) => flag_of(&number.to_string()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_flag_of_several_facts_is_up_when_any_of_them_is() {
        let either = |asked| Condition {
            fact: "fish or community_watershed".to_owned(),
            test: Test::Flag(asked),
        };
        let facts = |flags: &[(&str, bool)]| {
            let flags = flags.iter();
            Facts(
                flags
                    .map(|&(name, flag)| (name.to_owned(), Fact::Flag(flag)))
                    .collect(),
            )
        };
        for (known, up) in [
            (vec![], None),
            (vec![("fish", true)], Some(true)),
            (vec![("community_watershed", true)], Some(true)),
            (vec![("fish", false)], None),
            (
                vec![("fish", false), ("community_watershed", true)],
                Some(true),
            ),
            (
                vec![("fish", false), ("community_watershed", false)],
                Some(false),
            ),
        ] {
            let facts = facts(&known);
            assert_eq!(either(true).holds(&facts), up, "{known:?}");
            assert_eq!(either(false).holds(&facts), up.map(|up| !up), "{known:?}");
        }
    }
}
