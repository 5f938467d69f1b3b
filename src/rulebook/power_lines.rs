//! Limits of approach to power lines, for rulebooks that name none.

use super::{RuleLine, Rulebook, Test, preset};
use crate::model::{Facts, LayerKind, RuleId};

/// The preset whose table of limits stands in.
pub const LIMITS_PRESET: &str = "bc-fppr";

/// Limit of approach to a line of higher voltage than any rule in force speaks of, m: 45 ft, which 29 CFR 1926.1408, Table A,
/// asks of cranes beside lines over 750 kV up to 1000 kV, its widest (read in the source text).
pub const BEYOND_TABLE_M: f64 = 13.716;

/// Ids of what stands for the limit of approach and for the belt in zones and tables.
pub const POWER_LINE_LIMIT: &str = RuleId::PowerLineLimit.key();
pub const POWER_LINE_BELT: &str = RuleId::PowerLineBelt.key();

impl Rulebook {
    /// Adds the limits of approach of [`LIMITS_PRESET`], unless the rulebook has lines for power lines; whether it did.
    pub fn keep_off_power_lines(&mut self) -> bool {
        let of_kind = |line: &&RuleLine| line.kind == LayerKind::PowerLines;
        if self.lines.iter().any(|line| of_kind(&line)) {
            return false;
        }
        let Ok(limits) = preset(LIMITS_PRESET) else {
            return false;
        };
        self.lines
            .extend(limits.lines.iter().filter(of_kind).cloned());
        true
    }

    /// The highest voltage that any line speaks of, kV; None: one has no upper end, or none speaks of voltages.
    pub fn highest_kv(&self) -> Option<f64> {
        let lines = self
            .lines
            .iter()
            .filter(|line| line.kind == LayerKind::PowerLines);
        let mut highest = None;
        for condition in lines.flat_map(|line| &line.when) {
            if let Test::Range { range, .. } = &condition.test
                && condition.fact == Facts::VOLTAGE_KV
            {
                let high = range.high?.value;
                highest = Some(highest.map_or(high, |held: f64| held.max(high)));
            }
        }
        highest
    }
}

#[cfg(test)]
mod tests {
    use super::super::{Channel, Match, preset_names};
    use super::*;
    use crate::model::Fact;

    fn limit_m(rules: &Rulebook, kv: Option<f64>) -> (f64, bool) {
        let facts = kv.map(|kv| (Facts::VOLTAGE_KV.to_owned(), Fact::Number(kv)));
        let facts = Facts(facts.into_iter().collect());
        match rules.find(LayerKind::PowerLines, None, &facts, Channel::None) {
            Match::Line(line) | Match::Derived(line) => (line.widest().reserve_m, true),
            Match::Assumed(line) => (line.widest().reserve_m, false),
            Match::None => panic!("no line"),
        }
    }

    /// The rows of the published table, ends included; what nobody knows, and what lies outside it, takes the widest.
    #[test]
    fn every_rulebook_has_the_published_limits() {
        for name in preset_names() {
            let mut rules = preset(name).unwrap();
            let added = rules.keep_off_power_lines();
            assert_eq!(added, name != LIMITS_PRESET, "{name}");
            for (kv, metres) in [
                (0.751, 3.0),
                (25.0, 3.0),
                (75.0, 3.0),
                (75.1, 4.5),
                (138.0, 4.5),
                (250.0, 4.5),
                (287.0, 6.0),
                (550.0, 6.0),
            ] {
                assert_eq!(limit_m(&rules, Some(kv)), (metres, true), "{name}, {kv} kV");
            }
            for kv in [None, Some(0.4), Some(765.0)] {
                assert_eq!(limit_m(&rules, kv), (6.0, false), "{name}, {kv:?}");
            }
            assert_eq!(rules.highest_kv(), Some(550.0));
        }
    }
}
