//! A rulebook as written: the shape of the TOML and nothing else. The project file's `[rules]` use the same parts.

use std::collections::BTreeMap;
use std::fmt;

use serde::Deserialize;
use serde::de::value::{MapAccessDeserializer, SeqAccessDeserializer};
use serde::de::{Deserializer, Error, MapAccess, SeqAccess, Visitor};
use toml::Spanned;

use super::values::{Area, Length, Share, Written};

type Given<T> = Option<Spanned<T>>;

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RulebookFile {
    pub title: String,
    pub block: BlockTable,
    /// Short name -> words of a citation.
    #[serde(default)]
    pub documents: BTreeMap<String, String>,
    #[serde(default)]
    pub line: Vec<Spanned<LineTable>>,
}

/// Rules for whole blocks.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub struct BlockTable {
    pub retention_share: Spanned<CitedTable<Share>>,
    pub share_of: Given<String>,
    #[serde(default)]
    pub reserves_count: bool,
    pub portfolio_share: Given<CitedTable<Share>>,
    pub influence_share: Given<InfluenceTable>,
    pub occupancy: Given<OccupancyTable>,
    pub largest_opening: Given<CitedTable<Area>>,
    pub corridor_min: Given<CitedTable<Length>>,
    pub corridor_max: Given<CitedTable<Length>>,
    pub road_band: Given<CitedTable<Length>>,
    pub road_band_fail: Given<CitedTable<Length>>,
}

/// A figure with its source.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub struct CitedTable<T> {
    pub value: Spanned<T>,
    pub cites: Given<String>,
    pub document: Given<String>,
    pub section: Option<String>,
    pub source: Option<String>,
    pub status: Spanned<String>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub struct InfluenceTable {
    pub value: Spanned<Share>,
    #[serde(default)]
    pub more_than: bool,
    pub tree_height: Spanned<Length>,
    #[serde(default)]
    pub forest_outside: bool,
    pub cites: Given<String>,
    pub document: Given<String>,
    pub section: Option<String>,
    pub source: Option<String>,
    pub status: Spanned<String>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub struct OccupancyTable {
    pub value: Spanned<Share>,
    #[serde(default)]
    pub less_than: bool,
    pub trail: Given<String>,
    pub cites: Given<String>,
    pub document: Given<String>,
    pub section: Option<String>,
    pub source: Option<String>,
    pub status: Spanned<String>,
}

/// What one class of features asks for.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LineTable {
    pub id: Spanned<String>,
    pub kind: Spanned<String>,
    pub class: Spanned<String>,
    pub title: String,
    pub definition: String,
    /// By the fact's name; a flag may name several, as in `"fish or community_watershed" = true`.
    #[serde(default)]
    pub when: BTreeMap<String, Spanned<ConditionText>>,
    pub reserve: Spanned<WidthText>,
    pub management: Given<WidthText>,
    pub management_share: Given<ShareText>,
    pub machine_exclusion: Given<WidthText>,
    pub distance: Given<String>,
    pub measured_from: Given<String>,
    pub channel_up_to: Given<Length>,
    pub cites: Given<String>,
    pub document: Given<String>,
    pub section: Option<String>,
    pub source: Option<String>,
    pub status: Spanned<String>,
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
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SlopeClassTable {
    pub slope: Spanned<String>,
    pub width: Spanned<Length>,
}

/// `{ base = "50 ft", from_slope = "10 %", per_percent = "2 ft", most = "230 ft" }`.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FormulaTable {
    pub base: Spanned<Length>,
    pub from_slope: Spanned<Share>,
    pub per_percent: Spanned<Length>,
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
