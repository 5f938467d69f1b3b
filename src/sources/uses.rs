//! What is known of how roads and crossings may be used, and what stands in where nobody says it.

use std::collections::BTreeMap;

use serde::Serialize;

use crate::model::{Facts, LayerKind, WindowWords};
use crate::project::LayerSource;
use crate::rulebook::{Match, RoadUse, flag_of_fact};

/// One thing that a planner may say of the features of a layer.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct UseReport {
    /// `accuracy` of layers that distances are kept to, and of blocks; `window` of any layer that names windows or days; `decking`, `machines`, `cleared` and `people` of roads; `capacity` of landings; `class` and `width` of crossings; `outlet`,
    /// `azimuth` and `order` of settings; `order` of strip lines; `voltage`, `owner_agreed` and
    /// `width` of power lines; `tree_height` of stands.
    pub what: &'static str,
    /// How many features say so, by what they say; a width or an outlet is `stated`.
    pub said: BTreeMap<String, u64>,
    /// How many features of which nobody says it.
    pub assumed: u64,
    /// What is assumed of these.
    pub assumption: String,
}

/// Counts for one layer.
#[derive(Debug)]
pub(super) struct UseTally(Vec<UseReport>);

impl UseTally {
    /// `crossing_width_m` is that of crossings which state none.
    pub fn new(source: &LayerSource, crossing_width_m: f64) -> UseTally {
        let kind = source.kind;
        let report = |what, assumption: &str| UseReport {
            what,
            said: BTreeMap::new(),
            assumed: 0,
            assumption: assumption.to_owned(),
        };
        let mut reports = match kind {
            LayerKind::Roads => vec![
                report("decking", "wood may be decked along them"),
                report("machines", "machines may run on them and cross them"),
                report("cleared", "still to be cleared"),
                report("people", "others may be there, which is told as not known"),
            ],
            LayerKind::Crossings => vec![
                report("class", "none"),
                report("width", &format!("{crossing_width_m} m")),
            ],
            LayerKind::Landings => vec![report("capacity", "room for all wood")],
            LayerKind::Settings => vec![
                report("outlet", "the one that is cheapest"),
                report("azimuth", "that of the block, or the one that is cheapest"),
                report("order", "with the least travel"),
            ],
            LayerKind::StripLines => vec![report("order", "from left to right")],
            LayerKind::PowerLines => vec![
                report("voltage", "any: the widest limit of approach stands in"),
                report("owner_agreed", "no: trees that could fall on them stay"),
                report("width", "0 m: the outer wires hang where the line is drawn"),
            ],
            LayerKind::Stands => vec![report(
                "tree_height",
                "as `tree_height` under [layout] says",
            )],
            _ => vec![],
        };
        let of_days = [Facts::WINDOW, Facts::OPEN_FROM, Facts::OPEN_UNTIL];
        let names_days = |(name, _): &(String, _)| of_days.contains(&name.as_str());
        if kind.takes_windows() && source.facts.iter().any(names_days) {
            reports.push(report("window", "open on every day"));
        }
        if kind.takes_accuracy() {
            let assumption = "nobody knows how far it may be off: distances hold as mapped";
            reports.push(report("accuracy", assumption));
        }
        UseTally(reports)
    }

    pub fn add(
        &mut self,
        found: Match<'_>,
        facts: &Facts,
        class: Option<&str>,
        width: Option<f64>,
    ) {
        let of_class = match found {
            Match::Line(line) | Match::Derived(line) => line.road_use,
            Match::Assumed(_) | Match::None => RoadUse::default(),
        };
        let said = RoadUse::of(facts).or(of_class);
        let flag = |flag: Option<bool>| flag.map(|flag| if flag { "yes" } else { "no" }.to_owned());
        for report in &mut self.0 {
            let says = match report.what {
                "decking" => flag(said.decking),
                "machines" => flag(said.machines),
                "cleared" => flag(said.cleared),
                "people" => flag(facts.get(Facts::PEOPLE).and_then(flag_of_fact)),
                "window" => days_of(facts),
                "capacity" => facts.get(Facts::CAPACITY).map(|_| "stated".to_owned()),
                "outlet" | "azimuth" | "order" => {
                    facts.get(report.what).map(|_| "stated".to_owned())
                }
                "accuracy" => facts.get(Facts::ACCURACY).map(|_| "stated".to_owned()),
                "voltage" => facts.number(Facts::VOLTAGE_KV).map(|kv| format!("{kv} kV")),
                "tree_height" => facts.get(Facts::TREE_HEIGHT).map(|_| "stated".to_owned()),
                "owner_agreed" => {
                    let sourced = facts.text(Facts::AGREED_SOURCE).is_some();
                    facts
                        .get(Facts::OWNER_AGREED)
                        .map(|fact| match (flag_of_fact(fact), sourced) {
                            (Some(true), true) => "yes".to_owned(),
                            (Some(true), false) => "yes, without a source: not used".to_owned(),
                            _ => "no".to_owned(),
                        })
                }
                "class" => class.map(str::to_owned),
                _ => width.map(|_| "stated".to_owned()),
            };
            match says {
                Some(says) => *report.said.entry(says).or_default() += 1,
                None => report.assumed += 1,
            }
        }
    }

    pub fn reports(self) -> Vec<UseReport> {
        self.0
    }
}

/// Names of windows, and a feature's own days.
fn days_of(facts: &Facts) -> Option<String> {
    let words = WindowWords::of(facts);
    let mut said: Vec<String> = words.names().map(str::to_owned).collect();
    match words.own_days() {
        Ok(days) => said.extend(days.map(|days| days.to_string())),
        Err(_) => said.push("days that nobody understands".to_owned()),
    }
    (!said.is_empty()).then(|| said.join(", "))
}
