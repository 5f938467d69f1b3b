//! A rulebook as written: the shape of the TOML and nothing else. The project file's `[rules]` use the same parts.

use std::collections::BTreeMap;
use std::fmt;

use crate::rulebook::spanned::Spanned;
use schemars::JsonSchema;
use serde::Deserialize;
use serde::de::value::{MapAccessDeserializer, SeqAccessDeserializer};
use serde::de::{Deserializer, Error, MapAccess, SeqAccess, Visitor};

use super::values::{Area, Length, Share, Written};

type Given<T> = Option<Spanned<T>>;

/// A rulebook: what each class of features asks for, and where that is written.
#[derive(Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct RulebookFile {
    /// What the rulebook stands for, in words.
    pub title: String,
    /// Rules for whole blocks.
    pub block: BlockTable,
    /// Short name -> words of a citation.
    #[serde(default)]
    pub documents: BTreeMap<String, Spanned<String>>,
    /// One line for each class of features.
    #[serde(default)]
    pub line: Vec<Spanned<LineTable>>,
}

/// Rules for whole blocks.
#[derive(Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct BlockTable {
    /// Share that must be left standing of each block.
    pub retention_share: Spanned<CitedTable<Share>>,
    /// What the share is a share of: `net`, the block without its reserves (if not given), `gross`, or of the trees there:
    /// `stems`, `basal_area` or `volume`.
    #[schemars(extend("enum" = ["net", "gross", "stems", "basal_area", "volume"]))]
    pub share_of: Given<String>,
    /// Diameter at breast height from which trees count, where the share is one of trees.
    pub least_diameter: Given<Length>,
    /// Whether reserves inside the block count towards the share, which is then one of the gross area.
    #[serde(default)]
    pub reserves_count: bool,
    /// Whether net ground left as too steep or too soft counts towards the share, as what stands.
    #[serde(default)]
    pub left_counts: bool,
    /// Share of the sum of the gross areas of all blocks of a portfolio (a season).
    pub portfolio_share: Given<CitedTable<Share>>,
    /// Share of the block that must lie within one tree height of standing trees.
    pub influence_share: Given<InfluenceTable>,
    /// Greatest share of the net area that trails may take.
    pub occupancy: Given<OccupancyTable>,
    /// Largest piece of ground felled in one.
    pub largest_opening: Given<CitedTable<Area>>,
    /// Retention counts towards the share only in connected pieces larger than this.
    pub least_patch: Given<CitedTable<Area>>,
    /// Greatest share of the block's road frontage that decks may take.
    pub deck_share: Given<CitedTable<Share>>,
    /// Greatest depth of a deck, from the toe of the road's bank.
    pub deck_depth: Given<CitedTable<Length>>,
    /// Least width of a retention corridor.
    pub corridor_min: Given<CitedTable<Length>>,
    /// Greatest width of a retention corridor.
    pub corridor_max: Given<CitedTable<Length>>,
    /// Least width of a retention corridor, in mean distances from tree to tree.
    pub corridor_spacings: Given<CitedTable<f64>>,
    /// No retention nearer than this to a road's edge: nearer is a warning.
    pub road_band: Given<CitedTable<Length>>,
    /// Retention nearer than this to a road's edge is a failure.
    pub road_band_fail: Given<CitedTable<Length>>,
}

/// A figure with its source.
#[derive(Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(rename = "Cited{T}")]
pub struct CitedTable<T> {
    /// The figure.
    pub value: Spanned<T>,
    /// Id of the check value that the figure is compared with.
    pub cites: Given<String>,
    /// Short name of the document, a key of `[documents]`.
    pub document: Given<String>,
    /// Where in the document: section, table, page.
    pub section: Option<String>,
    /// The source in words, where no document is named, or beside it.
    pub source: Option<String>,
    /// How the figure came to be known; `from memory` warns wherever it decides.
    #[schemars(extend("enum" = ["read in source", "secondary", "from memory", "common practice"]))]
    pub status: Spanned<String>,
}

/// Retention by influence area, with its source.
#[derive(Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct InfluenceTable {
    /// The share.
    pub value: Spanned<Share>,
    /// Whether the share itself is still too little.
    #[serde(default)]
    pub more_than: bool,
    /// Height of the trees, at most 120 m.
    pub tree_height: Spanned<Length>,
    /// Whether the forest outside the block is taken to stand and counts.
    #[serde(default)]
    pub forest_outside: bool,
    /// Id of the check value that the figure is compared with.
    pub cites: Given<String>,
    /// Short name of the document, a key of `[documents]`.
    pub document: Given<String>,
    /// Where in the document: section, table, page.
    pub section: Option<String>,
    /// The source in words, where no document is named, or beside it.
    pub source: Option<String>,
    /// How the figure came to be known; `from memory` warns wherever it decides.
    #[schemars(extend("enum" = ["read in source", "secondary", "from memory", "common practice"]))]
    pub status: Spanned<String>,
}

/// How much of the ground trails may take, with its source.
#[derive(Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct OccupancyTable {
    /// The share.
    pub value: Spanned<Share>,
    /// Whether the share itself is already too much.
    #[serde(default)]
    pub less_than: bool,
    /// Whose width counts: `track`, what the machine drives over (if not given), or `strip`, the whole strip.
    #[schemars(extend("enum" = ["track", "strip"]))]
    pub trail: Given<String>,
    /// Id of the check value that the figure is compared with.
    pub cites: Given<String>,
    /// Short name of the document, a key of `[documents]`.
    pub document: Given<String>,
    /// Where in the document: section, table, page.
    pub section: Option<String>,
    /// The source in words, where no document is named, or beside it.
    pub source: Option<String>,
    /// How the figure came to be known; `from memory` warns wherever it decides.
    #[schemars(extend("enum" = ["read in source", "secondary", "from memory", "common practice"]))]
    pub status: Spanned<String>,
}

/// What one class of features asks for.
#[derive(Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct LineTable {
    /// Stable name of the line, once in the file.
    pub id: Spanned<String>,
    /// Layer role that the line is for.
    #[schemars(extend("enum" = ["streams", "lakes", "wetlands", "roads", "protected", "retain", "hazards", "power_lines"]))]
    pub kind: Spanned<String>,
    /// Class as the layers or `class_map` name it; `*` for every class without a line of its own.
    pub class: Spanned<String>,
    /// Short name for outputs.
    pub title: String,
    /// The class's definition in words.
    pub definition: String,
    /// The class's definition by facts, all of which must hold: `channel` and `area` of the feature itself, or any
    /// name that the project's layers give.
    /// A flag may name several facts, as in `"fish or community_watershed" = true`.
    #[serde(default)]
    pub when: BTreeMap<String, Spanned<ConditionText>>,
    /// Width in which nothing is cut or driven.
    pub reserve: Spanned<WidthText>,
    /// Width beyond the reserve in which a share must stay.
    pub management: Given<WidthText>,
    /// Share of the management zone that must stay.
    pub management_share: Given<ShareText>,
    /// What the share is a share of: `area` (if not given), or of the trees of the zone: `stems`, `basal_area` or `volume`.
    #[schemars(extend("enum" = ["area", "stems", "basal_area", "volume"]))]
    pub share_of: Given<String>,
    /// Diameter at breast height from which trees count, where trees are counted.
    pub least_diameter: Given<Length>,
    /// How many trees of the zone must stay for each length of the bank.
    pub trees_per_length: Given<TreesPerLengthTable>,
    /// Width, from the same edge as the reserve, on which no machine stands or drives.
    pub machine_exclusion: Given<WidthText>,
    /// How distances run: `horizontal`, on the map (if not given), or `slope`, along the ground.
    #[schemars(extend("enum" = ["horizontal", "slope"]))]
    pub distance: Given<String>,
    /// Where widths begin: `bank` or edge (if not given), `stand_edge`, the first trees, or `centreline`.
    #[schemars(extend("enum" = ["bank", "stand_edge", "centreline"]))]
    pub measured_from: Given<String>,
    /// Widest channel of the class; half of it stands in for an unknown channel width.
    pub channel_up_to: Given<Length>,
    /// Roads: whether wood may be decked along them.
    pub decking: Option<bool>,
    /// Roads: whether machines may run on them and cross them.
    pub machines: Option<bool>,
    /// Roads: whether they are cleared already, so that nothing is felled there.
    pub cleared: Option<bool>,
    /// Spans of days outside which nothing is worked within `within`: `12-15/03-10` in every year, or with years.
    #[serde(default)]
    pub open: Vec<Spanned<String>>,
    /// Spans of days in which nothing is worked within `within`.
    #[serde(default)]
    pub closed: Vec<Spanned<String>>,
    /// How far around the feature `open` and `closed` hold.
    pub within: Given<Length>,
    /// Id of the check value that the figure is compared with.
    pub cites: Given<String>,
    /// Short name of the document, a key of `[documents]`.
    pub document: Given<String>,
    /// Where in the document: section, table, page.
    pub section: Option<String>,
    /// The source in words, where no document is named, or beside it.
    pub source: Option<String>,
    /// How the figure came to be known; `from memory` warns wherever it decides.
    #[schemars(extend("enum" = ["read in source", "secondary", "from memory", "common practice"]))]
    pub status: Spanned<String>,
}

/// `{ trees = 10, per = "100 ft" }`.
#[derive(Clone, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct TreesPerLengthTable {
    /// How many trees.
    pub trees: Spanned<f64>,
    /// For each of this length of the bank.
    pub per: Spanned<Length>,
}

/// A share that shares the line's source, or one with a source of its own.
pub enum ShareText {
    Plain(Share),
    Cited(Box<CitedTable<Share>>),
}

/// `"30 m"`, a list of slope classes, or a formula.
pub enum WidthText {
    Plain(Length),
    Classes(Vec<Spanned<SlopeClassTable>>),
    Formula(Box<FormulaTable>),
}

/// `{ slope = "> 25 % and < 35 %", width = "100 ft" }`.
#[derive(Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct SlopeClassTable {
    /// The slopes of the class, with the side each limit belongs to: `> 25 % and < 35 %`.
    pub slope: Spanned<String>,
    /// The width on such ground.
    pub width: Spanned<Length>,
}

/// `{ base = "50 ft", from_slope = "10 %", per_percent = "2 ft", most = "230 ft" }`.
#[derive(Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct FormulaTable {
    /// Width on ground up to `from_slope`.
    pub base: Spanned<Length>,
    /// Slope from which the width grows.
    pub from_slope: Spanned<Share>,
    /// What each percent of slope beyond it adds.
    pub per_percent: Spanned<Length>,
    /// Greatest width.
    pub most: Spanned<Length>,
}

/// `true`, `"> 5 m and <= 20 m"`, `"perennial"` or `["I", "II"]`.
pub enum ConditionText {
    Flag(bool),
    Text(String),
    Several(Vec<String>),
}

impl<'de> Deserialize<'de> for WidthText {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<WidthText, D::Error> {
        struct Width;

        impl<'de> Visitor<'de> for Width {
            type Value = WidthText;

            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str(
                    "a length, a list of { slope = ..., width = ... }, or { base, from_slope, per_percent, most }",
                )
            }
            fn visit_str<E: Error>(self, text: &str) -> Result<WidthText, E> {
                Ok(WidthText::Plain(Length(Written::Text(text.to_owned()))))
            }
            fn visit_f64<E: Error>(self, number: f64) -> Result<WidthText, E> {
                Ok(WidthText::Plain(Length(Written::Number(number))))
            }
            fn visit_i64<E: Error>(self, number: i64) -> Result<WidthText, E> {
                self.visit_f64(number as f64)
            }
            fn visit_seq<A: SeqAccess<'de>>(self, seq: A) -> Result<WidthText, A::Error> {
                Vec::deserialize(SeqAccessDeserializer::new(seq)).map(WidthText::Classes)
            }
            fn visit_map<A: MapAccess<'de>>(self, map: A) -> Result<WidthText, A::Error> {
                FormulaTable::deserialize(MapAccessDeserializer::new(map))
                    .map(|formula| WidthText::Formula(Box::new(formula)))
            }
        }
        deserializer.deserialize_any(Width)
    }
}

impl<'de> Deserialize<'de> for ShareText {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<ShareText, D::Error> {
        struct ShareVisitor;

        impl<'de> Visitor<'de> for ShareVisitor {
            type Value = ShareText;

            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str(
                    "a share such as \"20 %\", or { value = \"20 %\", cites = ..., status = ... }",
                )
            }
            fn visit_str<E: Error>(self, text: &str) -> Result<ShareText, E> {
                Ok(ShareText::Plain(Share(Written::Text(text.to_owned()))))
            }
            fn visit_f64<E: Error>(self, number: f64) -> Result<ShareText, E> {
                Ok(ShareText::Plain(Share(Written::Number(number))))
            }
            fn visit_i64<E: Error>(self, number: i64) -> Result<ShareText, E> {
                self.visit_f64(number as f64)
            }
            fn visit_map<A: MapAccess<'de>>(self, map: A) -> Result<ShareText, A::Error> {
                CitedTable::deserialize(MapAccessDeserializer::new(map))
                    .map(|cited| ShareText::Cited(Box::new(cited)))
            }
        }
        deserializer.deserialize_any(ShareVisitor)
    }
}

impl<'de> Deserialize<'de> for ConditionText {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<ConditionText, D::Error> {
        struct Condition;

        impl<'de> Visitor<'de> for Condition {
            type Value = ConditionText;

            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str(
                    "true, false, a comparison such as \"> 5 m\", a word or a list of words",
                )
            }
            fn visit_bool<E: Error>(self, flag: bool) -> Result<ConditionText, E> {
                Ok(ConditionText::Flag(flag))
            }
            fn visit_str<E: Error>(self, text: &str) -> Result<ConditionText, E> {
                Ok(ConditionText::Text(text.to_owned()))
            }
            fn visit_seq<A: SeqAccess<'de>>(self, seq: A) -> Result<ConditionText, A::Error> {
                Vec::deserialize(SeqAccessDeserializer::new(seq)).map(ConditionText::Several)
            }
        }
        deserializer.deserialize_any(Condition)
    }
}
