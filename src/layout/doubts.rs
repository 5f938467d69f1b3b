//! Says aloud what had to be assumed about a feature whose widths decide something in a block.

use geo::{Coord, Geometry, Point};

use super::zones::Outline;
use crate::geometry::area::rings;
use crate::geometry::buffer::Source;
use crate::landbase::{NearFeature, Slopes};
use crate::model::*;
use crate::rulebook::{Condition, ReadStatus, RuleLine, Test};

pub fn say(findings: &mut Vec<Finding>, near: &NearFeature, slopes: &Slopes, outline: &Outline) {
    let feature = near.feature;
    let demand = &near.demand;
    let barrier = match near.barrier() {
        Some((_, barrier_m)) => {
            format!("; nothing is cut or driven within {barrier_m} m of the line")
        }
        None => String::new(),
    };
    let Some(rule) = demand.rule else {
        findings.push(Finding {
            rule_id: format!("{}-unruled", feature.kind.key()),
            verdict: Verdict::Unknown,
            measured: None,
            required: None,
            unit: "m",
            message: format!(
                "{}, feature {}: the rulebook has no line for {}; only the feature itself is kept{barrier}",
                feature.source_layer,
                feature.id,
                feature.kind.key()
            ),
            source: String::new(),
            shape: place(&near.source),
        });
        return;
    };
    let who = format!("{}, feature {}", feature.source_layer, feature.id);
    let mut doubts = Doubts {
        findings,
        near,
        rule,
        who: &who,
    };
    if demand.assumed {
        let class = feature.class.as_deref().unwrap_or("none");
        doubts.add(
            Verdict::Unknown,
            &format!(
                "class {class} is not in the rulebook; the widest line, {}, stands in",
                rule.class
            ),
        );
    }
    if let Some(other) = demand.contradicted_by {
        doubts.add(
            Verdict::Warn,
            &format!(
                "class {} is given, but {} makes it {} by the rulebook's own definition; the class given stands",
                rule.class,
                facts_against(rule, other, &feature.facts),
                other.class
            ),
        );
    }
    if demand.half_assumed && !demand.half_at_least {
        doubts.add(
            Verdict::Warn,
            &format!(
                "no channel width; half of the class's widest channel, {} m, stands in{barrier}",
                demand.half_m
            ),
        );
    } else if demand.half_assumed {
        doubts.add(
            Verdict::Unknown,
            &format!(
                "no channel width, and class {} sets no limit; measured from the line{barrier}",
                rule.class
            ),
        );
    }
    if demand.fringe_unknown {
        doubts.add(
            Verdict::Warn,
            "where the first trees stand is not known: measured from the bank",
        );
    }
    if rule.citation.status == ReadStatus::FromMemory {
        doubts.add(
            Verdict::Warn,
            &format!(
                "the width of class {} is known from memory only",
                rule.class
            ),
        );
    }
    let owes_a_share = rule.management_share > 0.0 && rule.widest().management_m > 0.0;
    if owes_a_share && rule.share_source().status == ReadStatus::FromMemory {
        doubts.share(&format!(
            "the share of the management zone of class {}, {} %, is known from memory only",
            rule.class,
            (rule.management_share * 1e6).round() / 1e4
        ));
    }
    if let Some(unknown) = &near.slope_unknown
        && outline.within(unknown, demand.half_m + rule.widest().reach_m())
    {
        let fault = slopes.fault.as_ref();
        let why = fault.map_or_else(String::new, |fault| format!(" ({fault})"));
        doubts.add_at(
            unknown,
            &format!("no slope is known along it{why}; the widest width stands in"),
        );
    }
}

struct Doubts<'d> {
    findings: &'d mut Vec<Finding>,
    near: &'d NearFeature<'d>,
    rule: &'d RuleLine,
    who: &'d str,
}

impl Doubts<'_> {
    fn add(&mut self, verdict: Verdict, message: &str) {
        let finding = Finding {
            rule_id: self.rule.id.clone(),
            verdict,
            measured: None,
            required: Some(self.rule.widest().reserve_m),
            unit: "m",
            message: format!("{}: {message}", self.who),
            source: self.rule.citation.text.clone(),
            shape: place(&self.near.source),
        };
        self.findings.push(finding);
    }

    fn add_at(&mut self, at: &Source, message: &str) {
        self.add(Verdict::Unknown, message);
        if let Some(last) = self.findings.last_mut() {
            last.shape = place(at);
        }
    }

    fn share(&mut self, message: &str) {
        self.add(Verdict::Warn, message);
        if let Some(last) = self.findings.last_mut() {
            last.required = Some(self.rule.management_share);
            last.unit = "share";
            last.source = self.rule.share_source().text.clone();
        }
    }
}

/// What speaks against the class given: `its channel of 7 m and fish = yes`.
fn facts_against(given: &RuleLine, other: &RuleLine, facts: &Facts) -> String {
    let broken: Vec<&Condition> = given
        .when
        .iter()
        .filter(|condition| condition.holds(facts) == Some(false))
        .collect();
    // Where the class given is not excluded, the other one's whole definition is met.
    let telling = if broken.is_empty() {
        other.when.iter().collect()
    } else {
        broken
    };
    let mut said: Vec<String> = Vec::new();
    for condition in telling {
        let Some(fact) = facts.get(&condition.fact) else {
            continue;
        };
        let name = &condition.fact;
        let text = match (fact, &condition.test) {
            (Fact::Number(number), Test::Range { unit, .. }) => {
                format!("its {name} of {}", unit.show(*number))
            }
            (Fact::Number(number), _) => format!("{name} = {number}"),
            (Fact::Flag(flag), _) => format!("{name} = {}", if *flag { "yes" } else { "no" }),
            (Fact::Text(text), _) => format!("{name} = {text}"),
        };
        if !said.contains(&text) {
            said.push(text);
        }
    }
    said.join(" and ")
}

pub(super) fn place(source: &Source) -> Option<Geometry> {
    let first: Option<Coord> = match source {
        Source::Points(points) => points.first().copied(),
        Source::Lines(lines) => lines.0.first().and_then(|line| line.0.first()).copied(),
        Source::Polygons(polygons) => polygons
            .0
            .first()
            .and_then(|p| rings(p).next()?.0.first().copied()),
    };
    first.map(|c| Geometry::Point(Point(c)))
}
