//! Says aloud what had to be assumed about features whose widths decide something in a block.

use super::zones::{Outline, Touch};
use crate::geometry::buffer::Source;
use crate::landbase::{NearFeature, Slopes};
use crate::model::*;
use crate::rulebook::{Condition, ReadStatus, RuleLine, Test};

pub fn say(all: &mut Vec<Doubt>, near: &NearFeature, slopes: &Slopes, outline: &Outline) {
    let feature = near.feature;
    let demand = &near.demand;
    let barrier = match near.barrier() {
        Some((_, barrier_m)) => {
            format!("; nothing is cut or driven within {barrier_m} m of the line")
        }
        None => String::new(),
    };
    let Some(rule) = demand.rule else {
        all.push(Doubt {
            rule_id: format!("{}-unruled", feature.kind.key()),
            verdict: Verdict::Unknown,
            required: None,
            unit: "m",
            text: format!(
                "the rulebook has no line for {}; only the feature itself is kept{barrier}",
                feature.kind.key()
            ),
            source: String::new(),
            layer: feature.source_layer.clone(),
            feature_id: feature.id.clone(),
            touch: outline.touch(&near.source),
        });
        return;
    };
    let mut doubts = Doubts {
        doubts: all,
        near,
        rule,
        outline,
    };
    if demand.assumed {
        let why = match &feature.class {
            Some(class) => format!("class {class} is not in the rulebook"),
            None => "it has no class, and what is known of it tells none".to_owned(),
        };
        doubts.add(
            Verdict::Unknown,
            &format!(
                "{why}; the widest line, {}, stands in; give its class, or the facts that tell one",
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
                "no channel width, and class {} sets no limit; measured from the line{barrier}; give its width",
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

/// Something that had to be assumed about one feature.
#[derive(Clone)]
pub struct Doubt {
    rule_id: String,
    verdict: Verdict,
    required: Option<f64>,
    unit: &'static str,
    text: String,
    source: String,
    layer: String,
    feature_id: String,
    touch: Option<Touch>,
}

impl Doubt {
    /// Whether one remedy answers both.
    fn is_like(&self, other: &Doubt) -> bool {
        self.text == other.text
            && self.layer == other.layer
            && self.rule_id == other.rule_id
            && self.verdict == other.verdict
            && self.required == other.required
            && self.source == other.source
    }

    fn distance_m(&self) -> f64 {
        self.touch.map_or(f64::INFINITY, |touch| touch.distance_m)
    }
}

/// Features that are named beside the nearest one.
const NAMED: usize = 5;

/// Features with the same doubt are told once: the one that comes nearest to the block first, at the place where it does, then
/// how many others there are and which.
pub fn told(doubts: Vec<Doubt>) -> Vec<Finding> {
    let mut kinds: Vec<Vec<Doubt>> = Vec::new();
    for doubt in doubts {
        match kinds.iter_mut().find(|kind| kind[0].is_like(&doubt)) {
            Some(kind) => kind.push(doubt),
            None => kinds.push(vec![doubt]),
        }
    }
    let told = kinds.into_iter().map(|mut kind| {
        // Of equally near ones the first of the layer.
        kind.sort_by(|a, b| a.distance_m().total_cmp(&b.distance_m()));
        let others: Vec<&str> = kind[1..]
            .iter()
            .map(|own| own.feature_id.as_str())
            .collect();
        let who = match others.len() {
            0 => kind[0].feature_id.clone(),
            count => {
                let mut named = others[..count.min(NAMED)].join(", ");
                named += if count > NAMED { ", ..." } else { "" };
                let nearest = &kind[0].feature_id;
                format!("{nearest} and {count} more of the kind ({named})")
            }
        };
        let first = kind.swap_remove(0);
        Finding {
            rule_id: first.rule_id,
            verdict: first.verdict,
            measured: None,
            required: first.required,
            unit: first.unit,
            message: format!("{}, feature {who}: {}", first.layer, first.text),
            source: first.source,
            shape: first.touch.map(Touch::shape),
        }
    });
    told.collect()
}

struct Doubts<'d> {
    doubts: &'d mut Vec<Doubt>,
    near: &'d NearFeature<'d>,
    rule: &'d RuleLine,
    outline: &'d Outline<'d>,
}

impl Doubts<'_> {
    fn add(&mut self, verdict: Verdict, text: &str) {
        self.doubts.push(Doubt {
            rule_id: self.rule.id.clone(),
            verdict,
            required: Some(self.rule.widest().reserve_m),
            unit: "m",
            text: text.to_owned(),
            source: self.rule.citation.text.clone(),
            layer: self.near.feature.source_layer.clone(),
            feature_id: self.near.feature.id.clone(),
            touch: self.outline.touch(&self.near.source),
        });
    }

    fn add_at(&mut self, at: &Source, text: &str) {
        self.add(Verdict::Unknown, text);
        if let Some(last) = self.doubts.last_mut() {
            last.touch = self.outline.touch(at);
        }
    }

    fn share(&mut self, text: &str) {
        self.add(Verdict::Warn, text);
        if let Some(last) = self.doubts.last_mut() {
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

#[cfg(test)]
mod tests {
    use super::*;
    use geo::{Coord, Geometry, Point};

    fn doubt(id: &str, distance_m: f64, text: &str) -> Doubt {
        Doubt {
            rule_id: "stream-s3".to_owned(),
            verdict: Verdict::Warn,
            required: Some(20.0),
            unit: "m",
            text: text.to_owned(),
            source: "a rule".to_owned(),
            layer: "a:streams".to_owned(),
            feature_id: id.to_owned(),
            touch: Some(Touch {
                distance_m,
                place: Coord {
                    x: distance_m,
                    y: 1.0,
                },
            }),
        }
    }

    #[test]
    fn features_with_one_doubt_are_told_once_and_the_nearest_first() {
        let far = (0..7).map(|n| doubt(&format!("S{n}"), 100.0 - f64::from(n), "no width"));
        let mut doubts: Vec<Doubt> = far.collect();
        doubts.insert(3, doubt("A", 50.0, "no class"));
        let told = told(doubts);
        let messages: Vec<&str> = told.iter().map(|own| own.message.as_str()).collect();
        assert_eq!(
            messages,
            [
                "a:streams, feature S6 and 6 more of the kind (S5, S4, S3, S2, S1, ...): no width",
                "a:streams, feature A: no class",
            ]
        );
        let at = |x: f64| Some(Geometry::Point(Point::new(x, 1.0)));
        assert_eq!((&told[0].shape, &told[1].shape), (&at(94.0), &at(50.0)));
    }

    #[test]
    fn what_asks_for_something_else_is_told_apart() {
        let mut other = doubt("B", 1.0, "no width");
        other.required = Some(30.0);
        let mut of_road = doubt("C", 1.0, "no width");
        of_road.layer = "a:roads".to_owned();
        let all = vec![doubt("A", 2.0, "no width"), other, of_road];
        assert_eq!(told(all).len(), 3);
    }
}
