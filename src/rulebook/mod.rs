//! Rules as data: what a class of feature asks for, and where that is written. Presets are embedded TOML.

mod block;
mod channel;
mod check;
mod columns;
mod condition;
mod coverage;
pub(crate) mod file;
pub(crate) mod left_out;
mod origin;
mod power_lines;
mod preset;
mod range;
pub(crate) mod read;
pub(crate) mod schema;
mod show;
pub(crate) mod spanned;
mod suspicions;
pub(crate) mod toml_text;
mod trees;
pub(crate) mod values;
mod width;

use std::collections::BTreeMap;

use serde::Serialize;

use crate::model::{DANGER_TREE, Fact, Facts, Feature, LayerKind, OpenDays, names_danger_tree};

pub use crate::model::TreeUnit;
pub use block::{BlockRules, Influence, Occupancy, ShareOf, TrailWidth};
pub use channel::{BARRIER_RULE, BARRIER_SOURCE, Bank, Channel, LEAST_BARRIER_M};
pub use check::{Checked, Finding, check};
pub use condition::{Condition, Test, Unit, flag_of, flag_of_fact};
pub use origin::Origin;
pub use power_lines::{BEYOND_TABLE_M, LIMITS_PRESET, POWER_LINE_BELT, POWER_LINE_LIMIT};
pub(crate) use preset::unknown_preset_hint;
pub use preset::{RulebookError, parse, preset, preset_names, preset_text};
pub use range::{Limit, Range};
pub use read::Severity;
pub use schema::rulebook_schema;
pub use show::show;
pub use toml_text::{Place, TomlFault};
pub use trees::{TreeCount, TreesPerLength};
pub use width::{Distance, MeasuredFrom, SlopeClass, Width, Widths};

/// The roles that rule lines may speak about; other roles have settings instead.
pub const RULED_KINDS: [LayerKind; 8] = [
    LayerKind::Streams,
    LayerKind::Lakes,
    LayerKind::Wetlands,
    LayerKind::Roads,
    LayerKind::Protected,
    LayerKind::Retain,
    LayerKind::Hazards,
    LayerKind::PowerLines,
];

/// How a figure came to be known.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
pub enum ReadStatus {
    /// Seen in the rule, standard or paper itself.
    #[serde(rename = "read in source")]
    ReadInSource,
    /// Seen quoted elsewhere.
    #[serde(rename = "secondary")]
    Secondary,
    /// Not seen; warns wherever it decides.
    #[serde(rename = "from memory")]
    FromMemory,
    /// Common practice of the trade, no source needed.
    #[serde(rename = "common practice")]
    CommonPractice,
    /// Set by the project file.
    #[serde(rename = "project")]
    Project,
}

/// Where a figure comes from.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Citation {
    /// For example `BC-04: stream class table ..., class S3`.
    pub text: String,
    pub status: ReadStatus,
}

/// What one class of features asks for.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct RuleLine {
    /// Stable id, for example `stream-s3`.
    pub id: String,
    pub kind: LayerKind,
    /// Class this line applies to; `*` for every class of the kind.
    pub class: String,
    pub title: String,
    /// The class's definition in words.
    pub definition: String,
    /// The class's definition by facts; all must hold. Empty: told by the class attribute only.
    pub when: Vec<Condition>,
    /// Nothing is cut or driven.
    pub reserve: Width,
    /// Beyond the reserve.
    pub management: Width,
    /// Share of the management zone that must stay, 0..=1.
    pub management_share: f64,
    /// The trees that the share is one of; None: of the zone's ground.
    pub share_trees: Option<TreeCount>,
    /// How many trees must stay for each length of the bank.
    pub trees_per_length: Option<TreesPerLength>,
    /// Where the share is written, if elsewhere than the widths.
    pub share_citation: Option<Citation>,
    /// No machine stands or drives; from the same edge as the reserve.
    pub machine_exclusion: Width,
    pub distance: Distance,
    pub measured_from: MeasuredFrom,
    /// Widest channel of the class; half of it stands in for an unknown channel width.
    pub channel_up_to_m: Option<f64>,
    /// Of roads: how they may be used.
    pub road_use: RoadUse,
    /// The days on which ground within `window_within_m` of it may be worked.
    #[serde(skip_serializing_if = "OpenDays::is_always")]
    pub days: OpenDays,
    #[serde(skip_serializing_if = "is_nothing")]
    pub window_within_m: f64,
    pub citation: Citation,
    /// Which file and line of it the rule comes from, for example `preset bc-fppr, line 34`.
    pub origin: String,
}

fn is_nothing(metres: &f64) -> bool {
    *metres == 0.0
}

/// How a road may be used; None: not said.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize)]
pub struct RoadUse {
    /// Whether wood may be decked along it.
    pub decking: Option<bool>,
    /// Whether machines may run on it and cross it.
    pub machines: Option<bool>,
    /// Whether its ground is cleared already, so that nothing is felled on it.
    pub cleared: Option<bool>,
}

impl RoadUse {
    pub const FACTS: [&str; 3] = ["decking", "machines", "cleared"];

    /// What a road's own attributes say.
    pub fn of(facts: &Facts) -> RoadUse {
        let [decking, machines, cleared] = RoadUse::FACTS.map(|name| match facts.get(name)? {
            Fact::Flag(flag) => Some(*flag),
            Fact::Text(text) => flag_of(text),
            Fact::Number(number) => flag_of(&number.to_string()),
        });
        RoadUse {
            decking,
            machines,
            cleared,
        }
    }

    pub fn is_said(&self) -> bool {
        self.decking.is_some() || self.machines.is_some() || self.cleared.is_some()
    }

    /// What is said here, and else what `other` says.
    pub fn or(self, other: RoadUse) -> RoadUse {
        RoadUse {
            decking: self.decking.or(other.decking),
            machines: self.machines.or(other.machines),
            cleared: self.cleared.or(other.cleared),
        }
    }
}

/// What a feature of layer `retain` says of itself beyond its class.
pub const KEPT_FACTS: [&str; 3] = [Facts::COUNTS, Facts::SCORE, Facts::WIDTH_SOURCE];

/// Id of the line for dangerous trees of layer `retain`, and where its distance is written.
pub const DANGER_TREE_RULE: &str = "danger-tree";
pub const DANGER_TREE_SOURCE: &str = "SF-08: 29 CFR 1910.266(h)(1), work near a danger tree that is not removed, two tree lengths (read in a secondary document)";
/// Two lengths of trees of which nobody says how tall they are, m; those of a block stand in its place.
const DANGER_TREE_M: f64 = 120.0;

/// Whether the ground of a feature of layer `retain` counts towards a block's retention share; where nobody says so, it
/// does not.
pub fn counts_as_retained(feature: &Feature) -> bool {
    let says = match feature.facts.get(Facts::COUNTS) {
        Some(Fact::Flag(flag)) => Some(*flag),
        Some(Fact::Text(text)) => flag_of(text),
        Some(Fact::Number(number)) => flag_of(&number.to_string()),
        None => None,
    };
    feature.stays() && says == Some(true)
}

impl Rulebook {
    /// Adds the line of dangerous trees, and that of what layer `retain` has, unless there is one for every class of it.
    pub fn keep_all(&mut self) {
        let has = |id: &str, class: &str| {
            let mut kept = self
                .lines
                .iter()
                .filter(|line| line.kind == LayerKind::Retain);
            kept.any(|line| line.id == id || line.class == class)
        };
        let (trees, all) = (has(DANGER_TREE_RULE, ""), has("", "*"));
        if !trees {
            self.lines.push(RuleLine {
                id: DANGER_TREE_RULE.to_owned(),
                class: DANGER_TREE.to_owned(),
                title: "Dangerous tree: nobody works near".to_owned(),
                definition: "a tree of layer retain whose class says that it is dangerous"
                    .to_owned(),
                reserve: Width::Metres(DANGER_TREE_M),
                citation: Citation {
                    text: DANGER_TREE_SOURCE.to_owned(),
                    status: ReadStatus::Secondary,
                },
                ..Rulebook::kept()
            });
        }
        if !all {
            self.lines.push(Rulebook::kept());
        }
    }

    /// The line of what stays whatever its class.
    fn kept() -> RuleLine {
        RuleLine {
            id: "retain-any".to_owned(),
            kind: LayerKind::Retain,
            class: "*".to_owned(),
            title: "Kept for certain".to_owned(),
            definition: "what layer retain has without a score".to_owned(),
            when: vec![],
            reserve: Width::Metres(0.0),
            management: Width::Metres(0.0),
            management_share: 0.0,
            share_trees: None,
            trees_per_length: None,
            share_citation: None,
            machine_exclusion: Width::Metres(0.0),
            distance: Distance::default(),
            measured_from: MeasuredFrom::default(),
            channel_up_to_m: None,
            road_use: RoadUse::default(),
            days: OpenDays::default(),
            window_within_m: 0.0,
            citation: Citation {
                text: "layer retain of the project".to_owned(),
                status: ReadStatus::Project,
            },
            origin: "layer retain".to_owned(),
        }
    }
}

impl RuleLine {
    /// Distances on the map on ground of this slope (rise over run); on unknown ground the widest.
    pub fn widths(&self, slope: Option<f64>) -> Widths {
        let on_the_map = |width: &Width| self.distance.on_the_map(width.at(slope), slope);
        Widths {
            reserve_m: on_the_map(&self.reserve),
            management_m: on_the_map(&self.management),
            machine_exclusion_m: on_the_map(&self.machine_exclusion),
        }
    }

    /// The widest distances of any slope.
    pub fn widest(&self) -> Widths {
        Widths {
            reserve_m: self.reserve.widest(),
            management_m: self.management.widest(),
            machine_exclusion_m: self.machine_exclusion.widest(),
        }
    }

    /// The reserve where it is narrowest on the map, in metres, on any ground that is believed.
    pub fn least_reserve_m(&self) -> f64 {
        let steepest = Some(read::MOST_SLOPE);
        self.distance.on_the_map(self.reserve.least(), steepest)
    }

    fn all_widths(&self) -> [&Width; 3] {
        [&self.reserve, &self.management, &self.machine_exclusion]
    }

    /// Whether the distances depend on the slope of the ground.
    pub fn follows_slope(&self) -> bool {
        let asks = |width: &&Width| width.widest() > 0.0;
        self.all_widths().iter().any(|width| width.follows_slope())
            || (self.distance == Distance::Slope && self.all_widths().iter().any(asks))
    }

    /// Whether the distances take any value between two slopes, rather than a few.
    pub fn is_continuous(&self) -> bool {
        self.all_widths().iter().any(|width| width.is_continuous())
            || (self.distance == Distance::Slope && self.follows_slope())
    }

    /// Whether it asks for anything at all.
    pub fn asks_for_nothing(&self) -> bool {
        self.widest() == Widths::default()
    }

    /// Citation of the management share.
    pub fn share_source(&self) -> &Citation {
        self.share_citation.as_ref().unwrap_or(&self.citation)
    }
}

/// A share or other single value with its source.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Cited<T> {
    pub value: T,
    pub citation: Citation,
    /// As in [`RuleLine::origin`].
    pub origin: String,
}

/// The rules in force: a preset with the project's overrides.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Rulebook {
    pub preset: String,
    pub title: String,
    pub lines: Vec<RuleLine>,
    /// Share that must be left standing of each block.
    pub retention_share: Cited<f64>,
    /// What the retention share is a share of; where reserves count, always of the gross area.
    pub share_of: ShareOf,
    /// The trees on that ground that the share is one of; None: of the ground itself.
    pub share_trees: Option<TreeCount>,
    /// Whether reserves inside the block count towards the retention share.
    pub reserves_count: bool,
    /// Whether net ground left as too steep or too soft counts towards a share of ground, as what stands.
    pub left_counts: bool,
    pub block: BlockRules,
}

/// The rule for a feature and what had to be assumed to find it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Match<'a> {
    /// By the class the feature names, or the line for every class.
    Line(&'a RuleLine),
    /// By the facts: the feature names no class.
    Derived(&'a RuleLine),
    /// The class is unknown and not to be derived: of the lines that the facts do not exclude the one that keeps the
    /// machine farthest off stands in.
    Assumed(&'a RuleLine),
    /// The rulebook has nothing for this kind.
    None,
}

impl Rulebook {
    /// The line for a feature: its class first (ASCII case ignored); without a class the line whose conditions all
    /// hold; then `*`; then, as an assumption, of the lines that the facts do not exclude the one that keeps the machine
    /// farthest from the feature as drawn, by its distances and by the channel that it gives a stream without a width.
    pub fn find(
        &self,
        kind: LayerKind,
        class: Option<&str>,
        facts: &Facts,
        channel: Channel,
    ) -> Match<'_> {
        let of_kind = || self.lines.iter().filter(move |line| line.kind == kind);
        if let Some(class) = class {
            let danger = kind == LayerKind::Retain && names_danger_tree(class);
            // A line that asks for nothing is no judgement of how far a dangerous tree reaches.
            let says = |line: &&RuleLine| !danger || !line.asks_for_nothing();
            let mut named = of_kind().filter(|line| line.class.eq_ignore_ascii_case(class.trim()));
            if let Some(line) = named.find(says) {
                return Match::Line(line);
            }
            if let Some(line) = of_kind().find(|line| danger && line.id == DANGER_TREE_RULE) {
                return Match::Line(line);
            }
        } else if let Some(line) = self.derive(kind, facts) {
            return Match::Derived(line);
        }
        if let Some(line) = of_kind().find(|line| line.class == "*" && line.when.is_empty()) {
            return Match::Line(line);
        }
        let possible = |line: &&RuleLine| {
            let excluded = |condition: &Condition| condition.holds(facts) == Some(false);
            !line.when.iter().any(excluded)
        };
        let still: Vec<&RuleLine> = of_kind().filter(possible).collect();
        let candidates = if still.is_empty() {
            of_kind().collect()
        } else {
            still
        };
        let farther = |a: &[f64; 3], b: &[f64; 3]| {
            let pairs = a.iter().zip(b).map(|(a, b)| a.total_cmp(b));
            pairs.fold(std::cmp::Ordering::Equal, std::cmp::Ordering::then)
        };
        // Of equals the first.
        let widest = candidates.into_iter().reduce(|held, next| {
            let (own, other) = (next.keeps_off_m(channel), held.keeps_off_m(channel));
            if farther(&own, &other).is_gt() {
                next
            } else {
                held
            }
        });
        widest.map_or(Match::None, Match::Assumed)
    }

    /// The line whose definition the facts meet in full.
    pub fn derive(&self, kind: LayerKind, facts: &Facts) -> Option<&RuleLine> {
        let holds = |condition: &Condition| condition.holds(facts) == Some(true);
        self.lines
            .iter()
            .find(|line| line.kind == kind && !line.when.is_empty() && line.when.iter().all(holds))
    }

    /// Names of the facts that define classes of a kind, in order, and the unit of the limits they are compared with;
    /// `Unit::None` where they are compared with words or plain numbers, or lines differ.
    pub fn facts_of(&self, kind: LayerKind) -> Vec<(&str, Unit)> {
        let of_kind = self.lines.iter().filter(|line| line.kind == kind);
        let mut facts: BTreeMap<&str, Unit> = BTreeMap::new();
        for condition in of_kind.flat_map(|line| &line.when) {
            let unit = match condition.test {
                Test::Range { unit, .. } => unit,
                Test::Flag(_) | Test::OneOf(_) => Unit::None,
            };
            for fact in condition.facts() {
                let known = facts.entry(fact).or_insert(unit);
                if *known != unit {
                    *known = Unit::None;
                }
            }
        }
        facts.into_iter().collect()
    }
}
