//! Intervals whose ends say which side they belong to, as codes print them: `> 5 m and <= 20 m`.

use std::fmt::Write as _;

use serde::Serialize;

/// One end of an interval.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Limit {
    pub value: f64,
    /// Whether the limit itself belongs to the interval.
    pub included: bool,
}

/// An interval of numbers; a missing end is unbounded.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize)]
pub struct Range {
    pub low: Option<Limit>,
    pub high: Option<Limit>,
}

impl Range {
    pub fn contains(&self, value: f64) -> bool {
        let above = self
            .low
            .is_none_or(|low| value > low.value || (low.included && value == low.value));
        let below = self
            .high
            .is_none_or(|high| value < high.value || (high.included && value == high.value));
        above && below && !value.is_nan()
    }

    pub fn is_empty(&self) -> bool {
        match (self.low, self.high) {
            (Some(low), Some(high)) => {
                low.value > high.value
                    || (low.value == high.value && !(low.included && high.included))
            }
            _ => false,
        }
    }

    /// Reads one comparison, or two joined by `and`; `number` reads what stands after the sign.
    ///
    /// # Errors
    /// When a comparison has no sign, two of them bound the same side, or nothing can lie between them.
    pub fn parse(
        text: &str,
        number: impl Fn(&str) -> Result<f64, String>,
    ) -> Result<Range, String> {
        let mut range = Range::default();
        for comparison in text.split(" and ") {
            let comparison = comparison.trim();
            let signs = [
                (">=", true, true),
                ("<=", false, true),
                (">", true, false),
                ("<", false, false),
            ];
            let Some((rest, low, included)) = signs.iter().find_map(|&(sign, low, included)| {
                Some((comparison.strip_prefix(sign)?, low, included))
            }) else {
                return Err(format!(
                    "`{comparison}` has no sign; write for example \"> 5 m and <= 20 m\""
                ));
            };
            let limit = Limit {
                value: number(rest.trim())?,
                included,
            };
            let end = if low { &mut range.low } else { &mut range.high };
            if end.replace(limit).is_some() {
                let side = if low { "lower" } else { "upper" };
                return Err(format!("`{text}` has two {side} limits"));
            }
        }
        if range.is_empty() {
            return Err(format!("nothing can be `{text}`"));
        }
        Ok(range)
    }

    /// The words `parse` reads; `number` writes a limit.
    pub fn show(&self, number: impl Fn(f64) -> String) -> String {
        let mut out = String::new();
        if let Some(low) = self.low {
            let _ = write!(
                out,
                "{} {}",
                if low.included { ">=" } else { ">" },
                number(low.value)
            );
        }
        if let Some(high) = self.high {
            if !out.is_empty() {
                out.push_str(" and ");
            }
            let _ = write!(
                out,
                "{} {}",
                if high.included { "<=" } else { "<" },
                number(high.value)
            );
        }
        if out.is_empty() {
            out.push_str("any");
        }
        out
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn range(text: &str) -> Result<Range, String> {
        Range::parse(text, |number| {
            number.parse().map_err(|_| format!("`{number}`"))
        })
    }

    #[test]
    fn limits_belong_to_the_side_that_is_written() {
        let between = range("> 25 and < 35").unwrap();
        assert!(!between.contains(25.0) && between.contains(25.0 + 1e-12));
        assert!(!between.contains(35.0) && between.contains(35.0 - 1e-12));
        let closed = range(">= 35 and <= 50").unwrap();
        assert!(closed.contains(35.0) && closed.contains(50.0) && !closed.contains(50.0 + 1e-12));
        assert!(range("< 15").unwrap().contains(-1e300));
        assert!(!range("< 15").unwrap().contains(f64::NAN));
    }

    #[test]
    fn what_can_not_be_meant_is_refused() {
        for bad in [
            "5",
            "> 5 and > 6",
            "> 5 and < 5",
            "> 5 and < 4",
            "=> 5",
            "",
            "> five",
        ] {
            assert!(range(bad).is_err(), "{bad}");
        }
        assert!(range(">= 5 and <= 5").is_ok());
    }

    proptest::proptest! {
        #[test]
        fn shown_ranges_read_back(low in -100i32..100, width in 0i32..50, a: bool, b: bool) {
            let limit = |value: i32, included| Some(Limit { value: f64::from(value), included });
            let written = Range { low: limit(low, a), high: limit(low + width + 1, b) };
            let shown = written.show(|value| value.to_string());
            proptest::prop_assert_eq!(range(&shown).unwrap(), written);
        }
    }
}
