//! The project file as written: the shape of the TOML and nothing else. Units and ranges are looked at in `resolve`.

use std::collections::BTreeMap;
use std::fmt;

use serde::Deserialize;
use serde::de::value::MapAccessDeserializer;
use serde::de::{Deserializer, Error, IgnoredAny, MapAccess, SeqAccess, Visitor};
use toml::Spanned;

use crate::model::LayerKind;
use crate::rulebook::file::{ConditionText, WidthText};
use crate::rulebook::values::{Area, Constant, Direction, Length, Share, Written};

type Given<T> = Option<Spanned<T>>;

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ProjectFile {
    #[serde(default)]
    pub project: ProjectTable,
    pub layers: LayersTable,
    pub rules: RulesTable,
    #[serde(default)]
    pub machine: MachineTable,
    #[serde(default)]
    pub layout: LayoutTable,
    #[serde(default)]
    pub production: ProductionTable,
}

#[derive(Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ProjectTable {
    pub name: Option<String>,
    pub crs: Given<String>,
    pub unit: Given<String>,
}

/// `[layers]`: roles in the order of `LayerKind`, sources of a role as written.
pub struct LayersTable {
    pub roles: BTreeMap<LayerKind, Vec<LayerTable>>,
    pub terrain: Option<TerrainTable>,
    pub unknown: Vec<Spanned<String>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub struct TerrainTable {
    pub source: Spanned<String>,
    pub crs: Given<String>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LayerTable {
    pub source: Spanned<String>,
    pub layer: Option<String>,
    #[serde(rename = "where")]
    pub filter: Option<String>,
    pub crs: Given<String>,
    pub id: Given<AttributeText>,
    pub class: Given<AttributeText>,
    #[serde(default)]
    pub class_map: BTreeMap<String, Spanned<String>>,
    pub width: Given<AttributeText>,
    pub azimuth: Given<AttributeText>,
    pub stems_per_ha: Given<AttributeText>,
    pub tree_m3: Given<AttributeText>,
}

/// One source of a value, or several in the order in which they are tried.
pub enum AttributeText {
    One(AttributeItem),
    Several(Vec<Spanned<AttributeItem>>),
}

pub enum AttributeItem {
    Field(String),
    Constant(Spanned<Constant>),
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct ConstantTable {
    value: Spanned<Constant>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RulesTable {
    pub preset: Spanned<String>,
    /// Source of every override that names none of its own.
    pub source: Given<String>,
    pub retention_share: Given<ShareText>,
    pub reserves_count: Option<bool>,
    #[serde(default)]
    pub line: Vec<Spanned<LineTable>>,
}

/// `"12 %"`, `0.12` or `{ value = "12 %", source = "permit 12-B" }`.
pub enum ShareText {
    Plain(Share),
    Cited {
        value: Spanned<Share>,
        source: Spanned<String>,
    },
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct CitedShareTable {
    value: Spanned<Share>,
    source: Spanned<String>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LineTable {
    pub kind: Spanned<String>,
    pub class: Spanned<String>,
    pub title: Option<String>,
    pub definition: Option<String>,
    #[serde(default)]
    pub when: BTreeMap<String, Spanned<ConditionText>>,
    pub reserve: Given<WidthText>,
    pub management: Given<WidthText>,
    pub management_share: Given<Share>,
    pub machine_exclusion: Given<WidthText>,
    pub distance: Given<String>,
    pub measured_from: Given<String>,
    pub channel_up_to: Given<Length>,
    pub source: Given<String>,
}

#[derive(Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct MachineTable {
    pub reach: Given<Length>,
    pub reach_margin: Given<Length>,
    pub max_slope: Given<Share>,
    pub night_slope: Given<Share>,
    pub half_width: Given<Length>,
}

#[derive(Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LayoutTable {
    pub road_band: Given<Length>,
    pub road_band_fail: Given<Length>,
    pub boundary_pass: Option<bool>,
    pub azimuth: Given<Direction>,
    pub corridor_min: Given<Length>,
    pub corridor_max: Given<Length>,
    pub edge_distance: Given<Length>,
    pub hazard_distance: Given<Length>,
    pub section_min: Given<Length>,
    pub road_width: Given<Length>,
    pub frontage_distance: Given<Length>,
    pub access_search: Given<Length>,
    pub sliver: Given<Area>,
    pub soft_ground: Given<String>,
    pub road_clearing_day_only: Option<bool>,
}

#[derive(Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ProductionTable {
    pub stems_per_ha: Given<f64>,
    pub tree_m3: Given<f64>,
    pub seconds_per_tree: Given<f64>,
    pub steep_factor: Given<f64>,
    pub steep_from: Given<Share>,
    pub cross_slope_factor: Given<f64>,
    pub seconds_per_advance: Given<f64>,
    pub seconds_per_bunch: Given<f64>,
    pub seconds_per_turn: Given<f64>,
    pub travel_m_per_min: Given<f64>,
    pub payload_m3: Given<f64>,
    pub limbiness: Given<String>,
    pub skid_loaded_m_per_min: Given<f64>,
    pub skid_empty_m_per_min: Given<f64>,
    pub seconds_per_load: Given<f64>,
}

impl<'de> Deserialize<'de> for LayersTable {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<LayersTable, D::Error> {
        struct Layers;

        impl<'de> Visitor<'de> for Layers {
            type Value = LayersTable;

            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("a table of layers by role")
            }

            fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<LayersTable, A::Error> {
                let mut layers = LayersTable {
                    roles: BTreeMap::new(),
                    terrain: None,
                    unknown: Vec::new(),
                };
                while let Some(role) = map.next_key::<Spanned<String>>()? {
                    if let Some(kind) = LayerKind::from_key(role.get_ref()) {
                        let OneOrSeveral(tables) = map.next_value()?;
                        layers.roles.insert(kind, tables);
                    } else if role.get_ref() == "terrain" {
                        layers.terrain = Some(map.next_value()?);
                    } else {
                        map.next_value::<IgnoredAny>()?;
                        layers.unknown.push(role);
                    }
                }
                Ok(layers)
            }
        }
        deserializer.deserialize_map(Layers)
    }
}

/// `[layers.roads]` or `[[layers.roads]]`.
struct OneOrSeveral(Vec<LayerTable>);

impl<'de> Deserialize<'de> for OneOrSeveral {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<OneOrSeveral, D::Error> {
        struct Tables;

        impl<'de> Visitor<'de> for Tables {
            type Value = OneOrSeveral;

            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("a table with `source`, or an array of such tables")
            }

            fn visit_map<A: MapAccess<'de>>(self, map: A) -> Result<OneOrSeveral, A::Error> {
                let table = LayerTable::deserialize(MapAccessDeserializer::new(map))?;
                Ok(OneOrSeveral(vec![table]))
            }

            fn visit_seq<A: SeqAccess<'de>>(self, mut seq: A) -> Result<OneOrSeveral, A::Error> {
                let mut tables = Vec::new();
                while let Some(table) = seq.next_element()? {
                    tables.push(table);
                }
                Ok(OneOrSeveral(tables))
            }
        }
        deserializer.deserialize_any(Tables)
    }
}

const ATTRIBUTE: &str = "a field name, { value = ... } or a list of these";

impl<'de> Deserialize<'de> for AttributeText {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<AttributeText, D::Error> {
        struct Attribute;

        impl<'de> Visitor<'de> for Attribute {
            type Value = AttributeText;

            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str(ATTRIBUTE)
            }

            fn visit_str<E: Error>(self, text: &str) -> Result<AttributeText, E> {
                Item.visit_str(text).map(AttributeText::One)
            }

            fn visit_map<A: MapAccess<'de>>(self, map: A) -> Result<AttributeText, A::Error> {
                Item.visit_map(map).map(AttributeText::One)
            }

            fn visit_seq<A: SeqAccess<'de>>(self, mut seq: A) -> Result<AttributeText, A::Error> {
                let mut items = Vec::new();
                while let Some(item) = seq.next_element()? {
                    items.push(item);
                }
                Ok(AttributeText::Several(items))
            }
        }
        deserializer.deserialize_any(Attribute)
    }
}

struct Item;

impl<'de> Visitor<'de> for Item {
    type Value = AttributeItem;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a field name or { value = ... }")
    }

    fn visit_str<E: Error>(self, text: &str) -> Result<AttributeItem, E> {
        Ok(AttributeItem::Field(text.to_owned()))
    }

    fn visit_map<A: MapAccess<'de>>(self, map: A) -> Result<AttributeItem, A::Error> {
        let table = ConstantTable::deserialize(MapAccessDeserializer::new(map))?;
        Ok(AttributeItem::Constant(table.value))
    }
}

impl<'de> Deserialize<'de> for AttributeItem {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<AttributeItem, D::Error> {
        deserializer.deserialize_any(Item)
    }
}

impl<'de> Deserialize<'de> for ShareText {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<ShareText, D::Error> {
        struct ShareVisitor;

        impl<'de> Visitor<'de> for ShareVisitor {
            type Value = ShareText;

            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str(
                    "a share such as \"12 %\" or 0.12, or { value = \"12 %\", source = \"...\" }",
                )
            }
            fn visit_str<E: Error>(self, text: &str) -> Result<ShareText, E> {
                Ok(ShareText::Plain(Share(Written::Text(text.to_owned()))))
            }
            fn visit_f64<E: Error>(self, number: f64) -> Result<ShareText, E> {
                Ok(ShareText::Plain(Share(Written::Number(number))))
            }
            fn visit_i64<E: Error>(self, number: i64) -> Result<ShareText, E> {
                Ok(ShareText::Plain(Share(Written::Number(number as f64))))
            }
            fn visit_map<A: MapAccess<'de>>(self, map: A) -> Result<ShareText, A::Error> {
                let table = CitedShareTable::deserialize(MapAccessDeserializer::new(map))?;
                Ok(ShareText::Cited {
                    value: table.value,
                    source: table.source,
                })
            }
        }
        deserializer.deserialize_any(ShareVisitor)
    }
}
