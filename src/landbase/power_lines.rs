//! How far machines and falling trees keep off power lines.
//!
//! Two distances, both on the map and from the line as drawn (half its width added, where that is known): the limit of
//! approach, within which no part of a machine or tree may come, and the belt in which a tree could fall into that limit.
//! How high the wires hang is no help: a machine's boom and a held tree reach as high.

use geo::MultiPolygon;

use super::{Demand, NearFeature};
use crate::geometry::area::area;
use crate::geometry::buffer::Source;
use crate::geometry::distance::{SegmentIndex, inside};
use crate::geometry::overlay::{difference, intersection, oriented};
use crate::model::{Fact, Facts, Feature, LayerKind, LayoutSettings, Settings, TreeHeight};
use crate::rulebook::{BEYOND_TABLE_M, Channel, Match, Rulebook, Widths, flag_of_fact};

/// Height of the tallest trees where nobody says it, m: own judgement, docs/algorithms.md, Power lines. It is no figure to plan
/// with, and what rests on it is told as not known.
pub const UNKNOWN_TREE_M: f64 = 60.0;
/// Less ground without a known height is the overlay's dust.
const DUST_M2: f64 = 1.0;

/// What keeps off power lines cites where no rulebook and no owner is asked.
pub const POWER_LINES_SOURCE: &str = "own judgement (docs/algorithms.md, Power lines)";

/// What decided a limit of approach.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Limit {
    /// The rule for the line's voltage or class.
    Rule,
    /// The owner's figure.
    Owner,
    /// The widest rule: the voltage is not known.
    Widest,
    /// The line's voltage is higher than any that a rule speaks of.
    BeyondRules,
    /// The widest rule: the owner's figure was not understood.
    OwnerUnread,
}

impl Limit {
    /// Whether the limit is known to be the right one.
    pub fn is_known(self) -> bool {
        matches!(self, Limit::Rule | Limit::Owner)
    }
}

/// What says how tall the trees beside a line are.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum TreesFrom {
    Stands,
    Project,
    /// Nobody says it, and [`UNKNOWN_TREE_M`] stands in.
    Unknown,
}

impl TreesFrom {
    pub fn key(self) -> &'static str {
        match self {
            TreesFrom::Stands => "stands",
            TreesFrom::Project => "project",
            TreesFrom::Unknown => "unknown",
        }
    }
}

/// The distances of one line.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PowerLine {
    pub limit_m: f64,
    pub limit: Limit,
    /// Height of the tallest trees that could fall on it.
    pub trees_m: f64,
    pub trees: TreesFrom,
    /// Whether the owner agreed, with a source, that such trees are cut.
    pub agreed: bool,
    /// From a machine's middle to its side.
    pub machine_m: f64,
}

impl PowerLine {
    /// Of a feature, among trees as tall as any; None of every other kind.
    pub(super) fn of(
        feature: &Feature,
        rules: &Rulebook,
        settings: &LayoutSettings,
        tallest_m: f64,
    ) -> Option<PowerLine> {
        if feature.kind != LayerKind::PowerLines {
            return None;
        }
        let (limit_m, limit) = limit(feature, rules);
        let limit_m = limit_m + super::kept_more_m(feature, settings);
        Some(PowerLine {
            limit_m,
            limit,
            trees_m: tallest_m,
            trees: match settings.tree_height {
                Some(_) => TreesFrom::Project,
                None => TreesFrom::Unknown,
            },
            agreed: agreed(&feature.facts),
            machine_m: 0.0,
        })
    }

    /// From the line's edge: nearer than this a tree may fall into the limit of approach.
    pub fn belt_m(&self) -> f64 {
        self.limit_m + self.trees_m
    }

    /// The belt is a reserve unless the owner agreed; the limit of approach is one always, and a machine that works beside it
    /// keeps its own side out of it.
    pub fn widths(&self) -> Widths {
        match self.agreed {
            false => Widths {
                reserve_m: self.belt_m(),
                ..Widths::default()
            },
            true => Widths {
                reserve_m: self.limit_m,
                machine_exclusion_m: self.limit_m + self.machine_m,
                ..Widths::default()
            },
        }
    }
}

impl NearFeature<'_> {
    /// Of a power line: where its limit of approach is written.
    pub fn limit_source(&self) -> String {
        let rule = self.demand.rule.map(|rule| rule.citation.text.as_str());
        match self.demand.power_line.map(|line| line.limit) {
            Some(Limit::Owner) => {
                let said = self.feature.facts.text(Facts::OWNER_SOURCE);
                let said = said.unwrap_or("owner_distance of layer power_lines");
                format!("the line's owner: {said}")
            }
            Some(Limit::BeyondRules | Limit::OwnerUnread) => {
                "29 CFR 1926.1408, Table A (cranes): 45 ft beside lines over 750 kV to 1000 kV, its widest, stands in".to_owned()
            }
            Some(Limit::Rule | Limit::Widest) | None => rule.unwrap_or(POWER_LINES_SOURCE).to_owned(),
        }
    }

    /// Of a power line: where it is written how tall the trees beside it are.
    pub fn trees_source(&self, settings: &LayoutSettings) -> String {
        let trees = self.demand.power_line.map(|line| line.trees);
        match (trees, &settings.tree_height) {
            (Some(TreesFrom::Stands), _) => "tree_height of layer stands".to_owned(),
            (Some(TreesFrom::Project), Some(stated)) => stated.source.clone(),
            _ => POWER_LINES_SOURCE.to_owned(),
        }
    }

    /// Of a power line: where it is written that its owner agreed; None: nobody says so with a source.
    pub fn agreed_source(&self) -> Option<&str> {
        self.demand.power_line.filter(|line| line.agreed)?;
        self.feature.facts.text(Facts::AGREED_SOURCE)
    }

    /// Of a power line: why it cannot be told how far off it must be kept; None: it can.
    pub fn line_doubt(&self) -> Option<&'static str> {
        let line = self.demand.power_line?;
        match line.limit {
            Limit::Rule | Limit::Owner => None,
            Limit::Widest => Some(
                "the voltage of a line is not known, or no rule speaks of it; the widest limit stands in",
            ),
            Limit::BeyondRules => {
                Some("no rule speaks of so high a voltage; a wider table stands in")
            }
            Limit::OwnerUnread => Some("the owner's distance was not understood"),
        }
    }
}

fn limit(feature: &Feature, rules: &Rulebook) -> (f64, Limit) {
    let facts = &feature.facts;
    let found = rules.find(feature.kind, feature.class.as_deref(), facts, Channel::None);
    let voltage_kv = facts.number(Facts::VOLTAGE_KV);
    let (rule_m, limit) = match found {
        Match::Line(line) | Match::Derived(line) => (line.widest().reserve_m, Limit::Rule),
        Match::Assumed(line) => {
            let beyond = voltage_kv
                .zip(rules.highest_kv())
                .is_some_and(|(kv, most)| kv > most);
            let widest_m = line.widest().reserve_m;
            match beyond {
                true => (widest_m.max(BEYOND_TABLE_M), Limit::BeyondRules),
                false => (widest_m, Limit::Widest),
            }
        }
        Match::None => (BEYOND_TABLE_M, Limit::Widest),
    };
    let sourced = facts.text(Facts::OWNER_SOURCE).is_some();
    match facts.get(Facts::OWNER_DISTANCE) {
        Some(Fact::Number(owner_m)) if *owner_m >= rule_m || (sourced && *owner_m > 0.0) => {
            (*owner_m, Limit::Owner)
        }
        Some(Fact::Text(_)) => (rule_m.max(BEYOND_TABLE_M), Limit::OwnerUnread),
        _ => (rule_m, limit),
    }
}

/// Whether the owner agreed, and somebody says where that is written.
fn agreed(facts: &Facts) -> bool {
    said_agreed(facts) && facts.text(Facts::AGREED_SOURCE).is_some()
}

/// Whether anybody says that the owner agreed.
pub(super) fn said_agreed(facts: &Facts) -> bool {
    facts.get(Facts::OWNER_AGREED).and_then(flag_of_fact) == Some(true)
}

/// The tallest trees that any stand or the project knows, and what stands in where they do not say.
pub(super) fn tallest_m(features: &[Feature], stated: Option<&TreeHeight>) -> f64 {
    let stands = features
        .iter()
        .filter_map(|own| own.facts.number(Facts::TREE_HEIGHT));
    let stated_m = stated.map_or(UNKNOWN_TREE_M, |stated| stated.height_m);
    stands.fold(stated_m, f64::max)
}

/// Works out how far dangerous trees reach, where the height of their block's trees says it, and for each power line near a block
/// how tall the trees are that could fall on it from the block: the tallest of the stands there that are near enough, and the project's figure, or what stands in for it, where ground near enough lies in no
/// stand of known height. `block` is in the frame of what is near.
pub fn settle_trees(near: &mut [NearFeature], block: &MultiPolygon, settings: &Settings) {
    let by_block = |own: &NearFeature| own.demand.danger_tree.is_some_and(|t| !t.own_height);
    if near.iter().any(by_block) {
        let of_block = super::tree_length(near, block, settings);
        let trees = near
            .iter_mut()
            .filter_map(|own| own.demand.danger_tree.as_mut());
        for tree in trees.filter(|tree| !tree.own_height) {
            (tree.trees_m, tree.trees) = (of_block.trees_m, of_block.from);
        }
    }
    let is_line = |own: &&NearFeature| own.demand.power_line.is_some();
    if !near.iter().any(|own| is_line(&own)) {
        return;
    }
    let stands = Stands::new(near, block);
    for own in near
        .iter_mut()
        .filter(|own| own.demand.power_line.is_some())
    {
        let index = own.source.index();
        let half_m = own.demand.half_m;
        let Demand {
            power_line: Some(line),
            ..
        } = &mut own.demand
        else {
            continue;
        };
        let within = |ground: &MultiPolygon, trees_m: f64| {
            comes_near(ground, &own.source, &index, half_m + line.limit_m + trees_m)
        };
        let mut tallest: Option<f64> = None;
        for (height_m, ground) in &stands.known {
            if tallest.is_none_or(|held| held < *height_m) && within(ground, *height_m) {
                tallest = Some(*height_m);
            }
        }
        let stated = settings.layout.tree_height.as_ref();
        let stand_in_m = stated.map_or(UNKNOWN_TREE_M, |stated| stated.height_m);
        let (trees_m, trees) = match within(&stands.unknown, stand_in_m) {
            true => (
                tallest.map_or(stand_in_m, |m| m.max(stand_in_m)),
                match stated {
                    Some(_) => TreesFrom::Project,
                    None => TreesFrom::Unknown,
                },
            ),
            false => match tallest.or(stands.tallest_m()) {
                Some(trees_m) => (trees_m, TreesFrom::Stands),
                // Nothing of the block is near enough to fall on the line.
                None => (stand_in_m, line.trees),
            },
        };
        line.trees_m = trees_m;
        line.trees = trees;
        line.machine_m = settings.machine.half_width_m;
    }
}

/// Ground of a block by the height of its trees.
pub(super) struct Stands {
    pub(super) known: Vec<(f64, MultiPolygon)>,
    /// In no stand of known height.
    pub(super) unknown: MultiPolygon,
}

impl Stands {
    pub(super) fn new(near: &[NearFeature], block: &MultiPolygon) -> Stands {
        let mut known = Vec::new();
        let mut covered = Vec::new();
        for own in near {
            let (LayerKind::Stands, Some(height_m), Source::Polygons(polygons)) = (
                own.feature.kind,
                own.feature.facts.number(Facts::TREE_HEIGHT),
                &own.source,
            ) else {
                continue;
            };
            let polygons = oriented(polygons.clone()).0;
            let here = intersection(block, &polygons);
            if !here.0.is_empty() {
                known.push((height_m, here));
                covered.extend(polygons);
            }
        }
        let mut unknown = difference(block, &covered);
        unknown
            .0
            .retain(|piece| area(&MultiPolygon(vec![piece.clone()])) > DUST_M2);
        Stands { known, unknown }
    }

    pub(super) fn tallest_m(&self) -> Option<f64> {
        self.known
            .iter()
            .map(|(height_m, _)| *height_m)
            .reduce(f64::max)
    }
}

/// Whether ground comes within a distance of a source as drawn, or one of them lies in the other.
fn comes_near(ground: &MultiPolygon, source: &Source, index: &SegmentIndex, within_m: f64) -> bool {
    let edges = ground
        .0
        .iter()
        .flat_map(crate::geometry::distance::polygon_segments);
    let mut corners = ground
        .0
        .iter()
        .filter_map(|polygon| polygon.exterior().0.first());
    let segments = source.segments(0);
    corners.any(|&corner| source.contains(corner))
        || segments.iter().any(|segment| inside(segment.a, ground))
        || { edges }.any(|edge| index.approach(edge.a, edge.b, within_m).is_some())
}
